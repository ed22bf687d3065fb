"""The page on a test on a reference sphere: form error, centre, deviations by elevation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from probetest.jobs.spherical import FEWEST_FOR_WAVES, MEASURED, Spherical, pattern_words
from probetest.report.blocks import Column, Facts, Note, Picture, Table, picture_from_figure
from probetest.report.numbers import UM_PER_MM, UNKNOWN, decimals_for, number, p_value, p_words, um, um_span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.intervals import sd_interval, t_factor
from probetest.statistics.lobing import Harmonic
from probetest.statistics.sphere import ElevationRing, SphereTest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

FORM_RISK = 0.05
"""Form error less likely than this by scatter alone is said to stand out."""

WAVES = 6
"""Highest order of the table of rings; all orders are in result.json."""

RINGS_A_PANEL, MOST_PANELS = 4, 3
"""Rings drawn over each other, and panels of a figure; the others are in the table."""

WIDEST_GAP_DEG = 60.0
"""Over a wider gap between points no line is drawn."""

_LOOKS = tuple(zip(PALETTE.series, ("o", "s", "^", "D"), ("-", "--", "-.", ":"), strict=True))


def sphere_note(found: Spherical) -> Note | None:
    """What the test is and is not, or why there is none; None where no sphere was touched."""
    if found.test is None:
        if not found.reason:
            return None
        return Note("info", "No test on the sphere", f"{found.reason[:1].upper()}{found.reason[1:]}.")
    return Note(
        "info",
        "What this is a test of",
        f"A system test: {MEASURED}, each with its own errors, are in every figure of this page together. It "
        "is not a test “according to” any standard, the pattern of 25 points included. Axial pre-travel "
        "can't be told from the height of the centre: a trigger that comes earlier from above, in proportion "
        "to the sine of the elevation, and a sphere that stands higher give the same positions. The fitted "
        "centre takes up that part, and the form error is then less than the range of the pre-travel.",
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
            (
                "Largest less smallest radius",
                f"{um(test.form_mm)} µm over n = {test.touches} touches; {um(test.form_means_mm)} µm over "
                f"the means of {test.points} points",
            ),
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
        caption=f"Touches on a reference sphere: {MEASURED}",
    )


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _touches(found: Spherical, test: SphereTest) -> str:
    words = f"n = {test.touches}, stage {found.stage} at {found.orientation_deg:.4g}°"
    without = found.approaches - test.touches
    if without:
        words += f"; {without} of {found.approaches} approaches ended without a valid trigger"
    return words


def _scatter_form(found: Spherical, test: SphereTest) -> str:
    form = test.scatter_form
    if form is None:
        return f"not given: {found.scatter_reason}"
    shown = "stands out of the scatter" if form.p_value < FORM_RISK else "does not stand out of the scatter"
    return (
        f"{um(form.expected_mm)} µm expected, 95 % below {um(form.upper_mm)} µm; of the means "
        f"{um(form.means_expected_mm)} µm, 95 % below {um(form.means_upper_mm)} µm: the form error of the "
        f"means {shown} ({p_words(form.p_value)})"
    )


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
    return f"{number(value, min(decimals, 5))} ± {number(half, min(decimals, 5))}"


def _axial(found: Spherical, test: SphereTest) -> str:
    if test.axial is None:
        return f"not given: {found.axial_reason}"
    return f"{um(test.axial.value_mm)} ± {um(test.axial.expanded_mm)} µm (95 %), the height as stated"


def rings_table(found: Spherical) -> Table | None:
    """Each elevation: touches, mean deviation, range and waves; None without a test."""
    test = found.test
    if test is None:
        return None
    highest = min(WAVES, max((wave.order for ring in test.rings for wave in _waves(ring)), default=0))
    orders = range(1, highest + 1)
    return Table(
        columns=(
            Column("Elevation, °", "right"),
            Column("Points", "right"),
            Column("n", "right"),
            Column("Mean, µm", "right"),
            Column("u, µm", "right"),
            Column("Range, µm", "right"),
            *(Column(f"{order}", "right", "1fr") for order in orders),
        ),
        rows=tuple(
            (
                number(ring.elevation_deg, 1),
                str(len(ring.azimuth_deg)),
                str(ring.n),
                um(ring.mean_mm, 2, sign=True),
                um(ring.mean_u_mm, 2),
                um(ring.range_mm, 2) if len(ring.azimuth_deg) > 1 else UNKNOWN,
                *(_amplitude(ring, order) for order in orders),
            )
            for ring in test.rings
        ),
        caption="Each elevation",
        note="Elevation is that of the motion: 0 horizontal, −90 straight down. Mean and range are of the "
        "point means, from the one fitted sphere, + for a later trigger; u: standard uncertainty of the mean "
        "from scatter." + _waves_note(found, highest),
    )


def _waves_note(found: Spherical, highest: int) -> str:
    if found.scatter_reason:
        return f" No u and no waves: {found.scatter_reason}."
    few = f"{FEWEST_FOR_WAVES} points, spread evenly enough"
    if not highest:
        return f" No waves: no elevation has {few}."
    return (
        f" 1 to {highest}: amplitudes of the waves around the turn, µm, with their p in brackets: the chance "
        "of so large an amplitude by scatter alone. 1 is what the one centre leaves. Waves need at least "
        f"{few}."
    )


def _waves(ring: ElevationRing) -> tuple[Harmonic, ...]:
    if ring.first is None or ring.harmonics is None:
        return ()
    return (ring.first, *ring.harmonics.harmonics)


def _amplitude(ring: ElevationRing, order: int) -> str:
    wave = next((one for one in _waves(ring) if one.order == order), None)
    return UNKNOWN if wave is None else f"{um(wave.amplitude_mm, 1)} ({p_value(wave.p_value)})"


def rings_figure(found: Spherical) -> Picture | None:
    """Deviations from the fitted sphere by azimuth, one marker and line for each elevation."""
    test = found.test
    if test is None:
        return None
    turning = [ring for ring in test.rings if len(ring.azimuth_deg) > 1]
    fixed = [ring for ring in test.rings if len(ring.azimuth_deg) == 1]
    turning = turning[::-1]
    groups = [turning[at : at + RINGS_A_PANEL] for at in range(0, len(turning), RINGS_A_PANEL)][:MOST_PANELS]
    with report_style():
        figure = new_figure(170, 12 + 58 * len(groups))
        panels = figure.subplots(len(groups), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for axes, group in zip(panels, groups, strict=True):
            _panel(axes, found, test, group, fixed)
        panels[-1].set_xlabel("direction of motion (azimuth), °")
    return picture_from_figure(
        figure,
        caption=f"Deviations from the fitted sphere by direction and elevation of the motion: {MEASURED}. "
        f"Larger is a later trigger. Markers: means of a point{_bars(found)}; small dots: touches. "
        f"Lines join points not more than {WIDEST_GAP_DEG:.0f}° apart, and are no fit.",
        alt=f"Deviations of n = {test.touches} touches at {test.points} points of a sphere, at elevations "
        + ", ".join(f"{number(ring.elevation_deg, 1)}° (n = {ring.n})" for ring in test.rings)
        + f"; {um(float(test.reading_mm.min()))} to {um(float(test.reading_mm.max()))} µm.",
    )


def _bars(found: Spherical) -> str:
    return "" if found.scatter_reason else " with 95 % intervals from scatter"


def _panel(
    axes: Axes, found: Spherical, test: SphereTest, group: list[ElevationRing], fixed: list[ElevationRing]
) -> None:
    axes.axhline(0, color=PALETTE.hairline, lw=0.6, zorder=0)
    for ring, (colour, marker, line) in zip(group, _LOOKS, strict=False):
        _draw_ring(axes, found, test, ring, (colour, marker, line))
    for ring in fixed:
        axes.axhline(
            UM_PER_MM * ring.mean_mm, color=PALETTE.ink, lw=0.9, ls=(0, (1, 1.5)), zorder=1,
            label=f"{_named(ring)}: {um(ring.mean_mm, 1, sign=True)} µm",
        )  # fmt: skip
    axes.set_xlim(-6, 366)
    axes.set_xticks(np.arange(0, 361, 45))
    axes.set_ylabel("later than the\nfitted sphere, µm")
    axes.margins(y=0.08)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3)


def _draw_ring(
    axes: Any, found: Spherical, test: SphereTest, ring: ElevationRing, look: tuple[str, str, str]
) -> None:
    colour, marker, line = look
    azimuth, means = np.array(ring.azimuth_deg), UM_PER_MM * np.array(ring.reading_mm)
    rows = found.rows
    off = rows["elevation_deg"].to_numpy()[:, None] - [one.elevation_deg for one in test.rings]
    mine = np.abs(off).argmin(axis=1) == test.rings.index(ring)
    if test.touches > test.points:
        axes.plot(
            np.mod(rows["azimuth_deg"].to_numpy()[mine], 360.0), UM_PER_MM * test.reading_mm[mine], ".",
            ms=1.6, color=colour, alpha=0.6, zorder=1,
        )  # fmt: skip
    half = None
    if math.isfinite(test.scatter_mm):
        half = UM_PER_MM * t_factor(test.scatter_dof) * test.scatter_mm / np.sqrt(ring.counts)
    axes.errorbar(
        azimuth,
        means,
        yerr=half,
        fmt=marker,
        ms=4,
        color=colour,
        elinewidth=0.6,
        zorder=3,
        label=_named(ring),
    )
    _join(axes, azimuth, means, colour, line)


def _join(axes: Any, azimuth: Floats, means: Floats, colour: str, line: str) -> None:
    """Lines between neighbours that lie close enough, around the turn."""
    order = np.argsort(azimuth)
    turn = np.concatenate([azimuth[order][-1:] - 360.0, azimuth[order], azimuth[order][:1] + 360.0])
    height = np.concatenate([means[order][-1:], means[order], means[order][:1]])
    cuts = np.flatnonzero(np.diff(turn) > WIDEST_GAP_DEG) + 1
    for x, y in zip(np.split(turn, cuts), np.split(height, cuts), strict=True):
        axes.plot(x, y, color=colour, ls=line, lw=0.9, zorder=2)


def _named(ring: ElevationRing) -> str:
    where = "straight down" if ring.elevation_deg < -89.5 else f"elevation {number(ring.elevation_deg, 1)}°"
    return f"{where} (n = {ring.n})"
