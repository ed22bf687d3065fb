"""The finding on the contacts."""

from __future__ import annotations

import numpy as np
from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.contact_service import Service
from probetest.jobs.contact_words import CAUTIONS, advice, opens
from probetest.jobs.contacts_check import Checked
from probetest.report.contacts_page import SERVICE_WORDS, evidence_cells, finding_lines
from probetest.report.numbers import number
from probetest.screen.console import new_console


def print_contacts(found: Checked) -> None:
    """The finding, the evidence, what to do."""
    console = new_console()
    contacts, finding = found.contacts, found.contacts.finding
    first, *rest = finding_lines(contacts)
    console.print(Text(f"{printable(found.serial)}: {first}", style="bold"))
    for line in rest:
        console.print(Text(line))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("looked at", "arm", "found (95 %)", "by chance", "n", "against healthy"):
        table.add_column(title, justify="left" if title == "looked at" else "right")
    for seen in finding.evidence:
        table.add_row(*evidence_cells(seen, finding))
    console.print(table)
    for note in contacts.notes:
        if note not in finding.first.why:
            console.print(Text(f"Mind: {note}."))
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
        before, after = (
            f"{number(100 * float(np.expm1(x)), 0, sign=True)} %" for x in (one.before, one.after)
        )
        console.print(
            Text(f"  arm {one.azimuth_deg:.0f}°, opening force: {before} before, {after} after ({one.word})")
        )
