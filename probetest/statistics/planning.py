"""How many touches a test needs, for a wanted width or a wanted verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.statistics.intervals import check_level, sd_interval, t_factor
from probetest.statistics.least import least_number

Figure = Literal["pooled_sd", "worst_direction_sd", "variation", "capability", "miss_rate"]

MOST_TOUCHES = 100_000
"""Beyond this many touches a direction, more touches are no practical way."""

ROOT_2 = float(np.sqrt(2))
"""Standard error of the difference of two means, in that of one: the most a variation has."""


@dataclass(frozen=True, slots=True)
class TouchesNeeded:
    """Touches that answer a question.

    Attributes
    ----------
    per_direction : int or None
        Touches a direction; None where ``MOST_TOUCHES`` are not enough.
    touches : int or None
        Of the whole test.
    chance : float
        Chance that this test decides, or that its interval is as narrow as wanted, if the probe is
        as expected; NaN where no number of touches is enough.
    """

    per_direction: int | None
    touches: int | None
    chance: float


def touches_needed(
    figure: Figure,
    *,
    directions: int,
    expected: float,
    limit: float | None = None,
    half_width: float | None = None,
    sd_mm: float | None = None,
    risk: float = 0.05,
    chance: float = 0.9,
) -> TouchesNeeded:
    """Fewest touches for a wanted verdict or a wanted width.

    Parameters
    ----------
    figure : str
        "pooled_sd", "worst_direction_sd", "variation", "capability" (Cp or Cpk) or "miss_rate".
    directions : int
        Evenly spread directions.
    expected : float
        What the probe is expected to have: sd or variation in mm, capability, or share of misses.
    limit : float, optional
        Limit that the verdict is against; the test passes or fails at ``risk``. For a capability
        the least allowed, for all else the most.
    half_width : float, optional
        Wanted distance from the figure to the farther end of its interval at 1 - 2 * ``risk``, in
        the unit of the figure. Exactly one of ``limit`` and ``half_width`` is given.
    sd_mm : float, optional
        Scatter of one touch; needed for the variation.
    risk : float
        One-sided risk of a wrong verdict.
    chance : float
        Wanted chance that the test decides, or that the interval is that narrow.

    Returns
    -------
    TouchesNeeded

    Raises
    ------
    StatisticsError
        Where the question is not complete, or a number is out of its range.

    Notes
    -----
    Scatter: sd**2 * dof / sigma**2 follows chi-square; the worst direction passes when all do, with
    the same true scatter each. Capability: as the scatter, the mean taken as the reference. Variation:
    the interval is taken at its widest, root 2 standard errors of a direction mean, and normal, so that
    a smooth curve decides with fewer touches. Misses: exact binomial, Clopper-Pearson bounds; the chance
    is a sawtooth there, and a few touches fewer may do.
    Scatter is taken as normal and independent; heavy tails and alike neighbours need more touches.

    Examples
    --------
    >>> touches_needed("pooled_sd", directions=24, expected=0.002, limit=0.0025).per_direction
    5
    >>> touches_needed("miss_rate", directions=1, expected=0.0, limit=0.01).touches
    299
    """
    _check(figure, directions, expected, limit, half_width, sd_mm, risk, chance)
    reached = _reached(figure, directions, expected, limit, half_width, sd_mm, risk)
    least = 1 if figure == "miss_rate" else 2
    if limit == expected:
        return TouchesNeeded(None, None, float("nan"))
    needed = least_number(lambda touches: reached(touches) >= chance, least, MOST_TOUCHES)
    if needed is None:
        return TouchesNeeded(None, None, float("nan"))
    return TouchesNeeded(needed, needed * directions, reached(needed))


def chance_decided(
    figure: Figure,
    touches: int,
    *,
    directions: int,
    expected: float,
    limit: float | None = None,
    half_width: float | None = None,
    sd_mm: float | None = None,
    risk: float = 0.05,
) -> float:
    """Chance that a test of so many touches a direction decides, or has so narrow an interval.

    Parameters
    ----------
    figure, directions, expected, limit, half_width, sd_mm, risk
        As in `touches_needed`.
    touches : int
        Of each direction.

    Raises
    ------
    StatisticsError
        As `touches_needed`.

    Examples
    --------
    >>> round(chance_decided("miss_rate", 299, directions=1, expected=0.0, limit=0.01), 3)
    1.0
    """
    _check(figure, directions, expected, limit, half_width, sd_mm, risk, 0.5)
    return _reached(figure, directions, expected, limit, half_width, sd_mm, risk)(touches)


def _check(
    figure: Figure,
    directions: int,
    expected: float,
    limit: float | None,
    half_width: float | None,
    sd_mm: float | None,
    risk: float,
    chance: float,
) -> None:
    check_level(chance)
    if not 0 < risk < 0.5:
        raise StatisticsError(f"a risk must lie between 0 and 0.5, but got {risk}")
    if directions < 1:
        raise StatisticsError(f"a test needs at least 1 direction, but got {directions}")
    if (limit is None) == (half_width is None):
        raise StatisticsError("give either the limit of a verdict or the half-width of an interval")
    wanted = half_width if limit is None else limit
    if wanted is None or not wanted > 0:
        raise StatisticsError(f"a limit or half-width must be above 0, but got {wanted}")
    if expected < 0 or (expected == 0 and figure not in ("variation", "miss_rate")):
        raise StatisticsError(f"the expected {figure} must be above 0, but got {expected}")
    if figure == "miss_rate" and not (expected < 1 and wanted < 1):
        raise StatisticsError("shares of misses must lie below 1")
    if figure == "variation" and not (sd_mm and sd_mm > 0):
        raise StatisticsError("the variation needs the scatter of one touch, sd_mm, above 0")


def _reached(
    figure: Figure,
    directions: int,
    expected: float,
    limit: float | None,
    half_width: float | None,
    sd_mm: float | None,
    risk: float,
) -> Callable[[int], float]:
    """Chance that a test of so many touches a direction answers the question."""
    if figure == "variation":
        return _variation(directions, expected, limit, half_width, sd_mm or 0.0, risk)
    if figure == "miss_rate":
        return _misses(directions, expected, limit, half_width, risk)
    if figure == "capability":
        return _spread(directions, 1.0, expected, limit, half_width, risk, inverse=True)
    alike = directions if figure == "worst_direction_sd" else 1
    return _spread(directions, float(alike), expected, limit, half_width, risk, inverse=False)


def _spread(
    directions: int,
    alike: float,
    expected: float,
    limit: float | None,
    half_width: float | None,
    risk: float,
    *,
    inverse: bool,
) -> Callable[[int], float]:
    """Chances from the chi-square distribution; ``alike`` directions must each be decided."""

    def dof(touches: int) -> float:
        return (touches - 1) * directions / alike

    def verdict(touches: int) -> float:
        # Capability falls as scatter grows: its least allowed value is a most allowed scatter.
        most = expected / limit if inverse and limit else (limit or 0.0) / expected
        own = dof(touches)
        if most > 1:
            keeps = special.chdtr(own, float(special.chdtri(own, 1 - risk)) * most**2)
            return float(keeps**alike)
        single = 1 - (1 - risk) ** (1 / alike)
        breaks = special.chdtrc(own, special.chdtri(own, single) * most**2)
        return float(1 - (1 - breaks) ** alike)

    def narrow(touches: int) -> float:
        own = dof(touches)
        unit = sd_interval(1.0, own, 1 - 2 * risk)
        reach = 1 / unit.lower - 1 if inverse else unit.upper - 1
        # The width goes with the figure found, which scatters itself.
        most = (half_width or 0.0) / (expected * reach)
        chance = special.chdtrc(own, own / most**2) if inverse else special.chdtr(own, own * most**2)
        return float(chance**alike)

    return narrow if limit is None else verdict


def _variation(
    directions: int,
    expected: float,
    limit: float | None,
    half_width: float | None,
    sd_mm: float,
    risk: float,
) -> Callable[[int], float]:
    def verdict(touches: int) -> float:
        u = ROOT_2 * sd_mm / float(np.sqrt(touches))
        guard = t_factor((touches - 1) * directions, 1 - 2 * risk)
        return float(stats.norm.cdf(abs((limit or 0.0) - expected) / u - guard))

    def narrow(touches: int) -> float:
        own = (touches - 1) * directions
        reach = t_factor(own, 1 - 2 * risk) * ROOT_2 * sd_mm / float(np.sqrt(touches))
        return float(special.chdtr(own, own * float((half_width or 0.0) / reach) ** 2))

    return narrow if limit is None else verdict


def _misses(
    directions: int, expected: float, limit: float | None, half_width: float | None, risk: float
) -> Callable[[int], float]:
    def verdict(touches: int) -> float:
        n, most = touches * directions, limit or 0.0
        counts = np.arange(n + 1)
        if expected < most:
            # Passed while the upper bound keeps the limit: at most so many misses.
            passed = stats.binom.cdf(counts, n, most) <= risk
            return float(stats.binom.cdf(passed.sum() - 1, n, expected))
        failed = stats.binom.sf(counts - 1, n, most) < risk
        return float(stats.binom.sf(n - failed.sum(), n, expected))

    def narrow(touches: int) -> float:
        n = touches * directions
        counts = np.arange(n + 1)
        upper = np.ones(n + 1)
        upper[:-1] = special.betaincinv(counts[:-1] + 1.0, n - counts[:-1] + 0.0, 1 - risk)
        enough = upper - counts / n <= (half_width or 0.0)
        return float(stats.binom.pmf(counts[enough], n, expected).sum())

    return narrow if limit is None else verdict
