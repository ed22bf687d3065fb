"""How far the scatter of single directions differs, and what that says about the scatter of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

PRIOR_DOF = np.array([1.0, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 96])
"""Degrees of freedom that are tried; beyond the last the directions scatter alike."""

ALIKE_MARGIN = 0.7
"""Directions are taken for alike unless something else has a greater likelihood by this, in logarithms."""

NEWTON_STEPS = 6
"""Of the search for the typical variance; it starts within a factor of a few of it."""

LONGEST_STEP = 2.0
"""In the logarithm of the typical variance."""

LEAST_VARIANCE = 1e-3
"""A direction is not taken to scatter less than this share of the pooled variance."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What all directions say about the scatter of one.

    Attributes
    ----------
    dof : float
        Degrees of freedom it is worth; infinite where the directions scatter alike.
    variance : float
        Typical variance; where ``dof`` is infinite, the pooled one.
    """

    dof: float
    variance: float


def find_prior(squares: ArrayLike, dof: ArrayLike) -> Prior:
    """Scatter of the scatter: the scaled inverse chi-square distribution the true variances come from.

    Parameters
    ----------
    squares : array_like, shape (directions,)
        Sum of squared deviations from the mean of each direction.
    dof : array_like, shape (directions,)
        Its degrees of freedom; directions with 0 say nothing.

    Returns
    -------
    Prior
        Of greatest likelihood, those alike preferred.

    Raises
    ------
    StatisticsError
        If no direction has a degree of freedom.

    Notes
    -----
    If 1 / sigma_i**2 follows a chi-square with d0 degrees of freedom over (d0 s0**2), the variances s_i**2
    / s0**2 found follow F with d_i and d0 degrees of freedom, and sigma_i**2 is best taken as
    (d0 s0**2 + d_i s_i**2) / (d0 + d_i) with d0 + d_i degrees of freedom [1]_. Here d0 is the one of
    ``PRIOR_DOF`` or infinity, and s0 what fits best with it, by maximum likelihood; infinity has a start
    of ``ALIKE_MARGIN``, for directions that scatter alike would else be found not to in a sixth of tests.

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential expression
       in microarray experiments", Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3.

    Examples
    --------
    >>> find_prior([9.0, 11.0, 10.0, 8.0], [9, 9, 9, 9])
    Prior(dof=inf, variance=1.0555555555555556)
    """
    free = np.asarray(dof, dtype=float)
    used = free > 0
    free = free[used]
    total = float(free.sum())
    if total == 0:
        raise StatisticsError("no direction was touched twice, so that none shows any scatter")
    found = np.asarray(squares, dtype=float)[used]
    pooled = float(found.sum()) / total
    if pooled == 0 or len(free) < 2:
        return Prior(float("inf"), pooled)
    found = np.maximum(found / pooled, LEAST_VARIANCE * free)
    scale = _typical(found, free)
    weight = PRIOR_DOF * scale
    shape = (PRIOR_DOF[:, None] + free) / 2
    likelihood = (
        special.gammaln(shape).sum(axis=1)
        - len(free) * special.gammaln(PRIOR_DOF / 2)
        - total / 2 * np.log(weight / 2)
        - (shape * np.log1p(found / weight[:, None])).sum(axis=1)
    )
    best = int(likelihood.argmax())
    if likelihood[best] <= ALIKE_MARGIN - total / 2:
        return Prior(float("inf"), pooled)
    return Prior(float(PRIOR_DOF[best]), pooled * float(scale[best]))


def _typical(squares: Floats, dof: Floats) -> Floats:
    """Typical variance of greatest likelihood for each of ``PRIOR_DOF``; the pooled one is 1.

    Notes
    -----
    The likelihood is concave in the logarithm, where Newton's steps are taken.
    """
    log_scale = np.zeros(len(PRIOR_DOF))
    shape = (PRIOR_DOF[:, None] + dof) / 2
    half = dof.sum() / 2
    for _ in range(NEWTON_STEPS):
        share = squares / (squares + (PRIOR_DOF * np.exp(log_scale))[:, None])
        weight = shape * share
        bend = (weight - weight * share).sum(axis=1)
        step = (weight.sum(axis=1) - half) / bend
        log_scale += np.minimum(np.maximum(step, -LONGEST_STEP), LONGEST_STEP)
    return np.exp(log_scale)
