"""Builds compared on their units: published cases, independent libraries, and builds with known truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import special, stats
from simulated import assert_share, assert_share_at_least, assert_share_at_most
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_ind, ttost_paired

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, sd_interval
from probetest.statistics.unit_comparison import (
    FEW_UNITS,
    Comparison,
    Group,
    compare_pairs,
    compare_units,
    log_sd,
    unit_means,
    welch_dof,
)

CERTIFIED = Path(__file__).parents[1] / "references" / "analysis_of_variance.json"

SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
"""Extra hours of sleep, data set "sleep" of R; bounds of 0.5 as in the vignette IntroTOSTt of the package
TOSTER (set-up seen; printed p .89 and .012, 17.8 dof from memory, recomputed with statsmodels)."""

A = [2.1, 2.9, 2.4, 3.3, 2.6]
B = [3.0, 3.4, 4.1, 2.8]
MANY_A = [*A, 2.2, 3.9]
MANY_B = [*B, 3.6, 2.7, 5.0, 3.3]


def limits(interval: Interval | None) -> tuple[float, float]:
    assert interval is not None
    return interval.lower, interval.upper


def exact_sample(n: int, mean: float, sd: float) -> np.ndarray:
    """Values that have exactly this mean and standard deviation."""
    ramp = np.arange(n) - (n - 1) / 2
    return mean + sd * ramp / ramp.std(ddof=1)


# ---- two builds


def test_two_builds_by_hand() -> None:
    # Means 2 and 5, variances 1 and 1: standard error (1/3 + 1/3)^(1/2). Satterthwaite's 4 degrees of
    # freedom are limited to 2: t 4.303 and 2.920.
    found = compare_units([1.0, 2.0, 3.0], [4.0, 5.0, 6.0], 1.0)
    error = (2 / 3) ** 0.5
    assert found.difference == pytest.approx(3.0, rel=1e-12)
    assert found.standard_error == pytest.approx(error, rel=1e-12)
    assert found.dof == 2.0
    assert limits(found.interval) == pytest.approx((3 - 4.3026527 * error, 3 + 4.3026527 * error), rel=1e-7)
    assert limits(found.equivalence_interval) == pytest.approx(
        (3 - 2.9199856 * error, 3 + 2.9199856 * error), rel=1e-7
    )
    assert (found.design, found.scale, found.margin, found.reason) == ("independent", "linear", 1.0, "")
    assert (found.effect, found.effect_interval, found.null) == (found.difference, found.interval, 0.0)


def test_each_build_has_its_own_figures() -> None:
    found = compare_units(A, B, 1.0)
    for group, values in ((found.first, A), (found.second, B)):
        oracle = DescrStatsW(values)  # statsmodels
        assert group.units == len(values)
        assert group.estimate == pytest.approx(np.mean(values), rel=1e-12)
        assert limits(group.interval) == pytest.approx(oracle.tconfint_mean(), rel=1e-9)
        assert group.unit_sd == pytest.approx(oracle.std_ddof(1), rel=1e-12)
        assert group.unit_sd_interval == sd_interval(float(np.std(values, ddof=1)), len(values) - 1)


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_welch_agrees_with_libraries(level: float) -> None:
    found = compare_units(MANY_A, MANY_B, 0.8, level=level)
    oracle = stats.ttest_ind(MANY_B, MANY_A, equal_var=False)  # SciPy
    assert found.p_difference == pytest.approx(oracle.pvalue, rel=1e-10)
    assert found.dof == pytest.approx(oracle.df, rel=1e-12)
    means = CompareMeans(DescrStatsW(MANY_B), DescrStatsW(MANY_A))  # statsmodels
    for interval, alpha in ((found.interval, 1 - level), (found.equivalence_interval, 2 * (1 - level))):
        assert limits(interval) == pytest.approx(means.tconfint_diff(alpha, usevar="unequal"), rel=1e-9)
        assert interval is not None
        assert interval.level == pytest.approx(1 - alpha, abs=1e-12)
    alike = ttost_ind(MANY_B, MANY_A, -0.8, 0.8, usevar="unequal")[0]
    assert found.p_equivalence == pytest.approx(alike, rel=1e-9)


@pytest.mark.parametrize("few", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("level", [0.95, 0.99])
@pytest.mark.parametrize("swapped", [False, True])
def test_few_units_limit_the_degrees_of_freedom(few: int, level: float, swapped: bool) -> None:
    # A small build that scatters little: Satterthwaite would take the degrees of freedom of the large one.
    builds = [exact_sample(few, 2.0, 0.1), exact_sample(14, 3.1, 2.0)]
    plain = stats.ttest_ind(builds[1], builds[0], equal_var=False)  # SciPy, for the standard error
    assert plain.df > 13
    found = compare_units(*(builds[::-1] if swapped else builds), 1.7, level=level)
    error = 1.1 / plain.statistic
    assert found.dof == few - 1
    assert found.standard_error == pytest.approx(error, rel=1e-12)
    assert found.p_difference == pytest.approx(2 * stats.t.sf(plain.statistic, few - 1), rel=1e-9)
    assert found.p_equivalence == pytest.approx(stats.t.cdf((1.1 - 1.7) / error, few - 1), rel=1e-9)
    sign = -1 if swapped else 1
    for interval, tail in ((found.interval, (1 - level) / 2), (found.equivalence_interval, 1 - level)):
        t = stats.t.isf(tail, few - 1)
        assert sorted(sign * x for x in limits(interval)) == pytest.approx(
            [1.1 - t * error, 1.1 + t * error], rel=1e-9
        )


def test_fewer_degrees_of_freedom_than_the_limit_stay() -> None:
    # Two units that scatter most: Satterthwaite's are near their own 1, and limited to it.
    found = compare_units([1.0, 1.1, 1.2], [3.0, 9.0], 1.0)
    assert found.dof == 1.0
    wide = compare_units(exact_sample(6, 0.0, 9.0), exact_sample(6, 0.0, 0.1), 1.0)
    assert wide.dof == pytest.approx(5.0, rel=1e-3)
    narrow = compare_units(exact_sample(5, 0.0, 1.0), exact_sample(4, 0.0, 9.0), 1.0)
    assert narrow.dof == 3.0


def test_limit_ends_where_it_is_said_to_end() -> None:
    large = exact_sample(14, 1.0, 2.0)
    assert compare_units(exact_sample(FEW_UNITS - 1, 0.0, 0.1), large, 1.0).dof == FEW_UNITS - 2
    free = exact_sample(FEW_UNITS, 0.0, 0.1)
    oracle = stats.ttest_ind(large, free, equal_var=False).df
    assert compare_units(free, large, 1.0).dof == pytest.approx(oracle, rel=1e-12)
    assert oracle > 13


@pytest.mark.parametrize(("margin", "p"), [(0.5, 0.8901099612514477), (4.0, 0.005361624103159107)])
def test_equivalence_of_the_published_example(margin: float, p: float) -> None:
    found = compare_units(*SLEEP, margin)
    assert found.p_equivalence == pytest.approx(p, rel=1e-9)
    assert found.dof == pytest.approx(17.776473516178495, rel=1e-9)
    lower, upper = limits(found.equivalence_interval)
    assert (-margin < lower and upper < margin) == (p <= 0.05)


def test_welch_of_the_published_summary() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B, as printed by an example of Boost.Math (seen there).
    found = compare_units(exact_sample(79, 30.48101, 6.10771), exact_sample(249, 20.14458, 6.4147), 1.0)
    assert found.difference / (found.standard_error or 1) == pytest.approx(-12.94627, abs=1e-5)
    assert found.dof == pytest.approx(136.87499, abs=1e-5)
    assert found.p_difference == pytest.approx(1.571e-25, rel=1e-3)


def test_certified_analysis_of_variance() -> None:
    # NIST StRD AtmWtAg: two groups of 24. With equal numbers Welch's t is the pooled one, t^2 = F.
    one, two = json.loads(CERTIFIED.read_text(encoding="utf-8"))["AtmWtAg"]["groups"]
    found = compare_units(one, two, 1e-5)
    assert len(one) == len(two) == 24
    assert (found.difference / (found.standard_error or 1)) ** 2 == pytest.approx(15.946733567793, rel=1e-8)


def test_swapped_builds_change_signs_only() -> None:
    for scale, margin in (("linear", 0.8), ("ratio", 1.25)):
        there, back = compare_units(A, B, margin, scale=scale), compare_units(B, A, margin, scale=scale)
        assert limits(there.effect_interval) == pytest.approx(
            tuple(-x for x in reversed(limits(back.effect_interval))), rel=1e-9
        )
        assert there.effect == pytest.approx(-back.effect, rel=1e-9)
        assert there.p_difference == pytest.approx(back.p_difference, rel=1e-9)
        assert there.p_equivalence == pytest.approx(back.p_equivalence, rel=1e-9)


@pytest.mark.parametrize("scale", ["linear", "ratio"])
@pytest.mark.parametrize("second", [B, [3.9, 4.4, 5.1, 4.8], A])
def test_chances_and_limits_say_the_same(scale: str, second: list[float]) -> None:
    found = compare_units(A, second, 1.3, scale=scale)
    assert found.interval is not None
    assert found.equivalence_interval is not None
    assert (found.null not in found.interval) == ((found.p_difference or 0) < 0.05)
    assert (0.0 in (found.effect_interval or [])) == (found.null in found.interval)
    lower, upper = limits(found.equivalence_interval)
    least = -1.3 if scale == "linear" else 1 / 1.3
    inside = least < lower and upper < 1.3
    assert inside == ((found.p_equivalence or 0) < 0.05)


# ---- ratio scale


def test_ratio_works_on_logarithms() -> None:
    found, logs = compare_units(A, B, 1.25, scale="ratio"), compare_units(np.log(A), np.log(B), np.log(1.25))
    assert found.difference == pytest.approx(stats.gmean(B) / stats.gmean(A), rel=1e-12)
    assert limits(found.interval) == pytest.approx(tuple(np.exp(limits(logs.interval))), rel=1e-12)
    assert (found.standard_error, found.dof) == (logs.standard_error, logs.dof)
    assert (found.p_difference, found.p_equivalence) == (logs.p_difference, logs.p_equivalence)
    assert (found.margin, found.null) == (1.25, 1.0)
    assert found.first.estimate == pytest.approx(stats.gmean(A), rel=1e-12)
    assert limits(found.first.interval) == pytest.approx(
        tuple(np.exp(limits(logs.first.interval))), rel=1e-12
    )
    assert found.first.unit_sd == pytest.approx(np.std(np.log(A), ddof=1), rel=1e-12)


def test_effect_of_a_ratio_by_hand() -> None:
    # Geometric means 2 and 8, 6 apart; a ratio r about the same middle of 4 is 4 r^(1/2) - 4 / r^(1/2).
    found = compare_units([1.0, 4.0], [4.0, 16.0], 1.25, scale="ratio", level=0.9)
    assert found.effect == pytest.approx(6.0, rel=1e-12)
    ratio = limits(found.interval)
    assert limits(found.effect_interval) == pytest.approx(
        tuple(4 * (r**0.5 - r**-0.5) for r in ratio), rel=1e-9
    )


def test_wide_ratio_is_open_not_an_error() -> None:
    # Two units with one degree of freedom, far apart: the limits of the ratio leave floating point.
    found = compare_units([1.0, 9e8], [1.0, 3e9], 1.25, scale="ratio", level=0.9999)
    assert found.interval is not None
    assert found.interval.upper == np.inf
    assert found.interval.lower == 0.0


def test_logarithms_of_deviations() -> None:
    # By hand, dof 2: digamma(1) = -0.5772157, trigamma(1) = pi^2 / 6.
    found = log_sd([1.0, 3.0], [2, 2])
    assert found.value == pytest.approx([0.5772157 / 2, np.log(3) + 0.5772157 / 2], rel=1e-6)
    assert found.standard_error == pytest.approx([np.pi / 6**0.5 / 2] * 2, rel=1e-12)
    # SciPy: mean and standard deviation of the logarithm of a chi-square variable (log of a gamma one).
    for dof in (1, 4, 24, 300):
        bias = (stats.loggamma.mean(dof / 2) + np.log(2) - np.log(dof)) / 2
        assert log_sd([1.0], [dof]).value[0] == pytest.approx(-bias, rel=1e-8)
        assert log_sd([1.0], [dof]).standard_error[0] == pytest.approx(
            stats.loggamma.std(dof / 2) / 2, rel=1e-8
        )


def test_logarithms_go_into_the_comparison() -> None:
    one, two = log_sd(A, [4, 6, 8, 4, 4]), log_sd(B, 12)
    direct = compare_units(one.sd, two.sd, 1.25, scale="ratio")
    found = compare_units(one, two, 1.25, scale="ratio")
    assert found.difference == pytest.approx(np.exp(two.value.mean() - one.value.mean()), rel=1e-12)
    assert limits(found.interval) == pytest.approx(limits(direct.interval), rel=1e-9)
    assert compare_pairs(one, log_sd(SLEEP_LIKE, 9), 1.25, scale="ratio").reason == ""


SLEEP_LIKE = [2.2, 2.5, 2.0, 3.9, 2.7]

# ---- pairs


def test_pairs_agree_with_libraries() -> None:
    found = compare_pairs(*SLEEP, 2.5)
    oracle = stats.ttest_rel(SLEEP[1], SLEEP[0])  # SciPy
    assert found.p_difference == pytest.approx(oracle.pvalue, rel=1e-10)
    assert found.dof == oracle.df
    assert limits(found.interval) == pytest.approx(tuple(oracle.confidence_interval(0.95)), rel=1e-9)
    assert limits(found.equivalence_interval) == pytest.approx(
        tuple(oracle.confidence_interval(0.90)), rel=1e-9
    )
    p = ttost_paired(np.array(SLEEP[1]), np.array(SLEEP[0]), -2.5, 2.5)[0]  # statsmodels
    assert found.p_equivalence == pytest.approx(p, rel=1e-9)
    assert found.design == "paired"
    # Student's paired t of these data, printed by R in ?sleep: 4.0621, p 0.002833 (from memory).
    assert found.difference / (found.standard_error or 1) == pytest.approx(4.0621, abs=5e-5)
    assert found.p_difference == pytest.approx(0.002833, abs=5e-7)


def test_pairs_on_the_ratio_scale() -> None:
    found = compare_pairs(A, SLEEP_LIKE, 1.25, scale="ratio")
    oracle = stats.ttest_rel(np.log(SLEEP_LIKE), np.log(A))
    assert limits(found.interval) == pytest.approx(tuple(np.exp(oracle.confidence_interval())), rel=1e-9)
    assert found.effect == pytest.approx(stats.gmean(SLEEP_LIKE) - stats.gmean(A), rel=1e-9)


# ---- what can't be told


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (compare_units([1.0], B, 1.0), "one unit"),
        (compare_units(A, [1.0], 1.25, scale="ratio"), "one unit"),
        (compare_units([1.0, 1.0], [1.1, 1.1, 1.1], 1.0), "too coarse"),
        (compare_pairs([1.0], [2.0], 1.0), "one unit"),
        (compare_pairs([1.1, 2.1, 3.7], [1.2, 2.2, 3.8], 1.0), "changed by the same"),
        (compare_pairs([1.0, 2.0], [3.0, 6.0], 1.25, scale="ratio"), "changed by the same"),
    ],
)
def test_what_cant_be_told_has_a_reason(found: Comparison, words: str) -> None:
    assert words in found.reason
    blank = (found.interval, found.equivalence_interval, found.standard_error, found.dof)
    assert (*blank, found.p_difference, found.p_equivalence, found.effect_interval) == (None,) * 7
    assert np.isfinite([found.difference, found.effect, found.first.estimate]).all()


def test_build_of_one_unit_and_build_without_spread() -> None:
    assert compare_units([1.5], B, 1.0).first == Group(1, 1.5, None, None, None)
    found = compare_units([2.0, 2.0, 2.0], B, 1.0)
    assert found.first == Group(3, 2.0, None, 0.0, None)
    # The other build alone makes the standard error, with its degrees of freedom, or those of 3 units.
    assert found.dof == 2.0
    assert found.standard_error == pytest.approx(np.std(B, ddof=1) / 2)
    assert compare_units([2.0] * 9, MANY_B, 1.0).dof == pytest.approx(7.0, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: compare_units([], B, 1.0), "at least one unit"),
        (lambda: compare_units([[1.0, 2.0]], B, 1.0), "one finite value"),
        (lambda: compare_units([1.0, np.nan], B, 1.0), "finite"),
        (lambda: compare_units(A, B, 0.0), "above 0"),
        (lambda: compare_units(A, B, np.inf), "above 0"),
        (lambda: compare_units(A, B, 1.0, scale="ratio"), "above 1"),
        (lambda: compare_units([0.0, 1.0], B, 1.2, scale="ratio"), "above 0"),
        (lambda: compare_units(A, B, 1.0, scale="log"), "scale"),
        (lambda: compare_units(A, B, 1.0, level=0.5), "between 0.5 and 1"),
        (lambda: compare_units(A, B, 1.0, level=1.0), "level"),
        (lambda: compare_units(log_sd(A, 4), B, 1.0), "ratio scale"),
        (lambda: compare_pairs(A, B, 1.0), "same units twice"),
        (lambda: log_sd([0.0], [3]), "sd > 0"),
        (lambda: log_sd([1.0], [0]), "dof > 0"),
        (lambda: log_sd([np.inf], [1]), "sd > 0"),
        (lambda: unit_means(["a"], [1.0, 2.0]), "needs a unit"),
    ],
)
def test_what_is_out_of_range_is_refused(call, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        call()


def test_repeated_tests_of_a_unit_are_one_unit() -> None:
    found = unit_means(["B2", "A1", "B2", "C", "B2"], [1.0, 5.0, 2.0, 7.0, 6.0])
    assert found.units == ("B2", "A1", "C")
    assert found.mean.tolist() == [3.0, 5.0, 7.0]
    assert found.tests.tolist() == [3, 1, 1]


# ---- known truth


def simulated_touches(rng: np.random.Generator, trials: int, units: int, shift: float = 0.0) -> np.ndarray:
    """Touches of a build, units as far apart as touches: shape (trials, units, 50)."""
    return shift + rng.normal(size=(trials, units, 1)) + rng.normal(size=(trials, units, 50))


@pytest.mark.simulation
@pytest.mark.parametrize("units", [3, 5, 8])
def test_pooled_touches_cry_wolf_and_units_dont(units: int) -> None:
    trials = 150
    rng = np.random.default_rng(units)
    one, two = simulated_touches(rng, trials, units), simulated_touches(rng, trials, units)
    pooled = stats.ttest_ind(one.reshape(trials, -1), two.reshape(trials, -1), axis=1).pvalue
    found = [compare_units(a, b, 1.0) for a, b in zip(one.mean(axis=2), two.mean(axis=2), strict=True)]
    assert_share_at_least(int((pooled < 0.05).sum()), trials, 0.6)
    assert_share_at_most(sum((c.p_difference or 0) < 0.05 for c in found), trials, 0.05)
    # Cautious with 3 and 5 units, never the other way.
    assert_share_at_least(sum(0.0 in (c.interval or []) for c in found), trials, 0.95)
    assert_share(sum(0.0 in (c.first.interval or []) for c in found), trials, 0.95)
    assert_share(sum((1 + 1 / 50) ** 0.5 in (c.first.unit_sd_interval or []) for c in found), trials, 0.95)


@pytest.mark.simulation
def test_difference_at_the_margin_is_rarely_called_equivalent() -> None:
    rng, trials = np.random.default_rng(11), 250
    found = [compare_units(rng.normal(size=8), 3.0 + 2.0 * rng.normal(size=9), 3.0) for _ in range(trials)]
    assert_share(sum((c.p_equivalence or 1) < 0.05 for c in found), trials, 0.05)


SIZES = ((2, 2), (2, 8), (2, 14), (3, 14), (4, 14), (5, 14), (6, 14), (8, 8))


def alike_builds(kind: str, rng: np.random.Generator, sizes: tuple[int, int]) -> list[np.ndarray]:
    """Builds of true mean 0, shapes (10000, units)."""
    drawn = [rng.normal(size=(10_000, n)) for n in sizes]
    if kind == "small build 3 times wider":
        drawn[0] *= 3
    if kind == "lognormal":
        drawn = [np.exp(0.5 * x) - np.exp(0.125) for x in drawn]
    if kind == "an outlier in eight":
        drawn = [x + 5.0 * ((rng.random(x.shape) < 1 / 8) - 1 / 8) for x in drawn]
    return drawn


def chances(
    builds: list[np.ndarray], shift: float, margin: float, limited: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Chances of a difference and of equivalence of all trials at once, as `compare_units` has them."""
    one, two = builds
    first, second = (x.var(axis=1, ddof=1) / x.shape[1] for x in builds)
    sizes = (one.shape[1], two.shape[1])
    plain = (first + second) ** 2 / (first**2 / (sizes[0] - 1) + second**2 / (sizes[1] - 1))
    dof = welch_dof(first, second, sizes) if limited else plain
    error, found = np.sqrt(first + second), np.abs(shift + two.mean(axis=1) - one.mean(axis=1))
    return 2 * special.stdtr(dof, -found / error), special.stdtr(dof, (found - margin) / error)


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("kind", "difference", "equivalence"),
    [
        ("normal", (0.05, 0.01), (0.05, 0.01)),
        ("small build 3 times wider", (0.05, 0.01), (0.05, 0.01)),
        # Skewed units of unequal builds keep what is stated only nearly, on the side of the long tail.
        ("lognormal", (0.05, 0.01), (0.055, 0.01)),
        ("an outlier in eight", (0.05, 0.01), (0.06, 0.01)),
    ],
)
def test_unequal_builds_keep_the_stated_risks(
    kind: str, difference: tuple[float, float], equivalence: tuple[float, float]
) -> None:
    rng, margin = np.random.default_rng(21), 30.0
    for sizes in SIZES:
        builds = alike_builds(kind, rng, sizes)
        trials = len(builds[0])
        apart = chances(builds, 0.0, margin)[0]
        alike = [chances(builds, side, margin)[1] for side in (-margin, margin)]
        for trial in range(2):
            one, two = (x[trial] for x in builds)
            assert compare_units(one, two, margin).p_difference == pytest.approx(apart[trial], rel=1e-9)
            at_margin = compare_units(one, two + margin, margin).p_equivalence
            assert at_margin == pytest.approx(alike[1][trial], rel=1e-6)
        for alpha, most, most_alike in zip((0.05, 0.01), difference, equivalence, strict=True):
            assert_share_at_most(int((apart < alpha).sum()), trials, most)
            for side in alike:
                assert_share_at_most(int((side < alpha).sum()), trials, most_alike)


@pytest.mark.simulation
def test_satterthwaite_alone_would_not_keep_them() -> None:
    rng = np.random.default_rng(22)
    for kind, sizes, different, same in (
        ("normal", (2, 14), 0.10, 0.07),
        ("normal", (3, 14), 0.06, 0.055),
        ("lognormal", (3, 14), 0.08, 0.10),
        ("lognormal", (6, 14), 0.045, 0.065),
    ):
        builds = alike_builds(kind, rng, sizes)
        apart = chances(builds, 0.0, 30.0, limited=False)[0]
        alike = [chances(builds, side, 30.0, limited=False)[1] for side in (-30.0, 30.0)]
        assert (apart < 0.05).mean() > different
        assert max((side < 0.05).mean() for side in alike) > same


def test_builds_of_equally_few_units_by_the_closed_form() -> None:
    # Satterthwaite's are never below n - 1, so that the limit holds always; t has 2 n - 2 of equal builds.
    rng = np.random.default_rng(23)
    for n in (2, 3, 4, 6):
        builds = alike_builds("normal", rng, (n, n))
        for alpha in (0.05, 0.01):
            share = 2 * stats.t.sf(stats.t.isf(alpha / 2, n - 1), 2 * n - 2)
            hits = int((chances(builds, 0.0, 30.0)[0] < alpha).sum())
            assert_share(hits, len(builds[0]), float(share))


@pytest.mark.simulation
def test_change_of_pairs_at_the_margin_and_none() -> None:
    # Units 5 apart, changes 1: pairs see the changes only.
    rng, trials = np.random.default_rng(12), 200
    before = 5.0 * rng.normal(size=(trials, 5))
    after = before + rng.normal(size=(trials, 5))
    none = [compare_pairs(a, b, 3.0) for a, b in zip(before, after, strict=True)]
    assert_share(sum((c.p_difference or 1) < 0.05 for c in none), trials, 0.05)
    assert_share_at_least(sum((c.p_equivalence or 1) < 0.05 for c in none), trials, 0.9)
    margin = [compare_pairs(a, b + 3.0, 3.0) for a, b in zip(before, after, strict=True)]
    assert_share(sum((c.p_equivalence or 1) < 0.05 for c in margin), trials, 0.05)


@pytest.mark.simulation
def test_deviations_of_few_and_many_touches_compare_without_bias() -> None:
    # Same true scatter; one build measured with 3 dof a unit, the other with 100.
    rng, trials, units = np.random.default_rng(13), 150, 8
    scatter = np.exp(0.1 * rng.normal(size=(2, trials, units)))
    few, many = (s * np.sqrt(rng.chisquare(d, s.shape) / d) for s, d in zip(scatter, (3, 100), strict=True))
    right = [
        compare_units(log_sd(a, 3), log_sd(b, 100), 1.25, scale="ratio")
        for a, b in zip(few, many, strict=True)
    ]
    logs = np.log([c.difference for c in right])
    assert abs(logs.mean()) < 3.3 * logs.std() / trials**0.5
    assert_share_at_most(sum((c.p_difference or 0) < 0.05 for c in right), trials, 0.05)
    raw = np.log(
        [compare_units(a, b, 1.25, scale="ratio").difference for a, b in zip(few, many, strict=True)]
    )
    assert raw.mean() > 0.12  # plain deviations of 3 dof look 18 % better than they are


def test_results_can_be_copied() -> None:
    found = compare_units(A, B, 1.0)
    assert replace(found, margin=2.0).difference == found.difference
