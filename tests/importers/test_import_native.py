"""Good native logs and plain tables: what is understood."""

import hashlib

import numpy as np
import pytest

from probetest.importers import import_log, read_logs

HEAD = '# serial = "LARCH-0042"   # units = "mm"\n'
TABLE = "touch,azimuth_deg,x_mm,y_mm,outcome\n"
TWO_ROWS = "1,0,12.5,0,trigger\n2,90,0.5,12.25,trigger\n"
GOOD = HEAD + TABLE + TWO_ROWS

CONTRACT = """\
# serial = "LARCH-0042"          # build = "plate B"        # units = "mm"
# artefact = {kind = "ring", diameter_mm = 25.0004, u_mm = 0.0006}
# stylus = {length_mm = 50, ball_diameter_mm = 4.0}
# machine = {resolution_mm = 0.00125, name = "mill # 2"}
# operator = "M. Okafor"  # don't trust the clock  # cycles = 3
touch,time,stage,orientation_deg,azimuth_deg,elevation_deg,x_mm,y_mm,z_mm,outcome,feed_mm_min,temperature_c
1,2026-03-02T09:00:04,baseline,0,0,0,10.4862,0.0011,-5.0000,trigger,60,20.4
2,2026-03-02T09:00:08,after_service,90,-90,0,,,,missed,60,
"""


def columns_of(path, *names, **options):
    frame = read_logs(path, **options)[0].frame
    return [frame[name].tolist() for name in names]


def test_contract_example_gives_its_record(log):
    record = read_logs(log(CONTRACT))[0].record
    assert (record.serial, record.build) == ("LARCH-0042", "plate B")
    assert (record.artefact.kind, record.artefact.diameter_mm, record.artefact.u_mm) == (
        "ring",
        25.0004,
        0.0006,
    )
    assert (record.stylus.length_mm, record.stylus.ball_diameter_mm) == (50, 4.0)
    assert (record.machine.name, record.machine.resolution_mm) == ("mill # 2", 0.00125)


def test_unknown_keys_and_comments_become_notes(log):
    assert read_logs(log(CONTRACT))[0].record.notes == (
        ("operator", "M. Okafor"),
        ("comment", "don't trust the clock"),
        ("cycles", "3"),
    )


def test_contract_example_gives_its_rows(log):
    first, second = read_logs(log(CONTRACT))[0].frame.to_dict("records")
    assert (first["line"], first["x_mm"], first["z_mm"], first["temperature_c"]) == (7, 10.4862, -5.0, 20.4)
    assert (second["stage"], second["orientation_deg"], second["azimuth_deg"]) == (
        "after_service",
        90.0,
        270.0,
    )
    assert str(second["time"]) == "2026-03-02 09:00:08"
    assert second["outcome"] == "missed"
    assert np.isnan([second["x_mm"], second["y_mm"], second["z_mm"], second["temperature_c"]]).all()


def test_source_states_file_hash_and_rows(log):
    source = read_logs(log(CONTRACT))[0].source
    digest = hashlib.sha256(CONTRACT.encode()).hexdigest()
    assert (source.file, source.sha256, source.rows, source.units) == ("log.csv", digest, 2, "mm")


@pytest.mark.parametrize(
    "raw",
    [
        b"\xef\xbb\xbf" + GOOD.encode(),
        GOOD.encode("utf-16"),
        b"\xfe\xff" + GOOD.encode("utf-16-be"),
        GOOD.replace("\n", "\r\n").encode(),
        GOOD.replace("\n", "\r").encode(),
        (GOOD + "\n\n\n").encode(),
        GOOD.rstrip("\n").encode(),
        GOOD.replace(",", " , ").replace("# units", "#units").encode(),
        GOOD.replace("x_mm", "X_mm").replace("trigger", "Trigger").encode(),
        (
            HEAD
            + '"touch","azimuth_deg","x_mm","y_mm","outcome"\n"1","0","12.5","0","trigger"\n'
            + TWO_ROWS[19:]
        ).encode(),
    ],
    ids=[
        "bom",
        "utf-16 le",
        "utf-16 be",
        "crlf",
        "cr",
        "blank end",
        "no newline",
        "blanks",
        "case",
        "quotes",
    ],
)
def test_same_rows_however_the_text_is_written(log, raw):
    assert columns_of(log(raw), "touch", "azimuth_deg", "x_mm", "y_mm", "line", "outcome") == [
        [1, 2],
        [0.0, 90.0],
        [12.5, 0.5],
        [0.0, 12.25],
        [3, 4],
        ["trigger", "trigger"],
    ]


@pytest.mark.parametrize(
    ("rows", "lines"),
    [
        ("1,0,1,1,trigger\n\n\n2,0,1,1,trigger\n", [3, 6]),
        ("1,0,1,1,trigger\r\n\r\n2,0,1,1,trigger\r\n", [3, 5]),
        ("# a remark\n1,0,1,1,trigger\n# another\n2,0,1,1,trigger\n", [4, 6]),
        (",,,,\n1,0,1,1,trigger\n,,,,\n2,0,1,1,trigger\n", [4, 6]),
    ],
    ids=["blank lines", "crlf", "comments", "rows of blanks"],
)
def test_line_is_the_line_in_the_file(log, rows, lines):
    assert columns_of(log(HEAD + TABLE + rows), "line") == [lines]


@pytest.mark.parametrize("header", ["note,azimuth_deg,x_mm,y_mm\n", "stage,azimuth_deg,x_mm,y_mm\n"])
def test_line_counts_through_quoted_line_ends(log, header):
    rows = '"a, ""b""\n#c",0,1,1\nd,0,1,1\n'
    if header.startswith("stage"):
        rows = rows.replace("\n#c", " c")
    assert columns_of(log(HEAD + header + rows), "line") == [[3, 5] if header.startswith("note") else [3, 4]]


def test_blank_lines_above_the_header_count(log):
    assert columns_of(log("\n" + HEAD + "\n\n" + TABLE + TWO_ROWS), "line") == [[6, 7]]


def test_comments_in_the_table_are_kept_and_told(log):
    result = import_log(log(HEAD + TABLE + "1,0,1,1,trigger\n# door opened\n2,0,1,1,trigger\n"))
    assert result.tests[0].record.notes == (("comment", "door opened"),)
    assert result.notices == ("Comments within the table were kept as notes: 1 (line 4).",)


@pytest.mark.parametrize(
    ("face", "azimuth", "elevation"),
    [("X+", 0, 0), ("Y+", 90, 0), ("x-", 180, 0), ("Y-", 270, 0), ("Z-", 0, -90), ("Z+", 0, 90)],
)
def test_face_is_the_direction_of_motion(log, face, azimuth, elevation):
    path = log(HEAD + f"face,x_mm,y_mm,z_mm\n{face},1,2,3\n")
    assert columns_of(path, "azimuth_deg", "elevation_deg") == [[azimuth], [elevation]]


@pytest.mark.parametrize(
    ("stated", "normalised"),
    [("-90", 270.0), ("360", 0.0), ("-360", 0.0), ("-1e-20", 0.0), ("359.9", 359.9), ("-0", 0.0)],
)
def test_azimuth_is_brought_to_one_turn(log, stated, normalised):
    assert columns_of(log(HEAD + f"azimuth_deg,x_mm,y_mm\n{stated},1,2\n"), "azimuth_deg") == [[normalised]]


@pytest.mark.parametrize(
    "header",
    ["azimuth_deg,x_in,y_in,z_in,feed_in_min\n", "azimuth_deg,x,y,z,feed\n"],
    ids=["named", "unitless"],
)
def test_inch_becomes_mm(log, header):
    path = log('# serial = "A" # units = "inch"\n# stylus = {length_mm = 50}\n' + header + "0,0.5,-1,2,10\n")
    triggers = read_logs(path)[0]
    row = triggers.frame.iloc[0]
    assert [row[n] for n in ("x_mm", "y_mm", "z_mm", "feed_mm_min")] == [12.7, -25.4, 50.8, 254.0]
    assert triggers.source.units == "inch"
    assert triggers.record.stylus.length_mm == 50


def test_inch_reading_becomes_mm(log):
    path = log('# serial = "A" # units = "inch"\nazimuth_deg,reading_in\n0,0.5\n')
    assert columns_of(path, "reading_mm") == [[12.7]]


def test_reading_may_stand_for_the_position(log):
    triggers = read_logs(log(HEAD + "azimuth_deg,reading_mm\n0,0.0012\n0,0.0014\n"))[0]
    assert triggers.frame["reading_mm"].tolist() == [0.0012, 0.0014]
    assert not triggers.has_positions


def test_absent_columns_are_filled(log):
    row = read_logs(log(HEAD + "azimuth_deg,x_mm,y_mm\n0,1,2\n"))[0].frame.iloc[0]
    assert (row["touch"], row["stage"], row["outcome"], row["orientation_deg"]) == (
        1,
        "baseline",
        "trigger",
        0.0,
    )


def test_plain_table_takes_serial_and_units_from_options(log):
    result = import_log(log("azimuth_deg,x,y\n0,1,2\n"), units="inch", serial="LARCH-0007")
    assert (result.tests[0].record.serial, result.units, result.shape) == (
        "LARCH-0007",
        "inch",
        "plain table",
    )
    assert result.tests[0].frame["x_mm"].tolist() == [25.4]


def test_a_table_may_hold_several_serials(log):
    rows = "B,1,0,1,1\nA,1,0,2,2\nB,2,0,3,3\n"
    tests = read_logs(log("serial,touch,azimuth_deg,x_mm,y_mm\n" + rows), units="mm")
    assert [test.record.serial for test in tests] == ["B", "A"]
    assert [test.frame["x_mm"].tolist() for test in tests] == [[1.0, 3.0], [2.0]]
    assert [test.frame["line"].tolist() for test in tests] == [[2, 4], [3]]
    assert [test.source.rows for test in tests] == [2, 1]


def test_unknown_columns_are_told(log):
    result = import_log(log(HEAD + "azimuth_deg,x_mm,y_mm,mood,\n0,1,2,good,\n"))
    assert result.ignored == ("mood", "(column 5, no name)")
    assert result.notices == ("Columns that are not understood were ignored: mood, (column 5, no name).",)
    assert result.columns == (("azimuth_deg", "azimuth_deg"), ("x_mm", "x_mm"), ("y_mm", "y_mm"))


@pytest.mark.parametrize(
    ("cell", "time"),
    [
        ("2026-03-02T09:00:04", "2026-03-02T09:00:04.000"),
        ("2026-03-02 09:00:04.5", "2026-03-02T09:00:04.500"),
        ("2026-03-02T09:00:04.123456", "2026-03-02T09:00:04.123"),
        ("2026-03-02T09:00:04+02:00", "2026-03-02T07:00:04.000"),
        ("2026-03-02T09:00:04Z", "2026-03-02T09:00:04.000"),
    ],
)
def test_iso_times_are_read_and_offsets_brought_to_utc(log, cell, time):
    result = import_log(log(HEAD + f"azimuth_deg,x_mm,y_mm,time\n0,1,2,{cell}\n"))
    assert str(result.tests[0].frame["time"].to_numpy()[0]) == time
    assert ("UTC" in " ".join(result.notices)) == (cell[-1] == "Z" or "+" in cell)


def test_time_that_runs_backwards_is_told_and_kept(log):
    rows = "0,1,2,2026-03-02T09:00:04\n0,1,2,2026-03-02T09:00:00\n0,1,2,\n"
    result = import_log(log(HEAD + "azimuth_deg,x_mm,y_mm,time\n" + rows))
    assert len(result.tests[0].frame) == 3
    assert result.notices[0].startswith("The time runs backwards at 1 place, first on line 4;")


def test_misses_and_false_triggers_stay_rows(log):
    rows = "1,0,,,missed\n2,0,,,open_at_start\n3,0,0.1,0,false\n4,0,1,0,trigger\n"
    assert columns_of(log(HEAD + TABLE + rows), "outcome", "touch") == [
        ["missed", "open_at_start", "false", "trigger"],
        [1, 2, 3, 4],
    ]


def test_serial_with_path_and_markup_is_only_text(log):
    serial = "../../etc/<b>#set page()</b>*$x$"
    text = f'# units = "mm" # serial = "{serial}"\n' + TABLE + TWO_ROWS
    assert read_logs(log(text))[0].record.serial == serial
