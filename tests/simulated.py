"""Simulated tests with known truth, and the bounds within which a simulated share must lie."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]

BOUND_RISK = 1e-3
"""Two-sided risk at which a share is refused; seeds are fixed, so a test passes always or never."""


def even_azimuths(directions: int, start_deg: float = 0.0) -> Floats:
    """Evenly spread azimuths."""
    return np.arange(directions) * 360.0 / directions + start_deg


def round_robin(directions: int, touches: int) -> NDArray[np.intp]:
    """Direction of each touch when all directions are touched once, then all again."""
    return np.tile(np.arange(directions), touches)


def block_by_block(directions: int, touches: int) -> NDArray[np.intp]:
    """Direction of each touch when one direction is finished before the next."""
    return np.repeat(np.arange(directions), touches)


def estimated_sd(rng: np.random.Generator, sd: float, dof: int) -> float:
    """A standard deviation as a test with so many degrees of freedom would find it."""
    return float(sd * np.sqrt(rng.chisquare(dof) / dof))


def without_centre(curve: Floats, azimuth_deg: Floats) -> Floats:
    """A curve less its least-squares constant and first harmonic."""
    azimuth = np.deg2rad(azimuth_deg)
    design = np.column_stack([np.ones_like(azimuth), np.cos(azimuth), np.sin(azimuth)])
    return curve - design @ np.linalg.lstsq(design, curve, rcond=None)[0]


def share_bounds(trials: int, share: float) -> tuple[float, float]:
    """Binomial bounds of a simulated share at ``BOUND_RISK``."""
    count = stats.binom(trials, share)
    return float(count.ppf(BOUND_RISK / 2) / trials), float(count.isf(BOUND_RISK / 2) / trials)


def assert_share(hits: int, trials: int, share: float) -> None:
    """The simulated share agrees with the true one within binomial bounds."""
    lower, upper = share_bounds(trials, share)
    assert lower <= hits / trials <= upper, f"{hits} of {trials}, expected {share}: {lower} to {upper}"


def assert_share_at_most(hits: int, trials: int, share: float) -> None:
    """The simulated share is not above the stated one, within the binomial bound."""
    upper = share_bounds(trials, share)[1]
    assert hits / trials <= upper, f"{hits} of {trials}, expected at most {share}: {upper}"


def assert_share_at_least(hits: int, trials: int, share: float) -> None:
    """The simulated share is not below the stated one, within the binomial bound."""
    lower = share_bounds(trials, share)[0]
    assert hits / trials >= lower, f"{hits} of {trials}, expected at least {share}: {lower}"


@dataclass(frozen=True, slots=True)
class SimulatedMeans:
    """Direction means of one simulated test, all touches with an sd of 1."""

    mean_mm: Floats
    azimuth_deg: Floats
    counts: NDArray[np.intp]
    sd_mm: float
    dof: int


def simulated_means(
    rng: np.random.Generator, curve: Floats, azimuth_deg: Floats, touches: int
) -> SimulatedMeans:
    """Means of ``touches`` readings of sd 1 about a curve, with the pooled sd of the same test."""
    directions = len(azimuth_deg)
    dof = directions * (touches - 1)
    return SimulatedMeans(
        curve + rng.normal(size=directions) / np.sqrt(touches),
        azimuth_deg,
        np.full(directions, touches),
        estimated_sd(rng, 1.0, dof),
        dof,
    )


def repeated(rng: np.random.Generator, times: int) -> Iterator[np.random.Generator]:
    """The generator, so many times over: one pass is one simulated test."""
    for _ in range(times):
        yield rng
