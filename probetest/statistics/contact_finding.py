"""What the evidence on the contacts of a probe is consistent with: one kind of fault, none, or unknown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from probetest.statistics.contact_evidence import (
    EVENT_RISK,
    GAIN_RISK,
    Evidence,
    Seen,
    chance_as_strong,
    comes_early,
    depends,
    evidence_of,
    stepped,
    weaker,
)
from probetest.statistics.contact_gains import ArmGain, ContactGains
from probetest.statistics.contact_sectors import SCATTER_RISK

Kind = Literal[
    "healthy",
    "early",
    "late",
    "tilted",
    "intermittent",
    "loose_stylus",
    "weak_spring",
    "open",
    "hysteresis",
    "machine",
    "unknown",
]

WORTH = float(np.log(1.15))
"""Logarithm of the share by which an arm must differ to be worth a service; healthy says that none does."""

CLEARLY = 9.0
"""Twice the logarithm of the likelihood by which one arm must beat a machine that is not told apart."""

IN_ROWS = "directions were touched in rows, so that a drift or a burst looks like an arm; touch them in turn"
MORE_LOBES = "an artefact or a machine of four lobes and more is told from an arm only by turning the probe"
LIKE_A_MACHINE = "beside equal arms, the curve has what a reversal value or axes of different scale make"

ONE_SIDE = (
    "one orientation: a side of the machine or of the artefact would show the same; turn the probe to tell"
)

LEANING = 0.05
"""An arm that scatter puts beyond a healthy one less often than this is named as possible."""

HINT = 0.003
"""An unsteady sector that scatter makes less often than this is not ruled out."""

MACHINE_RISK = 0.001
"""Chance that a machine's part is seen where none is."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A kind of fault that the evidence is consistent with.

    Attributes
    ----------
    kind : str
    arm_azimuth_deg : float or None
        Azimuth of the arm itself on the body of the probe.
    confidence : float or None
        Share of the likelihood, or 1 less the chance of the evidence without the fault; None where it is seen
        and not inferred. It is about the pattern in the readings, not about its cause.
    why : str
    """

    kind: Kind
    arm_azimuth_deg: float | None
    confidence: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer.

    Attributes
    ----------
    first : Candidate
    others : tuple of Candidate
        What else is shown, or would explain the same.
    evidence : tuple of Evidence
    more_touches : int or None
        How many more would tell an arm of 15 %, where it can't be told yet.
    """

    first: Candidate
    others: tuple[Candidate, ...]
    evidence: tuple[Evidence, ...]
    more_touches: int | None


def find_fault(seen: Seen) -> Finding:
    """The kind of fault that the evidence is consistent with.

    Parameters
    ----------
    seen : Seen

    Returns
    -------
    Finding

    Notes
    -----
    Each kind of evidence is held against a healthy probe at a risk of its own, together below 1 %. Kinds are
    then taken in the order in which one makes the signs of the next: a circuit that is open, a ball that
    moves, an arm that opens early or late, an unsteady contact, a seat that depends on the touch before, a
    weaker spring, a machine. The first is the finding; the others stand beside it.
    """
    evidence = tuple(evidence_of(seen))
    shown = list(_shown(seen))
    if shown and not seen.in_turn and shown[0].kind in ("intermittent", "machine"):
        return Finding(Candidate("unknown", None, None, IN_ROWS), tuple(shown), evidence, None)
    if shown:
        return Finding(shown[0], tuple(shown[1:]), evidence, None)
    gains = seen.gains or seen.plain
    if any(one.shown for one in evidence):
        why = "an arm opens early or late, but another one would explain more by itself"
        return Finding(Candidate("unknown", None, None, why), tuple(_off(seen)), evidence, None)
    if gains is None:
        return Finding(Candidate("unknown", None, None, seen.gains_reason), (), evidence, None)
    if gains.misfit_p < MACHINE_RISK:
        why = "the curve holds what no three arms make, however they open"
        machine = Candidate("machine", None, None, "told from the probe only by turning it in the spindle")
        others = (machine,) if seen.plain is not None else ()
        return Finding(Candidate("unknown", None, None, why), others, evidence, None)
    hints = list(_hints(seen))
    if hints:
        why = "a sector may be unsteady, or not: the readings don't tell"
        return Finding(Candidate("unknown", None, None, why), tuple(hints), evidence, None)
    worse = sum(_chance_worse(arm, gains.dof) for arm in gains.arms)
    if all(arm.interval.lower > -WORTH and arm.interval.upper < WORTH for arm in gains.arms):
        why = "no arm opens more than 15 % early or late, and nothing else stands out"
        return Finding(Candidate("healthy", None, 1 - min(1.0, worse), why), (), evidence, None)
    suspect = max(gains.arms, key=lambda arm: abs(arm.contrast))
    kind: Kind = "early" if suspect.contrast < 0 else "late"
    early = max(0.0, *(-100 * float(np.expm1(arm.interval.lower)) for arm in gains.arms))
    late = max(0.0, *(100 * float(np.expm1(arm.interval.upper)) for arm in gains.arms))
    why = f"an arm could be up to {early:.0f} % early or {late:.0f} % late; nothing points to a fault"
    possible: tuple[Candidate, ...] = ()
    if min(suspect.early_p, suspect.late_p) < LEANING:
        why = f"an arm may open {100 * abs(suspect.share):.0f} % {kind}, or not: the readings don't tell"
        possible = (Candidate(kind, suspect.azimuth_deg, None, "neither shown nor ruled out"),)
    return Finding(Candidate("unknown", None, None, why), possible, evidence, _more(gains))


def _more(gains: ContactGains) -> int | None:
    """Touches that would show, in 9 of 10 tests of equal arms, that none is 15 % off."""
    if gains.excess > 1:
        return None  # what the shape misfits by does not shrink with touches
    wanted = WORTH / (special.ndtri(0.975) + special.ndtri(0.95))
    needed = gains.touches * ((gains.u / wanted) ** 2 - 1)
    return int(np.ceil(needed)) if np.isfinite(needed) and needed >= 1 else None


def _chance_worse(arm: ArmGain, dof: float) -> float:
    return float(sum(special.stdtr(dof, (side * arm.contrast - WORTH) / arm.u) for side in (-1, 1)))


def _shown(seen: Seen) -> Iterator[Candidate]:
    yield from _open(seen)
    yield from _moved(seen)
    arms = list(_apart(seen))
    unsteady = list(_unsteady(seen))
    apart = {one.arm_azimuth_deg for one in arms}
    # Early touches of an unsteady contact make its mean early too, but not its median.
    if arms and unsteady and arms[0].kind == "early" and unsteady[0].arm_azimuth_deg in apart:
        medians = [one for one in seen.by_medians.arms if one.early_p < GAIN_RISK] if seen.by_medians else []
        if not medians and seen.by_medians is not None:
            arms, unsteady = (
                [],
                [*unsteady, *(replace(one, why=f"{one.why}; not of the medians") for one in arms)],
            )
    yield from arms
    yield from unsteady
    failed = seen.failed
    if failed.false:
        why = f"{failed.false} of {failed.approaches} approaches triggered in free air"
        yield Candidate("intermittent", None, None, why)
    before = seen.before
    if before is not None and before.effect is not None and depends(before):
        yield Candidate("hysteresis", None, 1 - before.effect.p, "the trigger depends on the touch before")
    if seen.size is not None and weaker(seen.size):
        why = f"the whole curve is {-100 * np.expm1(seen.size.change):.0f} % smaller than in the earlier test"
        yield Candidate("weak_spring", None, 1 - chance_as_strong(seen.size), why)
    machine = [] if apart else list(_machine(seen))
    if arms and arms[0].kind in ("early", "late"):
        if not seen.in_turn:
            yield Candidate("unknown", None, None, IN_ROWS)
        if seen.plain is not None and not any(one.kind == "machine" for one in arms):
            yield Candidate("machine", None, None, MORE_LOBES)
    yield from machine
    sided = bool(unsteady) or _missing_arm(seen) is not None
    if seen.plain is not None and sided and not machine and not arms:
        yield Candidate("machine", None, None, ONE_SIDE)


def _open(seen: Seen) -> Iterator[Candidate]:
    failed = seen.failed
    if failed.open_at_start or failed.missed:
        why = (
            f"{failed.open_at_start} of {failed.approaches} approaches began with an open circuit, "
            f"{failed.missed} ended without a trigger"
        )
        yield Candidate("open", seen.azimuth_deg(_missing_arm(seen)), None, why)


def _missing_arm(seen: Seen) -> int | None:
    sectors = seen.failed.sectors
    return sectors.arm if sectors is not None and sectors.p < EVENT_RISK else None


def _moved(seen: Seen) -> Iterator[Candidate]:
    moved = [step for step in seen.steps if stepped(step)]
    if not moved:
        return
    arms = {step.arm for step in moved}
    if all(step.kind == "tilted" for step in moved) and len(arms) == 1:
        chance = float(np.prod([step.chance for step in moved]))
        why = "the centre stepped along this arm, as it does when a particle comes under its ball or leaves"
        yield Candidate("tilted", seen.azimuth_deg(moved[0].arm), 1 - chance, why)
        yield Candidate("loose_stylus", None, chance, "steps of the centre go with a loose stylus too")
    elif any(step.kind == "loose_stylus" for step in moved) or len(arms) > 1:
        why = "the centre stepped, and not along one arm of the seat"
        yield Candidate("loose_stylus", None, None, why)
    else:
        yield Candidate("unknown", None, None, "the centre stepped; along one arm or not can't be told")
        yield Candidate("loose_stylus", None, None, "a stylus that moves in its thread steps like this")
        yield Candidate("tilted", seen.azimuth_deg(moved[0].arm), None, "and so does a particle in the seat")


def _apart(seen: Seen) -> Iterator[Candidate]:
    if seen.gains is not None:
        suspect = _suspect(seen.gains)
        if suspect is not None:
            yield from _named(seen.gains, suspect, 1.0)
            return
    plain = seen.plain
    suspect = _suspect(plain) if plain is not None else None
    if plain is None or suspect is None:
        return
    # One orientation: would a machine under equal arms explain it as well?
    by_machine = 0.5
    if seen.gains is not None:
        n, more = plain.directions, seen.gains.parameters - plain.parameters
        gap = (seen.gains.alike_misfit - plain.best.misfit) / seen.gains.excess + (more - 1) * np.log(n)
        by_machine = float(special.expit(-gap / 2))
        if gap > CLEARLY:
            yield from _named(plain, suspect, 1 - by_machine)
            return
        if gap < -CLEARLY:
            yield Candidate("machine", None, by_machine, LIKE_A_MACHINE)
            return
    kind: Kind = "early" if suspect.contrast < 0 else "late"
    why = "one orientation: the curve may be uneven by one arm, or by the machine; turn the probe to tell"
    yield Candidate("unknown", None, None, why)
    yield Candidate(kind, suspect.azimuth_deg, 1 - by_machine, _words(suspect))
    yield Candidate("machine", None, by_machine, "a reversal value or two lobes under equal arms")


def _suspect(gains: ContactGains) -> ArmGain | None:
    """The arm that explains most by itself, where it is shown."""
    best = gains.arms[gains.best.arm]
    return best if _is_off(best) else None


def _is_off(arm: ArmGain) -> bool:
    return min(arm.early_p, arm.late_p) < GAIN_RISK


def _off(seen: Seen) -> Iterator[Candidate]:
    """Arms that are shown to differ, whether or not they explain most."""
    for gains in (seen.gains, seen.plain):
        found = [] if gains is None else [arm for arm in gains.arms if _is_off(arm)]
        for arm in found:
            yield Candidate("early" if arm.contrast < 0 else "late", arm.azimuth_deg, None, _words(arm))
        if found:
            return


def _named(gains: ContactGains, suspect: ArmGain, share: float) -> Iterator[Candidate]:
    shares = gains.share_of_likelihood()
    kind: Kind = "early" if suspect.contrast < 0 else "late"
    own = shares[gains.arms.index(suspect)] * (1 - min(suspect.early_p, suspect.late_p))
    yield Candidate(kind, suspect.azimuth_deg, own * share, _words(suspect))
    other: Kind = "late" if kind == "early" else "early"
    for arm, part in zip(gains.arms, shares, strict=True):
        if arm is not suspect and part > 0.01:
            side = kind if arm.contrast * suspect.contrast > 0 else other
            yield Candidate(side, arm.azimuth_deg, part * share, _words(arm))


def _words(arm: ArmGain) -> str:
    side = "early" if arm.contrast < 0 else "late"
    return f"opens {100 * abs(arm.share):.0f} % {side} against the other two"


def _unsteady(seen: Seen) -> Iterator[Candidate]:
    found: dict[int, tuple[float, list[str]]] = {}
    for one in seen.scatter:
        if one.p < SCATTER_RISK:
            found[one.arm] = one.p, [f"its sector scatters {one.ratio:.1f} times as far as the others"]
    early, arm = seen.early_touches, comes_early(seen)
    if early is not None and arm is not None:
        p, words = found.get(arm, (1.0, []))
        words = [
            *words,
            f"{early.events[arm]} of {sum(early.events)} far too early touches lie in its sector",
        ]
        found[arm] = min(p, early.p), words
    for arm, (p, words) in sorted(found.items(), key=lambda item: item[1][0]):
        yield Candidate("intermittent", seen.azimuth_deg(arm), 1 - p, "; ".join(words))


def _hints(seen: Seen) -> Iterator[Candidate]:
    early = seen.early_touches
    arms = {one.arm for one in seen.scatter if one.p < HINT}
    if early is not None and early.arm is not None and early.p < HINT:
        arms.add(early.arm)
    for arm in sorted(arms):
        yield Candidate("intermittent", seen.azimuth_deg(arm), None, "neither shown nor ruled out")


def _machine(seen: Seen) -> Iterator[Candidate]:
    plain, gains = seen.plain, seen.gains
    if plain is None or gains is None or _suspect(plain) is not None:
        return
    more = gains.parameters - plain.parameters
    p = float(special.chdtrc(more, max(0.0, plain.alike_misfit - gains.alike_misfit) / gains.excess))
    arm_p = float(special.chdtrc(2, max(0.0, plain.alike_misfit - plain.free_misfit) / gains.excess))
    if p < MACHINE_RISK and p < arm_p:
        yield Candidate("machine", None, 1 - p, LIKE_A_MACHINE)
