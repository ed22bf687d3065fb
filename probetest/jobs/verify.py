"""Hold a test of a probe against an earlier result of it, such as the maker's report."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import probetest
from probetest.errors import StatisticsError
from probetest.jobs.earlier import EarlierResult, EarlierShape, EarlierWave, interval_of
from probetest.jobs.qualify import Qualification
from probetest.jobs.result import plain_json
from probetest.statistics.agreement import (
    OWN,
    Agreement,
    Overall,
    compare_lengths,
    compare_misses,
    compare_sds,
    overall_agreement,
)
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.lobing import Harmonic

SCHEMA = "probetest.verification/1"
"""Name and version of the shape of verification.json."""

MATTERS_SHARE = 0.5
"""A difference matters from this share of the limit on, or of the earlier figure without a limit."""

LOBES, FAULT = 3, 2
"""Orders of three equal arms, and of one that differs."""

SCATTER, VARIATION, MEAN = "Repeatability (pooled sd)", "Pre-travel variation", "Mean pre-travel"

OF_STYLUS = ("pretravel_variation", "mean_pretravel", "order_2", "order_3")
"""Figures that depend on the stylus."""

LEAST_SD_MM = 1e-9
"""Smaller uncertainties are rounding of the arithmetic."""

USUAL_MISS_RATE = 0.02
"""Limit on the share of failed approaches where none is set (default of this software)."""

MIXED = "probe + machine"
"""What a figure is of that holds the machine."""


@dataclass(frozen=True, slots=True)
class Verification:
    """A test held against an earlier result.

    Attributes
    ----------
    found : Qualification
        Of the test at hand.
    earlier : EarlierResult
    agreements : tuple of Agreement
    not_compared : tuple of (str, str)
        Figures that could not be compared, and why.
    verdict : str
        "consistent", "worse" or "can't tell".
    differences : tuple of str
        Conditions that differ between the tests.
    advice : tuple of str
        What would settle what is open.
    """

    found: Qualification
    earlier: EarlierResult
    agreements: tuple[Agreement, ...]
    not_compared: tuple[tuple[str, str], ...]
    verdict: Overall
    differences: tuple[str, ...]
    advice: tuple[str, ...]


def verify(found: Qualification, earlier: EarlierResult) -> Verification:
    """Compare each figure of a test with that of an earlier result of the same serial.

    The pre-travel curves that are compared are those over all directions, so that tests from other
    directions can be compared. A difference counts as the probe's only where both tests tell the
    probe from the machine.

    Parameters
    ----------
    found : Qualification
    earlier : EarlierResult

    Raises
    ------
    StatisticsError
        If the serials differ.
    """
    if found.record.serial != earlier.serial:
        raise StatisticsError(
            f"{found.source.file}: the log is of serial '{found.record.serial}', the result it is held "
            f"against of '{earlier.serial}'; only tests of one probe can be compared (--serial names it "
            "where the log does not)"
        )
    agreements: list[Agreement] = []
    missing: list[tuple[str, str]] = []
    compared = (
        (SCATTER, _scatter(found, earlier)),
        (VARIATION, _variation(found, earlier)),
        (MEAN, _mean(found, earlier)),
        *((_wave_label(order), _wave(found, earlier, order)) for order in (LOBES, FAULT)),
    )
    for label, part in compared:
        if isinstance(part, str):
            missing.append((label, part))
        else:
            agreements.append(part)
    agreements.append(_misses(found, earlier))
    agreements = [_told(one, found, earlier) for one in agreements]
    verdict = overall_agreement(agreements)
    if verdict == "consistent" and any(label in (SCATTER, VARIATION) for label, _ in missing):
        verdict = "can't tell"
    return Verification(
        found=found,
        earlier=earlier,
        agreements=tuple(agreements),
        not_compared=tuple(missing),
        verdict=verdict,
        differences=tuple(_differences(found, earlier)),
        advice=tuple(_advice(found, earlier, agreements)),
    )


def _told(one: Agreement, found: Qualification, earlier: EarlierResult) -> Agreement:
    """A figure with its remark; without a verdict where another stylus was used."""
    ours, theirs = _of(found.record.stylus, "length_mm"), _of(earlier.conditions.stylus, "length_mm")
    if one.name in OF_STYLUS and None not in (ours, theirs) and ours != theirs:
        note = f"the stylus is {ours:g} mm long here and was {theirs:g} mm: pre-travel grows with its square"
        return replace(one, verdict="can't tell", more_touches=None, note=note)
    if one.verdict == "better" and one.name in OF_STYLUS:
        note = "smaller is a change all the same: an early contact or a weak spring makes it too"
        return replace(one, note=one.note or note)
    return one


def _matters(limit: float | None, reference: float) -> float:
    return MATTERS_SHARE * (limit if limit is not None else reference)


def _scatter(found: Qualification, earlier: EarlierResult) -> Agreement | str:
    spread, other = found.analysis.repeatability, earlier.repeatability
    limits = interval_of(other.lower_mm, other.upper_mm)
    if not spread.resolved:
        return f"this test does not resolve it: at most about one step of {1000 * spread.step_mm:.3g} µm"
    if other.sd_mm is None or limits is None or limits.lower < LEAST_SD_MM:
        return "the earlier test did not resolve it"
    return compare_sds(
        "pooled_sd", SCATTER, (spread.sd_mm, spread.interval_mm), (other.sd_mm, limits), spread.n,
        _matters(found.limits.max_pooled_sd_mm, other.sd_mm), of=MIXED,
    )  # fmt: skip


def _curves(
    found: Qualification, earlier: EarlierResult
) -> tuple[CurvePosterior | None, EarlierShape | None, str]:
    """The curves that can be compared, and what they are of."""
    apart, own = found.separated.known, earlier.own
    ours = apart.probe if apart is not None else found.whole
    whose = [OWN if part is not None else MIXED for part in (apart, own)]
    of = whose[0] if whose[0] == whose[1] else f"{whose[0]}; report: {whose[1]}"
    return ours, own if own is not None else earlier.pretravel.curve, of


def _touches(found: Qualification) -> int:
    apart = found.separated.known
    return apart.n if apart is not None else len(found.analysis.readings.reading_mm)


def _variation(found: Qualification, earlier: EarlierResult) -> Agreement | str:
    ours, theirs, of = _curves(found, earlier)
    if ours is None:
        return found.analysis.variation_reason or "a curve over all directions takes 12 of them in this test"
    limits = interval_of(theirs.lower_mm, theirs.upper_mm) if theirs is not None else None
    if theirs is None or theirs.variation_mm is None or limits is None:
        return "the earlier result holds no curve over all directions"
    return compare_lengths(
        "pretravel_variation", VARIATION, (ours.variation_mm, ours.interval_mm()),
        (theirs.variation_mm, limits), _touches(found),
        _matters(found.limits.max_pretravel_variation_mm, theirs.variation_mm), of=of,
    )  # fmt: skip


def _mean(found: Qualification, earlier: EarlierResult) -> Agreement | str:
    value, other = found.mean_pretravel_mm, earlier.pretravel.mean_mm
    if value is None:
        return found.mean_reason
    expanded = earlier.expanded_mm(MEAN)
    if other is None or expanded is None:
        return "the earlier test does not give it"
    mine = next(budget.expanded_mm for budget in found.budgets if budget.figure == MEAN)
    return compare_lengths(
        "mean_pretravel", MEAN, (value, Interval(value - mine, value + mine)),
        (other, Interval(other - expanded, other + expanded)), len(found.analysis.readings.reading_mm),
        _matters(found.limits.tolerance_mm, abs(other)), of=MIXED,
    )  # fmt: skip


def _wave_label(order: int) -> str:
    return "Three-lobed wave" if order == LOBES else "Two-lobed wave"


def _wave(found: Qualification, earlier: EarlierResult, order: int) -> Agreement | str:
    """Amplitude of an order in both curves. A machine makes two lobes, so that they need the probe alone."""
    ours, theirs, of = _curves(found, earlier)
    if order != LOBES and found.separated.known is None:
        return "it needs several orientations in this test, for the machine makes such waves too"
    wave = next((one for one in theirs.waves if one.order == order), None) if theirs is not None else None
    if ours is None or theirs is None or wave is None or not theirs.dof > 0:
        return "one of the tests holds no curve over all directions"
    mine = ours.wave(order)
    limit, reference = found.limits.max_pretravel_variation_mm, theirs.variation_mm or 0.0
    # A wave of an amplitude makes a variation of twice that.
    return compare_lengths(
        f"order_{order}", _wave_label(order), _amplitude(mine, ours.dof), _amplitude(wave, theirs.dof),
        _touches(found), _matters(limit, reference) / 2, of=of,
    )  # fmt: skip


def _amplitude(wave: Harmonic | EarlierWave, dof: float) -> tuple[float, Interval]:
    half = t_factor(dof) * max(wave.u_mm, LEAST_SD_MM)
    return wave.amplitude_mm, Interval(max(0.0, wave.amplitude_mm - half), wave.amplitude_mm + half)


def _misses(found: Qualification, earlier: EarlierResult) -> Agreement:
    ours, theirs = found.outcomes, earlier.outcomes
    limit = found.limits.max_miss_rate
    return compare_misses(
        (ours.failed, ours.approaches), (theirs.approaches - theirs.triggers, theirs.approaches),
        MATTERS_SHARE * (limit if limit is not None else USUAL_MISS_RATE), of=MIXED,
    )  # fmt: skip


def _differences(found: Qualification, earlier: EarlierResult) -> Iterator[str]:
    """Conditions that differ, in words."""
    record, before = found.record, earlier.conditions
    pairs: list[tuple[str, Any, Any, str]] = [
        ("stylus length", _of(record.stylus, "length_mm"), _of(before.stylus, "length_mm"), " mm"),
        (
            "stylus ball",
            _of(record.stylus, "ball_diameter_mm"),
            _of(before.stylus, "ball_diameter_mm"),
            " mm",
        ),
        ("artefact", _of(record.artefact, "kind"), _of(before.artefact, "kind"), ""),
        (
            "diameter of the artefact",
            _of(record.artefact, "diameter_mm"),
            _of(before.artefact, "diameter_mm"),
            " mm",
        ),
        ("machine", _of(record.machine, "name"), _of(before.machine, "name"), ""),
    ]
    for name, ours, theirs, unit in pairs:
        if ours is not None and theirs is not None and ours != theirs:
            yield f"{name}: {ours}{unit} here, {theirs}{unit} then"
    if found.series.stage != earlier.headline.stage:
        yield f"stage: '{found.series.stage}' here, '{earlier.headline.stage}' then"
    directions = len(found.analysis.readings.azimuth_deg)
    yield (
        f"touches: {found.analysis.repeatability.n} from {directions} directions here, "
        f"{earlier.repeatability.n} then"
    )


def _of(part: Any, name: str) -> Any:
    return None if part is None else getattr(part, name)


def _advice(found: Qualification, earlier: EarlierResult, agreements: list[Agreement]) -> Iterator[str]:
    """What would settle what is open."""
    for one in agreements:
        if one.verdict != "can't tell":
            continue
        if one.more_touches is not None:
            more = f"very roughly {one.more_touches} more touches would show a difference that matters"
            yield f"{one.label}: {more}{', ' + one.note if one.note else ''}."
        else:
            yield f"{one.label}: {one.note or 'no practical number of touches would settle it'}."
    if any(one.verdict == "worse" and one.of != OWN for one in agreements):
        if found.separated.known is None:
            yield (
                "What is worse is of your machine and the probe together: repeat the test with the probe "
                "turned in the spindle to 0, 30, 90 and 210°, which tells them apart."
            )
        if any(one.verdict == "worse" and one.name == "pooled_sd" for one in agreements):
            yield (
                "More scatter may be the machine's, its spindle's or its controller's: touch with another "
                "contact device on this machine, or with this probe on another machine, before you blame "
                "the probe."
            )
    if earlier.own is None and any(one.verdict == "worse" and one.name in OF_STYLUS for one in agreements):
        yield (
            "The earlier report does not tell probe and machine apart: ask for one from several orientations."
        )


def verification_to_dict(result: Verification) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm, intervals 95 %."""
    found, earlier = result.found, result.earlier
    return {
        "schema": SCHEMA,
        "software": f"probetest {probetest.__version__}",
        "serial": found.record.serial,
        "verdict": result.verdict,
        "verdict_rule": "worse if a figure of the probe is worse at 5 % risk for all figures together; can't "
        "tell if any is open, or worse with the machines in it; else consistent",
        "input": {"file": found.source.file, "sha256": found.source.sha256, "rows": found.source.rows},
        "against": {
            "file": earlier.file,
            "sha256": earlier.sha256,
            "software": earlier.software,
            "verdict": earlier.verdict,
            "serial": earlier.serial,
        },
        "label": OWN if found.separated.known else MIXED,
        "agreement": [_agreement(one) for one in result.agreements],
        "not_compared": [{"label": label, "reason": reason} for label, reason in result.not_compared],
        "differences": list(result.differences),
        "advice": list(result.advice),
        "qualification_verdict": found.verdict,
    }


def _agreement(one: Agreement) -> dict[str, Any]:
    return {
        "name": one.name,
        "label": one.label,
        "unit": one.unit,
        "ours": one.ours,
        "ours_lower": one.ours_interval.lower,
        "ours_upper": one.ours_interval.upper,
        "theirs": one.theirs,
        "theirs_lower": one.theirs_interval.lower,
        "theirs_upper": one.theirs_interval.upper,
        "difference": one.difference,
        "difference_lower": one.difference_interval.lower,
        "difference_upper": one.difference_interval.upper,
        "en": one.en,
        **({"en_reason": "a count: Fisher's exact test"} if one.en is None else {}),
        "p": one.p,
        "verdict": one.verdict,
        "matters": one.matters,
        "n": one.n,
        "more_touches": one.more_touches,
        "of": one.of,
        "note": one.note,
    }


def verification_to_json(result: Verification) -> bytes:
    """The bytes of verification.json."""
    return plain_json(verification_to_dict(result))
