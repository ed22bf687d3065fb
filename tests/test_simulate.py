"""The simulator against closed forms that it does not use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from probetest.simulate import Faults, Mill, Plan, Probe, pretravel, radial_mean, simulate, trip_force
from probetest.statistics.seat import seat_shape

AZIMUTHS = np.arange(0.0, 360.0, 1.0)


@pytest.mark.parametrize("wall_deg", [15.0, 30.0, 45.0])
@pytest.mark.parametrize("arm_deg", [0.0, 20.0, 100.0])
def test_equilibrium_of_six_contacts_gives_the_closed_form(wall_deg: float, arm_deg: float) -> None:
    probe = Probe(wall_angle_deg=wall_deg, arm_azimuth_deg=arm_deg)
    ratio = probe.seat_radius_mm / probe.stylus_length_mm * np.tan(np.deg2rad(wall_deg))
    bend = pretravel(probe, AZIMUTHS)
    shape = seat_shape(AZIMUTHS, arm_deg, ratio)
    assert_allclose(bend / bend.min(), shape / shape.min(), rtol=1e-12)


def test_flat_walls_give_two_to_one() -> None:
    bend = pretravel(Probe(wall_angle_deg=0.0), AZIMUTHS)
    assert bend.max() / bend.min() == pytest.approx(2.0, rel=1e-4)


def test_size_follows_from_spring_seat_and_stem() -> None:
    # F_s R L**2 / (6 E I) with F_s 3 N, R 7.5 mm, L 50 mm, d 2.5 mm, E 600 GPa: derived by hand.
    probe = Probe(preload_n=3.0, stem_diameter_mm=2.5, wall_angle_deg=0.0)
    expected = 3.0 * 7.5 * 50.0**2 / (6 * 600e3 * np.pi * 2.5**4 / 64)
    assert pretravel(probe, AZIMUTHS).min() == pytest.approx(expected, rel=1e-4)


def test_length_acts_squared() -> None:
    long, short = (
        pretravel(Probe(wall_angle_deg=0.0, stylus_length_mm=length), [180.0]) for length in (50.0, 25.0)
    )
    assert (long / short).item() == pytest.approx(4.0, rel=1e-3)


def test_early_contact_scales_its_own_sector_only() -> None:
    probe = Probe(wall_angle_deg=0.0, arm_azimuth_deg=0.0)
    early = replace(probe, threshold_n=(0.04, 0.0, 0.0))
    ratio = pretravel(early, AZIMUTHS) / pretravel(probe, AZIMUTHS)
    # gain 1 - 3 * 0.04 / 1.2 = 0.9 where the arm at 0 deg lifts: moving towards 180 deg.
    assert ratio[180] == pytest.approx(0.9, rel=1e-6)
    assert ratio[0:110].min() == pytest.approx(1.0, rel=1e-6)


def test_orientation_turns_the_curve_with_the_probe() -> None:
    probe = Probe(arm_azimuth_deg=10.0)
    assert_allclose(
        pretravel(probe, AZIMUTHS + 35.0, orientation_deg=35.0), pretravel(probe, AZIMUTHS), rtol=1e-9
    )


def test_reversal_value_makes_even_waves_only() -> None:
    rigid = Probe(preload_n=1e-9)
    mill = Mill(reversal_mm=(0.02, 0.006))
    waves = np.abs(np.fft.rfft(radial_mean(rigid, mill, Plan(), AZIMUTHS))) / len(AZIMUTHS)
    assert waves[1:10:2].max() < 1e-9
    # |cos| has a second harmonic of 4 / (3 pi), |sin| the opposite one.
    assert 2 * waves[2] == pytest.approx((0.02 - 0.006) / 2 * 4 / (3 * np.pi), rel=1e-3)


def test_scatter_is_the_stated_one() -> None:
    plan = Plan(directions=12, repeats=400)
    simulated = simulate(Probe(), Mill(), plan, rng=np.random.default_rng(3))
    frame = simulated.frame
    radius = np.hypot(frame["x_mm"], frame["y_mm"])
    sd = np.sqrt(radius.groupby(frame["azimuth_deg"].round(4)).var().mean())
    # 4,800 touches: the standard error of an sd is 1 %.
    assert sd == pytest.approx(simulated.truth["sd_mm"], rel=0.035)


def test_step_rounds_positions() -> None:
    frame = simulate(Probe(), Mill(step_mm=0.005), Plan(), rng=np.random.default_rng(4)).frame
    steps = frame["x_mm"] / 0.005
    assert_allclose(steps, steps.round(), atol=1e-6)


def test_faults_keep_their_rows() -> None:
    faults = Faults(missed=(3,), open_at_start=(5,), false=(7,), early={9: 0.05})
    clean = simulate(Probe(), Mill(), Plan(), rng=np.random.default_rng(5)).frame
    frame = simulate(Probe(), Mill(), Plan(), rng=np.random.default_rng(5), faults=faults).frame
    assert frame["outcome"].tolist()[2:7:2] == ["missed", "open_at_start", "false"]
    assert frame["x_mm"].isna().sum() == 2
    reach = np.hypot(frame["x_mm"], frame["y_mm"])
    assert reach[8] - np.hypot(clean["x_mm"], clean["y_mm"])[8] == pytest.approx(-0.05, abs=1e-9)


def test_same_seed_same_test() -> None:
    first, second = (simulate(Probe(), Mill(), Plan(), rng=np.random.default_rng(6)).frame for _ in range(2))
    assert first.equals(second)


def test_good_small_shop_probe_has_the_usual_pretravel() -> None:
    # Common practice, no source: a good small-shop probe shows 0.02 to 0.03 mm.
    truth = simulate(Probe(preload_n=2.4), Mill(), Plan(), rng=np.random.default_rng(0)).truth
    assert 0.02 <= truth["mean_mm"] <= 0.03


def test_low_cost_probe_has_the_usual_pretravel() -> None:
    # Common practice, no source: a low-cost passive probe shows 0.05 to 0.11 mm, about 0.06 mm variation.
    cheap = Probe(preload_n=2.4, stem_diameter_mm=2.0, modulus_gpa=200.0, wall_angle_deg=0.0)
    bend = pretravel(cheap, AZIMUTHS)
    assert bend.min() >= 0.04
    assert bend.max() <= 0.11
    assert np.ptp(bend) == pytest.approx(0.06, abs=0.02)


def test_opposite_touches_may_cancel() -> None:
    # Common practice, no source: opposite touches can centre a block within 0.003 mm, as errors may
    # cancel; they may add up as well. The odd lobing decides: none of it along this axis, all along that.
    probe = Probe(preload_n=3.0, wall_angle_deg=0.0, arm_azimuth_deg=90.0)
    along_x, along_y = (pretravel(probe, [a, a + 180.0]) for a in (0.0, 90.0))
    assert abs(along_x[0] - along_x[1]) / 2 < 0.003
    assert abs(along_y[0] - along_y[1]) / 2 > 0.005


def closed_form_share(elevation_deg: float) -> np.ndarray:
    """F / F_s = 1 / (sin b + (2 L / R) C cos b) of an ideal seat with an arm at 90 deg: by moments."""
    b = np.deg2rad(elevation_deg)
    arms = np.deg2rad(AZIMUTHS[:, None] - 90.0 - np.array([0.0, 120.0, 240.0]))
    lever = 2 * 50.0 / 7.5 * np.cos(arms).max(axis=1)
    return np.asarray(1 / (np.sin(b) + lever * np.cos(b)))


@pytest.mark.parametrize("elevation", [0.0, 22.5, 45.0, 67.5, 90.0])
def test_trip_force_at_a_slope_is_that_by_moments_about_the_arms(elevation: float) -> None:
    found = trip_force(Probe(preload_n=3.0, wall_angle_deg=0.0), AZIMUTHS, elevation) / 3.0
    assert_allclose(found, closed_form_share(elevation), rtol=2e-4)


def test_straight_up_all_contacts_open_together_whatever_their_walls() -> None:
    assert_allclose(trip_force(Probe(preload_n=3.0), AZIMUTHS, 90.0), 3.0, rtol=1e-9)


def test_pretravel_straight_down_is_the_compression_of_the_stem() -> None:
    # F_s L / (E A): 3 N, 50 mm, 600 GPa, d 2.5 mm: 0.051 um, by hand.
    probe = Probe(preload_n=3.0, stem_diameter_mm=2.5)
    expected = 3.0 * 50.0 / (600e3 * np.pi * 2.5**2 / 4)
    assert expected == pytest.approx(5.093e-5, rel=1e-4)
    assert_allclose(pretravel(probe, AZIMUTHS, elevation_deg=-90.0), expected, rtol=1e-9)


def test_pretravel_at_a_slope_is_bending_and_compression() -> None:
    probe = Probe(preload_n=3.0, wall_angle_deg=0.0)
    force = 3.0 * closed_form_share(45.0)
    bending = 50.0**3 / (3 * 600e3 * np.pi * 2.0**4 / 64)
    pressing = 50.0 / (600e3 * np.pi * 2.0**2 / 4)
    # The force points against the motion: an approach from 180 deg further on.
    found = pretravel(probe, AZIMUTHS + 180.0, elevation_deg=-45.0)
    assert_allclose(found, force * (bending + pressing) / 2, rtol=2e-4)


def test_range_over_the_hemisphere_is_twice_that_on_the_equator() -> None:
    probe = Probe(preload_n=3.0, wall_angle_deg=0.0)
    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(AZIMUTHS, np.arange(-90.0, 1.0)))
    everywhere = pretravel(probe, azimuth, elevation_deg=elevation)
    assert np.ptp(everywhere) == pytest.approx(2 * np.ptp(pretravel(probe, AZIMUTHS)), rel=0.005)
