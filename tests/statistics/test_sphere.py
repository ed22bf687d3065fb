"""Touches on a sphere: exact spheres, closed forms, another solver, a seat with known pre-travel in 3D."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats
from simulated import assert_share, assert_share_at_least, even_azimuths

from probetest.errors import StatisticsError
from probetest.statistics import sphere
from probetest.statistics.sphere import (
    SphereTest,
    fit_sphere,
    match_pattern25,
    motion_vectors,
    pattern25,
    sphere_test,
)

Floats = NDArray[np.float64]
CENTRE = np.array([100.0, -50.0, 30.0])
RADIUS = 14.5


@dataclass(frozen=True)
class Seat:
    """Ideal three-arm seat with elevation: F_s, R, L, d, E of the first worked row but 2 mm thick."""

    preload_n: float = 3.0
    radius_mm: float = 7.5
    length_mm: float = 50.0
    stem_mm: float = 2.0
    modulus_mpa: float = 600e3
    arm_deg: float = 90.0

    def force(self, azimuth_deg: Floats, elevation_deg: Floats) -> Floats:
        """F = F_s / (sin b + (2 L / R) C cos b), b the angle of the force above the horizontal."""
        b = -np.deg2rad(elevation_deg)
        psi = np.deg2rad(azimuth_deg[:, None] + 180.0 - self.arm_deg - np.array([0.0, 120.0, 240.0]))
        lever = 2 * self.length_mm / self.radius_mm * np.cos(psi).max(axis=1)
        return self.preload_n / (np.sin(b) + lever * np.cos(b))

    def pretravel(self, azimuth_deg: Floats, elevation_deg: Floats) -> Floats:
        """Along the normal: bending by the horizontal part of the force, compression by the rest."""
        force, b = self.force(azimuth_deg, elevation_deg), -np.deg2rad(elevation_deg)
        bending = self.length_mm**3 / (3 * self.modulus_mpa * np.pi * self.stem_mm**4 / 64)
        axial = self.length_mm / (self.modulus_mpa * np.pi * self.stem_mm**2 / 4)
        return force * np.cos(b) ** 2 * bending + force * np.sin(b) ** 2 * axial


def touched(
    azimuth_deg: Floats, elevation_deg: Floats, late_mm: Floats | float = 0.0, centre: Floats = CENTRE
) -> Floats:
    """Ball centres of touches that trigger so late on a sphere (its radius and that of the ball)."""
    motion = motion_vectors(azimuth_deg, elevation_deg)
    return centre - (RADIUS - np.broadcast_to(late_mm, len(motion)))[:, None] * motion


def rings(*parts: tuple[float, int, float]) -> tuple[Floats, Floats]:
    """Azimuths and elevations of rings (elevation, points, start)."""
    azimuth = np.concatenate([even_azimuths(points, start) for _, points, start in parts])
    return azimuth, np.concatenate([np.full(points, elevation) for elevation, points, _ in parts])


def repeated_points(touches: int) -> tuple[Floats, Floats]:
    azimuth, elevation = pattern25()
    return np.tile(azimuth, touches), np.tile(elevation, touches)


# ---- directions and the pattern


def test_motion_is_horizontal_at_0_and_down_at_minus_90() -> None:
    found = motion_vectors([0.0, 90.0, 77.0, 180.0], [0.0, 0.0, -90.0, -30.0])
    expected = [[1, 0, 0], [0, 1, 0], [0, 0, -1], [-np.sqrt(0.75), 0, -0.5]]
    assert found == pytest.approx(np.array(expected), abs=1e-15)


def test_pattern_of_25_points_by_hand() -> None:
    # 1 at the pole, 4, 8, 4, 8 below it, each turned by 22.5 deg against the one before; from memory.
    azimuth, elevation = pattern25(10.0)
    hand = {(-90.0, 0.0)}
    hand |= {(-67.5, 10.0 + 90.0 * k) for k in range(4)}
    hand |= {(-45.0, 32.5 + 45.0 * k) for k in range(8)}
    hand |= {(-22.5, 55.0 + 90.0 * k) for k in range(4)}
    hand |= {(0.0, (77.5 + 45.0 * k) % 360.0) for k in range(8)}
    assert {*zip(elevation.tolist(), azimuth.tolist(), strict=True)} == hand
    assert len(hand) == 25


def test_pattern_spreads_over_the_hemisphere() -> None:
    azimuth, elevation = pattern25()
    cosines = motion_vectors(azimuth, elevation) @ motion_vectors(azimuth, elevation).T
    nearest = np.rad2deg(np.arccos((cosines - 2 * np.eye(25)).max(axis=1)))
    assert (nearest.min(), nearest.max() < 32.0) == (pytest.approx(22.5, abs=1e-6), True)


@pytest.mark.parametrize("turn", [0.0, 10.0, 44.9, 89.0, 200.0, -30.0])
def test_the_pattern_is_recognised_at_any_turn_and_in_any_order(turn: float) -> None:
    azimuth, elevation = pattern25(turn)
    order = np.random.default_rng(80).permutation(25)
    found = match_pattern25(azimuth[order], elevation[order])
    assert found is not None
    assert (found[0] - turn + 45.0) % 90.0 - 45.0 == pytest.approx(0.0, abs=1e-6)
    assert 0.0 <= found[0] < 90.0
    assert found[1] == pytest.approx(0.0, abs=1e-5)


def test_the_pattern_starts_at_azimuth_0() -> None:
    assert pattern25()[0][:7].tolist() == [0.0, 0.0, 90.0, 180.0, 270.0, 22.5, 67.5]


@pytest.mark.parametrize("shift", [-2.8, 2.8])
def test_a_ring_off_its_elevation_by_less_than_3_deg_matches(shift: float) -> None:
    azimuth, elevation = pattern25(12.0)
    for ring in (-67.5, -45.0):
        moved = np.where(elevation == ring, elevation + shift, elevation)
        assert match_pattern25(azimuth, moved) == (pytest.approx(12.0), pytest.approx(2.8, abs=1e-6))


def test_a_pattern_turned_the_other_way_is_the_same() -> None:
    azimuth, elevation = pattern25(12.0)
    assert match_pattern25(-azimuth, elevation) is not None


@pytest.mark.parametrize(("shift", "matches"), [(2.0, True), (2.9, True), (3.2, False)])
def test_a_point_off_its_place_by_more_than_3_deg_is_no_match(shift: float, matches: bool) -> None:
    azimuth, elevation = pattern25(12.0)
    azimuth[20] += shift
    found = match_pattern25(azimuth, elevation)
    assert (found is not None) is matches
    if found is not None:
        assert found[1] == pytest.approx(shift, abs=1e-6)
    assert match_pattern25(azimuth, elevation, 4.0) is not None


def test_other_points_are_no_match() -> None:
    azimuth, elevation = pattern25()
    assert match_pattern25(azimuth[1:], elevation[1:]) is None
    assert match_pattern25(np.append(azimuth, 5.0), np.append(elevation, -45.0)) is None
    assert match_pattern25(azimuth, np.zeros(25)) is None
    twice = azimuth.copy()
    twice[18] = twice[17] + 0.5
    assert match_pattern25(twice, elevation) is None
    # Rings of 8 that are not turned against those of 4.
    straight = np.where(np.isin(elevation, [-45.0, 0.0]), azimuth - 22.5, azimuth)
    assert match_pattern25(straight, elevation) is None


# ---- the sphere: known answers and oracles


@pytest.mark.parametrize("centre", [CENTRE, np.array([0.0, 0.0, 0.0]), np.array([-2000.0, 1500.0, -400.0])])
def test_an_exact_sphere_is_found(centre: Floats) -> None:
    azimuth, elevation = pattern25(12.0)
    found = sphere_test(touched(azimuth, elevation, centre=centre), azimuth, elevation)
    assert found.centre_mm == pytest.approx(centre, abs=1e-9)
    assert found.radius_mm == pytest.approx(RADIUS, abs=1e-9)
    assert (found.form_mm, found.form_means_mm) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.reading_mm == pytest.approx(np.zeros(25), abs=1e-9)
    assert (found.touches, found.points) == (25, 25)


def algebraic_sphere(points: Floats) -> tuple[Floats, float]:
    """Closed form: |p|^2 = 2 p . c + (r^2 - |c|^2), linear in its unknowns."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    found = np.linalg.solve(design.T @ design, design.T @ (points**2).sum(axis=1))
    return found[:3], float(np.sqrt(found[3] + found[:3] @ found[:3]))


def noisy_pattern(sd: float, seed: int) -> Floats:
    azimuth, elevation = pattern25(12.0)
    return touched(azimuth, elevation, np.random.default_rng(seed).normal(0, sd, 25), np.zeros(3))


@pytest.mark.parametrize("seed", [81, 82, 83])
def test_small_errors_give_the_algebraic_closed_form(seed: int) -> None:
    points = noisy_pattern(1e-5, seed)
    centre, radius, _ = fit_sphere(points)
    closed, closed_radius = algebraic_sphere(points)
    assert centre == pytest.approx(closed, abs=1e-9)
    assert radius == pytest.approx(closed_radius, abs=1e-9)


@pytest.mark.parametrize("seed", [81, 82, 83])
def test_large_errors_give_what_a_general_minimiser_finds(seed: int) -> None:
    points = noisy_pattern(0.4, seed)

    def spread(centre: Floats) -> float:
        # The best radius about a centre is the mean distance.
        return float(np.var(np.linalg.norm(points - centre, axis=1)))

    oracle = optimize.minimize(
        spread,
        np.zeros(3),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-16, "maxiter": 5000, "maxfev": 5000},
    )
    centre, radius, _ = fit_sphere(points)
    assert centre == pytest.approx(oracle.x, abs=2e-6)
    assert radius == pytest.approx(np.linalg.norm(points - oracle.x, axis=1).mean(), abs=2e-6)
    assert np.linalg.norm(centre - algebraic_sphere(points)[0]) > 1e-3


def test_six_points_on_the_axes_have_uncertainties_by_hand() -> None:
    # The information is 2 for each coordinate and 6 for the radius, with nothing between them.
    axes = np.vstack([np.eye(3), -np.eye(3)]) * 10.0
    assert fit_sphere(axes)[2] == pytest.approx(np.diag([1 / 2, 1 / 2, 1 / 2, 1 / 6]), abs=1e-12)


def test_figures_of_an_alternating_equator_by_hand() -> None:
    # +a and -a in turn on the 8 points of the equator: nothing of it goes into centre or radius.
    azimuth, elevation = pattern25()
    late = np.where(elevation == 0.0, 0.003 * (-1.0) ** np.arange(25), 0.0)
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation)
    assert found.form_mm == pytest.approx(0.006, abs=1e-6)
    assert found.reading_mm == pytest.approx(late, abs=1e-6)
    assert found.centre_mm == pytest.approx(CENTRE, abs=1e-6)
    design = np.column_stack([motion_vectors(azimuth, elevation), np.ones(25)])
    u = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * 8 * 0.003**2 / 21)
    assert found.u_mm == pytest.approx(u, rel=1e-3)
    assert found.fit_dof == 21.0
    factor = stats.t.ppf(0.975, 21)
    for value, interval, its_u in zip((*CENTRE, RADIUS), found.interval_mm, u, strict=True):
        assert interval.half_width == pytest.approx(factor * its_u, rel=1e-3)
        assert (interval.lower + interval.upper) / 2 == pytest.approx(value, abs=1e-6)
    assert (np.isnan(found.scatter_mm), found.scatter_dof, found.scatter_form) == (True, 0.0, None)


def test_condition_is_that_of_the_weighted_normal_equations() -> None:
    azimuth, elevation = pattern25()
    azimuth, elevation = np.append(azimuth, [0.0, 0.0]), np.append(elevation, [-90.0, -90.0])
    found = sphere_test(touched(azimuth, elevation), azimuth, elevation)
    design = np.column_stack([np.ones(27), np.sqrt(3) * motion_vectors(azimuth, elevation)])
    eigenvalues = np.linalg.eigvalsh(design.T @ design)
    assert found.condition == pytest.approx(np.sqrt(eigenvalues[-1] / eigenvalues[0]), rel=1e-9)
    # An even spread over the whole sphere has 1.
    axes = np.array([0.0, 90.0, 180.0, 270.0, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 0.0, 90.0, -90.0])
    assert sphere_test(touched(*axes), *axes).condition == pytest.approx(1.0, rel=1e-9)


def test_five_points_leave_one_degree_of_freedom() -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (0.0, 4, 0.0))
    late = np.array([0.0, 0.002, -0.002, 0.002, -0.002])
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation)
    assert (found.points, found.fit_dof) == (5, 1.0)
    assert found.form_mm == pytest.approx(0.004, abs=1e-6)
    assert found.rings[1].harmonics is None


def test_a_late_trigger_is_a_longer_reading() -> None:
    azimuth, elevation = pattern25()
    late = np.zeros(25)
    late[15] = 0.01
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation)
    assert int(found.reading_mm.argmax()) == 15


def test_lines_that_miss_the_centre_hardly_change_the_readings() -> None:
    azimuth, elevation = pattern25()
    motion = motion_vectors(azimuth, elevation)
    late = Seat().pretravel(azimuth, elevation)
    # The ball meets the surface 0.3 mm beside the line through the centre.
    aside = np.cross(motion, [0.3, 0.5, 0.8])
    outward = -RADIUS * motion + 0.3 * aside / np.linalg.norm(aside, axis=1)[:, None]
    outward = outward / np.linalg.norm(outward, axis=1)[:, None]
    beside = sphere_test(CENTRE + (RADIUS - late)[:, None] * outward, azimuth, elevation).reading_mm
    straight = sphere_test(touched(azimuth, elevation, late), azimuth, elevation).reading_mm
    # Projected on the motion they would be off by 0.3^2 / (2 * 14.5) = 0.0031 mm.
    assert np.abs(beside - straight).max() < 0.0005


def test_order_and_azimuth_at_the_pole_do_not_matter() -> None:
    azimuth, elevation = repeated_points(3)
    positions = touched(azimuth, elevation, np.random.default_rng(84).normal(0, 0.001, 75))
    found = sphere_test(positions, azimuth, elevation)
    order = np.random.default_rng(85).permutation(75)
    azimuth[elevation == -90.0] = [11.0, 222.0, -40.0]
    again = sphere_test(positions[order], azimuth[order] + 360.0, elevation[order])
    assert again.points == 25
    assert again.centre_mm == pytest.approx(found.centre_mm, abs=1e-10)
    assert again.form_mm == pytest.approx(found.form_mm, abs=1e-10)
    assert again.scatter_mm == pytest.approx(found.scatter_mm, rel=1e-7)
    assert again.reading_mm == pytest.approx(found.reading_mm[order], abs=1e-10)


# ---- scatter


def test_scatter_is_pooled_within_points_by_hand() -> None:
    # Two touches at 0 and d, thrice, and single touches elsewhere: each pair gives d^2 / 2 with 1 dof.
    azimuth, elevation = pattern25()
    again = np.array([3, 9, 20])
    azimuth, elevation = np.append(azimuth, azimuth[again]), np.append(elevation, elevation[again])
    late = np.append(np.zeros(25), [0.001, 0.002, 0.003])
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation)
    assert found.scatter_mm == pytest.approx(np.sqrt((1 + 4 + 9) / 2 / 3) * 1e-3, rel=1e-3)
    assert (found.scatter_dof, found.touches, found.points) == (3.0, 28, 25)
    equator = found.rings[-1]
    assert (equator.n, sum(equator.counts), max(equator.counts)) == (9, 9, 2)
    assert equator.mean_u_mm == pytest.approx(found.scatter_mm * np.sqrt(7 + 1 / 2) / 8, rel=1e-9)


def seat_and_noise(touches: int, sd: float, seed: int) -> tuple[Floats, Floats, Floats]:
    azimuth, elevation = repeated_points(touches)
    late = Seat().pretravel(azimuth, elevation)
    late = late + np.random.default_rng(seed).normal(0, sd, len(late))
    return touched(azimuth, elevation, late), azimuth, elevation


def test_uncertainties_come_from_scatter_where_it_explains_the_residual() -> None:
    azimuth, elevation = repeated_points(4)
    late = np.tile(np.array([0.001, -0.001, 0.001, -0.001]), (25, 1)).T.ravel()
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation)
    assert found.fit_dof == found.scatter_dof == 75.0
    _, _, cofactor = fit_sphere(touched(azimuth, elevation, late))
    assert found.u_mm == pytest.approx(np.sqrt(np.diag(cofactor)) * 0.001 * np.sqrt(100 / 75), rel=1e-6)


def test_uncertainties_come_from_the_residual_where_lobing_exceeds_scatter() -> None:
    positions, azimuth, elevation = seat_and_noise(4, 1e-5, 86)
    found = sphere_test(positions, azimuth, elevation)
    assert found.fit_dof == 21.0
    residual = 4 * sum(r**2 for ring in found.rings for r in ring.reading_mm) / 21
    assert found.u_mm[3] == pytest.approx(np.sqrt(fit_sphere(positions)[2][3, 3] * residual), rel=1e-9)


def test_stated_scatter_stands_in_where_no_point_was_repeated() -> None:
    azimuth, elevation = pattern25()
    positions = touched(azimuth, elevation, Seat().pretravel(azimuth, elevation))
    found = sphere_test(positions, azimuth, elevation, stated_scatter=(0.001, 100.0))
    assert (found.scatter_mm, found.scatter_dof) == (0.001, 100.0)
    assert found.scatter_form is not None
    assert sphere_test(positions, azimuth, elevation, stated_scatter=(0.0, 0.5)).scatter_dof == 0.5
    known = sphere_test(positions, azimuth, elevation, stated_scatter=(0.001, np.inf))
    assert known.rings[-1].harmonics is not None
    twice = sphere_test(np.tile(positions, (2, 1)), *repeated_points(2), stated_scatter=(0.001, 100.0))
    assert (twice.scatter_mm, twice.scatter_dof) == (pytest.approx(0.0, abs=1e-12), 25.0)


def test_without_scatter_readings_are_given_and_no_harmonics() -> None:
    azimuth, elevation = pattern25()
    found = sphere_test(touched(azimuth, elevation, Seat().pretravel(azimuth, elevation)), azimuth, elevation)
    assert all(ring.harmonics is None and ring.first is None for ring in found.rings)
    assert all(np.isnan(ring.mean_u_mm) for ring in found.rings)
    assert sum(len(ring.reading_mm) for ring in found.rings) == 25


def test_scatter_alone_is_told_from_form() -> None:
    azimuth, elevation = repeated_points(4)
    noise = np.random.default_rng(87).normal(0, 0.002, 100)
    alone = sphere_test(touched(azimuth, elevation, noise), azimuth, elevation)
    lobed = sphere_test(
        touched(azimuth, elevation, noise + Seat().pretravel(azimuth, elevation)), azimuth, elevation
    )
    assert alone.scatter_form is not None
    assert lobed.scatter_form is not None
    assert alone.form_mm < alone.scatter_form.upper_mm
    assert alone.scatter_form.p_value > 0.05
    assert lobed.scatter_form.p_value < 0.001
    assert lobed.form_means_mm > lobed.scatter_form.means_upper_mm


def mean_range(n: int) -> float:
    """Mean range of n standard normals by its integral; 3.931 for 25 (constant d2 of control charts)."""
    x = np.linspace(-9.0, 9.0, 100_001)
    cdf = stats.norm.cdf(x)
    return float(np.trapezoid(1 - cdf**n - (1 - cdf) ** n, x))


def test_expected_form_of_scatter_is_the_mean_range_of_so_many_normals() -> None:
    assert mean_range(25) == pytest.approx(3.931, abs=5e-4)
    rng = np.random.default_rng(94)
    azimuth, elevation = rng.uniform(0, 360, 300), np.rad2deg(np.arcsin(rng.uniform(-1, 0, 300)))
    found = sphere_test(touched(azimuth, elevation), azimuth, elevation, stated_scatter=(0.002, np.inf))
    assert found.scatter_form is not None
    # The 4 fitted values take a share 4/300 of the variance. 2000 ranges of sd 0.55: 0.012 standard error.
    expected = mean_range(300) * np.sqrt(296 / 300)
    assert found.scatter_form.expected_mm / 0.002 == pytest.approx(expected, abs=0.045)
    assert found.scatter_form.means_expected_mm == pytest.approx(found.scatter_form.expected_mm, rel=1e-12)


def test_four_touches_a_point_halve_the_expected_form_of_the_means() -> None:
    azimuth, elevation = repeated_points(4)
    noise = np.random.default_rng(95).normal(0, 0.002, 100)
    many = sphere_test(touched(azimuth, elevation, noise), azimuth, elevation)
    single = sphere_test(
        touched(*pattern25()), *pattern25(), stated_scatter=(many.scatter_mm, many.scatter_dof)
    )
    assert many.scatter_form is not None
    assert single.scatter_form is not None
    # Both means of 2000 ranges have a standard error of 0.5 %.
    assert many.scatter_form.means_expected_mm == pytest.approx(
        single.scatter_form.expected_mm / 2, rel=0.025
    )
    assert many.scatter_form.expected_mm > 1.2 * single.scatter_form.expected_mm


def test_few_degrees_of_freedom_move_the_upper_point_out() -> None:
    azimuth, elevation = pattern25()
    positions = touched(azimuth, elevation)
    few, many = (
        sphere_test(positions, azimuth, elevation, stated_scatter=(0.002, dof)).scatter_form
        for dof in (5.0, 1e6)
    )
    assert few is not None
    assert many is not None
    assert few.expected_mm == pytest.approx(many.expected_mm, rel=1e-12)
    assert few.upper_mm > 1.3 * many.upper_mm


# ---- rings


def test_rings_go_from_straight_down_to_horizontal() -> None:
    azimuth, elevation = pattern25(12.0)
    found = sphere_test(touched(azimuth, elevation), azimuth, elevation)
    assert [ring.elevation_deg for ring in found.rings] == [-90.0, -67.5, -45.0, -22.5, 0.0]
    assert [ring.n for ring in found.rings] == [1, 4, 8, 4, 8]
    assert found.pattern25_deg == (pytest.approx(12.0), pytest.approx(0.0, abs=1e-5))


def test_elevations_within_a_degree_are_one_ring() -> None:
    azimuth, elevation = pattern25()
    elevation[elevation == -45.0] += np.repeat([-1.0, 0.0, 1.0, 2.0], 2)
    found = sphere_test(touched(azimuth, elevation), azimuth, elevation)
    assert [len(ring.reading_mm) for ring in found.rings] == [1, 4, 8, 4, 8]
    assert found.rings[2].elevation_deg == pytest.approx(-44.5)
    elevation[np.isin(elevation, [-44.0, -43.0])] += 0.1
    apart = sphere_test(touched(azimuth, elevation), azimuth, elevation)
    assert [len(ring.reading_mm) for ring in apart.rings] == [1, 4, 4, 4, 4, 8]


@pytest.mark.parametrize(("order", "phase"), [(2, 31.0), (3, 95.0), (4, 10.0)])
def test_lobing_of_one_ring_is_found_there(order: int, phase: float) -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (-45.0, 12, 5.0), (0.0, 12, 0.0))
    late = np.where(elevation == 0.0, 0.002 * np.cos(order * np.deg2rad(azimuth - phase)), 0.0)
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation, stated_scatter=(0.0005, 50.0))
    _, middle, equator = found.rings
    assert equator.harmonics is not None
    assert middle.harmonics is not None
    for harmonic in equator.harmonics.harmonics:
        if harmonic.order == order:
            assert harmonic.amplitude_mm == pytest.approx(0.002, abs=1e-6)
            assert harmonic.phase_deg == pytest.approx(phase, abs=0.05)
            # Even directions: the standard error of an amplitude is sd * sqrt(2 / n).
            assert harmonic.u_mm == pytest.approx(0.0005 * np.sqrt(2 / 12), rel=1e-9)
        else:
            assert harmonic.amplitude_mm == pytest.approx(0.0, abs=1e-6)
    assert max(h.amplitude_mm for h in middle.harmonics.harmonics) < 1e-6
    assert equator.range_mm == pytest.approx(np.ptp(late), abs=1e-6)


def test_first_order_that_the_one_centre_leaves_is_told() -> None:
    # a on the equator and -a sqrt(2) at -45 deg: the centre is not moved, each ring keeps its own.
    azimuth, elevation = rings((-90.0, 1, 0.0), (-45.0, 8, 5.0), (0.0, 8, 0.0))
    size = np.select([elevation == 0.0, elevation == -45.0], [0.002, -0.002 * np.sqrt(2)], 0.0)
    late = size * np.cos(np.deg2rad(azimuth - 70.0))
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation, stated_scatter=(0.0005, 40.0))
    _, middle, equator = found.rings
    assert found.centre_mm == pytest.approx(CENTRE, abs=2e-6)
    assert equator.first is not None
    assert middle.first is not None
    assert (equator.first.order, equator.first.amplitude_mm) == (1, pytest.approx(0.002, abs=2e-6))
    assert middle.first.amplitude_mm == pytest.approx(0.002 * np.sqrt(2), abs=2e-6)
    assert equator.first.phase_deg == pytest.approx(70.0, abs=0.1)
    assert middle.first.phase_deg == pytest.approx(250.0, abs=0.1)
    assert equator.first.u_mm == pytest.approx(0.0005 * np.sqrt(2 / 8), rel=1e-9)
    square = (equator.first.amplitude_mm / 0.0005) ** 2 * 8 / 2 / 2
    assert equator.first.p_value == pytest.approx(stats.f.sf(square, 2, 40.0), rel=1e-6)


def test_a_ring_of_uneven_points_has_no_harmonics() -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (-45.0, 8, 5.0), (0.0, 8, 0.0))
    azimuth[-8:] = 4.0 * np.arange(8)
    found = sphere_test(touched(azimuth, elevation), azimuth, elevation, stated_scatter=(0.0005, 40.0))
    assert found.rings[-1].harmonics is None
    assert found.rings[-2].harmonics is not None


# ---- what the seat does in 3D


@pytest.mark.parametrize(
    ("elevation", "least", "most"),
    [
        (0.0, 0.0750, 0.1500),
        (-22.5, 0.0787, 0.1529),
        (-45.0, 0.0987, 0.1845),
        (-67.5, 0.1659, 0.2878),
        (-90.0, 1, 1),
    ],
)
def test_trip_force_at_a_slope_is_that_worked_by_hand(elevation: float, least: float, most: float) -> None:
    # L / R = 6.667; shares of the spring force, four digits.
    azimuth = np.arange(0.0, 360.0, 0.1)
    share = Seat(preload_n=1.0).force(azimuth, np.full(len(azimuth), elevation))
    assert (share.min(), share.max()) == (pytest.approx(least, abs=6e-5), pytest.approx(most, abs=6e-5))


def test_range_over_the_hemisphere_is_the_largest_horizontal_pretravel() -> None:
    seat = Seat()
    azimuth, elevation = (
        grid.ravel() for grid in np.meshgrid(np.arange(0, 360, 0.5), np.arange(-90, 0.5, 0.5))
    )
    late = seat.pretravel(azimuth, elevation)
    horizontal = late[elevation == 0.0]
    assert np.ptp(late) == pytest.approx(horizontal.max(), rel=0.005)
    assert np.ptp(late) == pytest.approx(2 * np.ptp(horizontal), rel=0.005)
    # The fitted centre takes up most of the fall to the pole: the form error is half of that range.
    positions, where = touched(azimuth, elevation, late), elevation >= -89.0
    found = sphere_test(positions[where], azimuth[where], elevation[where])
    assert found.form_mm / np.ptp(late) == pytest.approx(0.57, abs=0.06)
    assert found.centre_mm[2] - CENTRE[2] > 0.015


def seat_on_the_pattern(turn: float) -> tuple[SphereTest, Floats, Floats]:
    azimuth, elevation = pattern25(turn)
    late = Seat().pretravel(azimuth, elevation)
    found = sphere_test(
        touched(azimuth, elevation, late),
        azimuth,
        elevation,
        stated_scatter=(1e-4, 100.0),
        centre_z_mm=(30.0, 0.0),
    )
    return found, late, elevation


@pytest.mark.parametrize("turn", [0.0, 10.0, 15.0, 40.0])
def test_form_error_of_a_lobed_probe_is_below_the_range_of_its_pretravel(turn: float) -> None:
    found, late, _ = seat_on_the_pattern(turn)
    assert 0.46 < found.form_mm / np.ptp(late) < 0.65


@pytest.mark.parametrize("turn", [0.0, 10.0, 15.0, 40.0])
def test_axial_difference_is_found_where_the_height_is_known_and_rings_show_a_third(turn: float) -> None:
    found, late, elevation = seat_on_the_pattern(turn)
    true = float(late[elevation == 0.0].mean() - late[elevation == -90.0].mean())
    assert found.axial is not None
    assert found.axial.value_mm == pytest.approx(true, abs=5e-6)
    assert true == pytest.approx(0.025, abs=0.0005)
    naive = found.rings[-1].mean_mm - found.rings[0].mean_mm
    assert 0.28 < naive / true < 0.30


def test_axial_uncertainty_by_hand() -> None:
    azimuth, elevation = repeated_points(4)
    late = np.tile(np.array([0.001, -0.001, 0.001, -0.001]), (25, 1)).T.ravel()
    found = sphere_test(touched(azimuth, elevation, late), azimuth, elevation, centre_z_mm=(30.0, 0.0003))
    assert found.axial is not None
    scatter = 0.001 * np.sqrt(100 / 75) * np.sqrt(1 / 32 + 1 / 4)
    assert [part.u_mm for part in found.axial.components] == [0.0003, pytest.approx(scatter, rel=1e-6)]
    assert found.axial.u_mm == pytest.approx(np.hypot(0.0003, scatter), rel=1e-6)
    assert found.axial.components[1].basis == "32 horizontal and 4 axial touches"
    assert found.axial.components[1].dof == 75.0
    assert [part.kind for part in found.axial.components] == ["B", "A"]
    # Difference of nothing; a wrong height goes over as it is.
    assert found.axial.value_mm == pytest.approx(0.0, abs=1e-9)
    low = sphere_test(touched(azimuth, elevation, late), azimuth, elevation, centre_z_mm=(29.999, 0.0003))
    assert low.axial is not None
    assert low.axial.value_mm == pytest.approx(0.001, abs=1e-6)


def test_touches_from_above_cannot_tell_axial_pretravel_from_height() -> None:
    # Pre-travel less by 0.02 mm at the pole, by the sine of the elevation, or a centre 0.02 mm higher.
    azimuth, elevation = pattern25(12.0)
    common = 0.003 * np.cos(3 * np.deg2rad(azimuth))
    less = touched(azimuth, elevation, common + 0.02 * np.sin(np.deg2rad(elevation)))
    higher = touched(azimuth, elevation, common, CENTRE + np.array([0.0, 0.0, 0.02]))
    first, second = (sphere_test(p, azimuth, elevation) for p in (less, higher))
    assert first.centre_mm == pytest.approx(second.centre_mm, abs=2e-5)
    assert first.reading_mm == pytest.approx(second.reading_mm, abs=2e-5)
    assert np.abs(first.reading_mm).max() > 0.002


# ---- refusals


def test_four_points_are_too_few() -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (0.0, 3, 0.0))
    twice = np.tile(azimuth, 2), np.tile(elevation, 2)
    with pytest.raises(
        StatisticsError, match=r"^a sphere and its form error need at least 5 points, but got 4$"
    ):
        sphere_test(touched(*twice), *twice)
    with pytest.raises(StatisticsError, match=r"^a sphere needs at least 4 points, but got 3$"):
        fit_sphere(np.eye(3))


def test_points_in_a_plane_are_refused() -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (-60.0, 2, 30.0), (-45.0, 2, 30.0), (0.0, 2, 30.0))
    with pytest.raises(StatisticsError, match=r"can't be fitted: all directions lie in one plane or close"):
        sphere_test(touched(azimuth, elevation), azimuth, elevation)
    flat = np.column_stack([np.cos(np.arange(6.0)), np.sin(np.arange(6.0)), np.full(6, 2.0)])
    with pytest.raises(StatisticsError, match=r"^a sphere can't be fitted: the points lie in one plane$"):
        fit_sphere(flat)


@pytest.mark.parametrize("elevation", [0.0, -45.0])
def test_one_elevation_is_refused_even_with_scatter(elevation: float) -> None:
    azimuth, height = rings((elevation, 12, 0.0))
    late = np.random.default_rng(88).normal(0, 0.002, 12)
    height = np.clip(height + np.linspace(-0.5, 0.5, 12), -90.0, 90.0)
    with pytest.raises(
        StatisticsError, match=r"can't be fitted: all directions lie at one elevation \(condition="
    ):
        sphere_test(touched(azimuth, height, late), azimuth, height)


def test_directions_close_together_are_refused() -> None:
    azimuth, elevation = rings((-90.0, 1, 0.0), (-87.0, 8, 0.0), (-84.0, 8, 0.0))
    with pytest.raises(StatisticsError, match=r"lie in one plane or close together"):
        sphere_test(touched(azimuth, elevation), azimuth, elevation)


def test_azimuths_of_the_surface_instead_of_the_motion_are_refused() -> None:
    azimuth, elevation = pattern25()
    with pytest.raises(
        StatisticsError, match=r"^touch \d+ of 25 moved \d+ deg off the sphere's normal: azimuth"
    ):
        sphere_test(touched(azimuth, elevation), azimuth + 180.0, elevation)
    with pytest.raises(StatisticsError, match=r"deg off the sphere's normal"):
        sphere_test(touched(azimuth, elevation), azimuth, -elevation)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"positions": np.zeros((25, 2))},
            r"^touches need x, y, z, one azimuth and one elevation each, but got",
        ),
        ({"azimuth": np.zeros(24)}, r"^touches need x, y, z, one azimuth and one elevation each"),
        (
            {"elevation": np.full(25, np.nan)},
            r"^positions and azimuths must be finite and elevations lie from",
        ),
        ({"elevation": np.full(25, -91.0)}, r"elevations lie from -90 to 90 deg$"),
        ({"azimuth": np.full(25, np.inf)}, r"^positions and azimuths must be finite"),
        ({"stated_scatter": (-0.001, 5.0)}, r"^a stated scatter needs sd >= 0 and dof > 0, but got"),
        ({"stated_scatter": (0.001, 0.0)}, r"^a stated scatter needs sd >= 0 and dof > 0, but got"),
        ({"stated_scatter": (np.nan, 5.0)}, r"^a stated scatter needs sd >= 0 and dof > 0, but got"),
        ({"centre_z_mm": (30.0, -0.1)}, r"^the height of the centre needs an uncertainty of 0 or more, got"),
        ({"centre_z_mm": (np.nan, 0.1)}, r"^the height of the centre needs an uncertainty of 0 or more, got"),
        ({"centre_z_mm": (30.0, 0.001)}, r"known scatter, but got 8, 1 and 0 dof$"),
        ({"level": 1.0}, r"^a confidence level must lie between 0 and 1"),
    ],
)
def test_impossible_values_are_refused(change: dict[str, object], words: str) -> None:
    azimuth, elevation = pattern25()
    arrays = {"positions": touched(azimuth, elevation), "azimuth": azimuth, "elevation": elevation}
    options = {name: value for name, value in change.items() if name not in arrays}
    arrays |= {name: value for name, value in change.items() if name in arrays}  # type: ignore[misc]
    with pytest.raises(StatisticsError, match=words):
        sphere_test(*arrays.values(), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (
            ((-67.5, 4, 0.0), (0.0, 8, 0.0)),
            r"a touch straight down and known scatter, but got 8, 0 and 50 dof$",
        ),
        (((-90.0, 1, 0.0), (-67.5, 4, 0.0), (-20.0, 8, 0.0)), r"but got 0, 1 and 50 dof$"),
        (((-90.0, 1, 0.0), (-67.5, 4, 0.0), (0.0, 2, 0.0)), r"but got 2, 1 and 50 dof$"),
    ],
)
def test_an_axial_difference_without_its_touches_is_refused(
    parts: tuple[tuple[float, int, float], ...], words: str
) -> None:
    azimuth, elevation = rings(*parts)
    with pytest.raises(StatisticsError, match=words):
        sphere_test(
            touched(azimuth, elevation),
            azimuth,
            elevation,
            stated_scatter=(0.001, 50.0),
            centre_z_mm=(30.0, 0.0),
        )


# ---- simulation


@pytest.mark.simulation
def test_intervals_of_centre_and_radius_cover_from_single_touches() -> None:
    rng = np.random.default_rng(90)
    azimuth, elevation = pattern25(12.0)
    trials, hits = 400, np.zeros(4, dtype=int)
    for _ in range(trials):
        found = sphere_test(touched(azimuth, elevation, rng.normal(0, 0.002, 25)), azimuth, elevation)
        hits += [v in i for v, i in zip((*CENTRE, RADIUS), found.interval_mm, strict=True)]
    for count in hits:
        assert_share(int(count), trials, 0.95)


@pytest.mark.simulation
def test_intervals_of_centre_and_radius_cover_from_repeated_touches(monkeypatch: pytest.MonkeyPatch) -> None:
    # The larger of scatter and residual covers a little more than stated.
    monkeypatch.setattr(sphere, "DRAWS", 2)
    rng = np.random.default_rng(91)
    azimuth, elevation = repeated_points(3)
    trials, hits = 200, np.zeros(4, dtype=int)
    for _ in range(trials):
        found = sphere_test(touched(azimuth, elevation, rng.normal(0, 0.002, 75)), azimuth, elevation)
        hits += [v in i for v, i in zip((*CENTRE, RADIUS), found.interval_mm, strict=True)]
    for count in hits:
        assert_share_at_least(int(count), trials, 0.95)


@pytest.mark.simulation
def test_the_axial_difference_covers_what_the_seat_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sphere, "DRAWS", 2)
    rng = np.random.default_rng(96)
    azimuth, elevation = repeated_points(3)
    late = Seat().pretravel(azimuth, elevation)
    true = float(late[elevation == 0.0].mean() - late[elevation == -90.0].mean())
    trials, hits = 200, 0
    for _ in range(trials):
        positions = touched(azimuth, elevation, late + rng.normal(0, 0.002, 75))
        height = (float(rng.normal(CENTRE[2], 0.0005)), 0.0005)
        found = sphere_test(positions, azimuth, elevation, centre_z_mm=height)
        assert found.axial is not None
        hits += abs(found.axial.value_mm - true) <= found.axial.expanded_mm
    assert_share(hits, trials, 0.95)


@pytest.mark.simulation
def test_p_value_of_a_perfect_sphere_is_even(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sphere, "DRAWS", 199)
    rng = np.random.default_rng(92)
    azimuth, elevation = rings((-90.0, 1, 0.0), (-45.0, 4, 45.0), (0.0, 6, 0.0))
    azimuth, elevation = np.tile(azimuth, 2), np.tile(elevation, 2)
    trials, p_values, below = 150, [], 0
    for _ in range(trials):
        found = sphere_test(touched(azimuth, elevation, rng.normal(0, 0.002, 22)), azimuth, elevation)
        assert found.scatter_form is not None
        p_values.append(found.scatter_form.p_value)
        below += found.form_mm <= found.scatter_form.upper_mm
    assert_share(sum(p <= 0.10 for p in p_values), trials, 0.10)
    assert_share(sum(p <= 0.50 for p in p_values), trials, 0.50)
    # Form and scatter of one test go up and down together.
    assert_share_at_least(below, trials, 0.95)


@pytest.mark.simulation
def test_expected_form_of_scatter_is_the_mean_over_simulated_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(93)
    azimuth, elevation = repeated_points(3)

    def test_of_scatter() -> SphereTest:
        return sphere_test(touched(azimuth, elevation, rng.normal(0, 0.002, 75)), azimuth, elevation)

    one = test_of_scatter()
    assert one.scatter_form is not None
    expected = np.array([one.scatter_form.expected_mm, one.scatter_form.means_expected_mm])
    monkeypatch.setattr(sphere, "DRAWS", 2)
    forms = np.array(
        [[found.form_mm, found.form_means_mm] for found in (test_of_scatter() for _ in range(200))]
    )
    difference = forms.mean(axis=0) - expected * 0.002 / one.scatter_mm
    assert np.abs(difference / forms.std(axis=0) * np.sqrt(200)).max() < stats.norm.isf(5e-4)
