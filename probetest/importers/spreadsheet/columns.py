"""Blocks of rows to typed columns: fills merged cells, leaves out what is no touch."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, printable, shown
from probetest.importers.layout import Field, Layout
from probetest.importers.skipped import SkipList
from probetest.importers.spreadsheet.cells import (
    is_blank,
    why_no_number,
)
from probetest.importers.spreadsheet.rows import Block
from probetest.importers.spreadsheet.tally import POSITIONS, Tally
from probetest.importers.spreadsheet.typed import ANGLES, CellReader
from probetest.importers.spreadsheet.words import is_summary
from probetest.importers.table import Column, categorical

_UNLISTED = "a cell that can't be read"
FILLED_DOWN = ("face", "azimuth_deg", "elevation_deg", "orientation_deg", "stage")
"""Columns in which a blank cell takes the value above it, as merged cells leave them."""

_NO_READING = ("missed", "open_at_start", "false")


class ColumnReader:
    """Reads blocks and keeps what they give.

    Parameters
    ----------
    layout : Layout
    header : list of str
        Cells of the header row, to know it again.
    decimal_given : bool
        Whether the user gave the decimal sign; else a number with another sign is a fault.
    axis : str
        Direction such as ``X+`` the user gave for faces without a sign, or empty.
    skips : SkipList
    faults : FaultList
    """

    def __init__(
        self,
        layout: Layout,
        header: list[str],
        decimal_given: bool,
        axis: str,
        skips: SkipList,
        faults: FaultList,
    ) -> None:
        self.layout, self.header, self.skips = layout, header, skips
        self._targets = {one.target: one for one in layout.fields}
        looked_at = ("touch", "face", *ANGLES, *POSITIONS)
        self._labelled = [one.index for one in layout.fields if one.target in looked_at]
        self.tally = Tally()
        self.cells = CellReader(layout, decimal_given, axis, self.tally, faults)
        self.lines: list[NDArray[np.int64]] = []
        self._parts: dict[str, list[Any]] = {one.target: [] for one in layout.fields}
        self._above: dict[str, Any] = {}

    def add(self, block: Block) -> None:
        """Read the rows of a block."""
        values: dict[str, Any] = {}
        bad: dict[str, dict[int, str]] = {}
        for one in self.layout.fields:
            values[one.target], bad[one.target] = self.cells.read(one, block)
        suspects = self._suspects(block, values, bad)
        keep = np.ones(len(block.line), dtype=bool)
        reached = -1
        for row in sorted(suspects):
            if row - 1 > reached:
                self._look_above(values, row - 1)
            reached = row
            if row in block.after_gap:
                self._above = {}
            reason = self._judge(row, block, values, bad)
            if reason is not None:
                keep[row] = False
                if reason:
                    self.skips.add(block.line[row], reason)
        if reached < len(block.line) - 1:
            self._look_above(values, len(block.line) - 1)
        self._store(values, keep, block)

    def finish(self) -> dict[str, Column]:
        """Return the columns of all rows that are kept."""
        columns: dict[str, Column] = {}
        for one in self.layout.fields:
            parts = self._parts[one.target]
            if one.kind == "word":
                words = [word for part in parts for word in part]
                codes: dict[str, int] = {}
                columns[one.target] = categorical(
                    np.array([codes.setdefault(word, len(codes)) for word in words], dtype=np.int32),
                    list(codes),
                )
            else:
                kind = {"whole": "int64", "time": "datetime64[ms]"}.get(one.kind, "float64")
                columns[one.target] = np.concatenate([*parts, np.empty(0, dtype=kind)])
        return columns

    def _suspects(self, block: Block, values: dict[str, Any], bad: dict[str, dict[int, str]]) -> set[int]:
        """List the rows that need a closer look."""
        suspects = {row for cells in bad.values() for row in cells}
        for one in self.layout.fields:
            if one.target in (*FILLED_DOWN, "touch", "outcome"):
                suspects |= {row for row, cell in enumerate(block.columns[one.index]) if not cell}
        for target in (*ANGLES, "x_mm", "y_mm", "reading_mm"):
            if target in values:
                suspects |= set(np.flatnonzero(np.isnan(values[target])).tolist())
        first = next((one for one in self.layout.fields if one.index == 0), None)
        if first is None or first.kind == "word":
            labels = {
                cell for cell in set(block.columns[0]) if not cell or is_summary(cell) or cell[0] == "#"
            }
            if labels:
                suspects |= {row for row, cell in enumerate(block.columns[0]) if cell in labels}
        return suspects

    def _look_above(self, values: dict[str, Any], row: int) -> None:
        self._above = {target: values[target][row] for target in FILLED_DOWN if target in values}

    def _judge(
        self, row: int, block: Block, values: dict[str, Any], bad: dict[str, dict[int, str]]
    ) -> str | None:
        """Fill the row from above; return why it is left out, or None where it is kept."""
        cells = [column[row] for column in block.columns]
        if cells == self.header[: len(cells)]:
            self._above = {}
            return "the header row again"
        label = self._label(cells)
        if label:
            self._above = {}
            return f"{shown(label)} marks a row that sums up others; it is not a touch"
        targets = self._targets
        if "touch" in targets and row in bad["touch"]:
            self._above = {}
            return _no_touch(bad["touch"][row], targets["touch"])
        if "touch" in targets and not cells[targets["touch"].index]:
            self._above = {}
            return "no touch number, as in a row that sums up others; number the row if it is a touch"
        reason = self._fill(row, cells, values, bad, targets)
        return reason or self._unread(row, block, values, bad, targets)

    def _label(self, cells: list[str]) -> str:
        first = next((cell for cell in cells if cell), "")
        if is_summary(first):
            return first
        for index in self._labelled:
            cell = cells[index]
            if cell and not cell[0].isdigit() and is_summary(cell):
                return cell
        return ""

    def _fill(
        self,
        row: int,
        cells: list[str],
        values: dict[str, Any],
        bad: dict[str, dict[int, str]],
        targets: dict[str, Field],
    ) -> str | None:
        for target in FILLED_DOWN:
            one = targets.get(target)
            if one is None:
                continue
            if row in bad[target]:
                self._above.pop(target, None)
                if self.skips.is_full:
                    return _UNLISTED
                if target == "face":
                    cell = shown(bad[target][row])
                    return f"{cell} is not a direction such as X+, column {printable(one.header)}"
                return why_no_number(bad[target][row], self.layout.decimal, one.header)
            if not is_blank(cells[one.index]):
                self._above[target] = values[target][row]
            elif target in self._above and self._above[target] == self._above[target]:
                values[target][row] = self._above[target]
                self.tally.filled[target] = self.tally.filled.get(target, 0) + 1
            elif target in ("face", "azimuth_deg"):
                return f"no direction: column {printable(one.header)} is blank, with no filled cell above it"
        return None

    def _unread(
        self,
        row: int,
        block: Block,
        values: dict[str, Any],
        bad: dict[str, dict[int, str]],
        targets: dict[str, Field],
    ) -> str | None:
        missed = "outcome" in values and values["outcome"][row] in _NO_READING
        for target in ("x_mm", "y_mm", "z_mm", "reading_mm"):
            if row in bad.get(target, {}) and not missed:
                if self.skips.is_full:
                    return _UNLISTED
                return why_no_number(bad[target][row], self.layout.decimal, targets[target].header)
        if not missed and not _is_located(row, values):
            blank = next(
                one
                for one in self.layout.fields
                if one.target in POSITIONS and np.isnan(values[one.target][row])
            )
            return why_no_number("", self.layout.decimal, blank.header)
        for target in (*POSITIONS, "feed_mm_min", "temperature_c", "time"):
            if row in bad.get(target, {}):
                first, count, cell = self.tally.unread.get(target, (block.line[row], 0, bad[target][row]))
                self.tally.unread[target] = (first, count + 1, cell)
        if "outcome" in values and not values["outcome"][row]:
            values["outcome"][row] = "trigger"
            self.tally.blank_outcomes += 1
        return None

    def _store(self, values: dict[str, Any], keep: NDArray[np.bool_], block: Block) -> None:
        everything = bool(keep.all())
        line = np.array(block.line, dtype=np.int64)
        self.lines.append(line if everything else line[keep])
        for one in self.layout.fields:
            if one.kind == "number":
                cells = block.columns[one.index]
                kept = cells if everything else [cells[row] for row in np.flatnonzero(keep).tolist()]
                self.tally.count(one, kept, self.layout.decimal)
        for target, column in values.items():
            if isinstance(column, np.ndarray):
                self._parts[target].append(column if everything else column[keep])
            else:
                kept = column if everything else [column[row] for row in np.flatnonzero(keep).tolist()]
                self._parts[target].append(kept)


def _is_located(row: int, values: dict[str, Any]) -> bool:
    if "reading_mm" in values and np.isfinite(values["reading_mm"][row]):
        return True
    return "x_mm" in values and bool(np.isfinite(values["x_mm"][row]) and np.isfinite(values["y_mm"][row]))


def _no_touch(cell: str, one: Field) -> str:
    return f"{shown(cell)} is not a touch number, column {printable(one.header)}"
