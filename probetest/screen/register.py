"""The tests in a register."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.registering import Moved
from probetest.register import Head
from probetest.screen.console import counted, new_console

KINDS = {"qualification": "qualified", "verification": "verified", "service": "service"}
"""What was done with a probe, short enough for a narrow column."""

WIDE = 100
"""Columns from which on the touches are shown as well."""


def print_register(file: Path, tests: Sequence[Head]) -> None:
    """A line for each test; without the touches on a narrow screen."""
    console = new_console()
    wide = console.width >= WIDE
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("serial", "build", "tested", "kind", "verdict", "log"):
        table.add_column(title, overflow="fold", no_wrap=title in ("tested", "kind", "verdict"))
    for title in ("touches", "judged") if wide else ("judged",):
        table.add_column(title, justify="right", no_wrap=True)
    for one in tests:
        kind = KINDS.get(one.kind, one.kind)
        cells = (one.serial, one.build or "", (one.tested or "")[:10], kind, one.verdict, one.file)
        numbers = (one.touches, one.judgements) if wide else (one.judgements,)
        table.add_row(*(Text(printable(cell)) for cell in cells), *map(str, numbers))
    if tests:
        console.print(table)
    units = len({one.serial for one in tests})
    console.print(
        Text(f"{printable(str(file))}: {counted(len(tests), 'test')} of {counted(units, 'serial')}")
    )


def print_moved(file: Path, moved: Moved, folder: Path, *, out: bool) -> None:
    """What went out of a register, or came in."""
    where = printable(str(folder))
    if out:
        text = f"Written: {where}/ ({counted(moved.judgements, 'judgement')})"
    else:
        many = counted(moved.judgements, "judgement")
        text = f"{printable(str(file))}: {moved.new} of {many} of {where} are new"
    new_console().print(Text(text))
