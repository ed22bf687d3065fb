"""What a test is expected to show: against published factors and against simulated tests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from probetest.errors import StatisticsError
from probetest.jobs import separating
from probetest.statistics import expected as module
from probetest.statistics.capability import capability
from probetest.statistics.contact_evidence import GAIN_RISK
from probetest.statistics.contact_gains import contact_gains
from probetest.statistics.expected import (
    PAIR_RATIO,
    REFERENCE,
    Design,
    ExpectedProbe,
    expected_capability,
    expected_mean_u_mm,
    expected_scatter,
    expected_variation,
    expected_worst_scatter,
    ideal_turns,
    variation_u_mm,
)
from probetest.statistics.expected_arms import WORTH, arm_power
from probetest.statistics.seat import seat_shape, shape_variation
from probetest.statistics.separation import whole_curve
from probetest.statistics.turns import Turn
from probetest.statistics.variation import pretravel_variation

ARM_DEG = 20.0
PROBE = ExpectedProbe(0.0018, 0.012, ARM_DEG)
FOUR = (0.0, 30.0, 90.0, 210.0)


def by_chance(turns: list[Turn], probe: ExpectedProbe, rng: np.random.Generator) -> list[Turn]:
    """Direction means and scatter as tests find them."""
    return [
        replace(
            turn,
            mean_mm=turn.mean_mm
            + probe.sd_mm / np.sqrt(turn.counts) * rng.standard_normal(len(turn.azimuth_deg)),
            sd_mm=float(probe.sd_mm * np.sqrt(rng.chisquare(turn.dof) / turn.dof)),
        )
        for turn in turns
    ]


# ---- known answers


def test_a_design_counts_its_touches() -> None:
    design = Design(10, 3, FOUR)
    assert design.n == 120
    # Within each direction of one orientation.
    assert design.dof == 20


@pytest.mark.parametrize("turns", [(0.0,), FOUR])
def test_an_ideal_test_shows_the_stated_variation(turns: tuple[float, ...]) -> None:
    found = ideal_turns(Design(720, 2, turns), replace(PROBE, arm_azimuth_deg=None), 33.0)
    for turn, orientation in zip(found, turns, strict=True):
        azimuth = np.deg2rad(turn.azimuth_deg)
        plain = np.column_stack([np.ones(720), np.cos(azimuth), np.sin(azimuth)])
        left = turn.mean_mm - plain @ np.linalg.lstsq(plain, turn.mean_mm, rcond=None)[0]
        assert np.ptp(left) == pytest.approx(0.012, rel=5e-3)
        # The arms turn with the probe.
        own = seat_shape(turn.azimuth_deg, 33.0 + orientation, PAIR_RATIO) * 0.012
        assert turn.mean_mm == pytest.approx(own / shape_variation(PAIR_RATIO))


@pytest.mark.parametrize(
    ("n", "lower", "upper"),
    # 95 % limits of a standard deviation of 1 found in n observations, as printed in the examples of the
    # Boost C++ mathematics library on the chi-square distribution.
    [(2, 0.4461, 31.9102), (5, 0.5991, 2.8736), (10, 0.6878, 1.8256), (30, 0.7964, 1.3443),
     (100, 0.8780, 1.1617), (1000, 0.9580, 1.0459)],
)  # fmt: skip
def test_limits_of_the_scatter_are_the_printed_ones(n: int, lower: float, upper: float) -> None:
    found = expected_scatter(Design(1, n), ExpectedProbe(1.0, 1.0))
    # Some libraries print limits to four digits, the last not always rounded.
    assert (found.interval.lower, found.interval.upper) == pytest.approx((lower, upper), abs=1.5e-4)
    assert found.n == n


def test_scatter_of_several_orientations_is_that_of_one() -> None:
    one, four = (expected_scatter(Design(10, 4, turns), PROBE) for turns in ((0.0,), FOUR))
    assert one == four


def test_the_mean_of_a_direction_goes_with_the_root_of_its_touches() -> None:
    assert expected_mean_u_mm(Design(10, 9, FOUR), PROBE) == pytest.approx(0.0006)


@pytest.mark.parametrize("whole", [False, True])
def test_the_error_of_the_variation_goes_with_the_root_of_the_touches(whole: bool) -> None:
    few, many = (variation_u_mm(Design(16, n), PROBE, whole=whole) for n in (2, 32))
    assert few == pytest.approx(4 * many)
    # A fit of its own at other touches says nearly the same.
    interval = expected_variation(Design(16, 32), PROBE, whole=whole).interval
    own = (interval.upper - interval.lower) / 2 / stats.t.isf(0.025, 16 * 31)
    assert many == pytest.approx(own, rel=0.12)


def test_the_touches_of_the_reference_are_its_own() -> None:
    design = Design(20, REFERENCE)
    interval = expected_variation(design, PROBE).interval
    u = (interval.upper - interval.lower) / 2 / stats.t.isf(0.025, design.dof)
    assert variation_u_mm(design, PROBE) == pytest.approx(u)


def test_a_curve_over_all_directions_takes_as_many_as_the_analysis_asks() -> None:
    assert module.FOR_WHOLE_CURVE == separating.FOR_WHOLE_CURVE
    with pytest.raises(StatisticsError, match="takes 12"):
        expected_variation(Design(10, 8), PROBE, whole=True)
    assert expected_variation(Design(12, 8), PROBE, whole=True).value == pytest.approx(0.012, rel=0.15)


def test_orientations_that_hide_the_arms_answer_nothing_of_them() -> None:
    # All orders of three arms turn onto themselves.
    blind = (0.0, 120.0, 240.0)
    sight = arm_power(Design(16, 4, FOUR), PROBE)
    try:
        blinded = arm_power(Design(16, 4, blind), PROBE).least
    except StatisticsError:
        blinded = 0.0
    assert blinded < 0.3 < sight.least


@pytest.mark.parametrize(
    ("sd_mm", "step_mm", "resolved"),
    [(0.001, 0.0, True), (0.0010, 0.0019, True), (0.0010, 0.0021, False), (0.002, 0.0001, True)],
)
def test_a_step_beyond_two_standard_deviations_hides_the_scatter(
    sd_mm: float, step_mm: float, resolved: bool
) -> None:
    read = float(np.hypot(sd_mm, step_mm / np.sqrt(12)))
    assert ExpectedProbe(read, 0.01, step_mm=step_mm).resolved == resolved


def test_a_probe_without_lobes_has_no_arms_to_name() -> None:
    found = arm_power(Design(16, 4), ExpectedProbe(0.002, 0.0))
    assert (found.early, found.late, found.healthy, found.least) == (0, 0, 0, 0)


@pytest.mark.parametrize("share", [0.08, WORTH, 0.3])
def test_chances_of_the_arms_grow_with_touches_and_share(share: float) -> None:
    chances = [arm_power(Design(16, n), PROBE, share) for n in (2, 4, 8, 16, 60)]
    for name in ("early", "late", "healthy"):
        values = [getattr(one, name) for one in chances]
        assert values == sorted(values)
        assert values[0] >= 0
        assert values[-1] <= 1
    assert arm_power(Design(16, 4), PROBE, share).least <= arm_power(Design(16, 4), PROBE, 0.4).least + 1e-9


# ---- simulated tests


@pytest.mark.simulation
def test_the_variation_of_simulated_tests_scatters_as_expected() -> None:
    rng, design, runs = np.random.default_rng(3), Design(20, 8), 200
    found = expected_variation(design, PROBE)
    (ideal,) = ideal_turns(design, PROBE, ARM_DEG)
    rows = []
    for _ in range(runs):
        (turn,) = by_chance([ideal], PROBE, rng)
        one = pretravel_variation(turn.mean_mm, turn.azimuth_deg, turn.counts, turn.sd_mm, turn.dof)
        rows.append((one.variation_mm, one.interval_mm.lower, one.interval_mm.upper))
    value, lower, upper = np.mean(rows, axis=0)
    u = variation_u_mm(design, PROBE)
    # Three standard errors of a mean of 200 and, for the scatter, of its chi-square.
    assert value == pytest.approx(found.value, abs=3 * u / np.sqrt(runs))
    assert upper - lower == pytest.approx(found.interval.upper - found.interval.lower, rel=0.15)
    assert np.std(rows, axis=0)[0] == pytest.approx(u, rel=3 / np.sqrt(2 * runs))


@pytest.mark.simulation
def test_the_whole_curve_of_simulated_tests_is_no_surer_than_its_interval() -> None:
    rng, design = np.random.default_rng(4), Design(16, 8)
    (ideal,) = ideal_turns(design, PROBE, ARM_DEG)
    curves = [whole_curve(by_chance([ideal], PROBE, rng)[0]) for _ in range(16)]
    widths = [one.interval_mm().upper - one.interval_mm().lower for one in curves]
    interval = expected_variation(design, PROBE, whole=True).interval
    # The interval of an ideal sample, which shows no misfit, was made wider by what simulated tests showed.
    assert 0.85 < np.mean(widths) / (interval.upper - interval.lower) < 1.15
    values = [one.variation_mm for one in curves]
    assert np.std(values) < 1.5 * variation_u_mm(design, PROBE, whole=True)
    assert np.mean(values) == pytest.approx(0.012, rel=0.1)


@pytest.mark.simulation
def test_cpk_of_simulated_tests_is_as_expected() -> None:
    rng, design, tolerance = np.random.default_rng(5), Design(16, 8), 0.03
    found = expected_capability(design, PROBE, tolerance)
    (ideal,) = ideal_turns(design, PROBE, ARM_DEG)
    index = np.repeat(np.arange(16), 8)
    rows = []
    for _ in range(100):
        reading = ideal.mean_mm[:, None] + PROBE.sd_mm * rng.standard_normal((16, 8))
        one = capability(reading.ravel(), index, tolerance, known_reference=False)
        rows.append((one.cpk, one.cpk_interval.lower))
    value, lower = np.mean(rows, axis=0)
    assert value == pytest.approx(found.value, rel=0.03)
    assert lower == pytest.approx(found.interval.lower, rel=0.05)


@pytest.mark.simulation
def test_an_early_arm_is_named_as_often_as_expected() -> None:
    rng, design, runs = np.random.default_rng(6), Design(13, 2, FOUR), 12
    predicted = arm_power(design, PROBE, 0.2).early
    turns = ideal_turns(design, PROBE, ARM_DEG, gain=0.8)
    named = sum(
        min(arm.early_p for arm in contact_gains(by_chance(turns, PROBE, rng), beside="waves").arms)
        < GAIN_RISK
        for _ in range(runs)
    )
    # Exact binomial: so few or so many in one of 500 such tests.
    assert 0.2 < predicted < 0.98
    assert stats.binom.ppf(0.001, runs, predicted) <= named <= stats.binom.ppf(0.999, runs, predicted)


@pytest.mark.simulation
def test_the_worst_of_directions_that_are_alike_reads_as_expected() -> None:
    rng, design = np.random.default_rng(6), Design(25, 10)
    found = expected_worst_scatter(design, ExpectedProbe(1.0, 5.0))
    largest = np.sqrt(rng.chisquare(9, (4000, 25)) / 9).max(axis=1)
    # A median of 4000: half of the tests read less, within three standard errors of a share.
    assert (largest < found.value).mean() == pytest.approx(0.5, abs=3 * 0.5 / np.sqrt(4000))
    # The lower end lies above the truth in 2.5 % of the tests, for all that the largest was picked.
    reading = largest * (found.interval.lower / found.value)
    assert (reading > 1.0).mean() == pytest.approx(0.025, abs=0.0075)
