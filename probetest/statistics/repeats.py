"""Logs that seem to lack touches that equalled the one before."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import comb, factorial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
CHUNK = 25
"""Longest row of touches that is shuffled as a whole."""

MANY = 2500.0
"""From this variance on the number of equal neighbours is taken as normal."""


@dataclass(frozen=True, slots=True)
class EqualNeighbours:
    """Equal touches next to each other, in rows of touches of one direction.

    Attributes
    ----------
    seen : int
        Pairs of neighbours that are equal.
    expected : float
        Their mean number, if the same readings came in random order.
    pairs : int
        Pairs of neighbours that were looked at; 0: the log can't show what it lacks.
    p_value : float
        Chance of so few equal pairs in random order.
    suspected : bool
        The log seems to lack touches that equalled the one before.
    """

    seen: int
    expected: float
    pairs: int
    p_value: float
    suspected: bool


def equal_neighbours(
    position_mm: ArrayLike, direction: ArrayLike, order: ArrayLike, width_mm: float, risk: float = 0.001
) -> EqualNeighbours:
    """Judge whether a log lacks touches that equalled the one before, as some controllers leave them out.

    Parameters
    ----------
    position_mm : array_like, shape (touches,) or (touches, coordinates), mm
        What the controller compares: the raw position, or the one reading where no more was logged.
    direction : array_like of int, shape (touches,)
    order : array_like of int, shape (touches,)
        Place of each touch among all approaches of the log; a gap ends a row.
    width_mm : float
        Digit or step of the log: values less than half of it apart are equal.
    risk : float
        Chance of suspecting a log that lacks nothing.

    Returns
    -------
    EqualNeighbours

    Raises
    ------
    StatisticsError
        If the arrays differ in length or ``risk`` lies outside (0, 1).

    Notes
    -----
    If nothing is missing, all orders of the touches of a row are alike, whatever their
    distribution. The p value is the exact chance, over all orders of the logged touches of each
    row (in parts of at most ``CHUNK``), of no more equal neighbours than were seen. Drift only makes
    more of them; readings that alternate between two levels make fewer and can be suspected.
    """
    position, label = np.asarray(position_mm, dtype=float), np.asarray(direction, dtype=np.intp)
    place = np.asarray(order, dtype=np.intp)
    if label.ndim != 1 or place.shape != label.shape or position.shape[:1] != label.shape:
        raise StatisticsError(
            f"positions, directions and order must be of one length, but have the shapes {position.shape}, "
            f"{label.shape} and {place.shape}"
        )
    if not (0 < risk < 1 and width_mm > 0 and np.isfinite(position).all()):
        raise StatisticsError(
            "positions must be finite, the width above 0 and the risk between 0 and 1, but got a width of "
            f"{width_mm} mm and a risk of {risk}"
        )
    sequence = np.argsort(place, kind="stable")
    label, place = label[sequence], place[sequence]
    value = _value_labels(position[sequence].reshape(len(label), -1), label, width_mm)
    ends = np.flatnonzero((np.diff(label) != 0) | (np.diff(place) != 1)) + 1
    rows = [row[i : i + CHUNK] for row in np.split(value, ends) for i in range(0, len(row), CHUNK)]
    seen = sum(int((np.diff(row) == 0).sum()) for row in rows)
    chances = [_equal_pairs(tuple(sorted(np.unique(row, return_counts=True)[1].tolist()))) for row in rows]
    expected = sum(float(np.arange(len(chance)) @ chance) for chance in chances)
    p_value = _chance_of_few(chances, seen, expected)
    return EqualNeighbours(
        seen, expected, sum(max(len(row) - 1, 0) for row in rows), p_value, suspected=p_value <= risk
    )


def _value_labels(position: Floats, label: Integers, width_mm: float) -> Integers:
    """A number for each distinct position; in each coordinate, values chain up to half a width apart."""
    found = np.zeros((len(label), position.shape[1] + 1), dtype=np.intp)
    found[:, -1] = label
    for axis, values in enumerate(position.T):
        order = np.lexsort((values, label))
        fresh = (np.diff(label[order]) != 0) | (np.diff(values[order]) > width_mm / 2)
        found[order[1:], axis] = np.cumsum(fresh)
    return np.unique(found, axis=0, return_inverse=True)[1].ravel()


@cache
def _equal_pairs(counts: tuple[int, ...]) -> Floats:
    """Chance of 0, 1, ... equal neighbours in a random order of values that occur ``counts`` times.

    Gluing j pairs leaves n - j blocks; blocks of one value in c touches can be cut in
    c! / b! C(c - 1, b - 1) ways (Lah numbers). That gives the mean of C(pairs, j), and those the chances.
    """
    blocks = [1]
    for c in counts:
        ways = [0] + [factorial(c) // factorial(b) * comb(c - 1, b - 1) for b in range(1, c + 1)]
        blocks = [
            sum(blocks[i] * ways[b - i] for i in range(len(blocks)) if 0 <= b - i <= c)
            for b in range(len(blocks) + c)
        ]
    n = sum(counts)
    glued = [factorial(n - j) * blocks[n - j] for j in range(n)]
    return np.array(
        [sum((-1) ** (j - e) * comb(j, e) * glued[j] for j in range(e, n)) / factorial(n) for e in range(n)]
    )


def _chance_of_few(chances: list[Floats], seen: int, expected: float) -> float:
    """Chance that the sum of all rows is at most ``seen``."""
    variance = sum(float(np.arange(len(c)) ** 2 @ c - (np.arange(len(c)) @ c) ** 2) for c in chances)
    if variance > MANY:
        return float(special.ndtr((seen + 0.5 - expected) / np.sqrt(variance)))
    total = np.ones(1)
    for chance in chances:
        total = np.convolve(total, chance)[: seen + 1]
    return float(min(total.sum(), 1.0))
