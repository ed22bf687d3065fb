"""What error a user will see when setting a work offset with a tested probe on a stated mill."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from probetest.jobs.earlier import EarlierResult, interval_of
from probetest.jobs.probe_curve import DRAWS, probe_curve
from probetest.mill import MillSettings, read_mill
from probetest.resources import bundled
from probetest.statistics.setting import (
    MANY_TOUCHES,
    Correction,
    Expected,
    HabitEffect,
    best_habit,
    correction_table,
    expect_feature,
    try_habits,
)
from probetest.statistics.setting_chance import TRIALS
from probetest.statistics.setting_cycles import (
    Feature,
    bore_centre,
    bore_diameter,
    corner,
    faces,
    height,
    pocket_width,
    web_centre,
)
from probetest.statistics.stylus_change import StylusPrediction, predict_stylus

SCHEMA = "probetest.expectation/1"
"""Name and version of the shape of the JSON."""

EXAMPLE_TRIALS, EXAMPLE_DRAWS = 4000, 50
"""Settings drawn for each feature of the example mill, and curves: less than for a mill of one's own."""

CORRECTED_DEG = np.arange(0.0, 360.0, 15.0)
"""Directions of a correction table."""

AXES = ((0.0, "X"), (90.0, "Y"))


@dataclass(frozen=True, slots=True)
class Expectation:
    """Errors to expect, with what they rest on.

    Attributes
    ----------
    earlier : EarlierResult
    mill : MillSettings
    features : tuple of Expected
    habits : tuple of HabitEffect
        What each habit by itself would change; empty where it was not asked for.
    predictions : tuple of StylusPrediction
        Variation with another stylus.
    remarks : tuple of str
        What the figures rest on, and what they leave out.
    """

    earlier: EarlierResult
    mill: MillSettings
    features: tuple[Expected, ...]
    habits: tuple[HabitEffect, ...]
    predictions: tuple[StylusPrediction, ...]
    remarks: tuple[str, ...]

    def best(self, feature: str) -> HabitEffect | None:
        """The habit that helps a feature most; None where none surely does."""
        return best_habit(self.habits, feature)


def expect(
    earlier: EarlierResult,
    mill: MillSettings,
    features: Sequence[Feature] | None = None,
    *,
    habits: bool = True,
    trials: int = TRIALS,
    draws: int = DRAWS,
    done: Callable[[], None] = lambda: None,
) -> Expectation:
    """Errors of setting work offsets, from a result and a mill.

    Parameters
    ----------
    earlier : EarlierResult
    mill : MillSettings
    features : sequence of Feature, optional
        By default those of `work_features`.
    habits : bool
        Whether each habit is tried.
    trials : int
        Settings drawn at random for each feature; a quarter of them for each habit.
    draws : int
        Curves that stand for what the test left open.
    done : callable
        Called after each feature.

    Raises
    ------
    ReportError
        If the result lacks the curve or the scatter.
    """
    curve, remarks = probe_curve(earlier, mill, draws)
    shop = mill.shop()
    found: list[Expected] = []
    tried: list[HabitEffect] = []
    for feature in work_features(mill.circle_touches) if features is None else features:
        found.append(expect_feature(curve, shop, feature, trials))
        if habits:
            tried.extend(try_habits(curve, shop, [feature], trials // 4))
        done()
    if any(one.form.mean_left_out for one in found):
        remarks.append(
            "The mean pre-travel is not known, and no calibration takes it off: it comes on top of every "
            "edge, width, diameter and corner."
        )
    return Expectation(
        earlier, mill, tuple(found), tuple(tried), tuple(_predict(earlier, mill)), tuple(remarks)
    )


def work_features(circle_touches: int) -> tuple[Feature, ...]:
    """What work offsets are set on: edges, webs and pockets, circles by 3, 4 and more touches, corner, Z.

    A pocket is centred like a web, a boss like a bore; their sizes err with the other sign.
    """
    counts = sorted({3, 4, circle_touches if circle_touches > 4 else MANY_TOUCHES})
    return (
        *faces(),
        *(replace(web_centre(a), name=f"web or pocket centre {axis}") for a, axis in AXES),
        *(replace(pocket_width(a), name=f"pocket width {axis}") for a, axis in AXES),
        *(replace(bore_centre(n), name=f"bore or boss centre, {n} touches") for n in counts),
        *(bore_diameter(n) for n in counts),
        corner(),
        height(),
    )


@dataclass(frozen=True, slots=True)
class Example:
    """A probe on the example mill, as most set it up and with better habits.

    Attributes
    ----------
    mill : MillSettings
    plain, careful : Expectation
        The same features; ``careful`` with each direction calibrated at the mark and moves that come back
        one way.
    """

    mill: MillSettings
    plain: Expectation
    careful: Expectation


def example(earlier: EarlierResult) -> Example:
    """What to expect on the bundled example mill.

    Raises
    ------
    ReportError
        If the result lacks the curve or the scatter.
    """
    mill = read_mill(bundled("data") / "machine.toml")
    better = mill.model_copy(update={"calibration": "per_direction", "return_one_way": True})
    features = (
        *faces()[:3:2],
        replace(web_centre(), name="web or pocket centre X"),
        replace(pocket_width(), name="pocket width X"),
        replace(bore_centre(), name="bore or boss centre, 4 touches"),
        bore_diameter(),
        corner(),
        height(),
    )
    plain, careful = (
        expect(earlier, one, features, habits=False, trials=EXAMPLE_TRIALS, draws=EXAMPLE_DRAWS)
        for one in (mill, better)
    )
    return Example(mill, plain, careful)


def corrections(earlier: EarlierResult, mill: MillSettings) -> tuple[Correction, ...]:
    """What to take off a touch in each direction, the spindle at its mark, and what remains.

    Raises
    ------
    ReportError
        If the result lacks the curve or the scatter.
    StatisticsError
        Without a fixed mark, or where each direction is corrected already.
    """
    curve, _ = probe_curve(earlier, mill)
    return correction_table(curve, mill.shop(), CORRECTED_DEG)


def _predict(earlier: EarlierResult, mill: MillSettings) -> Iterator[StylusPrediction]:
    """Figures predicted for another stylus."""
    if mill.tested_stylus is None or mill.planned_stylus is None:
        return
    old, new = mill.tested_stylus.stylus(), mill.planned_stylus.stylus()
    part = earlier.own or earlier.pretravel.curve
    if part is None:
        return
    limits = interval_of(part.lower_mm, part.upper_mm)
    if part.variation_mm is not None and limits is not None and part.variation_mm > 0:
        yield predict_stylus(part.variation_mm, limits, old, new, figure="variation")


def expectation_to_dict(found: Expectation) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm."""
    return {
        "schema": SCHEMA,
        "serial": found.earlier.serial,
        "label": "probe" if found.earlier.own else "probe + machine of the test",
        "mill": found.mill.model_dump(mode="json"),
        "features": [_feature(one, found.best(one.feature)) for one in found.features],
        "habits": [
            {
                "feature": one.feature,
                "habit": one.habit,
                "status": one.status,
                "error95_mm": one.after.error95_mm,
                "helps": one.helps,
            }
            for one in found.habits
        ],
        "predictions": [
            {
                "kind": one.kind,
                "figure": one.figure,
                "predicted_mm": one.predicted_mm,
                "lower_mm": one.interval_mm.lower,
                "upper_mm": one.interval_mm.upper,
                "factor": one.factor,
                "presumes": one.presumes,
                "warnings": list(one.warnings),
            }
            for one in found.predictions
        ],
        "remarks": list(found.remarks),
    }


def _feature(one: Expected, best: HabitEffect | None) -> dict[str, Any]:
    form = one.form
    return {
        "feature": one.feature,
        "touches": one.touches,
        "mean_mm": form.mean_mm[0] if len(form.mean_mm) == 1 else list(form.mean_mm),
        "components": list(form.components),
        "error95_mm": one.error95_mm,
        "error95_se_mm": one.error95_se_mm,
        "lower_mm": one.range95_mm.lower if one.range95_mm else None,
        "upper_mm": one.range95_mm.upper if one.range95_mm else None,
        **({} if one.range95_mm else {"lower_mm_reason": "an error in two directions has a length, no sign"}),
        "rms_mm": form.rms_mm,
        "trials": one.trials,
        "shares": {cause.name: cause.share for cause in form.causes if cause.effect == "adds"},
        "cancels": list(form.cancelling),
        "best_habit": None if best is None else {"habit": best.habit, "error95_mm": best.after.error95_mm},
    }
