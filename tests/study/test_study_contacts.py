"""The study of the contacts counts what it says it counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from probetest.simulate_faults import ContactFault
from probetest.study.contacts_study import (
    FAULTS,
    FOUR,
    LONG,
    ONE,
    Case,
    all_cases,
    judge,
    judge_chunk,
    matrix,
    named_right,
    roc_figure,
    run,
    share,
    study_page,
)


def test_each_kind_of_fault_and_each_goal_is_in_the_plan() -> None:
    plan = all_cases(50)
    goals = [(case.name, case.design) for case, runs in plan if case.group == "goal" and runs == 50]
    assert len(goals) == 6
    assert {name for name, _ in goals} == {"healthy", "early 15 %", "late 15 %"}
    kinds = {case.fault.kind for case, _ in plan if case.group == "faults"}
    assert kinds == {fault.kind for fault in FAULTS.values()}
    assert all(runs == 10 for case, runs in plan if case.group != "goal")


def test_judged_test_knows_its_truth() -> None:
    """A quarter of the force off is found with certainty, and its arm is the simulated one."""
    case = Case("goal", "early", ContactFault("early", size=0.3), ONE, preload_n=6.0)
    marks = judge(case, np.random.default_rng(5))
    assert (marks["finding"], marks["truth"], marks["right"], marks["touches"]) == (
        "early",
        "early",
        True,
        240,
    )
    assert marks["early_p"] < 1e-4


def test_chunks_are_the_same_whoever_runs_them() -> None:
    case = Case("healthy", "plain", ContactFault("healthy"), ONE)
    pd.testing.assert_frame_equal(judge_chunk(case, 3, 2), judge_chunk(case, 3, 2))
    alone = run([(case, 2)], processes=1)
    assert list(alone["case"]) == ["plain", "plain"]
    assert not judge_chunk(case, 0, 2)["early_p"].equals(judge_chunk(case, 1, 2)["early_p"])


def test_only_the_right_arm_counts_as_right() -> None:
    rows = pd.DataFrame(
        {
            "finding": ["early", "early", "late", "open", "unknown"],
            "truth": ["early", "early", "early", "open", "early"],
            "right": [True, False, True, None, None],
        }
    )
    assert named_right(rows).tolist() == [True, False, False, True, False]


def test_share_has_exact_limits() -> None:
    """Known answer: 0 of 30 has the limit 11.6 % (Clopper and Pearson, two-sided 95 %)."""
    assert share(pd.Series([False] * 30)) == "0.0 (0.0–11.6)"


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    """Made-up marks of every case of the plan: what is tested is how they are laid out."""
    parts = []
    for number, (case, _) in enumerate(all_cases(5)):
        truth = {"open": "open", "missed": "open", "machine": "healthy", "drift": "healthy"}.get(
            case.fault.kind, "healthy" if case.fault.kind == "unequal_springs" else case.fault.kind
        )
        parts.append(
            pd.DataFrame(
                {
                    "finding": [truth, "unknown"],
                    "right": [None, None],
                    "confidence": [0.95, None],
                    "early_p": [1e-5 * (number + 1), 0.5],
                    "truth": truth,
                    "touches": 240,
                    "group": case.group,
                    "case": case.name,
                    "design": case.design.name,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def test_page_and_figure_hold_every_case(rows: pd.DataFrame) -> None:
    page = study_page(rows)
    for case, _ in all_cases(5):
        assert f"| {case.name} |" in page
    assert "50.0" in page
    for design in (ONE, LONG):
        header, table = matrix(rows, design.name)
        assert len(table) == len(FAULTS)
        assert all(len(row) == len(header) for row in table)
    assert len(roc_figure(rows).axes[0].lines) == 8
    assert FOUR.name in page
