import pytest
from report_hostile import HOSTILE, MARK

from probetest.report.characters import clean, printable, walk


@pytest.mark.parametrize(("text", "expected"), HOSTILE.values(), ids=HOSTILE.keys())
def test_printable_text_is_literal_or_marked(text, expected):
    assert printable(text).text == expected


@pytest.mark.parametrize("text", ["Ø 25 µm ±3σ −1 ° ≤", "Zürich Łódź", "Ж", ""])
def test_ordinary_text_is_not_touched(text):
    shown = printable(text)
    assert (shown.text, shown.replaced) == (text, 0)


def test_printable_counts_what_it_replaces():
    assert printable("a\0b\u202e\U0001f527").replaced == 3


def test_clean_keeps_characters_that_only_the_fonts_lack():
    assert clean("\U0001f527 \0").text == f"\U0001f527 {MARK}"


def test_the_mark_itself_counts_as_printed():
    assert printable(MARK).replaced == 0


def test_a_private_use_character_is_marked_although_the_font_has_a_sign_for_it():
    assert printable("\ue000").text == MARK


def test_walk_treats_every_string_and_counts():
    data, replaced = walk({"a": ["x\0", ("y\0", 3)], "b": None, "c": 1.5}, clean)
    assert data == {"a": [f"x{MARK}", [f"y{MARK}", 3]], "b": None, "c": 1.5}
    assert replaced == 2
