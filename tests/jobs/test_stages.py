"""Stages of a log: signs and centres by hand, the demo with its truth, simulated shifts, odd logs."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from sample_probes import make_test
from sample_production import qualified, results

from probetest.jobs import stages as module
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_json
from probetest.jobs.stages import StageChange, about_one_centre, largest_shift_mm
from probetest.limits import Limits
from probetest.simulate import Faults, Mill, Plan, Probe, simulate
from probetest.statistics.hysteresis import Hysteresis

PROBE = Probe(preload_n=2.0, sd_mm=0.001)
PLAN = Plan(directions=12, repeats=6)
Part = tuple[str, dict[str, Any]]


def log_of(
    *parts: Part,
    plan: Plan = PLAN,
    change: Callable[[pd.DataFrame], pd.DataFrame] = lambda frame: frame,
    limits: Limits | None = None,
    seed: int = 3,
) -> Qualification:
    """Qualify a log of stages: names, each with ``shift`` (mm), ``plan``, ``orientation``, ``faults``."""
    rng = np.random.default_rng(seed)
    names = list(dict.fromkeys(name for name, _ in parts))
    frames = []
    for number, (name, told) in enumerate(parts):
        own = replace(
            told.get("plan", plan),
            start=plan.start + timedelta(hours=number),
            orientation_deg=told.get("orientation", 0.0),
        )
        mill = Mill(centre_mm=told.get("shift", (0.0, 0.0)))
        frame = simulate(PROBE, mill, own, rng=rng, faults=told.get("faults", Faults())).frame
        frames.append(frame.iloc[: told.get("touches")].assign(stage=name))
    frame = pd.concat(frames, ignore_index=True)
    frame["touch"] = frame["line"] = np.arange(1, len(frame) + 1)
    frame["stage"] = pd.Categorical(frame["stage"], categories=names)
    return qualify(replace(make_test(), frame=change(frame)), limits or Limits())


def changes(found: Qualification) -> dict[str, StageChange]:
    return {one.stage: one for one in found.stages.changes}


def checks(found: Qualification) -> dict[str, Any]:
    return {one.label: one for one in found.checks if one.name == "reseat_shift"}


def plain_of(found: Qualification) -> dict[str, Any]:
    """What result.json holds; a NaN in it is an error."""
    plain: dict[str, Any] = json.loads(
        result_to_json(found), parse_constant=lambda name: pytest.fail(f"{name} in JSON")
    )
    return plain


# ---- readings about one centre, by hand


def hand_made(places: Sequence[tuple[float, float]], azimuth_deg: Sequence[float], kind: str) -> Any:
    level = pd.DataFrame(places, columns=["x_mm", "y_mm"])
    level = level.assign(azimuth_deg=azimuth_deg, reading_mm=0.5)
    fit = SimpleNamespace(kind=kind, centre_mm=(3.0, -2.0))
    return SimpleNamespace(level=level), SimpleNamespace(readings=SimpleNamespace(fit=fit))


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 135.0, 200.0])
def test_later_trigger_reads_more_inside_a_ring_and_outside_a_boss(azimuth: float) -> None:
    along = np.array([np.cos(np.deg2rad(azimuth)), np.sin(np.deg2rad(azimuth))])
    # In a ring the stylus moves outwards to 10 mm; at a boss inwards, from the other side, to 12 mm.
    for start, kind in ((10.0, "ring"), (-12.0, "boss")):
        places = [tuple(np.array([3.0, -2.0]) + (start + late) * along) for late in (0.0, 0.01)]
        part, found = hand_made(places, [azimuth, azimuth], "circle")
        early, late = about_one_centre(part, found)
        assert early == pytest.approx(start), kind
        assert late - early == pytest.approx(0.01), kind


def test_plane_is_read_along_the_approach() -> None:
    part, found = hand_made([(3.0, -1.0), (4.0, -2.0)], [90.0, 180.0], "plane")
    assert about_one_centre(part, found) == pytest.approx([1.0, -1.0])


def test_readings_stand_where_there_is_no_position_or_no_centre() -> None:
    part, found = hand_made([(np.nan, 0.0), (1.0, 1.0)], [0.0, 0.0], "circle")
    assert list(about_one_centre(part, found)) == [0.5, 0.5]
    part, _ = hand_made([(1.0, 0.0)], [0.0], "circle")
    bare: Any = SimpleNamespace(readings=SimpleNamespace(fit=None))
    assert list(about_one_centre(part, bare)) == [0.5]


# ---- the demo, whose truth is known


def test_probe_that_reseats_is_shown_to_be_within() -> None:
    found = qualified()["SK3-004-stages"]
    (change,) = found.stages.changes
    assert change.found is not None
    assert (change.stage, change.found.verdict) == ("after_overtravel", "within the margin")
    assert change.found.margin_mm == 0.003
    assert change.found.parts is not None
    shift, u = np.array(change.found.parts.centre_mm), np.array(change.found.parts.centre_u_mm)
    assert (np.abs(shift - [0.0004, -0.0003]) < 3 * u).all()
    (check,) = checks(found).values()
    assert (check.label, check.verdict, check.limit) == ("Re-seat (after_overtravel)", "pass", 0.003)


def test_probe_that_does_not_reseat_is_beyond_with_its_true_shift() -> None:
    found = qualified()["SK3-005-stages"]
    moved = changes(found)["after_overtravel"].found
    assert moved is not None
    assert moved.verdict == "beyond the margin"
    assert moved.parts is not None
    shift, u = np.array(moved.parts.centre_mm), np.array(moved.parts.centre_u_mm)
    # Within 95 % limits of each axis.
    assert (np.abs(shift - [0.0052, 0.0030]) < 1.96 * u).all()
    assert moved.parts.centre_length_interval_mm.lower < np.hypot(0.0052, 0.003)
    assert np.hypot(0.0052, 0.003) < moved.parts.centre_length_interval_mm.upper
    assert checks(found)["Re-seat (after_overtravel)"].verdict == "fail"
    assert found.verdict == "fail"


def test_service_is_judged_by_level_and_shape() -> None:
    found = qualified()["SK3-005-stages"]
    service = changes(found)["after_service"].found
    assert service is not None
    assert not service.same_clamping
    assert service.verdict == "beyond the margin"
    # One pair opens early by 0.6 N: a change that no seat that moves as a body makes.
    assert service.parts is not None
    assert service.parts.shape_p is not None
    assert service.parts.shape_p < 1e-6
    assert "the level was judged" in json.dumps(json.loads(results()["SK3-005-stages"]))
    # A probe that was clamped anew elsewhere by far more than the margin is no worse for that.
    moved = log_of(
        ("baseline", {}), ("after_service", {"shift": (0.05, -0.03)}), ("after_x", {"shift": (0.05, 0)})
    )
    assert checks(moved)["Re-seat (after_service)"].verdict != "fail"
    assert checks(moved)["Re-seat (after_x)"].verdict == "fail"


def test_json_of_the_demo_has_its_keys() -> None:
    plain = plain_of(qualified()["SK3-005-stages"])
    overtravel, service = plain["stages"]
    assert [one["stage"] for one in plain["stages"]] == ["after_overtravel", "after_service"]
    assert overtravel["verdict"] == "beyond the margin"
    assert (overtravel["n_baseline"], overtravel["n_stage"]) == (168, 168)
    assert len(overtravel["directions"]) == 24
    assert overtravel["centre"]["shift_mm"] == pytest.approx([0.0052, 0.003], abs=0.0006)
    assert (
        overtravel["level"]["lower_mm"] <= overtravel["level"]["shift_mm"] <= overtravel["level"]["upper_mm"]
    )
    assert (service["same_clamping"], overtravel["same_clamping"]) == (False, True)
    assert plain["touch_before"]["verdict"] in ("none beyond the margin", "can't tell")
    assert plain["overtravel_direction"] is None


# ---- the limit


def test_limit_off_gives_no_check_but_the_figures() -> None:
    parts = (("baseline", {}), ("after_overtravel", {"shift": (0.006, 0.0)}))
    found = log_of(*parts, limits=Limits(max_reseat_shift_mm="off"))
    assert checks(found) == {}
    told = changes(found)["after_overtravel"].found
    assert told is not None
    assert (told.verdict, told.margin_mm) == ("beyond the margin", 0.003)
    wide = log_of(*parts, limits=Limits(max_reseat_shift_mm=0.02))
    (check,) = checks(wide).values()
    assert (check.verdict, check.limit) == ("pass", 0.02)
    assert check.value == pytest.approx(0.006, abs=0.002)


def test_only_stages_after_something_are_judged() -> None:
    found = log_of(("baseline", {}), ("warm", {"shift": (0.006, 0.0)}))
    assert list(changes(found)) == ["warm"]
    assert checks(found) == {}


def test_undecided_stage_names_the_touches_that_would_decide() -> None:
    found = log_of(("baseline", {}), ("after_x", {"shift": (0.0022, 0.0)}), plan=replace(PLAN, repeats=2))
    change = changes(found)["after_x"]
    assert change.found is not None
    (check,) = checks(found).values()
    assert check.verdict == "undecided"
    each = change.found.touches_if_as_seen or change.found.touches_if_none
    assert each is not None
    assert check.more_touches == max(1, 2 * each * 12 - change.n_baseline - change.n_stage)


# ---- drift, and overtravels to several sides


def later(frame: pd.DataFrame, late_mm: NDArray[np.float64]) -> pd.DataFrame:
    """The same touches, each triggering later by a length."""
    angle = np.deg2rad(frame["azimuth_deg"].to_numpy(float))
    return frame.assign(
        x_mm=frame["x_mm"] + late_mm * np.cos(angle), y_mm=frame["y_mm"] + late_mm * np.sin(angle)
    )


def drifting(per_touch_mm: float) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(frame: pd.DataFrame) -> pd.DataFrame:
        angle = np.deg2rad(frame["azimuth_deg"].to_numpy(float))
        late = per_touch_mm * np.arange(len(frame))
        return frame.assign(
            x_mm=frame["x_mm"] + late * np.cos(angle), y_mm=frame["y_mm"] + late * np.sin(angle)
        )

    return change


def test_a_steady_drift_and_a_seat_that_stayed_displaced_are_not_told_apart() -> None:
    # 5 µm from stage to stage.
    steady = drifting(0.005 / 72)
    parts = (("baseline", {}), ("after_overtravel", {}))
    alone = changes(log_of(*parts, change=steady))["after_overtravel"].found
    assert alone is not None
    assert alone.verdict == "beyond the margin"
    assert alone.parts is not None
    assert alone.parts.level_mm == pytest.approx(0.005, abs=0.0006)
    found = log_of(*parts, ("baseline_again", {}), change=steady)
    assert list(changes(found)) == ["after_overtravel"]
    again = changes(found)["after_overtravel"].found
    assert again is not None
    assert again.drift is not None
    # From baseline to baseline it is twice as far as to the stage between them.
    assert again.drift.mean_mm == pytest.approx(0.010, abs=0.001)
    assert again.verdict == "can't tell"
    assert "stayed displaced" in again.notes[-1]
    assert plain_of(found)["stages"][0]["drift_between_mm"] is not None


@pytest.mark.parametrize("shift_mm", [0.0035, 0.004, 0.0055])
def test_a_seat_that_stays_displaced_never_passes_for_a_second_baseline(shift_mm: float) -> None:
    moved = {"shift": (shift_mm, 0.0)}
    for seed in range(3):
        log = log_of(("baseline", {}), ("after_overtravel", moved), ("baseline_again", moved), seed=seed)
        (check,) = checks(log).values()
        assert check.verdict != "pass"


def test_a_second_baseline_does_not_stop_a_pass_or_a_fail() -> None:
    still = log_of(
        ("baseline", {}), ("after_overtravel", {}), ("baseline_again", {}), plan=replace(PLAN, repeats=12)
    )
    assert checks(still)["Re-seat (after_overtravel)"].verdict == "pass"
    gone = log_of(("baseline", {}), ("after_overtravel", {"shift": (0.02, 0.0)}), ("baseline_again", {}))
    assert checks(gone)["Re-seat (after_overtravel)"].verdict == "fail"


def towards(size_mm: float) -> list[Part]:
    return [
        (
            f"after_overtravel_{angle}",
            {"shift": (size_mm * np.cos(np.deg2rad(angle)), size_mm * np.sin(np.deg2rad(angle)))},
        )
        for angle in (0, 120, 240)
    ]


@pytest.mark.parametrize("size_mm", [0.004, 0.0])
def test_displacement_along_the_overtravel_is_found(size_mm: float) -> None:
    found = log_of(("baseline", {}), *towards(size_mm))
    assert found.stages.overtravel is not None
    effect = found.stages.overtravel.effect
    assert effect is not None
    assert effect.along_interval_mm.lower < size_mm < effect.along_interval_mm.upper
    assert effect.across_interval_mm.lower < 0 < effect.across_interval_mm.upper
    assert (effect.p is not None and effect.p < 1e-6) == (size_mm > 0)
    plain = plain_of(found)["overtravel_direction"]
    assert plain["along_mm"] == effect.along_mm


def test_overtravels_to_one_side_or_with_odd_names_tell_no_direction() -> None:
    for names in (
        ["after_overtravel_0"],
        ["after_overtravel_a", "after_overtravel"],
        ["after_overtravel_0x"],
    ):
        assert log_of(("baseline", {}), *((name, {}) for name in names)).stages.overtravel is None


# ---- odd logs


def without_positions(*names: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(frame: pd.DataFrame) -> pd.DataFrame:
        out = frame["stage"].isin(names).to_numpy()
        radius = np.hypot(frame["x_mm"], frame["y_mm"]) - 10.5
        blank = {name: frame[name].mask(out) for name in ("x_mm", "y_mm", "z_mm")}
        return frame.assign(reading_mm=np.where(out, radius, np.nan), **blank)

    return change


def test_readings_without_positions_are_held_against_each_other() -> None:
    found = log_of(
        ("baseline", {}),
        ("after_x", {"shift": (0.008, 0.0)}),
        change=without_positions("baseline", "after_x"),
    )
    told = changes(found)["after_x"].found
    assert told is not None
    assert told.parts is not None
    assert told.parts.centre_mm == pytest.approx((0.008, 0.0), abs=0.001)
    plain_of(found)


@pytest.mark.parametrize("bare", ["baseline", "after_x"])
def test_positions_in_one_stage_only_can_not_be_compared(bare: str) -> None:
    found = log_of(("baseline", {}), ("after_x", {}), change=without_positions(bare))
    change = changes(found)["after_x"]
    assert change.found is None
    assert change.reason == "positions in one stage and not in the other"
    (check,) = checks(found).values()
    assert (check.verdict, check.value) == ("undecided", None)
    plain = plain_of(found)["stages"][0]
    assert (plain["verdict"], plain["verdict_reason"]) == (None, change.reason)


def test_stage_from_other_directions_names_both() -> None:
    other = replace(PLAN, first_azimuth_deg=15.0)
    found = log_of(("baseline", {}), ("after_x", {"plan": other}))
    change = changes(found)["after_x"]
    plain = plain_of(found)["stages"][0]
    (check,) = checks(found).values()
    assert check.verdict == "undecided"
    if change.found is None:
        assert change.reason
    else:
        assert len(plain["only_baseline_deg"]) == len(plain["only_stage_deg"]) == 12


@pytest.mark.parametrize("touches", [1, 2])
def test_stage_of_few_touches_is_undecided(touches: int) -> None:
    found = log_of(("baseline", {}), ("after_x", {"touches": touches}))
    (check,) = checks(found).values()
    assert check.verdict == "undecided"
    assert changes(found)["after_x"].n_stage == touches
    plain_of(found)


def test_stage_without_a_trigger_is_left_alone() -> None:
    missed = Faults(missed=tuple(range(1, 73)))
    found = log_of(("baseline", {}), ("after_x", {"faults": missed}))
    assert found.stages.changes == ()
    plain_of(found)


def test_stages_at_other_orientations_are_left_alone() -> None:
    found = log_of(
        ("baseline", {}),
        ("baseline", {"orientation": 90.0}),
        ("after_x", {"orientation": 90.0}),
        ("after_y", {}),
    )
    headline = found.series.orientation_deg
    assert list(changes(found)) == (["after_y"] if headline == 0.0 else ["after_x"])
    assert plain_of(found)["headline"]["orientation_deg"] == headline


def test_log_of_one_stage_has_none() -> None:
    found = log_of(("baseline", {}))
    assert found.stages.changes == ()
    assert found.stages.overtravel is None
    assert checks(found) == {}


def test_largest_shift_is_none_where_no_direction_has_one() -> None:
    told = changes(log_of(("baseline", {}), ("after_x", {})))["after_x"].found
    assert told is not None
    assert largest_shift_mm(replace(told, shown_by="each direction", directions=())) is None


# ---- the touch before


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Directions, and the directions before them, as the statistics get them."""
    calls: list[tuple[NDArray[np.intp], NDArray[np.intp]]] = []
    real = module.hysteresis

    def listen(reading: Any, direction: Any, azimuth: Any, *, previous: Any, **rest: Any) -> Hysteresis:
        calls.append((np.asarray(direction), np.asarray(previous)))
        return real(reading, direction, azimuth, previous=previous, **rest)

    monkeypatch.setattr(module, "hysteresis", listen)
    return calls


def test_touch_before_is_known_but_for_the_first_and_after_a_miss(
    handed: list[tuple[NDArray[np.intp], NDArray[np.intp]]],
) -> None:
    found = log_of(("baseline", {"faults": Faults(missed=(10, 11), false=(30,))}))
    ((direction, previous),) = handed
    numbers = found.series.level["order"].to_numpy() if "order" in found.series.level else None
    assert len(direction) == 72 - 3
    # Touches 1, 12 (after the misses) and 31 have none; in the row of triggers these are 0, 9 and 27.
    unknown = np.flatnonzero(previous == -1)
    assert unknown.tolist() == [0, 9, 27]
    known = np.setdiff1d(np.arange(len(direction)), unknown)
    assert (previous[known] == direction[known - 1]).all()
    assert numbers is not None
    assert found.stages.touch_before is not None
    assert found.stages.touch_before.without_previous == 3


def test_touch_before_is_not_known_after_another_stage(
    handed: list[tuple[NDArray[np.intp], NDArray[np.intp]]],
) -> None:
    # The baseline comes in two runs, with another stage between them.
    log_of(("baseline", {}), ("after_x", {}), ("baseline", {}))
    ((direction, previous),) = handed
    assert np.flatnonzero(previous == -1).tolist() == [0, 72]
    assert len(direction) == 144


def test_effect_of_the_touch_before_is_found(
    handed: list[tuple[NDArray[np.intp], NDArray[np.intp]]],
) -> None:
    size = 0.004

    def displaced(frame: pd.DataFrame) -> pd.DataFrame:
        angle = np.deg2rad(frame["azimuth_deg"].to_numpy(float))
        before = np.r_[np.nan, angle[:-1]]
        late = np.nan_to_num(size * np.cos(before - angle))
        return frame.assign(
            x_mm=frame["x_mm"] + late * np.cos(angle), y_mm=frame["y_mm"] + late * np.sin(angle)
        )

    told = log_of(("baseline", {}), change=displaced).stages.touch_before
    assert told is not None
    assert told.verdict == "beyond the margin"
    assert told.effect is not None
    assert told.effect.along_interval_mm.lower < size < told.effect.along_interval_mm.upper
    assert len(handed) == 1
    quiet = log_of(("baseline", {})).stages.touch_before
    assert quiet is not None
    assert quiet.verdict != "beyond the margin"
