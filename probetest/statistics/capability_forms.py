"""Forms of capability figures and their limits: one population, percentiles, counted readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from probetest.errors import StatisticsError
from probetest.statistics.approach import group_means
from probetest.statistics.intervals import Interval, check_level, sd_interval
from probetest.statistics.mixture import Mixture, Quantiles, Shape, with_shape
from probetest.statistics.tolerance import CONTENT, readings_beyond

Floats = NDArray[np.float64]
Form = Literal["normal", "mixture", "shaped", "counted"]
Limits = tuple[float, float]
Figure = tuple[float, Limits]
"""A figure and its limits, each at the same risk."""

NORMAL_RISK = 0.05
"""Below this p value a long test is not taken for normal, and its percentiles are counted."""

FEW = 20
"""With fewer readings a warning goes with it."""

TAIL = (1 - CONTENT) / 2
"""Share outside 3 sd on one side of a normal distribution, 0.135 %."""

QUANTILES = (TAIL, 0.5, 1 - TAIL)

TAIL_READINGS = 2731
"""With fewer readings such a tail can't be counted: the outermost may lie within it (risk 2.5 %)."""

FAR = 1000.0
"""Above such a capability the error of the mean is nothing beside that of the sd (1e-7 of it)."""

ALIKE = 1.5
"""Standard errors of their difference up to which both sides of a tolerance may be the nearer one."""

APART = 3.5
"""Standard errors from which only one side is."""

ROOM_AND_REACH = np.array([[0.0, -1.0, 0.0], [0.0, -1.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 1.0, 0.0]])
"""Room to the limit, and reach of the readings, from the quantiles: above, then below the median."""

METHODS: dict[Form, str] = {
    "normal": "normal form: directions show no difference; Cp: chi-square interval; Cpk: the same, with "
    "the error of the mean",
    "mixture": "percentile form (0.135 %, 50 %, 99.865 %) of all directions, each with a normal scatter; "
    "intervals from standard errors",
    "shaped": "percentile form (0.135 %, 50 %, 99.865 %) of all directions, each with the skewness and tails "
    "that the readings show; intervals from standard errors",
    "counted": "percentile form (0.135 %, 50 %, 99.865 %) counted from the readings; intervals by order "
    "statistics",
}


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
    if capability > FAR:
        return cp_interval(capability, n - 1, level)
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


def percentile_figures(found: Quantiles, half_mm: float, risk: float) -> tuple[Figure, Figure]:
    """Cp and Cpk of a tolerance about 0 from the quantiles at 0.135, 50 and 99.865 %.

    Parameters
    ----------
    found : Quantiles
        About the middle of the tolerance.
    half_mm : float
        Half of the tolerance.
    risk : float
        Of each limit.

    Returns
    -------
    tuple of (float, (float, float))
        Cp, then Cpk.

    Notes
    -----
    Cpk is the smaller of two figures. It keeps a lower limit where both do; it breaks an upper one
    where either does, so that its upper limit is moved outwards where both sides may be the nearer.
    """
    ends = np.array([-1.0, 0.0, 1.0])
    spread = float(ends @ found.value_mm)
    shortest, longest = reach_limits(spread, float(ends @ found.covariance_mm2 @ ends), risk)
    above, (above_lower, above_upper) = side_figure(found, half_mm, risk, above=True)
    below, (below_lower, below_upper) = side_figure(found, half_mm, risk, above=False)
    wider = _for_either(found, half_mm, risk)
    upper = min(above + wider * (above_upper - above), below + wider * (below_upper - below))
    return (
        (2 * half_mm / spread, (2 * half_mm / longest, 2 * half_mm / shortest)),
        (min(above, below), (min(above_lower, below_lower), upper)),
    )


def side_figure(found: Quantiles, limit_mm: float, risk: float, *, above: bool) -> Figure:
    """Room between median and limit over the reach of readings on that side, and its limits.

    Parameters
    ----------
    found : Quantiles
        At 0.135, 50 and 99.865 %.
    limit_mm : float
        Distance of the limit from 0, outwards.
    risk : float
        Of each limit.
    above : bool
        Which side.

    Notes
    -----
    The part of the room that goes with the reach moves the figure by a constant; what is left is
    independent of it. The limits are the root of the squares of both distances (recovered from
    the limits of the parts [1]_).

    References
    ----------
    .. [1] A. Donner and G. Y. Zou, "Closed-form confidence intervals for functions of the normal
       mean and standard deviation", Statistical Methods in Medical Research 21 (2012) 347-359.
    """
    rows = ROOM_AND_REACH[:2] if above else ROOM_AND_REACH[2:]
    shift, reach = (float(v) for v in rows @ found.value_mm)
    covariance = rows @ found.covariance_mm2 @ rows.T
    together = float(covariance[0, 1] / covariance[1, 1])
    apart_u = float(np.sqrt(max(0.0, covariance[0, 0] - together * covariance[0, 1])))
    room = limit_mm + shift
    own = room / reach - together
    nearest, farthest = reach_limits(reach, float(covariance[1, 1]), risk)
    least, most = sorted((own * reach / farthest, own * reach / nearest))
    error = float(special.ndtri(1 - risk)) * apart_u / reach
    return room / reach, (
        room / reach - float(np.hypot(error, own - least)),
        room / reach + float(np.hypot(error, most - own)),
    )


def reach_limits(reach: float, variance: float, risk: float) -> Limits:
    """Chi-square limits of a distance, with the degrees of freedom of its relative variance."""
    dof = reach**2 / (2 * variance)
    return (
        reach * float(np.sqrt(dof / 2 / special.gammainccinv(dof / 2, risk))),
        reach * float(np.sqrt(dof / 2 / special.gammaincinv(dof / 2, risk))),
    )


def _for_either(found: Quantiles, half_mm: float, risk: float) -> float:
    """By how much a limit is farther out if either of two sides may break it, each as likely."""
    parts = ROOM_AND_REACH @ found.value_mm + half_mm * np.array([1, 0, 1, 0])
    room_above, above, room_below, below = parts.tolist()
    slopes = np.array([
        [1 / above, -room_above / above**2, 0.0, 0.0], [0.0, 0.0, 1 / below, -room_below / below**2]
    ])  # fmt: skip
    rows = slopes @ ROOM_AND_REACH
    first, both, second = (rows @ found.covariance_mm2 @ rows.T)[[0, 0, 1], [0, 1, 1]].tolist()
    difference = room_above / above - room_below / below
    apart_u = float(np.sqrt(max(0.0, first + second - 2 * both)))
    likely = (APART - abs(difference) / apart_u) / (APART - ALIKE) if apart_u > 1e-9 * above else 0.0
    if likely <= 0:
        return 1.0
    correlation = float(np.clip(both / np.sqrt(first * second), -1.0, 1.0))
    ratio = float(np.sqrt((1 - correlation) / max(1 + correlation, 1e-12)))
    score = float(special.ndtri(1 - risk))

    def excess(farther: float) -> float:
        # Both of two correlated normal deviates beyond a score (Owen).
        return float(special.ndtr(-farther) + 2 * special.owens_t(farther, ratio)) - risk

    either = float(optimize.brentq(excess, score - 1e-9, score + 1.0, xtol=1e-6))
    return 1 + (either / score - 1) * min(1.0, likely)


def counted_figures(error_mm: Floats, half_mm: float, tail: float, risk: float) -> tuple[Figure, Figure]:
    """Cp and Cpk of a tolerance about 0 from percentiles counted from the readings.

    Parameters
    ----------
    error_mm : numpy.ndarray, shape (touches,), mm
        About the middle of the tolerance.
    half_mm : float
    tail : float
        Share beyond each outer percentile.
    risk : float
        Of each limit.

    Returns
    -------
    tuple of (float, (float, float))
        Cp, then Cpk. Lower limits are nil where even the outermost reading may lie within.

    Notes
    -----
    The limits of the upper and the lower percentile are put together, which is safe. The error of
    the median is left out: it is a sixth of that of a counted tail at the most.
    """
    ordered = np.sort(error_mm)
    low, high = (float(q) for q in np.quantile(ordered, (tail, 1 - tail)))
    near, far = counted_limits(ordered, tail, risk)
    near_low, far_low = counted_limits(-ordered[::-1], tail, risk)
    cp = _over(2 * half_mm, high - low)
    cp_limits = _over(2 * half_mm, far + far_low), _over(2 * half_mm, near + near_low)
    above, (above_lower, _) = counted_side(ordered, half_mm, tail, risk)
    below, (below_lower, _) = counted_side(-ordered[::-1], half_mm, tail, risk)
    # Either side may break the limit: half of the risk for each.
    upper = min(counted_side(side, half_mm, tail, risk / 2)[1][1] for side in (ordered, -ordered[::-1]))
    return (cp, cp_limits), (min(above, below), (min(above_lower, below_lower), upper))


def counted_side(ordered_mm: Floats, limit_mm: float, tail: float, risk: float) -> Figure:
    """As `side_figure` for an upper limit, counted from the ordered readings."""
    median, high = (float(q) for q in np.quantile(ordered_mm, (0.5, 1 - tail)))
    near, far = counted_limits(ordered_mm, tail, risk)
    room = limit_mm - median
    least, most = sorted((_over(room, near - median), _over(room, far - median)))
    return _over(room, high - median), (least, most)


def counted_limits(ordered_mm: Floats, tail: float, risk: float) -> Limits:
    """Limits of the percentile that ``tail`` of all readings lie beyond; the outer one may be infinite."""
    n = len(ordered_mm)
    least, most = readings_beyond(n, tail, risk)
    return float(ordered_mm[n - 1 - min(most, n - 1)]), float(ordered_mm[n - least]) if least else np.inf


def _over(room: float, reach: float) -> float:
    return room / reach if reach > 0 else float(np.copysign(np.inf, room))


def form_of(mixture: Mixture, shape: Shape, error: Floats, index: NDArray[np.intp]) -> Form:
    """Form that suits the readings: what they show of lobing and shape, and whether they can be counted."""
    if len(error) >= TAIL_READINGS:
        residual = error - error[0]
        residual = residual - group_means(residual, index, len(mixture.offset_mm))[index]
        if shape.odd or normality(residual) < NORMAL_RISK:
            return "counted"
    if shape.odd:
        return "shaped"
    return "mixture" if mixture.keep else "normal"


def figures_by_form(
    form: Form,
    plain: Quantiles,
    mixture: Mixture,
    shape: Shape,
    measure: Callable[[Quantiles], Sequence[Figure]],
    count: Callable[[], Sequence[Figure]],
) -> tuple[Sequence[Figure], float]:
    """Figures of a form, and the lower limit of the last with the shape that the readings allow."""
    if form == "counted":
        counted = count()
        return counted, counted[-1][1][0]
    wary = measure(with_shape(plain, shape, mixture.spread_mm, outwards=True))[-1][1][0]
    normal = measure(plain)
    found = measure(with_shape(plain, shape, mixture.spread_mm)) if form == "shaped" else normal
    # A flat scatter reaches less far than a normal one: only counted readings speak for a fail.
    others = (normal, count()) if shape.light else (normal,)
    farthest = [max(limits[1] for _, limits in row) for row in zip(found, *others, strict=True)]
    widened = [(value, (lower, upper)) for (value, (lower, _)), upper in zip(found, farthest, strict=True)]
    return widened, min(wary, widened[-1][1][0])


def normality(error: Floats) -> float:
    """Chance of readings so far from normal: Shapiro and Wilk, or skewness and kurtosis of a long test."""
    if len(error) > 5000:
        return float(stats.normaltest(error).pvalue)
    return float(stats.shapiro(error).pvalue)


def warning_of(n: int, form: Form, shape: Shape) -> str:
    """Why a figure is no ground for a pass, or nothing."""
    if n < FEW:
        return f"only {n} readings: take it as a hint"
    if form == "shaped":
        what = "heavy tails" if shape.heavy else "skew scatter"
        return f"{what}: 0.135 % can't be told from fewer than {TAIL_READINGS} readings"
    return ""


def presumption(form: Form, n: int, lowest: float, level: float, share: float, where: str) -> str:
    """What a figure rests on: form, lower limit with the shape that is not excluded, bound of the share."""
    bound = f"whatever the tails, at most {100 * share:.2g} % of single readings lie {where} (95 %, n = {n})"
    if form == "counted":
        return f"independent readings and no shape: the percentiles are counted; {bound}"
    if form == "shaped":
        return f"tails as the readings show them, which {n} readings can't show to 0.135 %; {bound}"
    return (
        f"normal tails, which {n} readings can't show to 0.135 %: with the skewness and tails that they "
        f"don't exclude the lower limit of the {100 * level:g} % interval is {lowest:.2f}; {bound}"
    )
