"""Bad logs and the faults they must give: what was found, where, what was expected."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from probetest.errors import ImportDataError
from probetest.importers import import_log

HEAD = '# serial = "LARCH-0042"   # units = "mm"\n'
TABLE = "touch,azimuth_deg,x_mm,y_mm,outcome\n"
ROW = "1,0,12.5,0,trigger\n"
GOOD = HEAD + TABLE + ROW


@dataclass(frozen=True)
class Bad:
    """A log and one fault that must be among those reported."""

    text: str | bytes
    line: int | None
    column: str | None
    found: str
    expected: str
    total: int = 1
    action: str = ""


def rows(*lines: str, header: str = TABLE, head: str = HEAD) -> str:
    return head + header + "\n".join(lines) + "\n"


CASES = {
    # the file as a whole
    "empty file": Bad("", None, None, "an empty file (0 bytes)", "a trigger log"),
    "pdf": Bad(
        b"%PDF-1.7\n1 0 obj", None, None, "a PDF document", "a text log", action="save it as plain text"
    ),
    "workbook": Bad(
        b"PK\x03\x04\x14\x00", None, None, "a zip archive or a spreadsheet workbook", "a text log"
    ),
    "gzip": Bad(b"\x1f\x8b\x08\x00", None, None, "a gzip archive", "a text log"),
    "picture": Bad(b"\x89PNG\r\n\x1a\n", None, None, "a PNG picture", "a text log"),
    "binary": Bad(b"1,2\x00\x01\x02", None, None, "binary data", "a text log"),
    "utf-32": Bad(GOOD.encode("utf-32"), None, None, "UTF-32 text", "UTF-8 text"),
    "broken utf-16": Bad(
        b"\xff\xfe" + (HEAD + TABLE + ROW).encode("utf-16-le") + b"\x00\xd8\n\x00",
        4,
        None,
        "bytes that are not utf-16-le",
        "utf-16-le text",
    ),
    "latin-1 in the head": Bad(
        b'# note = "\xe4"\n' + GOOD.encode(), 1, None, "bytes that are not UTF-8 (e4)", "UTF-8 text"
    ),
    "latin-1 in a cell": Bad(
        (HEAD + TABLE + ROW).encode() + b"2,0,1,1,tr\xe4ger\n",
        4,
        None,
        "bytes that are not UTF-8 (e4)",
        "UTF-8 text",
    ),
    "only metadata": Bad(HEAD, None, None, "no header row", "column names"),
    "no rows": Bad(HEAD + TABLE, 2, None, "no rows below the header row", "one row for each approach"),
    "only blank rows": Bad(
        HEAD + TABLE + "\n\n,,,,\n", 2, None, "no rows below the header row", "one row for"
    ),
    # what is stated about the test
    "no units": Bad(
        '# serial = "A"\n' + TABLE + ROW, None, None, "no units", 'units = "mm" or units = "inch"'
    ),
    "no serial": Bad(
        '# units = "mm"\n' + TABLE + ROW, None, None, "no serial of the probe", 'serial = "..."'
    ),
    "unknown units": Bad(
        '# serial = "A"\n# units = "cm"\n' + TABLE + ROW, 2, "units", "units 'cm'", '"mm" or "inch"'
    ),
    "serial without quotes": Bad(
        '# units = "mm"\n# serial = LARCH-1\n' + TABLE + ROW,
        2,
        "serial",
        "'serial = LARCH-1'",
        'serial = "..."',
    ),
    "serial as number": Bad(
        '# units = "mm" # serial = 17\n' + TABLE + ROW, 1, "serial", "17", "text in quotes"
    ),
    "empty serial": Bad(
        '# units = "mm" # serial = ""\n' + TABLE + ROW, 1, "serial", "''", "text of at least 1 character"
    ),
    "serial with a control sign": Bad(
        '# units = "mm" # serial = "A\\u001b[2J"\n' + TABLE + ROW,
        1,
        "serial",
        "serial 'A\\x1b[2J'",
        "printable text",
    ),
    "serial stated twice": Bad(
        HEAD + '# serial = "B"\n' + TABLE + ROW, 2, "serial", "serial a second time", "serial once"
    ),
    "unknown artefact": Bad(
        HEAD + '# artefact = {kind = "cone"}\n' + TABLE + ROW,
        2,
        "artefact.kind",
        "'cone'",
        "'ring', 'sphere'",
    ),
    "artefact without kind": Bad(
        HEAD + "# artefact = {diameter_mm = 25}\n" + TABLE + ROW,
        2,
        "artefact.kind",
        "no key 'kind'",
        "kind = ...",
    ),
    "negative diameter": Bad(
        HEAD + '# artefact = {kind = "ring", diameter_mm = -25}\n' + TABLE + ROW,
        2,
        "artefact.diameter_mm",
        "-25",
        "a value greater than 0",
    ),
    "diameter as text": Bad(
        HEAD + '# artefact = {kind = "ring", diameter_mm = "25"}\n' + TABLE + ROW,
        2,
        "artefact.diameter_mm",
        "'25'",
        "a valid number",
    ),
    "infinite diameter": Bad(
        HEAD + '# artefact = {kind = "ring", diameter_mm = inf}\n' + TABLE + ROW,
        2,
        "artefact.diameter_mm",
        "inf",
        "a finite number",
    ),
    "unknown key of the stylus": Bad(
        HEAD + "# stylus = {length = 50}\n" + TABLE + ROW,
        2,
        "stylus.length",
        "the unknown key 'length'",
        "length_mm",
    ),
    "words behind a table": Bad(
        HEAD + '# artefact = {kind = "ring"}   a ring\n' + TABLE + ROW,
        2,
        "artefact",
        "'artefact = {kind",
        "artefact = {",
    ),
    "table header in the head": Bad(
        HEAD + "# [artefact]\n" + TABLE + ROW, 2, "artefact", "'[artefact]'", "artefact = {"
    ),
    "colon instead of equals": Bad(
        '# units = "mm"\n# serial: A\n' + TABLE + ROW, 2, "serial", "'serial: A'", "serial = "
    ),
    "endless note": Bad(
        HEAD + f'# story = "{"a" * 20_001}"\n' + TABLE + ROW,
        2,
        None,
        "20011 characters in one part",
        "at most 20000",
    ),
    # the header row
    "transcript without header": Bad(
        HEAD + "[12.004,-3.5,-41.2:1]\n",
        None,
        None,
        "no result of a probe; its first line is '[12.004,-3.5,-41.2:1]'",
        "a header row with column names",
    ),
    "no direction": Bad(HEAD + "x_mm,y_mm\n1,2\n", 2, None, "no column for the direction", "azimuth_deg"),
    "no position": Bad(HEAD + "azimuth_deg\n0\n", 2, None, "no column for the position", "x_mm and y_mm"),
    "x without y": Bad(
        HEAD + "azimuth_deg,x_mm\n0,1\n", 2, None, "only one of the columns x_mm and y_mm", "both"
    ),
    "column twice": Bad(
        HEAD + "azimuth_deg,x_mm,y_mm,x_mm\n0,1,2,1\n", 2, "x_mm", "'x_mm' beside 'x_mm'", "each column once"
    ),
    "two names for one column": Bad(
        HEAD + "azimuth_deg,x_mm,y_mm,x\n0,1,2,1\n", 2, "x", "'x' beside 'x_mm'", "each column once"
    ),
    "quote in the header": Bad(
        HEAD + 'azimuth_deg,"x_mm\n0,1\n', 2, None, "a header row that can't be split", "column names"
    ),
    "201 columns": Bad(
        HEAD + ",".join(["azimuth_deg", "x_mm", *(f"c{n}" for n in range(199))]) + "\n",
        2,
        None,
        "201 columns",
        "at most 200",
    ),
    "mm column in an inch log": Bad(
        '# serial = "A" # units = "inch"\nazimuth_deg,x_mm,y\n0,1,2\n',
        2,
        "x_mm",
        "a column in mm where the log states units 'inch'",
        "x_in",
        action="correct the units",
    ),
    "inch column in a mm log": Bad(
        HEAD + "azimuth_deg,x_in,y\n0,1,2\n",
        2,
        "x_in",
        "a column in inch where the log states units 'mm'",
        "x_mm",
    ),
    # cells
    "word for a number": Bad(rows("1,0,abc,0,trigger"), 3, "x_mm", "'abc'", "a number"),
    "nan": Bad(rows("1,0,nan,0,trigger"), 3, "x_mm", "'nan'", "a number", action="leave the cell blank"),
    "infinity": Bad(rows("1,0,-inf,0,trigger"), 3, "x_mm", "'-inf'", "a number"),
    "overflow": Bad(rows("1,0,1e999,0,trigger"), 3, "x_mm", "'1e999'", "a number"),
    "spreadsheet error": Bad(
        rows("1,0,#REF!,0,trigger"), 3, "x_mm", "'#REF!'", "a number", action="spreadsheet"
    ),
    "underscore": Bad(rows("1,0,1_0,0,trigger"), 3, "x_mm", "'1_0'", "a number"),
    "foreign digits": Bad(rows("1,0,١٢,0,trigger"), 3, "x_mm", "'١٢'", "a number"),
    "hexadecimal": Bad(rows("1,0,0x1F,0,trigger"), 3, "x_mm", "'0x1F'", "a number"),
    "quoted decimal comma": Bad(
        rows('1,0,"12,5",0,trigger'), 3, "x_mm", "'12,5'", "a number", action="write a decimal point"
    ),
    "bare decimal comma": Bad(
        rows("1,0,12,5,0,trigger"), 3, None, "6 values", "5 as in the header row", action="decimal comma"
    ),
    "thousands mark": Bad(rows('1,0,"1.234,5",0,trigger'), 3, "x_mm", "'1.234,5'", "a number"),
    "unit in the cell": Bad(rows("1,0,12.5 mm,0,trigger"), 3, "x_mm", "'12.5 mm'", "a number"),
    "line cut off": Bad(rows("1,0,12.5,0,trigger", "2,0,12"), 4, None, "3 values", "5 as in the header row"),
    "two lines joined": Bad(
        rows("1,0,1,0,trigger2,0,1,0,trigger"), 3, None, "9 values", "5 as in the header row"
    ),
    "unclosed quote": Bad(
        rows('1,0,"1,0,trigger', "2,0,1,0,trigger"), 3, None, "a row that can't be split", "each quote closed"
    ),
    "blank azimuth": Bad(
        rows("1,,1,0,trigger"), 3, "azimuth_deg", "a blank cell", "an angle from -360 to 360 deg"
    ),
    "azimuth too large": Bad(rows("1,360.5,1,0,trigger"), 3, "azimuth_deg", "360.5 deg", "-360 to 360 deg"),
    "elevation too large": Bad(
        rows("0,-91,1,0,0", header="azimuth_deg,elevation_deg,x_mm,y_mm,z_mm\n"),
        3,
        "elevation_deg",
        "-91 deg",
        "-90 to 90 deg",
    ),
    "position too large": Bad(rows("1,0,10000.1,0,trigger"), 3, "x_mm", "10000.1 mm", "-10000 to 10000 mm"),
    "inch position too large": Bad(
        '# serial = "A" # units = "inch"\nazimuth_deg,x,y\n0,400,2\n',
        3,
        "x",
        "10160 mm (400 in the file)",
        "-10000 to",
    ),
    "negative feed": Bad(
        rows("0,1,0,-60", header="azimuth_deg,x_mm,y_mm,feed_mm_min\n"),
        3,
        "feed_mm_min",
        "-60 mm/min",
        "0 to",
    ),
    "boiling probe": Bad(
        rows("0,1,0,293.15", header="azimuth_deg,x_mm,y_mm,temperature_c\n"),
        3,
        "temperature_c",
        "293.15 degC",
        "-50 to 150",
    ),
    "touch is no whole number": Bad(rows("1.5,0,1,0,trigger"), 3, "touch", "'1.5'", "a whole number"),
    "touch is blank": Bad(rows(",0,1,0,trigger"), 3, "touch", "a blank cell", "a whole number"),
    "touch is negative": Bad(rows("-1,0,1,0,trigger"), 3, "touch", "touch -1", "a touch number of 0 or more"),
    "touch twice": Bad(
        rows("1,0,1,0,trigger", "2,0,1,0,trigger", "1,0,1,0,trigger"),
        5,
        "touch",
        "touch 1 again (first on line 3)",
        "each touch number once",
    ),
    "blank outcome": Bad(
        rows("1,0,1,0,"), 3, "outcome", "a blank cell", "one of trigger, missed, open_at_start, false"
    ),
    "unknown outcome": Bad(
        rows("1,0,1,0,ok"), 3, "outcome", "'ok'", "one of trigger, missed, open_at_start, false"
    ),
    "trigger without position": Bad(
        rows("1,0,1,,trigger"), 3, "x_mm", "a trigger without a value", "x and y of the trigger"
    ),
    "trigger without reading": Bad(
        rows("0,1.5", "0,", header="azimuth_deg,reading_mm\n"),
        4,
        "reading_mm",
        "a trigger without a value",
        "the reading",
    ),
    "some triggers have only a reading": Bad(
        rows("0,1,2,", "0,,,1", header="azimuth_deg,x_mm,y_mm,reading_mm\n"),
        4,
        "x_mm",
        "a trigger without a value",
        "x and y",
    ),
    "no z on the way down": Bad(
        rows("0,-90,1,0", header="azimuth_deg,elevation_deg,x_mm,y_mm\n"),
        3,
        "z_mm",
        "no z at elevation -90 deg",
        "x, y and z",
    ),
    "unknown face": Bad(
        rows("N,1,0", header="face,x_mm,y_mm\n"), 3, "face", "'N'", "one of X+, Y+, X-, Y-, Z+, Z-"
    ),
    "face against azimuth": Bad(
        rows("X-,0,1,0", header="face,azimuth_deg,x_mm,y_mm\n"),
        3,
        "face",
        "a face that contradicts azimuth 0 deg",
        "in both",
    ),
    "blank stage": Bad(
        rows(",0,1,0", header="stage,azimuth_deg,x_mm,y_mm\n"),
        3,
        "stage",
        "a blank cell",
        "printable characters",
    ),
    "endless stage": Bad(
        rows(f"{'s' * 201},0,1,0", header="stage,azimuth_deg,x_mm,y_mm\n"),
        3,
        "stage",
        "'sssss",
        "1 to 200 printable characters",
    ),
    "time in words": Bad(
        rows("0,1,0,noon", header="azimuth_deg,x_mm,y_mm,time\n"), 3, "time", "'noon'", "an ISO 8601 time"
    ),
    "time of the day only": Bad(
        rows("0,1,0,09:14:02", header="azimuth_deg,x_mm,y_mm,time\n"), 3, "time", "'09:14:02'", "ISO 8601"
    ),
    "offset only sometimes": Bad(
        rows(
            "0,1,0,2026-03-02T09:00:04",
            "0,1,0,2026-03-02T09:00:08+01:00",
            header="azimuth_deg,x_mm,y_mm,time\n",
        ),
        4,
        "time",
        "'2026-03-02T09:00:08+01:00'",
        "a time without an offset, as on line 3",
    ),
    "serial column against head": Bad(
        rows("0,1,0,LARCH-0043", header="azimuth_deg,x_mm,y_mm,serial\n"),
        3,
        "serial",
        "serial 'LARCH-0043'",
        "'LARCH-0042' as stated",
    ),
    "metadata in the table": Bad(
        rows("1,0,1,0,trigger", '# serial = "B"', "2,0,1,0,trigger"),
        4,
        "serial",
        "'serial = \"B\"'",
        "above the header row",
    ),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_fault_names_place_and_remedy(log, case):
    path = log(case.text)
    with pytest.raises(ImportDataError) as caught:
        import_log(path)
    error = caught.value
    matching = [
        fault
        for fault in error.faults
        if case.found in fault.found and (fault.line, fault.column) == (case.line, case.column)
    ]
    assert matching, str(error)
    assert case.expected in matching[0].expected
    assert case.action in matching[0].action
    assert matching[0].file == str(path)
    assert error.total == case.total, str(error)


def test_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(
        ImportDataError, match=r"nothing.csv: found no such file, expected a trigger log; check the path\.$"
    ):
        import_log(tmp_path / "nothing.csv")


def test_folder_is_one_sentence(tmp_path):
    with pytest.raises(
        ImportDataError, match=r"found a folder, expected a trigger log; give the files in it\.$"
    ):
        import_log(tmp_path)


def test_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(ImportDataError, match="found a device or pipe"):
        import_log(tmp_path / "pipe")


def test_unreadable_file_is_one_sentence(log, monkeypatch):
    def refuse(self, *args, **kwargs):
        raise PermissionError(13, "Permission denied")

    path = log(GOOD)
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ImportDataError, match=r"can't be read \(Permission denied\)"):
        import_log(path)


def test_too_large_file_is_refused(log, monkeypatch):
    monkeypatch.setattr("probetest.importers.content.MAX_BYTES", 20)
    with pytest.raises(ImportDataError, match="found more than 1 GiB"):
        import_log(log(GOOD))


def test_all_faults_of_a_file_come_at_once(log):
    text = '# serial = "A"\n' + TABLE + "1,0,abc,0,trigger\n1,999,1,0,oops\n3,0,,,trigger\n4,0\n"
    with pytest.raises(ImportDataError) as caught:
        import_log(log(text))
    found = [(fault.line, fault.column, fault.found) for fault in caught.value.faults]
    assert found == [
        (None, None, "no units"),
        (3, "x_mm", "'abc'"),
        (4, "outcome", "'oops'"),
        (4, "azimuth_deg", "999 deg"),
        (4, "touch", "touch 1 again (first on line 3)"),
        (5, "x_mm", "a trigger without a value"),
        (6, None, "2 values"),
    ]


@pytest.mark.parametrize("cell", ["abc", "99999"], ids=["careful reader", "checks of columns"])
def test_twenty_faults_are_shown_and_all_are_counted(log, cell):
    text = HEAD + TABLE + "".join(f"{n},0,{cell},0,trigger\n" for n in range(5000))
    with pytest.raises(ImportDataError) as caught:
        import_log(log(text))
    assert [fault.line for fault in caught.value.faults] == list(range(3, 23))
    assert caught.value.total == 5000
    assert "and 4980 more problems" in str(caught.value)


def test_contradicting_option_is_a_fault(log):
    with pytest.raises(ImportDataError, match="units 'mm' in the log and 'inch' in the option"):
        import_log(log(GOOD), units="inch")


def test_contradicting_serial_is_a_fault(log):
    with pytest.raises(ImportDataError, match="serial 'LARCH-0042' in the log and 'B' in the option"):
        import_log(log(GOOD), serial="B")


def test_foreign_text_can_not_drive_the_terminal(log):
    with pytest.raises(ImportDataError) as caught:
        import_log(log(rows("1,0,\x1b[31m\u202e,0,trigger")))
    assert caught.value.faults[0].found == "'\\x1b[31m\\u202e'"
