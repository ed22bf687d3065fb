"""What a log holds, counted: the answer to "was my file understood"."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from probetest.importers.notices import time_notices
from probetest.triggers import LEVEL_DEG, OUTCOMES, Triggers

_ANGLE_DECIMALS = 3
_NAMED = 8


@dataclass(frozen=True, slots=True)
class Series:
    """The approaches at one stage and orientation.

    Attributes
    ----------
    stage : str
    orientation_deg : float
    rows : int
        Approaches, misses included.
    directions : int
        Distinct directions of approach.
    """

    stage: str
    orientation_deg: float
    rows: int
    directions: int


@dataclass(frozen=True, slots=True)
class Direction:
    """A direction of approach.

    Attributes
    ----------
    azimuth_deg, elevation_deg : float
        Rounded to 0.001 deg, within which directions count as one.
    touches : int
        Approaches over all series, misses included.
    triggers : int
        How many of them triggered.
    """

    azimuth_deg: float
    elevation_deg: float
    touches: int
    triggers: int


@dataclass(frozen=True, slots=True)
class LogSummary:
    """Counts of one test.

    Attributes
    ----------
    file, shape, units : str
    serial : str
    build : str or None
    touches : int
        Approaches, misses included.
    triggers, missed, open_at_start, false : int
        Approaches by outcome.
    directions : tuple of Direction
    orientations_deg : tuple of float
    stages : tuple of str
    series : tuple of Series
    touches_per_direction_min, touches_per_direction_max : int
        Over the directions of all series.
    gaps : tuple of str
        What seems to be missing, a sentence each.
    """

    file: str
    shape: str
    units: str
    serial: str
    build: str | None
    touches: int
    triggers: int
    missed: int
    open_at_start: int
    false: int
    directions: tuple[Direction, ...]
    orientations_deg: tuple[float, ...]
    stages: tuple[str, ...]
    series: tuple[Series, ...]
    touches_per_direction_min: int
    touches_per_direction_max: int
    gaps: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON types, with the number of directions beside their list."""
        plain = asdict(self)
        plain["direction_count"] = len(self.directions)
        return {key: list(value) if isinstance(value, tuple) else value for key, value in plain.items()}


def summarise(triggers: Triggers) -> LogSummary:
    """Count what a test holds and look for gaps.

    Parameters
    ----------
    triggers : Triggers

    Returns
    -------
    LogSummary
    """
    frame = triggers.frame
    outcomes = dict(
        zip(OUTCOMES, np.bincount(frame["outcome"].cat.codes, minlength=len(OUTCOMES)).tolist(), strict=True)
    )
    cells = _count_cells(frame)
    per_direction = cells.groupby(["azimuth_deg", "elevation_deg"], sort=True)[["touches", "triggers"]].sum()
    per_series = cells.groupby(["stage", "orientation_deg"], sort=False, observed=True)
    series = tuple(
        Series(str(stage), float(str(orientation)), int(part["touches"].sum()), len(part))
        for (stage, orientation), part in per_series
    )
    return LogSummary(
        file=triggers.source.file,
        shape=triggers.source.shape,
        units=triggers.source.units,
        serial=triggers.record.serial,
        build=triggers.record.build,
        touches=len(frame),
        triggers=outcomes["trigger"],
        missed=outcomes["missed"],
        open_at_start=outcomes["open_at_start"],
        false=outcomes["false"],
        directions=tuple(
            Direction(*angles, *counts)
            for angles, counts in zip(
                per_direction.index.tolist(), per_direction.to_numpy().tolist(), strict=True
            )
        ),
        orientations_deg=tuple(sorted({one.orientation_deg for one in series})),
        stages=tuple(dict.fromkeys(one.stage for one in series)),
        series=series,
        touches_per_direction_min=int(cells["touches"].min()),
        touches_per_direction_max=int(cells["touches"].max()),
        gaps=(*_touch_gaps(frame), *time_notices(frame), *_direction_gaps(cells)),
    )


def _count_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Return approaches and triggers for each stage, orientation and direction, in order of appearance."""
    keys = pd.DataFrame(
        {
            "stage": frame["stage"],
            **{
                name: frame[name].round(_ANGLE_DECIMALS) + 0.0
                for name in ("orientation_deg", "azimuth_deg", "elevation_deg")
            },
            "triggered": frame["outcome"] == "trigger",
        }
    )
    keys["azimuth_deg"] = keys["azimuth_deg"].where(keys["azimuth_deg"] < 360.0, 0.0)
    by = ["stage", "orientation_deg", "azimuth_deg", "elevation_deg"]
    counts = keys.groupby(by, sort=False, observed=True)["triggered"].agg(touches="size", triggers="sum")
    return counts.reset_index()


def _touch_gaps(frame: pd.DataFrame) -> list[str]:
    touch = frame["touch"].to_numpy()
    if (np.diff(touch) == 1).all():
        return []
    ordered = np.sort(touch)
    after = np.flatnonzero(np.diff(ordered) > 1)
    sentences = []
    if len(after):
        missing = int((np.diff(ordered) - 1).sum())
        names = [_span(int(ordered[at]) + 1, int(ordered[at + 1]) - 1) for at in after[:_NAMED].tolist()]
        text = ", ".join(names) + (", ..." if len(after) > _NAMED else "")
        sentences.append(
            f"Touch numbers are missing between {ordered[0]} and {ordered[-1]}: {missing} in all ({text})."
        )
    if (np.diff(touch) < 0).any():
        sentences.append("The touch numbers are not in rising order; the order of the log was kept.")
    return sentences


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first} to {last}"


def _direction_gaps(cells: pd.DataFrame) -> list[str]:
    sentences = []
    if (cells["elevation_deg"].abs() > LEVEL_DEG).all():
        sentences.append("No approach is horizontal: a report needs touches from horizontal directions.")
    directions = cells.drop_duplicates(["azimuth_deg", "elevation_deg"])
    for (stage, orientation), part in cells.groupby(["stage", "orientation_deg"], sort=False, observed=True):
        where = f"stage {stage} at orientation {orientation:g} deg"
        most, least = int(part["touches"].max()), int(part["touches"].min())
        if most != least:
            fewer = part[part["touches"] < most]
            sentences.append(
                f"Uneven counts in {where}: {least} to {most} touches a direction, "
                f"fewer than {most} at {_names(fewer)}."
            )
        if not part["triggers"].all():
            sentences.append(f"No trigger at all at {_names(part[part['triggers'] == 0])} in {where}.")
        absent = directions.merge(part[["azimuth_deg", "elevation_deg"]], how="left", indicator=True)
        absent = absent[absent["_merge"] == "left_only"]
        if len(absent):
            sentences.append(f"Directions of other series are missing in {where}: {_names(absent)}.")
    return sentences


def _names(part: pd.DataFrame) -> str:
    angles = part[["azimuth_deg", "elevation_deg"]].to_numpy()
    texts = [
        f"{azimuth:g}" + (f"/{elevation:g}" if elevation else "") for azimuth, elevation in angles[:_NAMED]
    ]
    return ", ".join(texts) + (f" and {len(angles) - _NAMED} more" if len(angles) > _NAMED else "") + " deg"
