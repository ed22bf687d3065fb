"""The first lines of a table: where its header row is, and which sign stands between the cells."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from probetest.importers.content import Bytes
from probetest.importers.spreadsheet.words import COORDINATE, face_of, meaning_of, unit_of

DELIMITERS = (";", "\t", "|", ",")
POSITIONS = ("x_mm", "y_mm", "z_mm", "reading_mm", COORDINATE)

_SAMPLE_BYTES = 1 << 18
_SAMPLE_LINES = 300
_LONGEST_NAME = 120
_NUMBER_SIGNS = frozenset("0123456789+-−.,eE' \u00a0\u202f")
_SIGNS = "+-−–"
_CONSOLE_STARTS = ("[", "<", "{", "(", "$", ">")


@dataclass(frozen=True, slots=True)
class SampleRow:
    """One row near the top.

    Attributes
    ----------
    line, last_line : int
        1-based lines on which it starts and ends.
    end : int
        Byte after it.
    cells : list of str
        Stripped.
    """

    line: int
    last_line: int
    end: int
    cells: list[str]

    @property
    def width(self) -> int:
        """Cells up to the last one that is filled."""
        return next((index for index in range(len(self.cells), 0, -1) if self.cells[index - 1]), 0)


@dataclass(frozen=True, slots=True)
class Split:
    """The first rows, split by one delimiter.

    Attributes
    ----------
    delimiter : str
    rows : tuple of SampleRow
        Without blank lines.
    header : int
        Place of the header row in ``rows``; -1 where there is none.
    score : tuple
        The larger, the surer.
    unclosed : int or None
        Line of a quote that has no end in the file; only known where the sample is all of it.
    """

    delimiter: str
    rows: tuple[SampleRow, ...]
    header: int
    score: tuple[float, ...]
    unclosed: int | None


def is_number_like(cell: str) -> bool:
    """Return whether a cell is a number in some notation."""
    return _NUMBER_SIGNS.issuperset(cell) and any(sign in "0123456789" for sign in cell)


def is_wide(header: str) -> bool:
    """Return whether a header is a direction such as ``X+``, with its values below it."""
    name = header.partition("(")[0].partition("[")[0].strip()
    return len(face_of(name) or "") == 2 and (name[0] in _SIGNS or name[-1] in _SIGNS)


def split_sample(text: Bytes, first_line: int, delimiters: Sequence[str] = DELIMITERS) -> Split:
    """Split the first lines by the delimiter under which they look most like a table.

    Parameters
    ----------
    text : ndarray of uint8
        UTF-8.
    first_line : int
        1-based line of the first byte.
    delimiters : sequence of str

    Returns
    -------
    Split

    Notes
    -----
    A delimiter scores by the words of the header row that are known under it, then by the
    share of the rows below that are as wide as the header row.
    """
    lines, ends = _lines(text)
    whole = ends[-1] == len(text)
    splits = [_split(lines, ends, first_line, delimiter, whole) for delimiter in delimiters]
    return max(splits, key=lambda split: split.score)


def _lines(text: Bytes) -> tuple[list[str], list[int]]:
    sample = text[:_SAMPLE_BYTES].tobytes()
    if len(text) > len(sample):
        sample = sample[: max(sample.rfind(b"\n"), sample.rfind(b"\r")) + 1] or sample
    stream = io.TextIOWrapper(io.BytesIO(sample), encoding="utf-8", errors="replace", newline="")
    lines = [line for line, _ in zip(stream, range(_SAMPLE_LINES), strict=False)]
    return lines, list(accumulate((len(line.encode()) for line in lines), initial=0))


def _split(lines: list[str], ends: list[int], first_line: int, delimiter: str, whole: bool) -> Split:
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    rows: list[SampleRow] = []
    done = 0
    unclosed = None
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            if whole and "unexpected end" in str(error):
                unclosed = first_line + done
            cells = []
        line, done = first_line + done, reader.line_num
        row = SampleRow(line, first_line + done - 1, ends[done], [cell.strip() for cell in cells])
        if row.width:
            rows.append(row)
    at, rank, known = _find_header(rows)
    return Split(delimiter, tuple(rows), at, (rank, known, _evenness(rows, at)), unclosed)


def _find_header(rows: list[SampleRow]) -> tuple[int, int, int]:
    best = (-1, 0, 0)
    for at, row in enumerate(rows):
        if row.width < 2 or any(is_number_like(cell) for cell in row.cells):
            continue
        known = [meaning_of(cell).targets for cell in row.cells if cell and len(cell) <= _LONGEST_NAME]
        known = [targets for targets in known if targets] + [("face",)] * sum(map(is_wide, row.cells))
        located = any(target in POSITIONS for targets in known for target in targets)
        rank = (3 if located else 2) if len(known) > 1 else int(located)
        if rank > best[1]:
            best = (at, rank, len(known))
    return best


def _evenness(rows: list[SampleRow], header: int) -> float:
    below = rows[header + 1 :]
    if header < 0:
        widths = [len(row.cells) for row in below if len(row.cells) > 1]
        return max(map(widths.count, set(widths))) / len(below) if widths else 0.0
    width = rows[header].width
    fitting = sum(1 < row.width <= width or len(row.cells) == len(rows[header].cells) for row in below)
    return fitting / max(1, len(below))


def units_row(split: Split, targets: Mapping[int, Sequence[str]]) -> dict[int, str] | None:
    """Return the units by column, where the row below the header row states nothing else.

    Parameters
    ----------
    split : Split
    targets : dict
        What each column can stand for.
    """
    below = split.rows[split.header + 1 : split.header + 2]
    filled = {index: cell for row in below for index, cell in enumerate(row.cells) if cell}
    units = {
        index: next(filter(None, (unit_of(cell, target) for target in targets.get(index, ()))), None)
        for index, cell in filled.items()
    }
    found = {index: unit for index, unit in units.items() if unit}
    return found if found and len(found) == len(units) else None


def looks_like_table(text: Bytes) -> bool:
    """Return whether the first lines are a delimited table; only these are looked at.

    Parameters
    ----------
    text : ndarray of uint8
        UTF-8, without the metadata.

    Returns
    -------
    bool
        Not for console logs, JSON lines, macro prints, columns between blanks, one number a line.
    """
    split = split_sample(text[: 1 << 16], 1)
    lines = [line.lstrip() for line in _lines(text[: 1 << 16])[0] if line.strip()]
    of_console = sum(line.startswith(_CONSOLE_STARTS) for line in lines)
    if not lines or of_console > len(lines) / (4 if split.header < 0 else 2):
        return False
    if split.header >= 0:
        return split.score[0] > 1 or _holds_numbers(split.rows[split.header + 1 :])
    return any(_is_bare_table(one, len(lines)) for one in _all_splits(text))


def _all_splits(text: Bytes) -> list[Split]:
    return [split_sample(text[: 1 << 16], 1, [sign]) for sign in (";", "|", ",", "\t")]


def _is_bare_table(split: Split, lines: int) -> bool:
    """Return whether rows without a header row are still those of a table."""
    rows = [row for row in split.rows if len(row.cells) > 1]
    if len(rows) < 0.8 * lines or split.score[2] < 0.8:
        return False
    numbers = [[is_number_like(cell) for cell in row.cells if cell] for row in rows]
    if split.delimiter == "\t" and all(map(all, numbers)):
        return False
    if split.delimiter == "," and all(len(row.cells) == 2 and row.cells[1].isdigit() for row in rows):
        return False  # one number a line, with a decimal comma
    counted = sum(
        any(one) and 2 * (sum(one) + _faces(row)) >= len(one) for one, row in zip(numbers, rows, strict=True)
    )
    return counted >= 0.8 * len(rows)


def _faces(row: SampleRow) -> int:
    return sum(face_of(cell) is not None for cell in row.cells if cell)


def _holds_numbers(rows: Sequence[SampleRow]) -> bool:
    return any(is_number_like(cell) for row in rows for cell in row.cells)
