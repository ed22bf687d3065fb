"""Touches that a log lacks because they equalled the one before: some controllers do not write them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from probetest.statistics.approach import ApproachReadings
from probetest.statistics.repeats import EqualNeighbours, equal_neighbours


@dataclass(frozen=True, slots=True)
class LostTouches:
    """What a series lacks against its plan.

    Attributes
    ----------
    made : numpy.ndarray of int, shape (directions,) or None
        Touches made from each direction, by the plan less failed approaches; None without a plan.
    lost : int
        Touches made but not logged.
    equal : EqualNeighbours
        Equal touches next to each other.
    """

    made: NDArray[np.intp] | None
    lost: int
    equal: EqualNeighbours

    @property
    def explained(self) -> bool:
        """Touches are lost and may all have equalled the one before: the scatter can be corrected."""
        return self.lost > 0 and self.equal.seen == 0 and self.equal.pairs > 0

    @property
    def suspected(self) -> bool:
        """Equal touches seem to be missing, and no plan says how many."""
        return self.equal.suspected and not self.explained


def find_lost(
    rows: pd.DataFrame,
    readings: ApproachReadings,
    digit_mm: float,
    planned: int | None,
    failed_azimuth_deg: NDArray[np.float64],
) -> LostTouches:
    """Compare a series with its plan, and look for equal neighbours.

    Parameters
    ----------
    rows : pandas.DataFrame
        Horizontal touches of the series.
    readings : ApproachReadings
    digit_mm : float
        One unit of the last decimal of the log.
    planned : int or None
        Approaches planned from each direction.
    failed_azimuth_deg : numpy.ndarray, shape (failed,)
        Azimuths of the approaches of the series that ended without a trigger.
    """
    equal = _equal(rows, readings, digit_mm)
    if planned is None:
        return LostTouches(None, 0, equal)
    counts = np.bincount(readings.direction, minlength=len(readings.azimuth_deg))
    wrapped = np.mod(np.round(failed_azimuth_deg, 4), 360.0)
    failed = (wrapped[:, None] == readings.azimuth_deg[None, :]).sum(axis=0)
    made = np.maximum(planned - failed, counts)
    return LostTouches(made, int((made - counts).sum()), equal)


def _equal(rows: pd.DataFrame, readings: ApproachReadings, digit_mm: float) -> EqualNeighbours:
    order = rows["order"].to_numpy()
    follows = (np.diff(readings.direction) == 0) & (np.diff(order) == 1)
    row = np.append(follows, False) | np.insert(follows, 0, False)
    if not row.any():
        # Taken in turn, no touch follows one of its own direction.
        return EqualNeighbours(seen=0, expected=0.0, pairs=0, p_value=1.0, suspected=False)
    names = ["x_mm", "y_mm", "z_mm", "reading_mm"]
    logged = [name for name in names if rows[name].notna().all()]
    positions = rows[logged].to_numpy()[row]
    return equal_neighbours(positions, readings.direction[row], order[row], max(digit_mm, 1e-9))
