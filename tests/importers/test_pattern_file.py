"""Pattern files: the example that comes with the package, and what a file must not hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from probetest.errors import ImportDataError
from probetest.importers import import_log, read_pattern
from probetest.importers.pattern import built_in_patterns, escaped
from probetest.resources import bundled

EXAMPLE = bundled("data") / "pattern_example.toml"


def test_the_example_reads_the_lines_it_is_written_for(tmp_path: Path) -> None:
    lines = [
        line.removeprefix("#     ")
        for line in EXAMPLE.read_text(encoding="utf-8").splitlines()
        if line.startswith("#     >>")
    ]
    log = tmp_path / "log.txt"
    log.write_text("\n".join([*lines, ">> NEUSTART", "was?"]) + "\n", encoding="utf-8")
    pattern = read_pattern(EXAMPLE)
    found = import_log(log, pattern=pattern, pattern_name="own", units="mm", serial="A")
    (test,) = found.tests
    assert found.shape == "own"
    assert test.frame["outcome"].tolist() == ["trigger", "missed"]
    assert test.frame["x_mm"].iloc[0] == 12.0312
    assert np.isnan(test.frame["x_mm"].iloc[1])
    assert test.frame["azimuth_deg"].tolist() == [30.0, 30.0]
    assert [(one.line, one.reason) for one in found.skipped if one.line > 2] == [
        (5, "not understood: 'was?'")
    ]


@pytest.mark.parametrize(
    ("toml", "found"),
    [
        ('about = "x"\nrecord = "(?P<x>[0-9]+"', "which can't be read"),
        ('about = "x"\nrecord = "(?P<length>[0-9]+)"', "the group 'length'"),
        ('about = "x"\nrecord = "abc"', "no group for a value"),
        ('about = "x"\nrecord = "(?P<x>1)"\nfields = ["(?P<x>2)"]', "the group 'x' in two expressions"),
        ('about = "x"\nrecord = "(?P<x>1)"\ninclude = ["everything"]', "include 'everything'"),
        ('about = "x"\nrecord = "(?P<x>1)"\n[[events]]\nkind = "party"\nfind = "a"', "'party'"),
        (f'about = "x"\nrecord = "(?P<x>{"1" * 1000})"', "an expression of 1007 characters"),
        ('record = "(?P<x>1)"', "no key 'about'"),
        ('about = "x"\nrecord = "(?P<x>1)"\ncolour = "red"', "the unknown key 'colour'"),
    ],
)
def test_a_file_that_can_not_be_used_is_one_sentence(toml: str, found: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(toml, encoding="utf-8")
    with pytest.raises(ImportDataError) as caught:
        read_pattern(path)
    assert found in str(caught.value)


def test_patterns_are_tried_from_the_most_to_the_least_marked() -> None:
    assert list(built_in_patterns()) == [
        "echoed-console", "bracketed-result", "json-result-lines", "labelled-values", "copied-display",
        "bare-axis-columns", "single-deltas",
    ]  # fmt: skip


def test_a_tag_is_text_and_no_expression(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_text("[.*:1.000,2.000,3.000:1]\n[PRB:7.000,2.000,3.000:1]\n", encoding="utf-8")
    (test,) = import_log(log, tag=".*", units="mm", serial="A", direction=(0.0, 0.0)).tests
    assert test.frame["x_mm"].tolist() == [1.0]
    assert escaped("a.b") == r"a\x{2e}b"
