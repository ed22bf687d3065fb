"""Drift over touch order and time, told apart from scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.ancova import Line, adjusted_means, fit_line, line_design
from probetest.statistics.course import Course, follow_course, told_motion, within_directions
from probetest.statistics.first_touch import FirstTouch, shift_of_first_touches
from probetest.statistics.intervals import Interval, mean_interval
from probetest.statistics.serial import SerialEffect
from probetest.statistics.slopes import RobustSlope, robust_slope
from probetest.statistics.warmup import WarmUp, describe_warm_up

Floats = NDArray[np.float64]

DRIFT_RISK = 0.01
"""Risk of calling a drift, or a shift of first touches, that is none."""

TOLD_APART = 0.1
"""Share of the order's variance that must lie within directions for drift to be told from lobing."""

MOST_EQUAL = 1 / 3
"""Share of repeated readings equal to the one before, as for steps of 1.2 sd, above which the steps
make the robust slope."""


@dataclass(frozen=True, slots=True)
class Drift:
    """Slow change of the readings over a test.

    Attributes
    ----------
    per_touch_mm : float
        Slope of the pre-travel per touch of the test.
    over_test_mm : float
        Slope times the length of the test.
    interval_mm : Interval
        Interval of ``over_test_mm``.
    standard_error_mm : float
        Of ``over_test_mm``.
    dof : int
        Degrees of freedom of the error.
    rate_mm_per_h : float or None
        None without usable times.
    rate_interval : Interval or None
        mm/h.
    centre_shift_mm : tuple of float or None
        x, y shift of the centre over the test: machine, artefact or stylus, not told apart.
        None where the directions can't show it.
    centre_u_mm : float or None
        Standard error of each of them (the larger).
    within_share : float
        Share of the variance of the touch order that lies within directions; below
        ``TOLD_APART`` drift can't be told from lobing.
    sd_without_mm : float
        Scatter within directions after the drift was taken out.
    successive_sd_mm : float
        Scatter from successive differences inside directions.
    significant : bool
        The slope, or the bend, is unlikely to be scatter, at ``DRIFT_RISK``.
    curve_mm : tuple of float
        Drift as a polynomial c1 x + c2 x**2 + c3 x**3 of the order x, scaled to a length of 1 and a
        mean of 0; c2 and c3 are 0 unless a straight line clearly misses it. Beside a warm-up it is
        the cubic nearest to the readings.
    size_mm : float
        Largest less smallest value of the fitted path over the test; touches that were set aside
        have no say in it.
    size_u_mm : float
        Its standard error.
    neighbour_correlation : float
        Correlation of neighbouring touches beyond the drift, its small-sample bias removed.
    independent : bool
        That correlation is no larger than scatter explains, at ``DRIFT_RISK``.
    first_touch : FirstTouch or None
        Fitted together with the drift; None where the two can't be told apart, as with two touches
        a direction taken in turn.
    path_kind : str
        "line", "cubic", "slopes" (two segments), "settling" and "onset" (a segment and a flat end or
        begin) or "exponential".
    path_mm : tuple of float
        The fitted path at each touch, less its mean.
    warm_up : WarmUp or None
        Where the path is steep at first and then ends.
    set_aside : tuple of int
        Rows of touches too far from the path to have a say in it, and so in ``significant``,
        ``curve_mm``, ``size_mm``, ``path_mm`` and ``warm_up``. They are kept in all other figures.
    robust : RobustSlope
        Median slope of pairs of the same direction, bend and motion of the centre taken out.
    made_by_few : bool
        The least-squares slope ``per_touch_mm`` is not that of most touches: it differs from the
        robust one by more than normal scatter explains, at ``DRIFT_RISK``. Not told, and False, where
        ``MOST_EQUAL`` of the repeated readings are equal.
    adjusted_mean_mm : tuple of float or None
        Mean of each direction as it would be in the middle of the test: path and motion of the
        centre taken out. None where drift can't be told from lobing (``TOLD_APART``).
    adjusted_u_mm : tuple of float or None
        Their standard errors for independent touches.
    adjusted_sd_mm : float or None
        Scatter about them; the sd of one touch.
    adjusted_dof : int
        Its degrees of freedom.
    serial : SerialEffect
        Correlation of neighbours, and the factors for intervals of sd and means. Where it is
        significant, the intervals and errors here are those for it.
    """

    per_touch_mm: float
    over_test_mm: float
    interval_mm: Interval
    standard_error_mm: float
    dof: int
    rate_mm_per_h: float | None
    rate_interval: Interval | None
    centre_shift_mm: tuple[float, float] | None
    centre_u_mm: float | None
    within_share: float
    sd_without_mm: float
    successive_sd_mm: float
    significant: bool
    curve_mm: tuple[float, float, float]
    size_mm: float
    size_u_mm: float
    neighbour_correlation: float
    independent: bool
    first_touch: FirstTouch | None
    path_kind: str
    path_mm: tuple[float, ...]
    warm_up: WarmUp | None
    set_aside: tuple[int, ...]
    robust: RobustSlope
    made_by_few: bool
    adjusted_mean_mm: tuple[float, ...] | None
    adjusted_u_mm: tuple[float, ...] | None
    adjusted_sd_mm: float | None
    adjusted_dof: int
    serial: SerialEffect

    @property
    def curved(self) -> bool:
        """Whether a straight line clearly misses the drift."""
        return self.path_kind != "line"


def successive_sd(values: ArrayLike, group: ArrayLike | None = None) -> float:
    """Standard deviation from successive differences, sqrt(sum(d**2) / (2 m)).

    Parameters
    ----------
    values : array_like, shape (touches,)
        In the order in which they were taken.
    group : array_like of int, optional
        Differences are taken inside groups only.

    Returns
    -------
    float
        NaN with fewer than two values in every group.

    References
    ----------
    .. [1] J. von Neumann, R. H. Kent, H. R. Bellinson, B. I. Hart, "The mean square successive
       difference", Ann. Math. Stat. 12 (1941) 153-162.

    Examples
    --------
    >>> round(successive_sd([0.0, 1.0, 0.0, 1.0]), 4)
    0.7071
    """
    values = np.asarray(values, dtype=float)
    labels = np.zeros(len(values), dtype=int) if group is None else np.asarray(group)
    order = np.argsort(labels, kind="stable")
    steps = np.diff(values[order])[np.diff(labels[order]) == 0]
    if steps.size == 0:
        return float("nan")
    return float(np.sqrt((steps**2).sum() / (2 * steps.size)))


def drift(
    reading_mm: ArrayLike,
    direction: ArrayLike,
    azimuth_deg: ArrayLike,
    order: ArrayLike,
    time_s: ArrayLike | None = None,
    level: float = 0.95,
) -> Drift:
    """Slope of the readings over the test, with the direction means as nuisance.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
    direction : array_like of int, shape (touches,)
    azimuth_deg : array_like, shape (directions,), deg
    order : array_like, shape (touches,)
        Touch number; increasing.
    time_s : array_like, shape (touches,), s, optional
        Time of each touch; used for the rate per hour where all are finite and they vary within
        directions.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    Drift

    Raises
    ------
    StatisticsError
        With fewer than 3 degrees of freedom left, or when order does not vary within directions.

    Notes
    -----
    Least squares of reading = direction mean + slope * order, together with a shift of the
    centre, x(order) cos(azimuth) + y(order) sin(azimuth), where the repeated directions span the
    plane (analysis of covariance). Half of ``DRIFT_RISK`` is for the slope, half for a bend, so that a
    warm-up or a drift there and back is not taken for none; see :mod:`probetest.statistics.path` for
    the bends and :mod:`probetest.statistics.course` for touches set aside.
    """
    reading = np.asarray(reading_mm, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    azimuths = np.asarray(azimuth_deg, dtype=float)
    sequence = np.asarray(order, dtype=float)
    groups, length = len(azimuths), float(np.ptp(sequence))
    scaled = (sequence - sequence.mean()) / length if length else np.zeros_like(sequence)
    share = _within_share(scaled, index, groups)
    motion = told_motion(index, azimuths)
    design = line_design(scaled, index, groups, motion)
    dof = len(reading) - groups - design.shape[1]
    if dof < 3:
        raise StatisticsError(f"drift can't be told from {len(reading)} touches in {groups} directions")
    if np.linalg.matrix_rank(design, tol=1e-10 * np.linalg.norm(design)) < design.shape[1]:
        raise StatisticsError("drift can't be told: the order of the touches follows the directions")
    place = (sequence - sequence[0]) / length - 0.5
    course = follow_course(reading, index, azimuths, motion, place, DRIFT_RISK)
    target = within_directions(reading, index, groups)
    line = fit_line(design, target, index, course.serial)
    rate, rate_interval = _rate(target, index, groups, motion, time_s, course.serial, level)
    size, size_u = course.search.size(course.path, place)
    path = course.path.values(place)
    robust, made_by_few = _robust(course, design, index, sequence, line, level)
    made_by_few = made_by_few and _equal_share(reading, index) < MOST_EQUAL
    adjusted = adjusted_means(course, reading, index, groups)
    apart = share >= TOLD_APART
    return Drift(
        per_touch_mm=line.slopes[0] / length,
        over_test_mm=line.slopes[0],
        interval_mm=mean_interval(line.slopes[0], line.errors[0], line.dof, level),
        standard_error_mm=line.errors[0],
        dof=dof,
        rate_mm_per_h=rate,
        rate_interval=rate_interval,
        centre_shift_mm=(line.slopes[1], line.slopes[2]) if motion.shape[1] else None,
        centre_u_mm=max(line.errors[1:]) if motion.shape[1] else None,
        within_share=share,
        sd_without_mm=adjusted.sd_mm,
        successive_sd_mm=successive_sd(reading, index),
        significant=course.significant,
        curve_mm=_curve(course, float((sequence.mean() - sequence[0]) / length) - 0.5),
        size_mm=size,
        size_u_mm=size_u,
        neighbour_correlation=course.serial.correlation,
        independent=course.serial.p_value >= DRIFT_RISK,
        first_touch=shift_of_first_touches(course, index, level, DRIFT_RISK, TOLD_APART),
        path_kind=course.path.kind,
        path_mm=tuple((path - path.mean()).tolist()),
        warm_up=describe_warm_up(course.search, course.path, float(sequence[0]), length, level),
        set_aside=tuple(np.flatnonzero(~course.kept).tolist()),
        robust=robust,
        made_by_few=made_by_few,
        adjusted_mean_mm=tuple(adjusted.mean_mm.tolist()) if apart else None,
        adjusted_u_mm=tuple(adjusted.u_mm.tolist()) if apart else None,
        adjusted_sd_mm=adjusted.sd_mm if apart else None,
        adjusted_dof=adjusted.dof,
        serial=course.serial,
    )


def _within_share(scaled: Floats, index: NDArray[np.intp], groups: int) -> float:
    total = float(((scaled - scaled.mean()) ** 2).sum())
    share = float((within_directions(scaled, index, groups) ** 2).sum()) / total if total else 0.0
    if share < 1e-9:
        raise StatisticsError("drift can't be told: each direction was touched only once")
    return share


def _equal_share(reading: Floats, index: NDArray[np.intp]) -> float:
    """Share of touches that repeat the touch before of the same direction."""
    ranked = np.argsort(index, kind="stable")
    steps = np.diff(reading[ranked])[np.diff(index[ranked]) == 0]
    return float((np.abs(steps) <= 1e-9 * np.ptp(reading)).mean())


def _curve(course: Course, shift: float) -> tuple[float, float, float]:
    """Polynomial about the mean of the order, ``shift`` from the middle of the test."""
    if course.path.kind == "line":
        return float(course.path.slopes_mm[0]), 0.0, 0.0
    path = course.path if course.path.kind == "cubic" else course.search.fit("cubic")
    first, second, third = (float(slope) for slope in path.slopes_mm)
    return first + 2 * shift * second + 3 * shift**2 * third, second + 3 * shift * third, third


def _robust(
    course: Course, design: Floats, index: NDArray[np.intp], sequence: Floats, line: Line, level: float
) -> tuple[RobustSlope, bool]:
    """Robust slope, and whether a few touches make the one of least squares."""
    length = float(np.ptp(sequence))
    explained = within_directions(course.explained_mm, index, int(index.max()) + 1)
    inverse = np.linalg.inv(design.T @ design)
    slope = float(inverse[0] @ (design.T @ explained))
    found = robust_slope(
        course.residual_mm + slope * (sequence - sequence[0]) / length, index, sequence, level
    )
    rest = course.residual_mm[course.kept]
    variance = float(rest @ rest) / course.path.dof
    # The least-squares slope is the efficient one, so that variances subtract.
    apart = max((found.normal_error * length) ** 2 - float(inverse[0, 0]), 0.01 * float(inverse[0, 0]))
    bound = -float(special.stdtrit(course.path.dof, DRIFT_RISK / 2) * np.sqrt(apart * variance))
    few = abs(line.slopes[0] - found.per_touch_mm * length) > line.widening * bound
    return found.widened(line.widening), bool(few)


def _rate(
    target: Floats,
    index: NDArray[np.intp],
    groups: int,
    motion: Floats,
    time_s: ArrayLike | None,
    serial: SerialEffect,
    level: float,
) -> tuple[float | None, Interval | None]:
    if time_s is None:
        return None, None
    hours = np.asarray(time_s, dtype=float) / 3600.0
    if not np.all(np.isfinite(hours)) or np.ptp(hours) == 0:
        return None, None
    design = line_design((hours - hours.mean()) / np.ptp(hours), index, groups, motion)
    if np.linalg.norm(design[:, 0]) < 1e-9 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None, None
    line = fit_line(design, target, index, serial)
    rate, error = line.slopes[0] / float(np.ptp(hours)), line.errors[0] / float(np.ptp(hours))
    return rate, mean_interval(rate, error, line.dof, level)
