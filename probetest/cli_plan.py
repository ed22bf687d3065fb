"""The command that plans a test."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probetest.options import EXIT_CODES, PATH

if TYPE_CHECKING:
    from probetest.plan.wish import Purpose


class _Range(click.FloatRange):
    """Numbers of a range; "nan", which compares with nothing, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number = float(super().convert(value, param, ctx))
        if math.isnan(number):
            self.fail(f"{value!r} is no number.", param, ctx)
        return number


@click.command()
@click.argument(
    "purpose", type=click.Choice(["acceptance", "verification", "contacts", "comparison", "service"])
)
@click.option("--bench", type=PATH, required=True, metavar="FILE", help="What is tested, on what (TOML).")
@click.option("--out", type=PATH, metavar="DIR", help="Write plan, program and record sheet there.")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON, and nothing else.")
@click.option("--limits", type=PATH, metavar="FILE", help="Limits (TOML) that an acceptance is to decide.")
@click.option("--margins", type=PATH, metavar="FILE", help="What difference of builds matters (TOML).")
@click.option(
    "--orientations",
    type=click.IntRange(1, 6),
    metavar="N",
    help="Of the probe; else 4, or 1 if it can't turn.",
)
@click.option(
    "--chance",
    type=_Range(0.5, 0.999),
    default=0.9,
    show_default=True,
    help="That all questions are answered.",
)
@click.option("--minutes", type=_Range(1, 10_000), metavar="MIN", help="Time to keep.")
@click.option(
    "--looks",
    type=click.IntRange(1, 20),
    default=1,
    show_default=True,
    metavar="N",
    help="How often the test may be looked at.",
)
@click.option(
    "--there-and-back", is_flag=True, help="Go to all orientations twice, A B B A, on a machine that drifts."
)
@click.option("--overtravel", is_flag=True, help="Touch again after an overtravel by hand.")
@click.option(
    "--arm",
    type=_Range(0.05, 0.5),
    default=0.15,
    show_default=True,
    metavar="SHARE",
    help="An arm so early or late is to be named.",
)
@click.option(
    "--sd-ratio",
    type=_Range(1.01, 100),
    default=1.5,
    show_default=True,
    help="Scatter against the report that is to be shown.",
)
@click.option(
    "--difference-mm",
    type=_Range(1e-6, 1),
    default=0.003,
    show_default=True,
    help="Difference of the variation from the report that is to be shown.",
)
@click.option(
    "--units-sd-share",
    type=_Range(0, 10),
    default=0.1,
    show_default=True,
    help="How far the scatter of units of a build differs.",
)
@click.option(
    "--units-variation-mm",
    type=_Range(0, 1),
    default=0.0015,
    show_default=True,
    help="How far their variation differs (standard deviation).",
)
def plan(
    purpose: Purpose,
    bench: Path,
    out: Path | None,
    as_json: bool,
    limits: Path | None,
    margins: Path | None,
    orientations: int | None,
    chance: float,
    minutes: float | None,
    looks: int,
    there_and_back: bool,
    overtravel: bool,
    arm: float,
    sd_ratio: float,
    difference_mm: float,
    units_sd_share: float,
    units_variation_mm: float,
) -> None:
    """Plan a test: the fewest touches that answer it, a machine program, a record sheet.

    PURPOSE says what is asked: is the probe within its limits (acceptance), does it agree with its maker's
    report (verification), is a contact pair suspect (contacts), is a build better (comparison), did a
    service change it (service). With --out it writes plan.toml, plan.csv, program.ngc, sheet.pdf and
    sheet.csv; the log that comes back is joined by --plan DIR. Exit codes: 0 the plan answers all with the
    wanted chance, 3 it does not, 2 unusable input.

    Read the cautions at the head of the program before a machine moves.

    Example: probetest plan acceptance --bench bench.toml --out plan
    """
    from probetest.jobs.planning import plan_files, write_plan
    from probetest.plan.telling import plan_to_dict
    from probetest.plan.units import Spread
    from probetest.plan.wish import Wish
    from probetest.screen.console import print_json, progress
    from probetest.screen.plan import print_plan

    spread = Spread(units_sd_share, units_variation_mm)
    wish = Wish(
        purpose,
        orientations,
        chance,
        minutes,
        looks,
        overtravel,
        1 + there_and_back,
        arm,
        sd_ratio,
        difference_mm,
        spread,
    )
    with progress() as bar:
        planned = plan_files(wish, bench, limits, margins, bar.start)
        folder = None if out is None else write_plan(planned, out)
    if as_json:
        print_json(plan_to_dict(planned))
    else:
        print_plan(planned, folder)
    sys.exit(0 if planned.enough else EXIT_CODES["undecided"])
