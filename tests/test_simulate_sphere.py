"""The simulator of touches on a sphere against closed forms and another solver."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sphere_logs import RIGID, SOFT, pattern_plan, rings_plan

from probetest.simulate import Faults, Mill, Probe
from probetest.simulate_sphere import simulate_sphere
from probetest.statistics.sphere import fit_sphere

STILL = {"jitter_s": 0.0, "latency_s": 0.0}


def distance(frame, centre):
    return np.linalg.norm(frame[["x_mm", "y_mm", "z_mm"]].to_numpy() - centre, axis=1)


def test_a_rigid_probe_without_scatter_touches_the_sphere_itself():
    probe = Probe(preload_n=1e-12, sd_mm=0.0, runout_mm=(0.02, 0.0), **STILL)
    plan = pattern_plan(2, orientation_deg=90.0)
    run = simulate_sphere(probe, Mill(centre_mm=(3.0, -7.0)), plan, rng=np.random.default_rng(1))
    # Run-out of +0.02 in x at orientation 0 is +0.02 in y at 90 deg; the spindle then stands 0.02 before.
    centre = np.array([3.0, -7.02, -40.0])
    assert run.truth["centre_mm"] == pytest.approx(centre)
    assert_allclose(distance(run.frame, centre), (25.0 + 4.0) / 2, atol=1e-9)
    toward = centre - run.frame[["x_mm", "y_mm", "z_mm"]].to_numpy()
    elevation = np.rad2deg(np.arcsin(toward[:, 2] / 14.5))
    assert_allclose(elevation, run.frame["elevation_deg"], atol=1e-6)
    # Straight down has no azimuth to see.
    aside = elevation > -89.9
    azimuth = np.rad2deg(np.arctan2(toward[:, 1], toward[:, 0])) - run.frame["azimuth_deg"]
    assert_allclose(np.cos(np.deg2rad(azimuth[aside])), 1.0, atol=1e-9)


def test_truth_of_the_form_is_that_of_an_exact_fit():
    probe = Probe(preload_n=2.4, sd_mm=0.0, jitter_s=0.0)
    mill = Mill(reversal_mm=(0.008, 0.003), two_lobe_mm=0.002, two_lobe_azimuth_deg=20.0)
    run = simulate_sphere(probe, mill, pattern_plan(1), rng=np.random.default_rng(2))
    centre, radius, _ = fit_sphere(run.frame[["x_mm", "y_mm", "z_mm"]].to_numpy())
    # First order against the exact fit: (0.03 mm)^2 / 14.5 mm is 0.06 um.
    assert run.truth["form_mm"] == pytest.approx(np.ptp(distance(run.frame, centre)), abs=1.5e-4)
    assert run.truth["fitted_radius_mm"] == pytest.approx(radius, abs=1.5e-4)
    assert run.truth["fitted_centre_mm"] == pytest.approx(centre, abs=1.5e-4)


def test_errors_of_the_mill_by_hand():
    probe = Probe(preload_n=1e-12, sd_mm=0.0, **STILL)
    plan = rings_plan((-90.0, 1), (-60.0, 4), (0.0, 4), repeats=1)
    reversal = simulate_sphere(probe, Mill(reversal_mm=(0.008, 0.002)), plan, rng=np.random.default_rng(3))
    # b / 2 along an axis that moves straight, its share |u| at a slope; nothing straight down.
    assert_allclose(
        reversal.truth["late_mm"], [0, 0.002, 0.0005, 0.002, 0.0005, 0.004, 0.001, 0.004, 0.001], atol=1e-9
    )
    scale = simulate_sphere(probe, Mill(two_lobe_mm=0.004), plan, rng=np.random.default_rng(3))
    # X reads too long: the sphere is larger along x, its touches come early; a quarter of it at 60 deg.
    assert_allclose(
        scale.truth["late_mm"],
        [0, -0.001, 0.001, -0.001, 0.001, -0.004, 0.004, -0.004, 0.004],
        atol=1e-9,
    )


def test_latency_adds_the_same_at_each_point():
    probe = Probe(preload_n=1e-12, sd_mm=0.0, latency_s=0.002, jitter_s=0.001)
    late = simulate_sphere(probe, Mill(), pattern_plan(1), rng=np.random.default_rng(4)).truth["late_mm"]
    # 60 mm/min is 1 mm/s: 2 ms and half of 1 ms.
    assert_allclose(late, 0.0025, atol=1e-9)


def test_axial_truth_is_the_horizontal_pretravel_less_almost_nothing():
    run = simulate_sphere(SOFT, Mill(), pattern_plan(1), rng=np.random.default_rng(5))
    late = np.array(run.truth["late_mm"])
    assert run.truth["axial_mm"] == pytest.approx(late[-8:].mean() - late[0], abs=1e-12)
    slope = simulate_sphere(SOFT, Mill(), rings_plan((-60.0, 8), (0.0, 8)), rng=np.random.default_rng(5))
    assert slope.truth["axial_mm"] is None


def test_faults_keep_their_rows():
    faults = Faults(missed=(3,), open_at_start=(5,), false=(7,), early={9: 0.05})
    clean, faulty = (
        simulate_sphere(SOFT, Mill(), pattern_plan(), rng=np.random.default_rng(6), faults=some).frame
        for some in (None, faults)
    )
    assert faulty["outcome"].tolist()[2:7:2] == ["missed", "open_at_start", "false"]
    assert faulty[["x_mm", "y_mm", "z_mm"]].isna().all(axis=1).sum() == 2
    centre = (0.0, 0.0, -40.0)
    farther = distance(faulty, centre) - distance(clean, centre)
    assert 0.5 < farther[6] < 2.0
    assert farther[8] == pytest.approx(0.05, abs=1e-9)


def test_each_point_is_touched_as_often_as_planned_in_either_order():
    for rounds in (True, False):
        run = simulate_sphere(SOFT, Mill(), pattern_plan(4, rounds=rounds), rng=np.random.default_rng(7))
        counts = run.frame.groupby(["azimuth_deg", "elevation_deg"]).size()
        assert (len(counts), set(counts)) == (25, {4})
    assert run.frame["elevation_deg"].tolist()[:5] == [-90.0] * 4 + [-67.5]


def test_drift_and_steps():
    mill = Mill(drift_mm_per_h=0.06, centre_drift_mm_per_h=(0.5, 0.0), step_mm=0.001)
    probe = Probe(preload_n=1e-12, sd_mm=0.0, **STILL)
    frame = simulate_sphere(probe, mill, pattern_plan(15), rng=np.random.default_rng(8)).frame
    steps = frame[["x_mm", "y_mm", "z_mm"]] / 0.001
    assert_allclose(steps, steps.round(), atol=1e-6)
    # 375 touches of 10 s: the last comes 3740 s after the first.
    hours = 3740 / 3600
    last = distance(frame.iloc[-1:], (0.5 * hours, 0.0, -40.0))[0]
    assert last == pytest.approx(14.5 - 0.06 * hours, abs=0.001)


def test_scatter_is_the_stated_one():
    run = simulate_sphere(RIGID, Mill(), pattern_plan(160), rng=np.random.default_rng(9))
    radius = distance(run.frame, run.truth["centre_mm"])
    # 4,000 touches: the standard error of an sd is 1.1 %.
    assert radius.std() == pytest.approx(run.truth["sd_mm"], rel=0.035)


def test_same_seed_same_test():
    first, second = (
        simulate_sphere(SOFT, Mill(), pattern_plan(), rng=np.random.default_rng(10)).frame for _ in range(2)
    )
    assert first.equals(second)
