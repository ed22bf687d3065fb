"""A folder of logs from the command line: a stop in the middle, several processes, misuse."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner, Result
from small_logs import write_small_log

from probetest.cli import cli
from probetest.errors import ProbetestError
from probetest.jobs.batch import Options
from probetest.jobs.journal import NAME
from probetest.jobs.shop import REGISTER, SUMMARY, Shop, find_logs, run_batch
from probetest.register import Head, Register
from probetest.screen.register import print_register

MANY = 11


def start(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    """The command in a session of its own, so that all its processes can be killed at once."""
    return subprocess.Popen(
        [sys.executable, "-m", "probetest", *arguments],
        cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8",
        start_new_session=True, env={**os.environ, "COLUMNS": "200", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip


def finish(command: subprocess.Popen[str]) -> tuple[int, str, str]:
    out, error = command.communicate(timeout=120)
    assert "Traceback" not in error
    return command.returncode, out, error


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many") / "logs"
    for number in range(MANY):
        write_small_log(folder / f"{number:02d}.csv", f"S-{number:02d}", number)
    # Two logs of one serial.
    write_small_log(folder / "03-again.csv", "S-03", 99)
    return folder


@pytest.fixture(scope="module", autouse=True)
def nobody_there(tmp_path_factory: pytest.TempPathFactory, many: Path) -> Iterator[subprocess.Popen[str]]:
    """Waits in vain for 10 s while the other tests run."""
    cwd = tmp_path_factory.mktemp("nobody")
    log = shutil.copyfile(many / "01.csv", write_small_log(cwd / "logs" / "a.csv", "S-1", 1))
    assert log.is_file()
    command = start("qualify", "logs", "--no-pdf", "--cluster", "tcp://127.0.0.1:1", cwd=cwd)
    yield command
    if command.poll() is None:
        command.kill()
    command.communicate()


def results(out: Path) -> dict[str, bytes]:
    return {file.parent.name: file.read_bytes() for file in out.glob("*/result.json")}


def kept(out: Path) -> list[tuple[str, str]]:
    with Register(out / REGISTER, create=False) as base:
        return sorted((entry.serial, entry.result_sha256) for entry in base.entries(every=True))


def journal_lines(out: Path) -> list[str]:
    """Whole lines of the journal, each once."""
    path = out / NAME
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    return [line for line in text.split("\n")[:-1] if line]


@pytest.mark.skipif(os.name != "posix", reason="sessions of POSIX")
def test_killed_batch_keeps_what_it_wrote_and_goes_on(many: Path, tmp_path: Path) -> None:
    logs, out = Path(shutil.copytree(many, tmp_path / "logs")), tmp_path / "out"
    command = start("qualify", "logs", "--out", "out", "--no-pdf", "--workers", "2", cwd=tmp_path)
    deadline = time.monotonic() + 60
    while len(journal_lines(out)) < 3 and command.poll() is None and time.monotonic() < deadline:
        time.sleep(0.005)
    os.killpg(command.pid, signal.SIGKILL)
    command.communicate()
    assert command.returncode == -signal.SIGKILL
    told = [json.loads(line) for line in journal_lines(out)]
    assert 3 <= len(told) < MANY + 1
    for one in (one for line in told for one in line["written"]):
        for name, digest in one["files"].items():
            assert sha256((out / one["folder"] / name).read_bytes()).hexdigest() == digest
        assert (one["row"]["serial"], one["files"]["result.json"]) in set(kept(out))
    with closing(sqlite3.connect(out / REGISTER)) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]

    code, shown, _ = finish(
        start("qualify", "logs", "--out", "out", "--no-pdf", "--workers", "1", cwd=tmp_path)
    )
    assert code in (0, 1, 3)
    assert f"{MANY + 1} serials: " in shown
    assert f"{len(told)} of them were there from an earlier run" in shown
    # One worker from nothing, where two were at it: the same bytes in the same folders, each test once.
    alone = tmp_path / "alone"
    list(run_batch(find_logs([logs], alone), Options(), Shop(alone, False, 1, register=alone / REGISTER)))
    assert results(out) == results(alone)
    assert len(results(out)) == MANY + 1
    assert kept(out) == kept(alone)
    assert len(kept(out)) == MANY + 1
    with (out / SUMMARY).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["log"] for row in rows] == [log.name for log in find_logs([logs], out)]
    assert sorted(row["folder"] for row in rows) == sorted(results(out))
    folder_of = {row["log"]: row["folder"] for row in rows}
    assert (folder_of["03.csv"], folder_of["03-again.csv"]) == ("S-03", "S-03-03-again")


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["qualify", *arguments], env={"COLUMNS": "200"})


def test_bad_log_ends_with_code_2_and_stops_nothing(
    many: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    logs = tmp_path / "logs"
    logs.mkdir()
    shutil.copyfile(many / "00.csv", logs / "00.csv")
    (logs / "bad\x1b[2J.csv").write_bytes(b"\x00\x1b[2J no log\n" * 50)
    run = invoke("logs", "--no-pdf", "--no-register")
    assert run.exit_code == 2
    shown = run.output
    assert "1 serial: " in shown
    assert "can't be used: " in shown
    assert "\x1b" not in shown
    out = tmp_path / "reports"
    assert sorted(path.name for path in out.iterdir()) == [NAME, "S-00", SUMMARY]
    assert len((out / SUMMARY).read_text(encoding="utf-8").splitlines()) == 3


def test_folder_and_single_log_give_the_same_test(
    many: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = tmp_path / "logs"
    logs.mkdir()
    shutil.copyfile(many / "05.csv", logs / "05.csv")
    code, _, error = finish(start("qualify", "logs", "--out", "folder", "--register", "own.db", cwd=tmp_path))
    assert (code in (0, 1, 3), error) == (True, "")
    monkeypatch.chdir(tmp_path)
    single = invoke("logs/05.csv", "--out", "single", "--register", "own.db", "--no-pdf")
    assert single.exit_code == code
    assert "S-05: this log is in the register already, with the same result" in single.output
    folder = tmp_path / "folder" / "S-05"
    assert sorted(file.name for file in folder.iterdir()) == ["report.ipynb", "report.pdf", "result.json"]
    assert results(tmp_path / "folder") == results(tmp_path / "single")
    inside = pypdf.PdfReader(folder / "report.pdf").attachments
    assert inside["result.json"][0] == (folder / "result.json").read_bytes()
    assert not (tmp_path / "folder" / REGISTER).exists()
    with Register(tmp_path / "own.db", create=False) as base:
        (head,) = base.heads()
    assert (head.serial, head.judgements) == ("S-05", 1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["logs", "--register", "r.sqlite", "--no-register"], "contradict each other"),
        (["logs/05.csv", "--again"], "are for folders of logs"),
        (["logs/05.csv", "--workers", "2"], "are for folders of logs"),
        (["logs/05.csv", "--cluster", "tcp://127.0.0.1:1"], "are for folders of logs"),
        (["logs", "--workers", "-1"], "--workers"),
        (["empty"], "found no log in this folder"),
        (["logs", "--register", "logs"], "logs: the register can't be opened"),
        (["logs", "--register", "logs/05.csv"], "the register can't be used"),
        (["logs", "--out", "blocker"], "can't be made"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_misuse_ends_in_a_sentence(
    arguments: list[str], words: str, many: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logs").mkdir()
    (tmp_path / "empty").mkdir()
    (tmp_path / "blocker").write_text("in the way")
    log = Path(shutil.copyfile(many / "05.csv", tmp_path / "logs" / "05.csv"))
    before = log.read_bytes()
    run = invoke(*arguments, "--no-pdf")
    # The usual end turns errors of this package into sentences and code 2.
    told = str(run.exception) if isinstance(run.exception, ProbetestError) else run.output
    assert isinstance(run.exception, ProbetestError) or run.exit_code == 2
    assert words in told
    assert log.read_bytes() == before
    assert not list(tmp_path.rglob("result.json"))


HEADS = [
    Head(
        "qualification", "SK3-002", "siskin-3", "2026-05-07", "SK3-002-again1.csv", "1", "undecided", 360, 2
    ),
    Head("verification", "SK3-002", "siskin-3", "2026-05-08", "a" * 60 + ".csv", "1", "pass", 360, 1),
    Head("service", "SK3-004", None, None, "SK3-004-stages.csv", "1", "fail", 12_345, 1),
]


@pytest.mark.parametrize("columns", [80, 120])
def test_register_breaks_no_word(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    print_register(Path("r.sqlite"), HEADS)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= columns
    words = " ".join(lines).split()
    for word in ("SK3-002", "siskin-3", "2026-05-07", "qualified", "verified", "service", "undecided",
                 "SK3-002-again1.csv", "SK3-004-stages.csv"):  # fmt: skip
        assert word in words
    # A long name goes on below, and nothing of it is lost.
    assert "".join(lines).count("a" * 10) >= 3
    assert sum(line.count("a") for line in lines if "aaa" in line) >= 60
    assert ("touches" in words, "12345" in words) == (columns == 120, columns == 120)
    assert lines[-1] == "r.sqlite: 3 tests of 2 serials"


def test_cluster_with_nobody_there_is_told(nobody_there: subprocess.Popen[str]) -> None:
    code, shown, error = finish(nobody_there)
    assert (code, shown) == (2, "")
    assert error.splitlines()[-1] == "probetest: --cluster tcp://127.0.0.1:1: no scheduler answers there."
