"""Many comparisons at once: p-values that hold for all of them together, and the word for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

from probetest.errors import StatisticsError

Verdict = Literal["different", "equivalent", "can't tell"]


@dataclass(frozen=True, slots=True)
class Decision:
    """What two p-values of one figure say together.

    Attributes
    ----------
    verdict : str
    difference_shown : bool
        Whether a difference was shown; together with "equivalent", one smaller than the margin.
    """

    verdict: Verdict
    difference_shown: bool


def holm(p: Sequence[float | None]) -> list[float | None]:
    """Adjusted p-values: the risk of even one false finding among them stays at what they are held to.

    Parameters
    ----------
    p : sequence of float or None
        None and NaN, where nothing could be tested, stay as they are and do not count.

    Returns
    -------
    list of float or None
        In the same order, each at most 1.

    Raises
    ------
    StatisticsError
        If a p-value lies outside 0..1.

    Notes
    -----
    The smallest of m is multiplied by m, the next by m - 1, and so on; none may be smaller than one
    before it. Valid however the figures hang together.

    References
    ----------
    .. [1] S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Stat. 6 (1979)
       65-70 (cited from memory).

    Examples
    --------
    >>> holm([0.01, None, 0.04, 0.03])
    [0.03, None, 0.06, 0.06]
    """
    tested, found = _tested(p)
    order = np.argsort(found, kind="stable")
    steps = np.arange(len(found), 0, -1)
    adjusted = np.empty(len(found))
    adjusted[order] = np.minimum(np.maximum.accumulate(steps * found[order]), 1.0)
    return _put_back(p, tested, adjusted)


def benjamini_hochberg(p: Sequence[float | None]) -> list[float | None]:
    """Adjusted p-values: the expected share of false ones among the findings stays at what they are held to.

    For a look over many figures, where one false finding among many does no harm. Parameters, None and
    NaN, and errors are those of `holm`.

    References
    ----------
    .. [1] Y. Benjamini, Y. Hochberg, "Controlling the false discovery rate", J. R. Stat. Soc. B 57
       (1995) 289-300 (cited from memory); valid for independent or positively dependent figures.

    Examples
    --------
    >>> benjamini_hochberg([0.01, None, 0.04, 0.03])
    [0.03, None, 0.04, 0.04]
    """
    tested, found = _tested(p)
    return _put_back(p, tested, stats.false_discovery_control(found) if len(found) else found)


def verdict(
    p_difference_adjusted: float | None, p_equivalence_adjusted: float | None, alpha: float = 0.05
) -> Decision:
    """The word for one figure.

    Parameters
    ----------
    p_difference_adjusted, p_equivalence_adjusted : float or None
        Adjusted over the figures that were looked at, each kind for itself; None or NaN where nothing
        could be tested, which shows nothing.
    alpha : float
        Risk, within 0 to 0.5.

    Returns
    -------
    Decision

    Raises
    ------
    StatisticsError
        If a p-value or ``alpha`` is out of its range.

    Notes
    -----
    With many units a difference too small to matter to anybody is shown beside equivalence. What the
    maker stated is the margin: a difference within it is no reason to choose a build, so that the word
    is "equivalent", and ``difference_shown`` keeps the rest. "Different" says that there is a difference,
    not that it exceeds the margin. "Can't tell" is no weak "equivalent": nothing was shown either way.

    Examples
    --------
    >>> verdict(0.3, 0.01).verdict, verdict(0.3, 0.2).verdict
    ('equivalent', "can't tell")
    >>> verdict(0.001, 0.01)
    Decision(verdict='equivalent', difference_shown=True)
    """
    if not 0 < alpha < 0.5:
        raise StatisticsError(f"a risk must lie between 0 and 0.5, but got {alpha}")
    different, equivalent = (
        any(value <= alpha for value in _tested([p])[1])
        for p in (p_difference_adjusted, p_equivalence_adjusted)
    )
    word: Verdict = "equivalent" if equivalent else "different" if different else "can't tell"
    return Decision(word, different)


def _tested(p: Sequence[float | None]) -> tuple[list[int], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Places and values of what was tested."""
    tested = [index for index, value in enumerate(p) if value is not None and not np.isnan(value)]
    found = np.array([p[index] for index in tested], dtype=np.float64)
    if not np.all((found >= 0) & (found <= 1)):
        raise StatisticsError("a p-value must lie between 0 and 1")
    return tested, found


def _put_back(
    p: Sequence[float | None], tested: list[int], adjusted: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> list[float | None]:
    result = list(p)
    for index, value in zip(tested, adjusted, strict=True):
        result[index] = float(value)
    return result
