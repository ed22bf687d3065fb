"""Touches that a controller did not write: found, corrected by the plan, or no verdict."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sample_probes import make_test

from probetest.importers import read_logs, write_native_log
from probetest.jobs.qualify import Qualification, qualify
from probetest.limits import Limits
from probetest.simulate import Plan, Probe
from probetest.triggers import Triggers

SD_MM = 0.0015
STEP_MM = 0.002


def in_rows(seed: int = 3) -> Triggers:
    """24 directions of 10 touches, one direction after the other, on coarse steps."""
    test = make_test(Probe(sd_mm=SD_MM, jitter_s=0), plan=Plan(directions=24, repeats=10), seed=seed)
    frame = test.frame.sort_values("azimuth_deg", kind="stable").reset_index(drop=True)
    frame["touch"] = np.arange(1, len(frame) + 1)
    for axis in ("x_mm", "y_mm"):
        frame[axis] = np.round(frame[axis] / STEP_MM) * STEP_MM
    return replace(test, frame=frame)


def without_equal_ones(test: Triggers, planned: int | None) -> Triggers:
    """The log of a controller that does not write a position equal to the one before."""
    positions = test.frame[["x_mm", "y_mm", "z_mm"]]
    new = (positions.diff().abs() > 1e-9).any(axis=1) | (positions.index == 0)
    frame = test.frame[new].reset_index(drop=True)
    frame["touch"] = np.arange(1, len(frame) + 1)
    record = test.record.model_copy(update={"planned_touches": planned})
    return replace(test, frame=frame, record=record)


def check_of(found: Qualification, name: str):
    return next(check for check in found.checks if check.name == name)


def test_a_plan_corrects_the_scatter_for_equal_touches_that_were_not_written() -> None:
    whole = qualify(in_rows(), Limits()).analysis.repeatability
    found = qualify(without_equal_ones(in_rows(), 10), Limits()).analysis
    assert found.lost.lost > 40
    assert found.lost.explained
    assert found.repeatability.n == 240
    assert found.repeatability.logged_sd_mm > 1.1 * whole.logged_sd_mm
    assert found.repeatability.sd_mm == pytest.approx(whole.sd_mm, rel=0.1)


def test_the_corrected_figures_are_said_to_be() -> None:
    found = qualify(without_equal_ones(in_rows(), 10), Limits())
    lost = found.analysis.lost.lost
    assert any(f"lacks {lost} planned touches" in remark for remark in found.remarks)


def test_without_a_plan_missing_equal_touches_are_suspected_and_nothing_is_decided() -> None:
    found = qualify(without_equal_ones(in_rows(), None), Limits())
    assert found.analysis.lost.suspected
    assert check_of(found, "pooled_sd").verdict == "undecided"
    assert "planned_touches" in check_of(found, "pooled_sd").note
    assert any("seems to lack touches" in remark for remark in found.remarks)


def test_a_whole_log_in_rows_is_not_suspected() -> None:
    found = qualify(in_rows(), Limits())
    assert not found.analysis.lost.suspected
    assert check_of(found, "pooled_sd").verdict == "pass"


def test_touches_taken_in_turn_can_not_be_lost_that_way() -> None:
    found = qualify(make_test(), Limits()).analysis.lost
    assert (found.lost, found.suspected) == (0, False)
    assert found.equal.pairs < 5


def test_lost_touches_never_fail_a_probe_by_its_worst_direction() -> None:
    found = qualify(without_equal_ones(in_rows(), 10), Limits(max_worst_direction_sd_mm=0.0011))
    assert check_of(found, "worst_direction_sd").verdict == "undecided"
    assert "equal ones are missing" in check_of(found, "worst_direction_sd").note


def test_failed_approaches_are_not_lost_touches() -> None:
    test = in_rows()
    frame = test.frame.copy()
    frame.loc[[5, 17], "outcome"] = "missed"
    record = test.record.model_copy(update={"planned_touches": 10})
    assert qualify(replace(test, frame=frame, record=record), Limits()).analysis.lost.lost == 0


def test_touches_that_are_missing_for_another_reason_are_only_told() -> None:
    test = in_rows()
    record = test.record.model_copy(update={"planned_touches": 11})
    found = qualify(replace(test, record=record), Limits())
    assert found.analysis.lost.lost == 24
    assert not found.analysis.lost.explained
    assert any("why is not known" in remark for remark in found.remarks)


def test_planned_touches_are_read_and_written(tmp_path: Path) -> None:
    test = make_test()
    stated = replace(test, record=test.record.model_copy(update={"planned_touches": 12}))
    write_native_log(stated, tmp_path / "log.csv")
    (again,) = read_logs(tmp_path / "log.csv")
    assert again.record.planned_touches == 12
