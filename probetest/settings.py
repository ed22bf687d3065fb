"""Reading a small TOML file into a model, every problem named with its line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from probetest.errors import ProbetestError
from probetest.importers.columns import allowed_keys, find_key_line
from probetest.importers.faults import FaultList

Model = TypeVar("Model", bound=BaseModel)

LARGEST_BYTES = 1_000_000
"""A settings file is a page of text; a larger one is something else."""


def read_settings(path: Path, model: type[Model], error: type[ProbetestError]) -> Model:
    """Read and validate a TOML file.

    Parameters
    ----------
    path : pathlib.Path
    model : type
        The pydantic model it must fit.
    error : type
        The error to raise.

    Returns
    -------
    Model

    Raises
    ------
    ProbetestError
        Of the type ``error``: one sentence for each problem.
    """
    faults = FaultList(path.name)
    text = _read_text(path, faults)
    if text is not None:
        try:
            stated = tomllib.loads(text)
            return model.model_validate(stated)
        except tomllib.TOMLDecodeError as problem:
            place = re.search(r"line (\d+)", str(problem))
            faults.add(
                f"no valid TOML ({problem})",
                "lines of the form key = value",
                line=int(place[1]) if place else None,
                action="text stands in quotes, numbers don't",
            )
        except RecursionError:
            faults.add("TOML that is nested too deep", "a flat list of keys")
        except ValidationError as problem:
            faults.add_validation(problem, allowed_keys(model), lambda *key: find_key_line(text, key))
    raise error("\n".join(str(fault) for fault in faults.first()))


def _read_text(path: Path, faults: FaultList) -> str | None:
    try:
        data = path.read_bytes() if path.stat().st_size <= LARGEST_BYTES else None
    except OSError as problem:
        faults.add(
            f"no readable file ({problem.strerror})", "a TOML file", action="check the name and the folder"
        )
        return None
    if data is None:
        faults.add(f"more than {LARGEST_BYTES} bytes", "a small TOML file")
        return None
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        faults.add("bytes that are not UTF-8", "a TOML file in UTF-8", action="save the file as UTF-8")
        return None
