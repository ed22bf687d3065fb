"""From a path to UTF-8 bytes: bounded reading, what is no text log, which encoding."""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList

MAX_BYTES = 1 << 30
"""Largest file that is read, in bytes."""

_NOT_TEXT = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a rar archive"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"SQLite format 3", "a database file"),
    (b"{\\rtf", "a rich-text document"),
)
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_MOST_NULS = 0.01
_WIDE_SHARE = 0.7
_LOOKED_AT = 1 << 16
_SAVE_AS = "save it as plain text or CSV (UTF-8) and give that file"

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Content:
    """A text file in memory.

    Attributes
    ----------
    raw : ndarray of uint8
        The bytes of the file, which the hash is taken of.
    text : ndarray of uint8
        The same as UTF-8 without byte order mark.
    encoding : str
        How the file was encoded.
    nul_count : int
        NUL bytes left out of the text.
    """

    raw: Bytes
    text: Bytes
    encoding: str
    nul_count: int = 0

    def sha256(self) -> str:
        """Return the hash of the file as hexadecimal text."""
        return hashlib.sha256(self.raw.data).hexdigest()


@dataclass(frozen=True, slots=True)
class Opening:
    """How a text file begins.

    Attributes
    ----------
    start : bytes
        Its first bytes as UTF-8, without byte order mark; a NUL byte is left out.
    encoding : str
    bom_bytes : int
        Size of the byte order mark.
    is_guessed : bool
        Whether a 16-bit encoding without its mark was found by its zero bytes.
    """

    start: bytes
    encoding: str
    bom_bytes: int = 0
    is_guessed: bool = False


def read_opening(path: Path, encoding: str, faults: FaultList, size: int = 1 << 20) -> Opening:
    """Look at the start of a file.

    Parameters
    ----------
    path : Path
    encoding : str
        Encoding to assume where the file has no byte order mark.
    faults : FaultList
    size : int
        Bytes to look at.

    Returns
    -------
    Opening

    Raises
    ------
    ImportDataError
        If the file is missing, unreadable, empty, or not text.
    """
    raw = _read(path, faults, size)
    _refuse_other_formats(raw, faults)
    start = raw.tobytes()
    marked = next(((bom, name) for bom, name in _BOMS if start.startswith(bom)), None)
    bom_bytes, encoding = (len(marked[0]), marked[1]) if marked else (0, encoding)
    guessed = None if marked or encoding != "utf-8" else _wide_encoding(raw)
    text = start[bom_bytes:].decode(guessed or encoding, errors="ignore").encode("utf-8", errors="ignore")
    if guessed is None and raw.size and np.count_nonzero(raw == 0) > _MOST_NULS * raw.size and not marked:
        faults.add("binary data", "a text log", action="export the log as plain text")
        faults.raise_if_any()
    return Opening(text.replace(b"\0", b""), guessed or encoding, bom_bytes, guessed is not None)


def _wide_encoding(raw: Bytes) -> str | None:
    """Return the 16-bit encoding of Latin text, seen by the zero in each second byte."""
    pairs = raw[: min(raw.size, _LOOKED_AT) // 2 * 2].reshape(-1, 2)
    if not pairs.size:
        return None
    zero = np.count_nonzero(pairs == 0, axis=0) / len(pairs)
    if zero[1] > _WIDE_SHARE and zero[0] < 1 - _WIDE_SHARE:
        return "utf-16-le"
    if zero[0] > _WIDE_SHARE and zero[1] < 1 - _WIDE_SHARE:
        return "utf-16-be"
    return None


def read_content(path: Path, opening: Opening, faults: FaultList) -> Content:
    """Read a whole text file.

    Parameters
    ----------
    path : Path
    opening : Opening
        How it begins.
    faults : FaultList
        Collects and raises what is wrong with the file as a whole.

    Returns
    -------
    Content

    Raises
    ------
    ImportDataError
        If the file is unreadable, too large, or not in its encoding.
    """
    raw = _read(path, faults)
    text = raw[opening.bom_bytes :]
    if opening.encoding != "utf-8":
        text = _recode(text, opening.encoding, faults)
    nul_count = int(np.count_nonzero(text == 0)) if (text[: 1 << 16] == 0).any() else 0
    return Content(raw, text[text != 0] if nul_count else text, opening.encoding, nul_count)


def in_western_letters(content: Content) -> Content:
    """Return text that is not UTF-8 as if it were cp1252: its digits and signs are the same in both.

    Parameters
    ----------
    content : Content

    Returns
    -------
    Content
        The same where the text is UTF-8.
    """
    try:
        codecs.decode(content.text.data, "utf-8")
    except UnicodeDecodeError:
        text = content.text.tobytes().decode("cp1252", errors="replace").encode("utf-8")
        return replace(content, text=np.frombuffer(text, dtype=np.uint8), encoding="cp1252")
    return content


def _read(path: Path, faults: FaultList, most: int = MAX_BYTES + 1) -> Bytes:
    try:
        if not path.exists():
            faults.add("no such file", "a trigger log", action="check the path")
        elif path.is_dir():
            faults.add("a folder", "a trigger log", action="give the files in it")
        elif not path.is_file():
            faults.add("a device or pipe", "a regular file", action="save the log to a file first")
        faults.raise_if_any()
        with path.open("rb", buffering=0) as stream:
            raw = np.empty(min(path.stat().st_size, most), dtype=np.uint8)
            size = 0
            while size < len(raw) and (step := stream.readinto(raw.data[size:])):
                size += step
    except (OSError, ValueError) as error:  # ValueError: a null character in the path
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        faults.add(f"that it can't be read ({reason})", "a readable file", action="check its permissions")
        faults.raise_if_any()
        raise  # pragma: no cover
    if size == 0:
        faults.add(
            "an empty file (0 bytes)", "a trigger log", action="check that the log was closed before copying"
        )
    if size > MAX_BYTES:
        faults.add("more than 1 GiB", "a log of at most 1 GiB", action="split the log")
    faults.raise_if_any()
    return raw[:size]


def _refuse_other_formats(raw: Bytes, faults: FaultList) -> None:
    start = raw[:16].tobytes()
    if start.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        faults.add("UTF-32 text", "UTF-8 text", action=_SAVE_AS)
    for magic, name in _NOT_TEXT:
        if start.startswith(magic):
            faults.add(name, "a text log", action=_SAVE_AS)
    faults.raise_if_any()


def _recode(raw: Bytes, encoding: str, faults: FaultList) -> Bytes:
    try:
        text = raw.tobytes().decode(encoding)
    except UnicodeDecodeError as error:
        line = 1 + raw[: error.start].tobytes().decode(encoding, errors="ignore").count("\n")
        faults.add(
            f"bytes that are not {encoding}", f"{encoding} text", line=line, action="state the encoding"
        )
        faults.raise_if_any()
        raise  # pragma: no cover
    return np.frombuffer(text.removeprefix("\ufeff").encode("utf-8"), dtype=np.uint8)


def refuse_broken_utf8(text: Bytes, lines_before: int, faults: FaultList) -> None:
    """Raise where bytes are not UTF-8, naming the line.

    Parameters
    ----------
    text : ndarray of uint8
    lines_before : int
        Lines of the file that stand before the text.
    faults : FaultList

    Raises
    ------
    ImportDataError
        If the bytes are not UTF-8.
    """
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(text), 1 << 20):
        block = text[start : start + (1 << 20)].tobytes()
        try:
            decoder.decode(block, final=start + len(block) == len(text))
        except UnicodeDecodeError as error:
            carried = len(error.object) - len(block)
            before = text[: start - carried + error.start].tobytes()
            faults.add(
                f"bytes that are not UTF-8 ({error.object[error.start : error.end].hex(' ')})",
                "UTF-8 text",
                line=lines_before + 1 + count_lines(before),
                action="save the log as UTF-8, or give a column map with its encoding",
            )
            faults.raise_if_any()


def count_lines(text: bytes) -> int:
    """Count line ends: LF, CR LF or CR."""
    return text.count(b"\n") + text.count(b"\r") - text.count(b"\r\n")
