"""The plan of a test: the touches in the order in which they were to be made."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.checks import RANGES
from probetest.importers.words import FACES, MAX_WORD
from probetest.triggers import Look

_LARGEST_BYTES = 20_000_000
_COLUMNS = ("touch", "stage", "orientation_deg", "azimuth_deg", "elevation_deg", "face", "feed", "note")
_SAME_DEG = 1.0
_NUMBERS = ("orientation_deg", "azimuth_deg", "elevation_deg")


@dataclass(frozen=True, slots=True)
class Plan:
    """Planned touches, in order.

    Attributes
    ----------
    file : str
        Name as the user gave it.
    touch : ndarray of int64, shape (touches,)
    stage : tuple of str
    orientation_deg, azimuth_deg, elevation_deg : ndarray, shape (touches,), deg
    looks : int
        How often the test may be looked at.
    block_ends : tuple of int
        Number of the last touch of each block; empty where the plan says nothing of it.
    two_stage : bool
        A fast touch comes before each touch that counts.
    guarded : bool
        Between the touches are probe moves that meet nothing.
    """

    file: str
    touch: NDArray[np.int64]
    stage: tuple[str, ...]
    orientation_deg: NDArray[np.float64]
    azimuth_deg: NDArray[np.float64]
    elevation_deg: NDArray[np.float64]
    looks: int = 1
    block_ends: tuple[int, ...] = ()
    two_stage: bool = False
    guarded: bool = False

    def __len__(self) -> int:
        return len(self.touch)


def look_of(plan: Plan, touch: int) -> Look | None:
    """Where a log that ends with a touch of a plan stands; None where the plan allows one look only."""
    if plan.looks < 2:
        return None
    block = int(np.searchsorted(plan.block_ends, touch)) + 1
    return Look(min(block, plan.looks), plan.looks, touch, plan.block_ends)


def read_plan(path: Path | str) -> Plan:
    """Read a plan.

    Parameters
    ----------
    path : Path or str
        CSV with a header row: azimuth_deg (or face), and where wanted touch, stage, orientation_deg,
        elevation_deg, and for readers only feed and note; one row for each approach, in the order of
        the test.

    Returns
    -------
    Plan

    Raises
    ------
    ImportDataError
        With all faults of the file.
    """
    path = Path(path)
    faults = FaultList(str(path))
    rows = _read_rows(path, faults)
    names = [name.strip().lower() for name in rows[0][1]] if rows else []
    if "azimuth_deg" not in names and "face" not in names:
        faults.add(
            shown(",".join(names)) if names else "no header row",
            "a header row with azimuth_deg or face, such as touch,stage,orientation_deg,azimuth_deg",
            line=rows[0][0] if rows else None,
        )
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        faults.add(f"{shown(twice[0])} twice", "each column once", line=rows[0][0])
    for name in names:
        if name and name not in _COLUMNS:
            faults.add(f"the unknown column {shown(name)}", f"one of {', '.join(_COLUMNS)}", line=rows[0][0])
    if len(rows) < 2:
        faults.add("no planned touch", "a row for each approach", action="check that it is the plan")
    faults.raise_if_any()
    for line, row in rows[1:]:
        if "".join(row[len(names) :]).strip():
            faults.add(
                f"{len(row)} cells where the header row has {len(names)}", "a cell a column", line=line
            )
    touches = [_read_touch(line, dict(zip(names, row, strict=False)), faults) for line, row in rows[1:]]
    number = _numbers([one[0] for one in touches], [line for line, _ in rows[1:]], faults)
    faults.raise_if_any()
    angles = np.array([one[2] for one in touches])
    return Plan(
        str(path),
        number,
        tuple(one[1] for one in touches),
        angles[:, 0] % 360,
        angles[:, 1] % 360,
        angles[:, 2],
    )


def _numbers(given: list[int], lines: list[int], faults: FaultList) -> NDArray[np.int64]:
    """Return the numbers of the touches; counted through where no row has one."""
    if all(number < 0 for number in given):
        return np.arange(1, len(given) + 1)
    first: dict[int, int] = {}
    for number, line in zip(given, lines, strict=True):
        if number < 0:
            faults.add(
                "no number of the touch", "a number in each row, or in none", line=line, column="touch"
            )
        elif first.setdefault(number, line) != line:
            faults.add(
                f"touch {number} again (first on line {first[number]})",
                "each number once",
                line=line,
                column="touch",
            )
    return np.array(given, dtype=np.int64)


def _read_rows(path: Path, faults: FaultList) -> list[tuple[int, list[str]]]:
    try:
        if path.is_file() and path.stat().st_size > _LARGEST_BYTES:
            faults.add("a file of more than 20 MB", "a plan of one test")
            faults.raise_if_any()
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        faults.add(
            f"that it can't be read ({error.strerror or error})", "a plan (CSV)", action="check the path"
        )
        faults.raise_if_any()
        raise  # pragma: no cover
    except (UnicodeDecodeError, ValueError):
        faults.add("bytes that are not UTF-8", "a plan (CSV, UTF-8)")
        faults.raise_if_any()
        raise  # pragma: no cover
    reader = csv.reader(text.replace("\0", "").splitlines(), strict=True)
    rows = []
    try:
        for row in reader:
            if "".join(row).strip() and not row[0].lstrip().startswith("#"):
                rows.append((reader.line_num, row))
    except csv.Error as error:
        faults.add(f"a row that can't be split ({error})", "cells between commas", line=reader.line_num)
        faults.raise_if_any()
    return rows


def _read_touch(
    line: int, cells: dict[str, str], faults: FaultList
) -> tuple[int, str, tuple[float, float, float]]:
    """Return number (-1 where none), stage and the angles orientation, azimuth, elevation."""
    angles = {name: _angle(cells.get(name, ""), name, line, faults) for name in _NUMBERS}
    face = cells.get("face", "").strip().upper()
    if face and face not in FACES:
        faults.add(shown(face), f"one of {', '.join(FACES)}", line=line, column="face")
    elif face:
        _compare_face(face, cells, angles, line, faults)
        angles["azimuth_deg"], angles["elevation_deg"] = FACES[face]
    elif not cells.get("azimuth_deg", "").strip():
        faults.add("a blank cell", "the direction of the approach", line=line, column="azimuth_deg")
    touch = cells.get("touch", "").strip()
    if touch and not (touch.isascii() and touch.isdigit() and len(touch) < 16):
        faults.add(shown(touch), "a whole number", line=line, column="touch")
        touch = ""
    stage = cells.get("stage", "").strip() or "baseline"
    if not stage.isprintable() or len(stage) > MAX_WORD:
        faults.add(shown(stage), f"at most {MAX_WORD} printable characters", line=line, column="stage")
    return (
        int(touch) if touch else -1,
        stage,
        (angles["orientation_deg"], angles["azimuth_deg"], angles["elevation_deg"]),
    )


def _compare_face(
    face: str, cells: dict[str, str], angles: dict[str, float], line: int, faults: FaultList
) -> None:
    """Refuse a face beside angles that say another direction."""
    for name, value in zip(("azimuth", "elevation"), FACES[face], strict=True):
        stated = angles[f"{name}_deg"]
        if cells.get(f"{name}_deg", "").strip() and abs((stated - value + 180) % 360 - 180) > _SAME_DEG:
            faults.add(
                f"face {shown(face)} and {name} {stated:g} deg",
                f"{name} {value:g} deg, or one of the two",
                line=line,
                column="face",
            )


def _angle(cell: str, name: str, line: int, faults: FaultList) -> float:
    low, high, _ = RANGES[name]
    try:
        value = float(cell) if cell.strip() else 0.0
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        faults.add(shown(cell.strip()), f"an angle from {low:g} to {high:g} deg", line=line, column=name)
        return 0.0
    return value
