"""The step in which readings move: digits of the log, and steps of the machine behind them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MAX_DECIMALS = 9
"""Finer than a nanometre is not looked for."""

MIN_STEPS = 4
"""Differences that a step must explain before it is believed."""

LUCK = 1e-3
"""A step is believed if readings without one would fit it less often than this."""

NARROWINGS = 20
"""Rounds in which the range of a step is narrowed."""


@dataclass(frozen=True, slots=True)
class Resolution:
    """The smallest change that readings can show.

    Attributes
    ----------
    step_mm : float
        The coarsest of digits, detected step and declared resolution.
    digit_mm : float
        One unit of the last logged decimal.
    detected_mm : float or None
        Step found in the data, where coarser than the digits.
    declared_mm : float or None
        Resolution that the log states for the machine.
    """

    step_mm: float
    digit_mm: float
    detected_mm: float | None
    declared_mm: float | None


def last_digit(values: ArrayLike) -> float:
    """One unit of the last decimal that any value uses, in the unit of the values.

    Examples
    --------
    >>> last_digit([1.25, 3.5])
    0.01
    """
    finite = np.asarray(values, dtype=float)
    finite = finite[np.isfinite(finite)]
    for decimals in range(MAX_DECIMALS):
        scaled = finite * 10.0**decimals
        if np.all(np.abs(scaled - np.round(scaled)) < 1e-6 * np.maximum(1.0, np.abs(scaled) * 1e-6)):
            return float(10.0**-decimals)
    return float(10.0**-MAX_DECIMALS)


def detect_step(values: ArrayLike, group: ArrayLike, digit: float) -> float | None:
    """Find a step coarser than the last digit in which values of one group differ.

    Parameters
    ----------
    values : array_like, shape (touches,)
        One coordinate; only differences inside a group are used.
    group : array_like of int, shape (touches,)
        Direction of each touch.
    digit : float
        One unit of the last decimal, from `last_digit`.

    Returns
    -------
    float or None
        The step, or None where the digits explain the data as well.

    Notes
    -----
    Differences are taken in digits. Either all are multiples of one whole number of digits (their
    greatest common divisor), or of a broken number, up to the rounding of two logged values (one
    digit), so that a step of 0.00125 mm logged with 4 decimals is found. Fewer than four
    differences prove nothing, nor do differences that readings without a step would show by luck
    (``LUCK``).
    """
    gaps, offsets = _differences(np.asarray(values, dtype=float), np.asarray(group), digit)
    if gaps.size < MIN_STEPS:
        return None
    whole = float(np.gcd.reduce(gaps.astype(np.int64)))
    if whole ** (1.0 - gaps.size) < LUCK:
        return whole * digit
    distinct = np.unique(np.concatenate([gaps, offsets]))
    for divisor in (1, 2, 3):
        step = _broken_step(distinct, divisor)
        # Of whole numbers, three in each step lie within one of its multiples.
        if step is not None and min(1.0, 3 / step) ** (gaps.size - 1.0) < LUCK:
            return step * digit
    return None


def _differences(values: Floats, group: NDArray[np.intp], digit: float) -> tuple[Floats, Floats]:
    """Differences in digits: of neighbours in size inside each group, and to its smallest value; no zeros."""
    keep = np.isfinite(values)
    values, group = values[keep], group[keep]
    order = np.lexsort((values, group))
    values, group = values[order], group[order]
    starts = np.flatnonzero(np.diff(group, prepend=group[:1] - 1))
    smallest = np.repeat(values[starts], np.diff(starts, append=len(values)))
    gaps = np.rint(np.diff(values)[np.diff(group) == 0] / digit)
    offsets = np.rint((values - smallest) / digit)
    return np.asarray(gaps[gaps > 0]), np.asarray(offsets[offsets > 0])


def _broken_step(distinct: Floats, divisor: int) -> float | None:
    """Step, in digits, of which each difference is a multiple up to 1, the smallest the ``divisor``-fold."""
    low, high = (distinct[0] - 1) / divisor, (distinct[0] + 1) / divisor
    if low <= 1:
        return None
    for _ in range(NARROWINGS):
        fewest, most = np.ceil((distinct - 1) / high), np.floor((distinct + 1) / low)
        if np.any(fewest > most):
            return None
        sure = fewest == most
        narrowed = (
            max(low, ((distinct[sure] - 1) / fewest[sure]).max(initial=low)),
            min(high, ((distinct[sure] + 1) / fewest[sure]).min(initial=high)),
        )
        if narrowed[0] > narrowed[1]:
            return None
        if narrowed == (low, high):
            break
        low, high = narrowed
    counts = np.round(distinct / ((low + high) / 2))
    step = float(np.clip((distinct * counts).sum() / (counts**2).sum(), low, high))
    return step if np.all(np.abs(distinct - counts * step) <= 1 + 1e-9) else None


def find_resolution(
    coordinates: tuple[Floats, ...],
    group: ArrayLike,
    declared_mm: float | None = None,
    unit_mm: float = 1.0,
) -> Resolution:
    """Resolution of a log from its coordinates and what it declares.

    Parameters
    ----------
    coordinates : tuple of numpy.ndarray, shape (touches,), mm
        Logged x, y or the reading; NaN where a coordinate says nothing about the approach.
    group : array_like of int, shape (touches,)
        Direction of each touch.
    declared_mm : float, optional
        Resolution stated in the log.
    unit_mm : float
        Length of the unit in which the log was written (25.4 for inch): its decimals count.

    Returns
    -------
    Resolution
    """
    digit = unit_mm * min(last_digit(values / unit_mm) for values in coordinates)
    steps = [step for values in coordinates if (step := detect_step(values, group, digit)) is not None]
    detected = max(steps) if steps else None
    return Resolution(
        step_mm=max(digit, detected or 0.0, declared_mm or 0.0),
        digit_mm=digit,
        detected_mm=detected,
        declared_mm=declared_mm,
    )
