"""Counting what a log holds, and what seems to be missing."""

import json

import pandas as pd
import pytest

from probetest.importers import summarise
from probetest.triggers import Source, TestRecord, Triggers, make_frame

SOURCE = Source("log.csv", "0" * 64, 0, "inch", "native log")


def triggers_of(**columns):
    rows = len(columns["azimuth_deg"])
    filled = {"x_mm": [1.0] * rows, "y_mm": [2.0] * rows, **columns}
    return Triggers(TestRecord(serial="LARCH-0042", build="B"), make_frame(filled), SOURCE)


def grid(azimuths, repeats, **columns):
    return triggers_of(azimuth_deg=[float(a) for a in azimuths] * repeats, **columns)


def test_counts_by_outcome():
    outcome = pd.Categorical(["trigger", "missed", "trigger", "false", "open_at_start", "trigger"])
    summary = summarise(grid([0, 120, 240], 2, outcome=outcome))
    assert (summary.touches, summary.triggers, summary.missed) == (6, 3, 1)
    assert (summary.false, summary.open_at_start) == (1, 1)


def test_identity_comes_from_record_and_source():
    summary = summarise(grid([0], 1))
    assert (summary.file, summary.shape, summary.units, summary.serial, summary.build) == (
        "log.csv",
        "native log",
        "inch",
        "LARCH-0042",
        "B",
    )


def test_directions_are_listed_in_order_with_their_counts():
    outcome = pd.Categorical(["trigger", "missed", "trigger", "trigger", "trigger"])
    summary = summarise(triggers_of(azimuth_deg=[240.0, 0.0, 0.0, 120.0, 0.0004], outcome=outcome))
    assert [(d.azimuth_deg, d.touches, d.triggers) for d in summary.directions] == [
        (0.0, 3, 2),
        (120.0, 1, 1),
        (240.0, 1, 1),
    ]


def test_almost_a_full_turn_is_no_direction_of_its_own():
    assert len(summarise(triggers_of(azimuth_deg=[0.0, 359.9999])).directions) == 1


def test_series_are_stage_and_orientation():
    summary = summarise(
        triggers_of(
            azimuth_deg=[0.0, 90.0, 0.0, 90.0, 0.0],
            orientation_deg=[90.0, 90.0, 0.0, 0.0, 0.0],
            stage=pd.Categorical(["b", "b", "b", "b", "a"]),
        )
    )
    assert [(s.stage, s.orientation_deg, s.rows, s.directions) for s in summary.series] == [
        ("b", 90.0, 2, 2),
        ("b", 0.0, 2, 2),
        ("a", 0.0, 1, 1),
    ]
    assert (summary.orientations_deg, summary.stages) == ((0.0, 90.0), ("b", "a"))


def test_even_test_has_no_gaps():
    summary = summarise(grid([0, 120, 240], 5))
    assert summary.gaps == ()
    assert (summary.touches_per_direction_min, summary.touches_per_direction_max) == (5, 5)


@pytest.mark.parametrize(
    ("columns", "sentence"),
    [
        (
            {"azimuth_deg": [0.0] * 4, "touch": [3, 4, 7, 9]},
            "Touch numbers are missing between 3 and 9: 3 in all (5 to 6, 8).",
        ),
        (
            {"azimuth_deg": [0.0] * 3, "touch": [1, 3, 2]},
            "The touch numbers are not in rising order; the order of the log was kept.",
        ),
        (
            {"azimuth_deg": [0.0, 90.0, 0.0]},
            "Uneven counts in stage baseline at orientation 0 deg: "
            "1 to 2 touches a direction, fewer than 2 at 90 deg.",
        ),
        (
            {"azimuth_deg": [0.0, 90.0], "outcome": pd.Categorical(["trigger", "missed"])},
            "No trigger at all at 90 deg in stage baseline at orientation 0 deg.",
        ),
        (
            {"azimuth_deg": [0.0, 90.0, 0.0], "orientation_deg": [0.0, 0.0, 45.0]},
            "Directions of other series are missing in stage baseline at orientation 45 deg: 90 deg.",
        ),
        (
            {"azimuth_deg": [0.0, 0.0], "time": ["2026-03-02T09:00:04", "2026-03-02T09:00:00"]},
            "The time runs backwards at 1 place, first on line 2; "
            "the order of the log was kept, so that drift over touches and over time may differ.",
        ),
    ],
    ids=["missing numbers", "order", "uneven", "no trigger", "absent direction", "time"],
)
def test_gap_is_one_sentence(columns, sentence):
    assert summarise(triggers_of(**columns)).gaps == (sentence,)


def test_long_lists_of_directions_are_cut():
    azimuths = [float(a) for a in range(0, 360, 15)]
    summary = summarise(triggers_of(azimuth_deg=[*azimuths, 0.0]))
    assert summary.gaps[0].endswith("fewer than 2 at 15, 30, 45, 60, 75, 90, 105, 120 and 15 more deg.")


def test_dict_is_plain_json():
    plain = json.loads(json.dumps(summarise(grid([0, 120], 2)).to_dict()))
    assert plain["direction_count"] == 2
    assert plain["directions"][1] == {"azimuth_deg": 120.0, "elevation_deg": 0.0, "touches": 2, "triggers": 2}


def test_frame_is_not_changed():
    triggers = grid([0, 359.9999], 2)
    before = triggers.frame.copy()
    summarise(triggers)
    pd.testing.assert_frame_equal(triggers.frame, before)
