"""Scatter of the centre between visits to the same orientation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.anova import anova_lm

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.visits import Visit, visit_scatter

AZIMUTH = np.tile(np.arange(0.0, 360.0, 30.0), 3)
NO_RUNOUT = (0.0, 0.001)


def made(orientation: float, centre: tuple[float, float], noise: np.ndarray, level: float = 0.0) -> Visit:
    return Visit(orientation, AZIMUTH, level + unit_vectors(AZIMUTH) @ centre + noise)


def test_two_visits_without_touch_scatter_by_hand() -> None:
    still = np.zeros(len(AZIMUTH))
    visits = [made(0, (0.003, 0.0), still), made(0, (-0.003, 0.0), still, level=0.5)]
    found = visit_scatter(visits, NO_RUNOUT)
    # x differs by 6 µm, y not: mean square (2 * 9 + 0) / 2 µm².
    assert found.sd_mm == pytest.approx(0.003, rel=1e-6)
    assert (found.visits, found.orientations) == (2, 1)
    limits = [0.003 * np.sqrt(2 / stats.chi2.isf(tail, 2)) for tail in (0.025, 0.975)]
    assert (found.interval_mm.lower, found.interval_mm.upper) == pytest.approx(limits, rel=1e-6)


def test_the_level_of_a_visit_is_no_scatter_of_its_centre() -> None:
    # The three rounds scatter, the visits don't.
    rounds = np.repeat([0.001, -0.001, 0.0], len(AZIMUTH) // 3)
    found = visit_scatter([made(30, (0, 0), rounds, 0.0), made(30, (0, 0), rounds, 0.02)], NO_RUNOUT)
    assert found.sd_mm == 0
    assert found.interval_mm.lower == 0
    assert found.shown_p > 0.99


def test_a_turn_that_misses_moves_the_centre_by_the_run_out() -> None:
    """Centre on a circle of the run-out: sd of the angle in radians is root 2 times sd by run-out."""
    rng = np.random.default_rng(5)
    missed = rng.normal(0.0, np.deg2rad(2.0), 400)
    still = np.zeros(len(AZIMUTH))
    visits = [made(0, (0.02 * np.cos(turn), 0.02 * np.sin(turn)), still) for turn in missed]
    found = visit_scatter(visits, (0.02, 0.0001))
    assert found.turned_sd_deg == pytest.approx(2.0, rel=0.1)
    assert visit_scatter(visits, (0.02, 0.01)).turned_sd_deg is None


def test_mean_square_and_p_are_those_of_an_analysis_of_variance() -> None:
    """Oracle: statsmodels, one-way analysis of the centres of many visits to two orientations."""
    rng = np.random.default_rng(11)
    visits = [
        made(angle, tuple(rng.normal(0, 0.002, 2)), rng.normal(0, 0.001, len(AZIMUTH)))
        for angle in (0, 90)
        for _ in range(6)
    ]
    fits = [sm.OLS(v.reading_mm, sm.add_constant(unit_vectors(v.azimuth_deg))).fit() for v in visits]
    frame = pd.DataFrame({"x": [f.params[1] for f in fits], "y": [f.params[2] for f in fits]})
    frame["orientation"] = np.repeat([0, 1], 6)
    within = sum(
        float(anova_lm(sm.OLS.from_formula(f"{axis} ~ C(orientation)", frame).fit())["sum_sq"].iloc[1])
        for axis in ("x", "y")
    )
    # 12 visits of 36 touches, 12 directions of two orientations, level and centre of all visits but two.
    spare = 12 * len(AZIMUTH) - 2 * 12 - 3 * 10
    touch = sum(fit.ssr for fit in fits) / spare * 2 / len(AZIMUTH)
    found = visit_scatter(visits, NO_RUNOUT)
    assert found.sd_mm == pytest.approx(np.sqrt(within / 20 - touch), rel=1e-9)
    assert found.shown_p == pytest.approx(stats.f.sf(within / 20 / touch, 20, spare), rel=1e-9)


@pytest.mark.simulation
def test_the_interval_covers_and_no_scatter_is_seldom_shown() -> None:
    rng = np.random.default_rng(3)
    covered, shown, runs = 0, 0, 400
    for _ in range(runs):
        for true in (0.001, 0.0):
            visits = [
                made(angle, tuple(rng.normal(0, true, 2)), rng.normal(0, 0.002, len(AZIMUTH)))
                for angle in (0, 30, 90, 210)
                for _ in range(2)
            ]
            found = visit_scatter(visits, NO_RUNOUT)
            if true:
                covered += true in found.interval_mm
            else:
                shown += found.shown_p < 0.05
    assert stats.binomtest(covered, runs, 0.95).pvalue > 0.001
    assert stats.binomtest(shown, runs, 0.05).pvalue > 0.001


@pytest.mark.parametrize("directions", [1, 3])
def test_visits_of_few_directions_or_one_visit_tell_nothing(directions: int) -> None:
    few = np.arange(directions) * 100.0
    visits = [Visit(0.0, few, np.zeros(directions)) for _ in range(2)]
    with pytest.raises(StatisticsError, match="visited again"):
        visit_scatter(visits, NO_RUNOUT)
    with pytest.raises(StatisticsError, match="visited again"):
        visit_scatter([made(0, (0, 0), np.zeros(len(AZIMUTH)))], NO_RUNOUT)
