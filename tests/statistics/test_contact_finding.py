"""What evidence on the contacts is consistent with, on evidence made by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy import special, stats

from probetest.statistics.contact_evidence import (
    BEFORE_RISK,
    EVENT_RISK,
    GAIN_RISK,
    SIDE_RISK,
    WEAKER,
    Failed,
    Seen,
    Size,
    comes_early,
    weaker,
)
from probetest.statistics.contact_finding import CLEARLY, HINT, LEANING, MACHINE_RISK, WORTH, find_fault
from probetest.statistics.contact_fit import HEALTHY
from probetest.statistics.contact_gains import ArmGain, ContactGains, OneArm
from probetest.statistics.contact_sectors import SCATTER_RISK, SectorEvents, SectorScatter
from probetest.statistics.contact_steps import StepsJudged
from probetest.statistics.hysteresis import Hysteresis
from probetest.statistics.intervals import Interval, proportion_interval
from probetest.statistics.reseat_directed import DirectedEffect

ARMS = (30.0, 150.0, 270.0)
DOF = 200.0
BELOW = 1 - 1e-9
"""Just below a border."""


def arm_gain(azimuth: float, contrast: float, u: float, p: float | None = None) -> ArmGain:
    half = float(special.stdtrit(DOF, 0.975)) * u
    early, late = (float(special.stdtr(DOF, (HEALTHY - side * contrast) / u)) for side in (-1, 1))
    if p is not None:
        early, late = (p, late) if contrast < 0 else (early, p)
    return ArmGain(azimuth, contrast, u, Interval(contrast - half, contrast + half), early, late)


def gains(contrasts=(0.0, 0.0, 0.0), *, u=0.02, p=None, one=None, azimuths=ARMS, **more) -> ContactGains:
    """Gains with contrasts; by default the arm that is farthest off explains most."""
    far = max(abs(c) for c in contrasts)
    left = [20 + 1000 * (far - abs(c)) for c in contrasts] if one is None else one
    arms = [arm_gain(a, c, u, p if abs(c) == far else None) for a, c in zip(azimuths, contrasts, strict=True)]
    alone = [OneArm(i, c, m) for i, (c, m) in enumerate(zip(contrasts, left, strict=True))]
    usual = {
        "beside": "waves", "arm_u_deg": 0.5, "size_mm": 0.02, "size_u_mm": 0.0002, "pair_ratio": 0.09,
        "lobe_mm": 0.007, "lobe_u_mm": 0.0002, "alike_misfit": 60.0, "free_misfit": 20.0, "excess": 1.0,
        "noise_mm": 0.002, "dof": DOF, "misfit_p": 0.5, "directions": 24, "touches": 240, "parameters": 6,
    }  # fmt: skip
    return ContactGains(arms=tuple(arms), one_arm=tuple(alone), **{**usual, **more})


def scatter(ps=(0.5, 0.5, 0.5)) -> tuple[SectorScatter, ...]:
    return tuple(
        SectorScatter(arm, 2.0, Interval(1.5, 3.0), p, (7, 14, 3), (70, 140, 30), 0, 18, False)
        for arm, p in enumerate(ps)
    )


def events(arm: int | None, p: float, count: int = 9) -> SectorEvents:
    hit = tuple(count if i == arm else 0 for i in range(3))
    return SectorEvents(hit, (70, 70, 70), 0, 30, arm, p, None, None)


def failed(missed=0, opened=0, false=0, sectors=None, n=240) -> Failed:
    return Failed(n, missed, opened, false, proportion_interval(missed + opened + false, n), sectors)


def steps(kind: str, arm: int | None = 1, chance: float = 0.05) -> StepsJudged:
    return StepsJudged(kind, arm, (0.0, 0.5, 0.0), (2.0,), ("coming",), chance, "")


def depending(p: float, verdict: str = "beyond the margin") -> Hysteresis:
    both = Interval(0.002, 0.004)
    effect = DirectedEffect(
        0.003, 0.0005, both, 0.0, 0.0005, both, 0.003, both, 0.002, 0.004, p, 200.0, 0.002, (1.0, 1.0), 0.0
    )
    return Hysteresis(effect, 0.0, None, None, 23, 230, 1, 0.001, verdict, "")


def seen(**parts) -> Seen:
    usual = {
        "gains": gains(), "gains_reason": "", "plain": None, "by_medians": gains(), "scatter": scatter(),
        "early_touches": None, "late_touches": (0, 0, 0), "failed": failed(), "steps": (), "before": None,
        "size": None,
    }  # fmt: skip
    return Seen(**{**usual, **parts})


def first(**parts) -> tuple[str, float | None]:
    found = find_fault(seen(**parts)).first
    return found.kind, found.arm_azimuth_deg


SMALLER = Size(float(np.log(0.6)), 0.02, 480)
EARLY = gains((-0.2, 0.1, 0.1))
SIGNS: tuple[tuple[str, float | None, dict], ...] = (
    ("open", 270.0, {"failed": failed(missed=12, opened=1, sectors=events(2, 1e-6))}),
    ("tilted", 150.0, {"steps": (steps("tilted"),)}),
    ("early", 30.0, {"gains": EARLY, "by_medians": EARLY}),
    ("intermittent", 150.0, {"scatter": scatter((0.5, 1e-5, 0.5))}),
    ("hysteresis", None, {"before": depending(1e-6)}),
    ("weak_spring", None, {"size": SMALLER}),
)
"""Each kind by itself, in the order in which they are taken."""


# ---- each kind, and which comes first


def test_equal_arms_within_15_percent_are_healthy() -> None:
    contrasts = (-0.03, 0.01, 0.02)
    found = find_fault(seen(gains=gains(contrasts, u=0.035)))
    assert (found.first.kind, found.others, found.more_touches) == ("healthy", (), None)
    # Chance of each arm beyond log 1.15 to either side, by Student's t.
    beyond = sum(stats.t.sf((np.log(1.15) - side * c) / 0.035, DOF) for c in contrasts for side in (-1, 1))
    assert found.first.confidence == pytest.approx(1 - beyond, rel=1e-9)
    assert 0.995 < found.first.confidence < 0.9999
    assert not any(one.shown for one in found.evidence)


@pytest.mark.parametrize(("kind", "azimuth", "sign"), SIGNS, ids=[sign[0] for sign in SIGNS])
def test_each_sign_alone_gives_its_kind(kind: str, azimuth: float | None, sign: dict) -> None:
    found = find_fault(seen(**sign))
    assert (found.first.kind, found.first.arm_azimuth_deg) == (kind, azimuth)
    assert any(one.shown for one in found.evidence)


@pytest.mark.parametrize("start", range(len(SIGNS)))
def test_signs_together_come_in_the_order_in_which_one_makes_the_next(start: int) -> None:
    left = SIGNS[start:]
    found = find_fault(seen(**{key: value for _, _, sign in left for key, value in sign.items()}))
    kinds = [one.kind for one in (found.first, *found.others)]
    # A step is followed by what else steps so.
    assert [kind for kind in kinds if kind != "loose_stylus"] == [sign[0] for sign in left]
    assert kinds.count("loose_stylus") == (start <= 1)


def test_late_is_told_from_early() -> None:
    late = gains((0.1, 0.1, 0.25))
    assert first(gains=late, by_medians=late) == ("late", 270.0)


@pytest.mark.parametrize(("count", "kind"), [(0, "healthy"), (1, "open")])
def test_a_single_lost_approach_is_never_healthy(count: int, kind: str) -> None:
    assert first(failed=failed(missed=count)) == (kind, None)
    assert first(failed=failed(opened=count)) == (kind, None)


def test_triggers_in_free_air_are_unsteady_and_name_no_arm() -> None:
    found = find_fault(seen(failed=failed(false=2)))
    assert (found.first.kind, found.first.arm_azimuth_deg, found.first.confidence) == (
        "intermittent", None, None,
    )  # fmt: skip
    assert found.first.why == "2 of 240 approaches triggered in free air"


@pytest.mark.parametrize(("p", "azimuth"), [(EVENT_RISK, None), (EVENT_RISK * BELOW, 270.0)])
def test_misses_name_an_arm_only_where_they_crowd(p: float, azimuth: float | None) -> None:
    assert first(failed=failed(missed=9, sectors=events(2, p))) == ("open", azimuth)


# ---- borders of the risks


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("p", "is_shown"), [(GAIN_RISK, False), (GAIN_RISK * BELOW, True)])
def test_border_of_the_gains(side: int, p: float, is_shown: bool) -> None:
    off = gains((0.1 * side, -0.05 * side, -0.05 * side), p=p)
    found = find_fault(seen(gains=off, by_medians=off))
    assert (found.first.kind in ("early", "late")) is is_shown
    assert [one.shown for one in found.evidence[:3]] == [is_shown, False, False]


def test_an_arm_is_named_only_if_it_explains_most_by_itself() -> None:
    # Arm 0 is shown, but arm 1 alone would leave less.
    off = gains((-0.1, 0.09, 0.01), p=1e-4, one=(30.0, 20.0, 60.0))
    found = find_fault(seen(gains=off, by_medians=off))
    assert (found.first.kind, found.more_touches) == ("unknown", None)
    assert [(c.kind, c.arm_azimuth_deg, c.confidence) for c in found.others] == [("early", 30.0, None)]


@pytest.mark.parametrize(("p", "kind"), [(SCATTER_RISK, "unknown"), (SCATTER_RISK * BELOW, "intermittent")])
def test_border_of_the_scatter(p: float, kind: str) -> None:
    assert first(scatter=scatter((0.5, 0.5, p)))[0] == kind


@pytest.mark.parametrize(("p", "kind"), [(HINT, "healthy"), (HINT * BELOW, "unknown")])
def test_border_of_a_hint(p: float, kind: str) -> None:
    for parts in ({"scatter": scatter((0.5, 0.5, p))}, {"early_touches": events(2, p)}):
        found = find_fault(seen(**parts))
        assert found.first.kind == kind
        assert [(one.kind, one.arm_azimuth_deg, one.confidence) for one in found.others] == (
            [] if kind == "healthy" else [("intermittent", 270.0, None)]
        )


@pytest.mark.parametrize(("p", "arm"), [(EVENT_RISK, None), (EVENT_RISK * BELOW, 1)])
def test_border_of_early_touches(p: float, arm: int | None) -> None:
    assert comes_early(seen(early_touches=events(1, p))) == arm


@pytest.mark.parametrize(("early", "late"), list(product((3, 4, 5, 9, 20), (0, 1, 3, 8, 20))))
def test_early_touches_must_outnumber_the_late_ones(early: int, late: int) -> None:
    found = comes_early(seen(early_touches=events(1, 1e-5, early), late_touches=(50, late, 50)))
    # Outside oracle: the binomial test of one half.
    p = stats.binomtest(early, early + late, 0.5, alternative="greater").pvalue
    assert (found == 1) == (p < SIDE_RISK)


@pytest.mark.parametrize(
    ("p", "verdict", "kind"),
    [
        (BEFORE_RISK, "beyond the margin", "healthy"),
        (BEFORE_RISK * BELOW, "beyond the margin", "hysteresis"),
        (1e-9, "can't tell", "healthy"),
        (1e-9, "none beyond the margin", "healthy"),
    ],
)
def test_border_of_the_touch_before(p: float, verdict: str, kind: str) -> None:
    assert first(before=depending(p, verdict))[0] == kind


@pytest.mark.parametrize("u", [0.01, 0.1])
def test_border_of_a_weaker_spring(u: float) -> None:
    border = WEAKER - stats.norm.ppf(0.999) * u
    assert not weaker(Size(border + 1e-9, u, 480))
    assert weaker(Size(border - 1e-9, u, 480))
    assert first(size=Size(0.5, u, 480))[0] == "healthy"


@pytest.mark.parametrize("place", range(3))
@pytest.mark.parametrize("side", [-1, 1])
def test_healthy_needs_each_interval_within_15_percent(place: int, side: int) -> None:
    half = float(special.stdtrit(DOF, 0.975)) * 0.05
    for beside, kind in ((-1e-9, "healthy"), (1e-9, "unknown")):
        contrasts = np.zeros(3)
        contrasts[place] = side * (WORTH - half + beside)
        found = find_fault(seen(gains=gains(tuple(contrasts), u=0.05)))
        assert found.first.kind == kind
    # exp(-log 1.15) is 13 % early, exp(log 1.15) 15 % late.
    assert ("13 % early", "15 % late")[side > 0] in found.first.why
    # An arm is named as possible only where it leans out of what a healthy one may be.
    assert found.others == ()
    border = HEALTHY + float(stats.t.ppf(1 - LEANING, DOF)) * 0.05
    contrasts[place] = side * (border + 1e-9)
    (other,) = find_fault(seen(gains=gains(tuple(contrasts), u=0.05))).others
    assert (other.kind, other.arm_azimuth_deg) == (("early", "late")[side > 0], ARMS[place])
    assert (other.confidence, other.why) == (None, "neither shown nor ruled out")
    contrasts[place] = side * (border - 1e-9)
    assert find_fault(seen(gains=gains(tuple(contrasts), u=0.05))).others == ()


def test_more_touches_are_those_that_narrow_the_interval() -> None:
    found = find_fault(seen(gains=gains(u=0.1)))
    # In 9 of 10 tests all of ±1.96 u lies within the border: u = log 1.15 / (1.96 + 1.645).
    wanted = np.log(1.15) / (stats.norm.ppf(0.975) + stats.norm.ppf(0.95))
    assert found.more_touches == math.ceil(240 * ((0.1 / wanted) ** 2 - 1))


def test_more_touches_are_not_promised_where_the_shape_misfits() -> None:
    assert find_fault(seen(gains=gains(u=0.1, excess=2.5, misfit_p=0.01))).more_touches is None


@pytest.mark.parametrize(("p", "kind"), [(MACHINE_RISK, "healthy"), (MACHINE_RISK * BELOW, "unknown")])
def test_a_curve_of_no_three_arms_is_not_healthy(p: float, kind: str) -> None:
    turned = find_fault(seen(gains=gains(misfit_p=p)))
    assert (turned.first.kind, turned.others) == (kind, ())
    once = find_fault(seen(gains=gains(misfit_p=p), plain=gains(misfit_p=p)))
    assert [one.kind for one in once.others] == ([] if kind == "healthy" else ["machine"])


def test_nothing_known_says_why() -> None:
    found = find_fault(seen(gains=None, by_medians=None, scatter=(), gains_reason="too few directions"))
    assert (found.first.kind, found.first.why, found.others) == ("unknown", "too few directions", ())
    assert [one.name for one in found.evidence] == ["without a valid trigger"]


# ---- an unsteady contact makes its mean early


@pytest.mark.parametrize(
    ("medians", "kinds"),
    [
        (gains(), ["intermittent", "early"]),
        (EARLY, ["early", "intermittent"]),
        (None, ["early", "intermittent"]),
    ],
)
def test_early_and_unsteady_is_asked_of_the_medians(medians: ContactGains | None, kinds: list[str]) -> None:
    found = find_fault(seen(gains=EARLY, by_medians=medians, scatter=scatter((1e-6, 0.5, 0.5))))
    assert [one.kind for one in (found.first, *found.others)] == kinds
    assert found.first.arm_azimuth_deg == found.others[0].arm_azimuth_deg == 30.0


def test_medians_have_no_say_where_another_arm_is_unsteady() -> None:
    found = find_fault(seen(gains=EARLY, by_medians=gains(), scatter=scatter((0.5, 1e-6, 0.5))))
    assert [(one.kind, one.arm_azimuth_deg) for one in (found.first, *found.others)] == [
        ("early", 30.0), ("intermittent", 150.0),
    ]  # fmt: skip


def test_a_late_arm_is_not_made_by_early_touches() -> None:
    late = gains((0.2, -0.1, -0.1))
    found = find_fault(seen(gains=late, by_medians=gains(), scatter=scatter((1e-6, 0.5, 0.5))))
    assert [one.kind for one in (found.first, *found.others)] == ["late", "intermittent"]


def test_the_clearer_of_two_unsteady_arms_comes_first() -> None:
    found = find_fault(
        seen(
            scatter=scatter((1e-5, 1e-4, 0.5)),
            early_touches=events(1, 1e-7),
        )
    )
    assert [(one.arm_azimuth_deg, one.confidence) for one in (found.first, *found.others)] == [
        (150.0, 1 - 1e-7), (30.0, 1 - 1e-5),
    ]  # fmt: skip
    assert found.first.why == (
        "its sector scatters 2.0 times as far as the others; 9 of 9 far too early touches lie in its sector"
    )


# ---- steps of the centre


def test_steps_of_several_orientations_share_their_arm() -> None:
    found = find_fault(seen(steps=(steps("tilted"), steps("none"), steps("tilted", chance=0.1))))
    assert (found.first.kind, found.first.arm_azimuth_deg) == ("tilted", 150.0)
    assert found.first.confidence == pytest.approx(1 - 0.05 * 0.1, rel=1e-12)
    assert [(one.kind, one.confidence) for one in found.others] == [
        ("loose_stylus", pytest.approx(0.005, rel=1e-12)),
    ]


@pytest.mark.parametrize(
    ("kinds", "first_kind", "others"),
    [
        ([("loose_stylus", 1)], "loose_stylus", []),
        ([("tilted", 0), ("tilted", 1)], "loose_stylus", []),
        ([("tilted", 1), ("loose_stylus", 1)], "loose_stylus", []),
        ([("either", 1)], "unknown", ["loose_stylus", "tilted"]),
        ([("tilted", 1), ("either", 1)], "unknown", ["loose_stylus", "tilted"]),
        ([("none", None), ("untold", None)], "healthy", []),
    ],
)
def test_what_steps_speak_for(kinds: list, first_kind: str, others: list[str]) -> None:
    found = find_fault(seen(steps=tuple(steps(kind, arm) for kind, arm in kinds)))
    assert (found.first.kind, [one.kind for one in found.others]) == (first_kind, others)
    assert any(one.shown for one in found.evidence) is (first_kind != "healthy")


# ---- one orientation


def one_orientation(gap: float) -> dict:
    """An early arm beside equal arms under a machine, better by ``gap`` in twice the log-likelihood."""
    plain = gains((-0.2, 0.1, 0.1), beside="nothing", parameters=6, free_misfit=20.0)
    known = 4  # two lobes and two reversal values
    alike = 20.0 + gap - (known - 1) * np.log(24)
    return {
        "plain": plain,
        "gains": gains(beside="reversal value", parameters=6 + known, alike_misfit=alike, free_misfit=alike),
        "by_medians": None,
    }


@pytest.mark.parametrize(
    ("gap", "kind"),
    [
        (CLEARLY + 1e-6, "early"),
        (CLEARLY - 1e-6, "unknown"),
        (0.0, "unknown"),
        (1e-6 - CLEARLY, "unknown"),
        (-CLEARLY - 1e-6, "machine"),
    ],
)
def test_one_orientation_names_an_arm_only_if_it_is_clearly_better(gap: float, kind: str) -> None:
    found = find_fault(seen(**one_orientation(gap)))
    assert found.first.kind == kind
    arm = 1 / (1 + np.exp(-gap / 2))
    told = {one.kind: one for one in (found.first, *found.others)}
    if kind == "unknown":
        assert list(told) == ["unknown", "early", "machine"]
        assert told["early"].confidence == pytest.approx(arm, rel=1e-9)
        assert told["machine"].confidence == pytest.approx(1 - arm, rel=1e-9)
    elif kind == "early":
        assert (found.first.arm_azimuth_deg, found.first.confidence) == (30.0, pytest.approx(arm, abs=1e-4))
    else:
        assert found.first.confidence == pytest.approx(1 - arm, rel=1e-9)


def test_without_a_machine_in_the_fit_both_are_as_likely() -> None:
    found = find_fault(seen(gains=None, plain=gains((-0.2, 0.1, 0.1)), by_medians=None))
    assert [(one.kind, one.confidence) for one in (found.first, *found.others)] == [
        ("unknown", None), ("early", 0.5), ("machine", 0.5),
    ]  # fmt: skip


def test_an_arm_beside_a_machine_needs_no_weighing() -> None:
    assert first(gains=EARLY, plain=gains((0.2, -0.1, -0.1)), by_medians=EARLY) == ("early", 30.0)


def under_equal_arms(p: float) -> dict:
    """A machine's part of that chance, beside which no arm is shown."""
    drop = float(stats.chi2.isf(p, 4))
    return {
        "plain": gains(parameters=6, alike_misfit=20.0 + drop, free_misfit=20.0 + drop),
        "gains": gains(parameters=10, alike_misfit=20.0, free_misfit=20.0),
    }


@pytest.mark.parametrize(("share", "kind"), [(1.001, "healthy"), (0.999, "machine")])
def test_border_of_a_machine_under_equal_arms(share: float, kind: str) -> None:
    found = find_fault(seen(**under_equal_arms(share * MACHINE_RISK)))
    assert found.first.kind == kind
    if kind == "machine":
        assert found.first.confidence == pytest.approx(1 - share * MACHINE_RISK, rel=1e-9)


def test_a_machine_is_not_named_where_three_free_arms_explain_more() -> None:
    parts = under_equal_arms(1e-5)
    drop = float(stats.chi2.isf(1e-6, 2))
    plain = replace(parts["plain"], free_misfit=parts["plain"].alike_misfit - drop)
    assert first(**{**parts, "plain": plain})[0] == "healthy"


@pytest.mark.parametrize(
    "sign",
    [
        {"scatter": scatter((0.5, 1e-5, 0.5))},
        {"early_touches": events(1, 1e-5)},
        {"failed": failed(missed=9, sectors=events(1, 1e-5))},
    ],
)
def test_one_orientation_leaves_a_side_of_the_machine_beside_a_sector(sign: dict) -> None:
    once = find_fault(seen(plain=gains(beside="nothing"), **sign))
    assert once.first.arm_azimuth_deg == 150.0
    (machine,) = once.others
    assert (machine.kind, machine.arm_azimuth_deg, machine.confidence) == ("machine", None, None)
    assert "turn the probe" in machine.why
    assert find_fault(seen(**sign)).others == ()


def test_misses_all_round_leave_no_side_of_the_machine() -> None:
    assert find_fault(seen(plain=gains(), failed=failed(missed=9, sectors=events(1, 0.5)))).others == ()


def test_shares_among_the_arms_are_those_of_their_likelihood() -> None:
    close = gains((-0.2, 0.02, 0.18), p=1e-6, one=(20.0, 80.0, 24.0))
    found = find_fault(seen(gains=close, by_medians=close))
    other = np.exp(-2.0) / (1 + np.exp(-2.0))
    assert found.first.confidence == pytest.approx((1 - other) * (1 - 1e-6), rel=1e-9)
    (late,) = found.others
    assert (late.kind, late.arm_azimuth_deg) == ("late", 270.0)
    assert late.confidence == pytest.approx(other, rel=1e-9)


# ---- whatever the evidence


def random_seen(rng: np.random.Generator) -> Seen:
    """Evidence of any kind, half of it quiet."""

    def some_gains(chance: float, **more) -> ContactGains | None:
        if rng.random() > chance:
            return None
        contrasts = rng.normal(0, rng.choice([0.01, 0.15]), 3)
        alike = float(rng.uniform(20, 90))
        return gains(
            tuple(contrasts - contrasts.mean()), u=float(rng.choice([0.01, 0.05])),
            one=tuple(rng.uniform(15, 60, 3)), misfit_p=float(rng.choice([0.5, 1e-5])),
            alike_misfit=alike, free_misfit=alike - float(rng.uniform(0, 10)),
            excess=float(rng.choice([1.0, 3.0])), **more,
        )  # fmt: skip

    def chance() -> float:
        return float(10 ** rng.uniform(-6, 0))

    arm = int(rng.integers(3))
    hit = int(rng.integers(0, 12))
    told = some_gains(0.8)
    plain = some_gains(0.5, parameters=2, beside="nothing")
    known = told is not None or plain is not None
    return seen(
        gains=told,
        gains_reason="no arms",
        plain=plain,
        by_medians=some_gains(0.7),
        scatter=scatter((chance(), chance(), chance())) if known and rng.random() < 0.7 else (),
        early_touches=events(arm if hit else None, chance() if hit else 1.0, hit) if known else None,
        late_touches=tuple(int(n) for n in rng.integers(0, 6, 3)),
        failed=failed(*(int(n) for n in rng.integers(0, 3, 3) * (rng.random(3) < 0.2)),
                      sectors=events(arm, chance()) if rng.random() < 0.5 else None),
        steps=tuple(
            steps(str(kind), int(rng.integers(3)), float(rng.random()))
            for kind in rng.choice(["none", "tilted", "loose_stylus", "either"], 2, p=[0.8, 0.1, 0.05, 0.05])
        ),
        before=depending(chance()) if rng.random() < 0.2 else None,
        size=Size(float(rng.normal(-0.1, 0.2)), 0.05, 480) if rng.random() < 0.3 else None,
    )  # fmt: skip


ANY = [
    *(random_seen(np.random.default_rng(number)) for number in range(200)),
    seen(**under_equal_arms(1e-6)),
    *(seen(**one_orientation(gap)) for gap in (-20.0, -5.0, 5.0, 20.0)),
]


def test_random_evidence_reaches_every_kind() -> None:
    kinds = {find_fault(one).first.kind for one in ANY}
    assert kinds == {
        "healthy", "early", "late", "tilted", "intermittent", "loose_stylus", "weak_spring", "open",
        "hysteresis", "machine", "unknown",
    }  # fmt: skip


def test_a_fault_is_never_found_without_evidence_that_is_shown() -> None:
    for one in ANY:
        found = find_fault(one)
        quiet = found.first.kind in ("healthy", "machine", "unknown")
        assert quiet or any(part.shown for part in found.evidence)
        assert found.first.kind != "healthy" or not any(part.shown for part in found.evidence)


def test_confidence_is_a_share_or_none_and_the_finding_is_not_repeated() -> None:
    for one in ANY:
        found = find_fault(one)
        every = [found.first, *found.others]
        assert all(c.confidence is None or 0 <= c.confidence <= 1 for c in every)
        assert all(
            (c.kind, c.arm_azimuth_deg) != (every[0].kind, every[0].arm_azimuth_deg) for c in every[1:]
        )
        assert all(c.arm_azimuth_deg is None or c.arm_azimuth_deg in ARMS for c in every)
        assert found.first.kind != "unknown" or found.first.confidence is None
        assert found.more_touches is None or found.more_touches > 0
        assert all(c.why for c in every)


def renumbered(told: ContactGains | None, shift: int, turn_deg: float) -> ContactGains | None:
    """The same arms, counted from another one and turned."""
    if told is None:
        return None
    arms = [replace(a, azimuth_deg=(a.azimuth_deg + turn_deg) % 360) for a in np.roll(told.arms, shift)]
    one = [replace(o, arm=i) for i, o in enumerate(np.roll(told.one_arm, shift))]
    return replace(told, arms=tuple(arms), one_arm=tuple(one))


@pytest.mark.parametrize("shift", [0, 1, 2])
def test_numbers_of_the_arms_do_not_matter_and_the_answer_turns_with_them(shift: int) -> None:
    turn_deg = 17.0

    def moved_events(had: SectorEvents | None) -> SectorEvents | None:
        if had is None:
            return None
        arm = None if had.arm is None else (had.arm + shift) % 3
        return replace(had, arm=arm, events=tuple(int(n) for n in np.roll(had.events, shift)))

    for one in ANY[-60:]:
        other = replace(
            one,
            gains=renumbered(one.gains, shift, turn_deg),
            plain=renumbered(one.plain, shift, turn_deg),
            by_medians=renumbered(one.by_medians, shift, turn_deg),
            scatter=tuple(
                replace(s, arm=i) for i, s in enumerate(np.roll(np.array(one.scatter, object), shift))
            ),
            early_touches=moved_events(one.early_touches),
            late_touches=tuple(int(n) for n in np.roll(one.late_touches, shift)),
            failed=replace(one.failed, sectors=moved_events(one.failed.sectors)),
            steps=tuple(replace(s, arm=(s.arm + shift) % 3) for s in one.steps),
        )
        was, now = find_fault(one), find_fault(other)
        turned = replace(
            was.first,
            arm_azimuth_deg=None
            if was.first.arm_azimuth_deg is None
            else (was.first.arm_azimuth_deg + turn_deg) % 360,
        )
        assert now.first.kind == turned.kind
        assert now.first.arm_azimuth_deg == turned.arm_azimuth_deg
        assert now.first.confidence == (
            None if turned.confidence is None else pytest.approx(turned.confidence, rel=1e-9)
        )
        assert sorted((o.kind, (o.arm_azimuth_deg or -turn_deg) % 360) for o in now.others) == sorted(
            (o.kind, ((o.arm_azimuth_deg or -2 * turn_deg) + turn_deg) % 360) for o in was.others
        )


# ---- the order of the touches


@pytest.mark.parametrize("sign", [{"scatter": scatter((0.5, 1e-5, 0.5))}], ids=["intermittent"])
def test_directions_in_rows_name_no_unsteady_arm(sign: dict) -> None:
    found = find_fault(seen(in_turn=False, **sign))
    assert found.first.kind == "unknown"
    assert "in rows" in found.first.why
    assert [one.kind for one in found.others][:1] == ["intermittent"]
    assert find_fault(seen(**sign)).first.kind == "intermittent"


def test_early_arm_in_rows_is_named_with_the_doubt_beside_it() -> None:
    found = find_fault(seen(in_turn=False, gains=EARLY, by_medians=EARLY))
    assert found.first.kind == "early"
    assert any("in rows" in one.why for one in found.others)
    assert not any("in rows" in one.why for one in find_fault(seen(gains=EARLY)).others)


def test_trigger_in_free_air_does_not_hide_an_arm() -> None:
    found = find_fault(seen(gains=EARLY, by_medians=EARLY, failed=failed(false=1)))
    assert found.first.kind == "early"
    assert "intermittent" in [one.kind for one in found.others]
    alone = find_fault(seen(failed=failed(false=1)))
    assert (alone.first.kind, alone.first.arm_azimuth_deg) == ("intermittent", None)


def test_one_orientation_says_that_more_lobes_can_look_like_an_arm() -> None:
    found = find_fault(seen(gains=EARLY, plain=EARLY, by_medians=EARLY))
    assert found.first.kind == "early"
    assert any(one.kind == "machine" and "four lobes" in one.why for one in found.others)
    assert not any(one.kind == "machine" for one in find_fault(seen(gains=EARLY)).others)
