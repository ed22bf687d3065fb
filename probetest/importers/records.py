"""The results a pattern finds: groups of text to typed columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.pattern import AXES, NUMBERS, Pattern, groups_of
from probetest.importers.skipped import SkipList
from probetest.importers.table import categorical

NUMBER = r"^[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?$"
CONTACTS = {"yes": 1, "no": 0, "open_at_start": 2, "false": 3}

_MARK = "\x1e"
_NO_NUMBERS = (
    (r"^#{2,}$", "a spreadsheet column was too narrow"),
    (r"^#(?:REF|DIV|VALUE|NAME|N/A|NUM|NULL)", "a spreadsheet wrote an error"),
    (r"(?i)^[-+]?(?:[0-9]*\.#)?[-+]?[sq]?(?:nan|inf|ind)", "there was no number to print"),
    (r"^[-+]?[0-9]*,[0-9]+$", "a decimal comma; give --decimal ,"),
    (r"^[-+0-9.]*[-+.]$", "it ends early"),
)
_PARAMETER = r"^#(?:[0-9]{1,5}|<[^<>]{0,80}>?)"


@dataclass(slots=True)
class Records:
    """Collects the results of a file, block by block.

    Parameters
    ----------
    pattern : Pattern
    skipped : SkipList
        Takes results whose values can't be read.
    faults : FaultList
        Takes what makes the file as a whole useless.
    """

    pattern: Pattern
    skipped: SkipList
    faults: FaultList
    axis_count: int = 0
    decimals: int = 0
    _parts: dict[str, list[Any]] = field(default_factory=dict)
    _words: dict[str, dict[str, int]] = field(default_factory=dict)

    def take(self, lines: pa.StringArray, number: NDArray[np.int64]) -> None:
        """Read the results in lines that hold at least one each."""
        pattern = self.pattern
        whole = lines
        if not pattern.record.startswith("^"):
            lines, number, whole = self._one_each(lines, number)
        groups = _extract(lines, pattern.record)
        if pattern.fields:
            inner = pc.extract_regex(lines, f"(?P<record_>{pattern.record})").field("record_")
            for find in pattern.fields:
                groups |= _extract(inner, find)
        for find in pattern.line_fields:
            groups |= _extract(whole, find)
        usable = np.ones(len(lines), dtype=bool)
        found: dict[str, Any] = {}
        if "positions" in groups:
            found |= self._positions(groups.pop("positions"), number, usable)
        for name, text in groups.items():
            if name in NUMBERS:
                found[name] = self._numbers(text, name, number, usable)
        if "contact" in groups:
            found["contact"] = self._contacts(groups.pop("contact"), number, usable)
        if "touch" in groups:
            numbers = self._numbers(groups.pop("touch"), "touch", number, usable)
            found["touch"] = np.where(np.isnan(numbers), -1, numbers).astype(np.int64)
        if "time" in groups:
            found["time"] = _seconds(groups.pop("time"))
        for name, text in groups.items():
            if name not in NUMBERS:
                found[name] = self._codes(name, text)
        self._add({"line": number, **found}, usable)

    def _add(self, found: dict[str, Any], usable: NDArray[np.bool_]) -> None:
        for name, values in found.items():
            self._parts.setdefault(name, []).append(values if usable.all() else values[usable])

    def finish(self) -> dict[str, Any]:
        """Return the columns of all results."""
        if not self._parts:
            return {"line": np.empty(0, dtype=np.int64)}
        columns: dict[str, Any] = {name: np.concatenate(parts) for name, parts in self._parts.items()}
        for name, words in self._words.items():
            columns[name] = categorical(columns[name], list(words))
        return columns

    # ---- several results in a line

    def _one_each(
        self, lines: pa.StringArray, number: NDArray[np.int64]
    ) -> tuple[pa.StringArray, NDArray[np.int64], pa.StringArray]:
        """Return one text for each result, its line number, and the line it stands in."""
        counts = pc.count_substring_regex(lines, self.pattern.record).to_numpy()
        if (counts == 1).all():
            return lines, number, lines
        clean = pc.replace_substring(lines, _MARK, " ")
        marked = pc.replace_substring_regex(clean, f"({_unnamed(self.pattern.record)})", f"{_MARK}\\1{_MARK}")
        pieces = pc.split_pattern(marked, _MARK)
        sizes = pc.list_value_length(pieces).to_numpy()
        parent = np.repeat(np.arange(len(lines)), sizes)
        flat = pieces.flatten()
        holds = pc.match_substring_regex(flat, self.pattern.record)
        keep = np.asarray(holds.to_numpy(zero_copy_only=False), dtype=bool)
        return flat.filter(holds), number[parent[keep]], lines.take(pa.array(parent[keep]))

    # ---- values

    def _positions(
        self, text: pa.StringArray, number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> dict[str, NDArray[np.float64]]:
        pieces = pc.split_pattern_regex(pc.utf8_trim_whitespace(text), r"(?:\s*,\s*|\s+)")
        width = pc.list_value_length(pieces).to_numpy(zero_copy_only=False)
        if not self.axis_count:
            values, times = np.unique(width, return_counts=True)
            self.axis_count = min(int(values[times.argmax()]), len(AXES))
        other = width != self.axis_count
        if other.any():
            self._refuse_width(width, other, number, usable)
        flat = pieces.flatten()
        start = np.cumsum(width) - width
        found: dict[str, NDArray[np.float64]] = {}
        for axis, name in enumerate(AXES[: self.axis_count]):
            place = np.where(other, 0, start + axis)
            texts = pc.if_else(pa.array(other), None, flat.take(pa.array(place)))
            found[name] = self._numbers(texts, name, number, usable)
        return found

    def _refuse_width(
        self,
        width: NDArray[Any],
        other: NDArray[np.bool_],
        number: NDArray[np.int64],
        usable: NDArray[np.bool_],
    ) -> None:
        rows = np.flatnonzero(other)
        for row in rows.tolist():
            self.skipped.add(
                int(number[row]), f"{width[row]} values, where other results have {self.axis_count}"
            )
        usable[rows] = False
        if self.pattern.same_columns and len(rows) > 1:
            self.faults.add(
                f"{width[rows[0]]} values, where earlier lines have {self.axis_count} "
                f"({len(rows)} such lines)",
                "the same number of columns throughout",
                line=int(number[rows[0]]),
                action="two logs may have been pasted together: give each its own file",
            )

    def _numbers(
        self, text: pa.StringArray, name: str, number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        fits = pc.match_substring_regex(text, NUMBER)
        given = np.asarray(pc.not_equal(text, "").fill_null(False).to_numpy(zero_copy_only=False), dtype=bool)
        good = np.asarray(fits.fill_null(False).to_numpy(zero_copy_only=False), dtype=bool)
        values = np.full(len(text), np.nan)
        fitting = text if good.all() else text.filter(pa.array(good))
        values[good] = fitting.cast(pa.float64()).to_numpy()
        if name in AXES or name in ("reading", "coordinate"):
            self._count_decimals(fitting)
        for row in np.flatnonzero(given & ~good & usable).tolist():
            self._refuse_number(text[row].as_py(), name, int(number[row]))
            usable[row] = False
        return values

    def _count_decimals(self, text: pa.StringArray) -> None:
        if len(text):
            point = pc.find_substring(text, ".").to_numpy()
            size = pc.binary_length(text).to_numpy()
            self.decimals = max(self.decimals, int(np.where(point < 0, 0, size - 1 - point).max()))

    def _refuse_number(self, text: str, name: str, line: int) -> None:
        if _matches(text, _PARAMETER):
            self.faults.add(
                f"{shown(text)} printed as text",
                "the value of the parameter",
                line=line,
                column=name,
                action="this print command does not expand parameters; use one that does",
            )
            return
        cause = next((cause for find, cause in _NO_NUMBERS if _matches(text, find)), "")
        self.skipped.add(line, f"{shown(text)} is not a number" + (f" ({cause})" if cause else ""))

    def _contacts(
        self, text: pa.StringArray, number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> NDArray[np.int8]:
        encoded = text.fill_null("").dictionary_encode()
        known = {
            word: CONTACTS[name] for name in CONTACTS for word in getattr(self.pattern.contact, name)
        } | {"": CONTACTS["yes"]}
        words = encoded.dictionary.to_pylist()
        codes = np.array([known.get(word.strip().lower(), -1) for word in words], dtype=np.int8)
        contact = codes[encoded.indices.to_numpy()]
        for row in np.flatnonzero((contact < 0) & usable).tolist():
            self.skipped.add(
                int(number[row]), f"the contact flag {shown(text[row].as_py())} is not understood"
            )
            usable[row] = False
        return np.asarray(contact)

    def _codes(self, name: str, text: pa.StringArray) -> NDArray[np.int64]:
        known = self._words.setdefault(name, {})
        encoded = text.fill_null("").dictionary_encode()
        codes = np.array(
            [known.setdefault(word.strip(), len(known)) for word in encoded.dictionary.to_pylist()],
            dtype=np.int64,
        )
        return np.asarray(codes[encoded.indices.to_numpy()])


def _matches(text: str, find: str) -> bool:
    return bool(pc.match_substring_regex(pa.array([text]), find)[0].as_py())


def _extract(lines: pa.StringArray, find: str) -> dict[str, Any]:
    """Return the text of each named group; null where the expression is not found, or the group is empty."""
    if "(?P<" not in find:
        return {}
    found = pc.extract_regex(lines, find)
    missing = found.is_null() if found.null_count else None
    groups = {}
    for name in groups_of(find):
        text = found.field(name)
        groups[name] = text if missing is None else pc.if_else(missing, None, text)
    return groups


def _unnamed(find: str) -> str:
    """Return an expression without the names of its groups."""
    parts = find.split("(?P<")
    return parts[0] + "".join("(?:" + part.partition(">")[2] for part in parts[1:])


def _seconds(text: pa.StringArray) -> NDArray[np.float64]:
    """Return the time of day in seconds; NaN where there is none."""
    parts = pc.extract_regex(text, r"(?P<h>[0-9]{1,2}):(?P<m>[0-9]{2}):(?P<s>[0-9]{2}(?:[.,][0-9]+)?)")
    missing = np.asarray(parts.is_null().to_numpy(zero_copy_only=False), dtype=bool)
    total = np.zeros(len(text))
    for name, size in (("h", 3600.0), ("m", 60.0), ("s", 1.0)):
        field_text = pc.replace_substring(parts.field(name), ",", ".")
        filled = pc.if_else(parts.is_null(), "0", field_text)
        total += size * pc.if_else(pc.equal(filled, ""), "0", filled).cast(pa.float64()).to_numpy(
            zero_copy_only=False
        )
    total[missing] = np.nan
    return total
