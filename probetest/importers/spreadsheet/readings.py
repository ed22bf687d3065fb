"""From the cells of a hand-made table to its readings: signs, feeds, touch numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from probetest.faults import FaultList, shown
from probetest.importers.layout import Field, Layout
from probetest.importers.spreadsheet.header import Heading, feed_factor
from probetest.importers.spreadsheet.notices import sign_notice
from probetest.importers.table import Table

_SERIES = ("serial", "stage", "orientation_deg", "face", "azimuth_deg", "elevation_deg")


def scale_feed(table: Table, fields: tuple[Field, ...], units: str | None) -> Table:
    """Bring a feed that states its own unit to the length units of the file.

    Parameters
    ----------
    table : Table
    fields : tuple of Field
        With the units of the header row.
    units : str or None
        Length units of the file.

    Returns
    -------
    Table
    """
    feed = next((one for one in fields if one.target == "feed_mm_min"), None)
    factor = feed_factor(feed, units) if feed else None
    if factor is None or factor == 1.0 or "feed_mm_min" not in table.columns:
        return table
    return replace(table, columns=table.columns | {"feed_mm_min": table.columns["feed_mm_min"] * factor})


def turn_sign(
    table: Table, layout: Layout, heading: Heading, direction: str | None, faults: FaultList
) -> tuple[Table, list[str]]:
    """Bring coordinates of an axis to readings along the approach.

    Parameters
    ----------
    table : Table
    layout : Layout
    heading : Heading
        What kind of value there is.
    direction : str or None
        Direction of a table that has no column for it.
    faults : FaultList

    Returns
    -------
    Table
    list of str
        A notice where a sign was turned.
    """
    if heading.reading not in ("coordinate", "value") or not layout.holds("reading_mm"):
        return table, []
    if layout.holds("face"):
        faces: Any = table.columns["face"]
        negative = np.array([word.endswith("-") for word in faces.categories], dtype=bool)[faces.codes]
        other = np.array([word[:1] != heading.axis for word in faces.categories], dtype=bool)[faces.codes]
    elif direction is not None:
        negative = np.full(len(table.line), direction.endswith("-"))
        other = np.full(len(table.line), direction[:1] != heading.axis)
    else:
        return table, []
    if heading.axis and other.any():
        faults.add_rows(
            other,
            table.line,
            lambda _: f"a touch of another axis than {heading.axis}",
            f"a column for each axis that is touched, beside {shown(layout.header('reading_mm'))}",
            column=layout.header("reading_mm"),
            action="add the columns of the other axes, or name the columns in a column map (--columns FILE)",
        )
        return table, []
    if not negative.any():
        return table, []
    reading = table.columns["reading_mm"] * np.where(negative, -1.0, 1.0) + 0.0  # no negative zero
    notice = sign_notice(layout.header("reading_mm"), heading.reading, int(negative.sum()))
    return replace(table, columns=table.columns | {"reading_mm": reading}), [notice]


def settle_touches(table: Table, layout: Layout) -> tuple[Table, Layout, list[str]]:
    """Leave out touch numbers that start anew in each series, as they number no touch of the file.

    Parameters
    ----------
    table : Table
    layout : Layout

    Returns
    -------
    Table
    Layout
    list of str
        A notice where the numbers were left out.
    """
    if not layout.holds("touch"):
        return table, layout, []
    touch = table.columns["touch"]
    serial = [_codes(table.columns["serial"])] if layout.holds("serial") else []
    if not _repeats([*serial, touch]):
        return table, layout, []
    series = [_codes(table.columns[name]) for name in _SERIES if layout.holds(name)]
    if not series or _repeats([*series, touch]):
        return table, layout, []  # the same touch twice is a fault of the rows, found later
    header = layout.header("touch")
    fields = tuple(one for one in layout.fields if one.target != "touch")
    columns = {name: values for name, values in table.columns.items() if name != "touch"}
    notice = (
        f"The numbers in column {shown(header)} start anew in each series; touches were counted in the order "
        "of the rows."
    )
    return (
        replace(table, columns=columns),
        replace(layout, fields=fields, ignored=(*layout.ignored, header)),
        [notice],
    )


def _codes(column: Any) -> Any:
    return column.codes if hasattr(column, "codes") else column


def _repeats(keys: list[Any]) -> bool:
    order = np.lexsort(keys)
    same = np.ones(max(0, len(order) - 1), dtype=bool)
    for key in keys:
        ordered = np.asarray(key)[order]
        same &= ordered[1:] == ordered[:-1]
    return bool(same.any())
