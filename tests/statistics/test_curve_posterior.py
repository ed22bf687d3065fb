"""Draws of a curve against a dense Gaussian posterior, restricted likelihood and a mixed-model library."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import linalg, stats

from probetest.statistics import curve_posterior
from probetest.statistics.curve_posterior import (
    SHARES,
    STRENGTHS,
    CurvePosterior,
    Part,
    covariance_root,
    describe_curves,
    draw_curves,
    span_basis,
    without,
)

SD = 0.002
FIRM = 1e12  # degrees of freedom at which the scatter is as good as known
MANY = 20_000


def problem(seed: int = 1):
    """A small problem without any symmetry: columns of each part, readings."""
    rng = np.random.default_rng(seed)
    beside = np.column_stack([np.ones(40), rng.normal(size=(40, 3))])
    own = Part(rng.normal(size=(40, 2)), rng.normal(size=(25, 2)))
    groups = [Part(rng.normal(size=(40, size)), rng.normal(size=(25, size))) for size in (4, 3)]
    target = 5 + rng.normal(0, 0.003, 40) + 0.004 * own.seen[:, 0] + 0.001 * groups[0].seen[:, 1]
    return target, beside, own, np.array([np.inf, 0.001]), groups


def wave_errors(beside, own, own_sd, waves) -> np.ndarray:
    """Standard error of each wave by itself, by the precision matrix of all that is beside it."""
    errors = []
    for wave in waves.T:
        columns = np.column_stack([beside, own, wave])
        precision = columns.T @ columns / SD**2
        precision += np.diag([*np.zeros(beside.shape[1]), *(1 / own_sd**2), 0.0])
        errors.append(np.sqrt(np.linalg.inv(precision)[-1, -1]))
    return np.array(errors)


def dense_posterior(target, beside, own, own_sd, waves, wave_sd):
    """Mean and covariance of own columns and waves, all unknowns solved at once."""
    columns = np.hstack([beside, own, waves])
    with np.errstate(divide="ignore"):
        prior = np.concatenate([np.zeros(beside.shape[1]), 1 / own_sd**2, 1 / wave_sd**2])
    covariance = np.linalg.inv(columns.T @ columns / SD**2 + np.diag(prior))
    keep = slice(beside.shape[1], None)
    return (covariance @ columns.T @ target / SD**2)[keep], covariance[keep, keep]


def restricted_likelihood(target, beside, own, own_sd, waves, wave_sd) -> float:
    """Log density of contrasts that are free of all columns of unlimited size."""
    limited = np.isfinite(own_sd)
    contrasts = linalg.null_space(np.hstack([beside, own[:, ~limited]]).T)
    covariance = SD**2 * np.eye(len(target)) + (waves * wave_sd**2) @ waves.T
    covariance += (own[:, limited] * own_sd[limited] ** 2) @ own[:, limited].T
    reduced = contrasts.T @ covariance @ contrasts
    return float(stats.multivariate_normal(np.zeros(len(reduced)), reduced).logpdf(contrasts.T @ target))


def patched(monkeypatch: pytest.MonkeyPatch, strengths=None, draws: int = MANY) -> None:
    monkeypatch.setattr(curve_posterior, "DRAWS", draws)
    if strengths is not None:
        monkeypatch.setattr(curve_posterior, "STRENGTHS", np.asarray(strengths, dtype=float))


def assert_mean_and_covariance(draws, mean, covariance) -> None:
    """Draws agree with a normal distribution within 4.5 standard errors of each moment."""
    sd = np.sqrt(np.diag(covariance))
    assert (np.abs(draws.mean(axis=0) - mean) < 4.5 * sd / np.sqrt(len(draws))).all()
    found = np.cov(draws, rowvar=False)
    error = np.sqrt((covariance**2 + np.outer(sd**2, sd**2)) / len(draws))
    assert (np.abs(found - covariance) < 4.5 * error).all()


# ---- algebra


def test_span_basis_is_orthonormal_and_drops_what_adds_nothing() -> None:
    rng = np.random.default_rng(2)
    columns = rng.normal(size=(12, 4)) * [1e-6, 1.0, 1e6, 1.0]
    basis = span_basis(columns, columns[:, :2] @ np.array([[1.0], [3.0]]))
    assert basis.shape == (12, 4)
    assert basis.T @ basis == pytest.approx(np.eye(4), abs=1e-12)
    assert without(basis, columns) / [1e-6, 1.0, 1e6, 1.0] == pytest.approx(np.zeros((12, 4)), abs=1e-12)
    assert span_basis(np.zeros((5, 0))).shape == (5, 0)


def test_without_leaves_the_residual_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    columns, values = rng.normal(size=(20, 3)), rng.normal(size=20)
    assert without(span_basis(columns), values) == pytest.approx(sm.OLS(values, columns).fit().resid)


def test_covariance_root_squares_to_the_covariance() -> None:
    rng = np.random.default_rng(4)
    half = rng.normal(size=(5, 3))
    covariance = half @ half.T  # of rank 3
    root = covariance_root(covariance)
    assert root @ root.T == pytest.approx(covariance, abs=1e-12)
    assert covariance_root(np.zeros((0, 0))).shape == (0, 0)


# ---- draws


@pytest.mark.parametrize("strength", [0.5, 2.2, 64.0])
def test_draws_have_mean_and_covariance_of_the_dense_posterior(
    strength: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    patched(monkeypatch, [strength])
    target, beside, own, own_sd, groups = problem()
    waves, shown = (np.hstack([getattr(g, name) for g in groups]) for name in ("seen", "shown"))
    wave_sd = strength * wave_errors(beside, own.seen, own_sd, waves)
    mean, covariance = dense_posterior(target, beside, own.seen, own_sd, waves, wave_sd)
    at = np.hstack([own.shown, shown])
    draws = draw_curves(target, beside, own, own_sd, groups, SD, FIRM)
    assert draws.shape == (MANY, 25)
    assert_mean_and_covariance(draws, at @ mean, at @ covariance @ at.T)


def test_waves_of_no_strength_leave_the_curve_to_its_own_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    patched(monkeypatch, [0.0])
    target, beside, own, own_sd, groups = problem()
    mean, covariance = dense_posterior(target, beside, own.seen, own_sd, np.zeros((40, 0)), np.zeros(0))
    draws = draw_curves(target, beside, own, own_sd, groups, SD, FIRM)
    assert_mean_and_covariance(draws, own.shown @ mean, own.shown @ covariance @ own.shown.T)


def test_strengths_are_weighed_by_restricted_likelihood_and_prior(monkeypatch: pytest.MonkeyPatch) -> None:
    patched(monkeypatch)
    target, beside, own, own_sd, groups = problem(5)
    waves, shown = (np.hstack([getattr(g, name) for g in groups]) for name in ("seen", "shown"))
    unit = wave_errors(beside, own.seen, own_sd, waves)
    # Shrinkage 1 / (1 + strength^2) uniform: its distribution function between halfway points.
    edges = np.r_[0.0, (STRENGTHS[1:] + STRENGTHS[:-1]) / 2, np.inf]
    prior = np.diff(1 - 1 / (1 + edges**2))
    at = np.hstack([own.shown, shown])
    logs, means, covariances = [], [], []
    for first, second in product(range(len(STRENGTHS)), repeat=2):
        wave_sd = unit * np.repeat([STRENGTHS[first], STRENGTHS[second]], [4, 3])
        wave_sd = np.maximum(wave_sd, 1e-12)
        logs.append(
            restricted_likelihood(target, beside, own.seen, own_sd, waves, wave_sd)
            + np.log(prior[first] * prior[second])
        )
        mean, covariance = dense_posterior(target, beside, own.seen, own_sd, waves, wave_sd)
        means.append(at @ mean)
        covariances.append(at @ covariance @ at.T)
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    mean = weight @ np.array(means)
    apart = np.array(means) - mean
    covariance = np.einsum("i,ijk->jk", weight, covariances) + (apart * weight[:, None]).T @ apart
    draws = draw_curves(target, beside, own, own_sd, groups, SD, FIRM)
    sd = np.sqrt(np.diag(covariance))
    assert (np.abs(draws.mean(axis=0) - mean) < 4.5 * sd / np.sqrt(MANY)).all()
    # A mixture has longer tails than a normal distribution, and so has the error of its variance.
    assert draws.std(axis=0) == pytest.approx(sd, rel=0.04)


def test_best_prediction_is_that_of_a_mixed_model_library(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    subjects, repeats = 12, 8
    place = np.repeat(np.arange(subjects), repeats)
    slope = np.tile(np.linspace(-1, 1, repeats), subjects)
    readings = 3 + 0.5 * slope + rng.normal(0, 1.0, subjects)[place] + rng.normal(0, 0.7, len(place))
    fixed = np.column_stack([np.ones(len(place)), slope])
    fitted = sm.MixedLM(readings, fixed, groups=place).fit(reml=True)
    scatter, between = float(np.sqrt(fitted.scale)), float(np.sqrt(fitted.cov_re[0, 0]))
    library = np.array([effect.iloc[0] for effect in fitted.random_effects.values()])
    # All subjects have the same slopes, so that the standard error of an effect by itself is the same.
    effects = np.eye(subjects)[place]
    (alone,) = {round(error, 12) for error in np.linalg.norm(without(span_basis(fixed), effects), axis=0)}
    patched(monkeypatch, [between * alone / scatter])
    nothing = Part(np.zeros((len(place), 0)), np.zeros((subjects, 0)))
    group = Part(effects, np.eye(subjects))
    draws = draw_curves(readings, fixed, nothing, np.zeros(0), [group], scatter, FIRM)
    assert between > scatter
    assert (np.abs(draws.mean(axis=0) - library) < 4.5 * draws.std(axis=0) / np.sqrt(MANY)).all()


def test_draws_widen_with_unsure_scatter(monkeypatch: pytest.MonkeyPatch) -> None:
    patched(monkeypatch, [0.0])
    target, beside, own, own_sd, groups = problem()
    own_sd = np.full(2, np.inf)
    firm = draw_curves(target, beside, own, own_sd, groups, SD, FIRM)
    unsure = draw_curves(target, beside, own, own_sd, groups, SD, 6.0)
    # Student t: the variance is dof / (dof - 2) times as large.
    ratio = unsure.var(axis=0) / firm.var(axis=0)
    assert ratio.mean() == pytest.approx(6 / 4, rel=0.06)
    standard = (unsure - firm.mean(axis=0)) / firm.std(axis=0)
    assert stats.kstest(standard[:, 0], stats.t(6).cdf).pvalue > 1e-3


def test_same_readings_give_the_same_draws_and_the_unit_does_not_matter() -> None:
    target, beside, own, own_sd, groups = problem()
    draws = draw_curves(target, beside, own, own_sd, groups, SD, 30.0)
    assert (draws == draw_curves(target, beside, own, own_sd, groups, SD, 30.0)).all()
    inches = draw_curves(target / 25.4, beside, own, own_sd / 25.4, groups, SD / 25.4, 30.0)
    assert 25.4 * inches == pytest.approx(draws, rel=1e-6, abs=1e-9)


def test_what_lies_beside_does_not_matter() -> None:
    target, beside, own, own_sd, groups = problem()
    draws = draw_curves(target, beside, own, own_sd, groups, SD, 30.0)
    moved = draw_curves(target + beside @ [9.0, -2.0, 3.0, 0.5], beside, own, own_sd, groups, SD, 30.0)
    assert moved == pytest.approx(draws, abs=1e-9)


# ---- description


def curves(shown_p: float = 0.0, dof: float = FIRM) -> CurvePosterior:
    grid = np.arange(0.0, 360.0, 1.0)
    wave = np.cos(np.deg2rad(3 * grid))
    size = 0.005 + 0.0002 * np.random.default_rng(8).normal(size=(500, 1))
    blind = 0.002 * np.cos(np.deg2rad(6 * grid)) * np.ones((500, 1))
    return describe_curves(grid, size * wave, blind, shown_p, dof)


def test_description_of_known_draws() -> None:
    found = curves()
    size = 0.005 + 0.0002 * np.random.default_rng(8).normal(size=500)
    assert found.variation_mm == pytest.approx(4 * size.mean() - 2 * np.median(size))
    assert found.u_mm[0] == pytest.approx(size.std(ddof=1))
    assert len(found.spans_mm) == len(SHARES)
    assert found.spans_mm[0] == pytest.approx((found.variation_mm, 2 * size.std(ddof=1)))
    fine = np.deg2rad(found.azimuth_deg)
    # Freed of scatter: the range of the mean less what curves about it have more.
    whole = np.ptp(size.mean() * np.cos(3 * fine) + 0.002 * np.cos(6 * fine))
    each = np.median([np.ptp(one * np.cos(3 * fine) + 0.002 * np.cos(6 * fine)) for one in size])
    assert found.spans_mm[-1][0] == pytest.approx(2 * whole - each)


@pytest.mark.simulation
def test_about_half_of_what_scatter_adds_to_the_range_is_taken_off() -> None:
    rng, grid = np.random.default_rng(10), np.arange(0.0, 360.0, 1.0)
    waves = np.array([f(np.deg2rad(k * grid)) for k in range(2, 9) for f in (np.cos, np.sin)])
    errors = []
    for _ in range(200):
        estimate = 0.003 * waves[2] + rng.normal(0, 0.0003, 14) @ waves
        draws = estimate + rng.normal(0, 0.0003, (300, 14)) @ waves
        found = describe_curves(grid, draws, np.zeros((1, 360)), 0.0, FIRM)
        errors.append((found.variation_mm - 0.006, np.ptp(estimate) - 0.006))
    freed, plain = np.array(errors).T
    assert plain.mean() > 0.0005
    assert 0 < freed.mean() < 0.65 * plain.mean()


def test_interval_holds_every_share_of_what_cannot_be_told() -> None:
    found = curves()
    interval = found.interval_mm(0.9)
    assert interval.level == 0.9
    reach = [(span - 1.6448536 * u, span + 1.6448536 * u) for span, u in found.spans_mm]
    assert interval.lower == pytest.approx(min(low for low, _ in reach), rel=1e-6)
    assert interval.upper == pytest.approx(max(high for _, high in reach), rel=1e-6)
    assert all(span in interval for span, _ in found.spans_mm)
    assert found.interval_mm(0.99).upper > found.interval_mm(0.9).upper
    assert curves(dof=4.0).interval_mm().half_width > found.interval_mm().half_width


@pytest.mark.parametrize(
    ("shown_p", "level", "from_zero"), [(0.04, 0.95, False), (0.06, 0.95, True), (0.06, 0.9, False)]
)
def test_interval_starts_at_zero_where_no_curve_stands_out(
    shown_p: float, level: float, from_zero: bool
) -> None:
    assert (curves(shown_p).interval_mm(level).lower == 0) is from_zero


def test_modes_spread_as_the_draws_do() -> None:
    rng = np.random.default_rng(9)
    grid = np.arange(0.0, 360.0, 1.0)
    waves = np.array([np.cos(np.deg2rad(k * grid)) for k in (2, 3, 5)])
    draws = rng.normal(size=(800, 3)) * [0.003, 0.002, 0.001] @ waves
    found = describe_curves(grid, draws, np.zeros((1, 360)), 0.0, FIRM)
    modes = found.modes_mm()
    assert modes.shape == (3, 360)
    assert np.sqrt((modes**2).sum(axis=0)) == pytest.approx(found.u_mm, rel=1e-9)
    products = modes @ modes.T
    assert products == pytest.approx(np.diag(np.diag(products)), abs=1e-12)
    # A fourth wave of little variance is left out: what is kept is 98 % or more.
    faint = draws + 0.0001 * rng.normal(size=(800, 1)) * np.cos(np.deg2rad(7 * grid))
    few = describe_curves(grid, faint, np.zeros((1, 360)), 0.0, FIRM)
    assert len(few.modes_mm()) == 3
    assert (few.modes_mm() ** 2).sum() >= 0.98 * (few.u_mm**2).sum()
