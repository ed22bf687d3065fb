"""A folder of logs in this process: rows, folders, journal, register; what a stop leaves, what it resumes."""

from __future__ import annotations

import csv
import json
import os
import shutil
import threading
import warnings
from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from small_logs import write_small_log

from probetest.errors import ReportError
from probetest.jobs import made as made_module
from probetest.jobs import shop as module
from probetest.jobs.batch import Options, qualify_jobs, read_jobs, write_results
from probetest.jobs.journal import NAME, Journal, Written, task_key
from probetest.jobs.made import Row, make_reports
from probetest.jobs.pool import work
from probetest.jobs.reading import Reading
from probetest.jobs.recall import Recall
from probetest.jobs.shop import REGISTER, SUMMARY, Shop, Step, find_logs, run_batch, write_summary
from probetest.register import Register

SERIALS = ("S-1", "S-2", "S-3")


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("three")
    for seed, serial in enumerate(SERIALS):
        write_small_log(folder / f"{serial}.csv", serial, seed)
    return folder


@pytest.fixture
def logs(three: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(three, tmp_path / "logs"))


def run(logs: Path, out: Path, options: Options | None = None, **shop: Any) -> list[Step]:
    plain = {"pdf": False, "workers": 1, "register": out / REGISTER, **shop}
    batch = run_batch(find_logs([logs], out), options or Options(), Shop(out, **plain))
    return [step for steps in batch for step in steps]


def files_of(out: Path) -> dict[str, bytes]:
    """What stands in the folders of the serials."""
    return {str(file.relative_to(out)): file.read_bytes() for file in out.rglob("*.json")}


def judgements(out: Path) -> list[tuple[str, str]]:
    with Register(out / REGISTER, create=False) as base:
        return sorted((entry.serial, entry.result_sha256) for entry in base.entries(every=True))


def digest_of(log: Path) -> str:
    return sha256(log.read_bytes()).hexdigest()[:10]


def resumed(steps: list[Step]) -> list[bool]:
    return [step.resumed for step in steps]


def folders(steps: list[Step]) -> list[str | None]:
    return [step.folder.name if step.folder else None for step in steps]


def test_results_equal_those_of_single_runs(logs: Path, tmp_path: Path) -> None:
    steps = run(logs, tmp_path / "out")
    options = Options()
    jobs = read_jobs(sorted(logs.iterdir()), options)
    single = list(
        write_results(qualify_jobs(jobs, options.read_limits()), tmp_path / "single", options, pdf=False)
    )
    assert [folder.name for folder in single] == list(SERIALS) == folders(steps)
    assert files_of(tmp_path / "out") == files_of(tmp_path / "single")
    assert judgements(tmp_path / "out") == sorted(
        (serial, sha256((tmp_path / "single" / serial / "result.json").read_bytes()).hexdigest())
        for serial in SERIALS
    )


def test_row_says_what_the_result_says(logs: Path, tmp_path: Path) -> None:
    (step, *_) = run(logs, tmp_path / "out")
    result = json.loads((tmp_path / "out" / "S-1" / "result.json").read_text(encoding="utf-8"))
    assert (step.row.log, step.row.serial, step.row.verdict) == ("S-1.csv", "S-1", result["verdict"])
    assert step.row.sd_mm == pytest.approx(result["repeatability"]["sd_mm"], rel=1e-6)
    assert (step.row.approaches, step.row.triggers) == (32, 32)


def test_second_run_does_nothing(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    first = run(logs, out)
    before = {path: path.stat().st_mtime_ns for path in out.rglob("*") if path.is_file()}
    kept = judgements(out)
    second = run(logs, out)
    assert (resumed(first), resumed(second)) == ([False] * 3, [True] * 3)
    assert [step.row for step in second] == [step.row for step in first]
    assert folders(second) == folders(first)
    after = {path: path.stat().st_mtime_ns for path in out.rglob("*") if path.is_file()}
    reports = [path for path in before if path.parent != out]
    assert len(reports) == 3
    assert {path: after[path] for path in reports} == {path: before[path] for path in reports}
    assert judgements(out) == kept
    again = run(logs, out, again=True)
    assert resumed(again) == [False] * 3
    assert [step.minds != () for step in again] == [True] * 3
    assert judgements(out) == kept


@pytest.mark.parametrize("file", ["result.json"])
@pytest.mark.parametrize("how", ["edited", "deleted", "folder gone"])
def test_report_that_is_not_as_it_was_is_made_again(file: str, how: str, logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(logs, out)
    whole = files_of(out)
    target = out / "S-2" / file
    if how == "edited":
        target.write_bytes(target.read_bytes().replace(b"pass", b"fail"))
    elif how == "deleted":
        target.unlink()
    else:
        shutil.rmtree(target.parent)
    assert resumed(run(logs, out)) == [True, False, True]
    assert files_of(out) == whole
    assert len(judgements(out)) == 3


def test_other_limits_answers_or_touches_are_done_again(logs: Path, tmp_path: Path) -> None:
    out, limits, about = tmp_path / "out", tmp_path / "limits.toml", tmp_path / "about.toml"
    limits.write_text("max_pooled_sd_mm = 0.05\n")
    run(logs, out)
    options = Options(limits)
    assert resumed(run(logs, out, options)) == [False] * 3
    assert len(judgements(out)) == 6
    assert resumed(run(logs, out, options)) == [True] * 3
    # The same limit under another name of the file is the same limit; another one in the same file is not.
    limits.rename(tmp_path / "other.toml")
    assert resumed(run(logs, out, Options(tmp_path / "other.toml"))) == [True] * 3
    (tmp_path / "other.toml").write_text("max_pooled_sd_mm = 0.06\n")
    assert resumed(run(logs, out, Options(tmp_path / "other.toml"))) == [False] * 3
    about.write_text('build = "b-1"\n')
    told = Options(reading=Reading(about=about))
    assert resumed(run(logs, out, told)) == [False] * 3
    assert resumed(run(logs, out, told)) == [True] * 3
    about.write_text('build = "b-2"\n')
    assert resumed(run(logs, out, told)) == [False] * 3
    write_small_log(logs / "S-3.csv", "S-3", 99)
    assert resumed(run(logs, out, told)) == [True, True, False]


def test_limits_that_can_not_be_read_stop_the_batch(logs: Path, tmp_path: Path) -> None:
    from probetest.errors import ProbetestError

    with pytest.raises(ProbetestError, match="none"):
        run(logs, tmp_path / "out", Options(tmp_path / "none.toml"))


def test_test_that_the_register_lacks_is_done_again(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(logs, out, register=None)
    assert not (out / REGISTER).exists()
    # A journal alone says nothing of this register.
    assert resumed(run(logs, out)) == [False] * 3
    assert len(judgements(out)) == 3
    assert resumed(run(logs, out)) == [True] * 3
    assert resumed(run(logs, out, register=None)) == [True] * 3
    (out / REGISTER).unlink()
    assert resumed(run(logs, out)) == [False] * 3


def test_bad_logs_get_a_row_and_stop_nothing(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (logs / "0-garbage.csv").write_text("this is no log\n" * 5)
    (logs / "S-1-empty.csv").write_bytes(b"")
    (logs / "S-2-binary.log").write_bytes(bytes(range(256)) * 50)
    (logs / "S-9-cut.csv").write_bytes((logs / "S-1.csv").read_bytes()[:-300])
    (logs / "zero.txt").write_bytes(bytes(100_000))
    steps = run(logs, out)
    assert [step.row.log for step in steps] == [
        "0-garbage.csv", "S-1.csv", "S-1-empty.csv", "S-2.csv", "S-2-binary.log", "S-3.csv", "S-9-cut.csv",
        "zero.txt",
    ]  # fmt: skip
    bad = [step for step in steps if step.row.problem]
    assert {step.row.log for step in bad} >= {"0-garbage.csv", "S-1-empty.csv", "S-2-binary.log", "zero.txt"}
    assert all(step.folder is None and step.row.verdict is None for step in bad)
    assert all("\n" not in step.row.problem and step.row.problem.isprintable() for step in bad)
    assert {serial for serial, _ in judgements(out)} == set(SERIALS)
    # A log that could not be used is tried again.
    shutil.copyfile(logs / "S-1.csv", logs / "0-garbage.csv")
    again = run(logs, out)
    assert (again[0].row.problem, again[0].resumed) == ("", False)


@pytest.mark.skipif(os.name != "posix", reason="names of POSIX")
def test_file_name_that_is_no_text_is_a_log_like_any_other(logs: Path, tmp_path: Path) -> None:
    os.rename(logs / "S-2.csv", os.fsencode(logs) + b"/S-2 gr\xfcn.csv")
    steps = run(logs, tmp_path / "out")
    assert [step.row.problem for step in steps] == [""] * 3
    assert r"S-2 gr\udcfcn.csv" in [step.row.log for step in steps]
    assert resumed(run(logs, tmp_path / "out")) == [True] * 3
    assert b"udcfcn" in write_summary(tmp_path / "out", steps).read_bytes()


def test_logs_that_can_not_be_opened_get_a_row(logs: Path, tmp_path: Path) -> None:
    gone = logs / "gone.csv"
    steps = list(
        run_batch(
            [gone, logs, *find_logs([logs], tmp_path)], Options(), Shop(tmp_path / "o", pdf=False, workers=1)
        )
    )
    assert [step.row.problem for (step,) in steps] == [
        "gone.csv: the file can't be read", "logs: the file can't be read", "", "", "",
    ]  # fmt: skip


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_log_without_the_right_to_read_gets_a_row(logs: Path, tmp_path: Path) -> None:
    (logs / "S-2.csv").chmod(0)
    assert [bool(step.row.problem) for step in run(logs, tmp_path / "out")] == [False, True, False]


def test_report_that_can_not_be_written_stops_only_itself(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "S-2").write_text("in the way")
    steps = run(logs, out)
    assert ["can't be made" in step.row.problem for step in steps] == [False, True, False]
    assert [serial for serial, _ in judgements(out)] == ["S-1", "S-3"]
    (out / "S-2").unlink()
    assert resumed(run(logs, out)) == [True, False, True]


def test_stop_in_between_leaves_what_was_told(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    batch = run_batch(
        find_logs([logs], out), Options(), Shop(out, pdf=False, workers=1, register=out / REGISTER)
    )
    next(batch)
    next(batch)
    with warnings.catch_warnings():
        # joblib warns of tasks that it gives up.
        warnings.simplefilter("ignore", UserWarning)
        batch.close()
    assert len(judgements(out)) == 2
    assert resumed(run(logs, out)) == [True, True, False]
    assert len(judgements(out)) == 3


def test_stop_between_register_and_journal_is_made_good(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"

    def stopped(self: Journal, key: str, written: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Journal, "add", stopped)
    with pytest.raises(KeyboardInterrupt):
        run(logs, out)
    monkeypatch.undo()
    assert [serial for serial, _ in judgements(out)] == ["S-1"]
    assert resumed(run(logs, out)) == [False] * 3
    assert [serial for serial, _ in judgements(out)] == list(SERIALS)


def test_torn_last_line_of_the_journal_counts_for_nothing(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(logs, out)
    path = out / NAME
    whole = path.read_bytes()
    lines = [line for line in whole.split(b"\n") if line]
    assert len(lines) == 3
    for cut in (1, len(lines[2]) // 2, len(lines[2]) + 1):
        path.write_bytes(whole[:-cut])
        assert resumed(run(logs, out)) == [True, True, cut == 1]
    path.write_bytes(whole + b'{"key": "')
    # What is added behind a torn line stands on a line of its own.
    write_small_log(logs / "S-4.csv", "S-4", 4)
    assert resumed(run(logs, out)) == [True] * 3 + [False]
    assert resumed(run(logs, out)) == [True] * 4


def change_journal(out: Path, changes: dict[str, Any]) -> None:
    """Change what the journal says was written for each task."""
    lines = []
    for line in filter(None, (out / NAME).read_bytes().split(b"\n")):
        plain = json.loads(line)
        for one in plain["written"]:
            row = changes.get("row", {})
            one.update({**changes, "row": {**one["row"], **row} if isinstance(row, dict) else row})
        lines.append(json.dumps(plain))
    (out / NAME).write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def done(three: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that a batch is through with."""
    out = tmp_path_factory.mktemp("done") / "out"
    run(three, out)
    return out


@pytest.mark.parametrize(
    "changes",
    [
        {"folder": "/etc"},
        {"folder": "../secret"},
        {"folder": ".."},
        {"folder": "."},
        {"folder": ""},
        {"folder": "a\x00b"},
        {"folder": "x" * 5000},
        {"folder": 7},
        {"folder": None},
        {"files": {}},
        {"files": {"report.pdf": "0"}},
        {"files": {"../secret/result.json": sha256(b"secret").hexdigest(), "result.json": "0"}},
        {"files": ["result.json"]},
        {"files": None},
        {"row": {"sd_mm": "wide"}},
        {"row": {"verdict": "splendid"}},
        {"row": {"serial": 5}},
        {"row": {"approaches": "many"}},
        {"row": []},
    ],
    ids=str,
)
def test_hostile_journal_counts_for_nothing(
    changes: dict[str, Any], three: Path, done: Path, tmp_path: Path
) -> None:
    out = Path(shutil.copytree(done, tmp_path / "out"))
    (tmp_path / "secret").mkdir()
    (tmp_path / "secret" / "result.json").write_bytes(b"secret")
    keys = [task_key(log, Options(), pdf=False) for log in sorted(three.iterdir())]
    with Journal(out) as journal:
        assert [len(journal.done(key)) for key in keys] == [1, 1, 1]
    change_journal(out, changes)
    with Journal(out) as journal:
        assert [journal.done(key) for key in keys] == [[], [], []]


def test_hostile_folder_in_the_journal_is_never_written_to(three: Path, done: Path, tmp_path: Path) -> None:
    out = Path(shutil.copytree(done, tmp_path / "out"))
    whole, outside = files_of(out), sorted(tmp_path.iterdir())
    change_journal(out, {"folder": "../secret"})
    steps = run(three, out)
    assert resumed(steps) == [False] * 3
    assert folders(steps) == list(SERIALS)
    assert files_of(out) == whole
    assert sorted(tmp_path.iterdir()) == outside


@pytest.mark.parametrize(
    "text",
    [b"\xff\xfe\n", b"[" * 200_000, b"null\n7\n[]\n{}\n", b'{"key": 1, "written": 2}', b'{"key": "\\ud800"}'],
    ids=["no text", "deep", "other", "numbers", "surrogate"],
)
def test_journal_of_nonsense_is_ignored(text: bytes, logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / NAME).write_bytes(text)
    assert resumed(run(logs, out)) == [False] * 3
    assert resumed(run(logs, out)) == [True] * 3


def test_journal_that_is_no_file_is_refused(logs: Path, tmp_path: Path) -> None:
    (tmp_path / "out" / NAME).mkdir(parents=True)
    with pytest.raises(ReportError, match="found no journal of a batch; remove it"):
        run(logs, tmp_path / "out")


def test_full_disk_under_the_journal_ends_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with Journal(tmp_path) as journal:
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(ReportError, match=r"journal can't be written \(No space left"):
            journal.add("key", [Written(Row("a.csv"), "a", {"result.json": "0"})])
        monkeypatch.undo()
        assert journal.done("key") == []


@pytest.fixture
def twins(tmp_path: Path) -> Path:
    """One serial in four logs: three hold the same bytes, and two have no plain name."""
    folder = tmp_path / "logs"
    write_small_log(folder / "a.csv", "S-1", 1)
    write_small_log(folder / "b.csv", "S-1", 2)
    shutil.copyfile(folder / "b.csv", folder / "c c.csv")
    shutil.copyfile(folder / "b.csv", folder / "d d.csv")
    return folder


def test_one_serial_in_many_logs_goes_into_a_folder_each(twins: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    first = run(twins, out)
    names = folders(first)
    assert names[:3] == ["S-1", "S-1-b", f"S-1-{digest_of(twins / 'b.csv')}"]
    assert len(set(names)) == 4
    whole = files_of(out)
    for name, log in zip(names, ("a", "b", "c c", "d d"), strict=True):
        result = json.loads(whole[f"{name}/result.json"])
        assert result["input"]["file"] == f"{log}.csv"
    for again in (False, True, True, False):
        steps = run(twins, out, again=again)
        assert folders(steps) == names
        assert [step.row for step in steps] == [step.row for step in first]
        assert files_of(out) == whole
    # From nothing, the same folders.
    other = tmp_path / "other"
    assert folders(run(twins, other)) == names
    assert files_of(other) == whole


def test_folders_stay_theirs_when_one_is_done_again(twins: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    names = folders(run(twins, out))
    whole = files_of(out)
    for name in names:
        assert name is not None
        shutil.rmtree(out / name)
        assert folders(run(twins, out)) == names
        assert files_of(out) == whole
    # A stop after the first: the rest goes where it would have gone.
    lines = [line for line in (out / NAME).read_bytes().split(b"\n") if line]
    (out / NAME).write_bytes(lines[0] + b"\n")
    assert folders(run(twins, out)) == names


def test_further_log_of_a_serial_moves_nothing_that_is_there(twins: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    names = folders(run(twins, out))
    whole = files_of(out)
    write_small_log(twins / "0.csv", "S-1", 9)
    steps = run(twins, out)
    assert folders(steps)[1:] == names
    assert resumed(steps) == [False] + [True] * 4
    assert {name: data for name, data in files_of(out).items() if name in whole} == whole
    assert len(files_of(out)) == 5


def test_first_test_of_a_serial_has_the_folder_of_its_name(tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    for seed, name in enumerate(("S-1-again1", "S-1", "S-1-again10", "0-S-1", "S-10")):
        write_small_log(logs / f"{name}.csv", "S-10" if name == "S-10" else "S-1", seed)
    steps = run(logs, out)
    assert [(step.row.log, step.folder and step.folder.name) for step in steps] == [
        ("0-S-1.csv", "S-1-0-S-1"),
        ("S-1.csv", "S-1"),
        ("S-1-again1.csv", "S-1-again1"),
        ("S-1-again10.csv", "S-1-again10"),
        ("S-10.csv", "S-10"),
    ]
    whole = files_of(out)
    assert json.loads(whole["S-1/result.json"])["input"]["file"] == "S-1.csv"
    # In whatever order they are given, and after a stop in between.
    places = sorted(find_logs([logs], out), reverse=True)
    other = tmp_path / "other"
    for count in (2, 5):
        batch = run_batch(places[:count], Options(), Shop(other, pdf=False, workers=1))
        assert len(list(batch)) == count
    assert files_of(other) == whole


def test_repeat_waits_for_the_log_it_repeats(tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / "S-1-again1.csv", "S-1", 1)
    (logs / "S-1.csv").write_text("this is no log\n")
    assert folders(run(logs, out)) == [None, "S-1-again1"]
    write_small_log(logs / "S-1.csv", "S-1", 2)
    assert folders(run(logs, out)) == ["S-1", "S-1-again1"]


def test_further_log_is_named_after_its_file_where_that_is_plain(tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / "S-1.csv", "S-1", 1)
    stems = {
        "S-1_again": "S-1_again",
        "S-1.again": "S-1.again",
        "S-10": "S-1-S-10",
        "s-1-late": "S-1-s-1-late",
        "later": "S-1-later",
        "x" * 76: "S-1-" + "x" * 76,
    }
    hashed = ("S-1 again", "S-1-größer", "later.", "y" * 77)
    expected = {"S-1.csv": "S-1"} | {f"{stem}.csv": name for stem, name in stems.items()}
    for seed, stem in enumerate((*stems, *hashed)):
        log = write_small_log(logs / f"{stem}.csv", "S-1", seed + 2)
        expected.setdefault(log.name, f"S-1-{digest_of(log)}")
    found = find_logs([logs], out)
    assert dict(zip([log.name for log in found], folders(run(logs, out)), strict=True)) == expected


def test_further_log_of_the_same_name_gets_a_hash(tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / "a" / "S-1.csv", "S-1", 1)
    first = write_small_log(logs / "S-1.csv", "S-1", 2)
    second = logs / "a" / "S-1.csv"
    assert find_logs([logs], out) == [first, second]
    assert folders(run(logs, out)) == ["S-1", f"S-1-{digest_of(second)}"]


@pytest.mark.parametrize("order", [("S-1", "S-1-2", "S-1-2-x"), ("S-1-2-x", "S-1"), ("S-1", "S-1-2")])
def test_serials_of_one_log_never_share_a_folder(
    order: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / "0" / "S-1.csv", "S-1", 1)
    write_small_log(logs / "0" / "S-1-2.csv", "S-1-2", 2)
    many = write_small_log(logs / "S-1-2-x.csv", "S-1", 3)

    def several(log: Path, options: Options, *, pdf: bool) -> list[Any]:
        made = make_reports(log, options, pdf=pdf)
        serials = order if log == many.resolve() else (made[0].row.serial,)
        return [replace(one, row=replace(one.row, serial=serial)) for one in made for serial in serials]

    monkeypatch.setattr("probetest.jobs.pool.make_reports", several)
    names = dict(zip(order, folders(run(logs, out, register=None))[: len(order)], strict=True))
    # The name of the log goes to the serial that is called so, else to the first that it begins with.
    owner = "S-1-2-x" if "S-1-2-x" in order else order[0]
    assert names == {serial: f"{serial}-{digest_of(many)}" for serial in order} | {owner: "S-1-2-x"}
    again = run(logs, out, register=None)
    assert resumed(again) == [True] * (len(order) + 2)
    shutil.rmtree(out / "S-1-2-x")
    assert folders(run(logs, out, register=None)) == folders(again)


def test_log_named_like_a_file_of_the_batch_gives_no_such_folder(tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / f"{REGISTER}.csv", REGISTER, 1)
    further = write_small_log(logs / f"{REGISTER}-wal.csv", REGISTER, 2)
    names = folders(run(logs, out))
    assert names[1] == f"{REGISTER}-{digest_of(further)}"
    assert REGISTER not in names
    assert resumed(run(logs, out)) == [True, True]


def test_journal_gives_away_no_file_of_the_batch(three: Path, done: Path, tmp_path: Path) -> None:
    out = Path(shutil.copytree(done, tmp_path / "out"))
    change_journal(out, {"folder": SUMMARY})
    steps = run(three, out)
    assert folders(steps) == list(SERIALS)
    assert write_summary(out, steps).is_file()


def test_serials_that_differ_in_case_alone_get_folders_of_their_own(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    write_small_log(logs / "1.csv", "abc", 1)
    write_small_log(logs / "2.csv", "ABC", 2)
    names = folders(run(logs, tmp_path / "out"))
    assert len({str(name).casefold() for name in names}) == 2


@pytest.mark.parametrize("serial", [SUMMARY, REGISTER, f"{REGISTER}-wal", "Register.SQLite-SHM", "own.db"])
def test_serial_named_like_a_file_of_the_batch_is_in_no_way(serial: str, tmp_path: Path) -> None:
    logs, out = tmp_path / "logs", tmp_path / "out"
    write_small_log(logs / "1.csv", serial, 1)
    register = out / ("own.db" if serial == "own.db" else REGISTER)
    (step,) = run(logs, out, register=register)
    assert step.row.problem == ""
    assert step.folder is not None
    assert step.folder.name.startswith(f"{serial}-")
    assert write_summary(out, [step]).is_file()
    assert resumed(run(logs, out, register=register)) == [True]


def test_summary_holds_all_rows_and_no_formula(logs: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for number, serial in enumerate(["=1+1", "+A1", "-2", "@SUM(A1)", 'a,b;"c', "\tx"]):
        write_small_log(logs / f"{'=' * (number == 0)}n{number}.csv", serial, number)
    (logs / "bad.csv").write_text("=cmd|calc!A0\n")
    steps = run(logs, out)
    path = write_summary(out, steps)
    assert path == out / SUMMARY
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["log"].lstrip("'") for row in rows] == [log.name for log in find_logs([logs], out)]
    cells = [cell for row in rows for cell in row.values()]
    assert [cell for cell in cells if cell[:1] in tuple("=+-@\t\r")] == []
    assert {"'=1+1", "'+A1", "'-2", "'@SUM(A1)"} <= set(cells)
    by_log = {row["log"]: row for row in rows}
    assert by_log["bad.csv"]["problem"]
    assert by_log["bad.csv"]["verdict"] == ""
    result = json.loads((out / "S-1" / "result.json").read_text(encoding="utf-8"))
    assert float(by_log["S-1.csv"]["sd_mm"]) == pytest.approx(result["repeatability"]["sd_mm"], abs=1e-7)
    assert by_log["S-1.csv"]["folder"] == "S-1"


def test_only_logs_are_found(logs: Path, tmp_path: Path) -> None:
    (logs / "deep" / "deeper").mkdir(parents=True)
    for name in ("deep/deeper/x.CSV", ".hidden.csv", "limits.toml", "plan.pdf", "y.log"):
        shutil.copyfile(logs / "S-1.csv", logs / name)
    (logs / ".git").mkdir()
    shutil.copyfile(logs / "S-1.csv", logs / ".git" / "z.csv")
    names = [str(log.relative_to(logs)) for log in find_logs([logs, logs / "S-1.csv"], tmp_path / "out")]
    assert names == ["S-1.csv", "S-2.csv", "S-3.csv", "y.log", str(Path("deep/deeper/x.CSV"))]


def test_folder_without_logs_is_told(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "notes.md").write_text("none")
    with pytest.raises(ReportError, match=r"empty: found no log in this folder, expected files that end in"):
        find_logs([tmp_path / "empty"], tmp_path / "out")


@pytest.mark.parametrize("out", ["logs/out", "logs", ".", "logs/../logs/out"])
def test_reports_are_not_read_as_logs(out: str, logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(logs.parent)
    place = Path(out)
    steps = run(Path("logs"), place)
    write_summary(place, steps)
    # As a report with a log beside it.
    if out.startswith("logs/"):
        shutil.copyfile(logs / "S-1.csv", place / "S-1" / "trigger-log.csv")
    assert [log.name for log in find_logs([Path("logs")], place)] == ["S-1.csv", "S-2.csv", "S-3.csv"]
    assert resumed(run(Path("logs"), place)) == [True] * 3


def test_log_where_the_summary_goes_is_not_written_over(logs: Path) -> None:
    log = write_small_log(logs / SUMMARY, "S-4", 4)
    before = log.read_bytes()
    with pytest.raises(ReportError, match="this log would be written over"):
        run(logs, logs)
    assert log.read_bytes() == before
    assert sorted(path.suffix for path in logs.iterdir()) == [".csv"] * 4


def test_workers_stand_in_another_folder(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("limits.toml").write_text("max_pooled_sd_mm = 0.05\n")
    Path("about.toml").write_text('build = "b-7"\n')
    seen: list[Options] = []

    def spy(log: Path, options: Options, *, pdf: bool) -> list[Any]:
        seen.append(options)
        assert log.is_absolute()
        return make_reports(log, options, pdf=pdf)

    monkeypatch.setattr("probetest.jobs.pool.make_reports", spy)
    options = Options(Path("limits.toml"), Reading(about=Path("about.toml")))
    found = list(work(find_logs([Path("logs")], tmp_path / "out"), options, pdf=False, workers=1))
    assert [one.row.build for (one,) in found] == ["b-7"] * 3
    for one in seen:
        assert one.limits is not None
        assert one.reading.about is not None
        assert one.limits.is_absolute()
        assert one.reading.about.is_absolute()


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None, protocol="tcp"
    ) as cluster:
        yield cluster.scheduler_address


def test_cluster_gives_the_same_bytes(scheduler: str, logs: Path, tmp_path: Path) -> None:
    for number in range(4, 7):
        write_small_log(logs / f"S-{number}.csv", f"S-{number}", number)
    (logs / "bad.csv").write_text("no log")
    steps = run(logs, tmp_path / "there", cluster=scheduler, workers=0)
    here = run(logs, tmp_path / "here")
    assert [step.row for step in steps] == [step.row for step in here]
    assert files_of(tmp_path / "there") == files_of(tmp_path / "here")
    assert judgements(tmp_path / "there") == judgements(tmp_path / "here")
    # Where nothing is left to do, no cluster is asked.
    nobody = "tcp://127.0.0.1:1"
    assert resumed(run(find_folder(logs, "S-"), tmp_path / "there", cluster=nobody)) == [True] * 6


def find_folder(logs: Path, start: str) -> Path:
    """A folder with only those logs whose name starts so."""
    for log in logs.iterdir():
        if not log.name.startswith(start):
            log.unlink()
    return logs


def test_address_that_is_none_is_told(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ValueError("missing port number in address 'nonsense\x1b'")

    monkeypatch.setattr("distributed.Client", refuse)
    with pytest.raises(ReportError, match=r"^--cluster nonsense\\x1b: no scheduler answers there\.$"):
        run(logs, tmp_path / "out", cluster="nonsense\x1b")


def test_missing_cluster_package_is_told(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(ReportError, match=r"found no Dask on this machine.*probetest\[cluster\]"):
        run(logs, tmp_path / "out", cluster="127.0.0.1:1")


def test_recall_gives_each_thread_its_own_answer() -> None:
    recall: Recall[str] = Recall()
    inside, other_is_done = threading.Event(), threading.Event()
    answers: dict[str, str] = {}

    def slow() -> str:
        inside.set()
        other_is_done.wait(5)
        return "slow answer"

    first = threading.Thread(target=lambda: answers.update(slow=recall.get("slow", slow)))
    first.start()
    inside.wait(5)
    answers["quick"] = recall.get("quick", lambda: "quick answer")
    other_is_done.set()
    first.join()
    assert answers == {"slow": "slow answer", "quick": "quick answer"}


def test_recall_answers_once_and_for_the_last_question_only() -> None:
    recall: Recall[int] = Recall()
    counted: list[int] = []

    def make() -> int:
        counted.append(1)
        return len(counted)

    assert [recall.get(asked, make) for asked in ("a", "a", "b", "a")] == [1, 1, 2, 3]


def test_log_changed_in_place_is_computed_anew(logs: Path) -> None:
    log = logs / "S-1.csv"
    first = make_reports(log, Options(), pdf=False)
    write_small_log(log, "S-1", 77)
    second = make_reports(log, Options(), pdf=False)
    assert first[0].row.sd_mm != second[0].row.sd_mm
    assert first[0].files != second[0].files


def test_fault_of_this_software_is_not_taken_for_a_bad_log(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise AssertionError("a fault")

    monkeypatch.setattr(made_module, "result_to_json", broken)
    with pytest.raises(AssertionError, match="a fault"):
        run(logs, tmp_path / "out")


def test_register_that_can_not_be_used_stops_the_batch_at_once(logs: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.sqlite"
    wrong.write_text("no register, " * 100)
    with pytest.raises(Exception, match="can't be used"):
        run(logs, tmp_path / "out", register=wrong)
    assert list((tmp_path / "out").glob("*/result.json")) == []


def test_same_step_twice_is_the_same(logs: Path, tmp_path: Path) -> None:
    """The same log by two ways is done, and stored, once."""
    out = tmp_path / "out"
    both = [logs / "S-1.csv", logs / ".." / "logs" / "S-1.csv"]
    steps = [
        step
        for done in run_batch(both, Options(), Shop(out, pdf=False, register=out / REGISTER))
        for step in done
    ]
    assert folders(steps) == ["S-1", "S-1"]
    assert len(judgements(out)) == 1
    assert replace(steps[0], minds=()) == replace(steps[1], minds=())
    assert module.SUMMARY_COLUMNS[0] == "log"
