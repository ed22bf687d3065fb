"""Verify files: a log and an earlier result in, a verification report out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probetest.errors import ReportError
from probetest.faults import printable
from probetest.importers import import_log
from probetest.jobs.batch import Job, Options, date_of, log_itself, make_folder, read_jobs
from probetest.jobs.earlier import EarlierResult, read_result
from probetest.jobs.qualify import qualify
from probetest.jobs.reading import Reading
from probetest.jobs.registering import make_entry
from probetest.jobs.result import result_to_json
from probetest.jobs.verify import Verification, verification_to_json, verify
from probetest.limits import Limits
from probetest.register import Entry
from probetest.resources import bundled

TEMPLATE = "verification.ipynb"
DEMO_LOG = "SK1-008.csv"


@dataclass(frozen=True, slots=True)
class Verified:
    """A verification and the files that it came from.

    Attributes
    ----------
    job : Job
    against : pathlib.Path
    result : Verification
    """

    job: Job
    against: Path
    result: Verification


def verify_log(
    log: Path, against: Path, options: Options, advance: Callable[[int], None] = lambda _: None
) -> Verified:
    """Hold the serial of an earlier result in a log against that result.

    Parameters
    ----------
    log : pathlib.Path
    against : pathlib.Path
        A result.json, or a report.pdf with the result inside.
    options : Options
        Without a limits file the limits of the earlier result are used.
    advance : callable, optional
        Called with the number of bytes that were read.

    Raises
    ------
    ProbetestError
        If a file can't be used, or the log does not hold the serial.
    """
    earlier = read_result(against)
    job = _job_of(read_jobs([log], options, advance), log, earlier)
    limits = options.read_limits() if options.limits else earlier.limits
    return Verified(job, against, verify(qualify(job.triggers, limits), earlier))


def _job_of(jobs: list[Job], log: Path, earlier: EarlierResult) -> Job:
    for job in jobs:
        if job.triggers.record.serial == earlier.serial:
            return job
    held = ", ".join(f"'{printable(job.triggers.record.serial)}'" for job in jobs[:5])
    raise ReportError(
        f"{printable(str(log))}: found serial {held}, the result it is held against is of "
        f"'{printable(earlier.serial)}'; only tests of one probe can be compared."
    )


def open_verification(log: str, against: str, limits: str, reading: Mapping[str, Any]) -> Verification:
    """What the notebook reports on; without a log, an invented buyer's test of an invented probe.

    Parameters
    ----------
    log, against, limits : str
        Empty for the demo, and for the limits of the earlier result.
    reading : mapping
        As ``Reading.plain`` writes it.

    Raises
    ------
    ProbetestError
        If a file can't be used, or the log does not hold the serial.
    """
    options = Options(Path(limits) if limits else None, Reading.from_plain(reading))
    if log:
        return verify_log(Path(log), Path(against), options).result
    demo = bundled("data") / "demo"
    (left,), (arrived,) = (
        import_log(folder / DEMO_LOG, options.reading.told()).tests for folder in (demo, demo / "received")
    )
    earlier = EarlierResult.model_validate_json(result_to_json(qualify(left, Limits())))
    return verify(qualify(arrived, earlier.limits), earlier)


def write_verification(verified: Verified, out: Path, options: Options, *, pdf: bool) -> Path:
    """Write verification.json, and with ``pdf`` verification.pdf and .ipynb, into the folder of the serial.

    Raises
    ------
    ReportError
        If the folder can't be made or the report fails.
    """
    from probetest.report.render import NotebookRunner, notebook_to_bytes, notebook_to_pdf, write_atomically

    found, plain = verified.result.found, verification_to_json(verified.result)
    folder = make_folder(out, found)
    if pdf:
        parameters = {
            "log": str(verified.job.log.resolve()),
            "against": str(verified.against.resolve()),
            "limits": str(options.limits.resolve()) if options.limits else "",
            "reading": options.reading.plain(),
        }
        with NotebookRunner() as runner:
            notebook = runner.run(bundled("notebooks") / TEMPLATE, parameters)
        report = notebook_to_pdf(
            notebook,
            title="Verification",
            serial=found.record.serial,
            attachments={"verification.json": plain, **log_itself(verified.job)},
            date=date_of(found),
        )
        write_atomically(folder / "verification.ipynb", notebook_to_bytes(notebook))
        write_atomically(folder / "verification.pdf", report)
    write_atomically(folder / "verification.json", plain)
    return folder


def entry_of_verification(verified: Verified) -> Entry:
    """A verification as an entry of the register."""
    plain = verification_to_json(verified.result)
    word = verified.result.verdict
    return make_entry("verification", verified.result.found, verified.job.triggers, plain, word)
