"""Agreement of two tests: published scores, exact tests beside them, and pairs with known truth."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats
from simulated import assert_share, assert_share_at_least, assert_share_at_most, estimated_sd
from statsmodels.stats.contingency_tables import Table2x2

from probetest.errors import StatisticsError
from probetest.statistics.agreement import (
    MOST_TOUCHES,
    OWN,
    POWER_FACTOR,
    RISK,
    Agreement,
    compare_lengths,
    compare_misses,
    compare_sds,
    en_score,
    overall_agreement,
)
from probetest.statistics.intervals import (
    Interval,
    proportion_upper,
    sd_interval,
    t_factor,
)

GEAR = Path(__file__).parents[1] / "references" / "gear.csv"

TRIALS = 1000

GEAR_EN = (0.393, -0.262, -0.131, 0.000)
"""Printed in the NIST Dataplot reference, EN SCORE (seen): the first four gears against 1, with twice
the sd of all gears as expanded uncertainty of the reference, and twice that of batch 1 of each gear."""


def gears() -> tuple[np.ndarray, np.ndarray]:
    with GEAR.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return (
        np.array([float(row["diameter"]) for row in rows]),
        np.array([int(row["batch"]) for row in rows]),
    )


def around(value: float, half: float, upper: float | None = None) -> tuple[float, Interval]:
    return value, Interval(value - half, value + (half if upper is None else upper))


def lengths(ours: tuple[float, Interval], theirs: tuple[float, Interval], **changes: object) -> Agreement:
    settings = {"n": 100, "matters_mm": 0.01, "of": OWN} | changes
    n, matters_mm = settings.pop("n"), settings.pop("matters_mm")
    return compare_lengths("length", "Length", ours, theirs, n, matters_mm, **settings)  # type: ignore[arg-type]


def sds(ours: tuple[float, float], theirs: tuple[float, float], n: int, matters_mm: float) -> Agreement:
    """Compare two pairs of deviation and degrees of freedom."""
    mine, other = ((sd, sd_interval(sd, dof)) for sd, dof in (ours, theirs))
    return compare_sds("sd", "Scatter", mine, other, n, matters_mm, of=OWN)


# ---- the score


@pytest.mark.parametrize(("row", "printed"), list(enumerate(GEAR_EN)))
def test_score_is_the_printed_one(row: int, printed: float) -> None:
    diameter, batch = gears()
    u_all, u_own = 2 * diameter.std(ddof=1), 2 * diameter[batch == 1].std(ddof=1)
    assert en_score(diameter[row], 1.0, u_own, u_all) == pytest.approx(printed, abs=0.0005)
    found = lengths(around(float(diameter[row]), u_own), around(1.0, u_all))
    assert found.en == pytest.approx(printed, abs=0.0005)
    assert found.difference == pytest.approx(diameter[row] - 1.0)


def test_swapped_tests_change_the_sign_only() -> None:
    ours, theirs = around(0.012, 0.002, 0.005), around(0.017, 0.001, 0.003)
    there, back = lengths(ours, theirs), lengths(theirs, ours)
    assert there.en == pytest.approx(-(back.en or 0.0), rel=1e-12)
    assert there.en is not None
    assert there.en < 0
    assert (there.difference_interval.lower, there.difference_interval.upper) == pytest.approx(
        (-back.difference_interval.upper, -back.difference_interval.lower), rel=1e-12
    )
    assert there.p == pytest.approx(back.p, rel=1e-12)


def test_each_interval_acts_with_the_half_towards_the_other_value() -> None:
    # By hand: 17 less 12, halves 4 down and 3 up: 5 / 5.
    found = lengths((0.017, Interval(0.013, 0.100)), (0.012, Interval(0.0, 0.015)))
    assert found.en == pytest.approx(1.0, rel=1e-12)
    assert found.difference_interval.lower == pytest.approx(0.0, abs=1e-15)
    assert found.p == pytest.approx(RISK, rel=1e-3)


def test_unit_does_not_change_the_score() -> None:
    fine = lengths(around(0.012, 0.002), around(0.017, 0.004))
    coarse = lengths(around(12.0, 2.0), around(17.0, 4.0), matters_mm=10.0)
    assert coarse.en == pytest.approx(fine.en or 0.0, rel=1e-12)
    assert (coarse.verdict, coarse.more_touches) == (fine.verdict, fine.more_touches)
    assert coarse.difference_interval.upper == pytest.approx(1000 * fine.difference_interval.upper)


@pytest.mark.parametrize("spread", [0.0, float("nan")])
def test_score_needs_an_uncertainty(spread: float) -> None:
    with pytest.raises(StatisticsError, match="without an uncertainty"):
        en_score(1.0, 1.1, spread, spread)


def test_verdict_has_the_sign_of_the_difference() -> None:
    theirs = around(0.010, 0.001)
    found = [lengths(around(value, 0.001), theirs).verdict for value in (0.007, 0.0101, 0.013)]
    assert found == ["better", "consistent", "worse"]


def test_consistent_needs_the_power_to_show_what_matters() -> None:
    # By hand: 1.960 + 1.645 standard deviations, and an expanded uncertainty is 1.960 of them.
    assert pytest.approx((1.959964 + 1.644854) / 1.959964, rel=1e-6) == POWER_FACTOR
    edge = 0.010 / POWER_FACTOR
    theirs = around(0.010, 0.6 * edge)
    assert lengths(around(0.010, 0.799 * edge), theirs).verdict == "consistent"
    assert lengths(around(0.010, 0.801 * edge), theirs).verdict == "can't tell"
    # The wider half counts: a figure must not be consistent because the narrow one lies that way.
    assert lengths(around(0.010, 0.5 * edge, 1.1 * edge), theirs).verdict == "can't tell"


def test_wide_interval_is_no_agreement() -> None:
    assert lengths(around(0.0101, 0.02), around(0.010, 0.001)).verdict == "can't tell"


# ---- deviations


@pytest.mark.parametrize(("dof", "other"), [(8, 336), (10, 50), (30, 30), (96, 336), (336, 96)])
def test_deviations_are_worse_where_the_exact_f_test_says_so(dof: int, other: int) -> None:
    edge = optimize.brentq(
        lambda log: (sds((float(np.exp(log)), dof), (1.0, other), dof, 0.1).en or 0.0) - 1, 0.0, 3.0
    )
    ratio = float(np.exp(edge))
    assert sds((1.001 * ratio, dof), (1.0, other), dof, 0.1).verdict == "worse"
    assert sds((0.999 * ratio, dof), (1.0, other), dof, 0.1).verdict != "worse"
    # Two-sided p of the F test (SciPy) at the edge.
    assert 2 * stats.f.sf(ratio**2, dof, other) == pytest.approx(0.05, abs=0.0025)


def test_few_touches_make_the_f_test_of_deviations_a_little_stricter() -> None:
    edge = optimize.brentq(
        lambda log: (sds((float(np.exp(log)), 4), (1.0, 4), 4, 0.1).en or 0.0) - 1, 0.0, 3.0
    )
    assert 0.035 < 2 * stats.f.sf(np.exp(2 * edge), 4, 4) < 0.05


def test_deviations_keep_their_own_values() -> None:
    found = sds((0.003, 30), (0.002, 50), 40, 0.001)
    assert (found.ours, found.theirs) == (0.003, 0.002)
    assert found.difference == pytest.approx(0.001)
    assert found.matters == 0.001
    assert found.difference_interval.lower < 0.001 < found.difference_interval.upper
    assert found.ours_interval == sd_interval(0.003, 30)


@pytest.mark.parametrize("mine", [(0.0, Interval(0.0, 0.001)), (0.001, Interval(0.0, 0.002))])
def test_deviation_that_was_not_resolved_is_refused(mine: tuple[float, Interval]) -> None:
    good = (0.001, sd_interval(0.001, 20))
    for pair in ((mine, good), (good, mine)):
        with pytest.raises(StatisticsError, match="not resolved"):
            compare_sds("sd", "Scatter", *pair, 20, 0.001, of=OWN)


def test_deviation_with_an_all_but_open_lower_limit_keeps_finite_numbers() -> None:
    # The interval must stay one that JSON can carry.
    found = compare_sds(
        "sd", "Scatter", (0.0014, sd_interval(0.0014, 200)), (0.0014, Interval(1e-9, 0.002)), 216, 0.002,
        of="probe + machine",
    )  # fmt: skip
    assert np.isfinite([found.difference_interval.lower, found.difference_interval.upper]).all()


# ---- failed approaches


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [((3, 8), (1, 9)), ((0, 16), (0, 360)), ((5, 100), (1, 360)), ((12, 240), (2, 360)), ((1, 40), (9, 90))],
)
def test_failed_approaches_are_held_by_the_exact_test(ours: tuple[int, int], theirs: tuple[int, int]) -> None:
    found = compare_misses(ours, theirs, 1.0, of=OWN)
    table = [[ours[0], ours[1] - ours[0]], [theirs[0], theirs[1] - theirs[0]]]
    # By its definition: the sum over all tables with these margins that are no likelier.
    failed, total = ours[0] + theirs[0], ours[1] + theirs[1]
    chances = stats.hypergeom(total, failed, ours[1]).pmf(np.arange(min(failed, ours[1]) + 1))
    p = chances[chances <= chances[ours[0]] * (1 + 1e-9)].sum()
    assert found.p == pytest.approx(p, rel=1e-9)
    assert found.verdict == (
        "worse" if p < RISK and found.difference > 0 else "better" if p < RISK else "consistent"
    )
    assert found.difference == pytest.approx(ours[0] / ours[1] - theirs[0] / theirs[1])
    if min(map(min, table)) >= 5:  # statsmodels: large-sample odds ratio, beside the exact test
        assert (Table2x2(np.array(table)).oddsratio_pvalue() < RISK) == (found.p < RISK)


def test_failed_approaches_by_hand() -> None:
    # 2 of 2 here, 0 of 2 there: one of the six ways to place two failures, and as unlikely the other way.
    assert compare_misses((2, 2), (0, 2), 0.5, of=OWN).p == pytest.approx(2 / 6)
    # 4 of 4 against 0 of 4: 2 of 70.
    found = compare_misses((4, 4), (0, 4), 0.5, of=OWN)
    assert found.p == pytest.approx(2 / 70)
    assert found.verdict == "worse"
    assert found.en is None
    assert compare_misses((0, 4), (4, 4), 0.5, of=OWN).verdict == "better"


# ---- more touches


@pytest.mark.parametrize("n", [16, 50, 80])
def test_so_many_more_touches_bring_a_length_within_what_matters(n: int) -> None:
    sd, matters, other = 0.02, 0.004, 0.001
    theirs = around(0.010, other)

    def at(touches: int) -> Agreement:
        half = 1.96 * sd / np.sqrt(touches)
        return lengths(around(0.010, float(half)), theirs, n=touches, matters_mm=matters)

    first = at(n)
    assert first.verdict == "can't tell"
    assert first.more_touches is not None
    assert at(n + first.more_touches).verdict == "consistent"
    assert at(n + first.more_touches - 2).verdict == "can't tell"
    assert np.hypot(1.96 * sd / np.sqrt(n + first.more_touches), other) <= matters / POWER_FACTOR


@pytest.mark.parametrize(("directions", "repeats"), [(8, 2), (8, 4), (12, 3)])
def test_so_many_more_touches_bring_a_deviation_within_what_matters(directions: int, repeats: int) -> None:
    n = directions * repeats
    first = sds((0.0013, n - directions), (0.0013, 336), n, 0.0005)
    assert first.verdict == "can't tell"
    assert first.more_touches is not None
    more = n + first.more_touches
    assert sds((0.0013, more - directions), (0.0013, 336), more, 0.0005).verdict == "consistent"


@pytest.mark.parametrize(("failed", "n", "theirs"), [(0, 16, (0, 360)), (1, 40, (2, 360)), (0, 3, (1, 50))])
def test_so_many_more_good_approaches_settle_the_misses(failed: int, n: int, theirs: tuple[int, int]) -> None:
    first = compare_misses((failed, n), theirs, 0.02, of=OWN)
    assert first.verdict == "can't tell"
    assert first.more_touches is not None
    assert first.note == "if none of them fails"
    wanted = theirs[0] / theirs[1] + 0.02
    assert proportion_upper(failed, n + first.more_touches) <= wanted
    assert proportion_upper(failed, n + first.more_touches - 1) > wanted
    assert compare_misses((failed, n + first.more_touches), theirs, 0.02, of=OWN).verdict == "consistent"


def test_no_number_of_touches_settles_what_the_report_leaves_open() -> None:
    found = lengths(around(0.010, 0.02), around(0.010, 0.011), matters_mm=0.01)
    assert (found.verdict, found.more_touches) == ("can't tell", None)
    assert "too uncertain for any number" in found.note


def test_unpractical_number_of_touches_is_not_named() -> None:
    found = lengths(around(0.0, 1.0), around(0.0, 0.0), n=10, matters_mm=1e-3)
    needed = 10 * (1.0 / 1e-3) ** 2
    assert needed > MOST_TOUCHES
    assert (found.verdict, found.more_touches) == ("can't tell", None)


# ---- all together


def figure(en: float, *, of: str = OWN) -> Agreement:
    return lengths(around(0.01 + 0.005 * en, 0.003), around(0.01, 0.004), of=of)


def test_score_of_the_helper_is_the_one_that_was_asked_for() -> None:
    assert figure(1.7).en == pytest.approx(1.7)


@pytest.mark.parametrize(
    ("figures", "verdict"),
    [
        ([], "can't tell"),
        ([figure(0.0)] * 4, "consistent"),
        ([figure(-3.0), figure(0.0)], "consistent"),
        ([figure(1.1), *[figure(0.0)] * 5], "can't tell"),  # not beyond what the worst of six shows by chance
        ([figure(1.1)], "worse"),
        ([figure(1.5), *[figure(0.0)] * 5], "worse"),
        ([figure(9.0, of="probe + machine"), figure(0.0)], "can't tell"),
        ([figure(9.0, of=f"{OWN}; report: probe + machine"), figure(0.0)], "can't tell"),
        ([figure(9.0, of="probe + machine"), figure(9.0)], "worse"),
        ([replace(figure(0.0), verdict="can't tell"), figure(0.0)], "can't tell"),
        ([replace(figure(0.0), verdict="can't tell"), figure(9.0)], "worse"),
    ],
)  # fmt: skip
def test_word_for_all_figures(figures: list[Agreement], verdict: str) -> None:
    assert overall_agreement(figures) == verdict


# ---- known truth


KNOWN_FACTOR = cache(t_factor)


@cache
def known_misses(ours: int, theirs: int) -> Agreement:
    return compare_misses((ours, 120), (theirs, 360), 0.02, of=OWN)


def simulated_mean(rng: np.random.Generator, truth: float, sd: float, touches: int) -> tuple[float, Interval]:
    value = float(truth + sd * rng.normal() / np.sqrt(touches))
    error = estimated_sd(rng, sd, touches - 1) / np.sqrt(touches)
    return around(value, float(KNOWN_FACTOR(touches - 1) * error))


@pytest.mark.simulation
def test_score_beyond_one_is_rare_without_a_difference() -> None:
    rng = np.random.default_rng(1)
    found = [
        lengths(simulated_mean(rng, 0.0, 0.002, 120), simulated_mean(rng, 0.0, 0.0015, 360))
        for _ in range(TRIALS)
    ]
    assert_share(sum(abs(one.en or 0.0) > 1 for one in found), TRIALS, 0.05)


@pytest.mark.simulation
@pytest.mark.parametrize(("dof", "other"), [(8, 336), (96, 336)])
def test_deviations_of_one_probe_rarely_differ(dof: int, other: int) -> None:
    rng = np.random.default_rng(2)
    found = [
        sds((estimated_sd(rng, 1.0, dof), dof), (estimated_sd(rng, 1.0, other), other), dof, 0.5)
        for _ in range(TRIALS)
    ]
    assert_share(sum(abs(one.en or 0.0) > 1 for one in found), TRIALS, 0.05)


@pytest.mark.simulation
def test_healthy_probe_is_rarely_called_worse_and_power_rises_with_the_change() -> None:
    rng = np.random.default_rng(3)
    trials, found = 250, []
    for change in (0.0, 0.0005, 0.001, 0.002):
        worse = 0
        for _ in range(trials):
            truths = (0.010, 0.004, 0.0005 + change)
            pairs = [
                lengths(simulated_mean(rng, mine, 0.005, 120), simulated_mean(rng, theirs, 0.005, 360))
                for mine, theirs in zip(truths, (0.010, 0.004, 0.0005), strict=True)
            ]
            misses = known_misses(int(rng.binomial(120, 0.002)), int(rng.binomial(360, 0.002)))
            worse += overall_agreement([*pairs, misses]) == "worse"
        found.append(worse)
    assert_share_at_most(found[0], trials, 0.05)
    assert found == sorted(found)
    assert_share_at_least(found[-1], trials, 0.9)


@pytest.mark.simulation
def test_few_touches_are_never_called_consistent() -> None:
    rng = np.random.default_rng(4)
    found = {
        lengths(
            simulated_mean(rng, 0.0, 0.02, 4), simulated_mean(rng, 0.0, 0.02, 360), n=4, matters_mm=0.004
        ).verdict
        for _ in range(500)
    }
    assert "consistent" not in found
    assert "can't tell" in found


@pytest.mark.simulation
def test_difference_that_matters_is_rarely_called_consistent() -> None:
    # "consistent" also says that such a difference would have shown: 5 % at most may go unseen.
    rng = np.random.default_rng(5)
    # So many touches are a few more than the least that can be consistent, where the chance is largest.
    matters, trials, touches = 0.001, 1000, 340
    shares = []
    for truth in (matters, 0.0):
        found = [
            lengths(
                simulated_mean(rng, truth, 0.005, touches), around(0.0, 0.0), n=touches, matters_mm=matters
            ).verdict
            for _ in range(trials)
        ]
        shares.append(found.count("consistent"))
    assert_share_at_most(shares[0], trials, 0.05)
    assert_share_at_least(shares[1], trials, 0.5)
