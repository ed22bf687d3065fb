"""Cells of a hand-made table: numbers, and why a cell is none."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from functools import lru_cache

from probetest.faults import printable, shown
from probetest.importers.spreadsheet.words import fold, word_list

_LONGEST_NUMBER = 64
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_FAILED = ("nan", "inf", "infinity", "1.#qnan", "1.#inf", "1.#ind", "1.#snan", "1.#j", "1#qnan", "1#inf")
_DATE_SIGNS = frozenset("0123456789/.-: ")
_MARKS = (" ", "'", "\u00a0", "\u202f", "’", "_")


def is_blank(cell: str) -> bool:
    """Return whether a cell is empty or holds a sign for "no value"."""
    return not cell or cell.casefold() in word_list().blank


def read_number(cell: str, decimal: str) -> float | None:
    """Read a number with this decimal sign, and with thousands marks only where both signs stand.

    Examples
    --------
    >>> read_number("10,0032", ","), read_number("1.234,5", ","), read_number("10.5", ",")
    (10.0032, 1234.5, None)
    """
    if len(cell) > _LONGEST_NUMBER:
        return None
    cell = cell.replace("−", "-")
    other = "." if decimal == "," else ","
    if other in cell:
        whole, sign, _ = cell.partition(decimal)
        if not sign or not _is_grouped(whole.lstrip("+-"), other):
            return None
        cell = cell.replace(other, "")
    if decimal == ",":
        cell = cell.replace(",", ".")
    if not _NUMBER.fullmatch(cell):
        return None
    value = float(cell)
    return value if abs(value) < float("inf") else None


def _is_grouped(whole: str, mark: str) -> bool:
    first, *groups = whole.split(mark)
    return 0 < len(first) <= 3 and first.isdigit() and all(len(one) == 3 and one.isdigit() for one in groups)


def read_angle(cell: str, decimal: str) -> float | None:
    """Read an angle in degrees, which may have the sign of the degree behind it."""
    return read_number(cell.removesuffix("°").removesuffix("deg").rstrip(), decimal)


def read_whole(cell: str) -> int | None:
    """Read a touch number, which a spreadsheet may have given a decimal part of zeros."""
    whole, sign, rest = cell.replace(",", ".").partition(".")
    if (sign and rest.strip("0")) or len(whole) > 18 or not whole.removeprefix("+").isdigit():
        return None
    return int(whole) if whole.isascii() else None


def read_time(cell: str) -> datetime | None:
    """Read an ISO 8601 time, or one with the day first and points between (02.03.2026 09:00:04)."""
    try:
        value = datetime.fromisoformat(cell)
    except ValueError:
        pass
    else:
        try:
            return value.astimezone(UTC) if value.tzinfo else value
        except OverflowError:
            return None
    for form in ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%Y"):
        try:
            return datetime.strptime(cell, form)
        except ValueError:
            continue
    return None


def why_no_number(cell: str, decimal: str, header: str) -> str:
    """Say in a sentence what stands in a cell instead of a number, and the likely cause.

    Parameters
    ----------
    cell : str
    decimal : str
    header : str
        Name of the column.

    Returns
    -------
    str
        Harmless on a terminal.
    """
    if not cell:
        return f"no value in column {printable(header)}"
    cause = _cause(cell, decimal)
    return f"{shown(cell)} is not a number{f' ({cause})' if cause else ''}, column {printable(header)}"


@lru_cache(4096)
def _cause(cell: str, decimal: str) -> str:
    lower = cell.casefold()
    if set(cell) == {"#"}:
        return "the column was too narrow in the spreadsheet"
    if lower.lstrip("+-").startswith(_FAILED) and len(cell) < 12:
        return "the result of a calculation that failed"
    if cell.startswith("#") or lower.startswith("err:"):
        return "an error of the spreadsheet instead of a value"
    if cell[0] in "=@" or (cell[0] in "+-" and "(" in cell):
        return "a formula, not its value"
    if _is_date(cell):
        return "the spreadsheet turned the number into a date"
    if len(cell) > _LONGEST_NUMBER:
        return "too long"
    if read_number(cell, "," if decimal == "." else ".") is not None:
        return f"the decimal sign is {decimal}"
    tight = "".join(sign for sign in cell if sign not in _MARKS)
    if read_number(tight, decimal) is not None and tight != cell:
        return "a mark within the number"
    number = cell.rstrip('abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZµμ°"% ')
    if number != cell and read_number(number, decimal) is not None:
        return "a unit or text behind the number; state the unit in the header"
    if _NUMBER.fullmatch(cell.replace(",", ".")):
        return "larger than any number that can be stored"
    return ""


def _is_date(cell: str) -> bool:
    digits = sum(sign.isdigit() for sign in cell)
    if len(cell) > 40 or not digits:
        return False
    separated = max(cell.count(sign) for sign in "/.-:") == 2 or cell.count("/") == 1
    if separated and _DATE_SIGNS.issuperset(cell):
        return True
    words = "".join(sign if sign.isalpha() else " " for sign in fold(cell)).split()
    return any(word[:4] in word_list().months or word[:3] in word_list().months for word in words)
