"""The page on a test on a reference sphere: form error, centre, deviations by elevation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.spherical import FEWEST_FOR_WAVES, MEASURED, Spherical, pattern_words
from probetest.report.blocks import Column, Facts, Note, Picture, Table, picture_from_figure
from probetest.report.numbers import UM_PER_MM, UNKNOWN, decimals_for, number, p_value, p_words, um, um_span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.intervals import sd_interval, t_factor
from probetest.statistics.lobing import Harmonic
from probetest.statistics.sphere import RING_GAP_DEG, ElevationRing, SphereTest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

FORM_RISK = 0.05
"""Form error less likely than this by scatter alone is said to stand out."""

MOST_ORDERS = 6
"""Highest order of the waves in the table."""

MOST_RINGS, BAND_DEG = 8, 22.5
"""With more elevations a figure takes those together that lie in one band of this height."""

FEW_POINTS = 12
"""Of so few points four elevations are drawn over each other, of more two."""

WIDEST_GAP_DEG = 60.0
"""Over a wider gap between points no line is drawn."""

BESIDE_DEG = 2.5
"""Single touches are drawn this far from the mean of their point."""

_LOOKS = tuple(zip(PALETTE.series, ("o", "s", "^", "D"), ("-", "--", "-.", ":"), strict=True))


def sphere_note(found: Spherical) -> Note | None:
    """What the test is and is not, or why there is none; None where no sphere was touched."""
    if found.test is None:
        if not found.reason:
            return None
        return Note(
            "info",
            "The touches on the sphere are no sphere test",
            f"{found.reason[:1].upper()}{found.reason[1:]}.",
        )
    return Note(
        "info",
        "What is tested on the sphere",
        f"A system test: {MEASURED}, each with its own errors, are in every figure from these touches "
        "together. It is not a test “according to” any standard, the pattern of 25 points included. Axial "
        "pre-travel can't be told from the height of the centre: a trigger that comes earlier from above, in "
        "proportion to the sine of the elevation, and a sphere that stands higher give the same positions. "
        "The fitted centre takes up that part, and the form error is then less than the range of the "
        "pre-travel.",
    )


def sphere_facts(found: Spherical) -> Facts | None:
    """Form error with what scatter makes of it, centre, radius, scatter; None without a test."""
    test = found.test
    if test is None:
        return None
    return Facts(
        (
            ("Touches", _touches(found, test)),
            ("Points", _capital(pattern_words(found))),
            ("Largest less smallest radius", _form(test)),
            ("The same by scatter alone", _scatter_form(found, test)),
            (
                "Latest and earliest trigger",
                f"{_touch(found, -1)}, {um(float(test.reading_mm.max()), sign=True)} µm; "
                f"{_touch(found, 0)}, {um(float(test.reading_mm.min()), sign=True)} µm",
            ),
            ("Scatter of one touch, along the normal", _scatter(found, test)),
            (
                "Centre, mm",
                ", ".join(f"{axis} {_fitted(test, place)}" for place, axis in enumerate("XYZ"))
                + f" (95 %, {test.fit_dof:.4g} dof)",
            ),
            (
                "Radius of the ball centres, mm",
                f"{_fitted(test, 3)} (95 %, {test.fit_dof:.4g} dof); half of sphere and ball together, less "
                "mean pre-travel",
            ),
            ("Horizontal less axial pre-travel", _axial(found, test)),
        ),
        caption=f"Figures of {MEASURED}",
    )


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _touches(found: Spherical, test: SphereTest) -> str:
    words = f"n = {test.touches}, stage {found.stage} at {found.orientation_deg:.4g}°"
    without = found.approaches - test.touches
    if without:
        words += f"; {without} of {found.approaches} approaches ended without a valid trigger"
    return words


def _form(test: SphereTest) -> str:
    words = f"{um(test.form_mm)} µm over n = {test.touches} touches"
    if test.touches == test.points:
        return words
    return f"{words}; {um(test.form_means_mm)} µm over the means of {test.points} points"


def _scatter_form(found: Spherical, test: SphereTest) -> str:
    form = test.scatter_form
    if form is None:
        return f"not given: {found.scatter_reason}"
    words = f"{um(form.expected_mm)} µm expected, 95 % below {um(form.upper_mm)} µm"
    if test.touches > test.points:
        words += (
            f"; of the means {um(form.means_expected_mm)} µm, 95 % below {um(form.means_upper_mm)} µm. The "
            "form error of the means"
        )
    else:
        words += ". The form error"
    shown = "stands out of the scatter" if form.p_value < FORM_RISK else "does not stand out of the scatter"
    return f"{words} {shown} ({p_words(form.p_value)})"


def _touch(found: Spherical, place: int) -> str:
    row = found.row(place)
    place_words = f"azimuth {row['azimuth_deg']:.4g}°, elevation {number(row['elevation_deg'], 1)}°"
    return f"touch {row['touch']} ({place_words})"


def _scatter(found: Spherical, test: SphereTest) -> str:
    if found.scatter_reason:
        return f"not given: {found.scatter_reason}"
    interval = sd_interval(test.scatter_mm, test.scatter_dof)
    return (
        f"sd {um(test.scatter_mm, 2)} µm ({um_span(interval, 2)} µm, 95 %), {test.scatter_dof:.4g} dof, from "
        f"{found.scatter_basis}"
    )


def _fitted(test: SphereTest, place: int) -> str:
    value, half = (*test.centre_mm, test.radius_mm)[place], test.interval_mm[place].half_width
    decimals = 3 + decimals_for(UM_PER_MM * half) if half > 0 else 4
    return f"{number(value, min(decimals, 5))}\u00a0±\u00a0{number(half, min(decimals, 5))}"


def _axial(found: Spherical, test: SphereTest) -> str:
    if test.axial is None:
        return f"not given: {found.axial_reason}"
    return f"{um(test.axial.value_mm)} ± {um(test.axial.expanded_mm)} µm (95 %), the height as stated"


def rings_table(found: Spherical) -> Table | None:
    """Each elevation: points, touches, mean deviation and range; None without a test."""
    test = found.test
    if test is None:
        return None
    without = f" No u: {found.scatter_reason}." if found.scatter_reason else ""
    return Table(
        columns=(
            Column("Elevation, °", "right"),
            Column("Points", "right"),
            Column("n", "right"),
            Column("Mean, µm", "right"),
            Column("u of the mean, µm", "right"),
            Column("Range of the points, µm", "right"),
        ),
        rows=tuple(
            (
                number(ring.elevation_deg, 1),
                str(len(ring.azimuth_deg)),
                str(ring.n),
                um(ring.mean_mm, 2, sign=True),
                um(ring.mean_u_mm, 2),
                um(ring.range_mm, 2) if len(ring.azimuth_deg) > 1 else UNKNOWN,
            )
            for ring in test.rings
        ),
        caption="Each elevation",
        note="Elevation is that of the motion: 0 horizontal, −90 straight down. Mean and range are of the "
        "point means, counted from the one fitted sphere, + for a later trigger; u: standard uncertainty "
        f"from scatter.{without}",
    )


def waves_table(found: Spherical) -> Table | None:
    """Waves around the turn at each elevation; None without a test, or where no elevation shows any."""
    if found.test is None:
        return None
    waving = [ring for ring in found.test.rings if _waves(ring)]
    if not waving:
        return None
    found_up_to = max(wave.order for ring in waving for wave in _waves(ring))
    highest = min(found_up_to, MOST_ORDERS)
    more = f" Orders up to {found_up_to} are in result.json." if found_up_to > highest else ""
    rows = []
    for ring in waving:
        waves = {wave.order: wave for wave in _waves(ring)}
        cells = [waves.get(order) for order in range(1, highest + 1)]
        name = number(ring.elevation_deg, 1)
        rows += [
            (name, "amplitude, µm", *(UNKNOWN if one is None else um(one.amplitude_mm, 2) for one in cells)),
            ("", "u, µm", *(UNKNOWN if one is None else um(one.u_mm, 2) for one in cells)),
            ("", "p", *(UNKNOWN if one is None else p_value(one.p_value) for one in cells)),
        ]
    return Table(
        columns=(
            Column("Elevation, °", "right"),
            Column("Order", "left"),
            *(Column(str(order), "right", "1fr") for order in range(1, highest + 1)),
        ),
        rows=tuple(rows),
        caption="Waves around the turn at each elevation",
        note="u: standard error; p: chance of so large an amplitude by scatter alone. Order 1 is what the "
        f"one centre leaves. Elevations of fewer than {FEWEST_FOR_WAVES} points, or of too uneven ones, show "
        f"no waves. n = {sum(ring.n for ring in waving)} touches.{more}",
    )


def _waves(ring: ElevationRing) -> tuple[Harmonic, ...]:
    if ring.first is None or ring.harmonics is None:
        return ()
    return (ring.first, *ring.harmonics.harmonics)


@dataclass(frozen=True, slots=True)
class _Band:
    """Points drawn with one marker; ``touched``: which touches are theirs."""

    name: str
    azimuth_deg: Floats
    mean_um: Floats
    counts: NDArray[np.intp]
    touched: NDArray[np.bool_]
    at_pole: bool


def _bands(found: Spherical, test: SphereTest) -> list[_Band]:
    """The rings from the horizontal one down, or bands of them where there are many."""
    elevation = np.array([ring.elevation_deg for ring in test.rings])
    ring_of = np.abs(found.rows["elevation_deg"].to_numpy()[:, None] - elevation).argmin(axis=1)
    band = np.arange(len(elevation))
    if len(elevation) > MOST_RINGS:
        band = np.unique(np.round(elevation / BAND_DEG), return_inverse=True)[1]
    return [_band(test, np.flatnonzero(band == one), ring_of) for one in range(int(band.max()), -1, -1)]


def _band(test: SphereTest, places: NDArray[np.intp], ring_of: NDArray[np.intp]) -> _Band:
    rings = [test.rings[place] for place in places]
    ends = [number(ring.elevation_deg, 1) for ring in (rings[0], rings[-1])]
    at_pole = rings[-1].elevation_deg <= RING_GAP_DEG - 90.0
    where = "straight down" if at_pole else f"elevation {' to '.join(dict.fromkeys(ends))}°"
    azimuth, readings, counts = (
        np.concatenate([getattr(ring, name) for ring in rings])
        for name in ("azimuth_deg", "reading_mm", "counts")
    )
    name = f"{where} (n = {counts.sum()})"
    return _Band(name, azimuth, UM_PER_MM * readings, counts, np.isin(ring_of, places), at_pole)


def rings_figure(found: Spherical) -> Picture | None:
    """Deviations from the fitted sphere by azimuth, one marker and line for each elevation."""
    test = found.test
    if test is None:
        return None
    bands = _bands(found, test)
    turning = [band for band in bands if not band.at_pole]
    size = 4 if max(len(band.azimuth_deg) for band in turning) <= FEW_POINTS else 2
    groups = [turning[at : at + size] for at in range(0, len(turning), size)]
    with report_style():
        figure = new_figure(170, 22 + 46 * len(groups))
        panels = figure.subplots(len(groups), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for axes, group in zip(panels, groups, strict=True):
            _panel(axes, found, test, group, [band for band in bands if band.at_pole])
        panels[-1].set_xlabel("direction of motion (azimuth), °")
    return picture_from_figure(
        figure,
        caption=f"Deviations from the fitted sphere by direction and elevation of the motion: {MEASURED}. "
        f"Larger is a later trigger. {_marks(found, test)}. "
        f"Lines join points not more than {WIDEST_GAP_DEG:.0f}° apart, and are no fit.",
        alt=f"Deviations of n = {test.touches} touches at {test.points} points of a sphere, "
        + ", ".join(band.name for band in bands)
        + f"; {um(float(test.reading_mm.min()))} to {um(float(test.reading_mm.max()))} µm.",
    )


def _marks(found: Spherical, test: SphereTest) -> str:
    repeated = test.touches > test.points
    words = "Markers: the mean of each point" if repeated else "Markers: the touch of each point"
    words += "" if found.scatter_reason else " with its 95 % interval from scatter"
    return f"{words}; small dots beside it: its touches" if repeated else words


def _panel(axes: Axes, found: Spherical, test: SphereTest, group: list[_Band], pole: list[_Band]) -> None:
    axes.axhline(0, color=PALETTE.hairline, lw=0.6, zorder=0)
    handles = [_draw_band(axes, found, test, band, look) for band, look in zip(group, _LOOKS, strict=False)]
    for band in pole:
        height = float(np.average(band.mean_um, weights=band.counts))
        words = f"{band.name}: {number(height, 1, sign=True)} µm"
        handles.append(
            axes.axhline(height, color=PALETTE.ink, lw=0.9, ls=(0, (1, 1.5)), zorder=1, label=words)
        )
    axes.set_xlim(-6, 366)
    axes.set_xticks(np.arange(0, 361, 45))
    axes.set_ylabel("later than the\nfitted sphere, µm")
    axes.margins(y=0.08)
    axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, handlelength=3.2)


def _draw_band(axes: Any, found: Spherical, test: SphereTest, band: _Band, look: tuple[str, str, str]) -> Any:
    """One band; what stands for it in the legend."""
    from matplotlib.lines import Line2D

    colour, marker, line = look
    if test.touches > test.points:
        turn = np.mod(found.rows["azimuth_deg"].to_numpy()[band.touched], 360.0) + BESIDE_DEG
        axes.plot(turn, UM_PER_MM * test.reading_mm[band.touched], ".", ms=2.0, color=colour, zorder=1)
    half = None
    if math.isfinite(test.scatter_mm):
        half = UM_PER_MM * t_factor(test.scatter_dof) * test.scatter_mm / np.sqrt(band.counts)
    mark: dict[str, Any] = {"marker": marker, "ms": 4, "mec": PALETTE.ink, "mew": 0.4, "color": colour}
    axes.errorbar(
        band.azimuth_deg, band.mean_um, yerr=half, ls="none", elinewidth=0.7, zorder=3, ecolor=colour, **mark
    )
    joined = _join(axes, band.azimuth_deg, band.mean_um, colour, line)
    return Line2D([], [], ls=line if joined else "none", lw=0.9, label=band.name, **mark)


def _join(axes: Any, azimuth: Floats, means: Floats, colour: str, line: str) -> bool:
    """Lines between neighbours that lie close enough, around the turn; whether there are any."""
    order = np.argsort(azimuth)
    turn = np.concatenate([azimuth[order][-1:] - 360.0, azimuth[order], azimuth[order][:1] + 360.0])
    height = np.concatenate([means[order][-1:], means[order], means[order][:1]])
    cuts = np.flatnonzero(np.diff(turn) > WIDEST_GAP_DEG) + 1
    for x, y in zip(np.split(turn, cuts), np.split(height, cuts), strict=True):
        axes.plot(x, y, color=colour, ls=line, lw=0.9, zorder=2)
    return len(cuts) < len(turn) - 1
