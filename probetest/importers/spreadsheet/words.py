"""The word list of hand-made tables: header words, units, outcomes, faces, summary rows."""

from __future__ import annotations

import tomllib
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from probetest.importers.words import FACES

COORDINATE = "coordinate"
"""Header words for a position along the machine axis of the row; becomes ``reading_mm``."""

_LONGEST_LABEL = 60
_DASHES = str.maketrans("−–—‐‑", "-----")
_ASCII_SIGNS = {code: " " for code in range(128) if not chr(code).isalnum() and chr(code) not in "/#\"'%"}
_AXIS_LETTERS = frozenset("xyzXYZ")
_UNIT_KIND = {
    "x_mm": "length",
    "y_mm": "length",
    "z_mm": "length",
    "reading_mm": "length",
    COORDINATE: "length",
    "feed_mm_min": "feed",
    "azimuth_deg": "angle",
    "elevation_deg": "angle",
    "orientation_deg": "angle",
    "temperature_c": "temperature",
    "time": "time",
}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header can stand for.

    Attributes
    ----------
    targets : tuple of str
        Columns of the frame, or ``coordinate``; none where the header is not known.
    unit : str or None
        Unit that the header states: of a length or feed "mm", "inch", "um", "thou", else its kind.
    misfit : bool
        Whether the word is known, but its unit is not one that can be read.
    """

    targets: tuple[str, ...]
    unit: str | None = None
    misfit: bool = False


@dataclass(frozen=True, slots=True)
class WordList:
    """The words as sets and maps, folded; see ``words.toml``."""

    headers: dict[str, tuple[str, ...]]
    units: dict[str, tuple[tuple[str, str], ...]]
    outcomes: dict[str, str]
    summary: frozenset[str]
    blank: frozenset[str]
    months: frozenset[str]
    signs: tuple[tuple[str, str], ...]


def fold(text: str) -> str:
    """Return a word without case, accents and signs.

    Examples
    --------
    >>> fold("X-Wert"), fold("Écart type:"), fold(" Nr. ")
    ('x wert', 'ecart type', 'nr')
    """
    if text.isascii():
        return (
            " ".join(text[:200].lower().translate(_ASCII_SIGNS).split()).replace(" /", "/").replace("/ ", "/")
        )
    plain = unicodedata.normalize("NFKD", text[:200]).casefold()
    kept = (
        sign if sign.isalnum() or sign in "°/#\"″'%" else " "
        for sign in plain
        if not unicodedata.combining(sign)
    )
    return " ".join("".join(kept).split()).replace(" /", "/").replace("/ ", "/")


@lru_cache(1)
def word_list() -> WordList:
    """Read the word list, once."""
    path = files("probetest.importers.spreadsheet") / "words.toml"
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    headers: dict[str, tuple[str, ...]] = {}
    for target, words in data["headers"].items():
        for word in words:
            headers[word] = (*headers.get(word, ()), target)
    units: dict[str, tuple[tuple[str, str], ...]] = {}
    for kind, names in data["units"].items():
        for name, words in names.items():
            for word in words:
                units[word] = (*units.get(word, ()), (kind, name))
    signs = [(word, sign) for key, sign in (("plus", "+"), ("minus", "-")) for word in data["signs"][key]]
    signs += [(word, "") for axis in data["signs"]["axis"] for word in (f"-{axis}", axis)]
    return WordList(
        headers,
        units,
        {word: name for name, words in data["outcomes"].items() for word in (*words, name)},
        frozenset(data["summary"]["words"]),
        frozenset(data["blank"]["words"]),
        frozenset(data["months"]["words"]),
        tuple(signs),
    )


@lru_cache(4096)
def meaning_of(header: str) -> Meaning:
    """Return what a header can stand for.

    Parameters
    ----------
    header : str
        As in the file, such as ``Wert (mm)``, ``x [in]``, ``reading, µm``, ``Vorschub mm/min``.

    Returns
    -------
    Meaning

    Examples
    --------
    >>> meaning_of("Wert (mm)")
    Meaning(targets=('reading_mm',), unit='mm', misfit=False)
    """
    words = word_list()
    misfit = False
    for name, unit in _readings(header):
        targets = words.headers.get(name, ())
        if not targets:
            continue
        if unit is None:
            return Meaning(targets)
        found = [(target, _fitting(target, unit)) for target in targets]
        fitting = tuple(target for target, name_of_unit in found if name_of_unit)
        if fitting:
            return Meaning(fitting, next(name_of_unit for _, name_of_unit in found if name_of_unit))
        misfit = True
    return Meaning((), misfit=misfit)


def unit_of(cell: str, target: str) -> str | None:
    """Return the unit a cell of a row of units states for a column, or None where it is none."""
    word = fold(cell.strip(" ()[]{}"))
    return _fitting(target, word) if word in word_list().units else None


def _fitting(target: str, unit: str) -> str | None:
    kind = _UNIT_KIND.get(target)
    names = dict(word_list().units[unit])
    name = names.get(kind) if kind else None
    if kind == "feed" and name is None:  # "feed (mm)" means mm/min
        name = names.get("length")
    return None if name == "other" else name


def _readings(header: str) -> list[tuple[str, str | None]]:
    """List the ways to take a header apart into name and unit, the surest first."""
    units = word_list().units
    start = max(header.rfind("("), header.rfind("["), header.rfind("{"))
    whole = fold(header)
    if start > 0:
        inner, outer = fold(header[start:]), fold(header[:start])
        if inner in units:
            return [(outer, inner)]
        return [(whole, None), (outer, None)]
    ways: list[tuple[str, str | None]] = [(whole, None)]
    tokens = whole.split()
    for size in (2, 1):
        tail = tokens[-size:]
        for unit in ("/".join(tail), " ".join(tail)):
            if len(tokens) > size and unit in units:
                name = tokens[:-size]
                ways.append((" ".join(name[:-1] if name[-1] in ("in", "en", "em") else name), unit))
    name_of_ratio, slash, unit = whole.partition("/")
    if slash and unit in units:
        ways.append((name_of_ratio, unit))
    return ways


@lru_cache(4096)
def face_of(cell: str) -> str | None:
    """Return a direction such as ``X+``, an axis without its sign, or None.

    Examples
    --------
    >>> [face_of(cell) for cell in ("+x", "X plus", "y −", "Z-Achse negativ", "X", "7")]
    ['X+', 'X+', 'Y-', 'Z-', 'X', None]
    """
    if len(cell) > _LONGEST_LABEL or not _AXIS_LETTERS.intersection(cell):
        return None
    text = cell.casefold().translate(_DASHES)
    for word, sign in word_list().signs:
        text = text.replace(word, sign)
    text = "".join(text.split()).upper().strip("()")
    for face in (text, text[::-1]):
        if face in FACES or face in ("X", "Y", "Z"):
            return face
    return None


@lru_cache(4096)
def is_summary(cell: str) -> bool:
    """Return whether a cell is the label of a row that sums up others (mean, spread, count ...)."""
    if len(cell) > _LONGEST_LABEL or not cell or (cell[0] in "0123456789.,+-" and cell[-1:] not in "sS"):
        return False
    label, summary = fold(cell), word_list().summary
    first = label.partition(" ")[0]
    return label in summary or (len(first) > 2 and first in summary) or fold(cell.split("(")[0]) in summary
