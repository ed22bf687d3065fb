"""The house keeps its order: who imports whom, and documents that stay true."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from click import Group

from probetest.cli import cli

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "probetest"
MODULES = sorted(PACKAGE.rglob("*.py"))

FORBIDDEN = {
    "statistics": (
        "importers",
        "jobs",
        "report",
        "cli",
        "screen",
        "triggers",
        "limits",
        "settings",
        "simulate",
    ),
    "importers": ("statistics", "jobs", "report", "cli", "screen", "limits", "simulate"),
    "plan": ("importers", "jobs", "report", "cli", "screen", "simulate"),
    "jobs": ("cli", "screen"),
    "report": ("cli", "screen", "importers"),
}


def imports_of(module: Path) -> set[str]:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    names = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}
    return names | {
        alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names
    }


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_one_way(module: Path) -> None:
    room = module.relative_to(PACKAGE).parts[0]
    barred = {f"probetest.{name}" for name in FORBIDDEN.get(room, ())}
    found = {
        name for name in imports_of(module) if any(name == b or name.startswith(f"{b}.") for b in barred)
    }
    assert found == set()


def test_no_module_imports_itself_in_a_circle() -> None:
    names = {".".join(("probetest", *m.relative_to(PACKAGE).with_suffix("").parts)): m for m in MODULES}
    edges = {name: {i for i in imports_of(path) if i in names} for name, path in names.items()}
    # Take out modules that import nothing left, again and again; what stays goes in a circle.
    while leaves := {name for name, targets in edges.items() if not targets & edges.keys()}:
        edges = {name: targets for name, targets in edges.items() if name not in leaves}
    assert edges == {}


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_small(module: Path) -> None:
    assert len(module.read_text(encoding="utf-8").splitlines()) <= 400


def test_readme_starts_with_the_job() -> None:
    paragraph = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[1]
    assert paragraph.startswith("`probetest` ")
    assert len(paragraph) < 1000


def test_each_command_stands_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert isinstance(cli, Group)
    assert [name for name in cli.commands if f"probetest {name}" not in readme] == []


def test_paths_in_the_readme_exist() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    linked = re.findall(r"\]\(([^)#:]+)\)", readme)
    named = re.findall(r"(?:data|notebooks|reports/sample)/[\w./-]+\w", readme)
    assert [path for path in {*linked, *named} if not (ROOT / path).exists()] == []


def test_readme_python_example_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    monkeypatch.chdir(ROOT)
    exec(compile(example, "README.md", "exec"), {})
    assert capsys.readouterr().out.startswith("pass 0.00148")


def test_native_log_in_the_readme_is_understood(tmp_path: Path) -> None:
    from probetest.importers import read_logs

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```text\n(# serial.*?)```", readme, flags=re.DOTALL)
    log = tmp_path / "log.csv"
    log.write_text(example, encoding="utf-8")
    (test,) = read_logs(log)
    assert (test.record.serial, len(test.frame)) == ("A-017", 2)


def test_test_modules_have_names_of_their_own() -> None:
    # Without packages, pytest can't tell two modules of one name apart.
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert len(names) == len(set(names))
