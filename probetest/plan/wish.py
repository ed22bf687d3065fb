"""What a user wants of a test, and which wishes can't be met together."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.units import Spread
from probetest.statistics.expected_arms import WORTH

Purpose = Literal["acceptance", "verification", "contacts", "comparison", "service"]


OVERTRAVEL = ("after_overtravel", "baseline_again")
SERVICE = ("after_service",)


@dataclass(frozen=True, slots=True)
class Wish:
    """What a user wants of a test.

    Attributes
    ----------
    purpose : str
    orientations : int or None
        None for what the spindle allows.
    chance : float
        That all questions are answered, if the probe is as expected.
    minutes : float or None
        Time to keep.
    looks : int
        How often the test may be looked at.
    overtravel : bool
        Touches again after an overtravel.
    visits : int
        2: all orientations there and back, A B B A.
    arm_share : float
        By which an arm that is to be named opens early or late.
    sd_ratio, difference_mm : float
        Differences from a report that are to be shown.
    spread : Spread
        Of the units of a build.
    """

    purpose: Purpose
    orientations: int | None = None
    chance: float = 0.9
    minutes: float | None = None
    looks: int = 1
    overtravel: bool = False
    visits: int = 1
    arm_share: float = WORTH
    sd_ratio: float = 1.5
    difference_mm: float = 0.003
    spread: Spread = field(default_factory=lambda: Spread(0.1, 0.0015))


def check_wish(wish: Wish, bench: Bench) -> None:
    """Refuse a wish that can't be met on a bench.

    Raises
    ------
    PlanError
        One sentence with what to do.
    """
    if bench.artefact.kind == "plane":
        raise PlanError(
            "a plane is touched along Z only, and that tells none of the figures of a probe; use a ring, "
            "sphere, boss or block"
        )
    if wish.looks > 1 and wish.purpose != "acceptance":
        raise PlanError(
            f"only an acceptance is looked at in between, for only limits share their risk among looks; plan "
            f"a test for {wish.purpose} without --looks"
        )
    if wish.looks > 1 and ((wish.orientations or 1) > 1 or wish.overtravel):
        raise PlanError(
            "a test that is looked at in between has one orientation and no stages; plan it with "
            "--orientations 1, or without --looks"
        )
    if wish.visits > 1 and wish.looks > 1:
        raise PlanError("a test that is looked at in between stays at one orientation")
    if wish.minutes is not None and wish.purpose == "comparison":
        raise PlanError(
            "a comparison takes the units and touches that it needs; plan it without --minutes, with wider "
            "margins for fewer"
        )
    if wish.overtravel and wish.purpose != "acceptance":
        raise PlanError("touches after an overtravel belong to an acceptance; leave --overtravel out")
    if bench.artefact.kind == "block" and wish.purpose in ("contacts", "service", "comparison"):
        raise PlanError(
            f"a block has four directions, which tell nothing of the arms: a {wish.purpose} test needs a "
            "ring, sphere or boss"
        )
    if bench.artefact.kind == "block" and (wish.orientations or 1) > 1:
        raise PlanError("four directions don't tell the probe from the machine; plan with --orientations 1")


def stages_of(wish: Wish) -> tuple[str, ...]:
    """Stages after the baseline."""
    if wish.purpose == "service":
        return SERVICE
    return OVERTRAVEL if wish.overtravel else ()
