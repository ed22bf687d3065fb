"""Chances of a planned test beside SciPy's distributions, and the search for the fewest touches."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.least import least_number
from probetest.statistics.planning import MOST_TOUCHES, TouchesNeeded, _reached, touches_needed

TOUCHES = pytest.mark.parametrize("touches", [2, 3, 10, 200])
RISKS = pytest.mark.parametrize("risk", [0.01, 0.05, 0.3])


def chance_of(figure: str, touches: int, expected: float, **question: float | int | None) -> float:
    limit, half_width = question.get("limit"), question.get("half_width")
    return _reached(
        figure,
        int(question["directions"]),
        expected,
        limit,
        half_width,
        question.get("sd_mm"),
        float(question["risk"]),
    )(touches)


def most_scatter(touches_dof: float, risk: float) -> float:
    """Largest sd found, in that of the limit, whose one-sided upper bound still keeps it."""
    return float(np.sqrt(stats.chi2.ppf(risk, touches_dof) / touches_dof))


def least_scatter(touches_dof: float, risk: float) -> float:
    """Smallest sd found, in that of the limit, whose one-sided lower bound is above it."""
    return float(np.sqrt(stats.chi2.isf(risk, touches_dof) / touches_dof))


def found_below(sd: float, true: float, dof: float) -> float:
    """Chance to find an sd up to ``sd``."""
    return float(stats.chi2.cdf(dof * (sd / true) ** 2, dof))


# ---- scatter


@TOUCHES
@RISKS
def test_chance_to_pass_on_the_pooled_sd(touches: int, risk: float) -> None:
    dof = 7 * (touches - 1)
    expected = found_below(0.003 * most_scatter(dof, risk), 0.002, dof)
    assert chance_of("pooled_sd", touches, 0.002, limit=0.003, directions=7, risk=risk) == pytest.approx(
        expected, rel=1e-9
    )


@TOUCHES
@RISKS
def test_chance_to_fail_on_the_pooled_sd(touches: int, risk: float) -> None:
    dof = 7 * (touches - 1)
    expected = 1 - found_below(0.002 * least_scatter(dof, risk), 0.003, dof)
    assert chance_of("pooled_sd", touches, 0.003, limit=0.002, directions=7, risk=risk) == pytest.approx(
        expected, rel=1e-9
    )


@TOUCHES
@RISKS
def test_the_worst_direction_passes_when_every_one_does(touches: int, risk: float) -> None:
    one = found_below(0.003 * most_scatter(touches - 1, risk), 0.001, touches - 1)
    assert chance_of(
        "worst_direction_sd", touches, 0.001, limit=0.003, directions=7, risk=risk
    ) == pytest.approx(one**7, rel=1e-9)


@TOUCHES
@RISKS
def test_the_worst_direction_fails_when_any_does_at_its_share_of_the_risk(touches: int, risk: float) -> None:
    single = 1 - (1 - risk) ** (1 / 7)
    kept = found_below(0.002 * least_scatter(touches - 1, single), 0.003, touches - 1)
    assert chance_of(
        "worst_direction_sd", touches, 0.003, limit=0.002, directions=7, risk=risk
    ) == pytest.approx(1 - kept**7, rel=1e-9)


@TOUCHES
@RISKS
@pytest.mark.parametrize(("expected", "limit"), [(2.0, 1.5), (1.5, 2.0)], ids=["pass", "fail"])
def test_a_capability_is_the_limit_over_the_scatter(
    touches: int, risk: float, expected: float, limit: float
) -> None:
    # Capability 1 / sd: the sd of 1 / expected against one of 1 / limit.
    found = chance_of("capability", touches, expected, limit=limit, directions=7, risk=risk)
    assert found == pytest.approx(
        chance_of("pooled_sd", touches, 1 / expected, limit=1 / limit, directions=7, risk=risk), rel=1e-9
    )


@TOUCHES
@RISKS
@pytest.mark.parametrize(("figure", "alike"), [("pooled_sd", 1), ("worst_direction_sd", 7)])
def test_chance_that_the_interval_of_the_scatter_is_narrow(
    touches: int, risk: float, figure: str, alike: int
) -> None:
    dof = 7 * (touches - 1) / alike
    # The upper limit is the sd found over `most_scatter`.
    widest = 0.0005 / (1 / most_scatter(dof, risk) - 1)
    found = chance_of(figure, touches, 0.002, half_width=0.0005, directions=7, risk=risk)
    assert found == pytest.approx(found_below(widest, 0.002, dof) ** alike, rel=1e-9)


@TOUCHES
@RISKS
def test_chance_that_the_interval_of_a_capability_is_narrow(touches: int, risk: float) -> None:
    dof = 7 * (touches - 1)
    # The farther limit is the capability found times `least_scatter`; found is 1.5 * true sd / sd.
    most = 0.3 / (least_scatter(dof, risk) - 1)
    found = chance_of("capability", touches, 1.5, half_width=0.3, directions=7, risk=risk)
    assert found == pytest.approx(1 - found_below(1.5 / most, 1.0, dof), rel=1e-9)


@pytest.mark.parametrize("unit", [1e-3, 1e3])
@pytest.mark.parametrize(("aim", "size"), [("limit", 2.4), ("half_width", 0.5)])
@pytest.mark.parametrize("figure", ["pooled_sd", "worst_direction_sd", "variation"])
def test_the_unit_does_not_matter(figure: str, aim: str, size: float, unit: float) -> None:
    one, other = (
        chance_of(figure, 6, 2.0 * by, **{aim: size * by}, sd_mm=0.5 * by, directions=7, risk=0.05)
        for by in (1.0, unit)
    )
    assert 0 < one < 1
    assert other == pytest.approx(one, rel=1e-9)


# ---- variation


@TOUCHES
@RISKS
@pytest.mark.parametrize("limit", [0.013, 0.007], ids=["pass", "fail"])
def test_chance_of_a_verdict_on_the_variation(touches: int, risk: float, limit: float) -> None:
    # The distance must be a t factor above 0 in standard errors of a difference of two means.
    u = 0.002 * np.sqrt(2 / touches)
    expected = stats.norm.sf(stats.t.isf(risk, 7 * (touches - 1)) * u - 0.003, scale=u)
    found = chance_of("variation", touches, 0.010, limit=limit, sd_mm=0.002, directions=7, risk=risk)
    assert found == pytest.approx(expected, rel=1e-9)


@TOUCHES
@RISKS
def test_chance_that_the_interval_of_the_variation_is_narrow(touches: int, risk: float) -> None:
    dof = 7 * (touches - 1)
    widest = 0.003 / (stats.t.isf(risk, dof) * np.sqrt(2 / touches))
    found = chance_of("variation", touches, 0.010, half_width=0.003, sd_mm=0.002, directions=7, risk=risk)
    assert found == pytest.approx(found_below(widest, 0.002, dof), rel=1e-9)


# ---- misses


def upper_bound(missed: int, n: int, risk: float) -> float:
    return 1.0 if missed == n else float(stats.beta.isf(risk, missed + 1, n - missed))


def lower_bound(missed: int, n: int, risk: float) -> float:
    return 0.0 if missed == 0 else float(stats.beta.ppf(risk, missed, n - missed + 1))


@pytest.mark.parametrize("touches", [1, 2, 9, 40])
@RISKS
def test_chance_to_pass_on_misses_is_that_of_the_counts_that_pass(touches: int, risk: float) -> None:
    n = 7 * touches
    passing = [missed for missed in range(n + 1) if upper_bound(missed, n, risk) <= 0.1]
    found = chance_of("miss_rate", touches, 0.02, limit=0.1, directions=7, risk=risk)
    assert found == pytest.approx(stats.binom.pmf(passing, n, 0.02).sum(), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("touches", [1, 2, 9, 40])
@RISKS
def test_chance_to_fail_on_misses_is_that_of_the_counts_that_fail(touches: int, risk: float) -> None:
    n = 7 * touches
    failing = [missed for missed in range(n + 1) if lower_bound(missed, n, risk) > 0.02]
    found = chance_of("miss_rate", touches, 0.1, limit=0.02, directions=7, risk=risk)
    assert found == pytest.approx(stats.binom.pmf(failing, n, 0.1).sum(), rel=1e-9)


@pytest.mark.parametrize("touches", [1, 2, 9, 40])
@pytest.mark.parametrize("half_width", [0.05, 0.12, 0.3])
@RISKS
def test_chance_that_the_interval_of_misses_is_narrow(touches: int, half_width: float, risk: float) -> None:
    n = 7 * touches
    narrow = [missed for missed in range(n + 1) if upper_bound(missed, n, risk) - missed / n <= half_width]
    found = chance_of("miss_rate", touches, 0.1, half_width=half_width, directions=7, risk=risk)
    assert found == pytest.approx(stats.binom.pmf(narrow, n, 0.1).sum(), rel=1e-9, abs=1e-15)


# ---- the fewest touches


@pytest.mark.parametrize("least", [1, 2])
@pytest.mark.parametrize("target", [1, 2, 3, 4, 5, 7, 8, 9, 31, 32, 33, 1000, 65536])
def test_the_smallest_number_that_holds_is_found(target: int, least: int) -> None:
    asked: list[int] = []

    def holds(number: int) -> bool:
        asked.append(number)
        return number >= target

    assert least_number(holds, least, MOST_TOUCHES) == max(target, least)
    assert min(asked) >= least
    # Doubling up and halving down.
    assert len(asked) <= 2 * np.log2(target) + 2


def test_a_number_beyond_all_practice_is_not_looked_for() -> None:
    asked: list[int] = []

    def never(number: int) -> bool:
        asked.append(number)
        return False

    assert least_number(never, 1, MOST_TOUCHES) is None
    assert max(asked) <= 100_000


@pytest.mark.parametrize(
    ("figure", "expected", "limit", "per_direction"),
    [("pooled_sd", 1e-6, 1.0, 2), ("capability", 1e3, 1.0, 2), ("miss_rate", 0.0, 0.99, 1)],
)
def test_an_easy_question_takes_the_fewest_touches_there_are(
    figure: str, expected: float, limit: float, per_direction: int
) -> None:
    found = touches_needed(figure, directions=24, expected=expected, limit=limit)
    assert found == TouchesNeeded(per_direction, 24 * per_direction, pytest.approx(1.0, abs=1e-4))


QUESTIONS = pytest.mark.parametrize(
    ("figure", "question"),
    [
        ("pooled_sd", {"expected": 0.002, "limit": 0.0025}),
        ("worst_direction_sd", {"expected": 0.002, "half_width": 0.001}),
        ("variation", {"expected": 0.02, "limit": 0.021, "sd_mm": 0.002}),
        ("variation", {"expected": 0.0, "half_width": 0.001, "sd_mm": 0.002}),
        ("capability", {"expected": 1.2, "limit": 1.33}),
    ],
    ids=["scatter", "worst direction", "variation", "no variation", "capability"],
)


@QUESTIONS
@pytest.mark.parametrize(("risk", "chance"), [(0.05, 0.9), (0.01, 0.5), (0.1, 0.99)])
def test_one_touch_fewer_would_not_do(
    figure: str, question: dict[str, float], risk: float, chance: float
) -> None:
    found = touches_needed(figure, directions=12, risk=risk, chance=chance, **question)
    assert found.per_direction is not None
    assert found.touches == 12 * found.per_direction
    known = {"directions": 12, "risk": risk} | question
    expected = known.pop("expected")
    assert found.chance == chance_of(figure, found.per_direction, expected, **known)
    assert chance_of(figure, found.per_direction - 1, expected, **known) < chance <= found.chance


def test_the_usual_risk_and_chance_are_a_twentieth_and_nine_tenths() -> None:
    question = {"directions": 12, "expected": 0.002, "limit": 0.0025}
    assert touches_needed("pooled_sd", **question) == touches_needed(
        "pooled_sd", risk=0.05, chance=0.9, **question
    )


# ---- questions that are not complete


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"chance": 0.0}, "a confidence level must lie between 0 and 1, but got 0.0"),
        ({"risk": 0.0}, "a risk must lie between 0 and 0.5, but got 0.0"),
        ({"risk": 0.5}, "a risk must lie between 0 and 0.5, but got 0.5"),
        ({"directions": 0}, "a test needs at least 1 direction, but got 0"),
        ({"limit": None}, "give either the limit of a verdict or the half-width of an interval"),
        ({"half_width": 1.0}, "give either the limit of a verdict or the half-width of an interval"),
        ({"limit": 0.0}, "a limit or half-width must be above 0, but got 0.0"),
        ({"limit": None, "half_width": -1.0}, "a limit or half-width must be above 0, but got -1.0"),
        ({"expected": 0.0}, "the expected pooled_sd must be above 0, but got 0.0"),
        ({"expected": -0.1}, "the expected pooled_sd must be above 0, but got -0.1"),
        ({"figure": "miss_rate", "expected": -0.1}, "the expected miss_rate must be above 0, but got -0.1"),
        ({"figure": "miss_rate", "expected": 1.0, "limit": 0.5}, "shares of misses must lie below 1"),
        ({"figure": "miss_rate", "expected": 0.5, "limit": 1.0}, "shares of misses must lie below 1"),
        ({"figure": "variation"}, "the variation needs the scatter of one touch, sd_mm, above 0"),
        (
            {"figure": "variation", "sd_mm": 0.0},
            "the variation needs the scatter of one touch, sd_mm, above 0",
        ),
        (
            {"figure": "variation", "sd_mm": -1.0},
            "the variation needs the scatter of one touch, sd_mm, above 0",
        ),
    ],
)
def test_the_sentence_says_what_is_missing(options: dict[str, object], message: str) -> None:
    question: dict[str, object] = {"figure": "pooled_sd", "directions": 24, "expected": 0.5, "limit": 2.0}
    question |= options
    with pytest.raises(StatisticsError) as fault:
        touches_needed(question.pop("figure"), **question)
    assert str(fault.value) == message


@pytest.mark.parametrize(
    "options",
    [
        {"figure": "pooled_sd", "expected": 0.5, "directions": 1},
        {"figure": "pooled_sd", "expected": 0.5, "risk": 0.499},
        {"figure": "variation", "expected": 0.0, "sd_mm": 0.01},
        {"figure": "miss_rate", "expected": 0.0, "limit": 0.999},
        {"figure": "miss_rate", "expected": 0.99, "limit": 0.1},
    ],
    ids=["one direction", "a risk below a half", "no variation", "no miss", "nearly all miss"],
)
def test_a_question_at_the_edge_is_answered(options: dict[str, object]) -> None:
    question: dict[str, object] = {"directions": 24, "limit": 2.0} | options
    found = touches_needed(question.pop("figure"), **question)
    assert found.chance >= 0.9
