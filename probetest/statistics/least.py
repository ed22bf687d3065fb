"""The smallest number that is enough."""

from __future__ import annotations

from collections.abc import Callable


def least_number(holds: Callable[[int], bool], least: int, most: int) -> int | None:
    """Smallest number from ``least`` to ``most`` from which ``holds`` is true, by doubling and halving.

    Parameters
    ----------
    holds : callable
        False below some number and true from it on.
    least, most : int

    Returns
    -------
    int or None
        None where even ``most`` is not enough.

    Examples
    --------
    >>> least_number(lambda n: n * n >= 50, 2, 100), least_number(lambda n: n > 100, 2, 100)
    (8, None)
    """
    if least > most:
        return None
    low, high = least - 1, least
    while not holds(high):
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high
