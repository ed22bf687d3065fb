"""Field reports are read with every fault named, and ship or wait follows from published bounds."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from sample_production import invented
from scipy import stats

from probetest.errors import FieldError
from probetest.jobs.advising import misses_upper
from probetest.jobs.earlier import EarlierSeries
from probetest.jobs.ramping import (
    COLUMNS,
    Ramp,
    Report,
    field_of_reports,
    field_of_tests,
    make_ramp,
    ramp_to_dict,
    read_field,
)
from probetest.jobs.result import plain_json
from probetest.margins import Margins
from probetest.report import ramp_page
from probetest.resources import bundled
from probetest.statistics.ramp import Field

MARGINS = Margins()


def field(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "field.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# ---- the table


def test_table_of_the_demo() -> None:
    reports = read_field(bundled("data") / "field.csv")
    assert len(reports) == 12
    assert reports[1] == Report("SK3-002", 8100, 3, 480.0, True, cause_removed=False)
    told = field_of_reports(reports)
    assert (told.units_shipped, told.units_with_fault, told.misses, told.field_faults) == (12, 1, 3, 1)
    assert told.touches == sum(one.touches for one in reports)


def test_lines_of_one_serial_are_added_up(tmp_path: Path) -> None:
    text = "serial,touches,misses,hours,fault\nA,100,1,2.5,no\nB,5,0,1,no\nA,50,2,1.5,yes\n"
    assert read_field(field(tmp_path, text)) == (
        Report("A", 150, 3, 4.0, True),
        Report("B", 5, 0, 1.0, False),
    )


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffserial,touches,misses\nA,100,1\n",
        "# a comment, with a comma\nserial,touches,misses\n# another\nA,100,1\n\n",
        "serial,touches,misses\r\nA,100,1\r\n",
        "Serial , TOUCHES,misses\n A , 100 ,1\n",
        '"serial","touches","misses"\n"A","100","1"',
        "misses,serial,touches\n1,A,100\n",
        "serial,touches,misses,hours,fault\nA,100,1,,\n",
        "serial,touches,misses,fault\nA,100,1,NO\n",
        'serial,touches,misses,remark\nA,100,1,"worn; see log, page 2\nand 3"\n',
        "serial,touches,misses,remark\nA,100,1,\n",
        "serial;touches;misses\nA;100;1\n",
        "\ufeffSerial ; TOUCHES;misses\r\n A ; 100 ;1\r\n",
        '"serial";"touches";"misses"\n"A";"100";"1"',
        "# a comment, with a comma;;\nserial;touches;misses\n# another;;\nA;100;1\n\n",
        'serial;touches;misses;remark\nA;100;1;"worn; see log, page 2"\n',
        "serial;touches;misses;hours;fault;cause_removed;remark\nA;100;1;;;;a, b\n",
        "# 1; 2\nserial,touches,misses,remark\nA,100,1,worn; replaced\n",
    ],
)
def test_good_tables(text: str, tmp_path: Path) -> None:
    assert read_field(field(tmp_path, text)) == (Report("A", 100, 1, 0.0, False),)


@pytest.mark.parametrize("word", ["yes", "Y", "1", "true"])
def test_words_for_a_fault(word: str, tmp_path: Path) -> None:
    assert read_field(field(tmp_path, f"serial,fault\nA,{word}\n"))[0].fault


@pytest.mark.parametrize(
    ("cell", "hours"),
    [("310,5", 310.5), ("310.5", 310.5), ("310", 310.0), ("1,234", 1.234), ("0,125", 0.125), ("0.125", 0.125),
     ("1234,5", 1234.5), ("1234.5", 1234.5), ("", 0.0)],
)  # fmt: skip
def test_hours_between_semicolons_may_have_a_decimal_comma(cell: str, hours: float, tmp_path: Path) -> None:
    (one,) = read_field(field(tmp_path, f"serial;hours\nA;{cell}\n"))
    assert one.hours == pytest.approx(hours, rel=1e-12)


def test_table_with_semicolons_says_what_one_with_commas_says(tmp_path: Path) -> None:
    text = (bundled("data") / "field.csv").read_text("utf-8")
    comment, _, rest = text.partition("\n")
    assert rest.count(";") == 1
    other = rest.replace("; cause", " - cause").replace(",", ";").replace(";480;", ";480,0;")
    assert read_field(field(tmp_path, f"{comment}\n{other}")) == read_field(bundled("data") / "field.csv")


@pytest.mark.parametrize(
    ("lines", "fault", "removed"),
    [
        ("A,yes,yes\n", True, True),
        ("A,yes,Y\nA,yes,1\n", True, True),
        ("A,yes,yes\nA,no,\n", True, True),
        ("A,no,no\nA,yes,yes\n", True, True),
        ("A,yes,\n", True, False),
        ("A,yes,no\n", True, False),
        ("A,yes,yes\nA,yes,\n", True, False),
        ("A,yes,no\nA,yes,yes\n", True, False),
        ("A,no,\n", False, False),
        ("A,,\n", False, False),
    ],
)
def test_cause_is_removed_if_all_lines_with_a_fault_say_so(
    lines: str, fault: bool, removed: bool, tmp_path: Path
) -> None:
    other = "B,yes,yes\nC,yes,no\n"
    first, *rest = read_field(field(tmp_path, f"serial,fault,cause_removed\n{lines}{other}"))
    assert first == Report("A", 0, 0, 0.0, fault, removed)
    assert [one.cause_removed for one in rest] == [True, False]


def test_other_column_is_refused_and_all_allowed_ones_are_named(tmp_path: Path) -> None:
    for text in ("serial,colour\nA,red\n", "serial;remark;colour\nA;;red\n", "serial;touches,misses\nA;1\n"):
        with pytest.raises(FieldError) as told:
            read_field(field(tmp_path, text))
        for name in ("serial", "touches", "misses", "hours", "fault", "cause_removed", "remark"):
            assert name in str(told.value).partition("expected")[2]


def test_serial_is_kept_as_it_stands(tmp_path: Path) -> None:
    serials = ["=1+1", "@SUM(A1)", "\x1b[2J", "Ж", "a" * 200]
    text = "serial,touches\n" + "".join(f"{serial},1\n" for serial in serials)
    assert [one.serial for one in read_field(field(tmp_path, text))] == serials


HEAD = "serial,touches,misses,hours,fault\n"


@pytest.mark.parametrize(
    ("text", "places"),
    [
        (HEAD + "A,-1,0,0,no\n", ["line 2, column touches: found '-1'"]),
        (HEAD + "A,10,-1,0,no\n", ["line 2, column misses: found '-1'"]),
        (HEAD + "A,10,0,-2,no\n", ["line 2, column hours: found '-2'"]),
        (HEAD + "A,ten,0,0,no\n", ["line 2, column touches: found 'ten'"]),
        (HEAD + "A,1.5,0,0,no\n", ["line 2, column touches: found '1.5'"]),
        (HEAD + "A,1e3,0,0,no\n", ["line 2, column touches: found '1e3'"]),
        (HEAD + "A,１２,0,0,no\n", ["line 2, column touches: found '１２'"]),
        (HEAD + "A,99999999999,0,0,no\n", ["line 2, column touches"]),
        (HEAD + "A,10,0,nan,no\n", ["line 2, column hours: found 'nan'"]),
        (HEAD + "A,10,0,inf,no\n", ["line 2, column hours: found 'inf'"]),
        (HEAD + "A,10,0,1_0,no\n", ["line 2, column hours: found '1_0'"]),
        (HEAD + "A,10,0,１０,no\n", ["line 2, column hours: found '１０'"]),
        (HEAD + "A,=1+1,0,0,no\n", ["line 2, column touches: found '=1+1'"]),
        (HEAD + "A,10,0,0,perhaps\n", ["line 2, column fault: found 'perhaps'"]),
        (HEAD + "A,10,11,0,no\n", ["line 2: found 11 misses of 10 touches"]),
        ("serial,misses\nA,1\n", ["line 2: found 1 misses of 0 touches"]),
        (HEAD + ",10,0,0,no\n", ["line 2, column serial: found ''"]),
        (HEAD + "a" * 201 + ",10,0,0,no\n", ["line 2, column serial"]),
        (HEAD + "A,10,0,0\n", ["line 2: found 4 cells"]),
        (HEAD + "A,10,0,0,no,more\n", ["line 2: found 6 cells"]),
        ("touches,misses\n1,0\n", ["line 1: found the columns 'touches, misses'"]),
        ("# only\n\nserial,colour\nA,red\n", ["line 3: found the columns 'serial, colour'"]),
        ("serial,touches,touches\nA,1,2\n", ["line 1: found the columns", "each once"]),
        ("serial;touches;touches\nA;1;2\n", ["line 1: found the columns 'serial, touches, touches'"]),
        ("serial;hours\nA;1.234\n", ["line 2, column hours: found '1.234'", "point for thousands"]),
        ("serial;hours\nA;1.234,5\n", ["line 2, column hours: found '1.234,5'"]),
        ("serial;hours\nA;1,234,5\n", ["line 2, column hours: found '1,234,5'"]),
        ("serial;hours\nA;-1,5\n", ["line 2, column hours: found '-1,5'"]),
        ("serial;touches\nA;1,5\n", ["line 2, column touches: found '1,5'"]),
        ("serial;touches\nA;8.100\n", ["line 2, column touches: found '8.100'"]),
        ("serial;touches\nA,1\n", ["line 2: found 1 cells"]),
        ("serial,hours\nA,310,5\n", ["line 2: found 3 cells"]),
        ('serial,hours\nA,"310,5"\n', ["line 2, column hours: found '310,5'"]),
        ("serial,fault,cause_removed\nA,yes,perhaps\n", ["line 2, column cause_removed: found 'perhaps'"]),
        ("serial,fault,cause_removed\nA,no,yes\n", ["line 2, column cause_removed: found a removed cause"]),
        ("", ["line 1: found the columns ''"]),
        ("# nothing\n", ["line 1: found the columns ''"]),
        (HEAD + "A,1,0,0,no\n" + "x" * 200_000 + ",1,0,0,no\n", ["line 3: found no table"]),
        ('serial,touches\n"A\nB",1\nC,x\n', ["line 4, column touches: found 'x'"]),
        (b"serial\n\xff\xfe\n", ["no readable text"]),
        (b"\x89PNG\r\n\x1a\n\0\0", ["no readable text"]),
        (b"PK\x03\x04\0\0\0\0", ["line 1: found the columns"]),
    ],
)  # fmt: skip
def test_each_fault_is_named_with_its_place(text: str | bytes, places: list[str], tmp_path: Path) -> None:
    with pytest.raises(FieldError) as told:
        read_field(field(tmp_path, text))
    message = str(told.value)
    assert "field.csv" in message
    for place in places:
        assert place in message
    assert message.isprintable() or "\n" in message
    assert "\x1b" not in message


def test_all_faults_of_a_table_are_counted_and_none_twice(tmp_path: Path) -> None:
    text = HEAD + "A,x,1,0,no\nB,10,y,z,no\nC,10,0,0,no\nD,1,2,0,no\n"
    with pytest.raises(FieldError) as told:
        read_field(field(tmp_path, text))
    message = str(told.value)
    for place in ("line 2, column touches", "line 3, column misses", "line 3, column hours", "line 5"):
        assert place in message
    # Misses can't be held against touches that could not be read.
    assert "line 2: found 1 misses" not in message


@pytest.mark.parametrize("place", ["none.csv", ".", "/dev/zero"])
def test_what_is_no_file_is_told(place: str, tmp_path: Path) -> None:
    with pytest.raises(FieldError, match="no plain file of a usual size"):
        read_field(tmp_path / place)


def test_table_of_a_usual_size_only(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(50_000_001)
    with pytest.raises(FieldError, match="no plain file of a usual size"):
        read_field(path)


# ---- what is proven, against published values


def test_rule_of_three_and_exact_bound_of_no_fault() -> None:
    ramp = make_ramp(Field(100, 0), "field reports", MARGINS)
    assert ramp.known is not None
    # Rule of three: 3 / n (J. A. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743, from memory).
    assert ramp.known.rule_of_three == pytest.approx(0.03)
    # Closed form without an event: 1 - 0.05 ** (1 / n).
    assert ramp.known.faulty_units.upper == pytest.approx(1 - 0.05**0.01)


@pytest.mark.parametrize(("units", "faulty"), [(20, 1), (12, 1), (50, 3), (7, 7)])
def test_bounds_of_clopper_and_pearson(units: int, faulty: int) -> None:
    known = make_ramp(Field(units, faulty), "field reports", MARGINS).known
    assert known is not None
    exact = stats.binomtest(faulty, units).proportion_ci(0.95, "exact")
    assert (known.faulty_units.interval.lower, known.faulty_units.interval.upper) == pytest.approx(
        (exact.low, exact.high)
    )
    one_sided = stats.binomtest(faulty, units, alternative="less").proportion_ci(0.95, "exact")
    assert known.faulty_units.upper == pytest.approx(one_sided.high)


def test_bounds_of_garwood() -> None:
    # Garwood (1936): 0 events give 3.689, 1 event 0.0253 to 5.572, 10 events 4.795 to 18.39 (two-sided 95 %).
    for events, lower, upper in ((1, 0.0253, 5.572), (10, 4.795, 18.39)):
        units = 20
        told = Field(units, events, field_hours=1000.0, field_faults=events)
        known = make_ramp(told, "field reports", MARGINS).known
        assert known is not None
        assert known.field_faults is not None
        assert known.field_faults.interval.lower == pytest.approx(lower, abs=5e-4)
        assert known.field_faults.interval.upper == pytest.approx(upper, abs=5e-3)
        assert known.field_faults.upper == pytest.approx(stats.chi2.ppf(0.95, 2 * events + 2) / 2)


# ---- ship or wait


def reasons(ramp: Ramp) -> dict[str, tuple[float, float, bool]]:
    return {one.name: (one.value, one.limit, one.kept) for one in ramp.advice.reasons}


def test_no_fault_ships_and_a_fault_more_than_can_be_repaired_waits() -> None:
    ship = make_ramp(Field(20, 0), "field reports", MARGINS)
    assert (ship.advice.action, ship.advice.batch) == ("ship", 11)
    assert ramp_page.banner(ship).payload()["word"] == "ship 11"
    assert make_ramp(Field(20, 1), "field reports", MARGINS).advice.action == "ship"
    wait = make_ramp(Field(20, 2), "field reports", MARGINS)
    assert (wait.advice.action, wait.advice.batch) == ("wait", 0)
    page = ramp_page.banner(wait).payload()
    assert page["word"] == "wait"
    assert "units with a fault: 2, more than 1" in ramp_page.sentence(wait)


def test_what_the_shop_can_repair_acts() -> None:
    assert make_ramp(Field(20, 2), "field reports", Margins(can_repair=2)).advice.action == "ship"
    batches = [
        make_ramp(Field(20, 0), "field reports", Margins(can_repair=count)).advice.batch
        for count in (1, 2, 4)
    ]
    assert batches == sorted(set(batches))


def test_limit_on_misses_acts_by_its_upper_bound() -> None:
    told = Field(10, 0, touches=10_000, misses=3)
    upper = float(stats.beta.ppf(0.95, 4, 9997)) * 1000
    for limit, action in ((upper + 0.01, "ship"), (upper - 0.01, "wait")):
        ramp = make_ramp(told, "field reports", Margins(max_misses_per_1000=limit))
        assert ramp.advice.action == action
    assert "misses per 1000 touches" in ramp_page.sentence(ramp)


def test_limit_on_faults_by_the_hour_acts() -> None:
    told = Field(10, 1, field_hours=1000.0, field_faults=1)
    # Upper bound of one event, one-sided 95 %: 4.744 (Garwood 1936).
    for limit, action in ((4.75, "ship"), (4.74, "wait")):
        ramp = make_ramp(told, "field reports", Margins(max_faults_per_1000_h=limit))
        assert ramp.advice.action == action


def test_limit_on_misses_is_held_only_against_what_was_reported() -> None:
    silent = make_ramp(Field(10, 0), "field reports", Margins(max_misses_per_1000=5.0))
    assert silent.advice.action == "ship"
    assert not any(name.startswith("misses") for name in reasons(silent))
    facts = dict(ramp_page.proven_facts(silent).rows)
    assert "nothing reported" in facts["Misses per 1000 touches"]
    # Hours are a limit that somebody set: without any it is not shown to be kept, and that is said.
    ramp = make_ramp(Field(10, 0), "field reports", Margins(max_faults_per_1000_h=2.0))
    assert ramp.advice.action == "wait"
    assert "faults per 1000 h: nothing reported" in ramp_page.sentence(ramp)
    plain = json.loads(plain_json(ramp_to_dict(ramp)))
    (reason,) = [one for one in plain["advice"]["reasons"] if one["name"].startswith("faults")]
    assert reason == {"name": "faults per 1000 h", "value": None, "limit": 2.0, "kept": False}


def test_limit_on_misses_has_a_default() -> None:
    few, many = (Field(10, 0, touches=20_000, misses=misses) for misses in (350, 390))
    for told in (few, many):
        upper = float(stats.beta.ppf(0.95, told.misses + 1, told.touches - told.misses)) * 1000
        ramp = make_ramp(told, "field reports", MARGINS)
        assert reasons(ramp)["misses per 1000 touches"] == (pytest.approx(upper), 20.0, upper <= 20)
        assert ramp.advice.action == ("ship" if upper <= 20 else "wait")
    assert make_ramp(many, "field reports", Margins(max_misses_per_1000=None)).advice.action == "ship"


def of_units(misses: Sequence[int], touches: int = 2000) -> Field:
    units = len(misses)
    return Field(
        units, 0, touches=units * touches, misses=sum(misses), misses_by_unit=tuple(misses),
        touches_by_unit=(touches,) * units,
    )  # fmt: skip


def test_misses_of_one_unit_are_no_misses_of_all() -> None:
    alone, spread = of_units([100] + [0] * 19), of_units([5] * 20)
    # Each touch by itself, both look the same: 100 of 40 000, at most 3 of 1000.
    plain = float(stats.beta.ppf(0.95, 101, 39_900)) * 1000
    assert plain < 3
    # By units the variance of the share is that of 20 units; the touches count for fewer by the ratio of the
    # binomial variance to it (Korn and Graubard 1998), here 399 of 40 000, and by the t of both.
    share = np.array([0.05] + [0.0] * 19)
    variance = share.var(ddof=1) / 20
    fewer = 0.0025 * 0.9975 / variance * (stats.t.ppf(0.05, 39_999) / stats.t.ppf(0.05, 19)) ** 2
    upper = float(stats.beta.ppf(0.95, 0.0025 * fewer + 1, 0.9975 * fewer)) * 1000
    assert misses_upper(alone) > 10
    assert misses_upper(alone) == pytest.approx(upper, rel=1e-6)
    # Units that do not differ: only the t of 19 is left.
    assert plain <= misses_upper(spread) == pytest.approx(plain, rel=0.02)
    five = Margins(max_misses_per_1000=5.0)
    ramp = make_ramp(alone, "field reports", five)
    assert ramp.advice.action == "wait"
    value, limit, kept = reasons(ramp)["misses per 1000 touches"]
    assert (value, limit, kept) == (misses_upper(alone), 5.0, False)
    assert make_ramp(spread, "field reports", five).advice.action == "ship"
    # Without counts of each unit they can't be told apart.
    assert misses_upper(Field(20, 0, touches=40_000, misses=100)) == pytest.approx(plain)
    assert misses_upper(Field(20, 0)) == float("inf")


def test_unit_that_misses_far_more_than_the_others_waits() -> None:
    # The bound is kept: the unit alone is the reason.
    ramp = make_ramp(of_units([100] + [0] * 19), "field reports", MARGINS)
    assert reasons(ramp)["misses per 1000 touches"][2]
    assert reasons(ramp)["units that miss more than the others"] == (1, 0, False)
    assert (ramp.advice.action, ramp.advice.batch) == ("wait", 0)
    assert "units that miss more than the others: 1, more than 0" in ramp_page.sentence(ramp)
    alike = make_ramp(of_units([3, 6, 5, 4, 7] * 4), "field reports", MARGINS)
    assert alike.advice.action == "ship"
    # Four units are too few to tell.
    four = make_ramp(of_units([30, 0, 0, 0]), "field reports", Margins(max_misses_per_1000=None))
    assert "units that miss more than the others" not in reasons(four)


@pytest.mark.parametrize(
    ("units", "faulty", "action"),
    [(1, 1, "wait"), (2, 1, "wait"), (4, 1, "wait"), (4, 0, "ship"), (5, 1, "ship"), (5, 2, "wait")],
)
def test_fault_among_the_first_few_waits(units: int, faulty: int, action: str) -> None:
    ramp = make_ramp(Field(units, faulty), "field reports", MARGINS)
    assert (ramp.advice.action, ramp.advice.batch > 0) == (action, action == "ship")
    told = "units with a fault among the first few" in ramp_page.sentence(ramp)
    assert told == (units < 5 and faulty > 0)


def test_count_of_faults_stops_a_start_only() -> None:
    # A start ends with 3 + 5 + 10 + 20 + 40 units.
    actions = {
        units: make_ramp(Field(units, 2), "field reports", MARGINS).advice.action for units in (78, 79, 1000)
    }
    assert actions == {78: "wait", 79: "ship", 1000: "ship"}
    large = make_ramp(Field(1000, 2), "field reports", MARGINS)
    assert "units with a fault" not in reasons(large)
    assert large.advice.most_faulty <= MARGINS.can_repair
    # Beta-binomial prediction (Jeffreys) of more than one fault in the batch: 5 % until one unit more.
    for batch, kept in ((large.advice.batch, True), (large.advice.batch + 1, False)):
        assert (stats.betabinom(batch, 2.5, 998.5).sf(1) <= 0.05) == kept


@pytest.mark.parametrize(
    ("units", "faulty", "removed", "action"),
    [(1, 1, 0, "wait"), (1, 1, 1, "ship"), (20, 2, 0, "wait"), (20, 2, 1, "ship"), (20, 2, 2, "ship"),
     (20, 4, 2, "wait")],
)  # fmt: skip
def test_removed_cause_is_proven_and_does_not_stop(
    units: int, faulty: int, removed: int, action: str
) -> None:
    ramp = make_ramp(Field(units, faulty), "field reports", MARGINS, removed=removed)
    assert ramp.advice.action == action
    assert ramp.removed == removed
    # What is proven of the units made so far keeps all faults.
    assert ramp.known == make_ramp(Field(units, faulty), "field reports", MARGINS).known
    assert json.loads(plain_json(ramp_to_dict(ramp)))["causes_removed"] == removed


def test_removed_causes_leave_the_batch_of_no_fault() -> None:
    mended = make_ramp(Field(20, 2), "field reports", MARGINS, removed=2).advice
    assert mended.batch == make_ramp(Field(20, 0), "field reports", MARGINS).advice.batch == 11
    told = Field(20, 2, field_hours=1000.0, field_faults=2)
    hours = Margins(max_faults_per_1000_h=4.0)
    # Garwood: none in 1000 h is at most 2.996, two are at most 6.296 (one-sided 95 %).
    assert reasons(make_ramp(told, "field reports", hours, removed=2))["faults per 1000 h"] == (
        pytest.approx(-np.log(0.05)), 4.0, True,
    )  # fmt: skip
    value, _, kept = reasons(make_ramp(told, "field reports", hours))["faults per 1000 h"]
    assert (value, kept) == (pytest.approx(stats.chi2.ppf(0.95, 6) / 2), False)


def test_nothing_known_is_said() -> None:
    ramp = make_ramp(Field(0, 0), "field reports", MARGINS)
    assert ramp.known is None
    assert "nothing is proven yet" in ramp_page.proven_facts(ramp).rows[0][1]
    assert (ramp.advice.action, ramp.advice.batch) == ("ship", 1)
    assert ramp_page.banner(ramp).payload()["word"] == "ship 1"
    plain = json.loads(plain_json(ramp_to_dict(ramp)))
    assert plain["faulty_units"] is None


def test_chances_and_bounds_of_the_next_batch() -> None:
    ramp = make_ramp(Field(20, 0), "field reports", MARGINS)
    for share, chance in ramp.chances:
        # Closed form: at least one of 11 units.
        assert chance == pytest.approx(1 - (1 - share) ** 11)
    for more, bound in ramp.bounds:
        assert bound == pytest.approx(1 - 0.05 ** (1 / (20 + more)))
    sizes = [more for more, _ in ramp.bounds]
    assert {11, 22} <= set(sizes)
    assert sizes == sorted(sizes)


def test_own_tests_count_the_last_verdict_of_each_unit() -> None:
    good, bad = {"verdict": "pass"}, {"verdict": "fail"}
    tests = [
        invented("A", day=0, stated=bad, failed=2),
        invented("B", day=1, stated=good),
        invented("A", day=2, stated=good),
        invented("B", day=3, stated=bad, failed=1),
        invented("C", day=4, stated={"verdict": "undecided"}),
    ]
    told = field_of_tests(tests)
    assert (told.units_shipped, told.units_with_fault) == (3, 1)
    assert (told.touches, told.misses) == (5 * 168, 3)
    assert (told.touches_by_unit, told.misses_by_unit) == ((336, 336, 168), (2, 1, 0))


def test_test_of_several_stages_overrules_no_test_of_one() -> None:
    good, bad = {"verdict": "pass"}, {"verdict": "fail"}
    series = tuple(
        EarlierSeries(stage=stage, orientation_deg=0.0, n=168, directions=24, sd_mm=0.0015, variation_mm=0.01)
        for stage in ("baseline", "after_overtravel")
    )
    staged = {**bad, "series": series}
    turned = {**bad, "series": (series[0], series[0].model_copy(update={"orientation_deg": 90.0}))}
    plain, rough = invented("A", day=0, stated=good), invented("A", day=1, stated=staged, failed=1)
    told = field_of_tests([plain, rough])
    assert (told.units_shipped, told.units_with_fault) == (1, 0)
    # Its touches and misses count all the same.
    assert (told.touches, told.misses) == (2 * 168, 1)
    # Several orientations of one stage are no stages.
    assert field_of_tests([plain, invented("A", day=1, stated=turned)]).units_with_fault == 1
    # A later test of one stage decides.
    assert field_of_tests([rough, invented("A", day=2, stated=good)]).units_with_fault == 0
    assert field_of_tests([plain, rough, invented("A", day=2, stated=bad)]).units_with_fault == 1
    # A unit that has no other test is judged by it: a shop that tests in stages only would else see no fault.
    alone = field_of_tests([rough])
    assert (alone.units_shipped, alone.units_with_fault) == (1, 1)


def test_unit_without_touches_is_a_unit_all_the_same() -> None:
    told = field_of_reports([Report("A", 0, 0, 10.0, False), Report("B", 100, 1, 0.0, True)])
    assert (told.units_shipped, told.touches_by_unit, told.misses_by_unit) == (2, (100,), (1,))
    assert told.field_faults == 1
    assert field_of_reports([Report("B", 100, 1, 0.0, True)]).field_faults == 0
    assert make_ramp(told, "field reports", MARGINS).known is not None
    assert COLUMNS[0] == "serial"


def test_a_production_with_many_faults_waits_however_long_it_is() -> None:
    ramp = make_ramp(Field(1000, 300), "field reports", Margins())
    assert ramp.advice.action == "wait"
    broken = [one for one in ramp.advice.reasons if not one.kept]
    assert [(one.name, one.value, one.limit) for one in broken] == [("units with a fault of ten", 3.0, 1)]
    assert make_ramp(Field(1000, 90), "field reports", Margins()).advice.action == "ship"
