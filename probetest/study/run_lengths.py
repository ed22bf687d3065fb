"""``python -m probetest.study.run_lengths``: how long a production runs until an alarm, true or false."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.changepoint import (
    PER_LOOK,
    SETTLED,
    look_limits,
    moving_averages,
    self_starting,
)
from probetest.statistics.chart_constants import (
    FALSE_ALARM,
    WEIGHT,
    critical_values,
    d2,
    rule_statistics,
)
from probetest.study.summary import markdown_table

Floats = NDArray[np.float64]

SEED = 20261128
FIRST = 10
"""Serials before the first that is looked at; a shift begins right after them."""

SHIFTS = (0.0, 0.5, 1.0, 2.0, 3.0)
"""Of the level, in sd of the serials."""

LAST = 500
"""Looks after which a production that raised no alarm is counted as it stands."""

SOON, LATER = 10, 30
"""Looks within which the share of alarms is told."""

KNOWN_WIDTH, KNOWN_AVERAGE_WIDTH = 3.0, 2.86
"""Textbook widths with known level and scatter; the average's makes one false alarm in 370 (from memory)."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Looks until the alarm, of many productions.

    Attributes
    ----------
    length : ndarray of float
        Looks up to and with the alarm; ``LAST`` + 1 where there was none.
    """

    length: Floats

    @property
    def median(self) -> float:
        """Looks until half of the productions had an alarm."""
        return float(np.median(self.length))

    @property
    def mean(self) -> float:
        """Average run length; the runs cut off go on at the rate of alarms in the second half."""
        cut = self.length > LAST
        late = int(((self.length > LAST / 2) & ~cut).sum())
        exposure = float((np.minimum(self.length, LAST) - LAST / 2)[self.length > LAST / 2].sum())
        if not cut.any():
            return float(self.length.mean())
        if not late:
            return float("inf")
        return float((np.minimum(self.length, LAST).sum() + cut.sum() * exposure / late) / len(self.length))

    def within(self, looks: int) -> float:
        """Share with an alarm within so many looks."""
        return float((self.length <= looks).mean())


def first_alarm(alarms: NDArray[np.bool_]) -> Runs:
    """Runs from alarms of shape (productions, looks)."""
    found = alarms.any(axis=1)
    return Runs(np.where(found, alarms.argmax(axis=1) + 1.0, LAST + 1.0))


def simulated(shift: float, runs: int, looks: int = LAST) -> Floats:
    """Serials of many productions, shape (runs, FIRST + looks), shifted after the first ones."""
    rows = np.random.default_rng(SEED).normal(size=(runs, FIRST + looks))
    rows[:, FIRST:] += shift
    return rows


def known_limits(rows: Floats) -> Runs:
    """Individuals against 3 sd about the true level."""
    return first_alarm(np.abs(rows[:, FIRST:]) >= KNOWN_WIDTH)


def known_average(rows: Floats) -> Runs:
    """Moving average from the true level on, with textbook limits of the settled average."""
    new = rows[:, FIRST:]
    grown = np.sqrt(1 - (1 - WEIGHT) ** (2 * np.arange(1, new.shape[1] + 1)))
    return first_alarm(np.abs(moving_averages(new)) * grown >= KNOWN_AVERAGE_WIDTH)


def limits_of_the_first(rows: Floats) -> Runs:
    """Individuals against textbook limits made of the first serials."""
    first = rows[:, :FIRST]
    sigma = np.abs(np.diff(first, axis=1)).mean(axis=1, keepdims=True) / d2(2)
    return first_alarm(np.abs(rows[:, FIRST:] - first.mean(axis=1, keepdims=True)) >= KNOWN_WIDTH * sigma)


def looked_at_newest(rows: Floats) -> Runs:
    """The newest serial by `probetest.statistics.changepoint.newest`."""
    deviates = self_starting(rows)
    looks = rows.shape[1] - FIRST
    limits = np.array(look_limits(FIRST + 1, PER_LOOK))[np.minimum(np.arange(looks), SETTLED - 1)]
    alone = np.abs(deviates) >= -special.ndtri(PER_LOOK / 4)
    return first_alarm(alone[:, FIRST - 2 :] | (np.abs(moving_averages(deviates))[:, FIRST - 2 :] >= limits))


def charts_anew(rows: Floats, looks: int) -> Runs:
    """The whole chart at its false alarm, anew after each serial: any signal anywhere."""
    alarms = np.zeros((len(rows), looks), dtype=bool)
    for look in range(looks):
        part = rows[:, : FIRST + look + 1]
        limits = critical_values(part.shape[1])
        found = zip(rule_statistics(part, WEIGHT), limits, strict=True)
        alarms[:, look] = np.any([score.max(axis=1) >= limit for score, limit in found], axis=0)
    return first_alarm(alarms)


METHODS = {
    "textbook limits, level and scatter known": known_limits,
    f"moving average, known, width {KNOWN_AVERAGE_WIDTH:g}": known_average,
    f"textbook limits of the first {FIRST}": limits_of_the_first,
    f"newest serial, {100 * PER_LOOK:g} % a look": looked_at_newest,
}


def page(runs: int) -> str:
    """The page of tables, in Markdown."""
    rows = {shift: simulated(shift, runs) for shift in SHIFTS}
    table = []
    for name, method in METHODS.items():
        for shift in SHIFTS:
            found = method(rows[shift])
            mean = f"{found.mean:.1f}" if found.mean < 20 * LAST else f"above {20 * LAST}"
            shares = [f"{100 * found.within(looks):.1f}" for looks in (SOON, LATER)]
            table.append([name, f"{shift:g}", mean, f"{found.median:g}", *shares])
    exact = [f"{1 / special.ndtr([s - KNOWN_WIDTH, -s - KNOWN_WIDTH]).sum():.1f}" for s in SHIFTS]
    few = min(runs, max(200, runs // 4))
    anew = []
    for shift in SHIFTS:
        charts, new = (
            charts_anew(rows[shift][:few], LATER),
            looked_at_newest(rows[shift][:few]),
        )
        anew.append(
            [f"{shift:g}"]
            + [f"{100 * part.within(looks):.1f}" for part in (charts, new) for looks in (SOON, LATER)]
        )
    header = [
        "limits", "shift / sd", "mean looks to the alarm", "median",
        f"alarm within {SOON} / %", f"within {LATER} / %",
    ]  # fmt: skip
    second = [
        "shift / sd", f"whole chart anew: within {SOON} / %", f"within {LATER} / %",
        f"newest serial: within {SOON} / %", f"within {LATER} / %",
    ]  # fmt: skip
    return f"""# How long until an alarm?

Simulated productions of normal serials: {FIRST} serials, then each new serial is looked at when it
arrives. A shift begins with the first of them. {runs} productions a row, one fixed seed; the standard
error of a share is at most {100 * 0.5 / np.sqrt(runs):.1f} %. A production without an alarm in {LAST} looks
is taken to go on at its rate of the second half; where limits are estimated that makes the mean too small.

Made by `python -m probetest.study.run_lengths`.

{markdown_table(header, table)}

The exact mean for known textbook limits, 1 / (chance beyond the limits), is {exact[0]}; with the shifts
{", ".join(exact[1:])}.

## A whole chart anew after each serial

A chart keeps its false alarm of {100 * FALSE_ALARM:g} % if it is looked at once. Looked at after each
serial, its false alarms add up, for {few} productions a row:

{markdown_table(second, anew)}

The chart then raises more false alarms than it states. The newest serial raises {100 * PER_LOOK:g} % a
look, whatever the number of looks.
"""


@click.command()
@click.option("--runs", default=4000, show_default=True, help="Productions of each row.")
@click.option("--out", default=Path("reports/study"), show_default=True, type=click.Path(path_type=Path))
def main(runs: int, out: Path) -> None:
    """Count the looks until a true or a false alarm."""
    out.mkdir(parents=True, exist_ok=True)
    unfinished = out / ".run_lengths.md.part"
    unfinished.write_text(page(runs), encoding="utf-8")
    click.echo(unfinished.replace(out / "run_lengths.md"))


if __name__ == "__main__":
    main()
