"""Repeatability: limits of single directions, and what rounding and alike neighbours change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated import block_by_block, even_azimuths

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval
from probetest.statistics.repeatability import (
    DirectionSpread,
    Repeatability,
    check_homogeneity,
    cochran_critical,
    repeatability,
    widest_direction,
    worst_direction_bounds,
)
from probetest.statistics.rounding import RoundedScatter
from probetest.statistics.serial import SerialEffect
from probetest.statistics.tails import Tails

ROUNDED = RoundedScatter(
    sd_mm=0.6,
    interval_mm=Interval(0.4, 1.1, 0.95),
    n=24,
    dof=20,
    effective_dof=11.0,
    naive_sd_mm=0.9,
    lost=4,
    folded=0,
    bounded_below=True,
    anywhere=True,
)
ALIKE = SerialEffect(0.3, 0.1, 0.01, True, sd_factor=1.25, dof_share=0.6, mean_factor=1.5)


def limits(
    sd: float, dof: float, lower_risk: float = 0.025, upper_risk: float = 0.025
) -> tuple[float, float]:
    """Chi-square limits of a standard deviation."""
    return (
        sd * np.sqrt(dof / stats.chi2.isf(lower_risk, dof)),
        sd * np.sqrt(dof / stats.chi2.ppf(upper_risk, dof)),
    )


def ends(interval: Interval) -> tuple[float, float]:
    return interval.lower, interval.upper


def four_by_five(sd: float = 1.0, **options: object) -> Repeatability:
    """Four directions of five touches at evenly spread quantiles; the third scatters twice as much."""
    values = stats.norm.ppf([0.1, 0.3, 0.5, 0.7, 0.9])
    values = values / values.std(ddof=1)
    reading = np.outer([1.0, 1.0, 2.0, 1.0], sd * values) + np.array([[0.0], [3.0], [1.0], [2.0]])
    return repeatability(reading.ravel(), block_by_block(4, 5), even_azimuths(4, 10.0), **options)


# ---- what goes in


@pytest.mark.parametrize("single", ["reading", "azimuth"])
def test_numbers_of_single_precision_are_computed_with_in_double(single: str) -> None:
    rng = np.random.default_rng(81)
    values = {"reading": 1e4 + rng.normal(0.0, 0.01, 20), "azimuth": even_azimuths(4, 0.1)}
    values[single] = values[single].astype(np.float32)
    direction = block_by_block(4, 5)
    found = repeatability(values["reading"], direction, values["azimuth"])
    double = {name: value.astype(float) for name, value in values.items()}
    expected = repeatability(double["reading"], direction, double["azimuth"])
    assert (found.sd_mm, found.directions) == (expected.sd_mm, expected.directions)


def test_numbers_still_in_text_are_read() -> None:
    found = repeatability(["0", "2", "5", "6"], ["0", "0", "1", "1"], ["0", "90"])
    assert found.sd_mm == pytest.approx(np.sqrt((2 + 0.5) / 2), rel=1e-14)
    assert check_homogeneity(["0", "1", "2", "0", "2", "4"], [0, 0, 0, 1, 1, 1]).cochran_c == pytest.approx(
        0.8
    )


def test_touching_each_direction_once_is_refused_with_what_to_do() -> None:
    with pytest.raises(StatisticsError) as fault:
        repeatability([1.0, 2.0, 3.0], [0, 1, 2], [0.0, 120.0, 240.0])
    assert str(fault.value) == (
        "scatter can't be told: no direction was touched more than once; touch each at least 5 times"
    )


def test_two_touches_in_one_direction_are_enough() -> None:
    found = repeatability([1.0, 2.0, 3.0], [0, 0, 1], [0.0, 90.0])
    assert (found.dof, found.n, found.effective_dof) == (1, 3, 1.0)


# ---- every figure of a result


def test_every_figure_of_a_plain_test() -> None:
    found = four_by_five()
    # Variances 1, 1, 4 and 1 of four degrees of freedom each.
    sd = np.sqrt(7 / 4)
    assert (found.sd_mm, found.logged_sd_mm) == pytest.approx((sd, sd), rel=1e-12)
    assert ends(found.interval_mm) == pytest.approx(limits(sd, 16), rel=1e-10)
    assert found.interval_mm.level == 0.95
    assert (found.dof, found.n, found.effective_dof, found.worst, found.step_mm) == (16, 20, 16.0, 2, 0.0)
    assert found.limit_mm == pytest.approx(2.8 * sd, rel=1e-12)
    assert found.range_mm == found.directions[2].range_mm
    assert (found.resolved, found.coarse) == (True, False)
    assert found.tails.dof_share == 1.0
    assert found.homogeneity.cochran_direction == 2
    assert found.homogeneity.cochran_c == pytest.approx(4 / 7, rel=1e-12)


def test_every_figure_of_a_direction() -> None:
    spread = four_by_five().directions[2]
    ranges = (
        2 * np.ptp(stats.norm.ppf([0.1, 0.9])) / np.std(stats.norm.ppf([0.1, 0.3, 0.5, 0.7, 0.9]), ddof=1)
    )
    assert (spread.azimuth_deg, spread.n) == (190.0, 5)
    assert (spread.mean_mm, spread.sd_mm) == pytest.approx((1.0, 2.0), rel=1e-12)
    assert spread.range_mm == pytest.approx(ranges, rel=1e-12)
    assert ends(spread.interval_mm) == pytest.approx(limits(2.0, 4), rel=1e-10)


def test_a_direction_touched_once_has_a_mean_and_no_scatter() -> None:
    found = repeatability([1.0, 2.0, 9.0], [0, 0, 1], [0.0, 90.0], level=0.9)
    spread = found.directions[1]
    assert (spread.azimuth_deg, spread.n, spread.mean_mm) == (90.0, 1, 9.0)
    assert np.isnan([spread.sd_mm, spread.range_mm]).all()
    assert spread.interval_mm == Interval(0.0, np.inf, 0.9)


def test_worst_and_range_pass_over_directions_touched_once() -> None:
    found = repeatability([9.0, 1.0, 2.0, 5.0, 8.0], [0, 1, 1, 2, 2], [0.0, 90.0, 180.0])
    assert (found.worst, found.range_mm) == (2, 3.0)


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_another_unit_scales_all_lengths(unit: float) -> None:
    one, other = four_by_five(step_mm=0.5), four_by_five(unit, step_mm=0.5 * unit)
    for name in ("sd_mm", "logged_sd_mm", "range_mm", "limit_mm", "step_mm"):
        assert getattr(other, name) == pytest.approx(unit * getattr(one, name), rel=1e-9)
    assert ends(other.interval_mm) == pytest.approx(unit * np.array(ends(one.interval_mm)), rel=1e-9)
    for few, many in zip(one.directions, other.directions, strict=True):
        assert ends(many.interval_mm) == pytest.approx(unit * np.array(ends(few.interval_mm)), rel=1e-9)
    assert worst_direction_bounds(other, 0.05) == pytest.approx(
        unit * np.array(worst_direction_bounds(one, 0.05)), rel=1e-9
    )
    assert (other.worst, other.dof, other.effective_dof) == (one.worst, one.dof, one.effective_dof)


# ---- heavy tails


def far_touches(directions: int, touches: int) -> tuple[np.ndarray, np.ndarray]:
    """Touches of which one is very far off."""
    reading = np.tile([0.0, 1.0] * (touches // 2), directions) + 0.0
    reading[3] = 60.0
    return reading, block_by_block(directions, touches)


def test_one_touch_far_off_leaves_four_degrees_of_freedom() -> None:
    reading, direction = far_touches(6, 8)
    found = repeatability(reading, direction, even_azimuths(6))
    assert found.dof * found.tails.dof_share < 4
    assert found.effective_dof == 4
    assert ends(found.interval_mm) == pytest.approx(limits(found.sd_mm, 4), rel=1e-10)


def test_a_single_direction_keeps_two_fifths_of_its_degrees_of_freedom() -> None:
    reading, direction = far_touches(6, 8)
    found = repeatability(reading, direction, even_azimuths(6))
    assert found.tails.dof_share < 0.4
    for spread in found.directions:
        assert ends(spread.interval_mm) == pytest.approx(limits(spread.sd_mm, 7 * 0.4), rel=1e-10)


def test_lighter_tails_take_their_own_share_of_a_direction() -> None:
    found = replace(four_by_five(), tails=Tails(1.0, 0.5, True, 1 / 1.5))
    assert worst_direction_bounds(found, 0.05)[1] == pytest.approx(
        limits(2.0, 4 / 1.5, upper_risk=0.05)[1], rel=1e-10
    )


def test_fewer_degrees_of_freedom_than_four_are_all_kept() -> None:
    found = repeatability([0.0, 1.0, 3.0], [0, 0, 0], [0.0], serial=replace(ALIKE, dof_share=0.1))
    assert found.effective_dof == 2


# ---- alike neighbours


def test_alike_neighbours_widen_the_scatter_and_its_interval() -> None:
    plain, found = four_by_five(), four_by_five(serial=ALIKE)
    assert found.sd_mm == pytest.approx(1.25 * plain.sd_mm, rel=1e-12)
    assert found.effective_dof == pytest.approx(0.6 * 16, rel=1e-12)
    assert ends(found.interval_mm) == pytest.approx(limits(1.25 * plain.sd_mm, 9.6), rel=1e-10)
    assert found.limit_mm == pytest.approx(1.25 * plain.limit_mm, rel=1e-12)
    assert (found.logged_sd_mm, found.directions) == (plain.logged_sd_mm, plain.directions)


# ---- coarse readings


def test_coarse_readings_have_the_scatter_before_rounding() -> None:
    plain, found = four_by_five(), four_by_five(step_mm=1.0, rounded=ROUNDED)
    assert (found.sd_mm, found.interval_mm) == (0.6, ROUNDED.interval_mm)
    assert (found.n, found.dof, found.effective_dof) == (24, 20, 11.0)
    assert found.limit_mm == pytest.approx(2.8 * 0.6, rel=1e-12)
    assert found.logged_sd_mm == plain.logged_sd_mm
    assert (found.coarse, found.resolved, found.step_mm) == (True, True, 1.0)


def test_coarse_readings_do_not_add_degrees_of_freedom_to_few() -> None:
    found = four_by_five(serial=replace(ALIKE, sd_factor=1.0, dof_share=0.5), rounded=ROUNDED)
    assert found.effective_dof == pytest.approx(8.0, rel=1e-12)


def test_alike_neighbours_widen_coarse_scatter_too() -> None:
    found = four_by_five(serial=ALIKE, rounded=ROUNDED)
    assert found.sd_mm == pytest.approx(0.75, rel=1e-12)
    assert ends(found.interval_mm) == pytest.approx((0.5, 1.375), rel=1e-12)
    assert found.interval_mm.level == 0.95


def test_the_level_of_coarse_scatter_stays_its_own() -> None:
    rounded = replace(ROUNDED, interval_mm=Interval(0.4, 1.1, 0.9))
    assert four_by_five(rounded=rounded).interval_mm == Interval(0.4, 1.1, 0.9)


def test_coarse_readings_without_a_lower_limit_are_not_resolved() -> None:
    rounded = replace(
        ROUNDED, sd_mm=float("nan"), interval_mm=Interval(0.0, 1.1), effective_dof=0.0, bounded_below=False
    )
    plain, found = four_by_five(), four_by_five(rounded=rounded)
    assert (found.coarse, found.resolved) == (False, False)
    assert (found.n, found.dof) == (24, 20)
    assert (found.sd_mm, found.interval_mm, found.effective_dof) == (plain.sd_mm, plain.interval_mm, 16.0)


@pytest.mark.parametrize(("sd", "resolved"), [(0.4, True), (0.399, False)])
def test_coarse_scatter_is_resolved_from_two_fifths_of_a_step_on(sd: float, resolved: bool) -> None:
    assert four_by_five(step_mm=1.0, rounded=replace(ROUNDED, sd_mm=sd)).resolved is resolved


# ---- limits of the sd of one direction


def test_fine_readings_lose_the_variance_of_rounding_at_the_lower_limit_only() -> None:
    # The step is below the sd: a uniform error of step**2 / 12.
    spread = four_by_five(step_mm=0.9).directions[0]
    assert spread.interval_mm.lower == pytest.approx(limits(np.sqrt(1 - 0.81 / 12), 4)[0], rel=1e-10)
    assert spread.interval_mm.upper == pytest.approx(limits(1.0, 4)[1], rel=1e-10)


def test_coarse_readings_may_lie_on_the_two_sides_of_an_edge_or_hide_in_a_step() -> None:
    # The step is above the sd of 2: n / (n - 1) of a quarter of its square off, a twelfth added.
    spread = four_by_five(step_mm=2.5).directions[2]
    least, most = np.sqrt(4 - 2.5**2 / 4 * 5 / 4), np.sqrt(4 + 2.5**2 / 12)
    assert spread.interval_mm.lower == pytest.approx(limits(least, 4)[0], rel=1e-10)
    assert spread.interval_mm.upper == pytest.approx(limits(most, 4)[1], rel=1e-10)


def test_scatter_that_an_edge_explains_has_no_lower_limit() -> None:
    spread = four_by_five(step_mm=2.0).directions[0]
    assert spread.interval_mm.lower == 0.0
    assert spread.interval_mm.upper == pytest.approx(limits(np.sqrt(1 + 4 / 12), 4)[1], rel=1e-10)


@pytest.mark.parametrize("level", [0.8, 0.99])
def test_the_level_sets_both_risks_of_a_direction(level: float) -> None:
    risk = (1 - level) / 2
    for spread in four_by_five(level=level).directions:
        assert ends(spread.interval_mm) == pytest.approx(limits(spread.sd_mm, 4, risk, risk), rel=1e-10)
        assert spread.interval_mm.level == level


# ---- bounds of the worst direction


@pytest.mark.parametrize("risk", [0.01, 0.05])
def test_the_worst_direction_is_bounded_below_with_a_share_of_the_risk(risk: float) -> None:
    # The largest of four lower bounds: each has 1 - (1 - risk)**(1 / 4).
    lower, upper = worst_direction_bounds(four_by_five(), risk)
    single = 1 - (1 - risk) ** 0.25
    assert lower == pytest.approx(limits(2.0, 4, lower_risk=single)[0], rel=1e-10)
    assert upper == pytest.approx(limits(2.0, 4, upper_risk=risk)[1], rel=1e-10)


def test_two_touches_count_as_a_direction_and_one_does_not() -> None:
    found = repeatability([0.0, 2.0, 0.0, 0.1, 5.0], [0, 0, 1, 1, 2], [0.0, 90.0, 180.0])
    lower, upper = worst_direction_bounds(found, 0.05)
    assert lower == pytest.approx(limits(np.sqrt(2), 1, lower_risk=1 - 0.95**0.5)[0], rel=1e-10)
    assert upper == pytest.approx(limits(np.sqrt(2), 1, upper_risk=0.05)[1], rel=1e-10)


def test_bounds_of_coarse_readings_leave_room_for_their_rounding() -> None:
    lower, upper = worst_direction_bounds(four_by_five(step_mm=2.5), 0.05)
    assert lower == pytest.approx(
        limits(np.sqrt(4 - 2.5**2 / 4 * 5 / 4), 4, lower_risk=1 - 0.95**0.25)[0], rel=1e-10
    )
    assert upper == pytest.approx(limits(np.sqrt(4 + 2.5**2 / 12), 4, upper_risk=0.05)[1], rel=1e-10)


def spread_of(azimuth_deg: float, n: int, sd: float) -> DirectionSpread:
    return DirectionSpread(azimuth_deg, n, 0.0, sd, 2 * sd, Interval(0.0, np.inf))


@pytest.mark.parametrize(
    ("risk", "widest"),
    # Upper bounds at 5 %: 1 * 15.9 with two touches, 2 * 2.37 with five; at 40 %: 1.91 and 2.41.
    [(0.05, 0.0), (0.4, 90.0)],
)
def test_the_widest_direction_depends_on_the_risk(risk: float, widest: float) -> None:
    directions = (spread_of(0.0, 2, 1.0), spread_of(90.0, 5, 2.0), spread_of(180.0, 1, float("nan")))
    found = replace(four_by_five(), directions=directions)
    upper = [limits(sd, dof, upper_risk=risk)[1] for sd, dof in ((1.0, 1), (2.0, 4))]
    assert widest_direction(found, risk).azimuth_deg == [0.0, 90.0][int(np.argmax(upper))] == widest


def test_two_touches_are_a_direction_that_can_be_widest() -> None:
    found = replace(four_by_five(), directions=(spread_of(0.0, 3, 0.01), spread_of(90.0, 2, 1.0)))
    assert widest_direction(found, 0.05).azimuth_deg == 90.0


# ---- homogeneity


@pytest.mark.parametrize("risk", [0.01, 0.05])
@pytest.mark.parametrize(("groups", "n"), [(5, 3), (24, 10)])
def test_cochrans_critical_value_is_that_of_a_beta_distribution(groups: int, n: int, risk: float) -> None:
    # One share of the sum of squares, at risk / groups.
    expected = stats.beta.isf(risk / groups, (n - 1) / 2, (groups - 1) * (n - 1) / 2)
    assert cochran_critical(groups, n, risk) == pytest.approx(expected, rel=1e-9)


def test_directions_of_two_touches_are_left_out_of_the_comparison() -> None:
    reading = [0.0, 1.0, 2.0, 0.0, 50.0, 0.0, 2.0, 4.0]
    found = check_homogeneity(reading, [3, 3, 3, 5, 5, 8, 8, 8])
    assert found.cochran_direction == 8
    assert found.cochran_c == pytest.approx(0.8, rel=1e-12)
    assert found.brown_forsythe_p == pytest.approx(
        stats.levene([0.0, 1.0, 2.0], [0.0, 2.0, 4.0], center="median").pvalue, rel=1e-12
    )
    assert found.cochran_critical == pytest.approx(cochran_critical(2, 3, 0.01), rel=1e-9)


def test_nothing_compared_is_nothing_found() -> None:
    found = check_homogeneity([1.0, 2.0, 3.0, 4.0], [4, 4, 6, 6])
    assert np.isnan([found.brown_forsythe_p, found.cochran_c, found.cochran_critical]).all()
    assert (found.cochran_direction, found.alike) == (4, True)


@pytest.mark.parametrize(("share", "alike"), [(0.999, True), (1.001, False)])
def test_a_direction_beyond_its_critical_share_is_not_alike(share: float, alike: bool) -> None:
    # Four directions of three touches, of which the last has this part of Cochran's critical share.
    wanted = share * cochran_critical(4, 3, 0.01)
    sds = np.array([1.0, 1.0, 1.0, np.sqrt(3 * wanted / (1 - wanted))])
    found = check_homogeneity(np.outer(sds, [-1.0, 0.0, 1.0]).ravel(), block_by_block(4, 3))
    assert found.cochran_c / found.cochran_critical == pytest.approx(share, rel=1e-9)
    assert found.alike is alike


def test_equal_distances_from_the_medians_have_no_brown_forsythe_test() -> None:
    # Two equal halves: every touch is as far from the median of its direction.
    found = check_homogeneity([0.0, 0.0, 1.0, 1.0, 5.0, 5.0, 7.0, 7.0], block_by_block(2, 4))
    assert np.isnan(found.brown_forsythe_p)
    assert found.cochran_c == pytest.approx(0.8, rel=1e-12)


def test_one_direction_with_unequal_distances_is_enough_for_brown_forsythe() -> None:
    groups = [0.0, 0.0, 1.0, 1.0], [5.0, 5.0, 7.0, 9.0]
    expected = stats.levene(*groups, center="median").pvalue
    found = check_homogeneity(np.concatenate(groups), block_by_block(2, 4))
    assert found.brown_forsythe_p == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("few", "alike"), [(5, False), (4, True)])
def test_the_harmonic_mean_of_the_touches_lets_brown_forsythe_decide(few: int, alike: bool) -> None:
    # 12 directions of 8 touches, 12 of few: harmonic means 6.15 and 5.33, though plain ones 6.5 and 6.
    def quantiles(n: int) -> np.ndarray:
        return stats.norm.ppf((np.arange(n) + 0.5) / n)

    groups = [(1.0, 30.0)[i % 2] * quantiles((8, few)[i // 12]) for i in range(24)]
    direction = np.repeat(np.arange(24), [len(group) for group in groups])
    found = check_homogeneity(np.concatenate(groups), direction)
    assert found.cochran_c < found.cochran_critical
    assert found.brown_forsythe_p < 0.15 * 0.01
    assert found.alike is alike
