"""The margins file: every bad value is named with its line, and the written-out one holds the defaults."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from probetest.errors import MarginsError
from probetest.margins import Margins, read_margins
from probetest.resources import bundled

OPEN = {"max_faults_per_1000_h"}


def margins(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "margins.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_no_file_gives_the_defaults() -> None:
    assert read_margins(None) == Margins()


def test_written_out_file_equals_the_defaults_and_names_every_key(tmp_path: Path) -> None:
    path = bundled("data") / "margins.toml"
    text = path.read_text("utf-8")
    found = read_margins(path)
    assert found == Margins()
    assert found.model_fields_set == set(Margins.model_fields) - OPEN
    assert (found.max_misses_per_1000, found.max_faults_per_1000_h) == (20.0, None)
    # With its open limit put in, every key is there.
    all_in = read_margins(margins(tmp_path, re.sub(r"^# (max_)", r"\1", text, flags=re.MULTILINE)))
    assert all_in.model_fields_set == set(Margins.model_fields)


def test_values_are_taken(tmp_path: Path) -> None:
    found = read_margins(margins(tmp_path, "sd_ratio = 1.5\ncan_repair = 4\nmax_misses_per_1000 = 2\n"))
    assert (found.sd_ratio, found.can_repair, found.max_misses_per_1000) == (1.5, 4, 2.0)
    assert found.variation_mm == Margins().variation_mm


@pytest.mark.parametrize(
    "line",
    [
        "sd_ratio = 1.0",
        "sd_ratio = 0.8",
        "sd_ratio = 101",
        'sd_ratio = "1.25"',
        "sd_ratio = nan",
        "sd_ratio = inf",
        "sd_ratio = true",
        "mean_pretravel_mm = 0",
        "mean_pretravel_mm = -0.003",
        "variation_mm = 101",
        "variation_mm = [0.003]",
        "unevenness_mm = 0.0",
        "miss_rate = 0",
        "miss_rate = 1",
        "ageing_months = 0",
        "ageing_months = 1001",
        "can_repair = 0",
        "can_repair = 1.5",
        "can_repair = 10001",
        "max_misses_per_1000 = 0",
        "max_faults_per_1000_h = -1",
        'max_faults_per_1000_h = "off"',
        "risk = 0",
        "risk = 0.009",
        "risk = 0.5",
        "power = 0.5",
        "power = 1",
        "sd_ration = 1.25",
    ],
)
def test_each_bad_value_is_named_with_its_line(line: str, tmp_path: Path) -> None:
    with pytest.raises(MarginsError) as told:
        read_margins(margins(tmp_path, f"# a comment\n\n{line}   # why\n"))
    message = str(told.value)
    key = line.partition(" ")[0]
    assert "margins.toml, line 3" in message
    assert key in message


def test_all_bad_values_are_named(tmp_path: Path) -> None:
    with pytest.raises(MarginsError) as told:
        read_margins(margins(tmp_path, "risk = 7\npower = 0.8\ncolour = 1\nsd_ratio = 0.1\n"))
    message = str(told.value)
    for place in ("line 1", "line 3", "line 4"):
        assert place in message
    assert "line 2" not in message


@pytest.mark.parametrize("text", ["risk = \n", "risk 0.05", "[risk", "\x00"])
def test_what_is_no_toml_is_told(text: str, tmp_path: Path) -> None:
    with pytest.raises(MarginsError, match=r"margins\.toml.*no valid TOML"):
        read_margins(margins(tmp_path, text))


def test_what_is_no_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(MarginsError, match=r"none\.toml"):
        read_margins(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"risk = 0.05 # \xff")
    with pytest.raises(MarginsError, match="not UTF-8"):
        read_margins(tmp_path / "bad.toml")


def test_smallest_risk_is_one_that_charts_can_be_made_for() -> None:
    import numpy as np
    from sample_production import invented_build, together

    from probetest.jobs.ramping import Field, make_ramp
    from probetest.jobs.trend import make_trend

    least = Margins(risk=0.01)
    tests = together(invented_build(np.random.default_rng(1), "a", 6))
    found = make_trend(tests, make_ramp(Field(6, 0), "field reports", least), least)
    assert len(found.charts) == 5
