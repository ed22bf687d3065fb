"""Distances of ball, stem and body: closed forms, and a cloud of points as an outside measure."""

from __future__ import annotations

import numpy as np
import pytest
from benches import KINDS, bench_with
from hypothesis import given, settings
from hypothesis import strategies as st

from probetest.plan.bench import Bench
from probetest.plan.solids import Solids, least_along

ROUND = bench_with("boss").stylus


def at(*place: float) -> np.ndarray:
    return np.array([place], dtype=float)


@pytest.mark.parametrize(
    ("kind", "place", "distance"),
    [
        ("ring", (0.0, 0.0, -6.0), 12.5 - 2),
        ("ring", (5.0, 0.0, -6.0), 7.5 - 2),
        ("ring", (12.5 - 3, 0.0, 4.0), 5.0 - 2),  # corner: 3 aside, 4 above
        ("ring", (17.0, 0.0, 7.0), 5.0),
        ("ring", (24.0, 0.0, -1.0), -0.5),
        ("boss", (0.0, 15.5, -6.0), 1.0),
        ("boss", (0.0, 15.5, 4.0), 3.0),
        ("boss", (0.0, 0.0, -1.0), -3.0),
        ("block", (0.0, 10.0, -6.0), 3.5),
        ("block", (15.5, 8.5, -6.0), 3.0),  # edge: 3 and 4 aside
        ("sphere", (0.0, 15.0, -10.0), 3.0),
        ("sphere", (0.0, 0.0, 2.0), 0.0),
        ("plane", (3.0, 4.0, 5.0), 3.0),
    ],
)
def test_ball_by_hand(kind: str, place: tuple[float, float, float], distance: float) -> None:
    assert Solids(bench_with(kind)).ball(at(*place)) == pytest.approx([distance], abs=1e-12)


def test_stem_and_body_by_hand() -> None:
    solids = Solids(bench_with("boss"))  # stem 2.5 and 50 long, body 40 wide, boss 25 wide
    assert solids.stem(at(15.5, 0.0, -6.0)) == pytest.approx([3.0 - 1.25])
    assert solids.stem(at(15.5, 0.0, 4.0)) == pytest.approx([5.0 - 1.25])
    assert solids.body(at(15.5, 0.0, -6.0)) == pytest.approx([44.0])
    assert solids.body(at(12.5 + 20 + 3, 0.0, -46.0)) == pytest.approx([5.0])  # 3 aside, 4 above
    assert solids.body(at(12.5 + 20 + 3, 0.0, -56.0)) == pytest.approx([3.0])
    assert solids.body(at(0.0, 0.0, -51.0))[0] < 0
    assert solids.stand(at(0.0, 0.0, -6.0)) == pytest.approx([-6.0 - 2 + 15])
    sphere = Solids(bench_with("sphere"))  # 20 wide
    assert sphere.body(at(20.0 + 6, 0.0, -60.0 + 8)) == pytest.approx([0.0])  # 6 aside, 8 above its centre
    assert sphere.stem(at(13.0, 0.0, -30.0)) == pytest.approx([3.0 - 1.25])  # beside its widest place


def cloud(bench: Bench, rng: np.random.Generator) -> np.ndarray:
    """Points on the surface of an artefact, made without the code under test."""
    artefact = bench.artefact
    if artefact.kind == "sphere":
        points = rng.normal(size=(20_000, 3))
        radius = artefact.diameter_mm / 2
        return radius * points / np.linalg.norm(points, axis=1)[:, None] - [0, 0, radius]
    half = np.array(artefact.size_mm or [artefact.outer_diameter_mm or artefact.diameter_mm] * 2) / 2
    flat = rng.uniform(-1.1, 1.1, size=(60_000, 3)) * [*half, artefact.height_mm / 2]
    flat[:, 2] -= artefact.height_mm / 2
    out = np.hypot(flat[:, 0], flat[:, 1])
    if artefact.kind == "block":
        inside = (np.abs(flat[:, :2]) <= half).all(axis=1)
    elif artefact.kind == "boss":
        inside = out <= artefact.diameter_mm / 2
    else:
        inside = (out >= artefact.diameter_mm / 2) & (out <= artefact.outer_diameter_mm / 2)
    return flat[inside & (flat[:, 2] <= 0) & (flat[:, 2] >= -artefact.height_mm)]


@pytest.mark.parametrize("kind", ["ring", "boss", "block", "sphere"])
def test_each_part_against_a_cloud_of_points(kind: str) -> None:
    rng = np.random.default_rng(5)
    bench = bench_with(kind)
    points = cloud(bench, rng)
    solids = Solids(bench)
    places = rng.uniform([-40, -40, -60], [40, 40, 15], size=(30, 3))
    for place in places:
        off = points - place
        aside = np.hypot(off[:, 0], off[:, 1])
        ball = np.linalg.norm(off, axis=1).min() - 2.0
        along = np.clip(off[:, 2], 0.0, 50.0)
        stem = np.hypot(aside, off[:, 2] - along).min() - 1.25
        body = np.hypot(np.maximum(aside - 20.0, 0.0), np.maximum(50.0 - off[:, 2], 0.0)).min()
        for part, true in ((solids.ball, ball), (solids.stem, stem), (solids.body, body)):
            (found,) = part(place[None, :])
            # A cloud lies on or in the artefact: its distance is too large, by its spacing at most.
            if true > 1.5:
                assert true - 1.5 <= found <= true + 1e-9


PLACES = st.tuples(*(st.floats(-60, 60) for _ in range(3)))


@given(st.sampled_from(KINDS), PLACES, PLACES)
def test_a_distance_changes_by_no_more_than_the_probe_moves(kind: str, one: tuple, other: tuple) -> None:
    solids = Solids(bench_with(kind))
    both = np.array([one, other], dtype=float)
    moved = np.linalg.norm(both[1] - both[0])
    # Where parts meet only the sign counts.
    first, second = np.maximum(solids.all_parts(both), 0.0)
    assert abs(first - second) <= moved + 1e-9


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(KINDS), PLACES, PLACES, st.floats(0.1, 10))
def test_proofs_hold_at_many_positions(kind: str, one: tuple, other: tuple, needed: float) -> None:
    solids = Solids(bench_with(kind))
    start, end = at(*one), at(*other)
    least, missed = least_along(solids.all_parts, start, end, np.array([needed]), 0.01)
    shares = np.linspace(0, 1, 4001)[:, None]
    true = solids.all_parts(start + shares * (end - start)).min()
    if missed[0]:
        assert true <= needed + np.linalg.norm(end - start) / 8000
        assert least[0] < needed
    else:
        assert true >= least[0] - 1e-9
        assert least[0] >= needed - 0.01


def test_a_thin_obstacle_between_two_clear_places_is_found() -> None:
    def of_needle(place: np.ndarray) -> np.ndarray:
        return np.hypot(place[:, 0] - 0.123, place[:, 2])

    many = np.column_stack([np.full(3, -50.0), np.zeros(3), [0.0, 0.3, 0.6]])
    other = many * [-1, 1, 1]
    least, missed = least_along(of_needle, many, other, np.full(3, 0.5), 0.001)
    assert missed.tolist() == [True, True, False]
    assert least[2] == pytest.approx(0.6, abs=0.11)


def test_no_moves_have_no_distances() -> None:
    none = np.zeros((0, 3))
    least, missed = least_along(Solids(bench_with("ring")).ball, none, none, np.zeros(0))
    assert (len(least), len(missed)) == (0, 0)
