"""The grammar of a line: examples and refusals after NISTIR 6556, section 3.3, from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probetest.errors import PlanError
from probetest.plan.words import read_blocks, read_line


def words(line: str) -> tuple[tuple[str, float], ...]:
    (block,) = read_blocks(line)
    return block.words


def test_blanks_and_case_do_not_matter() -> None:
    # The report's own example of a legal line: "g0x +0. 12 34y 7" is "g0 x+0.1234 y7".
    assert words("g0x +0. 12 34y 7") == (("G", 0.0), ("X", 0.1234), ("Y", 7.0))
    assert words("\tG1\tX-.5 Y5. F60\r") == (("G", 1.0), ("X", -0.5), ("Y", 5.0), ("F", 60.0))


def test_line_number_block_delete_and_comments() -> None:
    (block,) = read_blocks("/N12 G1 (one) X1 (MSG, two) F6 ; three")
    assert block.deleted
    assert block.words == (("G", 1.0), ("X", 1.0), ("F", 6.0))
    assert block.comments == ("one", "MSG, two", "three")
    assert block.numbers("X") == (1.0,)


def test_lines_are_counted_over_empty_ones() -> None:
    assert [(block.line, block.words) for block in read_blocks("%\n\n(a)\n \nM2\n%\n")] == [
        (3, ()),
        (5, (("M", 2.0),)),
    ]


def test_parameters_in_a_comment_are_text() -> None:
    assert words("(PRINT,x=#5061) M2") == (("M", 2.0),)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("G1 X[1+2]", "X[1+2]"),
        ("G1 X#5", "X#5"),
        ("#5=3", "#5=3"),
        ("G1 X1E3 F60", "letter E"),
        ("G1 X1.23456", "X1.23456"),
        ("G1 X--1", "X--1"),
        ("G1 X", "X"),
        ("G1 X1 X2", "X twice"),
        ("G1 X1.2.3", "'.3'"),
        ("G1 F", "F"),
        ("12", "12"),
        ("O100 SUB", "letter O"),
        ("N1.5 G1", "N1.5"),
        ("N G1", "NG1"),
        ("N123456 G1", "N123456"),
        ("G1 N5 X1", "letter N"),
        ("X1 / Y2", "/Y2"),
        ("(a (b) c)", "'(' in a comment"),
        ("(a", "without its end"),
        ("a)", "')'"),
        ("; a (b", "parenthesis"),
        ("G1 X1 µ", "\\xb5"),
        ("G1 X1\x00", "\\x00"),
        ("G1\x0bX1", "\\x0b"),
        ("(LOGOPEN, /etc/passwd)", "LOGOPEN"),
        ("( probe open a.txt)", "probe open"),
        ("(py, import os)", "py"),
        ("( " + "a" * 100 + ")", "103 characters"),
    ],
)
def test_what_is_outside_of_the_grammar_is_refused_with_its_line(line: str, found: str) -> None:
    with pytest.raises(PlanError) as caught:
        read_blocks(f"G21\n{line}\nM2\n")
    assert str(caught.value).startswith("Line 2 of the program: ")
    assert found in str(caught.value).split("; expected: ")[0]


@pytest.mark.parametrize(
    ("text", "line"),
    [("%\nM2\n", 1), ("M2\n%", 2), ("%\nM2\n%\nM2\n%", 3), ("G1 X%\nM2", 1), ("G21\n%\nM2\n%", 2)],
)
def test_percent_lines_come_first_and_last(text: str, line: int) -> None:
    with pytest.raises(PlanError, match=f"Line {line} of"):
        read_blocks(text)


NUMBERS = st.integers(-999_999, 999_999).map(lambda number: number / 10_000)


@given(st.lists(st.tuples(st.sampled_from("FXYZIJK"), NUMBERS), unique_by=lambda word: word[0], max_size=7))
def test_written_words_are_read_again(pairs: list[tuple[str, float]]) -> None:
    block = read_line("".join(f" {letter.lower()} {number:.4f}" for letter, number in pairs), 1)
    assert (block.words if block else ()) == tuple(pairs)


@given(st.text(alphabet="GXYMF0123456789.-+ ();%#[]/nN\n", max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        blocks = read_blocks(text)
    except PlanError:
        return
    # What was read says all there is in the code: nothing is passed over.
    for block in blocks:
        line = text.split("\n")[block.line - 1]
        code = "".join(part.rpartition(")")[2] for part in line.split(";")[0].split("("))
        assert len(block.words) == sum(sign in "GXYMF" for sign in code)


def test_line_numbers_rise() -> None:
    assert [block.number for block in read_blocks("N1 G21\nG90\nN10 M2")] == [1, None, 10]
    with pytest.raises(PlanError, match="Line 3 of the program: N10; expected: a line number above N10"):
        read_blocks("N10 G21\nG90\nN10 M2")
