"""Notebook with parameters -> executed notebook, in this process: for batches of reports.

A shell of IPython without a kernel around it: no process to start, no messages to pass. It gives what
`NotebookRunner` gives, cell by cell. The templates of this software are all that it runs; a cell that never
ends would hold up the process, which a kernel of its own would not.
"""

from __future__ import annotations

import atexit
import io
import os
import sys
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, redirect_stderr, redirect_stdout
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import nbformat
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import CapturingDisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from nbformat import NotebookNode
from traitlets import Type
from traitlets.config import Config

from probetest.errors import ProbetestError, ReportError
from probetest.report.kernel import _copy_font_lists as copy_font_lists
from probetest.report.parameters import inject_parameters, read_notebook

_format: Any = nbformat


class _Hook(DisplayHook):
    """Keeps what the last expression of a cell gives beside what the cell displayed."""

    def __call__(self, result: Any = None) -> None:
        own: Any = self
        shell: Any = self.shell
        # A semicolon behind an expression keeps it quiet.
        if result is not None and not own.quiet():
            data, metadata = shell.display_formatter.format(result)
            shell.display_pub.outputs.append({"data": data, "metadata": metadata, "last": True})


class _Shell(InteractiveShell):
    displayhook_class = Type(_Hook)
    display_pub_class = Type(CapturingDisplayPublisher)


class ShellRunner:
    """Run notebooks in this process; a context manager, and one of a kind at a time.

    Variables, the folder, the environment and the settings of warnings, figures and tables are put back
    for each notebook.

    Examples
    --------
    >>> with ShellRunner() as runner:  # doctest: +SKIP
    ...     for serial in serials:
    ...         notebook = runner.run(template, {"serial": serial})
    """

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._shell: Any = None

    def __enter__(self) -> Self:
        folder = self._stack.enter_context(tempfile.TemporaryDirectory(prefix="probetest-shell-"))
        if "MPLCONFIGDIR" not in os.environ:
            copy_font_lists(Path(folder) / "matplotlib")
            os.environ["MPLCONFIGDIR"] = str(Path(folder) / "matplotlib")
            self._stack.callback(os.environ.pop, "MPLCONFIGDIR", None)
        config = Config()
        config.HistoryManager.enabled = False
        # Which environment a user's terminal has active does not matter here.
        config.InteractiveShell.warn_venv = False
        # Its own folder, so that nothing of the user's profile is read or written.
        shell: Any = _Shell.instance(config=config, ipython_dir=str(Path(folder) / "ipython"))
        self._stack.callback(_Shell.clear_instance)
        self._stack.callback(shell.restore_sys_module_state)
        atexit.unregister(shell.atexit_operations)
        self._stack.callback(shell.atexit_operations)
        self._shell = shell
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def run(self, template: Path, parameters: Mapping[str, Any]) -> NotebookNode:
        """Execute one notebook.

        Parameters, result and errors are those of ``NotebookRunner.run``, but for the time limit.
        """
        import matplotlib as mpl

        notebook = inject_parameters(read_notebook(template), parameters, template.name)
        self._shell.reset(new_session=True)
        environment, place, path = dict(os.environ), Path.cwd(), list(sys.path)
        try:
            with warnings.catch_warnings(), mpl.rc_context():
                # As in the folder of a kernel, where no settings of the user are read.
                mpl.rcdefaults()
                count = 0
                for cell in notebook.cells:
                    if cell.cell_type == "code":
                        count += 1
                        cell.execution_count = count
                        cell.outputs = self._run(cell.source, count, template.name)
        finally:
            os.chdir(place)
            os.environ.clear()
            os.environ.update(environment)
            sys.path[:] = path
            _put_back()
        return notebook

    def _run(self, source: str, count: int, name: str) -> list[NotebookNode]:
        shell = self._shell
        shell.display_pub.outputs.clear()
        out, err = io.StringIO(), io.StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            done = shell.run_cell(source, store_history=True)
        error = done.error_before_exec or done.error_in_exec
        if isinstance(error, ProbetestError):
            raise ReportError(str(error)) from error
        if isinstance(error, KeyboardInterrupt):
            # Whoever stops the batch does not mean this one report.
            raise error
        if error is not None:
            raise ReportError(f"{name}: a cell ended with {type(error).__name__}: {error}") from error
        return list(self._outputs(out.getvalue(), err.getvalue(), count))

    def _outputs(self, out: str, err: str, count: int) -> Iterator[NotebookNode]:
        for stream, text in (("stdout", out), ("stderr", err)):
            if text:
                yield _format.from_dict({"output_type": "stream", "name": stream, "text": text})
        for shown in self._shell.display_pub.outputs:
            last = {"execution_count": count} if "last" in shown else {}
            yield _format.from_dict(
                {
                    "output_type": "execute_result" if last else "display_data",
                    "data": _plain(shown["data"]),
                    "metadata": _plain(shown["metadata"]),
                    **last,
                }
            )


def _put_back() -> None:
    """Close figures and put the options of pandas back, where a notebook used these."""
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")
    if "pandas" in sys.modules:
        with warnings.catch_warnings():
            # Each option that will go some day would warn.
            warnings.simplefilter("ignore")
            sys.modules["pandas"].reset_option("all")


def _plain(bundle: Any) -> Any:
    """What a kernel's message would carry of it."""
    from jupyter_client.session import json_packer, json_unpacker

    return _format.from_dict(json_unpacker(json_packer(dict(bundle or {}))))
