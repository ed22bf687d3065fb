"""The command line: options to jobs to screen, nothing else."""

from __future__ import annotations

import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

import probetest
from probetest.cli_plan import plan
from probetest.cli_production import compare, register, trend
from probetest.options import BROKEN, EXIT_CODES, PATH, UNUSABLE, reading_options

if TYPE_CHECKING:
    from probetest.jobs.batch import Options
    from probetest.jobs.reading import Reading
    from probetest.jobs.shop import Shop


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
@click.option(
    "--register", type=PATH, metavar="FILE", help="Keep the tests in this register; a folder has its own."
)
@click.option("--no-register", is_flag=True, help="Keep no register of a folder.")
@click.option(
    "--workers", type=click.IntRange(0), default=0, metavar="N", help="Processes for a folder; 0: all cores."
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler that does the work of a folder.")
@click.option("--again", is_flag=True, help="Do what an earlier run of a folder has done as well.")
@reading_options
def qualify(
    logs: tuple[Path, ...],
    limits: Path | None,
    out: Path,
    no_pdf: bool,
    register: Path | None,
    no_register: bool,
    workers: int,
    cluster: str | None,
    again: bool,
    reading: Reading,
) -> None:
    """Check each probe against its limits; write DIR/SERIAL/ with report.pdf, report.ipynb, result.json.

    Where LOG is a folder, all logs in it are qualified over several processes: one bad log does not stop
    the rest, a run that was stopped goes on where it was, the tests go into DIR/register.sqlite, and
    DIR/summary.csv lists all serials. Exit code 2 then says that a log could not be used.

    Example: probetest qualify SK1-001.csv --limits limits.toml
    """
    from probetest.jobs.batch import Options

    if register and no_register:
        raise click.UsageError("--register and --no-register contradict each other.")
    options = Options(limits, reading)
    if any(log.is_dir() for log in logs):
        from probetest.jobs.shop import REGISTER, Shop

        kept = None if no_register else register or out / REGISTER
        shop = Shop(out, pdf=not no_pdf, workers=workers, cluster=cluster, register=kept, again=again)
        sys.exit(_qualify_folders(list(logs), options, shop))
    if workers or cluster or again:
        raise click.UsageError("--workers, --cluster and --again are for folders of logs.")
    sys.exit(_qualify(list(logs), options, out, pdf=not no_pdf, register=register))


@cli.command()
@click.argument("logs", nargs=-1, required=True, type=PATH, metavar="LOG...")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON, and nothing else.")
@reading_options
def check(logs: tuple[Path, ...], as_json: bool, reading: Reading) -> None:
    """Say what was understood of each log, what was skipped and why, and every problem. Writes nothing.

    Example: probetest check SK1-001.csv
    """
    from probetest.jobs.checking import check_log
    from probetest.screen.checked import print_checked
    from probetest.screen.console import print_json, progress

    told = reading.told()
    with progress() as bar:
        found = [check_log(log, told, bar.reading(log)) for log in logs]
    if as_json:
        print_json({"files": [one.to_dict() for one in found]})
    else:
        for one in found:
            print_checked(one)
    sys.exit(UNUSABLE if any(one.error for one in found) else 0)


@cli.command()
@click.argument("log", type=PATH)
@click.option("-o", "--out", type=PATH, required=True, metavar="FILE", help="The native log to write.")
@reading_options
def convert(log: Path, out: Path, reading: Reading) -> None:
    """Write a log of any shape as a native log, which states everything and needs no options.

    Each touch keeps the line it had, so that a flag in a report points at the original log.

    Example: probetest convert run3.txt -o SK1-001.csv --units mm --serial SK1-001 --plan plan.csv
    """
    from probetest.jobs.converting import convert_log
    from probetest.screen.checked import print_checked
    from probetest.screen.console import print_written, progress

    told = reading.told()
    with progress() as bar:
        found = convert_log(log, out, told, bar.reading(log))
    print_checked(found)
    print_written(out)


@cli.command()
@click.argument("log", type=PATH)
@click.option(
    "--against", type=PATH, required=True, metavar="RESULT", help="The maker's result.json or report.pdf."
)
@click.option(
    "--limits", type=PATH, metavar="FILE", help="Limits (TOML) instead of those of the maker's report."
)
@click.option(
    "--out", type=PATH, default=Path("reports"), show_default=True, metavar="DIR", help="Where reports go."
)
@click.option("--no-pdf", is_flag=True, help="Write verification.json only.")
@click.option("--register", type=PATH, metavar="FILE", help="Keep the test in this register.")
@click.option("--json", "as_json", is_flag=True, help="Print verification.json, and nothing else.")
@reading_options
def verify(
    log: Path,
    against: Path,
    limits: Path | None,
    out: Path,
    no_pdf: bool,
    register: Path | None,
    as_json: bool,
    reading: Reading,
) -> None:
    """Hold your test of a probe against its maker's report: consistent, worse, or can't tell.

    Writes DIR/SERIAL/ with verification.pdf, .ipynb and .json. Exit codes: 0 consistent, 1 worse,
    3 can't tell, 2 unusable input.

    Example: probetest verify received.csv --against report.pdf
    """
    from probetest.jobs.batch import Options
    from probetest.jobs.registering import keep
    from probetest.jobs.verify import verification_to_dict
    from probetest.jobs.verifying import entry_of_verification, verify_log, write_verification
    from probetest.screen.buyers import print_verification
    from probetest.screen.console import print_json, print_minds, progress

    options = Options(limits, reading)
    with progress() as bar:
        verified = verify_log(log, against, options, bar.reading(log))
        step = bar.start("writing the report", 1)
        folder = write_verification(verified, out, options, pdf=not no_pdf)
        step()
    minds = keep(register, (entry_of_verification(one) for one in (verified,)))
    if as_json:
        print_json(verification_to_dict(verified.result))
    else:
        print_verification(verified.result, folder)
        print_minds(minds)
    sys.exit(EXIT_CODES[verified.result.verdict])


@cli.command()
@click.argument("result", type=PATH)
@click.option("--machine", type=PATH, required=True, metavar="FILE", help="Your mill and habits (TOML).")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON, and nothing else.")
@click.option(
    "--corrections", type=PATH, metavar="FILE", help="Write a table of corrections by direction (CSV)."
)
def expect(result: Path, machine: Path, as_json: bool, corrections: Path | None) -> None:
    """Say what error to expect when setting a work offset with a tested probe on your mill.

    RESULT is a result.json or a report.pdf. The answer names what cancels, what adds and which habit
    helps most. Writes nothing but the table of corrections that was asked for.

    Example: probetest expect report.pdf --machine machine.toml
    """
    from probetest.jobs.earlier import read_result
    from probetest.jobs.expect import expect as expect_errors
    from probetest.jobs.expect import expectation_to_dict, work_features
    from probetest.jobs.expecting import write_corrections
    from probetest.mill import read_mill
    from probetest.screen.buyers import print_expectation
    from probetest.screen.console import print_json, print_written, progress

    mill, earlier = read_mill(machine), read_result(result)
    if corrections is not None:
        write_corrections(corrections, earlier, mill)
    with progress() as bar:
        features = work_features(mill.circle_touches)
        found = expect_errors(earlier, mill, features, done=bar.start("computing", len(features)))
    if as_json:
        print_json(expectation_to_dict(found))
        return
    print_expectation(found)
    if corrections is not None:
        print_written(corrections)


@cli.command()
@click.argument("log", type=PATH)
@click.option("--before", type=PATH, metavar="LOG", help="A log of the same probe from before a service.")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON, and nothing else.")
@reading_options
def contacts(log: Path, before: Path | None, as_json: bool, reading: Reading) -> None:
    """Say which contact pair of a probe is suspect, on what evidence, and what to do next. Writes nothing.

    Touch from 24 directions or more in turn, 10 times each, best at orientations 0, 30, 90 and 210. Exit
    codes: 0 no contact pair is suspect, 1 consistent with a fault, 3 can't tell, 2 unusable input.

    Example: probetest contacts SK1-003.csv
    """
    from probetest.jobs.batch import Options
    from probetest.jobs.contacts_check import check_contacts
    from probetest.jobs.contacts_json import contacts_of_result
    from probetest.screen.console import print_json, progress
    from probetest.screen.contacts import print_contacts

    with progress() as bar:
        logs = [log] if before is None else [log, before]
        found = check_contacts(log, before, Options(None, reading), bar.reading(*logs))
    if as_json:
        print_json({"serial": found.serial, **contacts_of_result(found.contacts, found.service)})
    else:
        print_contacts(found)
    kind = found.contacts.finding.first.kind
    sys.exit({"healthy": 0, "machine": 0, "unknown": EXIT_CODES["can't tell"]}.get(kind, EXIT_CODES["fail"]))


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


for command in (compare, trend, register, plan):
    cli.add_command(command)


def _qualify(
    logs: list[Path], options: Options, out: Path, *, pdf: bool, register: Path | None = None
) -> int:
    from probetest.jobs.batch import qualify_jobs, read_jobs, write_results
    from probetest.jobs.looks import goes_on
    from probetest.jobs.registering import entry_of, keep
    from probetest.screen.console import print_minds, progress
    from probetest.screen.results import print_results
    from probetest.statistics.decision import overall_verdict

    limits = options.read_limits()
    with progress() as bar:
        jobs = read_jobs(logs, options, bar.reading(*logs))
        results = qualify_jobs(jobs, limits, bar.start("computing", len(jobs)))
        step = bar.start("writing reports" if pdf else "writing results", len(results))
        folders = []
        for folder in write_results(results, out, options, pdf=pdf):
            folders.append(folder)
            step()
        ended = [one for one in results if not goes_on(one[1].source.look, one[1].verdict)]
        minds = keep(register, (entry_of(found, job.triggers) for job, found in ended))
        if register is not None and len(ended) < len(results):
            minds.append("a test that goes on is not kept yet: the register takes it when it has ended")
    print_results([found for _, found in results], folders)
    print_minds(minds)
    return EXIT_CODES[overall_verdict(found.verdict for _, found in results)]


def _qualify_folders(places: list[Path], options: Options, shop: Shop) -> int:
    from probetest.jobs.shop import find_logs, run_batch, write_summary
    from probetest.screen.batch import print_batch
    from probetest.screen.console import progress
    from probetest.statistics.decision import overall_verdict

    logs = find_logs(places, shop.out)
    steps = []
    with progress() as bar:
        tick = bar.start("qualifying", len(logs))
        for done in run_batch(logs, options, shop):
            steps.extend(done)
            tick()
    summary = write_summary(shop.out, steps)
    print_batch(steps, summary)
    if any(step.row.problem for step in steps):
        return UNUSABLE
    return EXIT_CODES[overall_verdict(step.row.verdict for step in steps if step.row.verdict)]


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
