"""What is counted while a hand-made table is read, for its notices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from probetest.importers.layout import Field

POSITIONS = ("x_mm", "y_mm", "z_mm", "reading_mm")


@dataclass(slots=True)
class Tally:
    """Counts over the rows that are kept.

    Attributes
    ----------
    numbers, commas : int
        Numbers, and those with a decimal comma.
    first_comma : str
        The first of these.
    positions, two_decimals : int
        Lengths that say where a touch was, and those with 2 decimals.
    filled : dict
        Cells that took the value above them, by column of the frame.
    unread : dict
        First line, number and first text of cells that were left blank, by column of the frame.
    blank_outcomes : int
        Rows with a value and no outcome.
    grouped : int
        Numbers with thousands marks.
    unsigned : dict
        First line and number of faces without a sign, by axis.
    """

    numbers: int = 0
    commas: int = 0
    first_comma: str = ""
    positions: int = 0
    two_decimals: int = 0
    filled: dict[str, int] = field(default_factory=dict)
    unread: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    blank_outcomes: int = 0
    grouped: int = 0
    unsigned: dict[str, tuple[int, int]] = field(default_factory=dict)

    def count(self, one: Field, cells: Sequence[str], decimal: str) -> None:
        """Count the numbers of a column by how they are written; blank cells are left out."""
        filled = [cell for cell in cells if cell]
        self.numbers += len(filled)
        if decimal == ",":
            commas = sum("," in cell for cell in filled)
            self.commas += commas
            self.grouped += sum("." in cell for cell in filled)
            if commas and not self.first_comma:
                self.first_comma = next(cell for cell in filled if "," in cell)
        elif any("," in cell for cell in filled):
            self.grouped += sum("," in cell for cell in filled)
        if one.target in POSITIONS:
            self.positions += len(filled)
            self.two_decimals += sum(cell[-3:-2] == decimal for cell in filled)
