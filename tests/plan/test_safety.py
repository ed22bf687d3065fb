"""What is refused before a program is written, each by its own sentence."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from benches import bench_of, schedule_of

from probetest.errors import PlanError
from probetest.plan.bench import Bench
from probetest.plan.dialect import read_dialect
from probetest.plan.program import write_program
from probetest.plan.safety import check_bench, check_schedule, stopping_mm
from probetest.plan.schedule import Schedule

EVERY_KIND = {
    "ring": (30.0, 0.0),
    "boss": (30.0, 0.0),
    "sphere": (30.0, -45.0),
    "block": (90.0, 0.0),
    "plane": (0.0, -90.0),
}


def _ask(bench: Bench, schedule: Schedule | None) -> None:
    if schedule is None:
        check_bench(bench)
    else:
        write_program(schedule, bench, read_dialect("console"))


def refusal(bench: Bench, schedule: Schedule | None = None) -> str:
    with pytest.raises(PlanError) as caught:
        _ask(bench, schedule)
    text = str(caught.value)
    assert text.endswith(".")
    assert "\n" not in text
    return text


def test_stopping_distance_by_hand() -> None:
    # 240 mm/min are 4 mm/s: 4^2/(2*200) = 0.04 mm of braking, 4*0.005 = 0.02 mm before it.
    assert stopping_mm(240.0, bench_of()) == pytest.approx(0.06)


@pytest.mark.parametrize("kind", list(EVERY_KIND))
def test_the_benches_of_these_tests_are_safe(kind: str) -> None:
    check_bench(bench_of(kind))
    write_program(schedule_of(EVERY_KIND[kind]), bench_of(kind), read_dialect("console"))


MOVES: list[tuple[dict[str, dict[str, Any]], str]] = [
    # 6000 mm/min are 100 mm/s: 25 mm + 0.5 mm.
    ({"moves": {"position_feed_mm_min": 6000.0}}, r"position_feed_mm_min 6000 .* 25\.500 mm to stop.* 3 mm"),
    ({"machine": {"braking_mm_s2": 1.0}}, r"fast_feed_mm_min 200 .* to stop"),
    ({"machine": {"delay_s": 0.9}}, r"fast_feed_mm_min 200 .* 3\.028 mm to stop"),
    (
        {"machine": {"braking_mm_s2": 0.1}, "moves": {"fast_feed_mm_min": None}},
        r"touch_feed_mm_min 60 .*5\.005",
    ),
    ({"probe": {"max_feed_mm_min": 199.0}}, r"fast_feed_mm_min 200 is above max_feed_mm_min 199"),
    ({"probe": {"max_feed_mm_min": 59.0}}, r"touch_feed_mm_min 60 is above max_feed_mm_min 59"),
    ({"moves": {"touch_feed_mm_min": 0.00001}}, r"touch_feed_mm_min 1e-05 is below 0\.1"),
    ({"moves": {"past_mm": 2.8}}, r"ends 3\.1 mm beyond the surface .*overtravel of 3 mm"),
    ({"moves": {"past_mm": 0.3}}, r"past_mm 0\.3 is not above place_mm 0\.3"),
    ({"moves": {"place_mm": 1.6}}, r"overtravel of 3 mm"),
    ({"moves": {"clearance_mm": 0.3}}, r"clearance_mm 0\.3 is not above place_mm 0\.3"),
    ({"moves": {"settle_mm": 1.1}}, r"run_up_mm 3 less settle_mm 1\.1 leaves 1\.9 mm, below clearance_mm 2"),
    ({"moves": {"safe_z_mm": 1.9}}, r"safe_z_mm 1\.9 is below clearance_mm 2"),
    ({"moves": {"back_off_mm": 0.3}}, r"back_off_mm 0\.3 is not above place_mm 0\.3"),
    (
        {"moves": {"back_off_mm": 0.1, "past_mm": 0.15, "place_mm": 0.0}},
        r"a touch is 0\.25 mm long, .* below 0\.254 mm",
    ),
    # A fast touch that triggered at its start would be followed by 3.05 mm forward.
    (
        {"moves": {"run_up_mm": 4.05}},
        r"after a fast touch could lead 3\.05 mm forward \(run_up_mm 4\.05 less back_off_mm 1\), .* of 3 mm; "
        "state a shorter run_up_mm or a larger back_off_mm",
    ),
    ({"moves": {"depth_mm": 0.3}}, r"depth_mm 0\.3 is not above place_mm 0\.3"),
    ({"moves": {"depth_mm": 11.1}}, r"reaches Z -13\.1, .*clearance_mm 2 .* Z -15"),
    ({"stylus": {"length_mm": 7.9}}, r"length_mm 7\.9 .*comes to 1\.9 mm .*below clearance_mm 2"),
    (
        {"artefact": {"diameter_mm": 9.9}},
        r"diameter_mm 9\.9 a ball of 4 mm with run_up_mm 3 .* 10 mm are needed",
    ),
    # The stem leans by (1.5 + 0.3)/50 = 0.036: at the upper edge the axis is 2 - 0.036*6 = 1.784 mm away.
    ({"stylus": {"stem_diameter_mm": 3.56}}, r"moves on by 1\.8 mm .* comes to 0\.003 mm from the artefact"),
]


@pytest.mark.parametrize(("changes", "words"), MOVES, ids=[words[:30] for _, words in MOVES])
def test_a_bench_is_refused_with_its_numbers(changes: dict[str, dict[str, Any]], words: str) -> None:
    text = refusal(bench_of("ring", **changes))
    assert re.search(words, text), text
    # The same bench never gets as far as a program.
    assert refusal(bench_of("ring", **changes), schedule_of((30.0, 0.0))) == text


ALLOWED: list[dict[str, dict[str, Any]]] = [
    {"moves": {"past_mm": 2.7}},
    {"moves": {"past_mm": 0.31}},
    {"moves": {"place_mm": 0.99}},
    {"moves": {"depth_mm": 11.0}},
    {"stylus": {"length_mm": 8.0, "stem_diameter_mm": 0.6}},
    {"artefact": {"diameter_mm": 10.0}},
    {"moves": {"fast_feed_mm_min": None, "back_off_mm": 0.0}},
    {"moves": {"run_up_mm": 4.0, "settle_mm": 2.0}},
    {"moves": {"run_up_mm": 4.05, "back_off_mm": 1.05}},
    {"moves": {"run_up_mm": 4.05, "fast_feed_mm_min": None, "back_off_mm": 0.0}},
    {"probe": {"max_feed_mm_min": 200.0}},
    {"moves": {"safe_z_mm": 2.0}},
    {"stylus": {"stem_diameter_mm": 3.54}},
]


@pytest.mark.parametrize("changes", ALLOWED, ids=str)
def test_a_bench_at_its_limits_is_not_refused(changes: dict[str, dict[str, Any]]) -> None:
    check_bench(bench_of("ring", **changes))


@pytest.mark.parametrize(
    ("kind", "touches", "words"),
    [
        ("ring", [(0.0, -1.0)], "touch 1 .* on a ring does not have an elevation 0 deg"),
        ("boss", [(0.0, 0.0), (0.0, -45.0)], "touch 2 .* on a boss"),
        ("block", [(0.0, 0.0), (45.0, 0.0)], r"touch 2 \(azimuth 45, .* not square to a face"),
        ("block", [(0.0, -90.0)], "on a block does not have an elevation 0 deg"),
        ("sphere", [(0.0, 1.0)], "on a sphere does not have an elevation from -90 to 0 deg"),
        ("sphere", [(0.0, -91.0)], "from -90 to 0 deg"),
        ("plane", [(0.0, 0.0)], "on a plane does not have an elevation -90 deg"),
        ("ring", [(float("nan"), 0.0)], "angle outside -360 to 360"),
        ("sphere", [(0.0, float("nan"))], "angle outside -360 to 360"),
        ("ring", [(361.0, 0.0)], "angle outside -360 to 360"),
        ("ring", [], "no touch"),
    ],
)
def test_directions_that_an_artefact_has_not(kind: str, touches: Any, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        check_schedule(schedule_of(*touches), bench_of(kind))


def test_no_program_is_written_for_such_a_direction() -> None:
    assert "not square to a face" in refusal(bench_of("block"), schedule_of((45.0, 0.0)))


def test_an_orientation_that_is_no_number_is_refused() -> None:
    with pytest.raises(PlanError, match="angle outside"):
        check_schedule(schedule_of((0.0, 0.0), orientation=np.inf), bench_of())


@pytest.mark.parametrize(
    ("kind", "touch", "moves", "words"),
    [
        # Boss: the touch along X+ begins at -(10 + 2 + 3) = -15, the settling move 0.707 farther out.
        (
            "boss",
            (0.0, 0.0),
            {"x_mm": (-15.7, 30.0)},
            r"where the settling move begins in touch 1 .*X -15\.707",
        ),
        ("boss", (0.0, 0.0), {"x_mm": (-14.9, 30.0), "settle_mm": 0.0}, r"X -15\.000, outside x_mm -14\.9"),
        # Ring: the touch along Y+ ends at 12.5 - 2 + 1.5 = 12.
        ("ring", (90.0, 0.0), {"y_mm": (-30.0, 11.9)}, r"where the touch ends .*Y 12\.000, outside y_mm"),
        ("ring", (90.0, 0.0), {"z_mm": (-7.9, 60.0)}, r"Z -8\.000, outside z_mm -7\.9 to 60"),
        (
            "ring",
            (90.0, 0.0),
            {"z_mm": (-25.0, 20.9)},
            r"over X0 Y0, 1 mm above safe_z_mm, the ball stands at Z 21\.000, outside z_mm -25 to 20\.9",
        ),
        ("ring", (90.0, 0.0), {"x_mm": (1.0, 30.0)}, r"over X0 Y0, .*outside x_mm 1 to 30"),
        # Plane: without a trigger the touch ends at -1.5.
        ("plane", (0.0, -90.0), {"z_mm": (-1.4, 60.0)}, r"ends without a trigger .*Z -1\.500"),
        # The start of a touch from above must not be higher than moves across.
        ("plane", (0.0, -90.0), {"safe_z_mm": 2.9}, r"touch 1 .* begins at Z 3\.000, above safe_z_mm 2\.9"),
    ],
)
def test_points_outside_the_volume(kind: str, touch: Any, moves: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        write_program(schedule_of(touch), bench_of(kind, moves=moves), read_dialect("console"))


def test_pauses_may_stand_at_the_top_of_the_volume() -> None:
    write_program(schedule_of((90.0, 0.0)), bench_of(moves={"z_mm": (-25.0, 21.0)}), read_dialect("console"))


def test_a_sphere_that_stands_too_low() -> None:
    # At the equator the ball reaches -10 - 2 = -12; the floor at -13.9 leaves 1.9 mm.
    low = bench_of("sphere", artefact={"height_mm": 13.9})
    assert "ends at Z -12.000, less than clearance_mm 2" in refusal(
        low, schedule_of((0.0, -45.0), (0.0, 0.0))
    )
    # At 45 deg it is at -10 + 12 sin 45 - 2, and 1.5 sin 45 farther down without a trigger: -4.575.
    write_program(schedule_of((0.0, -45.0)), low, read_dialect("console"))


def test_a_stylus_too_short_for_the_equator_of_a_sphere() -> None:
    short = bench_of("sphere", stylus={"length_mm": 11.9})
    assert "comes to 1.9 mm above the top" in refusal(short, schedule_of((0.0, 0.0)))
    write_program(schedule_of((0.0, -90.0)), short, read_dialect("console"))


def test_on_a_plane_the_stem_must_be_thinner_than_the_ball() -> None:
    check_bench(bench_of("plane", stylus={"stem_diameter_mm": 3.97}))
    assert "comes to 0.005 mm" in refusal(bench_of("plane", stylus={"stem_diameter_mm": 3.99}))


def test_a_stylus_too_short_for_a_plane() -> None:
    # 2 mm above the lowest point, 1.5 mm below the plane without a trigger, 1.4 mm of stylus: 1.9 mm.
    short = bench_of("plane", stylus={"length_mm": 1.4})
    assert "comes to 1.9 mm above the top" in refusal(short, schedule_of((0.0, -90.0)))


@pytest.mark.parametrize(
    ("touch", "stem", "refused"),
    [
        # At the equator the stem leans to the sphere: the segment from (-12, 0) to (-12 + 1.8, 50) is
        # nearest at 12 cos(atan(0.036)) = 11.992 from the centre, which leaves 1.992 mm.
        ((0.0, 0.0), 3.96, False),
        ((0.0, 0.0), 3.98, True),
        # From above it does not lean: 2 mm less the stem.
        ((0.0, -90.0), 3.96, False),
        ((0.0, -90.0), 3.99, True),
    ],
)
def test_a_stem_that_would_touch_a_sphere(touch: tuple[float, float], stem: float, refused: bool) -> None:
    thick = bench_of("sphere", stylus={"stem_diameter_mm": stem})
    if refused:
        assert "mm from the artefact, below 0.01 mm" in refusal(thick, schedule_of(touch))
    else:
        write_program(schedule_of(touch), thick, read_dialect("console"))
