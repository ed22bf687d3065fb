"""Fast and slow touches of a two-stage approach, told apart by their feed or by their order."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.faults import FaultList
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.importers.planned_pairs import MET, planned_pairs
from probetest.importers.skipped import SkipList
from probetest.importers.told import Told

_CLEAR = 5.0
_FEWEST_PAIRS = 3
_OF_DIRECTIONS = 0.8
_FACES, _FAR = 1.0, 100.0
"""Levels farther apart than this, and than so many spreads, are two faces, no pairs."""
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
    if told.feeds is None and told.plan is not None and told.plan.two_stage:
        keep = planned_pairs(result, len(told.plan), faults)
        if keep is not None:
            _keep(result, keep, "slow", "the plan has two touches each, the second counts", skipped)
        return
    by_feed = _by_feed(result)
    is_slow = _by_order(result, told) if by_feed is None else by_feed
    if is_slow is None:
        return
    feeds = told.feeds
    if feeds is None and told.plan is not None and told.plan.guarded and by_feed is not None:
        other = ~by_feed & (result.columns["outcome"] == TRIGGER)
        if other.any():
            faults.add(
                f"contacts at several feeds ({_feeds_of(result)}), where the plan has single touches",
                "touches at one feed",
                line=int(result.columns["line"][np.argmax(other)]),
                action=f"{MET}; or give --feeds slow",
            )
        return
    if feeds is None:
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
    keep = is_slow if feeds == "slow" else ~is_slow
    _keep(result, keep, feeds, f"--feeds {feeds} was given", skipped)


def _keep(result: Approaches, keep: NDArray[np.bool_], feeds: str, why: str, skipped: SkipList) -> None:
    other = "fast" if feeds == "slow" else "slow"
    skipped.add_lines(result.columns["line"][~keep], f"the {other} touch of a pair; {why}")
    result.notices.append(
        f"Of fast and slow pairs the {feeds} touches are used: {np.count_nonzero(keep)} of {len(keep)}."
    )
    result.select(keep)


def _ask_words(result: Approaches, has_feeds: bool) -> str:
    if not has_feeds:
        return _ASK
    return f"{_ASK}; the feeds are {_feeds_of(result)}"


def _feeds_of(result: Approaches) -> str:
    feeds = np.unique(result.columns["feed"][np.isfinite(result.columns["feed"])])
    return ", ".join(f"{feed:g}" for feed in feeds[:5].tolist())


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
    if rows < 2 * _FEWEST_PAIRS:
        return None
    if told.plan is not None:
        return np.arange(rows) % 2 == 1 if rows == 2 * len(told.plan) else None
    touched = np.flatnonzero(result.columns["outcome"] == TRIGGER)
    second = _second_of_pairs(result, touched)
    if second is None:
        return None
    is_slow = np.full(rows, told.feeds != "fast")  # a miss belongs to both
    is_slow[touched] = second
    return is_slow


def _second_of_pairs(result: Approaches, rows: NDArray[np.int64]) -> NDArray[np.bool_] | None:
    """Whether each touch lies at the level of the second touches; None where there are no two levels.

    Two levels lie far apart against the scatter of each, in most directions, and neighbours differ.
    """
    names = ("along", "azimuth_deg", "elevation_deg")
    if not all(name in result.columns for name in names) or len(rows) < 2 * _FEWEST_PAIRS:
        return None
    along, azimuth, elevation = (result.columns[name][rows] for name in names)
    group = (
        pd.DataFrame({"azimuth": azimuth, "elevation": elevation}).groupby(["azimuth", "elevation"]).ngroup()
    )
    series = group.to_numpy()
    upper = np.zeros(len(rows), dtype=bool)
    order = np.lexsort((along, series))
    starts = np.flatnonzero(np.diff(series[order], prepend=-1))
    judged = clear = 0
    for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(rows)], strict=True):
        values = along[order[begin:end]]
        middle = _widest(values)
        upper[order[begin + middle : end]] = True
        if len(values) < 2 * _FEWEST_PAIRS:
            continue
        judged += 1
        spread = max(values[middle - 1] - values[0], values[-1] - values[middle])
        apart = np.median(values[middle:]) - np.median(values[:middle])
        clear += bool(
            min(middle, len(values) - middle) >= _FEWEST_PAIRS
            and _CLEAR * spread / 4 < apart < max(_FACES, _FAR * spread)
            and values[middle] - values[middle - 1] > spread / 2
        )
    if not judged or clear < _OF_DIRECTIONS * judged:
        return None
    neighbours = series[1:] == series[:-1]
    differ = (upper[1:] != upper[:-1]) & neighbours
    if np.count_nonzero(differ) < max(_OF_DIRECTIONS * np.count_nonzero(neighbours), len(rows) / 3):
        return None
    rising = np.count_nonzero(differ & upper[1:]) >= np.count_nonzero(differ & ~upper[1:])
    return upper if rising else ~upper


def _widest(values: NDArray[np.float64]) -> int:
    """Place of the first value above the widest gap."""
    return 1 + int(np.diff(values).argmax()) if len(values) > 1 else 0
