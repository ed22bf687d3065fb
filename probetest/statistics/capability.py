"""Capability of the readings against a tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.intervals import Interval, check_level, sd_interval
from probetest.statistics.tails import judge_tails

Floats = NDArray[np.float64]

NORMAL_RISK = 0.05
"""Below this p value readings are not taken for normal, and the percentile form is used."""

FEWEST = 5
"""With fewer readings no capability is given."""

FEW = 20
"""With fewer readings a warning goes with it."""

TAIL = 0.00135
"""Share outside 3 sd on one side of a normal distribution."""

QUANTILES = (TAIL, 0.5, 1 - TAIL)

TAIL_READINGS = 1000
"""With fewer readings such a tail can't be read off a scatter that isn't normal."""

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
    known_reference : bool
        Whether the tolerance is centred on a nominal pre-travel, not on the mean of the test.
    method : str
        What the figures are and how the intervals were made.
    warning : str
        Empty, or why the figures are no ground for a pass.
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
    known_reference: bool
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
    tails = judge_tails(residual, index)
    pooled = tails.heavy or _normality(residual) < NORMAL_RISK
    mixture = _Mixture(means, np.bincount(index), residual, within, known_reference, bias, pooled)
    percentile = mixture.figures(tolerance_mm, level)
    normal = p_value >= NORMAL_RISK and not _differ(means, np.bincount(index), within, n)
    if normal:
        figures, intervals = (cp, cpk), (cp_interval(cp, dof, level), normal_interval)
        method = "normal form; Cp: chi-square interval; Cpk: " + (
            "Bissell's approximation" if known_reference else "as Cp, for the mean is the reference"
        )
    else:
        figures = (percentile[0][0], percentile[1][0])
        intervals = (Interval(*percentile[0][1], level), Interval(*percentile[1][1], level))
        method = "percentile form (0.135 %, 50 %, 99.865 %) of all directions, each with " + (
            "the pooled scatter" if pooled else "a normal scatter"
        )
        method += f"; interval by {RESAMPLES} simulated tests"
    return Capability(
        cp=figures[0], cpk=figures[1], cp_interval=intervals[0], cpk_interval=intervals[1],
        n=n, bias_mm=bias, sd_mm=sd, effective_dof=dof, normal_p=p_value,
        normal_cp=cp, normal_cpk=cpk, percentile_cp=percentile[0][0], percentile_cpk=percentile[1][0],
        cg=STUDY_SHARE * tolerance_mm / (STUDY_SPREAD * within),
        known_reference=known_reference,
        method=method,
        warning=_warning(n, tails.heavy),
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


def _warning(n: int, heavy: bool) -> str:
    if n < FEW:
        return f"only {n} readings: take it as a hint"
    if heavy and n < TAIL_READINGS:
        return f"heavy tails: 0.135 % can't be told from fewer than {TAIL_READINGS} readings"
    return ""


_Figure = tuple[float, tuple[float, float]]
"""A figure and its limits."""


def _against(now: float, simulated: Floats, tail: float) -> _Figure:
    """Figure and limits, moved by what simulated tests make of a known figure."""
    low, middle, high = (float(q) for q in np.quantile(simulated, [tail, 0.5, 1 - tail]))
    if now > 0 and low > 0:
        return now**2 / middle, (now**2 / high, now**2 / low)
    return 2 * now - middle, (2 * now - high, 2 * now - low)


class _Mixture:
    """The readings of all directions: each direction has its own mean, all scatter alike.

    With a normal scatter the tails follow from mean and sd; otherwise the pooled residuals stand for
    them. Either way a tail of 0.135 % of all readings is read from all touches.
    """

    def __init__(
        self,
        means: Floats,
        counts: NDArray[np.intp],
        residual: Floats,
        within: float,
        known_reference: bool,
        bias: float,
        pooled: bool,
    ) -> None:
        self.means, self.counts, self.within = means, counts, within
        self.known_reference, self.bias, self.pooled = known_reference, bias, pooled
        self.dof = len(residual) - len(means)
        # Residuals are smaller than scatter, for each direction's own mean was taken off.
        self.pool = _sketch(residual * np.sqrt(len(residual) / self.dof))

    def figures(self, tolerance_mm: float, level: float) -> tuple[_Figure, _Figure]:
        """Cp and Cpk of the percentile form, with intervals, corrected by simulated tests.

        The means of the outermost directions stand out by chance as well, which makes the spread
        too large. Tests simulated from the readings show by how much; figure and limits are moved
        against it (a basic bootstrap interval of the logarithm).
        """
        sd = np.array([self.within])
        settled = self._settled(self.means[None, :], sd)
        pool = self.pool[None, :]
        observed = self._values(settled, sd, pool, tolerance_mm)
        rng = np.random.default_rng(SEED)
        errors = rng.normal(size=(RESAMPLES, len(self.means))) / np.sqrt(self.counts)
        drawn_sd = self.within * np.sqrt(rng.chisquare(self.dof, RESAMPLES) / self.dof)
        drawn = self._settled(settled + self.within * errors, drawn_sd)
        picks = rng.integers(pool.size, size=(RESAMPLES, pool.size)) if self.pooled else np.zeros((1, 1), int)
        simulated = self._values(drawn, drawn_sd, self.pool[picks], tolerance_mm)
        tail = (1 - level) / 2
        figures = [
            _against(now.item(), others, tail) for now, others in zip(observed, simulated, strict=True)
        ]
        return figures[0], figures[1]

    def _values(self, means: Floats, sd: Floats, pools: Floats, tolerance_mm: float) -> tuple[Floats, Floats]:
        """Cp and Cpk of each test; shape (tests,)."""
        if self.pooled:
            pairs = zip(means, pools, strict=True)
            quantiles = np.array([_pooled_quantiles(row, pool) for row, pool in pairs])
        else:
            quantiles = _normal_quantiles(means, sd)
        weights = self.counts / self.counts.sum()
        reference = self.means[None, :] @ weights if self.known_reference else means @ weights
        return _percentile_form(quantiles + (self.bias - reference)[:, None], tolerance_mm)

    def _settled(self, means: Floats, sd: Floats | float) -> Floats:
        """Means drawn together by what their own scatter spreads them; shape (tests, directions)."""
        middle = (means @ (self.counts / self.counts.sum()))[:, None]
        observed = ((means - middle) ** 2).mean(axis=1)
        noise = np.square(sd) * float((1 / self.counts).mean()) * (1 - 1 / means.shape[1])
        keep = np.sqrt(np.clip(1 - noise / np.maximum(observed, 1e-300), 0.0, 1.0))
        return np.asarray(middle + keep[:, None] * (means - middle))


def _differ(means: Floats, counts: NDArray[np.intp], within: float, n: int) -> bool:
    """Whether direction means differ by more than scatter, at the risk of the normality test."""
    if len(means) < 2:
        return False
    between = float((counts * (means - np.average(means, weights=counts)) ** 2).sum()) / (len(means) - 1)
    return bool(stats.f.sf(between / within**2, len(means) - 1, n - len(means)) < NORMAL_RISK)


def _sketch(scatter: Floats) -> Floats:
    """Scatter as it is, or for a long test as many of its quantiles as resolve the tails."""
    if len(scatter) <= SKETCH:
        return scatter
    return np.asarray(np.quantile(scatter, (np.arange(SKETCH) + 0.5) / SKETCH))


def _pooled_quantiles(means: Floats, pool: Floats) -> Floats:
    return np.asarray(np.quantile((means[:, None] + pool[None, :]).ravel(), QUANTILES))


def _normal_quantiles(means: Floats, sd: Floats) -> Floats:
    """Quantiles of mixtures of normals of equal weight, by bisection; shape (tests, 3)."""
    wanted = np.array(QUANTILES)
    low = np.repeat((means.min(axis=1) - 4 * sd)[:, None], 3, axis=1)
    high = np.repeat((means.max(axis=1) + 4 * sd)[:, None], 3, axis=1)
    for _ in range(40):
        middle = (low + high) / 2
        share = special.ndtr((middle[:, :, None] - means[:, None, :]) / sd[:, None, None]).mean(axis=2)
        low, high = np.where(share < wanted, middle, low), np.where(share < wanted, high, middle)
    return np.asarray((low + high) / 2)


def _percentile_form(quantiles: Floats, tolerance_mm: float) -> tuple[Floats, Floats]:
    """Cp and Cpk from quantiles about the middle of the tolerance, shape (tests, 3)."""
    low, middle, high = quantiles.T
    half = tolerance_mm / 2
    upper, lower = (half - middle) / (high - middle), (middle + half) / (middle - low)
    return np.asarray(tolerance_mm / (high - low)), np.asarray(np.minimum(upper, lower))
