"""Programs: what stands in comments; another parser; the log made of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from benches import bench_of, code_lines, motion, schedule_of
from hypothesis import example, given, settings
from hypothesis import strategies as st
from program_cases import CONSOLE, DIALECTS, PRINTING, TOUCHES, two_blocks
from pygcode import Line

from probetest.importers import About, import_log, read_plan
from probetest.plan.cautions import (
    OF_OVERTRAVEL,
    OF_PAUSED_TOUCH,
    OF_PROGRAM,
    OF_SERVICE,
    OF_SPHERE,
    OF_UNGUARDED,
)
from probetest.plan.comments import clean_text, comment_lines
from probetest.plan.dialect import Dialect, read_dialect
from probetest.plan.program import MODAL_WORDS, write_program
from probetest.plan.schedule import Schedule, join_schedules
from probetest.plan.touch_lines import lay_touches
from probetest.triggers import Artefact

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
@pytest.mark.parametrize("kind", list(TOUCHES))
def test_the_head_says_what_holds_for_this_program_alone(kind: str, dialect: str) -> None:
    said = words_of(write_program(schedule_of(TOUCHES[kind][0]), bench_of(kind), read_dialect(dialect)))
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


def test_what_each_pause_says() -> None:
    text = write_program(two_blocks("ring"), bench_of(), CONSOLE)
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
@pytest.mark.parametrize("kind", list(TOUCHES))
def test_another_parser_reads_the_same_words(kind: str, dialect: Dialect) -> None:
    schedule = schedule_of(*TOUCHES[kind], stage="after_service", orientation=30.0)
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
