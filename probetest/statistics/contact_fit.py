"""Least-squares fit of a seat whose three arms open at shares of the force of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from probetest.errors import StatisticsError
from probetest.statistics.curve_posterior import span_basis, without
from probetest.statistics.lobing import Harmonic, describe_harmonic
from probetest.statistics.seat import MAX_PAIR_RATIO, seat_shape
from probetest.statistics.turned_shape import CLEAR, PAIR_SD, TRIED_ARMS_DEG, TRIED_RATIOS, USUAL_PAIR
from probetest.statistics.turns import Stack

Floats = NDArray[np.float64]

HEALTHY = 0.04
"""Logarithm of the share by which the arms of a healthy seat may differ: a spring 0.1 mm off the axis of a
seat of 7.5 mm radius loads the arms F/3 (1 + 2 e/R cos), one of them 3 e/R more than the others."""

LARGEST_GAIN = 0.7
"""Logarithm of the largest share that is tried."""

EQUAL = np.zeros(3)


@dataclass(frozen=True, eq=False, slots=True)
class Fitted:
    """A seat that was fitted.

    Attributes
    ----------
    place : numpy.ndarray
        Size in mm, arm azimuth in deg, pair ratio, then how far the gains go each of their ways.
    ways : numpy.ndarray, shape (3, ways)
        Ways in which the logarithms of the gains differ.
    offset : numpy.ndarray, shape (3,)
        Where they start from.
    misfit : float
        Sum of squares left, in variances of the scatter.
    """

    place: Floats
    ways: Floats
    offset: Floats
    misfit: float

    @property
    def logs(self) -> Floats:
        """Logarithms of the gains of the arms."""
        return np.asarray(self.offset + self.ways @ self.place[3:])


class SeatProblem:
    """Direction means with level, centre and machine projected out.

    Parameters
    ----------
    stack : Stack
    machine : numpy.ndarray, shape (means, columns)
        Weighted columns of what a machine may add.
    sd_mm : float
        Scatter of one touch.
    arm_deg : float or None
        Azimuth of an arm where it is stated.

    Raises
    ------
    StatisticsError
        Where means are too few.
    """

    def __init__(self, stack: Stack, machine: Floats, sd_mm: float, arm_deg: float | None) -> None:
        self.stack, self.sd_mm, self.arm_deg = stack, sd_mm, arm_deg
        self.known = span_basis(stack.level, machine)
        self.aim = without(self.known, stack.target)
        self.left = len(self.aim) - self.known.shape[1] - (5 if arm_deg is None else 4)
        if self.left < 1:
            raise StatisticsError(
                f"{len(self.aim)} direction means leave nothing to tell the gains of arms by beside "
                f"{len(self.aim) - self.left} other figures; touch from 24 directions"
            )

    def start(self) -> Floats:
        """Equal arms that fit best of those tried."""
        arms = TRIED_ARMS_DEG if self.arm_deg is None else np.array([self.arm_deg])
        tried = np.array([seat_shape(self.stack.body_deg - arms[:, None], 0.0, r) for r in TRIED_RATIOS])
        seen = without(self.known, (tried * self.stack.root).reshape(-1, len(self.aim)).T)
        length = np.maximum(np.linalg.norm(seen, axis=0), 1e-6)
        gain = np.where(length > 1e-6, self.aim @ seen / length, 0.0)
        best = int(gain.argmax())
        if not gain[best] > np.sqrt(CLEAR) * self.sd_mm:
            raise StatisticsError(
                "no three-arm shape stands out of the scatter, so that no arm can be told from the others"
            )
        ratio, arm = divmod(best, len(arms))
        return np.array([gain[best] / length[best], arms[arm], TRIED_RATIOS[ratio]])

    def one_arm(self, arm: int, free: Fitted) -> Fitted:
        """Only one arm differs."""
        way = (np.eye(3)[arm] - 1 / 3)[:, None]
        return self.fit(way, np.append(free.place[:3], 1.5 * free.logs[arm]))

    def at_border(self, free: Fitted, arm: int) -> float:
        """Misfit where one arm differs by no more than a healthy one, the others as they like."""
        border = np.copysign(HEALTHY, free.logs[arm])
        offset = border * (np.eye(3)[arm] - 1 / 3)
        ways = np.roll([0.0, 1.0, -1.0], arm)[:, None] / np.sqrt(2.0)
        start = np.append(free.place[:3], ways[:, 0] @ free.logs)
        return self.fit(ways, start, offset).misfit

    def fit(self, ways: Floats, start: Floats, offset: Floats = EQUAL) -> Fitted:
        """Least squares near a start."""
        scale = np.append([start[0], 10.0, 0.1], np.full(ways.shape[1], 0.1))
        middle = np.append([0.0, start[1], 0.0], np.zeros(ways.shape[1]))

        def place(scaled: Floats) -> Floats:
            return np.asarray(middle + scaled * scale)

        first = (start - middle) / scale
        lower = np.append([0.0, -4.0, 0.0], np.full(ways.shape[1], -10 * LARGEST_GAIN))
        upper = np.append([4.0, 4.0, MAX_PAIR_RATIO / scale[2]], np.full(ways.shape[1], 10 * LARGEST_GAIN))
        if self.arm_deg is not None:
            lower[1], upper[1] = -1e-9, 1e-9

        def rest(scaled: Floats) -> Floats:
            return self.rest(place(scaled), ways, offset)

        def slopes(scaled: Floats) -> Floats:
            return np.asarray(self.slopes(place(scaled), ways, offset) * scale)

        found = optimize.least_squares(
            rest,
            np.clip(first, lower + 1e-10, upper - 1e-10),
            jac=slopes,
            bounds=(lower, upper),
            x_scale=1.0,
            xtol=1e-7,
            ftol=1e-9,
        )
        return Fitted(place(found.x), ways, offset, float(2 * found.cost))

    def rest(self, place: Floats, ways: Floats, offset: Floats) -> Floats:
        """What is left, in the scatter of a mean; and how unusual the contact pairs are."""
        shape = self._shape(place, ways, offset)[0]
        left = self.aim - without(self.known, shape * self.stack.root)
        return np.append(left / self.sd_mm, (place[2] - USUAL_PAIR) / PAIR_SD)

    def slopes(self, place: Floats, ways: Floats, offset: Floats) -> Floats:
        """Derivatives of ``rest``."""
        _, moves = self._shape(place, ways, offset)
        seen = -without(self.known, moves * self.stack.root[:, None]) / self.sd_mm
        pairs = np.zeros(seen.shape[1])
        pairs[2] = 1 / PAIR_SD
        return np.vstack([seen, pairs])

    def _shape(self, place: Floats, ways: Floats, offset: Floats) -> tuple[Floats, Floats]:
        """Pre-travel in each direction, as `seat_shape` gives it, and how it moves with the figures."""
        size, arm_deg, ratio = place[:3]
        logs = offset + ways @ place[3:]
        psi = np.deg2rad(self.stack.body_deg[:, None] + 180.0 - (arm_deg + np.array([0.0, 120.0, 240.0])))
        lever = np.cos(psi) + ratio * np.abs(np.sin(psi))
        first = (lever / np.exp(logs)).argmax(axis=1)
        rows = np.arange(len(first))
        lever, psi = lever[rows, first], psi[rows, first]
        shape = size * np.sqrt(1 + ratio**2) * np.exp(logs[first]) / lever
        turned = ratio * np.sign(np.sin(psi)) * np.cos(psi) - np.sin(psi)
        moves = [
            shape / size if size else np.sqrt(1 + ratio**2) * np.exp(logs[first]) / lever,
            shape * turned / lever * np.pi / 180,
            shape * (ratio / (1 + ratio**2) - np.abs(np.sin(psi)) / lever),
        ]
        return shape, np.column_stack([*moves, shape[:, None] * ways[first]])

    def beyond_border(self, free: Fitted, arm: int) -> float:
        """How far an arm lies beyond the healthy border, in standard errors; below 0 within it."""
        if abs(1.5 * free.logs[arm]) <= HEALTHY:
            return -np.inf
        return float(np.sqrt(max(0.0, self.at_border(free, arm) - free.misfit)))

    def lobe(self, variance: float, dof: float) -> Harmonic:
        """Third order of the curve, by itself beside level, centre and machine."""
        seen = without(self.known, self.stack.of_probe([3]))
        size = np.linalg.lstsq(seen, self.aim, rcond=None)[0]
        spread = np.linalg.pinv(seen.T @ seen) * variance * self.sd_mm**2
        return describe_harmonic(3, np.asarray(size), np.asarray(spread), dof)

    def covariance(self, fitted: Fitted) -> Floats:
        """Of size, arm azimuth, pair ratio and ways, for a scatter of 1."""
        jacobian = self.slopes(fitted.place, fitted.ways, fitted.offset)
        kept = np.delete(np.arange(jacobian.shape[1]), [] if self.arm_deg is None else [1])
        jacobian = jacobian[:, kept]
        information = jacobian.T @ jacobian
        length = np.sqrt(np.diag(information))
        scaled = information / np.outer(length, length)
        if not np.linalg.cond(scaled) < 1e12:
            raise StatisticsError(
                "these directions can't tell the gains of the arms from the rest of the curve"
            )
        whole = np.zeros((len(fitted.place), len(fitted.place)))
        whole[np.ix_(kept, kept)] = np.linalg.inv(scaled) / np.outer(length, length)
        return whole
