"""Everything that was flagged, with the touch and the line it points at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from probetest.jobs.analysis import Analysis, Series
from probetest.statistics.outliers import OutlierFlag
from probetest.triggers import Triggers

OUTCOME_WORDS = {
    "missed": "the travel ended without a trigger",
    "open_at_start": "the circuit was open before the move",
    "false": "the circuit opened in free air",
}


@dataclass(frozen=True, slots=True)
class Flag:
    """One flag.

    Attributes
    ----------
    touch, line : int or None
        Number of the touch and line of the log; None for a whole direction.
    stage : str
    orientation_deg : float
        Of the series it belongs to.
    azimuth_deg : float
    reading_mm : float or None
        Reading less the mean of its direction; for a direction, its distance from the fitted shape.
    kind : str
        "touch", "direction", "scatter" or the outcome of a failed approach.
    test : str
        What raised it.
    detail : str
        How far, against what.
    """

    touch: int | None
    line: int | None
    stage: str
    orientation_deg: float
    azimuth_deg: float
    reading_mm: float | None
    kind: str
    test: str
    detail: str


def list_flags(triggers: Triggers, analysed: Sequence[tuple[Series, Analysis | None]]) -> tuple[Flag, ...]:
    """Flags of the series that the figures rest on, then all failed approaches of the log."""
    marks = [_mark(flag, series, found) for series, found in analysed if found for flag in found.flags]
    failed = triggers.frame[triggers.frame["outcome"] != "trigger"]
    names = ("touch", "line", "stage", "orientation_deg", "azimuth_deg", "outcome")
    events = [
        Flag(touch, line, stage, turned, azimuth, None, outcome, "logged outcome", OUTCOME_WORDS[outcome])
        for touch, line, stage, turned, azimuth, outcome in zip(
            *(failed[name].tolist() for name in names), strict=True
        )
    ]
    return (*marks, *events)


def _mark(flag: OutlierFlag, series: Series, found: Analysis) -> Flag:
    place = (series.stage, series.orientation_deg, float(found.readings.azimuth_deg[flag.direction]))
    limit = (
        f"statistic {flag.statistic:.3g}, critical {flag.critical:.3g}, "
        f"family-wise risk {100 * flag.risk:.0f} %"
    )
    if flag.kind == "touch" and flag.touch is not None:
        row = series.level.iloc[flag.touch]
        later = "later" if flag.deviation_mm > 0 else "earlier"
        return Flag(
            int(row["touch"]), int(row["line"]), *place, flag.deviation_mm, "touch",
            "deleted residual, generalised ESD",
            f"{1000 * abs(flag.deviation_mm):.1f} µm {later} than its direction; {limit}",
        )  # fmt: skip
    if flag.kind == "direction":
        return Flag(
            None, None, *place, flag.deviation_mm, "direction",
            "deleted residual of the shape, generalised ESD",
            f"mean {1000 * flag.deviation_mm:+.1f} µm off the fitted shape; {limit}",
        )  # fmt: skip
    others = [
        (part.n - 1, part.sd_mm)
        for number, part in enumerate(found.repeatability.directions)
        if part.n > 1 and number != flag.direction
    ]
    rest = math.sqrt(sum(dof * sd**2 for dof, sd in others) / sum(dof for dof, _ in others))
    return Flag(
        None, None, *place, flag.deviation_mm, "scatter", "Cochran's C",
        f"sd {1000 * flag.deviation_mm:.2f} µm against {1000 * rest:.2f} µm of the others; {limit}",
    )  # fmt: skip
