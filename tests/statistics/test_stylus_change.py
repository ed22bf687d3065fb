"""Another stylus: the bending law by hand, physics of the seat beside it, coverage by simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import assert_share, assert_share_at_least, even_azimuths
from uncertainties import ufloat

from probetest.errors import StatisticsError
from probetest.simulate import Probe, pretravel
from probetest.statistics.intervals import Interval
from probetest.statistics.stylus_change import (
    Stylus,
    StylusPrediction,
    modulus_of,
    pair_error,
    predict_stylus,
    stiffness_factor,
)

OLD = Stylus(50.0, 2.0, 600.0)
NEAR = Interval(0.018, 0.022)


def tight(value: float) -> Interval:
    """An interval of no width."""
    return Interval(value, value)


def by_source(found: StylusPrediction) -> dict[str, float]:
    return {part.source: part.u_mm for part in found.components}


# ---- the law

# Rows worked by hand for a seat radius of 7.5 mm and 3 N: F_s R L^2 / (6 E I), mean 1.2576 of it; the
# values were rounded to three digits.
WORKED = {
    "carbide 50 x 2.5": (Stylus(50.0, 2.5, 600.0), 8.15, 10.25),
    "carbide 50 x 2.0": (Stylus(50.0, 2.0, 600.0), 19.9, 25.0),
    "carbide 50 x 3.0": (Stylus(50.0, 3.0, 600.0), 3.93, 4.94),
    "carbide 30 x 2.0": (Stylus(30.0, 2.0, 600.0), 7.16, 9.01),
    "steel 50 x 2.5": (Stylus(50.0, 2.5, 200.0), 24.4, 30.7),
    "steel 50 x 3.0": (Stylus(50.0, 3.0, 200.0), 11.8, 14.8),
    "steel 30 x 2.0": (Stylus(30.0, 2.0, 200.0), 21.5, 27.0),
}


@pytest.mark.parametrize("old", WORKED)
@pytest.mark.parametrize("new", WORKED)
def test_worked_rows_follow_from_each_other(old: str, new: str) -> None:
    (first, variation, mean), (second, its_variation, its_mean) = WORKED[old], WORKED[new]
    # Three digits each: half a digit of either row.
    assert stiffness_factor(first, second) * variation == pytest.approx(its_variation, rel=0.006)
    assert stiffness_factor(first, second) * mean == pytest.approx(its_mean, rel=0.006)


@pytest.mark.parametrize(
    ("new", "factor"),
    [
        (OLD, 1.0),
        (Stylus(75.0, 2.0, 600.0), 2.25),
        (Stylus(50.0, 1.0, 600.0), 16.0),
        (Stylus(50.0, 4.0, 600.0), 1 / 16),
        (Stylus(50.0, 2.0, 200.0), 3.0),
        (Stylus(100.0, 4.0, 300.0), 0.5),
    ],
    ids=["same", "longer", "thinner", "thicker", "softer", "all"],
)
def test_length_goes_in_squares_diameter_in_fourth_powers_and_modulus_inversely(
    new: Stylus, factor: float
) -> None:
    assert stiffness_factor(OLD, new) == pytest.approx(factor, rel=1e-12)


def seat_probe(stylus: Stylus, wall_deg: float) -> Probe:
    return Probe(
        wall_angle_deg=wall_deg,
        stylus_length_mm=stylus.length_mm,
        stem_diameter_mm=stylus.stem_diameter_mm,
        modulus_gpa=stylus.modulus_gpa,
    )


ALL_ROUND = even_azimuths(7200, 0.01)

CHANGES = {
    "longer": replace(OLD, length_mm=85.0),
    "shorter": replace(OLD, length_mm=30.0),
    "thicker": replace(OLD, stem_diameter_mm=2.6),
    "thinner": replace(OLD, stem_diameter_mm=1.6),
    "steel": replace(OLD, modulus_gpa=200.0),
    "all three": Stylus(70.0, 2.8, 380.0),
}


@pytest.mark.parametrize("new", CHANGES.values(), ids=CHANGES)
def test_the_law_is_that_of_six_contact_statics_for_ideal_arms(new: Stylus) -> None:
    # The statics solve six equations of equilibrium of the seat and know nothing of this law.
    before, after = (pretravel(seat_probe(s, 0.0), ALL_ROUND) for s in (OLD, new))
    for figure in (np.ptp, np.mean, np.max):
        measured, true = float(figure(before)), float(figure(after))
        found = predict_stylus(measured, tight(measured), OLD, new)
        assert found.predicted_mm == pytest.approx(true, rel=1e-5)


@pytest.mark.parametrize("name", ["thicker", "thinner", "steel"])
def test_contact_pairs_do_not_disturb_diameter_and_modulus(name: str) -> None:
    before, after = (np.ptp(pretravel(seat_probe(s, 30.0), ALL_ROUND)) for s in (OLD, CHANGES[name]))
    assert predict_stylus(before, tight(before), OLD, CHANGES[name]).predicted_mm == pytest.approx(
        after, rel=1e-9
    )


@pytest.mark.parametrize(
    ("length_mm", "variation_error", "mean_error"),
    [(100.0, -0.138, -0.030), (75.0, -0.094, -0.020), (30.0, 0.217, 0.038), (25.0, 0.343, 0.058)],
)
def test_contact_pairs_make_the_law_of_the_length_wrong_by_so_much(
    length_mm: float, variation_error: float, mean_error: float
) -> None:
    # Seat radius 7.5 mm, walls of 30 deg, 50 mm: ratio 0.0866. The statics are the oracle.
    new = replace(OLD, length_mm=length_mm)
    before, after = (pretravel(seat_probe(s, 30.0), ALL_ROUND) for s in (OLD, new))
    ratio = 7.5 / 50.0 * np.tan(np.deg2rad(30.0))
    for figure, take, rounded in (("variation", np.ptp, variation_error), ("mean", np.mean, mean_error)):
        true = float(stiffness_factor(OLD, new) * take(before) / take(after) - 1)
        found = pair_error(float(ratio), length_mm / 50.0, figure)  # type: ignore[arg-type]
        assert found == pytest.approx(true, abs=2e-4)
        assert found == pytest.approx(rounded, abs=1e-3)


def test_a_seat_above_the_root_of_the_stem_makes_the_law_10_percent_too_small() -> None:
    # Lever L + h, bending length L: F = F_s R / (2 C (L + h)), then F L^3 / (3 E I).
    true = (75.0**3 / 95.0) / (50.0**3 / 70.0)
    assert stiffness_factor(OLD, replace(OLD, length_mm=75.0)) / true - 1 == pytest.approx(-0.10, abs=0.005)


def test_ideal_arms_leave_no_error_of_the_law() -> None:
    assert pair_error(0.0, 2.0) == 0.0
    assert pair_error(0.0, 2.0, "mean") == 0.0
    assert pair_error(0.2, 1.0, "mean") == 0.0


# ---- the prediction


def test_what_does_not_bend_does_not_scale() -> None:
    # 60 mm/min and 2 ms: 0.002 mm of the mean stay.
    found = predict_stylus(
        0.022, Interval(0.021, 0.024), OLD, replace(OLD, modulus_gpa=200.0), figure="mean", unbent_mm=0.002
    )
    assert found.predicted_mm == pytest.approx(0.002 + 3 * 0.020, rel=1e-12)
    assert found.interval_mm.lower == pytest.approx(0.002 + 3 * 0.019, rel=1e-12)
    assert found.interval_mm.upper == pytest.approx(0.002 + 3 * 0.022, rel=1e-12)
    assert (found.unbent_mm, found.warnings) == (0.002, ())


@pytest.mark.parametrize("steel", [False, True], ids=["same stylus", "three times softer"])
def test_exact_sizes_scale_the_interval(steel: bool) -> None:
    new = replace(OLD, modulus_gpa=200.0) if steel else OLD
    found = predict_stylus(0.020, Interval(0.017, 0.025, 0.9), OLD, new)
    assert found.interval_mm.lower == pytest.approx(found.factor * 0.017, rel=1e-12)
    assert found.interval_mm.upper == pytest.approx(found.factor * 0.025, rel=1e-12)
    assert (found.interval_mm.level, found.factor_u, found.kind) == (0.9, 0.0, "prediction")


def test_a_result_says_that_it_is_a_prediction_and_what_it_presumes() -> None:
    found = predict_stylus(0.020, NEAR, OLD, replace(OLD, length_mm=60.0))
    assert found.kind == "prediction"
    for word in ("bending", "friction", "latency", "stem root", "same spring", "seat", "contact pairs"):
        assert word in found.presumes


UNSURE_OLD = Stylus(50.0, 2.0, 600.0, 0.3, 0.01, 25.0)
UNSURE_NEW = Stylus(60.0, 2.5, 380.0, 0.4, 0.02, 15.0)


def test_components_are_those_of_the_uncertainties_library() -> None:
    found = predict_stylus(
        0.022,
        Interval(0.022 - 0.00196, 0.022 + 0.00196),
        UNSURE_OLD,
        UNSURE_NEW,
        unbent_mm=0.002,
        unbent_u_mm=0.0004,
    )
    measured, unbent = ufloat(0.022, 0.001), ufloat(0.002, 0.0004)
    sizes = {
        "old length": ufloat(50.0, 0.3),
        "old stem diameter": ufloat(2.0, 0.01),
        "old modulus": ufloat(600.0, 25.0),
        "new length": ufloat(60.0, 0.4),
        "new stem diameter": ufloat(2.5, 0.02),
        "new modulus": ufloat(380.0, 15.0),
    }
    factor = (
        (sizes["new length"] / sizes["old length"]) ** 2
        * (sizes["old stem diameter"] / sizes["new stem diameter"]) ** 4
        * sizes["old modulus"]
        / sizes["new modulus"]
    )
    oracle = unbent + (measured - unbent) * factor
    shares = dict(oracle.error_components())
    expected = {name: shares[variable] for name, variable in sizes.items()}
    expected |= {"measured": shares[measured], "unbent part": shares[unbent]}
    assert found.predicted_mm == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert by_source(found) == pytest.approx(expected, rel=1e-4)
    assert found.factor_u == pytest.approx(factor.std_dev / factor.nominal_value, rel=1e-9)
    assert all(part.kind == ("A" if part.source == "measured" else "B") for part in found.components)


def test_small_uncertainties_give_the_first_order_interval() -> None:
    old, new = replace(OLD, length_u_mm=0.01), Stylus(60.0, 2.5, 380.0, 0.01, 0.002, 1.0)
    found = predict_stylus(0.022, Interval(0.0219, 0.0221), old, new, unbent_mm=0.001, unbent_u_mm=1e-5)
    half = 1.959964 * np.sqrt(sum(u**2 for u in by_source(found).values()))
    assert found.interval_mm.lower == pytest.approx(found.predicted_mm - half, rel=2e-4)
    assert found.interval_mm.upper == pytest.approx(found.predicted_mm + half, rel=2e-4)


def test_a_shared_modulus_cancels() -> None:
    old, new = replace(OLD, modulus_u_gpa=60.0), Stylus(60.0, 2.0, 600.0, modulus_u_gpa=60.0)
    assert predict_stylus(0.020, NEAR, old, new).factor_u == pytest.approx(0.1 * np.sqrt(2))
    assert predict_stylus(0.020, NEAR, old, new, shared_modulus=True).factor_u == 0.0
    with pytest.raises(
        StatisticsError, match=r"^a shared modulus must be one value, but got 600.0 and 200.0"
    ):
        predict_stylus(0.020, NEAR, old, replace(new, modulus_gpa=200.0), shared_modulus=True)


def test_a_variation_that_may_be_zero_stays_so() -> None:
    found = predict_stylus(0.001, Interval(0.0, 0.002), UNSURE_OLD, UNSURE_NEW)
    assert found.interval_mm.lower == 0.0
    assert found.interval_mm.upper > 0.002 * found.factor
    assert found.predicted_mm == pytest.approx(0.001 * found.factor, rel=1e-12)


def test_where_nothing_may_bend_the_unbent_part_is_the_lower_limit() -> None:
    found = predict_stylus(0.021, Interval(0.019, 0.023), UNSURE_OLD, UNSURE_NEW, unbent_mm=0.020)
    assert found.interval_mm.lower == pytest.approx(0.020, rel=1e-12)
    with pytest.raises(StatisticsError, match=r"^the part that does not bend .* but got 0.02 and inf mm$"):
        predict_stylus(0.021, Interval(0.019, 0.023), OLD, OLD, unbent_mm=0.020, unbent_u_mm=float("inf"))


def test_a_variation_of_zero_is_predicted_by_its_upper_limit() -> None:
    found = predict_stylus(0.0, Interval(0.0, 0.002), OLD, replace(OLD, modulus_gpa=200.0))
    assert (found.predicted_mm, found.interval_mm.lower) == (0.0, 0.0)
    assert found.interval_mm.upper == pytest.approx(0.006, rel=1e-12)


def test_an_open_interval_stays_open() -> None:
    found = predict_stylus(0.020, Interval(0.0, np.inf), UNSURE_OLD, UNSURE_NEW)
    assert (found.interval_mm.lower, found.interval_mm.upper) == (0.0, np.inf)


# ---- warnings


@pytest.mark.parametrize(
    ("modulus", "warned"), [(200.0, False), (199.0, True), (1800.0, False), (1801.0, True)]
)
def test_a_change_beyond_three_is_warned_of(modulus: float, warned: bool) -> None:
    found = predict_stylus(0.020, NEAR, OLD, replace(OLD, modulus_gpa=modulus))
    assert (["further than the 3 up or down" in text for text in found.warnings] == [True]) is warned


def test_a_vague_factor_is_warned_of() -> None:
    found = predict_stylus(0.020, NEAR, OLD, replace(OLD, stem_diameter_u_mm=0.2))
    assert found.warnings == (
        "The factor itself is uncertain by 40 % (standard uncertainty), so the interval is only rough.",
    )


def test_a_mean_without_a_stated_delay_is_warned_of() -> None:
    assert predict_stylus(0.020, NEAR, OLD, OLD, figure="mean").warnings == (
        "No part from delay was stated, so all of the mean pre-travel was taken to bend.",
    )
    assert predict_stylus(0.020, NEAR, OLD, OLD, figure="mean", unbent_mm=0.0).warnings == ()


@pytest.mark.parametrize(
    ("overtravel", "words"),
    [
        (0.05, ["The predicted 0.06 mm exceed the stated overtravel of 0.05 mm."]),
        (
            0.063,
            [
                "The predicted figure may exceed the stated overtravel of 0.063 mm: its interval goes up to "
                "0.066 mm."
            ],
        ),
        (0.067, []),
    ],
)
def test_a_prediction_beyond_the_overtravel_is_warned_of(overtravel: float, words: list[str]) -> None:
    found = predict_stylus(0.020, NEAR, OLD, replace(OLD, modulus_gpa=200.0), overtravel_mm=overtravel)
    assert list(found.warnings) == words


def test_known_contact_pairs_are_warned_of_with_the_error() -> None:
    found = predict_stylus(0.020, NEAR, OLD, replace(OLD, length_mm=75.0), pair_ratio=0.0866)
    assert found.warnings == (
        "With contact pairs of the stated ratio 0.0866 the square law of the length is off by -9.4 %, which "
        "is not corrected here.",
    )
    assert found.predicted_mm == pytest.approx(0.020 * 2.25, rel=1e-12)


# ---- materials and refusals


@pytest.mark.parametrize(("name", "gpa"), [("carbide", 600.0), ("Steel", 200.0), (" ceramic ", 380.0)])
def test_moduli_of_the_trade(name: str, gpa: float) -> None:
    # Common practice, no source.
    assert modulus_of(name) == gpa


@pytest.mark.parametrize("name", ["carbon fibre", "carbon-fiber", "Carbon_Fibre"])
def test_carbon_fibre_must_be_stated(name: str) -> None:
    with pytest.raises(StatisticsError, match=r"^carbon fibre has no single modulus .*: state it in GPa$"):
        modulus_of(name)


def test_an_unknown_material_is_refused() -> None:
    with pytest.raises(
        StatisticsError, match=r"^no modulus is known for 'brass': .* carbide, steel, ceramic$"
    ):
        modulus_of("brass")


@pytest.mark.parametrize(
    ("stylus", "words"),
    [
        (replace(OLD, length_mm=0.0), r"length of the new stylus must be above 0, but got 0.0 mm"),
        (
            replace(OLD, stem_diameter_mm=-2.0),
            r"stem diameter of the new stylus must be above 0, but got -2.0",
        ),
        (replace(OLD, modulus_gpa=np.nan), r"modulus of the new stylus must be above 0, but got nan GPa"),
        (replace(OLD, modulus_gpa=np.inf), r"modulus of the new stylus must be above 0, but got inf GPa"),
        (replace(OLD, length_u_mm=-1.0), r"uncertainty of the length of the new stylus must lie from 0 to"),
        (
            replace(OLD, stem_diameter_u_mm=2.0),
            r"uncertainty of the stem diameter of the new .* but got 2.0 mm",
        ),
    ],
)
def test_impossible_styli_are_refused(stylus: Stylus, words: str) -> None:
    with pytest.raises(StatisticsError, match=words):
        predict_stylus(0.020, NEAR, OLD, stylus)
    with pytest.raises(StatisticsError, match=words.replace("new", "old")):
        predict_stylus(0.020, NEAR, stylus, OLD)


@pytest.mark.parametrize(
    ("measured", "interval", "extra", "words"),
    [
        (
            -0.001,
            Interval(-0.002, 0.002),
            {},
            r"^a measured figure must be 0 or more and lie in its interval",
        ),
        (np.nan, NEAR, {}, r"^a measured figure must be 0 or more"),
        (np.inf, Interval(0.0, np.inf), {}, r"^a measured figure must be 0 or more"),
        (0.030, NEAR, {}, r"but got 0.03 mm and 0.018 to 0.022 mm$"),
        (0.020, Interval(0.018, 0.022, 95.0), {}, r"^a confidence level must lie between 0 and 1"),
        (
            0.020,
            NEAR,
            {"unbent_mm": 0.021},
            r"^the part that does not bend must lie from 0 to the measured 0.02",
        ),
        (0.020, NEAR, {"unbent_mm": -0.001}, r"^the part that does not bend"),
        (0.020, NEAR, {"unbent_u_mm": -0.001}, r"but got 0.0 and -0.001 mm$"),
        (0.020, NEAR, {"overtravel_mm": 0.0}, r"^an overtravel must be above 0, but got 0.0 mm$"),
        (0.020, NEAR, {"figure": "range"}, r'^the figure must be "variation" or "mean", but got \'range\'$'),
        (0.020, NEAR, {"pair_ratio": 0.6}, r"^a pair ratio from 0 to 0.5 and a length ratio above 0"),
    ],
)
def test_impossible_figures_are_refused(
    measured: float, interval: Interval, extra: dict[str, float], words: str
) -> None:
    with pytest.raises(StatisticsError, match=words):
        predict_stylus(measured, interval, OLD, OLD, **extra)  # type: ignore[arg-type]


@pytest.mark.parametrize("length_ratio", [0.0, -1.0, np.nan, np.inf])
def test_impossible_length_ratios_are_refused(length_ratio: float) -> None:
    with pytest.raises(StatisticsError, match=r"^a pair ratio from 0 to 0.5 and a length ratio above 0"):
        pair_error(0.1, length_ratio)


# ---- simulation


@pytest.mark.simulation
@pytest.mark.parametrize("stem_u", [0.005, 0.03], ids=["0.5 % of d", "3 % of d"])
@pytest.mark.parametrize("measured_u", [0.02, 0.15], ids=["2 % measured", "15 % measured"])
def test_limits_are_the_quantiles_of_a_monte_carlo_propagation(stem_u: float, measured_u: float) -> None:
    # Propagation of distributions as in JCGM 101: normal inputs drawn, the law evaluated, quantiles taken.
    rng = np.random.default_rng(71)
    draws = 400_000
    z = 1.959964
    old = replace(OLD, length_u_mm=0.2, stem_diameter_u_mm=2.0 * stem_u)
    new = Stylus(60.0, 2.4, 380.0, 0.2, 2.4 * stem_u, 8.0)
    found = predict_stylus(
        0.022,
        Interval(0.022 * (1 - z * measured_u), 0.022 * (1 + z * measured_u)),
        old,
        new,
        unbent_mm=0.002,
        unbent_u_mm=0.0003,
    )

    def drawn(value: float, u: float) -> np.ndarray:
        return value + u * rng.normal(size=draws)

    factor = (drawn(60.0, 0.2) / drawn(50.0, 0.2)) ** 2 * 600.0 / drawn(380.0, 8.0)
    factor = factor * (drawn(2.0, 2.0 * stem_u) / drawn(2.4, 2.4 * stem_u)) ** 4
    unbent = drawn(0.002, 0.0003)
    values = unbent + (drawn(0.022, 0.022 * measured_u) - unbent) * factor
    lower, upper = np.quantile(values, [0.025, 0.975])
    half = found.interval_mm.half_width
    assert found.interval_mm.lower == pytest.approx(lower, abs=0.04 * half)
    assert found.interval_mm.upper == pytest.approx(upper, abs=0.04 * half)
    assert np.median(values) == pytest.approx(found.predicted_mm, rel=0.01)
    # The mean of the factor lies above the stated value by half of its relative variance.
    assert factor.mean() / found.factor - 1 == pytest.approx(
        found.factor_u**2 / 2, abs=0.3 * found.factor_u**2 + 5 * found.factor_u / np.sqrt(draws)
    )


@pytest.mark.simulation
def test_intervals_cover_the_pretravel_of_the_other_stylus() -> None:
    # Truth from the statics of the seat. Each trial: what both styli really are, a measured variation,
    # and the sizes as written on the box.
    rng = np.random.default_rng(72)
    trials, hits = 400, 0
    nominal = Stylus(70.0, 2.5, 380.0, 0.2, 0.03, 15.0)
    box = replace(OLD, length_u_mm=0.2, stem_diameter_u_mm=0.02, modulus_u_gpa=20.0)

    def real(stylus: Stylus) -> Probe:
        return seat_probe(
            Stylus(
                rng.normal(stylus.length_mm, stylus.length_u_mm),
                rng.normal(stylus.stem_diameter_mm, stylus.stem_diameter_u_mm),
                rng.normal(stylus.modulus_gpa, stylus.modulus_u_gpa),
            ),
            0.0,
        )

    azimuths = even_azimuths(360, 0.0)
    for _ in range(trials):
        before, after = (float(np.ptp(pretravel(real(stylus), azimuths))) for stylus in (box, nominal))
        measured = rng.normal(before, 0.0004)
        interval = Interval(measured - 1.959964 * 0.0004, measured + 1.959964 * 0.0004)
        hits += after in predict_stylus(measured, interval, box, nominal).interval_mm
    assert_share(hits, trials, 0.95)


@pytest.mark.simulation
def test_a_variation_near_zero_is_covered_by_its_predicted_upper_limit() -> None:
    # A half-normal belief about a variation of 0 within 0 .. 0.002 mm, and a factor uncertain by 17 %.
    rng = np.random.default_rng(73)
    trials = 20_000
    old, new = replace(OLD, stem_diameter_u_mm=0.06), Stylus(60.0, 2.0, 600.0, stem_diameter_u_mm=0.06)
    found = predict_stylus(0.0, Interval(0.0, 0.002), old, new)
    truth = np.abs(rng.normal(0.0, 0.002 / 1.959964, trials))
    factor = 1.2**2 * (rng.normal(2.0, 0.06, trials) / rng.normal(2.0, 0.06, trials)) ** 4
    assert_share_at_least(int((truth * factor <= found.interval_mm.upper).sum()), trials, 0.93)
