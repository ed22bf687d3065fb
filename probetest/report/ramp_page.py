"""Ship or wait, in words that a one-person shop uses."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from probetest.jobs.advising import PLAN, misses_upper
from probetest.jobs.ramping import Ramp
from probetest.report.blocks import Banner, Column, Facts, Table
from probetest.report.numbers import UNKNOWN, number, percent
from probetest.statistics.ramp import Rate

MOST_NAMED = 5


def banner(ramp: Ramp, look_at: Sequence[str] = ()) -> Banner:
    """Ship or wait, with the numbers it rests on; ``look_at``: what stands out on the charts."""
    advice = ramp.advice
    faults = f"{ramp.field.units_with_fault}" + (f", {ramp.removed} mended" if ramp.removed else "")
    facts = (
        ("Units", f"{ramp.field.units_shipped} ({ramp.source})"),
        ("With a fault", faults),
        ("Touches", f"{ramp.field.touches}, {ramp.field.misses} missed"),
    )
    ships = advice.action == "ship"
    text, word = sentence(ramp), f"ship {advice.batch}" if ships else "wait"
    if look_at:
        names = ", ".join(look_at[:MOST_NAMED]) + (" and others" if len(look_at) > MOST_NAMED else "")
        text = f"Look first at what stands out: {names}. When that is explained: {text[:1].lower()}{text[1:]}"
        word = "look first" if ships else word
    return Banner("pass" if ships and not look_at else "undecided", "The next batch", text, facts, word=word)


def sentence(ramp: Ramp) -> str:
    """The advice in words."""
    advice = ramp.advice
    if advice.action == "ship":
        text = (
            f"With {_units(advice.batch)} in the next batch you will most likely (95 of 100) have no more "
            f"than {advice.most_faulty} to take back."
        )
        if advice.cautious_batch < advice.batch:
            careful = _units(max(advice.cautious_batch, 1))
            text += f" Careful: {careful}, if faults are as common as they may still be."
        return text
    broken = [one for one in advice.reasons if not one.kept]
    listed = "; ".join(
        f"{one.name}: {one.value:g}, more than {one.limit:g}"
        if isfinite(one.value)
        else f"{one.name}: nothing reported, so that no more than {one.limit:g} is not shown"
        for one in broken
    )
    return f"Find the cause first, then ship: {listed}."


def _units(count: int) -> str:
    return "1 unit" if count == 1 else f"{count} units"


def proven_facts(ramp: Ramp) -> Facts:
    """What the units made so far prove."""
    known = ramp.known
    if known is None:
        return Facts((("So far", "no unit was tested or shipped, so that nothing is proven yet"),))
    rows = [
        (
            "Units with a fault",
            f"{known.faulty_units.events} of {known.faulty_units.exposure:.0f}: at most "
            f"{percent(known.faulty_units.upper, 1)} of all units (95 %)"
            + (
                f"; rule of three: about {percent(known.rule_of_three, 1)}"
                if known.rule_of_three and known.rule_of_three < 1
                else ""
            ),
        ),
        ("Misses per 1000 touches", _rate(known.misses)),
        (
            "The same, units taken as they differ",
            UNKNOWN if known.misses is None else f"at most {misses_upper(ramp.field):.3g} (95 %, one-sided); "
            "the limit is held against this",
        ),
        (
            "The same, if units differ in any way",
            UNKNOWN if known.misses_any_units is None else f"at most {known.misses_any_units:.3g} (95 %); "
            "a unit then counts as one observation",
        ),
        ("Faults per 1000 hours of use", _rate(known.field_faults)),
    ]  # fmt: skip
    return Facts(tuple(rows), caption="What the units so far prove")


def _rate(rate: Rate | None) -> str:
    if rate is None:
        return f"{UNKNOWN} (nothing reported)"
    return (
        f"{rate.value:.3g} ({rate.events} in {rate.exposure:.0f}); at most {rate.upper:.3g} (95 %, "
        "one-sided); "
        f"{rate.interval.lower:.2g} to {rate.interval.upper:.3g} (95 %, two-sided)"
    )


def teach_table(ramp: Ramp) -> Table:
    """What further units without a fault would prove."""
    return Table(
        columns=(
            Column("If so many more units show no fault", "left", "1fr"),
            Column("then at most so many of all have one (95 %)", "right"),
        ),
        rows=tuple((str(units), percent(bound, 1)) for units, bound in ramp.bounds),
    )


def chance_table(ramp: Ramp) -> Table:
    """How soon a fault of the build would be seen, with the start in batches."""
    rows = []
    for (share, chance), (_, plan) in zip(ramp.chances, ramp.plan, strict=True):
        rows.append(
            (
                f"1 in {1 / share:.0f} units",
                percent(chance),
                *(percent(stage.goes_on) for stage in plan),
                number(plan[-1].faulty, 1),
            )
        )
    total, heads = 0, []
    for batch in PLAN:
        total += batch
        heads.append(Column(f"{total} units", "right"))
    return Table(
        columns=(
            Column("If a fault is in", "left", "1fr"),
            Column("next batch shows it", "right"),
            *heads,
            Column("faulty shipped", "right"),
        ),
        rows=tuple(rows),
        note="Columns with units: chance that a start in batches of "
        f"{', '.join(str(batch) for batch in PLAN)} is still going on after so many units, if you stop at "
        f"{ramp.stop_at} units with a fault. Last column: faulty units shipped by "
        "then, on "
        "average, stops counted. Exact binomial sums.",
    )
