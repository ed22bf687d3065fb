"""A planned test in words and as plain values."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from probetest.plan.bench import Bench
from probetest.plan.planned import ARM_SHARES, Answer, Planned
from probetest.plan.program import COPY_DISPLAY
from probetest.statistics.design import directions_of
from probetest.statistics.expected import TOO_FINE_SD, Expected, expected_mean_u_mm
from probetest.statistics.intervals import proportion_interval
from probetest.statistics.sight import seen_share
from probetest.statistics.turns import LEAST_SEPARABILITY, separability
from probetest.triggers import BALL_U_MM

TITLES = {
    "acceptance": "Acceptance test of a probe",
    "verification": "Test of a received probe",
    "contacts": "Check of the contact pairs",
    "comparison": "Test of one unit of a comparison of two builds",
    "service": "Test before and after a service",
}

SHAPE_ORDERS = tuple(range(2, 10))
"""Orders of a curve, the centre apart."""


def facts_of(planned: Planned) -> tuple[tuple[str, str], ...]:
    """Name and value of what is planned."""
    design, bench, schedule = planned.design, planned.bench, planned.schedule
    turns = ", ".join(f"{angle:g}" for angle in design.orientations_deg)
    moves = bench.moves
    fast = f", each after one at {moves.fast_feed_mm_min:g}" if moves.fast_feed_mm_min else ""
    found = [
        (
            "Touches",
            f"{len(schedule)}: {design.touches} rounds of {design.directions} directions at orientation "
            f"{turns}°{_further(planned)}",
        ),
        ("Stages", ", ".join(dict.fromkeys(schedule.stage))),
        ("Time", f"about {planned.seconds / 60:.0f} min, turns of the probe included{_unheard(planned)}"),
        ("Artefact", _artefact(bench)),
        ("Stylus", f"{bench.stylus.length_mm:g} mm long, ball {bench.stylus.ball_diameter_mm:g} mm"),
        ("Feed", f"{moves.touch_feed_mm_min:g} mm/min{fast}"),
        ("Machine", bench.machine.name or "not named"),
        (
            "Expected",
            f"scatter {1000 * bench.probe.sd_mm:.3g} µm, variation {1000 * bench.probe.variation_mm:.3g} µm",
        ),
    ]
    if planned.wish.looks > 1:
        ends = ", ".join(str(end) for end in block_ends(planned))
        found.append(
            (
                "Looks",
                f"{planned.wish.looks}, after touch {ends}; each at a risk of "
                f"{100 * planned.look_risk:.2g} %, so that the whole keeps {100 * planned.limits.risk:.3g} "
                "%",
            )
        )
        chances = ", ".join(f"{100 * chance:.0f}" for chance in planned.ended)
        found.append(
            (
                "Decided",
                f"at these looks or before in at least {chances} % of the tests of such a probe; "
                f"{mean_touches(planned):.0f} touches on average",
            )
        )
    if planned.units is not None:
        found.append(
            (
                "Units",
                f"{planned.units.units} of each build, tested in the order {' '.join(planned.units.order)}",
            )
        )
    return tuple(found)


def _unheard(planned: Planned) -> str:
    """What the time does not hold."""
    waits = planned.program.count(COPY_DISPLAY)
    return f", copying {waits} displays not" if waits else ""


def _further(planned: Planned) -> str:
    """Touches beside the baseline."""
    if not planned.stages:
        return ""
    if planned.wish.purpose == "service":
        return ", all of it before and after the service"
    return ", and at 0° twice more: after the overtravel, and again"


def mean_touches(planned: Planned) -> float:
    """Touches of a test that is stopped at the first look that decides, on average and at most."""
    ends = block_ends(planned)
    goes_on = (1.0, *(1 - chance for chance in planned.ended[:-1]))
    return float(
        sum(chance * (end - start) for chance, start, end in zip(goes_on, (0, *ends), ends, strict=False))
    )


def block_ends(planned: Planned) -> tuple[int, ...]:
    """Number of the last touch of each block."""
    block = planned.schedule.block
    last = np.flatnonzero(np.append(np.diff(block) != 0, True)) + 1
    return tuple(int(end) for end in last)


def shows_of(planned: Planned) -> tuple[str, ...]:
    """What the test is expected to show; intervals are 95 %, of a test that finds just what is expected."""
    told = [_answer(one) for one in planned.answers if not one.dropped]
    if planned.units is not None:
        told += list(_of_units(planned))
    design = planned.design
    u = 1000 * expected_mean_u_mm(design, planned.probe)
    if planned.least_arm is not None:
        told.append(
            f"An arm that opens {100 * planned.least_arm:.0f} % early or late, or more, is named in "
            f"{100 * planned.wish.chance:.0f} of 100 tests."
        )
    told.append(
        f"The mean of each direction at an orientation with a standard error of {u:.2g} µm (n = "
        f"{design.touches})."
    )
    level = _level_u_mm(planned)
    if level is not None:
        told.append(
            f"Mean pre-travel with a standard uncertainty of {1000 * level:.2g} µm, "
            f"{planned.bench.artefact.kind} and ball included."
        )
    return tuple(told)


def hides_of(planned: Planned) -> tuple[str, ...]:
    """What the test can't show."""
    return tuple(_hidden(planned))


def plan_to_dict(planned: Planned) -> dict[str, Any]:
    """All of a plan as plain values; lengths in mm, angles in deg, times in minutes."""
    design, units = planned.design, planned.units
    return {
        "purpose": planned.wish.purpose,
        "serial": planned.bench.probe.serial,
        "touches": len(planned.schedule),
        "minutes": round(planned.seconds / 60, 1),
        "directions": design.directions,
        "touches_per_direction": design.touches,
        "orientations_deg": list(design.orientations_deg),
        "stages": list(dict.fromkeys(planned.schedule.stage)),
        "chance": round(planned.choice.chance, 4),
        "wanted_chance": planned.wish.chance,
        "enough": planned.enough,
        "least_arm_share": planned.least_arm,
        "risk": planned.limits.risk,
        "looks": planned.wish.looks,
        "look_risk": round(planned.look_risk, 6),
        "block_ends": list(block_ends(planned)),
        "decided_by_look": [round(chance, 4) for chance in planned.ended],
        "questions": [
            {
                "name": one.question.name,
                "label": one.question.label,
                "unit": one.question.unit,
                "wanted": one.question.wanted,
                "chance": round(one.chance, 4),
                "planned_for": not one.dropped,
                "expected": _interval_to_dict(one.expected),
            }
            for one in planned.answers
        ],
        "units": None
        if units is None
        else {
            "per_build": units.units,
            "order": list(units.order),
            "for_scatter": units.of_scatter.both,
            "for_variation": units.of_variation.both,
            "minutes": round(units.seconds / 60, 1),
        },
        "program": {
            "lines": planned.program.count("\n"),
            "moves": len(planned.walk.line),
            "way_mm": round(planned.walk.length_mm, 1),
            "motion_minutes": round(planned.walk.seconds / 60, 1),
        },
        "shows": list(shows_of(planned)),
        "cannot_show": list(hides_of(planned)),
    }


def _interval_to_dict(found: Expected | None) -> dict[str, Any] | None:
    if found is None:
        return None
    interval = found.interval
    return {
        "value": found.value,
        "lower": interval.lower,
        "upper": interval.upper,
        "level": interval.level,
        "n": found.n,
    }


def _answer(one: Answer) -> str:
    question, found = one.question, one.expected
    chance = "more than 99" if one.chance > 0.99 else f"{100 * one.chance:.0f}"
    words = f"{question.label}: {question.wanted} (chance {chance} %"
    if found is None:
        return f"{words})."
    scale, unit, digits = (1000.0, " µm", 3) if question.unit == "mm" else (1.0, "", 3)
    if question.name == "miss_rate":
        scale, unit = 100.0, " %"
    lower, upper = (f"{scale * one:.{digits}g}" for one in (found.interval.lower, found.interval.upper))
    return (
        f"{words}); expected {scale * found.value:.3g}{unit}, 95 % interval {lower} to {upper}{unit}, n "
        f"= {found.n}."
    )


def _of_units(planned: Planned) -> Iterator[str]:
    units = planned.units
    if units is None:
        return
    yield (
        f"Scatter of the builds: needs {units.of_scatter.both} units of each; one unit is measured to "
        f"{100 * units.measured_sd_share:.2g} %, units differ by {100 * planned.wish.spread.sd_share:.3g} % "
        "(standard errors, the second as you stated)."
    )
    yield (
        f"Variation of the builds: needs {units.of_variation.both} units of each; one unit is measured to "
        f"{1000 * units.measured_variation_mm:.2g} µm, units differ by "
        f"{1000 * planned.wish.spread.variation_mm:.3g} µm."
    )
    yield f"All {2 * units.units} units take about {units.seconds / 3600:.1f} h."


def _hidden(planned: Planned) -> Iterator[str]:
    design, bench, probe = planned.design, planned.bench, planned.probe
    for one in planned.answers:
        if one.dropped and bench.artefact.kind == "block":
            yield f"{one.question.label}: {one.question.wanted}. Four directions can't."
        elif one.dropped:
            yield (
                f"{one.question.label}: {one.question.wanted}. No practical number of touches does it with "
                f"such a probe; here the chance is {100 * one.chance:.0f} %."
            )
    if not planned.choice.enough and planned.units is None:
        yield (
            f"All of it with a chance of {100 * planned.wish.chance:.0f} %: together it is at least "
            f"{100 * planned.choice.chance:.0f} %."
            + (" Allow more time for more." if planned.wish.minutes is not None else "")
        )
    if planned.wish.purpose == "verification":
        yield (
            "Whether a larger scatter is the probe's: it holds that of your machine, and alone makes no "
            "probe worse."
        )
    if planned.stages and planned.wish.purpose == "acceptance" and len(design.orientations_deg) > 1:
        yield (
            "The probe before the overtravel at the other orientations: they are touched after it, and a "
            "seat that did not come back shows in them too."
        )
    if planned.wish.purpose == "contacts" and planned.least_arm is None:
        yield (
            f"An arm that opens early or late: not even one that is {100 * ARM_SHARES[-1]:.0f} % off is "
            f"named in {100 * planned.wish.chance:.0f} of 100 tests. An open circuit, misses and large "
            "steps still show."
        )
    if len(design.orientations_deg) == 1:
        yield (
            "The probe apart from the machine: at one orientation the variation holds both, and an uneven "
            "machine can look like an uneven arm. "
            + (
                "A ring, sphere or boss is needed for that."
                if bench.artefact.kind == "block"
                else "Turn the probe to 0, 30, 90 and 210° for that."
            )
        )
        azimuth = directions_of(design.directions, bench.probe.arm_azimuth_deg)
        share = seen_share(azimuth) if design.directions > 4 else 0.0
        yield (
            f"Lobes between the directions: the {design.directions} directions are sure to show "
            f"{100 * share:.0f} % of the variation of a three-arm seat."
        )
    else:
        blind = [
            order
            for order in SHAPE_ORDERS
            if separability(design.orientations_deg, order) < LEAST_SEPARABILITY
        ]
        if blind:
            yield (
                f"Orders {', '.join(map(str, blind))} of the curve: these orientations can't tell whose "
                "they are."
            )
    if _level_u_mm(planned) is None:
        yield (
            "The mean pre-travel: it needs a calibrated ring, sphere or boss and the ball's diameter "
            "(u_mm, ball_u_mm)."
        )
    if bench.artefact.kind == "sphere":
        yield "The form error over the sphere: only its equator is touched."
    if not planned.stages:
        yield "Whether the probe re-seats after an overtravel or a service."
    n = len(planned.schedule)
    yield (
        f"Misses that are rarer than about 1 in {1 / proportion_interval(0, n, 0.9).upper:.0f}: so many "
        f"may hide in {n} good touches."
    )
    if bench.machine.resolution_mm * TOO_FINE_SD > bench.probe.sd_mm:
        yield (
            f"Scatter below about one step of {1000 * bench.machine.resolution_mm:.3g} µm: only a finer "
            "readout shows it."
        )
    elif probe.sd_mm > 1.05 * bench.probe.sd_mm:
        yield f"Scatter without that of the step: {1000 * probe.sd_mm:.3g} µm are expected with it."
    yield "Other feeds, styli and temperatures, and a spindle that lies or is tilted."


def _level_u_mm(planned: Planned) -> float | None:
    """Standard uncertainty of the mean pre-travel; None where nothing is calibrated."""
    artefact, stylus = planned.bench.artefact, planned.bench.stylus
    if artefact.u_mm is None:
        return None
    u_touch = planned.probe.sd_mm / np.sqrt(planned.design.directions * planned.design.touches)
    ball = stylus.ball_u_mm if stylus.ball_u_mm is not None else BALL_U_MM
    return float(np.sqrt((artefact.u_mm / 2) ** 2 + (ball / 2) ** 2 + u_touch**2))


def _artefact(bench: Bench) -> str:
    one = bench.artefact
    size = (
        f"{one.diameter_mm:g} mm"
        if one.diameter_mm
        else " x ".join(f"{x:g}" for x in one.size_mm or ()) + " mm"
    )
    known = [f"u = {1000 * one.u_mm:.2g} µm"] if one.u_mm else ["not calibrated"]
    form = [f"form {1000 * one.form_mm:.2g} µm"] if one.form_mm else []
    return f"{one.kind} {size}, {', '.join(known + form)}"
