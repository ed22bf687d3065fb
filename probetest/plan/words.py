"""The text of a machine program as blocks of words, read by a strict grammar.

Source: the grammar of a line of the RS274/NGC interpreter, Kramer, Proctor, Messina, NISTIR 6556 (2000),
section 3.3; from memory. Settings of parameters and expressions are left out: a line with one is refused.
A comment after ``;`` is common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NoReturn

from probetest.errors import PlanError

LONGEST_LINE = 100
"""Characters; common practice, no source: the interpreter takes 256, small controllers fewer."""

MOST_DECIMALS = 4

_BLANK = re.compile(r"[ \t]+")
_WORD = re.compile(r"([A-Z])([-+]?(?:[0-9]{1,9}(?:\.([0-9]*))?|\.([0-9]+)))")
_LINE_NUMBER = re.compile(r"N([0-9]{1,5})(?![0-9.])")
_LETTERS = frozenset("ABCDFGHIJKLMPQRSTXYZ")
_REPEATABLE = frozenset("GM")
_OPENING = re.compile(r"(PROBE|LOG)(OPEN|APPEND|CLOSE)|PY(RUN|RELOAD)?,|ABORT,")
"""Comments that some controllers obey, and that do more than show a text."""


@dataclass(frozen=True, slots=True)
class Block:
    """One line of a program.

    Attributes
    ----------
    line : int
        Line of the text, from 1.
    words : tuple of (str, float)
        Letter and number, in order; the line number is none of them.
    comments : tuple of str
        Texts between parentheses or after ``;``, without blanks around them.
    deleted : bool
        Whether the line starts with ``/``: then a switch at the machine decides about it.
    number : int or None
        After N, where the line has one.
    """

    line: int
    words: tuple[tuple[str, float], ...]
    comments: tuple[str, ...] = ()
    deleted: bool = False
    number: int | None = None

    def numbers(self, letter: str) -> tuple[float, ...]:
        """Numbers after a letter, in order."""
        return tuple(number for one, number in self.words if one == letter)


def refuse(line: int, found: str, expected: str) -> NoReturn:
    """Raise the error of a program.

    Raises
    ------
    PlanError
        Always, with the line of the program, what was found there and what was expected.
    """
    raise PlanError(refusal(line, found, expected))


def refusal(line: int, found: str, expected: str) -> str:
    """Sentence about a line of a program."""
    return f"Line {line} of the program: {found}; expected: {expected}."


def read_blocks(text: str) -> tuple[Block, ...]:
    """Read a program.

    Parameters
    ----------
    text : str
        ASCII; upper or lower case, blanks between letters and digits do not matter.

    Returns
    -------
    tuple of Block
        One for each line that holds a word or a comment. Their line numbers rise.

    Raises
    ------
    PlanError
        For the first line that is not within the grammar: an unknown character or letter, a letter twice
        (other than G and M), a number with an exponent or more than 4 decimals, a parameter, an expression,
        a comment in a comment or without an end, a line number with decimals or no higher than the one
        before, a ``%`` that is not the first and the last line, a line of more than 100 characters, a comment
        that makes a controller open files.

    Examples
    --------
    >>> [block.words for block in read_blocks("n10 g1 x-1. 5 (to the left) f400")]
    [(('G', 1.0), ('X', -1.5), ('F', 400.0))]
    """
    lines = text.split("\n")
    filled = [at for at, line in enumerate(lines, 1) if line.strip(" \t\r")]
    marks = [at for at in filled if lines[at - 1].strip(" \t\r") == "%"]
    if marks and (len(marks) != 2 or marks != [filled[0], filled[-1]]):
        wrong = next((at for at in marks if at not in (filled[0], filled[-1])), marks[-1])
        refuse(wrong, f"{len(marks)} lines with %", "none, or one as first and one as last line")
    blocks: list[Block] = []
    highest = -1
    for at, line in enumerate(lines, 1):
        block = None if at in marks else read_line(line.removesuffix("\r"), at)
        if block is None:
            continue
        if block.number is not None:
            if block.number <= highest:
                refuse(at, f"N{block.number}", f"a line number above N{highest}")
            highest = block.number
        blocks.append(block)
    return tuple(blocks)


def read_line(text: str, line: int) -> Block | None:
    """Read one line.

    Parameters
    ----------
    text : str
    line : int
        Its number, for the error and the block.

    Returns
    -------
    Block or None
        None for a line without words and comments.

    Raises
    ------
    PlanError
        If the line is not within the grammar.
    """
    if len(text) > LONGEST_LINE:
        refuse(line, f"{len(text)} characters", f"{LONGEST_LINE} at most")
    for sign in text:
        if not (" " <= sign <= "~" or sign == "\t"):
            refuse(line, f"the character {sign!a}", "printable ASCII")
    code, comments = _without_comments(text, line)
    code = _BLANK.sub("", code).upper()
    deleted = code.startswith("/")
    code = code.removeprefix("/")
    number = None
    if code.startswith("N"):
        found = _LINE_NUMBER.match(code)
        if found is None:
            refuse(line, f"{code[:12]!r}", "a line number: N and up to five digits")
        number, code = int(found.group(1)), code[found.end() :]
    words = _words(code, line)
    if not words and not comments:
        return None
    return Block(line, words, comments, deleted, number)


def _without_comments(text: str, line: int) -> tuple[str, tuple[str, ...]]:
    code, comments, rest = "", [], text
    while (found := re.search(r"[();]", rest)) is not None:
        code += rest[: found.start()] + " "
        rest = rest[found.end() :]
        if found.group() == ")":
            refuse(line, "')' without '('", "a comment between parentheses")
        if found.group() == ";":
            if "(" in rest or ")" in rest:
                refuse(line, "a parenthesis after ';'", "a comment of one kind")
            comments.append(rest.strip())
            rest = ""
            break
        inside, end, rest = rest.partition(")")
        if not end:
            refuse(line, "a comment without its end", "')'")
        if "(" in inside:
            refuse(line, "'(' in a comment", "no comment in a comment")
        comments.append(inside.strip())
    for comment in comments:
        if _OPENING.match(_BLANK.sub("", comment).upper()):
            refuse(line, f"the comment {comment[:40]!r}", "comments that only show a text")
    return code + rest, tuple(comments)


def _words(code: str, line: int) -> tuple[tuple[str, float], ...]:
    words: list[tuple[str, float]] = []
    seen: set[str] = set()
    at = 0
    while at < len(code):
        found = _WORD.match(code, at)
        if found is None:
            refuse(line, f"{code[at : at + 12]!r}", "a letter and a number")
        letter, number = found.group(1), found.group(2)
        if letter not in _LETTERS:
            refuse(line, f"the letter {letter} in {code[at : at + 12]!r}", "a letter of the grammar")
        if letter in seen:
            refuse(line, f"the letter {letter} twice", f"{letter} once")
        if letter not in _REPEATABLE:
            seen.add(letter)
        if len(found.group(3) or found.group(4) or "") > MOST_DECIMALS:
            refuse(line, f"{letter}{number}", f"{MOST_DECIMALS} decimals at most")
        words.append((letter, float(number)))
        at = found.end()
    return tuple(words)
