"""The motions of a machine program, as far as its words alone tell: modes, places, feeds, pauses, end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from probetest.errors import PlanError
from probetest.plan.words import Block, refusal, refuse

Floats = NDArray[np.float64]

PLAIN = 1.0
PROBING = (38.2, 38.3)
MODES = {17.0: "XY plane", 21.0: "millimetres", 90.0: "absolute distances", 94.0: "feed per minute"}
"""Set before the first motion, and never changed."""

_HARMLESS = frozenset({40.0, 80.0})
_PAUSES, _ENDS, _SPINDLE_STOP = frozenset({0.0, 1.0}), frozenset({2.0, 30.0}), 5.0
_AXES = "XYZ"


@dataclass(frozen=True, slots=True)
class Told:
    """Something that stands between motions.

    Attributes
    ----------
    line : int
    motions : int
        How many motions stand before it.
    text : str
        Of a comment; empty for a pause.
    """

    line: int
    motions: int
    text: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Motions:
    """The motions of a program in order, n of them.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
    word : ndarray, shape (n,)
        Number after G: 1, 38.2 or 38.3.
    start, end : ndarray, shape (n, 3), mm
        Of the lowest point of the ball.
    stated : ndarray of bool, shape (n, 3)
        Axes that the line names.
    feed_mm_min : ndarray, shape (n,)
    pauses, comments : tuple of Told
    end_line : int
        Line of the end of the program; the last line that was read where ``fault`` is not None.
    fault : tuple of (int, str) or None
        Line and sentence of the first fault in the words. Nothing after it was read.
    """

    line: NDArray[np.int64]
    word: Floats
    start: Floats
    end: Floats
    stated: NDArray[np.bool_]
    feed_mm_min: Floats
    pauses: tuple[Told, ...]
    comments: tuple[Told, ...]
    end_line: int
    fault: tuple[int, str] | None


def read_motions(blocks: Sequence[Block], first: tuple[float, float, float]) -> Motions:
    """Follow the words of a program.

    Parameters
    ----------
    blocks : sequence of Block
    first : tuple of float, mm
        Where the operator has put the lowest point of the ball before the first motion.

    Returns
    -------
    Motions
        Up to the end of the program, or to the first line whose words are not allowed. Allowed are, each
        on lines of their own: modal words (G17 G21 G40 G80 G90 G94) and M5 before the first motion;
        motions, each with its word (G1, G38.2, G38.3), at least one axis and its feed; M0 or M1; M2 or M30.
    """
    state = _State(first)
    fault = None
    line = 0
    for block in blocks:
        line = block.line
        state.comments += [Told(line, len(state.line), text) for text in block.comments]
        if not block.words:
            continue
        try:
            state.take(block)
        except PlanError as error:
            fault = (line, str(error))
            break
    if fault is None and not state.ended:
        fault = (line, refusal(line, "the last line, without an end", "M2 or M30"))
    ends = np.array(state.end, dtype=np.float64).reshape(-1, 3)
    starts = np.vstack([np.array([first]), ends])[: len(ends)]
    return Motions(
        np.array(state.line, dtype=np.int64), np.array(state.word), starts, ends,
        np.array(state.stated, dtype=np.bool_).reshape(-1, 3), np.array(state.feed),
        tuple(state.pauses), tuple(state.comments), state.ended or line, fault,
    )  # fmt: skip


@dataclass(slots=True)
class _State:
    at: tuple[float, float, float]
    line: list[int] = field(default_factory=list)
    word: list[float] = field(default_factory=list)
    end: list[tuple[float, float, float]] = field(default_factory=list)
    stated: list[tuple[bool, ...]] = field(default_factory=list)
    feed: list[float] = field(default_factory=list)
    pauses: list[Told] = field(default_factory=list)
    comments: list[Told] = field(default_factory=list)
    modes: set[float] = field(default_factory=set)
    spindle_stopped: bool = False
    ended: int = 0

    def take(self, block: Block) -> None:
        """Take the words of one line."""
        line, ways, tasks = block.line, block.numbers("G"), block.numbers("M")
        said = " ".join(f"{letter}{number:g}" for letter, number in block.words)
        if self.ended:
            refuse(line, said, "nothing after the end of the program")
        if block.deleted:
            refuse(line, "a line that a switch leaves out", "no '/'")
        for letter, number in block.words:
            if not self._known(letter, number):
                refuse(
                    line, f"{letter}{number:g}", "no word but G1, G38.2, G38.3, modes, M5, pauses and the end"
                )
        if any(letter in "XYZF" for letter, _ in block.words) or set(ways) & {PLAIN, *PROBING}:
            self._move(block, said)
        elif set(tasks) & (_PAUSES | _ENDS):
            if len(block.words) > 1:
                refuse(line, said, "a pause or the end on a line of its own")
            if tasks[0] in _ENDS:
                self.ended = line
            else:
                self.pauses.append(Told(line, len(self.line)))
        else:
            if self.line:
                refuse(line, said, "modes and M5 before the first motion")
            self.modes |= set(ways)
            if tasks and not self.spindle_stopped:
                self.spindle_stopped = True
                self.pauses.clear()  # one before the spindle is stopped lets nobody look at a stopped one

    @staticmethod
    def _known(letter: str, number: float) -> bool:
        if letter == "G":
            return number in MODES or number in _HARMLESS or number == PLAIN or number in PROBING
        if letter == "M":
            return number in _PAUSES or number in _ENDS or number == _SPINDLE_STOP
        return letter in "XYZF"

    def _move(self, block: Block, said: str) -> None:
        line, words = block.line, dict(block.words)
        ways = block.numbers("G")
        if block.numbers("M") or len(ways) != 1 or ways[0] not in (PLAIN, *PROBING):
            refuse(line, said, "a motion with one word of its own (G1, G38.2 or G38.3) and no other")
        stated = tuple(axis in words for axis in _AXES)
        if not any(stated):
            refuse(line, said, "an axis")
        if not words.get("F", 0.0) > 0:
            refuse(line, said, "a motion with its feed, F above 0")
        if not self.line:
            lacking = [f"G{mode:g} ({what})" for mode, what in MODES.items() if mode not in self.modes]
            if lacking:
                refuse(line, f"a motion without {', '.join(lacking)}", "modes before the first motion")
            if not self.spindle_stopped:
                refuse(line, "a motion before the spindle is stopped", "M5 before the first motion")
            if not self.pauses:
                refuse(line, "a motion before a pause", "M5 and then M0 or M1 before the first motion")
            if not all(stated):
                refuse(line, said, "X, Y and Z in the first motion")
        x, y, z = (words.get(axis, here) for axis, here in zip(_AXES, self.at, strict=True))
        self.at = (x, y, z)
        self.line.append(line)
        self.word.append(ways[0])
        self.end.append(self.at)
        self.stated.append(stated)
        self.feed.append(words["F"])
