"""The command line as a user meets it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from in_process import run_command

from probetest.resources import bundled

HEAVY = ("pandas", "scipy", "matplotlib", "numpy", "pyarrow", "nbconvert", "rich", "pydantic")


def test_help_is_fast_and_light(tmp_path: Path) -> None:
    def once() -> float:
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "probetest", "--help"], cwd=tmp_path, check=True, capture_output=True
        )
        return time.perf_counter() - start

    # The bare interpreter starts in 0.02 s; the best of five is little disturbed by other work.
    assert min(once() for _ in range(5)) < 0.2


def test_help_imports_nothing_heavy(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "probetest", "--help"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in run.stderr.splitlines()}
    assert imported & set(HEAVY) == set()


@pytest.mark.parametrize("command", ["qualify", "check", "convert", "compare", "trend", "register", "demo"])
def test_each_command_has_help_with_an_example_or_reason(command: str, tmp_path: Path) -> None:
    run = run_command(command, "--help", cwd=tmp_path)
    assert run.returncode == 0
    assert len(run.stdout) > 200


@pytest.mark.parametrize(
    ("serials", "code"),
    [
        (["SK1-001", "SK2-001"], 0),
        (["SK1-001", "SK2-004", "SK2-003"], 1),
        (["SK1-001", "SK2-003"], 3),
    ],
    ids=["all pass", "one fails", "one undecided"],
)
def test_exit_code_follows_the_verdicts(
    serials: list[str], code: int, demo_folder: Path, tmp_path: Path
) -> None:
    logs = [str(demo_folder / f"{serial}.csv") for serial in serials]
    run = run_command("qualify", *logs, "--out", "out", "--no-pdf", cwd=tmp_path)
    assert run.returncode == code, run.stderr
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(serials)
    assert all(serial in run.stdout for serial in serials)


def test_screen_fits_80_columns(demo_folder: Path, tmp_path: Path) -> None:
    logs = [str(demo_folder / f"{serial}.csv") for serial in ("SK1-001", "SK2-004")]
    run = run_command("qualify", *logs, "--out", "out", "--no-pdf", cwd=tmp_path, columns=80)
    assert max(len(line) for line in run.stdout.splitlines()) <= 80
    assert "SK2-004" in run.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["qualify", "nowhere.csv"], "nowhere.csv"),
        (["qualify", "empty"], "folder"),
        (["qualify", "bad.csv"], "bad.csv, line"),
        (["qualify", "good.csv", "--limits", "none.toml"], "none.toml"),
        (["qualify", "good.csv", "--limits", "bad.toml"], "unknown key 'max_sd'"),
        (["qualify", "good.csv", "--columns", "none.toml"], "none.toml"),
        (["qualify"], "LOG"),
        (["qualify", "good.csv", "--units", "furlong"], "furlong"),
        (["qualify", "single.csv"], "touched more than once"),
        (["unknown"], "No such command"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_mistake_ends_in_words_and_writes_nothing(
    arguments: list[str], words: str, demo_folder: Path, tmp_path: Path
) -> None:
    good = (demo_folder / "SK1-001.csv").read_text(encoding="utf-8")
    (tmp_path / "good.csv").write_text(good, encoding="utf-8")
    (tmp_path / "empty").mkdir()
    (tmp_path / "bad.csv").write_text(good.replace(",trigger,", ",trigered,", 3), encoding="utf-8")
    (tmp_path / "bad.toml").write_text("max_sd = 1\n", encoding="utf-8")
    head = [line for line in good.splitlines() if line.startswith("#")]
    rows = [line for line in good.splitlines() if not line.startswith("#")]
    (tmp_path / "single.csv").write_text("\n".join([*head, *rows[:9]]) + "\n", encoding="utf-8")
    before = sorted(tmp_path.iterdir())
    run = run_command(*arguments, cwd=tmp_path)
    assert run.returncode == 2
    assert words in run.stderr
    assert "Traceback" not in run.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_control_signs_of_a_log_never_reach_the_terminal(demo_folder: Path, tmp_path: Path) -> None:
    good = (demo_folder / "SK1-001.csv").read_text(encoding="utf-8")
    serial = r'serial = "\u001b[2J\u0007bell"'
    head, rows = [], []
    for line in good.replace('serial = "SK1-001"', serial).splitlines():
        (head if line.startswith("#") else rows).append(line)
    (tmp_path / "whole.csv").write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")
    (tmp_path / "short.csv").write_text("\n".join([*head, *rows[:9]]) + "\n", encoding="utf-8")
    for command in (["check", "whole.csv"], ["qualify", "whole.csv", "--no-pdf"], ["qualify", "short.csv"]):
        run = run_command(*command, cwd=tmp_path)
        assert "\x1b[2J" not in run.stdout + run.stderr
        assert "\x07" not in run.stdout + run.stderr
        assert "bell" in run.stdout + run.stderr


def test_fault_of_the_program_is_not_taken_for_a_failed_probe(tmp_path: Path) -> None:
    code = (
        "import probetest.cli as c\n"
        "def broken(*a, **k): raise RuntimeError('broken')\n"
        "c.cli = broken\n"
        "c.main()\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert run.returncode == 70
    assert "RuntimeError: broken" in run.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_full_disk_is_one_sentence(demo_folder: Path, tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        run = subprocess.run(
            [sys.executable, "-m", "probetest", "check", str(demo_folder / "SK1-001.csv")],
            cwd=tmp_path, stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert run.returncode != 1
    assert "Traceback" not in run.stderr


def test_reader_that_goes_away_is_not_taken_for_a_failed_probe(demo_folder: Path, tmp_path: Path) -> None:
    logs = [str(path) for path in sorted(demo_folder.glob("*.csv"))]
    run = subprocess.Popen(
        [sys.executable, "-m", "probetest", "check", *logs],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert run.stdout is not None
    run.stdout.readline()
    run.stdout.close()
    _, errors = run.communicate()
    assert run.returncode == 2
    assert b"Traceback" not in errors


def test_check_says_what_it_understood_and_writes_nothing(demo_folder: Path, tmp_path: Path) -> None:
    run = run_command("check", str(demo_folder / "SK1-006.csv"), cwd=tmp_path)
    assert run.returncode == 0
    for part in (
        "SK1-006",
        "units mm",
        "24 directions",
        "3 missed",
        "1 open at start",
        "1 false",
        "baseline",
    ):
        assert part in run.stdout
    assert list(tmp_path.iterdir()) == []


def test_check_shows_every_problem_with_its_place(demo_folder: Path, tmp_path: Path) -> None:
    good = (demo_folder / "SK1-001.csv").read_text(encoding="utf-8")
    (tmp_path / "bad.csv").write_text(good.replace(",trigger,", ",trigered,", 25), encoding="utf-8")
    run = run_command("check", "bad.csv", str(demo_folder / "SK1-002.csv"), cwd=tmp_path)
    assert run.returncode == 2
    assert run.stderr.count("trigered") == 1
    assert "bad.csv, line 7, column outcome: found 'trigered'" in run.stderr
    assert "the same 19 times more: lines 8, 9, 10" in run.stderr
    assert "25 problems" in run.stderr
    assert "5 more" in run.stderr
    assert "SK1-002" in run.stdout


def test_demo_qualifies_its_own_copies(tmp_path: Path) -> None:
    run = run_command("demo", "d", "--no-pdf", cwd=tmp_path)
    assert run.returncode == 1
    results = sorted((tmp_path / "d").glob("SK*/result.json"))
    assert len(results) == 16
    found = {json.loads(file.read_text(encoding="utf-8"))["verdict"] for file in results}
    assert found == {"pass", "fail", "undecided"}
    assert (tmp_path / "d" / "logs" / "truth.json").is_file()


# ---- logs of other shapes

ABOUT = ("--about", "about.toml", "--units", "mm")


@pytest.fixture
def gallery(tmp_path: Path) -> Path:
    folder = tmp_path / "logs"
    shutil.copytree(bundled("data") / "logs", folder)
    return folder


def test_check_as_json_prints_only_json_on_the_standard_output(gallery: Path) -> None:
    run = run_command("check", "bracketed-result.txt", "no-such.txt", *ABOUT, "--json", cwd=gallery)
    assert run.returncode == 2
    found, gone = json.loads(run.stdout)["files"]
    assert (found["file"], found["shape"], found["units"]) == (
        "bracketed-result.txt",
        "bracketed-result",
        "mm",
    )
    assert (found["touches"], found["misses"], len(found["directions"])) == (60, 1, 12)
    assert found["orientations"] == [0.0]
    assert found["series"] == [
        {"serial": "SK2-101", "stage": "baseline", "orientation_deg": 0.0, "rows": 60, "directions": 12}
    ]
    assert found["skipped"] == [
        {
            "line": 154,
            "reason": "no contact: its position is the end of the travel, no touch; counted as a miss",
        }
    ]
    assert found["problems"] == []
    assert gone["shape"] is None
    assert gone["problems"] == [
        {
            "line": None,
            "column": None,
            "found": "no such file",
            "expected": "a trigger log",
            "action": "check the path",
        }
    ]


def test_check_says_what_was_skipped_and_kept(gallery: Path) -> None:
    run = run_command("check", "labelled-values.txt", "bracketed-result.txt", *ABOUT, cwd=gallery)
    assert run.returncode == 0
    assert "kept: line 20: 1 touch equals the one before it" in run.stdout
    assert "skipped: line 154: no contact" in run.stdout


@pytest.mark.parametrize(
    ("log", "option"),
    [
        ("echoed-console.txt", "--feeds slow"),
        ("json-result-lines.txt", "--direction X+"),
        ("copied-display.txt", "--direction X+"),
    ],
)
def test_what_only_the_user_knows_is_asked_for_by_its_option(log: str, option: str, gallery: Path) -> None:
    run = run_command("check", log, *ABOUT, cwd=gallery)
    assert run.returncode == 2
    assert option in run.stderr
    assert "Traceback" not in run.stderr


def test_units_that_are_not_stated_are_asked_for(gallery: Path) -> None:
    run = run_command("check", "bracketed-result.txt", "--about", "about.toml", cwd=gallery)
    assert run.returncode == 2
    assert "give --units mm or --units inch; G20 and G21 in a log do not decide it" in run.stderr


def test_a_converted_log_needs_no_answers_and_keeps_the_lines(gallery: Path) -> None:
    run = run_command("convert", "bracketed-result.txt", "-o", "native.csv", *ABOUT, cwd=gallery)
    assert run.returncode == 0, run.stderr
    assert "Written: native.csv" in run.stdout
    judged = run_command("qualify", "native.csv", "--out", "out", "--no-pdf", cwd=gallery)
    assert judged.returncode == 1, judged.stderr  # one missed approach is one too many
    result = json.loads((gallery / "out/SK2-101/result.json").read_text(encoding="utf-8"))
    assert [flag["line"] for flag in result["flags"] if flag["kind"] == "missed"] == [154]
    assert result["conditions"]["origin"]["file"] == "bracketed-result.txt"


def test_convert_does_not_write_over_the_log(gallery: Path) -> None:
    before = (gallery / "bracketed-result.txt").read_bytes()
    run = run_command("convert", "bracketed-result.txt", "-o", "bracketed-result.txt", *ABOUT, cwd=gallery)
    assert run.returncode == 2
    assert "the log itself would be overwritten" in run.stderr
    assert (gallery / "bracketed-result.txt").read_bytes() == before


def test_convert_of_a_log_with_problems_writes_nothing(gallery: Path) -> None:
    run = run_command("convert", "echoed-console.txt", "-o", "native.csv", *ABOUT, cwd=gallery)
    assert run.returncode == 2
    assert not (gallery / "native.csv").exists()


def test_a_report_is_made_with_the_same_answers(gallery: Path) -> None:
    plan = ("--plan", "plan.csv")
    run = run_command("qualify", "json-result-lines.txt", *ABOUT, *plan, "--out", "out", cwd=gallery)
    assert run.returncode == 1, run.stderr
    result = json.loads((gallery / "out/SK2-101/result.json").read_text(encoding="utf-8"))
    assert result["input"]["shape"] == "json-result-lines"
    assert [one["line"] for one in result["input"]["skipped"]] == [62]
    assert (gallery / "out/SK2-101/report.pdf").read_bytes().startswith(b"%PDF-")
