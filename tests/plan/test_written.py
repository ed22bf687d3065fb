"""The files of a plan as text."""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_logs import BLOCK, bench_with, planned_as, ring_plan, single_plan

from probetest.importers import read_plan_folder
from probetest.importers.told import About
from probetest.limits import Limits
from probetest.plan.schedule import Schedule
from probetest.plan.written import VERSION, plan_csv, plan_toml
from probetest.statistics.expected import Design

TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)


def test_a_row_for_each_touch_in_the_order_of_the_test() -> None:
    rows = list(csv.DictReader(io.StringIO(plan_csv(ring_plan()))))
    schedule = ring_plan().schedule
    assert [row["touch"] for row in rows] == [str(number) for number in range(1, 97)]
    assert {row["stage"] for row in rows} == {"baseline"}
    assert {row["feed"] for row in rows} == {"60"}
    for name in ("orientation_deg", "azimuth_deg", "elevation_deg"):
        assert [float(row[name]) for row in rows] == pytest.approx(getattr(schedule, name).tolist(), abs=1e-7)
    assert set(rows[0]) == {"touch", "stage", "orientation_deg", "azimuth_deg", "elevation_deg", "feed"}


@given(
    angles=st.lists(
        st.tuples(
            st.floats(0, 359.9999),
            st.floats(0, 359.9999),
            st.floats(-90, 0),
            st.sampled_from(["new", "old-2"]),
        ),
        min_size=1,
        max_size=20,
    )
)
@settings(max_examples=25, deadline=None)
def test_any_touches_read_back_as_they_were(
    angles: list[tuple[float, float, float, str]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    turn, azimuth, up = np.array([one[:3] for one in angles]).T
    stage = tuple(one[3] for one in angles)
    schedule = Schedule(stage, turn, azimuth, up, np.ones(len(stage), dtype=np.int64))
    path: Path = tmp_path_factory.mktemp("touches") / "plan.csv"
    path.write_text(plan_csv(replace(ring_plan(), schedule=schedule)), encoding="utf-8")
    plan = read_plan_folder(path).plan
    assert plan.stage == stage
    for found, given_deg in (
        (plan.orientation_deg, turn),
        (plan.azimuth_deg, azimuth),
        (plan.elevation_deg, up),
    ):
        assert np.abs((found - given_deg + 180) % 360 - 180).max() < 1e-6


def test_what_a_later_command_needs() -> None:
    found = tomllib.loads(plan_toml(ring_plan()))
    assert found["plan"] == {
        "version": VERSION, "purpose": "verification", "touches": 96, "looks": 2, "block_ends": [48, 96],
        "risk": 0.05, "two_stage": True, "guarded": True,
    }  # fmt: skip
    assert found["about"] == {
        "serial": "SK3-031",
        "build": "siskin-3",
        "artefact": {"kind": "ring", "diameter_mm": 25.0, "u_mm": 0.0006, "form_mm": 0.0004},
        "stylus": {"length_mm": 50.0, "ball_diameter_mm": 4.0},
        "machine": {"name": "bench mill in bay 2 (invented)", "resolution_mm": 0.00125},
    }


def test_what_is_not_stated_is_left_out() -> None:
    bench = bench_with(artefact=BLOCK, machine={"name": ""}, probe={"build": None})
    found = tomllib.loads(plan_toml(planned_as(bench, Design(4, 3))))
    assert found["about"]["artefact"] == {"kind": "block"}
    assert found["about"]["machine"] == {"resolution_mm": 0.00125}
    assert "build" not in found["about"]
    assert (found["plan"]["touches"], found["plan"]["block_ends"]) == (12, [12])


def test_single_touches_and_the_risk_of_the_limits() -> None:
    planned = replace(single_plan(), limits=Limits(risk=0.01))
    found = tomllib.loads(plan_toml(planned))["plan"]
    assert (found["two_stage"], found["risk"]) == (False, 0.01)


def test_a_known_arm_is_not_lost() -> None:
    """Fewer directions are planned where it is known, and the log has no other way to tell it."""
    bench = bench_with(probe={"arm_azimuth_deg": 37.5})
    found = tomllib.loads(plan_toml(replace(ring_plan(), bench=bench)))
    assert About.model_validate(found["about"]).arm_azimuth_deg == 37.5
    assert "arm_azimuth_deg" not in plan_toml(ring_plan())


def test_a_guarded_move_in_a_name_is_none() -> None:
    bench = bench_with(probe={"serial": "G38.3"})
    plain = replace(ring_plan(), bench=bench, program="(PROBE: serial G38.3)\nM2\n")
    assert "guarded = true" in plan_toml(plain)  # by what the controller knows, not by its text


@given(serial=TEXT, build=TEXT, name=TEXT)
@settings(max_examples=50, deadline=None)
def test_any_name_stays_a_name(serial: str, build: str, name: str) -> None:
    bench = bench_with(probe={"serial": serial, "build": build}, machine={"name": name})
    found = tomllib.loads(plan_toml(replace(ring_plan(), bench=bench)))
    assert set(found) == {"plan", "about"}
    assert (found["about"]["serial"], found["about"]["build"]) == (serial, build)
    assert found["about"]["machine"]["name"] == name
