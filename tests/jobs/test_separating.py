"""Orientations of a log told apart: what is used, what is left out, what the verdict is on."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sample_probes import make_test

from probetest.importers import import_log
from probetest.jobs.analysis import Series, analyse, split_series
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_dict, result_to_json
from probetest.jobs.separating import ONE_ORIENTATION, Separated, separate_stage, separated_to_dict
from probetest.limits import Limits
from probetest.resources import bundled
from probetest.simulate import Mill, Plan, Probe, simulate_turned
from probetest.triggers import Triggers

GOAL = (0.0, 30.0, 90.0, 210.0)
WORN = Mill(reversal_mm=(0.025, 0.025), two_lobe_mm=0.003, two_lobe_azimuth_deg=30.0, step_mm=0.001)
RUNOUT = (0.015, -0.020)
KEYS = {
    "stage", "orientations_deg", "left_out", "n", "separability", "separable_orders", "blind_orders",
    "noise_mm", "dof", "misfit_p", "probe", "machine", "unassigned", "reversal_mm", "reversal_u_mm",
    "runout_mm", "runout_u_mm", "runout_azimuth_deg", "runout_lower_mm", "runout_upper_mm",
    "runout_misfit_p", "same_side",
}  # fmt: skip


@cache
def turned(orientations: tuple[float, ...] = GOAL, seed: int = 3) -> Triggers:
    """24 directions of 5 touches at each orientation, on a worn machine."""
    probe, plan = Probe(arm_azimuth_deg=100.0, runout_mm=RUNOUT), Plan(repeats=5)
    run = simulate_turned(probe, WORN, plan, orientations, rng=np.random.default_rng(seed))
    return replace(make_test(), frame=run.frame)


def kept(triggers: Triggers, keep: Callable[[pd.DataFrame], pd.Series]) -> Triggers:
    frame = triggers.frame[keep(triggers.frame)].reset_index(drop=True)
    return replace(triggers, frame=frame)


def parts_of(triggers: Triggers) -> list[tuple[Series, object]]:
    parts = []
    for part in split_series(triggers):
        try:
            parts.append((part, analyse(part, triggers.record.artefact, None)))
        except ValueError:
            parts.append((part, None))
    return parts


def variation_check(found: Qualification):
    (check,) = (check for check in found.checks if check.name == "pretravel_variation")
    return check


@cache
def judged(orientations: tuple[float, ...] = GOAL, limit_mm: float = 0.030) -> Qualification:
    return qualify(turned(orientations), Limits(max_pretravel_variation_mm=limit_mm))


# ---- the demo


@cache
def demo() -> tuple[Qualification, dict]:
    folder = bundled("data") / "demo"
    truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["probes"]
    (truth,) = (one for one in truths if one["serial"] == "SK1-008")
    (triggers,) = import_log(Path(folder) / "SK1-008.csv").tests
    return qualify(triggers, Limits(max_pretravel_variation_mm=0.014)), truth


def test_demo_tells_probe_and_machine_as_its_truth_says() -> None:
    found, truth = demo()
    apart = found.separated.known
    assert apart is not None
    assert apart.orientations_deg == tuple(truth["orientations_deg"])
    assert apart.n == 960
    for curve, name in ((apart.probe, "probe_variation_all_mm"), (apart.machine, "machine_variation_all_mm")):
        assert truth[name] in curve.interval_mm()
        assert curve.variation_mm == pytest.approx(truth[name], abs=0.0015)
    assert 0.025 in apart.runout.interval_mm  # told in the story of the demo
    assert apart.agrees
    assert apart.noise_mm == pytest.approx(truth["sd_mm"], rel=0.1)


def test_demo_passes_on_the_probe_alone_where_one_orientation_would_fail() -> None:
    found, truth = demo()
    check, own = variation_check(found), found.separated.known.probe
    assert truth["probe_variation_all_mm"] < 0.014 < truth["variation_mm"]
    assert check.label == "Pre-travel variation (probe alone)"
    assert check.verdict == "pass"
    assert (check.value, check.n) == (own.variation_mm, 960)
    assert (check.lower, check.upper) == (own.interval_mm().lower, own.interval_mm().upper)
    narrow = own.interval_mm(1 - 2 * found.limits.risk)
    assert (check.decision_lower, check.decision_upper) == (narrow.lower, narrow.upper)
    assert found.analysis.variation.interval_mm.lower > 0.014
    (alone,) = import_log(bundled("data") / "demo" / "SK1-008.csv").tests
    alone = kept(alone, lambda frame: frame["orientation_deg"] == 0)
    one = qualify(alone, found.limits)
    assert variation_check(one).verdict == "fail"
    assert variation_check(one).label == "Pre-travel variation (tested directions)"


def test_variation_of_single_orientations_is_not_judged() -> None:
    found, _ = demo()
    assert len(found.summaries) == 4
    for part in found.summaries:
        assert part.variation_mm > 0.014  # of probe and machine together
        assert part.verdict == "pass"


# ---- which series are used


def test_all_orientations_of_the_headline_stage_are_used() -> None:
    apart = separate_stage(parts_of(turned()))
    assert apart.stage == "baseline"
    assert apart.left_out == ()
    assert apart.reason == ""
    assert apart.known.orientations_deg == GOAL
    assert all(apart.uses(part) for part, _ in parts_of(turned()))
    length = np.hypot(*RUNOUT)
    assert length in apart.known.runout.interval_mm
    towards = np.rad2deg(np.arctan2(RUNOUT[1], RUNOUT[0])) % 360
    assert apart.known.runout.azimuth_deg == pytest.approx(towards, abs=2.0)
    assert apart.known.reversal.x_mm == pytest.approx(0.025, abs=4 * apart.known.reversal.x_u_mm)


def test_another_stage_has_no_part() -> None:
    triggers = turned()
    after = triggers.frame[triggers.frame["orientation_deg"] == 90].assign(stage="after")
    frame = pd.concat([triggers.frame, after], ignore_index=True)
    frame["touch"] = frame["line"] = np.arange(1, len(frame) + 1)
    found = qualify(replace(triggers, frame=frame), Limits())
    assert found.separated.known.n == 480
    used = {
        (part.stage, part.orientation_deg): found.separated.uses(part)
        for part in split_series(replace(triggers, frame=frame))
    }
    assert used == {("baseline", angle): True for angle in GOAL} | {("after", 90.0): False}


def test_one_orientation_says_what_to_do() -> None:
    apart = separate_stage(parts_of(turned())[:1])
    assert apart == Separated(None, ONE_ORIENTATION)
    assert apart.known is None
    assert not apart.uses(parts_of(turned())[0][0])
    assert separated_to_dict(apart) == {"separation": None, "separation_reason": ONE_ORIENTATION}
    assert separate_stage([]).reason == ONE_ORIENTATION


def thinned(reason: str) -> Triggers:
    """The log with its orientation 90 deg cut down."""

    def keep(frame: pd.DataFrame) -> pd.Series:
        here, azimuth = frame["orientation_deg"] == 90, frame["azimuth_deg"]
        if reason == "few":
            return ~here | azimuth.isin([0, 60, 120, 180, 240, 300])
        if reason == "no centre":
            return ~here | azimuth.isin([0, 180])
        return ~here | ~frame.duplicated(["orientation_deg", "azimuth_deg"])

    return kept(turned(), keep)


@pytest.mark.parametrize(
    ("cut", "reason"),
    [
        ("few", "it has 6 directions, at least 7 are needed"),
        ("no centre", "its directions give no centre"),
        ("once", "no direction was touched twice"),
    ],
)
def test_orientations_that_cannot_take_part_are_named(cut: str, reason: str) -> None:
    found = qualify(thinned(cut), Limits())
    apart = found.separated
    assert apart.left_out == ((90.0, reason),)
    assert apart.known.orientations_deg == (0.0, 30.0, 210.0)
    assert {part.orientation_deg for part in split_series(thinned(cut)) if apart.uses(part)} == {0, 30, 210}
    (listed,) = separated_to_dict(apart)["separation"]["left_out"]
    assert listed == {"orientation_deg": 90.0, "reason": reason}
    assert f"Orientation 90° has no part in telling probe and machine apart: {reason}." in found.remarks


def test_one_usable_orientation_is_not_enough() -> None:
    few = kept(
        turned(),
        lambda frame: (
            (frame["orientation_deg"] == 0)
            | ((frame["orientation_deg"] == 30) & frame["azimuth_deg"].isin([0, 60, 120, 180, 240, 300]))
        ),
    )
    apart = separate_stage(parts_of(few))
    assert apart.known is None
    assert "one orientation can't tell the probe from the machine" in apart.reason
    assert apart.left_out == ((30.0, "it has 6 directions, at least 7 are needed"),)


def test_thirds_of_a_turn_leave_the_check_to_the_tested_directions() -> None:
    found = judged((0.0, 120.0, 240.0))
    assert found.separated.separation is not None
    assert found.separated.known is None
    assert "order 3 is not separable" in found.separated.reason
    assert not any(found.separated.uses(part) for part in split_series(turned((0.0, 120.0, 240.0))))
    assert variation_check(found).label == "Pre-travel variation (tested directions)"
    plain = result_to_dict(found)["separation"]
    for whose in ("probe", "machine"):
        assert plain[whose]["variation_mm"] is None
        assert plain[whose]["variation_mm_reason"] == found.separated.reason
        assert plain[whose].get("curve_mm") is None
        assert {wave["order"] for wave in plain[whose]["harmonics"]} == {2, 4, 5, 7, 8, 10, 11}


# ---- the check


def test_blind_orders_that_would_decide_are_named() -> None:
    quarters = (0.0, 90.0, 180.0, 270.0)
    own = judged(quarters).separated.known.probe
    narrow = own.interval_mm(0.9)
    limit = (own.spans_mm[0][0] + 2.5 * own.spans_mm[0][1] + narrow.upper) / 2
    found = judged(quarters, float(limit))
    check = variation_check(found)
    assert narrow.lower < limit < narrow.upper
    assert check.verdict == "undecided"
    assert check.note.startswith("orders 4, 8 can't be told from the machine by these orientations")
    assert any("Waves of order 4, 8 look alike at all orientations" in remark for remark in found.remarks)


@pytest.mark.parametrize(("limit_mm", "verdict"), [(0.030, "pass"), (0.003, "fail")])
def test_probe_alone_is_held_against_the_limit(limit_mm: float, verdict: str) -> None:
    check = variation_check(judged(GOAL, limit_mm))
    assert (check.verdict, check.limit) == (verdict, limit_mm)


def test_a_limit_at_the_estimate_is_undecided_with_more_touches() -> None:
    own = judged().separated.known.probe
    check = variation_check(judged(GOAL, own.variation_mm * 1.01))
    assert check.verdict == "undecided"
    assert check.more_touches is None or check.more_touches > 0
    assert "orders" not in check.note


def test_flagged_touches_are_left_out_of_the_separation_too() -> None:
    triggers = turned()
    frame = triggers.frame.copy()
    row = frame.index[(frame["orientation_deg"] == 210) & (frame["azimuth_deg"] == 45)][2]
    frame.loc[row, ["x_mm", "y_mm"]] -= 0.05 / np.sqrt(2)  # a touch 0.05 mm early
    spoilt = replace(triggers, frame=frame)
    found = qualify(spoilt, Limits())
    touch = int(frame.loc[row, "touch"])
    assert touch in {flag.touch for flag in found.flags}
    flagged = {flag.touch for flag in found.flags if flag.touch is not None}
    assert found.without_flags.left_out == len(flagged)
    trimmed = kept(spoilt, lambda rows: ~rows["touch"].isin(flagged))
    again = qualify(trimmed, Limits()).separated.known.probe
    assert found.without_flags.probe_variation_mm == pytest.approx(again.variation_mm, abs=2e-5)
    assert found.without_flags.probe_variation_mm != found.separated.known.probe.variation_mm
    assert qualify(turned((0.0,)), Limits()).without_flags.probe_variation_mm is None


# ---- result.json


def test_dictionary_has_its_keys_and_finite_numbers() -> None:
    apart = judged().separated
    plain = separated_to_dict(apart)["separation"]
    assert not KEYS - set(plain)
    json.dumps(plain, allow_nan=False)
    known = apart.known
    assert plain["orientations_deg"] == list(GOAL)
    assert plain["probe"]["variation_mm"] == known.probe.variation_mm
    assert plain["machine"]["upper_mm"] == known.machine.interval_mm().upper
    assert len(plain["probe"]["azimuth_deg"]) == len(plain["probe"]["curve_mm"]) == 360
    assert plain["separability"][1] == {"order": 3, "s": pytest.approx(0.875)}
    assert plain["reversal_mm"] == {"x": known.reversal.x_mm, "y": known.reversal.y_mm}
    assert plain["same_side"]["pairs"] == 48
    assert "same_side_reason" not in plain


def test_what_two_orientations_cannot_say_is_null_in_the_file() -> None:
    plain = json.loads(result_to_json(judged((0.0, 90.0))))["separation"]
    assert plain["runout_misfit_p"] is None
    assert plain["reversal_mm"] is None
    assert "can't tell a reversal value" in plain["reversal_mm_reason"]
    assert plain["same_side"] is None
    assert plain["same_side_reason"] == "no two orientations lie 180 deg apart"
    assert plain["blind_orders"] == [4, 8]
    assert {wave["order"] for wave in plain["unassigned"]} == {4, 8}


def test_few_directions_at_two_orientations_give_a_file() -> None:
    # 7 directions of 2 orientations leave no degree of freedom for a misfit.
    test = make_test(plan=Plan(directions=7, repeats=5))
    run = simulate_turned(
        Probe(), Mill(), Plan(directions=7, repeats=5), (0.0, 35.0), rng=np.random.default_rng(2)
    )
    found = qualify(replace(test, frame=run.frame), Limits())
    plain = json.loads(result_to_json(found))["separation"]
    assert plain["misfit_p"] is None
    assert plain["separable_orders"] == [2, 3]
