"""The checker of programs: where the operator has to be waited for."""

from __future__ import annotations

import re

import numpy as np
import pytest
from benches import KINDS, bench_with, schedule_along
from walk_cases import ALONG_X, BY_HAND, RING, SINGLE, case_of, fault_of, program, turned

from probetest.plan.bench import Bench
from probetest.plan.schedule import Schedule
from probetest.plan.walk import walk_program


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
    """Six touches: a turn before the third, a block before the fourth, a stage before the sixth."""
    bench, four = case_of(kind)
    turns = np.array([0, 1, 2, 3, 0, 1])
    return bench, Schedule(
        ("new",) * 5 + ("aged",), np.array([0.0, 0, 30, 30, 30, 30]), four.azimuth_deg[turns],
        four.elevation_deg[turns], np.array([1, 1, 1, 2, 2, 2]),
    )  # fmt: skip


@pytest.mark.parametrize("dialect", ["console", "display", "strict"])
@pytest.mark.parametrize("kind", KINDS)
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
    schedule = schedule_along([0.0], [-90.0])
    text = program(bench, schedule)
    walk_program(text, bench, schedule)
    lines = text.split("\n")
    assert next(lines[at + 1] for at in pauses_of(lines)) == "G38.3 X0 Y0 Z3 F400"
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
