"""The quick reader: typed columns by Arrow, for tables in which each cell is as it should be."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from probetest.importers.content import Bytes
from probetest.importers.layout import Field, Layout
from probetest.importers.table import Column, Table, categorical

_BLOCK_BYTES = 1 << 22
_TYPES = {
    "number": pa.float64(),
    "whole": pa.int64(),
    "word": pa.dictionary(pa.int32(), pa.string()),
}
_TIME_TYPES = (pa.timestamp("ms"), pa.timestamp("us"), pa.timestamp("us", tz="UTC"))


class _NotPlainError(Exception):
    """A cell needs the careful reader."""


def read_fast(rows: Bytes, layout: Layout) -> Table | None:
    """Read the rows of a table in which nothing is out of the ordinary.

    Parameters
    ----------
    rows : ndarray of uint8
        What follows the header row, UTF-8.
    layout : Layout

    Returns
    -------
    Table or None
        None where anything at all is unusual (a quote, a comment, a blank line, a cell that
        does not convert, text with outer blanks ...): the careful reader then decides.

    Notes
    -----
    Quotes are switched off and empty lines kept, so that each line is one row and its number is
    known without looking for line ends.
    """
    rows = _strip_end(rows)
    if len(rows) == 0 or (layout.ignored and not _is_plain(rows)):
        return None
    arrow = next(_attempts(rows, layout), None)
    if arrow is None or all(_has_blanks(column) for column in arrow.columns):
        return None  # an empty line gives a row of blanks, which only a column without blanks rules out
    with ThreadPoolExecutor(2) as pool:
        try:
            columns = list(pool.map(lambda field: _convert(field, arrow), layout.fields))
        except _NotPlainError:
            return None
    line = np.arange(layout.line + 1, layout.line + 1 + arrow.num_rows)
    in_utc = any(pa.types.is_timestamp(kind) and kind.tz is not None for kind in arrow.schema.types)
    targets = (field.target for field in layout.fields)
    return Table(dict(zip(targets, columns, strict=True)), line, in_utc=in_utc)


def _strip_end(rows: Bytes) -> Bytes:
    while len(rows):
        end = rows[-(1 << 16) :]
        filled = np.flatnonzero((end != 10) & (end != 13))
        if len(filled):
            return rows[: len(rows) - len(end) + int(filled[-1]) + 1]
        rows = rows[: -len(end)]
    return rows


def _is_plain(rows: Bytes) -> bool:
    """Return whether columns that are not converted could still hide a quote, a comment or foreign bytes."""
    return bool(((rows < 128) & (rows != ord('"')) & (rows != ord("#"))).all())


def _attempts(rows: Bytes, layout: Layout) -> Iterator[Any]:
    names = [f"c{index}" for index in range(layout.width)]
    buffer = pa.py_buffer(rows)
    times = _TIME_TYPES if layout.holds("time") else _TIME_TYPES[:1]
    for time_type in times:
        types = {names[field.index]: _TYPES.get(field.kind, time_type) for field in layout.fields}
        convert = pacsv.ConvertOptions(
            column_types=types,
            include_columns=list(types),
            null_values=[""],
            strings_can_be_null=False,
            decimal_point=layout.decimal,
        )
        parse = pacsv.ParseOptions(delimiter=layout.delimiter, quote_char=False, ignore_empty_lines=False)
        read = pacsv.ReadOptions(column_names=names, block_size=_BLOCK_BYTES)
        try:
            yield pacsv.read_csv(pa.BufferReader(buffer), read, parse, convert)
        except pa.ArrowInvalid:
            continue


def _has_blanks(chunks: Any) -> bool:
    if not pa.types.is_dictionary(chunks.type):
        return bool(chunks.null_count)
    return any("" in chunk.dictionary.to_pylist() for chunk in chunks.chunks)


def _convert(field: Field, arrow: Any) -> Column:
    chunks = arrow.column(f"c{field.index}")
    if field.kind == "word":
        return _words(chunks)
    if field.kind == "time":
        return _gather(chunks, "datetime64[ms]")
    if field.kind == "whole":
        if chunks.null_count:
            raise _NotPlainError
        return _gather(chunks, "int64")
    values = _gather(chunks, "float64")
    missing = chunks.null_count
    finite = len(values) - missing
    if missing and np.count_nonzero(np.isfinite(values)) != finite:
        raise _NotPlainError
    if not missing and not (np.isfinite(values.min()) and np.isfinite(values.max())):
        raise _NotPlainError
    return values


def _gather(chunks: Any, dtype: str) -> Any:
    values = np.empty(len(chunks), dtype=dtype)
    at = 0
    for chunk in chunks.chunks:
        values[at : at + len(chunk)] = chunk.to_numpy(zero_copy_only=False)
        at += len(chunk)
    return values


def _words(chunks: Any) -> pd.Categorical:
    chunks = chunks.unify_dictionaries()
    words = chunks.chunk(0).dictionary.to_pylist()
    if any(word != word.strip() or '"' in word or word.startswith("#") for word in words):
        raise _NotPlainError
    codes = np.concatenate([chunk.indices.to_numpy() for chunk in chunks.chunks])
    return categorical(codes, words)
