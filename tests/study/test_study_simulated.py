"""The simulated tests of the study are what their truth says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from probetest.study.cells import KINDS, Cell, full_grid
from probetest.study.simulated import SD_MM, STEP_MM, simulate_cell, true_tolerance


def simulated(kind: str, *, variation: float = 3.0, tests: int = 300, touches: int = 10):
    cell = Cell(12, touches, variation, kind)
    return cell, simulate_cell(cell, tests, np.random.default_rng(5))


def residual(tests) -> np.ndarray:
    rows = np.arange(len(tests.direction))[:, None]
    moved = tests.reading_mm - tests.curve_mm[rows, tests.direction]
    return moved - moved.mean(axis=1, keepdims=True)


def test_the_grid_has_every_combination_once() -> None:
    cells = full_grid()
    assert len(cells) == len(set(cells)) == 4 * 4 * 4 * len(KINDS) == 704


@pytest.mark.parametrize("kind", ["normal", "heavy", "skewed", "step_0.5", "correlated"])
def test_scatter_has_the_stated_sd(kind: str) -> None:
    _, tests = simulated(kind)
    sd = tests.sd_mm[0, 0]
    assert sd == pytest.approx(SD_MM)
    assert residual(tests).std() == pytest.approx(sd, rel=0.04)


@pytest.mark.parametrize(("kind", "skewness", "excess"), [("skewed", 1.0, 1.5), ("normal", 0.0, 0.0)])
def test_scatter_has_the_stated_shape(kind: str, skewness: float, excess: float) -> None:
    _, tests = simulated(kind, tests=1000)
    values = residual(tests).ravel()
    assert stats.skew(values) == pytest.approx(skewness, abs=0.1)
    assert stats.kurtosis(values) == pytest.approx(excess, abs=0.3)


@pytest.mark.parametrize("step", [0.5, 1.0, 2.0, 4.0])
def test_rounded_readings_lie_on_steps_of_so_many_sd(step: float) -> None:
    _, tests = simulated(f"step_{step:g}")
    assert tests.step_mm == STEP_MM
    assert tests.sd_mm[0, 0] * step == pytest.approx(STEP_MM)
    assert tests.reading_mm / STEP_MM == pytest.approx(np.round(tests.reading_mm / STEP_MM), abs=1e-9)


def test_neighbours_are_alike_in_the_order_of_the_test() -> None:
    _, tests = simulated("correlated")
    values = residual(tests)
    assert np.mean(values[:, 1:] * values[:, :-1]) / values.var() == pytest.approx(0.5, abs=0.03)


def test_drift_runs_over_the_test() -> None:
    _, tests = simulated("drifting")
    values = residual(tests)
    assert tests.drift_mm == pytest.approx(5 * SD_MM)
    assert values[:, -12:].mean() - values[:, :12].mean() == pytest.approx(5 * SD_MM * 0.9, rel=0.05)


@pytest.mark.parametrize(("kind", "times"), [("unequal", 2.0), ("sector", 1.5)])
def test_a_third_of_the_directions_scatters_more(kind: str, times: float) -> None:
    _, tests = simulated(kind)
    assert np.unique(tests.sd_mm).tolist() == pytest.approx([SD_MM, times * SD_MM])
    assert (tests.sd_mm > SD_MM).mean() == pytest.approx(1 / 3, abs=0.1)


@pytest.mark.parametrize("kind", list(KINDS))
def test_curve_varies_by_the_stated_truth_and_has_no_centre(kind: str) -> None:
    _, tests = simulated(kind, tests=20)
    turn = np.deg2rad(tests.azimuth_deg)
    assert np.ptp(tests.curve_mm, axis=1) == pytest.approx(3.0 * tests.sd_mm.min())
    assert tests.curve_mm @ np.column_stack([np.ones(12), np.cos(turn), np.sin(turn)]) == pytest.approx(
        0.0, abs=1e-12
    )


def test_every_round_touches_each_direction_once() -> None:
    _, tests = simulated("normal", tests=3)
    rounds = tests.direction.reshape(3, 10, 12)
    assert (np.sort(rounds, axis=2) == np.arange(12)).all()
    assert (rounds[0, 0] != rounds[0, 1]).any()


def test_tolerance_of_one_normal_population_is_known() -> None:
    cell, tests = simulated("normal", variation=0.0, tests=3)
    exact = 2 * 1.33 * SD_MM * stats.norm.isf(0.00135)
    assert true_tolerance(tests, cell, 1.33) == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize("kind", ["heavy", "skewed", "drifting", "unequal", "step_0.5"])
def test_tolerance_gives_the_wanted_cpk(kind: str) -> None:
    cell = Cell(8, 20_000, 3.0, kind)
    tests = simulate_cell(cell, 1, np.random.default_rng(6))
    low, middle, high = np.quantile(residual_to_middle(tests), [0.00135, 0.5, 0.99865])
    half = true_tolerance(tests, cell, 1.33)[0] / 2
    assert min((half - middle) / (high - middle), (half + middle) / (middle - low)) == pytest.approx(
        1.33, rel=0.05
    )


def residual_to_middle(tests) -> np.ndarray:
    return tests.reading_mm[0] - np.mean(
        [tests.reading_mm[0][tests.direction[0] == i].mean() for i in range(8)]
    )
