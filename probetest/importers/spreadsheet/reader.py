"""Tables typed by hand or saved by a spreadsheet, without the native column names."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from probetest.faults import FaultList, shown
from probetest.importers.content import Bytes, refuse_broken_utf8
from probetest.importers.layout import Field, Layout
from probetest.importers.skipped import SkipList, Skipped
from probetest.importers.spreadsheet.columns import ColumnReader
from probetest.importers.spreadsheet.fast import read_plain
from probetest.importers.spreadsheet.header import Heading, feed_factor, read_heading
from probetest.importers.spreadsheet.notices import list_table_notices
from probetest.importers.spreadsheet.readings import scale_feed, settle_touches, turn_sign
from probetest.importers.spreadsheet.rows import RowSource
from probetest.importers.spreadsheet.sample import (
    DELIMITERS,
    Split,
    is_number_like,
    looks_like_table,
    split_sample,
    units_row,
)
from probetest.importers.spreadsheet.signs import find_decimal
from probetest.importers.spreadsheet.tally import Tally
from probetest.importers.spreadsheet.words import meaning_of
from probetest.importers.table import Table
from probetest.importers.words import FACES

__all__ = ["Spreadsheet", "looks_like_table", "read_spreadsheet"]


@dataclass(frozen=True, slots=True)
class Spreadsheet:
    """One hand-made table as it was understood.

    Attributes
    ----------
    table : Table
        Typed columns in the units of the file, at least one row. Faces are written as ``X+``,
        outcomes in the vocabulary where the word is known; ``reading_mm`` is along the approach.
    layout : Layout
        What each column is; the width is that of the header row with its empty columns.
    units : str or None
        Units that a header states: "mm", "inch", "um" or "thou".
    skipped : tuple of Skipped
        Lines that are no touches, by line.
    notices : tuple of str
        Sentences on how cells were understood. What ``table`` and ``layout`` hold themselves
        (ignored columns, empty rows, comments, UTC) is not repeated here.
    """

    table: Table
    layout: Layout
    units: str | None
    skipped: tuple[Skipped, ...]
    notices: tuple[str, ...]


def read_spreadsheet(
    text: Bytes,
    first_line: int,
    *,
    delimiter: str | None,
    decimal: str | None,
    faults: FaultList,
    units: str | None = None,
    direction: str | None = None,
) -> Spreadsheet:
    """Read a table without native column names.

    Parameters
    ----------
    text : ndarray of uint8
        UTF-8, what follows the metadata.
    first_line : int
        1-based line of its first byte.
    delimiter, decimal : str or None
        As the user gave them; None to find them from the cells.
    faults : FaultList
    units : str, optional
        Length units the user gave, used to bring a feed that states its own unit to them; a
        contradiction with the header is not judged here.
    direction : str, optional
        Direction such as "X+" the user gave: completes faces without a sign, and is the direction
        of all rows where the table has no column for it (which is then not added).

    Returns
    -------
    Spreadsheet

    Raises
    ------
    ImportDataError
        If there is no header row, a header or sign is in doubt, a quote is not closed, or no row
        is a touch.

    Notes
    -----
    A table with one value a row is read as machine builders' tables are written: the value is the
    coordinate of the axis that was moved. Along the approach the reading is then the value for
    X+, Y+, Z+ and its negative for X-, Y-, Z-. Where the header says only "value" or "reading",
    this is an assumption and told in a notice: the scatter in one direction does not depend on
    it, the sign of a drift or deviation does. A column named ``reading_mm`` or ``reading_in`` is
    along the approach by definition and kept, and so is a value beside an azimuth.
    """
    refuse_broken_utf8(text, first_line - 1, faults)
    split = split_sample(text, first_line, [delimiter] if delimiter else DELIMITERS)
    _require_closed(split, faults)
    _require_header(split, faults)
    skips = SkipList()
    for row in split.rows[: split.header]:
        skips.add(row.line, f"{_shown_row(row.cells)} stands above the header row")
    heading = read_heading(split, faults)
    chosen = find_decimal(split, heading.fields, delimiter, decimal, faults)
    _refuse_same_sign(split.delimiter, decimal, faults)
    last = split.rows[split.header]
    if units_row(split, _targets(last.cells)):
        last = split.rows[split.header + 1]
        skips.add(last.line, "the row states the units of the columns")
    layout, notices = _layout(split, heading, chosen, units)
    direction = direction if direction in FACES else None
    rows = text[last.end :]
    plain = read_plain(rows, layout, last.last_line + 1)
    if plain is not None:
        table, tally = plain.table, plain.tally
    else:
        table, tally = _read_rows(rows, last.last_line + 1, split, layout, decimal, direction, skips, faults)
    table = scale_feed(table, heading.fields, heading.units or units)
    table, more = turn_sign(table, layout, heading, direction, faults)
    table, layout, renumbered = settle_touches(table, layout)
    notices += [*list_table_notices(tally, layout, len(table.line)), *more, *renumbered]
    faults.raise_if_any()
    return Spreadsheet(table, layout, heading.units, skips.finish(), tuple(notices))


def _require_header(split: Split, faults: FaultList) -> None:
    if split.header >= 0:
        return
    first = split.rows[0] if split.rows else None
    faults.add(
        f"no header row (first line {_shown_row(first.cells)})" if first else "no rows",
        "a row with column names such as touch;face;value (mm) above the rows",
        line=first.line if first else None,
        action="add the header row, or name the columns in a column map (--columns FILE)",
    )
    faults.raise_if_any()


def _require_closed(split: Split, faults: FaultList) -> None:
    if split.unclosed is None:
        return
    faults.add(
        "a quote that is opened and not closed",
        "a closing quote in the same cell",
        line=split.unclosed,
        action="close the quote, or remove it",
    )
    faults.raise_if_any()


def _refuse_same_sign(delimiter: str, decimal: str | None, faults: FaultList) -> None:
    if delimiter == decimal and decimal != ",":  # a comma can be both where cells are in quotes
        faults.add(
            f"{shown(delimiter)} as delimiter and as decimal sign",
            "two different signs",
            action="correct --delimiter or --decimal",
        )
        faults.raise_if_any()


def _targets(cells: list[str]) -> dict[int, tuple[str, ...]]:
    return {index: meaning_of(cell).targets for index, cell in enumerate(cells) if cell}


def _shown_row(cells: list[str]) -> str:
    return shown(" ".join(cell for cell in cells if cell))


def _layout(split: Split, heading: Heading, decimal: str, units: str | None) -> tuple[Layout, list[str]]:
    """Leave out the columns whose values can't be used, with a notice for each."""
    header = split.rows[split.header]
    fields, ignored, notices = [], list(heading.ignored), list(heading.notices)
    for one in heading.fields:
        if one.target == "feed_mm_min" and feed_factor(one, heading.units or units) is None:
            notices.append(
                f"The unit of the feed in column {shown(one.header)} is not stated; it was not used."
            )
        elif one.target == "touch" and _is_mostly_blank(split, one):
            notices.append(
                f"Most cells of column {shown(one.header)} are blank; touches were counted instead."
            )
        else:
            fields.append(
                replace(one, units=None) if one.target == "feed_mm_min" and (heading.units or units) else one
            )
            continue
        ignored.append(one.header)
    return Layout(
        header.line, len(header.cells), tuple(fields), tuple(ignored), split.delimiter, decimal
    ), notices


def _is_mostly_blank(split: Split, field: Field) -> bool:
    cells = [
        row.cells[field.index] if field.index < len(row.cells) else ""
        for row in split.rows[split.header + 1 :]
        if any(is_number_like(cell) for cell in row.cells)
    ]
    return 2 * cells.count("") > len(cells)


def _read_rows(
    rows: Bytes,
    first_line: int,
    split: Split,
    layout: Layout,
    decimal: str | None,
    direction: str | None,
    skips: SkipList,
    faults: FaultList,
) -> tuple[Table, Tally]:
    needed = 1 + max(one.index for one in layout.fields)
    before = skips.total
    source = RowSource(rows, first_line, layout.delimiter, layout.width, needed, skips, faults)
    header = split.rows[split.header].cells
    reader = ColumnReader(layout, header, decimal is not None, direction or "", skips, faults)
    for block in source.blocks():
        reader.add(block)
    line = np.concatenate([*reader.lines, np.empty(0, dtype=np.int64)])
    _refuse_unsigned(reader.tally, layout, faults)
    faults.raise_if_any()
    if not len(line):
        listed = [one for one in skips.finish() if one.line > layout.line]
        reason = f" (line {listed[0].line}: {listed[0].reason})" if skips.total > before and listed else ""
        faults.add(
            f"no row that is a touch{reason}",
            "rows with a value below the header row",
            line=layout.line,
            action="correct the rows, or give --delimiter and --decimal",
        )
        faults.raise_if_any()
    table = Table(reader.finish(), line, tuple(source.comments), source.blank, bool(reader.cells.in_utc))
    return table, reader.tally


def _refuse_unsigned(tally: Tally, layout: Layout, faults: FaultList) -> None:
    for axis, (line, count) in tally.unsigned.items():
        faults.add(
            f"{shown(axis)} without a sign in {count} row{'s' if count > 1 else ''}",
            f"the direction the stylus moves, {axis}+ or {axis}-",
            line=line,
            column=layout.header("face"),
            action=f"give --direction {axis}+ or --direction {axis}-, or write the sign in each cell",
        )
