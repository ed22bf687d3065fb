"""One log from file to triggers: the order of the steps."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from probetest.faults import FaultList, shown
from probetest.importers.careful import read_careful
from probetest.importers.checks import Columns, check_touches
from probetest.importers.columns import ColumnMap
from probetest.importers.content import Content, read_content
from probetest.importers.fast import read_fast
from probetest.importers.head import Head, read_head
from probetest.importers.judge import judge
from probetest.importers.layout import Layout, read_header
from probetest.importers.notices import list_notices
from probetest.importers.stated import Stated, make_record, settle
from probetest.importers.table import Table
from probetest.triggers import Source, TestRecord, Triggers, make_frame


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
        "native log", "plain table" or "table with a column map".
    units : str
        "mm" or "inch", as stated.
    columns : tuple of tuple of (str, str)
        Name in the file and name in the frame (or ``face``, ``serial``).
    ignored : tuple of str
        Columns that are not understood; their values are not used.
    notices : tuple of str
        What is no fault but worth telling, a sentence each.
    """

    tests: tuple[Triggers, ...]
    file: str
    shape: str
    units: str
    columns: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]
    notices: tuple[str, ...]


def read_logs(
    path: Path | str,
    *,
    column_map: ColumnMap | None = None,
    units: str | None = None,
    serial: str | None = None,
) -> list[Triggers]:
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
    return list(import_log(path, column_map=column_map, units=units, serial=serial).tests)


def import_log(
    path: Path | str,
    *,
    column_map: ColumnMap | None = None,
    units: str | None = None,
    serial: str | None = None,
) -> ImportResult:
    """Read one trigger log.

    Parameters
    ----------
    path : Path or str
        Native log, or any delimited text with a column map.
    column_map : ColumnMap, optional
        Names of the columns; without it the native names are expected.
    units : {"mm", "inch"}, optional
        For a log that doesn't state its units.
    serial : str, optional
        For a log that doesn't state the serial of the probe.

    Returns
    -------
    ImportResult
        Frames in mm and degrees, azimuth and orientation in [0, 360).

    Raises
    ------
    ImportDataError
        With all faults of the file; nothing is guessed and no row is left out.
    """
    path = Path(path)
    names = column_map or ColumnMap()
    faults = FaultList(str(path))
    content = read_content(path, names.encoding, faults)
    with ThreadPoolExecutor(1) as pool:
        digest = pool.submit(content.sha256)
        head = read_head(content.text, names.skip_rows, faults)
        stated = settle(head, names, units, serial, faults)
        layout = _understand_header(head, names, stated, faults)
        table = _read_table(content, head, layout, faults)
        columns = judge(table, layout, names, stated.units, faults)
        tests = _split_by_serial(columns, table, layout, stated, faults)
        faults.raise_if_any()
        shape = "table with a column map" if column_map else "native log" if head.stated else "plain table"
        notices = tuple(list_notices(content.encoding, table, layout, [frame for _, frame in tests]))
        sources = [
            Source(path.name, digest.result(), len(frame), str(stated.units), shape, notices)
            for _, frame in tests
        ]
    return ImportResult(
        tuple(
            Triggers(record, frame, source) for (record, frame), source in zip(tests, sources, strict=True)
        ),
        path.name,
        shape,
        str(stated.units),
        tuple((field.header, field.target) for field in layout.fields),
        layout.ignored,
        notices,
    )


def _understand_header(head: Head, names: ColumnMap, stated: Stated, faults: FaultList) -> Layout:
    if not head.header_line:
        faults.add("no header row", "column names and one row for each approach below the metadata")
        faults.raise_if_any()
    before = faults.total
    layout = read_header(head.header, head.header_line, names, faults)
    is_faulty = faults.total > before
    if stated.serial is None and not layout.holds("serial") and "serial" not in stated.lines:
        faults.add(
            "no serial of the probe",
            'serial = "..."',
            action='add a line # serial = "..." at the top, or give the serial as an option',
        )
    if is_faulty:
        faults.raise_if_any()
    return layout


def _read_table(content: Content, head: Head, layout: Layout, faults: FaultList) -> Table:
    rows = content.text[head.rows_at :]
    table = read_fast(rows, layout) or read_careful(rows, layout, faults)
    if len(table.line) == 0:
        faults.raise_if_any()
        faults.add("no rows below the header row", "one row for each approach", line=layout.line)
        faults.raise_if_any()
    return table


def _split_by_serial(
    columns: Columns, table: Table, layout: Layout, stated: Stated, faults: FaultList
) -> list[tuple[TestRecord, pd.DataFrame]]:
    notes = tuple(("comment", text) for _, text in table.comments)
    words: pd.Categorical | None = columns.pop("serial", None)
    frame = make_frame(columns)
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
