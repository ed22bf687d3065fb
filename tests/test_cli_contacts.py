"""`probetest contacts` as a user meets it: exit codes, sentences, JSON, and nothing written."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from contact_logs import ONE, PROBE, off_deg, simulated, write_log
from in_process import run_command
from small_logs import write_small_log

from probetest.jobs import contacts_check
from probetest.jobs.contact_words import CAUTIONS, WORDS
from probetest.limits import Limits
from probetest.report.numbers import number
from probetest.simulate import Plan
from probetest.simulate_faults import ContactFault
from probetest.triggers import Stylus, Triggers

Command = Callable[..., tuple[int, str, str]]

EARLY, HEALTHY = ContactFault("early", 1, 0.2), ContactFault("healthy")
SOFT = replace(PROBE, preload_n=0.5 * PROBE.preload_n, sd_mm=0.001)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of logs."""
    folder = tmp_path_factory.mktemp("contacts")
    early, healthy = simulated(EARLY, ONE).frame, simulated(HEALTHY, ONE).frame
    write_log(folder / "early.csv", early, serial="A-1")
    write_log(folder / "healthy.csv", healthy, serial="A-1")
    write_small_log(folder / "other.csv", "A-2", 1, Plan(directions=6, repeats=3))
    soft = simulated(HEALTHY, ONE, probe=SOFT, seed=2).frame
    write_log(folder / "soft.csv", soft, serial="A-1")
    stylus = Stylus(length_mm=40, ball_diameter_mm=4)
    write_log(folder / "short.csv", soft, serial="A-1", stylus=stylus)
    write_small_log(folder / "few.csv", "A-1", 1, Plan(directions=6, repeats=3))
    (folder / "bad.csv").write_text("no log at all\n")
    return folder


@pytest.fixture(scope="module", autouse=True)
def once() -> Iterator[None]:
    """Each log is qualified once: what is tested here is what is said of it."""
    real, known = contacts_check.qualify, {}

    def qualify(triggers: Triggers, limits: Limits):
        key = triggers.source.sha256
        if key not in known:
            known[key] = real(triggers, limits)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(contacts_check, "qualify", functools.wraps(real)(qualify))
        yield


@pytest.fixture
def command(bench: Path) -> Iterator[Command]:
    before = sorted((p.name, p.read_bytes()) for p in bench.iterdir())

    def run(*arguments: str, columns: int = 200) -> tuple[int, str, str]:
        done = run_command("contacts", *arguments, cwd=bench, columns=columns)
        return done.returncode, done.stdout, done.stderr

    yield run
    assert sorted((p.name, p.read_bytes()) for p in bench.iterdir()) == before


def test_a_fault_is_told_and_ends_with_1(command: Command) -> None:
    code, out, err = command("early.csv")
    lines = out.splitlines()
    assert (code, err) == (1, "")
    assert lines[0].startswith(
        "A-1: Consistent with a contact pair that opens early (raised resistance, or less of the spring), "
        "the arm"
    )
    assert lines[1] == WORDS["early"].meaning
    assert lines[2].startswith("Confidence in this pattern, not in its cause: ")
    assert lines[2].endswith("(n = 240).")
    for place, step in enumerate(WORDS["early"].advice, start=1):
        assert f"{place}. {step}" in " ".join(out.split())
    assert f"Caution: {CAUTIONS}" in " ".join(out.split())


def test_a_healthy_probe_ends_with_0_and_needs_no_caution(command: Command) -> None:
    code, out, err = command("healthy.csv")
    assert (code, err) == (0, "")
    assert out.startswith(
        "A-1: Healthy: three arms that open alike; no arm opens more than 15 % early or late"
    )
    assert "Caution" not in out


def test_too_little_to_tell_ends_with_3(command: Command) -> None:
    code, out, err = command("few.csv")
    assert (code, err) == (3, "")
    assert out.startswith("A-1: Can't tell: no orientation has enough directions to show a curve.")
    assert "Mind: no orientation" not in out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("missing.csv",), "missing.csv"),
        (("bad.csv",), "bad.csv"),
        (("healthy.csv", "--before", "missing.csv"), "missing.csv"),
        (("healthy.csv", "--before", "other.csv"),
         "other.csv: found serial A-2, expected A-1 as in healthy.csv; name a log of the same probe."),
        ((), "Missing argument 'LOG'"),
        (("healthy.csv", "--nonsense"), "No such option"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_ends_with_2_and_a_sentence(
    command: Command, arguments: tuple[str, ...], sentence: str
) -> None:
    code, out, err = command(*arguments)
    assert (code, out) == (2, "")
    assert sentence in " ".join(err.split())
    assert "Traceback" not in err


def test_json_is_all_that_is_printed(command: Command) -> None:
    code, out, err = command("early.csv", "--json")
    plain = json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert (code, err, out.isascii()) == (1, "", True)
    assert list(plain) == ["serial", "contacts", "service"]
    found = plain["contacts"]
    assert (plain["serial"], plain["service"], found["finding"]) == ("A-1", None, "early")
    assert off_deg(found["arm_azimuth_deg"], 160.0) < 5
    assert 0.9 < found["confidence"] <= 1
    assert [one["shown"] for one in found["evidence"]].count(True) >= 1


def test_text_and_json_say_the_same(command: Command) -> None:
    for log in ("early.csv", "healthy.csv", "few.csv"):
        (code, out, _), (same, told, _) = command(log), command(log, "--json")
        plain = json.loads(told)["contacts"]
        assert code == same
        assert out.splitlines()[0] == f"A-1: {plain['sentence']}"


def test_a_log_from_before_a_service_is_held_against_it(command: Command) -> None:
    code, out, _ = command("healthy.csv", "--before", "early.csv", "--json")
    plain = json.loads(out)
    assert (code, plain["contacts"]["finding"]) == (0, "healthy")
    service = plain["service"]
    assert (service["verdict"], service["before"], service["after"]["finding"]) == (
        "helped",
        "early",
        "healthy",
    )
    said = command("healthy.csv", "--before", "early.csv")[1]
    assert "Service: The service helped" in said
    for one in service["arms"]:
        before, after = (
            f"{number(100 * one[key], 0, sign=True)} %" for key in ("before_share", "after_share")
        )
        assert f"arm {one['azimuth_deg']:.0f}°, opening force: {before} before, {after} after" in said


def test_the_spring_is_held_against_the_earlier_log(command: Command) -> None:
    code, out, _ = command("soft.csv", "--before", "healthy.csv", "--json")
    found = json.loads(out)["contacts"]
    assert (code, found["finding"]) == (1, "weak_spring")
    (size,) = [one for one in found["evidence"] if one["name"] == "lobing, × the earlier test"]
    assert size["lower"] < 0.5 < size["upper"]
    assert np.isfinite(size["value"])


def test_another_stylus_is_no_weaker_spring(command: Command) -> None:
    code, out, _ = command("short.csv", "--before", "healthy.csv", "--json")
    found = json.loads(out)["contacts"]
    assert found["finding"] != "weak_spring"
    assert "lobing, × the earlier test" not in [one["name"] for one in found["evidence"]]
    assert any("different styli" in note for note in found["notes"])
    assert code in (0, 3)


def test_it_fits_a_narrow_terminal(command: Command) -> None:
    _, out, _ = command("early.csv", columns=80)
    assert max(len(line) for line in out.splitlines()) <= 80
