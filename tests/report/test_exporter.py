import base64
import io
import zlib
from datetime import UTC, datetime

import nbformat
import pytest
from nbconvert.exporters import get_exporter
from pypdf import PdfReader
from report_hostile import HOSTILE
from report_pages import DATE, body_of, code_cell, displayed, notebook_of, packed, pages_of, print_pdf

from probetest.errors import ReportError
from probetest.report.blocks import MIME, Literal
from probetest.report.exporter import ReportPDFExporter

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="20" height="10"><text y="9">drawn</text></svg>'


def notebook_with(*outputs):
    return nbformat.v4.new_notebook(cells=[code_cell(*outputs)])


def small_png():
    def chunk(name, data):
        body = name + data
        return len(data).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")

    head = chunk(b"IHDR", bytes([0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0]))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0\x80")) + chunk(b"IEND", b"")


def images_of(pdf):
    return sum(len(page.images) for page in PdfReader(io.BytesIO(pdf)).pages)


def test_nbconvert_knows_the_exporter():
    assert get_exporter("probetest_pdf") is ReportPDFExporter


def test_nbconvert_gets_a_pdf_with_its_ending():
    pdf, resources = get_exporter("probetest_pdf")().from_notebook_node(notebook_of(Literal("a")))
    assert (pdf[:5], resources["output_extension"]) == (b"%PDF-", ".pdf")


def test_the_title_is_the_name_of_the_notebook_if_nothing_else_is_said():
    resources = {"metadata": {"name": "some name"}}
    pdf, _ = ReportPDFExporter().from_notebook_node(notebook_of(Literal("a")), resources)
    assert "probetest · some name" in pages_of(pdf)[0]


def test_code_is_hidden():
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("hidden_code()")])
    assert "hidden" not in body_of(print_pdf(notebook))


def test_the_notebook_is_not_changed():
    notebook = notebook_of(Literal("a"), markdown="b")
    before = nbformat.writes(notebook)
    print_pdf(notebook)
    assert nbformat.writes(notebook) == before


@pytest.mark.parametrize(
    ("output", "expected"),
    [
        (nbformat.v4.new_output("stream", name="stdout", text="out  put\n"), "out  put"),
        (nbformat.v4.new_output("stream", name="stderr", text="\x1b[31mred\x1b[0m"), "red"),
        (nbformat.v4.new_output("execute_result", data={"text/plain": "'text'"}), "'text'"),
        (displayed({"text/plain": "<x>", "text/markdown": "*marked* #up"}), "marked #up"),
        (displayed({"text/plain": "<x>", "image/svg+xml": SVG}), "drawn"),
        (displayed({"text/html": "<b>x</b>"}), "An output that can't be printed (text/html)"),
    ],
    ids=["stdout", "stderr in colour", "plain", "markdown", "svg", "html alone"],
)
def test_other_outputs_are_printed_too(output, expected):
    assert packed(expected) in body_of(print_pdf(notebook_with(output)))


def test_a_bitmap_is_printed():
    data = {"image/png": base64.b64encode(small_png()).decode(), "text/plain": "<Figure>"}
    assert images_of(print_pdf(notebook_with(displayed(data)))) == 1


def test_our_block_wins_over_the_other_forms_of_an_output():
    bundle = Literal("ours")._repr_mimebundle_() | {"image/svg+xml": SVG}
    assert body_of(print_pdf(notebook_with(displayed(bundle)))) == "ours"


def test_a_raw_cell_is_printed_as_it_stands():
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_raw_cell("#panic() <b>")])
    assert body_of(print_pdf(notebook)) == packed("#panic() <b>")


def test_an_error_output_stops_the_report():
    output = nbformat.v4.new_output("error", ename="KeyError", evalue="'a'", traceback=["Traceback ..."])
    with pytest.raises(ReportError, match=r"^Cell 1 of the notebook ended with KeyError: 'a'$"):
        print_pdf(notebook_with(output))


@pytest.mark.parametrize(
    "data",
    [
        "text",
        {"block": "unknown"},
        {},
        {"block": "table", "rows": 3},
        {"block": "picture", "file": "/etc/passwd"},
    ],
    ids=["no object", "unknown", "nothing", "wrong type", "a file of its own"],
)
def test_a_broken_block_stops_the_report(data):
    with pytest.raises(ReportError):
        print_pdf(notebook_with(displayed({MIME: data})))


def test_a_broken_bitmap_stops_the_report():
    with pytest.raises(ReportError):
        print_pdf(notebook_with(displayed({"image/png": "AAAA"})))


def test_a_wrong_date_is_named():
    notebook = notebook_of(Literal("a"))
    notebook.metadata["probetest"] = {"date": "yesterday"}
    with pytest.raises(ReportError, match=r"key probetest.date: found 'yesterday'"):
        ReportPDFExporter().from_notebook_node(notebook)


@pytest.mark.parametrize("case", [case for case in HOSTILE if not case.startswith("long")])
def test_any_title_is_printed_as_it_stands(case):
    text, expected = HOSTILE[case]
    page = packed(pages_of(print_pdf(notebook_of(Literal("a")), title=text))[0])
    assert page.startswith(packed(f"probetest·{expected}serialQq"))


@pytest.mark.parametrize("case", [case for case in HOSTILE if not case.startswith("long")])
def test_any_serial_is_printed_as_it_stands(case):
    text, expected = HOSTILE[case]
    page = packed(pages_of(print_pdf(notebook_of(Literal("a")), serial=text))[0])
    assert page.startswith(packed(f"probetest·Zzserial{expected}"))


@pytest.mark.parametrize("case", ["long word", "long note"])
def test_a_long_title_and_serial_are_cut_to_one_line(case):
    text = HOSTILE[case][0]
    first_line = pages_of(print_pdf(notebook_of(Literal("body")), title=text, serial=text))[0].splitlines()[0]
    assert first_line.count("…") == 2
    assert len(first_line) < 200


def test_replaced_characters_of_the_serial_are_counted():
    body = body_of(print_pdf(notebook_of(Literal("a")), serial="a\0b\0"))
    assert packed("Title and serial: 2 characters in this text can't be printed") in body


def test_replaced_characters_of_markdown_are_counted():
    body = body_of(print_pdf(notebook_of(markdown="wrench \U0001f527")))
    assert packed("1 character in this text can't be printed") in body


def test_each_page_says_which_it_is():
    notebook = notebook_of(Literal("line\n" * 100))
    pages = pages_of(print_pdf(notebook))
    assert [f"page {n} of {len(pages)}" in page for n, page in enumerate(pages, start=1)] == [True] * len(
        pages
    )


def test_attachments_come_back_byte_for_byte():
    files = {"result.json": b'{"a": 1}', "raw log.csv": bytes(range(256)), "empty.txt": b""}
    pdf = print_pdf(notebook_of(Literal("a")), attachments=files)
    found = PdfReader(io.BytesIO(pdf)).attachments
    assert {name: found[name][0] for name in found} == files


@pytest.mark.parametrize("name", ["../a", "a/b", "a\\b", "..", "", "a\0", "a\nb", "a\u202eb", "C:a"])
def test_an_attachment_can_not_name_a_path(name):
    with pytest.raises(ReportError, match="expected a plain file name"):
        print_pdf(notebook_of(Literal("a")), attachments={name: b""})


def test_the_file_says_that_it_is_pdf_a_3b():
    metadata = PdfReader(io.BytesIO(print_pdf(notebook_of(Literal("a"))))).xmp_metadata
    assert (metadata.pdfaid_part, metadata.pdfaid_conformance) == ("3", "B")


def test_the_file_carries_title_serial_and_date():
    reader = PdfReader(io.BytesIO(print_pdf(notebook_of(Literal("a")), title="T <1>", serial="S")))
    assert (reader.metadata.title, reader.metadata["/Keywords"]) == ("T <1>", "S")
    assert reader.metadata.creation_date == DATE


def test_a_date_without_zone_is_taken_as_utc():
    pdf = print_pdf(notebook_of(Literal("a")), date=datetime(2026, 3, 2, 9))
    assert PdfReader(io.BytesIO(pdf)).metadata.creation_date == datetime(2026, 3, 2, 9, tzinfo=UTC)


def test_without_a_date_none_is_printed():
    assert "202" not in pages_of(print_pdf(notebook_of(Literal("a")), date=None))[0]


def test_only_shipped_fonts_are_in_the_file():
    pdf = print_pdf(notebook_of(Literal("a Ж ␀"), Literal("b", monospace=True), markdown="**c** *d* `e`"))
    fonts = {
        str(font.get_object()["/BaseFont"]).split("+")[-1]
        for page in PdfReader(io.BytesIO(pdf)).pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert {name.split("-")[0] for name in fonts} <= {"Inter", "DejaVuSans", "DejaVuSansMono"}
