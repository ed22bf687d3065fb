"""The checker of programs: generated ones pass, spoilt ones do not."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from benches import KINDS, bench_with, schedule_along
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from walk_cases import case_of, program

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.schedule import Schedule, join_schedules
from probetest.plan.walk import Walk, walk_program

# What the generator writes. It shares no code with the checker.


@st.composite
def benches(draw: st.DrawFn) -> Bench:
    def number(low: float, high: float, digits: int = 3) -> float:
        return round(draw(st.floats(low, high)), digits)

    kind = draw(st.sampled_from(KINDS))
    artefact: dict[str, Any] = {"height_mm": number(8, 60)}
    if kind == "ring":
        artefact |= {"diameter_mm": number(12, 60), "outer_diameter_mm": number(61, 90)}
    elif kind in ("boss", "sphere"):
        artefact["diameter_mm"] = number(3, 40)
    else:
        artefact["size_mm"] = (number(3, 40), number(3, 40))
    ball = number(1, 8)
    clearance = number(0.6, 4)
    settle = draw(st.sampled_from([0.0, 0.5, number(0.3, 2)]))
    run_up = clearance + settle + draw(st.sampled_from([0.0, number(0, 3)]))
    place = number(0, 0.5)
    past = place + number(0.05, 2)
    moves = {
        "touch_feed_mm_min": number(5, 200), "position_feed_mm_min": number(100, 1000),
        "fast_feed_mm_min": draw(st.sampled_from([None, number(200, 290)])), "clearance_mm": clearance,
        "run_up_mm": run_up, "back_off_mm": min(place + number(0.2, 1.5), run_up), "past_mm": past,
        "settle_mm": settle, "place_mm": place, "depth_mm": number(0.1, 12),
        "safe_z_mm": clearance + number(0, 30),
        "x_mm": (-80.0, 80.0), "y_mm": (-80.0, 80.0), "z_mm": (-60.0, 80.0),
    }  # fmt: skip
    stylus = {
        "length_mm": number(15, 100), "ball_diameter_mm": ball,
        "stem_diameter_mm": round(ball * draw(st.floats(0.2, 0.8)), 3),
    }  # fmt: skip
    # A ring so narrow that a touch would start beyond its axis, and a stem that the wall would bend.
    assume(kind != "ring" or run_up < (artefact["diameter_mm"] - ball) / 2)
    bent = past * min(moves["depth_mm"], stylus["length_mm"]) / stylus["length_mm"]
    assume(kind in ("plane", "sphere") or (ball - stylus["stem_diameter_mm"]) / 2 > bent + 0.01)
    tables = bench_with(kind).model_dump()
    for table, values in {"artefact": artefact, "moves": moves, "stylus": stylus}.items():
        tables[table].update(values)
    return Bench.model_validate(tables)


@st.composite
def schedules(draw: st.DrawFn, bench: Bench) -> Schedule:
    kind = bench.artefact.kind
    step = 90.0 if kind == "block" else draw(st.sampled_from([15.0, 30.0, 45.0, 7.5, 0.3]))
    count = draw(st.integers(1, 12))
    azimuth = [step * draw(st.integers(0, 400)) % 360 for _ in range(count)]
    elevation = [0.0] * count
    if kind == "plane":
        elevation = [-90.0] * count
    elif kind == "sphere":
        elevation = [draw(st.sampled_from([0.0, -15.0, -33.3, -60.0, -90.0])) for _ in range(count)]
    parts = [schedule_along(azimuth, elevation, turn_at=draw(st.sampled_from([None, count // 2])))]
    if draw(st.booleans()):
        stage = draw(st.sampled_from(["after_overtravel", "after_service", "aged"]))
        parts.append(
            Schedule(
                (stage,) * count, parts[0].orientation_deg, parts[0].azimuth_deg, parts[0].elevation_deg,
                parts[0].block + 1,
            )
        )  # fmt: skip
    whole = join_schedules(parts)
    return replace(whole, block=1 + np.arange(len(whole)) // draw(st.integers(1, 24)))


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_the_generator_refuses_or_its_program_passes(data: st.DataObject) -> None:
    bench = data.draw(benches())
    schedule = data.draw(schedules(bench))
    dialect = data.draw(st.sampled_from(["console", "printing", "display", "strict"]))
    try:
        text = program(bench, schedule, dialect)
    except PlanError:
        assume(False)
    walk = walk_program(text, bench, schedule)
    assert (walk.kind == "touch").sum() == len(schedule)
    assert (walk.kind == "fast").sum() == (len(schedule) if bench.moves.fast_feed_mm_min else 0)


def code_lines(text: str) -> list[int]:
    """Places of the lines that hold words."""
    return [at for at, line in enumerate(text.split("\n")) if re.sub(r"\(.*?\)", "", line).strip(" %")]


def walk_of(lines: list[str], bench: Bench, schedule: Schedule) -> Walk | None:
    """The walk of a program; None where it is refused."""
    try:
        return walk_program("\n".join(lines), bench, schedule)
    except PlanError:
        return None


def same_but_higher(one: Walk, other: Walk, safe_z_mm: float) -> bool:
    """Whether two walks differ in nothing but moves at the safe height or above."""
    if one.kind.tolist() != other.kind.tolist() or (one.feed_mm_min != other.feed_mm_min).any():
        return False
    apart = (one.start != other.start) | (one.end != other.end)
    high = (
        np.minimum.reduce([one.start[:, 2], one.end[:, 2], other.start[:, 2], other.end[:, 2]]) >= safe_z_mm
    )
    upright = ((one.end - one.start)[:, :2] == 0).all(axis=1) & ((other.end - other.start)[:, :2] == 0).all(
        axis=1
    )
    return bool((~apart.any(axis=1) | high | upright).all())


def spoilt_tokens(line: str) -> list[str]:
    """A line with one of its words changed, in each way and at each word."""
    spoilt = []
    for word in re.finditer(r"([A-Z])(-?[\d.]+)", line):
        letter, number = word.group(1), float(word.group(2))
        if letter == "N":
            continue
        others = {letter + f"{-number:g}", letter + f"{2 * number:g}", letter + f"{number + 0.01:g}", ""}
        others |= {letter + f"{number - 3:g}", "G0" if letter == "G" else letter + f"{number + 30:g}"}
        spoilt += [line[: word.start()] + other + line[word.end() :] for other in others - {word.group()}]
    return [one for one in spoilt if re.sub(r"-0\b", "0", one) != line]


@pytest.mark.parametrize("dialect", ["console", "strict", "display"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_program_with_one_word_changed_is_refused(kind: str, dialect: str) -> None:
    bench, schedule = case_of(kind)
    lines = program(bench, schedule, dialect).split("\n")
    rng = np.random.default_rng(11)
    trials = [(at, spoilt) for at in code_lines("\n".join(lines)) for spoilt in spoilt_tokens(lines[at])]
    whole = walk_program("\n".join(lines), bench, schedule)
    for place in rng.permutation(len(trials))[:14]:
        at, spoilt = trials[place]
        walk = walk_of([*lines[:at], spoilt, *lines[at + 1 :]], bench, schedule)
        # What passes: an axis left out that does not move, a way across higher up.
        assert walk is None or same_but_higher(whole, walk, bench.moves.safe_z_mm), (lines[at], spoilt)


def test_a_program_without_one_of_its_lines_is_refused() -> None:
    bench, schedule = case_of("boss")
    lines = program(bench, schedule).split("\n")
    assert walk_of(lines, bench, schedule) is not None
    passed = []
    for at in code_lines("\n".join(lines)):
        if walk_of([*lines[:at], *lines[at + 1 :]], bench, schedule) is not None:
            passed.append(lines[at])
    assert passed == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_program_with_two_numbers_swapped_is_refused(kind: str) -> None:
    bench, schedule = case_of(kind)
    text = program(bench, schedule)
    whole = walk_program(text, bench, schedule)
    lines = text.split("\n")
    places = [
        (at, *word.span(1)) for at in code_lines(text) for word in re.finditer(r"[XYZF](-?[\d.]+)", lines[at])
    ]
    rng = np.random.default_rng(12)
    tried = 0
    for _ in range(24):
        (one, *first), (two, *second) = sorted(places[at] for at in rng.choice(len(places), 2, replace=False))
        numbers = lines[one][slice(*first)], lines[two][slice(*second)]
        if numbers[0] == numbers[1]:
            continue
        tried += 1
        spoilt = list(lines)
        spoilt[two] = spoilt[two][: second[0]] + numbers[0] + spoilt[two][second[1] :]
        spoilt[one] = spoilt[one][: first[0]] + numbers[1] + spoilt[one][first[1] :]
        walk = walk_of(spoilt, bench, schedule)
        assert walk is None or same_but_higher(whole, walk, bench.moves.safe_z_mm), numbers
    assert tried > 12


def test_checking_is_fast() -> None:
    azimuth = np.random.default_rng(3).permutation(np.tile(np.arange(0, 360, 15.0), 17))[:400]
    schedule = schedule_along(azimuth.tolist(), turn_at=200)
    bench = bench_with("boss")
    text = program(bench, schedule)
    start = time.process_time()
    walk_program(text, bench, schedule)
    assert time.process_time() - start < 2.0
