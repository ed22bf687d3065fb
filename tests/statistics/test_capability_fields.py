"""Capability: each field beside what it is made of, levels, edges of the tolerance, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from simulated import block_by_block

from probetest.errors import StatisticsError
from probetest.statistics.capability import (
    Capability,
    OneSidedCapability,
    _effective_dof,
    capability,
    one_sided_capability,
)
from probetest.statistics.capability_forms import (
    METHODS,
    TAIL,
    counted_figures,
    counted_side,
    percentile_figures,
    side_figure,
)
from probetest.statistics.mixture import fit_mixture, judge_shape

QUANTILES = (TAIL, 0.5, 1 - TAIL)
LEVELS = pytest.mark.parametrize("level", [0.8, 0.9, 0.99])


def lobed(seed: int = 141, directions: int = 12, touches: int = 10) -> tuple[np.ndarray, np.ndarray]:
    """Directions that differ by far more than they scatter (sd 0.5)."""
    rng, direction = np.random.default_rng(seed), block_by_block(directions, touches)
    means = 3 * np.cos(3 * np.arange(directions) * 2 * np.pi / directions + 0.2)
    return means[direction] + rng.normal(0.0, 0.5, direction.size), direction


def many(seed: int = 142) -> tuple[np.ndarray, np.ndarray]:
    """So many readings, and so far from normal, that they are counted."""
    return np.random.default_rng(seed).exponential(size=4000), block_by_block(40, 100)


def judged(data: tuple[np.ndarray, np.ndarray], tolerance_mm: float, **options: object) -> Capability:
    settings: dict[str, object] = {"known_reference": True}
    return capability(*data, tolerance_mm, **(settings | options))


def one_sided(data: tuple[np.ndarray, np.ndarray], limit_mm: float, **options: float) -> OneSidedCapability:
    return one_sided_capability(*data, limit_mm, "max", **options)


# ---- fields


@LEVELS
@pytest.mark.parametrize("known", [True, False])
def test_figures_are_those_of_the_percentiles_with_half_the_risk_on_each_side(
    known: bool, level: float
) -> None:
    error, direction = lobed()
    found = judged((error, direction), 20.0, known_reference=known, level=level)
    quantiles = fit_mixture(error, direction).quantiles(QUANTILES, about_centre=not known)
    (cp, cp_limits), (cpk, cpk_limits) = percentile_figures(quantiles, 10.0, (1 - level) / 2)
    assert found.form == "mixture"
    assert (found.cp, found.cpk) == pytest.approx((cp, cpk), rel=1e-12)
    assert (found.percentile_cp, found.percentile_cpk) == (found.cp, found.cpk)
    # Upper limits may be smaller by the readings themselves, never the lower ones.
    assert found.cp_interval.lower == pytest.approx(cp_limits[0], rel=1e-12)
    assert found.cpk_interval.lower == pytest.approx(cpk_limits[0], rel=1e-12)
    assert (found.cp_interval.level, found.cpk_interval.level) == (level, level)


@LEVELS
def test_counted_figures_have_half_the_risk_on_each_side(level: float) -> None:
    error, direction = many()
    found = judged((error, direction), 30.0, level=level)
    (cp, cp_limits), (cpk, cpk_limits) = counted_figures(error, 15.0, TAIL, (1 - level) / 2)
    assert found.form == "counted"
    assert (found.cp, found.cpk) == pytest.approx((cp, cpk), rel=1e-12)
    assert (found.cp_interval.lower, found.cp_interval.upper) == pytest.approx(cp_limits, rel=1e-12)
    assert (found.cpk_interval.lower, found.cpk_interval.upper) == pytest.approx(cpk_limits, rel=1e-12)


@LEVELS
def test_a_counted_figure_of_one_side_has_half_the_risk_on_each(level: float) -> None:
    error, direction = many()
    found = one_sided((error, direction), 12.0, level=level)
    figure, limits = counted_side(np.sort(error), 12.0, TAIL, (1 - level) / 2)
    assert found.form == "counted"
    assert found.figure == pytest.approx(figure, rel=1e-12)
    assert (found.interval.lower, found.interval.upper) == pytest.approx(limits, rel=1e-12)
    assert found.interval.level == level


@LEVELS
def test_a_one_sided_figure_of_lobed_readings_is_that_of_their_percentiles(level: float) -> None:
    error, direction = lobed()
    found = one_sided((error, direction), 12.0, level=level)
    quantiles = fit_mixture(error, direction).quantiles(QUANTILES, about_centre=False)
    figure, limits = side_figure(quantiles, 12.0, (1 - level) / 2, above=True)
    assert found.form == "mixture"
    assert found.figure == pytest.approx(figure, rel=1e-12)
    assert found.interval.lower == pytest.approx(limits[0], rel=1e-12)


@pytest.mark.parametrize("known", [True, False])
def test_every_other_field_is_what_it_says(known: bool) -> None:
    error, direction = lobed()
    found = judged((error, direction), 20.0, known_reference=known)
    mixture, shape = fit_mixture(error, direction), judge_shape(error, direction)
    means = error.reshape(12, 10).mean(axis=1)
    within = np.sqrt(((error.reshape(12, 10) - means[:, None]) ** 2).sum() / 108)
    bias = error.mean() if known else 0.0
    assert mixture.within_mm == pytest.approx(within, rel=1e-12)
    assert (found.n, found.known_reference, found.warning) == (120, known, "")
    assert found.bias_mm == pytest.approx(bias, rel=1e-12)
    assert found.sd_mm == pytest.approx(error.std(ddof=1), rel=1e-12)
    assert found.normal_cp == pytest.approx(20 / (6 * error.std(ddof=1)), rel=1e-12)
    assert found.normal_cpk == pytest.approx((10 - abs(bias)) / (3 * error.std(ddof=1)), rel=1e-12)
    assert found.cg == pytest.approx(0.2 * 20 / (6 * within), rel=1e-12)
    assert found.normal_p == pytest.approx(stats.shapiro(error).pvalue, rel=1e-9)
    assert found.method == METHODS["mixture"]
    assert (found.skewness, found.excess_kurtosis) == (shape.skewness, shape.excess)
    assert found.shape_cpk_lower < found.cpk_interval.lower


@LEVELS
def test_what_is_presumed_names_the_level_and_the_limit_of_another_shape(level: float) -> None:
    found = judged(lobed(), 20.0, level=level)
    assert (
        f"the lower limit of the {100 * level:g} % interval is {found.shape_cpk_lower:.2f}; "
        "whatever the tails, at most 2.5 % of single readings lie outside the tolerance (95 %, n = 120)"
    ) in found.presumes
    found = one_sided(lobed(), 12.0, level=level)
    assert (
        f"the lower limit of the {100 * level:g} % interval is {found.shape_lower:.2f}; "
        "whatever the tails, at most 2.5 % of single readings lie beyond the limit (95 %, n = 120)"
    ) in found.presumes


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_capabilities_have_no_unit_and_lengths_have_that_of_the_readings(unit: float) -> None:
    error, direction = lobed()
    one, other = judged((error, direction), 20.0), judged((unit * error, direction), 20.0 * unit)
    for name in (
        "cp",
        "cpk",
        "normal_cp",
        "normal_cpk",
        "cg",
        "effective_dof",
        "shape_cpk_lower",
        "skewness",
    ):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-6)
    assert other.cpk_interval.lower == pytest.approx(one.cpk_interval.lower, rel=1e-6)
    assert (other.sd_mm, other.bias_mm) == pytest.approx((unit * one.sd_mm, unit * one.bias_mm), rel=1e-9)
    above, scaled = one_sided((error, direction), 12.0), one_sided((unit * error, direction), 12.0 * unit)
    assert (scaled.figure, scaled.interval.lower) == pytest.approx(
        (above.figure, above.interval.lower), rel=1e-6
    )
    assert scaled.limit_mm == 12.0 * unit


def test_readings_on_the_edge_of_the_tolerance_lie_within() -> None:
    error = np.array([-2.0, -1.0, 0.0, 1.0, 2.0, 2.5, -2.5, 0.5])
    assert judged((error, np.zeros(8, dtype=int)), 4.0).outside == 2
    assert one_sided((error, np.zeros(8, dtype=int)), 2.0).beyond == 1


# ---- degrees of freedom of the sd of all readings


def test_directions_that_differ_tell_more_of_the_sd_than_independent_readings() -> None:
    # Between-direction over within-direction variance a: (N - 1) (1 + a)**2 / (1 + 2 a).
    error, direction = lobed()
    rows = error.reshape(12, 10)
    between = 10 * ((rows.mean(axis=1) - error.mean()) ** 2).sum()
    within = ((rows - rows.mean(axis=1)[:, None]) ** 2).sum() / 108
    ratio = (between / within - 11) / 119
    assert judged((error, direction), 20.0).effective_dof == pytest.approx(
        119 * (1 + ratio) ** 2 / (1 + 2 * ratio), rel=1e-9
    )


@pytest.mark.parametrize(("excess", "ratio"), [(-1.0, 0.0), (0.0, 0.0), (1.0, 1 / 119)])
def test_directions_more_alike_than_scatter_makes_them_are_taken_as_alike(
    excess: float, ratio: float
) -> None:
    # Sum of squares between directions in within-direction variances: 11 from scatter alone.
    sd = float(np.sqrt((108 * 0.25 + (11 + excess) * 0.25) / 119))
    found = _effective_dof(sd, 0.5, 120, 12)
    assert found == pytest.approx(119 * (1 + ratio) ** 2 / (1 + 2 * ratio), rel=1e-9)


# ---- what goes in


@pytest.mark.parametrize("shift", [0.0, 1000.0])
def test_numbers_of_single_precision_are_computed_with_in_double(shift: float) -> None:
    error, direction = lobed()
    single = (error + shift).astype(np.float32)
    for known in (True, False):
        assert judged((single, direction), 3e3, known_reference=known) == judged(
            (single.astype(float), direction), 3e3, known_reference=known
        )
    assert one_sided((single, direction), 3e3) == one_sided((single.astype(float), direction), 3e3)


def test_lists_are_as_good_as_arrays() -> None:
    error, direction = lobed()
    assert capability(error.tolist(), direction.tolist(), 20.0, known_reference=True) == judged(
        (error, direction), 20.0
    )


def test_directions_may_be_numbered_in_floats() -> None:
    error, direction = lobed()
    assert judged((error, direction.astype(float)), 20.0) == judged((error, direction), 20.0)


def refusal(call: object, *arguments: object, **options: object) -> str:
    with pytest.raises(StatisticsError) as fault:
        call(*arguments, **options)  # type: ignore[operator]
    return str(fault.value)


@pytest.mark.parametrize("tolerance", [0.0, -1.0])
def test_a_tolerance_that_is_none_is_refused_with_what_was_given(tolerance: float) -> None:
    said = refusal(capability, *lobed(), tolerance, known_reference=True)
    assert said == f"a tolerance must be above 0 mm, but got {tolerance}"


@pytest.mark.parametrize("tolerance", [1e-9, 0.5])
def test_a_tolerance_however_small_is_answered(tolerance: float) -> None:
    assert 0 < judged(lobed(), tolerance).cp < 0.1


def test_refusals_say_what_was_found_and_what_is_needed() -> None:
    error, direction = lobed()
    assert refusal(one_sided_capability, error, direction, 1.0, "above") == (
        'a limit is on side "max" or "min", but got "above"'
    )
    assert (
        refusal(one_sided_capability, error, direction[1:], 1.0, "max") == "120 readings but 119 directions"
    )
    assert refusal(one_sided_capability, error[:4], direction[:4], 1.0, "max") == (
        "capability needs at least 5 readings, but got 4"
    )
    error[119] = np.nan
    assert (
        refusal(one_sided_capability, error, direction, 1.0, "max") == "reading 120 of 120 is nan, no number"
    )
