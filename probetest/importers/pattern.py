"""Line patterns: what a line of a log can hold, as data that anyone can write."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from probetest.errors import ImportDataError
from probetest.faults import FaultList, printable, shown
from probetest.settings import read_settings

FOLDER = Path(__file__).parent / "patterns"
LONGEST_PATTERN = 1000

AXES = ("x", "y", "z", "a", "b", "c", "u", "v", "w")
NUMBERS = (*AXES, "reading", "coordinate", "azimuth", "elevation", "orientation", "feed", "temperature")
WORDS = ("positions", "contact", "touch", "time", "face", "stage", "serial", "units")
GROUPS = frozenset((*NUMBERS, *WORDS))
"""Names a group of a pattern may have.

``positions`` is a list of axis values; ``reading`` a value along the approach, larger for a later trigger;
``coordinate`` a value along the machine axis of a face such as X-, whose sign then follows the face.
"""

EventKind = Literal[
    "command",
    "words",
    "miss",
    "open_at_start",
    "false",
    "position_lost",
    "restart",
    "listing",
    "position_report",
    "diameter_mode",
    "summary",
    "noise",
]
"""What a line without a result can mean.

command: a straight-probe move with its axis words and feed. words: RS274 words that change units,
distance mode, work or tool offset. miss: travel ended without contact. open_at_start: the circuit was open
before the move. false: a contact outside a probe move. position_lost: the machine may have lost its position.
restart: the controller began anew or sought its home. listing: the next line may repeat the last
result. position_report: where the machine is, no contact.
diameter_mode: X counts double. summary: a mean or the like. noise: nothing.
"""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


@lru_cache(500)
def groups_of(find: str) -> list[str]:
    """Return the names of the groups of a regular expression, in order."""
    kind = pc.extract_regex(pa.array([""]), f"(?P<whole_>{find.replace('{tag}', 'TAG')})").type
    return [kind.field(index).name for index in range(1, kind.num_fields)]


def _check_expression(find: str) -> str:
    if len(find) > LONGEST_PATTERN:
        raise ValueError(f"an expression of {len(find)} characters | at most {LONGEST_PATTERN}")
    if "\\C" in find:
        raise ValueError("\\C, which cuts characters in two | an expression of whole characters")
    try:
        pc.match_substring_regex(pa.array([""]), find.replace("{tag}", "TAG"))
    except pa.ArrowInvalid as error:
        reason = printable(str(error).split("\n")[0].removeprefix("Invalid regular expression: "))
        raise ValueError(
            f"{shown(find)}, which can't be read ({reason}) | a regular expression (RE2)"
        ) from None
    try:
        groups_of(find)
    except pa.ArrowInvalid:
        raise ValueError(
            f"a group without a name in {shown(find)} | (?P<name>...) for a value, (?:...) for any other"
        ) from None
    return find


def _check_groups(find: str) -> str:
    _check_expression(find)
    names = groups_of(find)
    unknown = sorted(set(names) - GROUPS)
    if unknown:
        known = ", ".join(sorted(GROUPS))
        raise ValueError(f"the group {shown(unknown[0])} | groups named {known}")
    if len(names) != len(set(names)):
        raise ValueError(f"a group twice in {shown(find)} | each name once")
    return find


def _check_record(find: str) -> str:
    _check_groups(find)
    if pc.match_substring_regex(pa.array([""]), find.replace("{tag}", "TAG"))[0].as_py():
        raise ValueError(f"{shown(find)}, which finds an empty line too | an expression that needs a sign")
    return find


Expression = Annotated[str, AfterValidator(_check_expression)]
Groups = Annotated[str, AfterValidator(_check_groups)]
Record = Annotated[str, AfterValidator(_check_record)]


class Event(_Part):
    """A line that holds no result, and what it means."""

    kind: EventKind
    find: Expression
    why: str = Field(default="", max_length=300)


class Contact(_Part):
    """Words of the group ``contact``."""

    yes: tuple[str, ...] = Field(default=("1",), strict=False)
    no: tuple[str, ...] = Field(default=("0",), strict=False)
    open_at_start: tuple[str, ...] = Field(default=(), strict=False)
    false: tuple[str, ...] = Field(default=(), strict=False)


class Units(_Part):
    """Where the units of the lengths come from."""

    rule: Literal["ask", "mm", "inch"] = "ask"
    decimals_inch: int | None = Field(
        default=None, ge=1, le=9, description="decimals that are typical of inch; a doubt, no proof"
    )


class Pattern(_Part):
    """One shape of a line-based log."""

    about: str = Field(max_length=500)
    include: tuple[str, ...] = Field(default=(), strict=False)
    order: int = 100
    record: Record
    fields: tuple[Groups, ...] = Field(default=(), strict=False)
    line_fields: tuple[Groups, ...] = Field(default=(), strict=False)
    partial: Expression | None = None
    other_tag: Expression | None = None
    comment: Expression | None = Field(
        default=None, description="what a line says beside its command, and is not carried out"
    )
    decimal: Literal[".", ","] | None = None
    tag: str | None = Field(default=None, max_length=40)
    contact: Contact = Contact()
    units: Units = Units()
    coordinates: Literal["machine", "work", "unknown"] = "unknown"
    same_columns: bool = False
    drops_equal_neighbours: bool = False
    display_only: bool = False
    deltas: bool = False
    events: tuple[Event, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _gives_a_value(self) -> Pattern:
        finds = (self.record, *self.fields, *self.line_fields)
        names = [name for find in finds for name in groups_of(find)]
        if not {"positions", "reading", "coordinate", *AXES} & set(names):
            raise ValueError("no group for a value | one of positions, reading, coordinate, x, y, z")
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"the group {shown(twice[0])} in two expressions | each name once")
        return self

    def with_tag(self, tag: str | None, decimal: Any = None) -> Pattern:
        """Return the pattern for results under another tag, or with another decimal sign."""
        sign = escaped(tag if tag is not None else self.tag or "")
        changed = {
            name: None if (value := getattr(self, name)) is None else value.replace("{tag}", sign)
            for name in ("record", "partial")
        }
        changed |= {"tag": tag or self.tag, "decimal": decimal or self.decimal}
        return self.model_copy(update=changed)


class _Events(_Part):
    """Events that several patterns share."""

    about: str = Field(max_length=500)
    comment: Expression | None = None
    events: tuple[Event, ...] = Field(strict=False)


def escaped(text: str) -> str:
    """Return an expression that finds exactly this text."""
    return "".join(sign if sign.isalnum() else f"\\x{{{ord(sign):x}}}" for sign in text)


def read_pattern(path: Path | str) -> Pattern:
    """Read a pattern file.

    Parameters
    ----------
    path : Path or str
        TOML file; ``data/pattern_example.toml`` shows every key.

    Returns
    -------
    Pattern
        With the events that it includes.

    Raises
    ------
    ImportDataError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value.
    """
    return _with_included(read_settings(Path(path), Pattern, ImportDataError), str(path))


def _with_included(pattern: Pattern, file: str) -> Pattern:
    events, comment = list(pattern.events), pattern.comment
    shared = {path.stem: path for path in sorted((FOLDER / "events").glob("*.toml"))}
    for name in pattern.include:
        if name not in shared:
            faults = FaultList(file)
            faults.add(f"include {shown(name)}", f"one of {', '.join(shared)}", column="include", is_key=True)
            faults.raise_if_any()
        found = read_settings(shared[name], _Events, ImportDataError)
        events += found.events
        comment = comment or found.comment
    return pattern.model_copy(update={"events": tuple(events), "comment": comment})


@lru_cache(1)
def built_in_patterns() -> dict[str, Pattern]:
    """Return the patterns that come with the package, by name, in the order in which they are tried."""
    found = {path.stem: read_pattern(path) for path in FOLDER.glob("*.toml")}
    return dict(sorted(found.items(), key=lambda item: (item[1].order, item[0])))
