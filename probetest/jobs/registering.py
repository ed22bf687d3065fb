"""Tests into the register, and the register to plain files and back."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from probetest.faults import printable
from probetest.importers.native import native_log
from probetest.jobs.qualify import Qualification
from probetest.jobs.result import result_to_json, tested_at
from probetest.register import Entry, Kind, Register, RegisterError
from probetest.triggers import Triggers

INDEX = "register.csv"
"""The list of an exported register."""

LARGEST_INDEX, LARGEST_FILE = 100_000_000, 1 << 30

TOUCHED = ("orientation_deg", "azimuth_deg", "elevation_deg", "x_mm", "y_mm", "z_mm", "reading_mm")
NANOMETRE = 1e-6


def entry_of(found: Qualification, triggers: Triggers, result: bytes | None = None) -> Entry:
    """A qualification as an entry of the register.

    Parameters
    ----------
    found : Qualification
    triggers : Triggers
        What it was made from.
    result : bytes, optional
        Its result.json, where it was written already.

    Returns
    -------
    Entry
        Of kind "service" where the log holds further stages, else "qualification".
    """
    result = result_to_json(found) if result is None else result
    kind: Kind = "service" if triggers.frame["stage"].nunique() > 1 else "qualification"
    return make_entry(kind, found, triggers, result, found.verdict)


def make_entry(kind: Kind, found: Qualification, triggers: Triggers, result: bytes, verdict: str) -> Entry:
    """An entry of any kind from the test, its qualification, and the JSON that tells the outcome."""
    stated = json.loads(result)
    # A file name may hold bytes that are no text; an entry is text.
    file = printable(triggers.source.file)
    triggers = replace(triggers, source=replace(triggers.source, file=file))
    return Entry(
        kind=kind,
        serial=found.record.serial,
        build=found.record.build,
        tested=tested_at(found),
        file=file,
        log_sha256=triggers.source.sha256,
        touches_sha256=touches_digest(triggers),
        touches=len(triggers.frame),
        log=native_log(triggers, decimals=None, keep_lines=True).encode(),
        software=str(stated["software"]),
        verdict=verdict,
        limits=json.dumps(found.limits.model_dump(mode="json"), sort_keys=True),
        result=result,
        result_sha256=sha256(result).hexdigest(),
    )


def touches_digest(triggers: Triggers) -> str:
    """SHA-256 of what was touched and read, to the nanometre, whatever the file around it."""
    frame = triggers.frame
    numbers = np.rint(np.nan_to_num(frame[list(TOUCHED)].to_numpy(), nan=-1e6) / NANOMETRE)
    digest = sha256(numbers.astype("<i8").tobytes())
    digest.update(frame["outcome"].cat.codes.to_numpy(np.int8).tobytes())
    return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class Moved:
    """What an export or an import did.

    Attributes
    ----------
    judgements : int
        Exported, or read from the folder.
    new : int
        Of these, how many the register did not hold before.
    """

    judgements: int
    new: int


def export_register(register: Register, folder: Path, done: Callable[[], None] = lambda: None) -> Moved:
    """Write every test and judgement as plain files, with a list of them.

    Parameters
    ----------
    register : Register
    folder : pathlib.Path
        Must not exist, or be empty.
    done : callable
        Called after each judgement.

    Raises
    ------
    RegisterError
        If the folder holds something, or can't be written.
    """
    name = printable(str(folder))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise RegisterError(f"{name}: found a folder with files in it, expected a new or an empty one.")
        rows = []
        for number, entry in enumerate(register.entries(every=True), start=1):
            log, result = f"{number:06d}-log.csv", f"{number:06d}-result.json"
            (folder / log).write_bytes(entry.log)
            (folder / result).write_bytes(entry.result)
            rows.append({**_plain(entry), "log": log, "result": result})
            done()
        # The list comes last: a folder without it is no complete export.
        (folder / INDEX).write_text(_table(rows), encoding="utf-8")
    except OSError as error:
        raise RegisterError(f"{name}: the export can't be written ({error.strerror}).") from error
    return Moved(len(rows), 0)


def _plain(entry: Entry) -> dict[str, Any]:
    left_out = ("log", "result")
    plain = {one.name: getattr(entry, one.name) for one in fields(entry) if one.name not in left_out}
    plain["log_bytes_sha256"] = sha256(entry.log).hexdigest()
    # JSON in each cell: a serial such as "=1+1" stands in quotes, and a spreadsheet runs no formula.
    return {key: json.dumps(value) for key, value in plain.items()}


def _table(rows: list[dict[str, Any]]) -> str:
    stream = io.StringIO(newline="")
    names = [*(one.name for one in fields(Entry)), "log_bytes_sha256"]
    writer = csv.DictWriter(stream, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def import_register(register: Register, folder: Path, done: Callable[[], None] = lambda: None) -> Moved:
    """Read an export into a register; what it holds already is left as it is.

    Parameters
    ----------
    register : Register
    folder : pathlib.Path
        As `export_register` wrote it.
    done : callable
        Called after each judgement.

    Raises
    ------
    RegisterError
        If the list is missing or a file is not the one that it names. What was read before stays.
    """
    judgements = new = 0
    for entry in _read(folder):
        judgements += 1
        new += register.store(entry).outcome != "known"
        done()
    return Moved(judgements, new)


def count_judgements(folder: Path) -> int:
    """Judgements in an export, for a progress bar.

    Raises
    ------
    RegisterError
        If the list can't be read.
    """
    return len(_rows(folder))


def _rows(folder: Path) -> list[dict[str, str]]:
    index = folder / INDEX
    name = printable(str(index))
    try:
        if not index.is_file() or index.stat().st_size > LARGEST_INDEX:
            raise RegisterError(f"{name}: found no list of an exported register, expected one.")
        text = index.read_text(encoding="utf-8")
        return list(csv.DictReader(io.StringIO(text, newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RegisterError(f"{name}: the list can't be read ({error}).") from error


def _read(folder: Path) -> Iterator[Entry]:
    for line, row in enumerate(_rows(folder), start=2):
        place = f"{printable(str(folder / INDEX))}, line {line}"
        try:
            log, result = (_file(folder, row[name]) for name in ("log", "result"))
            plain = {key: json.loads(row[key]) for key in row if key not in ("log", "result")}
            if sha256(log).hexdigest() != plain.pop("log_bytes_sha256"):
                raise RegisterError(f"{place}: the log is not the one that was exported; export again.")
            if sha256(result).hexdigest() != plain["result_sha256"]:
                raise RegisterError(f"{place}: the result is not the one that was exported; export again.")
            entry = Entry(**plain, log=log, result=result)
            _check_types(entry)
        except (KeyError, TypeError, ValueError, RecursionError, OSError) as error:
            raise RegisterError(
                f"{place}: found no complete entry, expected what an export writes; export again."
            ) from error
        yield entry


def _check_types(entry: Entry) -> None:
    for one in fields(entry):
        value = getattr(entry, one.name)
        kind = bytes if one.name in ("log", "result") else int if one.name == "touches" else str
        if not isinstance(value, kind) and not (value is None and one.name in ("build", "tested")):
            raise TypeError(one.name)


def _file(folder: Path, name: str) -> bytes:
    """The bytes of a file of the export; a name that leads out of it is refused."""
    if Path(name).name != name or not name:
        raise ValueError(name)
    path = folder / name
    if path.is_symlink() or not path.is_file() or path.stat().st_size > LARGEST_FILE:
        raise ValueError(name)
    return path.read_bytes()


def keep(register: Path | None, entries: Iterator[Entry]) -> list[str]:
    """Store entries where a register was named; returns what a user must mind.

    Raises
    ------
    RegisterError
        If an entry can't be stored.
    """
    if register is None:
        return []
    minds: list[str] = []
    with Register(register) as base:
        for entry in entries:
            stored = base.store(entry)
            minds.extend(told(entry, stored.outcome, stored.same_touches))
    return minds


def told(entry: Entry, outcome: str, twins: tuple[str, ...]) -> list[str]:
    """What is worth telling of a test that was stored."""
    minds = []
    if outcome == "known":
        minds.append(f"{entry.serial}: this log is in the register already, with the same result")
    if outcome == "judged again":
        minds.append(f"{entry.serial}: this log was in the register; its new result was added")
    if twins:
        others = ", ".join(twins[:5])
        minds.append(f"{entry.serial}: the register holds exactly these touches for serial {others} as well")
    return minds
