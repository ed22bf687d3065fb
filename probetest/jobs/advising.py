"""Ship or wait: the advice of the statistics, with what a shop must look at first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from probetest.margins import Margins
from probetest.statistics.charts import count_chart
from probetest.statistics.ramp import Advice, Field, Reason, advise, proven
from probetest.statistics.unit_rates import rate_group

PLAN = (3, 5, 10, 20, 40)
"""Batches of a careful start; so many units in all are no start any more."""

FEW = 5
"""Among fewer units a single fault is to be looked at first."""

FEWEST_CHARTED = 5
TEN = 10
"""After the start, no more than can be repaired of so many units may have a fault."""

NEVER = 10**9


def make_advice(field: Field, margins: Margins, removed: int = 0) -> Advice:
    """Whether to ship, and how many.

    Parameters
    ----------
    field : Field
    margins : Margins
    removed : int
        Units with a fault whose cause was found and removed: they are proven, but no ground to wait.

    Returns
    -------
    Advice
        The batch of `probetest.statistics.ramp.advise`, unless one of the reasons is not kept.

    Notes
    -----
    While the production starts (`PLAN`), more units with a fault than can be repaired stop it; later the
    prediction of the next batch does. The limit on misses is held against a bound that counts the touches
    of a unit for fewer where units differ (Korn and Graubard 1998).
    """
    units, faulty = field.units_shipped, field.units_with_fault - removed
    own = replace(field, units_with_fault=faulty, field_faults=max(0, field.field_faults - removed))
    stop_at = margins.can_repair + 1 if units <= sum(PLAN) else NEVER
    advice = advise(
        own, can_repair=margins.can_repair, stop_at=stop_at, most_field_faults=margins.max_faults_per_1000_h
    )
    reasons = tuple(one for one in advice.reasons if one.limit < NEVER - 1)
    reasons += tuple(_further(own, margins))
    ships = all(one.kept for one in reasons)
    # The batch of an advice to wait is 0; it must be known again where the reason is gone.
    return replace(
        advice, action="ship" if ships else "wait", batch=advice.batch if ships else 0, reasons=reasons
    )


def _further(field: Field, margins: Margins) -> Iterator[Reason]:
    if field.units_with_fault > 0 and field.units_shipped < FEW:
        yield Reason("units with a fault among the first few", field.units_with_fault, 0, kept=False)
    if field.units_shipped > sum(PLAN):
        of_ten = TEN * field.units_with_fault / field.units_shipped
        yield Reason("units with a fault of ten", of_ten, margins.can_repair, of_ten <= margins.can_repair)
    limit = margins.max_misses_per_1000
    if limit is not None and field.touches:
        upper = misses_upper(field)
        yield Reason("misses per 1000 touches", upper, limit, kept=upper <= limit)
    if len(field.touches_by_unit) >= FEWEST_CHARTED:
        apart = len(count_chart(field.misses_by_unit, field.touches_by_unit).signals)
        if apart:
            yield Reason("units that miss more than the others", apart, 0, kept=False)


def misses_upper(field: Field) -> float:
    """Upper bound of misses per 1000 touches, units taken as they differ; infinite without touches."""
    known = proven(field).misses
    if known is None:
        return float("inf")
    if len(field.touches_by_unit) < 2 or not field.misses:
        return known.upper
    limits = rate_group(field.misses_by_unit, field.touches_by_unit, level=0.9).interval
    return known.upper if limits is None else max(known.upper, known.per * limits.upper)
