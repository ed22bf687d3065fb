"""The mill on which work is set up, as a user states it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, ValidationError, model_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from probetest.errors import MachineError
from probetest.faults import shown
from probetest.settings import read_settings
from probetest.statistics.setting_cycles import Shop
from probetest.statistics.stylus_change import MODULI_GPA, Stylus

EITHER = f"either material ({', '.join(MODULI_GPA)}) or modulus_gpa, Young's modulus of the stem"

LARGEST_MM = 10.0


def _runout(value: Any) -> Any:
    if value == "measured":
        return value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value <= LARGEST_MM:
        raise ValueError(f'{shown(value)} | 0 to {LARGEST_MM:g} mm, or "measured"')
    return float(value)


class _Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class Stem(_Settings):
    """The stem of a stylus.

    Attributes
    ----------
    length_mm, stem_diameter_mm : float
        From the seat to the ball, and across the stem.
    material : str or None
        One whose modulus is known.
    modulus_gpa : float or None
        Young's modulus, where the material is none of these.
    """

    length_mm: float = Field(ge=1, le=1000)
    stem_diameter_mm: float = Field(ge=0.1, le=100)
    material: str | None = Field(default=None, max_length=60)
    modulus_gpa: float | None = Field(default=None, ge=0.1, le=2000)

    @model_validator(mode="after")
    def _one_modulus(self) -> Stem:
        if (self.material is None) == (self.modulus_gpa is None):
            found = (
                "neither material nor modulus_gpa" if self.material is None else "material and modulus_gpa"
            )
            raise ValueError(f"{found} | {EITHER}")
        if self.material is not None and self.material not in MODULI_GPA:
            raise ValueError(f"{shown(self.material)}, a material without a known modulus | {EITHER}")
        return self

    def stylus(self) -> Stylus:
        """The stem as the statistics take it."""
        modulus = self.modulus_gpa if self.modulus_gpa is not None else MODULI_GPA[self.material or ""]
        return Stylus(self.length_mm, self.stem_diameter_mm, modulus)


class MillSettings(_Settings):
    """A machine and how it is used.

    Attributes
    ----------
    name : str
    reversal_x_mm, reversal_y_mm : float
    resolution_mm : float
        Step in which a trigger position is read.
    runout_mm : float or "measured"
        Offset of the ball from the spindle axis; "measured" takes that of the test.
    orientation : "fixed" or "random"
    orientation_sd_deg : float
        How far off its mark the spindle stands.
    calibration : "none", "radius" or "per_direction"
    calibration_touches, calibration_repeats : int
    reference_u_mm, reference_centre_u_mm : float
        Standard uncertainties of the reference ring: of its radius and its centre.
    repeats, circle_touches : int
        Touches averaged for each approach, and round a circle.
    return_one_way : bool
    z_pretravel_mm : float
        What a touch along Z reads too far.
    tested_stylus, planned_stylus : Stem or None
        For a prediction of another stylus.
    """

    name: str = Field(default="", max_length=200)
    reversal_x_mm: float = Field(ge=0, le=10)
    reversal_y_mm: float = Field(ge=0, le=10)
    resolution_mm: float = Field(ge=0, le=1)
    runout_mm: Annotated[float | Literal["measured"], PlainValidator(_runout)]
    orientation: Literal["fixed", "random"]
    orientation_sd_deg: float = Field(ge=0, le=90)
    calibration: Literal["none", "radius", "per_direction"]
    calibration_touches: int = Field(default=4, ge=3, le=100)
    calibration_repeats: int = Field(default=1, ge=1, le=1000)
    reference_u_mm: float = Field(ge=0, le=1)
    reference_centre_u_mm: float = Field(ge=0, le=1)
    repeats: int = Field(default=1, ge=1, le=1000)
    circle_touches: int = Field(default=4, ge=3, le=36)
    return_one_way: bool
    z_pretravel_mm: float = Field(default=0.0, ge=-10, le=10)
    tested_stylus: Stem | None = None
    planned_stylus: Stem | None = None

    @model_validator(mode="after")
    def _both_or_none(self) -> MillSettings:
        styli = {"tested_stylus": self.tested_stylus, "planned_stylus": self.planned_stylus}
        stated = [key for key, stem in styli.items() if stem is not None]
        if len(stated) == 1:
            words = f"{stated[0]} alone | both tested_stylus and planned_stylus, for a prediction"
            fault = PydanticCustomError("value_error", "{words}", {"words": words})
            details = InitErrorDetails(type=fault, loc=(stated[0],), input=None)
            raise ValidationError.from_exception_data("mill", [details])
        return self

    def shop(self) -> Shop:
        """The machine as the statistics take it."""
        return Shop(
            reversal_mm=(self.reversal_x_mm, self.reversal_y_mm),
            step_mm=self.resolution_mm,
            orientation=self.orientation,
            orientation_sd_deg=self.orientation_sd_deg,
            repeats=self.repeats,
            calibration=self.calibration,
            calibration_touches=self.calibration_touches,
            calibration_repeats=self.calibration_repeats,
            reference_u_mm=self.reference_u_mm,
            reference_centre_u_mm=self.reference_centre_u_mm,
            return_one_way=self.return_one_way,
        )


def read_mill(path: Path) -> MillSettings:
    """Read a machine file.

    Parameters
    ----------
    path : pathlib.Path
        TOML; keys as in `MillSettings`.

    Raises
    ------
    MachineError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value; every
        problem is named with its line.
    """
    return read_settings(path, MillSettings, MachineError)
