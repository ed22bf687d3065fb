"""Simulated faults of the contacts against statics by hand, and their chance against its own bounds."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from simulated import BOUND_RISK, assert_share

from probetest.errors import StatisticsError
from probetest.importers import read_logs, write_native_log
from probetest.simulate import Mill, Plan, Probe, Simulated, simulate_turned
from probetest.simulate_faults import KINDS, LOOSE_STEPS, ContactFault, sector_of, simulate_fault
from probetest.statistics.seat import seat_shape
from probetest.triggers import COLUMNS, OUTCOMES, Artefact, Source, TestRecord, Triggers

STILL = Probe(sd_mm=0.0, jitter_s=0.0, latency_s=0.0, arm_azimuth_deg=100.0)
"""Without scatter: positions are the physics alone."""

IDEAL, USUAL = Mill(), Plan()
FINE = Plan(directions=360, repeats=1)
GAP_MM = (25.0 - 4.0) / 2


@cache
def run(fault, *, seed=1, probe=STILL, mill=IDEAL, plan=USUAL, orientations=None) -> Simulated:
    """A test that is not changed by who asks for it."""
    rng = np.random.default_rng(seed)
    return simulate_fault(probe, mill, plan, fault, rng=rng, orientations_deg=orientations)


def reading(frame: pd.DataFrame) -> np.ndarray:
    """Pre-travel by azimuth, of a test without run-out around a centre of 0, 0."""
    return np.hypot(frame["x_mm"], frame["y_mm"]).to_numpy() - GAP_MM


def curve(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Azimuths in their order, and the pre-travel from each."""
    ordered = frame.assign(late=reading(frame)).sort_values("azimuth_deg")
    return ordered["azimuth_deg"].to_numpy(), ordered["late"].to_numpy()


def changes(fault, **settings) -> tuple[np.ndarray, Simulated]:
    """What the fault does to each position, shape (touches, 2), and the test."""
    faulty, healthy = run(fault, **settings), run(ContactFault("healthy"), **settings)
    columns = ["x_mm", "y_mm"]
    return faulty.frame[columns].to_numpy() - healthy.frame[columns].to_numpy(), faulty


def along(frame: pd.DataFrame, change: np.ndarray) -> np.ndarray:
    angle = np.deg2rad(frame["azimuth_deg"].to_numpy())
    return change[:, 0] * np.cos(angle) + change[:, 1] * np.sin(angle)


def by_hand(probe: Probe, azimuth_deg: np.ndarray, gains) -> np.ndarray:
    """F_s R L**2 / (6 E I) / max((cos psi + (R / L) tan(a) |sin psi|) / gain): moments about two arms."""
    moment = np.pi * probe.stem_diameter_mm**4 / 64
    size = probe.preload_n * probe.seat_radius_mm * probe.stylus_length_mm**2 / (6e3 * probe.modulus_gpa)
    ratio = probe.seat_radius_mm / probe.stylus_length_mm * np.tan(np.deg2rad(probe.wall_angle_deg))
    shape = seat_shape(azimuth_deg, probe.arm_azimuth_deg, ratio, gains)
    return size / moment / np.sqrt(1 + ratio**2) * shape


@pytest.mark.parametrize("arm", [0, 1, 2])
@pytest.mark.parametrize(("kind", "gain"), [("early", 0.8), ("late", 1.2), ("late", 1.6)])
def test_an_early_or_late_arm_has_its_gain(kind: str, gain: float, arm: int) -> None:
    found = run(ContactFault(kind, arm, abs(gain - 1)), plan=FINE)
    gains = np.where(np.arange(3) == arm, gain, 1.0)
    azimuth, late = curve(found.frame)
    assert_allclose(late, by_hand(STILL, azimuth, gains), rtol=1e-9, atol=1e-12)
    assert_allclose(found.truth["gains"], gains, rtol=1e-12)


def test_the_gain_is_that_of_a_load_at_which_the_pair_opens() -> None:
    # g = 1 - 3 N / F_s: a share of 0.15 of F_s / 3 at F_s = 1.2 N is a load of 0.06 N.
    threshold = replace(STILL, threshold_n=(0.0, 0.06, 0.0))
    early = curve(run(ContactFault("early", 1, 0.15), plan=FINE).frame)[1]
    assert_allclose(early, curve(run(ContactFault("healthy"), probe=threshold, plan=FINE).frame)[1])


def test_thresholds_of_the_probe_stay() -> None:
    worn = replace(STILL, threshold_n=(0.04, 0.0, 0.0))
    assert_allclose(run(ContactFault("early", 0, 0.2), probe=worn).truth["gains"], [0.7, 1.0, 1.0])
    assert_allclose(run(ContactFault("early", 2, 0.2), probe=worn).truth["gains"], [0.9, 1.0, 0.8])


@pytest.mark.parametrize("towards_deg", [100.0, 37.0, 280.0])
def test_unequal_springs_load_the_arms_as_the_moments_ask(towards_deg: float) -> None:
    off = 0.4
    found = run(ContactFault("unequal_springs", size=off, towards_deg=towards_deg), plan=FINE)
    arms = np.deg2rad(100.0 + 120.0 * np.arange(3))
    balance = np.array([np.ones(3), 7.5 * np.cos(arms), 7.5 * np.sin(arms)])
    angle = np.deg2rad(towards_deg)
    loads = np.linalg.solve(balance, 1.2 * np.array([1.0, off * np.cos(angle), off * np.sin(angle)]))
    assert_allclose(found.truth["gains"], loads / 0.4, rtol=1e-9)
    azimuth, late = curve(found.frame)
    assert_allclose(late, by_hand(STILL, azimuth, loads / 0.4), rtol=1e-9, atol=1e-12)
    contrast = [1.5 * (gain - 1.0) for gain in found.truth["gains"]]
    assert np.abs(contrast).max() <= 3 * off / 7.5 + 1e-12
    if towards_deg in (100.0, 280.0):  # to an arm, or away from it
        assert abs(contrast[0]) == pytest.approx(3 * off / 7.5)
    assert (found.truth["finding"], found.truth["arm_azimuth_deg"]) == ("healthy", None)
    assert found.truth["towards_deg"] == towards_deg


def test_a_weak_spring_scales_everything() -> None:
    azimuth, late = curve(run(ContactFault("weak_spring", size=0.3), plan=FINE).frame)
    assert_allclose(late, 0.7 * by_hand(STILL, azimuth, (1.0, 1.0, 1.0)), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("orientation", [0.0, 75.0])
@pytest.mark.parametrize("arm", [0, 1, 2])
def test_an_early_arm_is_earliest_against_its_azimuth_and_turns_with_the_probe(arm, orientation) -> None:
    ideal = replace(STILL, wall_angle_deg=0.0)
    fault = ContactFault("early", arm, 0.3)
    found = run(fault, probe=ideal, plan=FINE, orientations=(orientation,))
    azimuth, late = curve(found.frame)
    assert found.truth["arm_azimuth_deg"] == (100.0 + 120.0 * arm) % 360.0
    expected = (found.truth["arm_azimuth_deg"] + 180.0 + orientation) % 360.0
    assert azimuth[late.argmin()] == pytest.approx(expected)
    # The pair is early where it is the first to open, and that holds its sector.
    early = late < 0.9 * curve(run(ContactFault("healthy"), probe=ideal, plan=FINE,
                                   orientations=(orientation,)).frame)[1]  # fmt: skip
    inside = sector_of(found.truth["arm_azimuth_deg"], azimuth, orientation)
    assert early[inside].all()
    # Past +-60 deg it still opens first until cos(psi) / 0.7 = cos(120 - psi): 73.9 deg.
    assert early.sum() <= 2 * 73.9 + 1


def test_the_error_of_the_machine_does_not_turn_with_the_probe() -> None:
    stiff = replace(STILL, preload_n=1e-9)
    found = run(ContactFault("machine"), probe=stiff, plan=FINE, orientations=(0.0, 75.0))
    (azimuth, first), (_, turned) = (curve(part) for _, part in found.frame.groupby("orientation_deg"))
    angle = np.deg2rad(azimuth)
    lobes = 0.004 * np.cos(2 * (angle - np.deg2rad(20.0)))
    assert_allclose(first, 0.01 * np.abs(np.cos(angle)) + 0.005 * np.abs(np.sin(angle)) + lobes, atol=1e-9)
    assert_allclose(turned, first, atol=1e-9)
    assert found.truth["finding"] == "healthy"


def test_the_sector_is_sixty_deg_to_each_side_of_the_force() -> None:
    # An arm at 90 deg: the force at 30 to 150 deg, so the motion towards 210 to 330 deg.
    azimuth = np.array([209.0, 210.0, 270.0, 330.0, 331.0, 570.0])
    assert sector_of(90.0, azimuth).tolist() == [False, True, True, True, False, True]
    assert sector_of(90.0, azimuth + 40.0, 40.0).tolist() == sector_of(90.0, azimuth).tolist()
    assert sector_of(90.0, [-30.0, -31.0, 330.0 - 720.0]).all()


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("leaves", [False, True])
def test_a_particle_moves_the_ball_along_the_arm(leaves: bool, seed: int) -> None:
    turns = (0.0, 90.0)
    change, found = changes(ContactFault("tilted", size=0.02, leaves=leaves), seed=seed, orientations=turns)
    first, last = found.truth["touches"] if leaves else (*found.truth["touches"], 481)
    assert 80 <= (first - 1) % 240 <= 160
    assert first - 1 + 40 <= last - 1
    assert last <= (441 if leaves else 481)
    # The spindle stands back: the ball is where it touches before.
    direction = found.truth["arm_azimuth_deg"] + np.repeat(turns, 240)
    angle = np.deg2rad(direction + 180.0)
    on = (found.frame["touch"] >= first) & (found.frame["touch"] < last)
    expected = 0.02 * np.stack([np.cos(angle), np.sin(angle)], axis=1) * on.to_numpy()[:, None]
    assert_allclose(change, expected, atol=1e-12)


def test_a_loose_stylus_jumps_several_times() -> None:
    counts = set()
    for seed in range(3):
        loose, found = changes(ContactFault("loose_stylus", size=0.02), seed=seed)
        steps = np.hypot(*np.diff(loose, axis=0, prepend=0.0).T)
        assert (np.flatnonzero(steps > 1e-9) + 1).tolist() == found.truth["touches"]
        sizes = steps[steps > 1e-9]
        assert LOOSE_STEPS[0] <= len(sizes) <= LOOSE_STEPS[1]
        assert np.all((sizes >= 0.7 * 0.02 - 1e-9) & (sizes <= 1.3 * 0.02 + 1e-9))
        counts.add(len(sizes))
    assert len(counts) > 1


def test_a_loose_stylus_turns_with_the_probe() -> None:
    fault = ContactFault("loose_stylus", size=0.02)
    first, turned = (changes(fault, orientations=(angle,))[0] for angle in (0.0, 90.0))
    assert_allclose(turned, np.stack([-first[:, 1], first[:, 0]], axis=1), atol=1e-12)


def test_friction_leaves_the_seat_along_the_touch_before() -> None:
    change, found = changes(ContactFault("hysteresis", size=0.004), orientations=(0.0, 30.0))
    azimuth = found.frame["azimuth_deg"].tolist()
    expected = [0.004 * np.cos(np.deg2rad(before - now)) for before, now in pairwise(azimuth)]
    expected = np.array([0.0, *expected])
    expected[240] = 0.0  # comes after a pause
    assert_allclose(along(found.frame, change), expected, atol=1e-12)


def test_a_drift_goes_from_nothing_to_its_size() -> None:
    courses = set()
    for seed in (4, 5):
        change, found = changes(ContactFault("drift", size=0.03), seed=seed, orientations=(0.0, 90.0))
        courses.add(found.truth["course"])
        towards = np.deg2rad(found.truth["towards_deg"])
        aside = change @ [-np.sin(towards), np.cos(towards)]
        angle = np.deg2rad(found.frame["azimuth_deg"].to_numpy()) - towards
        level = (change @ [np.cos(towards), np.sin(towards)]) / (1 + np.cos(angle))
        usable = np.abs(1 + np.cos(angle)) > 0.05
        assert_allclose(aside[usable], (level * np.sin(angle))[usable], atol=1e-9)
        assert np.all(np.diff(level[usable]) > -1e-9)
        assert change[0] == pytest.approx([0.0, 0.0], abs=1e-12)
        assert np.hypot(*change[-1]) == pytest.approx(
            0.03 * np.hypot(1 + np.cos(angle[-1]), np.sin(angle[-1]))
        )
        hours = (found.frame["time"] - found.frame["time"].iloc[0]).dt.total_seconds().to_numpy()
        share = hours / hours[-1]
        closed = {
            "warm-up": (1 - np.exp(-4 * share)) / (1 - np.exp(-4)),
            "cubic": 0.5 + 4 * (share - 0.5) ** 3,
        }
        assert_allclose(level[usable], 0.03 * closed[found.truth["course"]][usable], atol=1e-9)
    assert courses == {"warm-up", "cubic"}


@pytest.mark.simulation
def test_an_intermittent_contact_is_early_at_its_rate_and_by_its_size() -> None:
    fault = ContactFault("intermittent", size=0.02, rate=0.25)
    change, found = changes(fault, seed=4, plan=Plan(repeats=100), orientations=(0.0, 40.0))
    early = -along(found.frame, change)
    hit = early > 1e-9
    assert (np.flatnonzero(hit) + 1).tolist() == found.truth["touches"]
    inside = sector_of(
        found.truth["arm_azimuth_deg"], found.frame["azimuth_deg"], found.frame["orientation_deg"]
    )
    assert not hit[~inside].any()
    assert_share(int(hit[inside].sum()), int(inside.sum()), 0.25)
    # Half the size and an exponential of mean half the size: mean 0.02 mm, sd 0.01 mm.
    assert early[hit].min() >= 0.01 - 1e-9
    assert stats.kstest(early[hit] - 0.01, stats.expon(scale=0.01).cdf).pvalue > BOUND_RISK
    assert early[hit].mean() == pytest.approx(0.02, abs=3.3 * 0.01 / np.sqrt(hit.sum()))


def test_an_intermittent_contact_has_the_usual_rate_and_can_have_none() -> None:
    assert run(ContactFault("intermittent")).truth["rate"] == 0.15
    assert run(ContactFault("intermittent", rate=0.0)).truth["touches"] == []
    # The borders of the sector are in it: with an arm on a tested direction 9 of 24, else 8.
    for arm_deg, touches in ((90.0, 90), (100.0, 80)):
        always = run(ContactFault("intermittent", rate=1.0), probe=replace(STILL, arm_azimuth_deg=arm_deg))
        assert len(always.truth["touches"]) == touches
    assert run(ContactFault("missed")).truth["rate"] is None


def spread(frame: pd.DataFrame, inside: np.ndarray) -> tuple[float, int]:
    """Pooled variance of the reading within a direction, and its degrees of freedom."""
    part = frame.assign(late=reading(frame))[inside].groupby(["azimuth_deg", "orientation_deg"])["late"]
    left = int((part.count() - 1).sum())
    return float((part.var() * (part.count() - 1)).sum() / left), left


def assert_variance(variance: float, dof: int, truth: float) -> None:
    ratio = stats.chi2(dof)
    assert ratio.ppf(BOUND_RISK / 2) < dof * variance / truth < ratio.isf(BOUND_RISK / 2)


@pytest.mark.simulation
def test_a_noisy_contact_scatters_in_its_sector_only() -> None:
    fault = ContactFault("noisy", size=1.5)
    found = run(fault, probe=replace(Probe(), arm_azimuth_deg=100.0), seed=5, plan=Plan(repeats=60))
    inside = sector_of(found.truth["arm_azimuth_deg"], found.frame["azimuth_deg"])
    normal = found.truth["sd_mm"] ** 2
    assert_variance(*spread(found.frame, inside), 1.5**2 * normal)
    assert_variance(*spread(found.frame, ~inside), normal)
    assert found.truth["finding"] == "intermittent"


@pytest.mark.simulation
def test_a_loose_stylus_scatters_more_everywhere() -> None:
    found = run(ContactFault("loose_stylus", size=0.0), probe=Probe(), seed=6, plan=Plan(repeats=60))
    healthy = run(ContactFault("healthy"), probe=Probe(), plan=Plan(repeats=60))
    assert found.truth["sd_mm"] == pytest.approx(1.3 * healthy.truth["sd_mm"])
    everywhere = np.ones(len(found.frame), dtype=bool)
    assert_variance(*spread(found.frame, everywhere), (1.3 * healthy.truth["sd_mm"]) ** 2)


@pytest.mark.simulation
@pytest.mark.parametrize(("kind", "outcome"), [("open", "open_at_start"), ("missed", "missed")])
def test_lost_touches_come_at_their_rate(kind: str, outcome: str) -> None:
    found = run(ContactFault(kind, size=0.08), probe=Probe(), seed=7, plan=Plan(repeats=100))
    frame = found.frame
    lost = (frame["outcome"] == outcome).to_numpy()
    assert (np.flatnonzero(lost) + 1).tolist() == found.truth["touches"]
    assert (frame["outcome"].to_numpy()[~lost] == "trigger").all()
    inside = np.ones(len(frame), dtype=bool)
    if kind == "missed":
        inside = sector_of(found.truth["arm_azimuth_deg"], frame["azimuth_deg"])
    assert not lost[~inside].any()
    assert_share(int(lost[inside].sum()), int(inside.sum()), 0.08)
    assert (frame[["x_mm", "y_mm", "z_mm"]].isna().to_numpy() == lost[:, None]).all()


@pytest.mark.simulation
def test_each_arm_is_drawn_as_often() -> None:
    short, arms = Plan(directions=12, repeats=1), []
    for seed in range(16):
        arms.append(run(ContactFault("early"), seed=seed, plan=short).truth["arm"])
    for arm in range(3):
        assert_share(arms.count(arm), len(arms), 1 / 3)


def test_positions_are_rounded_once_and_last() -> None:
    fault = ContactFault("intermittent", size=0.003, rate=1.0)
    exact = run(fault).frame[["x_mm", "y_mm"]]
    rounded = run(fault, mill=Mill(step_mm=0.005)).frame[["x_mm", "y_mm"]]
    assert_allclose(rounded, np.round(exact / 0.005) * 0.005, atol=1e-12)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_gives_a_frame_that_reads_as_a_log(kind: str, tmp_path) -> None:
    mill = Mill(step_mm=0.00125, centre_mm=(0.012, -0.007))
    found = run(ContactFault(kind), probe=Probe(), mill=mill, orientations=(0.0, 30.0), plan=Plan(repeats=3))
    frame = found.frame
    assert {name: str(dtype) for name, dtype in frame.dtypes.items()} == COLUMNS
    assert frame["touch"].tolist() == frame["line"].tolist() == list(range(1, 145))
    assert tuple(frame["outcome"].cat.categories) == OUTCOMES
    assert frame["stage"].unique().tolist() == ["baseline"]
    assert frame["time"].is_monotonic_increasing
    assert frame["azimuth_deg"].between(0.0, 360.0, inclusive="left").all()
    seen = frame["outcome"] == "trigger"
    assert (frame[["x_mm", "y_mm", "z_mm"]].notna().all(axis=1) == seen).all()
    steps = frame.loc[seen, ["x_mm", "y_mm"]].to_numpy() / 0.00125
    assert_allclose(steps, np.round(steps), atol=1e-6)
    assert (found.truth["step_mm"], found.truth["finding"]) == (0.00125, KINDS[kind].finding)
    assert json.loads(json.dumps(found.truth))["kind"] == kind
    log = tmp_path / "fault.csv"
    record = TestRecord(serial="F-1", artefact=Artefact(kind="ring", diameter_mm=25.0))
    write_native_log(Triggers(record, frame, Source(log.name, "", len(frame), "mm", "simulated")), log)
    (test,) = read_logs(log)
    assert_allclose(test.frame["x_mm"], frame["x_mm"], atol=1e-5)
    assert test.frame["outcome"].tolist() == frame["outcome"].tolist()


def test_healthy_is_the_plain_simulation() -> None:
    mill, turns = Mill(step_mm=0.001, reversal_mm=(0.002, 0.001)), (0.0, 90.0)
    rng = np.random.default_rng(9)
    rng.integers(3), rng.uniform(0.0, 360.0)
    plain = simulate_turned(Probe(), mill, Plan(), turns, rng=rng)
    found = run(ContactFault("healthy"), seed=9, probe=Probe(), mill=mill, orientations=turns)
    pd.testing.assert_frame_equal(found.frame, plain.frame, rtol=0, atol=1e-12)
    shared = plain.truth.keys() - {"arm_azimuth_deg"}
    assert {name: found.truth[name] for name in shared} == {name: plain.truth[name] for name in shared}
    assert found.truth["seat_azimuth_deg"] == plain.truth["arm_azimuth_deg"]


@pytest.mark.parametrize("kind", ["early", "intermittent", "loose_stylus", "drift", "missed"])
def test_the_same_seed_gives_the_same_test(kind: str) -> None:
    first, second = (
        simulate_fault(Probe(), Mill(), Plan(), ContactFault(kind), rng=np.random.default_rng(3))
        for _ in range(2)
    )
    assert first.frame.equals(second.frame)
    assert first.truth == second.truth


def test_the_plan_gives_the_orientation() -> None:
    frame = run(ContactFault("healthy"), plan=Plan(orientation_deg=35.0)).frame
    assert frame["orientation_deg"].unique().tolist() == [35.0]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"kind": "bent"}, "the kind is one of healthy, early"),
        ({"kind": "drift", "arm": 1}, "drift takes no arm"),
        ({"kind": "early", "arm": 3}, "the arm is 0, 1 or 2, but got 3"),
        ({"kind": "early", "size": 1.0}, r"at least 0 and below 1 \(1\), but got 1.0"),
        ({"kind": "noisy", "size": 0.9}, "at least 1 and below inf"),
        ({"kind": "late", "size": -0.1}, "at least 0 and below inf"),
        ({"kind": "tilted", "size": float("nan")}, r"\(mm\), but got nan"),
        ({"kind": "tilted", "size": float("inf")}, r"\(mm\), but got inf"),
        ({"kind": "healthy", "size": 0.1}, "healthy takes no size"),
        ({"kind": "missed", "rate": 0.1}, "missed takes no rate; it is for intermittent"),
        ({"kind": "intermittent", "rate": 1.1}, "a share from 0 to 1, but got 1.1"),
        ({"kind": "early", "towards_deg": 10.0}, "early takes no towards_deg"),
        ({"kind": "early", "leaves": True}, "early takes no leaves; it is for tilted"),
    ],
)
def test_impossible_faults_are_refused(settings: dict, message: str) -> None:
    with pytest.raises(StatisticsError, match=message):
        ContactFault(**settings)


def test_a_spring_outside_the_contacts_lifts_an_arm() -> None:
    # The load of the far arm is none with the spring half the radius off: 3.75 mm.
    with pytest.raises(StatisticsError, match="leaves no load on an arm"):
        run(ContactFault("unequal_springs", size=3.76, towards_deg=100.0 + 180.0))
    run(ContactFault("unequal_springs", size=3.74, towards_deg=100.0 + 180.0))


@pytest.mark.parametrize(("orientations", "plan"), [((), Plan()), ((0.0,), Plan(directions=11, repeats=1))])
def test_a_test_without_touches_is_refused(orientations, plan) -> None:
    with pytest.raises(StatisticsError, match="a fault needs 12 touches at an orientation"):
        run(ContactFault("tilted"), plan=plan, orientations=orientations)
