"""The page on a sphere test: what it says, and that it says nothing where there is nothing."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from sphere_logs import RIGID, SOFT, evaluated, headline, pattern_plan, rings_plan, sphere_log

from probetest.jobs.spherical import MEASURED, Spherical, sphere_of
from probetest.report.blocks import Facts, Note, Picture, Table
from probetest.report.numbers import UM_PER_MM
from probetest.report.sphere_page import (
    BESIDE_DEG,
    _bands,
    _draw_band,
    rings_figure,
    rings_table,
    sphere_facts,
    sphere_note,
    waves_table,
)
from probetest.report.style import new_figure, report_style
from probetest.simulate import Faults, Mill
from probetest.simulate_sphere import SpherePlan

NONE = Spherical(None, "")
PAGE = (sphere_note, sphere_facts, rings_figure, rings_table, waves_table)


@pytest.fixture(scope="module")
def whole() -> Spherical:
    return evaluated(sphere_log(faults=Faults(missed=(7,)))[0])


@pytest.fixture(scope="module")
def once() -> Spherical:
    return sphere_of(sphere_log(pattern_plan(1))[0], "baseline", 0.0, None)


def facts(found: Spherical) -> dict[str, str]:
    block = sphere_facts(found)
    assert isinstance(block, Facts)
    return dict(block.rows)


def drawn(found: Spherical) -> tuple[Picture, str]:
    block = rings_figure(found)
    assert isinstance(block, Picture)
    return block, " ".join(ElementTree.fromstring(block.svg).itertext())


def shown(block: Table | None) -> Table:
    assert isinstance(block, Table)
    return block


# ---- nothing to say


def test_no_sphere_no_page() -> None:
    assert [block(NONE) for block in PAGE] == [None] * 5


def test_a_reason_is_a_note_and_no_more() -> None:
    found = Spherical(None, "all 36 touches on the sphere have one elevation (0°)")
    note = sphere_note(found)
    assert isinstance(note, Note)
    assert (note.kind, note.text) == ("info", "All 36 touches on the sphere have one elevation (0°).")
    assert [block(found) for block in PAGE[1:]] == [None] * 4


# ---- the note and the facts


def test_the_note_says_what_the_test_is_and_what_it_cannot_tell(whole: Spherical) -> None:
    note = sphere_note(whole)
    assert note is not None
    assert "A system test: probe + this machine + sphere" in note.text
    assert "not a test “according to” any standard" in note.text
    assert "Axial pre-travel can't be told from the height of the centre" in note.text


def test_facts_carry_units_n_and_uncertainty(whole: Spherical) -> None:
    test, found = whole.test, facts(whole)
    assert test is not None
    assert test.scatter_form is not None
    assert found["Touches"] == (
        "n = 74, stage baseline at 0°; 1 of 75 approaches ended without a valid trigger"
    )
    assert found["Points"] == "The pattern of 25 points, turned to 12°; off by 0.0° at most"
    form, means = UM_PER_MM * test.form_mm, UM_PER_MM * test.form_means_mm
    assert found["Largest less smallest radius"] == (
        f"{form:.1f} µm over n = 74 touches; {means:.1f} µm over the means of 25 points"
    )
    scatter = found["The same by scatter alone"]
    assert f"95 % below {UM_PER_MM * test.scatter_form.means_upper_mm:.1f} µm" in scatter
    assert scatter.endswith("The form error of the means stands out of the scatter (p < 0.001)")
    assert re.fullmatch(
        r"sd 1\.\d\d µm \(\d\.\d\d to \d\.\d\d µm, 95 %\), 49 dof, from points touched more than once",
        found["Scatter of one touch, along the normal"],
    )
    assert re.fullmatch(
        r"X −?0\.\d+\xa0±\xa00\.\d+, Y −?0\.\d+\xa0±\xa00\.\d+, Z −39\.9\d+\xa0±\xa00\.\d+ \(95 %, 21 dof\)",
        found["Centre, mm"],
    )
    assert found["Horizontal less axial pre-travel"].startswith("not given: the height of the centre")


def test_a_form_error_of_scatter_is_not_said_to_stand_out() -> None:
    found = facts(evaluated(sphere_log(probe=RIGID, seed=3)[0]))
    assert "does not stand out of the scatter" in found["The same by scatter alone"]


def test_touches_at_both_ends_are_named_by_number_and_direction() -> None:
    found = evaluated(sphere_log(faults=Faults(early={20: 0.06, 33: -0.08}))[0])
    words = facts(found)["Latest and earliest trigger"]
    assert re.fullmatch(
        r"touch 33 \(azimuth [\d.]+°, elevation −?[\d.]+°\), \+\d\d\.\d µm; touch 20 \(.*\), −\d\d\.\d µm",
        words,
    )


def test_single_touches_have_no_means_and_no_scatter(once: Spherical) -> None:
    found = facts(once)
    assert found["Touches"] == "n = 25, stage baseline at 0°"
    assert re.fullmatch(r"[\d.]+ µm over n = 25 touches", found["Largest less smallest radius"])
    for name in ("The same by scatter alone", "Scatter of one touch, along the normal"):
        assert found[name] == f"not given: {once.scatter_reason}"


def test_single_touches_with_known_scatter_are_judged_as_they_are() -> None:
    triggers, _ = sphere_log(pattern_plan(1))
    repeated = sphere_log(rings_plan((0.0, 12), repeats=5))[0]
    found = facts(sphere_of(triggers, "baseline", 0.0, headline(repeated)))
    assert re.match(
        r"[\d.]+ µm expected, 95 % below [\d.]+ µm\. The form error (stands|does)",
        found["The same by scatter alone"],
    )


def test_a_stated_height_gives_the_axial_difference() -> None:
    found = facts(evaluated(sphere_log()[0], centre_z_mm=(-40.0, 0.0005)))
    assert re.fullmatch(
        r"[\d.]+ ± [\d.]+ µm \(95 %\), the height as stated", found["Horizontal less axial pre-travel"]
    )


def test_other_points_are_counted_and_not_called_the_pattern() -> None:
    found = facts(evaluated(sphere_log(rings_plan((-90.0, 1), (0.0, 8)))[0]))
    assert found["Points"] == "9 points, not the pattern of 25 (from the pole 1, 4, 8, 4, 8)"


# ---- tables


def test_each_elevation_has_a_row(whole: Spherical) -> None:
    table = shown(rings_table(whole))
    assert [row[:3] for row in table.rows] == [
        ("−90.0", "1", "3"),
        ("−67.5", "4", "12"),
        ("−45.0", "8", "24"),
        ("−22.5", "4", "12"),
        ("0.0", "8", "23"),
    ]
    test = whole.test
    assert test is not None
    assert [row[5] for row in table.rows] == [
        "–",
        *(f"{UM_PER_MM * ring.range_mm:.2f}" for ring in test.rings[1:]),
    ]
    assert all(float(str(row[4])) > 0 for row in table.rows)


def test_without_scatter_the_table_has_no_u_and_says_why(once: Spherical) -> None:
    table = shown(rings_table(once))
    assert {row[4] for row in table.rows} == {"–"}
    assert table.note.endswith(f" No u: {once.scatter_reason}.")
    assert waves_table(once) is None


def test_waves_of_the_elevations_that_show_them(whole: Spherical) -> None:
    table = shown(waves_table(whole))
    assert [column.title for column in table.columns] == ["Elevation, °", "Order", "1", "2", "3"]
    assert [row[0] for row in table.rows if row[0]] == ["−45.0", "0.0"]
    assert [row[1] for row in table.rows[:3]] == ["amplitude, µm", "u, µm", "p"]
    assert "n = 47 touches." in table.note


def test_orders_that_the_table_leaves_out_are_pointed_at() -> None:
    found = evaluated(sphere_log(rings_plan((-90.0, 1), (-45.0, 8), (0.0, 36)))[0])
    table = shown(waves_table(found))
    assert [column.title for column in table.columns][2:] == ["1", "2", "3", "4", "5", "6"]
    assert table.rows[0][5:] == ("–", "–", "–")
    assert table.note.endswith("Orders up to 12 are in result.json.")


# ---- the figure


def test_the_figure_names_axes_units_and_n(whole: Spherical) -> None:
    picture, text = drawn(whole)
    assert "direction of motion (azimuth), °" in text
    assert "fitted sphere, µm" in text
    for words in ("elevation 0.0° (n = 23)", "elevation −67.5° (n = 12)", "straight down (n = 3): −"):
        assert words in text
    assert picture.alt.startswith(
        "Deviations of n = 74 touches at 25 points of a sphere, elevation 0.0° (n = 23)"
    )
    assert MEASURED in picture.caption
    assert "mean of each point with its 95 % interval from scatter; small dots" in picture.caption


def test_the_figure_of_single_touches_promises_no_intervals(once: Spherical) -> None:
    picture, _ = drawn(once)
    assert "the touch of each point. " in picture.caption
    assert "interval" not in picture.caption
    assert "dots" not in picture.caption


def test_the_figure_is_the_same_each_time(whole: Spherical) -> None:
    assert drawn(whole)[0].svg == drawn(whole)[0].svg


def looks(svg: bytes) -> set[str]:
    """Dash patterns of the lines that are drawn."""
    return set(re.findall(r"stroke-dasharray: ([\d. ,]+)", svg.decode("utf-8")))


def test_elevations_differ_by_marker_and_line_not_by_colour_alone() -> None:
    four = evaluated(sphere_log(rings_plan((-90.0, 1), (-60.0, 8), (-40.0, 8), (-20.0, 8), (0.0, 8)))[0])
    svg = drawn(four)[0].svg
    # Dashed, dash-dotted and dotted lines beside the solid one, and the dots of the pole.
    assert len(looks(svg)) >= 4
    markers = re.findall(r'<path id="m[0-9a-f]+" d="([^"]+)"', svg.decode("utf-8"))
    assert len(set(markers)) >= 4


def test_each_elevation_is_drawn_with_its_own_touches_and_bars(whole: Spherical) -> None:
    test = whole.test
    assert test is not None
    with report_style():
        axes = new_figure(100, 60).add_subplot()
        equator = _bands(whole, test)[0]
        _draw_band(axes, whole, test, equator, ("#000000", "o", "-"))
    mine = whole.rows["elevation_deg"].to_numpy() == 0.0
    assert mine.sum() == 23
    dots = next(line for line in axes.lines if line.get_marker() == ".")
    assert np.asarray(dots.get_ydata()) == pytest.approx(UM_PER_MM * test.reading_mm[mine])
    assert np.asarray(dots.get_xdata()) - BESIDE_DEG == pytest.approx(
        whole.rows["azimuth_deg"].to_numpy()[mine]
    )
    (bars,) = (part for part in axes.collections if hasattr(part, "get_segments"))
    half = [float(np.ptp(segment[:, 1])) / 2 for segment in bars.get_segments()]
    # Student t of 49 degrees of freedom, 95 %: 2.010, from tables.
    counts = np.array(test.rings[-1].counts)
    assert half == pytest.approx(2.010 * UM_PER_MM * test.scatter_mm / np.sqrt(counts), rel=5e-4)


def panels(svg: bytes) -> int:
    return len(set(re.findall(r'id="(axes_\d+)"', svg.decode("utf-8"))))


def test_many_points_are_spread_over_panels() -> None:
    sparse = rings_plan((-90.0, 1), (-60.0, 12), (-45.0, 12), (-30.0, 12), (0.0, 12), repeats=2)
    dense = rings_plan((-90.0, 1), (-60.0, 24), (-45.0, 24), (-30.0, 24), (0.0, 24), repeats=2)
    assert [panels(drawn(evaluated(sphere_log(plan)[0]))[0].svg) for plan in (sparse, dense)] == [1, 2]


def spiral() -> SpherePlan:
    """40 points, each at an elevation of its own, and the axes."""
    place = np.arange(40)
    azimuth = np.mod(137.5 * place, 360.0)
    elevation = -2.0 - 2.2 * place
    return SpherePlan((*azimuth.tolist(), 0.0, 90.0, 180.0, 270.0), (*elevation.tolist(), *[0.0] * 4), 2)


def test_many_elevations_are_taken_together_in_bands_and_none_is_left_out() -> None:
    found = evaluated(sphere_log(spiral())[0])
    assert found.test is not None
    assert len(found.test.rings) == 41
    picture, text = drawn(found)
    counts = [int(n) for n in re.findall(r"\(n = (\d+)\)", picture.alt)]
    assert sum(counts) == 88
    assert len(counts) == 5
    assert re.search(r"elevation −\d+\.\d to −\d+\.\d° \(n = \d+\)", text)
    assert len(shown(rings_table(found)).rows) == 41


def test_a_touch_from_below_is_drawn_too() -> None:
    plan = rings_plan((-90.0, 1), (-45.0, 8), (0.0, 8), (20.0, 8))
    _, text = drawn(evaluated(sphere_log(plan)[0]))
    assert "elevation 20.0° (n = 24)" in text


def test_coarse_readings_are_drawn_without_bars() -> None:
    quiet = replace(SOFT, sd_mm=1e-5, jitter_s=0.0)
    found = evaluated(sphere_log(probe=quiet, mill=Mill(step_mm=0.005))[0])
    picture, _ = drawn(found)
    assert "interval" not in picture.caption
    assert "small dots beside it: its touches" in picture.caption
