"""Notebooks in this process: the same reports as from a kernel, and nothing leaks from one to the next."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import matplotlib as mpl
import pytest
from nbformat import NotebookNode
from report_pages import stdout_of, write_template

from probetest.errors import ReportError
from probetest.jobs import made
from probetest.jobs.batch import (
    TEMPLATE,
    Options,
    notebook_parameters,
    qualify_jobs,
    read_jobs,
    report_files,
)
from probetest.jobs.result import result_to_json
from probetest.report.runner import NotebookRunner
from probetest.report.shell import ShellRunner
from probetest.resources import bundled


@pytest.fixture(scope="module")
def runner() -> Iterator[ShellRunner]:
    with ShellRunner() as kept:
        yield kept


SPOIL = """
import os, sys, warnings
import matplotlib as mpl, matplotlib.pyplot as plt, pandas as pd
left_behind = 1
mpl.rcParams["lines.linewidth"] = 9
plt.figure()
pd.set_option("display.max_rows", 3)
warnings.simplefilter("error")
os.chdir("/")
os.environ["LEFT_BEHIND"] = "1"
del os.environ["PATH"]
sys.path.insert(0, "/left-behind")
value = 7
"""

LOOK = """
import os, sys, warnings
import matplotlib as mpl, matplotlib.pyplot as plt, pandas as pd
print("left_behind" in globals(), mpl.rcParams["lines.linewidth"], plt.get_fignums(), sep="; ")
print(pd.get_option("display.max_rows"), len(warnings.filters), warnings.filters[0][0], sep="; ")
print(os.getcwd(), "LEFT_BEHIND" in os.environ, os.environ.get("PATH"), sys.path, value, sep="; ")
"""


# Before the shell of the other tests is open: there is one at a time.
def test_nothing_leaks_into_the_process(tmp_path: Path) -> None:
    def state() -> tuple[object, ...]:
        return (
            Path.cwd(), dict(os.environ), list(sys.path), dict(mpl.rcParams),
            sys.modules["__main__"], sys.stdout, sys.excepthook, sys.displayhook,
        )  # fmt: skip

    before = state()
    with ShellRunner() as own:
        own.run(write_template(tmp_path, SPOIL), {})
        assert (Path.cwd(), list(sys.path), dict(mpl.rcParams)) == (before[0], before[2], before[3])
    assert state() == before


def test_nothing_leaks_into_the_next_notebook(runner: ShellRunner, tmp_path: Path) -> None:
    look = write_template(tmp_path, LOOK, name="look.ipynb")
    before = stdout_of(runner.run(look, {}))
    runner.run(write_template(tmp_path, SPOIL, name="spoil.ipynb"), {"value": 3})
    assert stdout_of(runner.run(look, {})) == before
    with pytest.raises(ReportError):
        runner.run(write_template(tmp_path, SPOIL, "1 / 0", name="spoil.ipynb"), {})
    assert stdout_of(runner.run(look, {})) == before
    assert before.startswith("False; 1.5; []\n60; ")


def test_settings_of_the_user_are_not_taken(runner: ShellRunner, tmp_path: Path) -> None:
    source = "import matplotlib as mpl\nprint(mpl.rcParams['axes.facecolor'], mpl.rcParams['font.size'])"
    with mpl.rc_context({"axes.facecolor": "red", "font.size": 30.0}):
        assert stdout_of(runner.run(write_template(tmp_path, source), {})) == "white 10.0\n"
        assert mpl.rcParams["font.size"] == 30.0


def test_an_error_of_ours_keeps_its_own_sentence(runner: ShellRunner, tmp_path: Path) -> None:
    source = "from probetest.errors import StatisticsError\nraise StatisticsError('limits.toml, line 3: no.')"
    with pytest.raises(ReportError, match=r"^limits.toml, line 3: no\.$"):
        runner.run(write_template(tmp_path, source), {})


@pytest.mark.parametrize(
    ("source", "words"),
    [("1 / 0", "ZeroDivisionError: division by zero"), ("def (", "SyntaxError: ")],
)
def test_another_error_is_named(source: str, words: str, runner: ShellRunner, tmp_path: Path) -> None:
    with pytest.raises(ReportError, match=rf"^template.ipynb: a cell ended with {words}"):
        runner.run(write_template(tmp_path, source), {})


def test_a_stop_by_the_user_stops_more_than_one_report(runner: ShellRunner, tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        runner.run(write_template(tmp_path, "raise KeyboardInterrupt"), {})


def test_outputs_are_those_of_a_kernel(runner: ShellRunner, tmp_path: Path) -> None:
    template = write_template(
        tmp_path,
        "from IPython.display import display, HTML\ndisplay(HTML('<b>x</b>'))\nprint('out')\n{'a': 1}",
        "import pandas as pd\npd.DataFrame({'a': [1.5, None]})",
        "import sys\nprint('told', file=sys.stderr)\nNone",
        "value",
        "value;",
    )
    with NotebookRunner() as kernel:
        theirs = kernel.run(template, {"value": [1, "a"]})
    ours = runner.run(template, {"value": [1, "a"]})

    def shown(notebook: NotebookNode) -> list[object]:
        # A kernel has had a cell of its own before, and sends texts and pictures on different channels.
        plain = [
            [{**one, "execution_count": "execution_count" in one} for one in cell.get("outputs", ())]
            for cell in notebook.cells
        ]
        return [sorted(outputs, key=str) for outputs in plain]

    assert shown(ours) == shown(theirs)


def test_reports_equal_those_of_a_kernel_byte_by_byte(
    runner: ShellRunner, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two logs, one with misses, by two threads as on a cluster, against a fresh kernel."""
    monkeypatch.setattr(made, "_runner", lambda: runner)
    logs = [demo_folder / "SK1-006.csv", demo_folder / "SK1-007.csv"]
    with ThreadPoolExecutor(2) as threads:
        reports = list(threads.map(lambda log: made.make_reports(log, Options(), pdf=True), logs))
    for log, (ours,) in zip(logs, reports, strict=True):
        assert (ours.row.log, ours.row.serial, ours.row.problem) == (log.name, log.stem, "")
    options = Options()
    ((job, found),) = qualify_jobs(read_jobs(logs[:1], options), options.read_limits())
    assert found.outcomes.approaches > found.outcomes.triggers
    with NotebookRunner(fresh_kernel=True) as kernel:
        notebook = kernel.run(bundled("notebooks") / TEMPLATE, notebook_parameters(job, options))
    theirs = report_files(job, found, notebook, result_to_json(found))
    (ours,) = reports[0]
    assert sorted(ours.files) == ["report.ipynb", "report.pdf", "result.json"]
    assert ours.files["result.json"] == theirs["result.json"]
    assert ours.files["report.pdf"] == theirs["report.pdf"]


HOME = """
import sys
sys.path.insert(0, {tests!r})
from pathlib import Path
from nbformat import NotebookNode
from report_pages import write_template
from probetest.report.shell import ShellRunner
source = "import matplotlib.font_manager, pandas\\nfrom probetest.jobs.batch import open_qualification"
with ShellRunner() as runner:
    runner.run(write_template(Path("."), source), {{}})
"""


def test_nothing_is_written_into_home(tmp_path: Path) -> None:
    home, work = tmp_path / "home", tmp_path / "work"
    home.mkdir()
    work.mkdir()
    (home / "ipython" / "profile_default" / "startup").mkdir(parents=True)
    startup = home / "ipython" / "profile_default" / "startup" / "00.py"
    startup.write_text("raise SystemExit('the profile of the user was read')")
    # Spares the search for fonts; without it, the list would be written there.
    shutil.copytree(mpl.get_cachedir(), home / ".cache" / "matplotlib")
    before = sorted(home.rglob("*"))
    dropped = ("MPLCONFIGDIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME")
    environment = {key: value for key, value in os.environ.items() if key not in dropped}
    # A terminal in which another environment is active must not make it warn.
    environment["VIRTUAL_ENV"] = str(work)
    run = subprocess.run(
        [sys.executable, "-c", HOME.format(tests=str(Path(__file__).parent))],
        cwd=work, env={**environment, "HOME": str(home), "IPYTHONDIR": str(home / "ipython")},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")
    assert sorted(home.rglob("*")) == before
    assert [file.name for file in work.iterdir()] == ["template.ipynb"]
