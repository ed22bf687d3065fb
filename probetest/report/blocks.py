"""What a report is made of: frozen descriptions that a notebook cell displays.

Each block shows itself as HTML in a notebook and carries plain JSON data of the MIME type
``MIME`` for the PDF. Any text in a block is text: it is never read as markup.
"""

from __future__ import annotations

import re
import typing
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

from probetest.report import html
from probetest.report.characters import clean, walk
from probetest.report.style import figure_to_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MIME = "application/vnd.probetest.block+json"
"""MIME type of the data that the PDF is made from."""

Verdict: TypeAlias = typing.Literal["pass", "fail", "undecided", "not tested"]
Align: TypeAlias = typing.Literal["left", "right", "center"]
NoteKind: TypeAlias = typing.Literal["caution", "info"]

_WIDTH = re.compile(r"\d+(\.\d+)?(mm|cm|pt|em|fr|%)")
_PICTURE_WIDTH = re.compile(r"\d+(\.\d+)?(mm|cm|pt|em|%)")


class Block(ABC):
    """One piece of a report."""

    __slots__ = ()

    @abstractmethod
    def payload(self) -> dict[str, Any]:
        """Return the block as JSON data, ``block`` naming its kind."""

    def _repr_mimebundle_(self, **_selection: Any) -> dict[str, Any]:
        data, replaced = walk(self.payload(), clean)
        data["replaced"] = replaced
        return {MIME: data, "text/html": html.render(data), "text/plain": f"<{type(self).__name__}>"}


@dataclass(frozen=True, slots=True)
class VerdictMark:
    """A verdict inside a table: the word with its shape.

    Attributes
    ----------
    verdict : str
        "pass", "fail", "undecided" or "not tested".
    word : str
        What is written; empty for the verdict itself.
    """

    verdict: Verdict
    word: str = ""

    def __post_init__(self) -> None:
        _require(self.verdict, Verdict, "verdict")


Cell: TypeAlias = str | VerdictMark


@dataclass(frozen=True, slots=True)
class Column:
    """Head of a table column.

    Attributes
    ----------
    title : str
        With the unit of the numbers below.
    align : str
        "left", "right" (numbers) or "center".
    width : str or None
        Such as "30mm", "20%" or "1fr" (a share of what is left); None fits the content.
    """

    title: str
    align: Align = "left"
    width: str | None = None

    def __post_init__(self) -> None:
        _require(self.align, Align, "align")
        if self.width is not None:
            _require_width(self.width, _WIDTH)


@dataclass(frozen=True, slots=True)
class Table(Block):
    """A table whose head is repeated on each page it runs over.

    Attributes
    ----------
    columns : tuple of Column
        At least one.
    rows : tuple of tuple of (str or VerdictMark)
        One cell a column.
    caption, note : str
        Above and below the table; may be empty.
    emphasis : tuple of int
        Rows set in semibold, counted from 0.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""
    note: str = ""
    emphasis: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.columns:
            raise ValueError("a table must have at least one column, but got none")
        for index, row in enumerate(self.rows):
            if len(row) != len(self.columns):
                raise ValueError(
                    f"row {index} must have {len(self.columns)} cells, one a column, but got {len(row)}"
                )
        for index in self.emphasis:
            if not 0 <= index < len(self.rows):
                raise ValueError(f"emphasis must name rows from 0 to {len(self.rows) - 1}, but got {index}")

    def payload(self) -> dict[str, Any]:  # noqa: D102 - described by the base class, here and below
        return {
            "block": "table",
            "columns": [{"title": c.title, "align": c.align, "width": c.width} for c in self.columns],
            "rows": [[_cell(cell) for cell in row] for row in self.rows],
            "caption": self.caption,
            "note": self.note,
            "emphasis": list(self.emphasis),
        }


@dataclass(frozen=True, slots=True)
class Banner(Block):
    """The head of a report: the verdict, what it is about, one plain sentence, the key facts.

    Attributes
    ----------
    verdict : str
        "pass", "fail", "undecided" or "not tested".
    title : str
        What was judged, with its serial.
    sentence : str
        The verdict in words, with its reason.
    facts : tuple of (str, str)
        Pairs of label and value, value with unit.
    word : str
        What the band says; empty for the verdict itself.
    """

    verdict: Verdict
    title: str
    sentence: str
    facts: tuple[tuple[str, str], ...] = ()
    word: str = ""

    def __post_init__(self) -> None:
        _require(self.verdict, Verdict, "verdict")

    def payload(self) -> dict[str, Any]:  # noqa: D102
        return {
            "block": "banner",
            "verdict": self.verdict,
            "word": self.word or self.verdict,
            "title": self.title,
            "sentence": self.sentence,
            "facts": [list(fact) for fact in self.facts],
        }


@dataclass(frozen=True, slots=True)
class Picture(Block):
    """A drawing.

    Attributes
    ----------
    svg : bytes
        An SVG file in UTF-8.
    caption : str
        Below the drawing; may be empty.
    alt : str
        What the drawing shows, for readers who can't see it.
    width : str
        Such as "100%" (of the text or the column it stands in) or "80mm".
    """

    svg: bytes = field(repr=False)
    caption: str
    alt: str
    width: str = "100%"

    def __post_init__(self) -> None:
        _require_width(self.width, _PICTURE_WIDTH)

    def payload(self) -> dict[str, Any]:  # noqa: D102
        return {
            "block": "picture",
            "svg": self.svg.decode("utf-8"),
            "caption": self.caption,
            "alt": self.alt,
            "width": self.width,
        }


@dataclass(frozen=True, slots=True)
class Facts(Block):
    """A list of pairs of label and value."""

    rows: tuple[tuple[str, str], ...]
    caption: str = ""

    def payload(self) -> dict[str, Any]:  # noqa: D102
        return {"block": "facts", "rows": [list(row) for row in self.rows], "caption": self.caption}


@dataclass(frozen=True, slots=True)
class Note(Block):
    """A remark set apart from the text, of the kind "caution" or "info"."""

    kind: NoteKind
    title: str
    text: str

    def __post_init__(self) -> None:
        _require(self.kind, NoteKind, "kind")

    def payload(self) -> dict[str, Any]:  # noqa: D102
        return {"block": "note", "kind": self.kind, "title": self.title, "text": self.text}


@dataclass(frozen=True, slots=True)
class Literal(Block):
    """Text from outside, shown as it is.

    Attributes
    ----------
    text : str
        Spaces and line ends are kept.
    monospace : bool
        Whether all characters are equally wide, as program output needs it.
    """

    text: str
    monospace: bool = False

    def payload(self) -> dict[str, Any]:  # noqa: D102
        return {"block": "literal", "text": self.text, "monospace": self.monospace}


@dataclass(frozen=True, slots=True)
class Row(Block):
    """Blocks side by side.

    Attributes
    ----------
    blocks : tuple of Block
        From left to right.
    widths : tuple of float
        Their shares of the width, any positive scale.
    """

    blocks: tuple[Block, ...]
    widths: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.blocks or len(self.blocks) != len(self.widths):
            raise ValueError(
                f"a row must have one width a block, but got {len(self.blocks)} blocks and "
                f"{len(self.widths)} widths"
            )
        if not all(0 < width < float("inf") for width in self.widths):
            raise ValueError(f"the widths of a row must be positive, but got {self.widths}")

    def payload(self) -> dict[str, Any]:  # noqa: D102
        blocks = [block.payload() for block in self.blocks]
        return {"block": "row", "blocks": blocks, "widths": [float(width) for width in self.widths]}


def picture_from_figure(figure: Figure, *, caption: str, alt: str, width: str = "100%") -> Picture:
    """Turn a matplotlib figure, drawn inside ``report_style()``, into a picture.

    The same figure gives the same bytes; caption, alt and width are those of ``Picture``.
    """
    return Picture(svg=figure_to_svg(figure), caption=caption, alt=alt, width=width)


def _cell(cell: Cell) -> str | dict[str, str]:
    if not isinstance(cell, VerdictMark):
        return cell
    return {"verdict": cell.verdict, "word": cell.word or cell.verdict}


def _require(value: str, allowed: Any, name: str) -> None:
    if value not in typing.get_args(allowed):
        raise ValueError(f"{name} must be one of {typing.get_args(allowed)}, but got {value!r}")


def _require_width(value: str, pattern: re.Pattern[str]) -> None:
    if not pattern.fullmatch(value):
        raise ValueError(f"width must be a number with a unit such as '30mm' or '50%', but got {value!r}")
