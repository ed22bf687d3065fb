"""Errors of a work offset in closed form: what each cycle makes of pre-travel, reversal and run-out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from uncertainties import ufloat, umath

from probetest.simulate import Mill, Plan, Probe, pretravel, simulate
from probetest.statistics.approach import unit_vectors
from probetest.statistics.seat import seat_shape
from probetest.statistics.setting import closed_form
from probetest.statistics.setting_chance import CAUSES
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

GRID = np.arange(0.0, 360.0, 0.5)
STARTS = (0.0, 7.0, 13.5, 30.0, 52.0, 90.0)
STILL = Shop(return_one_way=True)
SIZE = 0.004


def known(curve: np.ndarray, **others: object) -> ProbeCurve:
    return ProbeCurve(curve[None, :], **{"sd_mm": 0.0, **others})


def lobe(start_deg: float = 0.0, order: int = 3, size: float = SIZE) -> ProbeCurve:
    return known(size * np.cos(order * np.deg2rad(GRID - start_deg)))


FLAT = known(np.zeros(360))


def mean_of(curve: ProbeCurve, feature: Feature, shop: Shop = STILL) -> np.ndarray:
    return np.array(closed_form(curve, shop, feature).mean_mm)


def effects(curve: ProbeCurve, shop: Shop, feature: Feature) -> dict[str, str]:
    return {cause.name: cause.effect for cause in closed_form(curve, shop, feature).causes}


# ---- pure third harmonic (closed forms derived in the tests themselves)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("azimuth", [0.0, 90.0, 180.0, 270.0, 37.0])
def test_an_edge_reads_the_curve(start: float, azimuth: float) -> None:
    expected = SIZE * np.cos(3 * np.deg2rad(azimuth - start))
    assert mean_of(lobe(start), edge(azimuth)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("make", [web_centre, pocket_centre])
def test_opposite_touches_do_not_cancel_the_third_harmonic_of_a_centre(start: float, make: object) -> None:
    assert mean_of(lobe(start), make(0.0)) == pytest.approx(SIZE * np.cos(3 * np.deg2rad(start)), abs=1e-12)


@pytest.mark.parametrize("order", [2, 4, 6, 12])
def test_opposite_touches_cancel_even_harmonics_of_a_centre(order: int) -> None:
    curve = lobe(7.0, order)
    assert effects(curve, STILL, web_centre(90.0))["lobing"] == "cancels"
    twice = 2 * SIZE * np.cos(order * np.deg2rad(90.0 - 7.0))
    assert mean_of(curve, pocket_width(90.0)) == pytest.approx(twice, abs=1e-12)
    assert mean_of(curve, web_width(90.0)) == pytest.approx(-twice, abs=1e-12)


@pytest.mark.parametrize("make", [web_width, pocket_width])
def test_a_width_is_free_of_the_third_harmonic(make: object) -> None:
    assert effects(lobe(7.0), STILL, make())["lobing"] == "cancels"


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("make", [bore_centre, boss_centre])
def test_the_centre_by_four_touches_is_off_by_all_of_the_third_harmonic(start: float, make: object) -> None:
    angle = 3 * np.deg2rad(start)
    found = closed_form(lobe(start), STILL, make(4))
    assert found.mean_mm == pytest.approx((SIZE * np.cos(angle), -SIZE * np.sin(angle)), abs=1e-12)
    assert found.rms_mm == pytest.approx(SIZE, abs=1e-12)


@pytest.mark.parametrize("make", [bore_diameter, boss_diameter])
def test_the_diameter_by_four_touches_is_free_of_the_third_harmonic(make: object) -> None:
    assert effects(lobe(7.0), STILL, make(4))["lobing"] == "cancels"


@pytest.mark.parametrize("start", STARTS)
def test_three_touches_put_the_third_harmonic_into_the_diameter(start: float) -> None:
    twice = 2 * SIZE * np.cos(3 * np.deg2rad(20.0 - start))
    assert effects(lobe(start), STILL, bore_centre(3, 20.0))["lobing"] == "cancels"
    assert mean_of(lobe(start), bore_diameter(3, 20.0)) == pytest.approx(twice, abs=1e-12)
    assert mean_of(lobe(start), boss_diameter(3, 20.0)) == pytest.approx(-twice, abs=1e-12)


@pytest.mark.parametrize("touches", [5, 6, 8, 9, 10, 12])
@pytest.mark.parametrize("make", [bore_centre, boss_centre, bore_diameter, boss_diameter])
def test_five_and_more_touches_are_free_of_the_third_harmonic(touches: int, make: object) -> None:
    assert effects(lobe(7.0), STILL, make(touches, 10.0))["lobing"] == "cancels"


def test_a_circle_sees_orders_beside_its_number_of_touches() -> None:
    for touches in (5, 6, 8):
        for order in range(2, 13):
            centre = effects(lobe(7.0, order), STILL, bore_centre(touches))["lobing"]
            assert (centre == "adds") == (order % touches in (1, touches - 1)), (touches, order)
            size = effects(lobe(7.0, order), STILL, bore_diameter(touches))["lobing"]
            assert (size == "adds") == (order % touches == 0), (touches, order)


def test_six_touches_put_the_sixth_harmonic_into_the_diameter() -> None:
    twice = 2 * SIZE * np.cos(6 * np.deg2rad(-7.0))
    assert mean_of(lobe(7.0, 6), bore_diameter(6)) == pytest.approx(twice, abs=1e-12)


def test_a_corner_is_two_edges() -> None:
    curve = lobe(13.5)
    expected = [mean_of(curve, edge(0.0))[0], -mean_of(curve, edge(270.0))[0]]
    assert mean_of(curve, corner(0.0, 270.0)) == pytest.approx(expected, abs=1e-12)


def test_an_oblique_corner_is_where_both_edges_meet() -> None:
    curve, azimuths = lobe(13.5), (20.0, 75.0)
    off = mean_of(curve, corner(*azimuths))
    for azimuth in azimuths:
        along = float(unit_vectors([azimuth])[0] @ off)
        assert along == pytest.approx(mean_of(curve, edge(azimuth))[0], abs=1e-12)


def test_a_height_has_no_lobing_reversal_or_run_out() -> None:
    curve = replace(lobe(), z_pretravel_mm=0.0004, runout_mm=0.01, z_sd_mm=0.0002, sd_mm=0.9)
    found = closed_form(curve, Shop((0.02, 0.02)), height())
    assert found.mean_mm == (0.0004,)
    assert found.sd_mm == pytest.approx((0.0002,))
    assert found.adding == ("mean pre-travel", "scatter")
    corrected = closed_form(curve, Shop(calibration="per_direction", calibration_repeats=4), height())
    assert corrected.mean_mm == (0.0,)
    assert corrected.sd_mm[0] == pytest.approx(0.0002 * np.sqrt(1.25))


# ---- the whole curve of a three-arm seat (closed forms of 1 / max cos)


def seat(arm_deg: float) -> ProbeCurve:
    return known(seat_shape(GRID, arm_deg))


def test_four_touches_with_a_three_arm_seat() -> None:
    arms = np.arange(0.0, 120.0, 0.5)
    off = [closed_form(seat(arm), STILL, bore_centre(4)).rms_mm for arm in arms]
    radius = [mean_of(seat(arm), bore_diameter(4))[0] / 2 for arm in arms]
    assert (min(off), max(off)) == pytest.approx((2 - np.sqrt(3), 0.5), abs=1e-12)
    # sqrt(3/2) midway; (1 + 2 + 4/sqrt 3) / 4 with an arm along an axis.
    assert (min(radius), max(radius)) == pytest.approx((np.sqrt(1.5), (3 + 4 / np.sqrt(3)) / 4), abs=1e-12)


def test_the_middle_of_a_web_is_off_by_half_the_difference_of_opposite_directions() -> None:
    for arm in (0.0, 11.0, 45.0):
        first, second = seat_shape([0.0, 180.0], arm)
        assert mean_of(seat(arm), web_centre())[0] == pytest.approx((first - second) / 2, abs=1e-12)
        assert mean_of(seat(arm), pocket_width())[0] == pytest.approx(first + second, abs=1e-12)


# ---- reversal, run-out, same-side touch


def test_reversal_adds_to_widths_and_cancels_in_centres() -> None:
    shop = Shop((0.02, 0.03), return_one_way=True)
    for make in (web_centre, pocket_centre):
        assert effects(FLAT, shop, make(0.0))["reversal"] == "cancels"
        assert effects(FLAT, shop, make(90.0))["reversal"] == "cancels"
    assert mean_of(FLAT, pocket_width(0.0), shop) == pytest.approx(0.02)
    assert mean_of(FLAT, web_width(0.0), shop) == pytest.approx(-0.02)
    assert mean_of(FLAT, pocket_width(90.0), shop) == pytest.approx(0.03)
    assert mean_of(FLAT, bore_diameter(4), shop) == pytest.approx(0.025)
    assert effects(FLAT, shop, bore_centre(4))["reversal"] == "cancels"
    for face, half in zip(faces(), (0.01, 0.01, 0.015, 0.015), strict=True):
        assert mean_of(FLAT, face, shop) == pytest.approx(half)


def test_a_return_from_either_side_adds_half_the_reversal() -> None:
    shop = Shop((0.02, 0.03))
    for feature, halves in [(web_centre(0.0), [0.01]), (web_centre(90.0), [0.015])]:
        assert closed_form(FLAT, shop, feature).sd_mm == pytest.approx(halves)
    assert closed_form(FLAT, shop, bore_centre(4)).sd_mm == pytest.approx((0.01, 0.015))
    assert effects(FLAT, shop, web_width())["return move"] == "absent"


def test_the_centre_shifts_by_all_of_the_run_out() -> None:
    curve = replace(FLAT, runout_mm=0.01, runout_azimuth_deg=30.0)
    ball = 0.01 * unit_vectors([30.0])[0]
    for feature in (bore_centre(4), boss_centre(4), bore_centre(3, 11.0), boss_centre(7), corner()):
        assert mean_of(curve, feature) == pytest.approx(-ball, abs=1e-15)
    assert mean_of(curve, web_centre(90.0)) == pytest.approx(-ball[1], abs=1e-15)
    for feature in (bore_diameter(4), web_width(), boss_diameter(3)):
        assert effects(curve, STILL, feature)["run-out"] == "cancels"


@pytest.mark.parametrize("orientation", ["fixed", "random"])
def test_an_unknown_azimuth_of_the_run_out_is_spread_over_the_turn(orientation: str) -> None:
    shop = replace(STILL, orientation=orientation)
    found = closed_form(replace(FLAT, runout_mm=0.01), shop, bore_centre(4))
    assert found.mean_mm == pytest.approx((0.0, 0.0), abs=1e-15)
    assert found.sd_mm == pytest.approx((0.01 / np.sqrt(2),) * 2)
    assert found.rms_mm == pytest.approx(0.01)


@pytest.mark.parametrize("orientation", ["fixed", "random"])
@pytest.mark.parametrize(
    "make", [web_centre, lambda **how: bore_centre(4, 20.0, **how), lambda **how: boss_centre(6, **how)]
)
def test_a_same_side_touch_frees_a_centre_of_pre_travel_and_run_out(orientation: str, make: object) -> None:
    curve = replace(seat(17.0), runout_mm=0.3, runout_azimuth_deg=40.0)
    found = effects(curve, replace(STILL, orientation=orientation), make(same_side=True))
    assert (found["lobing"], found["mean pre-travel"], found["run-out"]) == ("cancels",) * 3


def test_a_same_side_touch_adds_pre_travel_and_run_out_in_the_width() -> None:
    curve = replace(seat(17.0), runout_mm=0.3, runout_azimuth_deg=40.0)
    one = seat_shape([90.0], 17.0)[0] - 0.3 * np.sin(np.deg2rad(40.0))
    assert mean_of(curve, pocket_width(90.0, same_side=True)) == pytest.approx(2 * one)
    assert mean_of(curve, web_width(90.0, same_side=True)) == pytest.approx(-2 * one)


# ---- calibration


def test_an_effective_radius_takes_the_mean_pre_travel_off() -> None:
    curve = known(SIZE * np.cos(3 * np.deg2rad(GRID - 7.0)) + 0.02)
    shop = replace(STILL, calibration="radius")
    for azimuth in (0.0, 90.0, 212.0):
        assert mean_of(curve, edge(azimuth), shop) == pytest.approx(mean_of(lobe(7.0), edge(azimuth)))
    assert effects(curve, shop, edge(0.0))["mean pre-travel"] == "cancels"
    assert mean_of(curve, pocket_width(), shop) == pytest.approx(0.0, abs=1e-12)


def test_three_directions_of_a_calibration_take_lobing_into_the_radius() -> None:
    shop = replace(STILL, calibration="radius", calibration_touches=3, calibration_start_deg=20.0)
    wrong = SIZE * np.cos(3 * np.deg2rad(20.0 - 7.0))
    assert mean_of(lobe(7.0), web_width(), shop) == pytest.approx(2 * wrong, abs=1e-12)


def test_a_calibration_on_the_machine_takes_the_mean_reversal_off() -> None:
    shop = Shop((0.02, 0.03), calibration="radius", return_one_way=True)
    assert mean_of(FLAT, edge(0.0), shop) == pytest.approx(0.01 - 0.0125)
    assert mean_of(FLAT, edge(270.0), shop) == pytest.approx(0.015 - 0.0125)
    assert mean_of(FLAT, bore_diameter(4), shop) == pytest.approx(0.0, abs=1e-15)


def test_a_correction_by_direction_leaves_nothing_but_chance() -> None:
    curve = replace(seat(17.0), runout_mm=0.3, runout_azimuth_deg=40.0, sd_mm=0.002)
    shop = Shop((0.02, 0.03), calibration="per_direction", calibration_repeats=4, return_one_way=True)
    for feature in (*faces(), web_centre(), pocket_width(), bore_centre(4), boss_diameter(3), corner()):
        found = closed_form(curve, shop, feature)
        assert found.mean_mm == pytest.approx((0.0,) * len(found.mean_mm), abs=1e-12)
        assert found.adding == ("scatter", "calibration")
    assert closed_form(curve, shop, edge(0.0)).sd_mm[0] == pytest.approx(0.002 * np.sqrt(1 + 1 / 4))


def test_a_correction_at_the_mark_is_wrong_on_the_other_side_of_the_probe() -> None:
    shop = replace(STILL, calibration="per_direction")
    # The second touch meets the side of 0 deg, but the pre-travel of 180 deg is taken off.
    expected = -(seat_shape([0.0], 17.0) - seat_shape([180.0], 17.0)) / 2
    assert mean_of(seat(17.0), web_centre(same_side=True), shop) == pytest.approx(expected)


def test_the_reference_brings_its_own_uncertainty() -> None:
    shop = Shop(reference_u_mm=0.001, reference_centre_u_mm=0.002, return_one_way=True)
    radius, each = replace(shop, calibration="radius"), replace(shop, calibration="per_direction")
    assert closed_form(FLAT, radius, web_width()).sd_mm == pytest.approx((0.002,))
    assert closed_form(FLAT, each, web_width()).sd_mm == pytest.approx((0.002,))
    assert closed_form(FLAT, radius, web_centre()).sd_mm == pytest.approx((0.0,))
    assert closed_form(FLAT, each, web_centre()).sd_mm == pytest.approx((0.002,))
    assert closed_form(FLAT, each, boss_centre(4)).sd_mm == pytest.approx((0.002, 0.002))
    assert closed_form(FLAT, each, edge(20.0)).sd_mm == pytest.approx((np.hypot(0.001, 0.002),))
    assert closed_form(FLAT, shop, web_width()).sd_mm == (0.0,)


# ---- orientation


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("sd_deg", [0.05, 2.0, 8.0])
def test_scatter_of_the_orientation(start: float, sd_deg: float) -> None:
    # cos(x + s z), z standard normal: mean exp(-s**2 / 2) cos x, mean square (1 + exp(-2 s**2) cos 2x) / 2.
    x, s = -3 * np.deg2rad(start), 3 * np.deg2rad(sd_deg)
    mean, square = np.exp(-(s**2) / 2) * np.cos(x), (1 + np.exp(-2 * s**2) * np.cos(2 * x)) / 2
    found = closed_form(lobe(start), replace(STILL, orientation_sd_deg=sd_deg), edge(0.0))
    assert found.mean_mm[0] == pytest.approx(SIZE * mean, abs=2e-4 * SIZE)
    assert found.sd_mm[0] == pytest.approx(SIZE * np.sqrt(square - mean**2), abs=0.01 * SIZE * s)


def test_a_degree_moves_the_steepest_place_by_five_percent() -> None:
    found = closed_form(lobe(30.0, size=1.0), replace(STILL, orientation_sd_deg=1.0), edge(0.0))
    assert found.sd_mm[0] == pytest.approx(3 * np.deg2rad(1.0), rel=0.005)


def test_a_degree_moves_the_cusp_by_its_slope() -> None:
    fine = known(seat_shape(np.arange(0.0, 360.0, 0.05), 0.0))
    found = closed_form(fine, replace(STILL, orientation_sd_deg=0.2), edge(0.0))
    (cause,) = (cause for cause in found.causes if cause.name == "orientation")
    # Slope of 1 / cos at 60 deg, on both sides of the cusp.
    assert cause.rms_mm == pytest.approx(2 * np.sqrt(3) * np.deg2rad(0.2), rel=0.02)
    assert cause.mean_mm[0] == pytest.approx(-2 * np.sqrt(3) * np.deg2rad(0.2) * np.sqrt(2 / np.pi), rel=0.02)


def test_a_random_orientation_spreads_the_curve_over_the_turn() -> None:
    found = closed_form(seat(17.0), replace(STILL, orientation="random"), edge(33.0))
    # Mean square of 1 / cos over an arm's sixth of the turn: tan(60 deg) / (pi / 3).
    mean = 3 / np.pi * np.log(2 + np.sqrt(3))
    assert found.mean_mm[0] == pytest.approx(mean, rel=1e-4)
    assert found.rms_mm == pytest.approx(np.sqrt(3 * np.sqrt(3) / np.pi), rel=1e-4)


@pytest.mark.parametrize("sd_deg", [0.3, 4.0])
def test_a_same_side_touch_leaves_the_scatter_of_two_turns(sd_deg: float) -> None:
    s = 3 * np.sqrt(2) * np.deg2rad(sd_deg)
    shop = replace(STILL, orientation="random", orientation_sd_deg=sd_deg)
    found = closed_form(lobe(7.0), shop, web_centre(same_side=True))
    assert found.sd_mm[0] == pytest.approx(SIZE / 2 * np.sqrt(1 - np.exp(-(s**2) / 2)), rel=1e-3)
    assert found.adding == ("orientation",)


# ---- shares


def test_shares_are_mean_products_and_sum_to_one() -> None:
    curve = replace(known(np.full(360, 0.03)), sd_mm=0.004)
    found = closed_form(curve, Shop((0.02, 0.0), return_one_way=True), edge(0.0))
    share = {cause.name: cause.share for cause in found.causes}
    square = 0.04**2 + 0.004**2
    assert share["mean pre-travel"] == pytest.approx(0.03 * 0.04 / square)
    assert share["reversal"] == pytest.approx(0.01 * 0.04 / square)
    assert share["scatter"] == pytest.approx(0.004**2 / square)
    assert sum(share.values()) == pytest.approx(1.0)
    assert found.adding == ("mean pre-travel", "reversal", "scatter")
    assert tuple(share) == CAUSES


def test_a_cause_that_offsets_another_has_a_negative_share() -> None:
    curve = lobe(60.0, size=0.004)
    found = closed_form(curve, Shop((0.02, 0.0), return_one_way=True), edge(0.0))
    share = {cause.name: cause.share for cause in found.causes}
    assert share["lobing"] == pytest.approx(-0.004 / 0.006)
    assert share["reversal"] == pytest.approx(0.01 / 0.006)


def test_no_error_has_no_shares() -> None:
    found = closed_form(lobe(7.0), STILL, bore_centre(5))
    assert (found.rms_mm, {cause.share for cause in found.causes}) == (0.0, {0.0})
    assert (found.adding, found.cancelling) == ((), ("lobing",))


def test_an_uncertain_curve_is_an_uncertain_error() -> None:
    rng = np.random.default_rng(3)
    draws = 0.01 + 0.001 * rng.standard_normal((50, 36))
    found = closed_form(ProbeCurve(draws, 0.0), STILL, edge(90.0))
    assert found.mean_mm[0] == pytest.approx(draws[:, 9].mean())
    assert found.sd_mm[0] == pytest.approx(draws[:, 9].std())


@pytest.mark.parametrize(("feature", "left_out"), [(edge(0.0), True), (web_width(), True), (corner(), True)])
def test_an_unknown_mean_is_left_out_and_said(feature: Feature, left_out: bool) -> None:
    curve = replace(known(seat_shape(GRID, 17.0)), mean_known=False)
    centred = replace(curve, draws_mm=curve.draws_mm - curve.draws_mm.mean())
    found = closed_form(curve, STILL, feature)
    assert found.mean_left_out is left_out
    assert found.mean_mm == pytest.approx(closed_form(centred, STILL, feature).mean_mm)
    assert not closed_form(curve, replace(STILL, calibration="radius"), feature).mean_left_out
    assert not closed_form(replace(curve, mean_known=True), STILL, feature).mean_left_out


def test_centres_do_not_need_the_mean() -> None:
    curve = replace(seat(17.0), mean_known=False)
    for feature in (web_centre(), bore_centre(4), boss_centre(3)):
        assert not closed_form(curve, STILL, feature).mean_left_out
        assert mean_of(curve, feature) == pytest.approx(mean_of(seat(17.0), feature), abs=1e-12)


# ---- outside oracles


@pytest.mark.parametrize("inward", [False, True])
@pytest.mark.parametrize("azimuths", [(0, 90, 180, 270), (5, 125, 245), (0, 40, 100, 170, 300), (0, 30, 200)])
def test_weights_are_those_of_a_least_squares_circle(azimuths: tuple[float, ...], inward: bool) -> None:
    """Oracle: scipy's nonlinear least squares on the distances of the points from the centre."""
    feature = Feature("circle", "centre", tuple(map(float, azimuths)), inward)
    motion = unit_vectors(azimuths)
    tau = 1e-4 * np.random.default_rng(4).standard_normal(len(azimuths))
    points = (-10.0 if inward else 10.0) * motion + tau[:, None] * motion
    found = least_squares(
        lambda x: np.hypot(*(points - x[:2]).T) - x[2], [0.0, 0.0, 10.0], xtol=1e-15, ftol=1e-15, gtol=1e-15
    ).x
    assert cycle_of(feature).weights @ tau == pytest.approx(found[:2], abs=1e-8)
    diameter = cycle_of(replace(feature, kind="size")).weights @ tau
    assert diameter == pytest.approx(2 * (found[2:] - 10.0), abs=2e-8)


@pytest.mark.parametrize("calibration", ["none", "radius", "per_direction"])
@pytest.mark.parametrize("feature", [edge(90.0), web_centre(), pocket_width(90.0), bore_diameter(3, 20.0)])
def test_the_uncertainties_library_agrees(calibration: str, feature: Feature) -> None:
    """Oracle: linear propagation through the model written out, with shared inputs."""
    sd, step, d_deg, start = 0.0008, 0.001, 0.05, 13.5
    shop = Shop(
        (0.02, 0.03), step, "fixed", d_deg, 2, calibration, calibration_repeats=3, reference_u_mm=0.0005
    )
    curve = replace(lobe(start), sd_mm=sd)
    angle, at_calibration = (ufloat(0, np.deg2rad(d_deg)) for _ in range(2))
    reference = ufloat(0, 0.0005)

    def tau(azimuth_deg: float, turn: object, touches: int) -> object:
        azimuth = np.deg2rad(azimuth_deg)
        bending = SIZE * umath.cos(3 * (azimuth - np.deg2rad(start) - turn))
        reversal = 0.01 * abs(np.cos(azimuth)) + 0.015 * abs(np.sin(azimuth))
        return bending + reversal + ufloat(0, sd / np.sqrt(touches)) + ufloat(0, step / np.sqrt(12))

    taken = 0.0
    if calibration == "radius":
        taken = sum(tau(90.0 * k, at_calibration, 3) for k in range(4)) / 4 + reference
    cycle = cycle_of(feature)
    error = 0.0
    for weight, azimuth in zip(cycle.weights[0], feature.azimuth_deg, strict=True):
        if calibration == "per_direction":
            taken = tau(azimuth, at_calibration, 3) + reference
        error += weight * (tau(azimuth, angle, 2) - taken)
    error += ufloat(0, 0.01) * abs(cycle.axes[0, 0]) + ufloat(0, 0.015) * abs(cycle.axes[0, 1])
    found = closed_form(curve, shop, feature)
    assert found.mean_mm[0] == pytest.approx(error.n, abs=1e-4 * SIZE)
    assert found.sd_mm[0] == pytest.approx(error.s, rel=2e-4)


@pytest.mark.parametrize("orientation", [0.0, 65.0])
def test_signs_agree_with_the_simulated_ring(orientation: float) -> None:
    """The middle that a simulated probe finds in a ring at (0, 0), with nothing left to chance."""
    probe = Probe(sd_mm=0.0, jitter_s=0.0, latency_s=0.0, runout_mm=(0.006, -0.002), arm_azimuth_deg=17.0)
    mill = Mill(reversal_mm=(0.02, 0.01), step_mm=0.0, centre_mm=(0.0, 0.0))
    plan = Plan(directions=4, repeats=1, first_azimuth_deg=0.0, orientation_deg=orientation)
    mill = replace(mill, drift_mm_per_h=0.0, warm_up_mm=0.0, centre_drift_mm_per_h=(0.0, 0.0))
    touched = simulate(probe, mill, plan, rng=np.random.default_rng(1)).frame.sort_values("azimuth_deg")
    points = touched[["x_mm", "y_mm"]].to_numpy()
    ball = unit_vectors([np.rad2deg(np.arctan2(-0.002, 0.006)) + orientation])[0] * np.hypot(0.006, 0.002)
    curve = known(
        pretravel(probe, GRID, orientation),
        runout_mm=float(np.hypot(*ball)),
        runout_azimuth_deg=float(np.rad2deg(np.arctan2(ball[1], ball[0]))),
    )
    found = closed_form(curve, Shop((0.02, 0.01), return_one_way=True), bore_centre(4))
    middle = ((points[0, 0] + points[2, 0]) / 2, (points[1, 1] + points[3, 1]) / 2)
    assert found.mean_mm == pytest.approx(middle, abs=1e-12)
    across = closed_form(curve, Shop((0.02, 0.01), return_one_way=True), pocket_width())
    gap = plan.ring_diameter_mm - probe.ball_diameter_mm
    assert points[0, 0] - points[2, 0] - gap == pytest.approx(across.mean_mm[0], abs=1e-12)
