"""The curve of one orientation: known shapes, coverage, the ways in which it may differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from simulated import assert_share_at_least, even_azimuths, repeated

from probetest.errors import StatisticsError
from probetest.simulate import Mill
from probetest.statistics.curve_posterior import DRAWS, KEPT, CurvePosterior
from probetest.statistics.intervals import Interval
from probetest.statistics.seat import seat_shape
from probetest.statistics.separation import whole_curve
from probetest.statistics.turns import Turn
from probetest.statistics.variation import Variation, pretravel_variation
from probetest.study.separation_study import FINE_DEG, Case, draw_truth, make_turn, simulate_turns

SD = 0.002
RUNS = 20
STILL, WORN = Mill(), Mill(reversal_mm=(0.010, 0.010), two_lobe_mm=0.003, two_lobe_azimuth_deg=30.0)


def flat(curve: np.ndarray, azimuth_deg: np.ndarray) -> np.ndarray:
    """A curve less its constant and first order."""
    angle = np.deg2rad(azimuth_deg)
    plain = np.column_stack([np.ones(len(angle)), np.cos(angle), np.sin(angle)])
    return curve - plain @ np.linalg.lstsq(plain, curve, rcond=None)[0]


def turn_of(curve, *, directions: int = 24, touches: int = 5, sd: float = SD, seed: int = 1) -> Turn:
    azimuth, rng = even_azimuths(directions), np.random.default_rng(seed)
    mean = 10.5 + curve(azimuth) + 0.003 * np.cos(np.deg2rad(azimuth - 77.0))
    return make_turn(0.0, azimuth, mean[:, None] + rng.normal(0, sd, (directions, touches)))


def waves(sizes: dict[int, tuple[float, float]]):
    return lambda azimuth: sum(
        size * np.cos(order * np.deg2rad(azimuth - phase)) for order, (size, phase) in sizes.items()
    )


# ---- known shapes


@pytest.mark.parametrize("directions", [12, 16, 24, 25])
@pytest.mark.parametrize("ratio", [0.0, 0.15, 0.4])
def test_three_arm_shape_is_recovered(directions: int, ratio: float) -> None:
    def shape(azimuth):
        return 0.010 * seat_shape(azimuth, 100.0, ratio)

    found = whole_curve(turn_of(shape, directions=directions, sd=1e-6))
    # Readings of 1e-6 mm scatter leave less than that in a curve; 5 standard errors where they tell little.
    off = np.abs(found.mean_mm - flat(shape(found.azimuth_deg), found.azimuth_deg))
    assert (off < 1e-6 + 5 * found.u_mm).all()
    variation = np.ptp(flat(shape(FINE_DEG), FINE_DEG))
    assert variation in found.interval_mm()
    if directions > 12:  # 12 leave the places between them open: four of each arm's
        assert found.u_mm.max() < 3e-5  # largest at the cusps, if these lie between the readings
        assert found.variation_mm == pytest.approx(variation, abs=5e-6)


@pytest.mark.parametrize("sizes", [{2: (0.003, 20.0)}, {4: (0.002, 70.0), 5: (0.001, 9.0)}], ids=str)
def test_waves_are_recovered(sizes: dict[int, tuple[float, float]]) -> None:
    found = whole_curve(turn_of(waves(sizes), sd=1e-5))
    assert found.mean_mm == pytest.approx(waves(sizes)(found.azimuth_deg), abs=2e-5)
    assert found.shown_p < 1e-12


def test_constant_and_centre_have_no_part() -> None:
    found = whole_curve(turn_of(lambda azimuth: 0.010 * seat_shape(azimuth, 100.0, 0.2)))
    angle = np.deg2rad(found.azimuth_deg)
    for curve in (found.mean_mm, *found.draws_mm[::50]):
        for wave in (np.ones_like(angle), np.cos(angle), np.sin(angle)):
            assert (curve * wave).mean() == pytest.approx(0.0, abs=1e-6)


def test_orientation_turns_the_azimuth() -> None:
    turn = turn_of(lambda azimuth: 0.010 * seat_shape(azimuth, 100.0, 0.2))
    plain = whole_curve(turn)
    turned = whole_curve(replace(turn, orientation_deg=40.0, azimuth_deg=(turn.azimuth_deg + 40.0) % 360.0))
    assert turned.azimuth_deg == pytest.approx(plain.azimuth_deg)
    assert turned.mean_mm == pytest.approx(plain.mean_mm, abs=1e-9)
    # The same readings with the spindle said to stand at 40 deg: the curve lies 40 deg earlier on the probe.
    said = whole_curve(replace(turn, orientation_deg=40.0))
    shifted = np.interp(said.azimuth_deg, plain.azimuth_deg - 40.0, plain.mean_mm, period=360.0)
    # Waves turned by 40 deg meet other random numbers: the means of 500 draws differ by chance.
    assert said.mean_mm == pytest.approx(shifted, abs=4 * plain.u_mm.max() * np.sqrt(2 / DRAWS))
    assert np.ptp(plain.mean_mm) > 40 * plain.u_mm.max() * np.sqrt(2 / DRAWS)


def test_the_same_readings_give_the_same_curve() -> None:
    turn = turn_of(lambda azimuth: 0.004 * seat_shape(azimuth, 10.0, 0.2))
    assert np.array_equal(whole_curve(turn).draws_mm, whole_curve(turn).draws_mm)


@pytest.mark.parametrize("directions", [3, 5, 6])
def test_too_few_directions_show_none(directions: int) -> None:
    with pytest.raises(StatisticsError, match=f"{directions} directions; each needs at least 7"):
        whole_curve(turn_of(lambda azimuth: 0 * azimuth, directions=directions))


def test_no_scatter_shows_none() -> None:
    turn = replace(turn_of(lambda azimuth: 0 * azimuth), sd_mm=0.0)
    with pytest.raises(StatisticsError, match="without any scatter"):
        whole_curve(turn)


def test_nine_directions_give_a_curve() -> None:
    # They can't tell waves of order 3 from the slopes of a three-arm shape.
    rng = np.random.default_rng(1)
    for _ in repeated(rng, 25):
        truth = replace(draw_truth(Case((0.0,)), rng), runout_mm=(0.0, 0.0))
        (turn,) = simulate_turns(truth, (0.0,), rng, directions=9)
        assert np.isfinite(whole_curve(turn).mean_mm).all()


# ---- logs with known truth


@cache
def runs_of(
    kind: str, mill: Mill, directions: int, variation_mm: float = 0.010
) -> list[tuple[np.ndarray, np.ndarray, Turn, CurvePosterior]]:
    """Truth over the turn and at the tested directions, the log, the curve."""
    found = []
    for rng in repeated(np.random.default_rng([9, directions, *kind.encode()]), RUNS):
        truth = draw_truth(Case((0.0,), variation_mm, kind), rng)
        truth = replace(truth, mill=mill, runout_mm=(0.0, 0.0))
        (turn,) = simulate_turns(truth, (0.0,), rng, directions=directions)
        tested = flat(truth.reading(turn.azimuth_deg, 0.0), turn.azimuth_deg)
        found.append((flat(truth.reading(FINE_DEG, 0.0), FINE_DEG), tested, turn, whole_curve(turn)))
    return found


CASES = [("healthy", STILL, 24), ("healthy", WORN, 24), ("one early arm", STILL, 24), ("healthy", STILL, 12)]
NAMES = ["healthy", "worn machine", "early arm", "12 directions"]


@pytest.mark.simulation
@pytest.mark.parametrize(("kind", "mill", "directions"), CASES, ids=NAMES)
def test_interval_of_the_variation_covers(kind: str, mill: Mill, directions: int) -> None:
    runs = runs_of(kind, mill, directions)
    hits = sum(bool(np.ptp(truth) in found.interval_mm()) for truth, _, _, found in runs)
    assert_share_at_least(hits, len(runs), 0.95)


@pytest.mark.simulation
@pytest.mark.parametrize(("kind", "mill", "directions"), [*CASES[:2], CASES[3]], ids=[*NAMES[:2], NAMES[3]])
def test_curve_lies_within_its_uncertainty(kind: str, mill: Mill, directions: int) -> None:
    shares = np.array([share_within(truth, found) for truth, _, _, found in runs_of(kind, mill, directions)])
    assert shares.mean() > 0.95 - 3.3 * shares.std(ddof=1) / np.sqrt(len(shares))


def share_within(truth: np.ndarray, found: CurvePosterior) -> float:
    """Share of the turn in which the true curve lies within 1.96 u."""
    off = found.mean_mm - np.interp(found.azimuth_deg, FINE_DEG, truth, period=360.0)
    return float((np.abs(off) <= 1.96 * found.u_mm).mean())


@pytest.mark.simulation
def test_curve_of_8_directions_on_a_worn_machine_holds_at_these_directions() -> None:
    # Between them it holds less: 8 directions can't tell the order 4 of a reversal from a three-arm shape.
    shares = []
    for _, tested, turn, found in runs_of("healthy", Mill(reversal_mm=(0.025, 0.025)), 8):
        at = np.searchsorted(found.azimuth_deg, turn.azimuth_deg)
        curve = flat(found.mean_mm[at], turn.azimuth_deg)
        shares.append((np.abs(curve - tested) <= 1.96 * found.u_mm[at]).mean())
    assert np.mean(shares) > 0.95 - 3.3 * np.std(shares, ddof=1) / np.sqrt(RUNS)


@pytest.mark.simulation
@pytest.mark.parametrize(("kind", "mill", "directions"), CASES, ids=NAMES)
def test_variation_agrees_with_the_one_over_the_tested_directions(
    kind: str, mill: Mill, directions: int
) -> None:
    def half(limits: Interval) -> float:
        return (limits.upper - limits.lower) / 2

    agree, runs = 0, runs_of(kind, mill, directions)
    for truth, tested, turn, found in runs:
        other: Variation = pretravel_variation(
            turn.mean_mm, turn.azimuth_deg, turn.counts, turn.sd_mm, turn.dof
        )
        # Between the tested directions the true curve may go further.
        beyond = np.ptp(truth) - np.ptp(tested)
        room = np.hypot(half(found.interval_mm()), half(other.interval_mm))
        agree += bool(abs(found.variation_mm - other.variation_mm - beyond) <= room)
    assert_share_at_least(agree, len(runs), 0.95)


# ---- the ways in which it may differ


@cache
def examples() -> Sequence[CurvePosterior]:
    return [runs_of("healthy", WORN, 24)[0][3], runs_of("healthy", STILL, 12)[0][3]]


@pytest.mark.parametrize("which", [0, 1])
def test_modes_hold_the_covariance_of_the_draws(which: int) -> None:
    found = examples()[which]
    modes = found.modes_mm()
    lacking = np.cov(found.draws_mm.T) - modes.T @ modes
    whole = np.trace(np.cov(found.draws_mm.T))
    assert 0 <= np.trace(lacking) <= (1 - KEPT) * whole
    assert np.linalg.eigvalsh(lacking).min() > -1e-9 * whole  # nothing is added
    gram = modes @ modes.T
    assert gram == pytest.approx(np.diag(np.diag(gram)), abs=1e-9 * whole)  # independent ways
    assert np.trace(modes[:-1].T @ modes[:-1]) < KEPT * whole  # none too many


@pytest.mark.simulation
@pytest.mark.parametrize("which", [0, 1])
def test_mean_and_modes_make_curves_like_the_draws(which: int) -> None:
    found, count = examples()[which], 20_000
    normal = np.random.default_rng(3).normal(size=(count, len(found.modes_mm())))
    curves = found.mean_mm + normal @ found.modes_mm()
    drawn = np.cov(found.draws_mm.T)
    # A sample covariance is off by trace / sqrt(n) in all; 2 % of the trace is left out.
    whole = np.trace(drawn)
    assert curves.mean(axis=0) == pytest.approx(found.mean_mm, abs=4 * found.u_mm.max() / np.sqrt(count))
    assert np.trace(np.cov(curves.T)) == pytest.approx(0.99 * whole, rel=0.05)
    assert np.linalg.norm(np.cov(curves.T) - drawn) < whole * (1 - KEPT + 3 / np.sqrt(count))
