"""A file that travels inside a PDF from a stranger."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import Any

from probetest.errors import ReportError

LARGEST_BYTES = 30_000_000
"""Bytes of an attachment."""

DEEPEST, MOST_NAMES = 8, 1000
"""Levels of the tree of names, and names in it."""

PLAIN_FILTERS = (None, "/FlateDecode")
"""How an attachment may be packed: a report of this software uses nothing else."""


def read_attachment(data: bytes, wanted: str, name: str) -> bytes:
    """The one attachment of a name.

    Parameters
    ----------
    data : bytes
        The PDF.
    wanted : str
        Name of the attachment.
    name : str
        What to call the PDF in a message.

    Raises
    ------
    ReportError
        If the PDF can't be read, or does not hold one such attachment of a plain kind.
    """
    # Only a PDF needs it, and it takes a tenth of a second to import.
    from pypdf import PdfReader
    from pypdf.errors import DependencyError, PyPdfError

    # Its complaints about a damaged file are said below, in one sentence.
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)
    broken = (
        PyPdfError, DependencyError, NotImplementedError, ValueError, LookupError, TypeError, AttributeError,
        ArithmeticError, RecursionError, OSError,
    )  # fmt: skip
    try:
        with _no_programs():
            reader = PdfReader(BytesIO(data))
            found = [] if reader.is_encrypted else list(_streams(reader, wanted))
            if len(found) == 1 and _filter_of(found[0]) in PLAIN_FILTERS:
                content: bytes = found[0].get_data()
                if len(content) <= LARGEST_BYTES:
                    return content
    except broken as error:
        raise ReportError(f"{name}: the PDF is damaged; use the {wanted} beside it.") from error
    how_many = (
        f"{len(found)} files '{wanted}'"
        if len(found) != 1
        else f"a file '{wanted}' of a strange kind or size"
    )
    raise ReportError(
        f"{name}: found {how_many} inside the PDF, expected one of a report of this software; the {wanted} "
        "beside it will do as well."
    )


@contextmanager
def _no_programs() -> Iterator[None]:
    """Keep the PDF library from starting a program to unpack an image, which a file could ask for."""
    from pypdf import filters

    decoder = getattr(filters, "JBIG2Decode", None)
    if decoder is None:
        yield
        return
    filters.JBIG2Decode = _Refused  # type: ignore[misc,assignment]
    try:
        yield
    finally:
        filters.JBIG2Decode = decoder  # type: ignore[misc]


class _Refused:
    """Stands for a decoder that is not to be used."""

    @staticmethod
    def decode(*_: Any, **__: Any) -> bytes:
        raise NotImplementedError("this kind of packing is not read")


def _streams(reader: Any, wanted: str) -> Iterator[Any]:
    """Attachments of a name, by the tree of names."""
    names = reader.trailer["/Root"].get_object().get("/Names")
    tree = names.get_object().get("/EmbeddedFiles") if names is not None else None
    waiting, seen = ([(tree.get_object(), 0)] if tree is not None else []), 0
    while waiting:
        node, level = waiting.pop()
        entries = node.get("/Names", [])
        for place in range(1, len(entries), 2):
            seen += 1
            if seen > MOST_NAMES:
                raise ValueError("too many names")
            specification = entries[place].get_object()
            if wanted in (specification.get("/UF"), specification.get("/F")):
                yield specification["/EF"].get_object()["/F"].get_object()
        if level < DEEPEST:
            waiting.extend((kid.get_object(), level + 1) for kid in node.get("/Kids", []))


def _filter_of(stream: Any) -> str | None:
    packed = stream.get("/Filter")
    if isinstance(packed, list):
        return None if not packed else str(packed[0]) if len(packed) == 1 else "several"
    return None if packed is None else str(packed)
