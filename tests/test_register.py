"""The register file: what it keeps, what it refuses, and what it survives."""

from __future__ import annotations

import os
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from probetest import register as module
from probetest.register import APPLICATION_ID, MIGRATIONS, Entry, Register, RegisterError

needs_posix = pytest.mark.skipif(os.name != "posix", reason="signals and users of POSIX")


def make_entry(
    serial: str = "S-1", log: bytes = b"a log", result: bytes = b'{"a": 1}', **changes: Any
) -> Entry:
    plain: dict[str, Any] = {
        "kind": "qualification",
        "serial": serial,
        "build": "b-1",
        "tested": "2026-03-02T09:00:00",
        "file": "log.csv",
        "log_sha256": sha256(log).hexdigest(),
        "touches_sha256": sha256(b"touches of" + log).hexdigest(),
        "touches": 32,
        "log": log,
        "software": "1.2.3",
        "verdict": "pass",
        "limits": "{}",
        "result": result,
        "result_sha256": sha256(result).hexdigest(),
    }
    return Entry(**{**plain, **changes})


def stored(path: Path, *, every: bool = False) -> list[Entry]:
    with Register(path, create=False) as base:
        return list(base.entries(every=every))


def change(path: Path, statement: str, *values: Any) -> None:
    """Do to the file what this software never does."""
    with closing(sqlite3.connect(path)) as base, base:
        base.execute(statement, values)


def test_new_file_has_its_mark_version_and_mode(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        assert base.version == len(MIGRATIONS)
        assert len(base) == 0
    head = path.read_bytes()[:100]
    # Places in the head: the database file format as SQLite documents it, from memory:
    # 18 and 19 the versions for writing and reading (2 is WAL), 60 the user's version, 68 the application.
    assert head[:16] == b"SQLite format 3\x00"
    assert (head[18], head[19]) == (2, 2)
    assert struct.unpack(">i", head[60:64]) == (len(MIGRATIONS),)
    assert struct.unpack(">i", head[68:72]) == (APPLICATION_ID,)


def test_each_store_is_synchronised(tmp_path: Path) -> None:
    with Register(tmp_path / "r.sqlite") as base:
        # 2 is FULL.
        assert base._base.execute("PRAGMA synchronous").fetchone() == (2,)


def test_entry_comes_back_as_it_was(tmp_path: Path) -> None:
    entry = make_entry(build=None, tested=None, result=b"\x00\xff" * 10_000)
    with Register(tmp_path / "r.sqlite") as base:
        assert base.store(entry).outcome == "new"
        assert list(base.entries()) == [entry]
        (head,) = base.heads()
        assert base.results() == {entry.result_sha256}
    assert (head.serial, head.build, head.touches, head.judgements) == ("S-1", None, 32, 1)


def test_same_log_twice_is_known_and_adds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        first = base.store(make_entry())
    with Register(path) as base:
        again = base.store(make_entry(file="renamed.csv"))
    assert (first.outcome, again.outcome, again.test) == ("new", "known", first.test)
    assert stored(path, every=True) == [make_entry()]


def test_another_result_is_a_further_judgement(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    entries = [
        make_entry(),
        make_entry(result=b'{"a": 2}', limits='{"max_sd_mm": 0.001}', verdict="fail"),
        make_entry(result=b'{"a": 3}', software="1.3.0"),
    ]
    with Register(path) as base:
        outcomes = [base.store(entry).outcome for entry in entries]
        (head,) = base.heads()
        assert len(base) == 1
    assert outcomes == ["new", "judged again", "judged again"]
    assert stored(path) == [entries[-1]]
    assert stored(path, every=True) == entries
    assert (head.judgements, head.verdict, head.software) == (3, "pass", "1.3.0")


def test_same_touches_under_other_serials_are_told(tmp_path: Path) -> None:
    same = {"touches_sha256": "1" * 64}
    with Register(tmp_path / "r.sqlite") as base:
        assert base.store(make_entry("B", b"1", **same)).same_touches == ()
        assert base.store(make_entry("A", b"2", **same)).same_touches == ("B",)
        assert base.store(make_entry("C", b"3", **same)).same_touches == ("A", "B")
        # The same serial again is no other one, and other touches are no twins.
        assert base.store(make_entry("C", b"4", **same)).same_touches == ("A", "B")
        assert base.store(make_entry("D", b"5")).same_touches == ()


def test_kinds_of_one_log_are_tests_of_their_own(tmp_path: Path) -> None:
    with Register(tmp_path / "r.sqlite") as base:
        for kind in ("qualification", "verification", "service"):
            assert base.store(make_entry(kind=kind)).outcome == "new"
        with pytest.raises(RegisterError, match="kind 'holiday'"):
            base.store(make_entry(kind="holiday"))
        assert len(base) == 3


def test_tests_come_in_the_order_in_which_they_were_made(tmp_path: Path) -> None:
    days = {"c": "2026-03-04T08:00:00", "a": "2026-03-02T08:00:00", "b": "2026-03-03T08:00:00", "none": None}
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        for serial, day in days.items():
            base.store(make_entry(serial, serial.encode(), tested=day))
        # Judged last, but not tested last.
        base.store(make_entry("a", b"a", b"{}", tested=days["a"]))
        heads = [head.serial for head in base.heads()]
    # A test without a day stands where it was stored, which is after these days.
    assert heads == [entry.serial for entry in stored(path)] == ["a", "b", "c", "none"]
    assert [entry.serial for entry in stored(path, every=True)] == ["a", "a", "b", "c", "none"]


@pytest.mark.parametrize(
    "serial",
    [
        "O'Brien", '"', "'); DROP TABLE tests; --", "a\nb", "nul\x00byte", "nul\x00other", "x" * 1_000_000,
        "=1+1", "", "\u202e", "\U0001f4a5", "\x1b[2J", "?", ":serial",
    ],
    ids=lambda serial: repr(serial[:20]),
)  # fmt: skip
def test_hostile_serial_survives(serial: str, tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        base.store(make_entry("nul"))
        assert base.store(make_entry(serial)).outcome == "new"
        assert base.store(make_entry(serial)).outcome == "known"
    assert [entry.serial for entry in stored(path)] == ["nul", serial]


@pytest.mark.parametrize(
    "changes",
    [{"serial": "a\udcffb"}, {"file": "\ud800"}, {"touches": 1 << 70}, {"touches": None}, {"serial": None}],
    ids=str,
)
def test_what_no_column_can_hold_is_refused_in_a_sentence(changes: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        base.store(make_entry())
        with pytest.raises(RegisterError, match=r"can't be used .*nothing was changed"):
            base.store(replace(make_entry(log=b"other"), **changes))
        # It goes on afterwards.
        base.store(make_entry("S-2"))
    assert [entry.serial for entry in stored(path)] == ["S-1", "S-2"]


def test_memory_is_a_file_like_any_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Register(Path(":memory:")) as base:
        base.store(make_entry())
    assert stored(tmp_path / ":memory:") == [make_entry()]


def later_version(path: Path) -> None:
    with Register(path) as base:
        base.store(make_entry())
    change(path, f"PRAGMA user_version = {len(MIGRATIONS) + 1}")


def other_database(path: Path) -> None:
    change(path, "CREATE TABLE recipes (name TEXT)")


def marked_by_another(path: Path) -> None:
    change(path, "PRAGMA application_id = 7")


def versioned_by_another(path: Path) -> None:
    change(path, "PRAGMA user_version = 1")


def cut_short(path: Path) -> None:
    with Register(path) as base:
        base.store(make_entry())
    path.write_bytes(path.read_bytes()[:5000])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (later_version, f"version {len(MIGRATIONS) + 1}, expected at most {len(MIGRATIONS)}"),
        (other_database, "a database of something else"),
        (marked_by_another, "a database of something else"),
        (versioned_by_another, "a database of something else"),
        (cut_short, "can't be used"),
        (lambda path: path.write_text("serial,verdict\n" * 200), "can't be used"),
        (lambda path: path.write_bytes(bytes(range(256)) * 20), "can't be used"),
        (lambda path: path.mkdir(), "can't be opened"),
    ],
    ids=["later", "other", "other's mark", "other's version", "cut", "text", "binary", "folder"],
)
@pytest.mark.parametrize("create", [True, False], ids=["create", "open"])
def test_what_is_no_register_is_refused_and_left_alone(
    make: Any, words: str, create: bool, tmp_path: Path
) -> None:
    path = tmp_path / "r.sqlite"
    make(path)
    before = None if path.is_dir() else path.read_bytes()
    if before is None and not create:
        words = "found no file"
    with pytest.raises(RegisterError) as caught, Register(path, create=create) as base:
        list(base.entries())
    (sentence,) = str(caught.value).splitlines()
    assert words in sentence
    assert sentence.startswith(str(path))
    assert (None if path.is_dir() else path.read_bytes()) == before
    assert not [file for file in tmp_path.iterdir() if file != path and file.stat().st_size]


def test_missing_file_is_made_only_where_asked(tmp_path: Path) -> None:
    with pytest.raises(RegisterError, match="found no file, expected a register"):
        Register(tmp_path / "none.sqlite", create=False)
    with pytest.raises(RegisterError, match="can't be opened"):
        Register(tmp_path / "none" / "r.sqlite")
    assert list(tmp_path.iterdir()) == []


@contextmanager
def as_nobody() -> Iterator[None]:
    """Without the right to write where the tests stand; root has it everywhere."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@needs_posix
def test_read_only_place_is_refused() -> None:
    # The folders of pytest can't be entered by others.
    with tempfile.TemporaryDirectory() as name:
        folder, path = Path(name), Path(name) / "r.sqlite"
        with Register(path) as base:
            base.store(make_entry())
        path.chmod(0o444)
        folder.chmod(0o555)
        before = path.read_bytes()
        try:
            with as_nobody():
                with pytest.raises(RegisterError, match=r"readonly|unable to open"), Register(path) as base:
                    base.store(make_entry("S-2"))
                with pytest.raises(RegisterError, match=r"can't be (opened|used)"):
                    Register(folder / "new.sqlite")
        finally:
            folder.chmod(0o755)
        assert path.read_bytes() == before
        assert [file.name for file in folder.iterdir()] == ["r.sqlite"]


def make_version_1(path: Path) -> None:
    """As the first release of the register would have left it."""
    with closing(sqlite3.connect(path)) as base, base:
        MIGRATIONS[0](base)
        base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        base.execute("PRAGMA user_version = 1")
        base.execute(
            "INSERT INTO tests VALUES (1, 'qualification', 'S-1', NULL, NULL, 'a.csv', 'l', 't', 9, ?)",
            (zlib.compress(b"a log"),),
        )
        base.execute(
            "INSERT INTO judgements VALUES (1, 1, '2026-01-01', '0.9', 'pass', '{}', ?, 'r')",
            (zlib.compress(b"{}"),),
        )


def schema(path: Path) -> tuple[int, set[str]]:
    with closing(sqlite3.connect(path)) as base:
        (version,) = base.execute("PRAGMA user_version").fetchone()
        names = {name for (name,) in base.execute("SELECT name FROM sqlite_master")}
    return version, names


def test_version_1_is_brought_up_and_keeps_its_tests(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    make_version_1(path)
    assert "tests_of_touches" not in schema(path)[1]
    (entry,) = stored(path)
    assert (entry.serial, entry.log, entry.result, entry.touches) == ("S-1", b"a log", b"{}", 9)
    version, names = schema(path)
    assert version == len(MIGRATIONS)
    assert "tests_of_touches" in names
    with Register(path) as base:
        assert base.store(replace(make_entry("S-2"), touches_sha256="t")).same_touches == ("S-1",)


def test_interrupted_migration_leaves_the_old_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.sqlite"
    make_version_1(path)

    def stopped(base: sqlite3.Connection) -> None:
        base.execute("CREATE TABLE half (done INTEGER)")
        raise KeyboardInterrupt

    before = schema(path)
    monkeypatch.setattr(module, "MIGRATIONS", (*MIGRATIONS, stopped))
    with pytest.raises(KeyboardInterrupt):
        Register(path)
    assert schema(path) == before
    with pytest.raises(KeyboardInterrupt):
        Register(tmp_path / "new.sqlite")
    assert schema(tmp_path / "new.sqlite") == (0, set())
    monkeypatch.undo()
    assert len(stored(path)) == 1
    with Register(tmp_path / "new.sqlite") as base:
        assert base.version == len(MIGRATIONS)


def test_full_disk_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        base.store(make_entry())
        base._base.execute("PRAGMA max_page_count = 20")
        with pytest.raises(RegisterError, match=r"disk is full.*nothing was changed"):
            base.store(make_entry("S-2", os.urandom(200_000)))
        base.store(make_entry("S-3"))
    assert [entry.serial for entry in stored(path)] == ["S-1", "S-3"]


@pytest.mark.parametrize(
    ("column", "blob", "words"),
    [
        ("log", b"not packed", "damaged"),
        ("log", zlib.compress(bytes(5000))[:-6], "no end"),
        ("log", zlib.compress(b"x" * 300)[:-1] + b"\x00", "damaged"),
        ("log", zlib.compress(bytes(2_000_000)), "no end"),
        ("log", 5, "damaged"),
        ("log", "text", "damaged"),
        ("serial", b"\x00\xff", r"damaged \(serial\)"),
        ("touches", "many", r"damaged \(touches\)"),
    ],
    ids=["no zlib", "cut", "checksum", "bomb", "number", "text", "serial as bytes", "touches as text"],
)
def test_damaged_entry_is_refused(
    column: str, blob: Any, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        base.store(make_entry())
    change(path, f"UPDATE tests SET {column} = ?", blob)
    monkeypatch.setattr(module, "LARGEST_LOG", 1_000_000)
    with pytest.raises(RegisterError, match=words):
        stored(path)
    if column != "log":
        with Register(path) as base, pytest.raises(RegisterError, match=words):
            list(base.heads())


def test_damaged_pages_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with Register(path) as base:
        for number in range(20):
            base.store(make_entry(f"S-{number}", os.urandom(3000)))
    data = bytearray(path.read_bytes())
    data[4096:40960] = bytes(36864)
    path.write_bytes(data)
    with pytest.raises(RegisterError, match="can't be used"):
        stored(path)


def test_many_openings_at_once_make_one_register(tmp_path: Path) -> None:
    faults: list[BaseException] = []

    def open_one(path: Path, gate: threading.Barrier) -> None:
        gate.wait()
        try:
            with Register(path):
                pass
        except BaseException as error:
            faults.append(error)

    for number in range(15):
        gate = threading.Barrier(6)
        threads = [
            threading.Thread(target=open_one, args=(tmp_path / f"{number}.sqlite", gate)) for _ in range(6)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert faults == []


WRITER = """
import sys
sys.path.insert(0, {tests!r})
from pathlib import Path
from test_register import make_entry
from probetest.register import Register
path, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
for number in range(count):
    with Register(path) as base:
        base.store(make_entry(f"{{name}}-{{number}}", f"{{name}} {{number}} ".encode() * 2000))
        print(number, flush=True)
"""


def start_writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    code = WRITER.format(tests=str(Path(__file__).parent))
    return subprocess.Popen(
        [sys.executable, "-c", code, str(path), name, str(count)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def assert_whole(path: Path) -> None:
    with closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []


def test_two_processes_that_write_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    writers = [start_writer(path, name, 40) for name in "AB"]
    ends = [(*writer.communicate(timeout=60), writer.returncode) for writer in writers]
    assert [(error, code) for _, error, code in ends] == [("", 0)] * 2
    assert_whole(path)
    assert sorted(entry.serial for entry in stored(path)) == sorted(
        f"{name}-{number}" for name in "AB" for number in range(40)
    )


@needs_posix
@pytest.mark.parametrize("lines", [1, 23])
def test_killed_writer_keeps_what_it_reported(lines: int, tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    with start_writer(path, "K", 100_000) as writer:
        assert writer.stdout is not None
        told = [writer.stdout.readline() for _ in range(lines)]
        writer.send_signal(signal.SIGKILL)
        told += writer.stdout.read().splitlines(keepends=True)
    reported = [int(line) for line in told if line.endswith("\n")]
    assert reported == list(range(len(reported)))
    assert len(reported) >= lines
    kept = [int(entry.serial.partition("-")[2]) for entry in stored(path)]
    # One more may be on the disk that it could not report any more.
    assert kept in (reported, [*reported, len(reported)])
    assert_whole(path)
