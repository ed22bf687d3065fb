"""A planned test from physics: places, times and truth."""

from __future__ import annotations

import numpy as np
import pytest
from plan_logs import ring_plan

from probetest.jobs.qualify import qualify
from probetest.limits import Limits
from probetest.plan.lay_out import lay_out
from probetest.plan.schedule import Schedule
from probetest.simulate import PAUSE_S, Mill, Plan, Probe, radial_mean
from probetest.simulate_schedule import START, simulate_schedule
from probetest.statistics.expected import Design
from probetest.triggers import COLUMNS, Artefact, Source, Stylus, TestRecord, Triggers

STILL = Probe(sd_mm=0.0, jitter_s=0.0)
TURNED = Design(6, 3, (0.0, 90.0))


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def test_a_row_for_each_touch_as_a_log_has_it() -> None:
    schedule = lay_out(TURNED)
    frame = simulate_schedule(Probe(), Mill(), schedule, rng=rng(), feed_mm_min=80.0)
    assert list(frame.columns)[: len(COLUMNS)] == list(COLUMNS)
    assert len(frame) == len(schedule) == 36
    for name in ("orientation_deg", "azimuth_deg", "elevation_deg"):
        assert frame[name].tolist() == getattr(schedule, name).tolist()
    assert frame["stage"].tolist() == list(schedule.stage)
    assert set(frame["feed_mm_min"]) == {80.0}
    assert set(frame["outcome"]) == {"trigger"}


def test_without_chance_each_touch_lies_where_the_physics_puts_it() -> None:
    """Beside `radial_mean`, place by place; a ring centred at the mill's centre."""
    schedule = lay_out(TURNED)
    mill = Mill(centre_mm=(3.0, -2.0))
    frame = simulate_schedule(STILL, mill, schedule, rng=rng(), ring_diameter_mm=20.0)
    x, y = frame["x_mm"].to_numpy() - 3.0, frame["y_mm"].to_numpy() + 2.0
    angle = np.degrees(np.arctan2(y, x))
    assert np.abs((angle - schedule.azimuth_deg + 180) % 360 - 180).max() < 1e-9
    for row in range(len(schedule)):
        turn = float(schedule.orientation_deg[row])
        plan = Plan(feed_mm_min=60.0, ring_diameter_mm=20.0, orientation_deg=turn)
        (expected,) = radial_mean(STILL, mill, plan, schedule.azimuth_deg[row : row + 1])
        assert np.hypot(x[row], y[row]) == pytest.approx(expected, abs=1e-12)
    assert np.hypot(x, y).mean() == pytest.approx(10.0 - STILL.ball_diameter_mm / 2, abs=0.05)


def test_the_same_seed_gives_the_same_test() -> None:
    schedule = ring_plan().schedule
    first, again = (simulate_schedule(Probe(), Mill(), schedule, rng=rng()) for _ in range(2))
    assert first.equals(again)
    other = simulate_schedule(Probe(), Mill(), schedule, rng=np.random.default_rng(12))
    assert (first["x_mm"] != other["x_mm"]).all()


def test_scatter_has_the_size_that_was_asked_for() -> None:
    """Readings along the motion less those without chance: sd and uniform jitter of the latch, together."""
    schedule = lay_out(Design(50, 80))
    probe = Probe(sd_mm=0.002, jitter_s=0.006)
    noisy, still = (simulate_schedule(one, Mill(), schedule, rng=rng()) for one in (probe, STILL))
    angle = np.deg2rad(schedule.azimuth_deg)
    along = (noisy["x_mm"] - still["x_mm"]) * np.cos(angle) + (noisy["y_mm"] - still["y_mm"]) * np.sin(angle)
    across = (noisy["x_mm"] - still["x_mm"]) * np.sin(angle) - (noisy["y_mm"] - still["y_mm"]) * np.cos(angle)
    expected = np.hypot(0.002, 1.0 * 0.006 / np.sqrt(12))
    assert along.std() == pytest.approx(expected, rel=4 / np.sqrt(2 * 4000))
    # The latch is late by half the jitter on average, at 1 mm/s.
    assert along.mean() == pytest.approx(0.003, abs=4 * expected / np.sqrt(4000))
    assert np.abs(across).max() < 1e-12


def test_positions_are_read_in_steps() -> None:
    frame = simulate_schedule(Probe(), Mill(step_mm=0.005), ring_plan().schedule, rng=rng())
    for name in ("x_mm", "y_mm"):
        steps = frame[name].to_numpy() / 0.005
        assert np.abs(steps - np.round(steps)).max() < 1e-6


def test_the_probe_is_turned_in_the_pauses() -> None:
    schedule = lay_out(TURNED)
    frame = simulate_schedule(Probe(), Mill(), schedule, rng=rng(), seconds_per_touch=7.0)
    seconds = (frame["time"] - np.datetime64(START)).dt.total_seconds().to_numpy()
    assert seconds[0] == 0
    gaps = np.diff(seconds)
    turned = np.flatnonzero(np.diff(schedule.orientation_deg) != 0)
    assert gaps[turned] == pytest.approx(7.0 + PAUSE_S)
    assert np.delete(gaps, turned) == pytest.approx(7.0)


def test_drift_goes_on_in_the_pauses() -> None:
    schedule = lay_out(TURNED)
    mill = Mill(drift_mm_per_h=0.05, centre_drift_mm_per_h=(0.02, -0.03))
    drifting, still = (simulate_schedule(STILL, one, schedule, rng=rng()) for one in (mill, Mill()))
    hours = (drifting["time"] - np.datetime64(START)).dt.total_seconds().to_numpy() / 3600
    angle = np.deg2rad(schedule.azimuth_deg)
    moved_x, moved_y = (drifting[name] - still[name] for name in ("x_mm", "y_mm"))
    assert moved_x.to_numpy() == pytest.approx(hours * (0.02 + 0.05 * np.cos(angle)), abs=1e-12)
    assert moved_y.to_numpy() == pytest.approx(hours * (-0.03 + 0.05 * np.sin(angle)), abs=1e-12)


def test_run_out_turns_with_the_probe() -> None:
    schedule = lay_out(TURNED)
    probe = Probe(sd_mm=0.0, jitter_s=0.0, runout_mm=(0.01, 0.0), threshold_n=(0.0, 0.0, 0.0))
    off, true = (simulate_schedule(one, Mill(), schedule, rng=rng()) for one in (probe, STILL))
    at_0, at_90 = schedule.orientation_deg == 0, schedule.orientation_deg == 90
    assert (off["x_mm"] - true["x_mm"])[at_0].to_numpy() == pytest.approx(-0.01, abs=1e-9)
    assert (off["y_mm"] - true["y_mm"])[at_90].to_numpy() == pytest.approx(-0.01, abs=1e-9)


def test_stages_have_their_touches() -> None:
    whole = lay_out(Design(4, 2))
    schedule = Schedule(
        ("old",) * 4 + ("new",) * 4,
        whole.orientation_deg,
        whole.azimuth_deg,
        whole.elevation_deg,
        whole.block,
    )
    frame = simulate_schedule(Probe(), Mill(), schedule, rng=rng())
    assert frame["stage"].tolist() == ["old"] * 4 + ["new"] * 4
    assert np.diff(frame["time"].to_numpy())[3] / np.timedelta64(1, "s") == pytest.approx(6.0 + PAUSE_S)


def test_a_qualification_finds_the_scatter_that_was_simulated() -> None:
    schedule = ring_plan().schedule
    frame = simulate_schedule(Probe(sd_mm=0.002, jitter_s=0.0), Mill(), schedule, rng=rng())
    record = TestRecord(
        serial="A", artefact=Artefact(kind="ring", diameter_mm=25.0), stylus=Stylus(ball_diameter_mm=4.0)
    )
    frame = frame.assign(touch=schedule.touch)
    found = qualify(Triggers(record, frame, Source("", "0" * 64, len(frame), "mm", "x")), Limits())
    # 72 degrees of freedom: the interval of 99.9 % is within 30 %.
    assert found.analysis.repeatability.sd_mm == pytest.approx(0.002, rel=0.3)
