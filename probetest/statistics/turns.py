"""The same test at several orientations of the probe: what a set of orientations can tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors

Floats = NDArray[np.float64]

MAX_ORDER = 12
"""Highest order that is told apart."""

LEAST_SEPARABILITY = 0.05
"""Orders below it are not separable."""

FEWEST_DIRECTIONS = 7
"""Fewer directions of an orientation show nothing beyond order 2."""

MAX_CONDITION = 10.0
"""Orders are added only while directions tell them apart this well."""


@dataclass(frozen=True, eq=False, slots=True)
class Turn:
    """What was measured at one orientation of the probe in the spindle.

    Attributes
    ----------
    orientation_deg : float
        How far the probe is turned, counter-clockwise.
    azimuth_deg, mean_mm : numpy.ndarray, shape (directions,)
        Direction of motion and mean reading, the centre of this orientation taken out.
    counts : numpy.ndarray of int, shape (directions,)
        Touches behind each mean.
    centre_mm : tuple of float
        x, y of that centre.
    sd_mm : float
        Scatter of one touch.
    dof : float
        Its degrees of freedom.
    """

    orientation_deg: float
    azimuth_deg: Floats
    mean_mm: Floats
    counts: NDArray[np.intp]
    centre_mm: tuple[float, float]
    sd_mm: float
    dof: float


def separability(orientations_deg: ArrayLike, order: int, weights: ArrayLike | None = None) -> float:
    """How well a set of orientations tells an order of the probe from one of the machine.

    Parameters
    ----------
    orientations_deg : array_like, shape (orientations,), deg
    order : int
    weights : array_like, shape (orientations,), optional
        Touches at each.

    Returns
    -------
    float
        S = 1 - |mean exp(i order phi)|²: 0 not at all, 1 as if each were measured alone. The standard
        error of each coefficient of the probe is sd * sqrt(2 / (n S)), n all touches of even
        directions. It follows from the normal equations of m + p exp(-i order phi).

    Examples
    --------
    >>> [round(separability([0, 30, 105], order), 3) for order in (1, 3, 6)]
    [0.474, 0.667, 0.889]
    >>> round(separability([0, 120, 240], 3), 3)
    0.0
    """
    angle = order * np.deg2rad(np.asarray(orientations_deg, dtype=float))
    share = np.ones_like(angle) if weights is None else np.asarray(weights, dtype=float)
    mean = (share * np.exp(1j * angle)).sum() / share.sum()
    return max(0.0, float(1 - abs(mean) ** 2))


def wave_columns(azimuth_deg: ArrayLike, orders: Sequence[int]) -> Floats:
    """Cosine and sine of each order, shape (azimuths, 2 * orders)."""
    angle = np.deg2rad(np.asarray(azimuth_deg, dtype=float))[..., None] * np.asarray(orders, dtype=float)
    both = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return np.asarray(both.reshape(*both.shape[:-2], 2 * len(orders)))


@dataclass(frozen=True, eq=False, slots=True)
class Stack:
    """All turns as one weighted least-squares problem.

    Attributes
    ----------
    turns : tuple of Turn
    azimuth_deg, body_deg : numpy.ndarray, shape (means,)
        Direction of motion, and the same seen from the probe.
    root : numpy.ndarray, shape (means,)
        Root of the touches behind each mean.
    target : numpy.ndarray, shape (means,), mm
        Mean times ``root``.
    level : numpy.ndarray, shape (means, 3 * turns)
        Constant and centre of each turn, weighted.
    touches : numpy.ndarray, shape (turns,)
    highest : int
        Highest order that the directions tell apart.
    """

    turns: tuple[Turn, ...]
    azimuth_deg: Floats
    body_deg: Floats
    root: Floats
    target: Floats
    level: Floats
    touches: Floats
    highest: int

    @property
    def orientations_deg(self) -> Floats:
        """Orientation of each turn."""
        return np.array([turn.orientation_deg for turn in self.turns])

    def separability(self, order: int) -> float:
        """Separability of an order by these orientations and touches."""
        return separability(self.orientations_deg, order, self.touches)

    def orders(self, *, blind: bool) -> list[int]:
        """Orders from 2 on that can be told apart, or those that can't."""
        every = range(2, self.highest + 1)
        return [k for k in every if (self.separability(k) < LEAST_SEPARABILITY) == blind]

    def of_machine(self, orders: Sequence[int]) -> Floats:
        """Weighted waves that stay with the machine."""
        return wave_columns(self.azimuth_deg, orders) * self.root[:, None]

    def of_probe(self, orders: Sequence[int]) -> Floats:
        """Weighted waves that turn with the probe."""
        return wave_columns(self.body_deg, orders) * self.root[:, None]


def stack_turns(turns: Sequence[Turn], least: int = 2) -> Stack:
    """Put turns together.

    Parameters
    ----------
    turns : sequence of Turn
    least : int
        Orientations that are needed.

    Raises
    ------
    StatisticsError
        With fewer orientations, or too few directions at one of them.
    """
    if len({turn.orientation_deg % 360 for turn in turns}) < least:
        raise StatisticsError(
            "one orientation can't tell the probe from the machine; repeat the test with the probe turned in "
            "the spindle, best at 0, 30, 90 and 210 deg"
        )
    for turn in turns:
        if len(turn.azimuth_deg) < FEWEST_DIRECTIONS:
            raise StatisticsError(
                f"orientation {turn.orientation_deg:.4g} deg has {len(turn.azimuth_deg)} directions; each "
                f"needs at least {FEWEST_DIRECTIONS}"
            )
    azimuth = np.concatenate([turn.azimuth_deg for turn in turns])
    place = np.repeat(np.arange(len(turns)), [len(turn.azimuth_deg) for turn in turns])
    root = np.sqrt(np.concatenate([turn.counts for turn in turns]).astype(float))
    plain = np.column_stack([np.ones(len(azimuth)), unit_vectors(azimuth)]) * root[:, None]
    level = np.zeros((len(azimuth), 3 * len(turns)))
    for column in range(3):
        level[np.arange(len(azimuth)), 3 * place + column] = plain[:, column]
    body = azimuth - np.array([turn.orientation_deg for turn in turns])[place]
    return Stack(
        turns=tuple(turns),
        azimuth_deg=azimuth,
        body_deg=np.mod(body, 360.0),
        root=root,
        target=np.concatenate([turn.mean_mm for turn in turns]) * root,
        level=level,
        touches=np.array([float(turn.counts.sum()) for turn in turns]),
        highest=min(_highest(turn.azimuth_deg) for turn in turns),
    )


def _highest(azimuth_deg: Floats) -> int:
    """Highest order that one circle of directions carries."""
    highest = 2
    for order in range(3, min(MAX_ORDER, (len(azimuth_deg) - 1) // 2) + 1):
        waves = wave_columns(azimuth_deg, range(1, order + 1)) * np.sqrt(2)
        if np.linalg.cond(np.column_stack([np.ones(len(azimuth_deg)), waves])) > MAX_CONDITION:
            break
        highest = order
    return highest
