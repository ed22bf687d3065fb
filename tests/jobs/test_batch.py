"""Files in, folders out: names, doubles, all or nothing, what travels in the report."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pypdf
import pytest

from probetest.errors import ImportDataError, ProbetestError, ReportError
from probetest.jobs.batch import Options, folder_name, open_test, qualify_jobs, read_jobs, write_results
from probetest.limits import Limits


def run(logs: list[Path], out: Path, *, pdf: bool = False) -> list[Path]:
    options = Options()
    results = qualify_jobs(read_jobs(logs, options), options.read_limits())
    return list(write_results(results, out, options, pdf=pdf))


@pytest.mark.parametrize(
    "serial",
    [
        "../../etc/passwd", "/abs", "..", ".", "", "a/b", "a\\b", "CON", "nul.txt", "x" * 300, "tail.",
        " lead", "-rf", "semi;colon", "nul\x00byte", "\u202egnp", "\ud800", "*?", "~root", "$HOME", "a\nb",
    ],
    ids=repr,
)  # fmt: skip
def test_folder_of_a_strange_serial_stays_inside(serial: str, tmp_path: Path) -> None:
    name = folder_name(serial)
    folder = tmp_path / name
    folder.mkdir()
    assert folder.resolve().parent == tmp_path.resolve()
    assert name.isascii()
    assert len(name) < 90
    assert name[0].isalnum()


def test_folders_of_strange_serials_differ() -> None:
    serials = ["a/b", "a\\b", "a b", "a?b", "a:b"]
    assert len({folder_name(serial) for serial in serials}) == len(serials)


def test_plain_serial_is_its_own_folder() -> None:
    assert folder_name("SK1-001") == "SK1-001"


def test_result_only(demo_folder: Path, tmp_path: Path) -> None:
    (folder,) = run([demo_folder / "SK1-001.csv"], tmp_path)
    assert [file.name for file in folder.iterdir()] == ["result.json"]
    assert json.loads((folder / "result.json").read_text(encoding="utf-8"))["verdict"] == "pass"


def test_one_bad_log_leaves_nothing_written(demo_folder: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text((demo_folder / "SK1-001.csv").read_text(encoding="utf-8").replace("trigger", "triger", 2))
    out = tmp_path / "out"
    with pytest.raises(ImportDataError, match="triger"):
        run([demo_folder / "SK1-002.csv", bad], out)
    assert not out.exists()


def test_same_serial_twice_is_refused(demo_folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.csv"
    shutil.copyfile(demo_folder / "SK1-001.csv", copy)
    with pytest.raises(ProbetestError, match=r"serial 'SK1-001'.*the same bytes"):
        read_jobs([demo_folder / "SK1-001.csv", copy], Options())


def test_folder_that_can_not_be_made(demo_folder: Path, tmp_path: Path) -> None:
    blocker = tmp_path / "file"
    blocker.write_text("")
    with pytest.raises(ReportError, match="can't be made"):
        run([demo_folder / "SK1-001.csv"], blocker)


def test_open_test_without_a_log_takes_the_demo() -> None:
    triggers, limits = open_test("", "", "", {})
    assert triggers.record.serial == "SK1-001"
    assert limits == Limits()


def test_open_test_names_a_serial_that_is_not_there(demo_folder: Path) -> None:
    with pytest.raises(ReportError, match="no serial 'X'"):
        open_test(str(demo_folder / "SK1-001.csv"), "X", "", {})


@pytest.fixture(scope="module")
def report(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    run([demo_folder / "SK1-006.csv", demo_folder / "SK1-007.csv"], out, pdf=True)
    return out


def test_three_files_for_each_serial(report: Path) -> None:
    found = {
        serial: sorted(file.name for file in (report / serial).iterdir()) for serial in ("SK1-006", "SK1-007")
    }
    assert found == {serial: ["report.ipynb", "report.pdf", "result.json"] for serial in found}


def test_report_says_what_the_result_says(report: Path) -> None:
    result = json.loads((report / "SK1-007" / "result.json").read_text(encoding="utf-8"))
    pages = pypdf.PdfReader(report / "SK1-007" / "report.pdf").pages
    first = pages[0].extract_text()
    assert "Undecided" in first
    assert "SK1-007" in first
    assert f"{1000 * result['repeatability']['sd_mm']:.2f}" in first
    whole = " ".join(page.extract_text() for page in pages)
    assert result["input"]["sha256"][:40] in whole.replace("\n", "")
    assert "not an accredited calibration certificate" in whole.replace("\n", " ")
    assert f"page {len(pages)} of {len(pages)}" in pages[-1].extract_text()


def test_result_and_log_travel_inside_the_report(report: Path, demo_folder: Path) -> None:
    inside = pypdf.PdfReader(report / "SK1-006" / "report.pdf").attachments
    assert inside["trigger-log.csv"][0] == (demo_folder / "SK1-006.csv").read_bytes()
    assert inside["result.json"][0] == (report / "SK1-006" / "result.json").read_bytes()


def test_same_log_gives_the_same_report(report: Path, demo_folder: Path, tmp_path: Path) -> None:
    # The second of two on a kept kernel there, the first on a fresh one here.
    run([demo_folder / "SK1-007.csv"], tmp_path, pdf=True)
    assert (tmp_path / "SK1-007" / "report.pdf").read_bytes() == (
        report / "SK1-007" / "report.pdf"
    ).read_bytes()


def test_hostile_serial_and_notes_print_literally(demo_folder: Path, tmp_path: Path) -> None:
    text = (demo_folder / "SK1-002.csv").read_text(encoding="utf-8")
    hostile = '#panic(\\"x\\") $y$ ../../z <b>'
    log = tmp_path / "hostile.csv"
    log.write_text(text.replace('serial = "SK1-002"', f'serial = "{hostile}"'), encoding="utf-8")
    (folder,) = run([log], tmp_path / "out", pdf=True)
    assert folder.parent == tmp_path / "out"
    first = pypdf.PdfReader(folder / "report.pdf").pages[0].extract_text()
    assert '#panic("x") $y$ ../../z <b>' in first


def test_log_that_changes_meanwhile_is_noticed(demo_folder: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    shutil.copyfile(demo_folder / "SK1-001.csv", log)
    options = Options()
    results = qualify_jobs(read_jobs([log], options), Limits())
    log.write_text(log.read_text(encoding="utf-8") + "# one more line\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"log changed|after the first row|#"):
        list(write_results(results, tmp_path / "out", options, pdf=True))
    assert not list((tmp_path / "out").rglob("report.pdf"))
