"""What a batch has done, log by log, so that a batch that was stopped goes on where it was."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Self

from pydantic import TypeAdapter, ValidationError

import probetest
from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.batch import Options
from probetest.jobs.made import Row

NAME = ".batch-journal.jsonl"
LARGEST = 1_000_000_000

RESULT = "result.json"
"""The file that each folder holds."""


@dataclass(frozen=True, slots=True)
class Written:
    """A serial whose files are on the disk.

    Attributes
    ----------
    row : Row
    folder : str
        Name of its folder in the folder of the batch.
    files : dict of str to str
        SHA-256 of each file by its name.
    """

    row: Row
    folder: str
    files: dict[str, str]


@dataclass(frozen=True, slots=True)
class _Line:
    key: str
    written: list[Written]


_LINE = TypeAdapter(_Line)


def task_key(log: Path, options: Options, *, pdf: bool) -> str:
    """What makes a report: the log, the limits, the answers, the software. The same key, the same report.

    Raises
    ------
    OSError
        If the log can't be read.
    """
    told = options.reading.plain()
    for name, value in told.items():
        path = Path(str(value))
        # A file of answers may have changed under its name.
        if isinstance(value, str) and path.is_absolute() and path.is_file():
            told[name] = sha256(path.read_bytes()).hexdigest()
    plain = {
        "log": sha256(log.read_bytes()).hexdigest(),
        "file": log.name,
        "limits": options.read_limits().model_dump(mode="json"),
        "stated": sorted(options.read_limits().model_fields_set),
        "reading": told,
        "software": probetest.__version__,
        "pdf": pdf,
    }
    return sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


class Journal:
    """The journal of a folder; a context manager.

    Parameters
    ----------
    folder : pathlib.Path
        Where the reports go.

    Raises
    ------
    ReportError
        If it can't be read or written.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, list[Written]] = {}
        path = folder / NAME
        try:
            if path.exists():
                self._read(path)
            self._file = path.open("ab")
        except OSError as error:
            raise ReportError(f"{printable(str(path))}: the journal can't be used ({error}).") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def _read(self, path: Path) -> None:
        if not path.is_file() or path.stat().st_size > LARGEST:
            raise ReportError(f"{printable(str(path))}: found no journal of a batch; remove it.")
        with path.open("rb") as file:
            for line in file:
                # A line that was being written when the batch was stopped counts for nothing.
                found = _parsed(line)
                if found is not None:
                    self._known[found[0]] = found[1]

    def done(self, key: str) -> list[Written]:
        """What was written for a task and is still as it was; empty where it must be done again."""
        found = self._known.get(key, [])
        return found if all(self._is_there(one) for one in found) else []

    def _is_there(self, one: Written) -> bool:
        # The names come from a file that anybody could have written.
        if RESULT not in one.files or not all(_is_plain(name) for name in (one.folder, *one.files)):
            return False
        try:
            return all(
                sha256((self._folder / one.folder / name).read_bytes()).hexdigest() == digest
                for name, digest in one.files.items()
            )
        except (OSError, ValueError):
            return False

    def owners(self, keys: Iterable[str | None]) -> dict[str, str]:
        """Which of some tasks each folder was written for; names without their case."""
        return {
            one.folder.casefold(): key for key in keys if key is not None for one in self._known.get(key, ())
        }

    def add(self, key: str, written: Sequence[Written]) -> None:
        """Note that a task is done; its files must be on the disk."""
        line = json.dumps({"key": key, "written": [asdict(one) for one in written]})
        try:
            self._file.write(b"\n" + line.encode() + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            name = printable(str(self._folder / NAME))
            raise ReportError(f"{name}: the journal can't be written ({error.strerror}).") from error
        self._known[key] = list(written)


def _is_plain(name: str) -> bool:
    """Whether a name is that of a file or a folder in this very folder."""
    return name not in ("", ".", "..") and Path(name).name == name


def _parsed(line: bytes) -> tuple[str, list[Written]] | None:
    try:
        found = _LINE.validate_json(line, strict=True)
    except ValidationError:
        return None
    return found.key, found.written
