"""Writing the native log: metadata as TOML behind ``#``, then one row for each approach."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.errors import ProbetestError
from probetest.faults import FaultList, shown
from probetest.importers.head import KNOWN, Head, read_part, split_parts
from probetest.triggers import Origin, TestRecord, Triggers

_COLUMNS = (
    "touch",
    "source_line",
    "time",
    "stage",
    "orientation_deg",
    "azimuth_deg",
    "elevation_deg",
    "x_mm",
    "y_mm",
    "z_mm",
    "reading_mm",
    "outcome",
    "feed_mm_min",
    "temperature_c",
)
_LENGTHS = ("x_mm", "y_mm", "z_mm", "reading_mm")


class NativeLogError(ProbetestError, ValueError):
    """Some text of a test can't be written as a native log."""


def write_native_log(
    triggers: Triggers, path: Path | str, *, decimals: int | None = 5, keep_lines: bool = False
) -> None:
    """Write a test as a native log, in mm.

    Parameters
    ----------
    triggers : Triggers
    path : Path or str
        Takes the log; it appears there only when it is complete.
    decimals : int or None, default 5
        Decimals of positions and readings, mm; None writes every digit that matters.
    keep_lines : bool, default False
        Write the file the touches came from, and the line of each touch there.

    Raises
    ------
    NativeLogError
        If a stage would be run as a formula by a spreadsheet or lost at its ends, or a note has
        the name of a key with a meaning.
    OSError
        If the file can't be written.

    Notes
    -----
    Reading the log gives the same record and frame, but for ``line`` (which is the place in the
    file) and the digits beyond ``decimals``. ``reading_mm`` is written only where it is used.
    """
    path = Path(path)
    text = native_log(triggers, decimals=decimals, keep_lines=keep_lines)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as stream:
            stream.write(text)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def native_log(triggers: Triggers, *, decimals: int | None = 5, keep_lines: bool = False) -> str:
    """The text of a native log; parameters and errors are those of `write_native_log`."""
    record = triggers.record
    frame = triggers.frame
    if keep_lines:
        if record.origin is None:
            origin = Origin(file=triggers.source.file, sha256=triggers.source.sha256 or None)
            record = record.model_copy(update={"origin": origin})
        frame = frame.assign(source_line=frame["line"])
    head = list(_head_lines(record))
    stream = io.StringIO(newline="")
    _write(stream, head, _columns(frame, decimals))
    return stream.getvalue()


def _write(stream: TextIO, head: list[str], columns: dict[str, list[Any]]) -> None:
    stream.writelines(f"# {line}\n" for line in head)
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))


def _head_lines(record: TestRecord) -> Iterator[str]:
    stated = record.model_dump(exclude_none=True, exclude={"notes"})
    identity = [f"{name} = {_toml(stated.pop(name))}" for name in ("serial", "build") if name in stated]
    yield "        # ".join([*identity, 'units = "mm"'])
    for name in ("planned_touches", "arm_azimuth_deg"):
        if name in stated:
            yield f"{name} = {stated.pop(name)}"
    for name, values in stated.items():
        yield f"{name} = {{{', '.join(f'{key} = {_toml(value)}' for key, value in values.items())}}}"
    for key, text in record.notes:
        yield _note_line(key, text)


def _note_line(key: str, text: str) -> str:
    if key in KNOWN:
        raise NativeLogError(f"a note named {key} can't be written, because {key} has a meaning of its own")
    plain = key.replace("_", "").replace("-", "")
    name = key if plain.isascii() and plain.isalnum() else _toml(key)
    candidates = [text] if key == "comment" and text.isprintable() else []
    for line in (*candidates, f"{name} = {_toml(text)}"):
        if _reads_as(line) == [(key, text)]:
            return line
    raise NativeLogError(f"the note {shown(key)} can't be written so that it reads the same")


def _reads_as(line: str) -> list[tuple[str, str]]:
    head, faults = Head(), FaultList("")
    if "\n" in line or "\r" in line:
        return []
    for part in split_parts(f"# {line}"):
        read_part(part, 0, head, faults)
    return head.notes if not faults.total else []


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _columns(frame: pd.DataFrame, decimals: int | None) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {}
    for name in _COLUMNS:
        if name not in frame:
            continue
        values = frame[name]
        if name == "reading_mm" and not np.isfinite(values.to_numpy()).any():
            continue
        if name == "time":
            columns[name] = _times(values.to_numpy())
        elif name in ("stage", "outcome"):
            columns[name] = _words(values.cat.categories, values.cat.codes.to_numpy())
        elif name in ("touch", "source_line"):
            columns[name] = values.tolist()
        else:
            columns[name] = _numbers(values.to_numpy(), decimals if name in _LENGTHS else None)
    return columns


def _numbers(values: NDArray[np.float64], decimals: int | None) -> list[str]:
    texts = [
        format(value, f".{decimals}f") if decimals is not None else _shortest(value)
        for value in values.tolist()
    ]
    return ["" if missing else text for missing, text in zip(np.isnan(values).tolist(), texts, strict=True)]


def _shortest(value: float) -> str:
    return repr(value).removesuffix(".0")


def _times(values: NDArray[np.datetime64]) -> list[str]:
    missing = np.isnat(values)
    whole = not (values[~missing].astype(np.int64) % 1000).any()
    texts = np.datetime_as_string(values, unit="s" if whole else "ms")
    return ["" if blank else str(text) for blank, text in zip(missing.tolist(), texts.tolist(), strict=True)]


def _words(categories: pd.Index, codes: NDArray[Any]) -> list[str]:
    for word in categories:
        if word != word.strip() or not word or not word.isprintable():
            raise NativeLogError(
                f"the stage {shown(word)} can't be written: blank at its ends, or not printable"
            )
        if word[0] in "=+-@":
            raise NativeLogError(
                f"the stage {shown(word)} can't be written: a spreadsheet would run it as a formula"
            )
    words = list(categories)
    return [words[code] for code in codes.tolist()]
