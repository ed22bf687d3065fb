"""Benches that tests of plans share."""

from __future__ import annotations

from typing import Any

import numpy as np

from probetest.plan.bench import Bench, read_bench
from probetest.plan.schedule import Schedule
from probetest.resources import bundled

ARTEFACTS = ("ring", "boss", "block", "sphere", "plane")

_SHAPES: dict[str, dict[str, Any]] = {
    "ring": {"diameter_mm": 25.0, "outer_diameter_mm": 45.0, "height_mm": 15.0},
    "boss": {"diameter_mm": 25.0, "height_mm": 15.0},
    "block": {"size_mm": (25.0, 9.0), "height_mm": 15.0},
    "sphere": {"diameter_mm": 20.0, "height_mm": 40.0},
    "plane": {"size_mm": (20.0, 20.0), "height_mm": 5.0},
}


def bench_with(kind: str, **settings: dict[str, Any]) -> Bench:
    """The bundled bench with another artefact, and with settings of its tables."""
    tables = read_bench(bundled("data") / "bench.toml").model_dump()
    tables["artefact"] = {"kind": kind, **_SHAPES[kind]}
    for table, values in settings.items():
        tables[table].update(values)
    return Bench.model_validate(tables)


def schedule_of(
    azimuth_deg: list[float], elevation_deg: list[float] | None = None, *, turn_at: int | None = None
) -> Schedule:
    """One stage; from a place on with the probe turned by 30 deg."""
    count = len(azimuth_deg)
    orientation = np.where(np.arange(count) >= (count if turn_at is None else turn_at), 30.0, 0.0)
    return Schedule(
        ("new",) * count, orientation, np.array(azimuth_deg, dtype=float),
        np.array(elevation_deg or [0.0] * count, dtype=float), np.ones(count, dtype=np.int64),
    )  # fmt: skip
