"""Executed notebook -> PDF: the exporter that nbconvert knows as ``probetest_pdf``.

Code is hidden; markdown and outputs are printed. What the pages say about themselves comes
from the notebook's metadata under the key ``probetest``::

    {"probetest": {"title": "...", "serial": "...", "date": "2026-03-02T09:00:00+00:00"}}

All three may be absent. Files to attach are bytes and so come by the trait ``attachments``.
"""

from __future__ import annotations

import base64
import binascii
import json
import mimetypes
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from nbconvert.exporters import Exporter
from nbformat import NotebookNode
from traitlets import Dict, List, default

import probetest
from probetest.errors import ReportError
from probetest.report.blocks import MIME, Literal, Note
from probetest.report.characters import printable, walk
from probetest.report.html import replacement_note
from probetest.report.markdown import markdown_to_typst
from probetest.report.typesetting import typeset

METADATA_KEY = "probetest"
"""Where a notebook's metadata say what the report is about."""

_TERMINAL_COLOUR = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
_FILE_NAME = re.compile(r"[^\x00-\x1f/\\:]{1,150}")
_PLAIN_PICTURE = {"block": "picture", "caption": "", "alt": "Picture", "width": None}


@dataclass(slots=True)
class _Sheet:
    """The Typst source and the files it reads, as they grow."""

    lines: list[str] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)

    def store(self, content: bytes, suffix: str) -> str:
        name = f"part-{len(self.files) + 1}{suffix}"
        self.files[name] = content
        return name

    def add_block(self, payload: Any) -> None:
        if not isinstance(payload, dict):
            raise ReportError("A block in the notebook is not readable; run the notebook again.")
        data, replaced = walk(payload, printable)
        # Control characters were replaced, and counted, when the block was displayed.
        stated = data.pop("replaced", 0)
        replaced += stated if isinstance(stated, int) else 0
        if replaced:
            data["replacement_note"] = replacement_note(replaced)
        self._store_pictures(data)
        name = self.store(json.dumps(data).encode("ascii"), ".json")
        self.lines.append(f'#draw("{name}")')

    def add_markdown(self, text: str) -> None:
        shown = printable(text)
        self.lines.append(f"#{{{markdown_to_typst(shown.text)}}}")
        if shown.replaced:
            self.add_block(Note("caution", "Characters", replacement_note(shown.replaced)).payload())

    def add_bitmap(self, encoded: str, suffix: str) -> None:
        try:
            content = base64.b64decode(encoded)
        except (binascii.Error, ValueError) as error:
            raise ReportError(
                "A picture in the notebook is not valid base64; run the notebook again."
            ) from error
        self.add_block({**_PLAIN_PICTURE, "file": self.store(content, suffix)})

    def _store_pictures(self, data: dict[str, Any]) -> None:
        for block in data.get("blocks", ()):
            self._store_pictures(block)
        if "svg" in data:
            data["file"] = self.store(data.pop("svg").encode("utf-8"), ".svg")


class ReportPDFExporter(Exporter):
    """Export an executed notebook as PDF/A-3b.

    Attributes
    ----------
    attachments : dict of str to bytes
        Files that travel inside the PDF, by file name.
    """

    export_from_notebook = "Report as PDF (probetest)"
    output_mimetype = "application/pdf"

    attachments = Dict(help="Files that travel inside the PDF: file name -> bytes.")
    default_preprocessors = List(["nbconvert.preprocessors.CoalesceStreamsPreprocessor"]).tag(config=True)

    @default("file_extension")
    def _file_extension_default(self) -> str:
        return ".pdf"

    def from_notebook_node(  # type: ignore[override]
        self, nb: NotebookNode, resources: Any = None, **keywords: Any
    ) -> tuple[bytes, dict[str, Any]]:
        """Return the PDF and nbconvert's resources.

        Parameters
        ----------
        nb : NotebookNode
            Executed notebook; it is not changed.
        resources : dict, optional
            nbconvert's; the notebook's name is the title if the metadata give none.

        Raises
        ------
        ReportError
            If a cell ended in an error, an output can't be drawn, or the metadata are wrong.
        """
        notebook, resources = super().from_notebook_node(nb, resources, **keywords)
        about = notebook.metadata.get(METADATA_KEY, {})
        title = str(about.get("title") or resources["metadata"].get("name") or "Report")
        sheet = _Sheet()
        date = _date(about.get("date"))
        head = _head(title, str(about.get("serial", "")), date)
        head["attachments"] = [_attach(sheet, name, data) for name, data in self.attachments.items()]
        for number, cell in enumerate(notebook.cells, start=1):
            _add_cell(sheet, number, cell)
        source = _source(sheet, head)
        return typeset(source, sheet.files, date), resources


def _source(sheet: _Sheet, head: dict[str, Any]) -> str:
    name = sheet.store(json.dumps(head).encode("ascii"), ".json")
    start = ['#import "report.typ": *', f'#show: report.with(json("{name}"))']
    return "\n".join([*start, *sheet.lines, ""])


def _head(title: str, serial: str, date: datetime | None) -> dict[str, Any]:
    title_shown, serial_shown = printable(" ".join(title.split())), printable(" ".join(serial.split()))
    replaced = title_shown.replaced + serial_shown.replaced
    printed = "" if date is None else f" · {date:%Y-%m-%d}"
    return {
        "title": title_shown.text,
        "serial": serial_shown.text,
        "origin": f"probetest {probetest.__version__}{printed}",
        "replacement_note": replacement_note(replaced) if replaced else "",
    }


def _date(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text)
    except (TypeError, ValueError) as error:
        raise ReportError(
            f"notebook metadata, key {METADATA_KEY}.date: found {text!r}, expected a date such as "
            "2026-03-02T09:00:00+00:00."
        ) from error


def _attach(sheet: _Sheet, name: str, content: bytes) -> dict[str, str]:
    if not _FILE_NAME.fullmatch(name) or name in (".", "..") or printable(name).replaced:
        raise ReportError(f"attachment {name!r}: expected a plain file name without folders.")
    kind = "text/csv" if name.endswith(".csv") else mimetypes.guess_type(name, strict=True)[0]
    stored_as = sheet.store(bytes(content), ".data")
    return {"name": name, "stored_as": stored_as, "mime_type": kind or "application/octet-stream"}


def _add_cell(sheet: _Sheet, number: int, cell: NotebookNode) -> None:
    if cell.cell_type == "markdown":
        sheet.add_markdown(cell.source)
    elif cell.cell_type == "raw":
        sheet.add_block(Literal(cell.source, monospace=True).payload())
    else:
        for output in cell.outputs:
            _add_output(sheet, number, output)


def _add_output(sheet: _Sheet, number: int, output: NotebookNode) -> None:
    if output.output_type == "error":
        raise ReportError(f"Cell {number} of the notebook ended with {output.ename}: {output.evalue}")
    if output.output_type == "stream":
        sheet.add_block(Literal(_plain(output.text), monospace=True).payload())
        return
    data = output.data
    if MIME in data:
        sheet.add_block(data[MIME])
    elif "image/svg+xml" in data:
        sheet.add_block({**_PLAIN_PICTURE, "svg": data["image/svg+xml"]})
    elif found := next(_bitmaps(data), None):
        sheet.add_bitmap(*found)
    elif "text/markdown" in data:
        sheet.add_markdown(data["text/markdown"])
    else:
        text = data.get("text/plain", f"An output that can't be printed ({', '.join(sorted(data))})")
        sheet.add_block(Literal(_plain(text), monospace=True).payload())


def _bitmaps(data: NotebookNode) -> Iterator[tuple[str, str]]:
    for kind, suffix in (("image/png", ".png"), ("image/jpeg", ".jpg")):
        if kind in data:
            yield data[kind], suffix


def _plain(text: str) -> str:
    return _TERMINAL_COLOUR.sub("", text).rstrip("\n")
