"""Errors of work offsets: settings simulated touch by touch with the true probe, and what rests on what."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from sample_probes import make_test
from simulated import assert_share_at_least, assert_share_at_most

from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import expect, expectation_to_dict
from probetest.jobs.probe_curve import probe_curve
from probetest.jobs.qualify import qualify
from probetest.jobs.result import result_to_json
from probetest.limits import Limits
from probetest.mill import MillSettings
from probetest.simulate import Mill, Plan, Probe, pretravel, simulate_turned
from probetest.statistics.setting_cycles import (
    Feature,
    bore_centre,
    bore_diameter,
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
TRIALS = 3000

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

    def late_mm(self, body_deg: np.ndarray) -> np.ndarray:
        """Pre-travel of the probe, and what it travels until it is latched."""
        return np.interp(body_deg, FINE_DEG, self.late, period=360)

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
        late = self.late_mm((azimuth - angle) % 360)
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
        back = self.rng.choice([-0.5, 0.5], (self.size, 2)) * (
            self.mill.reversal_x_mm,
            self.mill.reversal_y_mm,
        )
        if self.mill.return_one_way:
            back *= 0
        if feature.is_round:
            start = self.rng.normal(0, 0.02, (self.size, 2))
            spots = [
                self.trip(a, at, round_wall(BORE_MM), start) for a, at in zip(azimuths, angles, strict=True)
            ]
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
    "random, radius by 3 touches": {
        "orientation": "random",
        "calibration": "radius",
        "calibration_touches": 3,
    },
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


@pytest.mark.simulation
@pytest.mark.parametrize("name", SETTINGS)
@pytest.mark.parametrize("kind", ["turned", "single"])
def test_settings_with_the_true_probe_err_as_expected(kind: str, name: str) -> None:
    own = kind == "turned"
    earlier, probe = (turned(), PROBE) if own else (single(), STRAIGHT)
    shop = mill(**SETTINGS[name], **({} if own else {"runout_mm": 0.0}))
    features = FEATURES if own else FEATURES[::3]
    found = expect(earlier, shop, features, habits=False, trials=TRIALS).features
    for one, feature in zip(found, features, strict=True):
        errors = Customer(probe, shop, np.random.default_rng(11)).set_offset(feature)
        size, doubt = np.hypot.reduce(errors, axis=1), doubt_mm(earlier, shop, feature)
        room = doubt + 3 * one.error95_se_mm
        assert_share_at_least(int((size <= one.error95_mm + room).sum()), TRIALS, 0.95)
        assert_share_at_most(int((size <= one.error95_mm - room).sum()), TRIALS, 0.95)
        spread = 4 * errors.std(axis=0) / np.sqrt(TRIALS)
        off = np.abs(errors.mean(axis=0) - one.form.mean_mm)
        assert (off < doubt + spread).all(), f"{one.feature}: {off} {doubt}"


class Stranger(Customer):
    """Each setting with another probe, one of those that the test leaves possible."""

    def __post_init__(self) -> None:
        super().__post_init__()
        earlier = single()
        shape, scatter = earlier.pretravel.curve, earlier.repeatability
        modes = np.array(shape.modes_mm)
        self.curves = np.array(shape.curve_mm) + self.rng.normal(size=(self.size, len(modes))) @ modes
        mean_u = earlier.expanded_mm("Mean pre-travel") / 1.96
        self.curves += earlier.pretravel.mean_mm + mean_u * self.rng.normal(size=(self.size, 1))
        dof = scatter.effective_dof
        sd = scatter.sd_mm * np.sqrt(dof / self.rng.chisquare(dof, self.size))
        self.probe, self.jitter_mm = replace(self.probe, sd_mm=sd), 0.0

    def late_mm(self, body_deg: np.ndarray) -> np.ndarray:
        grid = self.curves.shape[1]
        place = body_deg / 360 * grid
        low, row = np.floor(place).astype(int), np.arange(self.size)
        return self.curves[row, low % grid] * (1 - place + low) + self.curves[row, (low + 1) % grid] * (
            place - low
        )


@pytest.mark.simulation
@pytest.mark.parametrize("name", ["fixed, nothing calibrated", "random, radius by 3 touches"])
def test_95_of_100_settings_lie_within_over_all_that_the_test_leaves_open(name: str) -> None:
    # 200 curves stand for what is open: their standard error of a spread is 1 / sqrt(400), 5 %, of a part.
    shop = mill(**SETTINGS[name], runout_mm=0.0)
    for one in expect(single(), shop, FEATURES[::2], habits=False).features:
        feature = next(f for f in FEATURES if f.name == one.feature)
        errors = Stranger(STRAIGHT, shop, np.random.default_rng(7)).set_offset(feature)
        size = np.hypot.reduce(errors, axis=1)
        room = 0.04 * one.error95_mm
        assert_share_at_least(int((size <= one.error95_mm + room).sum()), TRIALS, 0.95)
        assert_share_at_most(int((size <= one.error95_mm - room).sum()), TRIALS, 0.95)


@pytest.mark.parametrize("name", SETTINGS)
def test_shares_sum_to_one(name: str) -> None:
    for one in expectation_to_dict(expect(turned(), mill(**SETTINGS[name]), trials=1000, habits=False))[
        "features"
    ]:
        assert sum(one["shares"].values()) == pytest.approx(1.0, abs=1e-9), one["feature"]
        assert not set(one["shares"]) & set(one["cancels"])


def test_mean_pretravel_of_the_probe_alone_is_that_of_the_test_less_the_mean_of_reversal() -> None:
    # The mean of (b/2)|cos| over a turn is b / pi; 24 directions see it 0.6 % smaller, 0.08 um here.
    quiet = replace(PROBE, sd_mm=2e-5, jitter_s=0.0)
    worn = Mill(reversal_mm=(0.025, 0.015), two_lobe_mm=0.003)
    run = simulate_turned(quiet, worn, PLAN, GOAL, rng=np.random.default_rng(1))
    found = read_back(replace(make_test(), frame=run.frame))
    truth = pretravel(quiet, FINE_DEG).mean() + PLAN.feed_mm_min / 60 * quiet.latency_s
    assert found.pretravel.mean_mm == pytest.approx(truth + 0.040 / np.pi, abs=2e-4)
    curve, remarks = probe_curve(found, mill())
    assert curve.mean_known
    assert curve.draws_mm.mean() == pytest.approx(truth, abs=4e-4)
    (said,) = (line for line in remarks if line.startswith("Mean pre-travel of the probe alone"))
    reversal = found.separation.reversal_mm
    assert f"alone {1000 * (found.pretravel.mean_mm - (reversal.x + reversal.y) / np.pi):.1f} ±" in said


@pytest.mark.parametrize("seed", [3, 4])
def test_mean_pretravel_of_the_probe_alone_covers_its_truth(seed: int) -> None:
    truth = pretravel(PROBE, FINE_DEG).mean() + PLAN.feed_mm_min / 60 * (PROBE.latency_s + PROBE.jitter_s / 2)
    curve, _ = probe_curve(turned(seed), mill())
    means = curve.draws_mm.mean(axis=1)
    assert abs(means.mean() - truth) < 3 * means.std()


# ---- closed forms of pure harmonics, all else 0 (derived in place), through the job

SIZE = 0.004
STILL = mill(
    reversal_x_mm=0.0, reversal_y_mm=0.0, resolution_mm=0.0, runout_mm=0.0, orientation_sd_deg=0.0,
    reference_u_mm=0.0, reference_centre_u_mm=0.0,
)  # fmt: skip
DEGREES = np.arange(360.0)


def made(order: int, phase_deg: float, *, first_deg: float = 0.0) -> EarlierResult:
    """A result with one wave for a curve, known without doubt, and next to no scatter."""
    azimuth = DEGREES + first_deg
    shape = {
        "azimuth_deg": list(azimuth),
        "curve_mm": list(SIZE * np.cos(order * np.deg2rad(azimuth - phase_deg))),
        "curve_u_mm": [0.0] * 360,
        "modes_mm": [[0.0] * 360],
    }
    plain = single().model_dump(mode="json", by_alias=True)
    plain["pretravel"] |= {"curve": shape, "mean_mm": None}
    plain["repeatability"] |= {"sd_mm": 1e-9, "lower_mm": 1e-10, "upper_mm": 1e-8}
    return EarlierResult.model_validate(plain)


def errors_of(earlier: EarlierResult, *features: Feature, shop: MillSettings = STILL):
    found = expect(earlier, shop, features, habits=False, trials=1000).features
    return [(one.error95_mm, np.array(one.form.mean_mm)) for one in found]


@pytest.mark.parametrize("phase", [0.0, 11.0, 30.0, 47.5, 90.0, 119.0])
@pytest.mark.parametrize("first", [0.0, 217.0, 123.5, -359.5])
def test_what_cycles_make_of_three_lobes(phase: float, first: float) -> None:
    found = errors_of(
        made(3, phase, first_deg=first), edge(37.0), web_centre(90.0), web_width(),
        bore_centre(4), bore_diameter(4), bore_centre(3), bore_diameter(3), bore_centre(5), bore_diameter(5),
        corner(),
    )  # fmt: skip
    angle, start = 3 * np.deg2rad(np.array([0.0, 37.0, 90.0]) - phase), 3 * np.deg2rad(phase)
    at_0, at_37, at_90 = SIZE * np.cos(angle)
    expected = [
        [at_37], [at_90], [0.0], [SIZE * np.cos(start), -SIZE * np.sin(start)], [0.0], [0.0, 0.0], [2 * at_0],
        [0.0, 0.0], [0.0], [at_0, at_90],
    ]  # fmt: skip
    # Between the points of a curve it is read linearly: (3 deg)**2 / 8 is 0.034 % of the wave.
    for (error95, mean), values in zip(found, expected, strict=True):
        assert mean == pytest.approx(values, abs=1e-8 if first % 1 == 0 and phase % 1 == 0 else 0.001 * SIZE)
        assert error95 == pytest.approx(np.hypot.reduce(values), abs=0.001 * SIZE)
    assert found[3][0] == pytest.approx(SIZE, rel=1e-3)  # length A, whatever the arms


def test_what_cancels_and_what_does_not() -> None:
    six = made(6, 0.0)
    assert errors_of(six, bore_diameter(6))[0][0] == pytest.approx(2 * SIZE, abs=1e-7)
    assert errors_of(six, bore_centre(4), web_centre())[0][0] == pytest.approx(0.0, abs=1e-7)
    assert errors_of(made(4, 0.0), bore_diameter(4))[0][1] == pytest.approx([2 * SIZE], abs=1e-9)
    worn = mill(**STILL.model_dump() | {"reversal_x_mm": 0.02, "reversal_y_mm": 0.01})
    found = errors_of(made(3, 30.0), pocket_width(), bore_centre(4), edge(0.0), edge(90.0), shop=worn)
    means = np.concatenate([mean for _, mean in found])
    assert means == pytest.approx([0.02, 0.0, -SIZE, 0.01, 0.005 - SIZE], abs=1e-9)
