"""Tables that say whether the stated rates are kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from probetest.statistics.intervals import proportion_interval
from probetest.study.cells import KINDS

WELL_SAMPLED = (10, 5)
"""From so many directions and touches on, the goals of the intervals hold."""

KEYS = ["directions", "touches", "variation_sd", "kind"]

INTERVALS = {
    "covers pooled sd": "pooled sd",
    "covers direction sd": "sd of one direction",
    "covers worst sd": "worst direction sd",
    "covers variation": "pre-travel variation",
    "covers arm azimuth": "arm azimuth",
    "covers drift": "drift",
    "covers cpk": "Cpk",
}
FLAGS = {
    "flag touch": "touch",
    "flag direction": "direction",
    "flag scatter": "scatter of a direction",
    "flag unequal": "unequal scatter",
    "flag heavy tails": "heavy tails",
    "flag drift": "drift",
    "flag neighbours": "neighbours alike",
    "flag first touch": "first touch",
    "flag shape": "three-arm shape",
    "flag misfit": "shape does not fit",
}
CHECKS = {
    "pooled_sd": "pooled sd",
    "worst_direction_sd": "worst direction sd",
    "pretravel_variation": "pre-travel variation",
    "drift": "drift",
    "cpk": "Cpk",
}


def pooled(marks: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Mean of each mark by kind of scatter, over cells, with the worst and the best cell.

    Parameters
    ----------
    marks : pandas.DataFrame
        As `probetest.study.counted.count_cell` gives it.
    names : sequence of str
        Marks to take.

    Returns
    -------
    pandas.DataFrame
        Columns ``kind``, ``mark``, ``n`` (tests), ``share``, ``lower``, ``upper`` (95 %
        Clopper-Pearson of the share), ``least`` and ``most`` (of the cells).
    """
    rows = []
    taken = marks[marks["mark"].isin(list(names))]
    for (kind, mark), part in taken.groupby(["kind", "mark"], sort=False):
        tests = int(part["n"].sum())
        share = float((part["mean"] * part["n"]).sum() / tests)
        interval = proportion_interval(round(share * tests), tests)
        rows.append(
            {
                "kind": kind,
                "mark": mark,
                "n": tests,
                "share": share,
                "lower": interval.lower,
                "upper": interval.upper,
                "least": float(part["mean"].min()),
                "most": float(part["mean"].max()),
            }
        )
    return pd.DataFrame(rows)


def well_sampled(marks: pd.DataFrame) -> pd.DataFrame:
    """Cells with enough directions and touches for the goals of the intervals."""
    directions, touches = WELL_SAMPLED
    return marks[(marks["directions"] >= directions) & (marks["touches"] >= touches)]


def wide(marks: pd.DataFrame) -> pd.DataFrame:
    """One row a cell, one column a mark, three decimals."""
    table = marks.pivot_table(index=KEYS, columns="mark", values="mean", sort=False)
    order = list(dict.fromkeys(marks["mark"]))
    return table[order].round(3).reset_index()


def variation_bias(marks: pd.DataFrame) -> pd.DataFrame:
    """Bias of the variation against what is allowed: 3 % of the truth or 0.3 sd, the larger.

    Returns
    -------
    pandas.DataFrame
        One row a cell: ``bias_sd``, ``raw_bias_sd`` (raw range), ``rmse_sd``, ``error_sd`` (standard error
        of the bias), ``allowed_sd``, ``kept`` and ``clearly_broken`` (by more than two standard errors).
    """
    table = wide(marks)[KEYS]
    indexed = marks.set_index(KEYS)
    own, raw = (indexed[indexed["mark"] == name] for name in ("error variation", "error raw range"))
    places = pd.MultiIndex.from_frame(table)
    bias = own["mean"].reindex(places).to_numpy()
    spread = own["sd"].reindex(places).to_numpy()
    error = spread / np.sqrt(own["n"].reindex(places).to_numpy())
    allowed = np.maximum(0.3, 0.03 * table["variation_sd"].to_numpy())
    return table.assign(
        bias_sd=bias,
        raw_bias_sd=raw["mean"].reindex(places).to_numpy(),
        rmse_sd=np.hypot(bias, spread),
        error_sd=error,
        allowed_sd=allowed,
        kept=np.abs(bias) <= allowed,
        clearly_broken=np.abs(bias) > allowed + 2 * error,
    )


def percent(share: float) -> str:
    """A share in per cent, one decimal below 10 %."""
    return f"{100 * share:.1f}"


def markdown_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def coverage_table(marks: pd.DataFrame) -> str:
    """Coverage of every 95 % interval by kind of scatter: mean, and the worst and best cell."""
    return _by_kind(pooled(well_sampled(marks), list(INTERVALS)), INTERVALS)


def flag_table(marks: pd.DataFrame) -> str:
    """How often each flag rises in a test, by kind of scatter."""
    return _by_kind(pooled(marks, list(FLAGS)), FLAGS)


def verdict_table(marks: pd.DataFrame, outcome: str) -> str:
    """Share of tests of a probe at its limit that "passed" or "failed", by kind of scatter."""
    names = {f"limit {outcome} {check}": label for check, label in CHECKS.items()}
    return _by_kind(pooled(well_sampled(marks), list(names)), names)


def power_table(marks: pd.DataFrame) -> str:
    """Share of tests passed where the limit is 1.5 times the truth, by kind of scatter."""
    names = {f"generous passed {check}": label for check, label in CHECKS.items()}
    return _by_kind(pooled(well_sampled(marks), list(names)), names)


def _by_kind(found: pd.DataFrame, names: dict[str, str]) -> str:
    columns = ("kind", "mark", "share", "least", "most")
    cells = {
        (kind, mark): f"{percent(share)} ({percent(least)} to {percent(most)})"
        for kind, mark, share, least, most in zip(*(found[name] for name in columns), strict=True)
    }
    used = [mark for mark in names if any(key[1] == mark for key in cells)]
    rows = [
        [KINDS[kind], *(cells.get((kind, mark), "") for mark in used)]
        for kind in KINDS
        if any(key[0] == kind for key in cells)
    ]
    return markdown_table(["scatter", *(names[mark] for mark in used)], rows)
