"""The grid of the study: directions, touches, variation and the kind of scatter."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Literal

Kind = Literal[
    "normal",
    "heavy",
    "skewed",
    "step_0.5",
    "step_1",
    "step_2",
    "step_4",
    "drifting",
    "correlated",
    "unequal",
    "sector",
]

KINDS: dict[Kind, str] = {
    "normal": "normal",
    "heavy": "heavy tails (t, 5 dof)",
    "skewed": "skewed (gamma, shape 4)",
    "step_0.5": "rounded, step 0.5 sd",
    "step_1": "rounded, step 1 sd",
    "step_2": "rounded, step 2 sd",
    "step_4": "rounded, step 4 sd",
    "drifting": "drifting by 5 sd over the test",
    "correlated": "neighbours alike (correlation 0.5)",
    "unequal": "one third of the directions scatters twice as much",
    "sector": "one arm early by 20 %, its sector scatters 1.5 times as much",
}
"""Kinds of scatter and what they are called in tables."""

DIRECTIONS = (8, 12, 24, 36)
TOUCHES = (3, 5, 10, 25)
VARIATIONS = (0.0, 1.0, 3.0, 10.0)


@dataclass(frozen=True, slots=True)
class Cell:
    """One point of the grid.

    Attributes
    ----------
    directions, touches : int
        Touches are a direction's.
    variation_sd : float
        True pre-travel variation over the tested directions, in standard deviations of a touch.
    kind : str
        Kind of scatter, a key of ``KINDS``.
    """

    directions: int
    touches: int
    variation_sd: float
    kind: Kind

    @property
    def name(self) -> str:
        """Short name of the cell."""
        return f"{self.directions}x{self.touches}, {self.variation_sd:g} sd, {self.kind}"


def full_grid() -> list[Cell]:
    """Every cell of the study."""
    return [Cell(*values) for values in product(DIRECTIONS, TOUCHES, VARIATIONS, KINDS)]
