"""Rows of a hand-made table one by one: what is no touch is left out, with its line and reason."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field

from probetest.faults import FaultList, shown
from probetest.importers.content import Bytes, count_lines
from probetest.importers.skipped import SkipList

_ROWS_AT_ONCE = 20_000
_MAX_COMMENTS = 1000


@dataclass(slots=True)
class Block:
    """Some rows of the right width.

    Attributes
    ----------
    line : list of int
        1-based line on which each row starts.
    columns : list of list of str
        Stripped cells, by column.
    after_gap : set of int
        Rows that stand below an empty row or one that was left out.
    """

    line: list[int]
    columns: list[list[str]]
    after_gap: set[int]


@dataclass(slots=True)
class RowSource:
    """Splits the rows of a table and brings them to one width.

    Attributes
    ----------
    text : ndarray of uint8
        What follows the header row.
    first_line : int
        Its 1-based line.
    delimiter : str
    width : int
        Cells of the header row.
    needed : int
        Cells up to the last column that is understood; a row may end after them.
    skips : SkipList
    faults : FaultList
    blank : int
        Empty rows, those at the end not counted.
    comments : list of tuple of (int, str)
    """

    text: Bytes
    first_line: int
    delimiter: str
    width: int
    needed: int
    skips: SkipList
    faults: FaultList
    blank: int = 0
    comments: list[tuple[int, str]] = field(default_factory=list)
    _short_before: bool = False
    _last_line: int | None = None

    def blocks(self) -> Iterator[Block]:
        """Yield the rows, some thousands at once."""
        line: list[int] = []
        rows: list[list[str]] = []
        gaps: set[int] = set()
        for start, row, gap in self._rows():
            if gap:
                gaps.add(len(rows))
            line.append(start)
            rows.append(row)
            if len(rows) == _ROWS_AT_ONCE:
                yield _block(line, rows, gaps)
                line, rows, gaps = [], [], set()
        if rows:
            yield _block(line, rows, gaps)

    def _rows(self) -> Iterator[tuple[int, list[str], bool]]:
        gap, broken = 0, False
        for start, row in self._split():
            if not "".join(row).strip():
                gap += 1
                continue
            if len(row) != self.width:
                fitted = self._fit(start, row)
                if fitted is None:
                    broken = True
                    continue
                row = fitted
            self.blank += gap
            yield start, row, broken or gap > 0
            gap, broken = 0, False

    def _split(self) -> Iterator[tuple[int, list[str]]]:
        stream = io.TextIOWrapper(io.BytesIO(self.text.data), encoding="utf-8")
        reader = csv.reader(stream, delimiter=self.delimiter, strict=True)
        done = 0
        while True:
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                start, done = self.first_line + done, reader.line_num
                if not self._note_unsplit(error, start):
                    return
                continue
            start, done = self.first_line + done, reader.line_num
            yield start, row

    def _note_unsplit(self, error: csv.Error, line: int) -> bool:
        """Return whether the rows below can still be split."""
        message = str(error)
        if "unexpected end" in message or "field limit" in message:
            self.faults.add(
                "a quote that is opened and not closed",
                "a closing quote in the same cell",
                line=line,
                action="close the quote, or remove it",
            )
            return False
        self.skips.add(line, f"the row can't be split into cells ({message})")
        return True

    def _fit(self, line: int, row: list[str]) -> list[str] | None:
        filled = next(index for index in range(len(row), 0, -1) if row[index - 1].strip())
        label = row[0].strip()
        if filled == 1 and label.startswith("#") and label.strip("#"):
            self._comment(line, label)
            return None
        if len(row) > self.width and filled <= self.width:
            return row[: self.width]
        if self.needed <= len(row) < self.width and (self._short_before or not self._is_cut_off(line)):
            self._short_before = True
            return row + [""] * (self.width - len(row))
        if len(row) < self.width:
            cause = "ends early; was the file cut off?" if self._is_cut_off(line) else "is too short"
            self.skips.add(line, f"the row has {len(row)} of {self.width} cells, it {cause}")
        else:
            self.skips.add(line, f"the row has {filled} cells, the header row has {self.width}")
        return None

    def _comment(self, line: int, text: str) -> None:
        if len(self.comments) < _MAX_COMMENTS:
            self.comments.append((line, text.strip("# \t")))
        else:
            self.skips.add(line, f"one of more than {_MAX_COMMENTS} comment lines: {shown(text)}")

    def _is_cut_off(self, line: int) -> bool:
        """Return whether a line is the last one and has no line end."""
        if self._last_line is None:
            self._last_line = 0
            if self.text[-1] not in (10, 13):
                self._last_line = self.first_line + count_lines(self.text.tobytes())
        return line == self._last_line


def _block(line: list[int], rows: list[list[str]], gaps: set[int]) -> Block:
    return Block(line, [list(map(str.strip, cells)) for cells in zip(*rows, strict=True)], gaps)
