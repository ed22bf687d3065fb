"""The head of a log: metadata as TOML behind ``#``, and free comments between it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from typing import Any

from probetest.faults import FaultList, shown
from probetest.importers.content import Bytes, refuse_broken_utf8

KNOWN = (
    "serial",
    "build",
    "units",
    "artefact",
    "stylus",
    "machine",
    "planned_touches",
    "arm_azimuth_deg",
    "origin",
)
"""Keys of the head that have a meaning; all others are kept as notes."""

HEAD_BYTES = 1 << 20
MAX_NOTE = 20_000
MAX_HEAD_LINES = 1000
MAX_NOTES = 1000
MAX_NESTING = 20

_DELIMITERS = ";,|\t"
"""Behind ``#`` they make it the name of a column: the number of a row."""

_EXAMPLES = {
    "serial": 'serial = "..."',
    "build": 'build = "..."',
    "units": 'units = "mm"',
    "artefact": 'artefact = {kind = "ring", diameter_mm = 25.0, u_mm = 0.0005}',
    "stylus": "stylus = {length_mm = 50, ball_diameter_mm = 4.0}",
    "machine": 'machine = {name = "...", resolution_mm = 0.001}',
    "planned_touches": "planned_touches = 10",
    "arm_azimuth_deg": "arm_azimuth_deg = 90",
    "origin": 'origin = {file = "run3.txt"}',
}


@dataclass(slots=True)
class Head:
    """What stands above the table.

    Attributes
    ----------
    stated : dict
        Known keys and their values.
    lines : dict
        Line of each known key, those that can't be read among them.
    notes : list of tuple of str
        Unknown keys and comments, in order.
    header : str
        The header row, without its line end.
    header_line : int
        Its line; 0 where the file has none.
    rows_at : int
        Byte at which the rows start.
    line_at : int
        Byte at which the header row starts.
    """

    stated: dict[str, Any] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    notes: list[tuple[str, str]] = field(default_factory=list)
    header: str = ""
    header_line: int = 0
    rows_at: int = 0
    line_at: int = 0


def read_head(text: Bytes, skip_rows: int, faults: FaultList) -> Head:
    """Read the metadata and find the header row.

    Parameters
    ----------
    text : ndarray of uint8
        The log, UTF-8.
    skip_rows : int
        Lines to leave out at the start.
    faults : FaultList

    Returns
    -------
    Head

    Raises
    ------
    ImportDataError
        If the head is too large to be one, or has no end.
    """
    head = Head()
    start = text[:HEAD_BYTES].tobytes()
    at = 0
    for number in range(1, MAX_HEAD_LINES + skip_rows + 1):
        if at >= len(start):
            break
        raw, size = _next_line(start, at)
        at += size
        line = raw.decode("utf-8", errors="replace")  # broken bytes are refused below
        if number <= skip_rows or not line.strip():
            continue
        start_of = line.lstrip()[:2]
        if not start_of.startswith("#") or (start_of[1:] and start_of[1:] in _DELIMITERS):
            head.header, head.header_line, head.rows_at, head.line_at = line, number, at, at - size
            break
        _read_line(line.lstrip(), number, head, faults)
    else:
        faults.add(f"more than {MAX_HEAD_LINES} lines before the table", "a header row near the top")
        faults.raise_if_any()
    refuse_broken_utf8(text[:at], 0, faults)
    if len(head.notes) > MAX_NOTES:
        faults.add(f"{len(head.notes)} notes in the head", f"at most {MAX_NOTES}", action="shorten the head")
    if at >= len(start) and len(text) > len(start):
        faults.add(
            "no header row in the first MiB", "a header row near the top", action="check that it is a log"
        )
        faults.raise_if_any()
    return head


def _next_line(text: bytes, at: int) -> tuple[bytes, int]:
    ends = [end for end in (text.find(b"\n", at), text.find(b"\r", at)) if end >= 0]
    end = min(ends, default=len(text))
    return text[at:end], end - at + (2 if text[end : end + 2] == b"\r\n" else 1)


def _read_line(line: str, number: int, head: Head, faults: FaultList) -> None:
    for part in split_parts(line):
        if len(part) > MAX_NOTE:
            faults.add(
                f"{len(part)} characters in one part of the head",
                f"at most {MAX_NOTE}",
                line=number,
                action="shorten it",
            )
        else:
            read_part(part, number, head, faults)


def split_parts(line: str) -> list[str]:
    """Split a head line at each ``#`` that is not within quotes.

    Quotes count only behind ``key =`` (or where they open a key), so that an
    apostrophe in a comment is only an apostrophe.

    Parameters
    ----------
    line : str

    Returns
    -------
    list of str
        The parts without ``#`` and outer blanks; empty and purely ornamental ones are left out.
    """
    parts, start, at, quote, quotes_count = [], 0, 0, "", False
    while at < len(line):
        sign = line[at]
        if quote:
            if sign == "\\" and quote == '"':
                at += 1
            elif sign == quote:
                quote = ""
        elif sign == "#":
            parts.append(line[start:at])
            start, quotes_count = at + 1, False
        elif sign == "=":
            quotes_count = True
        elif sign in "\"'" and (quotes_count or not line[start:at].strip()):
            quote = sign
        at += 1
    parts.append(line[start:])
    return [part.strip() for part in parts if any(sign.isalnum() or sign in "\"'" for sign in part)]


def read_part(part: str, line: int, head: Head, faults: FaultList) -> None:
    """Read one ``key = value`` or comment of the head.

    Parameters
    ----------
    part : str
    line : int
    head : Head
        Takes what is found.
    faults : FaultList
    """
    equals = _find_equals(part)
    before, after = part[:equals].strip(), part[equals + 1 :].strip()
    root = before.partition(".")[0].strip(" \t\"'")
    if equals < 0:
        word = part.split(":")[0].strip("[] \t")
        if word in KNOWN and (part.startswith("[") or ":" in part):
            _add_broken(word, part, line, head, faults)
        else:
            head.notes.append(("comment", part))
        return
    try:
        parsed = None if _is_deep(before, after) else tomllib.loads(part)
    except tomllib.TOMLDecodeError:
        parsed = None
    if parsed is None:
        if root in KNOWN:
            _add_broken(root, part, line, head, faults)
        else:
            head.notes.append(("comment", part))
        return
    ((key, value),) = parsed.items()
    if key in KNOWN:
        _take(key, value, line, head, faults)
    elif isinstance(value, dict):  # a dotted key or an inline table
        head.notes.append((before, after))
    else:
        head.notes.append((key, value if isinstance(value, str) else after))


def _find_equals(part: str) -> int:
    quote, escaped = "", False
    for at, sign in enumerate(part):
        if escaped:
            escaped = False
        elif quote:
            escaped = sign == "\\" and quote == '"'
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        elif sign == "=":
            return at
    return -1


def _is_deep(before: str, after: str) -> bool:
    return before.count(".") + after.count("[") + after.count("{") > MAX_NESTING


def _add_broken(key: str, part: str, line: int, head: Head, faults: FaultList) -> None:
    head.lines.setdefault(key, line)
    faults.add(
        shown(part),
        _EXAMPLES[key],
        line=line,
        column=key,
        is_key=True,
        action="put text in quotes and a # in front of a comment",
    )


def _take(key: str, value: Any, line: int, head: Head, faults: FaultList) -> None:
    known = head.stated.get(key)
    if isinstance(known, dict) and isinstance(value, dict) and not known.keys() & value.keys():
        head.stated[key] = known | value
    elif key in head.stated:
        faults.add(
            f"{key} a second time (first on line {head.lines[key]})",
            f"{key} once",
            line=line,
            column=key,
            action="remove one of the two",
        )
    else:
        head.stated[key] = value
        head.lines[key] = line
