"""The study counts, sums up and writes what it says; a short run of it keeps the stated rates."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from simulated import assert_share_at_least, assert_share_at_most

from probetest.study import __main__ as study
from probetest.study.cells import Cell
from probetest.study.counted import count_cells
from probetest.study.estimators import compare_estimators
from probetest.study.pages import study_page, write_study
from probetest.study.side_studies import planted_faults
from probetest.study.summary import pooled, variation_bias, well_sampled, wide

RUNS = 16
"""Tests of each cell of the short run."""

SMALL = [Cell(8, 3, 0.0, "normal"), Cell(12, 5, 3.0, "sector")]

KEPT = {
    "normal": 0.94,
    "skewed": 0.92,
    "step_1": 0.93,
    "step_2": 0.93,
    "drifting": 0.93,
    "sector": 0.92,
}
"""Coverage that the short run must not contradict, by kind of scatter."""


@cache
def short_run() -> pd.DataFrame:
    """Half a minute of the study: so many tests of a few cells of each kind."""
    cells = [Cell(12, 5, 3.0, kind) for kind in KEPT]
    cells += [Cell(24, 10, 3.0, kind) for kind in ("normal", "drifting")]
    return count_cells([*cells, Cell(12, 5, 0.0, "normal"), Cell(24, 5, 10.0, "normal")], RUNS)


def hits(mark: str, kinds: tuple[str, ...] | None = None) -> tuple[int, int]:
    marks = short_run()
    part = marks[(marks["mark"] == mark) & (marks["kind"].isin(kinds or tuple(KEPT)))]
    return round(float((part["mean"] * part["n"]).sum())), int(part["n"].sum())


@pytest.mark.parametrize("kind", list(KEPT))
@pytest.mark.parametrize("mark", ["covers pooled sd", "covers direction sd", "covers variation"])
def test_intervals_cover_as_stated(mark: str, kind: str) -> None:
    assert_share_at_least(*hits(mark, (kind,)), KEPT[kind])


@pytest.mark.parametrize("check", ["pooled_sd", "worst_direction_sd", "pretravel_variation"])
def test_a_probe_at_its_limit_is_wrongly_passed_and_failed_as_rarely_as_stated(check: str) -> None:
    for outcome in ("passed", "failed"):
        assert_share_at_most(*hits(f"limit {outcome} {check}"), 0.055)


@pytest.mark.parametrize("flag", ["touch", "direction", "drift", "neighbours", "first touch"])
def test_flags_are_false_as_rarely_as_stated(flag: str) -> None:
    assert_share_at_most(*hits(f"flag {flag}", ("normal", "step_1", "step_2")), 0.012)


def test_drift_is_found() -> None:
    found, tests = hits("flag drift", ("drifting",))
    assert found == tests


def test_generous_limits_are_never_failed() -> None:
    for check in ("pooled_sd", "pretravel_variation"):
        assert hits(f"generous failed {check}")[0] == 0


def test_variation_is_little_biased_in_every_cell_of_the_short_run() -> None:
    table = variation_bias(short_run())
    error = table["rmse_sd"] / np.sqrt(RUNS)
    assert (np.abs(table["bias_sd"]) <= table["allowed_sd"] + 3.3 * error).all()


# ---- counting


def test_the_same_cells_give_the_same_counts_on_any_number_of_processes() -> None:
    alone, shared = count_cells(SMALL, 4), count_cells(SMALL, 4, processes=2)
    pd.testing.assert_frame_equal(alone, shared)


def test_progress_is_told_once_a_cell() -> None:
    told: list[int] = []
    count_cells(SMALL, 2, done=lambda: told.append(1))
    assert len(told) == len(SMALL)


# ---- summing up

MARKS = pd.DataFrame(
    {
        "directions": [8, 12, 24],
        "touches": [5, 5, 10],
        "variation_sd": [0.0, 0.0, 10.0],
        "kind": ["normal"] * 3,
        "mark": ["covers variation"] * 3,
        "n": [100, 100, 300],
        "mean": [0.9, 0.8, 1.0],
        "sd": [0.1] * 3,
    }
)


def test_pooled_shares_weigh_cells_by_their_tests() -> None:
    (row,) = pooled(MARKS, ["covers variation"]).to_dict("records")
    assert row["n"] == 500
    assert row["share"] == pytest.approx(0.94)
    assert (row["least"], row["most"]) == (0.8, 1.0)
    assert row["lower"] < 0.94 < row["upper"]


def test_goals_are_for_ten_directions_and_five_touches() -> None:
    assert well_sampled(MARKS)["directions"].tolist() == [12, 24]


@pytest.mark.parametrize(
    ("true", "bias", "kept"), [(0.0, 0.3, True), (0.0, -0.31, False), (20.0, 0.6, True), (20.0, 0.61, False)]
)
def test_bias_is_held_against_the_larger_of_two_bounds(true: float, bias: float, kept: bool) -> None:
    marks = MARKS.iloc[[1, 1]].assign(
        mark=["error variation", "error raw range"], mean=[bias, 2.0], variation_sd=true
    )
    (row,) = variation_bias(marks).to_dict("records")
    assert row["kept"] is kept
    assert row["rmse_sd"] == pytest.approx(np.hypot(bias, 0.1))
    assert row["raw_bias_sd"] == 2.0


def test_wide_table_has_a_row_a_cell() -> None:
    assert len(wide(MARKS)) == 3
    assert wide(MARKS)["covers variation"].tolist() == [0.9, 0.8, 1.0]


# ---- side studies


def test_a_touch_far_off_is_nearly_always_found() -> None:
    power = planted_faults(10)
    far = power[power["fault"] == "a touch off by 10 sd"]
    assert (far["found"] >= 0.8).all()
    near = power[power["fault"] == "a touch off by 3 sd"]
    assert near["found"].mean() < 0.5


def test_estimators_keep_the_order_that_is_claimed() -> None:
    table = compare_estimators(24, 5, 3.0, 40).set_index(["curve", "estimator"])["rmse_u"]
    assert table["three arms", "this software"] < 0.5 * table["three arms", "raw range"]
    assert table["one arm early", "this software"] < table["one arm early", "three-arm shape"]


# ---- files


def test_the_study_is_written_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probetest.study.side_studies.PLANTED_DIRECTIONS", (12,))
    marks, power = count_cells(SMALL, 3), planted_faults(10)
    files = write_study(marks, power, compare_estimators(8, 3, 0.0, 5), 3, tmp_path / "study")
    assert {path.name for path in (tmp_path / "study").iterdir()} == {path.name for path in files}
    assert files[0].read_text(encoding="utf-8") == study_page(
        marks, power, compare_estimators(8, 3, 0.0, 5), 3
    )
    assert len(pd.read_csv(tmp_path / "study" / "cells.csv")) == len(SMALL)


def test_the_command_writes_where_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probetest.study.cells.full_grid", lambda: SMALL)
    monkeypatch.setattr(
        "probetest.study.side_studies.variation_estimators",
        lambda tests, **_: compare_estimators(8, 3, 0.0, 5),
    )
    monkeypatch.setattr("probetest.study.side_studies.PLANTED_DIRECTIONS", (12,))
    out = tmp_path / "out"
    done = CliRunner().invoke(study.main, ["--tests", "1", "--processes", "1", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert (out / "coverage.svg").read_bytes().startswith(b"<?xml")
