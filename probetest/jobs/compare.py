"""Is one build of probes better than another, or is it noise? Units are what counts, not touches."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

import probetest
from probetest.errors import ReportError
from probetest.faults import printable
from probetest.jobs.compared import FEWEST_PAIRS, Figure, Sample, absent_figures, compare_figure, figures_of
from probetest.jobs.tested import Gathered, Tested
from probetest.margins import Margins
from probetest.statistics.families import holm, verdict
from probetest.statistics.intervals import Interval
from probetest.statistics.unit_comparison import Comparison, Group
from probetest.statistics.unit_rates import RateComparison, RateGroup

SCHEMA = "probetest.comparison/1"

MOST_GROUPS = 6
"""More builds make a list of pairs that nobody reads."""

MOST_NAMED = 6


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
        What makes a build: "build", "stage" (baseline, after_service ...), "stylus", "machine", or any key
        of the heads of the logs, such as "spring".
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
    groups = _grouped(gathered.tests, by, last=last, remarks=remarks)
    names = list(dict.fromkeys(only)) if only else list(groups)
    for name in names:
        if name not in groups:
            raise ReportError(
                f"found no tests of {printable(by)} '{printable(name)}', expected one of: "
                f"{', '.join(printable(one) for one in sorted(groups)[:20]) or 'none at all'}"
            )
    if len(names) < 2:
        raise ReportError(
            f"found tests of {len(names)} {printable(by)}, expected at least 2 to compare; name another "
            "key with --by, or give more logs."
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
    remarks.extend(_unpaired(groups, pairs))
    return BuildComparison(
        by, groups, tuple(_decided(open_ones, margins)), margins, tuple(remarks), gathered.problems
    )


def _held(
    figure: Figure, pair: tuple[str, str], groups: dict[str, tuple[Tested, ...]], margins: Margins
) -> Compared:
    samples, found = compare_figure(figure, groups[pair[0]], groups[pair[1]], margins)
    if isinstance(found, RateComparison):
        found = _without_misses(found, pair)
    return Compared(figure, pair, samples, found, None, None, "can't tell", False, None, None)


def _without_misses(found: RateComparison, pair: tuple[str, str]) -> RateComparison:
    """No "equivalent" where a build has no miss: its units may differ, and the touches don't tell."""
    silent = [
        f"at most {100 * group.units_interval.upper:.0f} % of the units of {printable(name)} miss at all "
        "(95 %)"
        for name, group in zip(pair, (found.first, found.second), strict=True)
        if group.failures == 0
    ]
    if not silent:
        return found
    reason = f"no miss was seen, which shows of the units no more than this: {', '.join(silent)}"
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


def _grouped(
    tests: Sequence[Tested], by: str, *, last: bool, remarks: list[str]
) -> dict[str, tuple[Tested, ...]]:
    """Tests by build, one of each unit."""
    found: dict[str, dict[str, Tested]] = {}
    nameless, spare = [], []
    for test in tests:
        parts = list(_parts(test, by))
        if not parts:
            nameless.append(test.where)
        for name, part in parts:
            units = found.setdefault(name, {})
            if part.serial not in units:
                units[part.serial] = part
                continue
            left_out = units[part.serial] if last else part
            spare.append(f"{part.serial} ({left_out.where})")
            if last:
                units[part.serial] = part
    if nameless:
        remarks.append(f"Left out, for they hold {_absent(by)}: {_named(nameless)}.")
    if spare:
        which = "last" if last else "first"
        remarks.append(
            f"Each unit counts once, by its {which} test; further tests are not in the comparison: "
            f"{_named(spare)}."
        )
    return {name: tuple(units.values()) for name, units in found.items()}


def _absent(by: str) -> str:
    return "one stage only" if by == "stage" else f"no {printable(by)}"


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(printable(name) for name in names[:MOST_NAMED])
    return shown + (f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else "")


def _parts(test: Tested, by: str) -> Iterator[tuple[str, Tested]]:
    """The builds that a test belongs to: one, or one for each stage."""
    stated = test.result.conditions
    if by == "stage":
        yield from _stages(test)
        return
    name: str | None
    if by == "build":
        name = test.result.build
    elif by == "stylus":
        length = stated.stylus.length_mm if stated.stylus else None
        name = None if length is None else f"{length:g} mm"
    elif by == "machine":
        name = stated.machine.name if stated.machine else None
    else:
        name = next((value for key, value in stated.notes if key == by), None)
    if name:
        yield name, test


def _stages(test: Tested) -> Iterator[tuple[str, Tested]]:
    """A stage and the baseline of the same log; a log of one stage has nothing to hold it against."""
    mine = [
        part for part in test.result.series if part.orientation_deg == test.result.headline.orientation_deg
    ]
    for part in mine if len(mine) > 1 else ():
        dof = part.n - part.directions
        yield (
            part.stage,
            replace(
                test,
                sd_mm=part.sd_mm if dof > 0 else None,
                sd_dof=float(dof) if dof > 0 and part.sd_mm is not None else None,
                variation_mm=part.variation_mm,
                variation_u_mm=None,
                own_variation_mm=None,
                own_variation_u_mm=None,
                mean_mm=None,
                mean_u_mm=None,
                unevenness_mm=None,
                unevenness_u_mm=None,
                failed=0,
                approaches=0,
            ),
        )


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
            listed = "; ".join(f"{printable(name)}: {_named(sorted(seen))}" for name, seen in values.items())
            yield f"The tests differ in {word} too ({listed}): a difference may come from there."
    if by == "build":
        days = {name: sorted(one.time[:10] for one in units if one.time) for name, units in groups.items()}
        if all(days.values()) and _in_blocks(list(days.values())):
            yield (
                "The builds were tested one after the other, not in turns: what changed in the shop between "
                "them (temperature, artefact, machine) counts as the build's."
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
                    f"these are compared pair by pair, and {_named(sorted(apart))} only shown."
                    if paired
                    else "too few for pairs, so that they are compared as if all units were others."
                )
            )


def comparison_to_dict(found: BuildComparison) -> dict[str, Any]:
    """Plain JSON types in a stable order; lengths in mm, intervals 95 %."""
    return {
        "schema": SCHEMA,
        "software": f"probetest {probetest.__version__}",
        "by": found.by,
        "builds": {
            name: [{"serial": one.serial, "tested": one.time, "from": one.where} for one in units]
            for name, units in found.groups.items()
        },
        "margins": found.margins.model_dump(mode="json"),
        "verdict_rule": "equivalent if the difference is shown to be smaller than the margin; else different "
        "if a difference is shown; else can't tell; Holm over all figures and pairs",
        "figures": [_figure(one) for one in found.compared],
        "remarks": list(found.remarks),
        "problems": list(found.problems),
    }


def _figure(one: Compared) -> dict[str, Any]:
    found = one.found
    return {
        "name": one.figure.name,
        "label": one.figure.label,
        "unit": one.figure.unit,
        "builds": {
            name: _build(group, sample)
            for name, group, sample in zip(one.names, (found.first, found.second), one.samples, strict=True)
        },
        "design": found.design,
        "scale": found.scale,
        "difference": found.difference,
        **_limits(found.interval),
        "effect_mm" if one.figure.unit == "mm" else "effect": found.effect,
        "effect_lower": found.effect_interval.lower if found.effect_interval else None,
        "effect_upper": found.effect_interval.upper if found.effect_interval else None,
        "margin": found.margin,
        "p": found.p_difference,
        "p_adjusted": one.p_adjusted,
        "p_equivalence": found.p_equivalence,
        "p_equivalence_adjusted": one.p_equivalence_adjusted,
        "verdict": one.verdict,
        "difference_shown": one.difference_shown,
        "units_needed": one.units_needed,
        "units_needed_range": None if one.units_range is None else list(one.units_range),
        "reason": found.reason,
    }


def _build(group: Group, sample: Sample) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "units": group.units,
        "estimate": group.estimate,
        **_limits(group.interval),
        "unit_sd": group.unit_sd,
        "values": dict(zip(sample.serials, sample.values, strict=True)),
        "left_out": list(sample.missing),
    }
    if isinstance(group, RateGroup):
        plain |= {"failures": group.failures, "approaches": group.trials}
    return plain


def _limits(interval: Interval | None) -> dict[str, float | None]:
    return {
        "lower": interval.lower if interval else None,
        "upper": interval.upper if interval else None,
    }
