"""Uncertainty budgets of the headline figures of one series."""

from __future__ import annotations

import numpy as np

from probetest.jobs.analysis import Analysis
from probetest.statistics.lobing import Variation
from probetest.statistics.uncertainty import Budget, Component, combine, rectangular
from probetest.triggers import Artefact, Stylus, TestRecord

BALL_U_MM = 0.0005
"""Standard uncertainty of a stylus ball whose uncertainty is not stated (common practice, no source)."""

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


def make_budgets(found: Analysis, record: TestRecord, mean_pretravel_mm: float | None) -> tuple[Budget, ...]:
    """Budgets of the pooled sd, the pre-travel variation and the mean pre-travel, as far as they are given.

    Parameters
    ----------
    found : Analysis
    record : TestRecord
    mean_pretravel_mm : float or None
    """
    budgets = []
    spread, step = found.repeatability, found.resolution.step_mm
    if spread.resolved:
        rounding = float(np.hypot(spread.sd_mm, step / ROOT_12)) - spread.sd_mm
        budgets.append(
            combine(
                "Repeatability, pooled sd",
                spread.sd_mm,
                [
                    Component(
                        "limited number of touches", "A", spread.sd_mm / float(np.sqrt(2 * spread.dof)),
                        spread.dof, f"sd / root(2 dof), {spread.dof} dof",
                    ),
                    Component("resolution", "B", rounding, KNOWN, f"rounding to {step:.4g} mm"),
                ],
            )
        )  # fmt: skip
    if found.variation is not None:
        budgets.append(_variation(found, found.variation, record.artefact))
    if mean_pretravel_mm is not None and record.artefact is not None:
        budgets.append(_mean(found, record, mean_pretravel_mm))
    return tuple(budgets)


def _variation(found: Analysis, variation: Variation, artefact: Artefact | None) -> Budget:
    per_mean = 1.0 if not found.repeatability.resolved else 1 / float(np.sqrt(found.counts.mean()))
    step = found.resolution.step_mm
    parts = [
        Component(
            "scatter of the means, with the centre", "A", variation.interval_mm.half_width / 1.96,
            found.repeatability.dof, "95 % interval / (2 x 1.96), by simulation",
        ),
        Component(
            "resolution", "B", float(np.sqrt(2)) * step / ROOT_12 * per_mean, KNOWN,
            f"two means, step {step:.4g} mm",
        ),
    ]  # fmt: skip
    if artefact is not None and artefact.form_mm is not None:
        parts.append(
            Component(
                "form of the artefact",
                "B",
                rectangular(artefact.form_mm),
                KNOWN,
                "+- stated form, rectangular",
            )
        )
    return combine("Pre-travel variation", variation.variation_mm, parts)


def _mean(found: Analysis, record: TestRecord, mean_pretravel_mm: float) -> Budget:
    spread, stylus, artefact = found.repeatability, record.stylus, record.artefact
    ball_u = stylus.ball_u_mm if stylus is not None else None
    artefact_u = artefact.u_mm if artefact is not None and artefact.u_mm is not None else 0.0
    parts = [
        Component(
            "scatter", "A", found.noise_mm / float(np.sqrt(spread.n)), spread.dof,
            f"sd / root(n), n = {spread.n}",
        ),
        Component(
            "resolution", "B", found.resolution.step_mm / ROOT_12, KNOWN,
            "not taken to average out, rectangular",
        ),
        Component("diameter of the artefact", "B", artefact_u / 2, KNOWN, "half of the stated u"),
        Component(
            "diameter of the ball", "B", (ball_u or BALL_U_MM) / 2, KNOWN,
            "half of the stated u" if ball_u
            else f"not stated: {BALL_U_MM} mm assumed (common practice, no source)",
        ),
    ]  # fmt: skip
    if found.drift is not None:
        parts.append(
            Component(
                "drift over the test", "B", abs(found.drift.over_test_mm) / ROOT_12, KNOWN, "rectangular"
            )
        )
    return combine("Mean pre-travel", mean_pretravel_mm, parts)
