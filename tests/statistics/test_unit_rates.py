"""Miss rates of builds: closed forms, brute force and libraries beside them, and builds with known truth."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share_at_least, assert_share_at_most
from statsmodels.stats.proportion import proportion_confint

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, proportion_interval
from probetest.statistics.unit_rates import (
    MOST_SPLITS,
    _splits,
    compare_rates,
    compare_rates_paired,
    rate_group,
)

F1, N1 = [1, 4, 0, 7], [200, 250, 180, 220]
F2, N2 = [9, 3, 12, 6, 8], [210, 190, 200, 240, 160]


def limits(interval: Interval | None) -> tuple[float, float]:
    assert interval is not None
    return interval.lower, interval.upper


def clopper_pearson(failures: float, trials: float, level: float = 0.95) -> tuple[float, float]:
    """By SciPy's beta quantiles, also for numbers that are not whole."""
    tail = (1 - level) / 2
    return (
        stats.beta.ppf(tail, failures, trials - failures + 1),
        stats.beta.isf(tail, failures + 1, trials - failures),
    )


# ---- the rate of a build


def test_single_unit_has_the_exact_interval() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 %, printed 0.071354 and 0.401029.
    found = rate_group([4], [20], 0.90)
    assert limits(found.interval) == pytest.approx((0.071354, 0.401029), abs=2e-6)
    assert (found.design_effect, found.effective_trials, found.unit_sd) == (None, 20.0, None)
    assert "one unit" in found.note
    assert limits(rate_group([7], [90]).interval) == pytest.approx(
        proportion_confint(7, 90, method="beta"), rel=1e-9
    )


def test_clustered_misses_by_hand() -> None:
    # 10 of 600 in 3 units of 200: residuals -10/3, -7/3, 17/3 over 600; variance 3/2 times their squares.
    found = rate_group([0, 1, 9], [200, 200, 200])
    variance = 1.5 * ((10 / 3) ** 2 + (7 / 3) ** 2 + (17 / 3) ** 2) / 600**2
    effect = variance / (1 / 60 * 59 / 60 / 600)
    effective = 600 / effect * (1.9639414 / 4.3026527) ** 2  # t of 599 and of 2 degrees of freedom
    assert found.design_effect == pytest.approx(effect, rel=1e-12)
    assert found.effective_trials == pytest.approx(effective, rel=2e-5)
    assert limits(found.interval) == pytest.approx(clopper_pearson(effective / 60, effective), rel=1e-3)
    assert (found.units, found.failures, found.trials, found.units_with_failures) == (3, 10, 600, 2)
    assert found.estimate == pytest.approx(1 / 60, rel=1e-12)
    assert found.unit_sd == pytest.approx(np.std([0, 1 / 200, 9 / 200], ddof=1), rel=1e-12)
    assert found.units_interval == proportion_interval(2, 3)
    assert (found.unit_sd_interval, found.note) == (None, "")


def test_ratio_estimate_of_unequal_units() -> None:
    found = rate_group(F1, N1)
    rate = sum(F1) / sum(N1)
    residuals = np.array(F1) - rate * np.array(N1)
    # Variance of a ratio of totals over units (linearised), Cochran's textbook form.
    effect = 4 / 3 * np.sum(residuals**2) / sum(N1) ** 2 / (rate * (1 - rate) / sum(N1))
    assert found.design_effect == pytest.approx(effect, rel=1e-12)


@pytest.mark.parametrize("failures", [[2, 2, 2], [0, 0, 6], [1, 0, 0], [199, 200, 200], [0, 3, 3]])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_interval_is_never_inside_that_of_the_touches(failures: list[int], level: float) -> None:
    found = rate_group(failures, [200] * 3, level)
    exact = proportion_interval(sum(failures), 600, level)
    lower, upper = limits(found.interval)
    assert lower <= exact.lower * (1 + 1e-9)
    assert upper >= exact.upper * (1 - 1e-9)
    assert found.effective_trials < 600


def test_alike_counts_are_no_gain() -> None:
    # A design effect of 0 is luck: taken as 1, with the t of 2 degrees of freedom.
    found = rate_group([2, 2, 2], [200] * 3)
    assert found.design_effect == pytest.approx(0.0, abs=1e-12)
    assert found.effective_trials == pytest.approx(600 * (1.9639414 / 4.3026527) ** 2, rel=2e-5)


@pytest.mark.parametrize(("failures", "mirrored"), [([0, 0, 0], [200] * 3), ([3, 0, 9], [197, 200, 191])])
def test_good_touches_mirror_the_missed(failures: list[int], mirrored: list[int]) -> None:
    there, back = rate_group(failures, [200] * 3), rate_group(mirrored, [200] * 3)
    assert limits(there.interval) == pytest.approx(
        tuple(1 - x for x in reversed(limits(back.interval))), abs=1e-12
    )


def test_no_miss_gives_both_bounds() -> None:
    found = rate_group([0, 0, 0], [200, 200, 200])
    assert limits(found.interval) == pytest.approx((0.0, 1 - 0.025 ** (1 / 600)), rel=1e-9)
    # Units: none of 3 missed.
    assert limits(found.units_interval) == pytest.approx((0.0, 1 - 0.025 ** (1 / 3)), rel=1e-9)
    assert found.design_effect is None
    assert "alike" in found.note


# ---- two builds


def test_permutation_is_the_brute_count() -> None:
    found = compare_rates(F1, N1, F2, N2, 0.05)
    failures, made = np.array(F1 + F2), np.array(N1 + N2)
    seen = sum(F2) / sum(N2) - sum(F1) / sum(N1)
    hits = 0
    for chosen in combinations(range(9), 4):
        rest = [unit for unit in range(9) if unit not in chosen]
        one = failures[list(chosen)].sum() / made[list(chosen)].sum()
        hits += abs(failures[rest].sum() / made[rest].sum() - one) >= abs(seen) - 1e-12
    assert found.p_permutation == pytest.approx(hits / 126, rel=1e-12)
    assert found.difference == pytest.approx(seen, rel=1e-12)
    assert found.least_p == pytest.approx(1 / 126)


def test_permutation_of_equal_units_is_that_of_scipy() -> None:
    one, two = [3, 1, 4, 1], [5, 9, 2, 6]
    found = compare_rates(one, [100] * 4, two, [100] * 4, 0.05)
    oracle = stats.permutation_test(
        (two, one), lambda a, b, axis: np.abs(a.mean(axis) - b.mean(axis)), vectorized=True,
        n_resamples=np.inf, alternative="greater",
    )  # fmt: skip
    assert found.p_permutation == pytest.approx(oracle.pvalue, rel=1e-12)
    assert found.least_p == pytest.approx(2 / 70)


def test_many_units_are_dealt_by_lot() -> None:
    rng = np.random.default_rng(1)
    one, two = rng.poisson(4, 14), rng.poisson(6, 14)
    found = compare_rates(one, [300] * 14, two, [300] * 14, 0.05)
    again = compare_rates(one, [300] * 14, two, [300] * 14, 0.05)
    assert found.p_permutation == again.p_permutation
    # Equal touches: the permutation of the mean; close to the t test (SciPy), within what the lot does.
    p = stats.ttest_ind(two, one).pvalue
    assert found.p_permutation == pytest.approx(p, abs=4 * (p / MOST_SPLITS) ** 0.5 + 0.1 * p)
    assert np.all(_splits(14, 14).sum(axis=1) == 14)
    certain = compare_rates([0] * 20, [100] * 20, [50] * 20, [100] * 20, 0.05)
    assert certain.p_permutation == pytest.approx(1 / (1 + MOST_SPLITS))


def test_intervals_are_put_together_by_hand() -> None:
    found = compare_rates(F1, N1, [40, 45, 61, 39, 52], N2, 0.05)
    (l1, u1), (l2, u2) = limits(found.first.interval), limits(found.second.interval)
    p1, p2 = found.first.estimate, found.second.estimate
    d = p2 - p1
    assert limits(found.interval) == pytest.approx(
        (d - np.hypot(p2 - l2, u1 - p1), d + np.hypot(u2 - p2, p1 - l1)), rel=1e-12
    )
    narrow = (rate_group(F1, N1, 0.9), rate_group([40, 45, 61, 39, 52], N2, 0.9))
    (l1, u1), (l2, u2) = (limits(group.interval) for group in narrow)
    assert limits(found.equivalence_interval) == pytest.approx(
        (d - np.hypot(p2 - l2, u1 - p1), d + np.hypot(u2 - p2, p1 - l1)), rel=1e-9
    )
    variances = [
        g.design_effect * g.estimate * (1 - g.estimate) / g.trials for g in (found.first, found.second)
    ]
    assert found.standard_error == pytest.approx(sum(variances) ** 0.5, rel=1e-12)
    assert (found.dof, found.scale, found.effect_interval) == (None, "linear", found.interval)


def test_builds_without_misses_have_a_closed_form() -> None:
    # The interval ends at 1 - risk^(1/600) at each one-sided risk; it is the margin at (1 - margin)^600.
    found = compare_rates([0] * 3, [200] * 3, [0] * 4, [200] * 4, 0.004)
    assert found.p_equivalence == pytest.approx((1 - 0.004) ** 600, rel=1e-6)
    assert (found.p_difference, found.p_permutation) == (1.0, 1.0)
    assert limits(found.equivalence_interval) == pytest.approx(
        (-(1 - 0.05 ** (1 / 600)), 1 - 0.05 ** (1 / 800)), rel=1e-9
    )
    assert "alike" in found.first.note


def test_equivalence_and_its_interval_say_the_same() -> None:
    first = compare_rates(F1, N1, F2, N2, 0.5)
    margin = max(abs(x) for x in limits(first.equivalence_interval))
    assert compare_rates(F1, N1, F2, N2, margin).p_equivalence == pytest.approx(0.05, rel=1e-5)
    assert (compare_rates(F1, N1, F2, N2, 1.1 * margin).p_equivalence or 1) < 0.05
    assert compare_rates(F1, N1, F2, N2, 0.001).p_equivalence == 1.0


def test_difference_and_its_interval_say_the_same() -> None:
    found = compare_rates([1, 0, 1, 0, 2], [300] * 5, [4, 5, 9, 3, 7], [300] * 5, 0.02)
    assert found.p_permutation == pytest.approx(2 / 252)
    assert found.p_difference is not None
    assert found.p_permutation < found.p_difference < 0.05
    # At a level of 1 - p the interval ends at 0.
    edge = compare_rates(
        [1, 0, 1, 0, 2], [300] * 5, [4, 5, 9, 3, 7], [300] * 5, 0.02, level=1 - found.p_difference
    )
    assert limits(edge.interval)[0] == pytest.approx(0.0, abs=1e-8)
    assert 0.0 not in (found.interval or [])


def test_few_units_show_no_difference_however_large() -> None:
    found = compare_rates([0, 0, 0], [900] * 3, [300, 310, 290], [900] * 3, 0.02)
    assert found.p_permutation == found.p_difference == pytest.approx(0.1)
    assert "smallest p of any outcome is 0.1" in found.note
    assert limits(found.interval)[0] == 0.0
    # At a risk of 10 % it does show.
    assert limits(found.equivalence_interval)[0] > 0.2
    assert compare_rates([0] * 4, [900] * 4, [300] * 4, [900] * 4, 0.02).note == ""


def test_few_bad_units_are_not_taken_for_a_bad_build() -> None:
    # Two of three units bad: limits alone would leave out 0, the permutation does not.
    found = compare_rates([0, 0, 0], [300] * 3, [30, 30, 0], [300] * 3, 0.02)
    assert found.p_permutation == pytest.approx(8 / 20)
    assert found.p_difference == found.p_permutation
    assert 0.0 in (found.interval or [])


def test_swapped_builds_change_signs_only() -> None:
    there, back = compare_rates(F1, N1, F2, N2, 0.03), compare_rates(F2, N2, F1, N1, 0.03)
    assert there.difference == -back.difference
    assert limits(there.interval) == pytest.approx(tuple(-x for x in reversed(limits(back.interval))))
    assert there.p_difference == pytest.approx(back.p_difference)
    assert there.p_equivalence == pytest.approx(back.p_equivalence)


# ---- pairs


def test_swaps_are_the_brute_count() -> None:
    before, after = [9, 2, 8, 4, 5], [1, 3, 2, 1, 4]
    made = [200, 150, 250, 180, 220]
    found = compare_rates_paired(before, made, after, made, 0.02)
    seen = abs(sum(after) - sum(before)) / 1000
    hits = 0
    for flips in product([False, True], repeat=5):
        one = sum(a if flip else b for flip, a, b in zip(flips, after, before, strict=True))
        hits += abs(2 * one - sum(before) - sum(after)) / 1000 >= seen - 1e-12
    assert found.p_permutation == pytest.approx(hits / 32, rel=1e-12)
    assert found.least_p == pytest.approx(2 / 32)
    assert "0.062" in found.note
    assert found.design == "paired"


def test_pairs_use_the_correlation_of_units_with_caution() -> None:
    before, after = [2, 9, 15, 22, 31, 40], [4, 10, 17, 26, 30, 44]
    made = [400] * 6
    pairs, apart = (
        compare_rates_paired(before, made, after, made, 0.02),
        compare_rates(before, made, after, made, 0.02),
    )
    found = np.corrcoef(before, after)[0, 1]
    cautious = np.tanh(np.arctanh(found) - 1.6448536 / 3**0.5)
    u1, l2 = limits(pairs.first.interval)[1], limits(pairs.second.interval)[0]
    p1, p2 = pairs.first.estimate, pairs.second.estimate
    a, b = p2 - l2, u1 - p1
    assert limits(pairs.interval)[0] == pytest.approx(
        p2 - p1 - np.sqrt(a * a + b * b - 2 * cautious * a * b), rel=1e-6
    )
    assert pairs.interval is not None
    assert apart.interval is not None
    assert pairs.interval.half_width < 0.8 * apart.interval.half_width
    changes = (np.array(after) - before) / 400
    assert pairs.standard_error == pytest.approx(changes.std(ddof=1) / 6**0.5, rel=1e-9)


def test_three_pairs_or_opposed_ones_gain_nothing() -> None:
    made = [300] * 3
    pairs = compare_rates_paired([1, 5, 9], made, [2, 6, 11], made, 0.02)
    apart = compare_rates([1, 5, 9], made, [2, 6, 11], made, 0.02)
    assert limits(pairs.interval) == pytest.approx(limits(apart.interval), rel=1e-12)
    made = [300] * 5
    pairs = compare_rates_paired([1, 3, 5, 7, 9], made, [9, 7, 5, 3, 2], made, 0.02)
    apart = compare_rates([1, 3, 5, 7, 9], made, [9, 7, 5, 3, 2], made, 0.02)
    assert limits(pairs.interval)[1] > limits(apart.interval)[1]
    assert limits(pairs.interval)[0] < limits(apart.interval)[0]


def test_many_pairs_are_swapped_by_lot() -> None:
    before, after = np.arange(16), np.arange(16) + 3
    found = compare_rates_paired(before, [200] * 16, after, [200] * 16, 0.05)
    assert found.p_permutation == pytest.approx(1 / (1 + MOST_SPLITS), rel=3.0)


# ---- refused


@pytest.mark.parametrize("sizes", [(1, 3), (3, 1)])
def test_build_of_one_unit_has_a_reason(sizes: tuple[int, int]) -> None:
    one, two = ([2] * size for size in sizes)
    found = compare_rates(one, [100] * sizes[0], two, [100] * sizes[1], 0.05)
    assert "at least 2 units" in found.reason
    assert (found.interval, found.equivalence_interval, found.p_difference, found.p_equivalence) == (
        None,
    ) * 4
    assert (found.p_permutation, found.effect_interval, found.standard_error) == (None,) * 3


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: rate_group([], []), "at least one unit"),
        (lambda: rate_group([1, 2], [3]), "touches"),
        (lambda: rate_group([4], [3]), "whole"),
        (lambda: rate_group([-1], [3]), "whole"),
        (lambda: rate_group([0], [0]), "whole"),
        (lambda: rate_group([0.5], [3]), "whole"),
        (lambda: rate_group([1], [3.5]), "whole"),
        (lambda: rate_group([1], [3], 1.0), "level"),
        (lambda: compare_rates(F1, N1, F2, N2, 0.0), "margin"),
        (lambda: compare_rates(F1, N1, F2, N2, 1.0), "margin"),
        (lambda: compare_rates(F1, N1, F2, N2, 0.1, level=0.5), "between 0.5 and 1"),
        (lambda: compare_rates_paired(F1, N1, F2, N2, 0.1), "same units twice"),
    ],
)
def test_what_is_out_of_range_is_refused(call, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        call()


# ---- known truth

TOUCHES = 200


def clustered(rng: np.random.Generator, rate: float, units: int, icc: float) -> np.ndarray:
    """Misses of units whose rates follow a beta distribution with this correlation of touches."""
    spread = (1 - icc) / icc
    return rng.binomial(TOUCHES, rng.beta(rate * spread, (1 - rate) * spread, units))


@pytest.mark.simulation
@pytest.mark.parametrize("units", [4, 7])
def test_pooled_touches_cry_wolf_and_units_dont(units: int) -> None:
    rng, trials, made = np.random.default_rng(units), 80, [TOUCHES] * units
    pooled = units_say = limits_hold = false = 0
    for _ in range(trials):
        one, two, worse = (clustered(rng, rate, units, 0.05) for rate in (0.03, 0.03, 0.06))
        counts = [one.sum(), two.sum()]
        table = [[c, units * TOUCHES - c] for c in counts]
        pooled += min(counts) + max(counts) > 0 and stats.fisher_exact(table)[1] < 0.05
        found = compare_rates(one, made, two, made, 0.03)
        units_say += (found.p_difference or 0) <= 0.05
        limits_hold += 0.0 in (found.interval or [])
        false += (compare_rates(one, made, worse, made, 0.03).p_equivalence or 0) <= 0.05
    assert_share_at_least(pooled, trials, 0.5)
    assert_share_at_most(units_say, trials, 0.05)
    assert_share_at_least(limits_hold, trials, 0.95)
    assert_share_at_most(false, trials, 0.05)


@pytest.mark.simulation
def test_rate_of_a_build_is_covered() -> None:
    rng, trials = np.random.default_rng(3), 300
    for units, icc in ((3, 0.02), (5, 0.01), (8, 0.01)):
        hits = sum(
            0.03 in (rate_group(clustered(rng, 0.03, units, icc), [TOUCHES] * units).interval or [])
            for _ in range(trials)
        )
        assert_share_at_least(hits, trials, 0.95)


@pytest.mark.simulation
def test_changes_of_pairs_at_the_margin_and_none() -> None:
    rng, trials, units = np.random.default_rng(5), 80, 7
    made, spread = [TOUCHES] * units, 19.0
    shown = false = found = 0
    for _ in range(trials):
        rate = rng.beta(0.05 * spread, 0.95 * spread, units)
        before, after = rng.binomial(TOUCHES, rate), rng.binomial(TOUCHES, rate)
        shifted, many = (
            rng.binomial(TOUCHES, np.minimum(rate + 0.03, 1)),
            rng.binomial(TOUCHES, np.minimum(rate + 0.2, 1)),
        )
        shown += (compare_rates_paired(before, made, after, made, 0.03).p_difference or 0) <= 0.05
        false += (compare_rates_paired(before, made, shifted, made, 0.03).p_equivalence or 0) <= 0.05
        found += (compare_rates_paired(before, made, many, made, 0.03).p_difference or 1) <= 0.05
    assert_share_at_most(shown, trials, 0.05)
    assert_share_at_most(false, trials, 0.05)
    assert_share_at_least(found, trials, 0.8)
