"""Files of an expectation: the table of corrections by direction."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from probetest.faults import printable
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import corrections
from probetest.mill import MillSettings

SPLITTING = re.compile(r"[,;|]")
"""Marks at which a spreadsheet may split a line."""

FORMULA_SIGNS = ("=", "+", "-", "@")
"""A cell that starts with one of these is a formula to a spreadsheet."""


def write_corrections(path: Path, earlier: EarlierResult, mill: MillSettings) -> None:
    """Write what to take off a touch in each direction, as CSV.

    Parameters
    ----------
    path : pathlib.Path
        An existing file is replaced, whole or not at all.
    earlier : EarlierResult
    mill : MillSettings

    Raises
    ------
    ProbetestError
        If the table can't be made, or the file can't be written.
    """
    from probetest.report.render import write_atomically

    table = corrections(earlier, mill)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["# corrections by direction of motion; take off the reading along the approach", ""])
    writer.writerow(["# serial", _plain(earlier.serial)])
    writer.writerow(["# mill", _plain(mill.name or "not named")])
    if any(one.mean_left_out for one in table):
        writer.writerow(["# the mean pre-travel is not known and is not in the corrections", ""])
    writer.writerow(["azimuth_deg", "correction_mm", "u_mm", "remains95_mm"])
    for one in table:
        values = (one.correction_mm, one.u_mm, one.remains95_mm)
        writer.writerow([f"{one.azimuth_deg:g}", *(f"{value:.5f}" for value in values)])
    write_atomically(path, text.getvalue().encode("utf-8"))


def _plain(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    # A sign behind a mark that a spreadsheet may split at starts a formula too.
    shown = SPLITTING.sub(" ", printable(text))
    return f"'{shown}" if shown.lstrip().startswith(FORMULA_SIGNS) else shown
