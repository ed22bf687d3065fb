"""A verification, and what to expect of a work offset."""

from __future__ import annotations

from pathlib import Path

from rich.table import Table
from rich.text import Text

from probetest.faults import printable
from probetest.jobs.expect import Expectation
from probetest.jobs.verify import Verification
from probetest.report.agreement import SHOWN
from probetest.report.numbers import number, span, um, um_span
from probetest.screen.console import STYLES, new_console
from probetest.statistics.agreement import Agreement
from probetest.statistics.intervals import Interval
from probetest.statistics.setting import Expected, HabitEffect

MOST_CAUSES, LEAST_SHARE = 3, 0.02


def print_verification(result: Verification, folder: Path) -> None:
    """The overall word, a line for each figure, what would settle the rest, where the files are."""
    console = new_console()
    word = Text(result.verdict, style=STYLES[SHOWN[result.verdict]])
    console.print(Text(f"{printable(result.found.record.serial)} against its report: ").append(word))
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("figure", overflow="fold")
    for title in ("here (95 %)", "report (95 %)", "En"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    for one in result.agreements:
        table.add_row(*_agreement_row(one))
    console.print(table)
    console.print(Text("Lengths in µm, shares in %. Difference by its uncertainty: En; beyond 1 worse."))
    console.print(Text("differs: " + printable("; ".join(result.differences))))
    for label, reason in result.not_compared:
        console.print(Text(f"not compared: {label}: {printable(reason)}"))
    for line in result.advice:
        console.print(Text(printable(line)))
    console.print(Text(f"Written: {printable(str(folder))}/"))


def _agreement_row(one: Agreement) -> list[Text | str]:
    scale = 1000.0 if one.unit == "mm" else 100.0

    def shown(value: float, interval: Interval) -> str:
        limits = span(interval.lower, interval.upper, 2, scale).replace(" to ", "–")
        return f"{number(scale * value, 2)} ({limits})"

    return [
        one.label,
        shown(one.ours, one.ours_interval),
        shown(one.theirs, one.theirs_interval),
        number(one.en, 2, sign=True),
        Text(one.verdict, style=STYLES[SHOWN[one.verdict]]),
    ]


def print_expectation(found: Expectation) -> None:
    """A line for each feature with what adds and what helps, then what the figures rest on."""
    console = new_console()
    console.print(Text(f"{printable(found.earlier.serial)} on {printable(found.mill.name) or 'your mill'}"))
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("feature", overflow="fold")
    for title in ("touches", "mean", "95 % within"):
        table.add_column(title, justify="right", no_wrap=True)
    for title in ("largest causes", "best habit"):
        table.add_column(title, overflow="fold")
    for one in found.features:
        table.add_row(*_expected_row(one, found.best(one.feature)))
    console.print(table)
    console.print(
        Text(
            "µm. 95 % within: 95 of 100 settings have no larger error (length of the error where it has x "
            "and y). Causes with their share of the mean square error."
        )
    )
    for other in found.predictions:
        limits = um_span(other.interval_mm, 1)
        console.print(Text(f"prediction: {other.figure} {um(other.predicted_mm)} µm ({limits} µm, 95 %)"))
        for line in (other.presumes, *other.warnings):
            console.print(Text(f"  {line}"))
    for line in found.remarks:
        console.print(Text(printable(line)))


def _expected_row(one: Expected, best: HabitEffect | None) -> list[Text | str]:
    causes = sorted((c for c in one.form.causes if c.share >= LEAST_SHARE), key=lambda c: -c.share)
    mean = ", ".join(um(value, sign=True) for value in one.form.mean_mm)
    return [
        one.feature,
        str(one.touches),
        mean,
        f"± {um(one.error95_mm)}",
        ", ".join(f"{cause.name} {100 * cause.share:.0f} %" for cause in causes[:MOST_CAUSES]),
        f"{best.habit}: ± {um(best.after.error95_mm)}" if best else "none helps surely",
    ]
