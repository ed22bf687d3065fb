"""What a test at several orientations says of the machine: reversal value, run-out, same-side touches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from probetest.statistics.approach import unit_vectors
from probetest.statistics.curve_posterior import span_basis, without
from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.turns import Stack

Floats = NDArray[np.float64]

LEAST_SEEN = 0.01
"""Share of a reversal value that must be seen beside all else, root of its power."""

HIGHEST_WAVE = 16
"""Waves of the probe up to this order may hide a reversal value."""

SAME_DIRECTION_DEG = 0.5
"""Azimuths within it are the same direction."""


@dataclass(frozen=True, slots=True)
class Reversal:
    """Reversal value of both axes, from the fixed part of the readings.

    Attributes
    ----------
    x_mm, y_mm : float
    x_u_mm, y_u_mm : float
        Standard errors.
    dof : float
    """

    x_mm: float
    y_mm: float
    x_u_mm: float
    y_u_mm: float
    dof: float


@dataclass(frozen=True, slots=True)
class Runout:
    """Offset of the stylus ball from the spindle axis, from the centres of the orientations.

    Attributes
    ----------
    runout_mm : float
    u_mm : float
        Its standard error.
    azimuth_deg : float
        Where the ball lies off the axis, at orientation 0.
    interval_mm : Interval
    misfit_p : float
        Chance of so large a distance of the centres from their circle by scatter alone; NaN with
        two orientations.
    centres_mm : tuple of tuple of float
        x, y of each orientation.
    axis_centre_mm : tuple of float
        x, y at which the spindle axis stands in the artefact's centre.
    """

    runout_mm: float
    u_mm: float
    azimuth_deg: float
    interval_mm: Interval
    misfit_p: float
    centres_mm: tuple[tuple[float, float], ...]
    axis_centre_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class SameSide:
    """Centring by two opposite touches, with and without the probe turned between them.

    Attributes
    ----------
    pairs : int
        Pairs of opposite touches compared.
    plain_rms_mm : float
        Centre error of opposite touches at one orientation, root mean square.
    turned_rms_mm : float
        The same with the probe turned by 180 deg between them: both touches meet the same side of
        the probe, so that its lobing and run-out cancel.
    u_mm : float
        Standard error of one such centre.
    """

    pairs: int
    plain_rms_mm: float
    turned_rms_mm: float
    u_mm: float


def reversal_shapes(azimuth_deg: ArrayLike) -> Floats:
    """What a reversal value of 1 mm in x, and in y, does to the reading, shape (azimuths, 2).

    Notes
    -----
    Half of it, towards the motion: b/2 times the sign of the motion in a coordinate is
    b/2 |cos|, b/2 |sin| along the approach. It has even orders only.
    """
    return np.asarray(np.abs(unit_vectors(azimuth_deg)) / 2)


def reversal_columns(stack: Stack) -> Floats:
    """The same for weighted means, shape (means, 2)."""
    return reversal_shapes(stack.azimuth_deg) * stack.root[:, None]


def find_reversal(
    stack: Stack, shape_slopes: Floats | None, sd_mm: float, dof: float
) -> tuple[Reversal | None, str]:
    """Reversal value of both axes, or why it can't be told.

    Parameters
    ----------
    stack : Stack
    shape_slopes : numpy.ndarray, shape (means, columns), or None
        What a three-arm shape may add.
    sd_mm, dof : float
        Scatter of one touch.

    Notes
    -----
    A two-lobed error of the machine (axes of different scale, out of square) is allowed for, so that
    the two axes are told apart by the kinks of |cos| and |sin| alone: orders 4, 6, 8 ... It is assumed
    that the machine has no error of these orders of its own.
    """
    orders = range(2, HIGHEST_WAVE + 1)
    parts = [stack.level, stack.of_machine([2]), stack.of_probe(orders)]
    known = span_basis(*parts, *([shape_slopes] if shape_slopes is not None else []))
    columns = reversal_columns(stack)
    seen = without(known, columns)
    strength = np.linalg.svd(seen, compute_uv=False)[-1] / np.linalg.norm(columns) * np.sqrt(2)
    if not strength > LEAST_SEEN:
        return None, (
            "these orientations and directions can't tell a reversal value from the probe's own even orders; "
            "turn the probe to 0, 30, 90 and 210 deg"
        )
    size = np.linalg.lstsq(seen, stack.target, rcond=None)[0]
    u = sd_mm * np.sqrt(np.diag(np.linalg.inv(seen.T @ seen)))
    return Reversal(float(size[0]), float(size[1]), float(u[0]), float(u[1]), dof), ""


def find_runout(stack: Stack, sd_mm: float, dof: float, level: float) -> Runout:
    """Run-out from the circle that the centres of the orientations run on.

    Parameters
    ----------
    stack : Stack
    sd_mm, dof : float
        Scatter of one touch.
    level : float

    Notes
    -----
    The centre found at an orientation, waves of both curves allowed for, is that of the artefact less
    the offset of the ball, turned with the probe. The first order of the probe's own curve can't be
    told from it.
    """
    # Uneven directions would take waves for a centre.
    told, blind = stack.orders(blind=False), stack.orders(blind=True)
    waves = span_basis(stack.of_probe(told), stack.of_machine([*told, *blind]))
    columns = without(waves, stack.level)
    spread = np.linalg.pinv(columns.T @ columns)
    size = (spread @ columns.T @ stack.target).reshape(-1, 3)
    places = np.array([turn.centre_mm for turn in stack.turns]) + size[:, 1:]
    angle = np.deg2rad(stack.orientations_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    zero, one = np.zeros_like(cos), np.ones_like(cos)
    design = np.concatenate(
        [np.column_stack([one, zero, -cos, sin]), np.column_stack([zero, one, -sin, -cos])]
    )
    of_x = 3 * np.arange(len(places)) + 1
    take = np.concatenate([of_x, of_x + 1])
    root = np.linalg.inv(np.linalg.cholesky(spread[np.ix_(take, take)]))
    target = np.concatenate([places[:, 0], places[:, 1]])
    offset = target.mean()  # far from 0 the least squares would lose digits
    solution, *_ = np.linalg.lstsq(root @ design, root @ (target - offset), rcond=None)
    covariance = np.linalg.inv((root @ design).T @ (root @ design)) * sd_mm**2
    left = root @ (target - offset - design @ solution)
    spare = len(target) - 4
    east, north = float(solution[2]), float(solution[3])
    length = float(np.hypot(east, north))
    along = np.array([east, north]) / length if length else np.array([1.0, 0.0])
    u = float(np.sqrt(along @ covariance[2:, 2:] @ along))
    half = t_factor(dof, level) * u
    return Runout(
        runout_mm=length,
        u_mm=u,
        azimuth_deg=float(np.rad2deg(np.arctan2(north, east)) % 360),
        interval_mm=Interval(max(0.0, length - half), length + half, level),
        misfit_p=float(stats.f.sf(left @ left / spare / sd_mm**2, spare, dof)) if spare else float("nan"),
        centres_mm=tuple((float(x), float(y)) for x, y in places),
        axis_centre_mm=(float(solution[0] + offset), float(solution[1] + offset)),
    )


def same_side(stack: Stack, middle_mm: tuple[float, float], sd_mm: float) -> SameSide | None:
    """Centre errors of opposite touches at one orientation, and with the probe turned between them.

    Parameters
    ----------
    stack : Stack
    middle_mm : tuple of float
        x, y at which the spindle axis stands in the artefact's centre.
    sd_mm : float
        Scatter of one touch.

    Returns
    -------
    SameSide or None
        None where no opposite directions were touched at orientations 180 deg apart.
    """
    reading = _absolute(stack, middle_mm)
    turn = np.repeat(np.arange(len(stack.turns)), [len(one.azimuth_deg) for one in stack.turns])
    plain, turned, counts = [], [], []
    for first in range(len(reading)):
        across = _near(stack.azimuth_deg - stack.azimuth_deg[first] - 180.0)
        orientation = stack.orientations_deg[turn]
        here = across & (turn == turn[first])
        there = across & _near(orientation - orientation[first] - 180.0)
        if not here.any() or not there.any():
            continue
        same, other = int(np.flatnonzero(here)[0]), int(np.flatnonzero(there)[0])
        plain.append((reading[first] - reading[same]) / 2)
        turned.append((reading[first] - reading[other]) / 2)
        counts.append(1 / stack.root[first] ** 2 + 1 / stack.root[other] ** 2)
    if not plain:
        return None
    return SameSide(
        pairs=len(plain),
        plain_rms_mm=float(np.sqrt(np.mean(np.square(plain)))),
        turned_rms_mm=float(np.sqrt(np.mean(np.square(turned)))),
        u_mm=sd_mm * float(np.sqrt(np.mean(counts))) / 2,
    )


def _absolute(stack: Stack, middle_mm: tuple[float, float]) -> Floats:
    """Mean readings from one point for all orientations."""
    moved = np.array([turn.centre_mm for turn in stack.turns]) - middle_mm
    each = np.repeat(moved, [len(turn.azimuth_deg) for turn in stack.turns], axis=0)
    return np.asarray(stack.target / stack.root + (each * unit_vectors(stack.azimuth_deg)).sum(axis=1))


def _near(angle_deg: Floats) -> NDArray[np.bool_]:
    """Which angles are a whole number of turns."""
    return np.asarray(np.abs((angle_deg + 180.0) % 360.0 - 180.0) <= SAME_DIRECTION_DEG)
