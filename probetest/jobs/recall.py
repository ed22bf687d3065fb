"""The last answer, for a notebook that runs in the process that has just computed it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Generic, TypeVar

Answer = TypeVar("Answer")


class Recall(Generic[Answer]):
    """Remembers one answer by what it was asked for."""

    def __init__(self) -> None:
        self._kept: tuple[Any, Answer] | None = None

    def get(self, asked: Any, make: Callable[[], Answer]) -> Answer:
        """The answer to the last question if this is the same one, else a new one."""
        kept = self._kept
        if kept is None or kept[0] != asked:
            # Another thread may keep its own answer meanwhile.
            kept = self._kept = asked, make()
        return kept[1]


def signature(files: Iterable[Path]) -> tuple[Any, ...]:
    """What changes when a file does: its name, time, size and place on the disk."""
    return tuple(_state(file) for file in files)


def _state(file: Path) -> tuple[Any, ...]:
    try:
        state = file.stat()
    except OSError:
        # Reading it will say what is wrong.
        return (str(file),)
    return str(file), state.st_mtime_ns, state.st_size, state.st_ino
