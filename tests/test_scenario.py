"""The bundled demo data is what the scenario makes, and says that it is invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from probetest.scenario import CASES, RECEIVED, SERVICED, write_scenario

FILES = [
    *(f"{case.serial}.csv" for case in CASES),
    *(f"received/{case.serial}.csv" for case in RECEIVED),
    *(f"serviced/{case.serial}.csv" for case in SERVICED),
]


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("scenario")
    write_scenario(folder)
    return folder


@pytest.mark.parametrize("name", [*FILES, "truth.json", "received/truth.json", "serviced/truth.json"])
def test_bundled_file_is_made_by_the_scenario(name: str, fresh: Path, demo_folder: Path) -> None:
    assert (demo_folder / name).read_text(encoding="utf-8") == (fresh / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", FILES)
def test_log_says_that_it_is_invented(name: str, demo_folder: Path) -> None:
    text = (demo_folder / name).read_text(encoding="utf-8")
    assert "invented demo data" in text


def test_scenario_has_the_size_of_a_small_ramp() -> None:
    assert len(CASES) >= 12
    assert len({case.build for case in CASES}) == 2
    assert all(24 <= case.plan.directions <= 36 and 10 <= case.plan.repeats <= 25 for case in CASES)
