"""Each limit against its figure: value, interval, guard band, verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from probetest.jobs.analysis import Analysis
from probetest.jobs.bounded import bounded, more_by_width, unknown, widened
from probetest.jobs.budgets import form_u_mm, zero_u_mm
from probetest.jobs.capable import cpk_check, longest_check
from probetest.jobs.lost import LostTouches
from probetest.limits import Limits
from probetest.statistics.capability import Capability
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.decision import (
    Check,
    Verdict,
    decide,
    more_touches_for_rate,
    more_touches_for_sd,
)
from probetest.statistics.drift import TOLD_APART, Drift
from probetest.statistics.intervals import Interval, proportion_interval, sd_interval, t_factor
from probetest.statistics.repeatability import (
    LEAST_SHARE,
    widest_direction,
    worst_direction_bounds,
)
from probetest.statistics.separation import Separation
from probetest.statistics.variation import pretravel_variation
from probetest.triggers import TestRecord

ADVICE = "touch from 25 evenly spread directions, which show at least 87 % of it"

OF_SCATTER = ("pooled_sd", "worst_direction_sd", "cpk", "longest_pretravel")
"""Checks that lost touches make too strict."""

FEWEST_TOUCHES = 5
"""With fewer valid touches values are shown and nothing is decided."""


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What the approaches of a log ended in, all series together.

    Attributes
    ----------
    approaches, triggers, missed, open_at_start, false : int
    """

    approaches: int
    triggers: int
    missed: int
    open_at_start: int
    false: int

    @property
    def failed(self) -> int:
        """Approaches without a valid trigger."""
        return self.missed + self.open_at_start + self.false


def drift_bounds(drift: Drift, level: float) -> Interval:
    """Interval of the size of the drift over the test, whichever its sign."""
    half = t_factor(drift.dof, level) * drift.size_u_mm
    return Interval(max(0.0, drift.size_mm - half), drift.size_mm + half, level)


def series_checks(
    found: Analysis, record: TestRecord, limits: Limits, apart: Separation | None = None
) -> tuple[Check, ...]:
    """Checks of scatter and variation, which every series of a log must keep.

    Parameters
    ----------
    found : Analysis
    record : TestRecord
    limits : Limits
    apart : Separation, optional
        With it the limit on variation is on the probe's own.
    """
    checks: list[Check] = []
    if limits.max_pooled_sd_mm is not None:
        checks.append(_pooled_sd(found, limits.max_pooled_sd_mm, limits.risk))
    if limits.max_worst_direction_sd_mm is not None:
        checks.append(_worst_sd(found, limits.max_worst_direction_sd_mm, limits.risk))
    if limits.max_pretravel_variation_mm is not None and apart is not None and apart.probe is not None:
        checks.append(_own_variation(apart, apart.probe, limits.max_pretravel_variation_mm, limits.risk))
    elif limits.max_pretravel_variation_mm is not None:
        form = form_u_mm(record.artefact)
        checks.append(_variation(found, limits.max_pretravel_variation_mm, limits.risk, form))
    return _undecided(checks, found)


def make_checks(
    found: Analysis,
    record: TestRecord,
    outcomes: Outcomes,
    limits: Limits,
    zero_mm: float | None,
    capable: Capability | None,
    apart: Separation | None = None,
) -> tuple[Check, ...]:
    """Check the headline series against all limits that are set.

    Parameters
    ----------
    found : Analysis
    record : TestRecord
        Uncertainties of artefact and ball widen the bounds of what they act on.
    outcomes : Outcomes
    limits : Limits
    zero_mm : float or None
        Reading at zero pre-travel, where the artefact is calibrated.
    capable : Capability or None
        With 95 % intervals, where it can be given.
    apart : Separation, optional
        The probe's own curve, where several orientations tell it from the machine's.

    Returns
    -------
    tuple of Check
        In the order of the report.
    """
    checks: list[Check] = []
    if limits.max_drift_mm is not None:
        checks.append(_drift(found, limits.max_drift_mm, limits.risk))
    if limits.tolerance_mm is not None and limits.min_cpk is not None:
        zero_u = zero_u_mm(record.artefact, record.stylus)
        checks.append(cpk_check(found, limits, limits.min_cpk, zero_mm, zero_u, capable))
    if limits.longest_pretravel_mm is not None and limits.min_cpk is not None:
        zero_u = zero_u_mm(record.artefact, record.stylus)
        checks.append(
            longest_check(found, limits, limits.longest_pretravel_mm, limits.min_cpk, zero_mm, zero_u)
        )
    if limits.max_misses is not None:
        checks.append(_misses(outcomes, limits.max_misses))
    if limits.max_miss_rate is not None:
        checks.append(_miss_rate(outcomes, limits.max_miss_rate, limits.risk))
    return series_checks(found, record, limits, apart) + _undecided(checks, found)


def _undecided(checks: list[Check], found: Analysis) -> tuple[Check, ...]:
    """The checks, without a verdict where the log is no ground for one."""
    if len(found.readings.reading_mm) < FEWEST_TOUCHES:
        return tuple(
            _no_verdict(check, f"fewer than {FEWEST_TOUCHES} touches: values only, no verdict")
            for check in checks
        )
    return tuple(_with_lost_touches(check, found.lost) for check in checks)


def _no_verdict(check: Check, note: str) -> Check:
    return replace(check, verdict="undecided", more_touches=None, note=note)


def _with_lost_touches(check: Check, lost: LostTouches) -> Check:
    if check.name not in OF_SCATTER:
        return check
    if lost.suspected:
        return _no_verdict(
            check,
            "touches that equal the one before seem to be missing, which makes the scatter look too large: "
            "state planned_touches in the head of the log, or have every touch logged",
        )
    if lost.explained and check.name != "pooled_sd" and check.verdict != "pass":
        return _no_verdict(check, "from the logged touches alone: too strict, for equal ones are missing")
    return check


def _pooled_sd(found: Analysis, limit: float, risk: float) -> Check:
    spread = found.repeatability
    name, label = "pooled_sd", "Repeatability (pooled sd)"
    if not spread.resolved:
        return _unresolved(name, label, found, limit, risk)
    bounds = sd_interval(spread.sd_mm, spread.effective_dof, 1 - 2 * risk)
    check = bounded(name, label, spread.sd_mm, "mm", limit, spread.interval_mm, bounds, spread.n)
    if check.verdict == "undecided":
        per_dof = spread.n / spread.effective_dof
        more = more_touches_for_sd(spread.sd_mm, spread.effective_dof, limit, risk, per_dof)
        check = replace(check, more_touches=more)
    if not spread.homogeneity.alike:
        check = replace(check, note="directions scatter unequally: see the worst direction, not this mean")
    return check


def _worst_sd(found: Analysis, limit: float, risk: float) -> Check:
    spread = found.every_direction
    name, label = "worst_direction_sd", "Repeatability (worst direction)"
    worst = spread.directions[spread.worst]
    wide = Interval(*worst_direction_bounds(spread, 0.025))
    bounds = Interval(*worst_direction_bounds(spread, risk))
    check = bounded(name, label, worst.sd_mm, "mm", limit, wide, bounds, worst.n)
    notes = [f"at {found.direction_name(spread.worst)}"]
    if check.verdict == "undecided":
        wanting = widest_direction(spread, risk)
        more = more_touches_for_sd(
            wanting.sd_mm,
            (wanting.n - 1) * max(spread.tails.dof_share, LEAST_SHARE),
            limit,
            risk,
            float(len(spread.directions)),
        )
        check = replace(check, more_touches=more)
        if wanting != worst:
            notes.append(f"undecided by azimuth {wanting.azimuth_deg:.4g}° (n = {wanting.n})")
    if found.worst_sd_mm is None:
        notes.append(f"not resolved: at most about one step of {spread.step_mm:.4g} mm")
        check = replace(check, value=None)
    return replace(check, note="; ".join(notes))


def _variation(found: Analysis, limit: float, risk: float, form_u: float) -> Check:
    name, label = "pretravel_variation", "Pre-travel variation (tested directions)"
    variation = found.variation
    n = len(found.readings.reading_mm)
    if variation is None:
        return unknown(name, label, "mm", limit, n, found.variation_reason)
    narrow = pretravel_variation(*found.curve.shape, 1 - 2 * risk).interval_mm
    bounds = widened(narrow, variation.variation_mm, risk, form_u)
    wide = widened(variation.interval_mm, variation.variation_mm, 0.025, form_u)
    check = more_by_width(bounded(name, label, variation.variation_mm, "mm", limit, wide, bounds, n))
    return _between_directions(check, found, risk) if check.verdict == "pass" else check


def _own_variation(apart: Separation, own: CurvePosterior, limit: float, risk: float) -> Check:
    """The probe's own variation over all directions; the form of the artefact is the machine's."""
    name, label = "pretravel_variation", "Pre-travel variation (probe alone)"
    wide, bounds = own.interval_mm(), own.interval_mm(1 - 2 * risk)
    check = bounded(name, label, own.variation_mm, "mm", limit, wide, bounds, apart.n)
    if check.verdict != "undecided":
        return check
    span, u = own.spans_mm[0]
    half = t_factor(own.dof, 1 - 2 * risk) * u
    if decide(span - half, span + half, limit) != "undecided":
        orders = ", ".join(str(order) for order in apart.blind_orders)
        note = (
            f"orders {orders} can't be told from the machine by these orientations and would decide it; turn "
            "the probe to 0, 30, 90 and 210° instead"
        )
        return replace(check, note=note)
    return more_by_width(check)


def _between_directions(check: Check, found: Analysis, risk: float) -> Check:
    """A pass over the tested directions holds only if the limit is kept between them as well.

    Either the fitted three-arm shape keeps it, or the tested directions do with room for what they
    can hide.
    """
    seat = found.seat
    hidden = (check.decision_upper or 0.0) / max(found.seen_share, 1e-9)
    if hidden <= check.limit:
        return check
    if seat is None or not (seat.shown and seat.fits):
        note = (
            f"the tested directions keep the limit, but may show only {100 * found.seen_share:.0f} % of a "
            f"three-lobed curve, and no fitted shape tells what lies between them; {ADVICE}"
        )
        return replace(check, verdict="undecided", note=note)
    if seat.variation_mm + float(stats.norm.isf(risk)) * seat.variation_u_mm <= check.limit:
        return check
    arms = ", ".join(f"{seat.arm_azimuth_deg + 120 * arm:.0f}°" for arm in range(3))
    note = (
        f"the tested directions keep the limit, but the fitted three-arm shape varies by "
        f"{1000 * seat.variation_mm:.1f} ± {2000 * seat.variation_u_mm:.1f} µm; touch from {arms} too"
    )
    return replace(check, verdict="undecided", note=note)


def _drift(found: Analysis, limit: float, risk: float) -> Check:
    name, label = "drift", "Drift over the test (size)"
    n = len(found.readings.reading_mm)
    drift = found.drift
    if drift is None:
        return unknown(name, label, "mm", limit, n, found.drift_reason)
    check = bounded(
        name,
        label,
        drift.size_mm,
        "mm",
        limit,
        drift_bounds(drift, 0.95),
        drift_bounds(drift, 1 - 2 * risk),
        n,
    )
    notes = ["not a straight line: largest less smallest of the fitted curve"] if drift.curved else []
    if check.verdict == "undecided":
        # A longer test drifts further, so that touches alone are no way out.
        apart = drift.within_share >= TOLD_APART
        notes.append(
            "more touches in the same time would decide"
            if apart
            else "touch once round all directions, then again: in rows drift and lobing are mixed"
        )
    return replace(check, note="; ".join(notes))


def _misses(outcomes: Outcomes, limit: int) -> Check:
    verdict: Verdict = "fail" if outcomes.failed > limit else "pass"
    return Check(
        name="misses", label="Approaches without a valid trigger", value=float(outcomes.failed), unit="",
        limit=float(limit), side="max", lower=None, upper=None, decision_lower=None, decision_upper=None,
        verdict=verdict, n=outcomes.approaches, note="a count, no estimate: the limit is on this test alone",
    )  # fmt: skip


def _miss_rate(outcomes: Outcomes, limit: float, risk: float) -> Check:
    share = outcomes.failed / outcomes.approaches
    wide = proportion_interval(outcomes.failed, outcomes.approaches)
    bounds = proportion_interval(outcomes.failed, outcomes.approaches, 1 - 2 * risk)
    check = bounded(
        "miss_rate", "Share without a valid trigger", share, "", limit, wide, bounds, outcomes.approaches
    )
    if check.verdict != "undecided":
        return check
    more = more_touches_for_rate(outcomes.failed, outcomes.approaches, limit, risk)
    return replace(check, more_touches=more, note="if no further approach fails")


def _unresolved(name: str, label: str, found: Analysis, limit: float, risk: float) -> Check:
    spread, step = found.repeatability, found.resolution.step_mm
    hidden = float(np.hypot(spread.sd_mm, step / np.sqrt(12)))
    upper = max(step, sd_interval(hidden, spread.effective_dof, 1 - 2 * risk).upper)
    verdict: Verdict = "pass" if upper <= limit else "undecided"
    note = f"not resolved: at most about one step of {step:.4g} mm"
    if verdict == "undecided":
        note += "; only a finer readout can decide, not more touches"
    return Check(
        name=name, label=label, value=None, unit="mm", limit=limit, side="max", lower=0.0, upper=upper,
        decision_lower=0.0, decision_upper=upper, verdict=verdict, n=found.repeatability.n, note=note,
    )  # fmt: skip
