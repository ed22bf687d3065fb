"""Time the import of a native log beside a bare ``pyarrow.csv.read_csv`` of its table.

Run as ``python tests/importers/bench_import.py [ROWS]``.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow.csv as pacsv

from probetest.importers import import_log

HEAD = (
    '# serial = "LARCH-0042"          # build = "plate B (invented)"        # units = "mm"\n'
    '# artefact = {kind = "ring", diameter_mm = 25.0004, u_mm = 0.0006}\n'
)
HEADER = (
    "touch,time,stage,orientation_deg,azimuth_deg,elevation_deg,"
    "x_mm,y_mm,z_mm,outcome,feed_mm_min,temperature_c\n"
)


def write_logs(folder: Path, rows: int, rng: np.random.Generator) -> tuple[Path, Path]:
    """Write a native log with all columns, and its table alone; return both paths."""
    azimuth = np.arange(rows) % 36 * 10
    x = 10.5 * np.cos(np.radians(azimuth)) + rng.normal(0, 0.001, rows)
    y = 10.5 * np.sin(np.radians(azimuth)) + rng.normal(0, 0.001, rows)
    seconds = np.arange(rows) * 4
    time_text = np.datetime_as_string(np.datetime64("2026-03-02T09:00:04") + seconds)
    temperature = 20 + rng.normal(0, 0.3, rows)
    missed = rng.random(rows) < 0.001
    lines = [HEADER]
    for n in range(rows):
        place = ",," if missed[n] else f"{x[n]:.5f},{y[n]:.5f},-5.00000"
        outcome = "missed" if missed[n] else "trigger"
        lines.append(
            f"{n + 1},{time_text[n]},baseline,0,{azimuth[n]},0,{place},{outcome},60,{temperature[n]:.1f}\n"
        )
    table = "".join(lines)
    log_path, table_path = folder / "log.csv", folder / "table.csv"
    log_path.write_text(HEAD + table, encoding="utf-8")
    table_path.write_text(table, encoding="utf-8")
    return log_path, table_path


def measure(log_path: Path, table_path: Path, repeats: int) -> tuple[float, float, float]:
    """Return the median seconds of both readers and the median of their ratios, taken in turn."""
    import_log(log_path)
    bare, ours = [], []
    for _ in range(repeats):
        bare.append(_seconds(lambda: pacsv.read_csv(table_path)))
        ours.append(_seconds(lambda: import_log(log_path)))
    ratios = [one / other for one, other in zip(ours, bare, strict=True)]
    return statistics.median(bare), statistics.median(ours), statistics.median(ratios)


def _seconds(job: Callable[[], object]) -> float:
    begin = time.perf_counter()
    job()
    return time.perf_counter() - begin


def main() -> None:
    """Print the times and their ratio."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        paths = write_logs(Path(folder), rows, np.random.default_rng(1))
        size = paths[0].stat().st_size / 1e6
        bare, ours, ratio = measure(*paths, repeats=11)
    print(f"{rows} touches, {size:.1f} MB: bare read {bare:.3f} s, import {ours:.3f} s, ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
