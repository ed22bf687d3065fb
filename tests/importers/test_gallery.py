"""The invented logs of data/logs against the simulated approaches they were written from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from probetest.gallery import ANSWERS, MISSED, face_test, round_test, write_gallery
from probetest.importers import import_log
from probetest.importers.pattern import built_in_patterns
from probetest.jobs.reading import Reading
from probetest.resources import bundled

LOGS = bundled("data") / "logs"


def read(name: str, **changed: Any):
    answers = {**ANSWERS[name], **changed}
    if "plan" in answers:
        answers["plan"] = LOGS / str(answers["plan"])
    return import_log(LOGS / name, Reading(**answers, about=LOGS / "about.toml").told())


def test_the_files_are_what_the_gallery_writes(tmp_path: Path) -> None:
    write_gallery(tmp_path)
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert written == {path.name: path.read_bytes() for path in LOGS.iterdir()}


def test_every_shape_has_a_log_that_is_read_as_it() -> None:
    shapes = {read(name).shape for name in ANSWERS}
    assert shapes == {*built_in_patterns(), "spreadsheet table"}


@pytest.mark.parametrize(
    ("name", "half_digit_mm"),
    [
        ("bracketed-result.txt", 0.0005),
        ("echoed-console.txt", 0.0005),
        ("json-result-lines.txt", 0.0005),
    ],
)
def test_a_round_test_is_read_to_its_last_digit(name: str, half_digit_mm: float) -> None:
    truth, (test,) = round_test(), read(name).tests
    frame = test.frame
    assert frame["outcome"].tolist() == truth["outcome"].tolist()
    np.testing.assert_allclose(frame["azimuth_deg"], truth["azimuth_deg"], atol=0.01)
    np.testing.assert_allclose(frame["x_mm"], truth["x_mm"], atol=half_digit_mm * 1.0001)
    np.testing.assert_allclose(frame["y_mm"], truth["y_mm"], atol=half_digit_mm * 1.0001)
    assert test.record.serial == "SK2-101"
    assert (frame["z_mm"].dropna() == -5.0).all()


def test_bare_columns_hold_the_touches_without_the_miss() -> None:
    truth, (test,) = round_test(), read("bare-axis-columns.txt").tests
    touched = truth.drop(index=MISSED - 1)
    np.testing.assert_allclose(test.frame["x_mm"], touched["x_mm"], atol=5e-7)
    np.testing.assert_allclose(test.frame["azimuth_deg"], touched["azimuth_deg"], atol=0.06)
    assert test.frame["line"].tolist() == list(range(1, 60))


@pytest.mark.parametrize(
    ("name", "half_digit_mm"), [("labelled-values.txt", 5e-5), ("spreadsheet-table.csv", 5e-5)]
)
def test_faces_give_readings_along_the_approach(name: str, half_digit_mm: float) -> None:
    truth, (test,) = face_test(), read(name).tests
    angle = np.radians(truth["azimuth_deg"])
    along = truth["x_mm"] * np.cos(angle).round(12) + truth["y_mm"] * np.sin(angle).round(12)
    np.testing.assert_allclose(test.frame["reading_mm"], along, atol=half_digit_mm * 1.0001)
    assert test.frame["azimuth_deg"].tolist() == truth["azimuth_deg"].tolist()


def test_a_copied_display_and_deltas_hold_one_face() -> None:
    truth = face_test()
    own = truth.loc[truth["azimuth_deg"] == 0, "x_mm"].to_numpy()
    (shown,) = read("copied-display.txt").tests
    (deltas,) = read("single-deltas.txt").tests
    np.testing.assert_allclose(shown.frame["reading_mm"], own, atol=0.002501)
    np.testing.assert_allclose(deltas.frame["reading_mm"], own - own[0], atol=0.000501)


def test_times_go_on_past_midnight_on_the_stated_day() -> None:
    (test,) = read("echoed-console.txt").tests
    time = test.frame["time"]
    assert str(time.iloc[0]) == "2026-04-07 23:55:03"
    assert time.is_monotonic_increasing
    assert str(time.iloc[-1].date()) == "2026-04-08"


def test_all_touches_of_pairs_and_only_the_fast_ones() -> None:
    fast, both = read("echoed-console.txt", feeds="fast"), read("echoed-console.txt", feeds="all")
    assert len(fast.tests[0].frame) == 60
    assert set(fast.tests[0].frame["feed_mm_min"]) == {200.0}
    assert len(both.tests[0].frame) == 120


def test_line_of_each_touch_is_that_of_its_result() -> None:
    lines = (LOGS / "bracketed-result.txt").read_text(encoding="utf-8").splitlines()
    (test,) = read("bracketed-result.txt").tests
    assert all(lines[line - 1].startswith("[PRB:") for line in test.frame["line"])
    assert len(test.frame) == sum(line.startswith("[PRB:") for line in lines)
