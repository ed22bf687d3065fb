"""The pages of a trend: charts over the serials of a build, and over the tests of one serial."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.compared import UNEVENNESS
from probetest.jobs.trend import DRIFT, LOOK_RISK, STEP, FigureChart, History, Trend
from probetest.report.blocks import Column, Note, Picture, Table, picture_from_figure
from probetest.report.comparison import picture_name
from probetest.report.numbers import UM_PER_MM, UNKNOWN, decimals_for, number, p_words, percent, span
from probetest.report.style import PALETTE, new_figure, report_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

MOST_NAMES = 28
"""More serials are named by every second, third ... tick."""

LEVELS = (STEP, DRIFT)
"""Rules that speak of a level from a serial on."""

PANEL_MM = 29.0

HEADLINE = ("sd", "variation", "mean_pretravel")


PANELS = 4
"""Figures of one serial beside each other."""


def overview(found: Trend) -> Note:
    """What the charts say, in plain words."""
    lines = list(told(found))
    return Note("info", f"In short ({found.units} units, {found.tests} tests)", "\n".join(lines))


def told(found: Trend) -> Iterator[str]:
    """A sentence for each signal, step and ageing; one where there is none."""
    quiet = True
    for one in found.charts:
        for text in _signals(one):
            quiet = False
            yield text
    for own in found.histories:
        if own.found.verdict == "grew":
            quiet = False
            yield _grew(own)
    if quiet:
        judged = [one for one in found.charts if not one.chart.reason]
        if judged:
            yield (
                f"Nothing stands out on {len(judged)} charts: no drift, no step, no serial apart, at "
                f"{percent(found.margins.risk)} risk of a false word for each build."
            )
        else:
            yield "Too few serials yet for a chart to say anything: 5 of one build are the least."


def _signals(one: FigureChart) -> Iterator[str]:
    label = one.figure.label
    step = one.step
    for signal in one.signals:
        serial = one.points[signal.index].serial
        if step is not None and step.first == signal.index and signal.rule in LEVELS:
            what = "a step" if signal.rule == STEP else "a slow drift, or a step"
            yield f"{one.build}, {label}: {what} at {serial} ({_step(one)})."
        else:
            yield f"{one.build}, {label}: {serial}, {signal.rule}."
    last = len(one.points) - 1
    said = any(signal.index == last or signal.rule in LEVELS for signal in one.signals)
    if one.look is not None and one.look.alarm and not said:
        newest = one.points[-1].serial
        yield (
            f"{one.build}, {label}: the newest, {newest}, is out of line with those before it "
            f"({', '.join(one.look.rules)}; a false alarm of any figure comes once in about "
            f"{1 / LOOK_RISK:.0f} serials)."
        )


def _step(one: FigureChart) -> str:
    step = one.step
    if step is None or step.shift is None or step.shift_interval is None:
        return ""
    first, last = (one.points[index].serial for index in (step.splits[0], step.splits[-1]))
    where = f"begins at {first}" if first == last else f"begins between {first} and {last}"
    limits = step.shift_interval
    if one.figure.kind == "scatter":
        low, value, high = (f"{np.exp(part):.2f}" for part in (limits.lower, step.shift, limits.upper))
        size = f"by a factor of {value} ({low} to {high})"
    elif one.figure is UNEVENNESS:
        values = np.array([point.value for point in one.points])
        before, after = (np.mean(part) for part in (values[: step.first], values[step.first :]))
        size = f"from {number(UM_PER_MM * before, 2)} to {number(UM_PER_MM * after, 2)} µm on average"
    else:
        decimals = decimals_for(UM_PER_MM * (limits.upper - limits.lower))
        size = (
            f"by {number(UM_PER_MM * step.shift, decimals, sign=True)} µm "
            f"({span(limits.lower, limits.upper, decimals, UM_PER_MM)} µm)"
        )
    return f"{size}, {where}, {p_words(step.p)}"


def _grew(own: History) -> str:
    text = f"{own.serial}, {own.figure.label}: grows by {_growth(own)}"
    reach = own.found.reach
    if reach is not None:
        low, high = (f"{end:.0f}" for end in (reach.interval.lower, reach.interval.upper))
        text += f"; at this rate its limit is reached {reach.after:.0f} days ({low} to {high}) "
        text += "after the last test"
    return text + "."


def _growth(own: History) -> str:
    found = own.found
    if found.slope is None or found.interval is None:
        return UNKNOWN
    if own.relative:
        low, value, high = (
            f"{100 * np.expm1(part):.0f} %"
            for part in (found.interval.lower, found.slope, found.interval.upper)
        )
        return f"{value} a month ({low} to {high})"
    decimals = decimals_for(UM_PER_MM * (found.interval.upper - found.interval.lower))
    limits = span(found.interval.lower, found.interval.upper, decimals, UM_PER_MM)
    return f"{number(UM_PER_MM * found.slope, decimals, sign=True)} µm a month ({limits})"


def build_charts(found: Trend, *, names: Sequence[str] = ()) -> list[Picture]:
    """A picture for each build: its figures over its serials, one below the other."""
    builds = list(dict.fromkeys(one.build for one in found.charts))
    pictures = []
    for build in builds:
        rows = [
            one
            for one in found.charts
            if one.build == build and (not names or one.figure.name in names) and len(one.points) >= 2
        ]
        if rows:
            pictures.append(_build_chart(build, rows, _serials(found, build)))
    return pictures


def headline_charts(found: Trend) -> list[Picture]:
    """Scatter, variation and mean of the build that is called out, else of that which was tested last."""
    called = [one for one in found.charts if one.signals or (one.look is not None and one.look.alarm)]
    dated = [one for one in found.charts if one.points[-1].time]
    if not called and not dated:
        return build_charts(found, names=HEADLINE)[:1]
    newest = max(called or dated, key=lambda one: one.points[-1].time or "")
    rows = [one for one in found.charts if one.build == newest.build and one.figure.name in HEADLINE]
    return [_build_chart(newest.build, rows, _serials(found, newest.build))] if rows else []


def _serials(found: Trend, build: str) -> list[str]:
    """All serials of a build: the chart of misses holds each of them, other figures may lack some."""
    longest = max((one.points for one in found.charts if one.build == build), key=len)
    return [point.serial for point in longest]


def _build_chart(build: str, rows: list[FigureChart], serials: list[str]) -> Picture:
    with report_style():
        figure = new_figure(170, 10 + PANEL_MM * len(rows))
        panels = np.atleast_1d(figure.subplots(len(rows), 1, sharex=True))
        for axes, one in zip(panels, rows, strict=True):
            _panel(axes, one, serials)
        _name_serials(panels[-1], serials)
    risk = sum(one.false_alarm for one in rows)
    flagged = [
        f"{one.points[signal.index].serial} ({one.figure.label}: {signal.rule})"
        for one in rows
        for signal in one.signals
    ]
    return picture_from_figure(
        figure,
        caption=f"{build}: the first test of each serial in the order of time, with its own 95 %. Dashed: "
        "limits that a serial must cross to be called out; a square with a ring was. A line where the level "
        f"changed. Looked at once, any of them gives a false signal in {percent(risk)} if nothing changes; "
        "looked at anew after each serial, more often: the newest serial has a rule of its own.",
        alt=f"Charts of {build} over {len(serials)} serials; called out: {'; '.join(flagged) or 'none'}.",
    )


def _panel(axes: Axes, one: FigureChart, serials: list[str]) -> None:
    scale = UM_PER_MM if one.figure.unit == "mm" else 100.0
    values = scale * np.array([point.value for point in one.points])
    at = {serial: place for place, serial in enumerate(serials)}
    places = np.array([at[point.serial] for point in one.points])
    half = [0.0 if point.error is None else 1.96 * scale * point.error for point in one.points]
    axes.errorbar(places, values, yerr=half, fmt="o-", ms=3, lw=0.6, color=PALETTE.blue, elinewidth=0.5)
    axes.axhline(scale * one.centre, color=PALETTE.muted, lw=0.6)
    for edge in one.limits:
        if edge:
            axes.plot(
                places,
                scale * np.array(edge),
                color=PALETTE.vermilion,
                ls="--",
                lw=0.9,
                drawstyle="steps-mid",
            )
    marked = sorted({signal.index for signal in one.signals})
    if marked:
        axes.plot(places[marked], values[marked], "s", ms=4, color=PALETTE.ink, ls="none")
        axes.plot(
            places[marked], values[marked], "o", ms=9, mfc="none", mec=PALETTE.vermilion, mew=1.1, ls="none"
        )
    for signal in one.signals:
        if signal.rule in LEVELS:
            axes.axvline(places[signal.index] - 0.5, color=PALETTE.ink, lw=0.8, ls=":")
    axes.set_xlim(-0.7, len(serials) - 0.3)
    axes.set_title(f"{one.figure.short}, {'µm' if one.figure.unit == 'mm' else '%'}")
    axes.margins(y=0.12)


def _name_serials(axes: Axes, serials: list[str]) -> None:
    every = -(-len(serials) // MOST_NAMES)
    names = [picture_name(serial) for serial in serials[::every]]
    axes.set_xticks(np.arange(0, len(serials), every), names, rotation=30, ha="right", fontsize=6.0)


def chart_table(found: Trend) -> Table:
    """Each chart with its centre, limits, step and what was called out."""
    rows = []
    for one in found.charts:
        scale = UM_PER_MM if one.figure.unit == "mm" else 100.0
        decimals = decimals_for(scale * (one.upper - one.lower) / 4)
        called = "; ".join(f"{one.points[signal.index].serial}: {signal.rule}" for signal in one.signals)
        step = one.step
        rows.append(
            (
                one.build,
                one.figure.short,
                str(len(one.points)),
                number(scale * one.centre, decimals),
                span(one.lower, one.upper, decimals, scale),
                p_words(step.p) if step is not None and step.p is not None else UNKNOWN,
                called or one.chart.reason or "nothing",
            )
        )
    return Table(
        columns=(
            Column("Build", "left"),
            Column("Figure", "left"),
            Column("n", "right"),
            Column("Centre", "right"),
            Column("Limits", "right"),
            Column("Step", "right"),
            Column("Called out", "left", "1fr"),
        ),
        rows=tuple(rows),
        note="µm; misses in %. Limits that decide: so wide that charts of so few serials give a false signal "
        "at the stated risk. Step: chance of so large a change of level without one.",
    )


def history_charts(found: Trend) -> list[Picture]:
    """A picture for each serial that was tested at least three times."""
    serials = list(dict.fromkeys(own.serial for own in found.histories))
    return [_history([own for own in found.histories if own.serial == serial]) for serial in serials]


def _history(rows: list[History]) -> Picture:
    with report_style():
        lines = -(-len(rows) // PANELS)
        figure = new_figure(170, 46 * lines)
        panels = np.atleast_1d(figure.subplots(lines, min(PANELS, len(rows)))).ravel()
        for empty in panels[len(rows) :]:
            empty.set_axis_off()
        for axes, own in zip(panels, rows, strict=False):
            values = UM_PER_MM * np.array([point.value for point in own.points])
            half = [0.0 if point.error is None else 1.96 * UM_PER_MM * point.error for point in own.points]
            axes.errorbar(
                own.days, values, yerr=half, fmt="o", ms=3.5, color=PALETTE.blue, elinewidth=0.7, ls="none"
            )
            if own.found.slope is not None:
                _line(axes, own, values)
            axes.set_title(own.figure.short)
            axes.set_xlabel("days since the first test")
            axes.margins(x=0.08, y=0.15)
        for axes in panels[::PANELS]:
            axes.set_ylabel("µm")
    return picture_from_figure(
        figure,
        caption=f"{rows[0].serial} over its {len(rows[0].points)} tests, each with its 95 %. The line is the "
        "fit; it is dashed where growth is not shown.",
        alt=f"{rows[0].serial}: "
        + "; ".join(f"{own.figure.label}: {own.found.verdict}" for own in rows)
        + ".",
    )


def _line(axes: Axes, own: History, values: Floats) -> None:
    days = np.array(own.days)
    worked = np.log(values) if own.relative else values
    slope = (own.found.slope or 0.0) / own.found.per * (1.0 if own.relative else UM_PER_MM)
    middle = np.average(worked - slope * days)
    fine = np.linspace(days.min(), days.max(), 50)
    line = middle + slope * fine
    shown = own.found.verdict == "grew"
    axes.plot(
        fine,
        np.exp(line) if own.relative else line,
        color=PALETTE.vermilion,
        ls="-" if shown else "--",
        lw=0.9,
    )


def history_table(found: Trend) -> Table | Note:
    """Growth of each figure of each serial that was tested at least three times."""
    if not found.histories:
        return Note(
            "info",
            "No serial was tested three times",
            "Whether a contact ages is seen by testing the same serial again, with days between the tests.",
        )
    rows = tuple(
        (
            own.serial,
            own.figure.short,
            str(len(own.points)),
            _growth(own),
            own.found.verdict,
            _reach(own),
        )
        for own in found.histories
    )
    months = f"{found.margins.ageing_months:g}"
    return Table(
        columns=(
            Column("Serial", "left"),
            Column("Figure", "left"),
            Column("Tests", "right"),
            Column("Growth, a month", "right", "1fr"),
            Column("Verdict", "left"),
            Column("Limit reached in days", "right"),
        ),
        rows=rows,
        note=f"Grew: by more than the margin in {months} months is shown; did not grow: less is shown. The "
        "limit is reached if the figure goes on as it did, which nothing promises.",
    )


def _reach(own: History) -> str:
    reach = own.found.reach
    if reach is None:
        return UNKNOWN
    return f"{reach.after:.0f} ({reach.interval.lower:.0f} to {reach.interval.upper:.0f})"


def remarks(found: Trend) -> Note | None:
    """What a reader must mind; None where there is nothing."""
    lines = [*found.remarks, *(f"Could not be used: {problem}" for problem in found.problems)]
    return Note("caution", "Mind", "\n".join(lines)) if lines else None
