"""Charts over serials and ageing of one serial: the demo with its truth, chance alone, odd registers."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sample_production import gathered, invented, invented_build, together, truths
from simulated import assert_share_at_least, assert_share_at_most, repeated

from probetest.jobs import trend as module
from probetest.jobs import trending
from probetest.jobs.ramping import Ramp, field_of_tests, make_ramp
from probetest.jobs.result import plain_json
from probetest.jobs.tested import Gathered
from probetest.jobs.tested import Tested as UnitTest
from probetest.jobs.trend import DAYS_PER_MONTH, DRIFT, STEP, FigureChart, Trend, make_trend
from probetest.jobs.trend_json import trend_to_dict
from probetest.jobs.trending import open_trend
from probetest.limits import Limits
from probetest.margins import Margins

MARGINS = Margins()
FIGURES = ["sd", "variation", "mean_pretravel", "unevenness", "miss_rate"]


def ramp_of(tests: Gathered) -> Ramp:
    return make_ramp(field_of_tests(tests.tests), "the shop's own tests", MARGINS)


def trend_of(tests: Gathered, margins: Margins = MARGINS) -> Trend:
    return make_trend(tests, ramp_of(tests), margins)


def chart_of(found: Trend, build: str, figure: str) -> FigureChart:
    (chart,) = [one for one in found.charts if (one.build, one.figure.name) == (build, figure)]
    return chart


def called_out(chart: FigureChart) -> list[tuple[str, str]]:
    return [(chart.points[told.index].serial, told.rule) for told in chart.signals]


def plain_of(found: Trend) -> dict[str, Any]:
    """What the file holds; a NaN in it is an error."""
    plain: dict[str, Any] = json.loads(plain_json(trend_to_dict(found)))
    return plain


def aged(growth_per_month: float, tests: int = 5, days: int = 30, **changes: Any) -> list[UnitTest]:
    """Tests of one serial whose scatter grows by a share a month."""
    return [
        invented(
            "G-1", day=days * number, where=f"{number}.csv",
            sd_mm=0.0015 * float(np.exp(growth_per_month * days * number / DAYS_PER_MONTH)), **changes,
        )
        for number in range(tests)
    ]  # fmt: skip


# ---- the demo, whose truth is known


@pytest.fixture(scope="module")
def demo() -> Trend:
    return trend_of(gathered())


def test_new_lot_of_springs_is_found_where_it_begins(demo: Trend) -> None:
    chart = chart_of(demo, "siskin-3", "mean_pretravel")
    assert ("SK3-011", STEP) in called_out(chart)
    assert chart.step is not None
    assert chart.step.first is not None
    assert chart.points[chart.step.first].serial == "SK3-011"
    assert "SK3-011" in {chart.points[index].serial for index in chart.step.splits}
    true = np.array([truths()[point.serial]["mean_mm"] for point in chart.points])
    assert chart.step.shift_interval is not None
    assert chart.step.shift_interval.lower < true[10:].mean() - true[:10].mean()
    assert true[10:].mean() - true[:10].mean() < chart.step.shift_interval.upper
    assert {"SK3-011", "SK3-002"} <= set(demo.standing_out)
    assert not any(serial.startswith("SK4") for serial in demo.standing_out)


def test_nothing_stands_out_in_the_other_build(demo: Trend) -> None:
    for chart in demo.charts:
        if chart.build == "siskin-4":
            assert chart.signals == ()
            assert chart.look is None or not chart.look.alarm
    assert {one.build for one in demo.charts if one.signals} == {"siskin-3"}


def test_ageing_of_the_demo_is_found_and_right(demo: Trend) -> None:
    by_figure = {own.figure.name: own for own in demo.histories}
    assert {own.serial for own in demo.histories} == {"SK3-002"}
    sd = by_figure["sd"]
    assert sd.days == (0.0, 30.0, 60.0, 90.0, 120.0)
    assert sd.relative
    true = np.polyfit(np.array([6, 36, 66, 96, 126]) / DAYS_PER_MONTH, np.log([1, 1.15, 1.35, 1.6, 1.9]), 1)
    assert sd.found.verdict == "grew"
    assert sd.found.interval is not None
    assert sd.found.interval.lower < true[0] < sd.found.interval.upper
    assert sd.found.margin == pytest.approx(np.log(1.25) / 6)
    # Nothing but the scatter ages.
    assert {by_figure[name].found.verdict for name in FIGURES[1:4]} <= {"did not grow", "can't tell"}


def test_charts_hold_the_first_test_of_each_serial_in_order(demo: Trend) -> None:
    assert (demo.units, demo.tests) == (22, 28)
    for chart in demo.charts:
        count = {"siskin-3": 14, "siskin-4": 8}[chart.build]
        assert [point.serial for point in chart.points] == [
            f"SK{chart.build[-1]}-{number:03d}" for number in range(1, count + 1)
        ]
    first = {one.serial: one for one in reversed(gathered().tests)}
    assert [point.value for point in chart_of(demo, "siskin-3", "sd").points] == [
        first[f"SK3-{number:03d}"].sd_mm for number in range(1, 15)
    ]


def test_json_of_the_demo_has_its_keys(demo: Trend) -> None:
    plain = plain_of(demo)
    assert [(one["build"], one["figure"]) for one in plain["charts"]] == [
        (build, name) for build in ("siskin-3", "siskin-4") for name in FIGURES
    ]
    for one in plain["charts"]:
        assert one["lower"] <= one["centre"] <= one["upper"]
        assert {"serial", "time", "value"} <= set(one["points"][0])
        assert all({"serial", "rule"} == set(told) for told in one["signals"])
    assert {"serial": "SK3-011", "rule": STEP} in plain["charts"][2]["signals"]
    assert plain["charts"][2]["step"]["first"] == "SK3-011"
    assert plain["ramp"]["units"] == 22
    assert plain["ageing"][0]["serial"] == "SK3-002"
    assert plain["ageing"][0]["lower"] <= plain["ageing"][0]["growth"] <= plain["ageing"][0]["upper"]


# ---- chance alone, and a known change


def test_productions_without_a_change_give_few_signals() -> None:
    rng, trials = np.random.default_rng(71), 50
    builds = looks = 0
    for _ in repeated(rng, trials):
        found = trend_of(together(invented_build(rng, "a", 12)))
        builds += any(chart.signals for chart in found.charts)
        looked = [chart.look for chart in found.charts if chart.look is not None and not chart.look.reason]
        assert len(looked) == 4
        looks += any(look.alarm for look in looked)
    assert_share_at_most(builds, trials, 0.05)
    assert_share_at_most(looks, trials, module.LOOK_RISK)


def test_stated_risk_is_shared_by_the_figures() -> None:
    found = trend_of(together(invented_build(np.random.default_rng(72), "a", 8)))
    assert sum(chart.false_alarm for chart in found.charts) == pytest.approx(MARGINS.risk)
    strict = trend_of(together(invented_build(np.random.default_rng(72), "a", 8)), Margins(risk=0.01))
    assert sum(chart.false_alarm for chart in strict.charts) == pytest.approx(0.01)


def test_large_step_is_found_in_its_figure_at_its_serial() -> None:
    rng, trials = np.random.default_rng(73), 15
    hit = 0
    for _ in repeated(rng, trials):
        tests = invented_build(rng, "a", 8)
        later = invented_build(rng, "a", 6, factor={"variation_mm": 1.5}, first=8)
        later = [replace(one, serial=f"L-{number}") for number, one in enumerate(later)]
        chart = chart_of(trend_of(together(tests, later)), "a", "variation")
        assert chart.step is not None
        hit += (STEP in {told.rule for told in chart.signals}) and chart.step.first == 8
    # Six times the scatter: the place is right in nearly every case.
    assert_share_at_least(hit, trials, 0.9)


def of_means(means_mm: Sequence[float]) -> Gathered:
    """Units of one build that tell nothing but the mean pre-travel."""
    return together(
        [
            invented(
                f"A-{number:03d}", day=number, sd_mm=None, sd_dof=None, variation_mm=None,
                variation_u_mm=None, unevenness_mm=None, unevenness_u_mm=None, mean_mm=float(mean),
            )
            for number, mean in enumerate(means_mm)
        ]
    )  # fmt: skip


def test_slow_drift_is_not_called_a_step_and_a_step_is() -> None:
    rng, trials, serials, sd_mm = np.random.default_rng(76), 15, 20, 0.0003
    truth = {DRIFT: np.linspace(0, 4, serials), STEP: np.where(np.arange(serials) < serials // 2, 0.0, 4.0)}
    for rule, middle in truth.items():
        right = wrong = 0
        for _ in repeated(rng, trials):
            found = trend_of(of_means(0.022 + sd_mm * (middle + rng.normal(size=serials))))
            told = {one.rule for one in chart_of(found, "a", "mean_pretravel").signals}
            right += rule in told
            wrong += bool({DRIFT, STEP} - {rule} & told)
        # A larger study (300 each, at half the risk): a drift is so called in 68 % and taken for a step in
        # 11 %; a step in 99 % and 1 %. Most: more than half.
        assert right > trials / 2
        assert_share_at_least(right, trials, {DRIFT: 0.68, STEP: 0.97}[rule])
        assert_share_at_most(wrong, trials, {DRIFT: 0.15, STEP: 0.03}[rule])


def test_units_that_do_not_age_are_rarely_said_to() -> None:
    # Nearly no margin and right uncertainties, so that the level alone guards. At 95 % for each of 8 x 4
    # about a quarter would be wrong; the next test pins the level.
    rng, trials, margins = np.random.default_rng(77), 24, Margins(ageing_months=1000.0)
    wrong = 0
    for _ in repeated(rng, trials):
        tests = []
        for number in range(8):
            # A build of its own for each, so that nothing is charted.
            again = invented_build(rng, f"b{number}", 6, unit_sd=0.0)
            tests += [
                replace(
                    one,
                    serial=f"S-{number}",
                    time=f"2026-0{month}-01T09:00:00",
                    mean_u_mm=0.0003,
                    unevenness_u_mm=0.00004,
                )
                for month, one in enumerate(again, start=1)
            ]
        found = trend_of(together(tests), margins)
        assert len(found.histories) == 8 * 4
        wrong += any(own.found.verdict == "grew" for own in found.histories)
    assert_share_at_most(wrong, trials, margins.risk)


def test_risk_of_ageing_is_shared_by_serials_and_figures() -> None:
    two = [replace(one, serial="G-2") for one in aged(0.0)]
    for tests, count in ((aged(0.0), 4), ([*aged(0.0), *two], 8)):
        found = trend_of(together(tests))
        levels = [own.found.interval.level for own in found.histories if own.found.interval is not None]
        assert levels == [pytest.approx(1 - MARGINS.risk / count)] * count


def test_risk_of_the_look_is_shared_by_the_figures() -> None:
    rng = np.random.default_rng(78)
    looks = [chart.look for chart in trend_of(together(invented_build(rng, "a", 8))).charts]
    asked = [look.per_look for look in looks if look is not None]
    assert asked == [pytest.approx(module.LOOK_RISK / 4)] * 4
    alone = chart_of(trend_of(of_means(0.022 + 0.0003 * rng.normal(size=8))), "a", "mean_pretravel").look
    assert alone is not None
    assert alone.per_look == pytest.approx(module.LOOK_RISK)


def test_unevenness_is_charted_by_its_root() -> None:
    # Amplitudes are small and skew: limits of the plain values would lie below 0.
    rng = np.random.default_rng(79)
    values = np.abs(rng.normal(0, 0.0004, size=10)) + 0.00002
    tests = [
        replace(one, unevenness_mm=float(value), unevenness_u_mm=0.0001 * (1 + number))
        for number, (one, value) in enumerate(zip(invented_build(rng, "a", 10), values, strict=True))
    ]
    chart = chart_of(trend_of(together(tests)), "a", "unevenness")
    roots = np.sqrt(values)
    assert chart.centre == pytest.approx(roots.mean() ** 2)
    lower, upper = chart.limits
    assert min(lower) >= 0
    assert chart.lower >= 0
    # Uncertainties that differ tenfold move no limit.
    assert len(set(lower)) == len(set(upper)) == 1
    assert upper[0] > values.max()


def test_misses_have_an_upper_limit_only() -> None:
    tests = invented_build(np.random.default_rng(70), "a", 10, miss=0.02)
    chart = chart_of(trend_of(together(tests)), "a", "miss_rate")
    lower, upper = chart.limits
    assert (lower, chart.lower, len(upper)) == ((), 0.0, 10)
    assert chart.upper == max(upper) > chart.centre


def test_unit_that_misses_is_called_out() -> None:
    tests = invented_build(np.random.default_rng(74), "a", 10, miss=0.0)
    tests[6] = replace(tests[6], failed=12)
    chart = chart_of(trend_of(together(tests)), "a", "miss_rate")
    assert [serial for serial, _ in called_out(chart)] == ["A-006"]
    assert chart.points[6].value == pytest.approx(12 / 168)


def test_growth_is_covered_and_found() -> None:
    rng, trials, true = np.random.default_rng(75), 60, 0.12
    covered = 0
    for _ in repeated(rng, trials):
        tests = [
            replace(one, sd_mm=(one.sd_mm or 0) * float(np.sqrt(rng.chisquare(144) / 144)))
            for one in aged(true)
        ]
        (own,) = [one for one in trend_of(together(tests)).histories if one.figure.name == "sd"]
        assert own.found.interval is not None
        covered += own.found.interval.lower < true < own.found.interval.upper
    assert_share_at_least(covered, trials, 0.95)


def test_limit_of_the_maker_is_reached_where_the_line_crosses_it() -> None:
    limits = Limits(max_pooled_sd_mm=0.004)
    found = trend_of(together(aged(0.15, stated={"limits": limits})))
    (own,) = [one for one in found.histories if one.figure.name == "sd"]
    assert own.found.reach is not None
    # Closed form: log(limit / last) over the growth.
    last = 0.0015 * np.exp(0.15 * 120 / DAYS_PER_MONTH)
    # All tests have 144 degrees of freedom: the correction for these moves all logarithms alike.
    assert own.found.reach.after == pytest.approx(np.log(0.004 / last) / 0.15 * DAYS_PER_MONTH, abs=2.0)
    open_limits = Limits(max_pooled_sd_mm="off")
    off = trend_of(together(aged(0.15, stated={"limits": open_limits})))
    assert all(one.found.reach is None for one in off.histories if one.figure.name == "sd")


# ---- odd registers


@pytest.mark.parametrize("serials", [1, 2, 3, 4])
def test_fewer_than_five_serials_are_charted_and_not_judged(serials: int) -> None:
    found = trend_of(together(invented_build(np.random.default_rng(80), "a", serials)))
    assert len(found.charts) == (0 if serials == 1 else 5)
    for chart in found.charts:
        if chart.figure.name != "miss_rate":
            assert chart.chart.reason
            assert chart.signals == ()
            assert chart.limits == ((), ())
    assert found.standing_out == ()
    plain_of(found)


def test_tests_without_a_day_stand_behind_and_are_named() -> None:
    tests = invented_build(np.random.default_rng(81), "a", 6)
    tests[0] = replace(tests[0], time=None)
    again = [replace(one, time=None) for one in aged(0.1)]
    found = trend_of(together(tests, again))
    assert [point.serial for point in found.charts[0].points][-2:] == ["A-000", "G-1"]
    undated, ageing = found.remarks
    assert undated.startswith("6 tests have no day and stand behind the others: A-000.csv, 0.csv")
    assert ageing == "G-1: its tests have no day, so that ageing can't be told."
    assert found.histories == ()
    assert plain_of(found)["charts"][0]["points"][-1]["time"] is None


@pytest.mark.parametrize(("tests", "days", "span"), [(3, 1, 2), (5, 0, 0), (4, 4, 12), (3, 7, None)])
def test_tests_within_few_days_tell_no_ageing(tests: int, days: int, span: int | None) -> None:
    # Growth as steep as this would be found from any three of them.
    found = trend_of(together(aged(6.0, tests=tests, days=days)))
    if span is None:
        assert len(found.histories) == 4
        assert "G-1" in found.standing_out
        assert found.remarks == ()
    else:
        assert found.histories == ()
        assert found.remarks == (
            f"G-1: its tests lie within {span}.0 days; ageing is looked for from 14 days on.",
        )
        assert found.standing_out == ()
    plain_of(found)


def test_missing_figures_leave_the_serials_right() -> None:
    tests = invented_build(np.random.default_rng(82), "a", 12, unit_sd=0.02)
    tests[2] = replace(tests[2], sd_mm=None, sd_dof=None)
    tests[3] = replace(tests[3], mean_mm=None, mean_u_mm=None)
    tests[5] = replace(tests[5], unevenness_mm=None, unevenness_u_mm=None)
    # The same unit is far out in each figure, behind a gap in each row.
    tests[9] = replace(tests[9], sd_mm=0.004, mean_mm=0.04, unevenness_mm=0.002)
    found = trend_of(together(tests))
    for figure, gap in (("sd", "A-002"), ("mean_pretravel", "A-003"), ("unevenness", "A-005")):
        chart = chart_of(found, "a", figure)
        assert gap not in [point.serial for point in chart.points]
        assert len(chart.points) == 11
        assert ("A-009", "beyond the limits") in called_out(chart)
        attribute = chart.figure.value
        for point in chart.points:
            (own,) = [one for one in tests if one.serial == point.serial]
            assert point.value == getattr(own, attribute)
    told = plain_of(found)["charts"][0]["signals"]
    assert {one["serial"] for one in told if one["rule"] == "beyond the limits"} == {"A-009"}


def test_figure_without_its_uncertainty_is_charted_all_the_same() -> None:
    tests = invented_build(np.random.default_rng(83), "a", 8)
    tests[1] = replace(tests[1], variation_u_mm=None)
    tests[2] = replace(tests[2], mean_u_mm=0.0)
    found = trend_of(together(tests))
    assert len(chart_of(found, "a", "variation").points) == 8
    assert chart_of(found, "a", "variation").points[1].error is None
    plain_of(found)


def test_units_that_do_not_differ_at_all_are_no_error() -> None:
    tests = [invented(f"A-{number}", day=number) for number in range(8)]
    found = trend_of(together(tests))
    assert found.standing_out == ()
    plain_of(found)


def test_uncertain_units_do_not_stand_out() -> None:
    rng = np.random.default_rng(84)
    tests = invented_build(rng, "a", 12, unit_sd=0.01)
    far = replace(tests[8], variation_mm=(tests[8].variation_mm or 0) + 0.0025, variation_u_mm=0.002)
    blind = replace(far, variation_u_mm=0.0003)
    assert chart_of(trend_of(together([*tests[:8], blind, *tests[9:]])), "a", "variation").signals
    chart = chart_of(trend_of(together([*tests[:8], far, *tests[9:]])), "a", "variation")
    assert "beyond the limits" not in {told.rule for told in chart.signals}


def test_tests_without_a_build_have_their_own_charts() -> None:
    tests = [invented(f"A-{number}", None, day=number) for number in range(3)]
    assert {chart.build for chart in trend_of(together(tests)).charts} == {"no build stated"}


def test_variation_is_of_the_probe_where_all_tests_tell_it_apart() -> None:
    tests = [
        invented(f"A-{number}", day=number, own_variation_mm=0.009, own_variation_u_mm=1e-4)
        for number in range(4)
    ]
    assert trend_of(together(tests)).charts[1].figure.note == "of the probe alone"
    tests[0] = replace(tests[0], own_variation_mm=None)
    assert trend_of(together(tests)).charts[1].figure.note.startswith("of probe + machine")


def test_only_the_newest_of_very_many_serials_are_charted(monkeypatch: pytest.MonkeyPatch) -> None:
    assert module.MOST_CHARTED == 500
    monkeypatch.setattr(module, "MOST_CHARTED", 7)
    found = trend_of(together(invented_build(np.random.default_rng(85), "a", 12)))
    assert {len(chart.points) for chart in found.charts} == {7}
    assert found.charts[0].points[0].serial == "A-005"
    assert "a has 12 serials; the charts hold the newest 7." in found.remarks
    assert found.units == 12


def test_problems_and_remarks_of_reading_are_kept() -> None:
    tests = replace(together(aged(0.0)), problems=("p",), remarks=("r",))
    found = trend_of(tests)
    assert (found.problems, found.remarks) == (("p",), ("r",))


# ---- asked again


def test_answer_is_recalled_only_for_the_same_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trending, "gather", lambda *_: together(aged(0.1)))
    file = tmp_path / "margins.toml"
    file.write_text("can_repair = 3\n")
    three = open_trend(margins=str(file))
    assert three.margins.can_repair == 3
    assert open_trend(margins=str(file)) is three
    assert open_trend(limits=str(file)).margins.can_repair == 1
    assert three.ramp.source == "the shop's own tests"


def test_field_reports_decide_whether_to_ship_even_if_there_is_none_yet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trending, "gather", lambda *_: together(aged(0.1)))
    file = tmp_path / "field.csv"
    file.write_text("serial,touches\n")
    found = open_trend(field=str(file))
    assert (found.ramp.source, found.ramp.field.units_shipped, found.ramp.known) == ("field reports", 0, None)
    file.write_text("serial,touches\nA,10\nB,20\n")
    found = open_trend(field=str(file))
    assert (found.ramp.field.units_shipped, found.ramp.field.touches) == (2, 30)
