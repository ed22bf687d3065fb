"""The table of errors to expect in the acceptance report, and the result that it rests on."""

from __future__ import annotations

import json
import random
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sample_probes import make_test

from probetest.importers import import_log
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import EXAMPLE_DRAWS, EXAMPLE_TRIALS, expect, work_features
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import plain_json, result_to_dict, result_to_json
from probetest.limits import Limits
from probetest.mill import MillSettings, read_mill
from probetest.report.blocks import Note, Table
from probetest.report.expected import expected_table
from probetest.resources import bundled
from probetest.simulate import Mill, Plan, Probe, simulate_turned
from probetest.triggers import Artefact

ROWS = {
    "edge touched X+": 1, "edge touched Y+": 1, "web or pocket centre X": 1, "pocket width X": 1,
    "bore or boss centre, 4 touches": 2, "bore diameter, 4 touches": 1, "corner": 2, "height": 1,
}  # fmt: skip


def mill(**others: object) -> MillSettings:
    stated = read_mill(bundled("data") / "machine.toml").model_dump()
    return MillSettings.model_validate({**stated, **others})


@cache
def turned() -> Qualification:
    """The demo probe that was tested at several orientations."""
    (triggers,) = import_log(bundled("data") / "demo" / "SK1-008.csv").tests
    return qualify(triggers, Limits())


@cache
def single(directions: int = 24, calibrated: bool = True) -> Qualification:
    artefact = Artefact(kind="ring", diameter_mm=25.0, u_mm=0.0006 if calibrated else None)
    return qualify(
        make_test(Probe(), Mill(step_mm=0.001), Plan(directions=directions, repeats=5), artefact=artefact),
        Limits(),
    )


# ---- the table


@pytest.mark.parametrize("make", [turned, single])
def test_cells_are_those_of_the_command_on_the_example_mill(make) -> None:
    table = expected_table(make())
    assert isinstance(table, Table)
    assert [column.title for column in table.columns] == [
        "Set by", "95 % within, µm", "What makes it", "What cancels", "Careful, µm",
    ]  # fmt: skip
    assert [row[0] for row in table.rows] == list(ROWS)
    earlier = EarlierResult.model_validate_json(result_to_json(make()))
    careful = mill(calibration="per_direction", return_one_way=True)
    for place, shop in ((1, mill()), (4, careful)):
        features = [feature for feature in work_features(shop.circle_touches) if feature.name in ROWS]
        found = {one.feature: one for one in expect(earlier, shop, features, habits=False).features}
        for row in table.rows:
            one = found[row[0]]
            # 4000 settings here, 20000 there: 4 standard errors, the last place; 50 curves, not 200.
            room = 4 * np.hypot(one.error95_se_mm, one.error95_se_mm * np.sqrt(one.trials / EXAMPLE_TRIALS))
            assert row[place].startswith("± ")
            assert float(row[place][2:]) / 1000 == pytest.approx(
                one.error95_mm, abs=room + 6e-5 + 0.02 * one.error95_mm
            )


@pytest.mark.parametrize("make", [turned, single])
def test_causes_are_the_largest_with_their_shares(make) -> None:
    earlier = EarlierResult.model_validate_json(result_to_json(make()))
    found = {one.feature: one.form for one in expect(
        earlier, mill(), habits=False, trials=1000, draws=EXAMPLE_DRAWS
    ).features}  # fmt: skip
    for feature, _, causes, cancels, _ in expected_table(make()).rows:
        form, shown = found[feature], [part.rsplit(" ", 2) for part in causes.split(", ")]
        assert 1 <= len(shown) <= 2
        for (name, share, sign), expected in zip(shown, form.adding, strict=False):
            assert (name, sign) == (expected, "%")
            assert float(share) / 100 == pytest.approx(
                next(c.share for c in form.causes if c.name == name), abs=0.0051
            )
        assert cancels == (", ".join(form.cancelling) or "nothing")


def test_careful_habits_pay_where_they_can() -> None:
    rows = {row[0]: row for row in expected_table(turned()).rows}
    for feature in ("edge touched X+", "web or pocket centre X", "bore or boss centre, 4 touches", "corner"):
        assert float(rows[feature][4][2:]) < 0.7 * float(rows[feature][1][2:])


def test_note_says_what_the_figures_rest_on() -> None:
    note = expected_table(turned()).note
    for words in (
        "Mill: reversal value 25 and 25 µm, readout 1 µm, spindle at its mark within 1° (sd)",
        "common practice for a small mill (no source)",
        "calibrated by 4 directions",
        "Careful: each direction calibrated at the mark",
        f"{EXAMPLE_TRIALS} random settings",
        "of a centre and a corner the length",
        "probetest expect",
        "Lobing is that of the probe alone",
        "Run-out 25.0 µm as stated",
        "Left out:",
    ):
        assert words in note
    assert "Lobing is that of the probe and the machine of the test together" in expected_table(single()).note


def test_mean_that_is_not_known_is_said() -> None:
    assert "The mean pre-travel was not measured" in expected_table(single(calibrated=False)).note


def test_demo_without_a_calibrated_ring_has_a_table() -> None:
    (triggers,) = import_log(bundled("data") / "demo" / "SK2-006.csv").tests
    assert isinstance(expected_table(qualify(triggers, Limits())), Table)


@pytest.mark.parametrize("directions", [3, 5, 6, 11])
def test_without_a_curve_a_note_says_why(directions: int) -> None:
    note = expected_table(single(directions))
    assert isinstance(note, Note)
    assert note.kind == "info"
    assert "takes 12 directions or more" in note.text
    assert note.text.endswith(".")
    assert not note.text.endswith("..")


@pytest.mark.parametrize("serial", ["[bold]<b>#panic()$x$", "\x1b[2J\x07", "=1+1", "x" * 200])
def test_strange_serial_is_only_shown(serial: str) -> None:
    few = single(5)
    found = replace(few, record=few.record.model_copy(update={"serial": serial}))
    note = expected_table(found)
    assert isinstance(note, Note)
    assert serial in note.payload()["text"]


def test_same_log_gives_the_same_table() -> None:
    assert expected_table(single()) == expected_table(single())


def test_table_costs_less_than_half_a_second() -> None:
    def once() -> float:
        start = time.process_time()
        expected_table(turned())
        return time.process_time() - start

    assert min(once() for _ in range(3)) < 0.5


# ---- the result with its curve


def largest() -> Qualification:
    run = simulate_turned(
        Probe(runout_mm=(0.01, 0.0)), Mill(reversal_mm=(0.025, 0.025), step_mm=0.001), Plan(repeats=10),
        (0.0, 30.0, 90.0, 210.0), rng=np.random.default_rng(1),
    )  # fmt: skip
    return qualify(replace(make_test(), frame=run.frame), Limits())


def test_result_of_24_directions_stays_below_200_kb() -> None:
    for found in (single(), turned(), largest()):
        assert 50_000 < len(result_to_json(found)) < 200_000


PLACES = {"azimuth_deg", "curve_mm", "curve_u_mm", "modes_mm"}


def test_curve_stands_as_a_whole_in_one_place_of_the_result() -> None:
    one, several = result_to_dict(single()), result_to_dict(turned())
    assert one["separation"] is None
    whole, mixed, own = (
        one["pretravel"]["curve"],
        several["pretravel"]["curve"],
        several["separation"]["probe"],
    )
    for curve in (whole, own):
        assert set(curve) >= PLACES
        assert len(curve["modes_mm"]) >= 1
    assert not PLACES & set(mixed)
    for curve in (whole, mixed):
        assert curve["directions"] == 24
        assert curve["lower_mm"] <= curve["variation_mm"] <= curve["upper_mm"]
        assert curve["dof"] > 0
        assert [wave["order"] for wave in curve["waves"]] == [wave["order"] for wave in own["waves"]]
    few = result_to_dict(single(5))["pretravel"]
    assert few["curve"] is None
    assert len(few["curve_reason"]) > 10


STRINGS = [
    "a [1, 2, 3] b", "[\n  1,\n  2\n]", '"[\n 1]"', "[\n1.5", "\\[\n 7]\\", "]\n[", "[\u2028 1]", "{[ 4 ]}",
    "", "-1", "\x1b[2J", "Fräse ±",
]  # fmt: skip
STRANGE = {
    "numbers": [1, -2.5, 1e-7, 0],
    "empty": [],
    "texts": STRINGS,
    "mixed": [1, "[\n 2]", None, True],
    "null within": [1.5, None, 2.5],
    "lists": [[1, 2], [], [-3, 4.5], ["a"], [[5]]],
    "tables": [{"a": [1, 2], "[\n 1]": [3]}, {}],
    "[\n    1,\n    2\n  ]": "[\n    1\n]",
}


def test_plain_json_holds_what_json_holds() -> None:
    assert json.loads(plain_json(STRANGE)) == STRANGE
    for text in STRINGS:
        assert json.loads(plain_json({text: text, "list": [text, 1]})) == {text: text, "list": [text, 1]}


def test_plain_json_of_anything_holds_what_json_holds() -> None:
    chance = random.Random(4)

    def anything(depth: int):
        kind = chance.randrange(6 if depth else 4)
        if kind == 0:
            return chance.choice(STRINGS)
        if kind == 1:
            return chance.choice([None, True, False])
        if kind in (2, 3):
            return chance.choice([chance.gauss(0, 1), chance.randrange(-9, 9), 1e300, -0.0])
        parts = [anything(depth - 1) for _ in range(chance.randrange(4))]
        return parts if kind == 4 else {chance.choice(STRINGS): part for part in parts}

    for _ in range(500):
        found = {"a": anything(4)}
        assert json.loads(plain_json(found)) == json.loads(json.dumps(found))


def test_lists_of_numbers_stand_on_one_line() -> None:
    lines = plain_json(STRANGE).decode("utf-8").splitlines()
    assert '  "numbers": [ 1, -2.5, 1e-07, 0 ],' in lines
    assert '  "null within": [ 1.5, null, 2.5 ],' in lines
    assert "    [ 1, 2 ]," in lines
    text = plain_json(result_to_dict(single())).decode("utf-8")
    curve = result_to_dict(single())["pretravel"]["curve"]
    assert text.count("\n") < 3000
    assert sum(line.count(",") > 300 for line in text.splitlines()) == 3 + len(curve["modes_mm"])


def test_plain_json_refuses_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="Out of range"):
        plain_json({"a": [float("nan")]})


def test_written_result_reads_back_with_its_curve(tmp_path: Path) -> None:
    earlier = EarlierResult.model_validate_json(result_to_json(turned()))
    shape, stated = earlier.own, turned().separated.known.probe
    assert shape.curve_mm == pytest.approx(stated.mean_mm, abs=1e-12)
    assert np.array(shape.modes_mm) == pytest.approx(stated.modes_mm(), abs=1e-7)
