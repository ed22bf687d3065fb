"""From which direction each touch came: by label, by the echoed command, by the user, or by position."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from probetest.faults import FaultList, shown
from probetest.importers.approaches import TRIGGER, Approaches
from probetest.importers.places import around_circle, check_places, radial_azimuths
from probetest.importers.rs274 import distance_modes, probe_words
from probetest.importers.scan import Scan
from probetest.importers.told import Told
from probetest.importers.words import FACES
from probetest.triggers import Artefact

_AXIS_ACTION = "give --direction with its sign, such as --direction X+, or a plan (--plan)"
_ROUNDED_DEG = 0.5


def set_directions(
    result: Approaches, found: Scan, told: Told, artefact: Artefact | None, faults: FaultList
) -> None:
    """Give each approach its azimuth and elevation.

    Parameters
    ----------
    result : Approaches
        Takes ``azimuth_deg`` and ``elevation_deg``.
    found : Scan
        Echoed commands.
    told : Told
        A direction, or that all approaches are radial, wins over nothing but silence: where it
        contradicts a label it is a fault.
    artefact : Artefact or None
    faults : FaultList
    """
    before = faults.total
    known = _from_labels(result, told, faults)
    if known is None:
        known = _from_commands(result, found)
    if told.direction is not None:
        known = _check_told(known, told.direction, result, faults)
    if known is None and told.radial:
        known = _from_positions(result, artefact, faults)
    if known is None:
        if "face" not in result.columns:  # else a face without sign is a fault already
            _ask(result, found, faults)
        known = np.zeros(len(result)), np.zeros(len(result))
    azimuth, elevation = known
    unknown = ~np.isfinite(azimuth)
    misses = unknown & (result.columns["outcome"] != TRIGGER)
    if misses.any():
        azimuth, elevation = _of_neighbours(azimuth, elevation, misses)
    unknown &= ~misses
    if faults.total > before:
        unknown[:] = False  # an axis without its sign is a fault already
    faults.add_rows(
        unknown,
        result.columns["line"],
        lambda _: "a touch without a direction",
        "a direction for each touch",
        action="give a plan (--plan), or --direction where all come from one",
    )
    result.columns["azimuth_deg"] = np.nan_to_num(azimuth)
    result.columns["elevation_deg"] = np.nan_to_num(elevation)
    if faults.total == before and not told.radial:
        check_places(result, artefact, faults)


def known_directions(
    result: Approaches, found: Scan
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return azimuth and elevation as labels or echoed commands show them, deg; None where they don't.

    Parameters
    ----------
    result : Approaches
    found : Scan
    """
    return _from_labels(result, Told(), None) or _from_commands(result, found)


Angles = tuple[NDArray[np.float64], NDArray[np.float64]]


def _from_labels(result: Approaches, told: Told, faults: FaultList | None) -> Angles | None:
    columns = result.columns
    if "azimuth" in columns and np.isfinite(columns["azimuth"]).any():
        azimuth = columns["azimuth"]
        return azimuth, np.nan_to_num(columns.get("elevation", np.zeros(len(azimuth))))
    if "face" not in columns:
        return None
    words = columns["face"]
    plain = [word.replace(" ", "").upper() for word in words.categories]
    if not any(plain):
        del columns["face"]
        return None
    if told.direction is not None and all(word in ("", "X", "Y", "Z") for word in plain):
        own = next((face for face, angles in FACES.items() if angles == told.direction), "")
        for word in plain:
            if faults is not None and word and not own.startswith(word):
                faults.add(
                    f"axis {word} in the log and --direction {own or told.direction[0]}",
                    "one direction",
                    action="correct the option",
                )
        return None
    angles = [FACES.get(word, (np.nan, np.nan)) for word in plain]
    for word in plain:
        if faults is not None and word in ("X", "Y", "Z"):
            faults.add(
                f"axis {word} without a sign",
                f"the direction of motion, {word}+ or {word}-",
                action=_AXIS_ACTION,
            )
    table = np.array(angles, dtype=float).reshape(-1, 2)
    return table[words.codes, 0], table[words.codes, 1]


def _from_commands(result: Approaches, found: Scan) -> Angles | None:
    """Straight-probe moves in incremental mode give the direction; in absolute mode they don't."""
    if "command" not in found.texts:
        return None
    codes, texts = found.texts["command"]
    lines, sign = found.events["command"], -1 if result.is_reversed else 1
    words = [probe_words(text) for text in texts]
    order = np.argsort(sign * lines, kind="stable")
    lines, codes = sign * lines[order], codes[order]
    at = np.searchsorted(lines, sign * result.columns["line"], side="right") - 1
    own = (at >= 0) & (np.diff(at, prepend=-1) != 0)  # a move has one result
    code = np.where(own, codes[np.maximum(at, 0)], -1)
    feed = np.array([one.feed for one in words] + [np.nan])
    if np.isfinite(feed[code]).any() and "feed" not in result.columns:
        result.columns["feed"] = feed[code]
    modes = distance_modes(found, sign, lines)
    angles = np.array([_angles(one.motion) for one in words] + [(np.nan, np.nan)])[code]
    angles[~own | (modes[np.maximum(at, 0)] != 91)] = np.nan
    if not np.isfinite(angles[:, 0]).any():
        return None
    return angles[:, 0], angles[:, 1]


def _angles(motion: tuple[float, float, float]) -> tuple[float, float]:
    x, y, z = motion
    flat = float(np.hypot(x, y))
    if flat == 0 and z == 0:
        return np.nan, np.nan
    return float(np.degrees(np.arctan2(y, x))) % 360 if flat else 0.0, float(np.degrees(np.arctan2(z, flat)))


def _check_told(
    known: Angles | None, direction: tuple[float, float], result: Approaches, faults: FaultList
) -> Angles:
    rows = len(result)
    stated = np.full(rows, direction[0]), np.full(rows, direction[1])
    if known is not None:
        turned = np.abs((known[0] - direction[0] + 180) % 360 - 180)
        other = (turned > 1) | (np.abs(known[1] - direction[1]) > 1)
        faults.add_rows(
            other & np.isfinite(known[0]),
            result.columns["line"],
            lambda row: f"a touch at azimuth {known[0][row]:g} deg and --direction {direction[0]:g} deg",
            "one direction",
            action="leave out --direction: the log says where each touch comes from",
        )
    return stated


def _from_positions(result: Approaches, artefact: Artefact | None, faults: FaultList) -> Angles | None:
    if artefact is None or not artefact.is_round:
        faults.add(
            "--radial without a round artefact",
            'artefact = {kind = "ring", diameter_mm = ...}',
            action="state it in a file given with --about, or give a plan (--plan)",
        )
        return None
    azimuth = radial_azimuths(result, artefact)
    if azimuth is not None and around_circle(result) is None:
        faults.add(
            "touches that do not lie on one circle, and --radial",
            "level touches all around a round artefact",
            action="give a plan (--plan) with the direction of each touch",
        )
    if azimuth is None:
        faults.add(
            "--radial and no x and y of touches all around the artefact",
            "positions in x and y from at least 3 directions",
        )
        return None
    return _rounded(azimuth), np.zeros(len(result))


def _rounded(azimuth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return for touches within half a degree of their neighbours in angle one common direction."""
    known = np.flatnonzero(np.isfinite(azimuth))
    order = known[np.argsort(azimuth[known], kind="stable")]
    steps = np.diff(azimuth[order])
    group = np.concatenate([[0], np.cumsum(steps > _ROUNDED_DEG)])
    shifted = azimuth[order].copy()
    if group[-1] > 0 and shifted[0] + 360 - shifted[-1] <= _ROUNDED_DEG:
        shifted[group == group[-1]] -= 360
        group[group == group[-1]] = 0
    mean = np.bincount(group, shifted) / np.bincount(group)
    result = np.full(len(azimuth), np.nan)
    result[order] = np.round(mean, 1)[group] % 360
    return result


def _of_neighbours(
    azimuth: NDArray[np.float64], elevation: NDArray[np.float64], rows: NDArray[np.bool_]
) -> Angles:
    """Give a miss without a direction that of the touch before it (the one behind for the first)."""
    known = np.flatnonzero(np.isfinite(azimuth))
    if not len(known):
        return azimuth, elevation
    azimuth, elevation = azimuth.copy(), elevation.copy()
    at = np.maximum(np.searchsorted(known, np.flatnonzero(rows), side="right") - 1, 0)
    azimuth[rows], elevation[rows] = azimuth[known[at]], elevation[known[at]]
    return azimuth, elevation


def _ask(result: Approaches, found: Scan, faults: FaultList) -> None:
    columns: dict[str, Any] = result.columns
    rows = columns["outcome"] == TRIGGER
    moving = [
        name
        for name in ("x", "y", "z")
        if name in columns
        and np.isfinite(values := columns[name][rows]).any()
        and np.ptp(values[np.isfinite(values)]) > 0
    ]
    if "command" in found.texts:
        seen = found.texts["command"][1][0].strip()
        what = f"probe moves such as {shown(seen)}, whose words may be targets in other coordinates"
    elif len(moving) > 1:
        what = f"positions whose {', '.join(moving)} all change and no direction of approach"
    else:
        what = "no direction of approach"
    faults.add(
        what,
        "the direction the stylus moved for each touch",
        action="give --direction X+ (or Y-, Z-, an azimuth) where all touches come from one, --plan FILE for "
        "several, or --radial (with --about) where each ran through the centre of a round artefact",
    )
