"""The verdict on a re-seat: within a margin, beyond it, or open; and the touches that would decide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.approach import unit_vectors
from probetest.statistics.least import least_number
from probetest.statistics.reseat_parts import spans_plane

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FIT_RISK = 0.05
"""Risk of refusing the rigid seat where it holds."""

BLIND = 1e-6
"""Share of its standard error that level and centre must leave to a direction."""

LEAST_REST = 3
"""Directions beyond level and centre that a check of the rigid seat needs."""

DRAWS = 400
"""Simulated tests behind a number of touches."""

SEED = 20260915
"""Seed of those draws: the same log gives the same report."""

MOST_TOUCHES = 1000
"""More touches a direction than this are no practical advice."""

CHANCE = 0.9
"""Wanted chance that such a test decides."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Verdicts of some tests, each attribute of shape (tests,).

    Attributes
    ----------
    each_shown : numpy.ndarray of bool
        Every direction within the margin by its own two one-sided tests.
    rigid_shown : numpy.ndarray of bool
        Level, centre and what they leave together within the margin, and no misfit.
    beyond : numpy.ndarray of bool
        Some direction is beyond the margin.
    """

    each_shown: Flags
    rigid_shown: Flags
    beyond: Flags

    @property
    def shown(self) -> Flags:
        """Within the margin, one way or the other."""
        return (self.each_shown | self.rigid_shown) & ~self.beyond


class Judge:
    """Everything that a verdict needs but the shifts themselves.

    Parameters
    ----------
    azimuth_deg : numpy.ndarray, shape (directions,), deg
    covariance : numpy.ndarray, shape (directions, directions), mm^2
        Of the shifts.
    dof : numpy.ndarray, shape (directions,)
    pooled_dof : float
    margin_mm, risk : float
    only_shape : bool
        Level and centre are taken out before anything is judged.

    Notes
    -----
    Within: |shift| <= margin in every direction, each by two one-sided tests [1]_ at the risk; as all
    must pass, no correction [2]_. The rigid seat adds the upper limit of the shape's rms to the largest
    limit of level and centre. Beyond: single directions, averages over a sector (weight cos**2 within 90
    deg of its middle) and the average of all, one-sided, Bonferroni over all of them. An average with
    weights above 0 can't be beyond the margin unless a direction is, whatever the shape.

    References
    ----------
    .. [1] D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680 (from memory).
    .. [2] R. L. Berger, "Multiparameter hypothesis testing and acceptance sampling", Technometrics 24
       (1982) 295-300 (from memory): intersection-union tests.
    """

    def __init__(
        self,
        azimuth_deg: Floats,
        covariance: Floats,
        dof: Floats,
        pooled_dof: float,
        margin_mm: float,
        risk: float,
        *,
        only_shape: bool,
    ) -> None:
        count = len(azimuth_deg)
        self.margin, self.only_shape, self.dof = margin_mm, only_shape, dof
        design = np.column_stack([np.ones(count), unit_vectors(azimuth_deg)])
        self.rest = count - 3 if spans_plane(azimuth_deg) else 0
        self.weight = np.linalg.inv(covariance)
        self.take = np.eye(count)
        averages, average_dof = self.take, dof
        if self.rest > 0:
            spread = np.linalg.inv(design.T @ self.weight @ design)
            self.hat = design @ spread @ design.T @ self.weight
            rigid = design @ spread @ design.T
            self.rigid_u = np.sqrt(np.diag(rigid))
            self.per_dof = float(np.trace(covariance - rigid)) / self.rest
            self.least_f = float(special.fdtri(self.rest, pooled_dof, risk))
            self.most_f = float(special.fdtri(self.rest, pooled_dof, 1 - FIT_RISK))
        if only_shape:
            self.take = np.eye(count) - (self.hat if self.rest > 0 else np.eye(count))
            averages = self.take
        else:
            sector = np.maximum(np.cos(np.deg2rad(azimuth_deg[:, None] - azimuth_deg)), 0.0) ** 2
            averages = np.vstack(
                [averages, sector / sector.sum(axis=1, keepdims=True), np.ones(count) / count]
            )
            average_dof = np.concatenate([dof, np.full(count + 1, pooled_dof)])
        self.u = np.sqrt(np.maximum(np.diag(self.take @ covariance @ self.take.T), 0.0))
        # A direction whose shift the fit of level and centre takes whole shows nothing of its own.
        self.u[self.u <= BLIND * np.sqrt(np.diag(covariance))] = np.inf
        self.averages = averages
        self.average_u = np.sqrt(np.maximum(np.diag(averages @ covariance @ averages.T), 0.0))
        self.average_u[:count] = self.u
        self.average_dof = average_dof
        self.one_sided = -special.stdtrit(dof, risk)
        self.pooled_one_sided = -float(special.stdtrit(pooled_dof, risk))
        self.beyond_factor = -special.stdtrit(average_dof, risk / len(averages))

    def judge(self, shift_mm: Floats, scale: Floats | None = None) -> Judged:
        """Verdicts of tests with these shifts.

        Parameters
        ----------
        shift_mm : numpy.ndarray, shape (tests, directions), mm
        scale : numpy.ndarray, shape (tests,), optional
            Scatter that each test finds by that behind the covariance.
        """
        factor = np.ones(len(shift_mm)) if scale is None else scale
        if self.only_shape and self.rest < 1:
            none = np.zeros(len(shift_mm), dtype=bool)
            return Judged(none, none, none)
        size = np.abs(shift_mm @ self.take.T)
        limit = size + factor[:, None] * self.one_sided * self.u
        averages = np.abs(shift_mm @ self.averages.T)
        least = averages - factor[:, None] * self.beyond_factor * self.average_u
        rigid = np.zeros(len(shift_mm), dtype=bool)
        if self.rest >= LEAST_REST and not self.only_shape:
            fitted = shift_mm @ self.hat.T
            left = shift_mm - fitted
            ratio = np.einsum("td,de,te->t", left, self.weight, left) / self.rest / factor**2
            shape = factor * np.sqrt(self.per_dof * np.maximum(ratio / self.least_f - 1, 0.0))
            most = (np.abs(fitted) + factor[:, None] * self.pooled_one_sided * self.rigid_u).max(axis=1)
            rigid = (most + shape <= self.margin) & (ratio <= self.most_f)
        return Judged(
            np.asarray((limit <= self.margin).all(axis=1)),
            rigid,
            np.asarray((least > self.margin).any(axis=1)),
        )


def touches_to_decide(
    azimuth_deg: Floats,
    truth_mm: Floats,
    variance_mm2: float,
    dof_per_touch: float,
    margin_mm: float,
    risk: float,
    *,
    only_shape: bool,
) -> int | None:
    """About how many touches a direction, in each series, decide with a chance of 90 %.

    Parameters
    ----------
    azimuth_deg, truth_mm, variance_mm2, dof_per_touch, margin_mm, risk, only_shape
        As in `chance_to_decide`.

    Returns
    -------
    int or None
        None where ``MOST_TOUCHES`` are not enough.
    """

    def decides(touches: int) -> bool:
        chance = chance_to_decide(
            touches,
            azimuth_deg,
            truth_mm,
            variance_mm2,
            dof_per_touch,
            margin_mm,
            risk,
            only_shape=only_shape,
        )
        return chance >= CHANCE

    return least_number(decides, 2, MOST_TOUCHES)


def chance_to_decide(
    touches: int,
    azimuth_deg: Floats,
    truth_mm: Floats,
    variance_mm2: float,
    dof_per_touch: float,
    margin_mm: float,
    risk: float,
    *,
    only_shape: bool,
) -> float:
    """Chance that a test decides whether the trigger is where it was.

    Parameters
    ----------
    touches : int
        Of each direction, in each series, at least 2.
    azimuth_deg, truth_mm : numpy.ndarray, shape (directions,)
        Directions, and the shifts that are taken to be true.
    variance_mm2 : float
        Of the shift of one touch against one touch.
    dof_per_touch : float
        Degrees of freedom for each touch a direction beyond the first.
    margin_mm, risk : float
    only_shape : bool
    """
    rng = np.random.default_rng(SEED)
    count = len(azimuth_deg)
    normal, uniform = rng.standard_normal((DRAWS, count)), rng.uniform(size=DRAWS)
    dof = dof_per_touch * (touches - 1)
    variance = variance_mm2 / touches
    judge = Judge(
        azimuth_deg, variance * np.eye(count), np.full(count, dof), dof, margin_mm, risk,
        only_shape=only_shape,
    )  # fmt: skip
    scale = np.sqrt(special.chdtri(dof, uniform) / dof)
    found = judge.judge(truth_mm + np.sqrt(variance) * normal, scale)
    return float((found.shown | found.beyond).mean())
