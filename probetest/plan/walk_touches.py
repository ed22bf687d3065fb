"""The rules of the touches: place, direction, what meets the artefact first, and what stays clear."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from probetest.plan.solids import least_along
from probetest.plan.walk_moves import PLACE_MM, WRITTEN_MM, Followed

Floats = NDArray[np.float64]

ANGLE_DEG = 0.02
"""Tolerance of directions, beside the rounding of both ends."""

SHORTEST_PROBING_MM = 0.254
"""A G38.2 that is shorter is an error: NISTIR 6556, section on the straight probe; from memory."""


def judge_touches(check: Followed) -> None:
    """Judge all touches, fast ones too."""
    at, moves = check.at, check.bench.moves
    if not len(at):
        return
    words = check.motions.word[at]
    check.each(words != words[0], "a touch with another probing word", "the same word in all touches")
    low, high = check.low[at], check.high[at]
    length = np.linalg.norm(high - low, axis=1)
    check.each(
        (words == 38.2) & (length < SHORTEST_PROBING_MM - WRITTEN_MM), "a touch over {:.4f} mm",
        f"{SHORTEST_PROBING_MM:g} mm or more in G38.2", length,
    )  # fmt: skip
    planned = np.full(len(at), moves.run_up_mm)
    if moves.fast_feed_mm_min is not None:
        planned[1::2] = moves.back_off_mm
    away = np.linalg.norm(low - (check.contact - planned[:, None] * check.way), axis=1)
    check.each(away > PLACE_MM, "a touch that starts {:.4f} mm off", "its start on its line", away)
    away = np.linalg.norm(high - (check.contact + moves.past_mm * check.way), axis=1)
    check.each(away > PLACE_MM, "a touch that ends {:.4f} mm off", "its end on its line", away)
    _directions(check, low, high, length)
    _approaches(check, low, length)


def _directions(check: Followed, low: Floats, high: Floats, length: Floats) -> None:
    unit = (high - low) / np.maximum(length, 1e-12)[:, None]
    off = np.rad2deg(2 * np.arcsin(np.clip(np.linalg.norm(unit - check.way, axis=1) / 2, 0.0, 1.0)))
    allowed = ANGLE_DEG + np.rad2deg(WRITTEN_MM / np.maximum(length, 1e-12))
    at_most = f"within {ANGLE_DEG:g} deg of its direction"
    check.each(off > allowed, "a touch {:.3f} deg from its direction", at_most, off)


def _approaches(check: Followed, low: Floats, length: Floats) -> None:
    """The ball meets the artefact where it should; stem and body keep clear to the end.

    A touch starts clear: the move before it keeps clearance, and a slow one starts back_off_mm from contact.
    """
    moves, probe, solids = check.bench.moves, check.bench.probe, check.solids
    high = check.high[check.at]
    beyond = ((high - check.contact) * check.way).sum(axis=1)
    most = probe.overtravel_mm - moves.place_mm
    check.each(beyond > most + PLACE_MM, "a touch {:.4f} mm beyond the contact", f"{most:g} at most", beyond)
    gap = solids.ball(check.contact)
    off = np.asarray(np.abs(gap) > PLACE_MM)
    check.each(off, "a contact {:.4f} mm off the surface", "a contact", gap)
    # Along a line the distance from a convex artefact is convex, that in a bore concave: some places tell.
    unit = (high - low) / np.maximum(length, 1e-12)[:, None]
    way = np.maximum(length - moves.past_mm, 0.0)
    steps = np.linspace(0.0, 1.0, 33)[None, :, None] * way[:, None, None]
    gaps = solids.ball((low[:, None, :] + steps * unit[:, None, :]).reshape(-1, 3)).reshape(len(low), -1)
    rises = np.asarray((np.diff(gaps, axis=1) > 1e-6).any(axis=1))
    check.each(rises, "a touch that first leaves the artefact", "one that comes nearer all the way")
    gap, missed = least_along(solids.stem, low, check.contact, np.full(len(low), PLACE_MM), PLACE_MM / 2)
    check.each(missed, "a touch with the stem at the artefact ({:.4f} mm)", "the ball touching first", gap)
    # At the end the artefact holds the ball, and the upper end of the stem has moved on.
    upper = high + np.array([0.0, 0.0, check.bench.stylus.length_mm])
    needed = np.full(len(low), solids.stem_radius_mm + PLACE_MM)
    gap, missed = least_along(solids.point, check.contact, upper, needed, PLACE_MM / 2)
    check.each(
        missed, "a touch whose stem reaches the artefact at its end ({:.4f} mm)",
        "a stem that clears when the ball is held and the probe moves on", gap - solids.stem_radius_mm,
    )  # fmt: skip
    needed = np.full(len(low), moves.clearance_mm - PLACE_MM)
    gap, missed = least_along(solids.body, low, high, needed)
    told = f"{moves.clearance_mm:g} mm or more"
    check.each(missed, "a touch with the body {:.4f} mm from the artefact", told, gap)
    gap, missed = least_along(solids.stand, low, high, needed)
    check.each(missed, "a touch {:.4f} mm from what the artefact stands on", told, gap)
