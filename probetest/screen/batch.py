"""What became of a folder of logs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.made import Row
from probetest.jobs.shop import Step
from probetest.report.numbers import UNKNOWN, um
from probetest.screen.console import MARKS, STYLES, counted, new_console, short_span
from probetest.statistics.intervals import Interval

MOST_ROWS = 40


def print_batch(steps: Sequence[Step], summary: Path) -> None:
    """Counts of the verdicts, what did not pass, what can't be used, where all of it is."""
    console = new_console()
    counts = Counter(step.row.verdict or "unusable" for step in steps)
    told = ", ".join(f"{counts[word]} {word}" for word in ("pass", "undecided", "fail") if counts[word])
    resumed = sum(step.resumed for step in steps)
    console.print(
        Text(
            f"{counted(sum(counts.values()) - counts['unusable'], 'serial')}: {told or 'none'}"
            + (f"; {resumed} of them were there from an earlier run" if resumed else "")
        )
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("serial", overflow="fold")
    table.add_column("verdict", no_wrap=True)
    for title in ("sd (95 %)", "variation (95 %)"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("not passed", overflow="fold")
    open_ones = [step.row for step in steps if step.row.verdict in ("fail", "undecided")]
    for row in open_ones[:MOST_ROWS]:
        table.add_row(*_batch_row(row))
    if open_ones:
        console.print(table)
        console.print(Text("Lengths in µm; P: variation of the probe alone."))
    if len(open_ones) > MOST_ROWS:
        console.print(Text(f"... and {len(open_ones) - MOST_ROWS} more that did not pass, see the summary."))
    bad = [step.row for step in steps if step.row.problem]
    for row in bad[:MOST_ROWS]:
        console.print(Text(f"can't be used: {printable(row.problem)}"))
    if len(bad) > MOST_ROWS:
        console.print(Text(f"... and {len(bad) - MOST_ROWS} more that can't be used, see the summary."))
    minds = [mind for step in steps for mind in step.minds]
    for mind in minds[:MOST_ROWS]:
        console.print(Text(f"mind: {printable(mind)}"))
    if len(minds) > MOST_ROWS:
        console.print(Text(f"... and {len(minds) - MOST_ROWS} more of this kind."))
    console.print(Text(f"Written: {printable(str(summary))} and one folder for each serial beside it"))


def _open_checks(row: Row) -> str:
    """The checks of the verdict, without it where it stands in the column before."""
    words = [part.removesuffix(f": {row.verdict}") for part in row.not_passed.split("; ")]
    return "; ".join(words)


def _batch_row(row: Row) -> list[Text | str]:
    def shown(value: float | None, lower: float | None, upper: float | None, decimals: int) -> str:
        if value is None or lower is None or upper is None:
            return UNKNOWN
        return f"{um(value, decimals)} ({short_span(Interval(lower, upper), decimals)})"

    verdict = row.verdict or "undecided"
    own = " P" if row.of == "probe" else ""
    return [
        Text(printable(row.serial)),
        Text(MARKS[verdict], style=STYLES[verdict]),
        shown(row.sd_mm, row.sd_lower_mm, row.sd_upper_mm, 2),
        shown(row.variation_mm, row.variation_lower_mm, row.variation_upper_mm, 1) + own,
        Text(printable(_open_checks(row))),
    ]
