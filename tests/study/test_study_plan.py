"""The study of plans counts what it says it counts."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from probetest.jobs.planning import plan_files
from probetest.plan.planned import Planned
from probetest.plan.telling import block_ends
from probetest.plan.wish import Wish
from probetest.simulate import Mill, Plan, radial_mean
from probetest.study.plan_study import (
    AS_EXPECTED,
    EARLY_ARM,
    OF_LOOKS,
    looks_table,
    no_bar,
    one_sequence,
    one_test,
    one_verification,
    simulated_probe,
    study_page,
    widths_table,
)


@lru_cache(1)
def planned() -> Planned:
    return plan_files(Wish("verification", orientations=1), None, None, None, no_bar)


@lru_cache(1)
def looked() -> Planned:
    schedule = planned().schedule
    touches = len(schedule)
    block = np.where(np.arange(touches) < touches // 2, 1, 2)
    return replace(
        planned(),
        wish=replace(planned().wish, looks=2),
        schedule=replace(schedule, block=block),
        look_risk=0.03,
    )


@pytest.mark.parametrize("truth", OF_LOOKS)
def test_a_simulated_probe_has_the_variation_it_should(truth: object) -> None:
    probe = simulated_probe(planned(), truth, np.random.default_rng(1))  # type: ignore[arg-type]
    fine = np.arange(0.0, 360.0, 0.05)
    varies = np.ptp(radial_mean(probe, Mill(), Plan(), fine))
    wanted = getattr(truth, "variation_mm", None) or planned().bench.probe.variation_mm
    assert varies == pytest.approx(wanted, rel=1e-3)


def test_one_test_is_judged_by_its_truth() -> None:
    row = one_test(planned(), AS_EXPECTED, np.random.default_rng(2))
    assert row["lower pooled_sd"] < 0.00184 < row["upper pooled_sd"]
    assert row["decided pooled_sd"]
    assert not row["decided arm"]
    clear = replace(EARLY_ARM, early=0.5, sd_mm=0.0005)
    assert one_test(planned(), clear, np.random.default_rng(2))["decided arm"]


def test_grown_scatter_is_worse_and_a_verification_counts_it() -> None:
    wish = replace(planned().wish, sd_ratio=4.0, difference_mm=0.02)
    row = one_verification(replace(planned(), wish=wish), np.random.default_rng(3))
    assert row["decided sd_ratio"]
    assert row["decided variation_difference"]


def test_a_bad_probe_ends_a_test_at_its_first_look() -> None:
    bad = replace(OF_LOOKS[-1], sd_mm=0.02)
    row = one_sequence(looked(), bad, np.random.default_rng(4))
    assert (row["looked"], row["touches"], row["once"]) == ("fail", block_ends(looked())[0], "fail")


def test_the_page_holds_each_question_and_each_truth() -> None:
    rng = np.random.default_rng(5)
    tests = pd.DataFrame([one_test(planned(), AS_EXPECTED, rng)]).assign(group="p")
    sequence = pd.DataFrame([one_sequence(looked(), AS_EXPECTED, rng)]).assign(group="looks")
    page = study_page({"p": planned()}, looked(), pd.concat([tests, sequence], ignore_index=True))
    assert all(one.question.wanted in page for one in planned().answers)
    assert len(widths_table("p", planned(), tests)) == len(planned().answers)
    (row,) = looks_table(looked(), sequence, "")
    assert row[:2] == [AS_EXPECTED.name, "1"]
