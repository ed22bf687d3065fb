"""The figures of an acceptance report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from probetest.jobs.qualify import Qualification
from probetest.jobs.separating import MIXED
from probetest.report.blocks import Picture, picture_from_figure
from probetest.report.numbers import UM_PER_MM
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.approach import unit_vectors
from probetest.statistics.intervals import t_factor
from probetest.statistics.repeatability import RESOLVED_SHARE
from probetest.statistics.seat import seat_shape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

MOST_BARS = 400

WIDE_MM = (16.0, 3.0, 10.0, 7.0)
"""Room for the labels of a figure as wide as the text, with its legend above."""

WIDEST_GAP_DEG = 60.0
"""Over a wider gap between directions no band is drawn."""


def pretravel_curve(found: Qualification) -> Picture:
    """Pre-travel by direction: means with interval band, fitted shape, arms."""
    analysis = found.analysis
    azimuth = analysis.readings.azimuth_deg
    known = found.zero_mm is not None
    base = found.zero_mm if found.zero_mm is not None else float(analysis.mean_mm.mean())
    means = UM_PER_MM * (analysis.mean_mm - base)
    half = UM_PER_MM * t_factor(analysis.repeatability.dof) * analysis.noise_mm / np.sqrt(analysis.counts)
    with report_style():
        figure = new_figure(80, 80, (16, 16, 16, 12))
        axes = figure.add_subplot(projection="polar")
        floor, top = _radial_range(axes, means - half, means + half, from_zero=known)
        if len(azimuth) >= 3 and np.diff(azimuth, append=azimuth[0] + 360.0).max() <= WIDEST_GAP_DEG:
            _band(axes, azimuth, means, half, floor)
        axes.errorbar(
            np.deg2rad(azimuth), means, yerr=half, fmt="o", ms=2.6, color=PALETTE.blue, elinewidth=0.6,
            label="mean of a direction, 95 %",
        )  # fmt: skip
        handles, names = axes.get_legend_handles_labels()
        apart = found.separated.known
        if apart is not None and apart.probe is not None:
            turned = np.append(apart.probe.azimuth_deg, apart.probe.azimuth_deg[0] + 360.0)
            own = np.append(apart.probe.mean_mm, apart.probe.mean_mm[0]) + analysis.mean_mm.mean() - base
            (line,) = axes.plot(
                np.deg2rad(turned + found.series.orientation_deg),
                UM_PER_MM * own,
                color=PALETTE.vermilion,
                lw=0.9,
            )
            handles.append(line)
            names.append("the probe alone")
        elif analysis.seat is not None and analysis.seat.shown:
            line = _seat_line(axes, found, base)
            _arms(axes, analysis.seat.arm_azimuth_deg, floor, top)
            handles.append(line)
            names.append("fitted three-arm shape")
        axes.set_title(f"Pre-travel{'' if known else ' less its mean'}, µm, by direction of motion", pad=14)
        axes.legend(
            handles, names, loc="upper center", bbox_to_anchor=(0.5, -0.08), ncols=2, columnspacing=1.0
        )
    what = "Pre-travel" if known else "Pre-travel less its mean over directions"
    return picture_from_figure(
        figure,
        caption=f"{what} of the {MIXED}; the centre is taken out. "
        + (
            "The line is the probe alone, as told from the machine by several orientations."
            if apart is not None
            else "A triangle on the rim marks an arm of the seat as fitted; it lifts when the stylus moves "
            "the opposite way."
        ),
        alt=f"Polar plot of the mean pre-travel in {len(azimuth)} directions, "
        f"{means.min():.1f} to {means.max():.1f} µm.",
    )


def _radial_range(axes: Any, low: Floats, high: Floats, *, from_zero: bool) -> tuple[float, float]:
    span = float(high.max() - low.min()) or 1.0
    floor = float(low.min() - 1.2 * span)
    if from_zero:
        floor = min(max(floor, 0.0), float(low.min()))
    top = float(high.max() + 0.12 * (high.max() - floor))
    axes.set_ylim(floor, top)
    axes.set_rlabel_position(22.5)
    axes.yaxis.set_major_locator(_locator(4))
    axes.tick_params(axis="y", labelsize=6.5)
    for label in axes.get_yticklabels():
        label.set_bbox({"facecolor": PALETTE.paper, "edgecolor": "none", "alpha": 0.8, "pad": 0.6})
        label.set_zorder(6)
    axes.set_thetagrids(
        np.arange(0, 360, 45), ["0° X+", "45°", "90° Y+", "135°", "180° X−", "225°", "270° Y−", "315°"]
    )
    axes.spines["polar"].set_color(PALETTE.hairline)
    return floor, top


def _locator(bins: int) -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=bins, steps=[1, 2, 5, 10])


def _band(axes: Any, azimuth: Floats, means: Floats, half: Floats, floor: float) -> None:
    turn = np.deg2rad(np.append(azimuth, azimuth[0] + 360.0))
    low, high = (np.append(values, values[0]) for values in (means - half, means + half))
    axes.fill_between(turn, np.maximum(low, floor), high, color=PALETTE.blue, alpha=0.18, linewidth=0)


def _seat_line(axes: Any, found: Qualification, base: float) -> Any:
    analysis = found.analysis
    seat = analysis.seat
    if seat is None:
        raise ValueError("no seat shape was fitted")
    fine = np.linspace(0.0, 360.0, 721)
    tested = analysis.readings.azimuth_deg
    shape = seat.size_mm * seat_shape(tested, seat.arm_azimuth_deg, seat.pair_ratio)
    design = np.column_stack([np.ones(len(tested)), unit_vectors(tested)])
    rest = np.linalg.lstsq(design, analysis.mean_mm - base - shape, rcond=None)[0]
    curve = seat.size_mm * seat_shape(fine, seat.arm_azimuth_deg, seat.pair_ratio)
    curve = curve + np.column_stack([np.ones(len(fine)), unit_vectors(fine)]) @ rest
    return axes.plot(np.deg2rad(fine), UM_PER_MM * curve, color=PALETTE.vermilion, lw=0.9, ls="-")[0]


def _arms(axes: Any, arm_azimuth_deg: float, floor: float, top: float) -> None:
    for arm in range(3):
        angle = np.deg2rad(arm_azimuth_deg + 120.0 * arm)
        axes.plot([angle, angle], [floor, top], color=PALETTE.muted, lw=0.5, ls=(0, (1, 2)), zorder=1)
        axes.plot(
            angle,
            top,
            marker=(3, 0, np.rad2deg(angle) + 90),
            ms=6,
            color=PALETTE.ink,
            clip_on=False,
            zorder=5,
        )


def run_chart(found: Qualification) -> Picture:
    """Readings less the mean of their direction, in the order of the test, with flags and drift."""
    analysis = found.analysis
    readings = analysis.readings
    touch = found.series.level["touch"].to_numpy()
    deviation = UM_PER_MM * (readings.reading_mm - analysis.mean_mm[readings.direction])
    with report_style():
        figure = new_figure(170, 56, WIDE_MM)
        axes = figure.add_subplot()
        axes.axhline(0, color=PALETTE.muted, lw=0.5)
        axes.plot(touch, deviation, ".", ms=2.6, color=PALETTE.blue, label="touch")
        if analysis.drift is not None and analysis.drift.significant:
            x = (analysis.order - analysis.order.mean()) / np.ptp(analysis.order)
            path = sum(size * x**power for power, size in enumerate(analysis.drift.curve_mm, start=1))
            axes.plot(
                touch, UM_PER_MM * (path - np.mean(path)), color=PALETTE.vermilion, label="fitted drift"
            )
        marked = [flag.touch for flag in analysis.flags if flag.touch is not None]
        if marked:
            axes.plot(
                touch[marked], deviation[marked], "o", ms=7, mfc="none", mec=PALETTE.vermilion, mew=1.1,
                label="flagged",
            )  # fmt: skip
        lost = found.failed_touches
        if lost:
            axes.plot(
                lost, np.zeros(len(lost)), "x", ms=6, mew=1.3, color=PALETTE.ink, label="no valid trigger"
            )
        axes.set_xlabel("touch number, in the order of the test")
        axes.set_ylabel("reading less the mean\nof its direction, µm")
        axes.margins(x=0.01, y=0.12)
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4)
    return picture_from_figure(
        figure,
        caption=f"Run chart of the {MIXED}. A trend is drift, a ring a flagged touch; nothing is left out.",
        alt=f"Run chart of {len(deviation)} touches, {deviation.min():.1f} to {deviation.max():.1f} µm.",
    )


def distribution(found: Qualification) -> Picture:
    """Scatter within directions, and all readings against the tolerance."""
    analysis = found.analysis
    readings = analysis.readings
    deviation = UM_PER_MM * (readings.reading_mm - analysis.mean_mm[readings.direction])
    with report_style():
        figure = new_figure(170, 58, (13, 3, 10, 6))
        left, right = figure.subplots(1, 2)
        _histogram(left, deviation, PALETTE.blue)
        first, last = left.get_xlim()
        grid = np.linspace(first, last, 200)
        sd = UM_PER_MM * analysis.repeatability.sd_mm
        if sd > 0:
            width = _bin_width(deviation)
            left.plot(
                grid,
                len(deviation) * width * stats.norm.pdf(grid, scale=sd),
                color=PALETTE.vermilion,
                label="normal",
            )
            left.legend(loc="upper right")
        left.set_xlabel("reading less the mean of its direction, µm")
        left.set_ylabel("touches")
        left.set_title("Scatter within directions")
        whole = UM_PER_MM * (readings.reading_mm - analysis.mean_mm.mean())
        _histogram(right, whole, PALETTE.blue)
        right.set_title("All directions together, with lobing")
        right.set_xlabel("reading less the mean over directions, µm")
        if found.limits.tolerance_mm is not None and readings.fit is not None:
            _tolerance(right, found)
    return picture_from_figure(
        figure,
        caption=f"Scatter of the {MIXED}. Left: repeatability. Right: what a user sees who calibrates one "
        "mean radius and then touches from any of the tested directions; dashed lines are the tolerance.",
        alt=f"Two histograms of {len(deviation)} touches.",
    )


def _tolerance(axes: Axes, found: Qualification) -> None:
    half = UM_PER_MM * (found.limits.tolerance_mm or 0.0) / 2
    middle = 0.0
    if found.limits.nominal_pretravel_mm is not None and found.mean_pretravel_mm is not None:
        middle = UM_PER_MM * (found.limits.nominal_pretravel_mm - found.mean_pretravel_mm)
    for edge in (middle - half, middle + half):
        axes.axvline(edge, color=PALETTE.vermilion, ls="--", lw=1.0)


def _bin_width(values: Floats) -> float:
    edges = _edges(values)
    return float(edges[1] - edges[0])


def _edges(values: Floats) -> Floats:
    # Far outliers must not flatten the rest into one bar.
    bins = int(np.clip(np.sqrt(len(values)), 8, 40))
    core = np.quantile(values, [0.005, 0.995])
    # ... nor split the rest into more bars than a page has dots.
    width = max(float(core[1] - core[0]) / bins, float(np.ptp(values)) / MOST_BARS, 1e-6)
    return np.arange(values.min() - width / 2, values.max() + 1.5 * width, width)


def _histogram(axes: Axes, values: Floats, color: str) -> None:
    from matplotlib.collections import PolyCollection

    edges = _edges(values)
    counts, _ = np.histogram(values, edges)
    filled = counts > 0
    left, right, top = edges[:-1][filled], edges[1:][filled], counts[filled]
    zero = np.zeros(len(top))
    corners = np.stack([(left, zero), (left, top), (right, top), (right, zero)], axis=1).T
    # One collection: an artist for each bar takes most of the time of a report with a far outlier.
    axes.add_collection(
        PolyCollection(list(corners), facecolor=color, alpha=0.75, edgecolor=PALETTE.paper, linewidth=0.3)
    )
    axes.set_ylim(0, 1.05 * float(counts.max()))
    axes.set_xlim(edges[0] - 0.05 * np.ptp(edges), edges[-1] + 0.05 * np.ptp(edges))


def scatter_by_direction(found: Qualification) -> Picture:
    """Standard deviation of each direction with its interval, pooled value and limit."""
    spread = found.analysis.repeatability
    tested = [part for part in spread.directions if part.n > 1]
    floor = RESOLVED_SHARE * spread.step_mm
    resolved = [part for part in tested if part.sd_mm >= floor and part.sd_mm > 0]
    hidden = [part.azimuth_deg for part in tested if part not in resolved]
    with report_style():
        figure = new_figure(170, 52, WIDE_MM)
        axes = figure.add_subplot()
        if resolved:
            sd, low, high = (
                UM_PER_MM
                * np.array(
                    [(part.sd_mm, part.interval_mm.lower, part.interval_mm.upper) for part in resolved]
                ).T
            )
            axes.errorbar(
                [part.azimuth_deg for part in resolved], sd, yerr=[sd - low, high - sd], fmt="o", ms=3,
                color=PALETTE.blue, elinewidth=0.7, label="sd, 95 %",
            )  # fmt: skip
        if hidden:
            step = np.full(len(hidden), UM_PER_MM * spread.step_mm)
            axes.plot(
                hidden,
                step,
                "v",
                ms=4,
                mfc="none",
                color=PALETTE.muted,
                label="not resolved, at most one step",
            )
        if spread.resolved:
            pooled = UM_PER_MM * spread.sd_mm
            axes.axhline(pooled, color=PALETTE.teal, lw=1.0, label=f"pooled {pooled:.2f} µm")
        limit = found.limits.max_worst_direction_sd_mm
        if limit is not None:
            axes.axhline(
                UM_PER_MM * limit, color=PALETTE.vermilion, ls="--", lw=1.0, label="limit, worst direction"
            )
        axes.set_xlim(-8, 368)
        axes.set_xticks(np.arange(0, 361, 45))
        axes.set_ylim(bottom=0)
        axes.set_xlabel("direction of motion (azimuth), °")
        axes.set_ylabel("sd of repeated\ntouches, µm")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4)
    return picture_from_figure(
        figure,
        caption=f"Scatter of the {MIXED} by direction, with 95 % chi-square intervals.",
        alt=f"Standard deviation of repeated touches in {len(tested)} directions.",
    )


def harmonics_chart(found: Qualification) -> Picture | None:
    """Amplitudes of the harmonics with the level that scatter alone reaches; None without harmonics."""
    fit = found.analysis.harmonics
    if fit is None:
        return None
    order = np.array([wave.order for wave in fit.harmonics])
    amplitude = UM_PER_MM * np.array([wave.amplitude_mm for wave in fit.harmonics])
    error = UM_PER_MM * np.array([wave.u_mm for wave in fit.harmonics])
    lobes = order % 3 == 0
    with report_style():
        figure = new_figure(170, 46, WIDE_MM)
        axes = figure.add_subplot()
        axes.vlines(
            order[lobes], 0, amplitude[lobes], color=PALETTE.blue, lw=5, label="multiple of 3: lobing"
        )
        axes.vlines(order[~lobes], 0, amplitude[~lobes], color=PALETTE.amber, lw=5, label="other orders")
        # An amplitude is the length of two normal errors: 95 % stay below 2.45 u without a wave.
        axes.plot(
            order,
            2.45 * error,
            "_",
            ms=14,
            mew=1.2,
            color=PALETTE.ink,
            label="reached by scatter alone, 95 %",
        )
        axes.set_xticks(order)
        axes.set_ylim(bottom=0)
        axes.set_xlabel("order of the harmonic (waves per turn)")
        axes.set_ylabel("amplitude, µm")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3)
    return picture_from_figure(
        figure,
        caption=f"Harmonics of the pre-travel curve of the {MIXED}. Order 1 goes with the centre. Three "
        "equal arms give orders 3, 6, 9 ...; orders 2 and 4 come from unequal arms, the machine or the "
        "artefact.",
        alt=f"Amplitudes of harmonics 2 to {order.max()}, largest {amplitude.max():.1f} µm.",
    )
