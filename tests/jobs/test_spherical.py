"""The sphere test of a log: against its truth, by hand, and where it must say why there is none."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from simulated import assert_share_at_least
from sphere_logs import (
    RIGID,
    SOFT,
    SPHERE,
    evaluated,
    headline,
    in_a_log,
    joined,
    pattern_plan,
    rings_plan,
    sphere_log,
)

from probetest.importers import read_logs
from probetest.importers.native import write_native_log
from probetest.jobs.spherical import (
    NO_HEIGHT,
    NO_SPHERE,
    Spherical,
    pattern_words,
    sphere_of,
    spherical_to_dict,
    waves_reason,
)
from probetest.simulate import Faults, Mill, Plan, simulate
from probetest.statistics import sphere
from probetest.statistics.sphere import SphereTest, pattern25
from probetest.triggers import Artefact, make_frame


def known(found: Spherical) -> SphereTest:
    assert found.test is not None, found.reason
    return found.test


def plain(found: Spherical) -> dict[str, Any]:
    return spherical_to_dict(found)["sphere"]


# ---- known answers


def alternating(touches: int = 2) -> pd.DataFrame:
    """25 points about (1, 2, -3), 10 mm away; 3 um late and early in turn on the equator."""
    azimuth, elevation = (np.tile(part, touches) for part in pattern25())
    rise, turn = np.deg2rad(elevation), np.deg2rad(azimuth)
    motion = np.column_stack([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
    late = np.where(elevation == 0.0, 0.003 * (-1.0) ** np.arange(len(azimuth)), 0.0)
    # 50 touches: the sign of a point is the opposite one in the second round.
    late = np.where(np.arange(len(azimuth)) < 25, late, -late)
    positions = np.array([1.0, 2.0, -3.0]) - (10.0 - late)[:, None] * motion
    return make_frame(
        {
            "azimuth_deg": azimuth,
            "elevation_deg": elevation,
            **dict(zip(("x_mm", "y_mm", "z_mm"), positions.T, strict=True)),
        }
    )


def test_figures_of_an_alternating_equator_by_hand() -> None:
    frame = alternating()
    # Each point is touched twice and alike: no scatter, but for one pair that differs by 2 um.
    frame.loc[25, "z_mm"] += 0.002
    found = sphere_of(in_a_log(frame), "baseline", 0.0, None)
    test = known(found)
    assert (test.touches, test.points, found.approaches) == (50, 25, 50)
    # One pair with a difference of 2 um: variance 2 um^2 with 1 of 25 degrees of freedom.
    assert test.scatter_mm == pytest.approx(0.002 / np.sqrt(2) / 5, rel=1e-6)
    assert found.scatter_basis == "points touched more than once"
    assert test.form_means_mm == pytest.approx(0.006, abs=5e-4)
    assert test.centre_mm == pytest.approx((1.0, 2.0, -3.0), abs=5e-4)
    assert test.radius_mm == pytest.approx(10.0, abs=2e-4)
    assert test.pattern25_deg == (pytest.approx(0.0), pytest.approx(0.0, abs=1e-5))
    assert [ring.n for ring in test.rings] == [2, 8, 16, 8, 16]


def test_latest_and_earliest_touch_are_named() -> None:
    triggers, _ = sphere_log(faults=Faults(missed=(2, 5), early={20: 0.06, 33: -0.08}))
    found = evaluated(triggers)
    assert (found.row(0)["touch"], found.row(-1)["touch"]) == (20, 33)
    latest = plain(found)["latest"]
    row = triggers.frame.iloc[32]
    assert (latest["touch"], latest["line"]) == (33, 33)
    assert (latest["azimuth_deg"], latest["elevation_deg"]) == (row["azimuth_deg"], row["elevation_deg"])
    # Nothing is dropped: both stay in the form error.
    assert known(found).form_mm > 0.12


def test_without_a_test_there_is_no_latest_touch() -> None:
    with pytest.raises(ValueError, match=f"^there is no sphere test: {NO_SPHERE}$"):
        Spherical(None, "").row(0)


# ---- end to end, with known truth


def test_a_simulated_log_gives_what_was_put_in() -> None:
    triggers, truth = sphere_log(pattern_plan(10), mill=Mill(centre_mm=(12.0, -8.0)))
    found = evaluated(triggers)
    test = known(found)
    # 225 degrees of freedom: the standard error of the sd is 4.7 %.
    assert test.scatter_mm == pytest.approx(truth["sd_mm"], rel=0.15)
    # Means of 10 touches: two of them differ by chance with an sd of 0.45 of one touch.
    assert test.form_means_mm == pytest.approx(truth["form_mm"], abs=3 * 0.45 * truth["sd_mm"])
    assert test.form_mm > test.form_means_mm
    for value, interval in zip(
        (*truth["fitted_centre_mm"], truth["fitted_radius_mm"]), test.interval_mm, strict=True
    ):
        assert value in interval
    assert test.scatter_form is not None
    assert test.scatter_form.p_value < 0.001
    # The seat has three arms: order 3 is the largest at both elevations of eight points.
    for ring in (test.rings[2], test.rings[4]):
        assert ring.harmonics is not None
        assert max(ring.harmonics.harmonics, key=lambda wave: wave.amplitude_mm).order == 3


def test_ring_means_are_those_of_the_truth() -> None:
    triggers, truth = sphere_log(pattern_plan(10))
    azimuth, elevation = np.deg2rad(pattern25(12.0))
    motion = np.column_stack(
        [
            np.ones(25),
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ]
    )
    late = np.array(truth["late_mm"])
    left = late - motion @ np.linalg.lstsq(motion, late, rcond=None)[0]
    for ring in known(evaluated(triggers)).rings:
        mine = np.isclose(np.rad2deg(elevation), ring.elevation_deg)
        # Its u, and the share of the fitted centre in it: not more than the u of a point mean.
        bound = 3 * np.hypot(ring.mean_u_mm, truth["sd_mm"] / np.sqrt(10))
        assert ring.mean_mm == pytest.approx(left[mine].mean(), abs=bound)


def test_a_machine_error_is_in_the_form() -> None:
    plan = rings_plan((-90.0, 1), (-45.0, 12), (0.0, 12))
    straight, worn = (
        known(evaluated(sphere_log(plan, RIGID, Mill(reversal_mm=(b, 0.0)))[0])) for b in (0.0, 0.02)
    )
    assert worn.form_means_mm > straight.form_means_mm + 0.004
    equator = worn.rings[-1]
    assert equator.harmonics is not None
    # |cos| has a second wave of 4 / (3 pi); b / 2 is 0.01 mm.
    second = next(wave for wave in equator.harmonics.harmonics if wave.order == 2)
    assert second.amplitude_mm == pytest.approx(0.01 * 4 / (3 * np.pi), abs=4 * second.u_mm)


@pytest.mark.simulation
def test_centre_and_radius_cover_their_truth(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sphere, "DRAWS", 2)
    trials, hits, forms = 60, np.zeros(4, dtype=int), []
    for seed in range(trials):
        triggers, truth = sphere_log(pattern_plan(2), RIGID, seed=seed)
        test = known(sphere_of(triggers, "baseline", 0.0, None))
        true = (*truth["fitted_centre_mm"], truth["fitted_radius_mm"])
        hits += [value in interval for value, interval in zip(true, test.interval_mm, strict=True)]
        forms.append(test.form_mm)
    for count in hits:
        assert_share_at_least(int(count), trials, 0.95)
    # The mean range of 50 normals is 4.498 sd (d2 of control charts, from memory, recomputed by its
    # integral), and 4 of 50 degrees of freedom go into the sphere. 2 %: the jitter is no normal scatter.
    expected = 4.498 * np.sqrt(46 / 50) * truth["sd_mm"]
    error = np.std(forms) / np.sqrt(trials)
    assert np.mean(forms) == pytest.approx(expected, abs=3.3 * error + 0.02 * expected)


@pytest.mark.simulation
def test_form_of_the_means_is_seldom_far_from_its_truth(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sphere, "DRAWS", 2)
    trials, near = 40, 0
    for seed in range(trials):
        triggers, truth = sphere_log(pattern_plan(4), seed=seed)
        test = known(sphere_of(triggers, "baseline", 0.0, None))
        # Both ends are chosen from few candidates: twice the sd of a difference of two means is ample.
        near += abs(test.form_means_mm - truth["form_mm"]) < 2 * truth["sd_mm"] * np.sqrt(2 / 4)
    assert_share_at_least(near, trials, 0.95)


# ---- the scatter of one touch


def stages(touches: int = 5) -> pd.DataFrame:
    """A stage of repeated horizontal touches, then the 25-point pattern once."""
    equator = sphere_log(rings_plan((0.0, 12), repeats=touches))[0].frame
    return joined(("baseline", equator), ("pattern", sphere_log(pattern_plan(1), seed=2)[0].frame))


def test_a_pattern_touched_once_takes_the_scatter_of_the_headline() -> None:
    triggers = in_a_log(stages())
    analysis = headline(triggers)
    found = sphere_of(triggers, "baseline", 0.0, analysis)
    test = known(found)
    assert (found.stage, found.approaches, test.touches, test.points) == ("pattern", 25, 25, 25)
    spread = analysis.repeatability
    assert test.scatter_mm == max(spread.sd_mm, spread.logged_sd_mm)
    assert test.scatter_dof == spread.effective_dof
    assert found.scatter_basis == "horizontal touches of stage baseline at 0°"
    assert test.scatter_form is not None


def test_rounding_stays_in_the_scatter_that_stands_in() -> None:
    mill = Mill(step_mm=0.003)
    equator = sphere_log(rings_plan((0.0, 24), repeats=12), mill=mill)[0].frame
    once = sphere_log(pattern_plan(1), mill=mill, seed=2)[0].frame
    triggers = in_a_log(joined(("baseline", equator), ("pattern", once)))
    analysis = headline(triggers)
    spread = analysis.repeatability
    # The readings of the sphere are rounded as those of the headline, whose sd is that before rounding.
    assert spread.resolved
    assert spread.sd_mm < 0.97 * spread.logged_sd_mm
    assert known(sphere_of(triggers, "baseline", 0.0, analysis)).scatter_mm == spread.logged_sd_mm


def test_without_any_repeated_touch_nothing_is_said_of_scatter() -> None:
    triggers, _ = sphere_log(pattern_plan(1))
    found = sphere_of(triggers, "baseline", 0.0, None)
    assert known(found).scatter_form is None
    assert found.scatter_reason == (
        "no point was touched twice, and no other series of the log tells the scatter"
    )
    result = plain(found)
    for name in ("form_of_scatter", "scatter_sd_mm", "scatter_dof", "scatter_basis"):
        assert (result[name], result[f"{name}_reason"]) == (None, found.scatter_reason)
    assert {ring["harmonics_reason"] for ring in result["rings"]} == {found.scatter_reason}


def test_a_scatter_below_the_step_is_not_called_none() -> None:
    quiet = replace(SOFT, sd_mm=1e-5, jitter_s=0.0)
    triggers, _ = sphere_log(probe=quiet, mill=Mill(step_mm=0.005))
    analysis = headline(triggers)
    assert not analysis.repeatability.resolved
    found = evaluated(triggers)
    test = known(found)
    assert found.scatter_reason.startswith("the scatter is too small for the step of the log (")
    assert (np.isnan(test.scatter_mm), test.scatter_dof, test.scatter_form) == (True, 0.0, None)
    assert all(ring.harmonics is None and ring.first is None for ring in test.rings)
    # The form error is what was logged.
    assert test.form_mm > 0.01


def test_the_headline_is_taken_where_it_has_several_elevations() -> None:
    first, second = (sphere_log(seed=seed)[0].frame for seed in (3, 4))
    triggers = in_a_log(joined(("warm", first), ("cold", second)))
    assert sphere_of(triggers, "cold", 0.0, None).stage == "cold"
    assert sphere_of(triggers, "warm", 0.0, None).stage == "warm"


# ---- no sphere test


@pytest.mark.parametrize("artefact", [None, Artefact(kind="boss", diameter_mm=25.0), Artefact(kind="ring")])
def test_a_log_of_no_sphere_says_nothing(artefact: Artefact | None) -> None:
    triggers = in_a_log(sphere_log()[0].frame, artefact)
    found = sphere_of(triggers, "baseline", 0.0, None)
    assert (found.test, found.reason) == (None, "")
    assert spherical_to_dict(found) == {"sphere": None, "sphere_reason": NO_SPHERE}


def test_a_ring_log_as_the_simulator_makes_it_says_nothing() -> None:
    frame = simulate(SOFT, Mill(), Plan(repeats=3), rng=np.random.default_rng(5)).frame
    triggers = in_a_log(frame, Artefact(kind="ring", diameter_mm=25.0))
    assert evaluated(triggers).reason == ""


@pytest.mark.parametrize("elevation", [0.0, -45.0])
def test_one_elevation_is_told(elevation: float) -> None:
    triggers, _ = sphere_log(rings_plan((elevation, 12)))
    found = sphere_of(triggers, "baseline", 0.0, None)
    assert found.test is None
    assert found.reason.startswith(
        f"all 36 touches on the sphere have one elevation ({elevation:.4g}°); touch"
    )
    assert spherical_to_dict(found) == {"sphere": None, "sphere_reason": found.reason}


def test_missing_heights_are_told_with_their_place() -> None:
    triggers, _ = sphere_log()
    triggers.frame.loc[[4, 9], "z_mm"] = np.nan
    found = sphere_of(triggers, "baseline", 0.0, None)
    assert found.test is None
    assert found.reason == (
        "2 of 75 touches lack x, y or z (first: touch 5, line 5); a sphere needs all three of each touch"
    )


def test_readings_along_the_approach_are_no_sphere() -> None:
    triggers, _ = sphere_log()
    triggers.frame[["x_mm", "y_mm", "z_mm"]] = np.nan
    assert sphere_of(triggers, "baseline", 0.0, None).reason.startswith("75 of 75 touches lack x, y or z")


def test_what_the_statistics_refuse_is_the_reason() -> None:
    triggers, _ = sphere_log(rings_plan((-90.0, 1), (0.0, 3)))
    found = sphere_of(triggers, "baseline", 0.0, None)
    assert found.reason == "a sphere and its form error need at least 5 points, but got 4"
    upside_down, _ = sphere_log()
    upside_down.frame["elevation_deg"] *= -1
    assert "azimuth and elevation must be those of the motion" in (
        sphere_of(upside_down, "baseline", 0.0, None).reason
    )


def test_misses_alone_are_told() -> None:
    triggers, _ = sphere_log(faults=Faults(missed=tuple(range(1, 76))))
    assert sphere_of(triggers, "baseline", 0.0, None).reason == (
        "no touch on the sphere ended in a valid trigger"
    )


# ---- misses, inch, height of the centre


def test_misses_and_false_triggers_are_left_out_and_counted() -> None:
    faults = Faults(missed=(3, 30), open_at_start=(31,), false=(50,))
    triggers, truth = sphere_log(pattern_plan(6), faults=faults)
    found = evaluated(triggers)
    test = known(found)
    assert (test.touches, found.approaches) == (146, 150)
    # A false trigger lies half a millimetre or more off the sphere.
    assert test.form_mm < truth["form_mm"] + 8 * truth["sd_mm"]
    assert len(found.rows) == len(test.reading_mm) == 146
    valid = triggers.frame[triggers.frame["outcome"] == "trigger"]
    assert found.rows["touch"].tolist() == valid["touch"].tolist()


def test_a_point_that_was_missed_each_time_spoils_the_pattern() -> None:
    triggers, _ = sphere_log(pattern_plan(2, rounds=False), faults=Faults(missed=(11, 12)))
    found = evaluated(triggers)
    assert known(found).pattern25_deg is None
    assert pattern_words(found) == "24 points, not the pattern of 25 (from the pole 1, 4, 8, 4, 8)"
    result = plain(found)
    assert (result["pattern25"], result["pattern25_reason"]) == (None, pattern_words(found))
    # A ring of 8 with one point less still shows waves, the rings of 4 do not.
    reasons = [waves_reason(found, ring) for ring in known(found).rings]
    few = "needs 5 points at this elevation, has {}".format
    assert reasons == [few(1), few(4), "", few(4), ""]


def test_uneven_points_have_no_waves() -> None:
    plan = rings_plan((-90.0, 1), (-45.0, 8), (0.0, 8))
    azimuth = (*plan.azimuth_deg[:-8], *np.arange(0.0, 32.0, 4.0).tolist())
    found = evaluated(sphere_log(replace(plan, azimuth_deg=azimuth))[0])
    assert [waves_reason(found, ring) for ring in known(found).rings] == [
        "needs 5 points at this elevation, has 1",
        "",
        "its points are spread too unevenly",
    ]


def test_an_inch_log_gives_the_same(tmp_path: Path) -> None:
    triggers, _ = sphere_log(faults=Faults(missed=(8,)))
    write_native_log(triggers, tmp_path / "mm.csv", decimals=6)
    inch = triggers.frame.copy()
    inch[["x_mm", "y_mm", "z_mm", "feed_mm_min"]] /= 25.4
    write_native_log(replace(triggers, frame=inch), tmp_path / "inch.csv", decimals=8)
    text = (tmp_path / "inch.csv").read_text(encoding="utf-8").replace('units = "mm"', 'units = "inch"')
    for name in ("x_mm", "y_mm", "z_mm", "feed_mm_min"):
        text = text.replace(f",{name}", f",{name.split('_')[0]}")
    (tmp_path / "inch.csv").write_text(text, encoding="utf-8")
    (metric,), (imperial,) = read_logs(tmp_path / "mm.csv"), read_logs(tmp_path / "inch.csv")
    assert imperial.source.units == "inch"
    first, second = known(evaluated(metric)), known(evaluated(imperial))
    assert second.touches == first.touches == 74
    assert second.form_mm == pytest.approx(first.form_mm, abs=5e-6)
    assert second.centre_mm == pytest.approx(first.centre_mm, abs=5e-6)
    assert second.radius_mm == pytest.approx(14.48, abs=0.01)


def test_the_axial_difference_needs_the_height_of_the_centre() -> None:
    triggers, truth = sphere_log(pattern_plan(6))
    without, with_height = evaluated(triggers), evaluated(triggers, centre_z_mm=(-40.0, 0.0005))
    assert (plain(without)["axial"], plain(without)["axial_reason"]) == (None, NO_HEIGHT)
    axial = plain(with_height)["axial"]
    assert axial["value_mm"] == pytest.approx(truth["axial_mm"], abs=axial["expanded_mm"])
    assert axial["u_mm"] > 0.0005
    assert with_height.axial_reason == ""


def test_a_height_without_a_touch_straight_down_leaves_the_rest() -> None:
    triggers, _ = sphere_log(rings_plan((-60.0, 8), (0.0, 8)))
    found = evaluated(triggers, centre_z_mm=(-40.0, 0.0005))
    assert known(found).axial is None
    assert found.axial_reason.startswith("horizontal less axial pre-travel needs 3 horizontal directions")


# ---- JSON


def nulls_without_reason(value: Any, path: str = "") -> list[str]:
    if isinstance(value, dict):
        here = [f"{path}/{key}" for key, part in value.items() if part is None and not value[f"{key}_reason"]]
        return here + [
            bad for key, part in value.items() for bad in nulls_without_reason(part, f"{path}/{key}")
        ]
    if isinstance(value, list):
        return [bad for part in value for bad in nulls_without_reason(part, f"{path}[]")]
    return []


def every_kind() -> dict[str, Spherical]:
    return {
        "whole": evaluated(sphere_log()[0]),
        "axial": evaluated(sphere_log()[0], centre_z_mm=(-40.0, 0.0)),
        "once": sphere_of(sphere_log(pattern_plan(1))[0], "baseline", 0.0, None),
        "coarse": evaluated(
            sphere_log(probe=replace(SOFT, sd_mm=1e-5, jitter_s=0.0), mill=Mill(step_mm=0.005))[0]
        ),
        "five": evaluated(sphere_log(rings_plan((-90.0, 1), (0.0, 4)))[0]),
        "none": Spherical(None, ""),
        "reason": Spherical(None, "because"),
    }


def test_json_goes_round_and_each_null_has_its_reason() -> None:
    for name, found in every_kind().items():
        result = spherical_to_dict(found)
        assert json.loads(json.dumps(result, allow_nan=False)) == result, name
        assert nulls_without_reason(result) == [], name


def test_json_holds_the_figures_of_the_test() -> None:
    found = evaluated(sphere_log()[0])
    test, result = known(found), plain(found)
    assert result["form_mm"] == test.form_mm
    assert (result["n"], result["points"], result["approaches"]) == (75, 25, 75)
    assert result["pattern25"]["turn_deg"] == pytest.approx(12.0)
    assert result["form_of_scatter"]["upper_mm"] == test.scatter_form.upper_mm  # type: ignore[union-attr]
    assert result["centre_mm"] == list(test.centre_mm)
    assert result["centre_u_mm"] == list(test.u_mm[:3])
    assert (result["radius_mm"], result["radius_u_mm"]) == (test.radius_mm, test.u_mm[3])
    assert [ring["elevation_deg"] for ring in result["rings"]] == [-90.0, -67.5, -45.0, -22.5, 0.0]
    equator = result["rings"][-1]
    assert (equator["n"], equator["mean_mm"], equator["u_mm"]) == (
        24,
        test.rings[-1].mean_mm,
        test.rings[-1].mean_u_mm,
    )
    assert [wave["order"] for wave in equator["harmonics"]] == [1, 2, 3]
    assert sum(point["n"] for ring in result["rings"] for point in ring["points"]) == 75
    assert (result["scatter_sd_mm"], result["scatter_dof"]) == (test.scatter_mm, 50.0)


def test_the_log_is_left_as_it_was() -> None:
    triggers, _ = sphere_log()
    before = triggers.frame.copy()
    evaluated(triggers)
    pd.testing.assert_frame_equal(triggers.frame, before)
    assert triggers.record.artefact == SPHERE
