"""The one data model: what was tested (``TestRecord``) and what was logged (``Triggers``)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

UNIT_MM = {"mm": 1.0, "inch": 25.4, "um": 0.001, "thou": 0.0254}
"""Length of each unit a log may be in; the inch exact by definition (1959), a thou its thousandth."""

UNDATED = date(1970, 1, 1)
"""Day of the times of a log that has no date; no report shows it."""

BALL_U_MM = 0.0005
"""Standard uncertainty of a stylus ball whose uncertainty is not stated (common practice, no source)."""

LEVEL_DEG = 0.5
"""Directions within this elevation are horizontal; only they share a centre."""

OUTCOMES = ("trigger", "missed", "open_at_start", "false")
"""What an approach can end in; only ``trigger`` gives a reading."""

COLUMNS: dict[str, str] = {
    "touch": "int64",
    "line": "int64",
    "time": "datetime64[ms]",
    "stage": "category",
    "orientation_deg": "float64",
    "azimuth_deg": "float64",
    "elevation_deg": "float64",
    "x_mm": "float64",
    "y_mm": "float64",
    "z_mm": "float64",
    "reading_mm": "float64",
    "outcome": "category",
    "feed_mm_min": "float64",
    "temperature_c": "float64",
}
"""Columns of ``Triggers.frame`` and their dtypes; what a log does not hold is NaN / NaT."""


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Artefact(_Record):
    """What was touched."""

    kind: Literal["ring", "sphere", "boss", "block", "plane"]
    diameter_mm: float | None = Field(default=None, gt=0)
    u_mm: float | None = Field(default=None, gt=0, description="standard uncertainty of the diameter")
    form_mm: float | None = Field(default=None, ge=0, description="peak-to-valley form error")

    @property
    def is_round(self) -> bool:
        """Whether the touched section is a circle."""
        return self.kind in ("ring", "sphere", "boss")


class Stylus(_Record):
    """What touched."""

    length_mm: float | None = Field(default=None, gt=0)
    ball_diameter_mm: float | None = Field(default=None, gt=0)
    ball_u_mm: float | None = Field(
        default=None, gt=0, description="standard uncertainty of the ball diameter"
    )


class Machine(_Record):
    """What moved."""

    name: str | None = Field(default=None, max_length=200)
    resolution_mm: float | None = Field(default=None, gt=0)


class Origin(_Record):
    """The log that a native log was made from; the lines of the touches are those of that log."""

    file: str = Field(min_length=1, max_length=300)
    sha256: str | None = Field(default=None, pattern=r"^[0-9a-f]{64}$")


class TestRecord(_Record):
    """The conditions of a test, as stated in the head of the log.

    Unknown keys of the head are kept as text in ``notes``; nothing a maker wrote is lost.
    """

    __test__ = False  # not a test case, whatever its name makes pytest think

    serial: str = Field(min_length=1, max_length=200)
    build: str | None = Field(default=None, max_length=200)
    artefact: Artefact | None = None
    stylus: Stylus | None = None
    machine: Machine | None = None
    planned_touches: int | None = Field(
        default=None, ge=1, le=100_000, description="approaches made from each direction of a series"
    )
    arm_azimuth_deg: float | None = Field(
        default=None,
        ge=-360,
        le=360,
        description="azimuth of an arm of the seat itself on the body, as a mark tells, at orientation 0",
    )
    origin: Origin | None = None
    notes: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Look:
    """Where a test stands that may be looked at after each block of its plan.

    Attributes
    ----------
    block, blocks : int
        Block of the last touch of the log, from 1, and all of them.
    touch : int
        Number of that touch in the plan.
    block_ends : tuple of int
        Number of the last touch of each block.
    """

    block: int
    blocks: int
    touch: int
    block_ends: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """Where the touches came from.

    Attributes
    ----------
    file : str
        File name without folders.
    sha256 : str
        Hash of the bytes that were read.
    rows : int
        Approaches in the file, misses included.
    units : str
        Units stated by the log ("mm" or "inch"); the frame is in mm in any case.
    shape : str
        Which reader understood the file.
    notices : tuple of str
        What is no fault of the file but worth telling.
    skipped : tuple of tuple of (int, str)
        Line and reason of each line that gave no touch.
    look : Look or None
        Where the plan of the log allows looks at it before its end.
    """

    file: str
    sha256: str
    rows: int
    units: str
    shape: str
    notices: tuple[str, ...] = ()
    skipped: tuple[tuple[int, str], ...] = ()
    look: Look | None = None


@dataclass(frozen=True, slots=True)
class Triggers:
    """One test of one probe.

    Attributes
    ----------
    record : TestRecord
        What was tested, with what, on what.
    frame : pandas.DataFrame
        One row an approach, in the order of the log, misses too; columns as in ``COLUMNS``.
    source : Source
        File, hash, rows, units.
    """

    record: TestRecord
    frame: pd.DataFrame
    source: Source

    @property
    def has_positions(self) -> bool:
        """Whether triggers have x, y positions (else one reading along the approach)."""
        return bool((np.isfinite(self.frame["x_mm"]) & (self.frame["outcome"] == "trigger")).any())


def make_frame(columns: dict[str, Any]) -> pd.DataFrame:
    """Build a frame in the shape of ``COLUMNS`` from the columns at hand.

    Parameters
    ----------
    columns : dict of str to array_like
        Any of the names in ``COLUMNS``; ``azimuth_deg`` is required.

    Returns
    -------
    pandas.DataFrame
        Absent columns are filled: ``touch`` and ``line`` count from 1, ``stage`` is
        "baseline", ``orientation_deg`` and ``elevation_deg`` are 0, ``outcome`` is
        "trigger", the rest is NaN / NaT.
    """
    rows = len(columns["azimuth_deg"])
    defaults: dict[str, Callable[[], Any]] = {
        "touch": lambda: np.arange(1, rows + 1),
        "line": lambda: np.arange(1, rows + 1),
        "time": lambda: np.full(rows, np.datetime64("NaT"), dtype="datetime64[ms]"),
        "stage": lambda: pd.Categorical(["baseline"]).repeat(rows),
        "orientation_deg": lambda: np.zeros(rows),
        "elevation_deg": lambda: np.zeros(rows),
        "outcome": lambda: pd.Categorical(["trigger"], categories=list(OUTCOMES)).repeat(rows),
    }
    frame: dict[str, Any] = {}
    for name, dtype in COLUMNS.items():
        values = columns.get(name)
        if values is None:
            values = defaults[name]() if name in defaults else np.full(rows, np.nan)
        if name == "outcome":
            frame[name] = _with_outcome_categories(values)
        elif name == "stage":
            frame[name] = pd.Categorical(values)
        else:
            frame[name] = np.asarray(values, dtype=dtype)
    return pd.DataFrame(frame, copy=False)


def _with_outcome_categories(values: Any) -> pd.Categorical:
    if isinstance(values, pd.Categorical) and tuple(values.categories) == OUTCOMES:
        return values
    return pd.Categorical(values, categories=list(OUTCOMES))
