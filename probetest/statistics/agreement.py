"""Whether two measurements of one probe agree, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, proportion_interval, proportion_upper

Agrees = Literal["consistent", "worse", "better", "can't tell"]
Overall = Literal["consistent", "worse", "can't tell"]

MOST_TOUCHES = 100_000
"""More touches than this are no practical advice."""

POWER_FACTOR = 1 + float(stats.norm.ppf(0.95) / stats.norm.ppf(0.975))
"""A true difference by so many expanded uncertainties is found with a chance of 95 %."""

OWN = "probe alone"
"""What a figure is of where both tests told the probe from the machine."""

RISK = 0.05
"""Risk of finding a difference where there is none, all figures together."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """One figure of two tests.

    Attributes
    ----------
    name, label, unit : str
    ours, theirs : float
        Of the test at hand, and of the one it is held against.
    ours_interval, theirs_interval : Interval
        95 %.
    n : int
        Touches behind ``ours``.
    difference : float
        ``ours`` less ``theirs``.
    difference_interval : Interval
        95 %.
    en : float or None
        Difference by its expanded uncertainty (coverage 95 %); None for counts.
    p : float
        Chance of so large a difference without one.
    verdict : str
        Larger is worse. "consistent" also says that a difference of ``matters`` would have shown in
        95 of 100 tests.
    matters : float
        Difference that would matter, in the unit of the figure.
    more_touches : int or None
        Touches beyond ``n`` that would show such a difference; None where that can't be said.
    of : str
        What both figures are of.
    note : str
    """

    name: str
    label: str
    unit: str
    ours: float
    theirs: float
    ours_interval: Interval
    theirs_interval: Interval
    n: int
    difference: float
    difference_interval: Interval
    en: float | None
    p: float
    verdict: Agrees
    matters: float
    more_touches: int | None
    of: str
    note: str = ""


def en_score(value: float, reference: float, expanded: float, reference_expanded: float) -> float:
    """Difference of two values by the expanded uncertainty of the difference.

    Parameters
    ----------
    value, reference : float
    expanded, reference_expanded : float
        Expanded uncertainties, both for the same coverage, not both 0.

    Returns
    -------
    float
        Within -1 and 1 the values agree.

    Raises
    ------
    StatisticsError
        If no uncertainty is above 0.

    References
    ----------
    .. [1] ISO 13528:2022, E_n score; also ISO/IEC 17043 (the text was not at hand; formula as in the
       NIST Dataplot reference, EN SCORE).

    Examples
    --------
    >>> round(en_score(10.4, 10.0, 0.3, 0.4), 6)
    0.8
    """
    spread = float(np.hypot(expanded, reference_expanded))
    if not spread > 0:
        raise StatisticsError("a difference can't be judged without an uncertainty")
    return (value - reference) / spread


def compare_lengths(
    name: str,
    label: str,
    ours: tuple[float, Interval],
    theirs: tuple[float, Interval],
    n: int,
    matters_mm: float,
    *,
    of: str,
) -> Agreement:
    """Agreement of a length with 95 % intervals, which need not be symmetrical.

    Parameters
    ----------
    name, label : str
    ours, theirs : tuple of (float, Interval), mm
    n : int
        Touches behind ``ours``.
    matters_mm : float
        Difference that would matter, > 0.
    of : str

    Notes
    -----
    Each interval acts with the half that lies towards the other value.
    """
    value, limits = ours
    reference, reference_limits = theirs
    upwards = value >= reference
    half = value - limits.lower if upwards else limits.upper - value
    other = reference_limits.upper - reference if upwards else reference - reference_limits.lower
    score = en_score(value, reference, half, other)
    low = float(np.hypot(value - limits.lower, reference_limits.upper - reference))
    high = float(np.hypot(limits.upper - value, reference - reference_limits.lower))
    difference = value - reference
    return _judged(
        Agreement(
            name=name, label=label, unit="mm", ours=value, theirs=reference, ours_interval=limits,
            theirs_interval=reference_limits, n=n, difference=difference,
            difference_interval=Interval(difference - low, difference + high), en=score,
            p=float(2 * stats.norm.sf(1.96 * abs(score))), verdict="consistent", matters=matters_mm,
            more_touches=None, of=of,
        ),
        max(limits.upper - value, value - limits.lower),
        max(reference_limits.upper - reference, reference - reference_limits.lower),
    )  # fmt: skip


def compare_sds(
    name: str,
    label: str,
    ours: tuple[float, Interval],
    theirs: tuple[float, Interval],
    n: int,
    matters_mm: float,
    *,
    of: str,
) -> Agreement:
    """Agreement of two standard deviations, on the logarithm, where their intervals are symmetrical.

    Parameters are those of `compare_lengths`; both deviations and lower limits must be above 0.

    Raises
    ------
    StatisticsError
        If one is 0: it was not resolved.
    """
    if min(ours[0], theirs[0], ours[1].lower, theirs[1].lower) <= 0:
        raise StatisticsError("a scatter that was not resolved can't be compared")

    def log(part: tuple[float, Interval]) -> tuple[float, Interval]:
        return float(np.log(part[0])), Interval(float(np.log(part[1].lower)), float(np.log(part[1].upper)))

    scaled = compare_lengths(
        name, label, log(ours), log(theirs), n, float(np.log1p(matters_mm / theirs[0])), of=of
    )
    ratio = scaled.difference_interval
    return replace(
        scaled,
        ours=ours[0],
        theirs=theirs[0],
        ours_interval=ours[1],
        theirs_interval=theirs[1],
        difference=ours[0] - theirs[0],
        difference_interval=Interval(
            theirs[0] * float(np.expm1(ratio.lower)), theirs[0] * float(np.expm1(ratio.upper))
        ),
        matters=matters_mm,
    )


def _judged(found: Agreement, half: float, other: float) -> Agreement:
    """The verdict, and how many touches would settle an open one."""
    score = found.en if found.en is not None else 0.0
    if abs(score) > 1:
        return replace(found, verdict="worse" if score > 0 else "better")
    # A difference of so many expanded uncertainties is found in 95 of 100 tests.
    shown = found.matters / POWER_FACTOR
    if float(np.hypot(half, other)) <= shown:
        return found
    if other >= shown:
        return replace(
            found,
            verdict="can't tell",
            note="the report it is held against is too uncertain for any number of touches to settle it",
        )
    needed = found.n * half**2 / (shown**2 - other**2)
    more = int(np.ceil(needed)) - found.n
    return replace(found, verdict="can't tell", more_touches=more if more <= MOST_TOUCHES else None)


def compare_misses(ours: tuple[int, int], theirs: tuple[int, int], matters: float, *, of: str) -> Agreement:
    """Agreement of the shares of approaches without a valid trigger.

    Parameters
    ----------
    ours, theirs : tuple of (int, int)
        Failed approaches, and all of them.
    matters : float
        Share that would matter.
    of : str

    Notes
    -----
    Fisher's exact test, two-sided. Without a difference, "consistent" needs the upper limit of ``ours``
    (Clopper and Pearson, 95 % one-sided) to lie no further than ``matters`` above ``theirs``.
    """
    failed, approaches = ours
    table = np.array([[failed, approaches - failed], [theirs[0], theirs[1] - theirs[0]]])
    p = float(stats.fisher_exact(table)[1])
    share, reference = failed / approaches, theirs[0] / theirs[1]
    limits, reference_limits = proportion_interval(*ours), proportion_interval(*theirs)
    verdict: Agrees = "consistent"
    more = None
    if p < RISK:
        verdict = "worse" if share > reference else "better"
    elif proportion_upper(failed, approaches) > reference + matters:
        verdict = "can't tell"
        more = _good_touches(failed, approaches, reference + matters)
    difference = share - reference
    low = float(np.hypot(share - limits.lower, reference_limits.upper - reference))
    high = float(np.hypot(limits.upper - share, reference - reference_limits.lower))
    return Agreement(
        name="miss_rate", label="Share without a valid trigger", unit="", ours=share, theirs=reference,
        ours_interval=limits, theirs_interval=reference_limits, n=approaches, difference=difference,
        difference_interval=Interval(difference - low, difference + high), en=None, p=p, verdict=verdict,
        matters=matters, more_touches=more, of=of,
        note="if none of them fails" if more is not None else "",
    )  # fmt: skip


def _good_touches(failed: int, approaches: int, wanted: float) -> int | None:
    """More approaches, all good, until the upper limit of the share is as wanted."""
    more = 1
    while more <= MOST_TOUCHES:
        if proportion_upper(failed, approaches + more) <= wanted:
            break
        more *= 2
    else:
        return None
    low, high = more // 2, more
    while high - low > 1:
        middle = (low + high) // 2
        if proportion_upper(failed, approaches + middle) <= wanted:
            high = middle
        else:
            low = middle
    return high


def overall_agreement(agreements: Sequence[Agreement]) -> Overall:
    """What several figures say together.

    "worse" where a figure of the probe is worse beyond what the most extreme of so many would be
    by chance (Bonferroni, `RISK` together); "can't tell" where anything is open, or only a figure
    that holds the machines is worse; else "consistent".
    """
    limit = RISK / max(1, len(agreements))
    if any(one.verdict == "worse" and one.of == OWN and one.p < limit for one in agreements):
        return "worse"
    open_ones = [one for one in agreements if one.verdict in ("worse", "can't tell")]
    return "can't tell" if open_ones or not agreements else "consistent"
