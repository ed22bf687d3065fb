"""How well the probe comes back to an orientation: the centre found at each visit to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval

Floats = NDArray[np.float64]

FEWEST_DIRECTIONS = 4
"""A visit with fewer directions does not tell its own centre from its level."""

RUNOUT_SHOWN = 3.0
"""A run-out of fewer standard errors tells no angle."""


@dataclass(frozen=True, slots=True)
class VisitScatter:
    """Scatter of the centre between visits to the same orientation.

    Attributes
    ----------
    visits : int
    orientations : int
        With two visits or more.
    sd_mm : float
        Standard deviation of each coordinate of the centre between visits, touch scatter taken off.
    interval_mm : Interval
    shown_p : float
        Chance of so large a scatter from the touches alone.
    turned_sd_deg : float or None
        The same as scatter of the angle, if the run-out turned with the probe made all of it; None
        without a run-out that stands out.
    """

    visits: int
    orientations: int
    sd_mm: float
    interval_mm: Interval
    shown_p: float
    turned_sd_deg: float | None


@dataclass(frozen=True, eq=False, slots=True)
class Visit:
    """The touches of one visit to an orientation.

    Attributes
    ----------
    orientation_deg : float
    azimuth_deg : numpy.ndarray, shape (touches,)
    reading_mm : numpy.ndarray, shape (touches,)
        Less the mean of their direction over all visits to the orientation.
    """

    orientation_deg: float
    azimuth_deg: Floats
    reading_mm: Floats


def visit_scatter(visits: Sequence[Visit], runout: tuple[float, float], level: float = 0.95) -> VisitScatter:
    """Scatter of the centre between visits.

    Parameters
    ----------
    visits : sequence of Visit
        At least two to one orientation.
    runout : tuple of float, mm
        Run-out and its standard error.
    level : float

    Raises
    ------
    StatisticsError
        If no orientation was visited twice with enough touches.

    Notes
    -----
    Each visit has its own level and centre (least squares); what that leaves is the scatter of touches
    within visits. The mean square between visits of an orientation has the expectation of scatter
    between visits plus touch scatter; the limits are those of its chi-square, less the touch scatter
    (Tukey and Williams, from memory). A turn that misses by d moves the centre by run-out times d, half
    of its square along each axis.
    """
    places: dict[float, list[Floats]] = {}
    directions: dict[float, set[float]] = {}
    inverses, left, touches = [], 0.0, 0
    for visit in visits:
        azimuths = set(np.round(visit.azimuth_deg, 1).tolist())
        if len(azimuths) < FEWEST_DIRECTIONS:
            continue
        design = np.column_stack([np.ones(len(visit.azimuth_deg)), unit_vectors(visit.azimuth_deg)])
        inverse = np.linalg.pinv(design.T @ design)
        size = inverse @ design.T @ visit.reading_mm
        places.setdefault(visit.orientation_deg, []).append(np.asarray(size[1:]))
        directions.setdefault(visit.orientation_deg, set()).update(azimuths)
        inverses.append(float(np.trace(inverse[1:, 1:]) / 2))
        left += float(((visit.reading_mm - design @ size) ** 2).sum())
        touches += len(visit.reading_mm)
    repeated = {angle: np.array(some) for angle, some in places.items() if len(some) > 1}
    dof = 2 * sum(len(some) - 1 for some in repeated.values())
    within = touches - sum(len(some) for some in directions.values())
    within -= 3 * sum(len(some) - 1 for some in places.values())
    if dof < 2 or within < 1:
        raise StatisticsError("no orientation was left and visited again with enough touches")
    squares = sum(float(((some - some.mean(axis=0)) ** 2).sum()) for some in repeated.values())
    between, touch = squares / dof, left / within * float(np.mean(inverses))
    tail = (1 - level) / 2
    lower, upper = (between * dof / float(stats.chi2.isf(share, dof)) - touch for share in (tail, 1 - tail))
    sd = float(np.sqrt(max(0.0, between - touch)))
    length, u = runout
    return VisitScatter(
        visits=sum(len(some) for some in repeated.values()),
        orientations=len(repeated),
        sd_mm=sd,
        interval_mm=Interval(float(np.sqrt(max(0.0, lower))), float(np.sqrt(max(0.0, upper))), level),
        shown_p=float(stats.f.sf(between / max(touch, 1e-300), dof, within)),
        turned_sd_deg=float(np.rad2deg(np.sqrt(2) * sd / length)) if length > RUNOUT_SHOWN * u else None,
    )
