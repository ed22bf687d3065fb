"""What was understood of a log."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.text import Text

from probetest.errors import Fault, ImportDataError
from probetest.faults import printable
from probetest.importers import ImportResult, summarise
from probetest.importers.skipped import Skipped
from probetest.jobs.checking import Checked
from probetest.screen.console import counted, new_console

MOST_COLUMNS = 200
MOST_REASONS = 30
MOST_LINES = 8
MOST_FOUND = 3


def print_checked(checked: Checked) -> None:
    """What was understood of one file, what was skipped, or every problem that is shown."""
    if checked.error is not None:
        _print_problems(checked.log, checked.error)
    if checked.result is not None:
        _print_import(checked.result)
        console = new_console()
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


def _print_import(result: ImportResult) -> None:
    """What was understood of one file."""
    console = new_console()
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
    console = new_console(error=True)
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
