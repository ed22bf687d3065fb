"""The series of a log beside each other, and whether the others keep the limits too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from probetest.errors import StatisticsError
from probetest.jobs.analysis import Analysis, Series, analyse
from probetest.jobs.checks import series_checks
from probetest.limits import Limits
from probetest.statistics.decision import Check, Verdict, overall_verdict
from probetest.statistics.intervals import Interval
from probetest.triggers import UNIT_MM, TestRecord, Triggers


@dataclass(frozen=True, slots=True)
class SeriesSummary:
    """One line for each series of the log; the first is the headline.

    Attributes
    ----------
    stage : str
    orientation_deg : float
    n, directions : int
    sd_mm, variation_mm : float or None
        None where they can't be given.
    sd_interval, variation_interval : Interval or None
        95 %, mm.
    verdict : str or None
        On scatter and variation against the same limits; None where no such limit is set.
    note : str
    """

    stage: str
    orientation_deg: float
    n: int
    directions: int
    sd_mm: float | None
    sd_interval: Interval | None
    variation_mm: float | None
    variation_interval: Interval | None
    verdict: Verdict | None
    note: str


def analyse_of(part: Series, triggers: Triggers, *, whole: bool = True) -> Analysis:
    """All statistics of a series, with what the log states of the test.

    Parameters
    ----------
    part : Series
    triggers : Triggers
    whole : bool
        False: touches were left out on purpose, and none is looked for.

    Raises
    ------
    StatisticsError
        If no horizontal direction was touched twice.
    """
    record = triggers.record
    step = record.machine.resolution_mm if record.machine else None
    unit_mm = UNIT_MM[triggers.source.units]
    return analyse(
        part, record.artefact, step, unit_mm=unit_mm, planned=record.planned_touches if whole else None
    )


def analyse_all(parts: Sequence[Series], triggers: Triggers) -> list[tuple[Series, Analysis | None, str]]:
    """All statistics of each series; None with a reason where it can't be analysed."""
    found: list[tuple[Series, Analysis | None, str]] = []
    for part in parts:
        try:
            found.append((part, analyse_of(part, triggers), ""))
        except StatisticsError as error:
            found.append((part, None, str(error)))
    return found


def summarise_series(
    part: Series, found: Analysis | None, reason: str, record: TestRecord, limits: Limits
) -> SeriesSummary:
    """One line on a series; undecided where it could not be analysed.

    Parameters
    ----------
    part : Series
    found : Analysis or None
    reason : str
        Why there is none.
    record : TestRecord
    limits : Limits
        Of scatter and variation; one that is None is not checked.
    """
    n = len(part.level) + len(part.elevated)
    if found is None:
        directions = int(part.level["azimuth_deg"].nunique())
        return SeriesSummary(
            part.stage, part.orientation_deg, n, directions, None, None, None, None, "undecided", reason
        )
    spread, variation = found.repeatability, found.variation
    checks = series_checks(found, record, limits)
    return SeriesSummary(
        stage=part.stage,
        orientation_deg=part.orientation_deg,
        n=n,
        directions=len(found.readings.azimuth_deg),
        sd_mm=spread.sd_mm if spread.resolved else None,
        sd_interval=spread.interval_mm if spread.resolved else None,
        variation_mm=variation.variation_mm if variation else None,
        variation_interval=variation.interval_mm if variation else None,
        verdict=overall_verdict(check.verdict for check in checks) if checks else None,
        note="" if spread.resolved else f"scatter not resolved, <= {spread.step_mm:.4g} mm",
    )


def judge_others(others: Sequence[SeriesSummary], limits: Limits) -> tuple[Check, ...]:
    """One check that all series beside the headline keep the limits on scatter and variation."""
    limited = (limits.max_pooled_sd_mm, limits.max_worst_direction_sd_mm, limits.max_pretravel_variation_mm)
    verdicts = [part.verdict for part in others if part.verdict is not None]
    if not verdicts or all(limit is None for limit in limited):
        return ()
    bad = [part for part in others if part.verdict != "pass"]
    note = "; ".join(f"{part.stage} at {part.orientation_deg:.4g}°: {part.verdict}" for part in bad[:5])
    return (
        Check(
            name="other_series", label="Other series not within the limits", value=float(len(bad)), unit="",
            limit=0.0, side="max", lower=None, upper=None, decision_lower=None, decision_upper=None,
            verdict=overall_verdict(verdicts), n=sum(part.n for part in others), note=note,
        ),
    )  # fmt: skip
