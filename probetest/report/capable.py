"""Capability of single readings, as a report prints it."""

from __future__ import annotations

from probetest.jobs.qualify import Qualification
from probetest.report.blocks import Facts, Note
from probetest.report.numbers import UNKNOWN, number, p_words, percent, span, um
from probetest.statistics.capability import STUDY_SHARE, STUDY_SPREAD
from probetest.statistics.intervals import Interval
from probetest.statistics.tolerance import ToleranceInterval


def capability_facts(found: Qualification) -> Facts | Note:
    """Capability with both forms, interval and constants."""
    result, tolerance = found.capability, found.limits.tolerance_mm
    if result is None:
        return Note("info", "No capability", found.capability_reason)
    rows = [
        (
            "Tolerance of a single reading",
            f"± {um((tolerance or 0) / 2)} µm about "
            + ("the nominal pre-travel" if result.known_reference else "the mean of the test"),
        ),
        (
            "Cp",
            f"{number(result.cp, 2)} ({_plain(result.cp_interval)}), n = {result.n}",
        ),
        ("Cpk", f"{number(result.cpk, 2)} ({_plain(result.cpk_interval)})"),
        ("Method", result.method),
        (
            "Normality of all readings",
            f"{p_words(result.normal_p)}"
            + ("" if result.normal_p >= 0.05 else ": not one normal population"),
        ),
        ("Normal form", f"Cp {number(result.normal_cp, 2)}, Cpk {number(result.normal_cpk, 2)}"),
        ("Percentile form", f"Cp {number(result.percentile_cp, 2)}, Cpk {number(result.percentile_cpk, 2)}"),
        ("Tolerance interval", _tolerance_interval(result.tolerance_interval_mm)),
        (
            "Outside the tolerance",
            f"{result.outside} of {result.n} readings; at most {percent(result.outside_share_upper, 1)} of "
            "all single readings, whatever their distribution (95 %)",
        ),
        ("Presumes", result.presumes),
        (
            f"Cg = {STUDY_SHARE:g} T / ({STUDY_SPREAD:g} s)",
            f"{number(result.cg, 2)} for repeatability alone (constants: common practice, no source; "
            "conventions differ)",
        ),
        (
            "Cgk",
            "not given: it needs the bias against a calibrated reference"
            if found.mean_pretravel_mm is None or found.limits.nominal_pretravel_mm is None
            else _cgk(found),
        ),
    ]
    if result.warning:
        rows.append(("Mind", result.warning))
    return Facts(tuple(rows))


def _tolerance_interval(found: ToleranceInterval) -> str:
    """What most single readings lie within, by a model and whatever the distribution."""
    return (
        f"{um(found.lower, 1, sign=True)} to {um(found.upper, 1, sign=True)} µm hold "
        f"{100 * found.content:.4g} % of single readings at {100 * found.confidence:.0f} % confidence, "
        f"n = {found.n} ({found.method}); whatever the distribution, {percent(found.range_content, 1)} lie "
        f"between the smallest and the largest ({um(found.smallest, 1, sign=True)} and "
        f"{um(found.largest, 1, sign=True)} µm)"
    )


def _cgk(found: Qualification) -> str:
    tolerance, nominal, mean = (
        found.limits.tolerance_mm,
        found.limits.nominal_pretravel_mm,
        found.mean_pretravel_mm,
    )
    if tolerance is None or nominal is None or mean is None or not found.analysis.repeatability.resolved:
        return UNKNOWN
    room = STUDY_SHARE / 2 * tolerance - abs(mean - nominal)
    return number(room / (STUDY_SPREAD / 2 * found.analysis.repeatability.sd_mm), 2)


def _plain(interval: Interval) -> str:
    return span(interval.lower, interval.upper, 2)
