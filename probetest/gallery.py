"""One small log of every shape, all of them invented: what people's machines and hands write.

Nothing here was measured: the logs come from `probetest.simulate`. The first four hold the same 60
approaches from 12 directions, with one miss; the others the four faces of the same ring.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from probetest.scenario import INVENTED, SHOP_MILL, STIFF
from probetest.simulate import Faults, Plan, simulate

SEED = 29
MISSED = 31
"""Number of the approach that ends without contact."""

ROUND = Plan(directions=12, repeats=5)
FACES = Plan(directions=4, repeats=10)
_FACE_NAMES = ("X+", "Y+", "X-", "Y-")

ABOUT = f"""# What the logs of this folder do not say themselves. {INVENTED}.
serial = "SK2-101"
build = "siskin-2"
day = 2026-04-07
artefact = {{kind = "ring", diameter_mm = 25.0, u_mm = 0.0006}}
stylus = {{length_mm = 50.0, ball_diameter_mm = 4.0}}
machine = {{name = "bench mill in bay 2 (invented)", resolution_mm = 0.00125}}
"""


def round_test() -> pd.DataFrame:
    """The 60 approaches from 12 directions, with their truth in the frame's columns."""
    rng = np.random.default_rng(SEED)
    return simulate(STIFF, SHOP_MILL, ROUND, rng=rng, faults=Faults(missed=(MISSED,))).frame


def face_test() -> pd.DataFrame:
    """Ten approaches to each of four faces, without a step of the position."""
    rng = np.random.default_rng(SEED + 1)
    plan = replace(FACES, rounds=False)
    return simulate(STIFF, replace(SHOP_MILL, step_mm=0.0), plan, rng=rng).frame


def write_gallery(folder: Path) -> None:
    """Write a log of each shape, the plan of the first four, and what they all share.

    Parameters
    ----------
    folder : pathlib.Path
        Exists already.
    """
    turns, faces = round_test(), face_test()
    texts: dict[str, Iterator[str]] = {
        "about.toml": iter([ABOUT.rstrip("\n")]),
        "plan.csv": _plan(turns),
        "bare-axis-columns.txt": _bare(turns),
        "bracketed-result.txt": _bracketed(turns),
        "echoed-console.txt": _echoed(turns),
        "json-result-lines.txt": _json(turns),
        "labelled-values.txt": _labelled(faces),
        "spreadsheet-table.csv": _spreadsheet(faces),
        "copied-display.txt": _display(faces),
        "single-deltas.txt": _deltas(faces),
    }
    for name, lines in texts.items():
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _plan(frame: pd.DataFrame) -> Iterator[str]:
    yield "touch,stage,orientation_deg,azimuth_deg,elevation_deg,feed"
    for touch, azimuth in zip(frame["touch"], frame["azimuth_deg"], strict=True):
        yield f"{touch},baseline,0,{azimuth:g},0,60"


def _rows(frame: pd.DataFrame) -> Iterator[tuple[float, float, float, bool]]:
    """Azimuth, x, y and whether the approach triggered; a miss stands at the end of its travel."""
    for azimuth, x, y, outcome in zip(
        frame["azimuth_deg"], frame["x_mm"], frame["y_mm"], frame["outcome"], strict=True
    ):
        angle = np.radians(azimuth)
        end = 14.0 * np.cos(angle), 14.0 * np.sin(angle)
        triggered = outcome == "trigger"
        yield azimuth, *((x, y) if triggered else end), triggered


def _bare(frame: pd.DataFrame) -> Iterator[str]:
    """Only touches stand in such a log: the miss leaves no line."""
    for _, x, y, triggered in _rows(frame):
        if triggered:
            yield f"{x:.6f} {y:.6f} -5.000000" + " 0.000000" * 6


def _move(azimuth: float, feed: float = 60.0) -> str:
    angle = np.radians(azimuth)
    return f"G91 G38.3 X{14 * np.cos(angle):.3f} Y{14 * np.sin(angle):.3f} F{feed:g}"


def _bracketed(frame: pd.DataFrame) -> Iterator[str]:
    yield "; invented log, no machine wrote it"
    yield "G21"
    for azimuth, x, y, triggered in _rows(frame):
        yield _move(azimuth)
        yield f"[PRB:{x:.3f},{y:.3f},-5.000:{int(triggered)}]"
        yield "ok"
        yield "G90 G0 X0 Y0"
        yield "ok"


def _echoed(frame: pd.DataFrame) -> Iterator[str]:
    """Fast and slow touches, each with the time and its command; times pass midnight."""
    rng = np.random.default_rng(SEED + 2)
    second = 86_100
    for azimuth, x, y, triggered in _rows(frame):
        angle = np.radians(azimuth)
        late = 0.004 + rng.normal(0, 0.002)
        fast = (x + late * np.cos(angle), y + late * np.sin(angle)) if triggered else (x, y)
        for (at_x, at_y), feed in ((fast, 200.0), ((x, y), 60.0)):
            move = _move(azimuth, feed)
            yield f"[{_clock(second)}] [ {move} ] [PRB:{at_x:.3f},{at_y:.3f},-5.000:{int(triggered)}]"
            yield f"[{_clock(second + 1)}] [ {move} ] ok"
            second += 3
        yield f"[{_clock(second)}] [ G90 G0 X0 Y0 ] ok"
        second += 4


def _clock(second: int) -> str:
    second %= 86_400
    return f"{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"


def _json(frame: pd.DataFrame) -> Iterator[str]:
    for number, (_, x, y, triggered) in enumerate(_rows(frame), start=1):
        yield f'{{"sr":{{"posx":{x * 0.9:.3f},"posy":{y * 0.9:.3f},"stat":5}}}}'
        yield f'{{"r":{{"n":{number}}},"prb":{{"e":{int(triggered)},"x":{x:.3f},"y":{y:.3f},"z":-5.000}}}}'


def _values(frame: pd.DataFrame) -> Iterator[tuple[int, str, float]]:
    """Number within the face, face and the coordinate of its axis."""
    for number, (azimuth, x, y, _) in enumerate(_rows(frame)):
        face = round(azimuth / 90.0) % 4
        yield number % FACES.repeats + 1, _FACE_NAMES[face], (x, y)[face % 2]


def _labelled(frame: pd.DataFrame) -> Iterator[str]:
    for number, face, value in _values(frame):
        yield f"siskin {face} F60 n={number} {face[0].lower()}={value:.4f} trip=1"


def _spreadsheet(frame: pd.DataFrame) -> Iterator[str]:
    """Semicolons and decimal commas, a title, a note, and a mean below each face."""
    yield "Tasterprüfung Werkbank 2 (erfunden);;;"
    yield "Nr;Achse;Wert (mm);Bemerkung"
    values: list[float] = []
    for number, (_, face, value) in enumerate(_values(frame), start=1):
        values.append(round(value, 4))
        note = "Tür war offen" if number == 12 else ""
        yield f"{number};{face};{value:.4f};{note}".replace(".", ",")
        if number % FACES.repeats == 0:
            yield f"Mittelwert;;{np.mean(values[-FACES.repeats :]):.4f};".replace(".", ",")


def _display(frame: pd.DataFrame) -> Iterator[str]:
    for number, face, value in _values(frame):
        if face == "X+":
            yield f"touch {number}  X {round(value / 0.005) * 0.005:.3f}"


def _deltas(frame: pd.DataFrame) -> Iterator[str]:
    own = [value for _, face, value in _values(frame) if face == "X+"]
    for value in own:
        yield f"{round(1000 * (value - own[0])):+d}"


ANSWERS: dict[str, dict[str, object]] = {
    "bare-axis-columns.txt": {"units": "mm", "radial": True},
    "bracketed-result.txt": {"units": "mm"},
    "echoed-console.txt": {"units": "mm", "feeds": "slow"},
    "json-result-lines.txt": {"units": "mm", "plan": "plan.csv"},
    "labelled-values.txt": {"units": "mm"},
    "spreadsheet-table.csv": {},
    "copied-display.txt": {"units": "mm", "direction": "X+"},
    "single-deltas.txt": {"units": "um", "direction": "X+"},
}
"""What has to be told of each log, besides ``about.toml``: options of the commands."""


if __name__ == "__main__":
    from probetest.resources import bundled

    target = bundled("data") / "logs"
    target.mkdir(exist_ok=True)
    write_gallery(target)
