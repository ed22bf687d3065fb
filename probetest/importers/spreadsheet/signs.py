"""The decimal sign of a table, or the question which one it is."""

from __future__ import annotations

from collections.abc import Iterable

from probetest.faults import FaultList, shown
from probetest.importers.layout import Field
from probetest.importers.spreadsheet.sample import SampleRow, Split, is_number_like

ASK_DECIMAL = 'give --decimal "." or --decimal ","'
_BOTH = "give --decimal and --delimiter, or save the table with ';' between the cells"


def find_decimal(
    split: Split, fields: Iterable[Field], delimiter: str | None, decimal: str | None, faults: FaultList
) -> str:
    """Find the decimal sign from the first rows.

    Parameters
    ----------
    split : Split
    fields : iterable of Field
    delimiter, decimal : str or None
        As the user gave them; ``decimal`` is taken as it is.
    faults : FaultList

    Returns
    -------
    str

    Raises
    ------
    ImportDataError
        If the sign is in doubt.
    """
    below = split.rows[split.header + 1 :]
    _refuse_split_numbers(split, below, delimiter is not None and decimal == ".", faults)
    if decimal is not None:
        return decimal
    cells = [
        (row.line, row.cells[field.index], field)
        for field in fields
        if field.kind == "number"
        for row in below
        if field.index < len(row.cells) and is_number_like(row.cells[field.index])
    ]
    with_comma = [one for one in cells if one[1].count(",") == 1 and "." not in one[1]]
    with_point = [one for one in cells if one[1].count(".") == 1 and "," not in one[1]]
    if with_comma and with_point:
        (line, cell, field), other = with_comma[0], with_point[0]
        faults.add(
            f"{shown(cell)} here and {shown(other[1])} on line {other[0]}",
            "one decimal sign in all numbers",
            line=line,
            column=field.header,
            action=ASK_DECIMAL,
        )
    elif with_comma and split.delimiter != ";" and all(_may_be_thousands(cell) for _, cell, _ in with_comma):
        line, cell, field = with_comma[0]
        faults.add(
            f"{shown(cell)}, where the comma can be a decimal sign or a thousands mark",
            "a sign that is one of the two",
            line=line,
            column=field.header,
            action=ASK_DECIMAL,
        )
    faults.raise_if_any()
    return "," if with_comma else "."


def _refuse_split_numbers(
    split: Split, below: tuple[SampleRow, ...], settled: bool, faults: FaultList
) -> None:
    """Refuse a table in which the comma stands between cells and within numbers."""
    if split.delimiter != "," or settled:
        return
    width = split.rows[split.header].width
    numeric = [row for row in below if sum(map(is_number_like, row.cells)) > 1]
    wider = [row for row in numeric if row.width > width]
    if wider and 2 * len(wider) > len(numeric):
        row = wider[0]
        faults.add(
            f"{shown(','.join(row.cells))}, which can be {width} values or {row.width}",
            "one sign between the cells and another within the numbers",
            line=row.line,
            action=_BOTH,
        )
        faults.raise_if_any()


def _may_be_thousands(cell: str) -> bool:
    whole, _, rest = cell.lstrip("+-−").partition(",")
    return (
        len(rest) == 3
        and rest.isdigit()
        and whole.isdigit()
        and whole.lstrip("0") == whole
        and len(whole) <= 3
    )
