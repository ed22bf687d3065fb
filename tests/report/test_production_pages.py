"""Pages of comparison, trend, shop and stages: verdicts, numbers, names, cautions; strange texts as text."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pypdf
import pytest
from report_hostile import HOSTILE
from report_pages import notebook_of, packed, pages_of, print_pdf
from sample_production import gathered, invented, invented_build, qualified, together

from probetest.jobs import comparing, trending
from probetest.jobs.advising import misses_upper
from probetest.jobs.compare import BuildComparison, compare_builds
from probetest.jobs.compared import Figure
from probetest.jobs.comparing import write_comparison
from probetest.jobs.ramping import field_of_tests, make_ramp
from probetest.jobs.tested import Gathered
from probetest.jobs.trend import Trend, make_trend
from probetest.jobs.trending import write_trend
from probetest.limits import Limits
from probetest.margins import Margins
from probetest.report import comparison, ramp_page, stages_page, trend
from probetest.report.blocks import MIME, VerdictMark
from probetest.screen.comparison import print_comparison
from probetest.screen.trend import print_trend
from probetest.statistics.ramp import Field

MARGINS = Margins()


@cache
def compared() -> BuildComparison:
    return compare_builds(gathered(), "build", MARGINS)


def trend_of(tests: Gathered) -> Trend:
    return make_trend(tests, make_ramp(field_of_tests(tests.tests), "the shop's own tests", MARGINS), MARGINS)


@cache
def demo_trend() -> Trend:
    return trend_of(gathered())


def texts_of(block: Any) -> Iterator[str]:
    """All texts of what a block hands to the page."""

    def walk(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, dict):
            for part in value.values():
                yield from walk(part)
        elif isinstance(value, list | tuple):
            for part in value:
                yield from walk(part)

    yield from walk({key: part for key, part in block.payload().items() if key != "svg"})


def comparison_blocks(found: BuildComparison) -> list[Any]:
    mind = comparison.remarks(found)
    return [
        comparison.overview(found),
        comparison.comparison_table(found),
        *([] if mind is None else [mind]),
        *comparison.unit_dots(found),
        comparison.unit_table(found),
        comparison.margins_facts(found),
    ]


def trend_blocks(found: Trend) -> list[Any]:
    mind = trend.remarks(found)
    return [
        trend.overview(found),
        *([] if mind is None else [mind]),
        *trend.build_charts(found),
        *trend.headline_charts(found),
        trend.chart_table(found),
        *trend.history_charts(found),
        trend.history_table(found),
        ramp_page.banner(found.ramp, found.standing_out),
        ramp_page.proven_facts(found.ramp),
        ramp_page.teach_table(found.ramp),
        ramp_page.chance_table(found.ramp),
    ]


# ---- the notebooks on their own


def body(pdf: bytes) -> str:
    return packed("".join(pages_of(pdf))).replace("’", "'")


def test_comparison_on_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The logs of the demo were read for other tests already.
    monkeypatch.setattr(comparing, "gather", lambda *_: gathered())
    write_comparison({}, tmp_path / "out", pdf=True)
    names = ["comparison.ipynb", "comparison.json", "comparison.pdf"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == names
    pdf = (tmp_path / "out" / "comparison.pdf").read_bytes()
    plain = (tmp_path / "out" / "comparison.json").read_bytes()
    assert pypdf.PdfReader(io.BytesIO(pdf)).attachments["comparison.json"][0] == plain
    text = body(pdf)
    for words in (
        "siskin-3 14, siskin-4 8",
        "Mean pre-travel: siskin-4 has less than siskin-3",
        "are alike within a factor of 1.25",
        "can't tell",
        "µm",
        "The builds were tested one after the other, not in turns",
        "Each unit counts once, by its first test",
        "What this report is not",
        "Units, not touches.",
    ):
        assert packed(words) in text, words
    for one in gathered().tests:
        assert one.serial in text
    for one in compared().compared:
        for cell in comparison.table_cells(one, several=False):
            assert packed(cell).replace("’", "'") in text, cell
    executed: Any = nbformat.read(tmp_path / "out" / "comparison.ipynb", as_version=4)  # type: ignore[no-untyped-call]
    outputs = [output for cell in executed.cells for output in cell.get("outputs", ())]
    assert [output for output in outputs if output.output_type in ("error", "stream")] == []
    blocks = [output["data"][MIME] for output in outputs if MIME in output.get("data", {})]
    assert all(block["alt"] for block in blocks if block["block"] == "picture")


def test_trend_and_shop_on_their_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trending, "gather", lambda *_: gathered())
    done: list[None] = []
    write_trend({}, tmp_path / "out", pdf=True, done=lambda: done.append(None))
    names = ["shop.ipynb", "shop.pdf", "trend.ipynb", "trend.json", "trend.pdf"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == names
    assert len(done) == 2
    found = demo_trend()
    texts = {name: body((tmp_path / "out" / f"{name}.pdf").read_bytes()) for name in ("trend", "shop")}
    for text in texts.values():
        for line in trend.told(found):
            assert packed(line) in text, line
        for words in ("siskin-3", "SK3-011", "SK3-014", "a step at SK3-011", "SK3-002", "22 units, 28 tests"):
            assert packed(words) in text, words
        assert (
            packed(ramp_page.banner(found.ramp, found.standing_out).payload()["word"]).lower() in text.lower()
        )
    for words in (
        "What this report is not",
        "No signal is no proof of quality",
        "No fault seen is not no fault there",
        "grew",
        "Clopper and Pearson",
        "µm",
    ):
        assert packed(words) in texts["trend"], words
    for chart in found.charts:
        assert packed(chart.figure.short) in texts["trend"]
    # A page for the wall is one page.
    assert len(pages_of((tmp_path / "out" / "shop.pdf").read_bytes())) == 1


# ---- words


def test_sentence_of_each_verdict() -> None:
    told = {one.figure.name: comparison.sentence(one) for one in compared().compared}
    assert told["variation"].startswith("Pre-travel variation: siskin-4 has less than siskin-3: −")
    assert told["sd"].startswith("Repeatability (pooled sd): siskin-3 and siskin-4 are alike within a factor")
    assert told["miss_rate"].startswith("Approaches without a valid trigger: can't tell whether siskin-4")
    tiny = replace(compared().compared[0], difference_shown=True)
    assert "though a smaller difference is there" in comparison.sentence(tiny)


def test_table_holds_the_numbers_of_the_comparison() -> None:
    table = comparison.comparison_table(compared())
    assert [column.title for column in table.columns][1:3] == ["siskin-3, n = 14", "siskin-4, n = 8"]
    for row, one in zip(table.rows, compared().compared, strict=True):
        if one.figure.unit != "mm" or one.found.scale == "ratio":
            continue
        assert one.found.interval is not None
        first, difference = str(row[1]), str(row[3]).replace("−", "-").replace("+", "")
        assert float(first.partition(" (")[0]) == pytest.approx(1000 * one.found.first.estimate, abs=0.06)
        value, _, limits = difference.partition(" (")
        low, high = limits.rstrip(")").split(" to ")
        expected = (one.found.difference, one.found.interval.lower, one.found.interval.upper)
        assert [float(value), float(low), float(high)] == pytest.approx(
            [1000 * x for x in expected], abs=0.06
        )
        assert str(row[6]).startswith(one.verdict)


def test_every_unit_stands_in_the_table() -> None:
    rows = comparison.unit_table(compared()).rows
    assert len(rows) == 22
    by_serial = {str(row[1]): row for row in rows}
    for units in compared().groups.values():
        for unit in units:
            row = by_serial[unit.serial]
            assert row[2] == (unit.time or "")[:10]
            assert float(str(row[5])) == pytest.approx(1000 * (unit.mean_mm or 0), abs=0.006)


def test_pictures_name_units_and_verdict_in_words() -> None:
    two = compared().compared[3:]
    pictures = comparison.unit_dots(replace(compared(), compared=two))
    for picture, one in zip(pictures, two, strict=True):
        assert one.figure.label in picture.alt
        assert "siskin-3: 14 units" in picture.alt
    (siskin_3, _) = trend.build_charts(demo_trend(), names=("mean_pretravel",))
    assert "called out: SK3-011 (Mean pre-travel: step from here on)" in siskin_3.alt
    (history,) = trend.history_charts(demo_trend())
    assert history.alt.startswith("SK3-002: Repeatability (pooled sd): grew")


def test_margins_say_where_they_come_from() -> None:
    facts = dict(comparison.margins_facts(compared()).rows)
    assert facts["Where from"] == "default of this software, our choice"
    assert facts["Scatter"] == "alike within a factor of 1.25"
    own = replace(compared(), margins=Margins(sd_ratio=1.5))
    assert dict(comparison.margins_facts(own).rows)["Where from"].startswith("margins file")


@pytest.mark.usefixtures("unplanned")
def test_three_builds_name_the_pair_in_each_row() -> None:
    rng = np.random.default_rng(90)
    found = compare_builds(
        together(*(invented_build(rng, name, 3) for name in "abc")), "build", Margins(sd_ratio=1.2)
    )
    names = {str(row[0]).partition(":")[0] for row in comparison.comparison_table(found).rows}
    assert names == {"a → b", "a → c", "b → c"}
    first = [one for one in found.compared if one.figure.name == "sd"]
    (picture,) = comparison.unit_dots(replace(found, compared=tuple(first)))
    assert "a: 3 units" in picture.alt
    assert "c: 3 units" in picture.alt


def test_quiet_trend_says_so_and_a_short_one_too() -> None:
    quiet = trend_of(together(invented_build(np.random.default_rng(91), "a", 8)))
    (line,) = trend.told(quiet)
    assert line.startswith("Nothing stands out on 5 charts")
    (line,) = trend.told(trend_of(together([invented("A")])))
    assert line.startswith("Too few serials yet")


def test_newest_serial_that_is_out_of_line_is_told() -> None:
    tests = invented_build(np.random.default_rng(92), "a", 9, unit_sd=0.01)
    tests[8] = replace(tests[8], mean_mm=0.0245)
    found = trend_of(together(tests))
    lines = " ".join(trend.told(found))
    assert found.standing_out == ("A-008",)
    assert "A-008" in lines
    (chart,) = [one for one in found.charts if one.figure.name == "mean_pretravel"]
    assert chart.look is not None
    assert chart.look.alarm
    # An older serial that was called out does not hide the newest one.
    other = replace(chart, signals=(replace_index(found, 2),))
    assert "the newest, A-008, is out of line" in " ".join(trend.told(replace(found, charts=(other,))))


def replace_index(found: Trend, index: int) -> Any:
    from probetest.jobs.trend import Told

    assert len(found.charts[0].points) > index
    return Told(index, "beyond the limits")


def test_missing_figures_leave_every_page_whole() -> None:
    tests = invented_build(np.random.default_rng(93), "a", 7)
    tests[0] = replace(tests[0], sd_mm=None, sd_dof=None)
    tests[1] = replace(tests[1], variation_mm=None)
    tests[2] = replace(tests[2], mean_mm=None)
    tests[6] = replace(tests[6], time=None)
    found = trend_of(together(tests))
    pictures = [*trend.build_charts(found), *trend.headline_charts(found)]
    assert len(pictures) == 2
    assert all("over 7 serials" in picture.alt for picture in pictures)
    for serial in ("A-000", "A-001", "A-002", "A-006"):
        assert serial in json.dumps(pictures[1].payload())


@pytest.mark.parametrize("serials", [1, 5])
def test_units_that_do_not_differ_draw_all_the_same(serials: int) -> None:
    same = [invented(f"A-{number}", day=number) for number in range(serials)]
    found = trend_of(together(same))
    assert len(trend.build_charts(found)) == (serials > 1)
    assert len(trend.chart_table(found).rows) == len(found.charts)
    other = [invented(f"B-{number}", "b", day=number) for number in range(serials)]
    both = compare_builds(together(same, other), "build", MARGINS)
    assert len(comparison.comparison_table(both).rows) == 5
    assert comparison.unit_dots(replace(both, compared=both.compared[::4]))


def test_something_on_the_charts_comes_before_shipping() -> None:
    ramp = make_ramp(Field(20, 0), "field reports", MARGINS)
    quiet = ramp_page.banner(ramp).payload()
    assert (quiet["word"], quiet["verdict"]) == ("ship 11", "pass")
    assert "Look first" not in json.dumps(quiet)
    loud = ramp_page.banner(ramp, ("A-003", "A-007")).payload()
    assert (loud["word"], loud["verdict"]) == ("look first", "undecided")
    text = "Look first at what stands out: A-003, A-007. When that is explained: with 11 units"
    assert text in json.dumps(loud)
    many = json.dumps(ramp_page.banner(ramp, tuple(f"A-{number}" for number in range(7))).payload())
    assert "A-3, A-4 and others. When" in many
    # A reason to wait stays one.
    waits = make_ramp(Field(20, 2), "field reports", MARGINS)
    both = ramp_page.banner(waits, ("A-003",)).payload()
    assert (both["word"], both["verdict"]) == ("wait", "undecided")
    assert "Look first at what stands out: A-003." in json.dumps(both)


def test_banner_names_mended_units_and_the_facts_the_bound_that_decides() -> None:
    told = Field(20, 2, touches=40_000, misses=100, misses_by_unit=(5,) * 20, touches_by_unit=(2000,) * 20)
    ramp = make_ramp(told, "field reports", MARGINS, removed=2)
    assert "2, 2 mended" in json.dumps(ramp_page.banner(ramp).payload())
    facts = dict(ramp_page.proven_facts(ramp).rows)
    assert facts["Units with a fault"].startswith("2 of 20")
    assert facts["The same, units taken as they differ"].startswith(f"at most {misses_upper(told):.3g} (95 %")


def test_headline_charts_show_the_build_that_is_called_out() -> None:
    (picture,) = trend.headline_charts(demo_trend())
    # The demo's last tests are of the other build, in which nothing stands out.
    assert picture.alt.startswith("Charts of siskin-3 over 14 serials")
    assert "called out: SK3-011" in picture.alt or "; SK3-011" in picture.alt
    assert "Looked at once, any of them" in picture.caption
    calm = replace(demo_trend(), charts=tuple(one for one in demo_trend().charts if one.build == "siskin-4"))
    (other,) = trend.headline_charts(calm)
    assert other.alt.startswith("Charts of siskin-4 over 8 serials; called out: none")


# ---- stages


def test_stages_page_of_the_demo() -> None:
    found = qualified()["SK3-005-stages"]
    table = stages_page.stages_table(found)
    assert table is not None
    assert "Within 3" in table.columns[-1].title
    overtravel, service = table.rows
    assert (overtravel[0], overtravel[1]) == ("after_overtravel", "168 + 168")
    assert str(overtravel[3]).startswith("+5.")
    for row, word in ((overtravel, "beyond"), (service, "beyond (without centre)")):
        mark = row[-1]
        assert isinstance(mark, VerdictMark)
        assert (mark.verdict, mark.word) == ("fail", word)
    pictures = stages_page.stage_pictures(found)
    assert [picture.alt.partition(":")[0] for picture in pictures] == ["after_overtravel", "after_service"]
    assert "Level and centre were taken out" in pictures[1].caption
    facts = dict(stages_page.touch_before_facts(found).rows)
    assert "n = " in facts["The touch before"]
    good = stages_page.stages_table(qualified()["SK3-004-stages"])
    assert good is not None
    mark = good.rows[0][-1]
    assert isinstance(mark, VerdictMark)
    assert (mark.verdict, mark.word) == ("pass", "shown")
    assert stages_page.stages_table(qualified()["SK3-001"]) is None
    assert stages_page.stage_notes(qualified()["SK3-001"]) is None


# ---- texts of strangers


SOME = (
    "formula",
    "script",
    "escape sequence",
    "lone surrogate",
    "long word",
)


@pytest.fixture
def unplanned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without counting further units, which takes most of the time of a comparison."""
    monkeypatch.setattr(Figure, "more_units", lambda *_: (None, None))


def hostile(text: str) -> tuple[BuildComparison, Trend]:
    """A comparison and a trend in which every name is a stranger's."""
    rng = np.random.default_rng(94)
    short = text[:200]
    tests = []
    for order, build in enumerate((short, f"{short}2"[-200:])):
        for number, one in enumerate(invented_build(rng, "x", 6, factor={"mean_mm": 1 + order}, first=order)):
            serial = f"{number}{order}{short}"[:200]
            result = one.result.model_copy(update={"serial": serial, "build": build})
            # One figure and one picture of it are enough.
            bare = replace(one, sd_mm=None, sd_dof=None, variation_mm=None, unevenness_mm=None)
            tests.append(replace(bare, serial=serial, result=result, where=short))
    again = [replace(tests[0], time=f"2026-0{month}-01T09:00:00", where=short) for month in (3, 4, 5)]
    found = replace(together(tests, again), problems=(short,), remarks=(short,))
    return compare_builds(found, "build", MARGINS), trend_of(found)


@pytest.mark.parametrize("name", SOME)
@pytest.mark.usefixtures("unplanned")
def test_hostile_names_are_only_shown(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = HOSTILE[name][0]
    first, second = hostile(text)
    for block in (comparison.overview(first), comparison.comparison_table(first), trend.chart_table(second)):
        page = block._repr_mimebundle_()["text/html"]
        assert "<script>" not in page
        assert "onload='" not in page
        assert text[:12] in "".join(texts_of(block))
    assert comparison.unit_dots(first)
    assert trend.headline_charts(second)
    assert trend.history_charts(second)
    print_comparison(first, Path(text.replace("\0", "")[:50]))
    print_trend(second, Path("out"), only_ramp=False)
    shown = capsys.readouterr().out
    assert all(sign.isprintable() or sign == "\n" for sign in shown)


@pytest.mark.usefixtures("unplanned")
def test_hostile_names_reach_the_paper_as_text() -> None:
    names = ("typst panic", "formula", "label", "script", "jinja expression")
    text = " ".join(HOSTILE[name][1] for name in names)
    first, second = hostile(text + " \x1b[31mred")
    seat = qualified()["SK3-005-stages"]
    changes = tuple(replace(one, stage=text) for one in seat.stages.changes)
    stranger = replace(seat, stages=replace(seat.stages, changes=changes))
    note = stages_page.stage_notes(stranger)
    table = stages_page.stages_table(stranger)
    assert table is not None
    blocks = [*comparison_blocks(first)[:4], *trend_blocks(second)[:4], table]
    blocks += [] if note is None else [note]
    blocks.append(stages_page.stage_pictures(stranger)[0])
    pdf = print_pdf(notebook_of(*blocks))
    found = packed("".join(pages_of(pdf)))
    # The first build in short, the chart's caption, the stage and its picture.
    assert found.count(packed(HOSTILE["typst panic"][1])) >= 4
    assert packed(HOSTILE["jinja expression"][1]) in found
    assert "\x1b" not in found
    assert Limits().max_reseat_shift_mm == 0.003
