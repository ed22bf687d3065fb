"""Touches that stand apart from their direction, by the scatter that all directions show."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.statistics.esd import EXACT, EsdResult, find_outliers, studentise
from probetest.statistics.moderation import find_prior

Floats = NDArray[np.float64]

MIN_TOUCHES = 3
"""Fewer touches in a direction are not tested for outliers; more than half of them always are kept."""

NOTHING_LEFT = 1.0
"""Candidates are looked for until so many touches as far off are to be expected of normal scatter."""

OWN_RISK = 0.05
"""A touch is held against no less than the lower bound, at this risk, of its own direction's scatter."""


def extreme_touches(
    reading_mm: ArrayLike, direction: ArrayLike, most: int, risk: float, *, floor_mm: float = 0.0
) -> EsdResult:
    """Outliers of a one-way layout whose cells need not scatter alike.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
    direction : array_like of int, shape (touches,)
        Cell of each touch.
    most : int
        Most outliers looked for.
    risk : float
        Risk of a false alarm for all touches together.
    floor_mm : float
        Least scatter that a touch is held against.

    Returns
    -------
    EsdResult
        Without candidates where no direction holds ``MIN_TOUCHES``.

    Notes
    -----
    The deviation d of a touch from the mean of its direction of n is divided by its standard error
    without the touch itself, s sqrt(1 - 1/n) [1]_. Where the directions scatter alike, s is pooled over
    all, and d / (s sqrt(1 - 1/n)) follows the t distribution of all degrees of freedom less one. Where
    they don't, s is the moderated one of the direction [2]_ and the degrees of freedom are those of the
    direction, less one, and of the prior; see `probetest.statistics.moderation`. A single direction that
    scatters more than the others moves the prior little; therefore s is at least the lower bound at
    ``OWN_RISK`` of the direction's own scatter. Where touches of the direction were taken out before,
    its own scatter is that of a normal distribution cut off there. The largest of N touches is held
    against the t quantile at risk / (2 N), taken out, and so on; all are outliers up to the last that is
    beyond [3]_. For one direction alone this is the generalised ESD test of a sample.

    Several bad touches of one direction make it look noisy, so that none of them stands apart by the
    scatter of the direction until all are gone. So touches are taken out in two orders, by the scatter
    of their own direction and by that of all, and the order that shows more outliers counts.

    References
    ----------
    .. [1] R. D. Cook, S. Weisberg, Residuals and Influence in Regression (1982), section 2.2.
    .. [2] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential expression
       in microarray experiments", Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3.
    .. [3] B. Rosner, "Percentage points for a generalized ESD many-outlier procedure",
       Technometrics 25 (1983) 165-172.
    """
    reading, index = np.asarray(reading_mm, dtype=float), np.asarray(direction)
    if not (np.unique(index, return_counts=True)[1] >= MIN_TOUCHES).any():
        return EsdResult((), (), (), ())
    by_own, by_all = (
        find_outliers(_Layout(reading, index, floor_mm, own), len(reading), most, risk, NOTHING_LEFT)
        for own in (True, False)
    )
    return by_all if len(by_all.outliers) > len(by_own.outliers) else by_own


class _Layout:
    """A table of touches, one row a direction, from which the farthest are taken out one by one."""

    def __init__(self, reading: Floats, direction: NDArray[np.intp], floor: float, own: bool) -> None:
        self.values, self.direction, self.floor, self.own = reading, direction, floor, own
        labels, self.place, self.counts = np.unique(direction, return_inverse=True, return_counts=True)
        self.whole = self.counts.copy()
        order = np.argsort(self.place, kind="stable")
        first = np.cumsum(self.counts) - self.counts
        self.touch = np.full((len(labels), int(self.counts.max())), -1, dtype=np.intp)
        self.touch[self.place[order], np.arange(len(order)) - np.repeat(first, self.counts)] = order
        self.reading = np.where(self.touch >= 0, reading[self.touch], np.nan)
        self.mean, self.squares, self.extreme = np.zeros((3, len(labels)))
        self.farthest = np.zeros(len(labels), dtype=np.intp)
        self._look_at(np.arange(len(labels)))

    @property
    def dof(self) -> int:
        return int((self.counts - 1).sum())

    def tested(self) -> int:
        return int(self.counts[self._testable()].sum())

    def _testable(self) -> NDArray[np.bool_]:
        """Directions of which more than half the touches are kept when one more is taken out."""
        return self.counts > self.whole // 2 + 1

    def take_out(self) -> tuple[int, float, float, float]:
        row = self._farthest()
        size, touch = float(self.extreme[row]), int(self.touch[row, self.farthest[row]])
        self.reading[row, self.farthest[row]] = np.nan
        self.counts[row] -= 1
        self._look_at(np.array([row]))
        statistic, dof = self._hold_against(row, size)
        if self.own:
            return touch, statistic, dof, 2 * float(special.stdtr(dof, -statistic))
        pooled = max(float(self.squares.sum()) / self.dof, self.floor**2)
        return touch, statistic, dof, 2 * float(special.stdtr(self.dof, -studentise(size, pooled)))

    def _farthest(self) -> int:
        """Direction of the touch that stands off most, by the scatter of its own or of all."""
        tested = self._testable()
        if not self.own:
            return int(np.where(tested, self.extreme, -1.0).argmax())
        left = np.maximum(self.squares - self.extreme**2, 0.0)
        left = left / self._inner_share(self.counts)
        statistic, dof = self._studentise(self.extreme, left, self.counts - 2, self.dof - 1)
        chance = np.where(tested, special.stdtr(dof, -statistic), 1.0)
        return int(np.lexsort((-statistic, chance))[0])

    def hold(self, kept: NDArray[np.bool_], place: int) -> tuple[float, float]:
        left = _Layout(self.values[kept], self.direction[kept], self.floor, self.own)
        left.whole = self.whole
        row = int(self.place[place])
        off = abs(self.values[place] - left.mean[row]) / np.sqrt(1 + 1 / left.counts[row])
        return left._hold_against(row, float(off))

    def _look_at(self, rows: NDArray[np.intp]) -> None:
        """Scatter of some directions, and their touch farthest from the mean."""
        reading, count = self.reading[rows], self.counts[rows]
        self.mean[rows] = np.nansum(reading, axis=1) / count
        off = reading - self.mean[rows][:, None]
        off[np.isnan(off)] = 0.0
        size = np.abs(off)
        self.squares[rows] = (off**2).sum(axis=1)
        self.farthest[rows] = size.argmax(axis=1)
        self.extreme[rows] = size.max(axis=1) / np.sqrt(np.maximum(1 - 1 / count, 0.5))
        # Where rounding hides the scatter of some directions, they do not scatter less than the others.
        self.prior = find_prior(self.squares + (self.counts - 1) * self.floor**2, self.counts - 1)

    def _hold_against(self, row: int, size: float) -> tuple[float, float]:
        """A touch that is not in the table, studentised by the touches that are."""
        one = slice(row, row + 1)
        squares = self.squares[one] / self._inner_share(self.counts + 1)[one]
        statistic, dof = self._studentise(np.array([size]), squares, self.counts[one] - 1, self.dof)
        return float(statistic[0]), float(dof[0])

    def _inner_share(self, counts: NDArray[np.intp]) -> Floats:
        """Variance that a direction keeps when all but ``counts`` touches, the farthest, are taken out.

        Of a normal distribution cut off on both sides; 1 where none was taken out.
        """
        kept = np.minimum(counts / self.whole, 1.0)
        edge = special.ndtri((1 + kept) / 2)
        edge[kept == 1.0] = 0.0
        return np.asarray(1 - 2 * edge * np.exp(-(edge**2) / 2) / np.sqrt(2 * np.pi) / kept)

    def _studentise(
        self, size: Floats, squares: Floats, free: NDArray[np.intp], whole: int
    ) -> tuple[Floats, Floats]:
        """Distances over the scatter of their directions, and the degrees of freedom of that.

        ``squares`` and ``free`` are those of the direction, ``whole`` of all, without the touch.
        """
        own = np.maximum(free, 1.0)
        if np.isinf(self.prior.dof):
            pooled = self.prior.variance - self.floor**2
            variance, known = np.full(len(own), pooled), np.full(len(own), float(whole))
            others = np.maximum(whole - own, 1.0)
        else:
            known = self.prior.dof + own
            variance = (self.prior.dof * self.prior.variance + squares) / known
            others = np.full(len(own), self.prior.dof)
        bound = squares / own / special.fdtri(own, others, 1 - OWN_RISK)
        least = np.maximum(self.floor, EXACT * size) ** 2
        scale = np.sqrt(np.maximum(np.maximum(variance, bound), least))
        return np.divide(size, scale, out=np.zeros(len(scale)), where=scale > 0), known
