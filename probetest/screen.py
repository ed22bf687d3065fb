"""What a command shows on the screen: tables, problems, progress."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from probetest.errors import Fault, ImportDataError
from probetest.faults import printable
from probetest.importers import ImportResult, summarise
from probetest.importers.skipped import Skipped
from probetest.jobs.checking import Checked
from probetest.jobs.expect import Expectation
from probetest.jobs.qualify import Qualification
from probetest.jobs.verify import Verification
from probetest.report.agreement import SHOWN
from probetest.report.numbers import UNKNOWN, number, rounded, span, um, um_span
from probetest.statistics.agreement import Agreement
from probetest.statistics.decision import Check
from probetest.statistics.intervals import Interval
from probetest.statistics.setting import Expected, HabitEffect

STYLES = {"pass": "green", "fail": "bold red", "undecided": "yellow"}
MARKS = {"pass": "pass", "fail": "FAIL", "undecided": "undecided"}
"""The word carries the verdict; colour only repeats it."""

MOST_COLUMNS = 200
MOST_REASONS = 30
MOST_LINES = 8
MOST_FOUND = 3
MOST_CAUSES, LEAST_SHARE = 3, 0.02


class _Screen(Console):
    """A console that leaves it to the command line how to end when its reader has gone."""

    def on_broken_pipe(self) -> None:
        """Raise; the console's own way would end with exit code 1, which means a failed probe."""
        raise BrokenPipeError


def _console(*, error: bool = False) -> Console:
    return _Screen(stderr=error, highlight=False, markup=False, emoji=False)


class Bar:
    """Progress bars on the error stream; none where it is no terminal."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars

    def start(self, words: str, total: int) -> Callable[[], None]:
        """Begin a bar; call what is returned once a step."""
        task = self._bars.add_task(words, total=total)
        return lambda: self._bars.advance(task)

    def reading(self, *logs: Path) -> Callable[[int], None]:
        """Begin a bar over the bytes of files; call what is returned with the bytes of each step."""
        sizes = [log.stat().st_size for log in logs if log.is_file()]
        scale = 1 << 20
        task = self._bars.add_task("reading (MiB)", total=max(1, sum(sizes) // scale))
        seen = 0

        def advance(count: int) -> None:
            nonlocal seen
            seen += count
            self._bars.update(task, completed=seen // scale)

        return advance


@contextmanager
def progress() -> Iterator[Bar]:
    """Show bars while the context lasts."""
    console = _console(error=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bars:
        yield Bar(bars)


def print_results(results: Sequence[Qualification], folders: Sequence[Path]) -> None:
    """One line a serial, then what is open or failed, then where the files are."""
    console = _console()
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
        for notice in found.source.notices:
            console.print(Text(f"{printable(found.record.serial)}: mind: {printable(notice)}"))
    if folders:
        noun = "serial" if len(folders) == 1 else "serials"
        console.print(
            Text(f"Written: {printable(str(folders[0].parent))}/ ({len(folders)} {noun}, one folder each)")
        )


def print_verification(result: Verification, folder: Path) -> None:
    """The overall word, a line for each figure, what would settle the rest, where the files are."""
    console = _console()
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
    console = _console()
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


def _row(found: Qualification) -> list[Text | str]:
    spread, variation, drift = found.analysis.repeatability, found.analysis.variation, found.analysis.drift
    sd = f"{um(spread.sd_mm, 2)} ({_short(spread.interval_mm, 2)})"
    varies = UNKNOWN
    apart = found.separated.known
    if apart is not None and apart.probe is not None:
        varies = f"{um(apart.probe.variation_mm)} ({_short(apart.probe.interval_mm(), 1)}) P"
    elif variation:
        varies = f"{um(variation.variation_mm)} ({_short(variation.interval_mm, 1)})"
    return [
        Text(printable(found.record.serial)),
        Text(MARKS[found.verdict], style=STYLES[found.verdict]),
        sd if spread.resolved else f"≤ {um(spread.step_mm)}",
        varies,
        um(drift.size_mm if drift else None),
        number(found.capability.cpk if found.capability else None, 2),
        f"{found.outcomes.triggers}/{found.outcomes.approaches}",
    ]


def _short(interval: Interval, decimals: int) -> str:
    return um_span(interval, decimals).replace(" to ", "–")


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


def print_json(found: Any) -> None:
    """Print plain values as JSON, with every sign that is not ASCII as an escape."""
    sys.stdout.write(json.dumps(found, indent=2, allow_nan=False) + "\n")


def print_checked(checked: Checked) -> None:
    """What was understood of one file, what was skipped, or every problem that is shown."""
    if checked.error is not None:
        _print_problems(checked.log, checked.error)
    if checked.result is not None:
        _print_import(checked.result)
        console = _console()
        for line, reason in checked.kept:
            console.print(Text(f"  kept: line {line}: {printable(reason)}"))
        for reason, lines in _grouped(checked.result.skipped):
            console.print(Text(f"  skipped: {lines}: {printable(reason)}"))


def _grouped(skipped: Sequence[Skipped]) -> list[tuple[str, str]]:
    """Each reason once, with its first lines."""
    lines: dict[str, list[int]] = {}
    for one in skipped:
        lines.setdefault(one.reason, []).append(one.line)
    shown = [(reason, _named_lines(at)) for reason, at in list(lines.items())[:MOST_REASONS]]
    rest = sum(len(at) for at in list(lines.values())[MOST_REASONS:])
    return shown + (
        [(f"for other reasons; --json lists all {len(skipped)}", f"{rest} more lines")] if rest else []
    )


def _named_lines(lines: list[int]) -> str:
    named = ", ".join(str(line) for line in lines[:MOST_LINES])
    if len(lines) == 1:
        return f"line {named}"
    return f"{len(lines)} lines ({named}{', ...' if len(lines) > MOST_LINES else ''})"


def _repeated(same: Sequence[Fault]) -> str:
    """Where else a problem of one kind stands, and what was found there if it is something else."""
    lines = ", ".join(str(fault.line) for fault in same[1:] if fault.line is not None)
    others = list(dict.fromkeys(fault.found for fault in same[1:] if fault.found != same[0].found))
    text = f"the same {len(same) - 1} times more" + (f": lines {lines}" if lines else "")
    if others:
        text += f" (found {'; '.join(others[:MOST_FOUND])}{' ...' if len(others) > MOST_FOUND else ''})"
    return text


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def print_written(path: Path) -> None:
    """Where a file went."""
    _console().print(Text(f"Written: {printable(str(path))}"))


def _print_import(result: ImportResult) -> None:
    """What was understood of one file."""
    console = _console()
    console.print(Text(f"{printable(result.file)}: {result.shape}, units {result.units}", style="bold"))
    understood = ", ".join(own if own == name else f"{name} as {own}" for name, own in result.columns)
    console.print(Text(f"  columns: {printable(understood)}"))
    if result.ignored:
        console.print(
            Text(f"  not understood, not used: {printable(', '.join(result.ignored[:MOST_COLUMNS]))}")
        )
    for triggers in result.tests:
        summary = summarise(triggers)
        console.print(
            Text(
                f"  serial {printable(summary.serial)}: {summary.touches} touches from "
                f"{counted(len(summary.directions), 'direction')}; {summary.triggers} triggers, "
                f"{summary.missed} missed, {summary.open_at_start} open at start, {summary.false} false"
            )
        )
        for part in summary.series:
            console.print(
                Text(
                    f"    stage {printable(part.stage)}, orientation {part.orientation_deg:.4g} deg: "
                    f"{part.rows} rows, {counted(part.directions, 'direction')}"
                )
            )
        for gap in summary.gaps:
            console.print(Text(f"    mind: {printable(gap)}"))
    for notice in result.notices:
        console.print(Text(f"  mind: {printable(notice)}"))


def _print_problems(log: Path, error: ImportDataError) -> None:
    """Every problem that is shown of one file."""
    console = _console(error=True)
    noun = "problem" if error.total == 1 else "problems"
    console.print(Text(f"{printable(str(log))}: can't be used, {error.total} {noun}", style="bold"))
    shown: dict[tuple[str | None, str, str], list[Fault]] = {}
    for fault in error.faults:
        shown.setdefault((fault.column, fault.expected, fault.action), []).append(fault)
    for same in shown.values():
        console.print(Text(f"  {same[0]}"))
        if len(same) > 1:
            console.print(Text(f"    {_repeated(same)}"))
    if error.total > len(error.faults):
        console.print(Text(f"  ... and {error.total - len(error.faults)} more problems."))
