"""The likelihood of readings of which only the step is known in which they fell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
OFF_STEP = 0.25
"""Readings may lie this share of a width off the steps of their direction: digits may cut a step."""

NODES, LEAST_GAPS, DROP = 24, 12, 18.0
"""An unknown mean takes so many values at least; so many gaps must lie where the logarithm of the
likelihood is less than ``DROP`` below its highest: 1 sd each, if the curve is normal."""

LINEAR = 12.0
"""From this width in sd on, the likelihood of one or two neighbouring steps is linear in the sd."""


@dataclass(slots=True)
class Steps:
    """Steps that the touches of each direction (row) fell in; lengths in widths.

    Step c lies between the edges ``upper[c] - 1`` and ``upper[c]``. ``support`` remembers where the
    likelihood of each mean was last found to count.
    """

    width: Floats
    edge: Floats
    edge_row: Integers
    upper: Integers
    row: Integers
    start: Integers
    count: Floats
    logged: Floats
    kinds: Integers
    lost: Integers
    linear: NDArray[np.bool_]
    support: tuple[Floats, Floats, Floats]

    def log_likelihood(self, place: float) -> float:
        """Logarithm of the restricted likelihood by log sd; 0 where each row surely has one step."""
        ratio = np.exp(place) / self.width
        used = np.where(self.linear, np.maximum(ratio, 1 / LINEAR), ratio)
        found = self._integrate(used)
        share = ratio / used
        alone = (self.kinds == 1) & (share < 1)
        single = np.log1p(share * np.expm1(np.where(alone, np.minimum(found, 0.0), 0.0)))
        return float(np.where(alone, single, found + np.log(share)).sum())

    def _integrate(self, ratio: Floats) -> Floats:
        """Logarithm of the integral of each row, by equal gaps (exact for curves that fade out)."""
        known, middle, half = self.support
        half = half * _reach(ratio, self.kinds, self.logged) / _reach(known, self.kinds, self.logged)
        low, high = middle - half, middle + half
        # The flat top of a single step has edges as sharp as the sd over the root of 2 log n.
        sharp = np.where(self.kinds == 1, np.sqrt(1 + 2 * np.log(self.logged)) / ratio, 0.0)
        nodes = max(NODES, int((sharp * (1 + 7 * ratio)).max()))
        while True:
            gap = (high - low) / (nodes - 1)
            value = self._log_density(low[:, None] + gap[:, None] * np.arange(nodes), ratio)
            top = value.max(axis=1)
            counts = value > top[:, None] - DROP
            first, last = counts.argmax(axis=1), nodes - 1 - counts[:, ::-1].argmax(axis=1)
            left, right, few = first == 0, last == nodes - 1, last - first < LEAST_GAPS
            if not (left | right | few).any():
                break
            shift_low = np.where(left, low - high, np.where(few, (first - 1) * gap, 0.0))
            shift_high = np.where(right, high - low, np.where(few, (last + 2 - nodes) * gap, 0.0))
            low, high = low + shift_low, high + shift_high
        self.support = ratio, low + (first + last) / 2 * gap, ((last - first) / 2 + 2) * gap
        return np.asarray(top + np.log(np.exp(value - top[:, None]).sum(axis=1) * gap))

    def _log_density(self, mean: Floats, ratio: Floats) -> Floats:
        z = (self.edge[:, None] - mean[self.edge_row]) / ratio[self.edge_row, None]
        # A tail is exact to all digits where a distribution function near 1 is not.
        tail, above = -np.copysign(special.ndtr(-np.abs(z)), z), ~np.signbit(z)
        lower = self.upper - 1
        share = np.diff(tail, axis=0)[lower] + (above[1:] ^ above[:-1])[lower]
        far = share < 1e-290
        logarithm = np.log(np.where(far, 1.0, share))
        if far.any():
            nearest = np.minimum(np.abs(z[1:]), np.abs(z[:-1]))[lower]
            logarithm[far] = special.log_ndtr(-nearest[far])
        value = np.add.reduceat(self.count[:, None] * logarithm, self.start, axis=0)
        return np.asarray(value + self._log_runs(logarithm) if self.lost.any() else value)

    def _log_runs(self, logarithm: Floats) -> Floats:
        """Logarithm of h_lost by m h_m = sum_r power_r h_{m-r}; all terms are positive."""
        top = np.maximum.reduceat(logarithm, self.start, axis=0)
        relative = np.exp(logarithm - top[self.row])
        found, most = np.zeros_like(top), int(self.lost.max())
        power, runs = np.empty((most + 1, *top.shape)), np.ones((most + 1, *top.shape))
        term = np.broadcast_to(self.count[:, None], relative.shape)
        for m in range(1, most + 1):
            term = term * relative
            power[m] = np.add.reduceat(term, self.start, axis=0)
            runs[m] = np.einsum("rij,rij->ij", power[1 : m + 1], runs[m - 1 :: -1]) / m
            done = self.lost == m
            found[done] = np.log(runs[m][done]) + m * top[done]
        return found


def find_steps(
    reading: Floats, index: Integers, width: Floats, labels: Integers, made: Integers
) -> tuple[Steps, int]:
    """Steps of each direction, and how many logged equal neighbours were folded into runs."""
    if not width.all():
        raise StatisticsError("equal readings, and equal touches that the log lacks, need a width above 0")
    base = np.full(len(labels), np.inf)
    np.minimum.at(base, index, reading)
    place = (reading - base[index]) / width
    step = np.rint(place)
    off = np.abs(place - step)
    if off.max() > OFF_STEP:
        worst = int(off.argmax())
        raise StatisticsError(
            f"direction {labels[index[worst]]}: readings do not lie on steps of {width[worst]:.6g} mm (one "
            f"is {off[worst] * width[worst]:.3g} mm off); give the step to which they were rounded"
        )
    order = np.lexsort((np.arange(len(step)), index))
    again = np.zeros(len(step), dtype=bool)
    again[order[1:]] = (np.diff(index[order]) == 0) & (np.diff(step[order]) == 0)
    again &= (made > np.bincount(index))[index]
    index, step = index[~again], step[~again]
    width = width[~again][np.unique(index, return_index=True)[1]]
    return _build(index, step.astype(np.intp), width, made), int(again.sum())


def _reach(ratio: Floats, kinds: Integers, logged: Floats) -> Floats:
    """Guess of the distance from the middle of a row at which its likelihood is nothing."""
    return np.where(kinds == 1, 0.5 + 3.5 * ratio, 6.5 * np.sqrt((ratio**2 + 1 / 12) / logged))


def _build(index: Integers, step: Integers, width: Floats, made: Integers) -> Steps:
    span = int(step.max()) + 2
    key, count = np.unique(index * span + step, return_counts=True)
    row, place = np.divmod(key, span)
    # Neighbouring steps of a row share an edge.
    upper = np.cumsum(np.where(np.diff(key, prepend=-2) == 1, 1, 2)) - 1
    edge, edge_row = np.empty(upper[-1] + 1), np.empty(upper[-1] + 1, dtype=np.intp)
    edge[upper - 1], edge[upper] = place - 0.5, place + 0.5
    edge_row[upper - 1], edge_row[upper] = row, row
    start, kinds = np.flatnonzero(np.diff(row, prepend=-1)), np.bincount(row)
    logged = np.bincount(index).astype(float)
    middle, ones = np.bincount(row, count * place) / logged, np.ones(len(kinds))
    return Steps(
        width=width,
        edge=edge,
        edge_row=edge_row,
        upper=upper,
        row=row,
        start=start,
        count=count.astype(float),
        logged=logged,
        kinds=kinds,
        lost=made - np.bincount(index),
        linear=np.maximum.reduceat(place, start) <= 1,
        support=(ones, middle, _reach(ones, kinds, logged)),
    )
