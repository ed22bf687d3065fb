"""Numbers as a report prints them: micrometres, rounded to what the uncertainty carries."""

from __future__ import annotations

import math

from probetest.statistics.intervals import Interval

UM_PER_MM = 1000.0
MINUS = "−"
UNKNOWN = "–"


def decimals_for(uncertainty: float) -> int:
    """Decimals that show two significant digits of an uncertainty; 0 to 3.

    References
    ----------
    .. [1] JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty.

    Examples
    --------
    >>> decimals_for(0.21), decimals_for(3.4), decimals_for(40.0)
    (2, 1, 0)
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 2
    return min(3, max(0, 1 - math.floor(math.log10(uncertainty))))


def number(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """A number with a true minus sign; a dash for what is unknown or infinite."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def um(value_mm: float | None, decimals: int = 1, *, sign: bool = False) -> str:
    """A length in µm, without the unit."""
    return number(None if value_mm is None else UM_PER_MM * value_mm, decimals, sign=sign)


def span(lower: float | None, upper: float | None, decimals: int, scale: float = 1.0) -> str:
    """An interval "lower to upper"; open ends are named."""
    if lower is None and upper is None:
        return UNKNOWN
    low = None if lower is None else lower * scale
    high = None if upper is None else upper * scale
    if high is None or not math.isfinite(high):
        return f"{number(low, decimals)} or more"
    return f"{number(low, decimals)} to {number(high, decimals)}"


def um_span(interval: Interval, decimals: int) -> str:
    """An interval of a length in mm, printed in µm without the unit."""
    return span(interval.lower, interval.upper, decimals, UM_PER_MM)


def p_value(p: float | None) -> str:
    """A p value with two digits, or that it is below 0.001."""
    if p is None or not math.isfinite(p):
        return UNKNOWN
    return "<0.001" if p < 0.001 else f"{p:.2g}"


def p_words(p: float | None) -> str:
    """The same within a sentence: "p = 0.02" or "p < 0.001"."""
    text = p_value(p)
    return f"p < {text[1:]}" if text.startswith("<") else f"p = {text}"


def percent(share: float, decimals: int = 0) -> str:
    """A share as "5 %"."""
    return f"{100 * share:.{decimals}f} %"


def rounded(count: int) -> int:
    """A count to two significant digits.

    Examples
    --------
    >>> rounded(7), rounded(318), rounded(4961)
    (7, 320, 5000)
    """
    return int(float(f"{count:.2g}"))
