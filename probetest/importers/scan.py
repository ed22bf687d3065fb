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
from probetest.importers.skipped import MAX_LISTED, SkipList
from probetest.importers.torn import Torn, ends_open
from probetest.importers.values import flags

_PORTION_BYTES = 1 << 21
_SLOWEST_S = 3.0
_SLOWEST_BYTES_S = 1 << 20
_WITH_TEXT = ("command", "words")
_OTHER_WORDS = r"(?i)[A-FH-LN-Z]\s*[-+]?[0-9.]+\s*"


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
    reports, first_report : int
        How many lines say where the machine is, and the first of them.
    first_lines : list of str
        The first lines of the file that hold anything, for messages.
    notices : list of str
        What is worth telling of the values.
    skipped : SkipList
    """

    columns: dict[str, Any] = field(default_factory=dict)
    axis_count: int = 0
    decimals: int = 0
    events: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    texts: dict[str, tuple[NDArray[np.int64], list[str]]] = field(default_factory=dict)
    first_lines: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    reports: int = 0
    first_report: int = 0
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
    expression, whatever both hold; lines and expressions are bounded, and each portion of the file is timed.
    """
    return _Scanner(pattern, faults).run(log, first_line)


@dataclass(slots=True)
class _Scanner:
    pattern: Pattern
    faults: FaultList
    found: Scan = field(default_factory=Scan)
    records: Records = field(init=False)
    torn: Torn = field(init=False)
    events: dict[str, list[NDArray[np.int64]]] = field(default_factory=dict)
    text_codes: dict[str, list[NDArray[np.int64]]] = field(default_factory=dict)
    texts: dict[str, dict[str, int]] = field(default_factory=dict)
    portion_bytes: int = 1 << 14
    spent_s: float = 0.0
    done_bytes: int = 0
    last_line: int = -1
    listing_open: bool = False

    def __post_init__(self) -> None:
        self.records = Records(self.pattern, self.found.skipped, self.faults)
        self.torn = Torn(self.pattern, self.found.skipped)

    def run(self, log: LogText, first_line: int) -> Scan:
        for block in log:
            for part in self._portions(block):
                self._take(part, first_line)
            for line, size in block.too_long:
                self.found.skipped.add(line, f"a line of {size} characters, longer than {LONGEST_LINE}")
        self.torn.finish()
        may_be_torn = self.records.last_line == self.last_line and ends_open(log)
        self.found.columns = self.records.finish(may_be_torn=may_be_torn)
        self.found.axis_count, self.found.decimals = self.records.axis_count, self.records.values.decimals
        self.found.notices = self.records.notices
        for kind, parts in self.events.items():
            lines = np.concatenate(parts)
            order = np.argsort(lines, kind="stable")
            self.found.events[kind] = lines[order]
            if kind in _WITH_TEXT:
                codes = np.concatenate(self.text_codes[kind])[order]
                self.found.texts[kind] = (codes, list(self.texts[kind]))
        if not len(self.found.columns["line"]):
            self._say_why_empty()
        return self.found

    def _say_why_empty(self) -> None:
        unread = self.found.skipped.finish()
        if self.faults.total:
            return
        if self.records.seen and unread:
            self.faults.add(
                f"{self.records.seen} results, none of which can be read (first: {unread[0].reason})",
                "results with numbers",
                line=unread[0].line,
                action="correct the log, or describe its lines in a file given with --pattern",
            )
        elif self.found.reports:
            self.faults.add(
                f"{self.found.reports} reports of where the machine is and no result of a probe",
                "results of a probe",
                line=self.found.first_report,
                action="switch on that the controller prints its probe results, or let a macro print them; "
                "where the machine stopped is not where it touched",
            )

    def _portions(self, block: Block) -> Iterator[Block]:
        """Cut a block so that a pattern that takes too long is noticed soon."""
        at, rows = 0, len(block.lines)
        size = max(1, block.lines.nbytes)
        while at < rows:
            end = min(rows, at + max(1, rows * self.portion_bytes // size))
            start = clock.monotonic()
            yield Block(block.lines[at:end], block.first + at)
            self.spent_s += clock.monotonic() - start
            self.done_bytes += size * (end - at) // rows
            if self.spent_s > _SLOWEST_S + self.done_bytes / _SLOWEST_BYTES_S:
                self.faults.add(
                    f"a pattern that takes {self.spent_s:.0f} s for the first {block.first + end - 1} lines",
                    "a pattern without large counted repeats",
                    action="simplify the pattern",
                )
                self.faults.raise_if_any()
            self.portion_bytes = min(2 * self.portion_bytes, _PORTION_BYTES)
            at = end

    def _take(self, block: Block, first_line: int) -> None:
        lines, number = block.lines, np.arange(block.first, block.first + len(block.lines))
        if first_line > block.first:
            ahead = min(first_line - block.first, len(lines))
            lines, number = lines[ahead:], number[ahead:]
        is_full = flags(pc.not_equal(lines, ""))
        if not is_full.all():
            lines, number = lines.filter(pa.array(is_full)), number[is_full]
        if not len(lines):
            return
        if self.listing_open:
            self.events.setdefault("listed", []).append(number[:1])
        self.listing_open = False
        listings = len(self.events.get("listing", ()))
        if len(self.found.first_lines) < 3:
            self.found.first_lines += lines[:3].to_pylist()
        holds = flags(pc.match_substring_regex(lines, self.pattern.record))
        dealt = np.zeros(len(lines), dtype=bool)
        if self.torn.carried or (self.pattern.partial and not holds.all()):
            lines, holds, dealt = self.torn.mend(lines, number, holds)
        rest = ~holds & ~dealt
        if rest.any():
            self._take_rest(lines.filter(pa.array(rest)), number[rest])
        for one in self.events.get("listing", ())[listings:]:
            self._mark_listed(one, number)
        self.last_line = int(number[-1])
        if holds.any():
            records = lines.filter(pa.array(holds))
            self.records.take(records, number[holds])
            for event in self.pattern.events:
                if event.kind in _WITH_TEXT:
                    self._find_texts(event.kind, event.find, records, number[holds])

    def _mark_listed(self, listings: NDArray[np.int64], number: NDArray[np.int64]) -> None:
        """Note which lines stand below a line of a listing, and above it (for a log read bottom-up)."""
        at = np.searchsorted(number, listings)
        self.events.setdefault("listed", []).append(number[at[at + 1 < len(number)] + 1])
        self.listing_open |= bool((at + 1 == len(number)).any())
        above = np.where(at > 0, number[np.maximum(at - 1, 0)], self.last_line)
        self.events.setdefault("listed_upwards", []).append(above)

    # ---- lines without a result

    def _take_rest(self, lines: pa.StringArray, number: NDArray[np.int64]) -> None:
        """Find out what lines without a result say; the first event that is found counts."""
        whole, whole_number = lines, number
        for event in self.pattern.events:
            if event.kind == "diameter_mode":  # which shares its line with other words
                hit = flags(pc.match_substring_regex(whole, event.find))
                self._note(event.kind, whole_number[hit])
                lines, number = _without(lines, number, np.isin(number, whole_number[hit]))
            elif event.kind in _WITH_TEXT:  # RS274 words of several kinds may share a line
                hit = self._find_texts(event.kind, event.find, whole, whole_number)
                lines, number = _without(lines, number, np.isin(number, whole_number[hit]))
            else:
                hit = flags(pc.match_substring_regex(lines, event.find))
                self._note(event.kind, number[hit])
                lines, number = _without(lines, number, hit)
        for row in range(min(len(lines), MAX_LISTED)):
            self.found.skipped.add(int(number[row]), f"not understood: {shown(lines[row].as_py())}")
        self.found.skipped.add_lines(number[MAX_LISTED:], "not understood")

    def _note(self, kind: str, number: NDArray[np.int64]) -> None:
        if not len(number) or kind == "noise":
            return
        if kind == "position_report":  # there may be millions: they are counted only
            self.found.reports += len(number)
            self.found.first_report = self.found.first_report or int(number[0])
            return
        self.events.setdefault(kind, []).append(number)
        if kind == "summary":
            self.found.skipped.add_lines(number, "a mean, range or the like is no touch")

    def _find_texts(
        self, kind: str, find: str, lines: pa.StringArray, number: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        hit = flags(pc.match_substring_regex(lines, find))
        comment = self.pattern.comment
        if comment and hit.any():
            beside = flags(pc.match_substring_regex(lines, comment)) & hit
            if beside.any():
                plain = pc.replace_substring_regex(lines.filter(pa.array(beside)), comment, " ")
                lines = pc.replace_with_mask(lines, pa.array(beside), plain)
                hit = flags(pc.match_substring_regex(lines, find))
        if hit.any():
            named = find if "(?P<text>" in find else f"(?P<text>{find})"
            found = pc.extract_regex(lines.filter(pa.array(hit)), named).field("text")
            encoded = found.dictionary_encode()
            texts = encoded.dictionary
            if kind == "words":
                texts = pc.replace_substring_regex(texts, _OTHER_WORDS, "")
            known = self.texts.setdefault(kind, {})
            codes = np.array([known.setdefault(text, len(known)) for text in texts.to_pylist()])
            self.text_codes.setdefault(kind, []).append(codes[encoded.indices.to_numpy()])
            self.events.setdefault(kind, []).append(number[hit])
        return hit


def _without(
    lines: pa.StringArray, number: NDArray[np.int64], hit: NDArray[np.bool_]
) -> tuple[pa.StringArray, NDArray[np.int64]]:
    return (lines.filter(pa.array(~hit)), number[~hit]) if hit.any() else (lines, number)
