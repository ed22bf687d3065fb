"""A test that its plan allows to be looked at after each block: the risk of a look, and what comes next."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from probetest.limits import Limits
from probetest.statistics.decision import Verdict
from probetest.statistics.sequential import look_risk
from probetest.triggers import Look


def limits_of_look(limits: Limits, look: Look | None) -> Limits:
    """Limits with the risk of one look, so that all looks together keep the stated one."""
    if look is None:
        return limits
    return limits.model_copy(update={"risk": look_risk(look.blocks, limits.risk)})


def look_remarks(look: Look | None, verdict: Verdict, risk: float, whole_risk: float) -> Iterator[str]:
    """What a reader must know of a look at a test; nothing where the plan allows only one.

    Parameters
    ----------
    look : Look or None
    verdict : str
    risk, whole_risk : float
        Of this look, and of all of them together.
    """
    if look is None:
        return
    yield (
        f"Look {look.block} of {look.blocks} at this test: each has a risk of {100 * risk:.2g} %, so that "
        f"the whole keeps {100 * whole_risk:.3g} %, if it is looked at after its blocks only and stopped "
        "at the first pass or fail. The intervals shown are those of a test of this length."
    )
    if look.touch < look.block_ends[look.block - 1]:
        yield f"Block {look.block} is not complete: its last touch is {look.block_ends[look.block - 1]}."
    yield next_step(look, verdict)


def next_step(look: Look, verdict: Verdict) -> str:
    """What to do after a look."""
    end = look.block_ends[look.block - 1]
    if look.touch < end:
        return f"Go on: {_touches(look.touch + 1, end)} of the plan; only the end of a block decides."
    if verdict != "undecided" and look.touch >= look.block_ends[-1]:
        return "Decided at the end of the plan."
    if verdict != "undecided":
        return f"Decided after {look.touch} of {look.block_ends[-1]} touches: the rest need not be made."
    if look.touch >= look.block_ends[-1]:
        return "The plan is at its end and the test is undecided."
    following = _touches(look.touch + 1, look.block_ends[look.block])
    return f"Go on: {following} of the plan, then look again at the whole log."


def _touches(first: int, last: int) -> str:
    return f"touch {last}" if first == last else f"touches {first} to {last}"


def goes_on(look: Look | None, verdict: Verdict) -> bool:
    """Whether touches of the plan are still to be made: the test has not ended yet."""
    if look is None:
        return False
    within = look.touch < look.block_ends[look.block - 1]
    return within or (verdict == "undecided" and look.touch < look.block_ends[-1])


def look_to_dict(look: Look | None, verdict: Verdict, risk: float) -> dict[str, Any] | None:
    """The look as it stands in a result."""
    if look is None:
        return None
    return {
        "block": look.block,
        "blocks": look.blocks,
        "touch": look.touch,
        "block_ends": list(look.block_ends),
        "risk": risk,
        "next": next_step(look, verdict),
    }
