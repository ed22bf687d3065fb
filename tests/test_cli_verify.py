"""`probetest verify` as a buyer meets it: exit codes, files, sentences."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pypdf
import pytest
from in_process import run_command
from sample_probes import DemoProbe

from probetest.errors import ReportError
from probetest.jobs.batch import Options
from probetest.jobs.result import result_to_json
from probetest.jobs.verify import verification_to_json
from probetest.jobs.verifying import verify_log, write_verification
from probetest.report import render
from probetest.resources import bundled

DEMO = {"SK1-008": ("consistent", 0), "SK1-009": ("worse", 1), "SK2-001": ("can't tell", 3)}
ALL_FILES = ["verification.ipynb", "verification.json", "verification.pdf"]


def probetest(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "probetest", *arguments],
        cwd=cwd, capture_output=True, text=True, encoding="utf-8", check=False,
        env={**os.environ, "COLUMNS": "200", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip


def report_with(result: bytes) -> bytes:
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    writer.add_attachment("result.json", result)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@pytest.fixture
def bench(tmp_path: Path, demo_probes: dict[str, DemoProbe]) -> Path:
    """A folder with the buyer's logs and the maker's results."""
    received = bundled("data") / "demo" / "received"
    for serial in DEMO:
        shutil.copyfile(received / f"{serial}.csv", tmp_path / f"{serial}.csv")
        (tmp_path / f"{serial}.json").write_bytes(result_to_json(demo_probes[serial].found))
    return tmp_path


Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(bench: Path) -> Command:
    """Run a command of the program here: exit code, output, errors."""

    def run(*arguments: str, columns: int = 200) -> tuple[int, str, str]:
        done = run_command(*arguments, cwd=bench, columns=columns)
        return done.returncode, done.stdout, done.stderr

    return run


def files_in(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


# ---- what it says, and how it ends


@pytest.mark.parametrize("serial", DEMO)
def test_exit_code_and_screen_follow_the_verdict(serial: str, bench: Path, command: Command) -> None:
    word, code = DEMO[serial]
    arguments = ("verify", f"{serial}.csv", "--against", f"{serial}.json", "--out", "here", "--no-pdf")
    found, shown, errors = command(*arguments, columns=80)
    assert found == code, errors
    assert shown.splitlines()[0] == f"{serial} against its report: {word}"
    assert max(map(len, shown.splitlines())) <= 80
    assert files_in(bench / "here") == [serial, f"{serial}/verification.json"]
    assert json.loads((bench / "here" / serial / "verification.json").read_text("utf-8"))["verdict"] == word
    assert f"Written: here/{serial}/" in shown
    assert errors == ""


def test_program_of_its_own_ends_with_the_same_code(bench: Path) -> None:
    run = probetest("verify", "SK2-001.csv", "--against", "SK2-001.json", "--no-pdf", cwd=bench)
    assert (run.returncode, run.stderr) == (3, "")
    assert run.stdout.splitlines()[0] == "SK2-001 against its report: can't tell"


def test_screen_shows_every_figure_what_is_missing_and_what_to_do(bench: Path, command: Command) -> None:
    _, shown, _ = command("verify", "SK2-001.csv", "--against", "SK2-001.json", "--no-pdf")
    plain = json.loads((bench / "reports/SK2-001/verification.json").read_text("utf-8"))
    for one in plain["agreement"]:
        (line,) = [line for line in shown.splitlines() if line.startswith(one["label"] + "  ")]
        scale = 1000 if one["unit"] == "mm" else 100
        assert f"{scale * one['ours']:.2f} (" in line
        assert line.rstrip().endswith(one["verdict"])
    for one in plain["not_compared"]:
        assert f"not compared: {one['label']}: {one['reason']}" in shown
    for text in plain["advice"]:
        assert text in shown


def test_json_prints_only_json(bench: Path, command: Command) -> None:
    code, shown, errors = command("verify", "SK1-009.csv", "--against", "SK1-009.json", "--no-pdf", "--json")
    assert code == 1
    assert json.loads(shown) == json.loads((bench / "reports/SK1-009/verification.json").read_text("utf-8"))
    assert shown.isascii()
    assert errors == ""


def test_example_of_the_help_runs_and_gives_the_same_numbers_again(bench: Path, command: Command) -> None:
    _, text, _ = command("verify", "--help")
    example = re.search(r"Example: probetest (verify .*)", text)
    assert example is not None
    for words in ("0 consistent", "1 worse", "3 can't tell", "2 unusable"):
        assert words in " ".join(text.split())
    shutil.move(bench / "SK2-001.csv", bench / "received.csv")
    (bench / "report.pdf").write_bytes(report_with((bench / "SK2-001.json").read_bytes()))
    code, _, errors = command(*example[1].split())
    assert code == 3, errors
    folder = bench / "reports" / "SK2-001"
    assert files_in(folder) == ALL_FILES
    inside = pypdf.PdfReader(folder / "verification.pdf").attachments
    assert inside["verification.json"][0] == (folder / "verification.json").read_bytes()
    assert inside["trigger-log.csv"][0] == (bench / "received.csv").read_bytes()
    plain = json.loads((folder / "verification.json").read_text("utf-8"))
    for name, file in (("input", "received.csv"), ("against", "report.pdf")):
        assert plain[name]["file"] == file
        assert plain[name]["sha256"] == sha256((bench / file).read_bytes()).hexdigest()
    options = Options()
    verified = verify_log(bench / "received.csv", bench / "report.pdf", options)
    again = write_verification(verified, bench / "again", options, pdf=False)
    assert (again / "verification.json").read_bytes() == (folder / "verification.json").read_bytes()
    # The result beside the report says the same; only the file that was read is another.
    beside = verify_log(bench / "received.csv", bench / "SK2-001.json", options)
    other = json.loads(verification_to_json(beside.result))
    assert other.pop("against")["file"] == "SK2-001.json"
    assert other == {name: part for name, part in plain.items() if name != "against"}


# ---- mistakes


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.csv", "--against", "SK1-008.json"], "nowhere.csv"),
        (["SK1-008.csv", "--against", "nowhere.json"], "nowhere.json: the file can't be read"),
        (["SK1-008.csv", "--against", "."], ".: found no plain file"),
        (["SK1-008.csv", "--against", "/dev/zero"], "/dev/zero: found no plain file"),
        (["SK1-008.csv", "--against", "SK1-008.csv"], "SK1-008.csv: found no JSON"),
        (["SK1-008.csv", "--against", "SK1-009.json"], "found serial 'SK1-008'"),
        (["SK1-008.csv", "--against", "empty.pdf"], "the PDF is damaged"),
        (["SK1-008.csv", "--against", "bare.pdf"], "found 0 files 'result.json'"),
        (["SK1-008.csv", "--against", "coded.pdf"], "coded.pdf"),
        (["SK1-008.csv", "--against", "texts.json"], "texts.json"),
        (["SK1-008.csv", "--against", "escape.json"], "escape.json"),
        (["SK1-008.csv", "--against", "SK1-008.json", "--limits", "none.toml"], "none.toml"),
        (["SK1-008.csv", "--against", "SK1-008.json", "--out", "SK1-009.csv"], "choose another --out"),
        (["SK1-008.csv"], "--against"),
        ([], "LOG"),
    ],
    ids=lambda value: " ".join(value)[-40:] if isinstance(value, list) else "",
)  # fmt: skip
def test_mistake_ends_in_words_and_writes_nothing(
    arguments: list[str], words: str, bench: Path, command: Command
) -> None:
    result = (bench / "SK1-008.json").read_bytes()
    plain = json.loads(result)
    (bench / "empty.pdf").write_bytes(b"%PDF-1.7\n")
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    writer.write(bench / "bare.pdf")
    whole = report_with(result)
    (bench / "coded.pdf").write_bytes(re.sub(rb"/FlateDecode", b"/Unknown1234", whole))
    if b"/Unknown" not in (bench / "coded.pdf").read_bytes():
        coded = whole.replace(b"/Type /EmbeddedFile", b"/Type /EmbeddedFile\n/Filter /Unknown", 1)
        (bench / "coded.pdf").write_bytes(coded)
    texts = plain | {"repeatability": plain["repeatability"] | {"lower_mm": "0.001"}}
    (bench / "texts.json").write_text(json.dumps(texts))
    escape = plain | {"conditions": {"artefact": {"kind": "\x1b[2J\x07"}}}
    (bench / "escape.json").write_text(json.dumps(escape))
    before = files_in(bench)
    code, shown, errors = command("verify", *arguments, "--no-pdf")
    assert code == 2, shown + errors
    assert shown == ""
    assert words in errors
    assert "Traceback" not in errors
    assert "\x1b" not in errors
    assert files_in(bench) == before


def test_scatter_with_an_all_but_open_limit_is_not_compared(bench: Path, command: Command) -> None:
    plain = json.loads((bench / "SK1-008.json").read_text("utf-8"))
    tiny = plain | {"repeatability": plain["repeatability"] | {"lower_mm": 5e-324}}
    (bench / "tiny.json").write_text(json.dumps(tiny))
    code, shown, _ = command("verify", "SK1-008.csv", "--against", "tiny.json", "--no-pdf")
    assert code == 3
    assert "not compared: Repeatability (pooled sd): the earlier test did not resolve it" in shown


def test_control_signs_of_a_serial_never_reach_the_terminal(bench: Path, command: Command) -> None:
    plain = json.loads((bench / "SK1-008.json").read_text("utf-8"))
    (bench / "other.json").write_text(json.dumps(plain | {"serial": "\x1b[2J\x07bell"}))
    code, _, errors = command("verify", "SK1-008.csv", "--against", "other.json", "--no-pdf")
    assert code == 2
    assert "bell" in errors
    assert "\x1b" not in errors
    assert "\x07" not in errors


def test_failed_report_leaves_no_file(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> bytes:
        raise ReportError("the page can't be set.")

    monkeypatch.setattr(render.NotebookRunner, "run", lambda *_: None)
    monkeypatch.setattr(render, "notebook_to_pdf", fail)
    options = Options()
    verified = verify_log(bench / "SK2-001.csv", bench / "SK2-001.json", options)
    with pytest.raises(ReportError, match="can't be set"):
        write_verification(verified, bench / "out", options, pdf=True)
    assert [path for path in (bench / "out").rglob("*") if path.is_file()] == []


def test_file_that_can_not_be_replaced_is_named_and_leaves_no_draft(bench: Path) -> None:
    (bench / "out/SK2-001/verification.json").mkdir(parents=True)
    options = Options()
    verified = verify_log(bench / "SK2-001.csv", bench / "SK2-001.json", options)
    with pytest.raises(ReportError, match=r"verification\.json: found a folder"):
        write_verification(verified, bench / "out", options, pdf=False)
    assert files_in(bench / "out") == ["SK2-001", "SK2-001/verification.json"]


# ---- options


def test_serial_that_the_log_lacks_can_be_named(bench: Path, command: Command) -> None:
    log = (bench / "SK2-001.csv").read_text("utf-8")
    bare = log.replace('serial = "SK2-001"        # ', "", 1)
    assert bare != log
    (bench / "bare.csv").write_text(bare, encoding="utf-8")
    arguments = ("verify", "bare.csv", "--against", "SK2-001.json", "--no-pdf")
    code, _, errors = command(*arguments)
    assert (code, "--serial" in errors) == (2, True)
    code, shown, _ = command(*arguments, "--serial", "SK2-001")
    assert code == 3
    assert shown.startswith("SK2-001 against its report: can't tell")


def test_limits_of_the_buyer_stand_instead_of_the_makers(bench: Path) -> None:
    # So the help says; a maker's wide limits must not hide a difference that the buyer's would show.
    (bench / "tight.toml").write_text("max_pretravel_variation_mm = 0.0002\n", encoding="utf-8")
    options = Options(bench / "tight.toml")
    found = verify_log(bench / "SK1-008.csv", bench / "SK1-008.json", options).result
    assert found.found.limits.max_pretravel_variation_mm == 0.0002
    matters = {one.name: one.matters for one in found.agreements}
    assert matters["pretravel_variation"] == pytest.approx(0.0001)
    assert found.verdict == "can't tell"
