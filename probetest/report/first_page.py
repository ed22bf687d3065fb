"""The first page of an acceptance report: verdict, limits, the figures to quote."""

from __future__ import annotations

from probetest.jobs.contact_words import named
from probetest.jobs.qualify import Qualification
from probetest.jobs.result import shape_reason
from probetest.jobs.separating import MIXED
from probetest.report.blocks import Banner, Cell, Column, Facts, Note, Table, VerdictMark
from probetest.report.details import drift_words
from probetest.report.numbers import (
    UM_PER_MM,
    UNKNOWN,
    decimals_for,
    number,
    percent,
    rounded,
    span,
    um,
    um_span,
)
from probetest.statistics.decision import Check
from probetest.statistics.drift import TOLD_APART
from probetest.statistics.repeatability import REPEATABILITY_FACTOR
from probetest.triggers import UNDATED

COUNTS = ("misses", "other_series")
"""Checks whose value is a whole number."""

MORE_WORTH_SAYING = 100_000
"""More touches than this are no practical advice."""


def banner(found: Qualification) -> Banner:
    """Which probe, the verdict, and one plain sentence of what it means."""
    record = found.record
    scope = f"{found.series.stage}, {found.series.orientation_deg:.4g}°"
    facts = [
        ("Build", record.build or "not stated"),
        ("Tested (stage, orientation)", f"{when(found)} ({scope})"),
        ("Touches", touches(found)),
    ]
    return Banner(found.verdict, f"Touch probe {record.serial}", meaning(found), tuple(facts))


def meaning(found: Qualification) -> str:
    """One or two plain sentences: what the verdict is, and what a user will see."""
    failed = [check.label for check in found.checks if check.verdict == "fail"]
    open_ones = [check.label for check in found.checks if check.verdict == "undecided"]
    if failed:
        start = f"Outside the limits: {_listed(failed)}."
    elif open_ones:
        start = f"Not decided by these touches: {_listed(open_ones)}. Everything else keeps its limit."
    elif found.checks:
        start = f"All {len(found.checks)} limits are kept, each with its guard band."
    else:
        start = "No limit was set, so nothing was decided."
    without = found.without_flags
    flagged = ""
    if without.left_out:
        figures = f"sd {um(without.sd_mm, 2)} µm, variation {um(without.variation_mm)} µm"
        flagged = f" Without {without.left_out} flagged touches: {figures}."
    mind = " Mind the remarks below." if len(found.remarks) > 1 else ""
    return f"{start} {_in_use(found)}{flagged}{mind}{_contacts(found)}"


def _contacts(found: Qualification) -> str:
    """A fault of the contacts, which no limit judges; empty where none is found."""
    finding = found.contacts.finding
    if finding.first.kind in ("healthy", "machine", "unknown"):
        return ""
    return (
        f" Contact health, not part of the verdict: consistent with {named(finding.first)}; look before use."
    )


def _in_use(found: Qualification) -> str:
    spread, variation = found.analysis.repeatability, found.analysis.variation
    if not spread.resolved:
        repeat = f"The scatter is below the readout, at most about {um(spread.step_mm)} µm (n = {spread.n})"
    elif spread.homogeneity.alike:
        repeat = (
            f"Two touches from one direction differ by less than about {um(spread.limit_mm)} µm, 95 times in "
            f"100 (n = {spread.n})"
        )
    else:
        worst = spread.directions[spread.worst]
        repeat = (
            "Directions repeat unequally: in the worst, two touches differ by less than about "
            f"{um(REPEATABILITY_FACTOR * worst.sd_mm)} µm, 95 times in 100 (n = {worst.n})"
        )
    if variation is None:
        return f"{repeat}."
    among = (
        f"among the tested directions the trigger point moves by {um(variation.variation_mm)} µm "
        f"({um_span(variation.interval_mm, 1)} µm)"
    )
    seat = found.analysis.seat
    if seat is not None and seat.shown and seat.fits:
        among += f", over all directions by {um(seat.variation_mm)} ± {um(2 * seat.variation_u_mm)} µm (2 u)"
    apart = found.separated.known
    if apart is not None and apart.probe is not None:
        own, limits = apart.probe, apart.probe.interval_mm()
        among = (
            f"the probe alone moves the trigger point by {um(own.variation_mm)} µm ({um_span(limits, 1)} µm) "
            f"over all directions; with this machine at {found.series.orientation_deg:.4g}° it moves by "
            f"{um(variation.variation_mm)} µm"
        )
    return f"{repeat}; {among}."


def _drift_place(found: Qualification) -> str:
    drift = found.analysis.drift
    if drift is None:
        return "drift not told"
    return "drift included" if drift.within_share >= TOLD_APART else "drift mostly left out (touched in rows)"


def _listed(names: list[str]) -> str:
    lowered = [name if name.startswith("Cpk") else name[0].lower() + name[1:] for name in names]
    return lowered[0] if len(lowered) == 1 else ", ".join(lowered[:-1]) + " and " + lowered[-1]


def when(found: Qualification) -> str:
    """Start and length of the test, as far as the log says."""
    times = found.series.level["time"].dropna()
    if times.empty:
        return "time not logged"
    first, last = times.min(), times.max()
    minutes = (last - first).total_seconds() / 60
    day = "day not logged," if first.date() == UNDATED else f"{first:%Y-%m-%d}"
    return f"{day} {first:%H:%M}, {minutes:.0f} min"


def touches(found: Qualification) -> str:
    """How many touches, from how many directions."""
    counts = found.analysis.counts
    each = f"{counts.min()}" if counts.min() == counts.max() else f"{counts.min()} to {counts.max()}"
    return f"{counts.sum()} from {len(counts)} directions, {each} each"


def limits_table(found: Qualification) -> Table:
    """Each limit with value, interval, verdict; what would decide an open one."""
    notes = [
        "Intervals are 95 %, two-sided. A check is decided when the one-sided bound at "
        f"{percent(found.limits.risk)} risk lies beyond the limit (guard band as in ISO 14253-1). Any fail "
        "fails the test; else any undecided leaves it undecided."
    ]
    notes += [_remark(check) for check in found.checks if _remark(check)]
    return Table(
        columns=(
            Column("Check", "left", "1fr"),
            Column("Value", "right"),
            Column("95 % interval", "right"),
            Column("Limit", "right"),
            Column("n", "right"),
            Column("Verdict", "left"),
        ),
        rows=tuple(_check_row(check) for check in found.checks),
        note="\n".join(notes),
    )


def _check_row(check: Check) -> tuple[Cell, ...]:
    scale, unit, decimals = _scale(check)
    value = UNKNOWN if check.value is None else _with_unit(number(check.value * scale, decimals), unit)
    bound = "≤" if check.side == "max" else "≥"
    interval = (
        _with_unit(span(check.lower, check.upper, decimals, scale), unit)
        if check.lower is not None
        else UNKNOWN
    )
    limit_decimals = 0 if check.name in COUNTS else max(1, decimals) if unit == "µm" else decimals
    limit = f"{bound} {_with_unit(number(check.limit * scale, limit_decimals), unit)}"
    return check.label, value, interval, limit, str(check.n), VerdictMark(check.verdict)


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit and text != UNKNOWN else text


def _scale(check: Check) -> tuple[float, str, int]:
    if check.unit == "mm":
        half = 0.0 if check.upper is None or check.lower is None else (check.upper - check.lower) / 2
        return UM_PER_MM, "µm", min(2, decimals_for(UM_PER_MM * half))
    if check.name == "miss_rate":
        return 100.0, "%", 2
    return 1.0, "", 0 if check.name in COUNTS else 2


def _remark(check: Check) -> str:
    parts = [check.note] if check.note and not check.note.startswith("a count") else []
    if (
        check.verdict == "undecided"
        and check.more_touches is not None
        and check.more_touches <= MORE_WORTH_SAYING
    ):
        parts.append(
            f"very roughly {rounded(max(1, check.more_touches))} more touches would decide, if the figure "
            "stays"
        )
    elif check.verdict == "undecided" and check.value is not None and check.value > 0 and not parts:
        parts.append("too near the limit for any practical number of touches")
    return f"{check.label}: {'; '.join(parts)}." if parts else ""


def headline_facts(found: Qualification) -> Facts:
    """The figures to quote, with what they rest on."""
    analysis = found.analysis
    spread, drift = analysis.repeatability, analysis.drift
    rows = []
    if spread.resolved:
        interval = um_span(spread.interval_mm, 2)
        rows.append(
            (
                "Repeatability sd",
                f"{um(spread.sd_mm, 2)} µm ({interval} µm), {spread.effective_dof:.0f} dof, "
                f"{_drift_place(found)}",
            )
        )
        rows.append(
            (
                f"Repeatability limit {REPEATABILITY_FACTOR} s",
                f"{um(spread.limit_mm)} µm between two touches (ISO 5725)",
            )
        )
    else:
        rows.append(("Repeatability sd", f"not resolved, at most about {um(spread.step_mm)} µm"))
    most = max((part for part in spread.directions if part.n > 1), key=lambda part: part.range_mm)
    rows.append(("Largest range in one direction", f"{um(most.range_mm)} µm (n = {most.n})"))
    rows.extend(_variation_rows(found))
    if found.mean_pretravel_mm is not None:
        budget = next(b for b in found.budgets if b.figure == "Mean pre-travel")
        rows.append(
            (
                "Mean pre-travel",
                f"{um(found.mean_pretravel_mm)} ± {um(budget.expanded_mm)} µm (95 %), latency at this feed "
                "included",
            )
        )
    else:
        rows.append(("Mean pre-travel", f"not given: {found.mean_reason}"))
    if drift is not None:
        rows.append(("Drift over the test", drift_words(found)))
    rows.append(
        (
            "Approaches without a valid trigger",
            f"{found.outcomes.failed} of {found.outcomes.approaches}; true share at most "
            f"{100 * found.miss_rate_upper:.2f} % (one-sided 95 %)",
        )
    )
    return Facts(tuple(rows))


def _variation_rows(found: Qualification) -> list[tuple[str, str]]:
    variation, seat, apart = found.analysis.variation, found.analysis.seat, found.separated.known
    if variation is None:
        return [("Pre-travel variation", f"not given: {found.analysis.variation_reason}")]
    mixed = f"{um(variation.variation_mm)} µm ({um_span(variation.interval_mm, 1)} µm)"
    if apart is not None and apart.probe is not None:
        own = f"{um(apart.probe.variation_mm)} µm ({um_span(apart.probe.interval_mm(), 1)} µm)"
        return [
            ("Pre-travel variation, probe alone", f"{own}, {len(apart.orientations_deg)} orientations"),
            (f"The same, {MIXED}, at {found.series.orientation_deg:.4g}°", f"{mixed}, tested directions"),
        ]
    rows = [
        (
            "Pre-travel variation, tested directions",
            f"{mixed}; range of the means as they are {um(variation.raw_mm)} µm",
        )
    ]
    if seat is not None and seat.shown and seat.fits:
        every = (
            f"{um(seat.variation_mm)} ± {um(2 * seat.variation_u_mm)} µm (2 u), by the fitted three-arm shape"
        )
    else:
        every = f"not given: {shape_reason(found)}"
    return [*rows, ("Pre-travel variation, all directions", every)]


def remarks_block(found: Qualification) -> Note:
    """What a reader must mind."""
    return Note("caution" if len(found.remarks) > 1 else "info", "Mind", "\n".join(found.remarks))
