"""Cochran's test for any numbers of touches: by hand, against F quantiles, false alarms by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share

from probetest.errors import StatisticsError
from probetest.statistics.cochran import widest_share, widest_shares
from probetest.statistics.repeatability import cochran_critical


def test_share_by_hand() -> None:
    found = widest_share([1.0, 6.0, 1.0], [2, 2, 2], 0.05)
    assert (found.place, found.share) == (1, pytest.approx(0.75, rel=1e-12))


@pytest.mark.parametrize(("groups", "n"), [(2, 10), (5, 3), (24, 10)])
def test_equal_numbers_have_the_critical_value_of_the_tables(groups: int, n: int) -> None:
    found = widest_share(np.arange(1.0, groups + 1), np.full(groups, n - 1), 0.01)
    assert found.critical == pytest.approx(cochran_critical(groups, n, 0.01), rel=1e-12)


def test_unequal_numbers_have_a_critical_value_of_their_own() -> None:
    found = widest_share([40.0, 8.0, 9.0, 5.0], [4, 9, 9, 5], 0.05)
    quantile = stats.f.isf(0.05 / 4, 4, 23)
    assert (found.place, found.share) == (0, pytest.approx(40 / 62, rel=1e-12))
    assert found.critical == pytest.approx(quantile * 4 / (quantile * 4 + 23), rel=1e-12)


def test_the_least_chance_counts_and_not_the_largest_share() -> None:
    # 50 of 100 by 30 touches is ordinary, 20 by 3 is not.
    squares, dof = [30.0, 15.0, 15.0, 10.0], [29, 2, 14, 14]
    chances = [
        stats.f.sf((s / d) / ((70 - s) / (59 - d)), d, 59 - d) for s, d in zip(squares, dof, strict=True)
    ]
    assert int(np.argmin(chances)) == 1
    assert widest_share(squares, dof, 0.05).place == 1


def test_directions_without_a_degree_of_freedom_are_left_out() -> None:
    found = widest_share([9.0, 1.0, 0.0, 6.0, 1.0], [0, 2, 0, 2, 2], 0.05)
    assert (found.place, found.share) == (3, pytest.approx(0.75, rel=1e-12))
    assert found.critical == pytest.approx(cochran_critical(3, 3, 0.05), rel=1e-12)


def test_scatter_among_directions_without_any_is_the_whole() -> None:
    found = widest_share([0.0, 0.0, 3.0], [4, 4, 4], 0.05)
    assert (found.place, found.share) == (2, 1.0)


def test_others_have_no_less_than_the_least_variance() -> None:
    # 6 / 2 against 2 instead of 2 / 4: F = 1.5 of 2 and 4 degrees of freedom.
    found = widest_share([1.0, 6.0, 1.0], [2, 2, 2], 0.05, least_variance=2.0)
    assert found.share == pytest.approx(1.5 * 2 / (1.5 * 2 + 4), rel=1e-12)


@pytest.mark.parametrize(
    ("squares", "dof", "words"),
    [
        ([1.0, 2.0], [3, 0], r"1 direction\(s\) touched again show a sum of squares of 1;"),
        ([0.0, 0.0], [3, 3], r"2 direction\(s\) touched again show a sum of squares of 0;"),
        ([], [], r"0 direction\(s\)"),
    ],
    ids=["one direction", "no scatter", "none"],
)
def test_what_can_not_be_compared_is_refused(squares: list[float], dof: list[int], words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        widest_share(squares, dof, 0.05)


def test_tiny_chances_are_ranked_by_the_ratio() -> None:
    # Both chances are too small for a double.
    squares, dof = [1.0, 1.0, 1e6, 2e6], [8000, 8000, 4000, 4000]
    assert stats.f.sf(2.5, 4000, 20_000) == 0
    assert widest_share(squares, dof, 0.05).place == 3


@pytest.mark.parametrize("counts", [[3, 5, 9, 20] * 3, [3] * 12], ids=["unequal", "three each"])
def test_equal_scatter_is_beyond_as_rarely_as_stated(counts: list[int]) -> None:
    # Measured with 20 000 tests each: 1.0 % at 1 %, 5.1 % at 5 %.
    rng, runs = np.random.default_rng(108), 3000
    dof = np.array(counts) - 1
    found = [widest_share(squares, dof, 0.05) for squares in rng.chisquare(dof, (runs, 12))]
    assert_share(sum(one.share > one.critical for one in found), runs, 0.05)


# ---- several directions


def noisy(squares_of_two: tuple[float, float], directions: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """Sums of squares 4 with 4 degrees of freedom, but those of directions 2 and 7."""
    squares = np.full(directions, 4.0)
    squares[[2, 7]] = squares_of_two
    return squares, np.full(directions, 4)


def test_two_noisy_directions_do_not_hide_each_other() -> None:
    squares, dof = noisy((36.0, 35.0))
    alone = widest_share(squares, dof, 0.01)
    assert alone.share < alone.critical
    assert widest_shares(squares, dof, 1, 0.01) == ()
    assert [one.place for one in widest_shares(squares, dof, 2, 0.01)] == [2, 7]


def test_each_is_held_against_those_that_are_not_found() -> None:
    second, seventh = widest_shares(*noisy((36.0, 60.0)), 2, 0.01)
    # 40 are left; 12 directions of 4 have 48 of 50 degrees of freedom.
    critical = cochran_critical(11, 5, 0.01 * 48 / 50)
    assert (second.place, second.share) == (7, pytest.approx(60 / 100, rel=1e-12))
    assert (seventh.place, seventh.share) == (2, pytest.approx(36 / 76, rel=1e-12))
    assert (second.critical, seventh.critical) == pytest.approx((critical, critical), rel=1e-12)


def test_one_is_held_at_the_whole_risk() -> None:
    (found,) = widest_shares(*noisy((60.0, 4.0)), 2, 0.01)
    assert (found.place, found.share) == (2, pytest.approx(60 / 104, rel=1e-12))
    assert found.critical == pytest.approx(cochran_critical(12, 5, 0.01), rel=1e-12)


def test_no_more_than_asked_for_are_found() -> None:
    assert [one.place for one in widest_shares(*noisy((200.0, 60.0)), 1, 0.01)] == [2]
    assert widest_shares(*noisy((200.0, 60.0)), 0, 0.01) == ()


def test_quiet_directions_are_none() -> None:
    assert widest_shares(*noisy((4.0, 5.0)), 3, 0.05) == ()


def test_no_scatter_at_all_is_none() -> None:
    assert widest_shares(np.zeros(12), np.full(12, 4), 2, 0.05) == ()


def test_one_direction_is_none() -> None:
    assert widest_shares([5.0, 0.0], [4, 0], 2, 0.05) == ()


def test_it_ends_when_what_is_left_shows_no_scatter() -> None:
    squares = np.zeros(12)
    squares[4] = 3.0
    (found,) = widest_shares(squares, np.full(12, 4), 2, 0.05)
    assert (found.place, found.share) == (4, 1.0)


def test_two_directions_are_compared() -> None:
    assert [one.place for one in widest_shares([1.0, 500.0], [4, 4], 1, 0.05)] == [1]


def test_small_scatter_is_compared_as_large_is() -> None:
    squares, dof = noisy((36.0, 60.0))
    small = widest_shares(1e-12 * squares, dof, 2, 0.01)
    assert [one.place for one in small] == [7, 2]


@pytest.mark.parametrize(("least", "found"), [(0.0, 2), (2.4, 1), (12.0, 0)])
def test_others_of_all_have_no_less_than_the_least_variance(least: float, found: int) -> None:
    assert len(widest_shares(*noisy((36.0, 60.0)), 2, 0.01, least_variance=least)) == found


def test_directions_touched_twice_count() -> None:
    squares = np.r_[np.full(11, 1.0), 400.0]
    assert [one.place for one in widest_shares(squares, np.full(12, 1), 1, 0.01)] == [11]


def test_a_wide_share_of_many_touches_does_not_take_the_place_of_a_noisy_direction() -> None:
    # The 7 is taken out second; held against the others it is ordinary.
    squares, dof = [4.0] * 10 + [300.0, 15.0], [4] * 10 + [4, 12]
    assert [one.place for one in widest_shares(squares, dof, 2, 0.01)] == [10]
