"""Inputs that a coverage-guided run kept, because each one went a way of its own through the importers."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzzing import survives

CORPUS = sorted((Path(__file__).parent / "corpus").iterdir())


def test_the_corpus_is_there() -> None:
    assert len(CORPUS) > 100


@pytest.mark.parametrize("chunk", range(8))
def test_no_input_of_the_corpus_does_anything_but_be_read_or_refused(chunk: int, tmp_path: Path) -> None:
    outcomes = [survives(path.read_bytes(), tmp_path) for path in CORPUS[chunk::8]]
    assert any(outcome is None for outcome in outcomes)
    assert any(outcome is not None for outcome in outcomes)
