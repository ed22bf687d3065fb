"""A log without directions joined to its plan: by count, checked by geometry."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.importers.places import check_places, radial_azimuths
from probetest.importers.plan import Plan
from probetest.triggers import Artefact

_MOST_NAMED = 10

SAME_DEG = 1.0
"""An angle that the log states itself may differ so much from that of the plan, by rounding."""


def join_plan(
    result: Approaches, plan: Plan, drops_equal: bool, artefact: Artefact | None, faults: FaultList
) -> int | None:
    """Give each approach the number, stage, orientation and direction of its place in the plan.

    Parameters
    ----------
    result : Approaches
        Of one part of a log, fast and slow touches told apart.
    plan : Plan
    drops_equal : bool
        Whether a log of this shape leaves out a touch that is equal to the one before.
    artefact : Artefact or None
        Where it is round and the log has positions, the directions are compared with them.
    faults : FaultList

    Returns
    -------
    int or None
        Touches planned for each direction of a series, where the log may have lost some of them.
    """
    rows, planned, before = len(result), len(plan), faults.total
    stated = _stated(result)
    measured = radial_azimuths(result, artefact) if stated is None else stated
    place = _by_number(result, plan)
    if place is None and rows == planned:
        place = np.arange(planned)
    elif place is None and rows < planned:
        place = _align(measured, plan, rows)
    if place is None:
        _refuse_count(result, plan, drops_equal, faults)
        place = np.minimum(np.arange(rows), planned - 1)
    _compare_words(result, plan, place, faults)
    result.columns["touch"] = plan.touch[place]
    result.columns["stage"] = pd.Categorical(np.array(plan.stage, dtype=object)[place])
    result.columns["orientation"] = plan.orientation_deg[place]
    result.columns["azimuth_deg"] = plan.azimuth_deg[place]
    result.columns["elevation_deg"] = plan.elevation_deg[place]
    result.columns.pop("face", None)
    if faults.total == before:
        if stated is not None:
            _compare(result, plan, place, stated, faults)
        if faults.total == before:
            check_places(result, artefact, faults)
    return _lost(result, plan, place, drops_equal, faults) if rows < planned else None


def _by_number(result: Approaches, plan: Plan) -> NDArray[np.int64] | None:
    """Places by the numbers that the log itself gives its touches, where all are numbers of the plan."""
    numbers = result.columns.get("touch")
    if numbers is None or not len(numbers) or (np.diff(plan.touch) <= 0).any():
        return None
    numbers = np.asarray(numbers, dtype=np.float64)
    if not np.isfinite(numbers).all() or (np.diff(numbers) <= 0).any():
        return None
    place = np.minimum(np.searchsorted(plan.touch, numbers), len(plan) - 1)
    return np.asarray(place) if (plan.touch[place] == numbers).all() else None


def _compare_words(result: Approaches, plan: Plan, place: NDArray[np.int64], faults: FaultList) -> None:
    """Refuse a log that states another stage, orientation or elevation than the plan has there."""
    for name, wanted in (("elevation_deg", plan.elevation_deg), ("orientation", plan.orientation_deg)):
        if name in result.columns:
            _compare_angle(name.removesuffix("_deg"), result, plan, wanted[place], place, faults)
    stage = result.columns.get("stage")
    if stage is not None:
        words = np.asarray(stage, dtype=object)
        wanted = np.array(plan.stage, dtype=object)[place]
        faults.add_rows(
            np.asarray((words != wanted) & (words != "")),
            result.columns["line"],
            lambda row: f"stage {shown(str(words[row]))} where the plan has {shown(str(wanted[row]))}",
            "the touches in the order of the plan",
            action="check that this is the plan of this log",
        )


def _compare_angle(
    name: str,
    result: Approaches,
    plan: Plan,
    wanted: NDArray[np.float64],
    place: NDArray[np.int64],
    faults: FaultList,
) -> None:
    column = "elevation_deg" if name == "elevation" else name
    stated = np.asarray(result.columns[column], dtype=np.float64)
    off = np.abs((stated - wanted + 180) % 360 - 180)
    faults.add_rows(
        np.nan_to_num(off) > SAME_DEG,
        result.columns["line"],
        lambda row: (
            f"{name} {stated[row]:g} deg where the plan has {wanted[row]:g} deg (touch "
            f"{plan.touch[place[row]]})"
        ),
        "the touches in the order of the plan",
        action="check that this is the plan of this log",
    )


def _stated(result: Approaches) -> NDArray[np.float64] | None:
    """Azimuths as labels or echoed moves show them; None where they don't."""
    known = result.columns.get("azimuth_deg")
    return known.copy() if known is not None and np.isfinite(known).any() else None


def _align(measured: NDArray[np.float64] | None, plan: Plan, rows: int) -> NDArray[np.int64] | None:
    """Return a place in the plan for each approach of a log that lacks some."""
    directions = np.unique(plan.azimuth_deg)
    series = {*zip(plan.stage, plan.orientation_deg.tolist(), plan.elevation_deg.tolist(), strict=True)}
    if len(directions) == 1 and len(series) == 1:
        return np.arange(rows)
    if measured is None:
        return None
    wanted = np.searchsorted(directions, plan.azimuth_deg)
    gap = np.abs((measured[:, None] - directions[None, :] + 180) % 360 - 180)
    nearest = np.where(np.isfinite(gap).all(axis=1), np.nan_to_num(gap, nan=360.0).argmin(axis=1), -1)
    place = np.empty(rows, dtype=np.int64)
    at = 0
    for row, direction in enumerate(nearest.tolist()):
        while at < len(plan) and direction not in (-1, wanted[at]):
            at += 1
        if at == len(plan):
            return None
        place[row] = at
        at += 1
    # The same direction twice in a row, a round of the plan apart: a touch too many, not a round too few.
    twice = (nearest[1:] == nearest[:-1]) & (nearest[1:] >= 0)
    return None if (twice & (np.diff(place) > 1)).any() else place


def _compare(
    result: Approaches, plan: Plan, place: NDArray[np.int64], measured: NDArray[np.float64], faults: FaultList
) -> None:
    level = np.abs(plan.elevation_deg[place]) < 45
    off = np.abs((measured - plan.azimuth_deg[place] + 180) % 360 - 180)
    far = (off > SAME_DEG) & level & (result.columns["outcome"] == TRIGGER)
    faults.add_rows(
        far,
        result.columns["line"],
        lambda row: (
            f"a touch at azimuth {measured[row]:.0f} deg where the plan has "
            f"{plan.azimuth_deg[place[row]]:g} deg (touch {plan.touch[place[row]]})"
        ),
        "the touches in the order of the plan",
        action="check that this is the plan of this log, and that no touch was added or left out",
    )


def _refuse_count(result: Approaches, plan: Plan, drops_equal: bool, faults: FaultList) -> None:
    rows, planned = len(result), len(plan)
    action = "check that this is the plan of this log"
    if rows < planned:
        action = "complete the log, or give the plan of what it holds"
        if drops_equal:
            action = (
                "some controllers do not write a touch equal to the one before, and the scatter then looks "
                "larger than it is: let a macro print each touch, or touch each direction in turn"
            )
    if rows > planned:
        action += (
            ", and that no touch was repeated: where one was, after an alarm, keep the miss and take the "
            "repeat out"
        )
    if plan.guarded and not drops_equal:
        action += "; a contact of a move between touches, if it is in the log, is counted as well"
    faults.add(
        f"{rows} approaches, where the plan {plan.file} has {planned}", f"{planned} approaches", action=action
    )


def _lost(
    result: Approaches, plan: Plan, place: NDArray[np.int64], drops_equal: bool, faults: FaultList
) -> int | None:
    """Say which planned touches are not in the log; return what each direction should have."""
    missing = np.setdiff1d(np.arange(len(plan)), place)
    if not drops_equal and missing[0] == len(place):
        result.notices.append(
            f"Planned touches that the log does not hold: {len(missing)} of {len(plan)}, all from touch "
            f"{plan.touch[missing[0]]} on."
        )
        return None
    if not drops_equal:
        names = ", ".join(str(plan.touch[at]) for at in missing[:_MOST_NAMED].tolist())
        more = f" and {len(missing) - _MOST_NAMED} more" if len(missing) > _MOST_NAMED else ""
        result.notices.append(
            f"Planned touches that the log does not hold: {len(missing)} of {len(plan)} "
            f"(touch {names}{more})."
        )
        return None
    # Up to the end of the block that the log ends in: what comes after it has not been made.
    made = next((end for end in plan.block_ends if end > place[-1]), len(plan))
    if made < len(plan):
        result.notices.append(
            f"Planned touches that the log does not hold: the {len(plan) - made} after touch "
            f"{plan.touch[made - 1]}."
        )
    if made == len(place):
        return None
    so_far = " so far" if made < len(plan) else ""
    result.notices.append(
        f"The plan has {made} touches{so_far}, the log {len(result)}: a log of this shape leaves out a touch "
        "that is equal to the one before. How many there were in each direction is taken from the plan."
    )
    keys = pd.DataFrame(
        {
            "stage": plan.stage,
            "turn": plan.orientation_deg,
            "azimuth": plan.azimuth_deg,
            "up": plan.elevation_deg,
        }
    )
    counts = keys[:made].value_counts()
    if counts.min() != counts.max():
        faults.add(
            f"a plan with {counts.min()} to {counts.max()} touches in a direction, and a log that lacks some",
            "the same number of touches in each direction",
            action="let a macro print each touch instead",
        )
        return None
    return int(counts.iloc[0])
