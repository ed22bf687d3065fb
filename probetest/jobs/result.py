"""The result of a qualification as plain JSON data."""

from __future__ import annotations

import json
import re
from typing import Any

import probetest
from probetest.jobs.contacts_json import contacts_of_result
from probetest.jobs.looks import look_to_dict
from probetest.jobs.plain import finite
from probetest.jobs.qualify import Qualification
from probetest.jobs.separating import MIXED, curve_to_dict, harmonics_to_list, separated_to_dict
from probetest.jobs.spherical import spherical_to_dict
from probetest.jobs.stages_json import stages_to_dict
from probetest.statistics.decision import Check
from probetest.statistics.drift import TOLD_APART
from probetest.statistics.intervals import Interval
from probetest.statistics.outliers import FAMILY_RISK
from probetest.statistics.repeatability import REPEATABILITY_FACTOR
from probetest.statistics.uncertainty import Budget
from probetest.triggers import UNDATED

_NUMBERS = re.compile(r"\[\n\s+-?[0-9][^\[\]{}\"]*\]")
"""A list of numbers, spread over lines."""

SCHEMA = "probetest.result/1"
"""Name and version of the shape of result.json."""


def result_to_dict(found: Qualification) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm at full precision, null where not known.

    A figure that is null has a sentence beside it under the same name with ``_reason``.
    Intervals are 95 % two-sided unless named otherwise.
    """
    record, source = found.record, found.source
    plain = {
        "schema": SCHEMA,
        "software": f"probetest {probetest.__version__}",
        "serial": record.serial,
        "build": record.build,
        "tested": tested_at(found),
        "verdict": found.verdict,
        "verdict_rule": "fail if any check fails, else undecided if any is undecided, else pass",
        "look": look_to_dict(source.look, found.verdict, found.limits.risk),
        "input": {
            "file": source.file,
            "sha256": source.sha256,
            "rows": source.rows,
            "units": source.units,
            "shape": source.shape,
            "skipped": [{"line": line, "reason": reason} for line, reason in source.skipped],
        },
        "conditions": record.model_dump(mode="json", exclude={"serial", "build"}),
        "limits": found.limits.model_dump(mode="json"),
        "headline": {"stage": found.series.stage, "orientation_deg": found.series.orientation_deg},
        "checks": [_check(check) for check in found.checks],
        "repeatability": _repeatability(found),
        "pretravel": _pretravel(found),
        **separated_to_dict(found.separated),
        **spherical_to_dict(found.spherical),
        **stages_to_dict(found.stages),
        **contacts_of_result(found.contacts, found.service),
        "drift": _drift(found),
        "capability": _capability(found),
        "outcomes": {
            "approaches": found.outcomes.approaches,
            "triggers": found.outcomes.triggers,
            "missed": found.outcomes.missed,
            "open_at_start": found.outcomes.open_at_start,
            "false": found.outcomes.false,
            "miss_rate_upper": found.miss_rate_upper,
        },
        "flags": [
            {
                "touch": flag.touch,
                "line": flag.line,
                "stage": flag.stage,
                "orientation_deg": flag.orientation_deg,
                "azimuth_deg": flag.azimuth_deg,
                "reading_mm": flag.reading_mm,
                "kind": flag.kind,
                "test": flag.test,
                "detail": flag.detail,
            }
            for flag in found.flags
        ],
        "flag_risk": FAMILY_RISK,
        "without_flags": {
            "left_out": found.without_flags.left_out,
            "sd_mm": found.without_flags.sd_mm,
            "worst_sd_mm": found.without_flags.worst_sd_mm,
            "variation_mm": found.without_flags.variation_mm,
            "cpk": found.without_flags.cpk,
            "probe_variation_mm": found.without_flags.probe_variation_mm,
        },
        "budgets": [_budget(budget) for budget in found.budgets],
        "series": [
            {
                "stage": part.stage,
                "orientation_deg": part.orientation_deg,
                "n": part.n,
                "directions": part.directions,
                "sd_mm": part.sd_mm,
                "sd_interval_mm": _limits_of(part.sd_interval),
                "variation_mm": part.variation_mm,
                "variation_interval_mm": _limits_of(part.variation_interval),
                "verdict": part.verdict,
                "note": part.note,
            }
            for part in found.summaries
        ],
        "remarks": list(found.remarks),
    }
    return {key: finite(value) for key, value in plain.items()}


def tested_at(found: Qualification) -> str | None:
    """Time of the first touch of the headline series, ISO 8601; None where no day was logged."""
    times = found.series.level["time"].dropna()
    return None if times.empty or times.min().date() == UNDATED else str(times.min().isoformat())


def result_to_json(found: Qualification) -> bytes:
    """The bytes of result.json: UTF-8, two spaces, no NaN."""
    return plain_json(result_to_dict(found))


def plain_json(plain: dict[str, Any]) -> bytes:
    """JSON in UTF-8, two spaces, no NaN; a list of numbers stands on one line."""
    text = json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False)
    text = _NUMBERS.sub(lambda found: " ".join(found[0].split()), text)
    return text.encode("utf-8", "backslashreplace") + b"\n"


def _limits_of(interval: Interval | None) -> dict[str, float | None]:
    return {"lower": interval.lower if interval else None, "upper": interval.upper if interval else None}


def _check(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "label": check.label,
        "value": check.value,
        **({"value_reason": check.note} if check.value is None else {}),
        "unit": check.unit,
        "limit": check.limit,
        "side": check.side,
        "lower": check.lower,
        "upper": check.upper,
        "decision_lower": check.decision_lower,
        "decision_upper": check.decision_upper,
        "verdict": check.verdict,
        "n": check.n,
        "more_touches": check.more_touches,
        "note": check.note,
    }


def _repeatability(found: Qualification) -> dict[str, Any]:
    spread = found.analysis.repeatability
    known = spread.resolved
    test = spread.homogeneity
    return {
        "sd_mm": spread.sd_mm if known else None,
        **({} if known else {"sd_mm_reason": f"not resolved, <= {spread.step_mm:.6g} mm"}),
        "lower_mm": spread.interval_mm.lower if known else 0.0,
        "upper_mm": spread.interval_mm.upper if known else spread.step_mm,
        "dof": spread.dof,
        "effective_dof": spread.effective_dof,
        "excess_kurtosis": spread.tails.excess_kurtosis,
        "n": spread.n,
        "logged_sd_mm": spread.logged_sd_mm,
        "before_rounding": spread.coarse,
        "touches_lost": found.analysis.lost.lost,
        "equal_neighbours_missing": found.analysis.lost.suspected,
        "range_mm": spread.range_mm,
        "repeatability_limit_mm": spread.limit_mm if known else None,
        "repeatability_limit_factor": REPEATABILITY_FACTOR,
        "pooled_ok": test.alike,
        "brown_forsythe_p": test.brown_forsythe_p,
        "cochran_c": test.cochran_c,
        "cochran_critical": test.cochran_critical,
        "resolution_mm": spread.step_mm,
        "drift_included": found.analysis.drift.within_share >= TOLD_APART if found.analysis.drift else None,
        "sd_without_drift_mm": found.analysis.drift.sd_without_mm if found.analysis.drift else None,
        "directions": [
            {
                "azimuth_deg": part.azimuth_deg,
                "n": part.n,
                "mean_mm": part.mean_mm,
                "sd_mm": part.sd_mm,
                "lower_mm": part.interval_mm.lower,
                "upper_mm": part.interval_mm.upper,
                "range_mm": part.range_mm,
            }
            for part in spread.directions
        ],
        "elevated": [
            {"azimuth_deg": part.azimuth_deg, "elevation_deg": elevation, "n": part.n, "sd_mm": part.sd_mm}
            for elevation, part in found.analysis.elevated
        ],
    }


def _pretravel(found: Qualification) -> dict[str, Any]:
    analysis = found.analysis
    variation, seat, harmonics, fit = (
        analysis.variation,
        analysis.seat,
        analysis.harmonics,
        analysis.readings.fit,
    )
    shape_known = seat is not None and seat.shown and seat.fits
    return {
        "label": f"{MIXED}, orientation {found.series.orientation_deg:.4g} deg"
        if found.separated.known
        else MIXED,
        "variation_mm": variation.variation_mm if variation else None,
        **({} if variation else {"variation_mm_reason": analysis.variation_reason}),
        "lower_mm": variation.interval_mm.lower if variation else None,
        "upper_mm": variation.interval_mm.upper if variation else None,
        "raw_variation_mm": variation.raw_mm if variation else None,
        "variation_all_mm": seat.variation_mm if seat and shape_known else None,
        "variation_all_u_mm": seat.variation_u_mm if seat and shape_known else None,
        **({} if shape_known else {"variation_all_mm_reason": shape_reason(found)}),
        "mean_mm": found.mean_pretravel_mm,
        **({"mean_mm_reason": found.mean_reason} if found.mean_pretravel_mm is None else {}),
        **_whole_curve(found),
        "centre_mm": list(fit.centre_mm) if fit else None,
        "centre_condition": fit.condition if fit else None,
        "lobe_visibility": fit.lobe_visibility if fit else None,
        "seen_share": analysis.seen_share if fit else None,
        "drift_taken_out": analysis.curve.still,
        "harmonics": harmonics_to_list(harmonics.harmonics if harmonics else ()),
        **({} if harmonics else {"harmonics_reason": analysis.harmonics_reason}),
        "seat": None
        if seat is None
        else {
            "size_mm": seat.size_mm,
            "size_u_mm": seat.size_u_mm,
            "arm_azimuth_deg": seat.arm_azimuth_deg if seat.shown else None,
            **(
                {}
                if seat.shown
                else {"arm_azimuth_deg_reason": "no three-arm shape stands out of the scatter"}
            ),
            "arm_azimuth_u_deg": seat.arm_azimuth_u_deg if seat.shown else None,
            "pair_ratio": seat.pair_ratio,
            "residual_sd_mm": seat.residual_sd_mm,
            "shown_p": seat.shown_p,
            "misfit_p": seat.misfit_p,
        },
        **({"seat_reason": analysis.seat_reason} if seat is None else {}),
    }


def _whole_curve(found: Qualification) -> dict[str, Any]:
    if found.whole is None:
        few = "fewer than 12 directions, or no scatter to judge a curve by"
        return {"curve": None, "curve_reason": found.analysis.variation_reason or few}
    # The probe's own curve, where it is known, is the one that is given as a whole.
    curve = curve_to_dict(found.whole, whole=found.separated.known is None)
    return {"curve": {"directions": len(found.analysis.readings.azimuth_deg), **curve}}


def shape_reason(found: Qualification) -> str:
    """Why the variation over all directions isn't given."""
    seat = found.analysis.seat
    if seat is None:
        return found.analysis.seat_reason
    if not seat.shown:
        return "no three-arm shape stands out of the scatter"
    return (
        f"the three-arm shape does not fit (p = {seat.misfit_p:.2g}), so nothing is said between "
        "the directions"
    )


def _drift(found: Qualification) -> dict[str, Any]:
    drift = found.analysis.drift
    if drift is None:
        reason = found.analysis.drift_reason
        return {
            "rate_mm_per_h": None, "rate_mm_per_h_reason": reason, "lower": None, "upper": None,
            "per_touch_mm": None, "successive_sd_mm": None,
        }  # fmt: skip
    first = drift.first_touch
    return {
        "rate_mm_per_h": drift.rate_mm_per_h,
        **(
            {}
            if drift.rate_mm_per_h is not None
            else {"rate_mm_per_h_reason": "the log holds no usable times"}
        ),
        **_limits_of(drift.rate_interval),
        "per_touch_mm": drift.per_touch_mm,
        "over_test_mm": drift.over_test_mm,
        "over_test_lower_mm": drift.interval_mm.lower,
        "over_test_upper_mm": drift.interval_mm.upper,
        "size_mm": drift.size_mm,
        "size_u_mm": drift.size_u_mm,
        "curve_mm": list(drift.curve_mm),
        "path": drift.path_kind,
        "robust_per_touch_mm": drift.robust.per_touch_mm,
        "made_by_few": drift.made_by_few,
        "touches_set_aside": len(drift.set_aside),
        "neighbour_correlation": drift.serial.correlation,
        "neighbour_correlation_u": drift.serial.u,
        "neighbours_alike": drift.serial.significant,
        "effective_share": drift.serial.dof_share,
        "successive_sd_mm": drift.successive_sd_mm,
        "sd_without_drift_mm": drift.sd_without_mm,
        "significant": drift.significant,
        "told_from_lobing": drift.within_share,
        "centre_shift_mm": list(drift.centre_shift_mm) if drift.centre_shift_mm else None,
        "centre_shift_u_mm": drift.centre_u_mm,
        "first_touch": None
        if first is None
        else {"shift_mm": first.shift_mm, **_limits_of(first.interval_mm), "directions": first.directions},
    }


def _capability(found: Qualification) -> dict[str, Any]:
    result, tolerance = found.capability, found.limits.tolerance_mm
    if result is None:
        names = ("cp", "cp_lower", "cp_upper", "cpk", "cpk_lower", "cpk_upper", "n", "normal_p", "method")
        return {
            "tolerance_mm": tolerance,
            **dict.fromkeys(names),
            "cp_reason": found.capability_reason,
            "cpk_reason": found.capability_reason,
        }
    return {
        "tolerance_mm": tolerance,
        "cp": result.cp,
        "cp_lower": result.cp_interval.lower,
        "cp_upper": result.cp_interval.upper,
        "cpk": result.cpk,
        "cpk_lower": result.cpk_interval.lower,
        "cpk_upper": result.cpk_interval.upper,
        "n": result.n,
        "effective_dof": result.effective_dof,
        "normal_p": result.normal_p,
        "method": result.method,
        "normal_cp": result.normal_cp,
        "normal_cpk": result.normal_cpk,
        "percentile_cp": result.percentile_cp,
        "percentile_cpk": result.percentile_cpk,
        "cg": result.cg,
        "form": result.form,
        "skewness": result.skewness,
        "excess_kurtosis": result.excess_kurtosis,
        "shape_cpk_lower": result.shape_cpk_lower,
        "tolerance_interval": {
            "lower_mm": result.tolerance_interval_mm.lower,
            "upper_mm": result.tolerance_interval_mm.upper,
            "content": result.tolerance_interval_mm.content,
            "confidence": result.tolerance_interval_mm.confidence,
            "range_content": result.tolerance_interval_mm.range_content,
        },
        "outside": result.outside,
        "outside_share_upper": result.outside_share_upper,
        "presumes": result.presumes,
        "warning": result.warning,
    }


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "figure": budget.figure,
        "value_mm": budget.value_mm,
        "components": [
            {
                "source": part.source,
                "kind": part.kind,
                "u_mm": part.u_mm,
                "dof": part.dof,
                "basis": part.basis,
            }
            for part in budget.components
        ],
        "u_mm": budget.u_mm,
        "dof": budget.dof,
        "coverage_factor": budget.coverage_factor,
        "expanded_mm": budget.expanded_mm,
        "level": budget.level,
    }
