"""The three-arm shape that turns with the probe, found beside any fixed curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from probetest.statistics.curve_posterior import span_basis, without
from probetest.statistics.machine import reversal_columns
from probetest.statistics.seat import MAX_PAIR_RATIO, seat_shape
from probetest.statistics.turns import Stack, wave_columns

Floats = NDArray[np.float64]

GRID_DEG = np.arange(0.0, 360.0, 1.0)
"""Azimuths at which curves are given; those of a probe are moved onto its arms, where it peaks."""

CLEAR = 12.0
"""A three-arm shape that takes less than this many variances off the misfit is left to the waves."""

TURN_DEG, STRETCH = 0.5, 0.01
"""Half-steps of arm azimuth and pair ratio for the slopes of a shape."""

PAIR_SD = 0.1
"""How far the contact pairs of a seat may lie from the fitted ones, where the readings do not tell."""

TRIED_ARMS_DEG = np.arange(0.0, 120.0, 1.0)
TRIED_RATIOS = np.array([0.0, 0.04, 0.08, 0.13, 0.2, 0.3])
"""Shapes that are tried before the best is refined."""


GRID_LEVEL = span_basis(np.column_stack([np.ones(len(GRID_DEG)), wave_columns(GRID_DEG, [1])]))
"""Constant and first order on the grid, moved or not: neither belongs to a curve."""


@dataclass(frozen=True, eq=False, slots=True)
class TurnedShape:
    """The three-arm shape found, and what moves it.

    Attributes
    ----------
    size_mm, arm_deg, pair_ratio : float
    known_sd : numpy.ndarray
        How far the slopes may go beforehand.
    seen, shown : numpy.ndarray
        Slopes with size, arm azimuth and contact pairs, at the means (weighted) and on the grid.
    grid_deg : numpy.ndarray
        Body azimuths, the arms among them.
    """

    size_mm: float
    arm_deg: float
    pair_ratio: float
    known_sd: Floats
    seen: Floats
    shown: Floats
    grid_deg: Floats

    def at(self, body_deg: Floats) -> Floats:
        """The shape in mm, constant and first order as they are."""
        return self.size_mm * seat_shape(body_deg, self.arm_deg, self.pair_ratio)

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

    def column(arm_deg: float, ratio: float) -> Floats:
        return without(known, seat_shape(stack.body_deg, arm_deg, ratio) * stack.root)

    def cost(place: Floats) -> float:
        one = column(float(place[0]), float(place[1]))
        return -(max(0.0, float(one @ aim)) ** 2) / float(one @ one)

    ratio, arm = divmod(int(gain.argmax()), len(TRIED_ARMS_DEG))
    start = np.array([TRIED_ARMS_DEG[arm], TRIED_RATIOS[ratio]])
    found = optimize.minimize(
        cost,
        start,
        method="Nelder-Mead",
        bounds=optimize.Bounds(np.array([-np.inf, 0.0]), np.array([np.inf, MAX_PAIR_RATIO])),
        options={
            "initial_simplex": start + np.array([[0.0, 0.0], [0.7, 0.0], [0.0, 0.02]]),
            "xatol": 1e-4,
            "fatol": 1e-6 * sd_mm**2,
        },
    )
    arm_deg, pair = float(found.x[0]), float(found.x[1])
    one = column(arm_deg, pair)
    size = float(one @ aim) / float(one @ one)

    def slopes(azimuth_deg: Floats) -> Floats:
        def shape(arm_deg: float, ratio: float) -> Floats:
            return seat_shape(azimuth_deg, arm_deg, ratio)

        turned = shape(arm_deg + TURN_DEG, pair) - shape(arm_deg - TURN_DEG, pair)
        paired = shape(arm_deg, pair + STRETCH) - shape(arm_deg, max(0.0, pair - STRETCH))
        return np.column_stack([shape(arm_deg, pair), size * turned, size * paired])

    seen = slopes(stack.body_deg) * stack.root[:, None]
    known = np.array([np.inf, np.inf, PAIR_SD / (min(pair, STRETCH) + STRETCH)])
    grid = GRID_DEG + arm_deg % 1.0
    return TurnedShape(size, arm_deg % 120, pair, known, seen, without(GRID_LEVEL, slopes(grid)), grid)
