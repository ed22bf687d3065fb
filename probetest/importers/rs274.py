"""Words of RS274 programs that a console repeats: motion, feed, distance mode, units.

Source: the grammar of words (letter, number) and the modal groups of the RS274/NGC interpreter,
Kramer, Proctor, Messina, NISTIR 6556 (2000), sections 3.3 and 3.4; from memory.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from probetest.importers.scan import Scan

_WORD = re.compile(r"([A-Z])[ ]?([-+]?[0-9]{1,12}(?:\.[0-9]{0,12})?|[-+]?\.[0-9]{1,12})")


class ProbeWords(NamedTuple):
    """Motion words (x, y, z; 0 where absent) and feed (NaN where absent) of a straight-probe move."""

    motion: tuple[float, float, float]
    feed: float


def words_of(text: str) -> list[tuple[str, float]]:
    """Return letter and number of each word, in order.

    Examples
    --------
    >>> words_of("G91 G38.2 X-12.5 F60")
    [('G', 91.0), ('G', 38.2), ('X', -12.5), ('F', 60.0)]
    """
    return [(letter, float(number)) for letter, number in _WORD.findall(text.upper())]


def probe_words(text: str) -> ProbeWords:
    """Return motion and feed of a move."""
    words = dict(words_of(text))
    x, y, z = (words.get(axis, 0.0) for axis in "XYZ")
    return ProbeWords((x, y, z), words.get("F", float("nan")))


def modal(found: Scan, values: tuple[float, ...], sign: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return where G words of one modal group stand.

    Parameters
    ----------
    found : Scan
    values : tuple of float
        Numbers of the words, such as (90, 91).
    sign : int
        -1 for a log whose newest line comes first.

    Returns
    -------
    key, value : ndarray
        Lines times ``sign``, rising, and the number of the word there.
    """
    keys: list[NDArray[np.int64]] = []
    numbers: list[NDArray[np.float64]] = []
    for kind in ("words", "command"):
        if kind not in found.texts:
            continue
        codes, texts = found.texts[kind]
        last = np.array(
            [
                next(
                    (
                        number
                        for letter, number in reversed(words_of(text))
                        if letter == "G" and number in values
                    ),
                    np.nan,
                )
                for text in texts
            ]
        )
        here = last[codes]
        keep = np.isfinite(here)
        keys.append(sign * found.events[kind][keep])
        numbers.append(here[keep])
    key = np.concatenate(keys) if keys else np.empty(0, dtype=np.int64)
    order = np.argsort(key, kind="stable")
    return key[order], (np.concatenate(numbers) if numbers else np.empty(0))[order]


def distance_modes(found: Scan, sign: int, keys: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return 90 or 91 as it holds at some lines (times ``sign``); NaN where neither was seen before."""
    at, value = modal(found, (90.0, 91.0), sign)
    if not len(at):
        return np.full(len(keys), np.nan)
    place = np.searchsorted(at, keys, side="right") - 1
    return np.where(place < 0, np.nan, value[np.maximum(place, 0)])
