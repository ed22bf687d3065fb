"""Benches and schedules that the tests of plans share. All values are invented."""

from __future__ import annotations

from typing import Any

import numpy as np

from probetest.plan.bench import Bench
from probetest.plan.schedule import Schedule

ARTEFACTS: dict[str, dict[str, Any]] = {
    "ring": {"kind": "ring", "diameter_mm": 25.0, "outer_diameter_mm": 45.0, "height_mm": 15.0},
    "boss": {"kind": "boss", "diameter_mm": 20.0, "height_mm": 30.0},
    "sphere": {"kind": "sphere", "diameter_mm": 20.0, "height_mm": 60.0},
    "block": {"kind": "block", "size_mm": (24.0, 10.0), "height_mm": 30.0},
    "plane": {"kind": "plane", "size_mm": (40.0, 40.0), "height_mm": 10.0},
}
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


def code_lines(text: str) -> list[str]:
    """Lines that are not wholly a comment."""
    return [line for line in text.splitlines() if not line.startswith(("(", ";"))]


def motion(text: str) -> list[str]:
    """The lines that move."""
    return [line for line in code_lines(text) if " X" in line]
