"""Limits files: what is refused, and in which words."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from probetest.errors import LimitsError
from probetest.limits import DEFAULT_SOURCES, Limits, read_limits
from probetest.resources import bundled


def test_shipped_file_states_the_defaults() -> None:
    stated = read_limits(bundled("data") / "limits.toml")
    assert stated.model_dump() == Limits().model_dump()


def test_each_default_says_where_it_comes_from() -> None:
    unset = {"nominal_pretravel_mm", "longest_pretravel_mm"}
    assert set(DEFAULT_SOURCES) == set(Limits.model_fields) - unset


def test_stated_limit_is_marked_as_the_users(tmp_path: Path) -> None:
    file = tmp_path / "l.toml"
    file.write_text("max_pooled_sd_mm = 0.002\n", encoding="utf-8")
    limits = read_limits(file)
    assert limits.source("max_pooled_sd_mm") == "limits file"
    assert "small-shop" in limits.source("max_drift_mm")


def test_off_switches_a_check_off(tmp_path: Path) -> None:
    file = tmp_path / "l.toml"
    file.write_text('max_drift_mm = "off"\n', encoding="utf-8")
    assert read_limits(file).max_drift_mm is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("max_sd = 0.004\n", ["line 1", "unknown key 'max_sd'", "max_pooled_sd_mm"]),
        ("\nmax_drift_mm = -1\n", ["line 2, key max_drift_mm", "-1", "greater than 0"]),
        ("risk = 0.7\n", ["line 1", "risk", "0.7", "less than 0.5"]),
        ('min_cpk = "high"\n', ["min_cpk", "'high'", "number"]),
        ("max_misses = 1.5\n", ["max_misses", "1.5", "integer"]),
        ("max_miss_rate = 3\n", ["max_miss_rate", "3", "less than 1"]),
        ("tolerance_mm = nan\n", ["tolerance_mm", "nan"]),
        ("max_drift_mm = inf\n", ["max_drift_mm", "inf"]),
        ("max_drift_mm 0.01\n", ["line 1", "TOML"]),
        ("risk = true\n", ["risk", "true"]),
        ("[limits]\nrisk = 0.05\n", ["unknown key 'limits'"]),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_mistake_is_named_with_its_place(tmp_path: Path, text: str, expected: list[str]) -> None:
    file = tmp_path / "limits.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(LimitsError) as caught:
        read_limits(file)
    message = str(caught.value)
    assert "limits.toml" in message
    assert [part for part in expected if part.lower() not in message.lower()] == []


def test_all_mistakes_are_named_at_once(tmp_path: Path) -> None:
    file = tmp_path / "l.toml"
    file.write_text("a = 1\nb = 2\nrisk = 9\n", encoding="utf-8")
    with pytest.raises(LimitsError) as caught:
        read_limits(file)
    assert len(str(caught.value).splitlines()) == 3


@pytest.mark.parametrize(("name", "words"), [("none.toml", "no readable file"), (".", "no plain file")])
def test_unreadable_file_is_one_sentence(tmp_path: Path, name: str, words: str) -> None:
    with pytest.raises(LimitsError, match=words):
        read_limits(tmp_path / name)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
def test_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(LimitsError, match="no plain file"):
        read_limits(tmp_path / "pipe.toml")


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    file = tmp_path / "l.toml"
    file.write_bytes(b"risk = \xff\xfe")
    with pytest.raises(LimitsError, match="UTF-8"):
        read_limits(file)
