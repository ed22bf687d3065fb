"""The page on the contacts: its numbers are those of the JSON, its words no more than the log can say."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from contact_logs import ONE, look, looked, off_deg, simulated
from report_hostile import HOSTILE, MARK

from probetest.jobs.contact_service import service_of
from probetest.jobs.contact_words import CAUTIONS, CLEAN, WORDS, advice, named, opens, sentence, whereabouts
from probetest.jobs.contacts import Contacts
from probetest.jobs.contacts_json import contacts_to_dict, service_to_dict
from probetest.report import contacts_page as page
from probetest.report.blocks import MIME, Block, Facts, Note, Picture, Table
from probetest.report.numbers import MINUS, UNKNOWN
from probetest.report.style import new_figure, report_style
from probetest.simulate_faults import ContactFault
from probetest.statistics.contact_evidence import Evidence
from probetest.statistics.contact_finding import Candidate, Finding
from probetest.statistics.intervals import Interval

EARLY, HEALTHY = ContactFault("early", 1, 0.2), ContactFault("healthy")
NUMBER = re.compile(rf"[+{MINUS}-]?\d+(?:\.\d+)?")
SCALE = {"mm": 1000.0, "touches": 1.0, "steps": 1.0}


@pytest.fixture(scope="module")
def early() -> Contacts:
    return looked(EARLY)


@pytest.fixture(scope="module")
def healthy() -> Contacts:
    return looked(HEALTHY, ONE)


@pytest.fixture(scope="module")
def nothing() -> Contacts:
    return look(simulated(HEALTHY, ONE, directions=6).frame)


def numbers(text: str) -> list[float]:
    return [float(found.replace(MINUS, "-")) for found in NUMBER.findall(text)]


def with_first(found: Contacts, kind: str, azimuth: float | None = None, **more) -> Contacts:
    first = Candidate(kind, azimuth, more.pop("confidence", None), more.pop("why", "a reason"))
    return replace(found, finding=Finding(first, (), found.finding.evidence, more.pop("more_touches", None)))


def html_of(block: Block) -> str:
    return block._repr_mimebundle_()["text/html"]


# ---- the finding in words


@pytest.mark.parametrize("kind", WORDS)
def test_a_finding_is_consistent_with_a_fault_and_never_is_one(kind: str, healthy: Contacts) -> None:
    said = sentence(with_first(healthy, kind, 123.4).finding)
    begins = {"healthy": "Healthy: ", "unknown": "Can't tell: "}.get(kind, "Consistent with ")
    assert said.startswith(begins)
    assert said.endswith(": a reason." if kind not in ("healthy", "unknown") else "a reason.")
    assert not re.search(r"\b(is|are) (faulty|defective|dirty|worn|broken|bad)\b", said)
    if kind not in ("healthy", "unknown"):
        assert "the arm at azimuth 123°" in said


def test_the_note_holds_what_the_json_says(early: Contacts, healthy: Contacts) -> None:
    for found, kind in ((early, "caution"), (healthy, "info")):
        note, plain = page.finding_note(found), contacts_to_dict(found)
        lines = note.text.split("\n")
        assert (note.kind, note.title) == (kind, "Finding")
        assert lines[0] == plain["sentence"]
        assert lines[1] == WORDS[plain["finding"]].meaning
        assert lines[2].endswith(f"(n = {plain['n']}).")
        if plain["finding"] == "healthy":
            assert lines[2].startswith("Confidence that no arm is off by more than 15 %: ")
            assert lines[3] == f"Not seen by this test: {'; '.join(plain['not_seen'])}."
        else:
            assert lines[2].startswith("Confidence in this pattern, not in its cause: ")
            assert lines[3] == whereabouts(found.finding)
        for line, one in zip(lines[4:], plain["alternatives"], strict=True):
            assert line.startswith(f"Also: {one['sentence']}")


def test_where_the_arm_is_is_told_as_a_person_must_count(early: Contacts, healthy: Contacts) -> None:
    """A suspect arm at 159 deg lifts when the stylus moves towards 339."""
    told = whereabouts(early.finding)
    arm = early.finding.first.arm_azimuth_deg
    assert arm is not None
    assert f"counter-clockwise (Y+ is 90°) to {arm:.0f}°" in told
    assert f"moves towards {(arm + 180) % 360:.0f}°" in told
    assert "look down from the spindle" in told
    assert whereabouts(healthy.finding) == ""


def test_no_confidence_no_line(nothing: Contacts) -> None:
    assert page.finding_note(nothing).text.split("\n") == [
        sentence(nothing.finding), WORDS["unknown"].meaning,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("share", "words"),
    [(1.0, "above 99.9 %"), (0.9991, "above 99.9 %"), (0.999, "99.9 %"), (0.9, "90 %"), (0.0123, "1.23 %")],
)
def test_confidence_is_never_a_plain_100_percent(share: float, words: str) -> None:
    assert page.confidence(share) == words


# ---- what to do


@pytest.mark.parametrize("kind", WORDS)
def test_cautions_stand_beside_each_advice_that_opens_a_probe(kind: str, healthy: Contacts) -> None:
    found = with_first(healthy, kind)
    note, steps = page.advice_note(found), advice(found.finding)
    assert opens(found.finding) or CLEAN not in steps
    if not steps:
        assert note is None
        return
    lines = note.text.split("\n")
    assert lines[: len(steps)] == [f"{place}. {step}" for place, step in enumerate(steps, start=1)]
    assert lines[len(steps) :] == ([CAUTIONS] if opens(found.finding) else [])
    assert note.kind == ("caution" if opens(found.finding) else "info")
    assert contacts_to_dict(found)["cautions"] == (CAUTIONS if opens(found.finding) else "")


def test_cautions_name_what_can_hurt() -> None:
    for word in ("spindle", "disconnect", "preloaded", "eye protection", "data sheet", "warranty", "manual"):
        assert word in CAUTIONS


def test_more_touches_are_advised_where_they_would_tell(healthy: Contacts) -> None:
    found = with_first(healthy, "unknown", more_touches=321)
    assert page.advice_note(found).text.endswith("About 330 more touches like these would probably tell.")
    assert "more touches" not in page.advice_note(with_first(healthy, "unknown")).text


# ---- the evidence


def test_the_table_holds_the_numbers_of_the_json(early: Contacts) -> None:
    table, plain = page.evidence_table(early), contacts_to_dict(early)
    assert len(table.rows) == len(plain["evidence"])
    for row, one in zip(table.rows, plain["evidence"], strict=True):
        name, arm, value, chance, n, shown = row
        assert name.lower().startswith(one["name"].lower())
        assert name.endswith(one["note"])
        assert arm == (UNKNOWN if one["arm_azimuth_deg"] is None else f"{one['arm_azimuth_deg']:.0f}°")
        mirrored = one["shown"] and one["arm_azimuth_deg"] != plain["arm_azimuth_deg"]
        assert shown == ("its mirror" if mirrored else "yes" if one["shown"] else "no")
        assert n == (str(one["n"]) if one["n"] else UNKNOWN)
        percent = "opening" in one["name"] or "machine" in one["name"] or "valid trigger" in one["name"]
        scale = 100.0 if percent else SCALE.get(one["unit"], 1.0)
        given = [one["value"], *([one["lower"], one["upper"]] if one["lower"] is not None else [])]
        assert numbers(value) == pytest.approx([scale * x for x in given], abs=0.0501)
        assert ("%" in value) is percent
        if one["p"] is None:
            assert chance == UNKNOWN
        elif one["p"] < 0.001:
            assert chance == "p < 0.001"
        else:
            assert numbers(chance) == pytest.approx([one["p"]], rel=0.05)


@pytest.mark.parametrize(
    ("unit", "name", "value", "text"),
    [
        ("mm", "pull of the touch before", 0.0031, f"3.10 ({MINUS}1000.00 to 2000.00) µm"),
        ("steps", "steps of the centre", 2.0, f"2 ({MINUS}1 to 2)"),
        ("touches", "far too early touches", 7.0, f"7 ({MINUS}1 to 2)"),
        ("1", "opening force", -0.165, f"{MINUS}16.5 ({MINUS}100.0 to +200.0) %"),
        ("1", "scatter, × the other two", 3.0, f"3.00 ({MINUS}1.00 to 2.00)"),
        ("1", "without a valid trigger", 0.0125, f"1.25 ({MINUS}100.00 to 200.00) %"),
    ],
)
def test_values_have_their_unit(unit: str, name: str, value: float, text: str) -> None:
    one = Evidence(name, None, value, Interval(-1.0, 2.0), unit, None, False, 0)
    assert page.evidence_cells(one)[2] == text
    assert page.evidence_cells(replace(one, value=None))[2] == UNKNOWN


def test_what_is_infinite_is_a_dash() -> None:
    one = Evidence("scatter, × the other two", 10.0, np.inf, Interval(2.0, np.inf), "1", 1e-9, True, 240)
    assert page.evidence_cells(one) == (
        "Scatter, × the other two", "10°", f"{UNKNOWN} (2.00 to {UNKNOWN})", "p < 0.001", "240", "yes",
    )  # fmt: skip


# ---- arms and picture


def test_facts_say_where_the_arms_are_and_what_they_decide(early: Contacts) -> None:
    facts = page.arms_facts(early)
    assert isinstance(facts, Facts)
    rows = dict(facts.rows)
    for place, arm in enumerate(early.gains.arms, start=1):
        azimuth, first, last = numbers(rows[f"Arm {place}"])
        assert azimuth == round(arm.azimuth_deg)
        # The force stands opposite of the motion: 60 deg to both sides of the azimuth + 180.
        assert off_deg(first, arm.azimuth_deg + 120.0) <= 0.5
        assert off_deg(last, arm.azimuth_deg + 240.0) <= 0.5
    plain = contacts_to_dict(early)
    lobes = numbers(rows["Lobes (order 3)"])[:2]
    assert lobes == pytest.approx(
        [1000 * plain["arms"]["lobe_mm"], 2000 * plain["arms"]["lobe_u_mm"]], abs=0.00501
    )
    assert numbers(rows["Touches, orientations"]) == [plain["n"], len(plain["orientations_deg"])]
    assert rows["Azimuths of the arms"].startswith("estimated, ± ")
    assert dict(page.arms_facts(replace(early, arm_stated=True)).rows)["Azimuths of the arms"] == "as marked"


def wedges(found: Contacts) -> list[tuple[float, float]]:
    """Middle and width of each shaded wedge, deg, as drawn."""
    with report_style():
        figure = new_figure(80, 80, (14, 14, 15, 13))
        axes = figure.add_subplot(projection="polar")
        floor, top, _ = page._range(found.gains)
        page._sectors(axes, found.gains, found.finding.first.arm_azimuth_deg, floor, top)
        drawn = [np.unique(one.get_paths()[0].vertices[:, 0]) for one in axes.collections]
    return [(float(np.rad2deg(x.mean())), float(np.rad2deg(np.ptp(x)))) for x in drawn]


def test_the_shaded_wedge_lies_opposite_of_the_suspect_arm(early: Contacts) -> None:
    ((middle, width),) = wedges(early)
    first = early.finding.first.arm_azimuth_deg
    assert off_deg(first, 160.0) < 5
    assert off_deg(middle, first + 180.0) < 1e-6
    assert width == pytest.approx(120.0, abs=1e-6)


def test_no_suspect_no_wedge(healthy: Contacts) -> None:
    assert wedges(healthy) == []
    assert len(wedges(with_first(healthy, "open", healthy.gains.arms[2].azimuth_deg))) == 1


def test_the_picture_has_three_arms_and_their_shares(early: Contacts) -> None:
    picture = page.contacts_picture(early)
    assert isinstance(picture, Picture)
    text = " ".join(ElementTree.fromstring(picture.svg).itertext())
    shares = [f"{100 * arm.share:+.0f} %".replace("-", MINUS) for arm in early.gains.arms]
    assert re.findall(r"arm (\d)", picture.alt) == ["1", "2", "3"]
    for share in shares:
        assert share in picture.alt
        assert share in text


def test_the_drawn_curve_is_least_where_the_arm_is_early(early: Contacts) -> None:
    curve, equal = (f(early.gains, page.FINE_DEG) for f in (page._curve, page._equal))
    towards = page.FINE_DEG[np.argmin(curve / equal)]
    assert off_deg(float(towards), 160.0 + 180.0) <= 60.0
    # An early arm against the mean of the others: its own sector relative to theirs.
    inside = np.array([off_deg(float(x), 340.0) < 30 for x in page.FINE_DEG])
    outside = np.array([off_deg(float(x), 340.0) > 90 for x in page.FINE_DEG])
    assert (curve / equal)[inside].mean() / (curve / equal)[outside].mean() < 0.9


def test_without_arms_there_is_no_picture_and_the_reason_is_in_the_finding(nothing: Contacts) -> None:
    assert page.contacts_picture(nothing) is None
    assert page.arms_facts(nothing) is None
    assert page.service_table(None) is None
    assert nothing.seen.gains_reason in page.finding_note(nothing).text
    assert not any(row[0].startswith("Opening force") for row in page.evidence_table(nothing).rows)


# ---- a service


def test_the_service_table_holds_the_changes(early: Contacts, healthy: Contacts) -> None:
    service = service_of(early, healthy)
    table, plain = page.service_table(service), service_to_dict(service)
    assert isinstance(table, Table)
    assert table.note.startswith("The service helped: ")
    assert sentence(healthy.finding) in table.note
    for row, one in zip(table.rows, plain["arms"], strict=True):
        where, before, after, change, chance, word = row
        keys = ("before_share", "after_share", "change_share", "lower_share", "upper_share")
        shares = np.array([one[key] for key in keys])
        assert numbers(where) == [round(one["azimuth_deg"])]
        assert numbers(" ".join((before, after, change))) == pytest.approx(list(100 * shares), abs=0.0501)
        assert chance.startswith("p ")
        assert word == one["word"]


# ---- texts of strangers


@pytest.mark.parametrize("name", [name for name in HOSTILE if not name.startswith(("long", "emoji"))])
def test_no_text_gets_in_as_markup(name: str, early: Contacts) -> None:
    given, shown = HOSTILE[name]
    odd = replace(
        early,
        stage=given,
        notes=(given,),
        finding=replace(
            early.finding,
            first=replace(early.finding.first, why=given),
            evidence=(replace(early.finding.evidence[0], note=given),),
        ),
    )
    blocks = [page.finding_note(odd), page.arms_facts(odd), page.evidence_table(odd)]
    for block in blocks:
        bundle = block._repr_mimebundle_()
        text = json.dumps(bundle[MIME], ensure_ascii=False)
        assert json.dumps(shown, ensure_ascii=False)[1:-1].split("\\n")[0].split("   ")[0] in text
        body = bundle["text/html"]
        assert "<script" not in body
        assert "onload='" not in re.sub(r">[^<]*<", "><", body)
        assert not any(sign in body for sign in ("\x1b", "\0", "\u202e"))
    assert (MARK in shown) is any(b._repr_mimebundle_()[MIME]["replaced"] for b in blocks)


def test_blocks_are_the_kinds_that_the_notebook_shows(early: Contacts) -> None:
    assert isinstance(page.finding_note(early), Note)
    assert isinstance(page.advice_note(early), Note)
    assert named(early.finding.first) in html_of(page.finding_note(early)).replace("&#39;", "'")


def test_steps_stand_on_the_page_as_in_the_json() -> None:
    found = looked(ContactFault("tilted", 1, 0.03), ONE)
    (step,) = contacts_to_dict(found)["steps"]
    told = dict(page.arms_facts(found).rows)["Step of the centre"]
    assert told.startswith(f"{1000 * step['length_mm']:.1f} µm (")
    assert f"towards {step['direction_deg']:.0f}° ± {2 * step['direction_u_deg']:.0f}° (2 u)" in told
    assert f"behind touch {step['after_touch']:.0f} (" in told
    assert told.endswith(f"n = {step['n']}")
