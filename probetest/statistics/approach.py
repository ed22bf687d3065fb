"""From trigger positions to readings along the approach, with the centre of the artefact as a nuisance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

LOBE_ORDER = 3
"""Order of the lobing of a three-arm seat."""


@dataclass(frozen=True, slots=True)
class CentreFit:
    """Least-squares centre of the touched section.

    Attributes
    ----------
    centre_mm : tuple of float
        x, y of the centre.
    radius_mm : float
        Mean distance of the direction means from the centre (0 for readings without positions).
    condition : float
        Condition number of the centre problem for the directions used: 1 to 2 for evenly spread
        directions, large for a short arc.
    lobe_visibility : float
        Smallest share (0..1) of the amplitude of a three-lobed curve that is left after the
        centre was fitted, over all arm azimuths. 0: the directions can't see lobing.
    residual_dof : int
        Directions less the 3 fitted values.
    kind : str
        "circle" (round artefact, geometric distances) or "line" (projection on the approach).
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    condition: float
    lobe_visibility: float
    residual_dof: int
    kind: str


@dataclass(frozen=True, slots=True)
class ApproachReadings:
    """Readings along the approach, one per touch.

    Attributes
    ----------
    reading_mm : numpy.ndarray, shape (touches,)
        t = (p - centre) . u; larger is a later trigger. Constant not removed.
    direction : numpy.ndarray of int, shape (touches,)
        Index into ``azimuth_deg``.
    azimuth_deg : numpy.ndarray, shape (directions,)
        Sorted distinct azimuths in [0, 360).
    fit : CentreFit or None
        How the centre was found; None where none was: means of different directions can't be
        compared then.
    """

    reading_mm: Floats
    direction: NDArray[np.intp]
    azimuth_deg: Floats
    fit: CentreFit | None


def unit_vectors(azimuth_deg: ArrayLike) -> Floats:
    """Unit vectors of motion, shape (n, 2), for azimuths counter-clockwise from +X."""
    azimuth = np.deg2rad(np.asarray(azimuth_deg, dtype=float))
    return np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)


def group_directions(azimuth_deg: ArrayLike, decimals: int = 4) -> tuple[Floats, NDArray[np.intp]]:
    """Distinct azimuths in [0, 360), sorted, and the index of each touch into them.

    Azimuths that agree to ``decimals`` places of a degree are one direction.
    """
    wrapped = np.mod(np.round(np.asarray(azimuth_deg, dtype=float), decimals), 360.0)
    azimuths, index = np.unique(wrapped, return_inverse=True)
    return azimuths, index.astype(np.intp)


def group_means(values: Floats, group: NDArray[np.intp], groups: int) -> Floats:
    """Mean of ``values`` in each group, shape (groups,); NaN for a group without values."""
    counts = np.bincount(group, minlength=groups).astype(float)
    # Deviations from one value of the group keep the digits that a large offset would cost.
    offset = np.full(groups, np.nan)
    offset[group] = values
    sums = np.bincount(group, weights=values - offset[group], minlength=groups)
    return np.asarray(offset + sums / np.maximum(counts, 1.0))


def lobe_visibility(azimuth_deg: ArrayLike, order: int = LOBE_ORDER) -> float:
    """Smallest share of an order-``order`` curve that survives the fit of constant and centre.

    Parameters
    ----------
    azimuth_deg : array_like, shape (directions,)
        Tested azimuths.
    order : int
        Order of the lobing; 3 for a three-arm seat.

    Returns
    -------
    float
        0..1, over all phases. Four directions at 90 deg give 0: the third harmonic looks just
        like a centre shift there. Six at 60 deg give 0 for one arm azimuth.
    """
    azimuth = np.deg2rad(np.asarray(azimuth_deg, dtype=float))
    nuisance = np.stack([np.ones_like(azimuth), np.cos(azimuth), np.sin(azimuth)], axis=1)
    wave = np.stack([np.cos(order * azimuth), np.sin(order * azimuth)], axis=1)
    basis, singular, _ = np.linalg.svd(nuisance, full_matrices=False)
    basis = basis[:, singular > 1e-9 * singular[0]]
    seen = wave - basis @ (basis.T @ wave)
    return float(min(1.0, np.linalg.svd(seen, compute_uv=False)[-1] / np.sqrt(len(azimuth) / 2)))


def fit_circle(points_mm: ArrayLike, weights: ArrayLike | None = None) -> tuple[float, float, float]:
    """Geometric least-squares circle: the sum of squared radial distances is least.

    Parameters
    ----------
    points_mm : array_like, shape (points, 2), mm
        At least 3, not on one line.
    weights : array_like, shape (points,), optional
        Weight of each squared distance.

    Returns
    -------
    tuple of float
        x, y, radius in mm.

    Raises
    ------
    StatisticsError
        With fewer than 3 points, or points on one line.

    References
    ----------
    .. [1] W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses",
       BIT 34 (1994) 558-578.
    """
    points = np.asarray(points_mm, dtype=float)
    if len(points) < 3:
        raise StatisticsError(f"a circle needs at least 3 points, but got {len(points)}")
    root = np.ones(len(points)) if weights is None else np.sqrt(np.asarray(weights, dtype=float))
    middle = points.mean(axis=0)
    shifted = points - middle
    scale = float(np.sqrt((shifted**2).sum(axis=1).mean())) or 1.0
    shifted = shifted / scale
    design = np.column_stack([2 * shifted, np.ones(len(points))])
    start, _, rank, _ = np.linalg.lstsq(design * root[:, None], (shifted**2).sum(axis=1) * root, rcond=1e-10)
    if rank < 3:
        raise StatisticsError("a circle can't be fitted: the points lie on one line or on one spot")
    radius = float(np.sqrt(start[2] + start[0] ** 2 + start[1] ** 2))

    def residual(unknown: Floats) -> Floats:
        return np.asarray(root * (np.hypot(*(shifted - unknown[:2]).T) - unknown[2]))

    def slopes(unknown: Floats) -> Floats:
        inward = unknown[:2] - shifted
        inward = inward / np.maximum(np.hypot(*inward.T), 1e-300)[:, None]
        return np.asarray(root[:, None] * np.column_stack([inward, -np.ones(len(inward))]))

    solution = least_squares(
        residual, [start[0], start[1], radius], slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    x, y, r = solution.x * scale
    return float(x + middle[0]), float(y + middle[1]), float(r)


def project_on_approach(
    positions_mm: ArrayLike, azimuth_deg: ArrayLike, *, round_artefact: bool
) -> ApproachReadings:
    """Readings along the approach from trigger positions in the plane.

    Parameters
    ----------
    positions_mm : array_like, shape (touches, 2), mm
        x, y of each trigger.
    azimuth_deg : array_like, shape (touches,), deg
        Direction in which the stylus moved.
    round_artefact : bool
        True for a ring, sphere or boss: the reading is the signed distance from the centre of
        the least-squares circle, which is right to first order also when the approach lines miss
        the centre. False: plain projection on the direction of motion.

    Returns
    -------
    ApproachReadings

    Raises
    ------
    StatisticsError
        With fewer than 3 directions: then centre, radius and pre-travel can't be told apart.

    Notes
    -----
    The centre is fitted to the direction means, each with the weight of its touches, so that
    missing directions and unequal n are allowed. It takes the first harmonic of the pre-travel
    with it: run-out of the stylus and the place of the artefact are one at a single orientation.
    """
    positions = np.asarray(positions_mm, dtype=float)
    azimuths, direction = group_directions(azimuth_deg)
    _require_directions(azimuths)
    counts = np.bincount(direction).astype(float)
    means = np.stack([group_means(positions[:, axis], direction, len(azimuths)) for axis in (0, 1)], axis=1)
    motion = unit_vectors(azimuths)
    if round_artefact:
        x, y, radius = fit_circle(means, counts)
        offset = positions - (x, y)
        side = np.sign((offset * motion[direction]).sum(axis=1))
        reading = side * np.hypot(offset[:, 0], offset[:, 1])
        kind = "circle"
    else:
        along = (positions * motion[direction]).sum(axis=1)
        (x, y), reading = _remove_centre(along, direction, azimuths, counts)
        radius = abs(float(np.average(reading)))
        kind = "line"
    fit = _describe((x, y), radius, azimuths, counts, kind)
    return ApproachReadings(np.asarray(reading), direction, azimuths, fit)


def use_readings(reading_mm: ArrayLike, azimuth_deg: ArrayLike) -> ApproachReadings:
    """Readings that were logged along the approach already; only the centre is removed.

    Raises
    ------
    StatisticsError
        With fewer than 3 directions.
    """
    azimuths, direction = group_directions(azimuth_deg)
    _require_directions(azimuths)
    counts = np.bincount(direction).astype(float)
    centre, reading = _remove_centre(np.asarray(reading_mm, dtype=float), direction, azimuths, counts)
    return ApproachReadings(reading, direction, azimuths, _describe(centre, 0.0, azimuths, counts, "line"))


def project_without_centre(positions_mm: ArrayLike, azimuth_deg: ArrayLike) -> ApproachReadings:
    """Readings p . u of touches from too few directions for a centre; good for scatter only.

    Parameters
    ----------
    positions_mm : array_like, shape (touches, 2), mm
    azimuth_deg : array_like, shape (touches,), deg

    Returns
    -------
    ApproachReadings
        With ``fit`` None.
    """
    azimuths, direction = group_directions(azimuth_deg)
    along = (np.asarray(positions_mm, dtype=float) * unit_vectors(azimuths)[direction]).sum(axis=1)
    return ApproachReadings(np.asarray(along), direction, azimuths, None)


def _require_directions(azimuths: Floats) -> None:
    if len(azimuths) < 3:
        raise StatisticsError(
            f"{len(azimuths)} direction(s) can't give a centre: the place of the artefact, its size and "
            "the pre-travel are confounded; touch from at least 3 directions, better 8 or more"
        )


def _remove_centre(
    along: Floats, direction: NDArray[np.intp], azimuths: Floats, counts: Floats
) -> tuple[tuple[float, float], Floats]:
    motion = unit_vectors(azimuths)
    design = np.column_stack([np.ones(len(azimuths)), motion])
    root = np.sqrt(counts)
    means = group_means(along, direction, len(azimuths))
    unknown, _, rank, _ = np.linalg.lstsq(design * root[:, None], means * root, rcond=1e-10)
    if rank < 3:
        raise StatisticsError("a centre can't be fitted: the directions do not span the plane")
    return (float(unknown[1]), float(unknown[2])), np.asarray(along - motion[direction] @ unknown[1:])


def _describe(
    centre: tuple[float, float], radius: float, azimuths: Floats, counts: Floats, kind: str
) -> CentreFit:
    # Scaled so that an even spread of directions has condition 1.
    design = np.column_stack([np.ones(len(azimuths)), np.sqrt(2) * unit_vectors(azimuths)])
    singular = np.linalg.svd(design * np.sqrt(counts)[:, None], compute_uv=False)
    return CentreFit(
        centre_mm=centre,
        radius_mm=radius,
        condition=float(singular[0] / singular[-1]),
        lobe_visibility=lobe_visibility(azimuths),
        residual_dof=len(azimuths) - 3,
        kind=kind,
    )
