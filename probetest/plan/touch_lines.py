"""Where each touch starts, meets the artefact and ends: points of the lowest point of the ball."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.plan.bench import Bench
from probetest.plan.schedule import Schedule

Floats = NDArray[np.float64]

_SETTLING = np.array([1.0, 1.0, 0.0]) / math.sqrt(2.0)


@dataclass(frozen=True, eq=False, slots=True)
class TouchLines:
    """Points on the way of each touch, in the coordinates of the program.

    Attributes
    ----------
    entry, start, back, contact, end : ndarray, shape (touches, 3), mm
        Where the settling move begins; where the touch begins; where the slow touch begins after a fast
        one; where the ball meets the artefact as stated; where the touch ends without a trigger.
    """

    entry: Floats
    start: Floats
    back: Floats
    contact: Floats
    end: Floats

    def named(self) -> tuple[tuple[str, Floats], ...]:
        """Points by their words in a message."""
        return (
            ("the settling move begins", self.entry),
            ("the touch begins", self.start),
            ("the touch meets the artefact", self.contact),
            ("the touch ends without a trigger", self.end),
        )


def motion_of(schedule: Schedule) -> Floats:
    """Unit vectors of the motion of each touch, shape (touches, 3)."""
    azimuth, elevation = np.radians(schedule.azimuth_deg), np.radians(schedule.elevation_deg)
    level = np.cos(elevation)
    return np.column_stack((level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)))


def lay_touches(schedule: Schedule, bench: Bench) -> TouchLines:
    """Lay the touches of a schedule on an artefact.

    Parameters
    ----------
    schedule : Schedule
        Directions that the artefact can be touched in; they are not checked here.
    bench : Bench

    Returns
    -------
    TouchLines
    """
    moves = bench.moves
    motion = motion_of(schedule)
    contact = _ball_centres(motion, bench)
    contact[:, 2] -= bench.stylus.ball_diameter_mm / 2
    start = contact - moves.run_up_mm * motion
    return TouchLines(
        entry=start - moves.settle_mm * _SETTLING,
        start=start,
        back=contact - moves.back_off_mm * motion,
        contact=contact,
        end=contact + moves.past_mm * motion,
    )


def _ball_centres(motion: Floats, bench: Bench) -> Floats:
    """Centre of the ball at the contact with an artefact that is as stated."""
    artefact, ball = bench.artefact, bench.stylus.ball_diameter_mm / 2
    radius = (artefact.diameter_mm or 0.0) / 2
    at_depth = np.array([0.0, 0.0, -bench.moves.depth_mm])
    if artefact.kind == "ring":
        return at_depth + (radius - ball) * motion
    if artefact.kind == "boss":
        return at_depth - (radius + ball) * motion
    if artefact.kind == "sphere":
        return np.array([0.0, 0.0, -radius]) - (radius + ball) * motion
    if artefact.kind == "block":
        half = np.array([*(artefact.size_mm or (0.0, 0.0)), 0.0]) / 2
        return at_depth - (np.abs(motion) @ half + ball)[:, np.newaxis] * motion
    return np.tile([0.0, 0.0, ball], (len(motion), 1))
