"""Dialects: what the package brings, and what a file of a user can't smuggle into a program."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from probetest.errors import BenchError
from probetest.plan.dialect import FOLDER, Dialect, built_in_dialects, read_dialect

CONSOLE = (FOLDER / "console.toml").read_text(encoding="utf-8")


def changed(folder: Path, **values: Any) -> str:
    """A console dialect with some keys changed, as a file; its path."""
    kept = [line for line in CONSOLE.splitlines() if line.split(" =")[0] not in values]
    stated = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
    path = folder / "own.toml"
    path.write_text("\n".join(kept + stated), encoding="utf-8")
    return str(path)


def test_four_dialects_come_with_the_package() -> None:
    assert list(built_in_dialects()) == ["console", "display", "printing", "strict"]


def test_strict_has_no_word_that_is_not_in_the_public_report() -> None:
    # NISTIR 6556 (2000), from memory: G38.2 alone; (MSG, ...) is its only active comment; M0, M2; % and N.
    strict = read_dialect("strict")
    assert (strict.touch_word, strict.guarded_word, strict.print_line) == ("G38.2", "", "")
    assert strict.message_line == "(MSG, {text})"
    assert strict.percent
    assert strict.line_numbers


def test_only_the_printing_one_prints_and_only_the_display_one_waits() -> None:
    dialects = built_in_dialects()
    assert [name for name, one in dialects.items() if one.print_line] == ["printing"]
    assert [name for name, one in dialects.items() if one.pause_each_touch] == ["display"]


def test_a_dialect_can_be_a_file(tmp_path: Path) -> None:
    own = read_dialect(changed(tmp_path, comment_open=";", comment_close="", message_line="; {text}"))
    assert own == read_dialect("console").model_copy(
        update={"comment_open": ";", "comment_close": "", "message_line": "; {text}"}
    )


def test_a_name_that_is_none_lists_those_there_are() -> None:
    with pytest.raises(BenchError, match=r"found 'consol', expected one of console, display, printing, st"):
        read_dialect("consol")


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000, "", "../console"])
def test_odd_names_are_refused(name: str) -> None:
    with pytest.raises(BenchError):
        read_dialect(name)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("touch_word", "G0"),
        ("touch_word", "G38.2 G0"),
        ("touch_word", "G38.3"),  # a miss would go unseen
        ("touch_word", "G38.4"),  # moves away from the artefact
        ("touch_word", "g38.2\n"),
        ("touch_word", ""),
        ("guarded_word", "G0"),
        ("guarded_word", "G1"),
        ("guarded_word", "G38.5"),
        ("guarded_word", "G38.3 "),
        ("comment_open", ""),
        ("comment_open", "/"),
        ("comment_close", ") G0 X0"),
        ("comment_close", ""),  # with a comment that opens by a bracket
        ("message_line", "{text}"),
        ("message_line", "(MSG, {text}) G0 X0"),
        ("message_line", "(MSG, {text})\n"),
        ("message_line", "(MSG, {text})\nG0 X0"),
        ("message_line", "(MSG, hello)"),
        ("message_line", "(LOGOPEN, {text})"),
        ("message_line", ""),
        ("print_line", "G0 X0 ({text})"),
        ("print_line", "(PRINT,{text}"),
        ("print_line", "(PRINT,{text}{text})"),
        ("print_line", "(PY,{text})"),
        ("print_line", "(PROBEOPEN {text})"),
        ("print_line", "{text}"),
        ("print_line", "(PRINT,{text})\n"),
        ("x_result", "#5061 X5"),
        ("x_result", "#0"),
        ("x_result", "#5061\n"),
        ("x_result", "5061"),
        ("x_result", "#5\u0660"),
        ("x_result", "#506123"),
        ("pause_word", "M3"),
        ("pause_word", ""),
        ("pause_word", "M0 M3"),
        ("pause_word", "M6"),
        ("end_word", "M99"),
        ("end_word", "M2\nG0 X0"),
        ("pause_each_touch", 1),
        ("line_numbers", "yes"),
        ("percent", 0),
        ("start_word", "M3"),
        ("about", "x" * 501),
    ],
)
def test_a_file_can_not_add_words_of_its_own(tmp_path: Path, key: str, value: Any) -> None:
    path = changed(tmp_path, **{key: value})
    with pytest.raises(BenchError) as caught:
        read_dialect(path)
    assert "no valid TOML" not in str(caught.value)
    assert "own.toml" in str(caught.value)


@pytest.mark.parametrize("missing", ["touch_word", "guarded_word", "comment_open", "pause_word", "end_word"])
def test_no_word_has_a_silent_default(tmp_path: Path, missing: str) -> None:
    path = tmp_path / "own.toml"
    lines = [line for line in CONSOLE.splitlines() if not line.startswith(missing)]
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(BenchError, match=missing):
        read_dialect(str(path))


@pytest.mark.parametrize("results", [("", "#2", "#3"), ("#5061", "#5061", "#5063")])
def test_prints_need_three_results(results: tuple[str, str, str]) -> None:
    stated = read_dialect("printing").model_dump()
    with pytest.raises(ValueError, match="three different results"):
        Dialect(**stated | dict(zip(("x_result", "y_result", "z_result"), results, strict=True)))


@pytest.mark.parametrize(("word", "needed"), [("M0", False), ("M00", False), ("M1", True), ("M01", True)])
def test_an_optional_stop_is_known_as_one(word: str, needed: bool) -> None:
    stated = read_dialect("console").model_dump() | {"pause_word": word}
    assert Dialect(**stated).must_switch_on_pauses is needed
