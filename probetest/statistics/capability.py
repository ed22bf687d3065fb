"""Capability of the readings against a tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.intervals import Interval, check_level, sd_interval

Floats = NDArray[np.float64]

NORMAL_RISK = 0.05
"""Below this p value readings are not taken for normal, and the percentile form is used."""

FEWEST = 5
"""With fewer readings no capability is given."""

FEW = 20
"""With fewer readings a warning goes with it."""

TAIL = 0.00135
"""Share outside 3 sd on one side of a normal distribution."""

STUDY_SHARE = 0.2
"""Share of the tolerance in Cg (common practice, no source; conventions differ)."""

STUDY_SPREAD = 6.0
"""Standard deviations in the spread of Cg (common practice, no source; others use 4)."""

RESAMPLES = 400
SEED = 20260302
SKETCH = 2000


@dataclass(frozen=True, slots=True)
class Capability:
    """Cp and Cpk of readings against a tolerance.

    Attributes
    ----------
    cp, cpk : float
        In the form named by ``method``.
    cp_interval, cpk_interval : Interval
    n : int
        Readings.
    bias_mm : float
        Mean reading less the middle of the tolerance.
    sd_mm : float
        Standard deviation of all readings, lobing included.
    effective_dof : float
        Degrees of freedom of ``sd_mm``, direction means taken as fixed.
    normal_p : float
        p value of the normality test of all readings.
    normal_cp, normal_cpk, percentile_cp, percentile_cpk : float
        Both forms.
    cg : float
        0.2 T / (6 s_r): repeatability alone.
    method : str
        What the figures are and how the intervals were made.
    warning : str
        Empty, or what to mind.
    """

    cp: float
    cpk: float
    cp_interval: Interval
    cpk_interval: Interval
    n: int
    bias_mm: float
    sd_mm: float
    effective_dof: float
    normal_p: float
    normal_cp: float
    normal_cpk: float
    percentile_cp: float
    percentile_cpk: float
    cg: float
    method: str
    warning: str


def cp_interval(cp: float, dof: float, level: float = 0.95) -> Interval:
    """Chi-square interval of Cp.

    References
    ----------
    .. [1] D. C. Montgomery, Introduction to Statistical Quality Control, interval for Cp.

    Examples
    --------
    >>> round(cp_interval(2.2857142857, 19).lower, 4)
    1.5649
    """
    spread = sd_interval(1.0, dof, level)
    return Interval(cp / spread.upper, cp / spread.lower, level)


def cpk_interval(cpk: float, n: float, dof: float, level: float = 0.95) -> Interval:
    """Approximate interval of Cpk after Bissell.

    Parameters
    ----------
    cpk : float
    n : float
        Readings behind the mean; infinite when the mean is known.
    dof : float
        Degrees of freedom of the sd.
    level : float

    References
    ----------
    .. [1] A. F. Bissell, "How reliable is your capability index?", Applied Statistics 39 (1990) 331-340.

    Examples
    --------
    >>> round(cpk_interval(1.33, 20, 19).lower, 3)
    0.883
    """
    check_level(level)
    half = float(stats.norm.isf((1 - level) / 2) * np.sqrt(1 / (9 * n) + cpk**2 / (2 * dof)))
    return Interval(cpk - half, cpk + half, level)


def one_sided_capability_interval(capability: float, n: int, level: float = 0.95) -> Interval:
    """Exact interval of a one-sided capability (Cpu or Cpl) of n normal readings.

    Notes
    -----
    3 sqrt(n) C follows a noncentral t distribution; the limits are the values of the true C for
    which the observed one is an outer quantile.
    """
    check_level(level)
    if n < 2:
        raise StatisticsError(f"a capability interval needs n >= 2, but got {n}")
    if capability < 0:
        mirrored = one_sided_capability_interval(-capability, n, level)
        return Interval(-mirrored.upper, -mirrored.lower, level)
    root = 3 * np.sqrt(n)
    tail = (1 - level) / 2
    # Limits with all of the sd and, added to it, all of the mean at half the risk lie outside.
    spread = sd_interval(1.0, n - 1, 1 - tail)
    reach = float(stats.norm.isf(tail / 2)) / root
    bracket = capability / spread.upper - reach, capability / spread.lower + reach

    def limit(probability: float) -> float:
        def excess(truth: float) -> float:
            return float(stats.nct.cdf(root * capability, n - 1, root * truth)) - probability

        return float(optimize.brentq(excess, *bracket, xtol=1e-10))

    return Interval(limit(1 - tail), limit(tail), level)


def capability(
    error_mm: ArrayLike,
    direction: ArrayLike,
    tolerance_mm: float,
    *,
    known_reference: bool,
    level: float = 0.95,
) -> Capability:
    """Capability of single readings, over all tested directions, against a tolerance.

    Parameters
    ----------
    error_mm : array_like, shape (touches,), mm
        Reading less the reference: the nominal pre-travel where it is known, otherwise the mean
        of the direction means (as a user has it who calibrates one mean radius).
    direction : array_like of int, shape (touches,)
        Index of the direction, 0 .. m - 1, none empty.
    tolerance_mm : float
        Full width; the tolerance reaches half of it to either side of the reference.
    known_reference : bool
        False: the mean is the reference, bias is nil by construction and Cpk equals Cp in the
        normal form.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    Capability

    Raises
    ------
    StatisticsError
        With fewer than ``FEWEST`` readings, without scatter within directions, or if the tolerance
        is not positive.

    Notes
    -----
    Directions are fixed, not drawn at random: the variance of all readings then has
    (N - 1) (1 + a)**2 / (1 + 2 a) degrees of freedom, a = between-direction variance over
    within-direction variance (matching two moments of the noncentral chi-square distribution;
    a = 0 gives the usual N - 1).
    """
    error = np.asarray(error_mm, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    n = len(error)
    if n < FEWEST:
        raise StatisticsError(f"capability needs at least {FEWEST} readings, but got {n}")
    if not tolerance_mm > 0:
        raise StatisticsError(f"a tolerance must be above 0 mm, but got {tolerance_mm}")
    groups = int(index.max()) + 1
    means = group_means(error, index, groups)
    residual = error - means[index]
    sd = float((error - error[0]).std(ddof=1))
    if n <= groups or not np.any(residual):
        raise StatisticsError("capability can't be told: repeated readings show no scatter")
    within = float(np.sqrt((residual**2).sum() / (n - groups)))
    dof = _effective_dof(means, index, within, n)
    bias = float(error.mean()) if known_reference else 0.0
    cp = tolerance_mm / (6 * sd)
    cpk = (tolerance_mm / 2 - abs(bias)) / (3 * sd)
    if known_reference:
        # Standard error of the mean: directions are fixed, so only the scatter within counts.
        mean_n = n * (sd / within) ** 2
        normal_interval = cpk_interval(cpk, mean_n, dof, level)
    else:
        normal_interval = cp_interval(cpk, dof, level)
    p_value = _normality(error)
    # Residuals are smaller than scatter, for each direction's own mean was taken off.
    scatter = residual * np.sqrt(n / (n - groups))
    percentile = _percentile_form(means, scatter, bias, tolerance_mm)
    normal = p_value >= NORMAL_RISK
    if normal:
        figures, intervals = (cp, cpk), (cp_interval(cp, dof, level), normal_interval)
        method = "normal form; Cp: chi-square interval; Cpk: " + (
            "Bissell's approximation" if known_reference else "as Cp, for the mean is the reference"
        )
    else:
        figures = percentile
        intervals = _bootstrap(means, scatter, index, known_reference, bias, tolerance_mm, level)
        method = f"percentile form (0.135 %, 50 %, 99.865 %); bootstrap interval, {RESAMPLES} resamples"
    return Capability(
        cp=figures[0], cpk=figures[1], cp_interval=intervals[0], cpk_interval=intervals[1],
        n=n, bias_mm=bias, sd_mm=sd, effective_dof=dof, normal_p=p_value,
        normal_cp=cp, normal_cpk=cpk, percentile_cp=percentile[0], percentile_cpk=percentile[1],
        cg=STUDY_SHARE * tolerance_mm / (STUDY_SPREAD * within),
        method=method,
        warning=f"only {n} readings: take it as a hint" if n < FEW else "",
    )  # fmt: skip


def _effective_dof(means: Floats, index: NDArray[np.intp], within: float, n: int) -> float:
    counts = np.bincount(index)
    between = float((counts * (means - np.average(means, weights=counts)) ** 2).sum())
    ratio = max(0.0, between / within**2 - (len(means) - 1)) / (n - 1)
    return (n - 1) * (1 + ratio) ** 2 / (1 + 2 * ratio)


def _normality(error: Floats) -> float:
    if len(error) > 5000:
        return float(stats.normaltest(error).pvalue)
    return float(stats.shapiro(error).pvalue)


def _sketch(scatter: Floats) -> Floats:
    """Scatter as it is, or for a long test as many of its quantiles as resolve the tails."""
    if len(scatter) <= SKETCH:
        return scatter
    return np.asarray(np.quantile(scatter, (np.arange(SKETCH) + 0.5) / SKETCH))


def _percentile_form(means: Floats, scatter: Floats, bias: float, tolerance_mm: float) -> tuple[float, float]:
    """Cp and Cpk from percentiles of the mixture of all directions.

    Every direction is taken to scatter as all do together, so that a tail of 0.135 % can be read
    from far fewer than 1,000 touches per direction.
    """
    mixture = (means[:, None] + _sketch(scatter)[None, :]).ravel()
    mixture = mixture - mixture.mean() + bias
    low, middle, high = np.quantile(mixture, [TAIL, 0.5, 1 - TAIL])
    half = tolerance_mm / 2
    upper = (half - middle) / (high - middle)
    lower = (middle + half) / (middle - low)
    return float(tolerance_mm / (high - low)), float(min(upper, lower))


def _bootstrap(
    means: Floats,
    scatter: Floats,
    index: NDArray[np.intp],
    known_reference: bool,
    bias: float,
    tolerance_mm: float,
    level: float,
) -> tuple[Interval, Interval]:
    rng = np.random.default_rng(SEED)
    counts = np.bincount(index)
    pool = _sketch(scatter)
    sd = float(scatter.std())
    values = np.empty((RESAMPLES, 2))
    for i in range(RESAMPLES):
        shift = rng.normal(0.0, sd / np.sqrt(counts))
        sample = rng.choice(pool, size=len(pool))
        offset = bias + float(np.average(shift, weights=counts)) if known_reference else 0.0
        values[i] = _percentile_form(means + shift, sample, offset, tolerance_mm)
    tail = (1 - level) / 2
    limits = np.quantile(values, [tail, 1 - tail], axis=0)
    return (
        Interval(float(limits[0, 0]), float(limits[1, 0]), level),
        Interval(float(limits[0, 1]), float(limits[1, 1]), level),
    )
