"""Which characters can be printed: the shipped fonts, and a visible mark for everything else."""

from __future__ import annotations

import importlib.util
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from probetest.errors import ReportError

FONT_FOLDER = Path(__file__).resolve().parent / "fonts"
"""Inter, regular, italic and semibold: the face of the report."""

FALLBACK_FONTS = ("DejaVuSans.ttf", "DejaVuSansMono.ttf")
"""Faces that come with matplotlib: signs that Inter lacks, and program output."""

MARK = "\ufffd"
"""What stands for a character that can't be printed."""

TAB_WIDTH = 4

_NOT_PLAIN = re.compile(r"[^\x20-\x7e\n]")
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


@dataclass(frozen=True, slots=True)
class Printable:
    """Text that is safe to show.

    Attributes
    ----------
    text : str
        The text with ``MARK`` in place of what can't be shown.
    replaced : int
        How many characters were replaced.
    """

    text: str
    replaced: int


def clean(text: str) -> Printable:
    """Replace the characters that are not seen or that steer how their neighbours are drawn.

    Control and format characters (among them the bidirectional overrides), lone surrogates,
    private and unassigned characters become ``MARK``; line ends become a line feed; tabs
    become spaces.
    """
    return _replace(text, lambda _: True)


def printable(text: str) -> Printable:
    """Replace what ``clean`` replaces and what none of the report's fonts can draw."""
    return _replace(text, lambda character: ord(character) in _covered())


def walk(data: Any, treat: Callable[[str], Printable]) -> tuple[Any, int]:
    """Treat every string in JSON data.

    Parameters
    ----------
    data : JSON data
        Dictionaries (their keys are left alone), lists, tuples, strings, numbers, None.
    treat : callable
        ``clean`` or ``printable``.

    Returns
    -------
    data : JSON data
        A treated copy; tuples have become lists.
    replaced : int
        How many characters were replaced in all.
    """
    if isinstance(data, str):
        shown = treat(data)
        return shown.text, shown.replaced
    if isinstance(data, dict):
        parts = {key: walk(value, treat) for key, value in data.items()}
        return {key: part for key, (part, _) in parts.items()}, sum(count for _, count in parts.values())
    if isinstance(data, list | tuple):
        items = [walk(value, treat) for value in data]
        return [item for item, _ in items], sum(count for _, count in items)
    return data, 0


def fallback_font_files() -> tuple[Path, ...]:
    """Return the fallback fonts inside the installed matplotlib, without importing it.

    Raises
    ------
    ReportError
        If this installation of matplotlib came without its fonts.
    """
    spec = importlib.util.find_spec("matplotlib")
    places = spec.submodule_search_locations if spec is not None else None
    folder = Path(next(iter(places or ("",)))) / "mpl-data" / "fonts" / "ttf"
    files = tuple(folder / name for name in FALLBACK_FONTS)
    for file in files:
        if not file.is_file():
            raise ReportError(
                f"{file}: found no such font, expected the fonts that come with matplotlib; "
                "install matplotlib again with pip."
            )
    return files


def _replace(text: str, can_be_drawn: Callable[[str], bool]) -> Printable:
    replaced = 0

    def shown(match: re.Match[str]) -> str:
        nonlocal replaced
        character = match.group()
        if unicodedata.category(character) not in _UNSEEN and can_be_drawn(character):
            return character
        replaced += 1
        return MARK

    lines = text.replace("\r\n", "\n").replace("\r", "\n").expandtabs(TAB_WIDTH)
    return Printable(_NOT_PLAIN.sub(shown, lines), replaced)


@lru_cache(maxsize=1)
def _covered() -> frozenset[int]:
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    covered: set[int] = set()
    for file in (FONT_FOLDER / "Inter-Regular.otf", fallback_font_files()[0]):
        with TTFont(file, lazy=True) as font:
            covered.update(font.getBestCmap())
    return frozenset(covered)
