"""Words of a log to the vocabulary: outcomes, faces, stages, serials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.table import categorical
from probetest.triggers import OUTCOMES

FACES: dict[str, tuple[float, float]] = {
    "X+": (0.0, 0.0),
    "Y+": (90.0, 0.0),
    "X-": (180.0, 0.0),
    "Y-": (270.0, 0.0),
    "Z+": (0.0, 90.0),
    "Z-": (0.0, -90.0),
}
"""Direction of motion of each face: azimuth and elevation in degrees."""

MAX_WORD = 200


def read_outcomes(
    words: pd.Categorical, mapped: Mapping[str, str], header: str, line: NDArray[np.int64], faults: FaultList
) -> pd.Categorical:
    """Translate a column of outcomes.

    Parameters
    ----------
    words : pandas.Categorical
        As in the file.
    mapped : mapping of str to str
        Words of a column map; the vocabulary itself is always understood.
    header : str
        Name of the column in the file.
    line : ndarray of int, shape (rows,)
    faults : FaultList

    Returns
    -------
    pandas.Categorical
        With the categories ``OUTCOMES``; a row at fault counts as missed, so no more is asked of it.
    """
    known = {name: name for name in OUTCOMES} | dict(mapped)
    targets = [known.get(word, known.get(word.lower())) for word in words.categories]
    _add_unknown(
        words,
        targets,
        ", ".join(known) if "" not in known else ", ".join(filter(None, known)),
        header,
        line,
        faults,
    )
    codes = np.array([OUTCOMES.index(target or "missed") for target in targets], dtype=np.int8)
    return categorical(codes.take(words.codes), OUTCOMES)


def read_faces(
    words: pd.Categorical, header: str, line: NDArray[np.int64], faults: FaultList
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Translate a column of faces such as ``X+`` to azimuth and elevation.

    Parameters
    ----------
    words : pandas.Categorical
    header : str
    line : ndarray of int, shape (rows,)
    faults : FaultList

    Returns
    -------
    azimuth, elevation : ndarray, shape (rows,), deg
        0 where the face is at fault.
    """
    targets = [FACES.get(word.upper()) for word in words.categories]
    _add_unknown(words, targets, ", ".join(FACES), header, line, faults)
    angles = np.array([target or (0.0, 0.0) for target in targets]).reshape(-1, 2)
    return angles[:, 0].take(words.codes), angles[:, 1].take(words.codes)


def check_free_words(words: pd.Categorical, header: str, line: NDArray[np.int64], faults: FaultList) -> None:
    """Refuse a stage or serial that is blank, too long or holds control characters.

    Parameters
    ----------
    words : pandas.Categorical
    header : str
    line : ndarray of int, shape (rows,)
    faults : FaultList
    """
    targets = [
        word if word and len(word) <= MAX_WORD and word.isprintable() else None for word in words.categories
    ]
    _add_unknown(words, targets, f"1 to {MAX_WORD} printable characters", header, line, faults)


def _add_unknown(
    words: pd.Categorical,
    targets: Sequence[object],
    expected: str,
    header: str,
    line: NDArray[np.int64],
    faults: FaultList,
) -> None:
    unknown = np.array([target is None for target in targets], dtype=bool)
    if not unknown.any():
        return

    def found(row: int) -> str:
        word = words.categories[words.codes[row]]
        return shown(word) if word else "a blank cell"

    faults.add_rows(
        unknown[words.codes],
        line,
        found,
        f"one of {expected}" if "," in expected else expected,
        column=header,
        action="correct the cell",
    )
