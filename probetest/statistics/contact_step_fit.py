"""Least squares of steps of the centre beside direction means and drift, robust against far touches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval
from probetest.statistics.neighbours import direction_columns, whitened
from probetest.statistics.serial import serial_effect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

MOST_TIMES, SIDE, LEAST_DIRECTIONS = 60, 12, 4
"""So many times are tried, evenly, before the best is refined. A step needs so many touches before and
after it, to the ends of the test and to other steps, and so many directions touched before and after."""

LEAST_INFORMATION = 0.25
"""A time is tried only where the standard error of the step is at most 2 sd along any axis."""

LEAST_DOF = 10

DRAWN = 4.0
"""The scatter of a direction is drawn to that of all as if these touches more had the latter."""

SETTLING = (0.04, 0.15)
"""Time constants, in lengths of the test, of level changes that are fitted beside the cubic."""

LAGUERRE = np.polynomial.laguerre.laggauss(20)

CLIP, FAR, MOST_FAR, ROUNDS = 4.0, 6.0, 0.05, 12
"""Residuals count up to ``CLIP`` sd. Beyond ``FAR`` sd they don't count at all, unless there are more than
the share ``MOST_FAR``. Each round leaves about the share unknowns / touches of the way to go."""

SHARES = np.array([0.5, 0.9])
"""The sd is told from the residuals below which these shares of them lie, the larger of both."""

QUANTILES = special.ndtri((1 + SHARES) / 2)

TIME_DROP = float(-2 * np.log(1 - np.sqrt(0.95)))
"""Drop of twice the log-likelihood at the ends of the 95 % interval of the time: 7.35."""


class StepTouches:
    """The touches in order, and what is always fitted beside a step."""

    def __init__(self, readings: Floats, index: Indices, azimuths: Floats, orders: Floats) -> None:
        row = np.argsort(orders)
        self.orders, self.index, self.azimuths = orders[row], index[row], azimuths
        self.rounding = 1e-12 * float(np.abs(readings).max())
        self.values = readings[row] - np.median(readings)
        place = (self.orders - self.orders[0])[:, None] / (self.orders[-1] - self.orders[0])
        units = unit_vectors(azimuths)[self.index]
        self.shape = np.column_stack([np.ones(len(row)), units])
        self.marks = direction_columns(self.index)
        self.column = np.unique(self.index, return_inverse=True)[1]
        level = [(place - 0.5) ** np.arange(1, 4), np.exp(-place / np.array(SETTLING))]
        self.drift = np.column_stack([*level, (place - 0.5) * units, (place - 0.5) ** 2 * units])

    def stepped(self, times: Sequence[int] | Indices) -> Floats:
        """Level, x and y from each time on, shape (touches, 3 * times)."""
        after = np.arange(len(self.values))[:, None] >= np.asarray(times, dtype=np.intp)
        return np.asarray((after[:, :, None] * self.shape[:, None, :]).reshape(len(after), -1))

    def possible(self, times: Floats, known: Sequence[int]) -> Indices:
        """Times far enough from known steps, with enough directions on both sides."""
        ends = np.array([0, *known, len(self.values)])
        tried = np.unique(np.clip(np.round(times).astype(np.intp), 0, ends[-1]))
        tried = tried[np.abs(tried[:, None] - ends).min(axis=1) >= SIDE]
        later = np.searchsorted(ends, tried)
        touched = np.cumsum(self.marks > 0, axis=0)[np.r_[0, ends[1:] - 1, tried - 1]]
        touched[0] = 0
        so_far = touched[len(ends) :]
        both = (so_far > touched[later - 1]) & (touched[later] > so_far)
        return np.asarray(tried[both.sum(axis=1) >= LEAST_DIRECTIONS])


@dataclass(frozen=True, slots=True)
class StepScan:
    """F of x and y at each time, left-over squares, and orthonormal contrasts (times, touches, 2).

    ``safe`` is F, or less where directions with a large scatter make the step.
    """

    times: Indices
    f: Floats
    safe: Floats
    left: Floats
    dof: int
    contrasts: Floats
    information: Floats

    def best(self) -> tuple[int, float]:
        """Time of the largest F, and a bound of its chance."""
        place = int(self.safe.argmax())
        log_p = -self.dof / 2 * np.log1p(2 * self.safe[place] / self.dof)
        return int(self.times[place]), float(min(1.0, np.exp(log_p) * self.effective(-2 * log_p)))

    def effective(self, chi_square: float) -> float:
        """Bound of the chance at any time over the chance at one, for a chi-square."""
        cross = self.contrasts[:-1].swapaxes(1, 2) @ self.contrasts[1:]
        shared = np.clip(np.linalg.svd(cross, compute_uv=False)[:, -1:] ** 2, 0.0, 0.995)
        nodes, weights = LAGUERRE
        given = shared * (chi_square + 2 * nodes) / (1 - shared)
        return float(1 + (special.chndtr(chi_square / (1 - shared), 2.0, given) @ weights).sum())

    def detectable(self, risk: float, sd: float) -> float:
        """Length of a step in the middle half that is found with 90 %."""
        log_p = np.log(risk / len(self.times))
        log_p = np.log(risk / self.effective(-2 * log_p))
        needed = float(special.chndtrinc(-2 * log_p, 2.0, 0.1))
        middle = np.abs(self.times / self.contrasts.shape[1] - 0.5) <= 0.25
        return sd * float(np.sqrt(needed / self.information[middle].min())) if middle.any() else float("nan")


class StepFit:
    """All that is fitted beside the next step, known steps with it.

    ``like`` are values that are clipped already, and the correlation of neighbours.
    """

    def __init__(
        self, test: StepTouches, known: Iterable[int], like: tuple[Floats, float] | None = None
    ) -> None:
        self.test, self.known, self.scans = test, sorted(known), dict[int, StepScan]()
        beside = np.column_stack([test.drift, test.stepped(self.known)])
        basis = _basis(np.column_stack([test.marks, beside]))
        self.reason, self.correlation = "", 0.0
        self.far, counted = np.zeros(len(test.values), dtype=bool), 1.0
        self.dof = len(test.values) - basis.shape[1]
        if self.dof < LEAST_DOF + 3 and not self.known:
            self.reason = (
                f"directions and drift leave {self.dof} degrees of freedom, and {LEAST_DOF + 3} are needed"
            )
            return
        if like is None:
            tame, self.far, self.scale = _tamed(test.values, basis, test.rounding)
            scatters = self.scale > test.rounding
            if not scatters and not self.known:
                self.reason = "touches of a direction don't scatter: nothing to hold a step against"
                return
            self.beyond = test.values - basis @ (basis.T @ tame)
            counted = float((np.abs(self.beyond[~self.far]) <= CLIP * self.scale).mean())
            if scatters:
                serial = serial_effect(tame, test.index, test.azimuths, beside)
                self.correlation = serial.correlation if serial.significant else 0.0
        else:
            tame, self.correlation = like
        if self.correlation:
            basis = _basis(self.whiten(np.column_stack([test.marks, beside])))
        self.basis, self.tame, self.target = basis, tame, self.whiten(tame)
        self.dof -= int(self.far.sum())
        self.residual = self.target - basis @ (basis.T @ self.target)
        self.least = len(tame) * test.rounding**2
        self.left = max(float(self.residual @ self.residual), self.least)
        self.sd = float(np.sqrt(self.left / self.dof)) / counted
        self.touch_sd = self.sd / float(np.sqrt(1 - self.correlation**2))

    def whiten(self, columns: Floats) -> Floats:
        """Columns less the part that the correlation of neighbours foresees."""
        return whitened(columns, self.correlation) if self.correlation else columns

    def without(self, columns: Floats, basis: Floats) -> Floats:
        """Columns, whitened, less what a basis explains of them."""
        columns = self.whiten(columns)
        return np.asarray(columns - basis @ (basis.T @ columns))

    def scan(self, times: Floats) -> StepScan:
        """F-tests at those of the times that can tell a step."""
        tried = self.test.possible(times, self.known)
        stepped = self.without(self.test.stepped(tried), self.basis)
        stepped = stepped.reshape(len(self.residual), -1, 3).swapaxes(0, 1)
        level, centre = stepped[:, :, :1], stepped[:, :, 1:]
        size = np.sqrt((level**2).sum(axis=1, keepdims=True))
        level = level / np.where(size > 1e-6, size, np.inf)
        centre = centre - level * (level.swapaxes(1, 2) @ centre)
        strength, axes = np.linalg.eigh(centre.swapaxes(1, 2) @ centre)
        can = strength[:, 0] >= LEAST_INFORMATION
        contrasts = centre[can] @ (axes[can] / np.sqrt(strength[can])[:, None, :])
        along = self.residual @ contrasts
        gained = (along**2).sum(axis=1)
        left = np.maximum(self.left - (self.residual @ level[can])[:, 0] ** 2 - gained, self.least)
        dof = self.dof - 3
        f = gained / 2 / (left / dof)
        own = self._own_scatter(self.residual - (contrasts @ along[:, :, None])[:, :, 0])
        spread = contrasts.swapaxes(1, 2) @ (contrasts * own[:, :, None])
        shown = (along[:, None, :] @ np.linalg.solve(spread, along[:, :, None]))[:, 0, 0]
        safe = f * np.minimum(1.0, shown / np.maximum(gained, self.least))
        return StepScan(tried[can], f, safe, left, dof, contrasts, strength[can, 0])

    def _own_scatter(self, residual: Floats) -> Floats:
        """Variance of the direction of each touch over that of all, drawn to 1; both (times, touches)."""
        touched = (self.test.marks > 0).astype(float)
        counts = touched.sum(axis=0)
        squares = residual**2 @ touched
        mean = np.maximum(squares.sum(axis=1, keepdims=True) / len(touched), self.least)
        drawn = (squares / mean + DRAWN) / (counts + DRAWN)
        return np.asarray(drawn[:, self.test.column])

    def search(self) -> StepScan:
        """F-tests over the test, with the correlation that is left beside the likeliest step."""
        times = np.linspace(SIDE, len(self.far) - SIDE, MOST_TIMES)
        if not self.correlation:
            return self.scan(times)
        rough = StepFit(self.test, self.known, (self.tame, 0.0)).scan(times)
        if not len(rough.times):
            return rough
        beside = StepFit(self.test, [*self.known, rough.best()[0]])
        return StepFit(self.test, self.known, (self.tame, beside.correlation)).scan(times)

    def values(self) -> tuple[Floats, Floats]:
        """Level, x and y of each known step, shape (steps, 3), and the covariance of all."""
        bare = _basis(self.whiten(np.column_stack([self.test.marks, self.test.drift])))
        beside = self.without(self.test.stepped(self.known), bare)
        inverse = np.linalg.inv(beside.T @ beside)
        variance = self.sd**2 * len(self.far) / (len(self.far) - self.far.sum())
        return (inverse @ (beside.T @ self.target)).reshape(-1, 3), variance * inverse

    def near(self, time: int) -> StepScan:
        """Times near that of a known step; a touch there counts in full if it fits with or without it."""
        if time in self.scans:
            return self.scans[time]
        rows = np.arange(len(self.far))
        reach = max(2 * SIDE, -(-len(rows) // MOST_TIMES))
        effect = self.test.shape @ self.values()[0][self.known.index(time)]
        other = self.beyond + np.where(rows >= time, effect, -effect)
        switch = (np.abs(rows - time) <= reach) & (np.abs(other) < np.abs(self.beyond))
        nearest = np.where(switch, other, self.beyond)
        limit = CLIP * self.scale
        counts = np.where(self.far & (np.abs(nearest) > limit), 0.0, np.clip(nearest, -limit, limit))
        others = [known for known in self.known if known != time]
        rest = StepFit(self.test, others, (self.test.values - nearest + counts, self.correlation))
        self.scans[time] = rest.scan(np.arange(time - reach, time + reach + 1.0))
        return self.scans[time]

    def likeliest(self, time: int) -> int:
        """Time of least squares near that of a known step."""
        near = self.near(time)
        return int(near.times[near.left.argmin()]) if len(near.times) else time

    def after_interval(self, time: int) -> Interval:
        """Orders of the last touch before a known step."""
        near, orders = self.near(time), self.test.orders
        if not len(near.times):
            return Interval(-np.inf, np.inf)
        likely = near.times[near.left - near.left.min() <= TIME_DROP * near.left.min() / near.dof]
        return Interval(float(orders[likely[0] - 1]), float(orders[likely[-1] - 1]))

    def shape_p(self, time: int) -> float:
        """Chance that directions differ so much beyond the fit in what steps at a time."""
        later = (np.arange(len(self.residual)) >= time)[:, None]
        basis = _basis(self.without(self.test.marks * later, self.basis), 0.1)
        dof, own = self.dof - basis.shape[1], basis.shape[1]
        if not own or dof < LEAST_DOF:
            return float("nan")
        gained = float(((basis.T @ self.residual) ** 2).sum())
        return float(special.fdtrc(own, dof, gained / own / ((self.left - gained) / dof)))


def _basis(columns: Floats, least: float = 1e-7) -> Floats:
    """Orthonormal basis of what columns, taken to length 1 at most, span."""
    size = np.linalg.norm(columns, axis=0)
    left, singular, _ = np.linalg.svd(columns / np.maximum(size, 1.0), full_matrices=False)
    return np.asarray(left[:, singular > least])


def _tamed(values: Floats, basis: Floats, rounding: float) -> tuple[Floats, NDArray[np.bool_], float]:
    """Values with clipped residuals, which of them are far off, and the sd that set the limits."""
    freedom = np.sqrt(len(values) / (len(values) - basis.shape[1]))
    far = np.zeros(len(values), dtype=bool)
    tame = values
    for turn in range(2 * ROUNDS):
        fitted = basis @ (basis.T @ tame)
        residual = values - fitted
        ranked = np.sort(np.abs(residual[~far]))
        scale = freedom * float((ranked[(SHARES * len(ranked)).astype(int)] / QUANTILES).max())
        if scale <= rounding:
            return values, far, float(np.abs(residual).max())
        if turn == ROUNDS:
            far = np.abs(residual) > FAR * scale
            far &= far.mean() <= MOST_FAR
        limit = CLIP * scale
        tame = fitted + np.where(far, 0.0, np.clip(residual, -limit, limit))
    return tame, far, scale
