"""Ship or wait: what few faults, or none, prove of the units made so far."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from probetest.errors import FieldError
from probetest.faults import FaultList, shown
from probetest.jobs.advising import PLAN, make_advice
from probetest.jobs.tested import Tested
from probetest.margins import Margins
from probetest.statistics.ramp import (
    SHARES,
    Advice,
    Field,
    Proven,
    Rate,
    Stage,
    chance_to_show,
    early_warning,
    next_batch,
    proven,
)

COLUMNS = ("serial", "touches", "misses", "hours", "fault", "cause_removed", "remark")
LARGEST_BYTES = 50_000_000
YES, NO = ("yes", "y", "1", "true"), ("no", "n", "0", "false", "")
THOUSANDS = re.compile(r"[1-9]\d{0,2}(\.\d{3})+")


@dataclass(frozen=True, slots=True)
class Report:
    """What a customer, or the maker's own machine, told of one unit.

    Attributes
    ----------
    serial : str
    touches, misses : int
    hours : float
    fault : bool
    cause_removed : bool
        Whether what led to all faults of the unit was found and removed; False without a fault.
    """

    serial: str
    touches: int
    misses: int
    hours: float
    fault: bool
    cause_removed: bool = False


@dataclass(frozen=True, slots=True)
class Ramp:
    """What is proven of the units, and what to do next.

    Attributes
    ----------
    source : str
        "field reports" or "the shop's own tests".
    field : Field
    known : Proven or None
        None without units.
    advice : Advice
    bounds : tuple of (int, float)
        Upper bound of the share of faulty units if so many more show none.
    chances : tuple of (float, float)
        Chance that a fault in such a share of all units shows in the next batch.
    plan : tuple of (float, tuple of Stage)
        A start in batches, at several true shares of faulty units.
    stop_at : int
        Units with a fault at which that start stops.
    removed : int
        Units with a fault whose cause was found and removed.
    """

    source: str
    field: Field
    known: Proven | None
    advice: Advice
    bounds: tuple[tuple[int, float], ...]
    chances: tuple[tuple[float, float], ...]
    plan: tuple[tuple[float, tuple[Stage, ...]], ...]
    stop_at: int
    removed: int


def read_field(path: Path) -> tuple[Report, ...]:
    """Read field reports: a CSV with the column serial and any of touches, misses, hours, fault, and others.

    Cells are separated by commas or, where the line of the names holds one, by semicolons; with
    semicolons the hours may have a decimal comma. ``fault`` and ``cause_removed`` are yes or no, blank is
    no; ``remark`` is free text that nothing is made of. Lines that begin with # are left out. Several
    lines of one serial are added up; the cause of its faults is removed if all its lines with a fault say
    so.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    tuple of Report
        One for each serial, in the order of the file.

    Raises
    ------
    FieldError
        If the file can't be read or holds impossible values; every problem is named with its line.
    """
    faults = FaultList(str(path))
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_BYTES:
            faults.add("no plain file of a usual size", f"a table with the columns {', '.join(COLUMNS)}")
            raise FieldError(faults.first(), faults.total)
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        faults.add(f"no readable text ({error})", "a table in UTF-8")
        raise FieldError(faults.first(), faults.total) from error
    separator = _separator(text, str(path))
    lines = list(_rows(text, separator, faults))
    if faults.total:
        raise FieldError(faults.first(), faults.total)
    head = [cell.strip().lower() for cell in lines[0][1]] if lines else []
    if "serial" not in head or any(name not in COLUMNS for name in head) or len(set(head)) < len(head):
        faults.add(
            f"the columns {shown(', '.join(head))}", f"serial and any of {', '.join(COLUMNS[1:])}, each once",
            line=lines[0][0] if lines else 1,
        )  # fmt: skip
        raise FieldError(faults.first(), faults.total)
    found = list(_reports(lines[1:], head, separator, faults))
    if faults.total:
        raise FieldError(faults.first(), faults.total)
    return tuple(_added(found))


def _separator(text: str, file: str) -> str:
    """The semicolon if the line of the names holds one, else the comma."""
    _, head = next(_rows(text, ",", FaultList(file)), (0, []))
    return ";" if any(";" in cell for cell in head) else ","


def _rows(text: str, separator: str, faults: FaultList) -> Iterator[tuple[int, list[str]]]:
    """Rows that are no comments, each with the line on which it begins."""
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    line = 1
    try:
        for row in rows:
            if row and not row[0].startswith("#"):
                yield line, row
            line = rows.line_num + 1
    except csv.Error as error:
        faults.add(f"no table ({error})", "cells that are separated by commas or semicolons", line=line)


def _reports(
    lines: Sequence[tuple[int, list[str]]], head: Sequence[str], separator: str, faults: FaultList
) -> Iterator[Report]:
    for line, row in lines:
        if len(row) != len(head):
            faults.add(f"{len(row)} cells", f"{len(head)}", line=line)
            continue
        cells = {name: cell.strip() for name, cell in zip(head, row, strict=True)}
        if not 0 < len(cells["serial"]) <= 200:
            faults.add(shown(cells["serial"]), "a serial", line=line, column="serial")
            continue
        touches = _count(cells, "touches", line, faults)
        misses = _count(cells, "misses", line, faults)
        hours = _hours(cells, separator, line, faults)
        fault = _said(cells, "fault", line, faults)
        removed = _said(cells, "cause_removed", line, faults)
        if touches is None or misses is None or hours is None or fault is None or removed is None:
            continue
        if misses > touches:
            faults.add(f"{misses} misses of {touches} touches", "no more misses than touches", line=line)
        elif removed and not fault:
            faults.add("a removed cause without a fault", "fault yes", line=line, column="cause_removed")
        else:
            yield Report(cells["serial"], touches, misses, hours, fault, removed)


def _said(cells: dict[str, str], name: str, line: int, faults: FaultList) -> bool | None:
    text = cells.get(name, "").lower()
    if text not in YES + NO:
        faults.add(shown(text), "yes or no", line=line, column=name)
        return None
    return text in YES


def _count(cells: dict[str, str], name: str, line: int, faults: FaultList) -> int | None:
    text = cells.get(name) or "0"
    if not (text.isascii() and text.isdigit() and len(text) <= 10):
        faults.add(shown(text), "a whole number, 0 or more", line=line, column=name)
        return None
    return int(text)


def _hours(cells: dict[str, str], separator: str, line: int, faults: FaultList) -> float | None:
    text = cells.get("hours") or "0"
    if separator == ";" and THOUSANDS.fullmatch(text):
        # Beside a decimal comma, a point before three digits more likely parts thousands: 1.234 or 1234 h?
        faults.add(shown(text), "hours without a point for thousands", line=line, column="hours")
        return None
    plain = text.replace(",", ".") if separator == ";" else text
    try:
        hours = float(plain) if plain.isascii() and "_" not in plain else -1.0
    except ValueError:
        hours = -1.0
    if not 0 <= hours <= 1e7:
        faults.add(shown(text), "hours of use, 0 or more", line=line, column="hours")
        return None
    return hours


def _added(reports: Sequence[Report]) -> Iterator[Report]:
    by_serial: dict[str, list[Report]] = {}
    for one in reports:
        by_serial.setdefault(one.serial, []).append(one)
    for serial, own in by_serial.items():
        faulty = [one for one in own if one.fault]
        yield Report(
            serial,
            sum(one.touches for one in own),
            sum(one.misses for one in own),
            sum(one.hours for one in own),
            bool(faulty),
            bool(faulty) and all(one.cause_removed for one in faulty),
        )


def field_of_tests(tests: Sequence[Tested]) -> Field:
    """The shop's own tests as a field: a unit has a fault if its last test failed.

    A test of several stages (an overtravel on purpose, a service) overrules no test of one stage; it is
    judged only where a unit has no other.
    """
    last: dict[str, Tested] = {}
    touches: dict[str, int] = {}
    misses: dict[str, int] = {}
    for one in tests:
        staged = len({part.stage for part in one.result.series}) > 1
        if not staged or one.serial not in last:
            last[one.serial] = one
        touches[one.serial] = touches.get(one.serial, 0) + one.approaches
        misses[one.serial] = misses.get(one.serial, 0) + one.failed
    return Field(
        units_shipped=len(last),
        units_with_fault=sum(one.result.verdict == "fail" for one in last.values()),
        touches=sum(touches.values()),
        misses=sum(misses.values()),
        misses_by_unit=tuple(misses.values()),
        touches_by_unit=tuple(touches.values()),
    )


def field_of_reports(reports: Sequence[Report]) -> Field:
    """Field reports put together."""
    used = [one for one in reports if one.touches]
    return Field(
        units_shipped=len(reports),
        units_with_fault=sum(one.fault for one in reports),
        touches=sum(one.touches for one in reports),
        misses=sum(one.misses for one in reports),
        field_hours=sum(one.hours for one in reports),
        field_faults=sum(one.fault for one in reports) if any(one.hours for one in reports) else 0,
        misses_by_unit=tuple(one.misses for one in used),
        touches_by_unit=tuple(one.touches for one in used),
    )


def make_ramp(field: Field, source: str, margins: Margins, removed: int = 0) -> Ramp:
    """Bounds, advice, and what the next batch would teach; ``removed`` as in `make_advice`."""
    advice = make_advice(field, margins, removed)
    units, faulty = field.units_shipped, field.units_with_fault
    size = max(advice.batch, advice.cautious_batch, 1)
    sizes = sorted({size, 2 * size, 10, 30, 100})
    return Ramp(
        source,
        field,
        proven(field) if units else None,
        advice,
        tuple((more, next_batch(units, faulty, more)) for more in sizes),
        tuple((share, chance_to_show(share, size)) for share in SHARES),
        tuple((share, early_warning(PLAN, margins.can_repair + 1, share)) for share in SHARES),
        margins.can_repair + 1,
        removed,
    )


def ramp_to_dict(ramp: Ramp) -> dict[str, Any]:
    """Plain JSON types in a stable order; one-sided bounds and two-sided intervals at 95 %."""
    known, advice = ramp.known, ramp.advice
    return {
        "source": ramp.source,
        "units": ramp.field.units_shipped,
        "units_with_fault": ramp.field.units_with_fault,
        "causes_removed": ramp.removed,
        "touches": ramp.field.touches,
        "misses": ramp.field.misses,
        "field_hours": ramp.field.field_hours,
        "faulty_units": _rate(known.faulty_units if known else None),
        "misses_per_1000_touches": _rate(known.misses if known else None),
        "misses_per_1000_touches_upper_any_units": known.misses_any_units if known else None,
        "faults_per_1000_h": _rate(known.field_faults if known else None),
        "advice": {
            "action": advice.action,
            "batch": advice.batch,
            "cautious_batch": advice.cautious_batch,
            "expected_faulty": advice.expected_faulty,
            "most_faulty": advice.most_faulty,
            "reasons": [
                {
                    "name": one.name,
                    "value": one.value if isfinite(one.value) else None,
                    "limit": one.limit,
                    "kept": one.kept,
                }
                for one in advice.reasons
            ],
        },
        "if_the_next_show_none": [{"units": units, "share_upper": bound} for units, bound in ramp.bounds],
        "chance_to_show_in_the_next_batch": [
            {"share_of_units": share, "chance": chance} for share, chance in ramp.chances
        ],
    }


def _rate(rate: Rate | None) -> dict[str, Any] | None:
    if rate is None:
        return None
    return {
        "value": rate.value,
        "upper": rate.upper,
        "lower_two_sided": rate.interval.lower,
        "upper_two_sided": rate.interval.upper,
        "events": rate.events,
        "exposure": rate.exposure,
        "per": rate.per,
    }
