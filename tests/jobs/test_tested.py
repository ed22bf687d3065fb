"""Tests of many units are read from logs, results and a register, each once; what is damaged is named."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from sample_production import demo_entry, gathered, invented, results, truths

from probetest.errors import ReportError
from probetest.jobs import tested
from probetest.jobs.batch import Options
from probetest.jobs.comparing import demo_production
from probetest.jobs.earlier import parse_result
from probetest.jobs.tested import gather
from probetest.register import Entry, Register, RegisterError

OPTIONS = Options()


def changed(name: str, change: Callable[[dict[str, Any]], object]) -> bytes:
    plain = json.loads(results()[name])
    change(plain)
    return json.dumps(plain).encode()


def with_result(entry: Entry, result: bytes) -> Entry:
    return replace(entry, result=result, result_sha256=sha256(result).hexdigest())


@pytest.fixture
def register(tmp_path: Path) -> Path:
    path = tmp_path / "register.sqlite"
    with Register(path) as base:
        for name in ("SK3-002", "SK3-001"):
            base.store(demo_entry(name))
    return path


def write(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


# ---- the figures of one test


def test_figures_of_the_demo_hold_their_truth() -> None:
    inside = 0
    for one in gathered().tests:
        truth = truths()[one.where.removesuffix(".csv")]
        assert one.serial == truth["serial"]
        assert one.result.build == truth["build"]
        assert one.sd_mm is not None
        assert one.mean_mm is not None
        assert one.mean_u_mm is not None
        assert one.variation_mm is not None
        assert one.variation_u_mm is not None
        assert one.sd_mm == pytest.approx(truth["sd_mm"], rel=0.2)
        assert abs(one.mean_mm - truth["mean_mm"]) < 4 * one.mean_u_mm
        inside += abs(one.variation_mm - truth["variation_mm"]) < 2 * one.variation_u_mm
    # About 95 % of 28; below 22 has a chance under 0.2 % (binomial).
    assert inside >= 22


def test_uncertainties_are_those_of_the_result() -> None:
    plain = json.loads(results()["SK3-001"])
    one = tested.tested_of(parse_result(results()["SK3-001"], "r"), "r")
    travel, spread = plain["pretravel"], plain["repeatability"]
    (budget,) = [part for part in plain["budgets"] if part["figure"] == "Mean pre-travel"]
    (wave,) = [part for part in travel["harmonics"] if part["order"] == 2]
    assert (one.sd_mm, one.sd_dof) == (spread["sd_mm"], spread["effective_dof"])
    # A 95 % interval is 2 * 1.96 standard uncertainties wide.
    assert one.variation_u_mm == pytest.approx((travel["upper_mm"] - travel["lower_mm"]) / (2 * 1.96))
    assert one.mean_u_mm == pytest.approx(budget["expanded_mm"] / 2)
    assert (one.unevenness_mm, one.unevenness_u_mm) == (wave["amplitude_mm"], wave["u_mm"])
    assert one.own_variation_mm is None
    outcomes = plain["outcomes"]
    assert (one.failed, one.approaches) == (
        outcomes["approaches"] - outcomes["triggers"],
        outcomes["approaches"],
    )


def test_scatter_that_was_not_resolved_is_not_known() -> None:
    for lower in (0.0, None):
        data = changed("SK3-001", lambda plain, low=lower: plain["repeatability"].update(lower_mm=low))  # type: ignore[misc]
        one = tested.tested_of(parse_result(data, "r"), "r")
        assert (one.sd_mm, one.sd_dof) == (None, None)


@pytest.mark.parametrize("time", ["banana", "2026-01-01T09:00:00+02:00", "\x1b[2J", "2026-13-01"])
def test_time_that_is_none_is_told_and_never_reaches_the_terminal(time: str) -> None:
    result = invented("A").result.model_copy(update={"tested": time})
    with pytest.raises(ReportError, match="tested: found") as told:
        tested.tested_of(result, "a.json")
    assert "\x1b" not in str(told.value)


# ---- where tests come from


def test_order_is_that_of_time_and_undated_tests_come_last(tmp_path: Path) -> None:
    bare = write(tmp_path, "bare.json", changed("SK3-003", lambda plain: plain.update(tested=None)))
    places = [bare]
    for name in ("SK4-001", "SK3-002-again4", "SK3-001"):
        places.append(write(tmp_path, f"{name}.json", results()[name]))
    found = gather(places, None, OPTIONS)
    assert [one.serial for one in found.tests] == ["SK3-001", "SK4-001", "SK3-002", "SK3-003"]
    assert found.tests[-1].time is None
    assert (found.problems, found.remarks) == ((), ())


def test_same_test_from_log_result_and_register_counts_once(register: Path, tmp_path: Path) -> None:
    (log,) = [path for path in demo_production() if path.stem == "SK3-001"]
    shutil.copyfile(log, tmp_path / "copy.csv")
    result = write(tmp_path, "result.json", results()["SK3-001"])
    seen: list[None] = []
    found = gather([tmp_path / "copy.csv", result], register, OPTIONS, lambda: seen.append(None))
    assert [one.serial for one in found.tests] == ["SK3-001", "SK3-002"]
    assert len(seen) == 2
    assert [text.split(" is the same test as ")[0] for text in found.remarks] == ["copy.csv", "result.json"]
    assert all("SK3-001.csv in register.sqlite" in text and "counts once" in text for text in found.remarks)


def test_two_tests_of_a_serial_are_two(tmp_path: Path) -> None:
    places = [write(tmp_path, f"{name}.json", results()[name]) for name in ("SK3-002", "SK3-002-again1")]
    assert len(gather(places, None, OPTIONS).tests) == 2


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "found no JSON"),
        (b"\0\1\2", "found no JSON"),
        (b"{}", "schema"),
        (b'{"schema": "something else"}', "schema"),
        (b"[" * 100_000, "found no JSON"),
        (b"time", "tested: found 'banana'"),
    ],
)
def test_damaged_result_is_named_and_the_rest_goes_on(data: bytes, words: str, tmp_path: Path) -> None:
    if data == b"time":
        data = changed("SK3-001", lambda plain: plain.update(tested="banana"))
    places = [write(tmp_path, "bad.json", data), write(tmp_path, "good.json", results()["SK3-002"])]
    found = gather(places, None, OPTIONS)
    assert [one.serial for one in found.tests] == ["SK3-002"]
    (problem,) = found.problems
    assert "bad.json" in problem
    assert words in problem


def test_log_that_can_not_be_used_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    bad = write(tmp_path, "bad.csv", b"a,b\n1,2\n")
    good = write(tmp_path, "good.json", results()["SK3-002"])
    found = gather([bad, tmp_path / "none.csv", good], None, OPTIONS)
    assert [one.serial for one in found.tests] == ["SK3-002"]
    assert len(found.problems) == 2
    assert "bad.csv" in found.problems[0]
    assert "none.csv" in found.problems[1]


def test_damaged_entry_is_named_and_the_rest_goes_on(register: Path) -> None:
    with Register(register) as base:
        base.store(with_result(demo_entry("SK3-003"), b'{"schema": "probetest.result/1"}'))
    found = gather([], register, OPTIONS)
    assert [one.serial for one in found.tests] == ["SK3-001", "SK3-002"]
    (problem,) = found.problems
    assert "SK3-003.csv in register.sqlite" in problem


def test_entry_whose_bytes_are_broken_stops_with_words(register: Path) -> None:
    base = sqlite3.connect(register)
    base.execute("UPDATE judgements SET result = x'00' WHERE id = 2")
    base.commit()
    base.close()
    with pytest.raises(RegisterError, match="an entry is damaged"):
        gather([], register, OPTIONS)


def test_last_judgement_counts_and_verifications_do_not(register: Path) -> None:
    data = changed("SK3-001", lambda plain: plain.update(verdict="fail"))
    with Register(register) as base:
        base.store(with_result(demo_entry("SK3-001"), data))
        base.store(replace(demo_entry("SK3-003"), kind="verification"))
    found = gather([], register, OPTIONS)
    assert [(one.serial, one.result.verdict) for one in found.tests] == [
        ("SK3-001", "fail"),
        ("SK3-002", "pass"),
    ]


def test_nothing_to_look_at_is_told(tmp_path: Path) -> None:
    with Register(tmp_path / "empty.sqlite"):
        pass
    with pytest.raises(ReportError, match="the register holds no qualification"):
        gather([], tmp_path / "empty.sqlite", OPTIONS)
    with pytest.raises(ReportError, match=r"found no test to look at: .*bad\.json"):
        gather([write(tmp_path, "bad.json", b"")], None, OPTIONS)
    with pytest.raises(RegisterError, match="found no file"):
        gather([], tmp_path / "none.sqlite", OPTIONS)
    with pytest.raises(RegisterError):
        gather([], write(tmp_path, "text.sqlite", b"no register" * 1000), OPTIONS)
