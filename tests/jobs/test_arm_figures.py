"""An arm of one serial that opens earlier from test to test."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from probetest.importers import write_native_log
from probetest.jobs import tested
from probetest.jobs.arm_figures import arm_figures, in_one_order
from probetest.jobs.batch import Options
from probetest.jobs.ramping import field_of_tests, make_ramp
from probetest.jobs.tested import Arm, Gathered, gather
from probetest.jobs.trend import make_trend
from probetest.margins import Margins
from probetest.simulate import Mill, Plan, Probe, simulate
from probetest.triggers import Artefact, Source, Stylus, TestRecord, Triggers

PROBE = Probe(preload_n=3.0, arm_azimuth_deg=100.0, jitter_s=0.0, sd_mm=0.001)
EARLY = (0.0, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
"""Share of the force by which the arm at 220 deg opens early, in tests a month apart."""


@pytest.fixture(scope="module")
def tests(tmp_path_factory: pytest.TempPathFactory) -> list[tested.Tested]:
    folder = tmp_path_factory.mktemp("arms")
    for number, early in enumerate(EARLY):
        probe = replace(PROBE, threshold_n=(0.0, early * PROBE.preload_n / 3, 0.0))
        start = datetime(2026, 3, 2, 9) + timedelta(days=30 * number)
        frame = simulate(
            probe,
            Mill(centre_mm=(0.004, -0.002)),
            Plan(directions=25, repeats=5, start=start),
            rng=np.random.default_rng(number),
        ).frame
        record = TestRecord(
            serial="A-1", build="a", artefact=Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006),
            stylus=Stylus(length_mm=50, ball_diameter_mm=4),
        )  # fmt: skip
        source = Source("", "", len(frame), "mm", "simulated")
        write_native_log(Triggers(record, frame, source), folder / f"{number}.csv", decimals=5)
    return list(gather(sorted(folder.glob("*.csv")), None, Options()).tests)


def test_each_test_tells_how_late_the_arm_is(tests: list[tested.Tested]) -> None:
    """Known answer: log(1 - early) times the mean pre-travel, which a spring of 3 N makes about 25 um."""
    for one, early in zip(tests, EARLY, strict=True):
        arm = next(arm for arm in one.arms if abs(arm.azimuth_deg - 220) < 10)
        assert arm.late_mm == pytest.approx(np.log(1 - early) * 0.0252, abs=3.5 * arm.late_u_mm)
        assert 0 < arm.late_u_mm < 0.002


def test_the_arm_that_ages_is_found_and_the_others_are_not(tests: list[tested.Tested]) -> None:
    ordered = in_one_order(tests)
    figures = arm_figures(ordered)
    told = [float(figure.label.split()[2].rstrip("°,")) for figure in figures]
    assert told == pytest.approx([100, 220, 340], abs=5)
    gathered = Gathered(tuple(tests), (), ())
    margins = Margins()
    found = make_trend(gathered, make_ramp(field_of_tests(gathered.tests), "", margins), margins)
    arms = {own.figure.name: own.found for own in found.histories if own.figure.name.startswith("arm_")}
    assert {name[:5] for name in arms} == {"arm_1", "arm_2", "arm_3"}
    grew = {name: own.slope for name, own in arms.items() if own.verdict == "grew"}
    assert "arm_2_earlier" in grew
    assert grew["arm_2_earlier"] == pytest.approx(-np.log(0.7) * 0.0252 / 6, rel=0.25)
    # Against an arm that goes early the others go late, half as far.
    assert "arm_1_earlier" not in grew
    assert "arm_3_earlier" not in grew


def test_arms_keep_their_place_where_azimuths_wrap() -> None:
    first = tuple(Arm(azimuth, late, 0.001) for azimuth, late in ((1.0, 0.0), (121.0, 0.01), (241.0, 0.02)))
    second = tuple(
        Arm(azimuth, late, 0.001) for azimuth, late in ((119.0, 0.01), (239.0, 0.02), (359.0, 0.0))
    )
    one = _blank(first)
    ordered = in_one_order([one, _blank(second), _blank(())])
    assert [arm.late_mm for arm in ordered[1].arms] == [0.0, 0.01, 0.02]
    assert ordered[2].arms == ()
    sample = arm_figures(ordered)[2].sample(ordered)
    assert sample.values == (0.02, 0.02)
    falling = in_one_order([_blank(first), _blank(tuple(replace(arm, late_mm=-0.03) for arm in first))])
    figure = arm_figures(falling)[1]
    assert (figure.name, figure.sample(falling).values) == ("arm_2_earlier", (-0.01, 0.03))
    assert sample.missing == ("x",)


def test_no_figure_without_arms() -> None:
    assert arm_figures([_blank(())]) == ()


def _blank(arms: tuple[Arm, ...]) -> tested.Tested:
    values = dict.fromkeys(tested.Tested.__dataclass_fields__)
    return tested.Tested(**{**values, "serial": "x", "arms": arms})
