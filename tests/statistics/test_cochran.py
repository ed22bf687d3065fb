"""Cochran's test for any numbers of touches: by hand, against F quantiles, false alarms by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import assert_share

from probetest.errors import StatisticsError
from probetest.statistics.cochran import widest_share
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
