"""Text in blocks: the same lines with the same numbers, whatever the line ends, encoding and block size."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probetest.errors import ImportDataError
from probetest.faults import FaultList
from probetest.importers import blocks
from probetest.importers.blocks import LONGEST_LINE, LogText
from probetest.importers.content import read_opening


def lines_of(path: Path, encoding: str = "utf-8") -> tuple[list[tuple[int, str]], LogText]:
    faults = FaultList(str(path))
    log = LogText(path, read_opening(path, encoding, faults), faults)
    found = [
        (block.first + place, text) for block in log for place, text in enumerate(block.lines.to_pylist())
    ]
    return found, log


@pytest.mark.parametrize("block_bytes", [1, 2, 3, 5, 7, 1 << 20])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_count_once_wherever_a_block_ends(
    end: str, block_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "BLOCK_BYTES", block_bytes)
    path = tmp_path / "log.txt"
    path.write_bytes(end.join(["a", "", " b\t", "c"]).encode())
    found, log = lines_of(path)
    assert found == [(1, "a"), (2, ""), (3, "b"), (4, "c")]
    assert log.line_count == 4
    assert log.sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from(["1.5 2", "µ", "x", "", "[PRB:1]", "日本"]), min_size=1, max_size=12),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
    st.integers(1, 40),
    st.booleans(),
)
def test_encodings_and_blocks_do_not_change_the_lines(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    lines: list[str],
    encoding: str,
    block_bytes: int,
    ends: bool,
) -> None:
    text = "# a head in Latin letters that shows what the zero bytes mean\n" + "\n".join(lines) + "\n" * ends
    path = tmp_path / "log.txt"
    path.write_bytes(text.encode(encoding))
    monkeypatch.setattr(blocks, "BLOCK_BYTES", block_bytes)
    found, log = lines_of(path)
    expected = text.split("\n")
    assert [line for _, line in found] == (expected[:-1] if expected[-1] == "" else expected)
    assert [number for number, _ in found] == list(range(1, len(found) + 1))
    assert log.replaced_count == 0


def test_nul_bytes_are_left_out_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes(b"1.5\x00 2\n" + b"3 4\n" * 200)
    found, log = lines_of(path)
    assert found[0] == (1, "1.5 2")
    assert log.nul_count == 1


def test_bytes_that_are_no_text_in_the_encoding_are_marked_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes(b"sp\xe4t 1.5\nb\n")
    found, log = lines_of(path)
    assert found == [(1, "sp�t 1.5"), (2, "b")]
    assert log.replaced_count == 1


def test_a_line_too_long_to_be_a_result_is_left_empty_with_its_length(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text(
        "a\n" + "x" * (LONGEST_LINE + 1) + "\n" + "y" * (LONGEST_LINE - 1) + "\n", encoding="utf-8"
    )
    faults = FaultList(str(path))
    (block,) = LogText(path, read_opening(path, "utf-8", faults), faults)
    assert block.lines.to_pylist() == ["a", "", "y" * (LONGEST_LINE - 1)]
    assert block.too_long == ((2, LONGEST_LINE + 2),)


def test_a_file_without_line_ends_is_refused_before_it_fills_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blocks, "_MOST_CARRIED", 1 << 20)
    monkeypatch.setattr(blocks, "BLOCK_BYTES", 1 << 18)
    path = tmp_path / "log.txt"
    path.write_bytes(b"first\n" + b"x" * (2 << 20))
    with pytest.raises(ImportDataError, match="line 2: found a line of more than 1 MiB"):
        lines_of(path)


def test_each_block_is_reported_with_its_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "BLOCK_BYTES", 10)
    path = tmp_path / "log.txt"
    path.write_bytes(b"12345678\n" * 5)
    faults, seen = FaultList(str(path)), []
    list(LogText(path, read_opening(path, "utf-8", faults), faults, seen.append))
    assert seen == [10, 10, 10, 10, 5]
