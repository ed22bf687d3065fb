"""A test that is looked at several times: the risk of each look that keeps the risk of the whole."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from probetest.errors import StatisticsError

Floats = NDArray[np.float64]

MOST_LOOKS = 20

NODES = 120
"""Points of each integral; more change the eighth digit."""

REACH = 8.5
"""Standard deviations beyond which nothing is integrated."""


@lru_cache(maxsize=256)
def look_risk(looks: int, risk: float) -> float:
    """One-sided risk of each of several looks at a growing test.

    Parameters
    ----------
    looks : int
        1 to ``MOST_LOOKS``, after equal parts of the touches.
    risk : float
        Of a wrong verdict in the whole test, 0 to 0.5.

    Returns
    -------
    float
        The same for each look.

    Raises
    ------
    StatisticsError
        If a number is out of its range.

    Notes
    -----
    A verdict given at the first look at which its bound allows it is wrong more often than each look alone.
    The risk of a look is lowered until a sum of equal normal parts crosses its boundary at any of the looks
    with the chance ``risk`` [1]_; the distribution of the sum that has not crossed is carried from look to
    look by numerical integration [2]_. Figures of a test are sums of squares and means, near to this; the
    other verdict, which ends the test as well, only lowers the chance.

    References
    ----------
    .. [1] S. J. Pocock, "Group sequential methods in the design and analysis of clinical trials",
       Biometrika 64 (1977) 191-199 (from memory).
    .. [2] P. Armitage, C. K. McPherson, B. C. Rowe, "Repeated significance tests on accumulating data",
       J. R. Stat. Soc. A 132 (1969) 235-244 (from memory).

    Examples
    --------
    >>> [round(look_risk(looks, 0.05), 4) for looks in (1, 2, 4)]
    [0.05, 0.0304, 0.0193]
    """
    if not 1 <= looks <= MOST_LOOKS:
        raise StatisticsError(f"a test may be looked at 1 to {MOST_LOOKS} times, but got {looks}")
    if not 0 < risk < 0.5:
        raise StatisticsError(f"a risk must lie between 0 and 0.5, but got {risk}")
    if looks == 1:
        return risk
    single = float(special.ndtri(1 - risk))
    # Bonferroni's is the strictest boundary that can be needed.
    strict = float(special.ndtri(1 - risk / looks))
    boundary = optimize.brentq(lambda place: crossing(place, looks) - risk, single, strict + 1e-9, xtol=1e-10)
    return float(special.ndtr(-boundary))


def crossing(boundary: float, looks: int) -> float:
    """Chance that a sum of equal normal parts lies above a boundary at any look.

    Parameters
    ----------
    boundary : float
        In standard deviations of the sum at each look.
    looks : int
    """
    nodes, weights = np.polynomial.legendre.leggauss(NODES)

    def inside(look: int) -> tuple[Floats, Floats]:
        low, high = -REACH * np.sqrt(look), boundary * np.sqrt(look)
        return low + (high - low) / 2 * (nodes + 1), (high - low) / 2 * weights

    place, weight = inside(1)
    mass = weight * np.exp(-(place**2) / 2) / np.sqrt(2 * np.pi)
    crossed = float(special.ndtr(-boundary))
    for look in range(2, looks + 1):
        crossed += float(mass @ special.ndtr(place - boundary * np.sqrt(look)))
        onward, weight = inside(look)
        step = np.exp(-((onward[:, None] - place) ** 2) / 2) / np.sqrt(2 * np.pi)
        place, mass = onward, weight * (step @ mass)
    return crossed
