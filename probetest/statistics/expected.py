"""What a planned test is expected to show: the methods of the analysis, put to an ideal sample of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.statistics.capability import capability
from probetest.statistics.contact_evidence import GAIN_RISK
from probetest.statistics.contact_finding import CLEARLY
from probetest.statistics.contact_gains import Beside, ContactGains, contact_gains
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

WORTH = 0.15
"""Share by which an arm opens early or late that is worth naming."""

REFERENCE = 8
"""Touches of a direction at which fits are made; for others their errors go with the root of the touches."""

FOR_WHOLE_CURVE = 12
"""Directions of one orientation from which a curve over all directions is given."""

TOO_FINE_SD = 0.5
"""A step coarser than two standard deviations hides the scatter."""

NO_LOBES_MM = 1e-5
"""A smaller variation has no arms to tell apart."""


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
            interval = own.interval_mm(level)
            found.append((own.variation_mm, interval.lower, interval.upper))
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


@dataclass(frozen=True, slots=True)
class ArmPower:
    """What a test would say of the contacts.

    Attributes
    ----------
    early, late : float
        Chance that an arm that opens so much early, or late, is named.
    healthy : float
        Chance that equal arms are shown to be within ``WORTH``.
    """

    early: float
    late: float
    healthy: float

    @property
    def least(self) -> float:
        """The smaller chance of naming the arm."""
        return min(self.early, self.late)


def arm_power(design: Design, probe: ExpectedProbe, share: float = WORTH) -> ArmPower:
    """Chance that one early or late arm is named.

    Parameters
    ----------
    design : Design
    probe : ExpectedProbe
    share : float
        By which it opens early or late.

    Raises
    ------
    StatisticsError
        Where directions are too few, or the orientations tell nothing apart.

    Notes
    -----
    The fit of `probetest.statistics.contact_gains` to means without chance gives the distance from a healthy
    seat in standard errors; readings with chance scatter about it by one. With one orientation an arm is
    also named where nothing of a machine is allowed for and a machine under equal arms explains the
    curve clearly worse; the difference of two misfits is taken as normal about its value without chance.
    """
    if probe.variation_mm < NO_LOBES_MM:
        return ArmPower(0.0, 0.0, 0.0)
    more = design.touches / REFERENCE
    dof = float(design.dof * len(design.orientations_deg))
    fits = _reference_fits(design.directions, design.orientations_deg, probe, share)
    early, late = (float(np.mean([one.named(more, dof) for one in side])) for side in (fits.early, fits.late))
    room = [float(np.log1p(WORTH)) / u * np.sqrt(more) - t_factor(dof, 0.95) for u in fits.u]
    healthy = [max(0.0, 1 - 3 * 2 * float(special.ndtr(-one))) for one in room]
    return ArmPower(early, late, float(np.mean(healthy)))


@dataclass(frozen=True, slots=True)
class _OffArm:
    """An arm that is off, at ``REFERENCE`` touches.

    Attributes
    ----------
    root : float
        Distance from a healthy seat, standard errors, with what a machine may add.
    plain_root : float or None
        The same with nothing of a machine; None with several orientations.
    machine_misfit : float
        What a machine under equal arms leaves unexplained, variances.
    cost, waves : float
        What its further parameters cost, and their number.
    """

    root: float
    plain_root: float | None = None
    machine_misfit: float = 0.0
    cost: float = 0.0
    waves: int = 0

    def named(self, more: float, dof: float) -> float:
        """Chance that the arm is named, with so many times the touches."""
        border = float(special.stdtrit(dof, 1 - GAIN_RISK))
        chance = float(special.ndtr(self.root * np.sqrt(more) - border))
        if self.plain_root is None:
            return chance
        plain = float(special.ndtr(self.plain_root * np.sqrt(more) - border))
        misfit = self.machine_misfit * more
        gap = misfit - self.waves + self.cost - CLEARLY
        preferred = float(special.ndtr(gap / (2 * np.sqrt(misfit + self.waves))))
        return max(chance, plain * preferred)


@dataclass(frozen=True, slots=True)
class _Fits:
    """At ``REFERENCE`` touches, for each azimuth of the arms.

    Attributes
    ----------
    early, late : tuple of _OffArm
    u : tuple of float
        Standard error of the contrast of equal arms.
    """

    early: tuple[_OffArm, ...]
    late: tuple[_OffArm, ...]
    u: tuple[float, ...]


@lru_cache(maxsize=1024)
def _reference_fits(
    directions: int, orientations_deg: tuple[float, ...], probe: ExpectedProbe, share: float
) -> _Fits:
    design = Design(directions, REFERENCE, orientations_deg)
    early, late = (
        tuple(_off_arm(ideal_turns(design, probe, arm, gain=gain)) for arm in probe.arms_deg)
        for gain in (1 - share, 1 + share)
    )
    beside: Beside = "reversal value" if len(orientations_deg) == 1 else "waves"
    equal = (contact_gains(ideal_turns(design, probe, arm), beside=beside) for arm in probe.arms_deg)
    return _Fits(early, late, tuple(one.u for one in equal))


def _off_arm(turns: Sequence[Turn]) -> _OffArm:
    if len(turns) > 1:
        return _OffArm(_root(contact_gains(turns, beside="waves")))
    machine, plain = (contact_gains(turns, beside=beside) for beside in ("reversal value", "nothing"))
    waves = machine.parameters - plain.parameters - 1
    return _OffArm(
        _root(machine), _root(plain), machine.alike_misfit, waves * float(np.log(plain.directions)), waves
    )


def _root(gains: ContactGains) -> float:
    p = max(min(min(arm.early_p, arm.late_p) for arm in gains.arms), 1e-300)
    return float(stats.t.isf(p, gains.dof))
