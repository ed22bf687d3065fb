"""Is production drifting, is a contact ageing: charts over serials, and over the tests of one serial."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from probetest.faults import printable
from probetest.jobs.arm_figures import ArmFigure, arm_figures, in_one_order
from probetest.jobs.compared import MEAN, MISSES, MIXED_VARIATION, OWN_VARIATION, SCATTER, UNEVENNESS, Figure
from probetest.jobs.ramping import Ramp
from probetest.jobs.tested import Gathered, Tested
from probetest.margins import Margins
from probetest.statistics.ageing import Ageing, ageing
from probetest.statistics.changepoint import Look, StepChange, newest, step_change
from probetest.statistics.charts import Chart, CountChart, count_chart, individuals_chart
from probetest.statistics.unit_comparison import log_sd

DAYS_PER_MONTH = 365.25 / 12
SECONDS_PER_DAY = 86_400.0

FEWEST_TESTS = 3
"""Tests of one serial that show whether it ages."""

MOST_CHARTED = 500
"""Serials of a build on its charts, the newest ones; the limits are simulated for no more."""

UNEQUAL = 1.5
"""Uncertainties of the points that differ by more than this factor are allowed for."""

SHORTEST_DAYS = 14.0
"""Tests of fewer days are no ground for a growth by the month."""

LOOK_RISK = 0.01
"""Of a false alarm of the newest serial, all figures of a build together."""

STEP = "step from here on"
DRIFT = "slow drift, or a step from here on"
LINE_FITS = 1.15
"""A line that leaves at most so much more than the best step is not told from it."""

ARM_SHARE = 0.2
"""Share of the risk of ageing that is spent on the arms one by one."""


@dataclass(frozen=True, slots=True)
class Point:
    """A unit, or a test of one, on a chart.

    Attributes
    ----------
    serial : str
    time : str or None
    value : float
        Of the figure, in its unit (mm, or a share).
    error : float or None
        Standard uncertainty of the value by its own test.
    """

    serial: str
    time: str | None
    value: float
    error: float | None


@dataclass(frozen=True, slots=True)
class Told:
    """A signal.

    Attributes
    ----------
    index : int
        Of the point, from 0.
    rule : str
    """

    index: int
    rule: str


@dataclass(frozen=True, slots=True)
class FigureChart:
    """One figure over the serials of a build.

    Attributes
    ----------
    figure : Figure
    build : str
    points : tuple of Point
        The first test of each serial, in the order of time.
    chart : Chart or CountChart
        Of scatter the chart of its logarithm.
    step : StepChange or None
        One change of the level; None for misses.
    look : Look or None
        The newest serial against those before it; None for misses.
    centre, lower, upper : float
        Centre and limits in the unit of the figure: those that decide where there are such, else the
        textbook's.
    limits : tuple of (tuple of float, tuple of float)
        Lower and upper limit of each point that decide; empty where nothing was decided.
    signals : tuple of Told
    false_alarm : float
        Chance of any signal of this chart, the step included, if nothing changes.
    """

    figure: Figure
    build: str
    points: tuple[Point, ...]
    chart: Chart | CountChart
    step: StepChange | None
    look: Look | None
    centre: float
    lower: float
    upper: float
    limits: tuple[tuple[float, ...], tuple[float, ...]]
    signals: tuple[Told, ...]
    false_alarm: float


@dataclass(frozen=True, slots=True)
class History:
    """One figure over the tests of one serial.

    Attributes
    ----------
    figure : Figure
    serial : str
    points : tuple of Point
    days : tuple of float
        Since the first test.
    found : Ageing
        Growth per month; of scatter that of its logarithm.
    relative : bool
        Whether growth is a share of the figure (scatter) or a length.
    """

    figure: Figure
    serial: str
    points: tuple[Point, ...]
    days: tuple[float, ...]
    found: Ageing
    relative: bool


@dataclass(frozen=True, slots=True)
class Trend:
    """What a register tells of a production.

    Attributes
    ----------
    charts : tuple of FigureChart
    histories : tuple of History
    ramp : Ramp
    units, tests : int
    margins : Margins
    remarks, problems : tuple of str
    """

    charts: tuple[FigureChart, ...]
    histories: tuple[History, ...]
    ramp: Ramp
    units: int
    tests: int
    margins: Margins
    remarks: tuple[str, ...]
    problems: tuple[str, ...]

    @property
    def standing_out(self) -> tuple[str, ...]:
        """Serials that a chart, the look at the newest, or a history calls out."""
        names = [one.points[told.index].serial for one in self.charts for told in one.signals]
        names += [one.points[-1].serial for one in self.charts if one.look is not None and one.look.alarm]
        names += [own.serial for own in self.histories if own.found.verdict == "grew"]
        return tuple(dict.fromkeys(names))


def make_trend(gathered: Gathered, ramp: Ramp, margins: Margins) -> Trend:
    """Charts of each build over its serials, and of each serial over its tests.

    Parameters
    ----------
    gathered : Gathered
    ramp : Ramp
    margins : Margins

    Returns
    -------
    Trend

    Notes
    -----
    The risk of any false signal is ``margins.risk`` for each build: half of it on charts, half on steps,
    shared equally by the figures (Bonferroni). The look at the newest serial has its own risk, shared by
    the figures too. Ageing has ``margins.risk`` for all serials and figures together.
    """
    tests = gathered.tests
    builds: dict[str, dict[str, Tested]] = {}
    by_serial: dict[str, list[Tested]] = {}
    for one in tests:
        builds.setdefault(one.result.build or "no build stated", {}).setdefault(one.serial, one)
        by_serial.setdefault(one.serial, []).append(one)
    charts = [
        chart
        for build, units in builds.items()
        for chart in _charts(build, list(units.values())[-MOST_CHARTED:], margins)
    ]
    remarks = list(gathered.remarks)
    remarks.extend(
        f"{printable(build)} has {len(units)} serials; the charts hold the newest {MOST_CHARTED}."
        for build, units in builds.items()
        if len(units) > MOST_CHARTED
    )
    undated = [printable(one.where) for one in tests if one.time is None]
    if undated:
        names = ", ".join(undated[:5])
        remarks.append(f"{len(undated)} tests have no day and stand behind the others: {names}.")
    aged = {serial: _aged(serial, own, remarks) for serial, own in by_serial.items()}
    waiting = [
        (serial, figure, own)
        for serial, own in aged.items()
        if own
        for figure in (*_lengths(own), *arm_figures(own))
        if len(_points(figure, own)) >= FEWEST_TESTS
    ]
    arms = sum(isinstance(figure, ArmFigure) for _, figure, _ in waiting)
    share = ARM_SHARE if arms else 0.0
    lengths = margins.risk * (1.0 - share) / max(1, len(waiting) - arms)
    # An arm is looked at for both ways in which it may change.
    of_arms = margins.risk * share / max(1, 2 * arms)
    found = (
        _history(serial, figure, own, margins, 1.0 - (of_arms if isinstance(figure, ArmFigure) else lengths))
        for serial, figure, own in waiting
    )
    histories = [one for one in found if one is not None]
    return Trend(
        tuple(charts), tuple(histories), ramp, len(by_serial), len(tests), margins, tuple(remarks),
        gathered.problems,
    )  # fmt: skip


def _lengths(units: Sequence[Tested]) -> tuple[Figure, ...]:
    alone = all(one.own_variation_mm is not None for one in units)
    return (SCATTER, OWN_VARIATION if alone else MIXED_VARIATION, MEAN, UNEVENNESS)


def _charts(build: str, units: list[Tested], margins: Margins) -> Iterator[FigureChart]:
    wanted = [figure for figure in _lengths(units) if len(_points(figure, units)) >= 2]
    share = margins.risk / (len(wanted) + 1)
    for figure in wanted:
        yield _length_chart(figure, build, _points(figure, units), units, share, LOOK_RISK / len(wanted))
    if len(units) >= 2:
        yield _miss_chart(build, units, share)


def _points(figure: Figure, tests: Sequence[Tested]) -> tuple[Point, ...]:
    sample = [figure.sample([one]) for one in tests]
    return tuple(
        Point(one.serial, one.time, part.values[0], part.errors[0])
        for one, part in zip(tests, sample, strict=True)
        if part.values
    )


def _worked(
    figure: Figure, points: Sequence[Point], tests: Sequence[Tested]
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any] | None]:
    """Values as they are charted (scatter by its logarithm), and their uncertainties where all are known."""
    if figure.kind == "scatter":
        known = [one for one in tests if one.sd_mm is not None]
        logs = log_sd([one.sd_mm or 0.0 for one in known], [one.sd_dof or 0.0 for one in known])
        return logs.value, logs.standard_error
    errors = [point.error for point in points]
    values = np.array([point.value for point in points])
    known_errors = [error for error in errors if error is not None and error > 0]
    return values, np.array(known_errors) if len(known_errors) == len(errors) else None


def _length_chart(
    figure: Figure,
    build: str,
    points: tuple[Point, ...],
    units: Sequence[Tested],
    share: float,
    per_look: float,
) -> FigureChart:
    values, errors = _worked(figure, points, units)
    back: Callable[[Any], Any] = np.exp if figure.kind == "scatter" else np.asarray
    if figure is UNEVENNESS:
        # An amplitude is skew; its root is nearly normal.
        values, errors, back = np.sqrt(values), None, lambda root: np.maximum(root, 0.0) ** 2
    unequal = errors is not None and errors.max() > UNEQUAL * errors.min()
    chart = individuals_chart(values, errors if unequal else None, step=0.0, false_alarm=share / 2)
    step = step_change(values)
    look = newest(values, per_look=per_look)
    told = [Told(one.index, one.rule) for one in chart.signals]
    if step.p is not None and step.p <= share / 2 and step.first is not None:
        told.append(Told(step.first, DRIFT if _like_a_line(values, step.first) else STEP))
    low, high = (tuple(float(back(v)) for v in part) for part in (chart.signal_lower, chart.signal_upper))
    return FigureChart(
        figure,
        build,
        points,
        chart,
        step,
        look,
        centre=float(back(chart.centre)),
        lower=min(low) if low else float(back(chart.lower)),
        upper=max(high) if high else float(back(chart.upper)),
        limits=(low, high),
        signals=tuple(sorted(told, key=lambda one: one.index)),
        false_alarm=share,
    )


def _like_a_line(values: np.ndarray[Any, Any], first: int) -> bool:
    """Whether a straight line describes the values about as well as the best step."""
    place = np.arange(len(values))
    line = values - np.polyval(np.polyfit(place, values, 1), place)
    step = np.concatenate([part - part.mean() for part in (values[:first], values[first:])])
    return float(line @ line) <= LINE_FITS * float(step @ step)


def _miss_chart(build: str, units: Sequence[Tested], share: float) -> FigureChart:
    failures = [one.failed for one in units]
    trials = [one.approaches for one in units]
    chart = count_chart(failures, trials, false_alarm=share)
    points = tuple(Point(one.serial, one.time, one.failed / one.approaches, None) for one in units)
    upper = tuple(limit / tried for limit, tried in zip(chart.upper, trials, strict=False))
    return FigureChart(
        MISSES,
        build,
        points,
        chart,
        None,
        None,
        centre=chart.share,
        lower=0.0,
        upper=max(upper, default=1.0),
        limits=((), upper),
        signals=tuple(Told(one.index, one.rule) for one in chart.signals),
        false_alarm=share,
    )


def _aged(serial: str, tests: Sequence[Tested], remarks: list[str]) -> list[Tested]:
    """The tests of a serial that can show whether it ages; none where they can't."""
    dated = [one for one in tests if one.time is not None]
    if len(tests) < FEWEST_TESTS:
        return []
    if len(dated) < FEWEST_TESTS:
        remarks.append(f"{printable(serial)}: its tests have no day, so that ageing can't be told.")
        return []
    span = _days(dated)[-1]
    if span < SHORTEST_DAYS:
        remarks.append(
            f"{printable(serial)}: its tests lie within {span:.1f} days; ageing is looked for from "
            f"{SHORTEST_DAYS:.0f} days on."
        )
        return []
    return in_one_order(dated)


def _days(tests: Sequence[Tested]) -> list[float]:
    times = [datetime.fromisoformat(one.time or "") for one in tests]
    return [(time - times[0]).total_seconds() / SECONDS_PER_DAY for time in times]


def _history(
    serial: str, figure: Figure, tests: Sequence[Tested], margins: Margins, level: float
) -> History | None:
    known = [one for one in tests if figure.sample([one]).values]
    points = _points(figure, known)
    values, errors = _worked(figure, points, known)
    if errors is None:
        return None
    relative = figure.kind == "scatter"
    margin = figure.margin(margins)
    found = ageing(
        _days(known),
        values,
        errors,
        margin=(float(np.log(margin)) if relative else margin) / margins.ageing_months,
        per=DAYS_PER_MONTH,
        limit=_limit(figure, known[-1], relative=relative),
        level=level,
    )
    return History(figure, serial, points, tuple(_days(known)), found, relative)


def _limit(figure: Figure, last: Tested, *, relative: bool) -> float | None:
    """The maker's limit on the figure, as it is charted."""
    limits = last.result.limits
    by_name = {"sd": limits.max_pooled_sd_mm, "variation": limits.max_pretravel_variation_mm}
    limit = by_name.get(figure.name)
    return None if limit is None else float(np.log(limit)) if relative else limit
