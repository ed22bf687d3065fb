"""Mixture of directions: exact quantiles, slopes by differences, errors and bias by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from simulated import assert_share_at_most, block_by_block, even_azimuths, repeated

from probetest.errors import StatisticsError
from probetest.statistics.mixture import (
    LEAST_REACH,
    SHAPE_FACTOR,
    Mixture,
    Quantiles,
    Shape,
    fit_mixture,
    judge_shape,
    with_shape,
)
from probetest.statistics.seat import seat_shape
from probetest.statistics.tails import judge_tails

SHARES = (0.00135, 0.5, 0.99865)


def known_mixture(offset: list[float], spread: float = 1.0, **other: object) -> Mixture:
    """A mixture without errors: its quantiles are exact."""
    settings: dict[str, object] = {
        "centre_mm": 0.0,
        "offset_mm": np.array(offset),
        "spread_mm": spread,
        "slope": np.zeros(len(offset)),
        "within_mm": spread,
        "within_slope": 1.0,
        "keep": 1.0,
        "mean_u_mm": np.zeros(len(offset)),
        "n": 1000,
        "dof": 10**12,
    }
    return Mixture(**(settings | other))  # type: ignore[arg-type]


def true_quantiles(means: np.ndarray, shares: tuple[float, ...] = SHARES) -> np.ndarray:
    """Of an even mixture of normal directions of sd 1."""

    def quantile(share: float) -> float:
        return float(
            optimize.brentq(
                lambda x: stats.norm.cdf(x - means).mean() - share, means.min() - 9, means.max() + 9
            )
        )

    return np.array([quantile(share) for share in shares])


def lobed(directions: int, variation: float) -> np.ndarray:
    curve = variation * seat_shape(even_azimuths(directions), 17.0)
    return curve - curve.mean()


# ---- quantiles


@pytest.mark.parametrize("share", [1e-6, 0.00135, 0.2, 0.5, 0.61, 0.99865, 1 - 1e-6])
@pytest.mark.parametrize(
    "offset",
    [[0.0, 0.0, 0.0], [-0.4, 0.1, 0.3], [-5.0, 1.0, 2.0, 2.0], [-40.0, -10.0, 25.0, 25.0, 30.0]],
    ids=["one place", "near", "far", "apart"],
)
def test_quantiles_are_those_of_the_mixture(offset: list[float], share: float) -> None:
    found = known_mixture(offset).quantiles((share,), about_centre=True)
    reached = float(stats.norm.cdf(found.value_mm[0] - np.array(offset)).mean())
    assert min(reached, 1 - reached) == pytest.approx(min(share, 1 - share), rel=1e-7)


def test_the_spread_is_the_unit_of_the_mixture() -> None:
    small = known_mixture([-0.002, 0.001, 0.001], 0.001).quantiles(SHARES, about_centre=True)
    large = known_mixture([-2.0, 1.0, 1.0]).quantiles(SHARES, about_centre=True)
    assert small.value_mm * 1000 == pytest.approx(large.value_mm, rel=1e-9)
    assert small.score == pytest.approx(large.score, rel=1e-9)


def test_a_median_between_two_groups_lies_in_the_middle_of_them() -> None:
    found = known_mixture([-31.0, -20.0, 10.0, 41.0]).quantiles((0.5,), about_centre=True)
    assert found.value_mm[0] == pytest.approx(-5.0, abs=1e-6)
    assert found.score[0] == pytest.approx(0.0, abs=1e-6)


def test_the_centre_is_added_where_it_counts() -> None:
    found = known_mixture([-1.0, 1.0], centre_mm=7.0)
    assert found.quantiles((0.5,), about_centre=True).value_mm[0] == pytest.approx(0.0, abs=1e-9)
    assert found.quantiles((0.5,), about_centre=False).value_mm[0] == pytest.approx(7.0, abs=1e-9)


def test_the_score_is_the_distance_from_the_directions_that_count() -> None:
    # Only the outermost of four directions reaches as far: 4 * 0.00135 of its own readings lie beyond.
    found = known_mixture([-50.0, 0.0, 0.0, 50.0]).quantiles((0.99865,), about_centre=True)
    assert found.score[0] == pytest.approx(stats.norm.isf(4 * 0.00135), rel=1e-9)
    assert found.density[0] == pytest.approx(np.exp(-(found.score[0] ** 2) / 2) / 4, rel=1e-9)


def test_one_population_has_the_quantiles_of_mean_and_sd() -> None:
    mixture = known_mixture([0.0, 0.0], 2.0, keep=0.0, centre_mm=5.0, n=51)
    score = stats.norm.ppf(SHARES)
    about = mixture.quantiles(SHARES, about_centre=True)
    assert about.value_mm == pytest.approx(2 * score, rel=1e-12, abs=1e-12)
    assert about.covariance_mm2 == pytest.approx(4 * np.outer(score, score) / 100, rel=1e-12, abs=1e-15)
    assert about.density == pytest.approx(np.exp(-(score**2) / 2), rel=1e-12)
    assert about.score == pytest.approx(score, rel=1e-12, abs=1e-12)
    placed = mixture.quantiles(SHARES, about_centre=False)
    assert placed.value_mm == pytest.approx(5 + 2 * score, rel=1e-12)
    assert placed.covariance_mm2 == pytest.approx(about.covariance_mm2 + 4 / 51, rel=1e-12)


# ---- fit


def test_the_fit_by_hand() -> None:
    # Two directions of 4 touches: means -1 and 1, pooled variance 4/3; scatter alone gives 1/6.
    error = np.array([-2.0, 0, -2, 0, 0, 2, 0, 2]) + 10
    found = fit_mixture(error, block_by_block(2, 4))
    kept = 1 - (1 / 6) ** 3
    spread = np.sqrt(4 / 3 * (1 - 1 / 8) + (1 - kept))
    assert (found.n, found.dof) == (8, 6)
    assert found.centre_mm == pytest.approx(10.0, rel=1e-12)
    assert found.within_mm == pytest.approx(np.sqrt(4 / 3), rel=1e-12)
    assert found.mean_u_mm == pytest.approx(np.full(2, np.sqrt(1 / 3)), rel=1e-12)
    assert found.keep == pytest.approx(np.sqrt(kept), rel=1e-12)
    assert found.offset_mm == pytest.approx(np.sqrt(kept) * np.array([-1, 1]), rel=1e-12)
    assert found.spread_mm == pytest.approx(spread, rel=1e-12)
    assert found.slope == pytest.approx((1 - kept) * np.array([-1, 1]) / (2 * spread), rel=1e-12)
    assert found.within_slope == pytest.approx((1 - 1 / 8) * np.sqrt(4 / 3) / spread, rel=1e-12)


def test_directions_that_differ_no_more_than_scatter_are_one_population() -> None:
    # Means -0.4 and 0.4: their variance, 0.16, is below the 1/6 of scatter alone.
    error = np.array([-1.4, 0.6, -1.4, 0.6, -0.6, 1.4, -0.6, 1.4]) + 10
    found = fit_mixture(error, block_by_block(2, 4))
    assert (found.keep, found.offset_mm.tolist(), found.slope.tolist()) == (0.0, [0.0, 0.0], [0.0, 0.0])
    assert found.spread_mm == pytest.approx(error.std(ddof=1), rel=1e-12)
    assert found.centre_mm == pytest.approx(10.0, rel=1e-12)
    assert (found.n, found.dof) == (8, 6)


def test_the_spread_does_not_jump_where_a_difference_begins_to_show() -> None:
    error = np.array([-1.0, 1, -1, 1, -1, 1, -1, 1])
    step = np.repeat([-1.0, 1.0], 4)
    just = np.sqrt(1 / 6)
    below, above = (
        fit_mixture(error + just * size * step, block_by_block(2, 4)) for size in (0.9999, 1.0001)
    )
    assert (below.keep, above.keep) == (0.0, pytest.approx(np.sqrt(1 - 1.0001**-6), rel=1e-6))
    assert above.spread_mm == pytest.approx(below.spread_mm, rel=1e-3)


def test_each_direction_counts_the_same_however_often_it_was_touched() -> None:
    error = np.concatenate([np.tile([-11.0, -9.0], 20), [9.0, 11.0]])
    found = fit_mixture(error, np.repeat([0, 1], [40, 2]))
    assert found.centre_mm == pytest.approx(0.0, abs=1e-12)
    assert found.quantiles((0.5,), about_centre=True).value_mm[0] == pytest.approx(0.0, abs=0.5)
    assert found.mean_u_mm == pytest.approx(found.within_mm / np.sqrt([40, 2]), rel=1e-12)


@pytest.mark.parametrize(
    ("error", "direction"),
    [(np.repeat([0.1, 0.7], 4), block_by_block(2, 4)), (np.arange(5.0), np.arange(5))],
    ids=["no scatter", "touched once"],
)
def test_without_scatter_there_is_no_mixture(error: np.ndarray, direction: np.ndarray) -> None:
    with pytest.raises(StatisticsError, match="repeated readings show no scatter"):
        fit_mixture(error, direction)


# ---- errors of the quantiles


def test_covariance_follows_from_the_slopes() -> None:
    # Far lobing: all of it is kept, so that means and scatter may be moved one by one.
    rng = np.random.default_rng(1)
    direction, means = block_by_block(6, 8), np.array([-9.0, -8, -7, 6, 8.5, 9])
    error = means[direction] + rng.normal(size=48)
    base, eps = fit_mixture(error, direction), 1e-4

    def plug_in(moved: np.ndarray) -> np.ndarray:
        # Without the correction for bias, whose slope is of second order.
        fit = fit_mixture(moved, direction)
        return (
            known_mixture(fit.offset_mm.tolist(), fit.spread_mm).quantiles(SHARES, about_centre=True).value_mm
        )

    start = plug_in(error)
    centre = np.full(3, 1 / 6)
    by_mean = np.array([(plug_in(error + eps * (direction == i)) - start) / eps for i in range(6)]).T
    residual = error - np.array([error[direction == i].mean() for i in range(6)])[direction]
    by_within = (plug_in(error + eps * residual) - start) / (eps * base.within_mm)
    widening = (stats.t.ppf(0.95, 42) / stats.norm.ppf(0.95)) ** 2
    scatter = np.outer(by_within, by_within) * base.within_mm**2 / 84
    u2 = base.within_mm**2 / 8 * widening
    about = base.quantiles(SHARES, about_centre=True).covariance_mm2
    placed = base.quantiles(SHARES, about_centre=False).covariance_mm2
    assert about == pytest.approx(u2 * by_mean @ by_mean.T + scatter, rel=2e-3, abs=1e-5)
    whole = by_mean + centre[:, None]
    assert placed == pytest.approx(u2 * whole @ whole.T + scatter, rel=2e-3, abs=1e-5)


def test_the_error_of_a_barely_shown_difference_is_that_of_one_population() -> None:
    # Differences a little larger than scatter: nearly N - 1 degrees of freedom.
    rng = np.random.default_rng(2)
    found = []
    while len(found) < 200:
        fit = fit_mixture(rng.normal(size=240), block_by_block(24, 10))
        if 0 < fit.keep < 0.5:
            quantiles = fit.quantiles(SHARES, about_centre=True)
            found.append(quantiles.covariance_mm2[2, 2] / quantiles.value_mm[2] ** 2)
    assert 1 / (2 * np.median(found)) == pytest.approx(239, rel=0.06)


@pytest.mark.parametrize(
    ("directions", "touches", "variation"), [(8, 3, 10.0), (24, 3, 3.0), (24, 3, 10.0), (36, 5, 1.0)]
)
def test_quantiles_are_nearly_unbiased_and_spread_as_they_say(
    directions: int, touches: int, variation: float
) -> None:
    # Uncorrected, the outer quantiles of 8 directions of 3 touches are 5 % too near.
    rng, means = np.random.default_rng(3), lobed(directions, variation)
    direction, truth = block_by_block(directions, touches), true_quantiles(means)
    values, variances = [], []
    for one in repeated(rng, 500):
        error = means[direction] + one.normal(size=direction.size)
        found = fit_mixture(error, direction).quantiles(SHARES, about_centre=False)
        values.append(found.value_mm)
        variances.append(np.diag(found.covariance_mm2))
    bias = np.mean(values, axis=0) - truth
    spread = np.std(values, axis=0)
    assert np.abs(bias).max() < 0.25 * spread.max()
    assert np.sqrt(np.mean(variances, axis=0))[[0, 2]] == pytest.approx(spread[[0, 2]], rel=0.2)


# ---- shape


def test_skewness_of_one_direction_by_hand() -> None:
    error = np.array([0.0] * 20 + [1.0] * 5 + [4.0] * 2)
    found = judge_shape(error + 100, np.zeros(27, dtype=int))
    left = ((1 - 1 / 27) ** 3 - 26 / 27**3) / (1 - 1 / 27) ** 1.5
    tails = judge_tails(error - error.mean(), np.zeros(27, dtype=int))
    assert found.skewness == pytest.approx(stats.skew(error) / left, rel=1e-9)
    assert found.skewness_u == pytest.approx(np.sqrt(6 / 27) / left, rel=1e-12)
    assert (found.excess, found.excess_u) == pytest.approx(
        (tails.excess_kurtosis, tails.standard_error), rel=1e-9
    )
    assert (found.heavy, found.skew, found.light, found.odd) == (True, True, False, True)


def test_skewness_keeps_its_size_however_few_touches_a_direction_has() -> None:
    # Gamma of shape 4: skewness 1. A quotient of moments of 300 readings is a few percent small.
    rng = np.random.default_rng(4)
    found = [judge_shape(rng.gamma(4.0, size=300), block_by_block(100, 3)).skewness for _ in range(400)]
    assert np.mean(found) == pytest.approx(0.97, abs=0.06)


@pytest.mark.parametrize("n", [19, 20])
def test_the_shape_is_judged_from_20_readings_on(n: int) -> None:
    error = np.zeros(n)
    error[:2] = 1.0, 9.0
    found = judge_shape(error, np.zeros(n, dtype=int))
    assert found.skew is (n == 20)
    if n == 19:
        expected = (0.0, 1.0, 0.0, np.sqrt(24 / 19))
        assert (found.skewness, found.skewness_u, found.excess, found.excess_u) == pytest.approx(expected)
        assert (found.heavy, found.light, found.odd) == (False, False, False)


def test_pairs_show_tails_but_no_skewness() -> None:
    # The residuals of two touches are alike and opposite, whatever the scatter.
    error = np.random.default_rng(5).standard_t(2, size=120)
    found = judge_shape(error, block_by_block(60, 2))
    assert (found.skewness, found.skewness_u, found.skew) == (0.0, 1.0, False)
    assert (found.heavy, found.odd) == (True, True)


@pytest.mark.parametrize(("directions", "error"), [(7, 1.0), (40, 0.5477226)])
def test_a_skewness_that_is_hardly_seen_has_a_standard_error_of_1(directions: int, error: float) -> None:
    readings = np.random.default_rng(5).normal(size=3 * directions)
    assert judge_shape(readings, block_by_block(directions, 3)).skewness_u == pytest.approx(error, rel=1e-6)


def test_a_flat_scatter_is_light() -> None:
    found = judge_shape(np.linspace(-1, 1, 60), np.zeros(60, dtype=int))
    assert (found.light, found.heavy, found.skew) == (True, False, False)
    assert found.excess == pytest.approx(-1.2, abs=0.05)


def test_normal_scatter_is_taken_for_light_only_below_one_standard_error() -> None:
    rng = np.random.default_rng(6)
    for _ in range(100):
        found = judge_shape(rng.normal(size=120), block_by_block(12, 10))
        assert found.light is (found.excess < -found.excess_u)


def test_normal_scatter_is_rarely_taken_for_skew() -> None:
    rng = np.random.default_rng(7)
    shapes = [judge_shape(one.normal(size=240), block_by_block(24, 10)) for one in repeated(rng, 1000)]
    assert_share_at_most(sum(shape.skew for shape in shapes), 1000, 0.02)
    assert_share_at_most(sum(shape.odd for shape in shapes), 1000, 0.075)


# ---- quantiles with a shape


def normal_quantiles(*scores: float) -> Quantiles:
    score = np.array(scores)
    return Quantiles(score.copy(), np.zeros((len(scores),) * 2), score, np.ones(len(scores)))


def shape_of(skewness: float, excess: float, u: float = 0.0) -> Shape:
    return Shape(skewness, u, excess, u, heavy=False, skew=False, light=False)


@pytest.mark.parametrize("dof", [4.5, 5, 8, 30])
def test_heavy_tails_are_those_of_students_t(dof: float) -> None:
    found = with_shape(normal_quantiles(-3.0, 0.0, 3.0), shape_of(0.0, 6 / (dof - 4)), 2.0)
    expected = stats.t.ppf(stats.norm.cdf([-3.0, 0.0, 3.0]), dof) * np.sqrt((dof - 2) / dof)
    moved = found.value_mm - np.array([-3.0, 0.0, 3.0])
    assert moved == pytest.approx(2 * (expected - [-3.0, 0.0, 3.0]), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("order", [4.0, 16.0])
def test_a_skew_scatter_has_the_quantiles_of_a_gamma_distribution(order: float) -> None:
    found = with_shape(normal_quantiles(-3.0, 0.0, 3.0), shape_of(2 / np.sqrt(order), 6 / order), 1.0)
    expected = (stats.gamma.ppf(stats.norm.cdf([-3.0, 0.0, 3.0]), order) - order) / np.sqrt(order)
    assert found.value_mm == pytest.approx(expected, abs=0.06)


def test_skewness_by_hand_moves_both_ends_and_the_median() -> None:
    found = with_shape(normal_quantiles(-3.0, 0.0, 3.0), shape_of(0.6, 0.54), 1.0)
    second = 0.36 * (18 / 16 - 39 / 36)
    assert found.value_mm == pytest.approx([-3 + 0.8 - second, -0.1, 3 + 0.8 + second], rel=1e-9)


def test_light_tails_are_followed_down_to_a_uniform_scatter() -> None:
    light, lighter = (
        with_shape(normal_quantiles(3.0), shape_of(0.0, e), 1.0).value_mm[0] for e in (-0.4, -5.0)
    )
    assert light == pytest.approx(3 - 0.4 * 18 / 24, rel=1e-12)
    assert lighter == pytest.approx(3 - 1.2 * 18 / 24, rel=1e-12)


def test_outwards_takes_nothing_off() -> None:
    found = with_shape(normal_quantiles(-3.0, 0.0, 3.0), shape_of(0.6, 0.54), 1.0, outwards=True)
    assert found.value_mm == pytest.approx([-3.0, -0.1, 3.8 + 0.36 * (18 / 16 - 39 / 36)], rel=1e-9)


def test_no_quantile_crosses_the_median() -> None:
    found = with_shape(normal_quantiles(-3.0, 0.0, 3.0), shape_of(-6.0, 0.0), 1.0)
    # Skewness counts up to 2; the end that it draws in keeps a third of its distance.
    assert found.value_mm[2] == pytest.approx(3 * LEAST_REACH, rel=1e-12)
    assert found.value_mm[1] == pytest.approx(2 / 6, rel=1e-12)
    assert found.value_mm[0] == pytest.approx(-3 - 8 / 3 - 4 * (18 / 16 - 39 / 36) + 1.2 * 18 / 24, rel=1e-9)


def test_the_shape_adds_its_own_uncertainty() -> None:
    shape = Shape(0.0, 0.2, 0.5, 0.3, heavy=False, skew=False, light=False)
    plain = normal_quantiles(-3.0, 0.0, 3.0)
    found = with_shape(plain, shape, 2.0)

    def tail(excess: float) -> float:
        dof = 4 + 6 / excess
        return float(stats.t.ppf(stats.norm.cdf(3.0), dof) * np.sqrt((dof - 2) / dof))

    by_excess = (tail(0.5 + 0.3 * SHAPE_FACTOR) - tail(0.5)) / SHAPE_FACTOR
    by_skewness = 0.2 * 8 / 6
    assert found.covariance_mm2[2, 2] == pytest.approx(4 * (by_excess**2 + by_skewness**2), rel=1e-9)
    # Skewness moves both ends alike, tails move them apart.
    assert found.covariance_mm2[0, 2] == pytest.approx(4 * (by_skewness**2 - by_excess**2), rel=1e-9)
    assert found.covariance_mm2[1, 1] == pytest.approx(4 * (0.2 / 6) ** 2, rel=1e-9)
    assert found.score is plain.score
