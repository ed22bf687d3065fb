"""Directions for a table that states none: from the plan, from the user, or from the positions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from probetest.faults import FaultList
from probetest.importers.approaches import MISSED, TRIGGER, Approaches
from probetest.importers.directions import set_directions
from probetest.importers.join import join_plan
from probetest.importers.layout import Field, Layout
from probetest.importers.scan import Scan
from probetest.importers.table import Table
from probetest.importers.told import Told
from probetest.importers.words import FACES
from probetest.triggers import Artefact

_POSITIONS = (("x", "x_mm"), ("y", "y_mm"), ("z", "z_mm"))
_NAMES = {
    "touch": "touch",
    "stage": "stage",
    "orientation": "orientation_deg",
    "azimuth_deg": "azimuth_deg",
    "elevation_deg": "elevation_deg",
}


def place_rows(
    table: Table, layout: Layout, told: Told, artefact: Artefact | None, faults: FaultList
) -> tuple[Table, Layout, tuple[str, ...]]:
    """Give each row of a table its direction where it has none, and its place in the plan where there is one.

    Parameters
    ----------
    table : Table
    layout : Layout
    told : Told
    artefact : Artefact or None
    faults : FaultList

    Returns
    -------
    table, layout : Table, Layout
        With columns for what was found.
    notices : tuple of str
    """
    if told.plan is None and (layout.holds("azimuth_deg") or layout.holds("face")):
        return table, layout, ()
    result = Approaches(_columns(table, told.plan is not None))
    before = set(result.columns)
    if told.plan is None:
        set_directions(result, Scan(), told, artefact, faults)
    else:
        join_plan(result, told.plan, False, artefact, faults)
    result.columns.setdefault("azimuth_deg", np.zeros(len(result)))  # where none was found, it is a fault
    found = {
        target: result.columns[name]
        for name, target in _NAMES.items()
        if name in result.columns and (name not in before or told.plan is not None)
    }
    fields = tuple(one for one in layout.fields if one.target not in {*found, "face"})
    added = tuple(Field(layout.width + index, target, target) for index, target in enumerate(found))
    return (
        replace(table, columns=table.columns | found),
        replace(layout, fields=fields + added),
        tuple(result.notices),
    )


def _add_stated(columns: dict[str, Any], table: Table) -> None:
    up, face = table.columns.get("elevation_deg"), table.columns.get("face")
    if up is not None:
        columns["elevation_deg"] = up
    if face is not None:
        angles = [FACES.get(word.strip().upper(), (np.nan, np.nan)) for word in face.categories]
        azimuth, elevation = np.array([*angles, (np.nan, np.nan)])[face.codes].T
        columns["azimuth_deg"], columns["elevation_deg"] = azimuth, elevation


def _columns(table: Table, is_planned: bool) -> dict[str, Any]:
    columns: dict[str, Any] = {"line": table.line}
    outcome = table.columns.get("outcome")
    columns["outcome"] = np.full(len(table.line), TRIGGER, dtype=np.int8)
    if outcome is not None:  # words that mean nothing are a fault later
        triggers = np.array([word.strip().lower() == "trigger" for word in outcome.categories], dtype=bool)
        columns["outcome"][~triggers[outcome.codes]] = MISSED
    for name, target in (*_POSITIONS, *_NAMES.items()):
        found = table.columns.get(target)
        if found is not None and name not in ("stage", "elevation_deg"):
            columns[name] = found
    if is_planned:  # what the table says itself is held against the plan
        _add_stated(columns, table)
    stage = table.columns.get("stage")
    if stage is not None:
        words = np.array([*(word.strip() for word in stage.categories), ""], dtype=object)
        columns["stage"] = words[stage.codes]  # a blank cell has the code -1
    return columns
