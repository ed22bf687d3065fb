"""A drift that is steep at first and then ends: how long and how much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.path import BREAKS, TIME_CONSTANTS, Path, PathSearch

Floats = NDArray[np.float64]

SETTLED_SHARE = 0.95
"""Share of an exponential approach after which it is called settled."""


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The steep first part of a drift.

    Attributes
    ----------
    kind : str
        "segmented": two straight lines that meet at a break. "exponential": an approach.
    settled_touch : float
        Touch number of the break; of an approach, where ``SETTLED_SHARE`` of it is done. May lie
        beyond the test.
    settled_interval : Interval
        Profile likelihood; infinite to a side where the touches set no bound.
    time_constant_touches : float or None
        Of an exponential approach.
    time_constant_interval : Interval or None
        Profile likelihood.
    size_mm : float
        Change of the reading from the first touch to the break, or to the last touch of an
        exponential approach.
    size_u_mm : float
        Its standard error.
    later_mm_per_touch : float
        Slope after the break; 0 where a flat end fits as well, and for an exponential approach.
    later_u_mm_per_touch : float
        Its standard error; 0 where the slope is 0 by choice.
    """

    kind: str
    settled_touch: float
    settled_interval: Interval
    time_constant_touches: float | None
    time_constant_interval: Interval | None
    size_mm: float
    size_u_mm: float
    later_mm_per_touch: float
    later_u_mm_per_touch: float


def describe_warm_up(
    search: PathSearch, path: Path, first_touch: float, touches: float, level: float
) -> WarmUp | None:
    """The warm-up in a fitted path.

    Parameters
    ----------
    search : PathSearch
        What the path was fitted with.
    path : Path
    first_touch : float
        Touch number at place -0.5.
    touches : float
        Length of the test in touch numbers.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    WarmUp or None
        None where the path is not steepest at first: a line, a cubic, a late drift.
    """
    if path.kind not in ("slopes", "settling", "exponential"):
        return None
    if path.kind == "slopes" and abs(float(path.slopes_mm.sum())) >= abs(float(path.slopes_mm[0])):
        return None
    lower, upper = _profile(search, path, level)
    size, size_u = _size(path)
    later = path.slopes_mm.sum() if path.kind == "slopes" else 0.0
    later_u = np.sqrt(path.covariance[:2, :2].sum()) if path.kind == "slopes" else 0.0
    constant = constant_interval = None
    if path.kind == "exponential":
        constant, constant_interval = touches * path.at, Interval(touches * lower, touches * upper, level)
        settle = -np.log(1 - SETTLED_SHARE) * touches
        settled = first_touch + settle * np.array([path.at, lower, upper])
    else:
        settled = first_touch + touches * (np.array([path.at, lower, upper]) + 0.5)
    return WarmUp(
        kind="exponential" if path.kind == "exponential" else "segmented",
        settled_touch=float(settled[0]),
        settled_interval=Interval(float(settled[1]), float(settled[2]), level),
        time_constant_touches=constant,
        time_constant_interval=constant_interval,
        size_mm=size,
        size_u_mm=size_u,
        later_mm_per_touch=float(later) / touches,
        later_u_mm_per_touch=float(later_u) / touches,
    )


def _size(path: Path) -> tuple[float, float]:
    """Change from the first touch to the break or the last touch, and its standard error."""
    if path.kind == "exponential":
        ends = np.array([-0.5, 0.5])
        change = np.diff(path.values(ends))[0]
        reach = np.diff(path.tangents(ends), axis=0)[0]
    else:
        change = path.slopes_mm[0] * (path.at + 0.5)
        reach = np.zeros(len(path.covariance))
        reach[[0, -1]] = path.at + 0.5, path.slopes_mm[0]
    return float(change), float(np.sqrt(max(reach @ path.covariance @ reach, 0.0)))


def _profile(search: PathSearch, path: Path, level: float) -> tuple[float, float]:
    """Breaks or time constants between which the sum of squares stays below its bound."""
    grid, lowest = (TIME_CONSTANTS, 0.0) if path.kind == "exponential" else (BREAKS, -np.inf)
    error = float(np.sqrt(path.covariance[-1, -1]))
    near = path.at + error * np.linspace(-6, 6, 61)
    tried = np.unique(np.r_[grid, near[(near > grid[0]) & (near < grid[-1])], path.at])
    left = search.left(path.kind, tried)
    bound = path.left * (1 + t_factor(path.dof, level) ** 2 / path.dof)
    best = int(np.searchsorted(tried, path.at))
    above = left > bound
    before, after = np.flatnonzero(above[:best]), np.flatnonzero(above[best:])
    lower = _crossing(tried, left, int(before[-1]), 1, bound) if before.size else lowest
    upper = _crossing(tried, left, best + int(after[0]), -1, bound) if after.size else np.inf
    return lower, upper


def _crossing(tried: Floats, left: Floats, outside: int, step: int, bound: float) -> float:
    inside = outside + step
    share = (left[outside] - bound) / (left[outside] - left[inside])
    return float(tried[outside] + share * (tried[inside] - tried[outside]))
