"""Figures of the study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from probetest.report.style import PALETTE, TEXT_WIDTH_MM, new_figure
from probetest.study.cells import KINDS
from probetest.study.summary import CHECKS, INTERVALS, pooled, variation_bias, well_sampled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHORT = {
    "normal": "normal",
    "heavy": "heavy tails",
    "skewed": "skewed",
    "step_0.5": "step 0.5 sd",
    "step_1": "step 1 sd",
    "step_2": "step 2 sd",
    "step_4": "step 4 sd",
    "drifting": "drifting",
    "correlated": "correlated",
    "unequal": "unequal scatter",
    "sector": "early arm",
}
SHOWN = ("covers pooled sd", "covers worst sd", "covers variation", "covers cpk")


def coverage_figure(marks: pd.DataFrame) -> Figure:
    """Coverage of the main intervals by kind of scatter: dot the mean, line worst to best cell."""
    found = pooled(well_sampled(marks), SHOWN)
    figure = new_figure(TEXT_WIDTH_MM, 78)
    panels = figure.subplots(1, len(SHOWN), sharey=True)
    for axes, mark in zip(panels, SHOWN, strict=True):
        axes.axvspan(94, 96.5, color=PALETTE.info_tint, linewidth=0)
        axes.axvline(95, color=PALETTE.muted, linewidth=0.6)
        _rows(axes, found[found["mark"] == mark].set_index("kind"))
        axes.set_title(INTERVALS[mark].capitalize() if mark != "covers cpk" else "Cpk")
        axes.set_xlabel("coverage / %")
        axes.set_xlim(-3, 103)
        axes.set_xticks([0, 25, 50, 75, 95])
    _kind_axis(panels[0])
    return figure


def wrong_pass_figure(marks: pd.DataFrame) -> Figure:
    """Wrong passes of a probe at its limit by kind of scatter, against the stated risk."""
    names = [f"limit passed {check}" for check in CHECKS]
    found = pooled(well_sampled(marks), names)
    figure = new_figure(TEXT_WIDTH_MM, 78)
    panels = figure.subplots(1, len(CHECKS), sharey=True)
    for axes, (check, label) in zip(panels, CHECKS.items(), strict=True):
        mark = f"limit passed {check}"
        axes.axvspan(0, 5, color=PALETTE.info_tint, linewidth=0)
        axes.axvline(5, color=PALETTE.muted, linewidth=0.6)
        _rows(axes, found[found["mark"] == mark].set_index("kind"))
        axes.set_title(label if label == "Cpk" else label.capitalize(), fontsize=7)
        axes.set_xlabel("wrong passes / %")
        axes.set_xlim(-1, 71)
        axes.set_xticks([5, 20, 40, 60])
    _kind_axis(panels[0])
    return figure


def _rows(axes: Axes, found: pd.DataFrame) -> None:
    for place, kind in enumerate(KINDS):
        if kind not in found.index:
            continue
        share, least, most = (
            100 * found.loc[kind, ["share", "least", "most"]].to_numpy(dtype=float)
        ).tolist()
        axes.plot(
            [least, most],
            [place, place],
            color=PALETTE.hairline,
            linewidth=2.5,
            linestyle="-",
            solid_capstyle="butt",
        )
        axes.plot(share, place, "o", color=PALETTE.blue, markersize=4)


def _kind_axis(axes: Axes) -> None:
    axes.set_yticks(range(len(KINDS)), [SHORT[kind] for kind in KINDS])
    axes.set_ylim(len(KINDS) - 0.5, -0.5)


def bias_figure(marks: pd.DataFrame) -> Figure:
    """Bias of the pre-travel variation in every cell with normal scatter and an early arm."""
    table = variation_bias(marks)
    kinds = [kind for kind in ("normal", "sector") if kind in set(table["kind"])]
    figure = new_figure(TEXT_WIDTH_MM, 68)
    panels = np.atleast_1d(figure.subplots(1, len(kinds), sharey=True))
    for axes, kind in zip(panels, kinds, strict=True):
        part = table[table["kind"] == kind]
        groups = list(part.groupby("variation_sd", sort=True))
        for place, (_, cells) in enumerate(groups):
            allowed = float(cells["allowed_sd"].iloc[0])
            axes.fill_between(
                [place - 0.4, place + 0.4], -allowed, allowed, color=PALETTE.info_tint, linewidth=0
            )
            spread = np.linspace(-0.3, 0.3, len(cells))
            axes.plot(place + spread, cells["raw_bias_sd"], "x", color=PALETTE.vermilion, markersize=3.5)
            axes.plot(place + spread, cells["bias_sd"], "o", color=PALETTE.blue, markersize=3)
        axes.axhline(0, color=PALETTE.muted, linewidth=0.6)
        axes.set_xticks(range(len(groups)), [f"{value:g}" for value, _ in groups])
        axes.set_xlabel("true variation / sd of a touch")
        axes.set_title({"normal": "Three equal arms", "sector": "One arm early by 20 %"}[kind])
    panels[0].set_ylabel("bias / sd of a touch")
    panels[0].plot([], [], "o", color=PALETTE.blue, label="this software")
    panels[0].plot([], [], "x", color=PALETTE.vermilion, label="raw range")
    panels[0].legend(loc="upper right")
    return figure
