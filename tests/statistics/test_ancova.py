"""Lines and adjusted means: statsmodels' analysis of covariance, dense sandwiches, simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import toeplitz
from simulated import assert_share, block_by_block, even_azimuths, repeated, round_robin

from probetest.statistics.ancova import AdjustedMeans, adjusted_means, fit_line, line_design
from probetest.statistics.approach import unit_vectors
from probetest.statistics.course import Course, follow_course, told_motion, within_directions
from probetest.statistics.serial import SerialEffect

RUNS = 200
INDEPENDENT = SerialEffect(0.3, 0.1, 0.2, False, 1.0, 1.0, 1.0)


def shuffled(directions: int, touches: int) -> np.ndarray:
    return np.random.default_rng(70).permutation(block_by_block(directions, touches))


ORDERS = {"round robin": round_robin, "block by block": block_by_block, "shuffled": shuffled}


def lobes(directions: int) -> np.ndarray:
    return 2.0 * np.cos(3 * np.deg2rad(even_azimuths(directions, 7.0)))


def followed(reading: np.ndarray, direction: np.ndarray, directions: int) -> Course:
    azimuths = even_azimuths(directions)
    place = np.linspace(-0.5, 0.5, len(direction))
    return follow_course(reading, direction, azimuths, told_motion(direction, azimuths), place, 0.01)


def adjusted(reading: np.ndarray, direction: np.ndarray, directions: int) -> AdjustedMeans:
    return adjusted_means(followed(reading, direction, directions), reading, direction, directions)


# ---- line


def test_design_holds_order_and_motion_within_directions() -> None:
    direction = np.array([0, 1, 0, 1])
    motion = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    design = line_design(np.array([0.0, 1.0, 2.0, 5.0]), direction, 2, motion)
    assert design.tolist() == [[-1, -1, 0], [-2, 0, -2], [1, 1, 0], [2, 0, 2]]
    assert line_design(np.arange(4.0), direction, 2, np.empty((4, 0))).shape == (4, 1)


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_errors_are_those_of_ordinary_least_squares(order: object) -> None:
    direction, place = order(8, 6), np.linspace(-0.5, 0.5, 48)
    reading = np.random.default_rng(1).normal(size=48)
    motion = unit_vectors(even_azimuths(8))[direction]
    columns = np.column_stack([place, place * motion[:, 0], place * motion[:, 1]])
    oracle = sm.OLS(reading, np.column_stack([columns, np.eye(8)[direction]])).fit()
    design = line_design(place, direction, 8, motion)
    line = fit_line(design, within_directions(reading, direction, 8), direction, INDEPENDENT)
    assert line.slopes == pytest.approx(oracle.params[:3], rel=1e-8)
    assert line.errors == pytest.approx(oracle.bse[:3], rel=1e-8)
    assert (line.dof, line.widening) == (oracle.df_resid, 1.0)


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_errors_among_alike_neighbours_are_those_of_the_full_covariance(order: object) -> None:
    direction, place = order(8, 6), np.linspace(-0.5, 0.5, 48)
    reading = np.random.default_rng(2).normal(size=48)
    motion = unit_vectors(even_azimuths(8))[direction]
    columns = np.column_stack([place, place * motion[:, 0], place * motion[:, 1], np.eye(8)[direction]])
    process, inverse = toeplitz(0.6 ** np.arange(48)), np.linalg.pinv(columns)
    apart = np.eye(48) - columns @ inverse
    variance = reading @ apart @ reading / np.trace(apart @ process)
    errors = np.sqrt(np.diag(inverse @ process @ inverse.T) * variance)
    serial = replace(INDEPENDENT, correlation=0.6, significant=True, dof_share=0.4)
    design = line_design(place, direction, 8, motion)
    target = within_directions(reading, direction, 8)
    line, plain = (fit_line(design, target, direction, one) for one in (serial, INDEPENDENT))
    assert line.slopes == plain.slopes
    assert line.errors == pytest.approx(errors[:3], rel=1e-8)
    assert line.dof == pytest.approx(0.4 * (48 - 8 - 3))
    assert line.widening == pytest.approx(line.errors[0] / plain.errors[0], rel=1e-12)


def test_alike_neighbours_add_no_degrees_of_freedom() -> None:
    direction, place = round_robin(8, 6), np.linspace(-0.5, 0.5, 48)
    serial = replace(INDEPENDENT, significant=True, dof_share=1.2)
    design = line_design(place, direction, 8, np.empty((48, 0)))
    assert fit_line(design, place, direction, serial).dof == 39


def test_a_line_without_scatter_is_widened_as_any() -> None:
    direction, place = round_robin(8, 6), np.linspace(-0.5, 0.5, 48)
    serial = replace(INDEPENDENT, correlation=0.6, significant=True)
    design = line_design(place, direction, 8, np.empty((48, 0)))
    line = fit_line(design, 2 * design[:, 0], direction, serial)
    assert line.slopes == pytest.approx([2.0])
    assert line.widening > 1.5


# ---- adjusted means


@pytest.mark.parametrize("order", [round_robin, shuffled], ids=["in turn", "shuffled"])
@pytest.mark.parametrize("bent", [False, True], ids=["line", "cubic"])
def test_means_are_the_adjusted_means_of_an_analysis_of_covariance(order: object, bent: bool) -> None:
    direction, place = order(12, 6), np.linspace(-0.5, 0.5, 72)
    motion = unit_vectors(even_azimuths(12))[direction]
    curve = 6 * place + 2 * place * motion[:, 1] + bent * (50 * place**3 - 14 * place)
    reading = lobes(12)[direction] + curve + np.random.default_rng(4).normal(0, 0.3, 72)
    powers = place[:, None] ** np.arange(1, 4 if bent else 2)
    columns = np.column_stack([powers, place[:, None] * motion])
    oracle = sm.OLS(reading, np.column_stack([np.eye(12)[direction], columns])).fit()
    course = followed(reading, direction, 12)
    found = adjusted_means(course, reading, direction, 12)
    assert course.path.kind == ("cubic" if bent else "line")
    # At the middle of the test all columns are 0.
    assert found.mean_mm == pytest.approx(oracle.params[:12], rel=1e-7, abs=1e-9)
    assert found.u_mm == pytest.approx(oracle.bse[:12], rel=1e-6)
    assert found.sd_mm == pytest.approx(np.sqrt(oracle.mse_resid), rel=1e-9)
    assert found.dof == oracle.df_resid


def test_a_path_without_scatter_leaves_the_lobing() -> None:
    direction = round_robin(12, 6)
    reading = lobes(12)[direction] + 0.1 * np.arange(72)
    found = adjusted(reading, direction, 12)
    assert found.mean_mm == pytest.approx(lobes(12) + 0.1 * 35.5, rel=1e-9)
    assert found.sd_mm == pytest.approx(0.0, abs=1e-12)


def test_a_warm_up_is_taken_at_the_middle_of_the_test() -> None:
    direction, start = round_robin(12, 10), np.linspace(0, 1, 120)
    reading = lobes(12)[direction] + 5 * np.minimum(start / 0.7, 1.0)
    found = adjusted(reading + np.random.default_rng(5).normal(0, 0.01, 120), direction, 12)
    assert found.mean_mm == pytest.approx(lobes(12) + 5 * 0.5 / 0.7, abs=0.05)
    assert found.dof == 120 - 12 - 4


def test_a_direction_that_was_not_touched_has_no_mean() -> None:
    direction = np.array([0, 1, 3] * 6)
    reading = np.random.default_rng(6).normal(size=18)
    found = adjusted(reading, direction, 5)
    assert np.isnan(found.mean_mm).tolist() == [False, False, True, False, True]
    assert np.isnan(found.u_mm).tolist() == [False, False, True, False, True]
    assert found.dof == 18 - 3 - 3


# ---- simulation


# Measured with 1000 tests of 24 x 10 touches, largest less smallest mean in sd, still / drifting by 5 sd /
# adjusted: 1.24 / 1.36 / 1.24 (in turn) and 1.23 / 2.05 / 1.24 (shuffled) without lobing, 4.49 / 4.58 /
# 4.49 and 4.49 / 4.46 / 4.50 with a lobing of 4 sd.
@pytest.mark.parametrize("order", [round_robin, shuffled], ids=["in turn", "shuffled"])
def test_a_drift_of_five_sd_does_not_tilt_the_adjusted_curve(order: object) -> None:
    rng, direction = np.random.default_rng(7), order(24, 10)
    ramp = np.linspace(0, 5, 240)
    still, raw, taken = [], [], []
    for one in repeated(rng, RUNS):
        scatter = one.normal(size=240)
        still.append(np.ptp(np.bincount(direction, scatter) / 10))
        raw.append(np.ptp(np.bincount(direction, scatter + ramp) / 10))
        taken.append(np.ptp(adjusted(scatter + ramp, direction, 24).mean_mm))
    assert np.mean(taken) == pytest.approx(np.mean(still), abs=0.03)
    assert np.mean(raw) > np.mean(still) + 0.08


# Measured with 1000 tests of 24 x 10 each: covered in 95.0 and 95.1 %.
@pytest.mark.parametrize("order", [round_robin, shuffled], ids=["in turn", "shuffled"])
def test_adjusted_means_have_their_errors(order: object) -> None:
    rng, direction, hits = np.random.default_rng(8), order(12, 5), 0
    ramp = np.linspace(-2.5, 2.5, 60)
    for one in repeated(rng, RUNS):
        found = adjusted(lobes(12)[direction] + ramp + one.normal(size=60), direction, 12)
        hits += abs(found.mean_mm[0] - lobes(12)[0]) < 2.0141 * found.u_mm[0]
    assert_share(hits, RUNS, 0.95)
