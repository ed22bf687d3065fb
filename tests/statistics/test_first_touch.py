"""First touches: a regression with drift as oracle, alike neighbours by dense matrices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.linalg import toeplitz
from simulated import block_by_block, even_azimuths, round_robin

from probetest.statistics.approach import unit_vectors
from probetest.statistics.course import Course, follow_course, told_motion
from probetest.statistics.first_touch import FirstTouch, shift_of_first_touches
from probetest.statistics.serial import SerialEffect


def shuffled(directions: int, touches: int) -> np.ndarray:
    return np.random.default_rng(70).permutation(block_by_block(directions, touches))


ORDERS = {"round robin": round_robin, "block by block": block_by_block, "shuffled": shuffled}


def followed(reading: np.ndarray, direction: np.ndarray) -> Course:
    azimuths = even_azimuths(int(direction.max()) + 1)
    place = np.linspace(-0.5, 0.5, len(direction))
    return follow_course(reading, direction, azimuths, told_motion(direction, azimuths), place, 0.01)


def shift_of(course: Course, direction: np.ndarray, **options: float) -> FirstTouch | None:
    settings = {"level": 0.95, "risk": 0.01, "least_left": 0.1} | options
    return shift_of_first_touches(course, direction, **settings)


def first_marks(direction: np.ndarray) -> np.ndarray:
    marks = np.zeros(len(direction))
    marks[np.unique(direction, return_index=True)[1]] = 1.0
    return marks


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_the_shift_is_that_of_a_regression_with_drift(order: object) -> None:
    direction = order(10, 8)
    reading = np.random.default_rng(1).normal(size=80) + 2.0 * first_marks(direction)
    course = followed(reading, direction)
    share = np.linspace(-0.5, 0.5, 80)
    motion = unit_vectors(even_azimuths(10))[direction]
    path = np.column_stack([share, share * motion[:, 0], share * motion[:, 1], np.eye(10)[direction]])
    assert course.path.kind == "line"
    oracle = sm.OLS(reading, np.column_stack([first_marks(direction), path])).fit()
    found = shift_of(course, direction)
    assert found.shift_mm == pytest.approx(oracle.params[0], rel=1e-7)
    assert found.directions == 10
    assert found.interval_mm.half_width == pytest.approx(oracle.bse[0] * stats.t.ppf(0.975, 9), rel=0.6)


def test_the_interval_is_students_over_directions() -> None:
    # A path that takes nothing of the shift: each direction is touched in rows, from a level test.
    direction = block_by_block(6, 4)
    reading = np.random.default_rng(2).normal(size=24)
    course = followed(reading, direction)
    bare = replace(
        course,
        tangents=np.zeros((24, 1)),
        residual_mm=reading - (np.bincount(direction, reading) / 4)[direction],
        serial=replace(course.serial, significant=False),
    )
    rows = reading.reshape(6, 4)
    shifts = rows[:, 0] - rows[:, 1:].mean(axis=1)
    oracle = stats.ttest_1samp(shifts, 0.0)
    found = shift_of(bare, direction, level=0.9)
    assert found.shift_mm == pytest.approx(shifts.mean(), rel=1e-12)
    interval = oracle.confidence_interval(0.9)
    assert (found.interval_mm.lower, found.interval_mm.upper) == pytest.approx(tuple(interval), rel=1e-9)
    assert found.interval_mm.level == 0.9
    assert shift_of(bare, direction, risk=oracle.pvalue * 1.001).significant
    assert not shift_of(bare, direction, risk=oracle.pvalue * 0.999).significant


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_alike_neighbours_share_their_shifts(order: object) -> None:
    direction = order(6, 4)
    course = followed(np.random.default_rng(3).normal(size=24), direction)
    plain, alike = (
        shift_of(replace(course, serial=SerialEffect(0.6, 0.1, 0.0, flag, 1.0, 1.0, 1.0)), direction)
        for flag in (False, True)
    )
    contrasts = np.zeros((24, 6))
    for one in range(6):
        rows = np.flatnonzero(direction == one)
        contrasts[rows[0], one], contrasts[rows[1:], one] = 1.0, -1 / 3
    covariance = contrasts.T @ toeplitz(0.6 ** np.arange(24)) @ contrasts
    # Expected square of the error of the mean, and of the one from the scatter of the shifts.
    actual = covariance.sum() / 36
    scatter = np.trace((np.eye(6) - 1 / 6) @ covariance) / 5 / 6
    assert alike.shift_mm == plain.shift_mm
    assert alike.interval_mm.half_width / plain.interval_mm.half_width == pytest.approx(
        np.sqrt(actual / scatter), rel=1e-9
    )


def test_unequal_touches_have_their_own_contrast() -> None:
    direction = np.array([0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 0, 1, 0])
    course = followed(np.random.default_rng(4).normal(size=14), direction)
    plain, alike = (
        shift_of(replace(course, serial=SerialEffect(0.6, 0.1, 0.0, flag, 1.0, 1.0, 1.0)), direction)
        for flag in (False, True)
    )
    contrasts = np.zeros((14, 4))
    for one in range(4):
        rows = np.flatnonzero(direction == one)
        contrasts[rows[0], one], contrasts[rows[1:], one] = 1.0, -1 / (len(rows) - 1)
    covariance = contrasts.T @ toeplitz(0.6 ** np.arange(14)) @ contrasts
    ratio = covariance.sum() / 16 / (np.trace((np.eye(4) - 1 / 4) @ covariance) / 3 / 4)
    assert alike.interval_mm.half_width / plain.interval_mm.half_width == pytest.approx(
        np.sqrt(ratio), rel=1e-9
    )


def test_two_repeated_directions_are_needed() -> None:
    direction = np.r_[np.arange(8), np.zeros(6, dtype=int)]
    assert shift_of(followed(np.random.default_rng(5).normal(size=14), direction), direction) is None
    direction = np.r_[np.arange(8), np.tile([0, 1], 6)]
    assert shift_of(followed(np.random.default_rng(5).normal(size=20), direction), direction).directions == 2


def test_what_the_path_takes_is_not_told() -> None:
    direction = round_robin(8, 6)
    course = followed(np.random.default_rng(6).normal(size=48), direction)
    marks = first_marks(direction)
    means = np.bincount(direction, marks) / 6
    within = marks - means[direction]
    columns = np.column_stack(
        [part - (np.bincount(direction, part) / 6)[direction] for part in course.tangents.T]
    )
    rest = within - columns @ np.linalg.pinv(columns) @ within
    left = rest @ rest / (within @ within)
    assert shift_of(course, direction, least_left=left * 0.999) is not None
    assert shift_of(course, direction, least_left=left * 1.001) is None
