"""A trend, and whether to ship more."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.ramping import Ramp
from probetest.jobs.trend import Trend
from probetest.report import ramp_page
from probetest.report.blocks import Table as ReportTable
from probetest.report.trend import chart_table, history_table, told
from probetest.screen.console import new_console


def print_trend(found: Trend, folder: Path, *, only_ramp: bool) -> None:
    """What stands out, the charts in short, ageing, ship or wait, where the files are."""
    console = new_console()
    if not only_ramp:
        for line in told(found):
            console.print(Text(printable(line)))
        for page in (chart_table(found), history_table(found)):
            if isinstance(page, ReportTable) and page.rows:
                table = Table(box=None, pad_edge=False, header_style="bold")
                for column in page.columns:
                    table.add_column(
                        column.title, overflow="fold", justify="right" if column.align == "right" else "left"
                    )
                for row in page.rows:
                    table.add_row(*(Text(printable(str(cell))) for cell in row))
                console.print(table)
        console.print(Text("Lengths in µm, misses in %."))
    _print_ramp(found.ramp, found.standing_out)
    for line in (*found.remarks, *(f"can't be used: {problem}" for problem in found.problems)):
        console.print(Text(f"mind: {printable(line)}"))
    console.print(Text(f"Written: {printable(str(folder))}/"))


def _print_ramp(ramp: Ramp, look_at: Sequence[str]) -> None:
    console = new_console()
    page = ramp_page.banner(ramp, look_at)
    style = "green" if page.verdict == "pass" else "yellow"
    units = (
        f"{ramp.field.units_shipped} units, {ramp.field.units_with_fault} with a fault, by {ramp.source}: "
    )
    console.print(Text(units).append(page.word, style=style))
    console.print(Text(page.sentence))
    for name, value in ramp_page.proven_facts(ramp).rows:
        console.print(Text(f"  {name}: {value}"))
    shares = ", ".join(f"1 in {1 / share:.0f} units {100 * chance:.0f} %" for share, chance in ramp.chances)
    console.print(Text(f"The next batch would show a fault of {shares}."))
    bounds = ", ".join(f"{units} more: {100 * bound:.1f} %" for units, bound in ramp.bounds)
    console.print(Text(f"Without a further fault, at most so many units have one (95 %): {bounds}."))
