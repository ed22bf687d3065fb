"""Notebook files and the parameters that are set in them."""

from __future__ import annotations

import copy
import keyword
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

import nbformat
from nbformat import NotebookNode

from probetest.errors import ReportError

_PARAMETERS, _INJECTED = "parameters", "injected-parameters"
_format: Any = nbformat


def read_notebook(file: Path) -> NotebookNode:
    """Read a notebook of format 4.

    Raises
    ------
    ReportError
        If the file is not there or is no notebook.
    """
    try:
        notebook = _format.reads(file.read_text(encoding="utf-8"), as_version=4)
        nbformat.validate(notebook)
    except OSError as error:
        raise ReportError(f"{file}: the notebook can't be read ({error.strerror}).") from error
    except (ValueError, TypeError, AttributeError, KeyError, nbformat.ValidationError) as error:
        raise ReportError(f"{file}: found something else, expected a Jupyter notebook (format 4).") from error
    return cast(NotebookNode, notebook)


def inject_parameters(notebook: NotebookNode, parameters: Mapping[str, Any], name: str) -> NotebookNode:
    """Return a copy with a cell that sets the parameters, after the cell tagged ``parameters``.

    Raises
    ------
    ReportError
        If no cell is tagged, a name is no Python name, or a value is not plain: None, bool,
        int, finite float, str, and lists and dictionaries (with str keys) of these.
    """
    lines = [f"{_variable(key)} = {_literal(value, key)}" for key, value in parameters.items()]
    notebook = copy.deepcopy(notebook)
    if not lines:
        return notebook
    for index, cell in enumerate(notebook.cells):
        if cell.cell_type == "code" and _PARAMETERS in cell.metadata.get("tags", []):
            added = _format.v4.new_code_cell(
                "\n".join(lines), metadata={"tags": [_INJECTED]}, id=f"{_INJECTED}-1"
            )
            notebook.cells.insert(index + 1, added)
            return notebook
    raise ReportError(
        f"{name}: found no code cell with the tag '{_PARAMETERS}', expected one to set values in."
    )


def _variable(name: str) -> str:
    if not name.isidentifier() or keyword.iskeyword(name):
        raise ReportError(f"parameter {name!r}: expected a Python name.")
    return name


def _literal(value: Any, name: str) -> str:
    kind = type(value)
    if value is None or kind in (bool, int, str) or (kind is float and math.isfinite(value)):
        return repr(value)
    if kind in (list, tuple):
        return "[" + ", ".join(_literal(item, name) for item in value) + "]"
    if kind is dict and all(type(key) is str for key in value):
        return "{" + ", ".join(f"{key!r}: {_literal(item, name)}" for key, item in value.items()) + "}"
    raise ReportError(f"parameter {name}: found {kind.__name__} {value!r}, expected a plain JSON value.")
