"""Tests of many units, read from results: the figures of each that a comparison or a trend looks at."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import compress
from pathlib import Path
from typing import Any

from probetest.errors import ProbetestError, ReportError
from probetest.faults import printable, shown
from probetest.jobs.batch import Options
from probetest.jobs.earlier import EarlierResult, parse_result, read_result
from probetest.jobs.made import Made
from probetest.jobs.pool import work
from probetest.register import Register

RESULT_SUFFIXES = (".json", ".pdf")

TWO_LOBES = 2

LIMITS_PER_U = 3.92
"""Width of a 95 % interval in standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Arm:
    """An arm of the seat: its azimuth on the body, and how much later than the others it opens."""

    azimuth_deg: float
    late_mm: float
    late_u_mm: float


@dataclass(frozen=True, slots=True)
class Tested:
    """One test of one unit; lengths in mm, None where a figure is not known.

    Attributes
    ----------
    serial : str
    result : EarlierResult
    time : str or None
        ISO 8601, of the first touch.
    where : str
        File, for a message.
    sd_mm, sd_dof : float or None
        Repeatability with its degrees of freedom.
    variation_mm, variation_u_mm : float or None
        Pre-travel variation of probe + machine, over the tested directions.
    own_variation_mm, own_variation_u_mm : float or None
        Of the probe alone.
    mean_mm, mean_u_mm : float or None
        Mean pre-travel.
    unevenness_mm, unevenness_u_mm : float or None
        Amplitude of the two-lobed part of the curve.
    failed, approaches : int
        Approaches without a valid trigger, and all.
    arms : tuple of Arm
        In the order of their azimuths; empty where they are not told apart.
    """

    serial: str
    result: EarlierResult
    time: str | None
    where: str
    sd_mm: float | None
    sd_dof: float | None
    variation_mm: float | None
    variation_u_mm: float | None
    own_variation_mm: float | None
    own_variation_u_mm: float | None
    mean_mm: float | None
    mean_u_mm: float | None
    unevenness_mm: float | None
    unevenness_u_mm: float | None
    failed: int
    approaches: int
    arms: tuple[Arm, ...] = ()


def tested_of(result: EarlierResult, where: str) -> Tested:
    """The figures of a result.

    Raises
    ------
    ReportError
        If its time is none that this software writes.
    """
    if result.tested is not None and not _is_time(result.tested):
        raise ReportError(
            f"{where}, tested: found {shown(result.tested)}, expected a time as 2026-03-02T09:00:00; make "
            "the result anew from its log."
        )
    travel, spread, own = result.pretravel, result.repeatability, result.own
    known = spread.sd_mm is not None and spread.lower_mm is not None and spread.lower_mm > 0
    wave = next((one for one in travel.harmonics if one.order == TWO_LOBES), None)
    expanded = result.expanded_mm("Mean pre-travel")
    return Tested(
        serial=result.serial,
        result=result,
        time=result.tested,
        where=where,
        sd_mm=spread.sd_mm if known else None,
        sd_dof=spread.effective_dof if known else None,
        variation_mm=travel.variation_mm,
        variation_u_mm=_u(travel.lower_mm, travel.upper_mm),
        own_variation_mm=own.variation_mm if own else None,
        own_variation_u_mm=_u(own.lower_mm, own.upper_mm) if own else None,
        mean_mm=travel.mean_mm,
        mean_u_mm=None if expanded is None else expanded / 2,
        unevenness_mm=wave.amplitude_mm if wave else None,
        unevenness_u_mm=wave.u_mm if wave else None,
        arms=tuple(Arm(one.azimuth_deg, one.late_mm, one.late_u_mm) for one in result.arms),
        failed=result.outcomes.approaches - result.outcomes.triggers,
        approaches=result.outcomes.approaches,
    )


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is None
    except ValueError:
        return False


def _u(lower: float | None, upper: float | None) -> float | None:
    return None if lower is None or upper is None else (upper - lower) / LIMITS_PER_U


@dataclass(frozen=True, slots=True)
class Gathered:
    """Tests that were read.

    Attributes
    ----------
    tests : tuple of Tested
        In the order of time, those without a time at the end in the order of reading.
    problems : tuple of str
        What could not be used, and why.
    remarks : tuple of str
        What was left out on purpose.
    """

    tests: tuple[Tested, ...]
    problems: tuple[str, ...]
    remarks: tuple[str, ...]


def gather(
    places: Sequence[Path],
    register: Path | None,
    options: Options,
    advance: Callable[[], None] = lambda: None,
) -> Gathered:
    """Read tests from logs, results, reports and a register.

    Parameters
    ----------
    places : sequence of pathlib.Path
        Logs, ``result.json`` or ``report.pdf``.
    register : pathlib.Path or None
    options : Options
        How logs are read.
    advance : callable
        Called after each file.

    Raises
    ------
    ProbetestError
        If the register can't be used, or nothing is left.
    """
    tests: list[Tested] = []
    problems: list[str] = []
    remarks: list[str] = []
    if register is not None:
        tests.extend(_from_register(register, problems))
    is_log = [place.suffix.lower() not in RESULT_SUFFIXES for place in places]
    made = work(list(compress(places, is_log)), options, pdf=False)
    for place, own in zip(places, is_log, strict=True):
        if own:
            tests.extend(_from_log(next(made), problems))
        else:
            try:
                tests.append(tested_of(read_result(place), printable(place.name)))
            except ProbetestError as error:
                problems.append(str(error))
        advance()
    tests = list(_each_once(tests, remarks))
    if not tests:
        told = "; ".join(problems[:3]) or "the register holds no qualification"
        raise ReportError(f"found no test to look at: {told}")
    tests.sort(key=lambda one: (one.time is None, one.time or ""))
    return Gathered(tuple(tests), tuple(problems), tuple(remarks))


def _from_register(register: Path, problems: list[str]) -> Iterator[Tested]:
    name = printable(register.name)
    with Register(register, create=False) as base:
        for entry in base.entries():
            if entry.kind == "verification":
                continue
            where = f"{printable(entry.file)} in {name}"
            try:
                yield tested_of(parse_result(entry.result, where), where)
            except ProbetestError as error:
                problems.append(str(error))


def _from_log(made: Sequence[Made], problems: list[str]) -> Iterator[Tested]:
    for one in made:
        if one.entry is None:
            problems.append(one.row.problem)
            continue
        try:
            yield tested_of(parse_result(one.entry.result, one.row.log), one.row.log)
        except ProbetestError as error:
            problems.append(str(error))


def _each_once(tests: Iterable[Tested], remarks: list[str]) -> Iterator[Tested]:
    """Without tests that come twice, as from a log and from the register."""
    seen: dict[tuple[Any, ...], str] = {}
    for one in tests:
        outcomes, spread = one.result.outcomes, one.result.repeatability
        key = (one.serial, one.time, outcomes.approaches, outcomes.triggers, spread.sd_mm, one.variation_mm)
        if key in seen:
            remarks.append(f"{one.where} is the same test as {seen[key]} and counts once.")
            continue
        seen[key] = one.where
        yield one
