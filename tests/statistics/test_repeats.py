"""Missing repeats: chances against all orders, false alarms and finds in simulated logs."""

from __future__ import annotations

from collections import Counter
from dataclasses import FrozenInstanceError
from itertools import pairwise, permutations

import numpy as np
import pytest
from rounded_logs import make_log
from simulated import assert_share_at_least, assert_share_at_most, round_robin

from probetest.errors import StatisticsError
from probetest.statistics import repeats
from probetest.statistics.repeats import EqualNeighbours, equal_neighbours


def judge(reading: list[float], direction: list[int] | np.ndarray, risk: float = 0.001) -> EqualNeighbours:
    return equal_neighbours(reading, direction, np.arange(len(reading)), 1.0, risk)


@pytest.mark.parametrize(
    "counts", [(1,), (4,), (1, 1, 1), (1, 3), (2, 2), (1, 1, 2), (1, 2, 3), (2, 2, 3), (1, 5)], ids=str
)
def test_chances_are_those_of_all_orders(counts: tuple[int, ...]) -> None:
    values = [value for value, times in enumerate(counts) for _ in range(times)]
    orders = list(permutations(values))
    seen = Counter(sum(a == b for a, b in pairwise(order)) for order in orders)
    expected = [seen[pairs] / len(orders) for pairs in range(len(values))]
    assert repeats._equal_pairs(counts) == pytest.approx(expected, abs=1e-14)


def test_rows_are_taken_together() -> None:
    # Of 1, 1, 2, 2 and of 5, 6, 6 one order in three shows no equal pair; means 1 and 2/3.
    found = judge([1.0, 2.0, 1.0, 2.0, 6.0, 5.0, 6.0], [0, 0, 0, 0, 1, 1, 1])
    assert (found.seen, found.pairs, found.suspected) == (0, 5, False)
    assert (found.expected, found.p_value) == pytest.approx((1 + 2 / 3, 1 / 9), rel=1e-12)


def test_pairs_that_are_seen_count() -> None:
    # More than two need two equal pairs of 1, 1, 2, 2 (1 order in 3) and one of 5, 6, 6 (2 in 3).
    found = judge([1.0, 1.0, 2.0, 2.0, 6.0, 5.0, 6.0], [0, 0, 0, 0, 1, 1, 1])
    assert (found.seen, found.p_value) == (2, pytest.approx(1 - 1 / 3 * 2 / 3, rel=1e-12))


@pytest.mark.parametrize(("risk", "suspected"), [(0.112, True), (0.111, False)])
def test_the_risk_is_the_threshold(risk: float, suspected: bool) -> None:
    assert judge([1.0, 2.0, 1.0, 2.0, 6.0, 5.0, 6.0], [0, 0, 0, 0, 1, 1, 1], risk).suspected is suspected


def test_order_decides_what_is_next_to_what() -> None:
    shuffled = equal_neighbours([6.0, 1.0, 1.0, 5.0, 1.0], [1, 0, 0, 1, 0], [9, 2, 4, 10, 3], 1.0)
    assert (shuffled.seen, shuffled.pairs) == (2, 3)
    gap = equal_neighbours([6.0, 1.0, 1.0, 5.0, 1.0], [1, 0, 0, 1, 0], [9, 2, 5, 10, 3], 1.0)
    assert (gap.seen, gap.pairs) == (1, 2)


def test_all_coordinates_must_be_equal() -> None:
    positions = [[1.0, 1.0], [1.0, 2.0], [1.0, 2.0], [2.0, 2.0]]
    assert equal_neighbours(positions, [0] * 4, np.arange(4), 1.0).seen == 1


@pytest.mark.parametrize(("apart", "seen"), [(0.49, 1), (0.51, 0)])
def test_half_a_width_is_no_difference(apart: float, seen: int) -> None:
    assert judge([3.0, 3.0 + apart], [0, 0]).seen == seen


def test_equal_readings_of_two_directions_are_no_neighbours() -> None:
    found = judge([3.0, 3.0, 3.0], [0, 1, 0])
    assert found == EqualNeighbours(seen=0, expected=0.0, pairs=0, p_value=1.0, suspected=False)


def test_long_rows_are_judged_in_parts() -> None:
    found = judge([0.0] * 60, [0] * 60)
    assert (found.seen, found.pairs, found.expected, found.p_value) == (57, 57, 57.0, 1.0)


def test_many_rows_are_judged_by_the_normal_law(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(67)
    reading, direction = make_log(rng, 300, 10, 2.0)
    exact = judge(reading, direction)
    monkeypatch.setattr(repeats, "MANY", 100.0)
    assert judge(reading, direction).p_value == pytest.approx(exact.p_value, abs=0.005)
    assert 0.001 < exact.p_value < 0.999


@pytest.mark.parametrize("width", [0.3, 1.0, 2.0, 4.0])
def test_a_log_that_lacks_nothing_is_rarely_suspected(width: float) -> None:
    rng, runs = np.random.default_rng(68), 200
    found = [judge(*_in_widths(rng, 24, 10, width, drops=False), 0.05).suspected for _ in range(runs)]
    assert_share_at_most(sum(found), runs, 0.05)
    assert sum(found) > 0


# Measured with 400 logs each: 24 x 10 always found from 0.3 sd on; 12 x 5 in 56 % at 1 sd, 77 % at 2 sd.
@pytest.mark.parametrize("width", [0.5, 1.0, 2.0, 4.0])
def test_dropped_repeats_are_found(width: float) -> None:
    rng, runs = np.random.default_rng(69), 60
    found = [judge(*_in_widths(rng, 24, 10, width, drops=True)) for _ in range(runs)]
    assert_share_at_least(sum(one.suspected for one in found), runs, 0.999)
    assert {one.seen for one in found} == {0}


def _in_widths(
    rng: np.random.Generator, directions: int, touches: int, width: float, *, drops: bool
) -> tuple[np.ndarray, np.ndarray]:
    reading, direction = make_log(rng, directions, touches, width, drops=drops)
    return reading / width, direction


def test_round_robin_shows_no_neighbours() -> None:
    reading = np.round(np.random.default_rng(70).normal(size=240))
    found = judge(reading, round_robin(24, 10))
    assert (found.pairs, found.p_value, found.suspected) == (0, 1.0, False)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, 2.0], [0], [0, 1], 1.0), r"but have the shapes \(2,\), \(1,\) and \(2,\)"),
        (([1.0, 2.0], [0, 0], [0], 1.0), r"but have the shapes \(2,\), \(2,\) and \(1,\)"),
        (([[1.0], [2.0]], [[0], [0]], [[0], [1]], 1.0), "must be of one length"),
        (([1.0, np.nan], [0, 0], [0, 1], 1.0), "positions must be finite"),
        (([1.0, 2.0], [0, 0], [0, 1], 0.0), "but got a width of 0.0 mm and a risk of 0.001"),
        (([1.0, 2.0], [0, 0], [0, 1], 1.0, 1.0), "a risk of 1.0"),
        (([1.0, 2.0], [0, 0], [0, 1], 1.0, 0.0), "a risk of 0.0"),
    ],
)
def test_neighbours_that_can_not_be_judged_are_refused(arguments: tuple[object, ...], message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        equal_neighbours(*arguments)


def test_result_can_not_be_changed() -> None:
    found = judge([0.0, 2.0], [0, 0])
    with pytest.raises(FrozenInstanceError):
        found.seen = 7  # type: ignore[misc]
    assert not hasattr(found, "__dict__")
