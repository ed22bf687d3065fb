"""Write a log of any shape as a native log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from probetest.errors import ProbetestError
from probetest.faults import printable
from probetest.importers import Told, write_native_log
from probetest.jobs.checking import Checked, check_log
from probetest.triggers import UNDATED


def convert_log(log: Path, out: Path, told: Told, advance: Callable[[int], None] = lambda _: None) -> Checked:
    """Read a log and write it as a native one.

    Parameters
    ----------
    log, out : pathlib.Path
    told : Told
    advance : callable, optional
        Called with the number of bytes that were read.

    Returns
    -------
    Checked
        What was understood.

    Raises
    ------
    ImportDataError
        If the log can't be used.
    ProbetestError
        If it holds several serials, would be overwritten, or a text in it can't be written.
    OSError
        If the file can't be written.
    """
    if out.exists() and log.exists() and out.samefile(log):
        raise ProbetestError(
            f"{printable(str(out))}: the log itself would be overwritten; choose another --out."
        )
    found = check_log(log, told, advance)
    if found.error is not None:
        raise found.error
    if found.result is None:
        raise ProbetestError(f"{printable(str(log))}: nothing was found in the log.")
    if len(found.result.tests) != 1:
        serials = ", ".join(printable(one.record.serial) for one in found.result.tests[:8])
        raise ProbetestError(
            f"{printable(str(log))}: found {len(found.result.tests)} serials ({serials}), expected one for a "
            "native log; split the log by serial."
        )
    test = found.result.tests[0]
    if (test.frame["time"].dt.date == UNDATED).any():
        notes = (
            *test.record.notes,
            ("comment", f"the log had times without a date; {UNDATED} stands for none"),
        )
        test = replace(test, record=test.record.model_copy(update={"notes": notes}))
    write_native_log(test, out, decimals=None, keep_lines=True)
    return found
