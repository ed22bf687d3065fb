"""Writes the study: a page of tables, the numbers behind them, and figures."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from probetest.report.style import figure_to_svg, report_style
from probetest.study.cells import DIRECTIONS, KINDS, TOUCHES, VARIATIONS
from probetest.study.figures import bias_figure, coverage_figure, wrong_pass_figure
from probetest.study.summary import (
    coverage_table,
    flag_table,
    markdown_table,
    power_table,
    variation_bias,
    verdict_table,
    wide,
)

"""Marks of the same tests judged by an earlier version, kept beside the tables."""


def write_study(
    marks: pd.DataFrame, power: pd.DataFrame, estimators: pd.DataFrame, tests: int, out: Path
) -> list[Path]:
    """Write all files of the study.

    Parameters
    ----------
    marks : pandas.DataFrame
        Of `probetest.study.counted.count_cells`.
    power : pandas.DataFrame
        Of `probetest.study.side_studies.planted_faults`.
    estimators : pandas.DataFrame
        Of `probetest.study.side_studies.variation_estimators`.
    tests : int
        Simulated tests of each cell.
    out : pathlib.Path
        Folder; made where it is missing. Each file is complete or not there.

    Returns
    -------
    list of pathlib.Path
        The files, the page of tables first.
    """
    out.mkdir(parents=True, exist_ok=True)
    with report_style():
        figures = {
            "coverage.svg": figure_to_svg(coverage_figure(marks)),
            "wrong_passes.svg": figure_to_svg(wrong_pass_figure(marks)),
            "variation_bias.svg": figure_to_svg(bias_figure(marks)),
        }
    files = {
        "README.md": study_page(marks, power, estimators, tests).encode(),
        "cells.csv": wide(marks).to_csv(index=False, lineterminator="\n").encode(),
        "planted_faults.csv": power.round(4).to_csv(index=False, lineterminator="\n").encode(),
        "estimators.csv": estimators.round(3).to_csv(index=False, lineterminator="\n").encode(),
        **figures,
    }
    return [_write(out / name, content) for name, content in files.items()]


def _write(path: Path, content: bytes) -> Path:
    unfinished = path.with_name(f".{path.name}.part")
    unfinished.write_bytes(content)
    return unfinished.replace(path)


def study_page(marks: pd.DataFrame, power: pd.DataFrame, estimators: pd.DataFrame, tests: int) -> str:
    """The page of tables, in Markdown."""
    cells = len(wide(marks))
    bias = variation_bias(marks)
    kept, broken = int(bias["kept"].sum()), int(bias["clearly_broken"].sum())
    numbers = ", ".join(str(n) for n in DIRECTIONS)
    touches = ", ".join(str(n) for n in TOUCHES)
    variations = ", ".join(f"{value:g}" for value in VARIATIONS)
    return f"""# Do the statistics keep their word?

Every interval, flag and verdict of a report, held against simulated tests whose truth is known:
{cells} cells ({numbers} directions × {touches} touches each × a true pre-travel variation of
{variations} sd of a touch × {len(KINDS)} kinds of scatter), {tests} tests a cell, one fixed seed. Each test
goes through the same analysis as a log. The curves are those of three-arm seats with contact pairs,
arm azimuth and geometry at random; all directions are touched once in random order, then all again.

Made by `python -m probetest.study`; the numbers of each cell are in `cells.csv`.

## Coverage of the 95 % intervals, in %

Cells with 12 directions or more and 5 touches or more: the mean, in brackets the worst and the best
cell (a cell of {tests} tests scatters by ±{100 * 1.96 * (0.95 * 0.05 / tests) ** 0.5:.1f} % by itself).

{coverage_table(marks)}

![coverage](coverage.svg)

## Bias of the pre-travel variation

Allowed: 3 % of the truth or 0.3 sd of a touch, the larger. The bias found keeps that in {kept} of
{len(bias)} cells, and breaks it by more than two of its standard errors in {broken}:

{_broken(bias)}

![bias](variation_bias.svg)

## Ways to estimate the variation

Root mean square error in standard errors of a direction mean, averaged over 8 to 36 directions, 3 to
25 touches and 0 to 10 sd; in brackets the largest bias of any cell.

{_estimators(estimators)}

The three-arm shape by itself is best where the probe has three equal arms, and wrong without
notice where it has not; this software uses it as far as the readings agree with it.

## Flags: tests in which each rises, in %

All cells. Stated: 1 % for touch, direction, scatter, unequal scatter, drift, neighbours, first touch,
shape and misfit; 5 % for heavy tails; where the kind of scatter is what a flag is for, this is its power.

{flag_table(marks)}

## Planted faults found, in %

Normal scatter, one fault a test; u is the standard error of a direction mean.

{_planted(power)}

## Wrong passes and wrong fails at the limit, in %

The limit of each check is the truth itself, so that every verdict but "undecided" is wrong; stated is
at most 5 % each way. Passed:

{verdict_table(marks, "passed")}

Failed:

{verdict_table(marks, "failed")}

![wrong passes](wrong_passes.svg)

## Passed where the limit is 1.5 times the truth, in %

{power_table(marks)}
"""


def _broken(bias: pd.DataFrame) -> str:
    broken = bias[bias["clearly_broken"]]
    names = ("kind", "directions", "touches", "variation_sd", "bias_sd", "allowed_sd", "raw_bias_sd")
    rows = [
        [KINDS[kind], str(directions), str(touches), f"{true:g}", f"{own:+.2f}", f"{most:.2f}", f"{raw:+.2f}"]
        for kind, directions, touches, true, own, most, raw in zip(
            *(broken[name] for name in names), strict=True
        )
    ]
    header = ["scatter", "directions", "touches", "true / sd", "bias / sd", "allowed / sd", "raw range / sd"]
    return markdown_table(header, rows) if rows else "None."


def _estimators(estimators: pd.DataFrame) -> str:
    names = list(dict.fromkeys(estimators["estimator"]))
    curves = list(dict.fromkeys(estimators["curve"]))
    rows = []
    for name in names:
        row = [name]
        for curve in curves:
            part = estimators[(estimators["estimator"] == name) & (estimators["curve"] == curve)]
            worst = part["bias_u"].loc[part["bias_u"].abs().idxmax()]
            row.append(f"{(part['rmse_u'] ** 2).mean() ** 0.5:.2f} ({worst:+.1f})")
        rows.append(row)
    return markdown_table(["estimator", *curves], rows)


def _planted(power: pd.DataFrame) -> str:
    groups = list(power.groupby(["directions", "touches"], sort=False))
    faults = list(dict.fromkeys(power["fault"]))
    rows = []
    for fault in faults:
        row = [fault]
        for _, part in groups:
            share = part.loc[part["fault"] == fault, "found"]
            row.append(f"{100 * share.iloc[0]:.0f}" if len(share) else "")
        rows.append(row)
    header = ["fault", *(f"{directions} × {touches}" for (directions, touches), _ in groups)]
    return markdown_table(header, rows)
