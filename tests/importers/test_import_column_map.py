"""Column maps: good ones, bad ones, and tables read with them."""

from pathlib import Path

import pytest

from probetest.errors import ImportDataError
from probetest.importers import ColumnMap, import_log, read_column_map

EXAMPLE = Path(__file__).parents[2] / "data" / "columns_example.toml"

FOREIGN = """\
Messung LARCH
(erfunden)
Nr;Richtung;X-Wert;Y-Wert;Status;Temp °C;Bemerkung
1;0;12,5003;-0,0012;OK;20,4;
2;90;;;kein Kontakt;20,5;Späne
"""


def test_example_map_reads_a_foreign_table(log):
    result = import_log(log(FOREIGN.encode("cp1252")), column_map=read_column_map(EXAMPLE))
    first, second = result.tests[0].frame.to_dict("records")
    assert [first[n] for n in ("touch", "line", "x_mm", "y_mm", "temperature_c", "feed_mm_min")] == [
        1,
        4,
        12.5003,
        -0.0012,
        20.4,
        60.0,
    ]
    assert (first["outcome"], second["outcome"], second["stage"]) == ("trigger", "missed", "baseline")
    assert (result.shape, result.ignored) == ("table with a column map", ("Bemerkung",))


def test_example_map_states_the_record(log):
    record = import_log(log(FOREIGN.encode("cp1252")), column_map=read_column_map(EXAMPLE)).tests[0].record
    assert (record.serial, record.artefact.diameter_mm, record.machine.name) == (
        "LARCH-0042",
        25.0004,
        "bench mill 2",
    )


def read(log, toml, table, **options):
    return import_log(log(table), column_map=read_column_map(log(toml, "map.toml")), **options)


def test_inch_holds_for_columns_and_constants(log):
    toml = 'units = "inch"\n[columns]\nreading = "R"\n[constants]\nface = "Y-"\nfeed = 2\n'
    row = read(log, toml, "R\n0.5\n", serial="A").tests[0].frame.iloc[0]
    assert (row["reading_mm"], row["feed_mm_min"], row["azimuth_deg"]) == (12.7, 50.8, 270.0)


def test_blank_word_may_be_mapped(log):
    toml = (
        'units = "mm"\n[columns]\nazimuth = "A"\nreading = "R"\noutcome = "S"\n[outcomes]\n"" = "trigger"\n'
    )
    tests = read(log, toml, "A,R,S\n0,1,\n0,,missed\n", serial="A").tests
    assert tests[0].frame["outcome"].tolist() == ["trigger", "missed"]


def test_several_serials_share_the_record(log):
    toml = 'units = "mm"\n[columns]\nserial = "P"\nazimuth = "A"\nreading = "R"\n[record]\nbuild = "B"\n'
    tests = read(log, toml, "P,A,R\nx,0,1\ny,0,1\n").tests
    assert [(test.record.serial, test.record.build) for test in tests] == [("x", "B"), ("y", "B")]


def test_map_without_columns_uses_native_names(log):
    result = read(
        log, 'delimiter = ";"\ndecimal = ","\nunits = "mm"\n', "azimuth_deg;x_mm;y_mm\n0;1,5;2\n", serial="A"
    )
    assert result.tests[0].frame["x_mm"].tolist() == [1.5]


@pytest.mark.parametrize("cell", ["1.5", "1.234,5", "abc"])
def test_point_is_refused_where_comma_is_the_decimal_sign(log, cell):
    toml = 'delimiter = ";"\ndecimal = ","\nunits = "mm"\n'
    with pytest.raises(ImportDataError, match=f"line 2, column x_mm: found '{cell}', expected a number"):
        read(log, toml, f"azimuth_deg;x_mm;y_mm\n0;{cell};2\n", serial="A")


def test_mapped_column_that_is_absent_is_named(log):
    toml = 'units = "mm"\n[columns]\nazimuth = "Richtung"\nreading = "R"\n'
    with pytest.raises(
        ImportDataError, match=r"line 1, column azimuth: found the columns 'A', 'R', expected a column 'R"
    ):
        read(log, toml, "A,R\n0,1\n", serial="A")


def test_constant_beside_a_native_column_is_a_fault(log):
    toml = 'units = "mm"\n[constants]\nfeed = 60\n'
    with pytest.raises(ImportDataError, match="column feed: found a column for feed and a constant"):
        read(log, toml, "azimuth_deg,x_mm,y_mm,feed_mm_min\n0,1,2,60\n", serial="A")


def test_contradiction_with_the_head_is_a_fault(log):
    with pytest.raises(ImportDataError, match="units 'mm' in the log and 'inch' in the column map"):
        read(log, 'units = "inch"\n', '# serial = "A"\n# units = "mm"\nazimuth_deg,x,y\n0,1,2\n')


def test_wrong_encoding_names_the_line(log):
    toml = 'units = "mm"\nencoding = "cp932"\n'
    with pytest.raises(ImportDataError, match="line 2: found bytes that are not cp932"):
        read(log, toml, b"azimuth_deg,x_mm,y_mm\n0,\x81 ,2\n", serial="A")


BAD_MAPS = {
    "unknown key": (
        'units = "mm"\ndecimals = ","\n',
        2,
        "decimals",
        "the unknown key 'decimals'",
        "decimal,",
    ),
    "unknown column": (
        '[columns]\nazimut = "A"\n',
        2,
        "columns.azimut",
        "the unknown key 'azimut'",
        "azimuth,",
    ),
    "unknown units": ('\n\nunits = "cm"\n', 3, "units", "'cm'", "'mm', 'inch', 'um' or 'thou'"),
    "unknown outcome": ('[outcomes]\n"OK" = "good"\n', 2, "outcomes.OK", "'good'", "'trigger', 'missed'"),
    "unknown encoding": ('encoding = "rot13"\n', 1, "encoding", "'rot13'", "'utf-8'"),
    "delimiter of two signs": ('delimiter = ";;"\n', 1, "delimiter", "';;'", "one sign between cells"),
    "letter as delimiter": ('delimiter = "x"\n', 1, "delimiter", "'x'", "one sign between cells"),
    "no such decimal": ('decimal = "·"\n', 1, "decimal", "'·'", "'.' or ','"),
    "comma for both": (
        'decimal = ","\n',
        None,
        None,
        "',' as delimiter and as decimal sign",
        "two different signs",
    ),
    "negative skip": ("skip_rows = -1\n", 1, "skip_rows", "-1", "a value greater than or equal to 0"),
    "fractional skip": ("skip_rows = 1.5\n", 1, "skip_rows", "1.5", "a valid integer"),
    "column is a number": ("[columns]\nazimuth = 3\n", 2, "columns.azimuth", "3", "text in quotes"),
    "one column for two": (
        '[columns]\nx = "A"\ny = "A"\n',
        1,
        "columns",
        "'A' for both x and y",
        "one column for each",
    ),
    "column and constant": (
        '[columns]\nfeed = "F"\n[constants]\nfeed = 60\n',
        None,
        None,
        "feed both as column and as constant",
        "one of the two",
    ),
    "unknown face": ('[constants]\nface = "left"\n', 2, "constants.face", "'left'", "'X+', 'X-'"),
    "impossible artefact": (
        '[record]\nartefact = {kind = "ring", diameter_mm = 0}\n',
        2,
        "record.artefact.diameter_mm",
        "0",
        "a value greater than 0",
    ),
    "no TOML": ('units = "mm"\ndelimiter = ;\n', 2, None, "no valid TOML", 'key = "value"'),
    "deep nesting": (
        "a = " + "[" * 5000 + "]" * 5000,
        None,
        None,
        "TOML that is nested too deep",
        "a flat list of keys",
    ),
    "latin-1": (b'units = "\xe4"\n', None, None, "bytes that are not UTF-8", "a TOML file in UTF-8"),
}


@pytest.mark.parametrize(
    ("toml", "line", "column", "found", "expected"), BAD_MAPS.values(), ids=BAD_MAPS.keys()
)
def test_bad_map_names_the_key_and_its_line(log, toml, line, column, found, expected):
    with pytest.raises(ImportDataError) as caught:
        read_column_map(log(toml, "map.toml"))
    (fault,) = caught.value.faults
    assert (fault.line, fault.column) == (line, column)
    assert found in fault.found
    assert expected in fault.expected


def test_all_faults_of_a_map_come_at_once(log):
    with pytest.raises(ImportDataError) as caught:
        read_column_map(log('units = "cm"\nskip_rows = -1\n[columns]\nazimut = "A"\n', "map.toml"))
    assert [fault.line for fault in caught.value.faults] == [1, 2, 4]


def test_default_map_is_the_native_log():
    assert (ColumnMap().delimiter, ColumnMap().decimal, ColumnMap().columns.named()) == (",", ".", {})
