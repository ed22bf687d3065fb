"""The three-arm shape is found where it is, and only there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize
from simulated import assert_share_at_most, even_azimuths, repeated

from probetest.simulate import Mill, Probe, fixed_error, pretravel
from probetest.statistics.seat import seat_shape
from probetest.statistics.separation import separate
from probetest.statistics.turned_shape import GAIN_SD, GRID_DEG, GRID_LEVEL, PAIR_SD, TurnedShape, find_shape
from probetest.statistics.turns import Stack, Turn, stack_turns, wave_columns

GOAL = (0.0, 30.0, 90.0, 210.0)
MACHINE = list(range(2, 12))
SD = 0.002
WORN = Mill(reversal_mm=(0.025, 0.01), two_lobe_mm=0.01, two_lobe_azimuth_deg=33.0)


def stack_of(
    probe_curve, machine_curve=lambda azimuth: 0 * azimuth, *, orientations=GOAL, azimuth=None, rng=None
) -> Stack:
    """A stack of means; with a generator they scatter as means of 5 touches do."""
    azimuth = even_azimuths(24) if azimuth is None else azimuth
    turns = []
    for angle in orientations:
        mean = probe_curve(azimuth - angle) + machine_curve(azimuth)
        if rng is not None:
            mean = mean + rng.normal(0, SD / np.sqrt(5), len(mean))
        turns.append(Turn(angle, azimuth, mean, np.full(len(mean), 5), (0.0, 0.0), SD, 96.0))
    return stack_turns(turns)


def seat(size: float, arm: float, ratio: float):
    return lambda body: size * seat_shape(body, arm, ratio)


def found_in(stack: Stack, sd_mm: float = SD) -> TurnedShape:
    shape = find_shape(stack, MACHINE, sd_mm)
    assert shape is not None
    return shape


@pytest.mark.parametrize(
    ("size", "arm", "ratio"), [(0.01, 37.3, 0.0), (0.004, 0.4, 0.12), (0.05, 119.2, 0.05)]
)
@pytest.mark.parametrize("machine", [Mill(), WORN], ids=["still", "worn"])
def test_size_arms_and_pairs_are_found_under_any_machine(
    size: float, arm: float, ratio: float, machine: Mill
) -> None:
    stack = stack_of(seat(size, arm, ratio), lambda azimuth: fixed_error(machine, azimuth))
    shape = found_in(stack, 1e-7)
    assert (shape.seat.arm_deg - arm + 60) % 120 - 60 == pytest.approx(0.0, abs=2e-3)
    assert shape.seat.pair_ratio == pytest.approx(ratio, abs=1e-4)
    assert shape.seat.size_mm * np.array(shape.seat.gains) == pytest.approx(np.full(3, size), rel=2e-4)
    assert shape.at(GRID_DEG) == pytest.approx(size * seat_shape(GRID_DEG, arm, ratio), abs=1e-6)


def test_the_seat_of_the_simulation_is_found() -> None:
    # The pre-travel of the simulation comes from six contact forces, not from the shape fitted here.
    probe = Probe(arm_azimuth_deg=71.0, preload_n=2.0)
    shape = found_in(stack_of(lambda body: pretravel(probe, body), lambda a: fixed_error(WORN, a)), 1e-7)
    ratio = probe.seat_radius_mm / probe.stylus_length_mm * np.tan(np.deg2rad(probe.wall_angle_deg))
    assert shape.seat.pair_ratio == pytest.approx(ratio, abs=1e-4)
    assert shape.seat.arm_deg == pytest.approx(71.0, abs=2e-3)
    assert shape.at(GRID_DEG) == pytest.approx(pretravel(probe, GRID_DEG), abs=1e-6)


@pytest.mark.parametrize(("early", "gain"), [(0, 0.8), (1, 0.7), (2, 1.2)])
def test_an_early_or_late_arm_is_found(early: int, gain: float) -> None:
    # Gain by physics: an arm whose contact opens at a load T trips at (F - 3 T) / F of its force.
    thresholds = [0.0, 0.0, 0.0]
    probe = Probe(arm_azimuth_deg=41.0, preload_n=2.0)
    if gain < 1:
        thresholds[early] = (1 - gain) * 2.0 / 3
        curve = lambda body: pretravel(replace(probe, threshold_n=tuple(thresholds)), body)  # noqa: E731
    else:
        gains = np.ones(3)
        gains[early] = gain
        curve = lambda body: 0.01 * seat_shape(body, 41.0, 0.09, gains)  # noqa: E731
    found = found_in(stack_of(curve, lambda a: fixed_error(WORN, a)), 1e-5).seat
    relative = np.array(found.gains) / np.median(found.gains)
    expected = np.ones(3)
    expected[early] = gain
    assert found.arm_deg == pytest.approx(41.0, abs=0.05)
    assert relative == pytest.approx(expected, abs=2e-3)


def penalised(stack: Stack, place: np.ndarray) -> float:
    """Misfit in variances, with what is known beforehand of pairs and gains: written out again."""
    size, arm, ratio, *logs = place
    azimuth = np.deg2rad(stack.azimuth_deg)
    kinks = np.column_stack([np.abs(np.cos(azimuth)), np.abs(np.sin(azimuth))]) * stack.root[:, None]
    beside = np.hstack([stack.level, wave_columns(stack.azimuth_deg, MACHINE) * stack.root[:, None], kinks])
    left = stack.target - size * seat_shape(stack.body_deg, arm, ratio, np.exp(logs)) * stack.root
    left = left - beside @ np.linalg.lstsq(beside, left, rcond=None)[0]
    prior = ((ratio - 0.1) / PAIR_SD) ** 2 + (np.square(logs) / GAIN_SD**2).sum()
    return float(left @ left / SD**2 + prior)


def test_no_plain_search_finds_a_better_shape() -> None:
    stack = stack_of(seat(0.01, 50.0, 0.08), lambda a: fixed_error(WORN, a), rng=np.random.default_rng(1))
    found = found_in(stack).seat
    at = np.array([found.size_mm, found.arm_deg, found.pair_ratio, *np.log(found.gains)])
    scale = np.array([1e-3, 1.0, 0.02, 0.05, 0.05, 0.05])

    def cost(step: np.ndarray) -> float:
        place = at + step * scale
        return penalised(stack, np.array([place[0], place[1], max(0.0, place[2]), *place[3:]]))

    best = optimize.minimize(cost, np.zeros(6), method="Powell", options={"xtol": 1e-6, "maxiter": 20})
    assert cost(np.zeros(6)) <= best.fun + 0.02


def test_slopes_are_the_derivatives_of_the_shape() -> None:
    stack = stack_of(seat(0.01, 50.3, 0.08), rng=np.random.default_rng(2))
    shape = found_in(stack)
    at = np.array([shape.seat.size_mm, shape.seat.arm_deg, shape.seat.pair_ratio, *np.log(shape.seat.gains)])

    def value(place: np.ndarray) -> np.ndarray:
        return place[0] * seat_shape(stack.body_deg, place[1], place[2], np.exp(place[3:]))

    # The size may go as far as that of the equal arms that fit best.
    limits = [shape.known_sd[0], np.inf, PAIR_SD, GAIN_SD, GAIN_SD, GAIN_SD]
    assert limits[0] == pytest.approx(shape.seat.size_mm, rel=0.6)
    smooth = np.abs((stack.body_deg - shape.seat.arm_deg) % 60 - 30) < 22  # away from the kinks
    for column, limit in enumerate(limits):
        step = np.zeros(6)
        step[column] = 1e-6
        exact = ((value(at + step) - value(at - step)) / 2e-6)[smooth]
        found = (shape.seen[:, column] / stack.root)[smooth]
        unit = found @ exact / (exact @ exact)
        assert found == pytest.approx(unit * exact, abs=0.02 * np.abs(found).max())
        # A column moves its figure by ``unit``: so far may it go beforehand.
        assert shape.known_sd[column] * unit == pytest.approx(limit, rel=0.02)


def test_shown_slopes_hold_no_constant_and_no_centre() -> None:
    shape = found_in(stack_of(seat(0.01, 50.3, 0.08)))
    plain = np.column_stack([np.ones(360), np.cos(np.deg2rad(GRID_DEG)), np.sin(np.deg2rad(GRID_DEG))])
    assert shape.shown.shape == (len(shape.grid_deg), 6)
    assert float(np.abs(plain.T @ shape.shown[:360]).max()) < 1e-9
    products = GRID_LEVEL.T @ GRID_LEVEL
    assert products == pytest.approx(np.eye(3), abs=1e-12)


def test_peaks_stand_behind_the_grid() -> None:
    shape = found_in(stack_of(seat(0.01, 50.3, 0.0)), 1e-5)
    assert shape.grid_deg[:360].tolist() == GRID_DEG.tolist()
    # The shape peaks where motion is along an arm: there force meets two arms at once.
    assert np.sort(shape.grid_deg[360:]) == pytest.approx([50.3, 170.3, 290.3], abs=0.05)


def test_beyond_leaves_none_of_the_waves_given() -> None:
    shape = found_in(stack_of(seat(0.01, 50.3, 0.08)))
    left = shape.beyond(GRID_DEG, [2, 3, 6])
    assert wave_columns(GRID_DEG, [1, 2, 3, 6]).T @ left == pytest.approx(np.zeros(8), abs=1e-9)
    assert left.sum() == pytest.approx(0.0, abs=1e-9)
    # Order 9 stays: twice the mean of the product is its amplitude.
    both = 2 * wave_columns(GRID_DEG, [9]).T @ np.column_stack([left, shape.at(GRID_DEG)]) / 360
    assert both[:, 0] == pytest.approx(both[:, 1], abs=1e-12)
    assert np.hypot(*both[:, 0]) > 1e-4


def test_harmonics_of_a_seat_are_its_fourier_coefficients() -> None:
    # a_k of 1 / cos over the sector of an arm: 6/pi * integral of cos(k x) / cos x from 0 to 60 deg. Orders
    # above 11, which 24 directions fold onto others, must not show in them.
    coefficients = {3: -0.346013, 6: 0.131174, 9: -0.067483}
    turns = stack_of(seat(0.01, 37.3, 0.0), lambda azimuth: fixed_error(WORN, azimuth)).turns
    waves = separate([replace(turn, sd_mm=1e-5) for turn in turns]).probe_harmonics
    for wave in waves:
        assert wave.amplitude_mm == pytest.approx(0.01 * abs(coefficients.get(wave.order, 0.0)), abs=1e-6)
    assert [wave.order for wave in waves] == list(range(2, 12))


# ---- where there is none


def test_a_flat_curve_has_no_shape() -> None:
    assert find_shape(stack_of(lambda body: 0 * body), MACHINE, SD) is None


def test_a_shape_is_never_upside_down() -> None:
    shape = found_in(stack_of(lambda body: -0.01 * seat_shape(body, 20.0, 0.3)))
    assert shape.seat.size_mm > 0
    assert shape.seat.arm_deg == pytest.approx(80.0, abs=3.0)  # its peaks are where the other had none


def test_a_machine_alone_makes_no_shape() -> None:
    stack = stack_of(lambda body: 0 * body, lambda azimuth: fixed_error(WORN, azimuth))
    assert find_shape(stack, MACHINE, 1e-6) is None


def test_a_three_lobed_machine_makes_no_shape() -> None:
    stack = stack_of(lambda body: 0 * body, lambda azimuth: 0.02 * np.cos(np.deg2rad(3 * azimuth - 40)))
    assert find_shape(stack, MACHINE, SD) is None


def test_constant_and_centre_do_not_matter() -> None:
    stack = stack_of(seat(0.01, 50.0, 0.08), rng=np.random.default_rng(3))
    plain = found_in(stack)
    turns = [
        replace(
            turn,
            mean_mm=turn.mean_mm + 10.5 + 3.0 * np.cos(np.deg2rad(turn.azimuth_deg - 25 * place)),
        )
        for place, turn in enumerate(stack.turns)
    ]
    moved = found_in(stack_turns(turns))
    assert moved.seat.arm_deg == pytest.approx(plain.seat.arm_deg, abs=1e-3)
    assert moved.seat.size_mm == pytest.approx(plain.seat.size_mm, abs=1e-7)


# ---- simulations


@pytest.mark.simulation
def test_scatter_alone_seldom_makes_a_shape() -> None:
    # 12 is the 99.3 % point of chi-square with 3 degrees of freedom, one each for size, arms and pairs.
    found = sum(
        find_shape(stack_of(lambda body: 0 * body, rng=rng), MACHINE, SD) is not None
        for rng in repeated(np.random.default_rng(4), 200)
    )
    assert_share_at_most(found, 200, 0.01)


@pytest.mark.simulation
def test_arms_are_found_as_well_as_the_information_allows() -> None:
    errors = []
    for rng in repeated(np.random.default_rng(5), 60):
        stack = stack_of(seat(0.02, 50.0, 0.1), lambda a: fixed_error(WORN, a), rng=rng)
        errors.append(found_in(stack).seat.arm_deg - 50.0)
    azimuth = np.deg2rad(stack.azimuth_deg)
    kinks = np.column_stack([np.abs(np.cos(azimuth)), np.abs(np.sin(azimuth))]) * stack.root[:, None]
    at, step = np.array([0.02, 50.0, 0.1, 0.0, 0.0, 0.0]), np.array([1e-4, 0.01, 0.01, 0.01, 0.01, 0.01])

    def value(place: np.ndarray) -> np.ndarray:
        return place[0] * seat_shape(stack.body_deg, place[1], place[2], np.exp(place[3:])) * stack.root

    moves = np.diag(step)
    slopes = np.column_stack([(value(at + m) - value(at - m)) / (2 * m.sum()) for m in moves])
    beside = [stack.level, wave_columns(stack.azimuth_deg, MACHINE) * stack.root[:, None], kinks]
    design = np.hstack([slopes, *beside])
    prior = np.zeros(design.shape[1])
    prior[2:6] = SD**2 / np.array([PAIR_SD, GAIN_SD, GAIN_SD, GAIN_SD]) ** 2
    bound = SD * np.sqrt(np.linalg.pinv(design.T @ design + np.diag(prior))[1, 1])
    assert np.mean(errors) == pytest.approx(0.0, abs=4 * bound / np.sqrt(60))
    assert np.std(errors) == pytest.approx(bound, rel=0.35)
