"""A result that was made before, by this software: read back from result.json or from the report."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.result import SCHEMA
from probetest.limits import Limits
from probetest.statistics.intervals import Interval
from probetest.triggers import Artefact, Machine, Stylus

LARGEST_BYTES = 100_000_000
"""Larger files are no report of this software."""

LARGEST_MM = 1000.0

LARGEST_RESULT = 30_000_000
"""Bytes of a result inside a report."""

ATTACHED = "result.json"

_Number = Field(ge=-1e6, le=1e6, allow_inf_nan=False)
_Count = Field(ge=0, le=10**9)


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class EarlierScatter(_Part):
    """Repeatability; lengths in mm."""

    sd_mm: float | None = Field(default=None, gt=0, le=1e6)
    lower_mm: float | None = Field(default=None, ge=0, le=1e6)
    upper_mm: float | None = Field(default=None, gt=0, le=1e6)
    effective_dof: float = Field(default=0.0, ge=0)
    n: int = _Count
    resolution_mm: float = Field(default=0.0, ge=0, le=1e6)


class EarlierWave(_Part):
    """A harmonic."""

    order: int = Field(ge=1, le=1000)
    amplitude_mm: float = Field(ge=0, le=1e6)
    phase_deg: float = _Number
    u_mm: float = Field(ge=0, le=1e6)


class EarlierShape(_Part):
    """A curve over the turn, and the ways in which it may differ."""

    azimuth_deg: tuple[float, ...] = Field(default=(), max_length=10_000)
    curve_mm: tuple[float, ...] = Field(default=(), max_length=10_000)
    curve_u_mm: tuple[float, ...] = Field(default=(), max_length=10_000)
    modes_mm: tuple[tuple[float, ...], ...] = Field(default=(), max_length=200)

    @model_validator(mode="after")
    def _one_length(self) -> Self:
        parts = (self.curve_mm, self.curve_u_mm, *self.modes_mm)
        if any(len(part) != len(self.azimuth_deg) for part in parts):
            raise ValueError("a curve needs one value for each azimuth")
        if any(abs(value) > LARGEST_MM for part in parts for value in part):
            raise ValueError("a curve of a pre-travel stays within a metre")
        return self


class EarlierPretravel(_Part):
    """Pre-travel of probe and machine together."""

    variation_mm: float | None = Field(default=None, ge=0, le=1e6)
    lower_mm: float | None = Field(default=None, ge=-1e6, le=1e6)
    upper_mm: float | None = Field(default=None, ge=-1e6, le=1e6)
    mean_mm: float | None = Field(default=None, ge=-1e6, le=1e6)
    harmonics: tuple[EarlierWave, ...] = Field(default=(), max_length=1000)
    curve: EarlierShape | None = None


class EarlierCurve(EarlierShape):
    """A curve over the turn, told from another."""

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
    probe: EarlierCurve
    runout_mm: float | None = Field(default=None, ge=0, le=1e6)
    runout_azimuth_deg: float | None = Field(default=None, ge=-1e6, le=1e6)
    reversal_mm: EarlierReversal | None = None
    reversal_u_mm: EarlierReversal | None = None


class EarlierOutcomes(_Part):
    """What the approaches ended in."""

    approaches: int = Field(ge=1, le=10**9)
    triggers: int = _Count


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


class EarlierHeadline(_Part):
    """Which series the figures are of."""

    stage: str
    orientation_deg: float = _Number


class EarlierResult(_Part):
    """The parts of a result that another test can be held against.

    What else the file holds is not looked at.
    """

    schema_: str = Field(alias="schema", pattern=r"^probetest\.result/\d+$")
    software: str = Field(max_length=200)
    serial: str = Field(min_length=1, max_length=200)
    build: str | None = Field(default=None, max_length=200)
    verdict: str = Field(max_length=40)
    conditions: EarlierConditions
    limits: Limits
    headline: EarlierHeadline
    repeatability: EarlierScatter
    pretravel: EarlierPretravel
    separation: EarlierSeparation | None = None
    outcomes: EarlierOutcomes
    budgets: tuple[EarlierBudget, ...] = Field(default=(), max_length=100)

    def expanded_mm(self, figure: str) -> float | None:
        """Expanded uncertainty of a figure, None where no budget of it was given."""
        return next((part.expanded_mm for part in self.budgets if part.figure == figure), None)

    @property
    def own(self) -> EarlierCurve | None:
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
        if size > LARGEST_BYTES:
            raise ReportError(
                f"{name}: found {size} bytes, expected a result.json or report.pdf of this software."
            )
        data = path.read_bytes()
    except OSError as error:
        raise ReportError(f"{name}: the file can't be read ({error.strerror}).") from error
    text = _attached(data, name) if data.startswith(b"%PDF-") else data
    try:
        return EarlierResult.model_validate_json(text, strict=False)
    except ValidationError as error:
        raise ReportError(_sentence(name, error)) from error


def _attached(data: bytes, name: str) -> bytes:
    """The result inside a report."""
    # Only a PDF needs it, and it takes a tenth of a second to import.
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    # Its complaints about a damaged file are said below, in one sentence.
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)
    try:
        found = PdfReader(BytesIO(data)).attachments
        files: list[bytes] = list(found[ATTACHED]) if ATTACHED in found else []
    except (PyPdfError, ValueError, KeyError, TypeError, AttributeError, RecursionError, OSError) as error:
        raise ReportError(f"{name}: the PDF is damaged; use the result.json beside it.") from error
    if len(files) != 1 or len(files[0]) > LARGEST_RESULT:
        raise ReportError(
            f"{name}: found {len(files)} files '{ATTACHED}' inside the PDF, expected one; is it a report of "
            "this software? The result.json beside it will do as well."
        )
    return files[0]


def _sentence(name: str, error: ValidationError) -> str:
    """The first problem of a result, in words."""
    first: Mapping[str, Any] = error.errors(include_url=False, include_context=False)[0]
    place = ".".join(printable(str(part))[:60] for part in first["loc"]) or "the file"
    if first["type"] == "json_invalid":
        return f"{name}: found no JSON, expected a result.json or a report.pdf of this software."
    found = printable(repr(first["input"]))[:60]
    return (
        f"{name}, {place}: found {found}, expected what {SCHEMA} holds ({first['msg'].lower()}); make the "
        "result anew from its log."
    )
