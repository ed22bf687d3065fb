"""The study of the separation simulates what it says, and counts and writes it right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from probetest.simulate import Mill, Plan, Probe, pretravel, simulate_turned
from probetest.statistics.approach import unit_vectors
from probetest.study import separation_study
from probetest.study.separation_study import (
    CHUNK,
    FINE_DEG,
    GOAL,
    GOAL_SET,
    KINDS,
    SD_MM,
    Case,
    all_cases,
    chunks_of,
    draw_truth,
    judge,
    make_turn,
    run_cases,
    separation_figure,
    separation_page,
    share_text,
    simulate_turns,
    true_variation,
)

PAIR = (Case(), Case((0.0, 120.0, 240.0)), Case((0.0,)))


def test_cases_are_all_different_and_hold_the_goal() -> None:
    cases = all_cases()
    assert len({case.name for case in cases}) == len(cases) == 25
    assert GOAL in cases
    assert {case.variation_mm for case in cases} == {0.0, 0.010, 0.030, 0.050}
    assert {len(case.orientations_deg) for case in cases} == {1, 2, 3, 4}


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("variation_mm", [0.0, 0.010, 0.050])
def test_the_probe_varies_by_the_stated_truth(kind: str, variation_mm: float) -> None:
    truth = draw_truth(Case(variation_mm=variation_mm, kind=kind), np.random.default_rng(1))
    assert true_variation(truth.probe_curve(FINE_DEG)) == pytest.approx(variation_mm)
    # A finer grid finds the peaks of the kinks, at most 0.3 % higher.
    finer = np.arange(0.0, 360.0, 0.01)
    curve = truth.probe_curve(finer)
    plain = np.column_stack([np.ones(len(finer)), unit_vectors(finer)])
    exact = np.ptp(curve - plain @ np.linalg.lstsq(plain, curve, rcond=None)[0])
    assert variation_mm <= exact + 1e-12 <= variation_mm * 1.01 + 2e-12


def test_an_early_arm_trips_at_its_share_of_the_force() -> None:
    # Along the arm of a seat only that arm lifts: the force is least there.
    early, healthy = KINDS["one early arm"], KINDS["healthy"]
    towards = np.array([90.0, 210.0, 330.0]) + 180.0
    ratio = pretravel(early, towards) / pretravel(healthy, towards)
    assert ratio == pytest.approx([1.0, separation_study.EARLY_GAIN, 1.0], abs=1e-9)


def test_turns_read_as_a_simulated_log_does() -> None:
    rng = np.random.default_rng(2)
    truth = draw_truth(Case(variation_mm=0.0), rng)
    mill, runout = truth.mill, truth.runout_mm
    probe = Probe(runout_mm=runout, sd_mm=0.0, jitter_s=0.0, latency_s=0.0)
    plan = Plan(directions=24, repeats=2, rounds=False)
    frame = simulate_turned(probe, mill, plan, GOAL_SET, rng=rng).frame
    for angle, rows in frame.groupby("orientation_deg"):
        azimuth = rows["azimuth_deg"].to_numpy()
        read = (rows[["x_mm", "y_mm"]].to_numpy() * unit_vectors(azimuth)).sum(axis=1)
        own = truth.reading(azimuth, float(angle)) + pretravel(probe, azimuth - float(angle))
        off = read - own
        assert off == pytest.approx(np.full(len(off), (25.0 - 4.0) / 2), abs=1e-9)


def test_a_turn_is_a_plain_summary_of_its_touches() -> None:
    azimuth = np.arange(12) * 30.0
    readings = np.random.default_rng(3).normal(0, 0.002, (12, 5)) + 3.0 * np.cos(np.deg2rad(azimuth))[:, None]
    turn = make_turn(30.0, azimuth, readings)
    assert turn.centre_mm == pytest.approx((3.0, 0.0), abs=0.005)
    assert unit_vectors(azimuth).T @ turn.mean_mm == pytest.approx([0.0, 0.0], abs=1e-12)
    back = turn.mean_mm + unit_vectors(azimuth) @ turn.centre_mm
    assert back == pytest.approx(readings.mean(axis=1))
    assert turn.sd_mm**2 == pytest.approx(((readings - readings.mean(axis=1)[:, None]) ** 2).sum() / 48)
    assert (turn.dof, turn.counts.tolist()) == (48.0, [5] * 12)


def test_scatter_is_the_stated_one() -> None:
    rng = np.random.default_rng(4)
    turns = [turn for _ in range(20) for turn in simulate_turns(draw_truth(GOAL, rng), GOAL_SET, rng)]
    pooled = np.sqrt(np.mean([turn.sd_mm**2 for turn in turns]))
    assert pooled == pytest.approx(SD_MM, abs=4 * SD_MM / np.sqrt(2 * 20 * 4 * 96))


def test_marks_are_of_what_each_case_can_give() -> None:
    both, none, one = (set(judge(case, np.random.default_rng(5))) for case in PAIR)
    assert none == {"misfit", "runout covers"}
    assert one == {"probe error", "probe covers", "probe half"}
    assert both == none | one | {"machine error", "machine covers", "machine half"}


def test_chunks_hold_all_tests_once() -> None:
    chunks = list(chunks_of([(GOAL, 2 * CHUNK + 3), (PAIR[1], 1)]))
    assert [(case, runs) for case, _, runs in chunks] == [
        (GOAL, CHUNK),
        (GOAL, CHUNK),
        (GOAL, 3),
        (PAIR[1], 1),
    ]
    assert [number for _, number, _ in chunks] == [0, 1, 2, 0]


@pytest.fixture(scope="module")
def short() -> dict[Case, pd.DataFrame]:
    return run_cases([(case, 4) for case in PAIR])


def test_any_number_of_processes_gives_the_same(short: dict[Case, pd.DataFrame]) -> None:
    told: list[int] = []
    again = run_cases([(case, 4) for case in PAIR], processes=2, done=lambda: told.append(1))
    assert len(told) == len(PAIR)
    for case, marks in short.items():
        pd.testing.assert_frame_equal(marks, again[case])


def test_shares_have_their_standard_error() -> None:
    assert share_text(pd.Series([1.0] * 50 + [0.0] * 50)) == "50.0 ± 5.0"
    assert share_text(pd.Series([1.0] * 98)) == "100.0 ± 1.0"  # 99 of 100 drawn: not 0


def test_page_says_what_was_found(short: dict[Case, pd.DataFrame]) -> None:
    page = separation_page(short)
    error = 1000 * short[GOAL]["probe error"]
    assert f"| 0, 30, 90, 210° | 10 | healthy | 4 | {error.mean():+.2f} ± {error.std() / 2:.2f} |" in page
    assert "No curve is given with 0, 120, 240°" in page
    assert "Missed in 0 of 1 cases (none)" in page
    far = {GOAL: short[GOAL].assign(**{"probe error": 0.003, "probe covers": 0.0})}
    assert "Missed in 1 of 1 cases (10 µm, healthy)" in separation_page(far)
    assert "clearly too rarely in 1 (10 µm, healthy)" in separation_page(far)
    assert "No curve is given" not in separation_page(far)


def test_one_orientation_is_far_off_and_four_are_not(short: dict[Case, pd.DataFrame]) -> None:
    assert (short[PAIR[2]]["probe error"] > 0.005).all()
    assert (short[GOAL]["probe error"].abs() < 0.003).all()


def test_figure_has_a_row_a_case_with_a_curve(short: dict[Case, pd.DataFrame]) -> None:
    left, right = separation_figure(short).axes
    assert [label.get_text() for label in left.get_yticklabels()] == [PAIR[0].name, PAIR[2].name]
    assert right.get_xlabel() == "coverage / %"


def test_the_command_writes_page_and_figure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(separation_study, "all_cases", lambda: list(PAIR))
    out = tmp_path / "deep" / "study"
    done = CliRunner().invoke(separation_study.main, ["--runs", "3", "--processes", "1", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == {"separation.md", "separation.svg"}
    assert (out / "separation.svg").read_bytes().startswith(b"<?xml")
    assert "| 0, 30, 90, 210° | 10 | healthy | 3 |" in (out / "separation.md").read_text(encoding="utf-8")


def test_the_machine_of_the_study_is_the_stated_one() -> None:
    truth = draw_truth(GOAL, np.random.default_rng(6))
    assert truth.mill.reversal_mm == (0.025, 0.025)
    assert truth.mill.two_lobe_mm == 0.010
    assert np.hypot(*truth.runout_mm) == pytest.approx(0.025)
    assert isinstance(truth.mill, Mill)
