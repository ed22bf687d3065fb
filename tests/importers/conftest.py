"""Writing small logs for the tests of the importers."""

from collections.abc import Callable
from pathlib import Path

import pytest

HEAD = '# serial = "LARCH-0042"   # units = "mm"\n'


@pytest.fixture
def log(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes text or bytes as ``log.csv``."""

    def write(text: str | bytes, name: str = "log.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return path

    return write
