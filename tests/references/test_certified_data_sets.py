"""Certified data sets that are hard on rounding: one-way analysis of variance, univariate summaries."""

from __future__ import annotations

import numpy as np
import pytest
from reference_values import UNIVARIATE_SETS, VARIANCE_SETS, univariate_set, variance_set

from probetest.statistics.drift import successive_sd
from probetest.statistics.repeatability import Repeatability, repeatability

# The sets with an offset of a million hold values that a double only knows to 1e-10.
RELATIVE = {"SmLs04": 1e-8, "SmLs05": 1e-8, "SmLs06": 1e-8, "AtmWtAg": 1e-9}


def analysed(name: str) -> Repeatability:
    value, group = variance_set(name)
    return repeatability(value, group, np.linspace(0.0, 300.0, int(group.max()) + 1))


def lag_1(values: np.ndarray, sd: float, mean: float) -> float:
    """Autocorrelation at lag 1 from the successive-difference sd, the sd and both ends."""
    n = len(values)
    ends = (values[0] - mean) ** 2 + (values[-1] - mean) ** 2
    return float(1 - (successive_sd(values) / sd) ** 2 - ends / (2 * (n - 1) * sd**2))


@pytest.mark.parametrize("name", VARIANCE_SETS)
def test_pooled_variance_is_the_certified_mean_square_within(name: str) -> None:
    found = analysed(name)
    assert found.sd_mm**2 == pytest.approx(VARIANCE_SETS[name]["within"], rel=RELATIVE.get(name, 1e-11))
    assert found.dof == VARIANCE_SETS[name]["dof_within"]


@pytest.mark.parametrize("name", VARIANCE_SETS)
def test_direction_means_give_the_certified_f(name: str) -> None:
    found = analysed(name)
    counts = np.array([part.n for part in found.directions])
    means = np.array([part.mean_mm for part in found.directions])
    between = (counts * (means - np.average(means, weights=counts)) ** 2).sum() / (len(means) - 1)
    relative = 10 * RELATIVE.get(name, 1e-11)
    assert between / found.sd_mm**2 == pytest.approx(VARIANCE_SETS[name]["f"], rel=relative)


@pytest.mark.parametrize("name", UNIVARIATE_SETS)
def test_mean_of_one_direction(name: str) -> None:
    values = univariate_set(name)
    found = repeatability(values, np.zeros(len(values), dtype=int), [0.0])
    assert found.directions[0].mean_mm == pytest.approx(UNIVARIATE_SETS[name]["mean"], rel=1e-13)


@pytest.mark.parametrize("name", UNIVARIATE_SETS)
def test_sd_of_one_direction(name: str) -> None:
    values = univariate_set(name)
    found = repeatability(values, np.zeros(len(values), dtype=int), [0.0])
    relative = {"numacc3": 1e-9, "numacc4": 1e-8}.get(name, 1e-12)
    assert found.sd_mm == pytest.approx(UNIVARIATE_SETS[name]["sd"], rel=relative)
    assert found.directions[0].sd_mm == pytest.approx(UNIVARIATE_SETS[name]["sd"], rel=relative)


@pytest.mark.parametrize("name", UNIVARIATE_SETS)
def test_successive_differences_give_the_certified_autocorrelation(name: str) -> None:
    values, entry = univariate_set(name), UNIVARIATE_SETS[name]
    assert lag_1(values, entry["sd"], entry["mean"]) == pytest.approx(entry["lag_1"], rel=1e-7)
