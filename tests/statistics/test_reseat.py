"""Re-seat of a probe: by hand, published and independent tests beside it, verdicts with known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import integrate, optimize, stats
from simulated import assert_share_at_least, assert_share_at_most, even_azimuths, round_robin

from probetest.errors import StatisticsError
from probetest.statistics.agreement import OWN, compare_sds
from probetest.statistics.intervals import sd_interval
from probetest.statistics.reseat import Reseat, reseat
from probetest.statistics.reseat_parts import length_interval, shift_parts
from probetest.statistics.reseat_settling import overtravel_effect, settling
from probetest.statistics.reseat_shift import paired_shifts, series_means
from probetest.statistics.reseat_spread import spread_change, variation_change
from probetest.statistics.reseat_verdict import Judge, touches_to_decide

D, N, SD, MARGIN = 24, 5, 0.002, 0.003
AZIMUTH = even_azimuths(D)
ANGLE = np.deg2rad(AZIMUTH)
TOUCHED = round_robin(D, N)
ONE = np.ones(D)
LOBES = 0.005 * np.cos(3 * ANGLE)

SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
"""The sleep data as two independent groups. Set-up with bounds of 0.5 seen in the vignette of an R package
for equivalence tests; its printed t -1.272, -2.450, 17.8 degrees of freedom and p 0.89 from memory,
recomputed (statsmodels, ttost_ind with unequal variances); p 0.00536 for bounds of 4 computed only."""


def noise(seed: int, touches: int = D * N, sd: float = SD) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(touches)


def held(truth: np.ndarray, seed: int = 1, **settings: object) -> Reseat:
    """A stage of 24 x 5 touches shifted by the truth."""
    return reseat(
        LOBES[TOUCHED] + noise(seed), TOUCHED, (LOBES + truth)[TOUCHED] + noise(seed + 1000), TOUCHED,
        AZIMUTH, **settings,  # type: ignore[arg-type]
    )  # fmt: skip


# ---- shifts


def test_shift_by_hand() -> None:
    # Two directions, sd^2 of the baseline 1 and 1 (n = 2, 2), of the stage 4 and 0 (n = 3, 2): 8 / 3.
    root = np.sqrt(0.5)
    before = series_means([10 - root, 10 + root, 20 - root, 20 + root], [0, 0, 1, 1], [0.0, 90.0])
    stage = series_means([11.0, 13.0, 15.0, 20.0, 20.0], [0, 0, 0, 1, 1], [0.0, 90.0])
    found = paired_shifts(before, stage, [0.0, 90.0])
    assert found.shift_mm == pytest.approx([3.0, 0.0])
    assert found.u_mm**2 == pytest.approx([1 / 2 + 8 / 9, 1 / 2 + 8 / 6])
    # Welch, 2 and 3 degrees of freedom.
    expected = (1 / 2 + 8 / 9) ** 2 / ((1 / 2) ** 2 / 2 + (8 / 9) ** 2 / 3)
    assert found.dof[0] == pytest.approx(expected)
    assert found.counts.tolist() == [2, 2]


def test_one_direction_is_the_published_equivalence_test() -> None:
    settings = {"margin_mm": 0.5, "scatter_margin": 2.0, "plan": False}
    found = reseat(SLEEP[0], [0] * 10, SLEEP[1], [0] * 10, [0.0], **settings)
    one = found.directions[0]
    assert (0.5 - one.shift_mm) / one.u_mm == pytest.approx(-1.2719484461302535, rel=1e-9)
    assert (-0.5 - one.shift_mm) / one.u_mm == pytest.approx(-2.4496784888434515, rel=1e-9)
    assert found.shifts.dof[0] == pytest.approx(17.776473516178495, rel=1e-9)
    assert 1 - one.beyond_p == pytest.approx(0.8901099612514477, rel=1e-9)
    for risk, shown in ((0.00537, True), (0.00535, False)):
        wide = reseat(
            SLEEP[0], [0] * 10, SLEEP[1], [0] * 10, [0.0], **(settings | {"margin_mm": 4, "risk": risk})
        )
        assert wide.directions[0].within is shown
        assert (wide.verdict == "within the margin") is shown
    oracle = stats.ttest_ind(SLEEP[1], SLEEP[0], equal_var=False).confidence_interval()
    assert (one.interval_mm.lower, one.interval_mm.upper) == pytest.approx((oracle.low, oracle.high))


def test_level_centre_and_shape_are_those_of_statsmodels() -> None:
    truth = 0.001 + 0.002 * np.cos(ANGLE - 1) + 0.001 * np.cos(2 * ANGLE)
    values = [LOBES[TOUCHED] + noise(3), (LOBES + truth)[TOUCHED] + noise(4)]
    frame = pd.DataFrame(
        {"y": np.concatenate(values), "d": np.tile(TOUCHED, 2), "s": np.repeat([0, 1], D * N)}
    )
    frame["c"], frame["k"] = np.cos(ANGLE[frame["d"]]) * frame["s"], np.sin(ANGLE[frame["d"]]) * frame["s"]
    rigid, full = (smf.ols(f"y ~ C(d) + {part}", frame).fit() for part in ("s + c + k", "C(d):s"))
    shifts = paired_shifts(*(series_means(one, TOUCHED, AZIMUTH) for one in values), AZIMUTH)
    found = shift_parts(shifts)
    assert (found.level_mm, *found.centre_mm) == pytest.approx(rigid.params[["s", "c", "k"]].tolist())
    # With the scatter of the full model.
    errors = rigid.bse[["s", "c", "k"]] * np.sqrt(full.scale / rigid.scale)
    assert found.centre_u_mm == pytest.approx(errors[["c", "k"]].tolist())
    statistic = full.compare_f_test(rigid)[0]
    assert found.shape_p == pytest.approx(stats.f.sf(statistic, D - 3, shifts.pooled_dof))
    assert shifts.pooled_dof == pytest.approx(2 * D * (N - 1), rel=0.03)
    # Sum of squares by degree of freedom less its scatter.
    per_touch = ((shifts.shift_mm - found.rigid_mm) ** 2).sum() / (D - 3)
    assert found.shape_rms_mm == pytest.approx(np.sqrt(per_touch - 2 * full.scale / N))


def test_parts_of_exact_shifts_with_uneven_directions_and_touches() -> None:
    azimuth = np.array([0.0, 20.0, 75.0, 130.0, 200.0, 310.0])
    truth = 0.004 - 0.003 * np.sin(np.deg2rad(azimuth))
    touched = np.repeat(np.arange(6), [2, 5, 3, 4, 2, 3])
    found = reseat(noise(5, 19), touched, noise(5, 19) + truth[touched], touched, azimuth, plan=False)
    assert found.parts is not None
    assert (found.parts.level_mm, *found.parts.centre_mm) == pytest.approx((0.004, 0.0, -0.003), abs=1e-12)
    assert found.parts.left_mm == pytest.approx(0.0, abs=1e-12)
    assert found.mean_mm == pytest.approx(truth.mean())


def test_unpaired_directions_are_listed_and_not_covered() -> None:
    touched, later = np.repeat([0, 1, 2, 3, 4], 4), np.repeat([0, 1, 2, 3, 5], 4)
    found = reseat(noise(6, 20), touched, noise(7, 20), later, even_azimuths(6), plan=False)
    assert found.only_baseline_deg == (240.0,)
    assert found.only_stage_deg == (300.0,)
    assert [one.azimuth_deg for one in found.directions] == [0.0, 60.0, 120.0, 180.0]
    assert any("2 direction(s) were not touched in every series" in note for note in found.notes)


def test_steady_drift_is_taken_out_by_a_repeated_baseline() -> None:
    drift, base = 0.004, noise(8)
    found = reseat(
        base, TOUCHED, noise(9) + 0.001 + drift / 2, TOUCHED, AZIMUTH, after_mm=noise(10) + drift,
        after_direction=TOUCHED, plan=False,
    )  # fmt: skip
    plain = reseat(base, TOUCHED, noise(9) + 0.001 + drift / 2, TOUCHED, AZIMUTH, plan=False)
    assert found.parts is not None
    assert plain.parts is not None
    assert found.drift is not None
    assert 0.001 in found.parts.level_interval_mm
    assert 0.001 not in plain.parts.level_interval_mm
    assert drift in found.drift.interval_mm
    assert found.drift.p < 1e-6
    assert any("drift between the series" in note for note in plain.notes)
    assert not any("drift between the series" in note for note in found.notes)
    # Halves of two baselines have half of the variance of one.
    assert found.shifts.u_mm[0] == pytest.approx(plain.shifts.u_mm[0] * np.sqrt(0.75), rel=0.1)


def test_series_without_repeats_borrows_the_scatter() -> None:
    found = reseat(noise(11), TOUCHED, noise(12, D), np.arange(D), AZIMUTH, plan=False)
    sd = series_means(noise(11), TOUCHED, AZIMUTH).sd_mm
    assert found.shifts.u_mm == pytest.approx(sd * np.sqrt(1 / N + 1))
    assert found.shifts.borrowed_scatter
    assert found.scatter is None
    assert "touched twice" in found.scatter_reason


def test_direction_that_scatters_has_an_error_of_its_own() -> None:
    wild = np.where(TOUCHED == 3, 8.0, 1.0)
    found = reseat(noise(13) * wild, TOUCHED, noise(14) * wild, TOUCHED, AZIMUTH, plan=False)
    sums, rest = [], []
    for k in (13, 14):
        spread = pd.DataFrame({"y": noise(k) * wild, "d": TOUCHED}).groupby("d")["y"].var()
        sums.append(spread[3] * (N - 1))
        rest.append(spread.drop(3).mean())
    factor = (sums[0] / rest[0] + sums[1] / rest[1]) / 8
    assert found.shifts.unequal_scatter
    assert found.shifts.u_mm[3] ** 2 == pytest.approx(factor * sum(rest) / N)
    assert np.delete(found.shifts.u_mm, 3) ** 2 == pytest.approx(sum(rest) / N)
    assert found.shifts.dof[3] == 8
    assert found.verdict == "can't tell"


def test_coarse_step_stays_in_the_error_of_a_mean() -> None:
    step = 0.01
    rounded = [np.round(noise(k) / step + 0.3) * step for k in (15, 16)]
    found = reseat(rounded[0], TOUCHED, rounded[1], TOUCHED, AZIMUTH, step_mm=step, plan=False)
    assert found.shifts.u_mm.min() >= step * np.sqrt(2 / 12)
    flat = np.zeros(D * N)
    assert reseat(flat, TOUCHED, flat, TOUCHED, AZIMUTH, step_mm=step, plan=False).verdict == "can't tell"
    with pytest.raises(StatisticsError, match="give their step"):
        reseat(flat, TOUCHED, flat, TOUCHED, AZIMUTH)


def test_alike_neighbours_widen_the_level() -> None:
    rng = np.random.default_rng(17)
    slow = [np.zeros(D * N), np.zeros(D * N)]
    for series in slow:
        for k in range(1, D * N):
            series[k] = 0.8 * series[k - 1] + SD * rng.normal()
    alike = series_means(slow[0], TOUCHED, AZIMUTH), series_means(slow[1], TOUCHED, AZIMUTH)
    shifts = paired_shifts(*alike, AZIMUTH)
    assert alike[0].correlation > 0.5
    half = shift_parts(shifts).level_interval_mm.half_width
    assert half > 2 * 1.98 * alike[0].sd_mm * np.sqrt(2 / (D * N))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"margin_mm": 0.0}, "above 0"),
        ({"risk": 0.5}, "below 0.5"),
        ({"level": 1.0}, "between 0 and 1"),
        ({"scatter_margin": 1.0}, "above 1"),
        ({"after_mm": [0.0]}, "readings and directions"),
        ({"first_touches": 0}, "at least 1 first touch"),
    ],
)
def test_settings_out_of_range_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        held(0 * ONE, **change)


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(StatisticsError, match="each touch needs both"):
        series_means([1.0, 2.0], [0], [0.0])
    with pytest.raises(StatisticsError, match="no finite number"):
        series_means([1.0, np.nan], [0, 0], [0.0])
    with pytest.raises(StatisticsError, match="outside the 1 azimuths"):
        series_means([1.0, 2.0], [0, 1], [0.0])
    one, other = series_means([1.0, 2.0], [0, 0], [0.0, 9.0]), series_means([1.0, 2.0], [1, 1], [0.0, 9.0])
    with pytest.raises(StatisticsError, match="touched in every series"):
        paired_shifts(one, other, [0.0, 9.0])
    with pytest.raises(StatisticsError, match="touched twice in any series"):
        paired_shifts(*[series_means([1.0], [0], [0.0])] * 2, [0.0])


# ---- another clamping


def test_another_clamping_takes_level_and_centre_out() -> None:
    moved = 0.05 + 0.03 * np.cos(ANGLE)
    found = held(moved + 0.01 * np.cos(2 * ANGLE), same_clamping=False)
    plain = held(0.01 * np.cos(2 * ANGLE), same_clamping=False)
    assert [one.shift_mm for one in found.directions] == pytest.approx(
        [one.shift_mm for one in plain.directions]
    )
    assert found.verdict == "beyond the margin"
    assert any("holder and the artefact" in note for note in found.notes)
    assert held(moved, same_clamping=False).verdict == "can't tell"
    assert held(moved, margin_mm=0.012, same_clamping=False).shown_by == "each direction"


def test_another_clamping_leaves_nothing_of_three_directions() -> None:
    touched = round_robin(3, 6)
    found = reseat(noise(1, 18), touched, noise(2, 18), touched, even_azimuths(3), same_clamping=False)
    assert (found.verdict, found.touches_if_none) == ("can't tell", None)
    assert any("more than 3 directions" in note for note in found.notes)
    assert not any(one.within for one in found.directions)
    assert np.isnan([one.shift_mm for one in found.directions]).all()
    assert found.hides_mm == np.inf


def test_direction_that_the_centre_takes_whole_is_not_within() -> None:
    # Two series of touches along x and one direction along y: the last alone carries the centre in y.
    azimuth, touched = np.array([0.0, 0.0, 180.0, 180.0, 270.0]), round_robin(5, 12)
    readings = [noise(k, 60, 1e-4) for k in (62, 63)]
    found = reseat(readings[0], touched, readings[1], touched, azimuth, same_clamping=False)
    assert [one.within for one in found.directions] == [True, True, True, True, False]
    assert (found.verdict, found.directions[4].u_mm) == ("can't tell", np.inf)


# ---- length of a centre shift


@pytest.mark.parametrize(("length", "dof"), [(0.5, 20.0), (2.0, 12.0), (5.0, 1e7)])
def test_limits_of_a_length_are_those_of_the_rice_distribution(length: float, dof: float) -> None:
    found = length_interval((0.6 * length, 0.8 * length), np.eye(2), dof, 0.9)

    def below(limit: float) -> float:
        """Averaged over the scatter by numerical integration."""
        if dof > 1e6:
            return float(stats.rice.cdf(length, limit))

        def part(x: float) -> float:
            root = np.sqrt(x / dof)
            return float(stats.chi2.pdf(x, dof) * stats.rice.cdf(length * root, limit * root))

        return float(integrate.quad(part, 0.0, 8 * dof)[0])

    for limit, chance in ((found.lower, 0.95), (found.upper, 0.05)):
        if limit not in (0.0, pytest.approx(stats.t.isf(0.05, dof))):
            assert below(limit) == pytest.approx(chance, abs=1e-4)
    assert (found.lower == 0.0) == (stats.f.sf(length**2 / 2, 2, dof) > 0.05)


@pytest.mark.simulation
@pytest.mark.parametrize("length", [1.0, 2.0, 4.0])
def test_limits_of_a_length_cover_it(length: float) -> None:
    rng, trials, dof = np.random.default_rng(61), 200, 20
    pairs = rng.normal((length, 0.0), 1.0, (trials, 2))
    variances = rng.chisquare(dof, trials) / dof
    limits = [
        length_interval((float(x), float(y)), v * np.eye(2), dof)
        for (x, y), v in zip(pairs, variances, strict=True)
    ]
    assert_share_at_least(sum(length in one for one in limits), trials, 0.95)


def test_length_far_from_none_is_a_single_component() -> None:
    for size in (29.999, 30.001):
        found = length_interval((size, 0.0), np.eye(2), 20)
        oracle = stats.t.interval(0.95, 20, size)
        assert (found.lower, found.upper) == pytest.approx(oracle, abs=0.05)


def test_length_of_none_has_the_limit_of_one_component() -> None:
    found = length_interval((0.0, 0.0), 4 * np.eye(2), 30)
    assert (found.lower, found.upper) == pytest.approx((0.0, 2 * stats.t.isf(0.025, 30)))


# ---- scatter and variation


def test_change_of_scatter_is_the_f_test() -> None:
    before, stage = (series_means(noise(k, sd=sd), TOUCHED, AZIMUTH) for k, sd in ((20, SD), (21, 0.004)))
    assert (before.correlation, stage.correlation) == (0.0, 0.0)
    found = spread_change(before, stage)
    square = (stage.sd_mm / before.sd_mm) ** 2
    assert found.p == pytest.approx(2 * stats.f.sf(square, 96, 96))
    assert found.interval.lower == pytest.approx(np.sqrt(square / stats.f.isf(0.025, 96, 96)))
    assert found.verdict == "larger"
    sides = [(part.sd_mm, sd_interval(part.sd_mm, 96)) for part in (stage, before)]
    agreement = compare_sds("sd", "Scatter", *sides, 120, 0.001, of=OWN)
    ends = [
        1 + end / before.sd_mm
        for end in (agreement.difference_interval.lower, agreement.difference_interval.upper)
    ]
    assert (found.interval.lower, found.interval.upper) == pytest.approx(ends, rel=0.01)


def test_scatter_is_alike_only_where_both_limits_keep_the_margin() -> None:
    before, stage = (series_means(noise(k), TOUCHED, AZIMUTH) for k in (22, 23))
    edge = np.sqrt(stats.f.isf(0.05, 96, 96))
    widest = max(stage.sd_mm / before.sd_mm, before.sd_mm / stage.sd_mm) * edge
    assert spread_change(before, stage, margin=1.001 * widest).verdict == "alike"
    assert spread_change(before, stage, margin=0.999 * widest).verdict == "can't tell"


def test_heavy_tails_cost_degrees_of_freedom() -> None:
    rng = np.random.default_rng(24)
    before, stage = (series_means(rng.standard_t(3, D * N), TOUCHED, AZIMUTH) for _ in range(2))
    found = spread_change(before, stage)
    assert found.heavy_tails
    assert found.stage_dof < 60


def test_change_of_variation_does_not_take_a_moved_centre_for_one() -> None:
    before = series_means(LOBES[TOUCHED] + noise(25), TOUCHED, AZIMUTH)
    results = []
    for truth in (0 * ONE, 0.1 + 0.2 * np.cos(ANGLE)):
        stage = series_means((LOBES + truth)[TOUCHED] + noise(26), TOUCHED, AZIMUTH)
        results.append(variation_change(before.mean_mm, stage.mean_mm, paired_shifts(before, stage, AZIMUTH)))
    assert results[0].change_mm == pytest.approx(results[1].change_mm, abs=1e-12)
    assert 0.0 in results[0].interval_mm
    grown = series_means(2 * LOBES[TOUCHED] + noise(26), TOUCHED, AZIMUTH)
    larger = variation_change(before.mean_mm, grown.mean_mm, paired_shifts(before, grown, AZIMUTH))
    assert 0.010 in larger.interval_mm
    assert larger.interval_mm.lower > 0
    with pytest.raises(StatisticsError, match="at least 5 directions"):
        variation_change(np.zeros(4), np.zeros(4), paired_shifts(*[_short(4)] * 2, even_azimuths(4)))


def _short(directions: int):  # type: ignore[no-untyped-def]
    return series_means(noise(27, 3 * directions), round_robin(directions, 3), even_azimuths(directions))


# ---- settling


def test_settling_by_hand() -> None:
    rng = np.random.default_rng(28)
    order = np.concatenate([rng.permutation(D) for _ in range(N)])
    late = np.isin(np.arange(D * N), np.arange(D))
    quiet = 1e-6 * rng.normal(size=D * N)
    found = settling(series_means(quiet + 0.01 * late + 1e-5 * np.arange(D * N), order, AZIMUTH), AZIMUTH)
    assert found.first_of_each is not None
    assert found.first_of_each.shift_mm == pytest.approx(0.01, rel=1e-3)
    assert found.first_of_each.touches == D
    assert found.settles
    drifting = settling(series_means(quiet + 1e-5 * np.arange(D * N), order, AZIMUTH), AZIMUTH)
    assert drifting.settles is False
    early = settling(series_means(noise(29) + 0.02 * (np.arange(D * N) < 5), order, AZIMUTH), AZIMUTH)
    assert early.first_touches is not None
    assert 0.02 in early.first_touches.interval_mm
    assert early.settles


def test_settling_is_the_f_test_of_statsmodels() -> None:
    order = np.random.default_rng(30).permutation(TOUCHED)
    stage = series_means(noise(31), order, AZIMUTH)
    found = settling(stage, AZIMUTH, first=6).first_touches
    frame = pd.DataFrame(
        {"y": stage.residual_mm, "d": order, "t": np.arange(D * N), "m": np.arange(D * N) < 6}
    )
    frame["m"] = frame["m"].astype(float)
    frame["c"], frame["k"] = np.cos(ANGLE[order]) * frame["m"], np.sin(ANGLE[order]) * frame["m"]
    small, full = (smf.ols(f"y ~ C(d) + t{part}", frame).fit() for part in ("", " + m + c + k"))
    assert found is not None
    assert found.p == pytest.approx(full.compare_f_test(small)[1], rel=1e-6)
    weights = np.array([1.0, *frame.loc[frame["m"] == 1, ["c", "k"]].mean()])
    contrast = full.t_test(np.concatenate([np.zeros(len(full.params) - 3), weights]))
    assert found.shift_mm == pytest.approx(contrast.effect[0], rel=1e-6)
    assert found.u_mm == pytest.approx(contrast.sd[0, 0], rel=1e-6)


def test_settling_of_single_touches_can_not_be_told() -> None:
    found = settling(series_means(noise(32, D), np.arange(D), AZIMUTH), AZIMUTH)
    assert (found.first_of_each, found.first_touches, found.settles) == (None, None, None)


# ---- overtravel


def test_overtravel_displacement_is_found_exactly() -> None:
    rng = np.random.default_rng(33)
    stage = round_robin(D, 4)
    overtravel = rng.choice([0.0, 90.0, 180.0, 270.0], len(stage))
    apart = np.deg2rad(overtravel - AZIMUTH[stage])
    reading = (LOBES + 0.002 * np.sin(5 * ANGLE))[stage] + 0.003 * np.cos(apart) - 0.001 * np.sin(apart)
    found = overtravel_effect(LOBES[TOUCHED], TOUCHED, reading, stage, AZIMUTH, overtravel)
    assert found.effect is not None
    assert (found.effect.along_mm, found.effect.across_mm) == pytest.approx((0.003, -0.001), abs=1e-12)
    assert found.beside == "free directions"


def test_overtravel_is_the_regression_of_statsmodels() -> None:
    rng = np.random.default_rng(34)
    stage, overtravel = np.tile(np.arange(D), 2), np.tile(rng.choice([0.0, 120.0, 240.0], D), 2)
    reading = noise(35, 2 * D)
    found = overtravel_effect(noise(36), TOUCHED, reading, stage, AZIMUTH, overtravel)
    index = np.concatenate([TOUCHED, stage])
    mark = np.repeat([0.0, 1.0], [D * N, 2 * D])
    apart = np.deg2rad(np.concatenate([np.zeros(D * N), overtravel]) - AZIMUTH[index])
    frame = pd.DataFrame(
        {"y": np.concatenate([noise(36), reading]), "d": index, "s": mark, "c": mark * np.cos(ANGLE[index]),
         "k": mark * np.sin(ANGLE[index]), "h": mark * np.cos(apart), "g": mark * np.sin(apart)}
    )  # fmt: skip
    oracle = smf.ols("y ~ C(d) + s + c + k + h + g", frame).fit()
    effect = found.effect
    assert found.beside == "level and centre"
    assert effect is not None
    assert (effect.along_mm, effect.across_mm) == pytest.approx(oracle.params[["h", "g"]].tolist())
    assert (effect.along_u_mm, effect.across_u_mm) == pytest.approx(oracle.bse[["h", "g"]].tolist())
    assert effect.p == pytest.approx(float(oracle.f_test("h = 0, g = 0").pvalue))


@pytest.mark.parametrize("overtravel", [np.full(D * N, 30.0), AZIMUTH[TOUCHED], np.full(D * N, np.nan)])
def test_overtravels_that_can_not_be_told_apart_give_a_reason(overtravel: np.ndarray) -> None:
    found = overtravel_effect(noise(37), TOUCHED, noise(38), TOUCHED, AZIMUTH, overtravel)
    assert found.effect is None
    assert "overtravel" in found.reason
    assert found.touches + found.unknown == D * N


def test_one_probing_touch_may_put_the_seat_right() -> None:
    rng = np.random.default_rng(39)
    overtravel = np.repeat(rng.choice([0.0, 90.0, 180.0, 270.0], D * N // 2), 2)
    since = np.tile([1, 2], D * N // 2)
    stage = rng.permutation(TOUCHED)
    reading = noise(40) + 0.004 * np.cos(np.deg2rad(overtravel) - ANGLE[stage]) * (since == 1)
    found = overtravel_effect(noise(41), TOUCHED, reading, stage, AZIMUTH, overtravel, since=since)
    assert found.first is not None
    assert found.later is not None
    assert 0.004 in found.first.along_interval_mm
    assert 0.0 in found.later.along_interval_mm
    assert found.first.p < 1e-6 < found.later.p
    with pytest.raises(StatisticsError, match="each of the stage an overtravel"):
        overtravel_effect([0.0], [0], [0.0], [0], [0.0], [0.0, 1.0])


@pytest.mark.simulation
def test_overtravel_at_the_margin_is_covered_and_rarely_called_none() -> None:
    rng, trials = np.random.default_rng(42), 60
    covered = missed = 0
    for _ in range(trials):
        stage, overtravel = rng.permutation(TOUCHED), rng.choice([0.0, 90.0, 180.0, 270.0], D * N)
        reading = SD * rng.normal(size=D * N) + 0.001 * np.cos(np.deg2rad(overtravel) - ANGLE[stage])
        before = SD * rng.normal(size=D * N)
        effect = overtravel_effect(before, TOUCHED, reading, stage, AZIMUTH, overtravel).effect
        assert effect is not None
        covered += 0.001 in effect.along_interval_mm
        missed += effect.largest_upper_mm < 0.001
    assert_share_at_least(covered, trials, 0.95)
    assert_share_at_most(missed, trials, 0.05)


# ---- verdicts with known truth


def judge(touches: int = N, *, only_shape: bool = False, risk: float = 0.05) -> Judge:
    dof = 2 * D * (touches - 1)
    covariance = 2 * SD**2 / touches * np.eye(D)
    return Judge(AZIMUTH, covariance, np.full(D, dof), dof, MARGIN, risk, only_shape=only_shape)


TRIALS = 4000


def judged(truth: np.ndarray, seed: int, touches: int = N, *, only_shape: bool = False):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    dof = 2 * D * (touches - 1)
    shifts = truth + SD * np.sqrt(2 / touches) * rng.standard_normal((TRIALS, D))
    scale = np.sqrt(rng.chisquare(dof, TRIALS) / dof)
    return judge(touches, only_shape=only_shape).judge(shifts, scale)


def arm(gain: float, start_deg: float) -> np.ndarray:
    """Change of pre-travel where one of three arms opens early or late; the largest is 1."""

    def curve(first: float) -> np.ndarray:
        arms = np.cos(ANGLE[:, None] - np.deg2rad(start_deg + np.array([0.0, 120.0, 240.0])))
        return np.where(arms > 1e-6, np.array([first, 1, 1]) / np.maximum(arms, 1e-6), np.inf).min(axis=1)

    change = curve(gain) - curve(1.0)
    return change / np.abs(change).max()


AT_MARGIN = {
    "level": ONE,
    "centre": np.cos(ANGLE),
    "level and centre": 0.5 + 0.5 * np.cos(ANGLE),
    "early arm": arm(0.8, 0.0),
    "late arm": arm(1.2, 7.0),
    "two lobes": np.cos(2 * ANGLE),
    "three lobes": np.cos(3 * ANGLE),
}


@pytest.mark.simulation
@pytest.mark.parametrize("name", AT_MARGIN)
@pytest.mark.parametrize("touches", [5, 10, 40])
def test_shift_at_the_margin_is_rarely_called_within_or_beyond(name: str, touches: int) -> None:
    found = judged(MARGIN * AT_MARGIN[name], 50, touches)
    assert_share_at_most(int(found.shown.sum()), TRIALS, 0.05)
    assert_share_at_most(int(found.beyond.sum()), TRIALS, 0.05)


@pytest.mark.simulation
def test_single_direction_at_the_margin_is_held_by_its_own_tests_only() -> None:
    truth = MARGIN * (np.arange(D) == 5)
    many = judged(truth, 51, 40)
    assert_share_at_most(int(many.each_shown.sum()), TRIALS, 0.05)
    assert_share_at_most(int(many.beyond.sum()), TRIALS, 0.05)
    # What the rigid seat presumes: five touches do not see one direction that moved alone.
    assert 0.5 < judged(truth, 52).rigid_shown.mean() < 0.7


@pytest.mark.simulation
def test_power_at_24_directions_and_5_touches() -> None:
    seated = judged(0 * ONE, 53)
    assert_share_at_least(int(seated.rigid_shown.sum()), TRIALS, 0.80)
    assert not seated.each_shown.any()
    assert not seated.beyond.any()
    chances = [judged(level * ONE, 54).beyond.mean() for level in (0.0035, 0.004, 0.005)]
    assert chances == sorted(chances)
    assert chances[1] > 0.75
    assert chances[2] > 0.99


@pytest.mark.simulation
def test_shape_at_the_margin_after_another_clamping() -> None:
    for touches in (5, 20):
        found = judged(MARGIN * np.cos(2 * ANGLE), 55, touches, only_shape=True)
        assert_share_at_most(int(found.shown.sum()), TRIALS, 0.05)
        assert_share_at_most(int(found.beyond.sum()), TRIALS, 0.05)
    assert judged(0 * ONE, 56, 20, only_shape=True).shown.mean() > 0.9


@pytest.mark.simulation
@pytest.mark.parametrize(("level", "only_shape"), [(0.0, False), (0.001, False), (0.0, True)])
def test_so_many_touches_decide_nine_times_of_ten(level: float, only_shape: bool) -> None:
    needed = touches_to_decide(AZIMUTH, level * ONE, 2 * SD**2, 2 * D, MARGIN, 0.05, only_shape=only_shape)
    assert needed is not None

    def share(touches: int) -> float:
        found = judged(level * ONE, 57, touches, only_shape=only_shape)
        return float((found.shown | found.beyond).mean())

    assert share(needed) > 0.86
    assert share(needed - 1) < 0.93


def test_shift_at_the_margin_is_decided_by_no_number_of_touches() -> None:
    assert touches_to_decide(AZIMUTH, MARGIN * ONE, 2 * SD**2, 2 * D, MARGIN, 0.05, only_shape=False) is None


@pytest.mark.simulation
def test_whole_analysis_covers_the_truth() -> None:
    trials, truth = 60, 0.001 + 0.001 * np.cos(ANGLE) + 0.0015 * np.cos(3 * ANGLE)
    inside, hits = 0, dict.fromkeys(("level", "centre", "shape", "variation", "scatter", "quiet"), 0)
    rms = float(np.sqrt(0.0015**2 * D / 2 / (D - 3)))
    for seed in range(trials):
        found = held(truth, 100 + seed, plan=False)
        assert found.parts is not None
        assert found.variation is not None
        assert found.scatter is not None
        inside += sum(t in one.interval_mm for t, one in zip(truth, found.directions, strict=True))
        hits["level"] += 0.001 in found.parts.level_interval_mm
        hits["centre"] += 0.001 in found.parts.centre_length_interval_mm
        hits["shape"] += rms in found.parts.shape_interval_mm
        hits["variation"] += 0.003 in found.variation.interval_mm
        hits["scatter"] += 1.0 in found.scatter.interval
        hits["quiet"] += not found.settling.settles
        assert found.verdict != "within the margin"
    assert 0.93 < inside / (trials * D) < 0.97
    for name in hits:
        assert_share_at_least(hits[name], trials, 0.95)


def test_open_verdict_says_what_would_decide() -> None:
    found = held(0.0015 * ONE)
    assert found.verdict == "can't tell"
    assert found.touches_if_none is not None
    assert found.touches_if_as_seen is not None
    assert found.touches_if_none < found.touches_if_as_seen
    assert found.hides_mm > MARGIN


def test_seat_that_did_not_move_is_shown_to_be_within() -> None:
    found = held(0 * ONE, seed=60)
    assert (found.verdict, found.shown_by) == ("within the margin", "rigid seat")
    assert any("not in one direction alone" in note for note in found.notes)
    assert (found.touches_if_none, found.touches_if_as_seen) == (None, None)


def test_direction_beyond_the_margin_is_named() -> None:
    found = held(0.02 * (np.arange(D) == 7))
    assert found.verdict == "beyond the margin"
    assert [one.azimuth_deg for one in found.directions if one.beyond_p < 0.05] == [105.0]


def test_limits_of_one_direction_meet_the_margin_at_the_risk() -> None:
    # The shift at which the verdict of a single direction turns, against Student t.
    u, dof = SD * np.sqrt(2 / N), 192
    alone = Judge(np.zeros(1), np.array([[u**2]]), np.array([dof]), dof, MARGIN, 0.05, only_shape=False)

    def turn(name: str, low: float, high: float) -> float:
        return float(
            optimize.bisect(lambda x: float(getattr(alone.judge(np.array([[x]])), name)[0]) - 0.5, low, high)
        )

    assert turn("each_shown", 0.0, MARGIN) == pytest.approx(MARGIN - stats.t.isf(0.05, dof) * u)
    assert turn("beyond", MARGIN, 0.02) == pytest.approx(MARGIN + stats.t.isf(0.05 / 3, dof) * u)
