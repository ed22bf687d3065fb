"""The three-arm shape that turns with the probe, found beside any fixed curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from probetest.statistics.curve_posterior import span_basis, without
from probetest.statistics.machine import reversal_columns
from probetest.statistics.seat import MAX_PAIR_RATIO, seat_shape
from probetest.statistics.turns import Stack, wave_columns

Floats = NDArray[np.float64]

GRID_DEG = np.arange(0.0, 360.0, 1.0)
"""Azimuths at which curves are given."""

FINE_DEG = np.arange(0.0, 360.0, 0.05)
"""Where the peaks of a shape are looked for: a seat has cusps, which a grid misses."""

CLEAR = 12.0
"""A three-arm shape that takes less than this many variances off the misfit is left to the waves."""

TURN_DEG, STRETCH = 0.5, 0.01
"""Half-steps of arm azimuth and pair ratio for the slopes of a shape."""

FOR_GAINS = 15
"""Fewer direction means, beside what else is in them, show no gains of single arms."""

LARGEST = 4.0
"""A size is at most so many times that of the equal arms that fit best."""

GAIN_SD, GAIN_STEP = 0.2, 0.02
"""How far the gain of an arm is expected from 1 (its logarithm), and half of the step for its slope."""

USUAL_PAIR, PAIR_SD = 0.1, 0.1
"""Contact pairs that are usual, and how far a seat may lie from them, where the readings do not tell."""

TRIED_ARMS_DEG = np.arange(0.0, 120.0, 1.0)
TRIED_RATIOS = np.array([0.0, 0.04, 0.08, 0.13, 0.2, 0.3])
"""Shapes that are tried before the best is refined."""


GRID_LEVEL = span_basis(np.column_stack([np.ones(len(GRID_DEG)), wave_columns(GRID_DEG, [1])]))
"""Constant and first order on the grid: neither belongs to a curve."""


def levelled(azimuth_deg: Floats, values: Floats) -> Floats:
    """Values at the grid and at azimuths behind it, less constant and first order of the grid."""
    columns = np.column_stack([np.ones(len(azimuth_deg)), wave_columns(azimuth_deg, [1])])
    grid = len(GRID_DEG)
    size = np.linalg.lstsq(columns[:grid], values[:grid], rcond=None)[0]
    return np.asarray(values - columns @ size)


@dataclass(frozen=True, slots=True)
class Seat:
    """A three-arm shape whose arms may open at different forces.

    Attributes
    ----------
    size_mm : float
        Pre-travel with the force along an arm of gain 1.
    arm_deg : float
        Azimuth of the first arm.
    pair_ratio : float
    gains : tuple of float
        Share of the force at which each arm opens, the first arm's first.
    """

    size_mm: float
    arm_deg: float
    pair_ratio: float
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)

    @property
    def stretch(self) -> float:
        """Width of the step in the pair ratio; none may be below 0."""
        return min(self.pair_ratio, STRETCH) + STRETCH

    def at(self, azimuth_deg: Floats) -> Floats:
        """Pre-travel in mm by approach azimuth."""
        return self.size_mm * seat_shape(azimuth_deg, self.arm_deg, self.pair_ratio, self.gains)

    def named_from_zero(self) -> Seat:
        """The same seat with its first arm within a third of a turn from 0."""
        thirds = int(self.arm_deg // 120)
        gains = tuple(self.gains[(arm - thirds) % 3] for arm in range(3))
        return replace(self, arm_deg=self.arm_deg - 120 * thirds, gains=(gains[0], gains[1], gains[2]))

    def peaks_deg(self) -> Floats:
        """Azimuths of the latest trigger between each two arms."""
        values = self.at(FINE_DEG)
        peak = (values >= np.roll(values, 1)) & (values > np.roll(values, -1))
        return FINE_DEG[peak]

    def slopes(self, azimuth_deg: Floats) -> Floats:
        """What moves the shape: size, arm azimuth, contact pairs, gain of each arm."""

        def between(first: Seat, second: Seat) -> Floats:
            return first.at(azimuth_deg) - second.at(azimuth_deg)

        turned = (replace(self, arm_deg=self.arm_deg + step) for step in (TURN_DEG, -TURN_DEG))
        ratio = self.pair_ratio
        paired = (replace(self, pair_ratio=max(0.0, ratio + step)) for step in (STRETCH, -STRETCH))
        columns = [replace(self, size_mm=1.0).at(azimuth_deg), between(*turned), between(*paired)]
        for arm in range(3):
            changed = []
            for step in (GAIN_STEP, -GAIN_STEP):
                gains = list(self.gains)
                gains[arm] *= np.exp(step)
                changed.append(replace(self, gains=(gains[0], gains[1], gains[2])))
            columns.append(between(*changed))
        return np.column_stack(columns)


@dataclass(frozen=True, eq=False, slots=True)
class TurnedShape:
    """The three-arm shape found, and what moves it.

    Attributes
    ----------
    seat : Seat
    known_sd : numpy.ndarray
        How far the slopes may go beforehand.
    seen, shown : numpy.ndarray
        Slopes with size, arm azimuth, contact pairs and gains, at the means (weighted) and on the grid.
    grid_deg : numpy.ndarray
        Body azimuths: the grid, and behind it those of the peaks.
    """

    seat: Seat
    known_sd: Floats
    seen: Floats
    shown: Floats
    grid_deg: Floats

    def at(self, body_deg: Floats) -> Floats:
        """The shape in mm, constant and first order as they are."""
        return self.seat.at(body_deg)

    def beyond(self, body_deg: Floats, orders: Sequence[int]) -> Floats:
        """The shape less its waves of these orders, constant and first order."""
        orders = [1, *orders]
        constant_first = np.column_stack([np.ones(len(GRID_DEG)), wave_columns(GRID_DEG, orders)])
        size = np.linalg.lstsq(constant_first, self.at(GRID_DEG), rcond=None)[0]
        return np.asarray(self.at(body_deg) - size[0] - wave_columns(body_deg, orders) @ size[1:])


def find_shape(stack: Stack, machine_orders: Sequence[int] | None, sd_mm: float) -> TurnedShape | None:
    """Least-squares three-arm shape, None where none stands out.

    Parameters
    ----------
    stack : Stack
    machine_orders : sequence of int or None
        Waves of a machine that may lie under it, a reversal value too; None: there is no machine.
    sd_mm : float
        Scatter of one touch.
    """
    machine = [] if machine_orders is None else [stack.of_machine(machine_orders), reversal_columns(stack)]
    known = span_basis(stack.level, *machine)
    aim = without(known, stack.target)
    tried = np.array(
        [seat_shape(stack.body_deg - TRIED_ARMS_DEG[:, None], 0.0, ratio) for ratio in TRIED_RATIOS]
    )
    seen = without(known, (tried * stack.root).reshape(-1, len(aim)).T)
    length = np.linalg.norm(seen, axis=0)
    gain = np.where(length > 1e-6, aim @ seen / np.maximum(length, 1e-6), 0.0)
    if not gain.max() > np.sqrt(CLEAR) * sd_mm:
        return None

    ratio, arm = divmod(int(gain.argmax()), len(TRIED_ARMS_DEG))
    size = float(gain.max()) / float(length[int(gain.argmax())])
    start = Seat(size, TRIED_ARMS_DEG[arm], TRIED_RATIOS[ratio])
    equal = len(aim) - known.shape[1] < FOR_GAINS
    found = _refine(stack, known, aim, start, sd_mm, equal=equal).named_from_zero()
    grid = np.concatenate([GRID_DEG, found.peaks_deg()])
    moved = 3 if equal else 6
    known_sd = np.array([size, np.inf, PAIR_SD / found.stretch, *np.full(3, GAIN_SD / GAIN_STEP / 2)])
    return TurnedShape(
        seat=found,
        known_sd=known_sd[:moved],
        seen=found.slopes(stack.body_deg)[:, :moved] * stack.root[:, None],
        shown=levelled(grid, found.slopes(grid)[:, :moved]),
        grid_deg=grid,
    )


def _refine(stack: Stack, known: Floats, aim: Floats, start: Seat, sd_mm: float, *, equal: bool) -> Seat:
    """Least-squares shape near a start, its gains held near 1 by what is known beforehand, or at it."""
    scale = np.array([start.size_mm, 10.0, 0.1, 0.1, 0.1, 0.1])

    def seat(place: Floats) -> Seat:
        size, arm, ratio, *logs = place * scale
        gains = np.exp(logs)
        return Seat(size, start.arm_deg + arm, ratio, (gains[0], gains[1], gains[2]))

    def misfit(place: Floats) -> Floats:
        left = aim - without(known, seat(place).at(stack.body_deg) * stack.root)
        ratio, *logs = place[2:] * scale[2:]
        return np.concatenate([left / sd_mm, [(ratio - USUAL_PAIR) / PAIR_SD], np.array(logs) / GAIN_SD])

    first = np.array([1.0, 0.0, start.pair_ratio / scale[2], 0.0, 0.0, 0.0])
    lower = np.array([0.0, -6.0, 0.0, -10.0, -10.0, -10.0])
    upper = np.array([LARGEST, 6.0, MAX_PAIR_RATIO / scale[2], 10.0, 10.0, 10.0])
    if equal:
        lower[3:], upper[3:] = -1e-5, 1e-5
    found = optimize.least_squares(
        misfit,
        np.clip(first, lower + 1e-6, upper - 1e-6),
        bounds=(lower, upper),
        x_scale="jac",
        diff_step=np.full(len(first), 1e-4),
        xtol=1e-6,
        ftol=1e-8,
    )
    return seat(found.x)
