"""Whether the first touch of a direction differs from the later ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.course import Course, within_directions
from probetest.statistics.intervals import Interval, mean_interval
from probetest.statistics.neighbours import sandwich

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class FirstTouch:
    """First touch of each direction against the others of the same direction.

    Attributes
    ----------
    shift_mm : float
        Mean of (first reading - mean of the later readings).
    interval_mm : Interval
        Student t interval over directions.
    directions : int
        Directions with at least two touches.
    significant : bool
        The shift is unlikely to be scatter, at the stated risk.
    """

    shift_mm: float
    interval_mm: Interval
    directions: int
    significant: bool


def shift_of_first_touches(
    course: Course, index: Indices, level: float, risk: float, least_left: float
) -> FirstTouch | None:
    """Shift of first touches beside the path of a test.

    Parameters
    ----------
    course : Course
    index : numpy.ndarray of int, shape (touches,)
        Direction of each touch.
    level : float
        Two-sided level of the interval.
    risk : float
        Of alleging a shift that is none.
    least_left : float
        Share of a shift that the path must leave.

    Returns
    -------
    FirstTouch or None
        None with fewer than two repeated directions, or where the path takes the shift with it, as
        with two touches a direction taken in turn.
    """
    _, first, counts = np.unique(index, return_index=True, return_counts=True)
    first, counts = first[counts > 1], counts[counts > 1]
    if len(first) < 2:
        return None
    groups = int(index.max()) + 1
    within = np.column_stack([within_directions(part, index, groups) for part in course.tangents.T])
    marked = within_directions(np.isin(np.arange(len(index)), first).astype(float), index, groups)
    both = np.column_stack([course.residual_mm, marked])
    rest = both - within @ np.linalg.lstsq(within, both, rcond=None)[0]
    # First less mean of the later ones, from deviations from the mean of all n.
    weight = counts / (counts - 1)
    shift = weight * rest[first, 0]
    # Part of a shift is taken for drift: this share of it is left.
    left = float((weight * rest[first, 1]).mean())
    if left < least_left:
        return None
    mean, error = float(shift.mean()) / left, float(shift.std(ddof=1) / np.sqrt(len(shift) * left))
    if course.serial.significant:
        error *= _shared(index, first, counts, course.serial.correlation)
    dof = len(shift) - 1
    significant = abs(mean) > -float(special.stdtrit(dof, risk / 2)) * error
    return FirstTouch(mean, mean_interval(mean, error, dof, level), len(shift), significant)


def _shared(index: Indices, first: Indices, counts: Indices, correlation: float) -> float:
    """Actual error of the mean shift over the one from the scatter of shifts between directions."""
    contrasts = np.where(index[:, None] == index[first], -1 / (counts - 1), 0.0)
    contrasts[first, np.arange(len(first))] = 1.0
    covariance = sandwich(contrasts, correlation)
    total, own, size = float(covariance.sum()), float(np.trace(covariance)), len(first)
    return float(np.sqrt(total / (own - (total - own) / (size - 1))))
