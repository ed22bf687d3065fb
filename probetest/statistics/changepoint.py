"""Where a series changed its level, and whether its newest value is out of line with those before."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, t_factor

Floats = NDArray[np.float64]

SIDE = 2
"""Points that each level needs."""

LEAST_POINTS, MOST_POINTS = 6, 500

SEED = 20261127
SERIES = 10_000
"""Simulated series behind a p-value."""

LEAST_DRAWS, MOST_DRAWS, ALL_DRAWS = 199, 999, 800_000
"""Draws behind each split's p-value: as many as ``ALL_DRAWS`` by n**2, within these bounds."""

PER_LOOK = 0.01
"""Chance that a new serial raises a false alarm if none did before: one in 100 serials."""

WEIGHT = 0.2
"""Of the newest serial in the moving average."""

START = 6
"""The first serial that is looked at on its arrival."""

NEWEST = "newest alone"
AVERAGE = "moving average"

CELLS = 801
"""Of the grid on which the moving average's density is followed."""

SETTLED = 60
"""After so many looks the limit does not change any more."""


@dataclass(frozen=True, slots=True)
class StepChange:
    """One change of level in a series.

    Attributes
    ----------
    statistic : float
        Largest studentised difference between the means after and before, over all splits.
    p : float or None
        Chance of so large a one without a change; None where it was not tested.
    first : int or None
        Index of the first point of the new level at the best split.
    shift : float or None
        Mean after less mean before at that split: too large on average, for the split was chosen.
    shift_interval : Interval or None
        Of the shift, with the chosen split admitted; cautious.
    splits : tuple of int
        Values of ``first`` that can't be excluded at the level of the interval. Of use where a change is
        shown.
    reason : str
        Why it was not tested; empty where it was.
    n : int
    """

    statistic: float
    p: float | None
    first: int | None
    shift: float | None
    shift_interval: Interval | None
    splits: tuple[int, ...]
    reason: str
    n: int


@dataclass(frozen=True, slots=True)
class Look:
    """The newest value against those before it.

    Attributes
    ----------
    deviate : float
        Its distance from the mean of those before, as a normal number; 0 where it was not tested.
    average : float
        Moving average of these numbers, by its standard deviation.
    deviate_limit, average_limit : float
        An alarm lies at or beyond them.
    alarm : bool
    rules : tuple of str
        `NEWEST`, `AVERAGE` or both.
    per_look : float
        Chance of a false alarm at this look if there was none before.
    so_far : float
        Chance of any false alarm in all looks so far.
    reason : str
        Why there was no look; empty where there was.
    n : int
    """

    deviate: float
    average: float
    deviate_limit: float
    average_limit: float
    alarm: bool
    rules: tuple[str, ...]
    per_look: float
    so_far: float
    reason: str
    n: int


def step_change(values: ArrayLike, level: float = 0.95) -> StepChange:
    """Whether a series changed its level once, where, and by how much.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order; at most 500.
    level : float
        Of the interval and of the set of splits.

    Returns
    -------
    StepChange
        Without p and with a reason below 6 points, or where rounding leaves no scatter at a level.

    Raises
    ------
    StatisticsError
        If a value is no finite number, or there are more than 500.

    Notes
    -----
    The p-value is that of simulated normal series of the same length (fixed seed, at least 1/10001) [1]_.

    A split is excluded by how much better another one fits. Given that split, its two means and its
    residual sum of squares, the residuals point in any direction alike, whatever the true levels; draws
    of the direction give the exact chance of so much better a fit elsewhere [2]_. The interval of the
    shift is the union, over splits that can't be excluded at (1 + level) / 2, of Student t intervals
    at the same level: it holds the shift in at least ``level`` of all series (Bonferroni).

    References
    ----------
    .. [1] K. J. Worsley, "On the likelihood ratio test for a shift in location of normal populations",
       J. Am. Stat. Assoc. 74 (1979) 365-367.
    .. [2] K. J. Worsley, "Confidence regions and tests for a change-point in a sequence of exponential
       family random variables", Biometrika 73 (1986) 91-104 (the idea; here for the normal case).

    Examples
    --------
    >>> found = step_change([5.0, 5.1, 4.9, 5.0, 5.1, 6.0, 6.1, 5.9, 6.1, 6.0])
    >>> found.first, round(found.shift, 2), found.splits
    (5, 1.0, (5,))
    """
    check_level(level)
    points = _checked(values)
    n = len(points)
    if n < LEAST_POINTS:
        return _untested(n, f"a change needs at least {LEAST_POINTS} points, and there are {n}")
    if np.ptp(points) <= 1e-12 * np.abs(points).max():
        return _untested(n, "all values are equal, so their scatter is below the rounding")
    within, difference = _splits(points[None, :])
    within, difference = within[0], difference[0]
    best = int(np.argmin(within))
    first = best + SIDE
    if within[best] <= 1e-20 * float((points**2).sum()):
        return StepChange(
            statistic=float("inf"), p=None, first=first, shift=float(difference[best]), shift_interval=None,
            splits=(first,), reason="on both levels all values are equal: rounding hides the scatter", n=n,
        )  # fmt: skip
    statistic = float(_largest(points[None, :])[0])
    null = _null(n)
    chances = _split_chances(points, within)
    wider = (1 + level) / 2
    limits = [
        difference[k] + sign * t_factor(n - 2, wider) * _error(float(within[k]), int(k) + SIDE, n)
        for k in np.flatnonzero(chances > 1 - wider)
        for sign in (-1, 1)
    ]
    return StepChange(
        statistic=statistic,
        p=float(1 + (null >= statistic).sum()) / (len(null) + 1),
        first=first,
        shift=float(difference[best]),
        shift_interval=Interval(float(min(limits)), float(max(limits)), level),
        splits=tuple(int(k) + SIDE for k in np.flatnonzero(chances > 1 - level)),
        reason="",
        n=n,
    )


def newest(
    values: ArrayLike, *, start: int = START, per_look: float = PER_LOOK, weight: float = WEIGHT
) -> Look:
    """Whether the newest of a growing series is out of line, at a stated risk a look.

    Parameters
    ----------
    values : array_like, shape (n,)
        All values so far, the newest last; at most 500.
    start : int
        The first serial (from 1) that was looked at when it arrived, at least 4.
    per_look : float
        Chance of a false alarm at each look if there was none before; within 0.0001 and 0.2.
    weight : float
        Of the newest in the moving average, 0.05 to 1.

    Returns
    -------
    Look
        Without alarm and with a reason before ``start``, or where rounding hides the scatter.

    Raises
    ------
    StatisticsError
        With values that are no numbers, or settings out of their range.

    Notes
    -----
    To apply the rules of a whole chart anew after each serial multiplies false alarms. Here each value
    is held against the mean and the deviation of those before it: Student's t, exact and independent of
    the values before [1]_, made a normal number of the same chance. Half of the risk goes to this number
    alone, half to its moving average, whose limit is computed look by look for the looks that are left
    without an alarm. So false alarms come at ``per_look``, independent of n, one in 1/per_look serials.

    What it costs: a change that is not found soon moves the mean it is held against, and fades.

    References
    ----------
    .. [1] D. M. Hawkins, "Self-starting CUSUM charts for location and scale", The Statistician 36 (1987)
       299-315.

    Examples
    --------
    >>> newest([5.1, 4.9, 5.0, 5.2, 5.0, 4.8, 5.1, 6.2]).rules
    ('newest alone',)
    """
    points = _checked(values)
    if start < 4 or not 0.0001 <= per_look <= 0.2 or not 0.05 <= weight <= 1:
        raise StatisticsError(
            f"a look needs start >= 4, a risk of 0.0001 to 0.2 and a weight of 0.05 to 1, "
            f"but got {start}, {per_look} and {weight}"
        )
    n = len(points)
    looks = n - start + 1
    deviate_limit = float(-special.ndtri(per_look / 4))
    if looks < 1:
        reason = f"looks begin with serial {start}, and there are {n}"
        return Look(0.0, 0.0, deviate_limit, float("inf"), False, (), per_look, 0.0, reason, n)
    average_limit = look_limits(start, per_look, weight)[min(looks, SETTLED) - 1]
    so_far = 1 - (1 - per_look) ** looks
    if np.ptp(points[:-1]) <= 1e-12 * np.abs(points).max():
        reason = "all values before the newest are equal: rounding hides the scatter"
        return Look(0.0, 0.0, deviate_limit, average_limit, False, (), per_look, so_far, reason, n)
    deviates = self_starting(points[None, :])[0]
    average = float(moving_averages(deviates[None, :], weight)[0, -1])
    rules = ((NEWEST,) if abs(deviates[-1]) >= deviate_limit else ()) + (
        (AVERAGE,) if abs(average) >= average_limit else ()
    )
    return Look(
        deviate=float(deviates[-1]), average=average, deviate_limit=deviate_limit,
        average_limit=average_limit, alarm=bool(rules), rules=rules, per_look=per_look, so_far=so_far,
        reason="", n=n,
    )  # fmt: skip


def self_starting(rows: Floats) -> Floats:
    """Each value from the third on against those before it, as a normal number.

    Parameters
    ----------
    rows : ndarray, shape (series, n)

    Returns
    -------
    ndarray, shape (series, n - 2)
        Independent standard normal if the series is; 0 where those before are all equal.
    """
    n = rows.shape[1]
    apart = rows - rows[:, :1]
    before = np.arange(2, n)
    mean = np.cumsum(apart, axis=1)[:, 1:-1] / before
    squares = np.maximum(np.cumsum(apart**2, axis=1)[:, 1:-1] - before * mean**2, 0)
    error = np.sqrt(squares / (before - 1) * (1 + 1 / before))
    distance = apart[:, 2:] - mean
    flat = error <= 1e-12 * np.abs(rows).max()
    ratio = np.where(flat, 0.0, distance / np.where(flat, 1.0, error))
    return np.asarray(-np.sign(ratio) * special.ndtri(special.stdtr(before - 1.0, -np.abs(ratio))))


def moving_averages(deviates: Floats, weight: float = WEIGHT) -> Floats:
    """Moving average of normal numbers from 0 on, by its standard deviation; same shape."""
    averages = np.empty_like(deviates)
    last = np.zeros(len(deviates))
    for place in range(deviates.shape[1]):
        last = (1 - weight) * last + weight * deviates[:, place]
        averages[:, place] = last / _average_sd(place + 1, weight)
    return averages


@lru_cache(maxsize=64)
def look_limits(start: int, per_look: float, weight: float = WEIGHT) -> tuple[float, ...]:
    """Limits of the moving average, by its standard deviation, at the looks from ``start`` on.

    Notes
    -----
    The density of the average over the series without an alarm so far is followed on a grid. Each limit
    cuts off, beside the series whose newest number alone is an alarm, the rest of ``per_look``.
    """
    reach = 6 * _average_sd(10_000, weight)
    edges = np.linspace(-reach, reach, CELLS + 1)
    cell = (edges[:-1] + edges[1:]) / 2
    deviate = (cell[:, None] - (1 - weight) * cell[None, :]) / weight
    alone = -special.ndtri(per_look / 4)
    kernel = np.where(np.abs(deviate) < alone, np.exp(-(deviate**2) / 2), 0.0)
    kernel *= (1 - per_look / 2) / kernel.sum(axis=0)
    earlier = _average_sd(start - 3, weight)
    share = np.diff(special.ndtr(edges / earlier))
    limits = []
    for look in range(1, SETTLED + 1):
        share = kernel @ share
        # Both tails, from the outside in; half of a symmetrical density is enough.
        outer = 2 * np.concatenate([[0.0], np.cumsum(share[: CELLS // 2])])
        limit = -float(np.interp(per_look / 2, outer, edges[: CELLS // 2 + 1]))
        limits.append(limit / _average_sd(start - 3 + look, weight))
        width = edges[1] - edges[0]
        share *= np.clip((limit - np.abs(cell)) / width + 0.5, 0.0, 1.0)
        share /= share.sum()
    return tuple(limits)


def _average_sd(terms: int, weight: float) -> float:
    return float(np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * terms))))


def _checked(values: ArrayLike) -> Floats:
    points = np.asarray(values, dtype=float)
    if points.ndim != 1 or len(points) > MOST_POINTS or not np.isfinite(points).all():
        raise StatisticsError(
            f"a series needs finite values in a row, at most {MOST_POINTS}, but got shape {points.shape}"
        )
    return points


def _untested(n: int, reason: str) -> StepChange:
    return StepChange(0.0, None, None, None, None, (), reason, n)


def _splits(rows: Floats) -> tuple[Floats, Floats]:
    """Sum of squares within the two parts, and mean after less before, for each split of each row."""
    n = rows.shape[1]
    before = np.arange(SIDE, n - SIDE + 1)
    apart = rows - rows.mean(axis=1, keepdims=True)
    mean_before = np.cumsum(apart, axis=1)[:, SIDE - 1 : n - SIDE] / before
    difference = -mean_before * n / (n - before)
    within = (apart**2).sum(axis=1, keepdims=True) - difference**2 * before * (n - before) / n
    return np.maximum(within, 0.0), difference


def _largest(rows: Floats) -> Floats:
    """Largest studentised difference of each row."""
    n = rows.shape[1]
    squares = ((rows - rows.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    least = _splits(rows)[0].min(axis=1)
    return np.asarray(np.sqrt((squares - least) / (least / (n - 2))))


@lru_cache(maxsize=64)
def _null(n: int) -> Floats:
    rng = np.random.default_rng([SEED, n])
    return np.concatenate([_largest(rng.normal(size=(1000, n))) for _ in range(SERIES // 1000)])


def _error(within: float, before: int, n: int) -> float:
    return float(np.sqrt(within / (n - 2) * (1 / before + 1 / (n - before))))


def _split_chances(points: Floats, within: Floats) -> Floats:
    """Chance of so much better a fit elsewhere, for each split."""
    n = len(points)
    draws = int(np.clip(ALL_DRAWS // n**2, LEAST_DRAWS, MOST_DRAWS))
    noise = np.random.default_rng([SEED, n, 1]).normal(size=(draws, n))
    chances = np.ones(len(within))
    least = within.min()
    for k in np.flatnonzero(within > least):
        first = int(k) + SIDE
        level, residual = np.empty(n), np.empty_like(noise)
        for part in (slice(0, first), slice(first, n)):
            level[part] = points[part].mean()
            residual[:, part] = noise[:, part] - noise[:, part].mean(axis=1, keepdims=True)
        residual *= np.sqrt(within[k] / (residual**2).sum(axis=1, keepdims=True))
        found = _splits(level + residual)[0].min(axis=1)
        chances[k] = (1 + (found <= least).sum()) / (draws + 1)
    return chances
