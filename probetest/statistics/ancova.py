"""Lines and direction means fitted together: analysis of covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.statistics.approach import group_means
from probetest.statistics.course import Course, within_directions
from probetest.statistics.neighbours import direction_columns, sandwich
from probetest.statistics.serial import SerialEffect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares of a straight line within directions.

    Attributes
    ----------
    slopes : list of float
        Of the order, then of the order times motion along x and y where the centre can be told.
    errors : list of float
        Their standard errors; where neighbours are alike, for their correlation.
    dof : float
        Degrees of freedom of the error; where neighbours are alike, the effective ones.
    widening : float
        By which the alike neighbours widen the error of the first slope.
    """

    slopes: list[float]
    errors: list[float]
    dof: float
    widening: float


def line_design(order: Floats, index: Indices, groups: int, motion: Floats) -> Floats:
    """Order, and order by motion where the centre can be told, both within directions.

    Parameters
    ----------
    order : numpy.ndarray, shape (touches,)
    index : numpy.ndarray of int, shape (touches,)
        Direction of each touch.
    groups : int
        Directions.
    motion : numpy.ndarray, shape (touches, 2 or 0)
        From :func:`~probetest.statistics.course.told_motion`.

    Returns
    -------
    numpy.ndarray, shape (touches, 3 or 1)
    """
    within = within_directions(order, index, groups)[:, None]
    return np.hstack([within, within * motion])


def fit_line(design: Floats, target: Floats, index: Indices, serial: SerialEffect) -> Line:
    """Ordinary least squares, the errors true to the correlation of neighbours.

    Parameters
    ----------
    design : numpy.ndarray, shape (touches, columns)
        From :func:`line_design`.
    target : numpy.ndarray, shape (touches,), mm
        Readings less direction means.
    index : numpy.ndarray of int, shape (touches,)
    serial : SerialEffect

    Returns
    -------
    Line
    """
    inverse = np.linalg.inv(design.T @ design)
    slopes = inverse @ (design.T @ target)
    rest = target - design @ slopes
    power = float(rest @ rest)
    dof = len(target) - len(np.unique(index)) - design.shape[1]
    errors = np.sqrt(np.diag(inverse) * power / dof)
    if not serial.significant:
        return Line(slopes.tolist(), errors.tolist(), dof, 1.0)
    middle = sandwich(design, serial.correlation)
    taken = np.trace(sandwich(direction_columns(index), serial.correlation)) + np.trace(inverse @ middle)
    own = np.sqrt(np.diag(inverse @ middle @ inverse) / (len(target) - taken))
    widening = own / np.sqrt(np.diag(inverse) / dof)
    return Line(
        slopes.tolist(), (widening * errors).tolist(), dof * min(serial.dof_share, 1.0), float(widening[0])
    )


@dataclass(frozen=True, slots=True)
class AdjustedMeans:
    """Direction means with the drift taken out.

    Attributes
    ----------
    mean_mm : numpy.ndarray, shape (directions,), mm
        As they would be in the middle of the test; NaN for a direction that was not touched.
    u_mm : numpy.ndarray, shape (directions,), mm
        Their standard errors for independent touches.
    sd_mm : float
        Scatter of one touch about them and the path.
    dof : int
        Its degrees of freedom.
    """

    mean_mm: Floats
    u_mm: Floats
    sd_mm: float
    dof: int


def adjusted_means(course: Course, reading_mm: Floats, index: Indices, groups: int) -> AdjustedMeans:
    """Direction means at the middle of the test, path and motion of the centre taken out."""
    counts = np.bincount(index, minlength=groups)
    dof = len(reading_mm) - int(np.count_nonzero(counts)) - course.tangents.shape[1]
    sd = float(np.sqrt(course.residual_mm @ course.residual_mm / dof))
    means = np.column_stack([group_means(part, index, groups) for part in course.tangents.T])
    within, away = course.tangents - means[index], means - course.middle
    spread = np.einsum("dv,vw,dw->d", away, np.linalg.pinv(within.T @ within), away)
    return AdjustedMeans(
        mean_mm=group_means(reading_mm - course.explained_mm, index, groups),
        u_mm=sd * np.sqrt(1 / np.where(counts > 0, counts, np.nan) + spread),
        sd_mm=sd,
        dof=dof,
    )
