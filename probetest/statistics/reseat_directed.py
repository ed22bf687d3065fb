"""A displacement along another direction: of the touch before, or of an overtravel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, mean_interval
from probetest.statistics.neighbours import whitened
from probetest.statistics.reseat_parts import length_interval

Floats = NDArray[np.float64]

LEAST_SEEN = 0.02
"""Share of the power of an effect that must be left beside direction means and drift."""

LEAST_DOF = 4
"""Fewer degrees of freedom give no test."""


@dataclass(frozen=True, slots=True)
class DirectedEffect:
    """A displacement along another direction, as a touch sees it.

    Attributes
    ----------
    along_mm : float
        h: of a touch in the same direction as the other one the reading is later by h.
    along_u_mm : float
    along_interval_mm : Interval
    across_mm : float
        g: of sin(other - touch); NaN where it can't be told.
    across_u_mm : float
    across_interval_mm : Interval
    largest_mm : float
        hypot(h, g): most that the reading changes either way.
    largest_interval_mm : Interval
    largest_lower_mm, largest_upper_mm : float
        One-sided at the risk, each.
    p : float
        F test, of so much without any effect.
    dof : float
    sd_mm : float
        Scatter of one touch beside the model.
    seen : tuple of float
        Share of the power of cos and sin of the difference that is left beside the rest of the model.
    correlation : float
        Of neighbouring touches, taken into account; 0 where none was found.
    """

    along_mm: float
    along_u_mm: float
    along_interval_mm: Interval
    across_mm: float
    across_u_mm: float
    across_interval_mm: Interval
    largest_mm: float
    largest_interval_mm: Interval
    largest_lower_mm: float
    largest_upper_mm: float
    p: float
    dof: float
    sd_mm: float
    seen: tuple[float, float]
    correlation: float


def difference_columns(azimuth_deg: ArrayLike, other_deg: ArrayLike) -> Floats:
    """Columns cos and sin of (other - azimuth), shape (touches, 2)."""
    apart = np.deg2rad(np.asarray(other_deg, dtype=float) - np.asarray(azimuth_deg, dtype=float))
    return np.column_stack([np.cos(apart), np.sin(apart)])


def seen_shares(shape: Floats, rest: Floats) -> tuple[float, float]:
    """Share of the power of each column that other columns do not explain, a touch as the unit.

    Parameters
    ----------
    shape : numpy.ndarray, shape (touches, 2)
    rest : numpy.ndarray, shape (touches, columns)
        Of the rest of the model.

    Notes
    -----
    Both are taken together too: a column that the other explains beside ``rest`` has no share.
    """
    left = without_columns(shape, rest)
    touches = max(1, int(np.any(shape != 0, axis=1).sum()))
    power = (left**2).sum(axis=0) / touches
    if power.min() >= LEAST_SEEN:
        weakest = float(np.linalg.svd(left, compute_uv=False)[-1]) ** 2 / touches
        if weakest < LEAST_SEEN / 2:
            power[1] = 0.0
    return float(power[0]), float(power[1])


def directed_effect(
    target_mm: Floats,
    rest: Floats,
    shape: Floats,
    *,
    correlation: float = 0.0,
    risk: float = 0.05,
    level: float = 0.95,
) -> DirectedEffect:
    """Fit h cos + g sin beside the rest of a model.

    Parameters
    ----------
    target_mm : numpy.ndarray, shape (touches,), mm
    rest : numpy.ndarray, shape (touches, columns)
    shape : numpy.ndarray, shape (touches, 2)
        From :func:`difference_columns`; a column that can't be told is left out.
    correlation : float
        Of neighbouring touches.
    risk : float
        Of the one-sided upper limit.
    level : float
        Two-sided.

    Returns
    -------
    DirectedEffect

    Raises
    ------
    StatisticsError
        If neither column can be told, or nothing is left for the scatter.
    """
    seen = seen_shares(shape, rest)
    kept = np.array(seen) >= LEAST_SEEN
    if not kept.any():
        raise StatisticsError("a directed effect can't be told beside the rest of the model")
    both = np.column_stack([target_mm, shape[:, kept]])
    if correlation:
        both, rest = whitened(both, correlation), whitened(rest, correlation)
    left = without_columns(both, rest)
    target, columns = left[:, 0], left[:, 1:]
    dof = len(target) - int(np.linalg.matrix_rank(rest)) - columns.shape[1]
    if dof < LEAST_DOF:
        raise StatisticsError("too few touches are left to judge a directed effect by")
    inverse = np.linalg.inv(columns.T @ columns)
    found = inverse @ (columns.T @ target)
    residual = target - columns @ found
    variance = float(residual @ residual) / dof
    covariance = variance * inverse
    value, u = np.full(2, np.nan), np.full(2, np.nan)
    value[kept], u[kept] = found, np.sqrt(np.diag(covariance))
    p = 0.0
    if variance > 0:
        statistic = float(found @ (columns.T @ columns) @ found) / variance / len(found)
        p = float(special.fdtrc(len(found), dof, statistic))
    along, across = (
        mean_interval(float(value[k]), float(u[k]), dof, level)
        if kept[k]
        else Interval(-float("inf"), float("inf"), level)
        for k in (0, 1)
    )
    largest, limits, sided = _length(found, covariance, dof, risk, level)
    return DirectedEffect(
        along_mm=float(value[0]),
        along_u_mm=float(u[0]),
        along_interval_mm=along,
        across_mm=float(value[1]),
        across_u_mm=float(u[1]),
        across_interval_mm=across,
        largest_mm=largest,
        largest_interval_mm=limits if kept.all() else Interval(limits.lower, float("inf"), level),
        largest_lower_mm=sided.lower,
        largest_upper_mm=sided.upper if kept.all() else float("inf"),
        p=p,
        dof=float(dof),
        sd_mm=float(np.sqrt(variance / (1 - correlation**2))),
        seen=seen,
        correlation=correlation,
    )


def without_columns(values: Floats, columns: Floats) -> Floats:
    """What least squares on the columns leave of the values."""
    basis, singular, _ = np.linalg.svd(columns, full_matrices=False)
    basis = basis[:, singular > 1e-9 * singular[0]]
    return np.asarray(values - basis @ (basis.T @ values))


def _length(
    found: Floats, covariance: Floats, dof: int, risk: float, level: float
) -> tuple[float, Interval, Interval]:
    """Length of the effect, its two-sided interval, and its one-sided limits."""
    if not np.any(covariance):
        size = float(np.hypot.reduce(found))
        return size, Interval(size, size, level), Interval(size, size, 1 - 2 * risk)
    if len(found) == 1:
        size, u = abs(float(found[0])), float(np.sqrt(covariance[0, 0]))
        limits = [mean_interval(size, u, dof, one) for one in (level, 1 - 2 * risk)]
        own, sided = (Interval(max(0.0, one.lower), one.upper, one.level) for one in limits)
        return size, own, sided
    pair = (float(found[0]), float(found[1]))
    own, sided = (length_interval(pair, covariance, dof, one) for one in (level, 1 - 2 * risk))
    return float(np.hypot(*pair)), own, sided
