"""Chances of the questions: against other libraries, rules of counting, and simulated tests."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import NormalIndPower

from probetest.limits import Limits
from probetest.plan.questions import Question, acceptance, contact_check, reseat, verification
from probetest.statistics.capability import capability
from probetest.statistics.design import directions_of
from probetest.statistics.expected import Design, ExpectedProbe, ideal_turns, variation_u_mm
from probetest.statistics.expected_arms import arm_power
from probetest.statistics.intervals import sd_interval
from probetest.statistics.planning import chance_decided
from probetest.statistics.reseat import reseat as judge_reseat
from probetest.statistics.variation import pretravel_variation

ARM_DEG = 20.0
PROBE = ExpectedProbe(0.0018, 0.012, ARM_DEG)
FOUR = (0.0, 30.0, 90.0, 210.0)
LIMITS = Limits()


def named(name: str, probe: ExpectedProbe = PROBE, limits: Limits = LIMITS, further: int = 0) -> Question:
    return next(one for one in acceptance(probe, limits, further) if one.name == name)


def within(share: float, predicted: float, runs: int, slack: float = 0.0) -> bool:
    """Whether a share of simulated tests is one in 500 or more likely; ``slack`` for an approximation."""
    low = stats.binom.ppf(0.001, runs, max(0.0, predicted - slack))
    high = stats.binom.ppf(0.999, runs, min(1.0, predicted + slack))
    return bool(low <= share * runs <= high)


# ---- scatter


@pytest.mark.parametrize(("turns", "further"), [((0.0,), 0), (FOUR, 0), ((0.0,), 2), (FOUR, 2)])
@pytest.mark.parametrize("limit", [0.0022, 0.0015])
def test_pooled_sd_is_decided_in_each_series(turns: tuple[float, ...], further: int, limit: float) -> None:
    design = Design(10, 4, turns)
    limits = Limits(max_pooled_sd_mm=limit)
    ratio, dof = (limit / 0.0018) ** 2, 30
    one = (
        stats.chi2.cdf(stats.chi2.ppf(0.05, dof) * ratio, dof)
        if limit > 0.0018
        else stats.chi2.sf(stats.chi2.isf(0.05, dof) * ratio, dof)
    )
    found = named("pooled_sd", limits=limits, further=further)
    assert found.chance(design) == pytest.approx(one ** (len(turns) + further), rel=1e-9)
    expected = found.expect(design)
    assert expected is not None
    assert expected.n == 40


@pytest.mark.simulation
@pytest.mark.parametrize(("turns", "further"), [((0.0,), 0), (FOUR, 0), ((0.0, 90.0), 2)])
@pytest.mark.parametrize(
    ("name", "field", "limit"),
    [("pooled_sd", "max_pooled_sd_mm", 0.0022), ("worst_direction_sd", "max_worst_direction_sd_mm", 0.005)],
)
def test_so_many_simulated_tests_pass_on_scatter_in_all_series(
    name: str, field: str, limit: float, turns: tuple[float, ...], further: int
) -> None:
    rng, runs, design = np.random.default_rng(2), 4000, Design(8, 8, turns)
    series = len(turns) + further
    readings = 0.0018 * rng.standard_normal((runs, series, 8, 8))
    variances = readings.var(axis=3, ddof=1)
    own = name == "worst_direction_sd"
    sd = np.sqrt(variances if own else variances.mean(axis=2, keepdims=True))
    upper = sd * sd_interval(1.0, 7 if own else 56, 0.90).upper
    passes = (upper <= limit).all(axis=(1, 2)).mean()
    predicted = named(name, limits=Limits(**{field: limit}), further=further).chance(design)
    assert 0.05 < predicted < 0.999
    assert within(passes, predicted, runs)


def test_a_limit_at_the_expected_scatter_is_never_decided() -> None:
    found = named("pooled_sd", limits=Limits(max_pooled_sd_mm=0.0018))
    assert found.chance(Design(25, 200)) == 0


@pytest.mark.parametrize(
    ("step", "limit", "decides"),
    [(0.0001, 0.004, True), (0.005, 0.004, False), (0.005, 0.006, True), (0.003, 0.0016, True)],
)
def test_a_scatter_that_the_step_hides_is_at_most_a_step(step: float, limit: float, decides: bool) -> None:
    probe = ExpectedProbe(float(np.hypot(0.0018, step / np.sqrt(12))), 0.012, ARM_DEG, step)
    chance = named("pooled_sd", probe, Limits(max_pooled_sd_mm=limit)).chance(Design(20, 30))
    assert (chance > 0.9) == decides
    ratio = next(verification(probe, 1.5, 0.003))
    assert (ratio.chance(Design(20, 30)) > 0) == probe.resolved == (step < 0.0036)


# ---- variation and capability


@pytest.mark.simulation
@pytest.mark.parametrize("limit", [0.0138, 0.0102], ids=["pass", "fail"])
def test_so_many_simulated_tests_decide_on_the_variation(limit: float) -> None:
    rng, runs, design = np.random.default_rng(3), 300, Design(20, 8)
    (ideal,) = ideal_turns(design, PROBE, ARM_DEG)
    decided = 0
    for _ in range(runs):
        means = ideal.mean_mm + 0.0018 / np.sqrt(8) * rng.standard_normal(20)
        sd = 0.0018 * np.sqrt(rng.chisquare(140) / 140)
        bounds = pretravel_variation(means, ideal.azimuth_deg, ideal.counts, sd, 140.0, 0.90).interval_mm
        decided += bounds.upper <= limit or bounds.lower > limit
    predicted = named("pretravel_variation", limits=Limits(max_pretravel_variation_mm=limit)).chance(design)
    assert 0.6 < predicted < 0.99
    assert within(decided / runs, predicted, runs, slack=0.04)


@pytest.mark.simulation
@pytest.mark.parametrize("limit", [1.05, 1.45], ids=["pass", "fail"])
def test_so_many_simulated_tests_decide_on_cpk(limit: float) -> None:
    rng, runs, design = np.random.default_rng(4), 100, Design(16, 8)
    (ideal,) = ideal_turns(design, PROBE, ARM_DEG)
    index = np.repeat(np.arange(16), 8)
    decided = 0
    for _ in range(runs):
        reading = (ideal.mean_mm[:, None] + 0.0018 * rng.standard_normal((16, 8))).ravel()
        found = capability(reading, index, 0.03, known_reference=False, level=0.90).cpk_interval
        decided += found.lower >= limit or found.upper < limit
    limits = Limits(tolerance_mm=0.03, min_cpk=limit)
    predicted = named("cpk", limits=limits).chance(design)
    if limit < 1.2:
        assert within(decided / runs, predicted, runs, slack=0.08)
    else:
        # A fail is promised too seldom: an ideal sample has a wide upper limit.
        assert 0.3 < predicted < decided / runs


# ---- misses


@pytest.mark.parametrize(("limit", "touches"), [(0.05, 59), (0.02, 149), (0.01, 299)])
def test_so_many_good_touches_show_a_small_share(limit: float, touches: int) -> None:
    # The rule of 59, 149 and 299: smallest n with (1 - limit)^n <= 0.05, as in sampling without a failure.
    assert (1 - limit) ** touches <= 0.05 < (1 - limit) ** (touches - 1)
    found = named("miss_rate", limits=Limits(max_miss_rate=limit))
    assert found.chance(Design(touches, 1)) == 1
    assert found.chance(Design(touches - 1, 1)) == 0
    # All orientations count.
    assert found.chance(Design(-(-touches // 4), 1, FOUR)) == 1
    expected = found.expect(Design(touches, 1))
    assert expected is not None
    # Two-sided 95 %: 1 - 0.025^(1/n).
    assert expected.interval.upper == pytest.approx(1 - 0.025 ** (1 / touches))


@pytest.mark.parametrize("expected", [0.0, 0.004])
@pytest.mark.parametrize("touches", [100, 149, 300])
def test_chance_of_a_share_is_that_of_the_counts_that_pass(expected: float, touches: int) -> None:
    passes = [k for k in range(touches) if stats.beta.ppf(0.95, k + 1, touches - k) <= 0.02]
    found = chance_decided("miss_rate", touches, directions=1, expected=expected, limit=0.02)
    assert found == pytest.approx(stats.binom.pmf(passes, touches, expected).sum() if passes else 0)


# ---- verification


def test_scatter_against_the_report_is_the_power_of_the_f_test() -> None:
    ratio = next(verification(PROBE, 1.5, 0.003))
    bound = stats.f.ppf(0.975, 65, 65)
    assert ratio.chance(Design(13, 6, FOUR)) == pytest.approx(
        1 - stats.f.cdf(bound / 1.5**2, 65, 65), rel=1e-9
    )


def test_critical_ratio_is_the_printed_one() -> None:
    # Upper 2.5 % point of F with 10 and 10 degrees of freedom: 3.717 in printed tables (from memory). A
    # variance ratio of just that is found in half of the tests.
    ratio = next(verification(PROBE, float(np.sqrt(3.717)), 0.003))
    assert ratio.chance(Design(10, 2)) == pytest.approx(0.5, abs=2e-4)


@pytest.mark.simulation
def test_a_scatter_half_as_large_again_is_shown_as_often_as_expected() -> None:
    rng, runs, design = np.random.default_rng(6), 20_000, Design(13, 4)
    ours, report = rng.chisquare(design.dof, (2, runs)) / design.dof
    # On the logarithm, with the halves of both intervals that lie towards the other: as the comparison does.
    one = sd_interval(1.0, design.dof, 0.95)
    half = np.hypot(np.log(1 / one.lower), np.log(one.upper))
    shown = (np.log(1.5) + np.log(ours / report) / 2 > half).mean()
    predicted = next(verification(PROBE, 1.5, 0.003)).chance(design)
    assert within(shown, predicted, runs, slack=0.015)


@pytest.mark.parametrize("touches", [4, 9])
def test_a_difference_of_the_variation_is_another_librarys_power(touches: int) -> None:
    design = Design(16, touches)
    gap = list(verification(PROBE, 1.5, 0.002))[1]
    sd = variation_u_mm(design, PROBE, whole=True) * np.sqrt(touches)
    # statsmodels: z test of two groups, one-sided at 2.5 %: the two-sided test has hardly more.
    power = NormalIndPower().power(0.002 / sd, touches, 0.025, ratio=1.0, alternative="larger")
    assert gap.chance(design) == pytest.approx(power, abs=1e-6)


def test_fewer_directions_than_a_whole_curve_takes_are_no_verification() -> None:
    # The analysis holds curves over all directions against each other, and gives none from 10.
    gap = list(verification(PROBE, 1.5, 0.003))[1]
    assert gap.chance(Design(10, 100)) == 0
    assert gap.expect(Design(10, 100)) is None
    assert gap.chance(Design(13, 100)) > 0.9


# ---- re-seating


@pytest.mark.simulation
@pytest.mark.parametrize("taken_out", [False, True])
def test_a_seat_that_did_not_move_is_shown_as_often_as_expected(taken_out: bool) -> None:
    rng, runs, design = np.random.default_rng(7), 40, Design(16, 7 if taken_out else 8)
    limits = Limits(max_reseat_shift_mm=0.003)
    (question,) = reseat(PROBE, limits, taken_out=taken_out)
    azimuth, index = directions_of(16, ARM_DEG), np.repeat(np.arange(16), design.touches)
    decided = 0
    for _ in range(runs):
        before, after = 0.0018 * rng.standard_normal((2, len(index)))
        told = judge_reseat(
            before, index, after, index, azimuth, margin_mm=0.003, same_clamping=not taken_out
        )
        decided += told.verdict == "within the margin"
    predicted = question.chance(design)
    assert 0.2 < predicted < 0.99
    # The chance itself is the share of 400 draws.
    assert within(decided / runs, predicted, runs, slack=0.08)


def test_without_a_margin_nothing_is_asked_of_the_seat() -> None:
    assert list(reseat(PROBE, Limits(max_reseat_shift_mm=None), taken_out=False)) == []


# ---- all of them


def test_contacts_ask_for_the_arm_and_for_its_health() -> None:
    arm, healthy = contact_check(PROBE, 0.2)
    power = arm_power(Design(16, 4), PROBE, 0.2)
    assert arm.chance(Design(16, 4)) == power.least == min(power.early, power.late)
    assert healthy.chance(Design(16, 4)) == power.healthy
    assert "20 %" in arm.wanted
    # A design that the fit refuses answers nothing.
    assert arm.chance(Design(4, 10)) == 0


def test_limits_that_are_off_are_not_asked() -> None:
    off = Limits(
        max_pooled_sd_mm=None,
        max_worst_direction_sd_mm=None,
        max_pretravel_variation_mm=None,
        tolerance_mm=None,
        max_miss_rate=None,
    )
    assert list(acceptance(PROBE, off)) == []
    assert [one.name for one in acceptance(PROBE, LIMITS)] == [
        "pooled_sd",
        "worst_direction_sd",
        "pretravel_variation",
        "cpk",
        "miss_rate",
    ]


@pytest.mark.parametrize("place", range(5))
def test_a_smaller_risk_takes_more_touches(place: int) -> None:
    usual, strict = (list(acceptance(PROBE, Limits(risk=risk)))[place] for risk in (0.05, 0.001))
    design = Design(10, 3)
    assert strict.chance(design) <= usual.chance(design)


@pytest.mark.parametrize("turns", [(0.0,), (0.0, 90.0)])
def test_chances_lie_within_0_and_1_and_grow_with_touches(turns: tuple[float, ...]) -> None:
    limits = Limits(
        max_pooled_sd_mm=0.0021,
        max_worst_direction_sd_mm=0.003,
        max_pretravel_variation_mm=0.0125,
        tolerance_mm=0.03,
        min_cpk=1.0,
    )
    for one in [*acceptance(PROBE, limits), *verification(PROBE, 1.2, 0.001)]:
        if turns != (0.0,) and one.name in ("pretravel_variation", "variation_difference"):
            continue
        chances = [one.chance(Design(13, n, turns)) for n in (2, 3, 5, 8, 13, 30)]
        assert min(chances) >= 0
        assert max(chances) <= 1
        assert (np.diff(chances) >= -1e-12).all(), one.name


@pytest.mark.parametrize("risk", [0.05, 0.01])
def test_a_limit_on_the_variation_is_one_sided(risk: float) -> None:
    limits = Limits(max_pretravel_variation_mm=0.0135, risk=risk)
    design = Design(20, 8)
    room = 0.0015 / variation_u_mm(design, PROBE)
    predicted = stats.norm.cdf(room - stats.t.isf(risk, 140))
    assert named("pretravel_variation", limits=limits).chance(design) == pytest.approx(predicted, rel=1e-9)
