"""Tolerance intervals: printed factors, exact integration, content by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats
from simulated import assert_share, assert_share_at_least, block_by_block, even_azimuths, repeated

from probetest.errors import StatisticsError
from probetest.statistics.seat import seat_shape
from probetest.statistics.tolerance import (
    CONTENT,
    range_content,
    readings_beyond,
    tolerance_interval,
    two_sided_tolerance_factor,
)

# ---- factor

# P. M. Berthouex and L. C. Brown, Statistics for Environmental Engineers, table 21.1 (confidence 0.95).
PRINTED = {5: (4.29, 5.08, 6.60), 10: (2.86, 3.39, 4.44), 20: (2.32, 2.76, 3.62), 30: (2.15, 2.55, 3.35)}


@pytest.mark.parametrize("n", list(PRINTED))
@pytest.mark.parametrize(("place", "content"), list(enumerate([0.90, 0.95, 0.99])))
def test_factors_as_printed(n: int, place: int, content: float) -> None:
    assert two_sided_tolerance_factor(n, content, 0.95) == pytest.approx(PRINTED[n][place], abs=5.1e-3)


def test_factor_beside_the_approximation_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3 prints 2.217, which is the approximation of Howe.
    howe = stats.norm.ppf(0.95) * np.sqrt((1 + 1 / 43) * 42 / stats.chi2.ppf(0.01, 42))
    assert howe == pytest.approx(2.217316, abs=1e-6)
    found = two_sided_tolerance_factor(43, 0.90, 0.99)
    assert howe < found < 1.003 * howe


@pytest.mark.parametrize(("n", "content"), [(2, 0.9), (5, 0.95), (10, 0.9973), (40, 0.99), (300, 0.9999)])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.99])
def test_the_factor_has_its_confidence_by_integration(n: int, content: float, confidence: float) -> None:
    factor = two_sided_tolerance_factor(n, content, confidence)
    # Over the sd, in true sd, from where the half-width just holds the content; the share of means
    # near enough to the middle is found for each.
    start = stats.norm.ppf((1 + content) / 2) / factor
    ratio = np.linspace(start, stats.chi.isf(1e-12, n - 1) / np.sqrt(n - 1), 40_001)
    low, high = np.zeros_like(ratio), factor * ratio + 1
    for _ in range(50):
        middle = (low + high) / 2
        held = special.ndtr(middle + factor * ratio) - special.ndtr(middle - factor * ratio) >= content
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    density = stats.chi.pdf(ratio * np.sqrt(n - 1), n - 1) * np.sqrt(n - 1)
    near = 2 * special.ndtr(np.sqrt(n) * low) - 1
    assert integrate.simpson(density * near, x=ratio) == pytest.approx(confidence, abs=1e-5)


def test_with_a_known_mean_the_factor_is_that_of_the_sd() -> None:
    expected = stats.norm.ppf(0.975) * np.sqrt(12 / stats.chi2.ppf(0.05, 12))
    assert two_sided_tolerance_factor(1e14, 0.95, 0.95, 12) == pytest.approx(expected, rel=1e-6)


def test_dof_are_n_less_1_unless_given() -> None:
    assert two_sided_tolerance_factor(20, 0.99) == two_sided_tolerance_factor(20, 0.99, 0.95, 19)
    assert two_sided_tolerance_factor(20, 0.99, dof=40) < two_sided_tolerance_factor(20, 0.99)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((1.9, 0.95), "n >= 2, but got 1.9"),
        ((10, 1.0), "between 0 and 1, but got 1.0"),
        ((10, 0.95, 0.0), "between 0 and 1, but got 0.0"),
        ((0.0, 0.95, 0.95, 5.0), "n > 0 and dof > 0, but got 0.0 and 5.0"),
        ((5.0, 0.95, 0.95, 0.0), "n > 0 and dof > 0, but got 5.0 and 0.0"),
    ],
    ids=["n", "content", "confidence", "no n", "no dof"],
)
def test_impossible_factors_are_refused(arguments: tuple[float, ...], words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        two_sided_tolerance_factor(*arguments)


# ---- whatever the distribution


@pytest.mark.parametrize("n", [2, 5, 93, 1000])
@pytest.mark.parametrize("confidence", [0.5, 0.95])
def test_range_content_solves_the_law_of_order_statistics(n: int, confidence: float) -> None:
    p = range_content(n, confidence)
    assert n * p ** (n - 1) - (n - 1) * p**n == pytest.approx(1 - confidence, rel=1e-9)


def test_93_readings_hold_95_percent_between_them() -> None:
    # The number of Wilks for 95 % at 95 %.
    assert range_content(92) < 0.95 < range_content(93)


def test_a_range_needs_two_readings() -> None:
    with pytest.raises(StatisticsError, match="n >= 2, but got 1"):
        range_content(1)


@pytest.mark.parametrize("confidence", [0.0, 1.0])
def test_a_range_needs_a_confidence(confidence: float) -> None:
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        range_content(10, confidence)


@pytest.mark.parametrize(
    ("n", "share", "risk"),
    [
        (5, 0.00135, 0.05),
        (60, 0.00135, 0.025),
        (2730, 0.00135, 0.025),
        (9000, 0.00135, 0.05),
        (40, 0.5, 0.05),
    ],
)
def test_readings_beyond_are_the_quantiles_of_the_binomial(n: int, share: float, risk: float) -> None:
    least, most = readings_beyond(n, share, risk)
    law = stats.binom(n, share)
    assert law.sf(least - 1) >= 1 - risk > law.sf(least)
    assert law.cdf(most) >= 1 - risk > law.cdf(most - 1)


# ---- interval of one population


def exact_sample(n: int, mean: float, sd: float) -> np.ndarray:
    scores = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return mean + sd * (scores - scores.mean()) / scores.std(ddof=1)


@pytest.mark.parametrize(("content", "confidence"), [(CONTENT, 0.95), (0.9, 0.99)])
def test_one_population_has_the_exact_interval(content: float, confidence: float) -> None:
    error = exact_sample(40, 3.0, 0.5)
    found = tolerance_interval(error, np.zeros(40, dtype=int), content, confidence)
    half = 0.5 * two_sided_tolerance_factor(40, content, confidence)
    assert (found.lower, found.upper) == pytest.approx((3 - half, 3 + half), rel=1e-9)
    assert (found.content, found.confidence, found.n) == (content, confidence, 40)
    assert found.method == "each direction with a normal scatter"
    assert (found.smallest, found.largest) == (error.min(), error.max())
    assert found.range_content == range_content(40, confidence)


def test_the_usual_content_is_that_of_3_sd_at_95_percent() -> None:
    found = tolerance_interval(exact_sample(40, 3.0, 0.5), np.zeros(40, dtype=int))
    assert (found.content, found.confidence) == (pytest.approx(0.9973002, abs=1e-7), 0.95)


@pytest.mark.parametrize(("content", "confidence"), [(1.0, 0.95), (0.95, 1.0)])
def test_impossible_shares_are_refused(content: float, confidence: float) -> None:
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        tolerance_interval(exact_sample(40, 3.0, 0.5), np.zeros(40, dtype=int), content, confidence)


def test_without_scatter_there_is_no_interval() -> None:
    with pytest.raises(StatisticsError, match="show no scatter"):
        tolerance_interval(np.repeat([1.0, 2.0], 5), block_by_block(2, 5))


# ---- interval of many directions

CASES = [(24, 5, 3.0, 0.955), (12, 5, 10.0, 0.95), (8, 10, 1.0, 0.95), (8, 3, 10.0, 0.93)]
"""Directions, touches, variation in sd, and the confidence measured with 3000 tests each."""


@pytest.mark.parametrize(("directions", "touches", "variation", "measured"), CASES)
def test_the_interval_holds_its_content_as_often_as_it_says(
    directions: int, touches: int, variation: float, measured: float
) -> None:
    rng, runs = np.random.default_rng(1), 400
    means = variation * seat_shape(even_azimuths(directions), 17.0)
    direction = block_by_block(directions, touches)
    held = 0
    for one in repeated(rng, runs):
        found = tolerance_interval(means[direction] + one.normal(size=direction.size), direction, 0.9973)
        inside = stats.norm.cdf(found.upper - means) - stats.norm.cdf(found.lower - means)
        held += inside.mean() >= 0.9973
    assert_share(held, runs, measured)


def test_far_directions_are_held_apart_from_the_middle() -> None:
    # Two directions far apart: each end reaches as far as 2 * 0.135 % of its own readings.
    error = np.concatenate([exact_sample(400, -50.0, 1.0), exact_sample(400, 50.0, 1.0)])
    found = tolerance_interval(error, block_by_block(2, 400))
    reach = stats.norm.isf(2 * stats.norm.sf(3))
    assert reach + 50 < found.upper < 1.2 * reach + 50
    assert found.lower == pytest.approx(-found.upper, rel=1e-6)


# ---- scatter that is not normal


def test_tails_that_show_widen_the_interval() -> None:
    rng = np.random.default_rng(2)
    error = rng.standard_t(3, size=240)
    heavy = tolerance_interval(error, block_by_block(24, 10))
    normal = tolerance_interval(exact_sample(240, 0.0, error.std(ddof=1)), np.zeros(240, dtype=int))
    assert heavy.method == "each direction with the skewness and tails that the readings show"
    assert heavy.upper - heavy.lower > 1.3 * (normal.upper - normal.lower)


def test_many_readings_are_counted_where_they_are_not_normal() -> None:
    error = np.random.default_rng(3).standard_t(3, size=3000)
    found = tolerance_interval(error, block_by_block(10, 300))
    ordered = np.sort(error)
    # Between the second smallest and second largest: 99.73 % of 3000 leave 8.1 beyond.
    left_out = [r for r in range(1, 8) if stats.beta.sf(CONTENT, 3001 - 2 * r, 2 * r) >= 0.95]
    assert left_out[-1] == 2
    assert (found.lower, found.upper) == (ordered[1], ordered[-2])
    assert found.method == "counted from the readings, whatever their distribution"


@pytest.mark.parametrize(("n", "counted"), [(1750, False), (1760, True)])
def test_fewer_readings_than_hold_the_content_are_not_counted(n: int, counted: bool) -> None:
    # n p**(n - 1) - (n - 1) p**n falls below 5 % at n = 1756.
    error = np.random.default_rng(4).standard_t(3, size=n)
    found = tolerance_interval(error, np.zeros(n, dtype=int))
    assert found.method.startswith("counted") is counted
    if counted:
        assert (found.lower, found.upper) == (error.min(), error.max())


def test_a_flat_scatter_is_counted_too() -> None:
    error = np.linspace(-1.0, 1.0, 4000)
    found = tolerance_interval(error, np.zeros(4000, dtype=int))
    assert found.method.startswith("counted")
    assert 0.995 < found.upper < 1.0


def test_the_range_holds_its_content_whatever_the_tails() -> None:
    rng, runs = np.random.default_rng(5), 1000
    held = 0
    for one in repeated(rng, runs):
        error = one.standard_t(3, size=60)
        held += np.diff(stats.t.cdf([error.min(), error.max()], 3))[0] >= range_content(60)
    assert_share(held, runs, 0.95)


def test_counted_intervals_hold_their_content_of_a_skew_scatter() -> None:
    rng, runs = np.random.default_rng(6), 200
    direction = np.zeros(2000, dtype=int)
    held = 0
    for one in repeated(rng, runs):
        found = tolerance_interval(one.exponential(size=2000), direction)
        held += np.diff(stats.expon.cdf([found.lower, found.upper]))[0] >= CONTENT
    assert_share_at_least(held, runs, 0.95)
