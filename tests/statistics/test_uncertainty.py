"""Uncertainty budgets: roots of sums by hand, and the uncertainties library beside them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share
from uncertainties import ufloat

from probetest.statistics.uncertainty import Component, combine, effective_dof, rectangular


def component(u_mm: float, dof: float = np.inf) -> Component:
    return Component("scatter", "A", u_mm, dof, "pooled")


def test_rectangular_is_the_sd_of_a_uniform_distribution() -> None:
    assert rectangular(0.5) == pytest.approx(stats.uniform(-0.5, 1.0).std(), rel=1e-14)


def test_components_add_in_squares() -> None:
    found = combine("figure", 7.0, [component(3.0), component(4.0)])
    assert (found.u_mm, found.value_mm, found.figure) == (5.0, 7.0, "figure")
    assert len(found.components) == 2


def test_known_components_have_a_normal_factor() -> None:
    found = combine("figure", 0.0, [component(1.0)])
    assert found.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert found.expanded_mm == found.coverage_factor
    assert found.dof == np.inf


def test_one_component_keeps_its_degrees_of_freedom() -> None:
    assert combine("figure", 0.0, [component(0.3, 9)]).dof == pytest.approx(9.0)


def test_two_equal_components_double_the_degrees_of_freedom() -> None:
    assert effective_dof([1.0, 1.0], [5, 5]) == pytest.approx(10.0)


def test_a_known_component_adds_degrees_of_freedom() -> None:
    assert effective_dof([1.0, 1.0], [5, np.inf]) == pytest.approx(20.0)


def test_degrees_of_freedom_are_cut_before_the_factor() -> None:
    found = combine("figure", 0.0, [component(1.0, 4), component(0.5, 50)])
    assert 6 < found.dof < 7
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.975, 6), rel=1e-12)


def test_less_than_one_degree_of_freedom_counts_as_one() -> None:
    assert combine("figure", 0.0, [component(1.0, 0.5)]).coverage_factor == pytest.approx(
        stats.t.ppf(0.975, 1)
    )


@pytest.mark.parametrize("components", [[], [component(0.0, 3)]], ids=["none", "nil"])
def test_without_uncertainty_there_is_none(components: list[Component]) -> None:
    found = combine("figure", 1.0, components)
    assert (found.u_mm, found.expanded_mm, found.dof) == (0.0, 0.0, np.inf)


def test_components_may_come_from_a_generator() -> None:
    assert combine("figure", 0.0, (component(u) for u in (3.0, 4.0))).u_mm == 5.0


def test_level_sets_the_factor() -> None:
    assert combine("figure", 0.0, [component(1.0, 10)], 0.99).coverage_factor == pytest.approx(
        3.1693, abs=1e-4
    )


def test_budget_carries_its_level_and_its_components() -> None:
    parts = (component(1.0, 10), component(2.0))
    found = combine("figure", 0.0, parts, 0.99)
    assert (found.level, found.components) == (0.99, parts)


def test_combined_uncertainty_is_that_of_another_library() -> None:
    parts = (0.3, 0.04, 1.2, 0.5)
    total = sum(ufloat(0.0, u) for u in parts)
    assert combine("figure", 0.0, [component(u) for u in parts]).u_mm == pytest.approx(
        total.std_dev, rel=1e-12
    )


def test_expanded_uncertainty_covers_the_truth() -> None:
    # Two estimated scatters of equal size, 6 degrees of freedom each: about 12 together.
    rng, runs = np.random.default_rng(120), 3000
    errors = rng.normal(size=(runs, 2)).sum(axis=1)
    sds = np.sqrt(rng.chisquare(6, (runs, 2)) / 6)
    hits = sum(
        abs(error) < combine("figure", 0.0, [component(float(sd), 6) for sd in pair]).expanded_mm
        for error, pair in zip(errors, sds, strict=True)
    )
    assert_share(hits, runs, 0.95)
