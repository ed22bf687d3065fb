"""The maker's limits: what a probe must keep to pass, and where each number comes from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from probetest.errors import LimitsError
from probetest.settings import read_settings

COMMON_PRACTICE = "common practice, no source"
OUR_CHOICE = "default of this software for a small-shop probe"

DEFAULT_SOURCES = {
    "max_pooled_sd_mm": OUR_CHOICE,
    "max_worst_direction_sd_mm": OUR_CHOICE,
    "max_pretravel_variation_mm": f"{COMMON_PRACTICE}: a good small-shop probe shows 0.02 to 0.03 mm",
    "max_misses": OUR_CHOICE,
    "max_miss_rate": OUR_CHOICE,
    "max_drift_mm": OUR_CHOICE,
    "max_reseat_shift_mm": OUR_CHOICE,
    "tolerance_mm": OUR_CHOICE,
    "min_cpk": f"{COMMON_PRACTICE}: 1.33",
    "risk": f"{COMMON_PRACTICE}: 5 %",
}
"""Where the default of each limit comes from."""


def _off(value: Any) -> Any:
    return None if value == "off" else value


Positive = Annotated[Annotated[float, Field(gt=0, le=100)] | None, BeforeValidator(_off)]
Share = Annotated[Annotated[float, Field(gt=0, lt=1)] | None, BeforeValidator(_off)]
Count = Annotated[Annotated[int, Field(ge=0)] | None, BeforeValidator(_off)]


class Limits(BaseModel):
    """Limits of one acceptance test. A limit that is ``"off"`` in the file (None here) is not checked.

    Attributes
    ----------
    max_pooled_sd_mm : float or None
        Pooled standard deviation of repeated touches.
    max_worst_direction_sd_mm : float or None
        Largest standard deviation of any direction.
    max_pretravel_variation_mm : float or None
        Over the tested directions; where the fitted three-arm shape breaks it between them, the
        check is undecided.
    max_misses : int or None
        Approaches without a valid trigger.
    max_miss_rate : float or None
        Upper bound of their share.
    max_drift_mm : float or None
        Change of the pre-travel over the test, either way.
    max_reseat_shift_mm : float or None
        Shift of the trigger point in any direction after a stage such as after_overtravel or
        after_service, where the log holds one.
    tolerance_mm : float or None
        Full width of the tolerance of a single reading.
    min_cpk : float or None
        Least Cpk against that tolerance.
    nominal_pretravel_mm : float or None
        Pre-travel the tolerance is centred on; without it, the mean of the test.
    longest_pretravel_mm : float or None
        No single touch should trigger later than this after contact: a limit on one side, held against
        ``min_cpk``. Not checked unless it is set; needs a calibrated artefact.
    risk : float
        One-sided risk of a wrong pass, and of a wrong fail, of each check.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)

    max_pooled_sd_mm: Positive = 0.004
    max_worst_direction_sd_mm: Positive = 0.008
    max_pretravel_variation_mm: Positive = 0.030
    max_misses: Count = 0
    max_miss_rate: Share = 0.02
    max_drift_mm: Positive = 0.005
    max_reseat_shift_mm: Positive = 0.003
    tolerance_mm: Positive = 0.080
    min_cpk: Positive = 1.33
    nominal_pretravel_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    longest_pretravel_mm: Positive = None
    risk: Annotated[float, Field(gt=0, lt=0.5)] = 0.05

    def source(self, name: str) -> str:
        """Where a limit comes from: the user's file, or the note of the default."""
        return "limits file" if name in self.model_fields_set else DEFAULT_SOURCES.get(name, OUR_CHOICE)


def read_limits(path: Path) -> Limits:
    """Read a limits file.

    Parameters
    ----------
    path : pathlib.Path
        TOML; keys as in `Limits`, each optional.

    Returns
    -------
    Limits

    Raises
    ------
    LimitsError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value;
        every problem is named with its line.
    """
    return read_settings(path, Limits, LimitsError)
