"""The errors of the package: one base, one sentence each, with the place and the next step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One problem in an input file, at the place where the user can see it.

    Attributes
    ----------
    file : str
        Name of the file as the user gave it.
    found : str
        What stands in the file.
    expected : str
        What should stand there.
    line : int or None
        1-based line, where one line is at fault.
    column : str or None
        Name (or 1-based number) of the column or key.
    action : str
        What the user can do about it; may be empty.
    is_key : bool
        Whether ``column`` names a key of a settings file or head, not a column of a table.
    """

    file: str
    found: str
    expected: str
    line: int | None = None
    column: str | None = None
    action: str = ""
    is_key: bool = False

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f", {'key' if self.is_key else 'column'} {self.column}"
        text = f"{place}: found {self.found}, expected {self.expected}"
        return f"{text}; {self.action}." if self.action else f"{text}."


class ProbetestError(Exception):
    """Base of all errors that a user can cause and mend."""


class _FileError(ProbetestError):
    """A file can't be used as it is.

    Attributes
    ----------
    faults : tuple of Fault
        All faults that are shown (at most ``SHOWN``).
    total : int
        How many faults there are in all.
    """

    SHOWN = 20

    def __init__(self, faults: Sequence[Fault], total: int | None = None) -> None:
        self.total = len(faults) if total is None else total
        self.faults = tuple(faults[: self.SHOWN])
        lines = [str(fault) for fault in self.faults]
        if self.total > len(self.faults):
            lines.append(f"... and {self.total - len(self.faults)} more problems of this kind.")
        super().__init__("\n".join(lines))


class ImportDataError(_FileError):
    """A log or a column map can't be used as it is."""


class LimitsError(_FileError):
    """A limits file has an unknown key or an impossible value."""


class MachineError(_FileError):
    """A machine file has an unknown key or an impossible value."""


class MarginsError(_FileError):
    """A file of margins has an unknown key or an impossible value."""


class BenchError(_FileError):
    """A bench file or a plan has an unknown key or an impossible value."""


class FieldError(_FileError):
    """A file of field reports can't be used as it is."""


class StatisticsError(ProbetestError, ValueError):
    """The data can't carry the figure that was asked for."""


class PlanError(ProbetestError):
    """A test can't be planned as it was asked for, or its program would not be safe."""


class ReportError(ProbetestError):
    """A report could not be made."""
