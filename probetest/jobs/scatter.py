"""Scatter and mean curve of one series, from what rounding, drift and alike neighbours leave of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.jobs.lost import LostTouches
from probetest.statistics.approach import ApproachReadings, group_means
from probetest.statistics.drift import Drift
from probetest.statistics.repeatability import LEAST_SHARE, Repeatability, repeatability
from probetest.statistics.rounding import along_dominant, rounded_sd
from probetest.statistics.serial import SerialEffect

Floats = NDArray[np.float64]

COARSE_SHARE = 0.3
"""From this share of the scatter on the step of the readings is taken into account."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Pre-travel over the directions, as the lobing statistics take it.

    Attributes
    ----------
    mean_mm, azimuth_deg, counts : numpy.ndarray, shape (directions,)
        Mean reading, azimuth and touches of each direction.
    noise_mm : float
        Scatter of one touch as it acts on a mean: with rounding, and for alike neighbours.
    dof : float
        Its degrees of freedom.
    still : bool
        A drift was taken out of the means.
    """

    mean_mm: Floats
    azimuth_deg: Floats
    counts: NDArray[np.intp]
    noise_mm: float
    dof: float
    still: bool

    @property
    def shape(self) -> tuple[Floats, Floats, NDArray[np.intp], float, float]:
        """Means, azimuths, counts, scatter and its dof."""
        return self.mean_mm, self.azimuth_deg, self.counts, self.noise_mm, self.dof


def measure_scatter(
    rows: pd.DataFrame,
    readings: ApproachReadings,
    step_mm: float,
    serial: SerialEffect | None,
    lost: LostTouches,
    level: float,
) -> Repeatability:
    """Repeatability of a series; of coarse readings as it was before rounding.

    Parameters
    ----------
    rows : pandas.DataFrame
        Horizontal touches of the series.
    readings : ApproachReadings
    step_mm : float
        Resolution of the log.
    serial : SerialEffect or None
    lost : LostTouches
        Touches that equalled the one before are put back, where the plan tells how many.
    level : float
        Two-sided level of the intervals.

    Raises
    ------
    StatisticsError
        If no direction was touched twice.
    """
    of_readings = partial(
        repeatability,
        readings.reading_mm,
        readings.direction,
        readings.azimuth_deg,
        step_mm=step_mm,
        serial=serial,
        level=level,
    )
    plain = of_readings()
    if step_mm < COARSE_SHARE * plain.logged_sd_mm and not lost.explained:
        return plain
    share = plain.tails.dof_share * (serial.dof_share if serial else 1.0)
    try:
        rounded = rounded_sd(
            *_on_steps(rows, readings, step_mm),
            planned=lost.made if lost.explained else None,
            level=level,
            dof_share=max(share, LEAST_SHARE),
        )
    except StatisticsError:
        # The declared step is not that of the readings: then they hide nothing.
        return plain
    return of_readings(rounded=rounded)


def _on_steps(
    rows: pd.DataFrame, readings: ApproachReadings, step_mm: float
) -> tuple[Floats, NDArray[np.intp], Floats]:
    """Readings, directions and the width of the steps on which the readings lie along the approach."""
    positions = rows[["x_mm", "y_mm"]].to_numpy()
    if not np.isfinite(positions).all():
        return readings.reading_mm, readings.direction, np.full(len(rows), step_mm)
    values, widths = along_dominant(positions, rows["azimuth_deg"].to_numpy(), step_mm)
    return values, readings.direction, widths


def make_curve(
    readings: ApproachReadings, spread: Repeatability, counts: NDArray[np.intp], slope: Drift | None
) -> Curve:
    """Direction means, a drift that stands out taken out of them, and their scatter.

    Parameters
    ----------
    readings : ApproachReadings
    spread : Repeatability
    counts : numpy.ndarray of int, shape (directions,)
    slope : Drift or None
    """
    means = group_means(readings.reading_mm, readings.direction, len(readings.azimuth_deg))
    noise, dof = _noise(spread, counts), spread.effective_dof
    still = slope is not None and slope.significant and slope.adjusted_mean_mm is not None
    if slope is not None and still:
        means = np.array(slope.adjusted_mean_mm)
        share = spread.effective_dof / spread.dof
        noise = float(np.hypot(slope.serial.sd_factor * slope.sd_without_mm, _unaveraged(spread, counts)))
        dof = share * slope.adjusted_dof
    factor = slope.serial.mean_factor if slope is not None else 1.0
    return Curve(means, readings.azimuth_deg, counts, factor * noise, dof, still)


def _noise(spread: Repeatability, counts: NDArray[np.intp]) -> float:
    """Scatter of one touch as it acts on a mean: rounding is part of it."""
    if spread.resolved:
        return max(spread.sd_mm, spread.logged_sd_mm)
    return max(spread.sd_mm, _unaveraged(spread, counts))


def _unaveraged(spread: Repeatability, counts: NDArray[np.intp]) -> float:
    """Rounding of one touch that does not average out over the touches; 0 where scatter spreads it."""
    if spread.resolved:
        return 0.0
    return float(spread.step_mm / np.sqrt(12) * np.sqrt(counts.mean()))
