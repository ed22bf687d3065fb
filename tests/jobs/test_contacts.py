"""Whole logs with a known fault of the contacts: what is found, of which arm, and in which words of JSON."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from contact_logs import FOUR, ONE, PROBE, log_of, look, looked, off_deg, simulated
from scipy import stats

from probetest.jobs import contacts as module
from probetest.jobs.analysis import analyse, split_series
from probetest.jobs.contact_service import service_of
from probetest.jobs.contact_words import CAUTIONS, WORDS
from probetest.jobs.contacts import Contacts, against_earlier, contacts_of
from probetest.jobs.contacts_json import contacts_to_dict, service_to_dict
from probetest.jobs.qualify import qualify
from probetest.jobs.result import result_to_dict
from probetest.limits import Limits
from probetest.simulate import Mill
from probetest.simulate_faults import ContactFault

HEALTHY = ContactFault("healthy")
EARLY = ContactFault("early", 1, 0.2)
NOISY = ContactFault("noisy", 1)
INTERMITTENT = ContactFault("intermittent", 1, rate=0.25)
MISSED = ContactFault("missed", 1, 0.25)
TILTED = ContactFault("tilted", 1, 0.03)
MACHINE = ContactFault("machine")
HYSTERESIS = ContactFault("hysteresis")
LATE = ContactFault("late", 2, 0.2)
ARM_DEG = 160.0
"""Azimuth of arm 1 of ``PROBE``."""

FINDINGS = (
    "healthy", "early", "late", "tilted", "intermittent", "loose_stylus", "weak_spring", "open", "hysteresis",
    "machine", "unknown",
)  # fmt: skip


def answer(found: Contacts) -> tuple[str, bool | None]:
    """The finding, and whether its arm is the right one."""
    first = found.finding.first
    return first.kind, None if first.arm_azimuth_deg is None else off_deg(first.arm_azimuth_deg, ARM_DEG) < 5


def moved(frame: pd.DataFrame, along_mm: np.ndarray) -> pd.DataFrame:
    """Each touch later by a length along its motion."""
    angle = np.deg2rad(frame["azimuth_deg"].to_numpy())
    x, y = (frame[c] + along_mm * f(angle) for c, f in (("x_mm", np.cos), ("y_mm", np.sin)))
    return frame.assign(x_mm=x, y_mm=y)


# ---- each kind of fault


@pytest.mark.parametrize(
    ("fault", "orientations", "expected"),
    [
        (HEALTHY, ONE, ("healthy", None)),
        (HEALTHY, FOUR, ("healthy", None)),
        (EARLY, (75.0,), ("early", True)),
        (EARLY, FOUR, ("early", True)),
        (TILTED, ONE, ("tilted", True)),
        (INTERMITTENT, FOUR, ("intermittent", True)),
        (NOISY, ONE, ("intermittent", True)),
        (NOISY, FOUR, ("intermittent", True)),
        (ContactFault("loose_stylus", size=0.03), ONE, ("loose_stylus", None)),
        (MISSED, FOUR, ("open", True)),
        (HYSTERESIS, ONE, ("hysteresis", None)),
        (MACHINE, ONE, ("machine", None)),
        (MACHINE, FOUR, ("healthy", None)),
        (ContactFault("drift"), FOUR, ("healthy", None)),
    ],
    ids=lambda value: value.kind if isinstance(value, ContactFault) else None,
)
def test_a_fault_gives_its_finding_and_its_arm(fault, orientations, expected) -> None:
    found = looked(fault, orientations)
    assert answer(found) == expected
    assert found.orientations_deg == orientations
    assert found.touches == (simulated(fault, orientations).frame["outcome"] == "trigger").sum()


@pytest.mark.parametrize(("fault", "share", "azimuth"), [(EARLY, -0.2, ARM_DEG), (LATE, 0.2, 280.0)])
def test_each_arm_is_found_where_it_is_and_as_large(fault, share: float, azimuth: float) -> None:
    found = looked(fault)
    first = found.finding.first
    assert first.kind == fault.kind
    assert off_deg(first.arm_azimuth_deg, azimuth) < 5
    (arm,) = [one for one in found.gains.arms if one.azimuth_deg == first.arm_azimuth_deg]
    # Fixed seeds; 3.3 standard errors are passed by chance once in 1000.
    assert abs(arm.contrast - np.log1p(share)) < stats.t.isf(0.0005, 200) * arm.u


def test_a_curve_is_held_against_an_earlier_one() -> None:
    was = looked(HEALTHY)
    same = against_earlier(was, was)
    assert (same.finding.first.kind, same.seen.size.change) == ("healthy", 0.0)
    assert same.seen.size.touches == 2 * 288
    # Pre-travel is in proportion to the force of the spring.
    weak = replace(was.gains, lobe_mm=0.6 * was.gains.lobe_mm, lobe_u_mm=0.6 * was.gains.lobe_u_mm)
    later = replace(was, seen=replace(was.seen, gains=weak))
    found = against_earlier(later, was)
    assert answer(found) == ("weak_spring", None)
    assert found.seen.size.change == pytest.approx(np.log(0.6), rel=1e-12)
    assert found.seen.size.u == pytest.approx(np.sqrt(2) * was.gains.lobe_u_mm / was.gains.lobe_mm, rel=1e-12)
    few = look(simulated(HEALTHY, ONE, directions=6).frame)
    assert against_earlier(was, few).seen.size is None


# ---- turned in the spindle


def test_one_orientation_leaves_a_side_of_the_machine_open() -> None:
    assert "machine" in [one.kind for one in looked(NOISY, ONE).finding.others]
    assert "machine" not in [one.kind for one in looked(NOISY, FOUR).finding.others]


def test_a_side_of_the_machine_that_scatters_is_no_arm_once_the_probe_is_turned() -> None:
    frame = simulated(HEALTHY).frame
    side = (frame["azimuth_deg"] - 340.0 + 180.0) % 360.0 - 180.0
    more = np.random.default_rng(5).normal(0.0, 0.005, len(frame))
    found = look(moved(frame, np.where(side.abs() < 60.0, more, 0.0)))
    assert found.finding.first.kind in ("healthy", "unknown")


def test_orientations_counted_clockwise_leave_the_first_one() -> None:
    frame = simulated(MISSED).frame
    found = look(frame.assign(orientation_deg=(-frame["orientation_deg"]) % 360.0), clockwise=True)
    assert found.orientations_deg == (0.0,)
    sectors = found.seen.failed.sectors
    assert sum(sectors.touches) + sectors.touches_between == 72
    assert found.finding.first.kind == "open"
    # All approaches of the stage are counted, and the wrong orientations name no wrong arm.
    assert found.seen.failed.approaches == 288
    assert answer(found)[1] in (None, True)


# ---- what lies beside a fault


def test_coarse_steps_hide_no_fault() -> None:
    frame = simulated(NOISY, mill=Mill(step_mm=0.005)).frame
    assert answer(look(frame, step_mm=0.005)) == ("intermittent", True)


def test_readings_without_scatter_are_not_healthy() -> None:
    found = looked(HEALTHY, ONE, probe=replace(PROBE, sd_mm=0.0), mill=Mill(step_mm=0.005))
    assert found.finding.first.kind == "unknown"
    assert "no direction shows any scatter, so no arm can show more than another" in found.notes


def looks_of(frame: pd.DataFrame) -> list:
    return [
        module._Look(part, analyse(part, None, None, curve_wanted=False))
        for part in split_series(log_of(frame))
    ]


def test_a_drift_is_taken_out_of_the_curve() -> None:
    frame = simulated(HEALTHY, ONE).frame
    place = np.linspace(0.0, 1.0, len(frame))
    (still,), (warm,) = looks_of(frame), looks_of(moved(frame, 0.02 * place**2))
    assert (still.drifted, warm.drifted) == (False, True)
    was, now = still.turn(), warm.turn()
    # Level and three powers of the order take no more than 7 of 216 degrees of freedom.
    assert now.dof == pytest.approx(240 - 24 - 7)
    assert now.sd_mm == pytest.approx(was.sd_mm, rel=0.05)
    shift = now.mean_mm - was.mean_mm
    angle = np.deg2rad(now.azimuth_deg)
    design = np.column_stack([np.ones(24), np.cos(angle), np.sin(angle)])
    left = shift - design @ np.linalg.lstsq(design, shift, rcond=None)[0]
    assert np.abs(left).max() < 3 * 0.002 / np.sqrt(10)


def test_a_step_of_the_centre_is_taken_out_of_the_curve() -> None:
    (still,), (tilted,) = looks_of(simulated(HEALTHY, ONE).frame), looks_of(simulated(TILTED, ONE).frame)
    assert (len(still.steps.steps), len(tilted.steps.steps)) == (0, 1)
    assert tilted.turn().dof == pytest.approx(240 - 24 - 3)
    # The seed gives both the same scatter: what is left of 30 µm is the error of the step, and its time.
    assert tilted.turn().sd_mm == pytest.approx(still.turn().sd_mm, rel=0.1)
    assert looked(TILTED, ONE).finding.first.kind == "tilted"
    for was, now in zip(looked(HEALTHY, ONE).gains.arms, looked(TILTED, ONE).gains.arms, strict=True):
        assert abs(now.contrast - was.contrast) < 2 * was.u


# ---- what is stated, and what is not enough


def test_a_stated_arm_is_taken_as_it_stands() -> None:
    frame = simulated(EARLY).frame
    found = look(frame, arm_azimuth_deg=280.0)
    assert answer(found) == ("early", True)
    assert [arm.azimuth_deg for arm in found.gains.arms] == pytest.approx([40.0, 160.0, 280.0], abs=1e-6)
    assert (found.arm_stated, found.gains.arm_u_deg) == (True, 0.0)
    assert not looked(EARLY).arm_stated


@pytest.mark.parametrize("off", [20.0, 60.0, 180.0, -75.0])
def test_an_arm_stated_in_the_wrong_place_is_said_and_not_used(off: float) -> None:
    found = look(simulated(EARLY).frame, arm_azimuth_deg=PROBE.arm_azimuth_deg + off)
    assert answer(found) == ("early", True)
    assert not found.arm_stated
    assert f"states an arm at {PROBE.arm_azimuth_deg + off:g}°" in found.notes[0]
    assert "correct arm_azimuth_deg" in found.notes[0]


@pytest.mark.parametrize(
    ("directions", "words"), [(6, "no orientation has enough directions"), (8, "touch from")]
)
def test_too_few_directions_are_not_healthy(directions: int, words: str) -> None:
    found = look(simulated(HEALTHY, ONE, directions=directions).frame)
    assert (found.finding.first.kind, found.finding.first.confidence) == ("unknown", None)
    assert words in found.finding.first.why
    assert found.seen.scatter == ()
    assert found.notes[0] == found.finding.first.why


def test_a_stage_that_could_not_be_analysed_says_so() -> None:
    frame = simulated(MISSED, ONE).frame
    (part,) = split_series(log_of(frame))
    found = contacts_of([(part, None)], frame)
    # Misses are counted whatever the curve; no arm is named.
    assert (answer(found), found.orientations_deg, found.touches) == (("open", None), (), 0)


# ---- a service


def test_a_service_that_helps_is_told() -> None:
    for fault in (EARLY, NOISY, INTERMITTENT):
        assert service_of(looked(fault), looked(HEALTHY, ONE)).verdict == "helped"


def test_a_service_that_changes_nothing_is_not_said_to_help() -> None:
    service = service_of(looked(NOISY), looked(NOISY, ONE))
    assert (service.verdict, len(service.changes)) == ("no change shown", 3)
    assert {one.word for one in service.changes} == {"no change shown"}
    assert service_of(looked(HEALTHY), looked(HEALTHY, ONE)).verdict == "no change shown"


def test_a_service_only_helped_where_the_change_is_shown() -> None:
    # A fault before and none after it: but with errors so large that nothing need have changed.
    before = looked(EARLY)
    arms = tuple(replace(arm, u=0.5) for arm in before.gains.arms)
    before = replace(before, seen=replace(before.seen, gains=replace(before.seen.gains, arms=arms)))
    assert service_of(before, looked(HEALTHY, ONE)).verdict == "no change shown"
    # So for scatter: its intervals before and after must lie apart.
    noisy = looked(NOISY)
    wide = tuple(replace(one, interval=replace(one.interval, lower=0.9)) for one in noisy.seen.scatter)
    noisy = replace(noisy, seen=replace(noisy.seen, scatter=wide, early_touches=None))
    assert service_of(noisy, looked(HEALTHY, ONE)).verdict == "no change shown"


def test_other_arms_cannot_be_held_against_each_other() -> None:
    was = looked(HEALTHY)
    arms = tuple(replace(arm, azimuth_deg=arm.azimuth_deg + 60.0) for arm in was.gains.arms)
    turned = replace(was, seen=replace(was.seen, gains=replace(was.gains, arms=arms)))
    service = service_of(looked(EARLY), turned)
    assert (service.verdict, service.changes) == ("can't tell", ())
    assert re.search("(59|60) deg apart", service.reason)
    few = look(simulated(HEALTHY, ONE, directions=6).frame)
    assert service_of(looked(EARLY), few).reason == few.seen.gains_reason


@pytest.fixture(scope="module")
def serviced():
    """A log with an early arm, and a stage after a service without."""
    first, second = (simulated(fault, ONE, seed=s).frame for fault, s in ((EARLY, 1), (HEALTHY, 2)))
    frame = pd.concat(
        [first.assign(stage="baseline"), second.assign(stage="after_service")], ignore_index=True
    )
    frame["stage"] = pd.Categorical(frame["stage"], categories=["baseline", "after_service"])
    frame["touch"] = frame["line"] = np.arange(1, len(frame) + 1)
    return qualify(log_of(frame), Limits())


def test_a_log_with_a_service_compares_its_stages(serviced) -> None:
    assert answer(serviced.contacts) == ("early", True)
    assert serviced.contacts.touches == 240
    service = serviced.service
    assert (service.verdict, service.after.stage, service.after.finding.first.kind) == (
        "helped", "after_service", "healthy",
    )  # fmt: skip
    changed = min(service.changes, key=lambda one: off_deg(one.azimuth_deg, ARM_DEG))
    assert changed.word == "changed"
    assert changed.interval.lower < np.log(1.25) < changed.interval.upper


# ---- JSON


ALL = [
    (HEALTHY, ONE), (EARLY, FOUR), (TILTED, ONE), (NOISY, FOUR), (MISSED, FOUR), (MACHINE, ONE),
    (HYSTERESIS, ONE), (INTERMITTENT, FOUR),
]  # fmt: skip


def walk(value: object):
    if isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from walk(part)
    else:
        yield value


@pytest.mark.parametrize(("fault", "orientations"), ALL, ids=lambda value: getattr(value, "kind", None))
def test_json_keeps_the_contract(fault, orientations) -> None:
    found = looked(fault, orientations)
    plain = contacts_to_dict(found)
    assert {"finding", "arm_azimuth_deg", "confidence", "evidence", "advice", "alternatives"} <= plain.keys()
    first = found.finding.first
    assert (plain["finding"], plain["arm_azimuth_deg"], plain["confidence"]) == (
        first.kind, first.arm_azimuth_deg, first.confidence,
    )  # fmt: skip
    assert ("confidence_reason" in plain) is (plain["confidence"] is None)
    assert {plain["finding"], *(one["finding"] for one in plain["alternatives"])} <= set(FINDINGS)
    assert len(plain["evidence"]) == len(found.finding.evidence)
    assert plain["advice"] == list(WORDS[first.kind].advice)
    assert plain["cautions"] == (CAUTIONS if WORDS[first.kind].opens else "")
    assert plain["n"] == found.touches
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    for value in walk(plain):
        assert value is None or isinstance(value, str | int | bool) or math.isfinite(value)


def test_json_has_null_for_what_is_infinite() -> None:
    found = looked(NOISY)
    wide = [
        replace(one, value=math.inf, interval=replace(one.interval, upper=math.inf), p=math.nan)
        for one in found.finding.evidence
        if one.interval is not None
    ]
    gains = replace(found.seen.gains, misfit_p=math.nan)
    odd = replace(
        found, finding=replace(found.finding, evidence=tuple(wide)), seen=replace(found.seen, gains=gains)
    )
    plain = contacts_to_dict(odd)
    json.dumps(plain, allow_nan=False)
    assert {(one["value"], one["upper"], one["p"]) for one in plain["evidence"]} == {(None, None, None)}
    assert plain["arms"]["misfit_p"] is None


def test_json_of_nothing_known() -> None:
    plain = contacts_to_dict(look(simulated(HEALTHY, ONE, directions=6).frame))
    assert (plain["finding"], plain["arms"], plain["arm_azimuth_deg"]) == ("unknown", None, None)
    json.dumps(plain, allow_nan=False)
    assert service_to_dict(None) is None


def test_result_json_holds_contacts_and_service(serviced) -> None:
    plain = result_to_dict(serviced)
    assert plain["contacts"] == contacts_to_dict(serviced.contacts)
    assert plain["service"] == json.loads(json.dumps(service_to_dict(serviced.service), allow_nan=False))
    assert (plain["service"]["verdict"], plain["service"]["before"]) == ("helped", "early")
    assert plain["service"]["after"]["finding"] == "healthy"
    assert "changed" in [one["word"] for one in plain["service"]["arms"]]


# ---- what is easily missed


def test_few_very_early_touches_of_one_sector_are_not_drowned() -> None:
    """Seven touches 6 sd early in one sector, beside what normal scatter sends beyond 2.5 sd."""
    frame = simulated(HEALTHY, ONE, seed=4).frame
    azimuth = frame["azimuth_deg"].to_numpy()
    mine = np.flatnonzero(np.abs((azimuth - ARM_DEG - 180 + 180) % 360 - 180) < 50)
    shift = np.zeros(len(frame))
    shift[mine[:: len(mine) // 9][:9]] = -0.012
    found = look(moved(frame, shift))
    early = found.seen.early_touches
    assert early is not None
    assert early.arm is not None
    assert early.events[early.arm] >= 7
    assert answer(found) == ("intermittent", True)


def test_directions_in_rows_are_noticed() -> None:
    frame = simulated(HEALTHY, ONE).frame
    assert look(frame).seen.in_turn
    rows = frame.sort_values(["azimuth_deg", "touch"], kind="stable").reset_index(drop=True)
    rows["touch"] = rows["line"] = np.arange(1, len(rows) + 1)
    assert not look(rows).seen.in_turn


def test_lobes_are_held_against_tests_of_the_same_plan_only() -> None:
    found, few = looked(HEALTHY, ONE), looked(HEALTHY, ONE, directions=12)
    assert against_earlier(found, looked(HEALTHY, ONE, seed=2)).seen.size is not None
    assert against_earlier(found, few).seen.size is None
    assert against_earlier(found, looked(HEALTHY, FOUR)).seen.size is None


def test_healthy_says_what_would_not_have_been_seen() -> None:
    """0 of 240 approaches: the exact 95 % limit is 1.5 % (Clopper and Pearson)."""
    found = looked(HEALTHY, ONE)
    assert contacts_to_dict(found)["not_seen"] == list(found.not_seen)
    assert "step of the centre below about" in found.not_seen[0]
    assert found.not_seen[-1] == "a circuit that fails in fewer than 1.5 % of the approaches (95 %)"


def test_step_of_the_centre_is_told_with_its_place_size_and_direction() -> None:
    """A ball that moves 30 um along arm 1: the centre of the readings goes the other way or back."""
    found = looked(TILTED, ONE)
    (step,) = contacts_to_dict(found)["steps"]
    assert step["lower_mm"] < 0.03 < step["upper_mm"]
    along = min(off_deg(step["direction_deg"], ARM_DEG), off_deg(step["direction_deg"], ARM_DEG + 180))
    assert along < 3.5 * step["direction_u_deg"]
    (moved_at,) = simulated(TILTED, ONE).truth["touches"]
    assert step["after_lower"] - 1 <= moved_at - 1 <= step["after_upper"] + 1
    assert step["n"] == found.touches
    assert looked(HEALTHY, ONE).steps[0][1].steps == ()
    assert contacts_to_dict(looked(HEALTHY, ONE))["steps"] == []
