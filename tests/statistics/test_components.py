"""Variance components: certified tables, statsmodels, dense algebra, coverage by simulation."""

from __future__ import annotations

import json
import re
import warnings
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose
from scipy import optimize, stats
from simulated import assert_share, assert_share_at_least, repeated
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from probetest.errors import StatisticsError
from probetest.statistics.components import Component, Components, crossed_components, nested_components
from probetest.statistics.intervals import sd_interval
from probetest.statistics.mean_squares import (
    LARGEST_RATIO,
    Cells,
    MeanSquares,
    cell_means,
    limits,
    mean_squares,
    restricted_variances,
    split,
)

REFERENCES = Path(__file__).parents[1] / "references"
CERTIFIED = json.loads((REFERENCES / "analysis_of_variance.json").read_text(encoding="utf-8"))
PUBLISHED = json.loads((REFERENCES / "components.json").read_text(encoding="utf-8"))
HARDEST = ("SmLs07", "SmLs08", "SmLs09")
# The inputs with an offset of a million, or 1e12, are known to a double only to 1e-10, or 1e-4.
RELATIVE = {"SmLs04": 1e-9, "SmLs05": 1e-9, "SmLs06": 1e-9, "AtmWtAg": 1e-9} | dict.fromkeys(HARDEST, 2e-4)

LAYOUTS = ("nested", "crossed")


def certified_groups(name: str) -> list[np.ndarray]:
    entry = CERTIFIED.get(name) or PUBLISHED[name]
    if "groups" in entry:
        return [np.array(group) for group in entry["groups"]]
    pairs, offset = (entry["rule"]["repeats"] - 1) // 2, entry["rule"]["offset"]
    bases = (0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5)
    return [
        offset + np.r_[base, np.tile([round(base - 0.1, 1), round(base + 0.1, 1)], pairs)] for base in bases
    ]


def of_groups(groups: list[np.ndarray], level: float = 0.95) -> Components:
    labels = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    return nested_components(np.concatenate(groups), [labels], level=level)


class Study:
    """Readings of sessions by directions by touches, with their labels."""

    def __init__(self, reading: np.ndarray, session: np.ndarray, direction: np.ndarray) -> None:
        self.reading, self.session, self.direction = reading, session, direction

    def found(self, layout: str, **options: Any) -> Components:
        if layout == "crossed":
            return crossed_components(self.reading, self.session, self.direction, **options)
        return nested_components(self.reading, [self.session, self.direction], **options)

    def cells(self, layout: str) -> Cells:
        return cell_means(self.reading, self.session, self.direction, is_crossed=layout == "crossed")

    def squares(self, layout: str) -> MeanSquares:
        cells = self.cells(layout)
        return mean_squares(cells, split(cells, np.ones(len(cells.mean))))

    @property
    def frame(self) -> pd.DataFrame:
        return pd.DataFrame({"y": self.reading, "s": self.session, "d": self.direction})


def study(
    rng: np.random.Generator, counts: np.ndarray, session_sd: float = 1.0, bend_sd: float = 0.5
) -> Study:
    """Touches of sd 1 in a table of counts, shape (sessions, directions)."""
    session, direction = (np.repeat(index.ravel(), counts.ravel()) for index in np.indices(counts.shape))
    shift = rng.normal(size=counts.shape[0]) * session_sd
    bend = rng.normal(size=counts.shape) * bend_sd
    noise = rng.normal(size=len(session))
    return Study(shift[session] + bend[session, direction] + noise, session, direction)


def uneven(rng: np.random.Generator, sessions: int, directions: int, missing: float = 0.0) -> np.ndarray:
    counts = rng.integers(1, 9, size=(sessions, directions))
    counts[1:, 1:] *= rng.random((sessions - 1, directions - 1)) >= missing
    return counts


EVEN = np.full((4, 5), 3)
UNEVEN = uneven(np.random.default_rng(4), 4, 5)
GAPPY = uneven(np.random.default_rng(5), 5, 6, missing=0.35)
TABLES = {"even": EVEN, "uneven": UNEVEN, "gaps": GAPPY}


# ---- certified and published values


@pytest.mark.parametrize("name", [*CERTIFIED, *HARDEST])
def test_certified_table(name: str) -> None:
    entry = CERTIFIED.get(name) or PUBLISHED[name]
    groups = certified_groups(name)
    between, within = of_groups(groups).table
    relative = RELATIVE.get(name, 1e-11)
    assert within.mean_square_mm2 == pytest.approx(entry["within"], rel=relative)
    assert between.mean_square_mm2 == pytest.approx(entry["between"], rel=relative)
    assert between.f == pytest.approx(entry["f"], rel=relative)
    assert (between.dof, within.dof) == (len(groups) - 1, entry["dof_within"])


def test_hardest_certified_set_loses_no_digit_of_its_inputs() -> None:
    groups = certified_groups("SmLs09")
    exact = [[Fraction(float(value)) for value in group] for group in groups]
    means = [sum(group) / len(group) for group in exact]
    within = sum((value - mean) ** 2 for group, mean in zip(exact, means, strict=True) for value in group)
    grand = sum(means) / len(means)
    between = sum(len(group) * (mean - grand) ** 2 for group, mean in zip(exact, means, strict=True))
    rows = of_groups(groups).table
    assert rows[0].sum_squares_mm2 == pytest.approx(float(between), rel=1e-12)
    assert rows[1].sum_squares_mm2 == pytest.approx(float(within), rel=1e-12)


def test_handbook_one_way_example() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 7.4.3.4; prints 27.897, 17.452, 9.59.
    levels = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    found = of_groups([np.array(level) for level in levels])
    between, within = found.table
    assert between.sum_squares_mm2 == pytest.approx(27.897333333333307, rel=1e-12)
    assert within.sum_squares_mm2 == pytest.approx(17.452, rel=1e-12)
    assert between.mean_square_mm2 == pytest.approx(13.948666666666654, rel=1e-12)
    assert (between.f, between.p) == pytest.approx((9.591107036442805, 0.0032482226008593005), rel=1e-11)
    assert np.isnan([within.f, within.p]).all()
    assert found.parts[0].sd_mm ** 2 == pytest.approx(2.4988666666666637, rel=1e-12)
    assert found.parts[1].sd_mm ** 2 == pytest.approx(1.4543333333333335, rel=1e-12)


def test_dyestuff() -> None:
    entry = PUBLISHED["dyestuff"]
    found = of_groups([np.array(group) for group in entry["groups"]])
    assert [part.sd_mm for part in found.parts] == pytest.approx(entry["printed_sd"], abs=0.005)


def paste() -> Study:
    values = np.array(PUBLISHED["paste"]["values"])
    labels = [index.ravel() for index in np.indices(values.shape)]
    return Study(values.ravel(), labels[0], labels[1])


def test_paste() -> None:
    entry = PUBLISHED["paste"]
    found = paste().found("nested", names=("batch", "cask", "assay"))
    assert [row.mean_square_mm2 for row in found.table[:2]] == pytest.approx(
        entry["printed_mean_squares"], abs=0.0005
    )
    assert [part.sd_mm for part in found.parts] == pytest.approx(entry["printed_sd"], abs=0.0005)


def test_gauge_study() -> None:
    entry = PUBLISHED["gauge"]
    values = np.array(entry["part_operator_repeat"])
    part, operator, _ = (index.ravel() for index in np.indices(values.shape))
    found = crossed_components(values.ravel(), operator, part, names=("operator", "part", "repeat"))
    assert [row.source for row in found.table] == ["part", "operator", "operator x part", "repeat"]
    assert [row.sum_squares_mm2 for row in found.table] == pytest.approx(entry["sums_of_squares"], rel=1e-12)
    assert [row.dof for row in found.table] == [9, 2, 18, 60]
    assert found.table[2].p == pytest.approx(entry["printed_interaction_p"], abs=5e-5)
    assert found.parts[2].sd_mm == pytest.approx(entry["repeatability"], rel=1e-12)


# ---- what is in the result


def test_nested_result_by_hand() -> None:
    # Cell means 1, 3 | 6, 8 with touches 1 apart either way; session means 2 and 7.
    reading = [0, 2, 2, 4, 5, 7, 7, 9]
    found = nested_components(reading, [list("aaaabbbb"), [1, 1, 2, 2, 1, 1, 2, 2]])
    assert found.n == 8
    assert found.method == "analysis of variance"
    assert [row.sum_squares_mm2 for row in found.table] == pytest.approx([50, 8, 8], rel=1e-12)
    assert [row.dof for row in found.table] == [1, 2, 4]
    assert [row.mean_square_mm2 for row in found.table] == pytest.approx([50, 4, 2], rel=1e-12)
    assert [row.f for row in found.table[:2]] == pytest.approx([12.5, 2], rel=1e-12)
    assert [row.p for row in found.table[:2]] == pytest.approx(
        [stats.f.sf(12.5, 1, 2), stats.f.sf(2, 2, 4)], rel=1e-12
    )
    session, direction, touch = found.parts
    assert [part.name for part in found.parts] == ["session", "direction", "touch"]
    assert [part.sd_mm**2 for part in found.parts] == pytest.approx([11.5, 1, 2], rel=1e-12)
    assert [part.groups for part in found.parts] == [2, 4, 8]
    assert [part.dof for part in found.parts] == [1, 2, 4]
    assert [part.share for part in found.parts] == pytest.approx([11.5 / 14.5, 1 / 14.5, 2 / 14.5], rel=1e-12)
    assert [part.is_floored for part in (session, direction, touch, found.total)] == [False] * 4
    assert touch.interval_mm == sd_interval(touch.sd_mm, 4)
    assert found.total.sd_mm**2 == pytest.approx(14.5, rel=1e-12)
    # Weights of the mean squares in the total: 1/4, 1/4, 1/2.
    squared = (50 / 4) ** 2 / 1 + (4 / 4) ** 2 / 2 + (2 / 2) ** 2 / 4
    assert found.total.dof == pytest.approx(14.5**2 / squared, rel=1e-12)
    assert (found.total.name, found.total.share, found.total.groups) == ("total", 1.0, 8)


def test_crossed_result_by_hand() -> None:
    # Three sessions, two directions: cell means 1, 4 | 2, 6 | 0, 2.
    cell = np.array([[1.0, 4.0], [2.0, 6.0], [0.0, 2.0]])
    reading = (cell[:, :, None] + [-1.0, 1.0]).ravel()
    found = crossed_components(reading, np.repeat([7, 8, 9], 4), np.tile([0, 0, 90, 90], 3))
    assert [row.source for row in found.table] == ["direction", "session", "session x direction", "touch"]
    assert [row.sum_squares_mm2 for row in found.table] == pytest.approx([27, 18, 2, 12], rel=1e-12)
    assert [row.dof for row in found.table] == [1, 2, 2, 6]
    assert [row.f for row in found.table[:3]] == pytest.approx([27, 9, 0.5], rel=1e-12)
    assert found.table[1].p == pytest.approx(stats.f.sf(9, 2, 2), rel=1e-12)
    assert [part.name for part in found.parts] == ["session", "session x direction", "touch"]
    assert [part.sd_mm**2 for part in found.parts] == pytest.approx([2, 0, 2], rel=1e-12)
    assert [part.groups for part in found.parts] == [3, 6, 12]
    assert [part.dof for part in found.parts] == [2, 2, 6]
    assert [part.is_floored for part in found.parts] == [False, True, False]
    assert [part.share for part in found.parts] == pytest.approx([0.5, 0, 0.5], rel=1e-12)
    assert (found.total.sd_mm**2, found.n, found.total.groups) == pytest.approx((4, 12, 12), rel=1e-12)


def test_one_way_names() -> None:
    found = nested_components([1, 2, 3, 5], [[1, 1, 2, 2]])
    assert [part.name for part in found.parts] == ["session", "touch"]
    assert [row.source for row in found.table] == ["session", "touch"]
    assert [part.groups for part in found.parts] == [2, 4]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_given_names(layout: str) -> None:
    found = study(np.random.default_rng(1), EVEN).found(layout, names=("day", "side", "hit"))
    inner = "day x side" if layout == "crossed" else "side"
    assert [part.name for part in found.parts] == ["day", inner, "hit"]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", TABLES)
def test_every_interval_has_the_level_and_holds_its_estimate(layout: str, table: str) -> None:
    found = study(np.random.default_rng(2), TABLES[table]).found(layout, level=0.8)
    for part in (*found.parts, found.total):
        assert part.interval_mm.level == 0.8
        assert part.sd_mm in part.interval_mm


@pytest.mark.parametrize(
    ("table", "method"), [("even", "analysis of variance"), ("gaps", "restricted likelihood")]
)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_method(layout: str, table: str, method: str) -> None:
    found = study(np.random.default_rng(3), TABLES[table]).found(layout)
    assert found.method == method
    assert found.total.sd_mm**2 == pytest.approx(sum(part.sd_mm**2 for part in found.parts), rel=1e-12)
    assert sum(part.share for part in found.parts) == pytest.approx(1, rel=1e-12)


def test_same_cells_in_every_session_count_as_even_only_with_even_touches() -> None:
    counts = EVEN.copy()
    counts[0, 0] += 1
    assert study(np.random.default_rng(3), counts).found("nested").method == "restricted likelihood"


def test_sessions_of_unequal_size_are_not_even() -> None:
    counts = EVEN.copy()
    counts[0, 0] = 0
    assert study(np.random.default_rng(3), counts).found("nested").method == "restricted likelihood"


def figures(found: Components) -> list[float]:
    parts = (*found.parts, found.total)
    rows = [figure for row in found.table for figure in (row.dof, row.sum_squares_mm2, row.f, row.p)]
    sizes = [size for part in parts for size in (part.sd_mm, part.interval_mm.lower, part.interval_mm.upper)]
    return [*sizes, *(part.dof for part in parts), *(part.share for part in parts), *rows]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", TABLES)
def test_order_of_readings_and_kind_of_labels_do_not_matter(layout: str, table: str) -> None:
    rng = np.random.default_rng(6)
    data = study(rng, TABLES[table])
    order = rng.permutation(len(data.reading))
    words = np.array(["e", "d", "c", "b", "a"], dtype=object)
    other = Study(data.reading[order], words[data.session[order]], 30.0 * data.direction[order])
    assert_allclose(figures(other.found(layout)), figures(data.found(layout)), rtol=1e-6, atol=1e-9)


def test_labels_of_mixed_kinds() -> None:
    labels = np.array([1, 1, "spare", "spare", None, None], dtype=object)
    found = nested_components([1.0, 2.0, 5.0, 7.0, 0.0, 1.0], [labels])
    assert (found.parts[0].groups, found.n) == (3, 6)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", TABLES)
def test_sizes_follow_the_unit_and_the_rest_does_not(layout: str, table: str) -> None:
    data = study(np.random.default_rng(6), TABLES[table])
    large = data.found(layout)
    small = Study(data.reading * 2.0**-10, data.session, data.direction).found(layout)
    for one, other in zip((*small.parts, small.total), (*large.parts, large.total), strict=True):
        assert one.sd_mm * 1024 == pytest.approx(other.sd_mm, rel=1e-6, abs=1e-9)
        assert one.interval_mm.upper * 1024 == pytest.approx(other.interval_mm.upper, rel=1e-9)
        assert (one.share, one.dof) == pytest.approx((other.share, other.dof), rel=1e-6)
    assert [row.f for row in small.table[:-1]] == pytest.approx([row.f for row in large.table[:-1]], rel=1e-9)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", TABLES)
def test_a_common_offset_does_not_matter(layout: str, table: str) -> None:
    data = study(np.random.default_rng(7), TABLES[table])
    readings = np.round(data.reading * 1024) / 1024
    near, far = (
        Study(readings, data.session, data.direction),
        Study(readings + 2.0**20, data.session, data.direction),
    )
    assert_allclose(figures(far.found(layout)), figures(near.found(layout)), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("table", TABLES)
def test_a_fixed_curve_is_no_scatter(table: str) -> None:
    data = study(np.random.default_rng(8), TABLES[table])
    curve = np.array([0.0, 40.0, -7.0, 90.0, 3.0, 12.0])[data.direction]
    bent = Study(data.reading + curve, data.session, data.direction)
    for plain, curved in zip(data.found("crossed").parts, bent.found("crossed").parts, strict=True):
        assert curved.sd_mm == pytest.approx(plain.sd_mm, rel=1e-6, abs=1e-9)
        assert curved.interval_mm.upper == pytest.approx(plain.interval_mm.upper, rel=1e-9)


def test_an_inner_label_means_another_group_in_another_session() -> None:
    data = study(np.random.default_rng(9), EVEN)
    apart = Study(data.reading, data.session, data.session * 100 + data.direction)
    assert_allclose(figures(apart.found("nested")), figures(data.found("nested")), rtol=1e-12)


# ---- estimates


@pytest.mark.parametrize("layout", LAYOUTS)
def test_restricted_likelihood_is_the_closed_form_on_even_data(layout: str) -> None:
    data = study(np.random.default_rng(10), EVEN, session_sd=2.0, bend_sd=1.5)
    squares = data.squares(layout)
    assert (squares.variances > 0).all()
    assert_allclose(restricted_variances(data.cells(layout), squares), squares.variances, rtol=1e-7)


def test_restricted_likelihood_pools_what_a_floor_takes_away() -> None:
    # Group means closer than the touches allow: all readings are one sample then.
    reading = np.array([1.0, 5.0, 2.0, 4.0, 3.0, 3.5, 0.0, 6.0])
    labels = np.repeat([0, 1, 2, 3], 2)
    cells = cell_means(reading, np.zeros(8, dtype=int), labels, is_crossed=False)
    squares = mean_squares(cells, split(cells, np.ones(4)))
    assert squares.variances[0] < 0
    assert_allclose(restricted_variances(cells, squares), [0, np.var(reading, ddof=1)], rtol=1e-9)


def dense_deviance(data: Study, layout: str, variances: np.ndarray) -> float:
    """-2 log restricted likelihood from the covariance of all readings."""
    sessions, cells = pd.get_dummies(data.session), pd.get_dummies(data.session * 100 + data.direction)
    covariance = variances[2] * np.eye(len(data.reading))
    for labels, variance in ((sessions, variances[0]), (cells, variances[1])):
        matrix = labels.to_numpy(dtype=float)
        covariance = covariance + variance * matrix @ matrix.T
    design = np.ones((len(data.reading), 1))
    if layout == "crossed":
        design = pd.get_dummies(data.direction).to_numpy(dtype=float)
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    rest = data.reading - design @ np.linalg.solve(information, design.T @ inverse @ data.reading)
    return float(np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1] + rest @ inverse @ rest)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", ["uneven", "gaps"])
def test_restricted_likelihood_is_greatest_by_dense_algebra(layout: str, table: str) -> None:
    data = study(np.random.default_rng(11), TABLES[table], session_sd=1.5, bend_sd=1.0)
    found = np.array([part.sd_mm for part in data.found(layout).parts])
    dense = optimize.minimize(
        lambda logs: dense_deviance(data, layout, np.exp(2 * logs)),
        np.log(found) + np.array([0.2, -0.2, 0.1]),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-11, "maxiter": 600},
    )
    assert_allclose(found, np.exp(dense.x), rtol=2e-5)


@pytest.mark.parametrize("seed", range(12, 20))
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_floored_part_is_at_the_edge_of_the_likelihood(layout: str, seed: int) -> None:
    data = study(np.random.default_rng(seed), GAPPY, session_sd=0.0, bend_sd=0.1)
    parts = data.found(layout).parts
    best = np.array([part.sd_mm**2 for part in parts])
    least = dense_deviance(data, layout, best)
    for index in range(3):
        for step in (-1e-2, 1e-2):
            other = best.copy()
            other[index] = max(other[index] + step, 0.0)
            assert dense_deviance(data, layout, other) >= least - 1e-9
    assert [part.is_floored for part in parts] == [bool(part.sd_mm == 0) for part in parts]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_mixed_model_of_statsmodels(layout: str) -> None:
    data = study(np.random.default_rng(21), UNEVEN, session_sd=2.0, bend_sd=1.5)
    formula = "y ~ C(d)" if layout == "crossed" else "y ~ 1"
    model = smf.mixedlm(formula, data.frame, groups="s", re_formula="1", vc_formula={"d": "0 + C(d)"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        fit = model.fit(reml=True)
    expected = np.sqrt([fit.cov_re.iloc[0, 0], fit.vcomp[0], fit.scale])
    assert_allclose([part.sd_mm for part in data.found(layout).parts], expected, rtol=5e-4)


def test_one_way_mixed_model_of_statsmodels() -> None:
    data = study(np.random.default_rng(22), np.array([[3], [9], [2], [5], [4], [7]]), session_sd=2.0)
    fit = smf.mixedlm("y ~ 1", data.frame, groups="s").fit(reml=True)
    expected = np.sqrt([fit.cov_re.iloc[0, 0], fit.scale])
    found = nested_components(data.reading, [data.session])
    assert found.method == "restricted likelihood"
    assert_allclose([part.sd_mm for part in found.parts], expected, rtol=1e-4)


@pytest.mark.parametrize("table", TABLES)
def test_crossed_table_of_statsmodels(table: str) -> None:
    data = study(np.random.default_rng(23), TABLES[table])
    expected = sm.stats.anova_lm(smf.ols("y ~ C(d) + C(s)", data.frame).fit())
    rows = data.found("crossed").table
    assert_allclose([row.sum_squares_mm2 for row in rows[:2]], expected["sum_sq"].iloc[:2], rtol=1e-10)
    assert [row.dof for row in rows[:2]] == list(expected["df"].iloc[:2])
    left = rows[2].sum_squares_mm2 + rows[3].sum_squares_mm2
    assert left == pytest.approx(expected["sum_sq"].iloc[2], rel=1e-10)
    assert rows[2].dof + rows[3].dof == expected["df"].iloc[2]


@pytest.mark.parametrize("table", TABLES)
def test_nested_table_of_statsmodels(table: str) -> None:
    data = study(np.random.default_rng(24), TABLES[table])
    frame = data.frame.assign(c=data.session * 100 + data.direction)
    upper = sm.stats.anova_lm(smf.ols("y ~ C(s)", frame).fit())
    cells = sm.stats.anova_lm(smf.ols("y ~ C(c)", frame).fit())
    rows = data.found("nested").table
    assert rows[0].sum_squares_mm2 == pytest.approx(upper["sum_sq"].iloc[0], rel=1e-10)
    together = rows[0].sum_squares_mm2 + rows[1].sum_squares_mm2
    assert together == pytest.approx(cells["sum_sq"].iloc[0], rel=1e-10)
    assert rows[2].mean_square_mm2 == pytest.approx(cells["mean_sq"].iloc[1], rel=1e-10)
    assert rows[1].f == pytest.approx(rows[1].mean_square_mm2 / rows[2].mean_square_mm2, rel=1e-12)


def test_unbalanced_one_way_f_test_of_statsmodels() -> None:
    data = study(np.random.default_rng(25), np.array([[3], [9], [2], [5]]))
    expected = sm.stats.anova_lm(smf.ols("y ~ C(s)", data.frame).fit())
    row = nested_components(data.reading, [data.session]).table[0]
    assert (row.f, row.p) == pytest.approx((expected["F"].iloc[0], expected["PR(>F)"].iloc[0]), rel=1e-10)


# ---- mean squares of cell means by dense algebra


def test_cell_means_by_hand() -> None:
    reading = np.array([10.0, 12.0, 20.0, 11.0, 15.0, 16.0])
    cells = cell_means(reading, np.array([0, 0, 1, 0, 1, 1]), np.array([0, 0, 2, 2, 0, 0]), is_crossed=True)
    # The median is 13.5; cells in order of session, then direction.
    assert list(cells.mean) == [-2.5, -2.5, 2.0, 6.5]
    assert list(cells.count) == [2, 1, 2, 1]
    assert list(cells.outer) == [0, 0, 1, 1]
    assert list(cells.block) == [0, 2, 0, 2]
    assert cells.within == pytest.approx(2.5, rel=1e-12)
    assert (cells.touch_dof, cells.is_balanced) == (2, False)


def dense_forms(cells: Cells) -> list[np.ndarray]:
    """Matrices of the quadratic forms: outer groups given blocks, rest; both with unit leading trace."""
    blocks, outers = np.eye(cells.block.max() + 1)[cells.block], np.eye(cells.outer.max() + 1)[cells.outer]
    over_blocks = blocks @ np.linalg.pinv(blocks)
    both = np.hstack([blocks, outers])
    over_both = both @ np.linalg.pinv(both)
    top, rest = over_both - over_blocks, np.eye(len(cells.mean)) - over_both
    return [top / np.trace(top @ outers @ outers.T), rest / np.trace(rest)]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("table", TABLES)
def test_mean_squares_by_dense_algebra(layout: str, table: str) -> None:
    data = study(np.random.default_rng(26), TABLES[table], session_sd=1.5, bend_sd=1.0)
    cells, squares = data.cells(layout), data.squares(layout)
    outers = np.eye(cells.outer.max() + 1)[cells.outer]
    shapes = [outers @ outers.T, np.eye(len(cells.mean)), np.diag(1 / cells.count)]
    forms = dense_forms(cells)
    expected = [[np.trace(form @ shape) for shape in shapes] for form in forms] + [[0, 0, 1]]
    assert_allclose(np.linalg.inv(squares.weights), expected, atol=1e-12)
    assert_allclose(squares.observed[:2], [cells.mean @ form @ cells.mean for form in forms], rtol=1e-9)
    assert squares.observed[2] == pytest.approx(
        cells.within / (len(data.reading) - len(cells.mean)), rel=1e-12
    )
    variances = np.maximum(squares.variances, 0)
    covariance = sum(variance * shape for variance, shape in zip(variances, shapes, strict=True))
    dofs = [np.trace(f @ covariance) ** 2 / np.trace(f @ covariance @ f @ covariance) for f in forms]
    assert_allclose(squares.dofs, [*dofs, len(data.reading) - len(cells.mean)], rtol=1e-9)
    assert [part.dof for part in data.found(layout).parts] == list(squares.dofs)


# ---- limits


@pytest.mark.parametrize("dof", [1, 2, 9.5, 200])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_limits_of_a_single_mean_square_are_those_of_chi_square(dof: float, level: float) -> None:
    found = limits(np.array([3.0]), np.array([float(dof)]), level)
    interval = sd_interval(np.sqrt(3.0), dof, level)
    assert found == pytest.approx((interval.lower**2, interval.upper**2), rel=1e-9)


@pytest.mark.parametrize(("plus", "minus"), [(1, 20), (2, 2), (4, 44), (29, 6)])
def test_limits_of_a_difference_are_0_where_an_f_test_is_at_its_edge(plus: int, minus: int) -> None:
    dofs = np.array([plus, minus], dtype=float)
    high, low = stats.f.isf(0.025, plus, minus), stats.f.ppf(0.025, plus, minus)
    assert limits(np.array([high, -1.0]), dofs, 0.95)[0] == pytest.approx(0, abs=1e-9 * high)
    assert limits(np.array([low, -1.0]), dofs, 0.95)[1] == pytest.approx(0, abs=1e-9)


def test_limits_of_a_difference_from_a_known_variance_are_exact() -> None:
    lower, upper = limits(np.array([7.0, -2.0]), np.array([4.0, 1e9]), 0.95)
    exact = sd_interval(np.sqrt(7.0), 4)
    assert (lower, upper) == pytest.approx((exact.lower**2 - 2, exact.upper**2 - 2), rel=1e-4)


def test_limits_of_a_sum() -> None:
    terms, dofs = np.array([2.0, 0.5, 1.0]), np.array([3.0, 10.0, 40.0])
    stretch = dofs / stats.chi2.ppf(0.025, dofs) - 1
    shrink = 1 - dofs / stats.chi2.isf(0.025, dofs)
    expected = 3.5 - np.sqrt(((shrink * terms) ** 2).sum()), 3.5 + np.sqrt(((stretch * terms) ** 2).sum())
    assert limits(terms, dofs, 0.95) == pytest.approx(expected, rel=1e-12)


def test_limits_of_three_terms_of_either_sign() -> None:
    terms, dofs = np.array([5.0, -1.0, -0.5]), np.array([3.0, 10.0, 40.0])
    stretch = dofs / stats.chi2.ppf(0.025, dofs) - 1
    shrink = 1 - dofs / stats.chi2.isf(0.025, dofs)
    below = (shrink[0] * 5) ** 2 + (stretch[1] * 1) ** 2 + (stretch[2] * 0.5) ** 2
    above = (stretch[0] * 5) ** 2 + (shrink[1] * 1) ** 2 + (shrink[2] * 0.5) ** 2
    for index, size in ((1, 1.0), (2, 0.5)):
        f = stats.f.isf(0.025, 3, dofs[index])
        below += 5 * size * ((f - 1) ** 2 - (shrink[0] * f) ** 2 - stretch[index] ** 2) / f
        f = stats.f.ppf(0.025, 3, dofs[index])
        above += 5 * size * ((1 - f) ** 2 - (stretch[0] * f) ** 2 - shrink[index] ** 2) / f
    expected = 3.5 - np.sqrt(below), 3.5 + np.sqrt(above)
    assert limits(terms, dofs, 0.95) == pytest.approx(expected, rel=1e-10)


def test_paste_intervals_are_the_limits_of_its_mean_squares() -> None:
    found = paste().found("nested")
    squares = np.array([row.mean_square_mm2 for row in found.table])
    dofs = np.array([9.0, 20.0, 30.0])
    weights = [[1 / 6, -1 / 6, 0], [0, 1 / 2, -1 / 2]]
    for part, weight in zip(found.parts, weights, strict=False):
        lower, upper = limits(np.array(weight) * squares, dofs, 0.95)
        assert part.interval_mm.lower == pytest.approx(np.sqrt(max(lower, 0)), rel=1e-9)
        assert part.interval_mm.upper == pytest.approx(np.sqrt(upper), rel=1e-9)
    lower, upper = limits(np.array([1 / 6, 1 / 3, 1 / 2]) * squares, dofs, 0.95)
    assert found.total.interval_mm.lower == pytest.approx(np.sqrt(lower), rel=1e-9)
    assert found.total.interval_mm.upper == pytest.approx(np.sqrt(upper), rel=1e-9)


# ---- few groups, floors, touches that agree


def floored() -> Components:
    """Two sessions with the same mean, touches that scatter."""
    return nested_components([0.0, 4.0, 1.0, 3.0, 0.5, 3.5], [[1, 1, 2, 2, 3, 3]])


def test_a_variance_below_0_is_shown_as_0_and_marked() -> None:
    session = floored().parts[0]
    assert (session.sd_mm, session.share, session.is_floored, session.interval_mm.lower) == (0, 0, True, 0)


def test_a_floored_part_keeps_the_upper_limit_of_equal_mean_squares() -> None:
    found = floored()
    even = found.table[1].mean_square_mm2 / 2
    upper = limits(np.array([even, -even]), np.array([2.0, 3.0]), 0.95)[1]
    assert found.parts[0].interval_mm.upper == pytest.approx(np.sqrt(upper), rel=1e-12)
    assert upper > 0


def test_two_sessions_say_next_to_nothing_about_the_scatter_of_sessions() -> None:
    data = study(np.random.default_rng(31), np.full((2, 6), 3), session_sd=10.0)
    session = data.found("crossed").parts[0]
    assert session.dof == 1
    assert session.interval_mm.upper / session.sd_mm == pytest.approx(31.9, abs=0.3)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_ten_sessions_bound_the_scatter_of_sessions_to_a_factor_of_2(layout: str) -> None:
    data = study(np.random.default_rng(32), np.full((10, 4), 2), session_sd=10.0)
    session = data.found(layout).parts[0]
    assert session.interval_mm.upper / session.sd_mm == pytest.approx(1.83, abs=0.02)


@pytest.mark.parametrize("touches", [4, 3], ids=["even", "uneven"])
def test_touches_that_agree_leave_the_other_sources(touches: int) -> None:
    reading = np.repeat([1.0, 2.0, 4.0], 4)
    keep = np.r_[np.arange(touches), np.arange(4, 12)]
    found = nested_components(reading[keep], [np.repeat([0, 1, 2], 4)[keep]])
    assert found.method == "analysis of variance"
    assert found.parts[0].sd_mm == pytest.approx(np.std([1, 2, 4], ddof=1), rel=1e-12)
    assert (found.parts[1].sd_mm, found.parts[1].interval_mm.upper, found.parts[1].is_floored) == (
        0,
        0,
        False,
    )
    assert (found.table[0].f, found.table[0].p) == (np.inf, 0)


@pytest.mark.parametrize(
    ("ratio", "method"), [(0.99, "restricted likelihood"), (1.01, "analysis of variance")]
)
def test_restricted_likelihood_stops_where_the_touches_hardly_count(ratio: float, method: str) -> None:
    # Variance 1 between groups, 1.5 touch**2 within.
    touch = np.sqrt(1 / (1.5 * ratio * LARGEST_RATIO))
    reading = np.array([-touch, touch, 1 - touch, 1, 1 + touch, 2 - touch, 2 + touch])
    found = nested_components(reading, [[0, 0, 1, 1, 1, 2, 2]])
    assert found.method == method
    assert [part.sd_mm for part in found.parts] == pytest.approx([1, np.sqrt(1.5) * touch], rel=1e-4)


@pytest.mark.parametrize("table", ["even", "gaps"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_readings_that_all_agree(layout: str, table: str) -> None:
    counts = TABLES[table]
    data = study(np.random.default_rng(33), counts)
    found = Study(np.full(len(data.reading), 20.1), data.session, data.direction).found(layout)
    for part in (*found.parts, found.total):
        assert (part.sd_mm, part.interval_mm.lower, part.interval_mm.upper) == (0, 0, 0)
        assert np.isnan(part.share)
    assert found.total.dof == found.n - 1 - (counts.shape[1] - 1) * (layout == "crossed")
    assert np.isnan([row.f for row in found.table]).all()
    assert np.isnan([row.p for row in found.table]).all()


# ---- refused


NO_READING = "components need a list of finite readings; leave out touches without one"
ONE_TOUCH = (
    "the scatter of a touch can't be told from that between groups of direction, as each holds 1 reading; "
    "take at least 2 readings in some of them"
)


def apart(sessions: int, directions: int) -> str:
    return (
        f"{sessions} groups of session can't be compared over {directions} of direction, as they share too "
        "few; touch at least 2 of direction, the same ones in each session"
    )


REFUSED_NESTED = {
    "no reading": ([], [[]], {}, NO_READING),
    "reading not finite": (
        [1.0, np.nan],
        [[1, 1]],
        {},
        NO_READING,
    ),
    "table of readings": (
        [[1.0, 2.0]],
        [[1, 1]],
        {},
        NO_READING,
    ),
    "labels too few": (
        [1, 2, 3],
        [[1, 1]],
        {},
        "each of the 3 readings needs one label per level, but got labels of shape (2,)",
    ),
    "label missing": (
        [1, 2],
        [[1, np.nan]],
        {},
        "a label is not a number; give each reading a label, or leave it out",
    ),
    "no level": ([1, 2], [], {}, "nested components take one or two levels of groups, but got 0"),
    "three levels": (
        [1],
        [[1], [1], [1]],
        {},
        "nested components take one or two levels of groups, but got 3",
    ),
    "names too few": (
        [1, 2],
        [[1, 2]],
        {"names": ["day"]},
        "the components need 2 names, outermost first, but got 1",
    ),
    "level": (
        [1, 2, 3, 4],
        [[1, 1, 2, 2]],
        {"level": 1},
        "a confidence level must lie between 0 and 1, but got 1",
    ),
    "one group": (
        [1, 2, 3],
        [[1, 1, 1]],
        {"names": ["day", "hit"]},
        "the scatter between groups of day needs at least 2 of them, but got 1; "
        "take the readings again in another day",
    ),
    "one session": (
        [1, 2, 3, 4],
        [[1, 1, 1, 1], [1, 1, 2, 2]],
        {},
        "the scatter between groups of session needs at least 2 of them, but got 1; "
        "take the readings again in another session",
    ),
    "one direction per session": (
        [1, 2, 3, 4],
        [[1, 1, 2, 2], [1, 1, 2, 2]],
        {},
        "the scatter between groups of direction needs at least 2 of them in one session, but none has more "
        "than 1; touch from another direction, or leave that level out",
    ),
    "one touch per direction": (
        [1, 2, 3, 4],
        [[1, 1, 2, 2], [1, 2, 1, 2]],
        {},
        ONE_TOUCH,
    ),
}


@pytest.mark.parametrize(
    ("reading", "levels", "options", "message"), REFUSED_NESTED.values(), ids=REFUSED_NESTED
)
def test_nested_refuses(reading: Any, levels: Any, options: dict[str, Any], message: str) -> None:
    with pytest.raises(StatisticsError, match=f"^{re.escape(message)}$"):
        nested_components(reading, levels, **options)


REFUSED_CROSSED = {
    "one session": (
        [1, 1, 1, 1],
        [1, 1, 2, 2],
        "the scatter between groups of session needs at least 2 of them, but got 1; "
        "take the readings again in another session",
    ),
    "one direction": (
        [1, 1, 2, 2],
        [1, 1, 1, 1],
        apart(2, 1),
    ),
    "nothing shared": (
        [1, 1, 1, 1, 2, 2, 2, 2],
        [1, 1, 2, 2, 3, 3, 4, 4],
        apart(2, 4),
    ),
    "two pairs apart": (
        [1, 1, 1, 2, 2, 3, 3, 3, 4, 4],
        [1, 1, 2, 1, 2, 3, 3, 4, 3, 4],
        apart(4, 4),
    ),
    "two large pairs apart": (
        [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4],
        [1, 2, 3, 1, 2, 3, 4, 5, 6, 4, 5, 6],
        apart(4, 6),
    ),
    "one touch each": (
        [1, 1, 2, 2],
        [1, 2, 1, 2],
        ONE_TOUCH,
    ),
}


@pytest.mark.parametrize(("session", "direction", "message"), REFUSED_CROSSED.values(), ids=REFUSED_CROSSED)
def test_crossed_refuses(session: Any, direction: Any, message: str) -> None:
    with pytest.raises(StatisticsError, match=f"^{re.escape(message)}$"):
        crossed_components(np.arange(len(session)), session, direction)


def test_the_least_data_that_carry_three_components() -> None:
    found = crossed_components([0.0, 1.0, 3.0, 5.0, 5.5], [1, 1, 2, 2, 2], [1, 2, 1, 2, 2])
    assert [part.dof for part in found.parts] == pytest.approx([1, 1, 1], abs=1e-9)


def test_crossed_refuses_names_of_another_number() -> None:
    with pytest.raises(StatisticsError, match="need 3 names, outermost first, but got 2"):
        crossed_components([1, 2], [1, 2], [1, 2], names=("a", "b"))


# ---- coverage


def variances_of(session_sd: float, bend_sd: float) -> np.ndarray:
    return np.array([session_sd**2, bend_sd**2, 1.0])


@pytest.mark.parametrize("session_sd", [0.0, 0.3, 1.0, 3.0])
@pytest.mark.parametrize("sessions", [2, 3, 5, 10, 30])
def test_limits_cover_on_even_data(sessions: int, session_sd: float) -> None:
    # Mean squares of even data are chi-square, so whole tests need not be simulated.
    rng = np.random.default_rng([41, sessions, int(10 * session_sd)])
    squares = study(rng, np.full((sessions, 6), 3)).squares("crossed")
    truth = variances_of(session_sd, 0.5)
    tests, hits = 1500, np.zeros(3, dtype=int)
    drawn = np.linalg.solve(squares.weights, truth) * rng.chisquare(squares.dofs, (tests, 3)) / squares.dofs
    for values in drawn:
        for index, weight in enumerate((*squares.weights[:2], squares.weights.sum(axis=0))):
            terms = weight * values
            terms[index % 2] -= min(terms.sum(), 0.0)
            lower, upper = limits(terms, squares.dofs, 0.95)
            hits[index] += lower <= (*truth[:2], truth.sum())[index] <= upper
    for count in hits:
        assert_share_at_least(int(count), tests, 0.95)
    if session_sd == 3 and sessions >= 5:
        assert_share(int(hits[0]), tests, 0.95)
        assert_share(int(hits[2]), tests, 0.95)
    if session_sd == 0:
        assert_share(int(hits[0]), tests, 0.975)


def hits_of(found: Components, truths: tuple[float, ...]) -> np.ndarray:
    parts: tuple[Component, ...] = (*found.parts, found.total)
    return np.array([truth in part.interval_mm for truth, part in zip(truths, parts, strict=True)], dtype=int)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(("session_sd", "bend_sd"), [(0.0, 0.3), (1.0, 1.0)])
def test_intervals_cover_on_uneven_data(layout: str, session_sd: float, bend_sd: float) -> None:
    tests, hits = 150, np.zeros(4, dtype=int)
    truths = (session_sd, bend_sd, 1.0, float(np.sqrt(variances_of(session_sd, bend_sd).sum())))
    for rng in repeated(np.random.default_rng([42, int(session_sd)]), tests):
        hits += hits_of(study(rng, GAPPY, session_sd, bend_sd).found(layout), truths)
    for count in hits:
        assert_share_at_least(int(count), tests, 0.94)


@pytest.mark.parametrize("touches", [[6, 6, 6, 6, 6], [2, 12, 3, 6, 1]], ids=["even", "uneven"])
def test_one_way_intervals_cover(touches: list[int]) -> None:
    tests, hits = 300, np.zeros(3, dtype=int)
    for rng in repeated(np.random.default_rng(43), tests):
        data = study(rng, np.array(touches)[:, None], session_sd=2.0, bend_sd=0.0)
        hits += hits_of(nested_components(data.reading, [data.session]), (2.0, 1.0, float(np.sqrt(5))))
    for count in hits:
        assert_share(int(count), tests, 0.95)


def test_variances_of_even_data_are_unbiased() -> None:
    rng = np.random.default_rng(44)
    found = np.array([study(rng, EVEN, 2.0, 1.0).squares("crossed").variances for _ in range(600)])
    error = found.std(axis=0) / np.sqrt(len(found))
    assert (np.abs(found.mean(axis=0) - variances_of(2.0, 1.0)) < 3.5 * error).all()
