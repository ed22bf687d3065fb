"""The error of a work offset as a sum of causes: its moments in closed form, and drawn at random."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.statistics.approach import unit_vectors
from probetest.statistics.setting_cycles import Cycle, Floats, ProbeCurve, Shop

_Streams = Callable[[int], np.random.Generator]

CAUSES = (
    "lobing",
    "mean pre-travel",
    "run-out",
    "orientation",
    "reversal",
    "scatter",
    "resolution",
    "calibration",
    "return move",
)
"""What an error is made of."""

TRIALS = 20_000
"""Settings drawn at random for each feature."""

COVERED = 0.95
"""Share of settings whose error is no larger than ``error95_mm``."""

SEED = 101
"""Of all random draws; features and habits are compared on the same draws."""

TURN_POINTS = 720
"""Fewest orientations over which a random orientation is averaged."""

NORMAL_STEPS = np.linspace(-6.0, 6.0, 97)
NORMAL_WEIGHTS = np.exp(-(NORMAL_STEPS**2) / 2) / np.exp(-(NORMAL_STEPS**2) / 2).sum()
"""Nodes and weights of an average over a normal distribution (trapezoid)."""

LOBING, MEAN, RUNOUT, ORIENTATION, REVERSAL, SCATTER, RESOLUTION, CALIBRATION, RETURN = range(len(CAUSES))


@dataclass(frozen=True, slots=True)
class Moments:
    """First and second moments of the error, cause by cause.

    Attributes
    ----------
    mean_mm : numpy.ndarray, shape (causes, components)
    covariance_mm2 : numpy.ndarray, shape (causes, causes, components)
    size_mm : numpy.ndarray, shape (causes,)
        What the cause could do if no touch cancelled another; 0: this machine doesn't have it.
    mean_weight : numpy.ndarray, shape (components,)
        What a common pre-travel of 1 mm does.
    """

    mean_mm: Floats
    covariance_mm2: Floats
    size_mm: Floats
    mean_weight: Floats

    @property
    def second_mm2(self) -> Floats:
        """Mean product of each two causes, summed over the components."""
        outer = self.mean_mm[:, None, :] * self.mean_mm[None, :, :]
        return np.asarray((outer + self.covariance_mm2).sum(axis=-1))


@dataclass(frozen=True, slots=True)
class _Part:
    """Touches at one standing of the spindle: directions, weights (components, touches), angle."""

    azimuth_deg: Floats
    weights: Floats
    angle_deg: float


def moments(cycle: Cycle, curve: ProbeCurve, shop: Shop) -> Moments:
    """Closed form of the moments.

    Notes
    -----
    The error is linear in the over-travel of the touches, so each cause has its own linear form.
    Sums run over the equally likely curves, over the turn for a random orientation, over a normal
    distribution for the scatter of the orientation. An unknown azimuth of the run-out has mean 0 and
    second moment e**2 / 2 along each axis, which four azimuths a quarter turn apart give exactly.
    A scatter with few degrees of freedom f has f / (f - 2) times its variance (JCGM 101:2008, 6.4.9).
    """
    components = len(cycle.weights)
    mean = np.zeros((len(CAUSES), components))
    covariance = np.zeros((len(CAUSES), len(CAUSES), components))
    common = cycle.weights.sum(axis=1)
    radius = shop.calibration == "radius" and not cycle.axial
    each = shop.calibration == "per_direction"
    mean_weight = np.zeros(components) if radius or each else common
    if cycle.axial:
        mean[MEAN] = mean_weight * curve.z_pretravel_mm
    else:
        turning = slice(ORIENTATION + 1)
        mean[turning], covariance[turning, turning] = _turning(cycle, curve, shop, mean_weight)
        mean[REVERSAL] = cycle.weights @ reversal_mm(shop, cycle.azimuth_deg)
        if radius:
            mean[REVERSAL] -= common * reversal_mm(shop, calibration_azimuths(shop)).mean()
        if each:
            mean[REVERSAL] = 0.0
    one = touch_sd_mm(cycle, curve) ** 2 * (1.0 if np.isinf(curve.dof) else curve.dof / (curve.dof - 2))
    rounding = shop.step_mm**2 / 12
    squares = (cycle.weights**2).sum(axis=1)
    covariance[SCATTER, SCATTER] = squares * one / shop.repeats
    covariance[RESOLUTION, RESOLUTION] = squares * rounding
    covariance[CALIBRATION, CALIBRATION] = _calibration_variance(
        cycle, shop, one / shop.calibration_repeats + rounding
    )
    if not shop.return_one_way:
        covariance[RETURN, RETURN] = cycle.axes**2 @ (np.array(shop.reversal_mm) / 2) ** 2
    return Moments(mean, covariance, _sizes(cycle, curve, shop, one), mean_weight)


def draw_errors(
    cycle: Cycle, curve: ProbeCurve, shop: Shop, trials: int = TRIALS, seed: int = SEED
) -> Floats:
    """Errors of settings drawn at random, shape (trials, components), mm.

    Notes
    -----
    Each touch is drawn by itself (JCGM 101:2008, clause 7); nothing is shared with `moments`. Every
    input has its own stream of random numbers, so that two habits meet the same chance.
    """

    def stream(number: int) -> np.random.Generator:
        return np.random.default_rng((seed, number))

    touches = len(cycle.azimuth_deg)
    sd = np.full((trials, 1), touch_sd_mm(cycle, curve))
    if np.isfinite(curve.dof):
        sd *= np.sqrt(curve.dof / stream(0).chisquare(curve.dof, (trials, 1)))
    scatter = sd / np.sqrt(shop.repeats) * stream(1).standard_normal((trials, touches))
    rounding = shop.step_mm * (stream(2).random((trials, touches)) - 0.5)
    found = _touch_draws(cycle, curve, shop, trials, stream) + scatter + rounding
    found -= _calibration_draws(cycle, curve, shop, sd, stream)
    error = found @ cycle.weights.T
    if not shop.return_one_way:
        side = np.where(stream(3).random((trials, 2)) < 0.5, -0.5, 0.5)
        error += (side * np.array(shop.reversal_mm)) @ cycle.axes.T
    return np.asarray(error)


def error95(errors: Floats) -> tuple[float, float]:
    """The 95 % point of the length of the errors, and its standard error by order statistics."""
    length = np.sort(np.hypot.reduce(errors, axis=1))
    count = len(length)
    spread = np.sqrt(COVERED * (1 - COVERED) / count)
    low, middle, high = np.quantile(length, [COVERED - spread, COVERED, min(COVERED + spread, 1.0)])
    return float(middle), float((high - low) / 2)


def split_curves(curve: ProbeCurve) -> tuple[Floats, Floats]:
    """Means of the curves (draws,), 0 where they aren't known, and the curves without them."""
    draws = np.asarray(curve.draws_mm, dtype=float)
    means = draws.mean(axis=1)
    return (means if curve.mean_known else np.zeros_like(means)), draws - means[:, None]


def reversal_mm(shop: Shop, azimuth_deg: Floats) -> Floats:
    """Over-travel by reversal, (b_x/2) |cos| + (b_y/2) |sin|."""
    return np.asarray(np.abs(unit_vectors(azimuth_deg)) @ np.array(shop.reversal_mm) / 2)


def calibration_azimuths(shop: Shop) -> Floats:
    """Directions of motion of the "radius" calibration."""
    steps = np.arange(shop.calibration_touches) / shop.calibration_touches
    return np.asarray(shop.calibration_start_deg + 360.0 * steps)


def touch_sd_mm(cycle: Cycle, curve: ProbeCurve) -> float:
    """Standard deviation of one touch of the cycle."""
    return curve.z_sd_mm if cycle.axial and curve.z_sd_mm is not None else curve.sd_mm


def look_up(curves_mm: Floats, azimuth_deg: Floats, row: NDArray[np.intp] | None = None) -> Floats:
    """Curves at azimuths, linear between the points of the grid.

    Without ``row`` each curve at all azimuths, (curves, *azimuths); with it curve ``row`` of each trial
    at the azimuths of the trial, (trials, touches).
    """
    grid = curves_mm.shape[1]
    place = np.mod(azimuth_deg / 360.0 * grid, grid)
    # A tiny negative angle is rounded to the whole turn.
    low = np.floor(place).astype(np.intp)
    part = place - low
    low, high = low % grid, (low + 1) % grid
    rows: NDArray[np.intp] | slice = slice(None) if row is None else row[:, None]
    return np.asarray(curves_mm[rows, low] * (1 - part) + curves_mm[rows, high] * part)


def _turning(cycle: Cycle, curve: ProbeCurve, shop: Shop, mean_weight: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of the causes up to ``ORIENTATION``, those that turn with the spindle."""
    means, shapes = split_curves(curve)
    pull = means[:, None] * mean_weight
    if curve.runout_azimuth_deg is not None:
        ball = curve.runout_mm * unit_vectors([curve.runout_azimuth_deg])
        return _turning_moments(cycle, shop, shapes, pull, ball)
    with_curve = _turning_moments(cycle, shop, shapes, pull, np.zeros((1, 2)))
    ball = curve.runout_mm * np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    none = np.zeros((1, shapes.shape[1]))
    with_ball = _turning_moments(cycle, shop, none, np.zeros((1, len(mean_weight))), ball)
    # The azimuth of the ball has mean 0 and knows nothing of the curve: no cross terms.
    return with_curve[0] + with_ball[0], with_curve[1] + with_ball[1]


def _turning_moments(
    cycle: Cycle, shop: Shop, shapes: Floats, pull: Floats, ball: Floats
) -> tuple[Floats, Floats]:
    """Moments over equally likely rows: curves (rows, grid) or places of the ball (rows, 2)."""
    rows, components = max(len(shapes), len(ball)), len(cycle.weights)
    parts = _parts(cycle, shop)
    turn = np.zeros(1)
    if shop.orientation == "random":
        grid = shapes.shape[1]
        points = grid * int(np.ceil(TURN_POINTS / grid))
        turn = np.arange(points) * 360.0 / points
    nominal = np.zeros((2, rows, components, len(turn)))
    shift = np.zeros((rows, components, len(turn)))
    variance = np.zeros(components)
    for part, stays in parts:
        angles = np.full(1, part.angle_deg) if stays else part.angle_deg + turn
        values = _part_values(part, angles, shapes, ball)
        nominal += values
        if stays or shop.orientation == "fixed":
            moved, spread = _shifted_fixed(part, shop.orientation_sd_deg, values, shapes, ball)
        elif part.angle_deg:
            # Against the first standing: two scatters; the first one is lost in the random angle.
            moved, spread = _shifted_turn(values.sum(axis=0), np.sqrt(2) * shop.orientation_sd_deg)
        else:
            continue
        shift += moved
        variance += spread
    samples = np.zeros((ORIENTATION + 1, components, rows * len(turn)))
    flat = nominal.transpose(0, 2, 1, 3).reshape(2, components, -1)
    samples[LOBING], samples[RUNOUT] = flat[0], flat[1]
    samples[MEAN] = np.broadcast_to(pull.T[:, :, None], (components, rows, len(turn))).reshape(components, -1)
    samples[ORIENTATION] = shift.transpose(1, 0, 2).reshape(components, -1)
    mean = samples.mean(axis=-1)
    centred = samples - mean[..., None]
    covariance = np.einsum("acs,bcs->abc", centred, centred) / centred.shape[-1]
    covariance[ORIENTATION, ORIENTATION] += variance
    return mean, covariance


def _parts(cycle: Cycle, shop: Shop) -> list[tuple[_Part, bool]]:
    """Standings of the spindle, and whether it stands at the mark whatever the orientation later."""
    found = []
    for turned in (0, 1):
        chosen = cycle.turned == turned
        if chosen.any():
            part = _Part(cycle.azimuth_deg[chosen], cycle.weights[:, chosen], 180.0 * turned)
            found.append((part, False))
    if shop.calibration == "radius":
        azimuth = calibration_azimuths(shop)
        weights = np.repeat(-cycle.weights.sum(axis=1, keepdims=True) / len(azimuth), len(azimuth), axis=1)
        found.append((_Part(azimuth, weights, 0.0), True))
    elif shop.calibration == "per_direction":
        found.append((_Part(cycle.azimuth_deg, -cycle.weights, 0.0), True))
    return found


def _part_values(part: _Part, angles_deg: Floats, shapes: Floats, ball: Floats) -> Floats:
    """Lobing and run-out of a part at spindle angles, (2, rows, components, angles)."""
    seen = part.azimuth_deg[:, None] - angles_deg[None, :]
    bending = np.einsum("ct,rta->rca", part.weights, look_up(shapes, seen))
    towards = unit_vectors(seen.ravel()).reshape(*seen.shape, 2)
    offset = -np.einsum("ct,tax,rx->rca", part.weights, towards, ball, optimize=True)
    rows = max(len(bending), len(offset))
    return np.stack([np.broadcast_to(each, (rows, *each.shape[1:])) for each in (bending, offset)])


def _shifted_fixed(
    part: _Part, sd_deg: float, values: Floats, shapes: Floats, ball: Floats
) -> tuple[Floats, Floats]:
    """Mean shift (rows, components, 1) and variance (components,) by a normal error of the angle."""
    moved = _part_values(part, part.angle_deg + sd_deg * NORMAL_STEPS, shapes, ball) - values
    total = moved.sum(axis=0)
    mean = total @ NORMAL_WEIGHTS
    variance = (total - mean[..., None]) ** 2 @ NORMAL_WEIGHTS
    return np.asarray(mean[..., None]), np.asarray(variance.mean(axis=0))


def _shifted_turn(values: Floats, sd_deg: float) -> tuple[Floats, Floats]:
    """The same for a part that stands anywhere in the turn, (rows, components, angles)."""
    points = values.shape[-1]
    orders = np.arange(points // 2 + 1)
    damping = np.exp(-((orders * np.deg2rad(sd_deg)) ** 2) / 2)
    smooth = np.fft.irfft(np.fft.rfft(values) * damping, points)
    square = 2 * (values * (values - smooth)).mean(axis=(0, 2))
    shift = smooth - values
    return np.asarray(shift), np.asarray(square - (shift**2).mean(axis=(0, 2)))


def _calibration_variance(cycle: Cycle, shop: Shop, one_mm2: float) -> Floats:
    """Variance by the chance of the calibration; ``one_mm2`` is that of one of its directions."""
    common = cycle.weights.sum(axis=1)
    if shop.calibration == "per_direction":
        if cycle.axial:
            return np.asarray((cycle.weights**2).sum(axis=1) * one_mm2)
        place = cycle.weights @ unit_vectors(cycle.azimuth_deg)
        return np.asarray(
            (cycle.weights**2).sum(axis=1) * one_mm2
            + common**2 * shop.reference_u_mm**2
            + (place**2).sum(axis=1) * shop.reference_centre_u_mm**2
        )
    if shop.calibration == "radius" and not cycle.axial:
        return np.asarray(common**2 * (one_mm2 / shop.calibration_touches + shop.reference_u_mm**2))
    return np.zeros_like(common)


def _sizes(cycle: Cycle, curve: ProbeCurve, shop: Shop, one_mm2: float) -> Floats:
    gain = float(np.abs(cycle.weights).sum())
    means, shapes = split_curves(curve)
    # Rounding leaves a trace of a mean or a swing that a curve does not have.
    swing, level = (
        s if s > 1e-12 * np.abs(curve.draws_mm).max() else 0.0
        for s in (np.abs(shapes).max(), np.abs(means).max())
    )
    size = np.zeros(len(CAUSES))
    largest = float(np.abs(shop.reversal_mm).max())
    if cycle.axial:
        size[MEAN] = abs(curve.z_pretravel_mm)
    else:
        size[[LOBING, MEAN, RUNOUT]] = swing, level, curve.runout_mm
        size[ORIENTATION] = (swing + curve.runout_mm) * (shop.orientation_sd_deg > 0)
        size[REVERSAL] = largest
        size[RETURN] = 0.0 if shop.return_one_way else largest
    size[SCATTER], size[RESOLUTION] = np.sqrt(one_mm2), shop.step_mm
    if shop.calibration != "none" and not (cycle.axial and shop.calibration == "radius"):
        size[CALIBRATION] = max(
            np.sqrt(one_mm2), shop.step_mm, shop.reference_u_mm, shop.reference_centre_u_mm
        )
    # A return to a size makes no sense, so it is absent there and not cancelled.
    size[RETURN] *= float(np.abs(cycle.axes).max() > 0)
    return size * gain


def _touch_draws(cycle: Cycle, curve: ProbeCurve, shop: Shop, trials: int, stream: _Streams) -> Floats:
    """Over-travel of each touch without scatter and rounding, (trials, touches)."""
    if cycle.axial:
        return np.full((trials, 1), curve.z_pretravel_mm)
    angle = stream(5).normal(0.0, shop.orientation_sd_deg, (trials, 2)) + np.array([0.0, 180.0])
    if shop.orientation == "random":
        angle += 360.0 * stream(6).random((trials, 1))
    seen = cycle.azimuth_deg - angle[:, cycle.turned]
    return _sideways(curve, seen, trials, stream) + reversal_mm(shop, cycle.azimuth_deg)


def _sideways(curve: ProbeCurve, seen_deg: Floats, trials: int, stream: _Streams) -> Floats:
    """Pre-travel and run-out at the azimuths that the probe sees; the same probe at each call."""
    means, shapes = split_curves(curve)
    row = stream(7).integers(len(shapes), size=trials)
    if curve.runout_azimuth_deg is None:
        ball_deg = 360.0 * stream(8).random((trials, 1))
    else:
        ball_deg = np.full((trials, 1), curve.runout_azimuth_deg)
    offset = curve.runout_mm * np.cos(np.deg2rad(seen_deg - ball_deg))
    return np.asarray(means[row, None] + look_up(shapes, seen_deg, row) - offset)


def _calibration_draws(cycle: Cycle, curve: ProbeCurve, shop: Shop, sd: Floats, stream: _Streams) -> Floats:
    """What the calibration takes off each touch, (trials, touches or 1)."""
    trials = len(sd)
    if shop.calibration == "none" or (cycle.axial and shop.calibration == "radius"):
        return np.zeros((trials, 1))
    azimuth = cycle.azimuth_deg if shop.calibration == "per_direction" else calibration_azimuths(shop)
    chance = sd / np.sqrt(shop.calibration_repeats) * stream(9).standard_normal((trials, len(azimuth)))
    chance += shop.step_mm * (stream(10).random((trials, len(azimuth))) - 0.5)
    if cycle.axial:
        return np.asarray(curve.z_pretravel_mm + chance)
    angle = stream(11).normal(0.0, shop.orientation_sd_deg, (trials, 1))
    found = _sideways(curve, azimuth - angle, trials, stream) + reversal_mm(shop, azimuth) + chance
    found += stream(12).normal(0.0, shop.reference_u_mm, (trials, 1))
    if shop.calibration == "radius":
        return np.asarray(found.mean(axis=1, keepdims=True))
    place = stream(13).normal(0.0, shop.reference_centre_u_mm, (trials, 2))
    return np.asarray(found + place @ unit_vectors(azimuth).T)
