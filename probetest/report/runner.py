"""Notebook with parameters -> executed notebook, one kernel for many of them or one each."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
from nbformat import NotebookNode

from probetest.errors import ProbetestError, ReportError
from probetest.report.kernel import start_kernel
from probetest.report.parameters import inject_parameters, read_notebook

_REMEMBER = """
def _probetest_start():
    import os, sys, warnings
    return dict(os.environ), os.getcwd(), list(sys.path), list(warnings.filters)
get_ipython()._probetest_start = _probetest_start()
del _probetest_start
"""

_RESET = """
def _probetest_reset():
    import os, sys, warnings
    environment, folder, path, filters = get_ipython()._probetest_start
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    sys.path[:] = path
    warnings.resetwarnings()
    warnings.filters[:] = filters
    if "matplotlib" in sys.modules:
        import matplotlib
        matplotlib.rc_file_defaults()
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")
    if "pandas" in sys.modules:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sys.modules["pandas"].reset_option("all")
_probetest_reset()
get_ipython().reset(new_session=True)
"""


class NotebookRunner:
    """Run notebooks one after the other; a context manager.

    The kernel works in a private folder: it reads no module and no configuration from where
    the user stands, and writes nothing into the home folder.

    Parameters
    ----------
    fresh_kernel : bool
        Start a new kernel for each notebook. Otherwise one kernel is kept and its variables,
        settings, folder and environment are put back before each further notebook; modules
        stay imported.
    cell_timeout_s : float, s
        How long one cell may take.
    startup_timeout_s : float, s
        How long the kernel may take to answer.

    Examples
    --------
    >>> with NotebookRunner() as runner:  # doctest: +SKIP
    ...     for serial in serials:
    ...         notebook = runner.run(template, {"serial": serial})
    """

    def __init__(
        self, *, fresh_kernel: bool = False, cell_timeout_s: float = 600.0, startup_timeout_s: float = 60.0
    ) -> None:
        self.fresh_kernel = fresh_kernel
        self.cell_timeout_s = cell_timeout_s
        self.startup_timeout_s = startup_timeout_s
        self._client: NotebookClient | None = None
        self._kernel = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop the kernel and remove its folder."""
        self._client = None
        self._kernel.close()

    def run(self, template: Path, parameters: Mapping[str, Any]) -> NotebookNode:
        """Execute a notebook with parameters.

        Parameters
        ----------
        template : Path
            Notebook with a cell tagged ``parameters``; the file is not changed.
        parameters : mapping of str to JSON-plain values
            Set in a cell that is added after the tagged one.

        Returns
        -------
        NotebookNode
            The executed copy.

        Raises
        ------
        ReportError
            If the notebook can't be read, a parameter is no plain value, a cell fails or takes
            too long, or the kernel dies. An error of this package keeps its own message.
        """
        notebook = inject_parameters(read_notebook(template), parameters, template.name)
        try:
            client = self._ready_client()
            self._execute(client, notebook, template.name)
        except BaseException:
            self.close()
            raise
        return notebook

    def _ready_client(self) -> NotebookClient:
        if self._client is not None and not self.fresh_kernel:
            # A kernel that can't be put back to its start is replaced below.
            with suppress(CellExecutionError, CellTimeoutError, DeadKernelError):
                _run_cells(self._client, _code(_RESET))
                return self._client
        self.close()
        self._client = start_kernel(
            self._kernel, cell_timeout_s=self.cell_timeout_s, startup_timeout_s=self.startup_timeout_s
        )
        _run_cells(self._client, _code(_REMEMBER))
        return self._client

    def _execute(self, client: NotebookClient, notebook: NotebookNode, name: str) -> None:
        try:
            _run_cells(client, notebook)
        except CellTimeoutError as error:
            raise ReportError(
                f"{name}: a cell took longer than {self.cell_timeout_s:g} s and was stopped."
            ) from error
        except DeadKernelError as error:
            raise ReportError(f"{name}: the Python kernel stopped while it ran the report.") from error
        except CellExecutionError as error:
            if error.ename in _own_errors():
                raise ReportError(error.evalue) from error
            raise ReportError(f"{name}: a cell ended with {error.ename}: {error.evalue}") from error


def _code(source: str) -> NotebookNode:
    v4: Any = nbformat.v4
    return cast(NotebookNode, v4.new_notebook(cells=[v4.new_code_cell(source)]))


def _run_cells(client: NotebookClient, notebook: NotebookNode) -> None:
    client.nb = notebook
    client.reset_execution_trackers()
    for index, cell in enumerate(notebook.cells):
        client.execute_cell(cell, index)


def _own_errors() -> set[str]:
    found, names = [ProbetestError], set()
    while found:
        kind = found.pop()
        names.add(kind.__name__)
        found.extend(kind.__subclasses__())
    return names
