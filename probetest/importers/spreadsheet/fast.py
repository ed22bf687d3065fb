"""The quick way through a hand-made table in which nothing is out of the ordinary."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from probetest.importers.content import Bytes
from probetest.importers.fast import read_fast
from probetest.importers.layout import Layout
from probetest.importers.spreadsheet.tally import POSITIONS, Tally
from probetest.importers.spreadsheet.typed import ANGLES
from probetest.importers.spreadsheet.words import face_of, fold, is_summary, word_list
from probetest.importers.table import Table, categorical

_MOST_WORDS = 5000


@dataclass(frozen=True, slots=True)
class Plain:
    """A table that was read by the quick way."""

    table: Table
    tally: Tally


def read_plain(rows: Bytes, layout: Layout, first_line: int) -> Plain | None:
    """Read the rows of a table that holds touches only.

    Parameters
    ----------
    rows : ndarray of uint8
        What follows the header row.
    layout : Layout
    first_line : int
        1-based line of the first byte.

    Returns
    -------
    Plain or None
        None where a row could be anything but a touch: the row reader then decides.
    """
    cells = _as_text(rows, layout)
    if cells is None or not _labels_are_none(cells, layout):
        return None
    table = read_fast(rows, replace(layout, line=first_line - 1))
    if table is None or len(table.line) != cells.num_rows:
        return None
    columns = dict(table.columns)
    for target in ("face", "outcome", "stage"):
        if target in columns:
            words = _words(target, list(columns[target].categories))
            if words is None:
                return None
            columns[target] = _recode(columns[target], words)
    if not all(np.isfinite(columns[one]).all() for one in (*POSITIONS, *ANGLES) if one in columns):
        return None
    return Plain(replace(table, columns=columns), _tally(cells, layout))


def _as_text(rows: Bytes, layout: Layout) -> Any:
    names = [f"c{index}" for index in range(layout.width)]
    if not len(rows):
        return None
    numbers = [names[one.index] for one in layout.fields if one.kind == "number"]
    known = {names[one.index] for one in layout.fields}
    labels = [name for name in names if name not in known]
    word = pa.dictionary(pa.int32(), pa.string())
    try:
        return pacsv.read_csv(
            pa.BufferReader(pa.py_buffer(rows)),
            pacsv.ReadOptions(column_names=names, block_size=1 << 22),
            pacsv.ParseOptions(delimiter=layout.delimiter, quote_char=False, ignore_empty_lines=False),
            pacsv.ConvertOptions(
                column_types=dict.fromkeys(numbers, pa.string()) | dict.fromkeys(labels, word),
                include_columns=numbers + labels,
                strings_can_be_null=False,
            ),
        )
    except pa.ArrowInvalid:
        return None


def _labels_are_none(cells: Any, layout: Layout) -> bool:
    """Return whether no cell of an ignored column could mark a row that is no touch."""
    if not any(one.index == 0 for one in layout.fields):
        words = {word for chunk in cells.column("c0").chunks for word in chunk.dictionary.to_pylist()}
        return len(words) <= _MOST_WORDS and not any(not word or is_summary(word.strip()) for word in words)
    return True


def _words(target: str, words: list[str]) -> list[str] | None:
    if target == "face":
        faces = [face_of(word) for word in words]
        return [face for face in faces if face] if all(face and len(face) == 2 for face in faces) else None
    if target == "outcome":
        return [word_list().outcomes.get(fold(word), word) for word in words] if all(words) else None
    return words if not any(not word or is_summary(word) for word in words) else None


def _recode(column: Any, words: list[str]) -> Any:
    distinct = list(dict.fromkeys(words))
    codes = np.array([distinct.index(word) for word in words], dtype=np.int32)
    return categorical(codes[column.codes], distinct)


def _tally(cells: Any, layout: Layout) -> Tally:
    tally = Tally()
    for one in layout.fields:
        if one.kind != "number":
            continue
        column = cells.column(f"c{one.index}")
        filled = int(pc.sum(pc.not_equal(column, "")).as_py() or 0)
        tally.numbers += filled
        if layout.decimal == ",":
            with_comma = pc.match_substring(column, ",")
            tally.commas += int(pc.sum(with_comma).as_py() or 0)
            if tally.commas and not tally.first_comma:
                tally.first_comma = column.filter(with_comma)[0].as_py()
        if one.target in POSITIONS:
            tally.positions += filled
            short = pc.match_substring_regex(column, r"[.,]\d\d$")
            tally.two_decimals += int(pc.sum(short).as_py() or 0)
    return tally
