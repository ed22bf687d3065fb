"""From the cells of a log to the columns of the frame: units, words, constants, checks."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.checks import Columns, check_faces, check_ranges, check_readings
from probetest.importers.columns import ColumnMap
from probetest.importers.layout import Layout, is_length, long_name
from probetest.importers.table import Table, categorical
from probetest.importers.words import check_free_words, read_faces, read_outcomes
from probetest.triggers import UNIT_MM


def judge(
    table: Table, layout: Layout, column_map: ColumnMap, units: str | None, faults: FaultList
) -> Columns:
    """Bring the columns of a log to mm, degrees and the vocabulary, and check them.

    Parameters
    ----------
    table : Table
        At least one row.
    layout : Layout
    column_map : ColumnMap
        Words of the outcomes, and constants.
    units : str or None
        "mm" or "inch"; None where they are not known, which is a fault already.
    faults : FaultList

    Returns
    -------
    dict of str to array
        Columns for ``make_frame``, ``serial`` among them where the file has one.
    """
    _check_units(layout, units, faults)
    factor = UNIT_MM[units or "mm"]
    rows = len(table.line)
    columns: Columns = {"line": table.line}
    for field in layout.fields:
        values = table.columns[field.target]
        scale = _scale(field.target, units or "mm")
        columns[field.target] = values * scale if scale != 1.0 else values
    for name, value in column_map.constants.stated().items():
        columns[long_name(name)] = _constant(value, rows, _scale(long_name(name), units or "mm"))
    _judge_words(columns, layout, column_map, faults)
    _judge_directions(columns, layout, faults)
    check_ranges(columns, layout, table.line, factor != 1.0, faults)
    check_readings(columns, layout, table.line, faults)
    for name in ("azimuth_deg", "orientation_deg"):
        if name in columns:
            columns[name] = within_circle(columns[name])
    return columns


def within_circle(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return angles in [0, 360).

    Parameters
    ----------
    angle_deg : ndarray, deg

    Returns
    -------
    ndarray, deg
        The same array where nothing is to be done.

    Examples
    --------
    >>> within_circle(np.array([-90.0, 360.0, 10.0])).tolist()
    [270.0, 0.0, 10.0]
    """
    if angle_deg.min() >= 0 and angle_deg.max() < 360:
        return angle_deg
    turned = np.mod(angle_deg, 360.0)
    return np.where(turned >= 360.0, 0.0, turned)  # a tiny negative angle rounds up to 360


def _check_units(layout: Layout, units: str | None, faults: FaultList) -> None:
    for field in layout.fields:
        if units is not None and field.units not in (None, units):
            wanted = "x_mm, feed_mm_min" if units == "mm" else "x_in, feed_in_min"
            faults.add(
                f"a column in {field.units} where the log states units {shown(units)}",
                f"names such as {wanted} or x, feed",
                line=layout.line,
                column=field.header,
                action="correct the units of the log, or rename the column to what its values are in",
            )


def _scale(name: str, units: str) -> float:
    """Factor from the units of the log to mm or mm/min."""
    return UNIT_MM[units] if is_length(name) else 1.0


def _constant(value: Any, rows: int, scale: float) -> Any:
    if isinstance(value, str):
        return categorical(np.zeros(rows, dtype=np.int8), [value])
    return np.full(rows, float(value) * scale)


def _judge_words(columns: Columns, layout: Layout, column_map: ColumnMap, faults: FaultList) -> None:
    line = columns["line"]
    for name in ("stage", "serial"):
        if name in columns:
            check_free_words(columns[name], layout.header(name), line, faults)
    if "outcome" in columns:
        columns["outcome"] = read_outcomes(
            columns["outcome"], column_map.outcomes, layout.header("outcome"), line, faults
        )


def _judge_directions(columns: Columns, layout: Layout, faults: FaultList) -> None:
    if "face" not in columns:
        return
    header, line = layout.header("face"), columns["line"]
    azimuth, elevation = read_faces(columns.pop("face"), header, line, faults)
    stated = {"azimuth_deg", "elevation_deg"} & columns.keys()
    columns.setdefault("azimuth_deg", azimuth)
    columns.setdefault("elevation_deg", elevation)
    if stated:
        check_faces(columns, {"azimuth_deg": azimuth, "elevation_deg": elevation}, header, line, faults)
