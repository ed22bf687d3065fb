"""How the cells of a hand-made table were understood, in sentences."""

from __future__ import annotations

from probetest.faults import shown
from probetest.importers.layout import Layout
from probetest.importers.spreadsheet.tally import Tally

_FEWEST_FOR_ROUNDING = 3


def list_table_notices(tally: Tally, layout: Layout, rows: int) -> list[str]:
    """Word what was counted while a table was read.

    Parameters
    ----------
    tally : Tally
    layout : Layout
    rows : int
        Rows that were kept.

    Returns
    -------
    list of str
    """
    notices = []
    if tally.commas:
        notices.append(
            f"Decimal comma in {tally.commas} of {tally.numbers} values: {shown(tally.first_comma)} was read "
            f"as {tally.first_comma.replace('.', '').replace(',', '.')}."
        )
    if tally.grouped:
        notices.append(f"Thousands marks were taken out of the values: {tally.grouped}.")
    for target, count in tally.filled.items():
        notices.append(
            f"Blank cells in column {shown(layout.header(target))} took the value above them: {_rows(count)}."
        )
    for target, (line, count, cell) in tally.unread.items():
        notices.append(
            f"Cells of column {shown(layout.header(target))} that can't be read were left blank: {count}, "
            f"first {shown(cell)} on line {line}."
        )
    if tally.blank_outcomes:
        notices.append(
            f"Rows with a value and a blank cell in column {shown(layout.header('outcome'))} were taken as "
            f"triggers: {tally.blank_outcomes} of {rows}."
        )
    if tally.positions >= _FEWEST_FOR_ROUNDING and tally.two_decimals == tally.positions:
        notices.append(
            f"All {tally.positions} values have 2 decimals: the spreadsheet may have saved them as shown, "
            "rounded; save them with all decimals if it did."
        )
    return notices


def sign_notice(header: str, kind: str, count: int) -> str:
    """Say that readings against an axis had their sign turned, and whether that was sure.

    Parameters
    ----------
    header : str
    kind : str
        "coordinate" or "value".
    count : int
        Rows that approach against their axis.
    """
    if kind == "coordinate":
        return (
            f"Column {shown(header)} holds coordinates of the machine axis: the reading along the approach "
            f"is the coordinate with its sign turned in {_rows(count)} that approach in X-, Y- or Z-."
        )
    return (
        f"Column {shown(header)} was taken as coordinate of the machine axis, which its name doesn't say: "
        f"its sign was turned in {_rows(count)} that approach in X-, Y- or Z-. Scatter does not depend on "
        "this, the sign of a drift or deviation does."
    )


def _rows(count: int) -> str:
    return f"{count} row" if count == 1 else f"{count} rows"
