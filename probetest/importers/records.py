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
from probetest.importers.values import LENGTHS, Values

CONTACTS = {"yes": 1, "no": 0, "open_at_start": 2, "false": 3}
_UNSTATED = 9
_SAMPLE = 100

_MARK = "\x1e"


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
    values: Values = field(init=False)
    notices: list[str] = field(default_factory=list)
    seen: int = 0
    first_line: int = 0
    last_line: int = 0
    _other_widths: dict[int, int] = field(default_factory=dict)
    _parts: dict[str, list[Any]] = field(default_factory=dict)
    _words: dict[str, dict[str, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.values = Values(self.pattern.decimal, self.skipped, self.faults)

    def take(self, lines: pa.StringArray, number: NDArray[np.int64]) -> None:
        """Read the results in lines that hold at least one each."""
        pattern = self.pattern
        whole = lines
        if not pattern.record.removeprefix("(?i)").startswith("^"):
            lines, number, whole = self._one_each(lines, number)
        elif pattern.fields:
            lines, number, whole = self._refuse_twice(lines, number)
        if not len(lines):
            return
        self.seen += len(lines)
        self.first_line, self.last_line = self.first_line or int(number[0]), int(number[-1])
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
                found[name] = self.values.read(text, name, number, usable)
        if "contact" in groups:
            found["contact"] = self._contacts(groups.pop("contact"), number, usable)
        if "touch" in groups:
            numbers = self.values.read(groups.pop("touch"), "touch", number, usable)
            found["touch"] = np.where(np.isnan(numbers), -1, numbers).astype(np.int64)
        if "time" in groups:
            found["time"] = _seconds(groups.pop("time"))
        for name, text in groups.items():
            if name not in NUMBERS:
                found[name] = self._codes(name, text)
        self._refuse_empty(found, number, usable)
        self._add({"line": number, **found}, usable)

    def _add(self, found: dict[str, Any], usable: NDArray[np.bool_]) -> None:
        for name, values in found.items():
            self._parts.setdefault(name, []).append(values if usable.all() else values[usable])

    def finish(self, *, may_be_torn: bool = False) -> dict[str, Any]:
        """Return the columns of all results; the last one may be torn, where the file has no line end."""
        if not self._parts:
            return {"line": np.empty(0, dtype=np.int64)}
        columns: dict[str, Any] = {name: np.concatenate(parts) for name, parts in self._parts.items()}
        for name, words in self._words.items():
            columns[name] = categorical(columns[name], list(words))
        keep = np.ones(len(columns["line"]), dtype=bool)
        if may_be_torn and len(keep) and columns["line"][-1] == self.last_line and self.values.last_is_torn():
            keep[-1] = False
            self.skipped.add(
                self.last_line, "fewer decimals than all other results, and no line end: the file was cut off"
            )
        self._settle_unstated(columns, keep)
        self.notices += self.values.finish(self.axis_count, self.first_line)
        columns = {name: values if keep.all() else values[keep] for name, values in columns.items()}
        return {name: values for name, values in columns.items() if not _is_blank(name, values)}

    def _settle_unstated(self, columns: dict[str, Any], keep: NDArray[np.bool_]) -> None:
        """A result without a flag is a contact where no result has one."""
        contact = columns.get("contact")
        if contact is None:
            return
        unstated = contact == _UNSTATED
        if not unstated.all():
            self.skipped.add_lines(
                columns["line"][unstated & keep], "no contact flag, where other results have one"
            )
            keep &= ~unstated
        contact[unstated] = CONTACTS["yes"]

    def _refuse_empty(
        self, found: dict[str, Any], number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> None:
        """A contact without any value is no result."""
        has_value = np.zeros(len(number), dtype=bool)
        for name in LENGTHS:
            if name in found:
                has_value |= np.isfinite(found[name])
        empty = ~has_value & usable
        if "contact" in found:
            empty &= np.isin(found["contact"], (CONTACTS["yes"], _UNSTATED))
        self.skipped.add_lines(number[empty], "a result without a value")
        usable[empty] = False

    def _refuse_twice(
        self, lines: pa.StringArray, number: NDArray[np.int64]
    ) -> tuple[pa.StringArray, NDArray[np.int64], pa.StringArray]:
        """A line of labelled values that holds an axis twice is more than one result."""
        size = pc.binary_length(lines).to_numpy()
        odd = size > 1.4 * np.median(size)
        odd[:_SAMPLE] = True  # where all lines are alike, some tell of all
        twice = np.zeros(len(lines), dtype=bool)
        twice[odd] = self._holds_twice(lines.filter(pa.array(odd)))
        if twice[:_SAMPLE].any():
            twice = self._holds_twice(lines)
        if not twice.any():
            return lines, number, lines
        self.skipped.add_lines(number[twice], "an axis twice in one line: two results that ran together")
        lines = lines.filter(pa.array(~twice))
        return lines, number[~twice], lines

    # ---- several results in a line

    def _one_each(
        self, lines: pa.StringArray, number: NDArray[np.int64]
    ) -> tuple[pa.StringArray, NDArray[np.int64], pa.StringArray]:
        """Return one text for each result, its line number, and the line it stands in."""
        counts = pc.count_substring_regex(lines, self.pattern.record).to_numpy()
        if (counts == 1).all():
            return lines, number, lines
        clean = pc.replace_substring(lines, _MARK, " ")
        marked = pc.replace_substring_regex(clean, f"({self.pattern.record})", f"{_MARK}\\1{_MARK}")
        pieces = pc.split_pattern(marked, _MARK)
        sizes = pc.list_value_length(pieces).to_numpy()
        parent = np.repeat(np.arange(len(lines)), sizes)
        flat = pieces.flatten()
        holds = pc.match_substring_regex(flat, self.pattern.record)
        keep = np.asarray(holds.to_numpy(zero_copy_only=False), dtype=bool)
        return flat.filter(holds), number[parent[keep]], lines.take(pa.array(parent[keep]))

    def _holds_twice(self, lines: pa.StringArray) -> NDArray[np.bool_]:
        twice = np.zeros(len(lines), dtype=bool)
        for find in self.pattern.fields:
            if set(groups_of(find)) & set(LENGTHS):
                twice |= pc.count_substring_regex(lines, find).to_numpy() > 1
        return twice

    # ---- values

    def _positions(
        self, text: pa.StringArray, number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> dict[str, NDArray[np.float64]]:
        pieces = _split(self.values.one_separator(text, number))
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
            found[name] = self.values.read(texts, name, number, usable, is_plain=True)
        return found

    def _refuse_width(
        self,
        width: NDArray[Any],
        other: NDArray[np.bool_],
        number: NDArray[np.int64],
        usable: NDArray[np.bool_],
    ) -> None:
        rows = np.flatnonzero(other)
        usable[rows] = False
        for one in np.unique(width[rows]).tolist():
            same = rows[width[rows] == one]
            self.skipped.add_lines(number[same], f"{one} values, where other results have {self.axis_count}")
            if self.pattern.same_columns and len(same) > 1:
                self.faults.add(
                    f"{one} values, where other lines have {self.axis_count} ({len(same)} such lines)",
                    "the same number of columns throughout",
                    line=int(number[same[0]]),
                    action="two logs may have been pasted together: give each its own file",
                )

    def _contacts(
        self, text: pa.StringArray, number: NDArray[np.int64], usable: NDArray[np.bool_]
    ) -> NDArray[np.int8]:
        encoded = text.fill_null("").dictionary_encode()
        known = {
            word.strip().lower(): CONTACTS[name]
            for name in CONTACTS
            for word in getattr(self.pattern.contact, name)
        } | {"": _UNSTATED}
        words = encoded.dictionary.to_pylist()
        codes = np.array([known.get(word.strip().lower(), -1) for word in words], dtype=np.int8)
        contact = codes[encoded.indices.to_numpy()]
        unknown = (contact < 0) & usable
        for code in np.flatnonzero(codes < 0).tolist():
            at = number[unknown & (encoded.indices.to_numpy() == code)]
            self.skipped.add_lines(at, f"the contact flag {shown(words[code])} is not understood")
        usable[unknown] = False
        return np.asarray(contact)

    def _codes(self, name: str, text: pa.StringArray) -> NDArray[np.int64]:
        known = self._words.setdefault(name, {})
        encoded = text.fill_null("").dictionary_encode()
        codes = np.array(
            [known.setdefault(word.strip(), len(known)) for word in encoded.dictionary.to_pylist()],
            dtype=np.int64,
        )
        return np.asarray(codes[encoded.indices.to_numpy()])


def _split(text: pa.StringArray) -> pa.ListArray:
    """Cut lists of values, by the sign that parts them (a plain sign is faster than an expression)."""
    if not pc.any(pc.match_substring(text, ",")).as_py():
        return pc.ascii_split_whitespace(pc.if_else(pc.equal(text, ""), "?", text))
    if not pc.any(pc.match_substring_regex(text, r"\s")).as_py():
        return pc.split_pattern(text, ",")
    return pc.split_pattern_regex(text, r"(?:\s*,\s*|\s+)")


def _extract(lines: pa.StringArray, find: str) -> dict[str, Any]:
    """Return the text of each named group; null where the expression is not found, or the group is empty."""
    if not groups_of(find):
        return {}
    found = pc.extract_regex(lines, find)
    missing = found.is_null() if found.null_count else None
    groups = {}
    for name in groups_of(find):
        text = found.field(name)
        groups[name] = text if missing is None else pc.if_else(missing, None, text)
    return groups


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


def _is_blank(name: str, values: Any) -> bool:
    """Whether a column holds nothing."""
    if name == "touch":
        return bool((values < 0).all())
    return name not in AXES and values.dtype.kind == "f" and not np.isfinite(values).any()
