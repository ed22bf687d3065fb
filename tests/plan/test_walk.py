"""The checker of programs: programs by hand, generated ones, and spoilt ones."""

from __future__ import annotations

import re
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plan_benches import ARTEFACTS, bench_with, schedule_of

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.contact_places import contact_places
from probetest.plan.dialect import read_dialect
from probetest.plan.program import write_program
from probetest.plan.schedule import Schedule, join_schedules
from probetest.plan.walk import Walk, walk_program

SINGLE = {"moves": {"fast_feed_mm_min": None, "settle_mm": 0.0}}
RING = bench_with("ring", **SINGLE)
ALONG_X = schedule_of([0.0])

HEAD = "G17 G21 G90 G94\nM5\nM0\nG38.3 X0 Y0 Z20 F400\n"
TAIL = "G38.3 X0 Y0 Z-8 F400\nG38.3 X0 Y0 Z20 F400\nM2\n"
# A ring of 25 mm, a ball of 4 mm: contact at X10.5, from 3 mm before to 1.5 mm beyond.
TOUCH = "(TOUCH 1 STAGE new ORIENTATION 0 AZIMUTH 0 ELEVATION 0)\nG38.2 X12 Y0 Z-8 F60\nG1 X7.5 Y0 Z-8 F400\n"
DOWN = "G38.3 X0 Y0 Z-8 F400\nM0\nG38.3 X7.5 Y0 Z-8 F400\n"
BY_HAND = HEAD + DOWN + TOUCH + TAIL


def fault_of(text: str, bench: Bench = RING, schedule: Schedule = ALONG_X) -> str:
    with pytest.raises(PlanError) as caught:
        walk_program(text, bench, schedule)
    return str(caught.value)


def test_a_program_by_hand_is_followed() -> None:
    walk = walk_program(BY_HAND, RING, ALONG_X)
    assert walk.kind.tolist() == ["guarded", "guarded", "guarded", "touch", "plain", "guarded", "guarded"]
    assert walk.line.tolist() == [4, 5, 7, 9, 10, 11, 12]
    assert walk.touch.tolist() == [0, 0, 0, 1, 0, 0, 0]
    assert walk.retract.tolist() == [False] * 4 + [True, False, False]
    assert walk.start[3].tolist() == [7.5, 0.0, -8.0]
    assert walk.end[3].tolist() == [12.0, 0.0, -8.0]
    # 28 down, 7.5 out, 4.5 touch, 4.5 back, 7.5 in, 28 up; all at 400 mm/min but the touch at 60.
    assert walk.length_mm == pytest.approx(80.0)
    assert walk.seconds == pytest.approx(75.5 / 400 * 60 + 4.5)


def test_moves_without_a_guard_pass_where_none_is_guarded() -> None:
    walk = walk_program(BY_HAND.replace("G38.3", "G1"), RING, ALONG_X)
    assert set(walk.kind) == {"plain", "touch"}
    assert walk.retract.sum() == 1


@pytest.mark.parametrize(
    ("old", "new", "line", "found"),
    [
        ("M5\n", "\n", 4, "before the spindle is stopped"),
        ("M5\nM0", "M0\nM5", 4, "before a pause"),
        ("M0\n", "\n", 4, "before a pause"),
        ("G21 ", "", 4, "G21 (millimetres)"),
        ("G90 ", "", 4, "G90"),
        ("G17 ", "", 4, "G17"),
        (" G94", "", 4, "G94"),
        ("G21", "G20", 1, "G20"),
        ("G90", "G91", 1, "G91"),
        ("G94", "G93", 1, "G93"),
        ("M5", "M3", 2, "M3"),
        ("M5", "M5 M4", 2, "M4"),
        ("M0", "M6", 3, "M6"),
        ("M0", "T1", 3, "T1"),
        ("M0", "S100", 3, "S100"),
        ("M0", "G92 X0", 3, "G92"),
        ("M0", "G54", 3, "G54"),
        ("M0", "G53 G1 X0 F60", 3, "G53"),
        ("M0", "G43 H1", 3, "G43"),
        ("M0", "G10 L2 P1 X0", 3, "G10"),
        ("M0", "/M0", 3, "a line that a switch leaves out"),
        ("M0", "M0 G21", 3, "M0 G21"),
        ("G38.3 X0 Y0 Z20 F400\nG38.3 X0", "G0 X0 Y0 Z20 F400\nG38.3 X0", 4, "G0"),
        ("G38.3 X0 Y0 Z20 F400\nG38.3 X0", "G38.3 X0 Z20 F400\nG38.3 X0", 4, "G38.3 X0 Z20 F400"),
        ("G38.3 X0 Y0 Z20 F400\nG38.3 X0", "G38.3 X1 Y0 Z20 F400\nG38.3 X0", 4, "to another place"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G2 X7.5 Y0 I3 F400", 7, "G2"),
        ("G38.3 X7.5 Y0 Z-8 F400", "X7.5 Y0 Z-8 F400", 7, "X7.5"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X7.5 Y0 Z-8", 7, "G38.3 X7.5"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X7.5 Y0 Z-8 F0", 7, "F0"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 F400", 7, "G38.3 F400"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G1 G38.3 X7.5 F400", 7, "G1 G38.3"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X7.5 Y0 Z-8 F401", 7, "F401"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.2 X7.5 Y0 Z-8 F400", 7, "G38.2 to a place where nothing"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.5 X7.5 Y0 Z-8 F400", 7, "G38.5"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G1 X7.5 Y0 Z-8 F400", 7, "plain move that is no way back"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X8.51 Y0 Z-8 F400", 7, "as near as 1.990 mm"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X7.5 Y0 Z-13.01 F400", 7, "Z-13.01 outside of the volume"),
        ("G38.3 X7.5 Y0 Z-8 F400", "G38.3 X0 Y0 Z-8 F400\nG38.3 X7.5 Y0 Z-8 F400", 7, "without a way"),
        ("F60", "F61", 9, "F61"),
        ("F60", "F59", 9, "F59"),
        ("X12 Y0", "X12.002 Y0", 9, "ends 0.0020 mm off"),
        ("X12 Y0", "X-12 Y0", 9, "ends 24"),
        ("X12 Y0", "X12 Y0.004", 9, "ends 0.0040 mm off"),
        ("G38.3 X7.5", "G38.3 X7.498", 9, "starts 0.0020 mm off"),
        ("G38.2", "G38.4", 9, "G38.4"),
        ("(TOUCH 1", "(TOUCH 2", 9, "comment"),
        ("STAGE new", "STAGE old", 9, "comment"),
        ("ORIENTATION 0", "ORIENTATION 30", 9, "comment"),
        ("AZIMUTH 0", "AZIMUTH 1", 9, "comment"),
        ("G1 X7.5 Y0 Z-8 F400\n", "", 10, "another move right after a touch"),
        ("G1 X7.5 Y0 Z-8 F400\n", "M0\nG38.3 X0 Y0 Z-8 F400\n", 11, "another move right after a touch"),
        ("G1 X7.5 Y0", "G1 X7.5 Y0.002", 10, "to another place"),
        ("G1 X7.5 Y0", "G1 X10.5 Y0", 10, "to another place"),
        ("G1 X7.5 Y0", "G1 X7.4 Y0", 10, "to another place"),
        ("G1 X7.5 Y0 Z-8 F400", "G1 Y0 Z-8 F400", 10, "to another place"),
        ("G1 X7.5 Y0", "G1 X9 Y0", 10, "to another place"),
        ("G38.3 X0 Y0 Z20 F400\nM2", "M2", 12, "the end at another place"),
        ("M2", "", 12, "without an end"),
        ("M2", "M2\nG21", 14, "G21"),
        ("M2", "M2\nM3 S1000", 14, "M3 S1000"),
        ("M2", "G38.3 X0 Y0 Z19 F400\nM30", 14, "the end at another place"),
        ("G38.3 X0 Y0 Z20 F400\nM2", TOUCH + TAIL, 12, "a touch beyond 1"),
        ("M2", "G21\nM2", 13, "G21"),
    ],
)
def test_what_is_wrong_is_refused_with_its_line(old: str, new: str, line: int, found: str) -> None:
    assert BY_HAND.count(old) >= 1
    at = BY_HAND.rindex(old) if old == "G38.3 X0 Y0 Z20 F400\nM2" else BY_HAND.index(old)
    told = fault_of(BY_HAND[:at] + new + BY_HAND[at + len(old) :])
    assert told.startswith(f"Line {line} of the program: ")
    assert found in told.split("; expected: ")[0]


def test_a_program_that_never_touches_is_refused() -> None:
    assert "after 0 touches; expected: 1 touches" in fault_of(HEAD + "M2\n")
    assert "without an end" in fault_of("")


def test_the_way_back_states_what_the_touch_moved() -> None:
    # The touch stopped somewhere on its line: a place on it has to be named whole.
    slanted = schedule_of([45.0])
    start, end = 7.5 / np.sqrt(2), 12 / np.sqrt(2)
    text = (
        f"{HEAD}G38.3 X0 Y0 Z-8 F400\nM0\nG38.3 X{start:.4f} Y{start:.4f} Z-8 F400\n"
        "(TOUCH 1 STAGE new ORIENTATION 0 AZIMUTH 45 ELEVATION 0)\n"
        f"G38.2 X{end:.4f} Y{end:.4f} Z-8 F60\nG1 X{start:.4f} Y{start:.4f} F400\n{TAIL}"
    )
    walk_program(text, RING, slanted)
    told = fault_of(text.replace(f"G1 X{start:.4f} Y{start:.4f}", f"G1 X{start:.4f}"), RING, slanted)
    assert told.startswith("Line 10 of the program: a way back")


# What the bench states, rather than the program.


@pytest.mark.parametrize(
    ("tables", "found"),
    [
        ({"probe": {"max_feed_mm_min": 59.0}}, "a touch with F60; expected: 59 at most"),
        ({"probe": {"overtravel_mm": 1.7}}, "1.5000 mm beyond the contact; expected: 1.4 at most"),
        ({"probe": {"overtravel_mm": 0.1}}, "F400, which takes 0.144 mm to stop"),
        ({"stylus": {"length_mm": 7.9}}, "as near as 1.9"),
        ({"stylus": {"stem_diameter_mm": 4.0}}, "with the stem at the artefact (0.0000 mm)"),
        ({"stylus": {"stem_diameter_mm": 3.7}}, "whose stem reaches the artefact at its end"),
        ({"moves": {"clearance_mm": 3.5}}, "as near as 3.0"),
        ({"artefact": {"height_mm": 9.5}}, "as near as 1.5"),
        ({"artefact": {"height_mm": 5.5}}, "as near as 0.0"),
        ({"artefact": {"diameter_mm": 24.9}}, "starts 0.0500 mm off"),
        ({"artefact": {"diameter_mm": 22.9}}, "as near as 1.9"),
    ],
)
def test_what_the_bench_does_not_allow_is_refused(tables: dict[str, dict[str, Any]], found: str) -> None:
    merged = {**tables, "moves": {**SINGLE["moves"], **tables.get("moves", {})}}
    assert found in fault_of(BY_HAND, bench_with("ring", **merged))


def test_a_stem_is_bent_by_what_goes_beyond_the_contact() -> None:
    # At the top, 6 mm above the ball, the stem has moved 1.5 * 6 / 50 = 0.18 mm: 0.25 mm of room do.
    for stem, passes in ((3.5, True), (3.7, False)):
        bench = bench_with("ring", stylus={"stem_diameter_mm": stem}, **SINGLE)
        if passes:
            walk_program(BY_HAND, bench, ALONG_X)
        else:
            assert "stem reaches" in fault_of(BY_HAND, bench)


@pytest.mark.parametrize(
    ("kind", "azimuth", "elevation", "contact"),
    [
        ("ring", 90.0, 0.0, (0.0, 10.5, -6.0)),
        ("boss", 180.0, 0.0, (14.5, 0.0, -6.0)),
        ("block", 0.0, 0.0, (-14.5, 0.0, -6.0)),
        ("block", 270.0, 0.0, (0.0, 6.5, -6.0)),
        ("sphere", 0.0, -45.0, (-12 / np.sqrt(2), 0.0, -10 + 12 / np.sqrt(2))),
        ("sphere", 123.0, -90.0, (0.0, 0.0, 2.0)),
        ("plane", 0.0, -90.0, (0.0, 0.0, 2.0)),
    ],
)
def test_contacts_by_hand(
    kind: str, azimuth: float, elevation: float, contact: tuple[float, float, float]
) -> None:
    places, _ = contact_places(bench_with(kind), schedule_of([azimuth], [elevation]))
    assert places[0] == pytest.approx(contact, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "azimuth", "elevation"),
    [
        ("block", 45.0, 0.0),
        ("ring", 0.0, -10.0),
        ("sphere", 0.0, 10.0),
        ("plane", 0.0, 0.0),
        ("boss", 0.0, -90.0),
    ],
)
def test_a_touch_without_a_place_is_refused(kind: str, azimuth: float, elevation: float) -> None:
    schedule = schedule_of([0.0, azimuth], [-90.0 if kind == "plane" else 0.0, elevation])
    with pytest.raises(PlanError, match="Touch 2 has azimuth"):
        contact_places(bench_with(kind), schedule)


# What the generator writes. It shares no code with the checker.


def program(bench: Bench, schedule: Schedule, dialect: str = "console") -> str:
    return write_program(schedule, bench, read_dialect(dialect))


@st.composite
def benches(draw: st.DrawFn) -> Bench:
    def number(low: float, high: float, digits: int = 3) -> float:
        return round(draw(st.floats(low, high)), digits)

    kind = draw(st.sampled_from(ARTEFACTS))
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
    parts = [schedule_of(azimuth, elevation, turn_at=draw(st.sampled_from([None, count // 2])))]
    if draw(st.booleans()):
        stage = draw(st.sampled_from(["after_overtravel", "after_service", "aged"]))
        parts.append(
            Schedule(
                (stage,) * count, parts[0].orientation_deg, parts[0].azimuth_deg, parts[0].elevation_deg,
                parts[0].block + 1,
            )
        )  # fmt: skip
    return join_schedules(parts)


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


def case_of(kind: str) -> tuple[Bench, Schedule]:
    """A bench and four touches with a turn of the probe."""
    bench = bench_with(kind, moves={"z_mm": (-34.0, 60.0)})
    elevation = {"plane": [-90.0] * 4, "sphere": [0.0, -45.0, -90.0, -30.0]}.get(kind)
    return bench, schedule_of([0.0, 90.0, 270.0, 180.0], elevation, turn_at=2)


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


@pytest.mark.parametrize("dialect", ["console", "strict"])
@pytest.mark.parametrize("kind", ARTEFACTS)
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


@pytest.mark.parametrize("kind", ARTEFACTS)
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


def turned() -> tuple[Bench, Schedule, str]:
    bench, schedule = case_of("boss")
    return bench, schedule, program(bench, schedule)


def pauses_of(lines: list[str]) -> list[int]:
    """Places of the lines that pause."""
    return [at for at, line in enumerate(lines) if re.search(r"\bM0\b", re.sub(r"\(.*?\)", "", line))]


def without(lines: list[str], at: int) -> str:
    return "\n".join([*lines[:at], *lines[at + 1 :]])


def test_a_turn_without_its_pause_is_refused() -> None:
    bench, schedule, text = turned()
    lines = text.split("\n")
    _, _, third, _ = pauses_of(lines)
    assert "touch 3 without a pause at the safe height" in fault_of(without(lines, third), bench, schedule)
    # One that stands elsewhere does not do: the probe is not out of the way.
    lines = without(lines, third).split("\n")
    touch = [at for at, line in enumerate(lines) if line.startswith("G38.2")][4]
    fault_of("\n".join([*lines[: touch - 1], "M0", *lines[touch - 1 :]]), bench, schedule)


def grouped(kind: str) -> tuple[Bench, Schedule]:
    """Six touches: a turn before the third, the end of a block before the fourth, a stage before the sixth."""
    bench, four = case_of(kind)
    turns = np.array([0, 1, 2, 3, 0, 1])
    return bench, Schedule(
        ("new",) * 5 + ("aged",), np.array([0.0, 0, 30, 30, 30, 30]), four.azimuth_deg[turns],
        four.elevation_deg[turns], np.array([1, 1, 1, 2, 2, 2]),
    )  # fmt: skip


@pytest.mark.parametrize("dialect", ["console", "display", "strict"])
@pytest.mark.parametrize("kind", ARTEFACTS)
def test_each_group_of_touches_needs_both_of_its_pauses(kind: str, dialect: str) -> None:
    bench, schedule = grouped(kind)
    lines = program(bench, schedule, dialect).split("\n")
    walk_program("\n".join(lines), bench, schedule)
    readings = [at for at in pauses_of(lines) if "COPY THE DISPLAY" in lines[at - 1]]
    own = [at for at in pauses_of(lines) if at not in readings]
    assert (len(own), len(readings)) == (8, 6 if dialect == "display" else 0)
    for touch, top, look in zip((1, 3, 4, 6), own[::2], own[1::2], strict=True):
        assert "LOOK: " in " ".join(lines[top:look])
        told = fault_of(without(lines, look), bench, schedule)
        if dialect != "display":  # else the first fault may be a reading that seems to be missing
            assert f"touch {touch} without a pause after the way down to it; expected: one, to look" in told
        if touch > 1:
            told = fault_of(without(lines, top), bench, schedule)
            assert f"touch {touch} without a pause at the safe height over X0 Y0; expected: one, as" in told


def test_the_look_is_taken_after_the_way_down() -> None:
    bench, schedule, text = turned()
    lines = text.split("\n")
    for touch, look in zip((1, 3), pauses_of(lines)[1::2], strict=True):
        down = next(at for at in range(look, 0, -1) if lines[at].startswith("G38.3"))
        # Before the last move down, over where the touch begins; after the settling move it would do.
        early = [*lines[:down], lines[look], lines[down], *lines[down + 1 : look], *lines[look + 1 :]]
        told = fault_of("\n".join(early), bench, schedule)
        assert f"touch {touch} without a pause after the way down to it" in told
        late = [*lines[:look], lines[look + 1], lines[look], *lines[look + 2 :]]
        walk_program("\n".join(late), bench, schedule)
    # Two pauses at the top are no look either.
    third = pauses_of(lines)[2]
    twice = without(lines, pauses_of(lines)[3]).split("\n")
    told = fault_of("\n".join([*twice[:third], "M0", *twice[third:]]), bench, schedule)
    assert "touch 3 without a pause after the way down to it" in told


def test_in_a_ring_the_look_is_taken_on_the_axis_at_depth_or_beside_the_touch() -> None:
    for down, passes in (("M0\nG38.3 X7.5 Y0", True), ("G38.3 X7.5 Y0 Z-8 F400\nM0\nG38.3 X7 Y0", False)):
        text = BY_HAND.replace("M0\nG38.3 X7.5 Y0", down)
        assert text.count("M0") == 2
        if passes:
            walk_program(text, RING, ALONG_X)
    walk_program(
        BY_HAND.replace("M0\nG38.3 X7.5 Y0 Z-8 F400\n", "G38.3 X7.5 Y0 Z-8 F400\nM0\n"), RING, ALONG_X
    )
    for aside in ("X1 Y0 Z-8", "X0 Y0 Z-7"):
        text = BY_HAND.replace("G38.3 X0 Y0 Z-8 F400\nM0", f"G38.3 X0 Y0 Z-8 F400\nG38.3 {aside} F400\nM0", 1)
        text = text.replace("M0\nG38.3 X7.5", "M0\nG38.3 X0 Y0 Z-8 F400\nG38.3 X7.5")
        assert "touch 1 without a pause after the way down" in fault_of(text)


@pytest.mark.parametrize(
    ("above", "passes"), [(-0.1, False), (0.2, True), (0.999, True), (1.0, True), (1.1, False), (5.0, False)]
)
def test_a_pause_stands_up_to_a_millimetre_above_the_safe_height(above: float, passes: bool) -> None:
    bench, schedule, text = turned()
    height = f"G38.3 X0 Y0 Z{20 + above:g} F400"
    assert text.count("G38.3 X0 Y0 Z21 F400\n") == 2
    first = text.replace("G38.3 X0 Y0 Z21 F400\n", height + "\n", 1)
    last = f"{text[: text.rindex('G38.3 X0 Y0 Z21')]}{height}\nM2\n"
    if passes:
        walk_program(first, bench, schedule)
        walk_program(last, bench, schedule)
        return
    fault_of(first, bench, schedule)
    told = fault_of(last, bench, schedule)
    assert "the end at another place" in told or "across below the safe height" in told
    if above > 0:
        assert "touch 3 without a pause at the safe height over X0 Y0" in fault_of(first, bench, schedule)


def test_after_a_pause_at_the_top_the_probe_first_goes_to_the_safe_height() -> None:
    # As a program may be started there again.
    bench, schedule, text = turned()
    lines = text.split("\n")
    first = pauses_of(lines)[2] + 1
    assert lines[first] == "G38.3 X0 Y0 Z20 F400"
    told = fault_of(without(lines, first), bench, schedule)
    assert told.startswith(f"Line {first + 1} of the program: a motion to another place after a pause")
    for other in ("G38.3 Z20 F400", "G38.3 X1 Y0 Z20 F400"):
        told = fault_of("\n".join([*lines[:first], other, *lines[first + 1 :]]), bench, schedule)
        assert "a motion to another place after a pause at the safe height; expected: X0 Y0 Z20 first" in told


def test_over_a_plane_both_pauses_may_stand_at_the_top() -> None:
    bench = bench_with("plane", moves={**SINGLE["moves"], "safe_z_mm": 3.0})
    schedule = schedule_of([0.0], [-90.0])
    text = program(bench, schedule)
    walk_program(text, bench, schedule)
    lines = text.split("\n")
    assert [lines[at + 1] for at in pauses_of(lines)][0] == "G38.3 X0 Y0 Z3 F400"
    for at in pauses_of(lines):
        fault_of(without(lines, at), bench, schedule)


def test_no_pause_holds_a_touch_between_fast_and_slow() -> None:
    bench, schedule, text = turned()
    lines = text.split("\n")
    touches = [at for at, line in enumerate(lines) if line.startswith("G38.2")]
    told = fault_of("\n".join([*lines[: touches[2] + 1], "M0", *lines[touches[2] + 1 :]]), bench, schedule)
    assert told.startswith(f"Line {touches[2] + 2} of the program: a pause within a touch")


def test_pauses_to_read_the_display_stand_after_each_touch_or_none() -> None:
    bench, schedule = case_of("ring")
    lines = program(bench, schedule, "display").split("\n")
    walk_program("\n".join(lines), bench, schedule)
    pauses = pauses_of(lines)
    assert len(pauses) == 4 + len(schedule)
    for at in pauses:
        fault_of(without(lines, at), bench, schedule)


def test_a_way_across_below_the_safe_height_is_refused() -> None:
    bench, schedule, text = turned()
    lower = re.sub(r"(G38\.3 X-?[\d.]+ Y-?[\d.]+) Z20 ", r"\1 Z12 ", text)
    assert "" != lower != text
    kept = lower.split("\n")
    at = next(at for at, line in enumerate(kept) if "Z12" in line)
    kept[at] = kept[at].replace("Z12", "Z20")  # where the operator has put it
    told = fault_of("\n".join(kept), bench, schedule)
    assert "across below the safe height; expected: Z20 or more" in told


def test_touches_out_of_turn_are_refused() -> None:
    bench, schedule, text = turned()
    other = schedule_of([90.0, 0.0, 270.0, 180.0], turn_at=2)
    assert "a touch that starts" in fault_of(text, bench, other)
    longer = schedule_of([0.0, 90.0, 270.0, 180.0, 0.0], turn_at=2)
    assert "the end after 4 touches; expected: 5 touches" in fault_of(text, bench, longer)
    single = bench.model_copy(update={"moves": bench.moves.model_copy(update={"fast_feed_mm_min": None})})
    assert "F200 in a touch move" in fault_of(text, single, schedule)


def test_a_touch_is_settled() -> None:
    _, schedule, text = turned()
    told = fault_of(text, bench_with("boss", moves={"z_mm": (-34.0, 60.0), "settle_mm": 1.1}), schedule)
    assert "does not settle it; expected: 1.1 mm towards X+ Y+" in told


def test_a_ring_in_which_a_touch_starts_beyond_the_axis_is_refused() -> None:
    bench = bench_with(
        "ring",
        artefact={"diameter_mm": 12.0},
        moves={**SINGLE["moves"], "run_up_mm": 5.0, "clearance_mm": 2.9},
    )
    text = BY_HAND.replace("X7.5", "X-1").replace("X12", "X5.5")
    assert "a touch that first leaves the artefact" in fault_of(text, bench)


def test_all_touches_have_the_same_word() -> None:
    bench, schedule, text = turned()
    at = text.rindex("G38.2")
    assert "another probing word" in fault_of(f"{text[:at]}G38.3{text[at + 5 :]}", bench, schedule)


def test_a_touch_that_the_grammar_calls_too_short_is_refused() -> None:
    moves = {"clearance_mm": 0.05, "run_up_mm": 0.1, "past_mm": 0.1, "place_mm": 0.0}
    text = BY_HAND.replace("X7.5", "X10.4").replace("X12", "X10.6")
    told = fault_of(text, bench_with("ring", moves={**SINGLE["moves"], **moves}))
    assert "a touch over 0.2000 mm" in told
    longer = {**moves, "past_mm": 0.2}
    walk_program(
        text.replace("X10.6", "X10.7"), bench_with("ring", moves={**SINGLE["moves"], **longer}), ALONG_X
    )


def test_a_direction_is_checked_beside_both_ends() -> None:
    # Each end is within 0.001 mm, the direction is 0.0229 deg off: 0.0018 mm over 4.5 mm.
    text = BY_HAND.replace("X7.5 Y0", "X7.5 Y-0.0009").replace("X12 Y0", "X12 Y0.0009")
    assert "0.023 deg from its direction" in fault_of(text)
    walk_program(text.replace("0.0009", "0.0004"), RING, ALONG_X)


def test_a_contact_off_the_surface_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two formulas have to agree: where a touch is planned, and where the distance is that of a contact.
    def shifted(bench: Bench, schedule: Schedule) -> tuple[np.ndarray, np.ndarray]:
        contact, way = contact_places(bench, schedule)
        return contact - 0.01 * way, way

    monkeypatch.setattr("probetest.plan.walk_moves.contact_places", shifted)
    text = BY_HAND.replace("X7.5", "X7.49").replace("X12", "X11.99")
    assert "a contact 0.0100 mm off the surface" in fault_of(text)


def test_the_body_keeps_its_clearance_to_the_end_of_a_touch() -> None:
    # A thin body, 7.9 mm above the ball: beside the boss at the start, 1.9 mm above its edge at the end.
    tables = {
        **SINGLE,
        "probe": {"body_diameter_mm": 4.2},
        "stylus": {"length_mm": 7.9, "stem_diameter_mm": 1.5},
    }
    text = (
        f"{HEAD}G38.3 X-17.5 Y0 Z20 F400\nG38.3 X-17.5 Y0 Z-8 F400\nM0\n"
        + TOUCH.replace("X12", "X-13").replace("X7.5", "X-17.5")
        + "G38.3 X-17.5 Y0 Z20 F400\nG38.3 X0 Y0 Z20 F400\nM2\n"
    )
    assert "a touch with the body 1.9000 mm from the artefact" in fault_of(text, bench_with("boss", **tables))
    tables["stylus"] = {"length_mm": 8.1, "stem_diameter_mm": 1.5}
    walk_program(text, bench_with("boss", **tables), ALONG_X)


def test_the_stand_is_kept_clear_to_the_end_of_a_touch() -> None:
    schedule = schedule_of([0.0], [-45.0])
    text = (
        f"{HEAD}G38.3 X-10.6066 Y0 Z20 F400\nG38.3 X-10.6066 Y0 Z-1.3934 F400\nM0\n"
        "(TOUCH 1 STAGE new ORIENTATION 0 AZIMUTH 0 ELEVATION -45)\n"
        "G38.2 X-7.4246 Y0 Z-4.5754 F60\nG1 X-10.6066 Y0 Z-1.3934 F400\n"
        "G38.3 X-10.6066 Y0 Z20 F400\nG38.3 X0 Y0 Z20 F400\nM2\n"
    )
    walk_program(text, bench_with("sphere", **SINGLE), schedule)
    low = bench_with("sphere", artefact={"height_mm": 6.0}, **SINGLE)
    assert "a touch 1.4246 mm from what the artefact stands on" in fault_of(text, low, schedule)


def test_checking_is_fast() -> None:
    azimuth = np.random.default_rng(3).permutation(np.tile(np.arange(0, 360, 15.0), 17))[:400]
    schedule = schedule_of(azimuth.tolist(), turn_at=200)
    bench = bench_with("boss")
    text = program(bench, schedule)
    start = time.process_time()
    walk_program(text, bench, schedule)
    assert time.process_time() - start < 2.0
