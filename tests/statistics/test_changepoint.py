"""One change of level, and the newest of a series: exact chances, closed forms, known changes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share, assert_share_at_least

from probetest.errors import StatisticsError
from probetest.statistics.changepoint import (
    AVERAGE,
    NEWEST,
    PER_LOOK,
    look_limits,
    moving_averages,
    newest,
    self_starting,
    step_change,
)
from probetest.statistics.intervals import t_factor
from probetest.study import run_lengths

STEP = np.array([5.0, 5.1, 4.9, 5.0, 5.1, 4.9, 6.0, 6.1, 5.9, 6.1, 6.0])


# ---- one change


def test_statistic_is_the_largest_t_of_all_splits() -> None:
    # SciPy's pooled two-sample t test, split by split.
    points = np.random.default_rng(4).normal(size=17)
    points[11:] += 1.5
    found = step_change(points)
    ratios = {k: abs(stats.ttest_ind(points[k:], points[:k]).statistic) for k in range(2, 16)}
    best = max(ratios, key=lambda k: ratios[k])
    assert found.first == best
    assert found.statistic == pytest.approx(ratios[best], rel=1e-9)
    assert found.shift == pytest.approx(points[best:].mean() - points[:best].mean(), rel=1e-9)


def test_clear_change_is_found_where_it_is() -> None:
    found = step_change(STEP)
    assert (found.first, found.splits, found.reason, found.n) == (6, (6,), "", 11)
    assert found.p == pytest.approx(1 / 10_001)
    assert found.shift == pytest.approx(1.02, abs=1e-9)
    # One split is left: its Student t interval at 97.5 %, with SciPy's error.
    ours = found.shift_interval
    result = stats.ttest_ind(STEP[6:], STEP[:6])
    half = result.confidence_interval(0.975)
    assert (ours.lower, ours.upper) == pytest.approx((half.low, half.high), rel=1e-9)
    assert t_factor(9, 0.975) > t_factor(9)


def test_order_and_sign_turn_with_the_series() -> None:
    there, back = step_change(STEP), step_change(STEP[::-1])
    assert back.first == len(STEP) - there.first
    assert back.shift == pytest.approx(-there.shift)
    fine = step_change(1e-3 * STEP + 2)
    assert (fine.first, fine.p, fine.splits) == (there.first, there.p, there.splits)


def test_critical_values_are_the_published_ones() -> None:
    # Worsley 1979, table of the largest t at 5 %: from memory 3.14 to 3.16 at n = 20 to 50 with sides of 1.
    # Here sides are 2 or more, so each is a little smaller; Bonferroni is the bound from above.
    from probetest.statistics.changepoint import _null

    for n in (10, 20, 50):
        critical = np.quantile(_null(n), 0.95)
        assert t_factor(n - 2) < critical < t_factor(n - 2, 1 - 0.05 / (n - 3))
    assert np.quantile(_null(20), 0.95) == pytest.approx(3.1, abs=0.1)


def test_few_or_rounded_points_give_a_reason() -> None:
    assert step_change([1, 2, 3, 9, 9]).reason == "a change needs at least 6 points, and there are 5"
    assert "all values are equal" in step_change([0.1] * 8).reason
    rounded = step_change([5.0] * 4 + [6.0] * 4)
    assert (rounded.p, rounded.first, rounded.shift, rounded.splits) == (None, 4, 1.0, (4,))
    assert "rounding hides" in rounded.reason
    assert step_change([1, 2, 1, 2, 1, 2]).p is not None


@pytest.mark.parametrize("values", [[1.0, np.nan, 2, 3, 4, 5], np.zeros(501), np.zeros((3, 3))])
def test_impossible_series_are_refused(values: list) -> None:
    for method in (step_change, newest):
        with pytest.raises(StatisticsError, match="finite values in a row"):
            method(values)


@pytest.mark.simulation
def test_p_is_uniform_without_a_change() -> None:
    rng = np.random.default_rng(12)
    found = [step_change(rng.normal(size=9)).p for _ in range(100)]
    assert_share(sum(p <= 0.05 for p in found), 100, 0.05)
    assert_share(sum(p <= 0.3 for p in found), 100, 0.3)


@pytest.mark.simulation
@pytest.mark.parametrize(("n", "first", "shift"), [(10, 5, 2.0), (14, 3, 1.0)])
def test_set_and_interval_hold_the_truth(n: int, first: int, shift: float) -> None:
    rng = np.random.default_rng(n)
    runs, in_set, covered = 60, 0, 0
    for _ in range(runs):
        points = rng.normal(size=n)
        points[first:] += shift
        found = step_change(points)
        in_set += first in found.splits
        covered += shift in found.shift_interval
    assert_share(in_set, runs, 0.95)
    assert_share_at_least(covered, runs, 0.95)


# ---- the newest


def test_deviate_is_that_of_the_exact_t() -> None:
    points = np.random.default_rng(2).normal(3, 0.2, size=9)
    before = points[:-1]
    ratio = (points[-1] - before.mean()) / (before.std(ddof=1) * np.sqrt(1 + 1 / 8))
    assert newest(points).deviate == pytest.approx(stats.norm.ppf(stats.t.cdf(ratio, 7)), rel=1e-9)


def test_moving_average_has_its_closed_form() -> None:
    deviates = np.array([[0.5, -1.0, 2.0]])
    plain = 0.2 * 2.0 + 0.2 * 0.8 * -1.0 + 0.2 * 0.64 * 0.5
    sd = 0.2 * np.sqrt(1 + 0.8**2 + 0.8**4)
    assert moving_averages(deviates)[0, -1] == pytest.approx(plain / sd, rel=1e-12)


def test_each_rule_raises_its_alarm() -> None:
    calm = np.tile([0.0, 1.0, -1.0, 0.5], 4)
    assert not newest(calm).alarm
    assert newest([*calm, 3.0]).rules == (NEWEST,)
    slow = [*calm, 1.6, 1.8, 1.7, 1.9, 1.8]
    assert newest(slow).rules == (AVERAGE,)
    assert newest(slow).so_far == pytest.approx(1 - 0.99 ** (21 - 5))


def test_no_look_says_why() -> None:
    assert newest([1.0, 2.0, 3.0]).reason == "looks begin with serial 6, and there are 3"
    flat = newest([5.0] * 8 + [6.0])
    assert (flat.alarm, flat.reason) == (
        False,
        "all values before the newest are equal: rounding hides the scatter",
    )
    assert newest([5.0, 5.0, 5.0, 5.0, 5.1, 5.0, 5.1]).reason == ""
    for settings in ({"start": 3}, {"per_look": 0.5}, {"weight": 0.0}):
        with pytest.raises(StatisticsError, match="a look needs"):
            newest([1.0] * 9, **settings)


def test_limit_of_the_first_look_is_exact() -> None:
    # The average of independent normal numbers is normal; both rules share one risk of 1 %, half each.
    # With a weight of 1 the two are the same number, so nothing beyond the larger half is left to cut.
    first = look_limits(6, PER_LOOK)[0]
    rng = np.random.default_rng(6)
    deviates = rng.normal(size=(400_000, 4))
    average = moving_averages(deviates)[:, -1]
    alone = np.abs(deviates[:, -1]) >= stats.norm.isf(PER_LOOK / 4)
    assert_share(int((alone | (np.abs(average) >= first)).sum()), 400_000, PER_LOOK)


def test_rare_alarms_make_the_limit_that_of_the_two_rules_apart() -> None:
    # Long after the start and with a small risk hardly any series is left out: half of it for each rule,
    # and no more than for independent ones.
    late = look_limits(60, 0.0002)[0]
    assert stats.norm.isf(0.0002 / 2) < late < stats.norm.isf(0.0001 / 2) + 0.01


@pytest.mark.simulation
def test_looks_raise_false_alarms_at_the_stated_rate_each() -> None:
    series, start, last = 30_000, 6, 26
    deviates = self_starting(np.random.default_rng(1).normal(5, 3, size=(series, last)))
    averages, limits = moving_averages(deviates), look_limits(start, PER_LOOK)
    alone, quiet = stats.norm.isf(PER_LOOK / 4), np.ones(series, dtype=bool)
    for look, place in enumerate(range(start - 3, last - 2)):
        alarm = quiet & ((np.abs(deviates[:, place]) >= alone) | (np.abs(averages[:, place]) >= limits[look]))
        assert_share(int(alarm.sum()), int(quiet.sum()), PER_LOOK)
        quiet &= ~alarm
    assert_share(int((~quiet).sum()), series, 1 - (1 - PER_LOOK) ** (last - start + 1))


@pytest.mark.simulation
def test_looks_agree_with_the_single_call() -> None:
    rng = np.random.default_rng(15)
    rows = rng.normal(size=(60, 12))
    rows[:30, 9:] += 3
    deviates = self_starting(rows)
    averages, limits = moving_averages(deviates)[:, -1], look_limits(6, PER_LOOK)
    wanted = (np.abs(deviates[:, -1]) >= stats.norm.isf(PER_LOOK / 4)) | (np.abs(averages) >= limits[6])
    assert [newest(row).alarm for row in rows] == wanted.tolist()
    assert wanted[:30].sum() > 8


@pytest.mark.simulation
def test_run_lengths_without_a_shift_are_the_exact_ones() -> None:
    rows, runs = run_lengths.simulated(0.0, 3000, 40), 3000
    known, ours = run_lengths.known_limits(rows), run_lengths.looked_at_newest(rows)
    beyond = 2 * stats.norm.sf(3)
    assert 1 / beyond == pytest.approx(370.4, abs=0.05)  # printed in all tables of run lengths
    assert_share(int((known.length <= 40).sum()), runs, 1 - (1 - beyond) ** 40)
    assert_share(int((ours.length <= 40).sum()), runs, 1 - 0.99**40)
    first = run_lengths.limits_of_the_first(rows)
    assert first.within(10) > 3 * known.within(10)


def test_mean_run_length_is_that_of_a_constant_rate() -> None:
    # Geometric with a mean of 370.4, cut off at 500 looks.
    length = np.random.default_rng(3).geometric(1 / 370.4, size=20_000).astype(float)
    found = run_lengths.Runs(np.minimum(length, run_lengths.LAST + 1))
    assert found.mean == pytest.approx(370.4, rel=0.03)
    assert found.median == pytest.approx(np.log(0.5) / np.log1p(-1 / 370.4), rel=0.05)
    assert run_lengths.Runs(np.full(9, run_lengths.LAST + 1.0)).mean == np.inf
    assert run_lengths.Runs(np.array([1.0, 3.0])).mean == 2.0
