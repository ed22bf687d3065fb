"""What must hold for the rows of a log; each check looks at whole columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.cells import UNREADABLE_TOUCH
from probetest.importers.layout import Layout
from probetest.triggers import OUTCOMES, UNIT_MM

_LENGTH_LIMIT_MM = 10_000.0
RANGES: dict[str, tuple[float, float, str]] = {
    "orientation_deg": (-360.0, 360.0, "deg"),
    "azimuth_deg": (-360.0, 360.0, "deg"),
    "elevation_deg": (-90.0, 90.0, "deg"),
    "x_mm": (-_LENGTH_LIMIT_MM, _LENGTH_LIMIT_MM, "mm"),
    "y_mm": (-_LENGTH_LIMIT_MM, _LENGTH_LIMIT_MM, "mm"),
    "z_mm": (-_LENGTH_LIMIT_MM, _LENGTH_LIMIT_MM, "mm"),
    "reading_mm": (-_LENGTH_LIMIT_MM, _LENGTH_LIMIT_MM, "mm"),
    "feed_mm_min": (0.0, 100_000.0, "mm/min"),
    "temperature_c": (-50.0, 150.0, "degC"),
}
"""Lowest and highest value that can be true, and its unit; common practice, no source."""

_NEVER_BLANK = ("orientation_deg", "azimuth_deg", "elevation_deg")
_SAME_DIRECTION_COSINE = np.cos(np.radians(1.0))

Columns = dict[str, Any]


def check_ranges(
    columns: Columns, layout: Layout, line: NDArray[np.int64], inch: bool, faults: FaultList
) -> None:
    """Look for numbers that can't be true, and for blank angles.

    Parameters
    ----------
    columns : dict
        Frame columns in mm and degrees.
    layout : Layout
        Names in the file.
    line : ndarray of int, shape (rows,)
    inch : bool
        Whether lengths were converted; the message then gives both values.
    faults : FaultList
    """
    for name, (low, high, unit) in RANGES.items():
        values = columns.get(name)
        if values is None:
            continue
        if np.fmin.reduce(values) < low or np.fmax.reduce(values) > high:  # both pass over NaN
            _add_outside(values, name, layout, line, inch, faults)
        if name in _NEVER_BLANK and np.isnan(values.min()):
            faults.add_rows(
                np.isnan(values),
                line,
                lambda _: "a blank cell",
                f"an angle from {low:g} to {high:g} {unit}",
                column=layout.header(name),
                action="fill in the cell",
            )


def _add_outside(
    values: NDArray[np.float64],
    name: str,
    layout: Layout,
    line: NDArray[np.int64],
    inch: bool,
    faults: FaultList,
) -> None:
    low, high, unit = RANGES[name]

    def found(row: int) -> str:
        text = f"{values[row]:.10g} {unit}"
        return text + (
            f" ({values[row] / UNIT_MM['inch']:.10g} in the file)" if inch and unit.startswith("mm") else ""
        )

    faults.add_rows(
        (values < low) | (values > high),
        line,
        found,
        f"{low:g} to {high:g} {unit}",
        column=layout.header(name),
        action="correct the value, or its units",
    )


def check_touches(touch: NDArray[np.int64], header: str, line: NDArray[np.int64], faults: FaultList) -> None:
    """Look for touch numbers that are negative or stand twice in one test.

    Parameters
    ----------
    touch : ndarray of int, shape (rows,)
        Of one serial.
    header : str
    line : ndarray of int, shape (rows,)
    faults : FaultList
    """
    if touch[0] >= 0 and (np.diff(touch) > 0).all():
        return
    readable = touch > UNREADABLE_TOUCH // 2
    faults.add_rows(
        readable & (touch < 0),
        line,
        lambda row: f"touch {touch[row]}",
        "a touch number of 0 or more",
        column=header,
    )
    first = pd.Series(line).groupby(touch).transform("first").to_numpy()
    faults.add_rows(
        (first != line) & readable,
        line,
        lambda row: f"touch {touch[row]} again (first on line {first[row]})",
        "each touch number once",
        column=header,
        action="number the touches through, or split the log",
    )


def check_readings(columns: Columns, layout: Layout, line: NDArray[np.int64], faults: FaultList) -> None:
    """Look for triggers without a position or reading.

    Parameters
    ----------
    columns : dict
        Frame columns; ``outcome`` may be missing, which means that each row is a trigger.
    layout : Layout
    line : ndarray of int, shape (rows,)
    faults : FaultList

    Notes
    -----
    A log holds positions as soon as one trigger has them; then each trigger needs one. Only
    a log without any positions is read by its ``reading_mm``.
    """
    triggered = _triggered(columns, len(line))
    located = None
    if "x_mm" in columns and "y_mm" in columns:
        located = np.isfinite(columns["x_mm"]) & np.isfinite(columns["y_mm"])
    uses_positions = located is not None and bool((located & triggered).any())
    reading = columns.get("reading_mm")
    if uses_positions or reading is None:
        given, what, column = located, "x and y of the trigger", layout.header("x_mm")
    else:
        given, what, column = np.isfinite(reading), "the reading of the trigger", layout.header("reading_mm")
    action = "fill in the value, or state the outcome (missed, open_at_start, false)"
    if given is not None:
        faults.add_rows(
            triggered & ~given,
            line,
            lambda _: "a trigger without a value",
            what,
            column=column,
            action=action,
        )
    if uses_positions:
        _check_z(columns, layout, triggered, line, faults)


def _triggered(columns: Columns, rows: int) -> NDArray[np.bool_]:
    if "outcome" not in columns:
        return np.ones(rows, dtype=bool)
    outcome: pd.Categorical = columns["outcome"]
    return np.asarray(outcome.codes == OUTCOMES.index("trigger"))


def _check_z(
    columns: Columns, layout: Layout, triggered: NDArray[np.bool_], line: NDArray[np.int64], faults: FaultList
) -> None:
    elevation = columns.get("elevation_deg")
    if elevation is None or not elevation.any():
        return
    z = columns.get("z_mm")
    unknown = np.ones(len(line), dtype=bool) if z is None else ~np.isfinite(z)
    faults.add_rows(
        unknown & triggered & (elevation != 0),
        line,
        lambda row: f"no z at elevation {elevation[row]:g} deg",
        "x, y and z where the motion is not horizontal",
        column=layout.header("z_mm"),
        action="add the z of the trigger",
    )


def check_faces(
    columns: Columns,
    faces: Mapping[str, NDArray[np.float64]],
    header: str,
    line: NDArray[np.int64],
    faults: FaultList,
) -> None:
    """Look for rows whose face contradicts their angles by more than 1 degree.

    Parameters
    ----------
    columns : dict
        With azimuth_deg and elevation_deg as stated.
    faces : mapping
        azimuth_deg and elevation_deg of the face.
    header : str
        Name of the face column.
    line : ndarray of int, shape (rows,)
    faults : FaultList
    """
    azimuth, elevation = np.radians(columns["azimuth_deg"]), np.radians(columns["elevation_deg"])
    face_azimuth, face_elevation = np.radians(faces["azimuth_deg"]), np.radians(faces["elevation_deg"])
    cosine = np.sin(elevation) * np.sin(face_elevation) + np.cos(elevation) * np.cos(face_elevation) * np.cos(
        azimuth - face_azimuth
    )
    faults.add_rows(
        cosine < _SAME_DIRECTION_COSINE,
        line,
        lambda row: (
            f"a face that contradicts azimuth {columns['azimuth_deg'][row]:g} deg and elevation "
            f"{columns['elevation_deg'][row]:g} deg"
        ),
        "the direction the stylus moves in both",
        column=header,
        action="correct one of the two",
    )
