"""Touches on a reference sphere at several elevations: the sphere test of a log."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series, split_series
from probetest.jobs.separating import harmonics_to_list
from probetest.statistics.sphere import (
    RING_GAP_DEG,
    RING_POINTS,
    ElevationRing,
    Pair,
    SphereTest,
    sphere_test,
)
from probetest.triggers import Triggers

MEASURED = "probe + this machine + sphere"
"""What a figure of a sphere test is of."""

NO_SPHERE = "the artefact of the log is no sphere"

NO_HEIGHT = (
    "the height of the centre is known from these touches alone, and they can't tell it from axial pre-travel"
)

FEWEST_FOR_WAVES = 5
"""A ring of fewer points has no harmonics."""


@dataclass(frozen=True, slots=True)
class Spherical:
    """What a log says as a test on a reference sphere.

    Attributes
    ----------
    test : SphereTest or None
    reason : str
        Why there is none; empty where the log is no test on a sphere.
    rows : pandas.DataFrame
        The touches behind the test, in the order of its ``reading_mm``.
    stage : str
    orientation_deg : float
    approaches : int
        Approaches of this series, those without a valid trigger included.
    scatter_basis : str
        Where the scatter of one touch is from.
    scatter_reason : str
        Why nothing is said of scatter; empty where something is.
    axial_reason : str
        Why axial pre-travel isn't given; empty where it is.
    """

    test: SphereTest | None
    reason: str
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    stage: str = ""
    orientation_deg: float = 0.0
    approaches: int = 0
    scatter_basis: str = ""
    scatter_reason: str = ""
    axial_reason: str = ""

    def row(self, place: int) -> pd.Series:
        """The touch of a reading; -1 is that of the latest trigger, 0 of the earliest."""
        readings = self._known.reading_mm
        return self.rows.iloc[int(np.argsort(readings, kind="stable")[place])]

    @property
    def _known(self) -> SphereTest:
        if self.test is None:
            raise ValueError(f"there is no sphere test: {self.reason or NO_SPHERE}")
        return self.test


def sphere_of(
    triggers: Triggers,
    stage: str,
    orientation_deg: float,
    found: Analysis | None,
    *,
    centre_z_mm: Pair | None = None,
    level: float = 0.95,
) -> Spherical:
    """Evaluate the touches on a reference sphere.

    Parameters
    ----------
    triggers : Triggers
    stage, orientation_deg : str, float
        Of the headline series. Where its touches all have one elevation, the first series of the log
        that has more is taken.
    found : Analysis or None
        Of the headline series: its pooled standard deviation stands in where no point of the sphere
        was touched twice.
    centre_z_mm : tuple of float, optional
        Height of the centre of the sphere and its standard uncertainty, not found with this probe.
    level : float
        Two-sided level of the intervals.
    """
    artefact = triggers.record.artefact
    if artefact is None or artefact.kind != "sphere":
        return Spherical(None, "")
    part = _pick(split_series(triggers), stage, orientation_deg)
    if part is None:
        return Spherical(None, "no touch on the sphere ended in a valid trigger")
    rows = _rows(part)
    unusable = _unusable(rows)
    if unusable:
        return Spherical(None, unusable, rows, part.stage, part.orientation_deg)
    stated = _stated(found)
    try:
        test = sphere_test(*_arrays(rows), stated_scatter=stated, level=level)
    except StatisticsError as error:
        return Spherical(None, str(error), rows, part.stage, part.orientation_deg)
    repeated = test.touches > test.points
    test, axial_reason = _with_axial(test, rows, stated, centre_z_mm, level)
    scatter_reason = _scatter_reason(test, found)
    frame = triggers.frame
    mine = (frame["stage"] == part.stage) & (frame["orientation_deg"] == part.orientation_deg)
    return Spherical(
        test=_without_scatter(test) if scatter_reason else test,
        reason="",
        rows=rows,
        stage=part.stage,
        orientation_deg=part.orientation_deg,
        approaches=int(mine.sum()),
        scatter_basis="" if scatter_reason else _basis(repeated, stage, orientation_deg),
        scatter_reason=scatter_reason,
        axial_reason=axial_reason,
    )


def _pick(parts: Sequence[Series], stage: str, orientation_deg: float) -> Series | None:
    """The headline series, or the first at several elevations where it has one only."""
    mine = [part for part in parts if (part.stage, part.orientation_deg) == (stage, orientation_deg)]
    several = (part for part in (*mine, *parts) if _height(_rows(part)) > RING_GAP_DEG)
    return next(several, next(iter((*mine, *parts)), None))


def _rows(part: Series) -> pd.DataFrame:
    return pd.concat([part.level, part.elevated]).sort_values("order", kind="stable")


def _height(rows: pd.DataFrame) -> float:
    return float(np.ptp(rows["elevation_deg"].to_numpy()))


def _arrays(rows: pd.DataFrame) -> tuple[Any, Any, Any]:
    positions = rows[["x_mm", "y_mm", "z_mm"]].to_numpy()
    return positions, rows["azimuth_deg"].to_numpy(), rows["elevation_deg"].to_numpy()


def _unusable(rows: pd.DataFrame) -> str:
    """Why touches on a sphere are no sphere test; empty where they may be one."""
    if _height(rows) <= RING_GAP_DEG:
        return (
            f"all {len(rows)} touches on the sphere have one elevation "
            f"({rows['elevation_deg'].mean():.4g}°); touch it from above as well: straight down, and at one "
            "slope between at least"
        )
    lost = ~np.isfinite(rows[["x_mm", "y_mm", "z_mm"]].to_numpy()).all(axis=1)
    if lost.any():
        first = rows.iloc[int(lost.argmax())]
        return (
            f"{int(lost.sum())} of {len(rows)} touches lack x, y or z (first: touch {first['touch']}, line "
            f"{first['line']}); a sphere needs all three of each touch"
        )
    return ""


def _stated(found: Analysis | None) -> Pair | None:
    if found is None or not found.repeatability.resolved:
        return None
    spread = found.repeatability
    # The readings of the sphere are as logged: their rounding belongs to their scatter.
    return max(spread.sd_mm, spread.logged_sd_mm), spread.effective_dof


def _with_axial(
    test: SphereTest, rows: pd.DataFrame, stated: Pair | None, centre_z_mm: Pair | None, level: float
) -> tuple[SphereTest, str]:
    if centre_z_mm is None:
        return test, NO_HEIGHT
    try:
        return sphere_test(*_arrays(rows), stated_scatter=stated, centre_z_mm=centre_z_mm, level=level), ""
    except StatisticsError as error:
        return test, str(error)


def _scatter_reason(test: SphereTest, found: Analysis | None) -> str:
    if found is not None and not found.repeatability.resolved:
        step = found.repeatability.step_mm
        return f"the scatter is too small for the step of the log ({step:.4g} mm)"
    if not test.scatter_dof:
        return "no point was touched twice, and no other series of the log tells the scatter"
    return ""


def _without_scatter(test: SphereTest) -> SphereTest:
    nan = float("nan")
    rings = tuple(replace(ring, mean_u_mm=nan, first=None, harmonics=None) for ring in test.rings)
    return replace(test, scatter_mm=nan, scatter_dof=0.0, scatter_form=None, rings=rings)


def _basis(repeated: bool, stage: str, orientation_deg: float) -> str:
    if repeated:
        return "points touched more than once"
    return f"horizontal touches of stage {stage} at {orientation_deg:.4g}°"


def waves_reason(found: Spherical, ring: ElevationRing) -> str:
    """Why a ring has no harmonics; empty where it has."""
    if ring.harmonics is not None:
        return ""
    if found.scatter_reason:
        return found.scatter_reason
    points = len(ring.azimuth_deg)
    if points < FEWEST_FOR_WAVES:
        return f"needs {FEWEST_FOR_WAVES} points at this elevation, has {points}"
    return "its points are spread too unevenly"


def pattern_words(found: Spherical) -> str:
    """Whether the 25-point pattern was touched, in words."""
    test = found._known
    if test.pattern25_deg is None:
        shape = ", ".join(str(points) for points in RING_POINTS)
        return f"{test.points} points, not the pattern of {sum(RING_POINTS)} (from the pole {shape})"
    turn, error = test.pattern25_deg
    return f"the pattern of {sum(RING_POINTS)} points, turned to {turn:.4g}°; off by {error:.1f}° at most"


def spherical_to_dict(found: Spherical) -> dict[str, Any]:
    """What result.json says: ``sphere``, null with ``sphere_reason`` without a test."""
    test = found.test
    if test is None:
        return {"sphere": None, "sphere_reason": found.reason or NO_SPHERE}
    form, pattern = test.scatter_form, test.pattern25_deg
    plain = {
        "label": MEASURED,
        "stage": found.stage,
        "orientation_deg": found.orientation_deg,
        "approaches": found.approaches,
        "n": test.touches,
        "points": test.points,
        "form_mm": test.form_mm,
        "form_means_mm": test.form_means_mm,
        "earliest": _touch(found, 0),
        "latest": _touch(found, -1),
        **_known_or(
            "form_of_scatter",
            None
            if form is None
            else {
                "expected_mm": form.expected_mm,
                "upper_mm": form.upper_mm,
                "means_expected_mm": form.means_expected_mm,
                "means_upper_mm": form.means_upper_mm,
                "level": 0.95,
                "p": form.p_value,
            },
            found.scatter_reason,
        ),
        **_known_or(
            "pattern25",
            None if pattern is None else {"turn_deg": pattern[0], "largest_error_deg": pattern[1]},
            pattern_words(found),
        ),
        "centre_mm": list(test.centre_mm),
        "centre_u_mm": list(test.u_mm[:3]),
        "radius_mm": test.radius_mm,
        "radius_u_mm": test.u_mm[3],
        "fit_intervals_mm": [{"lower": part.lower, "upper": part.upper} for part in test.interval_mm],
        "fit_dof": test.fit_dof,
        "condition": test.condition,
        **_known_or("scatter_sd_mm", test.scatter_mm, found.scatter_reason),
        **_known_or("scatter_dof", test.scatter_dof or None, found.scatter_reason),
        **_known_or("scatter_basis", found.scatter_basis or None, found.scatter_reason),
        "rings": [_ring(found, ring) for ring in test.rings],
        **_known_or("axial", _axial(test), found.axial_reason),
    }
    return {"sphere": plain}


def _known_or(name: str, value: Any, reason: str) -> dict[str, Any]:
    """A value, or null with its reason."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return {name: None, f"{name}_reason": reason}
    return {name: value}


def _touch(found: Spherical, place: int) -> dict[str, Any]:
    row = found.row(place)
    return {
        "touch": int(row["touch"]),
        "line": int(row["line"]),
        "azimuth_deg": float(row["azimuth_deg"]),
        "elevation_deg": float(row["elevation_deg"]),
    }


def _ring(found: Spherical, ring: ElevationRing) -> dict[str, Any]:
    waves = None
    if ring.first is not None and ring.harmonics is not None:
        waves = harmonics_to_list((ring.first, *ring.harmonics.harmonics))
    return {
        "elevation_deg": ring.elevation_deg,
        "n": ring.n,
        "mean_mm": ring.mean_mm,
        **_known_or("u_mm", ring.mean_u_mm, found.scatter_reason),
        "range_mm": ring.range_mm,
        "points": [
            {"azimuth_deg": azimuth, "n": n, "reading_mm": reading}
            for azimuth, n, reading in zip(ring.azimuth_deg, ring.counts, ring.reading_mm, strict=True)
        ],
        **_known_or("harmonics", waves, waves_reason(found, ring)),
    }


def _axial(test: SphereTest) -> dict[str, Any] | None:
    budget = test.axial
    if budget is None:
        return None
    return {
        "value_mm": budget.value_mm,
        "u_mm": budget.u_mm,
        **_known_or("dof", budget.dof, "taken as known"),
        "coverage_factor": budget.coverage_factor,
        "expanded_mm": budget.expanded_mm,
        "level": budget.level,
    }
