"""What error a user will see when a work offset is set with this probe on this machine."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval
from probetest.statistics.setting_chance import (
    CALIBRATION,
    CAUSES,
    COVERED,
    LOBING,
    MEAN,
    RUNOUT,
    TRIALS,
    Moments,
    draw_errors,
    error95,
    moments,
)
from probetest.statistics.setting_cycles import Feature, ProbeCurve, Shop, cycle_of, edge, with_more_touches

NIL = 1e-9
"""A cause whose effect is less than this share of what it could do has cancelled."""

MANY_TOUCHES = 5
"""Touches from which a circle is free of the third harmonic, wherever they start."""

SURE = 3.0
"""A habit helps if its gain is more than this many Monte Carlo standard errors."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What one cause does to a feature.

    Attributes
    ----------
    name : str
        One of ``CAUSES``.
    mean_mm : tuple of float
        Signed part of the mean error, each component.
    rms_mm : float
        Root mean square of its part of the error, over all components.
    share : float
        Its share of the mean square error: mean product of its part and the whole error. The shares
        sum to 1; one is negative where the cause offsets others. 0 where there is no error.
    effect : str
        "adds", "cancels" (the machine has it, the feature does not show it: less than 1e-9 of what
        it could do) or "absent".
    """

    name: str
    mean_mm: tuple[float, ...]
    rms_mm: float
    share: float
    effect: Literal["adds", "cancels", "absent"]


@dataclass(frozen=True, slots=True)
class ClosedForm:
    """Mean and spread of the error of a feature, without random draws.

    Attributes
    ----------
    feature : str
    components : tuple of str
        What each component is.
    mean_mm : tuple of float
        Mean signed error.
    sd_mm : tuple of float
        Standard deviation of the signed error.
    rms_mm : float
        Root mean square of the error (of its length where there are two components).
    causes : tuple of Cause
    mean_left_out : bool
        Whether the unknown mean pre-travel comes on top of all figures.
    """

    feature: str
    components: tuple[str, ...]
    mean_mm: tuple[float, ...]
    sd_mm: tuple[float, ...]
    rms_mm: float
    causes: tuple[Cause, ...]
    mean_left_out: bool

    @property
    def adding(self) -> tuple[str, ...]:
        """Names of the causes that add, the largest share first."""
        adding = sorted((c for c in self.causes if c.effect == "adds"), key=lambda c: -c.share)
        return tuple(c.name for c in adding)

    @property
    def cancelling(self) -> tuple[str, ...]:
        """Names of the causes that the machine has and the feature does not show."""
        return tuple(c.name for c in self.causes if c.effect == "cancels")


@dataclass(frozen=True, slots=True)
class Expected:
    """What to expect of a feature.

    Attributes
    ----------
    feature : str
    touches : int
    form : ClosedForm
        Mean, spread and causes.
    error95_mm : float
        95 % of settings have no larger error (length of the error where there are two components).
    error95_se_mm : float
        Standard error of that figure by the number of trials alone.
    range95_mm : Interval or None
        From the 2.5 % to the 97.5 % point of the signed error; None with two components.
    trials : int
        Settings drawn at random.
    """

    feature: str
    touches: int
    form: ClosedForm
    error95_mm: float
    error95_se_mm: float
    range95_mm: Interval | None
    trials: int


@dataclass(frozen=True, slots=True)
class HabitEffect:
    """What a habit changes for a feature.

    Attributes
    ----------
    feature : str
    habit : str
    status : str
        "tried", "already so" or "not possible".
    before, after : Expected
        Without and with the habit; the same unless tried.
    """

    feature: str
    habit: str
    status: Literal["tried", "already so", "not possible"]
    before: Expected
    after: Expected

    @property
    def gain_mm(self) -> float:
        """How much smaller the 95 % error is with the habit."""
        return self.before.error95_mm - self.after.error95_mm

    @property
    def helps(self) -> bool | None:
        """Whether it makes the 95 % error smaller; None where it stays, or the trials can't tell."""
        doubt = SURE * float(np.hypot(self.before.error95_se_mm, self.after.error95_se_mm))
        return None if abs(self.gain_mm) <= doubt else self.gain_mm > 0


@dataclass(frozen=True, slots=True)
class Correction:
    """What to take off a touch in one direction.

    Attributes
    ----------
    azimuth_deg : float
        Direction of motion.
    correction_mm : float
        Over-travel to take off, along the motion.
    u_mm : float
        Its standard uncertainty: by the curve, an unknown azimuth of the run-out, the calibration.
    remains95_mm : float
        95 % error of an edge after the correction.
    remains95_se_mm : float
        Standard error of that figure by the number of trials alone.
    mean_left_out : bool
        Whether the unknown mean pre-travel is missing from the correction.
    """

    azimuth_deg: float
    correction_mm: float
    u_mm: float
    remains95_mm: float
    remains95_se_mm: float
    mean_left_out: bool


def closed_form(curve: ProbeCurve, shop: Shop, feature: Feature) -> ClosedForm:
    """Mean, spread and causes of the error of a feature.

    Raises
    ------
    StatisticsError
        If the touches can't give the feature.

    Notes
    -----
    The error is a weighted sum of the over-travel of the touches: pre-travel of the probe at the azimuth
    that it sees, (b_x/2)|cos| + (b_y/2)|sin| by reversal, the ball's offset with its sign turned, scatter
    and rounding, less the calibration. Shares are those of ``E[part . whole] / E[|whole|**2]``, which
    gives the product of two causes to both in halves.

    Examples
    --------
    A web is centred free of reversal, its width is not:

    >>> from probetest.statistics.setting_cycles import web_centre, web_width
    >>> curve = ProbeCurve(np.zeros((1, 360)), sd_mm=0.001)
    >>> mill = Shop(reversal_mm=(0.02, 0.01), return_one_way=True)
    >>> closed_form(curve, mill, web_centre()).cancelling
    ('reversal',)
    >>> round(closed_form(curve, mill, web_width()).mean_mm[0], 9)
    -0.02
    """
    return _summed(feature, moments(cycle_of(feature), curve, shop), curve)


def expect_feature(curve: ProbeCurve, shop: Shop, feature: Feature, trials: int = TRIALS) -> Expected:
    """What error to expect of a feature, by random draws beside the closed form.

    Parameters
    ----------
    curve, shop, feature : ProbeCurve, Shop, Feature
    trials : int
        Settings drawn at random, at least 1000; the same draws at each call.

    Raises
    ------
    StatisticsError
        If the touches can't give the feature, or with too few trials.

    References
    ----------
    .. [1] JCGM 101:2008, clause 7 (propagation of distributions by Monte Carlo).
    """
    if trials < 1000:
        raise StatisticsError(f"a 95 % error needs at least 1000 trials, but got {trials}")
    cycle = cycle_of(feature)
    form = _summed(feature, moments(cycle, curve, shop), curve)
    errors = draw_errors(cycle, curve, shop, trials)
    largest, standard_error = error95(errors)
    signed = None
    if errors.shape[1] == 1:
        tail = (1 - COVERED) / 2
        low, high = np.quantile(errors[:, 0], [tail, 1 - tail])
        signed = Interval(float(low), float(high), COVERED)
    return Expected(feature.name, len(feature.azimuth_deg), form, largest, standard_error, signed, trials)


def try_habits(
    curve: ProbeCurve, shop: Shop, features: Iterable[Feature], trials: int = TRIALS
) -> tuple[HabitEffect, ...]:
    """What each habit by itself would change.

    Parameters
    ----------
    curve : ProbeCurve
    shop : Shop
        As it is now. ``orientation_sd_deg`` is that of a fixed mark even where none is used yet.
    features, trials : iterable of Feature, int

    Returns
    -------
    tuple of HabitEffect
        Each feature with each of: fixed mark, calibrate radius, calibrate each direction at the mark,
        same-side touch, five touches, come back one way.

    Notes
    -----
    Calibrations use the reference of the shop, with its uncertainties. "Same-side touch" keeps a
    correction by direction if there is one, though that was found on the other side of the probe.
    "Five touches" start where the fewer ones did.
    """
    found = []
    for feature in features:
        before = expect_feature(curve, shop, feature, trials)
        for habit, with_shop, with_feature in _habits(shop, feature):
            if with_feature is None:
                found.append(HabitEffect(feature.name, habit, "not possible", before, before))
            elif (with_shop, with_feature) == (shop, feature):
                found.append(HabitEffect(feature.name, habit, "already so", before, before))
            else:
                after = expect_feature(curve, with_shop, with_feature, trials)
                found.append(HabitEffect(feature.name, habit, "tried", before, after))
    return tuple(found)


def best_habit(effects: Iterable[HabitEffect], feature: str) -> HabitEffect | None:
    """The habit that makes the 95 % error of a feature smallest; None where none surely helps."""
    helping = [effect for effect in effects if effect.feature == feature and effect.helps]
    return max(helping, key=lambda effect: effect.gain_mm, default=None)


def correction_table(
    curve: ProbeCurve, shop: Shop, azimuth_deg: ArrayLike, trials: int = TRIALS
) -> tuple[Correction, ...]:
    """What to take off a touch in each direction, with the spindle at its mark.

    Parameters
    ----------
    curve, shop : ProbeCurve, Shop
    azimuth_deg : array_like, shape (directions,), deg
        Directions of motion.
    trials : int

    Raises
    ------
    StatisticsError
        Without a fixed mark, or where each direction is corrected already.

    Notes
    -----
    The correction is the mean error of an edge. What remains holds scatter, rounding, the orientation,
    the return move and the uncertainty of the correction.
    """
    if shop.orientation != "fixed":
        raise StatisticsError(
            "a table of corrections by direction needs a spindle that stands at a fixed mark"
        )
    if shop.calibration == "per_direction":
        raise StatisticsError("each direction is corrected by the calibration already")
    return tuple(
        _correction(curve, shop, float(azimuth), trials)
        for azimuth in np.atleast_1d(np.asarray(azimuth_deg, dtype=float))
    )


def _correction(curve: ProbeCurve, shop: Shop, azimuth_deg: float, trials: int) -> Correction:
    cycle = cycle_of(edge(azimuth_deg))
    found = moments(cycle, curve, shop)
    mean = float(found.mean_mm.sum())
    errors = draw_errors(cycle, curve, shop, trials) - mean
    largest, standard_error = error95(errors)
    lasting = [LOBING, MEAN, RUNOUT, CALIBRATION]
    # A sum of cancelling covariances may come out a rounding error below 0.
    u_mm = float(np.sqrt(max(found.covariance_mm2[np.ix_(lasting, lasting)].sum(), 0.0)))
    return Correction(azimuth_deg % 360.0, mean, u_mm, largest, standard_error, _left_out(found, curve))


def _summed(feature: Feature, found: Moments, curve: ProbeCurve) -> ClosedForm:
    second = found.second_mm2
    square = float(second.sum())
    # What rounding leaves of causes that all cancel is no error and has no shares.
    if square <= (NIL * found.size_mm.max()) ** 2:
        square = 0.0
    variance = np.maximum(found.covariance_mm2.sum(axis=(0, 1)), 0.0)
    causes = []
    for place, name in enumerate(CAUSES):
        rms = float(np.sqrt(max(second[place, place], 0.0)))
        effect: Literal["adds", "cancels", "absent"] = "adds"
        if found.size_mm[place] == 0:
            effect = "absent"
        elif rms <= NIL * found.size_mm[place]:
            effect = "cancels"
        share = float(second[place].sum() / square) if square > 0 else 0.0
        causes.append(Cause(name, tuple(map(float, found.mean_mm[place])), rms, share, effect))
    return ClosedForm(
        feature=feature.name,
        components=cycle_of(feature).components,
        mean_mm=tuple(map(float, found.mean_mm.sum(axis=0))),
        sd_mm=tuple(map(float, np.sqrt(variance))),
        rms_mm=float(np.sqrt(square)),
        causes=tuple(causes),
        mean_left_out=_left_out(found, curve),
    )


def _left_out(found: Moments, curve: ProbeCurve) -> bool:
    return not curve.mean_known and bool(np.abs(found.mean_weight).max() > NIL)


def _habits(shop: Shop, feature: Feature) -> list[tuple[str, Shop, Feature | None]]:
    """Each habit with the shop and the feature that it makes; None where it can't be."""
    turned = replace(feature, same_side=True) if feature.can_be_same_side else None
    radius = shop if shop.calibration == "per_direction" else replace(shop, calibration="radius")
    each = replace(shop, orientation="fixed", calibration="per_direction")
    return [
        ("fixed mark", replace(shop, orientation="fixed"), feature),
        ("calibrate radius", radius, feature),
        ("calibrate each direction at the mark", each, feature),
        ("same-side touch", shop, turned),
        ("five touches", shop, with_more_touches(feature, MANY_TOUCHES)),
        ("come back one way", replace(shop, return_one_way=True), feature),
    ]
