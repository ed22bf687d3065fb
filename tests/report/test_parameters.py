from pathlib import Path

import nbformat
import numpy as np
import pytest
from report_pages import stdout_of, write_template

from probetest.errors import ReportError
from probetest.report.parameters import inject_parameters, read_notebook
from probetest.report.runner import NotebookRunner

v4 = nbformat.v4


@pytest.fixture(scope="module")
def runner():
    """One kernel for the tests that do not care which."""
    with NotebookRunner() as kept:
        yield kept


@pytest.mark.parametrize(
    "value",
    [
        None,
        True,
        0,
        -1.5,
        "text",
        "a'b\"c\\n\n",
        "%magic",
        "!ls",
        "x?",
        [1, [2.0, "a"]],
        {"a": {"b": None}},
        [],
        {},
    ],
    ids=repr,
)
def test_parameters_arrive_as_they_were(runner, tmp_path, value):
    template = write_template(tmp_path, "print(repr(value))")
    assert stdout_of(runner.run(template, {"value": value})).strip() == repr(value)


@pytest.mark.parametrize(
    "value",
    [float("nan"), float("inf"), np.float64(1.0), b"a", {1: "a"}, {"a": object}, Path("a"), [{2}]],
    ids=["nan", "infinity", "numpy", "bytes", "number as key", "class", "path", "set in a list"],
)
def test_other_values_are_refused(tmp_path, value):
    notebook = read_notebook(write_template(tmp_path))
    with pytest.raises(ReportError, match=r"parameter value: found .*, expected a plain JSON value"):
        inject_parameters(notebook, {"value": value}, "a.ipynb")


@pytest.mark.parametrize("name", ["a b", "1a", "class", "a\nimport os", ""])
def test_a_parameter_must_have_a_python_name(tmp_path, name):
    notebook = read_notebook(write_template(tmp_path))
    with pytest.raises(ReportError, match="expected a Python name"):
        inject_parameters(notebook, {name: 1}, "a.ipynb")


def test_the_new_cell_stands_after_the_tagged_one(tmp_path):
    notebook = inject_parameters(read_notebook(write_template(tmp_path, "1")), {"value": 2}, "a.ipynb")
    assert [cell.source for cell in notebook.cells] == ["value = None", "value = 2", "1"]
    assert notebook.cells[1].metadata.tags == ["injected-parameters"]


def test_a_notebook_without_the_tag_takes_no_parameters():
    notebook = v4.new_notebook(cells=[v4.new_code_cell("1")])
    with pytest.raises(ReportError, match=r"a.ipynb: found no code cell with the tag 'parameters'"):
        inject_parameters(notebook, {"value": 2}, "a.ipynb")


def test_the_template_is_not_changed(runner, tmp_path):
    template = write_template(tmp_path, "print(value)")
    before = template.read_bytes()
    runner.run(template, {"value": 1})
    assert template.read_bytes() == before


@pytest.mark.parametrize(
    "content", ["", "{}", "[1]", '{"cells": 3, "nbformat": 4, "nbformat_minor": 5}', "\udcff"]
)
def test_a_file_that_is_no_notebook_is_named(tmp_path, content):
    path = tmp_path / "a.ipynb"
    path.write_bytes(content.encode("utf-8", "surrogateescape"))
    with pytest.raises(ReportError, match="expected a Jupyter notebook"):
        read_notebook(path)


def test_an_absent_notebook_is_named(tmp_path):
    with pytest.raises(ReportError, match=r"absent.ipynb: the notebook can't be read"):
        read_notebook(tmp_path / "absent.ipynb")
