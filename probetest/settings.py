"""Reading a small TOML file into a model, every problem named with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from probetest.errors import Fault, ProbetestError
from probetest.faults import FaultList

Model = TypeVar("Model", bound=BaseModel)

LARGEST_BYTES = 1_000_000
"""A settings file is a page of text; a larger one is something else."""


def read_settings(
    path: Path, model: type[Model], error: Callable[[Sequence[Fault], int], ProbetestError]
) -> Model:
    """Read and validate a TOML file.

    Parameters
    ----------
    path : pathlib.Path
    model : type
        The pydantic model it must fit.
    error : callable
        Makes the error from the faults that are shown and their total.

    Returns
    -------
    Model

    Raises
    ------
    ProbetestError
        What ``error`` makes: one sentence for each problem.
    """
    faults = FaultList(str(path))
    text = _read_text(path, faults)
    if text is not None:
        try:
            return model.model_validate(tomllib.loads(text))
        except tomllib.TOMLDecodeError as problem:
            place = re.search(r"line (\d+)", str(problem))
            faults.add(
                f"no valid TOML ({problem})",
                'lines of the form key = 0.1 or key = "value"',
                line=int(place[1]) if place else None,
                action="text stands in quotes, numbers don't",
            )
        except RecursionError:
            faults.add("TOML that is nested too deep", "a flat list of keys")
        except ValidationError as problem:
            faults.add_validation(problem, allowed_keys(model), lambda *key: find_key_line(text, key))
    raise error(faults.first(), faults.total)


def _read_text(path: Path, faults: FaultList) -> str | None:
    try:
        # Reading a pipe or a device would never end.
        size = path.stat().st_size if path.is_file() or not path.exists() else LARGEST_BYTES + 1
        data = path.read_bytes() if size <= LARGEST_BYTES else None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        faults.add(f"no readable file ({reason})", "a TOML file", action="check the name and the folder")
        return None
    if data is None:
        faults.add(f"no plain file, or more than {LARGEST_BYTES} bytes", "a small TOML file")
        return None
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        faults.add("bytes that are not UTF-8", "a TOML file in UTF-8", action="save the file as UTF-8")
        return None


def allowed_keys(model: type[BaseModel], path: tuple[str, ...] = ()) -> dict[tuple[str, ...], list[str]]:
    """Return the keys of a model and of the models within it, by their path."""
    keys = {path: list(model.model_fields)}
    for name, field in model.model_fields.items():
        kinds = getattr(field.annotation, "__args__", (field.annotation,))
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                keys |= allowed_keys(kind, (*path, name))
    return keys


def find_key_line(text: str, key: tuple[str, ...]) -> int | None:
    """Return the line of a TOML text on which a key (or the table that holds it) is stated."""
    found: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        start = line.strip()
        if start.startswith("["):
            table = _plain_key(start.lstrip("[").partition("]")[0])
            found.setdefault(table, number)
        elif "=" in start and not start.startswith("#"):
            found.setdefault(table + _plain_key(start.partition("=")[0]), number)
    return next((found[key[:size]] for size in range(len(key), 0, -1) if key[:size] in found), None)


def _plain_key(text: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in text.split("."))
