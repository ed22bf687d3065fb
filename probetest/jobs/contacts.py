"""The contacts of one probe: the evidence of a stage, put together for `find_fault`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series
from probetest.jobs.separating import turn_of, why_unusable
from probetest.statistics.approach import group_means, unit_vectors
from probetest.statistics.contact_evidence import Failed, Seen, Size, unsteady
from probetest.statistics.contact_finding import Finding, find_fault
from probetest.statistics.contact_gains import ContactGains, contact_gains
from probetest.statistics.contact_sectors import (
    SectorEvents,
    SectorScatter,
    sector_events,
    sector_of,
    sector_scatter,
)
from probetest.statistics.contact_steps import CentreSteps, StepsJudged, find_centre_steps, judge_steps
from probetest.statistics.hysteresis import Hysteresis
from probetest.statistics.intervals import proportion_interval
from probetest.statistics.turns import Turn
from probetest.triggers import LEVEL_DEG

Floats = NDArray[np.float64]
Found = TypeVar("Found")

MEDIAN_FACTOR = float(np.sqrt(np.pi / 2))
"""Standard error of a median by that of a mean, of many normal touches."""

NORMAL_MEDIAN = 0.6745
"""Median distance of normal touches from their middle, in sd."""

FAR, VERY_FAR = 2.5, 4.0
"""A touch is far off beyond so many sd, as the median distance tells it; few very far ones say more."""

STATED_DEG = 10.0
"""A stated azimuth of an arm may be off by so much."""

IN_TURN = 0.5
"""Where more touches than this follow one of the same direction, directions were not touched in turn."""

FEW = 5
"""Below so many touches of a direction they are held against their mean instead of their median."""

DRIFT_COLUMNS = 7
"""Of the drift: level up to the third power of the order, centre up to the second."""

DRIFT_RISK = 0.001
"""Chance that a drift of level and centre is taken out where there is none."""


@dataclass(frozen=True, slots=True)
class Contacts:
    """What a stage says about the contacts of the probe.

    Attributes
    ----------
    stage : str
    orientations_deg : tuple of float
    touches : int
        Horizontal touches that were used.
    finding : Finding
    seen : Seen
    steps : tuple of (float, CentreSteps)
        Of each orientation.
    arm_stated : bool
        The azimuth of the arms is that of a mark and not estimated.
    notes : tuple of str
        What could not be looked at, and why.
    """

    stage: str
    orientations_deg: tuple[float, ...]
    touches: int
    finding: Finding
    seen: Seen
    steps: tuple[tuple[float, CentreSteps], ...]
    arm_stated: bool
    notes: tuple[str, ...]

    @property
    def not_seen(self) -> tuple[str, ...]:
        """What this test would not have seen."""
        least = [steps.least_mm for _, steps in self.steps if np.isfinite(steps.least_mm)]
        failed = self.seen.failed
        told = []
        if least:
            told.append(f"a step of the centre below about {1000 * max(least):.0f} µm")
        if not self.seen.scatter:
            told.append("an unsteady sector")
        if self.seen.before is None:
            told.append("a seat that depends on the touch before")
        told.append(
            f"a circuit that fails in fewer than {100 * failed.rate.upper:.2g} % of the approaches (95 %)"
        )
        return tuple(told)

    @property
    def gains(self) -> ContactGains | None:
        """Gains of the arms, with what a machine may add where that can be told."""
        return self.seen.gains or self.seen.plain


def contacts_of(
    parts: Sequence[tuple[Series, Analysis | None]],
    frame: pd.DataFrame,
    *,
    arm_azimuth_deg: float | None = None,
    before: Hysteresis | None = None,
    clockwise: bool = False,
) -> Contacts:
    """Look at the contacts of one stage.

    Parameters
    ----------
    parts : sequence of (Series, Analysis or None)
        The stage at each orientation.
    frame : pandas.DataFrame
        All approaches of the log.
    arm_azimuth_deg : float, optional
        Azimuth of an arm on the body of the probe, where it is marked.
    before : Hysteresis, optional
        Whether the touch before matters.
    clockwise : bool
        The orientations seem to be counted the other way: the first one is used alone.
    """
    stage = parts[0][0].stage
    usable = [(part, found) for part, found in parts if found is not None and not why_unusable(found)]
    if clockwise:
        usable = usable[:1]
    looks = [_Look(part, found) for part, found in usable]
    arm_azimuth_deg, wrong = _stated(looks, arm_azimuth_deg)
    turned = len({look.part.orientation_deg % 360 for look in looks}) > 1
    gains, reason = _try(
        lambda: contact_gains(
            [look.turn() for look in looks],
            beside="waves" if turned else "reversal value",
            arm_azimuth_deg=arm_azimuth_deg,
        ),
        looks,
    )
    plain = None
    if not turned:
        plain, plain_reason = _try(
            lambda: contact_gains(
                [look.turn() for look in looks], beside="nothing", arm_azimuth_deg=arm_azimuth_deg
            ),
            looks,
        )
        reason = plain_reason or reason
    told = gains or plain
    base = None if told is None else told.arms[0].azimuth_deg
    notes = [*wrong, *([reason] if told is None else [])]
    scatter: tuple[SectorScatter, ...] = ()
    judged: tuple[StepsJudged, ...] = ()
    early: SectorEvents | None = None
    late = (0, 0, 0)
    if told is not None and base is not None:
        scattered, why = _try(lambda: _scatter(looks, base), looks)
        scatter = scattered or ()
        notes += [why] if why else []
        early, late = _far(looks, base)
        judged = tuple(
            judge_steps(look.steps, base, look.part.orientation_deg, arm_u_deg=told.arm_u_deg)
            for look in looks
        )
    notes += [look.steps.reason for look in looks[:1] if look.steps.reason]
    seen = Seen(
        gains=gains,
        gains_reason=reason,
        plain=plain,
        by_medians=None,
        scatter=scatter,
        early_touches=early,
        late_touches=late,
        failed=_failed(frame, stage, base, [look.part.orientation_deg for look in looks]),
        steps=judged,
        before=before,
        size=None,
        in_turn=all(look.in_turn for look in looks),
    )
    if told is not None and unsteady(seen):
        medians, _ = _try(
            lambda: contact_gains(
                [look.turn(medians=True) for look in looks],
                beside=told.beside,
                arm_azimuth_deg=arm_azimuth_deg,
            ),
            looks,
        )
        seen = replace(seen, by_medians=medians)
    return Contacts(
        stage=stage,
        orientations_deg=tuple(look.part.orientation_deg for look in looks),
        touches=sum(len(look.reading) for look in looks),
        finding=find_fault(seen),
        seen=seen,
        steps=tuple((look.part.orientation_deg, look.steps) for look in looks),
        arm_stated=arm_azimuth_deg is not None,
        notes=tuple(notes),
    )


def _stated(looks: Sequence[_Look], arm_deg: float | None) -> tuple[float | None, list[str]]:
    """The stated azimuth of an arm, unless the readings put the arms elsewhere, which is said."""
    if arm_deg is None:
        return None, []
    turned = len({look.part.orientation_deg % 360 for look in looks}) > 1
    free, _ = _try(
        lambda: contact_gains([look.turn() for look in looks], beside="waves" if turned else "nothing"), looks
    )
    if free is None:
        return arm_deg, []
    off = (free.arms[0].azimuth_deg - arm_deg + 60.0) % 120.0 - 60.0
    if abs(off) <= max(STATED_DEG, 4 * free.arm_u_deg):
        return arm_deg, []
    found = ", ".join(f"{arm.azimuth_deg:.0f}" for arm in free.arms)
    return None, [
        f"the log states an arm at {arm_deg:g}°, the readings put the arms at {found}°, which were taken: "
        "correct arm_azimuth_deg (where an arm is, not where the stylus moves), or leave it out"
    ]


def _try(compute: Callable[[], Found], looks: Sequence[_Look]) -> tuple[Found | None, str]:
    if not looks:
        return None, "no orientation has enough directions to show a curve"
    try:
        return compute(), ""
    except StatisticsError as error:
        return None, str(error)


class _Look:
    """One orientation, steps of its centre taken out."""

    def __init__(self, part: Series, found: Analysis) -> None:
        self.part, self.found = part, found
        readings = found.readings
        self.azimuth, self.direction = readings.azimuth_deg, readings.direction
        self.in_turn = bool(np.mean(np.diff(self.direction[np.argsort(found.order)]) == 0) < IN_TURN)
        self.body = np.mod(self.azimuth - part.orientation_deg, 360.0)
        self.steps = find_centre_steps(readings.reading_mm, self.direction, self.azimuth, found.order)
        moved = _moved(self.steps, found.order, self.azimuth[self.direction])
        still = readings.reading_mm - moved
        drift = _drifted(still, self.direction, self.azimuth, found.order)
        self.drifted = bool(drift.any())
        self.reading = still - drift
        means = group_means(self.reading, self.direction, len(self.azimuth))
        self.deviation = self.reading - means[self.direction]
        counts = np.bincount(self.direction)
        self.medians = np.array([np.median(self.reading[self.direction == one]) for one in range(len(means))])

        # Of few touches one is the median itself.
        few = counts[self.direction] < FEW
        own = self.deviation * np.sqrt(counts / np.maximum(counts - 1, 1))[self.direction]
        self.away = np.where(few, own, self.reading - self.medians[self.direction])

    def turn(self, *, medians: bool = False) -> Turn:
        """Means of the directions, or medians, and their scatter."""
        turn = turn_of(self.part, self.found)
        if medians:
            return replace(turn, mean_mm=self.medians, sd_mm=MEDIAN_FACTOR * turn.sd_mm)
        if not self.steps.steps and not self.drifted:
            return turn
        means = group_means(self.reading, self.direction, len(self.azimuth))
        dof = (
            len(self.reading)
            - len(means)
            - 3 * len(self.steps.steps)
            - (DRIFT_COLUMNS if self.drifted else 0)
        )
        sd = float(np.sqrt((self.deviation**2).sum() / dof))
        return replace(turn, mean_mm=means, sd_mm=sd, dof=float(dof))


def _moved(steps: CentreSteps, order: NDArray[np.int64], azimuth_deg: Floats) -> Floats:
    """What the steps add to each reading."""
    motion = unit_vectors(azimuth_deg)
    added = np.zeros(len(order))
    for step in steps.steps:
        added += (order > step.after_touch) * (step.level_mm + motion @ np.asarray(step.shift_mm))
    return added


def _drifted(
    reading_mm: Floats, direction: NDArray[np.intp], azimuth_deg: Floats, order: NDArray[np.int64]
) -> Floats:
    """Smooth drift of level and centre, where it stands out of the scatter; zeros elsewhere."""
    place = (order - order.mean())[:, None] / max(float(np.ptp(order)), 1.0)
    motion = unit_vectors(azimuth_deg)[direction]
    columns = np.hstack([place, place**2, place**3, place * motion, place**2 * motion])
    cells = len(azimuth_deg)
    within = columns - np.column_stack([group_means(c, direction, cells) for c in columns.T])[direction]
    away = reading_mm - group_means(reading_mm, direction, cells)[direction]
    size, _, rank, _ = np.linalg.lstsq(within, away, rcond=1e-8)
    path = within @ size
    dof = len(away) - cells - int(rank)
    left = float(((away - path) ** 2).sum())
    if dof < 1 or not rank or not left > 0:
        return np.zeros(len(away))
    clear = stats.f.sf(float((path**2).sum()) / rank / (left / dof), rank, dof) < DRIFT_RISK
    return np.asarray(columns @ size if clear else np.zeros(len(away)))


def _scatter(looks: Sequence[_Look], base_deg: float) -> tuple[SectorScatter, SectorScatter, SectorScatter]:
    starts = np.cumsum([0, *(len(look.azimuth) for look in looks)])
    cell = np.concatenate([look.direction + start for look, start in zip(looks, starts, strict=False)])
    return sector_scatter(
        np.concatenate([look.deviation for look in looks]),
        cell,
        np.concatenate([look.azimuth for look in looks]),
        np.concatenate([look.body for look in looks]),
        base_deg,
    )


def _far(looks: Sequence[_Look], base_deg: float) -> tuple[SectorEvents, tuple[int, int, int]]:
    """Touches far before the median of their direction, by sector, and how many come as far behind it."""
    body = np.concatenate([look.body[look.direction] for look in looks])
    away = np.concatenate([look.away for look in looks])
    spread = float(np.median(np.abs(away))) / NORMAL_MEDIAN
    found = []
    for border in (FAR, VERY_FAR) if spread > 0 else (np.inf,):
        early = sector_events(body[away < -border * spread], body, base_deg)
        sectors = sector_of(body[away > border * spread], base_deg)
        first, second, third = (int((sectors == arm).sum()) for arm in range(3))
        found.append((early, (first, second, third)))
    # Both borders are looked at: twice the smaller chance (Bonferroni).
    early, late = min(found, key=lambda one: one[0].p)
    return replace(early, p=min(1.0, len(found) * early.p)), late


def _failed(
    frame: pd.DataFrame, stage: str, base_deg: float | None, orientations_deg: Sequence[float]
) -> Failed:
    mine = frame[frame["stage"] == stage]
    counts = mine["outcome"].value_counts()
    missed, opened, false = (int(counts[name]) for name in ("missed", "open_at_start", "false"))
    sectors = None
    level = mine[(mine["elevation_deg"].abs() <= LEVEL_DEG) & mine["orientation_deg"].isin(orientations_deg)]
    if base_deg is not None and missed:
        body = (level["azimuth_deg"] - level["orientation_deg"]).to_numpy()
        sectors = sector_events(body[(level["outcome"] == "missed").to_numpy()], body, base_deg)
    rate = proportion_interval(missed + opened + false, len(mine))
    return Failed(len(mine), missed, opened, false, rate, sectors)


def _size(told: ContactGains | None, earlier: ContactGains | None) -> Size | None:
    if told is None or earlier is None:
        return None
    if told.directions != earlier.directions or told.beside != earlier.beside:
        return None
    u = float(np.hypot(told.lobe_u_mm / told.lobe_mm, earlier.lobe_u_mm / earlier.lobe_mm))
    return Size(float(np.log(told.lobe_mm / earlier.lobe_mm)), u, told.touches + earlier.touches)


def against_earlier(found: Contacts, earlier: Contacts) -> Contacts:
    """The same with the size of the curve held against an earlier test with the same stylus."""
    seen = replace(found.seen, size=_size(found.gains, earlier.gains))
    return replace(found, seen=seen, finding=find_fault(seen))
