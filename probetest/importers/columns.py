"""The column map: a small TOML file that names the columns of a delimited log."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from probetest.importers.content import read_content
from probetest.importers.faults import FaultList, shown
from probetest.triggers import Artefact, Machine, Stylus

Encoding = Literal[
    "utf-8",
    "utf-16",
    "latin-1",
    "iso8859-15",
    "cp1250",
    "cp1251",
    "cp1252",
    "cp437",
    "cp850",
    "cp932",
    "gb18030",
]
Units = Literal["mm", "inch"]
Outcome = Literal["trigger", "missed", "open_at_start", "false"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


def _check_delimiter(sign: str) -> str:
    if len(sign) != 1 or sign.isalnum() or sign in "\"'#+-._\\\r\n":
        raise ValueError(f'{shown(sign)} | one sign between cells, such as "," ";" "|" or "\\t"')
    return sign


class ColumnNames(_Part):
    """Header text of each column, as it stands in the file; lengths are in the stated units."""

    touch: str | None = None
    time: str | None = None
    stage: str | None = None
    orientation: str | None = None
    azimuth: str | None = None
    elevation: str | None = None
    face: str | None = None
    serial: str | None = None
    x: str | None = None
    y: str | None = None
    z: str | None = None
    reading: str | None = None
    outcome: str | None = None
    feed: str | None = None
    temperature: str | None = None

    @model_validator(mode="after")
    def _no_column_twice(self) -> ColumnNames:
        used: dict[str, str] = {}
        for name, header in self.named().items():
            if header in used:
                raise ValueError(f"{shown(header)} for both {used[header]} and {name} | one column for each")
            used[header] = name
        return self

    def named(self) -> dict[str, str]:
        """Return the columns that are mapped: our name to the header text."""
        return {name: header for name, header in self.model_dump().items() if header is not None}


class Constants(_Part):
    """Values that hold for each row of the file; feed is in the stated units."""

    stage: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    orientation: float | None = None
    azimuth: float | None = None
    elevation: float | None = None
    face: Literal["X+", "X-", "Y+", "Y-", "Z+", "Z-"] | None = None
    outcome: Outcome | None = None
    feed: float | None = None
    temperature: float | None = None

    def stated(self) -> dict[str, Any]:
        """Return the constants that are given."""
        return {name: value for name, value in self.model_dump().items() if value is not None}


class StatedRecord(_Part):
    """What the file itself doesn't say about the test."""

    serial: str | None = None
    build: str | None = None
    artefact: Artefact | None = None
    stylus: Stylus | None = None
    machine: Machine | None = None


class ColumnMap(_Part):
    """How to read a delimited text file that does not have the native column names.

    An empty ``columns`` table means that the native names are used.
    """

    delimiter: Annotated[str, AfterValidator(_check_delimiter)] = ","
    decimal: Literal[".", ","] = "."
    units: Units | None = None
    encoding: Encoding = "utf-8"
    skip_rows: int = Field(default=0, ge=0, le=1000)
    columns: ColumnNames = ColumnNames()
    outcomes: dict[str, Outcome] = {}
    record: StatedRecord = StatedRecord()
    constants: Constants = Constants()

    @model_validator(mode="after")
    def _no_contradiction(self) -> ColumnMap:
        if self.delimiter == self.decimal:
            raise ValueError(f"{shown(self.decimal)} as delimiter and as decimal sign | two different signs")
        both = sorted(self.columns.named().keys() & self.constants.stated().keys())
        if both:
            raise ValueError(f"{', '.join(both)} both as column and as constant | one of the two")
        return self


def read_column_map(path: Path | str) -> ColumnMap:
    """Read a column map.

    Parameters
    ----------
    path : Path or str
        TOML file; ``data/columns_example.toml`` shows every key.

    Returns
    -------
    ColumnMap

    Raises
    ------
    ImportDataError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value.
    """
    faults = FaultList(str(path))
    content = read_content(Path(path), "utf-8", faults)
    try:
        text = content.text.tobytes().decode("utf-8").replace("\r\n", "\n")
        stated = tomllib.loads(text)
    except UnicodeDecodeError:
        faults.add("bytes that are not UTF-8", "a TOML file in UTF-8", action="save the column map as UTF-8")
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+)", str(error))
        line = int(place[1]) if place else None
        faults.add(f"no valid TOML ({error})", 'key = "value"', line=line, action="text stands in quotes")
    except RecursionError:
        faults.add("TOML that is nested too deep", "a column map")
    faults.raise_if_any()
    try:
        return ColumnMap.model_validate(stated)
    except ValidationError as error:
        faults.add_validation(error, allowed_keys(ColumnMap), lambda *key: find_key_line(text, key))
        faults.raise_if_any()
        raise  # pragma: no cover


def allowed_keys(model: type[BaseModel], path: tuple[str, ...] = ()) -> dict[tuple[str, ...], list[str]]:
    """Return the keys of a model and of the models within it, by their path."""
    keys = {path: list(model.model_fields)}
    for name, field in model.model_fields.items():
        kinds = getattr(field.annotation, "__args__", (field.annotation,))
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                keys |= allowed_keys(kind, (*path, name))
    return keys


def find_key_line(text: str, key: tuple[str, ...]) -> int | None:
    """Return the line of a TOML text on which a key (or the table that holds it) is stated."""
    found: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        start = line.strip()
        if start.startswith("["):
            table = _plain_key(start.lstrip("[").partition("]")[0])
            found.setdefault(table, number)
        elif "=" in start and not start.startswith("#"):
            found.setdefault(table + _plain_key(start.partition("=")[0]), number)
    return next((found[key[:size]] for size in range(len(key), 0, -1) if key[:size] in found), None)


def _plain_key(text: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in text.split("."))
