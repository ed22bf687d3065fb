"""Touches in order: counts, blocks and balance, whatever the design."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from probetest.errors import PlanError
from probetest.plan.lay_out import lay_out
from probetest.plan.schedule import Schedule
from probetest.statistics.design import directions_of
from probetest.statistics.expected import Design

SETS = st.sampled_from([(0.0,), (0.0, 90.0), (0.0, 30.0, 105.0), (0.0, 30.0, 90.0, 210.0)])
STAGES = st.sampled_from([(), ("after_service",), ("after_overtravel", "baseline_again")])


def parts_of(schedule: Schedule) -> list[slice]:
    """From pause to pause."""
    ends = [*schedule.pauses, len(schedule)]
    return [slice(a, b) for a, b in pairwise(ends)]


@settings(max_examples=50, deadline=None)
@given(
    st.integers(4, 20),
    st.integers(2, 12),
    SETS,
    STAGES,
    st.integers(1, 2),
    st.sampled_from([None, 0.0, 77.0]),
)
def test_every_direction_is_touched_equally_often_in_each_part(
    directions: int,
    touches: int,
    turns: tuple[float, ...],
    stages: tuple[str, ...],
    visits: int,
    arm: float | None,
) -> None:
    design = Design(directions, touches, turns)
    schedule = lay_out(design, arm_azimuth_deg=arm, stages=stages, visits=visits)
    assert len(schedule) == directions * touches * (len(turns) + len(stages))
    azimuths = np.sort(directions_of(directions, arm))
    stage = np.array(schedule.stage)
    for name in ("baseline", *stages):
        for turn in turns:
            mine = schedule.azimuth_deg[(stage == name) & (schedule.orientation_deg == turn)]
            if name != "baseline" and turn != turns[0]:
                assert len(mine) == 0
                continue
            found, counts = np.unique(mine.round(9), return_counts=True)
            assert found == pytest.approx(azimuths)
            assert (counts == touches).all()
    for part in parts_of(schedule):
        rounds = schedule.azimuth_deg[part].reshape(-1, directions)
        assert np.sort(rounds, axis=1) == pytest.approx(np.tile(azimuths, (len(rounds), 1)))
        assert (np.diff(schedule.azimuth_deg[part]) != 0).all()
    assert (schedule.elevation_deg == 0).all()
    assert (schedule.block == 1).all()


def test_stages_come_after_the_baseline_at_the_first_orientation() -> None:
    schedule = lay_out(Design(5, 2, (0.0, 90.0)), stages=("after_overtravel", "baseline_again"))
    order = [(schedule.stage[at], schedule.orientation_deg[at]) for at in schedule.pauses]
    assert order == [
        ("baseline", 0.0),
        ("after_overtravel", 0.0),
        ("baseline_again", 0.0),
        ("baseline", 90.0),
    ]
    assert schedule.turns == 1


def test_there_and_back_again() -> None:
    schedule = lay_out(Design(5, 4, (0.0, 30.0, 90.0)), visits=2)
    turns = [schedule.orientation_deg[at] for at in schedule.pauses]
    assert turns == [0.0, 30.0, 90.0, 30.0, 0.0]
    # A straight drift moves all orientations alike: their touches have the same mean place.
    at = np.arange(len(schedule))
    means = [at[schedule.orientation_deg == turn].mean() for turn in (0.0, 30.0, 90.0)]
    assert means == pytest.approx([means[0]] * 3)


def test_an_odd_number_of_rounds_is_shared_with_more_in_the_first_visit() -> None:
    schedule = lay_out(Design(4, 5, (0.0, 90.0)), visits=2)
    assert [part.stop - part.start for part in parts_of(schedule)] == [12, 20, 8]


def test_one_orientation_is_not_visited_twice() -> None:
    design = Design(6, 5)
    once, twice = lay_out(design), lay_out(design, visits=2)
    assert once.azimuth_deg.tolist() == twice.azimuth_deg.tolist()


@settings(max_examples=60, deadline=None)
@given(st.integers(4, 12), st.integers(2, 25), st.integers(2, 20))
def test_blocks_are_whole_rounds_as_equal_as_can_be(directions: int, touches: int, looks: int) -> None:
    assume(looks <= touches)
    schedule = lay_out(Design(directions, touches), looks=looks)
    numbers, sizes = np.unique(schedule.block, return_counts=True)
    assert numbers.tolist() == list(range(1, looks + 1))
    assert (np.diff(schedule.block) >= 0).all()
    assert (sizes % directions == 0).all()
    assert np.ptp(sizes) <= directions
    assert sizes.sum() == directions * touches


def test_looks_do_not_change_the_touches() -> None:
    plain, looked = lay_out(Design(8, 6)), lay_out(Design(8, 6), looks=3)
    assert plain.azimuth_deg.tolist() == looked.azimuth_deg.tolist()


@pytest.mark.parametrize(
    ("design", "stages", "looks", "message"),
    [
        (Design(4, 3), (), 4, "4 looks at 3 touches"),
        (Design(4, 3), (), 0, "0 looks at 3 touches"),
        (Design(4, 3, (0.0, 90.0)), (), 2, "one orientation and no stages"),
        (Design(4, 3), ("after_service",), 2, "one orientation and no stages"),
    ],
)
def test_impossible_looks_are_refused(
    design: Design, stages: tuple[str, ...], looks: int, message: str
) -> None:
    with pytest.raises(PlanError, match=message):
        lay_out(design, stages=stages, looks=looks)


def test_the_same_design_has_the_same_touches() -> None:
    first, again, other = (lay_out(Design(10, 4), seed=seed).azimuth_deg.tolist() for seed in (3, 3, 4))
    assert first == again
    assert first != other
