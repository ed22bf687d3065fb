"""The three-arm seat: statics by hand, SciPy's least squares, standard errors by simulation."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import optimize, stats
from simulated import (
    assert_share,
    assert_share_at_least,
    assert_share_at_most,
    even_azimuths,
    repeated,
    simulated_means,
)

from probetest.errors import StatisticsError
from probetest.statistics.seat import SeatFit, fit_seat, seat_shape, shape_variation

ALL_ROUND = np.arange(0.0, 360.0, 0.01)


def fitted(mean_mm: np.ndarray, azimuth_deg: np.ndarray, sd_mm: float = 1e-5, touches: int = 10) -> SeatFit:
    directions = len(mean_mm)
    return fit_seat(mean_mm, azimuth_deg, np.full(directions, touches), sd_mm, directions * (touches - 1))


def arm_error(found_deg: float, true_deg: float) -> float:
    """Difference of two arm azimuths, which repeat at 120 deg."""
    return (found_deg - true_deg + 60.0) % 120.0 - 60.0


# ---- shape


@pytest.mark.parametrize("arm", [0.0, 120.0, 240.0], ids=["first arm", "second arm", "third arm"])
def test_least_pretravel_is_with_the_force_along_an_arm(arm: float) -> None:
    # The force points against the motion.
    assert seat_shape([arm + 180.0])[0] == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("between", [60.0, 180.0, 300.0])
def test_greatest_pretravel_is_midway_between_arms_and_twice_the_least(between: float) -> None:
    assert seat_shape([between + 180.0])[0] == pytest.approx(2.0, rel=1e-12)


def test_shape_turns_with_the_arms() -> None:
    assert seat_shape([10.0, 100.0, 217.0], 17.0) == pytest.approx(seat_shape([-7.0, 83.0, 200.0]), rel=1e-12)


def test_shape_repeats_at_120_deg() -> None:
    assert seat_shape(ALL_ROUND[:1000] + 120.0) == pytest.approx(seat_shape(ALL_ROUND[:1000]), rel=1e-9)


def test_an_arm_lifts_about_the_line_through_the_other_two() -> None:
    # Moments: arms on a circle of radius 1 carry 1 in all; the force acts at lever 1. The least
    # force over the three pivot lines opens a contact.
    arms = np.deg2rad([0.0, 120.0, 240.0])
    for azimuth in (0.0, 13.0, 45.0, 77.0, 171.0):
        force = np.deg2rad(azimuth + 180.0)
        loads = 1 / 3 - np.outer(np.linspace(0, 2, 200_001), 2 / 3 * np.cos(force - arms))
        opens = np.linspace(0, 2, 200_001)[int((loads.min(axis=1) <= 0).argmax())]
        assert 2 * opens == pytest.approx(seat_shape([azimuth])[0], abs=5e-5)


def test_slope_at_the_cusp_is_3_464_sizes_per_radian() -> None:
    step = 1e-6
    rise = seat_shape([0.0])[0] - seat_shape([-np.rad2deg(step)])[0]
    assert rise / step == pytest.approx(2 * np.sqrt(3), rel=1e-4)


@pytest.mark.parametrize("ratio", [0.0, 0.05, 0.2, 0.5])
def test_variation_of_a_shape_is_its_range_all_round(ratio: float) -> None:
    assert np.ptp(seat_shape(ALL_ROUND, 0.0, ratio)) == pytest.approx(shape_variation(ratio), abs=1e-6)


@pytest.mark.parametrize("ratio", [0.0, 0.15, 0.5])
def test_least_value_of_a_shape_is_1(ratio: float) -> None:
    assert seat_shape(ALL_ROUND, 0.0, ratio).min() == pytest.approx(1.0, abs=1e-6)


# ---- fit: known answers


@pytest.mark.parametrize(
    "azimuths",
    [
        even_azimuths(7),
        even_azimuths(24),
        even_azimuths(36, 3.0),
        np.array([0, 10, 25, 50, 70, 95, 130, 150, 170, 200, 215, 240, 275, 290, 310, 345], dtype=float),
        np.arange(0.0, 200.0, 10.0),
        np.delete(even_azimuths(24), [2, 3, 11]),
    ],
    ids=["7", "24", "36 turned", "uneven", "partial arc", "missing directions"],
)
@pytest.mark.parametrize("arm", [0.0, 0.5, 41.0, 119.7])
def test_an_ideal_seat_is_found(azimuths: np.ndarray, arm: float) -> None:
    centre = 0.7 * np.cos(np.deg2rad(azimuths) - 1.0)
    found = fitted(12.5 + centre + 0.010 * seat_shape(azimuths, arm), azimuths)
    assert found.size_mm == pytest.approx(0.010, rel=1e-5)
    assert arm_error(found.arm_azimuth_deg, arm) == pytest.approx(0.0, abs=1e-3)
    assert 0.0 <= found.arm_azimuth_deg < 120.0
    assert found.pair_ratio == 0.0
    assert found.variation_mm == pytest.approx(0.010, rel=1e-5)


def test_contact_pairs_are_found() -> None:
    azimuths = even_azimuths(36, 2.0)
    found = fitted(0.010 * seat_shape(azimuths, 41.0, 0.15), azimuths)
    assert found.pair_ratio == pytest.approx(0.15, abs=2e-4)
    assert found.size_mm == pytest.approx(0.010, rel=1e-3)
    assert found.variation_mm == pytest.approx(0.010 * shape_variation(0.15), rel=1e-4)


def test_ten_metres_of_offset_leave_size_and_arm() -> None:
    azimuths = even_azimuths(24)
    found = fitted(1e4 + 0.0001 * seat_shape(azimuths, 41.0), azimuths, sd_mm=1e-6)
    assert found.size_mm == pytest.approx(0.0001, rel=1e-5)
    assert found.arm_azimuth_deg == pytest.approx(41.0, abs=0.01)


def test_residuals_are_what_the_shape_leaves() -> None:
    azimuths = even_azimuths(24)
    bump = np.where(np.arange(24) == 7, 0.002, 0.0)
    found = fitted(0.010 * seat_shape(azimuths, 41.0) + bump, azimuths, sd_mm=0.003)
    assert found.pair_ratio == 0.0
    assert int(np.argmax(found.residual_mm)) == 7
    assert sum(found.residual_mm) == pytest.approx(0.0, abs=1e-12)
    assert found.residual_sd_mm == pytest.approx(
        np.sqrt((np.array(found.residual_mm) ** 2).sum() / 19), rel=1e-9
    )


def test_an_ideal_seat_is_shown_and_fits() -> None:
    found = fitted(0.010 * seat_shape(even_azimuths(24), 41.0), even_azimuths(24), sd_mm=0.001)
    assert (found.shown, found.fits) == (True, True)


def test_a_two_lobed_probe_does_not_fit() -> None:
    azimuths = even_azimuths(24)
    assert not fitted(0.005 * np.cos(2 * np.deg2rad(azimuths)), azimuths, sd_mm=0.001).fits


def test_equal_means_show_no_seat() -> None:
    found = fitted(np.full(24, 0.1), even_azimuths(24), sd_mm=0.001)
    assert found.size_mm == pytest.approx(0.0, abs=1e-15)
    assert not found.shown


def test_where_no_shape_is_its_figures_are_uncertain_without_end() -> None:
    found = fitted(np.full(24, 0.1), even_azimuths(24), sd_mm=0.001)
    assert (found.size_u_mm, found.arm_azimuth_u_deg, found.variation_u_mm) == (np.inf, np.inf, np.inf)


def test_without_scatter_the_shape_is_taken_as_it_is() -> None:
    azimuths = even_azimuths(24)
    found = fitted(0.010 * seat_shape(azimuths, 41.0, 0.15), azimuths, sd_mm=0.0)
    assert found.pair_ratio == 0.0
    assert (found.shown, found.shown_p, found.fits) == (True, 0.0, True)
    assert np.isnan(found.misfit_p)


def test_without_scatter_the_errors_come_from_the_residual() -> None:
    azimuths = even_azimuths(7)
    means = 5.0 * seat_shape(azimuths, 41.0) + np.array([1, -1, 0, 1, 0, -1, 0])
    none, hardly_any = fitted(means, azimuths, sd_mm=0.0), fitted(means, azimuths, sd_mm=1e-9)
    assert none.size_u_mm == hardly_any.size_u_mm > 0
    assert none.arm_azimuth_u_deg == hardly_any.arm_azimuth_u_deg > 0
    assert none.variation_u_mm == hardly_any.variation_u_mm > 0


def test_directions_in_three_places_show_no_shape() -> None:
    found = fitted(
        np.array([5.0, 5.1, 4.9, 7.0, 7.1, 2.0, 2.1]), np.repeat([0.0, 120.0, 240.0], [3, 2, 2]), 0.1
    )
    assert (found.size_mm, found.variation_mm, found.shown) == (0.0, 0.0, False)
    assert found.variation_u_mm == np.inf


@pytest.mark.parametrize("ratio", [0.03, 0.3, 0.48])
def test_contact_pairs_with_an_arm_before_120_deg_are_found(ratio: float) -> None:
    azimuths = even_azimuths(36, 2.0)
    found = fitted(0.010 * seat_shape(azimuths, 119.7, ratio), azimuths)
    assert found.pair_ratio == pytest.approx(ratio, abs=2e-4)
    assert found.arm_azimuth_deg == pytest.approx(119.7, abs=1e-3)


def test_no_pair_ratio_beyond_a_half_is_given() -> None:
    azimuths = even_azimuths(36, 2.0)
    assert fitted(0.010 * seat_shape(azimuths, 41.0, 0.55), azimuths).pair_ratio == 0.5


def test_a_shape_more_pointed_than_ideal_arms_give_is_fitted_by_ideal_arms() -> None:
    azimuths = even_azimuths(36, 2.0)
    assert fitted(0.010 * seat_shape(azimuths, 41.0, -0.1), azimuths).pair_ratio == pytest.approx(
        0.0, abs=1e-6
    )


@pytest.mark.parametrize(("directions", "ratio"), [(7, 0.0), (8, 0.15)], ids=["7", "8"])
def test_contact_pairs_are_looked_for_from_8_directions_up(directions: int, ratio: float) -> None:
    azimuths = np.array([0.0, 20.0, 65.0, 110.0, 160.0, 215.0, 290.0, 330.0])[:directions]
    found = fitted(0.010 * seat_shape(azimuths, 41.0, 0.15), azimuths)
    assert found.pair_ratio == pytest.approx(ratio, abs=1e-3)


def test_seven_directions_leave_two_degrees_of_freedom_for_the_misfit() -> None:
    azimuths = even_azimuths(7)
    means = 5.0 * seat_shape(azimuths, 41.0) + np.array([1, -1, 0, 1, 0, -1, 0])
    found = fitted(means, azimuths, sd_mm=2.0)
    cost = 10 * (np.array(found.residual_mm) ** 2).sum()
    assert found.residual_sd_mm == pytest.approx(np.sqrt(cost / 2 / 10), rel=1e-9)
    assert found.misfit_p == pytest.approx(stats.f.sf(cost / 2 / 4, 2, 63), rel=1e-9)


def test_six_directions_are_refused() -> None:
    with pytest.raises(
        StatisticsError, match=r"^the three-arm shape needs at least 7 directions, but got 6$"
    ):
        fitted(np.zeros(6), even_azimuths(6))


# ---- fit: oracle


def test_a_noisy_seat_is_fitted_as_by_a_general_least_squares_solver() -> None:
    rng = np.random.default_rng(60)
    azimuths, counts = even_azimuths(24, 3.0), rng.integers(3, 15, 24)
    means = 5.0 * seat_shape(azimuths, 85.0) + rng.normal(size=24) / np.sqrt(counts)
    angle = np.deg2rad(azimuths)

    def residual(unknown: np.ndarray) -> np.ndarray:
        curve = unknown[0] + unknown[1] * np.cos(angle) + unknown[2] * np.sin(angle)
        return np.sqrt(counts) * (means - curve - unknown[3] * seat_shape(azimuths, unknown[4]))

    oracle = optimize.least_squares(residual, [0.0, 0.0, 0.0, 4.0, 84.0], xtol=1e-14, ftol=1e-14)
    found = fit_seat(means, azimuths, counts, 1.0, int((counts - 1).sum()))
    assert found.pair_ratio == 0.0
    assert found.size_mm == pytest.approx(oracle.x[3], rel=1e-5)
    assert found.arm_azimuth_deg == pytest.approx(oracle.x[4], abs=1e-3)
    # Where the scatter explains the residual, the errors come from the pooled sd.
    covariance = np.linalg.inv(oracle.jac.T @ oracle.jac)
    inflation = max(1.0, 2 * oracle.cost / 19)
    assert found.size_u_mm == pytest.approx(np.sqrt(covariance[3, 3] * inflation), rel=0.02)
    assert found.arm_azimuth_u_deg == pytest.approx(np.sqrt(covariance[4, 4] * inflation), rel=0.05)


UNEVEN = np.array([0, 10, 25, 50, 70, 95, 130, 150, 170, 200, 215, 240, 275, 290, 310, 345], dtype=float)
UNEVEN_COUNTS = np.array([3, 5, 8, 4, 10, 6, 3, 7, 9, 5, 4, 12, 6, 8, 3, 5])
UNEVEN_DOF = int((UNEVEN_COUNTS - 1).sum())


def uneven_means(ratio: float) -> np.ndarray:
    """Means of one simulated test of sd 1, with centre and constant, by unequal touches."""
    noise = np.random.default_rng(62).normal(size=16) / np.sqrt(UNEVEN_COUNTS)
    return 7.0 + 40.0 * seat_shape(UNEVEN, 85.0, ratio) - 2.0 * np.sin(np.deg2rad(UNEVEN)) + noise


def weighted_residual(columns: list[np.ndarray], values: np.ndarray) -> np.ndarray:
    """What constant, centre and further columns leave of the values, each by the root of its touches."""
    angle, root = np.deg2rad(UNEVEN), np.sqrt(UNEVEN_COUNTS)
    design = np.column_stack([np.ones(16), np.cos(angle), np.sin(angle), *columns]) * root[:, None]
    return values * root - design @ np.linalg.lstsq(design, values * root, rcond=None)[0]


@pytest.mark.parametrize("ratio", [0.0, 0.3], ids=["ideal arms", "contact pairs"])
def test_figures_of_a_fit_follow_from_its_residuals(ratio: float) -> None:
    means, sd = uneven_means(ratio), 1.1
    found = fit_seat(means, UNEVEN, UNEVEN_COUNTS, sd, UNEVEN_DOF)
    assert found.pair_ratio == pytest.approx(ratio, abs=0.05)
    shape = seat_shape(UNEVEN, found.arm_azimuth_deg, found.pair_ratio)
    residual = weighted_residual([shape], means)
    assert np.array(found.residual_mm) == pytest.approx(residual / np.sqrt(UNEVEN_COUNTS), abs=1e-9)
    cost, left = float(residual @ residual), 16 - 3 - (3 if ratio else 2)
    assert found.residual_sd_mm == pytest.approx(np.sqrt(cost / left / UNEVEN_COUNTS.mean()), rel=1e-9)
    assert found.misfit_p == pytest.approx(stats.f.sf(cost / left / sd**2, left, UNEVEN_DOF), rel=1e-9)
    assert 0.05 < found.misfit_p < 0.95
    assert found.variation_mm == pytest.approx(found.size_mm * shape_variation(found.pair_ratio), rel=1e-12)


def test_a_shape_is_shown_by_what_it_takes_off_the_residual() -> None:
    # Scatter so large that the shape hardly stands out.
    means, sd = uneven_means(0.0), 60.0
    found = fit_seat(means, UNEVEN, UNEVEN_COUNTS, sd, UNEVEN_DOF)
    without = weighted_residual([], means)
    with_shape = weighted_residual([seat_shape(UNEVEN, found.arm_azimuth_deg)], means)
    gain = float(without @ without - with_shape @ with_shape)
    assert found.shown_p == pytest.approx(stats.f.sf(gain / 2 / sd**2, 2, UNEVEN_DOF), rel=1e-9)
    assert 0.001 < found.shown_p < 0.9


def test_contact_pairs_are_taken_where_their_gain_is_beyond_the_risk() -> None:
    means = uneven_means(0.3)
    costs = []
    for sd in (1e3, 1e-3):
        found = fit_seat(means, UNEVEN, UNEVEN_COUNTS, sd, UNEVEN_DOF)
        costs.append(float((UNEVEN_COUNTS * np.array(found.residual_mm) ** 2).sum()))
    critical = np.sqrt((costs[0] - costs[1]) / stats.f.isf(0.01, 1, UNEVEN_DOF))
    assert fit_seat(means, UNEVEN, UNEVEN_COUNTS, 0.999 * critical, UNEVEN_DOF).pair_ratio > 0.2
    assert fit_seat(means, UNEVEN, UNEVEN_COUNTS, 1.001 * critical, UNEVEN_DOF).pair_ratio == 0.0


def test_standard_errors_with_contact_pairs_are_those_of_a_general_solver() -> None:
    means, angle, root = uneven_means(0.3), np.deg2rad(UNEVEN), np.sqrt(UNEVEN_COUNTS)

    def residual(unknown: np.ndarray) -> np.ndarray:
        curve = unknown[0] + unknown[1] * np.cos(angle) + unknown[2] * np.sin(angle)
        return root * (means - curve - unknown[3] * seat_shape(UNEVEN, unknown[4], unknown[5]))

    oracle = optimize.least_squares(residual, [7, 0, -2, 40, 85, 0.3], jac="3-point", xtol=1e-14, ftol=1e-14)
    # A scatter at which the residual is no misfit, so that the errors come from it.
    found = fit_seat(means, UNEVEN, UNEVEN_COUNTS, 2.0, UNEVEN_DOF)
    assert found.size_mm == pytest.approx(oracle.x[3], rel=1e-4)
    assert found.arm_azimuth_deg == pytest.approx(oracle.x[4], abs=1e-3)
    assert found.pair_ratio == pytest.approx(oracle.x[5], abs=1e-4)
    covariance = 4.0 * np.linalg.inv(oracle.jac.T @ oracle.jac)
    assert found.size_u_mm == pytest.approx(np.sqrt(covariance[3, 3]), rel=0.02)
    assert found.arm_azimuth_u_deg == pytest.approx(np.sqrt(covariance[4, 4]), rel=0.02)
    size, ratio = oracle.x[3], oracle.x[5]
    steep = (shape_variation(ratio + 1e-6) - shape_variation(ratio - 1e-6)) / 2e-6
    slope = np.array([0, 0, 0, shape_variation(ratio), 0, size * steep])
    assert found.variation_u_mm == pytest.approx(np.sqrt(slope @ covariance @ slope), rel=0.02)


@pytest.mark.parametrize("ratio", [0.0, 0.3], ids=["ideal arms", "contact pairs"])
def test_standard_errors_come_from_the_scatter_or_from_the_larger_residual(ratio: float) -> None:
    def errors(sd: float) -> np.ndarray:
        found = fit_seat(uneven_means(ratio), UNEVEN, UNEVEN_COUNTS, sd, UNEVEN_DOF)
        return np.array([found.size_u_mm, found.arm_azimuth_u_deg, found.variation_u_mm])

    # The residual is that of a scatter of about 0.9.
    assert errors(2.2) == pytest.approx(errors(2.0) * 1.1, rel=1e-6)
    assert errors(0.6) == pytest.approx(errors(0.7), rel=1e-6)
    assert (errors(0.7) < 0.8 * errors(2.0)).all()


# ---- simulation


def simulate_seats(
    directions: int, touches: int, size: float, ratio: float = 0.0, runs: int = 100
) -> list[tuple[SeatFit, float]]:
    """Fits of simulated tests of sd 1, each with its true arm azimuth."""
    found = []
    for rng in repeated(np.random.default_rng(61), runs):
        azimuths = even_azimuths(directions, rng.uniform(0, 360 / directions))
        arm = rng.uniform(0, 120)
        curve = size * seat_shape(azimuths, arm, ratio) + 0.7 * np.cos(np.deg2rad(azimuths) - 1.0)
        data = simulated_means(rng, curve, azimuths, touches)
        found.append((fit_seat(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof), arm))
    return found


@cache
def ideal_fits() -> list[tuple[SeatFit, float]]:
    return simulate_seats(24, 10, 10.0, runs=150)


@cache
def paired_fits() -> list[tuple[SeatFit, float]]:
    return simulate_seats(24, 10, 10.0, 0.15)


def assert_arm_azimuths_keep_their_errors(fits: list[tuple[SeatFit, float]]) -> None:
    errors = np.array([(arm_error(fit.arm_azimuth_deg, arm), fit.arm_azimuth_u_deg) for fit, arm in fits])
    assert_share(int((np.abs(errors[:, 0]) < 1.96 * errors[:, 1]).sum()), len(fits), 0.94)
    assert abs(errors[:, 0].mean()) < 4 * errors[:, 0].std() / np.sqrt(len(fits))


# Measured with 500 tests each (12, 24, 36 directions; 5, 10 touches; size 3 and 10 sd): size and
# variation within 1.96 u in 94 to 96.4 %, arm azimuth in 92 to 95.8 %.
def test_size_and_variation_keep_their_standard_errors() -> None:
    fits = ideal_fits()
    runs = len(fits)
    assert_share(sum(abs(fit.size_mm - 10) < 1.96 * fit.size_u_mm for fit, _ in fits), runs, 0.95)
    assert_share(sum(abs(fit.variation_mm - 10) < 1.96 * fit.variation_u_mm for fit, _ in fits), runs, 0.95)


def test_arm_azimuth_keeps_its_standard_error() -> None:
    assert_arm_azimuths_keep_their_errors(ideal_fits())


def test_few_directions_and_a_faint_shape_keep_their_standard_errors() -> None:
    fits = simulate_seats(12, 10, 3.0)
    assert_share(
        sum(abs(fit.variation_mm - 3) < 1.96 * fit.variation_u_mm for fit, _ in fits), len(fits), 0.95
    )
    assert_arm_azimuths_keep_their_errors(fits)


def test_a_true_shape_is_called_a_misfit_as_rarely_as_stated() -> None:
    fits = ideal_fits()
    # Measured with 500 tests each: 0.4 to 1.6 % (risk 1 %).
    assert_share_at_most(sum(not fit.fits for fit, _ in fits), len(fits), 0.01)


def test_contact_pairs_are_invented_as_rarely_as_stated() -> None:
    fits = ideal_fits()
    # Measured with 500 tests each: 0.4 to 1.4 % (risk 1 %).
    assert_share_at_most(sum(fit.pair_ratio > 0 for fit, _ in fits), len(fits), 0.01)


def test_scatter_alone_shows_a_seat_rarely() -> None:
    # Measured with 1000 tests each: 0.8 to 2.0 %, about twice the stated 1 %, for the arm azimuth is
    # searched for. The bound holds the measured figure.
    fits = simulate_seats(24, 5, 0.0, runs=200)
    assert_share_at_most(sum(fit.shown for fit, _ in fits), len(fits), 0.02)


def test_hidden_contact_pairs_leave_the_variation_right() -> None:
    fits = paired_fits()
    # With a ratio of 0.15 and a size of 10 sd the pairs show in 9 % of tests only, else the ideal
    # shape takes their place. Measured with 500 tests: variation 0.15 sd too large, within 1.96 u
    # in 92.8 %.
    truth = 10.0 * shape_variation(0.15)
    errors = np.array([(fit.variation_mm - truth, fit.variation_u_mm) for fit, _ in fits])
    assert_share(int((np.abs(errors[:, 0]) < 1.96 * errors[:, 1]).sum()), len(errors), 0.93)
    assert abs(errors[:, 0].mean()) < 0.25


def test_hidden_contact_pairs_leave_the_arm_azimuth_right() -> None:
    assert_arm_azimuths_keep_their_errors(paired_fits())


def test_hidden_contact_pairs_make_the_size_too_small() -> None:
    # Not a merit: measured 3.1 sd of 10, far outside u. Where pairs may be hidden only the
    # variation can be quoted.
    assert np.median([fit.size_mm for fit, _ in paired_fits()]) == pytest.approx(6.3, abs=0.3)


def test_a_strong_shape_with_pairs_is_told_from_an_ideal_one() -> None:
    # Measured with 500 tests at half this size: 76 %.
    fits = simulate_seats(24, 10, 60.0, 0.15, runs=40)
    assert_share_at_least(sum(fit.pair_ratio > 0 for fit, _ in fits), len(fits), 0.97)
