"""Simulated tests with a known fault of the seat or its contacts, and of what can be taken for one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from probetest.errors import StatisticsError
from probetest.simulate import ARM_STEP_DEG, Mill, Plan, Probe, Simulated, simulate_turned
from probetest.triggers import OUTCOMES

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Bools = NDArray[np.bool_]

Kind = Literal[
    "healthy", "early", "late", "unequal_springs", "tilted", "intermittent", "noisy", "loose_stylus",
    "weak_spring", "open", "missed", "hysteresis", "machine", "drift",
]  # fmt: skip

USUAL_RATE = 0.15
"""Share of the touches in the sector of an intermittent contact that trigger early."""

LOOSE_SCATTER, LOOSE_STEPS = 1.3, (3, 6)
"""Of a loose stylus: scatter in that of the probe, fewest and most steps in a test."""

SECTOR_DEG = 60.0 + 1e-6
"""Largest distance of force and arm in the sector of the arm; the border is in, whatever the rounding."""


@dataclass(frozen=True, slots=True)
class KindFacts:
    """What is fixed about a kind: what to call it, the unit of its size ("1" for a ratio), the usual size.

    Attributes
    ----------
    finding, unit : str
    usual, least, below : float
        Sizes: where none is given, the smallest, and one that is too large.
    has_arm : bool
        Whether one arm is at fault.
    """

    finding: str
    unit: str
    usual: float
    least: float = 0.0
    below: float = float("inf")
    has_arm: bool = False


KINDS: Mapping[Kind, KindFacts] = {
    "healthy": KindFacts("healthy", "1", 0.0),
    "early": KindFacts("early", "1", 0.15, below=1.0, has_arm=True),
    "late": KindFacts("late", "1", 0.15, has_arm=True),
    "unequal_springs": KindFacts("healthy", "mm", 0.2),
    "tilted": KindFacts("tilted", "mm", 0.01, has_arm=True),
    "intermittent": KindFacts("intermittent", "mm", 0.01, has_arm=True),
    "noisy": KindFacts("intermittent", "1", 3.0, least=1.0, has_arm=True),
    "loose_stylus": KindFacts("loose_stylus", "mm", 0.01),
    "weak_spring": KindFacts("weak_spring", "1", 0.3, below=1.0),
    "open": KindFacts("open", "1", 0.05, below=1.0),
    "missed": KindFacts("open", "1", 0.1, below=1.0, has_arm=True),
    "hysteresis": KindFacts("hysteresis", "mm", 0.003),
    "machine": KindFacts("healthy", "mm", 0.02),
    "drift": KindFacts("healthy", "mm", 0.01),
}


@dataclass(frozen=True, slots=True)
class ContactFault:
    """A fault, or what can be taken for one.

    Attributes
    ----------
    kind : str
        See Notes.
    arm : int or None
        0, 1 or 2: the arm at fault, at ``Probe.arm_azimuth_deg`` + 120 deg * arm; None draws one.
    size : float or None
        In the unit of the kind; None takes the usual one of ``KINDS``.
    rate : float or None
        "intermittent" only: share of the touches in the sector; None for ``USUAL_RATE``.
    towards_deg : float or None
        "unequal_springs" only: azimuth of the centre of the spring at orientation 0; None draws one.
    leaves : bool
        "tilted" only: the particle leaves again.

    Raises
    ------
    StatisticsError
        For a setting that the kind does not have, or a number out of its range.

    Notes
    -----
    The sector of an arm is all approaches with the force, seen from the probe, at most 60 deg from the
    arm; a touch on the border is in two sectors.

    What happens, and what the size is:

    - healthy: nothing; the size is 0.
    - early: the pair opens at a load of size * F_s / 3: gain of the arm 1 - size.
    - late: the pair opens only when it is pulled by size * F_s / 3: gain 1 + size.
    - unequal_springs: the spring is off the axis by size (mm): gains 1 + 2 size / R cos(arm - towards), so
      that one arm differs from the mean of the others by 3 size / R at most.
    - tilted: a particle under the arm offsets the ball by size (mm) along the arm's azimuth.
    - intermittent: touches of the sector trigger early by at least half the size (mm), the rest exponential
      with a mean of the other half.
    - noisy: touches of the sector scatter size times as far.
    - loose_stylus: the ball jumps ``LOOSE_STEPS`` times by 0.7 to 1.3 size (mm), to any side; scatter
      is ``LOOSE_SCATTER`` times as far.
    - weak_spring: preload times 1 - size.
    - open: the circuit is open before a share of size of all touches.
    - missed: a share of size of the touches of the sector gives no trigger.
    - hysteresis: triggers are late by size (mm) * cos(azimuth of the touch before - present azimuth); not the
      first of an orientation.
    - machine: the mill has a reversal value of size (mm) in x, half of it in y, and a two-lobed error of a
      fifth at 20 deg; the probe is healthy.
    - drift: level and centre change by size (mm) each over the whole test, pauses included: warming up, or
      along a cubic; the probe is healthy.

    A tilt comes at a third to two thirds of the run of one orientation. One that leaves does so not
    sooner than a sixth of a run later, and not later than a sixth of a run before the end of the test.

    Thresholds: statics as in `probetest.simulate.trip_force`; a contact with the threshold N opens at
    the gain 1 - 3 N / F_s. The load of an arm under a spring off the axis follows from the moments.
    """

    kind: Kind
    arm: int | None = None
    size: float | None = None
    rate: float | None = None
    towards_deg: float | None = None
    leaves: bool = False

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise StatisticsError(f"the kind is one of {', '.join(KINDS)}, but got {self.kind!r}")
        facts = KINDS[self.kind]
        for name, given, kinds in (
            ("arm", self.arm is not None, [kind for kind in KINDS if KINDS[kind].has_arm]),
            ("size", bool(self.size), [kind for kind in KINDS if kind != "healthy"]),
            ("rate", self.rate is not None, ["intermittent"]),
            ("towards_deg", self.towards_deg is not None, ["unequal_springs"]),
            ("leaves", self.leaves, ["tilted"]),
        ):
            if given and self.kind not in kinds:
                raise StatisticsError(f"the kind {self.kind} takes no {name}; it is for {', '.join(kinds)}")
        if self.arm not in (None, 0, 1, 2):
            raise StatisticsError(f"the arm is 0, 1 or 2, but got {self.arm}")
        if not 0 <= self.used_rate <= 1:
            raise StatisticsError(f"the rate is a share from 0 to 1, but got {self.rate}")
        if not (facts.least <= self.used_size < facts.below and np.isfinite(self.used_size)):
            span = f"at least {facts.least:g} and below {facts.below:g} ({facts.unit})"
            raise StatisticsError(f"the size of the kind {self.kind} is {span}, but got {self.size}")

    @property
    def used_size(self) -> float:
        """The size as given, or the usual one."""
        return KINDS[self.kind].usual if self.size is None else float(self.size)

    @property
    def used_rate(self) -> float:
        """The rate as given, or the usual one."""
        return USUAL_RATE if self.rate is None else float(self.rate)


@dataclass(frozen=True, slots=True)
class _Touches:
    """The touches of a test as a fault meets them; the sector of no arm is all round."""

    count: int
    per_run: int
    azimuth_deg: Floats
    elapsed: Floats
    in_sector: Bools
    sd_mm: float
    along_deg: float


@dataclass(slots=True)
class _Change:
    """What a fault does to touches; offsets as x + iy, that of the ball as the probe has it."""

    late_mm: Floats | float = 0.0
    ball_mm: Complexes | complex = 0.0
    place_mm: Complexes | complex = 0.0
    marked: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    outcome: str | None = None
    truth: dict[str, Any] = field(default_factory=dict)


def simulate_fault(
    probe: Probe,
    mill: Mill,
    plan: Plan,
    fault: ContactFault,
    *,
    rng: np.random.Generator,
    orientations_deg: Sequence[float] | None = None,
) -> Simulated:
    """Run a test inside a ring with a fault, at one or several orientations one after the other.

    Parameters
    ----------
    probe : Probe
        Its thresholds are added to those of the fault.
    mill, plan : Mill, Plan
    fault : ContactFault
    rng : numpy.random.Generator
        The only source of chance. Scatter, jitter and sequence of a seed are the same whatever the fault.
    orientations_deg : sequence of float, optional
        By default that of the plan.

    Returns
    -------
    Simulated
        The truth is that of `probetest.simulate.simulate_turned` for the probe and mill as used, without what
        changes from touch to touch; but ``arm_azimuth_deg`` is that of the fault. It holds besides:

        - kind, finding, size, size_unit, rate (None where there is none);
        - arm, arm_azimuth_deg: number of the arm at fault and its azimuth in [0, 360) at orientation 0, on
          the side of the force; None where there is none;
        - seat_azimuth_deg: of one arm at the first orientation, in [0, 120);
        - gains: force at which each arm opens, in that of a contact without threshold;
        - touches: numbers of the touches that trigger early, are lost, or from which on the ball is
          elsewhere;
        - towards_deg ("unequal_springs"; also "drift", of the centre); course ("drift").

    Raises
    ------
    StatisticsError
        For a spring so far off the axis that an arm lifts, a plan too short for the fault, or no orientation.
    """
    turns = (plan.orientation_deg,) if orientations_deg is None else tuple(map(float, orientations_deg))
    per_run = plan.directions * plan.repeats
    if not turns or per_run < 12:
        raise StatisticsError(f"a fault needs 12 touches at an orientation, got {per_run} at {len(turns)}")
    # Drawn in any case, so that a seed gives the same scatter whatever the fault.
    drawn_arm, drawn_towards_deg = int(rng.integers(3)), float(rng.uniform(0.0, 360.0))
    facts = KINDS[fault.kind]
    arm = None if not facts.has_arm else drawn_arm if fault.arm is None else fault.arm
    arm_deg = None if arm is None else float((probe.arm_azimuth_deg + ARM_STEP_DEG * arm) % 360.0)
    towards_deg = drawn_towards_deg if fault.towards_deg is None else float(fault.towards_deg)
    used = _faulty(probe, plan, fault, arm, towards_deg)
    size, step_mm = fault.used_size, mill.step_mm
    # Positions are rounded after the fault, not before.
    mill = replace(mill, step_mm=0.0)
    if fault.kind == "machine":
        mill = replace(mill, reversal_mm=(size, size / 2), two_lobe_mm=size / 5, two_lobe_azimuth_deg=20.0)
    run = simulate_turned(used, mill, plan, turns, rng=rng)
    azimuth, turned, time = (run.frame[c].to_numpy() for c in ("azimuth_deg", "orientation_deg", "time"))
    elapsed = (time - time[0]) / max(time[-1] - time[0], np.timedelta64(1, "ms"))
    inside = np.ones(len(time), dtype=bool) if arm_deg is None else sector_of(arm_deg, azimuth, turned)
    along_deg = towards_deg if arm_deg is None else arm_deg
    touches = _Touches(len(time), per_run, azimuth, elapsed, inside, run.truth["sd_mm"], along_deg)
    change = _CHANGES[fault.kind](touches, fault, rng) if fault.kind in _CHANGES else _Change()
    if fault.kind == "unequal_springs":
        change.truth["towards_deg"] = towards_deg
    known = {
        "kind": fault.kind, "finding": facts.finding, "size": size, "size_unit": facts.unit,
        "rate": fault.used_rate if fault.kind == "intermittent" else None,
        "arm": arm, "arm_azimuth_deg": arm_deg, "seat_azimuth_deg": run.truth["arm_azimuth_deg"],
        "gains": [1.0 - 3.0 * threshold / used.preload_n for threshold in used.threshold_n],
        "touches": (change.marked + 1).tolist(), "step_mm": step_mm,
    }  # fmt: skip
    return Simulated(_changed(run.frame, change, step_mm), run.truth | known | change.truth)


def sector_of(arm_azimuth_deg: float, azimuth_deg: ArrayLike, orientation_deg: ArrayLike = 0.0) -> Bools:
    """Which approaches are in the sector of an arm.

    Parameters
    ----------
    arm_azimuth_deg : float
        Of the arm at orientation 0, on the side of the force.
    azimuth_deg, orientation_deg : array_like, deg
        Of the motion, and of the probe.

    Returns
    -------
    numpy.ndarray of bool
        Whether the force, seen from the probe, is at most 60 deg from the arm.
    """
    force = np.asarray(azimuth_deg, dtype=float) + 180.0 - np.asarray(orientation_deg, dtype=float)
    away = np.abs(np.mod(force - arm_azimuth_deg + 180.0, 360.0) - 180.0)
    return np.asarray(away <= SECTOR_DEG)


def _faulty(probe: Probe, plan: Plan, fault: ContactFault, arm: int | None, towards_deg: float) -> Probe:
    size = fault.used_size
    if fault.kind == "loose_stylus":
        jitter_mm = plan.feed_mm_min / 60.0 * probe.jitter_s / np.sqrt(12.0)
        variance = LOOSE_SCATTER**2 * (probe.sd_mm**2 + jitter_mm**2) - jitter_mm**2
        return replace(probe, sd_mm=float(np.sqrt(variance)))
    preload_n = probe.preload_n * (1.0 - size) if fault.kind == "weak_spring" else probe.preload_n
    more = np.zeros(3)
    if fault.kind in ("early", "late"):
        more[arm] = size if fault.kind == "late" else -size
    elif fault.kind == "unequal_springs":
        arms = np.deg2rad(probe.arm_azimuth_deg + ARM_STEP_DEG * np.arange(3) - towards_deg)
        more = 2.0 * size / probe.seat_radius_mm * np.cos(arms)
    # An arm that carries more opens as late as one with a threshold lower by as much.
    first, second, last = (float(t) for t in np.asarray(probe.threshold_n) - more * preload_n / 3.0)
    if max(first, second, last) >= preload_n / 3.0:
        raise StatisticsError("the fault leaves no load on an arm; its contacts would be open at rest")
    return replace(probe, preload_n=preload_n, threshold_n=(first, second, last))


def _changed(frame: pd.DataFrame, change: _Change, step_mm: float) -> pd.DataFrame:
    position = frame["x_mm"].to_numpy() + 1j * frame["y_mm"].to_numpy()
    position = position + change.late_mm * _unit(frame["azimuth_deg"]) + change.place_mm
    # The spindle stands back by as much as the ball stands out.
    position = position - change.ball_mm * _unit(frame["orientation_deg"])
    if step_mm:
        position = np.round(position / step_mm) * step_mm
    if change.outcome is not None:
        position[change.marked] = complex(np.nan, np.nan)
        outcome = frame["outcome"].to_numpy(dtype=object, copy=True)
        outcome[change.marked] = change.outcome
        frame["outcome"] = pd.Categorical(outcome, categories=list(OUTCOMES))
        frame["z_mm"] = frame["z_mm"].mask(np.isnan(position))
    frame["x_mm"], frame["y_mm"] = position.real, position.imag
    return frame


def _unit(azimuth_deg: ArrayLike) -> Complexes:
    return np.asarray(np.exp(1j * np.deg2rad(np.asarray(azimuth_deg, dtype=float))))


def _tilted(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    per_run, end = touches.per_run, touches.count
    start = int(rng.integers(end // per_run)) * per_run
    start += int(rng.integers(per_run // 3, 2 * per_run // 3 + 1))
    if fault.leaves:
        end = int(rng.integers(start + per_run // 6, end - per_run // 6 + 1))
    ball = np.zeros(touches.count, dtype=complex)
    ball[start:end] = fault.used_size * _unit(touches.along_deg)
    marked = [start, end] if fault.leaves else [start]
    return _Change(ball_mm=ball, marked=np.array(marked, dtype=np.intp))


def _intermittent(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    hit = (rng.random(touches.count) < fault.used_rate) & touches.in_sector
    early = fault.used_size * (0.5 + 0.5 * rng.standard_exponential(touches.count))
    return _Change(late_mm=np.where(hit, -early, 0.0), marked=np.flatnonzero(hit))


def _noisy(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    more = touches.sd_mm * np.sqrt(fault.used_size**2 - 1.0) * rng.standard_normal(touches.count)
    return _Change(late_mm=np.where(touches.in_sector, more, 0.0))


def _loose(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    count = int(rng.integers(LOOSE_STEPS[0], LOOSE_STEPS[1] + 1))
    at = np.sort(rng.choice(np.arange(1, touches.count), count, replace=False))
    steps = np.zeros(touches.count, dtype=complex)
    length = fault.used_size * rng.uniform(0.7, 1.3, count)
    steps[at] = length * _unit(rng.uniform(0.0, 360.0, count))
    return _Change(ball_mm=steps.cumsum(), marked=at)


def _lost(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    hit = (rng.random(touches.count) < fault.used_size) & touches.in_sector
    outcome = "missed" if fault.kind == "missed" else "open_at_start"
    return _Change(marked=np.flatnonzero(hit), outcome=outcome)


def _hysteresis(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    del rng  # nothing is left to chance
    before = np.deg2rad(np.roll(touches.azimuth_deg, 1) - touches.azimuth_deg)
    late = fault.used_size * np.cos(before)
    late[:: touches.per_run] = 0.0
    return _Change(late_mm=late)


def _drift(touches: _Touches, fault: ContactFault, rng: np.random.Generator) -> _Change:
    course = ("warm-up", "cubic")[int(rng.integers(2))]
    warm = np.expm1(-4.0 * touches.elapsed) / np.expm1(-4.0)
    share = warm if course == "warm-up" else 0.5 + 4.0 * (touches.elapsed - 0.5) ** 3
    level = fault.used_size * share
    truth = {"course": course, "towards_deg": touches.along_deg}
    return _Change(late_mm=level, place_mm=level * _unit(touches.along_deg), truth=truth)


_CHANGES: dict[Kind, Callable[[_Touches, ContactFault, np.random.Generator], _Change]] = {
    "tilted": _tilted,
    "intermittent": _intermittent,
    "noisy": _noisy,
    "loose_stylus": _loose,
    "open": _lost,
    "missed": _lost,
    "hysteresis": _hysteresis,
    "drift": _drift,
}
