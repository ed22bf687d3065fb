"""Planted faults, and ways to estimate the variation: what does not need the whole analysis."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.statistics.outliers import flag_directions, flag_scatter, flag_touches
from probetest.statistics.seat import fit_seat
from probetest.study.cells import DIRECTIONS, TOUCHES, VARIATIONS, Cell
from probetest.study.estimators import compare_estimators
from probetest.study.simulated import simulate_cell

Floats = NDArray[np.float64]

SEED = 20261125
PLANTED_DIRECTIONS = (12, 24)
TOUCHES_OFF_SD = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
DIRECTION_OFF_U = (4.0, 6.0, 8.0)
SCATTER_TIMES = (2.0, 3.0)
PLANTED = len(PLANTED_DIRECTIONS) * len(TOUCHES)
"""Tasks of `planted_faults`."""

COMPARED = len(DIRECTIONS) * len(TOUCHES) * len(VARIATIONS)
"""Tasks of `variation_estimators`."""


def planted_faults(
    tests: int, *, processes: int = 1, done: Callable[[], None] = lambda: None
) -> pd.DataFrame:
    """How often one planted fault is flagged.

    Parameters
    ----------
    tests : int
        Simulated tests of each fault, directions and touches; a multiple of ten.
    processes : int
    done : callable
        Called after each of the ``PLANTED`` tasks.

    Returns
    -------
    pandas.DataFrame
        Columns ``directions``, ``touches``, ``fault``, ``n`` and ``found``.
    """
    tasks = list(product(PLANTED_DIRECTIONS, TOUCHES))
    return _joined(_planted_in, [(*task, tests) for task in tasks], processes, done)


def _joined(
    run: Callable[..., pd.DataFrame], tasks: list[tuple[Any, ...]], processes: int, done: Callable[[], None]
) -> pd.DataFrame:
    """The tables of all tasks, in their order."""
    parts = []
    with ProcessPoolExecutor(processes) as pool:
        for part in pool.map(run, *zip(*tasks, strict=True)):
            parts.append(part)
            done()
    return pd.concat(parts, ignore_index=True)


def _planted_in(directions: int, touches: int, tests: int) -> pd.DataFrame:
    rng = np.random.default_rng([SEED, directions, touches])
    cell = Cell(directions, touches, 3.0, "normal")
    found: dict[str, list[bool]] = {}
    for _ in range(tests // 10):
        simulated = simulate_cell(cell, 10, rng)
        sd = float(simulated.sd_mm[0, 0])
        for reading, direction in zip(simulated.reading_mm, simulated.direction, strict=True):
            for fault, flagged in _plant(reading, direction, simulated.azimuth_deg, sd, rng):
                found.setdefault(fault, []).append(flagged)
    rows = [(directions, touches, fault, len(hits), float(np.mean(hits))) for fault, hits in found.items()]
    return pd.DataFrame(rows, columns=["directions", "touches", "fault", "n", "found"])


def _plant(
    reading: Floats,
    direction: NDArray[np.intp],
    azimuth_deg: Floats,
    sd: float,
    rng: np.random.Generator,
) -> list[tuple[str, bool]]:
    """Each fault in turn in one test, and whether it is flagged where it is."""
    directions, touches = len(azimuth_deg), len(reading) // len(azimuth_deg)
    touch, place = int(rng.integers(len(reading))), int(rng.integers(directions))
    side, own = float(rng.choice([-1.0, 1.0])), direction == place
    found = []
    for off in TOUCHES_OFF_SD:
        moved = reading.copy()
        moved[touch] += side * off * sd
        flags = flag_touches(moved, direction)
        found.append((f"a touch off by {off:g} sd", any(flag.touch == touch for flag in flags)))
    for off in DIRECTION_OFF_U:
        moved = reading + side * off * sd / np.sqrt(touches) * own
        counts = np.full(directions, touches)
        means = np.bincount(direction, weights=moved) / counts
        seat = fit_seat(means, azimuth_deg, counts, sd, directions * (touches - 1))
        flags = flag_directions(seat, azimuth_deg, counts)
        found.append((f"a direction off by {off:g} u", any(flag.direction == place for flag in flags)))
    middle = np.array([reading[direction == i].mean() for i in range(directions)])
    for times in SCATTER_TIMES:
        moved = reading + (times - 1) * own * (reading - middle[direction])
        spread = np.array([moved[direction == i].std(ddof=1) for i in range(directions)])
        flags = flag_scatter(spread, np.full(directions, touches))
        found.append(
            (f"a direction with {times:g} times the scatter", any(flag.direction == place for flag in flags))
        )
    return found


def variation_estimators(
    tests: int, *, processes: int = 1, done: Callable[[], None] = lambda: None
) -> pd.DataFrame:
    """Every estimator of the variation on the whole grid of normal scatter, see `compare_estimators`."""
    tasks = list(product(DIRECTIONS, TOUCHES, VARIATIONS))
    return _joined(compare_estimators, [(*task, tests) for task in tasks], processes, done)
