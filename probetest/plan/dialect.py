"""How a controller is written to: its probe words, comments, messages and prints, as data."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from probetest.errors import BenchError
from probetest.faults import FaultList, shown
from probetest.settings import read_settings

FOLDER = Path(__file__).parent / "dialects"

# \Z, for $ would let a line break pass. Verbs are listed one by one: others open files or run scripts.
_PRINT = r"\A(?:\((?:PRINT|LOG|DEBUG|MSG), ?\{text\}\))?\Z"
_MESSAGE = r"\A(?:\((?:(?:MSG|PRINT|DEBUG), ?)?\{text\}\)|; ?(?:MSG, ?)?\{text\})\Z"
_PARAMETER = r"\A(?:#[1-9][0-9]{0,4})?\Z"


def _matching(pattern: str) -> StringConstraints:
    return StringConstraints(pattern=pattern, max_length=60)


Parameter = Annotated[str, _matching(_PARAMETER)]

GUARDED_WORD = "G38.3"
"""A probe move that stops on contact, and is no error without one."""


class Dialect(BaseModel):
    """What differs between controllers that read RS274/NGC. A file of it can't add a move.

    Attributes
    ----------
    about : str
        For readers only; it is not written into a program.
    touch_word : str
        Straight-probe move that is an error without contact.
    guarded_word : str
        Straight-probe move that stops on contact and is no error without; "" where there is none.
    comment_open, comment_close : str
        ``(`` and ``)``, or ``;`` and nothing.
    message_line : str
        A comment that the operator gets to see, ``{text}`` for its words.
    print_line : str
        A comment that writes a line with the values of parameters put in; "" where there is none.
    x_result, y_result, z_result : str
        Parameters that hold the last touch, ``#5061``; needed beside ``print_line``.
    pause_word : str
        M0; or M1, which waits only while the optional stop is switched on.
    end_word : str
    pause_each_touch : bool
        Waits after each touch that counts, still on the surface, for the display to be copied.
    line_numbers : bool
        N words before the words of a line.
    percent : bool
        A line with ``%`` before and after the program.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, regex_engine="python-re")

    about: str = Field(default="", max_length=500)
    touch_word: Literal["G38.2"]
    guarded_word: Literal["G38.3", ""]
    comment_open: Literal["(", ";"]
    comment_close: Literal[")", ""]
    message_line: Annotated[str, _matching(_MESSAGE)]
    print_line: Annotated[str, _matching(_PRINT)] = ""
    x_result: Parameter = ""
    y_result: Parameter = ""
    z_result: Parameter = ""
    pause_word: Literal["M0", "M00", "M1", "M01"]
    end_word: Literal["M2", "M02", "M30"]
    pause_each_touch: bool
    line_numbers: bool
    percent: bool

    @model_validator(mode="after")
    def _whole(self) -> Dialect:
        if (self.comment_open == "(") != (self.comment_close == ")"):
            raise ValueError(
                f"comment_close {self.comment_close!r} with comment_open {self.comment_open!r} | "
                "'(' with ')', or ';' with ''"
            )
        results = (self.x_result, self.y_result, self.z_result)
        if self.print_line and ("" in results or len(set(results)) < 3):
            raise ValueError(
                "print_line without three different results | x_result, y_result and z_result, #5061"
            )
        return self

    @property
    def must_switch_on_pauses(self) -> bool:
        """Whether pauses only happen while the optional stop is switched on."""
        return self.pause_word in ("M1", "M01")


@lru_cache(1)
def built_in_dialects() -> dict[str, Dialect]:
    """Return the dialects that come with the package, by name."""
    return {file.stem: read_settings(file, Dialect, BenchError) for file in sorted(FOLDER.glob("*.toml"))}


def read_dialect(name_or_path: str) -> Dialect:
    """Return a dialect.

    Parameters
    ----------
    name_or_path : str
        Name of a dialect of the package, else the path of a TOML file with the keys of `Dialect`.

    Raises
    ------
    BenchError
        If there is neither, or the file is not as it must be; every problem is named with its line.

    Examples
    --------
    >>> read_dialect("printing").print_line
    '(PRINT,{text})'
    """
    known = built_in_dialects()
    if name_or_path in known:
        return known[name_or_path]
    if not _is_there(name_or_path):
        faults = FaultList("dialect")
        faults.add(shown(name_or_path), f"one of {', '.join(known)}, or the path of a TOML file")
        raise BenchError(faults.first(), faults.total)
    return read_settings(Path(name_or_path), Dialect, BenchError)


def _is_there(path: str) -> bool:
    try:
        return Path(path).exists()
    except (OSError, ValueError):
        return False
