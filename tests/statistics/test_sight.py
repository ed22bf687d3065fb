"""What a set of directions can show of a three-lobed curve."""

from __future__ import annotations

import numpy as np
import pytest

from probetest.statistics.seat import seat_shape
from probetest.statistics.sight import TURN_MEAN, mean_error_share, seen_share


def even(directions: int) -> np.ndarray:
    return np.arange(directions) * 360.0 / directions


def brute_force_share(azimuths: np.ndarray) -> float:
    """The same by lstsq for each of many arm azimuths, off the grid that the function uses."""
    angle = np.deg2rad(azimuths)
    design = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    shares = []
    for arm in np.arange(0.25, 120.0, 0.5):
        shape = seat_shape(azimuths, arm)
        shares.append(np.ptp(shape - design @ np.linalg.lstsq(design, shape, rcond=None)[0]))
    return float(min(shares))


@pytest.mark.parametrize("directions", [5, 8, 9, 12, 16, 24, 25, 36])
def test_share_agrees_with_brute_force(directions: int) -> None:
    assert seen_share(even(directions)) == pytest.approx(brute_force_share(even(directions)), abs=0.02)


def test_turning_all_directions_changes_nothing() -> None:
    # Also not where the arms that hide most come to lie at 0.
    arc = np.array([0.0, 13.0, 31.0, 52.0, 78.0, 99.0, 131.0, 160.0, 171.0, 200.0])
    turned = [seen_share(arc + turn) for turn in np.arange(0.0, 120.0, 0.5)]
    assert turned == pytest.approx(np.full(240, seen_share(arc)), abs=1e-9)


def test_share_of_an_arc_agrees_with_brute_force() -> None:
    arc = np.linspace(0, 200, 17)
    assert seen_share(arc) == pytest.approx(brute_force_share(arc), abs=0.02)


@pytest.mark.parametrize("directions", [3, 4, 6])
def test_directions_that_can_hide_lobing_altogether(directions: int) -> None:
    assert seen_share(even(directions)) < 1e-9


def test_numbers_that_three_divides_show_less_than_their_neighbours() -> None:
    for directions in (9, 12, 15, 18, 24):
        assert seen_share(even(directions)) < seen_share(even(directions + 1))


def test_many_directions_show_nearly_all() -> None:
    assert seen_share(even(720)) > 0.98


def test_mean_over_a_turn_is_the_closed_form() -> None:
    # (3 / pi) ln(2 + sqrt 3) = 1.2576, the mean of 1 / max cos over a turn.
    assert pytest.approx(float(seat_shape(even(36_000)).mean()), rel=1e-6) == TURN_MEAN


def test_even_spread_folds_little_lobing_into_the_mean_and_an_arc_much() -> None:
    assert mean_error_share(even(24)) < 0.03
    assert mean_error_share(np.linspace(0, 180, 24)) > 0.1
