"""Scatter of the scatter: against the F distribution of another library, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from simulated import assert_share_at_least

from probetest.errors import StatisticsError
from probetest.statistics.moderation import ALIKE_MARGIN, PRIOR_DOF, Prior, find_prior


def log_likelihood(squares: np.ndarray, dof: np.ndarray, prior_dof: float, variance: float) -> float:
    """Of variances that are ``variance`` times F."""
    return float((stats.f.logpdf(squares / dof / variance, dof, prior_dof) - np.log(variance)).sum())


def best_variance(squares: np.ndarray, dof: np.ndarray, prior_dof: float) -> tuple[float, float]:
    found = optimize.minimize_scalar(
        lambda log: -log_likelihood(squares, dof, prior_dof, np.exp(log)),
        bounds=(-8.0, 8.0),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(np.exp(found.x)), -float(found.fun)


def unequal(seed: int, prior_dof: float = 4.0, directions: int = 24) -> tuple[np.ndarray, np.ndarray]:
    """Sums of squares of directions whose true variances follow the prior, 2.0 typically."""
    rng = np.random.default_rng(seed)
    dof = rng.integers(2, 12, directions)
    true = 2.0 * prior_dof / rng.chisquare(prior_dof, directions)
    return true * rng.chisquare(dof), dof.astype(float)


@pytest.mark.parametrize("seed", range(5))
def test_it_is_the_most_likely_of_those_tried(seed: int) -> None:
    squares, dof = unequal(seed)
    best = [best_variance(squares, dof, tried) for tried in PRIOR_DOF]
    most_likely = int(np.argmax([likelihood for _, likelihood in best]))
    found = find_prior(squares, dof)
    assert found.dof == PRIOR_DOF[most_likely]
    assert found.variance == pytest.approx(best[most_likely][0], rel=1e-5)


def gain_of_unequal(squares: np.ndarray) -> float:
    """Logarithm of the likelihood of unequal directions of 6 touches, less that of alike ones."""
    dof = np.full(len(squares), 5.0)
    pooled = float(squares.sum() / dof.sum())
    alike = float((stats.chi2.logpdf(squares / pooled, 5) - np.log(pooled / 5)).sum())
    return max(best_variance(squares, dof, one)[1] for one in PRIOR_DOF) - alike


@pytest.mark.parametrize("spread", [1.0, 1.3, 1.6, 2.0])
def test_directions_are_alike_unless_something_else_is_more_likely_by_the_margin(spread: float) -> None:
    quantiles = stats.chi2.ppf((np.arange(24) + 0.5) / 24, 5)
    squares = quantiles**spread
    assert np.isinf(find_prior(squares, np.full(24, 5.0)).dof) == (gain_of_unequal(squares) <= 0.7)


def test_the_margin_decides_between_two_almost_equal_sets() -> None:
    quantiles = stats.chi2.ppf((np.arange(24) + 0.5) / 24, 5)
    edge = float(optimize.brentq(lambda spread: gain_of_unequal(quantiles**spread) - ALIKE_MARGIN, 1.0, 2.0))
    below, above = quantiles ** (edge - 1e-3), quantiles ** (edge + 1e-3)
    assert np.isinf(find_prior(below, np.full(24, 5.0)).dof)
    assert np.isfinite(find_prior(above, np.full(24, 5.0)).dof)


def test_alike_directions_share_the_pooled_variance() -> None:
    assert find_prior([9.0, 11.0, 10.0], [9, 9, 12]) == Prior(float("inf"), 1.0)


def test_directions_without_a_degree_of_freedom_say_nothing() -> None:
    squares, dof = unequal(1)
    assert find_prior(np.r_[squares, 0.0, 7.0], np.r_[dof, 0.0, 0.0]) == find_prior(squares, dof)


def test_one_direction_shares_with_none() -> None:
    assert find_prior([12.0, 0.0], [4, 0]) == Prior(float("inf"), 3.0)


def test_no_scatter_at_all_is_alike() -> None:
    assert find_prior([0.0, 0.0], [4, 4]) == Prior(float("inf"), 0.0)


def test_scale_of_the_readings_scales_the_variance() -> None:
    squares, dof = unequal(2)
    found, large = find_prior(squares, dof), find_prior(1e6 * squares, dof)
    assert found.dof < PRIOR_DOF[-1]
    assert (large.dof, large.variance) == (found.dof, pytest.approx(1e6 * found.variance, rel=1e-9))


@pytest.mark.parametrize("share", [0.0, 5e-4, 1e-3])
def test_directions_without_scatter_count_as_a_thousandth_of_the_pooled(share: float) -> None:
    squares, dof = np.full(12, 40.0), np.full(12, 4.0)
    squares[:3] = 0.0
    pooled = squares.sum() / dof.sum()
    squares[:3] = share * 4 * pooled
    found = find_prior(squares, dof)
    low = np.r_[np.full(3, 1e-3 * 4 * pooled), squares[3:]]
    assert found.dof == find_prior(low, dof).dof
    assert found.variance == pytest.approx(find_prior(low, dof).variance, rel=0.01)


def test_without_degrees_of_freedom_it_is_refused() -> None:
    with pytest.raises(StatisticsError, match="no direction was touched twice"):
        find_prior([1.0, 2.0], [0, 0])


def test_the_true_prior_is_found_among_many_directions() -> None:
    squares, dof = unequal(3, prior_dof=4.0, directions=2000)
    found = find_prior(squares, dof)
    assert found.dof == 4.0
    assert found.variance == pytest.approx(2.0, rel=0.05)


@pytest.mark.parametrize("touches", [3, 10])
def test_directions_of_equal_scatter_are_mostly_found_alike(touches: int) -> None:
    # Measured with 2000 tests each: MM.
    rng, runs = np.random.default_rng(107), 300
    dof = np.full(24, touches - 1.0)
    alike = sum(np.isinf(find_prior(rng.chisquare(dof), dof).dof) for _ in range(runs))
    assert_share_at_least(alike, runs, 0.90)
