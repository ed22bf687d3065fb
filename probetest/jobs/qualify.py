"""Qualify one probe: all figures of a test, checked against the maker's limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series, split_series
from probetest.jobs.budgets import (
    LARGEST_PRETRAVEL_MM,
    LEAST_PRETRAVEL_MM,
    make_budgets,
    zero_reading_mm,
)
from probetest.jobs.capable import capability_of
from probetest.jobs.checks import Outcomes, make_checks
from probetest.jobs.contact_service import Service, service_of
from probetest.jobs.contacts import Contacts, contacts_of
from probetest.jobs.flags import OUTCOME_WORDS, Flag, list_flags
from probetest.jobs.looks import limits_of_look, look_remarks
from probetest.jobs.remarks import make_remarks
from probetest.jobs.separating import Separated, curve_of, separate_stage
from probetest.jobs.series import (
    SeriesSummary,
    analyse_all,
    analyse_of,
    judge_others,
    summarise_series,
)
from probetest.jobs.spherical import Spherical, sphere_of
from probetest.jobs.stages import Stages, find_stages, reseat_checks
from probetest.limits import Limits
from probetest.statistics.capability import Capability
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.decision import Check, Verdict, overall_verdict
from probetest.statistics.intervals import proportion_upper
from probetest.statistics.uncertainty import Budget
from probetest.triggers import Source, TestRecord, Triggers

HEADLINE_STAGE = "baseline"

SERVICE = "service"
"""In the names of stages after a service."""


@dataclass(frozen=True, slots=True)
class WithoutFlags:
    """The headline figures again, flagged touches left out.

    Attributes
    ----------
    left_out : int
        Touches left out.
    sd_mm, worst_sd_mm, variation_mm, cpk : float or None
        Of the headline series.
    probe_variation_mm : float or None
        The probe's own, where several orientations tell it.
    """

    left_out: int
    sd_mm: float | None
    worst_sd_mm: float | None
    variation_mm: float | None
    cpk: float | None
    probe_variation_mm: float | None


@dataclass(frozen=True, slots=True)
class Qualification:
    """The result of qualifying one probe.

    Attributes
    ----------
    record : TestRecord
    source : Source
    limits : Limits
    series : Series
        The headline series.
    analysis : Analysis
        Of the headline series.
    checks : tuple of Check
    verdict : str
    zero_mm : float or None
        Reading at zero pre-travel.
    mean_pretravel_mm : float or None
    mean_reason : str
        Why the mean pre-travel isn't known; empty where it is.
    capability : Capability or None
    capability_reason : str
    outcomes : Outcomes
    miss_rate_upper : float
        One-sided 95 % bound of the share of approaches without a valid trigger.
    flags : tuple of Flag
    without_flags : WithoutFlags
    budgets : tuple of Budget
    summaries : tuple of SeriesSummary
    separated : Separated
        What the orientations of the headline stage tell apart.
    whole : CurvePosterior or None
        Curve of probe and machine together, of the headline series, as the probe sees the directions.
    spherical : Spherical
        A test on a reference sphere, where the log holds one.
    stages : Stages
        Whether the probe re-seats, and whether the touch before matters.
    contacts : Contacts
        Whether a contact pair is suspect, by the headline stage.
    service : Service or None
        The same held against the first stage after a service, where the log holds one.
    remarks : tuple of str
        What a reader must mind, in plain sentences.
    """

    record: TestRecord
    source: Source
    limits: Limits
    series: Series
    analysis: Analysis
    checks: tuple[Check, ...]
    verdict: Verdict
    zero_mm: float | None
    mean_pretravel_mm: float | None
    mean_reason: str
    capability: Capability | None
    capability_reason: str
    outcomes: Outcomes
    miss_rate_upper: float
    flags: tuple[Flag, ...]
    without_flags: WithoutFlags
    budgets: tuple[Budget, ...]
    summaries: tuple[SeriesSummary, ...]
    separated: Separated
    whole: CurvePosterior | None
    spherical: Spherical
    stages: Stages
    contacts: Contacts
    service: Service | None
    remarks: tuple[str, ...]

    @property
    def failed_touches(self) -> list[int]:
        """Numbers of the approaches of the headline series without a valid trigger."""
        mine = (self.series.stage, self.series.orientation_deg)
        failed = (flag for flag in self.flags if flag.kind in OUTCOME_WORDS)
        return [f.touch for f in failed if f.touch is not None and (f.stage, f.orientation_deg) == mine]


def qualify(triggers: Triggers, limits: Limits) -> Qualification:
    """Qualify one probe from one test.

    Parameters
    ----------
    triggers : Triggers
        One serial. The headline is the stage "baseline" (else the first stage of the log) at the
        first orientation; other series are never pooled with it, but must keep the limits on scatter
        and variation as well. Where several orientations tell the probe from the machine, the limit
        on variation is on the probe's own.
    limits : Limits

    Returns
    -------
    Qualification

    Raises
    ------
    StatisticsError
        If the log holds no direction that was touched twice.
    """
    record, whole_risk = triggers.record, limits.risk
    limits = limits_of_look(limits, triggers.source.look)
    parts = split_series(triggers)
    if not parts:
        raise StatisticsError(
            f"{triggers.source.file}: none of the approaches ended in a trigger; check the wiring and the "
            "outcome column"
        )
    headline = next((part for part in parts if part.stage == HEADLINE_STAGE), parts[0])
    analysed = analyse_all(parts, triggers)
    found, reason = next((one, why) for part, one, why in analysed if part is headline)
    if found is None:
        raise StatisticsError(f"{triggers.source.file}, serial {record.serial}: {reason}")
    stage = [(part, one) for part, one, _ in analysed if part.stage == headline.stage]
    separated = separate_stage(stage)
    outcomes = count_outcomes(triggers)
    zero, mean_reason = _zero(found, record)
    mean = None if zero is None else float(found.mean_mm.mean()) - zero
    if mean is not None and not LEAST_PRETRAVEL_MM <= mean <= LARGEST_PRETRAVEL_MM:
        raise StatisticsError(
            f"{triggers.source.file}, serial {record.serial}: the readings lie {mean:.3f} mm from where the "
            "diameters of artefact and ball put them; check both, and the units of the log"
        )
    if mean is not None and found.variation is None:
        zero, mean, mean_reason = None, None, f"mean pre-travel: {found.variation_reason}"
    capability, capability_reason = _capability(found, limits, zero)
    others = _others(analysed, headline, separated, record, limits)
    checks = make_checks(found, record, outcomes, limits, zero, capability, separated.known)
    if separated.other_way:
        checks = tuple(_no_verdict_on_variation(check) for check in checks)
    stages = find_stages(parts, headline, found, triggers.frame, limits.max_reseat_shift_mm)
    checks += judge_others(others, limits) + tuple(reseat_checks(stages, limits.max_reseat_shift_mm))
    contacts = contacts_of(
        stage,
        triggers.frame,
        arm_azimuth_deg=record.arm_azimuth_deg,
        before=stages.touch_before,
        clockwise=separated.other_way,
    )
    flagged = [(part, one) for part, one in stage if part is headline or separated.uses(part)]
    verdict = overall_verdict(check.verdict for check in checks)
    remarks = make_remarks(triggers, found, headline, len(parts), separated)
    return Qualification(
        record=record,
        source=triggers.source,
        limits=limits,
        series=headline,
        analysis=found,
        checks=checks,
        verdict=verdict,
        zero_mm=zero,
        mean_pretravel_mm=mean,
        mean_reason=mean_reason,
        capability=capability,
        capability_reason=capability_reason,
        outcomes=outcomes,
        miss_rate_upper=proportion_upper(outcomes.failed, outcomes.approaches),
        flags=list_flags(triggers, flagged),
        without_flags=_without_flags(headline, found, capability, triggers, limits, zero, stage, separated),
        budgets=make_budgets(found, record, mean, separated.known),
        summaries=(
            summarise_series(headline, found, "", record, _judged_by(limits, headline, separated)),
            *others,
        ),
        separated=separated,
        spherical=sphere_of(triggers, headline.stage, headline.orientation_deg, found),
        stages=stages,
        contacts=contacts,
        service=_service(contacts, analysed, triggers, clockwise=separated.other_way),
        whole=curve_of(headline, found) if found.variation is not None else None,
        remarks=(*look_remarks(triggers.source.look, verdict, limits.risk, whole_risk), *remarks),
    )


def _service(
    before: Contacts,
    analysed: Sequence[tuple[Series, Analysis | None, str]],
    triggers: Triggers,
    *,
    clockwise: bool,
) -> Service | None:
    """The contacts after the first service of the log."""
    served = next((part.stage for part, _, _ in analysed if SERVICE in part.stage), None)
    if served is None or served == before.stage:
        return None
    stage = [(part, one) for part, one, _ in analysed if part.stage == served]
    arm = triggers.record.arm_azimuth_deg
    after = contacts_of(stage, triggers.frame, arm_azimuth_deg=arm, clockwise=clockwise)
    return service_of(before, after)


def _no_verdict_on_variation(check: Check) -> Check:
    if check.name != "pretravel_variation":
        return check
    note = "the orientations seem to be counted clockwise: correct orientation_deg and qualify the log again"
    return replace(check, verdict="undecided", more_touches=None, note=note)


def count_outcomes(triggers: Triggers) -> Outcomes:
    """Count what the approaches of a log ended in."""
    counts = triggers.frame["outcome"].value_counts()
    return Outcomes(
        approaches=len(triggers.frame),
        triggers=int(counts["trigger"]),
        missed=int(counts["missed"]),
        open_at_start=int(counts["open_at_start"]),
        false=int(counts["false"]),
    )


def _zero(found: Analysis, record: TestRecord) -> tuple[float | None, str]:
    zero, reason = zero_reading_mm(record.artefact, record.stylus)
    if zero is not None and (found.readings.fit is None or found.readings.fit.kind != "circle"):
        return None, "mean pre-travel needs positions from at least 3 directions round the artefact"
    return zero, reason


def _capability(found: Analysis, limits: Limits, zero: float | None) -> tuple[Capability | None, str]:
    if limits.tolerance_mm is None:
        return None, "the limits set no tolerance"
    try:
        return capability_of(found, limits, zero, 0.95), ""
    except StatisticsError as error:
        return None, str(error)


def _judged_by(limits: Limits, part: Series, separated: Separated) -> Limits:
    """Limits on a series by itself; variation is not judged where the probe's own is known."""
    return limits.model_copy(update={"max_pretravel_variation_mm": None}) if separated.uses(part) else limits


def _others(
    analysed: Sequence[tuple[Series, Analysis | None, str]],
    headline: Series,
    separated: Separated,
    record: TestRecord,
    limits: Limits,
) -> list[SeriesSummary]:
    """The series beside the headline."""
    return [
        summarise_series(part, one, reason, record, _judged_by(limits, part, separated))
        for part, one, reason in analysed
        if part is not headline
    ]


def _without_flags(
    headline: Series,
    found: Analysis,
    capability: Capability | None,
    triggers: Triggers,
    limits: Limits,
    zero: float | None,
    stage: Sequence[tuple[Series, Analysis | None]],
    separated: Separated,
) -> WithoutFlags:
    _, again, left_out = _trimmed(headline, found, triggers)
    if left_out:
        capability, _ = _capability(again, limits, zero)
    own = separated.known.probe if separated.known else None
    trimmed = [
        _trimmed(part, one, triggers) for part, one in stage if one is not None and separated.uses(part)
    ]
    if own is not None and any(count for _, _, count in trimmed):
        known = separate_stage([(part, one) for part, one, _ in trimmed]).known
        own = known.probe if known else None
    left_out = max(left_out, sum(count for _, _, count in trimmed))
    return WithoutFlags(
        left_out=left_out,
        sd_mm=again.repeatability.sd_mm if again.repeatability.resolved else None,
        worst_sd_mm=again.worst_sd_mm,
        variation_mm=again.variation.variation_mm if again.variation else None,
        cpk=capability.cpk if capability else None,
        probe_variation_mm=own.variation_mm if own else None,
    )


def _trimmed(part: Series, found: Analysis, triggers: Triggers) -> tuple[Series, Analysis, int]:
    """A series without its flagged touches, its analysis, and how many these are."""
    flagged = [flag.touch for flag in found.flags if flag.touch is not None]
    if not flagged:
        return part, found, 0
    keep = np.ones(len(part.level), dtype=bool)
    keep[flagged] = False
    trimmed = Series(part.stage, part.orientation_deg, part.level[keep], part.elevated)
    return trimmed, analyse_of(trimmed, triggers, whole=False), len(flagged)
