"""What is written as a native log reads the same."""

import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probetest.errors import ImportDataError
from probetest.importers import import_log, read_logs, write_native_log
from probetest.importers.native import NativeLogError
from probetest.triggers import OUTCOMES, Artefact, Machine, Source, Stylus, TestRecord, Triggers, make_frame

SOURCE = Source("none", "", 0, "mm", "simulated")
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
PRINTABLE = TEXT.filter(lambda text: text.isprintable() and text.strip())
KEYS = TEXT.filter(lambda key: key not in ("serial", "build", "units", "artefact", "stylus", "machine"))
LENGTHS = st.none() | st.floats(1e-6, 1e3)


def records():
    return st.builds(
        TestRecord,
        serial=PRINTABLE,
        build=st.none() | PRINTABLE,
        artefact=st.none()
        | st.builds(
            Artefact, kind=st.sampled_from(["ring", "sphere", "plane"]), diameter_mm=LENGTHS, u_mm=LENGTHS
        ),
        stylus=st.none() | st.builds(Stylus, length_mm=LENGTHS, ball_diameter_mm=LENGTHS),
        machine=st.none() | st.builds(Machine, name=st.none() | TEXT, resolution_mm=LENGTHS),
        notes=st.lists(st.tuples(KEYS | st.just("comment"), TEXT), max_size=4).map(tuple),
    )


def random_frame(seed: int, rows: int, readings: bool) -> pd.DataFrame:
    """Return a frame with misses, blanks, negative zeros and every outcome."""
    rng = np.random.default_rng(seed)
    outcome = rng.choice(OUTCOMES, rows, p=[0.7, 0.1, 0.1, 0.1])
    missed = outcome != "trigger"

    def lengths():
        values = rng.integers(-(10**9), 10**9, rows) / 1e5
        return np.where(missed & (rng.random(rows) < 0.5), np.nan, values)

    positions = (
        {"reading_mm": lengths()} if readings else {"x_mm": lengths(), "y_mm": lengths(), "z_mm": lengths()}
    )
    time = np.datetime64("2026-03-02T09:00:04.250", "ms") + rng.integers(0, 10**10, rows)
    time[rng.random(rows) < 0.2] = np.datetime64("NaT")
    return make_frame(
        {
            "touch": np.cumsum(rng.integers(1, 4, rows)),
            "time": time,
            "stage": pd.Categorical(
                rng.choice(["baseline", "after service", "nach Überfahrt", 'a"b,c'], rows)
            ),
            "orientation_deg": rng.choice([0.0, 90.0, 359.99999], rows),
            "azimuth_deg": rng.uniform(0, 360, rows),
            "elevation_deg": rng.uniform(-90, 90, rows),
            "outcome": pd.Categorical(outcome),
            "feed_mm_min": np.where(rng.random(rows) < 0.1, np.nan, rng.uniform(1, 1000, rows)),
            "temperature_c": np.where(rng.random(rows) < 0.1, np.nan, rng.normal(20, 2, rows)),
            **positions,
        }
    )


def assert_same_values(read: pd.DataFrame, written: pd.DataFrame) -> None:
    for name in written.columns.drop("line"):
        if name in ("stage", "outcome"):
            assert read[name].tolist() == written[name].tolist()
        else:
            np.testing.assert_array_equal(read[name].to_numpy(), written[name].to_numpy(), err_msg=name)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(record=records(), seed=st.integers(0, 2**32 - 1), rows=st.integers(1, 40), readings=st.booleans())
def test_written_log_reads_the_same(tmp_path, record, seed, rows, readings):
    frame = random_frame(seed, rows, readings)
    path = tmp_path / "written.csv"
    write_native_log(Triggers(record, frame, SOURCE), path)
    (read,) = read_logs(path)
    assert_same_values(read.frame, frame)
    assert read.record == record
    assert read.source.rows == rows


def test_full_precision_survives_without_rounding(tmp_path):
    frame = make_frame({"azimuth_deg": [0.1 + 0.2], "x_mm": [1 / 3], "y_mm": [-1e-17]})
    write_native_log(Triggers(TestRecord(serial="A"), frame, SOURCE), tmp_path / "a.csv", decimals=None)
    row = read_logs(tmp_path / "a.csv")[0].frame.iloc[0]
    assert (row["azimuth_deg"], row["x_mm"], row["y_mm"]) == (0.1 + 0.2, 1 / 3, -1e-17)


def test_positions_have_the_decimals_asked_for(tmp_path):
    frame = make_frame({"azimuth_deg": [0.0], "x_mm": [1 / 3], "y_mm": [2.0], "z_mm": [-5.0]})
    write_native_log(Triggers(TestRecord(serial="A"), frame, SOURCE), tmp_path / "a.csv", decimals=3)
    assert (tmp_path / "a.csv").read_text() == (
        '# serial = "A"        # units = "mm"\n'
        "touch,time,stage,orientation_deg,azimuth_deg,elevation_deg,x_mm,y_mm,z_mm,outcome,feed_mm_min,temperature_c\n"
        "1,,baseline,0,0,0,0.333,2.000,-5.000,trigger,,\n"
    )


def test_nothing_is_left_behind_when_writing_fails(tmp_path):
    frame = make_frame({"azimuth_deg": [0.0], "x_mm": [1.0], "y_mm": [2.0]})
    target = tmp_path / "folder"
    target.mkdir()
    with pytest.raises(OSError, match="folder"):
        write_native_log(Triggers(TestRecord(serial="A"), frame, SOURCE), target)
    assert os.listdir(tmp_path) == ["folder"]


@pytest.mark.parametrize("stage", ["=1+1", "+x", "-x", "@x", " x", "x ", "a\nb", ""])
def test_stage_that_would_not_stay_text_is_refused(tmp_path, stage):
    frame = make_frame({"azimuth_deg": [0.0], "x_mm": [1.0], "y_mm": [2.0], "stage": pd.Categorical([stage])})
    with pytest.raises(NativeLogError, match="can't be written"):
        write_native_log(Triggers(TestRecord(serial="A"), frame, SOURCE), tmp_path / "a.csv")
    assert not list(tmp_path.iterdir())


def test_note_with_the_name_of_a_key_is_refused(tmp_path):
    frame = make_frame({"azimuth_deg": [0.0], "x_mm": [1.0], "y_mm": [2.0]})
    record = TestRecord(serial="A", notes=(("serial", "B"),))
    with pytest.raises(NativeLogError, match="a note named serial"):
        write_native_log(Triggers(record, frame, SOURCE), tmp_path / "a.csv")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    raw=st.binary(max_size=300)
    | st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass"))
)
def test_any_bytes_give_a_log_or_faults(tmp_path, raw):
    path = tmp_path / "any.csv"
    path.write_bytes(raw)
    with pytest.raises(ImportDataError):
        import_log(path)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(head=st.text(max_size=100), cells=st.lists(st.text(max_size=10), min_size=3, max_size=3))
def test_any_text_in_head_and_cells_gives_a_log_or_faults(tmp_path, head, cells):
    path = tmp_path / "any.csv"
    text = (
        "# "
        + head.replace("\n", "\n# ").replace("\r", "\r# ")
        + "\nstage,azimuth_deg,reading_mm\n"
        + ",".join(cells)
    )
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        result = import_log(path, units="mm", serial="A")
    except ImportDataError as error:
        message = str(error)
    else:
        message = "" if np.isfinite(result.tests[0].frame["reading_mm"]).all() else "a reading is missing"
    assert all(line.isprintable() for line in message.split("\n"))
    assert message != "a reading is missing"


def test_marked_arm_is_read_from_the_head_and_written_again(tmp_path):
    text = '# serial = "A"   # units = "mm"\n# arm_azimuth_deg = 97.5\nazimuth_deg,reading_mm\n0,1.0\n0,1.1\n'
    first = tmp_path / "first.csv"
    first.write_text(text, encoding="utf-8")
    (test,) = import_log(first).tests
    assert test.record.arm_azimuth_deg == 97.5
    assert test.record.notes == ()
    second = tmp_path / "second.csv"
    write_native_log(test, second)
    (again,) = import_log(second).tests
    assert again.record.arm_azimuth_deg == 97.5


@pytest.mark.parametrize("wrong", ["400", '"left"', "nan"])
def test_marked_arm_must_be_an_angle(tmp_path, wrong):
    first = tmp_path / "first.csv"
    first.write_text(
        f'# serial = "A"   # units = "mm"\n# arm_azimuth_deg = {wrong}\nazimuth_deg,reading_mm\n0,1.0\n',
        encoding="utf-8",
    )
    with pytest.raises(ImportDataError, match="arm_azimuth_deg"):
        import_log(first)
