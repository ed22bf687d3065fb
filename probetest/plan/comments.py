"""Comments of a program: words that can't become code, whatever stands in them."""

from __future__ import annotations

import re
import textwrap

from probetest.plan.dialect import Dialect

LONGEST_LINE = 100
"""Characters of a line of a program."""

_LONGEST_TEXT = 400
_MORE = "... "
"""A line that goes on; no line begins with a word of the text, for some controllers act on a first word."""

_NOT_PLAIN = re.compile(r"[^A-Za-z0-9 ._-]+")
_NOT_OURS = re.compile(r"[^A-Za-z0-9 .,:_/+=-]+")
_NOT_STAGE = re.compile(r"[^A-Za-z0-9_-]+")


def clean_text(text: str) -> str:
    """Return what a user typed with only letters, digits, spaces and ``. _ -``.

    Parameters
    ----------
    text : str
        Anything.

    Examples
    --------
    >>> clean_text("A-17)G0X0(;")
    'A-17_G0X0_'
    """
    return " ".join(_NOT_PLAIN.sub("_", " ".join(text.split())).split())[:_LONGEST_TEXT] or "-"


def clean_stage(stage: str) -> str:
    """Return a stage with only letters, digits, ``_`` and ``-``.

    Examples
    --------
    >>> clean_stage("after service (2)")
    'after_service_2_'
    """
    return _NOT_STAGE.sub("_", stage) or "-"


def write_number(value: float) -> str:
    """Return a number with four decimals at most.

    Examples
    --------
    >>> write_number(-0.00001), write_number(12.5), write_number(100.0)
    ('0', '12.5', '100')
    """
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def comment_lines(label: str, text: str, dialect: Dialect) -> list[str]:
    """Return a comment on as many lines as it needs.

    Parameters
    ----------
    label : str
        Words of our own that it begins with.
    text : str
        What follows them; signs that could end a comment or begin another are replaced.
    dialect : Dialect
    """
    room = LONGEST_LINE - len(dialect.comment_open) - len(dialect.comment_close) - 1
    space = " " if dialect.comment_open == ";" else ""
    return [
        f"{dialect.comment_open}{space}{line}{dialect.comment_close}" for line in _wrap(label, text, room)
    ]


def message_lines(label: str, text: str, dialect: Dialect) -> list[str]:
    """Return a comment that the operator gets to see; parameters as in `comment_lines`."""
    room = LONGEST_LINE - len(dialect.message_line) + len("{text}")
    return [dialect.message_line.replace("{text}", line) for line in _wrap(label, text, room)]


def _wrap(label: str, text: str, room: int) -> list[str]:
    whole = _NOT_OURS.sub("_", f"{label} {text}".replace(";", ",").replace("%", "percent"))
    return textwrap.wrap(whole, room, subsequent_indent=_MORE, break_on_hyphens=False)
