"""How a log is to be read: the answers of the user, as a command line or a notebook gives them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from probetest.importers import (
    Told,
    read_about,
    read_column_map,
    read_direction,
    read_pattern,
    read_plan_folder,
)
from probetest.importers.pattern import built_in_patterns


@dataclass(frozen=True, slots=True)
class Reading:
    """Answers as the user gives them; files by their path.

    Attributes
    ----------
    units, serial : str or None
    columns, plan, about : pathlib.Path or None
        Column map, planned touches, description of the test.
    pattern : str or None
        Name of a shape that comes with the package, or path of a pattern file.
    direction : str or None
        A face such as ``X+``, or an azimuth in degrees.
    radial : bool
    feeds : {"slow", "fast", "all"} or None
    part : int or None
    join : bool
    decimal, delimiter, tag : str or None
    x_diameter : bool
        As in ``Told``.
    """

    units: str | None = None
    serial: str | None = None
    columns: Path | None = None
    pattern: str | None = None
    plan: Path | None = None
    about: Path | None = None
    direction: str | None = None
    radial: bool = False
    feeds: Any = None
    part: int | None = None
    join: bool = False
    decimal: str | None = None
    delimiter: str | None = None
    tag: str | None = None
    x_diameter: bool = False

    def told(self) -> Told:
        """Read the files and return what importers take.

        Raises
        ------
        ImportDataError
            If a file can't be used, or the direction is none.
        """
        pattern, name = None, ""
        if self.pattern is not None:
            own = built_in_patterns().get(self.pattern)
            pattern = own or read_pattern(self.pattern)
            name = self.pattern if own else f"pattern {Path(self.pattern).name}"
        planned = read_plan_folder(self.plan) if self.plan else None
        about = planned.about if planned is not None else None
        return Told(
            units=self.units,
            serial=self.serial,
            column_map=read_column_map(self.columns) if self.columns else None,
            pattern=pattern,
            pattern_name=name,
            plan=planned.plan if planned is not None else None,
            about=read_about(self.about) if self.about else about,
            about_of_plan=about is not None and self.about is None,
            direction=read_direction(self.direction) if self.direction else None,
            radial=self.radial,
            feeds=self.feeds,
            part=self.part,
            join=self.join,
            decimal=self.decimal,
            delimiter="\t" if self.delimiter in ("tab", "\\t") else self.delimiter,
            tag=self.tag,
            x_diameter=self.x_diameter,
        )

    def plain(self) -> dict[str, Any]:
        """Return what differs from the default as plain values; paths are absolute."""
        found: dict[str, Any] = {}
        for one in fields(self):
            value = getattr(self, one.name)
            if value in (None, False):
                continue
            if isinstance(value, Path) or (one.name == "pattern" and value not in built_in_patterns()):
                value = str(Path(value).resolve())
            found[one.name] = value
        return found

    @staticmethod
    def from_plain(values: Mapping[str, Any]) -> Reading:
        """Return the answers that ``plain`` wrote."""
        paths = {name: Path(values[name]) for name in ("columns", "plan", "about") if name in values}
        return Reading(**{**values, **paths})
