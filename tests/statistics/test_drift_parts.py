"""Drift in parts: what goes in, levels, refusals, equal neighbours, slopes that few touches make."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from simulated import block_by_block, even_azimuths, round_robin

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.drift import Drift, _equal_share, _rate, drift, successive_sd
from probetest.statistics.serial import SerialEffect

ALONE = SerialEffect(0.0, 0.1, 0.5, False, sd_factor=1.0, dof_share=1.0, mean_factor=1.0)
NO_MOTION = np.zeros((24, 0))


def analysed(reading: np.ndarray, direction: np.ndarray, **options: object) -> Drift:
    directions = int(direction.max()) + 1
    return drift(reading, direction, even_azimuths(directions), np.arange(1, len(reading) + 1), **options)


def scattered(seed: int, touches: int = 72, sd: float = 1.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, touches)


# ---- what goes in


@pytest.mark.parametrize("single", ["reading", "azimuth", "order", "time"])
def test_numbers_of_single_precision_are_computed_with_in_double(single: str) -> None:
    direction = round_robin(12, 6)
    values = {
        "reading": 100 + scattered(111, sd=0.01),
        "azimuth": even_azimuths(12, 0.1),
        "order": np.arange(72) + 1e6 / 3,
        "time": np.linspace(0.1, 999.9, 72),
    }
    values[single] = values[single].astype(np.float32)

    def told(reading: np.ndarray, azimuth: np.ndarray, order: np.ndarray, time: np.ndarray) -> Drift:
        return drift(reading, direction, azimuth, order, time)

    double = {name: value.astype(float) for name, value in values.items()}
    assert told(**values) == told(**double)


def test_lists_are_as_good_as_arrays() -> None:
    reading, direction = scattered(112), round_robin(12, 6)
    found = drift(reading.tolist(), direction.tolist(), even_azimuths(12).tolist(), list(range(1, 73)))
    assert found == analysed(reading, direction)


def test_successive_sd_of_numbers_in_single_precision_is_that_in_double() -> None:
    values = (1000 + scattered(113)).astype(np.float32)
    assert successive_sd(values) == successive_sd(values.astype(float))


def test_successive_sd_keeps_the_order_inside_each_group() -> None:
    values, group = scattered(114, 2400), np.random.default_rng(115).integers(0, 4, 2400)
    squares = np.concatenate([np.diff(values[group == label]) ** 2 for label in range(4)])
    assert successive_sd(values, group) == pytest.approx(np.sqrt(squares.mean() / 2), rel=1e-12)


def test_successive_sd_is_reported_inside_directions() -> None:
    reading, direction = scattered(116), round_robin(12, 6)
    reading = reading + 50.0 * direction
    assert analysed(reading, direction).successive_sd_mm == successive_sd(reading, direction)
    assert analysed(reading, direction).successive_sd_mm < 1.3


@pytest.mark.parametrize("level", [0.8, 0.99])
def test_the_level_reaches_every_interval(level: float) -> None:
    found = analysed(scattered(117), round_robin(12, 6), time_s=np.arange(72.0), level=level)
    factor = stats.t.isf((1 - level) / 2, found.dof)
    assert found.interval_mm.half_width == pytest.approx(factor * found.standard_error_mm, rel=1e-9)
    assert found.rate_interval.half_width == pytest.approx(
        factor * found.standard_error_mm / 71 * 3600, rel=1e-9
    )
    intervals = (
        found.interval_mm,
        found.rate_interval,
        found.robust.interval_mm,
        found.first_touch.interval_mm,
    )
    assert {interval.level for interval in intervals} == {level}


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_another_unit_scales_all_lengths(unit: float) -> None:
    direction = round_robin(12, 6)
    reading = scattered(118) + np.linspace(0, 3, 72)
    one, other = analysed(reading, direction), analysed(unit * reading, direction)
    for name in (
        "per_touch_mm",
        "over_test_mm",
        "standard_error_mm",
        "sd_without_mm",
        "size_mm",
        "size_u_mm",
    ):
        assert getattr(other, name) == pytest.approx(unit * getattr(one, name), rel=1e-7)
    assert other.robust.per_touch_mm == pytest.approx(unit * one.robust.per_touch_mm, rel=1e-7)
    assert (other.significant, other.path_kind, other.dof) == (one.significant, one.path_kind, one.dof)


def test_touches_counted_from_another_number_tell_the_same() -> None:
    reading, direction = scattered(119) + np.linspace(0, 3, 72), round_robin(12, 6)
    one = analysed(reading, direction)
    other = drift(reading, direction, even_azimuths(12), np.arange(5001, 5073))
    assert other.over_test_mm == pytest.approx(one.over_test_mm, rel=1e-9)
    assert other.within_share == pytest.approx(one.within_share, rel=1e-9)
    assert other.robust.per_touch_mm == pytest.approx(one.robust.per_touch_mm, rel=1e-9)


# ---- refusals


@pytest.mark.parametrize(("touches", "dof"), [(8, 3), (9, 4)])
def test_three_degrees_of_freedom_are_enough(touches: int, dof: int) -> None:
    # One direction has no motion of the centre: touches less a mean, less slope... and nothing else.
    direction = np.r_[np.zeros(touches - 3, dtype=int), [1, 2, 3]]
    assert analysed(scattered(120, touches), direction).dof == dof


def test_two_degrees_of_freedom_are_refused() -> None:
    with pytest.raises(StatisticsError, match=r"^drift can't be told from 7 touches in 4 directions$"):
        analysed(scattered(121, 7), np.array([0, 0, 0, 0, 1, 2, 3]))


def test_one_touch_a_direction_is_refused_with_the_reason() -> None:
    with pytest.raises(StatisticsError, match=r"^drift can't be told: each direction was touched only once$"):
        analysed(np.arange(12.0), np.arange(12))


def test_touches_that_all_have_one_number_are_refused() -> None:
    with pytest.raises(StatisticsError, match=r"^drift can't be told: each direction was touched only once$"):
        drift(scattered(122, 24), round_robin(4, 6), even_azimuths(4), np.full(24, 7))


def test_an_order_that_moves_with_the_centre_is_refused() -> None:
    # The number of a touch changes within two of three directions only: slope and motion are one.
    direction = np.repeat([0, 1, 2], 6)
    order = np.where(direction == 2, 9.0, np.tile(np.arange(6.0), 3))
    with pytest.raises(
        StatisticsError, match=r"^drift can't be told: the order of the touches follows the directions$"
    ):
        drift(scattered(123, 18), direction, even_azimuths(3), order)


# ---- shape of the path


def test_a_straight_drift_has_no_square_and_no_cube() -> None:
    found = analysed(scattered(124) + np.linspace(0, 9, 72), round_robin(12, 6))
    assert found.path_kind == "line"
    assert found.curve_mm[1:] == (0.0, 0.0)


def test_a_warm_up_is_told_from_the_first_number_on() -> None:
    # Numbers with a gap after the first: a quarter of the way is counted from it.
    order = np.r_[1.0, np.arange(41.0, 280.0)]
    share = (order - 1) / np.ptp(order)
    reading = 5 * np.minimum(share / 0.5, 1.0) + scattered(125, 240, 0.02)
    found = drift(reading, round_robin(24, 10), even_azimuths(24), order)
    assert found.warm_up.settled_touch == pytest.approx(1 + 0.5 * 278, abs=3.0)


# ---- equal neighbours and slopes that few touches make


def test_equal_share_counts_touches_that_repeat_the_one_before_of_their_direction() -> None:
    # Direction 0: 1, 1, 2 (one of two repeats); direction 1: 5, 5, 5 (two of two).
    reading = np.array([1.0, 5.0, 1.0, 5.0, 2.0, 5.0])
    assert _equal_share(reading, np.array([0, 1, 0, 1, 0, 1])) == 3 / 4


def test_equal_share_forgives_what_rounding_of_a_float_adds() -> None:
    reading = np.array([0.0, 1.0, 1.0 + 9e-10, 1.0 + 1.1e-8])
    assert _equal_share(reading, np.zeros(4, dtype=int)) == 1 / 3
    assert _equal_share(1e-6 * reading, np.zeros(4, dtype=int)) == 1 / 3


def test_equal_readings_are_all_equal() -> None:
    assert _equal_share(np.full(6, 0.1), np.zeros(6, dtype=int)) == 1.0


def test_equal_share_keeps_the_order_inside_each_direction() -> None:
    rng = np.random.default_rng(126)
    reading, index = rng.integers(0, 3, 2400).astype(float), rng.integers(0, 4, 2400)
    equal = np.concatenate([np.diff(reading[index == label]) == 0 for label in range(4)])
    assert _equal_share(reading, index) == pytest.approx(equal.mean(), rel=1e-12)


@pytest.mark.parametrize("height", [-30.0, 0.0, 30.0])
def test_a_slope_of_all_touches_is_not_made_by_few(height: float) -> None:
    found = analysed(scattered(127, 240) + np.linspace(0, height, 240), round_robin(24, 10))
    assert found.robust.per_touch_mm * 239 == pytest.approx(found.over_test_mm, abs=0.5)
    assert not found.made_by_few


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_few_touches_make_a_slope_when_it_leaves_that_of_most_by_more_than_scatter_explains(
    sign: float,
) -> None:
    # How far apart two slopes of the same normal readings lie: the variances of median slope and least
    # squares subtract. The last touch is moved until they lie just within, and just beyond, that.
    direction, base = round_robin(24, 10), scattered(131, 240)
    ratios, flags = [], []
    for size in np.arange(0.0, 24.0, 0.4):
        reading = base.copy()
        reading[-1] += sign * size
        found = analysed(reading, direction)
        assert not found.serial.significant
        kept = np.setdiff1d(np.arange(240), found.set_aside)
        share = (np.arange(240) - 119.5) / 239
        motion = unit_vectors(even_azimuths(24))[direction]
        columns = [share, share * motion[:, 0], share * motion[:, 1], np.eye(24)[direction]]
        fit = sm.OLS(reading[kept], np.column_stack(columns)[kept]).fit()
        least = sm.OLS(reading, np.column_stack(columns)).fit().normalized_cov_params[0, 0]
        variance = max((found.robust.normal_error * 239) ** 2 - least, 0.01 * least) * fit.mse_resid
        bound = stats.t.isf(0.005, fit.df_resid) * np.sqrt(variance)
        ratios.append(abs(found.over_test_mm - 239 * found.robust.per_touch_mm) / bound)
        flags.append(found.made_by_few)
    ratio = np.array(ratios)
    assert min(ratio) < 0.9
    assert max(ratio) > 1.1
    # The scatter that is used is that about a path in which far touches count less: a little larger.
    clear = np.abs(ratio - 1) > 0.08
    assert np.array(flags)[clear].tolist() == (ratio > 1)[clear].tolist()


# ---- rate by the clock


def rate_of(hours: np.ndarray, reading: np.ndarray, index: np.ndarray, level: float = 0.95) -> tuple:
    groups = int(index.max()) + 1
    means = np.bincount(index, reading) / np.bincount(index)
    return _rate(reading - means[index], index, groups, NO_MOTION, 3600 * hours, ALONE, level)


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_rate_is_the_slope_of_a_regression_on_hours_and_directions(level: float) -> None:
    rng = np.random.default_rng(129)
    index, hours = round_robin(4, 6), np.sort(rng.uniform(8, 9, 24))
    reading = rng.normal(size=24) + 2 * hours
    oracle = sm.OLS(reading, np.column_stack([hours, np.eye(4)[index]])).fit()
    rate, interval = rate_of(hours, reading, index, level)
    assert rate == pytest.approx(oracle.params[0], rel=1e-8)
    assert (interval.lower, interval.upper) == pytest.approx(oracle.conf_int(1 - level)[0], rel=1e-8)
    assert interval.level == level


@pytest.mark.parametrize("spread", [1e-3, 1e-6])
def test_a_rate_is_told_from_times_that_hardly_vary_within_directions(spread: float) -> None:
    index = block_by_block(4, 6)
    hours = index + spread * np.tile(np.arange(6.0), 4)
    rate, _ = rate_of(hours, 2 * hours, index)
    assert rate == pytest.approx(2.0, rel=1e-5)


def test_a_time_for_each_direction_has_no_rate() -> None:
    index = block_by_block(4, 6)
    assert rate_of(1.0 * index, scattered(130, 24), index) == (None, None)
