"""What is no fault of a log but worth telling, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from probetest.importers.content import Opening
from probetest.importers.layout import Layout
from probetest.importers.table import Table


def text_notices(opening: Opening, nul_count: int, replaced_count: int = 0) -> tuple[str, ...]:
    """Word what had to be done to read the text of a file.

    Parameters
    ----------
    opening : Opening
    nul_count, replaced_count : int
        NUL bytes left out; characters that could not be decoded.

    Returns
    -------
    tuple of str
    """
    notices = []
    if opening.encoding != "utf-8":
        seen = ", recognised by its zero bytes" if opening.is_guessed else ""
        notices.append(f"The file was read as {opening.encoding}{seen}.")
    if nul_count:
        notices.append(f"NUL bytes were left out: {nul_count}.")
    if replaced_count:
        notices.append(f"Characters that are not {opening.encoding} were replaced: {replaced_count}.")
    return tuple(notices)


def list_notices(table: Table, layout: Layout, frames: Sequence[pd.DataFrame]) -> list[str]:
    """Word what the reader of a file should know.

    Parameters
    ----------
    table : Table
    layout : Layout
    frames : sequence of DataFrame
        One for each serial.

    Returns
    -------
    list of str
    """
    notices = []
    if layout.ignored:
        names = ", ".join(layout.ignored[:20]) + (", ..." if len(layout.ignored) > 20 else "")
        notices.append(f"Columns that are not understood were ignored: {names}.")
    if table.in_utc:
        notices.append("The times state an offset and were brought to UTC.")
    if table.blank_rows:
        notices.append(f"Rows without any value were left out: {table.blank_rows}.")
    if table.comments:
        lines = ", ".join(str(line) for line, _ in table.comments[:10])
        lines += ", ..." if len(table.comments) > 10 else ""
        notices.append(f"Comments within the table were kept as notes: {len(table.comments)} (line {lines}).")
    for frame in frames:
        notices += time_notices(frame)
    return notices


def time_notices(frame: pd.DataFrame) -> list[str]:
    """Say where the time runs backwards.

    Parameters
    ----------
    frame : DataFrame
        Of one serial.

    Returns
    -------
    list of str
        Empty or one sentence.
    """
    time = frame["time"].to_numpy()
    missing = np.isnat(time)
    if missing.all():
        return []
    line = frame["line"].to_numpy()
    if missing.any():
        time, line = time[~missing], line[~missing]
    back = np.flatnonzero(np.diff(time) < np.timedelta64(0))
    if not len(back):
        return []
    first = int(line[back[0] + 1])
    places = "1 place" if len(back) == 1 else f"{len(back)} places"
    return [
        f"The time runs backwards at {places}, first on line {first}; "
        "the order of the log was kept, so that drift over touches and over time may differ."
    ]
