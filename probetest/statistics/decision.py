"""Pass, fail or undecided against a limit, with a guard band on either side."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from probetest.statistics.intervals import proportion_upper, sd_interval

Verdict = Literal["pass", "fail", "undecided"]
Side = Literal["max", "min"]

MOST_TOUCHES = 1_000_000
"""Beyond this many touches in all, more touches are no practical way to decide."""


@dataclass(frozen=True, slots=True)
class Check:
    """One figure against one limit.

    Attributes
    ----------
    name : str
        Short key, as in the limits file.
    label : str
        What it is, in words.
    value : float or None
        The figure; None where it can't be given.
    unit : str
    limit : float
    side : str
        "max": the figure must not exceed the limit; "min": not fall below it.
    lower, upper : float or None
        Two-sided 95 % interval.
    decision_lower, decision_upper : float or None
        One-sided bounds at the stated risk, from which the verdict follows.
    verdict : str
        "pass", "fail" or "undecided".
    n : int
        Touches behind the figure.
    more_touches : int or None
        About how many more touches would decide; None where that can't be said.
    note : str
        Reason or remark; may be empty.
    """

    name: str
    label: str
    value: float | None
    unit: str
    limit: float
    side: Side
    lower: float | None
    upper: float | None
    decision_lower: float | None
    decision_upper: float | None
    verdict: Verdict
    n: int
    more_touches: int | None = None
    note: str = ""


def decide(lower: float, upper: float, limit: float, side: Side = "max") -> Verdict:
    """Verdict from one-sided confidence bounds of a figure.

    Parameters
    ----------
    lower, upper : float
        One-sided bounds, each at the stated risk.
    limit : float
    side : str
        "max" or "min".

    Returns
    -------
    str
        "pass" if the bound on the far side keeps the limit, "fail" if the bound on the near side
        breaks it, else "undecided".

    Notes
    -----
    The distance between figure and bound is the guard band of ISO 14253-1; for a normal figure
    it is z(1 - risk) u, 1.645 u at 5 %. A figure just at the limit is then accepted, or rejected,
    wrongly with at most the stated risk.
    """
    if side == "min":
        lower, upper, limit = -upper, -lower, -limit
    if upper <= limit:
        return "pass"
    return "fail" if lower > limit else "undecided"


def overall_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """Fail if any check failed, else undecided if any is, else pass; undecided without checks."""
    found = list(verdicts)
    if "fail" in found:
        return "fail"
    return "undecided" if "undecided" in found or not found else "pass"


def more_touches_for_sd(sd: float, dof: float, limit: float, risk: float, per_dof: float) -> int | None:
    """About how many more touches would decide an sd against a limit, if it stays as it is.

    Parameters
    ----------
    sd, dof : float
        Figure and its degrees of freedom.
    limit : float
        Greatest sd allowed.
    risk : float
        Of a wrong verdict.
    per_dof : float
        Touches spent per degree of freedom.

    Returns
    -------
    int or None
        None where more than ``MOST_TOUCHES`` would be needed.
    """

    def decided(wanted: float) -> bool:
        bounds = sd_interval(sd, wanted, 1 - 2 * risk)
        return decide(bounds.lower, bounds.upper, limit) != "undecided"

    needed = _first_decided(decided, dof, MOST_TOUCHES / per_dof)
    return None if needed is None else int(np.ceil((needed - dof) * per_dof))


def more_touches_for_width(value: float, bound: float, limit: float, n: int) -> int | None:
    """More touches that would decide a figure whose guard band shrinks as 1 / sqrt(n)."""
    gap = abs(limit - value)
    guard = abs(bound - value)
    if gap == 0 or n * (guard / gap) ** 2 > MOST_TOUCHES:
        return None
    return max(1, int(np.ceil(n * ((guard / gap) ** 2 - 1))))


def more_touches_for_rate(events: int, trials: int, limit: float, risk: float) -> int | None:
    """More approaches, all good, after which the upper bound of the failure rate keeps the limit."""

    def decided(wanted: float) -> bool:
        return proportion_upper(events, int(wanted), 1 - risk) <= limit

    needed = _first_decided(decided, trials, MOST_TOUCHES)
    return None if needed is None else int(np.ceil(needed)) - trials


def _first_decided(decided: Callable[[float], bool], start: float, most: float) -> float | None:
    """Smallest number from ``start`` up at which ``decided`` holds, to 0.1 %, by doubling and halving."""
    low, high = start, start
    while not decided(high):
        if high >= most:
            return None
        low, high = high, min(high * 1.5 + 1, most)
    while high - low > max(1.0, 1e-3 * high):
        middle = (low + high) / 2
        low, high = (low, middle) if decided(middle) else (middle, high)
    return high
