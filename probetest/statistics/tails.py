"""Heavier tails than normal: how they are seen, and what they do to the interval of a scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

HEAVY_RISK = 0.05
"""Chance that normal readings are taken for heavy-tailed; their intervals are then a little wide."""

FEWEST = 20
"""With fewer readings the tails can't be judged."""


@dataclass(frozen=True, slots=True)
class Tails:
    """The tails of the scatter within directions.

    Attributes
    ----------
    excess_kurtosis : float
        Of one touch about its true direction mean; 0 for a normal scatter. NaN with too few readings.
    standard_error : float
        Of the estimate, if the scatter is normal.
    heavy : bool
        Heavier than normal at ``HEAVY_RISK``. Scatter that differs between directions looks so too.
    dof_share : float
        Share of the degrees of freedom that is left for the interval of the sd: 1, or
        1 / (1 + excess / 2) where the tails are heavy.
    """

    excess_kurtosis: float
    standard_error: float
    heavy: bool
    dof_share: float


def judge_tails(residual_mm: ArrayLike, direction: ArrayLike) -> Tails:
    """Excess kurtosis of the scatter within directions.

    Parameters
    ----------
    residual_mm : array_like, shape (touches,), mm
        Reading less the mean of its direction.
    direction : array_like of int, shape (touches,)

    Returns
    -------
    Tails

    Raises
    ------
    StatisticsError
        If the arrays differ in length.

    Notes
    -----
    The variance of a sample variance is (2 / dof + excess / n) sigma**4, so that heavy tails act
    like fewer degrees of freedom, dof / (1 + excess / 2) [1]_. Taking off the mean of n readings
    leaves ((1 - 1/n)**4 + (n - 1) / n**4) / (1 - 1/n)**2 of the excess (fourth cumulants add);
    the estimate is divided by that.

    References
    ----------
    .. [1] G. E. P. Box, "Non-normality and tests on variances", Biometrika 40 (1953) 318-335.
    """
    residual = np.asarray(residual_mm, dtype=float)
    index = np.asarray(direction)
    if residual.shape != index.shape:
        raise StatisticsError(f"{len(residual)} residuals but {len(index)} directions")
    _, places, counts = np.unique(index, return_inverse=True, return_counts=True)
    used = residual[(counts > 1)[places]]
    if len(used) < FEWEST or not np.any(used):
        return Tails(float("nan"), float("nan"), heavy=False, dof_share=1.0)
    repeated = counts[counts > 1].astype(float)
    mean_n = float((repeated**2).sum() / repeated.sum())
    left = ((1 - 1 / mean_n) ** 4 + (mean_n - 1) / mean_n**4) / (1 - 1 / mean_n) ** 2
    excess = float((used**4).mean() / (used**2).mean() ** 2 - 3) / left
    error = float(np.sqrt(24 / len(used))) / left
    heavy = excess > float(stats.norm.isf(HEAVY_RISK)) * error
    return Tails(excess, error, heavy, 1 / (1 + excess / 2) if heavy else 1.0)
