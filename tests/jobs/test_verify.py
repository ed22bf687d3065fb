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

from probetest.errors import ProbetestError, StatisticsError
from probetest.importers import import_log
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_dict, result_to_json
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


@pytest.mark.parametrize("serial", ["SK1-001", "SK1-002", "SK1-008", "SK2-002", "SK2-006"])
def test_a_result_agrees_with_itself(serial: str, demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes[serial].found
    result = verify(found, earlier_of(found))
    assert result.verdict == "consistent"
    assert {one.en for one in result.agreements if one.name in LENGTHS} == {0.0}
    assert all(one.difference == 0.0 for one in result.agreements)
    assert [text.split(":")[0] for text in result.differences] == ["touches"]
    assert result.advice == ()


# ---- who knows what


@cache
def mixture(ours: bool, theirs: bool) -> Verification:
    mine = measured(turned=ours, mill=WORN_MILL, seed=1)
    other = measured(turned=theirs, plan=Plan(directions=24, repeats=10), seed=2)
    return verify(mine, earlier_of(other))


@pytest.mark.parametrize(
    ("ours", "theirs", "of", "of_probe"),
    [
        (True, True, OWN, True),
        (True, False, f"{OWN}; report: {MIXED}", True),
        (False, True, f"{MIXED}; report: {OWN}", False),
        (False, False, MIXED, False),
    ],
    ids=["both turned", "ours turned", "theirs turned", "none turned"],
)
def test_what_a_variation_is_of_follows_from_both_tests(
    ours: bool, theirs: bool, of: str, of_probe: bool
) -> None:
    result = mixture(ours, theirs)
    found = named(result)
    assert (found["pretravel_variation"].of, found["pretravel_variation"].of_probe) == (of, of_probe)
    assert [found[name].of_probe for name in ("pooled_sd", "mean_pretravel", "order_3", "miss_rate")] == [
        False, False, True, True,
    ]  # fmt: skip
    assert ("order_2" in found) is ours
    assert verification_to_dict(result)["label"] == (OWN if ours else MIXED)


def test_healthy_probe_is_not_called_worse_where_both_turned_it() -> None:
    assert mixture(True, True).verdict != "worse"


def test_healthy_probe_is_not_called_worse_where_only_the_buyer_turned_it() -> None:
    assert mixture(True, False).verdict != "worse"


@pytest.mark.parametrize("theirs", [True, False])
def test_worn_mill_that_was_not_told_apart_is_not_blamed_on_the_probe(theirs: bool) -> None:
    result = mixture(False, theirs)
    assert named(result)["pretravel_variation"].verdict == "worse"
    assert result.verdict == "can't tell"
    assert any("0, 30, 90 and 210°" in text for text in result.advice)
    assert any("ask for one from several orientations" in text for text in result.advice) is not theirs


# ---- another plan


def test_a_part_of_the_plan_is_enough_where_it_shows_the_waves() -> None:
    # 8 of the 24 directions of the report.
    result = verify(measured(plan=Plan(directions=8, repeats=20), seed=3), earlier_of(measured(seed=4)))
    assert result.verdict in ("consistent", "can't tell")
    assert result.differences[-1] == "touches: 160 from 8 directions here, 120 then"


@pytest.mark.parametrize(
    ("arm_deg", "plan"),
    [
        (40.0, Plan(directions=9, repeats=5)),
        (100.0, Plan(directions=12, repeats=10, first_azimuth_deg=7.0)),
    ],
    ids=["9 directions", "12 other azimuths"],
)
def test_healthy_probe_touched_from_other_directions_is_not_called_worse(arm_deg: float, plan: Plan) -> None:
    probe = replace(SOFT, arm_azimuth_deg=arm_deg)
    report = earlier_of(measured(probe, plan=Plan(directions=24, repeats=10), seed=5))
    worse = sum(verify(measured(probe, plan=plan, seed=seed), report).verdict == "worse" for seed in range(4))
    assert_share_at_most(worse, 4, 0.05)


# ---- what is missing


def without(*paths: str) -> Callable[[dict[str, Any]], None]:
    def change(plain: dict[str, Any]) -> None:
        for path in paths:
            part, last = path.split(".")
            plain[part][last] = [] if last == "harmonics" else None

    return change


@pytest.mark.parametrize(
    ("change", "label", "reason"),
    [
        (without("pretravel.mean_mm"), "Mean pre-travel", "the earlier test does not give it"),
        (lambda plain: plain.update(budgets=[]), "Mean pre-travel", "the earlier test does not give it"),
        (without("pretravel.variation_mm"), "Pre-travel variation", "the earlier test does not give it"),
        (without("pretravel.harmonics"), "Three-lobed wave", "one of the tests can't show it"),
        (without("repeatability.sd_mm"), "Repeatability (pooled sd)", "the earlier test did not resolve it"),
    ],
    ids=["mean", "budgets", "variation", "waves", "scatter"],
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
    bare = without(
        "pretravel.mean_mm", "pretravel.variation_mm", "pretravel.harmonics", "repeatability.sd_mm"
    )
    result = verify(found, earlier_of(found, bare))
    assert [one.name for one in result.agreements] == ["miss_rate"]
    assert result.verdict == "can't tell"


def test_limits_that_are_off_leave_half_of_the_figure() -> None:
    found = measured()

    def off(plain: dict[str, Any]) -> None:
        plain["limits"] = {name: None for name in plain["limits"] if name != "risk"}

    result = named(verify(found, earlier_of(found, off)))
    for name in ("pooled_sd", "pretravel_variation", "mean_pretravel", "order_3"):
        assert result[name].matters == pytest.approx(result[name].theirs / 2)
    with_limits = named(verify(found, earlier_of(found)))
    limits = found.limits
    assert limits.max_pooled_sd_mm is not None
    assert with_limits["pooled_sd"].matters == limits.max_pooled_sd_mm / 2
    assert with_limits["order_3"].matters == pytest.approx(0.030 / 4)


def test_share_of_misses_matters_from_half_of_its_limit_on() -> None:
    # So the page says of all figures.
    found = measured()
    assert named(verify(found, earlier_of(found)))["miss_rate"].matters == pytest.approx(0.02 / 2)


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


def test_longer_stylus_is_not_blamed_on_the_probe() -> None:
    longer = measured(
        replace(SOFT, stylus_length_mm=60.0),
        record=RECORD.model_copy(update={"stylus": Stylus(length_mm=60.0, ball_diameter_mm=4.0)}),
    )
    assert verify(longer, earlier_of(measured())).verdict != "worse"


def test_another_serial_is_refused() -> None:
    other = earlier_of(measured(), lambda plain: plain.update(serial="T-2\x1b[2J"))
    with pytest.raises(StatisticsError, match=r"'T-1'.*'T-2.*only tests of one probe"):
        verify(measured(), other)


# ---- JSON


@pytest.mark.parametrize("serial", ["SK1-008", "SK1-009", "SK2-001"])
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
    assert verification_to_json(result) == verification_to_json(result)


# ---- known truth


@pytest.mark.simulation
def test_healthy_probe_is_rarely_called_worse() -> None:
    rng = np.random.default_rng(7)
    pairs = [
        verify(measured(seed=int(mine)), earlier_of(measured(seed=int(theirs))))
        for mine, theirs in rng.integers(2**31, size=(6, 2))
    ]
    assert_share_at_most(sum(result.verdict == "worse" for result in pairs), len(pairs), 0.05)
    scored = [one.en or 0.0 for result in pairs for one in result.agreements if one.name in LENGTHS]
    assert_share_at_most(sum(abs(en) > 1 for en in scored), len(scored), 0.05)


@pytest.mark.simulation
def test_damaged_probe_is_found_more_often_the_worse_it_is() -> None:
    report = earlier_of(measured(STIFF, plan=Plan(directions=24, repeats=10), seed=8))
    found = []
    for preload_n in (2.8, 2.95, 3.6):
        damaged = replace(STIFF, preload_n=preload_n)
        results = [verify(measured(damaged, seed=seed), report).verdict for seed in range(4)]
        found.append(results.count("worse"))
    assert found == sorted(found)
    assert_share_at_most(found[0], 4, 0.05)
    assert_share_at_least(found[-1], 4, 0.95)


@pytest.mark.simulation
def test_short_test_is_never_consistent() -> None:
    report = earlier_of(measured(STIFF, seed=9))
    found = {
        verify(measured(STIFF, plan=Plan(directions=8, repeats=2), seed=seed), report).verdict
        for seed in range(6)
    }
    assert "consistent" not in found
    assert "can't tell" in found


def test_refusal_is_an_error_of_this_package() -> None:
    assert issubclass(StatisticsError, ProbetestError)
    assert EarlierResult.model_validate_json(result_to_json(measured())).serial == "T-1"
