"""A planned test from physics, with known truth: the touches of a schedule, one after the other."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from probetest.plan.schedule import Schedule
from probetest.simulate import PAUSE_S, Mill, Plan, Probe, radial_mean
from probetest.triggers import make_frame

START = datetime(2026, 6, 1, 9, 0, 0)


def simulate_schedule(
    probe: Probe,
    mill: Mill,
    schedule: Schedule,
    *,
    rng: np.random.Generator,
    ring_diameter_mm: float = 25.0,
    feed_mm_min: float = 60.0,
    seconds_per_touch: float = 6.0,
) -> pd.DataFrame:
    """Touches of a schedule inside a ring, as a log has them.

    Parameters
    ----------
    probe, mill : Probe, Mill
    schedule : Schedule
        Horizontal touches.
    rng : numpy.random.Generator
        The only source of chance.
    ring_diameter_mm, feed_mm_min, seconds_per_touch : float

    Returns
    -------
    pandas.DataFrame
        Columns as in `probetest.triggers.COLUMNS`.
    """
    touches = len(schedule)
    paused = np.isin(np.arange(touches), schedule.changes[1:])
    seconds = np.arange(touches) * seconds_per_touch + PAUSE_S * np.cumsum(paused)
    hours = seconds / 3600.0
    length = np.empty(touches)
    for turn in np.unique(schedule.orientation_deg).tolist():
        mine = schedule.orientation_deg == turn
        plan = Plan(feed_mm_min=feed_mm_min, ring_diameter_mm=ring_diameter_mm, orientation_deg=turn)
        length[mine] = radial_mean(probe, mill, plan, schedule.azimuth_deg[mine])
    length += rng.normal(0.0, probe.sd_mm, touches)
    length += feed_mm_min / 60.0 * probe.jitter_s * (rng.random(touches) - 0.5)
    length += mill.drift_mm_per_h * hours + mill.warm_up_mm * -np.expm1(-hours / mill.warm_up_h)
    angle, turned = np.deg2rad(schedule.azimuth_deg), np.deg2rad(schedule.orientation_deg)
    out_x, out_y = probe.runout_mm
    x = mill.centre_mm[0] - (np.cos(turned) * out_x - np.sin(turned) * out_y) + length * np.cos(angle)
    y = mill.centre_mm[1] - (np.sin(turned) * out_x + np.cos(turned) * out_y) + length * np.sin(angle)
    x, y = (at + hours * drift for at, drift in zip((x, y), mill.centre_drift_mm_per_h, strict=True))
    if mill.step_mm:
        x, y = (np.round(at / mill.step_mm) * mill.step_mm for at in (x, y))
    return make_frame(
        {
            "time": np.array(
                [START + timedelta(seconds=float(at)) for at in seconds], dtype="datetime64[ms]"
            ),
            "stage": schedule.stage,
            "orientation_deg": schedule.orientation_deg,
            "azimuth_deg": schedule.azimuth_deg,
            "elevation_deg": schedule.elevation_deg,
            "x_mm": x,
            "y_mm": y,
            "z_mm": np.full(touches, -5.0),
            "feed_mm_min": np.full(touches, feed_mm_min),
        }
    )
