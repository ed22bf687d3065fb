"""An independent check of a machine program: every move is followed, none is taken on trust.

Nothing of what writes programs is used here. The words are read by `words` and `motions`, the moves judged
by `walk_rules` with the distances of `solids`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.motions import read_motions
from probetest.plan.schedule import Schedule
from probetest.plan.walk_rules import judge
from probetest.plan.words import read_blocks

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Walk:
    """The moves of a program that keeps all rules, n of them.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
        Line of the program, from 1.
    kind : ndarray of str, shape (n,)
        "touch" (counts), "fast" (a first touch that finds the surface), "guarded" (stops on contact),
        "plain".
    start, end : ndarray, shape (n, 3), mm
        Of the lowest point of the ball, as programmed: a touch ends earlier, where it triggers.
    feed_mm_min : ndarray, shape (n,)
    touch : ndarray of int, shape (n,)
        Number of the touch that a touch or fast touch belongs to; 0 for all other moves.
    """

    line: NDArray[np.int64]
    kind: NDArray[np.str_]
    start: Floats
    end: Floats
    feed_mm_min: Floats
    touch: NDArray[np.int64]

    @property
    def length_mm(self) -> float:
        """Length of all moves as programmed."""
        return float(np.linalg.norm(self.end - self.start, axis=1).sum())

    @property
    def seconds(self) -> float:
        """Time of all moves as programmed, without acceleration and pauses."""
        lengths = np.linalg.norm(self.end - self.start, axis=1)
        return float((60.0 * lengths / self.feed_mm_min).sum())

    @property
    def retract(self) -> NDArray[np.bool_]:
        """Whether a move is the way back right after a touch, shape (n,)."""
        after = np.zeros(len(self.kind), dtype=np.bool_)
        after[1:] = self.touch[:-1] > 0
        back: NDArray[np.bool_] = after & (self.kind == "plain")
        return back


def walk_program(text: str, bench: Bench, schedule: Schedule) -> Walk:
    """Read a program and follow every move.

    Parameters
    ----------
    text : str
        The program.
    bench : Bench
    schedule : Schedule
        What the program should do.

    Returns
    -------
    Walk

    Raises
    ------
    PlanError
        For the first line that breaks a rule, with what was found and what was expected. The rules:

        * words: those of `motions.read_motions`; modes, spindle stop and a pause before the first motion;
        * every point within the stated volume, every feed the stated one, every touch within what the maker
          of the probe allows in feed, overtravel and stopping distance;
        * each touch in its turn, direction and place, entered by the settling move, named by its comment;
          it meets the artefact first where it should, the stem clears, the body keeps its clearance;
        * after a touch straight back on its line, and never farther forward than the overtravel, wherever a
          fast touch has triggered; no other unguarded move unless the program has no guarded one at all;
        * all else keeps the clearance of ball, stem and body from the artefact and its stand, all the way,
          and goes across at the safe height or above, or at depth in the bore of a ring;
        * where stage, orientation or block change, a pause over X0 Y0 at the safe height or up to 1 mm above,
          a motion to there, and a second pause after the way down; the program ends over X0 Y0, too.

    Notes
    -----
    Places have a tolerance of 0.001 mm (four decimals are written), clearances one of 0.005 mm. The
    distances are proved between positions too, not only found at some. What nobody stated can't be checked:
    a post below a sphere, clamps, corners that a controller rounds, another work offset.
    """
    motions = read_motions(read_blocks(text), (0.0, 0.0, bench.moves.safe_z_mm))
    judged = judge(motions, bench, schedule)
    if judged.fault is not None:
        raise PlanError(judged.fault)
    return Walk(motions.line, judged.kind, motions.start, motions.end, motions.feed_mm_min, judged.touch)
