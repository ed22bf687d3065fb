"""The checker of programs: programs by hand, and what is wrong with others."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from benches import bench_with, schedule_along
from walk_cases import ALONG_X, BY_HAND, HEAD, RING, SINGLE, TAIL, TOUCH, fault_of, turned

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.contact_places import contact_places
from probetest.plan.schedule import Schedule
from probetest.plan.walk import walk_program


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
        ("G38.3 X0 Y0 Z20 F400\nM2", TOUCH + TAIL, 13, "a touch beyond 1"),
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
    slanted = schedule_along([45.0])
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
    places, _ = contact_places(bench_with(kind), schedule_along([azimuth], [elevation]))
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
    schedule = schedule_along([0.0, azimuth], [-90.0 if kind == "plane" else 0.0, elevation])
    with pytest.raises(PlanError, match="Touch 2 has azimuth"):
        contact_places(bench_with(kind), schedule)


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
    other = schedule_along([90.0, 0.0, 270.0, 180.0], turn_at=2)
    assert "a touch that starts" in fault_of(text, bench, other)
    longer = schedule_along([0.0, 90.0, 270.0, 180.0, 0.0], turn_at=2)
    assert "the end after 4 touches; expected: 5 touches" in fault_of(text, bench, longer)
    single = bench.model_copy(update={"moves": bench.moves.model_copy(update={"fast_feed_mm_min": None})})
    assert "F200 in a touch move" in fault_of(text, single, schedule)


def test_a_way_back_that_leads_too_far_forward_is_refused() -> None:
    # A fast touch that triggered at its start, 3 mm before the contact, is followed by 2 mm forward.
    _, schedule, text = turned()
    tables: dict[str, dict[str, Any]] = {"moves": {"z_mm": (-34.0, 60.0)}, "probe": {"overtravel_mm": 1.99}}
    told = fault_of(text, bench_with("boss", **tables), schedule)
    assert (
        "a way back after a fast touch that leads up to 2.000 mm forward; expected: 1.99 mm at most" in told
    )
    tables["probe"] = {"overtravel_mm": 2.0}
    walk_program(text, bench_with("boss", **tables), schedule)


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
    schedule = schedule_along([0.0], [-45.0])
    text = (
        f"{HEAD}G38.3 X-10.6066 Y0 Z20 F400\nG38.3 X-10.6066 Y0 Z-1.3934 F400\nM0\n"
        "(TOUCH 1 STAGE new ORIENTATION 0 AZIMUTH 0 ELEVATION -45)\n"
        "G38.2 X-7.4246 Y0 Z-4.5754 F60\nG1 X-10.6066 Y0 Z-1.3934 F400\n"
        "G38.3 X-10.6066 Y0 Z20 F400\nG38.3 X0 Y0 Z20 F400\nM2\n"
    )
    walk_program(text, bench_with("sphere", **SINGLE), schedule)
    low = bench_with("sphere", artefact={"height_mm": 6.0}, **SINGLE)
    assert "a touch 1.4246 mm from what the artefact stands on" in fault_of(text, low, schedule)
