"""Runs the study: many tests a cell, on all cores, into one table of counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed

import numpy as np
import pandas as pd

from probetest.study.cells import Cell
from probetest.study.judged import Judge
from probetest.study.simulated import simulate_cell

SEED = 20261125
"""Seed of the study; each cell has its own stream."""


def count_cell(cell: Cell, tests: int) -> pd.DataFrame:
    """Judge the simulated tests of one cell.

    Parameters
    ----------
    cell : Cell
    tests : int

    Returns
    -------
    pandas.DataFrame
        One row a mark: the cell, ``mark``, ``n`` tests that gave it, ``mean`` and ``sd``.
    """
    rng = np.random.default_rng([SEED, *cell.name.encode()])
    judge = Judge(cell, simulate_cell(cell, tests, rng))
    marks = pd.DataFrame([judge.marks(test) for test in range(tests)]).astype(float)
    summary = marks.agg(["count", "mean", "std"]).T
    table = pd.DataFrame(
        {
            "directions": cell.directions,
            "touches": cell.touches,
            "variation_sd": cell.variation_sd,
            "kind": cell.kind,
            "mark": summary.index,
            "n": summary["count"].astype(int).to_numpy(),
            "mean": summary["mean"].to_numpy(),
            "sd": summary["std"].fillna(0.0).to_numpy(),
        }
    )
    return table[table["n"] > 0].reset_index(drop=True)


def count_cells(
    cells: Sequence[Cell],
    tests: int,
    *,
    processes: int = 1,
    done: Callable[[], None] = lambda: None,
) -> pd.DataFrame:
    """Judge all cells.

    Parameters
    ----------
    cells : sequence of Cell
    tests : int
        Simulated tests of each.
    processes : int
    done : callable
        Called after each cell.

    Returns
    -------
    pandas.DataFrame
        As `count_cell`, cells in the order given: the same whatever the number of processes.
    """
    parts: dict[Cell, pd.DataFrame] = {}
    if processes == 1:
        for cell in cells:
            parts[cell] = count_cell(cell, tests)
            done()
    else:
        with ProcessPoolExecutor(processes) as pool:
            jobs = {pool.submit(count_cell, cell, tests): cell for cell in cells}
            for job in as_completed(jobs):
                parts[jobs[job]] = job.result()
                done()
    return pd.concat([parts[cell] for cell in cells], ignore_index=True)
