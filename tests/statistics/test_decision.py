"""Verdicts: every side of a limit, JCGM 106 by SciPy, the risk at the limit by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from simulated import assert_share, assert_share_at_most

from probetest.statistics.decision import (
    MOST_TOUCHES,
    decide,
    more_touches_for_rate,
    more_touches_for_sd,
    more_touches_for_width,
    overall_verdict,
)
from probetest.statistics.intervals import proportion_upper, sd_interval

RISK = 0.05


@pytest.mark.parametrize(
    ("lower", "upper", "side", "verdict"),
    [
        (0.0, 0.9, "max", "pass"),
        (0.0, 1.0, "max", "pass"),
        (0.9, 1.1, "max", "undecided"),
        (1.0, 1.1, "max", "undecided"),
        (1.01, 1.1, "max", "fail"),
        (1.1, 2.0, "min", "pass"),
        (1.0, 2.0, "min", "pass"),
        (0.9, 1.1, "min", "undecided"),
        (0.9, 1.0, "min", "undecided"),
        (0.5, 0.99, "min", "fail"),
        (0.0, float("inf"), "max", "undecided"),
        (float("nan"), float("nan"), "max", "undecided"),
    ],
)
def test_verdict_against_a_limit_of_1(lower: float, upper: float, side: str, verdict: str) -> None:
    assert decide(lower, upper, 1.0, side) == verdict


@given(st.floats(-10, 10), st.floats(0, 10), st.floats(-10, 10))
def test_the_two_sides_mirror_each_other(lower: float, width: float, limit: float) -> None:
    assert decide(lower, lower + width, limit, "max") == decide(-lower - width, -lower, -limit, "min")


@given(st.floats(0.01, 10), st.floats(0.001, 1.0), st.floats(0.01, 10))
def test_a_normal_figure_passes_where_jcgm_106_gives_95_percent_conformance(
    value: float, u: float, limit: float
) -> None:
    guard = stats.norm.isf(RISK) * u
    conformance = stats.norm.cdf((limit - value) / u)
    if abs(conformance - 0.95) > 1e-9 and abs(conformance - 0.05) > 1e-9:
        expected = "pass" if conformance > 0.95 else "fail" if conformance < 0.05 else "undecided"
        assert decide(value - guard, value + guard, limit) == expected


@pytest.mark.parametrize(
    ("verdicts", "overall"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "undecided"], "undecided"),
        (["undecided", "fail", "pass"], "fail"),
        ([], "undecided"),
    ],
    ids=["all pass", "one undecided", "one fails", "no checks"],
)
def test_overall_verdict(verdicts: list[str], overall: str) -> None:
    assert overall_verdict(iter(verdicts)) == overall


# ---- more touches


def test_more_touches_for_a_failure_rate_are_the_tabled_299() -> None:
    assert more_touches_for_rate(0, 100, 0.01, RISK) == pytest.approx(299 - 100, abs=1)


@pytest.mark.parametrize(("events", "trials", "limit"), [(0, 50, 0.02), (1, 240, 0.01), (4, 600, 0.005)])
def test_the_touches_asked_for_decide_and_not_many_fewer(events: int, trials: int, limit: float) -> None:
    more = more_touches_for_rate(events, trials, limit, RISK)
    assert proportion_upper(events, trials + more) <= limit
    assert proportion_upper(events, int((trials + more) * 0.995) - 2) > limit


@pytest.mark.parametrize("limit", [0.2, 0.1, 0.05, 0.03, 0.02, 0.017, 0.011, 0.007])
@pytest.mark.parametrize("events", [0, 2])
def test_below_a_thousand_touches_at_most_one_is_asked_for_in_vain(events: int, limit: float) -> None:
    # By trying every number in turn.
    least = next(n for n in range(10, 3000) if proportion_upper(events, n) <= limit)
    assert 10 + more_touches_for_rate(events, 10, limit, RISK) - least in (0, 1)


def test_the_risk_sets_the_touches_for_a_failure_rate() -> None:
    # ln 0.01 / ln 0.99 = 458.2.
    assert more_touches_for_rate(0, 100, 0.01, 0.01) == pytest.approx(459 - 100, abs=1)


def test_a_bound_just_at_the_limit_keeps_it() -> None:
    assert more_touches_for_rate(1, 50, proportion_upper(1, 50, 1 - RISK), RISK) == 0


def test_no_number_of_touches_keeps_a_limit_of_0() -> None:
    assert more_touches_for_rate(0, 100, 0.0, RISK) is None


def test_nothing_more_is_needed_where_the_rate_is_decided() -> None:
    assert more_touches_for_rate(0, 400, 0.01, RISK) == 0


@pytest.mark.parametrize(("sd", "verdict"), [(0.9, "pass"), (1.12, "fail")])
def test_the_touches_asked_for_decide_an_sd(sd: float, verdict: str) -> None:
    # 24 directions of 10 touches: 10 touches for 9 degrees of freedom.
    more = more_touches_for_sd(sd, 20, 1.0, RISK, 10 / 9)
    bounds = sd_interval(sd, 20 + more * 0.9, 1 - 2 * RISK)
    assert decide(bounds.lower, bounds.upper, 1.0) == verdict
    fewer = sd_interval(sd, 20 + more * 0.9 * 0.98, 1 - 2 * RISK)
    assert decide(fewer.lower, fewer.upper, 1.0) == "undecided"


def test_an_sd_at_its_limit_is_never_decided() -> None:
    assert more_touches_for_sd(1.0, 20, 1.0, RISK, 10 / 9) is None


@pytest.mark.parametrize(
    ("per_dof", "limit", "answer"),
    [(1.0, 1.0014, True), (1.0, 1.0011, False), (2.0, 1.0019, True), (2.0, 1.0014, False)],
    ids=["690,000 of one each", "1,120,000 of one each", "375,000 of two each", "690,000 of two each"],
)
def test_touches_for_an_sd_are_named_up_to_a_million(per_dof: float, limit: float, answer: bool) -> None:
    # Many readings: the guard band is 1.645 / sqrt(2 dof) of the sd.
    more = more_touches_for_sd(1.0, 20, limit, RISK, per_dof)
    if answer:
        expected = (stats.norm.isf(RISK) / (limit - 1)) ** 2 / 2 * per_dof
        assert more == pytest.approx(expected, rel=0.01)
    else:
        assert more is None


def test_more_touches_for_a_guard_band_go_with_its_square() -> None:
    # The band must shrink from 0.5 to 0.2: (0.5 / 0.2)**2 times the touches.
    assert more_touches_for_width(1.0, 1.5, 1.2, 100) == pytest.approx(525, abs=1)


def test_a_figure_at_its_limit_is_never_decided() -> None:
    assert more_touches_for_width(1.2, 1.5, 1.2, 100) is None


def test_more_than_a_million_touches_are_not_asked_for() -> None:
    assert more_touches_for_width(1.0, 1.5, 1.0001, 100) is None
    assert more_touches_for_width(1.0, 1.5, 1.001, 100) is None
    assert more_touches_for_width(1.0, 1.5, 1.0051, 100) <= MOST_TOUCHES


def test_a_million_touches_in_all_are_still_asked_for() -> None:
    assert more_touches_for_width(0.0, 100.0, 1.0, 100) == MOST_TOUCHES - 100 == 999_900


@pytest.mark.parametrize("bound", [1.205, 1.1], ids=["nearly decided", "decided already"])
def test_at_least_one_more_touch_is_asked_for(bound: float) -> None:
    assert more_touches_for_width(1.0, bound, 1.2, 10) == 1


# ---- risk


@pytest.mark.parametrize("touches", [5, 25])
def test_an_sd_at_its_limit_is_accepted_and_rejected_with_the_stated_risk(touches: int) -> None:
    rng, runs = np.random.default_rng(110), 3000
    dof = 8 * (touches - 1)
    verdicts = []
    for sd in np.sqrt(rng.chisquare(dof, runs) / dof):
        bounds = sd_interval(float(sd), dof, 1 - 2 * RISK)
        verdicts.append(decide(bounds.lower, bounds.upper, 1.0))
    assert_share(verdicts.count("pass"), runs, RISK)
    assert_share(verdicts.count("fail"), runs, RISK)


@pytest.mark.parametrize("excess", [1.05, 1.5])
def test_an_sd_beyond_its_limit_is_accepted_less_often_still(excess: float) -> None:
    rng, runs = np.random.default_rng(111), 2000
    accepted = 0
    for sd in excess * np.sqrt(rng.chisquare(96, runs) / 96):
        bounds = sd_interval(float(sd), 96, 1 - 2 * RISK)
        accepted += decide(bounds.lower, bounds.upper, 1.0) == "pass"
    assert_share_at_most(accepted, runs, RISK / 2)


def test_a_miss_rate_at_its_limit_is_accepted_with_at_most_the_stated_risk() -> None:
    misses = np.arange(1001)
    accepted = np.array([proportion_upper(int(count), 1000, 1 - RISK) <= 0.01 for count in misses])
    assert stats.binom.pmf(misses[accepted], 1000, 0.01).sum() <= RISK
