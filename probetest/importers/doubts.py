"""What can't be right in the values of a log: mixed units, changed coordinates, readings set to zero."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches, Cut
from probetest.importers.pattern import AXES, Pattern

INCH = 25.4
_RATIO_TOLERANCE = 0.02
_FEWEST = 3
_JUMP = 3.0
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
    if all(not each.any() for each in known):
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
    """All axes change by 25.4 from one touch to the next, and stay so."""
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
    step = np.log(size[1:] / size[:-1])
    for at in np.flatnonzero(np.abs(np.abs(step) - np.log(INCH)) < _RATIO_TOLERANCE).tolist():
        before, after = np.median(size[: at + 1]), np.median(size[at + 1 :])
        if abs(abs(np.log(after / before)) - np.log(INCH)) < 5 * _RATIO_TOLERANCE:
            seen = max(axes, key=lambda each: abs(each[at]))
            faults.add(
                f"values that change by a factor of 25.4 ({seen[at]:g} to {seen[at + 1]:g})",
                "values in one unit",
                line=int(line[at + 1]),
                action="mm and inch are mixed: split the log there, and give each part its own --units",
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
        if gap > _JUMP * max(np.ptp(before), np.ptp(after)) and gap > 0:
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
        "words": f"{shown(cut.text.strip())} changes the origin or an offset",
    }[cut.kind]
