"""Forms of capability figures: closed forms, SciPy's noncentral t, order statistics by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share, block_by_block

from probetest.errors import StatisticsError
from probetest.statistics.capability_forms import (
    TAIL,
    counted_figures,
    counted_limits,
    counted_side,
    cp_interval,
    cpk_interval,
    form_of,
    normality,
    one_sided_capability_interval,
    percentile_figures,
    presumption,
    reach_limits,
    side_figure,
    warning_of,
)
from probetest.statistics.intervals import one_sided_tolerance_factor
from probetest.statistics.mixture import Quantiles, Shape, fit_mixture, judge_shape

RUNS = 400


# ---- one population


def test_cp_interval_is_that_of_the_sd_turned_over() -> None:
    found = cp_interval(1.5, 19)
    assert found.lower == pytest.approx(1.5 * np.sqrt(stats.chi2.ppf(0.025, 19) / 19), rel=1e-12)
    assert found.upper == pytest.approx(1.5 * np.sqrt(stats.chi2.ppf(0.975, 19) / 19), rel=1e-12)


def test_cpk_interval_with_a_known_mean_spreads_by_the_sd_alone() -> None:
    found = cpk_interval(1.5, float("inf"), 50)
    assert found.half_width == pytest.approx(1.959964 * 1.5 / np.sqrt(100), rel=1e-6)


@pytest.mark.parametrize("n", [2, 3, 5, 10, 100, 1000])
@pytest.mark.parametrize("value", [-1.33, 0.0, 0.3, 1.0, 2.0, 10.0, 100.0])
def test_one_sided_limits_leave_equal_tails_of_the_noncentral_t(value: float, n: int) -> None:
    found = one_sided_capability_interval(value, n, 0.90)
    assert found.lower < value < found.upper
    root = 3 * np.sqrt(n)
    sign = -1.0 if value < 0 else 1.0
    near, far = sorted((sign * found.lower, sign * found.upper))
    assert stats.nct.sf(root * abs(value), n - 1, root * near) == pytest.approx(0.05, abs=1e-6)
    assert stats.nct.cdf(root * abs(value), n - 1, root * far) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("n", [5, 10, 50])
def test_one_sided_limit_is_the_tolerance_factor_seen_from_the_other_side(n: int) -> None:
    factor = one_sided_tolerance_factor(n, 0.95, 0.95)
    found = one_sided_capability_interval(factor / 3, n, 0.90)
    assert found.lower == pytest.approx(stats.norm.ppf(0.95) / 3, abs=1e-8)


@pytest.mark.parametrize("value", [999.0, 1001.0, 1e9])
@pytest.mark.parametrize("n", [3, 50])
def test_far_limits_leave_the_sd_alone(value: float, n: int) -> None:
    found, expected = one_sided_capability_interval(value, n), cp_interval(value, n - 1)
    assert (found.lower, found.upper) == pytest.approx((expected.lower, expected.upper), rel=1e-5)


def test_one_reading_has_no_one_sided_interval() -> None:
    with pytest.raises(StatisticsError, match="n >= 2"):
        one_sided_capability_interval(1.0, 1)


def test_one_sided_interval_covers_the_truth() -> None:
    samples = np.random.default_rng(136).normal(size=(RUNS, 12))
    observed = (4.0 - samples.mean(axis=1)) / (3 * samples.std(axis=1, ddof=1))
    assert_share(sum(4 / 3 in one_sided_capability_interval(float(c), 12) for c in observed), RUNS, 0.95)


def quantiles(values: list[float], covariance: np.ndarray) -> Quantiles:
    value = np.array(values)
    return Quantiles(value, covariance, value, np.ones(3))


def one_population(n: int, sd: float = 1.0, mean: float = 0.0) -> Quantiles:
    value = np.array([-3.0, 0.0, 3.0]) * sd
    return Quantiles(value + mean, np.outer(value, value) / (2 * (n - 1)) + sd**2 / n, value, np.ones(3))


# ---- limits of percentiles


def test_reach_limits_are_chi_square_limits() -> None:
    # A relative variance of 1/80: 40 degrees of freedom.
    found = reach_limits(6.0, 36 / 80, 0.025)
    expected = 6 * np.sqrt(40 / stats.chi2.isf([0.025, 0.975], 40))
    assert found == pytest.approx(tuple(expected), rel=1e-9)


@pytest.mark.parametrize("above", [True, False])
@pytest.mark.parametrize("figure", [0.5, 1.33, 3.0])
def test_limits_of_one_population_are_nearly_those_of_the_noncentral_t(figure: float, above: bool) -> None:
    exact = one_sided_capability_interval(figure, 40, 0.9)
    found, (lower, upper) = side_figure(one_population(40), 3 * figure, 0.05, above=above)
    assert found == pytest.approx(figure, rel=1e-12)
    assert lower == pytest.approx(exact.lower, rel=0.01)
    assert upper == pytest.approx(exact.upper, rel=0.01)


def test_a_figure_below_0_has_the_limits_of_one_above_turned_over() -> None:
    good, bad = (side_figure(one_population(40), room, 0.05, above=True) for room in (4.0, -4.0))
    assert bad[0] == pytest.approx(-good[0], rel=1e-12)
    assert bad[1] == pytest.approx((-good[1][1], -good[1][0]), rel=1e-12)


def test_the_room_that_goes_with_the_reach_by_hand() -> None:
    # Median and upper point: the reach of 3 has variance 0.2, and a covariance of -0.1 with the room.
    covariance = np.array([[1.0, 0.0, 0.0], [0.0, 0.1, 0.2], [0.0, 0.2, 0.5]])
    found, (lower, upper) = side_figure(quantiles([-3.0, 0.0, 3.0], covariance), 6.0, 0.05, above=True)
    own, error = 2 + 0.5, stats.norm.isf(0.05) * np.sqrt(0.1 - 0.05) / 3
    nearest, farthest = reach_limits(3.0, 0.2, 0.05)
    assert found == 2.0
    assert lower == pytest.approx(2 - np.hypot(error, own - own * 3 / farthest), rel=1e-12)
    assert upper == pytest.approx(2 + np.hypot(error, own * 3 / nearest - own), rel=1e-12)


def test_cp_of_percentiles_has_chi_square_limits() -> None:
    (cp, limits), _ = percentile_figures(one_population(40), 4.0, 0.025)
    expected = cp_interval(4 / 3, 39)
    assert cp == pytest.approx(4 / 3, rel=1e-12)
    assert limits == pytest.approx((expected.lower, expected.upper), rel=1e-9)


def test_cpk_is_the_figure_of_the_nearer_side() -> None:
    found = one_population(40, mean=1.5)
    _, (cpk, (lower, upper)) = percentile_figures(found, 6.0, 0.05)
    figure, limits = side_figure(found, 6.0, 0.05, above=True)
    assert (cpk, lower, upper) == pytest.approx((figure, *limits), rel=1e-12)
    mirrored = percentile_figures(one_population(40, mean=-1.5), 6.0, 0.05)[1]
    assert (mirrored[0], *mirrored[1]) == pytest.approx((cpk, lower, upper), rel=1e-12)


def test_about_the_mean_both_sides_are_one_and_cpk_is_cp() -> None:
    value = np.array([-3.0, 0.0, 3.0])
    cp, cpk = percentile_figures(quantiles(value.tolist(), np.outer(value, value) / 78), 4.0, 0.05)
    assert (cpk[0], *cpk[1]) == pytest.approx((cp[0], *cp[1]), rel=1e-12)


def independent_sides(bias: float) -> Quantiles:
    """Outer quantiles with errors of their own, and a median without error."""
    return quantiles([-3.0 + bias, bias, 3.0 + bias], np.diag([0.01, 0.0, 0.01]))


@pytest.mark.parametrize(
    ("difference", "share"),
    [(0.0, 1.0), (1.49, 1.0), (2.5, 0.5), (3.6, 0.0)],
    ids=["equal", "alike", "half", "apart"],
)
def test_the_upper_limit_allows_for_either_side(difference: float, share: float) -> None:
    # A tolerance of 6 about 0: figures of 2 + bias / 3 and 2 - bias / 3 with standard errors near 0.2 / 3.
    low, high = 0.0, 1.0
    for _ in range(60):
        bias = (low + high) / 2
        rooms = 6 - bias, 6 + bias
        apart = 2 * bias / 3 / (np.hypot(*rooms) * 0.1 / 9)
        low, high = (bias, high) if apart < difference else (low, bias)
    found = independent_sides(bias)
    _, (cpk, (_, upper)) = percentile_figures(found, 6.0, 0.05)
    figure, (_, plain) = side_figure(found, 6.0, 0.05, above=True)
    # Either of two independent deviates beyond: 1 - (1 - risk)**2.
    either = stats.norm.isf(1 - np.sqrt(0.95)) / stats.norm.isf(0.05)
    assert cpk == figure
    assert upper == pytest.approx(figure + (1 + (either - 1) * share) * (plain - figure), rel=1e-5)


# ---- counted percentiles


def test_counted_limits_are_order_statistics() -> None:
    # Of 3000 readings at least 1 and at most 8 lie beyond the 0.135 % point, at 2.5 % each.
    ordered = np.arange(3000.0)
    assert counted_limits(ordered, 0.00135, 0.025) == (2991.0, 2999.0)


def test_too_few_readings_have_no_outer_limit() -> None:
    assert counted_limits(np.arange(500.0), 0.00135, 0.025) == (496.0, np.inf)
    assert counted_limits(np.arange(5.0), 0.4, 0.001)[0] == 0.0


def test_a_counted_side_by_hand() -> None:
    ordered = np.linspace(0.0, 1.0, 3001)
    near, far = counted_limits(ordered, 0.00135, 0.025)
    figure, limits = counted_side(ordered, 1.5, 0.00135, 0.025)
    assert figure == pytest.approx(1.0 / (0.99865 - 0.5), rel=1e-9)
    assert limits == pytest.approx((1.0 / (far - 0.5), 1.0 / (near - 0.5)), rel=1e-12)


def test_a_counted_figure_below_0_has_its_limits_in_order() -> None:
    figure, (lower, upper) = counted_side(np.linspace(0.0, 1.0, 3001), 0.2, 0.00135, 0.025)
    assert lower < figure < upper < 0


def test_counted_figures_by_hand() -> None:
    error = np.linspace(-1.0, 1.0, 3001) + 0.25
    (cp, cp_limits), (cpk, cpk_limits) = counted_figures(error[::-1], 3.0, 0.00135, 0.025)
    near, far = counted_limits(error, 0.00135, 0.025)
    assert cp == pytest.approx(6 / (2 * 0.9973), rel=1e-9)
    assert cp_limits == pytest.approx((3 / (far - 0.25), 3 / (near - 0.25)), rel=1e-12)
    assert cpk == pytest.approx(2.75 / 0.9973, rel=1e-9)
    lower = counted_side(error, 3.0, 0.00135, 0.025)[1][0]
    upper = counted_side(error, 3.0, 0.00135, 0.0125)[1][1]
    assert cpk_limits == pytest.approx((lower, upper), rel=1e-12)
    mirrored = counted_figures(-error, 3.0, 0.00135, 0.025)
    assert mirrored[1][0] == pytest.approx(cpk, rel=1e-12)
    assert mirrored[1][1] == pytest.approx(cpk_limits, rel=1e-12)


def test_few_counted_readings_have_a_lower_limit_of_nil() -> None:
    (_, cp_limits), (_, cpk_limits) = counted_figures(np.linspace(-1.0, 1.0, 101), 3.0, 0.00135, 0.025)
    # At most one of 101 readings lies beyond, but for a risk of 1.2 %: the next is at 0.98.
    assert cp_limits == (0.0, pytest.approx(3 / 0.98, rel=1e-12))
    assert cpk_limits == (0.0, pytest.approx(3 / 0.98, rel=1e-12))


def test_readings_without_reach_have_no_bounded_figure() -> None:
    figure, limits = counted_side(np.zeros(9), 1.0, 0.00135, 0.025)
    assert (figure, limits) == (np.inf, (0.0, np.inf))
    assert counted_side(np.zeros(9), -1.0, 0.00135, 0.025)[0] == -np.inf


# ---- forms


def shape_of(heavy: bool = False, skew: bool = False) -> Shape:
    return Shape(0.0, 0.1, 0.0, 0.1, heavy=heavy, skew=skew, light=False)


@pytest.mark.parametrize(
    ("offset", "form"), [(0.0, "normal"), (3.0, "mixture")], ids=["directions alike", "directions apart"]
)
def test_the_form_follows_the_directions(offset: float, form: str) -> None:
    scores = stats.norm.ppf((np.arange(20) + 0.5) / 20)
    error, direction = np.concatenate([scores, scores + offset]), block_by_block(2, 20)
    mixture = fit_mixture(error, direction)
    assert form_of(mixture, judge_shape(error, direction), error, direction) == form
    for odd in (shape_of(heavy=True), shape_of(skew=True)):
        assert form_of(mixture, odd, error, direction) == "shaped"


@pytest.mark.parametrize(("n", "form"), [(2730, "normal"), (2732, "counted")])
def test_long_tests_that_are_not_normal_are_counted(n: int, form: str) -> None:
    # Two equal halves apart in each direction: neither heavy nor skew, but not normal.
    error = np.tile(np.concatenate([np.linspace(-2, -1, n // 4), np.linspace(1, 2, n // 4 + n % 4 // 2)]), 2)
    direction = np.repeat([0, 1], len(error) // 2)
    mixture, shape = fit_mixture(error, direction), judge_shape(error, direction)
    assert not shape.odd
    assert form_of(mixture, shape, error, direction) == form


def test_lobing_alone_is_no_reason_to_count() -> None:
    scores = stats.norm.ppf((np.arange(1500) + 0.5) / 1500)
    error, direction = np.concatenate([scores, scores + 9]), block_by_block(2, 1500)
    mixture, shape = fit_mixture(error, direction), judge_shape(error, direction)
    assert normality(error) < 0.001
    assert form_of(mixture, shape, error, direction) == "mixture"
    assert form_of(mixture, shape_of(heavy=True), error, direction) == "counted"


@pytest.mark.parametrize(
    ("n", "test"), [(5000, stats.shapiro), (5001, stats.normaltest)], ids=["short", "long"]
)
def test_normality_is_judged_by_the_test_for_the_length(n: int, test: object) -> None:
    error = np.random.default_rng(1).normal(size=n)
    assert normality(error) == pytest.approx(test(error).pvalue, rel=1e-12)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("n", "form", "heavy", "words"),
    [
        (19, "normal", False, "only 19 readings: take it as a hint"),
        (20, "normal", False, ""),
        (20, "mixture", False, ""),
        (20, "shaped", True, "heavy tails: 0.135 % can't be told from fewer than 2731 readings"),
        (20, "shaped", False, "skew scatter: 0.135 % can't be told from fewer than 2731 readings"),
        (5000, "counted", True, ""),
    ],
)
def test_warnings(n: int, form: str, heavy: bool, words: str) -> None:
    assert warning_of(n, form, shape_of(heavy=heavy, skew=True)) == words  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("counted", "independent readings and no shape: the percentiles are counted; "),
        ("shaped", "tails as the readings show them, which 60 readings can't show to 0.135 %; "),
        (
            "normal",
            "normal tails, which 60 readings can't show to 0.135 %: with the skewness and tails that they "
            "don't exclude the lower limit of the 90 % interval is 1.23; ",
        ),
    ],
)
def test_presumptions(form: str, words: str) -> None:
    bound = "whatever the tails, at most 4.9 % of single readings lie beyond it (95 %, n = 60)"
    assert presumption(form, 60, 1.234, 0.9, 0.0487, "beyond it") == words + bound  # type: ignore[arg-type]
    if form == "normal":
        assert presumption("mixture", 60, 1.234, 0.9, 0.0487, "beyond it") == words + bound


def test_the_tail_is_that_of_3_sd() -> None:
    assert pytest.approx(stats.norm.sf(3), rel=1e-9) == TAIL
    # 2730 readings leave more than 2.5 % that none lies beyond.
    assert (1 - TAIL) ** 2731 < 0.025 < (1 - TAIL) ** 2730


@pytest.mark.parametrize("level", [0.8, 0.99])
def test_interval_of_a_negative_capability_is_the_mirrored_one_at_its_level(level: float) -> None:
    above, below = (one_sided_capability_interval(value, 25, level) for value in (0.4, -0.4))
    assert (below.lower, below.upper, below.level) == (-above.upper, -above.lower, level)


def test_interval_of_a_one_sided_capability_has_its_level_on_either_side() -> None:
    for level in (0.5, 0.9, 0.999):
        found = one_sided_capability_interval(0.9, 15, level)
        root = 3 * np.sqrt(15)
        for limit, risk in ((found.lower, (1 - level) / 2), (found.upper, (1 + level) / 2)):
            above = stats.nct.sf(root * 0.9, 14, root * limit)
            assert above == pytest.approx(risk, rel=1e-6)
