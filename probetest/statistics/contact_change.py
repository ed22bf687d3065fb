"""Gains of the arms before and after a service of the probe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.contact_gains import ContactGains
from probetest.statistics.contact_sectors import SectorScatter
from probetest.statistics.families import holm
from probetest.statistics.intervals import Interval

SAME_ARM_DEG = 20.0
"""Arms of two tests are the same within this angle; three arms stand 120 deg apart."""

CHANGE_RISK = 0.05
"""Chance that any arm seems to have changed where none has."""

Word = Literal["changed", "no change shown"]


@dataclass(frozen=True, slots=True)
class ArmChange:
    """One arm in two tests.

    Attributes
    ----------
    azimuth_deg : float
        As in the first test.
    before, after : float
        Logarithm of its opening force against the other two.
    change : float
        ``after`` less ``before``.
    interval : Interval
        95 %, of ``change``.
    p : float
        Chance of so large a change, either way, by scatter alone.
    scatter_ratio : float or None
        Scatter of its sector against the others, after by before; None where it isn't known in both, or one
        of them is 0 or infinite.
    word : str
        After Holm over the three arms.
    """

    azimuth_deg: float
    before: float
    after: float
    change: float
    interval: Interval
    p: float
    scatter_ratio: float | None
    word: Word


def arm_changes(
    before: ContactGains,
    after: ContactGains,
    scatter: tuple[tuple[SectorScatter, ...], tuple[SectorScatter, ...]] = ((), ()),
    level: float = 0.95,
) -> tuple[ArmChange, ...]:
    """Change of each arm from one test to another of the same probe.

    Parameters
    ----------
    before, after : ContactGains
    scatter : tuple of two tuples of SectorScatter
        Of both tests; empty where it is not known.
    level : float
        Of the intervals.

    Returns
    -------
    tuple of ArmChange
        Of the three arms. Errors of the tests are independent; degrees of freedom after Welch and
        Satterthwaite; chances after Holm.

    Raises
    ------
    StatisticsError
        Where the arms of the tests stand at different azimuths.
    """
    turned = [
        int(np.argmin([abs(_between(one.azimuth_deg, arm.azimuth_deg)) for one in after.arms]))
        for arm in before.arms
    ]
    off = max(
        abs(_between(after.arms[other].azimuth_deg, arm.azimuth_deg))
        for arm, other in zip(before.arms, turned, strict=True)
    )
    if off > SAME_ARM_DEG or sorted(turned) != [0, 1, 2]:
        raise StatisticsError(
            f"the arms of the two tests stand {off:.0f} deg apart; log the orientation of the probe in the "
            "spindle from the same mark in both"
        )
    parts = []
    for place, other in enumerate(turned):
        first, second = before.arms[place], after.arms[other]
        u = float(np.hypot(first.u, second.u))
        dof = u**4 / (first.u**4 / before.dof + second.u**4 / after.dof)
        change = second.contrast - first.contrast
        half = float(special.stdtrit(dof, (1 + level) / 2)) * u
        p = float(2 * special.stdtr(dof, -abs(change) / u))
        ratio = _by(scatter[1][other].ratio, scatter[0][place].ratio) if all(scatter) else None
        parts.append((first, second, change, Interval(change - half, change + half, level), p, ratio))
    adjusted = holm([part[4] for part in parts])
    return tuple(
        ArmChange(
            first.azimuth_deg, first.contrast, second.contrast, change, interval, p, ratio,
            "changed" if own is not None and own < CHANGE_RISK else "no change shown",
        )
        for (first, second, change, interval, p, ratio), own in zip(parts, adjusted, strict=True)
    )  # fmt: skip


def _by(after: float, before: float) -> float | None:
    """Ratio of what can be divided."""
    return after / before if 0 < before < np.inf and 0 < after < np.inf else None


def _between(first_deg: float, second_deg: float) -> float:
    """Angle from the second to the first, in [-180, 180)."""
    return (first_deg - second_deg + 180.0) % 360.0 - 180.0
