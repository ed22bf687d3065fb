"""How late each arm of one probe opens, as a figure over its tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from probetest.jobs.compared import Figure, Sample
from probetest.jobs.tested import Arm, Tested
from probetest.margins import Margins

SAME_ARM_DEG = 60.0
"""Arms of two tests that lie closer are the same."""


@dataclass(frozen=True, slots=True)
class ArmFigure(Figure):
    """How much later, or earlier, than the mean of the other two an arm opens, in mm of pre-travel.

    Attributes
    ----------
    arm : int
        Index into ``Tested.arms`` of tests that were put in the same order.
    sign : float
        1: later, -1: earlier.
    """

    arm: int = 0
    sign: float = 1.0

    def margin(self, margins: Margins) -> float:
        """That of the unevenness of the arms."""
        return margins.unevenness_mm

    def sample(self, units: Sequence[Tested]) -> Sample:
        """The tests that tell the arms apart."""
        known = [one for one in units if len(one.arms) == 3]
        return Sample(
            tuple(one.serial for one in known),
            tuple(self.sign * one.arms[self.arm].late_mm for one in known),
            tuple(one.arms[self.arm].late_u_mm for one in known),
            tuple(one.serial for one in units if len(one.arms) != 3),
        )


def in_one_order(tests: Sequence[Tested]) -> list[Tested]:
    """The tests of one serial, their arms in the order of the first test that has any."""
    first = next((one.arms for one in tests if len(one.arms) == 3), ())
    return [replace(one, arms=_ordered(one.arms, first)) for one in tests]


def _ordered(arms: tuple[Arm, ...], first: tuple[Arm, ...]) -> tuple[Arm, ...]:
    turned = tuple(
        next((arm for arm in arms if _apart(arm.azimuth_deg, known.azimuth_deg) < SAME_ARM_DEG), None)
        for known in first
    )
    found = tuple(arm for arm in turned if arm is not None)
    return found if len(found) == 3 else ()


def _apart(first_deg: float, second_deg: float) -> float:
    return abs((first_deg - second_deg + 180.0) % 360.0 - 180.0)


def arm_figures(tests: Sequence[Tested]) -> tuple[ArmFigure, ...]:
    """A figure for each arm of a serial; none where no test tells the arms apart.

    An arm may come to open later or earlier; the figure is the one that grew from the first half of the tests
    to the second, so that whoever judges it must allow for the choice.
    """
    known = [one.arms for one in tests if len(one.arms) == 3]
    figures = []
    for place, arm in enumerate(known[0] if known else ()):
        late = [arms[place].late_mm for arms in known]
        half = len(late) // 2
        earlier = half > 0 and np.mean(late[-half:]) < np.mean(late[:half])
        word = "earlier" if earlier else "later"
        figures.append(
            ArmFigure(
                name=f"arm_{place + 1}_{word}",
                label=f"Arm at {arm.azimuth_deg:.0f}°, {word} than the other two",
                unit="mm",
                kind="length",
                value="",
                error="",
                note="of the pre-travel where this arm opens",
                short=f"Arm at {arm.azimuth_deg:.0f}°, {word}",
                arm=place,
                sign=-1.0 if earlier else 1.0,
            )
        )
    return tuple(figures)
