"""A file that is there whole or not at all."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

from probetest.errors import ReportError


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all.

    Raises
    ------
    ReportError
        If it can't be written; what was there before is still there.
    """
    if not path.name or _is_folder(path):
        raise ReportError(f"{path}: found a folder, expected the name of a file.")
    draft = path.with_name(f".{path.name[:100]}.{secrets.token_hex(8)}.part")
    try:
        with draft.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as error:
        raise ReportError(f"{path}: the file can't be written ({error.strerror}).") from error
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        # A folder above that may not be searched; writing will say so.
        return False
