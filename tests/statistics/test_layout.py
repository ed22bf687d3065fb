"""Touches that stand apart: by hand, against regression diagnostics, and where scatter differs."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from simulated import assert_share_at_most, block_by_block, round_robin
from statsmodels.stats.outliers_influence import OLSInfluence

from probetest.statistics.esd import EsdResult, deleted_critical, extreme_residuals
from probetest.statistics.layout import OWN_RISK, extreme_touches
from probetest.statistics.moderation import find_prior


def squares_of(reading: np.ndarray, direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    groups = [reading[direction == label] for label in np.unique(direction)]
    return np.array([((g - g.mean()) ** 2).sum() for g in groups]), np.array([len(g) - 1.0 for g in groups])


def contrast(reading: np.ndarray, direction: np.ndarray, touch: int) -> float:
    """Deviation of a touch in sd of one touch: from the mean with it, over the root of 1 - 1/n."""
    own = reading[direction == direction[touch]]
    return float(abs(reading[touch] - own.mean()) / np.sqrt(1 - 1 / len(own)))


# ---- alike directions


def test_first_statistic_by_hand() -> None:
    # Pooled without the 4: (4 + 2 + 2) / (3 + 2 + 2); the 4 lies 4 from the mean 0 of four others.
    reading = [-1.0, 1.0, -1.0, 4.0, 1.0, 9.0, 10.0, 11.0, 3.0, 2.0, 1.0]
    found = extreme_touches(reading, [0, 0, 0, 0, 0, 1, 1, 1, 2, 2, 2], 1, 0.05)
    assert found.candidates == (3,)
    assert found.statistics[0] == pytest.approx(4 / np.sqrt(8 / 7 * 5 / 4), rel=1e-12)
    assert found.criticals[0] == pytest.approx(deleted_critical(11, 7, 0.05), rel=1e-12)
    assert found.outliers == ()


def test_second_critical_value_is_of_the_touches_left_at_a_smaller_risk() -> None:
    reading = np.random.default_rng(110).normal(size=24)
    reading[[4, 15]] += 50.0
    found = extreme_touches(reading, block_by_block(8, 3), 2, 0.05)
    # After the first is gone its direction holds two touches, which are not tested; 16 of 50 dof.
    assert found.criticals[1] == pytest.approx(deleted_critical(21, 14, 0.05 * 16 / 50), rel=1e-12)
    assert sorted(found.candidates) == [4, 15]
    assert len(found.outliers) == 2


@pytest.mark.parametrize("seed", [2, 3, 4, 5])
def test_statistics_are_the_deleted_residuals_of_a_regression_on_directions(seed: int) -> None:
    rng = np.random.default_rng(seed)
    direction = np.repeat(np.arange(6), [3, 9, 4, 5, 7, 3])
    reading = rng.normal(size=31) + direction
    reading[[4, 17]] += 5.0
    found = extreme_touches(reading, direction, 2, 0.05)
    kept = np.arange(31)
    for candidate, statistic in zip(found.candidates, found.statistics, strict=True):
        left = kept[kept != candidate]
        assert np.isinf(find_prior(*squares_of(reading[left], direction[left])).dof)
        design = np.eye(6)[direction[kept]]
        theirs = np.abs(OLSInfluence(sm.OLS(reading[kept], design).fit()).resid_studentized_external)
        assert (candidate, statistic) == (kept[theirs.argmax()], pytest.approx(theirs.max(), rel=1e-9))
        kept = left
    assert len(kept) == 29


def test_one_direction_alone_is_the_generalised_esd_test_of_a_sample() -> None:
    values = np.random.default_rng(111).normal(size=30)
    values[[4, 9]] += 6.0
    found = extreme_touches(values, np.zeros(30, dtype=int), 3, 0.05)
    expected = extreme_residuals(values, np.ones((30, 1)), 3, 0.05)
    assert (found.candidates, found.places) == (expected.candidates, (4, 9))
    assert found.statistics == pytest.approx(expected.statistics, rel=1e-12)
    assert found.criticals == pytest.approx(expected.criticals, rel=1e-12)
    assert [one.statistic for one in found.outliers] == pytest.approx(
        [one.statistic for one in expected.outliers], rel=1e-12
    )


def test_neither_order_nor_labels_nor_offsets_matter() -> None:
    rng = np.random.default_rng(112)
    direction = round_robin(8, 5)
    reading = rng.normal(size=40)
    reading[[3, 17]] -= 9.0
    shuffle = rng.permutation(40)
    found = extreme_touches(reading, direction, 4, 0.01)
    other = extreme_touches((reading + 7 * direction)[shuffle], 5 * direction[shuffle] - 3, 4, 0.01)
    assert tuple(shuffle[list(other.candidates)]) == found.candidates
    assert other.statistics == pytest.approx(found.statistics, rel=1e-9)
    assert len(found.outliers) == 2


@pytest.mark.parametrize(
    ("touches", "planted"),
    [(10, [7, 8]), (10, [0, 1, 2]), (10, [0, 1, 2, 3]), (5, [1, 3]), (10, [3, 45]), (25, [0, 1, 2, 3, 4])],
    ids=["two of ten", "three of ten", "four of ten", "two of five", "in two directions", "five of 25"],
)
def test_bad_touches_do_not_hide_each_other(touches: int, planted: list[int]) -> None:
    reading = np.random.default_rng(113).normal(size=24 * touches)
    reading[planted] += 12.0
    found = extreme_touches(reading, block_by_block(24, touches), 10, 0.01)
    assert sorted(found.places) == planted


def test_of_five_bad_touches_in_as_many_directions_the_first_alone_would_not_be_found() -> None:
    reading = np.random.default_rng(119).normal(size=120)
    planted = [0, 5, 10, 15, 20]
    reading[planted] += 8.0
    direction = block_by_block(24, 5)
    assert extreme_touches(reading, direction, 1, 0.01).outliers == ()
    assert sorted(extreme_touches(reading, direction, 10, 0.01).places) == planted


@pytest.mark.parametrize(("touches", "most"), [(3, 1), (4, 1), (5, 2), (9, 4), (10, 4)])
def test_more_than_half_of_the_touches_of_a_direction_are_kept(touches: int, most: int) -> None:
    reading = 1000.0 ** np.arange(touches)
    found = extreme_touches(reading, np.zeros(touches, dtype=int), 9, 0.01)
    assert found.candidates == tuple(range(touches - 1, touches - 1 - most, -1))


def test_outliers_are_held_against_the_touches_that_are_kept() -> None:
    reading = np.random.default_rng(2).normal(size=120)
    reading[[4, 46]] += 15.0
    direction = block_by_block(24, 5)
    found = extreme_touches(reading, direction, 5, 0.01)
    kept = np.delete(np.arange(120), [4, 46])
    squares, dof = squares_of(reading[kept], direction[kept])
    assert np.isinf(find_prior(squares, dof).dof)
    scatter = np.sqrt(squares.sum() / dof.sum())
    assert sorted(found.places) == [4, 46]
    for outlier in found.outliers:
        own = reading[kept][direction[kept] == direction[outlier.place]]
        distance = (reading[outlier.place] - own.mean()) / np.sqrt(1 + 1 / 4) / scatter
        assert outlier.statistic == pytest.approx(distance, rel=1e-9)
        # 120 and 95 less one each are left when the second is taken out.
        assert outlier.critical == pytest.approx(deleted_critical(119, 94, 0.01), rel=1e-12)


# ---- what is not tested


@pytest.mark.parametrize("touches", [1, 2])
def test_directions_of_one_or_two_touches_are_not_tested(touches: int) -> None:
    reading = np.zeros(24 * touches)
    reading[7] = 1e6
    assert extreme_touches(reading, block_by_block(24, touches), 5, 0.01) == EsdResult((), (), (), ())


def test_no_touch_is_no_candidate() -> None:
    assert extreme_touches([], [], 5, 0.01) == EsdResult((), (), (), ())


def test_two_touches_show_the_scatter_but_are_not_candidates() -> None:
    reading = np.r_[np.tile([-1.0, 1.0, 0.0], 3), 0.0, 60.0]
    direction = np.r_[np.repeat([0, 1, 2], 3), 3, 3]
    found = extreme_touches(reading, direction, 1, 0.05, floor_mm=100.0)
    assert found.candidates[0] < 9
    assert found.criticals[0] == pytest.approx(deleted_critical(9, 6, 0.05), rel=1e-12)


def test_a_direction_is_done_when_two_touches_are_left() -> None:
    reading = np.array([0.0, 100.0, 1000.0] + [0.0, 1.0, -1.0, 0.5] * 6)
    found = extreme_touches(reading, np.r_[0, 0, 0, np.repeat(np.arange(1, 7), 4)], 3, 0.05)
    assert found.candidates[0] == 2
    assert 0 not in found.candidates[1:]
    assert 1 not in found.candidates[1:]


def test_it_stops_when_nothing_stands_out() -> None:
    reading = np.tile([-1.0, 1.0, -1.0, 1.0, 0.0], 12)
    found = extreme_touches(reading, block_by_block(12, 5), 6, 0.01)
    assert len(found.candidates) == 1
    assert 2 * 60 * stats.t.sf(found.statistics[0], 47) > 1


def test_it_goes_on_while_less_than_one_touch_so_far_off_is_to_be_expected() -> None:
    reading = np.random.default_rng(115).normal(size=240)
    reading[[5, 25, 45]] += 12.0
    found = extreme_touches(reading, block_by_block(24, 10), 10, 0.01)
    expected = [
        2 * (240 - rank) * stats.t.sf(statistic, 215 - rank)
        for rank, statistic in enumerate(found.statistics)
    ]
    assert all(number <= 1 for number in expected[:-1])
    assert expected[-1] > 1
    assert 4 <= len(found.candidates) < 10


def test_no_scatter_at_all_has_no_outlier() -> None:
    found = extreme_touches(np.repeat([1.0, 2.0, 3.0], 5), block_by_block(3, 5), 1, 0.01)
    assert (found.statistics, found.outliers) == ((0.0,), ())


def test_one_touch_off_equal_ones_has_a_finite_statistic() -> None:
    reading = np.zeros(15)
    reading[4] = 1.0
    found = extreme_touches(reading, block_by_block(3, 5), 1, 0.01)
    assert (found.candidates, found.places) == ((4,), (4,))
    assert found.statistics[0] == pytest.approx(1e9, rel=1e-6)


def test_scatter_is_no_less_than_the_floor() -> None:
    reading = np.zeros(15)
    reading[4] = 1.0
    found = extreme_touches(reading, block_by_block(3, 5), 1, 0.01, floor_mm=0.25)
    assert found.statistics[0] == pytest.approx(0.8 / np.sqrt(0.8) / 0.25, rel=1e-9)


def test_a_floor_below_the_scatter_changes_nothing_where_directions_are_alike() -> None:
    reading = np.random.default_rng(2).normal(size=60)
    bare = extreme_touches(reading, block_by_block(12, 5), 3, 0.05)
    floored = extreme_touches(reading, block_by_block(12, 5), 3, 0.05, floor_mm=0.2)
    assert floored.candidates == bare.candidates
    assert floored.statistics == pytest.approx(bare.statistics, rel=1e-9)


def test_ten_metres_of_offset_change_no_decision() -> None:
    reading = np.random.default_rng(116).normal(0.0, 1e-4, 120)
    reading[7] += 1e-3
    near = extreme_touches(reading, block_by_block(24, 5), 2, 0.01)
    far = extreme_touches(1e4 + reading, block_by_block(24, 5), 2, 0.01)
    assert (far.candidates, far.places) == (near.candidates, (7,))
    assert far.statistics == pytest.approx(near.statistics, rel=1e-6)


# ---- unequal directions


def unequal_test(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """24 directions of 10, every other one with three times the scatter; a far touch in each kind."""
    direction = block_by_block(24, 10)
    scatter = np.where(np.arange(24) % 2, 3.0, 1.0)
    return np.random.default_rng(seed).normal(size=240) * scatter[direction], direction


def test_unequal_directions_have_their_moderated_scatter_by_hand() -> None:
    reading, direction = unequal_test(117)
    reading[3] += 12.0
    found = extreme_touches(reading, direction, 1, 0.01)
    left = np.delete(np.arange(240), 3)
    prior = find_prior(*squares_of(reading[left], direction[left]))
    own = squares_of(reading[left], direction[left])[0][0]
    assert np.isfinite(prior.dof)
    scatter = np.sqrt((prior.dof * prior.variance + own) / (prior.dof + 8))
    assert found.candidates == (3,)
    assert found.statistics[0] == pytest.approx(contrast(reading, direction, 3) / scatter, rel=1e-9)
    assert found.criticals[0] == pytest.approx(deleted_critical(240, prior.dof + 8, 0.01), rel=1e-12)
    assert found.places == (3,)


NOISY = np.array([-3.0, 3.0, -3.0, 3.0, -3.0, 3.0, -3.0, 3.0, 0.0, 9.0])


def with_a_noisy_direction() -> tuple[np.ndarray, np.ndarray]:
    """24 directions of 10, of which the first scatters three times as much as the others."""
    reading = np.random.default_rng(11).normal(size=240)
    reading[:10] = NOISY
    return reading, block_by_block(24, 10)


def test_a_noisier_direction_is_held_against_the_lower_bound_of_its_own_scatter() -> None:
    reading, direction = with_a_noisy_direction()
    found = extreme_touches(reading, direction, 1, 0.01)
    left = np.delete(np.arange(240), 9)
    prior = find_prior(*squares_of(reading[left], direction[left]))
    bound = 72 / 8 / stats.f.isf(OWN_RISK, 8, prior.dof)
    moderated = (prior.dof * prior.variance + 72) / (prior.dof + 8)
    assert found.candidates == (9,)
    assert np.isfinite(prior.dof)
    assert found.statistics[0] == pytest.approx(
        contrast(reading, direction, 9) / np.sqrt(max(bound, moderated)), rel=1e-9
    )


def test_the_lower_bound_counts_where_the_others_scatter_alike() -> None:
    # Not enough in one direction of 24 to call them unequal.
    reading = np.random.default_rng(12).normal(size=240)
    reading[:10] = NOISY * 0.55
    direction = block_by_block(24, 10)
    found = extreme_touches(reading, direction, 1, 0.01)
    left = np.delete(np.arange(240), 9)
    squares, dof = squares_of(reading[left], direction[left])
    assert np.isinf(find_prior(squares, dof).dof)
    bound = squares[0] / 8 / stats.f.isf(OWN_RISK, 8, dof.sum() - 8)
    assert bound > squares.sum() / dof.sum()
    assert found.candidates == (9,)
    assert found.statistics[0] == pytest.approx(contrast(reading, direction, 9) / np.sqrt(bound), rel=1e-9)


def test_the_lower_bound_of_three_touches_has_one_degree_of_freedom() -> None:
    reading, direction = np.random.default_rng(16).normal(size=72), block_by_block(24, 3)
    reading[:3] = -2.0, 2.0, 9.0
    found = extreme_touches(reading, direction, 1, 0.01)
    left = np.delete(np.arange(72), 2)
    squares, dof = squares_of(reading[left], direction[left])
    assert np.isinf(find_prior(squares, dof).dof)
    bound = 8 / stats.f.isf(OWN_RISK, 1, 46)
    assert bound > squares.sum() / 47
    assert found.candidates == (2,)
    assert found.statistics[0] == pytest.approx(9 * np.sqrt(2 / 3) / np.sqrt(bound), rel=1e-9)


def test_the_scatter_of_a_direction_is_that_of_one_cut_off_once_touches_are_gone() -> None:
    reading = np.random.default_rng(11).normal(size=240)
    reading[:10] = np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, 30.0, 31.0])
    direction = block_by_block(24, 10)
    found = extreme_touches(reading, direction, 2, 0.01)
    left = np.delete(np.arange(240), [8, 9])
    squares, dof = squares_of(reading[left], direction[left])
    assert np.isinf(find_prior(squares, dof).dof)
    # Nine of ten lie between -1.645 and 1.645.
    inner = stats.truncnorm(-stats.norm.isf(0.05), stats.norm.isf(0.05)).var()
    bound = 8 / inner / 7 / stats.f.isf(OWN_RISK, 7, dof.sum() - 7)
    variance = max(bound, squares.sum() / dof.sum())
    assert sorted(found.places) == [8, 9]
    last = min(found.outliers, key=lambda outlier: outlier.statistic)
    assert last.statistic == pytest.approx(30 / np.sqrt(1 + 1 / 8) / np.sqrt(variance), rel=1e-9)


def test_the_same_deviation_is_ordinary_in_a_noisy_direction_and_far_in_a_quiet_one() -> None:
    reading, direction = unequal_test(118)
    reading[13] += 9.0
    assert extreme_touches(reading, direction, 4, 0.01).outliers == ()
    reading[13] -= 9.0
    reading[3] += 9.0
    assert extreme_touches(reading, direction, 4, 0.01).places == (3,)


def test_unequal_scatter_brings_no_more_false_flags_than_stated() -> None:
    # Measured with 5000 tests: TODO % at 5 %; 25 % at 1 % if all were held against the pooled scatter.
    runs = 200
    false = sum(extreme_touches(*unequal_test(1000 + run), 10, 0.05).outliers != () for run in range(runs))
    assert_share_at_most(false, runs, 0.05)
