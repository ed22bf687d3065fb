"""Text cells to typed values, one column at a time; a cell that can't be read becomes a fault."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.layout import Field, Layout
from probetest.importers.table import Column, categorical

UNREADABLE_TOUCH = -(1 << 62)
"""Touch numbers from here up to half of it stand for cells that could not be read."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_NUMBER_SIGNS = frozenset("0123456789+-.eE")
_LONGEST_NUMBER = 64


class Cells:
    """One column that is being read.

    Parameters
    ----------
    field : Field
    decimal : str
    faults : FaultList
    """

    def __init__(self, field: Field, decimal: str, faults: FaultList) -> None:
        self.field, self.decimal, self.faults = field, decimal, faults
        self.in_utc = False
        self._parts: list[NDArray[Any]] = []

    @staticmethod
    def of(field: Field, layout: Layout, faults: FaultList) -> Cells:
        """Return the reader for a column."""
        kinds: dict[str, type[Cells]] = {"number": Numbers, "whole": Wholes, "time": Times, "word": Words}
        return kinds[field.kind](field, layout.decimal, faults)

    def add(self, cells: list[str], line: NDArray[np.int64]) -> None:
        """Read some cells (stripped) and their lines."""
        raise NotImplementedError

    def finish(self) -> Column:
        """Return the column."""
        raise NotImplementedError

    def _fault(self, cell: str, line: int, expected: str, action: str = "") -> None:
        self.faults.add(
            shown(cell) if cell else "a blank cell",
            expected,
            line=line,
            column=self.field.header,
            action=action,
        )

    def _each(
        self,
        cells: list[str],
        line: NDArray[np.int64],
        read: Callable[[str], Any],
        expected: str,
        broken: Any,
    ) -> list[Any]:
        values = []
        for cell, number in zip(cells, line.tolist(), strict=True):
            value = read(cell)
            if value is None:
                self._fault(cell, number, expected, self._action(cell))
                value = broken if not callable(broken) else broken(number)
            values.append(value)
        return values

    def _action(self, cell: str) -> str:
        if "," in cell and self.decimal == ".":
            return "write a decimal point, or give a column map with decimal = ','"
        if cell.startswith("#"):
            return "a spreadsheet wrote an error instead of a number; mend the cell and save again"
        if cell.lower().lstrip("+-") in {"nan", "inf", "infinity"}:
            return "leave the cell blank where there is no value"
        return "correct the cell"


class Numbers(Cells):
    """A column of numbers; blank is NaN."""

    def add(self, cells: list[str], line: NDArray[np.int64]) -> None:
        """Read some cells."""
        values = plain_numbers(cells, self.decimal)
        if values is None:
            values = np.array(self._each(cells, line, self._number, "a number", 0.0), dtype=np.float64)
        self._parts.append(values)

    def _number(self, cell: str) -> float | None:
        if not cell:
            return float("nan")
        if self.decimal == ",":
            cell = cell.replace(".", "?").replace(",", ".")
        if len(cell) > _LONGEST_NUMBER or not _NUMBER.fullmatch(cell):
            return None
        value = float(cell)
        return value if np.isfinite(value) else None

    def finish(self) -> Column:
        """Return the column."""
        return np.concatenate(self._parts) if self._parts else np.empty(0)


class Wholes(Cells):
    """A column of whole numbers; blank is a fault."""

    def add(self, cells: list[str], line: NDArray[np.int64]) -> None:
        """Read some cells."""
        if all(map(_WHOLE.fullmatch, cells)):
            values = list(map(int, cells))
        else:
            values = self._each(
                cells,
                line,
                lambda cell: int(cell) if _WHOLE.fullmatch(cell) else None,
                "a whole number",
                lambda number: UNREADABLE_TOUCH + number,
            )
        self._parts.append(np.array(values, dtype=np.int64))

    def finish(self) -> Column:
        """Return the column."""
        return np.concatenate(self._parts) if self._parts else np.empty(0, dtype=np.int64)


class Times(Cells):
    """A column of ISO 8601 times; blank is NaT, offsets are brought to UTC."""

    def __init__(self, field: Field, decimal: str, faults: FaultList) -> None:
        super().__init__(field, decimal, faults)
        self._aware: bool | None = None
        self._first_line = 0

    def add(self, cells: list[str], line: NDArray[np.int64]) -> None:
        """Read some cells."""
        values = []
        for cell, number in zip(cells, line.tolist(), strict=True):
            values.append(self._time(cell, number))
        self._parts.append(np.array(values, dtype="datetime64[ms]"))

    def _time(self, cell: str, line: int) -> datetime | None:
        if not cell:
            return None
        try:
            value = datetime.fromisoformat(cell)
        except ValueError:
            self._fault(cell, line, "an ISO 8601 time such as 2026-03-02T09:00:04", "correct the cell")
            return None
        aware = value.tzinfo is not None
        if self._aware is None:
            self._aware, self._first_line, self.in_utc = aware, line, aware
        if aware != self._aware:
            with_or_without = "with" if self._aware else "without"
            self._fault(
                cell,
                line,
                f"a time {with_or_without} an offset, as on line {self._first_line}",
                "write all times in one way",
            )
            return None
        try:
            return value.astimezone(UTC).replace(tzinfo=None) if aware else value
        except OverflowError:
            self._fault(cell, line, "a time within the years 1 to 9999 in UTC")
            return None

    def finish(self) -> Column:
        """Return the column."""
        return np.concatenate(self._parts) if self._parts else np.empty(0, dtype="datetime64[ms]")


class Words(Cells):
    """A column of words."""

    def __init__(self, field: Field, decimal: str, faults: FaultList) -> None:
        super().__init__(field, decimal, faults)
        self._codes: dict[str, int] = {}

    def add(self, cells: list[str], line: NDArray[np.int64]) -> None:  # noqa: ARG002
        """Read some cells; all words are taken, to be judged as a whole later."""
        codes = self._codes
        self._parts.append(np.array([codes.setdefault(cell, len(codes)) for cell in cells], dtype=np.int32))

    def finish(self) -> Column:
        """Return the column."""
        values = np.concatenate(self._parts) if self._parts else np.empty(0, dtype=np.int32)
        return categorical(values, list(self._codes))


def plain_numbers(cells: list[str], decimal: str) -> NDArray[np.float64] | None:
    """Return cells that are all numbers or empty (NaN); None where one of them is anything else.

    Parameters
    ----------
    cells : list of str
    decimal : str
    """
    if not set("".join(cells)) <= (_NUMBER_SIGNS - {"."}) | {decimal}:
        return None
    if decimal == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    try:
        values = np.array(
            [float(cell or "nan") for cell in cells] if "" in cells else list(map(float, cells))
        )
    except ValueError:
        return None
    return None if np.isinf(values).any() else values
