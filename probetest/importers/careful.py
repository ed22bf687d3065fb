"""The careful reader: row by row, so that each fault is found with its line and column."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from probetest.faults import FaultList, shown
from probetest.importers.cells import Cells
from probetest.importers.content import Bytes, refuse_broken_utf8
from probetest.importers.head import KNOWN, MAX_NOTE, split_parts
from probetest.importers.layout import Layout
from probetest.importers.table import Table

_ROWS_AT_ONCE = 20_000
_MAX_COMMENTS = 1000


@dataclass(slots=True)
class _Lines:
    """The lines of a table without its comments; knows where the row being read has begun."""

    stream: io.TextIOWrapper
    number: int
    row_start: int = 0
    in_quotes: bool = False
    comments: list[tuple[int, str]] = field(default_factory=list)

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        for line in self.stream:
            self.number += 1
            if line.startswith("#") and not self.in_quotes:
                self.comments.append((self.number, line.strip("# \t\n")))
                continue
            self.row_start = self.row_start or self.number
            self.in_quotes ^= bool(line.count('"') & 1)
            return line
        raise StopIteration

    def begin_row(self) -> None:
        self.row_start, self.in_quotes = 0, False


@dataclass(slots=True)
class _Rows:
    """Rows of the right width, with their lines; all others become faults."""

    lines: _Lines
    layout: Layout
    faults: FaultList
    blank: int = 0

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        reader = csv.reader(self.lines, delimiter=self.layout.delimiter, strict=True)
        while True:
            self.lines.begin_row()
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                self._add_unsplit(error)
                continue
            if not row:
                continue
            if not "".join(row).strip():
                self.blank += 1
            elif len(row) == self.layout.width:
                yield self.lines.row_start, row
            else:
                self._add_width(len(row))

    def _add_unsplit(self, error: csv.Error) -> None:
        self.faults.add(
            f"a row that can't be split into cells ({error})",
            "cells between delimiters, each quote closed",
            line=self.lines.row_start,
            action="check the quotes",
        )

    def _add_width(self, width: int) -> None:
        action = "check for a line that was cut off or joined"
        if width > self.layout.width and self.layout.delimiter == ",":
            action = "check for a decimal comma (write 10.5, not 10,5) or two joined lines"
        self.faults.add(
            f"{width} values",
            f"{self.layout.width} as in the header row",
            line=self.lines.row_start,
            action=action,
        )


def read_careful(rows: Bytes, layout: Layout, faults: FaultList) -> Table:
    """Read the rows of a table and collect what is wrong with its cells.

    Parameters
    ----------
    rows : ndarray of uint8
        What follows the header row, UTF-8.
    layout : Layout
    faults : FaultList

    Returns
    -------
    Table
        Rows of a wrong width are left out, and a cell that can't be read holds a harmless value:
        both are in ``faults``, so that the table is only used to look for further faults.

    Raises
    ------
    ImportDataError
        If the bytes are not UTF-8.
    """
    refuse_broken_utf8(rows, layout.line, faults)
    lines = _Lines(io.TextIOWrapper(io.BytesIO(rows.data), encoding="utf-8"), layout.line)
    source = _Rows(lines, layout, faults)
    cells = {one.target: Cells.of(one, layout, faults) for one in layout.fields}
    numbers: list[np.ndarray] = []
    for starts, block in _blocks(source):
        line = np.array(starts, dtype=np.int64)
        numbers.append(line)
        columns = list(zip(*block, strict=True))
        for one in layout.fields:
            cells[one.target].add([cell.strip() for cell in columns[one.index]], line)
    _check_comments(lines.comments, faults)
    line = np.concatenate(numbers) if numbers else np.empty(0, dtype=np.int64)
    return Table(
        {target: column.finish() for target, column in cells.items()},
        line,
        tuple(comment for comment in lines.comments if comment[1]),
        source.blank,
        any(column.in_utc for column in cells.values()),
    )


def _blocks(rows: _Rows) -> Iterator[tuple[list[int], list[list[str]]]]:
    starts: list[int] = []
    block: list[list[str]] = []
    for start, row in rows:
        starts.append(start)
        block.append(row)
        if len(block) == _ROWS_AT_ONCE:
            yield starts, block
            starts, block = [], []
    if block:
        yield starts, block


def _check_comments(comments: list[tuple[int, str]], faults: FaultList) -> None:
    if len(comments) > _MAX_COMMENTS:
        faults.add(f"{len(comments)} comment lines in the table", f"at most {_MAX_COMMENTS}")
        return
    for number, text in comments:
        if len(text) > MAX_NOTE:
            faults.add(f"{len(text)} characters in one comment", f"at most {MAX_NOTE}", line=number)
            continue
        for part in split_parts(text):
            key = part.partition("=")[0].partition(":")[0].strip()
            if key in KNOWN and len(part) > len(key):
                faults.add(
                    shown(part),
                    "metadata above the header row only",
                    line=number,
                    column=key,
                    action="move it up",
                )
