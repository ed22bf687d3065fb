"""Whole plans: what they hold hangs together, wishes are kept or refused, and what is left out is told."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from benches import bench_with
from scipy import stats

from probetest.errors import PlanError
from probetest.limits import Limits
from probetest.margins import Margins
from probetest.plan.dialect import read_dialect
from probetest.plan.planned import (
    BLOCK_QUESTIONS,
    Planned,
    directions_for,
    expected_probe,
    make_plan,
    pace_of,
)
from probetest.plan.telling import (
    block_ends,
    facts_of,
    hides_of,
    mean_touches,
    plan_to_dict,
    shows_of,
)
from probetest.plan.wish import Wish
from probetest.statistics.sequential import look_risk

CONSOLE = "console"
LIMITS = Limits()
ARM = json.dumps({"probe": {"arm_azimuth_deg": 20.0}})
"""A known arm makes plans quick: nothing is averaged over its azimuth."""


@lru_cache(maxsize=32)
def plan(
    purpose: str, kind: str = "block", limits: Limits = LIMITS, tables: str = "{}", **wish: Any
) -> Planned:
    """A plan on a changed bench, made once; ``tables`` is JSON."""
    bench = bench_with(kind, **json.loads(tables))
    return make_plan(Wish(purpose, **wish), bench, read_dialect(CONSOLE), limits, Margins())


@pytest.fixture(scope="module")
def verified() -> Planned:
    """On a ring, at one orientation."""
    return plan("verification", "ring", tables=ARM, orientations=1)


@pytest.fixture(scope="module")
def looked() -> Planned:
    return plan("acceptance", looks=4)


@pytest.fixture(scope="module")
def plain() -> Planned:
    return plan("acceptance")


# ---- a plan hangs together


@pytest.mark.parametrize("name", ["verified", "looked", "plain"])
def test_the_dictionary_is_json_and_says_what_the_schedule_says(
    name: str, request: pytest.FixtureRequest
) -> None:
    planned: Planned = request.getfixturevalue(name)
    told = json.loads(json.dumps(plan_to_dict(planned), allow_nan=False))
    schedule = planned.schedule
    azimuths, counts = np.unique(schedule.azimuth_deg.round(6), return_counts=True)
    assert told["touches"] == len(schedule)
    # There and back for each touch.
    assert told["program"]["moves"] >= 2 * len(schedule)
    assert told["directions"] == len(azimuths)
    assert (counts == told["touches_per_direction"]).all()
    assert told["block_ends"][-1] == len(schedule)
    assert told["orientations_deg"] == sorted(set(schedule.orientation_deg.tolist()))
    assert told["stages"] == ["baseline"]
    assert told["minutes"] == pytest.approx(planned.seconds / 60, abs=0.05)
    answered = all(one["planned_for"] for one in told["questions"])
    assert told["enough"] == (answered and told["chance"] >= told["wanted_chance"])
    kept = [one for one in told["questions"] if one["planned_for"]]
    assert told["chance"] == pytest.approx(1 - sum(1 - one["chance"] for one in kept), abs=1e-3)
    for one in told["questions"]:
        found = one["expected"]
        if found is not None:
            assert found["lower"] <= found["value"] <= found["upper"]
            assert found["n"] > 0
    assert told["program"]["lines"] == len(planned.program.splitlines())
    assert told["shows"] == list(shows_of(planned))
    assert told["cannot_show"] == list(hides_of(planned))


@pytest.mark.parametrize("name", ["verified", "looked", "plain"])
def test_every_question_is_either_shown_or_hidden(name: str, request: pytest.FixtureRequest) -> None:
    planned: Planned = request.getfixturevalue(name)
    shown, hidden = " ".join(shows_of(planned)), " ".join(hides_of(planned))
    for answer in planned.answers:
        sentence = f"{answer.question.label}: {answer.question.wanted}"
        assert (sentence in hidden) == answer.dropped
        assert (sentence in shown) != answer.dropped


def test_a_block_drops_what_four_directions_do_not_answer(plain: Planned) -> None:
    assert plain.design.directions == 4
    assert {one.question.name for one in plain.answers if one.dropped} == {
        "pretravel_variation",
        "cpk",
        "arm",
        "healthy",
    }
    assert {one.question.name for one in plain.answers if not one.dropped} <= set(BLOCK_QUESTIONS)
    # A share below 2 % takes 149 good touches: 38 from each of four directions.
    assert plain.design.touches == 38


def test_the_same_wish_gives_the_same_plan(plain: Planned) -> None:
    again = make_plan(Wish("acceptance"), bench_with("block"), read_dialect(CONSOLE), Limits(), Margins())
    assert again.program == plain.program
    assert plan_to_dict(again) == plan_to_dict(plain)


def test_a_larger_wanted_chance_never_takes_fewer_touches() -> None:
    limits = Limits(max_pooled_sd_mm=0.0025, max_worst_direction_sd_mm=0.0045, max_miss_rate=None)
    plans = [plan("acceptance", limits=limits, chance=chance) for chance in (0.5, 0.8, 0.9, 0.99)]
    touches = [len(one.schedule) for one in plans]
    assert touches == sorted(touches)
    assert touches[0] < touches[-1]
    assert all(one.choice.enough and one.choice.chance >= one.wish.chance for one in plans)


def test_directions_go_with_what_is_known_of_the_arms() -> None:
    free, known = (bench_with("ring", probe={"arm_azimuth_deg": arm}) for arm in (None, 30.0))
    assert all(count % 3 for count in directions_for(free, 1))
    assert 12 in directions_for(known, 1)
    # The arms turn with the probe.
    assert directions_for(known, 4) == directions_for(free, 4)
    assert directions_for(bench_with("block"), 1) == (4,)


def test_rounding_adds_to_the_scatter() -> None:
    bench = bench_with("ring", machine={"resolution_mm": 0.004}, probe={"sd_mm": 0.003})
    assert expected_probe(bench).sd_mm == pytest.approx(np.sqrt(0.003**2 + 0.004**2 / 12))
    assert expected_probe(bench).step_mm == 0.004


# ---- time


@pytest.mark.parametrize("minutes", [4.0, 7.5, 15.0])
def test_a_time_to_keep_is_kept(minutes: float) -> None:
    limits = Limits(max_pooled_sd_mm=0.0021, max_worst_direction_sd_mm=0.003)
    planned = plan("acceptance", limits=limits, minutes=minutes)
    assert planned.seconds <= 60 * minutes
    # Not by much: another touch of each direction would not fit.
    assert planned.seconds > 60 * minutes - 8 * planned.seconds / len(planned.schedule)
    assert any("Allow more time" in one for one in hides_of(planned)) != planned.choice.enough


@pytest.mark.parametrize("orientations", [3, 4])
def test_a_time_to_keep_holds_turns_of_the_probe(orientations: int) -> None:
    planned = plan("verification", "ring", tables=ARM, orientations=orientations, minutes=25.0)
    assert planned.schedule.turns == orientations - 1
    assert planned.seconds <= 25 * 60
    assert planned.seconds > planned.walk.seconds + (orientations - 1) * 179


def test_a_time_to_keep_is_kept_where_the_pace_is_too_fast() -> None:
    # On a sphere a program of few touches at many orientations takes longer than its pace says.
    wish = {"kind": "sphere", "orientations": 6, "tables": ARM}
    free = plan("verification", minutes=60.0, **wish)
    pace = pace_of(free.bench, read_dialect(CONSOLE), 1)
    assert pace.seconds(free.design) < free.seconds
    minutes = (pace.seconds(free.design) + free.seconds) / 120
    with pytest.raises(PlanError, match="not even 2 touches"):
        plan("verification", minutes=minutes, **wish)
    assert (
        plan("verification", minutes=free.seconds / 60 + 0.01, **wish).wish.minutes
        == free.seconds / 60 + 0.01
    )


def test_pace_agrees_with_the_whole_program(verified: Planned) -> None:
    pace = pace_of(verified.bench, read_dialect(CONSOLE), 1)
    assert verified.seconds == pytest.approx(pace.seconds(verified.design), rel=0.06)
    assert verified.seconds <= pace.seconds(verified.design)


def test_too_little_time_is_refused() -> None:
    with pytest.raises(PlanError, match="not even 2 touches"):
        plan("acceptance", minutes=0.5)
    limits = Limits(max_miss_rate=None)
    with pytest.raises(PlanError, match="20 looks need 20 touches"):
        plan("acceptance", limits=limits, minutes=3.0, looks=20)
    with pytest.raises(PlanError, match="without --minutes"):
        plan("comparison", "ring", minutes=30.0)


# ---- looks


def test_looks_keep_the_risk_of_the_whole(looked: Planned, plain: Planned) -> None:
    assert looked.look_risk == pytest.approx(look_risk(4, 0.05))
    # Good touches that show a share below 2 % at the risk of a look: 0.98^n.
    n = int(np.ceil(np.log(looked.look_risk) / np.log(0.98)))
    assert len(looked.schedule) == 4 * -(-n // 4)
    assert len(looked.schedule) > len(plain.schedule)
    assert plain.look_risk == 0.05


def test_blocks_end_after_whole_rounds(looked: Planned) -> None:
    ends = block_ends(looked)
    assert len(ends) == 4
    assert all(end % 4 == 0 for end in ends)
    assert np.ptp(np.diff([0, *ends])) <= 4
    assert np.flatnonzero(np.diff(looked.schedule.block)).tolist() == [end - 1 for end in ends[:-1]]


def test_more_looks_than_touches_make_more_touches() -> None:
    limits = Limits(max_miss_rate=None, max_pooled_sd_mm=0.02, max_worst_direction_sd_mm=None)
    planned = plan("acceptance", limits=limits, looks=12)
    assert planned.design.touches == 12
    assert len(block_ends(planned)) == 12
    # One touch of each direction shows no scatter.
    assert planned.ended[0] == 0
    assert list(planned.ended) == sorted(planned.ended)


def test_limits_that_nothing_decides_keep_a_test_from_its_end(looked: Planned) -> None:
    # Four directions decide neither variation nor Cpk: a test of both is never over before its end.
    assert [one.question.name for one in looked.answers if one.dropped][:2] == ["pretravel_variation", "cpk"]
    assert looked.ended == (0, 0, 0, 0)
    assert mean_touches(looked) == len(looked.schedule)


def test_mean_touches_are_those_of_a_test_that_stops_when_decided() -> None:
    limits = Limits(
        max_miss_rate=None,
        max_pretravel_variation_mm=None,
        tolerance_mm=None,
        max_pooled_sd_mm=0.0028,
        max_worst_direction_sd_mm=None,
    )
    planned = plan("acceptance", limits=limits, looks=3, chance=0.97)
    ends, ended = block_ends(planned), planned.ended
    assert 0.05 < ended[0] < ended[1] < ended[2]
    # By the chance that each look is the last.
    last = [ended[0], ended[1] - ended[0], 1 - ended[1]]
    assert mean_touches(planned) == pytest.approx(np.dot(last, ends))
    assert ends[0] < mean_touches(planned) < ends[-1]
    facts = dict(facts_of(planned))
    assert f"{mean_touches(planned):.0f} touches on average" in facts["Decided"]
    # Simulated tests: decided at a look when the bound of the scatter keeps its limit.
    rng, runs = np.random.default_rng(9), 20_000
    dof = np.array(ends) - 4
    squares = np.cumsum(rng.chisquare(np.diff([0, *dof]), (runs, 3)), axis=1)
    sd = planned.probe.sd_mm * np.sqrt(squares / dof)
    upper = sd * np.sqrt(dof / stats.chi2.ppf(planned.look_risk, dof))
    done = np.maximum.accumulate(upper <= 0.0028, axis=1)
    shares = done.mean(axis=0)
    # "At least": one look alone; standard error 0.0035.
    assert (shares > np.array(ended) - 0.01).all()
    assert shares[0] == pytest.approx(ended[0], abs=0.012)
    stops = np.where(done[:, 0], ends[0], np.where(done[:, 1], ends[1], ends[2]))
    assert stops.mean() < mean_touches(planned) + 0.3


# ---- what a plan can't show


def test_the_share_of_misses_that_may_hide_is_the_rule_of_three(plain: Planned) -> None:
    n = len(plain.schedule)
    sentence = next(one for one in hides_of(plain) if one.startswith("Misses"))
    # 95 % one-sided: 1 - 0.05^(1/n), nearly 3 / n.
    hidden = round(1 / (1 - 0.05 ** (1 / n)))
    assert f"1 in {hidden}:" in sentence
    assert hidden == pytest.approx(n / 3, rel=0.02)
    assert f"in {n} good touches" in sentence


def test_a_step_that_hides_the_scatter_is_told_and_not_promised() -> None:
    coarse = plan("acceptance", tables=json.dumps({"machine": {"resolution_mm": 0.005}}))
    by_name = {one.question.name: one for one in coarse.answers}
    assert by_name["pooled_sd"].dropped
    assert not by_name["miss_rate"].dropped
    assert any("Scatter below about one step of 5 µm" in one for one in hides_of(coarse))
    with pytest.raises(PlanError, match="no practical number of touches"):
        plan("verification", tables=json.dumps({"machine": {"resolution_mm": 0.005}}))


def test_one_orientation_is_said_to_mix_probe_and_machine(verified: Planned, plain: Planned) -> None:
    assert any(one.startswith("The probe apart from the machine") for one in hides_of(verified))
    # Four directions see no lobe for sure.
    assert any("sure to show 0 %" in one for one in hides_of(plain))
    assert any("re-seats" in one for one in hides_of(verified))


def test_a_verification_takes_the_directions_of_a_whole_curve(verified: Planned) -> None:
    assert verified.design.directions >= 12
    assert verified.choice.enough


def test_the_level_holds_ring_and_ball() -> None:
    known = {
        "artefact": {"u_mm": 0.0006},
        "stylus": {"ball_u_mm": 0.0008},
        "probe": {"arm_azimuth_deg": 20.0},
    }
    planned = plan("verification", "ring", tables=json.dumps(known), orientations=1)
    u_touch = planned.probe.sd_mm / np.sqrt(len(planned.schedule))
    expected = 1000 * np.sqrt((0.0006**2 + 0.0008**2) / 4 + u_touch**2)
    assert any(f"standard uncertainty of {expected:.2g} µm" in one for one in shows_of(planned))
    assert not any(one.startswith("The mean pre-travel") for one in hides_of(planned))


# ---- wishes that can't be met


@pytest.mark.parametrize(
    ("purpose", "kind", "wish", "message"),
    [
        ("acceptance", "plane", {}, "along Z only"),
        ("verification", "ring", {"looks": 2}, "only an acceptance is looked at in between"),
        ("verification", "ring", {"overtravel": True}, "belong to an acceptance"),
        ("contacts", "block", {}, "four directions"),
        ("acceptance", "block", {"orientations": 4}, "--orientations 1"),
    ],
)
def test_a_wish_that_makes_no_sense_is_refused(
    purpose: str, kind: str, wish: dict[str, Any], message: str
) -> None:
    with pytest.raises(PlanError, match=message):
        plan(purpose, kind, **wish)


def test_a_spindle_that_does_not_turn_has_one_orientation() -> None:
    still = json.dumps({"machine": {"spindle_step_deg": None}, "probe": {"arm_azimuth_deg": 20.0}})
    assert plan("verification", "ring", tables=still).design.orientations_deg == (0.0,)
    with pytest.raises(PlanError, match="spindle_step_deg"):
        plan("verification", "ring", tables=still, orientations=4)
