"""Readings that stand apart: single touches, whole directions, unusual scatter. Flagged, never dropped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probetest.statistics.approach import unit_vectors
from probetest.statistics.cochran import widest_shares
from probetest.statistics.esd import extreme_residuals, most_outliers
from probetest.statistics.layout import extreme_touches
from probetest.statistics.seat import SeatFit, seat_shape

Floats = NDArray[np.float64]

FAMILY_RISK = 0.01
"""Chance of any false flag of one kind in a whole test of normal readings."""

MOST_TOUCHES = 10
"""Most touches that are flagged, and at most one in ten."""

STEPS_APART = 2.0
"""A touch is flagged only if it lies further than this many resolution steps from its mean."""

TURN_DEG = 0.5
"""Half the turn over which the slope of the shape is taken."""

STRETCH = 0.01
"""Half the change of the pair ratio over which the shape's dependence on it is taken."""


@dataclass(frozen=True, slots=True)
class OutlierFlag:
    """One flag.

    Attributes
    ----------
    kind : str
        "touch" (one reading), "direction" (a mean off the fitted shape) or "scatter".
    direction : int
        Index of the direction.
    touch : int or None
        Index of the touch in the arrays given; None for the other kinds.
    deviation_mm : float
        From the mean of the direction ("touch"), from the shape ("direction"); the sd ("scatter").
    statistic, critical : float
        Of the test that raised the flag.
    risk : float
        Family-wise risk of a false flag of this kind.
    """

    kind: Literal["touch", "direction", "scatter"]
    direction: int
    touch: int | None
    deviation_mm: float
    statistic: float
    critical: float
    risk: float


def flag_touches(
    reading_mm: ArrayLike, direction: ArrayLike, *, step_mm: float = 0.0, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Touches that stand apart from the others of their direction, by the scatter of all directions.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
    direction : array_like of int, shape (touches,)
    step_mm : float
        Resolution; deviations up to ``STEPS_APART`` steps are never flagged.
    risk : float
        Family-wise risk over all touches.

    Returns
    -------
    tuple of OutlierFlag
        In the order of the touches; at most one touch in ten and ``MOST_TOUCHES``. Directions with
        fewer than three touches are not tested.

    Notes
    -----
    See `probetest.statistics.layout`.
    """
    reading, index = np.asarray(reading_mm, dtype=float), np.asarray(direction)
    most = int(np.clip(len(reading) // 10, 1, MOST_TOUCHES))
    found = extreme_touches(reading, index, most, risk, floor_mm=step_mm / np.sqrt(12))
    kept = np.ones(len(reading), dtype=bool)
    kept[list(found.places)] = False
    flags = []
    for one in sorted(found.outliers, key=lambda outlier: outlier.place):
        own = index[one.place]
        deviation = float(reading[one.place] - reading[kept & (index == own)].mean())
        if abs(deviation) > STEPS_APART * step_mm:
            flags.append(
                OutlierFlag("touch", int(own), one.place, deviation, one.statistic, one.critical, risk)
            )
    return tuple(flags)


def flag_directions(
    seat: SeatFit, azimuth_deg: ArrayLike, counts: ArrayLike, *, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Directions whose mean stands off the fitted shape more than the others do.

    Parameters
    ----------
    seat : SeatFit
        Shape fitted to the means.
    azimuth_deg : array_like, shape (directions,), deg
    counts : array_like of int, shape (directions,)
        Touches behind each mean.
    risk : float
        Family-wise risk.

    Returns
    -------
    tuple of OutlierFlag
        The most extreme first; at most one direction in five. Directions that the fit can't tell from
        another, as among eight even ones, are not tested.

    Notes
    -----
    The fit is taken as linear about the arm azimuth found, see `extreme_residuals`: constant, centre,
    size and arm azimuth, and the pair ratio where it was fitted. The scatter is that of the other
    residuals, so that a shape which fits badly everywhere has no flag.
    """
    residual = np.asarray(seat.residual_mm, dtype=float)
    root = np.sqrt(np.asarray(counts, dtype=float))
    design = seat_design(azimuth_deg, seat.arm_azimuth_deg, seat.pair_ratio)
    most = most_outliers(len(residual))
    found = extreme_residuals(residual * root, design * root[:, None], most, risk)
    return tuple(
        OutlierFlag(
            "direction", one.place, None, float(residual[one.place]), one.statistic, one.critical, risk
        )
        for one in found.outliers
    )


def seat_design(azimuth_deg: ArrayLike, arm_azimuth_deg: float, pair_ratio: float) -> Floats:
    """How the values fitted with the three-arm shape act on the means.

    Parameters
    ----------
    azimuth_deg : array_like, shape (directions,), deg
    arm_azimuth_deg, pair_ratio : float
        As fitted.

    Returns
    -------
    numpy.ndarray, shape (directions, 5 or 6)
        Constant, centre (two), size, arm azimuth (per degree and size), pair ratio where not 0.
    """
    azimuth = np.asarray(azimuth_deg, dtype=float)
    columns = [
        np.ones(len(azimuth)),
        *unit_vectors(azimuth).T,
        seat_shape(azimuth, arm_azimuth_deg, pair_ratio),
        (
            seat_shape(azimuth, arm_azimuth_deg + TURN_DEG, pair_ratio)
            - seat_shape(azimuth, arm_azimuth_deg - TURN_DEG, pair_ratio)
        )
        / (2 * TURN_DEG),
    ]
    if pair_ratio:
        low, high = max(pair_ratio - STRETCH, 0.0), pair_ratio + STRETCH
        change = seat_shape(azimuth, arm_azimuth_deg, high) - seat_shape(azimuth, arm_azimuth_deg, low)
        columns.append(change / (high - low))
    return np.column_stack(columns)


def flag_scatter(
    sd_mm: ArrayLike, counts: ArrayLike, *, step_mm: float = 0.0, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Directions whose scatter is too large for the rest (Cochran's C, taken out one by one).

    Parameters
    ----------
    sd_mm : array_like, shape (directions,), mm
        NaN where a direction was touched once.
    counts : array_like of int, shape (directions,)
        Directions of fewer than three touches are left out.
    step_mm : float
        Resolution. The others are taken to have no less than twice the variance of rounding, and a
        direction whose readings could all lie on two neighbouring steps is not flagged.
    risk : float
        Family-wise risk.

    Returns
    -------
    tuple of OutlierFlag
        The most extreme first; at most one direction in five.

    Notes
    -----
    See `probetest.statistics.cochran`.
    """
    spread, touches = np.asarray(sd_mm, dtype=float), np.asarray(counts, dtype=float)
    usable = np.isfinite(spread) & (touches >= 3)
    dof = np.where(usable, touches - 1, 0.0)
    squares = np.where(usable, dof * spread**2, 0.0)
    most = int(usable.sum()) // 5
    found = widest_shares(squares, dof, most, risk, least_variance=step_mm**2 / 6)
    two_steps = touches * step_mm**2 / 4 * (1 + 1e-9)
    return tuple(
        OutlierFlag("scatter", one.place, None, float(spread[one.place]), one.share, one.critical, risk)
        for one in found
        if squares[one.place] > two_steps[one.place]
    )
