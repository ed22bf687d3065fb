"""Qualification end to end: verdicts, truth, honesty where the data can't carry a figure."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from sample_probes import DemoProbe, make_test

from probetest.errors import StatisticsError
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_dict, result_to_json
from probetest.limits import Limits
from probetest.simulate import Faults, Mill, Plan, Probe, radial_mean
from probetest.triggers import Artefact, Triggers, make_frame

VERDICTS = {
    "SK1-001": "pass",
    "SK1-002": "pass",
    "SK1-003": "pass",
    "SK1-004": "pass",
    "SK1-005": "fail",
    "SK1-006": "fail",
    "SK1-007": "undecided",
    "SK2-001": "pass",
    "SK2-002": "pass",
    "SK2-003": "undecided",
    "SK2-004": "fail",
    "SK2-005": "undecided",
    "SK2-006": "pass",
    "SK2-007": "undecided",
}


def verdicts_of(found: Qualification) -> dict[str, str]:
    return {check.name: check.verdict for check in found.checks}


@pytest.mark.parametrize("serial", VERDICTS)
def test_verdict_of_each_demo_probe(demo_probes: dict[str, DemoProbe], serial: str) -> None:
    assert demo_probes[serial].found.verdict == VERDICTS[serial]


@pytest.mark.parametrize(
    "serial", [s for s in VERDICTS if s not in ("SK1-005", "SK1-006", "SK1-007", "SK2-005")]
)
def test_true_scatter_lies_in_its_interval(demo_probes: dict[str, DemoProbe], serial: str) -> None:
    # Fixed data: 10 intervals of 99.9 %, widened by the rounding to 1.25 µm steps.
    probe = demo_probes[serial]
    spread = probe.found.analysis.repeatability
    truth = float(np.hypot(probe.truth["sd_mm"], probe.truth["step_mm"] / np.sqrt(12)))
    assert abs(spread.sd_mm - truth) < 3.5 * truth / np.sqrt(2 * spread.dof)


@pytest.mark.parametrize("serial", VERDICTS)
def test_variation_is_near_its_truth(demo_probes: dict[str, DemoProbe], serial: str) -> None:
    probe = demo_probes[serial]
    variation = probe.found.analysis.variation
    assert variation is not None
    noise = probe.found.analysis.noise_mm / np.sqrt(probe.found.analysis.counts.mean())
    assert abs(variation.variation_mm - probe.truth["variation_mm"]) < 3 * np.sqrt(2) * noise


@pytest.mark.parametrize("serial", [s for s in VERDICTS if s != "SK1-003"])
def test_arm_azimuth_is_found(demo_probes: dict[str, DemoProbe], serial: str) -> None:
    probe = demo_probes[serial]
    seat = probe.found.analysis.seat
    assert seat is not None
    assert seat.shown
    assert abs(seat.arm_azimuth_deg - probe.truth["arm_azimuth_deg"]) < 4 * seat.arm_azimuth_u_deg + 0.5


def test_early_contact_is_told_from_three_equal_arms(demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes["SK1-003"].found
    assert found.analysis.seat is not None
    assert not found.analysis.seat.fits
    assert any("not that of three equal arms" in remark for remark in found.remarks)


def test_mean_pretravel_covers_its_truth(demo_probes: dict[str, DemoProbe]) -> None:
    for serial in ("SK1-001", "SK1-002", "SK2-001", "SK2-003"):
        probe = demo_probes[serial]
        budget = next(b for b in probe.found.budgets if b.figure == "Mean pre-travel")
        assert abs(budget.value_mm - probe.truth["mean_mm"]) < budget.expanded_mm, serial


def test_mean_pretravel_needs_a_calibrated_artefact(demo_probes: dict[str, DemoProbe]) -> None:
    result = result_to_dict(demo_probes["SK2-006"].found)
    assert result["pretravel"]["mean_mm"] is None
    assert "calibrated" in result["pretravel"]["mean_mm_reason"]


def test_warm_up_is_found_as_drift(demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes["SK1-005"].found
    assert verdicts_of(found)["drift"] == "fail"
    drift = found.analysis.drift
    assert drift is not None
    assert drift.significant
    assert drift.sd_without_mm < 0.8 * found.analysis.repeatability.sd_mm


def test_failed_approaches_are_counted_and_listed(demo_probes: dict[str, DemoProbe]) -> None:
    found = demo_probes["SK1-006"].found
    assert (found.outcomes.missed, found.outcomes.open_at_start, found.outcomes.false) == (3, 1, 1)
    listed = [(flag.touch, flag.kind) for flag in found.flags if flag.touch is not None]
    assert listed == [
        (88, "missed"),
        (190, "missed"),
        (191, "open_at_start"),
        (257, "false"),
        (301, "missed"),
    ]


def test_flagged_touches_stay_in_and_are_pointed_at(
    demo_probes: dict[str, DemoProbe], demo_folder: Any
) -> None:
    found = demo_probes["SK1-007"].found
    touches = {flag.touch: flag for flag in found.flags if flag.kind == "touch"}
    assert set(touches) == {131, 288}
    lines = (demo_folder / "SK1-007.csv").read_text(encoding="utf-8").splitlines()
    for touch, flag in touches.items():
        assert flag.line is not None
        assert lines[flag.line - 1].startswith(f"{touch},")
    assert found.analysis.repeatability.n == 360
    assert found.without_flags.left_out == 2
    assert found.without_flags.sd_mm is not None
    assert found.without_flags.sd_mm < 0.8 * found.analysis.repeatability.sd_mm


def test_coarse_step_is_never_reported_as_a_small_scatter(demo_probes: dict[str, DemoProbe]) -> None:
    result = result_to_dict(demo_probes["SK2-005"].found)
    assert result["repeatability"]["sd_mm"] is None
    assert result["repeatability"]["sd_mm_reason"] == "not resolved, <= 0.005 mm"
    assert result["repeatability"]["upper_mm"] == pytest.approx(0.005)


def test_touches_in_rows_leave_drift_open(demo_probes: dict[str, DemoProbe]) -> None:
    assert verdicts_of(demo_probes["SK2-007"].found)["drift"] == "undecided"


def test_all_equal_readings_are_not_a_scatter_of_zero() -> None:
    found = qualify(make_test(Probe(sd_mm=1e-9, jitter_s=0), Mill(step_mm=0.001)), Limits())
    result = result_to_dict(found)
    assert result["repeatability"]["sd_mm"] is None
    assert "0.001" in result["repeatability"]["sd_mm_reason"]
    assert verdicts_of(found)["pooled_sd"] == "pass"


def test_wrong_pass_at_the_limit_is_within_the_risk() -> None:
    # The true sd is the limit: at 5 % risk at most 5 % may pass; 60 tests, 3 binomial sigmas.
    truth = float(np.hypot(0.004, 0.001 / np.sqrt(12)))
    limits = Limits(max_pooled_sd_mm=truth)
    probe, plan = Probe(sd_mm=0.004), Plan(directions=8, repeats=5)
    passed = sum(
        verdicts_of(qualify(make_test(probe, plan=plan, seed=seed), limits))["pooled_sd"] == "pass"
        for seed in range(60)
    )
    assert passed <= 60 * 0.05 + 3 * np.sqrt(60 * 0.05 * 0.95)


def test_more_touches_would_decide() -> None:
    truth = make_test(Probe(sd_mm=0.0035), plan=Plan(directions=8, repeats=5), seed=3)
    limits = Limits(max_pooled_sd_mm=0.004)
    check = next(c for c in qualify(truth, limits).checks if c.name == "pooled_sd")
    assert check.verdict == "undecided"
    assert check.more_touches is not None
    repeats = 5 + int(np.ceil(check.more_touches / 8))
    # The figure stays, more or less: the longer test has the same truth and decides.
    longer = make_test(Probe(sd_mm=check.value or 0.0), plan=Plan(directions=8, repeats=2 * repeats), seed=4)
    assert verdicts_of(qualify(longer, limits))["pooled_sd"] != "undecided"


def test_shape_beyond_the_limit_between_the_directions_is_no_pass() -> None:
    # Arms at 100 deg lie between the directions: 24 of them see less than the whole curve.
    probe = Probe(preload_n=6.5, wall_angle_deg=0.0, arm_azimuth_deg=97.5, sd_mm=0.0008)
    found = qualify(
        make_test(probe, plan=Plan(directions=24, repeats=25)), Limits(max_pretravel_variation_mm=0.040)
    )
    check = next(c for c in found.checks if c.name == "pretravel_variation")
    assert check.decision_upper is not None
    assert check.decision_upper < 0.040
    assert check.verdict == "undecided"
    assert "the fitted three-arm shape varies by 4" in check.note


def test_third_harmonic_peaks_towards_an_arm() -> None:
    found = qualify(make_test(Probe(arm_azimuth_deg=40.0)), Limits())
    result = result_to_dict(found)
    third = next(wave for wave in result["pretravel"]["harmonics"] if wave["order"] == 3)
    # The approach curve is largest towards an arm: the third harmonic peaks there.
    assert third["phase_deg"] == pytest.approx(40.0, abs=2.0)


@pytest.mark.parametrize("directions", [1, 2])
def test_too_few_directions_give_scatter_but_no_centre(directions: int) -> None:
    found = qualify(make_test(plan=Plan(directions=directions, repeats=25)), Limits())
    result = result_to_dict(found)
    assert result["repeatability"]["sd_mm"] == pytest.approx(0.0015, rel=0.5)
    assert result["pretravel"]["variation_mm"] is None
    assert "centre" in result["pretravel"]["variation_mm_reason"]
    assert verdicts_of(found)["pretravel_variation"] == "undecided"


@pytest.mark.parametrize("directions", [3, 4, 6])
def test_directions_that_hide_lobing_give_no_variation(directions: int) -> None:
    result = result_to_dict(qualify(make_test(plan=Plan(directions=directions, repeats=25)), Limits()))
    assert result["pretravel"]["variation_mm"] is None
    assert "hide" in result["pretravel"]["variation_mm_reason"]


def test_fewer_than_five_touches_decide_nothing() -> None:
    found = qualify(make_test(plan=Plan(directions=2, repeats=2)), Limits())
    assert set(verdicts_of(found).values()) == {"undecided"}
    assert all("values only" in check.note for check in found.checks)


def test_single_touches_are_refused_in_one_sentence() -> None:
    with pytest.raises(StatisticsError, match=r"t.csv, serial T-1: scatter can't be told"):
        qualify(make_test(plan=Plan(directions=8, repeats=1)), Limits())


def test_log_without_a_trigger_is_refused() -> None:
    test = make_test(plan=Plan(directions=4, repeats=2), faults=Faults(missed=tuple(range(1, 9))))
    with pytest.raises(StatisticsError, match="none of the approaches ended in a trigger"):
        qualify(test, Limits())


def test_readings_alone_give_the_same_scatter_as_positions() -> None:
    test = make_test()
    angle = np.deg2rad(test.frame["azimuth_deg"])
    along = test.frame["x_mm"] * np.cos(angle) + test.frame["y_mm"] * np.sin(angle)
    columns = {name: test.frame[name] for name in ("touch", "azimuth_deg")}
    alone = Triggers(test.record, make_frame({**columns, "reading_mm": along}), test.source)
    first, second = (qualify(t, Limits()).analysis for t in (test, alone))
    assert second.repeatability.sd_mm == pytest.approx(first.repeatability.sd_mm, rel=1e-3)
    assert second.variation is not None
    assert first.variation is not None
    assert second.variation.variation_mm == pytest.approx(first.variation.variation_mm, rel=1e-2)


def test_boss_and_ring_agree_on_the_sign() -> None:
    ring = make_test(Probe(arm_azimuth_deg=70.0))
    frame = ring.frame.copy()
    angle = np.deg2rad(frame["azimuth_deg"])
    inside = frame["x_mm"] * np.cos(angle) + frame["y_mm"] * np.sin(angle)
    # The same pre-travel outside a boss of 25 mm: the stylus comes from the far side.
    outside = inside - 10.5 - 14.5
    frame["x_mm"], frame["y_mm"] = outside * np.cos(angle), outside * np.sin(angle)
    record = ring.record.model_copy(update={"artefact": Artefact(kind="boss", diameter_mm=25.0, u_mm=0.0006)})
    first, second = qualify(ring, Limits()), qualify(Triggers(record, frame, ring.source), Limits())
    assert second.mean_pretravel_mm == pytest.approx(first.mean_pretravel_mm, abs=1e-5)
    assert second.analysis.seat is not None
    assert second.analysis.seat.arm_azimuth_deg == pytest.approx(70.0, abs=3.0)


def test_other_series_are_listed_and_not_pooled() -> None:
    base, after = make_test(seed=1), make_test(Probe(sd_mm=0.01), seed=2)
    late = after.frame.assign(stage=pd.Categorical(["after_overtravel"] * len(after.frame)))
    late = late.assign(touch=late["touch"] + len(base.frame))
    frame = pd.concat([base.frame, late], ignore_index=True)
    frame["outcome"] = frame["outcome"].astype(base.frame["outcome"].dtype)
    found = qualify(Triggers(base.record, frame, base.source), Limits())
    assert [part.stage for part in found.summaries] == ["baseline", "after_overtravel"]
    assert found.analysis.repeatability.n == len(base.frame)
    assert any("2 series" in remark for remark in found.remarks)


def test_touches_from_above_are_listed_apart() -> None:
    base = make_test()
    down = base.frame.iloc[:20].assign(elevation_deg=-90.0, azimuth_deg=0.0, touch=np.arange(1001, 1021))
    down["z_mm"] = -5 + np.random.default_rng(1).normal(0, 0.001, 20)
    frame = pd.concat([base.frame, down], ignore_index=True)
    found = qualify(Triggers(base.record, frame, base.source), Limits())
    ((elevation, spread),) = found.analysis.elevated
    assert elevation == -90.0
    assert spread.sd_mm == pytest.approx(down["z_mm"].std(), rel=1e-9)
    assert found.analysis.repeatability.n == len(base.frame)


def test_limit_that_is_off_is_not_checked() -> None:
    limits = Limits(max_drift_mm=None, min_cpk=None)
    assert {"drift", "cpk"}.isdisjoint(verdicts_of(qualify(make_test(), limits)))


def test_without_any_limit_nothing_is_decided() -> None:
    limits = Limits(
        max_pooled_sd_mm=None, max_worst_direction_sd_mm=None, max_pretravel_variation_mm=None,
        max_misses=None, max_miss_rate=None, max_drift_mm=None, min_cpk=None,
    )  # fmt: skip
    found = qualify(make_test(), limits)
    assert found.checks == ()
    assert found.verdict == "undecided"


def test_nominal_pretravel_makes_cpk_see_the_bias() -> None:
    centred = qualify(make_test(), Limits(nominal_pretravel_mm=0.0147)).capability
    off = qualify(make_test(), Limits(nominal_pretravel_mm=0.030)).capability
    assert centred is not None
    assert off is not None
    assert off.cpk < centred.cpk
    assert off.cp == pytest.approx(centred.cp, rel=0.05)


def test_result_is_plain_json_and_complete(demo_probes: dict[str, DemoProbe]) -> None:
    wanted = {
        "schema", "serial", "build", "verdict", "input", "checks", "repeatability", "pretravel", "drift",
        "capability", "outcomes", "flags", "without_flags",
    }  # fmt: skip
    for serial, probe in demo_probes.items():
        result = json.loads(result_to_json(probe.found))
        assert wanted <= set(result), serial
        assert result["serial"] == serial


def test_every_null_figure_has_its_reason(demo_probes: dict[str, DemoProbe]) -> None:
    figures = {"sd_mm", "variation_mm", "variation_all_mm", "mean_mm", "cp", "rate_mm_per_h"}
    for probe in demo_probes.values():
        result = result_to_dict(probe.found)
        for part in ("repeatability", "pretravel", "capability", "drift"):
            for key in figures & set(result[part]):
                if result[part][key] is None:
                    assert result[part][f"{key}_reason"], (part, key)


def test_hostile_texts_stay_texts_in_the_result() -> None:
    test = make_test()
    record = test.record.model_copy(
        update={"serial": "</script>\ud800\x00", "notes": (("k", "=cmd|' /C calc'!A0"),)}
    )
    found = qualify(replace(test, record=record), Limits())
    assert json.loads(result_to_json(found))["conditions"]["notes"] == [["k", "=cmd|' /C calc'!A0"]]


def turned(test: Triggers, azimuth_deg: object) -> Triggers:
    return replace(test, frame=test.frame.assign(azimuth_deg=azimuth_deg))


def test_azimuth_of_the_force_instead_of_the_motion_is_refused() -> None:
    test = make_test()
    flipped = turned(test, np.mod(test.frame["azimuth_deg"] + 180.0, 360.0))
    with pytest.raises(StatisticsError, match=r"240 of 240 touches lie on the side .* MOVES"):
        qualify(flipped, Limits())


def test_one_wrong_azimuth_is_named_with_its_line() -> None:
    test = make_test()
    azimuth = test.frame["azimuth_deg"].to_numpy().copy()
    azimuth[6] = np.mod(azimuth[6] + 180.0, 360.0)
    with pytest.raises(StatisticsError, match=r"1 of 240 touches .* touch 7, line 7"):
        qualify(turned(test, azimuth), Limits())


def test_log_without_an_artefact_says_what_was_not_checked() -> None:
    found = qualify(make_test(artefact=None), Limits())
    assert any("names no artefact" in remark for remark in found.remarks)


@pytest.mark.parametrize("diameter_mm", [20.0, 30.0], ids=["too small", "too large"])
def test_wrong_diameter_is_refused(diameter_mm: float) -> None:
    artefact = Artefact(kind="ring", diameter_mm=diameter_mm, u_mm=0.0006)
    with pytest.raises(StatisticsError, match=r"2\.\d+ mm from where .* units of the log"):
        qualify(make_test(artefact=artefact), Limits())


def test_inch_values_called_mm_are_refused() -> None:
    test = make_test()
    frame = test.frame.assign(x_mm=test.frame["x_mm"] / 25.4, y_mm=test.frame["y_mm"] / 25.4)
    with pytest.raises(StatisticsError, match="units of the log"):
        qualify(replace(test, frame=frame), Limits())


def test_bad_other_series_is_no_pass() -> None:
    base, after = make_test(seed=1), make_test(Probe(sd_mm=0.04), seed=2)
    late = after.frame.assign(stage=pd.Categorical(["after_service"] * len(after.frame)))
    late = late.assign(touch=late["touch"] + len(base.frame))
    frame = pd.concat([base.frame, late], ignore_index=True)
    frame["outcome"] = frame["outcome"].astype(base.frame["outcome"].dtype)
    found = qualify(Triggers(base.record, frame, base.source), Limits())
    assert verdicts_of(found)["other_series"] == "fail"
    assert found.verdict == "fail"
    assert found.summaries[1].verdict == "fail"


def test_good_other_series_passes() -> None:
    base, after = make_test(seed=1), make_test(seed=2)
    late = after.frame.assign(stage=pd.Categorical(["after_service"] * len(after.frame)))
    late = late.assign(touch=late["touch"] + len(base.frame))
    frame = pd.concat([base.frame, late], ignore_index=True)
    frame["outcome"] = frame["outcome"].astype(base.frame["outcome"].dtype)
    found = qualify(Triggers(base.record, frame, base.source), Limits())
    assert verdicts_of(found)["other_series"] == "pass"


def test_notices_of_the_import_reach_the_remarks() -> None:
    test = make_test()
    noticed = replace(
        test, source=replace(test.source, notices=("Columns that are not understood: Bemerkung.",))
    )
    assert any("Bemerkung" in remark for remark in qualify(noticed, Limits()).remarks)


def test_bad_direction_is_not_hidden_by_a_coarse_step() -> None:
    test = make_test(Probe(sd_mm=0.0002, jitter_s=0), Mill(step_mm=0.005), Plan(directions=24, repeats=15))
    frame = test.frame.copy()
    bad = frame["azimuth_deg"] == 90.0
    frame.loc[bad, "y_mm"] += np.round(np.random.default_rng(5).normal(0, 0.012, bad.sum()) / 0.005) * 0.005
    found = qualify(replace(test, frame=frame), Limits(max_pooled_sd_mm=0.006, min_cpk=None))
    assert verdicts_of(found)["worst_direction_sd"] != "pass"
    assert any(flag.kind == "scatter" and flag.azimuth_deg == 90.0 for flag in found.flags)


def test_directions_that_may_hide_lobing_give_no_pass_without_a_shape() -> None:
    # Twelve directions 15 deg off the arms see 38 % of the curve; a reversal value spoils its shape.
    probe = Probe(preload_n=7.0, wall_angle_deg=0.0, arm_azimuth_deg=105.0, sd_mm=0.0008)
    plan = Plan(directions=12, repeats=15)
    found = qualify(make_test(probe, Mill(reversal_mm=(0.012, 0.012)), plan), Limits(tolerance_mm=0.3))
    check = next(c for c in found.checks if c.name == "pretravel_variation")
    assert check.decision_upper is not None
    assert check.decision_upper < check.limit
    assert check.verdict == "undecided"


@pytest.mark.parametrize("directions", [3, 4, 6])
def test_no_cpk_where_lobing_can_not_be_seen(directions: int) -> None:
    found = qualify(make_test(plan=Plan(directions=directions, repeats=25)), Limits())
    assert verdicts_of(found)["cpk"] == "undecided"
    assert result_to_dict(found)["capability"]["cpk"] is None


def test_drift_there_and_back_is_no_absence_of_drift() -> None:
    test = make_test(plan=Plan(directions=24, repeats=15))
    frame = test.frame.copy()
    share = np.linspace(0, 1, len(frame))
    angle = np.deg2rad(frame["azimuth_deg"])
    for axis, wave in (("x_mm", np.cos(angle)), ("y_mm", np.sin(angle))):
        frame[axis] += 0.012 * 2 * np.minimum(share, 1 - share) * wave
    found = qualify(replace(test, frame=frame), Limits())
    assert verdicts_of(found)["drift"] == "fail"
    assert any("in a curve" in remark for remark in found.remarks)


def test_form_of_the_artefact_widens_the_verdict() -> None:
    plain, rough = (
        Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006, form_mm=form) for form in (None, 0.030)
    )
    limits = Limits(max_pretravel_variation_mm=0.020)
    assert verdicts_of(qualify(make_test(artefact=plain), limits))["pretravel_variation"] == "pass"
    assert verdicts_of(qualify(make_test(artefact=rough), limits))["pretravel_variation"] == "undecided"


def test_touches_from_above_are_judged_in_the_worst_direction() -> None:
    base = make_test()
    down = base.frame.iloc[:20].assign(elevation_deg=-90.0, azimuth_deg=0.0, touch=np.arange(1001, 1021))
    down["z_mm"] = -5 + np.random.default_rng(1).normal(0, 0.05, 20)
    frame = pd.concat([base.frame, down], ignore_index=True)
    found = qualify(Triggers(base.record, frame, base.source), Limits())
    check = next(c for c in found.checks if c.name == "worst_direction_sd")
    assert check.verdict == "fail"
    assert "elevation -90" in check.note


def test_direction_without_any_trigger_is_named() -> None:
    test = make_test()
    touches = tuple(int(t) for t in test.frame.loc[test.frame["azimuth_deg"] == 45.0, "touch"])
    found = qualify(make_test(faults=Faults(missed=touches)), Limits())
    assert any("azimuth 45°" in remark for remark in found.remarks)


def test_mean_pretravel_of_an_arc_carries_what_the_arc_hides() -> None:
    probe, plan = Probe(preload_n=3.0), Plan(directions=48, repeats=10)
    turn = np.arange(0.0, 360.0, 0.5)
    truth = float(radial_mean(probe, Mill(), plan, turn).mean()) - 10.5
    test = make_test(probe, plan=plan)
    arc = test.frame[test.frame["azimuth_deg"] <= 200.0].reset_index(drop=True)
    whole, part = (qualify(replace(test, frame=frame), Limits()) for frame in (test.frame, arc))
    for found in (whole, part):
        budget = next(b for b in found.budgets if b.figure == "Mean pre-travel")
        assert abs(budget.value_mm - truth) < budget.expanded_mm
    wide, narrow = (f.budgets[-1].expanded_mm for f in (part, whole))
    assert wide > 2 * narrow


def test_inch_digits_are_found_in_inches() -> None:
    test = make_test(Probe(sd_mm=0.0003, jitter_s=0), plan=Plan(directions=12, repeats=5))
    frame = test.frame.copy()
    for axis in ("x_mm", "y_mm"):
        frame[axis] = np.round(frame[axis] / 25.4, 4) * 25.4
    inch = replace(test, frame=frame, source=replace(test.source, units="inch"))
    assert qualify(inch, Limits()).analysis.resolution.step_mm == pytest.approx(0.00254)


def two_stages(second: Triggers) -> Triggers:
    base = make_test(seed=1)
    late = second.frame.assign(stage=pd.Categorical(["after_service"] * len(second.frame)))
    late = late.assign(touch=late["touch"] + len(base.frame))
    frame = pd.concat([base.frame, late], ignore_index=True)
    frame["outcome"] = frame["outcome"].astype(base.frame["outcome"].dtype)
    return Triggers(base.record, frame, base.source)


def test_other_series_is_not_judged_where_its_limits_are_off() -> None:
    limits = Limits(max_pooled_sd_mm=None, max_worst_direction_sd_mm=None, max_pretravel_variation_mm=None)
    found = qualify(two_stages(make_test(Probe(sd_mm=0.04), seed=2)), limits)
    assert "other_series" not in verdicts_of(found)
    assert found.summaries[1].verdict is None


def test_misses_of_another_stage_are_not_drawn_into_the_headline() -> None:
    found = qualify(two_stages(make_test(seed=2, faults=Faults(missed=(5,)))), Limits())
    assert found.outcomes.missed == 1
    assert found.failed_touches == []
    assert [flag.stage for flag in found.flags if flag.kind == "missed"] == ["after_service"]


def test_figures_without_flags_keep_the_digits_of_an_inch_log() -> None:
    test = make_test(Probe(sd_mm=0.0008, jitter_s=0), plan=Plan(directions=12, repeats=15))
    frame = test.frame.copy()
    frame.loc[20, ["x_mm", "y_mm"]] *= 1 - 0.05 / 10.5
    for axis in ("x_mm", "y_mm"):
        frame[axis] = np.round(frame[axis] / 25.4, 4) * 25.4
    inch = replace(test, frame=frame, source=replace(test.source, units="inch"))
    found = qualify(inch, Limits())
    assert found.without_flags.left_out == 1
    # 0.8 µm beside digits of 2.54 µm are not resolved, whichever way the decimals are counted.
    assert found.analysis.resolution.step_mm == pytest.approx(0.00254)
    assert found.without_flags.sd_mm is None or found.without_flags.sd_mm >= 0.4 * 0.00254


def test_uncertain_ring_widens_cpk_about_a_nominal() -> None:
    limits = Limits(nominal_pretravel_mm=0.0147, tolerance_mm=0.03)
    fine, coarse = (
        next(c for c in qualify(make_test(artefact=ring), limits).checks if c.name == "cpk")
        for ring in (Artefact(kind="ring", diameter_mm=25.0, u_mm=u) for u in (0.0001, 0.02))
    )
    assert fine.lower is not None
    assert coarse.lower is not None
    assert coarse.lower < fine.lower - 0.5
