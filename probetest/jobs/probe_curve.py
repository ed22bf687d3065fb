"""A tested probe as the statistics of setting errors take it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from probetest.errors import ReportError
from probetest.jobs.earlier import EarlierResult, EarlierShape
from probetest.mill import MillSettings
from probetest.statistics.intervals import t_factor
from probetest.statistics.setting_cycles import ProbeCurve

Floats = NDArray[np.float64]

DRAWS = 200
"""Curves that stand for what the test left open."""

SEED = 20260315
"""Seed of those curves: the same result gives the same table."""

FEW_DIRECTIONS = 16
"""Fewer directions leave much of a curve on a worn machine to guess."""

MEAN = "Mean pre-travel"


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
            f"the result of serial '{earlier.serial}' holds no pre-travel curve: one orientation takes 12 "
            "directions or more, evenly spread; an older result must be made anew from its log"
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
    if own is None and 0 < shape.directions < FEW_DIRECTIONS:
        remarks.append(
            f"The curve rests on {shape.directions} directions: between them it may be off by more than is "
            "stated; 25 show it well."
        )
    if own is not None and earlier.separation is not None and earlier.separation.disagreement_mm > 0:
        remarks.append(
            f"The orientations of the test disagree by {1000 * earlier.separation.disagreement_mm:.1f} µm "
            "(sd) beyond the scatter; these figures hold only a part of that."
        )
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
        "value of that machine is in it, and that of yours comes on top."
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
                "test: its reversal values add about a third of their sum to it."
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
            "test less what its reversal value adds on average."
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
            "state runout_mm in the machine file"
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
        "length, and anything that changed since the test."
    )
