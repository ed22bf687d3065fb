"""Harmonics: pure ones, FFT and statsmodels; errors and p values by simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from simulated import assert_share, even_azimuths, repeated, simulated_means
from uncertainties import ufloat
from uncertainties.umath import sqrt as usqrt

from probetest.errors import StatisticsError
from probetest.statistics.lobing import (
    HarmonicFit,
    fit_harmonics,
    harmonic_design,
)

UNEVEN = np.array([0, 10, 25, 50, 70, 95, 130, 150, 170, 200, 215, 240, 275, 290, 310, 345], dtype=float)


def wave(azimuth_deg: np.ndarray, order: int, amplitude_mm: float, phase_deg: float) -> np.ndarray:
    return amplitude_mm * np.cos(order * np.deg2rad(azimuth_deg - phase_deg))


def fitted(mean_mm: np.ndarray, azimuth_deg: np.ndarray, **options: object) -> HarmonicFit:
    settings: dict[str, object] = {
        "counts": np.full(len(mean_mm), 10),
        "sd_mm": 0.001,
        "dof": 9 * len(mean_mm),
    }
    return fit_harmonics(mean_mm, azimuth_deg, **(settings | options))


def harmonic(fit: HarmonicFit, order: int) -> object:
    return next(one for one in fit.harmonics if one.order == order)


# ---- harmonics: known answers


@pytest.mark.parametrize(
    "azimuths", [even_azimuths(24), even_azimuths(24, 4.0), UNEVEN], ids=["even", "turned", "uneven"]
)
@pytest.mark.parametrize(("order", "phase"), [(2, 80.0), (3, 100.0), (3, 0.0), (5, 71.0)])
def test_a_pure_harmonic_is_found_with_amplitude_and_phase(
    azimuths: np.ndarray, order: int, phase: float
) -> None:
    fit = fitted(7.0 + wave(azimuths, 1, 0.5, 33.0) + wave(azimuths, order, 0.003, phase), azimuths)
    found = harmonic(fit, order)
    assert found.amplitude_mm == pytest.approx(0.003, rel=1e-9)
    assert (found.phase_deg - phase + 90 / order) % (360 / order) == pytest.approx(90 / order, abs=1e-6)
    assert all(other.amplitude_mm < 1e-12 for other in fit.harmonics if other.order != order)


def test_the_constant_and_the_centre_are_the_first_coefficients() -> None:
    azimuths = even_azimuths(12)
    found = fitted(7.0 + wave(azimuths, 1, 0.5, 90.0), azimuths)
    assert found.coefficients_mm[:3] == pytest.approx((7.0, 0.0, 0.5), abs=1e-12)


def test_missing_directions_leave_a_pure_harmonic_exact() -> None:
    azimuths = np.delete(even_azimuths(36), [3, 4, 20])
    assert harmonic(fitted(wave(azimuths, 3, 0.003, 20.0), azimuths), 3).amplitude_mm == pytest.approx(0.003)


def test_a_partial_arc_that_carries_order_3_leaves_it_exact() -> None:
    azimuths = np.arange(0.0, 300.0, 12.5)
    found = fitted(wave(azimuths, 3, 0.003, 20.0), azimuths, highest=3)
    assert harmonic(found, 3).amplitude_mm == pytest.approx(0.003, rel=1e-6)


@pytest.mark.parametrize(
    ("azimuths", "highest"),
    [
        (even_azimuths(5), 2),
        (even_azimuths(8), 3),
        (even_azimuths(12), 5),
        (even_azimuths(24), 11),
        (even_azimuths(36), 12),
    ],
    ids=["5", "8", "12", "24", "36"],
)
def test_as_many_orders_as_the_directions_carry(azimuths: np.ndarray, highest: int) -> None:
    assert fitted(np.zeros(len(azimuths)), azimuths).harmonics[-1].order == highest


def test_fewer_orders_on_a_partial_arc() -> None:
    azimuths = np.arange(0.0, 300.0, 12.5)
    assert fitted(np.zeros(24), azimuths).harmonics[-1].order < 11


def test_no_harmonics_on_a_short_arc() -> None:
    with pytest.raises(StatisticsError, match="condition"):
        fitted(np.zeros(24), np.linspace(0.0, 150.0, 24))


def test_equal_means_have_no_harmonics() -> None:
    fit = fitted(np.full(8, 0.1), even_azimuths(8), sd_mm=0.0)
    assert [(one.amplitude_mm, one.p_value) for one in fit.harmonics] == [(0.0, 1.0)] * 2


def test_ten_metres_of_offset_cost_no_digit() -> None:
    azimuths = even_azimuths(24)
    fit = fitted(1e4 + wave(azimuths, 3, 1e-4, 20.0), azimuths)
    assert harmonic(fit, 3).amplitude_mm == pytest.approx(1e-4, abs=4e-12)


def test_nothing_left_over_means_no_residual_sd() -> None:
    assert np.isnan(fitted(np.arange(5.0), even_azimuths(5)).residual_sd_mm)


def test_residual_sd_is_that_of_the_means_about_the_curve() -> None:
    azimuths = even_azimuths(24)
    fit = fitted(wave(azimuths, 5, 0.004, 0.0), azimuths, highest=4)
    # Power of the wave, 24 * 0.004**2 / 2, on 24 - 9 degrees of freedom.
    assert fit.residual_sd_mm == pytest.approx(np.sqrt(24 * 0.004**2 / 2 / 15), rel=1e-9)


def test_four_directions_are_refused() -> None:
    with pytest.raises(StatisticsError, match="at least 5 directions, but got 4"):
        fitted(np.zeros(4), even_azimuths(4))


def test_an_order_beyond_the_directions_is_refused() -> None:
    with pytest.raises(StatisticsError, match="up to 4 can't be told apart from these 8 directions"):
        fitted(np.zeros(8), even_azimuths(8), highest=4)


# ---- harmonics: oracles


def test_even_directions_give_the_fourier_transform() -> None:
    means = np.random.default_rng(50).normal(size=24)
    spectrum = np.fft.rfft(means) / 12
    fit = fitted(means, even_azimuths(24))
    assert [one.amplitude_mm for one in fit.harmonics] == pytest.approx(np.abs(spectrum[2:12]), rel=1e-10)


def test_uneven_directions_and_counts_give_weighted_least_squares() -> None:
    rng = np.random.default_rng(51)
    means, counts = rng.normal(size=len(UNEVEN)), rng.integers(3, 12, len(UNEVEN))
    design = harmonic_design(UNEVEN, 4)
    oracle = sm.WLS(means, design, weights=counts).fit()
    fit = fitted(means, UNEVEN, counts=counts, sd_mm=0.7, highest=4)
    assert fit.coefficients_mm == pytest.approx(oracle.params, rel=1e-9)


def test_u_of_an_amplitude_is_that_of_error_propagation() -> None:
    rng = np.random.default_rng(52)
    means, counts = rng.normal(size=24), np.full(24, 4)
    fit = fitted(means, even_azimuths(24), counts=counts, sd_mm=0.3)
    # Independent coefficients of equal u on even directions.
    u = 0.3 / np.sqrt(4) * np.sqrt(2 / 24)
    cosine, sine = (ufloat(value, u) for value in fit.coefficients_mm[5:7])
    assert harmonic(fit, 3).u_mm == pytest.approx(usqrt(cosine**2 + sine**2).std_dev, rel=1e-9)


def test_p_value_is_that_of_an_f_test_with_the_pooled_scatter() -> None:
    rng = np.random.default_rng(53)
    direction = np.repeat(np.arange(12), 6)
    azimuths = even_azimuths(12)
    reading = wave(azimuths, 3, 0.4, 10.0)[direction] + rng.normal(size=72)
    means = reading.reshape(12, 6).mean(axis=1)
    # All harmonics fill the directions, so the residual of the regression is the pooled scatter,
    # but for the order 6 (its cosine), which is added as a column.
    design = np.column_stack([harmonic_design(azimuths, 5), np.cos(6 * np.deg2rad(azimuths))])[direction]
    oracle = sm.OLS(reading, design).fit()
    contrast = np.zeros((2, 12))
    contrast[0, 5] = contrast[1, 6] = 1.0
    fit = fit_harmonics(means, azimuths, np.full(12, 6), float(np.sqrt(oracle.mse_resid)), 60)
    assert harmonic(fit, 3).p_value == pytest.approx(float(oracle.f_test(contrast).pvalue), rel=1e-8)


# ---- harmonics: simulation


@pytest.mark.parametrize("azimuths", [even_azimuths(24), UNEVEN], ids=["even", "uneven"])
def test_amplitude_errors_agree_with_their_u(azimuths: np.ndarray) -> None:
    # Measured with 1000 tests: 94 to 95.7 % within 1.96 u, at an amplitude of 5 u or more.
    rng, hits, errors, runs = np.random.default_rng(54), 0, [], 400
    for one in repeated(rng, runs):
        data = simulated_means(one, wave(azimuths, 3, 3.0, one.uniform(0, 120)), azimuths, 10)
        found = harmonic(fit_harmonics(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof), 3)
        hits += abs(found.amplitude_mm - 3.0) < 1.96 * found.u_mm
        errors.append(found.amplitude_mm - 3.0)
    assert_share(hits, runs, 0.95)
    assert abs(np.mean(errors)) < 4 * np.std(errors) / np.sqrt(runs)


def test_scatter_alone_shows_a_harmonic_as_rarely_as_its_p_value_says() -> None:
    rng, hits, runs = np.random.default_rng(55), 0, 150
    azimuths = even_azimuths(24)
    for one in repeated(rng, runs):
        data = simulated_means(one, np.zeros(24), azimuths, 5)
        fit = fit_harmonics(data.mean_mm, azimuths, data.counts, data.sd_mm, data.dof)
        hits += sum(harmonic.p_value < 0.05 for harmonic in fit.harmonics)
    assert_share(hits, runs * 10, 0.05)
