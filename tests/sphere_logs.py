"""Logs of touches on a reference sphere for tests, with their truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from probetest.jobs.analysis import Analysis, split_series
from probetest.jobs.series import analyse_of
from probetest.jobs.spherical import Spherical, sphere_of
from probetest.simulate import Faults, Mill, Probe
from probetest.simulate_sphere import SpherePlan, simulate_sphere
from probetest.statistics.sphere import pattern25
from probetest.triggers import Artefact, Source, Stylus, TestRecord, Triggers

SPHERE = Artefact(kind="sphere", diameter_mm=25.0, u_mm=0.0006)
SOFT = Probe(preload_n=2.4)
RIGID = Probe(preload_n=1e-9)
RECORD = TestRecord(serial="T-1", artefact=SPHERE, stylus=Stylus(length_mm=50, ball_diameter_mm=4))


def pattern_plan(repeats: int = 3, **changes: Any) -> SpherePlan:
    """The 25-point pattern, turned by 12 deg."""
    azimuth, elevation = pattern25(12.0)
    return SpherePlan(tuple(azimuth.tolist()), tuple(elevation.tolist()), repeats, **changes)


def rings_plan(*rings: tuple[float, int], repeats: int = 3, **changes: Any) -> SpherePlan:
    """Evenly spread points at each elevation."""
    azimuth = np.concatenate([np.arange(points) * 360.0 / points for _, points in rings])
    elevation = np.repeat([where for where, _ in rings], [points for _, points in rings])
    return SpherePlan(tuple(azimuth.tolist()), tuple(elevation.tolist()), repeats, **changes)


def in_a_log(frame: pd.DataFrame, artefact: Artefact | None = SPHERE) -> Triggers:
    """A frame with a record, as the importers would give it."""
    record = RECORD.model_copy(update={"artefact": artefact})
    return Triggers(record, frame, Source("t.csv", "0" * 64, len(frame), "mm", "native log"))


def sphere_log(
    plan: SpherePlan | None = None,
    probe: Probe = SOFT,
    mill: Mill | None = None,
    faults: Faults | None = None,
    *,
    seed: int = 1,
) -> tuple[Triggers, dict[str, Any]]:
    """A simulated log and its truth."""
    rng = np.random.default_rng(seed)
    run = simulate_sphere(probe, mill or Mill(), plan or pattern_plan(), rng=rng, faults=faults)
    return in_a_log(run.frame), run.truth


def joined(*frames: tuple[str, pd.DataFrame]) -> pd.DataFrame:
    """Stages of one log, one after the other."""
    frame = pd.concat([part.assign(stage=stage) for stage, part in frames], ignore_index=True)
    frame["stage"] = frame["stage"].astype("category")
    frame["touch"] = frame["line"] = np.arange(1, len(frame) + 1)
    return frame


def headline(triggers: Triggers) -> Analysis:
    """The analysis of the first series."""
    return analyse_of(split_series(triggers)[0], triggers)


def evaluated(triggers: Triggers, **options: Any) -> Spherical:
    """The sphere test of the first series, as a qualification makes it."""
    part = split_series(triggers)[0]
    return sphere_of(triggers, part.stage, part.orientation_deg, headline(triggers), **options)
