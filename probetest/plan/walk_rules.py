"""The rules that the moves of a program have to keep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.plan.bench import Bench
from probetest.plan.motions import PLAIN, Motions
from probetest.plan.schedule import Schedule
from probetest.plan.solids import least_along
from probetest.plan.walk_moves import PLACE_MM, WRITTEN_MM, Followed, first_of
from probetest.plan.walk_told import judge_names, judge_pauses
from probetest.plan.walk_touches import judge_touches
from probetest.plan.words import refusal

FEED_MM_MIN = 0.001
"""Tolerance of feeds: four decimals are written."""

_GUARDED = 38.3


@dataclass(frozen=True, eq=False, slots=True)
class Judged:
    """What the moves of a program are.

    Attributes
    ----------
    kind : ndarray of str, shape (n,)
        "touch", "fast", "guarded" or "plain".
    touch : ndarray of int, shape (n,)
        Number of the touch; 0 for other moves.
    fault : str or None
        The first rule that is broken.
    """

    kind: NDArray[np.str_]
    touch: NDArray[np.int64]
    fault: str | None


def judge(motions: Motions, bench: Bench, schedule: Schedule) -> Judged:
    """Judge the motions of a program.

    Parameters
    ----------
    motions : Motions
    bench : Bench
    schedule : Schedule

    Raises
    ------
    PlanError
        If the schedule asks for a touch that the artefact has no place for.
    """
    check = Followed(motions, bench, schedule)
    if len(motions.line):
        for rule in (
            _volume, _feeds, judge_touches, _returns, _clearance, _ways, _settling, judge_names,
            judge_pauses, _ends,
        ):  # fmt: skip
            rule(check)
    faults = sorted(check.faults, key=lambda one: one[0])
    return Judged(check.kind, check.touch, faults[0][1] if faults else None)


def _volume(check: Followed) -> None:
    moves = check.bench.moves
    low, high = np.array([moves.x_mm, moves.y_mm, moves.z_mm]).T
    out = (check.motions.end < low - WRITTEN_MM) | (check.motions.end > high + WRITTEN_MM)
    at = first_of(out.any(axis=1))
    if at is not None:
        axis = int(np.argmax(out[at]))
        check.fault(
            at, f"{'XYZ'[axis]}{check.motions.end[at, axis]:g} outside of the volume",
            f"{low[axis]:g} to {high[axis]:g}",
        )  # fmt: skip


def _feeds(check: Followed) -> None:
    moves, probe, machine = check.bench.moves, check.bench.probe, check.bench.machine
    fast = moves.touch_feed_mm_min if moves.fast_feed_mm_min is None else moves.fast_feed_mm_min
    expected = np.full(len(check.kind), moves.position_feed_mm_min)
    expected[check.kind == "touch"] = moves.touch_feed_mm_min
    expected[check.kind == "fast"] = fast
    feed = check.motions.feed_mm_min
    at = first_of(np.abs(feed - expected) > FEED_MM_MIN)
    if at is not None:
        check.fault(at, f"F{feed[at]:g} in a {check.kind[at]} move", f"F{expected[at]:g}")
    at = first_of((check.touch > 0) & (feed > probe.max_feed_mm_min + FEED_MM_MIN))
    if at is not None:
        check.fault(
            at, f"a touch with F{feed[at]:g}", f"{probe.max_feed_mm_min:g} at most, as the probe allows"
        )
    speed = feed / 60.0
    stop = speed**2 / (2 * machine.braking_mm_s2) + speed * machine.delay_s
    at = first_of((check.motions.word != PLAIN) & (stop > probe.overtravel_mm))
    if at is not None:
        check.fault(
            at, f"F{feed[at]:g}, which takes {stop[at]:.3f} mm to stop",
            f"{probe.overtravel_mm:g} mm at most, the overtravel",
        )  # fmt: skip


def _returns(check: Followed) -> None:
    """After a touch straight back on its line; no other plain move beside guarded ones."""
    plain, word = check.kind == "plain", check.motions.word
    after = check.after_touch
    if (word == _GUARDED).any():
        at = first_of(plain & ~after)
        if at is not None:
            check.fault(at, "a plain move that is no way back from a touch", "a guarded move")
    at = first_of((check.kind == "guarded") & (word != _GUARDED))
    if at is not None:
        check.fault(
            at, "G38.2 to a place where nothing is touched, which stops with an error", "G38.3 or a touch"
        )
    still = np.linalg.norm(check.high - check.low, axis=1) < PLACE_MM
    still[0] = False  # the operator may have put the probe there exactly
    at = first_of(still & (check.kind == "guarded"))
    if at is not None:
        check.fault(at, "a guarded move without a way", "none, as some controls stop there")
    at = first_of(after & ~plain)
    if at is not None:
        check.fault(at, "another move right after a touch", "G1 straight back")
    here = check.at[check.at + 1 < len(plain)]
    back, which = here + 1, slice(0, len(here))
    moves = check.bench.moves
    planned = np.where(check.kind[here] == "fast", moves.back_off_mm, moves.run_up_mm)
    place = check.contact[which] - planned[:, None] * check.way[which]
    wrong = np.linalg.norm(check.high[back] - place, axis=1) > PLACE_MM
    forward = ((check.high[back] - check.low[here]) * check.way[which]).sum(axis=1)
    at = first_of((check.kind[here] == "fast") & (forward > check.bench.probe.overtravel_mm + PLACE_MM))
    if at is not None:
        check.fault(
            int(back[at]), f"a way back after a fast touch that leads up to {forward[at]:.3f} mm forward",
            f"{check.bench.probe.overtravel_mm:g} mm at most, the overtravel: it may have triggered too "
            "early",
        )  # fmt: skip
    moved = np.abs(check.high[here] - check.low[here]) > WRITTEN_MM / 2
    unsaid = (moved & ~check.motions.stated[back]).any(axis=1)
    for broken, found in (
        (wrong, "a way back from a touch to another place"),
        (unsaid, "a way back from a touch that does not state each axis the touch moved"),
    ):
        at = first_of(broken & plain[back])
        if at is not None:
            check.fault(
                int(back[at]), found, "straight back by back_off_mm after a fast touch, else by run_up_mm"
            )


def _clearance(check: Followed) -> None:
    free = np.flatnonzero((check.touch == 0) & ~(check.after_touch & (check.kind == "plain")))
    clearance = check.bench.moves.clearance_mm
    # The ball is the lowest part: with both ends so far above the top all parts are clear.
    above = np.minimum(check.motions.start[free, 2], check.motions.end[free, 2]) >= clearance - PLACE_MM
    body = np.minimum(check.low[free, 2], check.high[free, 2]) + check.bench.stylus.length_mm
    free = free[~(above & (body >= clearance))]
    needed = np.full(len(free), clearance - PLACE_MM)
    least, missed = least_along(check.solids.all_parts, check.low[free], check.high[free], needed)
    at = first_of(missed)
    if at is not None:
        gap = max(float(least[at]), 0.0)
        check.fault(
            int(free[at]), f"a {check.kind[free[at]]} move that comes as near as {gap:.3f} mm",
            f"{clearance:g} mm or more from the artefact and its stand",
        )  # fmt: skip


def _ways(check: Followed) -> None:
    """Moves across stay at the safe height: what stands around the artefact is known to nobody else.

    Below it a move goes straight up or down, settles, or stays at depth within the bore of a ring.
    """
    safe, settle = check.bench.moves.safe_z_mm - PLACE_MM, check.bench.moves.settle_mm
    free = (check.touch == 0) & ~(check.after_touch & (check.kind == "plain"))
    way = check.high - check.low
    high = np.minimum(check.motions.start[:, 2], check.motions.end[:, 2]) >= safe
    upright = np.hypot(way[:, 0], way[:, 1]) <= PLACE_MM
    settling = np.append(check.touch[1:] > 0, False) & (np.linalg.norm(way, axis=1) <= settle + PLACE_MM)
    allowed = high | upright | settling
    if check.bench.artefact.kind == "ring":
        ends = np.stack([check.low, check.high])
        bore = (check.bench.artefact.diameter_mm or 0.0) / 2
        within = np.hypot(ends[..., 0], ends[..., 1]) < bore
        at_depth = np.abs(ends[..., 2] + check.bench.moves.depth_mm) <= PLACE_MM
        allowed |= (within & at_depth).all(axis=0)
    at = first_of(free & ~allowed)
    if at is not None:
        check.fault(
            at, f"a {check.kind[at]} move across below the safe height",
            f"Z{check.bench.moves.safe_z_mm:g} or more in moves across",
        )  # fmt: skip


def _settling(check: Followed) -> None:
    settle = check.bench.moves.settle_mm
    if not settle:
        return
    twice = check.per_touch
    first = check.at[::twice]
    first = first[first > 0]
    step = check.high[first - 1] - check.low[first - 1]
    off = np.linalg.norm(step - settle * np.array([1.0, 1.0, 0.0]) / np.sqrt(2), axis=1)
    at = first_of(off > PLACE_MM)
    if at is not None:
        check.fault(
            int(first[at]) - 1, "a last move before a touch that does not settle it",
            f"{settle:g} mm towards X+ Y+",
        )  # fmt: skip


def _ends(check: Followed) -> None:
    """First and last place: the safe height over X0 Y0."""
    if not check.home(1):
        check.fault(0, "a first motion to another place", f"X0 Y0 Z{check.bench.moves.safe_z_mm:g}")
    if check.motions.fault is None and not check.home(len(check.kind)):
        line = check.motions.end_line
        told = f"X0 Y0 Z{check.bench.moves.safe_z_mm:g}"
        check.faults.append((line, refusal(line, "the end at another place", told)))
