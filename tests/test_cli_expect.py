"""`probetest expect` as a user meets it: answers, files, mistakes."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from sample_probes import make_test

from probetest import cli
from probetest.errors import ReportError
from probetest.jobs import expect as job
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import CORRECTED_DEG, expect
from probetest.jobs.expecting import write_corrections
from probetest.jobs.qualify import qualify
from probetest.jobs.result import result_to_json
from probetest.limits import Limits
from probetest.mill import MillSettings, Stem, read_mill
from probetest.resources import bundled
from probetest.simulate import Mill, Plan, Probe, pretravel, simulate_turned
from probetest.statistics.setting import Correction
from probetest.statistics.setting_cycles import edge

EXAMPLE = (bundled("data") / "machine.toml").read_text(encoding="utf-8")
PLAN = Plan(repeats=5)
PROBE = Probe(arm_azimuth_deg=100.0)
OLD = Stem(length_mm=50.0, stem_diameter_mm=2.0, material="carbide")
NEW = Stem(length_mm=40.0, stem_diameter_mm=3.0, material="steel")


def mill(**others: object) -> MillSettings:
    stated = read_mill(bundled("data") / "machine.toml").model_dump()
    return MillSettings.model_validate({**stated, **others})


def stated(**values: str) -> str:
    """The example machine file with other values."""
    lines = EXAMPLE.split("\n")
    for key, value in values.items():
        (place,) = (n for n, line in enumerate(lines) if line.startswith(f"{key} = "))
        lines[place] = f"{key} = {value}"
    return "\n".join(lines)


@cache
def result(kind: str = "one") -> bytes:
    if kind in ("turned", "misturned"):
        run = simulate_turned(
            replace(PROBE, runout_mm=(0.01, 0.0)), Mill(step_mm=0.001), PLAN, (0.0, 30.0, 90.0, 210.0),
            rng=np.random.default_rng(2),
        )  # fmt: skip
        frame = run.frame
        if kind == "misturned":
            frame = frame.assign(orientation_deg=frame["orientation_deg"].replace({90.0: 110.0}))
        triggers = replace(make_test(), frame=frame)
    elif kind.isdigit():
        triggers = make_test(PROBE, Mill(step_mm=0.001), replace(PLAN, directions=int(kind)))
    elif kind == "coarse":
        triggers = make_test(replace(PROBE, sd_mm=0.0, jitter_s=0.0), Mill(step_mm=0.001), PLAN)
    else:
        artefact = {} if kind == "one" else {"artefact": None}
        triggers = make_test(PROBE, Mill(step_mm=0.001), PLAN, seed=5, **artefact)
    return result_to_json(qualify(triggers, Limits()))


def earlier(kind: str = "one", **others: Any) -> EarlierResult:
    return EarlierResult.model_validate_json(result(kind)).model_copy(update=others)


def folder_with(folder: Path, data: bytes, machine: str = EXAMPLE) -> None:
    (folder / "result.json").write_bytes(data)
    (folder / "m.toml").write_text(machine, encoding="utf-8")


def ended(
    capsys, monkeypatch, folder: Path, *arguments: str, columns: int = 200, **fewer: Any
) -> tuple[int, str, str]:
    """Code, output and errors of the command in this process, with few random settings; no file is new."""
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr(sys, "argv", ["probetest", "expect", *arguments])
    monkeypatch.setattr(job, "expect", partial(expect, **{"trials": 4000, "draws": 50} | fewer))
    before = sorted(folder.iterdir())
    with pytest.raises(SystemExit) as end:
        cli.main()
    shown = capsys.readouterr()
    assert sorted(folder.iterdir()) == before
    return end.value.code, shown.out, shown.err


def refused(capsys, monkeypatch, folder: Path, *arguments: str) -> str:
    """What the command says when it refuses."""
    code, out, err = ended(capsys, monkeypatch, folder, *arguments, trials=1000, habits=False)
    assert (code, out) == (2, "")
    assert "Traceback" not in err
    return err


# ---- answers


def test_json_is_all_that_is_printed(tmp_path: Path) -> None:
    folder_with(tmp_path, result("turned"), stated(runout_mm='"measured"', name='"\\u001b[2J[b]ü"'))
    arguments = ["result.json", "--machine", "m.toml", "--json", "--corrections", "c.csv"]
    run = subprocess.run(
        [sys.executable, "-m", "probetest", "expect", *arguments],
        cwd=tmp_path, capture_output=True, text=True, encoding="utf-8", check=False,
        env={**os.environ, "COLUMNS": "200", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert (run.returncode, run.stderr) == (0, "")
    found = json.loads(run.stdout)
    assert run.stdout.isascii()
    assert found["schema"] == "probetest.expectation/1"
    assert (found["serial"], found["label"]) == ("T-1", "probe")
    assert found["mill"]["name"] == "\x1b[2J[b]ü"
    for one in found["features"]:
        assert {"feature", "touches", "mean_mm", "error95_mm", "shares"} <= set(one)
        assert one["error95_mm"] > 0
        assert sum(one["shares"].values()) == pytest.approx(1.0)
        components = one["mean_mm"] if isinstance(one["mean_mm"], list) else [one["mean_mm"]]
        assert len(components) == len(one["components"])
    touches = {one["feature"]: one["touches"] for one in found["features"]}
    assert touches["edge touched X+"] == 1
    assert touches["bore or boss centre, 4 touches"] == 4
    assert {"tried", "already so", "not possible"} == {one["status"] for one in found["habits"]}
    assert any("as measured" in line for line in found["remarks"])
    assert (tmp_path / "c.csv").is_file()


def test_screen_shows_features_and_grounds_and_writes_nothing(capsys, monkeypatch, tmp_path: Path) -> None:
    folder_with(tmp_path, result(), stated(name=r'"\u001b[2J\u0007[bold]x[/]"'))
    code, out, err = ended(capsys, monkeypatch, tmp_path, "result.json", "--machine", "m.toml", columns=80)
    assert (code, err) == (0, "")
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "\x1b[2J" not in out
    assert "\x07" not in out
    assert r"T-1 on \x1b[2J\x07[bold]x[/]" in out
    text = " ".join(out.split())
    for words in ("95 of 100 settings", "probe and the machine of the test together", "direction not known"):
        assert words in text


def test_stylus_prediction_is_labelled_and_says_what_it_presumes(capsys, monkeypatch, tmp_path: Path) -> None:
    styli = EXAMPLE.replace("# [", "[").replace("# length_mm", "length_mm")
    styli = styli.replace("# stem_diameter_mm", "stem_diameter_mm").replace("# material", "material")
    folder_with(tmp_path, result(), styli)
    code, out, _ = ended(capsys, monkeypatch, tmp_path, "result.json", "--machine", "m.toml")
    assert code == 0
    text = " ".join(out.split())
    variation = earlier().pretravel.curve.variation_mm
    # (L'/L)**2 (d/d')**4 (E/E'), bending of a round bar.
    predicted = variation * (40 / 50) ** 2 * (2 / 3) ** 4 * (600 / 200)
    assert f"prediction: variation {1000 * predicted:.1f} µm (" in text
    assert "Predicted from bending of a uniform stem alone" in text


def test_no_prediction_without_styli_and_of_the_probe_where_it_is_known() -> None:
    assert expect(earlier(), mill(), [edge(0.0)], habits=False, trials=1000).predictions == ()
    shop = mill(tested_stylus=OLD, planned_stylus=NEW)
    for kind, part in (("one", earlier().pretravel.curve), ("turned", earlier("turned").own)):
        (found,) = expect(earlier(kind), shop, [edge(0.0)], habits=False, trials=1000).predictions
        assert found.kind == "prediction"
        assert found.predicted_mm / part.variation_mm == pytest.approx(0.64 * 16 / 81 * 3)


# ---- what the figures rest on


def remarks(kind: str, **others: object) -> str:
    return "\n".join(expect(earlier(kind), mill(**others), [edge(0.0)], habits=False, trials=1000).remarks)


def test_remarks_say_what_the_figures_rest_on() -> None:
    assert "Lobing is that of the probe alone" in remarks("turned")
    assert "(one orientation)" in remarks("one")
    assert "not resolved: one step of 1 µm stands for it" in remarks("coarse")
    assert "The scatter was not resolved" not in remarks("one")
    assert "The mean pre-travel was not measured" in remarks("no artefact")
    top = "The mean pre-travel is not known, and no calibration takes it off"
    assert top in remarks("no artefact", calibration="none")
    assert top not in remarks("no artefact", calibration="radius")
    assert top not in remarks("one", calibration="none")
    assert "return move" in remarks("one")
    assert "return move" not in remarks("one", return_one_way=True)
    assert "Height:" not in remarks("one", z_pretravel_mm=0.001)


def test_remark_says_that_few_directions_show_little_of_a_curve() -> None:
    assert "The curve rests on 12 directions: between them it may be off by more" in remarks("12")
    assert "The curve rests on 13 directions" in remarks("13")
    for kind in ("one", "turned"):
        assert "The curve rests on" not in remarks(kind)


def test_remark_says_that_the_orientations_disagreed() -> None:
    # One of four orientations was logged 20 deg wrong.
    off = earlier("misturned").separation.disagreement_mm
    assert off > 0
    assert f"The orientations of the test disagree by {1000 * off:.1f} µm (sd)" in remarks("misturned")
    assert earlier("turned").separation.disagreement_mm == 0
    assert "disagree" not in remarks("turned")


# ---- mistakes


def without_curve(kind: str) -> bytes:
    plain = json.loads(result(kind))
    del plain["pretravel"]["curve"]
    if plain["separation"]:
        del plain["separation"]["probe"]["modes_mm"]
    return json.dumps(plain).encode()


def spoilt(change: Callable[[dict[str, Any]], None]) -> bytes:
    plain = json.loads(result())
    change(plain["pretravel"]["curve"])
    return json.dumps(plain).encode()


def thinned(places: int) -> bytes:
    """A curve of the first azimuths only."""

    def cut(curve: dict[str, Any]) -> None:
        for key in ("azimuth_deg", "curve_mm", "curve_u_mm"):
            curve[key] = curve[key][:places]
        curve["modes_mm"] = [mode[:places] for mode in curve["modes_mm"]]

    return spoilt(cut)


def placed(place: int, azimuth: float) -> bytes:
    """A curve with another azimuth at one place."""
    return spoilt(lambda curve: curve["azimuth_deg"].__setitem__(place, azimuth))


NO_CURVE = (
    "curve: one orientation takes 12 directions or more, evenly spread; an older result must be made anew"
)
DATA = {
    "5 directions": (lambda: result("5"), EXAMPLE, NO_CURVE),
    "11 directions": (lambda: result("11"), EXAMPLE, NO_CURVE),
    "older": (lambda: without_curve("one"), EXAMPLE, NO_CURVE),
    "older, turned": (lambda: without_curve("turned"), EXAMPLE, NO_CURVE),
    "no run-out": (result, stated(runout_mm='"measured"'), "no run-out (it takes several orientations)"),
    "short mode": (lambda: spoilt(lambda c: c["modes_mm"][0].pop()), EXAMPLE, "one value for each azimuth"),
    "nan": (lambda: spoilt(lambda c: c["modes_mm"][0].__setitem__(3, float("nan"))), EXAMPLE, "finite"),
    "huge": (lambda: spoilt(lambda c: c["modes_mm"][0].__setitem__(3, 1e9)), EXAMPLE, "within a metre"),
    "text": (lambda: spoilt(lambda c: c["modes_mm"].__setitem__(0, "x")), EXAMPLE, "modes_mm"),
    "many": (lambda: spoilt(lambda c: c.update(modes_mm=c["modes_mm"][:1] * 201)), EXAMPLE, "modes_mm"),
    "no places": (lambda: thinned(0), EXAMPLE, "needs at least 12 azimuths"),
    "11 places": (lambda: thinned(11), EXAMPLE, "needs at least 12 azimuths"),
    "falling": (lambda: placed(5, 0.5), EXAMPLE, "must rise"),
    "standing": (lambda: placed(0, 1.0), EXAMPLE, "must rise"),
    "over a turn": (lambda: placed(-1, 360.0), EXAMPLE, "within one turn"),
    "far off": (lambda: placed(-1, 1e300), EXAMPLE, "the azimuths of a curve must"),
    "no json": (lambda: b"no", EXAMPLE, "found no JSON"),
    "broken pdf": (lambda: b"%PDF-1.7 no", EXAMPLE, "PDF"),
    "bad mill": (result, stated(orientation='"fixd"'), "m.toml, line 15, key orientation"),
}


@pytest.mark.parametrize("name", DATA)
def test_unusable_input_is_one_sentence(name: str, capsys, monkeypatch, tmp_path: Path) -> None:
    data, machine, words = DATA[name]
    folder_with(tmp_path, data(), machine)
    said = refused(capsys, monkeypatch, tmp_path, "result.json", "--machine", "m.toml", "--json")
    assert words in said
    assert said.startswith("probetest: ")
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["result.json"], "--machine"),
        (["--machine", "m.toml"], "RESULT"),
        (["none.json", "--machine", "m.toml"], "none.json"),
        (["result.json", "--machine", "none.toml"], "none.toml"),
        ([".", "--machine", "m.toml"], ".: found no plain file of a usual size, "),
        (["result.json", "--machine", "m.toml", "--corrections", "none/c.csv"], "can't be written"),
        (
            ["result.json", "--machine", "m.toml", "--corrections", "."],
            ".: found a folder, expected the name",
        ),
    ],
    ids=" ".join,
)
def test_wrong_arguments_end_in_words(
    arguments: list[str], words: str, capsys, monkeypatch, tmp_path
) -> None:
    folder_with(tmp_path, result())
    assert words in refused(capsys, monkeypatch, tmp_path, *arguments)


@pytest.mark.parametrize("change", [{"orientation": '"random"'}, {"calibration": '"per_direction"'}], ids=str)
def test_corrections_that_make_no_sense_are_refused(change, capsys, monkeypatch, tmp_path: Path) -> None:
    folder_with(tmp_path, result(), stated(**change))
    said = refused(
        capsys, monkeypatch, tmp_path, "result.json", "--machine", "m.toml", "--corrections", "c.csv"
    )
    assert "fixed mark" in said or "corrected by the calibration already" in said


# ---- table of corrections


@cache
def table() -> tuple[Correction, ...]:
    return job.corrections(earlier(), mill())


@pytest.fixture
def one_table(monkeypatch) -> None:
    """The same table for every serial and mill, where only the file matters."""
    monkeypatch.setattr("probetest.jobs.expecting.corrections", lambda *_: table())


def test_corrections_take_off_what_the_probe_does(tmp_path: Path) -> None:
    shop = mill(calibration="none", runout_mm=0.0, reversal_x_mm=0.01, reversal_y_mm=0.006)
    write_corrections(tmp_path / "c.csv", earlier(), shop)
    table = pd.read_csv(tmp_path / "c.csv", comment="#")
    assert list(table.columns) == ["azimuth_deg", "correction_mm", "u_mm", "remains95_mm"]
    assert table["azimuth_deg"].tolist() == list(CORRECTED_DEG) == list(range(0, 360, 15))
    angle = np.deg2rad(CORRECTED_DEG)
    late = PLAN.feed_mm_min / 60 * (PROBE.latency_s + PROBE.jitter_s / 2)
    truth = pretravel(PROBE, CORRECTED_DEG) + late + 0.005 * abs(np.cos(angle)) + 0.003 * abs(np.sin(angle))
    assert (np.abs(table["correction_mm"] - truth) < 3 * table["u_mm"] + 1e-5).all()
    assert table["u_mm"].max() < 0.003
    features = [edge(azimuth) for azimuth in CORRECTED_DEG]
    before = expect(earlier(), shop, features, habits=False, trials=2000).features
    assert (table["remains95_mm"] < [one.error95_mm for one in before]).all()


def test_corrections_without_a_mean_say_so(tmp_path: Path) -> None:
    write_corrections(tmp_path / "c.csv", earlier("no artefact"), mill(calibration="none"))
    assert "# the mean pre-travel is not known and is not in the corrections" in (
        tmp_path / "c.csv"
    ).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "=a\n=b", '=HYPERLINK("x")', "a,=1"]
)
@pytest.mark.usefixtures("one_table")
def test_formula_signs_are_defused(text: str, tmp_path: Path) -> None:
    write_corrections(tmp_path / "c.csv", earlier(serial=text), mill(name=text))
    with (tmp_path / "c.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert [row[0] for row in rows[1:3]] == ["# serial", "# mill"]
    assert len(rows) == 4 + len(CORRECTED_DEG)
    for row in rows[:4]:
        assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in row)


@pytest.mark.parametrize("mark", [",", ";", "|", "\t"])
@pytest.mark.usefixtures("one_table")
def test_formula_behind_a_mark_that_splits_is_defused(mark: str, tmp_path: Path) -> None:
    write_corrections(tmp_path / "c.csv", earlier(serial=f"a{mark}=1+1"), mill(name=f"b{mark}{mark}@x"))
    with (tmp_path / "c.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file, delimiter=mark))
    assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for row in rows[:4] for cell in row)
    shown = "\\t" if mark == "\t" else " "
    text = (tmp_path / "c.csv").read_text(encoding="utf-8")
    assert f"# serial,a{shown}=1+1\n# mill,b{2 * shown}@x\n" in text


@pytest.mark.parametrize("step", ["fsync", "replace"])
@pytest.mark.usefixtures("one_table")
def test_corrections_are_replaced_whole_or_not_at_all(step: str, monkeypatch, tmp_path: Path) -> None:
    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    (tmp_path / "c.csv").write_text("old", encoding="utf-8")
    with monkeypatch.context() as patch:
        patch.setattr(*((os, "fsync") if step == "fsync" else (Path, "replace")), broken)
        with pytest.raises(ReportError, match="No space left"):
            write_corrections(tmp_path / "c.csv", earlier(), mill())
    assert [file.name for file in tmp_path.iterdir()] == ["c.csv"]
    assert (tmp_path / "c.csv").read_text(encoding="utf-8") == "old"
    write_corrections(tmp_path / "c.csv", earlier(), mill())
    assert (tmp_path / "c.csv").read_text(encoding="utf-8").startswith("# corrections by direction")


@pytest.mark.parametrize("name", [".", "/"])
@pytest.mark.usefixtures("one_table")
def test_corrections_into_a_folder_are_refused_in_words(name: str, monkeypatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ReportError, match="found a folder, expected the name of a file"):
        write_corrections(Path(name), earlier(), mill())
