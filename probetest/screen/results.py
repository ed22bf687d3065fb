"""The results of single logs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.contact_words import named
from probetest.jobs.looks import next_step
from probetest.jobs.qualify import Qualification
from probetest.report.numbers import UNKNOWN, number, rounded, span, um
from probetest.screen.console import MARKS, STYLES, new_console, short_span
from probetest.statistics.decision import Check


def print_results(results: Sequence[Qualification], folders: Sequence[Path]) -> None:
    """One line a serial, then what is open or failed, then where the files are."""
    console = new_console()
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("serial", overflow="fold")
    table.add_column("verdict", no_wrap=True)
    for title in ("sd (95 %)", "variation (95 %)", "drift", "Cpk", "valid"):
        table.add_column(title, justify="right", no_wrap=True)
    for found in results:
        table.add_row(*_row(found))
    console.print(table)
    console.print(Text("Lengths in µm; size of the drift over the test; valid: triggers of approaches."))
    if any(found.separated.known for found in results):
        console.print(Text("P: variation of the probe alone; all else is of probe + machine."))
    for found in results:
        for check in found.checks:
            if check.verdict != "pass":
                console.print(Text(f"{printable(found.record.serial)}: {_words(check)}"))
        first = found.contacts.finding.first
        if first.kind not in ("healthy", "machine", "unknown"):
            words = f"contacts, not part of the verdict: consistent with {named(first)}"
            console.print(Text(f"{printable(found.record.serial)}: {words}"))
        if found.source.look is not None:
            words = next_step(found.source.look, found.verdict)
            console.print(Text(f"{printable(found.record.serial)}: {words}"))
        for notice in found.source.notices:
            console.print(Text(f"{printable(found.record.serial)}: mind: {printable(notice)}"))
    if folders:
        noun = "serial" if len(folders) == 1 else "serials"
        console.print(
            Text(f"Written: {printable(str(folders[0].parent))}/ ({len(folders)} {noun}, one folder each)")
        )


def _row(found: Qualification) -> list[Text | str]:
    spread, variation, drift = found.analysis.repeatability, found.analysis.variation, found.analysis.drift
    sd = f"{um(spread.sd_mm, 2)} ({short_span(spread.interval_mm, 2)})"
    varies = UNKNOWN
    apart = found.separated.known
    if apart is not None and apart.probe is not None:
        varies = f"{um(apart.probe.variation_mm)} ({short_span(apart.probe.interval_mm(), 1)}) P"
    elif variation:
        varies = f"{um(variation.variation_mm)} ({short_span(variation.interval_mm, 1)})"
    return [
        Text(printable(found.record.serial)),
        Text(MARKS[found.verdict], style=STYLES[found.verdict]),
        sd if spread.resolved else f"≤ {um(spread.step_mm)}",
        varies,
        um(drift.size_mm if drift else None),
        number(found.capability.cpk if found.capability else None, 2),
        f"{found.outcomes.triggers}/{found.outcomes.approaches}",
    ]


def _words(check: Check) -> str:
    scale, unit = (1000.0, " µm") if check.unit == "mm" else (1.0, "")
    decimals = {"misses": 0, "other_series": 0, "miss_rate": 4}.get(check.name, 2)
    text = f"{check.verdict}: {check.label}"
    if check.value is not None:
        text += f" {number(check.value * scale, decimals)}{unit}"
        if check.lower is not None:
            text += f" ({span(check.lower, check.upper, decimals, scale)}{unit})"
    text += f", limit {number(check.limit * scale, decimals)}{unit}"
    if check.note:
        text += f"; {check.note}"
    if check.more_touches is not None:
        text += f"; very roughly {rounded(max(1, check.more_touches))} more touches would decide"
    return text
