"""The touches of a test in order, and where the operator has to do something in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Schedule:
    """Touches in the order in which they are made; numbers count from 1.

    Attributes
    ----------
    stage : tuple of str
        Of each touch.
    orientation_deg, azimuth_deg, elevation_deg : ndarray, shape (touches,), deg
        ``azimuth_deg`` is the direction of motion, counter-clockwise from X+; ``elevation_deg`` 0 for a
        horizontal touch, -90 straight down.
    block : ndarray of int, shape (touches,)
        Block of each touch, from 1: after a whole block the test may be looked at.
    """

    stage: tuple[str, ...]
    orientation_deg: Floats
    azimuth_deg: Floats
    elevation_deg: Floats
    block: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.stage)

    @property
    def touch(self) -> NDArray[np.int64]:
        """Numbers of the touches."""
        return np.arange(1, len(self) + 1)

    @property
    def changes(self) -> tuple[int, ...]:
        """Places (from 0) of the touches before which stage or orientation change; the first one included."""
        return tuple(
            at
            for at in range(len(self))
            if at == 0
            or self.stage[at] != self.stage[at - 1]
            or self.orientation_deg[at] != self.orientation_deg[at - 1]
        )

    @property
    def pauses(self) -> tuple[int, ...]:
        """Places of the touches before which the operator is waited for: changes, and ends of blocks."""
        blocks = np.flatnonzero(np.diff(self.block) != 0) + 1
        return tuple(sorted({*self.changes, *blocks.tolist()}))

    @property
    def turns(self) -> int:
        """How often the probe is turned in the spindle."""
        return int((np.diff(self.orientation_deg) != 0).sum())


def join_schedules(parts: Sequence[Schedule]) -> Schedule:
    """Put schedules one after the other; blocks as they are."""
    return Schedule(
        tuple(stage for part in parts for stage in part.stage),
        np.concatenate([part.orientation_deg for part in parts]),
        np.concatenate([part.azimuth_deg for part in parts]),
        np.concatenate([part.elevation_deg for part in parts]),
        np.concatenate([part.block for part in parts]),
    )
