"""The invented production: its files are made anew byte by byte, and its truth is what it says."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from probetest.importers import import_log
from probetest.production import FOURTH, THIRD, UNIT_SPREAD, units, write_production
from probetest.resources import bundled

DEMO = bundled("data") / "demo" / "production"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "new" / "production"
    write_production(folder)
    return folder


def test_exactly_the_files_of_the_demo_are_written(written: Path) -> None:
    made = {path.name: path.read_bytes() for path in written.iterdir()}
    kept = {path.name: path.read_bytes() for path in Path(str(DEMO)).iterdir()}
    assert made.keys() == kept.keys()
    assert [name for name in made if made[name] != kept[name]] == []


def test_every_log_says_that_it_is_invented(written: Path) -> None:
    logs = sorted(written.glob("*.csv"))
    assert len(logs) == 28
    for path in logs:
        assert "invented demo data of an invented maker" in path.read_text("utf-8")[:800]


def test_truth_names_each_log_with_its_serial_and_build(written: Path) -> None:
    truth = json.loads((written / "truth.json").read_text("utf-8"))
    assert "invented" in truth["note"]
    assert {one["file"] for one in truth["tests"]} == {path.name for path in written.glob("*.csv")}
    for one in truth["tests"]:
        (test,) = import_log(written / one["file"]).tests
        assert (test.record.serial, test.record.build) == (one["serial"], one["build"])


def test_ageing_and_new_lot_stand_in_the_truth(written: Path) -> None:
    tests = {one["file"]: one for one in json.loads((written / "truth.json").read_text("utf-8"))["tests"]}
    new = tests["SK3-002.csv"]["sd_mm"]
    grown = [tests[f"SK3-002-again{number}.csv"]["sd_mm"] / new for number in range(1, 5)]
    # The noise of the mill is in both, so that the whole grows a little less than the probe.
    assert grown == pytest.approx([1.15, 1.35, 1.6, 1.9], rel=0.02)
    lot = [tests[f"SK3-{number:03d}.csv"]["mean_mm"] for number in range(1, 15)]
    assert min(lot[10:]) > np.mean(lot[:10]) + 0.002


def test_units_of_a_build_differ_as_stated() -> None:
    everything = list(units())
    assert len(everything) == 28
    third = [one.probe for one in everything if one.build == "siskin-3" and not one.suffix]
    assert len(third) == 14
    spread = np.std([np.log(probe.sd_mm / THIRD.sd_mm) for probe in third], ddof=1)
    # Chi-square limits of a standard deviation of 14 at 0.1 %.
    assert 0.45 * UNIT_SPREAD < spread < 1.75 * UNIT_SPREAD
    assert FOURTH.preload_n < THIRD.preload_n
    assert FOURTH.sd_mm == THIRD.sd_mm
