"""Moves between touches that were to meet nothing, and misses of touches, in the log of a program."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plan_logs import console_of, ring_frame, ring_plan, single_plan, transcript_of

from probetest.errors import ImportDataError
from probetest.importers import import_log, read_plan_folder
from probetest.importers.read import ImportResult
from probetest.plan.planned import Planned
from probetest.plan.written import plan_csv, plan_toml

Read = Callable[..., ImportResult]
PLANS: dict[str, Callable[[], Planned]] = {"pairs": ring_plan, "single": single_plan}
BOTH = pytest.mark.parametrize("kind", PLANS)


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write lines as a log and join it to one of the plans."""

    def _read(kind: str, lines: Sequence[str], **answers: Any) -> ImportResult:
        planned = PLANS[kind]()
        (tmp_path / "plan.toml").write_text(plan_toml(planned), encoding="utf-8")
        (tmp_path / "plan.csv").write_text(plan_csv(planned), encoding="utf-8")
        (tmp_path / "log.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        found = read_plan_folder(tmp_path)
        return import_log(
            tmp_path / "log.txt", **{"plan": found.plan, "about": found.about, "units": "mm"} | answers
        )

    return _read


def whole(kind: str, touches: int = 96, **how: Any) -> list[str]:
    return transcript_of(PLANS[kind]().program, ring_frame().iloc[:touches], **how)


def idle(lines: Sequence[str]) -> list[int]:
    """Places of results without contact."""
    return [at for at, line in enumerate(lines) if line.endswith(":0]")]


def results(lines: Sequence[str]) -> list[str]:
    """Without the echo of the program: results and alarms only."""
    return [line for line in lines if line.startswith(("[PRB", "ALARM"))]


def assert_touches(found: ImportResult, missed: Sequence[int] = (), touches: int = 96) -> None:
    """All touches in their places, slow, but for those that missed."""
    (test,) = found.tests
    frame = test.frame
    assert frame["touch"].tolist() == list(range(1, touches + 1))
    assert frame.loc[frame["outcome"] == "missed", "touch"].tolist() == list(missed)
    hit = frame["outcome"].to_numpy() == "trigger"
    assert hit.sum() == touches - len(missed)
    for name in ("x_mm", "y_mm"):
        slow = ring_frame()[name].to_numpy()[:touches][hit]
        assert np.abs(frame[name].to_numpy()[hit] - slow).max() < 1e-5
    assert frame.loc[~hit, ["x_mm", "y_mm"]].isna().all(axis=None)


@BOTH
@pytest.mark.parametrize("echo", [True, False], ids=["echo", "results only"])
def test_guarded_moves_are_left_out_and_told(kind: str, echo: bool, read: Read) -> None:
    lines = whole(kind) if echo else results(whole(kind))
    found = read(kind, lines)
    assert_touches(found)
    moves = len(re.findall(r"^G38\.3 ", PLANS[kind]().program, re.M))
    assert sum("was to meet nothing" in one.reason for one in found.skipped) == moves
    assert any(f"were left out: {moves};" in notice for notice in found.notices)


@BOTH
@pytest.mark.parametrize("echo", [True, False], ids=["echo", "results only"])
@pytest.mark.parametrize("missed", [(1,), (96,), (6, 7, 8), (2, 50)])
def test_a_miss_stays_a_miss_at_whichever_feed_it_was(
    kind: str, echo: bool, missed: tuple[int, ...], read: Read
) -> None:
    lines = whole(kind, missed=missed)
    assert_touches(read(kind, lines if echo else results(lines)), missed)


def test_the_miss_of_a_slow_touch_is_one_approach(read: Read) -> None:
    lines = console_of(ring_frame(), fast=True)
    lines[2 * 20 + 1] = "ALARM:5"
    assert_touches(read("pairs", lines), [21])


@pytest.mark.parametrize("order", [(0, 1), (1, 0)], ids=["result, alarm", "alarm, result"])
def test_an_alarm_belongs_to_the_result_beside_it(order: tuple[int, int], read: Read) -> None:
    lines = whole("single", missed=[30])
    (at,) = [at for at, line in enumerate(lines) if line.startswith("ALARM")]
    pair = lines[at - 1 : at + 1]
    lines[at - 1 : at + 1] = [pair[order[0]], pair[order[1]]]
    found = read("single", lines)
    assert_touches(found, [30])
    miss = {one.line for one in found.skipped if "counted once, with the alarm" in one.reason}
    assert miss == {at + 1 - (order == (0, 1))}


@BOTH
def test_a_miss_without_its_alarm_is_a_touch_that_the_log_does_not_hold(kind: str, read: Read) -> None:
    """Without the alarm it can't be told from a guarded move; it is not counted, but its number is told."""
    lines = [line for line in whole(kind, missed=[21]) if not line.startswith("ALARM")]
    found = read(kind, lines)
    assert len(found.tests[0].frame) == 95
    assert any("does not hold: 1 of 96 (touch 21)" in notice for notice in found.notices)


@BOTH
@pytest.mark.parametrize("touches", [48, 60])
@pytest.mark.parametrize("echo", [True, False], ids=["echo", "results only"])
def test_half_a_transcript(kind: str, touches: int, echo: bool, read: Read) -> None:
    lines = whole(kind, touches, missed=[7])
    found = read(kind, lines if echo else results(lines))
    assert_touches(found, [7], touches)
    look = found.tests[0].source.look
    assert look is not None
    assert look.touch == touches


def test_a_log_that_ends_between_a_fast_touch_and_its_slow_one(read: Read) -> None:
    assert_touches(read("pairs", console_of(ring_frame().iloc[:60], fast=True)[:-1]), touches=59)


# ---- a guarded move that met something


@BOTH
@pytest.mark.parametrize("touches", [48, 96])
@pytest.mark.parametrize("place", [1, 40])
def test_a_guarded_move_with_contact_is_refused_and_its_line_named(
    kind: str, touches: int, place: int, read: Read
) -> None:
    lines = whole(kind, touches)
    at = idle(lines)[place]
    lines[at] = lines[at].removesuffix("0]") + "1]"
    with pytest.raises(ImportDataError, match="a move between touches may have met something") as caught:
        read(kind, lines)
    assert f"line {at + 1}: found " in str(caught.value)
    assert str(caught.value).count("\n") == 0


@pytest.mark.parametrize("place", range(1, 100, 25))
def test_a_contact_too_many_is_refused_without_any_echo(place: int, read: Read) -> None:
    for kind, touches in (("single", 96), ("single", 48), ("pairs", 48)):
        lines = results(whole(kind, touches))
        at = idle(lines)[min(place, touches)]
        lines[at] = lines[at].removesuffix("0]") + "1]"
        with pytest.raises(ImportDataError, match=r"a (contact of a )?move between touches"):
            read(kind, lines)


def test_the_user_may_say_that_the_slow_ones_count(read: Read) -> None:
    lines = whole("single")
    at = idle(lines)[9]
    lines[at] = lines[at].removesuffix("0]") + "1]"
    assert_touches(read("single", lines, feeds="slow"))


@pytest.mark.parametrize("gone", [(31,), (30,), (31, 100), (30, 101), (0,)])
def test_pairs_of_which_a_line_is_lost_never_give_fast_touches(gone: tuple[int, ...], read: Read) -> None:
    lines = console_of(ring_frame(), fast=True)
    kept = [line for at, line in enumerate(lines) if at not in gone]
    with pytest.raises(ImportDataError, match="no fast touch of the one behind it"):
        read("pairs", kept)


def test_pairs_are_not_seen_in_single_touches(read: Read) -> None:
    """A dialect that prints only the touches that count."""
    assert_touches(read("pairs", console_of(ring_frame())))
    assert_touches(read("pairs", console_of(ring_frame().iloc[:50])), touches=50)
