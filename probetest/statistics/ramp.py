"""Ship or wait: what few or no faults of a young production prove, and how large the next batch may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize, special, stats

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level, proportion_interval, proportion_upper

LEVEL = 0.95
"""Of two-sided intervals, and of one-sided bounds."""
SHARES = (0.02, 0.05, 0.10, 0.20)
"""Shares of faulty units that tables are made for."""

MOST_UNITS = 10_000


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate with what the counts behind it prove.

    Attributes
    ----------
    value, upper : float
        Events by exposure, and its one-sided upper bound at the level of ``interval``.
    interval : Interval
    events : int
    exposure, per : float
        Touches, units or hours; and those that the rate is stated for.
    """

    value: float
    upper: float
    interval: Interval
    events: int
    exposure: float
    per: float


@dataclass(frozen=True, slots=True)
class Field:
    """What is known of the units shipped.

    Attributes
    ----------
    units_shipped, units_with_fault : int
        A unit with several faults counts once.
    touches, misses, field_hours, field_faults : int or float
        Of all units together.
    misses_by_unit, touches_by_unit : tuple of int
        Empty where unknown; their sums are ``misses`` and ``touches``.
    """

    units_shipped: int
    units_with_fault: int
    touches: int = 0
    misses: int = 0
    field_hours: float = 0.0
    field_faults: int = 0
    misses_by_unit: tuple[int, ...] = ()
    touches_by_unit: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Proven:
    """Rates of the units shipped.

    Attributes
    ----------
    faulty_units : Rate
    rule_of_three : float or None
        3 / units where none had a fault: a check of the upper bound of ``faulty_units``.
    misses : Rate or None
        Per 1000 touches, if each touch misses by itself; None without touches.
    misses_any_units : float or None
        Upper bound of misses per 1000 touches of a unit, on average over units, whatever the units do:
        a unit is one observation. None without units, or where a unit's misses are unknown.
    field_faults : Rate or None
        Per 1000 h; None without hours.
    """

    faulty_units: Rate
    rule_of_three: float | None
    misses: Rate | None
    misses_any_units: float | None
    field_faults: Rate | None


@dataclass(frozen=True, slots=True)
class Stage:
    """One batch of a plan, at one true share of faulty units.

    Attributes
    ----------
    batch, units : int
        Units of this batch, and all up to it.
    reached, goes_on : float
        Chance that the batch is shipped at all, and that production goes on after it.
    faulty : float
        Expected number of faulty units shipped so far, stops counted.
    """

    batch: int
    units: int
    reached: float
    goes_on: float
    faulty: float


@dataclass(frozen=True, slots=True)
class Reason:
    """A number that the advice rests on, held against a limit that it may reach."""

    name: str
    value: float
    limit: float
    kept: bool


@dataclass(frozen=True, slots=True)
class Advice:
    """Ship or wait.

    Attributes
    ----------
    action : str
    batch : int
        Units of the next; 0 with "wait".
    expected_faulty, most_faulty : float, int
        In a batch as large as without a reason to wait: mean, and upper 95 % prediction.
    cautious_batch : int
        The largest batch if the true share of faulty units is at its 95 % upper bound: expected number of
        faulty units at most ``can_repair``.
    reasons : tuple of Reason
    """

    action: Literal["ship", "wait"]
    batch: int
    expected_faulty: float
    most_faulty: int
    cautious_batch: int
    reasons: tuple[Reason, ...]


def poisson_rate(events: int, exposure: float, per: float = 1.0, level: float = LEVEL) -> Rate:
    """Exact interval of a Poisson rate.

    Raises
    ------
    StatisticsError
        If events are below 0 or the exposure is not above 0.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437-442.

    Examples
    --------
    >>> round(poisson_rate(0, 1.0).upper, 3)
    2.996
    """
    check_level(level)
    if events < 0 or not 0 < exposure < np.inf:
        raise StatisticsError(f"a rate needs events >= 0 and exposure > 0, but got {events} in {exposure}")
    scale, tail = per / exposure, (1 - level) / 2
    lower = float(special.gammaincinv(events, tail)) if events else 0.0
    upper, bound = (float(special.gammainccinv(events + 1, risk)) for risk in (tail, 2 * tail))
    interval = Interval(scale * lower, scale * upper, level)
    return Rate(scale * events, scale * bound, interval, events, float(exposure), per)


def proven(field: Field, level: float = LEVEL) -> Proven:
    """What the units shipped so far prove.

    Raises
    ------
    StatisticsError
        If no unit was shipped or counts are impossible.

    Notes
    -----
    Shares are Clopper and Pearson's. Misses of one unit come together, so touches prove less than
    their number. ``misses_any_units`` takes units as independent and nothing else: for means of
    values within 0 and 1, chance(mean <= found) <= exp(-n KL(found, true)) [1]_; the bound is the true
    mean at which that is 1 - level. With no miss in n units it is 1 - (1 - level)**(1/n): what units
    alone can prove.

    References
    ----------
    .. [1] W. Hoeffding, "Probability inequalities for sums of bounded random variables", J. Am. Stat.
       Assoc. 58 (1963) 13-30, theorem 1.

    Examples
    --------
    >>> found = proven(Field(20, 0, touches=40_000, field_hours=3000))
    >>> [round(x, 3) for x in (found.faulty_units.upper, found.misses.upper, found.misses_any_units)]
    [0.139, 0.075, 139.108]
    """
    _check_field(field)
    units, hours = field.units_shipped, field.field_hours
    return Proven(
        faulty_units=_share(field.units_with_fault, units, 1.0, level),
        rule_of_three=3 / units if field.units_with_fault == 0 else None,
        misses=_share(field.misses, field.touches, 1000.0, level) if field.touches else None,
        misses_any_units=_any_units(field, level),
        field_faults=poisson_rate(field.field_faults, hours, 1000.0, level) if hours else None,
    )


def next_batch(units_shipped: int, units_with_fault: int, n: int, level: float = LEVEL) -> float:
    """Upper bound of the share of faulty units if the next ``n`` units show none.

    Examples
    --------
    >>> round(next_batch(20, 0, 40), 4)
    0.0487
    """
    if n < 0:
        raise StatisticsError(f"a batch can't have {n} units")
    return proportion_upper(units_with_fault, units_shipped + n, level)


def chance_to_show(share: float, n: int) -> float:
    """Chance that a fault of a share of all units shows in at least one of the next ``n``.

    Examples
    --------
    >>> [round(chance_to_show(share, 20), 2) for share in SHARES]
    [0.33, 0.64, 0.88, 0.99]
    """
    if not 0 <= share <= 1 or n < 0:
        raise StatisticsError(f"a chance needs a share within 0 and 1 and n >= 0, but got {share} and {n}")
    return 1.0 - (1.0 - share) ** n


def early_warning(batches: Sequence[int], stop_at: int, share: float) -> tuple[Stage, ...]:
    """A plan in batches that stops once so many units have had a fault, at one true share.

    Parameters
    ----------
    batches : sequence of int
        Units of each batch, each >= 1.
    stop_at : int
        Units with a fault, all batches together, at which production stops; >= 1. Seen after the batch.
    share : float

    Raises
    ------
    StatisticsError
        If the plan is impossible.

    Notes
    -----
    Exact binomial sums. The operating characteristic is ``goes_on`` over several shares.

    Examples
    --------
    >>> plan = early_warning([3, 5, 10], 1, 0.1)
    >>> [round(stage.goes_on, 3) for stage in plan], round(plan[-1].faulty, 3)
    ([0.729, 0.43, 0.15], 1.095)
    """
    if not batches or min(batches) < 1 or stop_at < 1 or not 0 <= share <= 1:
        raise StatisticsError(f"no such plan: batches {list(batches)}, stop at {stop_at}, share {share}")
    alive = np.zeros(stop_at)
    alive[0] = 1.0
    stages, units, faulty = [], 0, 0.0
    for batch in batches:
        reached = float(alive.sum())
        units += batch
        faulty += reached * batch * share
        alive = np.convolve(alive, stats.binom.pmf(np.arange(stop_at), batch, share))[:stop_at]
        stages.append(Stage(batch, units, reached, float(alive.sum()), faulty))
    return tuple(stages)


def advise(
    field: Field,
    *,
    can_repair: int = 1,
    stop_at: int | None = None,
    most_misses: float | None = None,
    most_field_faults: float | None = None,
) -> Advice:
    """Ship or wait, and how many.

    Parameters
    ----------
    field : Field
    can_repair : int
        Faulty units of one batch that the shop can take back, >= 1.
    stop_at : int, optional
        Units with a fault, cause not yet removed, at which to stop and look; else ``can_repair`` + 1.
    most_misses, most_field_faults : float, optional
        Limits per 1000 touches and per 1000 h: upper bounds above them are a reason to wait.

    Raises
    ------
    StatisticsError
        If counts or limits are impossible.

    Notes
    -----
    The first batch is as large as the shop can repair. Later the number of faulty units in a batch of m
    is predicted as beta-binomial with Jeffreys' prior Beta(faulty + 1/2, good + 1/2) [1]_. The batch is
    the largest m for which it stays at most ``can_repair`` with a chance of 95 %. ``cautious_batch``
    takes the share at its 95 % Clopper-Pearson bound instead.

    References
    ----------
    .. [1] L. D. Brown, T. T. Cai, A. DasGupta, "Interval estimation for a binomial proportion" (2001).

    Examples
    --------
    >>> advice = advise(Field(20, 0))
    >>> advice.action, advice.batch, advice.cautious_batch
    ('ship', 11, 7)
    """
    if field.units_shipped:
        _check_field(field)
    elif field != Field(0, 0):
        raise StatisticsError("without units shipped there can't be faults, touches or hours")
    if can_repair < 1 or (stop_at is not None and stop_at < 1):
        raise StatisticsError(f"a shop must repair and stop at 1 or more, but got {can_repair} and {stop_at}")
    faulty, units = field.units_with_fault, field.units_shipped
    prior = (faulty + 0.5, units - faulty + 0.5)
    batch, beyond = can_repair, MOST_UNITS + 1
    while beyond - batch > 1:
        middle = (batch + beyond) // 2
        batch, beyond = (middle, beyond) if _at_most(can_repair, middle, *prior) >= LEVEL else (batch, middle)
    most = next(k for k in range(batch + 1) if _at_most(k, batch, *prior) >= LEVEL)
    worst = proportion_upper(faulty, units) if units else 1.0
    known = proven(field) if units else None
    allowed = can_repair if stop_at is None else stop_at - 1
    reasons = [
        Reason("units with a fault", faulty, allowed, faulty <= allowed),
        Reason("faulty in the next batch", most, can_repair, most <= can_repair),
    ]
    for name, limit, rate in (
        ("misses per 1000 touches", most_misses, known.misses if known else None),
        ("faults per 1000 h", most_field_faults, known.field_faults if known else None),
    ):
        if limit is not None:
            upper = rate.upper if rate else float("inf")
            reasons.append(Reason(name, upper, limit, upper <= limit))
    ships = all(reason.kept for reason in reasons)
    return Advice(
        action="ship" if ships else "wait", batch=batch if ships else 0,
        expected_faulty=batch * prior[0] / (units + 1), most_faulty=most,
        cautious_batch=min(int(can_repair / worst + 1e-9), MOST_UNITS), reasons=tuple(reasons),
    )  # fmt: skip


def _at_most(count: int, units: int, a: float, b: float) -> float:
    """Chance of at most so many faulty units, beta-binomial."""
    if count >= units:
        return 1.0
    k = np.arange(count + 1)
    logs = special.betaln(k + a, units - k + b) - special.betaln(a, b)
    return float(np.minimum(1.0, (special.binom(units, k) * np.exp(logs)).sum()))


def _share(events: int, trials: int, per: float, level: float) -> Rate:
    found, upper = proportion_interval(events, trials, level), proportion_upper(events, trials, level)
    interval = Interval(per * found.lower, per * found.upper, level)
    return Rate(per * events / trials, per * upper, interval, events, float(trials), per)


def _any_units(field: Field, level: float) -> float | None:
    if not field.touches or (field.misses and not field.misses_by_unit):
        return None
    units = len(field.touches_by_unit) or field.units_shipped
    shares = np.divide(field.misses_by_unit, field.touches_by_unit)
    mean = float(shares.mean()) if field.misses_by_unit else 0.0
    room = float(-np.log(1 - level)) / units

    def beyond(true: float) -> float:
        return float(special.rel_entr(mean, true) + special.rel_entr(1 - mean, 1 - true)) - room

    most = 1.0 - 1e-12
    return 1000 * float(optimize.brentq(beyond, mean, most)) if mean < most and beyond(most) > 0 else 1000.0


def _check_field(field: Field) -> None:
    pairs = ((field.units_with_fault, field.units_shipped), (field.misses, field.touches))
    if field.units_shipped < 1 or any(not 0 <= part <= whole for part, whole in pairs):
        raise StatisticsError("faulty units and misses can't outnumber units (1 or more) and touches")
    if not 0 <= field.field_hours < np.inf or field.field_faults < 0:
        raise StatisticsError("hours and faults in the field must be 0 or more")
    misses, touches = field.misses_by_unit, field.touches_by_unit
    if len(misses) != len(touches) or len(touches) > field.units_shipped:
        raise StatisticsError("misses and touches by unit must be given for the same units, of those shipped")
    if touches and (sum(misses), sum(touches)) != (field.misses, field.touches):
        raise StatisticsError("misses and touches by unit must add up to those of all units")
    if any(not 0 <= missed <= made or made < 1 for missed, made in zip(misses, touches, strict=True)):
        raise StatisticsError("each unit needs 0 <= misses <= touches and touches >= 1")
