"""Trigger logs of touches on a reference sphere, with known truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.simulate import Faults, Mill, Probe, Simulated, outcomes_of, pretravel
from probetest.triggers import LEVEL_DEG, make_frame

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SpherePlan:
    """How a reference sphere is touched, each time along the normal of its surface.

    Attributes
    ----------
    azimuth_deg, elevation_deg : tuple of float
        Direction of motion of each point; elevation 0 is horizontal, -90 straight down.
    repeats : int
        Touches of each point.
    rounds : bool
        True: once over all points in random order, then again; False: all touches of a point in a row.
    feed_mm_min, seconds_per_touch, sphere_diameter_mm : float
    centre_z_mm : float
        Height of the centre of the sphere.
    orientation_deg : float
    start : datetime
    """

    azimuth_deg: tuple[float, ...]
    elevation_deg: tuple[float, ...]
    repeats: int = 3
    rounds: bool = True
    feed_mm_min: float = 60.0
    seconds_per_touch: float = 10.0
    sphere_diameter_mm: float = 25.0
    centre_z_mm: float = -40.0
    orientation_deg: float = 0.0
    start: datetime = datetime(2026, 3, 2, 9, 0, 0)


def simulate_sphere(
    probe: Probe, mill: Mill, plan: SpherePlan, *, rng: np.random.Generator, faults: Faults | None = None
) -> Simulated:
    """Touch a reference sphere that has no form error of its own.

    Parameters
    ----------
    probe, mill : Probe, Mill
        The two-lobed error of the mill is a fault of its horizontal axes, and shrinks with the square of
        the cosine of the elevation.
    plan : SpherePlan
    rng : numpy.random.Generator
        The only source of chance.
    faults : Faults, optional
        A false trigger latches on the way, before the sphere.

    Returns
    -------
    Simulated
        With the truth: sd_mm of one touch; late_mm, how late each point of the plan triggers on average;
        centre_mm, where the ball would meet the centre; radius_mm, ball centres without pre-travel;
        form_mm, range of late_mm about its best sphere; fitted_radius_mm and fitted_centre_mm, of that
        sphere; axial_mm, mean of late_mm of the horizontal points less that straight down, None where
        either lacks.
    """
    faults = faults or Faults()
    motion = _motion(plan)
    late = _mean_late(probe, mill, plan, motion)
    point = _sequence(len(late), plan, rng)
    touches = len(point)
    hours = np.arange(touches) * plan.seconds_per_touch / 3600.0
    found = late[point] + plan.feed_mm_min / 60.0 * probe.jitter_s * (rng.random(touches) - 0.5)
    found = found + rng.normal(0.0, probe.sd_mm, touches)
    found = found + mill.drift_mm_per_h * hours + mill.warm_up_mm * -np.expm1(-hours / mill.warm_up_h)
    for touch, early_mm in faults.early.items():
        found[touch - 1] -= early_mm
    distance = _radius(probe, plan) - found
    for touch in faults.false:
        distance[touch - 1] += rng.uniform(0.5, 2.0)
    centre = _centre(probe, mill, plan)
    position = centre - distance[:, None] * motion[point]
    position[:, :2] += hours[:, None] * np.asarray(mill.centre_drift_mm_per_h)
    if mill.step_mm:
        position = np.round(position / mill.step_mm) * mill.step_mm
    outcome = outcomes_of(touches, faults)
    position[np.isin(outcome, ["missed", "open_at_start"])] = np.nan
    frame = make_frame(
        {
            "time": [plan.start + timedelta(hours=float(h)) for h in hours],
            "azimuth_deg": np.mod(np.asarray(plan.azimuth_deg)[point], 360.0),
            "elevation_deg": np.asarray(plan.elevation_deg, dtype=float)[point],
            "orientation_deg": np.full(touches, plan.orientation_deg),
            "x_mm": position[:, 0],
            "y_mm": position[:, 1],
            "z_mm": position[:, 2],
            "outcome": outcome,
            "feed_mm_min": np.full(touches, plan.feed_mm_min),
        }
    )
    return Simulated(frame, _truth(probe, plan, motion, late, centre))


def _motion(plan: SpherePlan) -> Floats:
    turn, rise = np.deg2rad(plan.azimuth_deg), np.deg2rad(plan.elevation_deg)
    return np.stack([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)], axis=1)


def _radius(probe: Probe, plan: SpherePlan) -> float:
    return (plan.sphere_diameter_mm + probe.ball_diameter_mm) / 2


def _centre(probe: Probe, mill: Mill, plan: SpherePlan) -> Floats:
    turned = np.deg2rad(plan.orientation_deg)
    turn = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
    level = np.asarray(mill.centre_mm) - turn @ np.asarray(probe.runout_mm)
    return np.append(level, plan.centre_z_mm)


def _mean_late(probe: Probe, mill: Mill, plan: SpherePlan, motion: Floats) -> Floats:
    """How far behind the surface each point triggers on average, along the motion, before drift."""
    bending = pretravel(probe, plan.azimuth_deg, plan.orientation_deg, plan.elevation_deg)
    travel = plan.feed_mm_min / 60.0 * (probe.latency_s + probe.jitter_s / 2)
    reversal = np.abs(motion[:, :2]) @ np.asarray(mill.reversal_mm) / 2
    lobes = np.cos(2 * np.deg2rad(np.asarray(plan.azimuth_deg) - mill.two_lobe_azimuth_deg))
    # An axis that reads too long makes the sphere larger: the trigger seems to come earlier.
    scale = -mill.two_lobe_mm * lobes * (1 - motion[:, 2] ** 2)
    return np.asarray(bending + travel + reversal + scale)


def _sequence(points: int, plan: SpherePlan, rng: np.random.Generator) -> NDArray[np.intp]:
    if plan.rounds:
        return np.concatenate([rng.permutation(points) for _ in range(plan.repeats)])
    return np.repeat(np.arange(points), plan.repeats)


def _truth(probe: Probe, plan: SpherePlan, motion: Floats, late: Floats, centre: Floats) -> dict[str, Any]:
    # Lateness is small against the radius: to first order a sphere takes a + b . u out of it.
    design = np.column_stack([np.ones(len(late)), motion])
    taken = np.linalg.lstsq(design, late, rcond=None)[0]
    elevation = np.asarray(plan.elevation_deg, dtype=float)
    level, down = np.abs(elevation) <= LEVEL_DEG, elevation <= LEVEL_DEG - 90.0
    jitter_mm = plan.feed_mm_min / 60.0 * probe.jitter_s
    return {
        "sd_mm": float(np.hypot(probe.sd_mm, jitter_mm / np.sqrt(12))),
        "late_mm": late.tolist(),
        "centre_mm": centre.tolist(),
        "radius_mm": _radius(probe, plan),
        "form_mm": float(np.ptp(late - design @ taken)),
        "fitted_radius_mm": float(_radius(probe, plan) - taken[0]),
        "fitted_centre_mm": (centre + taken[1:]).tolist(),
        "axial_mm": float(late[level].mean() - late[down].mean()) if level.any() and down.any() else None,
    }
