"""Simulated logs with a known fault of the contacts, each looked at once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sample_probes import make_test

from probetest.importers.native import write_native_log
from probetest.jobs.analysis import analyse, split_series
from probetest.jobs.contacts import Contacts, contacts_of
from probetest.jobs.stages import hysteresis_of
from probetest.simulate import Mill, Plan, Probe, Simulated
from probetest.simulate_faults import ContactFault, simulate_fault
from probetest.triggers import Triggers

PROBE = Probe(preload_n=3.0, sd_mm=0.002, jitter_s=0.0, arm_azimuth_deg=40.0, runout_mm=(0.008, -0.005))
IDEAL = Mill()
ONE, FOUR = (0.0,), (0.0, 30.0, 90.0, 210.0)


def simulated(fault: ContactFault, orientations: tuple[float, ...] = FOUR, **settings: Any) -> Simulated:
    """240 touches at one orientation, 72 at each of several; see `_simulated` for the settings."""
    return _simulated(fault, orientations, **settings)


@cache
def _simulated(
    fault: ContactFault,
    orientations: tuple[float, ...],
    *,
    seed: int = 1,
    probe: Probe = PROBE,
    mill: Mill = IDEAL,
    directions: int = 24,
) -> Simulated:
    plan = Plan(directions=directions, repeats=10 if len(orientations) == 1 else 3, first_azimuth_deg=3.0)
    rng = np.random.default_rng(seed)
    return simulate_fault(probe, mill, plan, fault, rng=rng, orientations_deg=orientations)


def log_of(frame: pd.DataFrame, **record: Any) -> Triggers:
    """A log of these approaches."""
    made = make_test(plan=Plan(directions=3, repeats=1))
    return replace(made, frame=frame, record=made.record.model_copy(update=record))


def look(frame: pd.DataFrame, *, step_mm: float | None = None, **settings: Any) -> Contacts:
    """The contacts of a frame of one stage."""
    parts = [(part, analyse(part, None, step_mm, curve_wanted=False)) for part in split_series(log_of(frame))]
    before, _ = hysteresis_of(*parts[0], frame)
    return contacts_of(parts, frame, before=before, **settings)


def looked(fault: ContactFault, orientations: tuple[float, ...] = FOUR, **settings: Any) -> Contacts:
    """The contacts of a simulated log."""
    return _looked(fault, orientations, **settings)


@cache
def _looked(fault: ContactFault, orientations: tuple[float, ...], **settings: Any) -> Contacts:
    return look(simulated(fault, orientations, **settings).frame)


def write_log(path: Path, frame: pd.DataFrame, **record: Any) -> Path:
    """Write the approaches as a native log."""
    write_native_log(log_of(frame, **record), path)
    return path


def off_deg(first: float, second: float) -> float:
    """Angle between two azimuths, in [0, 180]."""
    return abs((first - second + 180.0) % 360.0 - 180.0)
