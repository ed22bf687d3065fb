"""Lines of a file that were not read as touches, each with its reason."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

MAX_LISTED = 10_000
"""Skipped lines that are listed one by one; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """One line that was left out.

    Attributes
    ----------
    line : int
        1-based line in the file.
    reason : str
        One sentence, harmless on a terminal.
    """

    line: int
    reason: str


class SkipList:
    """Collects skipped lines: all are counted, the first ones are kept."""

    def __init__(self) -> None:
        self.total = 0
        self._kept: list[Skipped] = []
        self._next_line = 0

    @property
    def is_full(self) -> bool:
        """Whether further lines are only counted, so that their reasons need no words."""
        return len(self._kept) >= MAX_LISTED

    def add(self, line: int, reason: str) -> None:
        """Add one line, with words that are harmless on a terminal."""
        self.total += 1
        if len(self._kept) < MAX_LISTED:
            self._kept.append(Skipped(line, reason))
        elif not self._next_line:
            self._next_line = line

    def add_lines(self, lines: Iterable[int], reason: str) -> None:
        """Add lines that have one reason."""
        for line in lines:
            self.add(int(line), reason)

    def finish(self) -> tuple[Skipped, ...]:
        """Return the lines that are kept, by line, and an entry that counts the rest, if any."""
        kept = sorted(self._kept, key=lambda one: one.line)
        rest = self.total - len(kept)
        if rest:
            kept.append(
                Skipped(
                    self._next_line, f"this line and {rest - 1} more below it were skipped and are not listed"
                )
            )
        return tuple(kept)
