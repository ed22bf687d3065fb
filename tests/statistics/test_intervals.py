"""Intervals: closed forms, SciPy and statsmodels beside them, coverage by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats
from simulated import assert_share, assert_share_at_least
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from probetest.errors import StatisticsError
from probetest.statistics.intervals import (
    Interval,
    check_level,
    mean_interval,
    one_sided_tolerance_factor,
    proportion_interval,
    proportion_upper,
    sd_interval,
)

TRIALS = 4000


def test_interval_holds_its_limits() -> None:
    assert 1.0 in Interval(1.0, 2.0)
    assert 2.0 in Interval(1.0, 2.0)


def test_interval_leaves_out_what_lies_beyond() -> None:
    assert 2.0000001 not in Interval(1.0, 2.0)


def test_half_width_is_half_the_distance() -> None:
    assert Interval(-1.0, 3.0).half_width == 2.0


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, 1.5, float("nan")])
def test_level_outside_0_to_1_is_refused_with_its_value(level: float) -> None:
    with pytest.raises(StatisticsError, match=f"got {level}"):
        check_level(level)


# ---- standard deviation


@pytest.mark.parametrize(
    ("dof", "lower", "upper"),
    [(4, 0.599, 2.874), (9, 0.688, 1.826), (19, 0.760, 1.461), (99, 0.878, 1.162)],
    ids=lambda value: str(value),
)
def test_sd_interval_is_the_tabled_multiple_of_the_sd(dof: int, lower: float, upper: float) -> None:
    found = sd_interval(1.0, dof)
    assert (round(found.lower, 3), round(found.upper, 3)) == (lower, upper)


def test_sd_interval_with_two_dof_is_the_closed_form_of_the_exponential() -> None:
    found = sd_interval(3.0, 2, 0.90)
    assert found.lower == pytest.approx(3.0 / np.sqrt(-np.log(0.05)), rel=1e-12)
    assert found.upper == pytest.approx(3.0 / np.sqrt(-np.log(0.95)), rel=1e-12)


def test_sd_interval_scales_with_the_sd() -> None:
    assert sd_interval(0.002, 7).upper == pytest.approx(0.002 * sd_interval(1.0, 7).upper, rel=1e-14)


def test_sd_interval_of_no_scatter_is_no_wider_than_0() -> None:
    assert sd_interval(0.0, 5) == Interval(0.0, 0.0, 0.95)


def test_sd_interval_takes_fractional_dof_between_its_neighbours() -> None:
    assert sd_interval(1.0, 8).upper > sd_interval(1.0, 8.5).upper > sd_interval(1.0, 9).upper


@pytest.mark.parametrize(("sd", "dof"), [(1.0, 0), (1.0, -1), (-1.0, 5)])
def test_sd_interval_refuses_what_has_no_scatter_behind_it(sd: float, dof: float) -> None:
    with pytest.raises(StatisticsError, match="dof > 0 and sd >= 0"):
        sd_interval(sd, dof)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("dof", [1, 4, 24, 216, 5000])
def test_sd_interval_leaves_equal_tails_of_the_chi_square_distribution(dof: int, level: float) -> None:
    found = sd_interval(1.0, dof, level)
    assert stats.chi2.cdf(dof / found.upper**2, dof) == pytest.approx((1 - level) / 2, rel=1e-9)
    assert stats.chi2.sf(dof / found.lower**2, dof) == pytest.approx((1 - level) / 2, rel=1e-9)


@pytest.mark.parametrize("n", [2, 5, 25])
def test_sd_interval_covers_the_true_sd(n: int) -> None:
    sds = np.random.default_rng(1).normal(0.0, 0.002, (TRIALS, n)).std(axis=1, ddof=1)
    assert_share(sum(0.002 in sd_interval(sd, n - 1) for sd in sds), TRIALS, 0.95)


# ---- mean


def test_mean_interval_with_one_dof_is_the_closed_form_of_the_cauchy() -> None:
    assert mean_interval(0.0, 1.0, 1).upper == pytest.approx(np.tan(np.pi * 0.475), rel=1e-9)


def test_mean_interval_with_infinite_dof_is_normal() -> None:
    assert mean_interval(0.0, 1.0, np.inf).upper == pytest.approx(1.959964, abs=1e-6)


def test_mean_interval_is_centred_on_the_mean() -> None:
    found = mean_interval(7.0, 0.5, 9)
    assert (found.lower + found.upper) / 2 == pytest.approx(7.0)


@pytest.mark.parametrize(("error", "dof"), [(1.0, 0), (-0.1, 5)])
def test_mean_interval_refuses_impossible_input(error: float, dof: float) -> None:
    with pytest.raises(StatisticsError, match="standard error >= 0"):
        mean_interval(0.0, error, dof)


def test_mean_interval_agrees_with_statsmodels() -> None:
    sample = np.random.default_rng(2).normal(5.0, 2.0, 12)
    described = DescrStatsW(sample)
    found = mean_interval(float(sample.mean()), float(described.std_mean), 11, 0.99)
    assert (found.lower, found.upper) == pytest.approx(described.tconfint_mean(0.01), rel=1e-12)


def test_mean_interval_covers_the_true_mean() -> None:
    samples = np.random.default_rng(3).normal(1.0, 1.0, (TRIALS, 6))
    means, errors = samples.mean(axis=1), stats.sem(samples, axis=1)
    hits = sum(1.0 in mean_interval(m, e, 5) for m, e in zip(means, errors, strict=True))
    assert_share(hits, TRIALS, 0.95)


# ---- proportion


def test_proportion_without_event_starts_at_0() -> None:
    assert proportion_interval(0, 50).lower == 0.0


def test_proportion_of_all_ends_at_1() -> None:
    found = proportion_interval(50, 50)
    assert found.upper == 1.0
    assert found.lower == pytest.approx(0.025 ** (1 / 50), rel=1e-12)


def test_one_trial_without_event_says_almost_nothing() -> None:
    assert proportion_upper(0, 1) == pytest.approx(0.95, rel=1e-12)


def test_proportion_upper_stays_within_the_rule_of_three() -> None:
    assert 2.9 / 1000 < proportion_upper(0, 1000) < 3 / 1000


@pytest.mark.parametrize(("events", "trials"), [(-1, 5), (6, 5), (0, 0)])
def test_impossible_counts_are_refused(events: int, trials: int) -> None:
    with pytest.raises(StatisticsError, match=f"{events} of {trials}"):
        proportion_interval(events, trials)


@pytest.mark.parametrize(("events", "trials"), [(0, 10), (1, 240), (4, 20), (9, 10), (10, 10), (3, 5000)])
@pytest.mark.parametrize("level", [0.90, 0.95, 0.99])
def test_proportion_interval_agrees_with_scipy_and_statsmodels(
    events: int, trials: int, level: float
) -> None:
    found = proportion_interval(events, trials, level)
    scipy_form = stats.binomtest(events, trials).proportion_ci(level, method="exact")
    statsmodels_form = proportion_confint(events, trials, 1 - level, method="beta")
    assert (found.lower, found.upper) == pytest.approx((scipy_form.low, scipy_form.high), rel=1e-8)
    assert (found.lower, found.upper) == pytest.approx(statsmodels_form, rel=1e-8)


@pytest.mark.parametrize("truth", [0.01, 0.05, 0.3])
def test_proportion_interval_covers_at_least_its_level(truth: float) -> None:
    # The coverage can be summed exactly: no simulation needed.
    counts = np.arange(241)
    covered = [truth in proportion_interval(int(count), 240) for count in counts]
    assert stats.binom.pmf(counts[covered], 240, truth).sum() >= 0.95


# ---- tolerance factor


def test_tolerance_factor_approaches_the_normal_quantile() -> None:
    assert one_sided_tolerance_factor(100_000, 0.95, 0.95) == pytest.approx(stats.norm.ppf(0.95), abs=0.01)


def test_tolerance_factor_for_half_the_population_is_the_bound_of_the_mean() -> None:
    expected = stats.t.ppf(0.95, 9) / np.sqrt(10)
    assert one_sided_tolerance_factor(10, 0.5, 0.95) == pytest.approx(expected, rel=1e-9)


def test_tolerance_factor_of_one_reading_is_refused() -> None:
    with pytest.raises(StatisticsError, match="n >= 2"):
        one_sided_tolerance_factor(1, 0.95, 0.95)


@pytest.mark.parametrize(("n", "coverage"), [(5, 0.95), (20, 0.9), (60, 0.99)])
def test_tolerance_factor_has_its_confidence_by_integration(n: int, coverage: float) -> None:
    factor, quantile = one_sided_tolerance_factor(n, coverage, 0.95), stats.norm.ppf(coverage)

    def density(ratio: float) -> float:
        # sd over true sd; given it, mean + k sd covers when the mean lies high enough.
        return float(
            stats.chi.pdf(ratio * np.sqrt(n - 1), n - 1)
            * np.sqrt(n - 1)
            * stats.norm.cdf(np.sqrt(n) * (factor * ratio - quantile))
        )

    assert integrate.quad(density, 0, np.inf)[0] == pytest.approx(0.95, abs=1e-7)


def test_tolerance_bound_covers_the_population_as_often_as_it_says() -> None:
    samples = np.random.default_rng(4).normal(size=(TRIALS, 10))
    factor = one_sided_tolerance_factor(10, 0.95, 0.90)
    bounds = samples.mean(axis=1) + factor * samples.std(axis=1, ddof=1)
    assert_share(int((bounds >= stats.norm.ppf(0.95)).sum()), TRIALS, 0.90)


def test_upper_bound_of_a_miss_rate_is_kept_by_the_truth() -> None:
    misses = np.random.default_rng(5).binomial(240, 0.02, 2000)
    hits = sum(proportion_upper(int(count), 240) >= 0.02 for count in misses)
    assert_share_at_least(hits, 2000, 0.95)


def test_tolerance_factor_of_two_readings_is_the_tabled_one() -> None:
    assert one_sided_tolerance_factor(2, 0.95, 0.95) == pytest.approx(26.260, abs=5e-4)


# ---- what an interval remembers


def test_each_interval_carries_the_level_it_was_asked_for() -> None:
    assert sd_interval(1.0, 9, 0.9).level == 0.9
    assert mean_interval(0.0, 1.0, 9, 0.9).level == 0.9
    assert proportion_interval(3, 20, 0.9).level == 0.9


def test_mean_without_error_is_an_interval_without_width() -> None:
    assert mean_interval(7.0, 0.0, 5) == Interval(7.0, 7.0, 0.95)
