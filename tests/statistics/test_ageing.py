"""Growth over repeated tests: closed forms, independent fits, and growth of known size."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from simulated import assert_share, assert_share_at_least, assert_share_at_most

from probetest.errors import StatisticsError
from probetest.statistics.ageing import Ageing, ageing

TIMES = np.array([0.0, 30, 60, 90, 150])
VALUES = np.array([5.0, 5.8, 7.3, 8.1, 10.4])
U = np.array([0.2, 0.3, 0.2, 0.25, 0.4])


def grown(values: object, u: object = 0.2, **changes: object) -> Ageing:
    settings = {"margin": 0.5, "per": 30.0} | changes
    return ageing(TIMES, values, np.broadcast_to(u, 5), **settings)  # type: ignore[arg-type]


def test_slope_and_error_are_those_of_an_independent_fit() -> None:
    found = grown(VALUES, U)
    fit = sm.WLS(VALUES, sm.add_constant(TIMES), weights=1 / U**2).fit()  # statsmodels
    assert found.slope == pytest.approx(30 * fit.params[1], rel=1e-9)
    assert found.ratio == pytest.approx(np.sqrt(fit.scale), rel=1e-9)
    error = 30 * fit.bse[1]
    wider = max(stats.norm.isf(0.025) / np.sqrt(fit.scale), stats.t.isf(0.025, 3))
    assert found.interval.half_width == pytest.approx(wider * error, rel=1e-9)


def test_scatter_widens_what_the_uncertainties_don_t_explain() -> None:
    rough = VALUES + np.array([0, 2.0, -2, 1, -1])
    small, large = grown(rough, 0.01), grown(rough, 100.0)
    assert (small.by, large.by) == ("scatter", "uncertainties")
    low, high = sm.OLS(rough, sm.add_constant(TIMES)).fit().conf_int()[1]
    assert (small.interval.lower, small.interval.upper) == pytest.approx((30 * low, 30 * high), rel=1e-9)
    assert large.interval.half_width == pytest.approx(
        30 * 1.959964 * 100 / np.sqrt(((TIMES - TIMES.mean()) ** 2).sum()), rel=1e-6
    )


@pytest.mark.parametrize(
    ("slope", "u", "verdict"),
    [
        (0.04, 0.1, "grew"),
        (0.0, 0.1, "did not grow"),
        (-0.04, 0.1, "did not grow"),
        (0.02, 1.0, "can't tell"),
    ],
)
def test_verdict_is_against_the_margin(slope: float, u: float, verdict: str) -> None:
    assert grown(5 + slope * TIMES, u).verdict == verdict


def test_one_bad_test_does_not_move_the_median_slope() -> None:
    values = 5 + 0.01 * np.arange(5) * 30
    values[4] += 7
    found = ageing(np.arange(5) * 30.0, values, [0.1] * 5, margin=0.5, per=30)
    assert found.median_slope == pytest.approx(0.3, abs=1e-9)
    assert found.slope > 1.0


def test_tests_of_one_time_count() -> None:
    found = ageing([0, 0, 90, 90], [5.0, 5.2, 6.0, 6.2], [0.1] * 4, margin=0, per=90)
    assert found.slope == pytest.approx(1.0)
    assert found.median_slope == pytest.approx(1.0)
    assert found.verdict == "grew"


def test_order_of_the_tests_does_not_matter() -> None:
    shuffled = [3, 0, 4, 2, 1]
    there = ageing(TIMES, VALUES, U, margin=0.5, per=30, limit=14)
    back = ageing(TIMES[shuffled], VALUES[shuffled], U[shuffled], margin=0.5, per=30, limit=14)
    assert back.median_slope == pytest.approx(there.median_slope)
    assert back.slope == pytest.approx(there.slope)
    assert back.reach.interval.upper == pytest.approx(there.reach.interval.upper)


def test_reach_is_where_the_band_of_the_line_crosses() -> None:
    found = grown(VALUES, U, limit=14.0)
    fit = sm.WLS(VALUES, sm.add_constant(TIMES), weights=1 / U**2).fit()
    intercept, slope = fit.params
    assert found.reach.after == pytest.approx((14 - intercept) / slope - 150, rel=1e-9)
    factor = max(stats.norm.isf(0.025) / np.sqrt(fit.scale), stats.t.isf(0.025, 3))

    def band(time: float, sign: int) -> float:
        at = np.array([1.0, time])
        return float(at @ fit.params + sign * factor * np.sqrt(at @ fit.cov_params() @ at) - 14)

    early, late = (optimize.brentq(band, 100, 3000, args=(sign,)) - 150 for sign in (1, -1))
    assert (found.reach.interval.lower, found.reach.interval.upper) == pytest.approx((early, late), rel=1e-6)


def test_reach_is_given_only_where_growth_is_shown() -> None:
    assert grown(VALUES, 5.0, limit=14.0).reach is None
    assert grown(VALUES, 0.2).reach is None
    assert grown(VALUES[::-1], 0.2, limit=14.0).reach is None
    there = grown(VALUES, 0.2, limit=9.0).reach
    assert (there.after, there.interval.lower) == (0.0, 0.0)


def test_few_tests_give_a_reason() -> None:
    two = ageing([0, 1], [1, 2], [0.1, 0.1], margin=1, per=1)
    assert (two.slope, two.verdict, two.reason) == (
        None, "can't tell", "growth needs at least 3 tests, and there are 2",
    )  # fmt: skip
    assert "at the same time" in ageing([5] * 4, [1, 2, 3, 4], [0.1] * 4, margin=1, per=1).reason
    three = ageing([0, 1, 2], [1.0, 2.0, 3.0], [0.1] * 3, margin=0.5, per=1)
    assert (three.by, three.verdict) == ("uncertainties", "grew")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"u": [0.1, 0.1]}, "a time, a value and an uncertainty"),
        ({"u": [0.1, 0.1, 0.0]}, "uncertainties above 0"),
        ({"values": [1, np.inf, 2]}, "must be finite"),
        ({"margin": -1}, "margin >= 0"),
        ({"per": 0}, "time > 0"),
        ({"level": 1.0}, "confidence level"),
    ],
)
def test_impossible_tests_are_refused(changes: dict, message: str) -> None:
    settings = {"times": [0, 1, 2], "values": [1, 2, 3], "u": [0.1] * 3, "margin": 1, "per": 1} | changes
    with pytest.raises(StatisticsError, match=message):
        ageing(**settings)


@pytest.mark.simulation
@pytest.mark.parametrize(("n", "between"), [(3, 0.0), (5, 0.0), (3, 0.5), (5, 0.5)])
def test_interval_holds_the_slope_with_and_without_scatter_between_tests(n: int, between: float) -> None:
    rng, runs = np.random.default_rng([n, int(10 * between)]), 400
    times, hits, reached = np.arange(n) * 30.0, 0, []
    for _ in range(runs):
        values = 5 + 0.02 * times + rng.normal(size=n) * np.hypot(0.1, between)
        found = ageing(times, values, np.full(n, 0.1), margin=0.6, per=30, limit=10)
        hits += 0.6 in found.interval
        if found.reach is not None:
            # The limit is truly reached at a time of 250.
            truth = 250 - times[-1]
            reached.append(found.reach.interval.lower <= truth <= found.reach.interval.upper)
    assert_share_at_least(hits, runs, 0.95)
    if between == 0:
        assert_share_at_least(sum(reached), len(reached), 0.95)


@pytest.mark.simulation
def test_growth_at_the_margin_is_called_shown_rarely() -> None:
    rng, runs = np.random.default_rng(5), 400
    verdicts = [
        ageing(TIMES, 0.5 / 30 * TIMES + rng.normal(0, 0.2, 5), [0.2] * 5, margin=0.5, per=30).verdict
        for _ in range(runs)
    ]
    assert_share_at_most(verdicts.count("grew"), runs, 0.025)
    assert_share_at_most(verdicts.count("did not grow"), runs, 0.025)
    assert verdicts.count("can't tell") > 0.9 * runs


@pytest.mark.simulation
def test_u_alone_gives_the_stated_coverage_where_tests_are_many() -> None:
    rng, runs, n = np.random.default_rng(6), 300, 40
    times = np.arange(n) * 1.0
    hits = sum(
        0.0 in ageing(times, rng.normal(size=n), np.full(n, 1.0), margin=1, per=1).interval
        for _ in range(runs)
    )
    assert_share(hits, runs, 0.957)
