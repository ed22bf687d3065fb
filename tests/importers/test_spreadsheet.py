"""Hand-made tables: the values they give, the lines that are left out, the questions they raise."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probetest.errors import ImportDataError
from probetest.faults import FaultList
from probetest.importers.skipped import MAX_LISTED
from probetest.importers.spreadsheet import Spreadsheet, looks_like_table, read_spreadsheet

HEADER = "Nr;Achse;Wert (mm);Bemerkung\n"
PLAIN = HEADER + "1;X+;10,0032;\n2;X+;10,0041;warm\n3;X+;10,0027;\n"


def as_bytes(text: str) -> Any:
    return np.frombuffer(text.encode("utf-8"), dtype=np.uint8)


def read(text: str, first_line: int = 1, **options: Any) -> Spreadsheet:
    given_options: dict[str, Any] = {"delimiter": None, "decimal": None} | options
    return read_spreadsheet(as_bytes(text), first_line, faults=FaultList("table.csv"), **given_options)


def column(sheet: Spreadsheet, target: str) -> list[Any]:
    return list(sheet.table.columns[target])


@dataclass(frozen=True)
class Good:
    """A table, options, and columns that must be read from it."""

    text: str
    columns: dict[str, list[Any]]
    units: str | None = None
    options: dict[str, Any] = field(default_factory=dict)


READ = {
    "semicolon and comma": Good(
        PLAIN, {"touch": [1, 2, 3], "face": ["X+"] * 3, "reading_mm": [10.0032, 10.0041, 10.0027]}, "mm"
    ),
    "tabs and points": Good("x [in]\ty [in]\tface\n1.5\t2.5\tX+\n", {"x_mm": [1.5], "y_mm": [2.5]}, "inch"),
    "pipes": Good("touch|face|reading\n1|X+|1.5\n2|X+|2.5\n", {"reading_mm": [1.5, 2.5]}),
    "commas and points": Good(
        "axis,value\nX+,1.5\nY+,2.5\n", {"face": ["X+", "Y+"], "reading_mm": [1.5, 2.5]}
    ),
    "commas in quotes": Good('axis,value\nX+,"1,52"\nY+,"2,5"\n', {"reading_mm": [1.52, 2.5]}),
    "micrometres": Good("touch;face;reading, µm\n1;X+;3,5\n", {"reading_mm": [3.5]}, "um"),
    "thou": Good("touch;face;reading (thou)\n1;X+;3.5\n", {"reading_mm": [3.5]}, "thou"),
    "unit behind a blank": Good("Nr;Achse;Wert in mm\n1;X+;3,5\n", {"reading_mm": [3.5]}, "mm"),
    "row of units": Good("Nr;Achse;Wert\n;;inch\n1;X+;3,5\n", {"reading_mm": [3.5]}, "inch"),
    "French": Good("N°;Axe;Valeur (mm)\n1;X+;3,5\n", {"touch": [1], "reading_mm": [3.5]}, "mm"),
    "Spanish": Good("Numero;Eje;Valor [mm]\n1;Y+;3,5\n", {"touch": [1], "face": ["Y+"]}, "mm"),
    "Italian": Good("n;Asse;Lettura (mm)\n1;X+;3,5\n", {"touch": [1], "reading_mm": [3.5]}, "mm"),
    "sign of a number as header": Good("#;Achse;Wert\n7;X+;3,5\n", {"touch": [7]}),
    "faces in many spellings": Good(
        "axis;value\n+x;1\nX plus;2\ny +;3\nZ-Achse positiv;4\n",
        {"face": ["X+", "X+", "Y+", "Z+"], "reading_mm": [1, 2, 3, 4]},
    ),
    "true minus sign": Good("axis;value\nX+;−1,5\n", {"reading_mm": [-1.5]}),
    "azimuth and degrees": Good("azimuth;reading\n45°;1.5\n90;1.25\n", {"azimuth_deg": [45, 90]}),
    "direction with numbers": Good("direction;reading\n45;1.5\n", {"azimuth_deg": [45]}),
    "result of words": Good(
        "axis;value;result\nX+;1.5;ok\nX+;;miss\n",
        {"outcome": ["trigger", "missed"], "reading_mm": [1.5, np.nan]},
    ),
    "result of numbers": Good("axis;result\nX+;1.5\n", {"reading_mm": [1.5]}),
    "number and measurement": Good("Messung;Achse;Wert\n1;X+;3,5\n", {"touch": [1], "reading_mm": [3.5]}),
    "coordinate against its axis": Good("axis;coordinate\nX-;-9.5\nX+;9\n", {"reading_mm": [9.5, 9.0]}),
    "value against its axis": Good("Achse;Wert\nY-;-10,5\n", {"reading_mm": [10.5]}),
    "native reading is along the approach": Good("axis;reading_mm\nX-;10.5\n", {"reading_mm": [10.5]}, "mm"),
    "one axis column": Good("Nr;Achse;Z (mm)\n1;Z-;-3,104\n", {"reading_mm": [3.104]}, "mm"),
    "direction from the user": Good("Nr;Z\n1;-3.104\n", {"reading_mm": [3.104]}, None, {"direction": "Z-"}),
    "sign from the user": Good("Nr;axis;value\n1;X;3.5\n", {"face": ["X+"]}, None, {"direction": "X+"}),
    "title lines": Good("Protocol of a test\n\nNr;Achse;Wert\n1;X+;3,5\n", {"reading_mm": [3.5]}),
    "trailing empty columns": Good("Nr;Achse;Wert;;;\n1;X+;3,5;;;\n", {"reading_mm": [3.5]}),
    "rows with more empty cells": Good("Nr;Achse;Wert\n1;X+;3,5;;;\n", {"reading_mm": [3.5]}),
    "rows without their note": Good(HEADER + "1;X+;3,5\n2;X+;3,25\n", {"reading_mm": [3.5, 3.25]}, "mm"),
    "carriage returns": Good(PLAIN.replace("\n", "\r"), {"touch": [1, 2, 3]}, "mm"),
    "carriage returns and line feeds": Good(PLAIN.replace("\n", "\r\n"), {"touch": [1, 2, 3]}, "mm"),
    "line end in a header cell": Good('Nr;Achse;"Wert\n(mm)"\n1;X+;3,5\n', {"reading_mm": [3.5]}, "mm"),
    "line end in a note": Good(HEADER + '1;X+;3,5;"a\nb"\n2;X+;3,25;\n', {"touch": [1, 2]}, "mm"),
    "long note": Good(HEADER + f"1;X+;3,5;{'ä' * 5000}\n", {"touch": [1]}, "mm"),
    "touch numbers with zeros": Good("Nr;Achse;Wert\n1,0;X+;3,5\n2,0;X+;3,25\n", {"touch": [1, 2]}),
    "dash for no value": Good("axis;value;status\nX+;-;missed\nX+;1.5;ok\n", {"reading_mm": [np.nan, 1.5]}),
    "merged cells": Good(
        "Nr;Achse;Wert\n1;X+;1,5\n2;;2,5\n3;Y+;3,5\n4;;4,5\n", {"face": ["X+", "X+", "Y+", "Y+"]}
    ),
    "thousands mark that was asked for": Good(
        "axis;value\nX+;1.234,5\nX+;3,5\n", {"reading_mm": [1234.5, 3.5]}, None, {"decimal": ","}
    ),
    "delimiter that was given": Good("axis|value\nX+|1,5\n", {"reading_mm": [1.5]}, None, {"delimiter": "|"}),
    "feed beside micrometres": Good(
        "axis;reading (µm);feed (mm/min)\nX+;3,5;60\n", {"feed_mm_min": [60_000.0]}, "um"
    ),
    "time with points": Good(
        "Zeit;Achse;Wert\n02.03.2026 09:00:04;X+;3,5\n", {"time": [np.datetime64("2026-03-02T09:00:04")]}
    ),
}


@pytest.mark.parametrize("case", READ.values(), ids=READ)
def test_table_is_read(case: Good) -> None:
    sheet = read(case.text, **case.options)
    for target, values in case.columns.items():
        if isinstance(values[0], str):
            assert column(sheet, target) == values
        else:
            np.testing.assert_array_equal(sheet.table.columns[target], values)
    assert sheet.units == case.units


@pytest.mark.parametrize("case", READ.values(), ids=READ)
def test_what_is_read_looks_like_a_table(case: Good) -> None:
    assert looks_like_table(as_bytes(case.text))


SKIPPED = {
    "narrow column": (
        "5;X+;#####;",
        "'#####' is not a number (the column was too narrow in the",
    ),
    "broken reference": ("5;X+;#REF!;", "'#REF!' is not a number (an error of the spreadsheet"),
    "division by zero": ("5;X+;#DIV/0!;", "'#DIV/0!' is not a number (an error of the spreadsheet"),
    "not a number": ("5;X+;NaN;", "'NaN' is not a number (the result of a calculation that failed)"),
    "infinity": ("5;X+;-inf;", "'-inf' is not a number (the result of a calculation that failed)"),
    "quiet not a number": ("5;X+;1.#QNAN;", "'1.#QNAN' is not a number (the result of a calculation"),
    "month": ("5;X+;10. Mrz;", "'10. Mrz' is not a number (the spreadsheet turned"),
    "date": (
        "5;X+;03/10/2026;",
        "'03/10/2026' is not a number (the spreadsheet turned",
    ),
    "date with points": (
        "5;X+;10.03.2026;",
        "the spreadsheet turned the number into a date",
    ),
    "text": ("5;X+;about ten;", "'about ten' is not a number"),
    "unit in the cell": ("5;X+;10,5 mm;", "state the unit in the header"),
    "blank within": ("5;X+;1 234,5;", "a mark within the number"),
    "huge number": ("5;X+;1e999;", "'1e999' is not a number (larger than any"),
    "very long number": (f"5;X+;{'9' * 500};", "(too long)"),
    "formula": ("5;X+;=CMD();", "'=CMD()' is not a number (a formula, not its value)"),
    "at sign": ("5;X+;@x;", "'@x' is not a number (a formula, not its value)"),
    "escape": ("5;X+;\x1b[31m10;", "'\\x1b[31m10' is not a number"),
    "no value": ("5;X+;;", "no value in column Wert (mm)"),
    "mean": ("Mean;;10,0033;", "'Mean' marks a row that sums up others; it is not a touch"),
    "Mittelwert": ("Mittelwert;;10,0033;", "'Mittelwert' marks a row that sums up others"),
    "deviation": (";Std. Dev.:;0,0007;", "'Std. Dev.:' marks a row that sums up others"),
    "French deviation": ("Écart type;;0,0007;", "'Écart type' marks a row that sums up others"),
    "one letter": ("s;;0,0007;", "'s' marks a row that sums up others"),
    "range of one direction": ("Spannweite X+;;0,0014;", "marks a row that sums up others"),
    "mean without a label": (";;10,0033;", "no touch number, as in a row that sums up others"),
    "header again": (HEADER.strip(), "the header row again"),
    "touch of text": ("five;X+;10,5;", "'five' is not a touch number, column Nr"),
    "unknown direction": ("5;left;10,5;", "'left' is not a direction such as X+, column Achse"),
    "too few cells": ("5;X+", "the row has 2 of 4 cells, it is too short"),
    "too many cells": ("5;X+;10,5;;a;b", "the row has 6 cells, the header row has 4"),
    "text behind a quote": ('5;"X+"a;10,5;', "the row can't be split into cells"),
}


@pytest.mark.parametrize(("row", "reason"), SKIPPED.values(), ids=SKIPPED)
def test_row_is_skipped(row: str, reason: str) -> None:
    sheet = read(PLAIN + row + "\n4;X+;10,0030;\n", first_line=11)
    assert column(sheet, "touch") == [1, 2, 3, 4]
    assert sheet.table.line.tolist() == [12, 13, 14, 16]
    (skipped,) = sheet.skipped
    assert skipped.line == 15
    assert reason in skipped.reason
    assert skipped.reason.isprintable()


FAULTS = {
    "comma twice": ("Nr,X,Y\n1,10,003,20,114\n2,10,003,20,114\n", {}, 2, "3 values or 5", "--decimal"),
    "both signs": ("axis;value\nX+;1.234,5\n", {}, 2, "'1.234,5'", "--decimal"),
    "two signs": ("axis;value\nX+;1.5\nX+;1,25\n", {}, 3, "'1,25' here and '1.5' on line 2", "--decimal"),
    "comma and three digits": ("axis\tvalue\nX+\t10,003\n", {}, 2, "thousands mark", "--decimal"),
    "no header row": ("1;X+;10,3\n2;X+;10,4\n", {}, 1, "no header row", "--columns"),
    "two meanings": ("Winkel;Wert\n45;1,5\n", {}, 1, "orientation_deg or azimuth_deg", "--columns"),
    "two headers": ("Achse;Wert;Messwert\nX+;1,5;2,5\n", {}, 1, "both for reading_mm", "--columns"),
    "two units": ("axis;x (mm);y [in]\nX+;1;2\n", {}, 1, "inch in 'y [in]' and mm in 'x (mm)'", "one unit"),
    "no position": ("Nr;Achse;Bemerkung\n1;X+;a\n", {}, 1, "the columns 'Nr', 'Achse'", "--columns"),
    "column for each direction": ("Nr;X+;X-\n1;2,5;3,5\n", {}, 1, "a column for each direction", "below"),
    "x and z only": ("Achse;X;Z\nX+;2,5;3,5\n", {}, 1, "the columns 'X' and 'Z' only", "--columns"),
    "face without a sign": (
        "axis;value\nX;1.5\nX;2.5\n",
        {},
        2,
        "without a sign in 2 rows",
        "--direction",
    ),
    "another axis": ("axis;Z\nX+;1.5\n", {}, 2, "another axis than Z", "--columns"),
    "quote not closed": (
        PLAIN + '4;X+;10,5;"warm\n',
        {},
        5,
        "a quote that is opened and not closed",
        "quote",
    ),
    "quote far down": (
        PLAIN + "4;X+;1;\n" * 500 + '4;"X+;1,5;\n',
        {},
        505,
        "a quote that is opened",
        "quote",
    ),
    "no touch": (HEADER + "1;X+;#####;\n", {}, 1, "(line 2: '#####' is not a number", "correct"),
    "nothing below": (HEADER, {}, 1, "no row that is a touch", "correct"),
    "same signs": (
        "axis;value\nX+;1.5\n",
        {"delimiter": ";", "decimal": ";"},
        None,
        "as delimiter",
        "--decimal",
    ),
    "too many columns": ("axis;value" + ";a" * 300 + "\n", {}, 1, "302 columns", "--delimiter"),
}


@pytest.mark.parametrize(("text", "options", "line", "found", "action"), FAULTS.values(), ids=FAULTS)
def test_fault_is_told(text: str, options: dict[str, Any], line: int | None, found: str, action: str) -> None:
    with pytest.raises(ImportDataError) as caught:
        read(text, **options)
    fault = caught.value.faults[0]
    assert fault.line == line
    assert found in fault.found
    assert action in fault.action + fault.expected


NOTICES = {
    "decimal comma": (PLAIN, "Decimal comma in 3 of 3 values: '10,0032' was read as 10.0032."),
    "merged cells": ("Nr;Achse;Wert\n1;X+;1,5\n2;;2,5\n", "column 'Achse' took the value above them: 1 row."),
    "two decimals": ("axis;value\nX+;1.25\nX+;1.50\nX+;1.75\n", "All 3 values have 2 decimals"),
    "assumed coordinate": (
        "Achse;Wert\nX-;-1,5\n",
        "name doesn't say: its sign was turned in 1 row",
    ),
    "stated coordinate": ("axis;position\nX-;-1.5\n", "holds coordinates of the machine axis"),
    "numbers start anew": ("Nr;Achse;Wert\n1;X+;1,5\n1;Y+;2,5\n", "start anew in each series"),
    "feed of text": ("axis;value;feed\nX+;1.5;slow\n", "column 'feed' that can't be read were left blank: 1"),
    "feed without a unit": ("axis;reading (µm);feed\nX+;3;60\n", "The unit of the feed in column 'feed'"),
    "blank outcome": ("axis;value;status\nX+;1.5;\nX+;;miss\n", "were taken as triggers: 1 of 2"),
    "other unit": ("axis;value;temp (°F)\nX+;1.5;70\n", "'temp (°F)' is in a unit that can't be read"),
    "time of day": ("time;axis;value\n09:00;X+;1.5\n", "column 'time' that can't be read were left blank: 1"),
}


@pytest.mark.parametrize(("text", "notice"), NOTICES.values(), ids=NOTICES)
def test_notice_is_given(text: str, notice: str) -> None:
    assert any(notice in one for one in read(text).notices)


NO_TABLES = {
    "console": "G38.2 Z-12 F60\n[PRB:31.250,-18.000,-47.313:1]\nok\n[PRB:0.000,0.000,0.000:0]\n",
    "echoed console": "[09:14:02] [ G38.2 X20 F200 ] [PRB:14.512,40.000,-22.000:1]\n" * 3,
    "status lines": "<Idle|MPos:0.000,0.000,0.000|FS:0,0>\n" * 5,
    "JSON lines": '{"prb":{"e":1,"x":5.250,"y":0.000,"z":-8.417}}\n' * 3,
    "bare columns": "12.004375 -3.500000 -41.207500 0.000000\n" * 3,
    "bare columns between tabs": "12.004375\t-3.500000\t-41.207500\n" * 3,
    "one number a line": "0\n+2\n-1\n",
    "one decimal comma a line": "10,0032\n10,0041\n10,0027\n",
    "macro lines": "T07 Z- F50 n=1 z=-3.1042 trip=1\n" * 3,
    "copied display": "touch 1  X 25.46\ntouch 2  X 25.46\n",
    "nothing": "",
    "prose": "This is a letter, not a log.\nIt has commas, points, and no numbers.\n",
}


@pytest.mark.parametrize("text", NO_TABLES.values(), ids=NO_TABLES)
def test_other_shapes_are_no_tables(text: str) -> None:
    assert not looks_like_table(as_bytes(text))


def test_title_lines_are_listed() -> None:
    sheet = read("A test\n\n" + PLAIN)
    assert [(one.line, one.reason) for one in sheet.skipped] == [(1, "'A test' stands above the header row")]


def test_empty_rows_are_counted_but_not_at_the_end() -> None:
    sheet = read(HEADER + "1;X+;1,5;\n;;;\n\n2;X+;2,5;\n;;;\n;;;\n")
    assert sheet.table.blank_rows == 2


def test_face_is_not_taken_over_an_empty_row() -> None:
    sheet = read("Achse;Wert\nX+;1,5\n;2,5\n;;\n;3,5\n")
    assert sheet.table.line.tolist() == [2, 3]
    assert sheet.skipped[0].line == 5


def test_face_is_not_taken_from_above_an_unknown_one() -> None:
    sheet = read("Achse;Wert\nX+;1,5\nleft;2,5\n;3,5\n")
    assert sheet.table.line.tolist() == [2]


def test_last_line_that_was_cut_off() -> None:
    sheet = read(PLAIN + "4;X+;10,0")
    assert "was the file cut off?" in sheet.skipped[0].reason


def test_comment_lines_are_kept() -> None:
    sheet = read(PLAIN + "# moved the vice\n4;X+;10,5;\n")
    assert sheet.table.comments == ((5, "moved the vice"),)


def test_columns_that_are_not_understood() -> None:
    assert read("Nr;Achse;Wert;Bemerkung;\n1;X+;1,5;a;\n").layout.ignored == ("Bemerkung",)


def test_skipped_lines_are_capped_and_counted() -> None:
    sheet = read(PLAIN + "5;X+;#####;\n" * (MAX_LISTED + 7))
    assert len(sheet.skipped) == MAX_LISTED + 1
    assert sheet.skipped[-1].reason == "this line and 6 more below it were skipped and are not listed"


@pytest.mark.parametrize("rows", [5, 20_001])
def test_quick_and_slow_way_agree(rows: int) -> None:
    lines = [
        f"{row};{'XY'[row % 2]}{'+-'[row // 2 % 2]};{row / 7:.4f};\n".replace(".", ",") for row in range(rows)
    ]
    quick = read(HEADER + "".join(lines))
    slow = read(HEADER + "".join(lines) + "Mean;;1,0;\n")
    assert len(slow.skipped) == 1
    assert quick.notices == slow.notices
    assert quick.table.line.tolist() == slow.table.line.tolist()
    for target in ("touch", "face", "reading_mm"):
        assert column(quick, target) == column(slow, target)


NUMBERS = st.lists(
    st.tuples(st.sampled_from(["X+", "Y+", "Z+"]), st.integers(-9_999_999, 9_999_999)), min_size=1, max_size=8
)


@settings(max_examples=80, deadline=None)
@given(
    rows=NUMBERS,
    signs=st.sampled_from([(";", ","), (";", "."), ("\t", "."), ("|", ","), (",", "."), ("\t", ",")]),
    words=st.sampled_from(
        [("Nr", "Achse", "Wert"), ("No.", "axis", "Reading [mm]"), ("N°", "AXE", "mesure")]
    ),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    order=st.permutations([0, 1, 2]),
    note=st.sampled_from(["", "warm", "früh"]),
)
def test_numbers_are_read_back(
    rows: list[tuple[str, int]],
    signs: tuple[str, str],
    words: tuple[str, str, str],
    end: str,
    order: list[int],
    note: str,
) -> None:
    delimiter, decimal = signs
    table = [[*[words[place] for place in order], "Bemerkung"]]
    for number, (face, value) in enumerate(rows, 1):
        cells = (str(number), face, f"{value / 10_000:.4f}".replace(".", decimal))
        table.append([*[cells[place] for place in order], note])
    sheet = read(end.join(delimiter.join(row) for row in table) + end)
    assert column(sheet, "reading_mm") == [value / 10_000 for _, value in rows]
    assert column(sheet, "face") == [face for face, _ in rows]
    assert column(sheet, "touch") == list(range(1, len(rows) + 1))
    assert sheet.skipped == ()


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='Xx+-1,.;\t|"\n\r#=N rWet\x1b', max_size=80))
def test_any_text_gives_a_table_or_a_fault(text: str) -> None:
    looks_like_table(as_bytes(text))
    words, rows = "", 1
    try:
        sheet = read("Nr;Achse;Wert\n" + text)
    except ImportDataError as error:
        words = str(error).replace("\n", "")
    else:
        words, rows = "".join(one.reason for one in sheet.skipped), len(sheet.table.line)
    assert words.isprintable()
    assert rows > 0
