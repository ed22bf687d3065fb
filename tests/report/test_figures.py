"""Figures of readings that nobody hopes for."""

from __future__ import annotations

import time

import numpy as np
import pytest
from sample_probes import make_test

from probetest.jobs.qualify import qualify
from probetest.limits import Limits
from probetest.report import details, figures
from probetest.report.figures import MOST_BARS, _edges
from probetest.simulate import Mill, Plan, Probe


@pytest.mark.parametrize(
    "values",
    [np.zeros(100), np.append(np.zeros(99), 20.0), np.append(np.random.default_rng(1).normal(size=99), 1e7)],
    ids=["all equal", "equal but one", "one far off"],
)
def test_bars_stay_few(values: np.ndarray) -> None:
    start = time.perf_counter()
    edges = _edges(values)
    assert time.perf_counter() - start < 0.5
    assert 2 <= len(edges) <= MOST_BARS + 4
    assert edges[0] <= values.min()
    assert edges[-1] >= values.max()


def test_every_figure_of_identical_readings_is_drawn() -> None:
    found = qualify(make_test(Probe(sd_mm=1e-9, jitter_s=0), Mill(step_mm=0.001)), Limits())
    for draw in (
        figures.pretravel_curve,
        figures.run_chart,
        figures.distribution,
        figures.scatter_by_direction,
    ):
        assert draw(found).svg.startswith(b"<?xml")


def test_no_page_calls_an_unresolved_scatter_zero() -> None:
    found = qualify(make_test(Probe(sd_mm=1e-9, jitter_s=0), Mill(step_mm=0.001)), Limits())
    table = details.direction_table(found)
    assert {row[4] for row in table.rows} == {"≤ 1.00"}
    facts = dict(details.drift_facts(found).rows)  # type: ignore[union-attr]
    assert facts["sd with drift / without / from successive differences"] == "not resolved, ≤ 1.0 µm"


def test_bent_drift_is_not_printed_as_its_net_change() -> None:
    test = make_test(plan=Plan(directions=24, repeats=15))
    share = np.linspace(0, 1, len(test.frame))
    angle = np.deg2rad(test.frame["azimuth_deg"])
    for axis, wave in (("x_mm", np.cos(angle)), ("y_mm", np.sin(angle))):
        test.frame[axis] += 0.012 * 2 * np.minimum(share, 1 - share) * wave
    words = details.drift_words(qualify(test, Limits()))
    assert "in a curve" in words
    assert float(words.split(" ")[0]) > 8
