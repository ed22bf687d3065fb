"""Logs that are read as they are, and whose doubts are told by the figures: kept, flagged, remarked on."""

from pathlib import Path

import numpy as np
import pytest
from bad_input import X_PLUS, Case, bracketed, read
from numpy.typing import NDArray

from probetest.errors import ImportDataError, ProbetestError
from probetest.importers import Told
from probetest.jobs.batch import Options, read_jobs
from probetest.jobs.checking import check_log
from probetest.jobs.qualify import Qualification, qualify
from probetest.jobs.reading import Reading
from probetest.limits import Limits

RING = 'units = "mm"\nartefact = {kind = "ring", diameter_mm = 25.0}\n'
DIRECTIONS, ROUNDS = 8, 10


def around(readings: NDArray[np.float64], decimals: int = 4) -> str:
    """Results all around a ring, one direction after the other."""
    azimuth = 2 * np.pi * np.arange(len(readings)) / DIRECTIONS
    rows = zip(readings * np.cos(azimuth), readings * np.sin(azimuth), strict=True)
    return "".join(f"[PRB:{x:.{decimals}f},{y:.{decimals}f},-5.000:1]\n" for x, y in rows)


def scattered(sd: float) -> NDArray[np.float64]:
    return 10.5 + np.random.default_rng(5).normal(0.0, sd, DIRECTIONS * ROUNDS)


def judged(log: str, folder: Path) -> Qualification:
    (triggers,) = read(Case(log, "kept", answers={"radial": True, "about": RING}), folder).tests
    return qualify(triggers, Limits())


def test_a_gross_outlier_is_kept_and_flagged_with_its_line(tmp_path: Path) -> None:
    readings = scattered(0.002)
    readings[18] -= 0.184
    found = judged(around(readings), tmp_path)
    (flag,) = [one for one in found.flags if one.kind == "touch"]
    assert (flag.line, flag.touch) == (19, 19)
    assert "earlier than its direction" in flag.detail
    assert found.outcomes.triggers == DIRECTIONS * ROUNDS
    assert found.analysis.repeatability.sd_mm > 0.015
    assert found.without_flags.left_out == 1
    assert found.without_flags.sd_mm == pytest.approx(0.002, rel=0.3)


def test_first_touches_that_differ_are_kept_and_told(tmp_path: Path) -> None:
    readings = scattered(0.002)
    readings[:DIRECTIONS] += 0.010
    found = judged(around(readings), tmp_path)
    assert any("First touches differ from later ones by +10" in remark for remark in found.remarks)
    assert found.outcomes.triggers == DIRECTIONS * ROUNDS


def test_a_first_touch_alone_is_flagged_as_a_touch(tmp_path: Path) -> None:
    readings = scattered(0.002)
    readings[0] += 0.012
    assert [one.line for one in judged(around(readings), tmp_path).flags if one.kind == "touch"] == [1]


def test_equal_readings_are_not_resolved_and_no_copy_of_each_other(tmp_path: Path) -> None:
    found = judged(around(np.full(DIRECTIONS * ROUNDS, 10.5), decimals=3), tmp_path)
    assert not found.analysis.repeatability.resolved
    assert any("not resolved" in remark and "0.001 mm" in remark for remark in found.remarks)


def test_a_constant_that_is_not_zero_is_read_and_told_as_kept(tmp_path: Path) -> None:
    log = tmp_path / "run3.txt"
    log.write_text(6 * "x=2.500\n", encoding="utf-8")
    found = check_log(log, Told(units="mm", serial="LARCH-0042", direction=X_PLUS))
    assert [line for line, reason in found.kept if "equal readings are real" in reason] == [2]


def test_few_levels_are_told_with_their_step(tmp_path: Path) -> None:
    readings = 10.5 + np.round((scattered(0.002) - 10.5) / 0.0025) * 0.0025
    remarks = judged(around(readings), tmp_path).remarks
    assert any("Readings move in steps of" in remark for remark in remarks)


def test_digits_coarser_than_the_scatter_are_told(tmp_path: Path) -> None:
    found = judged(around(scattered(0.0003), decimals=3), tmp_path)
    assert not found.analysis.repeatability.resolved
    assert any("readings move in steps of 0.001 mm" in remark for remark in found.remarks)


def test_fewer_than_five_touches_are_told_and_give_no_pass(tmp_path: Path) -> None:
    path = tmp_path / "few.txt"
    path.write_text(around(scattered(0.002)[: 3 * DIRECTIONS]), encoding="utf-8")
    about = tmp_path / "about.toml"
    about.write_text(RING, encoding="utf-8")
    told = Reading(units="mm", serial="LARCH-0042", about=about, radial=True).told()
    found = check_log(path, told)
    assert any("fewer than 5 touches in 8 directions" in reason for _, reason in found.kept)
    assert found.result is not None
    assert qualify(found.result.tests[0], Limits()).verdict != "pass"


def options(**answers: object) -> Options:
    return Options(None, Reading(**{"units": "mm", "serial": "LARCH-0042", "direction": "Z-"} | answers))


def test_one_file_given_twice_is_refused(tmp_path: Path) -> None:
    first, second = tmp_path / "run3.txt", tmp_path / "run4.txt"
    for path in (first, second):
        path.write_text(bracketed(-5.001, -5.002), encoding="utf-8")
    with pytest.raises(ProbetestError, match="the same bytes"):
        read_jobs([first, second], options())


def test_two_logs_of_one_serial_are_refused(tmp_path: Path) -> None:
    first, second = tmp_path / "run3.txt", tmp_path / "run4.txt"
    first.write_text(bracketed(-5.001, -5.002), encoding="utf-8")
    second.write_text(bracketed(-5.001, -5.003), encoding="utf-8")
    with pytest.raises(ProbetestError, match="would be written over") as caught:
        read_jobs([first, second], options())
    assert "the same bytes" not in str(caught.value)


def test_the_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    paths = [tmp_path / "run3.txt", tmp_path / "run4.txt"]
    for path in paths:
        path.write_text(bracketed(-5.001, -5.002), encoding="utf-8")
    with pytest.raises(ImportDataError) as caught:
        read_jobs(paths, options(direction=None))
    assert [Path(fault.file).name for fault in caught.value.faults] == ["run3.txt", "run4.txt"]
