"""What direction means say about one smooth curve, when another curve lies under it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.lobing import Harmonic, describe_harmonic

Floats = NDArray[np.float64]

DRAWS = 500
"""Curves drawn from the posterior."""

SEED = 20260309
"""Seed of those draws: the same log gives the same report."""

STRENGTHS = np.array([0.0, 0.5, 1.0, 1.5, 2.2, 3.3, 5.0, 8.0, 16.0, 64.0, 500.0])
"""Strengths of a group of waves that are tried, in standard errors of a wave."""

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Shares of what can't be told apart that a curve may hold."""

SPANNING = 60
"""Draws that span every curve."""

KEPT = 0.98
"""Share of the variance of a curve that its modes keep."""

SAME = 1e-7
"""Parts of columns below this, relative to the largest, are rounding of the arithmetic."""


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """Columns that make up a part of a curve, at the readings and on the grid where it is shown.

    Attributes
    ----------
    seen : numpy.ndarray, shape (means, columns)
        What a unit of each column does to the weighted means.
    shown : numpy.ndarray, shape (grid, columns)
        The same on the grid.
    """

    seen: Floats
    shown: Floats


@dataclass(frozen=True, eq=False, slots=True)
class CurvePosterior:
    """A curve over the whole turn, as far as the readings tell it.

    Attributes
    ----------
    azimuth_deg : numpy.ndarray, shape (grid,)
    mean_mm, u_mm : numpy.ndarray, shape (grid,)
        Mean and standard deviation of the curve; constant and first order are left out.
    draws_mm : numpy.ndarray, shape (draws, grid)
        Equally likely curves.
    variation_mm : float
        Largest less smallest value over the turn, freed of the scatter that inflates it.
    spans_mm : tuple of (float, float)
        Variation and its standard deviation with none, some and all of what may belong to it or not.
    dof : float
        Degrees of freedom of the scatter.
    shown_p : float
        Chance of so clear a curve from scatter alone.
    """

    azimuth_deg: Floats
    mean_mm: Floats
    u_mm: Floats
    draws_mm: Floats
    variation_mm: float
    spans_mm: tuple[tuple[float, float], ...]
    dof: float
    shown_p: float

    def interval_mm(self, level: float = 0.95) -> Interval:
        """Interval of the variation, which holds for any share of what can't be told apart.

        From 0 where the curve does not stand out of the scatter.
        """
        factor = t_factor(self.dof, level)
        lower = min(span - factor * u for span, u in self.spans_mm)
        upper = max(span + factor * u for span, u in self.spans_mm)
        return Interval(0.0 if self.shown_p > 1 - level else max(0.0, lower), upper, level)

    def wave(self, order: int) -> Harmonic:
        """A wave of the curve; free of the folding that few directions bring to a fit of waves."""
        angle = order * np.deg2rad(self.azimuth_deg)
        pairs = self.draws_mm @ np.column_stack([np.cos(angle), np.sin(angle)]) * 2 / len(angle)
        return describe_harmonic(order, pairs.mean(axis=0), np.cov(pairs.T), self.dof)

    def widened(self, u_mm: float) -> CurvePosterior:
        """The same with further uncertainty of the variation."""
        spans = tuple((span, float(np.hypot(u, u_mm))) for span, u in self.spans_mm)
        return replace(self, spans_mm=spans)

    def modes_mm(self) -> Floats:
        """Independent ways in which the curve may differ from its mean, shape (modes, grid).

        The mean and a standard normal number times each mode, summed, is as likely a curve as a draw.
        """
        apart = (self.draws_mm - self.mean_mm) / np.sqrt(len(self.draws_mm) - 1)
        # A curve has far fewer columns than this: some draws span them all, and the rest is small work.
        basis = np.linalg.qr(apart[:SPANNING].T)[0]
        _, singular, modes = np.linalg.svd(apart @ basis, full_matrices=False)
        kept = int(np.searchsorted(np.cumsum(singular**2), KEPT * (singular**2).sum())) + 1
        return np.asarray(singular[:kept, None] * (modes[:kept] @ basis.T))


def span_basis(*columns: Floats) -> Floats:
    """Orthonormal basis of the space of all columns, shape (rows, rank)."""
    stacked = np.hstack(columns)
    if not stacked.shape[1]:
        return np.zeros((len(stacked), 0))
    length = np.linalg.norm(stacked, axis=0)
    left, singular, _ = np.linalg.svd(stacked / np.maximum(length, 1e-300), full_matrices=False)
    return np.asarray(left[:, singular > SAME * singular[0]])


def without(basis: Floats, values: Floats) -> Floats:
    """What is left of values (along the first axis) outside an orthonormal basis."""
    return np.asarray(values - basis @ (basis.T @ values))


def draw_curves(
    target: Floats,
    beside: Floats,
    own: Part,
    own_sd: Floats,
    groups: Sequence[Part],
    sd_mm: float,
    dof: float,
) -> Floats:
    """Equally likely curves behind weighted means; see `draw_with_evidence`."""
    return draw_with_evidence(target, beside, own, own_sd, groups, sd_mm, dof)[0]


def draw_with_evidence(
    target: Floats,
    beside: Floats,
    own: Part,
    own_sd: Floats,
    groups: Sequence[Part],
    sd_mm: float,
    dof: float,
) -> tuple[Floats, float]:
    """Equally likely curves behind weighted means, after the choice of a shape, and what speaks for it.

    Parameters
    ----------
    target : numpy.ndarray, shape (means,), mm
        Direction means times the root of their touches.
    beside : numpy.ndarray, shape (means, columns)
        What else is in them, with any size: constants, centres, the other curve.
    own : Part
        Columns of the curve itself beside the waves.
    own_sd : numpy.ndarray, shape (columns,)
        How far from 0 the size of each is expected beforehand; infinite where anything goes.
    groups : sequence of Part
        Waves of the curve; those of a group have one unknown strength.
    sd_mm : float
        Scatter of one touch, > 0.
    dof : float
        Its degrees of freedom.

    Returns
    -------
    tuple of (numpy.ndarray, float)
        Curves in mm, shape (DRAWS, grid); logarithm of the evidence, up to what is the same for all shapes.

    Notes
    -----
    A linear mixed model [1]_: the waves of a group are normal about 0, all else is fixed. The
    strengths of the groups are averaged over their restricted likelihood, with the shrinkage
    1 / (1 + strength²) uniform beforehand [2]_. The scatter is drawn from its own distribution. Where
    anything goes for a column, its evidence is that of Schwarz: half of the logarithm of the means.

    References
    ----------
    .. [1] C. R. Henderson, "Best linear unbiased estimation and prediction under a selection model",
       Biometrics 31 (1975) 423-447 (from memory).
    .. [2] W. E. Strawderman, "Proper Bayes minimax estimators of the multivariate normal mean", Ann.
       Math. Stat. 42 (1971) 385-388 (from memory).
    """
    rng = np.random.default_rng(SEED)
    scale = sd_mm * np.sqrt(dof / rng.chisquare(dof, DRAWS))
    known = span_basis(beside)
    free = without(known, own.seen)
    seen = np.hstack([group.seen for group in groups])
    shown = np.hstack([group.shown for group in groups])
    waves = without(known, seen)
    aim = without(known, target)
    # Sizes of what is free, for given waves: least squares with what is known beforehand.
    left, singular, axes = np.linalg.svd(np.vstack([free, np.diag(sd_mm / own_sd)]), full_matrices=False)
    kept = singular > SAME * singular.max(initial=0.0)
    spread = axes[kept].T / singular[kept]
    along = left[: len(free), kept]
    solve = spread @ along.T
    hidden = along.T @ waves
    gram = waves.T @ waves - hidden.T @ hidden
    pull = waves.T @ aim - hidden.T @ (along.T @ aim)
    # A wave that lies within what is free can't be told from it, and is left to it.
    told = np.diag(gram) > SAME * (seen**2).sum(axis=0)
    unit = np.where(told, sd_mm / np.sqrt(np.where(told, np.diag(gram), 1.0)), 0.0)
    members = np.repeat(np.arange(len(groups)), [group.seen.shape[1] for group in groups])
    drawn = np.zeros((DRAWS, seen.shape[1]))
    combinations = np.array(list(product(STRENGTHS, repeat=len(groups))))
    width = unit * combinations[:, members]
    inner = width[:, :, None] * gram * width[:, None, :] / sd_mm**2 + np.eye(len(unit))
    aimed = width * pull / sd_mm**2
    solved = np.linalg.solve(inner, aimed[..., None])[..., 0]
    likely = ((aimed * solved).sum(axis=1) - np.linalg.slogdet(inner)[1]) / 2
    likely = likely + np.log(_prior()[np.searchsorted(STRENGTHS, combinations)]).sum(axis=1)
    chosen = rng.choice(len(combinations), DRAWS, p=special.softmax(likely))
    normal = rng.normal(size=(DRAWS, seen.shape[1]))
    for place in np.unique(chosen):
        mine = chosen == place
        root = np.linalg.inv(np.linalg.cholesky(inner[place])).T
        some = solved[place] + scale[mine, None] / sd_mm * (normal[mine] @ root.T)
        drawn[mine] = width[place] * some
    sizes = (aim - drawn @ waves.T) @ solve.T
    sizes = sizes + scale[:, None] * (rng.normal(size=(DRAWS, spread.shape[1])) @ spread.T)
    evidence = float(special.logsumexp(likely)) - _cost(aim, along, free, own_sd, sd_mm)
    return np.asarray(sizes @ own.shown.T + drawn @ shown.T), evidence


def _cost(aim: Floats, along: Floats, free: Floats, own_sd: Floats, sd_mm: float) -> float:
    """What speaks against a shape: its misfit without waves, and the room that its columns have."""
    misfit = float(aim @ aim - (along.T @ aim) @ (along.T @ aim)) / sd_mm**2
    bounded = np.isfinite(own_sd)
    width = free[:, bounded] * own_sd[bounded] / sd_mm
    room = np.linalg.slogdet(np.eye(width.shape[1]) + width.T @ width)[1]
    return float(misfit + room + (~bounded).sum() * np.log(len(aim))) / 2


def _prior() -> Floats:
    """Weight of each tried strength, from a uniform shrinkage."""
    middle = (STRENGTHS[1:] + STRENGTHS[:-1]) / 2
    edges = 1 / (1 + np.concatenate([[0.0], middle, [np.inf]]) ** 2)
    return np.asarray(edges[:-1] - edges[1:])


def covariance_root(covariance: Floats) -> Floats:
    """A matrix whose product with its transpose is a covariance, empty ones too."""
    values, vectors = np.linalg.eigh(covariance) if len(covariance) else (np.zeros(0), np.zeros((0, 0)))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def describe_curves(
    azimuth_deg: Floats, draws_mm: Floats, unassigned_mm: Floats, shown_p: float, dof: float
) -> CurvePosterior:
    """Mean, spread and variation of equally likely curves.

    Parameters
    ----------
    azimuth_deg : numpy.ndarray, shape (grid,)
    draws_mm, unassigned_mm : numpy.ndarray, shape (draws, grid or more)
        Curves, and what may belong to them or not. Places behind the grid, such as those of peaks, count
        for the variation alone.
    shown_p : float
        Chance of so clear a curve from scatter alone.
    dof : float
        Degrees of freedom of the scatter.

    Notes
    -----
    Scatter makes the range of the mean curve too large, by about as much as it does that of curves
    drawn about the mean (their median): that is taken off, one standard deviation at most (parametric
    bootstrap). The standard deviation is that of
    the difference between the latest and the earliest place.
    """
    spans = []
    for share in SHARES:
        curves = draws_mm + share * unassigned_mm
        mean = curves.mean(axis=0)
        latest, earliest = int(mean.argmax()), int(mean.argmin())
        u = float((curves[:, latest] - curves[:, earliest]).std(ddof=1))
        # A few draws with wild waves must not make it more than the standard deviation itself.
        inflated = min(float(np.median(np.ptp(curves, axis=1))) - float(np.ptp(mean)), u)
        spans.append((max(0.0, float(np.ptp(mean)) - inflated), u))
    draws_mm = draws_mm[:, : len(azimuth_deg)]
    return CurvePosterior(
        azimuth_deg=azimuth_deg,
        mean_mm=draws_mm.mean(axis=0),
        u_mm=draws_mm.std(axis=0, ddof=1),
        draws_mm=draws_mm,
        variation_mm=spans[0][0],
        spans_mm=tuple(spans),
        dof=dof,
        shown_p=shown_p,
    )
