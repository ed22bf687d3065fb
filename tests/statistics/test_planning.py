"""How many touches: closed forms, published counts, a power library, and simulated tests."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share_at_least, even_azimuths, without_centre
from statsmodels.stats.power import NormalIndPower

from probetest.errors import StatisticsError
from probetest.statistics.intervals import proportion_upper, sd_interval
from probetest.statistics.planning import TouchesNeeded, touches_needed
from probetest.statistics.seat import seat_shape
from probetest.statistics.variation import pretravel_variation


def sd_chance(touches: int, ratio: float, risk: float = 0.05) -> float:
    """Chance to pass of 24 directions whose scatter is the limit over ``ratio``."""
    dof = 24 * (touches - 1)
    return float(stats.chi2.cdf(stats.chi2.ppf(risk, dof) * ratio**2, dof))


# ---- known answers


def test_fewest_touches_for_a_pass_on_the_pooled_sd() -> None:
    needed = touches_needed("pooled_sd", directions=24, expected=0.002, limit=0.0025)
    assert needed == TouchesNeeded(5, 120, pytest.approx(sd_chance(5, 1.25), rel=1e-9))
    assert sd_chance(4, 1.25) < 0.9 <= sd_chance(5, 1.25)


def test_fewest_touches_for_a_fail_on_the_pooled_sd() -> None:
    needed = touches_needed("pooled_sd", directions=24, expected=0.0025, limit=0.002)

    def chance(touches: int) -> float:
        dof = 24 * (touches - 1)
        return float(stats.chi2.sf(stats.chi2.isf(0.05, dof) * 0.8**2, dof))

    assert needed.per_direction is not None
    assert chance(needed.per_direction - 1) < 0.9 <= chance(needed.per_direction)
    assert needed.chance == pytest.approx(chance(needed.per_direction), rel=1e-9)


def test_the_worst_direction_needs_each_to_pass() -> None:
    needed = touches_needed("worst_direction_sd", directions=12, expected=0.002, limit=0.004)

    def chance(touches: int) -> float:
        dof = touches - 1
        return float(stats.chi2.cdf(stats.chi2.ppf(0.05, dof) * 4.0, dof) ** 12)

    assert needed.per_direction is not None
    assert chance(needed.per_direction - 1) < 0.9 <= chance(needed.per_direction)
    assert needed.touches == 12 * needed.per_direction


def test_capability_is_planned_as_the_scatter_it_comes_from() -> None:
    as_capability = touches_needed("capability", directions=24, expected=1.33 * 1.25, limit=1.33)
    as_scatter = touches_needed("pooled_sd", directions=24, expected=0.002, limit=0.0025)
    assert as_capability.per_direction == as_scatter.per_direction
    assert as_capability.chance == pytest.approx(as_scatter.chance, rel=1e-9)


def test_an_incapable_probe_is_planned_to_fail() -> None:
    as_capability = touches_needed("capability", directions=24, expected=1.33 / 1.25, limit=1.33)
    as_scatter = touches_needed("pooled_sd", directions=24, expected=0.0025, limit=0.002)
    assert as_capability.per_direction == as_scatter.per_direction


@pytest.mark.parametrize(
    ("limit", "touches"),
    [(0.1, 29), (0.05, 59), (0.01, 299)],
    ids=["10 %", "5 %", "1 %"],
)
def test_touches_without_a_miss_that_show_a_share(limit: float, touches: int) -> None:
    # Zero-defect sampling at 95 %: 29, 59 and 299 (ASQ Quality Progress 2007-11, "Zero defect sampling").
    needed = touches_needed("miss_rate", directions=1, expected=0.0, limit=limit)
    assert needed == TouchesNeeded(touches, touches, 1.0)
    assert proportion_upper(0, touches) <= limit < proportion_upper(0, touches - 1)


def test_a_probe_that_misses_too_often_is_planned_to_fail() -> None:
    needed = touches_needed("miss_rate", directions=1, expected=0.1, limit=0.01)
    n = needed.touches or 0
    most_in_a_good_one = int(stats.binom.isf(0.05, n, 0.01)) + 1
    assert needed.chance == pytest.approx(stats.binom.sf(most_in_a_good_one - 1, n, 0.1), rel=1e-9)
    assert needed.chance >= 0.9


def test_directions_share_the_touches_of_a_miss_rate() -> None:
    needed = touches_needed("miss_rate", directions=24, expected=0.0, limit=0.01)
    assert needed == TouchesNeeded(13, 312, 1.0)


# ---- widths


def test_width_of_the_pooled_sd() -> None:
    needed = touches_needed("pooled_sd", directions=24, expected=0.002, half_width=0.0003)

    def chance(touches: int) -> float:
        dof = 24 * (touches - 1)
        reach = sd_interval(1.0, dof, 0.90).upper - 1
        return float(stats.chi2.cdf(dof * (0.15 / reach) ** 2, dof))

    assert needed.per_direction is not None
    assert chance(needed.per_direction - 1) < 0.9 <= chance(needed.per_direction)


def test_width_of_a_capability() -> None:
    needed = touches_needed("capability", directions=24, expected=1.5, half_width=0.15)
    dof = 24 * ((needed.per_direction or 0) - 1)
    capability = 1.5 / np.sqrt(np.random.default_rng(1).chisquare(dof, 4000) / dof)
    reach = capability * (1 / sd_interval(1.0, dof, 0.90).lower - 1)
    assert (reach <= 0.15).mean() == pytest.approx(needed.chance, abs=0.02)


def test_width_of_the_variation_is_taken_at_its_widest() -> None:
    needed = touches_needed("variation", directions=24, expected=0.02, half_width=0.001, sd_mm=0.002)
    n = needed.per_direction or 0
    half = stats.t.isf(0.05, 24 * (n - 1)) * np.sqrt(2 / n) * 0.002
    assert half == pytest.approx(0.001, rel=0.08)
    assert half <= 0.001


def test_width_of_a_share_of_misses() -> None:
    needed = touches_needed("miss_rate", directions=1, expected=0.0, half_width=0.01)
    assert needed.touches == 299


# ---- outside oracle


def test_variation_agrees_with_a_power_library() -> None:
    # Difference of two means, one-sided, many degrees of freedom.
    needed = touches_needed("variation", directions=200, expected=0.0288, limit=0.03, sd_mm=0.002)
    oracle = NormalIndPower().solve_power(
        effect_size=0.0012 / 0.002, alpha=0.05, power=0.9, ratio=1.0, alternative="larger"
    )
    assert needed.per_direction == int(np.ceil(oracle))


# ---- simulation


def test_planned_scatter_tests_decide_as_often_as_planned() -> None:
    needed = touches_needed("pooled_sd", directions=12, expected=1.0, limit=1.2)
    dof = 12 * ((needed.per_direction or 0) - 1)
    sd = np.sqrt(np.random.default_rng(2).chisquare(dof, 2000) / dof)
    passed = sum(sd_interval(float(one), dof, 0.90).upper <= 1.2 for one in sd)
    assert passed / 2000 == pytest.approx(needed.chance, abs=0.02)


@pytest.mark.parametrize(("limit", "verdict"), [(6.5, "pass"), (3.5, "fail")])
def test_planned_variation_tests_decide_at_least_as_often_as_planned(limit: float, verdict: str) -> None:
    needed = touches_needed("variation", directions=24, expected=5.0, limit=limit, sd_mm=1.0)
    n, rng, azimuths, decided = needed.per_direction or 0, np.random.default_rng(3), even_azimuths(24, 3.0), 0
    dof = 24 * (n - 1)
    curve = without_centre(seat_shape(azimuths, 17.0), azimuths)
    curve = 5.0 * curve / np.ptp(curve)
    for _ in range(200):
        means = curve + rng.normal(size=24) / np.sqrt(n)
        sd = float(np.sqrt(rng.chisquare(dof) / dof))
        bounds = pretravel_variation(means, azimuths, np.full(24, n), sd, dof, 0.90).interval_mm
        decided += bounds.upper <= limit if verdict == "pass" else bounds.lower > limit
    assert_share_at_least(decided, 200, 0.9)


# ---- nothing helps, and questions that are not complete


def test_a_probe_at_its_limit_can_not_be_decided() -> None:
    needed = touches_needed("pooled_sd", directions=24, expected=0.004, limit=0.004)
    assert (needed.per_direction, needed.touches) == (None, None)
    assert np.isnan(needed.chance)


def test_more_touches_than_practical_are_not_promised() -> None:
    needed = touches_needed("variation", directions=24, expected=0.029999, limit=0.03, sd_mm=0.002)
    assert needed.per_direction is None


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "give either the limit of a verdict or the half-width"),
        ({"limit": 1.0, "half_width": 1.0}, "give either the limit"),
        ({"limit": 0.0}, "above 0, but got 0.0"),
        ({"limit": 1.0, "risk": 0.5}, "between 0 and 0.5, but got 0.5"),
        ({"limit": 1.0, "risk": 0.0}, "between 0 and 0.5, but got 0.0"),
        ({"limit": 1.0, "chance": 1.0}, "between 0 and 1, but got 1.0"),
        ({"limit": 1.0, "directions": 0}, "at least 1 direction, but got 0"),
        ({"limit": 1.0, "expected": 0.0}, "expected pooled_sd must be above 0, but got 0.0"),
        ({"limit": 1.0, "figure": "miss_rate", "expected": 0.1}, "shares of misses must lie below 1"),
        ({"limit": 1.0, "figure": "variation"}, "needs the scatter of one touch"),
        ({"limit": 1.0, "figure": "variation", "sd_mm": -1.0}, "needs the scatter of one touch"),
    ],
)
def test_a_question_that_is_not_complete_is_refused(options: dict[str, object], message: str) -> None:
    question: dict[str, object] = {"figure": "pooled_sd", "directions": 24, "expected": 0.5} | options
    with pytest.raises(StatisticsError, match=message):
        touches_needed(question.pop("figure"), **question)
