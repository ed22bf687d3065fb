"""``python -m probetest.study``: run the study and write its tables and figures."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

# Many small matrices: threads of the linear algebra only get into each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

TESTS = 100
"""Simulated tests of each of the 704 cells: below 30 minutes on two cores."""


@click.command()
@click.option("--tests", default=TESTS, show_default=True, help="Simulated tests of each cell.")
@click.option(
    "--processes", default=os.cpu_count() or 1, show_default="all cores", help="Tests judged at a time."
)
@click.option(
    "--out",
    default=Path("reports/study"),
    show_default=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the tables and figures.",
)
def main(tests: int, processes: int, out: Path) -> None:
    """Hold every interval, flag and verdict against simulated tests whose truth is known."""
    from probetest.study.cells import full_grid
    from probetest.study.counted import count_cells
    from probetest.study.pages import write_study
    from probetest.study.side_studies import COMPARED, PLANTED, planted_faults, variation_estimators

    cells = full_grid()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(compact=True),
    )
    with Progress(*columns) as progress:

        def bar(what: str, total: int) -> Callable[[], None]:
            task = progress.add_task(what, total=total)
            return lambda: progress.update(task, advance=1)

        marks = count_cells(cells, tests, processes=processes, done=bar("cells judged", len(cells)))
        power = planted_faults(10 * tests, processes=processes, done=bar("planted faults", PLANTED))
        estimators = variation_estimators(
            5 * tests, processes=processes, done=bar("estimators compared", COMPARED)
        )
    for path in write_study(marks, power, estimators, tests, out):
        click.echo(path)


if __name__ == "__main__":
    main()
