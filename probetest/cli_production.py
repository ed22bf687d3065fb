"""Commands for whoever makes more than one probe: compare, trend, register."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probetest.options import EXIT_CODES, PATH, reading_options

if TYPE_CHECKING:
    from probetest.jobs.reading import Reading


@click.command()
@click.argument("logs", nargs=-1, type=PATH, metavar="[LOG...]")
@click.option("--register", type=PATH, metavar="FILE", help="Tests of this register as well, or alone.")
@click.option(
    "--by",
    default="build",
    show_default=True,
    metavar="KEY",
    help="What makes a build: build, stage, stylus, machine, or a key of the heads of the logs.",
)
@click.option(
    "--only",
    multiple=True,
    metavar="NAME",
    help="A build to compare, again for each; the first is held against.",
)
@click.option("--last", is_flag=True, help="Take the last test of a unit instead of its first.")
@click.option("--margins", type=PATH, metavar="FILE", help="Which differences matter (TOML).")
@click.option("--limits", type=PATH, metavar="FILE", help="Limits (TOML) that logs are qualified by.")
@click.option(
    "--out",
    type=PATH,
    default=Path("reports/comparison"),
    show_default=True,
    metavar="DIR",
    help="Where the report goes.",
)
@click.option("--no-pdf", is_flag=True, help="Write comparison.json only.")
@click.option("--json", "as_json", is_flag=True, help="Print comparison.json, and nothing else.")
@reading_options
def compare(
    logs: tuple[Path, ...],
    register: Path | None,
    by: str,
    only: tuple[str, ...],
    last: bool,
    margins: Path | None,
    limits: Path | None,
    out: Path,
    no_pdf: bool,
    as_json: bool,
    reading: Reading,
) -> None:
    """Say whether one build of probes is better than another, or whether it is noise.

    LOG is a log, a result.json, a report.pdf, or a folder of logs. Each unit counts once: touches of one
    probe are no independent units. The same units in both builds are compared pair by pair. Exit codes:
    0 each length is decided, 3 some can't be told (misses apart, which few units never show to be alike),
    2 unusable input.

    Example: probetest compare --register register.sqlite --by build
    """
    from probetest.jobs.compare_json import comparison_to_dict
    from probetest.jobs.comparing import open_comparison, write_comparison
    from probetest.jobs.shop import find_logs
    from probetest.screen.comparison import print_comparison
    from probetest.screen.console import print_json, progress

    if not logs and register is None:
        raise click.UsageError("name logs, results or reports, or a register.")
    places = find_logs(logs, out) if logs else []
    asked: dict[str, Any] = {
        "logs": [str(place.resolve()) for place in places],
        "register": str(register.resolve()) if register else "",
        "by": by,
        "margins": str(margins.resolve()) if margins else "",
        "limits": str(limits.resolve()) if limits else "",
        "reading": reading.plain(),
        "only": list(only),
        "last": last,
    }
    with progress() as bar:
        found = open_comparison(**asked, advance=bar.start("reading", len(places)))
        step = bar.start("writing the report", 1)
        folder = write_comparison(asked, out, pdf=not no_pdf)
        step()
    if as_json:
        print_json(comparison_to_dict(found))
    else:
        print_comparison(found, folder)
    # Misses of few units are never alike; they are undecided as a rule.
    undecided = any(one.verdict == "can't tell" and one.figure.kind != "rate" for one in found.compared)
    sys.exit(EXIT_CODES["undecided" if undecided else "pass"])


@click.command()
@click.argument("logs", nargs=-1, type=PATH, metavar="[LOG...]")
@click.option("--register", type=PATH, metavar="FILE", help="Tests of this register as well, or alone.")
@click.option("--field", type=PATH, metavar="FILE", help="Field reports (CSV): serial, touches, misses ...")
@click.option("--ramp", is_flag=True, help="Show on the screen only whether to ship more.")
@click.option(
    "--margins", type=PATH, metavar="FILE", help="What matters, and what the shop can repair (TOML)."
)
@click.option("--limits", type=PATH, metavar="FILE", help="Limits (TOML) that logs are qualified by.")
@click.option(
    "--out",
    type=PATH,
    default=Path("reports/trend"),
    show_default=True,
    metavar="DIR",
    help="Where the reports go.",
)
@click.option("--no-pdf", is_flag=True, help="Write trend.json only.")
@click.option("--json", "as_json", is_flag=True, help="Print trend.json, and nothing else.")
@reading_options
def trend(
    logs: tuple[Path, ...],
    register: Path | None,
    field: Path | None,
    ramp: bool,
    margins: Path | None,
    limits: Path | None,
    out: Path,
    no_pdf: bool,
    as_json: bool,
    reading: Reading,
) -> None:
    """Say whether production drifts, whether a contact ages, and whether to ship more.

    LOG is a log, a result.json, a report.pdf, or a folder of logs. Writes DIR/trend.pdf, a page for the
    shop DIR/shop.pdf, and trend.json. Exit codes: 0 nothing stands out and ship, 1 something stands out or
    wait, 2 unusable input.

    Example: probetest trend --register register.sqlite --field field.csv
    """
    from probetest.jobs.shop import find_logs
    from probetest.jobs.trend_json import trend_to_dict
    from probetest.jobs.trending import open_trend, write_trend
    from probetest.screen.console import print_json, progress
    from probetest.screen.trend import print_trend

    if not logs and register is None:
        raise click.UsageError("name logs, results or reports, or a register.")
    places = find_logs(logs, out) if logs else []
    asked: dict[str, Any] = {
        "logs": [str(place.resolve()) for place in places],
        "register": str(register.resolve()) if register else "",
        "margins": str(margins.resolve()) if margins else "",
        "limits": str(limits.resolve()) if limits else "",
        "field": str(field.resolve()) if field else "",
        "reading": reading.plain(),
    }
    with progress() as bar:
        found = open_trend(**asked, advance=bar.start("reading", len(places)))
        write_trend(asked, out, pdf=not no_pdf, done=bar.start("writing reports", 2))
    if as_json:
        print_json(trend_to_dict(found))
    else:
        print_trend(found, out, only_ramp=ramp)
    sys.exit(EXIT_CODES["pass" if not found.standing_out and found.ramp.advice.action == "ship" else "fail"])


@click.command()
@click.argument("file", type=PATH)
@click.option("--export", type=PATH, metavar="DIR", help="Write every test as plain files into a new folder.")
@click.option("--import", "imported", type=PATH, metavar="DIR", help="Take in what an export wrote.")
def register(file: Path, export: Path | None, imported: Path | None) -> None:
    """List the tests in a register, or move them out to plain files and back.

    Example: probetest register register.sqlite --export copy
    """
    from probetest.jobs.registering import count_judgements, export_register, import_register
    from probetest.register import Register
    from probetest.screen.console import progress
    from probetest.screen.register import print_moved, print_register

    if export and imported:
        raise click.UsageError("--export and --import contradict each other.")
    # An import that can't be read makes no register.
    many = count_judgements(imported) if imported else 0
    with Register(file, create=imported is not None) as base, progress() as bar:
        if export:
            moved = export_register(base, export, bar.start("exporting", len(base)))
        elif imported:
            moved = import_register(base, imported, bar.start("importing", many))
        else:
            entries = list(base.heads())
    if export or imported:
        print_moved(file, moved, export or imported or file, out=export is not None)
    else:
        print_register(file, entries)
