"""Flags: single precision and lists, edges of the limits, slopes of the shape by closed form."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import block_by_block, even_azimuths

from probetest.statistics.outliers import flag_directions, flag_scatter, flag_touches, seat_design
from probetest.statistics.seat import fit_seat, seat_shape


def one_far_touch() -> tuple[np.ndarray, np.ndarray]:
    reading = 1000 + np.random.default_rng(151).normal(size=120)
    reading[7] += 20.0
    return reading, block_by_block(12, 10)


# ---- what goes in


def test_readings_of_single_precision_are_computed_with_in_double() -> None:
    reading, direction = one_far_touch()
    single = reading.astype(np.float32)
    found = flag_touches(single, direction)
    assert len(found) == 1
    assert found == flag_touches(single.astype(float), direction)
    assert found == flag_touches(single.tolist(), direction.tolist())


def off_shape() -> tuple[object, np.ndarray]:
    azimuths = even_azimuths(24, 4.1)
    mean = 0.01 * seat_shape(azimuths, 25.0) + np.random.default_rng(152).normal(0.0, 6e-4, 24)
    mean[5] += 0.01
    return fit_seat(mean, azimuths, np.full(24, 10), 0.002, 200), azimuths


def test_azimuths_and_counts_of_single_precision_are_computed_with_in_double() -> None:
    seat, azimuths = off_shape()
    counts = (np.arange(24) / 7 + 3).astype(np.float32)
    found = flag_directions(seat, azimuths.astype(np.float32), counts)
    assert len(found) == 1
    assert found == flag_directions(seat, azimuths.astype(np.float32).astype(float), counts.astype(float))
    assert found == flag_directions(seat, azimuths.astype(np.float32).tolist(), counts.tolist())


def test_scatter_of_single_precision_is_computed_with_in_double() -> None:
    sd, counts = np.full(24, 0.001), np.full(24, 10.0)
    sd[9], counts[9] = 0.007, 10.3
    sd, counts = sd.astype(np.float32), counts.astype(np.float32)
    found = flag_scatter(sd, counts)
    assert len(found) == 1
    assert found == flag_scatter(sd.astype(float), counts.astype(float))
    assert found == flag_scatter(sd.tolist(), counts.tolist())


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_another_unit_flags_the_same(unit: float) -> None:
    reading, direction = one_far_touch()
    (one,), (other,) = flag_touches(reading, direction), flag_touches(unit * reading, direction)
    assert (other.touch, other.direction, other.critical) == (one.touch, one.direction, one.critical)
    assert other.statistic == pytest.approx(one.statistic, rel=1e-7)
    assert other.deviation_mm == pytest.approx(unit * one.deviation_mm, rel=1e-7)
    sd = np.full(24, 0.001)
    sd[9] = 0.005
    (one,), (other,) = (flag_scatter(by * sd, np.full(24, 10), step_mm=by * 0.001) for by in (1.0, unit))
    assert (other.direction, other.statistic) == (9, pytest.approx(one.statistic, rel=1e-9))


# ---- edges


@pytest.mark.parametrize("touches", [3, 4])
def test_scatter_of_three_touches_is_tested(touches: int) -> None:
    sd = np.full(12, 0.001)
    sd[9] = 0.02
    assert [flag.direction for flag in flag_scatter(sd, np.full(12, touches))] == [9]


def test_a_deviation_of_exactly_two_steps_is_not_flagged() -> None:
    reading = np.zeros(240)
    reading[7] = 0.5
    direction = block_by_block(24, 10)
    assert flag_touches(reading, direction, step_mm=0.25) == ()
    assert [flag.touch for flag in flag_touches(reading, direction, step_mm=0.24)] == [7]


def test_directions_that_are_left_out_have_no_say_in_the_scatter() -> None:
    # Two steps apart or touched twice, a direction of no scatter at all is not one of scatter 1.
    sd, counts = np.full(12, 1e-4), np.full(12, 10)
    sd[3] = 5e-4
    (alone,) = flag_scatter(sd, counts)
    (beside,) = flag_scatter(np.r_[sd, np.nan, 0.5], np.r_[counts, 1, 2])
    assert (beside.statistic, beside.critical) == (alone.statistic, alone.critical)
    assert alone.statistic == pytest.approx(25 / 36, rel=1e-9)


# ---- slopes of the shape


def test_the_slope_by_arm_azimuth_is_that_of_ideal_arms() -> None:
    # About an arm the shape is 1 / cos(psi): by -psi per degree of arm azimuth.
    azimuths = np.array([180.0 + 25 + psi for psi in (-40.0, -20.0, -5.0, 5.0, 20.0, 40.0)])
    psi = np.deg2rad(azimuths - 205.0)
    expected = -np.deg2rad(1.0) * np.sin(psi) / np.cos(psi) ** 2
    assert seat_design(azimuths, 25.0, 0.0)[:, 4] == pytest.approx(expected, rel=1e-3)


def test_the_slope_by_pair_ratio_is_that_of_contact_pairs() -> None:
    # sqrt(1 + r**2) / (cos(psi) + r sin(psi)), differentiated by r.
    psi = np.deg2rad([5.0, 20.0, 40.0])
    lever = np.cos(psi) + 0.2 * np.sin(psi)
    root = np.sqrt(1.04)
    expected = 0.2 / root / lever - root * np.sin(psi) / lever**2
    assert seat_design(205.0 + np.rad2deg(psi), 25.0, 0.2)[:, 5] == pytest.approx(expected, abs=1e-3)


def test_whole_degrees_are_as_good_as_floats() -> None:
    assert seat_design([0, 40, 90, 200, 300], 25.0, 0.1).tolist() == (
        seat_design([0.0, 40.0, 90.0, 200.0, 300.0], 25.0, 0.1).tolist()
    )
