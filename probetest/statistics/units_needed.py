"""How many units a comparison of two builds needs, and whether more units or more touches would help."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, comb, log

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, sd_interval
from probetest.statistics.least import least_number
from probetest.statistics.unit_comparison import Design, welch_dof

Floats = NDArray[np.float64]

MOST_UNITS = 10_000
"""More units than this a build are no practical advice."""

SCORES = np.linspace(-6.0, 6.0, 49)
"""Normal scores at which a standard deviation is looked at; its chance lies within them but for 2e-9."""

WEIGHTS = np.exp(-(SCORES**2) / 2) / np.exp(-(SCORES**2) / 2).sum()


@dataclass(frozen=True, slots=True)
class Power:
    """Chances of so many units, 0..1.

    Attributes
    ----------
    difference : float
        That a true difference as large as the margin is shown to be one.
    equivalence : float
        That builds without a difference are shown to lie within the margin.
    """

    difference: float
    equivalence: float


@dataclass(frozen=True, slots=True)
class UnitsNeeded:
    """Units a build, or pairs; None where ``MOST_UNITS`` are not enough.

    Attributes
    ----------
    difference, equivalence, both : int or None
        To show a true difference as large as the margin; that alike builds lie within it; either.
    power : Power or None
        At ``both``.
    range : tuple of (int or None, int or None), or None
        ``both`` at the ends of the 95 % interval of the standard deviations; None where their degrees of
        freedom were not given.
    """

    difference: int | None
    equivalence: int | None
    both: int | None
    power: Power | None
    range: tuple[int | None, int | None] | None


@dataclass(frozen=True, slots=True)
class BetweenUnits:
    """How far units differ beyond what their measurement explains.

    Attributes
    ----------
    sd : float
        Standard deviation between units, unit of the values.
    interval : Interval
        Of ``sd``; from 0 to 0 where the values agree better than their uncertainties let expect.
    measurement_sd : float
        Root mean square of the standard uncertainties.
    share : float
        Part of the variance of the build's mean that no number of touches takes away, 0..1. Near 1 only
        more units help; near 0 more touches do as well.
    share_interval : Interval
        By ``interval``.
    q, p : float
        Cochran's Q, and the chance of a larger one if all units were alike.
    units : int
    is_floored : bool
        Whether the values scatter less than their uncertainties, which gives ``sd`` = 0.
    """

    sd: float
    interval: Interval
    measurement_sd: float
    share: float
    share_interval: Interval
    q: float
    p: float
    units: int
    is_floored: bool


def power_of(
    n: int | tuple[int, int],
    sd_first: float,
    sd_second: float | None,
    margin: float,
    alpha: float = 0.05,
    *,
    design: Design = "independent",
) -> Power:
    """Chances of a comparison with so many units.

    Parameters
    ----------
    n : int or tuple of (int, int)
        Units of each build, at least 2; pairs for the paired design.
    sd_first, sd_second : float
        True standard deviation between units of each build, measurement included, not both 0. For the
        paired design ``sd_first`` is that of the changes, ``sd_second`` None.
    margin : float
        > 0, in the unit of the deviations. For the ratio scale give deviations of logarithms and the
        logarithm of the ratio.
    alpha : float
        Risk of the two-sided test, and of each of the two one-sided tests.
    design : str

    Returns
    -------
    Power

    Raises
    ------
    StatisticsError
        If a number is out of its range.

    Notes
    -----
    Of normal units the mean and the standard deviations are independent: the chance at given deviations is
    normal, and is averaged over their chi-square distributions. For pairs this is the noncentral t, and
    Owen's integral for equivalence [1]_; for two builds it also holds the scatter of Satterthwaite's
    degrees of freedom, which a noncentral t leaves out, and their limit where a build has few units.

    References
    ----------
    .. [1] K. F. Phillips, "Power of the two one-sided tests procedure in bioequivalence", J. Pharmacokinet.
       Biopharm. 18 (1990) 137-144 (cited from memory).

    Examples
    --------
    >>> found = power_of(17, 1.0, 1.0, 1.0)
    >>> round(found.difference, 3), round(found.equivalence, 3)
    (0.806, 0.772)
    """
    _check(sd_first, sd_second, margin, alpha, 0.5, design)
    sizes = (n, n) if isinstance(n, int) else n
    if min(sizes) < 2 or (design == "paired" and sizes[0] != sizes[1]):
        raise StatisticsError(
            f"a comparison needs at least 2 units of each build, in pairs or not, but got {n}"
        )
    return _power(sizes, sd_first, sd_second, margin, alpha)


def units_needed(
    sd_first: float,
    sd_second: float | None,
    margin: float,
    alpha: float = 0.05,
    power: float = 0.8,
    *,
    design: Design = "independent",
    dof: tuple[float, float] | float | None = None,
) -> UnitsNeeded:
    """Fewest units a build that show a difference as large as the margin, and that show that there is none.

    Parameters
    ----------
    sd_first, sd_second, margin, alpha, design
        As in `power_of`.
    power : float
        Wanted chance of each.
    dof : float or tuple of (float, float), optional
        Degrees of freedom of the deviations (units less 1), for ``range``.

    Returns
    -------
    UnitsNeeded

    Raises
    ------
    StatisticsError
        If a number is out of its range.

    Notes
    -----
    The range moves both deviations by the chi-square interval of their root mean square (degrees of
    freedom by Satterthwaite). Deviations of 3 or 4 units leave it wide: plan again when there are more.

    Examples
    --------
    >>> found = units_needed(1.0, 1.0, 1.0, dof=(9, 9))
    >>> found.difference, found.equivalence, found.range
    (17, 18, (11, 39))
    """
    _check(sd_first, sd_second, margin, alpha, power, design)

    def scaled(factor: float) -> UnitsNeeded:
        one, two = factor * sd_first, None if sd_second is None else factor * sd_second
        return _needed(lambda n: _power((n, n), one, two, margin, alpha), power)

    if dof is None:
        return scaled(1.0)
    own = dof if isinstance(dof, tuple) else (dof, dof)
    if min(own) <= 0:
        raise StatisticsError(f"degrees of freedom must be above 0, but got {dof}")
    squares = sd_first**2, (sd_second or 0.0) ** 2
    together = sum(squares) ** 2 / sum(square**2 / d for square, d in zip(squares, own, strict=True))
    factors = sd_interval(1.0, together)
    return replace(scaled(1.0), range=(scaled(factors.lower).both, scaled(factors.upper).both))


def units_needed_for_rates(
    rate: float, margin: float, touches: int, icc: float, alpha: float = 0.05, power: float = 0.8
) -> UnitsNeeded:
    """Units a build for a comparison of miss rates, roughly.

    Parameters
    ----------
    rate : float
        Expected miss rate, 0..1; of the better build where they differ.
    margin : float
        Difference of rates that matters, > 0, ``rate + margin`` < 1.
    touches : int
        Of each unit.
    icc : float
        Correlation of touches of one unit, 0..1. A design effect D found with m touches a unit gives
        (D - 1) / (m - 1); 0 says that all units are alike.

    Returns
    -------
    UnitsNeeded
        Without ``range``.

    Raises
    ------
    StatisticsError
        If a number is out of its range.

    Notes
    -----
    Unit rates are taken as normal with the variance p (1 - p) (1 + (touches - 1) icc) / touches. Two floors
    are exact: units for a permutation to show anything at ``alpha`` (4 against 4 at 5 %), and touches for
    no miss at all to show equivalence. Simulated with 80 % wanted, `compare_rates` showed differences in
    68 to 99 %; equivalence in 54 to 69 %, with 2 units more in 78 to 95 %, where there are misses.

    Examples
    --------
    >>> found = units_needed_for_rates(0.0, 0.01, 100, 0.0)
    >>> found.difference, found.equivalence
    (10, 3)
    """
    if touches < 1 or not (rate >= 0 and margin > 0 and rate + margin < 1 and 0 <= icc <= 1):
        raise StatisticsError("rates need rate >= 0, margin > 0, rate + margin < 1, icc in 0..1, and a touch")
    same, worse = (
        float(np.sqrt(p * (1 - p) * (1 + (touches - 1) * icc) / touches)) for p in (rate, rate + margin)
    )
    _check(worse, worse, margin, alpha, power, "independent")

    def at(n: int) -> Power:
        kept = _power((n, n), same, same, margin, alpha, n - 1).equivalence if same > 0 else 1.0
        return Power(_power((n, n), same, worse, margin, alpha, n - 1).difference, kept)

    dealt = next(n for n in range(2, MOST_UNITS) if comb(2 * n, n) * alpha >= 2)
    clean = max(2, ceil(log(alpha) / log(1 - margin) / touches - 1e-9))
    return _needed(at, power, (dealt, clean))


def between_units(values: ArrayLike, u: ArrayLike, level: float = 0.95) -> BetweenUnits:
    """Standard deviation between units beyond measurement.

    Parameters
    ----------
    values : array_like, shape (units,)
        At least 2.
    u : array_like, shape (units,) or a single number
        Standard uncertainty of each value from its measurement, > 0.
    level : float

    Raises
    ------
    StatisticsError
        If there are fewer than 2 values, or an uncertainty is not above 0.

    Notes
    -----
    The variance at which Q = sum of (x - weighted mean)^2 / (u^2 + variance) is its expectation, units - 1
    [2]_; its interval is where Q lies between its chi-square quantiles (Q-profile [1]_), exact for normal
    units and known ``u``, a little too narrow with ``u`` from few touches.

    References
    ----------
    .. [1] W. Viechtbauer, "Confidence intervals for the amount of heterogeneity in meta-analysis",
       Stat. Med. 26 (2007) 37-52 (cited from memory).
    .. [2] R. C. Paule, J. Mandel, "Consensus values and weighting factors", J. Res. Natl. Bur. Stand.
       87 (1982) 377-385 (cited from memory).

    Examples
    --------
    >>> round(between_units([1.0, 3.0, 5.0], 1.2).sd, 3)
    1.6
    """
    check_level(level)
    found = np.asarray(values, dtype=float)
    own = np.broadcast_to(np.asarray(u, dtype=float), found.shape)
    if len(found) < 2 or not (np.all(own > 0) and np.all(np.isfinite([found, own]))):
        raise StatisticsError(
            "a spread between units needs 2 values or more, each with an uncertainty above 0"
        )
    typical, dof = float(np.sqrt(np.mean(own**2))), len(found) - 1
    x, v = (found - found.mean()) / typical, (own / typical) ** 2

    def q(variance: float) -> float:
        weight = 1 / (v + variance)
        return float(np.sum(weight * (x - np.sum(weight * x) / weight.sum()) ** 2))

    def sd_at(target: float) -> float:
        if q(0.0) <= target:
            return 0.0
        highest = float(np.sum(x**2)) / target
        return float(np.sqrt(optimize.brentq(lambda variance: q(variance) - target, 0.0, highest)))

    def share(sd: float) -> float:
        return sd**2 / (1 + sd**2)

    tail = (1 - level) / 2
    lower, upper = (sd_at(float(special.chdtri(dof, chance))) for chance in (tail, 1 - tail))
    sd = sd_at(dof)
    return BetweenUnits(
        sd * typical, Interval(lower * typical, upper * typical, level), typical, share(sd),
        Interval(share(lower), share(upper), level), q(0.0), float(special.chdtrc(dof, q(0.0))), len(found),
        q(0.0) < dof,
    )  # fmt: skip


def _check(
    sd_first: float, sd_second: float | None, margin: float, alpha: float, power: float, design: Design
) -> None:
    check_level(power)
    if (sd_second is None) != (design == "paired"):
        raise StatisticsError("two builds need two deviations, pairs only that of the changes")
    both = (sd_first, sd_second or 0.0)
    if not (min(both) >= 0 and 0 < sum(both) < np.inf):
        raise StatisticsError(f"deviations between units must not all be 0, but got {sd_first}, {sd_second}")
    if not 0 < margin < np.inf:
        raise StatisticsError(f"a margin must be above 0, but got {margin}")
    if not 0 < alpha < 0.5:
        raise StatisticsError(f"a risk must lie between 0 and 0.5, but got {alpha}")


def _power(
    n: tuple[int, int], sd_1: float, sd_2: float | None, margin: float, alpha: float, dof: int | None = None
) -> Power:
    """Chances at given deviations, averaged over what the deviations of so many units may be."""
    first, second = sd_1**2 / n[0], (sd_2 or 0.0) ** 2 / n[1]
    one = first * _mean_squares(n[0] - 1)[:, None]
    two = second * _mean_squares(n[1] - 1)[None, :] if second else np.zeros((1, 1))
    weight = WEIGHTS[:, None] * (WEIGHTS[None, :] if second else 1.0)
    error, true = np.sqrt(one + two), float(np.sqrt(first + second))
    own = dof or welch_dof(one, two, n)
    limit = special.stdtrit(own, 1 - alpha / 2) * error
    shown = special.ndtr((margin - limit) / true) + special.ndtr((-margin - limit) / true)
    room = (margin - special.stdtrit(own, 1 - alpha) * error) / true
    within = np.maximum(2 * special.ndtr(room) - 1, 0.0)
    return Power(float(np.sum(weight * shown)), float(np.sum(weight * within)))


def _mean_squares(dof: int) -> Floats:
    """Chi-square over its degrees of freedom at the normal scores."""
    return np.asarray(special.gammaincinv(dof / 2, special.ndtr(SCORES)) * 2 / dof, dtype=np.float64)


def _needed(at: Callable[[int], Power], power: float, least: tuple[int, int] = (2, 2)) -> UnitsNeeded:
    shown = least_number(lambda n: at(n).difference >= power, least[0], MOST_UNITS)
    alike = least_number(lambda n: at(n).equivalence >= power, least[1], MOST_UNITS)
    both = None if shown is None or alike is None else max(shown, alike)
    return UnitsNeeded(shown, alike, both, None if both is None else at(both), None)
