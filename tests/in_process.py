"""The command line in this process: what a user sees, without the second that a new interpreter takes."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from pathlib import Path
from unittest import mock

from probetest.cli import main


def run_command(*arguments: str, cwd: Path, columns: int = 200) -> subprocess.CompletedProcess[str]:
    """Run ``probetest`` with arguments in a folder; exit code and both streams as a process gives them."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2))
    code: int | str | None = 0
    with (
        contextlib.chdir(cwd),
        mock.patch.dict(os.environ, {"COLUMNS": str(columns)}),
        mock.patch.object(sys, "argv", ["probetest", *arguments]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            code = end.code
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(arguments, int(code or 0), *texts)
