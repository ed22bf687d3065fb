"""Sanity checks against what the trade says: common practice, no source. They prove no digit."""

from __future__ import annotations

import numpy as np
import pytest
from reference_values import VALUES

from probetest.statistics.seat import seat_shape
from probetest.statistics.variation import pretravel_variation

LOW_COST = VALUES["trade_low_cost_probe"]


def stylus_bending(
    spring_n: float, seat_mm: float, length_mm: float, diameter_mm: float, steel_mpa: float
) -> float:
    """Least pre-travel of a three-arm seat, F R L**2 / (6 E I), mm."""
    inertia = np.pi * diameter_mm**4 / 64
    return float(spring_n * seat_mm * length_mm**2 / (6 * steel_mpa * inertia))


def test_a_slender_steel_stylus_explains_the_pretravel_of_a_low_cost_probe() -> None:
    # 3 N, 7.5 mm, 50 mm of steel 2 mm thick: assumed, but of the size that is sold.
    least = stylus_bending(3.0, 7.5, 50.0, 2.0, 200e3)
    curve = least * seat_shape(np.arange(0.0, 360.0, 0.1))
    assert curve.min() == pytest.approx(LOW_COST["least_mm"], abs=0.011)
    assert curve.max() == pytest.approx(LOW_COST["greatest_mm"], abs=0.011)
    assert np.ptp(curve) == pytest.approx(LOW_COST["variation_mm"], abs=0.002)


def test_a_test_of_24_directions_finds_the_variation_of_a_low_cost_probe() -> None:
    azimuths = np.arange(24) * 15.0 + 4.0
    scatter = np.random.default_rng(5).normal(0.0, 0.002 / np.sqrt(10), 24)
    means = LOW_COST["variation_mm"] * seat_shape(azimuths) + scatter
    found = pretravel_variation(means, azimuths, np.full(24, 10), 0.002, 216)
    assert 0.75 * LOW_COST["variation_mm"] < found.variation_mm < LOW_COST["variation_mm"]


def test_opposite_touches_centre_a_block_although_a_single_edge_is_far_off() -> None:
    # With an arm square to the axis the two touches see the same pre-travel.
    ahead, back = LOW_COST["variation_mm"] * seat_shape([0.0, 180.0], 90.0)
    assert abs(ahead - back) / 2 < VALUES["trade_centring"]["centre_mm"]
    assert ahead > 10 * VALUES["trade_centring"]["centre_mm"]


def test_opposite_touches_do_not_centre_it_with_an_arm_along_the_axis() -> None:
    # The third harmonic does not cancel: turning the probe shows it.
    ahead, back = LOW_COST["variation_mm"] * seat_shape([0.0, 180.0], 0.0)
    assert abs(ahead - back) / 2 == pytest.approx(LOW_COST["variation_mm"] / 2, rel=1e-9)


def test_touching_with_the_same_side_of_the_probe_centres_it_always() -> None:
    # The spindle is turned half round between the touches, and the arms with it.
    ahead = seat_shape([0.0], 37.0)
    back = seat_shape([180.0], 37.0 + 180.0)
    assert ahead == pytest.approx(back, rel=1e-12)
