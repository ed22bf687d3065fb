"""The finding on the contacts."""

from __future__ import annotations

import math

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.contact_service import Service
from probetest.jobs.contact_words import CAUTIONS, WORDS, advice, named, opens, sentence
from probetest.jobs.contacts_check import Checked
from probetest.report.contacts_page import SERVICE_WORDS, confidence, evidence_cells
from probetest.report.numbers import number
from probetest.screen.console import new_console


def print_contacts(found: Checked) -> None:
    """The finding, the evidence, what to do."""
    console = new_console()
    contacts, finding = found.contacts, found.contacts.finding
    console.print(Text(f"{printable(found.serial)}: {sentence(finding)}", style="bold"))
    console.print(Text(WORDS[finding.first.kind].meaning))
    if finding.first.confidence is not None:
        sure = confidence(finding.first.confidence)
        console.print(Text(f"Confidence in this pattern, not in its cause: {sure}; n = {contacts.touches}."))
    if finding.first.kind == "healthy":
        console.print(Text(f"Not seen by this test: {'; '.join(contacts.not_seen)}."))
    for one in finding.others:
        console.print(Text(f"Also: {named(one)}: {one.why}."))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("looked at", "arm", "found (95 %)", "by chance", "n", "suspect"):
        table.add_column(title, justify="left" if title == "looked at" else "right")
    for seen in finding.evidence:
        table.add_row(*evidence_cells(seen))
    console.print(table)
    for note in contacts.notes:
        console.print(Text(f"Not looked at: {note}."))
    if found.service is not None:
        _print_service(found.service)
    for place, step in enumerate(advice(finding), start=1):
        console.print(Text(f"{place}. {step}"))
    if opens(finding):
        console.print(Text(f"Caution: {CAUTIONS}", style="yellow"))


def _print_service(service: Service) -> None:
    console = new_console()
    console.print(Text(f"Service: {SERVICE_WORDS[service.verdict]} {service.reason}".rstrip()))
    for one in service.changes:
        change, low, high = (
            number(100 * math.expm1(x), 0, sign=True)
            for x in (one.change, one.interval.lower, one.interval.upper)
        )
        console.print(Text(f"  arm {one.azimuth_deg:.0f}°: {change} % ({low} to {high}), {one.word}"))
