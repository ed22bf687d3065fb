"""The record sheet: what stands on its pages, and that its log is read once it is filled in."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from report_hostile import HOSTILE
from report_pages import body_of, packed, pages_of

from probetest.errors import ImportDataError, ReportError
from probetest.importers import read_logs
from probetest.jobs.qualify import qualify
from probetest.limits import Limits
from probetest.plan.bench import Bench, BenchArtefact, read_bench
from probetest.plan.cautions import OF_OVERTRAVEL, OF_PROGRAM, OF_SERVICE
from probetest.plan.schedule import Schedule, join_schedules
from probetest.report.sheet import SheetPage, sheet_csv, sheet_pdf
from probetest.simulate import Mill, Plan, Probe, simulate_turned

ROOT = Path(__file__).resolve().parents[2]
BENCH = read_bench(ROOT / "data" / "bench.toml")
DATE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
MM = 72 / 25.4
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="60" height="30"><path d="M0 0L60 30"/></svg>'

ARTEFACTS = {
    "ring": BENCH.artefact,
    "boss": BenchArtefact(kind="boss", diameter_mm=20.0, height_mm=15.0, u_mm=1e-05),
    "sphere": BenchArtefact(kind="sphere", diameter_mm=25.0, height_mm=60.0),
    "block": BenchArtefact(kind="block", size_mm=(25.0, 9.5), height_mm=15.0),
    "plane": BenchArtefact(kind="plane", size_mm=(40.0, 40.0), height_mm=10.0),
}


def bench_with(
    *, serial: str = "SK3-031", build: str | None = None, name: str = "mill", kind: str = "ring"
) -> Bench:
    return BENCH.model_copy(
        update={
            "probe": BENCH.probe.model_copy(update={"serial": serial, "build": build}),
            "machine": BENCH.machine.model_copy(update={"name": name}),
            "artefact": ARTEFACTS[kind],
        }
    )


def touches(
    azimuths: list[float],
    *,
    stage: str = "baseline",
    orientation: float = 0.0,
    elevation: float = 0.0,
    block: int = 1,
) -> Schedule:
    count = len(azimuths)
    return Schedule(
        (stage,) * count,
        np.full(count, orientation),
        np.array(azimuths, dtype=float),
        np.full(count, elevation),
        np.full(count, block),
    )


def around(count: int, step: float = 15.0, **changes: object) -> Schedule:
    return touches([(at * 7 * step) % 360 for at in range(count)], **changes)  # type: ignore[arg-type]


def page_of(schedule: Schedule, bench: Bench = BENCH, **changes: object) -> SheetPage:
    stated: dict[str, object] = {
        "title": "Plan Zz",
        "serial": bench.probe.serial,
        "facts": [("Purpose", "to qualify"), ("Minutes", "74")],
        "shows": ["The scatter of a touch."],
        "hides": ["Touches along the stylus."],
        "cautions": OF_PROGRAM,
        "figures": [],
        "bench": bench,
        "schedule": schedule,
    }
    return SheetPage(**(stated | changes))  # type: ignore[arg-type]


def print_sheet(schedule: Schedule, bench: Bench = BENCH, **changes: object) -> bytes:
    return sheet_pdf(page_of(schedule, bench, **changes), DATE)


def placed(pdf: bytes) -> list[list[tuple[float, float, str]]]:
    """Texts of each page with their place from the left and the top, mm."""
    found = []
    for page in PdfReader(io.BytesIO(pdf)).pages:
        texts: list[tuple[float, float, str]] = []

        def note(
            text: str,
            cm: list[float],
            tm: list[float],
            *_: object,
            texts: list[tuple[float, float, str]] = texts,
        ) -> None:
            if text.strip():
                x = tm[4] * cm[0] + tm[5] * cm[2] + cm[4]
                y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
                texts.append((x / MM, 297 - y / MM, text.strip()))

        page.extract_text(visitor_text=note)
        found.append(texts)
    return found


# ---- paper


def test_first_page_has_cautions_first_and_fields_last() -> None:
    text = packed(pages_of(print_sheet(around(12)))[0])
    wanted = [*OF_PROGRAM, "Purpose", "to qualify", "What it will show", "What it will not show", "Signature"]
    places = [text.find(packed(part)) for part in wanted]
    assert -1 not in places
    assert places == sorted(places)
    for field in ("Name", "Date", "Temperature at start, °C", "Temperature at end, °C"):
        assert packed(field) in text[places[-2] :]


@pytest.mark.parametrize(("count", "pages"), [(34, 2), (78, 3)])
def test_pages_are_numbered_and_rows_high_enough_for_a_hand(count: int, pages: int) -> None:
    found = placed(print_sheet(around(count)))
    assert len(found) == pages
    read = []
    for number, texts in enumerate(found, start=1):
        text = packed("".join(word for _, _, word in texts))
        assert packed("serial SK3-031") in text
        assert packed(f"page {number} of {pages}") in text
        if number == 1:
            continue
        assert packed("Touch Azimuth deg X mm Y mm T M O F Remark") in text
        for left in (18.0, 111.0):
            rows = [(y, int(word)) for x, y, word in texts if left < x < left + 13 and word.isdigit()]
            # Text comes in the order of reading, so places and numbers must both rise.
            assert all(two[0] - one[0] >= 6.0 for one, two in pairwise(rows))
            read += [touch for _, touch in rows]
            if number == 2:
                assert bool(rows) == (left == 18.0 or pages == 3)
    assert read == list(range(1, count + 1))


def test_headings_stand_where_stage_or_orientation_change() -> None:
    schedule = join_schedules(
        [
            around(6),
            around(6, orientation=30.0),
            around(6, orientation=30.0, stage="after_overtravel_120"),
            around(6, orientation=30.0, stage="after_service"),
        ]
    )
    text = packed("".join(pages_of(print_sheet(schedule))))
    wanted = [
        "baseline, orientation 0°", "Set the probe to 0°. Lock the spindle.",
        "baseline, orientation 30°", "Turn the probe to 30°. Lock the spindle.",
        "after_overtravel_120, orientation 30°", OF_OVERTRAVEL, "Push it towards azimuth 120°",
        "The probe stays at 30°.",
        "after_service, orientation 30°", OF_SERVICE, "Set the probe to 30°. Lock the spindle.",
    ]  # fmt: skip
    places = [text.find(packed(part)) for part in wanted]
    assert -1 not in places
    assert places == sorted(places)
    assert text.count(packed(", orientation")) == 4


@pytest.mark.parametrize("before", [32, 33, 34])
def test_no_heading_is_parted_from_its_first_touch(before: int) -> None:
    schedule = join_schedules([around(before), around(3, orientation=30.0)])
    for texts in placed(print_sheet(schedule))[1:]:
        for x, y, text in texts:
            if text.startswith("baseline, orientation"):
                below = [
                    other for at, other, word in texts if abs(at - x) < 12 and word.isdigit() and other > y
                ]
                assert min(below) - y < 25


def test_blocks_are_marked_only_where_there_are_several() -> None:
    blocks = join_schedules([around(6, block=1), around(6, block=2), around(6, block=3)])
    text = packed("".join(pages_of(print_sheet(blocks))))
    assert packed("end of block 1: may be looked at") in text
    assert packed("end of block 2: may be looked at") in text
    assert text.count("maybelookedat") == 2
    assert "maybelookedat" not in packed("".join(pages_of(print_sheet(around(18)))))


def test_elevation_and_z_have_columns_where_needed() -> None:
    flat = packed(pages_of(print_sheet(around(6)))[1])
    assert "Elevation" not in flat
    assert "Zmm" not in flat
    tilted = packed(pages_of(print_sheet(around(6, elevation=-45.0), bench_with(kind="sphere")))[1])
    assert "Elevation" in tilted
    assert "Zmm" in tilted
    assert "\u221245" in tilted
    down = packed(pages_of(print_sheet(touches([0.0] * 4, elevation=-90.0), bench_with(kind="plane")))[1])
    assert down.count("down") == 4


def test_texts_are_printed_as_they_stand() -> None:
    short = {given: read for given, read in HOSTILE.values() if len(given) <= 200}
    given = list(short)
    pdf = print_sheet(
        join_schedules([touches([0.0], stage=text) for text in given]),
        title="Zz",
        serial="Qq",
        facts=[("x", text) for text in given],
        cautions=given,
        shows=given,
        hides=given,
    )
    text = body_of(pdf)
    for read in short.values():
        assert text.count(packed(read)) >= 4, read
    assert packed("can't be printed") in text


def test_long_texts_are_printed_to_their_end() -> None:
    long = [HOSTILE["long word"][0][:600], HOSTILE["long note"][0][:600].strip()]
    text = body_of(print_sheet(around(3), title="Zz", serial="Qq", cautions=long))
    for sentence in long:
        assert packed(sentence) in text


def test_title_and_serial_are_printed_as_they_stand() -> None:
    hostile = '#panic("x") *a* $y$ <l> @k'
    pages = pages_of(print_sheet(around(3), title=hostile, serial=hostile))
    assert packed(pages[0]).count(packed(hostile)) == 4
    assert packed(pages[1]).count(packed(hostile)) == 2


def test_same_page_gives_same_bytes_and_the_figure_is_drawn() -> None:
    plain = print_sheet(around(5))
    drawn = print_sheet(around(5), figures=[SVG, SVG])
    assert plain == print_sheet(around(5))
    assert plain != drawn
    with pytest.raises(ReportError):
        print_sheet(around(5), figures=[b"no picture"])


# ---- log


def filled(log: str, values: dict[str, np.ndarray], outcome: list[str]) -> str:
    """Type positions and outcomes into a log."""
    lines = log.splitlines()
    at = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    rows = list(csv.DictReader(lines[at:]))
    for number, row in enumerate(rows):
        row["outcome"] = outcome[number]
        for name, column in values.items():
            row[name] = f"{column[number]:.5f}" if outcome[number] == "trigger" else ""
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return "\n".join([*lines[:at], stream.getvalue()])


def saved_by_a_spreadsheet(log: str, delimiter: str = ",") -> str:
    """Read all lines as cells, and write them back as wide as the widest."""
    rows = list(csv.reader(io.StringIO(log)))
    width = max(map(len, rows))
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter).writerows([row + [""] * (width - len(row)) for row in rows])
    return stream.getvalue()


@pytest.mark.parametrize("saved", [False, True])
def test_a_filled_log_is_read_and_qualifies(tmp_path: Path, saved: bool) -> None:
    plan = Plan(directions=24, repeats=6)
    run = simulate_turned(Probe(sd_mm=0.0015), Mill(), plan, (0.0, 30.0), rng=np.random.default_rng(8)).frame
    count = len(run)
    schedule = Schedule(
        ("baseline",) * count,
        run["orientation_deg"].to_numpy(),
        run["azimuth_deg"].to_numpy(),
        np.zeros(count),
        np.ones(count, dtype=np.int64),
    )
    outcome = ["trigger"] * count
    outcome[4] = "missed"
    text = filled(
        sheet_csv(BENCH, schedule), {name: run[name].to_numpy() for name in ("x_mm", "y_mm")}, outcome
    )
    log = tmp_path / "typed.csv"
    log.write_text(saved_by_a_spreadsheet(text) if saved else text, encoding="utf-8", newline="")
    (test,) = read_logs(log)
    assert test.source.shape == "native log"
    record = test.record
    assert (record.serial, record.build) == ("SK3-031", "siskin-3")
    assert record.artefact is not None
    assert record.artefact.model_dump() == {
        "kind": "ring",
        "diameter_mm": 25.0,
        "u_mm": 0.0006,
        "form_mm": 0.0004,
    }
    assert record.stylus is not None
    assert (record.stylus.length_mm, record.stylus.ball_diameter_mm) == (50.0, 4.0)
    assert record.machine is not None
    assert (record.machine.name, record.machine.resolution_mm) == ("bench mill in bay 2 (invented)", 0.00125)
    np.testing.assert_array_equal(test.frame["azimuth_deg"], schedule.azimuth_deg)
    np.testing.assert_array_equal(test.frame["orientation_deg"], schedule.orientation_deg)
    assert (test.frame["feed_mm_min"] == 60).all()
    if saved:
        return
    found = qualify(test, Limits())
    interval = found.analysis.repeatability.interval_mm
    assert interval.lower < 0.0015 < interval.upper


@pytest.mark.parametrize("kind", ARTEFACTS)
def test_each_artefact_is_read(tmp_path: Path, kind: str) -> None:
    elevation = {"sphere": -45.0, "plane": -90.0}.get(kind, 0.0)
    azimuths = [0.0, 90.0, 180.0, 270.0] if kind != "plane" else [0.0] * 4
    log = sheet_csv(bench_with(kind=kind), touches(azimuths * 5, elevation=elevation))
    assert ("z_mm" in log) == (elevation != 0)
    names = ("x_mm", "y_mm", "z_mm") if elevation else ("x_mm", "y_mm")
    place = tmp_path / "log.csv"
    place.write_text(
        filled(log, {name: np.linspace(1, 2, 20) for name in names}, ["trigger"] * 20), encoding="utf-8"
    )
    (test,) = read_logs(place)
    stated = ARTEFACTS[kind]
    assert test.record.artefact is not None
    assert test.record.artefact.model_dump() == {
        name: getattr(stated, name) for name in ("kind", "diameter_mm", "u_mm", "form_mm")
    }
    size = {"block": "25 x 9.5", "plane": "40 x 40"}.get(kind)
    assert dict(test.record.notes).get("size_mm") == size


def test_an_unfilled_log_is_refused_row_by_row(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    text = sheet_csv(BENCH, around(12))
    log.write_text(text, encoding="utf-8")
    with pytest.raises(ImportDataError) as caught:
        read_logs(log)
    assert caught.value.total == 12
    first = 1 + next(at for at, line in enumerate(text.splitlines()) if line.startswith("1,"))
    assert f"line {first}, column outcome: found a blank cell, expected one of trigger, missed" in str(
        caught.value
    )
    log.write_text(text.replace(",,,,", ",,,trigger,"), encoding="utf-8")
    with pytest.raises(ImportDataError, match="a trigger without a value"):
        read_logs(log)


FORMULAS = (
    "=1+1",
    "+1",
    "-1",
    "@A1",
    "\t=1",
    "a,=1+1",
    'a,"=1+1"',
    "a;=1",
    "a,  -1",
    "x\t@b",
    "a|=b",
    "a\n=1",
    "a\r=1",
)


@pytest.mark.parametrize("text", FORMULAS)
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_no_cell_is_a_formula(text: str, delimiter: str) -> None:
    bench = bench_with(serial=text, build=text, name=text)
    log = sheet_csv(bench, around(3, stage=text))
    if delimiter != ",":
        # The table keeps its comma; what another delimiter makes of the lines must be harmless too.
        assert delimiter not in "".join(line for line in log.splitlines() if line.startswith("#"))
    for row in csv.reader(io.StringIO(log), delimiter=delimiter):
        for cell in row:
            assert not cell.lstrip(" '\"").startswith(("=", "+", "-", "@", "\t", "\r")) or cell.startswith(
                "'"
            )


@settings(max_examples=40, deadline=None)
@given(
    serial=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30),
    name=st.text(
        st.sampled_from("a1 #'\"\\,;|=+-@\t\n\r{}[]\x00\x7f\x85\u2028é\U0001f527"), min_size=1, max_size=30
    ),
)
def test_any_text_of_the_bench_comes_back(
    serial: str, name: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    log = tmp_path_factory.getbasetemp() / "any.csv"
    text = sheet_csv(bench_with(serial=serial, name=name), touches([0.0, 90.0]))
    log.write_text(
        filled(text, {n: np.ones(2) for n in ("x_mm", "y_mm")}, ["trigger"] * 2), encoding="utf-8", newline=""
    )
    if not serial.isprintable() or not serial.strip():
        # Such a serial can't be one in any log, and is refused by its own name.
        with pytest.raises(ImportDataError, match="serial"):
            read_logs(log)
        return
    (test,) = read_logs(log)
    assert test.record.serial == serial
    assert test.record.machine is not None
    assert test.record.machine.name == name
