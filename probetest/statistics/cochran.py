"""Does one direction scatter too much for the rest? Cochran's test, for any numbers of touches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.esd import count_outliers, stage_risk


@dataclass(frozen=True, slots=True)
class WidestShare:
    """The direction that scatters too much for the rest the most.

    Attributes
    ----------
    place : int
        Its index.
    share : float
        C: its share in the sum of squares of all; for equal n that of its variance.
    critical : float
        Of C, for this direction's degrees of freedom.
    """

    place: int
    share: float
    critical: float


def widest_share(
    squares: ArrayLike, dof: ArrayLike, risk: float, *, least_variance: float = 0.0
) -> WidestShare:
    """Cochran's test of the largest variance, for equal and unequal degrees of freedom.

    Parameters
    ----------
    squares : array_like, shape (directions,)
        Sum of squared deviations from the mean of each direction; not all 0.
    dof : array_like, shape (directions,)
        Its degrees of freedom; directions with 0 are left out.
    risk : float
        Risk that any direction is found beyond its critical value, if all scatter alike.
    least_variance : float
        The others are taken to have no smaller one.

    Returns
    -------
    WidestShare
        Of the direction whose ratio of variances to the others pooled has the smallest chance.

    Raises
    ------
    StatisticsError
        With fewer than two directions, or none that scatters.

    Notes
    -----
    The ratio of the variance of a direction to that of the others follows F; C = F / (F + rest / dof),
    with the F quantile at risk / directions. For equal n it is the test of the tables [1]_, for
    unequal n the one of [2]_.

    References
    ----------
    .. [1] ISO 5725-2, Cochran's test for the largest variance.
    .. [2] R. U. E. 't Lam, "Scrutiny of variance results for outliers: Cochran's test optimized",
       Anal. Chim. Acta 659 (2010) 68-84.

    Examples
    --------
    >>> found = widest_share([2.0, 2.0, 40.0, 2.0, 2.0], [2, 2, 2, 2, 2], 0.05)
    >>> found.place, round(found.share, 3), round(found.critical, 3)
    (2, 0.833, 0.684)
    """
    free_of_all, sums = np.asarray(dof, dtype=float), np.asarray(squares, dtype=float)
    tested = np.flatnonzero(free_of_all > 0)
    free, found = free_of_all[tested], sums[tested]
    if len(tested) < 2 or not found.sum() > 0:
        raise StatisticsError(
            f"scatter can't be compared: {len(tested)} direction(s) touched again show a sum of squares of "
            f"{found.sum():g}; at least 2 directions and some scatter are needed"
        )
    rest = free.sum() - free
    others = np.maximum((found.sum() - found) / rest, least_variance)
    # Where the others show no scatter at all, any is too much.
    ratio = np.divide(found / free, others, out=np.where(found > 0, np.inf, 0.0), where=others > 0)
    one = int(np.lexsort((-ratio, special.fdtrc(free, rest, ratio)))[0])
    limit = float(special.fdtri(free[one], rest[one], 1 - risk / len(tested)))
    balance = float(rest[one] / free[one])
    return WidestShare(int(tested[one]), 1 / (1 + balance / float(ratio[one])), limit / (limit + balance))


def widest_shares(
    squares: ArrayLike, dof: ArrayLike, most: int, risk: float, *, least_variance: float = 0.0
) -> tuple[WidestShare, ...]:
    """All directions that scatter too much for the rest, found one by one.

    Parameters
    ----------
    squares, dof, least_variance
        As for `widest_share`.
    most : int
        Most directions looked for.
    risk : float
        Risk that any is found, if all scatter alike.

    Returns
    -------
    tuple of WidestShare
        Each held against the directions that are not among them, the widest first.

    Notes
    -----
    Directions are taken out one after another; all up to the last beyond its critical value are found,
    so that several do not hide each other, as in the generalised ESD test.
    """
    free, sums = np.asarray(dof, dtype=float), np.asarray(squares, dtype=float)
    left = free.copy()
    stages: list[WidestShare] = []
    while len(stages) < most and (left > 0).sum() >= 2 and sums[left > 0].sum() > 0:
        level = stage_risk(risk, len(stages), float(free.sum()))
        stages.append(widest_share(sums, left, level, least_variance=least_variance))
        left[stages[-1].place] = 0.0
    count = count_outliers([one.share for one in stages], [one.critical for one in stages])
    level = stage_risk(risk, max(count - 1, 0), float(free.sum()))
    left = free.copy()
    left[[one.place for one in stages[:count]]] = 0.0
    found = []
    for stage in stages[:count]:
        together = np.where(np.arange(len(free)) == stage.place, free, left)
        one = widest_share(sums, together, level, least_variance=least_variance)
        if one.place == stage.place and one.share > one.critical:
            found.append(one)
    return tuple(found)
