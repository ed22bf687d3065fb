"""The cells of a log as typed columns, before anything is judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Column = Any  # array of float64, int64 or datetime64[ms], or a pandas.Categorical


@dataclass(frozen=True, slots=True)
class Table:
    """Typed columns in the units of the file.

    Attributes
    ----------
    columns : dict of str to Column
        Numbers with NaN for a blank cell, touch numbers, times (NaT for blank) and words as
        categories; by the name of the column in the frame.
    line : ndarray of int64, shape (rows,)
        1-based line on which each row starts.
    comments : tuple of tuple of (int, str)
        Comment lines within the table.
    blank_rows : int
        Rows that hold nothing but delimiters; they are left out.
    in_utc : bool
        Whether the times stated an offset and were brought to UTC.
    """

    columns: dict[str, Column]
    line: NDArray[np.int64]
    comments: tuple[tuple[int, str], ...] = ()
    blank_rows: int = 0
    in_utc: bool = False


def categorical(codes: NDArray[Any], words: Sequence[str]) -> pd.Categorical:
    """Return a column of words from the place of each row's word in a list of distinct words.

    Parameters
    ----------
    codes : ndarray of int, shape (rows,)
    words : sequence of str

    Returns
    -------
    pandas.Categorical
    """
    categories: Any = list(words)
    result: pd.Categorical = pd.Categorical.from_codes(codes, categories=categories, validate=False)
    return result
