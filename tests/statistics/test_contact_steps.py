"""Steps of the centre: known answers, least squares of another library, tests with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special, stats
from simulated import (
    assert_share,
    assert_share_at_least,
    assert_share_at_most,
    block_by_block,
    even_azimuths,
    repeated,
    round_robin,
)
from statsmodels.api import OLS

from probetest.errors import StatisticsError
from probetest.statistics.contact_step_fit import SIDE, StepFit, StepTouches
from probetest.statistics.contact_steps import (
    AGREES,
    RISK,
    CentreStep,
    CentreSteps,
    find_centre_steps,
    judge_steps,
)
from probetest.statistics.intervals import Interval

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

DIRECTIONS, ROUNDS, SD_MM = 24, 10, 0.002
N = DIRECTIONS * ROUNDS
AZIMUTH_DEG = even_azimuths(DIRECTIONS)


def random_rounds(rng: np.random.Generator, directions: int = DIRECTIONS, rounds: int = ROUNDS) -> Indices:
    return np.concatenate([rng.permutation(directions) for _ in range(rounds)])


def stepped(index: Indices, *steps: tuple[int, float, float], level_mm: float = 0.0) -> Floats:
    """Readings of a centre that steps, each step after how many touches, how far, in which direction."""
    azimuth = np.deg2rad(AZIMUTH_DEG[index])
    return sum(
        (np.arange(len(index)) >= after) * (level_mm + length * np.cos(azimuth - np.deg2rad(towards)))
        for after, length, towards in steps
    )  # type: ignore[return-value]


def find(index: Indices, reading: Floats, **options: float) -> CentreSteps:
    return find_centre_steps(reading, index, AZIMUTH_DEG, np.arange(1, len(index) + 1), **options)  # type: ignore[arg-type]


# ---- known answers


def test_step_without_scatter_is_found_where_it_is() -> None:
    rng = np.random.default_rng(1)
    index = random_rounds(rng)
    place = np.arange(N) / N
    centre_drift = place * np.cos(np.deg2rad(AZIMUTH_DEG[index] - 80)) * 0.004
    drift = 0.01 * place**3 - 0.02 * place + centre_drift + rng.normal(size=DIRECTIONS)[index]
    reading = drift + stepped(index, (100, 0.005, 216.87), level_mm=0.002) + rng.normal(size=N) * 1e-7
    found = find(index, reading)
    (step,) = found.steps
    assert (step.after_touch, step.n_before, step.n_after) == (100, 100, 140)
    assert step.after_interval == Interval(100, 100)
    assert step.shift_mm == pytest.approx((-0.004, -0.003), abs=3e-7)
    assert (step.length_mm, step.direction_deg) == pytest.approx((0.005, 216.87), abs=1e-2)
    assert step.level_mm == pytest.approx(0.002, abs=3e-7)
    assert step.p_value < 1e-50
    assert found.residual_sd_mm == pytest.approx(1e-7, rel=0.2)
    assert found.residual_sd_without_mm > 1e-4


def test_step_without_any_scatter_is_found() -> None:
    index = random_rounds(np.random.default_rng(1))
    (step,) = find(index, stepped(index, (100, 0.005, 216.87))).steps
    assert step.after_interval == Interval(100, 100)
    assert step.shift_mm == pytest.approx((-0.004, -0.003), abs=1e-6)


def test_hardly_enough_touches_do() -> None:
    # 15 degrees of freedom: a step leaves 12, too few to look for a second.
    rng = np.random.default_rng(3)
    index = random_rounds(rng, 12, 3)
    azimuth = even_azimuths(12)
    step = (np.arange(36) >= 18) * np.cos(np.deg2rad(azimuth[index]))
    reading = step + rng.normal(size=36) * 1e-3
    found = find_centre_steps(reading, index, azimuth, np.arange(36))
    assert found.dof == 36 - 12 - 9 - 3
    assert found.steps[0].shift_mm == pytest.approx((1.0, 0.0), abs=0.05)


def test_centre_moves_against_the_ball() -> None:
    # A surface is met with the ball. With the ball 7 um towards arm 0, at 30 + 40 deg, the machine
    # stops 7 um earlier on its way in that direction.
    rng = np.random.default_rng(2)
    index = random_rounds(rng)
    units = np.column_stack([np.cos(np.deg2rad(AZIMUTH_DEG)), np.sin(np.deg2rad(AZIMUTH_DEG))])[index]
    ball = np.where(np.arange(N)[:, None] < 120, 0.0, 0.007 * np.array([np.cos(1.2217), np.sin(1.2217)]))
    surface = 5.0
    reading = surface - (units * ball).sum(axis=1) + rng.normal(size=N) * 1e-4
    there = judge_steps(find(index, reading), 30.0, 40.0, arm_u_deg=0.5)
    assert (there.kind, there.arm, there.motion) == ("tilted", 0, ("coming",))
    back = judge_steps(find(index[::-1], reading[::-1]), 30.0, 40.0, arm_u_deg=0.5)
    assert (back.kind, back.arm, back.motion) == ("tilted", 0, ("leaving",))


def test_leaving_particle_is_told_from_a_coming_one() -> None:
    rng = np.random.default_rng(3)
    index = random_rounds(rng)
    reading = stepped(index, (80, 0.03, 190.0), (160, 0.03, 10.0)) + rng.normal(size=N) * SD_MM
    found = find(index, reading)
    assert [step.after_touch for step in found.steps] == [80, 160]
    judged = judge_steps(found, 10.0, 0.0, arm_u_deg=1.0)
    assert (judged.kind, judged.arm, judged.motion) == ("tilted", 0, ("coming", "leaving"))


def test_order_of_the_rows_does_not_matter() -> None:
    rng = np.random.default_rng(4)
    index = random_rounds(rng)
    reading = stepped(index, (90, 0.01, 20.0)) + rng.normal(size=N) * SD_MM
    order = np.cumsum(rng.uniform(0.5, 2.0, size=N))
    mixed = rng.permutation(N)
    straight = find_centre_steps(reading, index, AZIMUTH_DEG, order)
    assert find_centre_steps(reading[mixed], index[mixed], AZIMUTH_DEG, order[mixed]) == straight
    assert straight.steps[0].after_touch == order[89]


def test_turned_and_stretched_test_has_a_turned_and_stretched_step() -> None:
    rng = np.random.default_rng(5)
    index = random_rounds(rng)
    reading = stepped(index, (90, 0.01, 20.0)) + rng.normal(size=N) * SD_MM
    (step,) = find(index, reading).steps
    (other,) = find_centre_steps(1000 * reading + 7, index, AZIMUTH_DEG + 350, np.arange(N)).steps
    assert other.direction_deg == pytest.approx((step.direction_deg + 350) % 360, abs=1e-6)
    assert other.length_mm == pytest.approx(1000 * step.length_mm, rel=1e-9)
    assert other.length_interval.upper == pytest.approx(1000 * step.length_interval.upper, rel=1e-9)
    assert other.p_value == pytest.approx(step.p_value, rel=1e-6)


# ---- least squares of statsmodels


def designs(index: Indices, after: int) -> tuple[Floats, Floats]:
    """All that is fitted beside a step of the centre after so many touches, and that step."""
    place = np.arange(N) / (N - 1)
    azimuth = np.deg2rad(AZIMUTH_DEG[index])
    x, y, later = np.cos(azimuth), np.sin(azimuth), np.arange(N) >= after
    level = [place, place**2, place**3, np.exp(-place / 0.04), np.exp(-place / 0.15), later]
    centre = [place * x, place * y, place**2 * x, place**2 * y]
    beside = np.column_stack([np.eye(DIRECTIONS)[index], *level, *centre])
    return beside, np.column_stack([later * x, later * y])


@pytest.mark.parametrize("after", [20, 77, 120, 201])
def test_f_of_a_time_is_that_of_statsmodels(after: int) -> None:
    rng = np.random.default_rng(after)
    index = random_rounds(rng)
    reading = rng.uniform(-1, 1, size=N)
    beside, step = designs(index, after)
    whole = OLS(reading, np.column_stack([beside, step])).fit()
    f, p, _ = whole.compare_f_test(OLS(reading, beside).fit())
    fit = StepFit(StepTouches(reading, index, AZIMUTH_DEG, np.arange(N, dtype=float)), [])
    assert fit.correlation == 0
    scan = fit.scan(np.array([float(after)]))
    assert scan.f[0] == pytest.approx(f, rel=1e-9)
    # A single time needs no bound; unequal scatter of directions can make the chance larger only.
    time, chance = scan.best()
    assert time == after
    expected = special.fdtrc(2, whole.df_resid, f * scan.safe[0] / scan.f[0])
    assert chance == pytest.approx(expected, rel=1e-9)
    assert p * (1 - 1e-9) <= chance < 2 * p + 0.1


def test_shift_and_errors_are_those_of_statsmodels() -> None:
    rng = np.random.default_rng(61)
    index = random_rounds(rng)
    reading = stepped(index, (110, 5.0, 75.0)) + rng.uniform(-1, 1, size=N)
    found = find(index, reading)
    (step,) = found.steps
    assert found.correlation == 0
    after = int(step.after_touch)
    whole = OLS(reading, np.column_stack(designs(index, after))).fit()
    assert step.shift_mm == pytest.approx(whole.params[-2:], rel=1e-7)
    expected = whole.cov_params()[-2:, -2:]
    assert step.covariance_mm2 == pytest.approx((expected[0, 0], expected[0, 1], expected[1, 1]), rel=1e-6)
    assert step.level_u_mm == pytest.approx(whole.bse[DIRECTIONS + 5], rel=1e-7)
    # Errors of length and direction, by a turn of the axes onto the shift.
    along = np.array(step.shift_mm) / step.length_mm
    test = whole.t_test(np.r_[np.zeros(len(whole.params) - 2), along])
    lower, upper = test.conf_int()[0]
    assert (step.length_interval.lower, step.length_interval.upper) == pytest.approx((lower, upper), rel=1e-6)
    across = np.array([-along[1], along[0]])
    assert step.direction_u_deg == pytest.approx(
        np.rad2deg(np.sqrt(across @ expected @ across) / step.length_mm), rel=1e-6
    )


def test_far_touches_have_no_say() -> None:
    # Without them, the least squares of statsmodels find the same.
    rng = np.random.default_rng(7)
    index = random_rounds(rng)
    reading = stepped(index, (110, 6.0, 75.0)) + rng.uniform(-1, 1, size=N)
    reading[[15, 60, 190]] -= 20.0
    found = find(index, reading)
    assert found.far_touches == (16, 61, 191)
    (step,) = found.steps
    kept = np.setdiff1d(np.arange(N), [15, 60, 190])
    design = np.column_stack(designs(index, int(step.after_touch)))
    whole = OLS(reading[kept], design[kept]).fit()
    assert step.shift_mm == pytest.approx(whole.params[-2:], rel=1e-4)
    assert found.residual_sd_mm == pytest.approx(np.sqrt(whole.scale), rel=1e-4)
    assert found.dof == whole.df_resid


# ---- what can't be told


def test_finished_directions_tell_nothing() -> None:
    rng = np.random.default_rng(8)
    index = block_by_block(DIRECTIONS, ROUNDS)
    found = find(index, stepped(index, (120, 0.05, 0.0)) + rng.normal(size=N) * SD_MM)
    assert (found.told, found.steps) == (False, ())
    assert "touched in turn" in found.reason
    judged = judge_steps(found, 0.0, 0.0, arm_u_deg=1.0)
    assert (judged.kind, judged.arm, judged.reason) == ("untold", None, found.reason)


@pytest.mark.parametrize(
    ("directions", "rounds", "reason"),
    [(24, 1, "degrees of freedom"), (3, 40, "at least 4"), (12, 2, "leave 3 degrees")],
    ids=["one touch each", "three directions", "few touches"],
)
def test_too_little_is_said_so(directions: int, rounds: int, reason: str) -> None:
    rng = np.random.default_rng(9)
    index = random_rounds(rng, directions, rounds)
    azimuth = even_azimuths(directions)
    found = find_centre_steps(rng.normal(size=len(index)), index, azimuth, np.arange(len(index)))
    assert reason in found.reason
    assert np.isnan([found.residual_sd_mm, found.next_p, found.least_mm]).all()


def test_equal_readings_tell_nothing() -> None:
    index = round_robin(DIRECTIONS, ROUNDS)
    assert "don't scatter" in find(index, 3.0 + AZIMUTH_DEG[index]).reason


def test_pairs_of_touches_tell_a_step() -> None:
    # Two touches of each direction in a row, and all that five times.
    rng = np.random.default_rng(10)
    index = np.tile(np.repeat(np.arange(DIRECTIONS), 2), 5)
    found = find(index, stepped(index, (110, 0.06, 0.0)) + rng.normal(size=N) * SD_MM)
    (step,) = found.steps
    assert 110 in step.after_interval
    assert step.after_interval.half_width <= 2
    assert 0.06 in step.length_interval


def test_step_of_one_sector_is_no_step_of_the_centre() -> None:
    rng = np.random.default_rng(11)
    index = random_rounds(rng)
    late = (np.arange(N) >= 120) & (AZIMUTH_DEG[index] < 120)
    found = find(index, 0.02 * late + rng.normal(size=N) * SD_MM)
    assert found.steps[0].shape_p < 1e-6
    judged = judge_steps(found, 60.0, 0.0, arm_u_deg=1.0)
    assert judged.kind == "either"
    assert "does not explain" in judged.reason


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"reading_mm": [1.0]}, "a reading, a direction and an order"),
        ({"order": [1, 2, 2, 3]}, "same order"),
        ({"reading_mm": [1.0, 2.0, np.nan, 3.0]}, "finite"),
        ({"direction": [0, 1, 2, 0]}, "from 0 to 1"),
        ({"direction": [0.0, 1.0, 1.0, 0.0]}, "whole numbers"),
        ({"most": 0}, "1 to 10 steps"),
        ({"risk": 0.5}, "risk of 0.00001 to 0.1"),
    ],
)
def test_wrong_input_is_refused(changes: dict[str, object], message: str) -> None:
    given = {
        "reading_mm": [1.0, 2.0, 3.0, 4.0], "direction": [0, 1, 0, 1], "azimuth_deg": [0.0, 90.0],
        "order": [1, 2, 3, 4],
    } | changes  # fmt: skip
    with pytest.raises(StatisticsError, match=message):
        find_centre_steps(**given)  # type: ignore[arg-type]


# ---- the judgement


def steps_along(*directions: tuple[float, float], shape_p: float = 0.5) -> CentreSteps:
    """Steps in these directions with these standard errors."""
    steps = tuple(
        CentreStep(
            after_touch=20.0 * (place + 1), after_interval=Interval(0, 1), shift_mm=(0.0, 0.0),
            covariance_mm2=(0.0, 0.0, 0.0), length_mm=0.01, length_interval=Interval(0.0, 1.0),
            direction_deg=towards, direction_u_deg=u, level_mm=0.0, level_u_mm=1.0, p_value=1e-9,
            shape_p=shape_p, n_before=20, n_after=20, sd_before_mm=1.0, sd_after_mm=1.0,
        )
        for place, (towards, u) in enumerate(directions)
    )  # fmt: skip
    return CentreSteps(steps, "", 240, 200, 1.0, 1.0, 0.5, 1.0, 0.0, (), RISK)


@pytest.mark.parametrize(
    ("directions", "kind", "arm", "motion"),
    [
        ([(31.0, 2.0)], "tilted", 0, ("leaving",)),
        ([(211.0, 2.0)], "tilted", 0, ("coming",)),
        ([(149.0, 2.0)], "tilted", 1, ("leaving",)),
        ([(91.0, 2.0)], "tilted", 2, ("coming",)),
        ([(60.0, 2.0)], "loose_stylus", None, None),
        ([(35.0, 2.0)], "either", 0, ("leaving",)),
        ([(31.0, 8.0)], "either", 0, ("leaving",)),
        ([(31.0, 8.0), (200.0, 8.0)], "tilted", 0, ("leaving", "coming")),
        ([(31.0, 2.0), (151.0, 2.0)], "loose_stylus", None, None),
        ([(31.0, 2.0), (209.0, 2.0), (75.0, 2.0)], "loose_stylus", 0, None),
        ([(20.0, 70.0)], "either", 0, ("leaving",)),
    ],
)
def test_directions_speak_for_an_arm_or_not(
    directions: list[tuple[float, float]], kind: str, arm: int | None, motion: tuple[str, ...] | None
) -> None:
    judged = judge_steps(steps_along(*directions), 40.0, -10.0, arm_u_deg=1.0)
    assert judged.kind == kind
    assert arm is None or judged.arm == arm
    assert motion is None or judged.motion == motion
    assert (judged.reason == "") == (kind != "either")


def test_angles_go_through_north() -> None:
    judged = judge_steps(steps_along((359.0, 2.0)), 350.0, 372.0, arm_u_deg=0.0)
    assert judged.off_deg == pytest.approx((-3.0,))
    assert judged.arm_p[0] == pytest.approx(2 * stats.norm.sf(1.5), rel=1e-9)


def test_no_steps_speak_for_nothing() -> None:
    assert judge_steps(steps_along(), 0.0, 0.0, arm_u_deg=1.0).kind == "none"


def test_chance_of_one_step_is_the_share_of_the_circle() -> None:
    # Six directions, each with 1.96 standard errors to both sides.
    judged = judge_steps(steps_along((31.0, 3.0)), 30.0, 0.0, arm_u_deg=4.0)
    assert judged.chance == pytest.approx(6 * 2 * 1.959964 * 5.0 / 360.0, rel=1e-6)


@pytest.mark.simulation
def test_chance_is_the_share_of_random_directions_that_agree() -> None:
    rng = np.random.default_rng(12)
    chance = judge_steps(steps_along((0.0, 6.0), (0.0, 4.0)), 0.0, 0.0, arm_u_deg=3.0).chance
    trials = 20_000
    off = 90 - (90 - (rng.uniform(0, 360, size=(trials, 1, 2)) - np.array([[0], [120], [240]]))) % 180
    covariance = np.diag([36.0, 16.0]) + 9.0
    squares = np.einsum("...i,ij,...j", off, np.linalg.inv(covariance), off)
    agree = (squares <= stats.chi2(2).isf(AGREES)).any(axis=1)
    assert_share(int(agree.sum()), trials, chance)


@pytest.mark.parametrize("wrong", [{"arm_u_deg": -1.0}, {"arm_azimuth_deg": np.nan}, {"arm_u_deg": np.inf}])
def test_wrong_arms_are_refused(wrong: dict[str, float]) -> None:
    arms = {"arm_azimuth_deg": 0.0, "orientation_deg": 0.0, "arm_u_deg": 1.0} | wrong
    with pytest.raises(StatisticsError, match="arms need finite angles"):
        judge_steps(steps_along((0.0, 1.0)), **arms)


# ---- simulated tests


@pytest.mark.simulation
@pytest.mark.parametrize("risk", [0.002, 0.05])
def test_bound_of_the_chance_holds_and_is_close(risk: float) -> None:
    rng = np.random.default_rng(13)
    index = random_rounds(rng)
    fit = StepFit(StepTouches(rng.normal(size=N), index, AZIMUTH_DEG, np.arange(N, dtype=float)), [])
    scan = fit.scan(np.linspace(SIDE, N - SIDE, 60))
    trials = 3000
    noise = rng.normal(size=(trials, N))
    noise -= (noise @ fit.basis) @ fit.basis.T
    gained = ((noise @ scan.contrasts) ** 2).sum(axis=2)  # (times, trials)
    # Known scatter: a chi-square takes the place of F.
    limit = -2 * np.log(risk / 60)
    for _ in range(5):
        limit = -2 * np.log(risk / scan.effective(limit))
    hits = int((gained.max(axis=0) > limit).sum())
    assert_share_at_most(hits, trials, risk)
    assert_share_at_least(hits, trials, 0.5 * risk)


def noise_of(kind: str, rng: np.random.Generator) -> Floats:
    place = np.linspace(0, 1, N)
    if kind == "t":
        return rng.standard_t(5, size=N) * np.sqrt(3 / 5)
    noise = rng.normal(size=N)
    if kind == "cubic":
        noise += 3 * (8 * (place - 0.5) ** 3 + place)
    if kind == "warm-up":
        noise += 3 * np.exp(-place / 0.1)
    if kind == "rounded":
        noise = 3 * np.round((noise + rng.uniform(0, 3)) / 3)
    if kind == "far":
        noise[rng.integers(4, 60, size=2)] -= 20.0
    return noise


@pytest.mark.parametrize("towards", [0.0, 90.0])
def test_directions_of_large_scatter_count_less(towards: float) -> None:
    # 4 sd in the 10 directions near the X axis: with 4 touches more of all drawn in, the variances are
    # (10 * 16 / 6 + 4) / 14 and (10 / 6 + 4) / 14 of that of all, weighted with the squared cosines.
    cosine = np.cos(np.deg2rad(AZIMUTH_DEG))
    wide = np.abs(cosine) > 0.85
    assert wide.sum() == 10
    mean = np.where(wide, 16.0, 1.0).mean()
    drawn = (ROUNDS * np.where(wide, 16.0, 1.0) / mean + 4) / (ROUNDS + 4)
    expected = 1 / float((cosine**2 @ drawn) / (cosine**2).sum()) if towards == 0 else 1.0
    shares = []
    for rng in repeated(np.random.default_rng(18), 12):
        index = random_rounds(rng)
        reading = rng.normal(size=N) * np.where(wide, 4.0, 1.0)[index] + stepped(index, (120, 10.0, towards))
        test = StepTouches(reading, index, AZIMUTH_DEG, np.arange(N, dtype=float))
        scan = StepFit(test, []).scan(np.array([120.0]))
        shares.append(float(scan.safe[0] / scan.f[0]))
    assert np.mean(shares) == pytest.approx(expected, abs=0.06)


@pytest.mark.simulation
@pytest.mark.parametrize("kind", ["normal", "t", "cubic", "warm-up", "rounded", "far"])
def test_healthy_tests_have_no_step(kind: str) -> None:
    trials = 7
    false = sum(
        bool(find(index, SD_MM * (noise_of(kind, r) + AZIMUTH_DEG[index] % 7)).steps)
        for r in repeated(np.random.default_rng(14), trials)
        for index in [random_rounds(r)]
    )
    assert_share_at_most(false, trials, RISK)


@pytest.mark.simulation
def test_steps_are_found_and_named() -> None:
    # 6 um at 2 um scatter, in the middle; arm 1 lies at 140 deg.
    trials = 14
    found, named, within = 0, 0, 0
    for rng in repeated(np.random.default_rng(15), trials):
        index = random_rounds(rng)
        steps = find(index, stepped(index, (120, 0.006, 320.0)) + rng.normal(size=N) * SD_MM, most=1)
        found += len(steps.steps) == 1
        named += judge_steps(steps, 20.0, 0.0, arm_u_deg=1.0).arm == 1
        within += sum(0.006 in step.length_interval for step in steps.steps)
    assert_share_at_least(found, trials, 0.95)
    assert_share_at_least(named, trials, 0.95)
    assert_share_at_least(within, found, 0.95)


@pytest.mark.simulation
def test_least_step_is_found_with_its_chance() -> None:
    trials = 10
    found = 0
    for rng in repeated(np.random.default_rng(16), trials):
        index = random_rounds(rng)
        noise = rng.normal(size=N) * SD_MM
        least = find(index, noise).least_mm
        found += bool(find(index, noise + stepped(index, (60, least, 45.0)), most=1).steps)
    assert_share_at_least(found, trials, 0.9)


def test_free_drift_hides_a_step_of_one_and_a_half_sd() -> None:
    # Closed form: a step in the middle leaves 1/4 of its squares beside a straight line; who knows time
    # and direction tests one normal variable.
    squares = N * 1.5**2 * 0.5 * 0.25 / 4
    assert special.ndtr(np.sqrt(squares) - special.ndtri(1 - RISK)) == pytest.approx(0.89, abs=0.005)
