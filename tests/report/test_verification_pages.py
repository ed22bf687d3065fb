"""The pages of a verification: the word and its shape, every figure, and texts of strangers as text."""

from __future__ import annotations

import html
import io
import json
from dataclasses import replace
from functools import cache
from typing import Any

import pypdf
import pytest
from report_hostile import HOSTILE
from report_pages import notebook_of, packed, pages_of, print_pdf

from probetest.importers import import_log
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.result import result_to_json
from probetest.jobs.verify import Verification, verification_to_dict, verify
from probetest.jobs.verifying import TEMPLATE
from probetest.limits import Limits
from probetest.report import agreement
from probetest.report.blocks import MIME, VerdictMark
from probetest.report.render import execute_notebook, notebook_to_pdf
from probetest.resources import bundled

DEMO = {"SK1-008": "consistent", "SK1-009": "worse", "SK2-001": "can't tell"}
LOOKS = {"consistent": "pass", "worse": "fail", "can't tell": "undecided"}


@cache
def qualified(serial: str, folder: str) -> Qualification:
    (test,) = import_log(bundled("data") / "demo" / folder / f"{serial}.csv").tests
    return qualify(test, Limits())


@cache
def verification(serial: str) -> Verification:
    earlier = EarlierResult.model_validate_json(result_to_json(qualified(serial, ".")))
    return verify(qualified(serial, "received"), earlier)


def changed(result: Verification, **changes: Any) -> Verification:
    """The verification against a result that says something else."""
    return replace(result, earlier=result.earlier.model_copy(update=changes))


def label_of(one: Any) -> str:
    return f"{one.label}, {'µm' if one.unit == 'mm' else '%'}"


# ---- the banner


@pytest.mark.parametrize(("serial", "word"), DEMO.items())
def test_banner_says_the_word_and_looks_like_it(serial: str, word: str) -> None:
    result = verification(serial)
    found = agreement.banner(result).payload()
    assert (found["word"], found["verdict"]) == (word, LOOKS[word])
    assert found["title"] == f"Touch probe {serial} against its report ({result.earlier.verdict})"


def test_shape_says_the_same_as_the_word_without_colour() -> None:
    pages = {
        word: agreement.banner(verification(serial))._repr_mimebundle_() for serial, word in DEMO.items()
    }
    marks = {"consistent": "● Consistent", "worse": "■ Worse", "can't tell": "◇ Can't tell"}
    for word, page in pages.items():
        assert marks[word] in html.unescape(page["text/html"])


def test_sentence_names_what_decides() -> None:
    assert "All 6 figures agree" in agreement.meaning(verification("SK1-008"))
    worse = agreement.meaning(verification("SK1-009"))
    assert worse == "The probe is worse than its report says: two-lobed wave."
    unsure = agreement.meaning(verification("SK2-001"))
    assert "does not tell whether" in unsure
    assert "Open: repeatability (pooled sd) and share without a valid trigger." in unsure
    assert "Worse, but not shown to be the probe's: mean pre-travel." in unsure


# ---- the table


@pytest.mark.parametrize("serial", DEMO)
def test_each_figure_has_a_row_with_its_numbers(serial: str) -> None:
    result = verification(serial)
    rows = agreement.agreement_table(result).rows
    assert [row[0] for row in rows] == [label_of(one) for one in result.agreements]
    for row, one in zip(rows, result.agreements, strict=True):
        scale = 1000.0 if one.unit == "mm" else 100.0
        assert row[1] == one.of
        for cell, value, limits in (
            (row[2], one.ours, one.ours_interval),
            (row[3], one.theirs, one.theirs_interval),
        ):
            assert isinstance(cell, str)
            first, _, between = cell.partition(" (")
            numbers = [float(part) for part in (first, *between.rstrip(")").split("–"))]
            decimals = len(first.partition(".")[2])
            assert numbers == pytest.approx(
                [scale * value, scale * limits.lower, scale * limits.upper], abs=0.51 * 10.0**-decimals
            )
        if one.en is not None:
            assert isinstance(row[4], str)
            assert float(row[4].replace("−", "-")) == pytest.approx(one.en, abs=0.0051)
        else:
            assert row[4] == "p = 1"
        mark = row[5]
        assert isinstance(mark, VerdictMark)
        assert (mark.word, mark.verdict) == (one.verdict, agreement.SHOWN[one.verdict])


def test_note_names_what_was_not_compared_and_why() -> None:
    note = agreement.agreement_table(verification("SK2-001")).note
    assert "Two-lobed wave: not compared, it needs several orientations in this test" in note
    assert "ISO 13528" in note
    assert "not compared" not in agreement.agreement_table(verification("SK1-008")).note


def test_note_warns_of_a_figure_that_looks_better() -> None:
    note = agreement.agreement_table(verification("SK1-009")).note
    assert "Three-lobed wave: smaller is a change all the same" in note


def test_note_does_not_promise_more_than_each_figure_was_held_to() -> None:
    result = verification("SK1-008")
    assert "a difference of half the limit would have shown" in agreement.agreement_table(result).note
    limits = result.earlier.limits
    assert limits.max_miss_rate is not None
    held = {one.name: one.matters for one in result.agreements}
    assert held["miss_rate"] == pytest.approx(limits.max_miss_rate / 2)


# ---- the pictures


@pytest.mark.parametrize("serial", DEMO)
def test_drawing_of_the_scores_says_them_in_words(serial: str) -> None:
    result = verification(serial)
    picture = agreement.scores(result)
    scored = [one for one in result.agreements if one.en is not None]
    assert picture.alt == "; ".join(f"{one.label}: {one.en:+.2f}" for one in scored)
    assert picture.svg.startswith(b"<?xml")


def test_both_curves_are_drawn_only_where_both_tests_have_them() -> None:
    for serial in ("SK1-008", "SK1-009"):
        picture = agreement.curves(verification(serial))
        assert picture is not None
        assert picture.alt == "Two curves of the probe alone over a turn, here and in the report."
    assert agreement.curves(verification("SK2-001")) is None
    assert agreement.curves(changed(verification("SK1-008"), separation=None)) is None


def test_scores_far_out_are_drawn_at_the_edge() -> None:
    result = verification("SK1-009")
    far = replace(
        result, agreements=tuple(replace(one, en=1e9) for one in result.agreements if one.en is not None)
    )
    assert "+1000000000.00" in agreement.scores(far).alt


def test_page_without_any_score_can_be_drawn() -> None:
    result = verification("SK1-008")
    only = replace(result, agreements=tuple(one for one in result.agreements if one.en is None))
    assert agreement.scores(only).alt == ""
    assert len(agreement.agreement_table(only).rows) == 1


# ---- conditions, advice


def test_conditions_name_the_report_and_what_differs() -> None:
    facts = dict(agreement.conditions(verification("SK1-008")).rows)
    assert "verdict pass; probe and machine told apart by orientations 0°, 30°, 90°, 210°" in facts["Report"]
    assert "old bench mill at Cornmarket Models (invented) here" in facts["What differs"]
    one = dict(agreement.conditions(verification("SK2-001")).rows)
    assert one["Report"].endswith("one orientation: probe + machine")


def test_advice_stands_where_something_is_open() -> None:
    assert agreement.advice(verification("SK1-008")) is None
    note = agreement.advice(verification("SK2-001"))
    assert note is not None
    text = note.payload()["text"]
    open_ones = [one for one in verification("SK2-001").agreements if one.verdict == "can't tell"]
    assert [one.name for one in open_ones] == ["pooled_sd", "miss_rate"]
    for one in open_ones:
        assert f"{one.label}: very roughly {one.more_touches} more touches" in text
    assert "0, 30, 90 and 210°" in text


# ---- strangers


SHORT = {name: pair for name, pair in HOSTILE.items() if len(pair[0]) <= 200}


def test_texts_of_the_other_result_are_printed_as_they_are() -> None:
    blocks = []
    for text, _ in SHORT.values():
        result = changed(verification("SK1-008"), software=text)
        blocks.append(agreement.conditions(replace(result, differences=(f"stage: '{text}' then",))))
    body = packed("".join(pages_of(print_pdf(notebook_of(*blocks)))))
    for name, (_, shown) in SHORT.items():
        assert packed(f"made by {shown}, verdict pass") in body, name
        assert packed(f"stage: '{shown}' then") in body, name


@pytest.mark.parametrize(
    "name", ["typst panic", "typst read", "jinja expression", "script", "escape sequence"]
)
def test_serial_verdict_and_reasons_are_no_markup(name: str) -> None:
    text, shown = HOSTILE[name]
    result = changed(verification("SK2-001"), verdict=text[:40])
    record = result.found.record.model_copy(update={"serial": text})
    result = replace(
        result, found=replace(result.found, record=record), not_compared=(("Wave", text),), advice=(text,)
    )
    note = agreement.advice(result)
    assert note is not None
    pdf = print_pdf(
        notebook_of(agreement.banner(result), agreement.agreement_table(result), note), serial=text
    )
    body = packed("".join(pages_of(pdf)))
    verdict = packed(shown)[: len(packed(text[:40]))]
    assert packed(f"Touch probe {shown} against its report (") + verdict[:20] in body
    assert packed(f"Wave: not compared, {shown}") in body
    assert body.count(packed(shown)) >= 3


# ---- the notebook


def test_notebook_on_its_own_prints_the_verdict_and_every_figure() -> None:
    executed = execute_notebook(bundled("notebooks") / TEMPLATE, {})
    outputs = [output for cell in executed.cells for output in cell.get("outputs", ())]
    assert [output.output_type for output in outputs if output.output_type in ("error", "stream")] == []
    blocks = [output["data"][MIME] for output in outputs if MIME in output.get("data", {})]
    assert blocks[0]["word"] == "consistent"
    assert all(block["alt"] for block in blocks if block["block"] == "picture")
    pdf = notebook_to_pdf(executed, title="Verification", serial="SK1-008", date=None)
    pages = pages_of(pdf)
    result = verification("SK1-008")
    assert "Consistent" in pages[0]
    for row in agreement.agreement_table(result).rows:
        for cell in row:
            assert packed(cell if isinstance(cell, str) else cell.word) in packed(pages[0])
    whole = packed("".join(pages))
    for words in (
        "What this report is not",
        "Never start the spindle",
        "Fisher's exact test",
        "Probe and machine apart",
    ):
        assert packed(words) in whole.replace("’", "'")
    assert json.dumps(verification_to_dict(result))
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == len(pages)
