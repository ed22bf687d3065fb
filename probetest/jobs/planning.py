"""`probetest plan`: read what is stated, plan the test, write its files."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from probetest.atomic import write_atomically
from probetest.errors import BenchError, PlanError
from probetest.faults import FaultList, shown
from probetest.limits import Limits, read_limits
from probetest.margins import read_margins
from probetest.plan.bench import Bench, read_bench
from probetest.plan.cautions import (
    OF_OVERTRAVEL,
    OF_PAUSED_TOUCH,
    OF_PROGRAM,
    OF_SERVICE,
    OF_SPHERE,
    OF_UNGUARDED,
)
from probetest.plan.dialect import GUARDED_WORD, read_dialect
from probetest.plan.planned import Planned, make_plan
from probetest.plan.program import COPY_DISPLAY
from probetest.plan.telling import TITLES, facts_of, hides_of, shows_of
from probetest.plan.wish import OVERTRAVEL, SERVICE, Wish
from probetest.plan.written import plan_csv, plan_toml
from probetest.resources import bundled

FILES = ("plan.toml", "plan.csv", "program.ngc", "sheet.pdf", "sheet.csv")
"""Written into the folder of a plan; the first one last, so that a folder that has it is whole."""


def plan_files(
    wish: Wish,
    bench: Path | None,
    limits: Path | None,
    margins: Path | None,
    start: Callable[[str, int], Callable[[], None]],
) -> Planned:
    """Plan a test from the files that state it.

    Parameters
    ----------
    wish : Wish
    bench, limits, margins : pathlib.Path or None
        The bench; None for the invented example. Limits and margins; None for the defaults.
    start : callable
        As in `probetest.plan.planned.make_plan`.

    Raises
    ------
    ProbetestError
        If a file can't be used, or the test can't be planned.
    """
    path = bench or bundled("data") / "bench.toml"
    stated = read_bench(path)
    _check_names(stated, path)
    dialect = read_dialect(stated.dialect)
    judged = Limits() if limits is None else read_limits(limits)
    return make_plan(wish, stated, dialect, judged, read_margins(margins), start=start)


def _check_names(bench: Bench, path: Path) -> None:
    """Refuse a serial or build that no log could have."""
    faults = FaultList(str(path))
    for name, text in (("serial", bench.probe.serial), ("build", bench.probe.build)):
        if text is not None and not (text.isprintable() and text.strip()):
            faults.add(f"{name} {shown(text)}", "printable text", column=f"probe.{name}")
    if faults.total:
        raise BenchError(faults.first(), faults.total)


def write_plan(planned: Planned, out: Path, *, now: datetime | None = None) -> Path:
    """Write the files of a plan.

    Parameters
    ----------
    planned : Planned
    out : pathlib.Path
        Folder; made where there is none. Files of an earlier plan in it are replaced.
    now : datetime, optional
        Date of the sheet.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    ProbetestError
        If a file can't be written.
    """
    from probetest.report.plan_figure import path_figure
    from probetest.report.sheet import SheetPage, sheet_csv, sheet_pdf
    from probetest.report.style import figure_to_svg, report_style

    with report_style():
        figure = figure_to_svg(path_figure(planned.walk, planned.bench))
    page = SheetPage(
        title=TITLES[planned.wish.purpose],
        serial=planned.bench.probe.serial,
        facts=facts_of(planned),
        shows=shows_of(planned),
        hides=hides_of(planned),
        cautions=cautions_of(planned),
        figures=(figure,),
        bench=planned.bench,
        schedule=planned.schedule,
    )
    contents = {
        "sheet.csv": sheet_csv(planned.bench, planned.schedule).encode("utf-8"),
        "sheet.pdf": sheet_pdf(page, now or datetime.now(UTC).replace(microsecond=0)),
        "program.ngc": planned.program.encode("ascii"),
        "plan.csv": plan_csv(planned).encode("utf-8"),
        "plan.toml": plan_toml(planned).encode("utf-8"),
    }
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PlanError(f"{out}: the folder can't be made ({error.strerror or error}).") from error
    try:
        (out / FILES[0]).unlink(missing_ok=True)  # of an earlier plan, whose other files are replaced now
    except OSError as error:
        raise PlanError(
            f"{out / FILES[0]}: the earlier plan can't be replaced ({error.strerror or error})."
        ) from error
    for name, content in contents.items():
        write_atomically(out / name, content)
    return out


def cautions_of(planned: Planned) -> tuple[str, ...]:
    """What must be minded in this test."""
    further: tuple[str, ...] = ()
    if planned.bench.artefact.kind == "sphere":
        further += (OF_SPHERE,)
    if GUARDED_WORD not in planned.program:
        further += (OF_UNGUARDED,)
    if COPY_DISPLAY in planned.program:
        further += (OF_PAUSED_TOUCH,)
    if set(OVERTRAVEL) & set(planned.stages):
        further += (OF_OVERTRAVEL,)
    elif set(SERVICE) & set(planned.stages):
        further += (OF_SERVICE,)
    return OF_PROGRAM + further
