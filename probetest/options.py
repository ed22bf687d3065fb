"""Options that several commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

EXIT_CODES = {"pass": 0, "fail": 1, "undecided": 3, "consistent": 0, "worse": 1, "can't tell": 3}
UNUSABLE = 2
BROKEN = 70

PATH = click.Path(path_type=Path)

READING = (
    click.option(
        "--units",
        type=click.Choice(["mm", "inch", "um", "thou"]),
        help="Units, where the log does not state them.",
    ),
    click.option("--serial", metavar="TEXT", help="Serial of the probe, where the log does not state it."),
    click.option(
        "--about", type=PATH, metavar="FILE", help="Serial, artefact, stylus ... of the test (TOML)."
    ),
    click.option(
        "--columns", type=PATH, metavar="FILE", help="Column map (TOML) for a table with other names."
    ),
    click.option("--pattern", metavar="NAME|FILE", help="Shape of the lines, or a pattern file (TOML)."),
    click.option(
        "--plan", type=PATH, metavar="FILE|DIR", help="Planned touches (CSV), or what `plan` wrote."
    ),
    click.option("--direction", metavar="X+|DEG", help="Motion of every approach: a face, or an azimuth."),
    click.option(
        "--radial", is_flag=True, help="Each approach ran through the centre of the round artefact."
    ),
    click.option(
        "--feeds",
        type=click.Choice(["slow", "fast", "all"]),
        help="Which touches of fast and slow pairs count.",
    ),
    click.option(
        "--part", type=click.IntRange(1), metavar="N", help="Which part of an interrupted log counts."
    ),
    click.option("--join", is_flag=True, help="The parts of an interrupted log belong together."),
    click.option("--decimal", type=click.Choice([".", ","]), help="Decimal sign of a table."),
    click.option(
        "--delimiter", metavar="SIGN", help="Sign between the cells of a table; tab for a tabulator."
    ),
    click.option("--tag", metavar="TEXT", help="Word in front of the first colon of a result in brackets."),
    click.option("--x-diameter", is_flag=True, help="X counts as a diameter: halve it."),
)
NAMES = (
    "units", "serial", "about", "columns", "pattern", "plan", "direction", "radial", "feeds", "part", "join",
    "decimal", "delimiter", "tag", "x_diameter",
)  # fmt: skip


def reading_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of all that read logs, as one argument ``reading``."""

    @functools.wraps(command)
    def with_reading(**values: Any) -> Any:
        from probetest.jobs.reading import Reading

        reading = Reading(**{name: values.pop(name) for name in NAMES})
        return command(reading=reading, **values)

    wrapped: Callable[..., Any] = with_reading
    for option in reversed(READING):
        wrapped = option(wrapped)
    return wrapped
