"""One column of a block of rows: cells to values, and the cells that are none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from probetest.faults import FaultList, shown
from probetest.importers.cells import plain_numbers
from probetest.importers.layout import Field, Layout
from probetest.importers.spreadsheet.cells import is_blank, read_angle, read_number, read_time, read_whole
from probetest.importers.spreadsheet.rows import Block
from probetest.importers.spreadsheet.sample import is_number_like
from probetest.importers.spreadsheet.signs import ASK_DECIMAL
from probetest.importers.spreadsheet.tally import Tally
from probetest.importers.spreadsheet.words import face_of, fold, word_list

ANGLES = ("azimuth_deg", "elevation_deg", "orientation_deg")


class CellReader:
    """Reads the columns of blocks.

    Parameters
    ----------
    layout : Layout
    decimal_given : bool
        Whether the user gave the decimal sign; else a number with another sign is a fault.
    axis : str
        Direction such as ``X+`` the user gave for faces without a sign, or empty.
    tally : Tally
        Takes the faces without a sign.
    faults : FaultList
    """

    def __init__(
        self, layout: Layout, decimal_given: bool, axis: str, tally: Tally, faults: FaultList
    ) -> None:
        self.layout, self.decimal_given, self.axis = layout, decimal_given, axis
        self.tally, self.faults = tally, faults
        self.in_utc: bool | None = None

    def read(self, one: Field, block: Block) -> tuple[Any, dict[int, str]]:
        """Return the values of a column, and the cells that can't be read by row."""
        cells = block.columns[one.index]
        if one.kind == "number":
            return self._numbers(one, cells, block.line)
        if one.kind == "whole":
            return _each(cells, read_whole, 0, np.int64)
        if one.kind == "time":
            return _each(cells, self._time, None, "datetime64[ms]")
        if one.target == "face":
            return self._faces(cells, block.line)
        if one.target == "outcome":
            known = {cell: word_list().outcomes.get(fold(cell), cell) for cell in set(cells)}
            return [known[cell] for cell in cells], {}
        return list(cells), {}

    def _numbers(self, one: Field, cells: list[str], line: list[int]) -> tuple[Any, dict[int, str]]:
        values = plain_numbers(cells, self.layout.decimal)
        bad: dict[int, str] = {}
        if values is None:
            read = read_angle if one.target in ANGLES else read_number
            values = np.full(len(cells), np.nan)
            for row, cell in enumerate(cells):
                if is_blank(cell):
                    continue
                value = read(cell, self.layout.decimal)
                if value is None or (not self.decimal_given and "," in cell and "." in cell):
                    bad[row] = cell
                else:
                    values[row] = value
        doubtful = np.zeros(len(cells), dtype=bool)
        doubtful[[row for row, cell in bad.items() if self._is_doubtful(cell)]] = True
        self.faults.add_rows(
            doubtful,
            np.array(line, dtype=np.int64),
            lambda row: shown(cells[row]),
            f"a number with the decimal sign {self.layout.decimal} and no other mark",
            column=one.header,
            action=ASK_DECIMAL,
        )
        return values, bad

    def _is_doubtful(self, cell: str) -> bool:
        if self.decimal_given or not is_number_like(cell):
            return False
        other = "." if self.layout.decimal == "," else ","
        both = "." in cell and "," in cell
        repeated = cell.count(",") > 1 and "." not in cell
        return both or repeated or (other in cell and read_number(cell, other) is not None)

    def _time(self, cell: str) -> Any:
        value = read_time(cell)
        if value is None:
            return None
        aware = value.tzinfo is not None
        self.in_utc = aware if self.in_utc is None else self.in_utc
        return value.replace(tzinfo=None) if aware == self.in_utc else None

    def _faces(self, cells: list[str], line: list[int]) -> tuple[list[str], dict[int, str]]:
        known = {cell: face_of(cell) or "" for cell in set(cells)}
        for cell, face in known.items():
            if len(face) == 1:
                known[cell] = self.axis if self.axis[:1] == face else face
        values = [known[cell] for cell in cells]
        bad = {row: cells[row] for row, face in enumerate(values) if not face and cells[row]}
        for row, face in enumerate(values):
            if len(face) == 1:
                first, count = self.tally.unsigned.get(face, (line[row], 0))
                self.tally.unsigned[face] = (first, count + 1)
        return values, bad


def _each(cells: list[str], read: Callable[[str], Any], broken: Any, kind: Any) -> tuple[Any, dict[int, str]]:
    values, bad = [], {}
    for row, cell in enumerate(cells):
        value = read(cell) if cell else None
        if value is None and cell:
            bad[row] = cell
        values.append(broken if value is None else value)
    return np.array(values, dtype=kind), bad
