"""The page "Contact health": which contact pair is suspect, on what evidence, and what to do."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.contact_service import Service
from probetest.jobs.contact_words import CAUTIONS, WORDS, advice, named, opens, sentence, whereabouts
from probetest.jobs.contacts import Contacts
from probetest.report.blocks import Cell, Column, Facts, Note, Picture, Table, picture_from_figure
from probetest.report.numbers import UM_PER_MM, UNKNOWN, number, p_words, um, um_span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.contact_change import ArmChange
from probetest.statistics.contact_evidence import Evidence
from probetest.statistics.contact_finding import Finding
from probetest.statistics.contact_gains import ContactGains
from probetest.statistics.contact_steps import CentreStep
from probetest.statistics.seat import seat_shape

Floats = NDArray[np.float64]

FINE_DEG = np.linspace(0.0, 360.0, 721)
SECTOR_DEG = 60.0
SURE = 0.999

PERCENT = 100.0


def finding_lines(found: Contacts) -> list[str]:
    """The finding in a sentence, what it means, how sure it is and what else would explain it."""
    finding = found.finding
    lines = [sentence(finding), WORDS[finding.first.kind].meaning]
    if finding.first.confidence is not None:
        lines.append(f"{_sure(finding)} (n = {found.touches}).")
    if whereabouts(finding):
        lines.append(whereabouts(finding))
    if finding.first.kind == "healthy":
        lines.append(f"Not seen by this test: {'; '.join(found.not_seen)}.")
    lines += [f"Also: {named(one)}: {one.why}{_with(one.confidence)}." for one in finding.others]
    return lines


def finding_note(found: Contacts) -> Note:
    """The same as a block."""
    calm = found.finding.first.kind in ("healthy", "machine", "unknown")
    return Note("info" if calm else "caution", "Finding", "\n".join(finding_lines(found)))


def _sure(finding: Finding) -> str:
    """How sure it is, and of what."""
    share = confidence(finding.first.confidence or 0.0)
    if finding.first.kind == "healthy":
        return f"Confidence that no arm is off by more than 15 %: {share}"
    return f"Confidence in this pattern, not in its cause: {share}"


def confidence(share: float) -> str:
    """A share in words; never a plain 100 %."""
    return f"above {PERCENT * SURE:.1f} %" if share > SURE else f"{PERCENT * share:.3g} %"


def _with(share: float | None) -> str:
    return "" if share is None else f" ({confidence(share)})"


def contacts_picture(found: Contacts) -> Picture | None:
    """The pre-travel around the body of the probe, its three sectors and the arms; None without arms."""
    gains = found.gains
    if gains is None:
        return None
    with report_style():
        figure = new_figure(80, 80, (14, 14, 15, 13))
        axes: Any = figure.add_subplot(projection="polar")
        floor, top, middle = _range(gains)
        suspect = found.finding.first.arm_azimuth_deg
        _sectors(axes, gains, suspect, floor, top)
        curve = UM_PER_MM * _curve(gains, FINE_DEG)
        axes.plot(
            np.deg2rad(FINE_DEG),
            curve - middle,
            color=PALETTE.blue,
            lw=1.1,
            ls="-",
            label="fitted, arm by arm",
        )
        equal = UM_PER_MM * _equal(gains, FINE_DEG)
        axes.plot(
            np.deg2rad(FINE_DEG), equal - middle, color=PALETTE.vermilion, lw=0.9, ls="--", label="arms alike"
        )
        axes.set_ylim(floor, top)
        axes.set_yticks([])
        axes.set_thetagrids(np.arange(0, 360, 45), [f"{angle}°" for angle in range(0, 360, 45)])
        axes.spines["polar"].set_color(PALETTE.hairline)
        axes.set_title("Pre-travel by direction of motion", pad=13)
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.07), ncols=2, columnspacing=1.0)
    said = ", ".join(_arm_words(gains, arm) for arm in range(3))
    return picture_from_figure(
        figure,
        caption="0° is X+ at orientation 0, counter-clockwise from above. A triangle on the rim is an arm, "
        "where it is on the body; the sector opposite, with the same number, is where it decides touches. "
        "Shaded, and the large triangle: the suspect. Level and centre are left out.",
        alt=f"Polar plot of the fitted pre-travel with three sectors; {said}.",
    )


def _curve(gains: ContactGains, azimuth_deg: Floats) -> Floats:
    logs = np.array([arm.contrast for arm in gains.arms]) / 1.5
    first = gains.arms[0].azimuth_deg
    return gains.size_mm * seat_shape(azimuth_deg, first, gains.pair_ratio, np.exp(logs))


def _equal(gains: ContactGains, azimuth_deg: Floats) -> Floats:
    return gains.size_mm * seat_shape(azimuth_deg, gains.arms[0].azimuth_deg, gains.pair_ratio)


def _range(gains: ContactGains) -> tuple[float, float, float]:
    both = UM_PER_MM * np.concatenate([_curve(gains, FINE_DEG), _equal(gains, FINE_DEG)])
    middle, spread = float(both.mean()), float(np.ptp(both)) or 1.0
    return float(both.min() - middle - 0.9 * spread), float(both.max() - middle + 0.35 * spread), middle


def _sectors(axes: Any, gains: ContactGains, suspect: float | None, floor: float, top: float) -> None:
    for place, arm in enumerate(gains.arms, start=1):
        towards = np.deg2rad(arm.azimuth_deg + 180.0)
        half = np.deg2rad(SECTOR_DEG)
        for edge in (towards - half, towards + half):
            axes.plot([edge, edge], [floor, top], color=PALETTE.muted, lw=0.6, ls=(0, (1, 2)), zorder=1)
        here = suspect is not None and abs(arm.azimuth_deg - suspect) < 1.0
        if here:
            turn = np.linspace(towards - half, towards + half, 61)
            axes.fill_between(turn, floor, top, color=PALETTE.amber, alpha=0.35, linewidth=0, zorder=0)
        at = np.deg2rad(arm.azimuth_deg)
        axes.plot(
            at, top, marker=(3, 0, arm.azimuth_deg + 90), ms=10 if here else 6, color=PALETTE.ink,
            clip_on=False, zorder=5,
        )  # fmt: skip
        axes.text(at, top + 0.15 * (top - floor), str(place), ha="center", va="center", fontsize=7)
        inside = floor + 0.8 * (top - floor)
        axes.text(
            towards, inside, f"by arm {place}\n{number(PERCENT * arm.share, 0, sign=True)} %",
            ha="center", va="center", fontsize=7.5, linespacing=1.1,
        )  # fmt: skip


def _arm_words(gains: ContactGains, place: int) -> str:
    arm = gains.arms[place]
    return f"arm {place + 1} at {arm.azimuth_deg:.0f}° opens {number(PERCENT * arm.share, 0, sign=True)} %"


def arms_facts(found: Contacts) -> Facts | None:
    """Where the arms are, and how their figures were found; None without arms."""
    gains = found.gains
    if gains is None:
        return None
    how = "as marked" if found.arm_stated else f"estimated, ± {2 * gains.arm_u_deg:.1f}° (2 u)"
    rows = [
        (
            f"Arm {place}",
            f"azimuth {arm.azimuth_deg:.0f}°, decides touches towards {_opposite(arm.azimuth_deg)}",
        )
        for place, arm in enumerate(gains.arms, start=1)
    ]
    allowed = {
        "nothing": "nothing",
        "reversal value": "a reversal value and two lobes",
        "waves": "any curve that does not turn with the probe",
    }
    rows += [
        ("Azimuths of the arms", how),
        ("Allowed for the machine", allowed[gains.beside]),
        ("Lobes (order 3)", f"{um(gains.lobe_mm, 2)} ± {um(2 * gains.lobe_u_mm, 2)} µm (2 u)"),
        ("Touches, orientations", f"{found.touches}, {len(found.orientations_deg)}"),
    ]
    rows += [
        ("Step of the centre", _step_words(step, orientation))
        for orientation, steps in found.steps
        for step in steps.steps
    ]
    rows += [("Mind", note) for note in found.notes]
    return Facts(tuple(rows), caption="The arms")


def _step_words(step: CentreStep, orientation_deg: float) -> str:
    low, high = step.after_interval.lower, step.after_interval.upper
    return (
        f"{um(step.length_mm)} µm ({um_span(step.length_interval, 1)}) towards {step.direction_deg:.0f}° ± "
        f"{2 * step.direction_u_deg:.0f}° (2 u), at orientation {orientation_deg:g}° behind touch "
        f"{step.after_touch:.0f} ({low:.0f} to {high:.0f}), {p_words(step.p_value)}, "
        f"n = {step.n_before + step.n_after}"
    )


def _opposite(azimuth_deg: float) -> str:
    middle = (azimuth_deg + 180.0) % 360.0
    return f"{(middle - SECTOR_DEG) % 360:.0f}° to {(middle + SECTOR_DEG) % 360:.0f}°"


def evidence_table(found: Contacts) -> Table:
    """Everything that was looked at, with what a healthy probe would show."""
    return Table(
        columns=(
            Column("Looked at", "left", "1fr"),
            Column("Arm", "right", "11mm"),
            Column("Found (95 %)", "right", "45mm"),
            Column("By chance", "right", "22mm"),
            Column("n", "right", "10mm"),
            Column("Against a healthy probe", "left", "22mm"),
        ),
        rows=tuple(evidence_cells(one, found.finding) for one in found.finding.evidence),
        note="Opening force: share of the force at which this arm opens the circuit, above or below that "
        "of the other two. By chance: how often a healthy probe shows as much; for opening forces one whose "
        "arms differ by 4 %. All kinds together speak against a healthy probe in less than 1 of 100 tests "
        "of one.",
    )


def evidence_cells(one: Evidence, finding: Finding | None = None) -> tuple[str, str, str, str, str, str]:
    """Name, arm, value, chance, touches, and whether it speaks against a healthy probe.

    Where one arm opens early the other two open late against it: that is its mirror and no fault of theirs.
    """
    arm = UNKNOWN if one.arm_azimuth_deg is None else f"{one.arm_azimuth_deg:.0f}°"
    name = one.name[:1].upper() + one.name[1:] + (f"; {one.note}" if one.note else "")
    chance = UNKNOWN if one.p is None else p_words(one.p)
    word = "yes" if one.shown else "no"
    if (
        finding is not None
        and one.shown
        and finding.first.kind in ("early", "late")
        and "opening" in one.name
    ):
        off = (one.arm_azimuth_deg or 0.0) - (finding.first.arm_azimuth_deg or 0.0)
        word = "yes" if abs((off + 180.0) % 360.0 - 180.0) < SECTOR_DEG else "its mirror"
    return name, arm, _value(one), chance, str(one.n) if one.n else UNKNOWN, word


def _value(one: Evidence) -> str:
    if one.value is None:
        return UNKNOWN
    scale, unit, decimals, sign = {
        "mm": (UM_PER_MM, " µm", 2, False),
        "touches": (1.0, "", 0, False),
        "steps": (1.0, "", 0, False),
    }.get(one.unit, (1.0, "", 2, False))
    if one.unit == "1" and ("opening" in one.name or "machine" in one.name):
        scale, unit, decimals, sign = PERCENT, " %", 1, True
    if "valid trigger" in one.name:
        scale, unit, decimals = PERCENT, " %", 2
    text = number(scale * one.value, decimals, sign=sign)
    if one.interval is not None:
        low, high = (number(scale * x, decimals, sign=sign) for x in (one.interval.lower, one.interval.upper))
        text += f" ({low} to {high})"
    return text + unit


def advice_note(found: Contacts) -> Note | None:
    """What to do next, with the cautions where it may lead to an open probe; None where nothing is."""
    steps = advice(found.finding)
    if not steps:
        return None
    lines = [f"{place}. {step}" for place, step in enumerate(steps, start=1)]
    if opens(found.finding):
        lines.append(CAUTIONS)
    return Note("caution" if opens(found.finding) else "info", "What to do next", "\n".join(lines))


SERVICE_WORDS = {
    "helped": "The service helped: a fault was found before it, none after it, and the change is shown.",
    "changed": "An arm changed, which on the same machine is the probe's doing; it was no fault that was "
    "found before and gone after (were the logs swapped?).",
    "no change shown": "No change is shown by these touches.",
    "can't tell": "The arms before and after can't be held against each other.",
}


def service_table(service: Service | None) -> Table | None:
    """The arms before and after a service; None where the log holds none."""
    if service is None or not service.changes:
        return None
    return Table(
        columns=(
            Column("Arm", "left", "1fr"),
            Column("Before", "right", "22mm"),
            Column("After", "right", "22mm"),
            Column("Change (95 %)", "right", "50mm"),
            Column("By chance", "right", "22mm"),
            Column("Word", "left", "28mm"),
        ),
        rows=tuple(_changed(one) for one in service.changes),
        note=f"{SERVICE_WORDS[service.verdict]} Before: {sentence(service.before.finding)} "
        f"After ({service.after.stage}): {sentence(service.after.finding)} Changes after Holm, risk 5 %.",
    )


def _changed(one: ArmChange) -> tuple[Cell, ...]:
    before, after, change, low, high = (
        number(PERCENT * float(np.expm1(x)), 1, sign=True)
        for x in (one.before, one.after, one.change, one.interval.lower, one.interval.upper)
    )
    where = f"azimuth {one.azimuth_deg:.0f}°"
    return where, f"{before} %", f"{after} %", f"{change} ({low} to {high}) %", p_words(one.p), one.word
