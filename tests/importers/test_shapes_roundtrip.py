"""Random touches written in each shape of lines and read again, and converted to a native log."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from bad_input import along
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from probetest.importers import Told, import_log, read_plan
from probetest.importers.words import FACES
from probetest.jobs.converting import convert_log

QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@dataclass(frozen=True)
class Touch:
    """One approach: its face, its position in thousandths of a mm, whether it touched."""

    face: str
    place: tuple[int, int, int]
    has_contact: bool

    @property
    def position(self) -> tuple[float, float, float]:
        x, y, z = (value / 1000 for value in self.place)
        return x, y, z

    @property
    def coordinate(self) -> float:
        return self.position["XYZ".index(self.face[0])]

    @property
    def reading(self) -> float:
        return self.coordinate if self.face[1] == "+" else -self.coordinate


# Faces lie 20 to 25 mm from the zero: touches of one direction are of one place, as in a test, and the
# axes that do not touch stand still but for a step.
steps, still = st.integers(-40, 40), st.integers(-1, 1)


@st.composite
def touches(draw: st.DrawFn, *, faces: tuple[str, ...] = tuple(FACES), misses: bool = True) -> list[Touch]:
    """Touches of some faces; the first one has contact, so that there is a touch to read."""
    chosen = draw(st.lists(st.sampled_from(faces), min_size=1, max_size=3, unique=True))
    count = draw(st.integers(1, 12))
    found = []
    for number in range(count):
        face = draw(st.sampled_from(chosen))
        away = 20_000 + 1000 * "XYZ".index(face[0])
        place = [draw(still) + 5000, draw(still) + 6000, draw(still) - 7000]
        axis = "XYZ".index(face[0])
        place[axis] = draw(steps) + (away if face[1] == "+" else -away)
        has_contact = number == 0 or not misses or draw(st.booleans())
        found.append(Touch(face, (place[0], place[1], place[2]), has_contact))
    return found


Written = tuple[str, list[int]]


def numbered(entries: list[tuple[str, bool]]) -> Written:
    """Text of some lines, and the numbers of those that hold a result."""
    return "".join(f"{text}\n" for text, _ in entries), [
        at for at, (_, holds) in enumerate(entries, 1) if holds
    ]


def result(touch: Touch) -> str:
    x, y, z = touch.position
    return f"[PRB:{x:.3f},{y:.3f},{z:.3f}:{int(touch.has_contact)}]"


def move(touch: Touch) -> str:
    return f"G91 G38.2 {touch.face[0]}{touch.face[1].replace('+', '')}12 F60"


def console(log: list[Touch]) -> Written:
    return numbered(
        [line for one in log for line in ((move(one), False), (result(one), True), ("ok", False))]
    )


def echoed(log: list[Touch]) -> Written:
    lines = []
    for number, one in enumerate(log):
        time = f"[{number // 60 + 9:02d}:{number % 60:02d}:07]"
        lines += [(f"{time} [ {move(one)} ] {result(one)}", True), (f"{time} [ G0 X1 ] ok", False)]
    return numbered(lines)


def json_lines(log: list[Touch]) -> Written:
    lines = []
    for one in log:
        x, y, z = one.position
        text = f'{{"prb":{{"e":{int(one.has_contact)},"x":{x:.3f},"y":{y:.3f},"z":{z:.3f}}}}}'
        lines += [(text, True), ('{"sr":{"posz":-8.430,"stat":3}}', False)]
    return numbered(lines)


def labelled(log: list[Touch]) -> Written:
    return numbered(
        [
            (
                f"T07 {one.face} F50 n={number} {one.face[0].lower()}={one.coordinate:.3f} "
                f"trip={int(one.has_contact)}",
                True,
            )
            for number, one in enumerate(log, 1)
        ]
    )


def bare_columns(log: list[Touch]) -> Written:
    return numbered([("{:.6f} {:.6f} {:.6f}{}".format(*one.position, 6 * " 0.000000"), True) for one in log])


def display(log: list[Touch]) -> Written:
    return numbered(
        [(f"touch {number}  {one.face} {one.coordinate:.3f}", True) for number, one in enumerate(log, 1)]
    )


def deltas(log: list[Touch]) -> Written:
    return numbered([(f"{one.coordinate:+.3f}", True) for one in log])


Writer = Callable[[list[Touch]], Written]
PLANNED, LABELLED, ALONE = "planned", "labelled", "alone"
SHAPES: dict[str, tuple[Writer, str, bool]] = {
    "bracketed-result": (console, LABELLED, True),
    "echoed-console": (echoed, LABELLED, True),
    "json-result-lines": (json_lines, PLANNED, True),
    "labelled-values": (labelled, LABELLED, True),
    "bare-axis-columns": (bare_columns, PLANNED, False),
    "copied-display": (display, LABELLED, False),
    "single-deltas": (deltas, ALONE, False),
}
"""Writer of each shape, where its directions come from, and whether it can hold a miss."""


def written(shape: str, log: list[Touch], folder: Path) -> tuple[Path, Told, list[int]]:
    """A log of some touches, what its user must tell, and the lines of its results."""
    writer, origin, _ = SHAPES[shape]
    text, lines = writer(log)
    path = folder / "run.txt"
    path.write_text(text, encoding="utf-8")
    answers: dict[str, Any] = {"units": "mm", "serial": "LARCH-0042", "feeds": "all"}
    if origin == PLANNED:
        plan = folder / "plan.csv"
        plan.write_text("face\n" + "".join(f"{one.face}\n" for one in log), encoding="utf-8")
        answers["plan"] = read_plan(plan)
    elif origin == ALONE:
        answers["direction"] = FACES[log[0].face]
    return path, Told(**answers), lines


def expected_angles(log: list[Touch]) -> NDArray[np.float64]:
    return np.array([FACES[one.face] for one in log])


@pytest.mark.parametrize("shape", SHAPES)
@given(data=st.data())
@QUICK
def test_a_shape_gives_back_its_touches(shape: str, data: st.DataObject) -> None:
    log = data.draw(
        touches(faces=("X+",), misses=False)
        if SHAPES[shape][1] == ALONE
        else touches(misses=SHAPES[shape][2])
    )
    with tempfile.TemporaryDirectory() as folder:
        path, told, lines = written(shape, log, Path(folder))
        found = import_log(path, told)
    assert found.shape == shape
    (triggers,) = found.tests
    frame = triggers.frame
    assert frame["line"].tolist() == lines
    assert (frame["outcome"] == "trigger").tolist() == [one.has_contact for one in log]
    assert frame[["azimuth_deg", "elevation_deg"]].to_numpy() == pytest.approx(expected_angles(log))
    assert along(triggers) == pytest.approx([one.reading for one in log if one.has_contact], abs=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
@given(data=st.data())
@QUICK
def test_a_converted_shape_is_the_same_log(shape: str, data: st.DataObject) -> None:
    log = data.draw(
        touches(faces=("X+",), misses=False)
        if SHAPES[shape][1] == ALONE
        else touches(misses=SHAPES[shape][2])
    )
    with tempfile.TemporaryDirectory() as folder:
        path, told, lines = written(shape, log, Path(folder))
        out = Path(folder) / "native.csv"
        first = convert_log(path, out, told).result
        second = import_log(out)
    assert first is not None
    assert second.shape == "native log"
    pd.testing.assert_frame_equal(second.tests[0].frame, first.tests[0].frame, check_categorical=False)
    assert second.tests[0].frame["line"].tolist() == lines
    assert second.tests[0].record.origin is not None
    assert second.tests[0].record.origin.file == "run.txt"


@pytest.mark.parametrize(
    "shape", ["bracketed-result", "echoed-console", "json-result-lines", "bare-axis-columns"]
)
@given(data=st.data())
@QUICK
def test_all_axes_of_a_position_are_kept(shape: str, data: st.DataObject) -> None:
    log = data.draw(touches(misses=SHAPES[shape][2]))
    with tempfile.TemporaryDirectory() as folder:
        path, told, _ = written(shape, log, Path(folder))
        (triggers,) = import_log(path, told).tests
    positions = np.array([one.position if one.has_contact else 3 * (np.nan,) for one in log])
    found = triggers.frame[["x_mm", "y_mm", "z_mm"]].to_numpy()
    assert found == pytest.approx(positions, abs=1e-9, nan_ok=True)


@given(log=touches())
@QUICK
def test_a_log_in_inch_gives_mm(log: list[Touch]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path, told, _ = written("bracketed-result", log, Path(folder))
        (triggers,) = import_log(path, told, units="inch").tests
    assert along(triggers) == pytest.approx([25.4 * one.reading for one in log if one.has_contact], abs=1e-9)
