"""Probe and machine told apart: closed forms, another library, and logs with known truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from simulated import assert_share, assert_share_at_least, assert_share_at_most, even_azimuths, repeated

from probetest.errors import StatisticsError
from probetest.simulate import Mill
from probetest.statistics import separation
from probetest.statistics.seat import seat_shape
from probetest.statistics.separation import Separation, separate
from probetest.statistics.turns import Turn, stack_turns, wave_columns
from probetest.statistics.variation import pretravel_variation
from probetest.study import separation_study as study
from probetest.study.separation_study import FINE_DEG, GOAL_SET, Case, Truth, make_turn, true_variation

SD = 0.002
STILL = 1e-5  # stated scatter of readings without any, mm
RUNS = 20


def flat(curve: np.ndarray, azimuth_deg: np.ndarray) -> np.ndarray:
    """A curve less its constant and first order over an even grid."""
    plain = np.column_stack([np.ones(len(azimuth_deg)), wave_columns(azimuth_deg, [1])])
    return curve - plain @ np.linalg.lstsq(plain, curve, rcond=None)[0]


def waves(azimuth_deg: np.ndarray, sizes: dict[int, tuple[float, float]]) -> np.ndarray:
    """Amplitude and phase (deg) of each order."""
    return sum(size * np.cos(np.deg2rad(k * (azimuth_deg - phase))) for k, (size, phase) in sizes.items())


def turns_of(probe, machine, orientations, *, sd: float = 0.0, seed: int = 1) -> list[Turn]:
    azimuth, rng, turns = even_azimuths(24), np.random.default_rng(seed), []
    for angle in orientations:
        mean = 10.5 + probe(azimuth - angle) + machine(azimuth)
        turn = make_turn(angle, azimuth, mean[:, None] + rng.normal(0, sd, (24, 5)))
        turns.append(turn if sd else replace(turn, sd_mm=STILL))
    return turns


def goal_turns(*, case: Case = study.GOAL, sd: float = SD) -> tuple[Truth, list[Turn]]:
    rng = np.random.default_rng(1)
    truth = study.draw_truth(case, rng)
    return truth, study.simulate_turns(truth, case.orientations_deg, rng, sd_mm=sd)


@cache
def runs_of(kind: str, variation_mm: float = 0.010) -> list[tuple[Truth, list[Turn], Separation]]:
    case, found = Case(variation_mm=variation_mm, kind=kind), []
    for rng in repeated(np.random.default_rng([5, *kind.encode()]), RUNS):
        truth = study.draw_truth(case, rng)
        turns = study.simulate_turns(truth, case.orientations_deg, rng)
        found.append((truth, turns, separate(turns)))
    return found


def without_curves(monkeypatch: pytest.MonkeyPatch) -> None:
    nothing = SimpleNamespace(widened=lambda _: None)
    monkeypatch.setattr(separation, "_curves", lambda *_, **__: (nothing, nothing))


# ---- readings without scatter

MACHINE = {2: (0.010, 75.0), 3: (0.004, 50.0), 4: (0.003, 2.0), 5: (0.001, 9.0)}


@pytest.mark.parametrize("orientations", [GOAL_SET, (0, 30, 105), (15, 60, 200)], ids=str)
def test_waves_of_both_are_recovered(orientations: Sequence[float]) -> None:
    # Without order 3 no three-arm shape is looked for in the probe.
    given = {2: (0.003, 20.0), 4: (0.002, 70.0), 7: (0.001, 0.0), 10: (0.0005, 3.0)}
    found = separate(turns_of(lambda b: waves(b, given), lambda a: waves(a, MACHINE), orientations))
    for known, harmonics in ((given, found.probe_harmonics), (MACHINE, found.machine_harmonics)):
        for wave in harmonics:
            size, phase = known.get(wave.order, (0.0, 0.0))
            assert wave.amplitude_mm == pytest.approx(size, abs=1e-6)
            turn = 360 / wave.order
            off = (wave.phase_deg - phase + turn / 2) % turn - turn / 2
            assert size == 0 or off == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("kind", ["healthy", "ideal arms"])
@pytest.mark.parametrize("orientations", [GOAL_SET, (0, 30, 105), (0, 90, 180, 270)], ids=str)
def test_curve_of_the_probe_is_recovered(kind: str, orientations: tuple[float, ...]) -> None:
    truth, turns = goal_turns(case=Case(orientations, 0.010, kind), sd=1e-6)
    found = separate(turns)
    assert found.probe is not None
    grid = found.probe.azimuth_deg
    assert np.abs(found.probe.mean_mm - flat(truth.probe_curve(grid), grid)).max() < 1e-6
    finer = np.arange(0.0, 360.0, 0.01)  # peaks are kinks, found to 0.05 deg
    assert found.probe.variation_mm == pytest.approx(np.ptp(flat(truth.probe_curve(finer), finer)), abs=2e-5)
    assert found.agrees


def test_reversal_and_runout_are_recovered() -> None:
    truth, turns = goal_turns(sd=1e-7)
    found = separate(turns)
    assert found.reversal.x_mm == pytest.approx(study.REVERSAL_MM, abs=1e-6)
    assert found.reversal.y_mm == pytest.approx(study.REVERSAL_MM, abs=1e-6)
    assert found.runout.runout_mm == pytest.approx(study.RUNOUT_MM, abs=1e-6)
    towards = np.rad2deg(np.arctan2(truth.runout_mm[1], truth.runout_mm[0]))
    assert (found.runout.azimuth_deg - towards + 180) % 360 - 180 == pytest.approx(0.0, abs=0.01)


# ---- other libraries and closed forms


def test_harmonics_are_those_of_weighted_least_squares() -> None:
    counts = np.random.default_rng(2).integers(2, 9, (3, 24))
    turns = [
        replace(turn, counts=number)
        for turn, number in zip(
            turns_of(np.zeros_like, lambda a: waves(a, MACHINE), (0, 30, 105), sd=SD), counts, strict=True
        )
    ]
    found, stack = separate(turns), stack_turns(turns)
    orders = list(range(2, 12))
    level = stack.level / stack.root[:, None]
    both = [wave_columns(stack.body_deg, orders), wave_columns(stack.azimuth_deg, orders), level]
    fitted = sm.WLS(stack.target / stack.root, np.hstack(both), weights=stack.root**2).fit()
    sizes = fitted.params[:40].reshape(20, 2)
    spread = fitted.cov_params()[:40, :40] / fitted.scale * found.noise_mm**2
    for place, wave in enumerate((*found.probe_harmonics, *found.machine_harmonics)):
        assert wave.amplitude_mm == pytest.approx(np.hypot(*sizes[place]), rel=1e-6)
        pair = slice(2 * place, 2 * place + 2)
        along = sizes[place] / np.hypot(*sizes[place])
        assert wave.u_mm == pytest.approx(np.sqrt(along @ spread[pair, pair] @ along), rel=1e-6)
    # At 24 directions |cos| - |sin| is made of the waves of orders 2, 6 and 10: one kink is enough.
    whole = np.column_stack([*both, np.abs(np.cos(np.deg2rad(stack.azimuth_deg)))])
    left = sm.WLS(stack.target / stack.root, whole, weights=stack.root**2).fit()
    statistic = left.ssr / left.df_resid / found.noise_mm**2
    assert found.misfit_p == pytest.approx(stats.f.sf(statistic, left.df_resid, found.dof), rel=1e-5)


# ---- what can't be told


def test_thirds_of_a_turn_give_no_curve_and_say_why() -> None:
    _, turns = goal_turns(case=Case((0.0, 120.0, 240.0)))
    found = separate(turns)
    assert found.probe is None
    assert found.machine is None
    assert "orientations 0, 120, 240 deg look alike to a three-lobed curve (order 3" in found.reason
    assert {wave.order for wave in found.probe_harmonics} == {2, 4, 5, 7, 8, 10, 11}
    assert {wave.order for wave in found.unassigned} == {3, 6, 9}
    assert study.RUNOUT_MM in found.runout.interval_mm


@pytest.mark.parametrize("of_probe", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("orientations", [(0, 90, 180, 270), (30, 120, 210, 300)], ids=str)
def test_limits_hold_for_blind_orders_in_probe_or_machine(of_probe: float, orientations) -> None:
    blind = {4: (0.004, 10.0), 8: (0.001, 5.0)}
    first = orientations[0]

    def probe(body):
        # Orientations a quarter of a turn apart see order 4 alike: as at the first of them.
        return 0.010 * seat_shape(body, 11.0, 0.09) + of_probe * waves(body + first, blind)

    def machine(azimuth):
        return waves(azimuth, {2: (0.006, 40.0)}) + (1 - of_probe) * waves(azimuth, blind)

    found = separate(turns_of(probe, machine, orientations, sd=0.0003))
    assert found.blind_orders == (4, 8)
    assert {wave.order for wave in found.unassigned} == {4, 8}
    assert found.unassigned[0].amplitude_mm == pytest.approx(0.004, abs=4 * found.unassigned[0].u_mm)
    assert found.probe is not None
    assert found.machine is not None
    assert true_variation(probe(FINE_DEG)) in found.probe.interval_mm()
    assert true_variation(machine(FINE_DEG)) in found.machine.interval_mm()
    if of_probe in (0, 1):  # all of it, or none
        span, u = found.probe.spans_mm[-int(of_probe)]
        assert span == pytest.approx(true_variation(probe(FINE_DEG)), abs=4 * u)
    assert found.reversal is None
    assert found.reversal_reason


def test_half_a_turn_hides_all_even_orders() -> None:
    truth, turns = goal_turns(case=Case((0.0, 180.0), 0.030))
    found = separate(turns)
    assert found.blind_orders == (2, 4, 6, 8, 10)
    assert found.probe is not None
    assert found.machine is not None
    assert 0.030 in found.probe.interval_mm()
    assert true_variation(truth.machine_curve(FINE_DEG)) in found.machine.interval_mm()
    assert found.probe.interval_mm().half_width > 0.008
    assert np.isnan(found.runout.misfit_p)
    assert found.same_side is not None
    assert found.same_side.turned_rms_mm < 3 * found.same_side.u_mm < found.same_side.plain_rms_mm


def test_what_can_not_be_separated_is_refused() -> None:
    _, turns = goal_turns()
    with pytest.raises(StatisticsError, match="one orientation"):
        separate(turns[:1])
    with pytest.raises(StatisticsError, match="6 directions"):
        separate(
            [*turns[:2], make_turn(90.0, even_azimuths(6), np.random.default_rng(1).normal(0, SD, (6, 5)))]
        )
    with pytest.raises(StatisticsError, match="without any scatter"):
        separate([replace(turn, sd_mm=0.0) for turn in turns])
    with pytest.raises(StatisticsError, match="level"):
        separate(turns, 1.0)


def test_scatter_is_pooled_and_gives_way_to_a_misfit() -> None:
    _, turns = goal_turns(case=Case(variation_mm=0.030))
    sds = [0.002, 0.0021, 0.0019, 0.0023]
    unequal = [
        replace(turn, sd_mm=sd, dof=10.0 * n) for n, (turn, sd) in enumerate(zip(turns, sds, strict=True), 1)
    ]
    found = separate(unequal)
    assert found.agrees
    assert found.dof == 100
    assert found.noise_mm == pytest.approx(np.sqrt(np.dot([0.1, 0.2, 0.3, 0.4], np.square(sds))))
    assert found.disagreement_mm == 0
    pooled = np.sqrt(np.mean([turn.sd_mm**2 for turn in turns]))
    doubtful = separate([turns[0], replace(turns[1], orientation_deg=40.0), *turns[2:]])
    assert not doubtful.agrees
    # 96 means less 12 of level, 20 of each curve, 1 kink, and 6 of the shape less 1: larger gains are size.
    assert doubtful.dof == 96 - 12 - 20 - 20 - 1 - 5
    assert doubtful.disagreement_mm == pytest.approx(np.sqrt((doubtful.noise_mm**2 - pooled**2) / 5))
    assert doubtful.noise_mm > 1.2 * SD
    assert doubtful.runout.u_mm > 1.2 * found.runout.u_mm


# ---- the same log written otherwise


def close(found: Separation, plain: Separation, *, scale: float = 1.0, curve: float = 1e-7) -> None:
    assert found.probe is not None
    assert plain.probe is not None
    assert found.probe.variation_mm == pytest.approx(scale * plain.probe.variation_mm, abs=curve * scale)
    assert found.machine.variation_mm == pytest.approx(scale * plain.machine.variation_mm, abs=curve * scale)
    assert found.misfit_p == pytest.approx(plain.misfit_p, rel=1e-3)
    assert found.runout.runout_mm == pytest.approx(scale * plain.runout.runout_mm, rel=1e-6)
    for wave, other in zip(found.probe_harmonics, plain.probe_harmonics, strict=True):
        assert wave.amplitude_mm == pytest.approx(scale * other.amplitude_mm, abs=2e-7 * scale)


def test_neither_a_constant_nor_coordinates_matter() -> None:
    _, turns = goal_turns()
    plain = separate(turns)
    close(separate([replace(turn, mean_mm=turn.mean_mm + 250.0) for turn in turns]), plain)
    far = [replace(t, centre_mm=(t.centre_mm[0] + 512.25, t.centre_mm[1] - 300.5)) for t in turns]
    close(separate(far), plain)
    moved = np.subtract(separate(far).runout.axis_centre_mm, plain.runout.axis_centre_mm)
    assert moved == pytest.approx([512.25, -300.5])


def test_order_of_the_orientations_does_not_matter() -> None:
    _, turns = goal_turns()
    # Curves are drawn anew: means of 500 draws differ by their own scatter.
    close(separate([turns[2], turns[0], turns[3], turns[1]]), separate(turns), curve=1e-4)


def test_unit_of_length_does_not_matter() -> None:
    _, turns = goal_turns()
    inches = []
    for turn in turns:
        (x, y), mean, sd = turn.centre_mm, turn.mean_mm / 25.4, turn.sd_mm / 25.4
        inches.append(replace(turn, mean_mm=mean, sd_mm=sd, centre_mm=(x / 25.4, y / 25.4)))
    close(separate(inches), separate(turns), scale=1 / 25.4, curve=2e-5)


def test_another_zero_of_the_orientation_turns_the_curve_alone() -> None:
    _, turns = goal_turns()
    plain = separate(turns)
    moved = separate([replace(turn, orientation_deg=turn.orientation_deg + 40.0) for turn in turns])
    close(moved, plain, curve=1e-4)
    assert moved.reversal.x_mm == pytest.approx(plain.reversal.x_mm, abs=1e-5)
    assert (moved.runout.azimuth_deg + 40 - plain.runout.azimuth_deg + 180) % 360 == pytest.approx(180.0)
    latest, before = (f.probe.azimuth_deg[f.probe.mean_mm.argmax()] for f in (moved, plain))
    assert (latest + 40 - before + 60) % 120 - 60 == pytest.approx(0.0, abs=1.5)


def test_a_quarter_turn_of_everything_swaps_the_axes() -> None:
    truth, _ = goal_turns()
    truth = replace(truth, mill=Mill((0.03, 0.01), 0.01, 20.0))
    turns = study.simulate_turns(truth, GOAL_SET, np.random.default_rng(4))
    plain = separate(turns)
    turned = []
    for turn in turns:
        azimuth, angle, (x, y) = turn.azimuth_deg + 90, turn.orientation_deg + 90, turn.centre_mm
        turned.append(replace(turn, azimuth_deg=azimuth, orientation_deg=angle, centre_mm=(-y, x)))
    found = separate(turned)
    close(found, plain, curve=1e-4)
    assert (found.reversal.x_mm, found.reversal.y_mm) == pytest.approx(
        (plain.reversal.y_mm, plain.reversal.x_mm), abs=1e-6
    )
    assert found.runout.azimuth_deg == pytest.approx(plain.runout.azimuth_deg, abs=1e-4)


def test_orientations_may_have_other_directions_and_counts() -> None:
    truth, turns = goal_turns(sd=1e-6)
    rng = np.random.default_rng(3)
    azimuth = even_azimuths(30, 4.0)
    more = make_turn(90.0, azimuth, truth.reading(azimuth, 90.0)[:, None] + rng.normal(0, 1e-6, (30, 3)))
    found = separate([turns[0], more, turns[1], turns[3]])
    assert found.n == 3 * 120 + 90
    assert found.probe is not None
    grid = found.probe.azimuth_deg
    assert np.abs(found.probe.mean_mm - flat(truth.probe_curve(grid), grid)).max() < 1e-6


# ---- simulations


@pytest.mark.simulation
def test_goal_is_reached_and_covered() -> None:
    runs = [found for _, _, found in runs_of("healthy")]
    errors = np.array([found.probe.variation_mm for found in runs]) - 0.010
    assert_share_at_least(int((np.abs(errors) <= study.GOAL_MM).sum()), RUNS, 0.95)
    assert_share_at_least(sum(0.010 in found.probe.interval_mm() for found in runs), RUNS, 0.95)
    machine = [
        (true_variation(t.machine_curve(FINE_DEG)), found.machine) for t, _, found in runs_of("healthy")
    ]
    assert_share_at_least(sum(true in curve.interval_mm() for true, curve in machine), RUNS, 0.95)
    assert_share(sum(study.RUNOUT_MM in found.runout.interval_mm for found in runs), RUNS, 0.95)
    assert_share_at_most(sum(not found.agrees for found in runs), RUNS, 0.01)


@pytest.mark.simulation
def test_one_orientation_errs_by_what_the_machine_adds() -> None:
    errors = []
    for _, turns, _ in runs_of("healthy"):
        one = turns[0]
        found = pretravel_variation(one.mean_mm, one.azimuth_deg, one.counts, one.sd_mm, one.dof)
        errors.append(found.variation_mm - 0.010)
    assert min(errors) > 0.005
    assert np.quantile(errors, 0.1) < 0.020


@pytest.mark.simulation
def test_goal_is_reached_with_an_early_arm() -> None:
    errors = [found.probe.variation_mm - 0.010 for _, _, found in runs_of("one early arm")]
    assert_share_at_least(int((np.abs(errors) <= study.GOAL_MM).sum()), RUNS, 0.95)


@pytest.mark.simulation
def test_an_early_arm_of_large_lobes_is_covered() -> None:
    # Orientations and directions are multiples of 15 deg: the probe is seen at 24 azimuths alone.
    found = [found.probe.interval_mm() for _, _, found in runs_of("one early arm", 0.030)]
    assert_share_at_least(sum(0.030 in interval for interval in found), RUNS, 0.95)


@pytest.mark.simulation
def test_round_lobes_are_covered() -> None:
    covered = 0
    for seed in range(10):
        found = separate(
            turns_of(
                lambda b: waves(b, {3: (0.005, 11.0)}),
                lambda a: waves(a, MACHINE),
                GOAL_SET,
                sd=SD,
                seed=seed,
            )
        )
        covered += 0.010 in found.probe.interval_mm()
    assert_share_at_least(covered, 10, 0.95)


@pytest.mark.simulation
def test_disagreement_is_stated_as_rarely_as_promised(monkeypatch: pytest.MonkeyPatch) -> None:
    without_curves(monkeypatch)
    said, scores = 0, []
    for rng in repeated(np.random.default_rng(6), 80):
        found = separate(study.simulate_turns(study.draw_truth(Case(), rng), GOAL_SET, rng))
        said += not found.agrees
        scores += [(found.reversal.x_mm - study.REVERSAL_MM) / found.reversal.x_u_mm]
    assert_share(said, 80, 0.01)
    assert np.mean(scores) == pytest.approx(0.0, abs=3.3 / np.sqrt(80))
    assert stats.kstest(scores, stats.norm.cdf).pvalue > 1e-3


@pytest.mark.simulation
@pytest.mark.parametrize(("size_mm", "by_curve_alone"), [(0.010, False), (0.030, True)])
def test_a_wrong_orientation_is_found(
    size_mm: float, by_curve_alone: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_curves(monkeypatch)
    found = 0
    for rng in repeated(np.random.default_rng(7), RUNS):
        turns = study.simulate_turns(study.draw_truth(Case(variation_mm=size_mm), rng), (0, 36, 90, 210), rng)
        logged = [replace(turn, orientation_deg=float(a)) for turn, a in zip(turns, GOAL_SET, strict=True)]
        said = separate(logged)
        # Small lobes hardly show it, the run-out does: 0.025 mm * 6 deg = 0.0026 mm off the circle.
        found += not said.agrees or (not by_curve_alone and said.runout.misfit_p < 0.01)
    assert_share_at_least(found, RUNS, 0.95)
