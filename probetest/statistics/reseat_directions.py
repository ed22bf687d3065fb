"""What single directions show of a re-seat, and the drift between a baseline and its repetition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.intervals import Interval, mean_interval
from probetest.statistics.reseat_parts import ShiftParts, shift_parts, spans_plane
from probetest.statistics.reseat_shift import SeriesMeans, Shifts, paired_shifts
from probetest.statistics.reseat_verdict import Judge

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DirectionShift:
    """What one direction shows.

    Attributes
    ----------
    azimuth_deg : float
    n_baseline, n_stage : int
        Touches; those of a repeated baseline are not counted.
    shift_mm : float
        Stage less baseline; with another clamping level and centre of all shifts are taken out, NaN where
        that leaves nothing.
    u_mm : float
        Infinite where nothing is left.
    interval_mm : Interval
    within : bool
        Two one-sided tests of this direction alone, at the risk.
    beyond_p : float
        Chance of so large a shift at the margin, one-sided; Holm-adjusted over directions.
    """

    azimuth_deg: float
    n_baseline: int
    n_stage: int
    shift_mm: float
    u_mm: float
    interval_mm: Interval
    within: bool
    beyond_p: float


@dataclass(frozen=True, slots=True)
class BracketDrift:
    """Baseline repeated after the stage, less the one before.

    Attributes
    ----------
    mean_mm : float
        Mean over directions.
    u_mm : float
    interval_mm : Interval
    parts : ShiftParts or None
        Level, centre and shape; None with too few directions.
    p : float
        F test of any difference in any direction.
    """

    mean_mm: float
    u_mm: float
    interval_mm: Interval
    parts: ShiftParts | None
    p: float


def bracket_drift(
    before: SeriesMeans, after: SeriesMeans, azimuths: Floats, step_mm: float, level: float
) -> BracketDrift:
    """Difference of a repeated baseline and the one before.

    Parameters
    ----------
    before, after : SeriesMeans
    azimuths : numpy.ndarray, shape (directions,), deg
    step_mm : float
        Step of the readings, 0 if fine.
    level : float
        Two-sided level of the intervals.
    """
    shifts = paired_shifts(before, after, azimuths, step_mm=step_mm)
    count, dof = len(shifts.shift_mm), shifts.pooled_dof
    parts = shift_parts(shifts, level) if spans_plane(shifts.azimuth_deg) else None
    mean, u = float(shifts.shift_mm.mean()), float(np.sqrt(shifts.covariance.sum())) / count
    ratio = float(shifts.shift_mm @ np.linalg.solve(shifts.covariance, shifts.shift_mm)) / count
    return BracketDrift(
        mean, u, mean_interval(mean, u, dof, level), parts,
        float(special.fdtrc(count, dof, ratio)),
    )  # fmt: skip


def direction_shifts(
    shifts: Shifts, size: Floats, judge: Judge, before: SeriesMeans, stage: SeriesMeans, level: float
) -> tuple[DirectionShift, ...]:
    """What each direction shows.

    Parameters
    ----------
    shifts : Shifts
    size : numpy.ndarray, shape (paired,), mm
        What is judged of them.
    judge : Judge
    before, stage : SeriesMeans
    level : float
        Two-sided level of the intervals.
    """
    told = np.isfinite(judge.u)
    excess = np.abs(size) - judge.margin
    p = special.stdtr(shifts.dof, -excess / judge.u)
    within = np.abs(size) + judge.one_sided * judge.u <= judge.margin
    half = -special.stdtrit(shifts.dof, (1 - level) / 2) * judge.u
    return tuple(
        DirectionShift(
            azimuth_deg=float(shifts.azimuth_deg[k]),
            n_baseline=int(before.counts[shifts.place[k]]),
            n_stage=int(stage.counts[shifts.place[k]]),
            shift_mm=float(size[k]) if told[k] else float("nan"),
            u_mm=float(judge.u[k]),
            interval_mm=Interval(float(size[k] - half[k]), float(size[k] + half[k]), level),
            within=bool(within[k]),
            beyond_p=float(adjusted),
        )
        for k, adjusted in enumerate(_holm(p))
    )


def _holm(p: Floats) -> Floats:
    """P values adjusted so that all of them together keep a risk."""
    ranked = np.argsort(p)
    steps = np.maximum.accumulate(p[ranked] * np.arange(len(p), 0, -1))
    adjusted = np.empty(len(p))
    adjusted[ranked] = np.minimum(steps, 1.0)
    return adjusted
