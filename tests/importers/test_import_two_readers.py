"""The quick and the careful reader must understand the same text in the same way."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probetest.faults import FaultList
from probetest.importers.careful import read_careful
from probetest.importers.columns import ColumnMap
from probetest.importers.fast import read_fast
from probetest.importers.layout import read_header

HEADER = "touch,time,stage,azimuth_deg,x_mm,y_mm,outcome,temperature_c"
ROWS = [
    "1,2026-03-02T09:00:04,baseline,0,10.4862,0.0011,trigger,20.4",
    "2,2026-03-02T09:00:08,baseline,90,,,missed,",
    "3,,after service,-1.5e1,.5,+7.,trigger,20.5",
    "4,2026-03-02T09:00:16,baseline,270,-0.0000001,123456.789,false,0",
]


def as_bytes(text):
    return np.frombuffer(text.encode("utf-8"), dtype=np.uint8)


def both(text, header=HEADER):
    faults = FaultList("log.csv")
    layout = read_header(header, 1, ColumnMap(), faults)
    careful = read_careful(as_bytes(text), layout, faults) if text else None
    return read_fast(as_bytes(text), layout), careful, faults


def assert_same(fast, careful, faults):
    assert faults.total == 0
    np.testing.assert_array_equal(fast.line, careful.line)
    assert fast.columns.keys() == careful.columns.keys()
    for name, values in fast.columns.items():
        if isinstance(values, pd.Categorical):
            assert values.tolist() == careful.columns[name].tolist()
        else:
            assert values.dtype == careful.columns[name].dtype
            np.testing.assert_array_equal(values, careful.columns[name])


def test_good_rows_are_read_alike():
    fast, careful, faults = both("\n".join(ROWS) + "\n")
    assert fast is not None
    assert_same(fast, careful, faults)


@pytest.mark.parametrize(
    "end", ["", "\n", "\r\n", "\n\n\r\n", "\n" * 70_000], ids=["none", "lf", "crlf", "few", "many"]
)
def test_ends_are_read_alike(end):
    fast, careful, faults = both("\n".join(ROWS) + end)
    assert fast is not None
    assert_same(fast, careful, faults)


@pytest.mark.parametrize("kind", ["", "+01:00", ".5", ".123456"])
def test_times_are_read_alike(kind):
    text = "".join(f"{n},2026-03-02T09:00:0{n}{kind},a,0,1,2,trigger,20\n" for n in range(9))
    fast, careful, faults = both(text)
    assert fast is not None
    assert fast.in_utc == careful.in_utc == (kind == "+01:00")
    assert_same(fast, careful, faults)


@pytest.mark.parametrize(
    "text",
    [
        '"a",0,1,2\n',
        "#a,0,1,2\n",
        " a,0,1,2\n",
        "a,0,1,2\n\na,0,1,2\n",
        "a,0,nan,2\n",
        "a,0,inf,2\n",
        "a,0,1\n",
        "a,ä,1,2\n",
    ],
    ids=["quote", "comment", "outer blank", "blank line", "nan", "inf", "short row", "not ascii"],
)
def test_anything_unusual_is_left_to_the_careful_reader(text):
    assert both(text, "stage,azimuth_deg,x_mm,y_mm")[0] is None


@pytest.mark.parametrize(
    "text", ['"\n1,2",0,1,2\n', "#,0,1,2\n", "\u00e4,0,1,2\n"], ids=["quote", "comment", "not ascii"]
)
def test_an_ignored_column_can_not_hide_what_is_unusual(text):
    assert both(text, "note,azimuth_deg,x_mm,y_mm")[0] is None


@settings(max_examples=400, deadline=None)
@given(
    pieces=st.lists(
        st.tuples(
            st.integers(0, 230),
            st.sampled_from([*'0123456789,.-+eE#" \n\r\t;TZ:xäé\x00\u00a0', "nan", "inf", "\n\n"]),
        ),
        max_size=4,
    )
)
def test_what_the_quick_reader_accepts_the_careful_one_reads_alike(pieces):
    text = "\n".join(ROWS) + "\n"
    for at, piece in pieces:
        text = text[:at] + piece + text[at:]
    fast, careful, faults = both(text)
    if fast is not None:
        assert_same(fast, careful, faults)
