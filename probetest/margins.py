"""What difference between builds matters to the maker, and the risks of a comparison."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from probetest.errors import MarginsError
from probetest.settings import read_settings


class Margins(BaseModel):
    """Differences that matter; smaller ones make two builds equivalent. Defaults are our choice.

    Attributes
    ----------
    sd_ratio : float
        Scatter of one build over that of the other; 1.25 means within 1/1.25 to 1.25.
    mean_pretravel_mm, variation_mm, unevenness_mm : float
    miss_rate : float
        Difference of the shares of approaches without a valid trigger.
    ageing_months : float
        Growth by a margin within so many months is ageing that matters.
    can_repair : int
        Faulty units of one batch that the shop can take back.
    max_misses_per_1000, max_faults_per_1000_h : float or None
        Upper bounds above these are a reason not to ship more; None for no such limit.
    risk : float
        Of a wrong "different", and of a wrong "equivalent", in a whole comparison, and of a false signal on
        the charts of a build; 0.01 is the least that the simulated limits of charts are made for.
    power : float
        With which the units asked for would decide.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    sd_ratio: float = Field(default=1.25, gt=1, le=100)
    mean_pretravel_mm: float = Field(default=0.003, gt=0, le=100)
    variation_mm: float = Field(default=0.003, gt=0, le=100)
    unevenness_mm: float = Field(default=0.001, gt=0, le=100)
    miss_rate: float = Field(default=0.005, gt=0, lt=1)
    ageing_months: float = Field(default=6.0, gt=0, le=1000)
    can_repair: int = Field(default=1, ge=1, le=10_000)
    max_misses_per_1000: float | None = Field(default=20.0, gt=0)
    max_faults_per_1000_h: float | None = Field(default=None, gt=0)
    risk: float = Field(default=0.05, ge=0.01, lt=0.5)
    power: float = Field(default=0.8, gt=0.5, lt=1)


def read_margins(path: Path | None) -> Margins:
    """Read a file of margins; the defaults where none is named.

    Parameters
    ----------
    path : pathlib.Path or None
        TOML; keys as in `Margins`, each optional.

    Raises
    ------
    MarginsError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value.
    """
    return Margins() if path is None else read_settings(path, Margins, MarginsError)
