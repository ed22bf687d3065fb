"""A line-based log from lines to a table: scan, order, parts, directions, units of a reading."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches, list_approaches
from probetest.importers.blocks import LogText
from probetest.importers.directions import known_directions, set_directions
from probetest.importers.doubts import check_levels, check_values, turned_axes
from probetest.importers.join import join_plan
from probetest.importers.layout import Layout
from probetest.importers.listings import refuse_listings
from probetest.importers.pairs import tell_pairs
from probetest.importers.parts import choose_part
from probetest.importers.pattern import Pattern
from probetest.importers.rs274 import words_of
from probetest.importers.scan import Scan, scan
from probetest.importers.skipped import Skipped
from probetest.importers.table import Table
from probetest.importers.tabulate import set_reading, tabulate, use_numbers
from probetest.importers.told import Told
from probetest.importers.values import flags
from probetest.triggers import Artefact

EXPECTED = (
    "results such as [PRB:1.234,0.000,-5.000:1], JSON lines with prb, 3 to 9 numbers a line, x=1.234, "
    "or a header row with column names such as touch,azimuth_deg,x_mm,y_mm,outcome"
)
_UNIT_WORDS = {"µm": "um", "μm": "um", "in": "inch", '"': "inch"}


@dataclass(slots=True)
class LinesLog:
    """What a line-based log was understood to hold.

    Attributes
    ----------
    table : Table
        In the units of the log.
    layout : Layout
    skipped : tuple of Skipped
    notices : list of str
    units : str or None
        Units that its lines state.
    planned_touches : int or None
    parts : int
        Into how many parts interruptions cut the log.
    decimals : int
        Most digits behind the point of a value.
    inch_line, mm_line : int or None
        First line on which a program switches to inch (G20), to mm (G21).
    """

    table: Table
    layout: Layout
    skipped: tuple[Skipped, ...]
    notices: list[str] = field(default_factory=list)
    units: str | None = None
    planned_touches: int | None = None
    parts: int = 1
    decimals: int = 0
    inch_line: int | None = None
    mm_line: int | None = None


def read_lines(
    log: LogText,
    pattern: Pattern,
    first_line: int,
    told: Told,
    artefact: Artefact | None,
    day: date | None,
    faults: FaultList,
) -> LinesLog:
    """Read a line-based log.

    Parameters
    ----------
    log : LogText
    pattern : Pattern
    first_line : int
        First line behind a head of metadata.
    told : Told
    artefact : Artefact or None
        As far as it is known.
    day : date or None
        Of times without a date.
    faults : FaultList
        Takes what can't be right, and what only the user can answer.

    Returns
    -------
    LinesLog

    Raises
    ------
    ImportDataError
        If there is no result in the file.
    """
    pattern = pattern.with_tag(told.tag, told.decimal)
    found = scan(log, pattern, first_line, faults)
    if not len(found.columns["line"]):
        refuse_empty(log, pattern, found, faults)
    guarded = told.plan is not None and told.plan.guarded
    result = list_approaches(found, pattern, found.skipped, guarded=guarded)
    if not len(result):
        refuse_listings(found, faults)
    _halve_diameter(result, found, told, faults)
    units = _stated_units(result, faults)
    inch_line, mm_line = (_unit_line(found, number) for number in (20.0, 21.0))
    parts = choose_part(result, pattern, told, found.skipped, faults)
    check_values(result, pattern, faults)
    _turn_orientations(result, told)
    planned = _find_directions(result, found, pattern, told, artefact, faults)
    use_numbers(result)
    table, layout = tabulate(result, day)
    return LinesLog(
        table,
        layout,
        found.skipped.finish(),
        result.notices,
        units,
        planned,
        parts,
        found.decimals,
        inch_line,
        mm_line,
    )


def refuse_empty(log: LogText, pattern: Pattern, found: Scan, faults: FaultList) -> None:
    """Raise for a log without any result; say what it holds instead.

    Parameters
    ----------
    log : LogText
    pattern : Pattern
    found : Scan
    faults : FaultList

    Raises
    ------
    ImportDataError
    """
    other = _other_tag(log, pattern)
    if other:
        line, text = other
        faults.add(
            f"results under another tag, such as {shown(text)}",
            f"results under the tag {pattern.tag}",
            line=line,
            action="give --tag with the word in front of the first colon if they are results of a probe",
        )
    elif faults.total == 0:
        first = f"; its first line is {shown(found.first_lines[0])}" if found.first_lines else ""
        faults.add(
            f"{log.line_count} lines and no result of a probe{first}",
            EXPECTED if pattern.tag else pattern.about.rstrip("."),
            action="check that it is the log, give a column map (--columns) for a table, or describe "
            "its lines in a file given with --pattern",
        )
    faults.raise_if_any()


def _other_tag(log: LogText, pattern: Pattern) -> tuple[int, str] | None:
    if pattern.other_tag is None:
        return None
    for block in log:
        row = int(np.argmax(flags(pc.match_substring_regex(block.lines, pattern.other_tag))))
        text = block.lines[row].as_py() if len(block.lines) else ""
        if pc.match_substring_regex(pa.array([text]), pattern.other_tag)[0].as_py():
            return block.first + row, text
    return None


def _halve_diameter(result: Approaches, found: Scan, told: Told, faults: FaultList) -> None:
    seen = found.lines_of("diameter_mode")
    if told.x_diameter and "x" in result.columns:
        result.columns["x"] = result.columns["x"] / 2
        result.notices.append("X was halved: it counts as a diameter (--x-diameter).")
    elif len(seen):
        faults.add(
            "diameter mode, in which X counts double",
            "X as a radius",
            line=int(seen[0]),
            action="give --x-diameter to halve X",
        )


def _unit_line(found: Scan, number: float) -> int | None:
    """First line on which a program sets its unit: G20 inch, G21 mm."""
    if "words" not in found.texts:
        return None
    codes, texts = found.texts["words"]
    setting = [code for code, text in enumerate(texts) if ("G", number) in words_of(text)]
    lines = found.events["words"][np.isin(codes, setting)]
    return int(lines[0]) if len(lines) else None


def _stated_units(result: Approaches, faults: FaultList) -> str | None:
    words = result.columns.pop("units", None)
    if words is None:
        return None
    known = [_UNIT_WORDS.get(word, word) for word in words.categories]
    stated = sorted({known[code] for code in np.unique(words.codes).tolist()} - {""})
    if len(stated) > 1:
        faults.add(f"values in {' and in '.join(stated)}", "one unit throughout", action="split the log")
    return stated[0] if stated else None


def _turn_orientations(result: Approaches, told: Told) -> None:
    axis = turned_axes(result)
    if axis is None or told.plan is not None or "orientation" in result.columns:
        return
    values = result.columns[axis]
    result.columns["orientation"] = np.round(np.nan_to_num(values) % 360, 3)
    rows = result.columns["outcome"] == TRIGGER
    result.notices.append(
        f"Axis {axis.upper()} changes between touches ({np.nanmin(values[rows]):g} to "
        f"{np.nanmax(values[rows]):g} deg); its values are taken as separate orientations."
    )


# ---- directions


def _find_directions(
    result: Approaches,
    found: Scan,
    pattern: Pattern,
    told: Told,
    artefact: Artefact | None,
    faults: FaultList,
) -> int | None:
    if told.plan is None:
        set_directions(result, found, told, artefact, faults)
        set_reading(result, faults)
        tell_pairs(result, told, found.skipped, faults)
        check_levels(result, faults)
        return None
    known = known_directions(result, found)
    if known is not None:
        result.columns["azimuth_deg"], result.columns["elevation_deg"] = known
    tell_pairs(result, told, found.skipped, faults)
    planned = None
    if not faults.total:  # a log whose parts or pairs are not settled has no place in the plan
        planned = join_plan(result, told.plan, pattern.drops_equal_neighbours, artefact, faults)
    if planned is None and faults.total:  # the directions do not matter any more
        result.columns["azimuth_deg"] = result.columns["elevation_deg"] = np.zeros(len(result))
    set_reading(result, faults)
    check_levels(result, faults)
    return planned
