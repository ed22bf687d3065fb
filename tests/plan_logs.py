"""Logs of a planned test, as the shapes of consoles, macros and tables have them. All values are invented."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from probetest.importers.native import native_log
from probetest.limits import Limits
from probetest.margins import read_margins
from probetest.plan.bench import Bench, read_bench
from probetest.plan.choose import Pace, assess
from probetest.plan.dialect import read_dialect
from probetest.plan.lay_out import lay_out
from probetest.plan.planned import Answer, Planned, expected_probe, make_plan
from probetest.plan.program import write_program
from probetest.plan.questions import verification
from probetest.plan.walk import walk_program
from probetest.plan.wish import Purpose, Wish
from probetest.resources import bundled
from probetest.simulate import Mill, Probe
from probetest.simulate_schedule import simulate_schedule
from probetest.statistics.expected import Design
from probetest.statistics.sequential import look_risk
from probetest.triggers import Source, TestRecord, Triggers

FAST_MM = 0.009
"""A touch at the fast feed is read so much farther along its motion."""

BLOCK = {"kind": "block", "size_mm": (25.0, 9.0), "height_mm": 15.0}


def bench_with(**tables: dict[str, Any]) -> Bench:
    """The bundled bench with some values of its tables changed; an artefact is replaced as a whole."""
    stated = read_bench(bundled("data") / "bench.toml").model_dump()
    for name, values in tables.items():
        stated[name] = values if name == "artefact" else stated[name] | values
    return Bench.model_validate(stated)


def plan_for(bench: Bench, purpose: Purpose = "verification", **wish: Any) -> Planned:
    """A plan at one orientation."""
    wanted = Wish(purpose, **{"orientations": 1} | wish)
    return make_plan(wanted, bench, read_dialect(bench.dialect), Limits(), read_margins(None))


@lru_cache(maxsize=1)
def ring_plan() -> Planned:
    """A plan in a ring: each touch after a fast one, 24 directions, 4 rounds, a look after two of them."""
    return planned_as(bench_with(), Design(24, 4), looks=2)


@lru_cache(maxsize=1)
def single_plan() -> Planned:
    """The same without fast touches."""
    planned = ring_plan()
    moves = planned.bench.moves.model_copy(update={"fast_feed_mm_min": None})
    return laid_out(replace(planned, bench=planned.bench.model_copy(update={"moves": moves})))


def planned_as(bench: Bench, design: Design, looks: int = 1) -> Planned:
    """A plan of a design that nobody had to look for: the search takes seconds."""
    limits, probe = Limits(), expected_probe(bench)
    questions = tuple(verification(probe, 1.5, 0.003))
    choice = assess(design, questions, Pace(9.0, 0.0, 1), 0.9)
    answers = tuple(
        Answer(one, chance, one.expect(design), False)
        for one, chance in zip(questions, choice.chances, strict=True)
    )
    schedule = lay_out(design, looks=looks)
    program = write_program(schedule, bench, read_dialect(bench.dialect))
    walk = walk_program(program, bench, schedule)
    wish = Wish("verification", orientations=1, looks=looks)
    return Planned(
        wish=wish, bench=bench, limits=limits, probe=probe, choice=choice, answers=answers,
        schedule=schedule, stages=(), program=program, walk=walk, seconds=walk.seconds, units=None,
        look_risk=look_risk(looks, limits.risk), least_arm=None, ended=(0.5,) * looks,
    )  # fmt: skip


def laid_out(planned: Planned) -> Planned:
    """A plan with the program that belongs to its bench and touches."""
    bench, schedule = planned.bench, planned.schedule
    program = write_program(schedule, bench, read_dialect(bench.dialect))
    return replace(planned, program=program, walk=walk_program(program, bench, schedule))


@lru_cache(maxsize=1)
def ring_frame() -> pd.DataFrame:
    """The touches of the plan in a ring, as a sound probe makes them."""
    rng = np.random.default_rng(3)
    return simulate_schedule(Probe(preload_n=3.0), Mill(step_mm=0.00125), ring_plan().schedule, rng=rng)


def native_of(frame: pd.DataFrame, serial: str = "SK3-031") -> str:
    """A native log that states no more than a serial."""
    return native_log(Triggers(TestRecord(serial=serial), frame, Source("", "", len(frame), "mm", "x")))


def bracketed(x: float, y: float, z: float, contact: int = 1) -> str:
    """A result as a console prints it."""
    return f"[PRB:{x:.5f},{y:.5f},{z:.5f}:{contact}]"


def pairs_of(frame: pd.DataFrame) -> list[tuple[str, str]]:
    """Fast and slow result of each touch."""
    angle = np.deg2rad(frame["azimuth_deg"].to_numpy())
    x, y, z = (frame[name].to_numpy() for name in ("x_mm", "y_mm", "z_mm"))
    fast = (x + FAST_MM * np.cos(angle), y + FAST_MM * np.sin(angle), z)
    return [
        (bracketed(*one), bracketed(*other))
        for one, other in zip(zip(*fast, strict=True), zip(x, y, z, strict=True), strict=True)
    ]


def console_of(frame: pd.DataFrame, *, fast: bool = False) -> list[str]:
    """Bare results, the slow ones or both."""
    return [line for pair in pairs_of(frame) for line in (pair if fast else pair[1:])]


def transcript_of(
    program: str, frame: pd.DataFrame, *, missed: Sequence[int] = (), alarm: str = "ALARM:5"
) -> list[str]:
    """All that a console shows while a program runs: each probe move reports, the guarded ones too.

    A touch whose number is in ``missed`` misses at its first feed, and the program is taken up behind it.
    """
    out: list[str] = []
    touches = pairs_of(frame)
    feeds = sorted({float(feed) for feed in re.findall(r"^G38\.2 .*F([\d.]+)$", program, re.M)})
    number = 0
    for line in program.splitlines():
        words = {name: float(value) for name, value in re.findall(r"([XYZF])(-?[\d.]+)", line)}
        place = tuple(words.get(name, 0.0) for name in "XYZ")
        if line.startswith("G38.3"):
            out += [line, bracketed(*place, contact=0), "ok"]
        elif line.startswith("G38.2"):
            is_first = words["F"] == feeds[-1]
            number += is_first
            if number > len(touches):
                break
            if number not in missed:
                out += [line, touches[number - 1][0 if is_first and len(feeds) > 1 else 1], "ok"]
            elif is_first:
                out += [line, bracketed(*place, contact=0), alarm]
        else:
            out.append(line)
    return out


def json_lines_of(frame: pd.DataFrame) -> list[str]:
    """Results as JSON lines."""
    return [
        f'{{"prb":{{"e":1,"x":{x:.5f},"y":{y:.5f},"z":{z:.5f}}}}}'
        for x, y, z in frame[["x_mm", "y_mm", "z_mm"]].itertuples(index=False)
    ]


def bare_of(frame: pd.DataFrame) -> list[str]:
    """Columns of numbers."""
    return [
        f"{x:.6f} {y:.6f} {z:.6f} 0.000000"
        for x, y, z in frame[["x_mm", "y_mm", "z_mm"]].itertuples(index=False)
    ]


def labelled_of(frame: pd.DataFrame) -> list[str]:
    """Labelled values."""
    return [
        f"siskin F60 n={number} x={x:.5f} y={y:.5f} z={z:.5f} trip=1"
        for number, (x, y, z) in enumerate(frame[["x_mm", "y_mm", "z_mm"]].itertuples(index=False), start=1)
    ]


def echoed_of(frame: pd.DataFrame) -> list[str]:
    """A console that echoes the move before its result."""
    moves = [
        f"G38.2 X{12 * np.cos(at):.4f} Y{12 * np.sin(at):.4f} Z-8 F60"
        for at in np.deg2rad(frame["azimuth_deg"])
    ]
    return [
        f"[09:{at // 60:02d}:{at % 60:02d}] [ {move} ] {result}"
        for at, (move, result) in enumerate(zip(moves, console_of(frame), strict=True))
    ]


def spreadsheet_of(frame: pd.DataFrame) -> list[str]:
    """A table without directions, as a hand makes it."""
    rows = [
        f"{number};{x:.5f};{y:.5f}".replace(".", ",")
        for number, (x, y) in enumerate(frame[["x_mm", "y_mm"]].itertuples(index=False), start=1)
    ]
    return ["Nr;X (mm);Y (mm)", *rows]
