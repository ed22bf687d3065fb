"""Charts of a small production: one value a serial, in order, or one probe over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from probetest.errors import StatisticsError
from probetest.statistics.chart_constants import (
    FALSE_ALARM,
    LEAST_POINTS,
    MOST_POINTS,
    RULES,
    WEIGHT,
    critical_values,
    d2,
    d3,
    moving_average_matrix,
    rule_statistics,
)

Floats = NDArray[np.float64]

ROUGHEST = 1.0
"""Largest step of the values, in sigma, at which signals keep their false alarm (simulated)."""

MORE = "more failures than the others"

DISPERSION_LEVEL = 0.9
"""Chance that the dispersion lies below the limit at which it is taken."""

WIDTH = 3.0
"""Of the textbook limits, in standard deviations (common practice)."""


@dataclass(frozen=True, slots=True)
class Signal:
    """A point that a rule finds.

    Attributes
    ----------
    index : int
        Of the point, from 0. A jump belongs to its second point.
    rule : str
        One of `RULES`, or `MORE`.
    statistic : float
        Distance from the centre, jump or distance of the moving average in its own standard deviations
        (with unequal uncertainties: after scaling); for `SIDE` the points in a row.
    critical : float
        Value of ``statistic`` from which on it is a signal.
    """

    index: int
    rule: str
    statistic: float
    critical: float


@dataclass(frozen=True, slots=True)
class Chart:
    """Individuals chart, moving-range chart and EWMA chart of the same points.

    Attributes
    ----------
    centre : float
        Mean of the points, in their unit.
    sigma : float
        Mean moving range by d2.
    lower, upper, range_centre, range_upper : float
        Textbook limits of a point, mean moving range and its textbook limit. They decide nothing here.
    ewma : tuple of float
        Moving average at each point; starts from the centre.
    ewma_lower, ewma_upper : tuple of float
        Its textbook limits at each point (known centre and sigma).
    signal_lower, signal_upper : tuple of float
        Limits of each point that decide; empty without signals to decide on.
    signal_range, signal_ewma : float or None
        Moving range, and distance of the moving average in its standard deviations, that decide.
    signal_run : int or None
        Points in a row on one side of the median that decide; None also where none are rare enough.
    own_sigma : float or None
        Scatter beyond the uncertainties; None without them.
    signals : tuple of Signal
        By index.
    false_alarm : float
    reason : str
        Why no signals were looked for; empty where they were.
    n : int
    """

    centre: float
    sigma: float
    lower: float
    upper: float
    range_centre: float
    range_upper: float
    ewma: tuple[float, ...]
    ewma_lower: tuple[float, ...]
    ewma_upper: tuple[float, ...]
    signal_lower: tuple[float, ...]
    signal_upper: tuple[float, ...]
    signal_range: float | None
    signal_ewma: float | None
    signal_run: int | None
    own_sigma: float | None
    signals: tuple[Signal, ...]
    false_alarm: float
    reason: str
    n: int


def individuals_chart(
    values: ArrayLike,
    u: ArrayLike | None = None,
    *,
    step: float | None = None,
    false_alarm: float = FALSE_ALARM,
    weight: float = WEIGHT,
    width: float = WIDTH,
) -> Chart:
    """Individuals, moving-range and EWMA chart with signals at a stated risk of the whole chart.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value a serial (or a test of one serial), in order; at least 2.
    u : array_like, shape (n,), optional
        Standard uncertainty of each value, where they differ.
    step : float, optional
        To which the values are rounded. Without it: 0 if all values differ, else the smallest difference
        between two different ones.
    false_alarm : float
        Chance of any signal, all rules and points together, if nothing changes; 0.001 to 0.5.
    weight, width : float
        Of the newest point in the moving average, above 0 and at most 1; of the textbook limits.

    Raises
    ------
    StatisticsError
        With fewer than 2 or more than 1000 values, values that are no numbers, or other settings out
        of their range.

    Notes
    -----
    Below 5 points, or where rounding hides the scatter, there are no signals, but a reason.

    Limits made of the same few points give false alarms at rates that depend on n and on the rules. Here
    each rule has a statistic that neither the level nor the scatter of the points changes: largest
    distance from the mean, largest moving range, largest distance of the moving average in its exact
    standard deviation, all by sigma, and longest run on one side of the median. Simulated charts of n
    normal points (fixed seed) give the level that each rule may have, the same for all, so that any of
    them speaks at ``false_alarm``; so it holds at each n. That is a Monte Carlo test with the smallest
    p-value [1]_; its own error is 0.15 % at 5 %.

    Points of unequal uncertainty scatter unequally: a chart that doesn't know would find the uncertain
    ones. With ``u`` the points are scaled by sqrt(tau**2 + u**2), tau their own scatter after Mandel and
    Paule [2]_, and the scaled points are charted (false alarms then up to 7 % at 5 %, simulated). The
    textbook figures stay those of the plain points.

    References
    ----------
    .. [1] P. H. Westfall, S. S. Young, "Resampling-Based Multiple Testing", Wiley 1993, chapter 2 (min P).
    .. [2] R. C. Paule, J. Mandel, "Consensus values and weighting factors", J. Res. Natl. Bur. Stand. 87
       (1982) 377-385.
    .. [3] NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2.2 and 6.3.2.4.

    Examples
    --------
    >>> chart = individuals_chart([5.1, 4.9, 5.0, 5.2, 5.0, 4.8, 5.1, 7.9, 5.0, 5.1])
    >>> [(one.index, one.rule) for one in chart.signals][0]
    (7, 'beyond the limits')
    """
    points, known = _checked(values, u)
    n = len(points)
    centre, ranges = float(points.mean()), np.abs(np.diff(points))
    sigma = float(ranges.mean()) / d2(2)
    moved = moving_average_matrix(n, weight)
    ewma = centre + moved @ (points - centre)
    half = width * sigma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * np.arange(1, n + 1))))
    reason = _reason(points, sigma, step)
    critical = critical_values(max(n, LEAST_POINTS), false_alarm, weight)
    signals: tuple[Signal, ...] = ()
    limits: tuple[Floats, Floats] = (np.empty(0), np.empty(0))
    own = None
    scaled, by, middle = points, np.ones(n), 0.0
    if known is not None:
        own, middle = _own_scatter(points, known)
        by = np.sqrt(own**2 + known**2)
        scaled = (points - middle) / by
    if not reason:
        signals = _signals(scaled, critical, weight)
        scaled_sigma = float(np.abs(np.diff(scaled)).mean()) / d2(2)
        reach = critical[0] * scaled_sigma * np.sqrt(1 - 1 / n)
        limits = (middle + by * (scaled.mean() - reach), middle + by * (scaled.mean() + reach))
    return Chart(
        centre=centre, sigma=sigma, lower=centre - width * sigma, upper=centre + width * sigma,
        range_centre=float(ranges.mean()), range_upper=float(ranges.mean()) * (1 + width * d3(2) / d2(2)),
        ewma=_floats(ewma), ewma_lower=_floats(centre - half), ewma_upper=_floats(centre + half),
        signal_lower=_floats(limits[0]), signal_upper=_floats(limits[1]),
        signal_range=None if reason or known is not None else float(critical[1]) * sigma * np.sqrt(2),
        signal_ewma=None if reason else float(critical[2]),
        signal_run=int(critical[3]) if not reason and np.isfinite(critical[3]) else None,
        own_sigma=own, signals=signals, false_alarm=false_alarm, reason=reason, n=n,
    )  # fmt: skip


def _signals(points: Floats, critical: Floats, weight: float) -> tuple[Signal, ...]:
    found = [
        Signal(int(index), rule, float(score[0, index]), float(limit))
        for rule, score, limit in zip(RULES, rule_statistics(points[None, :], weight), critical, strict=True)
        for index in np.flatnonzero(score[0] >= limit)
    ]
    return tuple(sorted(found, key=lambda one: (one.index, RULES.index(one.rule))))


def _own_scatter(points: Floats, u: Floats) -> tuple[float, float]:
    """Scatter beyond the uncertainties, and the weighted mean with it (Mandel and Paule)."""

    def mean_at(variance: float) -> float:
        return float(np.average(points, weights=1 / (variance + u**2)))

    def excess(variance: float) -> float:
        return float(((points - mean_at(variance)) ** 2 / (variance + u**2)).sum()) - (len(points) - 1)

    if excess(0.0) <= 0:
        return 0.0, mean_at(0.0)
    variance = float(optimize.brentq(excess, 0.0, float(len(points) ** 2 * points.var())))
    return float(np.sqrt(variance)), mean_at(variance)


def _reason(points: Floats, sigma: float, step: float | None) -> str:
    if len(points) < LEAST_POINTS:
        return f"signals need at least {LEAST_POINTS} points, and there are {len(points)}"
    if sigma <= 1e-12 * float(np.abs(points).max()):
        return "all values are equal, so their scatter is below the rounding"
    if step is None:
        different = np.unique(points)
        step = float(np.diff(different).min()) if len(different) < len(points) else 0.0
    if step > ROUGHEST * sigma:
        return f"the values are rounded to {step:.3g}, too coarse for their scatter of {sigma:.3g}"
    return ""


def _checked(values: ArrayLike, u: ArrayLike | None) -> tuple[Floats, Floats | None]:
    points = np.asarray(values, dtype=float)
    if points.ndim != 1 or not 2 <= len(points) <= MOST_POINTS or not np.isfinite(points).all():
        raise StatisticsError(
            f"a chart needs 2 to {MOST_POINTS} finite values in a row, but got shape {points.shape}"
        )
    if u is None:
        return points, None
    known = np.asarray(u, dtype=float)
    if known.shape != points.shape or not (np.isfinite(known) & (known > 0)).all():
        raise StatisticsError("each value needs one uncertainty above 0")
    return points, known


def _floats(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


@dataclass(frozen=True, slots=True)
class CountChart:
    """Chart of misses: failures of trials, one pair a serial.

    Attributes
    ----------
    share, expected : float, tuple of float
        Failures of all serials by their trials, and failures of each serial at that share.
    upper : tuple of int
        Least failures of each serial that would be a signal; one more than its trials where none would.
    p : tuple of float
        Chance of as many failures or more, by the other serials.
    dispersion : float
        Variance between serials by the binomial one (Pearson); 1 is chance alone.
    signals : tuple of Signal
        Serials that fail more than the others; ``statistic`` is the failures, ``critical`` their `upper`.
    false_alarm : float
        Chance of any signal, at most, if all serials are alike.
    reason : str
    n : int
    """

    share: float
    expected: tuple[float, ...]
    upper: tuple[int, ...]
    p: tuple[float, ...]
    dispersion: float
    signals: tuple[Signal, ...]
    false_alarm: float
    reason: str
    n: int


def count_chart(failures: ArrayLike, trials: ArrayLike, *, false_alarm: float = FALSE_ALARM) -> CountChart:
    """Serials that fail in more of their trials than the others do.

    Parameters
    ----------
    failures, trials : array_like of int, shape (n,)
    false_alarm : float

    Raises
    ------
    StatisticsError
        If the counts are impossible.

    Notes
    -----
    Below 5 serials there is a reason. Given all failures, those of one serial are hypergeometric if its
    share is that of the others (Fisher, one-sided [1]_); ``false_alarm`` is shared out over the serials
    (Bonferroni). Where the others differ by more than chance, p is the larger one of that and of a
    beta-binomial at the upper limit of their dispersion. Simulated false alarms at 5 %: at most 2 % if all
    are alike, up to 9 % at a true dispersion of 2, up to 21 % at 4 (most with < 1 failure a serial).

    References
    ----------
    .. [1] A. Agresti, "Categorical Data Analysis", 2nd ed., Wiley 2002, sections 3.5 and 13.3.

    Examples
    --------
    >>> chart = count_chart([0, 1, 0, 0, 9, 1, 0, 1], [200] * 8)
    >>> [(one.index, one.critical) for one in chart.signals]
    [(4, 4.0)]
    """
    failed, tried = np.asarray(failures), np.asarray(trials)
    if failed.ndim != 1 or failed.shape != tried.shape or len(failed) < 1:
        raise StatisticsError(
            f"each serial needs failures and trials, but got shapes {failed.shape} and {tried.shape}"
        )
    whole = np.array_equal(failed, np.round(failed)) and np.array_equal(tried, np.round(tried))
    if not whole or (failed < 0).any() or (failed > tried).any() or (tried < 1).any():
        raise StatisticsError("counts must be whole, with 0 <= failures <= trials and trials >= 1")
    if not 0 < false_alarm < 1:
        raise StatisticsError(f"a false alarm must lie within 0 and 1, but got {false_alarm}")
    n, share = len(failed), float(failed.sum() / tried.sum())
    reason = "" if n >= LEAST_POINTS else f"signals need at least {LEAST_POINTS} serials, and there are {n}"
    upper: list[int] = []
    p: list[float] = []
    for place in range(0 if reason else n):
        others = np.delete(failed, place), np.delete(tried, place)
        p.append(float(_chance(int(failed[place]), int(tried[place]), *others)))
        upper.append(_least(int(tried[place]), *others, false_alarm / n))
    signals = tuple(
        Signal(index, MORE, float(failed[index]), float(upper[index]))
        for index, chance in enumerate(p)
        if chance <= false_alarm / n
    )
    return CountChart(
        share=share, expected=_floats(share * tried), upper=tuple(upper), p=tuple(p),
        dispersion=_dispersion(failed, tried), signals=signals, false_alarm=false_alarm, reason=reason, n=n,
    )  # fmt: skip


def _least(trials: int, failed: NDArray[np.int_], tried: NDArray[np.int_], risk: float) -> int:
    """Least failures whose chance is no larger than the risk."""
    low, high = 0, trials + 1
    while low < high:
        middle = (low + high) // 2
        if middle <= trials and _chance(middle, trials, failed, tried) > risk:
            low = middle + 1
        else:
            high = middle
    return low


def _chance(count: int, trials: int, failed: NDArray[np.int_], tried: NDArray[np.int_]) -> float:
    """Chance of so many failures or more in ``trials``, by the failures of the others."""
    total, whole, dof = int(failed.sum()), trials + int(tried.sum()), len(failed) - 1
    k = np.arange(count, min(trials, total + count) + 1.0)
    both = _log_choose(total + count, k) + _log_choose(whole - total - count, trials - k)
    exact = min(1.0, float(np.exp(both - _log_choose(whole, trials)).sum()))
    found = _dispersion(failed, tried)
    if found <= 1:
        return exact
    worst = found * dof / float(special.chdtri(dof, DISPERSION_LEVEL))
    # Variance of a beta-binomial: binomial times 1 + (trials - 1) rho.
    rho = min((worst - 1) / max(float(tried.mean()) - 1, 1.0), 0.99)
    share, strength, k = (total + 0.5) / (tried.sum() + 1), 1 / rho - 1, np.arange(count, trials + 1.0)
    a, b = share * strength, (1 - share) * strength
    wide = _log_choose(trials, k) + special.betaln(k + a, trials - k + b) - special.betaln(a, b)
    return max(exact, min(1.0, float(np.exp(wide).sum())))


def _log_choose(n: int, k: ArrayLike) -> Floats:
    """Logarithm of n over k; -inf where there is no such choice."""
    left = np.asarray(n - np.asarray(k), dtype=float)
    inside = np.maximum(left, 0.0)
    return np.where(left >= 0, -special.betaln(inside + 1, n - inside + 1) - np.log1p(n), -np.inf)


def _dispersion(failed: NDArray[np.int_], tried: NDArray[np.int_]) -> float:
    share = failed.sum() / tried.sum()
    if not 0 < share < 1 or len(failed) < 2:
        return 1.0
    square = ((failed - share * tried) ** 2 / (tried * share * (1 - share))).sum()
    return float(square / (len(failed) - 1))
