"""Share of the force at which each arm of a seat opens: is one early or late against the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.statistics.contact_fit import HEALTHY, Fitted, SeatProblem
from probetest.statistics.intervals import Interval, t_factor
from probetest.statistics.machine import reversal_columns
from probetest.statistics.seat import seat_shape
from probetest.statistics.turns import Stack, Turn, stack_turns

Floats = NDArray[np.float64]

Beside = Literal["nothing", "reversal value", "waves"]
"""What a machine may add to the curve: nothing, a reversal value and two lobes, or waves of any order."""

NO_SCATTER_MM = 1e-9
"""Scatter below it is rounding of the arithmetic."""

MISFIT_RISK = 0.02
"""A curve that the shape fits worse than this chance has its own misfit as its scatter."""

_CONTRAST = np.array([[2.0, -1.0, -1.0], [0.0, np.sqrt(3.0), -np.sqrt(3.0)]]).T / np.sqrt(6.0)
"""Ways in which three gains differ, their mean being part of the size."""


@dataclass(frozen=True, slots=True)
class ArmGain:
    """One arm against the other two.

    Attributes
    ----------
    azimuth_deg : float
        Azimuth of the arm itself on the body of the probe, in [0, 360).
    contrast : float
        Logarithm of the share of the force at which it opens, less the mean of the other two.
    u : float
        Its standard error.
    interval : Interval
        95 %, of ``contrast``.
    early_p, late_p : float
        Chance of so early, or late, an arm if it differed by no more than ``HEALTHY``.
    """

    azimuth_deg: float
    contrast: float
    u: float
    interval: Interval
    early_p: float
    late_p: float

    @property
    def share(self) -> float:
        """How much later (above 0) than the others it opens, as a share of their force."""
        return float(np.expm1(self.contrast))


@dataclass(frozen=True, slots=True)
class OneArm:
    """The explanation that only one arm differs.

    Attributes
    ----------
    arm : int
        Index into ``ContactGains.arms``.
    contrast : float
        Logarithm of its share, against both others alike.
    misfit : float
        Sum of squares left, in variances of the scatter.
    """

    arm: int
    contrast: float
    misfit: float


@dataclass(frozen=True, slots=True)
class ContactGains:
    """Gains of the arms, with what lies beside them.

    Attributes
    ----------
    beside : str
        What was allowed for of the machine.
    arms : tuple of ArmGain
        In the order of their azimuths.
    arm_u_deg : float
        Standard error of the azimuths; 0 where they were stated.
    size_mm, size_u_mm : float
        Pre-travel with the force along an arm, and its standard error.
    pair_ratio : float
        Of the contact pairs, see `probetest.statistics.seat`.
    lobe_mm, lobe_u_mm : float
        Amplitude of the third order of the curve, which goes with the force of the spring.
    alike_misfit, free_misfit : float
        Sums of squares left by equal arms and by three free gains, in variances of the scatter.
    excess : float
        Variance that was used, by that of the scatter: above 1 where the shape misfits.
    one_arm : tuple of OneArm
        The best for each arm.
    noise_mm : float
        Scatter of one touch that was used.
    dof : float
        Its degrees of freedom.
    misfit_p : float
        Chance of so large a rest by scatter alone.
    directions, touches : int
        Direction means, and touches behind them.
    parameters : int
        Fitted beside the gains.
    """

    beside: Beside
    arms: tuple[ArmGain, ArmGain, ArmGain]
    arm_u_deg: float
    size_mm: float
    size_u_mm: float
    pair_ratio: float
    lobe_mm: float
    lobe_u_mm: float
    alike_misfit: float
    free_misfit: float
    excess: float
    one_arm: tuple[OneArm, OneArm, OneArm]
    noise_mm: float
    dof: float
    misfit_p: float
    directions: int
    touches: int
    parameters: int

    @property
    def u(self) -> float:
        """Largest standard error of a contrast."""
        return max(arm.u for arm in self.arms)

    @property
    def best(self) -> OneArm:
        """The arm that explains most by itself."""
        return min(self.one_arm, key=lambda one: one.misfit)

    def late_mm(self) -> tuple[tuple[float, float], ...]:
        """How much later than the others each arm opens in its sector, and its standard error, mm.

        Its contrast times the mean pre-travel of the shape; the size comes from the third order, which the
        readings tell far better than the size itself.
        """
        azimuth = np.arange(0.0, 360.0, 1.0)
        shape = seat_shape(azimuth, 0.0, self.pair_ratio)
        third = 2 * abs(float((shape * np.cos(np.deg2rad(3 * azimuth))).mean()))
        mean_mm = float(shape.mean()) * self.lobe_mm / third
        return tuple((arm.contrast * mean_mm, arm.u * mean_mm) for arm in self.arms)

    def share_of_likelihood(self) -> tuple[float, float, float]:
        """How the likelihood of one arm apart is shared by the three, each equally likely beforehand."""
        left = np.array([one.misfit for one in self.one_arm])
        weight = np.exp(-(left - left.min()) / 2 / self.excess)
        first, second, third = (float(part) for part in weight / weight.sum())
        return first, second, third


def contact_gains(
    turns: Sequence[Turn], *, beside: Beside, arm_azimuth_deg: float | None = None, level: float = 0.95
) -> ContactGains:
    """Fit a seat whose arms open at forces of their own.

    Parameters
    ----------
    turns : sequence of Turn
        Direction means of one or several orientations.
    beside : str
        What the machine may add. "waves" needs several orientations.
    arm_azimuth_deg : float, optional
        Azimuth of one arm on the body, where it is marked; else it is estimated.
    level : float
        Of the intervals.

    Returns
    -------
    ContactGains

    Raises
    ------
    StatisticsError
        Where directions are too few, or no three-arm shape stands out of the scatter.

    Notes
    -----
    Least squares of the direction means on level and centre of each orientation, on what the machine may
    add, and on size / max_i((cos psi_i + rho |sin psi_i|) / g_i), psi_i between the force and arm i: an arm
    opens when it carries its share no more (statics of three supports), so that a contact that opens
    before its load is gone has g < 1, g = 1 - 3 N / F for a threshold N and a spring F, and one that sticks
    g > 1. Gains are told only against each other, and two arms alike cannot be told from one that
    differs the other way.
    """
    stack = stack_turns(turns, least=2 if beside == "waves" else 1)
    dof = sum(turn.dof for turn in turns)
    sd = float(np.sqrt(sum(turn.dof * turn.sd_mm**2 for turn in turns) / dof)) if dof > 0 else 0.0
    if not sd > NO_SCATTER_MM:
        raise StatisticsError(
            "readings without any scatter show no gains of arms: nothing tells how sure they are"
        )
    problem = SeatProblem(stack, _machine(stack, beside), sd, arm_azimuth_deg)
    alike = problem.fit(np.zeros((3, 0)), problem.start())
    free = problem.search(_CONTRAST, np.append(alike.place, [0.0, 0.0]))
    apart = [problem.one_arm(arm, free) for arm in range(3)]
    best = min(apart, key=_misfit)
    free = min(free, problem.fit(_CONTRAST, np.append(best.place[:3], best.logs @ _CONTRAST)), key=_misfit)
    return _describe(problem, alike, apart, free, dof, level, beside)


def _machine(stack: Stack, beside: Beside) -> Floats:
    if beside == "nothing":
        return np.zeros((len(stack.target), 0))
    orders = [2] if beside == "reversal value" else list(range(2, stack.highest + 1))
    return np.hstack([stack.of_machine(orders), reversal_columns(stack)])


def _misfit(fitted: Fitted) -> float:
    return fitted.misfit


def _describe(
    problem: SeatProblem,
    alike: Fitted,
    apart: Sequence[Fitted],
    free: Fitted,
    dof: float,
    level: float,
    beside: Beside,
) -> ContactGains:
    left = problem.left
    misfit = float(stats.f.sf(free.misfit / left, left, dof))
    unexplained = misfit < MISFIT_RISK
    variance = free.misfit / left if unexplained else 1.0
    dof = float(left) if unexplained else dof
    covariance = problem.covariance(free) * variance
    # The contrast of an arm to the other two is 1.5 times its own share, the three summing to 0.
    turned = 1.5 * free.ways
    errors = np.sqrt(np.einsum("ij,jk,ik->i", turned, covariance[3:, 3:], turned))
    azimuths = np.mod(free.place[1] + 120.0 * np.arange(3), 360.0)
    order = [int(arm) for arm in np.argsort(azimuths)]
    logs = 1.5 * free.logs
    lobe = problem.lobe(variance, dof)
    roots = [problem.beyond_border(free, arm) / np.sqrt(variance) for arm in range(3)]
    arms = [
        _arm(float(azimuths[arm]), float(logs[arm]), float(errors[arm]), roots[arm], dof, level)
        for arm in order
    ]
    one = [
        OneArm(place, float(1.5 * apart[arm].logs[arm]), apart[arm].misfit) for place, arm in enumerate(order)
    ]
    return ContactGains(
        beside=beside,
        arms=(arms[0], arms[1], arms[2]),
        arm_u_deg=float(np.sqrt(covariance[1, 1])),
        size_mm=float(free.place[0]),
        size_u_mm=float(np.sqrt(covariance[0, 0])),
        pair_ratio=float(free.place[2]),
        lobe_mm=lobe.amplitude_mm,
        lobe_u_mm=lobe.u_mm,
        alike_misfit=alike.misfit,
        free_misfit=free.misfit,
        excess=variance,
        one_arm=(one[0], one[1], one[2]),
        noise_mm=problem.sd_mm * float(np.sqrt(variance)),
        dof=dof,
        misfit_p=misfit,
        directions=len(problem.aim),
        touches=int(problem.stack.touches.sum()),
        parameters=len(problem.aim) - left - 2,
    )


def _arm(azimuth_deg: float, contrast: float, u: float, root: float, dof: float, level: float) -> ArmGain:
    # Near a cusp the likelihood is no parabola: beyond the border it is asked there.
    half = t_factor(dof, level) * u
    beyond = float(special.stdtr(dof, -root)) if np.isfinite(root) else None
    early, late = (
        beyond
        if beyond is not None and side * contrast > 0
        else float(special.stdtr(dof, (HEALTHY - side * contrast) / u))
        for side in (-1, 1)
    )
    return ArmGain(azimuth_deg, contrast, u, Interval(contrast - half, contrast + half, level), early, late)
