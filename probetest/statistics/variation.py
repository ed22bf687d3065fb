"""Pre-travel variation over the tested directions, freed of the scatter that inflates a range."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, t_factor
from probetest.statistics.lobing import harmonic_design
from probetest.statistics.seat import seat_shape

Floats = NDArray[np.float64]

MOST_DIRECTIONS = 1000
"""More directions than this are no plan but azimuths that were not rounded."""

ARM_STEP_DEG = 1.0
"""Step of the arm azimuths that are tried."""

PAIR_RATIOS = (0.0, 0.04, 0.08, 0.13, 0.2, 0.3)
"""Shapes of the contact pairs that are tried."""

SHAPE_COST = 2.5
"""What the choice of a three-arm shape gains from scatter alone; chosen by the bias it leaves."""

SCATTER_SHARE = 0.7
"""Share of the range found in scatter alone that is taken off in squares; chosen with it."""

CLEAR = 12.0
"""A shape this many times its noise is moved to its least-squares place between the tried ones."""

SURE_RISK = 0.01
"""Waves that scatter makes less often than this keep the strength of their ensemble."""

EARLY_GAIN = 0.8
"""Pre-travel of an early arm, in the simulated tests of a small variation."""

DRAWS = 400
"""Simulated tests behind each step of a small variation."""

SMALL = np.arange(0.0, 8.1, 0.5)
"""Small true variations that are simulated, in standard errors of a direction mean."""

SEED = 20260302
"""Seed of those draws: the same log gives the same report."""


@dataclass(frozen=True, slots=True)
class Variation:
    """Pre-travel variation: largest less smallest mean pre-travel over the tested directions.

    Attributes
    ----------
    variation_mm : float
        Freed of the scatter that inflates a range.
    interval_mm : Interval
        Approximate interval.
    raw_mm : float
        Range of the direction means as they are.
    latest_deg, earliest_deg : float
        Azimuths with the longest and the shortest mean pre-travel.
    directions : int
    """

    variation_mm: float
    interval_mm: Interval
    raw_mm: float
    latest_deg: float
    earliest_deg: float
    directions: int


def pretravel_variation(
    mean_mm: ArrayLike,
    azimuth_deg: ArrayLike,
    counts: ArrayLike,
    sd_mm: float,
    dof: float,
    level: float = 0.95,
) -> Variation:
    """Pre-travel variation over the tested directions, freed of scatter.

    Parameters
    ----------
    mean_mm : array_like, shape (directions,), mm
        Mean reading of each direction; constant and centre need not be removed.
    azimuth_deg : array_like, shape (directions,), deg
    counts : array_like of int, shape (directions,)
        Touches behind each mean.
    sd_mm : float
        Pooled scatter of one touch.
    dof : float
        Its degrees of freedom.
    level : float
        Two-sided level of the interval.

    Returns
    -------
    Variation

    Raises
    ------
    StatisticsError
        With fewer than 5 directions: constant and centre leave one value or none.

    Notes
    -----
    A range of noisy means is too large on average, the more so the more directions there are; a
    probe without any lobing would show some. The curve is taken to be a three-arm shape (size, arm
    azimuth and contact pairs fitted) and waves beside it in two groups: orders 2 and 4, which a
    machine or one faulty arm makes, and all others. Each part is drawn towards 0 by its own
    strength against the scatter (empirical Bayes); waves that clearly stand out keep the spread of
    their ensemble instead [1]_, and a single direction that clearly stands out of them all is taken as
    it is. The variation is the range of that curve, less, in squares, what
    scatter alone makes of it.

    The half-width is a Student t factor times the root of the posterior variance of the difference
    between the latest and the earliest direction, which holds the bias of smoothing on average [2]_;
    the strength of the waves is averaged over a uniform prior of the shrinkage for it [3]_. A
    small variation has its upper limit, and whether 0 belongs to the interval, from simulated tests
    of healthy probes and probes with one early arm.

    References
    ----------
    .. [1] T. A. Louis, "Estimating a population of parameter values using Bayes and empirical Bayes
       methods", J. Am. Stat. Assoc. 79 (1984) 393-398 (from memory).
    .. [2] D. Nychka, "Bayesian confidence intervals for smoothing splines", J. Am. Stat. Assoc. 83
       (1988) 1134-1143 (from memory).
    .. [3] W. E. Strawderman, "Proper Bayes minimax estimators of the multivariate normal mean", Ann.
       Math. Stat. 42 (1971) 385-388 (from memory).
    """
    check_level(level)
    means = np.asarray(mean_mm, dtype=float)
    azimuths = np.asarray(azimuth_deg, dtype=float)
    weights = np.asarray(counts, dtype=float)
    directions = len(means)
    if directions < 5:
        raise StatisticsError(
            f"pre-travel variation needs at least 5 directions, but got {directions}: "
            "mean and centre take 3 values with them"
        )
    if directions > MOST_DIRECTIONS:
        raise StatisticsError(
            f"{directions} different azimuths, at most {MOST_DIRECTIONS} are handled: round the azimuths of "
            "the log to the directions that were planned"
        )
    design = _design(tuple(azimuths), tuple(weights / weights.mean()))
    flat = design.flatten(means - means[0])
    raw = design.span(flat)
    noise = sd_mm / float(np.sqrt(weights.mean()))
    if noise == 0:
        estimate, limits = raw, (raw, raw)
    else:
        estimate, limits = _estimate(design, flat / noise, dof, level)
        estimate, limits = estimate * noise, (limits[0] * noise, limits[1] * noise)
    values = flat / design.root
    return Variation(
        variation_mm=estimate,
        interval_mm=Interval(*limits, level),
        raw_mm=raw,
        latest_deg=float(azimuths[int(values.argmax())]),
        earliest_deg=float(azimuths[int(values.argmin())]),
        directions=directions,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Design:
    """What a set of directions lets one see; all vectors weighted by the touches behind each mean.

    Attributes
    ----------
    azimuth_deg, root : numpy.ndarray, shape (directions,)
        ``root``: root of the relative number of touches.
    nuisance : numpy.ndarray, shape (directions, 3)
        Orthonormal basis of constant and centre.
    shapes : numpy.ndarray, shape (shapes, directions)
        Three-arm shapes of unit length, constant and centre taken out.
    groups : tuple of numpy.ndarray, shape (directions, size)
        Orthonormal bases of the waves beside the shape.
    """

    azimuth_deg: Floats
    root: Floats
    nuisance: Floats
    shapes: Floats
    groups: tuple[Floats, ...]

    def flatten(self, values: Floats) -> Floats:
        """Weighted values without constant and centre; any leading axes."""
        weighted = values * self.root
        return np.asarray(weighted - (weighted @ self.nuisance) @ self.nuisance.T)

    def span(self, curve: Floats) -> float:
        """Largest less smallest value of a weighted curve."""
        return float(np.ptp(curve / self.root))

    def tangent(self, place: int) -> Floats:
        """Orthonormal basis of size, arm azimuth and pair ratio about a tried shape."""
        arms = len(self.shapes) // len(PAIR_RATIOS)
        ratio, arm = PAIR_RATIOS[place // arms], ARM_STEP_DEG * (place % arms)
        turn, stretch = 1.0, 0.02

        def moved(arm_deg: float, pair_ratio: float) -> Floats:
            return self.flatten(seat_shape(self.azimuth_deg, arm_deg, pair_ratio))

        columns = np.column_stack(
            [
                self.shapes[place],
                moved(arm + turn, ratio) - moved(arm - turn, ratio),
                moved(arm, ratio + stretch) - moved(arm, max(0.0, ratio - stretch)),
            ]
        )
        length = np.linalg.norm(columns, axis=0)
        columns = columns[:, length > 1e-9] / length[length > 1e-9]  # the rest the directions can't show
        left, singular, _ = np.linalg.svd(columns, full_matrices=False)
        return np.asarray(left[:, singular > 0.15])


@lru_cache(maxsize=16)
def _design(azimuths: tuple[float, ...], relative: tuple[float, ...]) -> _Design:
    azimuth, root = np.array(azimuths), np.sqrt(np.array(relative))
    waves = harmonic_design(azimuth, 4) * root[:, None]
    nuisance = np.linalg.qr(waves[:, :3])[0]
    slow = _orthonormal(waves[:, [3, 4, 7, 8]], nuisance)
    rest = _orthonormal(np.eye(len(root)), np.hstack([nuisance, slow]))
    arms = np.arange(0.0, 120.0, ARM_STEP_DEG)
    shapes = np.vstack([seat_shape(azimuth - arms[:, None], 0.0, ratio) for ratio in PAIR_RATIOS]) * root
    shapes = shapes - (shapes @ nuisance) @ nuisance.T
    length = np.linalg.norm(shapes, axis=1, keepdims=True)
    # Directions that hide a shape behind the centre can't show its size.
    shapes = np.where(length > 1e-6, shapes / np.maximum(length, 1e-6), 0.0)
    return _Design(azimuth, root, nuisance, shapes, tuple(g for g in (slow, rest) if g.shape[1]))


def _orthonormal(columns: Floats, known: Floats) -> Floats:
    """Part of ``columns`` outside ``known``, as an orthonormal basis; faint directions dropped."""
    remaining = columns - known @ (known.T @ columns)
    left, singular, _ = np.linalg.svd(remaining, full_matrices=False)
    return np.asarray(left[:, singular > 0.3 * np.linalg.norm(columns, axis=0).max() / np.sqrt(2)])


@dataclass(frozen=True, eq=False, slots=True)
class _Smoothed:
    """Curves drawn towards 0 by their strength, tests along the first axis, noise 1.

    Attributes
    ----------
    curve, generous : numpy.ndarray, shape (tests, directions)
        ``generous`` keeps what the averaged shrinkage keeps, where that is more.
    place : numpy.ndarray of int, shape (tests,)
        The shape that fits best.
    kept : numpy.ndarray, shape (tests, groups)
        Averaged share that is kept of each group.
    alone : numpy.ndarray of bool, shape (tests, directions)
        Directions that stand out of the smoothed curve and are taken as they are.
    """

    curve: Floats
    generous: Floats
    place: NDArray[np.intp]
    kept: Floats
    alone: NDArray[np.bool_]


def _smooth(design: _Design, waves: Floats, *, refined: bool = True) -> _Smoothed:
    """Empirical-Bayes curves of tests with noise 1, shape (tests, directions)."""
    gains = waves @ design.shapes.T
    place = gains.argmax(axis=1)
    size = np.maximum(np.take_along_axis(gains, place[:, None], axis=1), 0.0)
    shape = size * design.shapes[place]
    left = waves - shape
    curve = shape * (1 - SHAPE_COST / np.maximum(size**2, SHAPE_COST))
    for test in np.flatnonzero(size[:, 0] > CLEAR) if refined else ():
        tangent = design.tangent(int(place[test]))
        moved = tangent @ (tangent.T @ left[test])
        curve[test] += moved
        left[test] -= moved
    generous, kept, beside = curve.copy(), [], left.copy()
    for basis in design.groups:
        part = left @ basis
        strength = (part**2).sum(axis=1, keepdims=True)
        keep, averaged = _keep(strength, basis.shape[1])
        curve = curve + (keep * part) @ basis.T
        generous = generous + (np.maximum(keep, averaged) * part) @ basis.T
        beside = beside - (keep * part) @ basis.T
        kept.append(averaged[:, 0])
    alone = np.abs(beside) > special.ndtri(1 - SURE_RISK / 2 / beside.shape[1])
    apart = np.where(alone, beside, 0.0)
    return _Smoothed(curve + apart, generous + apart, place, np.array(kept).T, alone)


def _keep(strength: Floats, size: int) -> tuple[Floats, Floats]:
    """Share that is kept of ``size`` waves whose squares sum to ``strength``, and its average."""
    keep = 1 - size / np.maximum(strength, size)
    sure = strength > special.chdtri(size, SURE_RISK)
    half = np.maximum(strength, 1e-6) / 2
    # Mean of 1 - B, with density B**(size / 2) exp(-B * half) over (0, 1).
    mass = special.gammainc(size / 2 + 1, half)
    # Many waves of next to no strength: the mass underflows, and the density is a power alone.
    ratio = np.where(
        mass > 0, special.gammainc(size / 2 + 2, half) / np.where(mass > 0, mass, 1.0), half / (size / 2 + 2)
    )
    averaged = 1 - ratio * (size / 2 + 1) / half
    return np.where(sure, np.sqrt(keep), keep), np.where(sure, 1.0, averaged)


def _estimate(design: _Design, waves: Floats, dof: float, level: float) -> tuple[float, tuple[float, float]]:
    """Variation and its limits, in units of the noise of a direction mean."""
    smoothed = _smooth(design, waves[None, :])
    curve = smoothed.curve[0]
    small = _small_tests(design, float(f"{dof:.2g}"))
    found, tail = design.span(curve), (1 - level) / 2
    estimate = float(np.sqrt(max(0.0, found**2 - (SCATTER_SHARE * float(small[0].mean())) ** 2)))
    half = t_factor(dof, level) * _difference_u(design, curve, smoothed)
    lower = 0.0 if found <= np.quantile(small[0], 1 - tail) else max(0.0, estimate - half)
    reach = np.maximum.accumulate(np.quantile(small, tail, axis=1))
    least = float(np.interp(found, reach, SMALL)) if found < reach[-1] else 0.0
    centre = max(estimate, (found + design.span(smoothed.generous[0])) / 2)
    return estimate, (lower, max(centre + half, least))


def _difference_u(design: _Design, curve: Floats, smoothed: _Smoothed) -> float:
    """Standard error of the difference between the latest and the earliest direction of a curve."""
    values = curve / design.root
    latest, earliest = int(values.argmax()), int(values.argmin())
    pick = np.zeros(len(values))
    pick[latest] += 1 / design.root[latest]
    pick[earliest] -= 1 / design.root[earliest]
    pick = pick - design.nuisance @ (design.nuisance.T @ pick)
    if smoothed.alone[0, [latest, earliest]].any():
        return float(np.linalg.norm(pick))
    tangent = design.tangent(int(smoothed.place[0]))
    along = pick @ tangent
    beside = pick - tangent @ along
    variance = float(along @ along)
    for share, basis in zip(smoothed.kept[0], design.groups, strict=True):
        variance += float(share) * float(((beside @ basis) ** 2).sum())
    return float(np.sqrt(variance))


@lru_cache(maxsize=64)
def _small_tests(design: _Design, dof: float) -> Floats:
    """Ranges found in simulated tests of each variation in ``SMALL``, shape (variations, DRAWS)."""
    rng = np.random.default_rng(SEED)
    curves = np.array([_random_curve(design, rng, early=draw % 2 == 1) for draw in range(DRAWS)])
    scatter = design.flatten(rng.normal(size=curves.shape) / design.root)
    # The scatter itself is only estimated: each simulated test has its own.
    own = np.sqrt(rng.chisquare(dof, (DRAWS, 1)) / dof)
    found = []
    for true in SMALL:
        smoothed = _smooth(design, (true * curves + scatter) / own, refined=False)
        found.append(np.ptp(own * smoothed.curve / design.root, axis=1) / own[:, 0])
    return np.array(found)


def _random_curve(design: _Design, rng: np.random.Generator, *, early: bool) -> Floats:
    """A three-arm curve with a range of 1, arm azimuth at random, if wanted with one early arm."""
    arm, ratio = rng.uniform(0, 120), rng.uniform(0, PAIR_RATIOS[-2])
    values = seat_shape(design.azimuth_deg, arm, ratio)
    if early:
        away = np.abs((design.azimuth_deg + 180 - arm + 180) % 360 - 180)
        values = np.where(away <= 60, EARLY_GAIN * values, values)
    curve = design.flatten(values)
    return curve / max(design.span(curve), 1e-12)
