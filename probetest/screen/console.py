"""The console, progress bars, and words that all commands share."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.text import Text

from probetest.faults import printable
from probetest.report.numbers import um_span
from probetest.statistics.intervals import Interval

STYLES = {"pass": "green", "fail": "bold red", "undecided": "yellow"}
MARKS = {"pass": "pass", "fail": "FAIL", "undecided": "undecided"}
"""The word carries the verdict; colour only repeats it."""


class _Screen(Console):
    """A console that leaves it to the command line how to end when its reader has gone."""

    def on_broken_pipe(self) -> None:
        """Raise; the console's own way would end with exit code 1, which means a failed probe."""
        raise BrokenPipeError


def new_console(*, error: bool = False) -> Console:
    """A console of this software: text as it stands, no markup."""
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
    console = new_console(error=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bars:
        yield Bar(bars)


def print_json(found: Any) -> None:
    """Print plain values as JSON, with every sign that is not ASCII as an escape."""
    sys.stdout.write(json.dumps(found, indent=2, allow_nan=False) + "\n")


def print_written(path: Path) -> None:
    """Where a file went."""
    new_console().print(Text(f"Written: {printable(str(path))}"))


def print_minds(minds: Sequence[str]) -> None:
    """What the register found."""
    for mind in minds:
        new_console().print(Text(f"mind: {printable(mind)}"))


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def short_span(interval: Interval, decimals: int) -> str:
    """Limits in µm for a narrow column."""
    return um_span(interval, decimals).replace(" to ", "–")
