"""A line-based log from lines to a table: scan, order, parts, directions, units of a reading."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches, Cut, list_approaches
from probetest.importers.blocks import LogText
from probetest.importers.directions import known_directions, set_directions
from probetest.importers.doubts import check_levels, check_values, judge_cut, turned_axes, words_of_cut
from probetest.importers.join import join_plan
from probetest.importers.layout import Field, Layout
from probetest.importers.listings import refuse_listings
from probetest.importers.pairs import tell_pairs
from probetest.importers.pattern import Pattern
from probetest.importers.scan import Scan, scan
from probetest.importers.skipped import SkipList, Skipped
from probetest.importers.table import Table, categorical
from probetest.importers.told import Told
from probetest.importers.values import flags
from probetest.triggers import OUTCOMES, UNDATED, Artefact

EXPECTED = (
    "results such as [PRB:1.234,0.000,-5.000:1], JSON lines with prb, 3 to 9 numbers a line, x=1.234, "
    "or a header row with column names such as touch,azimuth_deg,x_mm,y_mm,outcome"
)
_NO_MOTION = 1e-9
_UNIT_WORDS = {"µm": "um", "μm": "um", "in": "inch", '"': "inch"}
_LENGTHS = ("x", "y", "z", "along")
_TARGETS = {
    "touch": "touch",
    "time": "time",
    "stage": "stage",
    "orientation": "orientation_deg",
    "azimuth_deg": "azimuth_deg",
    "elevation_deg": "elevation_deg",
    "serial": "serial",
    "x": "x_mm",
    "y": "y_mm",
    "z": "z_mm",
    "along": "reading_mm",
    "outcome": "outcome",
    "feed": "feed_mm_min",
    "temperature": "temperature_c",
}


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
    """

    table: Table
    layout: Layout
    skipped: tuple[Skipped, ...]
    notices: list[str] = field(default_factory=list)
    units: str | None = None
    planned_touches: int | None = None
    parts: int = 1
    decimals: int = 0


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
    result = list_approaches(found, pattern, found.skipped)
    if not len(result):
        refuse_listings(found, faults)
    _halve_diameter(result, found, told, faults)
    units = _stated_units(result, faults)
    parts = _choose_part(result, pattern, told, found.skipped, faults)
    check_values(result, pattern, faults)
    _turn_orientations(result, told)
    planned = _find_directions(result, found, pattern, told, artefact, faults)
    _use_numbers(result)
    table, layout = _tabulate(result, day)
    return LinesLog(
        table, layout, found.skipped.finish(), result.notices, units, planned, parts, found.decimals
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


def _stated_units(result: Approaches, faults: FaultList) -> str | None:
    words = result.columns.pop("units", None)
    if words is None:
        return None
    known = [_UNIT_WORDS.get(word, word) for word in words.categories]
    stated = sorted({known[code] for code in np.unique(words.codes).tolist()} - {""})
    if len(stated) > 1:
        faults.add(f"values in {' and in '.join(stated)}", "one unit throughout", action="split the log")
    return stated[0] if stated else None


# ---- parts


def _choose_part(
    result: Approaches, pattern: Pattern, told: Told, skipped: SkipList, faults: FaultList
) -> int:
    """Keep one part of a log that was interrupted, or all; return how many there are."""
    cuts = []
    for cut in result.cuts:
        jump = judge_cut(result, cut)
        if cut.kind != "words" or (jump and pattern.coordinates != "machine"):
            cuts.append((cut, jump))
        elif pattern.coordinates != "machine":
            result.notices.append(
                f"Line {cut.line}: {words_of_cut(cut)}; the positions on both sides agree, nothing was split."
            )
    cuts = [one for at, one in enumerate(cuts) if at == 0 or one[0].before != cuts[at - 1][0].before]
    parts = len(cuts) + 1
    if told.part is not None:
        _keep_part(result, [cut for cut, _ in cuts], told.part, skipped, faults)
    elif cuts and told.join and all(cut.kind == "restart" for cut, _ in cuts):
        result.notices.append(
            f"The log was interrupted {'once' if len(cuts) == 1 else f'{len(cuts)} times'} (line "
            f"{cuts[0][0].line}); its parts were joined (--join)."
        )
    else:
        for cut, jump in cuts:
            _ask_part(result, cut, jump, faults)
    return parts


def _keep_part(result: Approaches, cuts: list[Cut], part: int, skipped: SkipList, faults: FaultList) -> None:
    edges = [0, *(cut.before for cut in cuts), len(result)]
    if not 1 <= part < len(edges):
        faults.add(f"{len(edges) - 1} parts and --part {part}", f"a part from 1 to {len(edges) - 1}")
        return
    rows = np.arange(edges[part - 1], edges[part])
    other = np.setdiff1d(np.arange(len(result)), rows)
    skipped.add_lines(result.columns["line"][other], f"in another part of the log; --part {part} was given")
    result.notices.append(
        f"Part {part} of {len(edges) - 1} is used: {len(rows)} of {len(result)} approaches."
    )
    result.select(rows)


def _ask_part(result: Approaches, cut: Cut, jump: str | None, faults: FaultList) -> None:
    found = f"{words_of_cut(cut)}; {cut.before} approaches before, {len(result) - cut.before} after"
    if jump:
        found += f"; {jump}"
    action = "give --part 1, --part 2 ... for the part that counts"
    if cut.kind == "restart":
        action += ", or --join if the machine neither moved nor sought its home"
    faults.add(found, "one uninterrupted series", line=cut.line, action=action)


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
        _set_reading(result, faults)
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
    if "azimuth_deg" not in result.columns:
        result.columns["azimuth_deg"] = result.columns["elevation_deg"] = np.zeros(len(result))
    _set_reading(result, faults)
    check_levels(result, faults)
    return planned


def _set_reading(result: Approaches, faults: FaultList) -> None:
    """Add the reading along the approach, in the units of the log."""
    columns = result.columns
    azimuth, elevation = np.radians(columns["azimuth_deg"]), np.radians(columns["elevation_deg"])
    motion = {
        "x": np.cos(elevation) * np.cos(azimuth),
        "y": np.cos(elevation) * np.sin(azimuth),
        "z": np.sin(elevation),
    }
    if "reading" in columns:
        columns["along"] = columns["reading"]
    elif "coordinate" in columns:
        columns["along"] = _of_coordinate(result, motion, faults)
    else:
        unknown = np.full(len(result), np.nan)
        columns["along"] = sum(
            np.where(np.abs(share) > _NO_MOTION, share * columns.get(name, unknown), 0.0)
            for name, share in motion.items()
        )


def _of_coordinate(
    result: Approaches, motion: dict[str, NDArray[np.float64]], faults: FaultList
) -> NDArray[np.float64]:
    sign = sum(
        np.where(np.abs(np.abs(share) - 1) < _NO_MOTION, np.sign(share), 0.0) for share in motion.values()
    )
    faults.add_rows(
        np.asarray(sign == 0),
        result.columns["line"],
        lambda row: f"one coordinate at azimuth {result.columns['azimuth_deg'][row]:g} deg",
        "an approach along a machine axis, or x and y",
    )
    return np.asarray(sign * result.columns["coordinate"])


def _has_positions(result: Approaches) -> bool:
    """Whether every touch has x and y (and z where it moved in z)."""
    columns = result.columns
    rows = columns["outcome"] == TRIGGER
    needed = ["x", "y"] + ["z"] * bool(columns["elevation_deg"].any())
    return set(needed) <= columns.keys() and all(np.isfinite(columns[name][rows]).all() for name in needed)


def _use_numbers(result: Approaches) -> None:
    """Drop numbers of touches that begin anew; the order of the log counts then."""
    number = result.columns.get("touch")
    if number is not None and ((number < 0).any() or len(np.unique(number)) < len(number)):
        del result.columns["touch"]
        result.notices.append(
            "The numbers of the touches repeat, or some lack one: touches are numbered through."
        )


def _tabulate(result: Approaches, day: date | None) -> tuple[Table, Layout]:
    columns = result.columns
    unused = ("along",) if _has_positions(result) else ("x", "y", "z")
    missed = columns["outcome"] != TRIGGER
    typed: dict[str, Any] = {}
    for name, target in _TARGETS.items():
        values = columns.get(name)
        if values is None or name in unused:
            continue
        if name != "along" and values.dtype.kind == "f" and not np.isfinite(values).any():
            continue
        # Where a miss ended is no touch: its numbers stay in the log.
        typed[target] = np.where(missed, np.nan, values) if name in _LENGTHS and missed.any() else values
    typed["outcome"] = categorical(columns["outcome"], OUTCOMES)
    if "time" in typed:
        typed["time"] = _times(typed["time"], day)
    fields = tuple(Field(index, _header(target), target) for index, target in enumerate(typed))
    layout = Layout(int(columns["line"][0]), len(fields), fields, (), " ", ".")
    return Table(typed, columns["line"]), layout


def _header(target: str) -> str:
    """Name of a column for a message: lengths are in the units of the log, not yet in mm."""
    return target.removesuffix("_mm").removesuffix("_mm_min")


def _times(seconds: NDArray[np.float64], day: date | None) -> NDArray[np.datetime64]:
    start = np.datetime64(UNDATED if day is None else day, "ms")
    times = np.full(len(seconds), np.datetime64("NaT"), dtype="datetime64[ms]")
    known = np.isfinite(seconds)
    times[known] = start + np.round(seconds[known] * 1000).astype("timedelta64[ms]")
    return times
