"""Likeness of neighbouring touches, and what it does to intervals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, special

from probetest.errors import StatisticsError
from probetest.statistics.neighbours import correlated, direction_columns, serial_factors

Floats = NDArray[np.float64]

SERIAL_RISK = 0.05
"""Risk of widening intervals for neighbours that are not alike."""

GREATEST_CORRELATION = 0.95
"""Above it a test of usual length is one slow wave, and the scatter can't be told from it."""

_GRID = np.linspace(-0.9, GREATEST_CORRELATION, 75)


@dataclass(frozen=True, slots=True)
class SerialEffect:
    """Correlation of touches that follow one another, and the factors to use for it.

    Attributes
    ----------
    correlation : float
        Of neighbouring touches beyond direction and path; its small-sample bias is removed.
    u : float
        Its standard error.
    p_value : float
        Of no correlation, against a positive one.
    significant : bool
        The correlation is above 0 at the stated risk; all factors are 1 where it is not.
    sd_factor : float
        As in :class:`~probetest.statistics.neighbours.SerialFactors`.
    dof_share : float
        Effective over nominal degrees of freedom of the pooled variance within directions; the
        standard error of the correlation costs some of them, but not the last.
    mean_factor : float
        As in :class:`~probetest.statistics.neighbours.SerialFactors`.
    """

    correlation: float
    u: float
    p_value: float
    significant: bool
    sd_factor: float
    dof_share: float
    mean_factor: float


def serial_effect(
    reading_mm: ArrayLike,
    direction: ArrayLike,
    azimuth_deg: ArrayLike,
    path: ArrayLike | None = None,
    risk: float = SERIAL_RISK,
) -> SerialEffect:
    """First-order correlation of touches in test order, and its effect on intervals.

    Parameters
    ----------
    reading_mm : array_like, shape (touches,), mm
        Readings or residuals, in the order in which they were taken; a lost touch counts as none.
    direction : array_like of int, shape (touches,)
    azimuth_deg : array_like, shape (directions,), deg
    path : array_like, shape (touches, columns), optional
        Taken out together with the direction means: order, bends, motion of the centre.
    risk : float
        One-sided risk of taking independent touches for alike.

    Returns
    -------
    SerialEffect

    Raises
    ------
    StatisticsError
        With fewer than 3 degrees of freedom left.

    Notes
    -----
    The statistic is r = 1 - d / 2 of the residuals e, d = sum(diff(e)**2) / sum(e**2) the ratio of
    von Neumann [1]_ and of Durbin and Watson [2]_. Its first two moments without correlation are
    exact, and the tail is that of a beta variable with these moments [2]_. The correlation is the one
    whose expected r, tr(QAQC) / tr(QC) for residuals Qy and the covariance C of a first-order
    process, is the observed one. Its standard error, and that of the pooled sd times its factor, are
    those of quadratic forms in normal variables (delta method); the latter gives ``dof_share``. No
    dense matrix of touches is formed, so that no length is too much.

    References
    ----------
    .. [1] J. von Neumann, "Distribution of the ratio of the mean square successive difference to the
       variance", Ann. Math. Stat. 12 (1941) 367-395.
    .. [2] J. Durbin, G. S. Watson, "Testing for serial correlation in least squares regression",
       Biometrika 37 (1950) 409-428 and 38 (1951) 159-178.

    Examples
    --------
    >>> found = serial_effect([0, 1, 2, 3, 2, 1, 0, 1, 2, 3, 2, 1], [0] * 12, [0.0])
    >>> round(found.correlation, 2), found.significant
    (0.61, True)
    """
    reading = np.asarray(reading_mm, dtype=float)
    index = np.asarray(direction, dtype=np.intp)
    columns = np.empty((len(reading), 0)) if path is None else np.asarray(path, dtype=float)
    design = _Design(direction_columns(index), columns)
    if design.dof < 3:
        raise StatisticsError(
            f"likeness of neighbours can't be told from {len(reading)} touches with "
            f"{design.basis.shape[1]} values fitted to them"
        )
    residual = reading - design.basis @ (design.basis.T @ reading)
    power = float(residual @ residual)
    if power <= len(reading) * (1e-12 * float(np.abs(reading).max())) ** 2:
        return SerialEffect(0.0, design.standard_error(0.0, *design.expected(0.0)), 1.0, False, 1.0, 1.0, 1.0)
    ratio = float(residual @ _neighbours(residual[:, None])[:, 0]) / power
    correlation = design.correlation(ratio)
    p_value = design.p_value(ratio)
    expected = design.expected(correlation)
    u = design.standard_error(correlation, *expected)
    if not (p_value < risk and correlation > 0):
        return SerialEffect(correlation, u, p_value, False, 1.0, 1.0, 1.0)
    factors = serial_factors(correlation, index, azimuth_deg)
    share = design.dof_share(correlation, *expected)
    return SerialEffect(correlation, u, p_value, True, factors.sd_factor, share, factors.mean_factor)


def _neighbours(columns: Floats) -> Floats:
    """Mean of the touch before and the touch after; the first and the last have themselves."""
    wide = np.concatenate([columns[:1], columns, columns[-1:]])
    return np.asarray(0.5 * (wide[:-2] + wide[2:]))


@lru_cache(maxsize=8)
def _powers(touches: int) -> Floats:
    return np.asarray(_GRID[:, None] ** np.arange(touches))


class _Design:
    """Moments of r for residuals from direction means and path, for any correlation.

    tr(MC) of a matrix M is a polynomial in the correlation; its coefficients are the sums along the
    diagonals of M, here of QAQ = A - BW' - WB' and of Q = I - BB', by Fourier transforms.
    """

    def __init__(self, marks: Floats, columns: Floats) -> None:
        touches, groups = marks.shape
        self.groups = groups
        self.basis = np.column_stack([marks, _beyond(marks, columns)])
        self.dof = touches - self.basis.shape[1]
        near = _neighbours(self.basis)
        inner = self.basis.T @ near
        self.rest = near - 0.5 * self.basis @ inner
        ones = np.zeros((2, touches))
        ones[:, 0] = 1.0, touches
        ones[0, 1] = touches - 1
        size = fft.next_fast_len(2 * touches, real=True)
        wave, rest = (fft.rfft(part.T, size) for part in (self.basis, self.rest))
        own = (np.abs(wave) ** 2).T
        self.upper = ones[0] - _diagonals(2 * (wave.conj() * rest).real.sum(axis=0), touches)
        self.lower = ones[1] - _diagonals(own.sum(axis=1), touches)
        self.within = ones[1] - _diagonals(own[:, :groups].sum(axis=1), touches)
        self.trace = 1 - float(np.trace(inner))
        self.square = touches / 2 - 2 * float((near**2).sum()) + float((inner**2).sum())

    def p_value(self, ratio: float) -> float:
        mean = self.trace / self.dof
        second = (2 * self.square + self.trace**2) / (self.dof * (self.dof + 2))
        half, variance = (1 + mean) / 2, (second - mean**2) / 4
        size = half * (1 - half) / variance - 1
        return float(special.betainc((1 - half) * size, half * size, (1 - min(ratio, 1.0)) / 2))

    def correlation(self, ratio: float) -> float:
        powers = _powers(len(self.upper))
        return float(np.interp(ratio, (powers @ self.upper) / (powers @ self.lower), _GRID))

    def expected(self, correlation: float) -> tuple[float, float]:
        """Expected r, and its slope over the correlation."""
        upper, upper_slope = _polynomial(self.upper, correlation)
        lower, lower_slope = _polynomial(self.lower, correlation)
        mean = upper / lower
        return mean, (upper_slope - mean * lower_slope) / lower

    def standard_error(self, correlation: float, mean: float, slope: float) -> float:
        lower, _ = _polynomial(self.lower, correlation)
        # QAQ - mean Q
        square = self._trace_of_square(correlation, -mean, 1.0, self.rest - 0.5 * mean * self.basis)
        return float(np.sqrt(2 * square)) / lower / slope

    def dof_share(self, correlation: float, mean: float, slope: float) -> float:
        """2 over the squared relative error of the corrected pooled variance, at least 1, over its dof."""
        lower, _ = _polynomial(self.lower, correlation)
        within, within_slope = _polynomial(self.within, correlation)
        tilt = -within_slope / within / slope / lower
        low_rank = tilt * (self.rest - 0.5 * mean * self.basis)
        low_rank[:, : self.groups] += 0.5 / within * self.basis[:, : self.groups]
        square = self._trace_of_square(correlation, 1 / within - tilt * mean, tilt, low_rank)
        return float(max(1 / square, 1.0) / (len(self.upper) - self.groups))

    def _trace_of_square(self, correlation: float, plain: float, near: float, low_rank: Floats) -> float:
        """tr(HCHC) of H = plain I + near A - B L' - L B'."""
        width = self.basis.shape[1]
        smooth = correlated(np.hstack([self.basis, low_rank]), correlation)
        first, second = smooth[:, :width], smooth[:, width:]
        crossed = float(((plain * first + near * _neighbours(first)) * second).sum())
        mixed, own, other = low_rank.T @ first, self.basis.T @ first, low_rank.T @ second
        inner = float((mixed * mixed.T).sum() + (own * other).sum())
        return _banded_square(len(smooth), plain, near, correlation) - 4 * crossed + 2 * inner


def _beyond(marks: Floats, columns: Floats) -> Floats:
    """Orthonormal basis of what the direction means leave of the columns."""
    left = columns - marks @ (marks.T @ columns)
    scale = np.linalg.norm(columns, axis=0)
    basis, singular, _ = np.linalg.svd(left / np.where(scale > 0, scale, 1.0), full_matrices=False)
    return np.asarray(basis[:, singular > 1e-7])


def _diagonals(spectrum: Floats, touches: int) -> Floats:
    """Sums along the diagonals at each distance, both sides, from a real cross spectrum."""
    size = fft.next_fast_len(2 * touches, real=True)
    sums = fft.irfft(spectrum, size)[:touches]
    sums[1:] *= 2
    return np.asarray(sums)


def _polynomial(coefficients: Floats, at: float) -> tuple[float, float]:
    """Value and slope."""
    powers = at ** np.arange(len(coefficients), dtype=float)
    slope = (np.arange(1, len(coefficients)) * coefficients[1:]) @ powers[:-1]
    return float(coefficients @ powers), float(slope)


def _banded_square(touches: int, plain: float, near: float, correlation: float) -> float:
    """tr(TCTC) of T = plain I + near A: a Toeplitz product but for its first and last row."""
    lags = np.arange(touches, dtype=float)
    powers = correlation**lags
    inner = plain * powers + near / 2 * (correlation ** np.abs(lags - 1) + correlation ** (lags + 1))
    edge = near / 2 * powers * (1 - correlation)
    squares = touches * inner[0] ** 2 + 2 * float(((touches - lags[1:]) * inner[1:] ** 2).sum())
    return float(squares + 4 * (edge @ inner) + 2 * (edge[0] ** 2 + edge[-1] ** 2))
