"""First-order correlation of neighbours: dense matrices and closed forms as oracles."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from simulated import block_by_block, even_azimuths, round_robin

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors
from probetest.statistics.neighbours import (
    correlated,
    direction_columns,
    mean_covariance,
    sandwich,
    serial_factors,
    whitened,
)


def shuffled(directions: int, touches: int) -> np.ndarray:
    return np.random.default_rng(70).permutation(block_by_block(directions, touches))


def uneven(directions: int, touches: int) -> np.ndarray:
    """A round robin with touches lost at random."""
    direction = round_robin(directions, touches)
    return direction[np.random.default_rng(71).random(len(direction)) > 0.3]


ORDERS = {
    "round robin": round_robin,
    "block by block": block_by_block,
    "shuffled": shuffled,
    "uneven": uneven,
}


def process(touches: int, correlation: float) -> np.ndarray:
    return toeplitz(correlation ** np.arange(touches))


# ---- building blocks


@pytest.mark.parametrize("correlation", [-0.7, 0.0, 0.3, 0.9])
def test_columns_are_multiplied_by_the_correlation_matrix(correlation: float) -> None:
    columns = np.random.default_rng(1).normal(size=(17, 3))
    assert correlated(columns, correlation) == pytest.approx(process(17, correlation) @ columns, abs=1e-12)
    assert sandwich(columns, correlation) == pytest.approx(
        columns.T @ process(17, correlation) @ columns, abs=1e-11
    )


def test_direction_columns_are_orthonormal_and_tell_the_directions() -> None:
    direction = np.array([3, 0, 3, 5, 3, 0])
    columns = direction_columns(direction)
    assert columns.T @ columns == pytest.approx(np.eye(3), abs=1e-15)
    assert columns @ columns.T == pytest.approx(
        (direction[:, None] == direction) / np.array([3, 2, 3, 1, 3, 2]), abs=1e-15
    )


@pytest.mark.parametrize("correlation", [-0.5, 0.2, 0.8])
def test_whitening_leaves_uncorrelated_values(correlation: float) -> None:
    transform = whitened(np.eye(9), correlation)
    left = transform @ process(9, correlation) @ transform.T
    assert left == pytest.approx((1 - correlation**2) * np.eye(9), abs=1e-13)


def test_whitening_takes_one_column_and_keeps_its_input() -> None:
    values = np.array([2.0, 3.0, 5.0])
    assert whitened(values, 0.6) == pytest.approx([1.6, 1.8, 3.2], rel=1e-14)
    assert values.tolist() == [2.0, 3.0, 5.0]


# ---- factors


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("correlation", [-0.4, 0.3, 0.85])
def test_factors_are_those_of_dense_matrices(order: object, correlation: float) -> None:
    direction = order(8, 5)
    azimuths = even_azimuths(8, 11.0)
    touches, counts = len(direction), np.bincount(direction)
    marks = np.eye(8)[direction]
    means = np.linalg.pinv(marks)
    apart = np.eye(touches) - marks @ means
    inner = apart @ process(touches, correlation)
    factors = serial_factors(correlation, direction, azimuths)
    dof = touches - 8
    assert factors.sd_factor == pytest.approx(np.sqrt(dof / np.trace(inner)), rel=1e-10)
    assert factors.dof_share == pytest.approx(np.trace(inner) ** 2 / np.trace(inner @ inner) / dof, rel=1e-10)
    root = np.sqrt(counts)[:, None]
    design = root * np.column_stack([np.ones(8), unit_vectors(azimuths)])
    left = np.eye(8) - design @ np.linalg.pinv(design)
    scaled = root * (means @ process(touches, correlation) @ means.T) * root.T
    assert factors.mean_factor == pytest.approx(np.sqrt(np.trace(left @ scaled) / 5), rel=1e-10)


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_covariance_of_the_means_is_that_of_dense_matrices(order: object) -> None:
    direction = order(6, 4)
    means = np.linalg.pinv(np.eye(6)[direction])
    assert mean_covariance(0.55, direction) == pytest.approx(
        means @ process(len(direction), 0.55) @ means.T, abs=1e-13
    )


@pytest.mark.parametrize("order", ORDERS.values(), ids=ORDERS)
def test_independent_touches_have_factors_of_one(order: object) -> None:
    factors = serial_factors(0.0, order(8, 5), even_azimuths(8))
    assert (factors.sd_factor, factors.dof_share, factors.mean_factor) == pytest.approx((1, 1, 1), rel=1e-12)


def test_one_direction_has_the_mean_of_a_first_order_process() -> None:
    # Textbook: var(mean) = (1 + 2 sum((1 - k/n) r**k)) / n.
    lags = np.arange(1, 20)
    share = 1 + 2 * ((1 - lags / 20) * 0.6**lags).sum()
    factors = serial_factors(0.6, [0] * 20, [0.0])
    assert factors.mean_factor == pytest.approx(np.sqrt(share), rel=1e-12)
    # and var(readings) = (n - share) / (n - 1)
    assert factors.sd_factor == pytest.approx(np.sqrt(19 / (20 - share)), rel=1e-12)


def test_three_directions_leave_means_about_their_mean() -> None:
    direction = block_by_block(3, 4)
    covariance = 4 * mean_covariance(0.5, direction)
    about = np.eye(3) - 1 / 3
    assert serial_factors(0.5, direction, [0, 120, 240]).mean_factor == pytest.approx(
        np.sqrt(np.trace(about @ covariance) / 2), rel=1e-12
    )


def test_directions_on_one_line_leave_means_beside_a_centre_on_it() -> None:
    direction = block_by_block(4, 3)
    azimuths = np.array([0.0, 0.0, 180.0, 180.0])
    design = np.column_stack([np.ones(4), np.cos(np.deg2rad(azimuths))])
    left = np.eye(4) - design @ np.linalg.pinv(design)
    assert serial_factors(0.5, direction, azimuths).mean_factor == pytest.approx(
        np.sqrt(3 * np.trace(left @ mean_covariance(0.5, direction)) / 2), rel=1e-12
    )


def test_directions_that_were_not_touched_count_for_nothing() -> None:
    direction = block_by_block(8, 3)
    few = serial_factors(0.5, 2 * direction, np.repeat(even_azimuths(8), 2))
    assert few == serial_factors(0.5, direction, even_azimuths(8))


@pytest.mark.parametrize("correlation", [-1.0, 1.0, 1.5])
@pytest.mark.parametrize(
    "use",
    [
        lambda r: serial_factors(r, [0, 0, 1, 1], [0, 90]),
        lambda r: mean_covariance(r, [0, 1]),
        lambda r: whitened(np.ones(3), r),
    ],
    ids=["factors", "covariance", "whitening"],
)
def test_a_correlation_of_one_or_more_is_refused(use: object, correlation: float) -> None:
    with pytest.raises(StatisticsError, match=f"between -1 and 1, but got {correlation}"):
        use(correlation)
