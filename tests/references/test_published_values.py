"""The statistics against printed values of handbooks, standards, papers and tables."""

from __future__ import annotations

import numpy as np
import pytest
from reference_values import STATUSES, UNIVARIATE_SETS, VALUES, VARIANCE_SETS, gear_batches
from scipy import stats

from probetest.statistics.approach import fit_circle, project_on_approach
from probetest.statistics.capability import (
    capability,
    cp_interval,
    cpk_interval,
    one_sided_capability_interval,
)
from probetest.statistics.decision import decide
from probetest.statistics.drift import successive_sd
from probetest.statistics.esd import EsdResult, deleted_critical, extreme_residuals
from probetest.statistics.intervals import (
    one_sided_tolerance_factor,
    proportion_interval,
    proportion_upper,
    sd_interval,
)
from probetest.statistics.outliers import flag_scatter, flag_touches
from probetest.statistics.repeatability import check_homogeneity, cochran_critical, repeatability
from probetest.statistics.uncertainty import Component, combine, effective_dof


@pytest.mark.parametrize(
    "entries", [VALUES, VARIANCE_SETS, UNIVARIATE_SETS], ids=["values", "variance", "univariate"]
)
def test_every_value_names_its_source_and_status(entries: dict[str, dict[str, str]]) -> None:
    assert all(entry["status"] in STATUSES and entry["source"] for entry in entries.values())


# ---- outliers


def esd_of_one_sample(values: list[float], most: int, risk: float) -> EsdResult:
    return extreme_residuals(values, np.ones((len(values), 1)), most, risk)


def as_printed(deleted: float, n: int) -> float:
    """Distance from the mean over the sd of all n values, from the deleted studentised residual."""
    return float(np.sqrt(deleted**2 * (n - 1) / (n - 2 + deleted**2) * (n - 1) / n))


def rosner(index: int) -> tuple[float, float, float, float]:
    entry = VALUES["gesd_rosner"]
    found, left = esd_of_one_sample(entry["values"], 10, 0.05), len(entry["values"]) - index
    return (
        as_printed(found.statistics[index], left),
        entry["printed_statistics"][index],
        as_printed(found.criticals[index], left),
        entry["printed_criticals"][index],
    )


@pytest.mark.parametrize("index", range(10))
def test_esd_statistics_of_rosners_data(index: int) -> None:
    statistic, printed, _, _ = rosner(index)
    assert 0 <= statistic - printed < 0.001  # printed decimals are cut


@pytest.mark.parametrize("index", range(10))
def test_esd_critical_values_of_rosners_data(index: int) -> None:
    _, _, critical, printed = rosner(index)
    assert 0 <= critical - printed < 0.001  # printed decimals are cut


def test_rosners_data_hold_three_outliers() -> None:
    entry = VALUES["gesd_rosner"]
    found = esd_of_one_sample(entry["values"], 10, 0.05)
    outliers = sorted(entry["values"][one.place] for one in found.outliers)
    assert outliers == [5.34, 5.42, 6.01]


def test_grubbs_statistic_of_the_mass_spectrometer_data() -> None:
    entry = VALUES["grubbs_mass_spectrometer"]
    found = esd_of_one_sample(entry["values"], 1, 0.05)
    assert 0 <= as_printed(found.statistics[0], 8) - entry["printed_statistic"] < 1e-4
    assert as_printed(deleted_critical(8, 6, 0.05), 8) == pytest.approx(
        entry["printed_critical_two_sided"], abs=5e-4
    )
    assert found.candidates == (7,)
    assert len(found.outliers) == 1


def test_the_mass_spectrometer_outlier_is_flagged_as_a_touch_of_a_whole_test() -> None:
    # Among eight more directions that scatter like its other readings.
    values = np.array(VALUES["grubbs_mass_spectrometer"]["values"])
    reading = np.concatenate([values, *(np.roll(values[:7], turn) for turn in range(8))])
    direction = np.r_[np.zeros(8, dtype=int), np.repeat(np.arange(1, 9), 7)]
    (flag,) = flag_touches(reading, direction, risk=0.05)
    assert flag.touch == 7
    assert flag.deviation_mm == pytest.approx(245.57 - np.mean(values[:7]), rel=1e-12)


# ---- scatter


@pytest.mark.parametrize(
    ("table", "risk", "error"), [("cochran_5_percent", 0.05, 1.1e-3), ("cochran_1_percent", 0.01, 2e-4)]
)
@pytest.mark.parametrize("groups", [2, 3, 4, 5, 6, 8, 10, 20])
def test_cochran_critical_values(table: str, risk: float, error: float, groups: int) -> None:
    entry = VALUES[table]
    found = [cochran_critical(groups, n, risk) for n in entry["n"]]
    assert found == pytest.approx(entry["printed"][str(groups)], abs=error)


@pytest.mark.parametrize(("share", "flagged"), [(0.53, False), (0.55, True)])
def test_scatter_is_flagged_beyond_the_tabled_share(share: float, flagged: bool) -> None:
    # Ten directions of three touches at 1 %: the table prints 0.5358.
    variance = np.full(10, (1 - share) / 9)
    variance[4] = share
    assert bool(flag_scatter(np.sqrt(variance), np.full(10, 3), risk=0.01)) is flagged


def test_sd_of_all_gears() -> None:
    diameter, _ = gear_batches()
    entry = VALUES["gear_sd"]
    found = repeatability(diameter, np.zeros(100, dtype=int), [0.0])
    assert found.sd_mm == pytest.approx(entry["printed_sd"], rel=1e-6)
    assert found.directions[0].mean_mm == pytest.approx(entry["printed_mean"], rel=1e-7)
    assert 99 * found.sd_mm**2 / entry["tested_sd"] ** 2 == pytest.approx(
        entry["printed_statistic"], rel=2e-6
    )


def test_interval_of_the_sd_of_all_gears() -> None:
    found = sd_interval(VALUES["gear_sd"]["printed_sd"], 99)
    assert (found.lower, found.upper) == pytest.approx(VALUES["gear_sd"]["interval"], rel=1e-6)


def test_brown_forsythe_statistic_of_the_gear_batches() -> None:
    entry = VALUES["gear_brown_forsythe"]
    p_value = check_homogeneity(*gear_batches()).brown_forsythe_p
    assert p_value == pytest.approx(entry["printed_p"], abs=5e-5)
    assert stats.f.isf(p_value, 9, 90) == pytest.approx(entry["printed_statistic"], abs=1e-5)


def test_mean_square_within_levels_of_the_handbook() -> None:
    entry = VALUES["variance_components"]
    found = repeatability(np.ravel(entry["levels"]), np.repeat([0, 1, 2], 5), [0.0, 120.0, 240.0])
    assert found.sd_mm**2 == pytest.approx(entry["printed_within"], abs=5e-4)
    means = [part.mean_mm for part in found.directions]
    assert 5 * np.var(means, ddof=1) / found.sd_mm**2 == pytest.approx(entry["printed_f"], abs=5e-3)


def test_upper_bound_of_a_variance() -> None:
    entry = VALUES["montgomery_variance_bound"]
    bound = sd_interval(np.sqrt(entry["variance"]), entry["n"] - 1, 0.90).upper
    assert bound**2 == pytest.approx(entry["printed_variance_bound"], abs=5e-5)
    assert bound == pytest.approx(entry["printed_sd_bound"], abs=5e-3)
    assert bound == pytest.approx(entry["sd_bound"], rel=1e-9)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 10, 25])
def test_mean_range_of_normal_readings_is_the_tabled_d2(n: int) -> None:
    entry = VALUES["control_chart_constants"]
    direction = np.repeat(np.arange(4000), n)
    reading = np.random.default_rng(n).normal(size=direction.size)
    found = repeatability(reading, direction, np.linspace(0, 359, 4000))
    ranges = np.array([part.range_mm for part in found.directions])
    assert ranges.mean() == pytest.approx(entry["d2"][str(n)], abs=4 * ranges.std() / np.sqrt(4000))


@pytest.mark.parametrize("n", [2, 3, 4, 5, 10, 25])
def test_mean_sd_of_normal_readings_is_the_tabled_c4(n: int) -> None:
    entry = VALUES["control_chart_constants"]
    direction = np.repeat(np.arange(4000), n)
    reading = np.random.default_rng(n).normal(size=direction.size)
    found = repeatability(reading, direction, np.linspace(0, 359, 4000))
    sds = np.array([part.sd_mm for part in found.directions])
    assert sds.mean() == pytest.approx(entry["c4"][str(n)], abs=4 * sds.std() / np.sqrt(4000))


def test_successive_differences_over_d2_agree_with_the_mean_moving_range() -> None:
    reading = np.random.default_rng(1).normal(size=20_000)
    moving_range = np.abs(np.diff(reading)).mean() / VALUES["control_chart_constants"]["d2"]["2"]
    assert successive_sd(reading) == pytest.approx(moving_range, rel=0.02)


# ---- proportions and tolerance factors


def test_clopper_pearson_limits_of_4_in_20() -> None:
    entry = VALUES["clopper_pearson"]
    found = proportion_interval(entry["events"], entry["trials"], entry["level"])
    assert (found.lower, found.upper) == pytest.approx(
        (entry["printed_lower"], entry["printed_upper"]), abs=2e-6
    )


@pytest.mark.parametrize(("trials", "upper"), VALUES["zero_failures"]["upper"].items())
def test_upper_bound_without_a_failure(trials: str, upper: float) -> None:
    assert proportion_upper(0, int(trials)) == pytest.approx(upper, rel=1e-9)


@pytest.mark.parametrize("coverage", ["0.95", "0.99"])
@pytest.mark.parametrize("n", ["5", "10", "20", "30", "50"])
def test_one_sided_tolerance_factors(coverage: str, n: str) -> None:
    printed = VALUES["tolerance_one_sided"]["printed"][coverage][n]
    assert one_sided_tolerance_factor(int(n), float(coverage), 0.95) == pytest.approx(printed, abs=6e-4)


def test_tolerance_factor_beside_the_approximation_of_the_handbook() -> None:
    entry = VALUES["tolerance_handbook"]
    found = one_sided_tolerance_factor(entry["n"], entry["coverage"], entry["confidence"])
    assert found == pytest.approx(entry["exact"], rel=1e-8)
    assert found == pytest.approx(entry["printed_approximation"], rel=1e-3)


# ---- capability


def sample_of(mean: float, sd: float, n: int) -> np.ndarray:
    scores = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return mean + sd * (scores - scores.mean()) / scores.std(ddof=1)


def test_cp_and_cpk_of_the_handbook() -> None:
    entry = VALUES["capability_summary"]
    middle = (entry["lower"] + entry["upper"]) / 2
    error = sample_of(entry["mean"] - middle, entry["sd"], 50)
    found = capability(error, np.zeros(50, dtype=int), entry["upper"] - entry["lower"], known_reference=True)
    assert found.normal_cp == pytest.approx(entry["cp"], rel=1e-12)
    assert found.normal_cpk == pytest.approx(entry["cpk"], abs=5e-5)


def test_cp_interval_of_the_textbook() -> None:
    entry = VALUES["montgomery_cp"]
    error = sample_of(0.0, entry["sd"], entry["n"])
    found = capability(error, np.zeros(20, dtype=int), entry["upper"] - entry["lower"], known_reference=True)
    assert found.cp == pytest.approx(entry["printed_cp"], abs=5e-3)
    assert found.cp_interval.lower == pytest.approx(entry["printed_lower"], abs=6e-3)
    assert found.cp_interval.upper == pytest.approx(entry["printed_upper"], abs=6e-3)
    assert cp_interval(found.cp, 19).lower == pytest.approx(entry["full_lower"], rel=1e-9)
    assert cp_interval(found.cp, 19).upper == pytest.approx(entry["full_upper"], rel=1e-9)


@pytest.mark.parametrize(
    "case", VALUES["bissell_cpk"]["cases"], ids=lambda case: f"{case['cpk']} of {case['n']}"
)
def test_cpk_interval_after_bissell(case: dict[str, float]) -> None:
    found = cpk_interval(case["cpk"], case["n"], case["n"] - 1)
    assert (found.lower, found.upper) == pytest.approx((case["lower"], case["upper"]), rel=1e-9)


def test_cpk_interval_as_printed() -> None:
    found = cpk_interval(1.33, 20, 19)
    assert (found.lower, found.upper) == pytest.approx(VALUES["bissell_cpk"]["printed"], abs=5e-3)


@pytest.mark.parametrize("n", [10, 20, 30, 50, 100])
@pytest.mark.parametrize("value", [1.0, 1.33, 1.5, 2.0])
def test_one_sided_capability_limits(value: float, n: int) -> None:
    limits = VALUES["one_sided_capability"]["limits"]
    found = one_sided_capability_interval(value, n)
    assert found.lower == pytest.approx(limits[f"{value}_{n}_0.975"], abs=1e-6)
    assert found.upper == pytest.approx(limits[f"{value}_{n}_0.025"], abs=1e-6)
    one_sided = one_sided_capability_interval(value, n, 0.90)
    assert one_sided.lower == pytest.approx(limits[f"{value}_{n}_0.95"], abs=1e-6)


# ---- uncertainty and decision


def test_end_gauge_of_the_guide() -> None:
    entry = VALUES["gum_end_gauge"]
    parts = [
        Component("part", "A", u, dof, "H.1") for u, dof in zip(entry["u_nm"], entry["dof"], strict=True)
    ]
    found = combine("end gauge", 50_000_838.0, parts, entry["level"])
    assert found.u_mm == pytest.approx(entry["printed_u_nm"], abs=0.5)
    assert found.u_mm == pytest.approx(entry["full_u_nm"], rel=1e-9)
    assert found.dof == pytest.approx(entry["full_dof"], rel=1e-9)
    assert int(found.dof) == entry["printed_whole_dof"]
    assert found.coverage_factor == pytest.approx(entry["printed_factor"], abs=5e-3)
    assert found.expanded_mm == pytest.approx(entry["printed_expanded_nm"], abs=0.5)


def test_end_gauge_degrees_of_freedom_as_printed_follow_from_the_rounded_u() -> None:
    entry = VALUES["gum_end_gauge"]
    exact = effective_dof(entry["u_nm"], entry["dof"])
    rounded = exact * (entry["printed_u_nm"] / entry["full_u_nm"]) ** 4
    assert exact < entry["printed_dof"] < rounded


def test_welch_degrees_of_freedom_of_the_automobiles() -> None:
    entry = VALUES["welch_automobiles"]
    errors = [sd / np.sqrt(n) for sd, n in zip(entry["sd"], entry["n"], strict=True)]
    assert effective_dof(errors, [n - 1 for n in entry["n"]]) == pytest.approx(entry["printed_dof"], abs=1e-5)


def test_conformance_probability_below_95_percent_is_undecided() -> None:
    entry = VALUES["conformance_normal"]
    conformance = stats.norm.cdf((entry["limit"] - entry["value"]) / entry["u"])
    assert conformance == pytest.approx(entry["probability"], abs=5e-3)
    guard = stats.norm.isf(0.05) * entry["u"]
    assert decide(entry["value"] - guard, entry["value"] + guard, entry["limit"]) == "undecided"


def test_the_same_value_passes_at_a_risk_of_10_percent() -> None:
    # 92 % conformance keeps a risk of 10 % but not one of 5 %.
    entry = VALUES["conformance_normal"]
    guard = stats.norm.isf(0.10) * entry["u"]
    assert decide(entry["value"] - guard, entry["value"] + guard, entry["limit"]) == "pass"


# ---- circles


@pytest.mark.parametrize("name", ["circle_gander", "circle_cookbook_full", "circle_cookbook_arc"])
def test_published_circles(name: str) -> None:
    entry = VALUES[name]
    digits = 5.1e-5 if name == "circle_gander" else 6e-6
    assert fit_circle(entry["points"]) == pytest.approx(entry["printed"], abs=digits)


def test_circle_of_the_paper_to_all_digits() -> None:
    entry = VALUES["circle_gander"]
    assert fit_circle(entry["points"]) == pytest.approx(entry["full"], abs=1e-7)


@pytest.mark.parametrize("name", ["circle_cookbook_full", "circle_cookbook_arc"])
def test_sum_of_squares_about_published_circles(name: str) -> None:
    entry = VALUES[name]
    points = np.array(entry["points"], dtype=float)
    x, y, radius = fit_circle(points)
    distances = np.hypot(points[:, 0] - x, points[:, 1] - y) - radius
    assert (distances**2).sum() == pytest.approx(entry["sum_of_squares"], abs=1e-6)


def test_readings_of_published_points_are_their_distances_from_the_circle() -> None:
    entry = VALUES["circle_cookbook_full"]
    points = np.array(entry["points"], dtype=float)
    outward = points - entry["printed"][:2]
    azimuths = np.rad2deg(np.arctan2(outward[:, 1], outward[:, 0]))
    found = project_on_approach(points, azimuths, round_artefact=True)
    residual = found.reading_mm - entry["printed"][2]
    assert found.fit.radius_mm == pytest.approx(entry["printed"][2], abs=1e-5)
    assert (residual**2).sum() == pytest.approx(entry["sum_of_squares"], abs=1e-4)
