"""Make small notebooks without a kernel, and read the pages of a PDF back."""

import io
import re
from datetime import UTC, datetime

import nbformat
from pypdf import PdfReader

from probetest.report.render import notebook_to_pdf

DATE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
TITLE, SERIAL = "Zz", "Qq"
_FURNITURE = re.compile(rf"probetest·{TITLE}serial{SERIAL}|probetest[\d.]+·2026-03-02page\d+of\d+")


def code_cell(*outputs):
    """Return an executed cell with these outputs."""
    return nbformat.v4.new_code_cell("1", outputs=list(outputs))


def displayed(data):
    """Return the output of a displayed MIME bundle."""
    return nbformat.v4.new_output("display_data", data=data)


def notebook_of(*blocks, markdown=None):
    """Return a notebook that has displayed these blocks."""
    cells = [] if markdown is None else [nbformat.v4.new_markdown_cell(markdown)]
    cells += [code_cell(displayed(block._repr_mimebundle_())) for block in blocks]
    return nbformat.v4.new_notebook(cells=cells)


def print_pdf(notebook, **changes):
    """Print with short furniture that ``body_of`` can take away."""
    return notebook_to_pdf(notebook, **{"title": TITLE, "serial": SERIAL, "date": DATE, **changes})


def pages_of(pdf):
    """Return the text of each page."""
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def packed(text):
    """Return text without white space: where lines end is the layout's business."""
    return "".join(text.split())


def body_of(pdf):
    """Return all text between the page heads and feet, without white space."""
    return _FURNITURE.sub("", packed("".join(pages_of(pdf))))


def write_template(folder, *sources, name="template.ipynb"):
    """Write a notebook whose first cell is tagged, the rest as given."""
    cells = [nbformat.v4.new_code_cell("value = None", metadata={"tags": ["parameters"]}, id="first")]
    cells += [nbformat.v4.new_code_cell(source, id=f"cell-{index}") for index, source in enumerate(sources)]
    path = folder / name
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    return path


def stdout_of(notebook):
    return "".join(output.get("text", "") for cell in notebook.cells for output in cell.get("outputs", ()))
