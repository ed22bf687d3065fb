"""From approaches to the typed columns of a table: readings, numbers, times."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.importers.layout import Field, Layout
from probetest.importers.table import Table, categorical
from probetest.triggers import OUTCOMES, UNDATED

_NO_MOTION = 1e-9
_LENGTHS = ("x", "y", "z", "along")
_TARGETS = {
    "touch": "touch",
    "time": "time",
    "stage": "stage",
    "orientation": "orientation_deg",
    "azimuth_deg": "azimuth_deg",
    "elevation_deg": "elevation_deg",
    "serial": "serial",
    "x": "x_mm",
    "y": "y_mm",
    "z": "z_mm",
    "along": "reading_mm",
    "outcome": "outcome",
    "feed": "feed_mm_min",
    "temperature": "temperature_c",
}


def set_reading(result: Approaches, faults: FaultList) -> None:
    """Add the reading along the approach, in the units of the log."""
    columns = result.columns
    azimuth, elevation = np.radians(columns["azimuth_deg"]), np.radians(columns["elevation_deg"])
    motion = {
        "x": np.cos(elevation) * np.cos(azimuth),
        "y": np.cos(elevation) * np.sin(azimuth),
        "z": np.sin(elevation),
    }
    if faults.total:  # without directions there is no reading, and that is said already
        columns["along"] = np.zeros(len(result))
    elif "reading" in columns:
        columns["along"] = columns["reading"]
    elif "coordinate" in columns:
        columns["along"] = _of_coordinate(result, motion, faults)
    else:
        unknown = np.full(len(result), np.nan)
        columns["along"] = sum(
            np.where(np.abs(share) > _NO_MOTION, share * columns.get(name, unknown), 0.0)
            for name, share in motion.items()
        )


def _of_coordinate(
    result: Approaches, motion: dict[str, NDArray[np.float64]], faults: FaultList
) -> NDArray[np.float64]:
    sign = sum(
        np.where(np.abs(np.abs(share) - 1) < _NO_MOTION, np.sign(share), 0.0) for share in motion.values()
    )
    faults.add_rows(
        np.asarray(sign == 0),
        result.columns["line"],
        lambda row: f"one coordinate at azimuth {result.columns['azimuth_deg'][row]:g} deg",
        "an approach along a machine axis, or x and y",
    )
    return np.asarray(sign * result.columns["coordinate"])


def _has_positions(result: Approaches) -> bool:
    """Whether every touch has x and y (and z where it moved in z)."""
    columns = result.columns
    rows = columns["outcome"] == TRIGGER
    needed = ["x", "y"] + ["z"] * bool(columns["elevation_deg"].any())
    return set(needed) <= columns.keys() and all(np.isfinite(columns[name][rows]).all() for name in needed)


def use_numbers(result: Approaches) -> None:
    """Drop numbers of touches that begin anew; the order of the log counts then."""
    number = result.columns.get("touch")
    if number is None or ((number >= 0).all() and (np.diff(number) > 0).all()):
        return
    if (number < 0).any() or len(np.unique(number)) < len(number):
        del result.columns["touch"]
        result.notices.append(
            "The numbers of the touches repeat, or some lack one: touches are numbered through."
        )


def tabulate(result: Approaches, day: date | None) -> tuple[Table, Layout]:
    """Return the columns that judging takes, in the units of the log.

    Parameters
    ----------
    result : Approaches
        With directions and ``along``.
    day : date or None
        Of times without a date.
    """
    columns = result.columns
    unused = ("along",) if _has_positions(result) else ("x", "y", "z")
    missed = columns["outcome"] != TRIGGER
    typed: dict[str, Any] = {}
    for name, target in _TARGETS.items():
        values = columns.get(name)
        if values is None or name in unused:
            continue
        if name != "along" and values.dtype.kind == "f" and not np.isfinite(values).any():
            continue
        # Where a miss ended is no touch: its numbers stay in the log.
        typed[target] = np.where(missed, np.nan, values) if name in _LENGTHS and missed.any() else values
    typed["outcome"] = categorical(columns["outcome"], OUTCOMES)
    if "time" in typed:
        typed["time"] = _times(typed["time"], day)
    fields = tuple(Field(index, _header(target), target) for index, target in enumerate(typed))
    layout = Layout(int(columns["line"][0]), len(fields), fields, (), " ", ".")
    return Table(typed, columns["line"]), layout


def _header(target: str) -> str:
    """Name of a column for a message: lengths are in the units of the log, not yet in mm."""
    return target.removesuffix("_mm").removesuffix("_mm_min")


def _times(seconds: NDArray[np.float64], day: date | None) -> NDArray[np.datetime64]:
    start = np.datetime64(UNDATED if day is None else day, "ms")
    times = np.full(len(seconds), np.datetime64("NaT"), dtype="datetime64[ms]")
    known = np.isfinite(seconds)
    times[known] = start + np.round(seconds[known] * 1000).astype("timedelta64[ms]")
    return times
