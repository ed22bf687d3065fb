"""``python -m probetest.study.plan_study``: does a plan show what it says, and what do looks save."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

# Many small matrices: threads of the linear algebra only get into each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import joblib
import numpy as np
import pandas as pd
from rich.progress import track

from probetest.jobs.earlier import parse_result
from probetest.jobs.planning import plan_files
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_json
from probetest.jobs.verify import verify
from probetest.limits import Limits
from probetest.plan.planned import Planned
from probetest.plan.telling import block_ends
from probetest.plan.wish import Wish
from probetest.simulate import Mill, Probe, pretravel
from probetest.simulate_schedule import simulate_schedule
from probetest.study.contacts_study import share
from probetest.study.summary import markdown_table
from probetest.triggers import Artefact, Look, Source, Stylus, TestRecord, Triggers

SEED = 20261128
CHUNK = 10
ARM_DEG = 20.0
"""A named arm is the right one within this angle."""

FINE_DEG = np.arange(0.0, 360.0, 0.05)
EARLY = 0.15
WISHES = {
    "acceptance, 1 orientation": Wish("acceptance", orientations=1),
    "acceptance, 4 orientations": Wish("acceptance", orientations=4),
    "contacts, 4 orientations": Wish("contacts", orientations=4),
    "verification, 4 orientations": Wish("verification", orientations=4),
}
LOOKS = Wish("acceptance", orientations=1, looks=4)
WITHOUT_SHARE = Limits(max_miss_rate=None)
"""A share of misses below 2 % takes 149 touches to show, whatever else is decided before."""


@dataclass(frozen=True, slots=True)
class Truth:
    """A probe that is simulated, against the expected one.

    Attributes
    ----------
    name : str
    sd_mm, variation_mm : float or None
        None for the expected ones.
    early : float
        Share by which one arm opens early.
    """

    name: str
    sd_mm: float | None = None
    variation_mm: float | None = None
    early: float = 0.0


AS_EXPECTED = Truth("as expected")
EARLY_ARM = Truth("an arm 15 % early", early=EARLY)
OF_LOOKS = (
    AS_EXPECTED,
    Truth("scatter at its limit, 4 µm", sd_mm=0.004),
    Truth("variation at its limit, 30 µm", variation_mm=0.030),
    Truth("scatter 6 µm", sd_mm=0.006),
)


def simulated_probe(planned: Planned, truth: Truth, rng: np.random.Generator) -> Probe:
    """A probe with arms and run-out at random."""
    plain = Probe(preload_n=1.0, arm_azimuth_deg=float(rng.uniform(0, 120)))
    variation = truth.variation_mm or planned.bench.probe.variation_mm
    # Pre-travel goes with the preload.
    preload = variation / float(np.ptp(pretravel(plain, FINE_DEG, 0.0)))
    return replace(
        plain,
        preload_n=preload,
        sd_mm=truth.sd_mm or planned.bench.probe.sd_mm,
        jitter_s=0.0,
        runout_mm=(float(rng.normal(0, 0.01)), float(rng.normal(0, 0.01))),
        threshold_n=(truth.early * preload / 3, 0.0, 0.0),
    )


def run_test(planned: Planned, probe: Probe, rng: np.random.Generator) -> pd.DataFrame:
    """The touches of the plan; an ideal mill that rounds its readings."""
    mill = Mill(step_mm=planned.bench.machine.resolution_mm)
    return simulate_schedule(probe, mill, planned.schedule, rng=rng)


def judge(planned: Planned, frame: pd.DataFrame, look: Look | None = None) -> Qualification:
    """Qualify a test of a plan."""
    bench = planned.bench
    record = TestRecord(
        serial=bench.probe.serial,
        artefact=Artefact(kind="ring", diameter_mm=25.0, u_mm=bench.artefact.u_mm),
        stylus=Stylus(length_mm=bench.stylus.length_mm, ball_diameter_mm=bench.stylus.ball_diameter_mm),
    )
    source = Source("simulated", "", len(frame), "mm", "simulated", look=look)
    return qualify(Triggers(record, frame, source), planned.limits)


def one_test(planned: Planned, truth: Truth, rng: np.random.Generator) -> dict[str, Any]:
    """What a test of a plan found."""
    probe = simulated_probe(planned, truth, rng)
    found = judge(planned, run_test(planned, probe, rng))
    row: dict[str, Any] = {"truth": truth.name, "verdict": found.verdict}
    for check in found.checks:
        if check.lower is not None and check.upper is not None:
            row[f"lower {check.name}"], row[f"upper {check.name}"] = check.lower, check.upper
        row[f"decided {check.name}"] = check.verdict != "undecided"
    first = found.contacts.finding.first
    off = 180.0 if first.arm_azimuth_deg is None else first.arm_azimuth_deg - probe.arm_azimuth_deg
    named = first.kind == "early" and abs((off + 180) % 360 - 180) < ARM_DEG
    row["decided arm"], row["decided healthy"] = named, first.kind == "healthy"
    return row


def one_verification(planned: Planned, rng: np.random.Generator) -> dict[str, Any]:
    """Whether a scatter and a variation that grew as far as the wish says are shown."""
    wish, bench = planned.wish, planned.bench
    sound = simulated_probe(planned, AS_EXPECTED, rng)
    grown = Truth("grown", bench.probe.sd_mm * wish.sd_ratio, bench.probe.variation_mm + wish.difference_mm)
    worse = replace(
        simulated_probe(planned, grown, rng), arm_azimuth_deg=sound.arm_azimuth_deg, runout_mm=sound.runout_mm
    )
    wide, tall = replace(worse, preload_n=sound.preload_n), replace(worse, sd_mm=sound.sd_mm)
    report = parse_result(result_to_json(judge(planned, run_test(planned, sound, rng))), "report")
    shown = []
    for probe, name in ((wide, "pooled_sd"), (tall, "pretravel_variation")):
        told = verify(judge(planned, run_test(planned, probe, rng)), report)
        shown.append(any(one.name == name and one.verdict == "worse" for one in told.agreements))
    return {"truth": "grown", "decided sd_ratio": shown[0], "decided variation_difference": shown[1]}


def one_sequence(planned: Planned, truth: Truth, rng: np.random.Generator) -> dict[str, Any]:
    """A test that is looked at after each block, and the same test looked at once."""
    frame = run_test(planned, simulated_probe(planned, truth, rng), rng)
    row: dict[str, Any] = {"truth": truth.name}
    ends = block_ends(planned)
    for name, limits in (("", planned.limits), ("without ", WITHOUT_SHARE)):
        known = replace(planned, limits=limits)
        row[f"{name}once"] = judge(known, frame).verdict
        verdict, touches = "undecided", ends[-1]
        for place, end in enumerate(ends, start=1):
            verdict = judge(known, frame.iloc[:end], Look(place, len(ends), end, ends)).verdict
            if verdict != "undecided":
                touches = end
                break
        row[f"{name}looked"], row[f"{name}touches"] = verdict, touches
    return row


def chunk_of(task: Callable[[np.random.Generator], dict[str, Any]], seed: Sequence[int]) -> pd.DataFrame:
    """Some tests with a stream of chance of their own."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame([task(rng) for _ in range(CHUNK)])


def tasks(plans: dict[str, Planned], looked: Planned) -> Iterator[tuple[str, Callable[..., dict[str, Any]]]]:
    """What is simulated, by its group."""
    for name, planned in plans.items():
        if planned.wish.purpose == "verification":
            yield name, lambda rng, planned=planned: one_verification(planned, rng)
            continue
        for truth in (AS_EXPECTED, EARLY_ARM):
            yield name, lambda rng, planned=planned, truth=truth: one_test(planned, truth, rng)
    for truth in OF_LOOKS:
        yield "looks", lambda rng, truth=truth: one_sequence(looked, truth, rng)


def widths_table(name: str, planned: Planned, rows: pd.DataFrame) -> list[list[str]]:
    """Predicted and simulated answers of one plan."""
    table = []
    for one in planned.answers:
        question = one.question
        own = rows[rows["truth"] == ("an arm 15 % early" if question.name == "arm" else AS_EXPECTED.name)]
        own = rows if planned.wish.purpose == "verification" else own
        predicted = simulated = "–"
        if one.expected is not None and f"lower {question.name}" in own:
            scale = 1000.0 if question.unit == "mm" else 1.0
            lower, upper = own[f"lower {question.name}"].median(), own[f"upper {question.name}"].median()
            digits = ".3g" if question.name != "miss_rate" else ".2g"
            interval = one.expected.interval
            predicted = f"{scale * interval.lower:{digits}} to {scale * interval.upper:{digits}}"
            simulated = f"{scale * lower:{digits}} to {scale * upper:{digits}}"
        decided = own.get(f"decided {question.name}")
        chance = share(decided) if decided is not None and len(decided) else "–"
        table.append([name, question.wanted, predicted, simulated, f"{100 * one.chance:.1f}", chance])
    return table


def looks_table(looked: Planned, rows: pd.DataFrame, name: str) -> list[list[str]]:
    """What looks at a test save, and how often it is wrong."""
    whole = block_ends(looked)[-1]
    return [
        [
            str(truth),
            str(len(part)),
            share(part[f"{name}looked"] == "pass"),
            share(part[f"{name}looked"] == "fail"),
            f"{part[f'{name}touches'].mean():.0f} of {whole}",
            f"{100 * (1 - part[f'{name}touches'].mean() / whole):.0f}",
            share(part[f"{name}once"] == "pass"),
            share(part[f"{name}once"] == "fail"),
        ]
        for truth, part in rows.groupby("truth", sort=False)
    ]


def study_page(plans: dict[str, Planned], looked: Planned, rows: pd.DataFrame) -> str:
    """The page of tables, in Markdown."""
    what = [
        [
            name,
            str(len(one.schedule)),
            f"{one.seconds / 60:.0f}",
            f"{one.design.directions} × {one.design.touches}",
        ]
        for name, one in {**plans, "acceptance, 4 looks": looked}.items()
    ]
    widths = [
        line for name, one in plans.items() for line in widths_table(name, one, rows[rows["group"] == name])
    ]
    answers = ["plan", "question", "predicted interval", "simulated", "predicted / %", "simulated / %"]
    sequence = [
        "truth",
        "n",
        "pass / %",
        "fail / %",
        "touches",
        "saved / %",
        "once: pass / %",
        "once: fail / %",
    ]
    tests = len(rows[(rows["group"] == next(iter(plans))) & (rows["truth"] == AS_EXPECTED.name)])
    own = rows[rows["group"] == "looks"]
    return f"""# Does a plan show what it says?

Plans for the invented bench of `data/bench.toml` (scatter 1.8 µm, variation 12 µm, step 1.25 µm), and
{tests} simulated tests of each, arms and run-out at random, through the whole analysis. Intervals are
95 %, the simulated ones medians of both limits (µm, but for Cpk and shares). Chances are those that the
question is answered; simulated ones in per cent with exact 95 % limits. Made by
`python -m probetest.study.plan_study`.

## Plans

{markdown_table(["plan", "touches", "minutes", "directions × touches"], what)}

## Predicted and simulated

{markdown_table(answers, widths)}

The analysis takes degrees of freedom off where tails look heavy, and leaves a Cpk undecided where the scatter
looks skew; a plan foresees neither, and promises a little more there.

## Looks at a growing test

The same plan looked at after each of 4 blocks, each look at a risk of {100 * looked.look_risk:.2g} %, so that
the whole keeps {100 * looked.limits.risk:g} % for each check; and looked at once, at its end. At a limit
itself a pass and a fail are both wrong in at most that share of the tests.

{markdown_table(sequence, looks_table(looked, own, ""))}

The same without a limit on the share of misses: a share below 2 % takes 149 touches to show in one look and
195 in four, whatever else is decided before.

{markdown_table(sequence, looks_table(looked, own, "without "))}
"""


def no_bar(_words: str, _total: int) -> Callable[[], None]:
    """No progress bar."""
    return lambda: None


def run(plans: dict[str, Planned], looked: Planned, runs: int, processes: int) -> pd.DataFrame:
    """All tests."""
    chunks = [
        (name, task, (SEED, place, chunk))
        for place, (name, task) in enumerate(tasks(plans, looked))
        for chunk in range(max(1, runs // CHUNK))
    ]
    jobs: Any = joblib.Parallel(n_jobs=processes, return_as="generator")(
        joblib.delayed(chunk_of)(task, seed) for _, task, seed in chunks
    )
    found = track(jobs, "tests judged", total=len(chunks))
    rows: pd.DataFrame = pd.concat(
        [some.assign(group=name) for (name, _, _), some in zip(chunks, found, strict=True)], ignore_index=True
    )
    return rows


@click.command()
@click.option("--runs", default=300, show_default=True, help="Tests of each plan and truth.")
@click.option("--processes", default=os.cpu_count() or 1, show_default="all cores", help="Run at a time.")
@click.option("--out", default=Path("reports/study"), show_default=True, type=click.Path(path_type=Path))
def main(runs: int, processes: int, out: Path) -> None:
    """Hold plans against simulated tests of them."""
    plans = {name: plan_files(wish, None, None, None, no_bar) for name, wish in WISHES.items()}
    looked = plan_files(LOOKS, None, None, None, no_bar)
    rows = run(plans, looked, runs, processes)
    out.mkdir(parents=True, exist_ok=True)
    unfinished = out / ".plan.md.part"
    unfinished.write_text(study_page(plans, looked, rows), encoding="utf-8")
    click.echo(unfinished.replace(out / "plan.md"))


if __name__ == "__main__":
    main()
