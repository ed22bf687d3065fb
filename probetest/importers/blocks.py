"""A text file as blocks of lines: read once, in constant memory, whatever its encoding and line ends."""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from probetest.faults import FaultList
from probetest.importers.content import Opening

BLOCK_BYTES = 1 << 23
LONGEST_LINE = 20_000
"""Characters of a line that is looked at; a longer one is no result of a probe."""

_MOST_CARRIED = 1 << 26
_ESCAPES = r"\x1b\[[0-?]*[ -/]*[@-~]"


def without_escapes(lines: pa.StringArray) -> pa.StringArray:
    """Return lines without the sequences that colour a terminal (ECMA-48, control sequences)."""
    return pc.replace_substring_regex(lines, _ESCAPES, "")


@dataclass(frozen=True, slots=True)
class Block:
    """Some lines of a file.

    Attributes
    ----------
    lines : pyarrow.StringArray
        Without blanks at their ends; a line that is too long is left empty.
    first : int
        1-based number of the first line.
    too_long : tuple of (int, int)
        Line and length of each line that was too long.
    """

    lines: pa.StringArray
    first: int
    too_long: tuple[tuple[int, int], ...] = ()


@dataclass(slots=True)
class LogText:
    """A text file that is read block by block.

    Attributes
    ----------
    path : pathlib.Path
    opening : Opening
        Its encoding.
    faults : FaultList
    advance : callable
        Called with the number of bytes of each block that was read.
    line_count : int
        Lines so far; empty ones too.
    nul_count, replaced_count : int
        NUL bytes that were left out; characters that could not be decoded.
    """

    path: Path
    opening: Opening
    faults: FaultList
    advance: Callable[[int], None] = lambda _: None
    line_count: int = 0
    nul_count: int = 0
    replaced_count: int = 0
    _hash: hashlib._Hash = field(default_factory=hashlib.sha256)

    def sha256(self) -> str:
        """Return the hash of all bytes read so far as hexadecimal text."""
        return self._hash.hexdigest()

    def __iter__(self) -> Iterator[Block]:
        """Read the file from its start.

        Raises
        ------
        ImportDataError
            If it can't be read, or a line has no end.
        """
        self._hash = hashlib.sha256()
        self.line_count = self.nul_count = self.replaced_count = 0
        rest = b""
        for text, is_last in self._decoded():
            joined = rest + text
            end = len(joined) if is_last else joined.rfind(b"\n") + 1
            rest = joined[end:]
            if len(rest) > _MOST_CARRIED:
                self._fail(
                    f"a line of more than {_MOST_CARRIED >> 20} MiB",
                    "a log with line ends",
                    self.line_count + 1,
                )
            if end:
                yield self._cut(joined[:end])

    def _decoded(self) -> Iterator[tuple[bytes, bool]]:
        """Yield UTF-8 bytes in which a line feed is the only line end."""
        decoder = codecs.getincrementaldecoder(self.opening.encoding)("replace")
        ends_in_return = False
        try:
            with self.path.open("rb") as stream:
                mark = stream.read(self.opening.bom_bytes)
                self._hash.update(mark)
                ahead = stream.read(BLOCK_BYTES)
                while True:
                    raw, ahead = ahead, stream.read(BLOCK_BYTES) if ahead else b""
                    self._hash.update(raw)
                    self.advance(len(raw))
                    text = self._recode(raw, decoder, is_last=not ahead)
                    if b"\0" in text:
                        self.nul_count += text.count(b"\0")
                        text = text.replace(b"\0", b"")
                    if ends_in_return and text.startswith(b"\n"):
                        text = text[1:]
                    ends_in_return = text.endswith(b"\r")
                    if b"\r" in text:
                        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
                    yield text, not ahead
                    if not ahead:
                        return
        except OSError as error:
            self._fail(f"that it can't be read ({error.strerror or error})", "a readable file", None)

    def _recode(self, raw: bytes, decoder: codecs.IncrementalDecoder, *, is_last: bool) -> bytes:
        if self.opening.encoding == "utf-8" and raw.isascii() and not decoder.getstate()[0]:
            return raw
        text = decoder.decode(raw, final=is_last)
        self.replaced_count += text.count("�")
        return text.encode("utf-8", errors="replace")

    def _cut(self, text: bytes) -> Block:
        """Cut a text at its line ends."""
        buffer = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(buffer == ord("\n"))
        starts = np.concatenate([[0], ends + 1])
        if starts[-1] < len(buffer):
            starts = np.append(starts, len(buffer))
        offsets = starts.astype(np.int32)
        lines = pa.StringArray.from_buffers(len(offsets) - 1, pa.py_buffer(offsets), pa.py_buffer(text))
        first = self.line_count + 1
        self.line_count += len(lines)
        sizes = np.diff(offsets)
        long = np.flatnonzero(sizes > LONGEST_LINE)
        if len(long):
            blank = pa.array(sizes > LONGEST_LINE)
            lines = pc.if_else(blank, "", lines)
        if b"\x1b" in text:
            lines = without_escapes(lines)
        too_long = tuple((first + int(at), int(sizes[at])) for at in long)
        return Block(pc.ascii_trim_whitespace(lines), first, too_long)

    def _fail(self, found: str, expected: str, line: int | None) -> None:
        self.faults.add(found, expected, line=line, action="check that it is a text log")
        self.faults.raise_if_any()
