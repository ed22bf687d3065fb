"""A machine program for a schedule of touches, RS274/NGC text.

Source of the grammar: Kramer, Proctor, Messina, The NIST RS274/NGC Interpreter, Version 3, NISTIR 6556
(2000); from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from probetest.plan.bench import Bench
from probetest.plan.cautions import (
    OF_OVERTRAVEL,
    OF_PAUSED_TOUCH,
    OF_PROGRAM,
    OF_SERVICE,
    OF_SPHERE,
    OF_UNGUARDED,
)
from probetest.plan.comments import (
    LONGEST_LINE,
    clean_stage,
    clean_text,
    comment_lines,
    message_lines,
    write_number,
)
from probetest.plan.dialect import Dialect
from probetest.plan.safety import ABOVE_MM, check_bench, check_lines, check_schedule, stopping_mm
from probetest.plan.schedule import Schedule
from probetest.plan.touch_lines import Floats, TouchLines, lay_touches

MODAL_WORDS = "G17 G21 G40 G80 G90 G94"
"""Plane XY, mm, no compensation, no cycle, absolute, feed per minute."""

_PLAIN_MOVE = "G1"

COPY_DISPLAY = "COPY THE DISPLAY, THEN START"
"""What a pause after a touch says."""

_LARGEST_NUMBER = 99999


def write_program(schedule: Schedule, bench: Bench, dialect: Dialect, *, about: Sequence[str] = ()) -> str:
    """Write the program that makes the touches of a schedule.

    Parameters
    ----------
    schedule : Schedule
    bench : Bench
        X0 Y0 of the program is the centre of its artefact, Z0 the top, for the lowest point of the ball.
    dialect : Dialect
    about : sequence of str, optional
        What the program is for, one comment each.

    Returns
    -------
    str
        ASCII, lines of at most 100 characters, a line break at the end.

    Raises
    ------
    PlanError
        If a touch or a move would not be safe on this bench; one sentence with what to do.

    Notes
    -----
    A guarded move that meets something stops there, and the program goes on with its next move. It relies on
    the controller to refuse a probe move while the circuit is open; the cautions ask to prove that by hand.
    """
    check_bench(bench)
    check_schedule(schedule, bench)
    lines = lay_touches(schedule, bench)
    check_lines(lines, schedule, bench)
    program = _Program(schedule, bench, dialect, lines)
    program.write_head(about)
    program.write_code()
    frame = ["%"] if dialect.percent else []
    return "\n".join([*frame, *program.text, *frame]) + "\n"


class _Program:
    """Lines of a program, and where the probe stands after them."""

    def __init__(self, schedule: Schedule, bench: Bench, dialect: Dialect, lines: TouchLines) -> None:
        self.schedule, self.bench, self.dialect, self.lines = schedule, bench, dialect, lines
        self.text: list[str] = []
        self._blocks = 0
        moves = bench.moves
        self._top = np.array([0.0, 0.0, moves.safe_z_mm])
        # Pauses are one mm higher: a probe move to where the probe is would be an error.
        self._wait = np.array([0.0, 0.0, moves.safe_z_mm + ABOVE_MM])
        self._middle = np.array([0.0, 0.0, -moves.depth_mm - bench.stylus.ball_diameter_mm / 2])
        self._at = self._top

    # What stands in comments.

    def write_head(self, about: Sequence[str]) -> None:
        """Cautions, what the program is for, and the limits that were stated."""
        for number, caution in enumerate(OF_PROGRAM, start=1):
            self._comment(f"CAUTION {number}:", caution)
        if self.bench.artefact.kind == "sphere":
            self._comment("CAUTION:", OF_SPHERE)
        if not self.dialect.guarded_word:
            self._comment("CAUTION:", OF_UNGUARDED)
        if self.dialect.pause_each_touch:
            self._comment("CAUTION:", OF_PAUSED_TOUCH)
        if self.dialect.must_switch_on_pauses:
            self._comment(
                "CAUTION:",
                f"pauses are {self.dialect.pause_word}: switch the optional stop on before the start.",
            )
        probe, machine = self.bench.probe, self.bench.machine
        self._comment("PROBE:", f"serial {clean_text(probe.serial)}, build {clean_text(probe.build or '')}")
        self._comment("MACHINE:", clean_text(machine.name))
        for words in about:
            self._comment("ABOUT:", clean_text(words))
        for words in _limits(self.schedule, self.bench):
            self._comment("STATED:", words)

    def _comment(self, label: str, text: str) -> None:
        self.text += comment_lines(label, text, self.dialect)

    def _message(self, label: str, text: str) -> None:
        self.text += message_lines(label, text, self.dialect)

    # What moves.

    def write_code(self) -> None:
        """Modal words, the touches with their pauses, the end."""
        self._block(MODAL_WORDS)
        self._block("M5")
        pauses = set(self.schedule.pauses)
        for at in range(len(self.schedule)):
            if at in pauses:
                self._pause(at)
            self._go_to(at, look=at in pauses)
            self._touch(at)
        self._park()
        self._block(self.dialect.end_word)

    def _block(self, words: str) -> None:
        if self.dialect.line_numbers:
            self._blocks = self._blocks % _LARGEST_NUMBER + 1
            words = f"N{self._blocks} {words}"
        self.text.append(words)

    def _move(self, word: str, point: Floats, feed_mm_min: float) -> None:
        self._block(f"{word} {_axis_words(point)} F{write_number(feed_mm_min)}")
        self._at = point

    def _guarded(self, point: Floats) -> None:
        """Go where nothing should be; a probe move to where the probe is would be an error."""
        if _axis_words(point) != _axis_words(self._at):
            word = self.dialect.guarded_word or _PLAIN_MOVE
            self._move(word, point, self.bench.moves.position_feed_mm_min)

    def _over(self, point: Floats, height: Floats) -> Floats:
        return np.array([point[0], point[1], height[2]])

    def _park(self) -> None:
        """Go up in the middle."""
        if self.bench.artefact.kind == "ring":
            self._guarded(self._middle)
        else:
            self._guarded(self._over(self._at, self._wait))
        self._guarded(self._wait)

    def _go_to(self, at: int, *, look: bool) -> None:
        """Go to where a touch starts, in the sense of the settling move."""
        entry = self.lines.entry[at]
        ring = self.bench.artefact.kind == "ring"
        if ring:
            if self._at is self._top:
                self._guarded(self._middle)
        else:
            self._guarded(self._over(self._at, self._top))
            self._guarded(self._over(entry, self._top))
            self._guarded(entry)
        if look:
            place = "IN THE RING" if ring else "BESIDE OR OVER THE ARTEFACT"
            self._message("LOOK:", f"BALL {place}, NOTHING TOUCHED, CIRCUIT CLOSED - ELSE STOP HERE")
            self._block(self.dialect.pause_word)
        self._guarded(entry)
        self._guarded(self.lines.start[at])

    def _touch(self, at: int) -> None:
        moves, lines = self.bench.moves, self.lines
        if moves.fast_feed_mm_min is not None:
            self._move(self.dialect.touch_word, lines.end[at], moves.fast_feed_mm_min)
            self._move(_PLAIN_MOVE, lines.back[at], moves.position_feed_mm_min)
        self.text.append(self._touch_comment(at))
        self._move(self.dialect.touch_word, lines.end[at], moves.touch_feed_mm_min)
        if self.dialect.print_line:
            self.text.append(self.dialect.print_line.replace("{text}", self._printed(at)))
        if self.dialect.pause_each_touch:
            self._message(f"TOUCH {at + 1}:", COPY_DISPLAY)
            self._block(self.dialect.pause_word)
        self._move(_PLAIN_MOVE, lines.start[at], moves.position_feed_mm_min)

    def _touch_comment(self, at: int) -> str:
        orientation, azimuth, elevation = self._angles(at)
        before = f"TOUCH {at + 1} STAGE "
        after = f" ORIENTATION {orientation} AZIMUTH {azimuth} ELEVATION {elevation}"
        room = LONGEST_LINE - len(before) - len(after) - 3
        (line,) = comment_lines(
            before + clean_stage(self.schedule.stage[at])[:room] + after, "", self.dialect
        )
        return line

    def _printed(self, at: int) -> str:
        orientation, azimuth, _ = self._angles(at)
        dialect = self.dialect
        return (
            f"touch={at + 1} orientation={orientation} az={azimuth} x={dialect.x_result} "
            f"y={dialect.y_result} z={dialect.z_result} F{write_number(self.bench.moves.touch_feed_mm_min)}"
        )

    def _angles(self, at: int) -> tuple[str, str, str]:
        schedule = self.schedule
        return (
            write_number(float(schedule.orientation_deg[at])),
            write_number(float(schedule.azimuth_deg[at])),
            write_number(float(schedule.elevation_deg[at])),
        )

    def _pause(self, at: int) -> None:
        """Wait at the top, with what is to be done before the touch."""
        if at:
            self._park()
        stage, (orientation, _, _) = self.schedule.stage[at], self._angles(at)
        moves, block = self.bench.moves, self.schedule.block
        if at and block[at] != block[at - 1]:
            self._message(f"END OF BLOCK {block[at - 1]}:", "THE LOG MAY BE LOOKED AT")
        if not at or stage != self.schedule.stage[at - 1]:
            for label, text in _stage_words(stage):
                self._message(label, text)
        if not at or self.schedule.orientation_deg[at] != self.schedule.orientation_deg[at - 1]:
            self._message("TURN THE PROBE", f"TO {orientation} DEG, LOCK THE SPINDLE")
        height = write_number(moves.safe_z_mm + ABOVE_MM)
        self._message("DISPLAY:", f"X0 Y0 Z{height}")
        self._message(
            "AND THE BALL:",
            f"{height} MM ABOVE THE TOP, OVER ITS CENTRE WITHIN {write_number(moves.place_mm)} MM",
        )
        self._message("BEFORE START:", "SPINDLE LOCKED, CIRCUIT CLOSED")
        self._block(self.dialect.pause_word)
        word = self.dialect.guarded_word or _PLAIN_MOVE
        self._move(word, self._top, moves.position_feed_mm_min)


def _axis_words(point: Floats) -> str:
    return " ".join(f"{axis}{write_number(float(value))}" for axis, value in zip("XYZ", point, strict=True))


def _stage_words(stage: str) -> list[tuple[str, str]]:
    """What the operator has to read before a stage."""
    words = []
    if stage.startswith("after_overtravel"):
        words.append(("CAUTION:", OF_OVERTRAVEL))
    if stage.startswith(("after_service", "after_storage")):
        words.append(("CAUTION:", OF_SERVICE))
        words.append(("THE PROBE WAS OUT:", "CHECK TOOL LENGTH AND WORK OFFSET AGAIN"))
    return [*words, ("STAGE", clean_stage(stage)[:60])]


def _limits(schedule: Schedule, bench: Bench) -> list[str]:
    """What the user stated, and the program keeps to."""
    artefact, stylus, probe, machine, moves = (
        bench.artefact,
        bench.stylus,
        bench.probe,
        bench.machine,
        bench.moves,
    )
    size = (
        f"diameter {artefact.diameter_mm:.6g} mm"
        if artefact.diameter_mm is not None
        else " by ".join(f"{length:.6g}" for length in artefact.size_mm or ()) + " mm"
    )
    feeds = [moves.touch_feed_mm_min, moves.position_feed_mm_min]
    fast = "none"
    if moves.fast_feed_mm_min is not None:
        fast = f"{moves.fast_feed_mm_min:.6g}, back off {moves.back_off_mm:.6g} mm"
        feeds.append(moves.fast_feed_mm_min)
    stopping = max(stopping_mm(feed, bench) for feed in feeds)
    volume = ", ".join(
        f"{axis} {low:.6g} to {high:.6g}"
        for axis, (low, high) in zip("XYZ", (moves.x_mm, moves.y_mm, moves.z_mm), strict=True)
    )
    return [
        f"{len(schedule)} touches, turns of the probe: {schedule.turns}",
        f"artefact {artefact.kind}, {size}, height {artefact.height_mm:.6g} mm",
        f"stylus {stylus.length_mm:.6g} mm, ball {stylus.ball_diameter_mm:.6g} mm, stem "
        f"{stylus.stem_diameter_mm:.6g} mm, body of the probe {probe.body_diameter_mm:.6g} mm",
        f"feeds in mm/min: touch {moves.touch_feed_mm_min:.6g}, fast touch {fast}, all else "
        f"{moves.position_feed_mm_min:.6g}, the probe allows touches of {probe.max_feed_mm_min:.6g}",
        f"overtravel allowed {probe.overtravel_mm:.6g} mm, a stop takes {stopping:.3f} mm at most: braking "
        f"{machine.braking_mm_s2:.6g} mm/s2, delay {machine.delay_s:.6g} s",
        f"clearance {moves.clearance_mm:.6g} mm, run-up {moves.run_up_mm:.6g} mm, past {moves.past_mm:.6g} "
        f"mm, settling {moves.settle_mm:.6g} mm, the artefact stands within {moves.place_mm:.6g} mm of X0 "
        "Y0 Z0",
        f"moves across at Z {moves.safe_z_mm:.6g}, centre of the ball {moves.depth_mm:.6g} mm below the "
        "top in touches from the side",
        f"volume of the lowest point of the ball in mm: {volume}",
    ]
