"""Touches on a reference sphere from above and from the sides: centre, form error, lobing by elevation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.optimize import least_squares

from probetest.errors import StatisticsError
from probetest.statistics.approach import fit_circle, group_means, unit_vectors
from probetest.statistics.intervals import Interval, check_level, mean_interval
from probetest.statistics.lobing import MAX_CONDITION, Harmonic, HarmonicFit, fit_harmonics, harmonic_design
from probetest.statistics.uncertainty import Budget, Component, combine

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
Pair = tuple[float, float]

RING_GAP_DEG, MOST_OFF_NORMAL_DEG, MAX_SPHERE_CONDITION = 1.0, 45.0, 100.0
"""Elevations no further apart are one ring; a motion further off the normal did not touch this sphere;
directions of a larger condition lie nearly in one plane, at one elevation or close together."""

RING_ELEVATIONS_DEG, RING_POINTS = (-90.0, -67.5, -45.0, -22.5, 0.0), (1, 4, 8, 4, 8)
"""Of the 25-point pattern."""

DRAWS, SEED = 2000, 20260302
"""Simulated tests of scatter alone, and their seed: the same log gives the same report."""


@dataclass(frozen=True, slots=True)
class ElevationRing:
    """Points touched at one elevation.

    Attributes
    ----------
    elevation_deg : float
        Mean elevation of the motion: 0 horizontal, -90 straight down.
    n : int
        Touches.
    azimuth_deg, counts, reading_mm : tuple
        Azimuth, touches and mean reading of each point. Reading: radius of the fitted sphere less
        distance from its centre; larger is a later trigger.
    mean_mm, mean_u_mm : float
        Mean of the readings; its standard uncertainty from scatter, NaN where that is not known.
    range_mm : float
        Largest less smallest of the readings.
    first : Harmonic or None
        Order 1 that the one centre of the sphere leaves; no centre is fitted to the ring.
    harmonics : HarmonicFit or None
        Orders from 2 up; None, as ``first``, with fewer than 5 points, too uneven ones, or where the
        scatter is not known.
    """

    elevation_deg: float
    n: int
    azimuth_deg: tuple[float, ...]
    counts: tuple[int, ...]
    reading_mm: tuple[float, ...]
    mean_mm: float
    mean_u_mm: float
    range_mm: float
    first: Harmonic | None
    harmonics: HarmonicFit | None


@dataclass(frozen=True, slots=True)
class ScatterForm:
    """Form error that scatter alone would make of a perfect sphere and probe.

    Attributes
    ----------
    expected_mm, upper_mm, means_expected_mm, means_upper_mm : float
        Mean and 95 % point, over all touches and over the point means.
    p_value : float
        Chance that scatter alone makes the point means differ as much as they do.
    """

    expected_mm: float
    upper_mm: float
    means_expected_mm: float
    means_upper_mm: float
    p_value: float


@dataclass(frozen=True, slots=True)
class SphereTest:
    """Touches on a reference sphere.

    Attributes
    ----------
    touches, points : int
        Touches, and distinct directions.
    centre_mm, radius_mm : tuple of float, float
        Least-squares sphere of the ball centres: sphere and ball less mean pre-travel.
    u_mm, interval_mm : tuple
        Standard uncertainties and intervals of x, y, z and radius.
    fit_dof, condition : float
        Degrees of freedom behind them; condition number of the sphere problem.
    form_mm, form_means_mm : float
        R_max - R_min over all touches as they are, and over the point means.
    scatter_mm, scatter_dof : float
        Standard deviation of one touch along the normal, pooled over repeated points or as stated; NaN
        and 0 where it is not known.
    scatter_form : ScatterForm or None
        What of the form error scatter explains; None where scatter is not known.
    rings : tuple of ElevationRing
        From straight down.
    pattern25_deg : tuple of float or None
        Turn and largest error where the points are the 25-point pattern, see `match_pattern25`.
    axial : Budget or None
        Horizontal mean pre-travel less axial pre-travel, where the height of the centre was stated.
    reading_mm : numpy.ndarray, shape (touches,)
        Radius less distance from the centre.
    """

    touches: int
    points: int
    centre_mm: tuple[float, ...]
    radius_mm: float
    u_mm: tuple[float, ...]
    interval_mm: tuple[Interval, ...]
    fit_dof: float
    condition: float
    form_mm: float
    form_means_mm: float
    scatter_mm: float
    scatter_dof: float
    scatter_form: ScatterForm | None
    rings: tuple[ElevationRing, ...]
    pattern25_deg: Pair | None
    axial: Budget | None
    reading_mm: Floats


def motion_vectors(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> Floats:
    """Unit vectors of motion, shape (n, 3); elevation 0 is horizontal, -90 straight down."""
    elevation = np.deg2rad(np.asarray(elevation_deg, dtype=float))[:, None]
    return np.hstack([np.cos(elevation) * unit_vectors(azimuth_deg), np.sin(elevation)])


def pattern25(turn_deg: float = 0.0) -> tuple[Floats, Floats]:
    """Azimuth and elevation of the motion for the 25-point pattern, each of shape (25,), deg.

    Notes
    -----
    1 point at the pole, 4 at 22.5 deg below it, 8 at 45 deg, 4 at 67.5 deg, 8 at 90 deg, each ring
    turned by 22.5 deg against the one before: the pattern of ISO 10360-5, quoted from memory, its
    text not at hand. A test with these points is not thereby a test to that standard.
    """
    place, points = np.concatenate([np.arange(k) for k in RING_POINTS]), np.repeat(RING_POINTS, RING_POINTS)
    starts = np.repeat([0.0, turn_deg, turn_deg + 22.5, turn_deg + 45.0, turn_deg + 67.5], RING_POINTS)
    return np.mod(starts + place * 360.0 / points, 360.0), np.repeat(RING_ELEVATIONS_DEG, RING_POINTS)


def match_pattern25(azimuth_deg: ArrayLike, elevation_deg: ArrayLike, within_deg: float = 3.0) -> Pair | None:
    """Recognise the 25-point pattern in distinct directions of motion, at any turn about the axis.

    Returns
    -------
    tuple of float or None
        Azimuth in [0, 90) of one point of the ring next to the pole, and the largest angle between a
        direction and its place, deg; None where that is above ``within_deg`` or points are lacking.
    """
    azimuth, elevation = np.asarray(azimuth_deg, dtype=float), np.asarray(elevation_deg, dtype=float)
    near_pole = np.abs(elevation + 67.5) <= within_deg
    if len(azimuth) != 25 or not near_pole.any():
        return None
    fourfold = np.angle(np.exp(4j * np.deg2rad(azimuth[near_pole])).mean())
    turn = float(np.round(np.rad2deg(fourfold) / 4, 6)) % 90.0
    cosines = motion_vectors(azimuth, elevation) @ motion_vectors(*pattern25(turn)).T
    error = float(np.rad2deg(np.arccos(np.clip(cosines.max(axis=1), -1.0, 1.0)).max()))
    return (turn, error) if len({*cosines.argmax(axis=1)}) == 25 and error <= within_deg else None


def fit_sphere(points_mm: ArrayLike) -> tuple[Floats, float, Floats]:
    """Geometric least-squares sphere: the sum of squared radial distances is least.

    Parameters
    ----------
    points_mm : array_like, shape (points, 3), mm

    Returns
    -------
    centre_mm, radius_mm, cofactor : numpy.ndarray (3,), float, numpy.ndarray (4, 4)
        The cofactor is the covariance of x, y, z, radius of a point of variance 1.

    Raises
    ------
    StatisticsError
        With fewer than 4 points, or points in one plane.
    """
    points = np.asarray(points_mm, dtype=float)
    if len(points) < 4:
        raise StatisticsError(f"a sphere needs at least 4 points, but got {len(points)}")
    middle = points.mean(axis=0)
    scale = float(np.sqrt(((points - middle) ** 2).sum(axis=1).mean())) or 1.0
    shifted = (points - middle) / scale
    design = np.column_stack([2 * shifted, np.ones(len(points))])
    start, _, rank, _ = np.linalg.lstsq(design, (shifted**2).sum(axis=1), rcond=1e-10)
    if rank < 4:
        raise StatisticsError("a sphere can't be fitted: the points lie in one plane")

    def residual(unknown: Floats) -> Floats:
        return np.asarray(np.linalg.norm(unknown[:3] - shifted, axis=1) - unknown[3])

    def slopes(unknown: Floats) -> Floats:
        inward = (unknown[:3] - shifted) / np.linalg.norm(unknown[:3] - shifted, axis=1)[:, None]
        return np.column_stack([inward, -np.ones(len(inward))])

    first = [*start[:3], np.sqrt(start[3] + start[:3] @ start[:3])]
    found = least_squares(residual, first, slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    cofactor = np.linalg.inv(slopes(found).T @ slopes(found))
    return found[:3] * scale + middle, float(found[3] * scale), np.asarray(cofactor)


def sphere_test(
    positions_mm: ArrayLike,
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    stated_scatter: Pair | None = None,
    centre_z_mm: Pair | None = None,
    level: float = 0.95,
) -> SphereTest:
    """Evaluate touches on the outside of a reference sphere.

    Parameters
    ----------
    positions_mm : array_like, shape (touches, 3), mm
        x, y, z of the ball at each trigger.
    azimuth_deg, elevation_deg : array_like, shape (touches,), deg
        Direction in which the stylus moved; elevation 0 horizontal, -90 straight down.
    stated_scatter : tuple of float, optional
        Standard deviation (mm) of one touch and its degrees of freedom from another test; used where no
        point was touched twice.
    centre_z_mm : tuple of float, optional
        Height of the centre of the sphere and its standard uncertainty, not found with this probe.
    level : float
        Two-sided level of the intervals.

    Raises
    ------
    StatisticsError
        With fewer than 5 points, directions in one plane or at one elevation, a motion that does not meet
        the surface, or impossible values.

    Notes
    -----
    The sphere is fitted to all touches. R_max - R_min is taken as it is; scatter makes it larger, so
    ``scatter_form`` stands beside it. Form of sphere, machine and probe are in it together; steps of the
    log are not corrected for. Uncertainties come from the larger of scatter and residual, lobing included.

    The fitted centre takes up what pre-travel has of the form a + b . u. A pre-travel less by b at the
    pole, in proportion to the sine of the elevation, and a centre higher by b give the same positions:
    touches from above can't tell them apart. For an ideal seat, lever 6.7 times its radius, touched on
    the 25-point pattern, ``form_mm`` is 46 to 65 % of the range of its pre-travel there, and the ring
    means show 28 to 30 % of the fall to the pole. ``axial`` (distance at the pole less mean distance of
    the horizontal touches from the centre of their circle) needs the height of the centre from elsewhere.
    """
    check_level(level)
    positions, azimuth, elevation = _checked(positions_mm, azimuth_deg, elevation_deg)
    turned = np.where(np.abs(elevation) > 90.0 - 5e-5, 0.0, np.mod(np.round(azimuth, 4), 360.0))
    keys, inverse = np.unique(np.column_stack([np.round(elevation, 4), turned]), axis=0, return_inverse=True)
    point, counts = inverse.ravel(), np.bincount(inverse.ravel()).astype(float)
    condition = _condition(keys, counts)
    centre, radius, cofactor = fit_sphere(positions)
    distance = np.linalg.norm(positions - centre, axis=1)
    _check_motion((positions - centre) / distance[:, None], motion_vectors(azimuth, elevation))
    reading = radius - distance
    means = group_means(reading, point, len(keys))
    sd, dof = _scatter(reading - means[point], len(keys), stated_scatter)
    residual = float(counts @ means**2) / (len(keys) - 4)
    variance, fit_dof = (sd**2, dof) if sd**2 >= residual else (residual, len(keys) - 4)
    u = np.sqrt(np.diag(cofactor) * variance)
    sphere = (*(float(c) for c in centre), radius)
    rings = np.split(np.arange(len(keys)), np.flatnonzero(np.diff(keys[:, 0]) > RING_GAP_DEG) + 1)
    return SphereTest(
        touches=len(reading),
        points=len(keys),
        centre_mm=sphere[:3],
        radius_mm=radius,
        u_mm=tuple(u.tolist()),
        interval_mm=tuple(mean_interval(v, float(s), fit_dof, level) for v, s in zip(sphere, u, strict=True)),
        fit_dof=float(fit_dof),
        condition=condition,
        form_mm=float(np.ptp(reading)),
        form_means_mm=float(np.ptp(means)),
        scatter_mm=sd,
        scatter_dof=dof,
        scatter_form=_scatter_form(keys, point, sd, dof, float(np.ptp(means))) if dof else None,
        rings=tuple(_ring(keys[ring], counts[ring], means[ring], sd, dof) for ring in rings),
        pattern25_deg=match_pattern25(keys[:, 1], keys[:, 0]),
        axial=_axial(positions, keys[point], (sd, dof), centre_z_mm, level) if centre_z_mm else None,
        reading_mm=reading,
    )


def _checked(positions_mm: ArrayLike, azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> tuple[Floats, ...]:
    arrays = tuple(np.asarray(values, dtype=float) for values in (positions_mm, azimuth_deg, elevation_deg))
    positions, azimuth, elevation = arrays
    shapes = positions.shape, azimuth.shape, elevation.shape
    if shapes != ((azimuth.size, 3), (azimuth.size,), (azimuth.size,)):
        raise StatisticsError(f"touches need x, y, z, one azimuth and one elevation each, but got {shapes}")
    if not (all(np.isfinite(values).all() for values in arrays) and (np.abs(elevation) <= 90).all()):
        raise StatisticsError("positions and azimuths must be finite and elevations lie from -90 to 90 deg")
    return arrays


def _condition(keys: Floats, counts: Floats) -> float:
    if len(keys) < 5:
        raise StatisticsError(f"a sphere and its form error need at least 5 points, but got {len(keys)}")
    design = np.column_stack([np.ones(len(keys)), np.sqrt(3) * motion_vectors(keys[:, 1], keys[:, 0])])
    condition = float(np.linalg.cond(design * np.sqrt(counts)[:, None]))
    where = "at one elevation" if np.ptp(keys[:, 0]) <= 3 * RING_GAP_DEG else "in one plane or close together"
    if not condition <= MAX_SPHERE_CONDITION:
        raise StatisticsError(f"a sphere can't be fitted: all directions lie {where} ({condition=:.3g})")
    return condition


def _check_motion(outward: Floats, motion: Floats) -> None:
    angles = np.rad2deg(np.arccos(np.clip(-(outward * motion).sum(axis=1), -1.0, 1.0)))
    if (worst := angles.max()) > MOST_OFF_NORMAL_DEG:
        where = f"touch {angles.argmax() + 1} of {len(angles)} moved {worst:.0f} deg off the sphere's normal"
        raise StatisticsError(f"{where}: azimuth and elevation must be those of the motion towards it")


def _scatter(left: Floats, points: int, stated: Pair | None) -> Pair:
    """Standard deviation of one touch and its degrees of freedom; NaN and 0 where it is not known."""
    if stated is not None and not (0 <= stated[0] < np.inf and stated[1] > 0):
        raise StatisticsError(f"a stated scatter needs sd >= 0 and dof > 0, but got {stated}")
    if dof := len(left) - points:
        return float(np.sqrt(left @ left / dof)), float(dof)
    return (float("nan"), 0.0) if stated is None else (stated[0], min(stated[1], 1e9))


def _scatter_form(keys: Floats, point: Integers, sd: float, dof: float, form_means: float) -> ScatterForm:
    rng = np.random.default_rng(SEED)
    design = np.column_stack([np.ones(len(keys)), motion_vectors(keys[:, 1], keys[:, 0])])[point]
    basis, counts = np.linalg.qr(design)[0], np.bincount(point)
    ranges = np.empty((DRAWS, 2))
    for draw in ranges:
        touch = rng.normal(size=len(point))
        touch -= basis @ (basis.T @ touch)
        draw[:] = np.ptp(touch), np.ptp(np.bincount(point, touch) / counts)
    single, means = sd * ranges.mean(axis=0)
    # The sd itself is an estimate: with few degrees of freedom the upper points lie further out.
    found = sd * ranges / np.sqrt(rng.chisquare(dof, DRAWS) / dof)[:, None]
    upper, means_upper = np.quantile(found, 0.95, axis=0)
    p_value = float((1 + (found[:, 1] >= form_means).sum()) / (1 + DRAWS))
    return ScatterForm(float(single), float(upper), float(means), float(means_upper), p_value)


def _ring(keys: Floats, counts: Floats, means: Floats, sd: float, dof: float) -> ElevationRing:
    first, harmonics = None, None
    least = harmonic_design(keys[:, 1], 2) * np.sqrt(counts / counts.mean())[:, None]
    if dof and len(keys) >= 5 and np.linalg.cond(least) < MAX_CONDITION:
        harmonics = fit_harmonics(means, keys[:, 1], counts, sd, dof)
        first = _first_order(harmonics, keys[:, 1], counts, sd, dof)
    azimuths, readings, touches = (tuple(c.tolist()) for c in (keys[:, 1], means, counts.astype(int)))
    elevation, mean, spread = float(keys[:, 0].mean()), float(means.mean()), float(np.ptp(means))
    u = float(sd * np.sqrt((1 / counts).sum()) / len(counts))
    return ElevationRing(
        elevation, sum(touches), azimuths, touches, readings, mean, u, spread, first, harmonics
    )


def _first_order(fit: HarmonicFit, azimuth: Floats, counts: Floats, sd: float, dof: float) -> Harmonic:
    pair = np.array(fit.coefficients_mm[1:3])
    design = harmonic_design(azimuth, len(fit.coefficients_mm) // 2) * np.sqrt(counts)[:, None]
    spread = np.linalg.inv(design.T @ design)[1:3, 1:3] * sd**2
    amplitude, phase = float(np.hypot(*pair)), float(np.arctan2(pair[1], pair[0]))
    along = np.array([np.cos(phase), np.sin(phase)])
    p_value = float(stats.f.sf(pair @ np.linalg.solve(spread, pair) / 2, 2, dof)) if sd > 0 else 0.0
    u = float(np.sqrt(along @ spread @ along))
    return Harmonic(1, amplitude, float(np.rad2deg(phase)) % 360.0, u, p_value)


def _axial(positions: Floats, keys: Floats, scatter: Pair, centre_z: Pair, level: float) -> Budget:
    if not (np.isfinite(centre_z[0]) and 0 <= centre_z[1] < np.inf):
        raise StatisticsError(f"the height of the centre needs an uncertainty of 0 or more, got {centre_z}")
    flat, down = np.abs(keys[:, 0]) <= RING_GAP_DEG, keys[:, 0] <= RING_GAP_DEG - 90.0
    if len(np.unique(keys[flat, 1])) < 3 or not down.any() or not scatter[1]:
        raise StatisticsError(
            "horizontal less axial pre-travel needs 3 horizontal directions, a touch straight down and known "
            f"scatter, but got {len(np.unique(keys[flat, 1]))}, {down.sum()} and {scatter[1]:g} dof"
        )
    x, y, _ = fit_circle(positions[flat, :2])
    distance = np.linalg.norm(positions - (x, y, centre_z[0]), axis=1)
    design = np.column_stack([np.ones(flat.sum()), unit_vectors(keys[flat, 1])])
    share = float(np.linalg.inv(design.T @ design)[0, 0] + 1 / down.sum())
    basis = f"{flat.sum()} horizontal and {down.sum()} axial touches"
    parts = (
        Component("height of the centre", "B", centre_z[1], np.inf, "stated"),
        Component("scatter", "A", scatter[0] * share**0.5, scatter[1], basis),
    )
    difference = float(distance[down].mean() - distance[flat].mean())
    return combine("horizontal mean less axial pre-travel", difference, parts, level)
