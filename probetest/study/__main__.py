"""``python -m probetest.study``: run the study and write its tables and figures."""

from __future__ import annotations

import os
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
    from probetest.study.side_studies import planted_faults, variation_estimators

    cells = full_grid()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(compact=True),
    )
    with Progress(*columns) as progress:
        judged = progress.add_task("cells judged", total=len(cells))
        marks = count_cells(
            cells, tests, processes=processes, done=lambda: progress.update(judged, advance=1)
        )
        planted = progress.add_task("planted faults", total=None)
        power = planted_faults(10 * tests)
        progress.update(planted, total=1, completed=1)
        compared = progress.add_task("estimators", total=None)
        estimators = variation_estimators(5 * tests)
        progress.update(compared, total=1, completed=1)
    for path in write_study(marks, power, estimators, tests, out):
        click.echo(path)


if __name__ == "__main__":
    main()
