"""Programs: where the probe goes, by hand; what stands in comments; another parser; the log made of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from benches import bench_of, code_lines, motion, schedule_of
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pygcode import Line

from probetest.importers import About, import_log, read_plan
from probetest.plan import program
from probetest.plan.cautions import (
    OF_OVERTRAVEL,
    OF_PAUSED_TOUCH,
    OF_PROGRAM,
    OF_SERVICE,
    OF_SPHERE,
    OF_UNGUARDED,
)
from probetest.plan.comments import clean_text, comment_lines
from probetest.plan.dialect import Dialect, built_in_dialects, read_dialect
from probetest.plan.program import MODAL_WORDS, write_program
from probetest.plan.schedule import Schedule, join_schedules
from probetest.plan.touch_lines import lay_touches
from probetest.triggers import Artefact

CONSOLE, PRINTING = read_dialect("console"), read_dialect("printing")
SEMICOLON = CONSOLE.model_copy(
    update={"comment_open": ";", "comment_close": "", "message_line": "; MSG, {text}"}
)
DIALECTS = [*built_in_dialects().values(), SEMICOLON]
SINGLE = {"fast_feed_mm_min": None, "back_off_mm": 0.0}
HOSTILE = [
    ")G0X0(",
    "A\nG0 X0 Y0 Z-50",
    "A\r\nM3 S1000",
    "A;G0 X0",
    "A)\u2028G0 X0",
    "\u0661\u0662",
    "MSG,hi",
    "%",
]
KINDS = {
    "ring": [(0.0, 0.0), (100.0, 0.0)],
    "boss": [(180.0, 0.0), (10.0, 0.0)],
    "sphere": [(0.0, -45.0), (0.0, -90.0), (70.0, 0.0)],
    "block": [(0.0, 0.0), (90.0, 0.0), (180.0, 0.0), (270.0, 0.0)],
    "plane": [(0.0, -90.0), (0.0, -90.0)],
}


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


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_touch_is_entered_in_the_same_sense(kind: str) -> None:
    bench = bench_of(kind)
    lines = lay_touches(schedule_of(*KINDS[kind]), bench)
    steps = lines.start - lines.entry
    assert steps == pytest.approx(np.tile([0.5**0.5, 0.5**0.5, 0.0], (len(steps), 1)))
    # The ball as stated: as far beyond the contact as past_mm, as far before it as run_up_mm.
    assert np.linalg.norm(lines.end - lines.contact, axis=1) == pytest.approx(1.5)
    assert np.linalg.norm(lines.start - lines.contact, axis=1) == pytest.approx(3.0)


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("settle", [0.0, 1.0])
def test_no_move_has_no_length(kind: str, settle: float) -> None:
    twice = schedule_of(*KINDS[kind], *KINDS[kind], *KINDS[kind][-1:])
    targets = [
        re.sub(r"^\S+ | F\S+$", "", line)
        for line in motion(write_program(twice, bench_of(kind, moves={"settle_mm": settle}), CONSOLE))
    ]
    assert all(one != two for one, two in pairwise(targets))


# Order of the lines.


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("kind", list(KINDS))
def test_the_spindle_stops_and_the_program_waits_before_any_move(kind: str, dialect: Dialect) -> None:
    text = write_program(schedule_of(*KINDS[kind]), bench_of(kind), dialect)
    code = [re.sub(r"^N\d+ ", "", line) for line in code_lines(text) if line != "%"]
    assert code[:3] == [MODAL_WORDS, "M5", "M0"]
    assert code[-1] == "M2"
    move = re.compile(r"(?:G1|G38\.[23])(?: [XYZ]-?\d+(?:\.\d{1,4})?){3} F\d+(?:\.\d{1,4})?\Z")
    assert [line for line in code[3:-1] if not move.match(line) and line != "M0"] == []
    assert text.endswith("\n")
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 100
    assert (text.startswith("%\n"), text.endswith("\n%\n")) == (dialect.percent,) * 2


def words_of(text: str) -> str:
    """What stands in comments of a whole line, messages too, as running text."""
    lines = [line for line in text.splitlines() if line.startswith("(")]
    return " ".join(re.sub(r"^\((?:MSG, )?(?:\.\.\. )?|\)$", "", line) for line in lines)


def in_comments(text: str) -> str:
    """A caution as it stands there."""
    return text.replace(";", ",").replace("%", "percent")


def test_cautions_come_first_of_all() -> None:
    head = write_program(schedule_of((0.0, 0.0)), bench_of(), CONSOLE).split(MODAL_WORDS)[0]
    said = words_of(head)
    places = [said.index(in_comments(caution)) for caution in OF_PROGRAM]
    assert places == sorted(places)
    assert places[-1] < said.index("PROBE: serial A-017")
    assert "clearance 2 mm" in said
    # 400 mm/min: 0.1111 + 0.0333 mm.
    assert "a stop takes 0.144 mm at most" in said


def test_no_caution_has_a_sign_that_a_comment_loses() -> None:
    for caution in (*OF_PROGRAM, OF_SPHERE, OF_UNGUARDED, OF_PAUSED_TOUCH, OF_OVERTRAVEL, OF_SERVICE):
        assert (
            words_of("\n".join(comment_lines("CAUTION:", caution, CONSOLE)))
            == f"CAUTION: {in_comments(caution)}"
        )


@pytest.mark.parametrize("dialect", ["console", "printing", "display", "strict"])
@pytest.mark.parametrize("kind", list(KINDS))
def test_the_head_says_what_holds_for_this_program_alone(kind: str, dialect: str) -> None:
    said = words_of(write_program(schedule_of(KINDS[kind][0]), bench_of(kind), read_dialect(dialect)))
    head = said[: said.index("PROBE: serial")]
    cases = {
        OF_SPHERE: kind == "sphere",
        OF_UNGUARDED: dialect == "strict",
        OF_PAUSED_TOUCH: dialect == "display",
    }
    for caution, holds in cases.items():
        assert head.count("CAUTION: " + in_comments(caution)) == holds
    assert head.count("CAUTION: ") == sum(cases.values())


def test_after_an_alarm_one_starts_at_a_pause_with_the_modal_words() -> None:
    said = words_of(write_program(schedule_of((0.0, 0.0)), bench_of(), CONSOLE))
    (caution,) = [one for one in OF_PROGRAM if one.startswith("After an alarm")]
    assert in_comments(caution) in said
    assert "only at a pause, with the line of modal words before it sent first" in caution


def test_an_optional_stop_is_said_to_be_one() -> None:
    optional = CONSOLE.model_copy(update={"pause_word": "M1"})
    assert "switch the optional stop on" in write_program(schedule_of((0.0, 0.0)), bench_of(), optional)


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


def blocks_of_two(kind: str) -> Schedule:
    """Two blocks of three touches, a turn of the probe within the first, a stage from the sixth on."""
    touches = (KINDS[kind] * 3)[:6]
    schedule = schedule_of(
        *touches, orientation=(0.0, 0.0, 30.0, 30.0, 30.0, 30.0), stage=("baseline",) * 5 + ("after_service",)
    )
    return replace(schedule, block=np.array([1, 1, 1, 2, 2, 2]))


def test_what_each_pause_says() -> None:
    text = write_program(blocks_of_two("ring"), bench_of(), CONSOLE)
    said = [
        " ".join(line[6:-1].removeprefix("... ") for line in part.splitlines() if line.startswith("(MSG"))
        for part in text.split("\nM0\n")
    ]
    top = (
        "DISPLAY: X0 Y0 Z21 AND THE BALL: 21 MM ABOVE THE TOP, OVER ITS CENTRE WITHIN 0.3 MM "
        "BEFORE START: SPINDLE LOCKED, CIRCUIT CLOSED"
    )
    look = "LOOK: BALL IN THE RING, NOTHING TOUCHED, CIRCUIT CLOSED - ELSE STOP HERE"
    service = (
        f"CAUTION: {in_comments(OF_SERVICE)} "
        "THE PROBE WAS OUT: CHECK TOOL LENGTH AND WORK OFFSET AGAIN STAGE after_service"
    )
    assert said == [
        f"STAGE baseline TURN THE PROBE TO 0 DEG, LOCK THE SPINDLE {top}", look,
        f"TURN THE PROBE TO 30 DEG, LOCK THE SPINDLE {top}", look,
        f"END OF BLOCK 1: THE LOG MAY BE LOOKED AT {top}", look,
        f"{service} {top}", look,
        "",
    ]  # fmt: skip


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("kind", list(KINDS))
def test_where_the_probe_waits(kind: str, dialect: Dialect) -> None:
    schedule, bench = blocks_of_two(kind), bench_of(kind)
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


@pytest.mark.parametrize(
    ("stage", "caution"),
    [
        ("after_overtravel", OF_OVERTRAVEL),
        ("after_overtravel_1mm", OF_OVERTRAVEL),
        ("after_service", OF_SERVICE),
        ("after_storage", OF_SERVICE),
    ],
)
def test_a_stage_begins_with_its_caution(stage: str, caution: str) -> None:
    text = write_program(schedule_of((0.0, 0.0), (0.0, 0.0), stage=("baseline", stage)), bench_of(), CONSOLE)
    before = text[text.index("(TOUCH 1 ") : text.index("(TOUCH 2 ")]
    said = words_of(before)
    assert in_comments(caution) in said
    assert f"STAGE {stage}" in said
    assert "TURN THE PROBE" not in said
    assert "\nM0\n" in before


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


# What users type stays in comments.

ANY = st.text(min_size=1, max_size=200)


def hostile_program(dialect: Dialect, serial: str, build: str, name: str, stage: str, about: str) -> str:
    bench = bench_of(probe={"serial": serial, "build": build}, machine={"name": name})
    return write_program(schedule_of((10.0, 0.0), stage=stage), bench, dialect, about=[about])


@pytest.mark.parametrize("dialect", DIALECTS)
@example(*[")G0X0("] * 5)
@example(*["a\nG0 X0\r\nM3 S9\u2028M4\x0bM3\x85G0"] * 5)
@example(*["PROBEOPEN x " * 16] * 5)
@example(*["MSG, LOG, DEBUG,"] * 5)
@example(*["; % / N5 #5=3 <>[]{}"] * 5)
@given(serial=ANY, build=ANY, name=ANY, stage=ANY, about=ANY)
@settings(max_examples=60, deadline=None)
def test_no_text_changes_the_code(
    dialect: Dialect, serial: str, build: str, name: str, stage: str, about: str
) -> None:
    text = hostile_program(dialect, serial, build, name, stage, about)
    plain = hostile_program(dialect, "A", "B", "C", "baseline", "D")
    assert code_lines(text) == code_lines(plain)
    assert text.isascii()
    assert all(len(line) <= 100 and line.isprintable() for line in text.split("\n"))
    for line in text.split("\n"):
        if line.startswith("("):
            assert (line.count("("), line.count(")"), line[-1]) == (1, 1, ")")
            # The first word, on which a controller may act, is never one of a user.
            assert re.match(r"\((?:\.\.\. |[A-Z][A-Z0-9 ]*:|TOUCH \d|STAGE |MSG, |PRINT,touch=)", line), line


@pytest.mark.parametrize("serial", HOSTILE)
def test_a_hostile_serial_is_still_a_comment(serial: str) -> None:
    text = write_program(schedule_of((0.0, 0.0)), bench_of(probe={"serial": serial}), CONSOLE)
    (line,) = [line for line in text.splitlines() if "serial" in line]
    assert line == f"(PROBE: serial {clean_text(serial)}, build -)"
    assert re.fullmatch(r"[A-Za-z0-9 ._-]+", clean_text(serial))
    assert motion(text) == motion(write_program(schedule_of((0.0, 0.0)), bench_of(), CONSOLE))


def test_what_a_program_is_for_is_cleaned_too() -> None:
    text = write_program(schedule_of((0.0, 0.0)), bench_of(), CONSOLE, about=["MSG, a)b", "", "two\nlines"])
    assert [line for line in text.splitlines() if "ABOUT" in line] == [
        "(ABOUT: MSG_ a_b)",
        "(ABOUT: -)",
        "(ABOUT: two lines)",
    ]


# Another parser: pygcode 0.2.1, written for programs of any kind. It takes comments off by itself.


def other_words(text: str) -> Iterator[list[tuple[str, float]]]:
    for line in text.splitlines():
        block = Line(line).block
        words = [(word.letter, float(word.value)) for word in block.words]
        # Each word has been understood: it belongs to a command, or to one of its parameters.
        assert sum(1 + len(code.params) for code in block.gcodes) == len(words)
        assert not block.modal_params
        if words:
            yield words


@pytest.mark.parametrize("dialect", DIALECTS)
@pytest.mark.parametrize("kind", list(KINDS))
def test_another_parser_reads_the_same_words(kind: str, dialect: Dialect) -> None:
    schedule = schedule_of(*KINDS[kind], stage="after_service", orientation=30.0)
    bench = bench_of(kind, probe={"serial": "X5)G0 X9(;"})
    text = write_program(schedule, bench, dialect)
    # G0 X9 of the serial is no word; numbers by float, so that not the writing is compared but the value.
    ours = [[(word[0], float(word[1:])) for word in line.split()] for line in code_lines(text) if line != "%"]
    assert list(other_words(text)) == ours


def test_another_parser_finds_the_points_of_the_touches() -> None:
    schedule, bench = schedule_of(*[(float(a), 0.0) for a in range(0, 360, 15)]), bench_of()
    found = [dict(words) for words in other_words(write_program(schedule, bench, CONSOLE))]
    counted = [[one[axis] for axis in "XYZ"] for one in found if (one.get("G"), one.get("F")) == (38.2, 60.0)]
    azimuth = np.radians(schedule.azimuth_deg)
    expected = np.column_stack((12 * np.cos(azimuth), 12 * np.sin(azimuth), np.full(24, -8.0)))
    assert np.array(counted) == pytest.approx(expected, abs=5e-5)


# A log that the print lines make.


def printed_log(text: str, positions: np.ndarray) -> str:
    """What a controller writes that puts the values of its parameters into the lines it prints."""
    prints = [line.removeprefix("(PRINT,")[:-1] for line in text.splitlines() if line.startswith("(PRINT,")]
    assert len(prints) == len(positions)
    for at, point in enumerate(positions):
        for name, value in zip(("#5061", "#5062", "#5063"), point, strict=True):
            prints[at] = prints[at].replace(name, f"{value:.5f}")
    return "\n".join(prints) + "\n"


def plan_csv(schedule: Schedule) -> str:
    rows = zip(schedule.touch, schedule.stage, schedule.orientation_deg, schedule.azimuth_deg, strict=True)
    return "touch,stage,orientation_deg,azimuth_deg\n" + "".join(f"{n},{s},{o},{a}\n" for n, s, o, a in rows)


def test_the_printed_log_is_read_with_the_plan(tmp_path: Path) -> None:
    turned = [
        schedule_of(*[(a, 0.0) for a in (5.0, 125.5, 245.0, 305.25)], orientation=o) for o in (0.0, 30.0)
    ]
    again = schedule_of((5.0, 0.0), (125.5, 0.0), stage="after_service", orientation=30.0)
    schedule, bench = join_schedules([*turned, again]), bench_of()
    scatter = np.random.default_rng(5).normal(0.0, 0.002, (len(schedule), 3))
    touched = lay_touches(schedule, bench).contact + scatter
    log, plan = tmp_path / "log.txt", tmp_path / "plan.csv"
    log.write_text(printed_log(write_program(schedule, bench, PRINTING), touched), encoding="ascii")
    plan.write_text(plan_csv(schedule), encoding="ascii")
    ring = About(artefact=Artefact(kind="ring", diameter_mm=25.0))
    found = import_log(log, serial="A", units="mm", plan=read_plan(plan), about=ring)
    assert (found.shape, found.skipped) == ("labelled-values", ())
    frame = found.tests[0].frame
    assert frame[["x_mm", "y_mm", "z_mm"]].to_numpy() == pytest.approx(touched, abs=1e-5)
    assert frame["touch"].tolist() == list(range(1, 11))
    assert frame["stage"].tolist() == list(schedule.stage)
    assert frame["azimuth_deg"].tolist() == schedule.azimuth_deg.tolist()
    assert frame["orientation_deg"].tolist() == schedule.orientation_deg.tolist()
    assert set(frame["feed_mm_min"]) == {60.0}
