"""How far the trigger moved from one series to the next, direction by direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.cochran import widest_shares
from probetest.statistics.neighbours import mean_covariance
from probetest.statistics.serial import serial_effect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

RESOLVED_SHARE = 0.4
"""Below this share of the step a scatter does not average the rounding out."""

UNEQUAL_RISK = 0.01
"""Risk that directions which scatter alike are said not to."""


@dataclass(frozen=True, slots=True)
class SeriesMeans:
    """Direction means of one series.

    Attributes
    ----------
    mean_mm : numpy.ndarray, shape (directions,), mm
        NaN where a direction was not touched.
    counts : numpy.ndarray of int, shape (directions,)
    residual_mm : numpy.ndarray, shape (touches,), mm
    direction : numpy.ndarray of int, shape (touches,)
    sd_mm : float
        Scatter of one touch, pooled over directions; NaN where none was touched twice.
    dof : float
        Its degrees of freedom, fewer where neighbours are alike.
    correlation : float
        Of neighbouring touches; 0 where none was found.
    """

    mean_mm: Floats
    counts: Indices
    residual_mm: Floats
    direction: Indices
    sd_mm: float
    dof: float
    correlation: float


@dataclass(frozen=True, slots=True)
class Shifts:
    """Stage less baseline in each direction that both hold.

    Attributes
    ----------
    azimuth_deg : numpy.ndarray, shape (paired,), deg
    place : numpy.ndarray of int, shape (paired,)
        Index into the azimuths that were given.
    shift_mm, u_mm : numpy.ndarray, shape (paired,), mm
        With standard errors.
    dof : numpy.ndarray, shape (paired,)
        Of the standard errors.
    covariance : numpy.ndarray, shape (paired, paired), mm^2
    pooled_dof : float
        Of the covariance as a whole.
    counts : numpy.ndarray of int, shape (paired,)
        Touches of the series that has fewest.
    unequal_scatter : bool
        Some direction scatters more than the rest, and has an error of its own.
    borrowed_scatter : bool
        A series without repeats was given the scatter of the others.
    """

    azimuth_deg: Floats
    place: Indices
    shift_mm: Floats
    u_mm: Floats
    dof: Floats
    covariance: Floats
    pooled_dof: float
    counts: Indices
    unequal_scatter: bool
    borrowed_scatter: bool


def series_means(reading_mm: ArrayLike, direction: ArrayLike, azimuth_deg: ArrayLike) -> SeriesMeans:
    """Direction means and pooled scatter of one series.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
        Readings along the approach in test order, about the centre that all series share.
    direction : array_like of int, shape (touches,)
        Index into ``azimuth_deg``.
    azimuth_deg : array_like, shape (directions,), deg

    Returns
    -------
    SeriesMeans

    Raises
    ------
    StatisticsError
        Where arrays don't fit together or a reading is no number.

    Notes
    -----
    Where neighbouring touches are found alike beside a line over touch order, scatter, degrees of
    freedom and the covariance of the means are those of a first-order process, see
    `probetest.statistics.serial`.
    """
    reading, azimuths = np.asarray(reading_mm, dtype=float), np.asarray(azimuth_deg, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    if reading.shape != index.shape or reading.ndim != 1 or len(reading) == 0:
        raise StatisticsError(f"{reading.size} readings but {index.size} directions; each touch needs both")
    if not np.isfinite(reading).all():
        raise StatisticsError("a reading is no finite number; leave misses out")
    if index.min() < 0 or index.max() >= len(azimuths):
        raise StatisticsError(f"a direction index lies outside the {len(azimuths)} azimuths")
    counts = np.bincount(index, minlength=len(azimuths)).astype(np.intp)
    means = group_means(reading, index, len(azimuths))
    residual = reading - means[index]
    dof = float(np.maximum(counts - 1, 0).sum())
    sd, correlation = (float(np.sqrt((residual**2).sum() / dof)), 0.0) if dof else (float("nan"), 0.0)
    if dof >= 4 and sd > 0:
        serial = serial_effect(reading, index, azimuths, np.arange(len(reading))[:, None])
        if serial.significant:
            sd, dof, correlation = serial.sd_factor * sd, dof * min(serial.dof_share, 1.0), serial.correlation
    return SeriesMeans(means, counts, residual, index, sd, dof, correlation)


def paired_shifts(
    baseline: SeriesMeans,
    stage: SeriesMeans,
    azimuth_deg: ArrayLike,
    *,
    after: SeriesMeans | None = None,
    step_mm: float = 0.0,
) -> Shifts:
    """Shift of each direction with its error.

    Parameters
    ----------
    baseline, stage : SeriesMeans
    azimuth_deg : array_like, shape (directions,), deg
    after : SeriesMeans, optional
        Baseline repeated after the stage: the shift is then against the mean of both.
    step_mm : float
        Step of the readings. Scatter below 0.4 of it does not average the rounding out: each mean
        then carries step / root 12 of its own and as much that all means share.

    Returns
    -------
    Shifts
        Of the directions that all series hold.

    Raises
    ------
    StatisticsError
        If no direction is held by all series, none was touched twice, or nothing scatters.

    Notes
    -----
    Each series has its own pooled scatter, and the degrees of freedom are those of Welch [1]_, so
    that a stage may scatter more than the baseline. Directions that scatter too much for the rest
    (Cochran's test, 1 %) have the error of their own scatter.

    References
    ----------
    .. [1] B. L. Welch, "The generalization of Student's problem when several different population
       variances are involved", Biometrika 34 (1947) 28-35.
    """
    parts = [(stage, 1.0), (baseline, 1.0 if after is None else 0.5)]
    if after is not None:
        parts.append((after, 0.5))
    both = np.all([part.counts > 0 for part, _ in parts], axis=0)
    place = np.flatnonzero(both)
    if len(place) == 0:
        raise StatisticsError("no direction was touched in every series, so no shift can be told")
    series = [part for part, _ in parts]
    sds, dofs, borrowed = _scatters(series, step_mm)
    apart = _apart(series, sds, place)
    if apart.any():
        sds, factor, own_dof = _own_scatter(series, sds, place, apart)
    covariance = np.zeros((len(place), len(place)))
    squares = np.zeros(len(place))
    for (part, weight), sd, dof in zip(parts, sds, dofs, strict=True):
        own = weight**2 * _mean_covariance(part, place, sd, step_mm)
        covariance += own
        squares += np.diag(own) ** 2 / dof
    variance = np.diag(covariance).copy()
    dof_each = variance**2 / squares
    pooled = float(variance.sum() ** 2 / squares.sum() / len(place))
    if apart.any():
        covariance = covariance * np.sqrt(np.outer(factor, factor))
        dof_each = np.where(apart[place], own_dof, dof_each)
    reference = baseline.mean_mm if after is None else (baseline.mean_mm + after.mean_mm) / 2
    return Shifts(
        azimuth_deg=np.asarray(azimuth_deg, dtype=float)[place],
        place=place,
        shift_mm=(stage.mean_mm - reference)[place],
        u_mm=np.sqrt(np.diag(covariance)),
        dof=dof_each,
        covariance=covariance,
        pooled_dof=pooled,
        counts=np.min([part.counts[place] for part, _ in parts], axis=0),
        unequal_scatter=bool(apart.any()),
        borrowed_scatter=borrowed,
    )


def _scatters(parts: list[SeriesMeans], step_mm: float) -> tuple[list[float], list[float], bool]:
    """Scatter of each series; one without repeats gets that of the others."""
    told = [part for part in parts if part.dof > 0]
    if not told:
        raise StatisticsError(
            "no direction was touched twice in any series, so that a shift can't be told from scatter"
        )
    if step_mm <= 0 and not all(part.sd_mm > 0 for part in told):
        raise StatisticsError(
            "a series shows no scatter at all: its readings are rounded too coarsely; give their step"
        )
    dof = sum(part.dof for part in told)
    pooled = float(np.sqrt(sum(part.dof * part.sd_mm**2 for part in told) / dof))
    return (
        [part.sd_mm if part.dof > 0 else pooled for part in parts],
        [part.dof if part.dof > 0 else dof for part in parts],
        len(told) < len(parts),
    )


def _mean_covariance(part: SeriesMeans, place: Indices, sd_mm: float, step_mm: float) -> Floats:
    rounding = step_mm**2 / 12 if sd_mm < RESOLVED_SHARE * step_mm else 0.0
    if part.correlation:
        present = np.flatnonzero(part.counts)
        kept = np.searchsorted(present, place)
        unit = mean_covariance(part.correlation, part.direction)[np.ix_(kept, kept)]
    else:
        unit = np.diag(1 / part.counts[place])
    return np.asarray(sd_mm**2 * unit + rounding * (1 + np.eye(len(place))))


def _standard_squares(parts: list[SeriesMeans], sds: list[float]) -> tuple[Floats, Floats]:
    """Sums of squares of each direction in units of the variance of its series, and their dof."""
    groups = len(parts[0].counts)
    squares, dof = np.zeros(groups), np.zeros(groups)
    for part, sd in zip(parts, sds, strict=True):
        if part.dof > 0 and sd > 0:
            squares += np.bincount(part.direction, part.residual_mm**2, groups) / sd**2
            dof += np.maximum(part.counts - 1, 0)
    return squares, dof


def _apart(parts: list[SeriesMeans], sds: list[float], place: Indices) -> NDArray[np.bool_]:
    """Which directions scatter too much for the rest."""
    squares, dof = _standard_squares(parts, sds)
    apart = np.zeros(len(dof), dtype=bool)
    if (dof[place] > 0).sum() >= 2 and squares[place].sum() > 0:
        most = max(1, len(place) // 3)
        found = widest_shares(squares[place], dof[place], most, UNEQUAL_RISK)
        apart[place[[one.place for one in found]]] = True
    return apart


def _own_scatter(
    parts: list[SeriesMeans], sds: list[float], place: Indices, apart: NDArray[np.bool_]
) -> tuple[list[float], Floats, Floats]:
    """Scatter of each series without the directions apart, and variance and dof of these by it."""
    fewer = []
    for part, sd in zip(parts, sds, strict=True):
        power = np.bincount(part.direction, part.residual_mm**2, len(apart))
        free = np.maximum(part.counts - 1, 0)
        rest = float(power[~apart].sum()) / max(1, int(free[~apart].sum()))
        every = float(power.sum()) / max(1, int(free.sum()))
        fewer.append(sd * float(np.sqrt(rest / every)) if rest > 0 else sd)
    squares, dof = _standard_squares(parts, fewer)
    factor = np.ones(len(apart))
    factor[apart] = squares[apart] / dof[apart]
    return fewer, factor[place], dof[place]
