"""Trigger logs from physics, with known truth: a kinematic seat, a stylus, a mill and their faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from probetest.triggers import make_frame

Floats = NDArray[np.float64]

ARM_STEP_DEG = 120.0

PAUSE_S = 300.0
"""Between two orientations."""


@dataclass(frozen=True, slots=True)
class Probe:
    """A kinematic touch-trigger probe with three arms on contact pairs.

    Attributes
    ----------
    preload_n : float
        Spring force that holds the arms down.
    seat_radius_mm : float
        Distance of the contact pairs from the axis.
    wall_angle_deg : float
        Half-angle of the V of each contact pair; 0 for arms that are held up only.
    arm_azimuth_deg : float
        Azimuth of the first arm at orientation 0; the others follow at 120 and 240 deg.
    stylus_length_mm, stem_diameter_mm, modulus_gpa : float
        Of the stylus stem.
    ball_diameter_mm : float
    threshold_n : tuple of float
        Load of a contact at which its circuit opens, for each arm. 0 for clean contacts; above 0
        for raised resistance: the pair opens early.
    runout_mm : tuple of float
        x, y offset of the ball from the spindle axis at orientation 0.
    latency_s : float
        From opening to the latched position.
    jitter_s : float
        Length of the polling period; each touch waits a random part of it.
    sd_mm : float
        Normal scatter of the trip point.
    """

    preload_n: float = 1.2
    seat_radius_mm: float = 7.5
    wall_angle_deg: float = 30.0
    arm_azimuth_deg: float = 90.0
    stylus_length_mm: float = 50.0
    stem_diameter_mm: float = 2.0
    modulus_gpa: float = 600.0
    ball_diameter_mm: float = 4.0
    threshold_n: tuple[float, float, float] = (0.0, 0.0, 0.0)
    runout_mm: tuple[float, float] = (0.0, 0.0)
    latency_s: float = 0.002
    jitter_s: float = 0.001
    sd_mm: float = 0.0015


@dataclass(frozen=True, slots=True)
class Mill:
    """The machine under the probe.

    Attributes
    ----------
    reversal_mm : tuple of float
        Reversal value (backlash) of x and y. As a radial error it is b/2 times |cos|, |sin|.
    two_lobe_mm, two_lobe_azimuth_deg : float
        Amplitude and azimuth of a two-lobed error: axes of different scale, or out of square.
    step_mm : float
        Step of the logged position; 0 for none.
    centre_mm : tuple of float
        Where the artefact stands.
    drift_mm_per_h : float
        Slow change of the trip point.
    warm_up_mm, warm_up_h : float
        Size and time constant of an exponential change of the trip point.
    centre_drift_mm_per_h : tuple of float
        x, y drift of the artefact.
    """

    reversal_mm: tuple[float, float] = (0.0, 0.0)
    two_lobe_mm: float = 0.0
    two_lobe_azimuth_deg: float = 0.0
    step_mm: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)
    drift_mm_per_h: float = 0.0
    warm_up_mm: float = 0.0
    warm_up_h: float = 0.5
    centre_drift_mm_per_h: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Plan:
    """How the test is run.

    Attributes
    ----------
    directions, repeats : int
    first_azimuth_deg : float
    rounds : bool
        True: once around all directions in random order, then again; False: all touches of a
        direction in a row.
    feed_mm_min : float
    seconds_per_touch : float
    ring_diameter_mm : float
        Inside diameter of the ring that is touched.
    orientation_deg : float
    start : datetime
    """

    directions: int = 24
    repeats: int = 10
    first_azimuth_deg: float = 0.0
    rounds: bool = True
    feed_mm_min: float = 60.0
    seconds_per_touch: float = 6.0
    ring_diameter_mm: float = 25.0
    orientation_deg: float = 0.0
    start: datetime = datetime(2026, 3, 2, 9, 0, 0)


@dataclass(frozen=True, slots=True)
class Faults:
    """Touches that go wrong, by their number in the test (from 1).

    Attributes
    ----------
    missed, open_at_start, false : tuple of int
        Touches that end in these outcomes.
    early : dict of int to float
        Touches that trigger early by so many mm.
    """

    missed: tuple[int, ...] = ()
    open_at_start: tuple[int, ...] = ()
    false: tuple[int, ...] = ()
    early: dict[int, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated test.

    Attributes
    ----------
    frame : pandas.DataFrame
        In the shape of `probetest.triggers.COLUMNS`.
    truth : dict
        What the statistics should find: sd_mm, variation_mm (tested directions, centre taken
        out), variation_all_mm (all directions), mean_mm, arm_azimuth_deg and the settings.
    """

    frame: pd.DataFrame
    truth: dict[str, Any]


def trip_force(probe: Probe, force_azimuth_deg: ArrayLike, force_elevation_deg: ArrayLike = 0.0) -> Floats:
    """Force on the ball, N, at which the first of the six contacts opens.

    Parameters
    ----------
    probe : Probe
    force_azimuth_deg, force_elevation_deg : array_like, deg
        Direction of the force on the ball, at the orientation of the probe; elevation 0 is
        horizontal, 90 straight up the stylus.

    Notes
    -----
    The six contact forces follow from the six equations of equilibrium of the moving body,
    friction left out; they change linearly with the force on the ball.
    """
    azimuth, elevation = np.broadcast_arrays(
        np.deg2rad(np.asarray(force_azimuth_deg, dtype=float)),
        np.deg2rad(np.asarray(force_elevation_deg, dtype=float)),
    )
    arms = np.deg2rad(probe.arm_azimuth_deg + ARM_STEP_DEG * np.arange(3))
    # A flat wall would carry nothing sideways; a nearly flat one stands for it.
    wall = np.deg2rad(max(probe.wall_angle_deg, 1e-4))
    points = np.stack([np.cos(arms), np.sin(arms), np.zeros(3)], axis=1) * probe.seat_radius_mm
    along = np.stack([-np.sin(arms), np.cos(arms), np.zeros(3)], axis=1)
    up = np.array([0.0, 0.0, 1.0])
    normals = np.concatenate([np.sin(wall) * up + side * np.cos(wall) * along for side in (1.0, -1.0)])
    places = np.concatenate([points, points])
    balance = np.vstack([normals.T, np.cross(places, normals).T])
    tip = np.array([0.0, 0.0, -probe.stylus_length_mm])
    level = np.cos(elevation)
    unit = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=-1)
    load = np.concatenate([unit, np.cross(np.broadcast_to(tip, unit.shape), unit)], axis=-1)
    at_rest = np.linalg.solve(balance, np.array([0.0, 0.0, probe.preload_n, 0.0, 0.0, 0.0]))
    per_newton = np.linalg.solve(balance, -load.reshape(-1, 6).T).T.reshape(*azimuth.shape, 6)
    # A contact of a pair carries half of the pair's load divided by the slope of the wall.
    opens_at = np.tile(np.asarray(probe.threshold_n), 2) / (2 * np.sin(wall))
    with np.errstate(divide="ignore"):
        force = np.where(per_newton < 0, (opens_at - at_rest) / per_newton, np.inf)
    return np.asarray(force.min(axis=-1))


def pretravel(
    probe: Probe,
    approach_azimuth_deg: ArrayLike,
    orientation_deg: float = 0.0,
    elevation_deg: ArrayLike = 0.0,
) -> Floats:
    """Pre-travel along the motion, mm: the stylus bends, and is compressed where it moves down.

    Parameters
    ----------
    probe : Probe
    approach_azimuth_deg, elevation_deg : array_like, deg
        Direction of motion, along the normal of the surface; elevation 0 is horizontal, -90
        straight down.
    orientation_deg : float

    Notes
    -----
    With F the trip force and b its elevation: F cos(b)**2 L**3 / (3 E I) by bending, F sin(b)**2
    L / (E A) by compression, I = pi d**4 / 64, A = pi d**2 / 4. The force on the ball points against
    the motion; the probe sees it less its own orientation.
    """
    elevation = np.asarray(elevation_deg, dtype=float)
    azimuth = np.asarray(approach_azimuth_deg, dtype=float) + 180.0 - orientation_deg
    force = trip_force(probe, azimuth, -elevation)
    moment_mm4 = np.pi * probe.stem_diameter_mm**4 / 64
    bending = force * probe.stylus_length_mm**3 / (3 * probe.modulus_gpa * 1e3 * moment_mm4)
    area_mm2 = np.pi * probe.stem_diameter_mm**2 / 4
    pressing = force * probe.stylus_length_mm / (probe.modulus_gpa * 1e3 * area_mm2)
    sine = np.sin(np.deg2rad(elevation))
    return np.asarray(bending * (1 - sine**2) + pressing * sine**2)


def simulate(
    probe: Probe, mill: Mill, plan: Plan, *, rng: np.random.Generator, faults: Faults | None = None
) -> Simulated:
    """Run a test inside a ring.

    Parameters
    ----------
    probe, mill, plan : Probe, Mill, Plan
    rng : numpy.random.Generator
        The only source of chance.
    faults : Faults, optional

    Returns
    -------
    Simulated
    """
    faults = faults or Faults()
    azimuths = plan.first_azimuth_deg + np.arange(plan.directions) * 360.0 / plan.directions
    azimuth = azimuths[_sequence(plan, rng)]
    touches = len(azimuth)
    hours = np.arange(touches) * plan.seconds_per_touch / 3600.0
    angle = np.deg2rad(azimuth)
    feed_mm_s = plan.feed_mm_min / 60.0
    length = radial_mean(probe, mill, plan, azimuth)
    length = length + feed_mm_s * probe.jitter_s * (rng.random(touches) - 0.5)
    length = length + rng.normal(0.0, probe.sd_mm, touches)
    length = length + mill.drift_mm_per_h * hours + mill.warm_up_mm * -np.expm1(-hours / mill.warm_up_h)
    for touch, early_mm in faults.early.items():
        length[touch - 1] -= early_mm
    turned = np.deg2rad(plan.orientation_deg)
    turn = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
    centre = np.asarray(mill.centre_mm) - turn @ np.asarray(probe.runout_mm)
    position = centre + length[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    position = position + hours[:, None] * np.asarray(mill.centre_drift_mm_per_h)
    if mill.step_mm:
        position = np.round(position / mill.step_mm) * mill.step_mm
    outcome = outcomes_of(touches, faults)
    lost = np.isin(outcome, ["missed", "open_at_start"])
    position[lost] = np.nan
    # A false trigger latches somewhere on the way, well before the wall.
    for touch in faults.false:
        position[touch - 1] = centre + rng.uniform(0.2, 0.8) * (position[touch - 1] - centre)
    frame = make_frame(
        {
            "time": [plan.start + timedelta(hours=float(h)) for h in hours],
            "azimuth_deg": np.mod(azimuth, 360.0),
            "orientation_deg": np.full(touches, plan.orientation_deg),
            "x_mm": position[:, 0],
            "y_mm": position[:, 1],
            "z_mm": np.where(lost, np.nan, -5.0),
            "outcome": outcome,
            "feed_mm_min": np.full(touches, plan.feed_mm_min),
            "temperature_c": np.round(20.0 + 0.8 * -np.expm1(-hours / 0.5) + rng.normal(0, 0.05, touches), 1),
        }
    )
    return Simulated(frame, _truth(probe, mill, plan, azimuths))


def simulate_turned(
    probe: Probe, mill: Mill, plan: Plan, orientations_deg: Sequence[float], *, rng: np.random.Generator
) -> Simulated:
    """Run the same test at several orientations of the probe, one after the other.

    Parameters
    ----------
    probe, mill, plan : Probe, Mill, Plan
    orientations_deg : sequence of float
    rng : numpy.random.Generator

    Returns
    -------
    Simulated
        The truth of the first orientation, with orientations_deg and machine_variation_all_mm.
    """
    runs, start = [], plan.start
    for angle in orientations_deg:
        run = simulate(probe, mill, replace(plan, orientation_deg=angle, start=start), rng=rng)
        runs.append(run)
        start += timedelta(seconds=len(run.frame) * plan.seconds_per_touch + PAUSE_S)
    frame = pd.concat([run.frame for run in runs], ignore_index=True)
    frame["touch"] = frame["line"] = np.arange(1, len(frame) + 1)
    fine = np.arange(0.0, 360.0, 0.05)
    machine = _spread_about_centre(fixed_error(mill, fine), fine)
    turned = {"orientations_deg": list(orientations_deg), "machine_variation_all_mm": machine}
    return Simulated(frame, runs[0].truth | turned)


def radial_mean(probe: Probe, mill: Mill, plan: Plan, azimuth_deg: ArrayLike) -> Floats:
    """Mean distance of the trigger position from the centre, mm, before drift."""
    gap = (plan.ring_diameter_mm - probe.ball_diameter_mm) / 2
    bending = pretravel(probe, azimuth_deg, plan.orientation_deg)
    travel = plan.feed_mm_min / 60.0 * (probe.latency_s + probe.jitter_s / 2)
    return np.asarray(gap + bending + travel + fixed_error(mill, azimuth_deg))


def fixed_error(mill: Mill, azimuth_deg: ArrayLike) -> Floats:
    """What the machine adds to the reading, whatever the orientation of the probe, mm."""
    angle = np.deg2rad(np.asarray(azimuth_deg, dtype=float))
    reversal = (mill.reversal_mm[0] * np.abs(np.cos(angle)) + mill.reversal_mm[1] * np.abs(np.sin(angle))) / 2
    lobes = mill.two_lobe_mm * np.cos(2 * (angle - np.deg2rad(mill.two_lobe_azimuth_deg)))
    return np.asarray(reversal + lobes)


def _sequence(plan: Plan, rng: np.random.Generator) -> NDArray[np.intp]:
    if plan.rounds:
        return np.concatenate([rng.permutation(plan.directions) for _ in range(plan.repeats)])
    return np.repeat(np.arange(plan.directions), plan.repeats)


def outcomes_of(touches: int, faults: Faults) -> NDArray[np.object_]:
    """What each approach ends in, in their order."""
    outcome = np.full(touches, "trigger", dtype=object)
    for name in ("missed", "open_at_start", "false"):
        for touch in getattr(faults, name):
            outcome[touch - 1] = name
    return outcome


def _truth(probe: Probe, mill: Mill, plan: Plan, azimuths: Floats) -> dict[str, Any]:
    jitter_mm = plan.feed_mm_min / 60.0 * probe.jitter_s
    fine = np.arange(0.0, 360.0, 0.05)
    gap = (plan.ring_diameter_mm - probe.ball_diameter_mm) / 2
    pure = replace(mill, reversal_mm=(0.0, 0.0), two_lobe_mm=0.0)
    return {
        "sd_mm": float(np.hypot(probe.sd_mm, jitter_mm / np.sqrt(12))),
        "variation_mm": _spread_about_centre(radial_mean(probe, mill, plan, azimuths), azimuths),
        "variation_all_mm": _spread_about_centre(radial_mean(probe, mill, plan, fine), fine),
        "probe_variation_all_mm": _spread_about_centre(radial_mean(probe, pure, plan, fine), fine),
        "mean_mm": float(radial_mean(probe, mill, plan, azimuths).mean() - gap),
        "arm_azimuth_deg": float((probe.arm_azimuth_deg + plan.orientation_deg) % 120.0),
        "drift_mm_per_h": mill.drift_mm_per_h,
        "step_mm": mill.step_mm,
    }


def _spread_about_centre(length: Floats, azimuth_deg: Floats) -> float:
    angle = np.deg2rad(azimuth_deg)
    design = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    return float(np.ptp(length - design @ np.linalg.lstsq(design, length, rcond=None)[0]))
