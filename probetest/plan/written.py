"""The files of a plan as text: the touches as CSV, all else as TOML."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

from probetest.plan.dialect import read_dialect
from probetest.plan.planned import Planned
from probetest.plan.telling import block_ends

VERSION = 1
"""Of the layout of ``plan.toml``."""


def plan_csv(planned: Planned) -> str:
    """The touches in order, a row each."""
    schedule = planned.schedule
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["touch", "stage", "orientation_deg", "azimuth_deg", "elevation_deg", "feed"])
    feed = f"{planned.bench.moves.touch_feed_mm_min:g}"
    for at in range(len(schedule)):
        angles = (schedule.orientation_deg[at], schedule.azimuth_deg[at], schedule.elevation_deg[at])
        writer.writerow([at + 1, schedule.stage[at], *(f"{angle:.10g}" for angle in angles), feed])
    return stream.getvalue()


def plan_toml(planned: Planned) -> str:
    """What a later command needs of a plan: how often it may be looked at, and what the test is made with."""
    bench, artefact, stylus = planned.bench, planned.bench.artefact, planned.bench.stylus
    plan = {
        "version": VERSION,
        "purpose": planned.wish.purpose,
        "touches": len(planned.schedule),
        "looks": planned.wish.looks,
        "block_ends": list(block_ends(planned)),
        "risk": planned.limits.risk,
        "two_stage": bench.moves.fast_feed_mm_min is not None,
        "guarded": bool(read_dialect(bench.dialect).guarded_word),
    }
    about: dict[str, Any] = {"serial": bench.probe.serial}
    if bench.probe.build is not None:
        about["build"] = bench.probe.build
    about["artefact"] = {
        "kind": artefact.kind,
        "diameter_mm": artefact.diameter_mm,
        "u_mm": artefact.u_mm,
        "form_mm": artefact.form_mm,
    }
    about["stylus"] = {
        "length_mm": stylus.length_mm,
        "ball_diameter_mm": stylus.ball_diameter_mm,
        "ball_u_mm": stylus.ball_u_mm,
    }
    about["machine"] = {"name": bench.machine.name or None, "resolution_mm": bench.machine.resolution_mm}
    if bench.probe.arm_azimuth_deg is not None:
        about["arm_azimuth_deg"] = bench.probe.arm_azimuth_deg
    lines = [
        "# A test plan; `--plan` of a later command takes this file, or its folder. The touches are in "
        "plan.csv.",
        "",
        "[plan]",
        *(f"{key} = {_value(value)}" for key, value in plan.items()),
        "",
        "[about]",
        *(f"{key} = {_value(value)}" for key, value in about.items()),
    ]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        inside = (f"{key} = {_value(one)}" for key, one in value.items() if one is not None)
        return f"{{{', '.join(inside)}}}"
    # Strings of TOML take the escapes of JSON (but for surrogates), numbers and lists are written alike.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
