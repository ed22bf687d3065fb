"""What a reader of a result must mind, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from probetest.jobs.analysis import LEAST_VISIBILITY, Analysis, Series
from probetest.statistics.approach import CentreFit
from probetest.statistics.drift import TOLD_APART, Drift
from probetest.statistics.repeatability import Repeatability

HIGH_CONDITION = 4.0
"""Condition of the centre fit above which the report warns (an even spread has 1)."""


def make_remarks(found: Analysis, headline: Series, series: int) -> tuple[str, ...]:
    """Sentences for one analysis.

    Parameters
    ----------
    found : Analysis
        Of the headline series.
    headline : Series
    series : int
        How many series the log holds.
    """
    remarks = [
        "Every figure is of the probe together with this machine, artefact and stylus; one orientation "
        "cannot tell them apart."
    ]
    remarks.extend(_scatter(found.repeatability))
    if found.drift is not None:
        remarks.extend(_drift(found.drift))
    if found.seat is not None and found.seat.shown and not found.seat.fits:
        remarks.append(
            f"The curve is not that of three equal arms (misfit p = {found.seat.misfit_p:.2g}): one arm, "
            "the artefact, the machine or the centre may add to it."
        )
    if found.readings.fit is not None:
        remarks.extend(_directions(found.readings.fit))
    if len(headline.elevated):
        remarks.append(
            f"{len(headline.elevated)} touches are not horizontal: they have no part in the pooled figure, "
            "the centre or the lobing; their scatter is listed where a direction was touched twice."
        )
    if series > 1:
        remarks.append(
            f"The log holds {series} series (stage, orientation). The verdict is on stage "
            f"'{headline.stage}' at orientation {headline.orientation_deg:.4g}°; the others are listed."
        )
    return tuple(remarks)


def _scatter(spread: Repeatability) -> Iterator[str]:
    test = spread.homogeneity
    # With coarse steps the sd of a direction depends on where its mean lies between two steps.
    if spread.resolved and not test.alike:
        worst = spread.directions[test.cochran_direction]
        yield (
            f"Directions scatter unequally (Brown-Forsythe p = {test.brown_forsythe_p:.2g}; Cochran's "
            f"C = {test.cochran_c:.3f}, critical {test.cochran_critical:.3f}), most at azimuth "
            f"{worst.azimuth_deg:.4g}°. The pooled sd hides that: judge by the worst direction."
        )
    if not spread.resolved:
        yield (
            f"The scatter is not resolved: readings move in steps of {spread.step_mm:.4g} mm, and the sd is "
            "at most about one step. Never read it as 0."
        )


def _drift(drift: Drift) -> Iterator[str]:
    if drift.within_share < TOLD_APART:
        yield (
            "The order of the touches follows the directions, so that slow drift hides in the lobing: touch "
            "once round all directions in random order, then again."
        )
    if drift.significant:
        yield (
            f"The readings drift: {1000 * drift.over_test_mm:+.1f} µm over the test. The repeatability "
            f"includes the drift; without it the sd is {1000 * drift.sd_without_mm:.2f} µm."
        )
    first = drift.first_touch
    if first is not None and first.significant:
        yield (
            f"First touches differ from later ones by {1000 * first.shift_mm:+.1f} µm on average "
            f"({1000 * first.interval_mm.lower:+.1f} to {1000 * first.interval_mm.upper:+.1f} µm, "
            f"{first.directions} directions). They are kept."
        )


def _directions(fit: CentreFit) -> Iterator[str]:
    if fit.condition > HIGH_CONDITION:
        yield (
            f"The directions are spread unevenly (condition {fit.condition:.1f}; 1 is even): centre and "
            "lobing are partly confounded."
        )
    if LEAST_VISIBILITY <= fit.lobe_visibility < 0.95:
        yield (
            f"The directions show at least {100 * fit.lobe_visibility:.0f} % of a three-lobed curve, "
            "depending on where the arms are; the rest hides in the centre or between the directions."
        )
