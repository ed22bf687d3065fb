"""One log from file to triggers: the order of the steps."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic import ValidationError

from probetest.faults import FaultList, shown
from probetest.importers.blocks import LogText
from probetest.importers.careful import read_careful
from probetest.importers.checks import Columns, check_touches
from probetest.importers.columns import ColumnMap
from probetest.importers.content import Content, Opening, read_content, read_opening
from probetest.importers.fast import read_fast
from probetest.importers.head import Head, read_head
from probetest.importers.judge import judge
from probetest.importers.layout import Layout, read_header
from probetest.importers.lines import LinesLog, read_lines
from probetest.importers.notices import list_notices, text_notices
from probetest.importers.pattern import Pattern, built_in_patterns
from probetest.importers.placing import place_rows
from probetest.importers.shapes import SPREADSHEET, TABLE, find_shape, first_marked
from probetest.importers.skipped import Skipped
from probetest.importers.spreadsheet import Spreadsheet, read_spreadsheet
from probetest.importers.stated import Stated, make_record, settle
from probetest.importers.table import Table
from probetest.importers.told import Told
from probetest.importers.words import FACES
from probetest.triggers import UNIT_MM, Artefact, Source, TestRecord, Triggers, make_frame

_UNKNOWN = "bracketed-result"
"""Pattern that says what is missing in a file of no known shape."""


@dataclass(frozen=True, slots=True)
class ImportResult:
    """One file as it was understood.

    Attributes
    ----------
    tests : tuple of Triggers
        One for each serial, in the order in which they appear.
    file : str
        File name without folders.
    shape : str
        "native log", "plain table", "table with a column map", "spreadsheet table", or the name of a
        pattern.
    units : str
        As stated.
    columns : tuple of tuple of (str, str)
        Name in the file and name in the frame (or ``face``, ``serial``).
    ignored : tuple of str
        Columns that are not understood; their values are not used.
    notices : tuple of str
        What is no fault but worth telling, a sentence each.
    skipped : tuple of Skipped
        Lines that gave no touch, with the reason.
    parts : int
        Parts into which interruptions cut the log.
    """

    tests: tuple[Triggers, ...]
    file: str
    shape: str
    units: str
    columns: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]
    notices: tuple[str, ...]
    skipped: tuple[Skipped, ...] = ()
    parts: int = 1


@dataclass(frozen=True, slots=True)
class _Rows:
    """The cells of a file, whatever its shape."""

    table: Table
    layout: Layout
    stated: Stated
    shape: str
    digest: str
    column_map: ColumnMap
    notices: tuple[str, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    parts: int = 1


def read_logs(path: Path | str, told: Told | None = None, **answers: Any) -> list[Triggers]:
    """Read one trigger log; as ``import_log``, but only the tests.

    Returns
    -------
    list of Triggers
        One for each serial, in the order in which they appear.

    Raises
    ------
    ImportDataError
        With all faults of the file.
    """
    return list(import_log(path, told, **answers).tests)


def import_log(
    path: Path | str,
    told: Told | None = None,
    *,
    advance: Callable[[int], None] = lambda _: None,
    **answers: Any,
) -> ImportResult:
    """Read one trigger log.

    Parameters
    ----------
    path : Path or str
        Native log, any delimited text with a column map, a table with a header row, or lines
        that a pattern knows.
    told : Told, optional
        What the user says about the log.
    advance : callable, optional
        Called with the number of bytes that were read of a line-based log.
    **answers
        Attributes of ``Told`` one by one, such as ``units``, ``serial``, ``column_map``.

    Returns
    -------
    ImportResult
        Frames in mm and degrees, azimuth and orientation in [0, 360).

    Raises
    ------
    ImportDataError
        With all faults of the file; nothing is guessed and no row is left out unseen.
    """
    path = Path(path)
    told = replace(told or Told(), **answers)
    faults = FaultList(str(path))
    names = told.column_map or ColumnMap()
    opening = read_opening(path, names.encoding, faults)
    start = np.frombuffer(opening.start, dtype=np.uint8)
    shape, head = TABLE, None
    if told.column_map is None:
        head = read_head(start, 0, FaultList(str(path)))
        shape = "pattern" if told.pattern else find_shape(opening.start, head.line_at, head.header, told.tag)
        if not head.header_line:
            shape = TABLE
        elif not shape:
            shape = first_marked(LogText(path, opening, faults), told.tag) or _UNKNOWN
    if shape == TABLE:
        rows = _read_table_file(path, opening, told, faults)
    elif shape == SPREADSHEET:
        rows = _read_spreadsheet_file(path, opening, told, faults)
    else:
        pattern = told.pattern or built_in_patterns()[shape]
        name = told.pattern_name or shape
        rows = _read_lines_file(path, opening, pattern, name, told, faults, advance)
    return _finish(path, rows, faults)


def _finish(path: Path, rows: _Rows, faults: FaultList) -> ImportResult:
    units = rows.stated.units
    columns = judge(rows.table, rows.layout, rows.column_map, units, faults)
    tests = _split_by_serial(columns, rows.table, rows.layout, rows.stated, faults)
    faults.raise_if_any()
    notices = (
        *rows.notices,
        *list_notices(rows.table, rows.layout, [frame for _, frame in tests]),
    )
    skipped = tuple((one.line, one.reason) for one in rows.skipped)
    triggers = tuple(
        Triggers(
            record,
            frame,
            Source(path.name, rows.digest, len(frame), str(units), rows.shape, notices, skipped),
        )
        for record, frame in tests
    )
    return ImportResult(
        triggers,
        path.name,
        rows.shape,
        str(units),
        tuple((field.header, field.target) for field in rows.layout.fields),
        rows.layout.ignored,
        notices,
        rows.skipped,
        rows.parts,
    )


# ---- tables


def _read_table_file(path: Path, opening: Opening, told: Told, faults: FaultList) -> _Rows:
    names = told.column_map or ColumnMap()
    content = read_content(path, opening, faults)
    with ThreadPoolExecutor(1) as pool:
        digest = pool.submit(content.sha256)
        head = read_head(content.text, names.skip_rows, faults)
        stated = settle(head, names, told.units, told.serial, faults, _about(told))
        layout = _understand_header(head, names, stated, faults)
        table = _read_table(content, head, layout, faults)
        shape = (
            "table with a column map" if told.column_map else "native log" if head.stated else "plain table"
        )
        return _Rows(
            table, layout, stated, shape, digest.result(), names, text_notices(opening, content.nul_count)
        )


def _read_spreadsheet_file(path: Path, opening: Opening, told: Told, faults: FaultList) -> _Rows:
    content = read_content(path, opening, faults)
    head = read_head(content.text, 0, faults)
    face = next((name for name, angles in FACES.items() if angles == told.direction), None)
    found: Spreadsheet = read_spreadsheet(
        content.text[head.line_at :],
        head.header_line,
        delimiter=told.delimiter,
        decimal=told.decimal,
        faults=faults,
        units=told.units,
        direction=face,
    )
    others = _about(told) | ({"its header row": {"units": found.units}} if found.units else {})
    stated = settle(head, ColumnMap(), told.units, told.serial, faults, others)
    _require_serial(stated, found.layout, faults)
    table, layout, placed = place_rows(found.table, found.layout, told, _artefact(head, told), faults)
    notices = (*text_notices(opening, content.nul_count), *found.notices, *placed)
    return _Rows(
        table,
        layout,
        stated,
        "spreadsheet table",
        content.sha256(),
        ColumnMap(),
        notices,
        found.skipped,
    )


def _understand_header(head: Head, names: ColumnMap, stated: Stated, faults: FaultList) -> Layout:
    if not head.header_line:
        faults.add("no header row", "column names and one row for each approach below the metadata")
        faults.raise_if_any()
    before = faults.total
    layout = read_header(head.header, head.header_line, names, faults)
    is_faulty = faults.total > before
    _require_serial(stated, layout, faults)
    if is_faulty:
        faults.raise_if_any()
    return layout


def _require_serial(stated: Stated, layout: Layout, faults: FaultList) -> None:
    if stated.serial is None and not layout.holds("serial") and "serial" not in stated.lines:
        faults.add(
            "no serial of the probe",
            'serial = "..."',
            action='add a line # serial = "..." at the top, or give --serial; '
            "a result without one can't be compared later",
        )


def _read_table(content: Content, head: Head, layout: Layout, faults: FaultList) -> Table:
    rows = content.text[head.rows_at :]
    table = read_fast(rows, layout) or read_careful(rows, layout, faults)
    if len(table.line) == 0:
        faults.raise_if_any()
        faults.add("no rows below the header row", "one row for each approach", line=layout.line)
        faults.raise_if_any()
    return table


# ---- lines


def _read_lines_file(
    path: Path,
    opening: Opening,
    pattern: Pattern,
    name: str,
    told: Told,
    faults: FaultList,
    advance: Callable[[int], None],
) -> _Rows:
    head = read_head(np.frombuffer(opening.start, dtype=np.uint8), 0, faults)
    log = LogText(path, opening, faults, advance)
    day = told.about.day if told.about else None
    found = read_lines(log, pattern, head.header_line, told, _artefact(head, told), day, faults)
    others = _about(told)
    if found.units:
        others["its lines"] = {"units": found.units}
    elif pattern.units.rule != "ask":
        others["the pattern"] = {"units": pattern.units.rule}
    if found.planned_touches:
        others["the plan"] = {"planned_touches": found.planned_touches}
    hint = "; G20 and G21 in a log do not decide it" if pattern.include else ""
    stated = settle(head, ColumnMap(), told.units, told.serial, faults, others, hint)
    _require_serial(stated, found.layout, faults)
    doubt = _doubt_units(pattern, found, stated, told, faults)
    table = found.table
    if stated.units in ("um", "thou") and "feed_mm_min" in table.columns:  # feeds are in mm or inch a minute
        feed = table.columns["feed_mm_min"] * (UNIT_MM["mm"] / UNIT_MM["um"])
        table = replace(table, columns=table.columns | {"feed_mm_min": feed})
    notices = (*text_notices(opening, log.nul_count, log.replaced_count), *doubt, *found.notices)
    return _Rows(
        table, found.layout, stated, name, log.sha256(), ColumnMap(), notices, found.skipped, found.parts
    )


def _about(told: Told) -> dict[str, dict[str, Any]]:
    if told.about is None:
        return {}
    stated = told.about.model_dump(exclude_none=True, exclude={"day"})
    return {"the file given with --about": stated}


def _artefact(head: Head, told: Told) -> Artefact | None:
    """The artefact as far as it is stated; a wrong statement is a fault later."""
    if told.about is not None and told.about.artefact is not None:
        return told.about.artefact
    try:
        return Artefact.model_validate(head.stated["artefact"])
    except (KeyError, ValidationError):
        return None


def _doubt_units(
    pattern: Pattern, found: LinesLog, stated: Stated, told: Told, faults: FaultList
) -> tuple[str, ...]:
    """Doubt mm where the values have as many decimals as such logs have in inch; the option settles it."""
    typical = pattern.units.decimals_inch
    if stated.units != "mm" or typical is None or found.decimals != typical:
        return ()
    if told.units is None:
        faults.add(
            f'units "mm" and values with {typical} decimals, as logs of this shape have them in inch',
            "units that fit the values",
            line=int(found.table.line[0]),
            action="confirm with --units mm, or give --units inch and correct what states mm",
        )
    return (
        f"The values have {typical} decimals, as logs of this shape have them in inch; they were read as mm.",
    )


# ---- serials


def _split_by_serial(
    columns: Columns, table: Table, layout: Layout, stated: Stated, faults: FaultList
) -> list[tuple[TestRecord, pd.DataFrame]]:
    notes = tuple(("comment", text) for _, text in table.comments)
    words: pd.Categorical | None = columns.pop("serial", None)
    source_line = columns.pop("source_line", None)
    frame = make_frame(columns)
    if source_line is not None:
        frame["source_line"] = source_line
    parts = [(stated.serial, frame)]
    if words is not None:
        _check_one_serial(words, layout, stated, table, faults)
        codes = pd.unique(words.codes).tolist()
        parts = [(str(words.categories[code]), _rows_of(frame, words.codes == code)) for code in codes]
    tests = []
    for serial, part in parts:
        if "touch" in columns:
            check_touches(part["touch"].to_numpy(), layout.header("touch"), part["line"].to_numpy(), faults)
        if serial is not None:
            if source_line is not None:
                part = part.assign(line=part["source_line"]).drop(columns="source_line")
            record = make_record(stated, serial, notes, faults)
            if record is not None:
                tests.append((record, part))
    return tests


def _rows_of(frame: pd.DataFrame, rows: np.ndarray) -> pd.DataFrame:
    return frame if rows.all() else frame.loc[rows].reset_index(drop=True)


def _check_one_serial(
    words: pd.Categorical, layout: Layout, stated: Stated, table: Table, faults: FaultList
) -> None:
    if stated.serial is None:
        return
    other = np.array([word != stated.serial for word in words.categories], dtype=bool)
    faults.add_rows(
        other[words.codes],
        table.line,
        lambda row: f"serial {shown(words.categories[words.codes[row]])}",
        f"{shown(stated.serial)} as stated for the whole file",
        column=layout.header("serial"),
        action="remove the serial from the head or option, or correct the row",
    )
