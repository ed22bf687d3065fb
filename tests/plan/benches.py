"""Benches and schedules that the tests of plans share. All values are invented."""

from __future__ import annotations

from typing import Any

import numpy as np

from probetest.plan.bench import Bench, read_bench
from probetest.plan.schedule import Schedule
from probetest.resources import bundled

ARTEFACTS: dict[str, dict[str, Any]] = {
    "ring": {"kind": "ring", "diameter_mm": 25.0, "outer_diameter_mm": 45.0, "height_mm": 15.0},
    "boss": {"kind": "boss", "diameter_mm": 20.0, "height_mm": 30.0},
    "sphere": {"kind": "sphere", "diameter_mm": 20.0, "height_mm": 60.0},
    "block": {"kind": "block", "size_mm": (24.0, 10.0), "height_mm": 30.0},
    "plane": {"kind": "plane", "size_mm": (40.0, 40.0), "height_mm": 10.0},
}
KINDS = tuple(ARTEFACTS)
BASE: dict[str, dict[str, Any]] = {
    "stylus": {"length_mm": 50.0, "ball_diameter_mm": 4.0, "stem_diameter_mm": 2.5},
    "probe": {
        "serial": "A-017",
        "sd_mm": 0.002,
        "variation_mm": 0.01,
        "overtravel_mm": 3.0,
        "max_feed_mm_min": 300.0,
        "body_diameter_mm": 40.0,
    },
    "machine": {"name": "mill", "resolution_mm": 0.001, "braking_mm_s2": 200.0, "delay_s": 0.005},
    "moves": {
        "touch_feed_mm_min": 60.0,
        "fast_feed_mm_min": 200.0,
        "position_feed_mm_min": 400.0,
        "clearance_mm": 2.0,
        "run_up_mm": 3.0,
        "back_off_mm": 1.0,
        "past_mm": 1.5,
        "settle_mm": 1.0,
        "place_mm": 0.3,
        "depth_mm": 6.0,
        "safe_z_mm": 20.0,
        "x_mm": (-30.0, 30.0),
        "y_mm": (-30.0, 30.0),
        "z_mm": (-25.0, 60.0),
    },
}


_BESIDE_THE_BUNDLED: dict[str, dict[str, Any]] = {
    "ring": {"diameter_mm": 25.0, "outer_diameter_mm": 45.0, "height_mm": 15.0},
    "boss": {"diameter_mm": 25.0, "height_mm": 15.0},
    "block": {"size_mm": (25.0, 9.0), "height_mm": 15.0},
    "sphere": {"diameter_mm": 20.0, "height_mm": 40.0},
    "plane": {"size_mm": (20.0, 20.0), "height_mm": 5.0},
}


def bench_with(kind: str, **settings: dict[str, Any]) -> Bench:
    """The bundled bench with another artefact, and with settings of its tables."""
    tables = read_bench(bundled("data") / "bench.toml").model_dump()
    tables["artefact"] = {"kind": kind, **_BESIDE_THE_BUNDLED[kind]}
    for table, values in settings.items():
        tables[table].update(values)
    return Bench.model_validate(tables)


def bench_of(kind: str = "ring", **changes: dict[str, Any]) -> Bench:
    """A bench with some values of some tables changed; ``artefact`` among them."""
    tables = {"artefact": ARTEFACTS[kind]} | BASE
    return Bench(**{name: table | changes.get(name, {}) for name, table in tables.items()})


def schedule_of(
    *touches: tuple[float, float], stage: str | tuple[str, ...] = "baseline", orientation: Any = 0.0
) -> Schedule:
    """Touches of stated azimuth and elevation, deg."""
    count = len(touches)
    azimuth, elevation = np.array(touches, dtype=float).reshape(-1, 2).T
    stages = (stage,) * count if isinstance(stage, str) else stage
    turned = np.broadcast_to(np.asarray(orientation, dtype=float), count).copy()
    return Schedule(stages, turned, azimuth, elevation, np.ones(count, dtype=np.int64))


def schedule_along(
    azimuth_deg: list[float], elevation_deg: list[float] | None = None, *, turn_at: int | None = None
) -> Schedule:
    """One stage; from a place on with the probe turned by 30 deg."""
    count = len(azimuth_deg)
    turned = np.where(np.arange(count) >= (count if turn_at is None else turn_at), 30.0, 0.0)
    touches = zip(azimuth_deg, elevation_deg or [0.0] * count, strict=True)
    return schedule_of(*touches, stage="new", orientation=turned)


def code_lines(text: str) -> list[str]:
    """Lines that are not wholly a comment."""
    return [line for line in text.splitlines() if not line.startswith(("(", ";"))]


def motion(text: str) -> list[str]:
    """The lines that move."""
    return [line for line in code_lines(text) if " X" in line]
