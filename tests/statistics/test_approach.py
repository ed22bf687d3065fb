"""Approach readings and their centre: perfect circles, other circle fits, bias and spread by simulation."""

from __future__ import annotations

import circle_fit
import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import assert_share, even_azimuths, round_robin

from probetest.errors import StatisticsError
from probetest.statistics.approach import (
    fit_circle,
    group_directions,
    group_means,
    lobe_visibility,
    project_on_approach,
    project_without_centre,
    unit_vectors,
    use_readings,
)

RING_RADIUS_MM = 12.5

LINE_OR_SPOT = "^a circle can't be fitted: the points lie on one line or on one spot$"


def ring_touches(
    azimuth_deg: np.ndarray, reading_mm: np.ndarray | float, centre_mm: tuple[float, float] = (0.0, 0.0)
) -> np.ndarray:
    """Trigger positions in a ring: ``reading_mm`` beyond the ring along lines through its centre."""
    return (
        np.asarray(centre_mm)
        + unit_vectors(azimuth_deg) * (RING_RADIUS_MM + np.asarray(reading_mm))[..., None]
    )


# ---- directions


@pytest.mark.parametrize(
    ("azimuth", "expected"),
    [(0, (1, 0)), (90, (0, 1)), (180, (-1, 0)), (270, (0, -1)), (45, (0.5**0.5, 0.5**0.5))],
    ids=["+X", "+Y", "-X", "-Y", "between"],
)
def test_unit_vectors_run_counter_clockwise_from_x(azimuth: float, expected: tuple[float, float]) -> None:
    assert unit_vectors([azimuth])[0] == pytest.approx(expected, abs=1e-15)


def test_azimuths_a_turn_apart_are_one_direction() -> None:
    azimuths, index = group_directions([0.0, 360.0, -360.0, 359.99999999, 90.0, -270.0])
    assert azimuths.tolist() == [0.0, 90.0]
    assert index.tolist() == [0, 0, 0, 0, 1, 1]


def test_directions_are_sorted_whatever_the_order_of_touches() -> None:
    azimuths, index = group_directions([270.0, 10.0, 90.0])
    assert azimuths.tolist() == [10.0, 90.0, 270.0]
    assert index.tolist() == [2, 0, 1]


def test_azimuths_that_differ_in_the_third_decimal_are_two_directions() -> None:
    assert len(group_directions([10.0, 10.001])[0]) == 2


def test_azimuths_within_half_a_unit_of_the_fourth_decimal_are_one_direction() -> None:
    azimuths, index = group_directions([10.0, 10.00004, 10.0001])
    assert azimuths.tolist() == [10.0, 10.0001]
    assert index.tolist() == [0, 0, 1]


def test_single_precision_azimuths_are_computed_in_double() -> None:
    single = np.array([10.25, 70.5, 200.125, 300.0625, 333.5], dtype=np.float32)
    double = single.astype(float)
    assert unit_vectors(single).tolist() == unit_vectors(double).tolist()
    assert group_directions(single)[0].tolist() == group_directions(double)[0].tolist()
    assert lobe_visibility(single) == lobe_visibility(double)


# ---- group means


def test_group_means_of_unequal_groups() -> None:
    assert group_means(np.array([1.0, 2.0, 6.0]), np.array([0, 1, 1]), 2).tolist() == [1.0, 4.0]


def test_a_direction_without_touches_has_no_mean() -> None:
    found = group_means(np.array([1.0, 3.0]), np.array([0, 2]), 3)
    assert np.isnan(found).tolist() == [False, True, False]


def test_the_last_direction_without_touches_has_no_mean() -> None:
    found = group_means(np.array([1.0, 3.0, 5.0]), np.array([0, 0, 1]), 3)
    assert found == pytest.approx([2.0, 5.0, np.nan], nan_ok=True)


def test_equal_values_have_exactly_their_mean() -> None:
    values = np.repeat([0.1, 0.7, 1.1], 7)
    assert group_means(values, np.repeat([0, 1, 2], 7), 3).tolist() == [0.1, 0.7, 1.1]


def test_group_means_keep_a_tenth_of_a_nanometre_on_ten_metres() -> None:
    scatter = np.array([1e-4, 3e-4, -2e-4, 2e-4])
    found = group_means(1e4 + scatter, np.array([0, 0, 1, 1]), 2) - 1e4
    assert found == pytest.approx([2e-4, 0.0], abs=4e-12)


# ---- circle


def test_circle_through_three_points_is_exact() -> None:
    assert fit_circle([[1, 0], [0, 1], [-1, 0]]) == pytest.approx((0.0, 0.0, 1.0), abs=1e-12)


def test_circle_far_from_the_origin_keeps_its_digits() -> None:
    azimuths = even_azimuths(24)
    found = fit_circle(ring_touches(azimuths, 0.0, (1e4, -1e4)))
    assert found == pytest.approx((1e4, -1e4, RING_RADIUS_MM), abs=1e-9)


def test_weighted_circle_is_the_circle_of_repeated_points() -> None:
    points = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
    weights = np.array([3, 1, 1, 2, 1, 1])
    assert fit_circle(points, weights) == pytest.approx(
        fit_circle(np.repeat(points, weights, axis=0)), abs=1e-9
    )


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([[0, 0], [1, 1]], "^a circle needs at least 3 points, but got 2$"),
        ([[0, 0], [1, 1], [2, 2], [3, 3]], LINE_OR_SPOT),
        ([[1e4 + 0.1 * i, 1e4 + 0.3 * i] for i in range(20)], LINE_OR_SPOT),
        ([[1, 1]] * 5, LINE_OR_SPOT),
    ],
    ids=["two points", "a line", "a line but for rounding", "one spot"],
)
def test_points_without_a_circle_are_refused(points: list[list[float]], message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        fit_circle(points)


def test_single_precision_points_are_fitted_in_double() -> None:
    points = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=np.float32) / 7
    weights = np.array([1, 2, 3, 1, 2, 3], dtype=np.float32) / 3
    assert fit_circle(points, weights) == pytest.approx(
        fit_circle(points.astype(float), weights.astype(float)), rel=1e-12
    )


@pytest.mark.parametrize("arc_deg", [360.0, 180.0, 90.0], ids=["full", "half", "quarter"])
def test_circle_agrees_with_the_geometric_fit_of_another_library(arc_deg: float) -> None:
    rng = np.random.default_rng(11)
    azimuths = np.linspace(0.0, arc_deg, 24, endpoint=False)
    points = ring_touches(azimuths, rng.normal(0.0, 0.01, 24), (3.0, -2.0))
    found = fit_circle(points)
    assert found == pytest.approx(circle_fit.least_squares_circle(points)[:3], abs=1e-6)


def test_no_neighbouring_circle_has_less_squared_distance() -> None:
    rng = np.random.default_rng(12)
    points = ring_touches(even_azimuths(9), rng.normal(0.0, 0.5, 9))

    def cost(circle: np.ndarray) -> float:
        return float(((np.hypot(*(points - circle[:2]).T) - circle[2]) ** 2).sum())

    best = np.array(fit_circle(points))
    moves = 1e-4 * np.vstack([np.eye(3), -np.eye(3)])
    assert all(cost(best + move) > cost(best) for move in moves)


# ---- what directions can see


@pytest.mark.parametrize(
    ("azimuths", "visibility"),
    [
        (even_azimuths(3), 0.0),
        (even_azimuths(4), 0.0),
        (even_azimuths(6), 0.0),
        (even_azimuths(5), 1.0),
        (even_azimuths(8), 1.0),
        (even_azimuths(12), 1.0),
        (even_azimuths(24, 7.0), 1.0),
    ],
    ids=["3", "4", "6", "5", "8", "12", "24 turned"],
)
def test_lobe_visibility_of_even_directions(azimuths: np.ndarray, visibility: float) -> None:
    assert lobe_visibility(azimuths) == pytest.approx(visibility, abs=1e-9)


def test_one_direction_sees_nothing_of_lobing() -> None:
    assert lobe_visibility([10.0]) == pytest.approx(0.0, abs=1e-9)


def test_no_directions_see_more_than_all_of_the_lobing() -> None:
    assert max(lobe_visibility(even_azimuths(directions)) for directions in range(8, 80)) <= 1.0


def test_lobe_visibility_fades_on_a_partial_arc() -> None:
    assert 0.05 < lobe_visibility(np.arange(0.0, 90.0, 10.0)) < 0.12


def test_lobe_visibility_of_another_order_asks_for_other_directions() -> None:
    assert lobe_visibility(even_azimuths(5), order=4) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    "azimuths", [np.arange(0.0, 90.0, 10.0), np.array([0, 40, 100, 190, 250, 300.0]), even_azimuths(9)]
)
def test_lobe_visibility_is_the_least_share_left_over_all_phases(azimuths: np.ndarray) -> None:
    angle = np.deg2rad(azimuths)
    waves = np.cos(3 * angle - np.deg2rad(np.arange(0.0, 180.0, 0.25))[:, None])
    design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    left = [np.sqrt(sm.OLS(wave, design).fit().ssr / (len(angle) / 2)) for wave in waves]
    assert lobe_visibility(azimuths) == pytest.approx(min(left), abs=2e-4)


def test_condition_of_even_directions_is_1() -> None:
    fit = use_readings(np.zeros(24), even_azimuths(24, 3.0)).fit
    assert fit.condition == pytest.approx(1.0, abs=1e-12)


def test_condition_grows_on_a_partial_arc() -> None:
    quarter = use_readings(np.zeros(10), np.linspace(0, 90, 10)).fit.condition
    eighth = use_readings(np.zeros(10), np.linspace(0, 45, 10)).fit.condition
    assert eighth > quarter > 5


def test_condition_is_that_of_the_weighted_problem() -> None:
    azimuths = np.repeat([0.0, 30.0, 75.0, 110.0, 150.0], [1, 5, 2, 9, 3])
    angle = np.deg2rad([0.0, 30.0, 75.0, 110.0, 150.0])
    design = np.column_stack([np.ones(5), np.sqrt(2) * np.cos(angle), np.sqrt(2) * np.sin(angle)])
    expected = np.linalg.cond(design * np.sqrt([1, 5, 2, 9, 3])[:, None])
    assert use_readings(np.zeros(20), azimuths).fit.condition == pytest.approx(expected, rel=1e-12)


def test_fit_says_what_its_directions_can_see() -> None:
    azimuths = np.arange(0.0, 90.0, 10.0)
    fit = use_readings(np.zeros(9), azimuths).fit
    assert fit.lobe_visibility == lobe_visibility(azimuths)


def test_directions_a_ten_thousandth_of_a_degree_apart_do_not_give_a_centre() -> None:
    with pytest.raises(
        StatisticsError, match=r"^a centre can't be fitted: the directions do not span the plane$"
    ):
        use_readings(np.zeros(3), [0.0, 0.0001, 0.0002])


# ---- readings


def test_readings_of_a_perfect_ring_are_its_radius() -> None:
    azimuths = even_azimuths(12)
    found = project_on_approach(ring_touches(azimuths, 0.0, (30.0, -7.0)), azimuths, round_artefact=True)
    assert found.reading_mm == pytest.approx(np.full(12, RING_RADIUS_MM), abs=1e-12)
    assert found.fit.centre_mm == pytest.approx((30.0, -7.0), abs=1e-12)
    assert found.fit.radius_mm == pytest.approx(RING_RADIUS_MM, abs=1e-12)
    assert (found.fit.kind, found.fit.residual_dof) == ("circle", 9)


def test_a_later_trigger_at_a_boss_is_a_larger_reading() -> None:
    azimuths = even_azimuths(24)
    late = np.where(np.arange(24) == 5, 0.004, 0.0)
    # From outside: the stylus moves towards the centre, the trigger lies on the far side of -radius.
    positions = unit_vectors(azimuths) * (-RING_RADIUS_MM + late)[:, None]
    readings = project_on_approach(positions, azimuths, round_artefact=True).reading_mm
    assert int(readings.argmax()) == 5
    assert readings.mean() == pytest.approx(-RING_RADIUS_MM, abs=0.001)


def test_approach_lines_that_miss_the_centre_do_not_shift_the_readings() -> None:
    # All lines pass 0.3 mm beside the centre; a projection would be 0.0036 mm short.
    azimuths = even_azimuths(24)
    beside = unit_vectors(azimuths + 90.0) * 0.3
    along = unit_vectors(azimuths) * np.sqrt(RING_RADIUS_MM**2 - 0.3**2)
    found = project_on_approach(along + beside, azimuths, round_artefact=True)
    assert found.reading_mm == pytest.approx(np.full(24, RING_RADIUS_MM), abs=1e-9)


def test_plain_projection_is_what_a_block_gives() -> None:
    azimuths = np.array([0.0, 90.0, 180.0, 270.0])
    positions = [[5.0, 0.1], [0.2, 4.0], [-5.0, 0.3], [-0.1, -4.0]]
    found = project_on_approach(positions, azimuths, round_artefact=False)
    assert (found.fit.kind, found.fit.residual_dof) == ("line", 1)
    assert found.fit.radius_mm == pytest.approx(4.5, abs=1e-12)
    assert found.reading_mm == pytest.approx([5.0, 4.0, 5.0, 4.0], abs=1e-12)


@pytest.mark.parametrize("round_artefact", [True, False], ids=["round", "plain"])
def test_each_reading_knows_its_direction(round_artefact: bool) -> None:
    azimuths = np.array([240.0, 0.0, 120.0, 0.0])
    found = project_on_approach(ring_touches(azimuths, 0.0), azimuths, round_artefact=round_artefact)
    assert found.azimuth_deg.tolist() == [0.0, 120.0, 240.0]
    assert found.direction.tolist() == [2, 0, 1, 0]


def test_logged_readings_know_their_direction_and_no_radius() -> None:
    found = use_readings([1.0, 2.0, 3.0, 2.0], [240.0, 0.0, 120.0, 0.0])
    assert found.azimuth_deg.tolist() == [0.0, 120.0, 240.0]
    assert found.direction.tolist() == [2, 0, 1, 0]
    assert (found.fit.kind, found.fit.radius_mm) == ("line", 0.0)


def test_too_few_directions_are_projected_as_they_are() -> None:
    # Moved along -Y and +X, 3 and 5 mm from the zero of the machine.
    found = project_without_centre([[5.0, 7.0], [2.0, -3.0], [5.5, 8.0]], [0.0, 270.0, 360.0])
    assert found.reading_mm == pytest.approx([5.0, 3.0, 5.5], abs=1e-14)
    assert found.azimuth_deg.tolist() == [0.0, 270.0]
    assert found.direction.tolist() == [0, 1, 0]
    assert found.fit is None


def test_a_trigger_on_the_other_side_of_the_centre_is_negative() -> None:
    azimuths = even_azimuths(12)
    readings = np.where(np.arange(12) == 4, -2 * RING_RADIUS_MM, 0.0)
    found = project_on_approach(ring_touches(azimuths, readings), azimuths, round_artefact=True)
    expected = np.where(np.arange(12) == 4, -RING_RADIUS_MM, RING_RADIUS_MM)
    assert found.reading_mm == pytest.approx(expected, abs=1e-9)


def test_logged_readings_lose_only_constant_free_centre() -> None:
    azimuths = even_azimuths(9)
    angle = np.deg2rad(azimuths)
    lobes = 0.003 * np.cos(3 * angle)
    found = use_readings(7.0 + 0.5 * np.cos(angle) - 0.2 * np.sin(angle) + lobes, azimuths)
    assert found.reading_mm == pytest.approx(7.0 + lobes, abs=1e-12)
    assert found.fit.centre_mm == pytest.approx((0.5, -0.2), abs=1e-12)


def test_uneven_azimuths_and_missing_directions_leave_an_exact_centre() -> None:
    azimuths = np.array([0.0, 11.0, 40.0, 95.0, 200.0, 310.0])
    found = project_on_approach(ring_touches(azimuths, 0.0, (1.0, 2.0)), azimuths, round_artefact=True)
    assert found.fit.centre_mm == pytest.approx((1.0, 2.0), abs=1e-9)


def test_a_partial_arc_leaves_an_exact_centre() -> None:
    azimuths = np.linspace(0.0, 60.0, 7)
    found = project_on_approach(ring_touches(azimuths, 0.0, (1.0, 2.0)), azimuths, round_artefact=True)
    assert found.fit.centre_mm == pytest.approx((1.0, 2.0), abs=1e-8)


def test_unequal_touches_weigh_the_direction_means() -> None:
    azimuths = np.array([0.0, 0.0, 0.0, 90.0, 180.0, 225.0, 270.0])
    readings = np.array([1.0, 2.0, 3.0, 1.0, 4.0, 1.0, 2.0])
    azimuth = np.deg2rad([0.0, 90.0, 180.0, 225.0, 270.0])
    design = np.column_stack([np.ones(5), np.cos(azimuth), np.sin(azimuth)])
    oracle = sm.WLS([2.0, 1.0, 4.0, 1.0, 2.0], design, weights=[3, 1, 1, 1, 1]).fit()
    assert use_readings(readings, azimuths).fit.centre_mm == pytest.approx(oracle.params[1:], abs=1e-12)


def test_unequal_touches_weigh_the_points_of_a_circle() -> None:
    touches = np.array([5, 1, 1, 3, 1, 2, 1])
    azimuths = np.array([0.0, 33.0, 80.0, 140.0, 210.0, 260.0, 300.0])
    points = ring_touches(azimuths, np.random.default_rng(15).normal(0.0, 0.1, 7))
    found = project_on_approach(
        np.repeat(points, touches, axis=0), np.repeat(azimuths, touches), round_artefact=True
    )
    x, y, radius = fit_circle(np.repeat(points, touches, axis=0))
    assert found.fit.centre_mm == pytest.approx((x, y), abs=1e-7)
    assert found.fit.radius_mm == pytest.approx(radius, abs=1e-7)


@pytest.mark.parametrize(
    "azimuths", [[0.0], [0.0, 180.0], [0.0, 90.0, 360.0]], ids=["one", "two", "two alike"]
)
def test_fewer_than_three_directions_are_refused_with_what_is_confounded(azimuths: list[float]) -> None:
    with pytest.raises(StatisticsError, match="its size and the pre-travel are confounded"):
        use_readings(np.zeros(len(azimuths)), azimuths)


def test_one_touch_a_direction_is_enough_for_a_centre() -> None:
    found = use_readings([1.0, 2.0, 3.0], [0.0, 120.0, 240.0])
    assert found.reading_mm == pytest.approx(np.full(3, 2.0), abs=1e-12)
    assert found.fit.residual_dof == 0


def test_a_large_offset_keeps_a_scatter_of_a_tenth_of_a_micrometre() -> None:
    azimuths = np.repeat(even_azimuths(24), 10)
    scatter = np.random.default_rng(13).normal(0.0, 1e-4, 240)
    near = project_on_approach(ring_touches(azimuths, scatter), azimuths, round_artefact=True)
    far = project_on_approach(ring_touches(azimuths, scatter, (1e4, 1e4)), azimuths, round_artefact=True)
    assert far.reading_mm == pytest.approx(near.reading_mm, abs=1e-10)


@settings(max_examples=40, deadline=None)
@given(
    turn=st.floats(0.0, 360.0),
    shift=st.tuples(st.floats(-500.0, 500.0), st.floats(-500.0, 500.0)),
    seed=st.integers(0, 1000),
)
def test_readings_do_not_depend_on_where_and_how_the_artefact_lies(
    turn: float, shift: tuple[float, float], seed: int
) -> None:
    azimuths = np.array([0.0, 33.0, 80.0, 140.0, 210.0, 260.0, 300.0])
    readings = np.random.default_rng(seed).normal(0.0, 0.01, 7)
    plain = project_on_approach(ring_touches(azimuths, readings), azimuths, round_artefact=True)
    moved = project_on_approach(
        ring_touches(azimuths + turn, readings, shift), azimuths + turn, round_artefact=True
    )
    order = np.argsort(moved.direction)
    expected = plain.reading_mm[np.argsort(plain.direction)]
    start = int(np.argmin(np.mod(np.round(azimuths + turn, 4), 360.0)))
    assert moved.reading_mm[order] == pytest.approx(np.roll(expected, -start), abs=1e-8)


def test_centre_is_unbiased_and_spreads_as_theory_says() -> None:
    rng = np.random.default_rng(14)
    azimuths = even_azimuths(24)[round_robin(24, 5)]
    centres = np.array(
        [
            project_on_approach(
                ring_touches(azimuths, rng.normal(0.0, 0.01, 120), (1.0, 2.0)), azimuths, round_artefact=True
            ).fit.centre_mm
            for _ in range(400)
        ]
    )
    spread = 0.01 * np.sqrt(2 / 120)
    assert centres.mean(axis=0) == pytest.approx((1.0, 2.0), abs=4 * spread / np.sqrt(400))
    inside = np.abs(centres - (1.0, 2.0)) < 1.96 * spread
    assert_share(int(inside.sum()), inside.size, 0.95)
