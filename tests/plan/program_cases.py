"""Dialects and touches that the tests of programs share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from benches import schedule_of

from probetest.plan.dialect import built_in_dialects, read_dialect
from probetest.plan.schedule import Schedule

CONSOLE, PRINTING = read_dialect("console"), read_dialect("printing")
SEMICOLON = CONSOLE.model_copy(
    update={"comment_open": ";", "comment_close": "", "message_line": "; MSG, {text}"}
)
DIALECTS = [*built_in_dialects().values(), SEMICOLON]
TOUCHES = {
    "ring": [(0.0, 0.0), (100.0, 0.0)],
    "boss": [(180.0, 0.0), (10.0, 0.0)],
    "sphere": [(0.0, -45.0), (0.0, -90.0), (70.0, 0.0)],
    "block": [(0.0, 0.0), (90.0, 0.0), (180.0, 0.0), (270.0, 0.0)],
    "plane": [(0.0, -90.0), (0.0, -90.0)],
}


def two_blocks(kind: str) -> Schedule:
    """Two blocks of three touches, a turn of the probe within the first, a stage from the sixth on."""
    touches = (TOUCHES[kind] * 3)[:6]
    schedule = schedule_of(
        *touches, orientation=(0.0, 0.0, 30.0, 30.0, 30.0, 30.0), stage=("baseline",) * 5 + ("after_service",)
    )
    return replace(schedule, block=np.array([1, 1, 1, 2, 2, 2]))
