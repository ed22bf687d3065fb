"""The rules of what a program tells the operator: names of touches, pauses."""

from __future__ import annotations

import re

import numpy as np

from probetest.plan.motions import Told
from probetest.plan.walk_moves import PLACE_MM, Followed
from probetest.plan.words import refusal

_NAMED = re.compile(
    r"TOUCH\s+(\d+)\s+STAGE\s+([A-Za-z0-9_-]+)\s+ORIENTATION\s+(-?[\d.]+)\s+AZIMUTH\s+(-?[\d.]+)"
    r"\s+ELEVATION\s+(-?[\d.]+)"
)
_PLAIN_STAGE = re.compile(r"[A-Za-z0-9_-]+")


def judge_names(check: Followed) -> None:
    """Each touch that counts is named by a comment since the one before."""
    plan = check.schedule
    counted = check.kind[check.at] == "touch"
    places, which_ones = check.at[counted], check.which[counted]
    names: list[list[re.Match[str]]] = [[] for _ in range(len(places) + 1)]
    for told in check.motions.comments:
        if (found := _NAMED.fullmatch(told.text.upper())) is not None:
            names[int(np.searchsorted(places, told.motions, side="left"))].append(found)
    for place, which, named in zip(places, which_ones, names[:-1], strict=True):
        stage = plan.stage[which].upper()
        angles = (plan.orientation_deg[which], plan.azimuth_deg[which], plan.elevation_deg[which])
        right = (
            len(named) == 1
            and int(named[0][1]) == which + 1
            and (named[0][2] == stage or not _PLAIN_STAGE.fullmatch(stage))
            and all(_same(said, angle) for said, angle in zip(named[0].groups()[2:], angles, strict=True))
        )
        if not right:
            check.fault(
                int(place), "a touch without its comment, or with another",
                f"TOUCH {which + 1} STAGE ... ORIENTATION {angles[0]:g} AZIMUTH {angles[1]:g} "
                f"ELEVATION {angles[2]:g}",
            )  # fmt: skip
            return


def judge_pauses(check: Followed) -> None:
    """Two where stage, orientation or block change, at the top and after the way down; none within a touch.

    Beside these one after each touch, or after none.
    """
    twice = check.per_touch
    first, last = check.at[::twice], check.at[twice - 1 :: twice]
    gaps: list[list[Told]] = [[] for _ in range(len(last) + 1)]
    for pause in check.motions.pauses:
        gap = int(np.searchsorted(last, pause.motions, side="left"))  # touches finished before the pause
        if gap < len(first) and pause.motions > first[gap]:
            check.faults.append(
                (pause.line, refusal(pause.line, "a pause within a touch", "one before or after it"))
            )
        gaps[gap].append(pause)
    others = np.array([sum(not check.home(pause.motions) for pause in gap) for gap in gaps])
    for place in check.schedule.pauses:
        if place >= len(first):
            break
        if not _stops(check, place, gaps[place], int(first[place])):
            return
        others[place] -= not check.home(gaps[place][-1].motions)
    uneven = np.flatnonzero(others[1 : len(last) + 1] != others[1:2].sum())
    if check.motions.fault is None and len(uneven):
        check.fault(
            int(last[uneven[0]]), f"a touch with {others[uneven[0] + 1]} pauses after it, turns apart",
            f"{others[1]}, as after the first touch",
        )  # fmt: skip


def _stops(check: Followed, place: int, gap: list[Told], touch: int) -> bool:
    """Whether the operator is waited for at the top and after the way down to a touch; ``touch``: its motion.

    Over a plane the way down may lead to no other place: then both pauses are at the top.
    """
    home = [check.home(pause.motions) for pause in gap]
    if not any(home):
        check.fault(
            touch, f"touch {place + 1} without a pause at the safe height over X0 Y0",
            "one, as stage, orientation or block change",
        )  # fmt: skip
        return False
    if not any(home[:-1]) or not _is_down(check, gap[-1].motions, place):
        check.fault(
            touch, f"touch {place + 1} without a pause after the way down to it",
            "one, to look whether anything was touched",
        )  # fmt: skip
        return False
    for pause, waits in zip(gap[:-1], home[:-1], strict=True):
        if waits and not (check.home(pause.motions + 1) and check.motions.stated[pause.motions].all()):
            check.fault(
                pause.motions, "a motion to another place after a pause at the safe height",
                f"X0 Y0 Z{check.bench.moves.safe_z_mm:g} first, as a program may be started there again",
            )  # fmt: skip
            return False
    return True


def _is_down(check: Followed, motions: int, place: int) -> bool:
    """Whether so many motions end where a touch is settled, or in a ring on its axis at depth."""
    if motions == 0:
        return False
    ball, moves = check.high[motions - 1], check.bench.moves
    at = place * check.per_touch
    start = check.contact[at] - moves.run_up_mm * check.way[at]
    on_axis = check.bench.artefact.kind == "ring" and np.hypot(ball[0], ball[1]) <= PLACE_MM
    return bool(
        np.linalg.norm(ball - start) <= moves.settle_mm + PLACE_MM
        or (on_axis and abs(ball[2] + moves.depth_mm) <= PLACE_MM)
    )


def _same(said: str, angle: float) -> bool:
    try:
        return abs(float(said) - angle) <= 1e-3
    except ValueError:
        return False
