"""Published values and data sets, each with its source and how it was come by.

The status of a value is one of: "seen" (read in the publication or in a file of it), "seen
second-hand" (read in a text that quotes it), "from memory, recomputed" (the publication was not at
hand, the number was computed here and agrees with what is remembered), "computed only" (no
published number is claimed), "trade fact" (common practice, no source).
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent

STATUSES = {"seen", "seen second-hand", "from memory, recomputed", "computed only", "trade fact"}


def read(name: str) -> dict[str, Any]:
    """One of the JSON files beside this module."""
    return json.loads((HERE / name).read_text(encoding="utf-8"))


VALUES = read("values.json")
VARIANCE_SETS = read("analysis_of_variance.json")
UNIVARIATE_SETS = read("univariate.json")


def gear_batches() -> tuple[np.ndarray, np.ndarray]:
    """Diameters of gears and the batch (0 to 9) of each."""
    with (HERE / "gear.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return (
        np.array([float(row["diameter"]) for row in rows]),
        np.array([int(row["batch"]) - 1 for row in rows]),
    )


def variance_set(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Values and groups of a certified one-way data set, from its numbers or its rule."""
    entry = VARIANCE_SETS[name]
    if "groups" in entry:
        groups = [np.array(group) for group in entry["groups"]]
    else:
        # The rule of the sets: a base value, then pairs a tenth below and above it.
        pairs = (entry["rule"]["repeats"] - 1) // 2
        bases = (0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5)
        offset = entry["rule"]["offset"]
        groups = [
            offset + np.r_[base, np.tile([round(base - 0.1, 1), round(base + 0.1, 1)], pairs)]
            for base in bases
        ]
    counts = [len(group) for group in groups]
    return np.concatenate(groups), np.repeat(np.arange(len(groups)), counts)


def univariate_set(name: str) -> np.ndarray:
    """Values of a certified univariate data set, in order, from its numbers or its rule."""
    entry = UNIVARIATE_SETS[name]
    if "values" in entry:
        return np.array(entry["values"], dtype=float)
    rule = entry["rule"]
    middle, step = rule["middle"], rule["step"]
    return np.r_[middle, np.tile([round(middle - step, 1), round(middle + step, 1)], rule["pairs"])]
