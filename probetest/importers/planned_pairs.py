"""Fast and slow touches of a plan that has both: each approach is a pair, or ends with a miss."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.approaches import TRIGGER, Approaches

_NEAR = 0.05
"""A pair is so much closer together than two directions of a plan."""
_OF_PAIRS = 0.3
"""From this share of near neighbours on a log holds both touches of each pair."""

MET = "a move between touches may have met something: find out what, and take that line out of the log"


def planned_pairs(result: Approaches, planned: int, faults: FaultList) -> NDArray[np.bool_] | None:
    """Which approaches count: of each pair the slow touch; a miss, at whichever feed it was.

    Parameters
    ----------
    result : Approaches
    planned : int
        Touches that count in the plan.
    faults : FaultList
        Takes a contact that belongs to no pair.

    Returns
    -------
    ndarray of bool, shape (rows,), or None
        None where the log holds one touch of each approach only.
    """
    fast = _fast(result)
    near = None if fast is not None else _near(result)
    if fast is None and (near is None or not _are_pairs(near)) and len(result) != 2 * planned:
        return None
    outcome, line = result.columns["outcome"], result.columns["line"]
    rows = len(result)
    keep = np.zeros(rows, dtype=bool)
    is_open = False  # a fast touch waits for its slow one
    for row in range(rows):
        if outcome[row] != TRIGGER:
            keep[row], is_open = True, False
            continue
        is_slow = is_open if fast is None else not fast[row]
        alone = row and (is_open and not is_slow if near is None else is_slow and near[row - 1] == 0)
        if alone:
            faults.add(
                "a contact that is no fast touch of the one behind it",
                "a fast touch, then the slow one at the same place",
                line=int(line[row - 1]),
                action=f"{MET}; where a touch is missing, take out the other one of its pair",
            )
            return None
        keep[row] = is_slow
        is_open = not is_slow
    return keep


def _fast(result: Approaches) -> NDArray[np.bool_] | None:
    """Whether each touch is above the lowest feed; None where there is one feed, or not all are known."""
    feed = result.columns.get("feed")
    touched = result.columns["outcome"] == TRIGGER
    if feed is None or np.count_nonzero(touched) < 2 or not np.isfinite(feed[touched]).all():
        return None
    fast = feed > feed[touched].min() * 1.0001
    return np.asarray(fast) if fast[touched].any() else None


def _near(result: Approaches) -> NDArray[np.float64] | None:
    """Whether each touch lies where the one before does: 1 or 0, NaN beside a miss."""
    if "x" not in result.columns or "y" not in result.columns or len(result) < 2:
        return None
    place = np.column_stack([result.columns["x"], result.columns["y"]])
    touched = result.columns["outcome"] == TRIGGER
    gap = np.where(touched[1:] & touched[:-1], np.linalg.norm(np.diff(place, axis=0), axis=1), np.nan)
    if not np.isfinite(gap).any():
        return None
    # Of pairs half the gaps are within a pair, so that three quarters reach well into the others.
    wide = np.nanpercentile(gap, 75)
    return np.where(np.isfinite(gap), gap < _NEAR * wide, np.nan)


def _are_pairs(near: NDArray[np.float64]) -> bool:
    return bool(np.nanmean(near) > _OF_PAIRS)
