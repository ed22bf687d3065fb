"""Slope of readings over touch order that single touches can't make."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level

Floats = NDArray[np.float64]

MOST_PAIRS = 20_000
"""Above it each direction is dealt out into interleaved parts, and pairs are taken inside parts."""


@dataclass(frozen=True, slots=True)
class RobustSlope:
    """Median slope of all pairs of touches of the same direction.

    Attributes
    ----------
    per_touch_mm : float
        Slope per touch of the test.
    interval_mm : Interval
        Of ``per_touch_mm``, from the distribution of Kendall's S; infinite where there are too few
        pairs for its level.
    standard_error_mm : float
        Half of the width that a normal estimate would have one standard error to each side.
    normal_error : float
        Standard error for normal readings with a standard deviation of 1, from the design alone.
    pairs : int
        Pairs of touches.
    """

    per_touch_mm: float
    interval_mm: Interval
    standard_error_mm: float
    normal_error: float
    pairs: int

    def widened(self, factor: float) -> RobustSlope:
        """The same slope, less sure of itself: distances to the limits times ``factor``."""
        slope, interval = self.per_touch_mm, self.interval_mm
        lower, upper = (slope + factor * (limit - slope) for limit in (interval.lower, interval.upper))
        return replace(
            self,
            interval_mm=Interval(lower, upper, interval.level),
            standard_error_mm=factor * self.standard_error_mm,
        )


def robust_slope(
    reading_mm: ArrayLike, direction: ArrayLike, order: ArrayLike, level: float = 0.95
) -> RobustSlope:
    """Theil-Sen slope within directions.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
    direction : array_like of int, shape (touches,)
    order : array_like, shape (touches,)
        Touch number; increasing.
    level : float
        Two-sided level of the interval.

    Returns
    -------
    RobustSlope

    Raises
    ------
    StatisticsError
        Where no direction was touched twice.

    Notes
    -----
    Pairs of different directions hold the lobing and are not used. The interval takes the ranks
    (pairs -+ z sd(S)) / 2 of the sorted slopes, S summed over directions with its variance for ties
    [2]_. A test with more than ``MOST_PAIRS`` pairs is dealt out: of a direction, touches 1, 1 + k,
    1 + 2k, ... are one part, touches 2, 2 + k, ... the next. Each part still spans the test. S of
    normal readings changes by sum(distance) / sqrt(pi) per sd of slope, which gives ``normal_error``.

    References
    ----------
    .. [1] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau",
       J. Am. Stat. Assoc. 63 (1968) 1379-1389.
    .. [2] R. M. Hirsch, J. R. Slack, R. A. Smith, "Techniques of trend analysis for monthly water
       quality data", Water Resour. Res. 18 (1982) 107-121.

    Examples
    --------
    >>> found = robust_slope([0, 5, 1, 6, 2, 7, 90, 8], [0, 1] * 4, range(8))
    >>> found.per_touch_mm, found.pairs
    (0.5, 12)
    """
    check_level(level)
    reading = np.asarray(reading_mm, dtype=float)
    sequence = np.asarray(order, dtype=float)
    part = _parts(np.asarray(direction, dtype=np.intp))
    ranked = np.argsort(part, kind="stable")
    part, reading, sequence = part[ranked], reading[ranked], sequence[ranked]
    distances, rises = _pairs(reading, part, sequence)
    slopes = np.sort(rises / distances)
    if slopes.size == 0:
        raise StatisticsError("a slope can't be told: each direction was touched only once")
    spread = float(np.sqrt(_variance(reading, part)))
    inner = _between(slopes, spread, 1.0)
    return RobustSlope(
        per_touch_mm=float(np.median(slopes)),
        interval_mm=Interval(*_between(slopes, spread, float(-special.ndtri((1 - level) / 2))), level),
        standard_error_mm=abs(inner[1] - inner[0]) / 2,
        normal_error=float(np.sqrt(np.pi * _kendall(np.bincount(part))) / np.abs(distances).sum()),
        pairs=int(slopes.size),
    )


def _parts(index: NDArray[np.intp]) -> NDArray[np.intp]:
    """Direction, or the part of it where all pairs would be too many."""
    counts = np.bincount(index)
    deals = -(-int((counts * (counts - 1) // 2).sum()) // MOST_PAIRS)
    if deals <= 1:
        return index
    ranked = np.argsort(index, kind="stable")
    place = np.empty(len(index), dtype=np.intp)
    place[ranked] = np.arange(len(index)) - np.repeat(np.cumsum(counts) - counts, counts)
    return index * deals + place % deals


def _pairs(reading: Floats, part: NDArray[np.intp], sequence: Floats) -> tuple[Floats, Floats]:
    """Distance and rise of each pair of touches of a part."""
    found = [np.empty((2, 0))]
    both = np.stack([sequence, reading])
    for lag in range(1, int(np.bincount(part).max())):
        found.append((both[:, lag:] - both[:, :-lag])[:, part[lag:] == part[:-lag]])
    distances, rises = np.hstack(found)
    return distances, rises


def _variance(reading: Floats, part: NDArray[np.intp]) -> float:
    """Of Kendall's S, summed over the parts."""
    ranked = np.lexsort((reading, part))
    fresh = (np.diff(reading[ranked]) != 0) | (np.diff(part[ranked]) != 0)
    ties = np.diff(np.flatnonzero(np.r_[True, fresh, True]))
    return _kendall(np.bincount(part)) - _kendall(ties)


def _kendall(counts: NDArray[np.intp]) -> float:
    return float((counts * (counts - 1) * (2 * counts + 5)).sum()) / 18


def _between(slopes: Floats, spread: float, deviate: float) -> tuple[float, float]:
    lower = int(np.round((len(slopes) - deviate * spread) / 2)) - 1
    upper = int(np.round((len(slopes) + deviate * spread) / 2))
    return (
        float(slopes[lower]) if lower >= 0 else -np.inf,
        float(slopes[upper]) if upper < len(slopes) else np.inf,
    )
