"""The demo scenario: an invented small maker, two builds of one probe, fourteen serials with known truth.

Nothing here was measured. The maker "Brackenfold Probe Works", its probe "Siskin" and all
serials are invented; the logs come from `probetest.simulate`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from probetest.importers import write_native_log
from probetest.simulate import Faults, Mill, Plan, Probe, Simulated, simulate
from probetest.triggers import Artefact, Machine, Source, Stylus, TestRecord, Triggers

SEED = 17
"""Seed of the scenario; each serial draws from its own stream."""

INVENTED = "invented demo data of an invented maker, Brackenfold Probe Works; no real probe was measured"

AT_LIMIT_N = 8.0711
"""Preload that gives a pre-travel variation of 30.0 µm over the tested directions."""

SOFT = Probe(preload_n=2.0, arm_azimuth_deg=100.0, sd_mm=0.0015)
STIFF = Probe(preload_n=2.8, arm_azimuth_deg=100.0, sd_mm=0.0012)
SHOP_MILL = Mill(reversal_mm=(0.002, 0.0015), step_mm=0.00125, centre_mm=(0.0121, -0.0074))
LONG = Plan(directions=24, repeats=15)


@dataclass(frozen=True, slots=True)
class Case:
    """One serial of the scenario.

    Attributes
    ----------
    serial, build : str
    story : str
        What is built into it.
    probe, mill, plan, faults
        As in `probetest.simulate`.
    calibrated : bool
        Whether the ring has a calibrated diameter.
    """

    serial: str
    build: str
    story: str
    probe: Probe
    mill: Mill = SHOP_MILL
    plan: Plan = LONG
    faults: Faults = field(default_factory=Faults)
    calibrated: bool = True


CASES = (
    Case("SK1-001", "siskin-1", "healthy", SOFT),
    Case("SK1-002", "siskin-1", "healthy, stylus 8 µm off the axis", replace(SOFT, runout_mm=(0.008, 0.0))),
    Case(
        "SK1-003",
        "siskin-1",
        "the contact pair of the arm at 220 deg opens early: raised resistance",
        replace(SOFT, threshold_n=(0.0, 0.19, 0.0)),
    ),
    Case(
        "SK1-004", "siskin-1", "healthy, tested from 36 directions",
        SOFT, plan=Plan(directions=36, repeats=10),
    ),
    Case(
        "SK1-005",
        "siskin-1",
        "drifts by 9 µm while it warms up",
        SOFT,
        mill=replace(SHOP_MILL, warm_up_mm=0.009, warm_up_h=0.15),
    ),
    Case(
        "SK1-006",
        "siskin-1",
        "three misses, one open circuit at rest, one trigger in the air",
        SOFT,
        faults=Faults(missed=(88, 190, 301), open_at_start=(191,), false=(257,)),
    ),
    Case(
        "SK1-007",
        "siskin-1",
        "two touches trigger early, by 22 and 15 µm",
        SOFT,
        faults=Faults(early={131: 0.022, 288: 0.015}),
    ),
    Case("SK2-001", "siskin-2", "healthy", STIFF),
    Case(
        "SK2-002", "siskin-2", "healthy, short test with a spread of 24 directions x 10 touches",
        STIFF, plan=Plan(directions=24, repeats=10),
    ),
    Case(
        "SK2-003",
        "siskin-2",
        "spring shimmed until the pre-travel variation is 30.0 µm: just at the limit",
        replace(STIFF, preload_n=AT_LIMIT_N),
    ),
    Case(
        "SK2-004",
        "siskin-2",
        "clearly bad: far too stiff a spring, and a loose contact that scatters",
        replace(STIFF, preload_n=11.0, sd_mm=0.009),
    ),
    Case(
        "SK2-005",
        "siskin-2",
        "healthy, logged in steps of 5 µm",
        STIFF,
        mill=replace(SHOP_MILL, step_mm=0.005),
    ),
    Case("SK2-006", "siskin-2", "healthy, ring without a calibrated diameter", STIFF, calibrated=False),
    Case(
        "SK2-007",
        "siskin-2",
        "healthy, all touches of a direction in a row, 25 of them",
        STIFF,
        plan=Plan(directions=24, repeats=25, rounds=False),
    ),
)  # fmt: skip


def simulate_case(number: int) -> Simulated:
    """Simulate the serial at place ``number`` of `CASES`; always the same."""
    case = CASES[number]
    rng = np.random.default_rng([SEED, number])
    start = datetime(2026, 3, 2 + number, 9, 0, 0)
    return simulate(case.probe, case.mill, replace(case.plan, start=start), rng=rng, faults=case.faults)


def scenario_tests() -> Iterator[tuple[Triggers, dict[str, Any]]]:
    """Every test of the scenario with its truth."""
    for number, case in enumerate(CASES):
        simulated = simulate_case(number)
        source = Source(f"{case.serial}.csv", "", len(simulated.frame), "mm", "simulated")
        truth = {"serial": case.serial, "build": case.build, "story": case.story, **simulated.truth}
        yield Triggers(_record(case), simulated.frame, source), truth


def write_scenario(folder: Path) -> None:
    """Write the logs and ``truth.json`` into a folder that exists."""
    truths = []
    for triggers, truth in scenario_tests():
        write_native_log(triggers, folder / triggers.source.file, decimals=5)
        truths.append(truth)
    text = json.dumps({"note": INVENTED, "seed": SEED, "probes": truths}, indent=2, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


def _record(case: Case) -> TestRecord:
    return TestRecord(
        serial=case.serial,
        build=case.build,
        artefact=Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006 if case.calibrated else None),
        stylus=Stylus(
            length_mm=case.probe.stylus_length_mm,
            ball_diameter_mm=case.probe.ball_diameter_mm,
            ball_u_mm=0.0003,
        ),
        machine=Machine(name="bench mill in bay 2 (invented)", resolution_mm=case.mill.step_mm),
        notes=(("note", INVENTED),),
    )
