"""The demo scenario: an invented small maker, two builds of one probe, sixteen serials with known truth.

Nothing here was measured. The maker "Brackenfold Probe Works", its probe "Siskin", all serials and
the buyer "Cornmarket Models" are invented; the logs come from `probetest.simulate`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from probetest.importers import write_native_log
from probetest.simulate import Faults, Mill, Plan, Probe, Simulated, simulate, simulate_turned
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
WORN_MILL = Mill(
    reversal_mm=(0.025, 0.018), two_lobe_mm=0.004, two_lobe_azimuth_deg=20.0, step_mm=0.001,
    centre_mm=(0.031, 0.012),
)  # fmt: skip
TURNS_DEG = (0.0, 30.0, 90.0, 210.0)
"""Orientations that tell most orders of the probe from the machine's."""


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
    orientations_deg : tuple of float
        Orientations at which the test is run, one after the other; empty for one.
    machine : str
    """

    serial: str
    build: str
    story: str
    probe: Probe
    mill: Mill = SHOP_MILL
    plan: Plan = LONG
    faults: Faults = field(default_factory=Faults)
    calibrated: bool = True
    orientations_deg: tuple[float, ...] = ()
    machine: str = "bench mill in bay 2 (invented)"


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
    Case(
        "SK1-008",
        "siskin-1",
        "healthy, run-out of 25 µm, tested at four orientations on a worn mill",
        replace(SOFT, runout_mm=(0.0235, 0.0086)),
        mill=WORN_MILL,
        plan=Plan(directions=24, repeats=10),
        orientations_deg=TURNS_DEG,
        machine="knee mill in bay 3, worn (invented)",
    ),
    Case(
        "SK1-009",
        "siskin-1",
        "healthy, tested at four orientations",
        SOFT,
        plan=Plan(directions=24, repeats=10),
        orientations_deg=TURNS_DEG,
    ),
)  # fmt: skip


BUYERS_MILL = "old bench mill at Cornmarket Models (invented)"

RECEIVED = (
    Case(
        "SK1-008",
        "siskin-1",
        "arrived as it left, tested at four orientations on the buyer's worn mill",
        replace(SOFT, runout_mm=(-0.012, 0.019)),
        mill=replace(WORN_MILL, two_lobe_mm=0.006, two_lobe_azimuth_deg=65.0),
        plan=Plan(directions=24, repeats=5),
        orientations_deg=TURNS_DEG,
        machine=BUYERS_MILL,
    ),
    Case(
        "SK1-009",
        "siskin-1",
        "damaged on the way: one contact pair opens early, and it scatters twice as far",
        replace(SOFT, threshold_n=(0.45, 0.0, 0.0), sd_mm=0.003),
        mill=WORN_MILL,
        plan=Plan(directions=24, repeats=10),
        orientations_deg=TURNS_DEG,
        machine=BUYERS_MILL,
    ),
    Case(
        "SK2-001",
        "siskin-2",
        "arrived as it left, but the buyer took 2 touches from 8 directions at one orientation",
        STIFF,
        mill=WORN_MILL,
        plan=Plan(directions=8, repeats=2),
        machine=BUYERS_MILL,
    ),
)
"""What an invented buyer measured on three of the serials."""

SERVICED = (
    Case(
        "SK1-003",
        "siskin-1",
        "the same probe with the contact pair at 220 deg cleaned",
        SOFT,
    ),
)
"""What the invented maker measured after a service."""

FIRST_RECEIVED, FIRST_SERVICED = 100, 200
"""Streams of the first of these."""


def simulate_case(case: Case, stream: int) -> Simulated:
    """Simulate a serial; always the same for a stream."""
    rng = np.random.default_rng([SEED, stream])
    plan = replace(case.plan, start=datetime(2026, 3, 2, 9, 0, 0) + timedelta(days=stream))
    if case.orientations_deg:
        return simulate_turned(case.probe, case.mill, plan, case.orientations_deg, rng=rng)
    return simulate(case.probe, case.mill, plan, rng=rng, faults=case.faults)


def scenario_tests(
    cases: Sequence[Case] = CASES, first_stream: int = 0
) -> Iterator[tuple[Triggers, dict[str, Any]]]:
    """Every test of the scenario with its truth."""
    for number, case in enumerate(cases):
        simulated = simulate_case(case, first_stream + number)
        source = Source(f"{case.serial}.csv", "", len(simulated.frame), "mm", "simulated")
        truth = {"serial": case.serial, "build": case.build, "story": case.story, **simulated.truth}
        yield Triggers(record_of(case), simulated.frame, source), truth


def write_scenario(folder: Path) -> None:
    """Write the logs and ``truth.json`` into a folder that exists.

    Those of the buyer go into ``received``, those after a service into ``serviced``.
    """
    _write(folder, scenario_tests())
    further = (("received", RECEIVED, FIRST_RECEIVED), ("serviced", SERVICED, FIRST_SERVICED))
    for name, cases, first in further:
        (folder / name).mkdir(exist_ok=True)
        _write(folder / name, scenario_tests(cases, first))


def _write(folder: Path, tests: Iterator[tuple[Triggers, dict[str, Any]]]) -> None:
    truths = []
    for triggers, truth in tests:
        write_native_log(triggers, folder / triggers.source.file, decimals=5)
        truths.append(truth)
    text = json.dumps({"note": INVENTED, "seed": SEED, "probes": truths}, indent=2, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


def record_of(case: Case) -> TestRecord:
    """What the head of the log of a case states."""
    return TestRecord(
        serial=case.serial,
        build=case.build,
        artefact=Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006 if case.calibrated else None),
        stylus=Stylus(
            length_mm=case.probe.stylus_length_mm,
            ball_diameter_mm=case.probe.ball_diameter_mm,
            ball_u_mm=0.0003,
        ),
        machine=Machine(name=case.machine, resolution_mm=case.mill.step_mm),
        notes=(("note", INVENTED),),
    )
