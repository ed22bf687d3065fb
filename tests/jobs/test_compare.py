"""Builds are compared by units: the demo with its truth, chance alone, known differences, odd sets."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sample_production import gathered, invented, invented_build, together, truths
from scipy import stats
from simulated import assert_share_at_least, assert_share_at_most, repeated

from probetest.errors import ReportError
from probetest.jobs import compare as compare_module
from probetest.jobs import comparing
from probetest.jobs.compare import BuildComparison, Compared, compare_builds
from probetest.jobs.compare_json import comparison_to_dict
from probetest.jobs.compared import SCATTER, Figure, figures_of
from probetest.jobs.comparing import comparison_to_json, open_comparison
from probetest.jobs.earlier import EarlierConditions, EarlierSeries
from probetest.jobs.tested import Gathered
from probetest.jobs.tested import Tested as UnitTest
from probetest.margins import Margins
from probetest.statistics.units_needed import units_needed
from probetest.triggers import Artefact, Machine, Stylus

MARGINS = Margins()
FIGURES = ["sd", "variation", "mean_pretravel", "unevenness", "miss_rate"]


def named(found: BuildComparison) -> dict[str, Compared]:
    return {one.figure.name: one for one in found.compared}


def only_mean(test: UnitTest, mean_mm: float) -> UnitTest:
    """A test that tells nothing but the mean pre-travel."""
    return replace(
        test, sd_mm=None, sd_dof=None, variation_mm=None, variation_u_mm=None, unevenness_mm=None,
        unevenness_u_mm=None, failed=0, approaches=0, mean_mm=mean_mm,
    )  # fmt: skip


def of_means(build: str, means_mm: Sequence[float], first: int = 0) -> list[UnitTest]:
    return [
        only_mean(invented(f"{build}-{number}", build, day=first + number), float(mean))
        for number, mean in enumerate(means_mm)
    ]


def plain_of(found: BuildComparison) -> dict[str, Any]:
    """What the file holds; a NaN in it is an error."""
    plain: dict[str, Any] = json.loads(comparison_to_json(found))
    return plain


def minds(found: BuildComparison) -> list[str]:
    """Remarks, but for that on figures that a test did not invent."""
    return [text for text in found.remarks if not text.startswith("Not compared, for a ")]


@pytest.fixture
def unplanned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without counting further units and looking for lots, which takes most of the time of a comparison."""
    monkeypatch.setattr(Figure, "more_units", lambda *_: (None, None))
    monkeypatch.setattr(compare_module, "_not_of_one_piece", lambda *_: ())


# ---- the demo, whose truth is known


@pytest.fixture(scope="module")
def demo() -> BuildComparison:
    return compare_builds(gathered(), "build", MARGINS)


def test_words_of_the_demo(demo: BuildComparison) -> None:
    assert {name: one.verdict for name, one in named(demo).items()} == {
        "sd": "equivalent",
        "variation": "different",
        "mean_pretravel": "different",
        "unevenness": "equivalent",
        "miss_rate": "can't tell",
    }
    # No unit missed: only so many units tell how many of all miss. Closed form of none of n, two-sided 95 %:
    # 1 - 0.025 ** (1 / n).
    silent = named(demo)["miss_rate"]
    for name, units in (("siskin-3", 14), ("siskin-4", 8)):
        most = f"at most {100 * (1 - 0.025 ** (1 / units)):.0f} % of the units of {name} miss at all (95 %)"
        assert most in silent.found.reason
    assert silent.found.reason.startswith("so few units can't show that they are alike: ")
    assert (silent.found.p_equivalence, silent.units_needed) == (None, None)
    assert {name: len(units) for name, units in demo.groups.items()} == {"siskin-3": 14, "siskin-4": 8}


@pytest.mark.parametrize("key", ["variation", "mean", "sd"])
def test_true_differences_of_the_demo_lie_within_their_limits(key: str, demo: BuildComparison) -> None:
    name = {"variation": "variation", "mean": "mean_pretravel", "sd": "sd"}[key]
    true = {
        build: np.array([truths()[one.where.removesuffix(".csv")][f"{key}_mm"] for one in units])
        for build, units in demo.groups.items()
    }
    found = named(demo)[name].found
    assert found.interval is not None
    if key == "sd":
        difference = np.exp(np.log(true["siskin-4"]).mean() - np.log(true["siskin-3"]).mean())
    else:
        difference = true["siskin-4"].mean() - true["siskin-3"].mean()
        assert difference < -0.002
        assert found.interval.upper < 0
    assert found.interval.lower < difference < found.interval.upper


def test_demo_agrees_with_welch_of_scipy(demo: BuildComparison) -> None:
    one = named(demo)["mean_pretravel"]
    told = stats.ttest_ind(one.samples[1].values, one.samples[0].values, equal_var=False)
    limits = told.confidence_interval()
    assert one.found.p_difference == pytest.approx(told.pvalue)
    assert one.found.interval is not None
    assert (one.found.interval.lower, one.found.interval.upper) == pytest.approx((limits.low, limits.high))


def test_demo_names_repeated_tests_and_blocks_in_time(demo: BuildComparison) -> None:
    repeated_tests, blocks = (text for text in demo.remarks if "not of one piece" not in text)
    assert "by its first test" in repeated_tests
    for name in ("SK3-002-again1.csv", "SK3-002-again4.csv", "SK3-004-stages.csv", "SK3-005-stages.csv"):
        assert name in repeated_tests
    assert "one after the other, not in turns" in blocks


def test_build_of_two_lots_is_said_to_be_of_two(demo: BuildComparison) -> None:
    # Springs of another lot: they move the variation with the mean.
    told = [text for text in demo.remarks if "not of one piece" in text]
    assert [text.partition(" (see")[0] for text in told] == [
        "siskin-3 is not of one piece: pre-travel variation steps from SK3-011 on, mean pre-travel steps "
        "from "
        "SK3-011 on"
    ]
    # The lots by themselves are of one piece each.
    lots = [
        [one for one in demo.groups["siskin-3"] if (one.serial < "SK3-011") == old] for old in (True, False)
    ]
    assert [len(lot) for lot in lots] == [10, 4]
    first, second = (
        [replace(one, result=one.result.model_copy(update={"build": name})) for one in lot]
        for name, lot in zip("ab", lots, strict=True)
    )
    apart = compare_builds(together(first, second), "build", MARGINS)
    assert not any("not of one piece" in one for one in apart.remarks)


def test_json_of_the_demo_has_its_keys(demo: BuildComparison) -> None:
    plain = plain_of(demo)
    assert [one["name"] for one in plain["figures"]] == FIGURES
    for one, told in zip(plain["figures"], demo.compared, strict=True):
        assert {"unit", "difference", "lower", "upper", "p_adjusted", "verdict", "units_needed"} <= set(one)
        assert (one["unit"], one["verdict"]) == (told.figure.unit, told.verdict)
        for build, count in (("siskin-3", 14), ("siskin-4", 8)):
            part = one["builds"][build]
            assert part["units"] == count == len(part["values"])
            assert part["lower"] <= part["estimate"] <= part["upper"]
        assert one["lower"] <= one["difference"] <= one["upper"]
    assert plain["builds"]["siskin-4"][0]["serial"] == "SK4-001"
    assert plain == json.loads(json.dumps(comparison_to_dict(demo)))


def test_last_takes_the_last_test_and_says_so() -> None:
    found = compare_builds(gathered(), "build", MARGINS, last=True)
    taken = {one.serial: one.where for one in found.groups["siskin-3"]}
    assert taken["SK3-002"] == "SK3-002-again4.csv"
    assert taken["SK3-004"] == "SK3-004-stages.csv"
    assert taken["SK3-001"] == "SK3-001.csv"
    assert "by its last test" in found.remarks[0]
    assert len(found.groups["siskin-3"]) == 14


def test_test_that_last_leaves_out_is_the_one_that_is_named() -> None:
    tests = [*of_means("a", [0.02, 0.021]), *of_means("b", [0.02, 0.022])]
    again = replace(tests[0], time="2026-05-01T09:00:00", where="again.csv")
    first = compare_builds(together(tests, [again]), "build", MARGINS)
    last = compare_builds(together(tests, [again]), "build", MARGINS, last=True)
    assert "(again.csv)" in minds(first)[0]
    assert "(a-0.csv)" in minds(last)[0]
    assert "again.csv" not in minds(last)[0]


# ---- units, not touches


@pytest.mark.usefixtures("unplanned")
def test_units_are_compared_where_pooled_touches_mislead() -> None:
    # Units of one kind differ as much as touches of one unit do; both builds are of this kind.
    rng, sd, units, touches, trials = np.random.default_rng(41), 0.0015, 6, 60, 300
    ours = pooled = 0
    for _ in repeated(rng, trials):
        made = [
            sd * (rng.normal(size=(units, 1)) + rng.normal(size=(units, touches))) + 0.022 for _ in range(2)
        ]
        tests = [of_means(name, part.mean(axis=1)) for name, part in zip("ab", made, strict=True)]
        (one,) = compare_builds(together(*tests), "build", MARGINS).compared
        ours += one.difference_shown
        pooled += stats.ttest_ind(made[0].ravel(), made[1].ravel()).pvalue < 0.05
    assert_share_at_most(ours, trials, 0.05)
    assert_share_at_least(int(pooled), trials, 0.4)


@pytest.mark.usefixtures("unplanned")
def test_known_difference_is_found_with_the_power_that_units_needed_names() -> None:
    rng, sd, trials = np.random.default_rng(43), 0.0015, 200
    needed = units_needed(sd, sd, MARGINS.mean_pretravel_mm, power=0.8)
    assert needed.difference is not None
    assert needed.equivalence is not None
    shown = alike = 0
    for _ in repeated(rng, trials):
        first, second = (0.022 + sd * rng.normal(size=needed.difference) for _ in range(2))
        moved = of_means("b", second + MARGINS.mean_pretravel_mm)
        (one,) = compare_builds(together(of_means("a", first), moved), "build", MARGINS).compared
        shown += one.difference_shown
        first, second = (0.022 + sd * rng.normal(size=needed.equivalence) for _ in range(2))
        tests = together(of_means("a", first), of_means("b", second))
        alike += compare_builds(tests, "build", MARGINS).compared[0].verdict == "equivalent"
    assert_share_at_least(shown, trials, 0.8)
    assert_share_at_least(alike, trials, 0.8)


@pytest.mark.usefixtures("unplanned")
def test_no_figure_of_five_is_called_different_by_chance() -> None:
    rng, trials = np.random.default_rng(44), 150
    wrong = 0
    for _ in repeated(rng, trials):
        # Units differ by 15 %: the margins are out of reach, so that "equivalent" hides nothing.
        tests = [invented_build(rng, name, 6, unit_sd=0.15, miss=0.01) for name in "ab"]
        found = compare_builds(together(*tests), "build", MARGINS)
        assert [one.figure.name for one in found.compared] == FIGURES
        wrong += any(one.difference_shown for one in found.compared)
    assert_share_at_most(wrong, trials, 0.05)


@pytest.mark.usefixtures("unplanned")
def test_equivalence_is_not_shown_where_builds_differ_by_the_margin() -> None:
    rng, trials, sd = np.random.default_rng(45), 200, 0.0008
    wrong = 0
    for _ in repeated(rng, trials):
        first, second = (0.022 + sd * rng.normal(size=6) for _ in range(2))
        tests = together(of_means("a", first), of_means("b", second + MARGINS.mean_pretravel_mm))
        wrong += compare_builds(tests, "build", MARGINS).compared[0].verdict == "equivalent"
    assert_share_at_most(wrong, trials, 0.05)


def test_builds_of_one_piece_are_rarely_said_to_be_of_two() -> None:
    rng, trials = np.random.default_rng(42), 40
    wrong = 0
    for _ in repeated(rng, trials):
        groups = {"a": tuple(invented_build(rng, "a", 10))}
        wrong += any(compare_module._not_of_one_piece(groups, figures_of(groups)))
    assert_share_at_most(wrong, trials, compare_module.STEP_RISK)


@pytest.mark.usefixtures("unplanned")
def test_misses_are_never_equivalent_and_yet_can_be_different() -> None:
    # So many touches that their share is known to 1 in 10 000, and the same in both builds.
    tests = [
        [invented(f"{name}-{n}", name, failed=500, approaches=100_000) for n in range(20)] for name in "ab"
    ]
    one = named(compare_builds(together(*tests), "build", MARGINS))["miss_rate"]
    assert one.found.interval is not None
    assert max(-one.found.interval.lower, one.found.interval.upper) < MARGINS.miss_rate
    assert (one.verdict, one.found.p_equivalence, one.p_equivalence_adjusted) == ("can't tell", None, None)
    assert one.units_needed is None
    # Pair by pair it is the same.
    same = [[replace(test, serial=f"U-{n}") for n, test in enumerate(part)] for part in tests]
    paired = named(compare_builds(together(*same), "build", MARGINS))["miss_rate"]
    assert (paired.found.design, paired.verdict, paired.found.p_equivalence) == ("paired", "can't tell", None)
    worse = [replace(test, failed=5000 + 100 * n) for n, test in enumerate(tests[1])]
    apart = named(compare_builds(together(tests[0], worse), "build", MARGINS))["miss_rate"]
    assert apart.verdict == "different"


def test_scatter_of_builds_is_told_as_a_ratio() -> None:
    rng = np.random.default_rng(46)
    tests = together(
        invented_build(rng, "a", 12), invented_build(rng, "b", 12, factor={"sd_mm": 1.6}, first=3)
    )
    one = named(compare_builds(tests, "build", MARGINS))["sd"]
    assert one.verdict == "different"
    assert one.found.scale == "ratio"
    assert one.found.interval is not None
    assert one.found.interval.lower < 1.6 < one.found.interval.upper
    # The margin acts: within a factor of 2.5 the same builds are alike, though a difference is there.
    wide = named(compare_builds(tests, "build", Margins(sd_ratio=2.5)))["sd"]
    assert (wide.verdict, wide.difference_shown) == ("equivalent", True)


def test_holm_adjusts_over_figures_and_pairs() -> None:
    rng = np.random.default_rng(47)
    tests = together(*(invented_build(rng, name, 5) for name in "abc"))
    found = compare_builds(tests, "build", MARGINS)
    assert len(found.compared) == 3 * 5
    raw = sorted(one.found.p_difference for one in found.compared if one.found.p_difference is not None)
    adjusted = sorted(one.p_adjusted for one in found.compared if one.p_adjusted is not None)
    steps = np.maximum.accumulate(np.arange(len(raw), 0, -1) * raw)
    assert adjusted == pytest.approx(np.minimum(steps, 1.0))


def test_more_units_are_asked_for_where_nothing_is_told() -> None:
    rng = np.random.default_rng(48)
    tests = [of_means(name, 0.022 + 0.004 * rng.normal(size=4)) for name in "ab"]
    (one,) = compare_builds(together(*tests), "build", MARGINS).compared
    assert one.verdict == "can't tell"
    values = [np.array(sample.values) for sample in one.samples]
    needed = units_needed(
        float(values[0].std(ddof=1)), float(values[1].std(ddof=1)), 0.003, 0.05, 0.8, dof=(3.0, 3.0)
    )
    assert needed.both is not None
    assert one.units_needed == needed.both - 4
    assert one.units_range is not None
    low, high = one.units_range
    assert low is not None
    assert low <= one.units_needed
    assert high is None or high >= one.units_needed


# ---- the same units twice


def twice(rng: np.random.Generator, units: int, change: float) -> list[UnitTest]:
    """Units with two springs; they differ far more than the change."""
    tests = []
    for number in range(units):
        own = 0.022 + 0.004 * rng.normal()
        for order, spring in enumerate(("old", "new")):
            notes = EarlierConditions(notes=(("spring", spring), ("hand", "b")))
            test = invented(
                f"P-{number}",
                day=number + 40 * order,
                stated={"conditions": notes},
                where=f"{number}{spring}",
            )
            tests.append(only_mean(test, own + change * order + 0.0003 * rng.normal()))
    return tests


def test_same_units_are_compared_pair_by_pair_by_a_key_of_the_head() -> None:
    tests = twice(np.random.default_rng(50), 6, -0.002)
    found = compare_builds(together(tests), "spring", MARGINS)
    (one,) = found.compared
    assert (one.names, one.found.design) == (("old", "new"), "paired")
    told = stats.ttest_rel(one.samples[1].values, one.samples[0].values)
    assert one.found.p_difference == pytest.approx(told.pvalue)
    assert one.difference_shown
    assert one.found.interval is not None
    assert one.found.interval.lower < -0.002 < one.found.interval.upper
    assert minds(found) == []
    # Without the pairs the same change drowns in the differences between units.
    loose = [replace(test, serial=f"{test.serial}{test.where}") for test in tests]
    (apart,) = compare_builds(together(loose), "spring", MARGINS).compared
    assert (apart.found.design, apart.difference_shown) == ("independent", False)


def test_units_in_one_build_only_are_named_beside_pairs() -> None:
    rng = np.random.default_rng(51)
    tests = [*twice(rng, 4, 0.0), *twice(rng, 6, 0.0)[8::2]]
    found = compare_builds(together(tests), "spring", MARGINS)
    (one,) = found.compared
    assert (one.found.design, one.found.first.units) == ("paired", 4)
    assert len(one.samples[0].serials) == 6
    (text,) = minds(found)
    assert "share 4 of their units" in text
    assert "P-4, P-5 only shown" in text


def test_one_shared_unit_of_many_is_no_pair() -> None:
    rng = np.random.default_rng(52)
    tests = twice(rng, 5, 0.0)
    one_of_both = [test for test in tests if test.serial == "P-0"]
    old = [test for test in tests if test.where.endswith("old") and test.serial != "P-0"]
    new = [
        replace(test, serial=f"Q{test.serial}")
        for test in tests
        if test.where.endswith("new") and test.serial != "P-0"
    ]
    found = compare_builds(together(one_of_both, old, new), "spring", MARGINS)
    assert found.compared[0].found.design == "independent"
    assert "too few for pairs" in minds(found)[0]


def test_stages_are_compared_pair_by_pair() -> None:
    rng = np.random.default_rng(53)
    tests = []
    for number in range(6):
        series = tuple(
            EarlierSeries(
                stage=stage, orientation_deg=0.0, n=168, directions=24, sd_mm=0.0015 * grown,
                variation_mm=0.010 + 0.0005 * rng.normal(),
            )
            for stage, grown in (("baseline", 1.0), ("after_service", 1.5 + 0.05 * rng.normal()))
        )  # fmt: skip
        turned = EarlierSeries(
            stage="baseline", orientation_deg=90.0, n=168, directions=24, sd_mm=9.0, variation_mm=9.0
        )
        tests.append(invented(f"S-{number}", day=number, stated={"series": (*series, turned)}))
    plain_one = invented("S-9", day=9, stated={"series": (tests[0].result.series[0],)})
    found = compare_builds(together(tests, [plain_one]), "stage", MARGINS)
    assert list(found.groups) == ["baseline", "after_service"]
    one = named(found)["sd"]
    assert (one.found.design, one.verdict, one.found.first.units) == ("paired", "different", 6)
    assert one.found.difference == pytest.approx(1.5, abs=0.1)
    assert max(one.samples[0].values) < 1
    left_out, absent = (text for text in found.remarks if "not of one piece" not in text)
    assert "hold one stage only: S-9.csv" in left_out
    for label in ("Mean pre-travel", "Unevenness", "Approaches without"):
        assert label in absent
    assert set(named(found)) == {"sd", "variation"}


def test_stage_of_one_touch_a_direction_has_no_scatter() -> None:
    series = tuple(
        EarlierSeries(stage=stage, orientation_deg=0.0, n=24, directions=24, sd_mm=None, variation_mm=0.01)
        for stage in ("baseline", "after_service")
    )
    tests = [invented(f"S-{number}", stated={"series": series}) for number in range(3)]
    found = compare_builds(together(tests), "stage", MARGINS)
    # The change of all units is nothing at all, and nothing can be told from it.
    (one,) = found.compared
    assert (one.figure.name, one.verdict, one.units_needed) == ("variation", "can't tell", None)
    assert "all units changed by the same" in one.found.reason
    plain_of(found)


# ---- odd sets


def test_one_unit_in_a_build_can_not_be_told() -> None:
    rng = np.random.default_rng(60)
    tests = together(invented_build(rng, "a", 1), invented_build(rng, "b", 6))
    found = compare_builds(tests, "build", MARGINS)
    for name in FIGURES[:4]:
        one = named(found)[name]
        assert one.verdict == "can't tell"
        assert "one unit" in one.found.reason
        assert one.units_needed is not None
    plain = plain_of(found)
    assert plain["figures"][0]["lower"] is None
    assert plain["figures"][0]["builds"]["a"]["unit_sd"] is None


@pytest.mark.parametrize("units", [1, 3])
def test_units_that_do_not_differ_at_all_are_no_error(units: int) -> None:
    tests = [of_means(name, [0.022] * units) for name in "ab"]
    for by_pairs in (False, True):
        if by_pairs:
            tests = [[replace(one, serial=f"U-{n}") for n, one in enumerate(part)] for part in tests]
        found = compare_builds(together(*tests), "build", MARGINS)
        (one,) = found.compared
        assert one.found.design == ("paired" if by_pairs else "independent")
        assert (one.verdict, one.units_needed) == ("can't tell", None)
        assert one.found.reason
        plain_of(found)


def test_one_unit_against_units_that_do_not_differ_is_no_error() -> None:
    (one,) = compare_builds(
        together(of_means("a", [0.02]), of_means("b", [0.022] * 4)), "build", MARGINS
    ).compared
    assert (one.verdict, one.units_needed) == ("can't tell", None)


def test_a_build_named_twice_is_not_held_against_itself() -> None:
    tests = together(of_means("a", [0.02, 0.021]), of_means("b", [0.02, 0.022]))
    with pytest.raises(ReportError, match="found tests of 1 build, expected at least 2"):
        compare_builds(tests, "build", MARGINS, only=("a", "a"))
    assert len(compare_builds(tests, "build", MARGINS, only=("b", "a", "b")).compared) == 1


def test_tests_without_a_build_are_left_out_by_name() -> None:
    rng = np.random.default_rng(61)
    tests = [invented_build(rng, name, 3) for name in "ab"]
    nameless = [invented("N-1", None), invented("N-2", "")]
    found = compare_builds(together(*tests, nameless), "build", MARGINS)
    assert found.remarks[0] == "Left out, for they hold no build: N-1.csv, N-2.csv."
    assert list(found.groups) == ["a", "b"]
    with pytest.raises(ReportError, match="found tests of 0 build, expected at least 2"):
        compare_builds(together(nameless), "build", MARGINS)


def test_too_few_builds_name_the_keys_that_there_are() -> None:
    tests = together(twice(np.random.default_rng(64), 2, 0.0))
    with pytest.raises(ReportError) as told:
        compare_builds(tests, "colour", MARGINS)
    message = str(told.value)
    assert "found tests of 0 colour, expected at least 2" in message
    assert message.endswith("--by: build, stage, stylus, machine, artefact, hand, spring.")
    # Keys are a stranger's text.
    odd = invented(
        "A", stated={"conditions": EarlierConditions(notes=(("\x1b[2J", "x"), ("note", "free text")))}
    )
    with pytest.raises(ReportError, match=r"artefact, \\x1b\[2J\.") as shown:
        compare_builds(together([odd]), "build", MARGINS)
    assert "\x1b" not in str(shown.value)


@pytest.mark.usefixtures("unplanned")
def test_more_builds_than_can_be_read_need_only() -> None:
    tests = [of_means(name, [0.02, 0.021, 0.0215]) for name in "abcdefg"]
    with pytest.raises(ReportError, match="found tests of 7 build, expected at most 6"):
        compare_builds(together(*tests), "build", MARGINS)
    found = compare_builds(together(*tests), "build", MARGINS, only=("c", "a", "g"))
    assert [one.names for one in found.compared] == [("c", "a"), ("c", "g")]
    six = compare_builds(together(*tests[:6]), "build", MARGINS)
    assert len(six.compared) == 15


def test_unknown_name_is_told_with_those_that_are_there() -> None:
    tests = together(of_means("a", [0.02, 0.021]), of_means("b\x1b", [0.02, 0.022]))
    with pytest.raises(ReportError, match=r"no tests of build 'z', expected one of: a, b\\x1b"):
        compare_builds(tests, "build", MARGINS, only=("a", "z"))


def test_variation_is_of_the_probe_where_all_tests_tell_it_apart() -> None:
    rng = np.random.default_rng(62)
    tests = [one for name in "ab" for one in invented_build(rng, name, 4)]
    alone = [
        replace(one, own_variation_mm=0.009 + 1e-4 * n, own_variation_u_mm=1e-4)
        for n, one in enumerate(tests)
    ]
    one = named(compare_builds(together(alone), "build", MARGINS))["variation"]
    assert one.figure.note == "of the probe alone"
    assert one.samples[0].values[0] == alone[0].own_variation_mm
    mixed = named(compare_builds(together([*alone[:-1], tests[-1]]), "build", MARGINS))["variation"]
    assert mixed.figure.note.startswith("of probe + machine")
    assert mixed.samples[0].values[0] == alone[0].variation_mm


def test_figures_that_some_units_lack_name_these_units() -> None:
    rng = np.random.default_rng(63)
    tests = [*invented_build(rng, "a", 4), *invented_build(rng, "b", 4)]
    tests[1] = replace(tests[1], sd_mm=None, sd_dof=None)
    one = named(compare_builds(together(tests), "build", MARGINS))["sd"]
    assert (one.found.first.units, one.samples[0].missing) == (3, ("A-001",))
    assert one.samples[0].values == tuple(test.sd_mm for test in (tests[0], *tests[2:4]))
    plain = plain_of(compare_builds(together(tests), "build", MARGINS))
    assert plain["figures"][0]["builds"]["a"]["left_out"] == ["A-001"]


@pytest.mark.parametrize(
    ("word", "parts"),
    [
        ("machine", [{"conditions": EarlierConditions(machine=Machine(name=name))} for name in ("m1", "m2")]),
        (
            "stylus",
            [
                {"conditions": EarlierConditions(stylus=Stylus(length_mm=length, ball_diameter_mm=4))}
                for length in (50, 100)
            ],
        ),
        (
            "artefact",
            [
                {"conditions": EarlierConditions(artefact=Artefact(kind=kind, diameter_mm=25, u_mm=0.001))}
                for kind in ("ring", "boss")
            ],
        ),
        ("version of the software", [{"software": f"probetest {number}"} for number in (1, 2)]),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_else_differs_is_told(word: str, parts: list[dict[str, Any]]) -> None:
    def tests(stated: list[dict[str, Any]]) -> Gathered:
        return together(
            *(
                [
                    invented(f"{name}{n}", name, day=2 * n, stated=part, mean_mm=0.02 + n * 1e-4)
                    for n in range(3)
                ]
                for name, part in zip("ab", stated, strict=True)
            )
        )

    (told,) = compare_builds(tests(parts), "build", MARGINS).remarks
    assert told.startswith(f"The tests differ in {word} too (a: ")
    assert compare_builds(tests([parts[0], parts[0]]), "build", MARGINS).remarks == ()
    if word in ("machine", "stylus", "artefact"):
        by_it = compare_builds(tests(parts), word, MARGINS)
        assert len(by_it.groups) == 2
        assert by_it.remarks == ()


def test_blocks_in_time_are_told_and_turns_are_not() -> None:
    means = [0.02, 0.021, 0.022]
    blocks = together(of_means("a", means), of_means("b", means, first=10))
    assert "not in turns" in minds(compare_builds(blocks, "build", MARGINS))[0]
    turns = together(of_means("a", means), of_means("b", means, first=1))
    assert minds(compare_builds(turns, "build", MARGINS)) == []


def test_problems_and_remarks_of_reading_are_kept() -> None:
    tests = together(of_means("a", [0.02, 0.021]), of_means("b", [0.02, 0.022], first=0))
    found = compare_builds(replace(tests, problems=("p",), remarks=("r",)), "build", MARGINS)
    assert found.problems == ("p",)
    assert found.remarks[0] == "r"
    plain = plain_of(found)
    assert (plain["problems"], plain["remarks"][0]) == (["p"], "r")


def test_unit_without_the_figure_is_named_as_missing() -> None:
    sample = SCATTER.sample([replace(invented("A"), sd_mm=None), invented("B")])
    assert (sample.serials, sample.missing) == (("B",), ("A",))


# ---- asked again


def test_answer_is_recalled_only_for_the_same_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[None] = []

    def count(*_: object) -> Gathered:
        read.append(None)
        return gathered()

    monkeypatch.setattr(comparing, "gather", count)
    file = tmp_path / "margins.toml"
    file.write_text("sd_ratio = 2.0\n")
    wide = open_comparison(margins=str(file))
    assert wide.margins.sd_ratio == 2.0
    assert open_comparison(margins=str(file)) is wide
    assert len(read) == 1
    # The same file in another part: it is no margin now.
    assert open_comparison(limits=str(file)).margins == MARGINS
    file.write_text("sd_ratio = 3.00\n")
    assert open_comparison(margins=str(file)).margins.sd_ratio == 3.0
    assert (
        open_comparison(margins=str(file), only=["siskin-4", "siskin-3"]).compared[0].names[0] == "siskin-4"
    )
    assert len(read) == 4
