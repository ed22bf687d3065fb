"""The seat of three arms against closed forms that were derived for this project."""

from __future__ import annotations

import numpy as np
import pytest
from reference_values import VALUES
from scipy import integrate

from probetest.statistics.lobing import fit_harmonics
from probetest.statistics.seat import fit_seat, seat_shape, shape_variation
from probetest.statistics.variation import pretravel_variation


def directions(count: int, start_deg: float = 0.0) -> np.ndarray:
    return np.arange(count) * 360.0 / count + start_deg


@pytest.mark.parametrize(("ratio", "expected"), VALUES["seat_pair_ratio"]["ratio"].items())
def test_greatest_over_least_pretravel(ratio: str, expected: float) -> None:
    shape = seat_shape(np.arange(0, 360, 0.01), 0.0, float(ratio))
    assert shape.max() / shape.min() == pytest.approx(expected, abs=6e-4)
    assert 1 + shape_variation(float(ratio)) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(("order", "expected"), VALUES["seat_harmonics"]["amplitude"].items())
def test_harmonics_of_the_ideal_shape(order: str, expected: float) -> None:
    # By force azimuth: the shape with an arm at 180 deg, seen by approach azimuth.
    points = 36_000
    spectrum = np.fft.rfft(seat_shape(directions(points), 180.0)) / points
    found = spectrum[int(order)].real * (1 if order == "0" else 2)
    assert found == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("order", [3, 6, 9])
def test_harmonics_are_their_integral(order: int) -> None:
    value = integrate.quad(lambda x: np.cos(order * x) / np.cos(x), 0, np.pi / 3)[0]
    assert 6 / np.pi * value == pytest.approx(VALUES["seat_harmonics"]["amplitude"][str(order)], abs=6e-7)


def test_mean_of_the_ideal_shape_is_a_logarithm() -> None:
    mean = 3 / np.pi * np.log(2 + np.sqrt(3))
    assert seat_shape(directions(36_000)).mean() == pytest.approx(mean, abs=1e-6)


def test_the_shape_has_only_multiples_of_three() -> None:
    spectrum = np.abs(np.fft.rfft(seat_shape(directions(720), 17.0)))
    orders = np.arange(len(spectrum))
    assert spectrum[orders % 3 != 0].max() < 1e-9


def test_the_third_harmonic_alone_understates_the_variation() -> None:
    # Peak to valley of the third harmonic: 0.692 of the variation of the shape.
    fit = fit_harmonics(seat_shape(directions(720)), directions(720), np.ones(720), 1e-9, 720)
    third = next(one for one in fit.harmonics if one.order == 3)
    assert 2 * third.amplitude_mm / shape_variation(0.0) == pytest.approx(0.692, abs=5e-4)


@pytest.mark.parametrize(("count", "expected"), VALUES["seat_aliasing"]["read"].items())
def test_the_third_harmonic_that_evenly_spaced_directions_read(count: str, expected: float) -> None:
    azimuths = directions(int(count))
    fit = fit_harmonics(seat_shape(azimuths, 180.0), azimuths, np.ones(int(count)), 1e-9, 100)
    assert fit.coefficients_mm[5] == pytest.approx(expected, abs=6e-4)


def test_the_fitted_shape_is_not_misread_by_few_directions() -> None:
    azimuths = directions(12)
    found = fit_seat(seat_shape(azimuths, 180.0), azimuths, np.full(12, 10), 1e-6, 108)
    assert found.size_mm == pytest.approx(1.0, abs=1e-5)


def test_24_directions_see_20_of_24_micrometres() -> None:
    # Averaged over where the directions start between the arms.
    seen = [
        pretravel_variation(
            0.024 * seat_shape(directions(24, start), 0.0), directions(24, start), np.full(24, 10), 0.0, 216
        ).raw_mm
        for start in np.arange(0.25, 15.0, 0.5)
    ]
    assert np.mean(seen) == pytest.approx(0.0195, abs=0.001)
    assert min(seen) < 0.017
    assert max(seen) <= 0.024


@pytest.mark.parametrize("start", [1.0, 4.0, 7.5, 11.0])
def test_the_fitted_shape_sees_all_24_micrometres(start: float) -> None:
    azimuths = directions(24, start)
    found = fit_seat(0.024 * seat_shape(azimuths), azimuths, np.full(24, 10), 1e-7, 216)
    assert found.variation_mm == pytest.approx(0.024, rel=1e-3)


@pytest.mark.parametrize("arm", [0.0, 10.0, 20.0, 30.0, 45.0])
def test_four_touches_miss_the_centre_of_a_bore_by_a_third_to_half_a_size(arm: float) -> None:
    # All of the third harmonic goes into the centre: 0.268 to 0.500 of the size of the shape.
    shape = seat_shape([0.0, 90.0, 180.0, 270.0], arm)
    miss = np.hypot((shape[0] - shape[2]) / 2, (shape[1] - shape[3]) / 2)
    assert 0.267 <= miss <= 0.501


def test_twelve_touches_find_the_centre_of_a_bore() -> None:
    azimuths = np.deg2rad(directions(12))
    shape = seat_shape(directions(12), 10.0)
    assert (shape * np.cos(azimuths)).sum() / 6 == pytest.approx(0.0, abs=1e-12)
    assert (shape * np.sin(azimuths)).sum() / 6 == pytest.approx(0.0, abs=1e-12)
