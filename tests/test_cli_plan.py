"""`probetest plan`, and what later commands make of a log of the plan: exit codes, files, sentences."""

from __future__ import annotations

import json
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from in_process import run_command
from plan_logs import native_of, ring_frame, ring_plan, transcript_of

from probetest.importers import read_plan_folder
from probetest.jobs.planning import FILES
from probetest.plan.written import plan_csv, plan_toml
from probetest.resources import bundled

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a bench that is planned quickly, a plan in a ring, and logs of it."""
    folder = tmp_path_factory.mktemp("bench")
    text = (bundled("data") / "bench.toml").read_text("utf-8")
    start, end = text.index("[artefact]"), text.index("[stylus]")
    block = '[artefact]\nkind = "block"\nsize_mm = [25, 9]\nheight_mm = 15.0\n\n'
    (folder / "block.toml").write_text(text[:start] + block + text[end:], encoding="utf-8")
    (folder / "ring").mkdir()
    (folder / "ring/plan.toml").write_text(plan_toml(ring_plan()), encoding="utf-8")
    (folder / "ring/plan.csv").write_text(plan_csv(ring_plan()), encoding="utf-8")
    program = ring_plan().program
    for name, touches in (("half", 48), ("part", 60), ("whole", 96)):
        lines = transcript_of(program, ring_frame().iloc[:touches])
        (folder / f"{name}.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def run(bench: Path) -> Run:
    """Run a command here; no error is ever a traceback."""

    def _run(*arguments: str, columns: int = 200) -> subprocess.CompletedProcess[str]:
        done = run_command(*arguments, cwd=bench, columns=columns)
        assert "Traceback" not in done.stdout + done.stderr
        return done

    return _run


# ---- planning


def test_a_plan_is_shown_and_nothing_is_written(run: Run, bench: Path) -> None:
    before = sorted(bench.iterdir())
    done = run("plan", "verification", "--bench", "block.toml")
    # A block leaves questions open, which the exit code says.
    assert (done.returncode, done.stderr) == (3, "")
    lines = done.stdout.splitlines()
    assert lines[0] == "SK3-031: verification"
    for words in ("shows, if the probe is as expected:", "does not show:"):
        at = lines.index(words)
        assert lines[at + 1].startswith("- ")
    assert lines[-1] == "Nothing written; --out DIR writes the program and the record sheet."
    assert sorted(bench.iterdir()) == before


def test_a_plan_is_written_and_a_later_command_takes_its_folder(run: Run, bench: Path) -> None:
    done = run("plan", "verification", "--bench", "block.toml", "--out", "new/plan", columns=80)
    # A block leaves questions open, which the exit code says.
    assert (done.returncode, done.stderr) == (3, "")
    assert sorted(path.name for path in (bench / "new/plan").iterdir()) == sorted(FILES)
    assert f"Written: new/plan/ ({', '.join(FILES)})" in " ".join(done.stdout.split())
    assert (
        done.stdout.splitlines()[-1] == "Read the cautions at the head of the program before a machine moves."
    )
    assert max(map(len, done.stdout.splitlines())) <= 80
    plan = read_plan_folder(bench / "new/plan").plan
    faces = {0.0: (-14.5, 0), 90.0: (0, -6.5), 180.0: (14.5, 0), 270.0: (0, 6.5)}
    rng = np.random.default_rng(5)
    places = np.array([faces[round(at)] for at in plan.azimuth_deg.tolist()])
    places = places + rng.normal(0, 0.0018, places.shape)
    lines = [f"[PRB:{x:.4f},{y:.4f},-8.0000:1]" for x, y in places]
    (bench / "block.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    checked = run("check", "block.txt", "--plan", "new/plan", "--units", "mm")
    assert checked.returncode == 0, checked.stderr
    assert f"serial SK3-031: {len(plan)} touches from 4 directions" in checked.stdout


def test_json_is_the_plan_and_nothing_else(run: Run) -> None:
    done = run("plan", "verification", "--bench", "block.toml", "--json")
    # A block leaves questions open, which the exit code says.
    assert (done.returncode, done.stderr) == (3, "")
    found = json.loads(done.stdout)
    assert found["purpose"] == "verification"
    assert done.stdout.rstrip().endswith("}")
    assert json.loads(run("plan", "verification", "--bench", "block.toml", "--json").stdout) == found


def test_a_plan_that_does_not_answer_all_ends_with_3(run: Run) -> None:
    done = run("plan", "verification", "--bench", "block.toml", "--minutes", "5", "--json")
    assert done.returncode == 3, done.stderr
    whole = json.loads(run("plan", "verification", "--bench", "block.toml", "--json").stdout)
    assert json.loads(done.stdout)["touches"] < whole["touches"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("verification",), "Missing option '--bench'"),
        (("walk", "--bench", "block.toml"), "Invalid value"),
        (("verification", "--bench", "none.toml"), "none.toml: found no readable file"),
        (("verification", "--bench", "ring"), "ring: found"),
        (("verification", "--bench", "half.txt"), "half.txt, line 1: found no valid TOML"),
        (("verification", "--bench", "block.toml", "--limits", "none.toml"), "none.toml: found no readable"),
        (("verification", "--bench", "block.toml", "--margins", "none.toml"), "none.toml: found no readable"),
        (("verification", "--bench", "block.toml", "--out", "half.txt"), "half.txt: the folder can't"),
        (("verification", "--bench", "block.toml", "--out", "half.txt/x"), "the folder can't be made"),
        (("verification", "--bench", "block.toml", "--minutes", "1"), "not even 2 touches"),
        (("verification", "--bench", "block.toml", "--looks", "2"), "without --looks"),
        (("verification", "--bench", "block.toml", "--looks", "21"), "--looks"),
        (("verification", "--bench", "block.toml", "--orientations", "4"), "--orientations 1"),
        (("verification", "--bench", "block.toml", "--overtravel"), "leave --overtravel out"),
        (("contacts", "--bench", "block.toml"), "a block has four directions"),
        (("service", "--bench", "block.toml"), "a block has four directions"),
        (("comparison", "--bench", "block.toml"), "a block has four directions"),
    ],
)  # fmt: skip
def test_what_can_not_be_planned_is_a_sentence(arguments: tuple[str, ...], words: str, run: Run) -> None:
    done = run("plan", *arguments)
    assert done.returncode == 2
    assert words in " ".join(done.stderr.split())
    assert done.stdout == ""


@pytest.mark.parametrize(
    "option",
    [
        "--chance",
        "--minutes",
        "--arm",
        "--sd-ratio",
        "--difference-mm",
        "--units-sd-share",
        "--units-variation-mm",
    ],
)
@pytest.mark.parametrize("value", ["nan", "inf", "-1", "x"])
def test_a_number_that_is_none_is_refused(option: str, value: str, run: Run) -> None:
    done = run("plan", "verification", "--bench", "block.toml", option, value)
    assert done.returncode == 2
    assert f"Invalid value for '{option}'" in done.stderr


# ---- logs of a plan


@pytest.mark.parametrize(
    ("log", "block", "words"),
    [
        ("half", 1, "Go on: touches 49 to 96 of the plan, then look again at the whole log."),
        ("part", 2, "Go on: touches 61 to 96 of the plan; only the end of a block decides."),
    ],
)
def test_a_look_at_a_planned_test(log: str, block: int, words: str, run: Run, bench: Path) -> None:
    out = f"look-{log}"
    done = run("qualify", f"{log}.txt", "--plan", "ring", "--units", "mm", "--out", out, "--no-pdf")
    assert done.returncode == 3, done.stderr
    assert f"SK3-031: {words}" in done.stdout
    found = json.loads((bench / out / "SK3-031/result.json").read_text("utf-8"))
    assert (found["look"]["block"], found["look"]["next"]) == (block, words)
    assert found["look"]["risk"] == found["limits"]["risk"] == pytest.approx(0.0304, abs=5e-5)
    assert found["outcomes"]["missed"] == 0


def test_a_planned_test_is_held_against_a_report(run: Run, bench: Path) -> None:
    arguments = ("--plan", "ring", "--units", "mm", "--no-pdf", "--out")
    run("qualify", "whole.txt", *arguments, "maker")
    done = run("verify", "whole.txt", "--against", "maker/SK3-031/result.json", *arguments, "here")
    assert done.returncode in (0, 3), done.stderr
    assert done.stdout.startswith("SK3-031 against its report: ")
    found = json.loads((bench / "here/SK3-031/verification.json").read_text("utf-8"))
    assert {one["name"]: one["verdict"] for one in found["agreement"]}["pooled_sd"] == "consistent"


def test_a_planned_test_goes_into_a_register_under_its_own_serial(run: Run, bench: Path) -> None:
    (bench / "other.csv").write_text(native_of(ring_frame(), serial="B-1"), encoding="utf-8")
    for log in ("whole.txt", "other.csv"):
        arguments = ("--plan", "ring", "--no-pdf", "--out", "kept", "--register", "all.sqlite")
        done = run("qualify", log, *arguments, *(("--units", "mm") if log == "whole.txt" else ()))
        assert done.returncode == 3, done.stderr
    assert "The plan was made for serial 'SK3-031', the log is of another one." in done.stdout
    assert sorted(path.name for path in (bench / "kept").iterdir()) == ["B-1", "SK3-031"]
    with sqlite3.connect(bench / "all.sqlite") as base:
        dump = "\n".join(base.iterdump())
    base.close()
    assert "B-1" in dump
    assert "SK3-031" in dump
    listed = run("register", "all.sqlite")
    assert listed.returncode == 0, listed.stderr


def test_a_converted_log_of_a_plan_needs_no_plan_and_still_fits_it(run: Run, bench: Path) -> None:
    done = run("convert", "half.txt", "--plan", "ring", "--units", "mm", "-o", "half.csv")
    assert done.returncode == 0, done.stderr
    assert "48 touches from 24 directions" in run("check", "half.csv").stdout
    joined = run("check", "half.csv", "--plan", "ring")
    assert joined.returncode == 0, joined.stderr
    assert "48 of 96, all from touch 49 on" in joined.stdout


@pytest.mark.parametrize("plan", ["none", "half.txt", "block.toml", "."])
def test_what_is_no_plan_is_a_sentence(plan: str, run: Run) -> None:
    done = run("check", "half.txt", "--plan", plan, "--units", "mm")
    assert done.returncode == 2
    assert "found" in done.stderr
    assert done.stdout.strip() == ""


def test_a_log_of_another_plan_is_a_sentence(run: Run, bench: Path) -> None:
    lines = transcript_of(ring_plan().program, ring_frame().iloc[::-1])
    (bench / "back.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("qualify", "back.txt", "--plan", "ring", "--units", "mm", "--no-pdf")
    assert done.returncode == 2
    assert "check that directions, plan or echoed moves belong to these touches" in done.stderr
