"""The column map: a small TOML file that names the columns of a delimited log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from probetest.errors import ImportDataError
from probetest.faults import shown
from probetest.settings import read_settings
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
Units = Literal["mm", "inch", "um", "thou"]
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
    planned_touches: int | None = Field(default=None, ge=1, le=100_000)


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
    return read_settings(Path(path), ColumnMap, ImportDataError)
