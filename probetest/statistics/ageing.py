"""Whether a figure of one serial grows over months or touches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, t_factor
from probetest.statistics.slopes import robust_slope

Floats = NDArray[np.float64]
Growth = Literal["grew", "did not grow", "can't tell"]

LEAST_TESTS = 3


@dataclass(frozen=True, slots=True)
class Reach:
    """When a limit is reached if the figure goes on as it did. No forecast: a line continued.

    Attributes
    ----------
    after : float
        Time from the last test on, in the unit of the times; 0 where the line is there already.
    interval : Interval
        Of ``after``; a lower limit of 0 says that it may be reached already.
    """

    after: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class Ageing:
    """Growth of a figure over repeated tests of one serial.

    Attributes
    ----------
    slope : float or None
        Growth of the figure per ``per`` of time, weighted least squares; None without a fit.
    interval : Interval or None
        Of ``slope``.
    median_slope : float or None
        Median of the slopes of all pairs of tests, which one bad test can't make.
    verdict : str
        Against the margin.
    margin, per : float
    by : str
        What made the interval the wider one: "uncertainties" of the tests, or "scatter" about the line.
    ratio : float or None
        Scatter about the line by that of the uncertainties (root of reduced chi-square).
    reach : Reach or None
        None without a limit, without a slope shown, or where the line falls.
    reason : str
        Why there is no fit; empty where there is one.
    n : int
        Tests.
    """

    slope: float | None
    interval: Interval | None
    median_slope: float | None
    verdict: Growth
    margin: float
    per: float
    by: str
    ratio: float | None
    reach: Reach | None
    reason: str
    n: int


def ageing(
    times: ArrayLike,
    values: ArrayLike,
    u: ArrayLike,
    *,
    margin: float,
    per: float,
    limit: float | None = None,
    level: float = 0.95,
) -> Ageing:
    """Growth of a figure over repeated tests, with a verdict against a margin.

    Parameters
    ----------
    times : array_like, shape (n,)
        Of each test: days, or touches made so far.
    values, u : array_like, shape (n,)
        Figure of each test and its standard uncertainty, without what all tests have in common.
    margin : float
        Growth per ``per`` that would matter, >= 0, in the unit of the values.
    per : float
        Time the growth is stated for, in the unit of ``times``: 1000 touches, or 30.4 days a month.
    limit : float, optional
        Of the figure, from above.
    level : float
        Two-sided; each verdict has half of its risk.

    Returns
    -------
    Ageing
        "grew": more than the margin is shown; "did not grow": less is shown; else "can't tell". With a
        reason, and nothing told, below 3 tests or if all were made at one time.

    Raises
    ------
    StatisticsError
        If the numbers don't belong together, an uncertainty is not above 0, the margin is below 0 or
        ``per`` is not above 0.

    Notes
    -----
    Weights are 1 / u**2. A test holds its own scatter, which u describes, and may hold a scatter between
    tests (clamped anew), which it does not. Two intervals are right in turn: the normal one by u alone,
    and the Student t one by the scatter about the line with n - 2 degrees of freedom [1]_. The wider one
    is given: it holds the slope often enough whichever is true (exactly so if all u are equal), and
    too often where u is right and n small. With 3 tests it is wide: one degree of freedom.

    The time of reaching the limit is that at which the line crosses it, with Fieller's interval [2]_ of
    the same width factor. It is bounded, because the slope is shown.

    References
    ----------
    .. [1] N. R. Draper, H. Smith, "Applied Regression Analysis", 3rd ed., Wiley 1998, sections 1.4, 9.2.
    .. [2] E. C. Fieller, "Some problems in interval estimation", J. R. Stat. Soc. B 16 (1954) 175-185.

    Examples
    --------
    >>> found = ageing([0, 30, 60, 90], [5.0, 5.9, 7.1, 8.0], [0.2] * 4, margin=0.5, per=30, limit=10)
    >>> round(found.slope, 2), found.verdict, round(found.reach.after)
    (1.02, 'grew', 58)
    """
    check_level(level)
    time, figure, error = (np.asarray(part, dtype=float) for part in (times, values, u))
    if time.ndim != 1 or not time.shape == figure.shape == error.shape:
        raise StatisticsError(
            f"each test needs a time, a value and an uncertainty, but got shapes {time.shape}, "
            f"{figure.shape} and {error.shape}"
        )
    if not np.isfinite([time, figure, error]).all() or not (error > 0).all():
        raise StatisticsError("times and values must be finite, and uncertainties above 0")
    if not margin >= 0 or not per > 0:
        raise StatisticsError(f"growth needs a margin >= 0 per time > 0, but got {margin} per {per}")
    n = len(time)
    reason = ""
    if n < LEAST_TESTS:
        reason = f"growth needs at least {LEAST_TESTS} tests, and there are {n}"
    elif np.ptp(time) == 0:
        reason = "all tests were made at the same time"
    if reason:
        return Ageing(None, None, None, "can't tell", margin, per, "", None, None, reason, n)
    weight = 1 / error**2
    middle = float(np.average(time, weights=weight))
    level_there = float(np.average(figure, weights=weight))
    apart = time - middle
    square = float((weight * apart**2).sum())
    slope = float((weight * apart * figure).sum()) / square
    residual = figure - level_there - slope * apart
    ratio = float(np.sqrt((weight * residual**2).sum() / (n - 2)))
    known, found = float(-special.ndtri((1 - level) / 2)), t_factor(n - 2, level) * ratio
    factor = max(known, found)
    half = factor / np.sqrt(square)
    interval = Interval(per * (slope - half), per * (slope + half), level)
    reach = None
    if limit is not None and 0 not in interval:
        line = _Line(level_there, slope, middle, 1 / float(weight.sum()), 1 / square)
        reach = _reach(line, limit, float(time.max()), factor, level)
    order = np.argsort(time, kind="stable")
    return Ageing(
        slope=per * slope, interval=interval,
        median_slope=per * _median_slope(time[order], figure[order]),
        verdict=_verdict(interval, margin), margin=margin, per=per,
        by="uncertainties" if known >= found else "scatter", ratio=ratio, reach=reach, reason="", n=n,
    )  # fmt: skip


def _verdict(interval: Interval, margin: float) -> Growth:
    if interval.lower > margin:
        return "grew"
    return "did not grow" if interval.upper < margin else "can't tell"


def _median_slope(time: Floats, figure: Floats) -> float:
    """Of all pairs; tests of one time are their mean, for they have no slope."""
    moments, place = np.unique(time, return_inverse=True)
    means = np.bincount(place, weights=figure) / np.bincount(place)
    return robust_slope(means, np.zeros(len(moments), dtype=np.intp), moments).per_touch_mm


@dataclass(frozen=True, slots=True)
class _Line:
    """Level at ``middle`` and slope, which are independent, with their variances by u alone."""

    level: float
    slope: float
    middle: float
    level_variance: float
    slope_variance: float


def _reach(line: _Line, limit: float, last: float, factor: float, level: float) -> Reach | None:
    gap = limit - line.level
    crossing = line.middle + gap / line.slope
    if line.slope < 0:
        return None
    # (gap - slope t)^2 = factor^2 (level variance + slope variance t^2), t from the middle on.
    square = line.slope**2 - factor**2 * line.slope_variance
    constant = gap**2 - factor**2 * line.level_variance
    root = np.sqrt(max((gap * line.slope) ** 2 - square * constant, 0.0))
    ends = sorted(line.middle + (gap * line.slope + sign * root) / square for sign in (-1, 1))
    lower, upper = (max(0.0, float(end) - last) for end in ends)
    return Reach(max(0.0, crossing - last), Interval(lower, upper, level))
