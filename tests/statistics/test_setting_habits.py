"""Which habit helps, and what a table of corrections by direction leaves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from probetest.errors import StatisticsError
from probetest.jobs.expect import work_features
from probetest.statistics.seat import seat_shape
from probetest.statistics.setting import (
    HabitEffect,
    best_habit,
    correction_table,
    expect_feature,
    try_habits,
)
from probetest.statistics.setting_cycles import (
    ProbeCurve,
    Shop,
    bore_centre,
    bore_diameter,
    corner,
    edge,
    height,
    pocket_width,
    web_centre,
    with_more_touches,
)

GRID = np.arange(360.0)
LOBE = ProbeCurve(0.01 + 0.004 * np.cos(3 * np.deg2rad(GRID - 7.0))[None, :], 0.0003, 30)
HABITS = (
    "fixed mark",
    "calibrate radius",
    "calibrate each direction at the mark",
    "same-side touch",
    "five touches",
    "come back one way",
)


def tried(curve: ProbeCurve, shop: Shop, *features: object) -> dict[tuple[str, str], HabitEffect]:
    return {(found.feature, found.habit): found for found in try_habits(curve, shop, features, 5000)}


def test_each_feature_meets_each_habit() -> None:
    features = work_features(4)
    found = try_habits(LOBE, Shop(), features, 1000)
    assert [(f.feature, f.habit) for f in found] == [(f.name, habit) for f in features for habit in HABITS]


def test_what_is_so_already_and_what_can_not_be() -> None:
    shop = Shop(calibration="per_direction", return_one_way=True)
    found = tried(LOBE, shop, edge(0.0), bore_centre(6), web_centre())
    status = {habit: found["edge touched X+", habit].status for habit in HABITS}
    assert status == {
        "fixed mark": "already so",
        "calibrate radius": "already so",
        "calibrate each direction at the mark": "already so",
        "same-side touch": "not possible",
        "five touches": "not possible",
        "come back one way": "already so",
    }
    assert found["bore centre, 6 touches", "five touches"].status == "already so"
    assert found["bore centre, 6 touches", "same-side touch"].status == "tried"
    assert found["web centre along X", "five touches"].status == "not possible"
    assert found["edge touched X+", "five touches"].gain_mm == 0.0
    assert found["edge touched X+", "five touches"].helps is None


def test_a_same_side_touch_or_five_touches_free_a_centre_of_lobing() -> None:
    shop = Shop(calibration="radius", return_one_way=True)
    found = tried(LOBE, shop, bore_centre(4))
    before = expect_feature(LOBE, shop, bore_centre(4), 5000)
    for habit, same in (("same-side touch", True), ("five touches", False)):
        effect = found["bore centre, 4 touches", habit]
        touches = 4 if same else 5
        assert effect.before == before
        after = expect_feature(LOBE, shop, bore_centre(touches, same_side=same), 5000)
        assert effect.after.error95_mm == after.error95_mm
        assert effect.gain_mm > 0.003
        assert effect.helps is True
        assert effect.after.form.cancelling == ("lobing", "mean pre-travel", "calibration")


def test_a_radius_helps_sizes_and_edges_only() -> None:
    found = tried(LOBE, Shop(return_one_way=True), edge(0.0), web_centre(), pocket_width())
    assert found["edge touched X+", "calibrate radius"].helps is True
    assert found["pocket width along X", "calibrate radius"].gain_mm > 0.018
    assert found["web centre along X", "calibrate radius"].helps is None


def test_a_fixed_mark_alone_does_not_help_where_it_fixes_a_bad_side() -> None:
    curve = replace(LOBE, draws_mm=0.004 * np.cos(3 * np.deg2rad(GRID))[None, :])
    shop = Shop(orientation="random", orientation_sd_deg=0.5, return_one_way=True)
    found = tried(curve, shop, edge(0.0))
    # At the mark X+ meets the top of the curve; at random only 5 % of settings come near it.
    assert found["edge touched X+", "fixed mark"].helps is not True
    assert found["edge touched X+", "calibrate each direction at the mark"].helps is True
    assert best_habit(found.values(), "edge touched X+").habit == "calibrate each direction at the mark"


def test_the_best_habit_is_the_largest_sure_gain() -> None:
    shop = Shop((0.03, 0.03), calibration="radius")
    effects = try_habits(LOBE, shop, [web_centre(), height()], 5000)
    best = best_habit(effects, "web centre along X")
    assert best.habit == "come back one way"
    assert best.gain_mm == max(e.gain_mm for e in effects if e.feature == "web centre along X")
    assert best_habit(effects, "height") is None
    assert best_habit(effects, "no such feature") is None


def test_a_worse_habit_is_called_worse() -> None:
    """The run-out cancels in a width; the same side twice doubles it."""
    curve = replace(LOBE, runout_mm=0.01)
    found = tried(curve, Shop(calibration="radius", return_one_way=True), pocket_width())
    assert found["pocket width along X", "same-side touch"].helps is False


@pytest.mark.parametrize(("gain_in_errors", "helps"), [(2.9, None), (3.1, True), (-2.9, None), (-3.1, False)])
def test_a_gain_within_the_error_of_the_trials_is_undecided(
    gain_in_errors: float, helps: bool | None
) -> None:
    before = replace(expect_feature(LOBE, Shop(), height(), 1000), error95_mm=0.01, error95_se_mm=0.0003)
    # Standard error of the difference: 0.0005.
    after = replace(before, error95_mm=0.01 - 0.0005 * gain_in_errors, error95_se_mm=0.0004)
    assert HabitEffect("height", "any", "tried", before, after).helps is helps


def test_more_touches_keep_the_start() -> None:
    five = with_more_touches(bore_diameter(3, 20.0), 5)
    assert five.azimuth_deg == pytest.approx((20.0, 92.0, 164.0, 236.0, 308.0))
    assert (five.kind, five.name) == ("size", "bore diameter, 3 touches (now 5)")
    assert with_more_touches(bore_centre(4, same_side=True), 5) is None
    assert with_more_touches(bore_centre(4, same_side=True), 6).same_side
    assert with_more_touches(corner(), 5) is None


# ---- corrections by direction


def test_a_known_curve_is_corrected_to_what_chance_leaves() -> None:
    curve = ProbeCurve(
        0.01 * seat_shape(GRID, 17.0)[None, :], 0.0005, runout_mm=0.004, runout_azimuth_deg=70.0
    )
    shop = Shop((0.02, 0.03), return_one_way=True)
    azimuths = np.arange(0.0, 360.0, 30.0)
    table = correction_table(curve, shop, azimuths)
    angle = np.deg2rad(azimuths)
    expected = (
        0.01 * seat_shape(azimuths, 17.0)
        + 0.01 * np.abs(np.cos(angle))
        + 0.015 * np.abs(np.sin(angle))
        - 0.004 * np.cos(angle - np.deg2rad(70.0))
    )
    assert [row.correction_mm for row in table] == pytest.approx(expected, abs=1e-12)
    assert [row.azimuth_deg for row in table] == azimuths.tolist()
    for row in table:
        assert row.u_mm == 0.0
        # 95 % of a normal scatter, two-sided.
        assert row.remains95_mm == pytest.approx(1.959964 * 0.0005, abs=4 * row.remains95_se_mm)
        assert not row.mean_left_out


def test_an_uncertain_curve_makes_an_uncertain_correction() -> None:
    rng = np.random.default_rng(5)
    draws = 0.01 + 0.001 * rng.standard_normal((400, 36))
    shop = Shop(step_mm=0.001, return_one_way=True)
    (row,) = correction_table(ProbeCurve(draws, 0.0, runout_mm=0.002), shop, 20.0)
    assert row.correction_mm == pytest.approx(draws[:, 2].mean())
    assert row.u_mm == pytest.approx(np.hypot(draws[:, 2].std(), 0.002 / np.sqrt(2)))
    # Rounding is in what remains, not in the correction.
    assert row.remains95_mm > row.u_mm


def test_the_radius_is_taken_off_before_the_table_and_its_chance_kept() -> None:
    shop = Shop(calibration="radius", calibration_repeats=2, return_one_way=True)
    (row,) = correction_table(LOBE, shop, [0.0])
    assert row.correction_mm == pytest.approx(0.004 * np.cos(np.deg2rad(21.0)))
    # Four directions by two touches; 30 degrees of freedom.
    assert row.u_mm == pytest.approx(0.0003 * np.sqrt(30 / 28 / 8))


def test_an_unknown_mean_is_missing_from_the_correction() -> None:
    curve = replace(LOBE, mean_known=False)
    (without,) = correction_table(curve, Shop(return_one_way=True), [370.0])
    assert without.mean_left_out
    assert without.azimuth_deg == 10.0
    assert without.correction_mm == pytest.approx(0.004 * np.cos(3 * np.deg2rad(3.0)))
    (calibrated,) = correction_table(curve, Shop(calibration="radius", return_one_way=True), [370.0])
    assert not calibrated.mean_left_out


def test_a_table_needs_a_mark_and_something_to_correct() -> None:
    with pytest.raises(StatisticsError, match="fixed mark"):
        correction_table(LOBE, Shop(orientation="random"), [0.0])
    with pytest.raises(StatisticsError, match="corrected by the calibration already"):
        correction_table(LOBE, Shop(calibration="per_direction"), [0.0])
