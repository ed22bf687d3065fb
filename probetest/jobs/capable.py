"""Capability of a series against the tolerance, and against a limit on one side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis
from probetest.jobs.bounded import bounded, more_by_width, unknown, widened
from probetest.limits import Limits
from probetest.statistics.capability import Capability, capability, one_sided_capability
from probetest.statistics.decision import Check


def capability_of(found: Analysis, limits: Limits, zero_mm: float | None, level: float) -> Capability:
    """Capability of the readings of a series against the tolerance of the limits.

    Parameters
    ----------
    found : Analysis
    limits : Limits
        With a tolerance.
    zero_mm : float or None
        Reading at zero pre-travel, where the artefact is calibrated.
    level : float

    Raises
    ------
    StatisticsError
        Where it can't be given.
    """
    if found.variation is None:
        raise StatisticsError(found.variation_reason)
    if not found.repeatability.resolved:
        raise StatisticsError("the scatter is below the resolution of the readings")
    nominal = limits.nominal_pretravel_mm
    known = nominal is not None and zero_mm is not None
    reference = float(found.mean_mm.mean())
    if nominal is not None and zero_mm is not None:
        reference = zero_mm + nominal
    tolerance = limits.tolerance_mm or 0.0
    readings = found.readings
    return capability(
        readings.reading_mm - reference, readings.direction, tolerance, known_reference=known, level=level
    )


def cpk_check(
    found: Analysis,
    limits: Limits,
    limit: float,
    zero_mm: float | None,
    zero_u: float,
    wide: Capability | None,
) -> Check:
    """Check of Cpk; ``zero_u`` is the standard uncertainty of the zero of the readings, mm."""
    name, label = "cpk", "Cpk of single readings"
    n = len(found.readings.reading_mm)
    try:
        wide = wide or capability_of(found, limits, zero_mm, 0.95)
        narrow = capability_of(found, limits, zero_mm, 1 - 2 * limits.risk)
    except StatisticsError as error:
        return unknown(name, label, "", limit, n, str(error), side="min")
    # A wrong zero moves the readings as a whole; about the mean of the test it plays no part.
    moved = zero_u / (3 * wide.sd_mm) if wide.known_reference else 0.0
    outer, bounds = (
        widened(interval, wide.cpk, risk, moved)
        for interval, risk in ((wide.cpk_interval, 0.025), (narrow.cpk_interval, limits.risk))
    )
    check = bounded(name, label, wide.cpk, "", limit, outer, bounds, n, side="min")
    if wide.warning:
        return replace(check, verdict="undecided", note=wide.warning)
    return replace(more_by_width(check), note=f"presumes {wide.presumes}")


def longest_check(
    found: Analysis, limits: Limits, longest_mm: float, limit: float, zero_mm: float | None, zero_u: float
) -> Check:
    """Check of the capability against the longest pre-travel of a single touch."""
    name, label = "longest_pretravel", f"Cpu of single touches (pre-travel up to {1000 * longest_mm:.4g} µm)"
    n = len(found.readings.reading_mm)
    if zero_mm is None:
        reason = "needs a calibrated ring, sphere or boss and the diameter of the ball"
        return unknown(name, label, "", limit, n, reason, side="min")
    try:
        wide, narrow = (
            one_sided_capability(
                found.readings.reading_mm - zero_mm, found.readings.direction, longest_mm, "max", level=level
            )
            for level in (0.95, 1 - 2 * limits.risk)
        )
    except StatisticsError as error:
        return unknown(name, label, "", limit, n, str(error), side="min")
    # A wrong zero moves the readings as a whole: so much of the room to the limit.
    room = longest_mm - float(np.median(found.readings.reading_mm - zero_mm))
    moved = abs(wide.figure / room) * zero_u if room else 0.0
    outer, bounds = (
        widened(interval, wide.figure, risk, moved)
        for interval, risk in ((wide.interval, 0.025), (narrow.interval, limits.risk))
    )
    check = bounded(name, label, wide.figure, "", limit, outer, bounds, n, side="min")
    if wide.warning:
        return replace(check, verdict="undecided", note=wide.warning)
    return replace(more_by_width(check), note=f"presumes {wide.presumes}")
