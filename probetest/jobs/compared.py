"""The figures in which builds are compared, and how each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.tested import Tested
from probetest.margins import Margins
from probetest.statistics.unit_comparison import Comparison, LogSd, compare_pairs, compare_units, log_sd
from probetest.statistics.unit_rates import RateComparison, compare_rates, compare_rates_paired
from probetest.statistics.units_needed import units_needed, units_needed_for_rates

Floats = NDArray[np.float64]
Kind = Literal["scatter", "length", "rate"]

FEWEST_PAIRS = 2


@dataclass(frozen=True, slots=True)
class Sample:
    """The units of a build with the figure of each.

    Attributes
    ----------
    serials : tuple of str
    values : tuple of float
        In mm, or a share.
    errors : tuple of float or None
        Standard uncertainty of each value by its own test; None where it is not known.
    missing : tuple of str
        Units whose tests do not give the figure.
    """

    serials: tuple[str, ...]
    values: tuple[float, ...]
    errors: tuple[float | None, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """What is compared.

    Attributes
    ----------
    name, label : str
    unit : str
        "mm", or "1" for a share.
    kind : str
        "scatter" on the ratio scale, "length" on the linear one, "rate" for counts.
    value, error : str
        Names of the attributes of `Tested`.
    note : str
        What the figure is of.
    short : str
        The label for a narrow column.
    """

    name: str
    label: str
    unit: str
    kind: Kind
    value: str
    error: str
    note: str = ""
    short: str = ""

    def margin(self, margins: Margins) -> float:
        """The difference that matters."""
        suffix = {"scatter": "_ratio", "length": "_mm", "rate": ""}[self.kind]
        return float(getattr(margins, self.name + suffix))

    def sample(self, units: Sequence[Tested]) -> Sample:
        """The units that have the figure, and those that have not."""
        if self.kind == "rate":
            return _rates(units)
        known = [one for one in units if getattr(one, self.value) is not None]
        errors: list[float | None] = [getattr(one, self.error) for one in known]
        if self.kind == "scatter":
            errors = [
                None if dof is None else getattr(one, self.value) / np.sqrt(2 * dof)
                for one, dof in zip(known, errors, strict=True)
            ]
        return Sample(
            tuple(one.serial for one in known),
            tuple(float(getattr(one, self.value)) for one in known),
            tuple(errors),
            tuple(one.serial for one in units if getattr(one, self.value) is None),
        )

    def more_units(
        self, found: Comparison, samples: tuple[Sample, Sample], margins: Margins, alpha: float
    ) -> tuple[int | None, tuple[int | None, int | None] | None]:
        """About how many more units of each build would decide; the same by the limits of their scatter."""
        have = min(found.first.units, found.second.units)
        if isinstance(found, RateComparison):
            if found.p_equivalence is None:
                return None, None
            needed = _rate_units(found, margins, alpha)
            return (None if needed is None else max(1, needed - have)), None
        if found.standard_error is None and not (found.first.unit_sd or found.second.unit_sd):
            return None, None
        margin = float(np.log(found.margin)) if found.scale == "ratio" else found.margin
        if found.design == "paired":
            if found.standard_error is None:
                return None, None
            error, pairs = found.standard_error, found.first.units
            need = units_needed(
                error * np.sqrt(pairs), None, margin, alpha, margins.power, design="paired", dof=pairs - 1
            )
        else:
            sds = [_worked_sd(sample, found) for sample in samples]
            known = [sd for sd in sds if sd is not None]
            one, two = (sd if sd is not None else max(known) for sd in sds)
            dofs = tuple(float(max(1, len(sample.values) - 1)) for sample in samples)
            need = units_needed(one, two, margin, alpha, margins.power, dof=(dofs[0], dofs[1]))
        limits = need.range
        return _beyond(need.both, have), (
            None if limits is None else (_beyond(limits[0], have), _beyond(limits[1], have))
        )


def _beyond(needed: int | None, have: int) -> int | None:
    return None if needed is None else max(1, needed - have)


def _worked_sd(sample: Sample, found: Comparison) -> float | None:
    values = np.array(sample.values)
    if len(values) < 2:
        return None
    return float(np.std(np.log(values) if found.scale == "ratio" else values, ddof=1))


def _rate_units(found: RateComparison, margins: Margins, alpha: float) -> int | None:
    groups = (found.first, found.second)
    touches = max(1, round(sum(g.trials for g in groups) / sum(g.units for g in groups)))
    effects = [g.design_effect for g in groups if g.design_effect is not None]
    icc = 0.0 if touches == 1 else max([0.0, *((d - 1) / (touches - 1) for d in effects)])
    rate = min(g.estimate for g in groups)
    if not rate + found.margin < 1:
        return None
    return units_needed_for_rates(rate, found.margin, touches, min(icc, 1.0), alpha, margins.power).both


SCATTER = Figure(
    "sd", "Repeatability (pooled sd)", "mm", "scatter", "sd_mm", "sd_dof", short="Repeatability, sd"
)
MEAN = Figure(
    "mean_pretravel", "Mean pre-travel", "mm", "length", "mean_mm", "mean_u_mm", short="Mean pre-travel"
)
UNEVENNESS = Figure(
    "unevenness",
    "Unevenness of the arms (two-lobed part)",
    "mm",
    "length",
    "unevenness_mm",
    "unevenness_u_mm",
    "a contact that opens early or late shows here, but so do the axes of the machine",
    "Unevenness",
)
MISSES = Figure(
    "miss_rate", "Approaches without a valid trigger", "1", "rate", "failed", "approaches", short="Misses"
)
MIXED_VARIATION = Figure(
    "variation",
    "Pre-travel variation",
    "mm",
    "length",
    "variation_mm",
    "variation_u_mm",
    "of probe + machine, over the tested directions",
    "Variation",
)
OWN_VARIATION = Figure(
    "variation",
    "Pre-travel variation",
    "mm",
    "length",
    "own_variation_mm",
    "own_variation_u_mm",
    "of the probe alone",
    "Variation",
)


def figures_of(groups: Mapping[str, Sequence[Tested]]) -> tuple[Figure, ...]:
    """The figures that every build has at least one unit with."""
    tests = list(chain.from_iterable(groups.values()))
    alone = all(one.own_variation_mm is not None for one in tests)
    wanted = (SCATTER, OWN_VARIATION if alone else MIXED_VARIATION, MEAN, UNEVENNESS, MISSES)
    return tuple(
        figure for figure in wanted if all(figure.sample(units).serials for units in groups.values())
    )


def absent_figures(groups: Mapping[str, Sequence[Tested]]) -> tuple[str, ...]:
    """Labels of the figures that a build has no unit with."""
    present = {figure.name for figure in figures_of(groups)}
    every = (SCATTER, MIXED_VARIATION, MEAN, UNEVENNESS, MISSES)
    return tuple(figure.label for figure in every if figure.name not in present)


def compare_figure(
    figure: Figure, first: Sequence[Tested], second: Sequence[Tested], margins: Margins
) -> tuple[tuple[Sample, Sample], Comparison]:
    """Hold one figure of two builds against each other, pair by pair where they hold the same units."""
    margin = figure.margin(margins)
    samples = figure.sample(first), figure.sample(second)
    both = [serial for serial in samples[0].serials if serial in samples[1].serials]
    smaller = min(len(sample.serials) for sample in samples)
    paired = len(both) >= min(FEWEST_PAIRS, smaller)
    units = [
        {one.serial: one for one in group if one.serial in sample.serials}
        for group, sample in zip((first, second), samples, strict=True)
    ]
    names = (both, both) if paired else (samples[0].serials, samples[1].serials)
    chosen = [[part[name] for name in order] for part, order in zip(units, names, strict=True)]
    if figure.kind == "rate":
        counts = [
            (np.array([one.failed for one in part]), np.array([one.approaches for one in part]))
            for part in chosen
        ]
        hold = compare_rates_paired if paired else compare_rates
        return samples, hold(*counts[0], *counts[1], margin)
    compare = compare_pairs if paired else compare_units
    if figure.kind == "scatter":
        logs = [_log_sd(part) for part in chosen]
        return samples, compare(logs[0], logs[1], margin, scale="ratio")
    values = [np.array([getattr(one, figure.value) for one in part]) for part in chosen]
    return samples, compare(values[0], values[1], margin)


def _log_sd(units: Sequence[Tested]) -> LogSd:
    return log_sd([one.sd_mm or 0.0 for one in units], [one.sd_dof or 0.0 for one in units])


def _rates(units: Sequence[Tested]) -> Sample:
    known = [one for one in units if one.approaches]
    return Sample(
        tuple(one.serial for one in known),
        tuple(one.failed / one.approaches for one in known),
        tuple(None for _ in known),
        tuple(one.serial for one in units if not one.approaches),
    )
