import dataclasses
import io
import json
from collections import Counter
from html.parser import HTMLParser

import pytest
from matplotlib.figure import Figure
from pypdf import PdfReader
from pypdf.generic import NullObject
from report_hostile import HOSTILE
from report_pages import body_of, notebook_of, packed, pages_of, print_pdf

from probetest.errors import ReportError
from probetest.report.blocks import (
    MIME,
    Banner,
    Column,
    Facts,
    Literal,
    Note,
    Picture,
    Row,
    Table,
    VerdictMark,
    picture_from_figure,
)
from probetest.report.style import new_figure, report_style

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="20" height="10"><rect width="9" height="9"/></svg>'

# Each block, with the places a text can go to, and how often it is then seen.
SLOTS = {
    "table cell": (lambda t: Table((Column("a"), Column("b", width="1fr")), ((t, "x"), ("y", t))), 2),
    "table head": (lambda t: Table((Column(t),), (("x",),)), 1),
    "table texts": (lambda t: Table((Column("a"),), (("x",),), caption=t, note=t), 2),
    "banner": (lambda t: Banner("pass", t, t, ((t, t), ("a", "b"))), 4),
    "failed banner": (lambda t: Banner("fail", t, ""), 1),
    "facts": (lambda t: Facts(((t, "a"), ("b", t)), caption=t), 3),
    "note": (lambda t: Note("caution", t, t), 2),
    "literal": (Literal, 1),
    "fixed-width literal": (lambda t: Literal(t, monospace=True), 1),
    "picture": (lambda t: Picture(SVG, t, t), 1),
    "row": (lambda t: Row((Literal(t), Note("info", "a", t)), (1, 2)), 2),
}
BLOCKS = {name: make for name, (make, _) in SLOTS.items()}


class _Page(HTMLParser):
    """Collects what a browser would show, and which elements it would build."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.texts, self.tags, self.attributes = [], set(), set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes.update(name for name, _ in attrs)

    def handle_data(self, data):
        self.texts.append(data)


def read_html(block):
    page = _Page()
    page.feed(block._repr_mimebundle_()["text/html"])
    page.close()
    return page


LONG = [case for case in HOSTILE if case.startswith("long")]
SHORT = [case for case in HOSTILE if case not in LONG]


@pytest.mark.parametrize("slot", SLOTS)
@pytest.mark.parametrize("case", LONG)
def test_long_text_is_printed_whole(slot, case):
    make, times = SLOTS[slot]
    text, expected = HOSTILE[case]
    # Columns that run over several pages are read page by page, so only the letters can be counted.
    assert Counter(body_of(print_pdf(notebook_of(make(text))))) >= Counter(packed(expected) * times)


@pytest.mark.parametrize("slot", SLOTS)
@pytest.mark.parametrize("case", SHORT)
def test_any_text_is_printed_as_it_stands(slot, case):
    make, times = SLOTS[slot]
    text, expected = HOSTILE[case]
    assert body_of(print_pdf(notebook_of(make(text)))).count(packed(expected)) >= times


@pytest.mark.parametrize("slot", BLOCKS)
@pytest.mark.parametrize("case", HOSTILE)
def test_any_text_is_escaped_in_html(slot, case):
    text, _ = HOSTILE[case]
    plain, hostile = read_html(BLOCKS[slot]("a")), read_html(BLOCKS[slot](text))
    assert hostile.tags - {"p"} == plain.tags - {"p"}
    assert hostile.attributes == plain.attributes


@pytest.mark.parametrize("case", HOSTILE)
def test_any_text_is_shown_in_html(case):
    text, expected = HOSTILE[case]
    texts = read_html(Literal(text)).texts
    assert texts[0] == (text if case == "emoji" else expected)


@pytest.mark.parametrize("slot", BLOCKS)
def test_data_is_plain_json_whatever_the_text(slot):
    data = BLOCKS[slot]("a\ud800\0")._repr_mimebundle_()[MIME]
    assert json.loads(json.dumps(data).encode("utf-8")) == data


@pytest.mark.parametrize("slot", BLOCKS)
def test_replaced_characters_are_counted_on_the_page(slot):
    make, times = SLOTS[slot]
    pdf = print_pdf(notebook_of(make("a\0b")))
    # The description of the picture has one more, which is not seen but read aloud.
    count = times + (slot == "picture")
    expected = f"{count} character{'s' if count > 1 else ''} in this text can't be printed"
    assert packed(expected) in body_of(pdf)


def test_characters_that_the_fonts_lack_are_counted_on_the_page():
    assert packed("2 characters in this text can't be printed") in body_of(
        print_pdf(notebook_of(Literal("\U0001f527\U0001f527")))
    )


def test_ordinary_text_brings_no_remark():
    assert "character" not in body_of(print_pdf(notebook_of(Literal("±3σ, 0.5 µm"))))


def test_line_ends_and_leading_spaces_are_kept():
    page = pages_of(print_pdf(notebook_of(Literal("one\n    two"))))[0]
    assert "one\n    two" in page


@pytest.mark.parametrize("verdict", ["pass", "fail", "undecided", "not tested"])
def test_each_verdict_is_written_as_a_word(verdict):
    table = Table((Column("Verdict"),), ((VerdictMark(verdict),),))
    assert body_of(print_pdf(notebook_of(table))).endswith(packed(verdict))


def test_the_head_of_a_long_table_is_on_each_page():
    table = Table((Column("HeadOfTable"),), tuple((f"{row}",) for row in range(120)))
    pages = pages_of(print_pdf(notebook_of(table)))
    assert len(pages) > 1
    assert all("HeadOfTable" in page for page in pages)


def test_an_empty_table_prints_its_head():
    assert "HeadOfTable" in body_of(print_pdf(notebook_of(Table((Column("HeadOfTable"),), ()))))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Table((), ()), "at least one column"),
        (lambda: Table((Column("a"),), (("b", "c"),)), "row 0 must have 1 cells"),
        (lambda: Table((Column("a"),), (("b",),), emphasis=(1,)), "emphasis must name rows"),
        (lambda: Column("a", "middle"), "align must be one of"),
        (lambda: Column("a", width="#panic()"), "width must be a number with a unit"),
        (lambda: Picture(SVG, "", "", width="1fr"), "width must be a number with a unit"),
        (lambda: VerdictMark("maybe"), "verdict must be one of"),
        (lambda: Banner("maybe", "", ""), "verdict must be one of"),
        (lambda: Note("warning", "", ""), "kind must be one of"),
        (lambda: Row((Literal("a"),), (1, 2)), "one width a block"),
        (lambda: Row((Literal("a"),), (0,)), "must be positive"),
    ],
    ids=[
        "no columns", "ragged", "emphasis", "align", "column width", "picture width", "mark", "banner",
        "note", "row", "row width",
    ],
)  # fmt: skip
def test_impossible_blocks_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()


def test_blocks_can_not_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Literal("a").text = "b"


def test_a_picture_carries_its_description():
    reader = PdfReader(io.BytesIO(print_pdf(notebook_of(Picture(SVG, "", "a drawn square")))))
    assert "a drawn square" in descriptions_in(reader.trailer["/Root"]["/StructTreeRoot"])


def descriptions_in(element):
    """Return what the elements of a tagged PDF say for readers who can't see them."""
    element = element.get_object()
    if isinstance(element, list):
        return [text for part in element for text in descriptions_in(part)]
    if not isinstance(element, dict):
        return []
    return [element.get("/Alt"), *descriptions_in(element.get("/K", NullObject()))]


@pytest.mark.parametrize("place", ["file:///etc/hostname", "/etc/hostname", "../../../etc/hostname"])
def test_a_picture_can_not_read_files(place):
    svg = SVG.replace(b"<rect", f'<image href="{place}" width="9" height="9"/><rect'.encode())
    with pytest.raises(ReportError, match="could not be typeset"):
        print_pdf(notebook_of(Picture(svg, "c", "a")))


def labelled_figure(text):
    with report_style():
        figure = new_figure(60, 40)
        axes = figure.add_subplot()
        axes.plot([0, 1], [-1, 1])
        axes.set_title(text)
    return figure


def test_the_same_figure_gives_the_same_bytes():
    first, second = (picture_from_figure(labelled_figure("a"), caption="", alt="") for _ in range(2))
    assert first.svg == second.svg


@pytest.mark.parametrize("case", SHORT)
def test_text_in_a_figure_is_printed_as_it_stands(case):
    text, expected = HOSTILE[case]
    picture = picture_from_figure(labelled_figure(text), caption="", alt="")
    assert packed(expected) in body_of(print_pdf(notebook_of(picture)))


def test_characters_that_a_figure_can_not_show_are_counted():
    picture = picture_from_figure(labelled_figure("\U0001f527"), caption="", alt="")
    assert packed("1 character in this text can't be printed") in body_of(print_pdf(notebook_of(picture)))


def test_a_figure_drawn_outside_the_style_reads_no_formula_either():
    figure = Figure()
    figure.text(0.5, 0.5, "$x$")
    assert b"$x$" in picture_from_figure(figure, caption="", alt="").svg


def test_figures_have_a_true_minus_and_our_font():
    svg = picture_from_figure(labelled_figure("a"), caption="", alt="").svg.decode()
    assert "−1.0" in svg
    assert "Inter" in svg
