"""Typst source and its files -> PDF, in a folder of its own and without the network."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import typst

from probetest.errors import ReportError
from probetest.report.characters import FONT_FOLDER, fallback_font_files
from probetest.report.style import PALETTE

TEMPLATE_FOLDER = Path(__file__).resolve().parent / "template"

PDF_STANDARD: Final = "a-3b"
"""PDF for archives that may carry other files (ISO 19005-3, level B)."""


def typeset(source: str, files: Mapping[str, bytes], date: datetime | None) -> bytes:
    """Compile a document to PDF/A-3b; the same input gives the same bytes.

    Parameters
    ----------
    source : str
        Typst source; it finds the template as ``report.typ``.
    files : mapping of str to bytes
        The only other files the document can read, by plain name.
    date : datetime or None
        Date of the document, without a time zone taken as UTC. An archive file must have a
        date: None is the time of the call, and then the bytes differ from call to call.

    Raises
    ------
    ReportError
        If the source does not compile.
    """
    with tempfile.TemporaryDirectory(prefix="probetest-") as folder:
        root, fonts, packages = (Path(folder) / name for name in ("document", "fonts", "packages"))
        for place in (root, fonts, packages):
            place.mkdir()
        for template in TEMPLATE_FOLDER.glob("*.typ"):
            shutil.copyfile(template, root / template.name)
        for font in fallback_font_files():
            shutil.copyfile(font, fonts / font.name)
        (root / "palette.json").write_text(json.dumps(asdict(PALETTE)), encoding="utf-8")
        for name, content in files.items():
            (root / name).write_bytes(content)
        return _compile(source, root, [FONT_FOLDER, fonts], packages, date)


def _compile(source: str, root: Path, fonts: list[Path], packages: Path, date: datetime | None) -> bytes:
    if date is not None and date.tzinfo is None:
        date = date.replace(tzinfo=UTC)
    compiler = typst.Compiler(
        root=str(root),
        font_paths=typst.Fonts(
            include_system_fonts=False,
            include_embedded_fonts=False,
            font_paths=[str(folder) for folder in fonts],
        ),
        ignore_system_fonts=True,
        package_path=str(packages),
        package_cache_path=str(packages),
    )
    try:
        pdf = compiler.compile(
            input=source.encode("utf-8"), format="pdf", pdf_standards=[PDF_STANDARD], timestamp=date
        )
    except typst.TypstError as error:
        raise ReportError(f"The report could not be typeset: {error}.") from error
    if not isinstance(pdf, bytes):
        raise ReportError(f"The report could not be typeset: found {type(pdf).__name__}, expected a PDF.")
    return pdf
