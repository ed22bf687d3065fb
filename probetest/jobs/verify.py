"""Hold a test of a probe against an earlier result of it, such as the maker's report."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import probetest
from probetest.errors import StatisticsError
from probetest.jobs.earlier import EarlierResult, EarlierWave, interval_of
from probetest.jobs.qualify import Qualification
from probetest.jobs.result import plain_json
from probetest.statistics.agreement import (
    Agreement,
    Overall,
    compare_lengths,
    compare_misses,
    compare_sds,
    overall_agreement,
)
from probetest.statistics.intervals import Interval
from probetest.statistics.lobing import Harmonic

SCHEMA = "probetest.verification/1"
"""Name and version of the shape of verification.json."""

MATTERS_SHARE = 0.5
"""A difference matters from this share of the limit on, or of the earlier figure without a limit."""

LOBES, FAULT = 3, 2
"""Orders of three equal arms, and of one that differs."""

MEAN = "Mean pre-travel"

OWN, MIXED = "probe alone", "probe + machine"
"""What a figure is of."""


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

    A figure of the probe alone that is worse than one of probe and machine together counts as the
    probe's: the other machine could have hidden it only by going against it.

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
            "against of "
            f"'{earlier.serial}'; only tests of one probe can be compared (--serial names it where the log "
            "does not)"
        )
    agreements: list[Agreement] = []
    missing: list[tuple[str, str]] = []
    for label, compare in (
        ("Repeatability (pooled sd)", _scatter),
        ("Pre-travel variation", _variation),
        (MEAN, _mean),
    ):
        part = compare(found, earlier)
        if isinstance(part, str):
            missing.append((label, part))
        else:
            agreements.append(part)
    for order in (LOBES, FAULT):
        wave = _wave(found, earlier, order)
        if isinstance(wave, str):
            missing.append((_wave_label(order), wave))
        else:
            agreements.append(wave)
    agreements.append(_misses(found, earlier))
    differences = tuple(_differences(found, earlier))
    return Verification(
        found=found,
        earlier=earlier,
        agreements=tuple(
            replace(one, of=one.of or MIXED, note=one.note or _remark(one)) for one in agreements
        ),
        not_compared=tuple(missing),
        verdict=overall_agreement(agreements),
        differences=differences,
        advice=tuple(_advice(found, earlier, agreements)),
    )


def _remark(one: Agreement) -> str:
    """What must be said beside a figure that looks better."""
    if one.verdict == "better" and one.name in ("order_3", "mean_pretravel", "pretravel_variation"):
        return "smaller is a change all the same: an early contact or a weak spring makes it too"
    return ""


def _matters(limit: float | None, reference: float) -> float:
    return MATTERS_SHARE * (limit if limit is not None else reference)


def _scatter(found: Qualification, earlier: EarlierResult) -> Agreement | str:
    spread, other = found.analysis.repeatability, earlier.repeatability
    limits = interval_of(other.lower_mm, other.upper_mm)
    if not spread.resolved:
        return f"this test does not resolve it: at most about one step of {1000 * spread.step_mm:.3g} µm"
    if other.sd_mm is None or limits is None or limits.lower <= 0:
        return "the earlier test did not resolve it"
    matters = _matters(earlier.limits.max_pooled_sd_mm, other.sd_mm)
    return compare_sds(
        "pooled_sd", "Repeatability (pooled sd)", (spread.sd_mm, spread.interval_mm), (other.sd_mm, limits),
        spread.n, matters, of_probe=False,
    )  # fmt: skip


def _variation(found: Qualification, earlier: EarlierResult) -> Agreement | str:
    apart, own = found.separated.known, earlier.own
    ours, n = None, len(found.analysis.readings.reading_mm)
    if apart is not None and apart.probe is not None:
        ours, n = (apart.probe.variation_mm, apart.probe.interval_mm()), apart.n
    elif found.analysis.variation is not None:
        ours = (found.analysis.variation.variation_mm, found.analysis.variation.interval_mm)
    other = own or earlier.pretravel
    limits = interval_of(other.lower_mm, other.upper_mm)
    if ours is None:
        return found.analysis.variation_reason
    if other.variation_mm is None or limits is None:
        return "the earlier test does not give it"
    agreement = compare_lengths(
        "pretravel_variation", "Pre-travel variation", ours, (other.variation_mm, limits), n,
        _matters(earlier.limits.max_pretravel_variation_mm, other.variation_mm),
        of_probe=apart is not None,
    )  # fmt: skip
    return replace(agreement, of=_whose(apart is not None, own is not None))


def _whose(ours_alone: bool, theirs_alone: bool) -> str:
    """What both figures are of."""
    ours, theirs = (OWN if alone else MIXED for alone in (ours_alone, theirs_alone))
    return ours if ours == theirs else f"{ours}; report: {theirs}"


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
        _matters(earlier.limits.tolerance_mm, other), of_probe=False,
    )  # fmt: skip


def _wave_label(order: int) -> str:
    return "Three-lobed wave" if order == LOBES else "Two-lobed wave"


def _wave(found: Qualification, earlier: EarlierResult, order: int) -> Agreement | str:
    """Amplitude of an order. Of the order of three arms a reversal value has nothing, of two it has."""
    apart, own = found.separated.known, earlier.own
    if order != LOBES and apart is None:
        return "it needs several orientations in this test, for the machine makes such waves too"
    harmonics = found.analysis.harmonics
    waves = apart.probe_harmonics if apart is not None else harmonics.harmonics if harmonics else ()
    others = own.harmonics if own is not None else earlier.pretravel.harmonics
    mine = next((wave for wave in waves if wave.order == order), None)
    theirs = next((wave for wave in others if wave.order == order), None)
    if mine is None or theirs is None:
        return "one of the tests can't show it"
    n = apart.n if apart is not None else len(found.analysis.readings.reading_mm)
    limit = earlier.limits.max_pretravel_variation_mm
    # A wave of an amplitude makes a variation of twice that.
    agreement = compare_lengths(
        f"order_{order}", _wave_label(order), _amplitude(mine), _amplitude(theirs), n,
        _matters(limit / 2 if limit is not None else None, theirs.amplitude_mm),
        of_probe=apart is not None or order == LOBES,
    )  # fmt: skip
    return replace(agreement, of=_whose(apart is not None, own is not None))


def _amplitude(wave: Harmonic | EarlierWave) -> tuple[float, Interval]:
    half = 2 * max(wave.u_mm, 1e-9)
    return wave.amplitude_mm, Interval(max(0.0, wave.amplitude_mm - half), wave.amplitude_mm + half)


def _misses(found: Qualification, earlier: EarlierResult) -> Agreement:
    ours, theirs = found.outcomes, earlier.outcomes
    failed = max(0, theirs.approaches - theirs.triggers)
    limit = earlier.limits.max_miss_rate
    return compare_misses(
        (ours.failed, ours.approaches), (failed, theirs.approaches), limit if limit is not None else 0.02,
        of_probe=True,
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
    if any(one.verdict == "worse" and not one.of_probe for one in agreements):
        if found.separated.known is None:
            yield (
                "What is worse is of your machine and the probe together: repeat the test with the probe "
                "turned in "
                "the spindle to 0, 30, 90 and 210°, which tells them apart."
            )
        if any(one.verdict == "worse" and one.name == "pooled_sd" for one in agreements):
            yield (
                "More scatter may be the machine's, its spindle's or its controller's: touch with another "
                "contact "
                "device on this machine, or with this probe on another machine, before you blame the probe."
            )
    if earlier.own is None and any(
        one.verdict == "worse" and one.name == "pretravel_variation" for one in agreements
    ):
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
        "against": {"software": earlier.software, "verdict": earlier.verdict, "serial": earlier.serial},
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
        "of_probe": one.of_probe,
        "of": one.of,
        "note": one.note,
    }


def verification_to_json(result: Verification) -> bytes:
    """The bytes of verification.json."""
    return plain_json(verification_to_dict(result))
