"""One log from file to triggers: the order of the steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from probetest.faults import FaultList, shown
from probetest.importers.blocks import LogText
from probetest.importers.checks import Columns, check_touches
from probetest.importers.columns import ColumnMap
from probetest.importers.content import read_opening
from probetest.importers.files import FileRows, read_lines_file, read_spreadsheet_file, read_table_file
from probetest.importers.head import read_head
from probetest.importers.judge import judge
from probetest.importers.layout import Layout
from probetest.importers.notices import list_notices
from probetest.importers.pattern import built_in_patterns
from probetest.importers.plan import Plan, look_of
from probetest.importers.shapes import SPREADSHEET, TABLE, find_shape, first_marked
from probetest.importers.skipped import Skipped
from probetest.importers.stated import Stated, make_record
from probetest.importers.table import Table
from probetest.importers.told import Told
from probetest.triggers import Source, TestRecord, Triggers, make_frame

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
        rows = read_table_file(path, opening, told, faults)
    elif shape == SPREADSHEET:
        rows = read_spreadsheet_file(path, opening, told, faults)
    else:
        pattern = told.pattern or built_in_patterns()[shape]
        name = told.pattern_name or shape
        rows = read_lines_file(path, opening, pattern, name, told, faults, advance)
    return _finish(path, rows, told.plan, faults)


def _finish(path: Path, rows: FileRows, plan: Plan | None, faults: FaultList) -> ImportResult:
    units = rows.stated.units
    columns = judge(rows.table, rows.layout, rows.column_map, units, faults)
    tests = _split_by_serial(columns, rows.table, rows.layout, rows.stated, faults)
    faults.raise_if_any()
    notices = (
        *rows.notices,
        *list_notices(rows.table, rows.layout, [frame for _, frame in tests]),
    )
    digest = rows.digest()
    skipped = tuple((one.line, one.reason) for one in rows.skipped)
    triggers = tuple(
        Triggers(
            record,
            frame,
            Source(
                path.name,
                digest,
                len(frame),
                str(units),
                rows.shape,
                notices,
                skipped,
                look_of(plan, int(frame["touch"].max())) if plan is not None else None,
            ),
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
