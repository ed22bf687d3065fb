"""Sudden steps of the centre of the readings: a seat tilted by a particle, or a loose stylus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.contact_step_fit import LEAST_DIRECTIONS, LEAST_DOF, SIDE, StepFit, StepTouches
from probetest.statistics.intervals import Interval, t_factor

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Kind = Literal["none", "untold", "tilted", "loose_stylus", "either"]

RISK = 0.002
"""Of finding a step in a test that has none."""

AGREES, OFF, TELLING = 0.05, 0.01, 0.3
"""Steps agree with an axis above the first p-value and are off it below the second; agreement tells where
random directions would agree less often than the third."""


@dataclass(frozen=True, slots=True)
class CentreStep:
    """One step of the centre of the readings.

    Attributes
    ----------
    after_touch : float
        Order of the last touch before the step.
    after_interval : Interval
        95 %, of the same; looked for among the 2 ``SIDE`` touches to each side, infinite if none will do.
    shift_mm : tuple of float
        x and y of the centre after less before, in the axes of the machine.
    covariance_mm2 : tuple of float
        Variance of x, covariance, variance of y.
    length_mm, length_interval : float, Interval
        Of the shift, 95 %. Steps that are hardly found come out too long.
    direction_deg, direction_u_deg : float
        Of the shift, in [0, 360), and its standard error.
    level_mm, level_u_mm : float
        Step of all readings alike, and its standard error.
    p_value : float
        Bound of the chance of so clear a step, at any time, in a test without this one.
    shape_p : float
        Chance that directions differ so much beyond centre and level in what steps here; NaN: not seen.
    n_before, n_after, sd_before_mm, sd_after_mm : int, float
        Touches to the next step or end of the test, and their scatter.
    """

    after_touch: float
    after_interval: Interval
    shift_mm: tuple[float, float]
    covariance_mm2: tuple[float, float, float]
    length_mm: float
    length_interval: Interval
    direction_deg: float
    direction_u_deg: float
    level_mm: float
    level_u_mm: float
    p_value: float
    shape_p: float
    n_before: int
    n_after: int
    sd_before_mm: float
    sd_after_mm: float


@dataclass(frozen=True, slots=True)
class CentreSteps:
    """Steps that were found, in the order of the touches.

    Attributes
    ----------
    steps : tuple of CentreStep
    reason : str
        Why steps can't be told, or "".
    n, dof : int
        Touches; degrees of freedom of ``residual_sd_mm``.
    residual_sd_mm, residual_sd_without_mm : float
        Scatter beside directions, drift and steps, and the same without steps; NaN: not told.
    next_p : float
        Bound of the chance for the clearest step that was not taken; NaN where none was looked for.
    least_mm : float
        Length of a step found with 90 %, at the worst time of the middle half of the test and along the
        axis that shows least; NaN where no time there can be tried.
    correlation : float
        Of neighbouring touches, allowed for; 0 where none is shown.
    far_touches : tuple of float
        Order of touches so far off that they had no say.
    risk : float
        Below which p-values show a step.
    """

    steps: tuple[CentreStep, ...]
    reason: str
    n: int
    dof: int
    residual_sd_mm: float
    residual_sd_without_mm: float
    next_p: float
    least_mm: float
    correlation: float
    far_touches: tuple[float, ...]
    risk: float

    @property
    def told(self) -> bool:
        """Whether steps can be told from directions and drift."""
        return not self.reason


@dataclass(frozen=True, slots=True)
class StepsJudged:
    """What steps of the centre speak for.

    Attributes
    ----------
    kind : str
        "tilted": all along the axis of one arm, which random directions would seldom be. "loose_stylus":
        no arm's axis holds all. "either": can't be told. "none": no steps. "untold": none can be told.
    arm : int or None
        0, 1 or 2, whose axis fits best; None without steps.
    arm_p : tuple of float
        For each arm: chance of directions so far off its axis if all steps lay along it.
    off_deg : tuple of float
        Of each step from the axis of ``arm``, in (-90, 90], counter-clockwise.
    motion : tuple of str
        Of each step: "coming" if it is a particle under ``arm`` that comes, or "leaving".
    chance : float
        Chance that random directions would agree with one arm; 1 without steps.
    reason : str
        Why it can't be told, or "".
    """

    kind: Kind
    arm: int | None
    arm_p: tuple[float, float, float]
    off_deg: tuple[float, ...]
    motion: tuple[Literal["coming", "leaving"], ...]
    chance: float
    reason: str


def find_centre_steps(
    reading_mm: ArrayLike,
    direction: ArrayLike,
    azimuth_deg: ArrayLike,
    order: ArrayLike,
    *,
    most: int = 3,
    risk: float = RISK,
) -> CentreSteps:
    """Look for sudden steps of the centre of the readings of one orientation.

    Parameters
    ----------
    reading_mm, direction, order : array_like, shape (touches,)
        Reading along the approach (mm), index of its direction, touch number or time (no two alike).
    azimuth_deg : array_like, shape (directions,), deg
        In which the stylus moves, counter-clockwise from +X of the machine.
    most : int
        Steps to look for, 1 to 10.
    risk : float
        Of finding a step that is none, each time one is looked for; 0.00001 to 0.1.

    Returns
    -------
    CentreSteps

    Raises
    ------
    StatisticsError
        With arrays that don't fit one another, values that are not finite, or orders that are alike.

    Notes
    -----
    A step adds x cos(azimuth) + y sin(azimuth) to all later readings. Beside it are fitted: direction
    means, cubic and two exponentials of the level, parabola of the centre, a step of the level at the same
    time (no part of the test: drift would cause false alarms), steps found before. Each time has an F-test
    of x and y, or what is left of F with the scatter of each direction, the smaller. The chance of the
    largest is at most the sum of the single chances less those of each time and the next together [1]_,
    here of normal variables with the same tail and correlation. Residuals are clipped [2]_; alike
    neighbours are whitened. The interval of the time is a likelihood ratio [3]_.

    A drift of the centre is free: a step in the middle leaves only 1/4 of its squares beside the straight
    line that is likest it. No method that allows for such a drift finds one of 1.5 sd in 240 touches
    with more than 89 %.

    References
    ----------
    .. [1] D. Hunter, "An upper bound for the probability of a union", J. Appl. Prob. 13 (1976) 597-603.
    .. [2] P. J. Huber, "Robust Statistics", Wiley (1981), section 7.
    .. [3] B. E. Hansen, "Sample splitting and threshold estimation", Econometrica 68 (2000) 575-603.
    """
    test = StepTouches(*_checked(reading_mm, direction, azimuth_deg, order))
    if not 1 <= most <= 10 or not 0.00001 <= risk <= 0.1:
        raise StatisticsError(
            f"a search needs 1 to 10 steps and a risk of 0.00001 to 0.1, but got {most} and {risk}"
        )
    known: dict[int, float] = {}
    first = fit = StepFit(test, [])
    next_p = least = float("nan")
    while not fit.reason and fit.dof >= LEAST_DOF + 3:
        scan = fit.search()
        if not len(scan.times):
            break
        least = least if known else scan.detectable(risk, fit.touch_sd)
        time, chance = scan.best()
        if not chance < risk or len(known) == most:
            next_p = chance
            break
        known[StepFit(test, [*known, time]).likeliest(time)] = chance
        fit = StepFit(test, known)
    for time in list(known):
        better = fit.likeliest(time)
        known[better] = known.pop(time)
        fit = fit if better == time else StepFit(test, known)
    reason = first.reason
    if not reason and not known and np.isnan(next_p):
        reason = (
            "direction means and drift can't be told from a step of the centre: directions must be touched "
            f"in turn, at least {LEAST_DIRECTIONS} of them before and after a step, and {SIDE} touches"
        )
    return CentreSteps(
        steps=_described(fit, known) if known else (),
        reason=reason,
        n=len(test.values),
        dof=max(fit.dof, 0),
        residual_sd_mm=float("nan") if reason else fit.touch_sd,
        residual_sd_without_mm=float("nan") if reason else first.touch_sd,
        next_p=next_p,
        least_mm=least,
        correlation=fit.correlation,
        far_touches=tuple(float(o) for o in test.orders[fit.far]),
        risk=risk,
    )


def judge_steps(
    steps: CentreSteps, arm_azimuth_deg: float, orientation_deg: float, *, arm_u_deg: float
) -> StepsJudged:
    """Judge whether steps of the centre lie along the axis of one arm of the seat.

    Parameters
    ----------
    steps : CentreSteps
    arm_azimuth_deg, orientation_deg : float
        Azimuth of arm 0 in the body of the probe, arms 1 and 2 follow at 120 deg; probe in the spindle.
    arm_u_deg : float
        Standard error of the azimuth of the arms, >= 0.

    Returns
    -------
    StepsJudged

    Raises
    ------
    StatisticsError
        With angles that are not finite or ``arm_u_deg`` < 0.

    Notes
    -----
    A particle under the ball of an arm moves the stylus tip towards the azimuth of the arm, and the centre
    of the readings to the other side, by about height * stylus length / (1.5 * seat radius). Angles off
    an axis are judged by a chi-square with the errors of the directions and the shared one of the arms.
    For random directions they are even over 180 deg: they agree with three times the volume of the
    ellipsoid over 180 deg to the number of steps. A particle that moves from arm to arm, or two under
    two arms, look like a loose stylus.
    """
    if not np.isfinite([arm_azimuth_deg, orientation_deg]).all() or not 0 <= arm_u_deg < np.inf:
        raise StatisticsError(
            f"arms need finite angles and a standard error >= 0, but got {arm_azimuth_deg}, "
            f"{orientation_deg} and {arm_u_deg}"
        )
    if not steps.steps:
        kind: Kind = "none" if steps.told else "untold"
        return StepsJudged(kind, None, (1.0, 1.0, 1.0), (), (), 1.0, steps.reason)
    found = np.array([step.direction_deg for step in steps.steps])
    covariance = np.diag([step.direction_u_deg**2 for step in steps.steps]) + arm_u_deg**2
    arms = arm_azimuth_deg + orientation_deg + np.array([0.0, 120.0, 240.0])
    off = 90.0 - (90.0 - (found - arms[:, None])) % 180.0
    n = len(found)
    arm_p = special.chdtrc(n, (off * np.linalg.solve(covariance, off.T).T).sum(axis=1))
    arm = int(arm_p.argmax())
    reach = np.pi ** (n / 2) / special.gamma(n / 2 + 1) * special.chdtri(n, AGREES) ** (n / 2)
    chance = float(min(1.0, 3 * reach * np.sqrt(np.linalg.det(covariance)) / 180.0**n))
    kind, reason = "tilted", ""
    if any(step.shape_p < OFF for step in steps.steps):
        kind, reason = "either", "directions stepped in a way that a shift of the centre does not explain"
    elif arm_p[arm] < OFF:
        kind = "loose_stylus"
    elif arm_p[arm] < AGREES:
        kind, reason = "either", "the steps are neither clearly along one arm nor clearly off all"
    elif not chance < TELLING:
        kind, reason = "either", f"random directions would agree with an arm with a chance of {chance:.0%}"
    towards = np.cos(np.deg2rad(found - arms[arm])) > 0
    return StepsJudged(
        kind=kind,
        arm=arm,
        arm_p=(float(arm_p[0]), float(arm_p[1]), float(arm_p[2])),
        off_deg=tuple(float(o) for o in off[arm]),
        motion=tuple("leaving" if t else "coming" for t in towards),
        chance=chance,
        reason=reason,
    )


def _described(fit: StepFit, known: dict[int, float]) -> tuple[CentreStep, ...]:
    """The known steps as they come out of one common fit."""
    test, n = fit.test, len(fit.residual)
    values, covariance = fit.values()
    scatter = fit.residual * np.sqrt(n / fit.dof / (1 - fit.correlation**2))
    ends = [0, *fit.known, n]
    steps = []
    for place, time in enumerate(fit.known):
        level, shift = float(values[place, 0]), values[place, 1:]
        own = covariance[3 * place : 3 * place + 3, 3 * place : 3 * place + 3]
        length = float(np.linalg.norm(shift))
        frame = np.array([shift, [-shift[1], shift[0]]]) / length
        along, across = np.sqrt(np.diag(frame @ own[1:, 1:] @ frame.T))
        half = t_factor(fit.dof) * float(along)
        parts = scatter[ends[place] : time], scatter[time : ends[place + 2]]
        steps.append(
            CentreStep(
                after_touch=float(test.orders[time - 1]),
                after_interval=fit.after_interval(time),
                shift_mm=(float(shift[0]), float(shift[1])),
                covariance_mm2=(float(own[1, 1]), float(own[1, 2]), float(own[2, 2])),
                length_mm=length,
                length_interval=Interval(max(length - half, 0.0), length + half),
                direction_deg=float(np.rad2deg(np.arctan2(shift[1], shift[0])) % 360.0),
                direction_u_deg=float(np.rad2deg(across / length)),
                level_mm=level,
                level_u_mm=float(np.sqrt(own[0, 0])),
                p_value=known[time],
                shape_p=fit.shape_p(time),
                n_before=len(parts[0]),
                n_after=len(parts[1]),
                sd_before_mm=float(np.sqrt((parts[0] ** 2).mean())),
                sd_after_mm=float(np.sqrt((parts[1] ** 2).mean())),
            )
        )
    return tuple(steps)


def _checked(
    reading_mm: ArrayLike, direction: ArrayLike, azimuth_deg: ArrayLike, order: ArrayLike
) -> tuple[Floats, Indices, Floats, Floats]:
    readings, azimuths, orders = (np.asarray(v, dtype=float) for v in (reading_mm, azimuth_deg, order))
    index = np.asarray(direction)
    if readings.ndim != 1 or not readings.shape == index.shape == orders.shape or len(readings) < 2:
        raise StatisticsError(
            "steps need a reading, a direction and an order of each of 2 or more touches, but got shapes "
            f"{readings.shape}, {index.shape} and {orders.shape}"
        )
    if not all(np.isfinite(v).all() for v in (readings, azimuths, orders)):
        raise StatisticsError("steps need readings, azimuths and orders that are finite")
    last = azimuths.size - 1
    if azimuths.ndim != 1 or index.dtype.kind not in "iu" or not 0 <= index.min() <= index.max() <= last:
        raise StatisticsError(f"directions must be whole numbers from 0 to {last}")
    if len(np.unique(orders)) < len(orders):
        raise StatisticsError("two touches have the same order")
    return readings, index.astype(np.intp), azimuths, orders
