"""The finding on the contacts as plain JSON data."""

from __future__ import annotations

from typing import Any

import numpy as np

from probetest.jobs.contact_service import Service
from probetest.jobs.contact_words import CAUTIONS, advice, named, opens, sentence
from probetest.jobs.contacts import Contacts
from probetest.jobs.plain import finite
from probetest.statistics.contact_evidence import Evidence
from probetest.statistics.contact_finding import Candidate
from probetest.statistics.contact_steps import CentreStep


def contacts_of_result(contacts: Contacts, service: Service | None) -> dict[str, Any]:
    """The keys ``contacts`` and ``service`` of result.json."""
    return {"contacts": contacts_to_dict(contacts), "service": service_to_dict(service)}


def contacts_to_dict(found: Contacts) -> dict[str, Any]:
    """What result.json says under ``contacts``; lengths in mm, shares as shares, intervals 95 %.

    ``arm_azimuth_deg`` is the arm's own azimuth on the body of the probe (where the force acts when it
    lifts): the machine's azimuth at orientation 0.
    """
    finding, gains = found.finding, found.gains
    plain = {
        "finding": finding.first.kind,
        "arm_azimuth_deg": finding.first.arm_azimuth_deg,
        "confidence": finding.first.confidence,
        **(
            {}
            if finding.first.confidence is not None
            else {"confidence_reason": "seen, not inferred, or not told"}
        ),
        "sentence": sentence(finding),
        "evidence": [_evidence(one) for one in finding.evidence],
        "advice": list(advice(finding)),
        "cautions": CAUTIONS if opens(finding) else "",
        "alternatives": [_candidate(one) for one in finding.others],
        "more_touches": finding.more_touches,
        "not_seen": list(found.not_seen),
        "stage": found.stage,
        "orientations_deg": list(found.orientations_deg),
        "n": found.touches,
        "arms": None
        if gains is None
        else {
            "stated": found.arm_stated,
            "late": [
                {"azimuth_deg": arm.azimuth_deg, "late_mm": late, "late_u_mm": u}
                for arm, (late, u) in zip(gains.arms, gains.late_mm(), strict=True)
            ],
            "azimuth_u_deg": gains.arm_u_deg,
            "allowed_for": gains.beside,
            "lobe_mm": gains.lobe_mm,
            "lobe_u_mm": gains.lobe_u_mm,
            "pair_ratio": gains.pair_ratio,
            "dof": gains.dof,
            "misfit_p": gains.misfit_p,
        },
        "steps": [
            {"orientation_deg": orientation, **_step(step)}
            for orientation, steps in found.steps
            for step in steps.steps
        ],
        "notes": list(found.notes),
    }
    return {key: finite(value) for key, value in plain.items()}


def service_to_dict(service: Service | None) -> dict[str, Any] | None:
    """A test before and after a service, arm by arm; opening forces as shares against the other two."""
    if service is None:
        return None
    return {
        "stage": service.after.stage,
        "verdict": service.verdict,
        "reason": service.reason,
        "before": service.before.finding.first.kind,
        "after": contacts_to_dict(service.after),
        "arms": [
            {
                "azimuth_deg": one.azimuth_deg,
                "before_share": float(np.expm1(one.before)),
                "after_share": float(np.expm1(one.after)),
                "change_share": float(np.expm1(one.change)),
                "lower_share": float(np.expm1(one.interval.lower)),
                "upper_share": float(np.expm1(one.interval.upper)),
                "p": one.p,
                "scatter_ratio": finite(one.scatter_ratio),
                "word": one.word,
            }
            for one in service.changes
        ],
    }


def _evidence(one: Evidence) -> dict[str, Any]:
    return {
        "name": one.name,
        "arm_azimuth_deg": one.arm_azimuth_deg,
        "value": one.value,
        "lower": None if one.interval is None else one.interval.lower,
        "upper": None if one.interval is None else one.interval.upper,
        "unit": one.unit,
        "p": one.p,
        "shown": one.shown,
        "n": one.n,
        "note": one.note,
    }


def _step(one: CentreStep) -> dict[str, Any]:
    return {
        "after_touch": one.after_touch,
        "after_lower": one.after_interval.lower,
        "after_upper": one.after_interval.upper,
        "length_mm": one.length_mm,
        "lower_mm": one.length_interval.lower,
        "upper_mm": one.length_interval.upper,
        "direction_deg": one.direction_deg,
        "direction_u_deg": one.direction_u_deg,
        "p": one.p_value,
        "n": one.n_before + one.n_after,
    }


def _candidate(one: Candidate) -> dict[str, Any]:
    return {
        "finding": one.kind,
        "arm_azimuth_deg": one.arm_azimuth_deg,
        "confidence": one.confidence,
        "sentence": f"{named(one)}: {one.why}",
    }
