"""What is touched to set a work offset, with which probe, on which machine."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from probetest.errors import StatisticsError
from probetest.statistics.approach import unit_vectors

Floats = NDArray[np.float64]

FEWEST_GRID_POINTS = 12
"""Fewest points of a pre-travel curve over the turn."""

ROUND_TOUCHES = 3
"""From this number of touches on a centre is that of a circle; with two it is that of a web or pocket."""


@dataclass(frozen=True, slots=True)
class ProbeCurve:
    """What a test says about a probe.

    Attributes
    ----------
    draws_mm : numpy.ndarray, shape (draws, grid), mm
        Equally likely pre-travel curves at orientation 0, larger is later, at approach azimuths
        k * 360 / grid. One row: the curve is taken as known. Linear between the points. A first
        harmonic is taken as given; a test that fitted its own centre has none. A few hundred draws are
        enough: with a random orientation, time and memory grow with them (1000: 0.5 s, 0.2 GB).
    sd_mm : float
        Standard deviation of one touch.
    dof : float
        Its degrees of freedom, > 2; infinite where it is taken as known.
    mean_known : bool
        Whether the mean of the curve is known. A test without a calibrated artefact can't tell it;
        the means of the curves are then left out.
    runout_mm : float
        Distance of the ball from the spindle axis.
    runout_azimuth_deg : float or None
        Azimuth of the ball from the axis at orientation 0; None: unknown, all equally likely.
    z_pretravel_mm : float
        What a touch along Z reads too far: axial bending and feed times latency.
    z_sd_mm : float or None
        Standard deviation of one touch along Z; None: ``sd_mm``.
    """

    draws_mm: Floats
    sd_mm: float
    dof: float = float("inf")
    mean_known: bool = True
    runout_mm: float = 0.0
    runout_azimuth_deg: float | None = None
    z_pretravel_mm: float = 0.0
    z_sd_mm: float | None = None

    def __post_init__(self) -> None:
        shape = np.shape(self.draws_mm)
        if len(shape) != 2 or shape[0] < 1 or shape[1] < FEWEST_GRID_POINTS:
            raise StatisticsError(
                f"a pre-travel curve needs the shape (draws, grid) with at least {FEWEST_GRID_POINTS} points "
                f"over the turn, but got {shape}"
            )
        if not np.isfinite(self.draws_mm).all():
            raise StatisticsError("a pre-travel curve must be finite at each azimuth")
        _check_not_negative("sd_mm", self.sd_mm)
        _check_not_negative("runout_mm", self.runout_mm)
        _check_not_negative("z_sd_mm", self.sd_mm if self.z_sd_mm is None else self.z_sd_mm)
        _check_finite("z_pretravel_mm", self.z_pretravel_mm)
        _check_finite("runout_azimuth_deg", self.runout_azimuth_deg or 0.0)
        if not self.dof > 2:
            raise StatisticsError(
                f"the mean square error has no value unless the scatter has more than 2 degrees of freedom, "
                f"but got {self.dof}"
            )


@dataclass(frozen=True, slots=True)
class Shop:
    """The machine, and how it is used.

    Attributes
    ----------
    reversal_mm : tuple of float
        Reversal value of X and Y.
    step_mm : float
        Step in which a trigger position is read.
    orientation : str
        "fixed": the spindle stands at its mark for each touch. "random": anywhere in the turn, anew
        for each setup, the same for all touches of one cycle.
    orientation_sd_deg : float
        Scatter with which the spindle comes to an angle, anew each time that it is turned.
    repeats : int
        Touches averaged for each approach.
    calibration : str
        "none". "radius": the mean over-travel in a ring or on a sphere, found on this machine at the
        mark, is taken off each touch. "per_direction": each direction of approach has its own
        correction, found on this machine at the mark.
    calibration_touches, calibration_start_deg : int, float
        Evenly spread touches of the "radius" calibration and the direction of motion of the first.
    calibration_repeats : int
        Touches averaged for each direction of a calibration.
    reference_u_mm : float
        Standard uncertainty of the radius of the ring or sphere.
    reference_centre_u_mm : float
        Standard uncertainty of its centre along X and along Y, for "per_direction". 0: its place is
        known otherwise than by this probe.
    return_one_way : bool
        Whether later moves come to the found offset so that reversal adds nothing. Otherwise they
        come from either side, +-half the reversal value.
    """

    reversal_mm: tuple[float, float] = (0.0, 0.0)
    step_mm: float = 0.0
    orientation: Literal["fixed", "random"] = "fixed"
    orientation_sd_deg: float = 0.0
    repeats: int = 1
    calibration: Literal["none", "radius", "per_direction"] = "none"
    calibration_touches: int = 4
    calibration_start_deg: float = 0.0
    calibration_repeats: int = 1
    reference_u_mm: float = 0.0
    reference_centre_u_mm: float = 0.0
    return_one_way: bool = False

    def __post_init__(self) -> None:
        for name in ("step_mm", "orientation_sd_deg", "reference_u_mm", "reference_centre_u_mm"):
            _check_not_negative(name, getattr(self, name))
        for value in self.reversal_mm:
            _check_finite("reversal_mm", value)
        _check_finite("calibration_start_deg", self.calibration_start_deg)
        if self.orientation not in ("fixed", "random"):
            raise StatisticsError(f'orientation must be "fixed" or "random", but got {self.orientation!r}')
        if self.calibration not in ("none", "radius", "per_direction"):
            raise StatisticsError(
                f'calibration must be "none", "radius" or "per_direction", but got {self.calibration!r}'
            )
        if min(self.repeats, self.calibration_repeats) < 1:
            raise StatisticsError("each approach needs at least one touch")
        if self.calibration_touches < ROUND_TOUCHES:
            raise StatisticsError(
                f"an effective radius needs at least {ROUND_TOUCHES} directions, "
                f"but got {self.calibration_touches}"
            )


@dataclass(frozen=True, slots=True)
class Feature:
    """What is measured; made by `edge`, `web_centre`, `bore_centre` and the like.

    Attributes
    ----------
    name : str
    kind : str
        "edge", "centre", "size", "corner" or "height".
    azimuth_deg : tuple of float
        Direction of motion of each touch.
    inward : bool
        Whether the touches go towards the middle (web, boss) and not away from it (pocket, bore).
    same_side : bool
        Whether the spindle is turned by 180 deg before the second half of the touches, so that
        opposite touches meet the same side of the probe.
    """

    name: str
    kind: Literal["edge", "centre", "size", "corner", "height"]
    azimuth_deg: tuple[float, ...]
    inward: bool = False
    same_side: bool = False

    def __post_init__(self) -> None:
        touches, needed = len(self.azimuth_deg), {"edge": 1, "height": 1, "corner": 2}.get(self.kind)
        if not np.isfinite(self.azimuth_deg).all():
            raise StatisticsError(f"{self.name}: each touch needs a direction of motion")
        if touches != needed if needed else touches < 2:
            raise StatisticsError(
                f"{self.name}: a feature of kind {self.kind} can't be made of {touches} touches"
            )
        if self.same_side and not self.can_be_same_side:
            raise StatisticsError(f"{self.name}: a same-side touch needs pairs of opposite touches")

    @property
    def is_round(self) -> bool:
        """Whether it is a bore or a boss."""
        return self.kind in ("centre", "size") and len(self.azimuth_deg) >= ROUND_TOUCHES

    @property
    def can_be_same_side(self) -> bool:
        """Whether the second half of the touches goes against the first half."""
        half = len(self.azimuth_deg) // 2
        if self.kind not in ("centre", "size") or len(self.azimuth_deg) % 2:
            return False
        apart = np.subtract(self.azimuth_deg[half:], self.azimuth_deg[:half])
        return bool(np.allclose(np.mod(apart, 360.0), 180.0, rtol=0, atol=1e-6))


@dataclass(frozen=True, slots=True)
class Cycle:
    """A feature as a weighted sum of the over-travel of its touches.

    Attributes
    ----------
    azimuth_deg : numpy.ndarray, shape (touches,), deg
    weights : numpy.ndarray, shape (components, touches)
        Error of each component, mm for a mm of over-travel along the motion.
    turned : numpy.ndarray of int, shape (touches,)
        1 where the spindle is turned by 180 deg, else 0.
    axes : numpy.ndarray, shape (components, 2)
        How much of each component a shift of X and of Y is; 0 for sizes and heights.
    axial : bool
        Whether the touches are along Z, so that nothing sideways counts.
    components : tuple of str
        Name of each component.
    """

    azimuth_deg: Floats
    weights: Floats
    turned: NDArray[np.intp]
    axes: Floats
    axial: bool
    components: tuple[str, ...]


def cycle_of(feature: Feature) -> Cycle:
    """Weights of the touches of a feature.

    Notes
    -----
    A touch puts the surface off by its over-travel tau along the motion u. A circle is the
    least-squares one, linear in the small errors tau u; for n evenly spread touches its centre is
    (2/n) sum(tau u) and its radius is off by the mean of tau (bore) or less it (boss). A corner is the
    point where both edges meet.

    Raises
    ------
    StatisticsError
        If the directions can't give the feature.
    """
    azimuth = np.asarray(feature.azimuth_deg, dtype=float)
    motion = unit_vectors(azimuth)
    touches = len(azimuth)
    weights, axes, components = _weights(feature, motion)
    turned = np.zeros(touches, dtype=np.intp)
    if feature.same_side:
        turned[touches // 2 :] = 1
    return Cycle(azimuth, weights, turned, axes, feature.kind == "height", components)


def _weights(feature: Feature, motion: Floats) -> tuple[Floats, Floats, tuple[str, ...]]:
    """Weights, share of the axes and names of the components."""
    outward = -1.0 if feature.inward else 1.0
    if feature.kind == "height":
        return np.ones((1, 1)), np.zeros((1, 2)), ("z",)
    if feature.kind == "edge":
        return np.ones((1, 1)), motion, ("along the approach",)
    if feature.kind == "corner":
        if abs(np.linalg.det(motion)) < 0.1:
            raise StatisticsError(f"{feature.name}: the two edges of a corner must not be nearly parallel")
        return np.asarray(np.linalg.inv(motion), dtype=np.float64), np.eye(2), ("x", "y")
    if not feature.is_round:
        if np.hypot(*motion.sum(axis=0)) > 1e-6:
            raise StatisticsError(f"{feature.name}: the two touches of a web or pocket must be opposite")
        if feature.kind == "centre":
            return np.array([[0.5, -0.5]]), motion[:1], ("along the first approach",)
        return np.full((1, 2), outward), np.zeros((1, 2)), ("size",)
    design = np.column_stack([np.ones(len(motion)), outward * motion])
    if np.linalg.cond(design) > 1e3:
        raise StatisticsError(
            f"{feature.name}: the directions do not fix a circle; spread them over the turn"
        )
    circle = np.asarray(np.linalg.pinv(design) * outward, dtype=np.float64)
    if feature.kind == "centre":
        return circle[1:], np.eye(2), ("x", "y")
    return 2 * circle[:1], np.zeros((1, 2)), ("size",)


FACES = {0.0: "X+", 90.0: "Y+", 180.0: "X-", 270.0: "Y-"}
"""Names of the four directions of motion along the axes."""


def edge(azimuth_deg: float) -> Feature:
    """A single edge; the error is along the motion, larger is too far."""
    direction = FACES.get(azimuth_deg % 360.0, f"{azimuth_deg:g} deg")
    return Feature(f"edge touched {direction}", "edge", (azimuth_deg,))


def faces() -> tuple[Feature, ...]:
    """The four edges that are touched along X+, X-, Y+, Y-."""
    return tuple(edge(azimuth) for azimuth in (0.0, 180.0, 90.0, 270.0))


def _across(
    what: str, kind: Literal["centre", "size"], azimuth_deg: float, inward: bool, same_side: bool
) -> Feature:
    along = {0.0: "X", 90.0: "Y"}.get(azimuth_deg % 180.0, f"{azimuth_deg:g} deg")
    azimuths = (azimuth_deg, azimuth_deg + 180.0)
    return Feature(f"{what} along {along}" + _how(same_side), kind, azimuths, inward, same_side)


def _round(
    what: str, kind: Literal["centre", "size"], touches: int, start_deg: float, inward: bool, same_side: bool
) -> Feature:
    if touches < ROUND_TOUCHES:
        raise StatisticsError(f"a circle needs at least {ROUND_TOUCHES} touches, but got {touches}")
    azimuths = tuple(start_deg + 360.0 * touch / touches for touch in range(touches))
    return Feature(f"{what}, {touches} touches" + _how(same_side), kind, azimuths, inward, same_side)


def _how(same_side: bool) -> str:
    return ", same side" if same_side else ""


def web_centre(azimuth_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Middle of a web by two opposite touches, the first moving to ``azimuth_deg``."""
    return _across("web centre", "centre", azimuth_deg, True, same_side)


def pocket_centre(azimuth_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Middle of a pocket by two opposite touches."""
    return _across("pocket centre", "centre", azimuth_deg, False, same_side)


def web_width(azimuth_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Width of a web."""
    return _across("web width", "size", azimuth_deg, True, same_side)


def pocket_width(azimuth_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Width of a pocket."""
    return _across("pocket width", "size", azimuth_deg, False, same_side)


def bore_centre(touches: int = 4, start_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Centre of a bore by evenly spread touches, the first moving to ``start_deg``."""
    return _round("bore centre", "centre", touches, start_deg, False, same_side)


def boss_centre(touches: int = 4, start_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Centre of a boss by evenly spread touches, the first moving to ``start_deg``."""
    return _round("boss centre", "centre", touches, start_deg, True, same_side)


def bore_diameter(touches: int = 4, start_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Diameter of a bore."""
    return _round("bore diameter", "size", touches, start_deg, False, same_side)


def boss_diameter(touches: int = 4, start_deg: float = 0.0, *, same_side: bool = False) -> Feature:
    """Diameter of a boss."""
    return _round("boss diameter", "size", touches, start_deg, True, same_side)


def corner(first_deg: float = 0.0, second_deg: float = 90.0) -> Feature:
    """A corner of two edges, each touched once."""
    return Feature("corner", "corner", (first_deg, second_deg))


def height() -> Feature:
    """A face touched along Z."""
    return Feature("height", "height", (0.0,))


def with_more_touches(feature: Feature, touches: int) -> Feature | None:
    """The same circle by at least so many touches; None for what is no circle, or has no pairs then."""
    if not feature.is_round:
        return None
    if len(feature.azimuth_deg) >= touches:
        return feature
    if feature.same_side and touches % 2:
        return None
    azimuths = tuple(feature.azimuth_deg[0] + 360.0 * touch / touches for touch in range(touches))
    return replace(feature, name=f"{feature.name} (now {touches})", azimuth_deg=azimuths)


def _check_not_negative(name: str, value: float) -> None:
    if not 0 <= value < float("inf"):
        raise StatisticsError(f"{name} must be 0 or more, but got {value}")


def _check_finite(name: str, value: float) -> None:
    if not np.isfinite(value):
        raise StatisticsError(f"{name} must be a number, but got {value}")
