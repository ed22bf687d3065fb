"""What a test is to answer, and with what chance a design answers it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.limits import Limits
from probetest.statistics.design import directions_of
from probetest.statistics.expected import (
    Design,
    Expected,
    ExpectedProbe,
    expected_capability,
    expected_scatter,
    expected_variation,
    expected_worst_scatter,
    variation_u_mm,
)
from probetest.statistics.expected_arms import WORTH, arm_power
from probetest.statistics.intervals import proportion_interval, t_factor
from probetest.statistics.planning import Figure, chance_decided
from probetest.statistics.reseat_verdict import chance_to_decide

TWO_SIDED = float(special.ndtri(0.975))


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that a test is to answer.

    Attributes
    ----------
    name, label, unit : str
    wanted : str
        The answer that is wanted, in words.
    chance : callable
        Chance that a test of a design gives it, if the probe is as expected; 0 where it can't.
    expect : callable
        The figure as such a test would give it; None where there is none.
    """

    name: str
    label: str
    unit: str
    wanted: str
    chance: Callable[[Design], float]
    expect: Callable[[Design], Expected | None]


def acceptance(probe: ExpectedProbe, limits: Limits, further: int = 0) -> Iterator[Question]:
    """The limits that a plan can answer for; drift and single misses are what they are.

    Parameters
    ----------
    probe : ExpectedProbe
    limits : Limits
    further : int
        Stages after the baseline, whose scatter is held against the limits as well.
    """
    if limits.max_pooled_sd_mm is not None:
        label, limit = "Repeatability (pooled sd)", limits.max_pooled_sd_mm
        yield _spread("pooled_sd", label, limit, probe, limits.risk, further)
    if limits.max_worst_direction_sd_mm is not None:
        label, limit = "Repeatability (worst direction)", limits.max_worst_direction_sd_mm
        yield _spread("worst_direction_sd", label, limit, probe, limits.risk, further)
    if limits.max_pretravel_variation_mm is not None:
        yield _variation(limits.max_pretravel_variation_mm, probe, limits.risk)
    if limits.tolerance_mm is not None and limits.min_cpk is not None:
        yield _cpk(limits.tolerance_mm, limits.min_cpk, probe, limits.risk)
    if limits.max_miss_rate is not None:
        yield _misses(limits.max_miss_rate, limits.risk)


def contact_check(probe: ExpectedProbe, share: float = WORTH) -> Iterator[Question]:
    """Is an arm early or late by a share, and if none is, is that shown."""
    yield Question(
        "arm",
        "Contact pairs",
        "",
        f"an arm that opens {100 * share:.3g} % early or late is named",
        lambda design: _or_zero(lambda: arm_power(design, probe, share).least),
        lambda _: None,
    )
    yield Question(
        "healthy",
        "Contact pairs",
        "",
        f"equal arms are shown to lie within {100 * WORTH:.3g} %",
        lambda design: _or_zero(lambda: arm_power(design, probe, share).healthy),
        lambda _: None,
    )


def verification(probe: ExpectedProbe, sd_ratio: float, difference_mm: float) -> Iterator[Question]:
    """Does the probe agree with the report of a test like the planned one: differences that matter are shown.

    Parameters
    ----------
    probe : ExpectedProbe
    sd_ratio, difference_mm : float
        What difference of scatter and of variation matters.
    """

    def ratio(design: Design) -> float:
        if not probe.resolved:
            return 0.0
        limit = float(stats.f.isf(0.025, design.dof, design.dof))
        return float(stats.f.sf(limit / sd_ratio**2, design.dof, design.dof))

    def gap(design: Design) -> float:
        both = float(np.sqrt(2)) * variation_u_mm(design, probe, whole=True)
        return float(special.ndtr(difference_mm / both - TWO_SIDED))

    yield Question(
        "sd_ratio",
        "Repeatability against the report",
        "mm",
        f"a scatter {sd_ratio:.3g} times that of the report is shown to be worse",
        ratio,
        lambda design: expected_scatter(design, probe),
    )
    yield Question(
        "variation_difference",
        "Pre-travel variation against the report",
        "mm",
        f"a difference of {1000 * difference_mm:.3g} µm is shown",
        lambda design: _or_zero(lambda: gap(design)),
        lambda design: _or_none(lambda: expected_variation(design, probe, whole=True)),
    )


def reseat(probe: ExpectedProbe, limits: Limits, *, taken_out: bool) -> Iterator[Question]:
    """Is the trigger where it was before, in each direction, if the seat did not move.

    Parameters
    ----------
    probe : ExpectedProbe
    limits : Limits
    taken_out : bool
        The probe was out of the spindle: only the shape of its curve can be judged.
    """
    margin = limits.max_reseat_shift_mm
    if margin is None:
        return

    def chance(design: Design) -> float:
        azimuth = directions_of(design.directions, probe.arm_azimuth_deg)
        return chance_to_decide(
            design.touches, azimuth, np.zeros(design.directions), 2 * probe.sd_mm**2,
            2.0 * design.directions, margin, limits.risk, only_shape=taken_out,
        )  # fmt: skip

    yield Question(
        "reseat",
        "Re-seating",
        "mm",
        f"a seat that did not move is shown within {1000 * margin:.3g} µm in each direction",
        lambda design: _or_zero(lambda: chance(design)),
        lambda _: None,
    )


def _spread(
    name: Figure, label: str, limit: float, probe: ExpectedProbe, risk: float, further: int
) -> Question:
    def chance(design: Design) -> float:
        # A scatter that the step hides is at most about one step, whatever the touches.
        if not probe.resolved and limit < max(probe.step_mm, probe.sd_mm):
            return 0.0
        own = chance_decided(
            name, design.touches, directions=design.directions, expected=probe.sd_mm, limit=limit, risk=risk
        )
        # Each orientation and stage is held against the limit.
        return own ** (len(design.orientations_deg) + further)

    scatter = name == "pooled_sd"
    return Question(
        name,
        label,
        "mm",
        f"decided against {1000 * limit:.3g} µm",
        lambda design: 0.0 if limit == probe.sd_mm else chance(design),
        lambda design: (expected_scatter if scatter else expected_worst_scatter)(design, probe),
    )


def _variation(limit: float, probe: ExpectedProbe, risk: float) -> Question:
    def chance(design: Design) -> float:
        guard = t_factor(design.dof * len(design.orientations_deg), 1 - 2 * risk)
        room = abs(limit - probe.variation_mm) / variation_u_mm(design, probe)
        return float(special.ndtr(room - guard))

    return Question(
        "pretravel_variation",
        "Pre-travel variation",
        "mm",
        f"decided against {1000 * limit:.3g} µm",
        lambda design: _or_zero(lambda: chance(design)),
        lambda design: _or_none(lambda: expected_variation(design, probe)),
    )


def _cpk(tolerance: float, limit: float, probe: ExpectedProbe, risk: float) -> Question:
    def expect(design: Design) -> Expected:
        return expected_capability(Design(design.directions, design.touches), probe, tolerance)

    def chance(design: Design) -> float:
        found = expect(design)
        near = found.interval.lower if found.value > limit else found.interval.upper
        u = abs(found.value - near) / TWO_SIDED
        return float(special.ndtr(abs(found.value - limit) / u - special.ndtri(1 - risk)))

    return Question(
        "cpk",
        "Cpk of single readings",
        "",
        f"decided against {limit:.3g}",
        lambda design: _or_zero(lambda: chance(design)),
        lambda design: _or_none(lambda: expect(design)),
    )


def _misses(limit: float, risk: float) -> Question:
    def expect(design: Design) -> Expected:
        return Expected(0.0, proportion_interval(0, design.n), design.n)

    def chance(design: Design) -> float:
        return chance_decided("miss_rate", design.n, directions=1, expected=0.0, limit=limit, risk=risk)

    return Question(
        "miss_rate",
        "Share without a valid trigger",
        "",
        f"below {100 * limit:.3g} %, if none fails",
        chance,
        expect,
    )


def _or_zero(chance: Callable[[], float]) -> float:
    """A design that a method refuses answers nothing."""
    try:
        return chance()
    except StatisticsError:
        return 0.0


def _or_none(expect: Callable[[], Expected]) -> Expected | None:
    try:
        return expect()
    except StatisticsError:
        return None
