"""What is stated about a test, by the head of the log, the column map and the caller: settled into one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from probetest.faults import FaultList, shown
from probetest.importers.columns import ColumnMap
from probetest.importers.head import KNOWN, Head
from probetest.settings import allowed_keys
from probetest.triggers import UNIT_MM, TestRecord


@dataclass(frozen=True, slots=True)
class Stated:
    """What holds for the whole file.

    Attributes
    ----------
    units : str or None
        "mm" or "inch"; None where they are not stated, which is a fault.
    serial : str or None
    values : dict
        build, artefact, stylus and machine, as far as stated.
    notes : tuple of tuple of str
    lines : dict
        Line of each key of the head.
    """

    units: str | None
    serial: str | None
    values: dict[str, Any]
    notes: tuple[tuple[str, str], ...]
    lines: dict[str, int]


def settle(
    head: Head,
    column_map: ColumnMap,
    units: str | None,
    serial: str | None,
    faults: FaultList,
    others: Mapping[str, dict[str, Any]] | None = None,
    hint: str = "",
) -> Stated:
    """Join what head, column map and options state; a contradiction is a fault.

    Parameters
    ----------
    head : Head
    column_map : ColumnMap
    units, serial : str or None
        Options of the caller.
    faults : FaultList
    others : mapping of str to dict, optional
        What other places state, by the name of the place.
    hint : str
        Added to what to do where no units are stated.

    Returns
    -------
    Stated
    """
    mapped = column_map.record.model_dump(exclude_none=True) | (
        {"units": column_map.units} if column_map.units else {}
    )
    options = {name: value for name, value in (("units", units), ("serial", serial)) if value is not None}
    values: dict[str, Any] = {}
    for key in KNOWN:
        value = _settle_one(
            key, head, {"the column map": mapped, **(others or {}), "the option": options}, faults
        )
        if value is not None:
            values[key] = value
    found_units = values.pop("units", None)
    if found_units is None:
        if "units" not in head.lines:  # else that line is at fault already
            faults.add(
                "no units",
                'units = "mm" or units = "inch"',
                action='add a line # units = "mm" at the top, or give --units mm or --units inch' + hint,
            )
    elif found_units not in UNIT_MM:
        faults.add(
            f"units {shown(found_units)}", '"mm" or "inch"', line=head.lines.get("units"), column="units"
        )
        found_units = None
    found_serial = values.pop("serial", None)
    notes = tuple(head.notes)
    return Stated(found_units, found_serial, values, notes, head.lines)


def _settle_one(key: str, head: Head, others: Mapping[str, dict[str, Any]], faults: FaultList) -> Any:
    sources = {"the log": head.stated, **others}
    said = [(place, values[key]) for place, values in sources.items() if key in values]
    for place, value in said[1:]:
        if value != said[0][1]:
            faults.add(
                f"{key} {shown(said[0][1])} in {said[0][0]} and {shown(value)} in {place}",
                f"one {key}",
                line=head.lines.get(key),
                column=key,
                action="correct one of the two",
            )
    return said[0][1] if said else None


def make_record(
    stated: Stated, serial: Any, notes: tuple[tuple[str, str], ...], faults: FaultList
) -> TestRecord | None:
    """Build the record of one serial.

    Parameters
    ----------
    stated : Stated
    serial : str
    notes : tuple of tuple of str
        Comments from within the table, added to those of the head.
    faults : FaultList

    Returns
    -------
    TestRecord or None
        None where a stated value is impossible; the faults say which.
    """
    for name, value in (("serial", serial), ("build", stated.values.get("build"))):
        if isinstance(value, str) and value and (not value.isprintable() or not value.strip()):
            faults.add(f"{name} {shown(value)}", "printable text", line=stated.lines.get(name), column=name)
    values = {"serial": serial, **stated.values, "notes": stated.notes + notes}
    try:
        return TestRecord.model_validate(values, strict=True)
    except ValidationError as error:
        allowed = allowed_keys(TestRecord)
        faults.add_validation(error, allowed, lambda *key: stated.lines.get(key[0]) if key else None)
        return None
