"""Which orientations, which directions and in which order a test is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

import numpy as np
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.seat import seat_shape
from probetest.statistics.turns import LEAST_SEPARABILITY

Floats = NDArray[np.float64]

WANTED_ORDERS = tuple(range(1, 10))
"""Orders of a curve that a run-out, a machine, a seat and a faulty arm make."""

FINEST_DEG = 5.0
"""Finer orientations are not tried: the best set of them is hardly better."""

MOST_SETS = 100_000
"""Sets of orientations that are tried, at most."""

MOST_DRAWS = 50
"""Squares that are drawn until one can be laid without a direction that follows itself."""

START_STEP_DEG = 0.25
"""Step of the first azimuths that are tried."""


@dataclass(frozen=True, slots=True)
class OrientationSet:
    """Orientations of the probe in the spindle.

    Attributes
    ----------
    orientations_deg : tuple of float
        The first is 0.
    separability : tuple of (int, float)
        Order and S of each wanted order.
    """

    orientations_deg: tuple[float, ...]
    separability: tuple[tuple[int, float], ...]

    @property
    def worst(self) -> float:
        """Smallest S of a wanted order."""
        return min(s for _, s in self.separability)

    @property
    def blind_orders(self) -> tuple[int, ...]:
        """Wanted orders that can't be told from those of the machine."""
        return tuple(order for order, s in self.separability if s < LEAST_SEPARABILITY)


def best_orientations(
    count: int, step_deg: float = 15.0, orders: Sequence[int] = WANTED_ORDERS
) -> OrientationSet:
    """Orientations that tell the probe from the machine best.

    Parameters
    ----------
    count : int
        How many, 2 to 6.
    step_deg : float
        Orientations are multiples of it.
    orders : sequence of int
        Orders that are to be told apart.

    Returns
    -------
    OrientationSet
        With the largest of the smallest separabilities; among equals the largest sum, then the smallest
        angles.

    Raises
    ------
    StatisticsError
        If the turn has fewer steps than orientations are wanted, or too many sets to try.

    Notes
    -----
    All sets are tried. S of an order k is 1 - |mean exp(i k phi)|², see
    `probetest.statistics.turns.separability`; {0, 120, 240} deg has S = 0 for all orders that three arms
    have.

    Examples
    --------
    >>> best_orientations(4).orientations_deg, round(best_orientations(4).worst, 3)
    ((0.0, 30.0, 90.0, 210.0), 0.75)
    """
    if not 2 <= count <= 6 or not step_deg > 0 or not orders:
        raise StatisticsError(
            f"2 to 6 orientations, a step and orders are needed, but got {count}, {step_deg}"
        )
    step = step_deg * np.ceil(round(FINEST_DEG / step_deg, 6))
    places = int(np.floor(360.0 / step - 1e-9)) + 1
    angles = step * np.arange(1, places)
    if len(angles) < count - 1:
        raise StatisticsError(f"a spindle with steps of {step_deg:g} deg has no {count} orientations")
    if comb(len(angles), count - 1) > MOST_SETS:
        raise StatisticsError(
            f"{count} orientations in steps of {step:g} deg are too many to try; give a coarser step"
        )
    sets = list(combinations(range(len(angles)), count - 1))
    phase = np.exp(1j * np.deg2rad(angles)[:, None] * np.asarray(orders, dtype=float))
    total = 1 + phase[np.array(sets)].sum(axis=1)
    s = 1 - np.abs(total / count) ** 2
    rank = np.lexsort((np.arange(len(sets)), -s.sum(axis=1).round(9), -s.min(axis=1).round(9)))
    best = int(rank[0])
    chosen = (0.0, *(float(angle) for angle in angles[list(sets[best])]))
    return OrientationSet(
        chosen, tuple((int(k), max(0.0, float(x))) for k, x in zip(orders, s[best], strict=True))
    )


def directions_of(directions: int, arm_azimuth_deg: float | None = None) -> Floats:
    """Evenly spread azimuths; off the arms where these are known.

    Parameters
    ----------
    directions : int
        At least 3.
    arm_azimuth_deg : float, optional
        Of one arm of the seat, as it stands in the test. The start is then the one from which the directions
        show most of the variation of a three-arm seat; else it is 0.

    Returns
    -------
    ndarray, shape (directions,), deg

    Notes
    -----
    A number that three divides sees each arm from the same few places: its start matters, and without a
    known arm such a number is a poor choice.

    Examples
    --------
    >>> directions_of(12, 0.0)[:2].tolist()
    [0.0, 30.0]
    >>> directions_of(12, 15.0)[:2].tolist()
    [15.0, 45.0]
    """
    if directions < 3:
        raise StatisticsError(f"directions must be 3 or more, but got {directions}")
    even = np.arange(directions) * 360.0 / directions
    if arm_azimuth_deg is None:
        return even
    starts = np.arange(0.0, 360.0 / directions - 1e-9, START_STEP_DEG)
    azimuth = starts[:, None] + even
    shape = seat_shape(azimuth, arm_azimuth_deg, 0.0)
    plain = np.column_stack([np.ones(directions), unit_vectors(even)])
    # Even directions share one centre problem, whatever their start.
    left = shape - shape @ plain @ np.linalg.pinv(plain)
    seen = np.ptp(left, axis=1)
    return np.asarray(azimuth[int(np.argmax(np.round(seen, 9)))] % 360.0)


def order_rounds(directions: int, rounds: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Rounds about all directions, each in an order of its own.

    Parameters
    ----------
    directions : int
        At least 2.
    rounds : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int, shape (directions * rounds,)
        Each round holds each direction once. No direction follows itself, and within the rounds it follows a
        different one each time, as long as there are others: an effect of the touch before is then no part
        of the direction, and a drift meets all directions alike.

    Raises
    ------
    StatisticsError
        With fewer than 2 directions, or no round.

    Notes
    -----
    Rows of a Latin square in which each ordered pair of neighbours stands once [1]_, its rows and its
    names drawn by lot; a draw that would make a direction follow itself is thrown away. Such a square needs
    an even number; an odd one is made with one name more, which is struck out, so that a pair may come
    twice.

    References
    ----------
    .. [1] E. J. Williams, "Experimental designs balanced for the estimation of residual effects of
       treatments", Aust. J. Sci. Res. A 2 (1949) 149-168 (from memory).

    Examples
    --------
    >>> order = order_rounds(8, 5, np.random.default_rng(1))
    >>> sorted(order[:8].tolist()), len({*zip(order[:-1].tolist(), order[1:].tolist())})
    ([0, 1, 2, 3, 4, 5, 6, 7], 39)
    """
    if directions < 2 or rounds < 1:
        raise StatisticsError(
            f"an order needs 2 directions and a round at least, but got {directions} and {rounds}"
        )
    order: list[int] = []
    used: set[tuple[int, int]] = set()
    while len(order) < directions * rounds:
        wanted = min(directions * rounds - len(order), directions * (directions + directions % 2))
        best: list[int] = []
        for _ in range(MOST_DRAWS):
            best = max(best, _square(directions, order[-1:], used, rng), key=len)
            if len(best) >= wanted:
                break
        used.update(pairwise([*order[-1:], *best[:wanted]]))
        order += best[:wanted]
    return np.array(order, dtype=np.intp)


def _square(
    directions: int, before: list[int], used: set[tuple[int, int]], rng: np.random.Generator
) -> list[int]:
    """Rounds of one square, up to the one that could only begin with the direction that was the last."""
    even = directions + directions % 2
    there = np.arange(even) // 2 + np.arange(even) % 2
    zigzag = np.where(np.arange(even) % 2 == 1, there, -there) % even
    names = rng.permutation(even)
    rows = [[one for one in names[(zigzag + row) % even].tolist() if one < directions] for row in range(even)]
    order, mine = list(before), set(used)
    while rows:
        follows = [list(pairwise([*order[-1:], *row])) for row in rows]
        costs = [
            (any(a == b for a, b in pairs), len(mine.intersection(pairs)), rng.random()) for pairs in follows
        ]
        chosen = min(range(len(rows)), key=costs.__getitem__)
        if costs[chosen][0]:
            break
        mine.update(follows[chosen])
        order += rows.pop(chosen)
    return order[len(before) :]
