"""Qualify files: logs in, a folder with report and result for each serial out."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import file_digest, sha256
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from probetest.errors import ImportDataError, ProbetestError, ReportError
from probetest.faults import printable
from probetest.importers import import_log
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.reading import Reading
from probetest.jobs.recall import Recall, signature
from probetest.jobs.result import result_to_json
from probetest.limits import Limits, read_limits
from probetest.resources import bundled
from probetest.triggers import UNDATED, Triggers

if TYPE_CHECKING:
    from nbformat import NotebookNode

TEMPLATE = "acceptance.ipynb"
DEMO_LOG = "SK1-001.csv"

LARGEST_ATTACHED = 5_000_000
"""Larger logs are not put inside the report."""

PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}")

PLAIN_SUFFIXES = (".csv", ".tsv", ".txt", ".log")
"""Endings that the log keeps inside the report; any other becomes .txt."""

RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
"""Names that some systems keep for devices."""

NOTHING: Mapping[str, Any] = MappingProxyType({})

_LAST: Recall[Qualification] = Recall()


@dataclass(frozen=True, slots=True)
class Job:
    """One serial to qualify.

    Attributes
    ----------
    log : pathlib.Path
    triggers : Triggers
    """

    log: Path
    triggers: Triggers


@dataclass(frozen=True, slots=True)
class Options:
    """How logs are read and judged.

    Attributes
    ----------
    limits : pathlib.Path or None
        Limits file; None for the defaults.
    reading : Reading
        What the user answers where the log doesn't.
    """

    limits: Path | None = None
    reading: Reading = field(default_factory=Reading)

    def read_limits(self) -> Limits:
        """The limits to judge by."""
        return Limits() if self.limits is None else read_limits(self.limits)


def open_test(log: str, serial: str, limits: str, reading: Mapping[str, Any]) -> tuple[Triggers, Limits]:
    """What the notebook reports on: the named serial of a log, or the demo log where none is named.

    Parameters
    ----------
    log, serial, limits : str
        Empty for the demo log, for the first serial, and for the default limits.
    reading : mapping
        As ``Reading.plain`` writes it.

    Raises
    ------
    ImportDataError
        If the log can't be used.
    ReportError
        If the log does not hold the serial.
    """
    options = Options(Path(limits) if limits else None, Reading.from_plain(reading))
    path = Path(log) if log else bundled("data") / "demo" / DEMO_LOG
    tests = import_log(path, options.reading.told()).tests
    for triggers in tests:
        if not serial or triggers.record.serial == serial:
            return triggers, options.read_limits()
    raise ReportError(f"{path.name}: no serial '{serial}' in this log")


def open_qualification(
    log: str = "", serial: str = "", limits: str = "", reading: Mapping[str, Any] = NOTHING
) -> Qualification:
    """Qualify what the notebook reports on; parameters and errors are those of `open_test` and `qualify`.

    The last answer is kept: where reports are made in this very process, the notebook asks for what was
    just computed.
    """
    path = Path(log) if log else bundled("data") / "demo" / DEMO_LOG
    said = json.dumps([serial, dict(reading)], sort_keys=True)
    files = signature([path, *([Path(limits)] if limits else [])])
    return _LAST.get((said, files), lambda: qualify(*open_test(str(path), serial, limits, reading)))


def folder_name(serial: str) -> str:
    """A safe folder name for a serial: itself where plain, otherwise readable letters and a hash.

    Examples
    --------
    >>> folder_name("SK1-001")
    'SK1-001'
    >>> folder_name("../x")
    'x-d6b96a97d1'
    """
    if PLAIN.fullmatch(serial) and not RESERVED.fullmatch(serial) and not serial.endswith("."):
        return serial
    readable = re.sub(r"[^A-Za-z0-9]+", "-", serial).strip("-")[:40]
    digest = sha256(serial.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return f"{readable}-{digest}" if readable else digest


def read_jobs(
    logs: Sequence[Path], options: Options, advance: Callable[[int], None] = lambda _: None
) -> list[Job]:
    """Read all logs; every problem of every file is collected before anything is written.

    Parameters
    ----------
    logs : sequence of pathlib.Path
    options : Options
    advance : callable, optional
        Called with the number of bytes that were read.

    Raises
    ------
    ImportDataError
        With the problems of all files; also when two logs hold one serial.
    """
    told = options.reading.told()
    jobs: list[Job] = []
    problems: list[ImportDataError] = []
    for log in logs:
        try:
            tests = import_log(log, told, advance=advance).tests
            jobs.extend(Job(log, triggers) for triggers in tests)
        except ImportDataError as error:
            problems.append(error)
    if problems:
        faults = [fault for error in problems for fault in error.faults]
        raise ImportDataError(faults, sum(error.total for error in problems))
    _refuse_doubles(jobs)
    return jobs


def _refuse_doubles(jobs: Sequence[Job]) -> None:
    seen: dict[str, Job] = {}
    for job in jobs:
        key = folder_name(job.triggers.record.serial).casefold()
        other = seen.setdefault(key, job)
        if other is not job:
            twin = other.triggers.source.sha256 == job.triggers.source.sha256
            raise ProbetestError(
                f"{printable(str(job.log))}: serial '{printable(job.triggers.record.serial)}' would be "
                f"written over '{printable(other.triggers.record.serial)}' of {printable(str(other.log))}"
                f"{' (the same bytes)' if twin else ''}; give each serial once, or qualify the tests one "
                "after the other into different folders."
            )


def qualify_jobs(
    jobs: Sequence[Job], limits: Limits, done: Callable[[], None] = lambda: None
) -> list[tuple[Job, Qualification]]:
    """Compute all results; nothing is written, so a later problem leaves nothing half done."""
    results = []
    for job in jobs:
        results.append((job, qualify(job.triggers, limits)))
        done()
    return results


def write_results(
    results: Sequence[tuple[Job, Qualification]], out: Path, options: Options, *, pdf: bool
) -> Iterator[Path]:
    """Write a folder for each serial; yields the folder when it is complete.

    Raises
    ------
    ReportError
        If a folder can't be made or a report fails.
    """
    # The report engine takes half a second to import; without a PDF it isn't needed.
    from probetest.report.render import NotebookRunner, write_atomically

    if not pdf:
        for _, found in results:
            folder = make_folder(out, found)
            write_atomically(folder / "result.json", result_to_json(found))
            yield folder
        return
    with NotebookRunner() as runner:
        for job, found in results:
            folder = make_folder(out, found)
            notebook = runner.run(bundled("notebooks") / TEMPLATE, notebook_parameters(job, options))
            for name, data in report_files(job, found, notebook, result_to_json(found)).items():
                write_atomically(folder / name, data)
            yield folder


def make_folder(out: Path, found: Qualification) -> Path:
    """The folder of a serial, made where it is missing.

    Raises
    ------
    ReportError
        If it can't be made.
    """
    folder = out / folder_name(found.record.serial)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(
            f"{folder}: the folder can't be made ({error.strerror}); choose another --out."
        ) from error
    return folder


def notebook_parameters(job: Job, options: Options) -> dict[str, Any]:
    """What the notebook must be told to report on a job."""
    return {
        "log": str(job.log.resolve()),
        "serial": job.triggers.record.serial,
        "limits": str(options.limits.resolve()) if options.limits else "",
        "reading": options.reading.plain(),
    }


def report_files(job: Job, found: Qualification, notebook: NotebookNode, result: bytes) -> dict[str, bytes]:
    """The files of a report by their names, from its executed notebook and its result.json.

    Raises
    ------
    ReportError
        If the report can't be typeset, or the log changed meanwhile.
    """
    from probetest.report.render import notebook_to_bytes, notebook_to_pdf

    report = notebook_to_pdf(
        notebook,
        title="Acceptance test",
        serial=found.record.serial,
        attachments={"result.json": result, **log_itself(job)},
        date=date_of(found),
    )
    return {"report.ipynb": notebook_to_bytes(notebook), "report.pdf": report, "result.json": result}


def log_itself(job: Job) -> dict[str, bytes]:
    """The log, to travel inside the report; empty where it is large.

    Raises
    ------
    ReportError
        If the file is no longer the one that was read.
    """
    changed = f"{job.log}: the log changed while it was being qualified; run it again."
    try:
        with job.log.open("rb") as file:
            if file_digest(file, "sha256").hexdigest() != job.triggers.source.sha256:
                raise ReportError(changed)
            if file.tell() > LARGEST_ATTACHED:
                return {}
            file.seek(0)
            suffix = job.log.suffix if job.log.suffix.lower() in PLAIN_SUFFIXES else ".txt"
            return {f"trigger-log{suffix}": file.read()}
    except OSError as error:
        raise ReportError(changed) from error


def date_of(found: Qualification) -> datetime | None:
    """Day of the test, so that the same log gives the same report; None where no day was logged."""
    times = found.series.level["time"].dropna()
    return None if times.empty or times.min().date() == UNDATED else times.max().to_pydatetime()
