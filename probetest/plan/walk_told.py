"""The rules of what a program tells the operator: names of touches, pauses."""

from __future__ import annotations

import re

import numpy as np

from probetest.plan.walk_moves import Followed
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
    """One where stage or orientation change; after each touch, or after none; none within a touch."""
    twice = check.per_touch
    first, last = check.at[::twice], check.at[twice - 1 :: twice]
    homes = np.zeros(len(first) + 1, dtype=np.int64)
    others = np.zeros(len(first) + 1, dtype=np.int64)
    for pause in check.motions.pauses:
        gap = int(np.searchsorted(last, pause.motions, side="left"))  # touches finished before the pause
        if gap < len(first) and pause.motions > first[gap]:
            check.faults.append(
                (pause.line, refusal(pause.line, "a pause within a touch", "one before or after it"))
            )
        (homes if check.home(pause.motions) else others)[gap] += 1
    for place in check.schedule.pauses:
        if place < len(first) and not homes[place]:
            check.fault(
                int(first[place]), f"touch {place + 1} without a pause at the safe height over X0 Y0",
                "one, as stage or orientation change",
            )  # fmt: skip
            break
    uneven = np.flatnonzero(others[1 : len(last) + 1] != others[1:2].sum())
    if check.motions.fault is None and len(uneven):
        check.fault(
            int(last[uneven[0]]), f"a touch with {others[uneven[0] + 1]} pauses after it, turns apart",
            f"{others[1]}, as after the first touch",
        )  # fmt: skip


def _same(said: str, angle: float) -> bool:
    try:
        return abs(float(said) - angle) <= 1e-3
    except ValueError:
        return False
