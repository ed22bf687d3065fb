"""Choice of a design: against all designs there are, and in time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probetest.errors import PlanError
from probetest.plan import choose as module
from probetest.plan.choose import Choice, Pace, assess, choose, orientations_for
from probetest.plan.questions import Question
from probetest.statistics.expected import Design

CAP = 14
PACE = Pace(touch_s=7.0, turn_s=100.0)


def question(name: str, chance: Callable[[Design], float]) -> Question:
    return Question(name, name, "", "", chance, lambda _: None)


def needing(directions: float, touches: float, height: float = 1.0) -> Question:
    """A chance that grows with the touches, faster with more directions."""
    return question(
        "n", lambda d: height * (1 - np.exp(-d.touches / touches - d.directions * d.touches / directions / 9))
    )


def all_designs(turns: tuple[float, ...], counts: tuple[int, ...]) -> list[Design]:
    return [Design(count, touches, turns) for count in counts for touches in range(2, CAP + 1)]


def exhaustive(
    questions: list[Question], designs: list[Design], pace: Pace, wanted: float, budget_s: float | None
) -> Choice | None:
    """The rule of the choice, over every design."""
    rows = [assess(design, questions, pace, wanted) for design in designs]
    rows = [row for row in rows if budget_s is None or row.seconds <= budget_s]
    enough = [row for row in rows if row.chance >= wanted]
    if enough:
        least = min(row.seconds for row in enough)
        return max(
            (row for row in enough if row.seconds == pytest.approx(least)),
            key=lambda row: row.design.directions,
        )
    return max(rows, key=lambda row: (row.chance, min(row.chances)), default=None)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.floats(5, 60), st.floats(1, 20), st.floats(0.5, 1)), min_size=1, max_size=3),
    st.sampled_from([(0.0,), (0.0, 30.0, 90.0, 210.0)]),
    st.floats(0.3, 0.99),
    st.one_of(st.none(), st.floats(60, 6000)),
    st.integers(1, 3),
)
def test_the_choice_is_that_of_an_exhaustive_search(
    needs: list[tuple[float, float, float]],
    turns: tuple[float, ...],
    wanted: float,
    budget_s: float | None,
    stages: int,
) -> None:
    questions = [needing(*one) for one in needs]
    counts, pace = (4, 6, 9, 12), Pace(7.0, 100.0, stages)
    best = exhaustive(questions, all_designs(turns, counts), pace, wanted, budget_s)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MOST_TOUCHES", CAP)
        if best is None:
            with pytest.raises(PlanError, match="not even 2 touches"):
                choose(questions, turns, counts, pace, wanted, budget_s=budget_s)
            return
        found = choose(questions, turns, counts, pace, wanted, budget_s=budget_s)
    assert found.enough == best.enough
    assert found.design == best.design
    assert budget_s is None or found.seconds <= budget_s


def test_equal_times_go_to_more_directions() -> None:
    enough = question("n", lambda d: float(d.directions * d.touches >= 24))
    found = choose([enough], (0.0,), (4, 8, 12, 6), PACE, 0.9)
    assert found.design == Design(12, 2)


def test_chances_are_put_together_by_their_complements() -> None:
    found = assess(Design(4, 2), [question("a", lambda _: 0.97), question("b", lambda _: 0.95)], PACE, 0.92)
    assert found.chance == pytest.approx(0.92)
    assert found.chances == (0.97, 0.95)
    both = assess(Design(4, 2), [question("a", lambda _: 0.4)] * 2, PACE, 0.1)
    assert both.chance == 0
    assert not both.enough


@pytest.mark.simulation
def test_the_chance_of_all_holds_for_questions_that_hang_together() -> None:
    # Bonferroni: 0.90 at least, whether the answers exclude each other, are independent or go together.
    rng = np.random.default_rng(5)
    place = rng.uniform(size=100_000)
    bound = assess(Design(4, 2), [question("a", lambda _: 0.95)] * 2, PACE, 0.9).chance
    apart = ((place > 0.05) & (place < 0.95)).mean()
    free = ((place > 0.05) & (rng.uniform(size=100_000) > 0.05)).mean()
    alike = (place > 0.05).mean()
    assert bound == pytest.approx(0.90)
    # Three standard errors of a share are 0.003.
    assert apart == pytest.approx(bound, abs=0.003)
    assert bound < free < alike


def test_a_larger_wanted_chance_never_takes_less_time() -> None:
    questions = [needing(20, 3), needing(40, 5)]
    chosen = [choose(questions, (0.0,), (4, 9, 12), PACE, wanted) for wanted in np.linspace(0.1, 0.999, 40)]
    assert (np.diff([one.seconds for one in chosen]) >= 0).all()
    assert all(one.enough for one in chosen)


def test_seconds_count_touches_turns_and_stages() -> None:
    design = Design(10, 3, (0.0, 30.0, 90.0))
    assert Pace(5.0, 60.0).seconds(design) == 10 * 3 * 3 * 5.0 + 2 * 60
    # Two stages more at the first orientation, each after a pause.
    staged = Pace(5.0, 60.0, 3)
    assert staged.touches(design) == 10 * 3 * 5
    assert staged.seconds(design) == 10 * 3 * 5 * 5.0 + 4 * 60


def test_each_number_of_directions_is_reported() -> None:
    calls: list[int] = []
    choose([needing(20, 3)], (0.0,), (4, 9, 12), PACE, 0.5, done=lambda: calls.append(1))
    assert len(calls) == 3


# ---- orientations


def test_orientations_of_a_spindle() -> None:
    assert orientations_for(1, None) == (0.0,)
    assert orientations_for(4, 15.0) == orientations_for(4, 30.0) == (0.0, 30.0, 90.0, 210.0)
    quarter = orientations_for(4, 90.0)
    assert quarter == (0.0, 90.0, 180.0, 270.0)
    assert all(angle % 15 == 0 for angle in orientations_for(3, 15.0))


def test_a_fixed_spindle_has_one_orientation() -> None:
    with pytest.raises(PlanError, match="spindle_step_deg"):
        orientations_for(2, None)
    with pytest.raises(PlanError, match="has no 4 orientations"):
        orientations_for(4, 180.0)
    with pytest.raises(PlanError, match="too many to try"):
        orientations_for(6, 5.0)
