"""A comparison of builds."""

from __future__ import annotations

from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.compare import BuildComparison
from probetest.report.comparison import margin_words, sentence, table_cells
from probetest.screen.console import new_console


def print_comparison(result: BuildComparison, folder: Path) -> None:
    """A line for each figure of each pair, what a reader must mind, where the files are."""
    console = new_console()
    listed = ", ".join(f"{printable(name)} {len(units)} units" for name, units in result.groups.items())
    console.print(Text(f"{printable(result.by)}: {listed}"))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("figure", "first", "second", "difference"):
        table.add_column(title, overflow="fold", justify="left" if title == "figure" else "right")
    table.add_column("margin", justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    several = len(result.groups) > 2
    for one in result.compared:
        name, first, second, difference, word = table_cells(one, several=several)
        table.add_row(
            *(Text(printable(cell)) for cell in (name, first, second, difference)), margin_words(one), word
        )
    console.print(table)
    console.print(
        Text(
            "Means over units (95 %, each row by itself) in µm, shares in %; ×: ratio. The words keep the "
            "risk over all rows."
        )
    )
    for one in result.compared:
        if one.verdict == "can't tell":
            console.print(Text(printable(sentence(one))))
    for remark in result.remarks:
        console.print(Text(f"mind: {printable(remark)}"))
    for problem in result.problems:
        console.print(Text(f"can't be used: {printable(problem)}"))
    console.print(Text(f"Written: {printable(str(folder))}/"))
