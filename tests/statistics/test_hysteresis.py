"""Effect of the touch before: exact answers, regression beside it, orders that hide it, known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from simulated import (
    assert_share_at_least,
    assert_share_at_most,
    block_by_block,
    even_azimuths,
    round_robin,
)
from statsmodels.regression.linear_model import GLS

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.hysteresis import Hysteresis, hysteresis
from probetest.statistics.neighbours import direction_columns
from probetest.statistics.reseat_directed import (
    difference_columns,
    directed_effect,
    seen_shares,
    without_columns,
)

D, N, SD = 24, 5, 0.002
AZIMUTH = even_azimuths(D)
ANGLE = np.deg2rad(AZIMUTH)
LOBES = 0.005 * np.cos(3 * ANGLE)
TOUCHES = D * N


def order_of(name: str, rng: np.random.Generator) -> np.ndarray:
    if name == "random":
        return rng.permutation(round_robin(D, N))
    if name == "rounds":
        return np.concatenate([rng.permutation(D) for _ in range(N)])
    if name == "fixed":
        return np.tile(rng.permutation(D), N)
    if name == "on the spot":
        return np.repeat(rng.permutation(D), N)
    return round_robin(D, N) if name == "round the clock" else block_by_block(D, N)


def series(
    rng: np.random.Generator, order: np.ndarray, along: float, across: float = 0.0, correlation: float = 0.0
) -> np.ndarray:
    """Readings with hysteresis, lobes and a drift; scatter with a first-order correlation."""
    fresh = rng.standard_normal(TOUCHES)
    scatter = fresh.copy()
    for k in range(1, TOUCHES):
        scatter[k] = correlation * scatter[k - 1] + np.sqrt(1 - correlation**2) * fresh[k]
    apart = np.concatenate([[0.0], ANGLE[order[:-1]] - ANGLE[order[1:]]])
    clean = LOBES[order] + 2e-6 * np.arange(TOUCHES) + along * np.cos(apart) + across * np.sin(apart)
    return np.asarray(clean + SD * scatter)


def found(name: str, seed: int, along: float = 0.0, **settings: object) -> Hysteresis:
    rng = np.random.default_rng(seed)
    order = order_of(name, rng)
    return hysteresis(series(rng, order, along), order, AZIMUTH, **settings)  # type: ignore[arg-type]


# ---- known answers


def test_effect_drift_and_lobes_are_told_apart_exactly() -> None:
    rng = np.random.default_rng(1)
    order = order_of("random", rng)
    clean = series(rng, order, 0.003, -0.001) - SD * 0
    rng = np.random.default_rng(1)
    order_of("random", rng)
    clean = clean - SD * rng.standard_normal(TOUCHES)
    result = hysteresis(clean, order, AZIMUTH)
    assert result.effect is not None
    assert (result.effect.along_mm, result.effect.across_mm) == pytest.approx((0.003, -0.001), abs=1e-10)
    assert result.effect.largest_mm == pytest.approx(np.hypot(0.003, 0.001), abs=1e-10)
    assert result.drift_per_touch_mm == pytest.approx(2e-6, abs=1e-12)
    assert (result.used, result.without_previous) == (TOUCHES - 1, 1)
    assert result.verdict == "beyond the margin"


def test_displacement_of_the_seat_is_a_cosine_along_the_touch() -> None:
    # A seat that stays displaced by d along the touch before: d . u of the touch at hand.
    before, own = np.array([0.0, 90.0, 200.0]), np.array([30.0, 90.0, 20.0])
    along = (unit_vectors(before) * unit_vectors(own)).sum(axis=1)
    assert difference_columns(own, before)[:, 0] == pytest.approx(along)


def test_least_squares_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(2)
    order = order_of("rounds", rng)
    reading = series(rng, order, 0.0007, 0.0003)
    result = hysteresis(reading, order, AZIMUTH)
    apart = ANGLE[order[:-1]] - ANGLE[order[1:]]
    frame = pd.DataFrame(
        {"y": reading[1:], "d": order[1:], "p": order[:-1], "t": np.arange(TOUCHES - 1),
         "h": np.cos(apart), "g": np.sin(apart), "k": (order[:-1] - order[1:]) % D}
    )  # fmt: skip
    oracle = smf.ols("y ~ C(d) + t + h + g", frame).fit()
    effect = result.effect
    assert effect is not None
    assert effect.correlation == 0.0
    assert (effect.along_mm, effect.across_mm) == pytest.approx(oracle.params[["h", "g"]].tolist())
    assert (effect.along_u_mm, effect.across_u_mm) == pytest.approx(oracle.bse[["h", "g"]].tolist())
    limits = oracle.conf_int().loc["h"]
    assert (effect.along_interval_mm.lower, effect.along_interval_mm.upper) == pytest.approx(limits.tolist())
    assert effect.p == pytest.approx(float(oracle.f_test("h = 0, g = 0").pvalue))
    assert effect.sd_mm == pytest.approx(np.sqrt(oracle.scale))
    assert effect.dof == oracle.df_resid
    assert result.drift_per_touch_mm == pytest.approx(oracle.params["t"])
    small = smf.ols("y ~ C(d) + t", frame).fit()
    for name, p in (("k", result.by_difference_p), ("p", result.by_previous_p)):
        assert p == pytest.approx(smf.ols(f"y ~ C(d) + t + C({name})", frame).fit().compare_f_test(small)[1])
    assert result.differences == frame["k"].nunique()


def test_alike_neighbours_are_weighed_as_by_statsmodels() -> None:
    rng = np.random.default_rng(12)
    order = order_of("random", rng)
    reading = series(rng, order, 0.001, correlation=0.5)
    effect = hysteresis(reading, order, AZIMUTH).effect
    assert effect is not None
    assert 0.2 < effect.correlation < 0.8
    place = np.arange(TOUCHES - 1)
    shape = difference_columns(AZIMUTH[order[1:]], AZIMUTH[order[:-1]])
    design = np.column_stack([shape, np.eye(D)[order[1:]], place])
    sigma = effect.correlation ** np.abs(np.subtract.outer(place, place))
    oracle = GLS(reading[1:], design, sigma=sigma).fit()
    assert (effect.along_mm, effect.across_mm) == pytest.approx(oracle.params[:2].tolist())
    assert (effect.along_u_mm, effect.across_u_mm) == pytest.approx(oracle.bse[:2].tolist())
    assert effect.sd_mm == pytest.approx(np.sqrt(oracle.scale))


# ---- what the order hides


@pytest.mark.parametrize("name", ["round the clock", "fixed"])
def test_order_in_which_each_follows_the_same_one_tells_nothing(name: str) -> None:
    # The first touch of the test has none before it; each other has always the same one.
    result = found(name, 3, 0.01)
    assert (result.effect, result.verdict) == (None, "can't tell")
    assert "every direction always followed the same other one; randomise" in result.reason
    assert result.by_difference_p is None
    assert (result.differences == 1) is (name == "round the clock")


def test_repeats_on_the_spot_tell_less_than_a_random_order() -> None:
    spot, mixed = found("on the spot", 4), found("random", 4)
    assert spot.effect is not None
    assert mixed.effect is not None
    assert spot.effect.along_u_mm > 1.3 * mixed.effect.along_u_mm
    assert 2 < spot.differences < mixed.differences + 1


def test_blocks_beside_one_another_tell_nothing() -> None:
    # The touch before came from the same direction or from one 15 deg beside it: cos 1 or 0.97.
    result = found("block by block", 4)
    assert (result.effect, result.differences) == (None, 2)
    assert "differ too little in direction" in result.reason


def test_touch_to_and_fro_tells_the_part_along_only() -> None:
    # Either on the spot or from the opposite side: sin(180 deg) = 0.
    rng = np.random.default_rng(5)
    order = rng.choice([0, 12], TOUCHES)
    reading = SD * rng.normal(size=TOUCHES)
    result = hysteresis(reading, order, AZIMUTH)
    assert result.effect is not None
    assert result.effect.seen[0] > 0.5
    assert result.effect.seen[1] == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(result.effect.across_mm)
    assert (result.verdict, result.effect.largest_upper_mm) == ("can't tell", np.inf)
    assert "only one part" in result.reason
    assert result.differences == 2
    apart = np.concatenate([[0.0], np.where(order[1:] == order[:-1], 1.0, -1.0)])
    assert hysteresis(reading + 0.02 * apart, order, AZIMUTH).verdict == "beyond the margin"


def test_touches_after_a_miss_are_left_out_and_counted() -> None:
    rng = np.random.default_rng(6)
    order = order_of("random", rng)
    reading = series(rng, order, 0.0)
    before = np.concatenate([[-1], order[:-1]])
    before[[20, 60, 61]] = -1
    result = hysteresis(reading, order, AZIMUTH, previous=before)
    assert (result.used, result.without_previous) == (TOUCHES - 4, 4)
    wild = reading.copy()
    wild[[0, 20, 60, 61]] += 1.0
    again = hysteresis(wild, order, AZIMUTH, previous=before)
    assert again == result


def test_too_few_touches_give_a_reason() -> None:
    result = hysteresis([0.0, 1.0, 2.0, 3.0], [0, 1, 1, 0], [0.0, 90.0])
    assert result.effect is None
    assert "too few" in result.reason
    assert hysteresis([], [], AZIMUTH).without_previous == 0


def test_shares_of_what_is_seen() -> None:
    rest = np.ones((4, 1))
    shape = np.array([[1.0, 0.0], [-1.0, 0.0], [1.0, 0.0], [-1.0, 0.0]])
    assert seen_shares(shape, rest) == pytest.approx((1.0, 0.0))
    # Two columns that are one beside the rest.
    assert seen_shares(np.column_stack([shape[:, 0], 3 + shape[:, 0]]), rest) == pytest.approx((1.0, 0.0))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([1.0, 2.0], [0], [0.0]), "each touch needs both"),
        (([1.0, np.nan], [0, 0], [0.0]), "no finite number"),
        (([1.0, 2.0], [0, 3], [0.0]), "outside the 1 azimuths"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(arguments: tuple[object, ...], words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        hysteresis(*arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"margin_mm": 0.0}, "above 0"),
        ({"risk": 0.6}, "below 0.5"),
        ({"level": 0.0}, "between 0 and 1"),
        ({"previous": [0]}, "index of the direction before"),
        ({"previous": np.full(TOUCHES, D)}, "index of the direction before"),
    ],
)
def test_settings_out_of_range_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        found("random", 7, **change)


def test_directed_effect_that_can_not_be_told_is_refused() -> None:
    with pytest.raises(StatisticsError, match="beside the rest"):
        directed_effect(np.arange(9.0), np.ones((9, 1)), np.ones((9, 2)))
    shape = difference_columns(np.zeros(5), np.arange(5) * 50.0)
    with pytest.raises(StatisticsError, match="too few touches"):
        directed_effect(np.arange(5.0), np.ones((5, 1)), shape)


# ---- verdict


def test_verdict_follows_the_limits() -> None:
    base = found("random", 8, 0.001)
    assert base.effect is not None
    lower, upper = base.effect.largest_lower_mm, base.effect.largest_upper_mm
    assert found("random", 8, 0.001, margin_mm=1.001 * upper).verdict == "none beyond the margin"
    assert found("random", 8, 0.001, margin_mm=0.999 * upper).verdict == "can't tell"
    assert found("random", 8, 0.001, margin_mm=1.001 * lower).verdict == "can't tell"
    assert found("random", 8, 0.001, margin_mm=0.999 * lower).verdict == "beyond the margin"
    assert lower < base.effect.largest_mm < upper
    assert f"up to {upper:.4f} mm is possible" in found("random", 8, 0.001, margin_mm=0.999 * upper).reason


# ---- known truth


TRIALS = 200


@pytest.mark.simulation
def test_effect_at_the_margin_is_covered_and_rarely_misjudged() -> None:
    rng = np.random.default_rng(9)
    order = order_of("random", rng)
    shape = difference_columns(AZIMUTH[order[1:]], AZIMUTH[order[:-1]])
    place = np.arange(TOUCHES - 1.0)
    rest = np.column_stack([direction_columns(order[1:]), place - place.mean()])
    truth = np.array([0.0008, -0.0006])
    hits = np.zeros(5, dtype=int)
    for _ in range(TRIALS):
        one = directed_effect(shape @ truth + SD * rng.normal(size=TOUCHES - 1), rest, shape)
        hits += [
            truth[0] in one.along_interval_mm,
            truth[1] in one.across_interval_mm,
            0.001 in one.largest_interval_mm,
            one.largest_upper_mm < 0.001,
            one.largest_lower_mm > 0.001,
        ]
    for count in hits[:3]:
        assert_share_at_least(int(count), TRIALS, 0.95)
    for count in hits[3:]:
        assert_share_at_most(int(count), TRIALS, 0.05)


@pytest.mark.simulation
def test_alike_neighbours_do_not_pass_for_hysteresis() -> None:
    rng, trials = np.random.default_rng(10), 25
    for name in ("random", "on the spot", "round the clock", "fixed"):
        alarms = covered = 0
        for _ in range(trials):
            order = order_of(name, rng)
            result = hysteresis(series(rng, order, 0.0, correlation=0.5), order, AZIMUTH)
            if result.effect is None:
                assert name in ("round the clock", "fixed")
                assert result.verdict == "can't tell"
                continue
            alarms += result.effect.p < 0.05
            covered += 0.0 in result.effect.along_interval_mm
            assert result.verdict != "beyond the margin"
        assert_share_at_most(alarms, trials, 0.05)
        if name in ("random", "on the spot"):
            assert_share_at_least(covered, trials, 0.95)


@pytest.mark.simulation
def test_general_test_of_no_effect_has_its_risk_and_power_rises() -> None:
    trials = 24
    chances = []
    for along in (0.0, 0.001, 0.002):
        results = [found("random", 1000 + seed, along) for seed in range(trials)]
        chances.append([sum((p or 0.0) < 0.05 for p in (one.by_difference_p for one in results)),
                        sum(one.effect is not None and one.effect.p < 0.05 for one in results)])  # fmt: skip
    assert_share_at_most(chances[0][0], trials, 0.05)
    assert_share_at_most(chances[0][1], trials, 0.05)
    # Two numbers are seen sooner than one for each difference.
    assert chances[0][1] < chances[1][1] <= chances[2][1] == trials
    assert chances[1][0] < chances[1][1]
    assert chances[2][0] > 0.8 * trials


def test_columns_taken_out_leave_what_is_square_to_them() -> None:
    rng = np.random.default_rng(11)
    columns, values = rng.normal(size=(20, 4)), rng.normal(size=20)
    left = without_columns(values, np.column_stack([columns, columns[:, 0]]))
    assert columns.T @ left == pytest.approx(np.zeros(4), abs=1e-12)
    assert left == pytest.approx(values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0])
