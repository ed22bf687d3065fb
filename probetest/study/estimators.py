"""Ways to estimate the pre-travel variation, side by side on the same simulated tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.lobing import harmonic_design
from probetest.statistics.seat import seat_shape
from probetest.statistics.variation import pretravel_variation
from probetest.study.cells import Cell
from probetest.study.simulated import SD_MM, simulate_cell

Floats = NDArray[np.float64]

CURVES = ("three arms", "one arm early", "each direction its own")
DRAWS = 100
HARMONIC_RISK = 0.05
SEED = 20261125


class Directions:
    """What the estimators need of a set of directions; noise of a direction mean is 1.

    Parameters
    ----------
    azimuth_deg : numpy.ndarray, shape (directions,)
    """

    def __init__(self, azimuth_deg: Floats) -> None:
        directions = len(azimuth_deg)
        self.azimuth_deg = azimuth_deg
        self.nuisance = np.linalg.qr(harmonic_design(azimuth_deg, 1))[0]
        highest = (directions - 1) // 2
        columns = harmonic_design(azimuth_deg, highest)[:, 3:]
        self.waves = columns / np.linalg.norm(columns, axis=0)
        arms = np.arange(0.0, 120.0, 0.5)
        shapes = np.vstack([seat_shape(azimuth_deg - arms[:, None], 0.0, r) for r in (0.0, 0.1, 0.2)])
        shapes = self.flat(shapes)
        self.shapes = shapes / np.linalg.norm(shapes, axis=1, keepdims=True)

    def flat(self, curves: Floats) -> Floats:
        """Curves without constant and centre."""
        return np.asarray(curves - (curves @ self.nuisance) @ self.nuisance.T)


def raw_range(means: Floats, _: Directions) -> Floats:
    """Range of the means as they are."""
    return np.asarray(np.ptp(means, axis=1))


def one_shrinkage(means: Floats, directions: Directions) -> Floats:
    """Range of all means drawn together by one share (empirical Bayes)."""
    return np.asarray(np.ptp(_shrunk(means, directions, 1.0), axis=1))


def deconvolved_range(means: Floats, directions: Directions) -> Floats:
    """Range of the means drawn together so that their spread is that of the true ones."""
    return np.asarray(np.ptp(_shrunk(means, directions, 0.5), axis=1))


def _shrunk(means: Floats, directions: Directions, power: float) -> Floats:
    size = len(directions.azimuth_deg) - 3
    strength = (means**2).sum(axis=1, keepdims=True)
    return np.asarray(np.clip(1 - size / strength, 0.0, 1.0) ** power * means)


def harmonic_model(means: Floats, directions: Directions) -> Floats:
    """Range of the harmonics that stand out from scatter."""
    parts = means @ directions.waves
    strength = parts[:, 0::2] ** 2 + parts[:, 1::2] ** 2
    keep = np.repeat(strength > special.chdtri(2, HARMONIC_RISK), 2, axis=1)
    return np.asarray(np.ptp((keep * parts) @ directions.waves.T, axis=1))


def three_arm_shape(means: Floats, directions: Directions) -> Floats:
    """Range of the three-arm shape that fits best."""
    gains = means @ directions.shapes.T
    best = gains.argmax(axis=1)
    size = np.maximum(gains[np.arange(len(means)), best], 0.0)
    return np.asarray(size * np.ptp(directions.shapes[best], axis=1))


def parametric_bootstrap(means: Floats, directions: Directions) -> Floats:
    """Raw range less what scatter adds to the range of the means drawn together."""
    rng = np.random.default_rng(SEED)
    errors = directions.flat(rng.normal(size=(DRAWS, len(directions.azimuth_deg))))
    curves = _shrunk(means, directions, 1.0)
    added = np.array([np.ptp(curve + errors, axis=1).mean() - np.ptp(curve) for curve in curves])
    return np.asarray(np.maximum(0.0, raw_range(means, directions) - added))


ESTIMATORS: dict[str, Callable[[Floats, Directions], Floats]] = {
    "raw range": raw_range,
    "one shrinkage": one_shrinkage,
    "deconvolved range": deconvolved_range,
    "harmonic model": harmonic_model,
    "three-arm shape": three_arm_shape,
    "parametric bootstrap": parametric_bootstrap,
}


def compare_estimators(directions: int, touches: int, variation_sd: float, tests: int) -> pd.DataFrame:
    """Bias and root mean square error of each estimator, for each kind of curve.

    Parameters
    ----------
    directions, touches : int
    variation_sd : float
        True variation in standard deviations of a touch.
    tests : int

    Returns
    -------
    pandas.DataFrame
        Columns ``directions``, ``touches``, ``variation_sd``, ``curve``, ``estimator``, ``n``, ``bias_u``
        and ``rmse_u``, in standard errors of a direction mean.
    """
    rows = []
    for curve in CURVES:
        rng = np.random.default_rng([SEED, directions, touches, int(10 * variation_sd), *curve.encode()])
        azimuths, true = _curves(curve, directions, touches, variation_sd, tests, rng)
        tool = Directions(azimuths)
        # In standard errors of a direction mean.
        truth = np.ptp(true, axis=1)
        means = true + rng.normal(size=true.shape)
        dof = directions * (touches - 1)
        noise = np.sqrt(rng.chisquare(dof, tests) / dof)
        flat = tool.flat(means) / noise[:, None]
        found = {name: noise * estimate(flat, tool) for name, estimate in ESTIMATORS.items()}
        counts = np.full(directions, touches)
        root = float(np.sqrt(touches))
        found["this software"] = np.array(
            [
                pretravel_variation(row, azimuths, counts, root * sd, dof).variation_mm
                for row, sd in zip(means, noise, strict=True)
            ]
        )
        for name, values in found.items():
            error = values - truth
            rows.append(
                {
                    "directions": directions,
                    "touches": touches,
                    "variation_sd": variation_sd,
                    "curve": curve,
                    "estimator": name,
                    "n": tests,
                    "bias_u": float(error.mean()),
                    "rmse_u": float(np.sqrt((error**2).mean())),
                }
            )
    return pd.DataFrame(rows)


def _curves(
    curve: str, directions: int, touches: int, variation_sd: float, tests: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    cell = Cell(directions, touches, variation_sd, "sector" if curve == "one arm early" else "normal")
    simulated = simulate_cell(cell, tests, rng)
    scale = float(np.sqrt(touches)) / SD_MM
    if curve != "each direction its own":
        return simulated.azimuth_deg, scale * simulated.curve_mm
    own = Directions(simulated.azimuth_deg).flat(rng.normal(size=(tests, directions)))
    return simulated.azimuth_deg, variation_sd * float(np.sqrt(touches)) * own / np.ptp(own, axis=1)[:, None]
