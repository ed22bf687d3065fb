"""A small production of the invented maker: units that differ, two builds, one that ages, two after a stage.

The demo of `probetest compare` and `probetest trend`, with known truth. ``python -m probetest.production``
writes ``data/demo/production``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from probetest.importers import write_native_log
from probetest.scenario import INVENTED, SEED, SHOP_MILL, SOFT, Case, record_of
from probetest.simulate import Faults, Mill, Plan, Probe, Simulated, simulate
from probetest.triggers import Source, Triggers

PLAN = Plan(directions=24, repeats=7)

UNIT_SPREAD = 0.06
"""Relative standard deviation of preload and scatter between units of a build."""

FIRST_STREAM = 1000


@dataclass(frozen=True, slots=True)
class Unit:
    """One test of one unit.

    Attributes
    ----------
    serial, build, story : str
    probe : Probe
    day : int
        Days after the first test of the production.
    stages : tuple of (str, Probe, tuple of float)
        Further stages of the log: name, the probe as it is then, and how far the seat stays displaced
        (x, y in mm).
    missed : tuple of int
        Touches without a trigger.
    suffix : str
        Ends the name of the log, for further tests of a serial.
    """

    serial: str
    build: str
    story: str
    probe: Probe
    day: int
    stages: tuple[tuple[str, Probe, tuple[float, float]], ...] = ()
    missed: tuple[int, ...] = ()
    suffix: str = ""


THIRD = replace(SOFT, preload_n=2.6)
"""Build siskin-3 as designed."""

FOURTH = replace(THIRD, preload_n=1.9)
"""Build siskin-4: a softer spring, and so less pre-travel variation; nothing else is changed."""


def vary(probe: Probe, rng: np.random.Generator) -> Probe:
    """A unit of a build: preload, scatter and arms as they come out of a small shop."""
    preload, scatter = np.exp(UNIT_SPREAD * rng.standard_normal(2))
    return replace(
        probe,
        preload_n=float(probe.preload_n * preload),
        sd_mm=float(probe.sd_mm * scatter),
        arm_azimuth_deg=float(probe.arm_azimuth_deg + rng.normal(0.0, 1.0)),
        runout_mm=(float(rng.normal(0.0, 0.004)), float(rng.normal(0.0, 0.004))),
    )


def units() -> Iterator[Unit]:
    """Every test of the production, in the order of the days."""
    rng = np.random.default_rng([SEED, FIRST_STREAM - 1])
    third = [vary(THIRD, rng) for _ in range(14)]
    fourth = [vary(FOURTH, rng) for _ in range(8)]
    for number, probe in enumerate(third, start=1):
        late = number > 10
        yield Unit(
            f"SK3-{number:03d}",
            "siskin-3",
            "a new lot of springs, 25 % stiffer" if late else "healthy",
            replace(probe, preload_n=1.25 * probe.preload_n) if late else probe,
            day=3 * number,
        )
    for number, probe in enumerate(fourth, start=1):
        yield Unit(f"SK4-{number:03d}", "siskin-4", "healthy", probe, day=50 + 3 * number)
    for test, growth in enumerate((1.15, 1.35, 1.6, 1.9), start=1):
        worn = replace(third[1], sd_mm=growth * third[1].sd_mm)
        yield Unit(
            "SK3-002", "siskin-3", f"ageing: scatters {growth} times as far as when new", worn,
            day=6 + 30 * test, suffix=f"-again{test}",
        )  # fmt: skip
    yield Unit(
        "SK3-004",
        "siskin-3",
        "re-seats within 0.5 µm after an overtravel",
        third[3],
        day=80,
        stages=(("after_overtravel", third[3], (0.0004, -0.0003)),),
        suffix="-stages",
    )
    yield Unit(
        "SK3-005",
        "siskin-3",
        "does not re-seat: displaced by 6 µm after an overtravel, and one pair opens early after a service",
        third[4],
        day=81,
        stages=(
            ("after_overtravel", third[4], (0.0052, 0.003)),
            ("after_service", replace(third[4], threshold_n=(0.0, 0.6, 0.0)), (0.0, 0.0)),
        ),
        suffix="-stages",
    )


def simulate_unit(unit: Unit, stream: int, mill: Mill = SHOP_MILL) -> Simulated:
    """Simulate a test; always the same for a stream. The truth is that of the first stage."""
    rng = np.random.default_rng([SEED, stream])
    start = datetime(2026, 4, 1, 9, 0, 0) + timedelta(days=unit.day)
    plan = replace(PLAN, start=start)
    runs = [simulate(unit.probe, mill, plan, rng=rng, faults=Faults(missed=unit.missed))]
    for number, (_, probe, shift) in enumerate(unit.stages, start=1):
        centre = (mill.centre_mm[0] + shift[0], mill.centre_mm[1] + shift[1])
        later = replace(plan, start=start + timedelta(minutes=30 * number))
        runs.append(simulate(probe, replace(mill, centre_mm=centre), later, rng=rng))
    names = ["baseline", *(name for name, _, _ in unit.stages)]
    frames = [
        run.frame.assign(stage=name, touch=run.frame["touch"] + number * len(run.frame))
        for number, (run, name) in enumerate(zip(runs, names, strict=True))
    ]
    frame = pd.concat(frames, ignore_index=True)
    frame["line"] = np.arange(1, len(frame) + 1)
    frame["stage"] = pd.Categorical(frame["stage"], categories=names)
    return replace(runs[0], frame=frame)


def production_tests() -> Iterator[tuple[Triggers, dict[str, Any]]]:
    """Every test of the production with its truth."""
    for number, unit in enumerate(units()):
        simulated = simulate_unit(unit, FIRST_STREAM + number)
        name = f"{unit.serial}{unit.suffix}.csv"
        case = Case(unit.serial, unit.build, unit.story, unit.probe, plan=PLAN)
        truth = {"file": name, "serial": unit.serial, "build": unit.build, "story": unit.story}
        source = Source(name, "", len(simulated.frame), "mm", "simulated")
        yield Triggers(record_of(case), simulated.frame, source), truth | simulated.truth


def write_production(folder: Path) -> None:
    """Write the logs and ``truth.json`` into a folder, which is made."""
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for triggers, truth in production_tests():
        write_native_log(triggers, folder / triggers.source.file, decimals=5)
        truths.append(truth)
    text = json.dumps({"note": INVENTED, "seed": SEED, "tests": truths}, indent=2, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_production(Path("data/demo/production"))
