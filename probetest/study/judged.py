"""What the analysis of a report makes of one simulated test, held against the truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series, analyse
from probetest.jobs.capable import capability_of
from probetest.jobs.checks import Outcomes, drift_bounds, make_checks
from probetest.limits import Limits
from probetest.statistics.decision import Check
from probetest.statistics.drift import TOLD_APART
from probetest.statistics.intervals import Interval
from probetest.statistics.repeatability import worst_direction_bounds
from probetest.study.cells import Cell
from probetest.study.simulated import Tests, true_tolerance
from probetest.triggers import TestRecord

Floats = NDArray[np.float64]
Marks = Iterator[tuple[str, float]]

CPK = 1.33
"""The Cpk that every simulated probe has against its tolerance."""

GENEROUS = 1.5
"""A generous limit is this many times the truth."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What one simulated test should find.

    Attributes
    ----------
    pooled_sd_mm : float
        As the test shows it, drift within directions included.
    still_sd_mm : float
        Without drift.
    worst_sd_mm, variation_mm, drift_mm, tolerance_mm, arm_deg : float
        ``tolerance_mm`` gives a Cpk of ``CPK``.
    sd_mm : numpy.ndarray, shape (directions,)
        Of each direction, drift included.
    """

    pooled_sd_mm: float
    still_sd_mm: float
    worst_sd_mm: float
    variation_mm: float
    drift_mm: float
    tolerance_mm: float
    arm_deg: float
    sd_mm: Floats


class Judge:
    """Judges the tests of one cell.

    Parameters
    ----------
    cell : Cell
    tests : Tests
    """

    def __init__(self, cell: Cell, tests: Tests) -> None:
        self.cell, self.tests = cell, tests
        self.tolerance_mm = true_tolerance(tests, cell, CPK)
        touches = tests.direction.shape[1]
        empty = np.full(touches, np.nan)
        self.frame = pd.DataFrame(
            {
                "x_mm": empty,
                "y_mm": empty,
                "z_mm": empty,
                "time": pd.NaT,
                "elevation_deg": np.zeros(touches),
                "order": np.arange(1, touches + 1),
            }
        )
        self.record = TestRecord(serial="STUDY")
        self.outcomes = Outcomes(touches, touches, 0, 0, 0)

    def truth(self, test: int) -> Truth:
        """What one test should find."""
        tests = self.tests
        still = tests.sd_mm[test]
        order = np.linspace(-0.5, 0.5, tests.direction.shape[1]) * tests.drift_mm
        moved = np.array([order[tests.direction[test] == i].var(ddof=1) for i in range(len(still))])
        shown = np.sqrt(still**2 + moved)
        return Truth(
            pooled_sd_mm=float(np.sqrt((shown**2).mean())),
            still_sd_mm=float(np.sqrt((still**2).mean())),
            worst_sd_mm=float(shown.max()),
            variation_mm=float(np.ptp(tests.curve_mm[test])),
            drift_mm=tests.drift_mm,
            tolerance_mm=float(self.tolerance_mm[test]),
            arm_deg=float(tests.arm_deg[test]),
            sd_mm=shown,
        )

    def marks(self, test: int) -> dict[str, float]:
        """Marks of one test: 1 or 0 for what holds or not, errors in sd; what wasn't given is left out."""
        tests = self.tests
        rows = self.frame.assign(
            azimuth_deg=tests.azimuth_deg[tests.direction[test]], reading_mm=tests.reading_mm[test]
        )
        series = Series("baseline", 0.0, rows, rows.iloc[:0])
        found = analyse(series, None, tests.step_mm or None)
        truth = self.truth(test)
        marks = dict(_intervals(found, truth))
        marks |= dict(_flags(found))
        marks |= dict(self._verdicts(found, truth))
        return marks

    def _verdicts(self, found: Analysis, truth: Truth) -> Marks:
        for name, factor in (("limit", 1.0), ("generous", GENEROUS)):
            limits = Limits(
                max_pooled_sd_mm=factor * truth.pooled_sd_mm,
                max_worst_direction_sd_mm=factor * truth.worst_sd_mm,
                max_pretravel_variation_mm=factor * truth.variation_mm or None,
                max_drift_mm=factor * truth.drift_mm or None,
                tolerance_mm=truth.tolerance_mm if name == "limit" else None,
                min_cpk=CPK,
                max_misses=None,
                max_miss_rate=None,
            )
            for check in make_checks(found, self.record, self.outcomes, limits, None, None):
                yield from _verdict(name, check)


def _verdict(limit: str, check: Check) -> Marks:
    yield f"{limit} passed {check.name}", check.verdict == "pass"
    yield f"{limit} failed {check.name}", check.verdict == "fail"


def _holds(lower: float, upper: float, truth: float) -> bool:
    # A truth of 0 belongs to an interval that starts at 0, whatever the rounding.
    slack = 1e-12
    return lower - slack <= truth <= upper + slack


def _intervals(found: Analysis, truth: Truth) -> Marks:
    spread, sd = found.repeatability, truth.still_sd_mm
    yield "resolved", spread.resolved
    if spread.resolved:
        yield "covers pooled sd", _holds(*_ends(spread.interval_mm), truth.pooled_sd_mm)
        yield "error pooled sd", spread.sd_mm / truth.pooled_sd_mm - 1
        held = [
            _holds(*_ends(part.interval_mm), true)
            for part, true in zip(spread.directions, truth.sd_mm, strict=True)
        ]
        yield "covers direction sd", float(np.mean(held))
    yield "covers worst sd", _holds(*worst_direction_bounds(found.every_direction, 0.025), truth.worst_sd_mm)
    if found.variation is not None:
        yield "covers variation", _holds(*_ends(found.variation.interval_mm), truth.variation_mm)
        yield "error variation", (found.variation.variation_mm - truth.variation_mm) / sd
        yield "error raw range", (found.variation.raw_mm - truth.variation_mm) / sd
        yield "width variation", found.variation.interval_mm.half_width / sd
    if found.seat is not None and found.seat.shown:
        off = (found.seat.arm_azimuth_deg - truth.arm_deg + 60) % 120 - 60
        yield "covers arm azimuth", abs(off) <= 1.96 * found.seat.arm_azimuth_u_deg
    if found.drift is not None:
        bounds = drift_bounds(found.drift, 0.95)
        if truth.drift_mm:
            yield "covers drift", _holds(*_ends(bounds), truth.drift_mm)
    try:
        limits = Limits(tolerance_mm=truth.tolerance_mm, min_cpk=CPK)
        capable = capability_of(found, limits, None, 0.95)
    except StatisticsError:
        return
    yield "covers cpk", _holds(*_ends(capable.cpk_interval), CPK)
    yield "error cpk", capable.cpk / CPK - 1


def _ends(interval: Interval) -> tuple[float, float]:
    return interval.lower, interval.upper


def _flags(found: Analysis) -> Marks:
    kinds = [flag.kind for flag in found.flags]
    yield "flag touch", "touch" in kinds
    yield "flag direction", "direction" in kinds
    yield "flag scatter", "scatter" in kinds
    yield "flag unequal", not found.repeatability.homogeneity.alike
    yield "flag heavy tails", found.repeatability.tails.heavy
    if found.drift is not None and found.drift.within_share >= TOLD_APART:
        yield "flag drift", found.drift.significant
        yield "flag neighbours", not found.drift.independent
        if found.drift.first_touch is not None:
            yield "flag first touch", found.drift.first_touch.significant
    if found.seat is not None:
        yield "flag shape", found.seat.shown
        if found.seat.shown:
            yield "flag misfit", not found.seat.fits
