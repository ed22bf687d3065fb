"""Uncertainty budgets: what goes into the uncertainty of a figure, and what comes out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from probetest.statistics.intervals import t_factor


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty.

    Attributes
    ----------
    source : str
        Where it comes from.
    kind : str
        "A" (statistics of the readings) or "B" (other knowledge).
    u_mm : float
        Standard uncertainty it causes in the figure.
    dof : float
        Degrees of freedom; infinite where it is taken as known.
    basis : str
        How it was found.
    """

    source: str
    kind: Literal["A", "B"]
    u_mm: float
    dof: float
    basis: str


@dataclass(frozen=True, slots=True)
class Budget:
    """Combined uncertainty of one figure.

    Attributes
    ----------
    figure : str
        What the budget is for.
    value_mm : float
    components : tuple of Component
    u_mm : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom.
    coverage_factor : float
        Student t factor for the level.
    expanded_mm : float
        ``coverage_factor`` times ``u_mm``.
    level : float
        Coverage of the expanded uncertainty.
    """

    figure: str
    value_mm: float
    components: tuple[Component, ...]
    u_mm: float
    dof: float
    coverage_factor: float
    expanded_mm: float
    level: float


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within +-``half_width``."""
    return float(half_width / np.sqrt(3))


def effective_dof(uncertainties: Iterable[float], dofs: Iterable[float]) -> float:
    """Welch-Satterthwaite effective degrees of freedom of a sum.

    References
    ----------
    .. [1] JCGM 100:2008, Annex G.4.
    """
    u = np.fromiter(uncertainties, dtype=float)
    dof = np.fromiter(dofs, dtype=float)
    spread = float((u**4 / dof).sum())
    return float((u**2).sum() ** 2 / spread) if spread > 0 else float("inf")


def combine(figure: str, value_mm: float, components: Iterable[Component], level: float = 0.95) -> Budget:
    """Combine independent components by the root of the sum of squares.

    Parameters
    ----------
    figure : str
    value_mm : float
    components : iterable of Component
        Already expressed as uncertainty of the figure (sensitivity 1).
    level : float
        Coverage of the expanded uncertainty.

    Returns
    -------
    Budget
        The effective degrees of freedom are cut to a whole number before the t factor is taken,
        as JCGM 100 Annex G.4 does.
    """
    parts = tuple(components)
    u = float(np.sqrt(sum(part.u_mm**2 for part in parts)))
    dof = effective_dof((part.u_mm for part in parts), (part.dof for part in parts))
    factor = t_factor(max(1.0, np.floor(dof)), level)
    return Budget(figure, value_mm, parts, u, dof, factor, factor * u, level)
