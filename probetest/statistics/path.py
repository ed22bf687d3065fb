"""The path that a drift takes: straight line, cubic, two segments or exponential approach."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from probetest.statistics.neighbours import whitened

Floats = NDArray[np.float64]

Kind = Literal["line", "cubic", "slopes", "settling", "onset", "exponential"]
"""Of a path; "slopes" are two segments, "settling" ends flat, "onset" begins flat."""

GREATEST_LEVERAGE = 0.2
"""A bend of which a single touch makes more than this share of the squares is not looked for."""

LEAST_LIKELY = 0.02
"""A path less likely than this, against the one taken, does not widen the error of its size."""

DOUBTFUL = 0.1
"""Beside a line whose p-value against a bend is below, bent paths widen the error of the size."""

LEAST_DOF = 6
"""Bends take 2 degrees of freedom more than the line, and 3 must be left."""

BREAKS = np.linspace(-0.5, 0.5, 42)[1:-1]
"""Breaks that are tried first, in lengths of the test from its middle."""

TIME_CONSTANTS = np.geomspace(0.02, 3.0, 20)
"""Time constants that are tried first, in lengths of the test."""


@dataclass(frozen=True, slots=True)
class Path:
    """A fitted path over the place in the test, -0.5 to 0.5.

    Attributes
    ----------
    kind : str
    at : float
        Place of the break, or the time constant, in lengths of the test; NaN without.
    slopes_mm : numpy.ndarray, shape (columns,)
        Coefficients.
    covariance : numpy.ndarray
        Of the coefficients, and of ``at`` where there is one.
    nuisance_mm : numpy.ndarray
        Coefficients of what was fitted beside the path.
    dof : int
        Degrees of freedom of the error.
    left : float
        Sum of squares that is left.
    """

    kind: Kind
    at: float
    slopes_mm: Floats
    covariance: Floats
    nuisance_mm: Floats
    dof: int
    left: float

    def values(self, place: Floats) -> Floats:
        """The path, shape (places,)."""
        return np.asarray(_columns(self.kind, place, self.at) @ self.slopes_mm)

    def tangents(self, place: Floats) -> Floats:
        """Derivative of the path over each fitted value, shape (places, values)."""
        columns = _columns(self.kind, place, self.at)
        if np.isnan(self.at):
            return columns
        bend = _BENT[self.kind].derivative(place, self.at)
        return np.column_stack([columns, bend * self.slopes_mm[-1]])


@dataclass(frozen=True, slots=True)
class _Bent:
    """A column that depends on a break or time constant, and the values it is tried at."""

    column: Callable[[Floats, Floats], Floats]
    derivative: Callable[[Floats, float], Floats]
    grid: Floats


_BENT: dict[Kind, _Bent] = {
    "slopes": _Bent(
        lambda place, at: np.maximum(place[:, None] - at, 0.0),
        lambda place, at: np.where(place > at, -1.0, 0.0),
        BREAKS,
    ),
    "settling": _Bent(
        lambda place, at: np.minimum(place[:, None], at),
        lambda place, at: np.where(place > at, 1.0, 0.0),
        BREAKS,
    ),
    "onset": _Bent(
        lambda place, at: np.maximum(place[:, None], at),
        lambda place, at: np.where(place < at, 1.0, 0.0),
        BREAKS,
    ),
    "exponential": _Bent(
        lambda place, at: -np.exp(-(place[:, None] + 0.5) / at),
        lambda place, at: -np.exp(-(place + 0.5) / at) * (place + 0.5) / at**2,
        TIME_CONSTANTS,
    ),
}


def _columns(kind: Kind, place: Floats, at: float) -> Floats:
    if kind == "line":
        return place[:, None]
    if kind == "cubic":
        return np.asarray(place[:, None] ** np.arange(1, 4))
    column = _BENT[kind].column(place, np.array([at]))
    return np.column_stack([place, column]) if kind == "slopes" else column


class PathSearch:
    """Least squares of paths, with direction means and motion of the centre taken out.

    Parameters
    ----------
    place : numpy.ndarray, shape (touches,)
        Place in the test, -0.5 to 0.5, increasing.
    nuisance : numpy.ndarray, shape (touches, columns)
        Linearly independent of one another and of ``place``; fitted beside each path.
    reading_mm : numpy.ndarray, shape (touches,), mm
    rounding_mm : float
        What is smaller is rounding, not scatter.
    correlation : float
        Of neighbouring touches; the fit is that of generalised least squares.

    Attributes
    ----------
    dof : int
        Touches less columns of the nuisance.
    line : Path
        The straight line.

    Notes
    -----
    A bend is called by the largest share of the squares beyond the straight line that a cubic (two
    terms at once) or a second slope at any break explains. The unit vector of the second slope draws
    a curve on the sphere of residuals as the break moves; the volume of the tube about that curve
    bounds the risk of the largest share [1]_ [2]_, for any number and order of touches. Bends that a
    single touch could make are not looked for. Of the bent paths (cubic, two slopes, a flat
    end, a flat begin, exponential approach) that of the least Bayesian information criterion is taken.

    References
    ----------
    .. [1] H. Hotelling, "Tubes and spheres in n-spaces, and a class of statistical problems",
       Am. J. Math. 61 (1939) 440-460.
    .. [2] M. Knowles, D. Siegmund, "On Hotelling's approach to testing for a nonlinear parameter in
       regression", Int. Stat. Rev. 57 (1989) 205-220.
    """

    def __init__(
        self,
        place: Floats,
        nuisance: Floats,
        reading_mm: Floats,
        rounding_mm: float,
        correlation: float = 0.0,
    ) -> None:
        self.place, self.reading, self.correlation = place, reading_mm, correlation
        self.basis, self.triangle = np.linalg.qr(self._white(nuisance))
        self.target = self._beyond(reading_mm)
        self.dof = len(place) - nuisance.shape[1]
        self._rounding = len(place) * rounding_mm**2
        along = self._beyond(place)
        self._along = along / np.linalg.norm(along)
        self._rest = self.target - self._along * (self._along @ self.target)
        self._best: dict[Kind, tuple[float, float]] = {}
        self._tube: float | None = None
        self.line = self.fit("line")
        if self.dof >= LEAST_DOF and self.line.left > self._rounding:
            self._look_for_bends()

    def line_p(self) -> float:
        """Of a slope that is scatter."""
        slope, error = float(self.line.slopes_mm[0]), float(np.sqrt(self.line.covariance[0, 0]))
        if self.line.left <= self._rounding:
            return float(float(self.target @ self.target) <= self._rounding)
        return float(2 * special.stdtr(self.line.dof, -abs(slope) / error))

    def bend_p(self) -> float:
        """Of the best bend being scatter, the search paid for; 1 where no bend could be looked for."""
        lefts = [self._best[kind][1] for kind in ("cubic", "slopes") if kind in self._best]
        if not lefts:
            return 1.0
        room = self.dof - 1
        share = float(np.clip(1 - min(lefts) / self.line.left, 0.0, 1 - 1e-15))
        risk = (1 - share) ** (room / 2 - 1)
        if self._tube is not None:
            risk *= 1 + self._tube / np.pi
            risk += 2 * special.stdtr(room - 1, -np.sqrt(share * (room - 1) / (1 - share)))
        return float(min(risk, 1.0))

    def bent(self) -> Path:
        """The likeliest bent path; the line where no bend could be looked for.

        Beside a line that is not ``DOUBTFUL`` only cubic and two slopes are compared.
        """
        if not self._best:
            return self.line
        kind = min(self._best, key=self._criterion)
        return self.fit(kind, self._best[kind][0])

    def size(self, path: Path, place: Floats) -> tuple[float, float]:
        """Largest less smallest value of the path over the places, and its standard error.

        Beside the scatter, the error holds what the size differs in the other paths, each with its
        likelihood (Buckland et al.). Left out are paths less than ``LEAST_LIKELY`` as likely, and
        beside a line all of them where its p-value against a bend is above ``DOUBTFUL``.

        References
        ----------
        .. [1] S. T. Buckland, K. P. Burnham, N. H. Augustin, "Model selection: an integral part of
           inference", Biometrics 53 (1997) 603-618.
        """
        values, tangents = path.values(place), path.tangents(place)
        reach = tangents[int(values.argmax())] - tangents[int(values.argmin())]
        size, square = float(np.ptp(values)), float(reach @ path.covariance @ reach)
        odds = self._odds(path)
        for kind, likely in odds.items():
            gap = float(np.ptp(self.fit(kind, self._best[kind][0]).values(place))) - size
            square += likely * gap**2 / (1 + sum(odds.values()))
        return size, float(np.sqrt(max(square, 0.0)))

    def _odds(self, path: Path) -> dict[Kind, float]:
        """Likelihood of the other bent paths against this one."""
        if path.kind == "line" and self.bend_p() > DOUBTFUL:
            return {}
        own = self.criterion(path.left, len(path.covariance))
        odds = {kind: float(np.exp(0.5 * (own - self._criterion(kind)))) for kind in self._best}
        return {kind: likely for kind, likely in odds.items() if likely > LEAST_LIKELY and kind != path.kind}

    def fit(self, kind: Kind, at: float = np.nan) -> Path:
        """Least squares of one path."""
        columns = _columns(kind, self.place, at)
        design = self._beyond(columns)
        basis, triangle = np.linalg.qr(design)
        slopes = np.linalg.solve(triangle, basis.T @ self.target)
        rest = self.target - design @ slopes
        beside = self.basis.T @ self._white(self.reading - columns @ slopes)
        nuisance = np.linalg.solve(self.triangle, beside)
        bare = Path(kind, at, slopes, np.empty(0), nuisance, 0, float(rest @ rest))
        if not np.isnan(at):
            _, triangle = np.linalg.qr(self._beyond(bare.tangents(self.place)))
        inverse = np.linalg.inv(triangle)
        dof = self.dof - len(triangle)
        return replace(bare, covariance=bare.left / max(dof, 1) * (inverse @ inverse.T), dof=dof)

    def standing(self, path: Path) -> Floats:
        """Residual of each touch over the square root of the share that its own say leaves of it."""
        design = self._beyond(_columns(path.kind, self.place, path.at))
        own, _ = np.linalg.qr(design)
        rest = self.target - design @ path.slopes_mm
        say = (self.basis**2).sum(axis=1) + (own**2).sum(axis=1)
        return np.asarray(rest / np.sqrt(np.maximum(1 - say, 1e-6)))

    def left(self, kind: Kind, at: Floats) -> Floats:
        """Sum of squares that is left with each break or time constant."""
        return self._units(kind, self._beyond(_BENT[kind].column(self.place, at)))[1]

    def _units(self, kind: Kind, columns: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Unit vectors of a bent column, what each leaves, and whether no single touch makes it."""
        target = self.target
        if kind == "slopes":
            columns = columns - np.outer(self._along, self._along @ columns)
            target = self._rest
        size = np.sqrt((columns**2).sum(axis=0))
        told = size > 1e-6
        units = columns / np.where(told, size, np.inf)
        spread = told & (np.maximum(units.max(axis=0), -units.min(axis=0)) <= np.sqrt(GREATEST_LEVERAGE))
        return units, float(target @ target) - (units.T @ target) ** 2, spread

    def _look_for_bends(self) -> None:
        powers = self.place[:, None] ** np.arange(1, 4)
        columns = self._beyond(np.hstack([powers, _BENT["slopes"].column(self.place, BREAKS)]))
        cubic, size = np.linalg.qr(columns[:, :3])
        if np.abs(np.diag(size)).min() <= 1e-6:
            return
        left = float(self.target @ self.target - ((cubic.T @ self.target) ** 2).sum())
        self._best["cubic"] = (np.nan, left)
        line, hinge = columns[:, :1], columns[:, 3:]
        units, spread = self._note("slopes", hinge)
        if spread.any():
            steps = (units[:, 1:] * units[:, :-1]).sum(axis=0)[spread[1:] & spread[:-1]]
            self._tube = float(np.arccos(np.clip(steps, -1.0, 1.0)).sum())
        if self.bend_p() > DOUBTFUL:
            return
        # Direction means are taken out: a flat begin differs from the hinge by a constant only.
        self._note("settling", line - hinge)
        self._note("onset", hinge)
        self._note("exponential", self._beyond(_BENT["exponential"].column(self.place, TIME_CONSTANTS)))
        self._best = {kind: self._refined(kind) for kind in self._best}

    def _note(self, kind: Kind, columns: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Keep the best of a kind that no single touch makes; unit vectors, and which are such."""
        units, left, spread = self._units(kind, columns)
        if spread.any():
            best = int(np.where(spread, left, np.inf).argmin())
            self._best[kind] = (float(_BENT[kind].grid[best]), float(left[best]))
        return units, spread

    def criterion(self, left: float, values: int) -> float:
        """Bayesian information criterion of a fit, less what is the same for all."""
        size = len(self.place)
        return float(size * np.log(max(left, self._rounding, 1e-300)) + values * np.log(size))

    def _criterion(self, kind: Kind) -> float:
        return self.criterion(self._best[kind][1], 3 if kind in ("cubic", "slopes") else 2)

    def _refined(self, kind: Kind) -> tuple[float, float]:
        """Break or time constant between its neighbours on the grid, and the squares it leaves."""
        at, left_over = self._best[kind]
        if np.isnan(at):
            return at, left_over
        grid = _BENT[kind].grid
        spot = int(np.searchsorted(grid, at))
        fine = np.linspace(grid[max(spot - 1, 0)], grid[min(spot + 1, len(grid) - 1)], 33)
        _, left, spread = self._units(kind, self._beyond(_BENT[kind].column(self.place, fine)))
        best = int(np.where(spread, left, np.inf).argmin())
        if not spread[best]:
            return at, left_over
        if not 0 < best < len(fine) - 1 or min(left[best - 1], left[best + 1]) < left[best]:
            return float(fine[best]), float(left[best])
        before, here, after = left[best - 1 : best + 2]
        lean, bow = 0.5 * (before - after), max(before - 2 * here + after, 1e-300)
        return float(fine[best] + lean / bow * (fine[1] - fine[0])), float(here - lean**2 / bow / 2)

    def _white(self, values: Floats) -> Floats:
        return whitened(values, self.correlation) if self.correlation else values

    def _beyond(self, values: Floats) -> Floats:
        white = self._white(values)
        return np.asarray(white - self.basis @ (self.basis.T @ white))
