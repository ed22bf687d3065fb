"""Logs that controllers, macros and hands really give, and what must come of each."""

from pathlib import Path

import numpy as np
from bad_input import X_PLUS, Z_MINUS, Case, bare, bracketed, check, parametrize, read, stamped

GOOD = bracketed(-5.001, -5.002, -5.000)
DOWN = {"direction": Z_MINUS}
SHEET = "Nr;Achse;Wert (mm);Bemerkung\n1;X+;10,0032;\n2;X+;10,0041;warm\n3;X+;10,0027;\n"
LISTING = (
    "$#\n[G54:0.000,0.000,0.000]\n[G92:0.000,0.000,0.000]\n[TLO:0.000]\n[PRB:1.000,2.000,-5.000:1]\nok\n"
)
INCHES = "".join(f"[PRB:0.0394,0.0787,{value}:1]\n" for value in (-0.1969, -0.1970, -0.1969))
MACRO = "".join(f"z={value:.3f}\n" for value in (-5.001, -5.002, -5.000))
LATER = "".join(f"z={value:.3f}\n" for value in (39.212, 39.213, 39.211))
FACES = "".join(f"[PRB:{x},2.000,-5.000:1]\n" for x in (1.0, 6.998, 1.001, 6.999, 1.002, 6.997))
RING = 'units = "mm"\nartefact = {kind = "ring", diameter_mm = 25.0}\n'
AROUND = [(np.cos(np.pi * turn / 4), np.sin(np.pi * turn / 4)) for turn in range(8)]
RING_MM, RING_INCH = (
    "".join(f"[PRB:{size * x:.4f},{size * y:.4f},0.0000:1]\n" for x, y in AROUND)
    for size in (10.5, 10.5 / 25.4)
)
PLAN_3, PLAN_6 = "face\n" + 3 * "Z-\n", "face\n" + 6 * "Z-\n"
PAIRS = bracketed(-5.021, -5.001, -5.022, -5.002, -5.020, -5.000)
AT_FEEDS = "".join(
    f"G91 G38.2 Z-5 F{feed}\n[PRB:1.000,2.000,{value}:1]\nok\n"
    for value, feed in ((-5.021, 200), (-5.001, 60), (-5.022, 200), (-5.002, 60))
)
INTERRUPTED = GOOD + "{}\n" + bracketed(-5.004, -5.003)
DIAMETERS = "G7\n" + "".join(f"[PRB:{x},0.000,-5.000:1]\n" for x in (20.002, 20.004))

FILES = {
    "an empty file": Case("", "refused", "an empty file (0 bytes)"),
    "text without a result": Case(
        "hello\nthis is nothing\n", "refused", "2 lines and no result of a probe; its first line is 'hello'"
    ),
    "a document instead of a log": Case(b"%PDF-1.7\n1 0 obj", "refused", "a PDF document"),
    "a picture instead of a log": Case(b"\x89PNG\r\n\x1a\n", "refused", "a PNG picture"),
    "a log without a serial": Case(
        GOOD, "refused", "no serial", option="serial", answers=DOWN | {"serial": None}
    ),
}

CONTACTS = {
    "no contact flag is a miss": Case(
        GOOD + "[PRB:0.000,0.000,-12.000:0]\n",
        "skipped",
        "counted as a miss",
        lines=(7,),
        readings=(5.001, 5.002, 5.0),
        outcomes={"missed": 1, "trigger": 3},
        answers=DOWN,
    ),
    "a json result with flag 0 is a miss": Case(
        '{"prb":{"e":1,"x":1.0,"y":2.0,"z":-8.417}}\n{"prb":{"e":0,"z":0.000}}\n',
        "skipped",
        "counted as a miss",
        lines=(2,),
        readings=(8.417,),
        outcomes={"missed": 1},
        answers=DOWN,
    ),
    "an alarm without contact is a miss": Case(
        GOOD + "G38.2 Z-12 F60\nALARM:5\n" + GOOD,
        "skipped",
        "no contact within the travel",
        lines=(8,),
        outcomes={"missed": 1, "trigger": 6},
        answers=DOWN,
    ),
    "an alarm of a contact closed at the start is no touch": Case(
        GOOD + "ALARM:4\n" + GOOD,
        "skipped",
        "had already triggered before the move",
        lines=(7,),
        outcomes={"open_at_start": 1, "trigger": 6},
        answers=DOWN,
    ),
    "a contact outside a probe move is a false trigger": Case(
        GOOD + "probe tripped during non-probe move\n",
        "skipped",
        "counted as a false trigger",
        lines=(7,),
        outcomes={"false": 1, "trigger": 3},
        answers=DOWN,
    ),
    "an equal reading is a reading": Case(
        bracketed(-5.0, -5.0, -5.0, -5.001), "kept", readings=(5.0, 5.0, 5.0, 5.001), answers=DOWN
    ),
    "a result inside a listing is no touch": Case(
        GOOD + LISTING + GOOD,
        "skipped",
        "in a listing of parameters repeats",
        lines=(11,),
        outcomes={"trigger": 6},
        answers=DOWN,
    ),
}

PARTS = {
    "a lost position asks for the part": Case(
        INTERRUPTED.format("ALARM:1"),
        "refused",
        "the machine position is probably lost",
        7,
        option="part",
        answers=DOWN,
    ),
    "a lost position, first part": Case(
        INTERRUPTED.format("ALARM:1"),
        "skipped",
        "in another part",
        lines=(8, 10),
        readings=(5.001, 5.002, 5.0),
        answers=DOWN | {"part": 1},
    ),
    "a lost position, second part": Case(
        INTERRUPTED.format("ALARM:3"),
        "skipped",
        "in another part",
        lines=(1, 3, 5),
        readings=(5.004, 5.003),
        answers=DOWN | {"part": 2},
    ),
    "a part that is not there": Case(
        INTERRUPTED.format("ALARM:3"), "refused", "2 parts and --part 3", answers=DOWN | {"part": 3}
    ),
    "a restart asks whether parts belong together": Case(
        INTERRUPTED.format("Invented 1.1 ['$' for help]"),
        "refused",
        "3 approaches before, 2 after",
        7,
        option="join",
        answers=DOWN,
    ),
    "a restart, joined": Case(
        INTERRUPTED.format("Invented 1.1 ['$' for help]"),
        "noticed",
        "(--join)",
        readings=(5.001, 5.002, 5.0, 5.004, 5.003),
        answers=DOWN | {"join": True},
    ),
    "a sought home asks whether parts belong together": Case(
        INTERRUPTED.format("$H"), "refused", "sought its home", 7, option="join", answers=DOWN
    ),
    "a sought home, second part": Case(
        INTERRUPTED.format("[ $H ] ok"),
        "noticed",
        "Part 2 of 2",
        readings=(5.004, 5.003),
        answers=DOWN | {"part": 2},
    ),
    "coordinates that jump at a word": Case(
        MACRO + "G55\n" + LATER, "refused", "z jumps by 44.213 and stays", 4, option="part", answers=DOWN
    ),
    "coordinates that jump at a word, second part": Case(
        MACRO + "G55\n" + LATER,
        "noticed",
        "Part 2 of 2",
        readings=(-39.212, -39.213, -39.211),
        answers=DOWN | {"part": 2},
    ),
    "coordinates that jump without a word": Case(
        MACRO + LATER,
        "refused",
        "two groups of touches from one direction, 44.211 apart",
        4,
        option="plan",
        answers=DOWN,
    ),
    "a tool offset that moves the readings": Case(
        MACRO + "G43 H1\n" + MACRO.replace("-5", "7"),
        "refused",
        "'G43' changes the origin or an offset",
        4,
        option="part",
        answers=DOWN,
    ),
    "an offset that moves nothing": Case(
        MACRO + "G43 H1\n" + MACRO, "noticed", "the positions on both sides agree", answers=DOWN
    ),
}

UNITS = {
    "units that are not stated": Case(
        "G21\n" + GOOD, "refused", "no units", option="units", answers=DOWN | {"units": None}
    ),
    "units that are not stated, answered": Case(
        "G21\n" + GOOD,
        "kept",
        readings=(5.001 * 25.4, 5.002 * 25.4, 5.0 * 25.4),
        answers=DOWN | {"units": "inch"},
    ),
    "units that change amid the log": Case(
        "z=-1.8629\nz=-1.8628\nz=-1.8630\nz=-47.318\nz=-47.319\nz=-47.317\n",
        "refused",
        "a factor of 25.4 (-1.863 to -47.318)",
        4,
        option="units",
        answers=DOWN,
    ),
    "a program in inch whose results stay in mm": Case(
        GOOD + "G20\n" + GOOD + "G21\n" + GOOD,
        "noticed",
        "switches to inch on line 7 (G20); the values were read as mm",
        outcomes={"trigger": 9},
        answers=DOWN,
    ),
    "a program in inch whose results follow": Case(
        MACRO + "G20\n" + "z=-0.1969\nz=-0.1970\nz=-0.1969\n" + "G21\n" + MACRO,
        "refused",
        "a factor of 25.4",
        5,
        option="units",
        answers=DOWN,
    ),
    "units that change amid touches all around": Case(
        RING_MM + RING_INCH,
        "refused",
        "a factor of 25.4",
        9,
        option="units",
        answers={"radial": True, "about": RING},
    ),
    "units that change there and back": Case(
        RING_MM + RING_INCH + RING_MM,
        "refused",
        "a factor of 25.4",
        9,
        option="units",
        answers={"radial": True, "about": RING},
    ),
    "two faces whose ratio happens to be 25.4": Case(
        "".join(f"[PRB:{x:.3f},40.000,-5.000:1]\n" for x in (-1.0, -1.001, -25.4, -25.401)),
        "kept",
        readings=(-1.0, -1.001, 25.4, 25.401),
        answers={"plan": "face\nX+\nX+\nX-\nX-\n"},
    ),
    "mm that look like inch": Case(
        '# units = "mm"\n' + INCHES,
        "refused",
        "values with 4 decimals",
        2,
        option="units",
        answers=DOWN | {"units": None},
    ),
    "mm that look like inch, confirmed": Case(
        '# units = "mm"\n' + INCHES,
        "noticed",
        "The values have 4 decimals, as logs of this shape have them in inch; they were read as mm",
        readings=(0.1969, 0.1970, 0.1969),
        answers=DOWN,
    ),
    "a head and an option that differ": Case(
        '# units = "inch"\n' + GOOD,
        "refused",
        "units 'inch' in the log and 'mm' in the option",
        1,
        answers=DOWN,
    ),
    "a header row and an option that differ": Case(
        SHEET.replace("mm", "inch"), "refused", "units 'inch' in its header row and 'mm' in the option"
    ),
    "deltas without units": Case(
        "0\n+2\n-1\n+1\n", "refused", "no units", option="units", answers={"direction": X_PLUS, "units": None}
    ),
    "deltas, answered": Case(
        "0\n+2\n-1\n+1\n",
        "kept",
        readings=(0.0, 0.002, -0.001, 0.001),
        answers={"direction": X_PLUS, "units": "um"},
    ),
}

NUMBERS = {
    "a decimal comma that is plain": Case(
        SHEET, "noticed", "Decimal comma", readings=(10.0032, 10.0041, 10.0027)
    ),
    "a decimal comma in a macro print": Case(
        "x=10,0032\nx=10,0041\n",
        "noticed",
        "Decimal commas were read in 2 values",
        readings=(10.0032, 10.0041),
        answers={"direction": X_PLUS},
    ),
    "commas that may part two values or four": Case(
        2 * "[PRB:10,003,20,114:1]\n",
        "refused",
        "4 whole numbers between commas",
        1,
        option="decimal",
        answers={"direction": X_PLUS},
    ),
    "commas that part two values": Case(
        2 * "[PRB:10,003,20,114:1]\n",
        "noticed",
        "Decimal commas were read",
        readings=(10.003, 10.003),
        answers={"direction": X_PLUS, "decimal": ","},
    ),
    "commas that part four values": Case(
        2 * "[PRB:10,003,20,114:1]\n",
        "kept",
        readings=(10.0, 10.0),
        answers={"direction": X_PLUS, "decimal": "."},
    ),
    "a thousands mark": Case(
        2 * "x=1.234,5\n",
        "refused",
        "with both . and , in it",
        1,
        option="decimal",
        answers={"direction": X_PLUS},
    ),
    "a thousands mark, answered": Case(
        2 * "x=1.234,5\n",
        "noticed",
        "Decimal commas",
        readings=(1234.5, 1234.5),
        answers={"direction": X_PLUS, "decimal": ","},
    ),
    "a thousands mark in a table": Case(
        SHEET.replace("10,0041", "1.010,0041"), "refused", "'1.010,0041'", 3, option="decimal"
    ),
    "no numbers in a row of a table": Case(
        SHEET.replace("10,0041", "#REF!"),
        "skipped",
        "'#REF!' is not a number",
        lines=(3,),
        readings=(10.0032, 10.0027),
    ),
    "a sum row of a table": Case(
        SHEET + "Mittel;;10,0033;\n",
        "skipped",
        "sums up others",
        lines=(5,),
        readings=(10.0032, 10.0041, 10.0027),
    ),
    "a sum line below deltas": Case(
        "0\n+2\n-1\nmean 0.3\n",
        "skipped",
        "is no touch",
        lines=(4,),
        readings=(0.0, 0.002, -0.001),
        answers={"direction": X_PLUS, "units": "um"},
    ),
    "a parameter printed as text": Case(
        "z=#5063\nz=#5063\n", "refused", "'#5063' printed as text", 1, answers=DOWN
    ),
    "a named parameter printed as text": Case(
        MACRO + "z=#<probe_z>\n", "refused", "'#<probe_z>' printed as text", 4, answers=DOWN
    ),
    "a macro that sets each reading to zero": Case(
        5 * "z=0.000\n", "refused", "5 touches that are all zero", 1, answers=DOWN
    ),
}

DIRECTIONS = {
    "positions that change in all axes": Case(
        "[PRB:1.000,2.000,-5.000:1]\n[PRB:1.100,2.100,-5.200:1]\n",
        "refused",
        "x, y, z all change",
        option="direction",
    ),
    "no direction": Case(GOOD, "refused", "no direction of approach", option="direction"),
    "no direction, answered": Case(GOOD, "kept", readings=(5.001, 5.002, 5.0), answers=DOWN),
    "two faces in one series": Case(
        FACES,
        "refused",
        "two groups of touches from one direction, 5.995 apart (3 and 3 touches)",
        2,
        option="plan",
        answers={"direction": X_PLUS},
    ),
    "two faces, planned": Case(
        FACES,
        "kept",
        readings=(-1.0, 6.998, -1.001, 6.999, -1.002, 6.997),
        answers={"plan": "face\n" + 3 * "X-\nX+\n"},
    ),
    "two levels of a coarse machine": Case(
        bare(*4 * [-41.205], *4 * [-41.21]), "kept", outcomes={"trigger": 8}, answers=DOWN
    ),
    "two false triggers in the air": Case(
        bracketed(-5.001, -4.817, -5.002, -5.000, -4.818, -5.003, -5.001),
        "kept",
        outcomes={"trigger": 7},
        answers=DOWN,
    ),
    "the newest line first": Case(
        stamped(("09:14:09", -5.003), ("09:14:06", -5.002), ("09:14:03", -5.001)),
        "noticed",
        "the log was read bottom-up",
        readings=(5.001, 5.002, 5.003),
        touched=(3, 2, 1),
        answers=DOWN,
    ),
    "diameter mode": Case(
        DIAMETERS, "refused", "diameter mode", 1, option="x-diameter", answers={"direction": X_PLUS}
    ),
    "diameter mode, answered": Case(
        DIAMETERS,
        "noticed",
        "X was halved",
        readings=(10.001, 10.002),
        answers={"direction": X_PLUS, "x_diameter": True},
    ),
    "a rotary axis that turns": Case(
        "".join(f"[PRB:1.0,2.0,-5.00{turn // 90},{turn}.0:1]\n" for turn in (0, 90)),
        "noticed",
        "Axis A changes between touches (0 to 90 deg)",
        answers=DOWN,
    ),
}

COUNTS = {
    "fewer lines than touches, where equal ones are left out": Case(
        bare(-5.001, -5.002, -5.001), "noticed", "The plan has 6 touches, the log 3", answers={"plan": PLAN_6}
    ),
    "fewer lines than touches": Case(
        GOOD, "noticed", "Planned touches that the log does not hold: 3 of 6", answers={"plan": PLAN_6}
    ),
    "twice as many lines as touches": Case(
        PAIRS,
        "refused",
        "they look like fast and slow pairs (3 and 3)",
        1,
        option="feeds",
        answers={"plan": PLAN_3},
    ),
    "twice as many lines as touches, slow": Case(
        PAIRS,
        "skipped",
        "the fast touch of a pair",
        lines=(1, 5, 9),
        readings=(5.001, 5.002, 5.0),
        answers={"plan": PLAN_3, "feeds": "slow"},
    ),
    "two feeds in one series": Case(
        AT_FEEDS, "refused", "touches at several feeds", 2, option="feeds", answers={}
    ),
    "two feeds, slow": Case(
        AT_FEEDS,
        "noticed",
        "slow touches are used: 2 of 4",
        readings=(5.001, 5.002),
        answers={"feeds": "slow"},
    ),
    "two feeds, fast": Case(
        AT_FEEDS,
        "noticed",
        "fast touches are used: 2 of 4",
        readings=(5.021, 5.022),
        answers={"feeds": "fast"},
    ),
    "two feeds, all": Case(AT_FEEDS, "kept", readings=(5.021, 5.001, 5.022, 5.002), answers={"feeds": "all"}),
}

SHAPES = {
    "a result cut off at the end": Case(
        bare(-41.2, -41.1) + "12.0043 -3.5",
        "skipped",
        "ends early",
        lines=(3,),
        readings=(41.2, 41.1),
        answers=DOWN,
    ),
    "a result cut in two": Case(
        "[PRB:1.25\n0,0.000,-4.1:1]\n" + GOOD,
        "skipped",
        "joined with the next line",
        lines=(1,),
        readings=(4.1, 5.001, 5.002, 5.0),
        answers=DOWN,
    ),
    "two results in one line": Case(
        "[PRB:1.0,2.0,-5.001:1][PRB:1.0,2.0,-5.002:1]\n",
        "kept",
        readings=(5.001, 5.002),
        touched=(1, 1),
        answers=DOWN,
    ),
    "a number of columns that changes": Case(
        bare(-41.2, -41.1) + bare(-41.2, columns=3) + bare(-41.3, columns=3) + bare(-41.2),
        "refused",
        "3 values, where other lines have 9 (2 such lines)",
        3,
        answers=DOWN,
    ),
    "position reports only": Case(
        5 * "<Idle|MPos:1.000,2.000,-5.000|FS:0,0>\n",
        "refused",
        "5 reports of where the machine is",
        1,
        answers=DOWN,
    ),
    "position reports between results": Case(
        7 * "<Run|MPos:1.000,2.000,-5.000|FS:0,0>\n" + GOOD,
        "noticed",
        "7 lines; 3 results are used",
        readings=(5.001, 5.002, 5.0),
        answers=DOWN,
    ),
    "values copied from a display": Case(
        "touch 1  X 25.46\ntouch 2  X 25.46\ntouch 3  X 25.47\n",
        "noticed",
        "copied from a position display",
        readings=(25.46, 25.46, 25.47),
        answers={"direction": X_PLUS},
    ),
    "another tag": Case(
        GOOD.replace("PRB", "SONDE"),
        "refused",
        "under another tag, such as '[SONDE:1.000,2.000,-5.001:1]'",
        1,
        option="tag",
        answers=DOWN,
    ),
    "another tag, answered": Case(
        GOOD.replace("PRB", "SONDE"), "kept", readings=(5.001, 5.002, 5.0), answers=DOWN | {"tag": "SONDE"}
    ),
}


@parametrize(FILES | CONTACTS | PARTS | UNITS | NUMBERS | DIRECTIONS | COUNTS | SHAPES)
def test_a_log_as_people_have_it(case: Case, tmp_path: Path) -> None:
    check(case, tmp_path)


def test_a_turned_axis_makes_orientations(tmp_path: Path) -> None:
    (triggers,) = read(DIRECTIONS["a rotary axis that turns"], tmp_path).tests
    assert triggers.frame["orientation_deg"].tolist() == [0.0, 90.0]


def test_lost_touches_are_counted_by_the_plan(tmp_path: Path) -> None:
    case = COUNTS["fewer lines than touches, where equal ones are left out"]
    (triggers,) = read(case, tmp_path).tests
    assert triggers.record.planned_touches == 6


def test_feeds_are_kept_with_all_touches(tmp_path: Path) -> None:
    (triggers,) = read(COUNTS["two feeds, all"], tmp_path).tests
    assert triggers.frame["feed_mm_min"].tolist() == [200.0, 60.0, 200.0, 60.0]
