"""Tests into entries, and a register to plain files and back."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner
from small_logs import write_small_log
from test_register import make_entry

from probetest.cli_production import register as command
from probetest.importers import import_log
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.registering import (
    INDEX,
    count_judgements,
    entry_of,
    export_register,
    import_register,
    keep,
    touches_digest,
)
from probetest.jobs.result import result_to_json
from probetest.limits import Limits
from probetest.register import Entry, Register, RegisterError
from probetest.triggers import Triggers


@pytest.fixture(scope="module")
def triggers(tmp_path_factory: pytest.TempPathFactory) -> Triggers:
    log = write_small_log(tmp_path_factory.mktemp("logs") / "S-1.csv", "S-1", 1)
    (one,) = import_log(log).tests
    return one


@pytest.fixture(scope="module")
def found(triggers: Triggers) -> Qualification:
    return qualify(triggers, Limits())


def test_entry_tells_the_test(found: Qualification, triggers: Triggers) -> None:
    entry = entry_of(found, triggers)
    result = json.loads(entry.result)
    assert (entry.kind, entry.serial, entry.file, entry.touches) == ("qualification", "S-1", "S-1.csv", 32)
    assert (entry.verdict, entry.software) == (result["verdict"], result["software"])
    assert entry.log_sha256 == result["input"]["sha256"]
    assert entry.tested == "2026-03-02T09:00:00"
    assert entry.result == result_to_json(found)
    assert json.loads(entry.limits) == Limits().model_dump(mode="json")


def test_log_of_an_entry_gives_the_same_result_again(
    found: Qualification, triggers: Triggers, tmp_path: Path
) -> None:
    entry = entry_of(found, triggers)
    log = tmp_path / "from-register.csv"
    log.write_bytes(entry.log)
    (again,) = import_log(log).tests
    assert touches_digest(again) == entry.touches_sha256
    # Only where the touches came from differs.
    old, new = json.loads(entry.result), json.loads(result_to_json(qualify(again, Limits())))
    assert new["repeatability"] == old["repeatability"]
    assert new["verdict"] == old["verdict"]


def test_further_stages_make_a_service(demo_folder: Path) -> None:
    (one,) = import_log(demo_folder / "production" / "SK3-005-stages.csv").tests
    assert entry_of(qualify(one, Limits()), one).kind == "service"


def test_digest_is_of_the_touches_alone(triggers: Triggers, tmp_path: Path) -> None:
    copy = write_small_log(tmp_path / "other name.csv", "S-9", 1)
    (twin,) = import_log(copy).tests
    assert twin.source.sha256 != triggers.source.sha256
    assert touches_digest(twin) == touches_digest(triggers)
    moved = triggers.frame.copy()
    moved.loc[5, "x_mm"] += 1e-6
    assert touches_digest(replace(triggers, frame=moved)) != touches_digest(triggers)
    missed = triggers.frame.copy()
    missed.loc[5, "outcome"] = "missed"
    assert touches_digest(replace(triggers, frame=missed)) != touches_digest(triggers)
    assert touches_digest(replace(triggers, frame=triggers.frame[::-1])) != touches_digest(triggers)


def test_file_name_that_is_no_text_is_kept_as_escapes(found: Qualification, triggers: Triggers) -> None:
    odd = replace(triggers, source=replace(triggers.source, file="gr\udcfcn\x1b.csv"))
    entry = entry_of(found, odd)
    assert entry.file == r"gr\udcfcn\x1b.csv"
    assert b"udcfc" in entry.log


def test_keep_tells_what_a_user_must_mind(found: Qualification, triggers: Triggers, tmp_path: Path) -> None:
    entry, path = entry_of(found, triggers), tmp_path / "r.sqlite"
    assert keep(None, iter([entry])) == []
    assert not path.exists()
    assert keep(path, iter([entry])) == []
    (known,) = keep(path, iter([entry]))
    assert known == "S-1: this log is in the register already, with the same result"
    again, twin = keep(
        path,
        iter(
            [
                replace(entry, result=b"{}", result_sha256=sha256(b"{}").hexdigest()),
                replace(entry, serial="S-2", log_sha256="2" * 64),
            ]
        ),
    )
    assert again == "S-1: this log was in the register; its new result was added"
    assert twin == "S-2: the register holds exactly these touches for serial S-1 as well"


ENTRIES = [
    make_entry("S-1", os.urandom(500)),
    make_entry("S-1", b"later", b'{"b": 2}', tested="2026-03-05T10:00:00", kind="service"),
    make_entry("=1+1", b"formula", b"", build="@SUM(A1)", tested=None, file="+cmd.csv", verdict="fail"),
    make_entry('q"u,o;t\ne\r\x00', b"\xff\x00", b"\x00", build=""),
    make_entry("\u202e\U0001f4a5'); --", b"", b'{"x": "y"}', touches=0),
]


@pytest.fixture
def full(tmp_path: Path) -> Path:
    path = tmp_path / "full.sqlite"
    with Register(path) as base:
        for entry in ENTRIES:
            base.store(entry)
        base.store(replace(ENTRIES[0], result=b"[]", result_sha256=sha256(b"[]").hexdigest()))
    return path


@pytest.fixture
def exported(full: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "export"
    with Register(full) as base:
        export_register(base, folder)
    return folder


def every(path: Path) -> list[Entry]:
    with Register(path) as base:
        return list(base.entries(every=True))


def test_export_and_import_give_the_same_register(full: Path, exported: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    ticks: list[int] = []
    with Register(other) as base:
        moved = import_register(base, exported, lambda: ticks.append(1))
        assert (moved.judgements, moved.new, len(ticks)) == (6, 6, 6)
        again = import_register(base, exported)
        assert (again.judgements, again.new) == (6, 0)
    assert count_judgements(exported) == 6
    by_test = sorted(every(other), key=lambda entry: (entry.serial, entry.result_sha256))
    assert by_test == sorted(every(full), key=lambda entry: (entry.serial, entry.result_sha256))
    # And the order of the tests with a day is theirs, whenever they came in.
    assert [one.serial for one in every(other) if one.tested] == [
        one.serial for one in every(full) if one.tested
    ]


def test_last_judgement_stays_the_last_one(full: Path, exported: Path, tmp_path: Path) -> None:
    with Register(tmp_path / "other.sqlite") as base:
        import_register(base, exported)
        results = {entry.log_sha256: entry.result for entry in base.entries()}
    assert results[ENTRIES[0].log_sha256] == b"[]"


def test_no_cell_of_an_export_begins_a_formula(exported: Path) -> None:
    text = (exported / INDEX).read_text(encoding="utf-8")
    with (exported / INDEX).open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))] == []
    assert '"=1+1"' in cells
    assert text.isascii()
    assert all(name.isprintable() for name in text.split("\n"))


def test_export_into_a_folder_with_files_is_refused(full: Path, tmp_path: Path) -> None:
    folder = tmp_path / "there"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    with Register(full) as base, pytest.raises(RegisterError, match="a folder with files in it"):
        export_register(base, folder)
    assert [file.name for file in folder.iterdir()] == ["mine.txt"]
    with Register(full) as base, pytest.raises(RegisterError, match="export can't be written"):
        export_register(base, folder / "mine.txt")
    with Register(full) as base:
        assert export_register(base, tmp_path / "a" / "b").judgements == 6


def edit(exported: Path, column: str, value: str) -> None:
    with (exported / INDEX).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows[2][column] = value
    with (exported / INDEX).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)


def change_file(name: str) -> Callable[[Path], None]:
    return lambda exported: (exported / name).write_bytes(b"changed") and None


def link_away(exported: Path) -> None:
    outside = exported.parent / "outside"
    shutil.copyfile(exported / "000003-log.csv", outside)
    (exported / "000003-log.csv").unlink()
    (exported / "000003-log.csv").symlink_to(outside)


def without_a_column(exported: Path) -> None:
    text = (exported / INDEX).read_text(encoding="utf-8")
    (exported / INDEX).write_text(text.replace("touches_sha256", "other", 1), encoding="utf-8")


def with_a_cell_too_many(exported: Path) -> None:
    lines = (exported / INDEX).read_text(encoding="utf-8").split("\n")
    lines[3] += ",1"
    (exported / INDEX).write_text("\n".join(lines), encoding="utf-8")


NO_ENTRY = "no complete entry"


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (change_file("000003-log.csv"), "the log is not the one"),
        (change_file("000003-result.json"), "the result is not the one"),
        (lambda folder: (folder / "000003-log.csv").unlink(), NO_ENTRY),
        (lambda folder: edit(folder, "log", "../outside"), NO_ENTRY),
        (lambda folder: edit(folder, "log", str(folder.parent / "outside")), NO_ENTRY),
        (lambda folder: edit(folder, "log", "sub/000003-log.csv"), NO_ENTRY),
        (lambda folder: edit(folder, "log", ".."), NO_ENTRY),
        (lambda folder: edit(folder, "log", "."), NO_ENTRY),
        (lambda folder: edit(folder, "log", ""), NO_ENTRY),
        (link_away, NO_ENTRY),
        (without_a_column, NO_ENTRY),
        (with_a_cell_too_many, NO_ENTRY),
        (lambda folder: edit(folder, "serial", "plain"), NO_ENTRY),
        (lambda folder: edit(folder, "serial", "5"), NO_ENTRY),
        (lambda folder: edit(folder, "serial", "null"), NO_ENTRY),
        (lambda folder: edit(folder, "serial", "[" * 100_000), NO_ENTRY),
        (lambda folder: edit(folder, "serial", "x" * 200_000), "can't be read"),
        (lambda folder: edit(folder, "serial", '"\\udcff"'), "can't be used"),
        (lambda folder: edit(folder, "kind", '"holiday"'), "kind 'holiday'"),
        (lambda folder: edit(folder, "touches", "1.5"), NO_ENTRY),
        (lambda folder: edit(folder, "touches", "1" + "0" * 30), "can't be used"),
        (lambda folder: edit(folder, "result_sha256", '"0"'), "the result is not the one"),
        (lambda folder: (folder / INDEX).unlink(), "found no list"),
        (lambda folder: (folder / INDEX).write_bytes(b"\xff\xfe"), "can't be read"),
    ],
    ids=[
        "changed log", "changed result", "missing", "up", "absolute", "sub", "dots", "dot", "no name", "link",
        "no column", "a cell too many", "no JSON", "number", "null", "deep", "long", "surrogate", "kind",
        "half a touch", "endless touches", "digest", "no list", "no text",
    ],
)  # fmt: skip
def test_spoilt_export_is_refused(
    spoil: Callable[[Path], None], words: str, exported: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    shutil.copyfile(exported / "000003-log.csv", outside)
    spoil(exported)
    with Register(tmp_path / "other.sqlite") as base:
        with pytest.raises(RegisterError, match=words) as caught:
            import_register(base, exported)
        assert "\n" not in str(caught.value)
        # What stood before the spoilt line was taken in, nothing of it and after it.
        assert [entry.serial for entry in base.entries(every=True)] in ([], ["S-1"] * 2)


def test_command_lists_moves_out_and_in(full: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke(command, [str(full)], env={"COLUMNS": "200"})
    assert run.exit_code == 0
    assert "5 tests of 4 serials" in run.output
    assert 'q"u,o;t\\ne' in run.output
    assert "\x00" not in run.output
    out, other = tmp_path / "out", tmp_path / "other.sqlite"
    run = CliRunner().invoke(command, [str(full), "--export", str(out)], env={"COLUMNS": "200"})
    assert (run.exit_code, run.output.endswith("(6 judgements)\n")) == (0, True)
    run = CliRunner().invoke(command, [str(other), "--import", str(out)], env={"COLUMNS": "300"})
    assert run.exit_code == 0
    assert "6 of 6 judgements of" in run.output
    both = CliRunner().invoke(command, [str(other), "--import", str(out), "--export", str(out)])
    assert both.exit_code == 2
    assert "contradict each other" in both.output


@pytest.mark.parametrize("option", [[], ["--export", "out"]], ids=["list", "export"])
def test_command_makes_no_register_where_none_is(
    option: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(command, ["none.sqlite", *option])
    assert isinstance(run.exception, RegisterError)
    assert list(tmp_path.iterdir()) == []


def test_import_of_nothing_makes_no_register(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(command, ["new.sqlite", "--import", "none"])
    assert isinstance(run.exception, RegisterError)
    assert list(tmp_path.iterdir()) == []
