"""Variation: known answers, the range without scatter, bias and coverage by simulation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
import statsmodels.api as sm
from simulated import (
    assert_share,
    assert_share_at_least,
    assert_share_at_most,
    even_azimuths,
    repeated,
    simulated_means,
    without_centre,
)

from probetest.errors import StatisticsError
from probetest.statistics.lobing import harmonic_design
from probetest.statistics.seat import seat_shape
from probetest.statistics.variation import pretravel_variation

UNEVEN = np.array([0, 10, 25, 50, 70, 95, 130, 150, 170, 200, 215, 240, 275, 290, 310, 345], dtype=float)


def wave(azimuth_deg: np.ndarray, order: int, amplitude_mm: float, phase_deg: float) -> np.ndarray:
    return amplitude_mm * np.cos(order * np.deg2rad(azimuth_deg - phase_deg))


# ---- variation: known answers


def test_variation_without_scatter_is_the_range_of_the_means() -> None:
    azimuths = even_azimuths(24)
    found = pretravel_variation(wave(azimuths, 3, 0.005, 0.0), azimuths, np.full(24, 10), 0.0, 216)
    assert (found.variation_mm, found.raw_mm) == pytest.approx((0.010, 0.010), rel=1e-12)
    assert (found.interval_mm.lower, found.interval_mm.upper) == pytest.approx((0.010, 0.010), rel=1e-12)


def test_variation_is_that_of_the_seat_when_scatter_is_small() -> None:
    azimuths = even_azimuths(12)
    found = pretravel_variation(0.010 * seat_shape(azimuths), azimuths, np.full(12, 10), 1e-6, 108)
    assert found.variation_mm == pytest.approx(0.010, abs=1e-6)
    assert found.interval_mm.half_width < 2e-6


def test_constant_and_centre_are_no_variation() -> None:
    azimuths = even_azimuths(24)
    found = pretravel_variation(1e4 + wave(azimuths, 1, 0.5, 20.0), azimuths, np.full(24, 10), 1e-6, 216)
    assert found.raw_mm < 1e-11
    assert found.variation_mm < 1e-6


def test_equal_means_without_scatter_vary_by_nothing() -> None:
    found = pretravel_variation(np.full(8, 0.1), even_azimuths(8), np.full(8, 5), 0.0, 32)
    assert (found.variation_mm, found.raw_mm, found.interval_mm.upper) == (0.0, 0.0, 0.0)


def test_variation_scales_with_the_unit() -> None:
    rng = np.random.default_rng(56)
    azimuths = even_azimuths(12)
    means = wave(azimuths, 3, 2.0, 5.0) + rng.normal(size=12)
    one = pretravel_variation(means, azimuths, np.full(12, 5), 1.0, 48)
    thousand = pretravel_variation(1000 * means, azimuths, np.full(12, 5), 1000.0, 48)
    assert thousand.variation_mm == pytest.approx(1000 * one.variation_mm, rel=1e-9)
    assert thousand.interval_mm.upper == pytest.approx(1000 * one.interval_mm.upper, rel=1e-9)


def test_latest_and_earliest_azimuths_are_named() -> None:
    azimuths = even_azimuths(12)
    curve = np.zeros(12)
    curve[4], curve[9] = 1.0, -1.0
    found = pretravel_variation(curve, azimuths, np.full(12, 5), 0.01, 48)
    assert (found.latest_deg, found.earliest_deg, found.directions) == (120.0, 270.0, 12)


def test_variation_and_interval_are_in_order() -> None:
    azimuths = even_azimuths(24)
    means = wave(azimuths, 3, 1.0, 5.0) + 0.3 * np.random.default_rng(57).normal(size=24)
    found = pretravel_variation(means, azimuths, np.full(24, 10), 1.0, 216)
    assert found.interval_mm.lower <= found.variation_mm <= found.interval_mm.upper
    assert found.variation_mm < found.raw_mm


def test_a_wider_level_gives_a_wider_interval() -> None:
    azimuths = even_azimuths(12)
    means = wave(azimuths, 3, 2.0, 5.0) + np.random.default_rng(58).normal(size=12) / 3
    narrow, wide = (
        pretravel_variation(means, azimuths, np.full(12, 10), 1.0, 108, level).interval_mm
        for level in (0.8, 0.99)
    )
    assert wide.lower < narrow.lower < narrow.upper < wide.upper


def test_the_same_log_gives_the_same_interval() -> None:
    azimuths = even_azimuths(8)
    arguments = (np.arange(8.0) % 3, azimuths, np.full(8, 5), 0.5, 32)
    assert pretravel_variation(*arguments) == pretravel_variation(*arguments)


def test_unequal_counts_and_uneven_azimuths_without_scatter_give_the_range() -> None:
    counts = np.random.default_rng(59).integers(2, 12, len(UNEVEN))
    curve = wave(UNEVEN, 3, 1.0, 0.0)
    found = pretravel_variation(curve, UNEVEN, counts, 1e-9, int((counts - 1).sum()))
    design = harmonic_design(UNEVEN, 1)
    centred = curve - design @ sm.WLS(curve, design, weights=counts).fit().params
    assert found.raw_mm == pytest.approx(np.ptp(centred), rel=1e-9)
    assert found.variation_mm == pytest.approx(np.ptp(centred), rel=1e-6)


def test_four_directions_have_no_variation_of_their_own() -> None:
    with pytest.raises(StatisticsError, match="at least 5 directions, but got 4"):
        pretravel_variation(np.zeros(4), even_azimuths(4), np.full(4, 5), 1.0, 16)


# ---- variation: simulation


def seat_curve(rng: np.random.Generator, azimuth_deg: np.ndarray, variation: float) -> np.ndarray:
    curve = without_centre(seat_shape(azimuth_deg, rng.uniform(0, 120)), azimuth_deg)
    return variation * curve / np.ptp(curve)


RUNS = {12: 48, 24: 40, 36: 16}
"""Simulated tests by number of directions."""


@dataclass(frozen=True)
class Simulated:
    """Errors of the variation, and of the raw range, in standard errors of a direction mean."""

    error: np.ndarray
    raw_error: np.ndarray
    covered: int


@cache
def simulate_variation(truth: float, directions: int) -> Simulated:
    """Tests of a seat with this true variation (in sd of a touch), half with 5, half with 10 touches."""
    errors, raw, covered = [], [], 0
    seeded = np.random.default_rng([60, int(truth), directions])
    for run, rng in enumerate(repeated(seeded, RUNS[directions])):
        touches = (5, 10)[run % 2]
        azimuths = even_azimuths(directions, 3.0)
        data = simulated_means(rng, seat_curve(rng, azimuths, truth), azimuths, touches)
        found = pretravel_variation(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof)
        errors.append((found.variation_mm - truth) * np.sqrt(touches))
        raw.append((found.raw_mm - truth) * np.sqrt(touches))
        covered += truth in found.interval_mm
    return Simulated(np.array(errors), np.array(raw), covered)


# Measured with 300 tests each, in standard errors of a direction mean: bias 0.8 to 0.9 without any
# variation (a size can't be negative), 0.2 to 0.3 at 1, 3, 10 and 40 sd; the raw range has 2.8 to
# 3.7 and 1.5 to 2.5. The error of a simulated mean is 0.17 (12), 0.17 (24), 0.27 (36 directions).
@pytest.mark.parametrize("directions", [12, 24, 36])
@pytest.mark.parametrize(("truth", "most"), [(0.0, 1.5), (1.0, 0.9), (3.0, 0.9), (10.0, 0.9)])
def test_variation_is_little_biased(truth: float, most: float, directions: int) -> None:
    found = simulate_variation(truth, directions)
    assert -0.5 < found.error.mean() < most


@pytest.mark.parametrize("truth", [0.0, 1.0, 3.0, 10.0])
def test_variation_takes_off_most_of_what_scatter_adds_to_a_range(truth: float) -> None:
    parts = [simulate_variation(truth, directions) for directions in RUNS]
    error = np.concatenate([part.error for part in parts])
    raw = np.concatenate([part.raw_error for part in parts])
    assert error.mean() < 0.4 * raw.mean()
    assert (error**2).mean() < 0.6 * (raw**2).mean()


@pytest.mark.parametrize("truth", [0.0, 1.0, 3.0, 10.0])
def test_interval_of_the_variation_covers_the_truth(truth: float) -> None:
    parts = [simulate_variation(truth, directions) for directions in RUNS]
    # Measured with 300 tests each: 96.3 to 99.3 %.
    assert_share_at_least(sum(part.covered for part in parts), sum(RUNS.values()), 0.965)


@pytest.mark.parametrize("directions", [12, 24])
def test_a_variation_at_its_limit_is_passed_and_failed_about_as_rarely_as_stated(directions: int) -> None:
    # Bounds at a risk of 5 % each. Measured for a seat with 300 tests each (12 and 24 directions, 5
    # and 10 touches, 1 to 10 sd): wrongly passed in 0 to 1.3 %, wrongly failed in 3 to 6.7 %.
    rng, runs, passed, failed = np.random.default_rng([61, directions]), 80, 0, 0
    for one in repeated(rng, runs):
        azimuths = even_azimuths(directions, 3.0)
        data = simulated_means(one, seat_curve(one, azimuths, 3.0), azimuths, 10)
        found = pretravel_variation(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof, 0.90)
        passed += found.interval_mm.upper <= 3.0
        failed += found.interval_mm.lower > 3.0
    assert_share_at_most(passed, runs, 0.015)
    assert_share_at_most(failed, runs, 0.065)


def covered_with_one_bad_direction(late_sd: float) -> int:
    """Of 100 tests of 36 directions of 5 touches, one of them late, how many intervals hold the truth."""
    azimuths = even_azimuths(36)
    curve = without_centre(np.eye(36)[3], azimuths)
    curve = late_sd * curve / np.ptp(curve)
    covered = 0
    for one in repeated(np.random.default_rng(62), 100):
        data = simulated_means(one, curve, azimuths, 5)
        found = pretravel_variation(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof)
        covered += late_sd in found.interval_mm
    return covered


def test_one_faintly_bad_direction_among_many_is_where_the_interval_is_weakest() -> None:
    # Not a merit: measured with 400 tests, 65 % at 3 sd of a touch (6.7 of the mean): a single
    # direction with quiet neighbours is taken for scatter in part.
    assert_share(covered_with_one_bad_direction(3.0), 100, 0.65)


def test_one_clearly_bad_direction_among_many_is_taken_as_it_is() -> None:
    # Measured with 400 tests: 98 % at 5 sd of a touch.
    assert_share_at_least(covered_with_one_bad_direction(5.0), 100, 0.95)
