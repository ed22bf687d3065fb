"""Whether two builds miss touches at different rates: misses come in units, and units are the sample."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, proportion_interval
from probetest.statistics.unit_comparison import Comparison, Design, Group

Floats = NDArray[np.float64]

MOST_SPLITS = 20_000
"""With more ways to deal the units out than this, so many are drawn by lot."""

SPLIT_SEED = 20_260_101
"""Of that lot: the same logs give the same p."""

LEAST_P = 1e-15
CAUTIOUS = float(special.ndtri(0.95))
"""Standard errors by which a correlation of pairs is taken lower than it was found."""


@dataclass(frozen=True, slots=True)
class RateGroup(Group):
    """Miss rate of one build: ``estimate`` is the rate, ``interval`` its limits.

    ``unit_sd`` is that of the rates of single units; they are not normal and ``unit_sd_interval`` is None.

    Attributes
    ----------
    failures, trials : int
        All units together.
    design_effect : float or None
        Variance of the rate over that of as many independent touches, from the scatter of the units;
        None with one unit, and where no touch failed or all did.
    effective_trials : float
        Independent touches that tell as much, at the level of ``interval``.
    units_with_failures : int
    units_interval : Interval
        Share of units that miss at all, in as many touches as were made (Clopper and Pearson).
    note : str
        What ``interval`` presumes; empty where it rests on the scatter of the units.
    """

    failures: int
    trials: int
    design_effect: float | None
    effective_trials: float
    units_with_failures: int
    units_interval: Interval
    note: str


@dataclass(frozen=True, slots=True)
class RateComparison(Comparison):
    """A comparison of miss rates; ``p_difference`` is at most 1 - level where ``interval`` leaves out 0.

    ``standard_error`` is that of the difference from the scatter of the units; no limit rests on it and
    ``dof`` is None.

    Attributes
    ----------
    first, second : RateGroup
    p_permutation : float or None
        Share of the ways to deal the units out that give as large a difference.
    least_p : float
        Smallest value that ``p_permutation`` can have with so many units.
    note : str
        Where so few units can't show any difference.
    """

    first: RateGroup
    second: RateGroup
    p_permutation: float | None
    least_p: float
    note: str


@dataclass(frozen=True, slots=True)
class _Build:
    """Counts of one build, by unit, with what is needed for limits at any level."""

    failures: Floats
    trials: Floats
    touches: float
    rate: float
    residuals: Floats
    variance: float
    design_effect: float | None


def rate_group(failures: ArrayLike, trials: ArrayLike, level: float = 0.95) -> RateGroup:
    """Miss rate of a build and its interval.

    Parameters
    ----------
    failures, trials : array_like of int, shape (units,)
        Missed touches, and all touches, of each unit.
    level : float

    Returns
    -------
    RateGroup

    Raises
    ------
    StatisticsError
        If counts are impossible or the level is out of its range.

    Notes
    -----
    Clopper and Pearson's interval for the touches that independent ones would have to be,
    ``trials / design effect * (t(trials - 1) / t(units - 1))^2`` [1]_. Neither a design effect below 1 nor
    an interval inside that of all touches is used: alike counts of few units are luck. Without a miss the
    interval is that of the touches, which presumes that units are alike; ``units_interval`` doesn't.

    References
    ----------
    .. [1] E. L. Korn, B. I. Graubard, "Confidence intervals for proportions with small expected number of
       positive counts estimated from survey data", Surv. Methodol. 24 (1998) 193-201 (cited from memory).

    Examples
    --------
    >>> found = rate_group([0, 1, 9], [200, 200, 200])
    >>> round(found.estimate, 4), round(found.design_effect, 1), round(found.interval.upper, 3)
    (0.0167, 7.4, 0.225)
    >>> rate_group([0, 0, 0], [200, 200, 200]).units_interval.upper  # doctest: +ELLIPSIS
    0.707...
    """
    check_level(level)
    return _group(_build(failures, trials), level)


def compare_rates(
    first_failures: ArrayLike,
    first_trials: ArrayLike,
    second_failures: ArrayLike,
    second_trials: ArrayLike,
    margin: float,
    *,
    level: float = 0.95,
) -> RateComparison:
    """Difference of the miss rates of two builds of different units.

    Parameters
    ----------
    first_failures, first_trials, second_failures, second_trials : array_like of int, shape (units,)
        Missed touches, and all touches, of each unit of the build.
    margin : float
        Difference of rates that matters, within 0 to 1.
    level : float
        Of the intervals; equivalence is shown at a risk of 1 - ``level``.

    Returns
    -------
    RateComparison
        Without limits, but with a reason, for a build of one unit.

    Raises
    ------
    StatisticsError
        If counts are impossible, or the margin or level is out of its range.

    Notes
    -----
    The interval is put together from those of `rate_group` (MOVER [1]_), and drawn out to 0 where the
    permutation of units does not show a difference at the same risk. ``p_difference`` is the larger of the
    permutation p and of the risk at which the interval ends at 0. The permutation deals out units with
    their own counts, all ways or ``MOST_SPLITS`` by lot. It holds for any distribution of units, but 3
    against 3 never come below 0.1.

    ``p_equivalence`` is the risk at which the interval lies within the margin; 1 where none does. Where no
    touch fails it presumes that units are alike: if one unit of five is bad, three good ones show little.

    References
    ----------
    .. [1] G. Y. Zou, A. Donner, "Construction of confidence limits about effect measures: a general
       approach", Stat. Med. 27 (2008) 1693-1702 (cited from memory).

    Examples
    --------
    >>> found = compare_rates([9, 12, 8, 11], [200] * 4, [1, 0, 2, 1], [200] * 4, 0.02)
    >>> round(found.difference, 3), round(found.p_permutation, 4), round(found.interval.upper, 3)
    (-0.045, 0.0286, -0.018)
    """
    builds = _build(first_failures, first_trials), _build(second_failures, second_trials)
    sizes = [len(build.trials) for build in builds]
    ways = comb(sum(sizes), sizes[0])
    return _compared("independent", builds, margin, level, 0.0, (2 if sizes[0] == sizes[1] else 1) / ways)


def compare_rates_paired(
    before_failures: ArrayLike,
    before_trials: ArrayLike,
    after_failures: ArrayLike,
    after_trials: ArrayLike,
    margin: float,
    *,
    level: float = 0.95,
) -> RateComparison:
    """Change of the miss rate of the same units.

    Parameters are those of `compare_rates`, all of shape (units,) and in the same order.

    Raises
    ------
    StatisticsError
        As in `compare_rates`, and where the units are not the same number.

    Notes
    -----
    As `compare_rates`, with before and after of single units swapped by the permutation (5 units never
    come below 0.06). The intervals are put together with the correlation of units before and after,
    taken lower than found by 1.645 standard errors of Fisher's z and not below 0, unless it was found so.

    Examples
    --------
    >>> found = compare_rates_paired([9, 2, 8, 4, 5, 7], [200] * 6, [1, 0, 2, 1, 1, 1], [200] * 6, 0.02)
    >>> round(found.difference, 4), found.p_permutation
    (-0.0242, 0.03125)
    """
    builds = _build(before_failures, before_trials), _build(after_failures, after_trials)
    units = len(builds[0].trials)
    if units != len(builds[1].trials):
        raise StatisticsError(f"pairs need the same units twice, but got {units} and {len(builds[1].trials)}")
    correlation = _correlation(builds[0].residuals, builds[1].residuals)
    return _compared("paired", builds, margin, level, correlation, 2.0 / 2**units)


def _compared(
    design: Design, builds: tuple[_Build, _Build], margin: float, level: float, correlation: float,
    least: float,
) -> RateComparison:  # fmt: skip
    if not 0.5 < level < 1:
        raise StatisticsError(f"a comparison needs a level between 0.5 and 1, but got {level}")
    if not 0 < margin < 1:
        raise StatisticsError(f"a margin of rates must lie between 0 and 1, but got {margin}")
    first, second = builds
    groups = _group(first, level), _group(second, level)
    found, risk, units = second.rate - first.rate, round(1 - level, 12), len(first.trials)
    if min(units, len(second.trials)) < 2:
        reason = "a build of one unit doesn't show how far units differ: test at least 2 units of each build"
        return RateComparison(
            design, *groups, found, None, None, None, None, None, None, margin, "linear", found, None, reason,
            None, least, "",
        )  # fmt: skip
    dealt = _dealt(design, first, second)

    def at(risk: float) -> tuple[float, float]:
        return _mover(builds, risk, correlation)

    def drawn_out(risk: float) -> Interval:
        lower, upper = at(risk)
        if dealt > risk:
            lower, upper = min(lower, 0.0), max(upper, 0.0)
        return Interval(lower, upper, 1 - risk)

    ends_at_0 = _risk(lambda risk: -at(risk)[0] if found > 0 else at(risk)[1], 1.0) if found else 1.0
    within = _risk(lambda risk: max(at(2 * risk)[1], -at(2 * risk)[0]) - margin, 0.5)
    shared = (
        2 * units / (units - 1) * float(first.residuals @ second.residuals) if design == "paired" else 0.0
    )
    error = max(first.variance + second.variance - shared, 0.0) ** 0.5
    note = ""
    if least > risk:
        note = f"with so few units no difference can be shown: the smallest p of any outcome is {least:.2g}"
    return RateComparison(
        design, *groups, found, drawn_out(risk), drawn_out(2 * risk), error, None, max(dealt, ends_at_0),
        within, margin, "linear", found, drawn_out(risk), "", dealt, least, note,
    )  # fmt: skip


def _build(failures: ArrayLike, trials: ArrayLike) -> _Build:
    failed, made = np.asarray(failures, dtype=float), np.asarray(trials, dtype=float)
    if failed.ndim != 1 or failed.shape != made.shape or failed.size == 0:
        raise StatisticsError("each unit needs its failed touches and its touches, and at least one unit")
    whole = np.all((failed % 1 == 0) & (made % 1 == 0))
    if not (whole and np.all((failed >= 0) & (failed <= made) & (made >= 1))):
        raise StatisticsError(
            "counts of a unit must be whole, with 0 <= failed <= touches and a touch at least"
        )
    units, touches = len(made), float(made.sum())
    rate = float(failed.sum()) / touches
    residuals = (failed - rate * made) / touches
    # Variance of a ratio of sums over units.
    variance = units / (units - 1) * float(residuals @ residuals) if units > 1 else 0.0
    effect = variance * touches / (rate * (1 - rate)) if units > 1 and 0 < rate < 1 else None
    return _Build(failed, made, touches, rate, residuals, variance, effect)


def _group(build: _Build, level: float) -> RateGroup:
    failures, trials, units = int(build.failures.sum()), int(build.touches), len(build.trials)
    with_failures = int(np.count_nonzero(build.failures))
    note = ""
    if units < 2:
        note = "one unit: how far units differ is not known, and the interval is that of this unit"
    elif build.design_effect is None:
        note = (
            "units show no difference in misses: the interval presumes that all units of the build are alike"
        )
    spread = float(np.std(build.failures / build.trials, ddof=1)) if units > 1 else None
    return RateGroup(
        units, build.rate, Interval(*_limits(build, 1 - level), level), spread, None, failures, trials,
        build.design_effect, _effective(build, 1 - level), with_failures,
        proportion_interval(with_failures, units, level), note,
    )  # fmt: skip


def _effective(build: _Build, risk: float) -> float:
    if build.design_effect is None:
        return build.touches
    few, many = (float(special.stdtrit(n - 1, risk / 2)) for n in (len(build.trials), build.touches))
    return build.touches / max(1.0, build.design_effect) * (many / few) ** 2


def _limits(build: _Build, risk: float) -> tuple[float, float]:
    """Two-sided limits of a rate, never inside those of as many independent touches."""
    ends = [_clopper_pearson(build.rate * n, n, risk / 2) for n in (_effective(build, risk), build.touches)]
    return min(end[0] for end in ends), max(end[1] for end in ends)


def _clopper_pearson(failures: float, trials: float, tail: float) -> tuple[float, float]:
    good = max(trials - failures, 0.0)
    lower = 0.0 if failures <= 0 else float(special.betaincinv(failures, good + 1, tail))
    upper = 1.0 if good <= 0 else 1 - float(special.betaincinv(good, failures + 1, tail))
    return lower, upper


def _mover(builds: tuple[_Build, _Build], risk: float, correlation: float) -> tuple[float, float]:
    (l1, u1), (l2, u2) = (_limits(build, risk) for build in builds)
    p1, p2 = builds[0].rate, builds[1].rate

    def distance(a: float, b: float) -> float:
        return float(np.sqrt(max(a * a + b * b - 2 * correlation * a * b, 0.0)))

    return p2 - p1 - distance(p2 - l2, u1 - p1), p2 - p1 + distance(u2 - p2, p1 - l1)


def _risk(excess: Callable[[float], float], most: float) -> float:
    """Risk at which ``excess``, which falls as the risk grows, is 0; 1 where it never is."""
    low, high = np.log(LEAST_P), np.log(most * (1 - 1e-6))
    if excess(float(np.exp(high))) > 0:
        return 1.0
    if excess(LEAST_P) <= 0:
        return LEAST_P
    return float(np.exp(optimize.brentq(lambda log: excess(float(np.exp(log))), low, high)))


def _correlation(first: Floats, second: Floats) -> float:
    units, norm = len(first), float(np.sqrt((first @ first) * (second @ second)))
    found = float(np.clip(first @ second / norm, -1, 0.999999)) if norm > 0 else 0.0
    if found <= 0:
        return found
    return max(0.0, float(np.tanh(np.arctanh(found) - CAUTIOUS / (units - 3) ** 0.5))) if units > 3 else 0.0


def _dealt(design: Design, first: _Build, second: _Build) -> float:
    """Two-sided permutation p of the difference of rates."""
    failures = np.concatenate([first.failures, second.failures])
    trials = np.concatenate([first.trials, second.trials])
    units = len(first.trials)
    splits = _swaps(units) if design == "paired" else _splits(units, len(second.trials))
    one, made = splits @ failures, splits @ trials
    differences = np.abs((failures.sum() - one) / (trials.sum() - made) - one / made)
    as_large = float(np.count_nonzero(differences >= abs(second.rate - first.rate) - 1e-12))
    ways = 2**units if design == "paired" else comb(len(trials), units)
    return as_large / ways if ways <= MOST_SPLITS else (1 + as_large) / (1 + len(splits))


@lru_cache(maxsize=16)
def _splits(first: int, second: int) -> Floats:
    """Rows of 0 and 1: which units go into the first build."""
    units = first + second
    if comb(units, first) <= MOST_SPLITS:
        chosen = np.array(list(combinations(range(units), first)))
    else:
        rng = np.random.default_rng(SPLIT_SEED)
        chosen = np.argsort(rng.random((MOST_SPLITS, units)), axis=1)[:, :first]
    splits = np.zeros((len(chosen), units))
    np.put_along_axis(splits, chosen, 1.0, axis=1)
    return splits


@lru_cache(maxsize=16)
def _swaps(units: int) -> Floats:
    """Rows of 0 and 1 over units before, then units after: which go into the first group."""
    if 2**units <= MOST_SPLITS:
        kept = (np.arange(2**units)[:, None] >> np.arange(units)) & 1
    else:
        kept = np.random.default_rng(SPLIT_SEED).integers(0, 2, (MOST_SPLITS, units))
    return np.hstack([kept, 1 - kept]).astype(float)
