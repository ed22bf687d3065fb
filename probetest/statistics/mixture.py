"""Single readings of all directions as a mixture: its quantiles, their errors, the shape of the scatter."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.tails import judge_tails

Floats = NDArray[np.float64]

SKEW_RISK = 0.02
"""Chance that normal readings are taken for skew."""

LEAST_EXCESS = -1.2
"""Excess kurtosis of a uniform scatter: lighter tails are not believed."""

MOST_SKEWNESS = 2.0
"""That of an exponential scatter: more is not followed."""

MOST_SKEWNESS_U = 1.0
"""Standard error of a skewness that can't be seen."""

LEAST_REACH = 1 / 3
"""Of its distance from the directions that is left to an outer quantile."""

SHAPE_FACTOR = float(special.ndtri(0.95))
"""Standard errors of the kurtosis over which its effect on a quantile is taken."""


@dataclass(frozen=True, slots=True)
class Quantiles:
    """Estimated quantiles of single readings.

    Attributes
    ----------
    value_mm : numpy.ndarray, shape (quantiles,)
    covariance_mm2 : numpy.ndarray, shape (quantiles, quantiles)
    score : numpy.ndarray, shape (quantiles,)
        Distance from the directions that make up the quantile, in sd of their scatter.
    density : numpy.ndarray, shape (quantiles,)
        Relative density of readings there.
    """

    value_mm: Floats
    covariance_mm2: Floats
    score: Floats
    density: Floats


@dataclass(frozen=True, slots=True)
class Shape:
    """Skewness and tails of the scatter within directions.

    Attributes
    ----------
    skewness, skewness_u : float
        Of one touch about its true direction mean, and the standard error if the scatter is normal,
        at most ``MOST_SKEWNESS_U``.
    excess, excess_u : float
        Excess kurtosis, likewise.
    heavy, skew, light : bool
        What the readings show: tails heavier than normal, skewness at ``SKEW_RISK``, excess kurtosis
        one standard error or more below 0.
    """

    skewness: float
    skewness_u: float
    excess: float
    excess_u: float
    heavy: bool
    skew: bool
    light: bool

    @property
    def odd(self) -> bool:
        """Whether more readings may lie far out than a normal scatter has there."""
        return self.heavy or self.skew


@dataclass(frozen=True, slots=True)
class Mixture:
    """Readings of all directions: each has its own mean, all scatter alike, each counts the same.

    Attributes
    ----------
    centre_mm : float
        Mean of the direction means; of all readings where the directions show no difference.
    offset_mm : numpy.ndarray, shape (directions,)
        Direction means about the centre, as they enter the mixture; all 0 without difference.
    spread_mm : float
        Normal scatter about each of them.
    slope : numpy.ndarray, shape (directions,)
        Of the spread by each direction mean.
    within_mm, within_slope : float
        Pooled scatter within directions, and slope of the spread by it.
    keep : float
        Share of the deviations of the direction means that is kept; 0: one normal population.
    mean_u_mm : numpy.ndarray, shape (directions,)
        Standard error of each direction mean.
    n, dof : int
        Readings, and degrees of freedom of ``within_mm``.
    """

    centre_mm: float
    offset_mm: Floats
    spread_mm: float
    slope: Floats
    within_mm: float
    within_slope: float
    keep: float
    mean_u_mm: Floats
    n: int
    dof: int

    def quantiles(self, shares: ArrayLike, *, about_centre: bool) -> Quantiles:
        """Quantiles of single readings with the covariance of their errors.

        Parameters
        ----------
        shares : array_like, shape (quantiles,)
            Share of readings below each, 0..1 exclusive.
        about_centre : bool
            Whether the quantiles are taken about the estimated centre, whose error then cancels.

        Returns
        -------
        Quantiles
        """
        wanted = np.asarray(shares, dtype=float)
        if not self.keep:
            return self._single(special.ndtri(wanted), about_centre)
        spread, directions = self.spread_mm, len(self.offset_mm)
        value = _mixture_quantiles(self.offset_mm, spread, wanted)
        score = (value[:, None] - self.offset_mm) / spread
        weight = np.exp(-(score**2 - (score**2).min(axis=1, keepdims=True)) / 2)
        density = np.exp(-(score**2) / 2).mean(axis=1)
        weight /= weight.sum(axis=1, keepdims=True)
        mean_score = (weight * score).sum(axis=1)
        by_mean = self.keep * weight + (1 - self.keep) / directions + mean_score[:, None] * self.slope
        by_mean = (by_mean - about_centre / directions) * self.mean_u_mm
        by_within = mean_score * self.within_slope * self.within_mm / np.sqrt(2 * self.dof)
        # The scatter is estimated: Student's t where the normal distribution would be too narrow.
        widening = float(special.stdtrit(self.dof, 0.95) / special.ndtri(0.95)) ** 2
        covariance = widening * by_mean @ by_mean.T + np.outer(by_within, by_within)
        covariance -= np.outer(mean_score, mean_score) * self._double_counted(directions)
        reach = np.sqrt(np.diag(covariance))
        value = value + np.clip(self._bias(weight, score, mean_score), -reach, reach)
        if not about_centre:
            value = value + self.centre_mm
        return Quantiles(value, covariance, mean_score, density)

    def _single(self, score: Floats, about_centre: bool) -> Quantiles:
        """Quantiles of one normal population."""
        value, spread = score * self.spread_mm, self.spread_mm
        covariance = np.outer(value, value) / (2 * (self.n - 1))
        if not about_centre:
            value, covariance = value + self.centre_mm, covariance + spread**2 / self.n
        return Quantiles(value, covariance, score, np.exp(-(score**2) / 2))

    def _double_counted(self, directions: int) -> float:
        """What a squared slope counts too much of the variance of the spread, which is quadratic."""
        curvature = (1 - self.keep**2) / (self.spread_mm * directions)
        return float(curvature**2 * (self.mean_u_mm**4).sum() / 2)

    def _bias(self, weight: Floats, score: Floats, mean_score: Floats) -> Floats:
        """Correction of second order for the errors of direction means and scatter."""
        own = (weight**2 * score).sum(axis=1)
        share = (weight**2).sum(axis=1) + 1 / len(self.offset_mm)
        error = self.keep**2 * float((self.mean_u_mm**2).mean()) / (2 * self.spread_mm)
        about = score - mean_score[:, None]
        bend = (weight * about**3).sum(axis=1) + mean_score * (weight * about**2).sum(axis=1)
        return np.asarray(error * (2 * own - mean_score * share) - self.spread_mm * bend / (4 * self.dof))


def fit_mixture(error_mm: Floats, index: NDArray[np.intp]) -> Mixture:
    """Mixture of normal directions behind the readings.

    Parameters
    ----------
    error_mm : numpy.ndarray, shape (touches,), mm
    index : numpy.ndarray of int, shape (touches,)
        Direction of each touch, 0 .. m - 1, none empty.

    Returns
    -------
    Mixture

    Raises
    ------
    StatisticsError
        Without scatter within directions.

    Notes
    -----
    Means of n touches spread by s / sqrt(n) on their own. With a scatter of s sqrt(1 - 1/n) about
    them the mixture has the right spread again: for a known s, Phi((x - mean) / (s sqrt(1 - 1/n)))
    is the minimum-variance unbiased estimate of the share below x [1]_. Where the means hardly
    differ more than that, F = their variance over that of scatter alone, they are drawn together by
    keep = sqrt(1 - 1/F**3) and the spread is made up in the scatter, so that F <= 1 gives one
    normal population with the sd of all readings.

    References
    ----------
    .. [1] E. L. Lehmann and G. Casella, Theory of Point Estimation, 2nd ed., section 2.2 (normal
       probability; from memory).
    """
    counts = np.bincount(index)
    n, directions = len(error_mm), len(counts)
    flat = error_mm - error_mm[0]
    means = group_means(flat, index, directions)
    residual = flat - means[index]
    dof = n - directions
    if dof < 1 or not np.any(residual):
        raise StatisticsError("capability can't be told: repeated readings show no scatter")
    within = float(np.sqrt((residual**2).sum() / dof))
    deviation = means - means.mean()
    between = float((deviation**2).mean())
    noise = within**2 * float((1 / counts).mean()) * (1 - 1 / directions)
    mean_u = within / np.sqrt(counts)
    if between <= noise:
        return Mixture(
            float(error_mm[0] + flat.mean()), np.zeros(directions), float(flat.std(ddof=1)),
            np.zeros(directions), within, 0.0, 0.0, mean_u, n, dof,
        )  # fmt: skip
    kept = 1 - (noise / between) ** 3
    own_share = 1 - noise / within**2
    spread = float(np.sqrt(own_share * within**2 + (1 - kept) * between))
    return Mixture(
        float(error_mm[0] + means.mean()), np.sqrt(kept) * deviation, spread,
        (1 - kept) * deviation / (spread * directions), within, own_share * within / spread,
        float(np.sqrt(kept)), mean_u, n, dof,
    )  # fmt: skip


def _mixture_quantiles(offset: Floats, spread: float, shares: Floats) -> Floats:
    """Quantiles of a mixture of normals of equal weight, by Newton steps kept within brackets."""
    low = np.full(len(shares), offset.min() - 7 * spread)
    high = np.full(len(shares), offset.max() + 7 * spread)
    wanted = special.ndtri(shares)
    value = np.where(wanted == 0, np.median(offset), wanted * np.sqrt(spread**2 + (offset**2).mean()))
    value = np.clip(value, low, high)
    directions, far = len(offset), np.abs(wanted) > 0.5
    for _ in range(100):
        score = (value[:, None] - offset) / spread
        # Directions below are counted whole: a median between two far groups keeps its digits.
        whole = ((np.sign(score) + 1) / 2).sum(axis=1) - directions * shares
        surplus = whole - (np.sign(score) * special.ndtr(-np.abs(score))).sum(axis=1)
        low, high = np.where(surplus < 0, value, low), np.where(surplus < 0, high, value)
        reached = special.ndtri(np.clip(shares + surplus / directions, 1e-300, 1 - 1e-16))
        density = np.maximum(np.exp(-(score**2) / 2).sum(axis=1), 1e-300)
        straight = surplus * np.sqrt(2 * np.pi) / density
        by_score = (reached - wanted) * np.exp(-(reached**2) / 2) * directions / density
        step = value - np.where(far, by_score, straight) * spread
        step = np.where(surplus == 0, value, step)
        step = np.where((step < low) | (step > high), (low + high) / 2, step)
        done = np.abs(step - value).max() <= 1e-12 * spread
        value = step
        if done:
            break
    return np.asarray(value)


def judge_shape(error_mm: Floats, index: NDArray[np.intp]) -> Shape:
    """Skewness and tails of the scatter within directions.

    Notes
    -----
    Third and fourth cumulants add: taking off the mean of n touches leaves
    ((1 - 1/n)**3 - (n - 1) / n**3) / (1 - 1/n)**1.5 of the skewness. Below the fewest readings that
    `judge_tails` judges, nothing is seen.
    """
    counts = np.bincount(index)
    residual = error_mm - error_mm[0]
    residual = residual - group_means(residual, index, len(counts))[index]
    n = float((counts**2).sum() / counts.sum())
    left = ((1 - 1 / n) ** 3 - (n - 1) / n**3) / (1 - 1 / n) ** 1.5
    tails = judge_tails(residual, index)
    readings = len(residual)
    if not np.isfinite(tails.excess_kurtosis):
        unseen = float(np.sqrt(24 / readings))
        return Shape(0.0, MOST_SKEWNESS_U, 0.0, unseen, heavy=False, skew=False, light=False)
    # Pairs of touches show no skewness: their residuals are alike and opposite.
    seen = left > 1e-9
    skewness = float((residual**3).mean() / (residual**2).mean() ** 1.5) / left if seen else 0.0
    error = float(np.sqrt(6 / readings)) / left if seen else np.inf
    return Shape(
        skewness, min(error, MOST_SKEWNESS_U), tails.excess_kurtosis, tails.standard_error,
        heavy=tails.heavy,
        skew=abs(skewness) > float(special.ndtri(1 - SKEW_RISK / 2)) * error,
        light=tails.excess_kurtosis < -tails.standard_error,
    )  # fmt: skip


def with_shape(quantiles: Quantiles, shape: Shape, spread_mm: float, *, outwards: bool = False) -> Quantiles:
    """Quantiles moved by skewness and tails of the scatter, and as uncertain as these.

    Parameters
    ----------
    quantiles : Quantiles
        Of normal scatter.
    shape : Shape
    spread_mm : float
        Scatter about each direction.
    outwards : bool
        Whether quantiles are never moved towards the median.

    Notes
    -----
    Skewness moves the quantile at z by g (z**2 - 1) / 6 sd and the terms of second order of a
    gamma distribution (Cornish and Fisher); excess kurtosis beyond 1.5 g**2 by what the t
    distribution of that kurtosis differs at the same share, which keeps its head where the series
    doesn't.
    """
    score, g = quantiles.score, float(np.clip(shape.skewness, -MOST_SKEWNESS, MOST_SKEWNESS))
    beyond = shape.excess - 1.5 * g**2
    moved = g * (score**2 - 1) / 6 + g**2 * ((score**3 - 3 * score) / 16 - (2 * score**3 - 5 * score) / 36)
    moved = moved + _tail_shift(score, beyond)
    # No quantile crosses the median.
    inwards = 0.0 if outwards else LEAST_REACH - 1
    farther = np.maximum(np.sign(score) * moved, inwards * np.abs(score))
    moved = np.where(np.abs(score) < 1, moved, np.sign(score) * farther)
    by_skewness = (score**2 - 1) / 6 * shape.skewness_u
    wider = _tail_shift(score, beyond + SHAPE_FACTOR * shape.excess_u)
    by_excess = np.abs(wider - _tail_shift(score, beyond)) / SHAPE_FACTOR * np.sign(score)
    added = np.outer(by_skewness, by_skewness) + np.outer(by_excess, by_excess)
    return replace(
        quantiles,
        value_mm=quantiles.value_mm + spread_mm * moved,
        covariance_mm2=quantiles.covariance_mm2 + spread_mm**2 * added,
    )


def _tail_shift(score: Floats, excess: float) -> Floats:
    """Quantile of a scatter of sd 1 and this kurtosis less the normal one."""
    if excess < 1e-3:
        return np.asarray(max(excess, LEAST_EXCESS) / 24 * (score**3 - 3 * score))
    dof = 4 + 6 / excess
    return np.asarray(np.sqrt((dof - 2) / dof) * special.stdtrit(dof, special.ndtr(score)) - score)
