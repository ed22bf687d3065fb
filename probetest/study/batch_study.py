"""Time and memory of a batch: ``python -m probetest.study.batch_study SERIALS FOLDER``."""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np

from probetest.importers import write_native_log
from probetest.jobs.batch import Options
from probetest.jobs.shop import REGISTER, Shop, find_logs, run_batch
from probetest.production import PLAN, THIRD, Unit, simulate_unit, vary
from probetest.scenario import Case, record_of
from probetest.triggers import Source, Triggers

FIRST_STREAM = 5000
KIB_PER_MIB = 1024


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
    """Run a batch and say what it took: wall time, and the largest memory of this process and of a worker."""
    write_logs(serials, folder / "logs")
    logs = find_logs([folder / "logs"], folder / "out")
    shop = Shop(folder / "out", register=folder / "out" / REGISTER)
    started, at_half = time.perf_counter(), 0.0
    done = 0
    for steps in run_batch(logs, Options(), shop):
        done += len(steps)
        if done == serials // 2:
            at_half = time.perf_counter() - started
    took = time.perf_counter() - started
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / KIB_PER_MIB
    worker = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / KIB_PER_MIB
    return (
        f"{serials} serials: {took:.1f} s, {took / serials:.2f} s each, first half {at_half:.1f} s; "
        f"memory {own:.0f} MiB, largest worker {worker:.0f} MiB"
    )


if __name__ == "__main__":
    print(measure(int(sys.argv[1]), Path(sys.argv[2])))
