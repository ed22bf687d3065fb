"""Constants of control charts: mean ranges and deviations, and what is rare on a chart of n points."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

BEYOND = "beyond the limits"
JUMP = "jump from one to the next"
AVERAGE = "moving average"
SIDE = "too many on one side"
RULES = (BEYOND, JUMP, AVERAGE, SIDE)

FALSE_ALARM = 0.05
"""Chance of any signal on a chart of points that don't change, all rules together."""

WEIGHT = 0.2
"""Of the newest point in the moving average (common practice)."""

LEAST_POINTS = 5
MOST_POINTS = 1000

SMALLEST_ALARM, LARGEST_ALARM = 0.001, 0.5
"""Beyond them the simulated charts are too few, or the chart says nothing."""

SEED = 20261126
MOST_CHARTS, LEAST_CHARTS, ALL_POINTS = 20_000, 4000, 2_000_000
"""Simulated charts: as many as hold ``ALL_POINTS`` points, within these bounds."""

NODES = 240
"""Of the Gauss-Legendre rule over the range."""

WIDEST = 16.0
"""A range of 25 normal readings above so many deviations has a chance below 1e-25."""


def d2(n: int) -> float:
    """Mean range of ``n`` normal readings with a standard deviation of 1.

    Parameters
    ----------
    n : int
        From 2 to 25.

    Returns
    -------
    float
        In standard deviations.

    Raises
    ------
    StatisticsError
        Outside 2..25.

    Notes
    -----
    The density of the range w is n (n - 1) times the integral over x of
    phi(x) phi(x + w) (Phi(x + w) - Phi(x))**(n - 2) [1]_.

    References
    ----------
    .. [1] L. H. C. Tippett, "On the extreme individuals and the range of samples taken from a normal
       population", Biometrika 17 (1925) 364-387.

    Examples
    --------
    >>> round(d2(2), 5)  # 2 / sqrt(pi)
    1.12838
    """
    return _range_moments(_checked(n))[0]


def d3(n: int) -> float:
    """Standard deviation of the range of ``n`` normal readings with a standard deviation of 1.

    Parameters, errors and source are those of `d2`.

    Examples
    --------
    >>> round(d3(5), 4)
    0.8641
    """
    mean, square = _range_moments(_checked(n))
    return float(np.sqrt(square - mean**2))


def c4(n: int) -> float:
    """Mean sample standard deviation of ``n`` normal readings with a standard deviation of 1.

    Parameters and errors are those of `d2`.

    Examples
    --------
    >>> round(c4(10), 4)
    0.9727
    """
    _checked(n)
    return float(np.sqrt(2 / (n - 1)) * np.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2)))


def _checked(n: int) -> int:
    if not 2 <= n <= 25:
        raise StatisticsError(f"constants of control charts are given for 2 to 25 readings, but got {n}")
    return n


@lru_cache(maxsize=32)
def _range_moments(n: int) -> tuple[float, float]:
    """Mean and mean square of the range."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    width, weight = WIDEST / 2 * (nodes + 1), WIDEST / 2 * weights
    # Integrands that fall like a normal density: sums over even steps are exact to rounding.
    lowest = np.linspace(-WIDEST - 9, 9, 1001)
    top = lowest[:, None] + width
    inside = special.ndtr(top) - special.ndtr(lowest)[:, None]
    joint = np.exp(-(lowest[:, None] ** 2 + top**2) / 2) / (2 * np.pi) * inside ** (n - 2)
    density = n * (n - 1) * joint.sum(axis=0) * (lowest[1] - lowest[0])
    return float(weight @ (width * density)), float(weight @ (width**2 * density))


def critical_values(n: int, false_alarm: float = FALSE_ALARM, weight: float = WEIGHT) -> Floats:
    """Values of the rules' statistics from which on they are signals, for a chart of ``n`` points.

    Parameters
    ----------
    n : int
        From 5 to 1000.
    false_alarm, weight : float
        Chance of any signal, all rules together; weight of the newest point in the moving average.

    Returns
    -------
    ndarray, shape (4,)
        In the order of `RULES`; infinite where a rule can't be rare enough.

    Raises
    ------
    StatisticsError
        With other numbers of points or a false alarm out of 0.001..0.5.

    Notes
    -----
    From simulated charts of normal points, as `individuals_chart` of `charts` says.

    Examples
    --------
    >>> wide, _, _, run = critical_values(20)
    >>> round(float(wide), 1), int(run)
    (3.4, 8)
    """
    if not LEAST_POINTS <= n <= MOST_POINTS:
        raise StatisticsError(
            f"critical values are given for {LEAST_POINTS} to {MOST_POINTS} points, but got {n}"
        )
    if not SMALLEST_ALARM <= false_alarm <= LARGEST_ALARM:
        raise StatisticsError(
            f"a false alarm must lie within {SMALLEST_ALARM} and {LARGEST_ALARM}, but got {false_alarm}"
        )
    if not 0 < weight <= 1:
        raise StatisticsError(f"a moving average needs a weight above 0 and at most 1, but got {weight}")
    return np.array(_critical(n, false_alarm, weight))


@lru_cache(maxsize=256)
def _critical(n: int, false_alarm: float, weight: float) -> tuple[float, ...]:
    found = _null(n, weight)
    charts = len(found)
    p = np.empty_like(found)
    for rule in range(len(RULES)):
        ordered = np.sort(found[:, rule])
        p[:, rule] = (charts - np.searchsorted(ordered, found[:, rule], side="left")) / charts
    least, counts = np.unique(p.min(axis=1), return_counts=True)
    kept = least[np.cumsum(counts) <= false_alarm * charts]
    level = kept[-1] if kept.size else 0.0
    return tuple(
        float(np.min(found[p[:, rule] <= level, rule], initial=np.inf)) for rule in range(len(RULES))
    )


@lru_cache(maxsize=32)
def _null(n: int, weight: float) -> Floats:
    """Largest statistic of each rule, shape (charts, rules), on simulated charts where nothing changes."""
    charts = int(np.clip(ALL_POINTS // n, LEAST_CHARTS, MOST_CHARTS))
    rng = np.random.default_rng([SEED, n])
    parts = []
    for start in range(0, charts, 1000):
        rows = rng.normal(size=(min(1000, charts - start), n))
        parts.append(np.stack([score.max(axis=1) for score in rule_statistics(rows, weight)], axis=1))
    return np.concatenate(parts)


def rule_statistics(rows: Floats, weight: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Statistic of each rule at each point.

    Parameters
    ----------
    rows : ndarray, shape (charts, n)
    weight : float
        Of the newest point in the moving average.

    Returns
    -------
    tuple of ndarray, each of shape (charts, n)
        In the order of `RULES`: distance from the mean by its standard deviation, jump from the point
        before, distance of the moving average by its standard deviation, points in a row on one side of
        the median.
        All by the mean moving range; the first jump is 0.
    """
    n = rows.shape[1]
    ranges = np.abs(np.diff(rows, axis=1))
    sigma = ranges.mean(axis=1, keepdims=True) / d2(2)
    apart = rows - rows.mean(axis=1, keepdims=True)
    # Of points less their own mean; the moving average of those is independent of the level.
    moved = moving_average_matrix(n, weight)
    moved = moved - moved.mean(axis=1, keepdims=True)
    average = np.abs(apart @ moved.T) / np.linalg.norm(moved, axis=1)
    jumps = np.concatenate([np.zeros((len(rows), 1)), ranges], axis=1) / np.sqrt(2)
    return np.abs(apart) / np.sqrt(1 - 1 / n) / sigma, jumps / sigma, average / sigma, _runs(rows)


def moving_average_matrix(n: int, weight: float) -> Floats:
    """Matrix, shape (n, n), that makes the moving average of points less their centre."""
    lag = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(lag >= 0, weight * (1 - weight) ** np.maximum(lag, 0), 0.0)


def _runs(rows: Floats) -> Floats:
    """Points in a row on one side of the median, up to each point; one on the median ends a run."""
    # Not of the mean: one point far away puts all others on one side of it.
    side = np.sign(rows - np.median(rows, axis=1, keepdims=True))
    runs = np.zeros(rows.shape)
    runs[:, 0] = side[:, 0] != 0
    for place in range(1, rows.shape[1]):
        same = (side[:, place] == side[:, place - 1]) & (side[:, place] != 0)
        runs[:, place] = np.where(same, runs[:, place - 1] + 1, side[:, place] != 0)
    return runs
