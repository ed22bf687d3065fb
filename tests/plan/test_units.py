"""Units and touches of a comparison: against another library's power, and against all combinations."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from probetest.errors import PlanError
from probetest.margins import Margins
from probetest.plan import units as module
from probetest.plan.choose import Pace
from probetest.plan.units import FIGURES, Spread, UnitPlan, abba, plan_units
from probetest.statistics.expected import Design, ExpectedProbe, variation_u_mm
from probetest.statistics.units_needed import power_of

PROBE = ExpectedProbe(0.0018, 0.012)
PACE = Pace(7.0, 180.0)
COUNTS = (16, 20)
TOUCHES = (3, 6)
USUAL = Spread(0.1, 0.0015)


def plan(spread: Spread = USUAL, margins: Margins | None = None, pace: Pace = PACE) -> UnitPlan:
    # Each combination takes a fifth of a second: a few stand for all.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "TOUCHES", TOUCHES)
        return plan_units(PROBE, spread, margins or Margins(), (0.0,), COUNTS, pace)


@pytest.fixture(scope="module")
def usual() -> UnitPlan:
    return plan()


def test_units_show_the_margin_by_another_librarys_power(usual: UnitPlan) -> None:
    margins = Margins()
    alpha = margins.risk / FIGURES
    for need, measured, own, margin in (
        (usual.of_scatter, usual.measured_sd_share, 0.1, np.log(margins.sd_ratio)),
        (usual.of_variation, usual.measured_variation_mm, 0.0015, margins.variation_mm),
    ):
        effect = margin / np.hypot(measured, own)
        # statsmodels: noncentral t of two groups with a common variance.
        n = TTestIndPower().solve_power(effect, alpha=alpha, power=margins.power, alternative="two-sided")
        # Ours lets the variances differ (Welch), which costs a unit where there are few.
        assert np.ceil(n) <= need.difference <= np.ceil(n) + 1
        assert need.both == max(need.difference, need.equivalence)
    assert usual.units == max(usual.of_scatter.both, usual.of_variation.both, 3)


@pytest.mark.simulation
def test_so_many_units_show_the_margin_as_often_as_wanted(usual: UnitPlan) -> None:
    # Builds whose log scatter differs by the margin; Welch's test at the shared risk.
    rng = np.random.default_rng(8)
    margins, runs, n = Margins(), 20_000, usual.of_scatter.difference
    design, shift = usual.design, np.log(Margins().sd_ratio)

    def units(centre: float) -> np.ndarray:
        own = centre + 0.1 * rng.standard_normal((runs, n))
        return own + 0.5 * np.log(rng.chisquare(design.dof, (runs, n)) / design.dof)

    first, second = units(0.0), units(shift)
    errors = np.array([first.var(axis=1, ddof=1), second.var(axis=1, ddof=1)]) / n
    u = np.sqrt(errors.sum(axis=0))
    dof = errors.sum(axis=0) ** 2 / (errors**2 / (n - 1)).sum(axis=0)
    shown = np.abs(second.mean(axis=1) - first.mean(axis=1)) / u > stats.t.isf(
        margins.risk / FIGURES / 2, dof
    )
    total = float(np.hypot(usual.measured_sd_share, 0.1))
    predicted = power_of(n, total, total, shift, margins.risk / FIGURES).difference
    assert predicted >= margins.power
    # Standard error of the share 0.003; 1 / sqrt(2 dof) is the first term of a series.
    assert shown.mean() == pytest.approx(predicted, abs=0.015)


def test_the_scatter_of_a_unit_is_known_as_the_published_table_says() -> None:
    # JCGM 100:2008, table E.1: of 30 readings a standard deviation is known to 13 %, of 10 to 24 %, of 50
    # to 10 % (the first at hand, the others from memory).
    for n, percent in ((30, 13), (10, 24), (50, 10)):
        assert round(100 / np.sqrt(2 * Design(1, n).dof)) == percent


def test_the_plan_is_the_quickest_of_all_combinations(usual: UnitPlan) -> None:
    margins, spread = Margins(), USUAL
    alpha = margins.risk / FIGURES
    best = np.inf
    for count, touches in product(COUNTS, TOUCHES):
        design = Design(count, touches)
        totals = (
            (np.hypot(1 / np.sqrt(2 * count * (touches - 1)), spread.sd_share), np.log(margins.sd_ratio)),
            (np.hypot(variation_u_mm(design, PROBE), spread.variation_mm), margins.variation_mm),
        )

        def enough(units: int, totals=totals) -> bool:
            powers = [power_of(units, float(total), float(total), float(m), alpha) for total, m in totals]
            return all(min(one.difference, one.equivalence) >= margins.power for one in powers)

        units = next(units for units in range(3, 200) if enough(units))
        seconds = 2 * units * (count * touches * PACE.touch_s + PACE.turn_s)
        assert seconds >= usual.seconds - 1e-6
        best = min(best, seconds)
    assert usual.seconds == pytest.approx(best)


def test_units_that_differ_more_take_more_units_and_no_more_touches(usual: UnitPlan) -> None:
    apart = plan(Spread(0.2, 0.003))
    assert apart.units > usual.units
    assert apart.design.n <= usual.design.n


def test_dear_units_get_more_touches(usual: UnitPlan) -> None:
    dear = plan(pace=Pace(7.0, 3600.0))
    assert dear.units <= usual.units
    assert dear.design.n >= usual.design.n


def test_margins_that_no_number_shows_are_refused() -> None:
    with pytest.raises(PlanError, match="wider margins"):
        plan(USUAL, Margins(variation_mm=1e-6))


@pytest.mark.parametrize("units", range(1, 20))
def test_builds_are_tested_in_turn_and_evenly(units: int) -> None:
    order = np.array(abba(units))
    assert len(order) == 2 * units
    places = [np.flatnonzero(order == build) for build in "AB"]
    assert [len(one) for one in places] == [units, units]
    # The same mean place; for an odd number the places can't be shared evenly: one apart in the sum.
    assert abs(places[0].sum() - places[1].sum()) == units % 2
    # Never three of a build on end.
    assert not any(len(set(order[at : at + 3])) == 1 for at in range(2 * units - 2))


def test_a_plan_holds_its_own_numbers(usual: UnitPlan) -> None:
    assert usual.order == abba(usual.units)
    assert usual.seconds == pytest.approx(2 * usual.units * (PACE.seconds(usual.design) + PACE.turn_s))
    assert usual.measured_sd_share == pytest.approx(1 / np.sqrt(2 * usual.design.dof))
    assert usual.measured_variation_mm == pytest.approx(variation_u_mm(usual.design, PROBE))
