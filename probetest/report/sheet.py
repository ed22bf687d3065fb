"""The record sheet of a planned test: on paper for a pen, and as a log to be typed in."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import probetest
from probetest.faults import printable as escaped
from probetest.jobs.shop import FORMULA
from probetest.jobs.stages import OVERTRAVEL
from probetest.plan.bench import Bench
from probetest.plan.cautions import OF_OVERTRAVEL, OF_SERVICE
from probetest.plan.schedule import Schedule
from probetest.report.characters import printable, walk
from probetest.report.html import replacement_note
from probetest.report.typesetting import typeset

WIDE_UP_TO: Final = 34
"""So many touches get the whole width of the page; more stand in two columns."""

_OUT_OF_SPINDLE = ("after_service", "after_storage")
_AFTER_OVERTRAVEL = "after_overtravel"
_DOWN_DEG = -90.0

# A text that a spreadsheet reads and writes again as it was; `#` in it could end the part of a head line.
_KEPT_BY_SPREADSHEETS = re.compile(r"[^'\"\\,;|#\t]*")
# Behind a sign that is a delimiter somewhere, a formula would begin a cell there.
_FORMULA_INSIDE = re.compile(r"([,;|][\s\"]*)(?=[=+\-@])")
_NEEDS_ESCAPE = re.compile(r"[,;|=@+\-\t]")


@dataclass(frozen=True, slots=True)
class SheetPage:
    """What the first page of a record sheet says; all texts are printed as they stand.

    Attributes
    ----------
    title : str
    serial : str
        Of the probe; printed on each page.
    facts : sequence of (str, str)
        Name and value: purpose, artefact, stylus, machine, feeds, touches, minutes, expected widths.
    shows, hides : sequence of str
        Sentences: what the test will show, and what it will not.
    cautions : sequence of str
        Sentences; they come first.
    figures : sequence of bytes
        SVG, before the touches.
    bench : Bench
    schedule : Schedule
    """

    title: str
    serial: str
    facts: Sequence[tuple[str, str]]
    shows: Sequence[str]
    hides: Sequence[str]
    cautions: Sequence[str]
    figures: Sequence[bytes]
    bench: Bench
    schedule: Schedule


def sheet_pdf(page: SheetPage, date: datetime) -> bytes:
    """Typeset a record sheet: A4, for a pen and a printer without colours.

    Parameters
    ----------
    page : SheetPage
    date : datetime
        Of the document; the same page and date give the same bytes.

    Returns
    -------
    bytes
        PDF/A-3b.

    Raises
    ------
    ReportError
        If a figure is no SVG.
    """
    figures = {f"figure-{at}.svg": bytes(svg) for at, svg in enumerate(page.figures, start=1)}
    schedule = page.schedule
    needs_z = _needs_z(page.bench, schedule)
    plain = {
        "title": " ".join(page.title.split()),
        "serial": " ".join(page.serial.split()),
        "origin": f"probetest {probetest.__version__} · {date:%Y-%m-%d}",
        "cautions": list(page.cautions),
        "facts": [list(pair) for pair in page.facts],
        "shows": list(page.shows),
        "hides": list(page.hides),
        "figures": list(figures),
        "elevations": _has_elevations(schedule),
        "z": needs_z,
        "wide": needs_z or len(schedule) <= WIDE_UP_TO,
        "rows": list(_rows(schedule)),
    }
    data, replaced = walk(plain, printable)
    data["replacement_note"] = replacement_note(replaced) if replaced else ""
    source = '#import "sheet.typ": sheet\n#sheet(json("sheet.json"))\n'
    return typeset(source, {"sheet.json": json.dumps(data).encode("ascii"), **figures}, date)


def sheet_csv(bench: Bench, schedule: Schedule) -> str:
    """A native log of a planned test without its positions and outcomes, to be typed in.

    Parameters
    ----------
    bench : Bench
        Fills the head: serial, build, artefact, stylus, machine. Lengths are in mm.
    schedule : Schedule
        A row for each touch, in this order.

    Returns
    -------
    str
        Read by `probetest.importers.read_logs` once each row has an outcome, and each trigger its position.

    Notes
    -----
    A spreadsheet can open it, and save it with the same delimiter: each line of the head is one cell, and
    the ``#`` at its end keeps the delimiters that are added out of the value. This does not hold for a
    text of the bench with quotes, ``#``, ``|``, a backslash or a delimiter in it. No cell is a formula: in a
    stage, what begins like one gets an apostrophe in front, as in the summary of a folder.
    """
    stream = io.StringIO(newline="")
    stream.writelines(f"# {line} #\n" for line in _head_lines(bench))
    writer = csv.writer(stream, lineterminator="\n")
    names = ["touch", "stage", "orientation_deg", "azimuth_deg", "elevation_deg", "x_mm", "y_mm"]
    blanks = [""] * (4 if _needs_z(bench, schedule) else 3)
    writer.writerow([*names, *(["z_mm"] if len(blanks) == 4 else []), "outcome", "feed_mm_min"])
    feed = _number(bench.moves.touch_feed_mm_min)
    for at in range(len(schedule)):
        angles = (schedule.orientation_deg[at], schedule.azimuth_deg[at], schedule.elevation_deg[at])
        writer.writerow([at + 1, _cell(schedule.stage[at]), *map(_number, angles), *blanks, feed])
    return stream.getvalue()


# ---- paper


def _rows(schedule: Schedule) -> Iterator[dict[str, Any]]:
    changes = frozenset(schedule.changes)
    last = len(schedule) - 1
    for at in range(len(schedule)):
        elevation = float(schedule.elevation_deg[at])
        down = elevation == _DOWN_DEG
        block = int(schedule.block[at])
        ends = at < last and int(schedule.block[at + 1]) != block
        yield {
            "touch": str(at + 1),
            "azimuth": "down" if down else _number(schedule.azimuth_deg[at], 2),
            "angle": None if down else float(schedule.azimuth_deg[at]),
            "elevation": _number(elevation, 2).replace("-", "\u2212"),
            "shaded": at % 2 == 1,
            "heading": _heading(schedule, at) if at in changes else None,
            "end": f"end of block {block}: may be looked at" if ends else None,
        }


def _heading(schedule: Schedule, at: int) -> dict[str, Any]:
    stage, angle = schedule.stage[at], _number(schedule.orientation_deg[at], 2)
    actions = []
    begins = at == 0 or stage != schedule.stage[at - 1]
    if begins and stage.startswith(_AFTER_OVERTRAVEL):
        actions.append(OF_OVERTRAVEL)
        if towards := OVERTRAVEL.fullmatch(stage):
            actions.append(f"Push it towards azimuth {towards[1]}°, counter-clockwise from X+.")
    if begins and stage in _OUT_OF_SPINDLE:
        actions.append(OF_SERVICE)
    if begins and (at == 0 or stage in _OUT_OF_SPINDLE):
        actions.append(f"Set the probe to {angle}°. Lock the spindle.")
    elif schedule.orientation_deg[at] != schedule.orientation_deg[at - 1]:
        actions.append(f"Turn the probe to {angle}°. Lock the spindle.")
    else:
        actions.append(f"The probe stays at {angle}°.")
    return {"title": f"{stage}, orientation {angle}°", "actions": actions}


def _needs_z(bench: Bench, schedule: Schedule) -> bool:
    return bench.artefact.kind == "plane" or _has_elevations(schedule)


def _has_elevations(schedule: Schedule) -> bool:
    return bool((schedule.elevation_deg != 0).any())


# ---- log


def _head_lines(bench: Bench) -> Iterator[str]:
    probe, artefact, stylus, machine = bench.probe, bench.artefact, bench.stylus, bench.machine
    stated: dict[str, str | float | None] = {
        "serial": probe.serial,
        "build": probe.build or None,
        "units": "mm",
        "arm_azimuth_deg": probe.arm_azimuth_deg,
        "artefact.kind": artefact.kind,
        "artefact.diameter_mm": artefact.diameter_mm,
        "artefact.u_mm": artefact.u_mm,
        "artefact.form_mm": artefact.form_mm,
        "size_mm": None if artefact.size_mm is None else " x ".join(map(_number, artefact.size_mm)),
        "stylus.length_mm": stylus.length_mm,
        "stylus.ball_diameter_mm": stylus.ball_diameter_mm,
        "stylus.ball_u_mm": stylus.ball_u_mm,
        "machine.name": machine.name or None,
        "machine.resolution_mm": machine.resolution_mm,
    }
    for key, value in stated.items():
        if value is not None:
            yield f"{key} = {_quoted(value) if isinstance(value, str) else repr(float(value))}"


def _quoted(text: str) -> str:
    """A TOML string; signs that could begin a cell or a formula, or can't be seen, are written as numbers."""
    if text.isprintable() and _KEPT_BY_SPREADSHEETS.fullmatch(text):
        return f"'{text}'"
    signs = (
        sign if sign.isprintable() and not _NEEDS_ESCAPE.match(sign) else f"\\U{ord(sign):08X}"
        for sign in text.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{"".join(signs)}"'


def _cell(text: str) -> str:
    shown = _FORMULA_INSIDE.sub(r"\1'", escaped(text))
    return f"'{shown}" if shown.startswith(FORMULA) else shown


def _number(value: float, decimals: int = 6) -> str:
    text = f"{float(value):.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
