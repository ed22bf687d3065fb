"""A result that was made before, by this software: read back from result.json or from the report."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.attached import read_attachment
from probetest.jobs.result import SCHEMA
from probetest.limits import Limits
from probetest.statistics.decision import Verdict
from probetest.statistics.intervals import Interval
from probetest.triggers import Artefact, Machine, Stylus

LARGEST_BYTES = 100_000_000
"""Larger files are no report of this software."""

LARGEST_MM = 1000.0

FEWEST_PLACES, TURN_DEG = 12, 360.0
"""Azimuths of a curve."""

ATTACHED = "result.json"

SHORT = (str, int, float, bool, type(None))
"""Values that fit into a message."""

_Number = Field(ge=-1e6, le=1e6, allow_inf_nan=False)
_Count = Field(ge=0, le=10**9)


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


Limited = TypeVar("Limited", bound=_Part)


def _within(part: Limited, figure: str) -> Limited:
    """Refuse a figure that lies outside its own limits."""
    value, lower, upper = (getattr(part, name) for name in (figure, "lower_mm", "upper_mm"))
    known = [number for number in (lower, value, upper) if number is not None]
    if known != sorted(known):
        raise ValueError(f"{figure} must lie between lower_mm and upper_mm")
    return part


class EarlierScatter(_Part):
    """Repeatability; lengths in mm."""

    sd_mm: float | None = Field(default=None, gt=0, le=1e6)
    lower_mm: float | None = Field(default=None, ge=0, le=1e6)
    upper_mm: float | None = Field(default=None, gt=0, le=1e6)
    effective_dof: float = Field(default=0.0, ge=0)
    n: int = _Count
    resolution_mm: float = Field(default=0.0, ge=0, le=1e6)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        return _within(self, "sd_mm")


class EarlierWave(_Part):
    """A harmonic."""

    order: int = Field(ge=1, le=1000)
    amplitude_mm: float = Field(ge=0, le=1e6)
    phase_deg: float = _Number
    u_mm: float = Field(ge=0, le=1e6)


class EarlierShape(_Part):
    """A curve over the turn, and the ways in which it may differ; its variation and first waves."""

    variation_mm: float | None = Field(default=None, ge=0, le=1e6)
    lower_mm: float | None = Field(default=None, ge=0, le=1e6)
    upper_mm: float | None = Field(default=None, ge=0, le=1e6)
    dof: float = Field(default=0.0, ge=0)
    waves: tuple[EarlierWave, ...] = Field(default=(), max_length=100)
    directions: int = Field(default=0, ge=0, le=10**6)
    azimuth_deg: tuple[float, ...] = Field(default=(), max_length=10_000)
    curve_mm: tuple[float, ...] = Field(default=(), max_length=10_000)
    curve_u_mm: tuple[float, ...] = Field(default=(), max_length=10_000)
    modes_mm: tuple[tuple[float, ...], ...] = Field(default=(), max_length=200)

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        parts = (self.curve_mm, self.curve_u_mm, *self.modes_mm)
        places = self.azimuth_deg
        if self.modes_mm and len(places) < FEWEST_PLACES:
            raise ValueError(f"a curve needs at least {FEWEST_PLACES} azimuths")
        if any(not 0 < after - before < TURN_DEG for before, after in pairwise(places)):
            raise ValueError("the azimuths of a curve must rise")
        if places and not (abs(places[0]) <= TURN_DEG and places[-1] - places[0] < TURN_DEG):
            raise ValueError("the azimuths of a curve must lie within one turn")
        if any(len(part) != len(self.azimuth_deg) for part in parts):
            raise ValueError("a curve needs one value for each azimuth")
        if any(abs(value) > LARGEST_MM for part in parts for value in part):
            raise ValueError("a curve of a pre-travel stays within a metre")
        return _within(self, "variation_mm")


class EarlierPretravel(_Part):
    """Pre-travel of probe and machine together."""

    mean_mm: float | None = Field(default=None, ge=-1e6, le=1e6)
    curve: EarlierShape | None = None
    variation_mm: float | None = Field(default=None, ge=0, le=1e6)
    lower_mm: float | None = Field(default=None, ge=0, le=1e6)
    upper_mm: float | None = Field(default=None, ge=0, le=1e6)
    harmonics: tuple[EarlierWave, ...] = Field(default=(), max_length=1000)


class EarlierReversal(_Part):
    """Two values, of the axes."""

    x: float = _Number
    y: float = _Number


class EarlierSeparation(_Part):
    """What several orientations told."""

    orientations_deg: tuple[float, ...] = Field(max_length=1000)
    n: int = _Count
    probe: EarlierShape
    runout_mm: float | None = Field(default=None, ge=0, le=1e6)
    runout_azimuth_deg: float | None = Field(default=None, ge=-1e6, le=1e6)
    disagreement_mm: float = Field(default=0.0, ge=0, le=1e6)
    reversal_mm: EarlierReversal | None = None
    reversal_u_mm: EarlierReversal | None = None


class EarlierOutcomes(_Part):
    """What the approaches ended in."""

    approaches: int = Field(ge=1, le=10**9)
    triggers: int = _Count

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.triggers > self.approaches:
            raise ValueError("there can't be more triggers than approaches")
        return self


class EarlierBudget(_Part):
    """Uncertainty of a figure."""

    figure: str
    value_mm: float = _Number
    expanded_mm: float = Field(ge=0, le=1e6)


class EarlierConditions(_Part):
    """What was tested with what."""

    artefact: Artefact | None = None
    stylus: Stylus | None = None
    machine: Machine | None = None
    notes: tuple[tuple[str, str], ...] = Field(default=(), max_length=1000)


class EarlierSeries(_Part):
    """One stage at one orientation."""

    stage: str = Field(max_length=200)
    orientation_deg: float = _Number
    n: int = _Count
    directions: int = _Count
    sd_mm: float | None = Field(default=None, gt=0, le=1e6)
    variation_mm: float | None = Field(default=None, ge=0, le=1e6)


class EarlierHeadline(_Part):
    """Which series the figures are of."""

    stage: str = Field(max_length=200)
    orientation_deg: float = _Number


class EarlierArm(_Part):
    """An arm of the seat."""

    azimuth_deg: float = _Number
    late_mm: float = _Number
    late_u_mm: float = Field(gt=0, le=1e6)


class EarlierArms(_Part):
    """The arms, where they were told apart."""

    late: tuple[EarlierArm, ...] = Field(default=(), max_length=3)


class EarlierContacts(_Part):
    """What was said of the contacts."""

    arms: EarlierArms | None = None


class EarlierResult(_Part):
    """The parts of a result that another test can be held against.

    What else the file holds is not looked at. ``file`` and ``sha256`` are those of the file that was read.
    """

    file: str = ""
    sha256: str = ""

    schema_: Literal["probetest.result/1"] = Field(alias="schema")
    software: str = Field(max_length=200)
    serial: str = Field(min_length=1, max_length=200)
    build: str | None = Field(default=None, max_length=200)
    tested: str | None = Field(default=None, max_length=40)
    verdict: Verdict
    conditions: EarlierConditions
    limits: Limits
    headline: EarlierHeadline
    repeatability: EarlierScatter
    pretravel: EarlierPretravel
    separation: EarlierSeparation | None = None
    outcomes: EarlierOutcomes
    contacts: EarlierContacts | None = None
    series: tuple[EarlierSeries, ...] = Field(default=(), max_length=10_000)
    budgets: tuple[EarlierBudget, ...] = Field(default=(), max_length=100)

    def expanded_mm(self, figure: str) -> float | None:
        """Expanded uncertainty of a figure, None where no budget of it was given."""
        return next((part.expanded_mm for part in self.budgets if part.figure == figure), None)

    @property
    def arms(self) -> tuple[EarlierArm, ...]:
        """The three arms; empty where they were not told apart."""
        told = self.contacts.arms if self.contacts is not None else None
        return told.late if told is not None and len(told.late) == 3 else ()

    @property
    def own(self) -> EarlierShape | None:
        """The probe's own curve, where several orientations told it."""
        if self.separation is None or self.separation.probe.variation_mm is None:
            return None
        return self.separation.probe


def interval_of(lower: float | None, upper: float | None) -> Interval | None:
    """The 95 % interval of a figure; None where it was not given."""
    return None if lower is None or upper is None or lower > upper else Interval(lower, upper)


def read_result(path: Path) -> EarlierResult:
    """Read a result back.

    Parameters
    ----------
    path : pathlib.Path
        A ``result.json``, or a ``report.pdf`` with the result inside.

    Raises
    ------
    ReportError
        If the file can't be read, is none of both, or holds impossible values.
    """
    name = printable(str(path))
    try:
        size = path.stat().st_size
        # Reading a pipe or a device would never end.
        if not path.is_file() or size > LARGEST_BYTES:
            raise ReportError(
                f"{name}: found no plain file of a usual size, expected a result.json or report.pdf of "
                "this software."
            )
        data = path.read_bytes()
    except OSError as error:
        raise ReportError(f"{name}: the file can't be read ({error.strerror}).") from error
    text = read_attachment(data, ATTACHED, name) if data.startswith(b"%PDF-") else data
    found = parse_result(text, name)
    return found.model_copy(update={"file": path.name, "sha256": sha256(data).hexdigest()})


def parse_result(text: bytes, name: str) -> EarlierResult:
    """The result in the bytes of a ``result.json``; ``name`` says in an error where they come from.

    Raises
    ------
    ReportError
        If they are no result, or hold impossible values.
    """
    try:
        return EarlierResult.model_validate_json(text.removeprefix(codecs.BOM_UTF8), strict=True)
    except ValidationError as error:
        raise ReportError(_sentence(name, error)) from error


def _sentence(name: str, error: ValidationError) -> str:
    """The first problem of a result, in words."""
    first: Mapping[str, Any] = error.errors(include_url=False, include_context=False)[0]
    place = ".".join(printable(str(part))[:60] for part in first["loc"]) or "the file"
    if first["type"] == "json_invalid":
        return f"{name}: found no JSON, expected a result.json or a report.pdf of this software."
    value = first["input"]
    # What is wrong may be a whole page of values.
    found = (
        repr(value[:60] if isinstance(value, str) else value)
        if isinstance(value, SHORT)
        else "something else"
    )
    return (
        f"{name}, {place}: found {printable(found)[:70]}, expected what {SCHEMA} holds "
        f"({first['msg'].lower()}); make the result anew from its log."
    )
