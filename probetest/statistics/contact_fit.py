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

LARGEST_GAIN = 1.0
"""Logarithm of the largest share that is tried, along each way in which gains differ."""

CLOUD, KEPT, STEPS = 200, 5, 12
"""Seats that are tried beside a start for each way in which gains differ, the best of them that are refined,
and by how many steps."""

CLOUD_DEG, CLOUD_RATIO, CLOUD_LOG = 15.0, 0.3, 0.4
"""How far they lie about the start: arm azimuth and gains either way, contact pairs from 0."""

SETTLED = 0.003
"""A step that takes less than this many variances off the misfit is the last one."""

DAMPED = 5.0
"""Factor by which a refused step is damped more, and one that was taken less."""

EQUAL = np.zeros(3)
THIRDS = np.exp(2j * np.pi / 3 * np.arange(3))[:, None, None]
"""Where the arms stand against the first."""


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
                f"{len(self.aim)} directions are too few to tell the arms apart beside "
                f"{len(self.aim) - self.left} other figures; touch from 24 or more, 10 times each"
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
        return self.search(way, np.append(free.place[:3], 1.5 * free.logs[arm]))

    def at_border(self, free: Fitted, arm: int) -> float:
        """Misfit where one arm differs by no more than a healthy one, the others as they like."""
        border = np.copysign(HEALTHY, free.logs[arm])
        offset = border * (np.eye(3)[arm] - 1 / 3)
        ways = np.roll([0.0, 1.0, -1.0], arm)[:, None] / np.sqrt(2.0)
        start = np.append(free.place[:3], ways[:, 0] @ free.logs)
        return self.search(ways, start, offset).misfit

    def search(self, ways: Floats, start: Floats, offset: Floats = EQUAL) -> Fitted:
        """Least squares of all that a cloud about a start leads to.

        Wherever the border between two arms crosses a direction the misfit has a kink, and many of these
        hold a minimum of their own.
        """
        tried = np.vstack([start, self._cloud(ways, start, offset)])
        return self.fit(ways, self._walked(tried, ways, offset), offset)

    def _cloud(self, ways: Floats, start: Floats, offset: Floats) -> Floats:
        """The best of seats spread evenly about a start, each of the size that suits it."""
        count = ways.shape[1] + 2
        # Powers of the root of x**(d+1) = x + 1 spread points evenly over a cube of d sides.
        root = 2.0
        for _ in range(40):
            root = (1 + root) ** (1 / (count + 1))
        numbers = np.arange(1, CLOUD * ways.shape[1] + 1)[:, None]
        cube = np.mod(numbers * root ** -np.arange(1.0, count + 1), 1.0)
        place = np.ones((len(cube), count + 1))
        place[:, 1] = start[1] + (CLOUD_DEG * (2 * cube[:, 0] - 1) if self.arm_deg is None else 0.0)
        place[:, 2] = CLOUD_RATIO * cube[:, 1]
        place[:, 3:] = start[3:] + CLOUD_LOG * (2 * cube[:, 2:] - 1)
        lever = self._carried(place, ways, offset)[2].max(axis=0) / np.sqrt(1 + place[:, 2:3] ** 2)
        seen = without(self.known, (self.stack.root / lever).T)
        place[:, 0] = np.maximum(self.aim @ seen / np.maximum((seen**2).sum(axis=0), 1e-12), start[0] / 5)
        left = (self.aim[:, None] - seen * place[:, 0]) / self.sd_mm
        misfit = (left**2).sum(axis=0) + ((place[:, 2] - USUAL_PAIR) / PAIR_SD) ** 2
        return np.asarray(place[np.argsort(misfit, kind="stable")[:KEPT]])

    def _walked(self, place: Floats, ways: Floats, offset: Floats) -> Floats:
        """The best that damped steps of least squares lead to from several places at once."""
        far = np.full(ways.shape[1], LARGEST_GAIN)
        lower, upper = np.append([0.0, -np.inf, 0.0], -far), np.append([np.inf, np.inf, MAX_PAIR_RATIO], far)
        still = np.arange(place.shape[1]) == (-1 if self.arm_deg is None else 1)

        def look(at: Floats) -> tuple[Floats, Floats, Floats]:
            rest, slopes = self._rests(at, ways, offset)
            return rest, np.where(still, 0.0, slopes), (rest**2).sum(axis=1)

        place = np.clip(place, lower, upper)
        rest, slopes, misfit = look(place)
        damping = np.full(len(place), 0.01)
        for _ in range(STEPS):
            bent = slopes.transpose(0, 2, 1) @ slopes
            size = np.einsum("sii->si", bent)
            added = damping[:, None] * size + 1e-12 * size.max(axis=1, keepdims=True) + still
            step = np.linalg.solve(
                bent + added[:, :, None] * np.eye(len(still)), slopes.transpose(0, 2, 1) @ rest[:, :, None]
            )
            there = np.clip(place - step[:, :, 0], lower, upper)
            seen = look(there)
            taken = seen[2] < misfit
            settled = np.where(taken, misfit - seen[2] < SETTLED, damping > 10.0)
            place = np.where(taken[:, None], there, place)
            rest = np.where(taken[:, None], seen[0], rest)
            slopes = np.where(taken[:, None, None], seen[1], slopes)
            misfit = np.where(taken, seen[2], misfit)
            damping = np.where(taken, damping / DAMPED, damping * DAMPED)
            if settled.all():
                break
        return np.asarray(place[misfit.argmin()])

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
            xtol=1e-6,
            ftol=1e-8,
        )
        return Fitted(place(found.x), ways, offset, float(2 * found.cost))

    def rest(self, place: Floats, ways: Floats, offset: Floats) -> Floats:
        """What is left, in the scatter of a mean; and how unusual the contact pairs are."""
        return np.asarray(self._rests(place[None], ways, offset)[0][0])

    def slopes(self, place: Floats, ways: Floats, offset: Floats) -> Floats:
        """Derivatives of ``rest``."""
        return np.asarray(self._rests(place[None], ways, offset)[1][0])

    def _rests(self, place: Floats, ways: Floats, offset: Floats) -> tuple[Floats, Floats]:
        """Both for several places at once, shapes (places, means + 1) and (places, means + 1, figures)."""
        shape, moves = self._shapes(place, ways, offset)
        root = self.stack.root
        left = self.aim[:, None] - without(self.known, (shape * root).T)
        seen = -without(self.known, moves * root[:, None])
        rest = np.column_stack([left.T / self.sd_mm, (place[:, 2] - USUAL_PAIR) / PAIR_SD])
        pairs = np.zeros((len(place), 1, place.shape[1]))
        pairs[:, :, 2] = 1 / PAIR_SD
        return rest, np.concatenate([seen / self.sd_mm, pairs], axis=1)

    def _shapes(self, place: Floats, ways: Floats, offset: Floats) -> tuple[Floats, Floats]:
        """Pre-travel in each direction, as `seat_shape` gives it, and how it moves with the figures."""
        size, ratio = place[:, :1], place[:, 2:3]
        along, across, shares = self._carried(place, ways, offset)
        first = shares.argmax(axis=0)
        along, across = np.choose(first, along), np.choose(first, across)
        lever = along + ratio * np.abs(across)
        unit = np.sqrt(1 + ratio**2) / np.choose(first, shares)
        shape = size * unit
        moves = [
            unit,
            shape * (ratio * np.sign(across) * along - across) / lever * np.pi / 180,
            shape * (ratio / (1 + ratio**2) - np.abs(across) / lever),
        ]
        return shape, np.concatenate([np.stack(moves, axis=2), shape[:, :, None] * ways[first]], axis=2)

    def _carried(self, place: Floats, ways: Floats, offset: Floats) -> tuple[Floats, Floats, Floats]:
        """Cosine and sine between force and each arm, and lever by gain; shapes (3, places, means)."""
        force, arm = np.deg2rad(self.stack.body_deg + 180.0), np.deg2rad(place[:, 1:2])
        cosine = np.cos(force) * np.cos(arm) + np.sin(force) * np.sin(arm)
        sine = np.sin(force) * np.cos(arm) - np.cos(force) * np.sin(arm)
        along = cosine * THIRDS.real + sine * THIRDS.imag
        across = sine * THIRDS.real - cosine * THIRDS.imag
        gains = np.exp(offset + place[:, 3:] @ ways.T).T[:, :, None]
        return along, across, (along + place[:, 2:3] * np.abs(across)) / gains

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
