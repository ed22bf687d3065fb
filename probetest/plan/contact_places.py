"""Where each touch of a schedule should meet the artefact."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.schedule import Schedule

Floats = NDArray[np.float64]

_EXACT_DEG = 1e-6


def contact_places(bench: Bench, schedule: Schedule) -> tuple[Floats, Floats]:
    """Return where touches meet a nominal artefact.

    Parameters
    ----------
    bench : Bench
    schedule : Schedule

    Returns
    -------
    contact : ndarray, shape (touches, 3), mm
        Centre of the ball, in the coordinates of the program.
    motion : ndarray, shape (touches, 3)
        Unit vectors of motion.

    Raises
    ------
    PlanError
        If the artefact has no place for a touch: one from above on an upright wall, one that is not square
        to a face of a block, one from the side on a plane, one from below on a sphere.
    """
    artefact, radius = bench.artefact, bench.stylus.ball_diameter_mm / 2
    azimuth, elevation = np.deg2rad(schedule.azimuth_deg), np.deg2rad(schedule.elevation_deg)
    motion = np.column_stack([
        np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
    ])  # fmt: skip
    at_depth = np.array([0.0, 0.0, -bench.moves.depth_mm])
    if artefact.kind == "plane":
        _all_within(
            schedule, np.abs(schedule.elevation_deg + 90) <= _EXACT_DEG, "straight down, elevation -90"
        )
        return np.tile([0.0, 0.0, radius], (len(schedule), 1)), motion
    if artefact.kind == "sphere":
        possible = (schedule.elevation_deg >= -90 - _EXACT_DEG) & (schedule.elevation_deg <= _EXACT_DEG)
        _all_within(schedule, possible, "from above or the side, elevation -90 to 0")
        half = (artefact.diameter_mm or 0.0) / 2
        return np.array([0.0, 0.0, -half]) - (half + radius) * motion, motion
    _all_within(schedule, np.abs(schedule.elevation_deg) <= _EXACT_DEG, "from the side, elevation 0")
    if artefact.size_mm is not None:
        off = np.abs(schedule.azimuth_deg - 90 * np.round(schedule.azimuth_deg / 90))
        _all_within(schedule, off <= _EXACT_DEG, "square to a face, azimuth 0, 90, 180 or 270")
        half_length = np.abs(motion[:, :2]) @ (np.array(artefact.size_mm) / 2)
        return at_depth - (half_length + radius)[:, None] * motion, motion
    half = (artefact.diameter_mm or 0.0) / 2
    if artefact.kind == "ring":
        return at_depth + (half - radius) * motion, motion
    return at_depth - (half + radius) * motion, motion


def _all_within(schedule: Schedule, possible: NDArray[np.bool_], expected: str) -> None:
    if not possible.all():
        at = int(np.argmin(possible))
        raise PlanError(
            f"Touch {at + 1} has azimuth {schedule.azimuth_deg[at]:g} and elevation "
            f"{schedule.elevation_deg[at]:g} deg; expected on this artefact: {expected}."
        )
