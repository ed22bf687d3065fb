"""The picture of a path: what is drawn, where, and that it is told apart without colour."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from probetest.plan.bench import Bench, read_bench
from probetest.plan.walk import Walk
from probetest.report.plan_figure import path_figure
from probetest.report.style import figure_to_svg
from probetest.resources import bundled


def bench_of(**artefact: object) -> Bench:
    tables = read_bench(bundled("data") / "bench.toml").model_dump()
    if artefact:
        tables["artefact"] = artefact
    return Bench.model_validate(tables)


def walk_of(*moves: tuple[str, tuple[float, float, float]]) -> Walk:
    ends = np.array([end for _, end in moves], dtype=float)
    kinds = np.array([kind for kind, _ in moves])
    starts = np.vstack([[[0.0, 0.0, 20.0]], ends[:-1]])
    number = np.where(np.isin(kinds, ["touch", "fast"]), 1, 0)
    return Walk(np.arange(1, len(ends) + 1), kinds, starts, ends, np.full(len(ends), 60.0), number)


WALK = walk_of(
    ("guarded", (0, 0, 20)), ("guarded", (0, 0, -8)), ("guarded", (7.5, 0, -8)), ("fast", (12, 0, -8)),
    ("plain", (9.5, 0, -8)), ("touch", (12, 0, -8)), ("plain", (7.5, 0, -8)), ("guarded", (0, 0, -8)),
)  # fmt: skip


def lines_of(figure: Figure, axes: int) -> list[list[list[list[float]]]]:
    drawn = [one for one in figure.axes[axes].collections if isinstance(one, LineCollection)]
    return [[np.round(segment, 6).tolist() for segment in one.get_segments()] for one in drawn]


def test_both_views_show_the_path() -> None:
    figure = path_figure(WALK, bench_of())
    guarded, plain, retract, fast, touch = lines_of(figure, 0)
    assert plain == []
    assert [[7.5, 0.0], [12.0, 0.0]] in fast
    assert touch == [[[9.5, 0.0], [12.0, 0.0]]]
    assert sorted(retract) == [[[12.0, 0.0], [7.5, 0.0]], [[12.0, 0.0], [9.5, 0.0]]]
    assert [[0.0, 0.0], [7.5, 0.0]] in guarded
    guarded, _, _, _, touch = lines_of(figure, 1)
    assert [[0.0, 20.0], [0.0, -8.0]] in guarded
    assert touch == [[[9.5, -8.0], [12.0, -8.0]]]
    top, side = figure.axes
    assert (top.get_xlabel(), top.get_ylabel()) == ("X, mm", "Y, mm")
    assert side.get_ylabel() == "Z of the lowest point of the ball, mm"
    assert top.get_aspect() == side.get_aspect() == 1.0


def test_plain_moves_are_told_from_ways_back() -> None:
    figure = path_figure(
        walk_of(("plain", (0, 0, -8)), ("touch", (12, 0, -8)), ("plain", (0, 0, -8))), bench_of()
    )
    guarded, plain, retract, fast, touch = lines_of(figure, 1)
    assert (len(guarded), len(plain), len(retract), len(fast), len(touch)) == (0, 1, 1, 0, 1)
    (legend,) = figure.legends
    texts = [text.get_text() for text in legend.get_texts()]
    assert texts == [
        "move",
        "way back from a touch",
        "touch, to its farthest end",
        "ball before a touch",
        "ring",
        "stated volume",
    ]


@pytest.mark.parametrize(
    ("artefact", "top", "side"),
    [
        (
            {"kind": "ring", "diameter_mm": 25.0, "outer_diameter_mm": 45.0, "height_mm": 15.0},
            [22.5, 12.5],
            [(-22.5, -15, 10, 15), (12.5, -15, 10, 15)],
        ),
        ({"kind": "boss", "diameter_mm": 25.0, "height_mm": 15.0}, [12.5], [(-12.5, -15, 25, 15)]),
        (
            {"kind": "block", "size_mm": (25.0, 9.0), "height_mm": 15.0},
            [(-12.5, -4.5, 25, 9)],
            [(-12.5, -15, 25, 15)],
        ),
        (
            {"kind": "plane", "size_mm": (20.0, 10.0), "height_mm": 5.0},
            [(-10, -5, 20, 10)],
            [(-10, -5, 20, 5)],
        ),
        ({"kind": "sphere", "diameter_mm": 20.0, "height_mm": 40.0}, [10.0], [10.0]),
    ],
)
def test_outlines_and_volume(artefact: dict[str, object], top: list[object], side: list[object]) -> None:
    figure = path_figure(WALK, bench_of(**artefact))
    for axes, expected, volume in zip(
        figure.axes, (top, side), ((-30, -30, 60, 60), (-30, -12, 60, 72)), strict=True
    ):
        shapes: list[object] = []
        for patch in axes.patches:
            if isinstance(patch, Circle):
                shapes.append(patch.get_radius())
            elif isinstance(patch, Rectangle):
                shapes.append((*patch.get_xy(), patch.get_width(), patch.get_height()))
        assert shapes == [*expected, volume]


def test_kinds_are_told_apart_in_grey() -> None:
    figure = path_figure(WALK, bench_of())
    looks = []
    for one in figure.axes[0].collections:
        if isinstance(one, LineCollection):
            red, green, blue = to_rgb(one.get_color()[0])
            dash = one.get_linestyle()[0][1] is not None
            looks.append((round(0.3 * red + 0.6 * green + 0.1 * blue, 1), one.get_linewidth()[0], dash))
    assert len(set(looks)) == len(looks)


def test_a_wide_volume_does_not_shrink_the_path() -> None:
    tables = bench_of().model_dump()
    tables["moves"].update(x_mm=(-900.0, 900.0), y_mm=(-400.0, 400.0))
    figure = path_figure(WALK, Bench.model_validate(tables))
    assert figure.axes[0].get_xlim()[1] < 30
    (legend,) = figure.legends
    assert legend.get_texts()[-1].get_text() == "stated volume (goes on outside)"


def test_it_is_a_vector_picture_with_text() -> None:
    svg = figure_to_svg(path_figure(WALK, bench_of()))
    assert svg == figure_to_svg(path_figure(WALK, bench_of()))
    assert b"way back from a touch" in svg
    assert b"<image" not in svg
