"""Readings that stand apart: single touches, whole directions, unusual scatter. Flagged, never dropped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.repeatability import cochran_critical

Floats = NDArray[np.float64]

FAMILY_RISK = 0.01
"""Chance of any false flag of one kind in a whole test of normal readings."""

MIN_TOUCHES = 5
"""Fewer touches in a direction are not tested for outliers."""

APART_SD = 2.5
"""A touch is flagged only if it lies further than this many typical sd from its mean."""

STEPS_APART = 2.0
"""A touch is flagged only if it lies further than this many resolution steps from its mean."""


@dataclass(frozen=True, slots=True)
class EsdResult:
    """Generalised ESD test of one sample.

    Attributes
    ----------
    candidates : tuple of int
        Indices, most extreme first, one per tested outlier.
    statistics, criticals : tuple of float
        R_i and lambda_i.
    outliers : int
        How many of the candidates are outliers.
    """

    candidates: tuple[int, ...]
    statistics: tuple[float, ...]
    criticals: tuple[float, ...]
    outliers: int


@dataclass(frozen=True, slots=True)
class OutlierFlag:
    """One flag.

    Attributes
    ----------
    kind : str
        "touch" (one reading), "direction" (a mean off the fitted shape) or "scatter".
    direction : int
        Index of the direction.
    touch : int or None
        Index of the touch in the arrays given; None for the other kinds.
    deviation_mm : float
        From the mean of the direction ("touch"), from the shape ("direction"); the sd ("scatter").
    statistic, critical : float
        Of the test that raised the flag.
    risk : float
        Family-wise risk of a false flag of this kind.
    """

    kind: Literal["touch", "direction", "scatter"]
    direction: int
    touch: int | None
    deviation_mm: float
    statistic: float
    critical: float
    risk: float


def esd_critical(n: int, removed: int, risk: float) -> float:
    """Critical value lambda of the generalised ESD test after ``removed`` values were taken out.

    Examples
    --------
    >>> round(esd_critical(54, 0, 0.05), 4)
    3.1588
    """
    left = n - removed
    t = -float(special.stdtrit(left - 2, risk / (2 * left)))
    return (left - 1) * t / float(np.sqrt((left - 2 + t**2) * left))


def generalised_esd(values: ArrayLike, max_outliers: int, risk: float) -> EsdResult:
    """Generalised extreme studentised deviate test, two-sided.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least 3 + ``max_outliers``.
    max_outliers : int
        Most outliers looked for.
    risk : float
        Risk of a false alarm for the whole sample.

    Returns
    -------
    EsdResult

    Raises
    ------
    StatisticsError
        With too few values.

    References
    ----------
    .. [1] B. Rosner, "Percentage points for a generalized ESD many-outlier procedure",
       Technometrics 25 (1983) 165-172.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17.3.
    """
    sample = np.asarray(values, dtype=float)
    if len(sample) < 3 + max_outliers or max_outliers < 1:
        raise StatisticsError(
            f"{max_outliers} outlier(s) can't be looked for among {len(sample)} values; at least "
            f"{3 + max_outliers} are needed"
        )
    remaining = np.arange(len(sample))
    candidates, statistics, criticals = [], [], []
    for removed in range(max_outliers):
        left = sample[remaining]
        spread = left.std(ddof=1)
        if spread == 0:
            break
        distance = np.abs(left - left.mean()) / spread
        extreme = int(distance.argmax())
        candidates.append(int(remaining[extreme]))
        statistics.append(float(distance[extreme]))
        criticals.append(esd_critical(len(sample), removed, risk))
        remaining = np.delete(remaining, extreme)
    beyond = [i + 1 for i in range(len(statistics)) if statistics[i] > criticals[i]]
    return EsdResult(tuple(candidates), tuple(statistics), tuple(criticals), max(beyond, default=0))


def most_outliers(n: int) -> int:
    """How many outliers are looked for among ``n`` values: one in five, at least 1, at most 10."""
    return int(np.clip(n // 5, 1, 10))


def typical_sd(reading_mm: ArrayLike, direction: ArrayLike) -> float:
    """Scatter of a usual direction, which outliers in a few others don't move; NaN if none repeats.

    Notes
    -----
    Root of the median over directions of variance / (median of chi-square / dof).
    """
    reading = np.asarray(reading_mm, dtype=float)
    index = np.asarray(direction)
    scaled = []
    for label in np.unique(index):
        values = reading[index == label]
        if len(values) > 1:
            dof = len(values) - 1
            scaled.append(values.var(ddof=1) / (special.chdtri(dof, 0.5) / dof))
    return float(np.sqrt(np.median(scaled))) if scaled else float("nan")


def flag_touches(
    reading_mm: ArrayLike, direction: ArrayLike, *, step_mm: float = 0.0, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Outlying touches within their direction.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
    direction : array_like of int, shape (touches,)
    step_mm : float
        Resolution; deviations up to ``STEPS_APART`` steps are never flagged.
    risk : float
        Family-wise risk over all directions; each direction is tested at 1 - (1 - risk)**(1/m).

    Returns
    -------
    tuple of OutlierFlag
        In the order of the touches. Directions with fewer than ``MIN_TOUCHES`` are not tested.

    Notes
    -----
    A flagged touch must also lie ``APART_SD`` typical sd of all directions, rounding added, from its
    mean: with few coarse readings the others of a direction may agree by chance, and anything then
    stands apart from them. With 5 touches a direction the test hardly flags anything.
    """
    reading = np.asarray(reading_mm, dtype=float)
    index = np.asarray(direction)
    labels, counts = np.unique(index, return_counts=True)
    tested = labels[counts >= MIN_TOUCHES]
    flags: list[OutlierFlag] = []
    if len(tested) == 0:
        return ()
    single = -np.expm1(np.log1p(-risk) / len(tested))
    usual = float(np.hypot(typical_sd(reading, index), step_mm / np.sqrt(12)))
    apart = max(STEPS_APART * step_mm, APART_SD * usual)
    for label in tested:
        places = np.flatnonzero(index == label)
        values = reading[places]
        result = generalised_esd(values, most_outliers(len(values)), single)
        kept = np.delete(values, result.candidates[: result.outliers])
        for rank in range(result.outliers):
            place = int(places[result.candidates[rank]])
            deviation = float(reading[place] - kept.mean())
            if abs(deviation) > apart:
                flags.append(
                    OutlierFlag(
                        "touch", int(label), place, deviation,
                        result.statistics[rank], result.criticals[rank], risk,
                    )
                )  # fmt: skip
    return tuple(sorted(flags, key=lambda flag: flag.touch or 0))


def flag_directions(
    residual_mm: ArrayLike, counts: ArrayLike, fitted: int, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Directions whose mean stands off the fitted shape more than the others do.

    Parameters
    ----------
    residual_mm : array_like, shape (directions,), mm
        Direction mean less fitted shape.
    counts : array_like of int, shape (directions,)
        Touches behind each mean; residuals are compared after scaling by their root.
    fitted : int
        Values fitted; at least ``fitted`` + 6 directions are needed, else nothing is tested.
    risk : float
        Family-wise risk.
    """
    residual = np.asarray(residual_mm, dtype=float)
    if len(residual) < fitted + 6:
        return ()
    touches = np.asarray(counts, dtype=float)
    weight = np.sqrt(touches / touches.mean())
    result = generalised_esd(residual * weight, most_outliers(len(residual)), risk)
    return tuple(
        OutlierFlag(
            "direction", result.candidates[i], None, float(residual[result.candidates[i]]),
            result.statistics[i], result.criticals[i], risk,
        )
        for i in range(result.outliers)
    )  # fmt: skip


def flag_scatter(
    sd_mm: ArrayLike, counts: ArrayLike, *, step_mm: float = 0.0, risk: float = FAMILY_RISK
) -> tuple[OutlierFlag, ...]:
    """Directions whose scatter is too large for the rest (Cochran's C, taken out one by one).

    Parameters
    ----------
    sd_mm : array_like, shape (directions,), mm
        NaN where a direction was touched once.
    counts : array_like of int, shape (directions,)
    step_mm : float
        Resolution; the variance of rounding is added to each direction, so that directions whose
        mean lies well between two steps are not taken for steadier than the others.
    risk : float
        Risk of the first flag being false. At most one direction in five is flagged.

    References
    ----------
    .. [1] ISO 5725-2, Cochran's test for the largest variance.
    """
    spread = np.asarray(sd_mm, dtype=float)
    variances = spread**2 + step_mm**2 / 12
    touches = np.asarray(counts, dtype=float)
    alive = np.isfinite(variances) & (touches >= 3)
    flags: list[OutlierFlag] = []
    most = int(alive.sum()) // 5
    while alive.sum() >= 3 and len(flags) < most and variances[alive].sum() > 0:
        largest = int(np.where(alive, variances, -1.0).argmax())
        statistic = float(variances[largest] / variances[alive].sum())
        mean_n = alive.sum() / (1 / touches[alive]).sum()
        critical = cochran_critical(int(alive.sum()), float(mean_n), risk)
        if statistic <= critical:
            break
        flags.append(OutlierFlag("scatter", largest, None, float(spread[largest]), statistic, critical, risk))
        alive[largest] = False
    return tuple(flags)
