"""Charts of a small production: published charts, false alarms that are kept, changes that are found."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share, assert_share_at_most

from probetest.errors import StatisticsError
from probetest.statistics.chart_constants import (
    AVERAGE,
    BEYOND,
    JUMP,
    RULES,
    SIDE,
    WEIGHT,
    critical_values,
    moving_average_matrix,
    rule_statistics,
)
from probetest.statistics.charts import MORE, CountChart, count_chart, individuals_chart

# NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4; data and printed values as quoted in public code.
HANDBOOK = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
HANDBOOK_EWMA = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *HANDBOOK)
PRINTED_EWMA = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip

SIZES = (5, 8, 12, 20, 40, 100)


def alarms(rows: np.ndarray, critical: np.ndarray) -> int:
    statistics = rule_statistics(rows, WEIGHT)
    hit = [found.max(axis=1) >= limit for found, limit in zip(statistics, critical, strict=True)]
    return int(np.any(hit, axis=0).sum())


# ---- textbook figures


def test_individuals_chart_is_the_printed_one() -> None:
    chart = individuals_chart(HANDBOOK)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    # Printed with d2 rounded to 1.128.
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=2e-3)
    assert (chart.upper - chart.centre) * 1.1283791671 / 1.128 == pytest.approx(4.9941, abs=5e-5)
    # D4 of two readings, printed as 3.267 in the tables of control charts.
    assert chart.range_upper / chart.range_centre == pytest.approx(3.267, abs=6e-4)


def test_moving_average_is_the_printed_one() -> None:
    # The handbook starts from a target of 50: the chart starts from its centre, so 50 is put there.
    points = np.array(HANDBOOK_EWMA)
    found = 50 + moving_average_matrix(20, 0.3) @ (points - 50)
    assert found == pytest.approx(PRINTED_EWMA, abs=5.1e-3)
    chart = individuals_chart(points, weight=0.3)
    assert chart.ewma == pytest.approx(
        chart.centre + moving_average_matrix(20, 0.3) @ (points - chart.centre), rel=1e-12
    )


def test_limits_of_the_moving_average_grow_to_the_printed_ones() -> None:
    chart = individuals_chart(HANDBOOK_EWMA, weight=0.3)
    half = (np.array(chart.ewma_upper) - chart.centre) / chart.sigma
    # First point: weight times the width. Last: printed 52.5884 about 50 at a deviation of 2.0539.
    assert half[0] == pytest.approx(0.3 * 3, rel=1e-12)
    assert half[-1] == pytest.approx(2.5884 / 2.0539, abs=1e-4)
    assert np.array(chart.ewma_upper) + chart.ewma_lower == pytest.approx(np.full(20, 2 * chart.centre))


# ---- signals


def test_each_rule_finds_what_it_is_for() -> None:
    wave = np.tile([0.0, 1.0, -1.0, 0.4], 5)
    alone, zigzag, shifted = wave.copy(), wave.copy(), wave.copy()
    alone[9] += 9
    zigzag[12:14] += (5.0, -5.0)
    shifted[10:] += 4
    found = [{one.rule for one in individuals_chart(part).signals} for part in (wave, alone, zigzag, shifted)]
    assert found[0] == set()
    assert BEYOND in found[1]
    assert JUMP in found[2]
    assert {AVERAGE, SIDE} <= found[3]
    assert BEYOND not in found[3]


def test_signal_is_where_the_point_leaves_the_drawn_limits() -> None:
    points = np.random.default_rng(3).normal(size=15)
    points[7] += 30
    for u in (None, np.linspace(0.1, 2.0, 15)):
        chart = individuals_chart(points, u)
        outside = (points <= chart.signal_lower) | (points >= chart.signal_upper)
        marked = [one.index for one in chart.signals if one.rule == BEYOND]
        assert marked == np.flatnonzero(outside).tolist()
        assert 7 in marked


def test_drawn_limits_of_ranges_and_averages_decide() -> None:
    points = np.r_[np.tile([0.0, 1.0, -1.0], 5), np.tile([4.0, 5.0, 3.0], 5)]
    points[5] += 12
    chart = individuals_chart(points)
    jumps = np.flatnonzero(np.abs(np.diff(points)) >= chart.signal_range) + 1
    assert jumps.tolist() == [one.index for one in chart.signals if one.rule == JUMP]
    assert jumps.size
    assert all(one.critical == chart.signal_ewma for one in chart.signals if one.rule == AVERAGE)
    assert chart.signal_run == 9 == int(critical_values(30)[3])


def test_unit_and_level_do_not_matter() -> None:
    points = np.random.default_rng(8).normal(size=20)
    points[11:] += 3
    plain, moved = individuals_chart(points), individuals_chart(1e-3 * points + 7)
    assert [(one.index, one.rule) for one in plain.signals] == [(s.index, s.rule) for s in moved.signals]
    assert plain.signals
    assert moved.sigma == pytest.approx(1e-3 * plain.sigma)
    mirrored = individuals_chart(-points)
    assert [one.index for one in mirrored.signals] == [one.index for one in plain.signals]


def test_smaller_risk_needs_more() -> None:
    strict, loose = critical_values(20, 0.01), critical_values(20, 0.2)
    assert (strict[:3] > loose[:3]).all()
    assert strict[3] >= loose[3]


def test_few_points_give_a_chart_and_a_reason() -> None:
    chart = individuals_chart([1.0, 2.0, 99.0, 3.0])
    assert (chart.signals, chart.signal_lower, chart.signal_run) == ((), (), None)
    assert chart.reason == "signals need at least 5 points, and there are 4"
    assert chart.centre == pytest.approx(26.25)
    assert individuals_chart([1.0, 2.0, 99.0, 3.0, 2.5]).reason == ""


def test_rounded_values_give_a_reason() -> None:
    flat = individuals_chart([0.005] * 9)
    assert (flat.sigma, flat.signals) == (0.0, ())
    assert "all values are equal" in flat.reason
    rough = [5, 5, 5, 6, 5, 5, 5, 5, 9]
    assert "rounded to 1, too coarse" in individuals_chart(rough).reason
    # The same values, known to be finer than they look, are charted.
    assert individuals_chart(rough, step=0.001).reason == ""
    json.dumps([replace(flat).ewma, flat.ewma_upper])


@pytest.mark.parametrize(
    ("values", "u", "settings", "message"),
    [
        ([1.0], None, {}, "2 to 1000 finite values"),
        ([1.0, np.nan, 2.0], None, {}, "2 to 1000 finite values"),
        ([[1.0, 2.0]], None, {}, "2 to 1000 finite values"),
        ([1.0, 2.0], [1.0], {}, "one uncertainty above 0"),
        ([1.0, 2.0], [1.0, 0.0], {}, "one uncertainty above 0"),
        ([1.0, 2.0], None, {"false_alarm": 0.9}, "got 0.9"),
        ([1.0, 2.0], None, {"weight": 0.0}, "got 0.0"),
    ],
)
def test_impossible_charts_are_refused(values: list, u: list | None, settings: dict, message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        individuals_chart(values, u, **settings)


def test_critical_values_are_for_charts_with_signals() -> None:
    for n in (4, 1001):
        with pytest.raises(StatisticsError, match=f"5 to 1000 points, but got {n}"):
            critical_values(n)


def test_a_single_rule_has_its_closed_form() -> None:
    # With a weight of 1 the moving average is the point itself: both rules have one statistic.
    far, _, average, _ = rule_statistics(np.random.default_rng(1).normal(size=(50, 9)), 1.0)
    assert average == pytest.approx(far, rel=1e-9)


def test_run_counts_points_on_one_side_of_the_median() -> None:
    runs = rule_statistics(np.array([[1.0, 2.0, 3.0, 9.0, 8.0, 7.0, 5.0]]), 0.2)[3]
    assert runs.tolist() == [[1, 2, 3, 1, 2, 3, 0]]


def test_longest_run_has_its_exact_chance() -> None:
    # Orders of 4 values below and 4 above the median with all of a side together: 2 + 3 + 3 of 70.
    rows = np.random.default_rng(9).normal(size=(20_000, 8))
    together = sum(
        1
        for word in range(256)
        if bin(word).count("1") == 4 and ("1111" in f"{word:08b}" or "0000" in f"{word:08b}")
    )
    assert together == 8
    assert_share(int((rule_statistics(rows, 0.2)[3].max(axis=1) >= 4).sum()), 20_000, together / 70)


@pytest.mark.simulation
@pytest.mark.parametrize("n", SIZES)
def test_false_alarm_of_a_chart_is_the_stated_one(n: int) -> None:
    charts = 8000 if n <= 40 else 4000
    rows = np.random.default_rng(100 + n).normal(size=(charts, n))
    hits = alarms(rows, critical_values(n))
    # The tabulated level is itself simulated: 0.15 % at 20 000 charts.
    error = 3.3 * np.sqrt(0.05 * 0.95 * (1 / charts + 1 / 20_000))
    assert abs(hits / charts - 0.05) < error
    # What the textbook does with its three rules and a run of eight.
    textbook = alarms(rows, np.array([3.0, (1.1284 + 3 * 0.8525) / np.sqrt(2), 3.0, 8]))
    assert textbook / charts > {5: 0.0, 8: 0.055, 12: 0.08}.get(n, 0.12)


def test_a_chart_signals_where_a_rule_reaches_its_critical_value() -> None:
    rows = np.random.default_rng(40).normal(size=(100, 12))
    rows[:50, 6:] += 2
    single = [bool(individuals_chart(row).signals) for row in rows]
    assert sum(single) == alarms(rows, critical_values(12))
    assert sum(single[:50]) > 15


@pytest.mark.simulation
@pytest.mark.parametrize("tau", [0.0, 0.5])
def test_unequal_uncertainties_raise_no_false_alarms(tau: float) -> None:
    rng, u = np.random.default_rng(31), np.tile([3.0, 1.0, 1.0, 1.0], 3)
    series = rng.normal(size=(150, 12)) * np.sqrt(tau**2 + u**2)
    known = sum(bool(individuals_chart(row, u).signals) for row in series)
    unknown = sum(bool(individuals_chart(row).signals) for row in series)
    assert_share_at_most(known, 150, 0.07)
    assert unknown > 1.5 * known


def test_own_scatter_is_that_beyond_the_uncertainties() -> None:
    # Equal uncertainties: the moments have a closed form.
    points = np.array([1.0, 4.0, 2.0, 7.0, 3.0, 5.0])
    chart = individuals_chart(points, np.full(6, 1.5))
    assert chart.own_sigma == pytest.approx(np.sqrt(points.var(ddof=1) - 1.5**2), rel=1e-9)
    assert individuals_chart(points, np.full(6, 9.0)).own_sigma == 0.0
    assert individuals_chart(points).own_sigma is None


@pytest.mark.simulation
def test_a_shift_is_found() -> None:
    rows = np.random.default_rng(77).normal(size=(2000, 20))
    rows[:, 12:] += 2.0
    assert alarms(rows, critical_values(20)) > 0.5 * 2000


# ---- counts


def test_p_is_that_of_the_exact_test() -> None:
    failures, trials = [0, 1, 0, 2, 7], [300, 200, 300, 250, 280]
    chart = count_chart(failures, trials)
    table = [[7, 273], [3, 1047]]
    assert chart.dispersion > 1
    # The other serials: 0, 1, 0, 2 of trials that differ; widened, so never below Fisher's exact test.
    assert chart.p[4] >= stats.fisher_exact(table, alternative="greater")[1]
    even = count_chart([1, 1, 1, 1, 7], [300] * 5)
    table = [[7, 293], [4, 1196]]
    assert even.p[4] == pytest.approx(stats.fisher_exact(table, alternative="greater")[1], rel=1e-9)


def test_dispersion_is_that_of_the_chi_square_table() -> None:
    failures, trials = np.array([3, 1, 0, 9, 2, 4]), np.array([200, 150, 210, 190, 160, 200])
    chi_square = stats.chi2_contingency(np.array([failures, trials - failures]), correction=False)[0]
    assert count_chart(failures, trials).dispersion == pytest.approx(chi_square / 5, rel=1e-9)


def test_least_count_that_is_a_signal_is_one() -> None:
    trials = [200] * 8
    failures = [0, 1, 0, 0, 9, 1, 0, 1]
    chart = count_chart(failures, trials)
    assert [one.rule for one in chart.signals] == [MORE]
    for count, wanted in ((chart.upper[4], 1), (chart.upper[4] - 1, 0)):
        failures[4] = count
        assert len(count_chart(failures, trials).signals) == wanted


def test_serials_that_differ_anyway_widen_the_limits() -> None:
    trials = [300] * 10
    calm = count_chart([4, 5, 4, 3, 5, 4, 4, 5, 3, 15], trials)
    restless = count_chart([0, 12, 1, 0, 9, 1, 10, 0, 4, 15], trials)
    assert [one.index for one in calm.signals] == [9]
    assert restless.signals == ()
    assert restless.upper[9] > calm.upper[9]


def test_count_chart_says_why_not() -> None:
    chart = count_chart([0, 0, 0, 40], [50] * 4)
    assert (chart.signals, chart.reason) == ((), "signals need at least 5 serials, and there are 4")
    assert chart.share == pytest.approx(0.2)
    none = count_chart([0] * 6, [50] * 6)
    assert (none.signals, none.dispersion, none.share) == ((), 1.0, 0.0)
    assert none.p == pytest.approx((1.0,) * 6)
    everything = count_chart([5] * 6, [5] * 6)
    assert isinstance(everything, CountChart)
    assert everything.upper == (6,) * 6


@pytest.mark.parametrize(
    ("failures", "trials"),
    [([1, 2], [3]), ([4], [3]), ([-1], [3]), ([0], [0]), ([0.5], [3]), ([], [])],
)
def test_impossible_counts_are_refused(failures: list, trials: list) -> None:
    with pytest.raises(StatisticsError, match="failures"):
        count_chart(failures, trials)


@pytest.mark.simulation
@pytest.mark.parametrize(("n", "share"), [(5, 0.02), (8, 0.01)])
def test_alike_serials_keep_the_false_alarm_of_counts(n: int, share: float) -> None:
    rng = np.random.default_rng(n)
    hits = 0
    for _ in range(50):
        trials = rng.integers(100, 400, n)
        hits += bool(count_chart(rng.binomial(trials, share), trials, false_alarm=0.05).signals)
    assert_share_at_most(hits, 50, 0.05)


def test_rules_have_different_names() -> None:
    assert len({*RULES, MORE}) == 5
