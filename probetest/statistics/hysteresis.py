"""Whether the trigger depends on the direction of the touch before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import check_level
from probetest.statistics.neighbours import direction_columns, whitened
from probetest.statistics.reseat_directed import (
    LEAST_DOF,
    LEAST_SEEN,
    DirectedEffect,
    difference_columns,
    directed_effect,
    seen_shares,
    without_columns,
)
from probetest.statistics.serial import serial_effect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

HysteresisVerdict = Literal["none beyond the margin", "beyond the margin", "can't tell"]

ALIKE_DEG = 0.5
"""Differences of azimuth within it are one."""

_TURN = round(360 / ALIKE_DEG)


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Effect of the touch before within a series.

    Attributes
    ----------
    effect : DirectedEffect or None
        None with a ``reason``.
    drift_per_touch_mm : float
        Slope over touch order beside the effect; NaN without one.
    by_difference_p : float or None
        Each difference of azimuth with an effect of its own, against none; None where the order does
        not allow it.
    by_previous_p : float or None
        Each previous direction with an effect of its own.
    differences : int
        Distinct differences of azimuth (previous less present) among the touches used.
    used, without_previous : int
        Touches in the fit, and those left out because the one before is not known.
    margin_mm : float
    verdict : str
    reason : str
        Why it can't be told, or what the verdict rests on.
    """

    effect: DirectedEffect | None
    drift_per_touch_mm: float
    by_difference_p: float | None
    by_previous_p: float | None
    differences: int
    used: int
    without_previous: int
    margin_mm: float
    verdict: HysteresisVerdict
    reason: str


def hysteresis(
    reading_mm: ArrayLike,
    direction: ArrayLike,
    azimuth_deg: ArrayLike,
    *,
    previous: ArrayLike | None = None,
    margin_mm: float = 0.001,
    risk: float = 0.05,
    level: float = 0.95,
) -> Hysteresis:
    """Dependence of the reading on the direction of the touch before.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
        Readings along the approach in test order.
    direction : array_like of int, shape (touches,)
        Index into ``azimuth_deg``.
    azimuth_deg : array_like, shape (directions,), deg
    previous : array_like of int, shape (touches,), optional
        Index of the direction of the touch before each; -1 where it is not known: the first touch, and
        touches after a miss or a break. By default all touches follow one another without any.
    margin_mm : float
        Effect that would matter, > 0.
    risk : float
        Of a wrong "none" and of a wrong "beyond" at the margin, each.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    Hysteresis

    Raises
    ------
    StatisticsError
        Where arrays don't fit together or a number is out of its range.

    Notes
    -----
    reading = direction mean + slope * order + h cos(previous - present) + g sin(previous - present)
    + scatter, by least squares: friction that leaves the seat displaced along the touch before gives
    h. In an order where each direction always follows the same other one both columns are part of the
    direction means and nothing can be told. Neighbours that are found alike (see
    `probetest.statistics.serial`) are whitened first. The effect is judged by its largest size,
    hypot(h, g), see `probetest.statistics.reseat_parts.length_interval`.

    References
    ----------
    .. [1] G. A. F. Seber, A. J. Lee, "Linear Regression Analysis" (2003), chapter 4: F test of added
       columns (from memory).
    """
    check_level(level)
    reading, index, azimuths = _checked(reading_mm, direction, azimuth_deg)
    if not margin_mm > 0 or not 0 < risk < 0.5:
        raise StatisticsError(f"margin {margin_mm} mm and risk {risk} must be above 0, the risk below 0.5")
    before = np.r_[-1, index][: len(index)] if previous is None else np.asarray(previous, dtype=np.intp)
    if before.shape != index.shape or before.min(initial=-1) < -1 or before.max(initial=-1) >= len(azimuths):
        raise StatisticsError("each touch needs the index of the direction before it, or -1")
    used = before >= 0
    count, out = int(used.sum()), int((~used).sum())
    place, own, other = np.flatnonzero(used).astype(float), index[used], before[used]
    distinct = np.unique(np.round((azimuths[other] - azimuths[own]) / ALIKE_DEG).astype(int) % _TURN)

    def answer(
        reason: str, effect: DirectedEffect | None = None, verdict: HysteresisVerdict = "can't tell",
        drift: float = float("nan"), tests: tuple[float | None, float | None] = (None, None),
    ) -> Hysteresis:  # fmt: skip
        return Hysteresis(
            effect, drift, *tests, len(distinct), count, out, margin_mm, verdict, reason
        )  # fmt: skip

    rest = np.column_stack([direction_columns(own), place - place.mean()]) if count else np.empty((0, 1))
    if count - np.linalg.matrix_rank(rest) - 2 < LEAST_DOF:
        return answer(
            f"{count} touches with a known touch before are too few; touch each direction at least 3 times "
            "in a random order"
        )
    shape = difference_columns(azimuths[own], azimuths[other])
    seen = seen_shares(shape, rest)
    if max(seen) < LEAST_SEEN:
        fixed = len(np.unique(np.stack([own, other]), axis=1).T) == len(np.unique(own))
        return answer(
            "every direction always followed the same other one; randomise the order"
            if fixed
            else "the touches before differ too little in direction; randomise the order"
        )
    target = reading[used]
    wide = np.column_stack([rest, shape[:, np.array(seen) >= LEAST_SEEN]])
    correlation = _likeness(target, own, azimuths, wide)
    effect = directed_effect(target, rest, shape, correlation=correlation, risk=risk, level=level)
    drift = _slope(target, wide, rest.shape[1] - 1, correlation)
    tests = (
        _added(target, rest, _groups(azimuths[other] - azimuths[own]), correlation),
        _added(target, rest, _marks(other), correlation),
    )
    verdict: HysteresisVerdict = "can't tell"
    reason = ""
    if effect.largest_lower_mm > margin_mm:
        verdict = "beyond the margin"
    elif min(seen) < LEAST_SEEN:
        reason = "only one part of the effect can be told in this order; randomise it"
    elif effect.largest_upper_mm <= margin_mm:
        verdict = "none beyond the margin"
        reason = f"no effect of the touch before beyond {effect.largest_upper_mm:.4f} mm"
    else:
        reason = (
            f"an effect of up to {effect.largest_upper_mm:.4f} mm is possible, against a margin of "
            f"{margin_mm:g} mm; more touches in a random order narrow it"
        )
    return answer(reason, effect, verdict, drift, tests)


def _checked(
    reading_mm: ArrayLike, direction: ArrayLike, azimuth_deg: ArrayLike
) -> tuple[Floats, Indices, Floats]:
    reading, azimuths = np.asarray(reading_mm, dtype=float), np.asarray(azimuth_deg, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    if reading.shape != index.shape or reading.ndim != 1:
        raise StatisticsError(f"{reading.size} readings but {index.size} directions; each touch needs both")
    if not np.isfinite(reading).all():
        raise StatisticsError("a reading is no finite number; leave misses out")
    if len(index) and not 0 <= index.min() <= index.max() < len(azimuths):
        raise StatisticsError(f"a direction index lies outside the {len(azimuths)} azimuths")
    return reading, index, azimuths


def _likeness(target: Floats, own: Indices, azimuths: Floats, design: Floats) -> float:
    """Correlation of neighbours beside the model; 0 where none is found."""
    if len(target) - np.linalg.matrix_rank(design) < LEAST_DOF:
        return 0.0
    found = serial_effect(target, own, azimuths, design[:, len(np.unique(own)) :])
    return found.correlation if found.significant else 0.0


def _slope(target: Floats, design: Floats, column: int, correlation: float) -> float:
    both = np.column_stack([design, target])
    if correlation:
        both = whitened(both, correlation)
    return float(np.linalg.lstsq(both[:, :-1], both[:, -1], rcond=1e-9)[0][column])


def _groups(apart_deg: Floats) -> Floats:
    return _marks(np.round(apart_deg / ALIKE_DEG).astype(int) % _TURN)


def _marks(group: NDArray[np.integer]) -> Floats:
    return np.asarray(group[:, None] == np.unique(group), dtype=float)


def _added(target: Floats, rest: Floats, columns: Floats, correlation: float) -> float | None:
    """F test of added columns; None where the order does not leave enough of them or of scatter."""
    wide = np.column_stack([rest, columns, target])
    if correlation:
        wide = whitened(wide, correlation)
    base, full, values = wide[:, : rest.shape[1]], wide[:, :-1], wide[:, -1]
    fewer, more = int(np.linalg.matrix_rank(base)), int(np.linalg.matrix_rank(full))
    dof = len(values) - more
    if more - fewer < 1 or dof < LEAST_DOF:
        return None
    small, large = (float((without_columns(values, part) ** 2).sum()) for part in (base, full))
    if not large > 0:
        return 0.0 if small > 0 else 1.0
    return float(special.fdtrc(more - fewer, dof, max(0.0, small - large) / (more - fewer) / (large / dof)))
