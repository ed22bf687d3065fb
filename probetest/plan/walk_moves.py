"""The moves of a program, told apart, and the faults found in them so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from probetest.plan.bench import Bench
from probetest.plan.contact_places import contact_places
from probetest.plan.motions import PLAIN, Motions
from probetest.plan.schedule import Schedule
from probetest.plan.solids import Solids
from probetest.plan.words import refusal

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

WAIT_MM = 1.0
"""So far above the safe height the operator may be waited for."""

PLACE_MM = 0.001
"""Tolerance of places: four decimals are written."""

WRITTEN_MM = 0.0002
"""How far apart both ends of a move may have been rounded."""


@dataclass(eq=False, slots=True)
class Followed:
    """The moves of a program beside what was planned.

    Attributes
    ----------
    motions : Motions
    bench : Bench
    schedule : Schedule
    faults : list of (int, str)
        Lines and sentences of the rules that are broken.
    kind : ndarray of str, shape (n,)
        "touch", "fast", "guarded" or "plain".
    touch : ndarray of int, shape (n,)
        Number of the touch; 0 for other moves.
    solids : Solids
    low, high : ndarray, shape (n, 3), mm
        Start and end of each move, for the centre of the ball.
    at : ndarray of int, shape (m,)
        Places of the planned touches among the motions, fast ones too.
    which : ndarray of int, shape (m,)
        Place of each of them in the schedule.
    contact, way : ndarray, shape (m, 3)
        Where each should meet the artefact (centre of the ball, mm), and its unit vector of motion.
    """

    motions: Motions
    bench: Bench
    schedule: Schedule
    faults: list[tuple[int, str]] = field(default_factory=list)
    kind: NDArray[np.str_] = field(init=False)
    touch: NDArray[np.int64] = field(init=False)
    solids: Solids = field(init=False)
    low: Floats = field(init=False)
    high: Floats = field(init=False)
    at: NDArray[np.int64] = field(init=False)
    which: NDArray[np.int64] = field(init=False)
    contact: Floats = field(init=False)
    way: Floats = field(init=False)

    def __post_init__(self) -> None:
        if self.motions.fault is not None:
            self.faults.append(self.motions.fault)
        self.solids = Solids(self.bench)
        up = np.array([0.0, 0.0, self.solids.ball_radius_mm])
        self.low, self.high = self.motions.start + up, self.motions.end + up
        self._sort()

    @property
    def per_touch(self) -> int:
        """Moves that touch, for one touch that counts."""
        return 1 if self.bench.moves.fast_feed_mm_min is None else 2

    @property
    def after_touch(self) -> Flags:
        """Whether the move before was a touch, shape (n,)."""
        after = np.zeros(len(self.kind), dtype=np.bool_)
        after[1:] = self.touch[:-1] > 0
        return after

    def fault(self, at: int, found: str, expected: str) -> None:
        """Note a rule that a move breaks."""
        line = int(self.motions.line[at])
        self.faults.append((line, refusal(line, found, expected)))

    def each(self, broken: Flags, found: str, expected: str, values: Floats | None = None) -> None:
        """Note the first touch that breaks a rule."""
        at = first_of(broken)
        if at is not None:
            self.fault(self.at[at], found if values is None else found.format(values[at]), expected)

    def home(self, count: int) -> bool:
        """Whether so many motions end over X0 Y0 at the safe height, or up to a millimetre above it."""
        if count == 0:
            return True
        place = self.motions.end[count - 1]
        above = float(place[2]) - self.bench.moves.safe_z_mm
        return bool(np.hypot(place[0], place[1]) <= PLACE_MM and -PLACE_MM <= above <= WAIT_MM + PLACE_MM)

    def _sort(self) -> None:
        """Tell touches by where they end, and give them their places in the schedule."""
        word = self.motions.word
        touching = (word != PLAIN) & (self.solids.ball(self.high) < 0)
        self.kind = np.where(word == PLAIN, "plain", np.where(touching, "touch", "guarded"))
        self.touch = np.zeros(len(word), dtype=np.int64)
        contact, way = contact_places(self.bench, self.schedule)
        twice = self.per_touch
        found = np.flatnonzero(touching)
        number = np.arange(len(found)) // twice
        if twice == 2:
            self.kind[found[::2]] = "fast"
        self.touch[found] = number + 1
        wanted = twice * len(self.schedule)
        if len(found) > wanted:
            self.fault(found[wanted], f"a touch beyond {len(self.schedule)}", "no more than were planned")
        elif len(found) < wanted and self.motions.fault is None:
            line = self.motions.end_line
            told = f"the end after {len(found) // twice} touches"
            self.faults.append((line, refusal(line, told, f"{len(self.schedule)} touches")))
        self.at, self.which = found[:wanted], number[:wanted]
        self.contact, self.way = contact[self.which], way[self.which]


def first_of(broken: Flags) -> int | None:
    """Place of the first one that is so; None without any."""
    return int(np.argmax(broken)) if broken.any() else None
