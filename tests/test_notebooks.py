"""The templates run on their own, with nothing but the package installed."""

from __future__ import annotations

import nbformat
import pytest

from probetest.report.blocks import MIME
from probetest.report.render import execute_notebook
from probetest.resources import bundled

TEMPLATES = sorted(bundled("notebooks").glob("*.ipynb"))

BLOCKS = {"acceptance": 20, "verification": 15}
"""Fewest blocks of each. Those on many serials are run in tests/report/test_production_pages.py,
where their logs are qualified once."""


@pytest.mark.parametrize(
    "template", [path for path in TEMPLATES if path.stem in BLOCKS], ids=lambda path: path.stem
)
def test_template_runs_on_its_own_and_shows_blocks(template: object) -> None:
    executed = execute_notebook(template, {})  # type: ignore[arg-type]
    outputs = [output for cell in executed.cells for output in cell.get("outputs", ())]
    shown = [output for output in outputs if MIME in output.get("data", {})]
    assert len(shown) >= BLOCKS[template.stem]  # type: ignore[attr-defined]
    assert [output.output_type for output in outputs if output.output_type in ("error", "stream")] == []


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.stem)
def test_template_is_kept_without_outputs(template: object) -> None:
    notebook = nbformat.read(template, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.outputs == [] and cell.execution_count is None for cell in code)


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.stem)
def test_cells_of_a_template_are_short(template: object) -> None:
    notebook = nbformat.read(template, as_version=4)
    lengths = [len(cell.source.splitlines()) for cell in notebook.cells if cell.cell_type == "code"]
    assert max(lengths) <= 10
