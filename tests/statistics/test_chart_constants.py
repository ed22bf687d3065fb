"""Constants of control charts: printed tables, closed forms, and simulated ranges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.chart_constants import c4, d2, d3

# Printed in the tables of control charts (ASTM manual, Montgomery), as copies of them in public code have it.
PRINTED_D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 10: 3.078, 25: 3.931}
PRINTED_D3 = {2: 0.8525, 3: 0.8884, 4: 0.8798, 5: 0.8641, 10: 0.7971}
PRINTED_C4 = {2: 0.7979, 3: 0.8862, 4: 0.9213, 5: 0.9400, 10: 0.9727, 25: 0.9896}


@pytest.mark.parametrize(("n", "printed"), PRINTED_D2.items())
def test_mean_range_is_the_printed_one(n: int, printed: float) -> None:
    assert d2(n) == pytest.approx(printed, abs=5.1e-4)


@pytest.mark.parametrize(("n", "printed"), PRINTED_D3.items())
def test_deviation_of_the_range_is_the_printed_one(n: int, printed: float) -> None:
    assert d3(n) == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.parametrize(("n", "printed"), PRINTED_C4.items())
def test_mean_deviation_is_the_printed_one(n: int, printed: float) -> None:
    assert c4(n) == pytest.approx(printed, abs=5.1e-5)


def test_two_and_three_readings_have_closed_forms() -> None:
    root = np.sqrt(np.pi)
    assert d2(2) == pytest.approx(2 / root, rel=1e-12)
    assert d3(2) == pytest.approx(np.sqrt(2 - 4 / np.pi), rel=1e-10)
    assert d2(3) == pytest.approx(3 / root, rel=1e-12)


@pytest.mark.parametrize("n", range(2, 26))
def test_mean_range_is_the_integral_of_the_extremes(n: int) -> None:
    # Tippett's one-dimensional form, beside the two-dimensional one of the code.
    x = np.linspace(-12, 12, 4001)
    low = stats.norm.cdf(x)
    assert d2(n) == pytest.approx(((1 - low**n - (1 - low) ** n) * (x[1] - x[0])).sum(), rel=1e-10)


@pytest.mark.parametrize("n", [3, 8, 25])
def test_moments_are_those_of_the_studentised_range_without_limit(n: int) -> None:
    # SciPy's studentised range with (all but) known sd: its median against that of simulated ranges
    # would need luck; its mean by its survival function needs none.
    w = np.linspace(0, 12, 601)
    survival = stats.studentized_range.sf(w[1:], n, 1e6)
    mean = (w[1] - w[0]) * (0.5 + survival.sum())
    assert d2(n) == pytest.approx(mean, abs=1e-4)


@pytest.mark.parametrize("n", [1, 26])
def test_outside_the_tables_is_refused(n: int) -> None:
    for constant in (d2, d3, c4):
        with pytest.raises(StatisticsError, match=f"2 to 25 readings, but got {n}"):
            constant(n)


@pytest.mark.simulation
@pytest.mark.parametrize("n", [2, 7, 25])
def test_simulated_ranges_have_these_moments(n: int) -> None:
    draws = 40_000
    readings = np.random.default_rng(n).normal(size=(draws, n))
    ranges, deviations = np.ptp(readings, axis=1), readings.std(axis=1, ddof=1)
    four = 4 / np.sqrt(draws)
    assert abs(ranges.mean() - d2(n)) < four * ranges.std()
    assert abs(deviations.mean() - c4(n)) < four * deviations.std()
    squares = (ranges - ranges.mean()) ** 2
    assert abs(squares.mean() - d3(n) ** 2) < four * squares.std()
