"""Touches whose neighbours are alike: a first-order process of known correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solveh_banded

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SerialFactors:
    """What a first-order correlation of neighbours does to sd, dof and means.

    Attributes
    ----------
    sd_factor : float
        By which the pooled sd within directions must be multiplied to be the sd of one touch.
    dof_share : float
        Effective degrees of freedom of that pooled variance over its nominal ones.
    mean_factor : float
        By which sd / sqrt(touches) of a direction must be multiplied to be the standard error of
        its mean, after constant and centre were taken out; root mean square over the directions.
    """

    sd_factor: float
    dof_share: float
    mean_factor: float


def serial_factors(correlation: float, direction: ArrayLike, azimuth_deg: ArrayLike) -> SerialFactors:
    """Factors for a known correlation of neighbours, in the given order of directions.

    Parameters
    ----------
    correlation : float
        In (-1, 1).
    direction : array_like of int, shape (touches,)
        In the order in which they were touched.
    azimuth_deg : array_like, shape (directions,), deg

    Returns
    -------
    SerialFactors

    Raises
    ------
    StatisticsError
        With a correlation outside (-1, 1).

    Notes
    -----
    With Q taking out the direction means and C_ij = correlation ** abs(i - j): sd_factor =
    sqrt(dof / tr(QC)), dof_share = tr(QC)**2 / (tr(QCQC) dof). Where the directions don't leave
    anything beside a centre, the means are those about their mean.

    Examples
    --------
    Three rows of four touches: neighbours share a row, and the scatter within rows looks small.

    >>> factors = serial_factors(0.5, [0] * 4 + [1] * 4 + [2] * 4, [0, 120, 240])
    >>> round(factors.sd_factor, 3), round(factors.dof_share, 3), round(factors.mean_factor, 3)
    (1.244, 0.821, 1.327)
    """
    _check(correlation)
    index = np.asarray(direction, dtype=np.intp)
    marks = direction_columns(index)
    touches, groups = marks.shape
    smooth = correlated(marks, correlation)
    shared = marks.T @ smooth
    own = touches - float(np.trace(shared))
    lags = np.arange(1, touches)
    squares = touches + 2 * float(((touches - lags) * correlation ** (2.0 * lags)).sum())
    squares += float((shared**2).sum()) - 2 * float((smooth**2).sum())
    dof = touches - groups
    means = _centre_taken_out(index, np.asarray(azimuth_deg, dtype=float))
    return SerialFactors(
        sd_factor=float(np.sqrt(dof / own)),
        dof_share=own**2 / squares / dof,
        mean_factor=float(np.sqrt((means * shared).sum() / np.trace(means))),
    )


def mean_covariance(correlation: float, direction: ArrayLike) -> Floats:
    """Covariance of the direction means in units of the variance of one touch.

    Parameters
    ----------
    correlation : float
        Of neighbouring touches, in (-1, 1).
    direction : array_like of int, shape (touches,)
        In the order in which they were touched.

    Returns
    -------
    numpy.ndarray, shape (directions, directions)
        The directions that were touched, sorted.

    Raises
    ------
    StatisticsError
        With a correlation outside (-1, 1).

    Examples
    --------
    >>> mean_covariance(0.5, [0, 1]).tolist()
    [[1.0, 0.5], [0.5, 1.0]]
    """
    _check(correlation)
    marks = direction_columns(np.asarray(direction, dtype=np.intp))
    root = np.sqrt((marks > 0).sum(axis=0))
    return np.asarray(marks.T @ correlated(marks, correlation) / np.outer(root, root))


def whitened(values: Floats, correlation: float) -> Floats:
    """Values less the part that a first-order correlation foresees; rows in test order.

    Parameters
    ----------
    values : numpy.ndarray, shape (touches,) or (touches, columns)
    correlation : float
        In (-1, 1).

    Returns
    -------
    numpy.ndarray
        Same shape. Uncorrelated where ``values`` have that correlation, the variance smaller by
        1 - correlation**2.

    References
    ----------
    .. [1] S. J. Prais, C. B. Winsten, "Trend estimators and serial correlation", Cowles Commission
       Discussion Paper 383 (1954).

    Examples
    --------
    >>> whitened(np.array([1.0, 0.6, 0.36]), 0.6).round(12).tolist()
    [0.8, 0.0, 0.0]
    """
    _check(correlation)
    fresh = np.array(values, dtype=float)
    fresh[1:] -= correlation * values[:-1]
    fresh[0] *= np.sqrt(1 - correlation**2)
    return fresh


def sandwich(columns: Floats, correlation: float) -> Floats:
    """X'CX of the columns X for the correlation C of a first-order process."""
    return np.asarray(columns.T @ correlated(columns, correlation))


def direction_columns(index: NDArray[np.intp]) -> Floats:
    """Orthonormal columns, one for each direction that was touched.

    Examples
    --------
    >>> direction_columns(np.array([4, 4, 7, 4, 4])).tolist()
    [[0.5, 0.0], [0.5, 0.0], [0.0, 1.0], [0.5, 0.0], [0.5, 0.0]]
    """
    present, compact, counts = np.unique(index, return_inverse=True, return_counts=True)
    marks = np.zeros((len(index), len(present)))
    marks[np.arange(len(index)), compact] = 1 / np.sqrt(counts[compact])
    return marks


def _check(correlation: float) -> None:
    if not -1 < correlation < 1:
        raise StatisticsError(f"a correlation must lie between -1 and 1, but got {correlation}")


def correlated(columns: Floats, correlation: float) -> Floats:
    """C times the columns, C the correlation of a first-order process.

    Parameters
    ----------
    columns : numpy.ndarray, shape (touches, columns)
        Rows in test order.
    correlation : float
        Of neighbouring touches, in (-1, 1).

    Returns
    -------
    numpy.ndarray
        Same shape. The inverse of C is tridiagonal, so that C itself is never formed.
    """
    bands = np.empty((2, len(columns)))
    bands[0] = -correlation
    bands[1] = 1 + correlation**2
    bands[1, [0, -1]] = 1.0
    return np.asarray(solveh_banded(bands / (1 - correlation**2), columns, check_finite=False))


def _centre_taken_out(index: NDArray[np.intp], azimuths: Floats) -> Floats:
    """Projector of means, each times the root of its touches, on what constant and centre leave."""
    present, counts = np.unique(index, return_counts=True)
    root = np.sqrt(counts)[:, None]
    design = root * np.column_stack([np.ones(len(present)), unit_vectors(azimuths[present])])
    basis, singular, _ = np.linalg.svd(design, full_matrices=False)
    basis = basis[:, singular > 1e-9 * singular[0]]
    if basis.shape[1] == len(present):
        basis = root / np.linalg.norm(root) if len(present) > 1 else np.zeros((1, 1))
    return np.asarray(np.eye(len(present)) - basis @ basis.T)
