"""What can't be right in the values of a log: mixed units, changed coordinates, readings set to zero."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches, Cut
from probetest.importers.pattern import AXES, Pattern

INCH = 25.4
_RATIO_TOLERANCE = 0.02
_FEWEST = 3
_JUMP = 3.0
_ONE_SIZE = 0.5
_AXES_TOLERANCE = 0.1
_FAR = 100.0
_FAR_APART = 0.2
"""Least gap between two groups in mm or inch; finer units are only more careful."""
_TURNED = ("a", "b", "c")


def check_values(result: Approaches, pattern: Pattern, faults: FaultList) -> None:
    """Look for values that contradict each other, before they are used.

    Parameters
    ----------
    result : Approaches
        The approaches of one part of a log, in its units.
    pattern : Pattern
    faults : FaultList
    """
    rows = np.flatnonzero(result.columns["outcome"] == TRIGGER)
    values = {
        name: result.columns[name][rows]
        for name in (*AXES, "reading", "coordinate")
        if name in result.columns and len(rows)
    }
    line = result.columns["line"][rows]
    _refuse_zeroed(values, line, pattern, faults)
    _refuse_unit_jump(values, line, faults)


def _refuse_zeroed(
    values: dict[str, NDArray[np.float64]], line: NDArray[np.int64], pattern: Pattern, faults: FaultList
) -> None:
    if len(line) < _FEWEST or not values or pattern.deltas:
        return
    known = [each[np.isfinite(each)] for each in values.values()]
    if any(map(len, known)) and all(not each.any() for each in known):
        faults.add(
            f"{len(line)} touches that are all zero",
            "the position of each touch",
            line=int(line[0]),
            action="the macro sets the position to zero after each touch (G92, G10 L20): "
            "let it log the result before that",
        )


def _refuse_unit_jump(
    values: dict[str, NDArray[np.float64]], line: NDArray[np.int64], faults: FaultList
) -> None:
    """Values of two sizes whose ratio is 25.4 in all axes, and that change only now and then."""
    axes = [
        each
        for name, each in values.items()
        if name not in _TURNED and np.isfinite(each).all() and each.any()
    ]
    if not axes or len(line) < 2:
        return
    size = np.sqrt(sum(each**2 for each in axes))
    if (size == 0).any():
        return
    ratio = np.log(size)
    large = ratio > (ratio.min() + ratio.max()) / 2
    changes = np.flatnonzero(np.diff(large))
    if not len(changes) or len(changes) > max(1, len(line) // _FEWEST):
        return
    if max(np.ptp(ratio[large]), np.ptp(ratio[~large])) > _ONE_SIZE:
        return
    upper, lower = (np.array([np.median(each[rows]) for each in axes]) for rows in (large, ~large))
    whole = float(np.median(size[large]))
    if abs(np.log(whole / np.median(size[~large]) / INCH)) > _RATIO_TOLERANCE:
        return
    if np.linalg.norm(upper - INCH * lower) > _AXES_TOLERANCE * whole:
        return
    at = int(changes[0])
    seen = max(axes, key=lambda each: abs(each[at]))
    faults.add(
        f"values that change by a factor of 25.4 ({seen[at]:g} to {seen[at + 1]:g})",
        "values in one unit",
        line=int(line[at + 1]),
        action="mm and inch are mixed: split the log there, and give each part its own --units",
    )


def check_levels(result: Approaches, faults: FaultList) -> None:
    """Look for touches from one direction that lie in two groups far apart.

    Parameters
    ----------
    result : Approaches
        With directions and the reading ``along`` them.
    faults : FaultList

    Notes
    -----
    Two groups of at least three touches each that lie a hundred times their own spread apart are two faces,
    or the coordinates changed; false triggers are neither as many nor as alike.
    """
    keys = [
        name for name in ("azimuth_deg", "elevation_deg", "orientation", "stage") if name in result.columns
    ]
    rows = np.flatnonzero((result.columns["outcome"] == TRIGGER) & np.isfinite(result.columns["along"]))
    if faults.total or len(rows) < 2 * _FEWEST:  # what is at fault already may be why
        return
    frame = pd.DataFrame({name: result.columns[name][rows] for name in keys})
    series = frame.groupby(keys, observed=True, sort=False).ngroup().to_numpy()
    along = result.columns["along"][rows]
    order = np.lexsort((along, series))
    starts = np.flatnonzero(np.diff(series[order], prepend=-1))
    for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(rows)], strict=True):
        values = along[order[begin:end]]
        if len(values) < 2 * _FEWEST:
            continue
        at = _FEWEST + int(np.diff(values)[_FEWEST - 1 : len(values) - _FEWEST].argmax())
        gap = values[at] - values[at - 1]
        spread = max(values[at - 1] - values[0], values[-1] - values[at], result.step)
        if gap > max(_FAR * spread, _FAR_APART):
            line = result.columns["line"][rows[order[begin:end]]]
            second = line[at:] if line[:at].min() < line[at:].min() else line[:at]
            faults.add(
                f"two groups of touches from one direction, {gap:.6g} apart ({at} and {len(values) - at} "
                "touches)",
                "touches of one place",
                line=int(second.min()),
                action="where they are two faces, give a plan with the direction of each touch (--plan "
                "FILE); where coordinates, offset or tool changed, split the log",
            )
            return


def judge_cut(result: Approaches, cut: Cut) -> str | None:
    """Say how positions differ on both sides of an interruption; None where they don't.

    Parameters
    ----------
    result : Approaches
    cut : Cut

    Returns
    -------
    str or None
        Such as "z jumps by 44.213 and stays".
    """
    is_trigger = result.columns["outcome"] == TRIGGER
    for name in AXES:
        if name not in result.columns:
            continue
        values = result.columns[name]
        usable = is_trigger & np.isfinite(values)
        before, after = values[: cut.before][usable[: cut.before]], values[cut.before :][usable[cut.before :]]
        if len(before) < 2 or len(after) < 2:
            continue
        gap = max(after.min() - before.max(), before.min() - after.max())
        if gap > _JUMP * max(np.ptp(before), np.ptp(after), result.step):
            return f"{name} jumps by {np.median(after) - np.median(before):.6g} and stays there"
    return None


def turned_axes(result: Approaches) -> str | None:
    """Return the first rotary axis that changes between touches, or None."""
    rows = result.columns["outcome"] == TRIGGER
    for name in _TURNED:
        values = result.columns.get(name)
        if (
            values is not None
            and np.isfinite(values[rows]).any()
            and np.nanmax(values[rows]) > np.nanmin(values[rows])
        ):
            return name
    return None


def words_of_cut(cut: Cut) -> str:
    """Return what a line that cuts a log says, for a message."""
    return {
        "position_lost": "alarm 1 or 3: the machine position is probably lost",
        "restart": "the controller restarted, or sought its home",
        "copy": "the touches from here on repeat those before value for value: the log seems to be "
        "pasted twice",
        "words": f"{shown(cut.text.strip())} changes the origin or an offset",
    }[cut.kind]
