"""What error a user will see when setting a work offset with a tested probe on a stated mill."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.errors import ReportError
from probetest.jobs.earlier import EarlierResult, EarlierShape, interval_of
from probetest.mill import MillSettings, read_mill
from probetest.resources import bundled
from probetest.statistics.intervals import t_factor
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
    ProbeCurve,
    bore_centre,
    bore_diameter,
    corner,
    faces,
    height,
    pocket_width,
    web_centre,
)
from probetest.statistics.stylus_change import StylusPrediction, predict_stylus

Floats = NDArray[np.float64]

SCHEMA = "probetest.expectation/1"
"""Name and version of the shape of the JSON."""

DRAWS = 200
"""Curves that stand for what the test left open."""

EXAMPLE_TRIALS, EXAMPLE_DRAWS = 4000, 50
"""Settings drawn for each feature of the example mill, and curves: less than for a mill of one's own."""

SEED = 20260315
"""Seed of those curves: the same result gives the same table."""

CORRECTED_DEG = np.arange(0.0, 360.0, 15.0)
"""Directions of a correction table."""

AXES = ((0.0, "X"), (90.0, "Y"))

MEAN = "Mean pre-travel"


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
            "edge, "
            "width, diameter and corner."
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


def probe_curve(
    earlier: EarlierResult, mill: MillSettings, draws: int = DRAWS
) -> tuple[ProbeCurve, list[str]]:
    """The probe as the statistics of setting errors take it, and what that rests on.

    Parameters
    ----------
    earlier : EarlierResult
    mill : MillSettings
    draws : int
        Curves that stand for what the test left open.

    Raises
    ------
    ReportError
        If the result lacks the curve or the scatter.
    """
    own = earlier.own
    shape = own if own is not None else earlier.pretravel.curve
    if shape is None or not shape.modes_mm:
        raise ReportError(
            f"the result of serial '{earlier.serial}' holds no pre-travel curve: it needs 7 directions or "
            "more, and "
            "a result.json or report.pdf made by this version; qualify the log anew"
        )
    scatter = earlier.repeatability
    sd, dof = scatter.sd_mm, max(scatter.effective_dof, 3.0)
    remarks = [_basis(earlier)]
    if sd is None:
        sd = scatter.resolution_mm
        remarks.append(f"The scatter was not resolved: one step of {1000 * sd:.3g} µm stands for it.")
    if not sd > 0:
        raise ReportError(f"the result of serial '{earlier.serial}' holds no scatter of a touch")
    mean, mean_u, words = _mean(earlier)
    remarks.append(words)
    curves = _draws(shape, mean, mean_u, draws)
    runout, azimuth, words = _runout(earlier, mill)
    remarks.append(words)
    remarks.extend(_left_out(mill))
    curve = ProbeCurve(
        draws_mm=curves, sd_mm=sd, dof=dof, mean_known=mean is not None, runout_mm=runout,
        runout_azimuth_deg=azimuth, z_pretravel_mm=mill.z_pretravel_mm,
    )  # fmt: skip
    return curve, remarks


def _basis(earlier: EarlierResult) -> str:
    if earlier.own is not None:
        return "Lobing is that of the probe alone, told from the machine of the test by several orientations."
    return (
        "Lobing is that of the probe and the machine of the test together (one orientation): the reversal "
        "value of "
        "that machine is in it, and that of yours comes on top."
    )


def _draws(shape: EarlierShape, mean: float | None, mean_u: float, draws: int) -> Floats:
    """Equally likely curves on an even grid that starts at 0."""
    rng = np.random.default_rng(SEED)
    modes = np.array(shape.modes_mm)
    curves = np.array(shape.curve_mm) + rng.normal(size=(draws, len(modes))) @ modes
    if mean is not None:
        curves = curves + mean + mean_u * rng.normal(size=(draws, 1))
    azimuth = np.array(shape.azimuth_deg)
    grid = np.arange(len(azimuth)) * 360.0 / len(azimuth)
    order = np.argsort(azimuth % 360.0)
    places = np.concatenate(
        [azimuth[order[-1:]] % 360.0 - 360.0, azimuth[order] % 360.0, azimuth[order[:1]] % 360.0 + 360.0]
    )
    wrapped = np.hstack([curves[:, order[-1:]], curves[:, order], curves[:, order[:1]]])
    return np.array([np.interp(grid, places, curve) for curve in wrapped])


def _mean(earlier: EarlierResult) -> tuple[float | None, float, str]:
    """Mean pre-travel, its standard uncertainty, and what it is of."""
    mean, expanded = earlier.pretravel.mean_mm, earlier.expanded_mm(MEAN)
    if mean is None or expanded is None:
        return None, 0.0, "The mean pre-travel was not measured (no calibrated artefact)."
    u = expanded / t_factor(float("inf"))
    apart = earlier.separation
    if earlier.own is None or apart is None or apart.reversal_mm is None or apart.reversal_u_mm is None:
        return (
            mean,
            u,
            (
                f"Mean pre-travel {1000 * mean:.1f} ± {1000 * expanded:.1f} µm of probe and machine of the "
                "test: half of "
                "its reversal value is in it."
            ),
        )
    # Mean of b/2 |cos| over a turn is b / pi.
    mean -= (apart.reversal_mm.x + apart.reversal_mm.y) / np.pi
    u = float(np.hypot(u, np.hypot(apart.reversal_u_mm.x, apart.reversal_u_mm.y) / np.pi))
    return (
        mean,
        u,
        (
            f"Mean pre-travel of the probe alone {1000 * mean:.1f} ± {2000 * u:.1f} µm (2 u): that of the "
            "test less what "
            "its reversal value adds on average."
        ),
    )


def _runout(earlier: EarlierResult, mill: MillSettings) -> tuple[float, float | None, str]:
    if mill.runout_mm != "measured":
        return (
            mill.runout_mm,
            None,
            f"Run-out {1000 * mill.runout_mm:.1f} µm as stated, in a direction not known.",
        )
    apart = earlier.separation
    if apart is None or apart.runout_mm is None:
        raise ReportError(
            f"the result of serial '{earlier.serial}' holds no run-out (it takes several orientations): "
            "state "
            "runout_mm in the machine file"
        )
    return (
        apart.runout_mm,
        apart.runout_azimuth_deg,
        (
            f"Run-out {1000 * apart.runout_mm:.1f} µm as measured, on the spindle and in the holder of the "
            "test."
        ),
    )


def _left_out(mill: MillSettings) -> Iterator[str]:
    if not mill.return_one_way:
        yield (
            "Later moves may come to the offset from either side, and miss it by half of the reversal "
            "value: that "
            'is the cause "return move".'
        )
    if mill.z_pretravel_mm == 0:
        yield "Height: latency and axial bending are not stated (z_pretravel_mm) and taken as 0."
    yield (
        "Left out: geometry and scale of the machine, temperature, surface and form of the work, tool "
        "length, and "
        "anything that changed since the test."
    )


def _predict(earlier: EarlierResult, mill: MillSettings) -> Iterator[StylusPrediction]:
    """Figures predicted for another stylus."""
    if mill.tested_stylus is None or mill.planned_stylus is None:
        return
    old, new = mill.tested_stylus.stylus(), mill.planned_stylus.stylus()
    part = earlier.own or earlier.pretravel
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
