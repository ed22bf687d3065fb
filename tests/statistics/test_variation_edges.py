"""Variation where its parts degenerate: equal means, directions that hide the shape, very many waves."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import even_azimuths

from probetest.statistics.variation import _design, _keep, pretravel_variation


@pytest.mark.parametrize("directions", [6, 8, 12, 24])
def test_equal_means_of_scattering_touches_do_not_prove_that_nothing_varies(directions: int) -> None:
    azimuths, counts = even_azimuths(directions), np.full(directions, 2)
    equal = pretravel_variation(np.full(directions, 10.0), azimuths, counts, 0.001, directions)
    nearly = 10.0 + 1e-12 * np.random.default_rng(5).normal(size=directions)
    close = pretravel_variation(nearly, azimuths, counts, 0.001, directions)
    assert (equal.variation_mm, equal.raw_mm, equal.interval_mm.lower) == (0.0, 0.0, 0.0)
    assert equal.interval_mm.upper == pytest.approx(close.interval_mm.upper, rel=1e-6)
    assert equal.interval_mm.upper > 0.0005


@pytest.mark.parametrize("directions", range(5, 73))
def test_a_change_that_the_directions_can_not_show_is_no_part_of_the_tangent(directions: int) -> None:
    design = _design(tuple(even_azimuths(directions)), (1.0,) * directions)
    for place in range(len(design.shapes)):
        tangent = design.tangent(place)
        assert np.isfinite(tangent).all()
        np.testing.assert_allclose(tangent.T @ tangent, np.eye(tangent.shape[1]), atol=1e-9)
        np.testing.assert_allclose(design.nuisance.T @ tangent, 0.0, atol=1e-6)


def test_share_that_is_kept_of_very_many_faint_waves_has_its_limit() -> None:
    sizes = np.array([4, 50, 140, 400, 700])
    kept = np.array([_keep(np.array([[1e-9]]), int(size))[1][0, 0] for size in sizes])
    # The mean of 1 - B over a density B**(size / 2) on (0, 1).
    np.testing.assert_allclose(kept, 1 - (sizes / 2 + 1) / (sizes / 2 + 2), rtol=1e-5)
