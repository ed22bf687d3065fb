"""A comparison of two builds: how many units of each, and how many touches of each unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from probetest.errors import PlanError
from probetest.margins import Margins
from probetest.plan.choose import Pace
from probetest.statistics.expected import Design, ExpectedProbe, variation_u_mm
from probetest.statistics.units_needed import UnitsNeeded, units_needed

FIGURES = 5
"""A comparison holds so many figures against each other, and shares its risk among them."""

TOUCHES = (2, 3, 4, 5, 6, 8, 10, 15, 20)
"""Of each direction, that are tried."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How far units of one build differ beyond what their measurement explains, as expected.

    Attributes
    ----------
    sd_share : float
        Of their scatter, as a share of it.
    variation_mm : float
        Of their pre-travel variation, standard deviation.
    """

    sd_share: float
    variation_mm: float


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """Units and touches of a comparison.

    Attributes
    ----------
    design : Design
        Of each unit.
    units : int
        Of each build.
    of_scatter, of_variation : UnitsNeeded
        What each of the two figures needs.
    measured_sd_share, measured_variation_mm : float
        Standard error of the figures of one unit.
    power : float
        Chance, at least, of each answer.
    seconds : float
        All units of both builds.
    order : tuple of str
        Which build is tested first, A or B, unit by unit: a drift of machine or shop meets both alike.
    """

    design: Design
    units: int
    of_scatter: UnitsNeeded
    of_variation: UnitsNeeded
    measured_sd_share: float
    measured_variation_mm: float
    power: float
    seconds: float
    order: tuple[str, ...]


def plan_units(
    probe: ExpectedProbe,
    spread: Spread,
    margins: Margins,
    orientations_deg: tuple[float, ...],
    directions: Iterable[int],
    pace: Pace,
    *,
    done: Callable[[], None] = lambda: None,
) -> UnitPlan:
    """Units and touches with which a comparison takes least time.

    Parameters
    ----------
    probe : ExpectedProbe
        A unit of either build.
    spread : Spread
    margins : Margins
        What difference matters, the risk and the power.
    orientations_deg : tuple of float
    directions : iterable of int
    pace : Pace
        A unit costs one turn more: it is put into the spindle.
    done : callable
        Called after each number of directions.

    Raises
    ------
    PlanError
        If no number of units is enough.

    Notes
    -----
    More touches make the figures of a unit surer, more units make their mean surer; where units differ much,
    touches are soon wasted. All combinations are tried. Each figure is held to the risk by the number of
    figures, as the comparison itself does for its clearest one.
    """
    found: list[UnitPlan] = []
    for count in directions:
        for touches in TOUCHES:
            one = _units_for(Design(count, touches, orientations_deg), probe, spread, margins, pace)
            if one is not None:
                found.append(one)
        done()
    if not found:
        raise PlanError(
            "no practical number of units shows a difference as large as the margins; state wider "
            "margins, or make units more alike first"
        )
    return min(found, key=lambda one: (round(one.seconds, 6), one.units, one.design.n))


def _units_for(
    design: Design, probe: ExpectedProbe, spread: Spread, margins: Margins, pace: Pace
) -> UnitPlan | None:
    scatter = 1 / float(np.sqrt(2 * design.dof))
    variation = variation_u_mm(design, probe)
    alpha = margins.risk / FIGURES
    needs = [
        units_needed(total, total, margin, alpha, margins.power)
        for total, margin in (
            (float(np.hypot(scatter, spread.sd_share)), float(np.log(margins.sd_ratio))),
            (float(np.hypot(variation, spread.variation_mm)), margins.variation_mm),
        )
    ]
    counts = [need.both for need in needs]
    if counts[0] is None or counts[1] is None:
        return None
    units = max(counts[0], counts[1], 3)
    return UnitPlan(
        design,
        units,
        needs[0],
        needs[1],
        scatter,
        variation,
        min(
            chance
            for need in needs
            if need.power
            for chance in (need.power.difference, need.power.equivalence)
        ),
        2 * units * (pace.seconds(design) + pace.turn_s),
        abba(units),
    )


def abba(units: int) -> tuple[str, ...]:
    """Order A B B A B A A B ... of so many units of each build: nearly the same course of both.

    Of an even number both have the same mean place; of an odd one they differ by 1 / ``units``.

    Examples
    --------
    >>> "".join(abba(4)), "".join(abba(3))
    ('ABBABAAB', 'ABBABA')
    """
    order: list[str] = []
    for pair in range(units):
        order += ["A", "B"] if bin(pair).count("1") % 2 == 0 else ["B", "A"]
    return tuple(order)
