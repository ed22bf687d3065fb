"""Pattern files of users: for new controllers, with faults, and hostile ones; and the tag of results."""

import time
from pathlib import Path

import pytest
from bad_input import X_PLUS, Z_MINUS, Case, bracketed, check, parametrize, read

from probetest.errors import ImportDataError
from probetest.importers import read_pattern

ABOUT = 'about = "Lines of an invented controller."\n'
PLAIN = ABOUT + "record = 'P (?P<x>[-0-9.,]+)'\n"
LOG = "P 1.5\nP 1.6\n"
AWAY = {"direction": X_PLUS}
DOWN = {"direction": Z_MINUS}
GOOD = bracketed(-5.001, -5.002)
INVENTED = (
    ABOUT
    + r"""
record = '^>> hit (?P<touch>[0-9]+) (?P<face>..) at (?P<coordinate>[-0-9.]+) (?P<units>\S+) (?P<contact>\S+)$'

[contact]
yes = ["OK"]
no = ["NONE"]
open_at_start = ["EARLY"]
false = ["SPURIOUS"]

[[events]]
kind = "restart"
find = '^>> boot'
why = "the controller booted"

[[events]]
kind = "miss"
find = '^>> ran out'

[[events]]
kind = "noise"
find = '^>> idle'
"""
)
HITS = (
    ">> idle\n>> hit 1 X- at 10.001 mm OK\n>> hit 2 X+ at 20.002 mm OK\n>> hit 3 X- at 0.0 mm NONE\n"
    ">> hit 4 X- at 0.0 mm EARLY\n>> hit 5 X+ at 0.0 mm SPURIOUS\n>> ran out\n"
)


def mine(pattern: str, log: str, action: str, words: str = "", line: int | None = None, **changes) -> Case:
    answers = AWAY | {"pattern": pattern, "pattern_name": "mine"} | changes.pop("answers", {})
    return Case(log, action, words, line, answers=answers, **changes)


USED = {
    "a controller of one's own": mine(
        INVENTED,
        HITS,
        "skipped",
        "",
        lines=(4, 7),
        readings=(-10.001, 20.002),
        outcomes={"missed": 2, "open_at_start": 1, "false": 1},
        answers={"direction": None, "units": None},
    ),
    "a controller of one's own that booted": mine(
        INVENTED,
        HITS + ">> boot\n" + HITS,
        "refused",
        "the controller restarted",
        8,
        option="join",
        answers={"direction": None, "units": None},
    ),
    "a decimal comma that the pattern states": mine(
        "decimal = ','\n" + PLAIN, "P 1,5\nP 1.600,25\n", "noticed", "Decimal commas", readings=(1.5, 1600.25)
    ),
    "a decimal point that the pattern states": mine(
        "decimal = '.'\n" + PLAIN, "P 1.5\nP 1,600.25\n", "kept", readings=(1.5, 1600.25)
    ),
    "units that the pattern states": mine(
        PLAIN + "[units]\nrule = 'inch'\n",
        LOG,
        "kept",
        readings=(1.5 * 25.4, 1.6 * 25.4),
        answers={"units": None},
    ),
    "a name of a group in the short form": mine(
        ABOUT + "record = 'P (?<x>[0-9.]+)'\n", LOG, "kept", readings=(1.5, 1.6)
    ),
    "positions of more axes than there are": mine(
        ABOUT + "record = 'P (?P<positions>.*)'\n",
        "P 1 2 3\nP 1 2 3 4 5 6 7 8 9 10 11\nP 1 2 3\n",
        "skipped",
        "11 values, where other results have 3",
        lines=(2,),
        readings=(1.0, 1.0),
    ),
    "a pattern that finds nothing": mine(
        ABOUT + "record = 'Q (?P<x>[0-9.]+)'\n",
        LOG,
        "refused",
        "2 lines and no result of a probe; its first line is 'P 1.5'",
    ),
    "a result without a value": mine(
        ABOUT + "record = 'P [0-9a-z.]+'\nfields = ['P (?P<x>[0-9.]+)']\n",
        "P 1.5\nP none\n",
        "skipped",
        "a result without a value",
        lines=(2,),
        readings=(1.5,),
    ),
    "a word for contact that is not in the pattern": mine(
        INVENTED,
        ">> hit 1 X- at 10.001 mm OK\n>> hit 2 X- at 10.002 mm PERHAPS\n",
        "skipped",
        "the contact flag 'PERHAPS' is not understood",
        lines=(2,),
        readings=(-10.001,),
        answers={"direction": None, "units": None},
    ),
    "a flag that some results lack": Case(
        '{"prb":{"e":1,"x":1.0,"y":2.0,"z":-8.417}}\n{"prb":{"x":1.0,"y":2.0,"z":-8.418}}\n',
        "skipped",
        "no contact flag, where other results have one",
        lines=(2,),
        readings=(8.417,),
        answers=DOWN,
    ),
    "a flag that all results lack": Case(
        '{"prb":{"x":1.0,"y":2.0,"z":-8.417}}\n{"prb":{"x":1.0,"y":2.0,"z":-8.418}}\n',
        "kept",
        readings=(8.417, 8.418),
        answers=DOWN,
    ),
    "a flag of words and of quoted numbers": Case(
        "".join(f'{{"prb":{{"e":{flag},"z":-8.4}}}}\n' for flag in ("true", '"1"', "false", '"0"', "0")),
        "skipped",
        "counted as a miss",
        lines=(3, 4, 5),
        readings=(8.4, 8.4),
        outcomes={"missed": 3},
        answers=DOWN,
    ),
    "a flag that is null": Case(
        '{"prb":{"e":1,"z":-8.4}}\n{"prb":{"e":null,"z":-8.4}}\n',
        "skipped",
        "the contact flag 'null'",
        lines=(2,),
        readings=(8.4,),
        answers=DOWN,
    ),
    "json with an axis left out": Case(
        '{"prb":{"e":1,"z":-8.417}}\n{"prb":{"e":1,"z":-8.418}}\n',
        "kept",
        readings=(8.417, 8.418),
        answers=DOWN,
    ),
    "json without the axis of the approach": Case(
        '{"prb":{"e":1,"z":-8.417}}\n{"prb":{"e":1,"y":1.0}}\n',
        "refused",
        "a trigger without a value",
        2,
        answers=DOWN,
    ),
    "json within an answer, in another order": Case(
        '{"r":{"prb":{"z":-8.418,"y":2,"x":1,"e":1}},"f":[1,0,9]}\n', "kept", readings=(8.418,), answers=DOWN
    ),
    "json with names without quotes": Case(
        "{prb:{e:1,x:1.0,y:2.0,z:-8.417}}\n", "kept", readings=(8.417,), answers=DOWN
    ),
    "json with numbers in quotes": Case(
        '{"prb":{"e":1,"x":"1.0","y":"2.0","z":"-8.417"}}\n', "kept", readings=(8.417,), answers=DOWN
    ),
    "two json results in a line": Case(
        2 * '{"prb":{"e":1,"x":1.0,"y":2.0,"z":-8.417}}' + "\n",
        "kept",
        readings=(8.417, 8.417),
        touched=(1, 1),
        answers=DOWN,
    ),
    "a tag with the signs of an expression": Case(
        GOOD.replace("PRB", "P.*(R+"), "kept", readings=(5.001, 5.002), answers=DOWN | {"tag": "P.*(R+"}
    ),
    "a tag is no expression": Case(
        GOOD, "refused", "expected results under the tag P.*", 1, option="tag", answers=DOWN | {"tag": "P.*"}
    ),
    "a tag with braces and a backslash": Case(
        GOOD.replace("PRB", "{tag}\\E"), "kept", readings=(5.001, 5.002), answers=DOWN | {"tag": "{tag}\\E"}
    ),
    "a tag in another script": Case(
        GOOD.replace("PRB", "ЩУП"), "kept", readings=(5.001, 5.002), answers=DOWN | {"tag": "ЩУП"}
    ),
}

NESTED = "(?P<x>(?:a+)+$)"
COUNTED = "(?P<x>(?:[0-9a-z]{1,30}.{1,30}[0-9a-z]{1,30}){1,4}!)"
HOSTILE = {
    "nested repeats": (NESTED, 400 * (19_000 * "a" + "!\n")),
    "counted repeats": (COUNTED, 400 * (19_000 * "1" + "\n")),
    "many states at once": (r"(?P<x>[0-9]{1,1000}.{1,900})x", 400 * (19_000 * "1" + "\n")),
    "alternatives that overlap": ("(?P<x>(?:a|aa|a.)*b)", 400 * (19_000 * "a" + "\n")),
}

FAULTS = {
    "no closing bracket": ("record = '(?P<x>[0-9]'", 2, "which can't be read (missing )"),
    "a look-behind": ("record = '(?<=P)(?P<x>[0-9]+)'", 2, "which can't be read"),
    "a back-reference": (r"record = '(?P<x>[0-9]+)\1'", 2, "which can't be read"),
    "counted repeats of counted repeats": (
        "record = '(?P<x>(?:[0-9]{1,1000}){1,1000})'",
        2,
        "invalid repetition size",
    ),
    "too large a repeat": ("record = '(?P<x>[0-9]{1,100000})'", 2, "invalid repetition size"),
    "halves of characters": (r"record = '(?P<x>\C)'", 2, "cuts characters in two"),
    "an unknown group": (
        "record = '(?P<foo>[0-9]+)'",
        2,
        "the group 'foo', expected groups named a, azimuth",
    ),
    "a group without a name": ("record = '(a|b)(?P<x>[0-9.]+)'", 2, "a group without a name"),
    "a group without a name in an event": (
        "record = '(?P<x>[0-9]+)'\n[[events]]\nkind = 'miss'\nfind = '(a)b'",
        3,
        "a group without a name",
    ),
    "a group twice": (
        "record = 'P (?P<x>[0-9]+)'\nfields = ['(?P<x>[0-9]+)']",
        None,
        "the group 'x' in two expressions",
    ),
    "no group for a value": ("record = 'P (?P<touch>[0-9]+)'", None, "no group for a value"),
    "no group at all": ("record = '[0-9]+'", None, "no group for a value"),
    "an expression that finds nothing": (
        "record = ''\nfields = ['(?P<x>[0-9]+)']",
        2,
        "finds an empty line too",
    ),
    "an expression that finds an empty line": ("record = '(?P<x>[0-9]*)'", 2, "finds an empty line too"),
    "too long an expression": (
        f"record = '(?P<x>[0-9]+){1000 * 'a'}'",
        2,
        "an expression of 1013 characters",
    ),
    "a number for an expression": ("record = 5", 2, "5, expected text in quotes"),
    "no expression": ("tag = 'PRB'", None, "no key 'record'"),
    "an unknown key": ("record = '(?P<x>[0-9]+)'\ncolour = 'red'", 3, "the unknown key 'colour'"),
    "an unknown kind of event": (
        "record = '(?P<x>[0-9]+)'\n[[events]]\nkind = 'party'\nfind = 'a'",
        3,
        "'party', expected 'command'",
    ),
    "an unknown include": (
        "record = '(?P<x>[0-9]+)'\ninclude = ['../../secret']",
        None,
        "include '../../secret', expected one of console",
    ),
    "an unknown decimal sign": ("record = '(?P<x>[0-9]+)'\ndecimal = ';'", 3, "';', expected '.' or ','"),
    "no TOML": ("record = (?P<x>[0-9]+)", 2, "no valid TOML"),
}


@parametrize(USED)
def test_a_pattern_in_use(case: Case, tmp_path: Path) -> None:
    check(case, tmp_path)


@pytest.mark.parametrize(("find", "log"), HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_pattern_ends_soon(find: str, log: str, tmp_path: Path) -> None:
    start = time.process_time()
    with pytest.raises(ImportDataError, match=r"no result of a probe|a pattern that takes"):
        read(mine(ABOUT + f"record = '{find}'\n", log, "refused"), tmp_path)
    assert time.process_time() - start < 15


@pytest.mark.parametrize(("text", "line", "words"), FAULTS.values(), ids=FAULTS.keys())
def test_a_pattern_with_a_fault(text: str, line: int | None, words: str, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(ABOUT + text + "\n", encoding="utf-8")
    with pytest.raises(ImportDataError) as caught:
        read_pattern(path)
    faults = [(fault.line, f"{fault.found}, expected {fault.expected}") for fault in caught.value.faults]
    assert any(at == line and words in fault for at, fault in faults), faults


def test_the_name_of_a_pattern_of_ones_own_is_that_of_its_shape(tmp_path: Path) -> None:
    assert read(USED["units that the pattern states"], tmp_path).shape == "mine"
