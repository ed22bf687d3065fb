"""Simulated rounded logs with an sd of 1, and an independent likelihood of rounded readings."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
from scipy import integrate, stats
from simulated import block_by_block


def make_log(
    rng: np.random.Generator, directions: int, touches: int, width: float, *, drops: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Readings of sd 1 about means spread over the steps, rounded; repeats left out if asked for."""
    direction = block_by_block(directions, touches)
    exact = rng.uniform(0.0, 50 * width, directions)[direction] + rng.normal(size=direction.size)
    reading = np.round(exact / width) * width
    keep = written(reading[:, None], direction) if drops else np.full(direction.size, True)
    return reading[keep], direction[keep]


def written(position: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Touches that differ from the one before: all that some controllers write."""
    line = np.column_stack([position, direction])
    return np.append(True, np.any(line[1:] != line[:-1], axis=1))


def shares(reading: list[float], mean: np.ndarray, sd: float) -> np.ndarray:
    away = np.asarray(reading, dtype=float)[:, None] - np.atleast_1d(mean)
    return stats.norm.cdf((away + 0.5) / sd) - stats.norm.cdf((away - 0.5) / sd)


def all_runs(share: np.ndarray, touches: int) -> np.ndarray:
    """Chance of a sequence without its repeats: over all run lengths, one by one."""
    lengths = product(range(1, touches + 1), repeat=len(share))
    return sum(
        np.prod(share ** np.array(length)[:, None], axis=0) for length in lengths if sum(length) == touches
    )


def brute_force(reading: list[float], sd: float, touches: int | None = None) -> float:
    """Log likelihood by Gauss-Legendre panels that are short beside the sd."""
    ends = min(reading) - 0.5 - 9 * sd, max(reading) + 0.5 + 9 * sd
    panels = np.linspace(*ends, 2 + int((ends[1] - ends[0]) / sd))
    total = sum(
        integrate.fixed_quad(
            lambda mean: all_runs(shares(reading, mean, sd), touches or len(reading)), *ends, n=20
        )[0]
        for ends in pairwise(panels)
    )
    return float(np.log(total))
