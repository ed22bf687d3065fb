"""Collecting the problems of a file: all are counted, the first ones are worded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from probetest.errors import Fault, ImportDataError

LONGEST_SHOWN = 40
"""Characters of a stranger's text that a message repeats."""


def printable(text: str) -> str:
    """Return text with control and invisible characters written as escapes."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)


def shown(value: object) -> str:
    """Quote a value from a file for a message: short, on one line, harmless on a terminal."""
    if not isinstance(value, str):
        return shown(str(value)).strip("'") if isinstance(value, dict | list) else str(value)
    short = value if len(value) <= LONGEST_SHOWN else value[:LONGEST_SHOWN] + "…"
    return f"'{printable(short)}'"


class FaultList:
    """The problems of one file.

    Parameters
    ----------
    file : str
        Name of the file as the user gave it.
    """

    def __init__(self, file: str) -> None:
        self.file = printable(file)
        self.total = 0
        self._faults: list[Fault] = []

    def add(
        self,
        found: str,
        expected: str,
        *,
        line: int | None = None,
        column: str | None = None,
        action: str = "",
        is_key: bool = False,
    ) -> None:
        """Add one problem."""
        self.total += 1
        name = None if column is None else printable(column)
        self._faults.append(Fault(self.file, found, expected, line, name, action, is_key))
        if len(self._faults) > 50 * ImportDataError.SHOWN:
            self._faults = self.first()

    def add_rows(
        self,
        at_fault: NDArray[np.bool_],
        lines: NDArray[np.int64],
        found: Callable[[int], str],
        expected: str,
        *,
        column: str | None = None,
        action: str = "",
    ) -> None:
        """Add one problem for each row at fault; only those that can be shown are worded.

        Parameters
        ----------
        at_fault : ndarray of bool, shape (rows,)
        lines : ndarray of int, shape (rows,)
            Line of each row in the file.
        found : callable
            Row index to the words for what stands there.
        expected : str
        column : str, optional
        action : str, optional
        """
        rows = np.flatnonzero(at_fault)
        for row in rows[: ImportDataError.SHOWN].tolist():
            self.add(found(row), expected, line=int(lines[row]), column=column, action=action)
        self.total += max(0, len(rows) - ImportDataError.SHOWN)

    def add_validation(
        self,
        error: ValidationError,
        allowed: Mapping[tuple[str, ...], Sequence[str]],
        line_of: Callable[..., int | None],
    ) -> None:
        """Add each problem a model found in a stated value.

        Parameters
        ----------
        error : pydantic.ValidationError
        allowed : mapping of tuple of str to sequence of str
            Path of each table to the keys it may hold.
        line_of : callable
            Path of a key (as arguments) to its line in the file.
        """
        for problem in error.errors(include_url=False):
            path = tuple(str(part) for part in problem["loc"])
            found, expected = _validation_words(problem, path, allowed)
            key = ".".join(path) or None
            self.add(found, expected, line=line_of(*path), column=key, is_key=True)

    def raise_if_any(self) -> None:
        """Raise what was collected.

        Raises
        ------
        ImportDataError
            If there is at least one problem.
        """
        if self.total:
            raise ImportDataError(self.first(), self.total)

    def first(self) -> list[Fault]:
        """The problems that are shown, by line."""
        return sorted(self._faults, key=lambda fault: fault.line or 0)[: ImportDataError.SHOWN]


def _validation_words(
    problem: Any, path: tuple[str, ...], allowed: Mapping[tuple[str, ...], Sequence[str]]
) -> tuple[str, str]:
    kind, message = problem["type"], problem["msg"]
    if kind == "extra_forbidden":
        keys = allowed.get(path[:-1], ())
        return f"the unknown key {shown(path[-1])}", f"one of {', '.join(keys)}"
    if kind == "missing":
        return f"no key {shown(path[-1])}", f"{path[-1]} = ..."
    if kind == "value_error":
        found, _, expected = message.removeprefix("Value error, ").partition(" | ")
        return found, expected
    if kind == "string_type":
        return shown(problem["input"]), "text in quotes"
    if kind.startswith(("greater_than", "less_than")):
        return shown(problem["input"]), message.replace("Input should be", "a value")
    expected = message.replace("String should have", "text of").removeprefix("Input should be ")
    return shown(problem["input"]), expected
