"""Look at logs without judging any probe: what was understood, what was skipped, what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from probetest.errors import Fault, ImportDataError
from probetest.importers import ImportResult, Told, import_log, summarise
from probetest.triggers import Triggers

FEWEST = 5
"""Touches a direction below which a scatter says next to nothing; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One file as it was understood, or why it can't be used.

    Attributes
    ----------
    log : pathlib.Path
    result : ImportResult or None
    error : ImportDataError or None
        One of the two is given.
    kept : tuple of (int, str)
        Line and reason of what is unusual and counts all the same.
    """

    log: Path
    result: ImportResult | None
    error: ImportDataError | None = None
    kept: tuple[tuple[int, str], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON types."""
        found = self.result
        tests = [summarise(one) for one in found.tests] if found else []
        faults: tuple[Fault, ...] = self.error.faults if self.error else ()
        return {
            "file": str(self.log),
            "shape": found.shape if found else None,
            "units": found.units if found else None,
            "touches": sum(one.touches for one in tests),
            "misses": sum(one.touches - one.triggers for one in tests),
            "directions": sorted(
                {(one.azimuth_deg, one.elevation_deg) for test in tests for one in test.directions}
            ),
            "orientations": sorted({angle for one in tests for angle in one.orientations_deg}),
            "series": [{"serial": one.serial, **asdict(part)} for one in tests for part in one.series],
            "kept": [{"line": line, "reason": reason} for line, reason in self.kept],
            "skipped": [asdict(one) for one in found.skipped] if found else [],
            "notices": [*found.notices, *(gap for one in tests for gap in one.gaps)] if found else [],
            "problems": [
                {
                    "line": fault.line,
                    "column": fault.column,
                    "found": fault.found,
                    "expected": fault.expected,
                    "action": fault.action,
                }
                for fault in faults
            ],
            "problem_count": self.error.total if self.error else 0,
        }


def check_log(log: Path, told: Told, advance: Callable[[int], None] = lambda _: None) -> Checked:
    """Read one log and say what it holds.

    Parameters
    ----------
    log : pathlib.Path
    told : Told
    advance : callable, optional
        Called with the number of bytes that were read of a line-based log.

    Returns
    -------
    Checked
        With the error where the log can't be used.
    """
    try:
        found = import_log(log, told, advance=advance)
    except ImportDataError as error:
        return Checked(log, None, error)
    return Checked(log, found, kept=tuple(entry for one in found.tests for entry in _kept(one)))


def _kept(triggers: Triggers) -> list[tuple[int, str]]:
    frame = triggers.frame[(triggers.frame["outcome"] == "trigger").to_numpy()]
    line = frame["line"].to_numpy()
    kept = []
    names = ["x_mm", "y_mm", "z_mm"] if triggers.has_positions else ["reading_mm"]
    values = np.nan_to_num(frame[[*names, "azimuth_deg", "elevation_deg", "orientation_deg"]].to_numpy())
    equal = np.flatnonzero((np.diff(values, axis=0) == 0).all(axis=1)) + 1
    if len(equal):
        noun = "touch equals the one before it" if len(equal) == 1 else "touches equal the one before them"
        kept.append((int(line[equal[0]]), f"{len(equal)} {noun}: equal readings are real and were kept"))
    series = frame.groupby(
        ["stage", "orientation_deg", "azimuth_deg", "elevation_deg"], observed=True, sort=False
    )
    counts = series.size()
    few = counts[counts < FEWEST]
    if len(few):
        first = int(series["line"].first().loc[few.index[0]])
        where = "1 direction" if len(few) == 1 else f"{len(few)} directions"
        kept.append(
            (
                first,
                f"fewer than {FEWEST} touches in {where}: too few for a scatter; they were kept",
            )
        )
    return kept
