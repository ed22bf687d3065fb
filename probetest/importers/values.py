"""Numbers of a line-based log: text to floats, decimal commas, what is no number."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.pattern import AXES
from probetest.importers.skipped import SkipList

LENGTHS = (*AXES, "reading", "coordinate")
NUMBER = r"^[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?$"

_COMMA = r"^[-+]?[0-9]*,[0-9]+$"
_GROUPED = {
    ",": r"^[-+]?[0-9]{1,3}(?:\.[0-9]{3})+(?:,[0-9]*)?$",
    ".": r"^[-+]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]*$",
}
_SPACED_COMMA = r"\s*,\s+|\s+,"
_INNER_COMMA = r"([0-9]),([0-9])"
_PAIR = r"([0-9]*),([0-9]+)(?:[,;\s]+|$)"
_BOTH = r"^[-+]?[0-9]+[.,0-9]*$"
_NO_NUMBERS = (
    (r"^#{2,}$", "a spreadsheet column was too narrow"),
    (r"^#(?:REF|DIV|VALUE|NAME|N/A|NUM|NULL)", "a spreadsheet wrote an error"),
    (r"(?i)^[-+]?(?:[0-9]*\.#)?[-+]?[sq]?(?:nan|inf|ind)", "there was no number to print"),
    (_COMMA, "a decimal comma; give --decimal ,"),
    (r"^[-+0-9.]*[-+.]$", "it ends early"),
)
_PARAMETER = r"^#(?:[0-9]{1,5}|<[^<>]{0,80}>?)"
_MANY = 1000
_TOO_LARGE = 1e12
"""No length, angle or feed in any unit is as large."""


@dataclass(slots=True)
class Values:
    """Reads numbers, and remembers what was unusual about them.

    Parameters
    ----------
    decimal : {".", ","} or None
        Decimal sign as the user states it.
    skipped : SkipList
        Takes results whose values can't be read.
    faults : FaultList
        Takes what makes the file as a whole useless.
    """

    decimal: str | None
    skipped: SkipList
    faults: FaultList
    decimals: int = 0
    points: int = 0
    commas: int = 0
    first_comma: int = 0
    between: int = 0
    both: list[tuple[int, str]] = field(default_factory=list)
    _least: dict[str, int] = field(default_factory=dict)
    _most: dict[str, int] = field(default_factory=dict)
    _last: dict[str, int] = field(default_factory=dict)

    def read(
        self,
        text: pa.StringArray,
        name: str,
        number: NDArray[np.int64],
        usable: NDArray[np.bool_],
        *,
        is_plain: bool = False,
    ) -> NDArray[np.float64]:
        """Return numbers; NaN where there is none, and what is no number is not usable.

        ``is_plain`` says that no comma is left in the text.
        """
        given = flags(pc.not_equal(text, ""))
        good = flags(pc.match_substring_regex(text, NUMBER))
        decides = not is_plain and self.decimal == "," and pc.any(pc.match_substring(text, ".")).as_py()
        if is_plain:
            text = pc.replace_substring(text, "−", "-") if (given & ~good).any() else text
            good = flags(pc.match_substring_regex(text, NUMBER))
        elif (given & ~good).any() or decides:
            before = self.commas
            text = self._mended(text, number, given)
            self.points -= self.commas - before if name in LENGTHS else 0
            good = flags(pc.match_substring_regex(text, NUMBER))
        values = np.full(len(text), np.nan)
        fitting = text if good.all() else text.filter(pa.array(good))
        values[good] = fitting.cast(pa.float64()).to_numpy()
        good &= np.abs(values) < _TOO_LARGE
        if name in LENGTHS and len(fitting):
            self._count_decimals(fitting, name)
        if is_plain:  # in a list each value has its place
            given |= flags(pc.equal(text, ""))
        bad = np.flatnonzero(given & ~good & usable)
        for row in bad[:_MANY].tolist():
            self._refuse(text[row].as_py(), name, int(number[row]))
        self.skipped.add_lines(number[bad[_MANY:]], "a value that is not a number")
        usable[bad] = False
        return values

    def one_separator(self, text: pa.StringArray, number: NDArray[np.int64]) -> pa.StringArray:
        """Return lists of values in which no comma is a decimal comma any more."""
        text = pc.utf8_trim_whitespace(text)
        has_comma = flags(pc.match_substring(text, ","))
        if not has_comma.any():
            return text
        if self.decimal == ",":
            self._note_commas(text, number)
            return pc.utf8_trim_whitespace(pc.replace_substring_regex(text, _PAIR, "\\1.\\2 "))
        spaced = pc.replace_substring_regex(text, _SPACED_COMMA, " ")
        has_space = pc.match_substring_regex(spaced, r"\s")
        self.between = self.between or int(number[has_comma.argmax()])
        if self.decimal == "." or not pc.any(has_space).as_py():
            return spaced
        # Where blanks part the values, a comma between digits is a decimal comma.
        self._note_commas(pc.if_else(has_space, spaced, ""), number)
        return pc.if_else(has_space, pc.replace_substring_regex(spaced, _INNER_COMMA, "\\1.\\2"), spaced)

    def _note_commas(self, text: pa.StringArray, number: NDArray[np.int64]) -> None:
        counts = pc.count_substring_regex(text, _INNER_COMMA).to_numpy(zero_copy_only=False)
        if counts.any():
            self.first_comma = self.first_comma or int(number[counts.argmax()])
            self.commas += int(counts.sum())
            self.points -= int(counts.sum())

    def finish(self, axis_count: int, first_line: int) -> list[str]:
        """Ask what can't be decided; return what is worth telling."""
        if self.between and not self.decimals and self.decimal is None and axis_count in (4, 6, 8):
            self.faults.add(
                f"{axis_count} whole numbers between commas, which may be {axis_count // 2} with a decimal "
                "comma",
                "a decimal sign that is told from the one between values",
                line=first_line,
                action="say with --decimal which sign is the decimal sign",
            )
        if self.both:
            line, text = self.both[0]
            self.faults.add(
                f"{shown(text)}, with both . and , in it ({len(self.both)} such values)",
                "numbers with one decimal sign",
                line=line,
                action="say with --decimal which sign is the decimal sign",
            )
        elif self.commas and self.points and self.decimal is None:
            self.faults.add(
                f"a decimal comma in {self.commas} values and a decimal point in {self.points}",
                "one decimal sign",
                line=self.first_comma,
                action="say with --decimal which sign is the decimal sign",
            )
        return [f"Decimal commas were read in {self.commas} values."] if self.commas else []

    def last_is_torn(self) -> bool:
        """Whether the last result has fewer decimals than all others, which have the same."""
        return any(
            self._last[name] < least and least == self._most[name] for name, least in self._least.items()
        )

    # ---- what is no plain number

    def _mended(self, text: pa.StringArray, number: NDArray[np.int64], given: NDArray[np.bool_]) -> Any:
        text = pc.replace_substring(text, "−", "-")
        if self.decimal is not None:
            other = "." if self.decimal == "," else ","
            grouped = pc.match_substring_regex(text, _GROUPED[self.decimal])
            text = pc.if_else(grouped, pc.replace_substring(text, other, ""), text)
        else:
            mixed = pc.and_(pc.match_substring(text, "."), pc.match_substring(text, ","))
            mixed = flags(pc.and_(mixed, pc.match_substring_regex(text, _BOTH))) & given
            self.both += [
                (int(number[row]), text[row].as_py()) for row in np.flatnonzero(mixed)[:_MANY].tolist()
            ]
        if self.decimal == ".":
            return text
        if self.decimal == ",":  # a point that groups no thousands is no decimal sign here
            text = pc.if_else(pc.match_substring(text, "."), pc.binary_join_element_wise(text, "?", ""), text)
        comma = pc.match_substring_regex(text, _COMMA)
        found = flags(comma)
        if found.any():
            self.first_comma = self.first_comma or int(number[found.argmax()])
            self.commas += int(np.count_nonzero(found))
            text = pc.if_else(comma, pc.replace_substring(text, ",", "."), text)
        return text

    def _count_decimals(self, text: pa.StringArray, name: str) -> None:
        point = pc.find_substring(text, ".").to_numpy()
        decimals = np.where(point < 0, 0, pc.binary_length(text).to_numpy() - 1 - point)
        self.points += int(np.count_nonzero(point >= 0))
        self.decimals = max(self.decimals, int(decimals.max()))
        before = [self._last[name]] if name in self._last else []
        others = np.append(decimals[:-1], before)
        if len(others):
            self._least[name] = min(self._least.get(name, 99), int(others.min()))
            self._most[name] = max(self._most.get(name, 0), int(others.max()))
        self._last[name] = int(decimals[-1])

    def _refuse(self, text: str, name: str, line: int) -> None:
        if matches(text, _PARAMETER):
            self.faults.add(
                f"{shown(text)} printed as text",
                "the value of the parameter",
                line=line,
                column=name,
                action="this print command does not expand parameters; use one that does",
            )
            return
        if not text or matches(text, NUMBER):
            self.skipped.add(line, f"{shown(text)} is too large" if text else f"no value of {name}")
            return
        cause = next((cause for find, cause in _NO_NUMBERS if matches(text, find)), "")
        if not cause and self.decimal == "," and text.endswith("?"):
            text, cause = text[:-1], "a decimal point, where --decimal , was given"
        self.skipped.add(line, f"{shown(text)} is not a number" + (f" ({cause})" if cause else ""))


def matches(text: str, find: str) -> bool:
    """Return whether an expression finds something in a text."""
    return bool(pc.match_substring_regex(pa.array([text]), find)[0].as_py())


def flags(found: Any) -> NDArray[np.bool_]:
    """Return a boolean array of Arrow as one of numpy; null is False."""
    return np.asarray(found.fill_null(False).to_numpy(zero_copy_only=False), dtype=bool)
