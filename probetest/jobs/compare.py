"""Is one build of probes better than another, or is it noise? Units are what counts, not touches."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.compared import FEWEST_PAIRS, Figure, Sample, absent_figures, compare_figure, figures_of
from probetest.jobs.grouping import grouped, keys_of, named
from probetest.jobs.tested import Gathered, Tested
from probetest.margins import Margins
from probetest.statistics.changepoint import step_change
from probetest.statistics.families import holm, verdict
from probetest.statistics.unit_comparison import Comparison
from probetest.statistics.unit_rates import RateComparison

MOST_GROUPS = 6
"""More builds make a list of pairs that nobody reads."""

STEP_RISK = 0.05
"""Of a false remark on a build, all figures together."""

MOST_STEPPED = 500
"""Longer series are not looked through for a step."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure of two builds.

    Attributes
    ----------
    figure : Figure
    names : tuple of (str, str)
        The builds, first and second.
    samples : tuple of (Sample, Sample)
        Their units with the value of each.
    found : Comparison
        Second less first (or over it), on the level of units.
    p_adjusted, p_equivalence_adjusted : float or None
        After Holm, over all figures and pairs of the comparison.
    verdict : str
        "different", "equivalent" or "can't tell".
    difference_shown : bool
        Whether a difference is shown, be it smaller than the margin.
    units_needed : int or None
        About so many more units of each build would decide; None where it is decided or can't be said.
    units_range : tuple of (int or None, int or None) or None
        The same by the limits of the scatter between units; None beyond what anybody would test.
    """

    figure: Figure
    names: tuple[str, str]
    samples: tuple[Sample, Sample]
    found: Comparison
    p_adjusted: float | None
    p_equivalence_adjusted: float | None
    verdict: str
    difference_shown: bool
    units_needed: int | None
    units_range: tuple[int | None, int | None] | None


@dataclass(frozen=True, slots=True)
class BuildComparison:
    """All figures of all pairs of builds.

    Attributes
    ----------
    by : str
        What makes a build: "build", "stage", "stylus", "machine", or a key of the heads of the logs.
    groups : dict of str to tuple of Tested
        Tests that were compared, one of each unit, by the name of the build.
    compared : tuple of Compared
    margins : Margins
    remarks : tuple of str
        What a reader must mind.
    problems : tuple of str
        What could not be used.
    """

    by: str
    groups: dict[str, tuple[Tested, ...]]
    compared: tuple[Compared, ...]
    margins: Margins
    remarks: tuple[str, ...]
    problems: tuple[str, ...]


def compare_builds(
    gathered: Gathered, by: str, margins: Margins, *, only: Sequence[str] = (), last: bool = False
) -> BuildComparison:
    """Compare builds, each unit counting once.

    Parameters
    ----------
    gathered : Gathered
    by : str
        What makes a build: "build", "stage" (baseline, after_service ...), "stylus", "machine", "artefact",
        or any key of the heads of the logs, such as "spring".
    margins : Margins
    only : sequence of str
        Names of the builds to compare, the first being what the others are held against; all, each with
        each, where it is empty.
    last : bool
        Take the last test of a unit instead of its first.

    Returns
    -------
    BuildComparison

    Raises
    ------
    ReportError
        If there are fewer than two builds, or more than can be compared at once.

    Notes
    -----
    Differences by Welch's t on units, or the paired t where the builds hold the same units; equivalence by
    two one-sided tests (Schuirmann 1987) against the stated margin. Holm (1979) keeps the risk over all
    figures and pairs, of differences and of equivalences each.
    """
    remarks = list(gathered.remarks)
    groups = grouped(gathered.tests, by, last=last, remarks=remarks)
    names = list(dict.fromkeys(only)) if only else list(groups)
    for name in names:
        if name not in groups:
            raise ReportError(
                f"found no tests of {printable(by)} '{printable(name)}', expected one of: "
                f"{', '.join(printable(one) for one in sorted(groups)[:20]) or 'none at all'}"
            )
    if len(names) < 2:
        raise ReportError(
            f"found tests of {len(names)} {printable(by)}, expected at least 2 to compare; give more logs, "
            f"or name another key with --by: {keys_of(gathered.tests)}."
        )
    if len(names) > MOST_GROUPS:
        raise ReportError(
            f"found tests of {len(names)} {printable(by)}, expected at most {MOST_GROUPS} at once; choose "
            "some with --only."
        )
    groups = {name: groups[name] for name in names}
    pairs = [(names[0], other) for other in names[1:]] if only else list(combinations(names, 2))
    figures = figures_of(groups)
    open_ones = [_held(figure, pair, groups, margins) for pair in pairs for figure in figures]
    if absent := absent_figures(groups):
        remarks.append(f"Not compared, for a {printable(by)} has no unit that tells it: {', '.join(absent)}.")
    remarks.extend(_confounded(groups, by))
    remarks.extend(_not_of_one_piece(groups, figures))
    remarks.extend(_unpaired(groups, pairs))
    return BuildComparison(
        by, groups, tuple(_decided(open_ones, margins)), margins, tuple(remarks), gathered.problems
    )


def _held(
    figure: Figure, pair: tuple[str, str], groups: dict[str, tuple[Tested, ...]], margins: Margins
) -> Compared:
    samples, found = compare_figure(figure, groups[pair[0]], groups[pair[1]], margins)
    if isinstance(found, RateComparison):
        found = _never_alike(found, pair)
    return Compared(figure, pair, samples, found, None, None, "can't tell", False, None, None)


def _never_alike(found: RateComparison, pair: tuple[str, str]) -> RateComparison:
    """No "equivalent" in misses: a bad unit in twenty may not be among the few, and touches don't tell."""
    unseen = [
        f"at most {100 * group.units_interval.upper:.0f} % of the units of {printable(name)} miss at all "
        "(95 %)"
        for name, group in zip(pair, (found.first, found.second), strict=True)
    ]
    reason = f"so few units can't show that they are alike: {', '.join(unseen)}"
    return replace(found, p_equivalence=None, reason=reason)


def _decided(open_ones: Sequence[Compared], margins: Margins) -> Iterator[Compared]:
    apart = holm([one.found.p_difference for one in open_ones])
    alike = holm([one.found.p_equivalence for one in open_ones])
    alpha = margins.risk / max(1, sum(p is not None for p in apart))
    for one, p, p_alike in zip(open_ones, apart, alike, strict=True):
        word = verdict(p, p_alike, margins.risk)
        told = replace(
            one,
            p_adjusted=p,
            p_equivalence_adjusted=p_alike,
            verdict=word.verdict,
            difference_shown=word.difference_shown,
        )
        if word.verdict == "can't tell":
            more, limits = one.figure.more_units(one.found, one.samples, margins, alpha)
            told = replace(told, units_needed=more, units_range=limits)
        yield told


def _confounded(groups: dict[str, tuple[Tested, ...]], by: str) -> Iterator[str]:
    """What else differs between the builds, and could be the reason."""
    told: tuple[tuple[str, Callable[[Tested], Any]], ...] = (
        ("machine", lambda one: one.result.conditions.machine and one.result.conditions.machine.name),
        ("artefact", lambda one: one.result.conditions.artefact and one.result.conditions.artefact.kind),
        ("stylus", lambda one: one.result.conditions.stylus and one.result.conditions.stylus.length_mm),
        ("version of the software", lambda one: one.result.software),
    )
    for word, of in told:
        values = {name: {str(of(one)) for one in units} for name, units in groups.items()}
        if word != by and len(set().union(*values.values())) > 1:
            listed = "; ".join(f"{printable(name)}: {named(sorted(seen))}" for name, seen in values.items())
            yield f"The tests differ in {word} too ({listed}): a difference may come from there."
    if by == "build":
        days = {name: sorted(one.time[:10] for one in units if one.time) for name, units in groups.items()}
        if all(days.values()) and _in_blocks(list(days.values())):
            yield (
                "The builds were tested one after the other, not in turns: what changed in the shop between "
                "them (temperature, artefact, machine) counts as the build's."
            )


def _not_of_one_piece(groups: dict[str, tuple[Tested, ...]], figures: Sequence[Figure]) -> Iterator[str]:
    """Builds whose figures step from one serial on: their mean is that of two lots."""
    for name, units in groups.items():
        steps: list[str] = []
        for figure in figures:
            sample = figure.sample(units)
            if figure.kind == "rate" or len(sample.values) > MOST_STEPPED:
                continue
            values = np.log(sample.values) if figure.kind == "scatter" else np.array(sample.values)
            step = step_change(values)
            if step.p is not None and step.first is not None and step.p <= STEP_RISK / len(figures):
                serial = printable(sample.serials[step.first])
                steps.append(f"{figure.label.lower()} steps from {serial} on")
        if steps:
            yield (
                f"{printable(name)} is not of one piece: {', '.join(steps)} (see probetest trend); compare "
                "the lots by a key of their own in the heads of the logs."
            )


def _in_blocks(days: Sequence[Sequence[str]]) -> bool:
    order = sorted(days, key=lambda one: one[0])
    return all(before[-1] < after[0] for before, after in pairwise(order))


def _unpaired(groups: dict[str, tuple[Tested, ...]], pairs: Sequence[tuple[str, str]]) -> Iterator[str]:
    for first, second in pairs:
        units = [{one.serial for one in groups[name]} for name in (first, second)]
        both, apart = units[0] & units[1], units[0] ^ units[1]
        if both and apart:
            paired = len(both) >= min(FEWEST_PAIRS, *(len(part) for part in units))
            yield (
                f"{printable(first)} and {printable(second)} share {len(both)} of their units; "
                + (
                    f"these are compared pair by pair, and {named(sorted(apart))} only shown."
                    if paired
                    else "too few for pairs, so that they are compared as if all units were others."
                )
            )
