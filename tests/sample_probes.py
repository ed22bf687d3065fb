"""Probes for tests: simulated ones, and the demo with its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from probetest.jobs.qualify import Qualification
from probetest.simulate import Faults, Mill, Plan, Probe, simulate
from probetest.triggers import Artefact, Machine, Source, Stylus, TestRecord, Triggers


@dataclass(frozen=True)
class DemoProbe:
    found: Qualification
    truth: dict[str, Any]


def make_test(
    probe: Probe | None = None,
    mill: Mill | None = None,
    plan: Plan | None = None,
    faults: Faults | None = None,
    *,
    seed: int = 0,
    artefact: Artefact | None = Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006),  # noqa: B008 - frozen
    declared_mm: float | None = None,
) -> Triggers:
    """A simulated test with a record, as the importers would give it."""
    rng = np.random.default_rng(seed)
    frame = simulate(probe or Probe(), mill or Mill(), plan or Plan(), rng=rng, faults=faults).frame
    record = TestRecord(
        serial="T-1",
        artefact=artefact,
        stylus=Stylus(length_mm=50, ball_diameter_mm=4),
        machine=Machine(resolution_mm=declared_mm) if declared_mm else None,
    )
    return Triggers(record, frame, Source("t.csv", "0" * 64, len(frame), "mm", "native log"))
