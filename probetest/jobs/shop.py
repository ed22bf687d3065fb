"""A folder of logs, over several processes: reports, register and summary; goes on after a stop."""

from __future__ import annotations

import csv
import io
from collections.abc import Container, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import asdict, dataclass, fields
from hashlib import sha256
from pathlib import Path
from typing import Any

from probetest.atomic import write_atomically
from probetest.errors import ProbetestError, ReportError
from probetest.faults import printable
from probetest.jobs.batch import Options, folder_name
from probetest.jobs.journal import RESULT, Journal, Written, task_key
from probetest.jobs.made import Made, Row, unusable
from probetest.jobs.pool import work
from probetest.jobs.registering import told
from probetest.register import Register

SUMMARY = "summary.csv"
REGISTER = "register.sqlite"

SUMMARY_COLUMNS = (*(one.name for one in fields(Row)), "folder")

LOG_SUFFIXES = (".csv", ".tsv", ".txt", ".log")

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""Beginnings of a cell that some spreadsheets take for a formula."""


@dataclass(frozen=True, slots=True)
class Shop:
    """How a batch is run.

    Attributes
    ----------
    out : pathlib.Path
        Where the reports go.
    pdf : bool
    workers : int
        Processes; 0 for one each processor.
    cluster : str or None
        Address of a Dask scheduler that does the work instead; its workers must see the logs under the
        same path.
    register : pathlib.Path or None
    again : bool
        Do what was done before as well.
    """

    out: Path
    pdf: bool = True
    workers: int = 0
    cluster: str | None = None
    register: Path | None = None
    again: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """A serial that is done, or a log that can't be used.

    Attributes
    ----------
    row : Row
    folder : pathlib.Path or None
    resumed : bool
        Whether an earlier run had done it.
    minds : tuple of str
        What the register found.
    """

    row: Row
    folder: Path | None
    resumed: bool = False
    minds: tuple[str, ...] = ()


def find_logs(places: Sequence[Path], out: Path) -> list[Path]:
    """The logs in folders, at any depth; files are taken as they are.

    The logs of a folder are ordered by their own folder, then by their name without its ending, so that
    ``A.csv`` comes before ``A-again1.csv``. Hidden files, files with another ending than those of a log,
    and the folder of the reports are left alone.

    Raises
    ------
    ReportError
        If a folder holds no log.
    """
    logs: list[Path] = []
    for place in places:
        found = sorted(_logs_in(place, out.resolve()), key=_rank) if place.is_dir() else [place]
        if not found:
            raise ReportError(
                f"{printable(str(place))}: found no log in this folder, expected files that end in "
                f"{', '.join(LOG_SUFFIXES)}."
            )
        logs.extend(found)
    return list(dict.fromkeys(logs))


def _rank(log: Path) -> tuple[tuple[str, ...], str, str]:
    return log.parent.parts, log.stem, log.name


def _logs_in(place: Path, out: Path) -> Iterator[Path]:
    inside = out != place.resolve() and out.is_relative_to(place.resolve())
    for path in place.rglob("*"):
        parts = path.relative_to(place).parts
        if any(part.startswith(".") for part in parts) or path.suffix.lower() not in LOG_SUFFIXES:
            continue
        report = inside and path.resolve().is_relative_to(out)
        if path.is_file() and not report and not _is_summary(path, out):
            yield path


def _is_summary(path: Path, out: Path) -> bool:
    """Whether a file is the summary of an earlier run into the same folder."""
    if path.resolve() != out / SUMMARY:
        return False
    with path.open("rb") as file:
        head = ",".join(SUMMARY_COLUMNS).encode()
        return file.read(len(head)) == head


def run_batch(logs: Sequence[Path], options: Options, shop: Shop) -> Iterator[list[Step]]:
    """Qualify logs; yields what became of each, in their order, once it is on the disk.

    Parameters
    ----------
    logs : sequence of pathlib.Path
    options : Options
    shop : Shop

    Yields
    ------
    list of Step
        One for each serial of a log, or one for a log that can't be used.

    Raises
    ------
    ProbetestError
        If the limits, the folder, the journal, the register or the cluster can't be used, or a process
        was stopped from outside. What was yielded before stays.
    """
    _make(shop.out)
    _spare_logs(logs, shop)
    options.read_limits()
    with ExitStack() as stack:
        journal = stack.enter_context(Journal(shop.out))
        base = stack.enter_context(Register(shop.register)) if shop.register else None
        keys = [_key(log, options, shop) for log in logs]
        earlier = [[] if key is None or shop.again else journal.done(key) for key in keys]
        if base is not None:
            # A run without a register, or with another one, has left it out here.
            kept = base.results()
            earlier = [done if _all_kept(done, kept) else [] for done in earlier]
        waiting = [log for log, key, done in zip(logs, keys, earlier, strict=True) if key and not done]
        made = work(waiting, options, pdf=shop.pdf, workers=shop.workers, cluster=shop.cluster)
        stack.enter_context(closing(made))
        taken = {} if shop.again else journal.owners(keys)
        taken.update(dict.fromkeys(_own_names(shop), ""))
        for log, key in zip(logs, keys, strict=True):
            # A log that is named like a serial comes before others of this serial, in whatever order.
            if key is not None:
                taken.setdefault(log.stem.casefold(), key)
        for log, key, done in zip(logs, keys, earlier, strict=True):
            if key is None:
                yield [Step(unusable(log, f"{log.name}: the file can't be read").row, None)]
            elif done:
                yield [Step(one.row, shop.out / one.folder, resumed=True) for one in done]
            else:
                yield _finish(next(made), key, journal, base, shop, taken)


def _spare_logs(logs: Sequence[Path], shop: Shop) -> None:
    summary = shop.out / SUMMARY
    if any(log.name == SUMMARY and log.resolve() == summary.resolve() for log in logs):
        raise ReportError(
            f"{printable(str(summary))}: this log would be written over; choose another --out, or rename it."
        )


def _all_kept(done: Sequence[Written], kept: frozenset[str]) -> bool:
    return all(one.files[RESULT] in kept for one in done)


def _own_names(shop: Shop) -> Iterator[str]:
    """Files beside the folders of the serials, which no serial can be named after."""
    yield SUMMARY
    for register in {REGISTER, shop.register.name if shop.register else REGISTER}:
        for ending in ("", "-wal", "-shm", "-journal"):
            yield f"{register}{ending}".casefold()


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(
            f"{printable(str(folder))}: the folder can't be made ({error.strerror}); choose another --out."
        ) from error


def _key(log: Path, options: Options, shop: Shop) -> str | None:
    try:
        return task_key(log, options, pdf=shop.pdf) if log.is_file() else None
    except OSError:
        return None


def _finish(
    made: Sequence[Made],
    key: str,
    journal: Journal,
    base: Register | None,
    shop: Shop,
    taken: dict[str, str],
) -> list[Step]:
    """Files first, then the register, then the journal: what the journal names is there."""
    steps: list[Step] = []
    written: list[Written] = []
    plain = {folder_name(one.row.serial).casefold() for one in made}
    given: set[str] = set()
    for one in made:
        if one.entry is None:
            steps.append(Step(one.row, None))
            continue
        name = next(
            name
            for name in _names(one, plain)
            if name.casefold() not in given and taken.setdefault(name.casefold(), key) == key
        )
        given.add(name.casefold())
        minds: list[str] = []
        try:
            digests = _write(shop.out / name, one.files)
            if base is not None:
                stored = base.store(one.entry)
                minds = told(one.entry, stored.outcome, stored.same_touches)
        except ProbetestError as error:
            steps.append(Step(unusable(Path(one.row.log), str(error)).row, None))
            continue
        written.append(Written(one.row, name, digests))
        steps.append(Step(one.row, shop.out / name, minds=tuple(minds)))
    if len(written) == len(made):
        journal.add(key, written)
    return steps


def _names(one: Made, plain: Container[str]) -> Iterator[str]:
    """Names for the folder of a serial, the best first; the later ones for where another log has it already.

    Parameters
    ----------
    one : Made
    plain : container of str
        First names of all serials of this log, without their case.

    Yields
    ------
    str
        The serial; the serial with the name of the log; from there on the serial with a part of a hash.
    """
    first = folder_name(one.row.serial)
    yield first
    stem = Path(one.row.log).stem
    rest = stem.removeprefix(first)
    # S-10 is no further log of S-1.
    further = stem if rest != stem and not rest[:1].isalnum() else f"{first}-{stem}"
    if folder_name(further) == further and further.casefold() not in plain:
        yield further
    mark = one.entry.log_sha256 if one.entry else ""
    while True:
        yield f"{first}-{mark[:10]}"
        # The same bytes under a third name go on from here.
        mark = sha256(mark.encode()).hexdigest()


def _write(folder: Path, files: Mapping[str, bytes]) -> dict[str, str]:
    _make(folder)
    for name, data in files.items():
        write_atomically(folder / name, data)
    return {name: sha256(data).hexdigest() for name, data in files.items()}


def write_summary(out: Path, steps: Sequence[Step]) -> Path:
    """Write a table of all serials of a batch; returns its place.

    Raises
    ------
    ReportError
        If it can't be written.
    """
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, SUMMARY_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for step in steps:
        plain: dict[str, Any] = asdict(step.row) | {"folder": step.folder.name if step.folder else ""}
        writer.writerow({name: _cell(value) for name, value in plain.items()})
    path = out / SUMMARY
    write_atomically(path, stream.getvalue().encode("utf-8", "backslashreplace"))
    return path


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value:.7f}"
    if isinstance(value, str):
        text = printable(value)
        return f"'{text}" if text.startswith(FORMULA) else text
    return value
