"""Flags: planted ones, what each says, false alarms and power by simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from simulated import (
    assert_share,
    assert_share_at_least,
    assert_share_at_most,
    block_by_block,
    even_azimuths,
    repeated,
)
from statsmodels.stats.outliers_influence import OLSInfluence

from probetest.statistics.cochran import widest_share
from probetest.statistics.esd import extreme_residuals, most_outliers
from probetest.statistics.layout import extreme_touches
from probetest.statistics.outliers import (
    FAMILY_RISK,
    OutlierFlag,
    flag_directions,
    flag_scatter,
    flag_touches,
    seat_design,
)
from probetest.statistics.seat import SeatFit, fit_seat, seat_shape

DIRECTIONS = 24


# ---- touches


def planted(touches: int, size: float, seed: int = 93) -> tuple[np.ndarray, np.ndarray]:
    """Readings of sd 1 with a lobing of 10, one touch (number 7) off by ``size``."""
    direction = block_by_block(DIRECTIONS, touches)
    reading = np.random.default_rng(seed).normal(size=direction.size)
    reading = reading + 10 * np.cos(3 * np.deg2rad(even_azimuths(DIRECTIONS)))[direction]
    reading[7] += size
    return reading, direction


def test_a_planted_touch_is_flagged_with_all_that_is_known_of_it() -> None:
    reading, direction = planted(10, -20.0)
    (flag,) = flag_touches(reading, direction)
    (outlier,) = extreme_touches(reading, direction, 10, 0.01).outliers
    deviation = reading[7] - np.delete(reading[:10], 7).mean()
    assert flag == OutlierFlag(
        "touch", 0, 7, pytest.approx(deviation, rel=1e-12), outlier.statistic, outlier.critical, 0.01
    )
    assert flag.statistic > flag.critical


def test_the_risk_reaches_the_critical_value() -> None:
    reading, direction = planted(10, 20.0)
    (strict,), (lax,) = (flag_touches(reading, direction, risk=risk) for risk in (0.01, 0.05))
    assert (lax.risk, lax.statistic) == (0.05, strict.statistic)
    assert lax.critical < strict.critical


def test_flags_come_in_the_order_of_the_touches() -> None:
    reading, direction = planted(25, 20.0)
    reading[3] -= 30.0
    reading[0] += 25.0
    assert [flag.touch for flag in flag_touches(reading, direction)] == [0, 3, 7]


def test_the_deviation_is_from_the_touches_that_are_not_flagged() -> None:
    reading, direction = planted(10, 20.0)
    reading[3] += 30.0
    third, seventh = flag_touches(reading, direction)
    rest = np.delete(reading[:10], [3, 7]).mean()
    assert (third.deviation_mm, seventh.deviation_mm) == pytest.approx(
        (reading[3] - rest, reading[7] - rest), rel=1e-12
    )


def test_labels_of_directions_are_kept() -> None:
    reading, direction = planted(10, 20.0)
    assert flag_touches(reading, 3 * direction + 5)[0].direction == 5


@pytest.mark.parametrize(("step", "flags"), [(0.0499, 1), (0.0501, 0)])
def test_a_touch_is_flagged_from_two_steps_on(step: float, flags: int) -> None:
    reading = np.random.default_rng(94).normal(0.0, 1e-3, 240)
    reading[:10] = 0.0
    reading[7] = 0.1
    assert len(flag_touches(reading, block_by_block(24, 10), step_mm=step)) == flags


def test_without_a_step_the_scatter_alone_decides() -> None:
    reading = np.random.default_rng(94).normal(0.0, 1e-6, 240)
    reading[7] += 1e-4
    assert [flag.touch for flag in flag_touches(reading, block_by_block(24, 10))] == [7]


def test_touches_are_held_against_no_less_than_the_scatter_of_rounding() -> None:
    reading = np.zeros(240)
    reading[7] = 0.0021
    (flag,) = flag_touches(reading, block_by_block(24, 10), step_mm=0.001)
    assert flag.statistic == pytest.approx(0.0021 * np.sqrt(0.9) / (0.001 / np.sqrt(12)), rel=1e-9)


def test_a_step_among_equal_readings_is_not_flagged() -> None:
    reading = np.full(24 * 10, 5.0)
    reading[7] = 5.001
    assert flag_touches(reading, block_by_block(24, 10), step_mm=0.001) == ()


@pytest.mark.parametrize(("touches", "flagged"), [(2, False), (3, True)])
def test_touches_are_tested_from_three_a_direction_on(touches: int, flagged: bool) -> None:
    reading = np.random.default_rng(95).normal(size=24 * touches)
    reading[2] += 1e3
    assert [flag.touch for flag in flag_touches(reading, block_by_block(24, touches))] == [2] * flagged


def test_no_touch_has_no_flag() -> None:
    assert flag_touches([], []) == ()


@pytest.mark.parametrize(
    ("directions", "planted_touches", "found"), [(3, 2, 1), (8, 3, 2), (24, 7, 7), (48, 12, 10)]
)
def test_at_most_one_touch_in_ten_and_ten_of_all_are_flagged(
    directions: int, planted_touches: int, found: int
) -> None:
    # Each by a size of its own, in a direction of its own, so that none hides behind the others.
    reading = np.random.default_rng(96).normal(size=directions * 3)
    reading[: 3 * planted_touches : 3] += 100.0 * 4.0 ** np.arange(planted_touches)
    assert len(flag_touches(reading, block_by_block(directions, 3))) == found


def false_and_found(
    rng: np.random.Generator, directions: int, touches: int, runs: int, size: float, risk: float
) -> tuple[int, int]:
    """Tests with a false flag, and tests whose planted touch, number 4, was flagged."""
    direction = block_by_block(directions, touches)
    false = found = 0
    for one in repeated(rng, runs):
        reading = one.normal(size=direction.size)
        reading[4] += size
        flagged = {flag.touch for flag in flag_touches(reading, direction, risk=risk)}
        found += 4 in flagged
        false += bool(flagged - {4})
    return false, found


@pytest.mark.parametrize(("directions", "touches"), [(8, 3), (24, 5), (24, 10)])
def test_a_test_of_normal_readings_has_a_false_flag_as_often_as_stated(directions: int, touches: int) -> None:
    false, _ = false_and_found(np.random.default_rng(97), directions, touches, 400, 0.0, 0.05)
    assert_share(false, 400, 0.05)


# Measured with 2000 tests each.
@pytest.mark.parametrize(
    ("touches", "size", "power"), [(3, 6.0, 0.69), (5, 6.0, 0.86), (10, 6.0, 0.92), (10, 5.0, 0.69)]
)
def test_power_for_a_planted_touch(touches: int, size: float, power: float) -> None:
    _, found = false_and_found(np.random.default_rng(98), DIRECTIONS, touches, 150, size, FAMILY_RISK)
    assert_share(found, 150, power)


@pytest.mark.parametrize("sd_in_steps", [0.25, 0.5, 1.0])
def test_coarse_steps_bring_no_more_false_flags(sd_in_steps: float) -> None:
    rng, runs = np.random.default_rng(99), 150
    direction = block_by_block(24, 5)
    false = 0
    for one in repeated(rng, runs):
        reading = np.round(one.normal(0.0, sd_in_steps, 120) + one.uniform(0, 5, 24)[direction])
        false += bool(flag_touches(reading, direction, step_mm=1.0, risk=0.05))
    assert_share_at_most(false, runs, 0.05)


# ---- directions


def seat_of(mean: np.ndarray, azimuths: np.ndarray, counts: np.ndarray | None = None) -> SeatFit:
    counts = np.full(len(mean), 10) if counts is None else counts
    return fit_seat(mean, azimuths, counts, 0.002, 200)


def shaped(seed: int, directions: int = 24, off: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Means about a three-arm shape, direction 5 off by ``off``."""
    azimuths = even_azimuths(directions, 4.0)
    mean = 0.01 * seat_shape(azimuths, 25.0) + np.random.default_rng(seed).normal(0.0, 6e-4, directions)
    mean[5] += off
    return mean, azimuths


def test_a_planted_direction_is_flagged_with_all_that_is_known_of_it() -> None:
    mean, azimuths = shaped(100, off=0.01)
    seat = seat_of(mean, azimuths)
    (flag,) = flag_directions(seat, azimuths, np.full(24, 10))
    design = seat_design(azimuths, seat.arm_azimuth_deg, seat.pair_ratio)
    (outlier,) = extreme_residuals(seat.residual_mm, design, 4, 0.01).outliers
    assert flag == OutlierFlag(
        "direction", 5, None, seat.residual_mm[5], pytest.approx(outlier.statistic, rel=1e-9),
        pytest.approx(outlier.critical, rel=1e-12), 0.01,
    )  # fmt: skip
    assert flag.deviation_mm > 0.005


def test_two_planted_directions_do_not_hide_each_other() -> None:
    mean, azimuths = shaped(101, off=0.012)
    mean[14] -= 0.012
    flags = flag_directions(seat_of(mean, azimuths), azimuths, np.full(24, 10))
    assert sorted(flag.direction for flag in flags) == [5, 14]


def test_the_risk_of_directions_reaches_the_critical_value() -> None:
    mean, azimuths = shaped(100, off=0.01)
    seat = seat_of(mean, azimuths)
    strict, lax = (flag_directions(seat, azimuths, np.full(24, 10), risk=risk)[0] for risk in (0.01, 0.05))
    assert (strict.risk, lax.risk) == (0.01, 0.05)
    assert lax.critical < strict.critical


def test_residuals_weigh_by_the_root_of_their_touches() -> None:
    mean, azimuths = shaped(102, off=0.006)
    counts = np.where(np.arange(24) == 5, 1, 100)
    seat = seat_of(mean, azimuths)
    assert [flag.direction for flag in flag_directions(seat, azimuths, np.full(24, 10))] == [5]
    assert flag_directions(seat, azimuths, counts) == ()


def test_directions_of_unequal_touches_have_the_deleted_residuals_of_a_weighted_regression() -> None:
    mean, azimuths = shaped(100, off=0.02)
    counts = np.where(np.arange(24) % 3, 20, 5)
    seat = seat_of(mean, azimuths, counts)
    (flag,) = flag_directions(seat, azimuths, counts)
    root = np.sqrt(counts)
    design = seat_design(azimuths, seat.arm_azimuth_deg, seat.pair_ratio) * root[:, None]
    oracle = sm.OLS(np.asarray(seat.residual_mm) * root, design).fit()
    theirs = np.abs(OLSInfluence(oracle).resid_studentized_external)
    assert (flag.direction, flag.statistic) == (int(theirs.argmax()), pytest.approx(theirs.max(), rel=1e-6))


@pytest.mark.parametrize("pair_ratio", [0.0, 0.3])
def test_design_is_what_each_fitted_value_changes(pair_ratio: float) -> None:
    azimuths = even_azimuths(24, 4.0)
    design = seat_design(azimuths, 25.0, pair_ratio)
    moved = np.cos(np.deg2rad(azimuths)), np.sin(np.deg2rad(azimuths))
    assert design[:, 0].tolist() == [1.0] * 24
    assert design[:, 1:3] == pytest.approx(np.column_stack(moved), abs=1e-12)
    assert design[:, 3] == pytest.approx(seat_shape(azimuths, 25.0, pair_ratio), rel=1e-12)
    turned = seat_shape(azimuths, 25.1, pair_ratio) - seat_shape(azimuths, 24.9, pair_ratio)
    assert design[:, 4] == pytest.approx(turned / 0.2, abs=2e-3)
    assert design.shape[1] == (6 if pair_ratio else 5)


def test_design_of_contact_pairs_holds_their_ratio() -> None:
    azimuths = even_azimuths(24, 4.0)
    stretched = seat_shape(azimuths, 25.0, 0.301) - seat_shape(azimuths, 25.0, 0.299)
    assert seat_design(azimuths, 25.0, 0.3)[:, 5] == pytest.approx(stretched / 0.002, abs=1e-3)


def test_design_of_almost_ideal_arms_has_no_negative_ratio() -> None:
    azimuths = even_azimuths(24, 4.0)
    stretched = (seat_shape(azimuths, 25.0, 0.014) - seat_shape(azimuths, 25.0, 0.0)) / 0.014
    assert seat_design(azimuths, 25.0, 0.004)[:, 5] == pytest.approx(stretched, rel=1e-12)


@pytest.mark.parametrize("directions", [9, 12, 24])
def test_normal_means_are_flagged_as_often_as_stated(directions: int) -> None:
    rng, runs = np.random.default_rng(103), 1500
    azimuths = even_azimuths(directions, 4.0)
    design = seat_design(azimuths, 25.0, 0.0)
    most = most_outliers(directions)
    false = sum(
        extreme_residuals(one.normal(size=directions), design, most, 0.05).outliers != ()
        for one in repeated(rng, runs)
    )
    assert_share(false, runs, 0.05)


def test_normal_means_about_a_fitted_shape_are_flagged_as_often_as_stated() -> None:
    rng, runs = np.random.default_rng(104), 120
    azimuths, counts = even_azimuths(24, 4.0), np.full(24, 10)
    false = 0
    for one in repeated(rng, runs):
        mean = 3 * seat_shape(azimuths, one.uniform(0, 120)) + one.normal(size=24)
        seat = fit_seat(mean, azimuths, counts, np.sqrt(10 * one.chisquare(216) / 216), 216)
        false += bool(flag_directions(seat, azimuths, counts, risk=0.05))
    assert_share(false, runs, 0.05)


# ---- scatter


def test_a_direction_with_much_scatter_is_flagged_with_all_that_is_known_of_it() -> None:
    sd = np.full(24, 0.001)
    sd[9] = 0.005
    (flag,) = flag_scatter(sd, np.full(24, 10))
    critical = widest_share(9 * sd**2, np.full(24, 9), 0.01).critical
    assert flag == OutlierFlag(
        "scatter", 9, None, 0.005, pytest.approx(25 / 48, rel=1e-12), pytest.approx(critical, rel=1e-12), 0.01
    )


def test_the_risk_of_scatter_reaches_the_critical_value() -> None:
    sd = np.full(24, 0.001)
    sd[9] = 0.005
    (flag,) = flag_scatter(sd, np.full(24, 10), risk=0.05)
    assert flag.risk == 0.05
    assert flag.critical == pytest.approx(widest_share(9 * sd**2, np.full(24, 9), 0.05).critical, rel=1e-12)


def test_directions_with_much_scatter_are_each_held_against_the_others() -> None:
    sd = np.full(24, 0.001)
    sd[[9, 4]] = 0.005, 0.004
    ninth, fourth = flag_scatter(sd, np.full(24, 10))
    assert (ninth.direction, fourth.direction) == (9, 4)
    assert (ninth.statistic, fourth.statistic) == pytest.approx((25 / 47, 16 / 38), rel=1e-12)
    assert ninth.critical == fourth.critical


def test_two_noisy_directions_of_twelve_do_not_hide_each_other() -> None:
    sd = np.full(12, 0.001)
    sd[[2, 7]] = 0.003
    counts = np.full(12, 5)
    squares = 4 * sd**2
    assert widest_share(squares, counts - 1, 0.01).share < widest_share(squares, counts - 1, 0.01).critical
    assert [flag.direction for flag in flag_scatter(sd, counts)] == [2, 7]


def test_unequal_touches_count() -> None:
    # Twice the scatter is ordinary in three touches and not in thirty.
    sd = np.full(12, 0.001)
    sd[[2, 7]] = 0.002
    counts = np.full(12, 10)
    counts[[2, 7]] = 3, 30
    assert [flag.direction for flag in flag_scatter(sd, counts)] == [7]


def test_rounding_is_no_lack_of_scatter() -> None:
    # 23 directions that lie between two steps show none of theirs.
    sd = np.zeros(24)
    sd[9] = 0.0003
    assert flag_scatter(sd, np.full(24, 10), step_mm=0.0)[0].direction == 9
    assert flag_scatter(sd, np.full(24, 10), step_mm=0.001) == ()


@pytest.mark.parametrize(("factor", "flagged"), [(0.999, False), (1.0, False), (1.001, True)])
def test_readings_on_two_neighbouring_steps_are_not_flagged(factor: float, flagged: bool) -> None:
    # Half of 100 readings on either step; the others are taken to have a variance of 1/6.
    sd = np.zeros(24)
    sd[9] = np.repeat([0.0, 0.5], 50).std(ddof=1) * factor
    counts = np.full(24, 10)
    counts[9] = 100
    found = flag_scatter(sd, counts, step_mm=0.5, risk=0.2)
    assert bool(found) is flagged


def test_others_have_no_less_than_twice_the_variance_of_rounding() -> None:
    sd = np.zeros(24)
    sd[9] = 2.0
    (flag,) = flag_scatter(sd, np.full(24, 10), step_mm=0.5)
    ratio = 4.0 * 6 / 0.5**2
    assert flag.statistic == pytest.approx(ratio / (ratio + 23), rel=1e-12)


@pytest.mark.parametrize(("directions", "most"), [(4, 0), (9, 1), (10, 2), (12, 2)])
def test_at_most_one_direction_in_five_is_flagged(directions: int, most: int) -> None:
    sd = np.full(directions, 1e-6)
    sd[-3:] = 10.0 ** np.arange(0, 3)
    found = flag_scatter(sd, np.full(directions, 10))
    assert len(found) == most


@pytest.mark.parametrize(
    ("sd", "counts"),
    [
        (np.zeros(24), np.full(24, 10)),
        (np.full(24, np.nan), np.ones(24)),
        (np.r_[9.0, np.ones(23)], np.full(24, 2)),
    ],
    ids=["no scatter", "touched once", "touched twice"],
)
def test_scatter_is_not_tested_where_there_is_none(sd: np.ndarray, counts: np.ndarray) -> None:
    assert flag_scatter(sd, counts) == ()


def test_directions_of_two_touches_are_left_out() -> None:
    sd, counts = np.full(24, 0.001), np.full(24, 10)
    sd[9] = 0.005
    expected = flag_scatter(sd, counts)
    more_sd, more_counts = np.r_[sd, np.full(20, 0.9), np.nan], np.r_[counts, np.full(20, 2), 1]
    assert flag_scatter(more_sd, more_counts) == expected


@pytest.mark.parametrize("touches", [3, 10, 25])
def test_equal_scatter_is_flagged_as_often_as_stated(touches: int) -> None:
    rng, runs = np.random.default_rng(105), 800
    sds = np.sqrt(rng.chisquare(touches - 1, (runs, 24)) / (touches - 1))
    false = sum(bool(flag_scatter(sd, np.full(24, touches), risk=0.05)) for sd in sds)
    assert_share(false, runs, 0.05)


def test_three_times_the_scatter_is_found_with_ten_touches() -> None:
    rng, runs = np.random.default_rng(106), 200
    scatter = np.where(np.arange(24) == 9, 3.0, 1.0)
    sds = np.sqrt(rng.chisquare(9, (runs, 24)) / 9) * scatter
    found = sum(9 in {flag.direction for flag in flag_scatter(sd, np.full(24, 10))} for sd in sds)
    assert_share_at_least(found, runs, 0.94)
