"""Which shape a log has: a table, or lines that one of the patterns knows."""

from __future__ import annotations

import csv

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from probetest.importers.blocks import LogText, without_escapes
from probetest.importers.layout import is_native
from probetest.importers.pattern import Pattern, built_in_patterns
from probetest.importers.spreadsheet import looks_like_table

_TRIED_LINES = 5000
_PLAIN_ORDER = 40
"""Patterns from this order on know only plain words and numbers: a table may look the same."""

TABLE, SPREADSHEET = "table", "spreadsheet"


def find_shape(start: bytes, rows_at: int, header: str, tag: str | None = None) -> str:
    """Return the shape of a log.

    Parameters
    ----------
    start : bytes
        Its first bytes, UTF-8.
    rows_at : int
        Where the lines behind a head of metadata begin.
    header : str
        First line there.
    tag : str, optional
        Word that marks a result, where it is another one.

    Returns
    -------
    str
        "table" for the native column names, "spreadsheet", the name of a pattern, or "" where none fits.
    """
    if _is_native_header(header):
        return TABLE
    lines = _first_lines(start[rows_at:])
    patterns = built_in_patterns()
    marked = {name: one for name, one in patterns.items() if one.order < _PLAIN_ORDER}
    plain = {name: one for name, one in patterns.items() if one.order >= _PLAIN_ORDER}
    found = _most_found(marked, lines, tag)
    if not found and _count(patterns["bare-axis-columns"], pa.array([header.strip()])):
        return "bare-axis-columns"
    if not found and _count(patterns["labelled-values"], pa.array([header.strip()])):
        return "labelled-values"
    if not found and looks_like_table(np.frombuffer(start[rows_at:], dtype=np.uint8)):
        return SPREADSHEET
    return found or _most_found(plain, lines)


def first_marked(log: LogText, tag: str | None = None) -> str:
    """Return the first pattern with marks of its own that finds a result anywhere in a file, or nothing.

    Parameters
    ----------
    log : LogText
    tag : str, optional

    Returns
    -------
    str
    """
    marked = {name: one for name, one in built_in_patterns().items() if one.order < _PLAIN_ORDER}
    return next((name for block in log if (name := _most_found(marked, block.lines, tag))), "")


def _first_lines(text: bytes) -> pa.StringArray:
    lines = text.replace(b"\r", b"\n").split(b"\n")[:_TRIED_LINES]
    return pc.ascii_trim_whitespace(
        without_escapes(pa.array([line.decode("utf-8", "replace")[:20_000] for line in lines], pa.string()))
    )


def _most_found(patterns: dict[str, Pattern], lines: pa.StringArray, tag: str | None = None) -> str:
    counts = {name: _count(one.with_tag(tag), lines) for name, one in patterns.items()}
    best = max(counts.values(), default=0)
    return next((name for name, count in counts.items() if count == best), "") if best else ""


def _count(pattern: Pattern, lines: pa.StringArray) -> int:
    holds = pc.match_substring_regex(lines, pattern.record)
    for find in pattern.line_fields:
        holds = pc.and_(holds, pc.match_substring_regex(lines, find))
    return int(pc.sum(holds).as_py() or 0)


def _is_native_header(header: str) -> bool:
    try:
        names = next(csv.reader([header]), [])
    except csv.Error:
        return False
    return is_native([name.strip() for name in names])
