"""Units needed: libraries, integrals and closed forms beside it, and comparisons with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats
from simulated import assert_share, assert_share_at_least
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.power import TTestIndPower, TTestPower

from probetest.errors import StatisticsError
from probetest.statistics.intervals import sd_interval
from probetest.statistics.unit_comparison import FEW_UNITS, compare_pairs, compare_units
from probetest.statistics.unit_rates import compare_rates
from probetest.statistics.units_needed import (
    MOST_UNITS,
    between_units,
    power_of,
    units_needed,
    units_needed_for_rates,
)

VACCINE = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
    (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip
"""Thirteen trials (cases and the rest, treated; cases and the rest, control): data set dat.bcg of the R
package metafor, whose help prints tau^2 by Q-profile, 0.1197 to 1.1115, and Q = 152.2330. All from memory;
recomputed here they agree in all digits, which a slip in the data would not let them."""


def vaccine_ratios() -> tuple[np.ndarray, np.ndarray]:
    """Logarithms of risk ratios and their standard uncertainties."""
    a, b, c, d = np.array(VACCINE, dtype=float).T
    return np.log(a / (a + b) / (c / (c + d))), np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


# ---- power


@pytest.mark.parametrize("n", [2, 3, 5, 12, 80])
@pytest.mark.parametrize("margin", [0.4, 1.0])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_power_of_pairs_is_the_noncentral_t(n: int, margin: float, alpha: float) -> None:
    found = power_of(n, 1.0, None, margin, alpha, design="paired")
    assert found.difference == pytest.approx(TTestPower().power(margin, n, alpha), abs=2e-5)


@pytest.mark.parametrize("n", [3, 6, 20])
@pytest.mark.parametrize("margin", [1.0, 1.7])
def test_power_of_equivalence_of_pairs_is_the_integral(n: int, margin: float) -> None:
    limit = stats.t.isf(0.05, n - 1)

    def chance(sd: float) -> float:
        room = n**0.5 * margin - limit * sd
        inside = 2 * stats.norm.cdf(room) - 1 if room > 0 else 0.0
        return float(inside * stats.chi.pdf(sd * (n - 1) ** 0.5, n - 1) * (n - 1) ** 0.5)

    edge = n**0.5 * margin / limit
    expected = integrate.quad(chance, 0, min(edge, 8), limit=200)[0]
    assert power_of(n, 1.0, None, margin, design="paired").equivalence == pytest.approx(expected, abs=2e-3)


def test_power_of_two_builds_is_that_of_the_pooled_test_less_what_welch_costs() -> None:
    for n, cost in ((7, 0.02), (20, 0.003), (200, 1e-4)):
        pooled = TTestIndPower().power(2 / n**0.5, n, 0.05)
        assert pooled - cost < power_of(n, 1.0, 1.0, 2 / n**0.5).difference < pooled


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_power_of_equally_few_units_is_the_noncentral_t(n: int, alpha: float) -> None:
    # Degrees of freedom are always n - 1; t itself has 2 n - 2 of builds that scatter alike.
    edge, away = stats.t.isf(alpha / 2, n - 1), 3.0 / (2 / n) ** 0.5
    expected = stats.nct.sf(edge, 2 * n - 2, away) + stats.nct.cdf(-edge, 2 * n - 2, away)
    assert power_of(n, 1.0, 1.0, 3.0, alpha).difference == pytest.approx(expected, abs=2e-4)


@pytest.mark.simulation
@pytest.mark.parametrize(("margin", "alpha"), [(3.2, 0.05), (4.0, 0.01)])
def test_few_units_have_the_power_that_was_promised(margin: float, alpha: float) -> None:
    rng, trials = np.random.default_rng(31), 80
    found = units_needed(1.0, 1.0, margin, alpha)
    assert found.both is not None
    assert found.power is not None
    assert found.both < FEW_UNITS
    less = power_of(found.both - 1, 1.0, 1.0, margin, alpha)
    assert min(found.power.difference, found.power.equivalence) >= 0.8
    assert min(less.difference, less.equivalence) < 0.8
    builds = rng.normal(size=(trials, 2, found.both))
    apart = [compare_units(one, two + margin, margin, level=1 - alpha) for one, two in builds]
    alike = [compare_units(one, two, margin, level=1 - alpha) for one, two in builds]
    assert_share(sum((c.p_difference or 1) < alpha for c in apart), trials, found.power.difference)
    assert_share(sum((c.p_equivalence or 1) < alpha for c in alike), trials, found.power.equivalence)


def test_power_of_a_build_that_does_not_scatter_is_that_of_one_sample() -> None:
    for pair in ((1.0, 0.0), (0.0, 1.0)):
        found = power_of(9, *pair, 0.8)
        assert found.difference == pytest.approx(TTestPower().power(0.8, 9, 0.05), abs=2e-6)


def test_unequal_numbers_go_with_their_own_deviations() -> None:
    there, back = power_of((6, 20), 1.0, 3.0, 2.0), power_of((20, 6), 3.0, 1.0, 2.0)
    assert there.difference == pytest.approx(back.difference, rel=1e-9)
    assert there.equivalence == pytest.approx(back.equivalence, rel=1e-9)
    assert there.difference > power_of((20, 6), 1.0, 3.0, 2.0).difference


@pytest.mark.simulation
def test_power_is_what_comparisons_do() -> None:
    rng, trials = np.random.default_rng(1), 120
    found = power_of((4, 7), 1.0, 2.0, 2.5)
    apart, alike = (
        [compare_units(rng.normal(size=4), d + 2 * rng.normal(size=7), 2.5) for _ in range(trials)]
        for d in (2.5, 0.0)
    )
    assert_share(sum((c.p_difference or 1) < 0.05 for c in apart), trials, found.difference)
    assert_share(sum((c.p_equivalence or 1) < 0.05 for c in alike), trials, found.equivalence)


# ---- units


@pytest.mark.parametrize(
    ("first", "second", "margin", "alpha", "power"),
    [
        (1.0, 1.0, 1.0, 0.05, 0.8),
        (1.0, 3.0, 1.5, 0.05, 0.8),
        (0.2, 0.3, 0.9, 0.01, 0.9),
        (1.0, None, 0.6, 0.05, 0.8),
    ],
)
def test_units_are_the_fewest(
    first: float, second: float | None, margin: float, alpha: float, power: float
) -> None:
    design = "paired" if second is None else "independent"
    found = units_needed(first, second, margin, alpha, power, design=design)

    def at(n: int):
        return power_of(n, first, second, margin, alpha, design=design)

    assert found.difference is not None
    assert found.equivalence is not None
    assert at(found.difference).difference >= power > at(found.difference - 1).difference
    assert at(found.equivalence).equivalence >= power > at(found.equivalence - 1).equivalence
    assert found.both == max(found.difference, found.equivalence)
    assert found.power == at(found.both)
    assert found.range is None


def test_units_beside_statsmodels() -> None:
    # Of pairs exactly; of builds the pooled test asks for 16.7, so 17.
    pairs = units_needed(1.0, None, 0.5, design="paired").difference
    assert pairs == int(np.ceil(TTestPower().solve_power(0.5, alpha=0.05, power=0.8)))
    assert units_needed(1.0, 1.0, 1.0).difference == int(
        np.ceil(TTestIndPower().solve_power(1.0, alpha=0.05, power=0.8))
    )


def test_large_numbers_follow_the_normal_formula() -> None:
    # Two-sided: (1.960 + 0.842)^2 (1 + 4) / 0.1^2; equivalence of alike builds: (1.645 + 1.282)^2.
    found = units_needed(1.0, 2.0, 0.1)
    assert found.difference == pytest.approx((1.959964 + 0.841621) ** 2 * 500, rel=2e-3)
    assert found.equivalence == pytest.approx((1.644854 + 1.281552) ** 2 * 500, rel=2e-3)


def test_more_than_ten_thousand_units_are_not_named() -> None:
    found = units_needed(1.0, 1.0, 0.0397)
    assert found.difference is not None
    assert 0.99 * MOST_UNITS < found.difference <= MOST_UNITS
    assert (found.equivalence, found.both, found.power) == (None, None, None)
    assert units_needed(1.0, 1.0, 0.01).difference is None


def test_range_goes_with_what_is_known_of_the_deviations() -> None:
    # Satterthwaite by hand: (1 + 9)^2 / (1/2 + 81/6) = 100 / 14.
    ends = sd_interval(1.0, 100 / 14)
    found = units_needed(1.0, 3.0, 2.0, dof=(2, 6))
    assert found.range == tuple(units_needed(f, 3 * f, 2.0).both for f in (ends.lower, ends.upper))
    pairs = units_needed(1.0, None, 1.0, design="paired", dof=5)
    ends = sd_interval(1.0, 5)
    assert pairs.range == tuple(
        units_needed(sd, None, 1.0, design="paired").both for sd in (ends.lower, ends.upper)
    )


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: power_of(1, 1.0, 1.0, 1.0), "2 units"),
        (lambda: power_of((3, 4), 1.0, None, 1.0, design="paired"), "in pairs"),
        (lambda: power_of(3, 0.0, 0.0, 1.0), "not all be 0"),
        (lambda: power_of(3, -1.0, 2.0, 1.0), "not all be 0"),
        (lambda: power_of(3, np.inf, 2.0, 1.0), "not all be 0"),
        (lambda: power_of(3, 1.0, 1.0, 0.0), "margin"),
        (lambda: power_of(3, 1.0, 1.0, 1.0, 0.5), "risk"),
        (lambda: power_of(3, 1.0, None, 1.0), "two deviations"),
        (lambda: power_of(3, 1.0, 1.0, 1.0, design="paired"), "two deviations"),
        (lambda: units_needed(1.0, 1.0, 1.0, power=1.0), "between 0 and 1"),
        (lambda: units_needed(1.0, 1.0, 1.0, dof=(0, 3)), "degrees of freedom"),
        (lambda: units_needed_for_rates(0.5, 0.5, 10, 0.0), "rate"),
        (lambda: units_needed_for_rates(-0.1, 0.5, 10, 0.0), "rate"),
        (lambda: units_needed_for_rates(0.1, 0.1, 0, 0.0), "rate"),
        (lambda: units_needed_for_rates(0.1, 0.1, 10, 1.1), "icc"),
        (lambda: between_units([1.0], 1.0), "2 values"),
        (lambda: between_units([1.0, 2.0], [1.0, 0.0]), "above 0"),
        (lambda: between_units([1.0, np.nan], 1.0), "2 values"),
    ],
)
def test_what_is_out_of_range_is_refused(call, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        call()


@pytest.mark.simulation
@pytest.mark.parametrize("paired", [False, True])
def test_units_have_the_power_that_was_asked_for(paired: bool) -> None:
    trials = 120
    rng = np.random.default_rng(2 + paired)
    found = units_needed(1.0, None if paired else 1.5, 1.8, design="paired" if paired else "independent")
    assert found.both is not None
    assert found.power is not None

    def compared(shift: float):
        for _ in range(trials):
            first = rng.normal(size=found.both)
            if paired:
                before = 7 * rng.normal(size=found.both)
                yield compare_pairs(before, before + first + shift, 1.8)
            else:
                yield compare_units(first, shift + 1.5 * rng.normal(size=found.both), 1.8)

    shown = sum((c.p_difference or 1) < 0.05 for c in compared(1.8))
    alike = sum((c.p_equivalence or 1) < 0.05 for c in compared(0.0))
    assert_share(shown, trials, found.power.difference)
    assert_share(alike, trials, found.power.equivalence)
    assert min(found.power.difference, found.power.equivalence) >= 0.8


# ---- rates


def test_units_without_misses_by_hand() -> None:
    # 0.95 = 1 - 0.99^n at n = 298.07: 299 touches; 3 units of 100, 2 of 150, never less than 2.
    for touches, units in ((100, 3), (299, 2), (50, 6), (10, 30)):
        assert units_needed_for_rates(0.0, 0.01, touches, 0.0).equivalence == units
    clean = compare_rates([0] * 3, [100] * 3, [0] * 3, [100] * 3, 0.01)
    assert (clean.p_equivalence or 1) < 0.05
    short = compare_rates([0] * 2, [149] * 2, [0] * 2, [149] * 2, 0.01)
    assert (short.p_equivalence or 0) > 0.05


def test_fewer_units_than_a_permutation_can_tell_are_not_advised() -> None:
    # 2 of 20 ways with 3 against 3, 2 of 70 with 4, 2 of 252 with 5.
    assert units_needed_for_rates(0.0, 0.5, 1000, 0.0).difference == 4
    assert units_needed_for_rates(0.0, 0.5, 1000, 0.0, 0.1).difference == 3
    assert units_needed_for_rates(0.0, 0.5, 1000, 0.0, 0.01).difference == 5


def test_units_for_rates_follow_the_design_effect() -> None:
    # Large numbers: (1.960 + 0.842)^2 (p q + p' q') D / (touches margin^2), D = 1 + 99 * 0.02.
    found = units_needed_for_rates(0.05, 0.01, 100, 0.02)
    variances = (0.05 * 0.95 + 0.06 * 0.94) * 2.98 / 100
    assert found.difference == pytest.approx((1.959964 + 0.841621) ** 2 * variances / 1e-4, rel=0.02)
    assert found.equivalence == pytest.approx(
        (1.644854 + 1.281552) ** 2 * 2 * 0.05 * 0.95 * 2.98 / 100 / 1e-4, rel=0.02
    )
    assert found.power is not None
    assert min(found.power.difference, found.power.equivalence) >= 0.8
    assert units_needed_for_rates(0.1, 1e-4, 10, 0.1).both is None
    # Two touches that always agree are one: D = 2.
    twins = units_needed_for_rates(0.05, 0.01, 2, 1.0).difference
    assert twins == pytest.approx((1.959964 + 0.841621) ** 2 * (0.05 * 0.95 + 0.06 * 0.94) / 1e-4, rel=0.01)


def test_limits_of_rates_cost_units_beside_the_t_test() -> None:
    same, worse = (float(np.sqrt(p * (1 - p) * (1 + 199 * 0.01) / 200)) for p in (0.01, 0.027))
    found = units_needed_for_rates(0.01, 0.017, 200, 0.01)
    assert (units_needed(same, worse, 0.017).difference or 0) < (found.difference or 0)
    assert (units_needed(same, same, 0.017).equivalence or 0) < (found.equivalence or 0)


def test_what_rates_need_beyond_the_most() -> None:
    assert units_needed_for_rates(0.0, 1e-6, 10, 0.0).equivalence is None


@pytest.mark.simulation
def test_units_for_rates_are_near_what_comparisons_need() -> None:
    rng, trials, touches, icc = np.random.default_rng(4), 60, 200, 0.01
    found = units_needed_for_rates(0.01, 0.03, touches, icc)
    n = found.difference or 0
    made, spread = np.full(n, touches), (1 - icc) / icc
    shown = 0
    for _ in range(trials):
        one, two = (rng.binomial(touches, rng.beta(p * spread, (1 - p) * spread, n)) for p in (0.01, 0.04))
        shown += (compare_rates(one, made, two, made, 0.03).p_difference or 1) <= 0.05
    assert_share_at_least(shown, trials, 0.8)


# ---- between units


def test_spread_between_units_by_hand() -> None:
    # Equal uncertainties: variance 4 less 1.2^2; limits 2 * 4 / chi-square(2) less the same.
    found = between_units([1.0, 3.0, 5.0], 1.2)
    assert found.sd == pytest.approx((4 - 1.44) ** 0.5, rel=1e-9)
    lower, upper = (8 / stats.chi2.isf(tail, 2) - 1.44 for tail in (0.025, 0.975))
    assert lower < 0
    assert found.interval.lower == 0.0
    assert found.interval.upper == pytest.approx(upper**0.5, rel=1e-9)
    assert found.q == pytest.approx(8 / 1.44, rel=1e-12)
    assert found.p == pytest.approx(stats.chi2.sf(8 / 1.44, 2), rel=1e-12)
    assert found.share == pytest.approx((4 - 1.44) / 4, rel=1e-9)
    assert found.share_interval.upper == pytest.approx(upper / (upper + 1.44), rel=1e-9)
    assert (found.measurement_sd, found.units, found.is_floored) == (pytest.approx(1.2), 3, False)


def test_spread_of_the_published_example() -> None:
    ratios, u = vaccine_ratios()
    found = between_units(ratios, u)
    assert found.q == pytest.approx(152.2330, abs=5e-5)
    assert found.interval.lower**2 == pytest.approx(0.1197, abs=5e-5)
    assert found.interval.upper**2 == pytest.approx(1.1115, abs=5e-5)
    # statsmodels: the same estimate, by its own iteration.
    assert found.sd**2 == pytest.approx(
        combine_effects(ratios, u**2, method_re="iterated", atol=1e-12).tau2, rel=1e-6
    )
    assert found.measurement_sd == pytest.approx(np.sqrt(np.mean(u**2)), rel=1e-12)


def test_unit_of_the_values_does_not_matter() -> None:
    ratios, u = vaccine_ratios()
    coarse, fine = between_units(ratios, u), between_units(1e-6 * ratios + 5e-3, 1e-6 * u)
    assert fine.sd == pytest.approx(1e-6 * coarse.sd, rel=1e-6)
    assert fine.interval.upper == pytest.approx(1e-6 * coarse.interval.upper, rel=1e-6)


def test_values_alike_beyond_their_uncertainty_are_floored() -> None:
    found = between_units([1.0, 1.0001, 0.9999, 1.0], [0.1, 0.2, 0.1, 0.1])
    assert (found.sd, found.share, found.is_floored) == (0.0, 0.0, True)
    assert (found.interval.lower, found.interval.upper) == (0.0, 0.0)
    assert between_units([1.0, 1.0], 0.1).sd == 0.0


@pytest.mark.simulation
def test_spread_between_units_covers_the_truth() -> None:
    rng, trials = np.random.default_rng(5), 150
    u = np.array([0.3, 0.5, 0.8, 1.2, 0.4, 0.6])
    found = [between_units(rng.normal(size=6) + u * rng.normal(size=6), u) for _ in range(trials)]
    assert_share(sum(1.0 in one.interval for one in found), trials, 0.95)
    assert np.mean([one.sd**2 for one in found]) == pytest.approx(1.0, abs=0.25)
    none = [between_units(u * rng.normal(size=6), u) for _ in range(trials)]
    assert_share(sum(one.p < 0.05 for one in none), trials, 0.05)
    assert_share(sum(one.interval.lower > 0.0 for one in none), trials, 0.025)
