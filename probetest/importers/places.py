"""Where the touches of a log lie, and whether that fits the directions they are said to come from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from probetest.faults import FaultList
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.triggers import Artefact

_WIDEST_GAP_DEG = 150.0
_OFF_CIRCLE = 0.02
FAR_DEG = 20.0
"""A touch this far from where its direction points belongs to another one."""

_STILL, _SCATTERS = 1.5, 2.5
"""Steps over which an axis that only stops where it was told to may range, and one that touched."""
_APART = 0.5
"""From this range on, in mm or inch, the touches lie at places apart."""
_FEWEST = 5
_ENOUGH = 20_000
"""Touches that give a centre closely enough to tell directions apart."""


def check_places(result: Approaches, artefact: Artefact | None, faults: FaultList) -> None:
    """Hold directions against the positions of the touches.

    Parameters
    ----------
    result : Approaches
        With ``azimuth_deg`` and ``elevation_deg``.
    artefact : Artefact or None
    faults : FaultList
        Takes each touch that is far from where its direction points, on a circle; else directions along
        a machine axis in whose touches other axes scatter and that axis does not.
    """
    before = faults.total
    _check_round(result, artefact, faults)
    if faults.total == before:
        _check_axes(result, faults)


def _check_axes(result: Approaches, faults: FaultList) -> None:
    """An axis that only positions stops where it was told to; the one that touches scatters."""
    columns = result.columns
    names = [name for name in ("x", "y", "z") if name in columns]
    rows = columns["outcome"] == TRIGGER
    if len(names) < 2:
        return
    along_axis = (columns["azimuth_deg"] % 90 == 0) & (columns["elevation_deg"] % 90 == 0)
    some = np.flatnonzero(rows & along_axis)
    if not len(some):
        return
    columns = {name: columns[name][some] for name in (*names, "azimuth_deg", "elevation_deg", "line")}
    step = max(result.step, min(_step(columns[name]) for name in names))
    azimuth, elevation = columns["azimuth_deg"], columns["elevation_deg"]
    moves = {
        "x": np.isin(azimuth, (0.0, 180.0)) & (elevation == 0),
        "y": np.isin(azimuth, (90.0, 270.0)) & (elevation == 0),
        "z": np.abs(elevation) == 90,
    }
    judged = wrong = 0
    first = 0
    for name in names:
        angle = elevation if name == "z" else azimuth
        for value in np.unique(angle[moves[name]]).tolist():
            group = moves[name] & (angle == value)
            spread = {other: float(np.ptp(columns[other][group])) for other in names}
            if np.count_nonzero(group) < _FEWEST or not np.isfinite(list(spread.values())).all():
                continue
            judged += 1
            widest = max(spread.values())
            if spread[name] < _STILL * step and _SCATTERS * step < widest < _APART:
                wrong += 1
                first = first or int(columns["line"][group.argmax()])
    if judged and 2 * wrong > judged:
        faults.add(
            f"touches whose stated axis stands still while another one scatters ({wrong} of {judged} "
            "directions)",
            "each touch with the direction of its own motion",
            line=first,
            action="check that directions, plan or echoed moves belong to these touches: one may be missing "
            "or doubled, or the order reversed",
        )


def _step(values: NDArray[np.float64]) -> float:
    """Smallest difference between values, infinite where all are equal."""
    return float(np.diff(np.unique(values)).min(initial=np.inf))


def _check_round(result: Approaches, artefact: Artefact | None, faults: FaultList) -> None:
    """Compare directions with the positions, where these lie on a circle.

    Where the kind of the artefact is not known, touches from within and from without are both possible.
    """
    if artefact is not None and not artefact.is_round:
        return
    away = around_circle(result)
    if away is None:
        return
    azimuth = result.columns["azimuth_deg"]
    kinds = {"ring": 0.0, "boss": 180.0}
    if artefact is not None:
        kinds = {artefact.kind: 0.0 if artefact.kind == "ring" else 180.0}
    seen = min(
        ((away + turn) % 360 for turn in kinds.values()),
        key=lambda each: int(np.count_nonzero(_apart(each, azimuth) > FAR_DEG)),
    )
    level = np.abs(result.columns["elevation_deg"]) < 45
    faults.add_rows(
        (_apart(seen, azimuth) > FAR_DEG) & level,
        result.columns["line"],
        lambda row: (
            f"a touch at azimuth {seen[row]:.0f} deg, seen from the middle of all touches, where "
            f"{azimuth[row]:g} deg is stated"
        ),
        "each touch on the side that its direction points to",
        action="check that directions, plan or echoed moves belong to these touches: one may be missing or "
        "doubled, or the order reversed",
    )


def _apart(one_deg: NDArray[np.float64], other_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle between two directions, deg; 0 where one is not known."""
    return np.nan_to_num(np.abs((one_deg - other_deg + 180) % 360 - 180))


def around_circle(result: Approaches) -> NDArray[np.float64] | None:
    """Return the angles of the level touches about the centre of the circle they lie on.

    Parameters
    ----------
    result : Approaches

    Returns
    -------
    ndarray, shape (rows,), deg, or None
        NaN for other touches; None where the level ones do not lie on one circle, all around it.
    """
    columns = result.columns
    if "x" not in columns or "y" not in columns:
        return None
    x, y = columns["x"], columns["y"]
    rows = (columns["outcome"] == TRIGGER) & np.isfinite(x) & np.isfinite(y)
    if "elevation_deg" in columns:
        rows &= np.abs(columns["elevation_deg"]) < 45
    if np.count_nonzero(rows) < 4 or not (np.ptp(x[rows]) and np.ptp(y[rows])):
        return None
    centre = _centre(x[rows], y[rows])
    distance = np.hypot(x - centre[0], y - centre[1])
    radius = float(np.median(distance[rows]))
    if np.abs(distance[rows] - radius).max() > _OFF_CIRCLE * radius:
        return None
    away = np.degrees(np.arctan2(y - centre[1], x - centre[0])) % 360.0
    ordered = np.sort(away[rows])
    if np.diff(np.append(ordered, ordered[0] + 360.0)).max() > _WIDEST_GAP_DEG:
        return None
    return np.where(rows, away, np.nan)


def radial_azimuths(result: Approaches, artefact: Artefact | None) -> NDArray[np.float64] | None:
    """Return the azimuth of each touch if it ran through the centre of a round artefact.

    Parameters
    ----------
    result : Approaches
    artefact : Artefact or None

    Returns
    -------
    ndarray, shape (rows,), deg, or None
        NaN for a miss; None where the artefact is not round, or the positions do not reach
        around it, so that its centre is not known.
    """
    columns = result.columns
    if artefact is None or not artefact.is_round or "x" not in columns or "y" not in columns:
        return None
    x, y = columns["x"], columns["y"]
    rows = (columns["outcome"] == TRIGGER) & np.isfinite(x) & np.isfinite(y)
    if np.count_nonzero(rows) < 3:
        return None
    centre = _centre(x[rows], y[rows])
    away = np.degrees(np.arctan2(y - centre[1], x - centre[0])) % 360.0
    ordered = np.sort(away[rows])
    if np.diff(np.append(ordered, ordered[0] + 360.0)).max() > _WIDEST_GAP_DEG:
        return None
    azimuth = (away if artefact.kind == "ring" else away + 180.0) % 360.0
    azimuth[~rows] = np.nan
    return np.asarray(azimuth)


def _centre(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the centre of the circle through some points by least squares of their distances."""
    start = np.array([(x.min() + x.max()) / 2, (y.min() + y.max()) / 2])
    if len(x) > _ENOUGH:  # some by lot: every so many could all be of one direction
        some = np.random.default_rng(len(x)).choice(len(x), _ENOUGH, replace=False)
        x, y = x[some], y[some]

    def off(centre: NDArray[np.float64]) -> NDArray[np.float64]:
        distance = np.hypot(x - centre[0], y - centre[1])
        return np.asarray(distance - distance.mean())

    return np.asarray(optimize.least_squares(off, start).x)
