"""A test that may be looked at after each block: the risk of a look, what is said, what comes next."""

from __future__ import annotations

import json
from functools import lru_cache

import numpy as np
import pytest
from plan_logs import ring_frame
from scipy import stats

from probetest.jobs.looks import limits_of_look, look_remarks, look_to_dict, next_step
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_json
from probetest.limits import Limits
from probetest.screen.results import print_results
from probetest.statistics.decision import Verdict
from probetest.triggers import Artefact, Look, Source, Stylus, TestRecord, Triggers

ENDS = (48, 72, 96)


def at(touch: int) -> Look:
    block = int(np.searchsorted(ENDS, touch)) + 1
    return Look(block, 3, touch, ENDS)


# ---- the risk of a look


@pytest.mark.parametrize(
    ("looks", "nominal"), [(1, 0.05), (2, 0.0294), (3, 0.0221), (4, 0.0182), (5, 0.0158), (10, 0.0106)]
)
def test_the_risk_of_a_look_is_the_tabulated_one(looks: int, nominal: float) -> None:
    """Nominal two-sided levels at 5 %: Pocock, Biometrika 64 (1977) 191-199, table 1 (from memory).

    A two-sided 5 % has 2.5 % at each side, but for the chance of crossing both, which is below 1e-5.
    """
    found = limits_of_look(Limits(risk=0.025), Look(1, looks, 10, (10,) * looks)).risk
    assert 2 * found == pytest.approx(nominal, abs=0.6e-4)


def test_only_the_risk_is_another_in_a_look() -> None:
    limits = Limits(risk=0.05)
    looked = limits_of_look(limits, at(48))
    assert looked.risk < limits.risk
    assert looked.model_copy(update={"risk": 0.05}) == limits
    assert limits_of_look(limits, None) is limits


# ---- what comes next


@pytest.mark.parametrize(
    ("touch", "verdict", "words"),
    [
        (48, "undecided", "Go on: touches 49 to 72 of the plan, then look again at the whole log."),
        (72, "undecided", "Go on: touches 73 to 96 of the plan, then look again at the whole log."),
        (96, "undecided", "The plan is at its end and the test is undecided."),
        (48, "pass", "Decided after 48 of 96 touches: the rest need not be made."),
        (72, "fail", "Decided after 72 of 96 touches: the rest need not be made."),
        (96, "pass", "Decided at the end of the plan."),
        (1, "undecided", "Go on: touches 2 to 48 of the plan; only the end of a block decides."),
        (60, "undecided", "Go on: touches 61 to 72 of the plan; only the end of a block decides."),
        (95, "undecided", "Go on: touch 96 of the plan; only the end of a block decides."),
    ],
)
def test_the_next_step(touch: int, verdict: Verdict, words: str) -> None:
    assert next_step(at(touch), verdict) == words


@pytest.mark.parametrize("touch", [1, 47, 49, 71, 73, 95])
@pytest.mark.parametrize("verdict", ["pass", "fail", "undecided"])
def test_a_look_within_a_block_never_ends_a_test(touch: int, verdict: Verdict) -> None:
    """The risk is kept for looks at the ends of the blocks; each look more would raise it."""
    assert next_step(at(touch), verdict).startswith("Go on: ")


def test_a_reader_is_told_of_the_look() -> None:
    assert list(look_remarks(None, "pass", 0.05, 0.05)) == []
    first, second = look_remarks(at(48), "pass", 0.0221, 0.05)
    assert first.startswith("Look 1 of 3 at this test: each has a risk of 2.2 %, so that the whole keeps 5 %")
    assert second == next_step(at(48), "pass")
    remarks = list(look_remarks(at(60), "pass", 0.0221, 0.05))
    assert remarks[1:] == ["Block 2 is not complete: its last touch is 72.", next_step(at(60), "pass")]


def test_the_look_in_a_result() -> None:
    assert look_to_dict(None, "pass", 0.05) is None
    assert look_to_dict(at(60), "pass", 0.02) == {
        "block": 2, "blocks": 3, "touch": 60, "block_ends": [48, 72, 96], "risk": 0.02,
        "next": next_step(at(60), "pass"),
    }  # fmt: skip


# ---- a whole qualification


@lru_cache(maxsize=8)
def qualified(touches: int, looks: bool, max_sd_mm: float = 0.004) -> Qualification:
    """The first touches of a planned test, held against the limit on the pooled scatter alone."""
    frame = ring_frame().iloc[:touches].assign(touch=np.arange(1, touches + 1))
    record = TestRecord(
        serial="SK3-031",
        artefact=Artefact(kind="ring", diameter_mm=25.0),
        stylus=Stylus(length_mm=50.0, ball_diameter_mm=4.0),
    )
    look = Look(1 if touches <= 48 else 2, 2, touches, (48, 96)) if looks else None
    source = Source("log.csv", "0" * 64, touches, "mm", "x", look=look)
    off = dict.fromkeys(
        ("max_worst_direction_sd_mm", "max_pretravel_variation_mm", "max_miss_rate", "max_drift_mm",
         "max_reseat_shift_mm", "tolerance_mm", "min_cpk")
    )  # fmt: skip
    limits = Limits(max_pooled_sd_mm=max_sd_mm, **off)
    return qualify(Triggers(record, frame, source), limits)


@pytest.mark.parametrize("touches", [48, 96])
def test_a_look_is_judged_at_its_own_risk(touches: int) -> None:
    once, looked = qualified(touches, looks=False), qualified(touches, looks=True)
    assert once.limits.risk == 0.05
    assert looked.limits.risk == pytest.approx(0.0304, abs=5e-5)
    assert looked.analysis.repeatability.sd_mm == once.analysis.repeatability.sd_mm
    assert looked.remarks[0].startswith(f"Look {1 if touches == 48 else 2} of 2 at this test")
    assert not any(remark.startswith("Look ") for remark in once.remarks)


def test_a_verdict_that_only_the_lower_risk_forbids_is_undecided() -> None:
    """A limit between the upper bounds at 5 % and at 3 %: one look alone would pass."""
    spread = qualified(48, looks=False).analysis.repeatability
    bounds = []
    for risk in (0.05, 0.0304):
        bounds.append(
            spread.sd_mm * np.sqrt(spread.effective_dof / stats.chi2.ppf(risk, spread.effective_dof))
        )
    limit = float(np.mean(bounds))
    (once,) = [one for one in qualified(48, False, limit).checks if one.name == "pooled_sd"]
    (looked,) = [one for one in qualified(48, True, limit).checks if one.name == "pooled_sd"]
    assert (once.verdict, looked.verdict) == ("pass", "undecided")


@pytest.mark.parametrize(("touches", "block"), [(48, 1), (96, 2), (60, 2)])
def test_the_look_stands_in_the_result_and_on_the_screen(
    touches: int, block: int, capsys: pytest.CaptureFixture[str]
) -> None:
    found = qualified(touches, looks=True)
    look = json.loads(result_to_json(found))["look"]
    assert (look["block"], look["blocks"], look["touch"], look["block_ends"]) == (block, 2, touches, [48, 96])
    assert look["risk"] == pytest.approx(found.limits.risk)
    print_results([found], [])
    shown = " ".join(capsys.readouterr().out.split())
    assert f"SK3-031: {look['next']}" in shown


def test_a_test_without_looks_says_nothing_of_them(capsys: pytest.CaptureFixture[str]) -> None:
    found = qualified(48, looks=False)
    assert json.loads(result_to_json(found))["look"] is None
    print_results([found], [])
    assert "of the plan" not in capsys.readouterr().out
