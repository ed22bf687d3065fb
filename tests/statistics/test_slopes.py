"""Robust slope within directions: scipy's Theil-Sen for one direction, pairs counted out, coverage."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share, block_by_block, repeated, round_robin

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval
from probetest.statistics.slopes import MOST_PAIRS, RobustSlope, robust_slope

RUNS = 500


def shuffled(directions: int, touches: int) -> np.ndarray:
    return np.random.default_rng(70).permutation(block_by_block(directions, touches))


ORDERS = {"round robin": round_robin, "block by block": block_by_block, "shuffled": shuffled}


def slopes_of(reading: np.ndarray, direction: np.ndarray, order: np.ndarray) -> np.ndarray:
    """All pairs of the same direction, one by one."""
    pairs = itertools.combinations(range(len(reading)), 2)
    return np.array(
        [(reading[j] - reading[i]) / (order[j] - order[i]) for i, j in pairs if direction[i] == direction[j]]
    )


# ---- known answers


def test_a_line_is_exact_whatever_the_lobing() -> None:
    direction = round_robin(6, 4)
    found = robust_slope(0.25 * np.arange(24) + 100.0 * direction, direction, np.arange(24))
    assert found.per_touch_mm == pytest.approx(0.25, rel=1e-10)
    assert (found.interval_mm.lower, found.interval_mm.upper) == pytest.approx((0.25, 0.25), rel=1e-10)
    assert found.pairs == 6 * 6


def test_touch_numbers_may_have_gaps() -> None:
    order = np.array([1, 2, 5, 9, 10, 40])
    assert robust_slope(3.0 * order, [0, 1, 0, 1, 0, 1], order).per_touch_mm == pytest.approx(3.0, rel=1e-12)


def test_a_direction_touched_once_has_no_pair() -> None:
    found = robust_slope([0.0, 50.0, 1.0, 2.0], [0, 1, 0, 0], [1, 2, 3, 4])
    assert (found.per_touch_mm, found.pairs) == (pytest.approx(2 / 3), 3)


def test_a_quarter_of_wild_touches_does_not_make_the_slope() -> None:
    rng = np.random.default_rng(1)
    reading = 0.1 * np.arange(200) + rng.normal(size=200)
    reading[150:190] += 1000.0
    assert robust_slope(reading, np.zeros(200, dtype=int), np.arange(200)).per_touch_mm < 10
    reading[150:190] -= 1000.0
    reading[rng.choice(200, 40, replace=False)] += 1000.0
    found = robust_slope(reading, np.zeros(200, dtype=int), np.arange(200))
    assert abs(found.per_touch_mm - 0.1) < 0.02


def test_too_few_pairs_for_the_level_have_an_open_interval() -> None:
    found = robust_slope([0.0, 5.0, 1.0, 7.0], [0, 1, 0, 1], [1, 2, 3, 4])
    assert (found.interval_mm.lower, found.interval_mm.upper) == (-np.inf, np.inf)
    assert found.interval_mm.level == 0.95
    assert found.per_touch_mm == pytest.approx(0.75)


def test_one_touch_a_direction_is_refused() -> None:
    with pytest.raises(StatisticsError, match="touched only once"):
        robust_slope(np.arange(4.0), np.arange(4), np.arange(4))


def test_a_level_of_one_is_refused() -> None:
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        robust_slope(np.arange(4.0), [0, 0, 1, 1], np.arange(4), level=1.0)


def test_widening_keeps_the_slope() -> None:
    slope = RobustSlope(1.0, Interval(0.5, 2.0, 0.9), 0.4, 0.3, 7)
    assert slope.widened(3.0) == RobustSlope(1.0, Interval(-0.5, 4.0, 0.9), pytest.approx(1.2), 0.3, 7)
    assert slope.widened(1.0) == slope


# ---- oracle


@pytest.mark.parametrize("step", [0.0, 1.0], ids=["no ties", "ties"])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_one_direction_has_scipys_slope_and_interval(step: float, level: float) -> None:
    rng = np.random.default_rng(2)
    order = np.sort(rng.choice(200, 40, replace=False))
    reading = rng.normal(size=40) + 0.02 * order
    reading = np.round(reading / step) * step if step else reading
    oracle = stats.theilslopes(reading, order, level)
    found = robust_slope(reading, np.zeros(40, dtype=int), order, level)
    assert found.per_touch_mm == pytest.approx(oracle.slope, rel=1e-12)
    assert (found.interval_mm.lower, found.interval_mm.upper) == pytest.approx(
        (oracle.low_slope, oracle.high_slope), rel=1e-12
    )
    assert found.interval_mm.level == level


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_directions_have_the_median_of_their_own_pairs(order: object) -> None:
    direction = order(5, 6)
    reading = np.random.default_rng(3).normal(size=30)
    slopes = np.sort(slopes_of(reading, direction, np.arange(30)))
    found = robust_slope(reading, direction, np.arange(30))
    assert (found.per_touch_mm, found.pairs) == (pytest.approx(np.median(slopes), rel=1e-12), 75)
    # Hirsch, Slack and Smith: var(S) = sum n (n - 1) (2 n + 5) / 18.
    spread = np.sqrt(5 * 6 * 5 * 17 / 18)
    lower, upper = round((75 - 1.959964 * spread) / 2), round((75 + 1.959964 * spread) / 2)
    assert (found.interval_mm.lower, found.interval_mm.upper) == (slopes[lower - 1], slopes[upper])
    inner = slopes[round((75 + spread) / 2)] - slopes[round((75 - spread) / 2) - 1]
    assert found.standard_error_mm == pytest.approx(inner / 2, rel=1e-12)


def test_ties_of_different_directions_are_none() -> None:
    apart = robust_slope([0.0, 0.0, 1.0, 1.0, 3.0, 3.0], [0, 1] * 3, np.arange(6), 0.5)
    moved = robust_slope([0.0, 9.0, 1.0, 10.0, 3.0, 12.0], [0, 1] * 3, np.arange(6), 0.5)
    assert apart == moved


def test_a_long_test_is_dealt_out_into_parts_that_span_it() -> None:
    # 300 touches have 44850 pairs: three parts of 100 each.
    reading = np.random.default_rng(4).normal(size=300)
    found = robust_slope(reading, np.zeros(300, dtype=int), np.arange(300))
    parts = [slopes_of(reading[k::3], np.zeros(100), np.arange(300)[k::3]) for k in range(3)]
    assert found.pairs == 3 * 4950 <= MOST_PAIRS
    assert found.per_touch_mm == pytest.approx(np.median(np.concatenate(parts)), rel=1e-12)


def test_each_direction_is_dealt_out_by_its_own_touches() -> None:
    # 2 x 200 touches have 39800 pairs: two parts of 100 in each direction, whatever the order.
    rng = np.random.default_rng(7)
    direction = rng.permutation(block_by_block(2, 200))
    reading = rng.normal(size=400)
    rows = [np.flatnonzero(direction == one)[k::2] for one in range(2) for k in range(2)]
    slopes = np.concatenate([slopes_of(reading[part], np.zeros(100), part) for part in rows])
    found = robust_slope(reading, direction, np.arange(400))
    assert found.pairs == len(slopes) == 4 * 4950
    assert found.per_touch_mm == pytest.approx(np.median(slopes), rel=1e-12)


def test_parts_of_different_directions_stay_apart() -> None:
    direction = round_robin(3, 200)
    reading = 1000.0 * direction + 0.5 * np.arange(600)
    found = robust_slope(reading, direction, np.arange(600))
    assert found.per_touch_mm == pytest.approx(0.5, rel=1e-9)
    assert found.pairs == 3 * 3 * (2 * 67 * 66 // 2 + 66 * 65 // 2) // 3


def test_a_test_at_the_limit_is_not_dealt_out() -> None:
    # 200 touches have 19900 pairs.
    assert robust_slope(np.arange(200.0), [0] * 200, np.arange(200)).pairs == 19900


# ---- simulation


# Measured with 2000 tests each: 94.5 to 96.5 %, 93 % for 8 x 3 shuffled.
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_interval_covers_the_slope(order: object) -> None:
    rng, direction = np.random.default_rng(5), order(24, 10)
    line = 0.01 * np.arange(240)
    hits = sum(
        0.01 in robust_slope(line + one.standard_t(3, 240), direction, np.arange(240)).interval_mm
        for one in repeated(rng, RUNS)
    )
    assert_share(hits, RUNS, 0.95)


# Measured with 500 tests: within 5 % of the error from the design.
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_error_of_normal_readings_follows_from_the_design(order: object) -> None:
    rng, direction = np.random.default_rng(6), order(24, 10)
    found = [robust_slope(one.normal(size=240), direction, np.arange(240)) for one in repeated(rng, RUNS)]
    actual = np.std([one.per_touch_mm for one in found])
    assert actual == pytest.approx(found[0].normal_error, rel=0.12)
    assert actual == pytest.approx(np.mean([one.standard_error_mm for one in found]), rel=0.15)
