"""Cases of bad input: a log, the answers of its user, and what must come of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from probetest.errors import ImportDataError
from probetest.importers import ImportResult, import_log, read_about, read_pattern, read_plan
from probetest.triggers import Triggers

X_PLUS, Z_MINUS = (0.0, 0.0), (0.0, -90.0)
USUAL = {"serial": "LARCH-0042", "units": "mm"}
READERS = {"plan": read_plan, "pattern": read_pattern, "about": read_about}
OPTIONS = {
    "units",
    "columns",
    "pattern",
    "plan",
    "about",
    "serial",
    "direction",
    "radial",
    "feeds",
    "part",
    "join",
    "decimal",
    "delimiter",
    "tag",
    "x-diameter",
}


@dataclass(frozen=True)
class Case:
    """A log and what its reader must do with it.

    ``refused`` looks for ``words`` and ``line`` in one fault, and for ``option`` in what it says to do;
    ``skipped`` looks for ``words`` in the reason of each of ``lines``, which must be all that are
    skipped; ``noticed`` looks for ``words`` in one notice; ``kept`` wants neither notice nor skipped line.
    ``readings`` are those of the touches, mm along their direction.
    """

    log: str | bytes
    action: Literal["kept", "skipped", "noticed", "refused"]
    words: str = ""
    line: int | None = None
    lines: tuple[int, ...] = ()
    option: str = ""
    readings: tuple[float, ...] | None = None
    outcomes: dict[str, int] = field(default_factory=dict)
    touched: tuple[int, ...] = ()
    answers: dict[str, Any] = field(default_factory=dict)

    def told(self, **answers: Any) -> Case:
        """The same with further answers."""
        return replace(self, answers=self.answers | answers)


def parametrize(cases: dict[str, Case]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("case", cases.values(), ids=cases.keys())


def bracketed(*values: float, flag: int = 1) -> str:
    """Results of touches in Z with the answers of a console."""
    return "".join(f"[PRB:1.000,2.000,{value:.3f}:{flag}]\nok\n" for value in values)


def bare(*values: float, columns: int = 9) -> str:
    """Lines of bare axis columns."""
    rest = " 0.000000" * (columns - 3)
    return "".join(f"12.004375 -3.500000 {value:.6f}{rest}\n" for value in values)


def stamped(*rows: tuple[str, float]) -> str:
    """Results with the time of day."""
    return "".join(f"[{time}] [PRB:1.000,2.000,{value:.3f}:1]\n" for time, value in rows)


def read(case: Case, folder: Path) -> ImportResult:
    path = folder / "run3.txt"
    path.write_bytes(case.log if isinstance(case.log, bytes) else case.log.encode())
    answers = {name: value for name, value in (USUAL | case.answers).items() if value is not None}
    for name, reader in READERS.items():
        if isinstance(answers.get(name), str):
            file = folder / f"{name}.txt"
            file.write_text(answers[name], encoding="utf-8")
            answers[name] = reader(file)
    return import_log(path, **answers)


def along(triggers: Triggers) -> NDArray[np.float64]:
    """Readings of all touches along their direction, mm."""
    frame = triggers.frame[(triggers.frame["outcome"] == "trigger").to_numpy()]
    if not triggers.has_positions:
        return frame["reading_mm"].to_numpy()
    azimuth, elevation = (np.radians(frame[f"{name}_deg"].to_numpy()) for name in ("azimuth", "elevation"))
    flat = np.cos(azimuth) * frame["x_mm"].to_numpy() + np.sin(azimuth) * frame["y_mm"].to_numpy()
    rise = np.sin(elevation)
    return np.cos(elevation) * flat + np.where(rise == 0, 0.0, rise * frame["z_mm"].to_numpy())


def check(case: Case, folder: Path) -> None:
    """Read a log and compare what came of it with what must."""
    if case.action == "refused":
        with pytest.raises(ImportDataError) as caught:
            read(case, folder)
        _check_faults(case, caught.value)
        return
    found = read(case, folder)
    (triggers,) = found.tests
    skipped = [(one.line, one.reason) for one in found.skipped]
    if case.action == "skipped":
        assert [line for line, _ in skipped] == list(case.lines), skipped
        assert [reason for _, reason in skipped if case.words not in reason] == []
    elif case.action == "noticed":
        assert any(case.words in notice for notice in found.notices), found.notices
    else:
        assert (skipped, found.notices) == ([], ())
    if case.readings is not None:
        assert along(triggers) == pytest.approx(case.readings, abs=1e-9)
    counts = triggers.frame["outcome"].value_counts()
    assert {name: counts[name] for name in case.outcomes} == case.outcomes
    if case.touched:
        assert tuple(triggers.frame["line"]) == case.touched


def _check_faults(case: Case, error: ImportDataError) -> None:
    fitting = [
        fault
        for fault in error.faults
        if case.words in f"{fault.found}, expected {fault.expected}" and fault.line == case.line
    ]
    assert fitting, str(error)
    assert "\n" not in str(fitting[0])
    assert not case.option or f"--{case.option}" in fitting[0].action, fitting[0].action
    assert case.option in OPTIONS | {""}


def joined(parts: Iterable[str]) -> str:
    return "".join(parts)
