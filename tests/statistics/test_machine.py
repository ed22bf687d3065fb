"""Reversal value, run-out and same-side touches against closed forms and truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, stats
from simulated import assert_share, assert_share_at_most, even_azimuths, repeated

from probetest.simulate import Mill, Probe, fixed_error, pretravel
from probetest.statistics.approach import unit_vectors
from probetest.statistics.machine import (
    HIGHEST_WAVE,
    find_reversal,
    find_runout,
    reversal_shapes,
    same_side,
)
from probetest.statistics.separation import separate
from probetest.statistics.turns import Stack, Turn, stack_turns, wave_columns

GOAL = (0.0, 30.0, 90.0, 210.0)
SD, DOF = 0.002, 384.0
Curve = Callable[[np.ndarray], np.ndarray]


def still(azimuth: np.ndarray) -> np.ndarray:
    return 0.0 * azimuth


def seat(body: np.ndarray) -> np.ndarray:
    return pretravel(Probe(preload_n=2.0, arm_azimuth_deg=17.0), body)


def stack_of(
    probe: Curve = still,
    machine: Curve = still,
    *,
    orientations: tuple[float, ...] = GOAL,
    azimuth: np.ndarray | None = None,
    runout: tuple[float, float] = (0.0, 0.0),
    axis: tuple[float, float] = (0.0, 0.0),
    counts: int = 5,
    rng: np.random.Generator | None = None,
) -> Stack:
    """A stack from readings about the origin; the centre of each orientation is taken out as a log's is."""
    azimuth = even_azimuths(24) if azimuth is None else azimuth
    turns = []
    for angle in orientations:
        turned = np.deg2rad(angle)
        ball = np.array(
            [
                runout[0] * np.cos(turned) - runout[1] * np.sin(turned),
                runout[0] * np.sin(turned) + runout[1] * np.cos(turned),
            ]
        )
        mean = 10.5 + probe(azimuth - angle) + machine(azimuth) + unit_vectors(azimuth) @ (axis - ball)
        if rng is not None:
            mean = mean + rng.normal(0, SD / np.sqrt(counts), len(mean))
        plain = np.column_stack([np.ones(len(azimuth)), unit_vectors(azimuth)])
        centre = np.linalg.lstsq(plain, mean, rcond=None)[0][1:]
        number = np.full(len(azimuth), counts)
        turns.append(
            Turn(angle, azimuth, mean - plain[:, 1:] @ centre, number, (centre[0], centre[1]), SD, DOF / 4)
        )
    return stack_turns(turns)


# ---- reversal value


def test_reversal_is_half_of_the_way_towards_the_motion() -> None:
    # A position lags by half the reversal value against the motion of each axis (common practice, no
    # source); along the approach u that is (b_x |u_x| + b_y |u_y|) / 2.
    azimuth = np.array([0.0, 30.0, 90.0, 135.0, 200.0, 270.0])
    ux, uy = np.cos(np.deg2rad(azimuth)), np.sin(np.deg2rad(azimuth))
    lag = 0.5 * np.column_stack([np.sign(np.round(ux, 12)), np.sign(np.round(uy, 12))])
    assert reversal_shapes(azimuth) == pytest.approx(lag * np.column_stack([ux, uy]), abs=1e-12)
    mill = Mill(reversal_mm=(0.03, 0.01))
    assert reversal_shapes(azimuth) @ [0.03, 0.01] == pytest.approx(fixed_error(mill, azimuth))


@pytest.mark.parametrize(
    ("order", "coefficient"),
    [(0, 0.6366), (1, 0), (2, 0.4244), (3, 0), (4, -0.0849), (5, 0), (6, 0.0364), (7, 0), (8, -0.0202)],
)
def test_fourier_coefficients_of_the_absolute_cosine(order: int, coefficient: float) -> None:
    # Closed form: 2/pi, then 4/pi (-1)^(m+1) / (4 m^2 - 1) for k = 2m, none of odd order.
    m = order // 2
    closed = 2 / np.pi if order == 0 else 4 / np.pi * (-1) ** (m + 1) / (4 * m**2 - 1) * (order % 2 == 0)
    assert closed == pytest.approx(coefficient, abs=5e-5)

    def product(angle: float) -> float:
        return 2 * float(reversal_shapes([np.rad2deg(angle)])[0, 0]) * np.cos(order * angle)

    whole = integrate.quad(product, 0, 2 * np.pi, points=[np.pi / 2, 3 * np.pi / 2], limit=200)[0]
    assert whole / (2 * np.pi if order == 0 else np.pi) == pytest.approx(closed, abs=1e-9)


def test_equal_reversal_of_both_axes_has_orders_four_and_eight_alone() -> None:
    azimuth = even_azimuths(720)
    both = reversal_shapes(azimuth).sum(axis=1)
    size = 2 * wave_columns(azimuth, range(1, 13)).T @ both / 720
    amplitude = np.hypot(size[::2], size[1::2])
    assert [k for k, found in enumerate(amplitude, 1) if found > 1e-6] == [4, 8, 12]


@pytest.mark.parametrize("reversal", [(0.025, 0.025), (0.03, 0.0), (0.0, 0.012), (0.0, 0.0)])
def test_reversal_of_each_axis_is_recovered_beside_probe_and_two_lobes(reversal: tuple[float, float]) -> None:
    mill = Mill(reversal_mm=reversal, two_lobe_mm=0.01, two_lobe_azimuth_deg=20.0)

    def probe(body: np.ndarray) -> np.ndarray:
        angle = np.deg2rad(body)
        return 0.004 * np.cos(3 * angle) + 0.003 * np.sin(4 * angle) + 0.002 * np.cos(8 * angle)

    found, reason = find_reversal(stack_of(probe, lambda a: fixed_error(mill, a)), None, SD, DOF)
    assert reason == ""
    assert found is not None
    assert (found.x_mm, found.y_mm) == pytest.approx(reversal, abs=1e-9)


def test_reversal_and_its_errors_are_those_of_weighted_least_squares() -> None:
    rng = np.random.default_rng(1)
    stack = stack_of(seat, lambda a: fixed_error(Mill((0.02, 0.03)), a), orientations=(0, 35, 100), rng=rng)
    found, _ = find_reversal(stack, None, SD, DOF)
    assert found is not None
    weight = stack.root**2
    beside = np.hstack(
        [
            stack.level / stack.root[:, None],
            wave_columns(stack.azimuth_deg, [2]),
            wave_columns(stack.body_deg, range(2, HIGHEST_WAVE + 1)),
        ]
    )
    design = np.hstack([reversal_shapes(stack.azimuth_deg), beside])
    fitted = sm.WLS(stack.target / stack.root, design, weights=weight).fit(method="pinv")
    error = fitted.bse[:2] / np.sqrt(fitted.scale) * SD
    assert (found.x_mm, found.y_mm) == pytest.approx(tuple(fitted.params[:2]), abs=1e-8)
    assert (found.x_u_mm, found.y_u_mm) == pytest.approx(tuple(error), rel=1e-6)


@pytest.mark.parametrize("orientations", [(0, 180), (0, 90), (0, 90, 180, 270)], ids=str)
def test_reversal_is_not_told_where_orders_four_and_eight_look_alike(orientations: tuple[float, ...]) -> None:
    found, reason = find_reversal(stack_of(seat, orientations=orientations), None, SD, DOF)
    assert found is None
    assert "can't tell a reversal value from the probe's own even orders" in reason
    assert "0, 30, 90 and 210 deg" in reason


@pytest.mark.simulation
def test_reversal_errors_are_as_stated() -> None:
    scores = []
    mill = Mill((0.025, 0.025), two_lobe_mm=0.01, two_lobe_azimuth_deg=50.0)
    for rng in repeated(np.random.default_rng(2), 300):
        found, _ = find_reversal(stack_of(seat, lambda a: fixed_error(mill, a), rng=rng), None, SD, DOF)
        assert found is not None
        scores += [(found.x_mm - 0.025) / found.x_u_mm, (found.y_mm - 0.025) / found.y_u_mm]
    assert stats.kstest(scores, stats.norm.cdf).pvalue > 1e-3
    assert np.mean(scores) == pytest.approx(0.0, abs=3.3 / np.sqrt(600))
    assert_share(int(np.sum(np.abs(scores) > stats.norm.isf(0.025))), 600, 0.05)


@pytest.mark.parametrize("orientations", [GOAL, (0, 30, 105)], ids=str)
def test_curve_of_the_machine_is_recovered(orientations: tuple[float, ...]) -> None:
    mill = Mill((0.025, 0.025), two_lobe_mm=0.01, two_lobe_azimuth_deg=33.0)
    turns = stack_of(seat, lambda a: fixed_error(mill, a), orientations=orientations).turns
    found = separate([replace(turn, sd_mm=1e-5) for turn in turns]).machine
    assert found is not None
    plain = np.column_stack([np.ones(360), unit_vectors(found.azimuth_deg)])
    curve = fixed_error(mill, found.azimuth_deg)
    curve = curve - plain @ np.linalg.lstsq(plain, curve, rcond=None)[0]
    assert np.abs(found.mean_mm - curve).max() < 2e-5


def test_a_machine_without_blind_orders_keeps_its_variation() -> None:
    lobes = 0.006 * np.cos(np.deg2rad(2 * even_azimuths(24) - 80))
    turns = stack_of(seat, lambda _: lobes, orientations=(0, 90, 180, 270)).turns
    found = separate([replace(turn, sd_mm=1e-4) for turn in turns]).machine
    assert found is not None
    assert np.ptp(found.mean_mm) == pytest.approx(0.012, abs=1e-4)
    assert found.variation_mm == pytest.approx(0.012, abs=1e-4)


# ---- run-out


@pytest.mark.parametrize("towards", [0.0, 20.0, 137.0, 300.0])
@pytest.mark.parametrize("orientations", [GOAL, (0, 180), (10, 75), (0, 120, 240)], ids=str)
def test_runout_and_its_azimuth_are_recovered(towards: float, orientations: tuple[float, ...]) -> None:
    ball = (0.025 * np.cos(np.deg2rad(towards)), 0.025 * np.sin(np.deg2rad(towards)))
    mill = Mill((0.025, 0.01), two_lobe_mm=0.01)
    stack = stack_of(
        seat, lambda a: fixed_error(mill, a), orientations=orientations, runout=ball, axis=(3.0, -2.0)
    )
    found = find_runout(stack, SD, DOF, 0.95)
    assert found.runout_mm == pytest.approx(0.025, abs=1e-9)
    assert (found.azimuth_deg - towards + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-5)
    assert found.axis_centre_mm == pytest.approx((3.0, -2.0), abs=1e-9)


def test_centre_of_an_orientation_is_the_artefact_less_the_turned_ball() -> None:
    # By hand: ball 25 um towards +x at orientation 0; turned by 90 deg it lies towards +y.
    found = find_runout(stack_of(orientations=(0, 90), runout=(0.025, 0.0), axis=(1.0, 2.0)), SD, DOF, 0.95)
    assert found.centres_mm[0] == pytest.approx((0.975, 2.0))
    assert found.centres_mm[1] == pytest.approx((1.0, 1.975))


@pytest.mark.parametrize(("orientations", "share"), [((0, 180), 1.0), ((0, 90), 0.5), (GOAL, 0.875)], ids=str)
def test_error_of_the_runout_is_the_closed_form_of_order_one(orientations, share: float) -> None:
    stack = stack_of(orientations=orientations, runout=(0.01, 0.02))
    found = find_runout(stack, SD, DOF, 0.95)
    assert found.u_mm == pytest.approx(SD * np.sqrt(2 / (24 * 5 * len(orientations) * share)), rel=1e-6)
    assert found.interval_mm.half_width == pytest.approx(stats.t(DOF).ppf(0.975) * found.u_mm)


def test_two_orientations_leave_nothing_to_judge_the_circle_by() -> None:
    # Two centres always lie on one circle about one point of the axis.
    two = find_runout(stack_of(orientations=(0, 180), runout=(0.01, 0.02)), SD, DOF, 0.95)
    assert np.isnan(two.misfit_p)
    assert find_runout(stack_of(runout=(0.01, 0.02)), SD, DOF, 0.95).misfit_p == pytest.approx(1.0)


def test_a_centre_left_in_the_means_counts() -> None:
    stack = stack_of(seat, runout=(0.01, 0.02))
    shift = np.array([0.4, -0.3])
    left = [
        replace(
            turn,
            mean_mm=turn.mean_mm + unit_vectors(turn.azimuth_deg) @ shift,
            centre_mm=(turn.centre_mm[0] - 0.4, turn.centre_mm[1] + 0.3),
        )
        for turn in stack.turns
    ]
    plain, found = (find_runout(one, SD, DOF, 0.95) for one in (stack, stack_turns(left)))
    assert found.runout_mm == pytest.approx(plain.runout_mm, abs=1e-9)
    assert found.axis_centre_mm == pytest.approx(plain.axis_centre_mm, abs=1e-9)


def test_coordinates_of_the_artefact_do_not_matter() -> None:
    near, far = (
        find_runout(stack_of(seat, runout=(0.01, 0.02), axis=axis), SD, DOF, 0.95)
        for axis in ((0.0, 0.0), (-512.25, 300.5))
    )
    assert far.runout_mm == pytest.approx(near.runout_mm, abs=1e-9)
    assert far.azimuth_deg == pytest.approx(near.azimuth_deg, abs=1e-5)
    assert far.misfit_p == pytest.approx(near.misfit_p, abs=1e-6)


@pytest.mark.simulation
def test_runout_is_covered_and_the_circle_seldom_doubted() -> None:
    covered = doubted = 0
    for rng in repeated(np.random.default_rng(3), 400):
        stack = stack_of(seat, lambda a: fixed_error(Mill((0.025, 0.025)), a), runout=(0.015, 0.02), rng=rng)
        found = find_runout(stack, SD, DOF, 0.95)
        covered += 0.025 in found.interval_mm
        doubted += found.misfit_p < 0.05
    assert_share(covered, 400, 0.95)
    assert_share(doubted, 400, 0.05)


@pytest.mark.simulation
def test_a_ball_on_the_axis_is_not_denied() -> None:
    # A length is too large on average where it is small: its interval from below is what fails last.
    covered = sum(
        0.0 in find_runout(stack_of(seat, rng=rng), SD, DOF, 0.95).interval_mm
        for rng in repeated(np.random.default_rng(4), 300)
    )
    # Two components of equal error: chance of a length above 1.96 u is exp(-1.96^2 / 2) = 14.6 %.
    assert_share(covered, 300, 1 - np.exp(-(1.96**2) / 2))


# ---- same-side touches


def odd_part_of(curve: Curve, azimuth: np.ndarray) -> np.ndarray:
    return (curve(azimuth) - curve(azimuth + 180)) / 2


def test_turning_between_opposite_touches_cancels_probe_and_runout() -> None:
    runout = (0.02, 0.015)
    stack = stack_of(seat, orientations=(0, 180), runout=runout, axis=(4.0, 5.0))
    found = same_side(stack, (4.0, 5.0), SD)
    assert found is not None
    assert found.pairs == 48
    assert found.turned_rms_mm == pytest.approx(0.0, abs=1e-12)
    # Without the turn: odd part of the curve less the run-out along the approach, as both are.
    azimuth = even_azimuths(24)
    error = odd_part_of(seat, azimuth) - unit_vectors(azimuth) @ runout
    assert found.plain_rms_mm == pytest.approx(np.sqrt(np.mean(error**2)), abs=1e-12)


def test_odd_error_of_the_machine_stays_in_same_side_touches() -> None:
    def machine(azimuth: np.ndarray) -> np.ndarray:
        return 0.006 * np.cos(np.deg2rad(3 * azimuth)) + 0.02 * np.cos(np.deg2rad(2 * azimuth))

    found = same_side(stack_of(seat, machine, orientations=(10, 190)), (0.0, 0.0), SD)
    assert found is not None
    assert found.turned_rms_mm == pytest.approx(0.006 / np.sqrt(2), abs=1e-9)  # the even part cancels


def test_only_orientations_half_a_turn_apart_are_compared() -> None:
    assert same_side(stack_of(orientations=(0, 90)), (0.0, 0.0), SD) is None
    assert same_side(stack_of(orientations=(0, 180), azimuth=even_azimuths(9)), (0.0, 0.0), SD) is None
    found = same_side(stack_of(orientations=GOAL), (0.0, 0.0), SD)  # 30 and 210
    assert found is not None
    assert found.pairs == 48
    # A centre of two means of 5 touches: sd / 2 * sqrt(1/5 + 1/5).
    assert found.u_mm == pytest.approx(SD / np.sqrt(10))


@pytest.mark.simulation
def test_error_of_one_same_side_centre_is_as_stated() -> None:
    squares = []
    for rng in repeated(np.random.default_rng(5), 100):
        found = same_side(stack_of(seat, orientations=(0, 180), rng=rng), (0.0, 0.0), SD)
        assert found is not None
        squares.append(found.turned_rms_mm**2 / found.u_mm**2)
    # 24 distinct touches at each orientation give 24 + 24 independent centres.
    assert np.mean(squares) == pytest.approx(1.0, abs=4 * np.sqrt(2 / (48 * 100)))


@pytest.mark.simulation
def test_runout_is_covered_with_directions_left_out() -> None:
    azimuth = np.delete(even_azimuths(24), [2, 3, 4, 5])
    covered = 0
    for rng in repeated(np.random.default_rng(6), 100):
        stack = stack_of(
            seat,
            lambda a: fixed_error(Mill((0.025, 0.025)), a),
            azimuth=azimuth,
            runout=(0.025, 0.0),
            rng=rng,
        )
        covered += 0.025 in find_runout(stack, SD, DOF, 0.95).interval_mm
    assert_share_at_most(100 - covered, 100, 0.05)
