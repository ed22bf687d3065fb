"""What a planned test is expected to show: the methods of the analysis, put to an ideal sample of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.capability import capability
from probetest.statistics.design import directions_of
from probetest.statistics.intervals import Interval, sd_interval, t_factor
from probetest.statistics.seat import seat_shape, shape_variation
from probetest.statistics.separation import separate, whole_curve
from probetest.statistics.turns import Turn
from probetest.statistics.variation import pretravel_variation

Floats = NDArray[np.float64]

ARMS_DEG = (3.0, 28.0, 67.0, 101.0)
"""Azimuths of an arm over which is averaged where it is not known; usual directions see them from
places of their own."""

PAIR_RATIO = 0.087
"""Contact pairs of 30 deg wall half-angle under a stylus 6.7 times as long as the seat's radius."""

REFERENCE = 8
"""Touches of a direction at which fits are made; for others their errors go with the root of the touches."""

FOR_WHOLE_CURVE = 12
"""Directions of one orientation from which a curve over all directions is given."""

TOO_FINE_SD = 0.5
"""A step coarser than two standard deviations hides the scatter."""

OWN_WIDER = 1.2
"""Intervals of a curve over all directions are so much wider with chance in the means: the strengths of its
waves are found less surely (simulated tests)."""


@dataclass(frozen=True, slots=True)
class Design:
    """Horizontal touches of a test, stages apart.

    Attributes
    ----------
    directions : int
        Evenly spread.
    touches : int
        Of each direction at each orientation, at least 2.
    orientations_deg : tuple of float
    """

    directions: int
    touches: int
    orientations_deg: tuple[float, ...] = (0.0,)

    @property
    def n(self) -> int:
        """All touches."""
        return self.directions * self.touches * len(self.orientations_deg)

    @property
    def dof(self) -> int:
        """Degrees of freedom of the scatter at one orientation."""
        return self.directions * (self.touches - 1)


@dataclass(frozen=True, slots=True)
class ExpectedProbe:
    """What a probe is expected to be.

    Attributes
    ----------
    sd_mm : float
        Scatter of one touch, machine and rounding included.
    variation_mm : float
        Pre-travel variation over all directions.
    arm_azimuth_deg : float or None
    step_mm : float
        Step in which positions are read; 0 where it is too fine to matter.
    """

    sd_mm: float
    variation_mm: float
    arm_azimuth_deg: float | None = None
    step_mm: float = 0.0

    @property
    def resolved(self) -> bool:
        """Whether the step is fine enough to show the scatter."""
        return self.sd_mm**2 - self.step_mm**2 / 12 >= (TOO_FINE_SD * self.step_mm) ** 2

    @property
    def arms_deg(self) -> tuple[float, ...]:
        """Arm azimuths that are reckoned with."""
        return ARMS_DEG if self.arm_azimuth_deg is None else (self.arm_azimuth_deg,)


@dataclass(frozen=True, slots=True)
class Expected:
    """A figure as the test is expected to give it.

    Attributes
    ----------
    value : float
    interval : Interval
        95 %, of a test that finds just this value.
    n : int
        Touches behind it.
    """

    value: float
    interval: Interval
    n: int


def ideal_turns(design: Design, probe: ExpectedProbe, arm_deg: float, *, gain: float = 1.0) -> list[Turn]:
    """Direction means of a test without chance, one turn for each orientation.

    Parameters
    ----------
    design : Design
    probe : ExpectedProbe
    arm_deg : float
        Azimuth of the first arm at orientation 0.
    gain : float
        Share of its force at which the first arm opens.
    """
    azimuth = directions_of(design.directions, probe.arm_azimuth_deg)
    size = probe.variation_mm / shape_variation(PAIR_RATIO)
    return [
        Turn(
            orientation_deg=turn,
            azimuth_deg=azimuth,
            mean_mm=size * seat_shape(azimuth - turn, arm_deg, PAIR_RATIO, (gain, 1.0, 1.0)),
            counts=np.full(design.directions, design.touches),
            centre_mm=(0.0, 0.0),
            sd_mm=probe.sd_mm,
            dof=float(design.dof),
        )
        for turn in design.orientations_deg
    ]


def expected_scatter(design: Design, probe: ExpectedProbe) -> Expected:
    """Pooled scatter of one orientation (chi-square)."""
    interval = sd_interval(probe.sd_mm, design.dof, 0.95)
    return Expected(probe.sd_mm, interval, design.directions * design.touches)


def expected_worst_scatter(design: Design, probe: ExpectedProbe) -> Expected:
    """Scatter of the direction that happens to scatter most, all being alike.

    Parameters
    ----------
    design : Design
    probe : ExpectedProbe

    Returns
    -------
    Expected
        The median of the largest of one orientation; its interval allows below for the choice of the largest,
        as `probetest.statistics.repeatability.worst_direction_bounds` does.
    """
    dof = design.touches - 1
    largest = float(special.chdtri(dof, 1 - 0.5 ** (1 / design.directions)))
    value = probe.sd_mm * float(np.sqrt(largest / dof))
    lower = value * float(np.sqrt(dof / special.chdtri(dof, 1 - 0.975 ** (1 / design.directions))))
    return Expected(value, Interval(lower, sd_interval(value, dof, 0.95).upper, 0.95), design.touches)


@lru_cache(maxsize=4096)
def expected_variation(
    design: Design, probe: ExpectedProbe, level: float = 0.95, *, whole: bool = False
) -> Expected:
    """Pre-travel variation: over the tested directions, or the probe's own with several orientations.

    Parameters
    ----------
    design : Design
    probe : ExpectedProbe
    level : float
    whole : bool
        With one orientation that of the curve over all directions, machine included: what is held against
        another test.

    Returns
    -------
    Expected
        Mean over the azimuths of the arms that are reckoned with.

    Raises
    ------
    StatisticsError
        Where the directions are too few, or the orientations tell nothing apart.
    """
    found = []
    for arm in probe.arms_deg:
        turns = ideal_turns(design, probe, arm)
        if len(turns) == 1 and not whole:
            (turn,) = turns
            one = pretravel_variation(
                turn.mean_mm, turn.azimuth_deg, turn.counts, turn.sd_mm, turn.dof, level
            )
            found.append((one.variation_mm, one.interval_mm.lower, one.interval_mm.upper))
        else:
            if len(turns) == 1 and design.directions < FOR_WHOLE_CURVE:
                raise StatisticsError(f"a curve over all directions takes {FOR_WHOLE_CURVE} of them")
            own = whole_curve(turns[0]) if len(turns) == 1 else separate(turns).probe
            if own is None:
                raise StatisticsError(
                    "these orientations do not tell the probe's variation from the machine's"
                )
            value, interval = own.variation_mm, own.interval_mm(level)
            lower, upper = (value + OWN_WIDER * (end - value) for end in (interval.lower, interval.upper))
            found.append((value, lower, upper))
    value, lower, upper = (float(one) for one in np.mean(found, axis=0))
    return Expected(value, Interval(lower, upper, level), design.n)


@lru_cache(maxsize=1024)
def _reference_u_mm(
    directions: int, orientations_deg: tuple[float, ...], probe: ExpectedProbe, whole: bool
) -> float:
    design = Design(directions, REFERENCE, orientations_deg)
    interval = expected_variation(design, probe, whole=whole).interval
    return (interval.upper - interval.lower) / 2 / t_factor(design.dof * len(orientations_deg), 0.95)


def variation_u_mm(design: Design, probe: ExpectedProbe, *, whole: bool = False) -> float:
    """Standard error of the variation, mm; from one fit for all numbers of touches.

    Parameters
    ----------
    design, probe, whole
        As in `expected_variation`.

    Raises
    ------
    StatisticsError
        As `expected_variation`.
    """
    at_reference = _reference_u_mm(design.directions, design.orientations_deg, probe, whole)
    return at_reference * float(np.sqrt(REFERENCE / design.touches))


def expected_mean_u_mm(design: Design, probe: ExpectedProbe) -> float:
    """Standard error of the mean of one direction at one orientation, mm."""
    return probe.sd_mm / float(np.sqrt(design.touches))


@lru_cache(maxsize=256)
def expected_capability(
    design: Design, probe: ExpectedProbe, tolerance_mm: float, level: float = 0.95
) -> Expected:
    """Cpk of single touches of one orientation, of readings that lie on their normal scores.

    Raises
    ------
    StatisticsError
        Where it can't be given.
    """
    scores = special.ndtri((np.arange(design.touches) + 0.5) / design.touches)
    scores *= np.sqrt((design.touches - 1) / (scores**2).sum())
    values = []
    for arm in probe.arms_deg:
        (turn,) = ideal_turns(Design(design.directions, design.touches), probe, arm)
        reading = turn.mean_mm[:, None] - turn.mean_mm.mean() + probe.sd_mm * scores
        index = np.repeat(np.arange(design.directions), design.touches)
        found = capability(reading.ravel(), index, tolerance_mm, known_reference=False, level=level)
        values.append((found.cpk, found.cpk_interval.lower, found.cpk_interval.upper))
    value, lower, upper = (float(one) for one in np.mean(values, axis=0))
    return Expected(value, Interval(lower, upper, level), design.directions * design.touches)
