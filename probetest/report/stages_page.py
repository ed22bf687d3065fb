"""The page on stages: does the probe re-seat, and does the touch before matter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from probetest.jobs.qualify import Qualification
from probetest.jobs.stages import WORDS, StageChange, largest_shift_mm
from probetest.report.blocks import (
    Cell,
    Column,
    Facts,
    Note,
    Picture,
    Table,
    VerdictMark,
    picture_from_figure,
)
from probetest.report.numbers import UM_PER_MM, UNKNOWN, decimals_for, number, p_words, span, um, um_span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.reseat import Reseat

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHOWN = {"within the margin": "shown", "beyond the margin": "beyond", "can't tell": "can't tell"}


def stages_table(found: Qualification) -> Table | None:
    """Each stage against the baseline; None where the log holds one stage."""
    changes = found.stages.changes
    if not changes:
        return None
    margin = next((one.found.margin_mm for one in changes if one.found is not None), 0.0)
    return Table(
        columns=(
            Column("Stage", "left", "29mm"),
            Column("Touches", "right", "18mm"),
            Column("Level, µm", "right", "1fr"),
            Column("Centre x, y, µm", "right", "1fr"),
            Column("Largest, µm", "right", "14mm"),
            Column("Scatter", "right", "1fr"),
            Column(f"Within {um(margin)} µm", "left", "22mm"),
        ),
        rows=tuple(_row(one) for one in changes),
        note="Shift of the trigger from the baseline, both read about the centre of the baseline. Level: all "
        "directions alike, with 95 %. Scatter: ratio to the baseline, with 95 %. Shown (risk 5 %): in each "
        "direction that was tested, or of a seat that moved as a body; what one direction alone could then "
        "hide is said below. After the probe was out of the spindle, the centre is the holder's.",
    )


def _row(change: StageChange) -> tuple[Cell, ...]:
    told = change.found
    touches = f"{change.n_baseline} + {change.n_stage}"
    if told is None:
        return change.stage, touches, UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, change.reason
    level = centre = ratio = UNKNOWN
    if told.parts is not None:
        limits = told.parts.level_interval_mm
        level = f"{um(told.parts.level_mm, 1, sign=True)} ({um_span(limits, 1)})"
        centre = ", ".join(um(value, 1, sign=True) for value in told.parts.centre_mm)
        centre += f" ± {um(2 * max(told.parts.centre_u_mm), 1)}"
    if told.scatter is not None:
        limits = told.scatter.interval
        ratio = f"{told.scatter.ratio:.2f} ({limits.lower:.2f}–{limits.upper:.2f})"
    word = SHOWN[told.verdict] + ("" if told.same_clamping else " (without centre)")
    return (
        change.stage,
        touches,
        level,
        centre,
        um(largest_shift_mm(told)),
        ratio,
        VerdictMark(WORDS[told.verdict], word),
    )


def stage_pictures(found: Qualification) -> list[Picture]:
    """Shift of each direction of each stage."""
    return [_picture(one.stage, one.found) for one in found.stages.changes if one.found is not None]


def _picture(stage: str, told: Reseat) -> Picture:
    azimuth = np.array([one.azimuth_deg for one in told.directions])
    shift = UM_PER_MM * np.array([one.shift_mm for one in told.directions])
    low = UM_PER_MM * np.array([one.interval_mm.lower for one in told.directions])
    high = UM_PER_MM * np.array([one.interval_mm.upper for one in told.directions])
    with report_style():
        figure = new_figure(170, 50)
        axes = figure.add_subplot()
        margin = UM_PER_MM * told.margin_mm
        axes.axhspan(-margin, margin, color=PALETTE.teal, alpha=0.15, lw=0)
        axes.axhline(0, color=PALETTE.muted, lw=0.5)
        known = np.isfinite(low) & np.isfinite(high)
        axes.errorbar(
            azimuth[known], shift[known], yerr=[(shift - low)[known], (high - shift)[known]], fmt="o", ms=3,
            color=PALETTE.blue, elinewidth=0.7, label="a direction, 95 %",
        )  # fmt: skip
        if told.parts is not None and told.same_clamping:
            _rigid(axes, told.parts)
        axes.set_xlim(-8, 368)
        axes.set_xticks(np.arange(0, 361, 45))
        axes.set_xlabel("direction of motion (azimuth), °")
        axes.set_ylabel("later than in the\nbaseline, µm")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3)
    taken = "" if told.same_clamping else " Level and centre were taken out of the dots."
    return picture_from_figure(
        figure,
        caption=f"{stage}: shift of the trigger from the baseline, direction by direction. The shaded zone "
        f"is the margin.{taken}",
        alt=f"{stage}: shifts of {len(azimuth)} directions, {shift.min():.1f} to {shift.max():.1f} µm; "
        f"{told.verdict}.",
    )


def _rigid(axes: Axes, parts: Any) -> None:
    fine = np.linspace(0, 360, 181)
    angle = np.deg2rad(fine)
    x, y = parts.centre_mm
    line = UM_PER_MM * (parts.level_mm + x * np.cos(angle) + y * np.sin(angle))
    axes.plot(fine, line, color=PALETTE.vermilion, lw=0.9, label="a seat that moved as a body")


def stage_notes(found: Qualification) -> Note | None:
    """What the words on stages rest on, and what they leave out; None where there is nothing."""
    lines = []
    for change in found.stages.changes:
        told = change.found
        if told is None:
            lines.append(f"{change.stage}: {change.reason}.")
            continue
        lines.extend(f"{change.stage}: {note}." for note in told.notes)
        if told.shown_by == "rigid seat":
            lines.append(
                f"{change.stage}: one direction that moved alone could hide a shift of {um(told.hides_mm)} "
                "µm."
            )
        if told.settling.settles:
            lines.append(f"{change.stage}: the first touches differ from the later ones: the seat settles.")
        if told.verdict == "can't tell" and told.touches_if_none is not None:
            seen = (
                "" if told.touches_if_as_seen is None else f", {told.touches_if_as_seen} if it moved as seen"
            )
            lines.append(
                f"{change.stage}: about {told.touches_if_none} touches a direction in each stage of a new "
                "test "
                f"would decide if it did not move{seen}."
            )
    return Note("info", "What these words rest on", "\n".join(lines)) if lines else None


def touch_before_facts(found: Qualification) -> Facts:
    """Whether the trigger depends on the direction of the touch before, and of the overtravel."""
    before = found.stages.touch_before
    rows: list[tuple[str, str]] = []
    if before is None or before.effect is None:
        rows.append(("The touch before", f"can't tell: {found.stages.touch_before_reason or 'not known'}"))
    else:
        rows.append(
            ("The touch before", f"{before.verdict} of {um(before.margin_mm)} µm; {_effect(before.effect)}")
        )
        rows[-1] = (rows[-1][0], f"{rows[-1][1]}; n = {before.used}")
    overtravel = found.stages.overtravel
    if overtravel is not None:
        told = _effect(overtravel.effect) if overtravel.effect is not None else overtravel.reason
        rows.append(("Direction of the overtravel", told))
    return Facts(tuple(rows), caption="Hysteresis: what is left of the direction before")


def _effect(effect: Any) -> str:
    limits = effect.along_interval_mm
    decimals = decimals_for(UM_PER_MM * (limits.upper - limits.lower))
    along = number(UM_PER_MM * effect.along_mm, decimals, sign=True)
    return (
        f"{along} µm along it ({span(limits.lower, limits.upper, decimals, UM_PER_MM)}), at most "
        f"{number(UM_PER_MM * effect.largest_upper_mm, decimals)} µm in any direction, {p_words(effect.p)}"
    )
