"""The shape of the pre-travel of a kinematic seat with three arms, and its fit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors

Floats = NDArray[np.float64]

SHAPE_RISK = 0.01
"""Risk of the tests: is there a three-arm shape, does it fit, is the second shape better."""

MAX_PAIR_RATIO = 0.5
"""Largest (seat radius / stylus length) * tan(wall angle) that is tried."""

TRIED_ARMS_DEG = np.arange(0.0, 120.0, 1.0)
TRIED_RATIOS = np.array([0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.27, 0.35, 0.43, 0.5])
"""Shapes that are tried before the best is refined."""


@dataclass(frozen=True, slots=True)
class SeatFit:
    """The three-arm shape fitted to the direction means.

    Attributes
    ----------
    size_mm : float
        Scale of the shape: pre-travel with the force along an arm.
    size_u_mm : float
        Its standard error.
    arm_azimuth_deg : float
        Azimuth of one arm, in [0, 120); the others follow at 120 deg.
    arm_azimuth_u_deg : float
        Its standard error.
    pair_ratio : float
        0: ideal arms; otherwise (seat radius / stylus length) * tan(wall angle) of the contact pairs.
    variation_mm : float
        Largest less smallest value of the fitted shape over all directions.
    variation_u_mm : float
        Its standard error.
    residual_sd_mm : float
        Standard deviation of the direction means about the shape.
    shown_p : float
        Chance of so clear a shape from scatter alone.
    misfit_p : float
        Chance of so large a residual if the shape were true; NaN when nothing is left over.
    residual_mm : tuple of float
        Direction mean less fitted shape.
    """

    size_mm: float
    size_u_mm: float
    arm_azimuth_deg: float
    arm_azimuth_u_deg: float
    pair_ratio: float
    variation_mm: float
    variation_u_mm: float
    residual_sd_mm: float
    shown_p: float
    misfit_p: float
    residual_mm: tuple[float, ...]

    @property
    def shown(self) -> bool:
        """Whether a three-arm shape stands out from the scatter."""
        return self.shown_p < SHAPE_RISK and self.size_mm > 0

    @property
    def fits(self) -> bool:
        """Whether the residual is no larger than the scatter explains."""
        return not self.misfit_p < SHAPE_RISK


def seat_shape(
    approach_azimuth_deg: ArrayLike,
    arm_azimuth_deg: float = 0.0,
    pair_ratio: float = 0.0,
    gains: ArrayLike = (1.0, 1.0, 1.0),
) -> Floats:
    """Pre-travel of a three-arm seat by approach azimuth, in units of its smallest value.

    Parameters
    ----------
    approach_azimuth_deg : array_like, deg
        Direction in which the stylus moves. The force on the tip points the other way, and the
        arm nearest to the force lifts.
    arm_azimuth_deg : float
        Azimuth of one arm.
    pair_ratio : float
        (seat radius / stylus length) * tan(wall half-angle) of the contact pairs; 0 for ideal arms.
    gains : array_like, shape (3,)
        Share of the force at which each arm opens: below 1 for an early contact.

    Returns
    -------
    numpy.ndarray
        1 / max_i((cos psi_i + pair_ratio |sin psi_i|) / gain_i); between 1 and 2 for ideal arms.

    Notes
    -----
    Statics: arm i carries F_s / 3 - (2/3) (F L / R) cos psi_i, psi_i the angle between force and
    arm; the circuit opens when the first contact is unloaded, and the stylus has then bent in
    proportion to the force.

    Examples
    --------
    >>> seat_shape([180.0, 0.0]).round(6).tolist()
    [1.0, 2.0]
    """
    force = np.asarray(approach_azimuth_deg, dtype=float) + 180.0
    psi = np.deg2rad(force[..., None] - (arm_azimuth_deg + np.array([0.0, 120.0, 240.0])))
    lever = np.cos(psi) + pair_ratio * np.abs(np.sin(psi))
    return np.asarray(np.sqrt(1 + pair_ratio**2) / (lever / np.asarray(gains)).max(axis=-1))


def shape_variation(pair_ratio: float) -> float:
    """Largest less smallest value of `seat_shape` over all directions (1 for ideal arms)."""
    # Lever between arms is least halfway (60 deg), greatest at atan(pair_ratio) from an arm.
    return float(np.sqrt(1 + pair_ratio**2) / (0.5 + pair_ratio * np.sqrt(0.75)) - 1)


def fit_seat(
    mean_mm: ArrayLike, azimuth_deg: ArrayLike, counts: ArrayLike, sd_mm: float, dof: float
) -> SeatFit:
    """Least-squares fit of the three-arm shape, with constant and centre as nuisance.

    Parameters
    ----------
    mean_mm : array_like, shape (directions,), mm
    azimuth_deg : array_like, shape (directions,), deg
        Approach azimuths.
    counts : array_like of int, shape (directions,)
        Touches behind each mean.
    sd_mm : float
        Pooled scatter of one touch, > 0.
    dof : float
        Its degrees of freedom.

    Returns
    -------
    SeatFit
        Of the ideal shape, or of the shape with contact pairs where that fits better at
        ``SHAPE_RISK``.

    Raises
    ------
    StatisticsError
        With fewer than 7 directions.
    """
    means = np.asarray(mean_mm, dtype=float)
    azimuths = np.asarray(azimuth_deg, dtype=float)
    root = np.sqrt(np.asarray(counts, dtype=float))
    if len(means) < 7:
        raise StatisticsError(f"the three-arm shape needs at least 7 directions, but got {len(means)}")
    problem = _Problem(means, azimuths, root, sd_mm, dof)
    ideal, cost = problem.best_ideal()
    if len(means) < 8 or sd_mm == 0:
        return problem.describe(ideal, 0.0)
    arm, ratio, with_pairs = problem.best_pairs()
    if stats.f.sf((cost - with_pairs) / sd_mm**2, 1, dof) < SHAPE_RISK:
        return problem.describe(arm, ratio)
    return problem.describe(ideal, 0.0)


@lru_cache(maxsize=16)
def _tried_shapes(azimuths: tuple[float, ...], root: tuple[float, ...]) -> Floats:
    """Shapes of unit length with constant and centre projected out, (ratios, arms, directions)."""
    azimuth, weight = np.array(azimuths), np.array(root)
    basis = np.linalg.qr(np.column_stack([np.ones(len(azimuth)), unit_vectors(azimuth)]) * weight[:, None])[0]
    shapes = np.array([seat_shape(azimuth - TRIED_ARMS_DEG[:, None], 0.0, r) for r in TRIED_RATIOS]) * weight
    shapes = shapes - (shapes @ basis) @ basis.T
    return np.asarray(shapes / np.maximum(np.linalg.norm(shapes, axis=-1, keepdims=True), 1e-6))


class _Problem:
    """The weighted least-squares problem with constant and centre projected out."""

    def __init__(self, means: Floats, azimuths: Floats, root: Floats, sd_mm: float, dof: float) -> None:
        self.azimuths, self.root, self.sd_mm, self.dof = azimuths, root, sd_mm, dof
        self.nuisance = np.column_stack([np.ones(len(means)), unit_vectors(azimuths)]) * root[:, None]
        self.basis = np.linalg.qr(self.nuisance)[0]
        self.target = self._residualise(means * root)

    def _residualise(self, values: Floats) -> Floats:
        return np.asarray(values - self.basis @ (self.basis.T @ values))

    def _size(self, arm_deg: float, ratio: float) -> tuple[float, Floats]:
        shape = self._residualise(seat_shape(self.azimuths, arm_deg, ratio) * self.root)
        norm = float(shape @ shape)
        size = max(0.0, float(shape @ self.target) / norm) if norm > 1e-12 else 0.0
        return size, self.target - size * shape

    def cost(self, arm_deg: float, ratio: float) -> float:
        residual = self._size(arm_deg, ratio)[1]
        return float(residual @ residual)

    def _gains(self) -> Floats:
        """What each tried shape takes off the cost, root, shape (ratios, arms)."""
        shapes = _tried_shapes(tuple(self.azimuths), tuple(self.root))
        return np.asarray(np.maximum(shapes @ self.target, 0.0))

    def best_ideal(self) -> tuple[float, float]:
        """Arm azimuth of least cost in [0, 120) for ideal arms, and the cost."""
        start = float(TRIED_ARMS_DEG[int(self._gains()[0].argmax())])
        step = float(TRIED_ARMS_DEG[1])
        found = optimize.minimize_scalar(
            lambda arm: self.cost(arm, 0.0),
            bounds=(start - step, start + step),
            method="bounded",
            options={"xatol": 1e-6},
        )
        return float(found.x) % 120.0, float(found.fun)

    def best_pairs(self) -> tuple[float, float, float]:
        """Arm azimuth in [0, 120) and pair ratio of least cost, and the cost."""
        gains = self._gains()
        ratio, arm = np.unravel_index(int(gains.argmax()), gains.shape)
        start = np.array([TRIED_ARMS_DEG[arm], TRIED_RATIOS[ratio]])
        steps = np.array([[0.0, 0.0], [0.7, 0.0], [0.0, 0.02]])
        found = optimize.minimize(  # type: ignore[call-overload]
            lambda x: self.cost(float(x[0]), float(x[1])),
            start,
            method="Nelder-Mead",
            bounds=optimize.Bounds(np.array([-np.inf, 0.0]), np.array([np.inf, MAX_PAIR_RATIO])),
            options={"initial_simplex": start + steps, "xatol": 1e-5, "fatol": 1e-9 * self.sd_mm**2},
        )
        return float(found.x[0]) % 120.0, float(found.x[1]), float(found.fun)

    def describe(self, arm_deg: float, ratio: float) -> SeatFit:
        size, residual = self._size(arm_deg, ratio)
        fitted = 2 + (1 if ratio else 0)
        left = len(residual) - 3 - fitted
        cost = float(residual @ residual)
        noise = self.sd_mm**2
        misfit = float(stats.f.sf(cost / left / noise, left, self.dof)) if noise > 0 else float("nan")
        explained = (float(self.target @ self.target) - cost) / 2
        shown = float(stats.f.sf(explained / noise, 2, self.dof)) if noise > 0 else 0.0
        errors = self._standard_errors(size, arm_deg, ratio, variance=max(noise, cost / left))
        return SeatFit(
            size_mm=size,
            size_u_mm=errors[0],
            arm_azimuth_deg=arm_deg,
            arm_azimuth_u_deg=errors[1],
            pair_ratio=ratio,
            variation_mm=size * shape_variation(ratio),
            variation_u_mm=errors[2],
            residual_sd_mm=float(np.sqrt(cost / left / np.mean(self.root**2))),
            shown_p=shown,
            misfit_p=misfit,
            residual_mm=tuple(float(r) for r in residual / self.root),
        )

    def _standard_errors(
        self, size: float, arm_deg: float, ratio: float, variance: float
    ) -> tuple[float, float, float]:
        """Standard errors of size, arm azimuth and variation by linearisation."""
        half_deg, stretch = 0.5, 0.01
        columns = [seat_shape(self.azimuths, arm_deg, ratio)]
        after = seat_shape(self.azimuths, arm_deg + half_deg, ratio)
        columns.append(size * (after - seat_shape(self.azimuths, arm_deg - half_deg, ratio)))
        slope = np.array([shape_variation(ratio), 0.0])
        if ratio:
            # The error of the ratio itself is not asked for, so that its unit does not matter.
            low, high = max(ratio - stretch, 0.0), ratio + stretch
            further = seat_shape(self.azimuths, arm_deg, high)
            columns.append(size * (further - seat_shape(self.azimuths, arm_deg, low)))
            slope = np.append(slope, size * (shape_variation(high) - shape_variation(low)))
        jacobian = np.column_stack([self._residualise(column * self.root) for column in columns])
        information = jacobian.T @ jacobian
        if not np.linalg.cond(information) < 1e14:
            return float("inf"), float("inf"), float("inf")
        covariance = np.linalg.inv(information) * variance
        return (
            float(np.sqrt(covariance[0, 0])),
            float(np.sqrt(covariance[1, 1])),
            float(np.sqrt(slope @ covariance @ slope)),
        )
