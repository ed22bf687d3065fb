"""The probe's error apart from the machine's, from a test at several orientations of the probe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from probetest.errors import StatisticsError
from probetest.statistics.curve_posterior import (
    DRAWS,
    SEED,
    CurvePosterior,
    Part,
    covariance_root,
    describe_curves,
    draw_curves,
    draw_with_evidence,
    span_basis,
    without,
)
from probetest.statistics.intervals import check_level
from probetest.statistics.lobing import Harmonic, describe_harmonic
from probetest.statistics.machine import (
    Reversal,
    Runout,
    SameSide,
    find_reversal,
    find_runout,
    reversal_columns,
    reversal_shapes,
    same_side,
)
from probetest.statistics.turned_shape import GRID_DEG, GRID_LEVEL, TurnedShape, find_shape, levelled
from probetest.statistics.turns import LEAST_SEPARABILITY, Stack, Turn, stack_turns, wave_columns

Floats = NDArray[np.float64]

LOBES = 3
"""Order that a seat with three arms has for certain."""

HIGHEST_HIDDEN = 24
"""Blind orders up to this one are left out of the machine's curve where no reversal value is told."""

MISFIT_RISK = 0.01
"""Below it the orientations disagree beyond the scatter."""

SLOW = (2, 4)
"""Orders that a machine or one faulty arm makes."""

LARGE_REVERSAL_MM = 0.1
"""Reversal values are expected below it, where the readings do not tell (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Separation:
    """The curve that turns with the probe, and the one that stays with the machine.

    Attributes
    ----------
    orientations_deg : tuple of float
    n : int
        Touches.
    separability : tuple of (int, float)
        Order and S of each order that the directions carry, from 2 on.
    separable_orders, blind_orders : tuple of int
    probe, machine : CurvePosterior or None
        Over body azimuths (as at orientation 0) and over azimuths. The machine's holds the artefact's
        form. Orders that can't be told apart are in neither; the limits allow for them in either.
    reason : str
        Why there are no curves; empty where there are.
    probe_harmonics, machine_harmonics : tuple of Harmonic
        Of the separable orders.
    unassigned : tuple of Harmonic
        Of the blind orders: probe and machine together, phase in machine azimuths.
    noise_mm : float
        Scatter of one touch that the uncertainties rest on.
    dof : float
    misfit_p : float
        Chance of so large a disagreement between the orientations from scatter alone.
    disagreement_mm : float
        Standard deviation of a direction mean that is neither the probe's, the machine's nor scatter;
        0 where the orientations agree.
    reversal : Reversal or None
    reversal_reason : str
    runout : Runout
    same_side : SameSide or None
        None where no two orientations lie 180 deg apart.
    """

    orientations_deg: tuple[float, ...]
    n: int
    separability: tuple[tuple[int, float], ...]
    separable_orders: tuple[int, ...]
    blind_orders: tuple[int, ...]
    probe: CurvePosterior | None
    machine: CurvePosterior | None
    reason: str
    probe_harmonics: tuple[Harmonic, ...]
    machine_harmonics: tuple[Harmonic, ...]
    unassigned: tuple[Harmonic, ...]
    noise_mm: float
    dof: float
    misfit_p: float
    disagreement_mm: float
    reversal: Reversal | None
    reversal_reason: str
    runout: Runout
    same_side: SameSide | None

    @property
    def agrees(self) -> bool:
        """Whether the orientations differ by no more than scatter explains."""
        return not self.misfit_p < MISFIT_RISK


def separate(turns: Sequence[Turn], level: float = 0.95) -> Separation:
    """Tell the probe's curve from the machine's.

    Parameters
    ----------
    turns : sequence of Turn
        The same test at two or more orientations, each with 7 directions or more.
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    Separation

    Raises
    ------
    StatisticsError
        With one orientation, too few directions, or readings without scatter.

    Notes
    -----
    r(theta, phi) = level and centre of each orientation + M(theta) + P(theta - phi) + scatter, least
    squares over all touches. P is a three-arm seat shape and waves of the orders 2 and up, M is
    waves, and the reversal value as |cos| and |sin|; each curve is estimated with any other curve
    allowed for the other one. Orders for which all orientations look alike (S near 0) belong to
    neither curve: the limits of a variation hold for all of it, none of it, and parts between.
    Where the orientations disagree beyond the scatter (the probe was not turned as logged, or
    re-seated), the misfit takes the place of the scatter, and the variations have it twice over: once
    in each of the two directions they lie between.
    """
    check_level(level)
    stack = stack_turns(turns)
    sd, dof = _pooled(stack.turns)
    if not sd > 0:
        raise StatisticsError(
            "readings without any scatter can't be separated: nothing tells how sure they are"
        )
    orders, blind = stack.orders(blind=False), stack.orders(blind=True)
    reason = _unseen(stack, orders)
    shape = None if reason else find_shape(stack, [*orders, *blind], sd)
    slopes = [shape.seen] if shape else []
    flat = span_basis(
        stack.level,
        stack.of_machine([*orders, *blind]),
        reversal_columns(stack),
        stack.of_probe(orders),
        *slopes,
    )
    left = without(flat, stack.target)
    spare = len(stack.target) - flat.shape[1]
    misfit = float(stats.f.sf(left @ left / spare / sd**2, spare, dof)) if spare > 0 else float("nan")
    disagreement = 0.0
    if misfit < MISFIT_RISK:
        wide = float(left @ left / spare)
        disagreement = float(np.sqrt((wide - sd**2) / np.mean(stack.root**2)))
        sd, dof = float(np.sqrt(wide)), float(spare)
    waves = _find_waves(stack, shape, sd, dof)
    reversal, reversal_reason = find_reversal(stack, shape.seen if shape else None, sd, dof)
    probe, machine = None, None
    if not reason:
        curves = _curves(stack, shape, waves.draws_mm, sd, dof, reversal_told=reversal is not None)
        probe, machine = (curve.widened(np.sqrt(2) * disagreement) for curve in curves)
    runout = find_runout(stack, sd, dof, level)
    return Separation(
        orientations_deg=tuple(float(angle) for angle in stack.orientations_deg),
        n=int(stack.touches.sum()),
        separability=tuple((k, stack.separability(k)) for k in range(2, stack.highest + 1)),
        separable_orders=tuple(orders),
        blind_orders=tuple(blind),
        probe=probe,
        machine=machine,
        reason=reason,
        probe_harmonics=waves.probe,
        machine_harmonics=waves.machine,
        unassigned=waves.unassigned,
        noise_mm=sd,
        dof=dof,
        misfit_p=misfit,
        disagreement_mm=disagreement,
        reversal=reversal,
        reversal_reason=reversal_reason,
        runout=runout,
        same_side=same_side(stack, runout.axis_centre_mm, sd),
    )


def _pooled(turns: Sequence[Turn]) -> tuple[float, float]:
    """Scatter of one touch over all turns, and its degrees of freedom."""
    dof = sum(turn.dof for turn in turns)
    return float(np.sqrt(sum(turn.dof * turn.sd_mm**2 for turn in turns) / dof)), dof


def _unseen(stack: Stack, orders: Sequence[int]) -> str:
    if LOBES in orders:
        return ""
    if stack.highest < LOBES:
        return "the directions carry no order 3, the lobes of a three-arm seat; touch from 8 or more"
    listed = ", ".join(f"{angle:.4g}" for angle in stack.orientations_deg)
    return (
        f"orientations {listed} deg look alike to a three-lobed curve (order 3 is not separable): its "
        "share of probe and machine stays unknown; turn the probe to 0, 30, 90 and 210 deg instead"
    )


def _curves(
    stack: Stack,
    shape: TurnedShape | None,
    unassigned: Floats,
    sd_mm: float,
    dof: float,
    *,
    reversal_told: bool,
) -> tuple[CurvePosterior, CurvePosterior]:
    """Posterior of both curves; what belongs to neither widens their limits."""
    orders, blind = stack.orders(blind=False), stack.orders(blind=True)
    kinks = reversal_columns(stack)
    slopes = shape.seen if shape else np.zeros((len(stack.target), 0))
    target = stack.target - (shape.at(stack.body_deg) * stack.root if shape else 0.0)
    beside = np.hstack([stack.level, stack.of_machine([*orders, *blind]), kinks])
    # All orientations see a blind order alike, so that any of them tells how the probe would hold it.
    turned = wave_columns((shape.grid_deg if shape else GRID_DEG) + stack.turns[0].orientation_deg, blind)
    probe = _turning_curve(stack, orders, beside, shape, unassigned @ turned.T, sd_mm, dof)
    beside = np.hstack([stack.level, stack.of_probe(orders), slopes, stack.of_machine(blind)])
    # A reversal value that is told by other orders has its blind ones beyond the waves for certain.
    highest = stack.highest if reversal_told else HIGHEST_HIDDEN
    hidden = [k for k in range(2, highest + 1) if stack.separability(k) < LEAST_SEPARABILITY]
    apart = span_basis(GRID_LEVEL, wave_columns(GRID_DEG, hidden))
    own = Part(kinks, without(apart, reversal_shapes(GRID_DEG)))
    waves = [Part(stack.of_machine(some), wave_columns(GRID_DEG, some)) for some in _groups(orders, False)]
    draws = draw_curves(target, beside, own, np.full(2, LARGE_REVERSAL_MM), waves, sd_mm, dof)
    shown = _shown(target, beside, np.hstack([kinks, stack.of_machine(orders)]), sd_mm, dof)
    machine = describe_curves(GRID_DEG, draws, unassigned @ wave_columns(GRID_DEG, blind).T, shown, dof)
    return probe, machine


def _turning_curve(
    stack: Stack,
    orders: Sequence[int],
    beside: Floats,
    shape: TurnedShape | None,
    unassigned: Floats,
    sd_mm: float,
    dof: float,
) -> CurvePosterior:
    """The curve that turns with the probe: three arms and waves, or waves alone where these do better."""
    everything = np.hstack([*([shape.seen] if shape else []), stack.of_probe(orders)])
    shown = _shown(stack.target, beside, everything, sd_mm, dof)

    def drawn(some: TurnedShape | None) -> tuple[Floats, float]:
        grid = some.grid_deg if some else GRID_DEG
        own = (
            Part(some.seen, some.shown)
            if some
            else Part(np.zeros((len(stack.target), 0)), np.zeros((len(GRID_DEG), 0)))
        )
        own_sd = some.known_sd if some else np.zeros(0)
        target = stack.target - (some.at(stack.body_deg) * stack.root if some else 0.0)
        groups = _groups(orders, lobes_apart=some is None)
        waves = [Part(stack.of_probe(group), wave_columns(grid, group)) for group in groups]
        draws, evidence = draw_with_evidence(target, beside, own, own_sd, waves, sd_mm, dof)
        return (levelled(grid, some.at(grid)) if some else 0.0) + draws, evidence

    draws, evidence = drawn(shape)
    if shape is not None:
        others, other_evidence = drawn(None)
        if other_evidence > evidence:
            draws, unassigned = others, unassigned[:, : len(GRID_DEG)]
    return describe_curves(GRID_DEG, draws, unassigned, shown, dof)


def whole_curve(turn: Turn) -> CurvePosterior:
    """The curve of probe and machine together, from one orientation.

    Parameters
    ----------
    turn : Turn

    Returns
    -------
    CurvePosterior
        Over azimuths as the probe sees them at orientation 0; constant and centre are left out.

    Raises
    ------
    StatisticsError
        With too few directions, or readings without scatter.
    """
    stack = stack_turns([turn], least=1)
    if not turn.sd_mm > 0:
        raise StatisticsError("readings without any scatter show no curve: nothing tells how sure it is")
    orders = range(2, stack.highest + 1)
    shape = find_shape(stack, None, turn.sd_mm)
    nothing = np.zeros((1, 1))
    return _turning_curve(stack, orders, stack.level, shape, nothing, turn.sd_mm, turn.dof)


def _groups(orders: Sequence[int], lobes_apart: bool) -> list[list[int]]:
    """Orders that are taken to be of like strength."""
    apart = [LOBES] if lobes_apart else []
    slow = [k for k in orders if k in SLOW]
    rest = [k for k in orders if k not in (*SLOW, *apart)]
    return [group for group in (apart, slow, rest) if group]


def _shown(target: Floats, beside: Floats, own: Floats, sd_mm: float, dof: float) -> float:
    """Chance of so clear a part of the readings by scatter alone."""
    known = span_basis(beside)
    basis = span_basis(without(known, own))
    gain = basis.T @ target
    return float(stats.f.sf(gain @ gain / len(gain) / sd_mm**2, len(gain), dof))


@dataclass(frozen=True, eq=False, slots=True)
class _Waves:
    """Least-squares waves of probe, machine and what belongs to neither.

    Attributes
    ----------
    probe, machine, unassigned : tuple of Harmonic
    draws_mm : numpy.ndarray, shape (draws, 2 * blind orders)
        Equally likely cosines and sines of the blind orders.
    """

    probe: tuple[Harmonic, ...]
    machine: tuple[Harmonic, ...]
    unassigned: tuple[Harmonic, ...]
    draws_mm: Floats


def _find_waves(stack: Stack, shape: TurnedShape | None, sd_mm: float, dof: float) -> _Waves:
    """Waves of all orders; those too short for the directions are the shape's, where one was found."""
    orders, blind = stack.orders(blind=False), stack.orders(blind=True)
    target = stack.target
    if shape is not None:
        target = target - shape.beyond(stack.body_deg, orders) * stack.root
    parts = [stack.of_probe(orders), stack.of_machine(orders), stack.of_machine(blind)]
    design = np.hstack([*parts, stack.level])
    size = np.asarray(np.linalg.lstsq(design, target, rcond=None)[0])
    covariance = np.asarray(np.linalg.inv(design.T @ design) * sd_mm**2)

    def waves(some: Sequence[int], start: int) -> tuple[Harmonic, ...]:
        places = [slice(start + 2 * i, start + 2 * i + 2) for i in range(len(some))]
        return tuple(
            describe_harmonic(order, size[place], covariance[place, place], dof)
            for order, place in zip(some, places, strict=True)
        )

    first, second = 2 * len(orders), 4 * len(orders)
    last = slice(second, second + 2 * len(blind))
    rng = np.random.default_rng(SEED)
    root = covariance_root(covariance[last, last])
    draws = size[last] + rng.normal(size=(DRAWS, 2 * len(blind))) @ root.T
    return _Waves(waves(orders, 0), waves(orders, first), waves(blind, second), draws)
