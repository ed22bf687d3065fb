"""Time and memory of a batch: ``python -m probetest.study.batch_study SERIALS FOLDER``."""

from __future__ import annotations

import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil

from probetest.importers import write_native_log
from probetest.jobs.batch import Options
from probetest.jobs.shop import REGISTER, Shop, find_logs, run_batch
from probetest.production import PLAN, THIRD, Unit, simulate_unit, vary
from probetest.scenario import Case, record_of
from probetest.triggers import Source, Triggers

FIRST_STREAM = 5000
BYTES_PER_MIB = 1 << 20


def write_logs(serials: int, folder: Path) -> None:
    """Write simulated logs of healthy units."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(FIRST_STREAM)
    for number in range(serials):
        unit = Unit(f"B{number:04d}", "bench", "healthy", vary(THIRD, rng), day=number)
        frame = simulate_unit(unit, FIRST_STREAM + number).frame
        record = record_of(Case(unit.serial, unit.build, unit.story, unit.probe, plan=PLAN))
        source = Source(f"{unit.serial}.csv", "", len(frame), "mm", "simulated")
        write_native_log(Triggers(record, frame, source), folder / source.file)


def measure(serials: int, folder: Path) -> str:
    """Run a batch and say what it took: wall time, and memory of this process and of the largest worker."""
    write_logs(serials, folder / "logs")
    logs = find_logs([folder / "logs"], folder / "out")
    shop = Shop(folder / "out", register=folder / "out" / REGISTER)
    started = time.perf_counter()
    at: list[float] = []
    memory: list[tuple[float, float]] = []
    for _ in run_batch(logs, Options(), shop):
        at.append(time.perf_counter() - started)
        memory.append(_memory())
    half = serials // 2
    own, worker = (max(part) for part in zip(*memory, strict=True))
    own_half, worker_half = (max(part) for part in zip(*memory[:half], strict=True))
    return (
        f"{serials} serials: {at[-1]:.1f} s; first after {at[0]:.1f} s, then "
        f"{(at[-1] - at[0]) / serials:.2f} s "
        f"each (first half {(at[half] - at[0]) / half:.2f}); memory {own:.0f} MiB ({own_half:.0f} in the "
        "first "
        f"half), largest worker {worker:.0f} MiB ({worker_half:.0f})"
    )


def _memory() -> tuple[float, float]:
    """Memory in use by this process, and by the largest of its workers, MiB."""
    here = psutil.Process()
    workers = []
    for child in here.children(recursive=True):
        # A worker may end between the list and the look.
        with suppress(psutil.NoSuchProcess):
            workers.append(child.memory_info().rss)
    return here.memory_info().rss / BYTES_PER_MIB, max(workers, default=0) / BYTES_PER_MIB


if __name__ == "__main__":
    print(measure(int(sys.argv[1]), Path(sys.argv[2])))
