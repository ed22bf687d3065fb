"""Whether a probe still triggers at the same place after an overtravel, a service or a storage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probetest.errors import StatisticsError
from probetest.statistics.intervals import check_level
from probetest.statistics.reseat_directions import (
    BracketDrift,
    DirectionShift,
    bracket_drift,
    direction_shifts,
)
from probetest.statistics.reseat_parts import ShiftParts, shift_parts
from probetest.statistics.reseat_settling import Settling, settling
from probetest.statistics.reseat_shift import (
    SeriesMeans,
    Shifts,
    paired_shifts,
    series_means,
)
from probetest.statistics.reseat_spread import (
    SpreadChange,
    VariationChange,
    spread_change,
    variation_change,
)
from probetest.statistics.reseat_verdict import FIT_RISK, Judge, touches_to_decide

Floats = NDArray[np.float64]

ReseatVerdict = Literal["within the margin", "beyond the margin", "can't tell"]
ShownBy = Literal["each direction", "rigid seat", ""]


@dataclass(frozen=True, slots=True)
class Reseat:
    """A stage held against its baseline.

    Attributes
    ----------
    directions : tuple of DirectionShift
        Those in all series, by azimuth.
    only_baseline_deg, only_stage_deg : tuple of float
        Directions that lack a partner; with a repeated baseline, all that lack it in the stage or in
        the baseline before or after. Not covered by the verdict.
    shifts : Shifts
        Of level and centre too, whatever the clamping.
    parts : ShiftParts or None
    parts_reason : str
    mean_mm, mean_u_mm : float
        Mean shift over directions.
    drift : BracketDrift or None
        None without a repeated baseline; level, and in part all else, hold the drift then.
    scatter : SpreadChange or None
    scatter_reason : str
    variation : VariationChange or None
    variation_reason : str
    settling : Settling
    verdict : str
    shown_by : str
        What a "within the margin" rests on; empty otherwise.
    hides_mm : float
        Largest limit of a single direction: an isolated direction may have moved by so much.
    margin_mm, risk : float
    same_clamping : bool
    touches_if_none, touches_if_as_seen : int or None
        About how many touches a direction, in each series of a new test, decide with a chance of 90 %
        where the seat did not move, or moved as seen; None where that can't be said, or was not asked.
    notes : tuple of str
        What the verdict presumes and does not cover.
    """

    directions: tuple[DirectionShift, ...]
    only_baseline_deg: tuple[float, ...]
    only_stage_deg: tuple[float, ...]
    shifts: Shifts
    parts: ShiftParts | None
    parts_reason: str
    mean_mm: float
    mean_u_mm: float
    drift: BracketDrift | None
    scatter: SpreadChange | None
    scatter_reason: str
    variation: VariationChange | None
    variation_reason: str
    settling: Settling
    verdict: ReseatVerdict
    shown_by: ShownBy
    hides_mm: float
    margin_mm: float
    risk: float
    same_clamping: bool
    touches_if_none: int | None
    touches_if_as_seen: int | None
    notes: tuple[str, ...]


def reseat(
    baseline_mm: ArrayLike,
    baseline_direction: ArrayLike,
    stage_mm: ArrayLike,
    stage_direction: ArrayLike,
    azimuth_deg: ArrayLike,
    *,
    margin_mm: float = 0.003,
    same_clamping: bool = True,
    after_mm: ArrayLike | None = None,
    after_direction: ArrayLike | None = None,
    scatter_margin: float = 1.5,
    first_touches: int = 5,
    step_mm: float = 0.0,
    risk: float = 0.05,
    level: float = 0.95,
    plan: bool = True,
) -> Reseat:
    """Shift of the trigger from a baseline to a stage, direction by direction.

    Parameters
    ----------
    baseline_mm, stage_mm : array_like, shape (touches,), mm
        Readings along the approach in test order, all about ONE centre, that of the baseline: a centre of
        its own would take a displaced seat away. Larger is a later trigger.
    baseline_direction, stage_direction : array_like of int, shape (touches,)
        Index into ``azimuth_deg``.
    azimuth_deg : array_like, shape (directions,), deg
    margin_mm : float
        Greatest shift allowed in any direction, > 0.
    same_clamping : bool
        False where the probe or the artefact was taken out in between: level and centre are then those
        of the holder and the artefact too, and only what is left is judged.
    after_mm, after_direction : array_like, optional
        Baseline repeated after the stage. A steady drift is taken out: the shift is that against
        the mean of both.
    scatter_margin : float
        Ratio of scatter that would matter, > 1.
    first_touches : int
        Touches of the stage in which a seat may settle.
    step_mm : float
        Step of the readings, 0 if fine.
    risk : float
        Of a wrong "within" and of a wrong "beyond" at the margin, each; below 0.5.
    level : float
        Two-sided level of the intervals.
    plan : bool
        Whether an open verdict is to say how many touches would decide.

    Returns
    -------
    Reseat

    Raises
    ------
    StatisticsError
        Where the arrays don't fit together, no direction is in all series, or no scatter is shown.

    Notes
    -----
    "within the margin" holds in every direction tested, |true shift| <= margin. It is shown by two
    one-sided tests of each direction, none corrected (intersection-union). Or, with far fewer touches,
    as the shift of a rigid seat: in each direction |level and centre|, with its one-sided limit, plus the
    upper limit of the rms of what they leave, keeps the margin; the fit is not refused at 5 %; and no
    direction scatters more than the rest. That presumes that no isolated direction moved alone;
    ``hides_mm`` says by how much one could have. "beyond the margin" presumes nothing: a direction, a
    sector or the mean of all is beyond it, all of them together at the risk. See
    `probetest.statistics.reseat_verdict`.
    Shift and drift between the series are one without a repeated baseline.

    Examples
    --------
    >>> azimuth = [0.0, 90.0, 180.0, 270.0]
    >>> touched = [0, 1, 2, 3] * 3
    >>> scatter = 0.0001 * np.array([1, -1, 0, 1, 0, 1, -1, -1, -1, 0, 1, 0])
    >>> found = reseat(scatter, touched, scatter[::-1] + 0.001, touched, azimuth, margin_mm=0.002)
    >>> found.verdict, found.shown_by, round(found.mean_mm, 4)
    ('within the margin', 'each direction', 0.001)
    """
    check_level(level)
    if not margin_mm > 0 or not 0 < risk < 0.5:
        raise StatisticsError(f"margin {margin_mm} mm and risk {risk} must be above 0, the risk below 0.5")
    if (after_mm is None) != (after_direction is None):
        raise StatisticsError("a repeated baseline needs readings and directions")
    azimuths = np.asarray(azimuth_deg, dtype=float)
    before = series_means(baseline_mm, baseline_direction, azimuths)
    stage = series_means(stage_mm, stage_direction, azimuths)
    after = None
    if after_mm is not None and after_direction is not None:
        after = series_means(after_mm, after_direction, azimuths)
    shifts = paired_shifts(before, stage, azimuths, after=after, step_mm=step_mm)
    parts, parts_reason = _parts(shifts, level)
    judge = Judge(
        shifts.azimuth_deg, shifts.covariance, shifts.dof, shifts.pooled_dof, margin_mm, risk,
        only_shape=not same_clamping,
    )  # fmt: skip
    found = judge.judge(shifts.shift_mm[None, :])
    verdict: ReseatVerdict = "can't tell"
    shown_by: ShownBy = ""
    if found.beyond[0]:
        verdict = "beyond the margin"
    elif found.each_shown[0]:
        verdict, shown_by = "within the margin", "each direction"
    elif found.rigid_shown[0] and not shifts.unequal_scatter:
        verdict, shown_by = "within the margin", "rigid seat"
    size = judge.take @ shifts.shift_mm
    lone = np.isin(np.arange(len(azimuths)), shifts.place, invert=True)
    reference = before.mean_mm if after is None else (before.mean_mm + after.mean_mm) / 2
    scatter, scatter_reason = _scatter(before, stage, scatter_margin, risk, level)
    variation, variation_reason = _variation(reference, stage, shifts, level)
    weight = np.full(len(size), 1 / len(size))
    planned: tuple[int | None, int | None] = (None, None)
    if plan and verdict == "can't tell":
        planned = _planned(shifts, parts, judge, margin_mm, risk)
    only_baseline = tuple(azimuths[lone & (before.counts > 0)].tolist())
    only_stage = tuple(azimuths[lone & (stage.counts > 0)].tolist())
    return Reseat(
        directions=direction_shifts(shifts, size, judge, before, stage, level),
        only_baseline_deg=only_baseline,
        only_stage_deg=only_stage,
        shifts=shifts,
        parts=parts,
        parts_reason=parts_reason,
        mean_mm=float(weight @ shifts.shift_mm),
        mean_u_mm=float(np.sqrt(weight @ shifts.covariance @ weight)),
        drift=None if after is None else bracket_drift(before, after, azimuths, step_mm, level),
        scatter=scatter,
        scatter_reason=scatter_reason,
        variation=variation,
        variation_reason=variation_reason,
        settling=settling(stage, azimuths, first_touches, level),
        verdict=verdict,
        shown_by=shown_by,
        hides_mm=float((np.abs(size) + judge.one_sided * judge.u).max()),
        margin_mm=margin_mm,
        risk=risk,
        same_clamping=same_clamping,
        touches_if_none=planned[0],
        touches_if_as_seen=planned[1],
        notes=_notes(shifts, parts, shown_by, lone.sum(), same_clamping, after is None, judge.rest),
    )


def _parts(shifts: Shifts, level: float) -> tuple[ShiftParts | None, str]:
    try:
        return shift_parts(shifts, level), ""
    except StatisticsError as error:
        return None, str(error)


def _scatter(
    before: SeriesMeans, stage: SeriesMeans, margin: float, risk: float, level: float
) -> tuple[SpreadChange | None, str]:
    if not margin > 1:
        raise StatisticsError(f"a ratio of deviations that matters must be above 1, but got {margin}")
    try:
        return spread_change(before, stage, margin=margin, risk=risk, level=level), ""
    except StatisticsError as error:
        return None, str(error)


def _variation(
    reference_mm: Floats, stage: SeriesMeans, shifts: Shifts, level: float
) -> tuple[VariationChange | None, str]:
    place = shifts.place
    try:
        return variation_change(reference_mm[place], stage.mean_mm[place], shifts, level), ""
    except StatisticsError as error:
        return None, str(error)


def _planned(
    shifts: Shifts, parts: ShiftParts | None, judge: Judge, margin_mm: float, risk: float
) -> tuple[int | None, int | None]:
    """Touches of a new test with as many in baseline and stage, scatter as found."""
    if judge.only_shape and judge.rest < 1:
        return None, None
    seen = shifts.shift_mm
    if parts is not None and parts.shape_p >= FIT_RISK:
        seen = parts.rigid_mm
    count = len(seen)
    # Variance of one touch against one, from the error that the touches at hand have left.
    variance = float(np.mean(np.diag(shifts.covariance) * shifts.counts))
    per_touch = max(1.0, shifts.pooled_dof / max(1.0, float(shifts.counts.mean()) - 1))
    needed = [
        touches_to_decide(
            shifts.azimuth_deg, truth, variance, per_touch, margin_mm, risk, only_shape=judge.only_shape
        )
        for truth in (np.zeros(count), seen)
    ]
    return needed[0], needed[1]


def _notes(
    shifts: Shifts,
    parts: ShiftParts | None,
    shown_by: ShownBy,
    lone: int,
    same_clamping: bool,
    unbracketed: bool,
    rest: int,
) -> tuple[str, ...]:
    notes = ["directions that were not tested are not covered"]
    if lone:
        notes.append(f"{lone} direction(s) were not touched in every series and are not covered")
    if shown_by == "rigid seat":
        notes.append("presumes that the seat moved as a body or by sectors, not in one direction alone")
    if not same_clamping:
        notes.append(
            "level and centre were taken out: after another clamping those of the seat can't be told from "
            "those of the holder and the artefact"
            if rest > 0
            else "nothing is left beside level and centre, which another clamping changes; touch from more "
            "than 3 directions"
        )
    if unbracketed:
        notes.append("a drift between the series counts as a shift; a baseline repeated after it would tell")
    if parts is not None and parts.shape_p < FIT_RISK and same_clamping:
        notes.append("the shifts are not those of a seat that moved as a body")
    if shifts.unequal_scatter:
        notes.append("a direction scatters more than the rest: no rigid seat is presumed")
    if shifts.borrowed_scatter:
        notes.append("a series without repeats was given the scatter of the others")
    return tuple(notes)
