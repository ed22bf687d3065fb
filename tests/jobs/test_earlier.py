"""Earlier results: what this software wrote is read back whole; what strangers made ends in one sentence."""

from __future__ import annotations

import copy
import io
import json
import os
import subprocess
import zlib
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import nbformat
import pypdf
import pytest
from pypdf.generic import ArrayObject, DictionaryObject, NameObject, StreamObject, create_string_object
from sample_probes import DemoProbe, make_test

from probetest.errors import ReportError
from probetest.jobs import attached
from probetest.jobs.earlier import LARGEST_BYTES, EarlierResult, read_result
from probetest.jobs.qualify import qualify
from probetest.jobs.result import result_to_json
from probetest.jobs.verify import verification_to_json, verify
from probetest.limits import Limits
from probetest.report.render import notebook_to_pdf
from probetest.simulate import Faults, Mill, Plan
from probetest.triggers import Artefact

CONTROL = "\x1b[2J\x07"

Read = Callable[..., EarlierResult]
"""Writes a file and reads it as a result."""


@pytest.fixture(scope="module")
def written(demo_probes: dict[str, DemoProbe]) -> bytes:
    return result_to_json(demo_probes["SK1-008"].found)


@pytest.fixture
def plain(written: bytes) -> dict[str, Any]:
    return json.loads(written)


@pytest.fixture
def read(tmp_path: Path) -> Callable[[bytes | dict[str, Any]], EarlierResult]:
    """Write a file, read it as a result, and see that nothing else was written."""

    def read_back(content: bytes | dict[str, Any], name: str = "result.json") -> EarlierResult:
        file = tmp_path / name
        file.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
        try:
            return read_result(file)
        finally:
            assert list(tmp_path.iterdir()) == [file]
            file.unlink()

    return read_back


def refused(read: Read, content: bytes | dict[str, Any], name: str = "x.json") -> str:
    """The sentence that a file is refused with."""
    with pytest.raises(ReportError) as caught:
        read(content, name)
    text = str(caught.value)
    assert text.isprintable()
    assert name in text
    assert text.endswith(".")
    assert len(text) < 600
    return text


def changed(plain: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The result with another value at a dotted path."""
    whole = copy.deepcopy(plain)
    part = whole
    *steps, last = path.split(".")
    for step in steps:
        part = part[step]
    part[last] = value
    return whole


def said(earlier: EarlierResult) -> dict[str, Any]:
    """What a result says, wherever it was read from."""
    return earlier.model_dump(exclude={"file", "sha256"})


# ---- what this software wrote


def test_figures_of_every_demo_probe_are_read_back(demo_probes: dict[str, DemoProbe], read: Read) -> None:
    for serial, probe in demo_probes.items():
        found, earlier = probe.found, read(result_to_json(probe.found))
        spread = found.analysis.repeatability
        assert (earlier.serial, earlier.verdict) == (serial, found.verdict)
        assert earlier.limits == found.limits
        assert earlier.repeatability.sd_mm == (spread.sd_mm if spread.resolved else None)
        assert earlier.pretravel.mean_mm == found.mean_pretravel_mm
        assert earlier.outcomes.approaches - earlier.outcomes.triggers == found.outcomes.failed
        assert earlier.conditions.stylus == found.record.stylus
        assert {one.figure: one.expanded_mm for one in earlier.budgets} == {
            one.figure: one.expanded_mm for one in found.budgets
        }
        own = found.separated.known.probe if found.separated.known else None
        assert (earlier.own.variation_mm if earlier.own else None) == (own.variation_mm if own else None)


@pytest.mark.parametrize(
    ("plan", "mill", "artefact"),
    [
        (Plan(directions=1, repeats=2), Mill(), None),
        (Plan(directions=4, repeats=2), Mill(step_mm=0.05), None),
        (Plan(directions=5, repeats=2), Mill(step_mm=0.01), Artefact(kind="ring", diameter_mm=25.0)),
        (Plan(directions=6, repeats=2), Mill(), Artefact(kind="ring")),
        (Plan(directions=24, repeats=2), Mill(step_mm=0.005), None),
        (Plan(directions=7, repeats=4), Mill(drift_mm_per_h=0.5), None),
    ],
    ids=lambda value: f"{value.directions}x{value.repeats}" if isinstance(value, Plan) else "",
)
def test_result_of_a_meagre_test_is_read_back_too(
    plan: Plan, mill: Mill, artefact: Artefact | None, read: Read
) -> None:
    test = make_test(
        mill=mill, plan=plan, artefact=artefact, faults=Faults(missed=(1,)) if plan.directions > 6 else None
    )
    found = qualify(test, Limits())
    earlier = read(result_to_json(found))
    assert earlier.outcomes.approaches == plan.directions * plan.repeats
    verification_to_json(verify(found, earlier))


def test_report_and_result_beside_it_say_the_same(written: bytes, read: Read) -> None:
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("A page.")])
    files = {"result.json": written, "trigger-log.csv": b"# log\n"}
    report = notebook_to_pdf(notebook, title="Test", serial="SK1-008", attachments=files, date=None)
    inside, beside = read(report, "report.pdf"), read(written, "result.json")
    assert said(inside) == said(beside)
    # What was read is named as it is: the report, not the result inside it.
    assert (inside.file, inside.sha256) == ("report.pdf", sha256(report).hexdigest())
    assert (beside.file, beside.sha256) == ("result.json", sha256(written).hexdigest())


def test_name_of_the_file_does_not_decide_what_it_is(written: bytes, read: Read) -> None:
    assert read(written, "result.pdf").serial == "SK1-008"
    assert read(pdf_with(("result.json", written)), "report.json").serial == "SK1-008"


def test_byte_order_mark_is_accepted(written: bytes, read: Read) -> None:
    marked = b"\xef\xbb\xbf" + written
    assert said(read(marked)) == said(read(written))
    assert said(read(pdf_with(("result.json", marked)))) == said(read(written))
    assert "found no JSON" in refused(read, b"\xef\xbb\xbf" + marked)


def test_what_is_not_asked_for_may_be_anything(plain: dict[str, Any], read: Read) -> None:
    stranger = changed(plain, "remarks", {"a": [None, "#panic()"]}) | {"added later": 1}
    assert said(read(stranger)) == said(read(plain))


# ---- JSON of strangers


@pytest.mark.parametrize(
    "content",
    [
        b"", b"no json", b"{", b"\x00" * 1000, bytes(range(256)), b'{"schema": "\xff"}', b"[" * 10**6,
        b'{"schema":' + b"[" * 10**6 + b"]" * 10**6 + b"}", b'{"a":' * 10**5, b"NaN,",
        b'{"serial": "\\ud800"}',
    ],
    ids=["empty", "words", "open", "nul", "bytes", "no utf-8", "deep", "closed", "dicts", "nan", "surrogate"],
)  # fmt: skip
def test_what_is_no_json_is_refused(content: bytes, read: Read) -> None:
    assert "found no JSON" in refused(read, content)


@pytest.mark.parametrize(
    "content", [b"[]", b"1", b"null", b'"text"', b"{}", b'{"schema": "probetest.result/1"}']
)
def test_json_of_something_else_is_refused(content: bytes, read: Read) -> None:
    assert "make the result anew" in refused(read, content)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("schema", "probetest.verification/1"), ("schema", "probetest.result/1 "), ("schema", 1),
        ("schema", "probetest.result/2"), ("schema", None), ("verdict", "excellent"), ("verdict", None),
        ("serial", ""), ("serial", "x" * 201), ("serial", None), ("software", ["a"]), ("verdict", "x" * 41),
        ("repeatability.sd_mm", "abc"), ("repeatability.sd_mm", -0.001), ("repeatability.sd_mm", 0),
        ("repeatability.sd_mm", float("nan")), ("repeatability.sd_mm", float("inf")),
        ("repeatability.sd_mm", 1e300), ("repeatability.sd_mm", 10**400), ("repeatability.n", -1),
        ("repeatability.n", 2.5), ("repeatability", None), ("repeatability.lower_mm", -1e-9),
        ("pretravel.curve.variation_mm", -1), ("pretravel.mean_mm", float("-inf")),
        ("pretravel.curve.waves", [{"order": 3}]),
        ("separation.probe.curve_mm", ["a"]), ("separation.probe.curve_mm", [0.0] * 20_000),
        ("separation.probe.waves", 3), ("outcomes.approaches", 0),
        ("outcomes.triggers", -1), ("limits.max_pooled_sd_mm", -1), ("limits.unknown", 1),
        ("conditions.stylus.length_mm", 0), ("conditions.artefact.kind", CONTROL), ("budgets", [{}] * 200),
    ],
)  # fmt: skip
def test_impossible_value_is_named_with_its_place(
    path: str, value: Any, plain: dict[str, Any], read: Read
) -> None:
    assert f"x.json, {path}" in refused(read, changed(plain, path, value))


@pytest.mark.parametrize(
    "path",
    ["repeatability.sd_mm", "outcomes.triggers", "pretravel.curve.upper_mm", "limits.max_pooled_sd_mm"],
)
@pytest.mark.parametrize("value", ["0.0014", "1", True, False])
def test_text_or_truth_is_no_number(value: Any, path: str, plain: dict[str, Any], read: Read) -> None:
    assert f"x.json, {path}" in refused(read, changed(plain, path, value))


@pytest.mark.parametrize("part", ["repeatability", "pretravel.curve", "separation.probe"])
def test_lower_limit_above_the_upper_is_refused(part: str, plain: dict[str, Any], read: Read) -> None:
    refused(read, changed(changed(plain, f"{part}.lower_mm", 0.5), f"{part}.upper_mm", 0.4))


@pytest.mark.parametrize("factor", [0.5, 2.0])
@pytest.mark.parametrize(
    ("part", "figure"),
    [("repeatability", "sd_mm"), ("pretravel.curve", "variation_mm"), ("separation.probe", "variation_mm")],
)
def test_figure_outside_its_own_limits_is_refused(
    part: str, figure: str, factor: float, plain: dict[str, Any], read: Read
) -> None:
    around = changed(changed(plain, f"{part}.lower_mm", 0.010), f"{part}.upper_mm", 0.012)
    text = refused(read, changed(around, f"{part}.{figure}", 0.011 * factor))
    assert f"x.json, {part}" in text
    assert f"{figure} must lie between" in text


@pytest.mark.parametrize("curve", [[0.0] * 3, [1e308], []], ids=["too few", "too large", "none"])
def test_curve_that_can_not_be_drawn_is_refused(
    curve: list[float], plain: dict[str, Any], read: Read
) -> None:
    whole = curve * len(plain["separation"]["probe"]["azimuth_deg"]) if len(curve) == 1 else curve
    text = refused(read, changed(plain, "separation.probe.curve_mm", whole))
    assert "x.json, separation.probe" in text


def test_more_triggers_than_approaches_are_refused(plain: dict[str, Any], read: Read) -> None:
    text = refused(read, changed(plain, "outcomes.triggers", plain["outcomes"]["approaches"] + 1))
    assert "x.json, outcomes" in text
    assert "more triggers than approaches" in text


@pytest.mark.parametrize(
    ("path", "value"),
    [("repeatability.lower_mm", 5e-324), ("separation.probe.variation_mm", 1e6),
     ("outcomes.approaches", 10**9), ("pretravel.mean_mm", -1e6), ("conditions.stylus.length_mm", 1e308)],
)  # fmt: skip
def test_extreme_values_are_refused_or_give_numbers(
    path: str, value: Any, plain: dict[str, Any], demo_probes: dict[str, DemoProbe], read: Read
) -> None:
    try:
        earlier = read(changed(plain, path, value))
    except ReportError:
        return
    assert json.loads(verification_to_json(verify(demo_probes["SK1-008"].found, earlier)))["agreement"]


# ---- files that are no files


def test_huge_file_is_refused_unread(tmp_path: Path) -> None:
    huge = tmp_path / "huge.json"
    with huge.open("wb") as file:
        file.truncate(2 * LARGEST_BYTES)
    with pytest.raises(ReportError, match=r"huge\.json: found no plain file of a usual size, expected"):
        read_result(huge)


@pytest.mark.parametrize("name", ["nowhere.json", "nowhere/result.json", "x" * 300])
def test_missing_file_is_one_sentence(name: str, tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="can't be read") as caught:
        read_result(tmp_path / name)
    assert str(caught.value).isprintable()


def test_folder_pipe_or_device_is_refused_unread(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.json")
    for path in (tmp_path, tmp_path / "pipe.json", Path("/dev/zero")):
        with pytest.raises(ReportError, match=r"found no plain file.*expected a result\.json") as caught:
            read_result(path)
        assert str(caught.value).startswith(f"{path}: ")
        assert str(caught.value).isprintable()


def test_control_signs_in_a_name_are_written_as_escapes(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match=r"\\x1b") as caught:
        read_result(tmp_path / f"{CONTROL}.json")
    assert CONTROL not in str(caught.value)


# ---- PDF of strangers


def pdf_with(*files: tuple[str, bytes], password: str = "") -> bytes:
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    for name, content in files:
        writer.add_attachment(name, content)
    if password:
        writer.encrypt(password, algorithm="RC4-128")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def pdf_with_stream(content: bytes, *codings: str) -> bytes:
    """A PDF whose result.json is a stream with codings of one's own."""
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    stream = StreamObject()
    stream._data = content
    names = [NameObject(coding) for coding in codings]
    stream[NameObject("/Filter")] = names[0] if len(names) == 1 else ArrayObject(names)
    held = DictionaryObject({NameObject("/F"): writer._add_object(stream)})
    named = DictionaryObject({NameObject("/F"): create_string_object("result.json"), NameObject("/EF"): held})
    tree = ArrayObject([create_string_object("result.json"), writer._add_object(named)])
    files = DictionaryObject({NameObject("/Names"): tree})
    writer._root_object[NameObject("/Names")] = DictionaryObject({NameObject("/EmbeddedFiles"): files})
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def test_pdf_without_a_result_is_refused(read: Read) -> None:
    assert "found 0 files 'result.json'" in refused(read, pdf_with())
    assert "found 0 files" in refused(read, pdf_with(("other.json", b"{}"), ("Result.json", b"{}")))


def test_pdf_with_two_results_is_refused(written: bytes, read: Read) -> None:
    twice = pdf_with(("result.json", written), ("result.json", written))
    assert "found 2 files 'result.json'" in refused(read, twice)


def test_what_is_inside_a_pdf_is_judged_as_a_file_is(plain: dict[str, Any], read: Read) -> None:
    assert "found no JSON" in refused(read, pdf_with(("result.json", b"%PDF-1.7")))
    bad = json.dumps(changed(plain, "repeatability.sd_mm", -1)).encode()
    assert "repeatability.sd_mm" in refused(read, pdf_with(("result.json", bad)))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.99])
def test_cut_pdf_is_refused(share: float, written: bytes, read: Read) -> None:
    whole = pdf_with(("result.json", written))
    assert "damaged" in refused(read, b"%PDF-1.7\n" + whole[9 : int(share * len(whole))])


def test_locked_pdf_is_refused(written: bytes, read: Read) -> None:
    refused(read, pdf_with(("result.json", written), password="x"))


@pytest.mark.parametrize("size", [attached.LARGEST_BYTES + 1, 90_000_000], ids=["30 MB", "90 MB"])
def test_small_pdf_that_swells_is_refused(size: int, read: Read) -> None:
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(b" " * (size // 100)) for _ in range(100))
    packed += packer.compress(b" " * 100) + packer.flush()
    swelling = pdf_with_stream(packed, "/FlateDecode")
    assert len(swelling) < 400_000
    # "found 1, expected one" would be no reason.
    assert "found 1 files" not in refused(read, swelling)


@pytest.mark.parametrize(
    "coding",
    [
        "/Unknown", "/JBIG2Decode", "/JPXDecode", "/CCITTFaxDecode", "/DCTDecode", "/LZWDecode",
        "/ASCII85Decode", "/ASCIIHexDecode", "/RunLengthDecode", "/Crypt",
    ],
)  # fmt: skip
def test_pdf_with_a_strange_coding_is_refused_and_starts_no_program(
    coding: str, read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    def started(*_: object, **__: object) -> None:
        pytest.fail("a program was started")

    for name in ("Popen", "run"):
        monkeypatch.setattr(subprocess, name, started)
    for name in ("system", "posix_spawn", "fork"):
        monkeypatch.setattr(os, name, started)
    for codings in ((coding,), ("/FlateDecode", coding), (coding, "/FlateDecode")):
        for content in (b"\x80\x01abc", zlib.compress(b"abc")):
            text = refused(read, pdf_with_stream(content, *codings))
            assert "of a strange kind" in text or "damaged" in text


def test_packing_twice_is_refused(written: bytes, read: Read) -> None:
    once, twice = zlib.compress(written), zlib.compress(zlib.compress(written))
    assert read(pdf_with_stream(once, "/FlateDecode")).serial == "SK1-008"
    assert "strange kind" in refused(read, pdf_with_stream(twice, "/FlateDecode", "/FlateDecode"))
