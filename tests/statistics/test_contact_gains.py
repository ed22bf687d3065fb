"""Gains of the arms: known answers, least squares written out again beside them, known truth."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import optimize, stats
from scipy.linalg import orth
from simulated import assert_share_at_least, assert_share_at_most, estimated_sd, even_azimuths, repeated

from probetest.errors import StatisticsError
from probetest.simulate import Mill, Probe, fixed_error, pretravel
from probetest.statistics.contact_evidence import GAIN_RISK
from probetest.statistics.contact_fit import HEALTHY, SeatProblem
from probetest.statistics.contact_gains import MISFIT_RISK, Beside, ContactGains, contact_gains
from probetest.statistics.seat import seat_shape
from probetest.statistics.turned_shape import PAIR_SD, USUAL_PAIR
from probetest.statistics.turns import Turn, stack_turns, wave_columns

Floats = NDArray[np.float64]

ONE, FOUR = (0.0,), (0.0, 30.0, 90.0, 210.0)
CASES: list[tuple[Beside, tuple[float, ...]]] = [("nothing", ONE), ("reversal value", ONE), ("waves", FOUR)]
SD = 0.002
WORN = Mill(reversal_mm=(0.025, 0.01), two_lobe_mm=0.01, two_lobe_azimuth_deg=33.0)
WAYS = np.array([[2.0, -1.0, -1.0], [0.0, np.sqrt(3.0), -np.sqrt(3.0)]]).T / np.sqrt(6.0)


def waves_of_any_order(azimuth_deg: Floats) -> Floats:
    """Waves of the orders that 24 directions tell, up to 4 um each, and a reversal value."""
    orders = range(2, 12)
    size = np.random.default_rng(8).uniform(-0.004, 0.004, 2 * len(orders))
    return np.asarray(wave_columns(azimuth_deg, orders) @ size + fixed_error(WORN, azimuth_deg))


def machine_of(beside: Beside, azimuth_deg: Floats) -> Floats:
    if beside == "nothing":
        return 0.0 * azimuth_deg
    return fixed_error(WORN, azimuth_deg) if beside == "reversal value" else waves_of_any_order(azimuth_deg)


def turns_of(
    seat,
    case: tuple[Beside, tuple[float, ...]],
    *,
    rng: np.random.Generator | None = None,
    directions: int = 24,
    touches: int = 240,
    sd: float = 1e-6,
    start_deg: float = 2.2,
) -> list[Turn]:
    """Turns of a curve of the probe, all touches spread over them; with a generator they scatter."""
    beside, orientations = case
    cells = directions * len(orientations)
    counts = np.full(cells, touches // cells) + (np.arange(cells) < touches % cells)
    turns = []
    for own, orientation in zip(counts.reshape(-1, directions), orientations, strict=True):
        azimuth = even_azimuths(directions, start_deg)
        mean = seat(azimuth - orientation) + machine_of(beside, azimuth)
        dof = int((own - 1).sum())
        spread = sd
        if rng is not None:
            mean = mean + rng.normal(0, sd, directions) / np.sqrt(own)
            spread = estimated_sd(rng, sd, dof)
        turns.append(Turn(orientation, azimuth, mean, own, (0.0, 0.0), spread, float(dof)))
    return turns


def seat_of(size: float, arm: float, ratio: float, gains: tuple[float, ...] = (1.0, 1.0, 1.0)):
    return lambda body: size * seat_shape(body, arm, ratio, gains)


def contrasts(gains: tuple[float, ...]) -> Floats:
    """Log gain of each arm less the mean of the other two."""
    logs = np.log(gains)
    return np.array([logs[arm] - np.delete(logs, arm).mean() for arm in range(3)])


def by_azimuth(found: ContactGains) -> list[tuple[float, float]]:
    return [(arm.azimuth_deg, arm.contrast) for arm in found.arms]


def expected(arm: float, gains: tuple[float, ...]) -> list[tuple[float, float]]:
    azimuth = (arm + 120.0 * np.arange(3)) % 360.0
    return sorted(zip(azimuth.tolist(), contrasts(gains).tolist(), strict=True))


# ---- known answers


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
@pytest.mark.parametrize(("arm", "gains"), [(170.0, (1.25, 0.95, 1.0)), (301.0, (1.0, 1.0, 0.45))])
def test_gains_come_back(case, arm: float, gains: tuple[float, ...]) -> None:
    found = contact_gains(turns_of(seat_of(0.02, arm, 0.08, gains), case), beside=case[0])
    assert np.array(by_azimuth(found)) == pytest.approx(np.array(expected(arm, gains)), abs=1e-5)
    assert found.pair_ratio == pytest.approx(0.08, abs=1e-6)
    # The size is that of arms of the mean of the three logarithms.
    assert found.size_mm == pytest.approx(0.02 * np.prod(gains) ** (1 / 3), rel=1e-5)
    assert (found.beside, found.touches) == (case[0], 240)
    assert found.directions == 24 * len(case[1])
    # Even directions show the orders 2, 6, 10, 14 ... of a reversal value that differs by axis as waves.
    beside = {"nothing": 3, "reversal value": 3 + 2 + 2, "waves": 12 + 20 + 1}[case[0]]
    assert found.parameters == beside + 3  # size, arm azimuth, pairs
    assert found.misfit_p > 0.99


@pytest.mark.parametrize("early", [0, 2])
def test_thresholds_are_gains(early: int) -> None:
    # Closed form: a contact with the threshold N of a spring F opens at 1 - 3 N / F of its force. The
    # pre-travel of the simulation comes from the equilibrium of six contacts.
    thresholds = [0.02, 0.02, 0.02]
    thresholds[early] = 0.11
    probe = Probe(
        arm_azimuth_deg=71.0, preload_n=2.0, threshold_n=(thresholds[0], thresholds[1], thresholds[2])
    )
    found = contact_gains(turns_of(lambda body: pretravel(probe, body), CASES[2]), beside="waves")
    gains = tuple(1 - 3 * threshold / 2.0 for threshold in thresholds)
    assert np.array(by_azimuth(found)) == pytest.approx(np.array(expected(71.0, gains)), abs=1e-5)
    slope = probe.seat_radius_mm / probe.stylus_length_mm * np.tan(np.deg2rad(probe.wall_angle_deg))
    assert found.pair_ratio == pytest.approx(slope, abs=1e-6)
    assert found.best.arm == [azimuth for azimuth, _ in expected(71.0, gains)].index(
        (71.0 + 120 * early) % 360
    )
    assert found.best.contrast == pytest.approx(np.log(gains[early] / 0.97), abs=1e-4)


def test_a_stated_arm_is_any_of_the_three() -> None:
    turns = turns_of(seat_of(0.02, 170.0, 0.08, (0.85, 1.0, 1.1)), CASES[0])
    free = contact_gains(turns, beside="nothing")
    for stated in (-70.0, 650.0):
        held = contact_gains(turns, beside="nothing", arm_azimuth_deg=stated)
        assert np.array(by_azimuth(held)) == pytest.approx(np.array(by_azimuth(free)), abs=1e-5)
        assert held.arm_u_deg == 0.0 < free.arm_u_deg
        assert held.u <= free.u
        assert held.parameters == free.parameters - 1


def test_level_and_centre_take_no_part() -> None:
    turns = turns_of(seat_of(0.02, 40.0, 0.08, (0.9, 1.0, 1.0)), CASES[1])
    moved = [
        replace(turn, mean_mm=turn.mean_mm + place + 0.1 * place * np.cos(np.deg2rad(turn.azimuth_deg - 20)))
        for place, turn in enumerate(turns)
    ]
    before, after = (by_azimuth(contact_gains(each, beside="reversal value")) for each in (turns, moved))
    assert np.array(after) == pytest.approx(np.array(before), abs=1e-6)


def test_a_probe_that_is_turned_keeps_its_arms() -> None:
    gains = (0.9, 1.0, 1.0)
    turns = turns_of(seat_of(0.02, 40.0, 0.08, gains), ("nothing", (77.0,)))
    found = contact_gains(turns, beside="nothing")
    assert np.array(by_azimuth(found)) == pytest.approx(np.array(expected(40.0, gains)), abs=1e-5)


def test_likelihood_is_shared_by_the_arms() -> None:
    rng = np.random.default_rng(4)
    found = contact_gains(turns_of(seat_of(0.012, 40.0, 0.08), CASES[0], rng=rng, sd=SD), beside="nothing")
    weight = np.exp(-np.array([one.misfit for one in found.one_arm]) / 2 / found.excess)
    assert found.share_of_likelihood() == pytest.approx(weight / weight.sum(), rel=1e-9)
    assert found.best == found.one_arm[int(weight.argmax())]
    assert all(found.free_misfit <= one.misfit <= found.alike_misfit for one in found.one_arm)
    assert found.arms[0].share == pytest.approx(np.exp(found.arms[0].contrast) - 1)


# ---- the problem written out again


class Plain:
    """Weighted least squares with every column in it; only `seat_shape` is shared with what is tested."""

    def __init__(self, turns: list[Turn], beside: Beside) -> None:
        azimuth = np.concatenate([turn.azimuth_deg for turn in turns])
        place = np.repeat(np.arange(len(turns)), [len(turn.azimuth_deg) for turn in turns])
        self.body = azimuth - np.array([turn.orientation_deg for turn in turns])[place]
        self.root = np.sqrt(np.concatenate([turn.counts for turn in turns]))
        angle = np.deg2rad(azimuth)
        own = (place[:, None] == np.arange(len(turns))).astype(float)
        parts = [own, own * np.cos(angle)[:, None], own * np.sin(angle)[:, None]]
        if beside != "nothing":
            orders = [2] if beside == "reversal value" else range(2, 12)
            parts += [np.column_stack([np.cos(k * angle), np.sin(k * angle)]) for k in orders]
            parts.append(np.column_stack([np.abs(np.cos(angle)), np.abs(np.sin(angle))]))
        self.beside = np.hstack(parts) * self.root[:, None]
        self.mean = np.concatenate([turn.mean_mm for turn in turns]) * self.root
        self.dof = sum(turn.dof for turn in turns)
        self.sd = float(np.sqrt(sum(turn.dof * turn.sd_mm**2 for turn in turns) / self.dof))

    def seat(self, arm: float, ratio: float, logs: Floats) -> Floats:
        return np.asarray(seat_shape(self.body, arm, ratio, np.exp(logs)) * self.root)

    def misfit(self, arm: float, ratio: float, logs: Floats) -> float:
        """Of the best size and columns, and of the pair ratio."""
        design = np.column_stack([self.seat(arm, ratio, logs), self.beside])
        left = self.mean - design @ np.linalg.lstsq(design, self.mean, rcond=None)[0]
        return float(left @ left / self.sd**2 + ((ratio - USUAL_PAIR) / PAIR_SD) ** 2)

    def least(self, arm: float, ways: Floats, offset: Floats, start: Floats) -> float:
        """Least misfit of several searches without slopes."""

        def cost(place: Floats) -> float:
            return self.misfit(place[0], abs(place[1]), offset + ways @ place[2:])

        first = np.concatenate([[arm, 0.1], start])
        step = np.diag([4.0, 0.05, *np.full(len(start), 0.06)])
        found = [
            optimize.minimize(
                cost,
                first,
                method="Nelder-Mead",
                options={
                    "initial_simplex": np.vstack([first, first + side * step]),
                    "fatol": 2e-3,
                    "xatol": 1.0,
                },
            ).fun
            for side in (1.0, -1.0)
        ]
        return float(min(found))


@pytest.fixture(scope="module", params=[0, 1, 2], ids=[case[0] for case in CASES])
def scattered(request: pytest.FixtureRequest) -> tuple[list[Turn], ContactGains]:
    """A test of 240 touches with one early arm, and what is found in it."""
    case = CASES[request.param]
    seat = seat_of(0.02, 37.0, 0.12, (0.8, 1.0, 1.04))
    turns = turns_of(seat, case, rng=np.random.default_rng(21), sd=SD)
    return turns, contact_gains(turns, beside=case[0])


def logs_of(found: ContactGains) -> Floats:
    return np.array([arm.contrast for arm in found.arms]) / 1.5


def test_standard_errors_are_those_of_the_linearised_problem(scattered) -> None:
    # Oracle: OLS of statsmodels on slopes by finite differences of `seat_shape`.
    turns, found = scattered
    plain = Plain(turns, found.beside)
    logs = logs_of(found)
    at = np.array([found.size_mm, found.arms[0].azimuth_deg, found.pair_ratio, *(WAYS.T @ logs)])

    def seat(place: Floats) -> Floats:
        return place[0] * plain.seat(place[1], place[2], WAYS @ place[3:])

    steps = np.diag([1e-7, 1e-5, 1e-7, 1e-7, 1e-7])
    slopes = np.column_stack([(seat(at + h) - seat(at - h)) / (2 * h.sum()) for h in steps])
    design = np.hstack([slopes, orth(plain.beside)]) / plain.sd
    pairs = np.zeros(design.shape[1])
    pairs[2] = 1 / PAIR_SD
    linear = sm.OLS(np.append(plain.mean, 0.0), np.vstack([design, pairs]))
    covariance = linear.fit().normalized_cov_params
    to_contrast = 1.5 * WAYS
    u = np.sqrt(found.excess * np.diag(to_contrast @ covariance[3:5, 3:5] @ to_contrast.T))
    assert [arm.u for arm in found.arms] == pytest.approx(u, rel=1e-4)
    assert found.arm_u_deg == pytest.approx(np.sqrt(found.excess * covariance[1, 1]), rel=1e-4)
    assert found.size_u_mm == pytest.approx(np.sqrt(found.excess * covariance[0, 0]), rel=1e-4)
    assert found.noise_mm == pytest.approx(plain.sd * np.sqrt(found.excess), rel=1e-9)
    for arm, own in zip(found.arms, u, strict=True):
        limits = stats.t(found.dof, arm.contrast, own).interval(0.95)
        assert (arm.interval.lower, arm.interval.upper) == pytest.approx(limits, rel=1e-4)


def test_misfits_are_the_least_there_are(scattered) -> None:
    turns, found = scattered
    plain = Plain(turns, found.beside)
    base, logs = found.arms[0].azimuth_deg, logs_of(found)
    assert found.free_misfit == pytest.approx(plain.misfit(base, found.pair_ratio, logs), rel=1e-6)
    assert found.free_misfit <= plain.least(base, WAYS, np.zeros(3), WAYS.T @ logs) + 1e-3
    alike = plain.least(base, np.zeros((3, 0)), np.zeros(3), np.zeros(0))
    assert found.alike_misfit == pytest.approx(alike, abs=0.01)
    for place, one in enumerate(found.one_arm):
        way = (np.eye(3)[place] - 1 / 3)[:, None]
        least = plain.least(base, way, np.zeros(3), np.array([one.contrast]))
        assert one.misfit == pytest.approx(least, abs=0.01)
    left = found.directions - int(np.linalg.matrix_rank(plain.beside)) - 5
    assert found.misfit_p == pytest.approx(stats.f.sf(found.free_misfit / left, left, plain.dof), rel=1e-6)


def test_chance_is_that_of_the_likelihood_at_the_border(scattered) -> None:
    # Signed root of the likelihood ratio: least misfit with the contrast held at the border, searched for
    # without slopes.
    turns, found = scattered
    plain, asked = Plain(turns, found.beside), 0
    for place, arm in enumerate(found.arms):
        own, other = (arm.early_p, arm.late_p) if arm.contrast < 0 else (arm.late_p, arm.early_p)
        assert other == pytest.approx(stats.t.cdf((HEALTHY + abs(arm.contrast)) / arm.u, found.dof), rel=1e-6)
        if abs(arm.contrast) <= HEALTHY:
            assert own == pytest.approx(
                stats.t.sf((abs(arm.contrast) - HEALTHY) / arm.u, found.dof), rel=1e-6
            )
            continue
        asked += 1
        assert own == pytest.approx(chance_at_border(plain, found, place), rel=0.03)
    assert asked > 0


def chance_at_border(
    plain: Plain, found: ContactGains, place: int, starts: Sequence[tuple[float, float]] = ((0.0, 0.0),)
) -> float:
    """Of an arm that lies as far beyond the border as the one that was found; starts turned and stretched."""
    apart = np.roll([0.0, 1.0, -1.0], place)[:, None]
    offset = np.copysign(HEALTHY, found.arms[place].contrast) * (np.eye(3)[place] - 1 / 3)
    start = apart[:, 0] @ logs_of(found)[:, None] / 2
    base = found.arms[0].azimuth_deg
    least = min(plain.least(base + turned, apart, offset, start + more) for turned, more in starts)
    more = least - found.free_misfit
    return float(stats.t.sf(np.sqrt(max(0.0, more) / found.excess), found.dof))


def test_a_curve_of_another_shape_is_its_own_scatter() -> None:
    seat = seat_of(0.02, 40.0, 0.08, (0.75, 1.0, 1.0))
    turns = turns_of(lambda body: seat(body) + 0.002 * np.cos(np.deg2rad(7 * body)), CASES[0], sd=SD)
    found = contact_gains(turns, beside="nothing")
    left = 24 - 8
    assert found.misfit_p < MISFIT_RISK
    assert found.excess == pytest.approx(found.free_misfit / left)
    assert found.dof == left
    assert found.noise_mm == pytest.approx(SD * np.sqrt(found.excess))
    assert found.arms[0].early_p == pytest.approx(
        chance_at_border(Plain(turns, "nothing"), found, 0), rel=0.03
    )


def test_many_kinks_hide_no_better_seat() -> None:
    # Each direction that a border between arms crosses is a kink; a descent from equal arms ends at one.
    seat = seat_of(0.012, 77.0, 0.09, (1.0, 0.85, 1.0))
    turns = turns_of(seat, CASES[1], rng=np.random.default_rng(9), sd=SD)
    found = contact_gains(turns, beside="reversal value")
    plain = Plain(turns, "reversal value")
    for gain, turned in itertools.product((-0.15, 0.1), (-6.0, 6.0)):
        start = WAYS.T @ (logs_of(found) + gain * np.array([0.5, -1.0, 0.5]))
        least = plain.least(found.arms[0].azimuth_deg + turned, WAYS, np.zeros(3), start)
        assert found.free_misfit <= least + 0.1
    problem = problem_of(turns, "reversal value")
    alike = problem.fit(np.zeros((3, 0)), problem.start())
    descended = problem.fit(WAYS, np.append(alike.place, [0.0, 0.0]))
    assert found.free_misfit < descended.misfit - 2
    # The same at the border: the least misfit there is asked for, not the nearest.
    starts = [(0.0, 0.0), *itertools.product((-6.0, 6.0), (-0.1, 0.1))]
    early = int(np.argmin([arm.contrast for arm in found.arms]))
    assert found.arms[early].early_p == pytest.approx(chance_at_border(plain, found, early, starts), rel=0.1)


# ---- known truth


@pytest.mark.parametrize("case", CASES[1:], ids=[case[0] for case in CASES[1:]])
def test_a_seat_at_the_healthy_border_is_seldom_faulty(case) -> None:
    rng = np.random.default_rng(31)
    tests, alarms, beyond = 6, 0, 0
    for each in repeated(rng, tests):
        side = each.choice([-1.0, 1.0])
        arm = each.uniform(0, 360)
        seat = seat_of(each.choice([0.008, 0.012, 0.02, 0.03]), arm, 0.09, (np.exp(side * HEALTHY), 1.0, 1.0))
        turns = turns_of(seat, case, rng=each, sd=SD, start_deg=each.uniform(0, 15))
        problem = problem_of(turns, case[0])
        alike = problem.fit(np.zeros((3, 0)), problem.start())
        free = problem.search(WAYS, np.append(alike.place, [0.0, 0.0]))
        own = int(np.abs((free.place[1] + 120 * np.arange(3) - arm + 180) % 360 - 180).argmin())
        root = problem.beyond_border(free, own) if side * free.logs[own] > 0 else -np.inf
        dof = sum(turn.dof for turn in turns)
        alarms += bool(stats.t.sf(root, dof) < GAIN_RISK)
        beyond += bool(stats.t.sf(root, dof) < 0.2)
    assert_share_at_most(alarms, tests, GAIN_RISK)
    assert_share_at_most(beyond, tests, 0.2)


def problem_of(turns: list[Turn], beside: Beside) -> SeatProblem:
    plain, stack = Plain(turns, beside), stack_turns(turns, least=1)
    machine = plain.beside[:, 3 * len(turns) :]
    return SeatProblem(stack, machine, plain.sd, None)


@pytest.mark.parametrize("case", [CASES[2]], ids=["waves"])
def test_an_arm_15_percent_off_is_found(case) -> None:
    rng = np.random.default_rng(32)
    tests, found_it, named, covered = 4, 0, 0, 0
    for each in repeated(rng, tests):
        gain = each.choice([0.85, 1.15])
        arm = each.uniform(0, 360)
        turns = turns_of(seat_of(0.03, arm, 0.09, (gain, 1.0, 1.0)), case, rng=each, sd=SD)
        found = contact_gains(turns, beside=case[0])
        own = int(np.abs([(one.azimuth_deg - arm + 180) % 360 - 180 for one in found.arms]).argmin())
        mine = found.arms[own]
        found_it += (mine.early_p if gain < 1 else mine.late_p) < GAIN_RISK
        named += found.best.arm == own
        covered += mine.interval.lower < np.log(gain) < mine.interval.upper
    assert_share_at_least(found_it, tests, 0.95)
    assert_share_at_least(named, tests, 0.97)
    assert_share_at_least(covered, tests, 0.90)


# ---- what can't be told


@pytest.mark.parametrize(("case", "least"), [(CASES[0], 9), (CASES[1], 13)])
def test_few_directions_tell_no_gains(case, least: int) -> None:
    few = turns_of(seat_of(0.02, 40.0, 0.08), case, directions=least - 1, sd=1e-5)
    with pytest.raises(
        StatisticsError, match=rf"^{least - 1} directions are too few .* touch from 24 or more"
    ):
        contact_gains(few, beside=case[0])
    enough = turns_of(seat_of(0.02, 40.0, 0.08), case, directions=least, sd=1e-5)
    assert contact_gains(enough, beside=case[0]).directions == least


def test_waves_need_several_orientations() -> None:
    with pytest.raises(StatisticsError, match="one orientation can't tell the probe from the machine"):
        contact_gains(turns_of(seat_of(0.02, 40.0, 0.08), CASES[0]), beside="waves")


def test_no_shape_names_no_arm() -> None:
    flat = turns_of(lambda body: 0.0 * body, CASES[0], rng=np.random.default_rng(1), sd=SD)
    with pytest.raises(StatisticsError, match="no three-arm shape stands out of the scatter"):
        contact_gains(flat, beside="nothing")


def test_no_scatter_tells_no_errors() -> None:
    turns = [replace(turn, sd_mm=0.0) for turn in turns_of(seat_of(0.02, 40.0, 0.08), CASES[0])]
    with pytest.raises(StatisticsError, match="without any scatter"):
        contact_gains(turns, beside="nothing")
    with pytest.raises(StatisticsError, match="without any scatter"):
        contact_gains([replace(turn, sd_mm=SD, dof=0.0) for turn in turns], beside="nothing")


def test_blind_orientations_tell_no_gains() -> None:
    # A third of a turn puts each arm where another stood: waves of the machine hold every order but those
    # that single arms make, so that equal arms are not seen.
    blind: tuple[Beside, tuple[float, ...]] = ("waves", (0.0, 120.0, 240.0))
    with pytest.raises(StatisticsError):
        contact_gains(turns_of(seat_of(0.02, 40.0, 0.08, (0.85, 1, 1)), blind, sd=SD), beside="waves")
