"""What a set of orientations can tell apart, against published tables and plain least squares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import even_azimuths

from probetest.errors import StatisticsError
from probetest.statistics.separation import separate
from probetest.statistics.turns import (
    FEWEST_DIRECTIONS,
    LEAST_SEPARABILITY,
    Turn,
    separability,
    stack_turns,
    wave_columns,
)

# 1 - |mean exp(i k phi)|^2 for k = 1..9 to three digits, worked out from sums of unit vectors.
TABLE = {
    (0, 180): (1, 0, 1, 0, 1, 0, 1, 0, 1),
    (0, 90): (0.5, 1, 0.5, 0, 0.5, 1, 0.5, 0, 0.5),
    (0, 60): (0.25, 0.75, 1, 0.75, 0.25, 0, 0.25, 0.75, 1),
    (0, 120, 240): (1, 1, 0, 1, 1, 0, 1, 1, 0),
    (0, 60, 180): (0.889, 0.667, 0.889, 0.667, 0.889, 0, 0.889, 0.667, 0.889),
    (0, 90, 180, 270): (1, 1, 1, 0, 1, 1, 1, 0, 1),
    (0, 45, 135): (0.667, 0.889, 0.667, 0.889, 0.667, 0.889, 0.667, 0, 0.667),
    (0, 30, 105): (0.474, 0.940, 0.667, 0.556, 0.859, 0.889, 0.859, 1, 0.667),
    (0, 30, 90, 210): (0.875, 0.75, 0.875, 0.75, 0.875, 0.75, 0.875, 0.75, 0.875),
    tuple(range(0, 360, 72)): (1, 1, 1, 1, 0, 1, 1, 1, 1),
    tuple(range(0, 360, 45)): (1, 1, 1, 1, 1, 1, 1, 0, 1),
    tuple(range(0, 360, 36)): (1, 1, 1, 1, 1, 1, 1, 1, 1),
}
BLIND = {
    (0, 180): [2, 4, 6, 8, 10, 12],
    (0, 90): [4, 8, 12],
    (0, 60): [6, 12],
    (0, 120, 240): [3, 6, 9, 12],
    (0, 60, 180): [6, 12],
    (0, 90, 180, 270): [4, 8, 12],
    (0, 45, 135): [8],
    (0, 30, 105): [],
    (0, 30, 90, 210): [12],
    tuple(range(0, 360, 72)): [5, 10],
    tuple(range(0, 360, 36)): [10],
}


def turn(orientation: float, azimuth: np.ndarray, counts: int | np.ndarray = 5) -> Turn:
    number = np.broadcast_to(np.asarray(counts), azimuth.shape).astype(np.intp)
    return Turn(orientation, azimuth, np.zeros(len(azimuth)), number, (0.0, 0.0), 0.002, 96.0)


def dense(orientations: tuple[float, ...], directions: int = 36, highest: int = 9) -> np.ndarray:
    """One constant, waves of the machine and of the probe, orders from 1, written out row by row."""
    rows = []
    for angle in orientations:
        for place in range(directions):
            theta = 2 * np.pi * place / directions
            body = theta - np.pi * angle / 180
            row = [1.0]
            for azimuth in (theta, body):
                for k in range(1, highest + 1):
                    row += [np.cos(k * azimuth), np.sin(k * azimuth)]
            rows.append(row)
    return np.array(rows)


# ---- separability


@pytest.mark.parametrize("orientations", list(TABLE), ids=str)
def test_separability_is_that_of_the_table(orientations: tuple[float, ...]) -> None:
    found = [separability(orientations, k) for k in range(1, 10)]
    assert found == pytest.approx(TABLE[orientations], abs=6e-4)


@pytest.mark.parametrize("orientations", list(BLIND), ids=str)
def test_blind_orders_are_those_of_the_table(orientations: tuple[float, ...]) -> None:
    blind = [k for k in range(1, 13) if separability(orientations, k) < LEAST_SEPARABILITY]
    assert blind == BLIND[orientations]


@pytest.mark.parametrize("orientations", list(TABLE), ids=str)
def test_the_constant_is_never_separable(orientations: tuple[float, ...]) -> None:
    assert separability(orientations, 0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("steps", range(2, 13))
def test_equal_steps_lose_only_multiples_of_their_number(steps: int) -> None:
    # W. T. Estler, C. J. Evans, L. Shao, "Uncertainty estimation for multiposition form error metrology",
    # Precision Engineering (abstract): with N positions all components of the ball average to zero except
    # those of kN cycles a revolution.
    orientations = np.arange(steps) * 360.0 / steps + 17.0
    for k in range(1, 40):
        expected = 0.0 if k % steps == 0 else 1.0
        assert separability(orientations, k) == pytest.approx(expected, abs=1e-12)


def test_only_differences_of_orientations_matter() -> None:
    angles = np.array([0.0, 30.0, 90.0, 210.0])
    for k in range(1, 13):
        plain = separability(angles, k)
        assert separability(angles + 123.4, k) == pytest.approx(plain, abs=1e-12)
        assert separability(-angles, k) == pytest.approx(plain, abs=1e-12)
        whole_turns = angles[::-1] + np.array([360, 0, -360, 720])
        assert separability(whole_turns, k) == pytest.approx(plain, abs=1e-12)


def test_weights_count_like_repeated_orientations() -> None:
    for k in range(1, 10):
        weighted = separability([0, 30, 105], k, [10, 30, 20])
        assert weighted == pytest.approx(separability([0, 30, 30, 30, 105, 105], k), abs=1e-12)
    # Two orientations 180 deg apart: |(a - b) / (a + b)|^2 is lost in odd orders.
    assert separability([0, 180], 3, [3, 1]) == pytest.approx(1 - 0.5**2)
    assert separability([0, 180], 3, [1, 0]) == pytest.approx(0.0)


# ---- against plain least squares


@pytest.mark.parametrize(
    ("orientations", "deficit", "condition"),
    [
        ((0,), 18, None),
        ((0, 180), 8, None),
        ((0, 90), 4, None),
        ((0, 120, 240), 6, None),
        ((0, 90, 180, 270), 4, None),
        ((0, 60, 180), 2, None),
        ((0, 30, 105), 0, 2.70),
        ((0, 30, 90, 210), 0, 2.00),
        (tuple(range(0, 360, 36)), 0, 1.41),
    ],
)
def test_least_squares_lacks_two_ranks_for_each_blind_order(
    orientations: tuple[float, ...], deficit: int, condition: float | None
) -> None:
    design = dense(orientations)
    assert design.shape[1] - np.linalg.matrix_rank(design) == deficit
    blind = [k for k in range(1, 10) if separability(orientations, k) < 1e-9]
    assert 2 * len(blind) == deficit
    if condition is not None:
        assert np.linalg.cond(design) == pytest.approx(condition, abs=0.005)


@pytest.mark.parametrize(
    "orientations", [(0, 30, 105), (0, 30, 90, 210), (0, 45, 130), (10, 20, 200, 260, 300)]
)
def test_standard_error_is_the_closed_form(orientations: tuple[float, ...]) -> None:
    design = dense(orientations)
    error = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[1 + 2 * 9 :].reshape(9, 2)
    for k in range(1, 10):
        closed = np.sqrt(2 / (36 * len(orientations) * separability(orientations, k)))
        assert error[k - 1] == pytest.approx(closed, rel=1e-9)


def test_standard_errors_of_three_orientations_as_worked_out() -> None:
    found = [np.sqrt(2 / (36 * 3 * separability([0, 30, 105], k))) for k in (1, 3, 6, 9)]
    assert found == pytest.approx([0.1976, 0.1667, 0.1443, 0.1667], abs=5e-5)


def test_standard_error_with_unequal_touches_is_the_closed_form() -> None:
    orientations, touches = (0, 30, 105), np.array([2.0, 7.0, 4.0])
    design = dense(orientations) * np.sqrt(np.repeat(touches, 36))[:, None]
    error = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[1 + 2 * 9 :].reshape(9, 2)
    for k in range(1, 10):
        closed = np.sqrt(2 / (36 * touches.sum() * separability(orientations, k, touches)))
        assert error[k - 1] == pytest.approx(closed, rel=1e-9)


@pytest.mark.parametrize(
    "orientations", [(0, 30, 90, 210), (0, 30, 105), (0, 90, 180, 270), (0, 180)], ids=str
)
def test_separated_waves_have_the_error_of_the_closed_form(orientations: tuple[float, ...]) -> None:
    # The waves of the machine are free, as are constant and centre of each orientation.
    rng, azimuth = np.random.default_rng(1), even_azimuths(24)
    level = 0.01 * np.cos(np.deg2rad(2 * azimuth))
    found = separate(
        [replace(turn(a, azimuth), mean_mm=level + rng.normal(0, 9e-4, 24)) for a in orientations]
    )
    assert len(found.probe_harmonics) == len(found.separable_orders) > 0
    for wave in found.probe_harmonics:
        closed = np.sqrt(2 / (24 * 5 * len(orientations) * separability(orientations, wave.order)))
        assert wave.u_mm == pytest.approx(found.noise_mm * closed, rel=1e-9)
    assert dict(found.separability)[3] == pytest.approx(separability(orientations, 3))
    assert found.n == 24 * 5 * len(orientations)


# ---- columns and stack


def test_wave_columns_are_cosine_and_sine_of_each_order() -> None:
    azimuth = np.array([0.0, 10.0, 250.0])
    columns = wave_columns(azimuth, [2, 5])
    assert columns.shape == (3, 4)
    for row, angle in zip(columns, np.deg2rad(azimuth), strict=True):
        assert row == pytest.approx(
            [np.cos(2 * angle), np.sin(2 * angle), np.cos(5 * angle), np.sin(5 * angle)]
        )
    assert wave_columns(azimuth, []).shape == (3, 0)


def test_stack_weighs_and_turns() -> None:
    first, second = even_azimuths(8), even_azimuths(9, 5.0)
    counts = np.arange(1, 10)
    second_turn = turn(30.0, second, counts)
    one = Turn(200.0, first, np.arange(8.0), np.full(8, 4), (1.0, 2.0), 0.002, 24.0)
    stack = stack_turns([one, second_turn])
    assert stack.target[:8] == pytest.approx(2 * np.arange(8.0))
    assert stack.root == pytest.approx(np.r_[np.full(8, 2.0), np.sqrt(counts)])
    assert stack.body_deg == pytest.approx(np.r_[(first - 200) % 360, (second - 30) % 360])
    assert stack.touches.tolist() == [32, 45]
    assert stack.separability(3) == pytest.approx(separability([200, 30], 3, [32, 45]))
    assert stack.level.shape == (17, 6)
    assert not stack.level[:8, 3:].any()
    assert not stack.level[8:, :3].any()
    angle = np.deg2rad(second)
    plain = np.column_stack([np.ones(9), np.cos(angle), np.sin(angle)])
    assert stack.level[8:, 3:] == pytest.approx(plain * np.sqrt(counts)[:, None])
    assert stack.of_machine([2])[:, 0] == pytest.approx(
        stack.root * np.cos(2 * np.deg2rad(stack.azimuth_deg))
    )
    assert stack.of_probe([3])[:, 1] == pytest.approx(stack.root * np.sin(3 * np.deg2rad(stack.body_deg)))


@pytest.mark.parametrize(("directions", "highest"), [(7, 3), (8, 3), (12, 5), (24, 11), (25, 12), (36, 12)])
def test_highest_order_is_below_half_the_directions(directions: int, highest: int) -> None:
    turns = [turn(angle, even_azimuths(directions)) for angle in (0, 30)]
    assert stack_turns(turns).highest == highest


def test_the_poorest_orientation_sets_the_highest_order() -> None:
    stack = stack_turns([turn(0, even_azimuths(36)), turn(30, even_azimuths(9)), turn(90, even_azimuths(24))])
    assert stack.highest == 4
    assert stack.orders(blind=False) == [2, 3, 4]


def test_a_gap_in_the_directions_lowers_the_highest_order() -> None:
    # 24 directions over 240 deg: the condition of waves up to order K, worked out here again.
    azimuth = np.linspace(0, 240, 24)
    highest = stack_turns([turn(angle, azimuth) for angle in (0, 30)]).highest
    angle = np.deg2rad(azimuth)

    def condition(order: int) -> float:
        waves = [f(k * angle) * np.sqrt(2) for k in range(1, order + 1) for f in (np.cos, np.sin)]
        return float(np.linalg.cond(np.column_stack([np.ones(24), *waves])))

    assert highest < 11
    assert condition(highest + 1) > 10
    assert highest == 2 or condition(highest) <= 10


def test_orders_are_separable_or_blind() -> None:
    stack = stack_turns([turn(angle, even_azimuths(36)) for angle in (0, 90, 180, 270)])
    assert stack.orders(blind=True) == [4, 8, 12]
    assert stack.orders(blind=False) == [2, 3, 5, 6, 7, 9, 10, 11]


@pytest.mark.parametrize("orientations", [(), (0,), (30, 30), (0, 360), (-90, 270)])
def test_one_orientation_is_refused(orientations: tuple[float, ...]) -> None:
    with pytest.raises(StatisticsError, match="one orientation can't tell the probe from the machine"):
        stack_turns([turn(angle, even_azimuths(12)) for angle in orientations])


def test_too_few_directions_are_refused_with_the_orientation() -> None:
    enough, few = even_azimuths(FEWEST_DIRECTIONS), even_azimuths(FEWEST_DIRECTIONS - 1)
    assert stack_turns([turn(0, enough), turn(30, enough)]).highest == 3
    with pytest.raises(StatisticsError, match="orientation 30 deg has 6 directions; each needs at least 7"):
        stack_turns([turn(0, enough), turn(30, few)])
