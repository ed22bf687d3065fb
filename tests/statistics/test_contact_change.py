"""Change of the arms over a service: known answers, outside tests of two means, known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from simulated import assert_share_at_least, assert_share_at_most, estimated_sd, even_azimuths, repeated
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from probetest.errors import StatisticsError
from probetest.simulate import Probe, pretravel
from probetest.statistics.contact_change import CHANGE_RISK, SAME_ARM_DEG, arm_changes
from probetest.statistics.contact_gains import ArmGain, ContactGains, OneArm, contact_gains
from probetest.statistics.contact_sectors import SectorScatter
from probetest.statistics.intervals import Interval
from probetest.statistics.turns import Turn

Floats = NDArray[np.float64]
Three = tuple[float, float, float]

NOWHERE = Interval(0.0, 0.0, 0.95)


def gains_of(
    contrasts: Three, u: Three | float = 0.02, dof: float = 200.0, base_deg: float = 33.0, turned: int = 0
) -> ContactGains:
    """Gains as a fit states them; the contrasts are those of the arms from ``base_deg`` on."""
    errors = np.broadcast_to(np.asarray(u, dtype=float), 3)
    azimuths = (base_deg + 120.0 * np.arange(3)) % 360.0
    arms = [
        ArmGain(float(azimuths[arm]), float(contrasts[arm]), float(errors[arm]), NOWHERE, 0.5, 0.5)
        for arm in np.roll(np.arange(3), turned)
    ]
    one = OneArm(0, 0.0, 0.0)
    return ContactGains(
        beside="waves", arms=(arms[0], arms[1], arms[2]), arm_u_deg=1.0, size_mm=0.02, size_u_mm=0.001,
        pair_ratio=0.1, lobe_mm=0.006, lobe_u_mm=0.0002, alike_misfit=60.0, free_misfit=50.0, excess=1.0,
        one_arm=(one, one, one), noise_mm=0.002, dof=dof, misfit_p=0.5, directions=96, touches=240,
        parameters=36,
    )  # fmt: skip


def scatter_of(*ratios: float) -> tuple[SectorScatter, ...]:
    return tuple(
        SectorScatter(arm, ratio, NOWHERE, 0.5, (7, 14, 3), (70, 140, 30), 0, 15, False)
        for arm, ratio in enumerate(ratios)
    )


# ---- known answers


def test_change_is_after_less_before_of_the_same_arm() -> None:
    before, after = gains_of((-0.16, 0.08, 0.08)), gains_of((0.0, 0.01, -0.01))
    found = arm_changes(before, after)
    assert [one.azimuth_deg for one in found] == [33.0, 153.0, 273.0]
    assert [one.change for one in found] == pytest.approx([0.16, -0.07, -0.09])
    assert [(one.before, one.after) for one in found] == [(-0.16, 0.0), (0.08, 0.01), (0.08, -0.01)]
    assert [one.word for one in found] == ["changed", "changed", "changed"]
    assert [one.scatter_ratio for one in found] == [None, None, None]
    assert [one.word for one in arm_changes(before, before)] == ["no change shown"] * 3
    assert [one.p for one in arm_changes(before, before)] == [1.0, 1.0, 1.0]


@pytest.mark.parametrize(("base", "turned"), [(33.0, 1), (33.0, 2), (50.0, 0), (20.0, 2)])
def test_arms_are_matched_by_azimuth_and_not_by_place(base: float, turned: int) -> None:
    before = gains_of((-0.16, 0.08, 0.06))
    found = arm_changes(before, gains_of((-0.15, 0.09, 0.03), base_deg=base, turned=turned))
    assert [one.after for one in found] == [-0.15, 0.09, 0.03]


def test_arms_are_matched_over_the_turn() -> None:
    # The arm at 359 deg in one test is that at 1 deg in the other, where it comes first.
    before = gains_of((-0.16, 0.08, 0.06), base_deg=359.0, turned=-1)
    after = gains_of((-0.15, 0.09, 0.03), base_deg=1.0)
    assert [arm.azimuth_deg for arm in before.arms] == [119.0, 239.0, 359.0]
    scatter = (scatter_of(1.0, 2.0, 4.0), scatter_of(1.0, 3.0, 5.0))
    found = arm_changes(before, after, scatter)
    assert [(one.azimuth_deg, one.after) for one in found] == [(119.0, 0.09), (239.0, 0.03), (359.0, -0.15)]
    assert [one.scatter_ratio for one in found] == [3.0, 2.5, 0.25]


@pytest.mark.parametrize(
    "scatter",
    [
        ((), scatter_of(1.0, 1.0, 1.0)),
        (scatter_of(1.0, 1.0, 1.0), ()),
        (scatter_of(0.0, np.inf, 0.0), scatter_of(1.0, 1.0, np.inf)),
    ],
    ids=["not before", "not after", "no number"],
)
def test_scatter_that_is_no_number_has_no_ratio(scatter) -> None:
    gains = gains_of((0.0, 0.0, 0.0))
    assert [one.scatter_ratio for one in arm_changes(gains, gains, scatter)] == [None, None, None]


def test_arms_elsewhere_are_not_compared() -> None:
    before = gains_of((0.0, 0.0, 0.0))
    arm_changes(before, gains_of((0.0, 0.0, 0.0), base_deg=33.0 + SAME_ARM_DEG - 0.1))
    for off in (SAME_ARM_DEG + 0.6, 60.0):
        with pytest.raises(StatisticsError, match=rf"stand {off:.0f} deg apart; log the orientation"):
            arm_changes(before, gains_of((0.0, 0.0, 0.0), base_deg=33.0 + off))


def test_two_arms_are_not_held_against_one() -> None:
    before, after = gains_of((0.0, 0.0, 0.0)), gains_of((0.0, 0.0, 0.0))
    first, _, last = after.arms
    double = replace(after, arms=(first, replace(first, azimuth_deg=first.azimuth_deg + 1), last))
    with pytest.raises(StatisticsError, match="deg apart"):
        arm_changes(before, double)


# ---- outside tests


@pytest.mark.parametrize(("first", "second"), [((0.01, 12), (0.03, 7)), ((0.02, 40), (0.02, 40))])
@pytest.mark.parametrize("level", [0.95, 0.8])
def test_interval_and_chance_are_those_of_welch(first, second, level: float) -> None:
    # A contrast with a standard error u and dof degrees of freedom is the mean of dof + 1 readings whose
    # standard error is u. Oracles: ttest_ind of scipy, CompareMeans of statsmodels.
    samples = []
    for mean, (u, dof) in zip((-0.05, 0.02), (first, second), strict=True):
        raw = np.random.default_rng(dof).normal(size=dof + 1)
        samples.append(mean + u * np.sqrt(dof + 1) * (raw - raw.mean()) / raw.std(ddof=1))
    contrasts = (-0.05, 0.0, 0.05), (0.02, 0.0, -0.02)
    found = arm_changes(
        gains_of(contrasts[0], first[0], first[1]), gains_of(contrasts[1], second[0], second[1]), level=level
    )[0]
    outside = stats.ttest_ind(samples[1], samples[0], equal_var=False)
    assert found.p == pytest.approx(outside.pvalue, rel=1e-9)
    limits = outside.confidence_interval(level)
    assert (found.interval.lower, found.interval.upper) == pytest.approx((limits.low, limits.high), rel=1e-9)
    compared = CompareMeans(DescrStatsW(samples[1]), DescrStatsW(samples[0]))
    assert (found.interval.lower, found.interval.upper) == pytest.approx(
        compared.tconfint_diff(alpha=1 - level, usevar="unequal"), rel=1e-9
    )
    assert found.interval.level == level


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ((0.05, -0.0325, -0.0175), (True, False, False)),
        ((0.0565, -0.0358, -0.0207), (True, True, False)),  # of which Bonferroni names one
        ((0.032, -0.02, -0.012), (False, False, False)),  # of which each test by itself names one
    ],
)
def test_words_are_those_of_holm(change: Three, words: tuple[bool, ...]) -> None:
    u = (0.01, 0.011, 0.0125)
    found = arm_changes(gains_of((0.0, 0.0, 0.0), u), gains_of(change, u))
    refused = multipletests([one.p for one in found], alpha=CHANGE_RISK, method="holm")[0]
    assert tuple(one.word == "changed" for one in found) == tuple(refused.tolist()) == words


# ---- known truth


def one_test(rng: np.random.Generator, truth: Floats, covariance_root: Floats, dof: int) -> ContactGains:
    """Contrasts that sum to 0 and scatter together, their errors as far as a test knows them."""
    u = np.linalg.norm(covariance_root, axis=1)
    first, second, third = truth + covariance_root @ rng.normal(size=covariance_root.shape[1])
    errors = u * estimated_sd(rng, 1.0, dof)
    return gains_of((first, second, third), (errors[0], errors[1], errors[2]), float(dof))


def test_no_change_is_seldom_taken_for_one() -> None:
    rng = np.random.default_rng(11)
    tests, false, covered = 400, 0, 0
    spread = 1.5 * np.array([[2.0, 0.0], [-1.0, 1.7], [-1.0, -1.7]]) / np.sqrt(6) * 0.02
    truth = np.array([-0.1, 0.05, 0.05])
    for each in repeated(rng, tests):
        found = arm_changes(one_test(each, truth, spread, 15), one_test(each, truth, 1.6 * spread, 200))
        false += any(one.word == "changed" for one in found)
        covered += found[0].interval.lower < 0 < found[0].interval.upper
    assert_share_at_most(false, tests, CHANGE_RISK)
    assert_share_at_least(covered, tests, 0.95)


def test_a_cleaned_contact_is_seen_and_no_other() -> None:
    # Physics of the simulation: a threshold N of a spring F makes a gain of 1 - 3 N / F.
    sd, azimuth = 0.002, even_azimuths(24, 4.0)
    rng = np.random.default_rng(12)
    found = []
    for threshold in (0.08, 0.0):
        probe = Probe(threshold_n=(threshold, 0.0, 0.0))
        mean = pretravel(probe, azimuth) + rng.normal(0, sd / np.sqrt(20), 24)
        turn = Turn(0.0, azimuth, mean, np.full(24, 20), (0.0, 0.0), estimated_sd(rng, sd, 456), 456.0)
        found.append(contact_gains([turn], beside="nothing"))
    expected = -np.log(1 - 3 * 0.08 / 1.2)
    changes = {round(one.azimuth_deg / 120 - 0.75) % 3: one for one in arm_changes(found[0], found[1])}
    assert changes[0].interval.lower < expected < changes[0].interval.upper
    assert changes[0].word == "changed"
    assert max(changes.values(), key=lambda one: abs(one.change)) is changes[0]
