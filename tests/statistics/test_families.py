"""p-values of many comparisons, beside hand-made and statsmodels' ones, and families with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special
from simulated import assert_share_at_most
from statsmodels.stats.multitest import multipletests

from probetest.errors import StatisticsError
from probetest.statistics.families import Decision, benjamini_hochberg, holm, verdict

FAMILIES = [
    [0.03],
    [0.01, 0.04, 0.03],
    [0.5, 0.5, 0.001, 0.001],
    [0.9, 0.8, 0.7, 1.0, 0.0],
    list(np.random.default_rng(1).uniform(size=12) ** 3),
]


def test_holm_by_hand() -> None:
    # Sorted 0.01, 0.02, 0.03, 0.04 times 4, 3, 2, 1: 0.04, 0.06, 0.06, then not below the one before.
    assert holm([0.04, 0.01, 0.03, 0.02]) == pytest.approx([0.06, 0.04, 0.06, 0.06], rel=1e-12)


def test_benjamini_hochberg_by_hand() -> None:
    # Times 4/1, 4/2, 4/3, 4/4: 0.04, 0.04, 0.04, 0.04; a large last one pulls nothing up.
    assert benjamini_hochberg([0.04, 0.01, 0.03, 0.02]) == pytest.approx([0.04] * 4, rel=1e-12)
    assert benjamini_hochberg([0.9, 0.01, 0.02]) == pytest.approx([0.9, 0.03, 0.03], rel=1e-12)


@pytest.mark.parametrize("family", FAMILIES)
def test_adjusted_as_by_statsmodels(family: list[float]) -> None:
    assert holm(family) == pytest.approx(multipletests(family, method="holm")[1], rel=1e-12)
    assert benjamini_hochberg(family) == pytest.approx(multipletests(family, method="fdr_bh")[1], rel=1e-12)


@pytest.mark.parametrize("adjust", [holm, benjamini_hochberg])
def test_untested_figures_pass_through_and_do_not_count(adjust) -> None:
    full = adjust([0.01, 0.04, 0.03])
    found = adjust([None, 0.01, float("nan"), 0.04, 0.03, None])
    assert [found[1], found[3], found[4]] == full
    assert found[0] is None
    assert found[5] is None
    assert np.isnan(found[2])
    assert adjust([]) == []
    assert adjust([None]) == [None]


@pytest.mark.parametrize("adjust", [holm, benjamini_hochberg])
@pytest.mark.parametrize("wrong", [-0.01, 1.01])
def test_impossible_p_is_refused(adjust, wrong: float) -> None:
    with pytest.raises(StatisticsError, match="p-value"):
        adjust([0.5, wrong])


def test_input_is_left_alone() -> None:
    given = [0.04, None, 0.01]
    holm(given)
    assert given == [0.04, None, 0.01]


@pytest.mark.parametrize(
    ("difference", "equivalence", "word", "shown"),
    [
        (0.01, 0.5, "different", True),
        (0.5, 0.01, "equivalent", False),
        (0.01, 0.01, "equivalent", True),
        (0.5, 0.5, "can't tell", False),
        (None, None, "can't tell", False),
        (float("nan"), 0.05, "equivalent", False),
        (0.05, None, "different", True),
        (0.0501, 0.0501, "can't tell", False),
    ],
)
def test_word_for_a_figure(
    difference: float | None, equivalence: float | None, word: str, shown: bool
) -> None:
    assert verdict(difference, equivalence, 0.05) == Decision(word, shown)


def test_word_goes_by_the_risk() -> None:
    assert verdict(0.04, 1.0, 0.01).verdict == "can't tell"
    assert verdict(0.04, 1.0).verdict == "different"


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: verdict(0.1, 0.1, 0.0), "risk"),
        (lambda: verdict(0.1, 0.1, 0.5), "risk"),
        (lambda: verdict(1.1, 0.1), "p-value"),
        (lambda: verdict(0.1, -0.1), "p-value"),
    ],
)
def test_verdict_refuses_what_is_out_of_range(call, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        call()


@pytest.mark.simulation
def test_any_false_finding_of_ten_figures_is_rare() -> None:
    # Figures of one build hang together: all share a normal part.
    rng, trials = np.random.default_rng(2), 1500
    score = (rng.normal(size=(trials, 10)) + rng.normal(size=(trials, 1))) / 2**0.5
    p = 2 * special.ndtr(-np.abs(score))
    false = sum(min(x for x in holm(list(row)) if x is not None) < 0.05 for row in p)
    assert_share_at_most(false, trials, 0.05)
    assert (p.min(axis=1) < 0.05).mean() > 0.25  # without adjustment


@pytest.mark.simulation
def test_share_of_false_findings_stays_below_what_is_stated() -> None:
    rng, trials = np.random.default_rng(3), 400
    true = np.arange(20) < 10
    p = special.ndtr(-(rng.normal(size=(trials, 20)) + 2.5 * true))
    shares = []
    for row in p:
        hits = np.array(benjamini_hochberg(list(row))) < 0.05
        shares.append(hits[~true].sum() / max(1, hits.sum()))
    # Benjamini and Hochberg: at most 0.05 times the share of true nulls, here one half.
    assert np.mean(shares) == pytest.approx(0.025, abs=3.3 * np.std(shares) / trials**0.5)
