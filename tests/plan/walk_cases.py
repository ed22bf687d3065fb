"""Programs by hand and generated ones that the tests of the checker share."""

from __future__ import annotations

import pytest
from benches import bench_with, schedule_along

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.dialect import read_dialect
from probetest.plan.program import write_program
from probetest.plan.schedule import Schedule
from probetest.plan.walk import walk_program

SINGLE = {"moves": {"fast_feed_mm_min": None, "settle_mm": 0.0}}
RING = bench_with("ring", **SINGLE)
ALONG_X = schedule_along([0.0])

HEAD = "G17 G21 G90 G94\nM5\nM0\nG38.3 X0 Y0 Z20 F400\n"
TAIL = "G38.3 X0 Y0 Z-8 F400\nG38.3 X0 Y0 Z20 F400\nM2\n"
# A ring of 25 mm, a ball of 4 mm: contact at X10.5, from 3 mm before to 1.5 mm beyond.
TOUCH = "(TOUCH 1 STAGE new ORIENTATION 0 AZIMUTH 0 ELEVATION 0)\nG38.2 X12 Y0 Z-8 F60\nG1 X7.5 Y0 Z-8 F400\n"
DOWN = "G38.3 X0 Y0 Z-8 F400\nM0\nG38.3 X7.5 Y0 Z-8 F400\n"
BY_HAND = HEAD + DOWN + TOUCH + TAIL


def fault_of(text: str, bench: Bench = RING, schedule: Schedule = ALONG_X) -> str:
    """What is said of a program that is refused."""
    with pytest.raises(PlanError) as caught:
        walk_program(text, bench, schedule)
    return str(caught.value)


def program(bench: Bench, schedule: Schedule, dialect: str = "console") -> str:
    """What the generator writes."""
    return write_program(schedule, bench, read_dialect(dialect))


def case_of(kind: str) -> tuple[Bench, Schedule]:
    """A bench and four touches with a turn of the probe."""
    bench = bench_with(kind, moves={"z_mm": (-34.0, 60.0)})
    elevation = {"plane": [-90.0] * 4, "sphere": [0.0, -45.0, -90.0, -30.0]}.get(kind)
    return bench, schedule_along([0.0, 90.0, 270.0, 180.0], elevation, turn_at=2)


def turned() -> tuple[Bench, Schedule, str]:
    """A boss whose program turns the probe once."""
    bench, schedule = case_of("boss")
    return bench, schedule, program(bench, schedule)
