"""Variation in parts: tried shapes, waves beside them, shares that are kept, limits of a small variation."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate, stats
from simulated import even_azimuths, without_centre

from probetest.errors import StatisticsError
from probetest.statistics import variation
from probetest.statistics.intervals import t_factor
from probetest.statistics.lobing import harmonic_design
from probetest.statistics.seat import seat_shape
from probetest.statistics.variation import (
    EARLY_GAIN,
    MOST_DIRECTIONS,
    PAIR_RATIOS,
    SMALL,
    _Design,
    _design,
    _difference_u,
    _estimate,
    _keep,
    _orthonormal,
    _random_curve,
    _small_tests,
    _smooth,
    _Smoothed,
    pretravel_variation,
)

UNEVEN = np.array([0, 10, 25, 50, 70, 95, 130, 150, 170, 200, 215, 240, 275, 290, 310, 345], dtype=float)
UNEVEN_COUNTS = np.array([4, 9, 2, 12, 5, 7, 3, 10, 6, 2, 11, 8, 4, 5, 9, 3], dtype=float)

MIRRORED = np.array([20.0, 100.0, 140.0, 220.0, 260.0, 340.0])
"""Symmetric about the arms of a seat with an arm at 0: it answers all of them with the same value."""


def made_design(azimuth_deg: np.ndarray, counts: np.ndarray | None = None) -> _Design:
    weights = np.ones(len(azimuth_deg)) if counts is None else counts
    return _design(tuple(azimuth_deg), tuple(weights / weights.mean()))


def uneven_design() -> _Design:
    return made_design(UNEVEN, UNEVEN_COUNTS)


def plain_design(size: int) -> _Design:
    """No nuisance, a shape that is never found, waves beside it only in the first direction."""
    return _Design(
        even_azimuths(size), np.ones(size), np.zeros((size, 3)), np.zeros((6, size)), (np.eye(size)[:, :1],)
    )


def centred_by_wls(values: np.ndarray, azimuth_deg: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Residuals of constant and centre, weighted by the touches."""
    return np.asarray(sm.WLS(values, harmonic_design(azimuth_deg, 1), weights=counts).fit().resid)


def outside(basis: np.ndarray, vector: np.ndarray) -> float:
    """Part of a vector, relative to its length, that an orthonormal basis does not reach."""
    return float(np.linalg.norm(vector - basis @ (basis.T @ vector)) / np.linalg.norm(vector))


# ---- what goes in


@pytest.mark.parametrize("single", ["means", "azimuths", "counts"])
def test_numbers_of_single_precision_are_computed_with_in_double(single: str) -> None:
    rng = np.random.default_rng(71)
    values = {
        "means": 0.1 + 0.01 * rng.normal(size=8),
        "azimuths": even_azimuths(8, 0.1),
        "counts": np.array([4.0, 7.0, 5.0, 6.0, 3.0, 9.0, 8.0, 5.0]) / 3,
    }
    values[single] = values[single].astype(np.float32)
    double = {name: value.astype(float) for name, value in values.items()}
    assert pretravel_variation(*values.values(), 0.002, 39) == pretravel_variation(
        *double.values(), 0.002, 39
    )


@pytest.mark.parametrize("text", ["means", "azimuths", "counts"])
def test_lists_of_numbers_still_in_text_are_read(text: str) -> None:
    values = {
        "means": [3, 1, 2, 5, 1, 0],
        "azimuths": [0, 60, 120, 180, 240, 300],
        "counts": [3, 4, 5, 3, 4, 5],
    }
    plain = pretravel_variation(*values.values(), 0.0, 18)
    values[text] = [str(value) for value in values[text]]
    assert pretravel_variation(*values.values(), 0.0, 18) == plain


def test_five_directions_have_a_variation() -> None:
    azimuths, curve = even_azimuths(5), np.array([1.0, 0.0, 0.0, 2.0, 0.0])
    found = pretravel_variation(curve, azimuths, np.full(5, 4), 0.0, 15)
    assert found.directions == 5
    assert found.variation_mm == pytest.approx(np.ptp(without_centre(curve, azimuths)), rel=1e-12)


def test_four_directions_are_refused_with_the_reason() -> None:
    with pytest.raises(StatisticsError) as fault:
        pretravel_variation(np.zeros(4), even_azimuths(4), np.full(4, 5), 1.0, 16)
    assert str(fault.value) == (
        "pre-travel variation needs at least 5 directions, but got 4: mean and centre take 3 values with them"
    )


def test_a_thousand_directions_are_handled() -> None:
    azimuths = even_azimuths(MOST_DIRECTIONS)
    found = pretravel_variation(
        np.cos(3 * np.deg2rad(azimuths)), azimuths, np.full(MOST_DIRECTIONS, 3), 0.0, 2000
    )
    assert found.directions == 1000
    assert found.variation_mm == pytest.approx(2.0, abs=2e-4)


def test_more_than_a_thousand_directions_are_refused_with_what_to_do() -> None:
    azimuths = even_azimuths(MOST_DIRECTIONS + 1)
    with pytest.raises(StatisticsError) as fault:
        pretravel_variation(np.zeros(1001), azimuths, np.full(1001, 3), 1.0, 2002)
    assert str(fault.value) == (
        "1001 different azimuths, at most 1000 are handled: round the azimuths of the log to the directions "
        "that were planned"
    )


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_the_interval_says_its_level(level: float) -> None:
    found = pretravel_variation(np.arange(8.0) % 3, even_azimuths(8), np.full(8, 5), 0.5, 32, level)
    assert found.interval_mm.level == level


def test_latest_and_earliest_are_those_of_the_centred_curve_whatever_the_touches() -> None:
    # Two peaks and two dips, the higher and the deeper with few touches.
    azimuths, counts = even_azimuths(12), np.full(12, 20.0)
    curve = np.zeros(12)
    curve[[1, 7]], curve[[4, 10]] = (5.0, 4.0), (-5.0, -4.0)
    counts[[1, 4]] = 2.0
    centred = centred_by_wls(curve, azimuths, counts)
    found = pretravel_variation(curve, azimuths, counts, 0.0, 12)
    assert found.latest_deg == azimuths[centred.argmax()] == 30.0
    assert found.earliest_deg == azimuths[centred.argmin()] == 120.0


# ---- invariances of a whole result


def noisy_seat(seed: int = 72) -> tuple[np.ndarray, np.ndarray, np.ndarray, float, int]:
    rng = np.random.default_rng(seed)
    means = 4.0 * seat_shape(UNEVEN, 17.0, 0.05) + rng.normal(size=len(UNEVEN)) / np.sqrt(UNEVEN_COUNTS)
    return means, UNEVEN, UNEVEN_COUNTS, 1.0, 84


def numbers(found: variation.Variation) -> tuple[float, float, float, float]:
    return found.variation_mm, found.raw_mm, found.interval_mm.lower, found.interval_mm.upper


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_another_unit_scales_everything_but_the_azimuths(unit: float) -> None:
    means, azimuths, counts, sd, dof = noisy_seat()
    one = pretravel_variation(means, azimuths, counts, sd, dof)
    other = pretravel_variation(unit * means, azimuths, counts, unit * sd, dof)
    assert numbers(other) == pytest.approx(tuple(unit * number for number in numbers(one)), rel=1e-9)
    assert (other.latest_deg, other.earliest_deg) == (one.latest_deg, one.earliest_deg)


def test_another_place_of_the_feature_changes_nothing() -> None:
    means, azimuths, counts, sd, dof = noisy_seat()
    one = pretravel_variation(means, azimuths, counts, sd, dof)
    moved = harmonic_design(azimuths, 1) @ [30.0, -2.0, 5.0]
    other = pretravel_variation(means + moved, azimuths, counts, sd, dof)
    assert numbers(other) == pytest.approx(numbers(one), rel=1e-9)


def test_the_order_of_the_directions_changes_nothing_but_simulated_limits() -> None:
    means, azimuths, counts, sd, dof = noisy_seat()
    order = np.random.default_rng(73).permutation(len(azimuths))
    one = pretravel_variation(means, azimuths, counts, sd, dof)
    other = pretravel_variation(means[order], azimuths[order], counts[order], sd, dof)
    assert other.raw_mm == pytest.approx(one.raw_mm, rel=1e-12)
    assert other.variation_mm == pytest.approx(one.variation_mm, rel=0.02)
    assert (other.latest_deg, other.earliest_deg) == (one.latest_deg, one.earliest_deg)


def test_another_arm_of_the_seat_as_zero_turns_the_azimuths_with_it() -> None:
    means, azimuths, counts, sd, dof = noisy_seat()
    one = pretravel_variation(means, azimuths, counts, sd, dof)
    other = pretravel_variation(means, azimuths + 120.0, counts, sd, dof)
    assert numbers(other) == pytest.approx(numbers(one), rel=0.02)
    assert other.latest_deg == one.latest_deg + 120.0


# ---- what a set of directions lets one see


@pytest.mark.parametrize("counts", [None, UNEVEN_COUNTS], ids=["equal counts", "unequal counts"])
def test_flattened_values_are_the_weighted_residuals_of_constant_and_centre(
    counts: np.ndarray | None,
) -> None:
    weights = np.ones(16) if counts is None else counts
    values = np.random.default_rng(74).normal(size=16)
    design = made_design(UNEVEN, counts)
    expected = centred_by_wls(values, UNEVEN, weights)
    assert design.flatten(values) / design.root == pytest.approx(expected, rel=1e-10, abs=1e-12)
    assert design.span(design.flatten(values)) == pytest.approx(np.ptp(expected), rel=1e-12)


@pytest.mark.parametrize(
    ("place", "arm_deg", "ratio"),
    [
        (0, 0.0, 0.0),
        (1, 1.0, 0.0),
        (119, 119.0, 0.0),
        (120, 0.0, 0.04),
        (3 * 120 + 47, 47.0, 0.13),
        (719, 119.0, 0.3),
    ],
)
def test_each_tried_shape_is_a_seat_without_centre_of_length_one(
    place: int, arm_deg: float, ratio: float
) -> None:
    design = uneven_design()
    relative = UNEVEN_COUNTS / UNEVEN_COUNTS.mean()
    expected = centred_by_wls(seat_shape(UNEVEN, arm_deg, ratio), UNEVEN, relative) * np.sqrt(relative)
    assert design.shapes.shape == (len(PAIR_RATIOS) * 120, 16)
    assert design.shapes[place] == pytest.approx(expected / np.linalg.norm(expected), rel=1e-9, abs=1e-12)


def test_a_shape_hidden_behind_the_constant_is_none_and_all_others_have_length_one() -> None:
    lengths = np.linalg.norm(made_design(MIRRORED).shapes, axis=1).reshape(len(PAIR_RATIOS), 120)
    hidden = np.zeros(lengths.shape, dtype=bool)
    hidden[:, [0, 60]] = True
    assert lengths[hidden].tolist() == [0.0] * (2 * len(PAIR_RATIOS))
    assert lengths[~hidden] == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("counts", [None, np.arange(24.0) + 5.0], ids=["equal counts", "unequal counts"])
@pytest.mark.parametrize("order", [2, 4])
def test_the_first_group_holds_both_waves_of_orders_2_and_4(order: int, counts: np.ndarray | None) -> None:
    azimuths = even_azimuths(24, 3.0)
    design = made_design(azimuths, counts)
    assert [basis.shape[1] for basis in design.groups] == [4, 17]
    for phase in (0.0, 90.0):
        wave = design.flatten(np.cos(order * np.deg2rad(azimuths) - np.deg2rad(phase)))
        assert outside(design.groups[0], wave) < 1e-9


@pytest.mark.parametrize("order", [3, 5, 6, 7, 8, 9, 10, 11, 12])
def test_the_second_group_holds_all_other_waves(order: int) -> None:
    azimuths = even_azimuths(24, 3.0)
    design = made_design(azimuths)
    for phase in (0.0, 90.0):
        wave = np.cos(order * np.deg2rad(azimuths) - np.deg2rad(phase))
        assert np.abs(design.groups[0].T @ wave).max() < 1e-9
        assert outside(design.groups[1], wave) < 1e-9


@pytest.mark.parametrize("counts", [None, UNEVEN_COUNTS], ids=["equal counts", "unequal counts"])
def test_centre_and_groups_share_out_all_that_the_directions_can_show(counts: np.ndarray | None) -> None:
    design = made_design(UNEVEN, counts)
    whole = np.hstack([design.nuisance, *design.groups])
    assert whole.shape == (16, 16)
    assert whole.T @ whole == pytest.approx(np.eye(16), abs=1e-9)


def test_what_is_known_is_taken_out_of_a_basis() -> None:
    rng = np.random.default_rng(75)
    known = np.linalg.qr(rng.normal(size=(7, 2)))[0]
    columns = rng.normal(size=(7, 3))
    basis = _orthonormal(columns, known)
    assert basis.shape == (7, 3)
    assert basis.T @ basis == pytest.approx(np.eye(3), abs=1e-12)
    assert known.T @ basis == pytest.approx(np.zeros((2, 3)), abs=1e-12)
    for column in columns.T:
        assert outside(np.hstack([known, basis]), column) < 1e-12


@pytest.mark.parametrize("length", [1.0, 20.0, 0.05])
@pytest.mark.parametrize(("sine", "kept"), [(0.20, 0), (0.21, 0), (0.214, 1), (0.3, 1), (0.42, 1)])
def test_a_direction_is_dropped_when_little_of_it_is_new(sine: float, kept: int, length: float) -> None:
    # The threshold is 0.3 / sqrt(2) = 0.212 of the longest column.
    known = np.eye(5)[:, :1]
    column = length * (np.sqrt(1 - sine**2) * np.eye(5)[:, :1] + sine * np.eye(5)[:, 1:2])
    assert _orthonormal(column, known).shape == (5, kept)


def test_the_longest_column_decides_what_is_faint() -> None:
    columns = np.column_stack([10.0 * np.eye(4)[0], 2.2 * np.eye(4)[1], 2.0 * np.eye(4)[2]])
    assert _orthonormal(columns, np.zeros((4, 1))).shape == (4, 2)


def changes(place: int) -> np.ndarray:
    """A tried shape of the uneven directions, a turn by 1 deg either way, pairs 0.02 either way."""
    relative = UNEVEN_COUNTS / UNEVEN_COUNTS.mean()
    ratio, arm = PAIR_RATIOS[place // 120], float(place % 120)

    def seat(arm_deg: float, pair_ratio: float) -> np.ndarray:
        return centred_by_wls(seat_shape(UNEVEN, arm_deg, pair_ratio), UNEVEN, relative) * np.sqrt(relative)

    turn = seat(arm + 1, ratio) - seat(arm - 1, ratio)
    return np.column_stack(
        [seat(arm, ratio), turn, seat(arm, ratio + 0.02) - seat(arm, max(0.0, ratio - 0.02))]
    )


@pytest.mark.parametrize("place", [3 * 120 + 110, 4 * 120 + 33, 5 * 120 + 47])
def test_the_tangent_holds_the_shape_and_what_a_turn_and_other_pairs_change(place: int) -> None:
    tangent = uneven_design().tangent(place)
    assert tangent.T @ tangent == pytest.approx(np.eye(3), abs=1e-12)
    for change in changes(place).T:
        assert outside(tangent, change) < 1e-9


@pytest.mark.parametrize("place", [0, 20, 120 + 7, 2 * 120 + 33, 3 * 120 + 47, 4 * 120 + 64, 5 * 120 + 100])
def test_the_tangent_is_made_of_the_changes_that_can_be_told_apart(place: int) -> None:
    # Principal components of the changes, each of length 1, with a root above 0.15.
    columns = changes(place)
    columns = columns / np.sqrt((columns**2).sum(axis=0))
    values, vectors = np.linalg.eigh(columns @ columns.T)
    clear = vectors[:, values > 0.15**2]
    tangent = uneven_design().tangent(place)
    assert tangent @ tangent.T == pytest.approx(clear @ clear.T, abs=1e-9)


def test_the_tangent_leaves_out_what_a_few_directions_can_not_tell_apart() -> None:
    # Six even directions show a seat only as one alternating pattern, whatever its arm and pairs.
    design = made_design(even_azimuths(6, 10.0))
    tangent = design.tangent(17)
    assert tangent.shape == (6, 1)
    assert np.abs(tangent[:, 0]) == pytest.approx(np.full(6, 1 / np.sqrt(6)), rel=1e-9)


def test_the_tangent_leaves_out_a_change_that_another_makes_as_well() -> None:
    # Of twelve even directions, order 3 and order 6 remain of a seat: two values for three changes.
    assert made_design(even_azimuths(12)).tangent(17).shape == (12, 2)


# ---- shares that are kept


def mean_share(strength: float, size: int) -> float:
    """Mean of 1 - B with density B**(size / 2) exp(-B * strength / 2) over (0, 1), by quadrature."""

    def density(shrunk: float) -> float:
        return shrunk ** (size / 2) * np.exp((1 - shrunk) * strength / 2)

    whole = integrate.quad(density, 0, 1, epsabs=0, epsrel=1e-12)[0]
    return integrate.quad(lambda b: (1 - b) * density(b), 0, 1, epsabs=0, epsrel=1e-12)[0] / whole


@pytest.mark.parametrize("size", [1, 2, 4, 5, 17, 29])
@pytest.mark.parametrize("relative", [0.01, 0.3, 0.9, 1.0, 1.2, 1.5])
def test_the_averaged_share_is_the_mean_over_the_shrinkage(size: int, relative: float) -> None:
    strength = relative * size
    assert strength < stats.chi2.isf(0.01, size)
    averaged = _keep(np.array([[strength]]), size)[1]
    assert averaged[0, 0] == pytest.approx(mean_share(strength, size), rel=1e-9)


@pytest.mark.parametrize("size", [1, 4, 17])
def test_no_strength_at_all_leaves_the_average_of_the_prior(size: int) -> None:
    keep, averaged = _keep(np.array([[0.0]]), size)
    assert keep[0, 0] == 0.0
    # 1 - B under B**(size / 2) alone.
    assert averaged[0, 0] == pytest.approx(1 / (size / 2 + 2), rel=1e-5)


@pytest.mark.parametrize(("size", "strength"), [(4, 0.5), (4, 4.0), (4, 5.0), (4, 13.0), (17, 20.0)])
def test_unsure_waves_keep_the_share_that_is_not_scatter(size: int, strength: float) -> None:
    keep = _keep(np.array([[strength]]), size)[0][0, 0]
    assert keep == pytest.approx(max(0.0, 1 - size / strength), rel=1e-12)


@pytest.mark.parametrize("size", [1, 4, 17])
def test_waves_that_scatter_hardly_makes_keep_the_spread_of_their_ensemble(size: int) -> None:
    limit = stats.chi2.isf(0.01, size)
    below, above = limit * (1 - 1e-6), limit * (1 + 1e-6)
    keep, averaged = _keep(np.array([[below], [above], [1e4]]), size)
    share = 1 - size / np.array([below, above, 1e4])
    assert keep[:, 0] == pytest.approx([share[0], np.sqrt(share[1]), np.sqrt(share[2])], rel=1e-12)
    assert averaged[:, 0] == pytest.approx([mean_share(below, size), 1.0, 1.0], rel=1e-8)


# ---- smoothed curves


@pytest.mark.parametrize("size", [0.5, 1.5, 1.6, 3.0, 11.9, 12.1, 100.0])
@pytest.mark.parametrize("place", [0, 47, 3 * 120 + 47])
def test_a_tried_shape_loses_what_the_choice_among_shapes_gains(size: float, place: int) -> None:
    design = uneven_design()
    found = _smooth(design, size * design.shapes[[place]])
    assert found.place.tolist() == [place]
    # 2.5 / size**2 is taken off, all of it below the root of 2.5.
    expected = max(0.0, size - 2.5 / size) * design.shapes[place]
    assert found.curve[0] == pytest.approx(expected, abs=1e-9)
    assert found.generous[0] == pytest.approx(expected, abs=1e-9)
    assert not found.alone.any()


def test_nothing_found_keeps_the_average_of_the_prior() -> None:
    design = made_design(even_azimuths(24, 3.0))
    found = _smooth(design, np.zeros((2, 24)))
    assert found.curve.tolist() == found.generous.tolist() == np.zeros((2, 24)).tolist()
    assert found.kept == pytest.approx(np.full((2, 2), [1 / (4 / 2 + 2), 1 / (17 / 2 + 2)]), rel=1e-5)


def test_a_shape_smaller_than_its_noise_is_measured_as_it_is() -> None:
    # Order 2 is none of the shapes of even directions: not one bit of it goes to them.
    azimuths = even_azimuths(24, 3.0)
    wave = 0.1 * np.cos(2 * np.deg2rad(azimuths))
    found = _smooth(made_design(azimuths), wave[None])
    assert found.kept[0, 1] == pytest.approx(1 / (17 / 2 + 2), rel=1e-5)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("strength", "share", "averaged"),
    [
        (3.0, 0.0, mean_share(3.0, 4)),
        (9.0, 5 / 9, mean_share(9.0, 4)),
        (16.0, np.sqrt(3 / 4), 1.0),
        (64.0, np.sqrt(15 / 16), 1.0),
    ],
    ids=["scatter", "perhaps", "sure", "clear"],
)
def test_a_wave_of_order_2_is_drawn_to_zero_by_its_strength(
    strength: float, share: float, averaged: float, sign: int
) -> None:
    azimuths = even_azimuths(24, 3.0)
    design = made_design(azimuths)
    wave = sign * np.sqrt(strength / 12) * np.cos(2 * np.deg2rad(azimuths - 8))
    found = _smooth(design, wave[None])
    assert found.kept[0, 0] == pytest.approx(averaged, rel=1e-8)
    assert found.curve[0] == pytest.approx(share * wave, abs=1e-9)
    assert found.generous[0] == pytest.approx(max(share, averaged) * wave, abs=1e-9)


def test_tests_side_by_side_are_smoothed_as_if_alone() -> None:
    design = uneven_design()
    waves = design.flatten(np.random.default_rng(76).normal(size=(6, 16)) * [[1], [1], [3], [3], [10], [30]])
    together = _smooth(design, waves)
    for test in range(6):
        one = _smooth(design, waves[[test]])
        assert one.curve[0] == pytest.approx(together.curve[test], rel=1e-9)
        assert one.generous[0] == pytest.approx(together.generous[test], rel=1e-9)
        assert one.place[0] == together.place[test]
        assert one.kept[0] == pytest.approx(together.kept[test], rel=1e-9)
        assert one.alone[0].tolist() == together.alone[test].tolist()


def between_shapes(size: float) -> np.ndarray:
    """A seat of this size with its arm halfway between two that are tried."""
    design = uneven_design()
    curve = design.flatten(seat_shape(UNEVEN, 47.5, 0.3))
    return size * curve / np.linalg.norm(curve)


def test_a_clear_shape_is_moved_between_the_tried_ones() -> None:
    design, truth = uneven_design(), between_shapes(200.0)
    refined = _smooth(design, truth[None]).curve[0]
    # All but the 2.5 / 200 that the choice costs; without the move most of the turn would be lost.
    assert np.linalg.norm(refined - truth) < 0.1
    coarse = _smooth(design, truth[None], refined=False).curve[0]
    assert np.linalg.norm(coarse - refined) > 0.02


@pytest.mark.parametrize(("size", "moved"), [(11.9, False), (12.1, True)])
def test_a_shape_is_moved_when_it_is_twelve_times_its_noise(size: float, moved: bool) -> None:
    design = uneven_design()
    place = 5 * 120 + 47
    turned = design.tangent(place)[:, 2]
    turned = turned - design.shapes[place] * (turned @ design.shapes[place])
    waves = (size * design.shapes[place] + 0.3 * turned / np.linalg.norm(turned))[None]
    refined, coarse = _smooth(design, waves), _smooth(design, waves, refined=False)
    assert refined.place.tolist() == [place]
    # Without the move so faint a turn is lost; with it, it is kept whole.
    assert np.linalg.norm(refined.curve - coarse.curve) == pytest.approx(0.3 if moved else 0.0, abs=1e-9)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("directions", [5, 24])
def test_a_direction_that_stands_out_is_taken_as_it_is(directions: int, sign: int) -> None:
    # Chance of one of them so far out from scatter alone: 1 % in each, shared by the directions.
    limit = stats.norm.isf(0.01 / 2 / directions)
    waves = np.zeros((2, directions))
    waves[:, 3] = sign * limit * np.array([1 - 1e-6, 1 + 1e-6])
    found = _smooth(plain_design(directions), waves)
    assert found.alone.tolist() == [[False] * directions, [place == 3 for place in range(directions)]]
    expected = np.zeros((2, directions))
    expected[1, 3] = waves[1, 3]
    assert found.curve == pytest.approx(expected, abs=1e-12)
    assert found.generous == pytest.approx(expected, abs=1e-12)


def test_what_a_wave_has_already_taken_up_does_not_stand_out() -> None:
    # The first direction is a group of its own: 4 sd are sure, and what it keeps is not left over.
    found = _smooth(plain_design(5), np.array([[4.0, 0.0, 0.0, 0.0, 0.0]]))
    assert not found.alone.any()
    assert found.curve[0] == pytest.approx([4.0 * np.sqrt(15 / 16), 0, 0, 0, 0], rel=1e-12)


# ---- standard error of the difference between the latest and the earliest direction


def smoothed(
    design: _Design, curve: np.ndarray, kept: tuple[float, ...], alone: int | None = None
) -> _Smoothed:
    flags = np.zeros((1, len(curve)), dtype=bool)
    if alone is not None:
        flags[0, alone] = True
    return _Smoothed(curve[None], curve[None], np.array([3 * 120 + 47]), np.array([kept]), flags)


def error_of_a_difference(latest: int, earliest: int) -> float:
    """Standard error from the covariance of the residuals of constant and centre, noise 1."""
    relative = UNEVEN_COUNTS / UNEVEN_COUNTS.mean()
    columns = harmonic_design(UNEVEN, 1)
    centre = columns @ np.linalg.inv(columns.T @ (columns * relative[:, None])) @ columns.T
    covariance = np.diag(1 / relative) - centre
    return float(
        np.sqrt(
            covariance[latest, latest] + covariance[earliest, earliest] - 2 * covariance[latest, earliest]
        )
    )


def two_peaks(latest: int, earliest: int) -> np.ndarray:
    """A weighted curve whose largest and smallest value per touch are there."""
    values = np.zeros(16)
    values[latest], values[earliest] = 1.0, -1.0
    return values * uneven_design().root


PEAKS = pytest.mark.parametrize(("latest", "earliest"), [(2, 3), (3, 9), (11, 0)])


@PEAKS
def test_with_all_waves_kept_the_error_is_that_of_the_means(latest: int, earliest: int) -> None:
    design, curve = uneven_design(), two_peaks(latest, earliest)
    found = _difference_u(design, curve, smoothed(design, curve, (1.0, 1.0)))
    assert found == pytest.approx(error_of_a_difference(latest, earliest), rel=1e-9)


def test_latest_and_earliest_are_those_of_a_touch_not_of_the_weighted_curve() -> None:
    # Directions 3 and 10 with many touches weigh more, but 2 and 9 are later and earlier.
    design, values = uneven_design(), np.zeros(16)
    values[[2, 3, 9, 10]] = [1.0, 0.8, -1.0, -0.8]
    curve = values * design.root
    assert (curve.argmax(), curve.argmin()) == (3, 10)
    found = _difference_u(design, curve, smoothed(design, curve, (1.0, 1.0)))
    assert found == pytest.approx(error_of_a_difference(2, 9), rel=1e-9)


@pytest.mark.parametrize("alone", ["latest", "earliest"])
@PEAKS
def test_a_direction_taken_as_it_is_has_the_error_of_its_mean(latest: int, earliest: int, alone: str) -> None:
    design, curve = uneven_design(), two_peaks(latest, earliest)
    which = latest if alone == "latest" else earliest
    found = _difference_u(design, curve, smoothed(design, curve, (0.1, 0.2), which))
    assert found == pytest.approx(error_of_a_difference(latest, earliest), rel=1e-9)


@PEAKS
def test_another_direction_taken_as_it_is_does_not_matter(latest: int, earliest: int) -> None:
    design, curve = uneven_design(), two_peaks(latest, earliest)
    plain = _difference_u(design, curve, smoothed(design, curve, (0.1, 0.2)))
    assert _difference_u(design, curve, smoothed(design, curve, (0.1, 0.2), 6)) == plain
    assert plain < error_of_a_difference(latest, earliest)


@PEAKS
@pytest.mark.parametrize("share", [0.0, 0.3, 0.8])
def test_with_one_share_of_all_waves_the_error_is_the_posterior_one(
    share: float, latest: int, earliest: int
) -> None:
    # Gaussian posterior: prior precision 0 along the tangent, (1 - share) / share for all else.
    design, curve = uneven_design(), two_peaks(latest, earliest)
    tangent = design.tangent(3 * 120 + 47)
    waves = np.hstack(design.groups)
    seen = waves @ waves.T
    covariance = share * seen + (1 - share) * tangent @ tangent.T
    pick = np.zeros(16)
    pick[[latest, earliest]] = [1.0, -1.0] / design.root[[latest, earliest]]
    found = _difference_u(design, curve, smoothed(design, curve, (share, share)))
    assert found == pytest.approx(np.sqrt(pick @ covariance @ pick), rel=1e-9)


@PEAKS
def test_each_group_adds_by_its_own_share(latest: int, earliest: int) -> None:
    design, curve = uneven_design(), two_peaks(latest, earliest)

    def squared(*kept: float) -> float:
        return _difference_u(design, curve, smoothed(design, curve, kept)) ** 2

    none, slow, rest = squared(0.0, 0.0), squared(1.0, 0.0), squared(0.0, 1.0)
    assert slow > none
    assert rest > none
    assert squared(0.4, 0.7) == pytest.approx(none + 0.4 * (slow - none) + 0.7 * (rest - none), rel=1e-9)
    assert slow + rest - none == pytest.approx(error_of_a_difference(latest, earliest) ** 2, rel=1e-9)


# ---- estimate and limits

Tests = Callable[[_Design, float], np.ndarray]


def finding(slope: float, offset: float) -> Tests:
    """Simulated tests that find slope * true + offset, evenly spread by -0.5 to 0.5."""

    def small_tests(design: _Design, dof: float) -> np.ndarray:
        return slope * SMALL[:, None] + offset + np.linspace(-0.5, 0.5, 401)

    return small_tests


def estimated(
    monkeypatch: pytest.MonkeyPatch, found: float, small: Tests, dof: float = 50.0, level: float = 0.9
) -> SimpleNamespace:
    """What is made of a tried shape of which this range is left, with simulated tests that are known."""
    monkeypatch.setattr(variation, "_small_tests", small)
    design = uneven_design()
    place = 3 * 120 + 47
    length = found / design.span(design.shapes[place])
    size = length / 2 + np.sqrt(length**2 / 4 + 2.5)
    waves = size * design.shapes[place]
    value, (lower, upper) = _estimate(design, waves, dof, level)
    result = _smooth(design, waves[None])
    assert design.span(result.curve[0]) == pytest.approx(found, rel=1e-9)
    half = t_factor(dof, level) * _difference_u(design, result.curve[0], result)
    return SimpleNamespace(value=value, lower=lower, upper=upper, half=half)


@pytest.mark.parametrize("offset", [0.6, 2.0])
@pytest.mark.parametrize("found", [2.0, 5.0, 40.0])
def test_seven_tenths_of_what_scatter_makes_are_taken_off_in_squares(
    monkeypatch: pytest.MonkeyPatch, found: float, offset: float
) -> None:
    result = estimated(monkeypatch, found, finding(1.0, offset))
    assert result.value == pytest.approx(np.sqrt(found**2 - (0.7 * offset) ** 2), rel=1e-9)


def test_less_than_scatter_makes_is_no_variation(monkeypatch: pytest.MonkeyPatch) -> None:
    result = estimated(monkeypatch, 1.0, finding(1.0, 2.0))
    assert (result.value, result.lower) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("level", "limit"),
    [(0.8, 10.4), (0.9, 10.45), (0.95, 10.475)],
)
def test_zero_belongs_to_the_interval_up_to_a_quantile_of_scatter_alone(
    monkeypatch: pytest.MonkeyPatch, level: float, limit: float
) -> None:
    small = finding(1.0, 10.0)
    within = estimated(monkeypatch, limit - 1e-6, small, level=level)
    beyond = estimated(monkeypatch, limit + 1e-6, small, level=level)
    assert within.value - within.half > 1
    assert within.lower == 0.0
    assert beyond.lower == pytest.approx(beyond.value - beyond.half, rel=1e-9)


def test_the_lower_limit_is_never_negative(monkeypatch: pytest.MonkeyPatch) -> None:
    result = estimated(monkeypatch, 1.2, finding(1.0, 0.6))
    assert result.value - result.half < 0
    assert result.lower == 0.0


@pytest.mark.parametrize(("dof", "level"), [(4.0, 0.9), (50.0, 0.9), (50.0, 0.99)])
def test_the_upper_limit_is_counted_from_the_smoothed_range(
    monkeypatch: pytest.MonkeyPatch, dof: float, level: float
) -> None:
    # Nothing but a shape: the generous curve is the same, and both are above the estimate.
    result = estimated(monkeypatch, 20.0, finding(1.0, 6.0), dof, level)
    assert result.value < 20.0
    assert result.upper == pytest.approx(20.0 + result.half, rel=1e-9)


def test_the_upper_limit_is_halfway_to_the_generous_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(variation, "_small_tests", finding(1.0, 0.0))
    azimuths = even_azimuths(24, 3.0)
    design = made_design(azimuths)
    # A wave of order 2 of which 5 / 9 are kept; averaged over the shrinkage it is less, twice less more.
    for strength in (4.5, 9.0):
        wave = np.sqrt(strength / 12) * np.cos(2 * np.deg2rad(azimuths - 3))
        share, averaged = 1 - 4 / strength, mean_share(strength, 4)
        found, generous = share * np.ptp(wave), max(share, averaged) * np.ptp(wave)
        result = _smooth(design, wave[None])
        half = t_factor(60.0, 0.95) * _difference_u(design, result.curve[0], result)
        upper = _estimate(design, wave, 60.0, 0.95)[1][1]
        assert upper == pytest.approx((found + generous) / 2 + half, rel=1e-8)


@pytest.mark.parametrize(
    ("found", "level", "least"),
    [
        # Tests find 0.1 * true + 0.6 - 0.5 + tail.
        (0.40, 0.9, 2.5),
        (0.40, 0.8, 2.0),
        (0.65, 0.9, 5.0),
        (0.94, 0.9, 7.9),
    ],
)
def test_the_upper_limit_is_at_least_the_variation_that_is_rarely_found_so_small(
    monkeypatch: pytest.MonkeyPatch, found: float, level: float, least: float
) -> None:
    # The half-width is put out of the way: nothing but the simulated tests sets the limit.
    monkeypatch.setattr(variation, "_difference_u", lambda *_: 0.0)
    result = estimated(monkeypatch, found, finding(0.1, 0.6), level=level)
    assert result.upper == pytest.approx(least, rel=1e-9)


def test_beyond_the_simulated_variations_they_set_no_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(variation, "_difference_u", lambda *_: 0.0)
    # The largest of them is found as 0.1 * 8 + 0.15 in all but 5 %.
    result = estimated(monkeypatch, 0.951, finding(0.1, 0.6))
    assert result.upper == pytest.approx(0.951, rel=1e-9)
    result = estimated(monkeypatch, 0.949, finding(0.1, 0.6))
    assert result.upper == pytest.approx(7.99, rel=1e-9)


def test_far_beyond_the_simulated_variations_the_limit_is_the_smoothed_range(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(variation, "_difference_u", lambda *_: 0.0)
    small = finding(0.001, 0.6)
    assert estimated(monkeypatch, 0.7, small).upper == pytest.approx(0.7, rel=1e-9)


# ---- simulated tests of a small variation


@pytest.fixture
def recorded(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Simulated tests of which nothing is smoothed away, and what went into them."""
    record = SimpleNamespace(waves=[], refined=[], early=[])
    random_curve = variation._random_curve

    def smooth(design: _Design, waves: np.ndarray, *, refined: bool = True) -> SimpleNamespace:
        record.waves.append(waves)
        record.refined.append(refined)
        return SimpleNamespace(curve=waves)

    def curve(design: _Design, rng: np.random.Generator, *, early: bool) -> np.ndarray:
        record.early.append(early)
        return random_curve(design, rng, early=early)

    monkeypatch.setattr(variation, "_smooth", smooth)
    monkeypatch.setattr(variation, "_random_curve", curve)
    record.run = lambda dof: _small_tests.__wrapped__(uneven_design(), dof)
    return record


def test_every_second_simulated_probe_has_an_early_arm(recorded: SimpleNamespace) -> None:
    recorded.run(30.0)
    assert [bool(flag) for flag in recorded.early] == [False, True] * (variation.DRAWS // 2)


def test_simulated_tests_are_the_same_each_time() -> None:
    design = uneven_design()
    one, other = (_small_tests.__wrapped__(design, 30.0) for _ in range(2))
    assert one.shape == (17, variation.DRAWS)
    assert one.tolist() == other.tolist()


def test_the_range_is_that_of_the_smoothed_curve(recorded: SimpleNamespace) -> None:
    found = recorded.run(5.0)
    root = uneven_design().root
    assert not any(recorded.refined)
    for ranges, waves in zip(found, recorded.waves, strict=True):
        assert ranges == pytest.approx(np.ptp(waves / root, axis=1), rel=1e-9)


def test_each_simulated_probe_has_the_stated_variation_and_one_scatter(recorded: SimpleNamespace) -> None:
    # With this many degrees of freedom the scatter of a test is known.
    recorded.run(1e14)
    design, alone = uneven_design(), recorded.waves[0]
    curve = recorded.waves[2] - alone
    assert SMALL.tolist() == [step / 2 for step in range(17)]
    assert np.ptp(curve / design.root, axis=1) == pytest.approx(np.ones(variation.DRAWS), rel=1e-6)
    for true, waves in zip(SMALL, recorded.waves, strict=True):
        assert waves - alone == pytest.approx(true * curve, abs=1e-5)


@pytest.mark.parametrize(("dof", "factor"), [(1e14, 1.0), (12.0, 12 / 10)])
def test_simulated_scatter_is_that_of_the_means_over_one_estimated_from_each_test(
    recorded: SimpleNamespace, dof: float, factor: float
) -> None:
    # Mean square of a direction: its variance less centre, times the mean of dof / chi2.
    recorded.run(dof)
    design = uneven_design()
    squares = ((recorded.waves[0] / design.root) ** 2).mean(axis=0)
    relative = UNEVEN_COUNTS / UNEVEN_COUNTS.mean()
    columns = harmonic_design(UNEVEN, 1)
    centre = columns @ np.linalg.inv(columns.T @ (columns * relative[:, None])) @ columns.T
    expected = factor * np.diag(np.diag(1 / relative) - centre)
    # 400 draws each: a relative standard error of 0.07 to 0.09.
    assert squares / expected == pytest.approx(np.ones(16), abs=0.32)
    assert (squares / expected).mean() == pytest.approx(1.0, abs=0.06)


class Drawn:
    """A generator that draws a given arm and pair ratio, and remembers between which limits."""

    def __init__(self, *values: float) -> None:
        self.values = list(values)
        self.limits: list[tuple[float, float]] = []

    def uniform(self, low: float, high: float) -> float:
        self.limits.append((low, high))
        return self.values.pop(0)


def curve_of(arm_deg: float, ratio: float, early: bool, azimuth_deg: np.ndarray = UNEVEN) -> np.ndarray:
    counts = UNEVEN_COUNTS if azimuth_deg is UNEVEN else np.ones(len(azimuth_deg))
    design = made_design(azimuth_deg, counts)
    return _random_curve(design, Drawn(arm_deg, ratio), early=early) / design.root


def expected_curve(values: np.ndarray, azimuth_deg: np.ndarray = UNEVEN) -> np.ndarray:
    counts = UNEVEN_COUNTS if azimuth_deg is UNEVEN else np.ones(len(azimuth_deg))
    centred = centred_by_wls(values, azimuth_deg, counts)
    return centred / np.ptp(centred)


@pytest.mark.parametrize("early", [False, True])
def test_arms_are_drawn_from_a_third_of_a_turn_and_pairs_from_the_usual(early: bool) -> None:
    rng = Drawn(10.0, 0.1)
    _random_curve(uneven_design(), rng, early=early)
    assert rng.limits == [(0, 120), (0, 0.2)]


@pytest.mark.parametrize(("arm_deg", "ratio"), [(0.0, 0.0), (33.0, 0.1), (110.0, 0.2)])
def test_a_healthy_curve_is_a_seat_with_a_range_of_one(arm_deg: float, ratio: float) -> None:
    assert curve_of(arm_deg, ratio, early=False) == pytest.approx(
        expected_curve(seat_shape(UNEVEN, arm_deg, ratio)), abs=1e-9
    )


def with_one_early_arm(azimuth_deg: np.ndarray, arm_deg: float, ratio: float) -> np.ndarray:
    """The seat with four fifths of the pre-travel where the force points at the arm more than at others.

    Halfway between two arms both would lift, and the early one is first.
    """
    force = np.deg2rad(azimuth_deg[:, None] + 180.0 - (arm_deg + np.array([0.0, 120.0, 240.0])))
    nearness = np.cos(force)
    first = nearness[:, 0] >= nearness[:, 1:].max(axis=1) - 1e-12
    return np.where(first, EARLY_GAIN, 1.0) * seat_shape(azimuth_deg, arm_deg, ratio)


@pytest.mark.parametrize(("arm_deg", "ratio"), [(0.0, 0.0), (33.0, 0.1), (110.0, 0.2)])
@pytest.mark.parametrize(
    "azimuth_deg",
    [UNEVEN, even_azimuths(12), even_azimuths(36, 3.5), even_azimuths(24, -370.0), even_azimuths(72, 0.5)],
    ids=["uneven", "halfway between arms", "off by half a step", "before a turn", "close by"],
)
def test_an_early_arm_shortens_what_it_lifts_first(
    azimuth_deg: np.ndarray, arm_deg: float, ratio: float
) -> None:
    expected = expected_curve(with_one_early_arm(azimuth_deg, arm_deg, ratio), azimuth_deg)
    assert curve_of(arm_deg, ratio, True, azimuth_deg) == pytest.approx(expected, abs=1e-9)


def test_a_curve_that_the_directions_hide_stays_faint() -> None:
    # Rounding left of a constant is not blown up to a range of one.
    assert np.abs(curve_of(0.0, 0.1, False, MIRRORED)).max() < 0.01
