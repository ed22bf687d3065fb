"""What a reader of a result must mind, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from probetest.jobs.analysis import LEAST_VISIBILITY, Analysis, Series
from probetest.jobs.lost import LostTouches
from probetest.jobs.separating import ONE_ORIENTATION, Separated
from probetest.statistics.approach import CentreFit
from probetest.statistics.drift import TOLD_APART, Drift
from probetest.statistics.repeatability import Homogeneity, Repeatability
from probetest.statistics.separation import MISFIT_RISK
from probetest.triggers import Triggers

HIGH_CONDITION = 4.0
"""Condition of the centre fit above which the report warns (an even spread has 1)."""


SMALL_ORDERS = 11
"""Blind orders above it are no reason to advise 0, 30, 90 and 210 deg, which are blind to 12 themselves."""

TURN_TO = "Orientations 0, 30, 90 and 210° tell them apart."


def make_remarks(
    triggers: Triggers, found: Analysis, headline: Series, series: int, separated: Separated
) -> tuple[str, ...]:
    """Sentences for one analysis.

    Parameters
    ----------
    triggers : Triggers
        The whole log.
    found : Analysis
        Of the headline series.
    headline : Series
    series : int
        How many series the log holds.
    separated : Separated
    """
    remarks = [_whose(separated)]
    remarks.extend(_separated(separated))
    remarks.extend(_scatter(found.repeatability))
    remarks.extend(_lost(found.lost))
    if found.drift is not None:
        remarks.extend(_drift(found.drift))
    if separated.known is None and found.seat is not None and found.seat.shown and not found.seat.fits:
        remarks.append(
            f"The curve is not that of three equal arms (misfit p = {found.seat.misfit_p:.2g}): one arm, "
            "the artefact, the machine or the centre may add to it."
        )
    if found.readings.fit is not None:
        remarks.extend(_directions(found.readings.fit))
    remarks.extend(_scope(triggers, found, headline, series, separated))
    remarks.extend(f"Log: {notice}" for notice in triggers.source.notices)
    return tuple(remarks)


def _whose(separated: Separated) -> str:
    known = separated.known
    if known is None:
        return (
            "Every figure is of the probe together with this machine, artefact and stylus; figures of one "
            "orientation cannot tell them apart."
        )
    listed = ", ".join(f"{angle:.4g}°" for angle in known.orientations_deg)
    return (
        f"The probe's own pre-travel was told from the machine's by orientations {listed}; the limit on "
        "variation is on the probe alone. All other figures are of the probe together with this machine, "
        "artefact and stylus."
    )


def _separated(separated: Separated) -> Iterator[str]:
    """What a reader of the separation must mind."""
    for angle, reason in separated.left_out:
        yield f"Orientation {angle:.4g}° has no part in telling probe and machine apart: {reason}."
    apart = separated.separation
    if apart is None:
        if separated.left_out or separated.reason != ONE_ORIENTATION:
            yield f"Probe and machine were not told apart: {separated.reason}."
        return
    if apart.probe is None:
        yield f"Probe and machine were not told apart: {apart.reason}."
    elif apart.blind_orders:
        orders = ", ".join(str(order) for order in apart.blind_orders)
        yield (
            f"Waves of order {orders} look alike at all orientations: they count as neither the probe's nor "
            "the machine's, and the intervals of both allow for them."
            + ("" if min(apart.blind_orders) > SMALL_ORDERS else f" {TURN_TO}")
        )
    if not apart.agrees:
        yield (
            f"The orientations disagree beyond the scatter ({_p(apart.misfit_p)}): the probe was not turned "
            "as logged, was re-seated, or something moved in between. The intervals of the separation are "
            f"widened for it, by {1000 * apart.disagreement_mm:.1f} µm in each direction (sd)."
        )
    if separated.other_way:
        yield (
            "They agree far better with the orientations counted the other way round: orientation_deg is "
            "counter-clockwise seen from above, as the azimuth. Correct the log and qualify it again."
        )
    if apart.runout.misfit_p < MISFIT_RISK:
        yield (
            "The centres of the orientations do not lie on the circle that a stylus off the axis draws "
            f"({_p(apart.runout.misfit_p)}): the probe was clamped anew, or the artefact moved. Do not trust "
            "the run-out."
        )


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def _scope(
    triggers: Triggers, found: Analysis, headline: Series, series: int, separated: Separated
) -> Iterator[str]:
    """What the log holds that the verdict is not about."""
    if triggers.record.artefact is None:
        yield ("The log names no artefact: whether azimuths and positions fit together could not be checked.")
    if len(headline.elevated):
        judged = sum(spread.n for _, spread in found.elevated)
        rest = len(headline.elevated) - judged
        yield (
            f"{len(headline.elevated)} touches are not horizontal: they have no part in the pooled figure, "
            "the centre or the lobing; their scatter is in the worst direction"
            + (f", but for {rest} that were touched once or have no position." if rest else ".")
        )
    silent = _silent_directions(triggers, headline)
    if silent:
        yield f"No approach gave a valid trigger from azimuth {', '.join(f'{a:.4g}°' for a in silent)}."
    feeds = headline.level["feed_mm_min"].dropna().unique()
    if len(feeds) > 1:
        yield (
            f"The feed varies ({feeds.min():.4g} to {feeds.max():.4g} mm/min): its latency adds to scatter "
            "and lobing."
        )
    if series > 1:
        yield (
            f"The log holds {series} series (stage, orientation). The figures are of stage "
            f"'{headline.stage}' at orientation {headline.orientation_deg:.4g}°; the others are listed, and "
            + (
                "judged by scatter, other stages by variation and re-seating too."
                if separated.known
                else "judged by scatter and variation, stages after_... by re-seating too."
            )
        )


def _silent_directions(triggers: Triggers, headline: Series) -> list[float]:
    frame = triggers.frame
    same = (frame["stage"] == headline.stage) & (frame["orientation_deg"] == headline.orientation_deg)
    tried = frame.loc[same, "azimuth_deg"].unique()
    good = frame.loc[same & (frame["outcome"] == "trigger"), "azimuth_deg"].unique()
    return [float(azimuth) for azimuth in np.setdiff1d(tried, good)]


def _scatter(spread: Repeatability) -> Iterator[str]:
    test = spread.homogeneity
    # With coarse steps the sd of a direction depends on where its mean lies between two steps.
    if spread.resolved and not test.alike:
        worst = spread.directions[test.cochran_direction]
        yield (
            f"Directions scatter unequally ({_brown_forsythe(test)}Cochran's "
            f"C = {test.cochran_c:.3f}, critical {test.cochran_critical:.3f}), most at azimuth "
            f"{worst.azimuth_deg:.4g}°. The pooled sd hides that: judge by the worst direction."
        )
    if spread.resolved and spread.tails.heavy:
        yield (
            "The scatter has heavier tails than a normal one (excess kurtosis "
            f"{spread.tails.excess_kurtosis:.1f}): its intervals are widened as "
            f"for {spread.effective_dof:.0f} degrees of freedom."
        )
    if not spread.resolved:
        yield (
            f"The scatter is not resolved: readings move in steps of {spread.step_mm:.4g} mm, and the sd is "
            "at most about one step. Never read it as 0."
        )
    elif spread.coarse:
        yield (
            f"Readings move in steps of {1000 * spread.step_mm:.3g} µm, no small share of the scatter. The "
            "repeatability is that before rounding (by its likelihood); the readings as they stand scatter "
            f"by {1000 * spread.logged_sd_mm:.2f} µm."
        )


def _lost(lost: LostTouches) -> Iterator[str]:
    if lost.suspected:
        yield (
            f"Of {lost.equal.pairs} pairs of touches from one direction in a row {lost.equal.seen} are "
            f"equal, where chance would make {lost.equal.expected:.1f}: the log seems to lack touches that "
            "equal the one before, and scatters too much without them."
        )
    elif lost.explained:
        yield (
            f"The log lacks {lost.lost} planned touches, and no touch equals the one before: they are taken "
            "for such. The repeatability counts them; all other figures are of the logged touches alone."
        )
    elif lost.lost:
        yield f"The log lacks {lost.lost} planned touches; why is not known."


def _brown_forsythe(test: Homogeneity) -> str:
    known = np.isfinite(test.brown_forsythe_p)
    return f"Brown-Forsythe p = {test.brown_forsythe_p:.2g}; " if known else ""


def _drift(drift: Drift) -> Iterator[str]:
    if drift.within_share < TOLD_APART:
        yield (
            "The order of the touches follows the directions, so that slow drift hides in the lobing: touch "
            "once round all directions in random order, then again."
        )
    if drift.significant:
        shape = "in a curve, " if drift.curved else ""
        included = (
            f"The repeatability includes the drift; without it the sd is {1000 * drift.sd_without_mm:.2f} µm."
            if drift.within_share >= TOLD_APART
            else "Touched in rows, the drift went into the lobing."
        )
        yield f"The readings drift {shape}by {1000 * drift.size_mm:.1f} µm over the test. {included}"
        if drift.adjusted_mean_mm is not None:
            yield "The pre-travel curve has that drift taken out, as if all were touched amid the test."
    if drift.significant and drift.warm_up is not None:
        warm = drift.warm_up
        yield (
            f"It looks like a warm-up of {1000 * warm.size_mm:.1f} ± {2000 * warm.size_u_mm:.1f} µm that has "
            f"settled by touch {warm.settled_touch:.0f}."
        )
    if drift.set_aside:
        yield (
            f"{len(drift.set_aside)} touches lie so far off that they have no say in the drift; they are "
            "kept in all other figures."
        )
    if not drift.independent:
        yield (
            f"Neighbouring touches are alike beyond the drift (correlation "
            f"{drift.serial.correlation:.2f} ± {2 * drift.serial.u:.2f}): the readings are not independent. "
            "The intervals of repeatability and variation are widened for it, as for "
            f"{100 * drift.serial.dof_share:.0f} % of the touches."
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
