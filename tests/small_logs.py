"""Small simulated logs that a batch is through with in a moment."""

from __future__ import annotations

from pathlib import Path

from sample_probes import make_test

from probetest.importers.native import write_native_log
from probetest.simulate import Plan

SMALL = Plan(directions=8, repeats=4)


def write_small_log(path: Path, serial: str, seed: int, plan: Plan = SMALL) -> Path:
    """Write a simulated test of an invented probe as a native log."""
    triggers = make_test(plan=plan, seed=seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_native_log(triggers.__class__(
        triggers.record.model_copy(update={"serial": serial}), triggers.frame, triggers.source
    ), path)  # fmt: skip
    return path
