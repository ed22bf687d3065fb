"""Uncertainty budgets of the headline figures of one series."""

from __future__ import annotations

import numpy as np

from probetest.jobs.analysis import Analysis
from probetest.statistics.approach import unit_vectors
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.separation import Separation
from probetest.statistics.sight import mean_error_share
from probetest.statistics.uncertainty import Budget, Component, combine, rectangular
from probetest.statistics.variation import Variation
from probetest.triggers import BALL_U_MM, Artefact, Stylus, TestRecord

LEAST_PRETRAVEL_MM, LARGEST_PRETRAVEL_MM = -0.1, 1.0
"""A mean pre-travel outside of these is a wrong diameter or unit (common practice, no source)."""

KNOWN = float("inf")
ROOT_12 = float(np.sqrt(12))


def zero_reading_mm(artefact: Artefact | None, stylus: Stylus | None) -> tuple[float | None, str]:
    """Reading at which a rigid probe would trigger, or why it isn't known.

    Returns
    -------
    tuple of (float or None, str)
        Half the diameter of the ring less that of the ball; for a sphere or boss minus half of
        their sum, for the reading is negative there. The reason is empty where it is known.
    """
    if artefact is None or not artefact.is_round:
        return None, "mean pre-travel needs a calibrated ring, sphere or boss; the log states none"
    if artefact.diameter_mm is None or artefact.u_mm is None:
        return None, "mean pre-travel needs the calibrated diameter of the artefact and its uncertainty u_mm"
    if stylus is None or stylus.ball_diameter_mm is None:
        return None, "mean pre-travel needs the diameter of the stylus ball"
    if artefact.kind == "ring":
        return (artefact.diameter_mm - stylus.ball_diameter_mm) / 2, ""
    return -(artefact.diameter_mm + stylus.ball_diameter_mm) / 2, ""


def zero_u_mm(artefact: Artefact | None, stylus: Stylus | None) -> float:
    """Standard uncertainty of that reading: half of those of the two diameters."""
    artefact_u = artefact.u_mm if artefact is not None and artefact.u_mm is not None else 0.0
    ball_u = stylus.ball_u_mm if stylus is not None and stylus.ball_u_mm is not None else BALL_U_MM
    return float(np.hypot(artefact_u, ball_u)) / 2


def form_u_mm(artefact: Artefact | None) -> float:
    """Standard uncertainty of the variation by the stated form of the artefact; 0 where none is."""
    return rectangular(artefact.form_mm) if artefact is not None and artefact.form_mm else 0.0


def make_budgets(
    found: Analysis, record: TestRecord, mean_pretravel_mm: float | None, apart: Separation | None
) -> tuple[Budget, ...]:
    """Budgets of pooled sd, pre-travel variation and mean pre-travel, as far as they are given.

    Parameters
    ----------
    found : Analysis
    record : TestRecord
    mean_pretravel_mm : float or None
    apart : Separation or None
        For the variation of the probe alone.
    """
    budgets = []
    if found.repeatability.resolved:
        budgets.append(_scatter(found))
    if found.variation is not None:
        budgets.append(_variation(found, found.variation, record.artefact))
    if apart is not None and apart.probe is not None:
        budgets.append(_own_variation(apart, apart.probe))
    if mean_pretravel_mm is not None:
        budgets.append(_mean(found, record, mean_pretravel_mm))
    return tuple(budgets)


def _resolution(found: Analysis, share: float, basis: str) -> list[Component]:
    """Rounding, where it is not part of the observed scatter already."""
    if found.repeatability.resolved:
        return []
    return [Component("resolution", "B", share * found.resolution.step_mm / ROOT_12, KNOWN, basis)]


def _scatter(found: Analysis) -> Budget:
    spread = found.repeatability
    dof = spread.effective_dof
    part = Component(
        "limited number of touches", "A", spread.sd_mm / float(np.sqrt(2 * dof)), dof,
        f"sd / root(2 dof), {dof:.0f} dof; rounding is part of the scatter",
    )  # fmt: skip
    return combine("Repeatability (pooled sd)", spread.sd_mm, [part])


def _variation(found: Analysis, variation: Variation, artefact: Artefact | None) -> Budget:
    parts = [
        Component(
            "scatter of the means, with the centre", "A", variation.interval_mm.half_width / 1.96,
            found.repeatability.dof, "95 % interval / (2 × 1.96)",
        ),
        *_resolution(found, float(np.sqrt(2)), "two means, rounded alike in each touch"),
    ]  # fmt: skip
    if form_u_mm(artefact):
        parts.append(
            Component("form of the artefact", "B", form_u_mm(artefact), KNOWN, "± stated form, rectangular")
        )
    return combine("Pre-travel variation", variation.variation_mm, parts)


def _own_variation(apart: Separation, own: CurvePosterior) -> Budget:
    spans = [span for span, _ in own.spans_mm]
    orders = ", ".join(str(order) for order in apart.blind_orders)
    parts = [
        Component(
            "scatter of the means, with the machine's curve", "A", own.spans_mm[0][1], own.dof,
            f"posterior of the curve, n = {apart.n}",
        ),
    ]  # fmt: skip
    if orders:
        parts.append(
            Component(
                f"orders {orders}, not told from the machine", "B",
                rectangular(max(max(spans) - spans[0], spans[0] - min(spans))), KNOWN, "all, some or none",
            )
        )  # fmt: skip
    return combine("Pre-travel variation of the probe alone", own.variation_mm, parts)


def _mean(found: Analysis, record: TestRecord, mean_pretravel_mm: float) -> Budget:
    spread, stylus, artefact = found.repeatability, record.stylus, record.artefact
    stated = stylus is not None and stylus.ball_u_mm is not None
    ball_u = stylus.ball_u_mm if stylus is not None and stylus.ball_u_mm is not None else BALL_U_MM
    artefact_u = artefact.u_mm if artefact is not None and artefact.u_mm is not None else 0.0
    azimuth = found.readings.azimuth_deg
    design = np.column_stack([np.ones(len(azimuth)), unit_vectors(azimuth)])
    covariance = np.linalg.inv(design.T @ (design * found.counts[:, None]))
    size = found.seat.variation_mm if found.seat is not None and found.seat.shown else 0.0
    if found.variation is not None:
        size = max(size, found.variation.raw_mm)
    parts = [
        Component(
            "scatter, with the centre", "A", found.noise_mm * float(np.sqrt(covariance[0, 0])), spread.dof,
            f"least squares, n = {spread.n}",
        ),
        Component(
            "lobing that the directions fold into it", "B",
            rectangular(mean_error_share(azimuth) * size), KNOWN, "worst arm azimuth, rectangular",
        ),
        *_resolution(found, 1.0, "does not average out, rectangular"),
        Component("diameter of the artefact", "B", artefact_u / 2, KNOWN, "half of the stated u"),
        Component(
            "diameter of the ball", "B", ball_u / 2, KNOWN,
            "half of the stated u" if stated
            else f"not stated: {BALL_U_MM} mm assumed (common practice, no source)",
        ),
    ]  # fmt: skip
    if found.drift is not None:
        parts.append(
            Component("drift over the test", "B", found.drift.size_mm / ROOT_12, KNOWN, "rectangular")
        )
    return combine("Mean pre-travel", mean_pretravel_mm, parts)
