"""The demo production for tests: its results, made once, and units that a test invents."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from probetest.importers import import_log
from probetest.jobs.comparing import demo_production
from probetest.jobs.earlier import EarlierResult, parse_result
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.registering import entry_of
from probetest.jobs.result import result_to_json
from probetest.jobs.tested import Gathered, Tested, tested_of
from probetest.limits import Limits
from probetest.register import Entry


@cache
def qualified() -> dict[str, Qualification]:
    """Every log of the demo production, by its name without the ending; half a minute, once in a run."""
    tests = {}
    for path in demo_production():
        (triggers,) = import_log(path).tests
        tests[path.stem] = qualify(triggers, Limits())
    return tests


@cache
def results() -> dict[str, bytes]:
    """The bytes of result.json of each."""
    return {name: result_to_json(found) for name, found in qualified().items()}


@cache
def demo_entry(name: str) -> Entry:
    """A test of the demo as the register holds it."""
    (path,) = [path for path in demo_production() if path.stem == name]
    (triggers,) = import_log(path).tests
    return entry_of(qualified()[name], triggers, results()[name])


@cache
def gathered() -> Gathered:
    """The tests of the demo production as `gather` gives them."""
    tests = [tested_of(parse_result(data, f"{name}.csv"), f"{name}.csv") for name, data in results().items()]
    tests.sort(key=lambda one: (one.time is None, one.time or ""))
    return Gathered(tuple(tests), (), ())


@cache
def truths() -> dict[str, dict[str, Any]]:
    """What the demo was simulated with, by log."""
    (folder,) = {path.parent for path in demo_production()}
    told = json.loads((folder / "truth.json").read_text("utf-8"))
    return {one["file"].removesuffix(".csv"): one for one in told["tests"]}


@cache
def plain_result() -> EarlierResult:
    """A small result, to be changed."""
    return EarlierResult.model_validate(
        {
            "schema": "probetest.result/1",
            "software": "probetest 0",
            "serial": "U-1",
            "build": "a",
            "verdict": "pass",
            "conditions": {},
            "limits": Limits(),
            "headline": {"stage": "baseline", "orientation_deg": 0.0},
            "repeatability": {"n": 168},
            "pretravel": {},
            "outcomes": {"approaches": 168, "triggers": 168},
        }
    )


def invented(serial: str, build: str | None = "a", *, day: int | None = 0, **changes: Any) -> Tested:
    """A test of a unit with usual figures; ``day`` after 2026-01-01, None for no day."""
    result = changes.pop("result", None) or plain_result().model_copy(
        update={"serial": serial, "build": build, **changes.pop("stated", {})}
    )
    time = None if day is None else str(np.datetime64("2026-01-01T09:00:00") + np.timedelta64(day, "D"))
    usual = Tested(
        serial, result, time, f"{serial}.csv", 0.0015, 144.0, 0.010, 0.0003, None, None, 0.022, 0.0004,
        0.0005, 0.0001, 0, 168,
    )  # fmt: skip
    return replace(usual, **changes)


def invented_build(
    rng: np.random.Generator,
    build: str,
    units: int,
    *,
    unit_sd: float = 0.06,
    factor: dict[str, float] | None = None,
    miss: float = 0.004,
    first: int = 0,
) -> list[Tested]:
    """Units that differ by a relative ``unit_sd`` in each figure, and by what their tests add."""
    middle = {"variation_mm": 0.010, "mean_mm": 0.022, "unevenness_mm": 0.0008}
    own = {"variation_mm": 0.0003, "mean_mm": 0.0003, "unevenness_mm": 0.00004}
    tests = []
    for number in range(units):
        parts = {
            name: (factor or {}).get(name, 1.0) * value * np.exp(unit_sd * rng.standard_normal())
            + own[name] * rng.standard_normal()
            for name, value in middle.items()
        }
        true_sd = (factor or {}).get("sd_mm", 1.0) * 0.0015 * np.exp(unit_sd * rng.standard_normal())
        parts["sd_mm"] = true_sd * np.sqrt(rng.chisquare(144) / 144)
        failed = int(rng.binomial(168, miss))
        tests.append(
            invented(
                f"{build.upper()}-{number:03d}", build, day=first + number, failed=failed,
                **{name: float(value) for name, value in parts.items()},
            )
        )  # fmt: skip
    return tests


def together(*tests: Sequence[Tested]) -> Gathered:
    """Tests as `gather` gives them."""
    every = [one for part in tests for one in part]
    every.sort(key=lambda one: (one.time is None, one.time or ""))
    return Gathered(tuple(every), (), ())
