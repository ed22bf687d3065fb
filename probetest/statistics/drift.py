"""Drift over touch order and time, told apart from scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means, unit_vectors
from probetest.statistics.intervals import Interval, mean_interval

Floats = NDArray[np.float64]

DRIFT_RISK = 0.01
"""Risk of calling a drift, or a shift of first touches, that is none."""

TOLD_APART = 0.1
"""Share of the order's variance that must lie within directions for drift to be told from lobing."""


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
        The shift is unlikely to be scatter, at ``DRIFT_RISK``.
    """

    shift_mm: float
    interval_mm: Interval
    directions: int
    significant: bool


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
        mean of 0; c2 and c3 are 0 unless a straight line clearly misses it.
    size_mm : float
        Largest less smallest value of that curve over the test.
    size_u_mm : float
        Its standard error.
    neighbour_correlation : float
        Correlation of neighbouring touches beyond the drift.
    independent : bool
        That correlation is no larger than scatter explains, at ``DRIFT_RISK``.
    first_touch : FirstTouch or None
        Fitted together with the drift; None where the two can't be told apart, as with two touches
        a direction taken in turn.
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

    @property
    def curved(self) -> bool:
        """Whether a straight line clearly misses the drift."""
        return self.curve_mm[1:] != (0.0, 0.0)


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
    plane (analysis of covariance). A quadratic and a cubic term join where they clearly improve the
    fit (F test), so that a warm-up or a drift there and back is not taken for none.
    """
    reading = np.asarray(reading_mm, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    azimuths = np.asarray(azimuth_deg, dtype=float)
    sequence = np.asarray(order, dtype=float)
    groups = len(azimuths)
    length = float(np.ptp(sequence))
    scaled = (sequence - sequence.mean()) / length if length else np.zeros_like(sequence)
    within = _demean(scaled, index, groups)
    total = float(((scaled - scaled.mean()) ** 2).sum())
    share = float((within**2).sum() / total) if total else 0.0
    if share < 1e-9:
        raise StatisticsError("drift can't be told: each direction was touched only once")
    motion = unit_vectors(azimuths)[index]
    columns = [within]
    repeated = unit_vectors(azimuths[np.bincount(index, minlength=groups) > 1])
    moves = np.linalg.matrix_rank(np.column_stack([np.ones(len(repeated)), repeated])) == 3
    if moves:
        columns += [within * motion[:, 0], within * motion[:, 1]]
    design = np.column_stack(columns)
    dof = len(reading) - groups - design.shape[1]
    if dof < 3:
        raise StatisticsError(f"drift can't be told from {len(reading)} touches in {groups} directions")
    target = _demean(reading, index, groups)
    slopes, errors, _ = _least_squares(design, target, dof)
    interval = mean_interval(slopes[0], errors[0], dof, level)
    rate, rate_interval = _rate(target, index, groups, time_s, motion if moves else None, level)
    path = _path(scaled, index, groups, design, target)
    neighbour = _neighbour_correlation(path.residual)
    return Drift(
        per_touch_mm=slopes[0] / length,
        over_test_mm=slopes[0],
        interval_mm=interval,
        standard_error_mm=errors[0],
        dof=dof,
        rate_mm_per_h=rate,
        rate_interval=rate_interval,
        centre_shift_mm=(slopes[1], slopes[2]) if moves else None,
        centre_u_mm=max(errors[1:]) if moves else None,
        within_share=share,
        sd_without_mm=path.sd_mm,
        successive_sd_mm=successive_sd(reading, index),
        significant=path.bent or 0.0 not in mean_interval(slopes[0], errors[0], dof, 1 - DRIFT_RISK / 2),
        curve_mm=path.curve_mm,
        size_mm=path.size_mm,
        size_u_mm=path.size_u_mm,
        neighbour_correlation=neighbour,
        independent=not neighbour * float(np.sqrt(len(reading))) > float(stats.norm.isf(DRIFT_RISK)),
        first_touch=_first_touch(path, index, level),
    )


def _demean(values: Floats, index: NDArray[np.intp], groups: int) -> Floats:
    return np.asarray(values - group_means(values, index, groups)[index])


def _least_squares(design: Floats, target: Floats, dof: int) -> tuple[list[float], list[float], float]:
    slopes, _, rank, _ = np.linalg.lstsq(design, target, rcond=1e-10)
    if rank < design.shape[1]:
        raise StatisticsError("drift can't be told: the order of the touches follows the directions")
    residual = target - design @ slopes
    sd = float(np.sqrt((residual**2).sum() / dof))
    errors = sd * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    return [float(v) for v in slopes], [float(v) for v in errors], sd


@dataclass(frozen=True, slots=True)
class _Path:
    """The drift as a curve, and what is left of the readings."""

    curve_mm: tuple[float, float, float]
    size_mm: float
    size_u_mm: float
    sd_mm: float
    design: Floats
    residual: Floats
    bent: bool


def _path(scaled: Floats, index: NDArray[np.intp], groups: int, straight: Floats, target: Floats) -> _Path:
    """Straight line, or a cubic where that fits clearly better."""
    bend = np.column_stack([_demean(scaled**power, index, groups) for power in (2, 3)])
    design = np.column_stack([straight[:, :1], bend, straight[:, 1:]])
    dof = len(target) - groups - design.shape[1]
    if dof >= 3 and np.linalg.matrix_rank(design, tol=1e-8 * np.linalg.norm(design)) == design.shape[1]:
        left, bent = _left_over(straight, target), _left_over(design, target)
        noise = float(bent @ bent) / dof
        gain = float(left @ left - bent @ bent) / 2
        if noise > 0 and float(stats.f.sf(gain / noise, 2, dof)) < DRIFT_RISK / 2:
            return _describe_path(design, 3, scaled, target, dof)
    return _describe_path(straight, 1, scaled, target, len(target) - groups - straight.shape[1])


def _left_over(design: Floats, target: Floats) -> Floats:
    return np.asarray(target - design @ np.linalg.lstsq(design, target, rcond=None)[0])


def _describe_path(design: Floats, terms: int, scaled: Floats, target: Floats, dof: int) -> _Path:
    slopes = np.linalg.lstsq(design, target, rcond=None)[0]
    residual = np.asarray(target - design @ slopes)
    variance = float(residual @ residual) / dof
    covariance = variance * np.linalg.inv(design.T @ design)[:terms, :terms]
    powers = np.column_stack([np.sort(scaled) ** power for power in range(1, terms + 1)])
    curve = powers @ slopes[:terms]
    reach = powers[int(curve.argmax())] - powers[int(curve.argmin())]
    coefficients = [float(slope) for slope in slopes[:terms]] + [0.0] * (3 - terms)
    return _Path(
        curve_mm=(coefficients[0], coefficients[1], coefficients[2]),
        size_mm=float(np.ptp(curve)),
        size_u_mm=float(np.sqrt(reach @ covariance @ reach)),
        sd_mm=float(np.sqrt(variance)),
        design=design,
        residual=residual,
        bent=terms > 1,
    )


def _neighbour_correlation(residual: Floats) -> float:
    """Lag-1 correlation of the residuals in the order of the test."""
    power = float(residual @ residual)
    return float(residual[:-1] @ residual[1:]) / power if power > 0 else 0.0


def _rate(
    target: Floats,
    index: NDArray[np.intp],
    groups: int,
    time_s: ArrayLike | None,
    motion: Floats | None,
    level: float,
) -> tuple[float | None, Interval | None]:
    if time_s is None:
        return None, None
    hours = np.asarray(time_s, dtype=float) / 3600.0
    if not np.all(np.isfinite(hours)) or np.ptp(hours) == 0:
        return None, None
    within = _demean(hours, index, groups) / np.ptp(hours)
    columns = [within] if motion is None else [within, within * motion[:, 0], within * motion[:, 1]]
    design = np.column_stack(columns)
    if np.linalg.norm(within) < 1e-9 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None, None
    dof = len(target) - groups - design.shape[1]
    slopes, errors, _ = _least_squares(design, target, dof)
    rate, error = (float(value / np.ptp(hours)) for value in (slopes[0], errors[0]))
    return rate, mean_interval(rate, error, dof, level)


def _first_touch(path: _Path, index: NDArray[np.intp], level: float) -> FirstTouch | None:
    _, first, counts = np.unique(index, return_index=True, return_counts=True)
    first, counts = first[counts > 1], counts[counts > 1]
    if len(first) < 2:
        return None
    # First less mean of the later ones, from deviations from the mean of all n.
    weight = counts / (counts - 1)
    shift = weight * path.residual[first]
    # Part of a shift is taken for drift: this share of it is left.
    marked = _demean(np.isin(np.arange(len(index)), first).astype(float), index, int(index.max()) + 1)
    left = float((weight * _left_over(path.design, marked)[first]).mean())
    if left < TOLD_APART:
        return None
    mean, error = float(shift.mean()) / left, float(stats.sem(shift)) / float(np.sqrt(left))
    dof = len(shift) - 1
    significant = 0.0 not in mean_interval(mean, error, dof, 1 - DRIFT_RISK)
    return FirstTouch(mean, mean_interval(mean, error, dof, level), len(shift), significant)
