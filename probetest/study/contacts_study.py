"""``python -m probetest.study.contacts_study``: is the right contact named, against known truth."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

# Many small matrices: threads of the linear algebra only get into each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import joblib
import numpy as np
import pandas as pd
from rich.progress import track

from probetest.jobs.analysis import analyse, split_series
from probetest.jobs.contacts import Contacts, contacts_of
from probetest.jobs.stages import hysteresis_of
from probetest.report.style import PALETTE, TEXT_WIDTH_MM, figure_to_svg, new_figure, report_style
from probetest.simulate import Mill, Plan, Probe, Simulated
from probetest.simulate_faults import ContactFault, simulate_fault
from probetest.statistics.contact_evidence import GAIN_RISK
from probetest.statistics.intervals import proportion_interval
from probetest.study.summary import markdown_table
from probetest.triggers import Source, TestRecord, Triggers

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SEED = 20261127
CHUNK = 25
SD_MM = 0.002
USUAL_PRELOAD_N = 3.0
"""Gives 20 µm over an arm and a variation of 15 µm."""

NOT_A_FAULT = ("healthy", "machine", "unknown")
ARM_DEG = 20.0
"""A named arm is the right one within this angle."""


@dataclass(frozen=True, slots=True)
class Design:
    """How a test is run: orientations, directions, touches of each direction at each."""

    orientations_deg: tuple[float, ...] = (0.0,)
    directions: int = 24
    touches: int = 10

    @property
    def name(self) -> str:
        """The design in words."""
        turned = len(self.orientations_deg)
        return f"{turned} × {self.directions} × {self.touches}"


ONE = Design()
FOUR = Design((0.0, 30.0, 90.0, 210.0), touches=3)
LONG = Design((0.0, 30.0, 90.0, 210.0), touches=10)


@dataclass(frozen=True, slots=True)
class Case:
    """What is simulated.

    Attributes
    ----------
    group, name : str
    fault : ContactFault
    design : Design
    preload_n : float
    mill : Mill
    """

    group: str
    name: str
    fault: ContactFault
    design: Design = ONE
    preload_n: float = USUAL_PRELOAD_N
    mill: Mill = field(default_factory=Mill)


FAULTS = {
    "healthy": ContactFault("healthy"),
    "early 15 %": ContactFault("early", size=0.15),
    "late 15 %": ContactFault("late", size=0.15),
    "tilted 10 µm": ContactFault("tilted", size=0.010),
    "tilted 20 µm": ContactFault("tilted", size=0.020),
    "15 % of touches early by 10 µm": ContactFault("intermittent", size=0.010),
    "15 % of touches early by 20 µm": ContactFault("intermittent", size=0.020),
    "sector scatters 3 times": ContactFault("noisy", size=3.0),
    "loose stylus, 20 µm": ContactFault("loose_stylus", size=0.020),
    "open at the start, 5 %": ContactFault("open", size=0.05),
    "missed in one sector, 10 %": ContactFault("missed", size=0.1),
    "touch before, 3 µm": ContactFault("hysteresis", size=0.003),
    "machine": ContactFault("machine"),
}
HEALTHY: dict[str, Case] = {
    "plain": Case("healthy", "plain", ContactFault("healthy")),
    "spring 0.1 mm off": Case("healthy", "spring 0.1 mm off", ContactFault("unequal_springs", size=0.1)),
    "lobes a third": Case("healthy", "lobes a third", ContactFault("healthy"), preload_n=1.0),
    "lobes three times": Case("healthy", "lobes three times", ContactFault("healthy"), preload_n=9.0),
    "drift of 10 µm": Case("healthy", "drift of 10 µm", ContactFault("drift", size=0.010)),
    "steps of 5 µm": Case("healthy", "steps of 5 µm", ContactFault("healthy"), mill=Mill(step_mm=0.005)),
    "reversal 25 and 18 µm": Case(
        "healthy", "reversal 25 and 18 µm", ContactFault("healthy"), mill=Mill((0.025, 0.018))
    ),
    "worn mill": Case(
        "healthy", "worn mill", ContactFault("healthy"),
        mill=Mill((0.025, 0.018), two_lobe_mm=0.004, two_lobe_azimuth_deg=20.0, step_mm=0.001),
    ),
}  # fmt: skip
SIZES = (0.05, 0.10, 0.15, 0.20)
SHORT = (
    Design((0.0, 30.0, 90.0, 210.0), 24, 2),
    Design((0.0, 30.0, 90.0, 210.0), 12, 4),
    Design((0.0, 30.0, 90.0, 210.0), 25, 2),
    Design((0.0, 30.0, 105.0), 24, 3),
    Design((0.0, 90.0), 24, 5),
    Design((0.0,), 25, 8),
)


def all_cases(runs: int, others: int | None = None) -> list[tuple[Case, int]]:
    """Each case with its tests: the goals all of them, the rest a fifth unless stated."""
    part = others or max(1, runs // 5)
    plan = [
        (Case("goal", name, FAULTS[name], design), runs)
        for name in ("healthy", "early 15 %", "late 15 %")
        for design in (ONE, FOUR)
    ]
    plan += [
        (Case("faults", name, fault, design), part)
        for name, fault in FAULTS.items()
        for design in (ONE, LONG)
    ]
    plan += [(replace(case, design=design), part) for case in HEALTHY.values() for design in (ONE, FOUR)]
    plan += [
        (Case("size", f"early {100 * size:g} %", ContactFault("early", size=size), FOUR), part)
        for size in SIZES
    ]
    plan += [
        (
            Case(
                "lobes", f"early 15 %, {lobes:g} N", ContactFault("early", size=0.15), FOUR, preload_n=lobes
            ),
            part,
        )
        for lobes in (1.0, 2.0, 4.5, 9.0)
    ]
    plan += [
        (Case("short", name, FAULTS[name], design), part)
        for design in SHORT
        for name in ("early 15 %", "late 15 %")
    ]
    return plan  # fmt: skip


def simulate_test(case: Case, rng: np.random.Generator) -> Simulated:
    """One test of a case: arm azimuth, start of the directions and run-out at random."""
    probe = Probe(
        preload_n=case.preload_n,
        arm_azimuth_deg=float(rng.uniform(0, 120)),
        sd_mm=SD_MM,
        jitter_s=0.0,
        runout_mm=(float(rng.normal(0, 0.01)), float(rng.normal(0, 0.01))),
    )
    design = case.design
    plan = Plan(
        directions=design.directions,
        repeats=design.touches,
        first_azimuth_deg=float(rng.uniform(0, 360 / design.directions)),
    )
    return simulate_fault(
        probe, case.mill, plan, case.fault, rng=rng, orientations_deg=list(design.orientations_deg)
    )


def look(test: Simulated, step_mm: float) -> Contacts:
    """The contacts as a qualification would see them."""
    triggers = Triggers(TestRecord(serial="simulated"), test.frame, Source("", "", len(test.frame), "mm", ""))
    parts = [
        (part, analyse(part, None, step_mm or None, curve_wanted=False)) for part in split_series(triggers)
    ]
    before, _ = hysteresis_of(*parts[0], test.frame)
    return contacts_of(parts, test.frame, before=before)


def judge(case: Case, rng: np.random.Generator) -> dict[str, Any]:
    """One test: what was found, whether the arm is the right one, chances of an early and a late arm."""
    test = simulate_test(case, rng)
    found = look(test, case.mill.step_mm)
    first, arm = found.finding.first, test.truth["arm_azimuth_deg"]
    right: bool | None = None
    if first.arm_azimuth_deg is not None:
        right = arm is not None and abs((first.arm_azimuth_deg - arm + 180) % 360 - 180) < ARM_DEG
    gains = found.gains
    return {
        "finding": first.kind,
        "right": right,
        "confidence": first.confidence,
        "early_p": min((one.early_p for one in gains.arms), default=1.0) if gains is not None else 1.0,
        "truth": test.truth["finding"],
        "touches": len(test.frame),
    }


def judge_chunk(case: Case, chunk: int, runs: int) -> pd.DataFrame:
    """Some tests of a case, one row each."""
    label = f"{case.group} {case.name} {case.design.name}"
    rng = np.random.default_rng([SEED, chunk, *label.encode()])
    rows = pd.DataFrame([judge(case, rng) for _ in range(runs)])
    return rows.assign(group=case.group, case=case.name, design=case.design.name)


def run(plan: Sequence[tuple[Case, int]], processes: int) -> pd.DataFrame:
    """All tests of a plan."""
    chunks = [
        (case, chunk, min(CHUNK, runs - first))
        for case, runs in plan
        for chunk, first in enumerate(range(0, runs, CHUNK))
    ]
    jobs: Any = joblib.Parallel(n_jobs=processes, return_as="generator")(
        joblib.delayed(judge_chunk)(*one) for one in chunks
    )
    found: pd.DataFrame = pd.concat(track(jobs, "tests judged", total=len(chunks)), ignore_index=True)
    return found


def named_right(rows: pd.DataFrame) -> pd.Series[bool]:
    """Whether the finding is the truth, and its arm the right one where one is named."""
    return (rows["finding"] == rows["truth"]) & (rows["right"] != False)  # noqa: E712 - None is no wrong arm


def share(hits: pd.Series[bool]) -> str:
    """A share in per cent with its exact 95 % limits."""
    limits = proportion_interval(int(hits.sum()), len(hits))
    return f"{100 * hits.mean():.1f} ({100 * limits.lower:.1f}–{100 * limits.upper:.1f})"


def _cases(rows: pd.DataFrame, group: str) -> Iterator[tuple[str, str, pd.DataFrame]]:
    own = rows[rows["group"] == group]
    for (name, design), part in own.groupby(["case", "design"], sort=False):
        yield str(name), str(design), part


def matrix(rows: pd.DataFrame, design: str) -> tuple[list[str], list[list[str]]]:
    """Confusion of all kinds of fault at one design, in per cent."""
    own = rows[(rows["group"] == "faults") & (rows["design"] == design)]
    kinds = list(dict.fromkeys([*own["truth"], *own["finding"]]))
    header = ["simulated", "n", *kinds, "wrong arm"]
    table = []
    for name, part in own.groupby("case", sort=False):
        shares = [f"{100 * (part['finding'] == kind).mean():.0f}" for kind in kinds]
        wrong = f"{100 * (part['right'] == False).mean():.1f}"  # noqa: E712
        table.append([str(name), str(len(part)), *shares, wrong])
    return header, table


def study_page(rows: pd.DataFrame) -> str:
    """The page of tables, in Markdown."""
    goal = [
        [name, design, str(len(part)), share(named_right(part)), share(_false_alarm(part))]
        for name, design, part in _cases(rows, "goal")
    ]
    healthy = [
        [
            name,
            design,
            str(len(part)),
            share(_false_alarm(part)),
            f"{100 * (part['finding'] == 'unknown').mean():.0f}",
        ]
        for name, design, part in _cases(rows, "healthy")
    ]
    power = [
        [name, design, str(len(part)), share(named_right(part))]
        for group in ("size", "lobes")
        for name, design, part in _cases(rows, group)
    ]
    short = [
        [name, design, str(int(part["touches"].median())), str(len(part)), share(named_right(part))]
        for name, design, part in _cases(rows, "short")
    ]
    sure = rows[rows["confidence"].notna() & ~rows["finding"].isin(NOT_A_FAULT)]
    held = [
        [f"{low:g} to {high:g}", str(len(part)), share(named_right(part))]
        for low, high in ((0, 0.5), (0.5, 0.9), (0.9, 0.99), (0.99, 1))
        if len(part := sure[(sure["confidence"] > low) & (sure["confidence"] <= high)])
    ]
    designs = ["orientations × directions × touches"]
    return f"""# Is the right contact named?

Simulated tests with known truth: normal scatter of {1000 * SD_MM:g} µm a touch, directions in random order,
arm azimuth, run-out and start of the directions at random. Unless stated, the pre-travel over an arm is
20 µm (variation 15 µm). Limits are exact 95 % limits of the simulation. A false alarm names a fault of the
probe where there is none; "can't tell" and "machine" are none. Made by
`python -m probetest.study.contacts_study`.

## Goals

The right arm in 95 of 100 tests of a 15 % early or late arm; a false alarm in at most 1 of 100.

{markdown_table(["simulated", *designs, "n", "named right / %", "false alarm / %"], goal)}

## Healthy probes

{markdown_table(["healthy, with", *designs, "n", "false alarm / %", "can't tell / %"], healthy)}

## All kinds of fault, one orientation ({ONE.name})

Rows: what was simulated; columns: what was found, in per cent of the tests.

{markdown_table(*matrix(rows, ONE.name))}

## All kinds of fault, four orientations ({LONG.name})

{markdown_table(*matrix(rows, LONG.name))}

## Size of the fault, and of the lobes

A spring of 3 N gives 20 µm over an arm, in proportion.

{markdown_table(["simulated", *designs, "n", "named right / %"], power)}

![How often an early arm is shown](contacts.svg)

## Shorter tests

{markdown_table(["simulated", *designs, "touches", "n", "named right / %"], short)}

## Is the confidence kept?

All tests of this study that named a fault of the probe.

{markdown_table(["stated confidence", "n", "named right / %"], held)}"""  # fmt: skip


def _false_alarm(part: pd.DataFrame) -> pd.Series[bool]:
    return ~part["finding"].isin(NOT_A_FAULT) & (part["truth"] == "healthy")


def roc_figure(rows: pd.DataFrame) -> Figure:
    """How often an early arm is shown, against how often a healthy one is, for any chance asked for."""
    healthy = rows[(rows["group"] == "goal") & (rows["case"] == "healthy") & (rows["design"] == FOUR.name)]
    asked = np.logspace(-6, 0, 200)
    alarm = np.array([(healthy["early_p"] < p).mean() for p in asked])
    figure = new_figure(TEXT_WIDTH_MM, 70, (16, 4, 11, 4))
    axes = figure.add_subplot()
    styles = zip(SIZES, (*PALETTE.series, PALETTE.ink), ("-", "--", "-.", ":"), strict=False)
    for size, colour, line in styles:
        own = rows[(rows["group"] == "size") & (rows["case"] == f"early {100 * size:g} %")]
        shown = np.array([(own["early_p"] < p).mean() for p in asked])
        axes.plot(100 * alarm, 100 * shown, color=colour, ls=line, label=f"early by {100 * size:g} %")
        used = float((own["early_p"] < GAIN_RISK).mean())
        axes.plot(100 * float((healthy["early_p"] < GAIN_RISK).mean()), 100 * used, "o", color=colour, ms=4)
    axes.set_xlabel("healthy probes in which an arm is said to be early, %")
    axes.set_ylabel("early arm said to be early, %")
    axes.set_xlim(-0.5, 20)
    axes.set_ylim(0, 103)
    axes.legend(loc="lower right", title="dot: the chance that is used")
    return figure


@click.command()
@click.option("--runs", default=2000, show_default=True, help="Tests of each goal case.")
@click.option("--others", type=int, show_default="1/5 of the goal cases", help="Tests of each other case.")
@click.option("--processes", default=os.cpu_count() or 1, show_default="all cores", help="Run at a time.")
@click.option("--out", default=Path("reports/study"), show_default=True, type=click.Path(path_type=Path))
def main(runs: int, others: int | None, processes: int, out: Path) -> None:
    """Hold the finding on the contacts against simulated tests whose truth is known."""
    rows = run(all_cases(runs, others), processes)
    out.mkdir(parents=True, exist_ok=True)
    with report_style():
        figure = figure_to_svg(roc_figure(rows))
    for name, content in (("contacts.md", study_page(rows).encode()), ("contacts.svg", figure)):
        unfinished = out / f".{name}.part"
        unfinished.write_bytes(content)
        click.echo(unfinished.replace(out / name))


if __name__ == "__main__":
    main()
