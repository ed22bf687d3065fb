"""What the shifts of a re-seat are made of: level, centre and shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval, check_level, mean_interval
from probetest.statistics.reseat_shift import Shifts

Floats = NDArray[np.float64]

FAR = 30.0
"""A length of so many standard errors is as good as a single component."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(32)


@dataclass(frozen=True, slots=True)
class ShiftParts:
    """Level, centre and shape of the shifts.

    Attributes
    ----------
    level_mm : float
        Constant beside the centre shift; with evenly spread directions the mean shift.
    level_interval_mm : Interval
    centre_mm : tuple of float
        x, y: a shift of x cos(azimuth) + y sin(azimuth).
    centre_u_mm : tuple of float
        Standard errors.
    centre_length_mm : float
    centre_length_interval_mm : Interval
        Lower limit 0 where the length is not seen; see `length_interval`.
    shape_rms_mm : float
        Beyond level and centre, root mean square per degree of freedom, freed of scatter; NaN with 3
        directions.
    shape_interval_mm : Interval
    shape_p : float
        Chance of so much shape from scatter alone.
    rigid_mm, rigid_u_mm : numpy.ndarray, shape (paired,), mm
        Level and centre in each direction, with standard errors.
    left_mm : numpy.ndarray, shape (paired,), mm
        Shifts less that.
    left_covariance : numpy.ndarray, shape (paired, paired), mm^2
    """

    level_mm: float
    level_interval_mm: Interval
    centre_mm: tuple[float, float]
    centre_u_mm: tuple[float, float]
    centre_length_mm: float
    centre_length_interval_mm: Interval
    shape_rms_mm: float
    shape_interval_mm: Interval
    shape_p: float
    rigid_mm: Floats
    rigid_u_mm: Floats
    left_mm: Floats
    left_covariance: Floats


def shift_parts(shifts: Shifts, level: float = 0.95) -> ShiftParts:
    """Split the shifts into level, centre and shape.

    Parameters
    ----------
    shifts : Shifts
        Of at least 3 directions that span the plane.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    ShiftParts

    Raises
    ------
    StatisticsError
        Where the directions can't tell level and centre apart.

    Notes
    -----
    Generalised least squares of the shifts on 1, cos, sin. What is left, by its covariance, is a sum
    of squares that follows F without a change of shape. The interval of the shape's rms scales that F:
    shape**2 = variance (F / F_quantile - 1), exact for a shape that is random over directions and a
    little wide for a fixed one.

    References
    ----------
    .. [1] S. R. Searle, G. Casella, C. E. McCulloch, "Variance Components" (1992), section 3.6, for
       the interval of a ratio of variances (from memory).
    """
    check_level(level)
    azimuths = shifts.azimuth_deg
    if not spans_plane(azimuths):
        raise StatisticsError(
            f"{len(azimuths)} direction(s) in both series can't tell a level from a centre shift; touch from "
            "at least 3 that span the plane"
        )
    design = np.column_stack([np.ones(len(azimuths)), unit_vectors(azimuths)])
    weight = np.linalg.inv(shifts.covariance)
    spread = np.linalg.inv(design.T @ weight @ design)
    lift = spread @ design.T @ weight
    found = lift @ shifts.shift_mm
    rigid, rigid_covariance = design @ found, design @ spread @ design.T
    left = shifts.shift_mm - rigid
    left_covariance = shifts.covariance - rigid_covariance
    rest = len(azimuths) - 3
    dof = shifts.pooled_dof
    rms, interval, p = float("nan"), Interval(0.0, float("inf"), level), float("nan")
    if rest > 0:
        ratio = float(left @ weight @ left) / rest
        per_dof = float(np.trace(left_covariance)) / rest
        tail = (1 - level) / 2
        quantiles = [special.fdtri(rest, dof, q) for q in (1 - tail, tail)]
        lower, upper = (float(np.sqrt(per_dof * max(0.0, ratio / q - 1))) for q in quantiles)
        rms, interval = float(np.sqrt(per_dof * max(0.0, ratio - 1))), Interval(lower, upper, level)
        p = float(special.fdtrc(rest, dof, ratio))
    pair = (float(found[1]), float(found[2]))
    return ShiftParts(
        level_mm=float(found[0]),
        level_interval_mm=mean_interval(float(found[0]), float(np.sqrt(spread[0, 0])), dof, level),
        centre_mm=pair,
        centre_u_mm=(float(np.sqrt(spread[1, 1])), float(np.sqrt(spread[2, 2]))),
        centre_length_mm=float(np.hypot(*pair)),
        centre_length_interval_mm=length_interval(pair, spread[1:, 1:], dof, level),
        shape_rms_mm=rms,
        shape_interval_mm=interval,
        shape_p=p,
        rigid_mm=rigid,
        rigid_u_mm=np.sqrt(np.diag(rigid_covariance)),
        left_mm=left,
        left_covariance=left_covariance,
    )


def spans_plane(azimuth_deg: ArrayLike) -> bool:
    """Whether the directions tell a level from a centre shift."""
    motion = unit_vectors(azimuth_deg)
    design = np.column_stack([np.ones(len(motion)), motion])
    return int(np.linalg.matrix_rank(design, tol=1e-6)) == 3


def length_interval(
    pair: tuple[float, float], covariance: ArrayLike, dof: float, level: float = 0.95
) -> Interval:
    """Interval of the length of a vector whose two components are normal with estimated scatter.

    Parameters
    ----------
    pair : tuple of float
    covariance : array_like, shape (2, 2)
    dof : float
        Degrees of freedom of the covariance.
    level : float
        Two-sided.

    Returns
    -------
    Interval
        Lower limit 0 where the length is not told from none.

    Notes
    -----
    For a given length and scatter the length found follows the distribution of Rice. It is averaged
    over what the true scatter may be, dof * variance / chi-square: at no length that is F, far from it
    Student t, each exact; between them simulation shows no loss. Components that do not scatter alike, or
    are correlated, are taken with the largest variance.

    Examples
    --------
    >>> found = length_interval((3.0, 4.0), [[1.0, 0.0], [0.0, 1.0]], 1e6)
    >>> round(found.lower, 2), round(found.upper, 2)
    (2.91, 6.87)
    """
    check_level(level)
    variance = float(np.linalg.eigvalsh(np.asarray(covariance, dtype=float))[-1])
    tail = (1 - level) / 2
    root, size = float(np.sqrt(variance)), float(np.hypot(*pair))
    factor = -float(special.stdtrit(dof, tail))
    if size > FAR * root:
        return Interval(size - factor * root, size + factor * root, level)
    lower, upper = (_true_length(size / root, dof, chance) for chance in (1 - tail, tail))
    # Components that happen to be near 0 give no upper limit below what one of them alone would have.
    return Interval(root * lower, root * max(upper, factor), level)


def _true_length(ratio: float, dof: float, chance: float) -> float:
    """Length at which one of ``ratio`` or less is found with ``chance``; 0 where there is none."""
    scatter = np.sqrt(dof / special.chdtri(dof, (1 + _NODES) / 2))

    def beyond(length: float) -> float:
        below = special.chndtr((ratio / scatter) ** 2, 2, (length / scatter) ** 2)
        return float(_WEIGHTS @ below) / 2 - chance

    if beyond(0.0) <= 0:
        return 0.0
    high = ratio + 10.0
    while beyond(high) > 0:
        high *= 2
    return float(optimize.brentq(beyond, 0.0, high, xtol=1e-7))
