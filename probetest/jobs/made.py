"""One log to the bytes of its reports, in a process of a batch."""

from __future__ import annotations

import atexit
import functools
import gc
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from probetest.errors import ProbetestError
from probetest.faults import printable
from probetest.jobs.batch import (
    TEMPLATE,
    Job,
    Options,
    notebook_parameters,
    open_qualification,
    read_jobs,
    report_files,
)
from probetest.jobs.qualify import Qualification
from probetest.jobs.registering import entry_of
from probetest.jobs.result import result_to_json
from probetest.register import Entry
from probetest.resources import bundled
from probetest.statistics.decision import Verdict

if TYPE_CHECKING:
    from probetest.report.shell import ShellRunner

_ONE_SHELL = threading.Lock()
"""A worker of a cluster has several threads, and a process one shell, one folder, one environment."""


@dataclass(frozen=True, slots=True)
class Row:
    """What the summary of a batch says of one serial; lengths in mm, intervals 95 %.

    Attributes
    ----------
    log, serial, build : str
        The log without its folders.
    verdict : str or None
        None where the log couldn't be used.
    sd_mm, sd_lower_mm, sd_upper_mm : float or None
        None where it is not resolved.
    variation_mm, variation_lower_mm, variation_upper_mm : float or None
    of : str
        Whose variation it is.
    approaches, triggers : int
    not_passed : str
        Checks that did not pass, each with its verdict.
    problem : str
        Why there is no verdict.
    """

    log: str
    serial: str = ""
    build: str = ""
    verdict: Verdict | None = None
    sd_mm: float | None = None
    sd_lower_mm: float | None = None
    sd_upper_mm: float | None = None
    variation_mm: float | None = None
    variation_lower_mm: float | None = None
    variation_upper_mm: float | None = None
    of: str = ""
    approaches: int = 0
    triggers: int = 0
    not_passed: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Made:
    """The reports of one serial, not yet written.

    Attributes
    ----------
    row : Row
    files : dict of str to bytes
        By file name; empty where the log couldn't be used.
    entry : Entry or None
        For the register.
    """

    row: Row
    files: dict[str, bytes]
    entry: Entry | None


def make_reports(log: Path, options: Options, *, pdf: bool) -> list[Made]:
    """Qualify each serial of a log; a problem of the user's ends in a row, not in an error."""
    try:
        return [_made(job, options, pdf=pdf) for job in read_jobs([log], options)]
    except ProbetestError as error:
        return [unusable(log, str(error))]
    except OSError as error:
        return [unusable(log, f"{log.name}: {error.strerror or error}")]


def unusable(log: Path, problem: str) -> Made:
    """A row for a log that gave no report."""
    return Made(Row(printable(log.name), problem=" ".join(printable(problem).split())), {}, None)


def _made(job: Job, options: Options, *, pdf: bool) -> Made:
    parameters = notebook_parameters(job, options)
    found = open_qualification(**parameters)
    result = result_to_json(found)
    if pdf:
        with _ONE_SHELL:
            notebook = _runner().run(bundled("notebooks") / TEMPLATE, parameters)
            files = report_files(job, found, notebook, result)
        _settle()
    else:
        files = {"result.json": result}
    return Made(row_of(job.log, found), files, entry_of(found, job.triggers, result))


@functools.cache
def _runner() -> ShellRunner:
    """The shell of this process; it lasts as long as the process."""
    from probetest.report.shell import ShellRunner

    runner = ShellRunner()
    runner.__enter__()
    atexit.register(runner.__exit__, None, None, None)
    return runner


@functools.cache
def _settle() -> None:
    """After the first report, take what all reports share out of the collector's rounds: they took 7 %."""
    gc.collect()
    gc.freeze()


def row_of(log: Path, found: Qualification) -> Row:
    """The line of a summary."""
    return Row(
        log=printable(log.name),
        serial=found.record.serial,
        build=found.record.build or "",
        verdict=found.verdict,
        **dict(_scatter(found)),
        **dict(_variation(found)),
        approaches=found.outcomes.approaches,
        triggers=found.outcomes.triggers,
        not_passed="; ".join(
            f"{check.label}: {check.verdict}" for check in found.checks if check.verdict != "pass"
        ),
    )


def _scatter(found: Qualification) -> Iterator[tuple[str, Any]]:
    spread = found.analysis.repeatability
    if spread.resolved:
        yield "sd_mm", spread.sd_mm
        yield "sd_lower_mm", spread.interval_mm.lower
        yield "sd_upper_mm", spread.interval_mm.upper


def _variation(found: Qualification) -> Iterator[tuple[str, Any]]:
    own = found.separated.known.probe if found.separated.known else None
    whole = found.analysis.variation
    if own is not None:
        value, limits, of = own.variation_mm, own.interval_mm(), "probe"
    elif whole is not None:
        value, limits, of = whole.variation_mm, whole.interval_mm, "probe + machine"
    else:
        return
    yield "variation_mm", value
    yield "variation_lower_mm", limits.lower
    yield "variation_upper_mm", limits.upper
    yield "of", of
