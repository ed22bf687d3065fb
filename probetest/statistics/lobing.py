"""Harmonics of the pre-travel over the tested directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

MAX_ORDER = 12
"""Highest harmonic that is reported."""

MAX_CONDITION = 10.0
"""Harmonics are added only while the least-squares problem stays this well conditioned."""


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic, amplitude * cos(order * (azimuth - phase)).

    Attributes
    ----------
    order : int
    amplitude_mm : float
    phase_deg : float
        In [0, 360 / order).
    u_mm : float
        Standard error of the amplitude.
    p_value : float
        Chance of so large an amplitude from scatter alone.
    """

    order: int
    amplitude_mm: float
    phase_deg: float
    u_mm: float
    p_value: float


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """Harmonics 2..K of the direction means; the first goes with the centre.

    Attributes
    ----------
    harmonics : tuple of Harmonic
    condition : float
        Of the least-squares problem.
    residual_sd_mm : float
        Of the direction means about the fitted curve; NaN when nothing is left over.
    coefficients_mm : tuple of float
        Constant, then cosine and sine of orders 1..K.
    """

    harmonics: tuple[Harmonic, ...]
    condition: float
    residual_sd_mm: float
    coefficients_mm: tuple[float, ...]


def harmonic_design(azimuth_deg: ArrayLike, highest: int) -> Floats:
    """Columns 1, cos, sin, cos 2, sin 2, ... up to ``highest``, shape (n, 1 + 2 * highest)."""
    azimuth = np.deg2rad(np.asarray(azimuth_deg, dtype=float))
    columns = [np.ones_like(azimuth)]
    for order in range(1, highest + 1):
        columns += [np.cos(order * azimuth), np.sin(order * azimuth)]
    return np.stack(columns, axis=1)


def fit_harmonics(
    mean_mm: ArrayLike,
    azimuth_deg: ArrayLike,
    counts: ArrayLike,
    sd_mm: float,
    dof: float,
    highest: int | None = None,
) -> HarmonicFit:
    """Least-squares harmonics of the direction means at their true azimuths.

    Parameters
    ----------
    mean_mm : array_like, shape (directions,), mm
        Mean reading of each direction.
    azimuth_deg : array_like, shape (directions,), deg
    counts : array_like of int, shape (directions,)
        Touches behind each mean; its weight.
    sd_mm : float
        Pooled scatter of one touch.
    dof : float
        Its degrees of freedom.
    highest : int, optional
        Highest order. By default as many as the directions carry, at most ``MAX_ORDER``, and
        while the condition stays below ``MAX_CONDITION``.

    Returns
    -------
    HarmonicFit

    Raises
    ------
    StatisticsError
        With fewer than 5 directions, or where an order can't be told from the others.
    """
    means = np.asarray(mean_mm, dtype=float)
    root = np.sqrt(np.asarray(counts, dtype=float))
    directions = len(means)
    if directions < 5:
        raise StatisticsError(f"harmonics beyond the centre need at least 5 directions, but got {directions}")
    most = MAX_CONDITION if highest is None else 1e8
    if highest is None:
        highest = _highest_order(azimuth_deg, root)
    design = harmonic_design(azimuth_deg, highest) * root[:, None]
    condition = float(np.linalg.cond(design / root.mean()))
    if design.shape[1] > directions or not condition < most:
        raise StatisticsError(
            f"harmonics up to {highest} can't be told apart from these {directions} directions (condition "
            f"{condition:.3g}, at most {most:g}); spread them over the whole turn"
        )
    # Without the common offset equal means give exactly no harmonics.
    target = (means - means[0]) * root
    coefficients = np.linalg.lstsq(design, target, rcond=None)[0]
    covariance = np.linalg.inv(design.T @ design) * sd_mm**2
    residual = target - design @ coefficients
    left = directions - design.shape[1]
    return HarmonicFit(
        harmonics=tuple(_harmonic(k, coefficients, covariance, dof) for k in range(2, highest + 1)),
        condition=condition,
        residual_sd_mm=float(np.sqrt((residual**2).sum() / left / np.mean(root**2)))
        if left
        else float("nan"),
        coefficients_mm=(float(coefficients[0] + means[0]), *(float(c) for c in coefficients[1:])),
    )


def _highest_order(azimuth_deg: ArrayLike, root: Floats) -> int:
    highest = 2
    for order in range(2, min(MAX_ORDER, (len(root) - 1) // 2) + 1):
        design = harmonic_design(azimuth_deg, order) * (root / root.mean())[:, None]
        if np.linalg.cond(design) > MAX_CONDITION:
            break
        highest = order
    return highest


def _harmonic(order: int, coefficients: Floats, covariance: Floats, dof: float) -> Harmonic:
    place = slice(2 * order - 1, 2 * order + 1)
    return describe_harmonic(order, coefficients[place], covariance[place, place], dof)


def describe_harmonic(order: int, pair: Floats, spread: Floats, dof: float) -> Harmonic:
    """Amplitude and phase of a harmonic from its two coefficients.

    Parameters
    ----------
    order : int
    pair : numpy.ndarray, shape (2,), mm
        Of the cosine and the sine.
    spread : numpy.ndarray, shape (2, 2)
        Their covariance.
    dof : float
        Degrees of freedom of the scatter in it.
    """
    amplitude = float(np.hypot(*pair))
    along = pair / amplitude if amplitude else np.array([1.0, 0.0])
    if np.linalg.det(spread) > 0:
        statistic = float(pair @ np.linalg.solve(spread, pair)) / 2
        p_value = float(stats.f.sf(statistic, 2, dof))
    else:
        p_value = 0.0 if amplitude else 1.0
    phase = float(np.rad2deg(np.arctan2(pair[1], pair[0])) / order) % (360.0 / order)
    return Harmonic(order, amplitude, phase, float(np.sqrt(along @ spread @ along)), p_value)
