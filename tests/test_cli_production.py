"""`probetest compare` and `probetest trend` as a maker meets them: exit codes, files, sentences."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from in_process import run_command
from sample_production import demo_entry, results

from probetest.register import Register

Command = Callable[..., tuple[int, str, str]]

THIRD = [f"SK3-{number:03d}" for number in range(1, 15)]
FOURTH = [f"SK4-{number:03d}" for number in range(1, 9)]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the results of the demo, a register of a few, field reports, and files that are wrong."""
    folder = tmp_path_factory.mktemp("bench")
    for name, data in results().items():
        (folder / f"{name}.json").write_bytes(data)
    with Register(folder / "register.sqlite") as base:
        for name in ("SK3-001", "SK3-002", "SK4-001", "SK4-002"):
            base.store(demo_entry(name))
    with Register(folder / "empty.sqlite"):
        pass
    base_of_others = sqlite3.connect(folder / "other.sqlite")
    base_of_others.execute("CREATE TABLE mine (id INTEGER)")
    base_of_others.close()
    (folder / "text.sqlite").write_text("no register")
    (folder / "bad.json").write_text("{}")
    (folder / "bad.toml").write_text("risk = 7\n")
    (folder / "bad.csv").write_text("serial,touches\nA,-1\n")
    (folder / "field.csv").write_text("serial,touches,misses\nA,1000,0\nB,500,1\n")
    (folder / "folder").mkdir()
    return folder


@pytest.fixture
def command(bench: Path) -> Command:
    """Run a command of the program here: exit code, output, errors."""

    def run(*arguments: str, columns: int = 200) -> tuple[int, str, str]:
        done = run_command(*arguments, cwd=bench, columns=columns)
        return done.returncode, done.stdout, done.stderr

    return run


def files_in(folder: Path) -> list[str]:
    # SQLite keeps files of its own beside a register while it is open.
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if "sqlite-" not in p.name)


def of(*names: str) -> list[str]:
    return [f"{name}.json" for name in names]


def of_artefacts(folder: Path, kinds: dict[str, str]) -> list[str]:
    """The results of the demo as if they were made on other artefacts."""
    (folder / "turned").mkdir(exist_ok=True)
    for name, kind in kinds.items():
        plain: dict[str, Any] = json.loads(results()[name])
        plain["conditions"]["artefact"]["kind"] = kind
        (folder / "turned" / f"{name}.json").write_text(json.dumps(plain))
    return [f"turned/{name}.json" for name in kinds]


# ---- compare


def test_compare_shows_and_writes_what_it_found(bench: Path, command: Command) -> None:
    before = files_in(bench)
    code, shown, errors = command(
        "compare", *of(*THIRD, *FOURTH, "SK3-002-again1"), "--out", "one/two", "--no-pdf", columns=100
    )
    # No unit missed, which is no proof that misses are alike; that alone is open and does not count.
    assert (code, errors) == (0, "")
    assert sorted(set(files_in(bench)) - set(before)) == ["one", "one/two", "one/two/comparison.json"]
    assert shown.splitlines()[0] == "build: siskin-3 14 units, siskin-4 8 units"
    assert max(map(len, shown.splitlines()[:8])) <= 100
    assert "mean pre-travel steps from SK3-011 on" in " ".join(shown.split())
    for words in ("Mean pre-travel", "different", "equivalent", "can't tell", "not in turns", "SK3-002"):
        assert words in shown
    assert "Written: one/two/" in shown
    plain = json.loads((bench / "one/two/comparison.json").read_text("utf-8"))
    verdicts = {one["name"]: one["verdict"] for one in plain["figures"]}
    assert verdicts.pop("miss_rate") == "can't tell"
    assert set(verdicts.values()) == {"different", "equivalent"}


def test_compare_by_artefact(bench: Path, command: Command) -> None:
    kinds = {name: "ring" if number % 2 else "boss" for number, name in enumerate(THIRD[:6])}
    files = of_artefacts(bench, kinds)
    options = ("--by", "artefact", "--out", "a", "--no-pdf", "--json")
    code, shown, errors = command("compare", *files, *options)
    assert (code, errors) == (3, "")
    plain = json.loads(shown)
    assert plain["by"] == "artefact"
    assert {kind: len(units) for kind, units in plain["builds"].items()} == {"boss": 3, "ring": 3}
    assert not any("differ in artefact" in text for text in plain["remarks"])


def test_compare_json_prints_only_json(bench: Path, command: Command) -> None:
    arguments = ("compare", *of(*THIRD[:3], *FOURTH[:3]), "--out", "plain", "--no-pdf", "--json")
    code, shown, errors = command(*arguments)
    assert (code, errors) == (3, "")
    assert shown.isascii()
    assert json.loads(shown) == json.loads((bench / "plain/comparison.json").read_text("utf-8"))


def test_compare_reads_a_register_and_options_act(bench: Path, command: Command) -> None:
    (bench / "wide.toml").write_text("mean_pretravel_mm = 1.0\nvariation_mm = 1.0\n")
    arguments = ("compare", "--register", "register.sqlite", "--margins", "wide.toml", "--no-pdf", "--json")
    code, shown, _ = command(*arguments, "--only", "siskin-4", "--only", "siskin-3", "--last", "--out", "r")
    plain = json.loads(shown)
    assert code == 3
    assert list(plain["builds"]) == ["siskin-4", "siskin-3"]
    verdicts = {one["name"]: one["verdict"] for one in plain["figures"]}
    assert verdicts["mean_pretravel"] == "equivalent"
    assert plain["builds"]["siskin-4"][0]["from"] == "SK4-001.csv in register.sqlite"


def test_damaged_result_beside_good_ones_is_told(bench: Path, command: Command) -> None:
    code, shown, _ = command("compare", "bad.json", *of(*THIRD[:2], *FOURTH[:2]), "--out", "d", "--no-pdf")
    assert code == 3
    assert "can't be used: " in shown
    assert "bad.json" in shown
    assert json.loads((bench / "d/comparison.json").read_text("utf-8"))["problems"]


def test_stages_are_compared_by_name(bench: Path, command: Command) -> None:
    arguments = of("SK3-004-stages", "SK3-005-stages")
    only = ("--only", "baseline", "--only", "after_overtravel")
    code, shown, _ = command(
        "compare", *arguments, "--by", "stage", *only, "--out", "s", "--no-pdf", "--json"
    )
    plain = json.loads(shown)
    assert code in (0, 3)
    assert {one["design"] for one in plain["figures"]} == {"paired"}
    assert {one["name"] for one in plain["figures"]} == {"sd", "variation"}
    assert (bench / "s").is_dir()


# ---- trend


def test_trend_shows_and_writes_what_it_found(bench: Path, command: Command) -> None:
    before = files_in(bench)
    again = [f"SK3-002-again{number}" for number in range(1, 5)]
    code, shown, errors = command("trend", *of(*THIRD, *again), "--out", "t", "--no-pdf", columns=100)
    assert (code, errors) == (1, "")
    assert sorted(set(files_in(bench)) - set(before)) == ["t", "t/trend.json"]
    for words in ("a step at SK3-011", "SK3-002, Repeatability", "grows by", "look first", "Written: t/"):
        assert words in shown
    assert max(map(len, shown.splitlines()[-30:-2])) <= 100


def test_quiet_trend_ends_with_0_and_ships(bench: Path, command: Command) -> None:
    code, shown, errors = command("trend", *of(*FOURTH), "--out", "q", "--no-pdf")
    assert (code, errors) == (0, "")
    assert "Nothing stands out on 5 charts" in shown
    assert "ship " in shown
    code, shown, _ = command("trend", *of(*FOURTH), "--ramp", "--out", "q", "--no-pdf")
    assert code == 0
    assert "Nothing stands out" not in shown
    assert "Units with a fault" in shown
    assert (bench / "q/trend.json").is_file()


def test_field_reports_decide(bench: Path, command: Command) -> None:
    (bench / "faulty.csv").write_text("serial,fault\nA,yes\nB,yes\nC,no\n")
    arguments = ("trend", *of(*FOURTH), "--out", "f", "--no-pdf")
    code, shown, _ = command(*arguments, "--field", "faulty.csv")
    assert code == 1
    assert "3 units, 2 with a fault, by field reports: wait" in shown
    assert "units with a fault among the first few: 2, more than 0" in shown
    (bench / "strong.toml").write_text("can_repair = 3\n")
    code, shown, _ = command(*arguments, "--field", "faulty.csv", "--margins", "strong.toml")
    assert code == 1, shown
    (bench / "five.csv").write_text("serial,fault\nA,yes\nB,yes\nC,no\nD,no\nE,no\n")
    for margins, expected in (([], 1), (["--margins", "strong.toml"], 0)):
        code, shown, _ = command(*arguments, "--field", "five.csv", *margins)
        assert code == expected, shown
    (bench / "mended.csv").write_text("serial,fault,cause_removed\nA,yes,yes\nB,yes,yes\nC,no,\n")
    code, shown, _ = command(*arguments, "--field", "mended.csv")
    assert code == 0, shown
    assert "Units with a fault: 2 of 3" in shown
    code, shown, _ = command(*arguments, "--field", "field.csv", "--json")
    plain = json.loads(shown)
    assert plain == json.loads((bench / "f/trend.json").read_text("utf-8"))
    assert (plain["ramp"]["source"], plain["ramp"]["touches"], code) == ("field reports", 1500, 1)
    # One miss of two units says little of the next unit: the default limit on misses is not shown to be kept.
    (broken,) = [one for one in plain["ramp"]["advice"]["reasons"] if not one["kept"]]
    assert (broken["name"], broken["limit"]) == ("misses per 1000 touches", 20.0)
    (bench / "lax.toml").write_text("max_misses_per_1000 = 900.0\n")
    code, _, _ = command(*arguments, "--field", "field.csv", "--margins", "lax.toml")
    assert code == 0


# ---- mistakes


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "name logs, results or reports, or a register."),
        (["nowhere.csv"], "nowhere.csv"),
        (["nowhere.json"], "nowhere.json: the file can't be read"),
        (["bad.json"], "found no test to look at"),
        (["folder"], "found no log in this folder"),
        (["--register", "none.sqlite"], "none.sqlite: found no file, expected a register"),
        (["--register", "other.sqlite"], "found a database of something else"),
        (["--register", "text.sqlite"], "text.sqlite"),
        (["--register", "folder"], "folder"),
        (["--register", "empty.sqlite"], "the register holds no qualification"),
        (["--register", "register.sqlite", "--margins", "bad.toml"], "bad.toml, line 1"),
        (["--register", "register.sqlite", "--margins", "none.toml"], "none.toml"),
        (["--register", "register.sqlite", "--out", "bad.toml"], "choose another --out"),
    ],
    ids=lambda value: " ".join(value)[-40:] if isinstance(value, list) else "",
)  # fmt: skip
@pytest.mark.parametrize("name", ["compare", "trend"])
def test_mistake_ends_in_words_and_writes_nothing(
    name: str, arguments: list[str], words: str, bench: Path, command: Command
) -> None:
    before = files_in(bench)
    code, shown, errors = command(name, *arguments, "--no-pdf")
    assert code == 2, shown + errors
    assert shown == ""
    assert words in errors
    assert "Traceback" not in errors
    assert files_in(bench) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["compare", "SK3-001.json", "SK3-002.json"], "found tests of 1 build, expected at least 2"),
        (["compare", "SK3-001.json", "--by", "spring"], "found tests of 0 spring"),
        (["compare", "SK3-001.json", "--by", "colour"], "--by: build, stage, stylus, machine, artefact"),
        (["compare", "SK3-001.json", "SK4-001.json", "--only", "siskin-9"], "siskin-9"),
        (["trend", "SK3-001.json", "--field", "bad.csv"], "bad.csv, line 2, column touches"),
        (["trend", "SK3-001.json", "--field", "none.csv"], "none.csv"),
    ],
    ids=lambda value: " ".join(value)[-40:] if isinstance(value, list) else "",
)
def test_mistake_of_one_command(arguments: list[str], words: str, bench: Path, command: Command) -> None:
    before = files_in(bench)
    code, shown, errors = command(*arguments, "--no-pdf")
    assert (code, shown) == (2, "")
    assert words in errors
    assert files_in(bench) == before


def test_control_signs_never_reach_the_terminal(bench: Path, command: Command) -> None:
    names = []
    for number, build in enumerate(("\x1b[2Ja", "\x07b", "\x1b[2Ja", "\x07b")):
        plain = json.loads(results()[f"SK3-{number + 1:03d}"])
        plain |= {"build": build, "serial": f"\x1b[31m{number}"}
        (bench / f"strange{number}.json").write_text(json.dumps(plain))
        names.append(f"strange{number}.json")
    for name in ("compare", "trend"):
        code, shown, errors = command(name, *names, "--out", "strange", "--no-pdf")
        assert code in (0, 1, 3), errors
        assert "\\x1b[2Ja" in shown
        assert not re.search(r"[\x00-\x09\x0b-\x1f]", shown + errors)
