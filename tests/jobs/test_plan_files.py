"""The files of a plan: all of them or none that counts; read back; whatever the names in the bench are."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from plan_logs import BLOCK, bench_with, console_of, laid_out, plan_for, ring_frame, ring_plan

from probetest.errors import BenchError, LimitsError, PlanError, ReportError
from probetest.importers import import_log, read_plan_folder
from probetest.jobs import planning
from probetest.jobs.planning import FILES, cautions_of, plan_files, write_plan
from probetest.jobs.qualify import qualify
from probetest.jobs.reading import Reading
from probetest.limits import Limits
from probetest.plan.bench import read_bench
from probetest.plan.cautions import (
    OF_OVERTRAVEL,
    OF_PAUSED_TOUCH,
    OF_PROGRAM,
    OF_SERVICE,
    OF_SPHERE,
    OF_UNGUARDED,
)
from probetest.plan.dialect import read_dialect
from probetest.plan.planned import Planned
from probetest.plan.walk import walk_program
from probetest.plan.wish import Wish
from probetest.plan.written import plan_csv, plan_toml
from probetest.resources import bundled

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
HOSTILE = (
    "quo\"te's", "x )G0 X0 Y0( ; M3 S5000", "=1+1", "# comment", "ü µ ß 探", "x" * 200, "\\ {text} \"\"\"",
    "[about]", "G38.3", " ends ",
)  # fmt: skip
UNPRINTABLE = ("a\nb", "a\r\nG0 X0", "tab\tx", "\x7f", "\x01", "\u2028", "\u202e", "   ")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_plan(ring_plan(), tmp_path_factory.mktemp("plans") / "new" / "plan", now=NOW)


def no_bar(_words: str, _total: int) -> Any:
    return lambda: None


# ---- all files, whole


def test_five_files_are_written_and_no_other(written: Path) -> None:
    assert sorted(path.name for path in written.iterdir()) == sorted(FILES)
    assert len(FILES) == 5


def test_each_file_reads_back_and_is_of_the_same_test(written: Path) -> None:
    planned = ring_plan()
    plan = read_plan_folder(written).plan
    assert plan.azimuth_deg == pytest.approx(planned.schedule.azimuth_deg, abs=1e-7)
    program = (written / "program.ngc").read_bytes().decode("ascii")
    assert program == planned.program
    assert walk_program(program, planned.bench, planned.schedule).seconds == planned.walk.seconds
    (sheet,) = import_log(_filled(written / "sheet.csv")).tests
    assert sheet.record.serial == "SK3-031"
    assert sheet.frame["azimuth_deg"].to_numpy() == pytest.approx(planned.schedule.azimuth_deg, abs=1e-6)
    assert sheet.frame["touch"].tolist() == plan.touch.tolist()
    pages = pypdf.PdfReader(written / "sheet.pdf").pages
    assert "SK3-031" in pages[0].extract_text()


def _filled(sheet: Path) -> Path:
    """The record sheet as the operator fills it in."""
    filled = sheet.parent.parent / "filled.csv"
    lines = sheet.read_text("utf-8").splitlines()
    (head,) = [at for at, line in enumerate(lines) if line.startswith("touch,")]
    names = lines[head].split(",")
    for at, (x, y) in enumerate(ring_frame()[["x_mm", "y_mm"]].itertuples(index=False), start=head + 1):
        cells = lines[at].split(",")
        for name, value in (("x_mm", f"{x:.5f}"), ("y_mm", f"{y:.5f}"), ("outcome", "trigger")):
            cells[names.index(name)] = value
        lines[at] = ",".join(cells)
    filled.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return filled


@pytest.mark.parametrize("at", range(5))
@pytest.mark.parametrize("before", [False, True], ids=["new folder", "over an earlier plan"])
def test_a_failure_in_the_middle_leaves_no_plan(
    at: int, before: bool, written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even the earlier one: its list of touches may be another one already."""
    out = tmp_path / "plan"
    if before:
        shutil.copytree(written, out)
    done: list[str] = []

    def fails(path: Path, data: bytes) -> None:
        if len(done) == at:
            raise ReportError(f"{path}: the file can't be written (No space left on device).")
        done.append(path.name)
        path.write_bytes(data)

    monkeypatch.setattr(planning, "write_atomically", fails)
    monkeypatch.setattr("probetest.report.sheet.sheet_pdf", lambda *_: b"%PDF")
    monkeypatch.setattr("probetest.report.style.figure_to_svg", lambda *_: "<svg/>")
    with pytest.raises(ReportError, match="No space left"):
        write_plan(ring_plan(), out)
    assert not (out / "plan.toml").exists()
    assert done == ["sheet.csv", "sheet.pdf", "program.ngc", "plan.csv", "plan.toml"][:at]


@pytest.mark.parametrize("name", ["file", "file/plan"])
def test_a_folder_that_can_not_be_made(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probetest.report.sheet.sheet_pdf", lambda *_: b"%PDF")
    monkeypatch.setattr("probetest.report.style.figure_to_svg", lambda *_: "<svg/>")
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(PlanError, match="the folder can't be made"):
        write_plan(ring_plan(), tmp_path / name)
    assert (tmp_path / "file").read_text("utf-8") == "mine"


def test_cautions_go_with_the_stages() -> None:
    planned = ring_plan()
    assert cautions_of(planned) == OF_PROGRAM
    assert cautions_of(replace(planned, stages=("after_service",))) == (*OF_PROGRAM, OF_SERVICE)
    stages = ("after_overtravel", "baseline_again")
    assert cautions_of(replace(planned, stages=stages)) == (*OF_PROGRAM, OF_OVERTRAVEL)


def test_a_sheet_has_the_cautions_of_its_artefact_and_its_controller() -> None:
    planned = ring_plan()
    sphere = planned.bench.artefact.model_copy(update={"kind": "sphere"})
    bench = planned.bench.model_copy(update={"artefact": sphere})
    assert OF_SPHERE in cautions_of(replace(planned, bench=bench))
    assert OF_UNGUARDED in cautions_of(replace(planned, program=planned.program.replace("G38.3", "G1")))
    waiting = planned.program + "(MSG, TOUCH 1: COPY THE DISPLAY, THEN START)"
    assert OF_PAUSED_TOUCH in cautions_of(replace(planned, program=waiting))


# ---- what is stated


def test_a_plan_from_files(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(_block_text(), encoding="utf-8")
    planned = plan_files(Wish("verification"), bench, None, None, no_bar)
    assert planned.bench == read_bench(bench)
    assert planned.choice.enough
    assert len(planned.schedule) == planned.design.directions * planned.design.touches
    same = plan_for(bench_with(artefact=BLOCK))
    assert planned.schedule.azimuth_deg.tolist() == same.schedule.azimuth_deg.tolist()
    assert "CAUTION 1" in planned.program


def _block_text() -> str:
    text = (bundled("data") / "bench.toml").read_text("utf-8")
    start, end = text.index("[artefact]"), text.index("[stylus]")
    block = '[artefact]\nkind = "block"\nsize_mm = [25, 9]\nheight_mm = 15.0\n\n'
    return text[:start] + block + text[end:]


@pytest.mark.parametrize("key", ["serial", "build"])
@pytest.mark.parametrize("text", UNPRINTABLE)
def test_a_serial_that_no_log_could_have_is_refused_before_it_is_planned(
    key: str, text: str, tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    old = {"serial": '"SK3-031"', "build": '"siskin-3"'}[key]
    escaped = '"' + "".join(f"\\u{ord(one):04x}" for one in text) + '"'
    bench.write_text(_block_text().replace(old, escaped), encoding="utf-8")
    with pytest.raises(BenchError, match=rf"{key} .*expected printable text"):
        plan_files(Wish("verification"), bench, None, None, no_bar)


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="no readable file"):
        plan_files(Wish("verification"), tmp_path / "none.toml", None, None, no_bar)
    with pytest.raises(LimitsError, match="no readable file"):
        plan_files(Wish("verification"), None, tmp_path / "none.toml", None, no_bar)


# ---- names that try to be something else


def hostile_plan(text: str) -> Planned:
    bench = bench_with(probe={"serial": text, "build": text}, machine={"name": text})
    return laid_out(replace(ring_plan(), bench=bench))


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_name_goes_through_a_plan_to_a_qualified_log_unchanged(text: str, tmp_path: Path) -> None:
    planned = hostile_plan(text)
    schedule = planned.schedule
    words = [line for line in planned.program.splitlines() if not line.startswith("(")]
    assert words == [line for line in ring_plan().program.splitlines() if not line.startswith("(")]
    (tmp_path / "plan.toml").write_text(plan_toml(planned), encoding="utf-8")
    (tmp_path / "plan.csv").write_text(plan_csv(planned), encoding="utf-8")
    (tmp_path / "log.txt").write_text("\n".join(console_of(ring_frame())) + "\n", encoding="utf-8")
    (test,) = import_log(tmp_path / "log.txt", Reading(plan=tmp_path, units="mm").told()).tests
    assert (test.record.serial, test.record.build) == (text, text)
    assert test.record.machine is not None
    assert test.record.machine.name == text
    assert np.allclose(test.frame["azimuth_deg"], schedule.azimuth_deg)


def test_all_files_of_a_hostile_plan_are_written_and_its_log_is_qualified(tmp_path: Path) -> None:
    text = "=1+1 )G0X0( \"' <b>&{#"
    write_plan(hostile_plan(text), tmp_path, now=NOW)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(FILES)
    (tmp_path / "log.txt").write_text("\n".join(console_of(ring_frame())) + "\n", encoding="utf-8")
    (test,) = import_log(tmp_path / "log.txt", Reading(plan=tmp_path, units="mm").told()).tests
    assert qualify(test, Limits()).record.serial == text
    for line in (tmp_path / "sheet.csv").read_text("utf-8").splitlines():
        assert line.startswith(("#", "touch,")) or line[0].isdigit()


def test_a_dialect_without_guarded_moves_plans_none() -> None:
    assert read_dialect("console").guarded_word
    plain = [name for name in ("display", "printing") if not read_dialect(name).guarded_word]
    for name in ("console", "display", "printing"):
        bench = bench_with().model_copy(update={"dialect": name})
        text = plan_toml(laid_out(replace(ring_plan(), bench=bench)))
        assert f"guarded = {'false' if name in plain else 'true'}" in text
