"""What the bending of the stem predicts for another stylus, from a figure measured with this one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from probetest.errors import StatisticsError
from probetest.statistics.intervals import Interval, check_level
from probetest.statistics.seat import MAX_PAIR_RATIO
from probetest.statistics.uncertainty import Component

MODULI_GPA = {"carbide": 600.0, "steel": 200.0, "ceramic": 380.0}
"""Young's modulus of stem materials (ceramic: alumina); common practice, no source. Grades differ by 5 to
10 %. Carbon fibre has no single value and must be stated."""

CHECKED_FACTOR = 3.0
"""A figure that changes by more than this factor, up or down, lies outside what the law was checked for."""

VAGUE_FACTOR_U = 0.3
"""From this relative standard uncertainty of the factor on, the interval itself is only rough."""

PRESUMES = (
    "Predicted from bending of a uniform stem alone, with the same spring, seat and feed; friction, latency "
    "beyond the stated part, compliance of the stem root and of the contact, stylus weight and contact pairs "
    "are left out."
)

Figure = Literal["variation", "mean"]


@dataclass(frozen=True, slots=True)
class Stylus:
    """The stem of a stylus: one round bar from the seat to the ball.

    Attributes
    ----------
    length_mm : float
        From the seat to the centre of the ball: lever of the seat and free length of the stem.
    stem_diameter_mm : float
        Of the stem, not of its thread or ball.
    modulus_gpa : float
        Young's modulus, see `modulus_of`.
    length_u_mm, stem_diameter_u_mm, modulus_u_gpa : float
        Standard uncertainties.
    """

    length_mm: float
    stem_diameter_mm: float
    modulus_gpa: float
    length_u_mm: float = 0.0
    stem_diameter_u_mm: float = 0.0
    modulus_u_gpa: float = 0.0


@dataclass(frozen=True, slots=True)
class StylusPrediction:
    """A figure predicted for another stylus; nothing was measured with it.

    Attributes
    ----------
    kind : str
        Always "prediction".
    figure : str
        "variation" (pre-travel variation) or "mean" (mean pre-travel).
    predicted_mm : float
        At the stated values of both styli.
    interval_mm : Interval
        Of the predicted figure, at the level of the measured one.
    factor : float
        What the part that bends is multiplied by.
    factor_u : float
        Relative standard uncertainty of the factor (that of its logarithm).
    unbent_mm : float
        Part of the figure that stays as it is.
    components : tuple of Component
        First-order standard uncertainty of the prediction from each source.
    presumes : str
        What the prediction takes for granted.
    warnings : tuple of str
        One sentence each; empty where there is nothing to say.
    """

    kind: Literal["prediction"]
    figure: Figure
    predicted_mm: float
    interval_mm: Interval
    factor: float
    factor_u: float
    unbent_mm: float
    components: tuple[Component, ...]
    presumes: str
    warnings: tuple[str, ...]


def modulus_of(material: str) -> float:
    """Young's modulus in GPa of a stem material by its name; common practice, no source.

    Raises
    ------
    StatisticsError
        For carbon fibre, which has no single value, and for names that are not known.

    Examples
    --------
    >>> modulus_of("carbide")
    600.0
    """
    name = " ".join(material.lower().replace("-", " ").replace("_", " ").split())
    if name in ("carbon fibre", "carbon fiber"):
        raise StatisticsError(
            "carbon fibre has no single modulus (it depends on fibre and lay-up): state it in GPa"
        )
    if name not in MODULI_GPA:
        raise StatisticsError(
            f"no modulus is known for {material!r}: state it in GPa, or use one of {', '.join(MODULI_GPA)}"
        )
    return MODULI_GPA[name]


def stiffness_factor(old: Stylus, new: Stylus) -> float:
    """Pre-travel by bending with the new stylus in units of that with the old one.

    Raises
    ------
    StatisticsError
        For a size or modulus that is not above 0, or an uncertainty that is negative or no less than
        its value.

    Examples
    --------
    >>> stiffness_factor(Stylus(50.0, 2.0, 600.0), Stylus(100.0, 2.0, 600.0))
    4.0
    """
    _check_stylus(old, "old")
    _check_stylus(new, "new")
    slenderness = (new.length_mm / old.length_mm) ** 2 * (old.stem_diameter_mm / new.stem_diameter_mm) ** 4
    return slenderness * old.modulus_gpa / new.modulus_gpa


def pair_error(pair_ratio: float, length_ratio: float, figure: Figure = "variation") -> float:
    """Relative error of the square law of the length where the arms rest on contact pairs.

    Parameters
    ----------
    pair_ratio : float
        (seat radius / stylus length) * tan(wall half-angle) with the old stylus, 0 to 0.5.
    length_ratio : float
        New length over old length.
    figure : str
        "variation" or "mean".

    Returns
    -------
    float
        Predicted over true, less 1. Below 0 for a longer stylus: the law promises too little.

    Raises
    ------
    StatisticsError
        For a ratio out of range.

    Notes
    -----
    Pre-travel goes as L**2 / max_i(cos psi_i + rho |sin psi_i|), and rho goes as 1 / L: the shape
    of the curve changes with the length. With rho = 0.087 (seat radius 7.5 mm, walls of 30 deg,
    50 mm) a stylus twice as long has 16 % more variation and 3 % more mean pre-travel than the
    law says, one half as long 26 % and 5 % less. Diameter and modulus do not change rho.

    Examples
    --------
    >>> round(pair_error(0.0866, 2.0), 3)
    -0.138
    """
    _check_figure(figure)
    if not 0 <= pair_ratio <= MAX_PAIR_RATIO or not 0 < length_ratio < np.inf:
        raise StatisticsError(
            f"a pair ratio from 0 to {MAX_PAIR_RATIO} and a length ratio above 0 are needed, but got "
            f"{pair_ratio} and {length_ratio}"
        )
    return _pair_share(pair_ratio, figure) / _pair_share(pair_ratio / length_ratio, figure) - 1


def predict_stylus(
    measured_mm: float,
    interval_mm: Interval,
    old: Stylus,
    new: Stylus,
    *,
    figure: Figure = "variation",
    unbent_mm: float | None = None,
    unbent_u_mm: float = 0.0,
    shared_modulus: bool = False,
    pair_ratio: float | None = None,
    overtravel_mm: float = float("inf"),
) -> StylusPrediction:
    """Predict pre-travel or its variation for another stylus in the same probe.

    Parameters
    ----------
    measured_mm : float
        Measured with the old stylus, >= 0.
    interval_mm : Interval
        Its interval, which contains it; need not be symmetric.
    old, new : Stylus
    figure : str
        "variation" or "mean".
    unbent_mm : float, optional
        Part of the measured figure that does not come from bending and stays: feed times delay in
        a mean pre-travel, reversal of the machine in a variation. None: taken as 0.
    unbent_u_mm : float
        Its standard uncertainty.
    shared_modulus : bool
        Both stems are of one material: the uncertainty of the modulus cancels.
    pair_ratio : float, optional
        Of the old stylus, where it is known: the error of the square law is then stated, not corrected.
    overtravel_mm : float
        How far the probe may be deflected; infinite where it is not known.

    Returns
    -------
    StylusPrediction

    Raises
    ------
    StatisticsError
        For impossible values.

    Notes
    -----
    An ideal three-arm seat opens at F = F_s R / (2 L C), C by the direction; the stem then has bent
    by F L**3 / (3 E I) = F_s R L**2 / (6 E I C), I = pi d**4 / 64. Hence
    predicted = unbent + (measured - unbent) * factor, factor = (L'/L)**2 (d/d')**4 (E/E').

    Uncertainties of length, diameter and modulus are combined on a logarithmic scale, where the law
    is linear: the interval of the factor is exact for lognormal inputs and leans to the long side as
    d**-4 does. The measured interval joins it by squares of the logarithmic distances to its limits,
    each side for itself [2]_. The value is that at the stated inputs; the mean of what they allow
    lies above it by half of ``factor_u`` squared, relatively. The uncertainty of the unbent part
    enters by its slope 1 - factor.

    Where the seat lies h above the root of the stem, pre-travel goes as L**3 / (L + h) with L the
    free length: with h = 20 mm, from 50 to 75 mm, the square law of L is 10 % too small. Contact
    pairs: see `pair_error`.

    References
    ----------
    .. [1] JCGM 100:2008, clause 5.1.6 (relative uncertainties of a product of powers).
    .. [2] A. Donner, G. Y. Zou, "Closed-form confidence intervals for functions of the normal mean
       and standard deviation", Statistical Methods in Medical Research 21 (2012) 347-359 (from
       memory: recovery of variance from the limits).
    """
    _check_figure(figure)
    factor = stiffness_factor(old, new)
    unbent = 0.0 if unbent_mm is None else unbent_mm
    _check_figures(measured_mm, interval_mm, unbent, unbent_u_mm, overtravel_mm)
    if shared_modulus and old.modulus_gpa != new.modulus_gpa:
        raise StatisticsError(
            f"a shared modulus must be one value, but got {old.modulus_gpa} and {new.modulus_gpa} GPa"
        )
    parts = _relative_parts(old, new, shared_modulus)
    factor_u = float(np.sqrt(sum(u**2 for u in parts.values())))
    bending = measured_mm - unbent
    predicted = unbent + bending * factor
    z = float(special.ndtri((1 + interval_mm.level) / 2))
    lower, upper = _bending_limits(bending, interval_mm, unbent, z * factor_u)
    slack = abs(1 - factor) * z * unbent_u_mm
    interval = Interval(
        max(0.0, predicted - float(np.hypot((bending - lower) * factor, slack))),
        predicted + float(np.hypot((upper - bending) * factor, slack)),
        interval_mm.level,
    )
    half = Component("measured", "A", interval_mm.half_width / z * factor, np.inf, "half of its interval")
    stated = {source: bending * factor * u for source, u in parts.items()}
    stated["unbent part"] = abs(1 - factor) * unbent_u_mm
    components = (half, *(Component(source, "B", u, np.inf, "stated") for source, u in stated.items()))
    return StylusPrediction(
        kind="prediction",
        figure=figure,
        predicted_mm=predicted,
        interval_mm=interval,
        factor=factor,
        factor_u=factor_u,
        unbent_mm=unbent,
        components=tuple(part for part in components if part.u_mm > 0),
        presumes=PRESUMES,
        warnings=(
            *_warn_model(factor, factor_u, figure, unbent_mm),
            *_warn_pairs(pair_ratio, new.length_mm / old.length_mm, figure),
            *_warn_overtravel(predicted, interval, overtravel_mm),
        ),
    )


def _pair_share(pair_ratio: float, figure: Figure) -> float:
    """Variation or mean of the pre-travel over all directions, in units of the least of ideal arms."""
    root = np.sqrt(1 + pair_ratio**2)
    if figure == "variation":
        return float(1 / (0.5 + pair_ratio * np.sqrt(0.75)) - 1 / root)
    # The integral of 1 / (cos psi + rho sin psi) from an arm to the middle between two, over 60 deg.
    angle = np.pi / 4 + (np.array([0.0, np.pi / 3]) - np.arctan(pair_ratio)) / 2
    return float(np.diff(np.log(np.tan(angle)))[0] / (np.pi / 3) / root)


def _check_figure(figure: str) -> None:
    if figure not in ("variation", "mean"):
        raise StatisticsError(f'the figure must be "variation" or "mean", but got {figure!r}')


def _check_stylus(stylus: Stylus, which: str) -> None:
    for name, value, u, unit in (
        (f"length of the {which} stylus", stylus.length_mm, stylus.length_u_mm, "mm"),
        (f"stem diameter of the {which} stylus", stylus.stem_diameter_mm, stylus.stem_diameter_u_mm, "mm"),
        (f"modulus of the {which} stylus", stylus.modulus_gpa, stylus.modulus_u_gpa, "GPa"),
    ):
        if not 0 < value < np.inf:
            raise StatisticsError(f"the {name} must be above 0, but got {value} {unit}")
        if not 0 <= u < value:
            raise StatisticsError(
                f"the uncertainty of the {name} must lie from 0 to below {value} {unit}, but got {u} {unit}"
            )


def _check_figures(
    measured_mm: float, interval_mm: Interval, unbent_mm: float, unbent_u_mm: float, overtravel_mm: float
) -> None:
    check_level(interval_mm.level)
    if not 0 <= measured_mm < np.inf or measured_mm not in interval_mm:
        raise StatisticsError(
            f"a measured figure must be 0 or more and lie in its interval, but got {measured_mm} mm and "
            f"{interval_mm.lower} to {interval_mm.upper} mm"
        )
    if not 0 <= unbent_mm <= measured_mm or not 0 <= unbent_u_mm < np.inf:
        raise StatisticsError(
            f"the part that does not bend must lie from 0 to the measured {measured_mm} mm with an "
            f"uncertainty of 0 or more, but got {unbent_mm} and {unbent_u_mm} mm"
        )
    if not overtravel_mm > 0:
        raise StatisticsError(f"an overtravel must be above 0, but got {overtravel_mm} mm")


def _relative_parts(old: Stylus, new: Stylus, shared_modulus: bool) -> dict[str, float]:
    """Relative standard uncertainty of the factor from each input."""
    parts: dict[str, float] = {}
    for which, stem in (("old", old), ("new", new)):
        parts[f"{which} length"] = 2 * stem.length_u_mm / stem.length_mm
        parts[f"{which} stem diameter"] = 4 * stem.stem_diameter_u_mm / stem.stem_diameter_mm
        parts[f"{which} modulus"] = 0.0 if shared_modulus else stem.modulus_u_gpa / stem.modulus_gpa
    return parts


def _bending_limits(
    bending: float, interval_mm: Interval, unbent: float, factor_distance: float
) -> tuple[float, float]:
    """Limits of the bending part, widened on a logarithmic scale by the distance of the factor."""
    low, high = interval_mm.lower - unbent, interval_mm.upper - unbent
    if bending == 0:
        # Where the measured part tends to 0 its limits outweigh the factor.
        return 0.0, high
    lower = bending * np.exp(-np.hypot(np.log(bending / low), factor_distance)) if low > 0 else 0.0
    return float(lower), float(bending * np.exp(np.hypot(np.log(high / bending), factor_distance)))


def _warn_model(factor: float, factor_u: float, figure: Figure, unbent_mm: float | None) -> list[str]:
    found = []
    if max(factor, 1 / factor) > CHECKED_FACTOR * (1 + 1e-9):
        found.append(
            f"The bending part changes by a factor of {factor:.3g}, further than the {CHECKED_FACTOR:g} "
            "up or down that the law was checked for; measure with the new stylus."
        )
    if factor_u > VAGUE_FACTOR_U:
        found.append(
            f"The factor itself is uncertain by {100 * factor_u:.0f} % (standard uncertainty), so the "
            "interval is only rough."
        )
    if figure == "mean" and unbent_mm is None:
        found.append("No part from delay was stated, so all of the mean pre-travel was taken to bend.")
    return found


def _warn_pairs(pair_ratio: float | None, length_ratio: float, figure: Figure) -> list[str]:
    if pair_ratio is None:
        return []
    percent = 100 * pair_error(pair_ratio, length_ratio, figure)
    return [
        f"With contact pairs of the stated ratio {pair_ratio:g} the square law of the length is off by "
        f"{percent:+.1f} %, which is not corrected here."
    ]


def _warn_overtravel(predicted: float, interval: Interval, overtravel_mm: float) -> list[str]:
    if interval.upper <= overtravel_mm:
        return []
    limit = f"exceed the stated overtravel of {overtravel_mm:g} mm"
    if predicted > overtravel_mm:
        return [f"The predicted {predicted:.4g} mm {limit}."]
    return [f"The predicted figure may {limit}: its interval goes up to {interval.upper:.4g} mm."]
