"""The path of a machine program, from above and from the side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from probetest.plan.bench import Bench
from probetest.plan.walk import Walk
from probetest.report.style import PALETTE, TEXT_WIDTH_MM, new_figure, report_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
Span = tuple[float, float]

_LOOKS: dict[str, tuple[str, dict[str, Any]]] = {
    "move": ("guarded move", {"color": PALETTE.muted, "linewidths": 0.5, "linestyles": "solid", "zorder": 3}),
    "plain": ("move", {"color": PALETTE.muted, "linewidths": 0.5, "linestyles": (0, (1, 1)), "zorder": 3}),
    "retract": (
        "way back from a touch",
        {"color": PALETTE.amber, "linewidths": 2.6, "linestyles": "solid", "zorder": 4},
    ),
    "fast": (
        "fast touch",
        {"color": PALETTE.vermilion, "linewidths": 1.0, "linestyles": (0, (3, 1.5)), "zorder": 5},
    ),
    "touch": (
        "touch, to its farthest end",
        {"color": PALETTE.blue, "linewidths": 1.0, "linestyles": "solid", "zorder": 6},
    ),
}
"""Name and look of each kind of move: told apart by width and dash without colour too."""

_WIDEST = 3.0
"""A volume so many times wider than what is in it is not shown whole."""


def path_figure(walk: Walk, bench: Bench) -> Figure:
    """Draw the path of a program, with the artefact and the stated volume.

    Parameters
    ----------
    walk : Walk
    bench : Bench

    Returns
    -------
    matplotlib.figure.Figure
        Left from above (X, Y), right from the side (X, Z), in mm, for the lowest point of the ball.
    """
    moves = bench.moves
    spans = [_shown(walk, bench, axis) for axis in range(3)]
    names, kinds = _sorted(walk)
    with report_style():
        across = spans[0][1] - spans[0][0]
        tallest = max(spans[1][1] - spans[1][0], spans[2][1] - spans[2][0])
        height = float(np.clip(0.5 * (TEXT_WIDTH_MM - 30.0) * tallest / across, 40.0, 110.0))
        figure = new_figure(TEXT_WIDTH_MM, height + 42.0)
        top, side = figure.subplots(1, 2)
        for axes, up in ((top, 1), (side, 2)):
            _artefact(axes, bench, up)
            _volume(axes, moves.x_mm, (moves.x_mm, moves.y_mm, moves.z_mm)[up])
            _path(axes, walk, kinds, up)
            _balls(axes, walk, bench, up)
            axes.set_xlim(*spans[0])
            axes.set_ylim(*spans[up])
            axes.set_aspect("equal")
            axes.set_xlabel("X, mm")
        top.set_ylabel("Y, mm")
        side.set_ylabel("Z of the lowest point of the ball, mm")
        top.set_title("From above")
        side.set_title("From the side")
        hidden = any(
            span[0] > volume[0] or span[1] < volume[1]
            for span, volume in zip(spans, (moves.x_mm, moves.y_mm, moves.z_mm), strict=True)
        )
        handles, texts = _legend(names, bench, hidden)
        figure.legend(handles, texts, loc="outside lower center", ncols=3, columnspacing=1.4)
    return figure


def _sorted(walk: Walk) -> tuple[list[str], NDArray[np.str_]]:
    """Kinds of moves as they are drawn, in the order of the key, and the kind of each move."""
    kinds = np.where(walk.retract, "retract", np.where(walk.kind == "guarded", "move", walk.kind))
    return [name for name in _LOOKS if (kinds == name).any()], kinds


def _path(axes: Axes, walk: Walk, kinds: NDArray[np.str_], up: int) -> None:
    from matplotlib.collections import LineCollection

    for name, (_, look) in _LOOKS.items():
        here = kinds == name
        lines = np.stack([walk.start[here][:, [0, up]], walk.end[here][:, [0, up]]], axis=1)
        # The same way in the same view is drawn once.
        lines = np.unique(lines.reshape(-1, 4), axis=0).reshape(-1, 2, 2)
        axes.add_collection(LineCollection(list(lines), **look), autolim=False)
        if name == "touch":
            ends = lines[:, 1] if len(lines) else np.zeros((0, 2))
            axes.plot(ends[:, 0], ends[:, 1], "o", ms=2.2, color=look["color"], zorder=7)


def _balls(axes: Axes, walk: Walk, bench: Bench, up: int) -> None:
    """The ball where each touch that counts starts."""
    from matplotlib.collections import EllipseCollection

    radius = bench.stylus.ball_diameter_mm / 2
    centres = walk.start[walk.kind == "touch"] + np.array([0.0, 0.0, radius])
    centres = np.unique(np.round(centres[:, [0, up]], 3), axis=0)
    wide = np.full(len(centres), 2 * radius)
    axes.add_collection(
        EllipseCollection(
            wide, wide, np.zeros(len(centres)), units="xy", offsets=centres, offset_transform=axes.transData,
            facecolors="none", edgecolors=PALETTE.ink, linewidths=0.3, zorder=2,
        ),
        autolim=False,
    )  # fmt: skip


def _volume(axes: Axes, across: Span, up: Span) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(
        Rectangle(
            (across[0], up[0]), across[1] - across[0], up[1] - up[0],
            fill=False, edgecolor=PALETTE.ink, linewidth=0.7, linestyle=(0, (6, 2, 1, 2)), zorder=2,
        )
    )  # fmt: skip


def _artefact(axes: Axes, bench: Bench, up: int) -> None:
    from matplotlib.patches import Circle, Rectangle

    look: dict[str, Any] = {
        "facecolor": PALETTE.hairline,
        "edgecolor": PALETTE.ink,
        "linewidth": 0.6,
        "zorder": 1,
    }
    artefact = bench.artefact
    radius = (artefact.diameter_mm or 0.0) / 2
    outer = (artefact.outer_diameter_mm or 0.0) / 2
    width, depth = artefact.size_mm or (0.0, 0.0)
    height = artefact.height_mm
    if up == 1:
        if artefact.size_mm is not None:
            axes.add_patch(Rectangle((-width / 2, -depth / 2), width, depth, **look))
        else:
            axes.add_patch(Circle((0.0, 0.0), outer or radius, **look))
        if outer:
            axes.add_patch(Circle((0.0, 0.0), radius, **{**look, "facecolor": PALETTE.paper}))
        return
    if artefact.kind == "sphere":
        axes.add_patch(Circle((0.0, -radius), radius, **look))
    elif outer:
        for left in (-outer, radius):
            axes.add_patch(Rectangle((left, -height), outer - radius, height, **look))
    else:
        half = width / 2 if artefact.size_mm is not None else radius
        axes.add_patch(Rectangle((-half, -height), 2 * half, height, **look))
    if artefact.kind != "plane":
        axes.axhline(-height, color=PALETTE.ink, linewidth=1.2, zorder=1)


def _content(walk: Walk, bench: Bench) -> tuple[Floats, Floats]:
    """Lowest and highest coordinates of path and artefact."""
    artefact = bench.artefact
    wide = np.array(artefact.size_mm or [artefact.outer_diameter_mm or artefact.diameter_mm or 0.0] * 2) / 2
    points = np.vstack([walk.start, walk.end, [[*-wide, -artefact.height_mm], [*wide, 0.0]]])
    return points.min(axis=0), points.max(axis=0)


def _shown(walk: Walk, bench: Bench, axis: int) -> Span:
    """What is shown along an axis: the volume and all that is in it, or only the latter in a wide volume."""
    low, high = (float(ends[axis]) for ends in _content(walk, bench))
    volume = (bench.moves.x_mm, bench.moves.y_mm, bench.moves.z_mm)[axis]
    if volume[1] - volume[0] <= _WIDEST * (high - low):
        low, high = min(low, volume[0]), max(high, volume[1])
    margin = 0.04 * (high - low)
    return low - margin, high + margin


def _legend(names: list[str], bench: Bench, hidden: bool) -> tuple[list[Any], list[str]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = []
    texts = []
    for name in names:
        text, look = _LOOKS[name]
        handles.append(
            Line2D(
                [], [], color=look["color"], lw=look["linewidths"], ls=look["linestyles"],
                marker="o" if name == "touch" else "", ms=2.2,
            )
        )  # fmt: skip
        texts.append(text)
    handles += [
        Line2D([], [], ls="", marker="o", ms=5, mfc="none", mec=PALETTE.ink, mew=0.3),
        Patch(facecolor=PALETTE.hairline, edgecolor=PALETTE.ink),
        Line2D([], [], color=PALETTE.ink, lw=0.7, ls=(0, (6, 2, 1, 2))),
    ]
    texts += [
        "ball before a touch",
        bench.artefact.kind,
        "stated volume" + (" (goes on outside)" if hidden else ""),
    ]
    return handles, texts
