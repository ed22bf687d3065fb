"""Broken text: encodings, line ends, torn lines, hostile characters, numbers that are none."""

from pathlib import Path

import pytest
from bad_input import X_PLUS, Z_MINUS, Case, along, bare, bracketed, check, parametrize, read

from probetest.importers import blocks

VALUES = (-5.001, -5.002, -5.000, -5.003)
GOOD = bracketed(*VALUES)
READINGS = (5.001, 5.002, 5.0, 5.003)
LINES = (1, 3, 5, 7)
DOWN = {"direction": Z_MINUS}
AWAY = {"direction": X_PLUS}
CONSOLE = "".join(f"[PRB:1.000,2.000,{value:.3f}:1]{{}}" for value in VALUES)
NUL = "o\0k\n" + 60 * "ok ok ok\n"


def kept(log: str | bytes, **changes) -> Case:
    return Case(log, "kept", **({"readings": READINGS, "answers": DOWN} | changes))


def noticed(log: str | bytes, words: str, **changes) -> Case:
    return Case(log, "noticed", words, **({"readings": READINGS, "answers": DOWN} | changes))


def skipped(log: str | bytes, words: str, *lines: int, **changes) -> Case:
    return Case(log, "skipped", words, lines=lines, **({"readings": READINGS, "answers": DOWN} | changes))


ENCODINGS = {
    "utf-8 with its mark": kept(b"\xef\xbb\xbf" + GOOD.encode()),
    "utf-16 little-endian with its mark": noticed(
        b"\xff\xfe" + GOOD.encode("utf-16-le"), "read as utf-16-le"
    ),
    "utf-16 big-endian with its mark": noticed(b"\xfe\xff" + GOOD.encode("utf-16-be"), "read as utf-16-be"),
    "utf-16 little-endian without mark": noticed(GOOD.encode("utf-16-le"), "recognised by its zero bytes"),
    "utf-16 big-endian without mark": noticed(GOOD.encode("utf-16-be"), "recognised by its zero bytes"),
    "utf-16 cut off amid a character": noticed(
        b"\xff\xfe" + GOOD.encode("utf-16-le") + b"o", "Characters that are not utf-16-le were replaced: 1"
    ),
    "letters of another encoding": Case(
        GOOD.encode() + b"F\xfchler\n",
        "noticed",
        "Characters that are not utf-8 were replaced: 1",
        answers=DOWN,
    ),
    "a NUL byte": noticed(GOOD + NUL, "NUL bytes were left out: 1"),
    "a NUL byte inside a number": noticed(
        GOOD + "[PRB:1.000,2.000,-5.0\x0004:1]\n" + NUL[4:],
        "NUL bytes were left out: 1",
        readings=(*READINGS, 5.004),
    ),
    "mostly NUL bytes": Case(GOOD.replace("ok", "\0\0\0\0"), "refused", "binary data", answers=DOWN),
    "utf-32": Case(GOOD.encode("utf-32"), "refused", "UTF-32 text", answers=DOWN),
}

LINE_ENDS = {
    "carriage return and line feed": kept(GOOD.replace("\n", "\r\n"), touched=LINES),
    "lone carriage returns": kept(GOOD.replace("\n", "\r"), touched=LINES),
    "no end of the last line": kept(GOOD.removesuffix("\nok\n"), touched=LINES),
    "mixed line ends": kept(CONSOLE.format("\r\n", "\r", "\n", ""), touched=(1, 2, 3, 4)),
    "doubled carriage returns": kept(CONSOLE.format(*4 * ["\r\r\n"]), touched=(1, 3, 5, 7)),
    "blank lines": kept("\n \t\n" + GOOD.replace("ok", ""), touched=(3, 5, 7, 9)),
    "blanks at both ends of a line": kept("".join(f"  {line} \t\n" for line in GOOD.splitlines())),
    "blank lines within bare columns": kept("\n" + bare(*VALUES).replace("\n", "\n\n"), touched=(2, 4, 6, 8)),
}

TORN = {
    "a result torn in two at the end": skipped(
        GOOD + "[PRB:1.000,2.\n000,-5.004:1]", "joined", 9, readings=(*READINGS, 5.004)
    ),
    "a result torn in two by a doubled line end": skipped(
        "[PRB:1.000,2.\r\r\n000,-5.004:1]\n" + GOOD, "joined", 1, readings=(5.004, *READINGS)
    ),
    "a result torn in three": Case(
        GOOD + "[PRB:1.000,\n2.000\n,-5.004:1]\n",
        "skipped",
        "",
        lines=(9, 10, 11),
        readings=READINGS,
        answers=DOWN,
    ),
    "a result torn within its tag": Case(
        "[PR\nB:1.000,2.000,-5.004:1]\n" + GOOD,
        "skipped",
        "not understood",
        lines=(1, 2),
        readings=READINGS,
        answers=DOWN,
    ),
    "two torn results in a row": skipped("[PRB:1.000,2\n[PRB:1.000,2.000\n" + GOOD, "ends early", 1, 2),
    "a torn last result": skipped(GOOD + "[PRB:1.000,2.000,-5.0", "ends early", 9),
    "a torn json result": skipped(
        '{"prb":{"e":1,"x":1.0,\n"y":2.0,"z":-8.417}}\n{"prb":{"e":1,"x":1.0,"y":2.0,"z":-8.418}}\n{"prb":{"e":1,"z":-8',
        "",
        1,
        4,
        readings=(8.417, 8.418),
    ),
    "bare columns with a torn last number": skipped(
        bare(*VALUES, columns=3) + "12.004375 -3.500000 -5.0", "the file was cut off", 5
    ),
    "bare columns with a whole last line without its end": kept(bare(*VALUES, columns=3).rstrip("\n")),
    "bare columns whose last number is short but ends": kept(
        bare(*VALUES, columns=3) + "12.004375 -3.500000 -5.0\n", readings=(*READINGS, 5.0)
    ),
    "bare columns with too few numbers at the end": skipped(
        bare(*VALUES) + "12.004375 -3.500000 -5.004000 0.000000 0.00",
        "5 values, where other results have 9",
        5,
    ),
    "a macro print with a torn last number": skipped(
        "z=-5.001\nz=-5.002\nz=-5.000\nz=-5.003\nz=-5.0", "the file was cut off", 5
    ),
    "a line of all digits longer than any result": skipped(
        GOOD + 30_000 * "7" + "\n", "a line of 30001 characters", 9
    ),
}

SIGNS = {
    "a note of 5,000 characters": skipped(GOOD + "note " + 5000 * "x" + "\n", "not understood: 'note xxx", 9),
    "control characters": skipped(
        "\x07bell\x0b\x1b]0;title\x07\n" + GOOD, r"not understood: '\x07bell", 1, touched=(2, 4, 6, 8)
    ),
    "colours of a terminal": kept("".join(f"\x1b[32m{line}\x1b[0m\n" for line in GOOD.splitlines()[::2])),
    "right-to-left marks in a line": skipped("\u202eevil\u2066\n" + GOOD, r"'\u202eevil\u2066'", 1),
    "emoji and other scripts": skipped("прогон № 3 \U0001f527\n" + GOOD, "not understood", 1),
    "markup in a line": skipped("<script>alert(1)</script> #raw\n" + GOOD, "not understood: '<script>", 1),
    "a serial that looks like a path": kept(GOOD, answers=DOWN | {"serial": "../../etc/passwd"}),
    "a serial that looks like a formula": kept(GOOD, answers=DOWN | {"serial": "=cmd|' /C calc'!A0"}),
    "a serial with control characters": Case(
        GOOD, "refused", r"serial 'a\x1b[31m'", answers=DOWN | {"serial": "a\x1b[31m"}
    ),
    "a serial of blanks": Case(GOOD, "refused", "serial '  '", answers=DOWN | {"serial": "  "}),
    "a serial of 300 characters": Case(
        GOOD, "refused", "at most 200 characters", answers=DOWN | {"serial": 300 * "S"}
    ),
    "serials in log and option that differ": Case(
        '# serial = "LARCH-0007"\n' + GOOD,
        "refused",
        "serial 'LARCH-0007' in the log and 'LARCH-0042' in the option",
        1,
        answers=DOWN,
    ),
}

NO_NUMBERS = {
    name: skipped(GOOD + f"[PRB:1.000,2.000,{text}:1]\n", words, 9)
    for name, text, words in (
        ("nan", "nan", "'nan' is not a number (there was no number to print)"),
        ("minus inf", "-inf", "'-inf' is not a number"),
        (
            "quiet nan of an old library",
            "1.#QNAN",
            "'1.#QNAN' is not a number (there was no number to print)",
        ),
        (
            "indefinite of an old library",
            "-1.#IND",
            "'-1.#IND' is not a number (there was no number to print)",
        ),
        (
            "a narrow spreadsheet column",
            "#####",
            "'#####' is not a number (a spreadsheet column was too narrow)",
        ),
        ("a number of 400 digits", 400 * "9", "is too large"),
        ("1e300", "1e300", "'1e300' is too large"),
        ("1e999", "1e999", "'1e999' is too large"),
        ("two points", "-5.0.01", "'-5.0.01' is not a number"),
        ("two signs", "--5.001", "'--5.001' is not a number"),
        ("a number that ends early", "-", "'-' is not a number (it ends early)"),
        ("a hexadecimal number", "0x10", "'0x10' is not a number"),
        ("digits of another script", "٥.٠", "is not a number"),
        ("an empty value", "", "no value of z"),
        ("an unknown flag", "-5.001:7", "the contact flag '7' is not understood"),
    )
    if name != "an unknown flag"
}
NO_NUMBERS["an unknown flag"] = skipped(
    GOOD + "[PRB:1.000,2.000,-5.1:7]\n", "the contact flag '7' is not understood", 9
)
NO_NUMBERS["no values at all"] = skipped(GOOD + "[PRB::1]\n", "1 values, where other results have 3", 9)
NO_NUMBERS["an empty column"] = skipped(GOOD + "[PRB:1.000,,-5.001:1]\n", "no value of y", 9)
NO_NUMBERS["a value far off the machine"] = Case(
    GOOD + "[PRB:1.000,2.000,123456.0:1]\n",
    "refused",
    "123456 mm, expected -10000 to 10000 mm",
    9,
    answers=DOWN,
)
NO_NUMBERS["no result that can be read"] = Case(
    2 * "[PRB:nan,nan,nan:1]\n",
    "refused",
    "2 results, none of which can be read (first: 'nan' is not",
    1,
    answers=DOWN,
)
NO_NUMBERS["a true minus sign"] = kept(
    "0 um\n+2 um\n\N{MINUS SIGN}1 um\n", readings=(0, 0.002, -0.001), answers=AWAY | {"units": None}
)
NO_NUMBERS["numbers with an exponent"] = kept(
    "[PRB:1.0,2.0,-5.001e0:1]\n[PRB:1.0,2.0,-5002E-3:1]\n", readings=(5.001, 5.002)
)
NO_NUMBERS["numbers without a leading zero"] = kept(
    "x=.5\nx=-.25\nx=+.75\n", readings=(0.5, -0.25, 0.75), answers=AWAY
)
NO_NUMBERS["decimal comma here, decimal point there"] = Case(
    "x=10,003\nx=10.004\n",
    "refused",
    "a decimal comma in 1 values and a decimal point in 1",
    1,
    option="decimal",
    answers=AWAY,
)
NO_NUMBERS["bare columns with decimal commas"] = Case(
    bare(*VALUES).replace(".", ","),
    "noticed",
    "Decimal commas were read in 36 values",
    readings=READINGS,
    answers=DOWN,
)
NO_NUMBERS["bare columns with decimal commas, told"] = NO_NUMBERS["bare columns with decimal commas"].told(
    decimal=","
)
NO_NUMBERS["bare columns with commas and blanks between"] = kept(bare(*VALUES, columns=3).replace(" ", ", "))
NO_NUMBERS["an axis twice in one line"] = skipped(
    "z=-5.001 trip=1 z=-5.002 trip=1\nz=-5.000 trip=1\n", "an axis twice in one line", 1, readings=(5.0,)
)


@parametrize(ENCODINGS | LINE_ENDS | TORN | SIGNS | NO_NUMBERS)
def test_broken_text(case: Case, tmp_path: Path) -> None:
    check(case, tmp_path)


@pytest.mark.parametrize("size", [7, 16, 29, 64, 1000])
@parametrize(ENCODINGS | LINE_ENDS | TORN)
def test_a_block_may_end_anywhere(
    case: Case, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "BLOCK_BYTES", size)
    check(case, tmp_path)


def test_a_serial_is_only_text(tmp_path: Path) -> None:
    case = SIGNS["a serial that looks like a path"]
    (triggers,) = read(case, tmp_path).tests
    assert triggers.record.serial == "../../etc/passwd"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run3.txt"]


def test_many_blocks_give_all_touches_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "BLOCK_BYTES", 4096)
    values = [-5 - (number * 37 % 101) / 1000 for number in range(3000)]
    (triggers,) = read(Case(bracketed(*values), "kept", answers=DOWN), tmp_path).tests
    assert along(triggers) == pytest.approx([-value for value in values], abs=1e-9)
    assert triggers.frame["line"].tolist() == list(range(1, 6000, 2))


def test_every_byte_of_a_log_is_reported_to_a_progress_bar(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "BLOCK_BYTES", 50)
    steps: list[int] = []
    read(Case(GOOD, "kept", answers=DOWN | {"advance": steps.append}), tmp_path)
    assert sum(steps) == len(GOOD)
    assert max(steps) <= 50
