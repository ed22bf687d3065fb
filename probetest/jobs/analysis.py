"""All statistics of one series: one stage, one orientation, touches in order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.jobs.lost import LostTouches, find_lost
from probetest.jobs.scatter import Curve, make_curve, measure_scatter
from probetest.statistics.approach import (
    ApproachReadings,
    project_on_approach,
    project_without_centre,
    unit_vectors,
    use_readings,
)
from probetest.statistics.drift import Drift, drift
from probetest.statistics.lobing import HarmonicFit, fit_harmonics
from probetest.statistics.outliers import OutlierFlag, flag_directions, flag_scatter, flag_touches
from probetest.statistics.repeatability import (
    RESOLVED_SHARE,
    DirectionSpread,
    Repeatability,
    repeatability,
)
from probetest.statistics.resolution import Resolution, find_resolution
from probetest.statistics.seat import SeatFit, fit_seat
from probetest.statistics.sight import seen_share
from probetest.statistics.variation import Variation, pretravel_variation
from probetest.triggers import LEVEL_DEG, Artefact, Triggers

Floats = NDArray[np.float64]
Result = TypeVar("Result")


LEAST_VISIBILITY = 0.7
"""Below it the directions hide too much of a three-lobed curve to report its variation."""


@dataclass(frozen=True, slots=True)
class Series:
    """Valid triggers of one stage and orientation, in the order of the test.

    Attributes
    ----------
    stage : str
    orientation_deg : float
    level : pandas.DataFrame
        Horizontal touches.
    elevated : pandas.DataFrame
        The others; only their scatter is used.
    failed_azimuth_deg : numpy.ndarray
        Azimuths of the horizontal approaches that ended without a trigger.
    """

    stage: str
    orientation_deg: float
    level: pd.DataFrame
    elevated: pd.DataFrame
    failed_azimuth_deg: Floats = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything the statistics say about a series; None with a reason where they can't.

    Attributes
    ----------
    readings : ApproachReadings
    order : numpy.ndarray of int, shape (touches,)
        Place of each touch in the order of all approaches of the log.
    curve : Curve
        What the lobing statistics take.
    lost : LostTouches
        What the log lacks.
    resolution : Resolution
    repeatability : Repeatability
    variation : Variation or None
    variation_reason : str
    harmonics : HarmonicFit or None
    harmonics_reason : str
    seat : SeatFit or None
    seat_reason : str
    drift : Drift or None
    drift_reason : str
    flags : tuple of OutlierFlag
        Touch indices refer to ``readings``.
    elevated : tuple of (float, DirectionSpread)
        Elevation and scatter of the directions that are not horizontal.
    seen_share : float
        Share of the variation of three equal arms that the directions show at least.
    """

    readings: ApproachReadings
    order: NDArray[np.int64]
    curve: Curve
    lost: LostTouches
    resolution: Resolution
    repeatability: Repeatability
    variation: Variation | None
    variation_reason: str
    harmonics: HarmonicFit | None
    harmonics_reason: str
    seat: SeatFit | None
    seat_reason: str
    drift: Drift | None
    drift_reason: str
    flags: tuple[OutlierFlag, ...]
    elevated: tuple[tuple[float, DirectionSpread], ...]
    seen_share: float

    @property
    def every_direction(self) -> Repeatability:
        """The scatter with the directions that are not horizontal behind the horizontal ones."""
        directions = self.repeatability.directions + tuple(spread for _, spread in self.elevated)
        worst = int(np.nanargmax([spread.sd_mm for spread in directions]))
        return replace(self.repeatability, directions=directions, worst=worst)

    @property
    def worst_sd_mm(self) -> float | None:
        """Largest sd of any direction; None where it is too small for the resolution."""
        every = self.every_direction
        sd = every.directions[every.worst].sd_mm
        return sd if sd > 0 and sd >= RESOLVED_SHARE * every.step_mm else None

    def direction_name(self, place: int) -> str:
        """A direction of ``every_direction`` in words."""
        level = len(self.repeatability.directions)
        if place < level:
            return f"azimuth {self.repeatability.directions[place].azimuth_deg:.4g}°"
        elevation, spread = self.elevated[place - level]
        return f"azimuth {spread.azimuth_deg:.4g}°, elevation {elevation:.4g}°"

    @property
    def mean_mm(self) -> Floats:
        """Mean reading of each direction, a drift that stands out taken out, shape (directions,)."""
        return self.curve.mean_mm

    @property
    def counts(self) -> NDArray[np.intp]:
        """Touches of each direction, shape (directions,)."""
        return self.curve.counts

    @property
    def noise_mm(self) -> float:
        """Scatter of one touch as it acts on a mean."""
        return self.curve.noise_mm


def split_series(triggers: Triggers) -> tuple[Series, ...]:
    """Valid triggers by stage and orientation, in the order in which they first appear."""
    frame = triggers.frame
    frame = frame.assign(order=np.arange(1, len(frame) + 1))
    valid = frame[frame["outcome"] == "trigger"].sort_values("touch", kind="stable")
    failed = frame[(frame["outcome"] != "trigger") & (frame["elevation_deg"].abs() <= LEVEL_DEG)]
    parts = []
    for _, rows in valid.groupby(["stage", "orientation_deg"], sort=False, observed=True):
        level = rows["elevation_deg"].abs() <= LEVEL_DEG
        stage, orientation = rows["stage"].iloc[0], rows["orientation_deg"].iloc[0]
        mine = (failed["stage"] == stage) & (failed["orientation_deg"] == orientation)
        azimuths = failed.loc[mine, "azimuth_deg"].to_numpy()
        parts.append(Series(str(stage), float(orientation), rows[level], rows[~level], azimuths))
    return tuple(parts)


def read_approach(rows: pd.DataFrame, artefact: Artefact | None) -> ApproachReadings:
    """Readings along the approach of horizontal touches, with or without positions."""
    azimuth = rows["azimuth_deg"].to_numpy()
    positions = rows[["x_mm", "y_mm"]].to_numpy()
    if not np.isfinite(positions).all():
        logged = rows["reading_mm"].to_numpy()
        if len(np.unique(azimuth)) >= 3:
            return use_readings(logged, azimuth)
        # One number along the approach is a projection already.
        return project_without_centre(logged[:, None] * unit_vectors(azimuth), azimuth)
    is_round = artefact is not None and artefact.is_round
    try:
        readings = project_on_approach(positions, azimuth, round_artefact=is_round)
    except StatisticsError:
        return project_without_centre(positions, azimuth)
    if artefact is not None and is_round:
        _check_side(readings.reading_mm, rows, artefact)
    return readings


def _check_side(reading_mm: Floats, rows: pd.DataFrame, artefact: Artefact) -> None:
    """Inside a ring the stylus moves away from the centre, outside a sphere or boss towards it."""
    away = artefact.kind == "ring"
    wrong = reading_mm < 0 if away else reading_mm > 0
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise StatisticsError(
            f"{int(wrong.sum())} of {len(wrong)} touches lie on the side of the {artefact.kind} that their "
            f"azimuth points away from (first: touch {rows['touch'].iloc[first]}, line "
            f"{rows['line'].iloc[first]}); azimuth is the direction the stylus MOVES, counter-clockwise from "
            "+X: correct it, or the kind of the artefact"
        )


def analyse(
    series: Series,
    artefact: Artefact | None,
    declared_step_mm: float | None,
    *,
    unit_mm: float = 1.0,
    planned: int | None = None,
    level: float = 0.95,
    curve_wanted: bool = True,
) -> Analysis:
    """Run all statistics on one series.

    Parameters
    ----------
    series : Series
        With at least one horizontal direction that was touched twice.
    artefact : Artefact or None
    declared_step_mm : float or None
        Resolution stated for the machine.
    unit_mm : float
        Length of the unit the log was written in.
    planned : int or None
        Approaches planned from each direction.
    level : float
        Two-sided level of the intervals.
    curve_wanted : bool
        False leaves out variation, harmonics and the fitted seat.

    Raises
    ------
    StatisticsError
        If no horizontal direction was touched twice.
    """
    rows = series.level
    if rows.empty:
        raise StatisticsError(
            "it holds no horizontal touch, so no figure of the probe can be given; touch from at least 8 "
            "directions around a ring, sphere or boss"
        )
    readings = read_approach(rows, artefact)
    resolution = _resolution(rows, readings, declared_step_mm, unit_mm)
    order = rows["order"].to_numpy()
    slope, drift_reason = _try(
        lambda: drift(
            readings.reading_mm, readings.direction, readings.azimuth_deg, order, _seconds(rows), level
        )
    )
    serial = slope.serial if slope else None
    lost = find_lost(rows, readings, resolution.digit_mm, planned, series.failed_azimuth_deg)
    spread = measure_scatter(rows, readings, resolution.step_mm, serial, lost, level)
    counts = np.bincount(readings.direction, minlength=len(readings.azimuth_deg))
    curve = make_curve(readings, spread, counts, slope)
    variation, variation_reason = (
        _variation(readings, curve, level) if curve_wanted else (None, "not asked for")
    )
    harmonics, harmonics_reason = (
        _try(lambda: fit_harmonics(*curve.shape))
        if readings.fit and curve_wanted
        else (None, variation_reason)
    )
    seat, seat_reason = (
        _try(lambda: fit_seat(*curve.shape)) if variation and curve.noise_mm > 0 else (None, variation_reason)
    )
    return Analysis(
        readings=readings,
        order=order,
        curve=curve,
        lost=lost,
        resolution=resolution,
        repeatability=spread,
        variation=variation,
        variation_reason=variation_reason,
        harmonics=harmonics,
        harmonics_reason=harmonics_reason,
        seat=seat,
        seat_reason=seat_reason or ("" if seat else "the readings show no scatter to judge a shape by"),
        drift=slope,
        drift_reason=drift_reason,
        flags=_flags(readings, spread, seat, counts),
        elevated=_elevated(series.elevated, level),
        seen_share=seen_share(readings.azimuth_deg) if readings.fit else 0.0,
    )


def _try(compute: Callable[[], Result]) -> tuple[Result | None, str]:
    try:
        return compute(), ""
    except StatisticsError as error:
        return None, str(error)


def _variation(readings: ApproachReadings, curve: Curve, level: float) -> tuple[Variation | None, str]:
    if readings.fit is None:
        return None, (
            f"too few directions ({len(readings.azimuth_deg)}) give no centre, and without it means of "
            "different directions can't be compared; touch from 8 or more evenly spread ones, 25 show most"
        )
    if readings.fit.lobe_visibility < LEAST_VISIBILITY:
        return None, (
            f"these {len(readings.azimuth_deg)} directions can hide "
            f"{100 * (1 - readings.fit.lobe_visibility):.0f} % of a three-lobed curve behind the centre or "
            "between the directions; touch from 8 or more evenly spread ones, 25 show most"
        )
    return _try(lambda: pretravel_variation(*curve.shape, level))


def _resolution(
    rows: pd.DataFrame, readings: ApproachReadings, declared: float | None, unit_mm: float
) -> Resolution:
    if rows["x_mm"].notna().all():
        motion = np.abs(unit_vectors(rows["azimuth_deg"].to_numpy()))
        # A coordinate that hardly moves along the approach says nothing about its step.
        columns = tuple(
            np.where(motion[:, axis] > 0.3, rows[name].to_numpy(), np.nan)
            for axis, name in enumerate(("x_mm", "y_mm"))
        )
    else:
        columns = (rows["reading_mm"].to_numpy(),)
    return find_resolution(columns, readings.direction, declared, unit_mm)


def _seconds(rows: pd.DataFrame) -> Floats | None:
    time = rows["time"]
    if time.isna().any():
        return None
    return np.asarray((time - time.iloc[0]).dt.total_seconds(), dtype=float)


def _flags(
    readings: ApproachReadings, spread: Repeatability, seat: SeatFit | None, counts: NDArray[np.intp]
) -> tuple[OutlierFlag, ...]:
    touches = flag_touches(readings.reading_mm, readings.direction, step_mm=spread.step_mm)
    scatter = flag_scatter([part.sd_mm for part in spread.directions], counts, step_mm=spread.step_mm)
    directions = flag_directions(seat, readings.azimuth_deg, counts) if seat is not None else ()
    return touches + directions + scatter


def _elevated(rows: pd.DataFrame, level: float) -> tuple[tuple[float, DirectionSpread], ...]:
    parts = []
    for _, group in rows.groupby(["azimuth_deg", "elevation_deg"], observed=True):
        azimuth, elevation = (float(group[name].iloc[0]) for name in ("azimuth_deg", "elevation_deg"))
        if len(group) < 2:
            continue
        rise, turn = np.deg2rad(elevation), np.deg2rad(azimuth)
        motion = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
        positions = group[["x_mm", "y_mm", "z_mm"]].to_numpy()
        used = np.abs(motion) > 1e-9
        along = (positions[:, used] @ motion[used]) if np.isfinite(positions[:, used]).all() else None
        values = group["reading_mm"].to_numpy() if along is None else along
        if not np.isfinite(values).all():
            continue
        one = repeatability(values, np.zeros(len(values), dtype=int), [azimuth], level=level)
        parts.append((elevation, one.directions[0]))
    return tuple(parts)
