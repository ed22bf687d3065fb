"""Scatter and events by arm: known answers, a regression and exact chances beside them, known truth."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from simulated import assert_share_at_least, assert_share_at_most, even_azimuths

from probetest.errors import StatisticsError
from probetest.statistics.contact_sectors import (
    POWER,
    SCATTER_RISK,
    SectorScatter,
    sector_events,
    sector_of,
    sector_scatter,
)

Floats = NDArray[np.float64]

ORIENTATIONS_DEG = (0.0, 30.0, 90.0, 210.0)


@dataclass(frozen=True)
class Plan:
    """Cells of a test: even directions at each orientation, arm 0 at 0 deg."""

    azimuth_deg: Floats
    body_deg: Floats

    @property
    def sector(self) -> NDArray[np.intp]:
        return sector_of(self.body_deg, 0.0)


def plan(directions: int, orientations_deg: tuple[float, ...] = (0.0,)) -> Plan:
    azimuth = np.tile(even_azimuths(directions), len(orientations_deg))
    return Plan(azimuth, azimuth - np.repeat(orientations_deg, directions))


def compare(cells: Plan, readings: Floats) -> tuple[SectorScatter, SectorScatter, SectorScatter]:
    """Sectors of readings of shape (cells, touches)."""
    deviation = readings - readings.mean(axis=1, keepdims=True)
    index = np.repeat(np.arange(len(readings)), readings.shape[1])
    return sector_scatter(deviation.ravel(), index, cells.azimuth_deg, cells.body_deg, 0.0)


def scattered(rng: np.random.Generator, cells: Plan, touches: int, gain: float = 1.0) -> Floats:
    """Normal readings; arm 1 scatters ``gain`` times as much, near its borders half of the touches do."""
    off = np.abs((cells.body_deg + 180.0 - 120.0 + 180.0) % 360.0 - 180.0)
    share = np.where(np.abs(off - 60.0) <= 5.0, 0.5, off < 60.0)
    worse = rng.random((len(off), touches)) < share[:, None]
    return np.asarray(rng.normal(size=worse.shape) * np.where(worse, gain, 1.0))


# ---- sectors


def test_sector_is_that_of_the_arm_nearest_to_the_force() -> None:
    arm = 20.0
    azimuth = np.arange(0.0, 720.0, 0.7)
    force = np.deg2rad(azimuth + 180.0)
    arms = np.deg2rad(arm + np.array([0.0, 120.0, 240.0]))
    lever = np.cos(force[:, None] - arms)
    clear = np.sort(np.rad2deg(np.arccos(np.clip(lever, -1, 1))), axis=1)[:, 0] < 55.0
    assert 0 < clear.sum() < len(clear)
    assert np.array_equal(sector_of(azimuth, arm), np.where(clear, lever.argmax(axis=1), -1))


def test_edges_of_the_clearance_belong_to_no_arm() -> None:
    assert sector_of([124.9, 125.0, 125.1, 234.9, 235.0], 0.0).tolist() == [-1, -1, 0, 0, -1]
    assert sector_of([120.0, 120.1, 240.0, 239.9], 0.0, clear_deg=0.0).tolist() == [-1, 0, -1, 0]
    assert sector_of(180.0 + np.array([0.1, 0.2, 0.7]) + 55.0, [0.1, 0.2, 0.7][0]).tolist() == [-1, -1, -1]


def test_turning_the_arm_by_120_deg_renames_the_arms() -> None:
    azimuth = np.arange(0.0, 360.0, 3.3)
    before, after = sector_of(azimuth, 10.0), sector_of(azimuth, 130.0)
    assert np.array_equal(np.where(before >= 0, (before - 1) % 3, -1), after)


@pytest.mark.parametrize(("azimuth", "arm", "clear"), [(np.nan, 0.0, 5.0), (0.0, np.inf, 5.0)])
def test_unknown_azimuth_has_no_sector(azimuth: float, arm: float, clear: float) -> None:
    with pytest.raises(StatisticsError, match="finite"):
        sector_of([azimuth], arm, clear_deg=clear)


@pytest.mark.parametrize("clear", [-1.0, 60.0, np.nan])
def test_clearance_leaves_a_sector(clear: float) -> None:
    with pytest.raises(StatisticsError, match="clearance"):
        sector_of([0.0], 0.0, clear_deg=clear)


# ---- scatter


def test_counts_and_ratio_by_hand() -> None:
    # All cells +-1, in the sector of arm 1 +-2.5: a ratio of exactly 2.5 without any remainder.
    cells = plan(24)
    sizes = np.where(cells.sector == 1, 2.5, np.where(cells.sector == -1, np.nan, 1.0))
    clear = Plan(cells.azimuth_deg[cells.sector >= 0], cells.body_deg[cells.sector >= 0])
    readings = sizes[cells.sector >= 0][:, None] * np.tile([-1.0, 1.0], 3)
    found = compare(clear, readings)[1]
    assert found.ratio == pytest.approx(2.5, rel=1e-9)
    assert found.directions == (7, 14, 0)
    assert found.touches == (42, 84, 0)
    assert (found.unused, found.dof) == (0, 17)
    assert found.interval.lower < 2.5 < found.interval.upper
    assert compare(cells, scattered(np.random.default_rng(1), cells, 4))[0].directions == (7, 14, 3)


@pytest.mark.parametrize("touches", [2, 3, 7])
def test_p_is_that_of_a_weighted_regression(touches: int) -> None:
    # Oracle: statsmodels WLS of the spreads, taken by a plain loop over pairs.
    cells = plan(24, (0.0, 30.0))
    rng = np.random.default_rng(touches)
    sizes = rng.integers(2, touches + 2, len(cells.azimuth_deg))
    index = np.repeat(np.arange(len(sizes)), sizes)
    reading = rng.normal(size=len(index)) * np.where(cells.sector[index] == 2, 1.5, 1.0)
    found = sector_scatter(reading, index, cells.azimuth_deg, cells.body_deg, 0.0)
    spread = [
        np.mean([abs(a - b) ** POWER for a, b in itertools.combinations(reading[index == cell], 2)])
        for cell in range(len(sizes))
    ]
    turn = np.deg2rad(cells.azimuth_deg)
    off = np.abs((cells.body_deg[:, None] - np.array([0.0, 120.0, 240.0])) % 360.0 - 180.0)
    for arm in range(3):
        share = np.where(np.abs(off[:, arm] - 60.0) < 1.0, 0.5, off[:, arm] < 60.0)
        columns = [np.ones_like(turn), np.cos(2 * turn), np.sin(2 * turn), cells.sector < 0, share]
        fit = sm.WLS(spread, np.column_stack(columns).astype(float), weights=sizes - 1).fit()
        assert found[arm].p == pytest.approx(stats.t.sf(fit.tvalues[-1], fit.df_resid), rel=1e-9)
        assert found[arm].dof == fit.df_resid


def test_interval_holds_the_ratios_that_the_test_does_not_refuse() -> None:
    # Dividing the sector's readings by a limit must bring p to 2.5 or 97.5 %.
    cells = plan(24)
    clear = Plan(cells.azimuth_deg[cells.sector >= 0], cells.body_deg[cells.sector >= 0])
    readings = scattered(np.random.default_rng(3), clear, 6, 1.6)
    found = compare(clear, readings)[1]
    for ratio, p in ((found.interval.lower, 0.025), (found.ratio, 0.5), (found.interval.upper, 0.975)):
        scaled = np.where(clear.sector[:, None] == 1, readings / ratio, readings)
        assert compare(clear, scaled)[1].p == pytest.approx(p, rel=1e-6)


def test_unit_offsets_and_order_do_not_matter() -> None:
    cells = plan(24, ORIENTATIONS_DEG)
    rng = np.random.default_rng(4)
    readings = scattered(rng, cells, 5, 1.5)
    index = np.repeat(np.arange(len(readings)), 5)
    moved = (1e-3 * readings + rng.normal(size=(len(readings), 1))).ravel()
    mixed = rng.permutation(len(moved))
    other = sector_scatter(moved[mixed], index[mixed], cells.azimuth_deg, cells.body_deg + 360.0, 0.0)
    for ours, theirs in zip(compare(cells, readings), other, strict=True):
        assert theirs.p == pytest.approx(ours.p, rel=1e-6)
        assert theirs.ratio == pytest.approx(ours.ratio, rel=1e-6)


def test_spread_does_not_depend_on_the_number_of_touches() -> None:
    # Skew readings, two touches in the sector, twelve elsewhere: alike on average over many cells.
    cells = plan(360, ORIENTATIONS_DEG)
    index = np.repeat(np.arange(len(cells.sector)), np.where(cells.sector == 0, 2, 12))
    reading = np.random.default_rng(5).exponential(size=len(index))
    found = sector_scatter(reading, index, cells.azimuth_deg, cells.body_deg, 0.0)[0]
    assert 1.0 in found.interval
    assert found.interval.half_width < 0.2


def test_nothing_scatters_elsewhere_or_here() -> None:
    cells = plan(24)
    rng = np.random.default_rng(6)
    only = np.where((cells.sector == 1)[:, None], rng.normal(size=(24, 5)), 0.0)
    found = compare(cells, only)
    assert found[1].p < SCATTER_RISK
    assert found[1].ratio > 100
    assert found[1].interval.lower > 2
    never = compare(cells, np.where((cells.sector == 1)[:, None], 0.0, rng.normal(size=(24, 5))))[1]
    assert never.ratio < 0.05
    assert never.interval.upper < 1
    assert never.p > 0.999


def test_one_far_reading_does_not_alarm() -> None:
    for directions, orientations in ((12, (0.0,)), (36, (0.0,)), (12, ORIENTATIONS_DEG)):
        cells = plan(directions, orientations)
        for where in np.flatnonzero(cells.sector == 0)[:4]:
            readings = scattered(np.random.default_rng(int(where)), cells, 5)
            readings[where, 0] += 1000.0
            assert compare(cells, readings)[0].p > 0.02


def test_step_that_hides_scatter_in_one_sector_does_not_alarm() -> None:
    # Means on an edge of the step in the sector, in mid-step elsewhere, as a run-out would place them.
    cells, rng = plan(36), np.random.default_rng(8)
    level = np.where(cells.sector == 0, 0.5, 0.2)[:, None] * 3.0 + rng.uniform(-0.6, 0.6, (36, 1))
    found = compare(cells, np.round((level + rng.normal(size=(36, 10))) / 3.0) * 0.003)[0]
    assert found.coarse
    assert found.p > 0.01
    assert not compare(cells, np.round(rng.normal(size=(36, 10))) * 0.001)[0].coarse


def test_readings_with_hardly_a_remainder_do_not_alarm() -> None:
    # One touch in three apart in each cell of one sector and none elsewhere: chance does it now and then.
    cells = plan(12)
    readings = np.zeros((12, 3))
    readings[:, 2] = np.where(cells.sector == 0, 1.0, 0.0)
    readings[np.flatnonzero(cells.sector == 0)[0], 2] = 1.01
    assert SCATTER_RISK < compare(cells, readings)[0].p < 0.1


def test_pairs_all_alike_are_equal_scatter() -> None:
    # Two touches one step apart in every cell, corrected for drift so that no lattice is left.
    cells = plan(24)
    readings = np.tile([0.0, 0.001], (24, 1)) + np.linspace(0, 0.01, 24)[:, None]
    for one in compare(cells, readings):
        assert one.p == pytest.approx(0.5, abs=1e-3)
        assert one.ratio == pytest.approx(1.0, rel=1e-6)
        assert 1.0 in one.interval


def test_sector_that_its_steps_explain_is_refused() -> None:
    cells = plan(12)
    readings = np.zeros((12, 3))
    readings[:, 2] = np.where(cells.sector == 0, 1.0, 0.0)
    with pytest.raises(StatisticsError, match="machine, step and chance"):
        compare(cells, readings)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"deviation": np.zeros(48)}, "no direction shows any scatter"),
        ({"cell": np.zeros(48, dtype=int)}, "has 0 directions touched twice"),
        ({"cell": np.arange(48) // 2 + 1}, "index into the azimuths"),
        ({"cell": np.arange(48) / 2}, "index into the azimuths"),
        ({"cell": np.arange(47)}, "one deviation and one cell"),
        ({"azimuth": np.zeros(23)}, "each cell both"),
        ({"azimuth": np.full(24, np.nan)}, "finite"),
        ({"deviation": np.full(48, np.nan)}, "finite"),
    ],
)
def test_touches_that_tell_nothing_are_refused(change: dict[str, Floats], message: str) -> None:
    data = {
        "deviation": np.random.default_rng(9).normal(size=48),
        "cell": np.arange(48) // 2,
        "azimuth": even_azimuths(24),
    } | change
    with pytest.raises(StatisticsError, match=message):
        sector_scatter(data["deviation"], data["cell"], data["azimuth"], even_azimuths(24), 0.0)


def test_sectors_that_follow_the_lobes_of_the_machine_are_refused() -> None:
    # Three machine azimuths only, one for each sector.
    body = np.concatenate([[180 + d, 300 + d, 60 + d] for d in (-40, -20, 20, 40)])
    machine = np.tile([0.0, 60.0, 120.0], 4)
    reading = np.random.default_rng(10).normal(size=24)
    with pytest.raises(StatisticsError, match="tell an arm from machine"):
        sector_scatter(reading, np.arange(24) // 2, machine, body, 0.0)


def test_single_touches_are_counted() -> None:
    cells = plan(24)
    index = np.concatenate([[0], np.repeat(np.arange(1, 24), 3)])
    found = sector_scatter(
        np.random.default_rng(11).normal(size=len(index)), index, cells.azimuth_deg, cells.body_deg, 0.0
    )
    assert {one.unused for one in found} == {1}
    assert all(sum(one.directions) == 23 and sum(one.touches) == 69 for one in found)


# ---- events


def test_chance_is_that_of_all_arrangements() -> None:
    # By enumeration of the counts (SciPy multivariate hypergeometric): those with so small a tail.
    approaches = (9, 14, 11)
    where = np.repeat([180.0, 300.0, 60.0], approaches)
    for counts in ((4, 0, 1), (0, 5, 1), (2, 2, 2), (3, 1, 6), (0, 0, 3), (9, 3, 0)):
        total = sum(counts)
        found = sector_events(np.repeat([180.0, 300.0, 60.0], counts), where, 0.0)
        law = stats.multivariate_hypergeom(approaches, total)
        tails = [stats.hypergeom(sum(approaches), made, total) for made in approaches]
        least = min(tail.sf(count - 1) for tail, count in zip(tails, counts, strict=True))
        table = {
            all_: float(law.pmf(all_))
            for all_ in itertools.product(*(range(made + 1) for made in approaches))
            if sum(all_) == total
        }
        assert sum(table.values()) == pytest.approx(1, rel=1e-9)
        wanted = sum(
            p
            for all_, p in table.items()
            if min(tail.sf(count - 1) for tail, count in zip(tails, all_, strict=True)) <= least * (1 + 1e-7)
        )
        assert found.p == pytest.approx(wanted, rel=1e-9)
        assert least * (1 - 1e-9) <= found.p <= 3 * least * (1 + 1e-9)
        assert (found.events, found.touches) == (counts, approaches)


def test_events_by_hand() -> None:
    # Four events of 30 approaches all in a sector of 10: 3 C(10, 4) / C(30, 4); rates as published tables.
    found = sector_events([180.0] * 4, [180.0, 300.0, 60.0] * 10, 0.0)
    assert found.arm == 0
    assert found.p == pytest.approx(3 * 210 / 27405, rel=1e-12)
    assert found.rate is not None
    assert found.rate_elsewhere is not None
    # Closed form of Clopper and Pearson without events: 1 - 0.025 ** (1 / 20).
    assert found.rate_elsewhere.upper == pytest.approx(1 - 0.025 ** (1 / 20), rel=1e-9)
    binomial = stats.binomtest(4, 10).proportion_ci(method="exact")
    assert (found.rate.lower, found.rate.upper) == pytest.approx((binomial.low, binomial.high), rel=1e-9)


def test_no_events_no_arm() -> None:
    for events in ([], [120.0]):
        found = sector_events(events, [180.0, 300.0, 60.0, 120.0], 0.0)
        assert (found.arm, found.p, found.rate, found.rate_elsewhere) == (None, 1.0, None, None)
        assert (found.events_between, found.touches_between) == (len(events), 1)


def test_level_arms_name_none() -> None:
    found = sector_events([180.0, 300.0], [180.0, 300.0, 60.0] * 5, 0.0)
    assert found.arm is None
    assert found.p == 1.0


def test_arm_is_the_one_with_most_for_its_approaches() -> None:
    found = sector_events([180.0] * 5 + [300.0] * 4, [180.0] * 50 + [300.0] * 8 + [60.0] * 30, 0.0)
    assert found.arm == 1


def test_only_one_sector_touched_says_nothing() -> None:
    found = sector_events([180.0] * 3, [180.0] * 9, 0.0)
    assert (found.arm, found.p) == (None, 1.0)


def test_events_must_be_among_the_approaches() -> None:
    for event, touches in ((180.0, [180.0, 60.0]), (120.0, [180.0])):
        with pytest.raises(StatisticsError, match="must hold the events"):
            sector_events([event] * 2, touches, 0.0)


def test_many_events_keep_a_small_chance() -> None:
    touches = np.repeat([180.0, 300.0, 60.0], 2000)
    found = sector_events(np.repeat([180.0, 300.0, 60.0], [300, 50, 50]), touches, 0.0)
    tail = stats.hypergeom.sf(299, 6000, 2000, 400)
    assert found.arm == 0
    assert found.p == pytest.approx(3 * tail, rel=1e-9)
    assert 0 < found.p < 1e-30


# ---- known truth


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("directions", "orientations", "touches", "kind"),
    [
        (24, (0.0,), 10, "lobed"),
        (24, (0.0,), 3, "heavy"),
        (12, ORIENTATIONS_DEG, 3, "skew"),
        (24, (0.0,), 5, "coarse"),
    ],
)
def test_healthy_sectors_rarely_alarm(
    directions: int, orientations: tuple[float, ...], touches: int, kind: str
) -> None:
    cells, rng, trials = plan(directions, orientations), np.random.default_rng(20), 100
    shape = (len(cells.azimuth_deg), touches)
    lobes = 1.25 - 0.25 * np.cos(2 * np.deg2rad(cells.azimuth_deg - 30.0))[:, None]
    hits = alarms = 0
    for _ in range(trials):
        readings = {
            "lobed": lambda: lobes * rng.normal(size=shape),
            "heavy": lambda: rng.standard_t(5, size=shape),
            "skew": lambda: rng.gamma(2.0, size=shape),
            "coarse": lambda: np.round((rng.normal(size=shape) + rng.uniform(0, 9, (shape[0], 1))) / 3),
        }[kind]()
        found = [one.p for one in compare(cells, readings)]
        hits += found[0] < 0.05
        alarms += min(found) < SCATTER_RISK
    assert_share_at_most(hits, trials, 0.05)
    assert_share_at_most(alarms, trials, 0.002)


@pytest.mark.simulation
def test_twice_the_scatter_is_found_and_measured() -> None:
    cells, rng, trials = plan(24), np.random.default_rng(21), 120
    found = [compare(cells, scattered(rng, cells, 10, 2.0))[1] for _ in range(trials)]
    assert_share_at_least(sum(one.p < SCATTER_RISK for one in found), trials, 0.9)
    assert_share_at_least(sum(2.0 in one.interval for one in found), trials, 0.93)
    # In 600 tests the median was 2.03; that of 120 has a standard error of about 0.04.
    assert np.median([one.ratio for one in found]) == pytest.approx(2.03, abs=0.13)


@pytest.mark.simulation
def test_events_anywhere_rarely_name_an_arm() -> None:
    rng, trials = np.random.default_rng(22), 80
    touches = np.repeat(even_azimuths(24), 10)
    hits = sum(
        sector_events(touches[rng.choice(240, 6, replace=False)], touches, 0.0).p < 0.05
        for _ in range(trials)
    )
    assert_share_at_most(hits, trials, 0.05)
