"""Whether scatter and variation changed from one series to the next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.reseat_shift import SeriesMeans, Shifts
from probetest.statistics.tails import judge_tails

Floats = NDArray[np.float64]

SpreadVerdict = Literal["larger", "smaller", "alike", "can't tell"]

DRAWS = 500
"""Simulated repeats behind the error of a change of variation."""

SEED = 20260914
"""Seed of those draws: the same log gives the same report."""

LEAST_DOF = 4.0
"""Heavy tails leave at least as many degrees of freedom."""


@dataclass(frozen=True, slots=True)
class SpreadChange:
    """Scatter of one touch in the stage by that in the baseline.

    Attributes
    ----------
    baseline_sd_mm, stage_sd_mm : float
        Pooled over directions.
    baseline_dof, stage_dof : float
        Degrees of freedom, fewer where tails are heavy or neighbours alike.
    ratio : float
        Stage by baseline.
    interval : Interval
        Of the ratio, from F.
    p : float
        Two-sided, of a ratio so far from 1 without a change.
    margin : float
        Ratio that would matter, > 1.
    verdict : str
        "larger" or "smaller" where ``p`` is below the risk; "alike" where the ratio is shown, at the
        risk on each side, to lie between 1 / ``margin`` and ``margin``, and no change is seen; a change
        that is seen may still lie within the margin, see ``within_margin``.
    within_margin : bool
    heavy_tails : bool
    """

    baseline_sd_mm: float
    stage_sd_mm: float
    baseline_dof: float
    stage_dof: float
    ratio: float
    interval: Interval
    p: float
    margin: float
    verdict: SpreadVerdict
    within_margin: bool
    heavy_tails: bool


@dataclass(frozen=True, slots=True)
class VariationChange:
    """Range over directions of the means, level and centre of each series taken out.

    Attributes
    ----------
    baseline_mm, stage_mm : float
        Ranges of the means as they are: scatter makes both too large, by much the same.
    change_mm : float
        Stage less baseline.
    u_mm : float
        Standard error from simulated repeats.
    interval_mm : Interval
        Approximate; never wider than the range of the shifts allows.
    directions : int
    """

    baseline_mm: float
    stage_mm: float
    change_mm: float
    u_mm: float
    interval_mm: Interval
    directions: int


def spread_change(
    baseline: SeriesMeans,
    stage: SeriesMeans,
    *,
    margin: float = 1.5,
    risk: float = 0.05,
    level: float = 0.95,
) -> SpreadChange:
    """Compare the pooled scatter of two series.

    Parameters
    ----------
    baseline, stage : SeriesMeans
        Each with a direction touched twice.
    margin : float
        Ratio of deviations that would matter, > 1.
    risk : float
        Of alleging a change, and of calling alike what is not, each.
    level : float
        Two-sided level of the interval.

    Returns
    -------
    SpreadChange

    Raises
    ------
    StatisticsError
        If a series has no repeats or no scatter, or the margin is not above 1.

    Notes
    -----
    The ratio of variances follows F [1]_. Heavy tails, judged on both series together so that few
    readings show them better, act like fewer degrees of freedom, see `probetest.statistics.tails`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.9.
    """
    if not margin > 1:
        raise StatisticsError(f"a ratio of deviations that matters must be above 1, but got {margin}")
    if not (baseline.dof > 0 and stage.dof > 0 and baseline.sd_mm > 0 and stage.sd_mm > 0):
        raise StatisticsError(
            "a change of scatter can't be told: both series need a direction touched twice, and scatter"
        )
    groups = len(baseline.counts)
    tails = judge_tails(
        np.concatenate([part.residual_mm / part.sd_mm for part in (baseline, stage)]),
        np.concatenate([baseline.direction, groups + stage.direction]),
    )
    own, other = (max(part.dof * tails.dof_share, min(part.dof, LEAST_DOF)) for part in (stage, baseline))
    ratio = stage.sd_mm / baseline.sd_mm
    square = ratio**2
    p = 2 * min(float(special.fdtrc(own, other, square)), float(special.fdtr(own, other, square)))

    def limits(tail: float) -> tuple[float, float]:
        quantiles = (special.fdtri(own, other, 1 - tail), special.fdtri(own, other, tail))
        return ratio / float(np.sqrt(quantiles[0])), ratio / float(np.sqrt(quantiles[1]))

    low, high = limits(risk)
    within = bool(low >= 1 / margin and high <= margin)
    verdict: SpreadVerdict = "alike" if within else "can't tell"
    if p < risk:
        verdict = "larger" if ratio > 1 else "smaller"
    return SpreadChange(
        baseline_sd_mm=baseline.sd_mm,
        stage_sd_mm=stage.sd_mm,
        baseline_dof=other,
        stage_dof=own,
        ratio=ratio,
        interval=Interval(*limits((1 - level) / 2), level),
        p=min(p, 1.0),
        margin=margin,
        verdict=verdict,
        within_margin=within,
        heavy_tails=tails.heavy,
    )


def variation_change(
    baseline_mean_mm: Floats, stage_mean_mm: Floats, shifts: Shifts, level: float = 0.95
) -> VariationChange:
    """Change of the range over directions.

    Parameters
    ----------
    baseline_mean_mm, stage_mean_mm : numpy.ndarray, shape (paired,), mm
        Means of the directions of ``shifts``.
    shifts : Shifts
        Of at least 5 directions.
    level : float
        Two-sided level of the interval.

    Returns
    -------
    VariationChange

    Raises
    ------
    StatisticsError
        With fewer than 5 directions, or directions that do not span the plane.

    Notes
    -----
    Repeats are drawn about the means with the errors of the shifts, half of the variance in each
    series. The change of a range is never larger than the range of the changes, which limits the
    interval where the variation is small: the widest shift less the smallest, with the error of their
    difference among all pairs (Bonferroni).
    """
    count = len(shifts.azimuth_deg)
    design = np.column_stack([np.ones(count), unit_vectors(shifts.azimuth_deg)])
    if count < 5 or np.linalg.matrix_rank(design, tol=1e-6) < 3:
        raise StatisticsError(
            f"a change of variation needs at least 5 directions around the turn in both series, not {count}"
        )
    keep = np.eye(count) - design @ np.linalg.pinv(design)
    before, now = keep @ baseline_mean_mm, keep @ stage_mean_mm
    change = float(np.ptp(now) - np.ptp(before))
    rng = np.random.default_rng(SEED)
    root = keep @ np.linalg.cholesky(shifts.covariance / 2)
    drawn = rng.standard_normal((2, DRAWS, count)) @ root.T
    repeats = np.ptp(now + drawn[0], axis=1) - np.ptp(before + drawn[1], axis=1)
    u = float(repeats.std(ddof=1))
    half = t_factor(shifts.pooled_dof, level) * u
    # A range can't change by more than the shifts differ.
    spread = keep @ shifts.covariance @ keep.T
    apart = np.sqrt(np.maximum(np.add.outer(np.diag(spread), np.diag(spread)) - 2 * spread, 0.0))
    tail = (1 - level) / (count * (count - 1))
    factor = -float(special.stdtrit(shifts.pooled_dof, tail / 2))
    left = now - before
    most = float((np.abs(np.subtract.outer(left, left)) + factor * apart).max())
    return VariationChange(
        baseline_mm=float(np.ptp(before)),
        stage_mm=float(np.ptp(now)),
        change_mm=change,
        u_mm=u,
        interval_mm=Interval(max(change - half, -most), min(change + half, most), level),
        directions=count,
    )
