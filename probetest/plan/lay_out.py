"""From a design to touches in order: rounds, stages, orientations, blocks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from probetest.errors import PlanError
from probetest.plan.schedule import Schedule, join_schedules
from probetest.statistics.design import directions_of, order_rounds
from probetest.statistics.expected import Design

SEED = 20261126
"""Of the orders: the same plan always has the same."""


def lay_out(
    design: Design,
    *,
    arm_azimuth_deg: float | None = None,
    stages: Sequence[str] = (),
    everywhere: bool = False,
    visits: int = 1,
    looks: int = 1,
    seed: int = SEED,
) -> Schedule:
    """Touches of a design in order.

    Parameters
    ----------
    design : Design
    arm_azimuth_deg : float, optional
        Of one arm at orientation 0.
    stages : sequence of str
        Stages after the baseline, each with as many touches: at the first orientation, right after its
        baseline, for the probe then stands as it stood.
    visits : int
        1: each orientation once. 2: there and back again (A B B A), for a machine that drifts.
    everywhere : bool
        Touch each stage at all orientations, one after the other, after the whole baseline.
    looks : int
        Blocks of whole rounds after which the test may be looked at; only for one orientation and no stages.
    seed : int

    Raises
    ------
    PlanError
        If blocks are asked for with several orientations or stages, or more of them than touches of a
        direction.
    """
    if looks > 1 and (len(design.orientations_deg) > 1 or stages):
        raise PlanError(
            "a test that is looked at in between has one orientation and no stages; plan it with "
            "--orientations 1, or without --looks"
        )
    if not 1 <= looks <= design.touches:
        raise PlanError(
            f"{looks} looks at {design.touches} touches from each direction; ask for at most {design.touches}"
        )
    rng = np.random.default_rng(seed)
    azimuth = directions_of(design.directions, arm_azimuth_deg)
    rounds = _split(design.touches, visits if len(design.orientations_deg) > 1 else 1)
    ends = np.cumsum(rounds) * design.directions
    # One order for all visits to an orientation: the last one is visited twice on end.
    orders = {turn: order_rounds(design.directions, design.touches, rng) for turn in design.orientations_deg}
    parts = []
    for visit, share in enumerate(rounds):
        turns = design.orientations_deg if visit % 2 == 0 else design.orientations_deg[::-1]
        for place, turn in enumerate(turns):
            own = orders[turn][ends[visit] - share * design.directions : ends[visit]]
            parts.append(_level("baseline", turn, azimuth[own]))
            if visit == 0 and place == 0 and not everywhere:
                parts += [_again(design, stage, turn, azimuth, rng) for stage in stages]
    if everywhere:
        parts += [
            _again(design, stage, turn, azimuth, rng) for stage in stages for turn in design.orientations_deg
        ]
    whole = join_schedules(parts)
    if looks > 1:
        ends = np.round(np.arange(1, looks + 1) * design.touches / looks) * design.directions
        block = np.searchsorted(ends, np.arange(len(whole)), side="right") + 1
        whole = Schedule(
            whole.stage, whole.orientation_deg, whole.azimuth_deg, whole.elevation_deg, block.astype(np.int64)
        )
    return whole


def _again(
    design: Design, stage: str, turn: float, azimuth: np.ndarray, rng: np.random.Generator
) -> Schedule:
    return _level(stage, turn, azimuth[order_rounds(design.directions, design.touches, rng)])


def _level(stage: str, turn: float, azimuth: np.ndarray) -> Schedule:
    count = len(azimuth)
    return Schedule(
        (stage,) * count,
        np.full(count, turn),
        azimuth % 360.0,
        np.zeros(count),
        np.ones(count, dtype=np.int64),
    )


def _split(total: int, parts: int) -> list[int]:
    """Whole numbers as equal as can be, the larger ones first; none below 1."""
    parts = min(parts, total)
    return [total // parts + (place < total % parts) for place in range(parts)]
