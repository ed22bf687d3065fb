"""Results that were cut in two, or off, by a transfer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from probetest.faults import shown
from probetest.importers.blocks import LONGEST_LINE, LogText
from probetest.importers.pattern import Pattern
from probetest.importers.skipped import SkipList
from probetest.importers.values import flags, matches

_CUT = "ends early; the log or a transfer was cut off"
_JOINED = "a result cut in two; it was joined with the next line and is counted there"


@dataclass(slots=True)
class Torn:
    """Joins lines that end amid a result with the next line.

    Parameters
    ----------
    pattern : Pattern
        With its tag filled in.
    skipped : SkipList
        Takes both the lines that were joined and those that could not be.
    """

    pattern: Pattern
    skipped: SkipList
    carried: tuple[int, str] | None = None

    def finish(self) -> None:
        """Give up what the last line holds."""
        if self.carried:
            self._skip_cut(*self.carried)

    def mend(
        self, lines: pa.StringArray, number: NDArray[np.int64], holds: NDArray[np.bool_]
    ) -> tuple[pa.StringArray, NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the lines, which of them hold a result, and which are dealt with."""
        partial = self.pattern.partial
        cut = flags(pc.match_substring_regex(lines, partial)) & ~holds if partial else np.zeros_like(holds)
        if self.carried:
            (line, text), self.carried = self.carried, None
            joined = text + lines[0].as_py()
            if not holds[0] and len(joined) <= LONGEST_LINE and matches(joined, self.pattern.record):
                lines = pa.concat_arrays([pa.array([joined]), lines[1:]])
                holds[0] = True
                self.skipped.add(line, _JOINED)
            else:
                self._skip_cut(line, text)
        rows = np.flatnonzero(cut & ~holds)
        if len(rows) and rows[-1] + 1 == len(lines):
            rows = rows[:-1]
            self.carried = (int(number[-1]), lines[-1].as_py())
        if len(rows):
            lines = self._join(rows, lines, number, holds)
        if self.carried and holds[-1]:
            self.carried = None  # the second half of another one
        return lines, holds, cut & ~holds

    def _join(
        self,
        rows: NDArray[np.int64],
        lines: pa.StringArray,
        number: NDArray[np.int64],
        holds: NDArray[np.bool_],
    ) -> pa.StringArray:
        """Join lines that end amid a result with the next one, where that makes a whole result."""
        joined = pc.binary_join_element_wise(lines.take(pa.array(rows)), lines.take(pa.array(rows + 1)), "")
        fits = flags(pc.match_substring_regex(joined, self.pattern.record)) & ~holds[rows + 1]
        fits &= pc.binary_length(joined).to_numpy() <= LONGEST_LINE
        used = []
        for at, (row, fit) in enumerate(zip(rows.tolist(), fits.tolist(), strict=True)):
            if holds[row]:
                continue  # the second half of another one
            if fit:
                holds[row + 1] = True
                used.append(at)
                self.skipped.add(int(number[row]), _JOINED)
            else:
                self._skip_cut(int(number[row]), lines[row].as_py())
        if not used:
            return lines
        mask = np.zeros(len(lines), dtype=bool)
        mask[rows[used] + 1] = True
        return pc.replace_with_mask(lines, pa.array(mask), joined.take(pa.array(used)))

    def _skip_cut(self, line: int, text: str) -> None:
        self.skipped.add(line, f"{shown(text)} {_CUT}")


def ends_open(log: LogText) -> bool:
    """Whether a file has no line end behind its last line."""
    with log.path.open("rb") as stream:
        stream.seek(max(0, log.path.stat().st_size - 2))
        tail = stream.read()
    last = tail if log.opening.encoding.startswith("utf-16") else tail[-1:]
    return b"\n" not in last and b"\r" not in last
