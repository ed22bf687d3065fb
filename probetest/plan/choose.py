"""The design with which a test takes least time and still answers what it is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from probetest.errors import PlanError, StatisticsError
from probetest.plan.questions import Question
from probetest.statistics.design import best_orientations
from probetest.statistics.expected import Design
from probetest.statistics.least import least_number

MOST_TOUCHES = 200
"""Touches of one direction at one orientation; more is no practical test."""

EVEN_DIRECTIONS = (10, 13, 16, 20, 25, 28, 32, 37)
"""Numbers of directions that are tried where the arms are not known: none that three divides."""

KNOWN_DIRECTIONS = (9, 12, 15, 18, 24, 30, 36)
"""Tried besides where they are."""

GOOD_SET = (0.0, 30.0, 90.0, 210.0)


@dataclass(frozen=True, slots=True)
class Pace:
    """How long a test takes.

    Attributes
    ----------
    touch_s, turn_s : float
        For each touch, and for each turn of the probe in the spindle.
    stages : int
        The baseline, and each stage after it.
    everywhere : bool
        Whether a stage is touched at all orientations, or at the first one only.
    visits : int
        How often each orientation is gone to in the baseline.
    """

    touch_s: float
    turn_s: float
    stages: int = 1
    everywhere: bool = False
    visits: int = 1

    def touches(self, design: Design) -> int:
        """All touches of a test."""
        turns = len(design.orientations_deg)
        parts = turns * self.stages if self.everywhere else turns + self.stages - 1
        return design.directions * design.touches * parts

    def seconds(self, design: Design) -> float:
        """All of a test."""
        turns = len(design.orientations_deg) - 1
        between = self.visits * turns + (self.stages - 1) * (1 + turns * self.everywhere)
        return self.touches(design) * self.touch_s + between * self.turn_s


@dataclass(frozen=True, slots=True)
class Choice:
    """A design and what it answers.

    Attributes
    ----------
    design : Design
    chances : tuple of float
        Of each question, in their order.
    chance : float
        At least, that all are answered.
    seconds : float
    enough : bool
        Whether ``chance`` is what was wanted.
    """

    design: Design
    chances: tuple[float, ...]
    chance: float
    seconds: float
    enough: bool


def orientations_for(count: int, step_deg: float | None) -> tuple[float, ...]:
    """Orientations of a plan.

    Parameters
    ----------
    count : int
        1 for the probe as it stands.
    step_deg : float or None
        Of the spindle; None where it can't be turned.

    Raises
    ------
    PlanError
        Where the spindle does not allow them, or they would not tell the probe from the machine.
    """
    if count == 1:
        return (0.0,)
    if step_deg is None:
        raise PlanError(
            f"{count} orientations need a spindle that is turned to a mark; state spindle_step_deg of the "
            "machine, or plan with --orientations 1"
        )
    if count == len(GOOD_SET) and all((angle / step_deg).is_integer() for angle in GOOD_SET):
        return GOOD_SET
    try:
        return best_orientations(count, step_deg).orientations_deg
    except StatisticsError as error:
        raise PlanError(f"{error}.") from error


def assess(design: Design, questions: Sequence[Question], pace: Pace, wanted: float) -> Choice:
    """What a design answers; the chances together by Bonferroni's bound, whatever their dependence."""
    chances = tuple(question.chance(design) for question in questions)
    together = max(0.0, 1 - sum(1 - chance for chance in chances))
    return Choice(design, chances, together, pace.seconds(design), together >= wanted)


def choose(
    questions: Sequence[Question],
    orientations_deg: tuple[float, ...],
    directions: Iterable[int],
    pace: Pace,
    wanted: float,
    *,
    budget_s: float | None = None,
    done: Callable[[], None] = lambda: None,
) -> Choice:
    """Quickest design that answers all questions; with a time to keep, the one that answers most.

    Parameters
    ----------
    questions : sequence of Question
    orientations_deg : tuple of float
    directions : iterable of int
        Numbers that are tried.
    pace : Pace
    wanted : float
        Chance that all are answered.
    budget_s : float, optional
        Time to keep.
    done : callable
        Called after each number of directions.

    Returns
    -------
    Choice
        Where no design is enough, the one with the best chance; ``enough`` tells.

    Raises
    ------
    PlanError
        If not even the smallest test keeps the time.

    Notes
    -----
    For each number of directions the least touches are found by doubling and halving, for a chance grows
    with them; of equal times the design with more directions is taken.
    """
    found: list[Choice] = []
    for count in directions:
        found.extend(_of_directions(count, questions, orientations_deg, pace, wanted, budget_s))
        done()
    if not found:
        raise PlanError(
            f"not even 2 touches from each direction fit into {(budget_s or 0) / 60:.3g} min; allow more "
            "time, fewer orientations or a faster approach"
        )
    enough = [one for one in found if one.enough]
    if enough:
        return min(enough, key=lambda one: (round(one.seconds, 6), -one.design.directions))
    return max(found, key=lambda one: (round(one.chance, 9), round(min(one.chances), 9), -one.seconds))


def _of_directions(
    count: int,
    questions: Sequence[Question],
    orientations_deg: tuple[float, ...],
    pace: Pace,
    wanted: float,
    budget_s: float | None,
) -> list[Choice]:
    def tried(touches: int) -> Choice:
        return assess(Design(count, touches, orientations_deg), questions, pace, wanted)

    most = MOST_TOUCHES
    if budget_s is not None:
        fits = [n for n in range(2, most + 1) if pace.seconds(Design(count, n, orientations_deg)) <= budget_s]
        if not fits:
            return []
        most = fits[-1]
    least = least_number(lambda touches: tried(touches).enough, 2, most)
    return [tried(most if least is None else least)]
