"""The register: every test that was ever taken in, in one SQLite file.

A test is stored with its result, the limits, the version of the software, the hash of the log and the
touches themselves (as a native log), so that it can be judged again. Nothing is ever changed or removed:
a test that is judged anew, by other limits or a later version, gets a further judgement.

What `Register.store` has returned for is on the disk: one transaction each, synchronised (WAL,
``synchronous = FULL``). Several processes may write at once; each waits for its turn.
"""

from __future__ import annotations

import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self, get_args

from probetest.errors import ProbetestError
from probetest.faults import printable

Kind = Literal["qualification", "verification", "service"]
"""What a test was for; a service test holds stages beside the baseline."""

APPLICATION_ID = 0x70724231
"""Written into the head of the file, so that a database of something else is left alone."""

WAIT_S = 60.0
"""How long a process waits for others that write."""

PACKED = ("log", "result")

LARGEST_LOG = 1 << 30
"""Bytes of a native log or a result; more can't come from this software."""


class RegisterError(ProbetestError):
    """A register can't be used as it is."""


def _first_schema(base: sqlite3.Connection) -> None:
    base.execute(
        """CREATE TABLE tests (
            id INTEGER PRIMARY KEY,
            kind TEXT NOT NULL,
            serial TEXT NOT NULL,
            build TEXT,
            tested TEXT,
            file TEXT NOT NULL,
            log_sha256 TEXT NOT NULL,
            touches_sha256 TEXT NOT NULL,
            touches INTEGER NOT NULL,
            log BLOB NOT NULL,
            UNIQUE (kind, log_sha256, serial))"""
    )
    base.execute(
        """CREATE TABLE judgements (
            id INTEGER PRIMARY KEY,
            test INTEGER NOT NULL REFERENCES tests (id),
            stored TEXT NOT NULL,
            software TEXT NOT NULL,
            verdict TEXT NOT NULL,
            limits TEXT NOT NULL,
            result BLOB NOT NULL,
            result_sha256 TEXT NOT NULL,
            UNIQUE (test, result_sha256))"""
    )
    base.execute("CREATE INDEX tests_of_serial ON tests (serial)")


def _find_same_touches(base: sqlite3.Connection) -> None:
    base.execute("CREATE INDEX tests_of_touches ON tests (touches_sha256)")


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (_first_schema, _find_same_touches)
"""Step k brings a register of version k to version k + 1; a step that was published is never changed."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A test with its judgement.

    Attributes
    ----------
    kind, serial : str
    build : str or None
    tested : str or None
        Time of the first touch, ISO 8601; None where no day was logged.
    file : str
        Name of the log, without folders.
    log_sha256 : str
        Of the bytes of the log as it came.
    touches_sha256 : str
        Of what was touched and read, whatever the file around it.
    touches : int
        Approaches of the log.
    log : bytes
        The touches as a native log.
    software, verdict : str
    limits : str
        JSON.
    result : bytes
        ``result.json`` or ``verification.json`` of the test.
    result_sha256 : str
    """

    kind: Kind
    serial: str
    build: str | None
    tested: str | None
    file: str
    log_sha256: str
    touches_sha256: str
    touches: int
    log: bytes
    software: str
    verdict: str
    limits: str
    result: bytes
    result_sha256: str


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of an entry.

    Attributes
    ----------
    test : int
        Its number in the register.
    outcome : str
        "new"; "judged again" where the log was known and the result is another one; "known" where both
        were, and nothing was added.
    same_touches : tuple of str
        Other serials with exactly these touches: a log that was renamed or copied.
    """

    test: int
    outcome: Literal["new", "judged again", "known"]
    same_touches: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Head:
    """A test in a list, as in `Entry`, with its last judgement and how often it was judged."""

    kind: str
    serial: str
    build: str | None
    tested: str | None
    file: str
    software: str
    verdict: str
    touches: int
    judgements: int


_HEADS = """
    SELECT kind, serial, build, tested, file, software, verdict, touches,
        (SELECT count(*) FROM judgements WHERE test = tests.id)
    FROM tests JOIN judgements ON judgements.test = tests.id
    WHERE judgements.id = (SELECT max(id) FROM judgements WHERE test = tests.id)
    ORDER BY coalesce(tested, stored), tests.id"""

_FIELDS = tuple(one.name for one in fields(Entry))

_ENTRIES = """
    SELECT kind, serial, build, tested, file, log_sha256, touches_sha256, touches, log,
        software, verdict, limits, result, result_sha256
    FROM tests JOIN judgements ON judgements.test = tests.id
    WHERE ? OR judgements.id = (SELECT max(id) FROM judgements WHERE test = tests.id)
    ORDER BY coalesce(tested, stored), tests.id, judgements.id"""
"""Columns in the order of the fields of `Entry`."""


class Register:
    """A register file; a context manager.

    Parameters
    ----------
    path : pathlib.Path
        Made where it is missing, if ``create``.
    create : bool

    Raises
    ------
    RegisterError
        If the file is missing (and not to be made), is no register, is of a later version, or can't be
        opened.
    """

    def __init__(self, path: Path, *, create: bool = True) -> None:
        self.path = path
        self._name = printable(str(path))
        if not create and not path.is_file():
            raise RegisterError(f"{self._name}: found no file, expected a register.")
        try:
            # The whole path: ":memory:" alone is no file.
            self._base = sqlite3.connect(path.absolute(), timeout=WAIT_S, isolation_level=None)
        except sqlite3.Error as error:
            raise RegisterError(f"{self._name}: the register can't be opened ({error}).") from error
        try:
            with self._told():
                self._prepare()
        except BaseException:
            self._base.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Say in a sentence what SQLite found wrong."""
        try:
            yield
        except (sqlite3.Error, UnicodeError, OverflowError) as error:
            raise RegisterError(
                f"{self._name}: the register can't be used ({error}); nothing was changed by this step."
            ) from error

    def _prepare(self) -> None:
        base = self._base
        base.execute("PRAGMA foreign_keys = ON")
        with self._transaction("DEFERRED"):
            version = self._version()
        if version < len(MIGRATIONS):
            # The check comes again inside: another process may have been faster.
            with self._transaction():
                version = self._version()
                for step in MIGRATIONS[version:]:
                    step(base)
                base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                base.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        self._to_wal()
        base.execute("PRAGMA synchronous = FULL")

    def _to_wal(self) -> None:
        # SQLite itself does not wait for this one.
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                self._base.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                    raise
                time.sleep(0.01)
            else:
                return

    def _version(self) -> int:
        (mark,) = self._base.execute("PRAGMA application_id").fetchone()
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        (tables,) = self._base.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if mark != APPLICATION_ID and (mark or version or tables):
            raise RegisterError(
                f"{self._name}: found a database of something else, expected a register; choose another file."
            )
        if version > len(MIGRATIONS):
            raise RegisterError(
                f"{self._name}: found a register of version {version}, expected at most {len(MIGRATIONS)}; "
                "use the release of this software that wrote it, or a later one."
            )
        return int(version)

    @contextmanager
    def _transaction(self, kind: str = "IMMEDIATE") -> Iterator[None]:
        """All or nothing; one writer at a time, and a deferred one sees one state of the file."""
        self._base.execute(f"BEGIN {kind}")
        try:
            yield
            self._base.execute("COMMIT")
        except BaseException:
            # A full disk ends a transaction by itself.
            if self._base.in_transaction:
                self._base.execute("ROLLBACK")
            raise

    @property
    def version(self) -> int:
        """Version of the schema."""
        return self._version()

    def store(self, entry: Entry) -> Stored:
        """Store a test; it is on the disk when this returns.

        Raises
        ------
        RegisterError
            If it can't be stored; then nothing of it was.
        """
        if entry.kind not in get_args(Kind):
            raise RegisterError(f"found a test of kind {entry.kind!r}, expected one of {get_args(Kind)}.")
        base = self._base
        with self._told(), self._transaction():
            same = base.execute(
                "SELECT DISTINCT serial FROM tests WHERE touches_sha256 = ? AND serial <> ? ORDER BY serial",
                (entry.touches_sha256, entry.serial),
            ).fetchall()
            twins = tuple(serial for (serial,) in same)
            row = base.execute(
                "SELECT id FROM tests WHERE kind = ? AND log_sha256 = ? AND serial = ?",
                (entry.kind, entry.log_sha256, entry.serial),
            ).fetchone()
            test = int(row[0]) if row else self._add_test(entry)
            known = base.execute(
                "SELECT id FROM judgements WHERE test = ? AND result_sha256 = ?", (test, entry.result_sha256)
            ).fetchone()
            if known:
                return Stored(test, "known", twins)
            base.execute(
                "INSERT INTO judgements (test, stored, software, verdict, limits, result, result_sha256) "
                "VALUES (:test, :stored, :software, :verdict, :limits, :result, :result_sha256)",
                {
                    **asdict(entry),
                    "test": test,
                    "stored": datetime.now(UTC).isoformat(timespec="milliseconds"),
                    "result": zlib.compress(entry.result),
                },
            )
            return Stored(test, "judged again" if row else "new", twins)

    def _add_test(self, entry: Entry) -> int:
        added = self._base.execute(
            "INSERT INTO tests (kind, serial, build, tested, file, log_sha256, touches_sha256, touches, log) "
            "VALUES (:kind, :serial, :build, :tested, :file, :log_sha256, :touches_sha256, :touches, :log)",
            {**asdict(entry), "log": zlib.compress(entry.log)},
        )
        return int(added.lastrowid or 0)

    def entries(self, *, every: bool = False) -> Iterator[Entry]:
        """The stored tests, in the order in which they were made.

        Parameters
        ----------
        every : bool
            All judgements of a test; otherwise its last one.

        Raises
        ------
        RegisterError
            If the register is damaged.
        """
        with self._told():
            for row in self._base.execute(_ENTRIES, (every,)):
                plain: dict[str, Any] = dict(zip(_FIELDS, row, strict=True))
                plain.update({name: self._unpacked(plain[name]) for name in PACKED})
                entry = Entry(**plain)
                self._check_types(entry)
                yield entry

    def heads(self) -> Iterator[Head]:
        """What a list shows of each test, in the order of `entries` and with its errors."""
        with self._told():
            for row in self._base.execute(_HEADS):
                head = Head(*row)
                self._check_types(head)
                yield head

    def results(self) -> frozenset[str]:
        """SHA-256 of every result in the register."""
        with self._told():
            return frozenset(one for (one,) in self._base.execute("SELECT result_sha256 FROM judgements"))

    def _check_types(self, found: Entry | Head) -> None:
        """A column of SQLite takes anything, so that a file of somebody else may hold anything."""
        for one in fields(found):
            value = getattr(found, one.name)
            kind = int if one.name in ("touches", "judgements") else bytes if one.name in PACKED else str
            if not isinstance(value, kind) and not (value is None and one.name in ("build", "tested")):
                raise RegisterError(f"{self._name}: an entry is damaged ({one.name}); use a copy.")

    def _unpacked(self, data: bytes) -> bytes:
        """The bytes that were stored; a damaged or endless one is refused."""
        unpacker = zlib.decompressobj()
        try:
            plain = unpacker.decompress(data, LARGEST_LOG)
        except (zlib.error, TypeError) as error:
            raise RegisterError(f"{self._name}: an entry is damaged ({error}); use a copy.") from error
        if not unpacker.eof:
            raise RegisterError(f"{self._name}: an entry is damaged (it has no end); use a copy.")
        return plain

    def __len__(self) -> int:
        """Tests, each counted once."""
        with self._told():
            return int(self._base.execute("SELECT count(*) FROM tests").fetchone()[0])
