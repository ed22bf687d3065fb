"""How much of the lobing of a three-arm seat a set of directions can show, wherever the arms are."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probetest.statistics.approach import unit_vectors
from probetest.statistics.seat import seat_shape

Floats = NDArray[np.float64]

ARM_STEP_DEG = 0.5
"""Step of the arm azimuths that are tried."""

TURN_MEAN = float(3 / np.pi * np.log(2 + np.sqrt(3)))
"""Mean over a turn of the pre-travel of ideal arms, in units of its smallest value."""


def seen_share(azimuth_deg: ArrayLike) -> float:
    """Smallest share of the pre-travel variation that the directions show, over all arm azimuths.

    Parameters
    ----------
    azimuth_deg : array_like, shape (directions,), deg
        Tested azimuths, at least 3 distinct ones.

    Returns
    -------
    float
        0..1, for ideal arms with the centre taken out. Numbers of even directions that three
        divides show less than their neighbours: each arm is then seen from the same few places.

    Examples
    --------
    >>> [round(seen_share(np.arange(n) * 360 / n), 2) for n in (12, 16, 24, 25)]
    [0.38, 0.8, 0.63, 0.87]
    """
    return min(1.0, float(np.ptp(_curves(azimuth_deg), axis=1).min()))


def mean_error_share(azimuth_deg: ArrayLike) -> float:
    """Largest error of the mean pre-travel by lobing that the directions fold into it.

    Parameters
    ----------
    azimuth_deg : array_like, shape (directions,), deg

    Returns
    -------
    float
        In units of the variation over all directions: largest distance, over all arm azimuths,
        between the fitted constant and the mean over a turn. Near 0 for an even spread.
    """
    curves = _shapes(azimuth_deg)
    constant = np.linalg.lstsq(_nuisance(azimuth_deg), curves.T, rcond=None)[0][0]
    return float(np.abs(constant - TURN_MEAN).max())


def _nuisance(azimuth_deg: ArrayLike) -> Floats:
    motion = unit_vectors(azimuth_deg)
    return np.column_stack([np.ones(len(motion)), motion])


def _shapes(azimuth_deg: ArrayLike) -> Floats:
    azimuth = np.asarray(azimuth_deg, dtype=float)
    arms = np.arange(0.0, 120.0, ARM_STEP_DEG)
    return seat_shape(azimuth[None, :] - arms[:, None])


def _curves(azimuth_deg: ArrayLike) -> Floats:
    basis = np.linalg.svd(_nuisance(azimuth_deg), full_matrices=False)[0]
    shapes = _shapes(azimuth_deg)
    return np.asarray(shapes - (shapes @ basis) @ basis.T)
