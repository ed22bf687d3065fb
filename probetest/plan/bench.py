"""What a test is run with and on, as a user states it: artefact, stylus, probe, machine, moves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, model_validator

from probetest.errors import BenchError
from probetest.settings import read_settings

Kind = Literal["ring", "boss", "sphere", "block", "plane"]

FARTHEST_MM = 2000.0
"""No small mill goes farther."""


def _range(value: Any) -> Any:
    numbers = isinstance(value, list | tuple) and len(value) == 2
    if not numbers or not all(_is_number(one) and abs(one) <= FARTHEST_MM for one in value):
        raise ValueError(f"{value!r} | two numbers within {FARTHEST_MM:g} mm, the smaller first, [-20, 20]")
    low, high = float(value[0]), float(value[1])
    if not low < high:
        raise ValueError(f"{value!r} | the smaller number first, [-20, 20]")
    return low, high


def _size(value: Any) -> Any:
    numbers = isinstance(value, list | tuple) and len(value) == 2
    if not numbers or not all(_is_number(one) and 0 < one <= FARTHEST_MM for one in value):
        raise ValueError(f"{value!r} | lengths along X and Y in mm, [25, 9]")
    return float(value[0]), float(value[1])


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


Range = Annotated[tuple[float, float], PlainValidator(_range)]
Size = Annotated[tuple[float, float], PlainValidator(_size)]


class _Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class BenchArtefact(_Settings):
    """What is touched. X0 Y0 is its centre, Z0 its top (the highest point of a sphere).

    Attributes
    ----------
    kind : str
    diameter_mm : float or None
        Inside diameter of a ring, diameter of a boss or sphere.
    outer_diameter_mm : float or None
        Of a ring.
    size_mm : tuple of float or None
        Lengths of a block along X and Y; of a plane, its smallest free extent.
    height_mm : float
        From the top down to what it stands on; a plane's is 0 or what lies below it.
    u_mm : float or None
        Standard uncertainty of the diameter.
    form_mm : float or None
        Peak-to-valley form error.
    """

    kind: Kind
    diameter_mm: float | None = Field(default=None, gt=0, le=FARTHEST_MM)
    outer_diameter_mm: float | None = Field(default=None, gt=0, le=FARTHEST_MM)
    size_mm: Size | None = None
    height_mm: float = Field(gt=0, le=FARTHEST_MM)
    u_mm: float | None = Field(default=None, gt=0, le=1)
    form_mm: float | None = Field(default=None, ge=0, le=1)

    @model_validator(mode="after")
    def _whole(self) -> BenchArtefact:
        is_round = self.kind in ("ring", "boss", "sphere")
        if is_round == (self.diameter_mm is None):
            wanted = "diameter_mm" if is_round else "size_mm instead of diameter_mm"
            raise ValueError(f"a {self.kind} {'without' if is_round else 'with'} diameter_mm | {wanted}")
        if is_round == (self.size_mm is not None):
            raise ValueError(
                f"a {self.kind} {'with' if is_round else 'without'} size_mm | "
                f"{'diameter_mm' if is_round else 'size_mm, lengths along X and Y'}"
            )
        if (self.kind == "ring") != (self.outer_diameter_mm is not None):
            raise ValueError(f"outer_diameter_mm with a {self.kind} | outer_diameter_mm for a ring, only")
        if self.outer_diameter_mm is not None and self.outer_diameter_mm <= (self.diameter_mm or 0):
            raise ValueError(f"outer_diameter_mm {self.outer_diameter_mm:g} | more than diameter_mm")
        return self


class BenchStylus(_Settings):
    """What touches.

    Attributes
    ----------
    length_mm : float
        From the body of the probe to the centre of the ball.
    ball_diameter_mm, stem_diameter_mm : float
    ball_u_mm : float or None
        Standard uncertainty of the ball diameter.
    """

    length_mm: float = Field(gt=0, le=1000)
    ball_diameter_mm: float = Field(gt=0, le=100)
    stem_diameter_mm: float = Field(gt=0, le=100)
    ball_u_mm: float | None = Field(default=None, gt=0, le=1)

    @model_validator(mode="after")
    def _thinner(self) -> BenchStylus:
        if self.stem_diameter_mm > self.ball_diameter_mm:
            raise ValueError(
                f"stem_diameter_mm {self.stem_diameter_mm:g} above ball_diameter_mm "
                f"{self.ball_diameter_mm:g} | a stem that is thinner than the ball"
            )
        return self


class BenchProbe(_Settings):
    """What is tested, and what is expected of it.

    Attributes
    ----------
    serial : str
    build : str or None
    sd_mm : float
        Expected scatter of one touch, machine included.
    variation_mm : float
        Expected pre-travel variation.
    overtravel_mm : float
        How far the stylus may be pushed beyond the trigger, sideways and along it, by the maker of the probe.
    max_feed_mm_min : float
        Fastest touch that the maker of the probe allows.
    body_diameter_mm : float
    arm_azimuth_deg : float or None
        Azimuth of one arm at orientation 0, where it is marked.
    """

    serial: str = Field(min_length=1, max_length=200)
    build: str | None = Field(default=None, max_length=200)
    sd_mm: float = Field(ge=0.00001, le=1)
    variation_mm: float = Field(ge=0, le=1)
    overtravel_mm: float = Field(gt=0, le=50)
    max_feed_mm_min: float = Field(gt=0, le=20000)
    body_diameter_mm: float = Field(gt=0, le=500)
    arm_azimuth_deg: float | None = Field(default=None, ge=-360, le=360)


class BenchMachine(_Settings):
    """What moves.

    Attributes
    ----------
    name : str
    resolution_mm : float
        Step in which a trigger position is read.
    braking_mm_s2 : float
        Deceleration after a trigger.
    delay_s : float
        From the trigger to the start of braking, at most.
    turn_s : float
        Time to turn the probe in the spindle.
    spindle_step_deg : float or None
        Orientations are multiples of it; None where the spindle can't be turned to a mark.
    """

    name: str = Field(default="", max_length=200)
    resolution_mm: float = Field(gt=0, le=1)
    braking_mm_s2: float = Field(gt=0, le=100_000)
    delay_s: float = Field(ge=0, le=1)
    turn_s: float = Field(default=180.0, ge=0, le=7200)
    spindle_step_deg: float | None = Field(default=None, ge=1, le=180)


class Moves(_Settings):
    """How the machine moves; none has a default.

    Attributes
    ----------
    touch_feed_mm_min : float
        Of the touches that count.
    fast_feed_mm_min : float or None
        Of a first touch that finds the surface; None for single touches.
    position_feed_mm_min : float
        Of all other moves.
    clearance_mm : float
        Ball, stem and body stay so far from the artefact and from what it stands on, touches apart.
    run_up_mm : float
        Way of a touch before the expected contact.
    back_off_mm : float
        Way back between a fast and a slow touch.
    past_mm : float
        Way of a touch beyond the expected contact at most: where it ends without a trigger.
    settle_mm : float
        Length of the last move before each touch, always in the same direction, so that an axis that does
        not move in the touch stands on the same side of its backlash; 0 for none.
    place_mm : float
        How far the artefact may stand from where the work offset says.
    depth_mm : float
        Centre of the ball below the top, for touches from the side.
    safe_z_mm : float
        Z of the lowest point of the ball in moves across; above the artefact, clamps, and all else.
    x_mm, y_mm, z_mm : tuple of float
        Volume that the lowest point of the ball may be in, in the coordinates of the program.
    """

    touch_feed_mm_min: float = Field(gt=0, le=20000)
    fast_feed_mm_min: float | None = Field(default=None, gt=0, le=20000)
    position_feed_mm_min: float = Field(gt=0, le=20000)
    clearance_mm: float = Field(gt=0, le=100)
    run_up_mm: float = Field(gt=0, le=100)
    back_off_mm: float = Field(default=0.0, ge=0, le=100)
    past_mm: float = Field(gt=0, le=50)
    settle_mm: float = Field(ge=0, le=50)
    place_mm: float = Field(ge=0, le=50)
    depth_mm: float = Field(ge=0, le=500)
    safe_z_mm: float = Field(gt=0, le=FARTHEST_MM)
    x_mm: Range
    y_mm: Range
    z_mm: Range

    @model_validator(mode="after")
    def _two_stages(self) -> Moves:
        if self.fast_feed_mm_min is None:
            return self
        if self.fast_feed_mm_min < self.touch_feed_mm_min:
            raise ValueError(
                f"fast_feed_mm_min {self.fast_feed_mm_min:g} below touch_feed_mm_min "
                f"{self.touch_feed_mm_min:g} | a first touch that is faster, or none"
            )
        if not 0 < self.back_off_mm <= self.run_up_mm:
            raise ValueError(
                f"back_off_mm {self.back_off_mm:g} with a fast touch | more than 0, at most run_up_mm"
            )
        return self


class Bench(_Settings):
    """All that a plan is made for.

    Attributes
    ----------
    artefact : BenchArtefact
    stylus : BenchStylus
    probe : BenchProbe
    machine : BenchMachine
    moves : Moves
    dialect : str
        Name of the way in which the controller is written to.
    """

    artefact: BenchArtefact
    stylus: BenchStylus
    probe: BenchProbe
    machine: BenchMachine
    moves: Moves
    dialect: str = Field(default="console", max_length=60)


def read_bench(path: Path) -> Bench:
    """Read a bench file.

    Parameters
    ----------
    path : pathlib.Path
        TOML; tables and keys as in `Bench`.

    Raises
    ------
    BenchError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value; every
        problem is named with its line.
    """
    return read_settings(path, Bench, BenchError)
