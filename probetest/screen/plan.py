"""A planned test on the screen."""

from __future__ import annotations

from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.planning import FILES
from probetest.plan.planned import Planned
from probetest.plan.telling import facts_of, hides_of, shows_of
from probetest.screen.console import new_console


def print_plan(planned: Planned, folder: Path | None) -> None:
    """What is planned, what it shows, what it does not, and where the files are."""
    console = new_console()
    console.print(Text(f"{printable(planned.bench.probe.serial)}: {planned.wish.purpose}"))
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, value in facts_of(planned):
        table.add_row(Text(name.lower()), Text(printable(value)))
    console.print(table)
    for title, sentences in (
        ("shows, if the probe is as expected:", shows_of(planned)),
        ("does not show:", hides_of(planned)),
    ):
        console.print(Text(title, style="bold"))
        for sentence in sentences:
            console.print(Text(f"- {printable(sentence)}"))
    if folder is None:
        console.print(Text("Nothing written; --out DIR writes the program and the record sheet."))
    else:
        console.print(Text(f"Written: {printable(str(folder))}/ ({', '.join(FILES)})"))
        console.print(Text("Read the cautions at the head of the program before a machine moves."))
