"""A figure against a limit: the parts that all checks share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import stats

from probetest.statistics.decision import Check, Side, decide, more_touches_for_width
from probetest.statistics.intervals import Interval


def bounded(
    name: str,
    label: str,
    value: float,
    unit: str,
    limit: float,
    wide: Interval,
    bounds: Interval,
    n: int,
    side: Side = "max",
) -> Check:
    """A check with its interval, the bounds it is decided by, and the verdict."""
    return Check(
        name=name, label=label, value=value, unit=unit, limit=limit, side=side,
        lower=wide.lower, upper=wide.upper, decision_lower=bounds.lower, decision_upper=bounds.upper,
        verdict=decide(bounds.lower, bounds.upper, limit, side), n=n,
    )  # fmt: skip


def more_by_width(check: Check) -> Check:
    """An undecided check with the touches that would decide it."""
    if check.verdict != "undecided" or check.value is None:
        return check
    good_side = check.value <= check.limit if check.side == "max" else check.value >= check.limit
    outward = check.decision_upper if good_side == (check.side == "max") else check.decision_lower
    if outward is None:
        return check
    return replace(check, more_touches=more_touches_for_width(check.value, outward, check.limit, check.n))


def unknown(name: str, label: str, unit: str, limit: float, n: int, reason: str, side: Side = "max") -> Check:
    """A check of a figure that can't be given, and why."""
    return Check(
        name=name, label=label, value=None, unit=unit, limit=limit, side=side,
        lower=None, upper=None, decision_lower=None, decision_upper=None,
        verdict="undecided", n=n, note=reason,
    )  # fmt: skip


def widened(bounds: Interval, value: float, risk: float, other_u: float) -> Interval:
    """Bounds with further uncertainty that the touches don't show, added in squares."""
    extra = float(stats.norm.isf(risk)) * other_u
    return Interval(
        value - float(np.hypot(value - bounds.lower, extra)),
        value + float(np.hypot(bounds.upper - value, extra)),
        bounds.level,
    )
