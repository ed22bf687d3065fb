"""A file of each kind to its typed cells and what is stated about them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from probetest.faults import FaultList, shown
from probetest.importers.blocks import LogText
from probetest.importers.careful import read_careful
from probetest.importers.columns import ColumnMap
from probetest.importers.content import Content, Opening, in_western_letters, read_content
from probetest.importers.fast import read_fast
from probetest.importers.head import Head, read_head
from probetest.importers.layout import Layout, read_header
from probetest.importers.lines import LinesLog, read_lines
from probetest.importers.notices import text_notices
from probetest.importers.pattern import Pattern
from probetest.importers.placing import place_rows
from probetest.importers.skipped import Skipped
from probetest.importers.spreadsheet import Spreadsheet, read_spreadsheet
from probetest.importers.stated import Stated, settle
from probetest.importers.table import Table
from probetest.importers.told import Told
from probetest.importers.words import FACES
from probetest.triggers import UNIT_MM, Artefact


@dataclass(frozen=True, slots=True)
class FileRows:
    """The cells of a file, whatever its shape."""

    table: Table
    layout: Layout
    stated: Stated
    shape: str
    digest: Callable[[], str]
    column_map: ColumnMap
    notices: tuple[str, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    parts: int = 1


def read_table_file(path: Path, opening: Opening, told: Told, faults: FaultList) -> FileRows:
    """Read a native log, or a table with a column map.

    Raises
    ------
    ImportDataError
        If there is no table in the file.
    """
    names = told.column_map or ColumnMap()
    content = read_content(path, opening, faults)
    pool = ThreadPoolExecutor(1)
    digest = pool.submit(content.sha256).result  # waited for at the very end
    pool.shutdown(wait=False)
    head = read_head(content.text, names.skip_rows, faults)
    stated = settle(head, names, told.units, told.serial, faults, _about(told, head))
    layout = _understand_header(head, names, stated, faults)
    stated, others = _of_units(stated, layout, told, head)
    table = _read_table(content, head, layout, faults)
    shape = "table with a column map" if told.column_map else "native log" if head.stated else "plain table"
    notices = (*text_notices(opening, content.nul_count), *others)
    if told.plan is not None:
        table, layout, placed = place_rows(table, layout, told, _artefact(head, told), faults)
        notices = (*notices, *placed)
    return FileRows(table, layout, stated, shape, digest, names, notices)


def read_spreadsheet_file(path: Path, opening: Opening, told: Told, faults: FaultList) -> FileRows:
    """Read a table with names of its own.

    Raises
    ------
    ImportDataError
        If its header or its signs are in doubt, or no row is a touch.
    """
    content = in_western_letters(read_content(path, opening, faults))
    opening = replace(opening, encoding=content.encoding)
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
    others = _about(told, head) | ({"its header row": {"units": found.units}} if found.units else {})
    stated = settle(head, ColumnMap(), told.units, told.serial, faults, others)
    _require_serial(stated, found.layout, faults)
    stated, of_units = _of_units(stated, found.layout, told, head)
    table, layout, placed = place_rows(found.table, found.layout, told, _artefact(head, told), faults)
    notices = (*text_notices(opening, content.nul_count), *of_units, *found.notices, *placed)
    return FileRows(
        table,
        layout,
        stated,
        "spreadsheet table",
        content.sha256,
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


def read_lines_file(
    path: Path,
    opening: Opening,
    pattern: Pattern,
    name: str,
    told: Told,
    faults: FaultList,
    advance: Callable[[int], None],
) -> FileRows:
    """Read lines that a pattern knows.

    Raises
    ------
    ImportDataError
        If none of them is a result.
    """
    head = read_head(np.frombuffer(opening.start, dtype=np.uint8), 0, faults)
    log = LogText(path, opening, faults, advance)
    day = told.about.day if told.about else None
    found = read_lines(log, pattern, head.header_line, told, _artefact(head, told), day, faults)
    others = _about(told, head)
    if found.units:
        others["its lines"] = {"units": found.units}
    elif pattern.units.rule != "ask":
        others["the pattern"] = {"units": pattern.units.rule}
    if found.planned_touches:
        others["the plan"] = others.get("the plan", {}) | {"planned_touches": found.planned_touches}
    hint = "; G20 and G21 in a log do not decide it" if pattern.include else ""
    stated = settle(head, ColumnMap(), told.units, told.serial, faults, others, hint)
    _require_serial(stated, found.layout, faults)
    stated, of_units = _of_units(stated, found.layout, told, head)
    doubt = _doubt_units(pattern, found, stated, told, faults)
    table = found.table
    if stated.units in UNIT_MM and "feed_mm_min" in table.columns:
        factor = UNIT_MM[_feed_units(found, stated.units)] / UNIT_MM[stated.units]
        table = replace(table, columns=table.columns | {"feed_mm_min": table.columns["feed_mm_min"] * factor})
    notices = (*text_notices(opening, log.nul_count, log.replaced_count), *of_units, *doubt, *found.notices)
    return FileRows(
        table, found.layout, stated, name, log.sha256, ColumnMap(), notices, found.skipped, found.parts
    )


def _feed_units(found: LinesLog, units: str) -> str:
    """Unit of the feeds: that of the program where it sets one only, else that of the values."""
    if found.inch_line is not None and found.mm_line is None:
        return "inch"
    if found.mm_line is not None and found.inch_line is None:
        return "mm"
    return {"um": "mm", "thou": "inch"}.get(units, units)  # nobody states a feed in um a minute


def _about(told: Told, head: Head) -> dict[str, dict[str, Any]]:
    if told.about is None:
        return {}
    stated = told.about.model_dump(exclude_none=True, exclude={"day"})
    if not told.about_of_plan:
        return {"the file given with --about": stated}
    serial = told.serial or head.stated.get("serial", stated.get("serial"))
    if serial != stated.get("serial"):  # another unit, tested by the same plan
        stated = {key: value for key, value in stated.items() if key not in ("serial", "build")}
    elif "build" in head.stated:
        stated.pop("build", None)
    return {"the plan": stated}


def _of_units(stated: Stated, layout: Layout, told: Told, head: Head) -> tuple[Stated, tuple[str, ...]]:
    """What is stated, without the serial of a plan where the rows have their own; and what to mind of it."""
    planned = told.about.serial if told.about is not None and told.about_of_plan else None
    if planned is None:
        return stated, ()
    if layout.holds("serial") and told.serial is None and "serial" not in head.stated:
        values = {key: value for key, value in stated.values.items() if key != "build" or key in head.stated}
        return replace(stated, serial=None, values=values), ()
    if stated.serial == planned:
        return stated, ()
    return stated, (f"The plan was made for serial {shown(planned)}, the log is of another one.",)


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
        if stated.units == "mm" and found.inch_line is not None:
            return (
                f"The program switches to inch on line {found.inch_line} (G20); the values were read as mm.",
            )
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
