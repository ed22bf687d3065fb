"""Errors of a work offset drawn at random: published and exact quantiles, closed form, a probed bore."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share

from probetest.errors import StatisticsError
from probetest.jobs.expect import work_features
from probetest.statistics.approach import unit_vectors
from probetest.statistics.seat import seat_shape
from probetest.statistics.setting import closed_form, expect_feature
from probetest.statistics.setting_chance import draw_errors, error95, look_up, moments
from probetest.statistics.setting_cycles import (
    Feature,
    ProbeCurve,
    Shop,
    bore_centre,
    bore_diameter,
    boss_centre,
    boss_diameter,
    corner,
    cycle_of,
    edge,
    faces,
    height,
    pocket_centre,
    pocket_width,
    web_centre,
    web_width,
)

GRID = np.arange(360.0)
FLAT = ProbeCurve(np.zeros((1, 360)), 0.0)
STILL = Shop(return_one_way=True)


def uncertain_seat(draws: int = 100) -> ProbeCurve:
    """A three-arm seat of uncertain size and arm azimuth, off the axis by a known distance."""
    rng = np.random.default_rng(11)
    sizes, arms = 0.01 * (1 + 0.1 * rng.standard_normal(draws)), 17 + 2 * rng.standard_normal(draws)
    curves = np.array([size * seat_shape(GRID, arm) for size, arm in zip(sizes, arms, strict=True)])
    return ProbeCurve(curves, 0.0008, 20, runout_mm=0.006)


# ---- exact quantiles


def test_four_rectangular_inputs_of_unit_variance() -> None:
    """JCGM 101:2008, 9.2.3: +-3.88 (from memory, recomputed: the tail is (4 - x)**4 / 24)."""
    exact = 2 * np.sqrt(3) * (2 - (24 * 0.025) ** 0.25)
    assert round(exact, 2) == 3.88
    # Half of each of four roundings makes the diameter, so a step of 4 sqrt(3) has unit variance.
    found = expect_feature(FLAT, replace(STILL, step_mm=4 * np.sqrt(3)), bore_diameter(4), 200_000)
    assert found.form.sd_mm[0] == pytest.approx(2.0)
    assert found.range95_mm.upper == pytest.approx(exact, abs=4 * found.error95_se_mm)
    assert found.range95_mm.lower == pytest.approx(-exact, abs=4 * found.error95_se_mm)
    assert found.error95_mm == pytest.approx(exact, abs=4 * found.error95_se_mm)


def test_four_normal_inputs_of_unit_variance() -> None:
    """JCGM 101:2008, 9.2.2: +-3.92 (from memory, recomputed)."""
    found = expect_feature(replace(FLAT, sd_mm=2.0), STILL, bore_diameter(4), 200_000)
    assert found.error95_mm == pytest.approx(2 * stats.norm.ppf(0.975), abs=4 * found.error95_se_mm)
    assert round(2 * stats.norm.ppf(0.975), 2) == 3.92


@pytest.mark.parametrize("dof", [3.0, 6.0, 40.0])
def test_an_estimated_scatter_has_the_tails_of_student(dof: float) -> None:
    found = expect_feature(replace(FLAT, sd_mm=0.001, dof=dof), replace(STILL, repeats=2), edge(0.0), 200_000)
    exact = 0.001 / np.sqrt(2) * stats.t.ppf(0.975, dof)
    assert found.error95_mm == pytest.approx(exact, abs=4 * found.error95_se_mm)
    assert found.form.sd_mm[0] == pytest.approx(0.001 / np.sqrt(2) * stats.t.std(dof))


@pytest.mark.parametrize(("dof", "touches"), [(np.inf, 4), (8.0, 3), (30.0, 6)])
def test_the_length_of_a_scattered_centre(dof: float, touches: int) -> None:
    """Rayleigh for a known scatter, the root of twice an F for an estimated one."""
    found = expect_feature(replace(FLAT, sd_mm=0.001, dof=dof), STILL, boss_centre(touches), 200_000)
    square = stats.chi2.ppf(0.95, 2) if np.isinf(dof) else 2 * stats.f.ppf(0.95, 2, dof)
    exact = 0.001 * np.sqrt(2 / touches * square)
    assert found.error95_mm == pytest.approx(exact, abs=4 * found.error95_se_mm)
    assert found.range95_mm is None


@pytest.mark.parametrize("orientation", ["fixed", "random"])
def test_run_out_at_an_unknown_azimuth_follows_the_arcsine_law(orientation: str) -> None:
    shop = replace(STILL, orientation=orientation)
    found = expect_feature(replace(FLAT, runout_mm=0.01), shop, edge(20.0), 200_000)
    assert found.error95_mm == pytest.approx(0.01 * np.sin(0.95 * np.pi / 2), abs=4 * found.error95_se_mm)


def test_a_return_move_is_all_or_nothing() -> None:
    found = expect_feature(FLAT, Shop((0.02, 0.03)), web_centre())
    assert (found.error95_mm, found.error95_se_mm) == pytest.approx((0.01, 0.0))
    assert (found.range95_mm.lower, found.range95_mm.upper) == pytest.approx((-0.01, 0.01))
    both = expect_feature(FLAT, Shop((0.02, 0.03)), bore_centre(4))
    assert both.error95_mm == pytest.approx(np.hypot(0.01, 0.015))


def test_nothing_left_to_chance_gives_the_closed_form() -> None:
    curve = ProbeCurve(0.01 * seat_shape(GRID, 17.0)[None, :], 0.0, runout_mm=0.004, runout_azimuth_deg=70.0)
    shop = Shop((0.02, 0.03), calibration="radius", calibration_touches=3, return_one_way=True)
    for feature in (*work_features(4), web_centre(same_side=True), boss_diameter(6, 3.0, same_side=True)):
        errors = draw_errors(cycle_of(feature), curve, shop, 10)
        mean = closed_form(curve, shop, feature).mean_mm
        assert errors == pytest.approx(np.tile(mean, (10, 1)), abs=1e-15)


# ---- closed form against random draws


SHOPS = {
    "fixed": Shop((0.012, 0.02), 0.001, "fixed", 0.8, repeats=2),
    "fixed, radius": Shop((0.012, 0.02), 0.001, "fixed", 3.0, calibration="radius", reference_u_mm=0.001),
    "random": Shop((0.012, 0.02), 0.001, "random", 3.0),
    "random, radius": Shop(step_mm=0.002, orientation="random", calibration="radius", calibration_touches=3),
    "random, each": Shop(
        (0.012, 0.02), 0.001, "random", 2.0, 1, "per_direction",
        reference_u_mm=0.001, reference_centre_u_mm=0.002, return_one_way=True,
    ),
    "fixed, each": Shop((0.012, 0.02), 0.001, "fixed", 2.0, 1, "per_direction", calibration_repeats=2),
}  # fmt: skip

FEATURES = [
    edge(0.0),
    edge(33.0),
    web_centre(90.0),
    pocket_centre(0.0, same_side=True),
    web_width(0.0, same_side=True),
    pocket_width(90.0),
    bore_centre(4, same_side=True),
    boss_centre(3, 10.0),
    bore_diameter(3),
    boss_diameter(5),
    corner(0.0, 270.0),
    height(),
]


@pytest.mark.simulation
@pytest.mark.parametrize("known_azimuth", [None, 40.0])
@pytest.mark.parametrize("shop", SHOPS.values(), ids=SHOPS)
def test_random_draws_agree_with_the_closed_form(shop: Shop, known_azimuth: float | None) -> None:
    """Mean and mean square within 4.5 standard errors of 40,000 draws, for all features."""
    curve = replace(uncertain_seat(), runout_azimuth_deg=known_azimuth, z_pretravel_mm=0.0005)
    for feature in FEATURES:
        errors = draw_errors(cycle_of(feature), curve, shop, 40_000)
        found = closed_form(curve, shop, feature)
        for component, error in enumerate(errors.T):
            of_mean = error.std() / np.sqrt(len(error))
            assert abs(error.mean() - found.mean_mm[component]) < 4.5 * of_mean, feature.name
            square = (error - found.mean_mm[component]) ** 2
            of_square = square.std() / np.sqrt(len(error))
            assert abs(square.mean() - found.sd_mm[component] ** 2) < 4.5 * of_square, feature.name


@pytest.mark.simulation
def test_the_standard_error_of_the_error_is_that_over_seeds() -> None:
    curve, shop = uncertain_seat(), SHOPS["fixed, radius"]
    for feature in (edge(0.0), bore_centre(4)):
        runs = [error95(draw_errors(cycle_of(feature), curve, shop, 2000, seed)) for seed in range(300)]
        values, stated = np.array(runs).T
        # The sd of 300 values is known to 4 % (normal), the stated errors scatter by far more.
        assert values.std() == pytest.approx(np.sqrt(np.mean(stated**2)), rel=0.2)


# ---- a probed bore and a probed block, touch by touch


def probed(
    rng: np.random.Generator,
    azimuth_deg: np.ndarray,
    turned: np.ndarray,
    curve: ProbeCurve,
    shop: Shop,
    settings: int,
) -> np.ndarray:
    """Trigger positions in a bore of radius 10 at (0, 0), ball radius 2, (settings, touches, 2).

    The ball meets the round wall where geometry has it; backlash and the step are in X and Y.
    """
    motion = unit_vectors(azimuth_deg)
    base = rng.uniform(0, 360, (settings, 1)) if shop.orientation == "random" else 0.0
    angle = base + 180.0 * turned + rng.normal(0, shop.orientation_sd_deg, (settings, 2))[:, turned]
    row = rng.integers(len(curve.draws_mm), size=(settings, 1))
    seen = np.mod(azimuth_deg - angle, 360.0)
    low = seen.astype(int)
    high_part = seen - low
    bending = (1 - high_part) * curve.draws_mm[row, low % 360] + high_part * curve.draws_mm[
        row, (low + 1) % 360
    ]
    towards = np.deg2rad(angle + rng.uniform(0, 360, (settings, 1)))
    ball = curve.runout_mm * np.stack([np.cos(towards), np.sin(towards)], axis=-1)
    along = (ball * motion).sum(axis=-1)
    # |d u + ball| = 8, solved for the way d along the motion.
    way = -along + np.sqrt(along**2 + 64.0 - (ball**2).sum(axis=-1))
    sd = curve.sd_mm * np.sqrt(curve.dof / rng.chisquare(curve.dof, (settings, 1)))
    way = way + bending + sd * rng.standard_normal(way.shape)
    side = np.where(np.abs(motion) < 1e-9, 0.0, np.sign(motion))
    position = way[..., None] * motion + side * np.array(shop.reversal_mm) / 2
    # Where the bore lies between two steps is chance as well.
    place = rng.uniform(-0.5, 0.5, (settings, 1, 2)) * shop.step_mm
    return np.round((position + place) / shop.step_mm) * shop.step_mm - place


def circles(points: np.ndarray) -> np.ndarray:
    """Centre and radius by Gauss-Newton on the distances, (settings, 3)."""
    found = np.zeros((len(points), 3))
    found[:, 2] = 8.0
    for _ in range(4):
        away = points - found[:, None, :2]
        distance = np.hypot(away[..., 0], away[..., 1])
        design = np.concatenate([away / distance[..., None], np.ones((*distance.shape, 1))], axis=-1)
        step = np.linalg.pinv(design) @ (distance - found[:, 2:])[..., None]
        found += step[..., 0]
    return found


@pytest.mark.simulation
@pytest.mark.parametrize("orientation", ["fixed", "random"])
@pytest.mark.parametrize(("touches", "same_side"), [(4, False), (4, True), (5, False)])
def test_probed_bores_are_off_by_what_is_stated(orientation: str, touches: int, same_side: bool) -> None:
    settings = 4000
    shop = Shop((0.02, 0.02), 0.001, orientation, 1.0, return_one_way=True)
    curve, feature = uncertain_seat(), bore_centre(touches, 0.0, same_side=same_side)
    rng = np.random.default_rng(touches + 10 * same_side)
    azimuth, turned = np.array(feature.azimuth_deg), cycle_of(feature).turned
    found = circles(probed(rng, azimuth, turned, curve, shop, settings))
    centre = expect_feature(curve, shop, feature, 100_000)
    off = np.hypot(found[:, 0], found[:, 1])
    assert_share(int((off <= centre.error95_mm).sum()), settings, 0.95)
    assert np.sqrt((off**2).mean()) == pytest.approx(centre.form.rms_mm, rel=0.05)
    size = expect_feature(curve, shop, bore_diameter(touches, 0.0, same_side=same_side), 100_000)
    wide = 2 * found[:, 2] - 16.0
    inside = (wide >= size.range95_mm.lower) & (wide <= size.range95_mm.upper)
    assert_share(int(inside.sum()), settings, 0.95)


def test_a_block_is_centred_far_better_than_its_edges_are_found() -> None:
    """Common practice, no source: opposite touches centre within 0.003 mm for faults of 0.025 mm each."""
    curve = replace(uncertain_seat(), runout_mm=0.025)
    shop = Shop((0.025, 0.025), 0.001, "fixed", 0.5, return_one_way=True)
    for azimuth in (0.0, 90.0):
        centred = expect_feature(curve, shop, web_centre(azimuth, same_side=True))
        assert centred.error95_mm + 3 * centred.error95_se_mm < 0.003
        assert {"reversal", "run-out", "lobing"} <= set(centred.form.cancelling)
    assert max(expect_feature(curve, shop, face).error95_mm for face in faces()) > 0.025
    # Without the turn of the spindle all of the run-out stays.
    assert expect_feature(curve, shop, web_centre()).error95_mm > 0.02


# ---- the machinery


def test_curves_are_read_all_around_the_turn() -> None:
    curves = np.array([np.arange(12.0), -np.arange(12.0)])
    azimuth = np.array([[0.0, 15.0, 345.0, 360.0, -30.0, -1e-17, 735.0]])
    expected = np.array([[0.0, 0.5, 5.5, 0.0, 11.0, 0.0, 0.5]])
    assert look_up(curves, azimuth)[0] == pytest.approx(expected)
    assert look_up(curves, azimuth, np.array([1])) == pytest.approx(-expected)


def test_the_same_question_has_the_same_answer() -> None:
    first, second = (expect_feature(uncertain_seat(), SHOPS["random"], bore_centre(4)) for _ in range(2))
    assert first == second


def test_more_trials_are_surer() -> None:
    few, many = (expect_feature(uncertain_seat(), SHOPS["fixed"], edge(0.0), n) for n in (2000, 50_000))
    assert many.error95_se_mm < few.error95_se_mm
    assert (few.trials, many.trials) == (2000, 50_000)
    assert few.form == many.form


def test_a_feature_is_quick() -> None:
    curve, cycle = uncertain_seat(200), cycle_of(bore_centre(8))
    started = time.process_time()
    draw_errors(cycle, curve, SHOPS["random"])
    moments(cycle, curve, SHOPS["random"])
    assert time.process_time() - started < 1.0


# ---- refusals


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"draws_mm": np.zeros(360)}, "shape"),
        ({"draws_mm": np.zeros((0, 360))}, "shape"),
        ({"draws_mm": np.zeros((2, 11))}, "at least 12 points"),
        ({"draws_mm": np.full((1, 360), np.nan)}, "finite"),
        ({"sd_mm": -0.001}, "sd_mm must be 0 or more, but got -0.001"),
        ({"sd_mm": float("inf")}, "sd_mm"),
        ({"runout_mm": -1.0}, "runout_mm"),
        ({"z_sd_mm": -1.0}, "z_sd_mm"),
        ({"z_pretravel_mm": float("nan")}, "z_pretravel_mm"),
        ({"runout_azimuth_deg": float("nan")}, "runout_azimuth_deg"),
        ({"dof": 2.0}, "more than 2 degrees of freedom"),
        ({"dof": float("nan")}, "more than 2 degrees of freedom"),
    ],
)
def test_impossible_probes_are_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        replace(FLAT, **change)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"step_mm": -1.0}, "step_mm"),
        ({"orientation_sd_deg": float("nan")}, "orientation_sd_deg"),
        ({"reference_u_mm": -1.0}, "reference_u_mm"),
        ({"reference_centre_u_mm": -1.0}, "reference_centre_u_mm"),
        ({"reversal_mm": (0.0, float("nan"))}, "reversal_mm"),
        ({"calibration_start_deg": float("inf")}, "calibration_start_deg"),
        ({"orientation": "loose"}, "orientation must be"),
        ({"calibration": "some"}, "calibration must be"),
        ({"repeats": 0}, "at least one touch"),
        ({"calibration_repeats": 0}, "at least one touch"),
        ({"calibration_touches": 2}, "at least 3 directions"),
    ],
)
def test_impossible_shops_are_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        replace(Shop(), **change)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: bore_centre(2), "at least 3 touches"),
        (lambda: bore_centre(5, same_side=True), "pairs of opposite touches"),
        (lambda: replace(edge(0.0), same_side=True), "pairs of opposite touches"),
        (lambda: replace(corner(0.0, 180.0), same_side=True), "pairs of opposite touches"),
        (lambda: Feature("web", "centre", (0.0,)), "1 touches"),
        (lambda: Feature("edge", "edge", (0.0, 180.0)), "2 touches"),
        (lambda: edge(float("nan")), "direction of motion"),
        (lambda: cycle_of(corner(0.0, 183.0)), "nearly parallel"),
        (lambda: cycle_of(Feature("web", "size", (0.0, 170.0))), "must be opposite"),
        (lambda: cycle_of(Feature("arc", "centre", (0.0, 1.0, 2.0))), "spread them over the turn"),
        (lambda: expect_feature(FLAT, Shop(), edge(0.0), 999), "at least 1000 trials"),
    ],
)
def test_impossible_features_are_refused(make: object, message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        make()
