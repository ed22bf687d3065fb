"""Results that a listing of parameters shows: the last one again, or one that no other line gave."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.scan import Scan
from probetest.importers.skipped import SkipList
from probetest.importers.values import LENGTHS


def touches_of_listings(
    columns: dict[str, Any], found: Scan, is_reversed: bool, skipped: SkipList
) -> tuple[NDArray[np.bool_], list[str]]:
    """Tell which results are touches, where a listing of parameters may only repeat the last one.

    Parameters
    ----------
    columns : dict of str to array
        Results in the order of the lines.
    found : Scan
        Listings and probe moves.
    is_reversed : bool
        Whether the newest line comes first.
    skipped : SkipList
        Takes those that are no touches.

    Returns
    -------
    keep : ndarray of bool
        A listed result is a touch where it differs from the result before it, or where a probe
        move stands between the two and results are printed in listings only.
    notices : list of str
    """
    line = columns["line"]
    listed = np.isin(line, found.lines_of("listed_upwards" if is_reversed else "listed"))
    if not listed.any():
        return np.ones(len(line), dtype=bool), []
    order = np.arange(len(line))[:: -1 if is_reversed else 1]
    key = (-line if is_reversed else line)[order]
    moves = np.sort(found.lines_of("command") * (-1 if is_reversed else 1))
    behind = np.searchsorted(moves, key)
    moved = np.diff(behind, prepend=0) > 0
    differs = np.zeros(len(line), dtype=bool)
    for name in (*LENGTHS, "outcome"):
        if name in columns:
            values = columns[name][order]
            differs[1:] |= ~(
                (values[1:] == values[:-1]) | ((values[1:] != values[1:]) & (values[:-1] != values[:-1]))
            )
    counts = moved & (differs | listed.all())
    counts[1:] |= differs[1:]
    keep = np.ones(len(line), dtype=bool)
    keep[order] = counts | ~listed[order]
    keep[order[:1]] |= moved[:1]
    dropped = line[~keep]
    first = line[order[:1]]
    skipped.add_lines(
        dropped[dropped != first],
        "a result in a listing of parameters repeats the last one; no touch of its own",
    )
    skipped.add_lines(
        dropped[dropped == first],
        "a result in a listing of parameters, and no probe move before it: it may be older than the log",
    )
    kept = int(np.count_nonzero(listed & keep))
    return keep, [f"Results that only a listing of parameters shows were counted: {kept}."] if kept else []


def refuse_listings(found: Scan, faults: FaultList) -> None:
    """Raise for a log whose only results are those of listings, and may all be one touch.

    Parameters
    ----------
    found : Scan
    faults : FaultList

    Raises
    ------
    ImportDataError
    """
    faults.add(
        "results in listings of parameters only, and no probe move between them",
        "a line for each touch",
        line=int(found.columns["line"][0]),
        action="switch on that the controller prints each result, or let the log hold the probe moves "
        "(G38.2) too",
    )
    faults.raise_if_any()
