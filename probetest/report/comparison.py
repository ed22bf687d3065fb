"""The pages of a comparison of builds: a dot for each unit, and what it says of the builds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from probetest.jobs.compare import BuildComparison, Compared
from probetest.jobs.compared import Sample
from probetest.report.blocks import Cell, Column, Facts, Note, Picture, Table, picture_from_figure
from probetest.report.characters import clean
from probetest.report.numbers import UM_PER_MM, UNKNOWN, decimals_for, number, p_value, percent, span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.unit_comparison import Group
from probetest.statistics.unit_rates import RateGroup

if TYPE_CHECKING:
    from matplotlib.axes import Axes


ROW_MM = 1.9
"""Height of a unit in a picture."""


LONGEST_NAME = 24
"""Characters of a name in a picture; tables hold it in full."""


def picture_name(text: str) -> str:
    """A name on one short line, for a picture."""
    line = " ".join(clean(text).text.split())
    return line if len(line) <= LONGEST_NAME else f"{line[: LONGEST_NAME - 1]}…"


def overview(result: BuildComparison) -> Note:
    """What the comparison says, figure by figure, in plain words."""
    lines = [sentence(one) for one in result.compared]
    counts = ", ".join(f"{name} {len(units)}" for name, units in result.groups.items())
    return Note("info", f"In short (units: {counts})", "\n".join(lines))


def sentence(one: Compared) -> str:
    """One figure of two builds in plain words."""
    first, second = one.names
    label = one.figure.label
    if one.verdict == "can't tell":
        return f"{label}: can't tell whether {second} differs from {first}{_missing(one)}."
    shown = _difference(one)
    if one.verdict == "equivalent":
        more = ", though a smaller difference is there" if one.difference_shown else ""
        return f"{label}: {first} and {second} are alike within {_margin(one)}{more}: {shown}."
    up = one.found.difference > one.found.null
    return f"{label}: {second} has {'more' if up else 'less'} than {first}: {shown}."


def _missing(one: Compared) -> str:
    if one.units_needed is None:
        return f": {one.found.reason}" if one.found.reason else "; no number of units can be named"
    text = f"; about {one.units_needed} more units of each would decide"
    if one.units_range is not None:
        low, high = one.units_range
        text += f" ({UNKNOWN if low is None else low} to {'very many' if high is None else high})"
    return text + (f" ({one.found.reason})" if one.found.reason else "")


def _scaled(one: Compared) -> tuple[float, str]:
    return (UM_PER_MM, " µm") if one.figure.unit == "mm" else (100.0, " %")


def _margin(one: Compared) -> str:
    scale, unit = _scaled(one)
    if one.found.scale == "ratio":
        return f"a factor of {one.found.margin:g}"
    return f"{one.found.margin * scale:g}{unit}"


def _difference(one: Compared) -> str:
    scale, unit = _scaled(one)
    found = one.found
    limits = found.effect_interval
    decimals = 2 if limits is None else decimals_for(scale * (limits.upper - limits.lower))
    text = f"{number(scale * found.effect, decimals, sign=True)}{unit}"
    if limits is not None:
        text += f" ({span(limits.lower, limits.upper, decimals, scale)}{unit})"
    if found.scale == "ratio":
        ratio = f"ratio {found.difference:.2f}"
        if found.interval is not None:
            ratio += f", {found.interval.lower:.2f} to {found.interval.upper:.2f}"
        text += f", {ratio}"
    return text


def comparison_table(result: BuildComparison) -> Table:
    """Each figure of each pair with its limits, the margin and the word."""
    names = list(result.groups)
    pair = len(names) == 2
    rows = tuple(_row(one, several=not pair) for one in result.compared)
    return Table(
        columns=(
            Column("Figure", "left", "27mm" if pair else "36mm"),
            *(Column(title, "right", "1fr") for title in _titles(result)),
            Column("Difference", "right", "1.25fr"),
            Column("Margin", "right", "13mm"),
            Column("p differ / alike", "right", "22mm"),
            Column("Verdict", "left", "21mm"),
        ),
        rows=rows,
        note="Mean over units with its 95 % interval on the level of units; of scatter the geometric mean, "
        "and its difference as the second over the first (×). The intervals are of each row by itself, the "
        "words keep the risk over all rows. p of a difference and of a difference as large as "
        "the margin, after Holm over all rows. In µm, shares in %.",
    )


def _titles(result: BuildComparison) -> tuple[str, str]:
    """Names of the two builds with their units; of several the rows name them."""
    if len(result.groups) > 2:
        return "First", "Second"
    first, second = (f"{name}, n = {len(units)}" for name, units in result.groups.items())
    return first, second


def _row(one: Compared, *, several: bool) -> tuple[Cell, ...]:
    name, first, second, difference, word = table_cells(one, several=several)
    chances = f"{p_value(one.p_adjusted)} / {p_value(one.p_equivalence_adjusted)}"
    return name, first, second, difference, margin_words(one), chances, word


def table_cells(one: Compared, *, several: bool) -> tuple[str, str, str, str, str]:
    """Name of the figure, both builds, their difference, and the word, for a line of a table."""
    name = f"{one.names[0]} → {one.names[1]}: {one.figure.short}" if several else one.figure.short
    word = one.verdict
    if one.verdict == "can't tell" and one.units_needed is not None:
        word += f"; {one.units_needed} more units"
    if one.difference_shown and one.verdict == "equivalent":
        word += "; a smaller difference"
    paired = " (pairs)" if one.found.design == "paired" else ""
    return (
        f"{name}{paired}",
        _estimate(one, one.found.first),
        _estimate(one, one.found.second),
        _in_table(one),
        word,
    )


def margin_words(one: Compared) -> str:
    """The margin without its unit."""
    return _margin(one).replace("a factor of ", "× ").replace(_scaled(one)[1], "")


def _in_table(one: Compared) -> str:
    found, scale = one.found, _scaled(one)[0]
    ratio = found.scale == "ratio"
    scale = 1.0 if ratio else scale
    text = "× " if ratio else ""
    if found.interval is None:
        return text + number(scale * found.difference, 2, sign=not ratio)
    decimals = decimals_for(scale * (found.interval.upper - found.interval.lower))
    low, high = (number(scale * end, decimals) for end in (found.interval.lower, found.interval.upper))
    return f"{text}{number(scale * found.difference, decimals, sign=not ratio)} ({low} to {high})"


def _estimate(one: Compared, group: Group) -> str:
    scale, _ = _scaled(one)
    if isinstance(group, RateGroup):
        limits = group.interval
        text = f"{group.failures}/{group.trials}"
        return text if limits is None else f"{text} (≤ {number(scale * limits.upper, 2)})"
    if group.interval is None:
        return f"{number(scale * group.estimate, 2)} (n = {group.units})"
    decimals = decimals_for(scale * (group.interval.upper - group.interval.lower))
    limits_text = span(group.interval.lower, group.interval.upper, decimals, scale).replace(" to ", "–")
    return f"{number(scale * group.estimate, decimals)} ({limits_text})"


def unit_dots(result: BuildComparison) -> list[Picture]:
    """One picture for each figure: the units of all builds as dots, the differences beside them."""
    names = list(dict.fromkeys(one.figure.name for one in result.compared))
    return [_dots([one for one in result.compared if one.figure.name == name]) for name in names]


def _dots(rows: list[Compared]) -> Picture:
    samples = _samples(rows)
    groups = _groups(rows)
    scale, unit = _scaled(rows[0])
    with report_style():
        places, height = _places(samples)
        figure = new_figure(170, 15 + max(height * ROW_MM, 7.0 * len(rows)))
        left, right = figure.subplots(1, 2, width_ratios=(1.25, 1.0))
        for order, (name, sample) in enumerate(samples.items()):
            _units(left, places[name], sample, scale, PALETTE.series[order % len(PALETTE.series)])
            _mean(left, places[name] - 1.5, groups[name], scale)
        middles = [places[name] + (len(sample.serials) - 1) / 2 for name, sample in samples.items()]
        left.set_yticks(middles, [picture_name(name) for name in samples])
        left.set_ylim(height, 0)
        left.set_xlabel(f"{rows[0].figure.label}, {unit.strip()}")
        left.margins(x=0.06)
        _effects(right, rows)
    listed = "; ".join(
        f"{name}: {len(sample.serials)} units, {number(scale * group.estimate, 2)}{unit}"
        for (name, sample), group in zip(samples.items(), groups.values(), strict=True)
    )
    what = f" ({rows[0].figure.note})" if rows[0].figure.note else ""
    return picture_from_figure(
        figure,
        caption=f"{rows[0].figure.label}{what}. Left: a dot for each unit with its own 95 % where known, the "
        "diamond is the mean over units with 95 %. Right: the difference with 95 %; the shaded zone is the "
        "margin within which builds count as alike.",
        alt=f"{rows[0].figure.label}: {listed}.",
    )


def _samples(rows: list[Compared]) -> dict[str, Sample]:
    return {name: sample for one in rows for name, sample in zip(one.names, one.samples, strict=True)}


def _groups(rows: list[Compared]) -> dict[str, Group]:
    return {
        name: group
        for one in rows
        for name, group in zip(one.names, (one.found.first, one.found.second), strict=True)
    }


def _places(samples: dict[str, Sample]) -> tuple[dict[str, float], float]:
    """Where the first unit of each build is drawn, and the height of all, in rows."""
    places, at = {}, 0.0
    for name, sample in samples.items():
        places[name] = at + 2.5
        at += len(sample.serials) + 2.5
    return places, at + 0.5


def _units(axes: Axes, place: float, sample: Sample, scale: float, colour: str) -> None:
    values = scale * np.array(sample.values)
    half = np.array([0.0 if error is None else 1.96 * scale * error for error in sample.errors])
    rows = place + np.arange(len(values))
    axes.errorbar(values, rows, xerr=half, fmt="o", ms=3, color=colour, elinewidth=0.6, ls="none")


def _mean(axes: Axes, place: float, group: Group, scale: float) -> None:
    limits = group.interval
    half = None
    if limits is not None:
        half = [[scale * (group.estimate - limits.lower)], [scale * (limits.upper - group.estimate)]]
    axes.errorbar(
        [scale * group.estimate], [place], xerr=half, fmt="D", ms=4.5, color=PALETTE.ink, elinewidth=1.2,
        capsize=2.5, ls="none",
    )  # fmt: skip


def _effects(axes: Axes, rows: list[Compared]) -> None:
    ratio = rows[0].found.scale == "ratio"
    scale = 1.0 if ratio else _scaled(rows[0])[0]
    margin, null = rows[0].found.margin, rows[0].found.null
    zone = (1 / margin, margin) if ratio else (-scale * margin, scale * margin)
    axes.axvspan(*zone, color=PALETTE.teal, alpha=0.15, lw=0)
    axes.axvline(null, color=PALETTE.muted, lw=0.6)
    for place, one in enumerate(rows):
        limits = one.found.interval
        value = scale * one.found.difference
        half = None if limits is None else [[value - scale * limits.lower], [scale * limits.upper - value]]
        axes.errorbar(
            [value], [place], xerr=half, fmt="s", ms=4.5, color=PALETTE.blue, elinewidth=1.2, capsize=2.5
        )
    word = "over" if ratio else "less"
    names = [f"{picture_name(one.names[1])}\n{word} {picture_name(one.names[0])}" for one in rows]
    axes.set_yticks(range(len(rows)), names, fontsize=7)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("ratio" if ratio else f"difference, {_scaled(rows[0])[1].strip()}")
    axes.margins(x=0.12)


def unit_table(result: BuildComparison) -> Table:
    """Every unit with its figures, so that nothing hides behind a mean."""
    figures = {one.figure.name: one for one in result.compared}
    columns = [Column("Build", "left"), Column("Serial", "left"), Column("Tested", "left", "21mm")]
    columns += [
        Column(f"{one.figure.short}, {_scaled(one)[1].strip()}", "right", "1fr") for one in figures.values()
    ]
    rows = []
    for name, units in result.groups.items():
        for unit in units:
            cells = [name, unit.serial, (unit.time or UNKNOWN)[:10]]
            for one in figures.values():
                value = dict(zip(*_listed(one.figure.sample([unit])), strict=True)).get(unit.serial)
                cells.append(number(None if value is None else _scaled(one)[0] * value, 2))
            rows.append(tuple(cells))
    return Table(columns=tuple(columns), rows=tuple(rows))


def _listed(sample: Sample) -> tuple[tuple[str, ...], tuple[float, ...]]:
    return sample.serials, sample.values


def remarks(result: BuildComparison) -> Note | None:
    """What a reader must mind; None where there is nothing."""
    told = [*result.remarks, *(f"Could not be used: {problem}" for problem in result.problems)]
    return Note("caution", "Mind", "\n".join(told)) if told else None


def margins_facts(result: BuildComparison) -> Facts:
    """The margins and risks that were stated before."""
    margins = result.margins
    said = margins.model_fields_set
    source = "default of this software, our choice" if not said else "margins file, others default"
    return Facts(
        (
            ("Scatter", f"alike within a factor of {margins.sd_ratio:g}"),
            ("Mean pre-travel", f"alike within {UM_PER_MM * margins.mean_pretravel_mm:g} µm"),
            ("Pre-travel variation", f"alike within {UM_PER_MM * margins.variation_mm:g} µm"),
            ("Unevenness of the arms", f"alike within {UM_PER_MM * margins.unevenness_mm:g} µm"),
            ("Misses", f"alike within {percent(margins.miss_rate, 1)} of the approaches"),
            ("Risk", f"{percent(margins.risk)} of a wrong word in the whole comparison"),
            ("Where from", source),
        )
    )
