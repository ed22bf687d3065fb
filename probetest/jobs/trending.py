"""Files of a trend: tests and field reports in, report and shop page out."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from probetest.atomic import write_atomically
from probetest.jobs.batch import NOTHING, Options
from probetest.jobs.comparing import demo_production, last_day, make_out
from probetest.jobs.ramping import field_of_reports, field_of_tests, make_ramp, read_field
from probetest.jobs.reading import Reading
from probetest.jobs.recall import Recall, signature
from probetest.jobs.result import plain_json
from probetest.jobs.tested import gather
from probetest.jobs.trend import Trend, make_trend
from probetest.jobs.trend_json import trend_to_dict
from probetest.margins import read_margins
from probetest.resources import bundled

TEMPLATES = (("trend.ipynb", "Trend"), ("shop.ipynb", "Shop summary"))

_LAST: Recall[Trend] = Recall()


def open_trend(
    logs: Sequence[str] = (),
    register: str = "",
    margins: str = "",
    limits: str = "",
    field: str = "",
    reading: Mapping[str, Any] = NOTHING,
    *,
    advance: Callable[[], None] = lambda: None,
) -> Trend:
    """Make a trend as the command line or a notebook names its sources.

    Parameters
    ----------
    logs : sequence of str
        Logs, results or reports; those of the demo production where neither these nor a register are named.
    register, margins, limits : str
        Empty for none, and for the defaults.
    field : str
        Table of field reports; empty to judge by the shop's own tests.
    reading : mapping
        As ``Reading.plain`` writes it.
    advance : callable
        Called after each file.

    Returns
    -------
    Trend
        The last one again where nothing has changed since.

    Raises
    ------
    ProbetestError
        If a file can't be used, or there is no test.
    """
    places = [Path(log) for log in logs]
    if not places and not register:
        places = demo_production()
    files = [*places, *(Path(name) for name in (register, margins, limits, field) if name)]

    said = [dict(reading), register, margins, limits, field]

    def make() -> Trend:
        options = Options(Path(limits) if limits else None, Reading.from_plain(reading))
        wanted = read_margins(Path(margins) if margins else None)
        reports = read_field(Path(field)) if field else ()
        found = gather(places, Path(register) if register else None, options, advance)
        # A table without a report yet says that nothing is known of the field.
        if field:
            ramp = make_ramp(
                field_of_reports(reports),
                "field reports",
                wanted,
                sum(one.fault and one.cause_removed for one in reports),
            )
        else:
            ramp = make_ramp(field_of_tests(found.tests), "the shop's own tests", wanted)
        return make_trend(found, ramp, wanted)

    return _LAST.get((json.dumps(said), signature(files)), make)


def write_trend(
    parameters: Mapping[str, Any], out: Path, *, pdf: bool, done: Callable[[], None] = lambda: None
) -> Path:
    """Write trend.json, and with ``pdf`` the trend report and the page for the shop; returns the folder.

    Parameters
    ----------
    parameters : mapping
        Those of `open_trend`, plain.
    out : pathlib.Path
    pdf : bool
    done : callable
        Called after each report.

    Raises
    ------
    ProbetestError
        As in `open_trend`, and if the folder can't be made or a report fails.
    """
    found = open_trend(**parameters)
    plain = plain_json(trend_to_dict(found))
    make_out(out)
    if pdf:
        from probetest.report.render import notebook_to_bytes, notebook_to_pdf
        from probetest.report.shell import ShellRunner

        with ShellRunner() as runner:
            for template, title in TEMPLATES:
                notebook = runner.run(bundled("notebooks") / template, parameters)
                report = notebook_to_pdf(
                    notebook,
                    title=title,
                    serial="",
                    attachments={"trend.json": plain},
                    date=last_day(
                        [point.time for one in found.charts for point in one.points]
                        + [point.time for own in found.histories for point in own.points]
                    ),
                )
                name = Path(template).stem
                write_atomically(out / f"{name}.ipynb", notebook_to_bytes(notebook))
                write_atomically(out / f"{name}.pdf", report)
                done()
    write_atomically(out / "trend.json", plain)
    return out
