"""What the user says about a log, because the log itself doesn't."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from pydantic import Field

from probetest.errors import ImportDataError
from probetest.faults import FaultList, shown
from probetest.importers.columns import ColumnMap, StatedRecord, Units
from probetest.importers.pattern import Pattern
from probetest.importers.plan import Plan
from probetest.importers.words import FACES
from probetest.settings import read_settings

Feeds = Literal["slow", "fast", "all"]


class About(StatedRecord):
    """A test as its user describes it: the keys of a log's head, in a file of their own."""

    units: Units | None = None
    day: date | None = None
    arm_azimuth_deg: float | None = Field(default=None, ge=-360, le=360)


@dataclass(frozen=True, slots=True)
class Told:
    """Answers to what a log may leave open.

    Attributes
    ----------
    units, serial : str or None
    column_map : ColumnMap or None
        Names of the columns of a table.
    pattern : Pattern or None
        Shape of the lines, where it is none that comes with the package.
    pattern_name : str
    plan : Plan or None
        The touches that were planned, in order.
    about : About or None
    about_of_plan : bool
        ``about`` is what the plan states: a log of another serial may be made by it.
    direction : tuple of float or None
        Azimuth and elevation of every approach, deg.
    radial : bool
        Each approach ran through the centre of the artefact: its direction follows from its position.
    feeds : {"slow", "fast", "all"} or None
        Which touches of a fast and slow pair count.
    part : int or None
        Which part of a log counts, 1-based, where it was interrupted.
    join : bool
        The parts of an interrupted log belong together.
    decimal, delimiter, tag : str or None
    x_diameter : bool
        X counts double.
    """

    units: str | None = None
    serial: str | None = None
    column_map: ColumnMap | None = None
    pattern: Pattern | None = None
    pattern_name: str = ""
    plan: Plan | None = None
    about: About | None = None
    about_of_plan: bool = False
    direction: tuple[float, float] | None = None
    radial: bool = False
    feeds: Feeds | None = None
    part: int | None = None
    join: bool = False
    decimal: str | None = None
    delimiter: str | None = None
    tag: str | None = None
    x_diameter: bool = False


def read_about(path: Path | str) -> About:
    """Read what a test was made with.

    Parameters
    ----------
    path : Path or str
        TOML file with keys of a log's head (serial, build, units, artefact, stylus, machine,
        planned_touches, arm_azimuth_deg) and ``day``, the date of a log that has only times.

    Returns
    -------
    About

    Raises
    ------
    ImportDataError
        If the file can't be read, is not TOML, or holds an unknown key or an impossible value.
    """
    return read_settings(Path(path), About, ImportDataError)


def read_direction(text: str) -> tuple[float, float]:
    """Return azimuth and elevation for a face such as ``X+`` or an azimuth in degrees.

    Raises
    ------
    ImportDataError
        If the text is neither.

    Examples
    --------
    >>> read_direction("y-")
    (270.0, 0.0)
    >>> read_direction("37.5")
    (37.5, 0.0)
    """
    face = FACES.get(text.strip().upper())
    if face is not None:
        return face
    try:
        azimuth = float(text)
    except ValueError:
        azimuth = float("nan")
    if not -360.0 <= azimuth <= 360.0:
        faults = FaultList("--direction")
        faults.add(shown(text), f"one of {', '.join(FACES)}, or an azimuth in degrees")
        faults.raise_if_any()
    return azimuth % 360.0, 0.0
