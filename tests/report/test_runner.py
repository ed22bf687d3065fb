import sys
from pathlib import Path

import pytest
from report_pages import stdout_of, write_template

from probetest.errors import ReportError
from probetest.report.runner import NotebookRunner


@pytest.fixture(scope="module")
def runner():
    """One kernel for the tests that do not care which."""
    with NotebookRunner() as kept:
        yield kept


def test_an_error_of_ours_keeps_its_own_sentence(runner, tmp_path):
    source = "from probetest.errors import StatisticsError\nraise StatisticsError('limits.toml, line 3: no.')"
    with pytest.raises(ReportError, match=r"^limits.toml, line 3: no\.$"):
        runner.run(write_template(tmp_path, source), {})


def test_another_error_is_named_in_one_line(runner, tmp_path):
    with pytest.raises(ReportError, match=r"^template.ipynb: a cell ended with ZeroDivisionError: [^\n]*$"):
        runner.run(write_template(tmp_path, "1 / 0"), {})


def test_a_slow_cell_is_stopped(tmp_path):
    template = write_template(tmp_path, "import time\ntime.sleep(60)")
    with (
        NotebookRunner(cell_timeout_s=1) as impatient,
        pytest.raises(ReportError, match="a cell took longer than 1 s and was stopped"),
    ):
        impatient.run(template, {})


def test_after_a_dead_kernel_the_next_notebook_runs(tmp_path):
    deadly = write_template(tmp_path, "import os\nos._exit(3)", name="deadly.ipynb")
    harmless = write_template(tmp_path, "print(1 + 1)", name="harmless.ipynb")
    with NotebookRunner() as kept:
        with pytest.raises(ReportError, match=r"deadly.ipynb: the Python kernel stopped while it ran"):
            kept.run(deadly, {})
        assert stdout_of(kept.run(harmless, {})) == "2\n"


def test_a_kernel_that_dies_between_two_notebooks_is_replaced(tmp_path):
    dying = "import os, threading\nthreading.Timer(0.5, os._exit, (3,)).start()\nimport time"
    with NotebookRunner() as kept:
        kept.run(write_template(tmp_path, dying, name="dying.ipynb"), {})
        kept._client.km.provisioner.process.wait(timeout=10)
        assert stdout_of(kept.run(write_template(tmp_path, "print(1 + 1)"), {})) == "2\n"


def test_a_kernel_that_can_not_start_says_why(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "absent-python"))
    with pytest.raises(ReportError, match=r"did not start: .*absent-python"):
        run_alone(write_template(tmp_path))


TRACES = {
    "variable": ("leftover = 1", "'leftover' in globals()", "False"),
    "figure settings": (
        "import matplotlib as mpl\nmpl.rcParams['font.size'] = 99", "mpl.rcParams['font.size']", "10.0"
    ),
    "environment": ("import os\nos.environ['LEFTOVER'] = '1'", "os.environ.get('LEFTOVER')", "None"),
    "folder": ("import os\nos.chdir('/')", "os.getcwd() == '/'", "False"),
    "import path": ("import sys\nsys.path.insert(0, '/leftover')", "'/leftover' in sys.path", "False"),
    "table settings": (
        "import pandas as pd\npd.set_option('display.precision', 1)",
        "pd.get_option('display.precision')",
        "6",
    ),
    "warnings": (
        "import warnings\nwarnings.simplefilter('error')", "warnings.filters[0][0] == 'error'", "False"
    ),
    "last result": ("41 + 1", "globals().get('_') == 42", "False"),
}  # fmt: skip


@pytest.mark.parametrize(("leave", "look", "expected"), TRACES.values(), ids=TRACES.keys())
def test_a_notebook_finds_no_trace_of_the_one_before(runner, tmp_path, leave, look, expected):
    imports = "import os, sys, warnings\nimport matplotlib as mpl\nimport pandas as pd\n"
    runner.run(write_template(tmp_path, leave, name="first.ipynb"), {})
    found = runner.run(write_template(tmp_path, f"{imports}print({look})", name="second.ipynb"), {})
    assert stdout_of(found).strip() == expected


def test_one_kernel_is_kept(runner, tmp_path):
    template = write_template(tmp_path, "import os\nprint(os.getpid())")
    assert stdout_of(runner.run(template, {})) == stdout_of(runner.run(template, {}))


def test_fresh_kernels_are_not_kept(tmp_path):
    template = write_template(tmp_path, "import os\nprint(os.getpid())")
    with NotebookRunner(fresh_kernel=True) as fresh:
        assert stdout_of(fresh.run(template, {})) != stdout_of(fresh.run(template, {}))


def test_the_kernel_is_gone_after_the_context(tmp_path):
    template = write_template(tmp_path, "import os\nprint(os.getcwd())")
    with NotebookRunner() as kept:
        folder = Path(stdout_of(kept.run(template, {})).strip())
        assert folder.is_dir()
        process = kept._client.km.provisioner.process
    assert process.poll() is not None
    assert not folder.exists()


def test_a_module_beside_the_user_is_not_imported(tmp_path, monkeypatch):
    (tmp_path / "numpy.py").write_text("raise SystemExit('trap')")
    monkeypatch.chdir(tmp_path)
    notebook = run_alone(write_template(tmp_path, "import numpy\nprint(numpy.float64(1) + 1)"))
    assert stdout_of(notebook) == "2.0\n"


def test_a_list_of_fonts_made_before_is_read_but_not_written(tmp_path, monkeypatch):
    cache = tmp_path / "matplotlib"
    cache.mkdir()
    (cache / "fontlist-v0.json").write_text("{}")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.delenv("MPLCONFIGDIR", raising=False)
    source = "import os\nprint(*sorted(os.listdir(os.environ['MPLCONFIGDIR'])))"
    assert "fontlist-v0.json" in stdout_of(run_alone(write_template(tmp_path, source)))
    assert [file.name for file in cache.iterdir()] == ["fontlist-v0.json"]


def run_alone(template):
    with NotebookRunner() as only:
        return only.run(template, {})
