"""From the header row to a layout: which column of the file is which column of the frame."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import Literal

from probetest.faults import FaultList, printable, shown
from probetest.importers.columns import ColumnMap

MAX_COLUMNS = 200

Kind = Literal["number", "whole", "time", "word"]

_KINDS: dict[str, Kind] = {
    "touch": "whole",
    "source_line": "whole",
    "time": "time",
    "stage": "word",
    "orientation_deg": "number",
    "azimuth_deg": "number",
    "elevation_deg": "number",
    "face": "word",
    "serial": "word",
    "x_mm": "number",
    "y_mm": "number",
    "z_mm": "number",
    "reading_mm": "number",
    "outcome": "word",
    "feed_mm_min": "number",
    "temperature_c": "number",
}
_LENGTHS = {"x": "x_mm", "y": "y_mm", "z": "z_mm", "reading": "reading_mm", "feed": "feed_mm_min"}
_IN_INCH = {"x_in": "x", "y_in": "y", "z_in": "z", "reading_in": "reading", "feed_in_min": "feed"}
_SHORT = {name.removesuffix("_deg").removesuffix("_c"): name for name in _KINDS} | _LENGTHS


@dataclass(frozen=True, slots=True)
class Field:
    """One column that is understood.

    Attributes
    ----------
    index : int
        0-based place in the row.
    header : str
        Its text in the header row.
    target : str
        Column of the frame, or ``face`` or ``serial``.
    units : str or None
        Units that the name itself states ("mm", "inch"); lengths only.
    """

    index: int
    header: str
    target: str
    units: str | None = None

    @property
    def kind(self) -> Kind:
        """What the cells hold."""
        return _KINDS[self.target]


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of a table are read.

    Attributes
    ----------
    line : int
        Line of the header row.
    width : int
        Cells in a row.
    fields : tuple of Field
    ignored : tuple of str
        Names of the columns that are not understood.
    delimiter, decimal : str
    """

    line: int
    width: int
    fields: tuple[Field, ...]
    ignored: tuple[str, ...]
    delimiter: str
    decimal: str

    def header(self, target: str) -> str:
        """Return the name in the file of a column of the frame."""
        return next((field.header for field in self.fields if field.target == target), target)

    def holds(self, *targets: str) -> bool:
        """Return whether all these columns are in the file."""
        return set(targets) <= {field.target for field in self.fields}


def is_length(target: str) -> bool:
    """Return whether a column of the frame is in the length units of the log."""
    return target in _LENGTHS.values()


def long_name(short: str) -> str:
    """Return the column of the frame for a name in a column map."""
    return _SHORT[short]


def is_native(names: list[str]) -> bool:
    """Return whether a header row holds native names: several, or one that nobody else would use."""
    targets = {field.target for field in _native(names)} - {"touch", "time", "serial"}
    return len(targets) > 1 or any("_" in name and _native([name]) for name in names)


def read_header(text: str, line: int, column_map: ColumnMap, faults: FaultList) -> Layout:
    """Understand the header row.

    Parameters
    ----------
    text : str
        The header row.
    line : int
        Its 1-based line.
    column_map : ColumnMap
        Delimiter, decimal sign and names; the default map means the native names.
    faults : FaultList
        Where it takes a new fault, the layout is of no use.

    Returns
    -------
    Layout

    Raises
    ------
    ImportDataError
        If the header row can't be split into names, or none of them is known.
    """
    names = _split(text, line, column_map.delimiter, faults)
    named = column_map.columns.named()
    fields = _mapped(names, line, named, faults) if named else _native(names)
    if not fields and not named:
        faults.add(
            shown(text.strip()),
            "a header row with column names such as touch,azimuth_deg,x_mm,y_mm,outcome",
            line=line,
            action=_hint(text, column_map),
        )
    if not fields:
        faults.raise_if_any()
    _refuse_repeats(names, fields, line, faults)
    _require(fields, column_map, line, faults)
    known = {field.index for field in fields}
    ignored = tuple(
        printable(name) or f"(column {index + 1}, no name)"
        for index, name in enumerate(names)
        if index not in known
    )
    return Layout(line, len(names), tuple(fields), ignored, column_map.delimiter, column_map.decimal)


def _split(text: str, line: int, delimiter: str, faults: FaultList) -> list[str]:
    try:
        names = next(csv.reader([text], delimiter=delimiter, strict=True))
    except csv.Error as error:
        faults.add(
            f"a header row that can't be split ({error})", "column names between delimiters", line=line
        )
        faults.raise_if_any()
        raise  # pragma: no cover
    if len(names) > MAX_COLUMNS:
        faults.add(f"{len(names)} columns", f"at most {MAX_COLUMNS}", line=line, action="check the delimiter")
        faults.raise_if_any()
    return [name.strip() for name in names]


def _hint(text: str, column_map: ColumnMap) -> str:
    for sign, name in ((";", ";"), ("\t", "\\t"), ("|", "|")):
        if sign in text and column_map.delimiter == ",":
            return (
                f'give a column map with delimiter = "{name}" (and decimal = "," where numbers have a comma)'
            )
    return "add the header row, or give a column map that names the columns"


def _native(names: list[str]) -> list[Field]:
    fields = []
    for index, header in enumerate(names):
        name = header.lower()
        if name in _IN_INCH:
            fields.append(Field(index, header, _LENGTHS[_IN_INCH[name]], "inch"))
        elif name in _LENGTHS:
            fields.append(Field(index, header, _LENGTHS[name]))
        elif name in _KINDS:
            fields.append(Field(index, header, name, "mm" if name in _LENGTHS.values() else None))
    return fields


def _mapped(names: list[str], line: int, named: dict[str, str], faults: FaultList) -> list[Field]:
    fields = []
    for short, header in named.items():
        if header.strip() in names:
            fields.append(Field(names.index(header.strip()), header, _SHORT[short]))
        else:
            there = ", ".join(shown(name) for name in names[:12])
            faults.add(
                f"the columns {there}",
                f"a column {shown(header)}",
                line=line,
                column=short,
                action="correct the name in the column map, or its delimiter",
            )
    return sorted(fields, key=lambda field: field.index)


def _refuse_repeats(names: list[str], fields: list[Field], line: int, faults: FaultList) -> None:
    first: dict[str, Field] = {}
    for field in fields:
        beside = first.setdefault(field.target, field)
        taken = sum(other.header == field.header for other in fields)
        if beside is not field or names.count(field.header.strip()) > taken:
            faults.add(
                f"{shown(field.header)} beside {shown(beside.header)}",
                "each column once",
                line=line,
                column=field.header,
                action="remove or rename one of them",
            )


def _require(fields: list[Field], column_map: ColumnMap, line: int, faults: FaultList) -> None:
    for name in column_map.constants.stated():
        if _SHORT[name] in {field.target for field in fields}:
            faults.add(
                f"a column for {name} and a constant in the column map",
                "one of the two",
                line=line,
                column=name,
                action="remove the constant",
            )
    there = {field.target for field in fields} | {_SHORT[name] for name in column_map.constants.stated()}
    place = "the column map" if column_map.columns.named() else "the log"
    if not there & {"azimuth_deg", "face"}:
        faults.add(
            "no column for the direction of approach",
            "azimuth_deg (direction the stylus moves, counter-clockwise from +X) or face (such as X+)",
            line=line,
            action=f"add the column to {place}",
        )
    if len(there & {"x_mm", "y_mm"}) == 1:
        faults.add(
            "only one of the columns x_mm and y_mm", "both", line=line, action=f"add the other to {place}"
        )
    elif not ({"x_mm", "y_mm"} <= there or "reading_mm" in there):
        faults.add(
            "no column for the position",
            "x_mm and y_mm (and z_mm), or reading_mm",
            line=line,
            action=f"add the columns to {place}",
        )
