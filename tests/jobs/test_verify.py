"""A test held against an earlier result: every mixture of what both know, and probes with known truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from sample_probes import DemoProbe
from simulated import assert_share_at_least, assert_share_at_most

from probetest.errors import StatisticsError
from probetest.importers import import_log
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_dict
from probetest.jobs.verify import MIXED, Verification, verification_to_dict, verification_to_json, verify
from probetest.limits import Limits
from probetest.resources import bundled
from probetest.scenario import SHOP_MILL, SOFT, STIFF, TURNS_DEG, WORN_MILL
from probetest.simulate import Faults, Mill, Plan, Probe, simulate, simulate_turned
from probetest.statistics.agreement import OWN, Agreement
from probetest.triggers import Artefact, Machine, Source, Stylus, TestRecord, Triggers

FIGURES = ["pooled_sd", "pretravel_variation", "mean_pretravel", "order_3", "order_2", "miss_rate"]
LENGTHS = set(FIGURES) - {"miss_rate"}
RECORD = TestRecord(
    serial="T-1",
    artefact=Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006),
    stylus=Stylus(length_mm=50.0, ball_diameter_mm=4.0, ball_u_mm=0.0003),
    machine=Machine(name="mill A"),
)
SHORT = Plan(directions=24, repeats=5)


def measured(
    probe: Probe = SOFT,
    mill: Mill = SHOP_MILL,
    plan: Plan = SHORT,
    *,
    turned: bool = False,
    seed: int = 0,
    record: TestRecord = RECORD,
    faults: Faults | None = None,
    limits: Limits | None = None,
) -> Qualification:
    rng = np.random.default_rng(seed)
    if turned:
        frame = simulate_turned(probe, mill, plan, TURNS_DEG, rng=rng).frame
    else:
        frame = simulate(probe, mill, plan, rng=rng, faults=faults).frame
    source = Source("t.csv", "0" * 64, len(frame), "mm", "simulated")
    return qualify(Triggers(record, frame, source), limits or Limits())


def earlier_of(
    found: Qualification, change: Callable[[dict[str, Any]], object] | None = None
) -> EarlierResult:
    """A result as a file would give it, with a part changed."""
    plain = result_to_dict(found)
    if change is not None:
        change(plain)
    return EarlierResult.model_validate_json(json.dumps(plain))


def named(result: Verification) -> dict[str, Agreement]:
    return {one.name: one for one in result.agreements}


@cache
def received(serial: str) -> Qualification:
    (arrived,) = import_log(bundled("data") / "demo" / "received" / f"{serial}.csv").tests
    return qualify(arrived, Limits())


# ---- the demo, whose truth is known


@pytest.mark.parametrize(
    ("serial", "verdict"), [("SK1-008", "consistent"), ("SK1-009", "worse"), ("SK2-001", "can't tell")]
)
def test_word_of_the_demo(serial: str, verdict: str, demo_probes: dict[str, DemoProbe]) -> None:
    result = verify(received(serial), earlier_of(demo_probes[serial].found))
    assert result.verdict == verdict
    assert [one.name for one in result.agreements] == [name for name in FIGURES if name in named(result)]


def test_damaged_contact_is_found_in_the_waves(demo_probes: dict[str, DemoProbe]) -> None:
    found = named(verify(received("SK1-009"), earlier_of(demo_probes["SK1-009"].found)))
    assert found["order_2"].verdict == "worse"
    assert found["pooled_sd"].verdict == "worse"
    assert found["order_3"].verdict == "better"
    assert "a change all the same" in found["order_3"].note


def good_approaches(share: float) -> int:
    """Closed form of Clopper and Pearson without a failure: 1 - 0.05 ** (1 / n) is at most the share."""
    return int(np.ceil(np.log(0.05) / np.log1p(-share)))


@pytest.mark.parametrize("serial", ["SK1-001", "SK1-008", "SK1-009", "SK2-002", "SK2-006", "SK2-007"])
def test_a_result_agrees_with_itself(serial: str, demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes[serial].found
    result = verify(found, earlier_of(found))
    assert {one.en for one in result.agreements if one.name in LENGTHS} == {0.0}
    assert {one.verdict for one in result.agreements if one.name in LENGTHS} == {"consistent"}
    assert all(one.difference == 0.0 for one in result.agreements)
    assert [text.split(":")[0] for text in result.differences] == ["touches"]
    # Few approaches without a failure don't show that half the limit of 2 % is kept.
    open_ones = good_approaches(0.01) - found.outcomes.approaches
    assert result.verdict == ("consistent" if open_ones <= 0 else "can't tell")
    assert named(result)["miss_rate"].more_touches == (open_ones if open_ones > 0 else None)
    assert len(result.advice) == (open_ones > 0)


# ---- who knows what


@cache
def turned_test(threshold_n: float, seed: int) -> Qualification:
    """A short test at four orientations of a probe with an arm that opens early."""
    probe = replace(SOFT, threshold_n=(0.0, threshold_n, 0.0))
    plan = Plan(directions=12, repeats=3, first_azimuth_deg=7.0)
    return measured(probe, plan=plan, turned=True, seed=seed)


@cache
def mixture(ours: bool, theirs: bool) -> Verification:
    mine = measured(turned=ours, mill=WORN_MILL, seed=1)
    other = measured(turned=theirs, plan=Plan(directions=24, repeats=10), seed=2)
    return verify(mine, earlier_of(other))


@pytest.mark.parametrize(
    ("ours", "theirs", "of"),
    [
        (True, True, OWN),
        (True, False, f"{OWN}; report: {MIXED}"),
        (False, True, f"{MIXED}; report: {OWN}"),
        (False, False, MIXED),
    ],
    ids=["both turned", "ours turned", "theirs turned", "none turned"],
)
def test_what_a_figure_is_of_follows_from_both_tests(ours: bool, theirs: bool, of: str) -> None:
    result = mixture(ours, theirs)
    found = named(result)
    assert [found[name].of for name in ("pretravel_variation", "order_3")] == [of, of]
    # No number of orientations takes the machine out of these.
    assert [found[name].of for name in ("pooled_sd", "mean_pretravel", "miss_rate")] == [MIXED] * 3
    assert ("order_2" in found) is ours
    assert found.get("order_2", found["order_3"]).of == of
    assert verification_to_dict(result)["label"] == (OWN if ours else MIXED)


@pytest.mark.simulation
def test_wave_that_the_makers_machine_hid_is_not_blamed_on_the_probe() -> None:
    # An arm that opens early makes two lobes; the maker's mill has the same ones the other way.
    probe = replace(SOFT, threshold_n=(0.0, 0.3, 0.0))
    hiding = replace(SHOP_MILL, two_lobe_mm=0.0012, two_lobe_azimuth_deg=40.0)
    report = earlier_of(measured(probe, hiding, plan=Plan(directions=24, repeats=10), seed=50))
    found = [verify(turned_test(0.3, seed), report) for seed in range(3)]
    assert [named(result)["order_2"].verdict for result in found] == ["worse"] * 3
    assert [result.verdict for result in found] == ["can't tell"] * 3
    assert all("ask for one from several orientations" in " ".join(result.advice) for result in found)


@pytest.mark.parametrize("theirs", [True, False])
def test_worn_mill_that_was_not_told_apart_is_not_blamed_on_the_probe(theirs: bool) -> None:
    result = mixture(False, theirs)
    assert named(result)["pretravel_variation"].verdict == "worse"
    assert result.verdict == "can't tell"
    assert any("0, 30, 90 and 210°" in text for text in result.advice)
    assert any("ask for one from several orientations" in text for text in result.advice) is not theirs


# ---- another plan


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("arm_deg", "plan"),
    [
        (40.0, Plan(directions=9, repeats=5)),
        (100.0, Plan(directions=12, repeats=10, first_azimuth_deg=7.0)),
        (70.0, Plan(directions=36, repeats=4)),
    ],
    ids=["9 directions", "12 other azimuths", "36 directions"],
)
def test_healthy_probe_touched_from_other_directions_shows_no_difference(arm_deg: float, plan: Plan) -> None:
    probe, trials = replace(SOFT, arm_azimuth_deg=arm_deg), 3
    report = earlier_of(measured(probe, plan=Plan(directions=24, repeats=10), seed=5))
    found = [verify(measured(probe, plan=plan, seed=seed), report) for seed in range(trials)]
    assert "worse" not in {result.verdict for result in found}
    scored = [one for result in found for one in result.agreements if one.name in LENGTHS]
    # A curve over all directions takes 12; fewer are named instead.
    assert len(scored) == trials * (4 if plan.directions >= 12 else 2)
    assert_share_at_most(sum(one.verdict in ("worse", "better") for one in scored), len(scored), 0.05)
    assert found[0].differences[-1].endswith(f"from {plan.directions} directions here, 240 then")
    reasons = dict(found[0].not_compared)
    assert ("takes 12 of them" in reasons.get("Pre-travel variation", "")) is (plan.directions < 12)


@pytest.mark.simulation
def test_damaged_arm_is_found_from_other_directions_and_a_healthy_one_is_not() -> None:
    report = earlier_of(measured(turned=True, seed=60))
    verdicts = {
        threshold: [verify(turned_test(threshold, seed), report).verdict for seed in range(3)]
        for threshold in (0.0, 0.3)
    }
    assert_share_at_most(verdicts[0.0].count("worse"), 3, 0.05)
    assert_share_at_least(verdicts[0.3].count("worse"), 3, 0.9)


# ---- what is missing


def without(*paths: str) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        for path in paths:
            part = plain
            *steps, last = path.split(".")
            for step in steps:
                part = part[step]
            part[last] = [] if last == "waves" else None

    return change


NO_WAVES = "one of the tests holds no curve over all directions"
NO_CURVE = "the earlier result holds no curve over all directions"


@pytest.mark.parametrize(
    ("change", "label", "reason"),
    [
        (without("pretravel.mean_mm"), "Mean pre-travel", "the earlier test does not give it"),
        (lambda plain: plain.update(budgets=[]), "Mean pre-travel", "the earlier test does not give it"),
        (without("pretravel.curve"), "Pre-travel variation", NO_CURVE),
        (without("pretravel.curve.upper_mm"), "Pre-travel variation", NO_CURVE),
        (without("pretravel.curve"), "Three-lobed wave", NO_WAVES),
        (without("pretravel.curve.waves"), "Three-lobed wave", NO_WAVES),
        (without("repeatability.sd_mm"), "Repeatability (pooled sd)", "the earlier test did not resolve it"),
    ],
    ids=["mean", "budgets", "curve", "limit of the curve", "curve of waves", "waves", "scatter"],
)
def test_what_the_report_lacks_is_named(
    change: Callable[[dict[str, Any]], None], label: str, reason: str
) -> None:
    found = measured()
    result = verify(found, earlier_of(found, change))
    assert (label, reason) in result.not_compared
    assert label not in {one.label for one in result.agreements}
    assert {"label": label, "reason": reason} in json.loads(verification_to_json(result))["not_compared"]


def test_scatter_that_this_test_does_not_resolve_is_named() -> None:
    coarse = measured(replace(SOFT, sd_mm=1e-5), replace(SHOP_MILL, step_mm=0.005), seed=6)
    assert not coarse.analysis.repeatability.resolved
    result = verify(coarse, earlier_of(measured()))
    reasons = dict(result.not_compared)
    assert "does not resolve it: at most about one step of " in reasons["Repeatability (pooled sd)"]


def test_misses_alone_do_not_make_a_probe_consistent() -> None:
    found = measured()
    bare = without("pretravel.mean_mm", "pretravel.curve", "repeatability.sd_mm")
    result = verify(found, earlier_of(found, bare))
    assert [one.name for one in result.agreements] == ["miss_rate"]
    assert result.verdict == "can't tell"


@pytest.mark.parametrize("path", ["repeatability.sd_mm", "separation.probe.upper_mm"])
def test_consistent_needs_scatter_and_variation(path: str, demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes["SK1-008"].found
    assert verify(found, earlier_of(found)).verdict == "consistent"
    result = verify(found, earlier_of(found, without(path)))
    assert {one.verdict for one in result.agreements} == {"consistent"}
    assert result.verdict == "can't tell"


def test_limits_in_use_say_what_matters_and_those_that_are_off_leave_half_of_the_figure() -> None:
    usual = measured()
    off = {name: None for name in usual.limits.model_dump() if name.startswith("max_")}
    found = measured(limits=Limits(**off, tolerance_mm=None, min_cpk=None))
    # The limits of the earlier result are another matter: whoever reads it chooses.
    result = named(verify(found, earlier_of(usual)))
    for name in ("pooled_sd", "pretravel_variation", "mean_pretravel"):
        assert result[name].matters == pytest.approx(result[name].theirs / 2)
    assert result["order_3"].matters == pytest.approx(result["pretravel_variation"].theirs / 4)
    assert result["miss_rate"].matters == pytest.approx(0.01)
    chosen = Limits(
        max_pooled_sd_mm=0.003, max_pretravel_variation_mm=0.02, tolerance_mm=0.05, max_miss_rate=0.06
    )
    matters = {one.name: one.matters for one in verify(measured(limits=chosen), earlier_of(usual)).agreements}
    assert matters == pytest.approx(
        {"pooled_sd": 0.0015, "pretravel_variation": 0.01, "mean_pretravel": 0.025, "order_3": 0.005,
         "miss_rate": 0.03}
    )  # fmt: skip


# ---- conditions


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"stylus": Stylus(length_mm=60.0, ball_diameter_mm=4.0)},
            "stylus length: 60.0 mm here, 50.0 mm then",
        ),
        (
            {"stylus": Stylus(length_mm=50.0, ball_diameter_mm=4.001)},
            "stylus ball: 4.001 mm here, 4.0 mm then",
        ),
        ({"artefact": Artefact(kind="ring", diameter_mm=25.001)}, "diameter of the artefact: 25.001 mm here"),
        ({"machine": Machine(name="mill B")}, "machine: mill B here, mill A then"),
    ],
)
def test_condition_that_differs_is_named(change: dict[str, Any], words: str) -> None:
    found = measured(record=RECORD.model_copy(update=change))
    assert any(text.startswith(words) for text in verify(found, earlier_of(measured())).differences)


def test_stage_that_differs_is_named() -> None:
    result = verify(
        measured(), earlier_of(measured(), lambda plain: plain["headline"].update(stage="after a fall"))
    )
    assert "stage: 'baseline' here, 'after a fall' then" in result.differences


@pytest.mark.parametrize("length_mm", [40.0, 60.0])
def test_another_stylus_leaves_the_figures_of_pretravel_open(length_mm: float) -> None:
    other = measured(
        replace(SOFT, stylus_length_mm=length_mm),
        record=RECORD.model_copy(update={"stylus": Stylus(length_mm=length_mm, ball_diameter_mm=4.0)}),
    )
    result = verify(other, earlier_of(measured()))
    found = named(result)
    for name in ("pretravel_variation", "mean_pretravel", "order_3"):
        assert (found[name].verdict, found[name].more_touches) == ("can't tell", None)
        assert found[name].note.startswith(f"the stylus is {length_mm:g} mm long here and was 50 mm")
        assert any(text.startswith(f"{found[name].label}: the stylus is") for text in result.advice)
    assert "stylus" not in found["pooled_sd"].note + found["miss_rate"].note
    assert result.verdict == "can't tell"


def test_another_serial_is_refused() -> None:
    other = earlier_of(measured(), lambda plain: plain.update(serial="T-2\x1b[2J"))
    with pytest.raises(StatisticsError, match=r"'T-1'.*'T-2.*only tests of one probe"):
        verify(measured(), other)


# ---- JSON


@pytest.mark.parametrize("serial", ["SK1-009", "SK2-001"])
def test_json_holds_every_figure_and_no_nan(serial: str, demo_probes: dict[str, DemoProbe]) -> None:
    result = verify(received(serial), earlier_of(demo_probes[serial].found))
    plain = json.loads(verification_to_json(result), parse_constant=pytest.fail)
    assert plain["verdict"] == result.verdict
    assert [one["name"] for one in plain["agreement"]] == [one.name for one in result.agreements]
    for one in plain["agreement"]:
        assert one["difference"] == pytest.approx(one["ours"] - one["theirs"])
        assert one["difference_lower"] <= one["difference"] <= one["difference_upper"]
        assert one["verdict"] in ("consistent", "worse", "better", "can't tell")
        assert (one["en"] is None) == (one["name"] == "miss_rate") == ("en_reason" in one)
    log, against = plain["input"], plain["against"]
    assert (log["file"], len(log["sha256"])) == (f"{serial}.csv", 64)
    assert (against["serial"], against["verdict"]) == (serial, demo_probes[serial].found.verdict)
    assert (plain["serial"], plain["qualification_verdict"]) == (serial, result.found.verdict)


# ---- known truth


@pytest.mark.simulation
def test_healthy_probe_is_rarely_called_worse() -> None:
    rng = np.random.default_rng(7)
    pairs = [
        verify(measured(seed=int(mine)), earlier_of(measured(seed=int(theirs))))
        for mine, theirs in rng.integers(2**31, size=(4, 2))
    ]
    assert_share_at_most(sum(result.verdict == "worse" for result in pairs), len(pairs), 0.05)
    scored = [one.en or 0.0 for result in pairs for one in result.agreements if one.name in LENGTHS]
    assert_share_at_most(sum(abs(en) > 1 for en in scored), len(scored), 0.05)


@pytest.mark.simulation
def test_short_test_is_never_consistent() -> None:
    report = earlier_of(measured(STIFF, seed=9))
    plan = Plan(directions=8, repeats=2)
    found = {verify(measured(STIFF, plan=plan, seed=seed), report).verdict for seed in range(4)}
    assert "consistent" not in found
    assert "can't tell" in found
