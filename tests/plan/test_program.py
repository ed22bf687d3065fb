"""Programs: where the probe goes and where it waits, by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from benches import bench_of, code_lines, motion, schedule_of
from program_cases import CONSOLE, DIALECTS, PRINTING, TOUCHES, two_blocks

from probetest.plan import program
from probetest.plan.dialect import Dialect, read_dialect
from probetest.plan.program import MODAL_WORDS, write_program
from probetest.plan.touch_lines import lay_touches

SINGLE = {"fast_feed_mm_min": None, "back_off_mm": 0.0}


def moves_of(kind: str, touch: tuple[float, float], **moves: object) -> list[str]:
    return motion(write_program(schedule_of(touch), bench_of(kind, moves=moves), CONSOLE))


# Where the probe goes, computed by hand: ball radius 2, run-up 3, past 1.5, back off 1, depth 6, settling 1.


def test_ring_at_0_deg_in_two_stages() -> None:
    # Contact at 12.5 - 2 = 10.5, height -6 - 2 = -8; settling from 1/sqrt(2) before in X and in Y.
    # It ends where it waits: 1 mm above the safe height.
    assert moves_of("ring", (0.0, 0.0)) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X0 Y0 Z-8 F400",
        "G38.3 X6.7929 Y-0.7071 Z-8 F400",
        "G38.3 X7.5 Y0 Z-8 F400",
        "G38.2 X12 Y0 Z-8 F200",
        "G1 X9.5 Y0 Z-8 F400",
        "G38.2 X12 Y0 Z-8 F60",
        "G1 X7.5 Y0 Z-8 F400",
        "G38.3 X0 Y0 Z-8 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_ring_at_45_deg_in_one_stage_without_settling() -> None:
    # Start at 7.5 along (1, 1)/sqrt(2) = 5.3033, end at 12 along it = 8.4853.
    assert moves_of("ring", (45.0, 0.0), settle_mm=0.0, **SINGLE) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X0 Y0 Z-8 F400",
        "G38.3 X5.3033 Y5.3033 Z-8 F400",
        "G38.2 X8.4853 Y8.4853 Z-8 F60",
        "G1 X5.3033 Y5.3033 Z-8 F400",
        "G38.3 X0 Y0 Z-8 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_boss_at_180_deg() -> None:
    # Motion along X-: contact at 10 + 2 = 12 on the X+ side, start at 15, end at 10.5, back to 13.
    assert moves_of("boss", (180.0, 0.0)) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X14.2929 Y-0.7071 Z20 F400",
        "G38.3 X14.2929 Y-0.7071 Z-8 F400",
        "G38.3 X15 Y0 Z-8 F400",
        "G38.2 X10.5 Y0 Z-8 F200",
        "G1 X13 Y0 Z-8 F400",
        "G38.2 X10.5 Y0 Z-8 F60",
        "G1 X15 Y0 Z-8 F400",
        "G38.3 X15 Y0 Z21 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_sphere_at_45_deg_down() -> None:
    # Centre at Z-10; the ball's centre 12 from it along (-1, 0, 1)/sqrt(2) at contact, 15 at the start,
    # 10.5 at the end: heights -10 + 12/sqrt(2), ..., less 2 for the lowest point.
    assert moves_of("sphere", (0.0, -45.0), settle_mm=0.0, **SINGLE) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X-10.6066 Y0 Z20 F400",
        "G38.3 X-10.6066 Y0 Z-1.3934 F400",
        "G38.2 X-7.4246 Y0 Z-4.5754 F60",
        "G1 X-10.6066 Y0 Z-1.3934 F400",
        "G38.3 X-10.6066 Y0 Z21 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_sphere_from_above() -> None:
    assert moves_of("sphere", (0.0, -90.0), settle_mm=0.0, **SINGLE) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X0 Y0 Z3 F400",
        "G38.2 X0 Y0 Z-1.5 F60",
        "G1 X0 Y0 Z3 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_block_along_x_and_y() -> None:
    # 24 mm along X: contact at -(12 + 2), start at -17, end at -12.5. 10 mm along Y: -(5 + 2), -10, -5.5.
    along_x = moves_of("block", (0.0, 0.0), settle_mm=0.0, **SINGLE)
    assert along_x[1:5] == [
        "G38.3 X-17 Y0 Z20 F400",
        "G38.3 X-17 Y0 Z-8 F400",
        "G38.2 X-12.5 Y0 Z-8 F60",
        "G1 X-17 Y0 Z-8 F400",
    ]
    along_y = moves_of("block", (90.0, 0.0), settle_mm=0.0, **SINGLE)
    assert along_y[3] == "G38.2 X0 Y-5.5 Z-8 F60"
    assert moves_of("block", (270.0, 0.0), **SINGLE)[4] == "G38.2 X0 Y5.5 Z-8 F60"


def test_plane() -> None:
    assert moves_of("plane", (0.0, -90.0)) == [
        "G38.3 X0 Y0 Z20 F400",
        "G38.3 X-0.7071 Y-0.7071 Z20 F400",
        "G38.3 X-0.7071 Y-0.7071 Z3 F400",
        "G38.3 X0 Y0 Z3 F400",
        "G38.2 X0 Y0 Z-1.5 F200",
        "G1 X0 Y0 Z1 F400",
        "G38.2 X0 Y0 Z-1.5 F60",
        "G1 X0 Y0 Z3 F400",
        "G38.3 X0 Y0 Z21 F400",
    ]


def test_in_a_ring_the_probe_stays_down_between_touches() -> None:
    text = write_program(schedule_of((0.0, 0.0), (180.0, 0.0)), bench_of(moves=SINGLE), CONSOLE)
    assert motion(text)[5:8] == [
        "G1 X7.5 Y0 Z-8 F400",
        "G38.3 X-8.2071 Y-0.7071 Z-8 F400",
        "G38.3 X-7.5 Y0 Z-8 F400",
    ]


def test_on_a_boss_it_goes_up_across_and_down() -> None:
    text = write_program(schedule_of((0.0, 0.0), (180.0, 0.0)), bench_of("boss", moves=SINGLE), CONSOLE)
    assert motion(text)[5:9] == [
        "G1 X-15 Y0 Z-8 F400",
        "G38.3 X-15 Y0 Z20 F400",
        "G38.3 X14.2929 Y-0.7071 Z20 F400",
        "G38.3 X14.2929 Y-0.7071 Z-8 F400",
    ]


@pytest.mark.parametrize("kind", list(TOUCHES))
def test_every_touch_is_entered_in_the_same_sense(kind: str) -> None:
    bench = bench_of(kind)
    lines = lay_touches(schedule_of(*TOUCHES[kind]), bench)
    steps = lines.start - lines.entry
    assert steps == pytest.approx(np.tile([0.5**0.5, 0.5**0.5, 0.0], (len(steps), 1)))
    # The ball as stated: as far beyond the contact as past_mm, as far before it as run_up_mm.
    assert np.linalg.norm(lines.end - lines.contact, axis=1) == pytest.approx(1.5)
    assert np.linalg.norm(lines.start - lines.contact, axis=1) == pytest.approx(3.0)


@pytest.mark.parametrize("kind", list(TOUCHES))
@pytest.mark.parametrize("settle", [0.0, 1.0])
def test_no_move_has_no_length(kind: str, settle: float) -> None:
    twice = schedule_of(*TOUCHES[kind], *TOUCHES[kind], *TOUCHES[kind][-1:])
    targets = [
        re.sub(r"^\S+ | F\S+$", "", line)
        for line in motion(write_program(twice, bench_of(kind, moves={"settle_mm": settle}), CONSOLE))
    ]
    assert all(one != two for one, two in pairwise(targets))


# Order of the lines.


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("kind", list(TOUCHES))
def test_the_spindle_stops_and_the_program_waits_before_any_move(kind: str, dialect: Dialect) -> None:
    text = write_program(schedule_of(*TOUCHES[kind]), bench_of(kind), dialect)
    code = [re.sub(r"^N\d+ ", "", line) for line in code_lines(text) if line != "%"]
    assert code[:3] == [MODAL_WORDS, "M5", "M0"]
    assert code[-1] == "M2"
    move = re.compile(r"(?:G1|G38\.[23])(?: [XYZ]-?\d+(?:\.\d{1,4})?){3} F\d+(?:\.\d{1,4})?\Z")
    assert [line for line in code[3:-1] if not move.match(line) and line != "M0"] == []
    assert text.endswith("\n")
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 100
    assert (text.startswith("%\n"), text.endswith("\n%\n")) == (dialect.percent,) * 2


def test_strict_has_plain_moves_for_guarded_ones() -> None:
    text = write_program(schedule_of((0.0, 0.0)), bench_of(), read_dialect("strict"))
    assert "G38.3" not in text
    assert [line.split()[:2] for line in code_lines(text)[1:6]] == [
        ["N1", "G17"],
        ["N2", "M5"],
        ["N3", "M0"],
        ["N4", "G1"],
        ["N5", "G1"],
    ]


def test_turning_the_probe_pauses_at_the_top() -> None:
    text = write_program(
        schedule_of((0.0, 0.0), (0.0, 0.0), orientation=(0.0, 30.0)), bench_of(moves=SINGLE), CONSOLE
    )
    at = text.index("TURN THE PROBE TO 30 DEG, LOCK THE SPINDLE")
    assert motion(text[:at])[-2:] == ["G38.3 X0 Y0 Z-8 F400", "G38.3 X0 Y0 Z21 F400"]
    assert code_lines(text[at:])[1:5] == ["M0", "G38.3 X0 Y0 Z20 F400", "G38.3 X0 Y0 Z-8 F400", "M0"]
    assert text.count("\nM0\n") == 4
    assert "END OF BLOCK" not in text


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("kind", list(TOUCHES))
def test_where_the_probe_waits(kind: str, dialect: Dialect) -> None:
    schedule, bench = two_blocks(kind), bench_of(kind)
    assert (schedule.changes, schedule.pauses) == ((0, 2, 5), (0, 2, 3, 5))
    text = write_program(schedule, bench, dialect)
    code = [re.sub(r"^N\d+ ", "", line) for line in code_lines(text) if line not in ("%", MODAL_WORDS, "M5")]
    places = [re.sub(r"^\S+ | F\S+$", "", line) for line in code]
    waits = [
        at for at, line in enumerate(code) if line == "M0" and not (at and code[at - 1].endswith(" F60"))
    ]
    assert len(waits) == 8
    lines = lay_touches(schedule, bench)
    for touch, top, look in zip(schedule.pauses, waits[::2], waits[1::2], strict=True):
        # At the top: 1 mm above the safe height over the middle, and first of all from there to that height.
        assert touch == 0 or places[top - 1] == "X0 Y0 Z21"
        assert places[top + 1] == "X0 Y0 Z20"
        # After the way down: over the middle at depth in a ring, else where the settling move begins.
        expected = np.array([0.0, 0.0, -8.0]) if kind == "ring" else lines.entry[touch]
        found = [float(word[1:]) for word in places[look - 1].split()]
        assert found == pytest.approx(expected, abs=6e-5)
        assert "LOOK: BALL " + ("IN THE RING," if kind == "ring" else "BESIDE OR OVER THE ARTEFACT,") in text
    assert places[-2] == "X0 Y0 Z21"


def test_each_touch_that_counts_is_announced_and_printed() -> None:
    schedule = replace(schedule_of((0.0, 0.0), (22.5, 0.0), orientation=30.0), stage=("a", "b (2)"))
    lines = write_program(schedule, bench_of(), PRINTING).splitlines()
    at = lines.index("(TOUCH 2 STAGE b_2_ ORIENTATION 30 AZIMUTH 22.5 ELEVATION 0)")
    assert lines[at + 1].startswith("G38.2")
    assert lines[at + 1].endswith(" F60")
    assert lines[at + 2] == "(PRINT,touch=2 orientation=30 az=22.5 x=#5061 y=#5062 z=#5063 F60)"
    assert lines[at + 3].startswith("G1 ")
    assert lines[at - 2].endswith(" F200")
    assert sum("#5061" in line for line in lines) == 2


def test_a_display_is_copied_while_the_ball_is_on_the_surface() -> None:
    lines = write_program(schedule_of((0.0, 0.0)), bench_of(), read_dialect("display")).splitlines()
    at = lines.index("(MSG, TOUCH 1: COPY THE DISPLAY, THEN START)")
    assert (lines[at - 1], lines[at + 1]) == ("G38.2 X12 Y0 Z-8 F60", "M0")
    assert lines[at + 2] == "G1 X7.5 Y0 Z-8 F400"


def test_line_numbers_begin_anew_before_they_are_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    # NISTIR 6556 (2000), from memory: 0 to 99999, in any order, also repeated.
    assert program._LARGEST_NUMBER == 99_999
    monkeypatch.setattr(program, "_LARGEST_NUMBER", 7)
    text = write_program(schedule_of((0.0, 0.0)), bench_of(moves=SINGLE), read_dialect("strict"))
    numbers = [int(found) for found in re.findall(r"^N(\d+) ", text, flags=re.MULTILINE)]
    assert numbers == [1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6]
