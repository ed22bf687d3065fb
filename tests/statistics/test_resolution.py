"""Resolution: digits and steps that are known, steps of simulated machines found, none invented."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import block_by_block

from probetest.statistics.resolution import detect_step, find_resolution, last_digit

DIRECTIONS = 24
REPEATS = 150


def logged(
    rng: np.random.Generator,
    step_mm: float,
    sd_mm: float,
    decimals: int,
    touches: int,
    directions: int = DIRECTIONS,
) -> tuple[np.ndarray, np.ndarray]:
    """One coordinate of a machine that moves in steps, written with some decimals, and its directions."""
    group = block_by_block(directions, touches)
    value = rng.uniform(-50.0, 50.0, directions)[group] + rng.normal(0.0, sd_mm, group.size)
    if step_mm:
        value = np.round(value / step_mm) * step_mm
    return np.round(value, decimals), group


def found_step(value: np.ndarray, group: np.ndarray) -> float | None:
    return detect_step(value, group, last_digit(value))


# ---- digits


@pytest.mark.parametrize(
    ("values", "digit"),
    [
        ([1.0, 20.0], 1.0),
        ([1.25, 3.5], 0.01),
        ([10000.1234], 1e-4),
        ([-0.00001], 1e-5),
        ([100000.00001, 1.0], 1e-5),
        ([1 / 3], 1e-9),
        ([0.0, 0.0], 1.0),
        ([np.nan, 0.5], 0.1),
        ([1.0000015], 1e-7),
    ],
    ids=["whole", "mixed", "far off", "negative", "one touch fine", "endless", "zeros", "gap", "seventh"],
)
def test_last_digit(values: list[float], digit: float) -> None:
    assert last_digit(values) == pytest.approx(digit, rel=1e-12)


def test_the_eighth_decimal_is_not_hidden_by_the_rounding_of_floats() -> None:
    values = np.round(np.random.default_rng(31).uniform(130.0, 170.0, 200), 8)
    assert last_digit(values) == pytest.approx(1e-8, rel=1e-12)


def test_a_column_of_objects_is_read_as_numbers() -> None:
    value = np.tile([0.005, 0.010, 0.020, 0.005, 0.0, 0.015, 0.025, 0.010], 2).astype(object)
    assert last_digit(value) == pytest.approx(0.001)
    assert detect_step(value, np.repeat([0, 1], 8), 0.001) == pytest.approx(0.005, rel=1e-12)


# ---- steps that are there


def test_a_whole_step_is_found_exactly() -> None:
    value = np.array([0.005, 0.010, 0.020, 0.005, 0.0, 0.015, 0.025, 0.010])
    assert detect_step(np.tile(value, 2), np.repeat([0, 1], 8), 0.001) == pytest.approx(0.005, rel=1e-12)


def test_a_step_of_two_digits_is_found() -> None:
    value, group = logged(np.random.default_rng(20), 0.002, 0.002, 4, 10)
    assert last_digit(value) == pytest.approx(0.001)
    assert found_step(value, group) == pytest.approx(0.002, rel=1e-12)


def test_a_step_of_an_inch_machine_is_found_in_mm() -> None:
    value, group = logged(np.random.default_rng(21), 0.00254, 0.002, 9, 10)
    assert found_step(value, group) == pytest.approx(0.00254, rel=1e-9)


def test_a_step_with_endless_decimals_is_found() -> None:
    value, group = logged(np.random.default_rng(22), 0.001 / 3, 0.001, 15, 10)
    assert found_step(value, group) == pytest.approx(0.001 / 3, rel=1e-5)


def test_a_step_hidden_by_the_digits_of_the_log_is_found() -> None:
    # 0.00125 mm with four decimals: differences of 0.0012, 0.0013, 0.0025, 0.0037 ...
    value, group = logged(np.random.default_rng(23), 0.00125, 0.00125, 4, 10)
    assert found_step(value, group) == pytest.approx(0.00125, rel=0.01)


def test_a_step_is_found_where_no_direction_shows_a_single_one() -> None:
    # Differences of 2, 4 and 6 (of 0.005) in one, of 3 and 6 in the other direction.
    value = 0.005 * np.array([0, 2, 6, 12, 14, 0, 3, 9, 15, 18], dtype=float)
    assert detect_step(value, np.repeat([0, 1], 5), 0.001) == pytest.approx(0.005, rel=1e-9)


def stepped(multiples: list[list[int]], step_digits: float) -> tuple[np.ndarray, np.ndarray]:
    """Whole digits that a machine with this step logs, a list of multiples for each direction."""
    value = np.round(step_digits * np.concatenate(multiples) + 1e-9)
    return value, np.repeat(np.arange(len(multiples)), [len(each) for each in multiples])


@pytest.mark.parametrize(
    ("step_digits", "multiples", "found"),
    [
        (11, [0, 1, 3, 4, 6], 11.0),
        (10, [0, 1, 3, 4, 6], None),
        (2, [0, 1, 3, 4, 6], None),
        (1000, [0, 1, 3, 4], None),
        (2, [0, 1, 3, 4, 6, 7, 9, 10, 12, 13, 15, 16], 2.0),
        (2, [0, 1, 3, 4, 6, 7, 9, 10, 12, 13, 15], None),
    ],
    ids=["11**-3", "10**-3", "2**-3", "three differences", "2**-10", "2**-9"],
)
def test_a_whole_step_is_believed_below_a_luck_of_1_in_1000(
    step_digits: int, multiples: list[int], found: float | None
) -> None:
    assert detect_step(*stepped([multiples], step_digits), 1.0) == found


@pytest.mark.parametrize(("touches", "believed"), [(7, True), (6, False)], ids=["0.24**5", "0.24**4"])
def test_a_broken_step_is_believed_below_a_luck_of_1_in_1000(touches: int, believed: bool) -> None:
    # 12.5 digits: 3 of 12.5 whole numbers lie within one of its multiples.
    step = detect_step(*stepped([list(range(touches))], 12.5), 1.0)
    assert step == (pytest.approx(12.5, abs=0.2) if believed else None)


@pytest.mark.parametrize(
    "multiples",
    [[[0, 2, 5, 7, 10, 12, 15], [0, 2, 4, 7]], [[0, 3, 7, 10, 14, 17, 21], [0, 4, 7, 11]]],
    ids=["two and three", "three and four"],
)
def test_a_broken_step_is_found_where_no_direction_shows_a_single_one(multiples: list[list[int]]) -> None:
    assert detect_step(*stepped(multiples, 12.4), 1.0) == pytest.approx(12.4, abs=0.06)


def test_the_whole_range_of_a_direction_makes_a_broken_step_precise() -> None:
    # Neighbours are 12 or 13 digits apart: 12.5 by themselves.
    value, group = stepped([list(range(21))], 12.3)
    assert detect_step(0.001 * value, group, 0.001) == pytest.approx(0.0123, abs=4e-5)


# Measured with 300 tests each: every step below found in 99 % or more, but 90 % for 0.002 mm at
# an sd of a quarter of a step and 5 touches, where hardly any touch leaves its step.
@pytest.mark.parametrize("sd_in_steps", [0.25, 0.5, 1.0, 2.0], ids=lambda sd: f"step {1 / sd:g} sd")
@pytest.mark.parametrize(
    ("step_mm", "decimals", "touches"),
    [(0.00125, 4, 10), (0.00125, 4, 5), (0.001, 4, 5), (0.005, 3, 5), (0.002, 4, 10), (0.00254, 5, 5)],
)
def test_the_step_of_a_simulated_machine_is_found(
    step_mm: float, decimals: int, touches: int, sd_in_steps: float
) -> None:
    rng = np.random.default_rng(24)
    right = 0
    for _ in range(REPEATS):
        value, group = logged(rng, step_mm, sd_in_steps * step_mm, decimals, touches)
        digit = last_digit(value)
        step = max(digit, detect_step(value, group, digit) or 0.0)
        right += abs(step - step_mm) < 0.03 * step_mm
    assert right >= 0.95 * REPEATS


# ---- steps that are not there


@pytest.mark.parametrize(
    "value",
    [
        [1.0, 1.0, 1.0, 1.0, 1.0, 1.0],
        [0.0, 0.005, 0.0, 0.005, 0.0, 0.0],
        [0.0, 0.001, 0.003, 0.002, 0.005, 0.0],
    ],
    ids=["all equal", "one difference", "neighbours a digit apart"],
)
def test_few_or_fine_differences_prove_no_step(value: list[float]) -> None:
    assert detect_step(value, np.zeros(6, dtype=int), 0.001) is None


def test_two_touches_in_few_directions_prove_no_step() -> None:
    assert detect_step([0.0, 0.005, 0.0, 0.010, 0.0, 0.005], [0, 0, 1, 1, 2, 2], 0.001) is None


def test_differences_between_directions_say_nothing() -> None:
    value = np.repeat(0.005 * np.arange(12), 4)
    assert detect_step(value, np.repeat(np.arange(12), 4), 0.001) is None


def test_one_difference_of_a_digit_disproves_a_step() -> None:
    value, group = stepped([[0, 1, 3, 4, 6, 7, 9], [0, 2, 3]], 5)
    assert detect_step(value, group, 1.0) == 5.0
    assert detect_step(np.append(value, [50.0, 51.0]), np.append(group, [2, 2]), 1.0) is None


def test_thousands_of_touches_some_digits_apart_show_no_step() -> None:
    value = np.random.default_rng(33).integers(5, 9, 3000).cumsum().astype(float)
    assert detect_step(value, np.zeros(3000, dtype=int), 1.0) is None


def test_no_touch_has_no_step() -> None:
    assert detect_step([], [], 0.001) is None


def test_a_coordinate_without_values_has_no_step() -> None:
    assert detect_step(np.full(20, np.nan), np.zeros(20, dtype=int), 0.001) is None


# Measured: 3 false steps in 96,000 logs; each was a few digits, at most 0.01 sd.
@pytest.mark.parametrize("decimals", [3, 4, 5, 6, 9])
@pytest.mark.parametrize("directions", [3, 24])
def test_scatter_without_a_step_shows_none(decimals: int, directions: int) -> None:
    rng = np.random.default_rng(25)
    false = 0
    for touches in (5, 10):
        for sd_mm in (0.0003, 0.003):
            for _ in range(REPEATS // 2):
                value, group = logged(rng, 0.0, sd_mm, decimals, touches, directions)
                false += found_step(value, group) is not None
    assert false <= 1


def test_a_shift_of_all_by_ten_metres_changes_nothing() -> None:
    value, group = logged(np.random.default_rng(26), 0.00125, 0.002, 4, 10)
    assert detect_step(value + 1e4, group, 1e-4) == pytest.approx(detect_step(value, group, 1e-4), rel=1e-9)


# ---- the resolution of a log


def test_the_coarsest_of_digit_step_and_declaration_counts() -> None:
    value, group = logged(np.random.default_rng(27), 0.005, 0.005, 3, 10)
    found = find_resolution((value,), group, declared_mm=0.001)
    assert (found.step_mm, found.digit_mm, found.declared_mm) == pytest.approx((0.005, 0.001, 0.001))
    assert found.detected_mm == pytest.approx(0.005)


def test_a_coarser_declaration_counts() -> None:
    value, group = logged(np.random.default_rng(28), 0.0, 0.005, 5, 10)
    assert find_resolution((value,), group, declared_mm=0.01).step_mm == 0.01


def test_of_two_axes_the_coarser_counts() -> None:
    rng = np.random.default_rng(29)
    coarse, group = logged(rng, 0.005, 0.005, 4, 10)
    fine, _ = logged(rng, 0.001, 0.005, 4, 10)
    assert find_resolution((coarse, fine), group).step_mm == pytest.approx(0.005)


def test_without_step_and_declaration_the_digit_counts() -> None:
    value, group = logged(np.random.default_rng(30), 0.0, 0.005, 4, 10)
    found = find_resolution((value,), group)
    assert (found.step_mm, found.detected_mm) == (found.digit_mm, None)


def test_the_digits_of_a_log_in_inch_are_those_of_the_inch() -> None:
    rng = np.random.default_rng(34)
    inch = np.round(rng.uniform(-2.0, 2.0, 240), 4)
    found = find_resolution((25.4 * inch,), np.arange(240) % 24, unit_mm=25.4)
    assert (found.digit_mm, found.step_mm) == pytest.approx((0.00254, 0.00254), rel=1e-12)
