"""Blocks as HTML for a notebook; every text is escaped."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

from probetest.report.style import PALETTE

SHAPES = {"pass": "●", "fail": "■", "undecided": "◇", "not tested": "–"}
"""Shape that goes with the word of a verdict."""

_WORD_COLOURS = {
    "pass": PALETTE.passed,
    "fail": PALETTE.failed,
    "undecided": PALETTE.undecided,
    "not tested": PALETTE.muted,
}
_BANDS = {
    "pass": f"background:{PALETTE.passed_tint};color:{PALETTE.passed};border:2px solid {PALETTE.passed}",
    "fail": f"background:{PALETTE.failed};color:{PALETTE.paper};border:2px solid {PALETTE.failed}",
    "undecided": f"background:{PALETTE.paper};color:{PALETTE.ink};border:2px dashed {PALETTE.undecided}",
    "not tested": f"background:{PALETTE.paper};color:{PALETTE.muted};border:2px dotted {PALETTE.muted}",
}
_FONT = (
    f"font-family:Inter,sans-serif;color:{PALETTE.ink};background:{PALETTE.paper};"
    "line-height:1.4;padding:0.5em"
)
_CELL = f"padding:0.3em 0.8em;border-bottom:1px solid {PALETTE.hairline};"
_HEAD_CELL = f"padding:0.3em 0.8em;border-bottom:1px solid {PALETTE.ink};"
_WRAP = "white-space:pre-wrap;overflow-wrap:anywhere"
_SMALL = f"font-size:85%;color:{PALETTE.muted};{_WRAP}"


def render(data: dict[str, Any]) -> str:
    """Return one block as HTML.

    Parameters
    ----------
    data : dict
        A block's payload after ``characters.clean``.

    Raises
    ------
    KeyError
        If the kind of block is unknown.
    """
    replaced = data.get("replaced", 0)
    note = f'<p style="{_SMALL}">{escape(replacement_note(replaced))}</p>' if replaced else ""
    return f'<div style="{_FONT}">{_RENDERERS[data["block"]](data)}{note}</div>'


def replacement_note(replaced: int) -> str:
    """Say how many characters were replaced because they can't be printed."""
    subject, verb = ("1 character", "is") if replaced == 1 else (f"{replaced} characters", "are")
    return f"{subject} in this text can't be printed with the report's fonts and {verb} shown as \ufffd."


def _tag(name: str, style: str, text: str) -> str:
    return f'<{name} style="{style}">{escape(text)}</{name}>' if text else ""


def _mark(verdict: str, word: str) -> str:
    style = f"color:{_WORD_COLOURS[verdict]};white-space:nowrap"
    return f'<span style="{style}">{SHAPES[verdict]} {escape(word)}</span>'


def _cell(cell: str | dict[str, str]) -> str:
    return _mark(cell["verdict"], cell["word"]) if isinstance(cell, dict) else escape(cell)


def _table(data: dict[str, Any]) -> str:
    columns = data["columns"]
    head = "".join(
        f'<th style="{_HEAD_CELL}text-align:{c["align"]};{_width(c["width"])}{_WRAP}">'
        f"{escape(c['title'])}</th>"
        for c in columns
    )
    body = "".join(
        _table_row(row, columns, index in data["emphasis"]) for index, row in enumerate(data["rows"])
    )
    table = (
        f'<table style="border-collapse:collapse"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    )
    return _tag("p", f"font-weight:600;{_WRAP}", data["caption"]) + table + _tag("p", _SMALL, data["note"])


def _table_row(row: Sequence[Any], columns: Sequence[dict[str, Any]], strong: bool) -> str:
    weight = 600 if strong else 400
    cells = "".join(
        f'<td style="{_CELL}text-align:{column["align"]};font-weight:{weight};{_WRAP}">{_cell(cell)}</td>'
        for cell, column in zip(row, columns, strict=True)
    )
    return f"<tr>{cells}</tr>"


def _width(width: str | None) -> str:
    return "" if width is None or width.endswith("fr") else f"width:{escape(width)};"


def _first_upper(word: str) -> str:
    """The word with its first letter large."""
    return word[:1].upper() + word[1:]


def _banner(data: dict[str, Any]) -> str:
    verdict = data["verdict"]
    word = f"{SHAPES[verdict]} {escape(_first_upper(data['word']))}"
    word = f'<b style="font-size:180%;margin-right:1.5em">{word}</b>'
    title = f'<b style="{_WRAP}">{escape(data["title"])}</b>'
    band = f'<div style="{_BANDS[verdict]};padding:0.6em 1em">{word}{title}</div>'
    return band + _tag("p", f"font-size:110%;{_WRAP}", data["sentence"]) + _pairs(data["facts"])


def _pairs(pairs: Sequence[Sequence[str]]) -> str:
    rows = "".join(
        f'<tr><td style="{_CELL}text-align:left;color:{PALETTE.muted};{_WRAP}">{escape(label)}</td>'
        f'<td style="{_CELL}text-align:left;{_WRAP}">{escape(value)}</td></tr>'
        for label, value in pairs
    )
    return f'<table style="border-collapse:collapse"><tbody>{rows}</tbody></table>'


def _facts(data: dict[str, Any]) -> str:
    return _tag("p", f"font-weight:600;{_WRAP}", data["caption"]) + _pairs(data["rows"])


def _picture(data: dict[str, Any]) -> str:
    content = base64.b64encode(data["svg"].encode("utf-8")).decode("ascii")
    image = (
        f'<img src="data:image/svg+xml;base64,{content}" alt="{escape(data["alt"])}" '
        f'style="width:{escape(data["width"])}">'
    )
    return image + _tag("p", _SMALL, data["caption"])


def _note(data: dict[str, Any]) -> str:
    colour, sign = (PALETTE.amber, "▲") if data["kind"] == "caution" else (PALETTE.blue, "●")
    title = f"<b>{sign} {escape(data['title'])}</b>"
    style = f"border-left:4px solid {colour};padding:0.3em 1em"
    return f'<div style="{style}">{title}{_tag("p", _WRAP, data["text"])}</div>'


def _literal(data: dict[str, Any]) -> str:
    font = "font-family:monospace;" if data["monospace"] else ""
    return _tag("div", f"{font}background:{PALETTE.tint};padding:0.5em 1em;{_WRAP}", data["text"])


def _row(data: dict[str, Any]) -> str:
    parts = "".join(
        f'<div style="flex:{float(width)};min-width:0">{_RENDERERS[block["block"]](block)}</div>'
        for block, width in zip(data["blocks"], data["widths"], strict=True)
    )
    return f'<div style="display:flex;gap:1.5em">{parts}</div>'


_RENDERERS: dict[str, Callable[[dict[str, Any]], str]] = {
    "table": _table,
    "banner": _banner,
    "facts": _facts,
    "picture": _picture,
    "note": _note,
    "literal": _literal,
    "row": _row,
}
