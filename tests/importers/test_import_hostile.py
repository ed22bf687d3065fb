"""Logs made to be slow, deep or wide must be answered at once."""

import time

import pytest

from probetest.errors import ImportDataError
from probetest.importers import import_log, read_logs

HEAD = b'# serial = "A" # units = "mm"\n'
TABLE = b"stage,azimuth_deg,x_mm,y_mm\n"
MEGABYTE = 1 << 20

REFUSED = {
    "head of hashes": b"#" * MEGABYTE,
    "head line of hashes": HEAD + b"#" * (MEGABYTE // 2) + b"\n" + TABLE,
    "head of hash parts": HEAD + b"# a " * (MEGABYTE // 8) + b"\n" + TABLE + b"a,0,1,2\n",
    "head of quotes": HEAD + b"# a = " + b'"' * (MEGABYTE // 2) + b"\n" + TABLE,
    "head of backslashes": HEAD + b'# a = "' + b"\\" * (MEGABYTE // 2) + b"\n" + TABLE,
    "head of equals": HEAD + b"# " + b"=" * (MEGABYTE // 2) + b"\n" + TABLE,
    "head of brackets": HEAD + b"# artefact = " + b"[" * 19_000 + b"\n" + TABLE,
    "head of tables": HEAD + b"# artefact = " + b"{a=" * 6_000 + b"\n" + TABLE,
    "head of dots": HEAD + b"# serial" + b".a" * 9_000 + b" = 1\n" + TABLE,
    "head of lines": HEAD + b"#\n" * (MEGABYTE // 4) + TABLE,
    "head of keys": HEAD + b"".join(b"# k%d = 1\n" % n for n in range(900)) + b"# a" * 200 + b"\n" + TABLE,
    "blank lines only": b"\n" * MEGABYTE,
    "one line of quotes": b'"' * MEGABYTE,
    "one line of commas": HEAD + b"," * MEGABYTE,
    "one line of digits": b"1" * MEGABYTE,
    "row of hashes": HEAD + TABLE + b"#" * MEGABYTE,
    "row of quotes": HEAD + TABLE + b'"' * MEGABYTE,
    "row of commas": HEAD + TABLE + b"," * (MEGABYTE // 2) + b"1",
    "cell of digits": HEAD + TABLE + b"a,0,1," + b"1" * 130_000 + b"x\n",
    "cell of signs": HEAD + TABLE + b"a,0,1," + b"+" * 130_000 + b"\n",
    "cell beyond any limit": HEAD + TABLE + b"a,0,1," + b"1" * MEGABYTE + b"\n",
    "comments of keys": HEAD + TABLE + b"# a\n" * (MEGABYTE // 8) + b"a,0,1,2\n",
    "many stages of control signs": HEAD + TABLE + b"".join(b"\x01%d,0,1,2\n" % n for n in range(50_000)),
    "many outcomes": HEAD
    + b"outcome,azimuth_deg,x_mm,y_mm\n"
    + b"".join(b"w%d,0,1,2\n" % n for n in range(50_000)),
}


@pytest.mark.parametrize("raw", REFUSED.values(), ids=REFUSED.keys())
def test_hostile_log_is_refused_within_seconds(log, raw):
    path = log(raw)
    begin = time.process_time()
    with pytest.raises(ImportDataError) as caught:
        import_log(path)
    assert time.process_time() - begin < 3.0
    assert len(str(caught.value)) < 10_000


@pytest.mark.parametrize(
    "text", ["{{7*7}}", "$(reboot)", "%n%n", "<script>", "=cmd()", "`id`", "#{1}", "../../x"]
)
def test_words_of_a_stranger_stay_words(log, text):
    if text.startswith("#"):
        text = "x" + text
    frame = read_logs(log(HEAD + TABLE + f"{text},0,1,2\n".encode()))[0].frame
    assert frame["stage"].tolist() == [text]


def test_note_of_the_greatest_length_is_kept(log):
    note = "x" * 19_000
    record = read_logs(log(HEAD + f'# story = "{note}"\n'.encode() + TABLE + b"a,0,1,2\n"))[0].record
    assert record.notes == (("story", note),)
