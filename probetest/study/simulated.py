"""Simulated tests of a three-arm probe, and the truth that a test should find."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal, stats

from probetest.statistics.approach import unit_vectors
from probetest.study.cells import Cell

Floats = NDArray[np.float64]

STEP_MM = 0.001
"""Step of rounded readings; the scatter is chosen against it."""

SD_MM = 0.002
"""Scatter of one touch where readings are not rounded."""

START_DEG = 3.0
"""First azimuth, off the arms of most probes."""

MOST_PAIR_RATIO = 0.25
"""Largest (seat radius / stylus length) * tan(wall angle) of the simulated probes."""

EARLY_GAIN = 0.8
DRIFT_SD = 5.0
CORRELATION = 0.5
TAIL = 0.00135


@dataclass(frozen=True, slots=True)
class Tests:
    """Simulated tests of one cell, all with the same directions.

    Attributes
    ----------
    azimuth_deg : numpy.ndarray, shape (directions,)
    direction : numpy.ndarray of int, shape (tests, touches)
        Index of the direction of each touch, in the order of the test.
    reading_mm : numpy.ndarray, shape (tests, touches)
    curve_mm : numpy.ndarray, shape (tests, directions)
        True mean of each direction, constant and centre taken out.
    arm_deg : numpy.ndarray, shape (tests,)
        Azimuth of an arm in [0, 120).
    sd_mm : numpy.ndarray, shape (tests, directions)
        True scatter of each direction, without drift.
    drift_mm : float
        True change over the test.
    step_mm : float
        Step of the readings, 0 where they are not rounded.
    """

    __test__ = False  # no test case, whatever its name makes pytest think

    azimuth_deg: Floats
    direction: NDArray[np.intp]
    reading_mm: Floats
    curve_mm: Floats
    arm_deg: Floats
    sd_mm: Floats
    drift_mm: float
    step_mm: float


def simulate_cell(cell: Cell, tests: int, rng: np.random.Generator) -> Tests:
    """Tests of one cell.

    Parameters
    ----------
    cell : Cell
    tests : int
    rng : numpy.random.Generator

    Returns
    -------
    Tests
        All directions once in random order, then all again.
    """
    step = float(cell.kind.removeprefix("step_")) if cell.kind.startswith("step_") else 0.0
    sd = STEP_MM / step if step else SD_MM
    azimuths = START_DEG + np.arange(cell.directions) * 360.0 / cell.directions
    arm = rng.uniform(0, 120, tests)
    ratio = rng.uniform(0, MOST_PAIR_RATIO, tests)
    levers = _levers(azimuths, arm, ratio)
    affected = _affected(levers, cell)
    early = 1 / EARLY_GAIN if cell.kind == "sector" else 1.0
    curve = _scaled(1 / (levers * np.array([early, 1.0, 1.0])).max(axis=2), azimuths, cell.variation_sd * sd)
    spread = sd * np.where(affected, {"unequal": 2.0, "sector": 1.5}.get(cell.kind, 1.0), 1.0)
    rounds = np.tile(np.arange(cell.directions), (tests, cell.touches, 1))
    direction = rng.permuted(rounds, axis=2).reshape(tests, -1)
    scatter = _scatter(cell, direction.shape, rng)
    rows = np.arange(tests)[:, None]
    drift = DRIFT_SD * sd if cell.kind == "drifting" else 0.0
    reading = curve[rows, direction] + spread[rows, direction] * scatter
    reading = reading + drift * np.linspace(-0.5, 0.5, direction.shape[1]) + rng.uniform(0, 1, (tests, 1))
    if step:
        reading = np.round(reading / STEP_MM) * STEP_MM
    return Tests(azimuths, direction, reading, curve, arm, spread, drift, STEP_MM if step else 0.0)


def _levers(azimuth_deg: Floats, arm_deg: Floats, ratio: Floats) -> Floats:
    """Lever of each arm, shape (tests, directions, 3): the arm with the longest one lifts."""
    arms = np.array([0.0, 120.0, 240.0])
    psi = np.deg2rad(azimuth_deg[None, :, None] + 180.0 - arm_deg[:, None, None] - arms)
    return np.asarray(np.cos(psi) + ratio[:, None, None] * np.abs(np.sin(psi)))


def _affected(levers: Floats, cell: Cell) -> NDArray[np.bool_]:
    """Directions with a scatter of their own, shape (tests, directions): those of the first arm."""
    if cell.kind == "unequal":
        third = np.arange(cell.directions) < round(cell.directions / 3)
        return np.broadcast_to(third, levers.shape[:2])
    return np.asarray(levers.argmax(axis=2) == 0)


def _scaled(shape: Floats, azimuth_deg: Floats, variation_mm: float) -> Floats:
    """Curves of the wanted variation over the tested directions."""
    design = np.column_stack([np.ones(len(azimuth_deg)), unit_vectors(azimuth_deg)])
    basis = np.linalg.qr(design)[0]
    curve = shape - (shape @ basis) @ basis.T
    return np.asarray(variation_mm * curve / np.ptp(curve, axis=1, keepdims=True))


def _scatter(cell: Cell, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Scatter with a mean of 0 and a standard deviation of 1."""
    if cell.kind == "heavy":
        return np.asarray(rng.standard_t(5, shape) / np.sqrt(5 / 3))
    if cell.kind == "skewed":
        return (rng.gamma(4.0, size=shape) - 4.0) / 2.0
    scatter = rng.normal(size=shape)
    if cell.kind == "correlated":
        scatter[:, 1:] *= np.sqrt(1 - CORRELATION**2)
        scatter = signal.lfilter([1.0], [1.0, -CORRELATION], scatter, axis=1)
    return np.asarray(scatter)


def true_tolerance(tests: Tests, cell: Cell, cpk: float) -> Floats:
    """Tolerance, centred on the mean of the directions, in which each probe has just this Cpk.

    Parameters
    ----------
    tests : Tests
    cell : Cell
    cpk : float

    Returns
    -------
    numpy.ndarray, shape (tests,), mm
        From the percentiles 0.135 %, 50 %, 99.865 % of the readings of all directions, rounding
        taken as a uniform scatter of its own.
    """
    wanted = np.array([TAIL, 0.5, 1 - TAIL])
    grid, share = _distribution(cell.kind)
    middle = tests.curve_mm.mean(axis=1, keepdims=True)
    reach = np.abs(tests.curve_mm - middle).max(axis=1) + grid[-1] * tests.sd_mm.max(axis=1)
    low = np.repeat(-reach[:, None], 3, axis=1)
    high = -low
    for _ in range(45):
        half = (low + high) / 2
        z = (half[:, :, None] - (tests.curve_mm - middle)[:, None, :]) / tests.sd_mm[:, None, :]
        below = np.interp(z, grid, share, left=0.0, right=1.0).mean(axis=2) < wanted
        low, high = np.where(below, half, low), np.where(below, high, half)
    lower, centre, upper = ((low + high) / 2).T
    # Cpk is the smaller of (T/2 - centre) / (upper - centre) and (T/2 + centre) / (centre - lower).
    return np.asarray(2 * np.maximum(cpk * (upper - centre) + centre, cpk * (centre - lower) - centre))


@lru_cache(maxsize=8)
def _distribution(kind: str) -> tuple[Floats, Floats]:
    """Scatter and the share of touches below it, in standard deviations."""
    grid = np.linspace(-12.0, 12.0, 4801)
    if kind == "heavy":
        return grid, np.asarray(stats.t.cdf(grid * np.sqrt(5 / 3), 5))
    if kind == "skewed":
        return grid, np.asarray(stats.gamma.cdf(2 * grid + 4, 4.0))
    width = DRIFT_SD if kind == "drifting" else float(kind.partition("step_")[2] or 0.0)
    moves = ((np.arange(100) + 0.5) / 100 - 0.5) * width
    return grid, np.asarray(stats.norm.cdf(grid[:, None] - moves).mean(axis=1))
