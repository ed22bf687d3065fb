"""A log whose second half is a copy of the first, because it was pasted twice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.importers.values import LENGTHS

_CHANCE_BITS = 20.0
"""Touches repeat by chance with a probability of one half to this power."""
_FEWEST_NEAR = 4
_NEAR = 1e-3


def find_copies(columns: dict[str, Any]) -> list[int]:
    """Return where copies of the first touches of a log begin.

    Parameters
    ----------
    columns : dict of str to array
        Values, outcomes and times of the approaches, in order.

    Returns
    -------
    list of int
        Empty, or the place of the second copy, and of the third.

    Notes
    -----
    Touches all around an artefact repeat of themselves where the scatter is below the last digit. Only a
    scatter that repeats tells of a copy: values that nearly agree, and do so again; or equal times.
    """
    rows = len(columns["line"])
    names = [name for name in (*LENGTHS, "outcome", "time") if name in columns]
    for copies in (2, 3):
        size = rows // copies
        if rows % copies or size < 2:
            continue
        parts = [np.asarray(columns[name], dtype=float).reshape(copies, size) for name in names]
        if all(((part == part[0]) | (np.isnan(part) & np.isnan(part[0]))).all() for part in parts):
            lengths = [part[0] for name, part in zip(names, parts, strict=True) if name in LENGTHS]
            values = np.nan_to_num(np.column_stack(lengths))
            moves_on = "time" in names and np.ptp(np.nan_to_num(columns["time"][:size])) > 0
            if moves_on or (_bits(values) >= _CHANCE_BITS and _near(values) >= _FEWEST_NEAR):
                return list(range(size, rows, size))
    return []


def find_doubled(columns: dict[str, Any]) -> NDArray[np.int64]:
    """Return for each approach the place of an earlier one with the same time and values, or its own.

    Parameters
    ----------
    columns : dict of str to array

    Returns
    -------
    ndarray of int64, shape (rows,)

    Notes
    -----
    Equal values alone prove nothing, nor does the same time in two lines that follow each other: a clock
    has its step. The same time and values further up are those of a line that was pasted again.
    """
    rows = np.arange(len(columns["line"]))
    if "time" not in columns or not np.isfinite(columns["time"]).any():
        return rows
    names = ["time", *(name for name in (*LENGTHS, "outcome") if name in columns)]
    known = pd.DataFrame({name: columns[name] for name in names})
    first = pd.Series(rows).groupby([known[name] for name in names], dropna=False).transform("min").to_numpy()
    proven = np.isfinite(columns["time"]) & (rows - first > 1)
    return np.where(proven, first, rows)


def _bits(values: NDArray[np.float64]) -> float:
    """Information in the order of some rows."""
    counts = np.unique(values, axis=0, return_counts=True)[1]
    return float(-(counts @ np.log2(counts / len(values))))


def _near(values: NDArray[np.float64]) -> int:
    """Count neighbours that nearly agree, but not quite, along an oblique line through all axes."""
    weights = np.sqrt(np.arange(2.0, 2.0 + values.shape[1]))
    steps = np.diff(np.sort(values @ weights))
    return int(np.count_nonzero((steps > 0) & (steps < _NEAR * np.abs(values).max())))
