"""From a notebook and its parameters to the bytes of a PDF, and those into a file."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import nbformat
from nbformat import NotebookNode

from probetest.atomic import write_atomically
from probetest.report.exporter import METADATA_KEY, ReportPDFExporter
from probetest.report.runner import NotebookRunner

__all__ = ["NotebookRunner", "execute_notebook", "notebook_to_bytes", "notebook_to_pdf", "write_atomically"]


def execute_notebook(template: Path, parameters: Mapping[str, Any]) -> NotebookNode:
    """Execute one notebook in a kernel of its own; for several, keep a ``NotebookRunner``.

    Parameters, result and errors are those of ``NotebookRunner.run``.
    """
    with NotebookRunner(fresh_kernel=True) as runner:
        return runner.run(template, parameters)


def notebook_to_pdf(
    notebook: NotebookNode,
    *,
    title: str,
    serial: str,
    attachments: Mapping[str, bytes] | None = None,
    date: datetime | None = None,
) -> bytes:
    """Print an executed notebook as PDF/A-3b.

    Parameters
    ----------
    notebook : NotebookNode
        It is not changed.
    title, serial : str
        In the head of each page, cut there if they are too long; any text.
    attachments : mapping of str to bytes, optional
        Files that travel inside the PDF, by plain file name.
    date : datetime, optional
        Date of the report. With it the same notebook gives the same bytes; without it the
        file carries the time of the call and the pages show no date.

    Raises
    ------
    ReportError
        If a cell ended in an error or the report can't be typeset.
    """
    labelled = copy.copy(notebook)
    labelled.metadata = copy.deepcopy(notebook.metadata)
    labelled.metadata[METADATA_KEY] = {
        "title": title,
        "serial": serial,
        "date": None if date is None else date.isoformat(),
    }
    exporter = cast(Any, ReportPDFExporter)(attachments=dict(attachments or {}))
    pdf, _ = exporter.from_notebook_node(labelled)
    return cast(bytes, pdf)


def notebook_to_bytes(notebook: NotebookNode) -> bytes:
    """The bytes of an .ipynb file."""
    writes = cast(Callable[[NotebookNode], str], nbformat.writes)
    return writes(notebook).encode("utf-8", "backslashreplace")
