"""Files of a comparison: tests in, report out."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from probetest.atomic import write_atomically
from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.batch import NOTHING, Options
from probetest.jobs.compare import BuildComparison, compare_builds
from probetest.jobs.compare_json import comparison_to_dict
from probetest.jobs.reading import Reading
from probetest.jobs.recall import Recall, signature
from probetest.jobs.result import plain_json
from probetest.jobs.tested import gather
from probetest.margins import read_margins
from probetest.resources import bundled

TEMPLATE = "comparison.ipynb"

DEMO = "production"
"""Folder of the demo logs that the notebook takes on its own."""

_LAST: Recall[BuildComparison] = Recall()


def open_comparison(
    logs: Sequence[str] = (),
    register: str = "",
    by: str = "build",
    margins: str = "",
    limits: str = "",
    reading: Mapping[str, Any] = NOTHING,
    *,
    only: Sequence[str] = (),
    last: bool = False,
    advance: Callable[[], None] = lambda: None,
) -> BuildComparison:
    """Compare builds as the command line or a notebook names them.

    Parameters
    ----------
    logs : sequence of str
        Logs, results or reports; those of the demo production where neither these nor a register are named.
    register, by, margins, limits : str
        Empty for none, and for the defaults.
    reading : mapping
        As ``Reading.plain`` writes it.
    only, last
        As in `compare_builds`.
    advance : callable
        Called after each file.

    Returns
    -------
    BuildComparison
        The last one again where nothing has changed since: a notebook that runs in this very process asks
        for what was just computed.

    Raises
    ------
    ProbetestError
        If a file can't be used, or there is nothing to compare.
    """
    places = [Path(log) for log in logs]
    if not places and not register:
        places = demo_production()
    said = [by, list(only), last, dict(reading), register, margins, limits]
    files = [*places, *(Path(name) for name in (register, margins, limits) if name)]

    def make() -> BuildComparison:
        options = Options(Path(limits) if limits else None, Reading.from_plain(reading))
        found = gather(places, Path(register) if register else None, options, advance)
        return compare_builds(
            found, by, read_margins(Path(margins) if margins else None), only=only, last=last
        )

    return _LAST.get((json.dumps(said), signature(files)), make)


def demo_production() -> list[Path]:
    """The logs of the invented production."""
    return sorted((bundled("data") / "demo" / DEMO).glob("*.csv"))


def last_day(times: Iterable[str | None]) -> datetime | None:
    """Time of the last test, so that the same tests give the same report; None where none has a day."""
    known = [time for time in times if time is not None]
    return datetime.fromisoformat(max(known)) if known else None


def make_out(out: Path) -> None:
    """Make the folder of a report.

    Raises
    ------
    ReportError
        If it can't be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(
            f"{printable(str(out))}: the folder can't be made ({error.strerror}); choose another --out."
        ) from error


def comparison_to_json(found: BuildComparison) -> bytes:
    """The bytes of comparison.json."""
    return plain_json(comparison_to_dict(found))


def write_comparison(parameters: Mapping[str, Any], out: Path, *, pdf: bool) -> Path:
    """Write comparison.json, and with ``pdf`` comparison.pdf and .ipynb, into a folder; returns it.

    Parameters
    ----------
    parameters : mapping
        Those of `open_comparison`, plain.
    out : pathlib.Path
    pdf : bool

    Raises
    ------
    ProbetestError
        As in `open_comparison`, and if the folder can't be made or the report fails.
    """
    found = open_comparison(**parameters)
    plain = comparison_to_json(found)
    make_out(out)
    if pdf:
        from probetest.report.render import notebook_to_bytes, notebook_to_pdf
        from probetest.report.shell import ShellRunner

        with ShellRunner() as runner:
            notebook = runner.run(bundled("notebooks") / TEMPLATE, parameters)
        report = notebook_to_pdf(
            notebook,
            title=f"Comparison: {' · '.join(found.groups)}",
            serial="",
            attachments={"comparison.json": plain},
            date=last_day(one.time for units in found.groups.values() for one in units),
        )
        write_atomically(out / "comparison.ipynb", notebook_to_bytes(notebook))
        write_atomically(out / "comparison.pdf", report)
    write_atomically(out / "comparison.json", plain)
    return out
