"""The command line: options to jobs to screen, nothing else."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

import probetest

if TYPE_CHECKING:
    from probetest.jobs.batch import Options

EXIT_CODES = {"pass": 0, "fail": 1, "undecided": 3}
UNUSABLE = 2
BROKEN = 70

PATH = click.Path(path_type=Path)


def _reading_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of every command that reads logs."""
    for option in (
        click.option(
            "--units", type=click.Choice(["mm", "inch"]), help="Units, where the log does not state them."
        ),
        click.option(
            "--columns", type=PATH, metavar="FILE", help="Column map (TOML) for a table with other names."
        ),
    ):
        command = option(command)
    return command


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(probetest.__version__, prog_name="probetest")
def cli() -> None:
    """Test how well a touch probe repeats, and report it honestly.

    A log of repeated touches goes in; a verdict with its uncertainty and a PDF report per serial
    come out. Exit codes: 0 all pass, 1 any fail, 3 any undecided and none failed, 2 unusable input.
    """


@cli.command()
@click.argument("logs", nargs=-1, required=True, type=PATH, metavar="LOG...")
@click.option(
    "--limits", type=PATH, metavar="FILE", help="Limits (TOML); each one not named keeps its default."
)
@click.option(
    "--out", type=PATH, default=Path("reports"), show_default=True, metavar="DIR", help="Where reports go."
)
@click.option("--no-pdf", is_flag=True, help="Write result.json only.")
@_reading_options
def qualify(
    logs: tuple[Path, ...],
    limits: Path | None,
    out: Path,
    no_pdf: bool,
    columns: Path | None,
    units: str | None,
) -> None:
    """Check each probe against its limits; write DIR/SERIAL/ with report.pdf, report.ipynb, result.json.

    Example: probetest qualify SK1-001.csv --limits limits.toml
    """
    from probetest.jobs.batch import Options

    sys.exit(_qualify(list(logs), Options(limits, columns, units), out, pdf=not no_pdf))


@cli.command()
@click.argument("logs", nargs=-1, required=True, type=PATH, metavar="LOG...")
@_reading_options
def check(logs: tuple[Path, ...], columns: Path | None, units: str | None) -> None:
    """Say what was understood of each log, and every problem in it. Writes nothing.

    Example: probetest check SK1-001.csv
    """
    from probetest.errors import ImportDataError
    from probetest.importers import import_log
    from probetest.jobs.batch import Options
    from probetest.screen import print_import, print_problems

    column_map = Options(None, columns, units).column_map()
    unusable = False
    for log in logs:
        try:
            print_import(import_log(log, column_map=column_map, units=units))
        except ImportDataError as error:
            print_problems(log, error)
            unusable = True
    sys.exit(UNUSABLE if unusable else 0)


@cli.command()
@click.argument("folder", default=Path("probetest-demo"), type=PATH, metavar="[DIR]")
@click.option("--no-pdf", is_flag=True, help="Write result.json only.")
def demo(folder: Path, no_pdf: bool) -> None:
    """Copy the demo logs of an invented maker to DIR/logs and qualify them all.

    The demo holds good, bad and doubtful probes on purpose, so that it ends with exit code 1.
    """
    from probetest.jobs.batch import Options
    from probetest.jobs.demo import copy_demo

    logs, limits = copy_demo(folder)
    sys.exit(_qualify(logs, Options(limits), folder, pdf=not no_pdf))


def _qualify(logs: list[Path], options: Options, out: Path, *, pdf: bool) -> int:
    from probetest.jobs.batch import qualify_jobs, read_jobs, write_results
    from probetest.screen import print_results, progress
    from probetest.statistics.decision import overall_verdict

    limits = options.read_limits()
    jobs = read_jobs(logs, options)
    with progress() as bar:
        results = qualify_jobs(jobs, limits, bar.start("computing", len(jobs)))
        step = bar.start("writing reports" if pdf else "writing results", len(results))
        folders = []
        for folder in write_results(results, out, options, pdf=pdf):
            folders.append(folder)
            step()
    print_results([found for _, found in results], folders)
    return EXIT_CODES[overall_verdict(found.verdict for _, found in results)]


def main() -> NoReturn:
    """Run the command line; a user's mistake ends in sentences, not in a traceback."""
    from probetest.errors import ProbetestError

    for stream in (sys.stdout, sys.stderr):
        # A name in a log may hold signs that the terminal can't show.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        cli(standalone_mode=False)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(UNUSABLE)
    except click.Abort:
        click.echo("probetest: stopped.", err=True)
        sys.exit(130)
    except ProbetestError as error:
        from probetest.faults import printable

        # A serial or a file name in a message may hold what a terminal would obey.
        lines = [printable(line) for line in str(error).split("\n")]
        click.echo("probetest: " + "\n".join(lines), err=True)
        sys.exit(UNUSABLE)
    except BrokenPipeError:
        # Whoever read the output has gone; Python must not try again at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(UNUSABLE)
    except MemoryError:
        click.echo("probetest: not enough memory for this log; split it, or use a larger machine.", err=True)
        sys.exit(UNUSABLE)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        click.echo(f"probetest: {place}{error.strerror or error}.", err=True)
        sys.exit(UNUSABLE)
    except Exception:
        # Exit code 1 means that a probe failed; a fault of this program must not look like it.
        traceback.print_exc()
        sys.exit(BROKEN)
    sys.exit(0)
