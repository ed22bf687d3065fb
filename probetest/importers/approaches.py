"""From the lines of a log to approaches in order: touches, misses, repeats that are none, interruptions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.importers.copies import find_copies, find_doubled
from probetest.importers.listings import touches_of_listings
from probetest.importers.pattern import Pattern
from probetest.importers.scan import Scan
from probetest.importers.skipped import SkipList
from probetest.triggers import OUTCOMES

TRIGGER, MISSED, OPEN_AT_START, FALSE = range(len(OUTCOMES))
_OF_CONTACT = np.array([MISSED, TRIGGER, OPEN_AT_START, FALSE], dtype=np.int8)
_NEAR_LINES = 3
_DAY_S = 86_400.0
_WRAP_S = 43_200.0


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a log was interrupted.

    Attributes
    ----------
    line : int
    kind : {"position_lost", "restart", "words", "copy"}
    before : int
        Approaches that come before it.
    text : str
        What the line says; empty where that does not matter.
    """

    line: int
    kind: str
    before: int
    text: str = ""


@dataclass(slots=True)
class Approaches:
    """The approaches of a log in the order in which they were made.

    Attributes
    ----------
    columns : dict of str to array
        ``line``, ``outcome`` (code of ``OUTCOMES``), and what the pattern finds; NaN, -1 or
        an empty word where a row has none.
    cuts : list of Cut
    notices : list of str
        What is worth telling of the file.
    is_reversed : bool
        Whether the newest line came first.
    step : float
        Last digit of the values, in the units of the log.
    """

    columns: dict[str, Any]
    cuts: list[Cut] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    is_reversed: bool = False
    step: float = 0.0

    def __len__(self) -> int:
        return len(self.columns["line"])

    def select(self, rows: NDArray[Any]) -> None:
        """Keep some rows only."""
        self.columns = {name: values[rows] for name, values in self.columns.items()}


def list_approaches(found: Scan, pattern: Pattern, skipped: SkipList, *, guarded: bool = False) -> Approaches:
    """Put the results of a log in order and give each its outcome.

    Parameters
    ----------
    found : Scan
        At least one result.
    pattern : Pattern
    skipped : SkipList
        Takes repeats that are no touches.
    guarded : bool
        Between the touches are probe moves that meet nothing: only an alarm makes a miss.

    Returns
    -------
    Approaches
    """
    columns = dict(found.columns)
    contact = columns.pop("contact", None)
    rows = len(columns["line"])
    columns["outcome"] = np.full(rows, TRIGGER, dtype=np.int8) if contact is None else _OF_CONTACT[contact]
    is_reversed = _is_newest_first(columns)
    keep, notices = touches_of_listings(columns, found, is_reversed, skipped)
    result = Approaches(columns, [], [*found.notices, *notices], is_reversed, 10.0**-found.decimals)
    result.select(keep)
    alarms = _add_events(result, found, pattern, skipped)
    if guarded:
        _leave_out_guarded(result, found, alarms, skipped)
    _note_misses(result, found, alarms, skipped)
    _set_order(result)
    _drop_doubled(result, skipped)
    _find_cuts(result, found)
    result.cuts += [Cut(int(result.columns["line"][at]), "copy", at) for at in find_copies(result.columns)]
    result.cuts.sort(key=lambda cut: cut.before)
    if found.reports:
        result.notices.append(
            f"Reports of where the machine is were passed over: {found.reports} lines; "
            f"{len(result)} results are used."
        )
    if pattern.display_only:
        result.notices.append(
            "The values were copied from a position display: they include the distance the machine took to "
            "stop, which cancels in the repeatability but not in a position, and its own scatter stays."
        )
    return result


def _drop_doubled(result: Approaches, skipped: SkipList) -> None:
    """Leave out lines that were pasted again: the same time, the same values."""
    first, line = find_doubled(result.columns), result.columns["line"]
    if len(result) and not find_copies(result.columns):  # a whole copy is asked about
        again = np.flatnonzero(first != np.arange(len(first)))
        for row in again.tolist():
            skipped.add(
                int(line[row]), f"the same time and values as on line {line[first[row]]}: pasted again"
            )
        if len(again):
            result.select(np.delete(np.arange(len(first)), again))


def _leave_out_guarded(result: Approaches, found: Scan, alarms: dict[int, int], skipped: SkipList) -> None:
    """Leave out results without contact and without an alarm: moves that were to meet nothing."""
    line, outcome = result.columns["line"], result.columns["outcome"]
    idle = (outcome == MISSED) & ~np.isin(line, [*alarms, *found.lines_of("miss").tolist()])
    skipped.add_lines(line[idle], "a move between touches that was to meet nothing, and met nothing")
    if idle.any():
        result.notices.append(
            f"Moves between touches, as the plan has them, were left out: {np.count_nonzero(idle)}; with "
            "such a program a miss stops it with an alarm."
        )
        result.select(~idle)


def _note_misses(result: Approaches, found: Scan, alarms: dict[int, int], skipped: SkipList) -> None:
    """Say of each result without contact that its position is no touch."""
    line, outcome = result.columns["line"], result.columns["outcome"]
    for row, alarm in alarms.items():
        skipped.add(
            row, f"no contact: its position is no touch; counted once, with the alarm on line {alarm}"
        )
    missed = line[outcome == MISSED]
    skipped.add_lines(
        missed[~np.isin(missed, np.append(found.lines_of("miss"), [*alarms]))],
        "no contact: its position is the end of the travel, no touch; counted as a miss",
    )


def _add_events(result: Approaches, found: Scan, pattern: Pattern, skipped: SkipList) -> dict[int, int]:
    """Count an alarm as an approach, unless a result without contact beside it is the same one.

    Returns the line of each such result with the line of its alarm.
    """
    alarms: dict[int, int] = {}
    whys: dict[str, str] = {event.kind: event.why for event in pattern.events if event.why}
    line = result.columns["line"]
    taken = np.zeros(len(line), dtype=bool)
    extra: list[tuple[int, int]] = []
    for kind, code in (("open_at_start", OPEN_AT_START), ("miss", MISSED), ("false", FALSE)):
        for at in found.lines_of(kind).tolist():
            row = _beside(line, result.columns["outcome"], taken, at) if kind != "false" else None
            if row is None:
                extra.append((at, code))
            else:
                taken[row] = True
                alarms[int(line[row])] = at
                result.columns["outcome"][row] = code
            counted = {MISSED: "a miss", OPEN_AT_START: "open at start", FALSE: "a false trigger"}[code]
            skipped.add(at, f"{whys.get(kind) or kind.replace('_', ' ')}; counted as {counted}")
    if extra:
        _insert(result, extra)
    return alarms


def _beside(
    line: NDArray[np.int64], outcome: NDArray[np.int8], taken: NDArray[np.bool_], at: int
) -> int | None:
    """Return the row of a result without contact within three lines: the nearest, of two the one behind."""
    after = int(np.searchsorted(line, at))
    found = [
        (abs(int(line[row]) - at), -row)
        for row in (after, after - 1)
        if 0 <= row < len(line) and outcome[row] == MISSED and not taken[row]
    ]
    distance, row = min(found, default=(_NEAR_LINES + 1, 0))
    return -row if distance <= _NEAR_LINES else None


def _insert(result: Approaches, extra: list[tuple[int, int]]) -> None:
    count = len(extra)
    lines = np.array([line for line, _ in extra], dtype=np.int64)
    codes = np.array([code for _, code in extra], dtype=np.int8)
    order = np.argsort(np.concatenate([result.columns["line"], lines]), kind="stable")
    for name, values in result.columns.items():
        if name == "line":
            added: Any = lines
        elif name == "outcome":
            added = codes
        elif values.dtype.kind == "f":
            added = np.full(count, np.nan)
        elif values.dtype.kind == "O" or hasattr(values, "categories"):
            result.columns[name] = _with_blank(values, count)[order]
            continue
        else:
            added = np.full(count, -1, dtype=values.dtype)
        result.columns[name] = np.concatenate([values, added])[order]


def _with_blank(words: Any, count: int) -> Any:
    if "" not in words.categories:
        words = words.add_categories([""])
    blank = words.categories.get_loc("")
    codes = np.concatenate([words.codes, np.full(count, blank)])
    return type(words).from_codes(codes, categories=words.categories)


def _is_newest_first(columns: dict[str, Any]) -> bool:
    """Whether the times only fall, but for one step past midnight."""
    if "time" not in columns:
        return False
    seconds = columns["time"]
    steps = np.diff(seconds[np.isfinite(seconds)])
    falls = (steps < 0) & (steps > -_WRAP_S)
    rises = (steps > 0) & (steps < _WRAP_S)
    return bool(falls.any() and not rises.any())


def _set_order(result: Approaches) -> None:
    """Read a log bottom-up whose times only fall; add a day where the clock passes midnight."""
    if result.is_reversed:
        result.select(np.arange(len(result))[::-1])
        result.notices.append(
            "The times fall from line to line: the newest line comes first, and the log was read bottom-up."
        )
    if "time" not in result.columns:
        return
    seconds = result.columns["time"]
    known = np.flatnonzero(np.isfinite(seconds))
    wraps = np.concatenate([[0], np.cumsum(np.diff(seconds[known]) <= -_WRAP_S)])
    if len(known) and wraps[-1]:
        result.columns["time"] = seconds.copy()
        result.columns["time"][known] += wraps * _DAY_S
        result.notices.append("The times pass midnight; they were read as going on into the next day.")


def _find_cuts(result: Approaches, found: Scan) -> None:
    line = result.columns["line"]
    sign = -1 if result.is_reversed else 1
    keys = sign * line
    cuts = []
    for kind in ("position_lost", "restart"):
        cuts += [(sign * at, at, kind, "") for at in found.lines_of(kind).tolist()]
    if "words" in found.texts:
        codes, texts = found.texts["words"]
        moves = np.array([_changes_offset(text) for text in texts])[codes]
        cuts += [
            (sign * at, at, "words", texts[code])
            for at, code in zip(found.events["words"][moves].tolist(), codes[moves].tolist(), strict=True)
        ]
    for key, at, kind, text in sorted(cuts):
        before = int(np.searchsorted(keys, key))
        if 0 < before < len(line):
            result.cuts.append(Cut(at, kind, before, text))


def _changes_offset(text: str) -> bool:
    """Whether RS274 words change work offset, tool offset or the origin."""
    plain = text.upper().replace(" ", "")
    return any(
        word in plain
        for word in ("G10", "G92", "G52", "G43", "G49", "G54", "G55", "G56", "G57", "G58", "G59")
    )
