"""The course of a test: its path, the touches that don't fit it, and what is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.approach import group_means, unit_vectors
from probetest.statistics.neighbours import direction_columns
from probetest.statistics.path import Path, PathSearch
from probetest.statistics.serial import SerialEffect, serial_effect

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

FAR = 4.0
"""A touch so many sd from the path has no say in what the path is."""

MOST_SET_ASIDE = 0.05
"""Where more touches than this share are far off, the scatter is like that, and all have their say."""

ROUNDING = 1e-12
"""Share of the largest reading below which a difference is rounding, not scatter."""

SHARES = (0.5, 0.9)
"""The sd is told from the residuals below which these shares of them lie, the larger of both."""

NORMAL_QUANTILES = special.ndtri((1 + np.array(SHARES)) / 2)


@dataclass(frozen=True, slots=True)
class Course:
    """The path of a test, judged by the touches that lie near it.

    Attributes
    ----------
    search : PathSearch
        Of the touches that have a say.
    path : Path
        Taken: a line, or what clearly misses it less.
    significant : bool
        Slope or bend is unlikely to be scatter.
    kept : numpy.ndarray of bool, shape (touches,)
        Touches that had a say.
    serial : SerialEffect
        Correlation of neighbours beyond the likeliest bent path.
    tangents : numpy.ndarray, shape (touches, values)
        Derivative of the reading over each fitted value of path and centre.
    residual_mm : numpy.ndarray, shape (touches,), mm
        All readings less direction mean, path and motion of the centre.
    explained_mm : numpy.ndarray, shape (touches,), mm
        Path and motion of the centre, 0 at the middle of the test.
    middle : numpy.ndarray, shape (values,)
        ``tangents`` at the middle of the test.
    """

    search: PathSearch
    path: Path
    significant: bool
    kept: NDArray[np.bool_]
    serial: SerialEffect
    tangents: Floats
    residual_mm: Floats
    explained_mm: Floats
    middle: Floats


def follow_course(
    reading_mm: Floats, index: Indices, azimuth_deg: Floats, motion: Floats, place: Floats, risk: float
) -> Course:
    """Find the path of a test, robust against single touches and alike neighbours.

    Parameters
    ----------
    reading_mm : numpy.ndarray, shape (touches,), mm
    index : numpy.ndarray of int, shape (touches,)
        Direction of each touch.
    azimuth_deg : numpy.ndarray, shape (directions,), deg
    motion : numpy.ndarray, shape (touches, 2 or 0)
        From :func:`told_motion`.
    place : numpy.ndarray, shape (touches,)
        Place in the test, -0.5 to 0.5, increasing.
    risk : float
        Of calling a drift that is none, half for the slope and half for a bend.

    Returns
    -------
    Course

    Notes
    -----
    Touches further than ``FAR`` sd (by quantiles of the residuals) from the likeliest bent path
    have no say in the path; they stay in the residuals. Where the neighbours that are left are alike,
    paths are fitted and judged by generalised least squares with their correlation. Where a shift of
    the first touch of each direction explains the readings better than the path, it is fitted beside
    the path.
    """
    target = within_directions(reading_mm, index, len(azimuth_deg))
    rounding = ROUNDING * float(np.abs(reading_mm).max())
    motion = place[:, None] * motion
    kept, search, likeliest = _set_aside(target, index, motion, place, rounding)
    beside = np.column_stack([likeliest.tangents(place), motion])
    serial = serial_effect(target[kept], index[kept], azimuth_deg, beside[kept])
    nuisance = _nuisance(index, motion, kept)
    if serial.significant:
        search = PathSearch(place[kept], nuisance, target[kept], rounding, serial.correlation)
        likeliest = search.bent()
    path, significant = _judged(search, likeliest, risk)
    first = _with_first(nuisance, index[kept])
    if significant and _told(first, place[kept]):
        apart = PathSearch(place[kept], first, target[kept], rounding, search.correlation)
        if apart.criterion(apart.line.left, 2) < search.criterion(path.left, len(path.covariance)):
            search = apart
            path, significant = _judged(apart, apart.bent(), risk)
    centre = motion @ path.nuisance_mm[-motion.shape[1] :] if motion.shape[1] else np.zeros(len(place))
    explained = path.values(place) - path.values(np.zeros(1)) + centre
    return Course(
        search=search,
        path=path,
        significant=significant,
        kept=kept,
        serial=serial,
        tangents=np.column_stack([path.tangents(place), motion]),
        residual_mm=within_directions(target - explained, index, len(azimuth_deg)),
        explained_mm=explained,
        middle=np.r_[path.tangents(np.zeros(1))[0], np.zeros(motion.shape[1])],
    )


def _judged(search: PathSearch, likeliest: Path, risk: float) -> tuple[Path, bool]:
    """The path to take, and whether it is more than scatter."""
    if search.bend_p() < risk / 2:
        return likeliest, True
    return search.line, search.line_p() < risk / 2


def within_directions(values: Floats, index: Indices, groups: int) -> Floats:
    """Values less the mean of their direction."""
    return np.asarray(values - group_means(values, index, groups)[index])


def told_motion(index: Indices, azimuth_deg: Floats) -> Floats:
    """Unit vector of each touch, shape (touches, 2), where a motion of the centre can be told.

    Where the repeated directions don't span the plane, it can't: shape (touches, 0).
    """
    units = unit_vectors(azimuth_deg)
    repeated = units[np.bincount(index, minlength=len(units)) > 1]
    rank = np.linalg.matrix_rank(np.column_stack([np.ones(len(repeated)), repeated]))
    return np.asarray(units[index] if rank == 3 else np.empty((len(index), 0)))


def _nuisance(index: Indices, motion: Floats, kept: NDArray[np.bool_]) -> Floats:
    return np.column_stack([direction_columns(index[kept]), motion[kept]])


def _with_first(nuisance: Floats, index: Indices) -> Floats:
    """A shift of the first touch of each direction, in front so that the motion stays last."""
    marks = np.zeros((len(index), 1))
    marks[np.unique(index, return_index=True)[1]] = 1.0
    return np.column_stack([marks, nuisance])


def _set_aside(
    target: Floats, index: Indices, motion: Floats, place: Floats, rounding: float
) -> tuple[NDArray[np.bool_], PathSearch, Path]:
    """Touches near the likeliest path, and that path; in each direction the farthest goes first."""
    kept = np.ones(len(target), dtype=bool)
    whole = search = PathSearch(place, _nuisance(index, motion, kept), target, rounding)
    first = likeliest = search.bent()
    while True:
        rows = np.flatnonzero(kept)
        rest = np.abs(search.standing(likeliest))
        # Of readings in steps, more than half may be equal: the median alone would be too small.
        quantiles = np.interp(SHARES, np.linspace(0, 1, len(rest)), np.sort(rest))
        scale = float((quantiles / NORMAL_QUANTILES).max())
        far = rest > FAR * scale
        if scale <= rounding or not far.any():
            return kept, search, likeliest
        # An outlier draws path and direction mean towards it, away from touches that are none.
        farthest = np.full(int(index.max()) + 1, 0.5 * float(rest.max()))
        np.maximum.at(farthest, index[rows], rest)
        kept[rows[far & (rest >= farthest[index[rows]])]] = False
        nuisance = _nuisance(index, motion, kept)
        if np.count_nonzero(~kept) > MOST_SET_ASIDE * len(target) or not _told(nuisance, place[kept]):
            return np.ones(len(target), dtype=bool), whole, first
        search = PathSearch(place[kept], nuisance, target[kept], rounding)
        likeliest = search.bent()


def _told(nuisance: Floats, place: Floats) -> bool:
    """Whether a slope is told from all that is fitted beside it."""
    design = np.column_stack([nuisance, place])
    return bool(np.linalg.matrix_rank(design) == design.shape[1])
