"""A test planned for a purpose: design, touches, program, and what it will and will not show."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from probetest.errors import PlanError
from probetest.limits import Limits
from probetest.margins import Margins
from probetest.plan.bench import Bench
from probetest.plan.choose import (
    EVEN_DIRECTIONS,
    GOOD_SET,
    KNOWN_DIRECTIONS,
    Choice,
    Pace,
    assess,
    choose,
    orientations_for,
)
from probetest.plan.dialect import Dialect
from probetest.plan.lay_out import lay_out
from probetest.plan.program import write_program
from probetest.plan.questions import Question, acceptance, contact_check, reseat, verification
from probetest.plan.schedule import Schedule
from probetest.plan.units import UnitPlan, plan_units
from probetest.plan.walk import Walk, walk_program
from probetest.plan.wish import Wish, check_wish, stages_of
from probetest.statistics.expected import Design, Expected, ExpectedProbe
from probetest.statistics.expected_arms import arm_power
from probetest.statistics.sequential import look_risk

BLOCK_QUESTIONS = ("pooled_sd", "worst_direction_sd", "miss_rate", "sd_ratio")
"""What four directions can answer."""

PRACTICAL = 60
"""Touches of each of 25 directions that a question must be answered by, or the plan does without it."""

ARM_SHARES = (0.08, 0.1, 0.12, 0.15, 0.2, 0.3, 0.4, 0.5)
"""By which an arm opens early or late, that are tried."""

UNIT_DIRECTIONS = (16, 20, 25)
"""Tried in a comparison; fewer show too little of the lobes."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A question and what the plan makes of it.

    Attributes
    ----------
    question : Question
    chance : float
    expected : Expected or None
    dropped : bool
        No practical number of touches answers it: the plan was made without it.
    """

    question: Question
    chance: float
    expected: Expected | None
    dropped: bool


@dataclass(frozen=True, eq=False, slots=True)
class Planned:
    """A planned test.

    Attributes
    ----------
    wish : Wish
    bench : Bench
    limits : Limits
    probe : ExpectedProbe
    choice : Choice
    answers : tuple of Answer
    schedule : Schedule
    stages : tuple of str
        After the baseline.
    program : str
    walk : Walk
        The program as the checker has gone through it.
    seconds : float
        Motion, and turns of the probe.
    units : UnitPlan or None
        Of a comparison.
    look_risk : float
        One-sided risk of each look.
    least_arm : float or None
        Of a check of the contact pairs: smallest of ``ARM_SHARES`` by which an arm is off that is named with
        the wanted chance; None where none is.
    ended : tuple of float
        Where there are looks: chance, at least, that the limits are decided at each look or before, if the
        probe is as expected.
    """

    wish: Wish
    bench: Bench
    limits: Limits
    probe: ExpectedProbe
    choice: Choice
    answers: tuple[Answer, ...]
    schedule: Schedule
    stages: tuple[str, ...]
    program: str
    walk: Walk
    seconds: float
    units: UnitPlan | None
    look_risk: float
    least_arm: float | None
    ended: tuple[float, ...]

    @property
    def design(self) -> Design:
        """Directions, touches, orientations."""
        return self.choice.design

    @property
    def enough(self) -> bool:
        """Whether all that was asked is answered with the wanted chance."""
        return self.choice.enough and not any(one.dropped for one in self.answers)


def directions_for(bench: Bench, orientations: int) -> tuple[int, ...]:
    """Numbers of directions that are tried on a bench."""
    if bench.artefact.kind == "block":
        return (4,)
    known = bench.probe.arm_azimuth_deg is not None and orientations == 1
    return tuple(sorted(EVEN_DIRECTIONS + (KNOWN_DIRECTIONS if known else ())))


def expected_probe(bench: Bench) -> ExpectedProbe:
    """The probe as it is expected to read on this machine: rounding adds to the scatter."""
    rounding = bench.machine.resolution_mm / np.sqrt(12)
    return ExpectedProbe(
        float(np.hypot(bench.probe.sd_mm, rounding)),
        bench.probe.variation_mm,
        bench.probe.arm_azimuth_deg,
        bench.machine.resolution_mm,
    )


def pace_of(bench: Bench, dialect: Dialect, stages: int) -> Pace:
    """Seconds for a touch, from the program of a round of touches.

    Raises
    ------
    PlanError
        If the bench allows no safe program.
    """
    directions = 4 if bench.artefact.kind == "block" else 12
    schedule = lay_out(Design(directions, 2))
    seconds = walk_program(write_program(schedule, bench, dialect), bench, schedule).seconds
    return Pace(seconds / len(schedule), bench.machine.turn_s, stages)


def _no_bar(_words: str, _total: int) -> Callable[[], None]:
    return lambda: None


def make_plan(
    wish: Wish,
    bench: Bench,
    dialect: Dialect,
    limits: Limits,
    margins: Margins,
    *,
    start: Callable[[str, int], Callable[[], None]] = _no_bar,
) -> Planned:
    """Plan a test.

    Parameters
    ----------
    wish : Wish
    bench : Bench
    dialect : Dialect
    limits : Limits
        What an acceptance decides; each look at it has its risk.
    margins : Margins
        Of a comparison.
    start : callable
        Begins a progress bar of so many steps and returns what is called after each.

    Returns
    -------
    Planned

    Raises
    ------
    PlanError
        If the wish can't be met at all, or the program would not be safe.
    """
    check_wish(wish, bench)
    count = wish.orientations or (1 if wish.looks > 1 else _orientations_of(bench))
    turns = orientations_for(count, bench.machine.spindle_step_deg)
    stages = stages_of(wish)
    everywhere = wish.purpose == "service"
    probe = expected_probe(bench)
    pace = replace(pace_of(bench, dialect, 1 + len(stages)), everywhere=everywhere, visits=wish.visits)
    risk = look_risk(wish.looks, limits.risk)
    judged = limits.model_copy(update={"risk": risk})
    questions = list(_questions(wish, probe, judged))
    tried = directions_for(bench, len(turns))
    units = None
    dropped: list[Question] = []
    if wish.purpose == "comparison":
        tried = UNIT_DIRECTIONS
        units = plan_units(
            probe, wish.spread, margins, turns, tried, pace, done=start("trying designs", len(tried))
        )
        choice = Choice(units.design, (), units.power, pace.seconds(units.design), True)
        wish = replace(wish, chance=margins.power)
    else:
        questions, dropped = _practical(questions, turns, bench, wish.chance)
        choice = choose(
            questions, turns, tried, pace, wish.chance,
            budget_s=None if wish.minutes is None else 60 * wish.minutes,
            done=start("trying designs", len(tried)),
        )  # fmt: skip
    if wish.looks > choice.design.touches:
        choice = assess(replace(choice.design, touches=wish.looks), questions, pace, wish.chance)
        if wish.minutes is not None and choice.seconds > 60 * wish.minutes:
            raise PlanError(
                f"{wish.looks} looks need {wish.looks} touches from each direction, about "
                f"{choice.seconds / 60:.3g} min; allow more time or fewer looks"
            )
    schedule = lay_out(
        choice.design, arm_azimuth_deg=bench.probe.arm_azimuth_deg, stages=stages, everywhere=everywhere,
        visits=wish.visits, looks=wish.looks,
    )  # fmt: skip
    program = write_program(schedule, bench, dialect, about=(f"{wish.purpose}, {len(schedule)} touches",))
    walk = walk_program(program, bench, schedule)
    seconds = walk.seconds + (len(schedule.changes) - 1) * bench.machine.turn_s
    if wish.minutes is not None and seconds > 60 * wish.minutes:
        # The pace of a short program is only nearly that of the whole one.
        tighter = replace(wish, minutes=0.999 * choice.seconds / 60)
        return replace(make_plan(tighter, bench, dialect, limits, margins), wish=wish)
    return Planned(
        wish, bench, limits, probe, choice,
        tuple(_answers(questions, dropped, choice)),
        schedule, stages, program, walk,
        seconds, units, risk, _least_arm(wish, choice.design, probe),
        _ended(wish.looks, [*questions, *dropped], choice, pace) if wish.looks > 1 else (),
    )  # fmt: skip


def _least_arm(wish: Wish, design: Design, probe: ExpectedProbe) -> float | None:
    if wish.purpose != "contacts":
        return None
    named = (share for share in ARM_SHARES if arm_power(design, probe, share).least >= wish.chance)
    return next(named, None)


def _ended(looks: int, questions: list[Question], choice: Choice, pace: Pace) -> tuple[float, ...]:
    """Chances that all limits are decided at each look; the contact pairs are no part of the verdict.

    Limits that no number of touches decides are part of it.
    """
    limits = [one for one in questions if one.name not in ("arm", "healthy")]
    chances: list[float] = []
    for look in range(1, looks + 1):
        rounds = round(look * choice.design.touches / looks)
        chance = 0.0
        if rounds > 1:
            chance = assess(replace(choice.design, touches=rounds), limits, pace, 1.0).chance
        chances.append(max([chance, *chances]))
    return tuple(chances)


def _orientations_of(bench: Bench) -> int:
    step = bench.machine.spindle_step_deg
    if step is None or bench.artefact.kind == "block":
        return 1
    return len(GOOD_SET) if all((angle / step).is_integer() for angle in GOOD_SET) else 1


def _questions(wish: Wish, probe: ExpectedProbe, limits: Limits) -> Iterable[Question]:
    if wish.purpose == "acceptance":
        yield from acceptance(probe, limits, len(stages_of(wish)))
        yield from contact_check(probe, wish.arm_share)
    if wish.overtravel:
        yield from reseat(probe, limits, taken_out=False)
    if wish.purpose == "verification":
        yield from verification(probe, wish.sd_ratio, wish.difference_mm)
    if wish.purpose in ("contacts", "service"):
        yield from contact_check(probe, wish.arm_share)
    if wish.purpose == "service":
        yield from reseat(probe, limits, taken_out=True)


def _practical(
    questions: list[Question], turns: tuple[float, ...], bench: Bench, wanted: float
) -> tuple[list[Question], list[Question]]:
    """Questions that touches can answer, and those that none can."""
    block = bench.artefact.kind == "block"
    most = Design(4 if block else 25, PRACTICAL, turns)
    kept: list[Question] = []
    dropped: list[Question] = []
    for question in questions:
        answers = not (block and question.name not in BLOCK_QUESTIONS) and question.chance(most) >= wanted
        (kept if answers else dropped).append(question)
    if not kept:
        raise PlanError(
            "no practical number of touches answers any question of this test with such a probe: "
            + "; ".join(f"{one.label}: {one.wanted}" for one in dropped)
        )
    return kept, dropped


def _answers(kept: list[Question], dropped: list[Question], choice: Choice) -> Iterable[Answer]:
    for question, chance in zip(kept, choice.chances, strict=True):
        yield Answer(question, chance, question.expect(choice.design), False)
    for question in dropped:
        yield Answer(question, question.chance(choice.design), question.expect(choice.design), True)
