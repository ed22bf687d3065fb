"""How far a probe is from what it touches: ball, stem and body from the artefact and from its stand.

Ball: a sphere. Stem: the points within its radius of a vertical line from the centre of the ball up to the
body; rounded ends lie within ball and body. Body: a vertical cylinder from there upwards without end. Each
distance is that of two sets where they are apart (so it changes by no more than the probe moves), and
negative or zero where they meet. The post below a sphere and what clamps an artefact are not modelled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probetest.plan.bench import Bench

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Solids:
    """Distances between the probe and the artefact of a bench.

    Every method takes positions of the centre of the ball, shape (n, 3), in the coordinates of the program,
    and returns one distance in mm for each.

    Attributes
    ----------
    bench : Bench
    """

    bench: Bench

    @property
    def ball_radius_mm(self) -> float:
        """Radius of the ball."""
        return self.bench.stylus.ball_diameter_mm / 2

    @property
    def stem_radius_mm(self) -> float:
        """Radius of the stem."""
        return self.bench.stylus.stem_diameter_mm / 2

    @property
    def body_radius_mm(self) -> float:
        """Radius of the body of the probe."""
        return self.bench.probe.body_diameter_mm / 2

    def point(self, at: Floats) -> Floats:
        """Signed distance of points from the artefact: negative inside."""
        return self._lowest(at, at[:, 2])

    def ball(self, centre: Floats) -> Floats:
        """Distance of the ball from the artefact; negative by its overlap."""
        return self.point(centre) - self.ball_radius_mm

    def stem(self, centre: Floats) -> Floats:
        """Distance of the stem from the artefact."""
        return self._lowest(centre, centre[:, 2] + self.bench.stylus.length_mm) - self.stem_radius_mm

    def body(self, centre: Floats) -> Floats:
        """Distance of the body of the probe from the artefact."""
        face = centre[:, 2] + self.bench.stylus.length_mm
        artefact = self.bench.artefact
        if artefact.kind == "plane":
            return np.asarray(face)
        if artefact.kind == "sphere":
            radius = _radius(artefact.diameter_mm)
            aside = np.maximum(np.hypot(centre[:, 0], centre[:, 1]) - self.body_radius_mm, 0.0)
            apart: Floats = np.hypot(aside, np.maximum(face + radius, 0.0)) - radius
            return apart
        aside = self._aside(centre) - self.body_radius_mm
        return np.where(face > 0, np.hypot(np.maximum(aside, 0.0), face), aside)

    def stand(self, centre: Floats) -> Floats:
        """Distance of the ball, the lowest part of the probe, from what the artefact stands on.

        Infinite for a plane, below which nothing is reached.
        """
        if self.bench.artefact.kind == "plane":
            return np.full(len(centre), np.inf)
        above: Floats = centre[:, 2] - self.ball_radius_mm + self.bench.artefact.height_mm
        return above

    def all_parts(self, centre: Floats) -> Floats:
        """Least distance of any part from the artefact and from what it stands on."""
        parts = (self.ball(centre), self.stem(centre), self.body(centre), self.stand(centre))
        return np.asarray(np.minimum.reduce(parts))

    def _lowest(self, at: Floats, top: Floats) -> Floats:
        """Least signed distance of vertical lines from points up to heights."""
        artefact = self.bench.artefact
        if artefact.kind == "plane":
            return at[:, 2].copy()
        if artefact.kind == "sphere":
            radius = _radius(artefact.diameter_mm)
            nearest = np.clip(-radius, at[:, 2], top)
            apart: Floats = np.sqrt(at[:, 0] ** 2 + at[:, 1] ** 2 + (nearest + radius) ** 2) - radius
            return apart
        # An upright solid: at one place the distance falls with the height above or below it.
        nearest = np.clip(-artefact.height_mm / 2, at[:, 2], top)
        above = np.maximum(nearest, -artefact.height_mm - nearest)
        return _joined(self._aside(at), above)

    def _aside(self, at: Floats) -> Floats:
        """Signed distance of points from an upright solid, seen from above."""
        artefact = self.bench.artefact
        if artefact.size_mm is not None:
            half = np.array(artefact.size_mm) / 2
            out = np.abs(at[:, :2]) - half
            return _joined(out[:, 0], out[:, 1])
        out = np.hypot(at[:, 0], at[:, 1])
        radius = _radius(artefact.diameter_mm)
        if artefact.outer_diameter_mm is None:
            aside: Floats = out - radius
            return aside
        return np.maximum(radius - out, out - artefact.outer_diameter_mm / 2)


def least_along(
    distance: Callable[[Floats], Floats], start: Floats, end: Floats, needed: Floats, slack_mm: float = 0.004
) -> tuple[Floats, NDArray[np.bool_]]:
    """Prove a distance along straight moves, or find where it is missed.

    Halves each move until its ends prove the distance between them: it changes by no more than the probe
    moves, so between two positions it is at least half of the sum of both distances less their spacing.

    Parameters
    ----------
    distance : callable
        Of positions, shape (n, 3) -> (n,), mm.
    start, end : ndarray, shape (n, 3), mm
    needed : ndarray, shape (n,), mm
        What must be proved. A move is not looked at further once it is, or once a position on it misses it.
    slack_mm : float
        What a proof may lack: the smaller, the more positions are looked at.

    Returns
    -------
    least : ndarray, shape (n,), mm
        No less than ``needed`` - ``slack_mm`` holds all along a move that is not missed: a lower bound.
        Of a missed move, the least distance that was found.
    missed : ndarray of bool, shape (n,)
        Whether a position with less than ``needed`` was found.

    Examples
    --------
    >>> def of_origin(at):
    ...     return np.linalg.norm(at, axis=1)
    >>> left, right = np.array([[-5.0, 3, 0]]), np.array([[5.0, 3, 0]])
    >>> least_along(of_origin, left, right, np.array([2.9]))[1]
    array([False])
    >>> least_along(of_origin, left, right, np.array([3.1]))
    (array([3.]), array([ True]))
    """
    moves, back = np.unique(np.column_stack([start, end, needed]), axis=0, return_inverse=True)
    least, missed = _least_along(distance, moves[:, :3], moves[:, 3:6], moves[:, 6], slack_mm)
    back = back.reshape(-1)
    return least[back], missed[back]


def _least_along(
    distance: Callable[[Floats], Floats], start: Floats, end: Floats, needed: Floats, slack_mm: float
) -> tuple[Floats, NDArray[np.bool_]]:
    least = np.minimum(distance(start), distance(end))
    missed = least < needed
    move = np.flatnonzero(~missed)
    low, high = start[move], end[move]
    at_low, at_high = distance(low), distance(high)
    while len(move):
        length = np.linalg.norm(high - low, axis=1)
        bound = (at_low + at_high - length) / 2
        open_ = (bound < needed[move] - slack_mm) & ~missed[move]
        np.minimum.at(least, move[~open_ & ~missed[move]], bound[~open_ & ~missed[move]])
        move, low, high = move[open_], low[open_], high[open_]
        at_low, at_high = at_low[open_], at_high[open_]
        middle = (low + high) / 2
        found = distance(middle)
        np.minimum.at(least, move, found)
        missed[move[found < needed[move]]] = True
        move = np.concatenate([move, move])
        low, high = np.concatenate([low, middle]), np.concatenate([middle, high])
        at_low, at_high = np.concatenate([at_low, found]), np.concatenate([found, at_high])
    return least, missed


def _joined(one: Floats, other: Floats) -> Floats:
    """Signed distance from what lies within both of two slabs at right angles."""
    outside = np.hypot(np.maximum(one, 0.0), np.maximum(other, 0.0))
    return outside + np.minimum(np.maximum(one, other), 0.0)


def _radius(diameter_mm: float | None) -> float:
    return (diameter_mm or 0.0) / 2
