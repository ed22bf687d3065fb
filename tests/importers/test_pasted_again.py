"""Lines that were pasted again are known by their time, and by nothing less."""

from __future__ import annotations

from pathlib import Path

import pytest

from probetest.importers import import_log

VALUES = [10.001, 10.002, 10.003, 10.002, 10.001, 10.004]


def lines(values: list[float], first: int = 0, *, timed: bool = True) -> list[str]:
    return [
        (f"[09:14:{first + place:02d}] " if timed else "") + f"[PRB:{value:.3f},0.000,-5.000:1]"
        for place, value in enumerate(values)
    ]


def read(folder: Path, texts: list[str]):
    log = folder / "log.txt"
    log.write_text("\n".join(texts) + "\n", encoding="utf-8")
    return import_log(log, units="mm", serial="A", direction=(0.0, 0.0))


def test_an_overlap_is_left_out_and_listed(tmp_path: Path) -> None:
    found = read(tmp_path, lines(VALUES) + lines(VALUES[3:], 3) + lines([10.005], 6))
    assert found.tests[0].frame["x_mm"].tolist() == [*VALUES, 10.005]
    assert [(one.line, one.reason) for one in found.skipped] == [
        (line, f"the same time and values as on line {line - 3}: pasted again") for line in (7, 8, 9)
    ]


def test_equal_values_at_other_times_are_touches(tmp_path: Path) -> None:
    found = read(tmp_path, lines([10.001] * 12))
    assert len(found.tests[0].frame) == 12
    assert found.skipped == ()


def test_two_touches_within_the_step_of_the_clock_are_touches(tmp_path: Path) -> None:
    found = read(tmp_path, [line for line in lines(VALUES) for _ in range(2)])
    assert len(found.tests[0].frame) == 12


@pytest.mark.parametrize("again", [1, 3])
def test_without_times_nothing_proves_that_lines_were_pasted_again(tmp_path: Path, again: int) -> None:
    found = read(tmp_path, lines(VALUES, timed=False) + lines(VALUES[:again], timed=False))
    assert len(found.tests[0].frame) == 6 + again


def test_the_same_time_and_value_on_the_next_day_is_a_touch(tmp_path: Path) -> None:
    values = [10.0 + 0.001 * (hour * 7 % 5) for hour in range(24)]
    day = [f"[{hour:02d}:00:00] [PRB:{value:.3f},0.000,-5.000:1]" for hour, value in enumerate(values)]
    found = read(tmp_path, [*day, *day[:20]])
    assert len(found.tests[0].frame) == 44
    assert found.tests[0].frame["time"].is_monotonic_increasing
