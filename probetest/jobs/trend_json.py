"""A trend as plain JSON data."""

from __future__ import annotations

from typing import Any

import probetest
from probetest.jobs.ramping import ramp_to_dict
from probetest.jobs.trend import FigureChart, History, Trend

SCHEMA = "probetest.trend/1"


def trend_to_dict(found: Trend) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm."""
    return {
        "schema": SCHEMA,
        "software": f"probetest {probetest.__version__}",
        "units": found.units,
        "tests": found.tests,
        "charts": [_chart(one) for one in found.charts],
        "ageing": [_history(one) for one in found.histories],
        "ramp": ramp_to_dict(found.ramp),
        "margins": found.margins.model_dump(mode="json"),
        "remarks": list(found.remarks),
        "problems": list(found.problems),
    }


def _chart(one: FigureChart) -> dict[str, Any]:
    step, look = one.step, one.look
    return {
        "figure": one.figure.name,
        "label": one.figure.label,
        "unit": one.figure.unit,
        "build": one.build,
        "points": [
            {"serial": point.serial, "time": point.time, "value": point.value, "u": point.error}
            for point in one.points
        ],
        "centre": one.centre,
        "lower": one.lower,
        "upper": one.upper,
        "signals": [{"serial": one.points[told.index].serial, "rule": told.rule} for told in one.signals],
        "false_alarm": one.false_alarm,
        "reason": one.chart.reason,
        "step": None
        if step is None or step.p is None or step.first is None
        else {
            "p": step.p,
            "first": one.points[step.first].serial,
            "may_begin_at": [one.points[index].serial for index in step.splits],
            "shift": step.shift,
            "lower": step.shift_interval.lower if step.shift_interval else None,
            "upper": step.shift_interval.upper if step.shift_interval else None,
            "of_logarithm": one.figure.kind == "scatter",
        },
        "newest": None
        if look is None
        else {
            "serial": one.points[-1].serial,
            "alarm": look.alarm,
            "rules": list(look.rules),
            "risk": look.per_look,
            "reason": look.reason,
        },
    }


def _history(one: History) -> dict[str, Any]:
    found = one.found
    return {
        "serial": one.serial,
        "figure": one.figure.name,
        "unit_of_growth": "share per month" if one.relative else "mm per month",
        "points": [
            {"time": point.time, "days": day, "value": point.value, "u": point.error}
            for point, day in zip(one.points, one.days, strict=True)
        ],
        "growth": found.slope,
        "lower": found.interval.lower if found.interval else None,
        "upper": found.interval.upper if found.interval else None,
        "margin": found.margin,
        "verdict": found.verdict,
        "limit_reached_in_days": None
        if found.reach is None
        else {
            "at_this_rate": found.reach.after,
            "lower": found.reach.interval.lower,
            "upper": found.reach.interval.upper,
        },
        "reason": found.reason,
    }
