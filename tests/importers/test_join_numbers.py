"""A log joined to its plan: by its numbers, by its places, whole and in part, in every shape."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from plan_logs import (
    bare_of,
    bench_with,
    console_of,
    echoed_of,
    json_lines_of,
    labelled_of,
    native_of,
    planned_as,
    ring_frame,
    ring_plan,
    spreadsheet_of,
)

from probetest.errors import ImportDataError
from probetest.importers import About, import_log, read_plan_folder
from probetest.importers.plan_folder import PlanFolder
from probetest.importers.read import ImportResult
from probetest.plan.written import plan_csv, plan_toml
from probetest.statistics.expected import Design
from probetest.triggers import Artefact

Read = Callable[..., ImportResult]
Shape = Callable[[pd.DataFrame], Sequence[str]]

SHAPES: dict[str, Shape] = {
    "native log": lambda frame: native_of(frame).splitlines(),
    "bracketed-result": console_of,
    "pairs": lambda frame: console_of(frame, fast=True),
    "echoed-console": echoed_of,
    "json-result-lines": json_lines_of,
    "labelled-values": labelled_of,
    "bare-axis-columns": bare_of,
    "spreadsheet table": spreadsheet_of,
}
ALL = pytest.mark.parametrize("shape", SHAPES)
NUMBERED = ("labelled-values", "spreadsheet table")
"""Their numbers count the lines, so that a line less gives each touch behind it another number."""


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> PlanFolder:
    folder = tmp_path_factory.mktemp("plan")
    (folder / "plan.toml").write_text(plan_toml(ring_plan()), encoding="utf-8")
    (folder / "plan.csv").write_text(plan_csv(ring_plan()), encoding="utf-8")
    return read_plan_folder(folder)


@pytest.fixture
def read(tmp_path: Path, planned: PlanFolder) -> Read:
    """Write lines as a log and join it to the plan."""

    def _read(lines: Sequence[str] | str, **answers: Any) -> ImportResult:
        text = lines if isinstance(lines, str) else "\n".join(lines) + "\n"
        log = tmp_path / "log.txt"
        log.write_text(text, encoding="utf-8")
        given = {"plan": planned.plan, "about": planned.about, "about_of_plan": True, "units": "mm"}
        return import_log(log, **given | answers)

    return _read


def frame_of(result: ImportResult) -> pd.DataFrame:
    (test,) = result.tests
    return test.frame


def assert_joined(result: ImportResult, expected: pd.DataFrame, places: Sequence[int]) -> None:
    """Each touch has its number and direction in the plan, and its own position."""
    frame, schedule = frame_of(result), ring_plan().schedule
    assert frame["touch"].tolist() == [place + 1 for place in places]
    assert frame["azimuth_deg"].to_numpy() == pytest.approx(schedule.azimuth_deg[list(places)], abs=1e-6)
    for name in ("x_mm", "y_mm"):
        assert frame[name].to_numpy() == pytest.approx(expected[name].to_numpy(), abs=1e-5)


# ---- shapes


@ALL
def test_every_shape_takes_its_place_in_the_plan(shape: str, read: Read) -> None:
    found = read(SHAPES[shape](ring_frame()))
    assert found.shape == {"pairs": "bracketed-result"}.get(shape, shape)
    assert_joined(found, ring_frame(), range(96))
    (test,) = found.tests
    assert test.record.serial == "SK3-031"
    assert test.record.artefact is not None
    assert test.record.artefact.diameter_mm == 25.0
    assert test.record.planned_touches is None
    assert test.source.look is not None
    assert (test.source.look.block, test.source.look.touch) == (2, 96)
    assert not any("does not hold" in notice for notice in found.notices)


@ALL
@pytest.mark.parametrize("touches", [48, 60])
def test_a_log_of_the_first_touches_says_what_is_missing(shape: str, touches: int, read: Read) -> None:
    found = read(SHAPES[shape](ring_frame().iloc[:touches]))
    assert_joined(found, ring_frame().iloc[:touches], range(touches))
    look = found.tests[0].source.look
    assert look is not None
    assert (look.block, look.touch) == (1 if touches == 48 else 2, touches)
    told = [notice for notice in found.notices if "log does not hold" in notice]
    if shape == "bare-axis-columns":
        assert (
            told == (["Planned touches that the log does not hold: the 48 after touch 48."])[: touches == 48]
        )
    else:
        assert told == [
            f"Planned touches that the log does not hold: {96 - touches} of 96, all from touch "
            f"{touches + 1} on."
        ]


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape not in NUMBERED])
def test_touches_that_are_missing_anywhere_are_named(shape: str, read: Read) -> None:
    gone = [0, 17, 18, 80, 95]
    rest = [place for place in range(96) if place not in gone]
    found = read(SHAPES[shape](ring_frame().iloc[rest]) if shape != "native log" else _numbered(rest))
    assert_joined(found, ring_frame().iloc[rest], rest)
    if shape == "bare-axis-columns":
        assert any("leaves out a touch that is equal" in notice for notice in found.notices)
        assert found.tests[0].record.planned_touches == 4
    else:
        words = "Planned touches that the log does not hold: 5 of 96 (touch 1, 18, 19, 81, 96)."
        assert words in found.notices


def _numbered(rest: list[int]) -> str:
    return native_of(ring_frame().iloc[rest])


@pytest.mark.parametrize("shape", NUMBERED)
def test_numbers_that_only_count_the_lines_do_not_make_a_wrong_join(shape: str, read: Read) -> None:
    with pytest.raises(ImportDataError, match="one may be missing or doubled"):
        read(SHAPES[shape](ring_frame().drop(index=[17])))


def test_at_most_ten_missing_touches_are_named(read: Read) -> None:
    rest = [place for place in range(96) if place == 0 or place > 30]
    found = read(_numbered(rest))
    assert any("30 of 96 (touch 2, 3, 4, 5, 6, 7, 8, 9, 10, 11 and 20 more)" in one for one in found.notices)


def test_a_log_that_drops_equal_touches_is_not_thought_to_lack_a_block_that_was_not_made(read: Read) -> None:
    """By the whole plan half of the touches would be thought lost, and the scatter corrected for them."""
    one_less = [place for place in range(48) if place != 20]
    found = read(bare_of(ring_frame().iloc[one_less]))
    assert_joined(found, ring_frame().iloc[one_less], one_less)
    assert found.tests[0].record.planned_touches == 2
    assert read(bare_of(ring_frame().iloc[:48])).tests[0].record.planned_touches is None
    assert read(bare_of(ring_frame().drop(index=[20]))).tests[0].record.planned_touches == 4


# ---- logs that are not of this plan


def swapped(frame: pd.DataFrame) -> pd.DataFrame:
    changed = frame.copy()
    changed.iloc[[10, 11]] = frame.iloc[[11, 10]].to_numpy()
    return changed


@ALL
def test_a_wrong_order_is_refused(shape: str, read: Read) -> None:
    with pytest.raises(ImportDataError, match=r"azimuth 330 deg.* where (the plan has )?240 deg"):
        read(SHAPES[shape](swapped(ring_frame())))


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape != "native log"])
def test_a_log_from_its_end_to_its_start_is_refused(shape: str, read: Read) -> None:
    with pytest.raises(ImportDataError, match=r"where .*deg"):
        read(SHAPES[shape](ring_frame().iloc[::-1]))


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape != "native log"])
def test_one_touch_too_many_is_refused(shape: str, read: Read) -> None:
    frame = pd.concat([ring_frame().iloc[:11], ring_frame().iloc[10:]])
    with pytest.raises(ImportDataError, match=r"97 approaches, where the plan .* has 96, expected 96"):
        read(SHAPES[shape](frame))


@pytest.mark.parametrize("at", range(0, 40, 9))
def test_a_touch_made_twice_does_not_shift_the_rest_of_half_a_log_by_a_round(at: int, read: Read) -> None:
    frame = pd.concat([ring_frame().iloc[: at + 1], ring_frame().iloc[at:60]])
    with pytest.raises(ImportDataError, match=r"61 approaches, where the plan .* has 96"):
        read(console_of(frame))


def test_nor_where_the_directions_are_touched_in_turn(read: Read, tmp_path: Path) -> None:
    """There each round looks like the next one, and all behind the touch would be taken for a later round."""
    (tmp_path / "plan.csv").write_text(
        "azimuth_deg\n" + "".join(f"{30 * (at % 12)}\n" for at in range(48)), encoding="utf-8"
    )
    answers = {"plan": read_plan_folder(tmp_path / "plan.csv").plan}
    angle = np.deg2rad(30.0 * np.arange(48))
    lines = [
        f"[PRB:{10 * np.cos(one):.4f},{10 * np.sin(one) + 0.001 * (at % 3):.4f},-5.0000:1]"
        for at, one in enumerate(angle.tolist())
    ]
    assert frame_of(read(lines[:20], **answers))["touch"].tolist() == list(range(1, 21))
    with pytest.raises(ImportDataError, match=r"21 approaches, where the plan .* has 48"):
        read([*lines[:6], lines[5].replace("-5.0000", "-5.0001"), *lines[6:20]], **answers)


@pytest.mark.parametrize("numbers", ["none", "from 0", "backwards", "beyond the plan", "halves"])
def test_numbers_that_are_not_of_the_plan_are_passed_over(numbers: str, read: Read) -> None:
    count = np.arange(1, 97)
    given = {
        "none": [""] * 96,
        "from 0": (count - 1).tolist(),
        "backwards": count[::-1].tolist(),
        "beyond the plan": (count + 1).tolist(),
        "halves": [f"{one}5" for one in count.tolist()],
    }[numbers]
    rows = spreadsheet_of(ring_frame())
    lines = [
        rows[0],
        *(f"{number};{row.partition(';')[2]}" for number, row in zip(given, rows[1:], strict=True)),
    ]
    assert_joined(read(lines), ring_frame(), range(96))


# ---- what the log says itself is held against the plan


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("azimuth_deg", "77", "azimuth 77 deg where the plan has"),
        ("orientation_deg", "30", r"orientation 30 deg where the plan has 0 deg \(touch 3\)"),
        ("elevation_deg", "-90", r"elevation -90 deg where the plan has 0 deg \(touch 3\)"),
        ("stage", "after_service", "stage 'after_service' where the plan has 'baseline'"),
    ],
)
def test_a_native_log_that_states_something_else_is_refused(
    column: str, value: str, words: str, read: Read
) -> None:
    lines = native_of(ring_frame()).splitlines()
    (head,) = [at for at, line in enumerate(lines) if line.startswith("touch,")]
    cells = lines[head + 3].split(",")
    cells[lines[head].split(",").index(column)] = value
    lines[head + 3] = ",".join(cells)
    with pytest.raises(ImportDataError, match=words) as caught:
        read(lines)
    assert f"line {head + 4}" in str(caught.value)


@pytest.mark.parametrize(("off", "is_refused"), [(0.9, False), (1.1, True)])
def test_stated_angles_may_be_rounded(off: float, is_refused: bool, read: Read) -> None:
    frame = ring_frame().assign(
        azimuth_deg=(ring_frame()["azimuth_deg"] + off) % 360, orientation_deg=(360 - off) % 360
    )
    if is_refused:
        with pytest.raises(ImportDataError, match="where the plan has"):
            read(native_of(frame))
    else:
        assert_joined(read(native_of(frame)), ring_frame(), range(96))
        assert frame_of(read(native_of(frame)))["orientation_deg"].eq(0).all()


def test_blank_stages_say_nothing(read: Read) -> None:
    text = native_of(ring_frame()).replace(",baseline,", ",,")
    assert set(frame_of(read(text))["stage"]) == {"baseline"}


def faces(words: Sequence[str]) -> list[str]:
    spots = {"X+": (-14.5, 0.3), "X-": (14.5, 0.2), "Y+": (0.3, -6.5), "Y-": (0.2, 6.5)}
    rows = [
        f"{number};{word};{spots[word][0] + 0.001 * (number % 3)};{spots[word][1] + 0.001 * (number % 5)}"
        for number, word in enumerate(words, start=1)
    ]
    return ["Nr;Face;X (mm);Y (mm)", *rows]


def test_the_faces_of_a_table_are_held_against_the_plan(read: Read, tmp_path: Path) -> None:
    block = {"kind": "block", "size_mm": (25.0, 9.0), "height_mm": 15.0}
    blocks = planned_as(bench_with(artefact=block), Design(4, 3))
    (tmp_path / "plan.csv").write_text(plan_csv(blocks), encoding="utf-8")
    plan = read_plan_folder(tmp_path / "plan.csv").plan
    words = [{0: "X+", 90: "Y+", 180: "X-", 270: "Y-"}[round(at)] for at in blocks.schedule.azimuth_deg]
    about = About(serial="A", artefact=Artefact(kind="block"))
    good = read(faces(words), plan=plan, about=about)
    assert frame_of(good)["azimuth_deg"].tolist() == blocks.schedule.azimuth_deg.tolist()
    other = {"X+": "Y-", "Y-": "X+"}
    wrong = [*words[:5], other.get(words[5], "X+"), *words[6:]]
    with pytest.raises(ImportDataError, match=r"line 7: found a touch at azimuth .* where the plan has"):
        read(faces(wrong), plan=plan, about=about)


# ---- a plan made for one serial, used for another


def test_another_serial_may_be_tested_by_the_same_plan(read: Read) -> None:
    (test,) = read(native_of(ring_frame(), serial="B-1")).tests
    assert (test.record.serial, test.record.build) == ("B-1", None)
    assert test.record.artefact is not None
    assert "The plan was made for serial 'SK3-031', the log is of another one." in test.source.notices
    (test,) = read(console_of(ring_frame()), serial="B-2").tests
    assert (test.record.serial, test.record.build) == ("B-2", None)
    (test,) = read(console_of(ring_frame()), serial="SK3-031").tests
    assert (test.record.serial, test.record.build) == ("SK3-031", "siskin-3")


def test_a_column_of_serials_goes_before_the_serial_of_the_plan(read: Read) -> None:
    rows = spreadsheet_of(ring_frame())
    (test,) = read([f"Serial;{rows[0]}", *(f"B-7;{row}" for row in rows[1:])]).tests
    assert (test.record.serial, test.record.build) == ("B-7", None)


def test_an_artefact_that_is_not_that_of_the_plan_is_refused(read: Read) -> None:
    text = '# artefact = {kind = "ring", diameter_mm = 30.0}\n' + native_of(ring_frame())
    with pytest.raises(
        ImportDataError, match=r"artefact .* in the log and .* in the plan, expected one artefact"
    ):
        read(text)
