"""What a log of several stages tells: does the probe re-seat, and does the touch before matter."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series
from probetest.statistics.approach import group_directions, unit_vectors
from probetest.statistics.decision import Check, Verdict
from probetest.statistics.hysteresis import Hysteresis, hysteresis
from probetest.statistics.reseat import Reseat, reseat
from probetest.statistics.reseat_settling import OvertravelEffect, overtravel_effect

Floats = NDArray[np.float64]

AGAIN = "baseline_again"
"""Stage that repeats the baseline after the others: it takes a steady drift out of them."""

TAKEN_OUT = ("service", "storage")
"""Words in the name of a stage before which the probe was out of the spindle."""

JUDGED = "after_"
"""Beginning of the names of stages that the limit on re-seating is for."""

OVERTRAVEL = re.compile(r"after_overtravel_([0-9]{1,3}(?:\.[0-9]{1,3})?)")
"""Stage after overtravels towards one azimuth, in degrees."""

TAKEN = "level and centre were taken out"
LEVEL_TOO = (
    "the probe had been out of the spindle: the shift of the centre is the holder's and was taken out; the "
    "level was judged, for artefact and ball were the same"
)

HYSTERESIS_MARGIN_MM = 0.001
"""Effect of the touch before that would matter; our choice."""

DEFAULT_MARGIN_MM = 0.003
"""Where the limit is off."""

HALF_TURN_DEG = 180.0
"""Directions with a gap below this show a seat from all sides."""

OPEN_SIDE = "the directions that both stages hold leave a side open, where the seat may have moved"

WORDS: dict[str, Verdict] = {
    "within the margin": "pass",
    "beyond the margin": "fail",
    "can't tell": "undecided",
}


@dataclass(frozen=True, slots=True)
class StageChange:
    """A stage held against the baseline of the same log.

    Attributes
    ----------
    stage : str
    found : Reseat or None
    reason : str
        Why it can't be held against the baseline.
    n_baseline, n_stage : int
        Touches.
    """

    stage: str
    found: Reseat | None
    reason: str
    n_baseline: int
    n_stage: int


@dataclass(frozen=True, slots=True)
class Stages:
    """What the stages of a log tell.

    Attributes
    ----------
    changes : tuple of StageChange
    overtravel : OvertravelEffect or None
        Whether the shift goes with the direction of the overtravel; None unless the log holds overtravels
        towards several azimuths, as stages after_overtravel_0, after_overtravel_120 ...
    touch_before : Hysteresis or None
        Of the headline series.
    touch_before_reason : str
    """

    changes: tuple[StageChange, ...]
    overtravel: OvertravelEffect | None
    touch_before: Hysteresis | None
    touch_before_reason: str


def find_stages(
    parts: Sequence[Series], headline: Series, found: Analysis, frame: pd.DataFrame, margin_mm: float | None
) -> Stages:
    """Hold the other stages at the orientation of the headline against it.

    Parameters
    ----------
    parts : sequence of Series
    headline : Series
    found : Analysis
        Of the headline.
    frame : pandas.DataFrame
        All approaches of the log.
    margin_mm : float or None
        Shift that matters.

    Returns
    -------
    Stages
    """
    margin = DEFAULT_MARGIN_MM if margin_mm is None else margin_mm
    others = [
        part
        for part in parts
        if part.orientation_deg == headline.orientation_deg and part.stage != headline.stage
    ]
    again = next((part for part in others if part.stage == AGAIN), None)
    changes = [
        _change(headline, part, again, found, margin)
        for part in others
        if part is not again and len(part.level)
    ]
    before, reason = hysteresis_of(headline, found, frame)
    return Stages(tuple(changes), _overtravel(headline, others, found), before, reason)


def about_one_centre(part: Series, found: Analysis) -> Floats:
    """Readings of a series along the approach, about the centre of the headline series, mm."""
    fit = found.readings.fit
    positions = part.level[["x_mm", "y_mm"]].to_numpy(float)
    if fit is None or not np.isfinite(positions).all():
        return part.level["reading_mm"].to_numpy(float)
    offset = positions - np.asarray(fit.centre_mm)
    along = np.sum(offset * unit_vectors(part.level["azimuth_deg"].to_numpy(float)), axis=1)
    if fit.kind != "circle":
        return np.asarray(along)
    # Distance from the centre, outside a boss with the other sign.
    return np.asarray(np.where(along < 0, -1.0, 1.0) * np.hypot(offset[:, 0], offset[:, 1]))


def _comparable(series: Sequence[Series], readings: Sequence[Floats], found: Analysis) -> bool:
    """Whether all series were read in the same way: about one centre, or along the approach."""
    known = all(np.isfinite(values).all() for values in readings)
    return known and (found.readings.fit is None or len({_placed(one) for one in series}) == 1)


def _placed(part: Series) -> bool:
    return bool(np.isfinite(part.level[["x_mm", "y_mm"]].to_numpy(float)).all())


def _change(
    headline: Series, part: Series, again: Series | None, found: Analysis, margin_mm: float
) -> StageChange:
    series = [headline, part, *([again] if again is not None else [])]
    readings = [about_one_centre(one, found) for one in series]
    counts = len(headline.level), len(part.level)
    if not _comparable(series, readings, found):
        return StageChange(part.stage, None, "positions in one stage and not in the other", *counts)
    azimuths, index = group_directions(
        np.concatenate([one.level["azimuth_deg"].to_numpy(float) for one in series])
    )
    places = np.split(index, np.cumsum([len(one.level) for one in series])[:-1])

    def hold(**further: Any) -> Reseat:
        return reseat(
            readings[0],
            places[0],
            readings[1],
            places[1],
            azimuths,
            margin_mm=margin_mm,
            same_clamping=not any(word in part.stage.lower() for word in TAKEN_OUT),
            step_mm=found.resolution.step_mm,
            **further,
        )

    try:
        told = hold()
        if again is not None:
            told = _with_second(told, hold(after_mm=readings[2], after_direction=places[2]))
    except StatisticsError as error:
        return StageChange(part.stage, None, str(error), *counts)
    fit = found.readings.fit
    if not told.same_clamping and fit is not None and fit.kind == "circle":
        told = _with_level(told)
    return StageChange(part.stage, _seen_around(told), "", *counts)


def _with_second(first: Reseat, both: Reseat) -> Reseat:
    """A verdict only where it is the same against the first baseline and against the mean of both.

    A seat that stays displaced lies in the second baseline too: half of its shift would count as drift.
    """
    if first.verdict == both.verdict:
        return both
    drift = 0.0 if both.drift is None else both.drift.mean_mm
    note = (
        f"the second baseline lies {1000 * drift:+.1f} µm from the first on average: a drift, or a seat that "
        "stayed displaced; the verdict must be the same for both"
    )
    return replace(first, verdict="can't tell", shown_by="", drift=both.drift, notes=(*first.notes, note))


def _with_level(told: Reseat) -> Reseat:
    """Judge the level as well: artefact and ball were the same, so that only the centre is the holder's."""
    if told.parts is None:
        return told
    notes = (*(note for note in told.notes if not note.startswith(TAKEN)), LEVEL_TOO)
    limits, margin, verdict = told.parts.level_interval_mm, told.margin_mm, told.verdict
    if limits.lower > margin or limits.upper < -margin:
        verdict = "beyond the margin"
    elif verdict == "within the margin" and not (-margin < limits.lower and limits.upper < margin):
        verdict = "can't tell"
    return replace(told, verdict=verdict, notes=notes)


def _seen_around(told: Reseat) -> Reseat:
    """No "within" from a few sides: a seat may have moved along those that were not touched."""
    seen = np.sort([one.azimuth_deg for one in told.directions if np.isfinite(one.shift_mm)]) % 360
    gap = float(np.diff(np.sort(seen), append=seen.min(initial=360.0) + 360).max(initial=0.0))
    if told.verdict != "within the margin" or (len(seen) > 2 and gap < HALF_TURN_DEG):
        return told
    return replace(told, verdict="can't tell", notes=(*told.notes, OPEN_SIDE))


def _overtravel(headline: Series, others: Sequence[Series], found: Analysis) -> OvertravelEffect | None:
    towards = [(part, OVERTRAVEL.fullmatch(part.stage)) for part in others]
    known = [(part, float(match[1])) for part, match in towards if match and len(part.level)]
    if len({angle for _, angle in known}) < 2:
        return None
    series = [headline, *(part for part, _ in known)]
    readings = [about_one_centre(one, found) for one in series]
    if not _comparable(series, readings, found):
        return None
    azimuths, index = group_directions(
        np.concatenate([one.level["azimuth_deg"].to_numpy(float) for one in series])
    )
    first = len(headline.level)
    angles = np.concatenate([np.full(len(part.level), angle) for part, angle in known])
    return overtravel_effect(
        readings[0], index[:first], np.concatenate(readings[1:]), index[first:], azimuths, angles
    )


def hysteresis_of(headline: Series, found: Analysis, frame: pd.DataFrame) -> tuple[Hysteresis | None, str]:
    """Whether the touch before matters, in the headline series."""
    direction = found.readings.direction
    if found.readings.fit is None:
        return None, "readings of different directions can't be compared without positions"
    order = headline.level["order"].to_numpy()
    ordered = frame.assign(order=np.arange(1, len(frame) + 1))
    triggered = set(ordered.loc[ordered["outcome"] == "trigger", "order"])
    at = {int(place): number for number, place in enumerate(order)}
    previous = np.array(
        [
            direction[at[place - 1]] if place - 1 in at and place - 1 in triggered else -1
            for place in (int(one) for one in order)
        ]
    )
    try:
        told = hysteresis(
            found.readings.reading_mm,
            direction,
            found.readings.azimuth_deg,
            previous=previous,
            margin_mm=HYSTERESIS_MARGIN_MM,
        )
    except StatisticsError as error:
        return None, str(error)
    return told, told.reason


def reseat_checks(stages: Stages, limit_mm: float | None) -> Iterator[Check]:
    """A check for each stage after_...; none where the limit is off."""
    for change in stages.changes if limit_mm is not None else ():
        if not change.stage.startswith(JUDGED):
            continue
        label = f"Re-seat ({change.stage})"
        told = change.found
        value = None if told is None else largest_shift_mm(told)
        yield Check(
            "reseat_shift", label, value, "mm", limit_mm or 0.0, "max", None, None, None, None,
            "undecided" if told is None else WORDS[told.verdict],
            change.n_baseline + change.n_stage,
            None if told is None else _more(told, change),
            change.reason if told is None else _note(told),
        )  # fmt: skip


def largest_shift_mm(told: Reseat) -> float | None:
    """Largest shift of any direction: of the seat as a body where it is judged so."""
    if told.shown_by == "rigid seat" and told.parts is not None:
        return float(np.abs(told.parts.rigid_mm).max())
    level = told.parts.level_mm if told.parts is not None and LEVEL_TOO in told.notes else 0.0
    sizes = [abs(one.shift_mm + level) for one in told.directions if np.isfinite(one.shift_mm)]
    return max(sizes, default=None)


def _more(told: Reseat, change: StageChange) -> int | None:
    """Touches of a new test with as many in both series, beyond those that were made."""
    each = told.touches_if_as_seen or told.touches_if_none
    if told.verdict != "can't tell" or each is None:
        return None
    return max(1, 2 * each * len(told.directions) - change.n_baseline - change.n_stage)


def _note(told: Reseat) -> str:
    if told.verdict == "within the margin":
        shown = "in each direction" if told.shown_by == "each direction" else "as a seat that moves as a body"
        if told.shown_by == "rigid seat":
            return f"shown {shown}; one direction alone could hide {1000 * told.hides_mm:.1f} µm"
        return f"shown {shown}"
    if OPEN_SIDE in told.notes:
        return OPEN_SIDE
    if LEVEL_TOO in told.notes:
        return "the centre was taken out, for the probe had been out of the spindle"
    if not told.same_clamping:
        return f"{TAKEN}, for the probe had been out of the spindle"
    if told.verdict == "can't tell" and told.drift is not None:
        return "against the second baseline the answer is another one" if "stayed" in told.notes[-1] else ""
    return "a drift between the stages counts as a shift" if told.drift is None else ""
