"""A kernel of this very Python, in a private folder."""

from __future__ import annotations

import math
import os
import shutil
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import nbformat
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient

from probetest.errors import ReportError

MAX_SOCKET_NAME = 90
"""Bytes; systems allow 104 or more, of which a few are left for the number of the socket."""


class _ThisPython(KernelSpecManager):
    """Knows one kernel: ipykernel of the running interpreter, whatever the user has installed."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        return KernelSpec(argv=argv, display_name=kernel_name, language="python")


def start_kernel(stack: ExitStack, *, cell_timeout_s: float, startup_timeout_s: float) -> NotebookClient:
    """Start a kernel that reads no module, profile or setting from the user's folders.

    It works in a folder that is removed with it, and writes nothing into the home folder.

    Parameters
    ----------
    stack : ExitStack
        Closing it stops the kernel and removes its folder.
    cell_timeout_s, startup_timeout_s : float, s
        How long a cell, and the first answer of the kernel, may take.

    Raises
    ------
    ReportError
        If the kernel does not start; the sentence ends with the last line that it wrote.
    """
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="probetest-kernel-")))
    work = folder / "work"
    work.mkdir()
    empty: Any = nbformat.v4
    client = NotebookClient(
        empty.new_notebook(),
        km=_manager(folder),
        timeout=max(1, math.ceil(cell_timeout_s)),
        startup_timeout=max(1, math.ceil(startup_timeout_s)),
        shutdown_kernel="immediate",
        extra_arguments=["--HistoryManager.enabled=False", "--log-level=ERROR"],
    )
    log = stack.enter_context((folder / "kernel.log").open("w+", encoding="utf-8", errors="replace"))
    options: dict[str, Any] = {"env": _environment(folder), "cwd": str(work), "stdout": log, "stderr": log}
    try:
        stack.enter_context(client.setup_kernel(cleanup_kc=True, **options))
    except (RuntimeError, OSError) as error:
        log.seek(0)
        reason = (log.read().strip().splitlines() or [str(error)])[-1]
        raise ReportError(f"The Python kernel that runs the report did not start: {reason}") from error
    return client


def _manager(folder: Path) -> AsyncKernelManager:
    connection = folder / "c"
    # Sockets in the private folder where the system has them and their name is short enough.
    as_files = os.name == "posix" and len(os.fsencode(connection)) < MAX_SOCKET_NAME
    return AsyncKernelManager(
        kernel_spec_manager=_ThisPython(),
        connection_file=f"{connection}.json",
        transport="ipc" if as_files else "tcp",
    )


def _environment(folder: Path) -> dict[str, str]:
    """Return the kernel's environment: settings and caches in ``folder``, none from home."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONSTARTUP"}
    for key in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR"):
        environment[key] = str(folder / key.lower())
    if "MPLCONFIGDIR" not in environment:
        environment["MPLCONFIGDIR"] = str(folder / "matplotlib")
        _copy_font_lists(folder / "matplotlib")
    return environment


def _copy_font_lists(target: Path) -> None:
    """Spare matplotlib the search for fonts if it has been done on this machine before."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()) / "matplotlib"
    target.mkdir()
    for place in (cache, Path("~/.matplotlib").expanduser()):
        for file in place.glob("fontlist-v*.json"):
            shutil.copyfile(file, target / file.name)
