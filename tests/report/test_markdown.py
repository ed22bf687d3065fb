import pytest
from report_pages import notebook_of, print_pdf

from probetest.report.markdown import markdown_to_typst, string_literal

CASES = {
    "paragraph": ("one\ntwo", 'passage({shown("one"); " "; shown("two")})'),
    "heading": ("## Title", 'heading(level: 2, {shown("Title")})'),
    "empty heading": ("#", 'heading(level: 1, {shown("")})'),
    "emphasis": ("*a* **b**", 'passage({emph({shown("a")}); shown(" "); strong({shown("b")})})'),
    "code": ('`a"b`', 'passage({coded("a\\"b")})'),
    "bullets": ("- a\n- b", 'list(tight: true, {shown("a")}, {shown("b")})'),
    "loose bullets": ("- a\n\n- b", 'list(tight: false, {passage({shown("a")})}, {passage({shown("b")})})'),
    "numbers": ("3. a\n4. b", 'enum(tight: true, start: 3, {shown("a")}, {shown("b")})'),
    "nested": ("- a\n  - b", 'list(tight: true, {shown("a"); list(tight: true, {shown("b")})})'),
    "empty item": ("-\n- b", 'list(tight: true, [], {shown("b")})'),
    "link": ("[a](https://b.c)", 'passage({shown("a"); shown(" (https://b.c)")})'),
    "autolink": ("<https://b.c>", 'passage({shown("https://b.c")})'),
    "image": ("![a](b.png)", 'passage({shown("a"); shown(" (b.png)")})'),
    "rule": ("---", "rule()"),
    "quote": ("> a", 'quote(block: true, {passage({shown("a")})})'),
    "code block": ("```\na  b\n```", 'code-block("a  b")'),
    "hard break": ("a  \nb", 'passage({shown("a"); linebreak(); shown("b")})'),
    "html": ("<b>a</b>", 'passage({shown("<b>"); shown("a"); shown("</b>")})'),
    "html block": ("<div>#panic()</div>", 'code-block("<div>#panic()</div>")'),
}


@pytest.mark.parametrize(("source", "expected"), CASES.values(), ids=CASES.keys())
def test_markdown_becomes_typst_code(source, expected):
    assert markdown_to_typst(source) == expected


@pytest.mark.parametrize(("source", "_"), CASES.values(), ids=CASES.keys())
def test_markdown_can_be_typeset(source, _):
    assert print_pdf(notebook_of(markdown=source)).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("text", "expected"),
    [('"', r'"\""'), ("\\", r'"\\"'), ("a\nb", r'"a\nb"'), ("\0", '"\ufffd"'), ("#x $y$", '"#x $y$"')],
    ids=["quote", "backslash", "line end", "nul", "markup"],
)
def test_string_literal(text, expected):
    assert string_literal(text) == expected


def test_entities_can_not_bring_hidden_characters_back():
    assert "\u202e" not in markdown_to_typst("a &#x202e; b")
