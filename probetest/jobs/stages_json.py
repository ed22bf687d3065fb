"""What the stages of a log tell, as plain JSON data."""

from __future__ import annotations

from typing import Any

from probetest.jobs.stages import StageChange, Stages, largest_shift_mm
from probetest.statistics.intervals import Interval


def stages_to_dict(stages: Stages) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm, intervals 95 %."""
    before = stages.touch_before
    return {
        "stages": [_change_to_dict(one) for one in stages.changes],
        "overtravel_direction": None
        if stages.overtravel is None or stages.overtravel.effect is None
        else {"n": stages.overtravel.touches, **_directed(stages.overtravel.effect)},
        "touch_before": None
        if before is None
        else {
            "verdict": before.verdict,
            "margin_mm": before.margin_mm,
            "n": before.used,
            "without_previous": before.without_previous,
            "effect": None if before.effect is None else _directed(before.effect),
            "reason": before.reason,
        },
        **({} if before is not None else {"touch_before_reason": stages.touch_before_reason}),
    }


def _directed(effect: Any) -> dict[str, Any]:
    return {
        "along_mm": effect.along_mm,
        "along_lower_mm": effect.along_interval_mm.lower,
        "along_upper_mm": effect.along_interval_mm.upper,
        "across_mm": effect.across_mm,
        "across_lower_mm": effect.across_interval_mm.lower,
        "across_upper_mm": effect.across_interval_mm.upper,
        "largest_mm": effect.largest_mm,
        "p": effect.p,
    }


def _change_to_dict(change: StageChange) -> dict[str, Any]:
    told = change.found
    if told is None:
        return {"stage": change.stage, "verdict": None, "verdict_reason": change.reason}
    parts, scatter, varies = told.parts, told.scatter, told.variation
    return {
        "stage": change.stage,
        "verdict": told.verdict,
        "shown_by": told.shown_by,
        "margin_mm": told.margin_mm,
        "same_clamping": told.same_clamping,
        "n_baseline": change.n_baseline,
        "n_stage": change.n_stage,
        "largest_shift_mm": largest_shift_mm(told),
        "hides_mm": told.hides_mm,
        "level": None
        if parts is None
        else {
            "shift_mm": parts.level_mm,
            **_limits(parts.level_interval_mm, "_mm"),
        },
        "centre": None
        if parts is None
        else {
            "shift_mm": list(parts.centre_mm),
            "u_mm": list(parts.centre_u_mm),
            "length_mm": parts.centre_length_mm,
            **_limits(parts.centre_length_interval_mm, "_mm"),
        },
        "shape": None
        if parts is None
        else {
            "rms_mm": parts.shape_rms_mm,
            **_limits(parts.shape_interval_mm, "_mm"),
            "p": parts.shape_p,
        },
        "scatter": None
        if scatter is None
        else {
            "ratio": scatter.ratio,
            **_limits(scatter.interval),
            "margin": scatter.margin,
            "verdict": scatter.verdict,
        },
        "variation_change": None
        if varies is None
        else {
            "change_mm": varies.change_mm,
            **_limits(varies.interval_mm, "_mm"),
        },
        "settles": told.settling.settles,
        "drift_between_mm": None if told.drift is None else told.drift.mean_mm,
        "directions": [
            {
                "azimuth_deg": one.azimuth_deg,
                "n_baseline": one.n_baseline,
                "n_stage": one.n_stage,
                "shift_mm": one.shift_mm,
                **_limits(one.interval_mm, "_mm"),
                "within": one.within,
                "beyond_p": one.beyond_p,
            }
            for one in told.directions
        ],
        "only_baseline_deg": list(told.only_baseline_deg),
        "only_stage_deg": list(told.only_stage_deg),
        "touches_if_none": told.touches_if_none,
        "touches_if_as_seen": told.touches_if_as_seen,
        "notes": list(told.notes),
    }


def _limits(interval: Interval, unit: str = "") -> dict[str, float]:
    return {f"lower{unit}": interval.lower, f"upper{unit}": interval.upper}
