"""Looks at a growing test, against published boundaries, another integration, and simulated tests."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.statistics.intervals import sd_interval
from probetest.statistics.sequential import MOST_LOOKS, crossing, look_risk

POCOCK = {
    # C. Jennison, B. W. Turnbull, "Group sequential methods with applications to clinical trials" (2000),
    # table 2.1, two-sided 0.05 and 0.10 (from memory).
    0.025: {2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413, 10: 2.555},
    0.05: {2: 1.875, 3: 1.992, 4: 2.067, 5: 2.122, 10: 2.270},
}


@pytest.mark.parametrize(
    ("risk", "looks", "printed"), [(r, k, c) for r, row in POCOCK.items() for k, c in row.items()]
)
def test_boundaries_are_the_published_ones(risk: float, looks: int, printed: float) -> None:
    # The tables are two-sided; a sum that crosses both boundaries is too rare to move the third digit.
    assert special.ndtri(1 - look_risk(looks, risk)) == pytest.approx(printed, abs=1.1e-3)


@pytest.mark.parametrize("looks", [2, 3, 5])
def test_crossing_agrees_with_a_multivariate_normal(looks: int) -> None:
    boundary = 1.9
    at = np.arange(1, looks + 1)
    covariance = np.sqrt(np.minimum.outer(at, at) / np.maximum.outer(at, at))
    stays = stats.multivariate_normal(np.zeros(looks), covariance, seed=1).cdf(np.full(looks, boundary))
    assert crossing(boundary, looks) == pytest.approx(1 - stays, abs=2e-5)


def test_one_look_has_the_whole_risk_and_more_have_less() -> None:
    risks = [look_risk(looks, 0.05) for looks in range(1, MOST_LOOKS + 1)]
    assert risks[0] == 0.05
    assert all(later < earlier for earlier, later in pairwise(risks))
    assert all(0.05 / looks < one for looks, one in enumerate(risks[1:], start=2))


@pytest.mark.parametrize(("looks", "risk"), [(0, 0.05), (MOST_LOOKS + 1, 0.05), (2, 0.0), (2, 0.5)])
def test_impossible_looks_are_refused(looks: int, risk: float) -> None:
    with pytest.raises(StatisticsError, match="but got"):
        look_risk(looks, risk)


@pytest.mark.simulation
@pytest.mark.parametrize("side", ["pass", "fail"])
def test_scatter_at_its_limit_is_judged_wrong_no_more_often(side: str) -> None:
    # 4 looks at 24 directions, after 3 touches of each, then 3 more; the scatter stands just at its limit.
    rng = np.random.default_rng(7)
    looks, runs, limit = 4, 20_000, 1.0
    dof = 24 * (3 * np.arange(1, looks + 1) - 1)
    parts = np.diff(np.concatenate([[0], dof]))
    squares = np.cumsum(rng.chisquare(parts, (runs, looks)), axis=1)
    sd = np.sqrt(squares / dof)
    factor = [sd_interval(1.0, one, 1 - 2 * look_risk(looks, 0.05)) for one in dof.tolist()]
    wrong = (
        sd * np.array([one.upper for one in factor]) <= limit
        if side == "pass"
        else sd * np.array([one.lower for one in factor]) > limit
    )
    share = wrong.any(axis=1).mean()
    # Standard error of the share 0.0015; looks that are apart by unequal parts keep the risk nearly.
    assert 0.040 < share < 0.055
