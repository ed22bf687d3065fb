"""What stands between the results: commands, modes, alarms, listings, times, pairs, plans."""

from pathlib import Path

import pytest
from bad_input import Z_MINUS, Case, bracketed, check, parametrize, read, stamped

from probetest.errors import ImportDataError
from probetest.importers import read_plan

DOWN = {"direction": Z_MINUS}
VALUES = (-5.001, -5.002, -5.000)
READINGS = (5.001, 5.002, 5.0)
GOOD = bracketed(*VALUES)
RESULT = "[PRB:1.000,2.000,-5.001:1]\nok\n"
ROWS = "".join(f"[PRB:1.000,2.000,{value:.3f}:1]\n" for value in VALUES)
LISTED = "$#\n[G54:0.000,0.000,0.000]\n[TLO:0.000]\n[PRB:1.000,2.000,{:.3f}:{}]\nok\n"
ZEROS = LISTED.format(0, 0).replace("1.000,2.000", "0.000,0.000")
MOVE = "G38.2 Z-9 F60\nok\n"
RISING = (("10:00:01", -5.001), ("10:00:05", -5.002), ("10:00:09", -5.000))
PASTED = bracketed(*[-5 - number * number % 13 / 1000 for number in range(12)])
PAIRS = bracketed(*[value + step for value in VALUES for step in (-0.020, 0.0)])


def unknown(commands: str) -> Case:
    """Commands that do not tell the direction."""
    return Case(
        commands + RESULT, "refused", "whose words may be targets in other coordinates", option="direction"
    )


def known(commands: str, reading: float = 5.001, **changes) -> Case:
    """Commands that do."""
    return Case(commands + RESULT, "kept", readings=(reading,), **changes)


MODES = {
    "incremental, stated with the move": known("G91 G38.2 Z-12 F60\n"),
    "incremental, stated before": known("G91\nG0 X1\nG38.2 Z-12 F60\n"),
    "incremental, stated behind the move in the same line": known("G38.2 G91 Z-12 F60\n"),
    "incremental, after absolute": known("G90\nG91\nG38.2 Z-12\n"),
    "incremental again after a probe move": known("G91 G38.2 Z-12 F60\n", touched=(2,)),
    "lower case": known("g91 g38.2 z-12 f60\n"),
    "numbers of lines": known("N10 G91 G38.2 Z-12 F60\n"),
    "numbers of lines without blanks": known("N10G91G38.2Z-12F60\n"),
    "blanks within words": known("G 91 G 38 . 2 Z - 12\n".replace(" . ", ".").replace("- ", "-")),
    "leading zeros": known("G091 G38.2 Z-012.0 F060\n"),
    "a positive sign": known("G91 G38.3 X+12 F60\n", 1.0),
    "toward the other side": known("G91 G38.2 Y-12.5 F60\n", -2.0),
    "absolute": unknown("G90 G38.2 Z-12 F60\n"),
    "no mode": unknown("G38.2 Z-12 F60\n"),
    "absolute, stated last in the line": unknown("G91 G90 G38.2 Z-12\n"),
    "absolute after incremental": unknown("G91\nG90\nG38.2 Z-12\n"),
    "arc centres are no distance mode": unknown("G90\nG91.1\nG38.2 Z-12\n"),
    "the end of a program sets absolute distances": unknown("G91\nM30\nG38.2 Z-12\n"),
    "the mode of a jog does not last": unknown("$J=G91 X5 F1000\nG38.2 Z-12\n"),
    "a mode in a comment counts for nothing": unknown("(G91)\nG38.2 Z-12\n"),
    "a mode behind a semicolon counts for nothing": unknown("G38.2 Z-12 ; G91\n"),
    "a restart forgets the mode": unknown("G91\nInvented 1.1 ['$' for help]\nG38.2 Z-12\n"),
    "a move without a target": unknown("G91 G38.2 F60\n"),
    "absolute, answered": known("G90 G38.2 Z-12 F60\n", answers=DOWN),
    "a comment within the move": known("G91 G38.2 (down) Z-12 F60\n"),
    "a comment between move and result": known("G91 G38.2 Z-12 F60\n(G38.2 X5 comes next)\n"),
    "a comment that holds another mode": known("G91 G38.2 Z-12 (G90 X5)\n"),
    "a move and its result in one line": Case(
        "[09:14:02] [ G91 G38.2 X20 F200 ] [PRB:14.512,40.000,-22.000:1]\n[09:14:02] [ G38.2 X20 F200 ] ok\n"
        "[09:14:05] [ G38.2 X-20 F200 ] [PRB:3.487,40.000,-22.000:1]\n",
        "kept",
        readings=(14.512, -3.487),
    ),
    "a move has one result": Case(
        "G91 G38.2 Z-12 F60\n" + GOOD, "refused", "a touch without a direction", 4, option="direction"
    ),
    "an option that contradicts the moves": Case(
        "G91 G38.2 X5 F60\n" + RESULT,
        "refused",
        "a touch at azimuth 0 deg and --direction 180 deg",
        2,
        option="direction",
        answers={"direction": (180.0, 0.0)},
    ),
}

ALARMS = {
    "an alarm before its result counts once": Case(
        GOOD + "ALARM:5\n[PRB:0.000,0.000,-12.000:0]\n",
        "skipped",
        "",
        lines=(7, 8),
        outcomes={"missed": 1},
        answers=DOWN,
    ),
    "an alarm behind its result counts once": Case(
        GOOD + "[PRB:0.000,0.000,-12.000:0]\nALARM:5\n",
        "skipped",
        "",
        lines=(7, 8),
        outcomes={"missed": 1},
        answers=DOWN,
    ),
    "two alarms with a result each": Case(
        GOOD + 2 * "ALARM:5\n[PRB:0.000,0.000,-12.000:0]\nok\n",
        "skipped",
        "",
        lines=(7, 8, 10, 11),
        outcomes={"missed": 2},
        answers=DOWN,
    ),
    "an alarm far from a miss is another approach": Case(
        "ALARM:5\n" + GOOD + "[PRB:0.000,0.000,-12.000:0]\n",
        "skipped",
        "",
        lines=(1, 8),
        outcomes={"missed": 2},
        answers=DOWN,
    ),
    "an open circuit whose result has no contact": Case(
        GOOD + "ALARM:4\n[PRB:0.000,0.000,0.000:0]\n",
        "skipped",
        "",
        lines=(7, 8),
        outcomes={"open_at_start": 1, "missed": 0},
        answers=DOWN,
    ),
    "nothing but misses": Case(
        bracketed(-12, -12, flag=0),
        "skipped",
        "counted as a miss",
        lines=(1, 3),
        readings=(),
        outcomes={"missed": 2},
        answers=DOWN,
    ),
    "an alarm at the start of a log is no interruption": Case(
        "ALARM:1\n$H\n" + GOOD, "kept", readings=READINGS, answers=DOWN
    ),
    "an alarm of another number": Case(
        GOOD + "ALARM:51\n", "skipped", "not understood: 'ALARM:51'", lines=(7,), answers=DOWN
    ),
    "an error of the console": Case(
        GOOD + "error:20\n[MSG:Check limits]\n", "kept", readings=READINGS, answers=DOWN
    ),
}

LISTINGS = {
    "zeros of a listing at power-on": Case(
        ZEROS + GOOD, "skipped", "it may be older than the log", lines=(4,), readings=READINGS, answers=DOWN
    ),
    "a touch that only a listing shows": Case(
        GOOD + LISTED.format(-5.004, 1),
        "noticed",
        "only a listing of parameters shows were counted: 1",
        readings=(*READINGS, 5.004),
        answers=DOWN,
    ),
    "a listing asked for twice": Case(
        GOOD + 2 * LISTED.format(-5.000, 1),
        "skipped",
        "repeats the last one",
        lines=(10, 15),
        readings=READINGS,
        answers=DOWN,
    ),
    "listings only, each behind a move": Case(
        "".join(MOVE + LISTED.format(value, 1) for value in (-5.001, -5.001, -5.002)),
        "noticed",
        "were counted: 3",
        readings=(5.001, 5.001, 5.002),
        answers=DOWN,
    ),
    "one listing only": Case(
        LISTED.format(-5.001, 1), "refused", "results in listings of parameters only", 4, answers=DOWN
    ),
    "a listing in a log with the newest line first": Case(
        "".join(
            f"[09:14:0{time}] {text}\n"
            for time, text in (
                (9, "[PRB:1.000,2.000,-5.002:1]"),
                (9, "[TLO:0.000]"),
                (9, "[G54:0.000,0.000,0.000]"),
                (9, "[ $# ]"),
                (6, "[PRB:1.000,2.000,-5.002:1]"),
                (3, "[PRB:1.000,2.000,-5.001:1]"),
            )
        ),
        "skipped",
        "repeats the last one",
        lines=(1,),
        readings=(5.001, 5.002),
        touched=(6, 5),
        answers=DOWN,
    ),
}

TIMES = {
    "a clock that goes back once": Case(
        stamped(*RISING, ("09:59:58", -5.003), ("10:00:02", -5.004)),
        "noticed",
        "runs backwards at 1 place, first on line 4",
        readings=(*READINGS, 5.003, 5.004),
        answers=DOWN,
    ),
    "midnight": Case(
        stamped(("23:59:59", -5.001), ("00:00:01", -5.002)),
        "noticed",
        "pass midnight",
        readings=(5.001, 5.002),
        answers=DOWN,
    ),
    "midnight, the newest line first": Case(
        stamped(("00:00:01", -5.003), ("23:59:59", -5.002), ("23:59:58", -5.001)),
        "noticed",
        "read bottom-up",
        readings=(5.001, 5.002, 5.003),
        answers=DOWN,
    ),
    "one time for all": Case(
        stamped(*[("10:00:00", value) for value in VALUES]), "kept", readings=READINGS, answers=DOWN
    ),
    "times of two digits and of one, with parts of seconds": Case(
        stamped(("9:59:59.250", -5.001), ("10:00:00,5", -5.002)),
        "kept",
        readings=(5.001, 5.002),
        answers=DOWN,
    ),
    "a line without its time": Case(
        stamped(*RISING) + RESULT, "kept", readings=(*READINGS, 5.001), answers=DOWN
    ),
    "a log pasted twice": Case(
        2 * PASTED, "refused", "repeat those before value for value", 25, option="part", answers=DOWN
    ),
    "a log pasted thrice": Case(
        3 * PASTED, "refused", "repeat those before value for value", 49, option="part", answers=DOWN
    ),
    "a log pasted twice, first part": Case(
        2 * PASTED,
        "noticed",
        "Part 1 of 2 is used: 12 of 24",
        outcomes={"trigger": 12},
        answers=DOWN | {"part": 1},
    ),
    "few equal touches are no copy": Case(
        2 * bracketed(-5.0, -5.0, -5.001), "kept", outcomes={"trigger": 6}, answers=DOWN
    ),
}

FEEDS = {
    "pairs without feeds": Case(
        PAIRS, "refused", "alternate between two levels", 1, option="feeds", answers=DOWN
    ),
    "pairs without feeds, slow": Case(
        PAIRS,
        "skipped",
        "the fast touch of a pair",
        lines=(1, 5, 9),
        readings=READINGS,
        answers=DOWN | {"feeds": "slow"},
    ),
    "pairs without feeds, fast": Case(
        PAIRS,
        "skipped",
        "the slow touch of a pair",
        lines=(3, 7, 11),
        readings=(5.021, 5.022, 5.020),
        answers=DOWN | {"feeds": "fast"},
    ),
    "pairs without feeds, all": Case(PAIRS, "kept", outcomes={"trigger": 6}, answers=DOWN | {"feeds": "all"}),
    "pairs and a miss": Case(
        PAIRS + bracketed(-12, flag=0),
        "refused",
        "alternate between two levels",
        1,
        option="feeds",
        answers=DOWN,
    ),
    "pairs and a miss, slow": Case(
        bracketed(-12, flag=0) + PAIRS,
        "noticed",
        "slow touches are used: 4 of 7",
        readings=READINGS,
        outcomes={"missed": 1},
        answers=DOWN | {"feeds": "slow"},
    ),
    "pairs with a slow touch that is missing": Case(
        bracketed(-5.021, -5.001, -5.022, -5.020, -5.000, -5.019, -5.002),
        "noticed",
        "slow touches are used: 3 of 7",
        readings=(5.001, 5.0, 5.002),
        answers=DOWN | {"feeds": "slow"},
    ),
    "steps of a coarse machine are no pairs": Case(
        bracketed(-5.000, -5.005, -5.000, -5.000, -5.005, -5.000),
        "kept",
        outcomes={"trigger": 6},
        answers=DOWN,
    ),
}

AROUND = {
    azimuth: f"[PRB:{x:.3f},{y:.3f},-5.000:1]\n"
    for azimuth, x, y in ((0, 12.5, 0), (90, 0, 12.5), (180, -12.5, 0), (270, 0, -12.5))
}
RING = 'units = "mm"\nartefact = {kind = "ring", diameter_mm = 25.0}\n'
ROUND_PLAN = "azimuth_deg\n" + 2 * "0\n90\n180\n270\n"
TURNED_PLAN = "azimuth_deg\n" + 2 * "90\n180\n270\n0\n"
TWICE_ROUND = 2 * "".join(AROUND.values())
PLANS = {
    "a plan that is shorter": Case(
        GOOD, "refused", "3 approaches, where the plan", answers={"plan": "face\nZ-\nZ-\n"}
    ),
    "a plan in another order": Case(
        TWICE_ROUND,
        "refused",
        "a touch at azimuth 0 deg, seen from the middle of all touches, where 90 deg is stated",
        1,
        answers={"plan": TURNED_PLAN, "about": RING},
    ),
    "a plan in order": Case(
        TWICE_ROUND, "kept", readings=8 * (12.5,), answers={"plan": ROUND_PLAN, "about": RING}
    ),
    "a touch that is missing is found by its place": Case(
        TWICE_ROUND.replace(AROUND[180], "", 1),
        "noticed",
        "does not hold: 1 of 8 (touch 3)",
        readings=7 * (12.5,),
        answers={"plan": ROUND_PLAN, "about": RING},
    ),
    "touches through the centre of a ring": Case(
        TWICE_ROUND, "kept", readings=8 * (12.5,), answers={"radial": True, "about": RING}
    ),
    "touches through the centre of nothing round": Case(
        TWICE_ROUND, "refused", "--radial without a round artefact", option="about", answers={"radial": True}
    ),
    "touches from one side only": Case(
        3 * AROUND[0], "refused", "no x and y of touches all around", answers={"radial": True, "about": RING}
    ),
    "a plan with stages": Case(
        GOOD,
        "kept",
        readings=READINGS,
        answers={"plan": "touch,stage,face\n5,warm,Z-\n6,warm,Z-\n7,cold,Z-\n"},
    ),
}


@parametrize(MODES | ALARMS | LISTINGS | TIMES | FEEDS | PLANS)
def test_the_order_of_a_log(case: Case, tmp_path: Path) -> None:
    check(case, tmp_path)


def test_feeds_of_moves_go_with_their_results(tmp_path: Path) -> None:
    log = "G91 G38.2 Z-12 F200\n" + RESULT + "(G38.2 F999)\nG38.2 Z-12\n" + RESULT
    (triggers,) = read(Case(log, "kept"), tmp_path).tests
    assert triggers.frame["feed_mm_min"].fillna(-1).tolist() == [200.0, -1.0]


def test_feeds_of_moves_fill_those_a_macro_does_not_print(tmp_path: Path) -> None:
    log = "".join(f"G91 G38.2 Z-12 F60\nz={value}\n" for value in VALUES)
    (triggers,) = read(Case(log, "kept"), tmp_path).tests
    assert triggers.frame["feed_mm_min"].tolist() == 3 * [60.0]


def test_stages_and_numbers_come_from_the_plan(tmp_path: Path) -> None:
    (triggers,) = read(PLANS["a plan with stages"], tmp_path).tests
    assert triggers.frame["stage"].tolist() == ["warm", "warm", "cold"]
    assert triggers.frame["touch"].tolist() == [5, 6, 7]


def test_the_day_goes_on_past_midnight(tmp_path: Path) -> None:
    (triggers,) = read(TIMES["midnight"], tmp_path).tests
    assert triggers.frame["time"].diff().dt.total_seconds().tolist()[1:] == [2.0]


PLAN_FAULTS = {
    "an empty plan": ("", None, "no header row"),
    "a header alone": ("face\n", None, "no planned touch"),
    "no direction": ("touch,stage\n1,a\n", 1, "expected a header row with azimuth_deg or face"),
    "a column twice": ("face,face\nX+,X+\n", 1, "'face' twice"),
    "an unknown face": ("face\nX+\nQ-\n", 3, "'Q-', expected one of X+"),
    "an angle that is none": ("azimuth_deg\nnorth\n", 2, "'north', expected an angle from -360 to 360 deg"),
    "an angle too large": ("azimuth_deg\n400\n", 2, "'400', expected an angle from -360 to 360 deg"),
    "an angle that is not a number": ("azimuth_deg\nnan\n", 2, "'nan', expected an angle"),
    "a blank direction": ("touch,azimuth_deg\n1,\n", 2, "a blank cell"),
    "an elevation too large": (
        "azimuth_deg,elevation_deg\n0,91\n",
        2,
        "'91', expected an angle from -90 to 90 deg",
    ),
    "an orientation that is none": ("azimuth_deg,orientation_deg\n0,left\n", 2, "'left', expected an angle"),
    "a number of a touch that is none": ("touch,face\none,X+\n", 2, "'one', expected a whole number"),
    "a number of a touch twice": ("touch,face\n1,X+\n1,X-\n", 3, "touch 1 again (first on line 2)"),
    "a number for some touches only": ("touch,face\n1,X+\n,X-\n", 3, "no number of the touch"),
    "a stage with control characters": ("stage,face\n\x1bwarm,X+\n", 2, r"'\x1bwarm', expected at most 200"),
    "a column that is not known": ("face,fead\nX+,60\n", 1, "the unknown column 'fead'"),
    "a cell too many": ("face\nX+,60\n", 2, "2 cells where the header row has 1"),
    "face and azimuth that differ": ("face,azimuth_deg\nX+,90\n", 2, "face 'X+' and azimuth 90 deg"),
    "bytes that are not UTF-8": ("face\nX+\n".encode("utf-16"), None, "bytes that are not UTF-8"),
    "an open quote": ('face\n"X+\n', 2, "a row that can't be split"),
}


@pytest.mark.parametrize(("text", "line", "words"), PLAN_FAULTS.values(), ids=PLAN_FAULTS.keys())
def test_a_plan_with_a_fault(text: str | bytes, line: int | None, words: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ImportDataError) as caught:
        read_plan(path)
    faults = [(fault.line, f"{fault.found}, expected {fault.expected}") for fault in caught.value.faults]
    assert any(at == line and words in fault for at, fault in faults), faults
