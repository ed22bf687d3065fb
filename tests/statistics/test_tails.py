"""Heavy tails: seen at the stated risk, and taken into the interval of the scatter."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.repeatability import repeatability
from probetest.statistics.tails import Tails, judge_tails


def residuals(values: np.ndarray, index: np.ndarray) -> np.ndarray:
    return values - group_means(values, index, int(index.max()) + 1)[index]


def test_one_long_direction_agrees_with_scipy() -> None:
    values = np.random.default_rng(1).standard_t(8, 4000)
    found = judge_tails(values - values.mean(), np.zeros(4000, dtype=int))
    # With n = 4000 taking off the mean changes nothing that shows.
    assert found.excess_kurtosis == pytest.approx(stats.kurtosis(values), rel=2e-3)
    assert found.standard_error == pytest.approx(np.sqrt(24 / 4000), rel=2e-3)


@pytest.mark.parametrize("repeats", [3, 5, 15])
def test_excess_is_that_of_one_touch_not_of_the_residual(repeats: int) -> None:
    rng = np.random.default_rng(repeats)
    index = np.repeat(np.arange(60_000 // repeats), repeats)
    # A Laplace distribution has an excess of 3.
    found = judge_tails(residuals(rng.laplace(size=len(index)), index), index)
    assert found.excess_kurtosis == pytest.approx(3.0, abs=0.45)


def test_normal_scatter_is_called_heavy_at_the_stated_risk() -> None:
    rng = np.random.default_rng(2)
    index = np.repeat(np.arange(24), 15)
    heavy = sum(judge_tails(residuals(rng.normal(size=360), index), index).heavy for _ in range(1000))
    # 5 % nominal; kurtosis is skewed, so that a little more is usual. 3 binomial sigmas are 2 %.
    assert 20 <= heavy <= 80


def test_dof_share_follows_box() -> None:
    rng = np.random.default_rng(3)
    index = np.repeat(np.arange(24), 15)
    found = judge_tails(residuals(rng.standard_t(4, 360), index), index)
    assert found.heavy
    assert found.dof_share == pytest.approx(1 / (1 + found.excess_kurtosis / 2))


@pytest.mark.parametrize(
    ("repeats", "left"), [(2, 0.5), (4, 7 / 12), (5, 0.65), (10, 0.657 / 0.81)], ids=["2", "4", "5", "10"]
)
def test_two_valued_scatter_has_its_excess_by_hand(repeats: int, left: float) -> None:
    # Half of the residuals +1, half -1: kurtosis 1, excess -2, of which the means took a share.
    found = judge_tails(np.tile([1.0, -1.0], 20), np.repeat(np.arange(40 // repeats), repeats))
    assert found.excess_kurtosis == pytest.approx(-2 / left, rel=1e-12)
    assert found.standard_error == pytest.approx(np.sqrt(24 / 40) / left, rel=1e-12)
    assert (found.heavy, found.dof_share) == (False, 1.0)


def test_longer_directions_weigh_by_their_touches() -> None:
    # 10 pairs and 2 directions of 10: a touch lies in a direction of (10 * 4 + 2 * 100) / 40 = 6.
    index = np.concatenate([np.repeat(np.arange(10), 2), np.repeat([10, 11], 10)])
    left = ((5 / 6) ** 4 + 5 / 6**4) / (5 / 6) ** 2
    assert judge_tails(np.tile([1.0, -1.0], 20), index).excess_kurtosis == pytest.approx(-2 / left, rel=1e-12)


def test_directions_touched_once_say_nothing_about_tails() -> None:
    residual, index = np.tile([1.0, -1.0], 20), np.repeat(np.arange(20), 2)
    alone = judge_tails(np.append(residual, np.zeros(9)), np.append(index, np.arange(20, 29)))
    assert alone == judge_tails(residual, index)


@pytest.mark.parametrize(("readings", "judged"), [(19, False), (20, True)])
def test_tails_are_judged_from_20_readings_up(readings: int, judged: bool) -> None:
    found = judge_tails(np.linspace(-1.0, 1.0, readings), np.zeros(readings, dtype=int))
    assert np.isfinite([found.excess_kurtosis, found.standard_error]).tolist() == [judged, judged]


def test_tails_are_heavy_beyond_the_one_sided_5_percent_point() -> None:
    index = np.repeat(np.arange(10), 10)

    def with_outliers(size: float) -> Tails:
        residual = np.tile([1.0, -1.0], 50)
        residual[[0, 1, 50, 51]] *= size
        return judge_tails(residual, index)

    def beyond(size: float) -> float:
        found = with_outliers(size)
        return found.excess_kurtosis / found.standard_error - 1.644854

    critical = optimize.brentq(beyond, 1.0, 10.0)
    below, above = with_outliers(critical * 0.999), with_outliers(critical * 1.001)
    assert (below.heavy, below.dof_share) == (False, 1.0)
    assert above.heavy
    assert above.dof_share == pytest.approx(1 / (1 + above.excess_kurtosis / 2), rel=1e-12)


def test_single_precision_residuals_are_judged_in_double() -> None:
    residual = np.random.default_rng(6).normal(size=40).astype(np.float32)
    index = np.repeat(np.arange(4), 10)
    assert judge_tails(residual, index) == judge_tails(residual.astype(float), index)


def test_few_or_equal_readings_are_not_judged() -> None:
    few = judge_tails(np.array([0.1, -0.1]), np.array([0, 0]))
    equal = judge_tails(np.zeros(100), np.repeat(np.arange(10), 10))
    for found in (few, equal):
        assert np.isnan([found.excess_kurtosis, found.standard_error]).all()
        assert (found.heavy, found.dof_share) == (False, 1.0)


def test_lengths_must_agree() -> None:
    with pytest.raises(StatisticsError, match="3 residuals but 2 directions"):
        judge_tails([0.1, 0.2, 0.3], [0, 1])


@pytest.mark.parametrize(
    ("draw", "sd", "least"),
    [
        (lambda rng, size: rng.standard_t(5, size), np.sqrt(5 / 3), 0.90),
        (lambda rng, size: rng.laplace(size=size), np.sqrt(2), 0.90),
        (lambda rng, size: rng.normal(size=size), 1.0, 0.94),
    ],
    ids=["t with 5 dof", "Laplace", "normal"],
)
def test_interval_of_the_sd_holds_with_heavy_tails(draw: object, sd: float, least: float) -> None:
    rng = np.random.default_rng(4)
    index = np.repeat(np.arange(24), 15)
    azimuth = np.arange(24) * 15.0
    inside = 0
    for _ in range(250):
        found = repeatability(draw(rng, 360), index, azimuth)  # type: ignore[operator]
        inside += sd in found.interval_mm
    # Without the wider interval a t scatter with 5 dof is held only about 76 times in 100.
    assert inside / 250 >= least - 3 * np.sqrt(least * (1 - least) / 250)


def test_normal_scatter_keeps_all_its_degrees_of_freedom() -> None:
    index = np.repeat(np.arange(24), 15)
    values = np.tile(stats.norm.ppf((np.arange(15) + 0.5) / 15), 24)
    found = repeatability(values, index, np.arange(24) * 15.0)
    assert found.effective_dof == found.dof == 336
    assert_allclose(found.interval_mm.upper, found.sd_mm * np.sqrt(336 / stats.chi2.ppf(0.025, 336)))
