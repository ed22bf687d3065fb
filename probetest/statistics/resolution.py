"""The step in which readings move: digits of the log, and steps of the machine behind them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MAX_DECIMALS = 9
"""Finer than a nanometre is not looked for."""

MIN_STEPS = 4
"""Distinct differences that a step must explain before it is believed."""


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
    All differences inside a group must be whole multiples of the step, up to the rounding of two
    logged values (one digit). The step is the largest number that does so, refined by least
    squares, so that a step of 0.00125 mm logged with 4 decimals is found. Fewer than four
    distinct differences prove nothing unless one step alone is seen very often.
    """
    gaps = _gaps(np.asarray(values, dtype=float), np.asarray(group))
    gaps = gaps[gaps > 0.5 * digit]
    if gaps.size < MIN_STEPS:
        return None
    # The last digit itself allows any multiple; only a clearly coarser step counts.
    smallest = gaps.min()
    if smallest < 1.5 * digit:
        return None
    for divisor in (1, 2, 3):
        step = smallest / divisor
        for _ in range(3):
            counts = np.maximum(np.round(gaps / step), 1.0)
            step = float((gaps * counts).sum() / (counts**2).sum())
        counts = np.round(gaps / step)
        allowed = 1.05 * digit if digit > 1e-3 * step else 1e-3 * step
        if step > 2.2 * digit and np.all(np.abs(gaps - counts * step) <= allowed):
            # A continuous scatter would fit a step by luck only with few gaps.
            luck = (2 * min(allowed / step, 0.5)) ** (gaps.size - 1)
            if luck < 1e-3:
                return float(step)
    return None


def _gaps(values: Floats, group: NDArray[np.intp]) -> Floats:
    """Differences of neighbours in size inside each group."""
    keep = np.isfinite(values)
    values, group = values[keep], group[keep]
    order = np.lexsort((values, group))
    same = np.diff(group[order]) == 0
    return np.asarray(np.diff(values[order])[same])


def find_resolution(
    coordinates: tuple[Floats, ...], group: ArrayLike, declared_mm: float | None = None
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

    Returns
    -------
    Resolution
    """
    digit = min(last_digit(values) for values in coordinates)
    steps = [step for values in coordinates if (step := detect_step(values, group, digit)) is not None]
    detected = max(steps) if steps else None
    return Resolution(
        step_mm=max(digit, detected or 0.0, declared_mm or 0.0),
        digit_mm=digit,
        detected_mm=detected,
        declared_mm=declared_mm,
    )
