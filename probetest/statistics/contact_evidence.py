"""What was measured on the contacts of a probe, and which of it speaks against a healthy one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from probetest.statistics.contact_gains import ContactGains
from probetest.statistics.contact_sectors import SCATTER_RISK, SectorEvents, SectorScatter
from probetest.statistics.contact_steps import StepsJudged
from probetest.statistics.hysteresis import Hysteresis
from probetest.statistics.intervals import Interval

GAIN_RISK, EVENT_RISK, BEFORE_RISK, WEAKER_RISK = 0.003, 0.001, 0.001, 0.001
"""Chance of each kind of evidence in a healthy test; together, with ``SCATTER_RISK`` of each sector and the
risk of a step of the centre, below 1 %. Gains: of each arm and side."""

SIDE_RISK = 0.05
"""Chance of so many more early than late touches in an unsteady sector that is none."""

WEAKER = float(np.log(0.85))
"""Logarithm of the share of its earlier size below which a spring counts as weaker."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that was looked at.

    Attributes
    ----------
    name : str
    arm_azimuth_deg : float or None
        The arm it speaks of.
    value : float or None
        In ``unit``; None where it can't be told.
    interval : Interval or None
        95 %.
    unit : str
    p : float or None
        Chance of it in a healthy probe.
    shown : bool
        Whether it speaks against a healthy probe beyond its risk.
    n : int
        Touches behind it.
    note : str
    """

    name: str
    arm_azimuth_deg: float | None
    value: float | None
    interval: Interval | None
    unit: str
    p: float | None
    shown: bool
    n: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Failed:
    """Approaches that ended without a trigger at the artefact.

    Attributes
    ----------
    approaches, missed, open_at_start, false : int
    rate : Interval
        Of all of them, exact.
    sectors : SectorEvents or None
        Of the missed ones.
    """

    approaches: int
    missed: int
    open_at_start: int
    false: int
    rate: Interval
    sectors: SectorEvents | None


@dataclass(frozen=True, slots=True)
class Size:
    """Size of the lobes against an earlier test of the same probe and stylus.

    Attributes
    ----------
    change : float
        Logarithm of its ratio to the earlier one.
    u : float
    touches : int
        Of both tests.
    """

    change: float
    u: float
    touches: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What was measured on the contacts.

    Attributes
    ----------
    gains : ContactGains or None
        With what a machine may add.
    gains_reason : str
        Why there are none.
    plain : ContactGains or None
        Of one orientation, nothing of a machine allowed for; None where orientations tell it apart.
    by_medians : ContactGains or None
        As ``gains``, from the medians of the directions; where a sector is unsteady.
    scatter : tuple of SectorScatter
        Of the three arms; empty where it can't be told.
    early_touches : SectorEvents or None
        Touches that came far too early.
    late_touches : tuple of int
        Touches that came as far too late, by the sector of their arm.
    failed : Failed
    steps : tuple of StepsJudged
        Of each orientation.
    before : Hysteresis or None
    size : Size or None
    in_turn : bool
        Directions were touched in turn, so that what changes with time does not look like an arm.
    """

    gains: ContactGains | None
    gains_reason: str
    plain: ContactGains | None
    by_medians: ContactGains | None
    scatter: tuple[SectorScatter, ...]
    early_touches: SectorEvents | None
    late_touches: tuple[int, int, int]
    failed: Failed
    steps: tuple[StepsJudged, ...]
    before: Hysteresis | None
    size: Size | None
    in_turn: bool = True

    def azimuth_deg(self, arm: int | None) -> float | None:
        """Azimuth of an arm."""
        told = self.gains or self.plain
        return None if arm is None or told is None else told.arms[arm].azimuth_deg


def depends(before: Hysteresis) -> bool:
    """Whether the trigger depends on the touch before."""
    return (
        before.verdict == "beyond the margin" and before.effect is not None and before.effect.p < BEFORE_RISK
    )


def chance_as_strong(size: Size) -> float:
    """Chance of so small a curve if it were smaller by no more than a healthy one's."""
    return float(special.ndtr((size.change - WEAKER) / size.u))


def weaker(size: Size) -> bool:
    """Whether the whole curve is smaller than earlier."""
    return chance_as_strong(size) < WEAKER_RISK


def comes_early(seen: Seen) -> int | None:
    """The arm whose sector collects touches that are far too early, and not as many that are late."""
    early = seen.early_touches
    if early is None or early.arm is None or not early.p < EVENT_RISK:
        return None
    events = early.events[early.arm]
    # As many or more early ones among the far ones, by chance (binomial of one half).
    alike = float(special.bdtrc(events - 1, events + seen.late_touches[early.arm], 0.5))
    return early.arm if alike < SIDE_RISK else None


def stepped(one: StepsJudged) -> bool:
    """Whether the centre stepped while the test ran."""
    return one.kind not in ("none", "untold")


def unsteady(seen: Seen) -> bool:
    """Whether any sector scatters more than the others, or collects touches that are far too early."""
    return comes_early(seen) is not None or any(one.p < SCATTER_RISK for one in seen.scatter)


def evidence_of(seen: Seen) -> Iterator[Evidence]:
    """Everything that was looked at."""
    for name, gains in (
        ("opening force", seen.gains),
        ("opening force, no machine", seen.plain),
    ):
        if gains is None:
            continue
        for arm in gains.arms:
            p = min(arm.early_p, arm.late_p)
            limits = Interval(float(np.expm1(arm.interval.lower)), float(np.expm1(arm.interval.upper)), 0.95)
            yield Evidence(name, arm.azimuth_deg, arm.share, limits, "1", p, p < GAIN_RISK, gains.touches)
    for one in seen.scatter:
        azimuth, n = seen.azimuth_deg(one.arm), sum(one.touches)
        yield Evidence(
            "scatter, × the other two", azimuth, one.ratio, one.interval, "1", one.p, one.p < SCATTER_RISK, n
        )
    early = seen.early_touches
    if early is not None:
        shown = comes_early(seen) is not None
        total = sum(early.touches) + early.touches_between
        most = early.events[early.arm] if early.arm is not None else 0
        yield Evidence(
            "far too early touches", seen.azimuth_deg(early.arm), float(most), None, "touches",
            early.p, shown, total,
            f"{sum(early.events) + early.events_between} in all",
        )  # fmt: skip
    failed = seen.failed
    lost = failed.missed + failed.open_at_start + failed.false
    yield Evidence(
        "without a valid trigger", None, lost / failed.approaches, failed.rate, "1", None,
        lost > 0, failed.approaches,
        f"{failed.missed} missed, {failed.open_at_start} open at the start, {failed.false} in free air",
    )  # fmt: skip
    yield from _steps(seen)
    if seen.before is not None and seen.before.effect is not None:
        effect = seen.before.effect
        yield Evidence(
            "pull of the touch before", None, effect.largest_mm, effect.largest_interval_mm, "mm", effect.p,
            depends(seen.before), seen.before.used,
        )  # fmt: skip
    if seen.size is not None:
        half = float(special.ndtri(0.975)) * seen.size.u
        limits = Interval(
            float(np.exp(seen.size.change - half)), float(np.exp(seen.size.change + half)), 0.95
        )
        yield Evidence(
            "lobing, × the earlier test",
            None,
            float(np.exp(seen.size.change)),
            limits,
            "1",
            chance_as_strong(seen.size),
            weaker(seen.size),
            seen.size.touches,
        )


def _steps(seen: Seen) -> Iterator[Evidence]:
    told = [one for one in seen.steps if one.kind != "untold"]
    if not told:
        return
    arms = {one.arm for one in told if stepped(one)}
    gains = seen.gains or seen.plain
    total = sum(len(one.off_deg) for one in told)
    yield Evidence(
        "steps of the centre", seen.azimuth_deg(arms.pop()) if len(arms) == 1 else None,
        float(total), None, "steps", None, any(stepped(one) for one in told), gains.touches if gains else 0,
        f"looked for at {len(told)} of {len(seen.steps)} orientations",
    )  # fmt: skip
