"""The pages of a verification: does the probe on my bench agree with its report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.verify import Verification
from probetest.report.blocks import (
    Banner,
    Cell,
    Column,
    Facts,
    Note,
    Picture,
    Table,
    Verdict,
    VerdictMark,
    picture_from_figure,
)
from probetest.report.first_page import touches, when
from probetest.report.numbers import UM_PER_MM, decimals_for, number, p_words
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.agreement import OWN, Agreement, Agrees
from probetest.statistics.intervals import Interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

SHOWN: dict[Agrees, Verdict] = {
    "consistent": "pass",
    "better": "pass",
    "worse": "fail",
    "can't tell": "undecided",
}
"""The look of a verdict that goes with each word."""

WIDEST_EN = 5.0
"""Larger scores are drawn at the edge."""


def banner(result: Verification) -> Banner:
    """Which probe, whether it agrees with its report, and one plain sentence."""
    found, earlier = result.found, result.earlier
    facts = (
        ("Build", found.record.build or "not stated"),
        ("Tested", when(found)),
        ("Touches", touches(found)),
    )
    title = f"Touch probe {found.record.serial} against its report ({earlier.verdict})"
    return Banner(SHOWN[result.verdict], title, meaning(result), facts, word=result.verdict)


def meaning(result: Verification) -> str:
    """What the verdict says, in one or two sentences."""
    worse = [one.label for one in result.agreements if one.verdict == "worse"]
    unsure = [one.label for one in result.agreements if one.verdict == "can't tell"]
    if result.verdict == "consistent":
        text = (
            f"All {len(result.agreements)} figures agree with the report within both uncertainties, and a "
            "difference that matters would have shown."
        )
    elif result.verdict == "worse":
        decisive = [one.label for one in result.agreements if one.verdict == "worse" and one.of == OWN]
        text = f"The probe is worse than its report says: {_listed(decisive)}."
    else:
        text = "This test does not tell whether the probe is as its report says."
        if unsure:
            text += f" Open: {_listed(unsure)}."
        if worse:
            text += f" Worse, but not shown to be the probe's: {_listed(worse)}."
    return text


def _listed(labels: list[str]) -> str:
    lowered = [label[:1].lower() + label[1:] for label in labels]
    return lowered[0] if len(lowered) == 1 else ", ".join(lowered[:-1]) + " and " + lowered[-1]


def agreement_table(result: Verification) -> Table:
    """Each figure here and in the report, their difference, and what it says."""
    rows = tuple(_row(one) for one in result.agreements)
    skipped = [f"{label}: not compared, {reason}." for label, reason in result.not_compared]
    remarks = [
        f"{one.label}: {one.note}." for one in result.agreements if one.verdict == "better" and one.note
    ]
    return Table(
        columns=(
            Column("Figure", "left", "1fr"),
            Column("Of", "left", "29mm"),
            Column("Here (95 %)", "right"),
            Column("Report (95 %)", "right"),
            Column("Eₙ", "right"),
            Column("Verdict", "left"),
        ),
        rows=rows,
        note="\n".join(
            [
                "Eₙ: difference by its expanded uncertainty (95 %, both tests), as in ISO 13528; beyond −1 "
                "and 1 the figures differ, smaller is better. Scatter is compared by its logarithm, misses "
                "by Fisher's exact test. Consistent also says that a difference of half the limit would "
                "have shown in 95 of 100 tests. All together are worse only if a figure of the probe is so "
                "at 5 % risk for all of them.",
                *remarks,
                *skipped,
            ]
        ),
    )


def _row(one: Agreement) -> tuple[Cell, ...]:
    scale, unit = (UM_PER_MM, "µm") if one.unit == "mm" else (100.0, "%")
    half = max(one.ours_interval.half_width, one.theirs_interval.half_width)
    decimals = min(2, decimals_for(scale * half))

    def shown(value: float, limits: Interval) -> str:
        between = f"{number(scale * limits.lower, decimals)}–{number(scale * limits.upper, decimals)}"
        return f"{number(scale * value, decimals)} ({between})"

    return (
        f"{one.label}, {unit}",
        one.of,
        shown(one.ours, one.ours_interval),
        shown(one.theirs, one.theirs_interval),
        number(one.en, 2, sign=True) if one.en is not None else p_words(one.p),
        VerdictMark(SHOWN[one.verdict], one.verdict),
    )


def scores(result: Verification) -> Picture:
    """The scores beside each other, with the zone of agreement."""
    scored = [one for one in result.agreements if one.en is not None]
    values = np.array([one.en for one in scored], dtype=float)
    places = np.arange(len(scored))[::-1]
    with report_style():
        figure = new_figure(170, 14 + 8 * len(scored))
        axes = figure.add_subplot()
        axes.axvspan(-1, 1, color=PALETTE.teal, alpha=0.15, lw=0)
        axes.axvline(0, color=PALETTE.muted, lw=0.5)
        for edge in (-1, 1):
            axes.axvline(edge, color=PALETTE.muted, lw=0.6, ls=(0, (3, 2)))
        inside = np.abs(values) <= 1
        drawn = np.clip(values, -WIDEST_EN, WIDEST_EN)
        axes.plot(drawn[inside], places[inside], "o", ms=5, color=PALETTE.blue, ls="none")
        axes.plot(drawn[~inside], places[~inside], "s", ms=5, color=PALETTE.vermilion, ls="none")
        axes.set_yticks(places, [one.label for one in scored])
        axes.set_ylim(-0.7, len(scored) - 0.3)
        reach = max(2.0, float(np.abs(drawn).max(initial=0.0)) * 1.1)
        axes.set_xlim(-reach, reach)
        axes.set_xlabel("Eₙ score: better than the report ←  0  → worse than the report")
    return picture_from_figure(
        figure,
        caption="Scores of the lengths that were compared. In the shaded zone the figures agree within both "
        f"uncertainties; scores beyond ±{WIDEST_EN:.0f} are drawn at the edge.",
        alt="; ".join(f"{one.label}: {value:+.2f}" for one, value in zip(scored, values, strict=True)),
    )


def curves(result: Verification) -> Picture | None:
    """Both curves of the probe alone; None where one of the tests does not have it."""
    apart, own = result.found.separated.known, result.earlier.own
    if apart is None or apart.probe is None or own is None or len(own.azimuth_deg) != len(own.curve_mm):
        return None
    if not own.azimuth_deg or len(own.curve_u_mm) != len(own.curve_mm):
        return None
    with report_style():
        figure = new_figure(170, 56)
        axes = figure.add_subplot()
        axes.axhline(0, color=PALETTE.muted, lw=0.5)
        mine = apart.probe
        _curve(axes, mine.azimuth_deg, mine.mean_mm, mine.u_mm, PALETTE.blue, "-", "here")
        azimuth, mean, u = (np.array(part) for part in (own.azimuth_deg, own.curve_mm, own.curve_u_mm))
        _curve(axes, azimuth, mean, u, PALETTE.vermilion, "--", "report")
        axes.set_xlim(0, 361)
        axes.set_xticks(np.arange(0, 361, 45))
        axes.set_xlabel("direction of motion seen from the probe (azimuth less orientation), °")
        axes.set_ylabel("later than its mean, µm")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2)
    return picture_from_figure(
        figure,
        caption="Pre-travel of the probe alone, here and in the report (bands: 2 u). If the curves have "
        "the same shape but are turned, orientation 0 is not the same mark on the probe in both tests; the "
        "figures above do not depend on it.",
        alt="Two curves of the probe alone over a turn, here and in the report.",
    )


def _curve(
    axes: Axes, azimuth_deg: Floats, mean_mm: Floats, u_mm: Floats, colour: str, line: str, name: str
) -> None:
    low, high = UM_PER_MM * (mean_mm - 2 * u_mm), UM_PER_MM * (mean_mm + 2 * u_mm)
    axes.fill_between(azimuth_deg, low, high, color=colour, alpha=0.2, linewidth=0)
    axes.plot(azimuth_deg, UM_PER_MM * mean_mm, color=colour, ls=line, label=name)


def conditions(result: Verification) -> Facts:
    """The report that this test is held against, and what differs."""
    earlier = result.earlier
    turned = "one orientation: probe + machine"
    if earlier.own is not None and earlier.separation is not None:
        angles = ", ".join(f"{angle:.4g}°" for angle in earlier.separation.orientations_deg)
        turned = f"probe and machine told apart by orientations {angles}"
    return Facts(
        (
            ("Report", f"made by {earlier.software}, verdict {earlier.verdict}; {turned}"),
            ("What differs", "; ".join(result.differences)),
            ("Limits used here", "those of the report, unless a limits file was named"),
        )
    )


def advice(result: Verification) -> Note | None:
    """What would settle what is open; None where nothing is."""
    if not result.advice:
        return None
    return Note("info", "What would settle it", "\n".join(result.advice))
