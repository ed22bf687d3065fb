"""Whether a seat settles in the first touches after a stage, and what an overtravel leaves behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval, mean_interval
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
from probetest.statistics.reseat_shift import SeriesMeans
from probetest.statistics.serial import serial_effect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

SETTLING_RISK = 0.01
"""Risk of saying that a seat settles that does not, both tests together."""

LEAST_LEFT = 0.1
"""Share of an early shift that direction means and drift must leave."""

Beside = Literal["free directions", "level and centre"]


@dataclass(frozen=True, slots=True)
class EarlyShift:
    """Some early touches against the other touches of their directions, a drift taken out.

    Attributes
    ----------
    touches : int
        Early ones.
    shift_mm : float
        Their mean shift.
    u_mm : float
    interval_mm : Interval
    p : float
        F test of the shift together with a shift of the centre, where the touches can tell one.
    """

    touches: int
    shift_mm: float
    u_mm: float
    interval_mm: Interval
    p: float


@dataclass(frozen=True, slots=True)
class Settling:
    """First touches of a stage.

    Attributes
    ----------
    first_of_each : EarlyShift or None
        First touch of each direction; None where it can't be told from drift and direction means.
    first_touches : EarlyShift or None
        The first touches of the stage.
    settles : bool or None
        One of them differs, at 1 % for both together; None where neither can be told.
    """

    first_of_each: EarlyShift | None
    first_touches: EarlyShift | None
    settles: bool | None


@dataclass(frozen=True, slots=True)
class OvertravelEffect:
    """Shift that follows the direction of the overtravel before.

    Attributes
    ----------
    effect : DirectedEffect or None
        ``along_mm``: the trigger comes later by so much in the direction of the overtravel. None with a
        ``reason``.
    first, later : DirectedEffect or None
        Of the first touch after an overtravel and of those after it; None where not told apart.
    beside : str
        What else may have shifted freely: each direction, or level and centre.
    touches, unknown : int
        Touches of the stage after a known overtravel, and those left out.
    reason : str
    """

    effect: DirectedEffect | None
    first: DirectedEffect | None
    later: DirectedEffect | None
    beside: Beside
    touches: int
    unknown: int
    reason: str


def settling(stage: SeriesMeans, azimuth_deg: ArrayLike, first: int = 5, level: float = 0.95) -> Settling:
    """Whether the first touches of a stage differ from the later ones.

    Parameters
    ----------
    stage : SeriesMeans
        In test order.
    azimuth_deg : array_like, shape (directions,), deg
    first : int
        Touches of the stage that are held against the others, >= 1.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    Settling

    Raises
    ------
    StatisticsError
        If ``first`` is below 1.

    Notes
    -----
    Least squares beside direction means and a line over touch order; whitened where neighbours
    are alike beside all of it. A direction touched once says nothing.
    """
    if first < 1:
        raise StatisticsError(f"at least 1 first touch must be held against the others, but got {first}")
    index = stage.direction
    order = np.arange(len(index))
    _, place = np.unique(index, return_index=True)
    found = [
        _early(stage, np.asarray(azimuth_deg, dtype=float), marked, level)
        for marked in (np.isin(order, place), order < first)
    ]
    told = [one for one in found if one is not None]
    settles = any(one.p < SETTLING_RISK / 2 for one in told) if told else None
    return Settling(found[0], found[1], settles)


def _early(
    stage: SeriesMeans, azimuths: Floats, marked: NDArray[np.bool_], level: float
) -> EarlyShift | None:
    index = stage.direction
    marked = marked & (stage.counts[index] > 1)
    if not marked.any():
        return None
    order = np.arange(len(index), dtype=float)
    rest = np.column_stack([direction_columns(index), order - order.mean()])
    mark = marked.astype(float)
    columns = mark[:, None] * np.column_stack([np.ones(len(index)), unit_vectors(azimuths[index])])
    values = np.column_stack([stage.residual_mm, columns])
    left = without_columns(values, rest)
    if (left[:, 1] ** 2).sum() / marked.sum() < LEAST_LEFT:
        return None
    weakest = np.linalg.svd(left[:, 1:], compute_uv=False)[-1] ** 2 / marked.sum()
    kept = 3 if marked.sum() >= 4 and weakest >= LEAST_LEFT / 4 else 1
    rank = int(np.linalg.matrix_rank(rest))
    dof = len(index) - rank - kept
    if dof < LEAST_DOF:
        return None
    path = np.column_stack([order, columns[:, :kept]])
    serial = serial_effect(stage.residual_mm, index, azimuths, path)
    if serial.significant:
        left = without_columns(whitened(values, serial.correlation), whitened(rest, serial.correlation))
    target, tested = left[:, 0], left[:, 1 : 1 + kept]
    over = without_columns(target, tested)
    error = float(over @ over) / dof
    power = max(0.0, float(target @ target) - float(over @ over)) / tested.shape[1]
    p = float(special.fdtrc(tested.shape[1], dof, power / error)) if error > 0 else float(power == 0)
    inverse = np.linalg.inv(tested.T @ tested)
    weight = np.zeros(tested.shape[1])
    weight[0] = 1.0
    if len(weight) > 1:
        weight[1:] = unit_vectors(azimuths[index[marked]]).mean(axis=0)
    shift = float(weight @ inverse @ (tested.T @ target))
    u = float(np.sqrt(error * (weight @ inverse @ weight)))
    return EarlyShift(int(marked.sum()), shift, u, mean_interval(shift, u, dof, level), p)


def overtravel_effect(
    baseline_mm: ArrayLike,
    baseline_direction: ArrayLike,
    stage_mm: ArrayLike,
    stage_direction: ArrayLike,
    azimuth_deg: ArrayLike,
    overtravel_deg: ArrayLike,
    *,
    since: ArrayLike | None = None,
    risk: float = 0.05,
    level: float = 0.95,
) -> OvertravelEffect:
    """Whether the seat stays displaced along the overtravel that came before a touch.

    Parameters
    ----------
    baseline_mm, stage_mm : array_like, shape (touches,), mm
        Readings along the approach about one centre.
    baseline_direction, stage_direction : array_like of int, shape (touches,)
        Index into ``azimuth_deg``.
    azimuth_deg : array_like, shape (directions,), deg
    overtravel_deg : array_like, shape (stage touches,), deg
        Azimuth of the last overtravel before each touch; NaN where it is not known.
    since : array_like of int, shape (stage touches,), optional
        Touches since that overtravel, 1 for the first: whether one probing touch puts the seat right.
    risk : float
        Of the one-sided upper limit.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    OvertravelEffect

    Raises
    ------
    StatisticsError
        Where the arrays don't fit together.

    Notes
    -----
    reading = direction mean + shift of the stage + h cos(overtravel - azimuth) + g sin(...) + scatter.
    The shift is free in each direction where the plan allows it: each direction touched after
    overtravels to several sides. Else it is a level and a centre shift. With all overtravels to one
    side the effect is a centre shift, with each touch along its own overtravel a level, and neither
    can be told from other causes. Both series are taken to scatter alike, touches to be independent.
    """
    arrays = [np.asarray(part, dtype=float) for part in (baseline_mm, stage_mm, overtravel_deg)]
    before, reading, overtravel = arrays
    indices = [np.asarray(part, dtype=np.intp) for part in (baseline_direction, stage_direction)]
    azimuths = np.asarray(azimuth_deg, dtype=float)
    if before.shape != indices[0].shape or not reading.shape == indices[1].shape == overtravel.shape:
        raise StatisticsError("each touch needs a reading and a direction, each of the stage an overtravel")
    known = np.isfinite(overtravel)
    touches, unknown = int(known.sum()), int((~known).sum())
    own = indices[1][known]
    target = np.concatenate([before, reading[known]])
    index = np.concatenate([indices[0], own])
    stage = np.arange(len(target)) >= len(before)
    shape = np.zeros((len(target), 2))
    shape[stage] = difference_columns(azimuths[own], overtravel[known])
    means, stage_means = direction_columns(index), np.zeros((len(target), len(np.unique(own))))
    stage_means[stage] = direction_columns(own)
    rigid = stage[:, None] * np.column_stack([np.ones(len(target)), unit_vectors(azimuths[index])])
    choices: tuple[tuple[Beside, Floats], ...] = (
        ("free directions", np.column_stack([means, stage_means])),
        ("level and centre", np.column_stack([means, rigid])),
    )
    for beside, rest in choices:
        free = len(target) - int(np.linalg.matrix_rank(rest)) - 2
        if free < LEAST_DOF or min(seen_shares(shape, rest)) < LEAST_SEEN:
            continue
        effect = directed_effect(target, rest, shape, risk=risk, level=level)
        first = later = None
        if since is not None:
            fresh = np.zeros(len(target), dtype=bool)
            fresh[stage] = np.asarray(since)[known] == 1
            first, later = (_part(target, rest, shape, part & stage, risk, level) for part in (fresh, ~fresh))
        return OvertravelEffect(effect, first, later, beside, touches, unknown, "")
    reason = (
        "the overtravels can't be told from a shift of level or centre: let several directions be touched "
        "after overtravels to different sides"
        if touches
        else "no touch follows a known overtravel"
    )
    return OvertravelEffect(None, None, None, "level and centre", touches, unknown, reason)


def _part(
    target: Floats, rest: Floats, shape: Floats, part: NDArray[np.bool_], risk: float, level: float
) -> DirectedEffect | None:
    """Effect of some touches beside that of the others; None where it can't be told."""
    mine, others = shape * part[:, None], shape * ~part[:, None]
    beside = np.column_stack([rest, others])
    if len(target) - int(np.linalg.matrix_rank(beside)) - 2 < LEAST_DOF:
        return None
    if min(seen_shares(mine, beside)) < LEAST_SEEN:
        return None
    return directed_effect(target, beside, mine, risk=risk, level=level)
