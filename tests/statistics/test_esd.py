"""Several outliers in a linear model: by hand, against other libraries, false alarms by simulation."""

from __future__ import annotations

import numpy as np
import pytest
import scikit_posthocs
import statsmodels.api as sm
from scipy import stats
from simulated import assert_share, even_azimuths, repeated
from statsmodels.stats.outliers_influence import OLSInfluence

from probetest.errors import StatisticsError
from probetest.statistics.esd import (
    EsdResult,
    count_outliers,
    deleted_critical,
    extreme_residuals,
    find_outliers,
    most_outliers,
    stage_risk,
)


def of_sample(values: list[float] | np.ndarray, most: int, risk: float = 0.05) -> EsdResult:
    return extreme_residuals(values, np.ones((len(values), 1)), most, risk)


def as_deviate(deleted_t: float, left: int) -> float:
    """The studentised deviate of ``left`` values, from that without the value itself."""
    return (left - 1) * deleted_t / np.sqrt(left * (left - 2 + deleted_t**2))


# ---- parts


@pytest.mark.parametrize(
    ("statistics", "criticals", "count"),
    [
        ([], [], 0),
        ([2.0], [3.0], 0),
        ([3.0], [3.0], 0),
        ([3.1], [3.0], 1),
        ([3.1, 2.0], [3.0, 3.0], 1),
        ([2.0, 3.1, 2.0], [3.0, 3.0, 3.0], 2),
        ([2.0, 3.1], [3.0, 3.2], 0),
    ],
)
def test_all_candidates_up_to_the_last_beyond_are_outliers(
    statistics: list[float], criticals: list[float], count: int
) -> None:
    assert count_outliers(statistics, criticals) == count


@pytest.mark.parametrize(
    ("removed", "dof", "risk"),
    [(0, 10, 0.01), (1, 10, 0.002), (2, 10, 0.002), (1, 49, 0.0098), (1, 50, 0.01), (3, 500, 0.01)],
)
def test_later_candidates_of_few_values_have_a_smaller_risk(removed: int, dof: float, risk: float) -> None:
    assert stage_risk(0.01, removed, dof) == pytest.approx(risk, rel=1e-12)


def test_critical_value_is_a_two_sided_quantile_shared_by_all_values() -> None:
    assert deleted_critical(24, 17, 0.01) == pytest.approx(stats.t.isf(0.01 / 48, 17), rel=1e-12)


@pytest.mark.parametrize(("n", "most"), [(3, 1), (9, 1), (10, 2), (25, 5), (49, 9), (50, 10), (5000, 10)])
def test_one_in_five_may_be_an_outlier(n: int, most: int) -> None:
    assert most_outliers(n) == most


# ---- known answers


def test_first_statistic_by_hand() -> None:
    # Without the 4 the mean is 0 and the variance 4/3; a further value would differ by s sqrt(1 + 1/4).
    found = of_sample([-1.0, 1.0, -1.0, 4.0, 1.0], 1)
    assert found.candidates == (3,)
    assert found.statistics[0] == pytest.approx(4 / np.sqrt(4 / 3 * 5 / 4), rel=1e-12)
    assert found.criticals[0] == pytest.approx(deleted_critical(5, 3, 0.05), rel=1e-12)
    assert found.outliers == ()


def test_second_statistic_by_hand() -> None:
    # Without the 40 and the 4: mean 0, variance 4/3. The second critical value is of 5 values left, at
    # 5/50 of the risk: 6 values have 5 degrees of freedom.
    found = of_sample([-1.0, 1.0, -1.0, 4.0, 40.0, 1.0], 2)
    assert found.candidates == (4, 3)
    assert found.statistics[1] == pytest.approx(4 / np.sqrt(4 / 3 * 5 / 4), rel=1e-12)
    assert found.criticals[0] == pytest.approx(deleted_critical(6, 4, 0.05), rel=1e-12)
    assert found.criticals[1] == pytest.approx(deleted_critical(5, 3, 0.005), rel=1e-12)
    assert found.places == (4,)


def test_a_masked_pair_is_found_by_the_second_step() -> None:
    # The first outlier hides behind the second: the test of one alone finds none.
    values = [0.0, 0.1, -0.1, 0.2, -0.2, 0.15, -0.15, 0.05, -0.05, 3.0, 3.1]
    assert of_sample(values, 1).outliers == ()
    found = of_sample(values, 2)
    assert found.places == (10, 9)
    assert found.statistics[0] < found.criticals[0]


def test_outliers_are_held_against_what_is_left_in_the_end() -> None:
    values = [0.0, 0.1, -0.1, 0.2, -0.2, 0.15, -0.15, 0.05, -0.05, 3.0, 3.1]
    first, second = of_sample(values, 2).outliers
    error = np.std(values[:9], ddof=1) * np.sqrt(1 + 1 / 9)
    assert first.statistic == pytest.approx(3.1 / error, rel=1e-12)
    assert second.statistic == pytest.approx(3.0 / error, rel=1e-12)
    # Ten values are left when the second is tested, at 10/50 of the risk.
    critical = deleted_critical(10, 8, 0.05 * 10 / 50)
    assert (first.critical, second.critical) == pytest.approx((critical, critical), rel=1e-12)


class Swamped:
    """Three candidates, of which the first does not stand apart from what is left in the end."""

    dof = 60

    def __init__(self) -> None:
        self.stages = [
            (4, 3.0, 59.0, 0.004),
            (7, 3.1, 58.0, 0.003),
            (2, 9.0, 57.0, 1e-9),
            (1, 0.5, 56.0, 0.6),
            (0, 0.1, 55.0, 0.9),
        ]
        self.held: list[tuple[tuple[int, ...], int]] = []

    def tested(self) -> int:
        return 56 + len(self.stages)

    def take_out(self) -> tuple[int, float, float, float]:
        return self.stages.pop(0)

    def hold(self, kept: np.ndarray, place: int) -> tuple[float, float]:
        self.held.append((tuple(np.flatnonzero(~kept).tolist()), place))
        return {4: 3.5, 7: 8.0, 2: 9.0}[place], 57.0


def test_an_innocent_value_taken_out_before_a_hidden_one_is_no_outlier() -> None:
    model = Swamped()
    found = find_outliers(model, 61, 3, 0.05)
    assert (found.candidates, found.places) == ((4, 7, 2), (7, 2))
    assert model.held == [((2, 4, 7), 4), ((2, 4, 7), 7), ((2, 4, 7), 2)]
    assert [one.critical for one in found.outliers] == [deleted_critical(59, 57.0, 0.05)] * 2


# 61 * 0.004 = 0.244, 60 * 0.003 = 0.18, 58 * 0.6 = 34.8.
@pytest.mark.parametrize(
    ("until", "candidates"), [(np.inf, 5), (34.9, 5), (34.7, 4), (1.0, 4), (0.245, 4), (0.243, 1)]
)
def test_it_stops_when_so_many_values_as_extreme_are_to_be_expected(until: float, candidates: int) -> None:
    assert len(find_outliers(Swamped(), 61, 5, 0.05, until).candidates) == candidates


def test_equal_values_hold_no_outlier() -> None:
    found = of_sample([0.0] * 7, 1)
    assert (found.statistics, found.outliers) == ((0.0,), ())


def test_one_value_off_equal_ones_is_an_outlier_of_finite_statistic() -> None:
    found = of_sample([0.0, 0.0, 0.0, 0.0, 0.0, 3.0], 1)
    assert (found.candidates, found.places) == ((5,), (5,))
    assert found.statistics[0] == pytest.approx(1e9, rel=1e-6)


def test_ten_metres_of_offset_change_no_decision() -> None:
    values = np.random.default_rng(90).normal(0.0, 1e-4, 20)
    values[3] += 1e-3
    near, far = of_sample(values, 2), of_sample(1e4 + values, 2)
    assert far.candidates == near.candidates
    assert far.statistics == pytest.approx(near.statistics, rel=1e-6)


@pytest.mark.parametrize(("n", "candidates"), [(2, 0), (3, 1), (4, 2), (5, 3)])
def test_candidates_are_taken_out_while_two_degrees_of_freedom_are_left(n: int, candidates: int) -> None:
    assert len(of_sample(np.arange(n) ** 2.0, 3).candidates) == candidates


@pytest.mark.parametrize(
    ("rows", "most", "words"),
    [(4, 0, "0 outlier.* among 4 values with 4 rows"), (5, 1, "1 outlier.* among 4 values with 5 rows")],
)
def test_what_can_not_be_looked_for_is_refused(rows: int, most: int, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        extreme_residuals(np.arange(4.0), np.ones((rows, 1)), most, 0.05)


# ---- values that can't be told apart


def test_a_value_that_the_model_fits_by_itself_is_not_tested() -> None:
    values = np.array([0.0, 1.0, -1.0, 1.0, -1.0, 50.0])
    design = np.column_stack([np.ones(6), np.arange(6) == 5])
    found = extreme_residuals(values, design, 1, 0.05)
    assert found.candidates != (5,)
    assert found.criticals == pytest.approx([deleted_critical(5, 3, 0.05)], rel=1e-12)


def test_two_values_that_share_their_fit_are_not_tested() -> None:
    # A mean of their own: what lifts one residual lowers the other.
    values = np.array([0.0, 1.0, -1.0, 1.0, -1.0, 50.0, 0.0])
    own = np.arange(7) >= 5
    found = extreme_residuals(values, np.column_stack([~own, own]), 1, 0.05)
    assert found.candidates == (1,)
    assert found.criticals == pytest.approx([deleted_critical(5, 4, 0.05)], rel=1e-12)


def closest_correlation(design: np.ndarray) -> float:
    projection = np.eye(len(design)) - design @ np.linalg.pinv(design)
    root = np.sqrt(np.diag(projection))
    return float(np.abs(projection / np.outer(root, root))[-1, -2])


@pytest.mark.parametrize(("lever", "tested"), [(60.0, 6), (25.0, 8)])
def test_values_are_tested_while_their_residuals_correlate_less_than_0_99(lever: float, tested: int) -> None:
    # A straight line through six values near 0 and two far ones.
    design = np.column_stack([np.ones(8), [-2.0, -1.0, 0.0, 0.0, 1.0, 2.0, lever, lever]])
    assert (closest_correlation(design) < 0.99) is (tested == 8)
    found = extreme_residuals(np.array([1.0, -1, 1, -1, 1, -1, 3, 0]), design, 1, 0.05)
    assert found.criticals == pytest.approx([deleted_critical(tested, 5, 0.05)], rel=1e-12)


def test_opposite_ones_of_eight_directions_about_three_lobes_are_not_tested() -> None:
    azimuth = np.deg2rad(even_azimuths(8))
    design = np.column_stack(
        [np.ones(8), *(f(order * azimuth) for order in (1, 3) for f in (np.cos, np.sin))]
    )
    assert extreme_residuals(np.arange(8) ** 2.0, design, 1, 0.01) == EsdResult((), (), (), ())


# ---- oracles


@pytest.mark.parametrize("seed", range(4))
def test_statistics_are_the_deleted_residuals_of_another_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    design, values = np.column_stack([np.ones(15), rng.normal(size=(15, 2))]), rng.normal(size=15)
    found = extreme_residuals(values, design, 3, 0.05)
    kept = np.arange(15)
    for candidate, statistic in zip(found.candidates, found.statistics, strict=True):
        theirs = np.abs(OLSInfluence(sm.OLS(values[kept], design[kept]).fit()).resid_studentized_external)
        assert candidate == kept[theirs.argmax()]
        assert statistic == pytest.approx(theirs.max(), rel=1e-9)
        kept = kept[kept != candidate]
    assert len(kept) == 12


def test_an_outlier_is_held_against_the_fit_to_the_others_as_another_library_foretells_it() -> None:
    rng = np.random.default_rng(93)
    design, values = np.column_stack([np.ones(15), rng.normal(size=(15, 2))]), rng.normal(size=15)
    values[[3, 8]] += 30.0
    found = extreme_residuals(values, design, 2, 0.05)
    assert sorted(found.places) == [3, 8]
    kept = np.delete(np.arange(15), [3, 8])
    fit = sm.OLS(values[kept], design[kept]).fit()
    for outlier in found.outliers:
        foretold = fit.get_prediction(design[[outlier.place]])
        distance = abs(values[outlier.place] - foretold.predicted_mean[0]) / foretold.se_obs[0]
        assert outlier.statistic == pytest.approx(distance, rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_outliers_of_a_sample_are_those_of_another_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=60)
    values[: seed % 4] += rng.choice([-8.0, 8.0], seed % 4)
    theirs = scikit_posthocs.outliers_gesd(values, outliers=5, hypo=True, alpha=0.05)
    found = of_sample(values, 5)
    assert sorted(found.places) == np.flatnonzero(theirs).tolist()


def test_with_one_candidate_it_is_the_two_sided_grubbs_test_of_another_library() -> None:
    rng = np.random.default_rng(91)
    agreed = []
    for _ in range(60):
        values = rng.normal(size=8)
        values[0] += rng.choice([0.0, 4.0])
        theirs = scikit_posthocs.outliers_grubbs(values, hypo=True, alpha=0.05)
        agreed.append(bool(theirs) == (of_sample(values, 1).outliers != ()))
    assert all(agreed)


def test_a_deviate_by_hand_is_the_statistic_in_other_units() -> None:
    # Mean 1, sd 2: the 5 lies 2 sd off, and by the critical value of Grubbs' table 2.507 at 5 %.
    values = np.array([0.9, 1.1, -1.0, -1.0, 1.0, 1.0, 1.0, 5.0])
    deviate = (5 - values.mean()) / values.std(ddof=1)
    assert as_deviate(of_sample(values, 1).statistics[0], 8) == pytest.approx(deviate, rel=1e-12)


# ---- simulation


# Measured with 100 000 samples each: 5.2 % of 12, 5.2 % of 25.
@pytest.mark.parametrize("n", [12, 25])
def test_a_normal_sample_has_a_false_alarm_as_rarely_as_stated(n: int) -> None:
    rng, runs = np.random.default_rng(92), 1000
    false = sum(of_sample(one.normal(size=n), most_outliers(n)).outliers != () for one in repeated(rng, runs))
    assert_share(false, runs, 0.052)
