"""Mean squares of cell means, from which variance components and their intervals are made.

A cell holds the touches of one innermost group. Its place is an outer group and a block: the outer
groups are random, the blocks fixed (directions that return in every session; one block if nothing is).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

LARGEST_RATIO = 1e8
"""Restricted likelihood serves for variances up to so many times that of a touch."""


@dataclass(frozen=True, slots=True)
class Cells:
    """Means of the touches in each cell, less the median reading.

    Attributes
    ----------
    mean, count : ndarray, shape (cells,)
        Mean and number of touches.
    outer, block : ndarray of int, shape (cells,)
        Place of each cell, 0, 1, ... without gaps.
    within : float
        Sum of squares of the touches about the means of their cells.
    """

    mean: Floats
    count: Floats
    outer: Indices
    block: Indices
    within: float

    @property
    def touch_dof(self) -> int:
        """Degrees of freedom of ``within``."""
        return int(self.count.sum()) - len(self.count)

    @property
    def is_balanced(self) -> bool:
        """Whether all cells hold as many touches and all places as many cells."""
        return bool(np.ptp(self.count) == 0 and np.ptp(self.by_place(np.ones_like(self.count))) == 0)

    def by_place(self, values: Floats) -> Floats:
        """Sums of a figure of the cells, shape (outer groups, blocks)."""
        shape = int(self.outer.max()) + 1, int(self.block.max()) + 1
        place = self.outer * shape[1] + self.block
        return np.bincount(place, values, shape[0] * shape[1]).astype(float).reshape(shape)


def cell_means(reading: Floats, outer: Indices, inner: Indices, *, is_crossed: bool) -> Cells:
    """Cells of readings; equal inner labels share a block when crossed, and mean nothing when nested."""
    width = int(inner.max()) + 1
    used, cell = np.unique(outer * width + inner, return_inverse=True)
    count = np.bincount(cell).astype(float)
    # Two passes: the second takes the rounding of the first out of the means.
    rest = reading - np.median(reading)
    mean = np.zeros_like(count)
    for _ in range(2):
        step = np.bincount(cell, rest) / count
        mean, rest = mean + step, rest - step[cell]
    block = used % width if is_crossed else np.zeros_like(used)
    return Cells(mean, count, used // width, block, float(rest @ rest))


@dataclass(frozen=True, slots=True)
class Split:
    """Cell means along orthonormal directions.

    Attributes
    ----------
    blocks, outers : ndarray, shape (cells, blocks) and (cells, outer degrees of freedom)
        Directions of the blocks, and of the outer groups given the blocks.
    spread : float
        Times the variance of the outer groups, what they add to their expected sum of squares.
    squares : tuple of three float
        Sums of squares of the blocks about the mean, the outer groups given the blocks, the rest.
    """

    blocks: Floats
    outers: Floats
    spread: float
    squares: tuple[float, float, float]

    @property
    def dofs(self) -> tuple[int, int, int]:
        """Degrees of freedom of ``squares``."""
        cells, blocks = self.blocks.shape
        outers = self.outers.shape[1]
        return blocks - 1, outers, cells - blocks - outers


def split(cells: Cells, weight: Floats) -> Split:
    """Weighted analysis of the cell means in sequence: blocks, outer groups, rest."""
    table = cells.by_place(weight)
    share = table / table.sum(axis=0)
    values, vectors = np.linalg.eigh(np.diag(table.sum(axis=1)) - share @ table.T)
    kept = values > 1e-9 * table.sum()
    root = np.sqrt(weight)
    blocks = root[:, None] * (np.eye(table.shape[1]) / np.sqrt(table.sum(axis=0)))[cells.block]
    contrast = np.eye(table.shape[0])[cells.outer] - share.T[cells.block]
    outers = root[:, None] * (contrast @ (vectors[:, kept] / np.sqrt(values[kept])))
    centred = root * (cells.mean - np.average(cells.mean, weights=weight))
    curve = blocks.T @ centred
    rest = centred - blocks @ curve
    shift = outers.T @ rest
    rest = rest - outers @ shift
    squares = float(curve @ curve), float(shift @ shift), float(rest @ rest)
    return Split(blocks, outers, float(values[kept].sum()), squares)


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of unweighted cell means and of touches, outermost first.

    Attributes
    ----------
    observed, dofs : ndarray, shape (parts,)
        Mean squares, scaled to hold the variance of outer groups, cells and touches once each; and
        their effective degrees of freedom.
    weights : ndarray, shape (parts, parts)
        Row i makes the unbiased estimate of variance i from ``observed``.
    """

    observed: Floats
    dofs: Floats
    weights: Floats

    @property
    def variances(self) -> Floats:
        """Unbiased estimates; may be negative."""
        return np.asarray(self.weights @ self.observed)


def mean_squares(cells: Cells, parts: Split) -> MeanSquares:
    """Mean squares of unweighted cell means [1]_; those of the analysis of variance where balanced.

    Parameters
    ----------
    cells : Cells
    parts : Split
        Of the cells, all with weight 1.

    References
    ----------
    .. [1] R. K. Burdick, F. A. Graybill, Confidence Intervals on Variance Components (1992).
    """
    _, outer_dof, rest_dof = parts.dofs
    single = 1 / cells.count
    leverage = (parts.outers**2).sum(axis=1)
    left = 1 - (parts.blocks**2).sum(axis=1) - leverage
    values = [parts.squares[2] / rest_dof, cells.within / cells.touch_dof]
    dofs = [rest_dof, cells.touch_dof]
    expected = np.array([[1.0, left @ single / rest_dof], [0.0, 1.0]])
    if outer_dof:
        values.insert(0, parts.squares[1] / parts.spread)
        dofs.insert(0, outer_dof)
        top = [1.0, outer_dof / parts.spread, leverage @ single / parts.spread]
        expected = np.vstack([top, np.column_stack([np.zeros(2), expected])])
    weights = np.linalg.inv(expected)
    weights[np.abs(weights) < 1e-12] = 0.0
    found = MeanSquares(np.array(values), np.array(dofs, dtype=float), weights)
    return found if cells.is_balanced else _with_effective_dofs(found, cells, parts)


def _with_effective_dofs(found: MeanSquares, cells: Cells, parts: Split) -> MeanSquares:
    """Satterthwaite's degrees of freedom at the moment estimates: cell means differ in variance."""
    *upper, inner, touch = np.maximum(found.variances, 0.0)
    variance = inner + touch / cells.count
    dofs = found.dofs.copy()
    basis = np.hstack([parts.blocks, parts.outers])
    inside = basis.T @ (variance[:, None] * basis)
    trace = variance.sum() - np.trace(inside)
    square = variance @ variance - 2 * (basis**2).sum(axis=1) @ variance**2 + (inside**2).sum()
    if trace > 0:
        dofs[-2] = trace**2 / square
    if upper:
        by_outer = parts.outers.T @ np.eye(int(cells.outer.max()) + 1)[cells.outer]
        inside = parts.outers.T @ (variance[:, None] * parts.outers) + upper[0] * by_outer @ by_outer.T
        if np.trace(inside) > 0:
            dofs[0] = np.trace(inside) ** 2 / (inside**2).sum()
    return MeanSquares(found.observed, dofs, found.weights)


@lru_cache(maxsize=4096)
def _single(dof: float, tail: float) -> tuple[float, float]:
    """How far a mean square lies above and below its expectation: 1 - 1/F and 1/F - 1, dof and infinity."""
    half = dof / 2
    above = 1 - half / float(special.gammainccinv(half, tail))
    return above, half / float(special.gammaincinv(half, tail)) - 1


@lru_cache(maxsize=4096)
def _paired(plus: float, minus: float, tail: float) -> tuple[float, float]:
    """Terms of a difference that make the lower and the upper limit 0 just where an F test would."""
    high, low = float(special.fdtri(plus, minus, 1 - tail)), float(special.fdtri(plus, minus, tail))
    (above_plus, below_plus), (above_minus, below_minus) = _single(plus, tail), _single(minus, tail)
    lower = ((high - 1) ** 2 - (above_plus * high) ** 2 - below_minus**2) / high
    upper = ((1 - low) ** 2 - (below_plus * low) ** 2 - above_minus**2) / low
    return lower, upper


def limits(terms: Floats, dofs: Floats, level: float) -> tuple[float, float]:
    """Modified large-sample limits of a sum of mean squares, some of them with a minus [1]_ [2]_.

    Parameters
    ----------
    terms : ndarray
        Mean squares times their weights.
    dofs : ndarray
        Their degrees of freedom.
    level : float
        Two-sided confidence level.

    Returns
    -------
    tuple of two float
        Lower and upper limit; the lower one may be negative.

    References
    ----------
    .. [1] F. A. Graybill, C.-M. Wang, Confidence intervals on nonnegative linear combinations of
       variances, J. Am. Stat. Assoc. 75 (1980) 869-873.
    .. [2] N. Ting et al., Confidence intervals on linear combinations of variance components that are
       unrestricted in sign, J. Stat. Comput. Simul. 35 (1990) 135-143.
    """
    tail = (1 - level) / 2
    below = above = 0.0
    pairs = list(zip(terms.tolist(), dofs.tolist(), strict=True))
    for term, dof in pairs:
        shrink, stretch = _single(dof, tail)
        below += (term * (shrink if term > 0 else stretch)) ** 2
        above += (term * (stretch if term > 0 else shrink)) ** 2
    for plus, plus_dof in pairs:
        for minus, minus_dof in pairs:
            if plus > 0 > minus:
                lower, upper = _paired(plus_dof, minus_dof, tail)
                below -= lower * plus * minus
                above -= upper * plus * minus
    estimate = float(terms.sum())
    return estimate - float(np.sqrt(max(below, 0.0))), estimate + float(np.sqrt(max(above, 0.0)))


def restricted_variances(cells: Cells, start: MeanSquares) -> Floats:
    """Variances of greatest restricted likelihood [1]_, none negative.

    Parameters
    ----------
    cells : Cells
        With some scatter of the touches, else there is no maximum.
    start : MeanSquares
        Its variances are where the search begins.

    References
    ----------
    .. [1] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992), chapter 6.
    """
    *upper, touch = start.variances
    # The search runs in log(1 + ratio of a cell mean's variances): finite at 0 and even-paced above.
    scale = float(cells.count.mean())

    def deviance(position: Floats) -> tuple[float, Floats]:
        value, slope, _ = _restricted(cells, np.expm1(position) / scale)
        return value, slope * np.exp(position) / scale

    found = optimize.minimize(
        deviance,
        np.log1p(np.clip(np.array(upper) / touch, 0.0, LARGEST_RATIO) * scale),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, float(np.log1p(2 * LARGEST_RATIO * scale)))] * len(upper),
        options={"ftol": 1e-15, "gtol": 1e-8},
    )
    ratios = np.expm1(found.x) / scale
    return np.append(ratios, 1.0) * _restricted(cells, ratios)[2]


def _restricted(cells: Cells, ratios: Floats) -> tuple[float, Floats, float]:
    """-2 log restricted likelihood less a constant, its slope, and the variance of a touch at it.

    ``ratios`` are the upper variances over that of a touch. The covariance of the cell means of one
    outer group is diagonal plus constant, so its inverse is written out.
    """
    inner, outer = ratios[-1], ratios[0] if len(ratios) == 2 else 0.0
    weight = 1 / (1 / cells.count + inner)
    table = cells.by_place(weight)
    row = table.sum(axis=1)
    shrink = outer / (1 + outer * row)
    information = np.diag(table.sum(axis=0)) - (table.T * shrink) @ table
    covariance = np.linalg.inv(information)
    sums = cells.by_place(weight * cells.mean)
    curve = covariance @ (sums.sum(axis=0) - table.T @ (shrink * sums.sum(axis=1)))
    rest = cells.mean - curve[cells.block]
    pull = shrink * cells.by_place(weight * rest).sum(axis=1)
    score = weight * (rest - pull[cells.outer])
    square = float(rest @ score)
    dof = int(cells.count.sum()) - len(curve)
    variance = (cells.within + square) / dof
    sizes = np.log1p(outer * row).sum() - np.log(weight).sum() + np.linalg.slogdet(information)[1]
    # The slope: trace of the residual precision and square of the score, for each source.
    design = weight[:, None] * (np.eye(len(curve))[cells.block] - (shrink[:, None] * table)[cells.outer])
    trace = (weight - weight**2 * shrink[cells.outer]).sum() - ((design @ covariance) * design).sum()
    slope = [trace - score @ score / variance]
    if len(ratios) == 2:
        kept = 1 - shrink * row
        across = kept[:, None] * table
        trace = kept @ row - ((across @ covariance) * across).sum()
        slope.insert(0, trace - (cells.by_place(score).sum(axis=1) ** 2).sum() / variance)
    return float(dof * np.log(variance) + sizes), np.array(slope), float(variance)
