"""The likelihood of steps: by brute force, closed forms and the censored fit of SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from rounded_logs import brute_force, shares
from scipy import integrate, optimize, stats

from probetest.errors import StatisticsError
from probetest.statistics import steps as steps_module
from probetest.statistics.rounding import rounded_sd


def product_steps(reading: list[float], touches: int | None = None) -> steps_module.Steps:
    zeros = np.zeros(len(reading), dtype=np.intp)
    made = np.array([touches or len(reading)])
    return steps_module.find_steps(np.array(reading), zeros, np.ones(len(reading)), np.array([0]), made)[0]


@pytest.mark.parametrize("sd", [0.01, 0.08, 0.3, 0.7, 1.0, 3.0, 20.0])
@pytest.mark.parametrize(
    "reading",
    [[0.0, 0.0, 0.0], [0.0, 1.0], [0.0, 1.0, 1.0, 1.0]],
    ids=["one step", "two touches", "two steps"],
)
def test_likelihood_of_few_steps_is_the_integral_over_the_mean(reading: list[float], sd: float) -> None:
    assert product_steps(reading).log_likelihood(np.log(sd)) == pytest.approx(
        brute_force(reading, sd), abs=2e-6
    )


@pytest.mark.parametrize("sd", [0.2, 0.4, 1.0, 3.0])
@pytest.mark.parametrize(
    "reading",
    [[-1.0, 0.0, 1.0, 1.0], [0.0, 3.0, 3.0, 4.0], [0.0, 2.0]],
    ids=["three steps", "gap", "step left out"],
)
def test_likelihood_of_more_steps_is_the_integral_over_the_mean(reading: list[float], sd: float) -> None:
    assert product_steps(reading).log_likelihood(np.log(sd)) == pytest.approx(
        brute_force(reading, sd), abs=2e-6
    )


@pytest.mark.parametrize("sd", [0.05, 0.3, 1.0, 3.0])
@pytest.mark.parametrize(
    ("reading", "touches"),
    [([0.0], 4), ([0.0, 1.0], 6), ([0.0, 1.0, 0.0], 6), ([0.0, 1.0, 0.0, 1.0], 7)],
    ids=["one run", "two runs", "there and back", "four runs"],
)
def test_likelihood_of_runs_adds_up_all_their_lengths(reading: list[float], touches: int, sd: float) -> None:
    found = product_steps(reading, touches).log_likelihood(np.log(sd))
    assert found == pytest.approx(brute_force(reading, sd, touches), abs=2e-6)


def test_likelihood_of_many_touches_is_that_of_few_taken_often() -> None:
    # 2,000 touches in two steps: a curve of the mean far narrower than its first guess.
    steps = product_steps([0.0] * 700 + [1.0] * 1300)

    def density(mean: float) -> float:
        share = shares([0.0, 1.0], np.array(mean), 0.4)[:, 0]
        return float(np.exp(700 * np.log(share[0]) + 1300 * np.log(share[1]) + 1500))

    expected = np.log(integrate.quad(density, 0.5, 0.8, epsabs=0.0)[0]) - 1500
    assert steps.log_likelihood(np.log(0.4)) == pytest.approx(expected, abs=1e-6)


def test_likelihood_of_one_step_falls_without_end() -> None:
    # All 14 densities are equal: an integral over a normal curve of the mean.
    expected = -13 * np.log(np.sqrt(2 * np.pi) * 1000.0) - np.log(14) / 2
    assert product_steps([0.0] * 14).log_likelihood(np.log(1000.0)) == pytest.approx(expected, abs=1e-5)


def test_likelihood_does_not_depend_on_what_was_asked_before() -> None:
    steps, fresh = product_steps([0.0, 0.0, 1.0, 4.0]), product_steps([0.0, 0.0, 1.0, 4.0])
    for place in (3.0, -2.0, 5.0, -3.0):
        steps.log_likelihood(place)
    assert steps.log_likelihood(0.1) == pytest.approx(fresh.log_likelihood(0.1), abs=1e-6)


def test_without_integration_it_is_the_censored_fit_of_scipy() -> None:
    reading = [0.0, 0.0, 1.0, 1.0, 1.0, 2.0, 2.0, 4.0]
    censored = stats.CensoredData(interval=[(y - 0.5, y + 0.5) for y in reading])
    mean, sd = stats.norm.fit(censored)
    steps = product_steps(reading)
    found = optimize.minimize(
        lambda at: -steps._log_density(np.array([[at[0]]]), np.exp(at[1:]))[0, 0],
        [0.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-12},
    )
    assert (found.x[0], np.exp(found.x[1])) == pytest.approx((mean, sd), rel=1e-4)
    # One mean was fitted to 8 touches: the restricted sd is larger by about root of 8 / 7.
    assert rounded_sd(reading, [0] * 8, 1.0).sd_mm == pytest.approx(sd * np.sqrt(8 / 7), rel=0.01)


# ---- widths, steps left, sharp edges


def test_likelihood_depends_on_the_sd_in_widths_only() -> None:
    unit = product_steps([0.0, 1.0, 1.0, 3.0])
    reading, zeros = np.array([0.0, 0.004, 0.004, 0.012]), np.zeros(4, dtype=np.intp)
    small, folded = steps_module.find_steps(reading, zeros, np.full(4, 0.004), np.array([0]), np.array([4]))
    assert folded == 0
    assert small.upper.tolist() == unit.upper.tolist()
    assert small.log_likelihood(np.log(0.004 * 0.7)) == pytest.approx(
        unit.log_likelihood(np.log(0.7)), rel=1e-12
    )


def test_readings_a_quarter_of_a_width_off_are_still_on_their_step() -> None:
    assert product_steps([0.0, 1.25]).kinds.tolist() == [2]
    with pytest.raises(
        StatisticsError, match=r"direction 0: readings do not lie on steps of 1 mm \(one is 0\.251 mm off\)"
    ):
        product_steps([0.0, 1.251])


def test_the_reading_furthest_off_is_named_with_its_direction() -> None:
    reading, index = np.array([0.0, 0.0023, 0.0, 0.0034]), np.array([0, 0, 1, 1])
    with pytest.raises(
        StatisticsError, match=r"direction 240: .* steps of 0\.001 mm \(one is 0\.0004 mm off\)"
    ):
        steps_module.find_steps(reading, index, np.full(4, 0.001), np.array([120, 240]), np.array([2, 2]))


@pytest.mark.parametrize(("touches", "sd"), [(2, 0.09), (30, 0.09), (1000, 0.09), (1000, 0.3), (40, 1.5)])
def test_sharp_edges_of_one_step_are_resolved(touches: int, sd: float) -> None:
    steps = product_steps([0.0] * touches)

    def density(mean: float) -> float:
        return float(shares([0.0], np.array(mean), sd)[0, 0] ** touches)

    expected = np.log(2 * integrate.quad(density, 0.0, 0.5 + 9 * sd, epsabs=0.0, limit=500, points=[0.5])[0])
    assert steps.log_likelihood(np.log(sd)) == pytest.approx(expected, abs=1e-6)
