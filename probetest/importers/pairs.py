"""Fast and slow touches of a two-stage approach, told apart by their feed or by their order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.importers.skipped import SkipList
from probetest.importers.told import Told

_CLEAR = 5.0
_FEWEST_PAIRS = 3
_OF_DIRECTIONS = 0.8
_ASK = "give --feeds slow (the slow touch of each pair counts), --feeds fast, or --feeds all"


def tell_pairs(result: Approaches, told: Told, skipped: SkipList, faults: FaultList) -> None:
    """Keep the touches of one feed where a log holds fast and slow pairs.

    Parameters
    ----------
    result : Approaches
        Of one part of a log.
    told : Told
    skipped : SkipList
        Takes the touches that do not count.
    faults : FaultList
        Asks where the user has not said which count.
    """
    if told.feeds == "all":
        return
    by_feed = _by_feed(result)
    is_slow = _by_order(result, told) if by_feed is None else by_feed
    if is_slow is None:
        return
    if told.feeds is None:
        how = (
            "touches at several feeds" if by_feed is not None else "touches that alternate between two levels"
        )
        faults.add(
            f"{how}: they look like fast and slow pairs ({np.count_nonzero(~is_slow)} and "
            f"{np.count_nonzero(is_slow)})",
            "touches at one feed",
            line=int(result.columns["line"][0]),
            action=_ask_words(result, by_feed is not None),
        )
        return
    keep = is_slow if told.feeds == "slow" else ~is_slow
    other = "fast" if told.feeds == "slow" else "slow"
    skipped.add_lines(
        result.columns["line"][~keep], f"the {other} touch of a pair; --feeds {told.feeds} was given"
    )
    result.notices.append(
        f"Of fast and slow pairs the {told.feeds} touches are used: {np.count_nonzero(keep)} of {len(keep)}."
    )
    result.select(keep)


def _ask_words(result: Approaches, has_feeds: bool) -> str:
    if not has_feeds:
        return _ASK
    feeds = np.unique(result.columns["feed"][np.isfinite(result.columns["feed"])])
    return f"{_ASK}; the feeds are {', '.join(f'{feed:g}' for feed in feeds[:5].tolist())}"


def _by_feed(result: Approaches) -> NDArray[np.bool_] | None:
    """Whether each approach is at the lowest feed; None where there is one feed only, or none known."""
    feed = result.columns.get("feed")
    if feed is None or not np.isfinite(feed).all() or len(feed) < 2:
        return None
    slowest = feed.min()
    is_slow = feed <= slowest * 1.0001
    return None if is_slow.all() else np.asarray(is_slow)


def _by_order(result: Approaches, told: Told) -> NDArray[np.bool_] | None:
    """Second of each two approaches, where the log is twice the plan, or first and second differ clearly."""
    rows = len(result)
    is_second = np.arange(rows) % 2 == 1
    if rows % 2 or rows < 2 * _FEWEST_PAIRS or (result.columns["outcome"] != TRIGGER).any():
        return None
    if told.plan is not None:
        return is_second if rows == 2 * len(told.plan) else None
    return is_second if _alternates(result) else None


def _alternates(result: Approaches) -> bool:
    """Whether the touches of a pair differ, always the same way, by far more than pairs from each other."""
    reading, azimuth, elevation = (
        result.columns.get(name) for name in ("along", "azimuth_deg", "elevation_deg")
    )
    if reading is None or azimuth is None or elevation is None:
        return False
    first, second = reading[::2], reading[1::2]
    same = (azimuth[::2] == azimuth[1::2]) & (elevation[::2] == elevation[1::2])
    if not same.all():
        return False
    _, group = np.unique(np.column_stack([azimuth[::2], elevation[::2]]), axis=0, return_inverse=True)
    group = group.reshape(-1)
    judged = clear = 0
    for one in range(int(group.max()) + 1):
        rows = group == one
        if np.count_nonzero(rows) < _FEWEST_PAIRS:
            continue
        judged += 1
        step = second[rows] - first[rows]
        spread = max(np.ptp(first[rows]), np.ptp(second[rows])) / 2
        clear += bool(
            (np.sign(step) == np.sign(step[0])).all() and abs(np.median(step)) > _CLEAR * spread / 2
        )
    return judged > 0 and clear >= _OF_DIRECTIONS * judged
