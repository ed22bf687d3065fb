"""A line pattern over a whole file: which lines hold results, and what the others say."""

from __future__ import annotations

import time as clock
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.blocks import LONGEST_LINE, Block, LogText
from probetest.importers.pattern import Pattern
from probetest.importers.records import Records
from probetest.importers.skipped import SkipList

_FIRST_LINES = 500
_SLOWEST_S = 3.0
_WITH_TEXT = ("command", "words")
_CUT = "ends early; the log or a transfer was cut off"
_JOINED = "a result cut in two; it was joined with the next line and is counted there"


@dataclass(slots=True)
class Scan:
    """What the lines of a file hold.

    Attributes
    ----------
    columns : dict of str to array
        By the names of groups: ``line`` (int64), numbers (NaN where none), ``contact`` (1 yes, 0 no,
        2 open at start, 3 false), ``touch`` (int64), words (pandas.Categorical), ``time`` (s of the day).
    axis_count : int
        Positions in a result.
    decimals : int
        Most digits behind the point among the results.
    events : dict of str to ndarray of int64
        Kind to its lines.
    texts : dict of str to tuple of (ndarray of int64, list of str)
        For "command" and "words": code of each line's text, and the texts.
    first_lines : list of str
        The first lines of the file that hold anything, for messages.
    skipped : SkipList
    """

    columns: dict[str, Any] = field(default_factory=dict)
    axis_count: int = 0
    decimals: int = 0
    events: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    texts: dict[str, tuple[NDArray[np.int64], list[str]]] = field(default_factory=dict)
    first_lines: list[str] = field(default_factory=list)
    skipped: SkipList = field(default_factory=SkipList)

    def lines_of(self, *kinds: str) -> NDArray[np.int64]:
        """Return the lines of events of these kinds, in order."""
        found = [self.events[kind] for kind in kinds if kind in self.events]
        return np.sort(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)


def scan(log: LogText, pattern: Pattern, first_line: int, faults: FaultList) -> Scan:
    """Look for the results of a pattern in all lines of a file.

    Parameters
    ----------
    log : LogText
    pattern : Pattern
        With its tag filled in.
    first_line : int
        Lines before it are passed over (a head of metadata).
    faults : FaultList
        Takes values that can't be what they should be.

    Returns
    -------
    Scan

    Raises
    ------
    ImportDataError
        If the file can't be read, or a pattern takes too long.

    Notes
    -----
    Expressions run in RE2 (through Arrow), whose time grows with the length of the line times that of the
    expression, whatever both hold; lines and expressions are bounded, and the first lines are timed.
    """
    return _Scanner(pattern, faults).run(log, first_line)


@dataclass(slots=True)
class _Scanner:
    pattern: Pattern
    faults: FaultList
    found: Scan = field(default_factory=Scan)
    records: Records = field(init=False)
    events: dict[str, list[NDArray[np.int64]]] = field(default_factory=dict)
    text_codes: dict[str, list[NDArray[np.int64]]] = field(default_factory=dict)
    texts: dict[str, dict[str, int]] = field(default_factory=dict)
    carried: tuple[int, str] | None = None
    timed: bool = False

    def __post_init__(self) -> None:
        self.records = Records(self.pattern, self.found.skipped, self.faults)

    def run(self, log: LogText, first_line: int) -> Scan:
        for block in log:
            for part in self._portions(block):
                self._take(part, first_line)
            for line, size in block.too_long:
                self.found.skipped.add(line, f"a line of {size} characters, longer than {LONGEST_LINE}")
        if self.carried:
            self._skip_cut(*self.carried)
        self.found.columns = self.records.finish()
        self.found.axis_count, self.found.decimals = self.records.axis_count, self.records.decimals
        for kind, parts in self.events.items():
            lines = np.concatenate(parts)
            order = np.argsort(lines, kind="stable")
            self.found.events[kind] = lines[order]
            if kind in _WITH_TEXT:
                codes = np.concatenate(self.text_codes[kind])[order]
                self.found.texts[kind] = (codes, list(self.texts[kind]))
        return self.found

    def _portions(self, block: Block) -> Iterator[Block]:
        """Time the first lines of a file on their own."""
        if self.timed:
            yield block
            return
        self.timed = True
        start = clock.monotonic()
        yield Block(block.lines[:_FIRST_LINES], block.first)
        if clock.monotonic() - start > _SLOWEST_S:
            self.faults.add(
                f"a pattern that takes more than {_SLOWEST_S:g} s for the first {_FIRST_LINES} lines",
                "a pattern without large counted repeats",
                action="simplify the pattern",
            )
            self.faults.raise_if_any()
        yield Block(block.lines[_FIRST_LINES:], block.first + _FIRST_LINES)

    def _take(self, block: Block, first_line: int) -> None:
        lines, number = block.lines, np.arange(block.first, block.first + len(block.lines))
        if first_line > block.first:
            ahead = min(first_line - block.first, len(lines))
            lines, number = lines[ahead:], number[ahead:]
        if not len(lines):
            return
        if len(self.found.first_lines) < 3:
            self.found.first_lines += [text for text in lines[:50].to_pylist() if text][:3]
        holds = flags(pc.match_substring_regex(lines, self.pattern.record))
        dealt = np.zeros(len(lines), dtype=bool)
        if self.carried or (self.pattern.partial and not holds.all()):
            lines, holds, dealt = self._mend_cut(lines, number, holds)
        rest = ~holds & ~dealt
        if rest.any():
            self._take_rest(lines.filter(pa.array(rest)), number[rest])
        if holds.any():
            records = lines.filter(pa.array(holds))
            self.records.take(records, number[holds])
            for event in self.pattern.events:
                if event.kind in _WITH_TEXT:
                    self._find_texts(event.kind, event.find, records, number[holds])

    # ---- a result that was cut in two

    def _mend_cut(
        self, lines: pa.StringArray, number: NDArray[np.int64], holds: NDArray[np.bool_]
    ) -> tuple[pa.StringArray, NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the lines, which of them hold a result, and which are dealt with."""
        partial = self.pattern.partial
        cut = flags(pc.match_substring_regex(lines, partial)) & ~holds if partial else np.zeros_like(holds)
        changed: dict[int, str] = {}
        if self.carried:
            (line, text), self.carried = self.carried, None
            self._join(line, text, 0, lines, holds, changed)
        for row in np.flatnonzero(cut).tolist():
            if holds[row]:
                continue  # the second half of another one
            if row + 1 == len(lines):
                self.carried = (int(number[row]), lines[row].as_py())
            else:
                self._join(int(number[row]), lines[row].as_py(), row + 1, lines, holds, changed)
        if changed:
            texts = lines.to_pylist()
            for row, text in changed.items():
                texts[row] = text
            lines = pa.array(texts, pa.string())
        return lines, holds, cut & ~holds

    def _join(
        self,
        line: int,
        text: str,
        row: int,
        lines: pa.StringArray,
        holds: NDArray[np.bool_],
        changed: dict[int, str],
    ) -> None:
        joined = text + lines[row].as_py()
        if not holds[row] and len(joined) <= LONGEST_LINE and self._is_record(joined):
            changed[row], holds[row] = joined, True
            self.found.skipped.add(line, _JOINED)
        else:
            self._skip_cut(line, text)

    def _is_record(self, text: str) -> bool:
        return bool(pc.match_substring_regex(pa.array([text]), self.pattern.record)[0].as_py())

    def _skip_cut(self, line: int, text: str) -> None:
        self.found.skipped.add(line, f"{shown(text)} {_CUT}")

    # ---- lines without a result

    def _take_rest(self, lines: pa.StringArray, number: NDArray[np.int64]) -> None:
        unread = flags(pc.not_equal(lines, ""))
        for event in self.pattern.events:
            if not unread.any():
                return
            if event.kind in _WITH_TEXT:  # RS274 words of several kinds may share a line
                unread &= ~self._find_texts(event.kind, event.find, lines, number)
                continue
            hit = flags(pc.match_substring_regex(lines, event.find)) & unread
            unread &= ~hit
            if event.kind != "noise" and hit.any():
                self.events.setdefault(event.kind, []).append(number[hit])
                if event.kind == "summary":
                    self.found.skipped.add_lines(number[hit], "a mean, range or the like is no touch")
        for row in np.flatnonzero(unread).tolist():
            self.found.skipped.add(int(number[row]), f"not understood: {shown(lines[row].as_py())}")

    def _find_texts(
        self, kind: str, find: str, lines: pa.StringArray, number: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        hit = flags(pc.match_substring_regex(lines, find))
        if hit.any():
            found = pc.extract_regex(lines.filter(pa.array(hit)), f"(?P<text>{find})").field("text")
            encoded = found.dictionary_encode()
            known = self.texts.setdefault(kind, {})
            codes = np.array([known.setdefault(text, len(known)) for text in encoded.dictionary.to_pylist()])
            self.text_codes.setdefault(kind, []).append(codes[encoded.indices.to_numpy()])
            self.events.setdefault(kind, []).append(number[hit])
        return hit


def flags(found: Any) -> NDArray[np.bool_]:
    """Return a boolean array of Arrow as one of numpy; null is False."""
    return np.asarray(found.fill_null(False).to_numpy(zero_copy_only=False), dtype=bool)
