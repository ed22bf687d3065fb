"""From the header row of a hand-made table to a layout: what each column is, and its units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probetest.faults import FaultList, printable, shown
from probetest.importers.layout import MAX_COLUMNS, Field
from probetest.importers.spreadsheet.sample import POSITIONS, Split, is_number_like, is_wide, units_row
from probetest.importers.spreadsheet.words import COORDINATE, Meaning, face_of, meaning_of
from probetest.triggers import UNIT_MM

_MAP = "name the columns in a column map (--columns FILE)"
_ALONG_APPROACH = ("reading_mm", "reading_in")
"""Native names: by definition along the approach, whatever the face."""
_WORD_TARGETS = ("face", "outcome", "stage", "serial")
_LENGTHS = ("x_mm", "y_mm", "z_mm", "reading_mm")


@dataclass(frozen=True, slots=True)
class Heading:
    """What the header row says.

    Attributes
    ----------
    fields : tuple of Field
        With the units that a header states; a feed is brought to those of the lengths later.
    ignored : tuple of str
    units : str or None
        "mm", "inch", "um", "thou".
    reading : str
        What the column of the one value is: "along" the approach, a "coordinate" of the axis,
        a "value" that may be either, or "none".
    axis : str
        Axis that the header of the value names ("X"), or empty.
    notices : tuple of str
    """

    fields: tuple[Field, ...]
    ignored: tuple[str, ...]
    units: str | None
    reading: str
    axis: str
    notices: tuple[str, ...]


@dataclass(slots=True)
class _Column:
    index: int
    header: str
    targets: tuple[str, ...]
    unit: str | None


def read_heading(split: Split, faults: FaultList) -> Heading:
    """Understand the header row and the row of units below it, if any.

    Parameters
    ----------
    split : Split
        With a header row.
    faults : FaultList

    Returns
    -------
    Heading

    Raises
    ------
    ImportDataError
        If a header can mean two columns, two headers mean one, units differ, or no column holds
        a position.
    """
    row = split.rows[split.header]
    width = row.width
    if width > MAX_COLUMNS:
        faults.add(
            f"{width} columns",
            f"at most {MAX_COLUMNS}",
            line=row.line,
            action="give --delimiter, or split the table",
        )
        faults.raise_if_any()
    meanings = {
        index: meaning_of(cell) for index, cell in enumerate(row.cells[:width]) if cell and not is_wide(cell)
    }
    columns, notices = _understood(split, meanings)
    _settle_by_others(columns, notices)
    _refuse_doubt(columns, row.line, faults)
    columns, reading, axis = _one_value(columns, row.line, faults)
    _require_position(columns, row.cells[:width], row.line, faults)
    units = _common_units(columns, row.line, faults)
    faults.raise_if_any()
    fields = tuple(Field(one.index, one.header, one.targets[0], _length_unit(one)) for one in columns)
    return Heading(
        fields, _ignored(split, {one.index for one in columns}), units, reading, axis, tuple(notices)
    )


def _understood(split: Split, meanings: dict[int, Meaning]) -> tuple[list[_Column], list[str]]:
    row = split.rows[split.header]
    below = split.rows[split.header + 1 :]
    units = units_row(split, {index: one.targets for index, one in meanings.items()}) or {}
    columns, notices = [], []
    for index, meaning in meanings.items():
        header = printable(row.cells[index])
        if meaning.misfit:
            notices.append(f"Column {shown(header)} is in a unit that can't be read; it was not used.")
        cells = [one.cells[index] for one in below if index < len(one.cells) and one.cells[index]]
        targets = meaning.targets if len(meaning.targets) < 2 else _fitting_cells(meaning.targets, cells)
        if targets:
            columns.append(_Column(index, header, targets, meaning.unit or units.get(index)))
    return columns, notices


def _fitting_cells(targets: Sequence[str], cells: list[str]) -> tuple[str, ...]:
    """Return the targets that the cells of a column allow; all of them where they tell nothing."""
    numbers = sum(map(is_number_like, cells))
    faces = sum(face_of(cell) is not None for cell in cells)
    fitting = []
    for target in targets:
        if target == "face":
            fits = faces > 0
        elif target in _WORD_TARGETS:
            fits = 2 * numbers < len(cells) and not faces
        else:
            fits = 2 * numbers >= len(cells) and numbers > 0
        if fits:
            fitting.append(target)
    return tuple(fitting or targets)


def _settle_by_others(columns: list[_Column], notices: list[str]) -> None:
    """Give a header of two meanings the one that no other header has taken."""
    taken = {one.targets[0] for one in columns if len(one.targets) == 1}
    for one in columns:
        left = tuple(target for target in one.targets if target not in taken)
        if len(one.targets) > 1 and len(left) == 1:
            one.targets = left
            taken |= set(left)
            notices.append(
                f"Column {shown(one.header)} was taken as {left[0]}: another column holds its other meaning."
            )


def _refuse_doubt(columns: list[_Column], line: int, faults: FaultList) -> None:
    first: dict[str, _Column] = {}
    for one in columns:
        if len(one.targets) > 1:
            faults.add(
                f"{shown(one.header)}, which can mean {' or '.join(one.targets)}",
                "headers with one meaning",
                line=line,
                column=one.header,
                action=_MAP,
            )
            continue
        target = "reading_mm" if one.targets[0] == COORDINATE else one.targets[0]
        beside = first.setdefault(target, one)
        if beside is not one:
            faults.add(
                f"{shown(one.header)} beside {shown(beside.header)}, both for {target}",
                "one column for each",
                line=line,
                column=one.header,
                action=_MAP,
            )
    faults.raise_if_any()


def _one_value(columns: list[_Column], line: int, faults: FaultList) -> tuple[list[_Column], str, str]:
    """Find the column of a table with one value a row, and what kind of value it is."""
    by_target = {one.targets[0]: one for one in columns}
    for target, kind in ((COORDINATE, "coordinate"), ("reading_mm", "value")):
        if target in by_target:
            one = by_target[target]
            kind = "along" if one.header.strip().lower() in _ALONG_APPROACH else kind
            one.targets = ("reading_mm",)
            return columns, kind, ""
    axes = [target for target in ("x_mm", "y_mm", "z_mm") if target in by_target]
    if len(axes) == 1:
        by_target[axes[0]].targets = ("reading_mm",)
        return columns, "coordinate", axes[0][0].upper()
    if len(axes) == 2 and "z_mm" in axes:
        there, other = axes[0], "y_mm" if axes[0] == "x_mm" else "x_mm"
        faults.add(
            f"the columns {shown(by_target[there].header)} and {shown(by_target['z_mm'].header)} only",
            f"a column for {other[0]} beside them",
            line=line,
            action="add the column, or " + _MAP,
        )
    return columns, "none", ""


def _require_position(columns: list[_Column], names: list[str], line: int, faults: FaultList) -> None:
    if any(one.targets[0] in POSITIONS for one in columns):
        return
    wide = [name for name in names if is_wide(name)]
    there = ", ".join(shown(name) for name in names[:12] if name)
    faults.add(
        f"a column for each direction ({', '.join(map(shown, wide))})" if wide else f"the columns {there}",
        "one row for each touch, with columns for the direction and the value"
        if wide
        else "a column for the position: x and y (and z), or one value along the approach",
        line=line,
        action="write the directions below each other" if wide else _MAP,
    )


def _length_unit(column: _Column) -> str | None:
    return column.unit if column.targets[0] in (*_LENGTHS, "feed_mm_min") else None


def _common_units(columns: list[_Column], line: int, faults: FaultList) -> str | None:
    stated = [one for one in columns if one.targets[0] in _LENGTHS and one.unit]
    for one in stated[1:]:
        if one.unit != stated[0].unit:
            faults.add(
                f"{one.unit} in {shown(one.header)} and {stated[0].unit} in {shown(stated[0].header)}",
                "one unit for all lengths",
                line=line,
                column=one.header,
                action="bring the columns to one unit, or correct the header",
            )
    return stated[0].unit if stated else None


def _ignored(split: Split, known: set[int]) -> tuple[str, ...]:
    row = split.rows[split.header]
    names = []
    for index, name in enumerate(row.cells):
        if index in known:
            continue
        if name:
            names.append(printable(name))
        elif any(index < len(one.cells) and one.cells[index] for one in split.rows[split.header + 1 :]):
            names.append(f"(column {index + 1}, no name)")
    return tuple(names)


def feed_factor(field: Field, units: str | None) -> float | None:
    """Return what brings a feed to the length units of the file, or None where it can't be told.

    Parameters
    ----------
    field : Field
        Of the feed, with the unit its header states.
    units : str or None
        Length units of the file.

    Notes
    -----
    A feed without a unit is in mm/min or inch/min as its lengths are; nobody writes a feed in
    um/min, so that beside such lengths its unit has to stand in its header.
    """
    if field.units is None:
        return 1.0 if units in (None, "mm", "inch") else None
    if units is None or field.units == units:
        return 1.0
    return UNIT_MM[field.units] / UNIT_MM[units]
