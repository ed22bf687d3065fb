"""The feed of an echoed move is in the unit of the program, which need not be that of the results."""

from __future__ import annotations

from pathlib import Path

import pytest

from probetest.importers import import_log


@pytest.mark.parametrize(
    ("words", "units", "feed_mm_min"),
    [
        ("G21\n", "mm", 60.0),
        ("", "mm", 60.0),
        ("", "inch", 60.0 * 25.4),
        ("G21\n", "inch", 60.0),
        ("G20\n", "mm", 60.0 * 25.4),
        ("", "um", 60.0),
        ("", "thou", 60.0 * 25.4),
    ],
)
def test_a_feed_is_in_the_unit_of_the_program(
    words: str, units: str, feed_mm_min: float, tmp_path: Path
) -> None:
    log = tmp_path / "log.txt"
    log.write_text(words + "G91 G38.2 Z-12 F60\n[PRB:1.000,2.000,-5.000:1]\n", encoding="utf-8")
    (test,) = import_log(log, units=units, serial="A").tests
    assert test.frame["feed_mm_min"].tolist() == pytest.approx([feed_mm_min], rel=1e-12)
