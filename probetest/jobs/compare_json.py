"""A comparison of builds as plain JSON data."""

from __future__ import annotations

from typing import Any

import probetest
from probetest.jobs.compare import BuildComparison, Compared
from probetest.jobs.compared import Sample
from probetest.statistics.intervals import Interval
from probetest.statistics.unit_comparison import Group
from probetest.statistics.unit_rates import RateGroup

SCHEMA = "probetest.comparison/1"


def comparison_to_dict(found: BuildComparison) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm, intervals 95 %."""
    return {
        "schema": SCHEMA,
        "software": f"probetest {probetest.__version__}",
        "by": found.by,
        "builds": {
            name: [{"serial": one.serial, "tested": one.time, "from": one.where} for one in units]
            for name, units in found.groups.items()
        },
        "margins": found.margins.model_dump(mode="json"),
        "verdict_rule": "equivalent if the difference is shown to be smaller than the margin; else different "
        "if a difference is shown; else can't tell; Holm over all figures and pairs",
        "figures": [_figure(one) for one in found.compared],
        "remarks": list(found.remarks),
        "problems": list(found.problems),
    }


def _figure(one: Compared) -> dict[str, Any]:
    found = one.found
    return {
        "name": one.figure.name,
        "label": one.figure.label,
        "unit": one.figure.unit,
        "builds": {
            name: _build(group, sample)
            for name, group, sample in zip(one.names, (found.first, found.second), one.samples, strict=True)
        },
        "design": found.design,
        "scale": found.scale,
        "difference": found.difference,
        **_limits(found.interval),
        "effect_mm" if one.figure.unit == "mm" else "effect": found.effect,
        "effect_lower": found.effect_interval.lower if found.effect_interval else None,
        "effect_upper": found.effect_interval.upper if found.effect_interval else None,
        "margin": found.margin,
        "p": found.p_difference,
        "p_adjusted": one.p_adjusted,
        "p_equivalence": found.p_equivalence,
        "p_equivalence_adjusted": one.p_equivalence_adjusted,
        "verdict": one.verdict,
        "difference_shown": one.difference_shown,
        "units_needed": one.units_needed,
        "units_needed_range": None if one.units_range is None else list(one.units_range),
        "reason": found.reason,
    }


def _build(group: Group, sample: Sample) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "units": group.units,
        "estimate": group.estimate,
        **_limits(group.interval),
        "unit_sd": group.unit_sd,
        "values": dict(zip(sample.serials, sample.values, strict=True)),
        "left_out": list(sample.missing),
    }
    if isinstance(group, RateGroup):
        plain |= {"failures": group.failures, "approaches": group.trials}
    return plain


def _limits(interval: Interval | None) -> dict[str, float | None]:
    return {
        "lower": interval.lower if interval else None,
        "upper": interval.upper if interval else None,
    }
