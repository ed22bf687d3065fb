"""The contacts before and after a service."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from probetest.errors import StatisticsError
from probetest.jobs.contacts import Contacts
from probetest.statistics.contact_change import ArmChange, arm_changes
from probetest.statistics.contact_evidence import comes_early
from probetest.statistics.contact_sectors import SCATTER_RISK
from probetest.statistics.intervals import proportion_interval

ServiceVerdict = Literal["helped", "changed", "no change shown", "can't tell"]


@dataclass(frozen=True, slots=True)
class Service:
    """A test before a service held against one after it.

    Attributes
    ----------
    before, after : Contacts
    changes : tuple of ArmChange
        Empty where the arms can't be held against each other.
    verdict : str
        "helped": a fault was found, none after it, and the change is shown: of an arm, or of the scatter or
        early touches of its sector, the 95 % intervals of which then lie apart. "changed": a change is shown.
        "no change shown" or "can't tell".
    reason : str
        Why arms can't be compared; empty otherwise.
    """

    before: Contacts
    after: Contacts
    changes: tuple[ArmChange, ...]
    verdict: ServiceVerdict
    reason: str


def service_of(before: Contacts, after: Contacts) -> Service:
    """Hold the contacts after a service, or a change of spring or stylus, against those before."""
    if before.gains is None or after.gains is None:
        reason = "; ".join(
            dict.fromkeys(one.seen.gains_reason for one in (before, after) if one.gains is None)
        )
        return Service(before, after, (), "can't tell", reason)
    try:
        changes = arm_changes(before.gains, after.gains, (before.seen.scatter, after.seen.scatter))
    except StatisticsError as error:
        return Service(before, after, (), "can't tell", str(error))
    changed = any(one.word == "changed" for one in changes)
    was = before.finding.first.kind not in ("healthy", "unknown", "machine")
    now = after.finding.first.kind == "healthy"
    if was and now and (changed or _steadied(before, after) or _closes(before, after)):
        return Service(before, after, changes, "helped", "")
    return Service(before, after, changes, "changed" if changed else "no change shown", "")


def _steadied(before: Contacts, after: Contacts) -> bool:
    """Whether an unsteady sector is steadier than before: touches that it spoils may leave its gain alone."""
    if before.gains is None or after.gains is None:
        return False
    azimuths = np.array([arm.azimuth_deg for arm in after.gains.arms])
    same = [
        int(np.argmax(np.cos(np.deg2rad(azimuths - arm.azimuth_deg)))) for arm in before.gains.arms
    ]  # fmt: skip
    for was in before.seen.scatter:
        now = next((one for one in after.seen.scatter if one.arm == same[was.arm]), None)
        if now is not None and was.p < SCATTER_RISK and was.interval.lower > now.interval.upper:
            return True
    early, later, arm = before.seen.early_touches, after.seen.early_touches, comes_early(before.seen)
    if early is None or later is None or arm is None or early.rate is None or not later.touches[same[arm]]:
        return False
    rate = proportion_interval(later.events[same[arm]], later.touches[same[arm]])
    return early.rate.lower > rate.upper


def _closes(before: Contacts, after: Contacts) -> bool:
    """Whether fewer approaches end without a valid trigger than before."""
    return before.seen.failed.rate.lower > after.seen.failed.rate.upper
