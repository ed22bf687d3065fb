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
_COMMENT = re.compile(r"\([^()]*\)")
_ENDS = (2.0, 30.0)
_ABSOLUTE, _INCREMENTAL = 90.0, 91.0


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
    plain = _COMMENT.sub(" ", text.upper())
    return [(letter, float(number)) for letter, number in _WORD.findall(plain)]


def probe_words(text: str) -> ProbeWords:
    """Return motion and feed of a move."""
    words = dict(words_of(text))
    x, y, z = (words.get(axis, 0.0) for axis in "XYZ")
    return ProbeWords((x, y, z), words.get("F", float("nan")))


def distance_mode(text: str) -> float:
    """Return the distance mode a text sets last, 90 or 91; NaN where it sets none.

    Examples
    --------
    >>> distance_mode("G90 G91 G38.2 X5"), distance_mode("M30")
    (91.0, 90.0)
    """
    for letter, number in reversed(words_of(text)):
        if letter == "G" and number in (_ABSOLUTE, _INCREMENTAL):
            return number
        if letter == "M" and number in _ENDS:  # the end of a program sets absolute distances
            return _ABSOLUTE
    return float("nan")


def distance_modes(found: Scan, sign: int, keys: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return 90 or 91 as it holds at some lines; NaN where it is not known.

    Parameters
    ----------
    found : Scan
    sign : int
        -1 for a log whose newest line comes first.
    keys : ndarray of int
        Lines times ``sign``.

    Returns
    -------
    ndarray
        NaN also after a restart, until a word states the mode again.
    """
    at = [sign * found.lines_of("restart")]
    values = [np.full(len(at[0]), np.nan)]
    for kind in ("words", "command"):
        if kind not in found.texts:
            continue
        codes, texts = found.texts[kind]
        here = np.array([distance_mode(text) for text in texts])[codes]
        keep = np.isfinite(here)
        at.append(sign * found.events[kind][keep])
        values.append(here[keep])
    place, value = np.concatenate(at), np.concatenate(values)
    order = np.argsort(place, kind="stable")
    if not len(place):
        return np.full(len(keys), np.nan)
    last = np.searchsorted(place[order], keys, side="right") - 1
    return np.where(last < 0, np.nan, value[order][np.maximum(last, 0)])
