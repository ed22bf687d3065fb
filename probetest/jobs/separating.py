"""Several orientations of one stage, put together to tell the probe from the machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series
from probetest.statistics.approach import group_means
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.lobing import Harmonic
from probetest.statistics.separation import Separation, separate, whole_curve
from probetest.statistics.turns import FEWEST_DIRECTIONS, Turn
from probetest.statistics.visits import Visit, VisitScatter, visit_scatter

FAR_BETTER = 0.8
"""Orientations agree better the other way round if the misfit falls below this share."""

FOR_WHOLE_CURVE = 12
"""Fewer directions of one orientation leave what lies between them to guess."""

WAVES = range(2, 7)
"""Orders of the waves that are given of a curve."""

MODE_DECIMALS = 7
"""Decimals of a mode in mm: a tenth of a nanometre is enough for a way to differ."""

MIXED = "probe + this machine"
"""What a figure of one orientation is of."""

ONE_ORIENTATION = (
    "the log holds one orientation of the probe, or none was logged, so that every figure is of probe and "
    "machine together; repeat the test with the probe turned in the spindle to 30, 90 and 210° (column "
    "orientation_deg)"
)


@dataclass(frozen=True, slots=True)
class Separated:
    """What the orientations of a stage say together.

    Attributes
    ----------
    separation : Separation or None
    reason : str
        Why there is none, or no curve in it; empty where the probe's own curve is known.
    left_out : tuple of (float, str)
        Orientations that could not be used, and why.
    stage : str
        Empty without a separation.
    visits : VisitScatter or None
        None where no orientation was left and visited again.
    other_way : bool
        The orientations disagree, but not if they are taken the other way round.
    """

    separation: Separation | None
    reason: str
    left_out: tuple[tuple[float, str], ...] = ()
    stage: str = ""
    visits: VisitScatter | None = None
    other_way: bool = False

    @property
    def known(self) -> Separation | None:
        """The separation where it holds the probe's own curve."""
        return self.separation if self.separation is not None and self.separation.probe is not None else None

    def uses(self, part: Series) -> bool:
        """Whether a series is part of a separation that holds the probe's own curve."""
        known = self.known
        return (
            known is not None and part.stage == self.stage and part.orientation_deg in known.orientations_deg
        )


def separate_stage(parts: Sequence[tuple[Series, Analysis | None]]) -> Separated:
    """Separate the series of one stage.

    Parameters
    ----------
    parts : sequence of (Series, Analysis or None)
        One for each orientation; None where it could not be analysed.
    """
    if len(parts) < 2:
        return Separated(None, ONE_ORIENTATION)
    turns, left_out = [], []
    for part, found in parts:
        reason = why_unusable(found)
        if found is None or reason:
            left_out.append((part.orientation_deg, reason))
        else:
            turns.append(turn_of(part, found))
    try:
        separation = separate(turns)
    except StatisticsError as error:
        return Separated(None, str(error), tuple(left_out))
    return Separated(
        separation=separation,
        reason=separation.reason,
        left_out=tuple(left_out),
        stage=parts[0][0].stage,
        visits=_visit_scatter(parts, separation),
        other_way=not separation.agrees and _other_way(turns, separation),
    )


def _other_way(turns: Sequence[Turn], separation: Separation) -> bool:
    """Whether the orientations agree far better when they are counted clockwise."""
    other = separate([replace(turn, orientation_deg=-turn.orientation_deg) for turn in turns])
    return other.noise_mm < FAR_BETTER * separation.noise_mm


def _visit_scatter(
    parts: Sequence[tuple[Series, Analysis | None]], separation: Separation
) -> VisitScatter | None:
    """Scatter of the centre between visits to an orientation, where one was left and visited again."""
    rank = np.concatenate([part.level["touch"].to_numpy() for part, _ in parts])
    owner = np.repeat(np.arange(len(parts)), [len(part.level) for part, _ in parts])
    order = np.argsort(rank, kind="stable")
    # A visit ends where a touch of another orientation follows.
    number = np.empty(len(rank), dtype=int)
    number[order] = np.cumsum(np.diff(owner[order], prepend=owner[order[0]]) != 0)
    visits: list[Visit] = []
    for place, (part, found) in enumerate(parts):
        if found is None or part.orientation_deg not in separation.orientations_deg:
            continue
        readings, mine = found.readings, number[owner == place]
        azimuth = readings.azimuth_deg[readings.direction]
        means = group_means(readings.reading_mm, readings.direction, len(readings.azimuth_deg))
        apart = readings.reading_mm - means[readings.direction]
        visits.extend(
            Visit(part.orientation_deg, azimuth[mine == one], apart[mine == one]) for one in np.unique(mine)
        )
    runout = separation.runout
    try:
        return visit_scatter(visits, (runout.runout_mm, runout.u_mm))
    except StatisticsError:
        return None


def curve_of(part: Series, found: Analysis) -> CurvePosterior | None:
    """Curve of probe and machine together; None where the directions or the scatter show none."""
    if why_unusable(found) or len(found.readings.azimuth_deg) < FOR_WHOLE_CURVE:
        return None
    try:
        return whole_curve(turn_of(part, found))
    except StatisticsError:
        return None


def why_unusable(found: Analysis | None) -> str:
    """Why a series can't take part; empty where it can."""
    if found is None:
        return "no direction was touched twice"
    if found.readings.fit is None:
        return "its directions give no centre"
    if len(found.readings.azimuth_deg) < FEWEST_DIRECTIONS:
        return f"it has {len(found.readings.azimuth_deg)} directions, at least {FEWEST_DIRECTIONS} are needed"
    return ""


def turn_of(part: Series, found: Analysis) -> Turn:
    """Direction means of a series as one orientation."""
    means, azimuths, counts, sd_mm, dof = found.curve.shape
    fit = found.readings.fit
    centre = fit.centre_mm if fit is not None else (0.0, 0.0)
    return Turn(part.orientation_deg, azimuths, means, counts, centre, sd_mm, dof)


def separated_to_dict(found: Separated) -> dict[str, Any]:
    """What result.json says: ``separation``, null with ``separation_reason`` without one."""
    apart = found.separation
    if apart is None:
        return {"separation": None, "separation_reason": found.reason}
    reversal, runout, same = apart.reversal, apart.runout, apart.same_side
    plain = {
        "stage": found.stage,
        "orientations_deg": list(apart.orientations_deg),
        "left_out": [{"orientation_deg": angle, "reason": reason} for angle, reason in found.left_out],
        "n": apart.n,
        "separability": [{"order": order, "s": share} for order, share in apart.separability],
        "separable_orders": list(apart.separable_orders),
        "blind_orders": list(apart.blind_orders),
        "noise_mm": apart.noise_mm,
        "dof": apart.dof,
        "misfit_p": apart.misfit_p,
        "disagreement_mm": apart.disagreement_mm,
        "agrees_the_other_way_round": found.other_way,
        "probe": _curve(apart.probe, apart.probe_harmonics, apart.reason, whole=True),
        "machine": _curve(apart.machine, apart.machine_harmonics, apart.reason, whole=False),
        "unassigned": harmonics_to_list(apart.unassigned),
        "reversal_mm": None if reversal is None else {"x": reversal.x_mm, "y": reversal.y_mm},
        "reversal_u_mm": None if reversal is None else {"x": reversal.x_u_mm, "y": reversal.y_u_mm},
        **({"reversal_mm_reason": apart.reversal_reason} if reversal is None else {}),
        "runout_mm": runout.runout_mm,
        "runout_u_mm": runout.u_mm,
        "runout_azimuth_deg": runout.azimuth_deg,
        "runout_lower_mm": runout.interval_mm.lower,
        "runout_upper_mm": runout.interval_mm.upper,
        "runout_misfit_p": runout.misfit_p,
        "visits": None
        if found.visits is None
        else {
            "visits": found.visits.visits,
            "orientations": found.visits.orientations,
            "centre_sd_mm": found.visits.sd_mm,
            "lower_mm": found.visits.interval_mm.lower,
            "upper_mm": found.visits.interval_mm.upper,
            "p": found.visits.shown_p,
            "turned_sd_deg": found.visits.turned_sd_deg,
        },
        **({} if found.visits else {"visits_reason": "no orientation was left and visited again"}),
        "same_side": None
        if same is None
        else {
            "pairs": same.pairs,
            "plain_rms_mm": same.plain_rms_mm,
            "turned_rms_mm": same.turned_rms_mm,
            "u_mm": same.u_mm,
        },
        **({} if same else {"same_side_reason": "no two orientations lie 180 deg apart"}),
    }
    return {"separation": plain}


def _curve(
    curve: CurvePosterior | None, harmonics: Sequence[Harmonic], reason: str, *, whole: bool
) -> dict[str, Any]:
    waves = harmonics_to_list(harmonics)
    if curve is None:
        empty = dict.fromkeys(("variation_mm", "lower_mm", "upper_mm"))
        return {**empty, "variation_mm_reason": reason, "harmonics": waves}
    return {**curve_to_dict(curve, whole=whole), "harmonics": waves}


def curve_to_dict(curve: CurvePosterior, *, whole: bool = True) -> dict[str, Any]:
    """A curve over the turn: its variation and first waves, and as a ``whole`` the ways it may differ."""
    interval = curve.interval_mm()
    plain = {
        "variation_mm": curve.variation_mm,
        "lower_mm": interval.lower,
        "upper_mm": interval.upper,
        "dof": curve.dof,
        "shown_p": curve.shown_p,
        "waves": harmonics_to_list([curve.wave(order) for order in WAVES]),
    }
    if not whole:
        return plain
    modes = [[round(float(value), MODE_DECIMALS) for value in mode] for mode in curve.modes_mm()]
    return {
        **plain,
        "azimuth_deg": [float(angle) for angle in curve.azimuth_deg],
        "curve_mm": [float(value) for value in curve.mean_mm],
        "curve_u_mm": [float(value) for value in curve.u_mm],
        "modes_mm": modes,
    }


def harmonics_to_list(waves: Sequence[Harmonic]) -> list[dict[str, Any]]:
    """Waves as result.json lists them."""
    return [
        {
            "order": wave.order,
            "amplitude_mm": wave.amplitude_mm,
            "phase_deg": wave.phase_deg,
            "u_mm": wave.u_mm,
            "p": wave.p_value,
        }
        for wave in waves
    ]
