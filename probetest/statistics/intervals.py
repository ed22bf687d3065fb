"""The intervals that all statistics share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from probetest.errors import StatisticsError


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval that remembers its own level.

    Attributes
    ----------
    lower, upper : float
        Limits in the unit of the figure; infinite where one side is open.
    level : float
        Confidence level, two-sided unless the maker of the interval says otherwise.
    """

    lower: float
    upper: float
    level: float = 0.95

    def __contains__(self, value: float) -> bool:
        return self.lower <= value <= self.upper

    @property
    def half_width(self) -> float:
        """Half of the distance between the limits."""
        return (self.upper - self.lower) / 2


def check_level(level: float) -> None:
    """Refuse a confidence level outside (0, 1).

    Raises
    ------
    StatisticsError
        If ``level`` is not strictly between 0 and 1.
    """
    if not 0 < level < 1:
        raise StatisticsError(f"a confidence level must lie between 0 and 1, but got {level}")


def sd_interval(sd: float, dof: float, level: float = 0.95) -> Interval:
    """Chi-square interval of a standard deviation of normal readings.

    Parameters
    ----------
    sd : float
        Sample (or pooled) standard deviation, >= 0.
    dof : float
        Its degrees of freedom, > 0; may be fractional.
    level : float
        Two-sided confidence level.

    Returns
    -------
    Interval
        In the unit of ``sd``.

    Raises
    ------
    StatisticsError
        If ``dof`` <= 0 or ``sd`` < 0.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.8.

    Examples
    --------
    >>> sd_interval(1.0, 9).upper  # doctest: +ELLIPSIS
    1.825...
    """
    check_level(level)
    if dof <= 0 or sd < 0:
        raise StatisticsError(f"a standard deviation needs dof > 0 and sd >= 0, but got dof={dof}, sd={sd}")
    tail = (1 - level) / 2
    # Chi-square quantiles by their gamma functions: called once a direction, stats.chi2 would be slow.
    return Interval(
        float(sd * np.sqrt(dof / 2 / special.gammainccinv(dof / 2, tail))),
        float(sd * np.sqrt(dof / 2 / special.gammaincinv(dof / 2, tail))),
        level,
    )


def mean_interval(mean: float, standard_error: float, dof: float, level: float = 0.95) -> Interval:
    """Student t interval of an estimate with an estimated standard error.

    Raises
    ------
    StatisticsError
        If ``dof`` <= 0 or ``standard_error`` < 0.
    """
    check_level(level)
    if dof <= 0 or standard_error < 0:
        raise StatisticsError(
            f"a t interval needs dof > 0 and a standard error >= 0, but got dof={dof}, {standard_error}"
        )
    half = t_factor(dof, level) * standard_error
    return Interval(mean - half, mean + half, level)


def t_factor(dof: float, level: float = 0.95) -> float:
    """Student t factor of a two-sided interval.

    Examples
    --------
    >>> round(t_factor(10), 3)
    2.228
    """
    return float(stats.t.isf((1 - level) / 2, dof))


def proportion_interval(events: int, trials: int, level: float = 0.95) -> Interval:
    """Clopper-Pearson ("exact") interval of a proportion.

    Parameters
    ----------
    events, trials : int
        0 <= events <= trials, trials >= 1.
    level : float
        Two-sided confidence level.

    Returns
    -------
    Interval
        Share of trials, 0..1.

    Raises
    ------
    StatisticsError
        If the counts are impossible.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.1.

    Examples
    --------
    >>> round(proportion_interval(4, 20, 0.90).upper, 6)
    0.401028
    """
    check_level(level)
    if trials < 1 or not 0 <= events <= trials:
        raise StatisticsError(f"a proportion needs 0 <= events <= trials, but got {events} of {trials}")
    tail = (1 - level) / 2
    lower = 0.0 if events == 0 else float(stats.beta.ppf(tail, events, trials - events + 1))
    upper = 1.0 if events == trials else float(stats.beta.isf(tail, events + 1, trials - events))
    return Interval(lower, upper, level)


def proportion_upper(events: int, trials: int, confidence: float = 0.95) -> float:
    """One-sided Clopper-Pearson upper bound of a proportion.

    With no event in n trials and 95 % it is 1 - 0.05**(1/n), close to 3/n.

    Examples
    --------
    >>> round(proportion_upper(0, 299), 5)
    0.00997
    """
    return proportion_interval(events, trials, 2 * confidence - 1).upper


def one_sided_tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Exact one-sided normal tolerance factor k: mean + k sd covers ``coverage`` of the population.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3 (noncentral t form).

    Examples
    --------
    >>> round(one_sided_tolerance_factor(10, 0.95, 0.95), 3)
    2.911
    """
    check_level(coverage)
    check_level(confidence)
    if n < 2:
        raise StatisticsError(f"a tolerance factor needs n >= 2, but got {n}")
    root = np.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, stats.norm.ppf(coverage) * root) / root)
