"""What a program must keep: refusals that follow from a bench alone, and from a bench with its touches."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from probetest.errors import PlanError
from probetest.plan.bench import Bench, Range
from probetest.plan.schedule import Schedule
from probetest.plan.touch_lines import Floats, TouchLines

SHORTEST_TOUCH_MM = 0.254
"""A straight-probe move that is shorter is an error: RS274/NGC, NISTIR 6556 (2000), 3.5.9; from memory."""

STEM_GAP_MM = 0.01
"""The ball must be what touches; common practice, no source."""

SLOWEST_MM_MIN = 0.1
"""Common practice, no source."""

ABOVE_MM = 1.0
"""Pauses stand so much above ``safe_z_mm``."""

_SLACK_MM = 1e-9
_SLACK_DEG = 1e-6


def stopping_mm(feed_mm_min: float, bench: Bench) -> float:
    """How far the machine runs on after a trigger, mm: braking from the feed, and the delay before it.

    Parameters
    ----------
    feed_mm_min : float
    bench : Bench

    Notes
    -----
    v^2/(2 a) + v t for a constant deceleration a after a delay t.
    """
    speed_mm_s = feed_mm_min / 60.0
    braking_mm = speed_mm_s**2 / (2.0 * bench.machine.braking_mm_s2)
    return braking_mm + speed_mm_s * bench.machine.delay_s


def check_bench(bench: Bench) -> None:
    """Refuse a bench on which no program would be safe.

    Parameters
    ----------
    bench : Bench

    Raises
    ------
    PlanError
        For the first problem: one sentence with the numbers and what to do.
    """
    _check_feeds(bench)
    _check_ways(bench)
    _check_stylus(bench)
    if bench.artefact.kind != "sphere":
        _check_stem(_side_gap_mm(bench), bench)
    if bench.artefact.kind == "ring":
        _check_ring(bench)


def _refuse_if(wrong: bool, problem: str, action: str) -> None:
    if wrong:
        raise PlanError(f"{problem}; {action}.")


def _check_feeds(bench: Bench) -> None:
    moves, probe = bench.moves, bench.probe
    touches = {"touch_feed_mm_min": moves.touch_feed_mm_min}
    if moves.fast_feed_mm_min is not None:
        touches["fast_feed_mm_min"] = moves.fast_feed_mm_min
    for name, feed in touches.items():
        _refuse_if(
            feed > probe.max_feed_mm_min,
            f"{name} {feed:g} is above max_feed_mm_min {probe.max_feed_mm_min:g} of the probe",
            "state a slower touch",
        )
    for name, feed in (touches | {"position_feed_mm_min": moves.position_feed_mm_min}).items():
        _refuse_if(
            feed < SLOWEST_MM_MIN,
            f"{name} {feed:g} is below {SLOWEST_MM_MIN:g}, which few machines can keep",
            f"state a faster {name}",
        )
        stopping = stopping_mm(feed, bench)
        _refuse_if(
            stopping > probe.overtravel_mm,
            f"at {name} {feed:g} the machine needs {stopping:.3f} mm to stop, but the probe allows an "
            f"overtravel of {probe.overtravel_mm:g} mm",
            f"state a slower {name}",
        )


def _check_ways(bench: Bench) -> None:
    moves, overtravel = bench.moves, bench.probe.overtravel_mm
    deepest = moves.past_mm + moves.place_mm
    _refuse_if(
        deepest > overtravel + _SLACK_MM,
        f"without a trigger a touch ends {deepest:g} mm beyond the surface (past_mm {moves.past_mm:g} and "
        f"place_mm {moves.place_mm:g}), but the probe allows an overtravel of {overtravel:g} mm",
        "state a smaller past_mm, or set the work offset better and state a smaller place_mm",
    )
    _refuse_if(
        moves.past_mm <= moves.place_mm,
        f"past_mm {moves.past_mm:g} is not above place_mm {moves.place_mm:g}, so that a touch could end "
        "before the artefact",
        "state a larger past_mm, or set the work offset better and state a smaller place_mm",
    )
    _refuse_if(
        moves.clearance_mm <= moves.place_mm,
        f"clearance_mm {moves.clearance_mm:g} is not above place_mm {moves.place_mm:g}, so that a move could "
        "meet the artefact",
        "state a larger clearance_mm, or set the work offset better and state a smaller place_mm",
    )
    nearest = moves.run_up_mm - moves.settle_mm
    _refuse_if(
        nearest < moves.clearance_mm - _SLACK_MM,
        f"run_up_mm {moves.run_up_mm:g} less settle_mm {moves.settle_mm:g} leaves {nearest:g} mm, below "
        f"clearance_mm {moves.clearance_mm:g}",
        "state a longer run_up_mm or a shorter settle_mm",
    )
    _refuse_if(
        moves.safe_z_mm < moves.clearance_mm,
        f"safe_z_mm {moves.safe_z_mm:g} is below clearance_mm {moves.clearance_mm:g}",
        "state a higher safe_z_mm",
    )
    way = moves.run_up_mm
    if moves.fast_feed_mm_min is not None:
        way = moves.back_off_mm
        _refuse_if(
            way <= moves.place_mm,
            f"back_off_mm {way:g} is not above place_mm {moves.place_mm:g}, so that the slow touch could "
            "begin on the artefact",
            "state a larger back_off_mm, or set the work offset better and state a smaller place_mm",
        )
        forward = moves.run_up_mm - way
        _refuse_if(
            forward > overtravel + _SLACK_MM,
            f"the way back after a fast touch could lead {forward:g} mm forward (run_up_mm "
            f"{moves.run_up_mm:g} less back_off_mm {way:g}), if the touch triggered too early, and the probe "
            f"allows an overtravel of {overtravel:g} mm",
            "state a shorter run_up_mm or a larger back_off_mm",
        )
    _refuse_if(
        way + moves.past_mm < SHORTEST_TOUCH_MM,
        f"a touch is {way + moves.past_mm:g} mm long, and a controller may refuse one below "
        f"{SHORTEST_TOUCH_MM:g} mm",
        "state a larger past_mm, run_up_mm or back_off_mm",
    )


def _check_stylus(bench: Bench) -> None:
    """Touches from the side: the edge, the floor, and the body above the top."""
    if bench.artefact.kind in ("sphere", "plane"):
        return
    moves, stylus, height = bench.moves, bench.stylus, bench.artefact.height_mm
    _refuse_if(
        moves.depth_mm <= moves.place_mm,
        f"depth_mm {moves.depth_mm:g} is not above place_mm {moves.place_mm:g}, so that the ball could meet "
        "the edge",
        "state a larger depth_mm",
    )
    lowest = -moves.depth_mm - stylus.ball_diameter_mm / 2
    _refuse_if(
        lowest < -height + moves.clearance_mm - _SLACK_MM,
        f"at depth_mm {moves.depth_mm:g} the ball reaches Z {lowest:g}, less than clearance_mm "
        f"{moves.clearance_mm:g} above what the artefact stands on at Z {-height:g}",
        "state a smaller depth_mm",
    )
    check_body(-moves.depth_mm, bench)


def check_body(ball_centre_z_mm: float, bench: Bench) -> None:
    """Refuse a stylus that is too short for the ball to go so deep: the body stands over the artefact then.

    Parameters
    ----------
    ball_centre_z_mm : float
        Lowest height of the centre of the ball.
    bench : Bench

    Raises
    ------
    PlanError
        Wherever the body would be: one that is thinner than the ball is not looked for.
    """
    left = ball_centre_z_mm + bench.stylus.length_mm
    _refuse_if(
        left < bench.moves.clearance_mm - _SLACK_MM,
        f"with a stylus of length_mm {bench.stylus.length_mm:g} the body of the probe comes to {left:g} mm "
        f"above the top of the artefact, below clearance_mm {bench.moves.clearance_mm:g}",
        "use a longer stylus or touch higher",
    )


def _check_stem(gap_mm: float, bench: Bench) -> None:
    ways = bench.moves.past_mm + bench.moves.place_mm
    _refuse_if(
        gap_mm < STEM_GAP_MM,
        f"when the artefact holds the ball and the probe moves on by {ways:g} mm (past_mm and place_mm), the "
        f"stem comes to {gap_mm:.3f} mm from the artefact, below {STEM_GAP_MM:g} mm",
        "use a thinner stem or a larger ball, touch higher, or state a smaller past_mm",
    )


def _side_gap_mm(bench: Bench) -> float:
    """Gap between the tilted stem and the upper edge, mm; from above, beside the ball that does not tilt."""
    stylus, moves = bench.stylus, bench.moves
    ball, stem = stylus.ball_diameter_mm / 2, stylus.stem_diameter_mm / 2
    if bench.artefact.kind == "plane":
        return ball - stem
    lean = (moves.past_mm + moves.place_mm) / stylus.length_mm
    return (ball - lean * moves.depth_mm) / math.hypot(1.0, lean) - stem


def _sphere_gap_mm(lines: TouchLines, bench: Bench) -> Floats:
    """Gap between the tilted stem and a sphere at each touch, shape (touches,), mm."""
    stylus, moves = bench.stylus, bench.moves
    radius = (bench.artefact.diameter_mm or 0.0) / 2
    # From the centre of the sphere to the centre of the ball, which the artefact holds, and up the stem.
    ball = lines.contact + np.array([0.0, 0.0, stylus.ball_diameter_mm / 2 + radius])
    moved_on = (lines.end - lines.contact) * (1.0 + moves.place_mm / moves.past_mm)
    stem = moved_on + np.array([0.0, 0.0, stylus.length_mm])
    share = np.clip(-(ball * stem).sum(axis=1) / (stem * stem).sum(axis=1), 0.0, 1.0)
    nearest = np.linalg.norm(ball + share[:, np.newaxis] * stem, axis=1)
    return np.asarray(nearest - radius - stylus.stem_diameter_mm / 2)


def _check_ring(bench: Bench) -> None:
    moves, ball = bench.moves, bench.stylus.ball_diameter_mm
    bore = bench.artefact.diameter_mm or 0.0
    # With the settling move and the clearance within run_up_mm, all of them have room then.
    needed = ball + 2 * moves.run_up_mm
    _refuse_if(
        bore < needed - _SLACK_MM,
        f"in a ring of diameter_mm {bore:g} a ball of {ball:g} mm with run_up_mm {moves.run_up_mm:g} begins "
        f"beyond the middle; {needed:g} mm are needed",
        "state a shorter run_up_mm, or use a larger ring or a smaller ball",
    )


def check_schedule(schedule: Schedule, bench: Bench) -> None:
    """Refuse touches in directions that the artefact can't be touched in.

    Parameters
    ----------
    schedule : Schedule
    bench : Bench

    Raises
    ------
    PlanError
        For the first such touch, or where there is none at all.
    """
    kind = bench.artefact.kind
    _refuse_if(len(schedule) == 0, "the plan has no touch", "plan at least one")
    angles = np.column_stack((schedule.orientation_deg, schedule.azimuth_deg, schedule.elevation_deg))
    within = np.asarray((np.isfinite(angles) & (np.abs(angles) <= 360)).all(axis=1))
    _refuse_first(~within, schedule, "has an angle outside -360 to 360 deg", "state angles in deg")
    elevation = schedule.elevation_deg
    wrong: NDArray[np.bool_]
    if kind == "sphere":
        wrong, wanted = np.asarray((elevation < -90) | (elevation > 0)), "from -90 to 0 deg"
    else:
        level = -90.0 if kind == "plane" else 0.0
        wrong, wanted = np.asarray(np.abs(elevation - level) > _SLACK_DEG), f"{level:g} deg"
    _refuse_first(
        wrong, schedule, f"on a {kind} does not have an elevation {wanted}", "leave it out or change it"
    )
    if kind == "block":
        off = np.asarray(np.abs((schedule.azimuth_deg + 45) % 90 - 45) > _SLACK_DEG)
        _refuse_first(off, schedule, "is not square to a face of the block", "use azimuth 0, 90, 180 or 270")


def _refuse_first(wrong: NDArray[np.bool_], schedule: Schedule, problem: str, action: str) -> None:
    if wrong.any():
        raise PlanError(f"{_name_touch(int(np.argmax(wrong)), schedule)} {problem}; {action}.")


def _name_touch(at: int, schedule: Schedule) -> str:
    return (
        f"touch {at + 1} (azimuth {schedule.azimuth_deg[at]:g}, elevation {schedule.elevation_deg[at]:g} deg)"
    )


def check_lines(lines: TouchLines, schedule: Schedule, bench: Bench) -> None:
    """Refuse touches that leave the stated volume or the room above, beside and below the artefact.

    Parameters
    ----------
    lines : TouchLines
        Of the schedule on the bench.
    schedule : Schedule
    bench : Bench

    Raises
    ------
    PlanError
        For the first such touch.

    Notes
    -----
    The post of a sphere is not modelled: whether touches near its equator clear the post is for the
    operator to see.
    """
    moves = bench.moves
    waiting = np.array([[0.0, 0.0, moves.safe_z_mm + ABOVE_MM]])
    _check_volume(waiting, f"over X0 Y0, {ABOVE_MM:g} mm above safe_z_mm,", bench)
    for words, points in lines.named():
        outside = _outside(points, bench)
        if outside.any():
            at = int(np.argmax(outside))
            _check_volume(points[at : at + 1], f"where {words} in {_name_touch(at, schedule)}", bench)
    highest = int(np.argmax(lines.start[:, 2]))
    _refuse_if(
        bool(lines.start[highest, 2] > moves.safe_z_mm),
        f"{_name_touch(highest, schedule)} begins at Z {lines.start[highest, 2]:.3f}, above safe_z_mm "
        f"{moves.safe_z_mm:g}",
        "state a higher safe_z_mm or a shorter run_up_mm",
    )
    if bench.artefact.kind == "ring":
        return
    lowest = float(lines.end[:, 2].min())
    at = int(np.argmin(lines.end[:, 2]))
    floor = -bench.artefact.height_mm
    _refuse_if(
        bench.artefact.kind != "plane" and lowest < floor + moves.clearance_mm - _SLACK_MM,
        f"{_name_touch(at, schedule)} ends at Z {lowest:.3f}, less than clearance_mm {moves.clearance_mm:g} "
        f"above what the artefact stands on at Z {floor:g}",
        "leave it out, or raise the artefact",
    )
    if bench.artefact.kind == "sphere":
        _check_stem(float(_sphere_gap_mm(lines, bench).min()), bench)
    check_body(lowest + bench.stylus.ball_diameter_mm / 2, bench)


def _outside(points: Floats, bench: Bench) -> NDArray[np.bool_]:
    low, high = np.array([bench.moves.x_mm, bench.moves.y_mm, bench.moves.z_mm]).T
    return np.asarray(((points < low - _SLACK_MM) | (points > high + _SLACK_MM)).any(axis=1))


def _check_volume(points: Floats, place: str, bench: Bench) -> None:
    ranges: tuple[tuple[str, Range], ...] = (
        ("x_mm", bench.moves.x_mm),
        ("y_mm", bench.moves.y_mm),
        ("z_mm", bench.moves.z_mm),
    )
    for axis, (name, (low, high)) in enumerate(ranges):
        value = float(points[0, axis])
        _refuse_if(
            not math.isfinite(value) or not low - _SLACK_MM <= value <= high + _SLACK_MM,
            f"{place} the ball stands at {name[0].upper()} {value:.3f}, outside {name} {low:g} to {high:g}",
            f"state a wider {name} if the machine has room there, or shorter moves",
        )
