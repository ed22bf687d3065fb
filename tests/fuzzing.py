"""What any bytes must survive: they are refused in sentences, or read and written again."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from probetest.errors import ImportDataError, ProbetestError
from probetest.importers import About, ImportResult, Told, import_log, write_native_log
from probetest.importers.pattern import built_in_patterns
from probetest.importers.plan import Plan
from probetest.triggers import Artefact

FEW = 7


def _plan() -> Plan:
    return Plan(
        "plan.csv",
        np.arange(1, FEW + 1),
        ("baseline",) * FEW,
        np.zeros(FEW),
        np.arange(FEW) * 50.0,
        np.zeros(FEW),
    )


RING = About(artefact=Artefact(kind="ring", diameter_mm=25.0))
PATTERNS = tuple(built_in_patterns().items())
ANSWERS = (
    Told(),
    Told(serial="A"),
    Told(serial="A", units="mm", direction=(0.0, 0.0)),
    Told(serial="A", units="um", direction=(0.0, -90.0), feeds="all"),
    Told(serial="A", units="inch", radial=True, about=RING, join=True),
    Told(serial="A", units="mm", plan=_plan(), about=RING, feeds="slow"),
    Told(serial="A", units="mm", direction=(180.0, 0.0), part=1, feeds="fast"),
    Told(serial="A", units="mm", direction=(37.0, 0.0), decimal=",", delimiter=";"),
    Told(serial="A", units="thou", direction=(90.0, 0.0), tag="XYZ", x_diameter=True, part=2),
    *(
        Told(serial="A", units="mm", direction=(270.0, 0.0), pattern=pattern, pattern_name=name, feeds="all")
        for name, pattern in PATTERNS
    ),
)  # fmt: skip


def survives(data: bytes, folder: Path) -> ImportResult | None:
    """Read what follows the first byte, under the answers that the first byte chooses.

    Returns
    -------
    ImportResult or None
        None where the log was refused; anything but a refusal in sentences is raised.
    """
    told = ANSWERS[data[0] % len(ANSWERS)] if data else ANSWERS[0]
    log = folder / "log.txt"
    log.write_bytes(data[1:])
    found, refusal = _read(log, told)
    if refusal is not None:
        assert refusal.total >= len(refusal.faults) > 0
        assert all(sentence.isprintable() for sentence in str(refusal).split("\n"))
        return None
    for test in found.tests:
        _check(test.frame)
        _write_and_read(test, folder)
    assert all(one.reason.isprintable() for one in found.skipped)
    return found


def _read(log: Path, told: Told) -> tuple[ImportResult | None, ImportDataError | None]:
    try:
        return import_log(log, told), None
    except ImportDataError as refusal:
        return None, refusal


def _check(frame) -> None:
    triggered = (frame["outcome"] == "trigger").to_numpy()
    values = frame.loc[triggered, ["x_mm", "reading_mm"]].to_numpy()
    assert np.isfinite(values).any(axis=1).all()
    assert np.isfinite(frame[["azimuth_deg", "elevation_deg", "orientation_deg"]].to_numpy()).all()
    assert (frame["line"] > 0).all()
    assert frame["touch"].is_unique


def _write_and_read(test, folder: Path) -> None:
    native = folder / "native.csv"
    try:
        write_native_log(test, native, decimals=None, keep_lines=True)
    except ProbetestError:
        return  # a text that no native log can hold
    (again,) = import_log(native).tests
    for name in ("line", "azimuth_deg", "x_mm", "reading_mm"):
        np.testing.assert_allclose(
            again.frame[name].to_numpy(), test.frame[name].to_numpy(), rtol=1e-12, atol=1e-12, equal_nan=True
        )
    assert again.frame["outcome"].tolist() == test.frame["outcome"].tolist()
