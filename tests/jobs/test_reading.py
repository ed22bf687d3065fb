"""The answers of the user, on their way from a command line to a notebook and the importers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from probetest.errors import ImportDataError
from probetest.jobs.reading import Reading

FULL = {
    "units": "um",
    "serial": "A-1",
    "direction": "y-",
    "radial": True,
    "feeds": "slow",
    "part": 2,
    "join": True,
    "decimal": ",",
    "delimiter": "tab",
    "tag": "SONDE",
    "x_diameter": True,
}


def test_nothing_told_is_nothing_to_pass_on() -> None:
    assert Reading().plain() == {}


def test_what_is_passed_on_reads_the_same() -> None:
    plain = Reading(**FULL).plain()
    assert json.loads(json.dumps(plain)) == FULL
    assert Reading.from_plain(plain) == Reading(**FULL)


def test_paths_are_passed_on_absolute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    own = Reading(
        plan=Path("plan.csv"), about=Path("about.toml"), columns=Path("map.toml"), pattern="own.toml"
    )
    plain = own.plain()
    assert plain == {name: str(tmp_path / f"{file}") for name, file in [
        ("columns", "map.toml"), ("pattern", "own.toml"), ("plan", "plan.csv"), ("about", "about.toml")
    ]}  # fmt: skip
    assert Reading.from_plain(plain).plan == tmp_path / "plan.csv"


def test_the_name_of_a_shape_is_no_path() -> None:
    reading = Reading(pattern="single-deltas")
    assert reading.plain() == {"pattern": "single-deltas"}
    assert reading.told().pattern_name == "single-deltas"


def test_answers_become_what_importers_take() -> None:
    told = Reading(**FULL).told()
    assert told.direction == (270.0, 0.0)
    assert told.delimiter == "\t"
    assert (told.units, told.serial, told.radial, told.feeds, told.part) == ("um", "A-1", True, "slow", 2)
    assert (told.join, told.decimal, told.tag, told.x_diameter) == (True, ",", "SONDE", True)


@pytest.mark.parametrize("text", ["W+", "370", "nan", "X", ""])
def test_a_direction_is_a_face_or_an_azimuth(text: str) -> None:
    reading = Reading(direction=text or " ")
    with pytest.raises(ImportDataError, match="X\\+, Y\\+, X-, Y-, Z\\+, Z-, or an azimuth in degrees"):
        reading.told()


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    for name in ("plan", "about", "columns", "pattern"):
        with pytest.raises(ImportDataError, match=r"gone\.toml"):
            Reading(
                **{name: str(tmp_path / "gone.toml") if name == "pattern" else tmp_path / "gone.toml"}
            ).told()
