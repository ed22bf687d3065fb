"""Orientations, directions and orders of a test: against normal equations, exhaustive search and counts."""

from __future__ import annotations

from itertools import combinations, pairwise
from time import process_time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probetest.errors import StatisticsError
from probetest.statistics.design import FINEST_DEG, best_orientations, directions_of, order_rounds
from probetest.statistics.seat import seat_shape
from probetest.statistics.turns import separability

SEPARABILITY = {
    # Derived in closed form, 1 - |mean exp(i k phi)|² for k = 1 to 9; checked below by normal equations.
    (0, 180): (1, 0, 1, 0, 1, 0, 1, 0, 1),
    (0, 90): (0.5, 1, 0.5, 0, 0.5, 1, 0.5, 0, 0.5),
    (0, 60): (0.25, 0.75, 1, 0.75, 0.25, 0, 0.25, 0.75, 1),
    (0, 120, 240): (1, 1, 0, 1, 1, 0, 1, 1, 0),
    (0, 60, 180): (0.889, 0.667, 0.889, 0.667, 0.889, 0, 0.889, 0.667, 0.889),
    (0, 90, 180, 270): (1, 1, 1, 0, 1, 1, 1, 0, 1),
    (0, 45, 135): (0.667, 0.889, 0.667, 0.889, 0.667, 0.889, 0.667, 0, 0.667),
    (0, 30, 105): (0.474, 0.940, 0.667, 0.556, 0.859, 0.889, 0.859, 1, 0.667),
    (0, 30, 90, 210): (0.875, 0.750, 0.875, 0.750, 0.875, 0.750, 0.875, 0.750, 0.875),
    (0, 72, 144, 216, 288): (1, 1, 1, 1, 0, 1, 1, 1, 1),
}


def by_normal_equations(orientations_deg: tuple[float, ...], order: int) -> float:
    """Variance of a wave of the probe if all else were known, by its variance beside one of the machine."""
    azimuth = np.deg2rad(np.arange(36) * 10.0)
    rows = []
    for turn in np.deg2rad(orientations_deg):
        machine, probe = order * azimuth, order * (azimuth - turn)
        rows.append(np.column_stack([np.cos(machine), np.sin(machine), np.cos(probe), np.sin(probe)]))
    normal = np.vstack(rows).T @ np.vstack(rows)
    beside = normal[2:, 2:] - normal[2:, :2] @ np.linalg.inv(normal[:2, :2]) @ normal[:2, 2:]
    return float(np.linalg.eigvalsh(beside)[0] / normal[2, 2])


@pytest.mark.parametrize("orientations", SEPARABILITY, ids=str)
def test_separability_is_that_of_the_normal_equations(orientations: tuple[int, ...]) -> None:
    for order, known in enumerate(SEPARABILITY[orientations], start=1):
        assert separability(orientations, order) == pytest.approx(known, abs=6e-4)
        assert by_normal_equations(orientations, order) == pytest.approx(known, abs=6e-4)


@pytest.mark.parametrize(
    ("count", "step", "orders"),
    [
        (2, 15.0, range(1, 10)),
        (3, 30.0, range(1, 10)),
        (4, 45.0, (1, 2, 3, 6, 9)),
        (5, 60.0, range(1, 10)),
        (6, 60.0, (1, 2)),
    ],
)
def test_best_orientations_are_those_of_an_exhaustive_search(
    count: int, step: float, orders: tuple[int, ...]
) -> None:
    places = np.arange(step, 360.0, step).tolist()
    worst = {
        others: min(by_normal_equations((0.0, *others), order) for order in orders)
        for others in combinations(places, count - 1)
    }
    found = best_orientations(count, step, tuple(orders))
    assert found.worst == pytest.approx(max(worst.values()), abs=1e-9)
    assert worst[found.orientations_deg[1:]] == pytest.approx(found.worst, abs=1e-9)
    assert [order for order, _ in found.separability] == list(orders)


def test_known_best_sets() -> None:
    assert best_orientations(4).orientations_deg == (0.0, 30.0, 90.0, 210.0)
    assert best_orientations(4).worst == pytest.approx(0.75)
    fine = best_orientations(3, FINEST_DEG)
    assert fine.worst == pytest.approx(0.474, abs=5e-4)
    # Two orientations have no good set: 0.09 at most.
    assert best_orientations(2, FINEST_DEG).worst == pytest.approx(0.09, abs=0.005)
    # A fourth part of the turn each is perfect for these orders.
    assert best_orientations(4, 90.0, (1, 2, 3, 6, 9)).worst == pytest.approx(1.0)


def test_blind_orders_are_named() -> None:
    found = best_orientations(3, 120.0)
    assert found.orientations_deg == (0.0, 120.0, 240.0)
    assert found.blind_orders == (3, 6, 9)
    assert best_orientations(4).blind_orders == ()


@pytest.mark.parametrize("step", [1.0, 2.0, 3.0, 7.0, 7.5, 11.0, 45.0])
def test_orientations_are_multiples_of_the_step_and_not_too_fine(step: float) -> None:
    angles = np.array(best_orientations(3, step).orientations_deg)
    assert angles[0] == 0
    assert (np.diff(angles) > FINEST_DEG - 1e-9).all()
    assert angles[-1] < 360
    assert angles / step == pytest.approx(np.round(angles / step), abs=1e-9)


@pytest.mark.parametrize(
    ("count", "step", "orders", "message"),
    [
        (1, 15.0, (1,), "2 to 6 orientations"),
        (7, 15.0, (1,), "2 to 6 orientations"),
        (3, 0.0, (1,), "2 to 6 orientations"),
        (3, 15.0, (), "2 to 6 orientations"),
        (3, 180.0, (1,), "has no 3 orientations"),
        (6, 5.0, (1,), "too many to try"),
    ],
)
def test_impossible_orientations_are_refused(
    count: int, step: float, orders: tuple[int, ...], message: str
) -> None:
    start = process_time()
    with pytest.raises(StatisticsError, match=message):
        best_orientations(count, step, orders)
    # 13 million sets must not be listed only to be refused.
    assert process_time() - start < 1


# ---- directions


@pytest.mark.parametrize("count", [3, 4, 10, 12, 16, 24, 25])
@pytest.mark.parametrize("arm", [None, 0.0, 15.0, 100.3, -30.0])
def test_directions_are_even(count: int, arm: float | None) -> None:
    azimuth = np.sort(directions_of(count, arm))
    assert len(azimuth) == count
    assert azimuth.min() >= 0
    assert azimuth.max() < 360
    assert np.diff(azimuth) == pytest.approx(np.full(count - 1, 360 / count))


@pytest.mark.parametrize("count", [9, 12, 13, 16, 24])
@pytest.mark.parametrize("arm", [0.0, 7.0, 100.3])
def test_known_arms_are_seen_as_well_as_any_start_allows(count: int, arm: float) -> None:
    def seen(azimuth: np.ndarray) -> float:
        angle = np.deg2rad(azimuth)
        plain = np.column_stack([np.ones(count), np.cos(angle), np.sin(angle)])
        shape = seat_shape(azimuth, arm, 0.0)
        return float(np.ptp(shape - plain @ np.linalg.lstsq(plain, shape, rcond=None)[0]))

    even = np.arange(count) * 360 / count
    best = max(seen(start + even) for start in np.arange(0, 360 / count, 0.5))
    assert seen(directions_of(count, arm)) >= best * (1 - 1e-9)
    # It is worth it: a number that three divides shows half as much again as from a bad start.
    if count % 3 == 0:
        assert best > 1.2 * min(seen(start + even) for start in np.arange(0, 360 / count, 0.5))


def test_three_directions_are_needed() -> None:
    with pytest.raises(StatisticsError, match="3 or more"):
        directions_of(2)


# ---- orders


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 20), st.integers(1, 24), st.integers(0, 10**6))
def test_each_round_holds_each_direction_and_none_follows_itself(
    directions: int, rounds: int, seed: int
) -> None:
    order = order_rounds(directions, rounds, np.random.default_rng(seed))
    assert (np.sort(order.reshape(rounds, directions), axis=1) == np.arange(directions)).all()
    assert (np.diff(order) != 0).all()


@pytest.mark.parametrize("directions", [3, 25, 37])
def test_odd_numbers_do_not_follow_themselves_in_long_tests(directions: int) -> None:
    for seed in range(8):
        order = order_rounds(directions, 2 * directions, np.random.default_rng(seed))
        assert (np.diff(order) != 0).all()


@pytest.mark.parametrize("directions", [4, 8, 10, 16])
def test_a_whole_square_is_balanced(directions: int) -> None:
    # Williams' design: each direction in each place of a round once, each ordered pair of neighbours once.
    for seed in range(5):
        order = order_rounds(directions, directions, np.random.default_rng(seed))
        rounds = order.reshape(directions, directions)
        assert (np.sort(rounds, axis=0) == np.arange(directions)[:, None]).all()
        pairs = [pair for row in rounds.tolist() for pair in pairwise(row)]
        assert len(set(pairs)) == len(pairs) == directions * (directions - 1)
        # A straight drift then moves all direction means alike.
        places = [np.flatnonzero(order == one).mean() for one in range(directions)]
        assert places == pytest.approx([(directions**2 - 1) / 2] * directions)


@pytest.mark.parametrize("directions", [5, 9, 13, 25])
def test_an_odd_number_repeats_a_pair_once_at_most(directions: int) -> None:
    for seed in range(5):
        rounds = order_rounds(directions, directions + 1, np.random.default_rng(seed))
        _, counts = np.unique(
            [a * directions + b for row in rounds.reshape(-1, directions).tolist() for a, b in pairwise(row)],
            return_counts=True,
        )
        assert counts.max() <= 2


def test_the_seed_makes_the_order() -> None:
    first, again, other = (order_rounds(10, 7, np.random.default_rng(seed)).tolist() for seed in (1, 1, 2))
    assert first == again
    assert first != other


@pytest.mark.parametrize(("directions", "rounds"), [(1, 3), (4, 0)])
def test_an_order_of_nothing_is_refused(directions: int, rounds: int) -> None:
    with pytest.raises(StatisticsError, match="2 directions and a round"):
        order_rounds(directions, rounds, np.random.default_rng(1))
