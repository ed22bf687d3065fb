"""``python -m probetest.study.separation_study``: probe and machine told apart, against known truth."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

# Many small matrices: threads of the linear algebra only get into each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn
from scipy import stats

from probetest.report.style import PALETTE, TEXT_WIDTH_MM, figure_to_svg, new_figure, report_style
from probetest.simulate import Mill, Probe, fixed_error, pretravel
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import Interval
from probetest.statistics.separation import MISFIT_RISK, separate
from probetest.statistics.turns import Turn
from probetest.statistics.variation import pretravel_variation
from probetest.study.summary import markdown_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

SEED = 20261126
CHUNK = 25
"""Runs that share one stream of chance."""

DIRECTIONS, TOUCHES, SD_MM = 24, 5, 0.002
REVERSAL_MM, TWO_LOBE_MM, RUNOUT_MM = 0.025, 0.010, 0.025
GOAL_MM = 0.002
"""An error of the probe's variation should stay below it in 95 % of the tests."""

EARLY_GAIN = 0.8
"""Trip force of an early arm, of what it would be."""

GOAL_SET = (0.0, 30.0, 90.0, 210.0)
OTHER_SETS = ((0.0, 90.0, 180.0, 270.0), (0.0, 30.0, 105.0), (0.0, 180.0), (0.0, 120.0, 240.0), (0.0,))
KINDS = {
    "healthy": Probe(),
    "one early arm": Probe(threshold_n=(0.0, (1 - EARLY_GAIN) * Probe().preload_n / 3, 0.0)),
    "ideal arms": Probe(wall_angle_deg=0.0),
}
FINE_DEG = np.arange(0.0, 360.0, 0.1)


@dataclass(frozen=True, slots=True)
class Case:
    """What is simulated: orientations, true variation of the probe over all directions, its kind.

    Attributes
    ----------
    orientations_deg : tuple of float
    variation_mm : float
    kind : str
    """

    orientations_deg: tuple[float, ...] = GOAL_SET
    variation_mm: float = 0.010
    kind: str = "healthy"

    @property
    def orientations(self) -> str:
        """Orientations in words."""
        return ", ".join(f"{angle:g}" for angle in self.orientations_deg) + "°"

    @property
    def name(self) -> str:
        """The case in words."""
        return f"{self.orientations}; {self.size}"

    @property
    def size(self) -> str:
        """Variation and shape of the probe in words."""
        return f"{1000 * self.variation_mm:g} µm, {self.shape}"

    @property
    def shape(self) -> str:
        """The probe in words."""
        return "no lobing" if self.variation_mm == 0 else self.kind


GOAL = Case()


def all_cases() -> list[Case]:
    """The goal case, others of its orientations, then other orientations."""
    own = [Case(variation_mm=size, kind=kind) for size in (0.010, 0.030, 0.050) for kind in KINDS]
    varied = ((0.010, "healthy"), (0.030, "healthy"), (0.030, "one early arm"))
    others = [Case(angles, size, kind) for angles in OTHER_SETS for size, kind in varied]
    return [*own, Case(variation_mm=0.0), *others]


@dataclass(frozen=True, eq=False, slots=True)
class Truth:
    """Truth behind one simulated test: ``scale`` times the pre-travel of a probe, on a mill.

    Attributes
    ----------
    probe : Probe
    scale : float
    mill : Mill
    runout_mm : tuple of float
        x, y of the ball at orientation 0.
    """

    probe: Probe
    scale: float
    mill: Mill
    runout_mm: tuple[float, float]

    def probe_curve(self, body_deg: ArrayLike) -> Floats:
        """Pre-travel in mm, for azimuths seen from the probe."""
        return self.scale * pretravel(self.probe, body_deg)

    def machine_curve(self, azimuth_deg: ArrayLike) -> Floats:
        """What the machine adds, mm."""
        return fixed_error(self.mill, azimuth_deg)

    def reading(self, azimuth_deg: Floats, orientation_deg: float) -> Floats:
        """Reading without scatter, the ball off the axis."""
        turned = np.deg2rad(orientation_deg)
        cos, sin = np.cos(turned), np.sin(turned)
        offset = np.array([[cos, -sin], [sin, cos]]) @ np.asarray(self.runout_mm)
        curves = self.probe_curve(azimuth_deg - orientation_deg) + self.machine_curve(azimuth_deg)
        return np.asarray(curves - unit_vectors(azimuth_deg) @ offset)


def draw_truth(case: Case, rng: np.random.Generator) -> Truth:
    """A probe and a machine of a case: arm azimuth, two-lobe and run-out azimuth at random."""
    probe = replace(KINDS[case.kind], arm_azimuth_deg=float(rng.uniform(0, 120)))
    mill = Mill(
        reversal_mm=(REVERSAL_MM, REVERSAL_MM),
        two_lobe_mm=TWO_LOBE_MM,
        two_lobe_azimuth_deg=float(rng.uniform(0, 180)),
    )
    towards = rng.uniform(0, 2 * np.pi)
    runout = (float(RUNOUT_MM * np.cos(towards)), float(RUNOUT_MM * np.sin(towards)))
    return Truth(probe, case.variation_mm / true_variation(pretravel(probe, FINE_DEG)), mill, runout)


def true_variation(curve_mm: Floats) -> float:
    """Largest less smallest value of a curve over ``FINE_DEG``, constant and first order taken out."""
    plain = np.column_stack([np.ones(len(FINE_DEG)), unit_vectors(FINE_DEG)])
    return float(np.ptp(curve_mm - plain @ np.linalg.lstsq(plain, curve_mm, rcond=None)[0]))


def make_turn(orientation_deg: float, azimuth_deg: Floats, readings_mm: Floats) -> Turn:
    """Means and scatter of one orientation; readings along the approach, shape (directions, touches)."""
    mean = readings_mm.mean(axis=1)
    plain = np.column_stack([np.ones(len(mean)), unit_vectors(azimuth_deg)])
    centre = np.linalg.lstsq(plain, mean, rcond=None)[0][1:]
    touches = readings_mm.shape[1]
    return Turn(
        orientation_deg=orientation_deg,
        azimuth_deg=azimuth_deg,
        mean_mm=mean - plain[:, 1:] @ centre,
        counts=np.full(len(mean), touches),
        centre_mm=(float(centre[0]), float(centre[1])),
        sd_mm=float(np.sqrt(readings_mm.var(axis=1, ddof=1).mean())),
        dof=float(len(mean) * (touches - 1)),
    )


def simulate_turns(
    truth: Truth,
    orientations_deg: Sequence[float],
    rng: np.random.Generator,
    *,
    directions: int = DIRECTIONS,
    touches: int = TOUCHES,
    sd_mm: float = SD_MM,
) -> list[Turn]:
    """One test: the same directions at each orientation, normal scatter."""
    azimuth = np.arange(directions) * 360.0 / directions
    return [
        make_turn(
            angle,
            azimuth,
            truth.reading(azimuth, angle)[:, None] + rng.normal(0.0, sd_mm, (directions, touches)),
        )
        for angle in orientations_deg
    ]


def judge(case: Case, rng: np.random.Generator) -> dict[str, float]:
    """Marks of one simulated test; what it can't give is left out."""
    truth = draw_truth(case, rng)
    turns = simulate_turns(truth, case.orientations_deg, rng)
    if len(turns) == 1:
        (turn,) = turns
        alone = pretravel_variation(turn.mean_mm, turn.azimuth_deg, turn.counts, turn.sd_mm, turn.dof)
        return _marks("probe", alone.variation_mm, alone.interval_mm, case.variation_mm)
    found = separate(turns)
    marks = {
        "misfit": float(found.misfit_p < MISFIT_RISK),
        "runout covers": float(RUNOUT_MM in found.runout.interval_mm),
    }
    if found.probe is not None and found.machine is not None:
        machine = true_variation(truth.machine_curve(FINE_DEG))
        marks |= _marks("probe", found.probe.variation_mm, found.probe.interval_mm(), case.variation_mm)
        marks |= _marks("machine", found.machine.variation_mm, found.machine.interval_mm(), machine)
    return marks


def _marks(whose: str, value: float, interval: Interval, true: float) -> dict[str, float]:
    return {
        f"{whose} error": value - true,
        f"{whose} covers": float(true in interval),
        f"{whose} half": interval.half_width,
    }


def judge_chunk(case: Case, chunk: int, runs: int) -> pd.DataFrame:
    """Marks of some tests of a case, one row each."""
    rng = np.random.default_rng([SEED, chunk, *case.name.encode()])
    return pd.DataFrame([judge(case, rng) for _ in range(runs)])


def run_cases(
    plan: Sequence[tuple[Case, int]], *, processes: int = 1, done: Callable[[], None] = lambda: None
) -> dict[Case, pd.DataFrame]:
    """Judge so many tests of each case.

    ``plan`` holds each case once, and its tests; ``done`` is called after each of its `chunks_of`.
    """
    chunks = list(chunks_of(plan))
    parts: dict[Case, list[pd.DataFrame]] = {case: [] for case, _ in plan}
    with ProcessPoolExecutor(processes) as pool:
        for (case, _, _), part in zip(chunks, pool.map(judge_chunk, *zip(*chunks, strict=True)), strict=True):
            parts[case].append(part)
            done()
    return {case: pd.concat(rows, ignore_index=True) for case, rows in parts.items()}


def chunks_of(plan: Sequence[tuple[Case, int]]) -> Iterator[tuple[Case, int, int]]:
    """Case, number and tests of each chunk of a plan."""
    for case, runs in plan:
        for chunk, first in enumerate(range(0, runs, CHUNK)):
            yield case, chunk, min(CHUNK, runs - first)


def share_text(hits: pd.Series[float]) -> str:
    """A share in per cent with its standard error, which is not 0 where all or none are hits."""
    n = len(hits)
    drawn = (hits.sum() + 1) / (n + 2)
    return f"{100 * hits.mean():.1f} ± {100 * np.sqrt(drawn * (1 - drawn) / n):.1f}"


def _row(case: Case, marks: pd.DataFrame, whose: str) -> list[str]:
    error = 1000 * marks[f"{whose} error"]
    within = (error.abs() <= 1000 * GOAL_MM).astype(float)
    return [
        case.orientations,
        f"{1000 * case.variation_mm:g}",
        case.shape,
        str(len(error)),
        f"{error.mean():+.2f} ± {error.std() / np.sqrt(len(error)):.2f}",
        f"{error.abs().quantile(0.95):.2f}",
        share_text(within),
        share_text(marks[f"{whose} covers"]),
        f"{1000 * marks[f'{whose} half'].mean():.2f}",
    ]


def _missed(found: dict[Case, pd.DataFrame]) -> str:
    """Which cases of the goal's orientations miss it, and where the interval covers too rarely."""
    own = {case.size: marks for case, marks in found.items() if case.orientations_deg == GOAL_SET}
    missed = [name for name, marks in own.items() if (marks["probe error"].abs() <= GOAL_MM).mean() < 0.95]
    low = [n for n, m in own.items() if m["probe covers"].sum() < stats.binom.ppf(0.025, len(m), 0.95)]
    return (
        f"Missed in {len(missed)} of {len(own)} cases ({'; '.join(missed) or 'none'}), and the interval "
        f"holds the truth clearly too rarely in {len(low)} ({'; '.join(low) or 'none'})."
    )


def separation_page(found: dict[Case, pd.DataFrame]) -> str:
    """The page of tables, in Markdown."""
    header = [
        "orientations", "probe varies by / µm", "probe", "n", "bias / µm", "95 % of errors below / µm",
        f"within {1000 * GOAL_MM:g} µm / %", "interval holds the truth / %", "half-width / µm",
    ]  # fmt: skip
    tables = {
        whose: markdown_table(
            header, [_row(c, marks, whose) for c, marks in found.items() if f"{whose} error" in marks]
        )
        for whose in ("probe", "machine")
    }
    rest = [
        [c.name, str(len(marks)), share_text(marks["misfit"]), share_text(marks["runout covers"])]
        for c, marks in found.items()
        if "misfit" in marks
    ]
    none = {c.orientations: None for c, marks in found.items() if "probe error" not in marks}
    refused = f"No curve is given with {'; '.join(none)}: all look alike to a three-lobed curve.\n"
    machine_mm = 1000 * true_variation(fixed_error(Mill((REVERSAL_MM, REVERSAL_MM), TWO_LOBE_MM), FINE_DEG))
    return f"""# Are probe and machine told apart?

Simulated tests with known truth: {DIRECTIONS} directions × {TOUCHES} touches at each orientation, normal
scatter of {1000 * SD_MM:g} µm a touch, a reversal value of {1000 * REVERSAL_MM:g} µm in x and y, a two-lobed
error of the machine of amplitude {1000 * TWO_LOBE_MM:g} µm (the machine then varies by up to
{machine_mm:.0f} µm) and a run-out of {1000 * RUNOUT_MM:g} µm. The curve of the probe is that of a three-arm
seat, scaled to the stated variation over all directions with constant and first order taken out. The
azimuths of lobes, run-out and arms are random. An early arm trips at {100 * EARLY_GAIN:g} % of its force;
ideal arms are seats without the effect of contact pairs. One fixed seed; ± is one standard error of the
simulation.

Made by `python -m probetest.study.separation_study`.

The goal: with {GOAL.orientations} the error of the probe's variation is within {1000 * GOAL_MM:g} µm in
at least 95 % of the tests. {_missed(found)}

## Variation of the probe

Rows with one orientation are the variation of that orientation by itself, which is of probe and
machine together: the error shows why several are needed.

{tables["probe"]}

{refused if none else ""}
## Variation of the machine

{tables["machine"]}

![errors and coverage](separation.svg)

## Disagreement and run-out

How often the orientations are said to disagree (stated: {100 * MISFIT_RISK:g} %), and how often the 95 %
interval of the run-out holds the true one. An early arm has a first order that can't be told from run-out.

{markdown_table(["case", "n", "said to disagree / %", "interval holds the run-out / %"], rest)}
"""


def separation_figure(found: dict[Case, pd.DataFrame]) -> Figure:
    """Errors of the probe's variation (dot the mean, line 95 % of the tests) and coverage, by case."""
    shown = {case: marks for case, marks in found.items() if "probe error" in marks}
    figure = new_figure(TEXT_WIDTH_MM, 25 + 5.5 * len(shown))
    left, right = figure.subplots(1, 2, sharey=True)
    left.axvspan(-1000 * GOAL_MM, 1000 * GOAL_MM, color=PALETTE.info_tint, linewidth=0)
    left.axvline(0, color=PALETTE.muted, linewidth=0.6)
    right.axvspan(94, 96.5, color=PALETTE.info_tint, linewidth=0)
    right.axvline(95, color=PALETTE.muted, linewidth=0.6)
    for place, marks in enumerate(shown.values()):
        error = 1000 * marks["probe error"]
        middle = error.quantile([0.025, 0.975]).tolist()
        left.plot(middle, [place, place], "-", color=PALETTE.hairline, linewidth=2.5, solid_capstyle="butt")
        left.plot(error.mean(), place, "o", color=PALETTE.blue, markersize=4)
        right.plot(100 * marks["probe covers"].mean(), place, "o", color=PALETTE.blue, markersize=4)
        if "machine covers" in marks:
            covered = 100 * marks["machine covers"].mean()
            right.plot(covered, place, "x", color=PALETTE.vermilion, markersize=4)
    left.set_title("Error of the probe's variation")
    left.set_xlabel("error / µm")
    right.set_title("Coverage of the 95 % interval")
    right.set_xlabel("coverage / %")
    right.set_xlim(-3, 103)
    right.plot([], [], "o", color=PALETTE.blue, label="probe")
    right.plot([], [], "x", color=PALETTE.vermilion, label="machine")
    right.legend(loc="upper left")
    left.set_yticks(range(len(shown)), [case.name for case in shown])
    left.set_ylim(len(shown) - 0.5, -0.5)
    return figure


@click.command()
@click.option("--runs", default=1000, show_default=True, help="Tests of the goal case; of others 3/10 of it.")
@click.option("--processes", default=os.cpu_count() or 1, show_default="all cores", help="Run at a time.")
@click.option("--out", default=Path("reports/study"), show_default=True, type=click.Path(path_type=Path))
def main(runs: int, processes: int, out: Path) -> None:
    """Hold the separation of probe and machine against simulated tests whose truth is known."""
    plan = [(case, runs if case == GOAL else max(1, 3 * runs // 10)) for case in all_cases()]
    with Progress("tests judged", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()) as progress:
        task = progress.add_task("", total=len(list(chunks_of(plan))))
        found = run_cases(plan, processes=processes, done=lambda: progress.update(task, advance=1))
    out.mkdir(parents=True, exist_ok=True)
    with report_style():
        figure = figure_to_svg(separation_figure(found))
    for name, content in (("separation.md", separation_page(found).encode()), ("separation.svg", figure)):
        unfinished = out / f".{name}.part"
        unfinished.write_bytes(content)
        click.echo(unfinished.replace(out / name))


if __name__ == "__main__":
    main()
