"""Errors of work offsets: settings simulated touch by touch with the true probe, and closed forms, through the job."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from sample_probes import make_test
from simulated import assert_share_at_least, assert_share_at_most

from probetest.errors import ReportError
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import CORRECTED_DEG, corrections, expect, expectation_to_dict, probe_curve
from probetest.jobs.qualify import qualify
from probetest.jobs.result import result_to_json
from probetest.limits import Limits
from probetest.mill import MillSettings
from probetest.simulate import Faults, Mill, Plan, Probe, pretravel, simulate_turned
from probetest.statistics.setting_cycles import (
    Feature,
    bore_centre,
    bore_diameter,
    boss_diameter,
    corner,
    cycle_of,
    edge,
    pocket_width,
    web_centre,
    web_width,
)

GOAL = (0.0, 30.0, 90.0, 210.0)
PROBE = Probe(arm_azimuth_deg=100.0, runout_mm=(0.006, -0.008))
STRAIGHT = replace(PROBE, runout_mm=(0.0, 0.0))
PLAN = Plan(repeats=5)
TRIALS = 20_000

BENCH = MillSettings(
    reversal_x_mm=0.010, reversal_y_mm=0.006, resolution_mm=0.001, runout_mm="measured", orientation="fixed",
    orientation_sd_deg=2.0, calibration="none", calibration_touches=4, calibration_repeats=3,
    reference_u_mm=0.0005, reference_centre_u_mm=0.002, repeats=1, return_one_way=True,
)  # fmt: skip


def mill(**others: object) -> MillSettings:
    return MillSettings.model_validate({**BENCH.model_dump(), **others})


def read_back(triggers) -> EarlierResult:
    return EarlierResult.model_validate_json(result_to_json(qualify(triggers, Limits())))


@cache
def turned(seed: int = 3) -> EarlierResult:
    """Four orientations on a worn machine: the probe told from it."""
    worn = Mill(reversal_mm=(0.025, 0.015), two_lobe_mm=0.003, two_lobe_azimuth_deg=30.0, step_mm=0.001)
    run = simulate_turned(PROBE, worn, PLAN, GOAL, rng=np.random.default_rng(seed))
    return read_back(replace(make_test(), frame=run.frame))


@cache
def single(seed: int = 5) -> EarlierResult:
    """One orientation on a machine without any error."""
    return read_back(make_test(STRAIGHT, Mill(step_mm=0.001), PLAN, seed=seed))


# ---- a customer who sets work offsets: each touch is a spindle that moves until the true probe trips

FINE_DEG = np.arange(0.0, 360.0, 0.1)
BORE_MM = 10.0
"""Radius of a bore less that of the ball."""


@dataclass
class Customer:
    """A spindle on the stated mill; all arrays hold one value a setting."""

    probe: Probe
    mill: MillSettings
    rng: np.random.Generator
    size: int = TRIALS

    def __post_init__(self) -> None:
        feed = PLAN.feed_mm_min / 60
        self.late = pretravel(self.probe, FINE_DEG) + feed * (self.probe.latency_s + self.probe.jitter_s / 2)
        self.jitter_mm = feed * self.probe.jitter_s

    def stand(self, *, at_mark: bool = False) -> np.ndarray:
        """Angle of the spindle, deg."""
        angle = self.rng.normal(0, self.mill.orientation_sd_deg, self.size)
        anywhere = self.mill.orientation == "random" and not at_mark
        return angle + (360 * self.rng.random(self.size) if anywhere else 0.0)

    def trip(self, azimuth: float, angle: np.ndarray, reach, start=(0.0, 0.0), repeats: int = 1):
        """Where the spindle is read, (settings, 2); ``reach`` is the way of the ball to the surface."""
        radians = np.deg2rad(azimuth)
        u = np.array([np.cos(radians), np.sin(radians)])
        spun = np.deg2rad(angle)
        x, y = self.probe.runout_mm
        ball = np.stack([x * np.cos(spun) - y * np.sin(spun), x * np.sin(spun) + y * np.cos(spun)], axis=-1)
        contact = reach(np.asarray(start) + ball, u)
        late = np.interp((azimuth - angle) % 360, FINE_DEG, self.late, period=360)
        late += abs(u) @ (self.mill.reversal_x_mm, self.mill.reversal_y_mm) / 2
        total = 0
        for _ in range(repeats):
            chance = self.rng.normal(0, self.probe.sd_mm, self.size)
            chance += self.jitter_mm * (self.rng.random(self.size) - 0.5)
            total = total + np.asarray(start) + (contact + late + chance)[:, None] * u
        mean, step = total / repeats, self.mill.resolution_mm
        zero = self.rng.random((self.size, 2))
        return (np.round((mean + zero) / step) * step if step else mean + zero) - zero

    def calibrate(self, azimuths) -> np.ndarray:
        """What is taken off each touch, (settings, touches)."""
        shop, touches = self.mill, len(azimuths)
        if shop.calibration == "none":
            return np.zeros((self.size, touches))
        each, angle = shop.calibration == "per_direction", self.stand(at_mark=True)
        wall = BORE_MM + self.rng.normal(0, shop.reference_u_mm, self.size)
        off = self.rng.normal(0, shop.reference_centre_u_mm, (self.size, 2)) if each else np.zeros(2)
        count = shop.calibration_touches
        rays = azimuths if each else 360 * np.arange(count) / count
        spots = [
            self.trip(ray, angle, round_wall(wall, off), repeats=shop.calibration_repeats) for ray in rays
        ]
        if each:
            return np.stack([along(spot, ray) for spot, ray in zip(spots, rays, strict=True)], 1) - BORE_MM
        return np.repeat(fit_circles(np.stack(spots, 1))[:, 2:] - BORE_MM, touches, axis=1)

    def set_offset(self, feature: Feature) -> np.ndarray:
        """Errors of the feature, (settings, components)."""
        azimuths, off = feature.azimuth_deg, self.calibrate(feature.azimuth_deg)
        angle, turn = self.stand(), 180 + self.stand()
        angles = [angle] * len(azimuths)
        if feature.same_side:
            angles[len(azimuths) // 2 :] = [turn] * (len(azimuths) // 2)
        back = self.rng.choice([-0.5, 0.5], (self.size, 2)) * (self.mill.reversal_x_mm, self.mill.reversal_y_mm)
        if self.mill.return_one_way:
            back *= 0
        if feature.is_round:
            start = self.rng.normal(0, 0.02, (self.size, 2))
            spots = [self.trip(a, at, round_wall(BORE_MM), start) for a, at in zip(azimuths, angles, strict=True)]
            for place, azimuth in enumerate(azimuths):
                spots[place] = spots[place] - off[:, place, None] * ray(azimuth)
            circle = fit_circles(np.stack(spots, 1))
            return circle[:, :2] + back if feature.kind == "centre" else 2 * (circle[:, 2:] - BORE_MM)
        walls = [self.trip(a, at, flat_wall(0.0)) for a, at in zip(azimuths, angles, strict=True)]
        read = [w - off[:, i, None] * ray(azimuths[i]) for i, w in enumerate(walls)]
        if feature.kind == "corner":
            return np.stack([read[0][:, 0], read[1][:, 1]], 1) + back
        if feature.kind == "edge":
            return along(read[0] + back, azimuths[0])[:, None]
        if feature.kind == "centre":
            return along((read[0] + read[1]) / 2 + back, azimuths[0])[:, None]
        width = along(read[0] - read[1], azimuths[0])[:, None]
        return -width if feature.inward else width


def ray(azimuth: float) -> np.ndarray:
    return np.array([np.cos(np.deg2rad(azimuth)), np.sin(np.deg2rad(azimuth))])


def along(spots: np.ndarray, azimuth: float) -> np.ndarray:
    return spots @ ray(azimuth)


def flat_wall(distance: float):
    return lambda ball, u: distance - ball @ u


def round_wall(radius, centre=(0.0, 0.0)):
    def reach(ball, u):
        ball = ball - np.asarray(centre)
        b = ball @ u
        return -b + np.sqrt(b**2 - (ball**2).sum(-1) + np.asarray(radius) ** 2)

    return reach


def fit_circles(spots: np.ndarray) -> np.ndarray:
    """Least-squares circles by Gauss and Newton, (settings, 3): centre, radius."""
    found = np.column_stack([spots.mean(axis=1), np.full(len(spots), BORE_MM)])
    for _ in range(4):
        away = spots - found[:, None, :2]
        length = np.hypot(away[..., 0], away[..., 1])
        design = np.concatenate([away / length[..., None], np.ones((*length.shape, 1))], axis=-1)
        left = (length - found[:, None, 2])[..., None]
        normal = design.transpose(0, 2, 1)
        found = found + np.linalg.solve(normal @ design, normal @ left)[..., 0]
    return found


FEATURES = (
    edge(0.0), edge(270.0), edge(37.0), web_centre(), web_centre(90.0), pocket_width(), web_width(90.0),
    bore_centre(3), bore_centre(4), bore_centre(5), bore_diameter(3), bore_diameter(4), corner(),
)  # fmt: skip
SETTINGS = {
    "fixed, nothing calibrated": {},
    "fixed, radius, either way": {"calibration": "radius", "return_one_way": False},
    "fixed, each direction": {"calibration": "per_direction", "orientation_sd_deg": 5.0},
    "random, nothing calibrated": {"orientation": "random"},
    "random, radius by 3 touches": {"orientation": "random", "calibration": "radius", "calibration_touches": 3},
    "random, each direction": {"orientation": "random", "calibration": "per_direction"},
}


def doubt_mm(earlier: EarlierResult, shop: MillSettings, feature: Feature) -> float:
    """Three standard errors of what the test says of the feature, at most (all parts alike)."""
    weights = np.abs(cycle_of(feature).weights).sum(axis=1)
    common = np.abs(cycle_of(feature).weights.sum(axis=1))
    shape = earlier.own or earlier.pretravel.curve
    u = weights * max(shape.curve_u_mm)
    if shop.calibration == "none":
        u = u + common * earlier.expanded_mm("Mean pre-travel") / 2
    return float(3 * np.hypot.reduce(u)) + 0.0002


def assert_expected(earlier: EarlierResult, probe: Probe, shop: MillSettings, seed: int) -> None:
    """The stated 95 % error and mean are those of settings with the true probe."""
    for one in expect(earlier, shop, FEATURES, habits=False).features:
        feature = next(f for f in FEATURES if f.name == one.feature)
        errors = Customer(probe, shop, np.random.default_rng(seed)).set_offset(feature)
        size, doubt = np.hypot.reduce(errors, axis=1), doubt_mm(earlier, shop, feature)
        room = doubt + 3 * one.error95_se_mm
        assert_share_at_least(int((size <= one.error95_mm + room).sum()), TRIALS, 0.95)
        assert_share_at_most(int((size <= one.error95_mm - room).sum()), TRIALS, 0.95)
        spread = 4 * errors.std(axis=0) / np.sqrt(TRIALS)
        off = np.abs(errors.mean(axis=0) - one.form.mean_mm)
        assert (off < doubt + spread).all(), f"{one.feature}: {off} {doubt}"


@pytest.mark.simulation
@pytest.mark.parametrize("name", SETTINGS)
def test_settings_with_the_true_probe_err_as_expected(name: str) -> None:
    assert_expected(turned(), PROBE, mill(**SETTINGS[name]), 11)
