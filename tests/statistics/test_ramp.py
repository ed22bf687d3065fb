"""Ship or wait: printed tables, exact sums by another way, and productions of known quality."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share, assert_share_at_least

from probetest.errors import StatisticsError
from probetest.statistics.ramp import (
    SHARES,
    Field,
    advise,
    chance_to_show,
    early_warning,
    next_batch,
    poisson_rate,
    proven,
)

# ---- what counts prove


def test_share_of_units_is_the_printed_one() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1 (Clopper and Pearson, 4 of 20, 90 %): 0.071354 to 0.401029.
    found = proven(Field(20, 4), 0.90).faulty_units
    assert (found.interval.lower, found.interval.upper) == pytest.approx((0.071354, 0.401029), abs=2e-6)
    assert (found.value, found.events, found.exposure) == (0.2, 4, 20)
    # Its upper limit is a one-sided bound at 95 %.
    assert proven(Field(20, 4)).faulty_units.upper == pytest.approx(0.401029, abs=2e-6)


# Printed in tables of exact Poisson limits (two-sided 95 %), from memory.
@pytest.mark.parametrize(
    ("events", "lower", "upper"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39), (5, 1.623, 11.67)]
)
def test_poisson_limits_are_the_printed_ones(events: int, lower: float, upper: float) -> None:
    found = poisson_rate(events, 1.0).interval
    assert (found.lower, found.upper) == pytest.approx((lower, upper), rel=1e-3)


@pytest.mark.parametrize("events", [0, 1, 7, 40])
def test_poisson_limits_solve_their_equations(events: int) -> None:
    found = poisson_rate(events, 250.0, 1000.0)
    low, high, bound = (0.25 * x for x in (found.interval.lower, found.interval.upper, found.upper))
    assert stats.poisson.cdf(events, high) == pytest.approx(0.025, rel=1e-9)
    assert stats.poisson.cdf(events, bound) == pytest.approx(0.05, rel=1e-9)
    if events:
        assert stats.poisson.sf(events - 1, low) == pytest.approx(0.025, rel=1e-9)
    assert found.value == pytest.approx(4 * events)


@pytest.mark.parametrize(("n", "bound"), [(20, 0.13911), (59, 0.04951), (299, 0.009969)])
def test_no_fault_is_close_to_the_rule_of_three(n: int, bound: float) -> None:
    # 1 - 0.05**(1/n).
    found = proven(Field(n, 0))
    assert found.faulty_units.upper == pytest.approx(bound, rel=1e-4)
    assert found.rule_of_three == pytest.approx(3 / n)
    assert found.faulty_units.upper < found.rule_of_three < 1.09 * found.faulty_units.upper
    assert proven(Field(n, 1)).rule_of_three is None


def test_rates_are_per_thousand() -> None:
    found = proven(Field(12, 1, touches=30_000, misses=6, field_hours=2500, field_faults=2))
    assert found.misses.value == pytest.approx(0.2)
    assert found.misses.interval.lower == pytest.approx(1000 * stats.beta.ppf(0.025, 6, 29_995), rel=1e-9)
    assert found.field_faults.value == pytest.approx(0.8)
    assert found.field_faults.interval.upper == pytest.approx(7.2247 / 2.5, rel=1e-4)
    bare = proven(Field(12, 1))
    assert (bare.misses, bare.misses_any_units, bare.field_faults) == (None, None, None)


def test_units_as_clusters_prove_what_units_can() -> None:
    # No miss: 1 - 0.05**(1/n), whatever the touches.
    for touches in (100, 1_000_000):
        assert proven(Field(20, 0, touches)).misses_any_units == pytest.approx(139.108, rel=1e-5)
    assert proven(Field(3, 0, 300, 2)).misses_any_units is None
    field = Field(3, 1, 300, 30, misses_by_unit=(0, 0, 30), touches_by_unit=(100, 100, 100))
    bound = proven(field).misses_any_units / 1000
    # The definition: 3 (0.1 ln(0.1 / x) + 0.9 ln(0.9 / (1 - x))) = -ln 0.05.
    left = 3 * (0.1 * np.log(0.1 / bound) + 0.9 * np.log(0.9 / (1 - bound)))
    assert left == pytest.approx(-np.log(0.05), rel=1e-6)
    always = Field(2, 2, 20, 20, misses_by_unit=(10, 10), touches_by_unit=(10, 10))
    assert proven(always).misses_any_units == 1000.0
    nearly = Field(1, 1, 100_000, 99_999, misses_by_unit=(99_999,), touches_by_unit=(100_000,))
    assert proven(nearly).misses_any_units == 1000.0


@pytest.mark.simulation
@pytest.mark.parametrize(("a", "b"), [(0.05, 0.95), (0.5, 4.5)])
def test_units_that_differ_are_held_by_the_bound_of_units_only(a: float, b: float) -> None:
    # Rates of units are beta with a mean of a / (a + b): touches of a unit are alike.
    rng, runs, units = np.random.default_rng(3), 400, 10
    misses = rng.binomial(200, rng.beta(a, b, size=(runs, units)))
    truth, held, touchwise = 1000 * a / (a + b), 0, 0
    for row in misses:
        field = Field(units, 0, 2000, int(row.sum()), 0, 0, tuple(row.tolist()), (200,) * units)
        found = proven(field)
        held += found.misses_any_units >= truth
        touchwise += found.misses.upper >= truth
    assert_share_at_least(held, runs, 0.95)
    assert touchwise < 0.8 * runs


@pytest.mark.simulation
def test_bounds_hold_the_true_rate() -> None:
    rng, runs = np.random.default_rng(4), 400
    faults, counts = rng.binomial(25, 0.08, runs), rng.poisson(2.0, runs)
    held = [
        (found.faulty_units.upper >= 0.08, found.field_faults.upper >= 2.0)
        for found in (
            proven(Field(25, int(f), field_hours=1000, field_faults=int(c)))
            for f, c in zip(faults, counts, strict=True)
        )
    ]
    for hits in np.sum(held, axis=0):
        assert_share_at_least(int(hits), runs, 0.95)


# ---- the next units


def test_next_good_units_lower_the_bound() -> None:
    assert next_batch(20, 0, 0) == pytest.approx(proven(Field(20, 0)).faulty_units.upper)
    assert next_batch(20, 0, 40) == pytest.approx(1 - 0.05 ** (1 / 60), rel=1e-9)
    assert next_batch(20, 1, 40) > next_batch(20, 0, 40)


def test_chance_to_show_is_the_binomial_one() -> None:
    for share in SHARES:
        assert chance_to_show(share, 20) == pytest.approx(stats.binom.sf(0, 20, share), rel=1e-12)
    assert (chance_to_show(0.0, 5), chance_to_show(1.0, 1), chance_to_show(0.5, 0)) == (0.0, 1.0, 0.0)


def test_plan_with_a_stop_at_one_has_a_closed_form() -> None:
    stages = early_warning([3, 5, 10, 20], 1, 0.1)
    assert [stage.goes_on for stage in stages] == pytest.approx([0.9**n for n in (3, 8, 18, 38)])
    assert [stage.reached for stage in stages] == pytest.approx([1, 0.9**3, 0.9**8, 0.9**18])
    assert stages[-1].faulty == pytest.approx(0.1 * (3 + 5 * 0.9**3 + 10 * 0.9**8 + 20 * 0.9**18))
    assert [stage.units for stage in stages] == [3, 8, 18, 38]


@pytest.mark.parametrize("stop_at", [1, 2, 4])
def test_operating_characteristic_is_the_binomial_one(stop_at: int) -> None:
    # To go on after the last batch is to have had fewer faulty units in all.
    for share in (0.0, 0.03, 0.2, 1.0):
        stages = early_warning([3, 5, 10], stop_at, share)
        assert stages[-1].goes_on == pytest.approx(stats.binom.cdf(stop_at - 1, 18, share), abs=1e-12)


@pytest.mark.simulation
def test_plan_ships_the_simulated_number_of_faulty_units() -> None:
    rng, runs, share, batches = np.random.default_rng(9), 20_000, 0.12, (3, 5, 10, 20)
    faulty, found, on = np.zeros(runs), np.zeros(runs), np.ones(runs, dtype=bool)
    for batch in batches:
        new = np.where(on, rng.binomial(batch, share, runs), 0)
        faulty += new
        found += new
        on &= found < 2
    last = early_warning(batches, 2, share)[-1]
    assert_share(int(on.sum()), runs, last.goes_on)
    assert abs(faulty.mean() - last.faulty) < 3.3 * faulty.std() / np.sqrt(runs)


# ---- ship or wait


def test_batch_is_the_largest_that_the_shop_can_repair() -> None:
    for field, repair in ((Field(20, 0), 1), (Field(20, 1), 2), (Field(5, 0), 1), (Field(60, 0), 3)):
        advice = advise(field, can_repair=repair)
        prior = field.units_with_fault + 0.5, field.units_shipped - field.units_with_fault + 0.5
        assert advice.action == "ship"
        assert stats.betabinom.cdf(repair, advice.batch, *prior) >= 0.95
        assert stats.betabinom.cdf(repair, advice.batch + 1, *prior) < 0.95
        assert advice.expected_faulty == pytest.approx(stats.betabinom.mean(advice.batch, *prior))
        assert advice.most_faulty <= repair
        worst = proven(field).faulty_units.upper
        assert advice.cautious_batch * worst <= repair < (advice.cautious_batch + 1) * worst


def test_without_units_the_first_batch_is_what_can_be_repaired() -> None:
    for repair in (1, 4):
        advice = advise(Field(0, 0), can_repair=repair)
        assert (advice.action, advice.batch, advice.cautious_batch) == ("ship", repair, repair)


def test_faults_make_it_wait() -> None:
    assert advise(Field(10, 1)).action == "ship"
    stopped = advise(Field(10, 1), stop_at=1)
    assert (stopped.action, stopped.batch) == ("wait", 0)
    (reason,) = [reason for reason in stopped.reasons if not reason.kept]
    assert (reason.name, reason.value, reason.limit) == ("units with a fault", 1, 0)
    assert advise(Field(10, 2)).action == "wait"
    assert advise(Field(10, 2), can_repair=2).action == "ship"


def test_limits_that_are_not_proven_make_it_wait() -> None:
    field = Field(10, 0, touches=1000, field_hours=500)
    found = proven(field)
    for edge, action in ((1.001, "ship"), (0.999, "wait")):
        assert advise(field, most_misses=edge * found.misses.upper).action == action
        assert advise(field, most_field_faults=edge * found.field_faults.upper).action == action
    unknown = advise(replace(field, field_hours=0.0), most_field_faults=1e9)
    assert (unknown.action, unknown.reasons[-1].value) == ("wait", np.inf)


def test_more_good_units_allow_more() -> None:
    sizes = [advise(Field(n, 0)).batch for n in (1, 3, 10, 30, 100)]
    assert sizes == sorted(sizes)
    assert sizes[-1] > 20 * sizes[0]


@pytest.mark.parametrize(
    "field",
    [
        Field(3, 4), Field(-1, 0), Field(3, 0, 5, 6), Field(3, 0, field_hours=-1), Field(0, 0, 5),
        Field(2, 0, 9, 1, misses_by_unit=(1,)), Field(2, 0, 9, 1, 0, 0, (0, 0), (5, 4)),
        Field(2, 0, 6, 6, 0, 0, (6, 0), (5, 1)),
    ],
)  # fmt: skip
def test_impossible_counts_are_refused(field: Field) -> None:
    with pytest.raises(StatisticsError):
        advise(field)


def test_impossible_plans_are_refused() -> None:
    for plan in (([], 1, 0.1), ([0], 1, 0.1), ([3], 0, 0.1), ([3], 1, 1.5)):
        with pytest.raises(StatisticsError, match="no such plan"):
            early_warning(*plan)
    for shares in ((-0.1, 3), (0.5, -1)):
        with pytest.raises(StatisticsError, match="a chance needs"):
            chance_to_show(*shares)
    for rate in ((-1, 5.0), (0, 0.0)):
        with pytest.raises(StatisticsError, match="a rate needs"):
            poisson_rate(*rate)
    with pytest.raises(StatisticsError, match="can't have"):
        next_batch(3, 0, -1)
    with pytest.raises(StatisticsError, match="1 or more"):
        advise(Field(3, 0), can_repair=0)


@pytest.mark.simulation
def test_predicted_batch_keeps_what_can_be_repaired_over_all_qualities() -> None:
    # True shares drawn from Jeffreys' prior: then the chance is 95 % or more exactly.
    rng, runs = np.random.default_rng(10), 2000
    share = rng.beta(0.5, 0.5, runs)
    faulty = rng.binomial(20, share)
    sizes = {f: advise(Field(20, f), can_repair=2, stop_at=21).batch for f in range(21)}
    kept = [rng.binomial(sizes[int(f)], p) <= 2 for f, p in zip(faulty, share, strict=True)]
    assert_share_at_least(sum(kept), runs, 0.95)
