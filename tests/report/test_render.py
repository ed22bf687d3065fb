import os
import subprocess
import sys

import nbformat
import pytest
from report_hostile import HOSTILE
from report_pages import DATE, body_of, packed, pages_of, print_pdf, write_template
from report_sample import sample_notebook

from probetest.errors import ReportError
from probetest.report.kernel import MAX_SOCKET_NAME
from probetest.report.render import NotebookRunner, execute_notebook, notebook_to_pdf, write_atomically


@pytest.fixture(scope="module")
def runner():
    """One kernel for the tests that do not care which."""
    with NotebookRunner() as kept:
        yield kept


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    path = tmp_path_factory.mktemp("sample") / "sample.ipynb"
    nbformat.write(sample_notebook(), path)
    return path


@pytest.mark.parametrize("case", HOSTILE)
def test_text_goes_through_the_kernel_to_the_page(runner, tmp_path, case):
    text, expected = HOSTILE[case]
    template = write_template(tmp_path, "from probetest.report.blocks import Literal\nLiteral(value)")
    body = body_of(print_pdf(runner.run(template, {"value": text})))
    assert packed(expected) in body


def test_kept_and_fresh_kernel_give_the_same_bytes(runner, sample, tmp_path):
    disturbing = "import matplotlib as mpl, warnings\nmpl.rcParams['lines.linewidth'] = 9\nserial = 'other'"
    runner.run(write_template(tmp_path, disturbing), {})
    parameters = {"serial": "PT-0042", "verdict": "undecided"}
    kept = [print_pdf(runner.run(sample, parameters)) for _ in range(2)]
    fresh = print_pdf(execute_notebook(sample, parameters))
    assert kept == [fresh, fresh]


def test_the_sample_shows_its_blocks(runner, sample):
    pdf = notebook_to_pdf(runner.run(sample, {}), title="T", serial="S", date=DATE)
    text = packed("".join(pages_of(pdf)))
    for words in (
        "Pass",
        "Pre-travel variation / µm",
        "Each direction",
        "One orientation only",
        "not tested",
    ):
        assert packed(words) in text


@pytest.mark.skipif(os.name != "posix", reason="the home folder is found in another way")
@pytest.mark.parametrize("temporary", ["t", "t" * MAX_SOCKET_NAME], ids=["sockets", "ports"])
def test_nothing_is_written_into_the_home_folder(sample, tmp_path, temporary):
    home, scratch = tmp_path / "home", tmp_path / temporary
    home.mkdir()
    scratch.mkdir()
    script = (
        "import sys, pathlib\n"
        "from probetest.report.render import execute_notebook, notebook_to_pdf\n"
        "notebook = execute_notebook(pathlib.Path(sys.argv[1]), {})\n"
        "assert notebook_to_pdf(notebook, title='T', serial='S').startswith(b'%PDF')\n"
    )
    own = {
        key: value
        for key, value in os.environ.items()
        if not key.startswith(("XDG_", "MPL", "JUPYTER", "IPYTHON"))
    }
    environment = own | {"HOME": str(home), "TMPDIR": str(scratch)}
    done = subprocess.run(
        [sys.executable, "-c", script, str(sample)],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert list(home.iterdir()) == []
    assert list(scratch.iterdir()) == []


def test_a_file_is_written_whole(tmp_path):
    write_atomically(tmp_path / "a.pdf", b"new")
    assert (tmp_path / "a.pdf").read_bytes() == b"new"


def test_a_file_is_replaced_and_no_draft_is_left(tmp_path):
    (tmp_path / "a.pdf").write_bytes(b"old")
    write_atomically(tmp_path / "a.pdf", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["a.pdf"]


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    (tmp_path / "a.pdf").write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", fail_with_full_disk)
    with pytest.raises(ReportError, match=r"a.pdf: the file can't be written \(No space left on device\)"):
        write_atomically(tmp_path / "a.pdf", b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a.pdf", b"old")]


def fail_with_full_disk(_):
    raise OSError(28, "No space left on device")


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ReportError, match=r"absent.*: the file can't be written"):
        write_atomically(tmp_path / "absent" / "a.pdf", b"new")
