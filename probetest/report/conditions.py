"""What was tested, with what, under which limits, from which file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import probetest
from probetest.jobs.qualify import Qualification
from probetest.report.blocks import Column, Facts, Table, VerdictMark
from probetest.report.first_page import when
from probetest.report.numbers import span, um, um_span
from probetest.statistics.intervals import Interval

MOST_REASONS = 6
"""Reasons for skipped lines that a page names."""


def series_table(found: Qualification) -> Table | None:
    """All series of the log; None if there is only one."""
    if len(found.summaries) < 2:
        return None
    rows = tuple(
        (
            part.stage,
            f"{part.orientation_deg:.4g}",
            str(part.n),
            str(part.directions),
            _with_interval(part.sd_mm, part.sd_interval, 2),
            _with_interval(part.variation_mm, part.variation_interval, 1),
            VerdictMark(part.verdict or "not tested"),
            part.note,
        )
        for part in found.summaries
    )
    return Table(
        columns=(
            Column("Stage", "left"),
            Column("Orientation, °", "right"),
            Column("n", "right"),
            Column("Directions", "right"),
            Column("sd, µm (95 %)", "right"),
            Column("Variation, µm (95 %)", "right"),
            Column("Verdict", "left"),
            Column("Remark", "left", "1fr"),
        ),
        rows=rows,
        caption="All series of the log; the figures of this report are of the first",
    )


def _with_interval(value_mm: float | None, interval: Interval | None, decimals: int) -> str:
    text = um(value_mm, decimals)
    return text if interval is None else f"{text} ({um_span(interval, decimals)})"


def conditions_facts(found: Qualification) -> Facts:
    """What was tested with what, as far as the log says."""
    record, frame = found.record, found.series.level
    artefact, stylus, machine = record.artefact, record.stylus, record.machine
    rows = [("Serial", record.serial), ("Build", record.build or "not stated"), ("Tested", when(found))]
    rows.append(("Artefact", "not stated" if artefact is None else _artefact(found)))
    if stylus is not None:
        parts = []
        if stylus.length_mm is not None:
            parts.append(f"length {stylus.length_mm:g} mm")
        if stylus.ball_diameter_mm is not None:
            parts.append(f"ball {stylus.ball_diameter_mm:g} mm")
        rows.append(("Stylus", ", ".join(parts) or "not stated"))
    else:
        rows.append(("Stylus", "not stated"))
    rows.append(("Machine", machine.name if machine is not None and machine.name else "not stated"))
    rows.append(("Resolution of the readings", _resolution(found)))
    for name, column, unit in (("Feed", "feed_mm_min", "mm/min"), ("Temperature", "temperature_c", "°C")):
        values = frame[column].dropna()
        text = "not logged" if values.empty else f"{span(values.min(), values.max(), 1)} {unit}"
        if not values.empty and values.min() == values.max():
            text = f"{values.min():g} {unit}"
        rows.append((name, text))
    rows.append(("Stage and orientation", f"{found.series.stage}, {found.series.orientation_deg:.4g}°"))
    return Facts(tuple(rows))


def _artefact(found: Qualification) -> str:
    artefact = found.record.artefact
    if artefact is None:
        return "not stated"
    text: str = artefact.kind
    if artefact.diameter_mm is not None:
        text += f", diameter {artefact.diameter_mm:.4f} mm"
    return text + (f", u = {um(artefact.u_mm, 2)} µm" if artefact.u_mm is not None else ", not calibrated")


def _resolution(found: Qualification) -> str:
    resolution = found.analysis.resolution
    parts = [f"{um(resolution.step_mm, 2)} µm"]
    if resolution.detected_mm is not None:
        parts.append(f"steps of {um(resolution.detected_mm, 2)} µm seen in the data")
    if resolution.declared_mm is not None:
        parts.append(f"{um(resolution.declared_mm, 2)} µm stated")
    parts.append(f"last digit {um(resolution.digit_mm, 2)} µm")
    return "; ".join(parts)


def input_facts(found: Qualification) -> Facts:
    """The file behind the report."""
    source, origin = found.source, found.record.origin
    return Facts(
        (
            ("File", source.file),
            ("SHA-256", source.sha256),
            *((("Made from", f"{origin.file}; lines are those of that log"),) if origin else ()),
            ("Shape", source.shape),
            ("Approaches in it", str(source.rows)),
            *((("Lines skipped", _skipped(source.skipped)),) if source.skipped else ()),
            ("Units stated", source.units),
            ("Software", f"probetest {probetest.__version__}"),
        )
    )


def _skipped(skipped: Sequence[tuple[int, str]]) -> str:
    """How many lines gave no touch, by reason, the most frequent first."""
    counts = Counter(reason for _, reason in skipped)
    named = [f"{count}: {reason}" for reason, count in counts.most_common(MOST_REASONS)]
    rest = len(skipped) - sum(count for _, count in counts.most_common(MOST_REASONS))
    return "; ".join([*named, *([f"{rest} for other reasons, listed in result.json"] if rest else [])])


def notes_facts(found: Qualification) -> Facts | None:
    """Notes of the log, exactly as they stand there; None without any."""
    if not found.record.notes:
        return None
    return Facts(found.record.notes, caption="Notes in the log, as they stand there")


def _source_of(found: Qualification, name: str) -> str:
    look = found.source.look
    if name == "risk" and look is not None:
        return f"of one of {look.blocks} looks"
    return found.limits.source(name)


def limits_sources(found: Qualification) -> Table:
    """Each limit and where it comes from."""
    values = found.limits.model_dump()
    rows = tuple(
        (name, "not checked" if value is None else f"{value:.4g}", _source_of(found, name))
        for name, value in values.items()
        if value is not None or name not in ("nominal_pretravel_mm", "longest_pretravel_mm")
    )
    return Table(
        columns=(
            Column("Limit", "left"),
            Column("Value", "right"),
            Column("Where it comes from", "left", "1fr"),
        ),
        rows=rows,
    )
