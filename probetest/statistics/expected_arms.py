"""Whether a planned test would name an arm that opens early or late, and show that none does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special, stats

from probetest.statistics.contact_evidence import GAIN_RISK
from probetest.statistics.contact_finding import CLEARLY
from probetest.statistics.contact_gains import Beside, ContactGains, contact_gains
from probetest.statistics.expected import REFERENCE, Design, ExpectedProbe, ideal_turns
from probetest.statistics.intervals import t_factor
from probetest.statistics.turns import Turn

WORTH = 0.15
"""Share by which an arm opens early or late that is worth naming."""

NO_LOBES_MM = 1e-5
"""A smaller variation has no arms to tell apart."""


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
