"""Serial correlation: published Durbin-Watson bounds, dense matrices, statsmodels, coverage."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.linalg import toeplitz
from scipy.optimize import brentq
from scipy.signal import lfilter
from simulated import (
    assert_share,
    assert_share_at_least,
    block_by_block,
    even_azimuths,
    repeated,
    round_robin,
)

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import sd_interval, t_factor
from probetest.statistics.neighbours import mean_covariance, serial_factors
from probetest.statistics.serial import GREATEST_CORRELATION, SERIAL_RISK, SerialEffect, serial_effect

RUNS = 250


def shuffled(directions: int, touches: int) -> np.ndarray:
    return np.random.default_rng(70).permutation(block_by_block(directions, touches))


ORDERS = {"round robin": round_robin, "block by block": block_by_block, "shuffled": shuffled}


def wander(rng: np.random.Generator, touches: int, correlation: float) -> np.ndarray:
    """A first-order process of variance 1."""
    steps = rng.normal(size=touches) * np.sqrt(1 - correlation**2)
    steps[0] /= np.sqrt(1 - correlation**2)
    return lfilter([1.0], [1.0, -correlation], steps)


def path_of(direction: np.ndarray) -> np.ndarray:
    """Cubic and motion of the centre."""
    place = np.linspace(-0.5, 0.5, len(direction))
    motion = unit_vectors(even_azimuths(int(direction.max()) + 1))[direction]
    return np.column_stack([place, place**2, place**3, place * motion[:, 0], place * motion[:, 1]])


def effect(reading: np.ndarray, direction: np.ndarray, **options: object) -> SerialEffect:
    options.setdefault("path", path_of(direction))
    return serial_effect(reading, direction, even_azimuths(int(direction.max()) + 1), **options)


def near(touches: int) -> np.ndarray:
    """r = e'Ae / e'e is 1 - d / 2 of Durbin and Watson."""
    steps = np.diff(np.eye(touches), axis=0)
    return np.eye(touches) - steps.T @ steps / 2


class Dense:
    """The same moments from full matrices."""

    def __init__(self, direction: np.ndarray, path: np.ndarray) -> None:
        marks = np.eye(int(direction.max()) + 1)[direction]
        both = np.column_stack([marks, path])
        size = len(direction)
        self.within = np.eye(size) - marks @ np.linalg.pinv(marks)
        self.apart = np.eye(size) - both @ np.linalg.pinv(both)
        self.near = self.apart @ near(size) @ self.apart
        self.size = size

    def expected(self, correlation: float) -> float:
        process = toeplitz(correlation ** np.arange(self.size))
        return np.trace(self.near @ process) / np.trace(self.apart @ process)

    def slope(self, correlation: float) -> float:
        return (self.expected(correlation + 1e-5) - self.expected(correlation - 1e-5)) / 2e-5

    def form(self, correlation: float) -> np.ndarray:
        """H of r - E(r) = y'Hy."""
        process = toeplitz(correlation ** np.arange(self.size))
        apart = self.near - self.expected(correlation) * self.apart
        return apart / np.trace(self.apart @ process)

    def standard_error(self, correlation: float) -> float:
        process = toeplitz(correlation ** np.arange(self.size))
        inner = self.form(correlation) @ process
        return np.sqrt(2 * np.trace(inner @ inner)) / self.slope(correlation)

    def dof_share(self, correlation: float) -> float:
        def own(at: float) -> float:
            return np.trace(self.within @ toeplitz(at ** np.arange(self.size)))

        process = toeplitz(correlation ** np.arange(self.size))
        fall = -(np.log(own(correlation + 1e-5)) - np.log(own(correlation - 1e-5))) / 2e-5
        form = self.within / own(correlation) + fall / self.slope(correlation) * self.form(correlation)
        return 1 / np.trace(form @ process @ form @ process) / np.trace(self.within)


# ---- known answers


def test_readings_without_scatter_have_no_correlation() -> None:
    direction = round_robin(8, 5)
    found = effect(3.0 + 0.1 * np.arange(40.0) + direction, direction)
    assert (found.correlation, found.p_value, found.significant) == (0.0, 1.0, False)
    assert found.u == pytest.approx(Dense(direction, path_of(direction)).standard_error(0.0), rel=1e-6)
    assert (found.sd_factor, found.dof_share, found.mean_factor) == (1.0, 1.0, 1.0)


def test_alternating_touches_are_not_alike() -> None:
    found = effect(np.tile([1.0, -1.0], 30), np.zeros(60, dtype=int), path=None)
    assert found.correlation == pytest.approx(-0.9, abs=1e-12)
    assert not found.significant
    assert found.p_value == pytest.approx(1.0, abs=1e-6)
    assert (found.sd_factor, found.dof_share, found.mean_factor) == (1.0, 1.0, 1.0)


def test_effective_degrees_of_freedom_are_at_least_one() -> None:
    # In rows of 5 a correlation this large has an error beyond all measure.
    found = effect(wander(np.random.default_rng(0), 60, 0.8), block_by_block(12, 5))
    assert (found.correlation, found.significant) == (GREATEST_CORRELATION, True)
    assert found.dof_share == pytest.approx(1 / 48, rel=1e-12)


def test_a_slow_wave_is_bounded() -> None:
    found = effect(np.sin(np.linspace(0, 3, 100)), np.zeros(100, dtype=int), path=None)
    assert found.correlation == GREATEST_CORRELATION


def test_a_path_is_not_taken_for_likeness() -> None:
    direction = round_robin(12, 5)
    reading = np.random.default_rng(3).normal(size=60) + np.linspace(0, 8, 60)
    assert effect(reading, direction, path=None).significant
    assert not effect(reading, direction).significant


def test_lobing_is_not_taken_for_likeness() -> None:
    direction = block_by_block(12, 5)
    scatter = np.random.default_rng(4).normal(size=60)
    assert effect(scatter + 100.0 * direction, direction).correlation == pytest.approx(
        effect(scatter, direction).correlation, abs=1e-9
    )


def test_the_unit_does_not_matter() -> None:
    direction = round_robin(8, 6)
    reading = wander(np.random.default_rng(5), 48, 0.7)
    one, other = effect(reading, direction), effect(1e-4 * reading, direction)
    assert other.correlation == pytest.approx(one.correlation, rel=1e-9)
    assert other.dof_share == pytest.approx(one.dof_share, rel=1e-9)


def test_a_column_twice_in_the_path_costs_one_degree_of_freedom() -> None:
    direction = round_robin(8, 6)
    reading = wander(np.random.default_rng(6), 48, 0.7)
    twice = effect(reading, direction, path=np.column_stack([path_of(direction), path_of(direction)]))
    once = effect(reading, direction)
    assert twice.correlation == pytest.approx(once.correlation, rel=1e-9)
    assert (twice.u, twice.p_value) == pytest.approx((once.u, once.p_value), rel=1e-6)


@pytest.mark.parametrize(("nudge", "significant"), [(1e-9, True), (-1e-9, False)], ids=["above", "below"])
def test_factors_are_used_below_the_risk_only(nudge: float, significant: bool) -> None:
    direction = block_by_block(8, 6)
    reading = wander(np.random.default_rng(7), 48, 0.5)
    p_value = effect(reading, direction).p_value
    found = effect(reading, direction, risk=p_value + nudge)
    assert found.significant is significant
    assert (found.sd_factor > 1, found.dof_share < 1, found.mean_factor > 1) == (significant,) * 3


def test_two_degrees_of_freedom_are_refused() -> None:
    with pytest.raises(StatisticsError, match="from 6 touches with 4 values fitted"):
        serial_effect(np.arange(6.0), [0, 1, 2, 0, 1, 2], [0, 120, 240], path=np.arange(6.0)[:, None])


def test_three_degrees_of_freedom_are_enough() -> None:
    assert serial_effect([0.0, 1.0, 3.0, 2.0], [0] * 4, [0.0]).u > 0


# ---- oracle


# Upper bounds of d for one regressor, Durbin and Watson (1951), 5 % and 1 %, two decimals. They are
# reached by the regressor cos(pi (i - 1/2) / n).
@pytest.mark.parametrize(
    ("touches", "bound", "risk"),
    [
        (15, 1.36, 0.05),
        (50, 1.59, 0.05),
        (100, 1.69, 0.05),
        (15, 1.07, 0.01),
        (50, 1.40, 0.01),
        (100, 1.56, 0.01),
    ],
)
def test_p_value_at_the_published_bound(touches: int, bound: float, risk: float) -> None:
    middle = np.arange(touches) + 0.5
    waves = np.cos(np.pi * np.outer(middle, [1, 2, touches - 1]) / touches)
    slow, fast = np.cos(2 * np.pi / touches), np.cos((touches - 1) * np.pi / touches)

    share = (1 - bound / 2 - fast) / (slow - fast)
    reading = waves[:, 1] * np.sqrt(share) + waves[:, 2] * np.sqrt(1 - share)
    found = serial_effect(reading, [0] * touches, [0.0], path=waves[:, :1])
    # Half a unit of the last printed decimal is 3 to 7 % of the risk.
    assert found.p_value == pytest.approx(risk, rel=0.06)


def test_the_statistic_is_that_of_durbin_and_watson() -> None:
    # Without correlation the exact moments of 1 - d / 2 are those of von Neumann (1941):
    # mean 0, variance (n - 2) / (n**2 - 1); a beta variable on (-1, 1) has its tail.
    reading = np.random.default_rng(8).normal(size=30)
    ratio = 1 - sm.stats.durbin_watson(reading - reading.mean()) / 2
    size = 0.25 / (28 / (30**2 - 1) / 4) - 1
    expected = stats.beta.sf((1 + ratio) / 2, size / 2, size / 2)
    assert serial_effect(reading, [0] * 30, [0.0]).p_value == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_null_moments_are_exact(order: object) -> None:
    direction = order(8, 6)
    reading = wander(np.random.default_rng(9), 48, 0.4)
    dense = Dense(direction, path_of(direction))
    dof = np.trace(dense.apart)
    mean = np.trace(dense.near) / dof
    variance = (2 * np.trace(dense.near @ dense.near) + np.trace(dense.near) ** 2) / (
        dof * (dof + 2)
    ) - mean**2
    half = (1 + mean) / 2
    size = half * (1 - half) / (variance / 4) - 1
    rest = dense.apart @ reading
    ratio = rest @ near(48) @ rest / (rest @ rest)
    expected = stats.beta.sf((1 + ratio) / 2, half * size, (1 - half) * size)
    assert effect(reading, direction).p_value == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("seed", [10, 11])
def test_correlation_error_and_dof_are_those_of_dense_matrices(order: object, seed: int) -> None:
    direction = order(8, 6)
    reading = wander(np.random.default_rng(seed), 48, 0.6)
    dense = Dense(direction, path_of(direction))
    rest = dense.apart @ reading
    ratio = rest @ near(48) @ rest / (rest @ rest)
    found = effect(reading, direction, risk=1.0)
    assert found.correlation == pytest.approx(
        brentq(lambda r: dense.expected(r) - ratio, -0.9, 0.95), abs=1e-3
    )
    assert found.u == pytest.approx(dense.standard_error(found.correlation), rel=1e-6)
    assert found.dof_share == pytest.approx(dense.dof_share(found.correlation), rel=1e-5)
    factors = serial_factors(found.correlation, direction, even_azimuths(8))
    assert (found.sd_factor, found.mean_factor) == (factors.sd_factor, factors.mean_factor)


def test_long_test_has_the_correlation_of_generalised_least_squares() -> None:
    reading = wander(np.random.default_rng(12), 3000, 0.6)
    model = sm.GLSAR(reading, np.ones(3000), rho=1)
    model.iterative_fit(10)
    found = serial_effect(reading, np.zeros(3000, dtype=int), [0.0])
    assert found.correlation == pytest.approx(float(model.rho[0]), abs=2e-3)
    # Bartlett: sqrt((1 - rho**2) / n)
    assert found.u == pytest.approx(np.sqrt((1 - found.correlation**2) / 3000), rel=0.01)


# ---- simulation


# Measured with 3000 tests each, 5 % asked: 4.6 to 5.5 %; 1 % asked: 0.8 to 1.2 % (24 x 10, 12 x 5).
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_likeness_is_alleged_as_often_as_stated(order: object) -> None:
    rng, direction = np.random.default_rng(13), order(12, 5)
    p_values = np.array([effect(one.normal(size=60), direction).p_value for one in repeated(rng, 2 * RUNS)])
    assert_share(int((p_values < SERIAL_RISK).sum()), 2 * RUNS, SERIAL_RISK)
    assert_share(int((p_values < 0.5).sum()), 2 * RUNS, 0.5)


# Measured with 3000 tests each: bias -0.008 to 0 (24 x 10), -0.03 to 0 (12 x 5); the actual scatter
# over u is 0.95 to 1.05, but 0.8 at 12 x 5 block by block and 0.6.
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("truth", [0.3, 0.6])
def test_correlation_is_found_without_bias_and_with_its_error(order: object, truth: float) -> None:
    rng, direction = np.random.default_rng(14), order(24, 10)
    found = [effect(wander(one, 240, truth), direction) for one in repeated(rng, RUNS)]
    values = np.array([one.correlation for one in found])
    assert values.mean() == pytest.approx(truth, abs=0.01 + 4 * values.std() / np.sqrt(RUNS))
    assert values.std() == pytest.approx(np.median([one.u for one in found]), rel=0.2)


# Measured with 500 tests each, 95 % intervals of the sd of one touch (chi-square) and of the difference
# of two direction means (Student t, all pairs), without / with the correlation taken into account:
#                    sd, 0.3        sd, 0.6        means, 0.3     means, 0.6
# 24 x 10 in turn    93.2 / 95.6    81.6 / 93.4    95.1 / 94.8    96.0 / 94.9
# 24 x 10 shuffled   93.6 / 96.6    83.2 / 95.4    95.0 / 95.0    94.9 / 95.0
# 24 x 10 in rows    88.0 / 94.0    21.2 / 95.2    84.4 / 94.3    65.3 / 94.0
# 12 x  5 in turn    92.4 / 93.4    84.4 / 95.8    95.6 / 94.9    96.8 / 95.0
# 12 x  5 shuffled   91.6 / 93.4    85.0 / 94.0    95.7 / 95.4    96.4 / 95.9
# 12 x  5 in rows    88.4 / 86.4    32.2 / 60.6    84.8 / 90.3    66.1 / 87.9
# In rows of 5 the correlation is found in 44 and 76 % of the tests only.
@pytest.mark.parametrize(("directions", "touches"), [(24, 10), (12, 5)], ids=["24 x 10", "12 x 5"])
@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("truth", [0.3, 0.6])
def test_intervals_hold_for_alike_neighbours(
    directions: int, touches: int, order: object, truth: float
) -> None:
    rng, direction = np.random.default_rng(15), order(directions, touches)
    size, plain_dof = directions * touches, directions * (touches - 1)
    runs = RUNS if directions == 12 else RUNS // 2
    sd_hits = mean_hits = 0
    for one in repeated(rng, runs):
        reading = wander(one, size, truth)
        found = effect(reading, direction)
        means = np.bincount(direction, reading) / touches
        sd = np.sqrt(((reading - means[direction]) ** 2).sum() / plain_dof) * found.sd_factor
        dof = plain_dof * found.dof_share
        sd_hits += 1.0 in sd_interval(sd, dof)
        pair = one.choice(directions, 2, replace=False)
        covariance = mean_covariance(found.correlation if found.significant else 0.0, direction)
        weight = np.zeros(directions)
        weight[pair] = 1.0, -1.0
        error = sd * np.sqrt(weight @ covariance @ weight)
        mean_hits += abs(weight @ means) < t_factor(dof) * error
    short_rows = directions == 12 and order is block_by_block
    assert_share_at_least(sd_hits, runs, {0.3: 0.86, 0.6: 0.6}[truth] if short_rows else 0.93)
    assert_share_at_least(mean_hits, runs, {0.3: 0.9, 0.6: 0.87}[truth] if short_rows else 0.93)


# Measured with 500 tests: 98.4 % without the factor, 95.0 % with it.
def test_means_beside_a_centre_have_their_factor() -> None:
    rng, direction = np.random.default_rng(16), round_robin(24, 10)
    design = np.column_stack([np.ones(24), unit_vectors(even_azimuths(24))])
    left = np.eye(24) - design @ np.linalg.pinv(design)
    hits = 0
    for one in repeated(rng, RUNS):
        reading = wander(one, 240, 0.6)
        found = effect(reading, direction)
        means = np.bincount(direction, reading) / 10
        sd = np.sqrt(((reading - means[direction]) ** 2).sum() / 216) * found.sd_factor
        error = sd * found.mean_factor * np.sqrt(left[5, 5] / 10)
        hits += abs(left[5] @ means) < t_factor(216 * found.dof_share) * error
    assert_share(hits, RUNS, 0.95)
