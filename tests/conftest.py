"""What tests of several folders share: the demo probes, qualified once."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sample_probes import DemoProbe

from probetest.importers import import_log
from probetest.jobs.qualify import qualify
from probetest.limits import Limits
from probetest.resources import bundled

REPEATS = {"assert_share", "assert_share_at_most", "assert_share_at_least", "repeated", "simulated_means"}
"""Helpers whose use marks a test that repeats a simulation many times."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests that simulate much, so that a run of many mutants can leave them for the end."""
    for item in items:
        code = getattr(getattr(item, "function", None), "__code__", None)
        if code is not None and REPEATS & set(code.co_names):
            item.add_marker(pytest.mark.simulation)


@pytest.fixture(scope="session")
def demo_folder() -> Path:
    return bundled("data") / "demo"


@pytest.fixture(scope="session")
def demo_probes(demo_folder: Path) -> dict[str, DemoProbe]:
    truths = json.loads((demo_folder / "truth.json").read_text(encoding="utf-8"))["probes"]
    probes = {}
    for truth in truths:
        (triggers,) = import_log(demo_folder / f"{truth['serial']}.csv").tests
        probes[truth["serial"]] = DemoProbe(qualify(triggers, Limits()), truth)
    return probes
