"""Time and memory to import a million touches of each shape, each in a process of its own.

Run as ``python tests/importers/bench_shapes.py [ROWS]``; with ``--noise GIB`` a bracketed console log of that
size instead, in which one line in forty is a result.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from probetest.importers import About, import_log
from probetest.triggers import Artefact

Row = tuple[int, float, float, float]
RING = About(artefact=Artefact(kind="ring", diameter_mm=20.0))
NOISE = "<Run|MPos:1.000,2.000,3.000|FS:60,0>\n" * 36


def rows(count: int) -> Iterator[Row]:
    """Number, azimuth, x and y of invented touches inside a ring, from 24 directions in turn."""
    rng = np.random.default_rng(1)
    azimuth = np.arange(count) % 24 * 15.0
    length = 10 + rng.normal(0, 0.002, count) + 0.01 * np.cos(3 * np.radians(azimuth))
    angle = np.radians(azimuth)
    yield from zip(
        range(count),
        azimuth.tolist(),
        (length * np.cos(angle)).tolist(),
        (length * np.sin(angle)).tolist(),
        strict=True,
    )


def _move(azimuth: float) -> str:
    return f"G91 G38.2 X{np.cos(np.radians(azimuth)):.4f} Y{np.sin(np.radians(azimuth)):.4f} F60"


def _clock(second: int) -> str:
    return f"{second // 3600 % 24:02d}:{second // 60 % 60:02d}:{second % 60:02d}"


SHAPES: dict[str, tuple[Callable[[Row], str], dict[str, object]]] = {
    "bare-axis-columns": (
        lambda r: f"{r[2]:.6f} {r[3]:.6f} -5.000000" + " 0.000000" * 6,
        {"units": "mm", "radial": True, "about": RING},
    ),
    "bracketed-result": (
        lambda r: f"{_move(r[1])}\n[PRB:{r[2]:.3f},{r[3]:.3f},-5.000:1]\nok",
        {"units": "mm"},
    ),
    "echoed-console": (
        lambda r: f"[{_clock(r[0])}] [ {_move(r[1])} ] [PRB:{r[2]:.3f},{r[3]:.3f},-5.000:1]",
        {"units": "mm"},
    ),
    "json-result-lines": (
        lambda r: f'{{"prb":{{"e":1,"x":{r[2]:.3f},"y":{r[3]:.3f},"z":-5.000}}}}',
        {"units": "mm", "radial": True, "about": RING},
    ),
    "labelled-values": (
        lambda r: f"siskin F60 n={r[0]} az={r[1]:g} x={r[2]:.4f} y={r[3]:.4f} z=-5.0 trip=1",
        {"units": "mm"},
    ),
    "spreadsheet table": (lambda r: f"{r[0]};{r[1]:g};{r[2]:.4f};{r[3]:.4f}".replace(".", ","), {}),
    "copied-display": (lambda r: f"touch {r[0]}  X+ {abs(r[2]):.3f}", {"units": "mm"}),
    "single-deltas": (lambda r: f"{round(1000 * (r[2] - 10)):+d}", {"units": "um", "direction": (0.0, 0.0)}),
}


def write(path: Path, shape: str, count: int) -> None:
    """Write a log of a shape."""
    line = SHAPES[shape][0]
    with path.open("w", encoding="utf-8") as stream:
        if shape == "spreadsheet table":
            stream.write("Nr;Richtung;X (mm);Y (mm)\n")
        stream.writelines(line(row) + "\n" for row in rows(count))


def read(path: Path, shape: str) -> str:
    """Import a log and say how long it took and what the process has held at most."""
    start = time.perf_counter()
    found = import_log(path, serial="A", **SHAPES[shape][1])
    seconds = time.perf_counter() - start
    if found.shape != shape:
        raise SystemExit(f"{path}: read as {found.shape}, not as {shape}")
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    size = path.stat().st_size / 1e6
    return f"{shape:20} {len(found.tests[0].frame):>9} touches {size:7.1f} MB {seconds:6.2f} s {held:6.0f} MB"


def main() -> None:
    """Print a line for each shape."""
    if sys.argv[1:2] == ["--read"]:
        print(read(Path(sys.argv[2]), sys.argv[3]))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.txt"
        if sys.argv[1:2] == ["--noise"]:
            shapes = ["bracketed-result"]
            results = int(float(sys.argv[2]) * 2**30 / (len(NOISE) + 70))
            line = SHAPES["bracketed-result"][0]
            with path.open("w", encoding="utf-8") as stream:
                stream.writelines(line(row) + "\n" + NOISE for row in rows(results))
        else:
            shapes = list(SHAPES)
        for shape in shapes:
            if path.exists() and sys.argv[1:2] != ["--noise"]:
                path.unlink()
            if not path.exists():
                write(path, shape, int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
            subprocess.run([sys.executable, __file__, "--read", str(path), shape], check=True)


if __name__ == "__main__":
    main()
