"""Which of three arms scatters more, or collects more events, than the other two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, proportion_interval

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
Three = tuple[int, int, int]

ARMS = 3
CLEAR_DEG = 5.0
"""Approaches this near to a border between two arms belong to neither."""
SCATTER_RISK = 0.0004
"""One-sided p below which an arm scatters more: 0.12 % for the three arms together."""
POWER = 0.75
"""Power of the distances of pairs: 1 gives way to skew readings, 0.5 finds less in normal ones."""

LEAST_CELLS, LEAST_DOF, LEAST_NOISE, LEAST_OWN = 3, 4, 0.4, 0.1
"""Cells that each sector needs; degrees of freedom of the spread between cells; noise, as a share of the
variance that single touches make of a cell's spread; share of a sector that the machine must leave."""

COARSE, LATTICE = 1.9, 1e-3
"""A step of so many apparent sd (about 2.3 true ones) hides the scatter of a mean in mid-step; part of a
step by which readings may miss its lattice."""

MOST_LAGS, SLACK = 200, 1e-9
"""Of a cell with more touches, pairs up to so many touches apart are taken; what is put down to rounding."""


@dataclass(frozen=True, slots=True)
class SectorScatter:
    """Scatter in the sector of one arm against that in the other two.

    Attributes
    ----------
    arm : int
    ratio : float
        Scatter of one touch in the sector by that elsewhere; infinite where elsewhere there is none.
    interval : Interval
        Of ``ratio``, 95 %.
    p : float
        One-sided: chance of so much more scatter in this sector if the three arms are alike.
    directions, touches : tuple of int
        Cells (directions at an orientation) and touches in the sector, in the other two, and near a border.
    unused : int
        Cells with a single touch.
    dof : int
        Degrees of freedom of the spread between cells.
    coarse : bool
        Whether the place of each mean in its step was allowed for.
    """

    arm: int
    ratio: float
    interval: Interval
    p: float
    directions: Three
    touches: Three
    unused: int
    dof: int
    coarse: bool


@dataclass(frozen=True, slots=True)
class SectorEvents:
    """Where the events of a test lie among the sectors of three arms.

    Attributes
    ----------
    events, touches : tuple of int, by arm
        Events, and all approaches, the events among them.
    events_between, touches_between : int
        Those near a border between arms; they take no part.
    arm : int or None
        The arm with most events for its approaches; None without events, or where two are level.
    p : float
        Chance that any arm collects so many if each approach is alike; 1 without events.
    rate, rate_elsewhere : Interval or None
        Of the share of events in the sector of ``arm`` and in the other two (Clopper and Pearson, 95 %).
    """

    events: Three
    touches: Three
    events_between: int
    touches_between: int
    arm: int | None
    p: float
    rate: Interval | None
    rate_elsewhere: Interval | None


def sector_of(
    body_azimuth_deg: ArrayLike, arm_azimuth_deg: float, *, clear_deg: float = CLEAR_DEG
) -> Integers:
    """Arm that governs each approach.

    Parameters
    ----------
    body_azimuth_deg : array_like, deg
        Direction in which the stylus moves, seen from the probe body.
    arm_azimuth_deg : float
        Azimuth of arm 0, which the force against the move meets; arms 1 and 2 follow at 120 deg, CCW.
    clear_deg : float
        In [0, 60).

    Returns
    -------
    numpy.ndarray of int
        0, 1 or 2; -1 on a border between two arms and within ``clear_deg`` of it.

    Raises
    ------
    StatisticsError
        If an azimuth is not finite, or ``clear_deg`` outside [0, 60).

    Examples
    --------
    >>> sector_of([180, 300, 60, 0, 123], 0.0).tolist()
    [0, 1, 2, -1, -1]
    """
    off = _off_arms(body_azimuth_deg, arm_azimuth_deg)
    if not 0 <= clear_deg < 60:
        raise StatisticsError(f"the clearance from a border must lie in [0, 60) deg, but got {clear_deg}")
    return np.where(np.min(off, axis=0) < 60.0 - clear_deg - SLACK, np.argmin(off, axis=0), -1)


def sector_scatter(
    deviation_mm: ArrayLike,
    cell: ArrayLike,
    azimuth_deg: ArrayLike,
    body_azimuth_deg: ArrayLike,
    arm_azimuth_deg: float,
    *,
    clear_deg: float = CLEAR_DEG,
) -> tuple[SectorScatter, SectorScatter, SectorScatter]:
    """Scatter in the sector of each arm against that in the other two.

    Parameters
    ----------
    deviation_mm : array_like, shape (touches,), mm
        Reading less the mean of its own cell. Only differences inside a cell are used.
    cell : array_like of int, shape (touches,)
        Cell of each touch: one direction at one orientation of the probe.
    azimuth_deg, body_azimuth_deg : array_like, shape (cells,), deg
        Direction in which the stylus moves, seen from the machine and from the probe body.
    arm_azimuth_deg, clear_deg : float
        See `sector_of`.

    Returns
    -------
    tuple of SectorScatter
        By arm.

    Raises
    ------
    StatisticsError
        If the touches don't fit the cells; if nothing scatters; or if there are too few cells to tell
        the sectors from each other, from the machine, or from the spread between cells.

    Notes
    -----
    The spread of a cell is the mean of distance ** `POWER` over its pairs of touches. Its expectation doesn't
    depend on their number, whatever their distribution (a U-statistic). It is regressed, with weights n - 1,
    on a constant, cos and sin of twice the azimuth (a machine whose X scatters more than its Y), being on a
    border (longer pre-travel), and the share of the arm: 1 in its sector, 1/2 on its borders. The noise of
    the t test is what is left between cells: one far reading raises it with the sector, and t stays below
    2. `LEAST_NOISE` is for coarse readings of few cells, where nothing may be left. Where the step hides
    scatter, the cosine of the place of the mean in its step, which readings on a lattice tell, is regressed
    on too; readings corrected for drift lie on none.
    The interval holds the ratios by which the sector's readings can be divided so that no difference is left
    (two-sided t test; half on borders, which makes a ratio of 2 larger by 1.5 %, of 4 by 9 %).
    """
    deviation, index = np.asarray(deviation_mm, dtype=float), np.asarray(cell)
    azimuth = np.asarray(azimuth_deg, dtype=float)
    arms = sector_of(body_azimuth_deg, arm_azimuth_deg, clear_deg=clear_deg)
    if deviation.ndim != 1 or index.shape != deviation.shape or azimuth.shape != arms.shape:
        raise StatisticsError("each touch needs one deviation and one cell, each cell both of its azimuths")
    if not np.isfinite(np.concatenate([deviation, azimuth])).all():
        raise StatisticsError("scatter by arm needs deviations and azimuths that are finite")
    if index.dtype.kind not in "iu" or (index < 0).any() or (index >= len(arms)).any():
        raise StatisticsError("the cell of a touch must be an index into the azimuths of the cells")
    cells = _reduce(deviation, index, azimuth, _off_arms(body_azimuth_deg, arm_azimuth_deg), arms)
    least = min(int((cells.arms == arm).sum()) for arm in range(ARMS))
    if least < LEAST_CELLS:
        raise StatisticsError(f"an arm has {least} directions touched twice, but needs {LEAST_CELLS}")
    if not cells.spread.any():
        raise StatisticsError("no direction shows any scatter, so no arm can show more than another")
    return _sector(cells, 0), _sector(cells, 1), _sector(cells, 2)


def sector_events(
    event_body_deg: ArrayLike,
    touch_body_deg: ArrayLike,
    arm_azimuth_deg: float,
    *,
    clear_deg: float = CLEAR_DEG,
) -> SectorEvents:
    """Events, such as early touches or misses, by the arm that governs the approach.

    Parameters
    ----------
    event_body_deg, touch_body_deg : array_like, deg
        Body azimuth of each approach with an event, and of all approaches, the former included.
    arm_azimuth_deg, clear_deg : float
        See `sector_of`.

    Returns
    -------
    SectorEvents

    Raises
    ------
    StatisticsError
        If a sector has more events than approaches.

    Notes
    -----
    If each approach is alike, the events are a random choice of the approaches, and their counts by arm
    are multivariate hypergeometric. The p of an arm is the chance of as many or more there (one-sided
    Fisher test). ``p`` is the exact chance that the smallest of the three is so small.

    Examples
    --------
    >>> found = sector_events([180] * 4, [180, 300, 60] * 10, 0.0)
    >>> found.arm, round(found.p, 5)
    (0, 0.02299)
    """
    events, events_between = _by_arm(event_body_deg, arm_azimuth_deg, clear_deg)
    touches, between = _by_arm(touch_body_deg, arm_azimuth_deg, clear_deg)
    if any(hit > of for hit, of in zip((*events, events_between), (*touches, between), strict=True)):
        raise StatisticsError("more events than approaches in a sector: the approaches must hold the events")
    total, made = sum(events), sum(touches)
    if total == 0:
        return SectorEvents(events, touches, events_between, between, None, 1.0, None, None)
    tails = [
        float(stats.hypergeom.sf(hit - 1, made, of, total)) for hit, of in zip(events, touches, strict=True)
    ]
    p = _chance_of_any(min(tails), touches, total)
    if sum(tail <= min(tails) * (1 + SLACK) for tail in tails) > 1:
        return SectorEvents(events, touches, events_between, between, None, p, None, None)
    arm = int(np.argmin(tails))
    others = made - touches[arm]
    elsewhere = proportion_interval(total - events[arm], others) if others else Interval(0.0, 1.0)
    rate = proportion_interval(events[arm], touches[arm])
    return SectorEvents(events, touches, events_between, between, arm, p, rate, elsewhere)


def _off_arms(body_azimuth_deg: ArrayLike, arm_azimuth_deg: float) -> Floats:
    """Angle between the force and each arm, shape (3, approaches)."""
    off = np.array([np.asarray(body_azimuth_deg) - arm_azimuth_deg - 120.0 * arm for arm in range(ARMS)])
    if not np.isfinite(off).all():
        raise StatisticsError("the sector of an arm needs azimuths that are finite")
    return np.abs(off % 360.0 - 180.0)


@dataclass(frozen=True, slots=True)
class _Cells:
    """The cells that count; ``basis`` spans what the spread may depend on beside the arms."""

    spread: Floats
    touch_variance: float
    counts: Integers
    arms: Integers
    shares: Floats
    root: Floats
    basis: Floats
    coarse: bool
    unused: int

    def left(self, values: Floats) -> Floats:
        """What of the values is not in the basis, weighted."""
        weighted = values * self.root
        return np.asarray(weighted - self.basis @ (self.basis.T @ weighted))


def _reduce(
    deviation: Floats, index: Integers, azimuth_deg: Floats, off_arms: Floats, arms: Integers
) -> _Cells:
    """Each cell reduced to its spread."""
    counts = np.bincount(index, minlength=len(arms))
    used = counts >= 2
    kept = used[index]
    ranked = np.argsort(index[kept], kind="stable")
    touches = np.split(deviation[kept][ranked], np.cumsum(counts[used])[:-1])
    unused, counts, arms, off_arms = int((counts == 1).sum()), counts[used], arms[used], off_arms[:, used]
    (spread, squares, distance), step = _pairs(touches, counts, SLACK * np.abs(deviation).max(initial=0.0))
    weight = (counts - 1.0) / max(1.0, float((counts - 1.0).sum()))
    place = _place_in_step(touches, step, float(distance @ weight) * np.sqrt(np.pi) / 2)
    turn, root = np.deg2rad(2 * azimuth_deg[used]), np.sqrt(counts - 1.0)
    columns = [np.ones_like(turn), np.cos(turn), np.sin(turn), arms < 0, *([] if place is None else [place])]
    basis, size, _ = np.linalg.svd(np.column_stack(columns) * root[:, None], full_matrices=False)
    shares = np.where(arms < 0, (off_arms < off_arms.max(axis=0)) / 2, arms == np.arange(ARMS)[:, None])
    return _Cells(
        spread, float(squares @ weight - (spread @ weight) ** 2), counts, arms, shares, root,
        basis[:, size > SLACK * size.max(initial=0.0)], place is not None, unused,
    )  # fmt: skip


def _pairs(touches: list[Floats], counts: Integers, tiny: float) -> tuple[Floats, float]:
    """By cell the means of distance ** POWER, of its square, of the distance; the least not tiny."""
    means, least = np.zeros((3, len(counts))), np.inf
    for n in np.unique(counts):
        where = np.flatnonzero(counts == n)
        reading = np.array([touches[i] for i in where])
        pairs = [np.abs(reading[:, k:] - reading[:, :-k]) for k in range(1, min(n - 1, MOST_LAGS) + 1)]
        distance = np.concatenate(pairs, axis=1)
        distance[distance <= tiny] = 0.0
        power = distance**POWER
        means[:, where] = [x.mean(axis=1) for x in (power, power**2, distance)]
        least = min(least, float(np.min(distance, where=distance > 0, initial=np.inf)))
    return means, least


def _place_in_step(touches: list[Floats], step_mm: float, sd_mm: float) -> Floats | None:
    """Cosine of the place of each mean in its step; None where readings are fine or on no lattice."""
    if not np.isfinite(step_mm) or step_mm <= COARSE * sd_mm:
        return None
    in_steps = [(reading - reading[0]) / step_mm for reading in touches]
    if max(float(np.abs(x - np.round(x)).max()) for x in in_steps) > LATTICE:
        return None
    return np.cos(2 * np.pi * np.array([x.mean() for x in in_steps]))


def _sector(cells: _Cells, arm: int) -> SectorScatter:
    """The t test of one sector, and the ratios that it doesn't refuse."""
    share, inside, between = cells.shares[arm], cells.arms == arm, cells.arms < 0
    groups = np.array([inside, ~(inside | between), between], dtype=np.intp)
    dof = len(share) - cells.basis.shape[1] - 1
    sector, weight = cells.left(share), cells.root**2
    own = float(sector @ sector)
    if dof < LEAST_DOF or own < LEAST_OWN * float(weight @ (share - np.average(share, weights=weight)) ** 2):
        raise StatisticsError(f"{len(share)} directions don't tell an arm from machine, step and chance")
    # With the spread of the sector times q, effect and remainder are linear in q.
    rest, scaled = cells.left(cells.spread * (1 - share)), cells.left(cells.spread * share)
    effect = np.array([scaled @ sector, rest @ sector]) / own
    rest, scaled = rest - effect[1] * sector, scaled - effect[0] * sector
    noise = np.array([scaled @ scaled, 2 * (rest @ scaled), rest @ rest]) / dof / own
    least = max(LEAST_NOISE * cells.touch_variance, SLACK * cells.spread.max() ** 2) / own
    t = effect.sum() / np.sqrt(max(noise.sum(), least))
    return SectorScatter(
        arm=arm,
        ratio=_as_ratio(-effect[1] / effect[0]) if effect[0] > 0 else 0.0,
        interval=_ratios(effect, noise, least, float(special.stdtrit(dof, 0.975))),
        p=float(special.stdtr(dof, -t)),
        directions=tuple(groups.sum(axis=1).tolist()),
        touches=tuple((groups @ cells.counts).tolist()),
        unused=cells.unused,
        dof=dof,
        coarse=cells.coarse,
    )


def _as_ratio(q: float) -> float:
    """Ratio of scatter at which a spread must be multiplied by q to be like the others."""
    return float(q ** (-1 / POWER)) if q > 0 else np.inf


def _ratios(effect: Floats, noise: Floats, least: float, factor: float) -> Interval:
    """Ratios around the found one at which effect**2 <= factor**2 * max(noise, least), all at q."""
    if effect[0] <= 0:  # Nothing scatters in the sector: a factor changes nothing.
        refused = effect.sum() < -factor * np.sqrt(max(noise.sum(), least))
        return Interval(0.0, 1.0 if refused else np.inf)
    middle, half = -effect[1] / effect[0], factor * np.sqrt(least) / effect[0]
    a, b, c = np.convolve(effect, effect) - factor**2 * noise
    inner = b * b - 4 * a * c
    low, high = -np.inf, np.inf
    if a > 0 or (a < 0 < inner):
        # At the middle the effect is 0: with a > 0, inner is below 0 by rounding alone.
        first, second = np.sort((-b + np.array([-1.0, 1.0]) * np.sqrt(max(inner, 0.0))) / (2 * a))
        low, high = (first, second) if a > 0 else (low, first) if middle <= first else (second, high)
    return Interval(_as_ratio(max(high, middle + half)), _as_ratio(min(low, middle - half)))


def _by_arm(body_deg: ArrayLike, arm_deg: float, clear_deg: float) -> tuple[Three, int]:
    """Approaches by arm, and those near a border."""
    arms = sector_of(np.atleast_1d(body_deg), arm_deg, clear_deg=clear_deg)
    border, first, second, third = np.bincount(arms + 1, minlength=ARMS + 1).tolist()
    return (first, second, third), border


def _chance_of_any(smallest: float, touches: Three, events: int) -> float:
    """Chance that the tail of any arm is ``smallest`` or less."""
    made, law, below = sum(touches), stats.hypergeom, np.arange(-1, events + 1)
    # From these counts on, the tail of an arm is so small.
    reach = [int(np.argmax(law.sf(below, made, of, events) <= smallest * (1 + SLACK))) for of in touches]
    # Either the first arm reaches its count, or one of the others does with what it leaves.
    first = np.arange(max(0, events - made + touches[0]), reach[0])
    pool, left = made - touches[0], events - first
    either = law.sf(reach[1] - 1, pool, touches[1], left) + law.cdf(left - reach[2], pool, touches[1], left)
    either = np.where(left >= reach[1] + reach[2], 1.0, either)
    of_first = law.pmf(first, made, touches[0], events)
    return min(1.0, float(law.sf(reach[0] - 1, made, touches[0], events)) + float(np.dot(of_first, either)))
