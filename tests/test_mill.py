"""Machine files: what is asked for, what is refused, and in which words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from probetest.errors import MachineError
from probetest.mill import MillSettings, Stem, read_mill
from probetest.resources import bundled
from probetest.statistics.intervals import Interval
from probetest.statistics.stylus_change import MODULI_GPA, predict_stylus

EXAMPLE = (bundled("data") / "machine.toml").read_text(encoding="utf-8")
STYLI = re.sub(r"^# (?=\[|length_mm|stem_diameter_mm|material)", "", EXAMPLE, flags=re.MULTILINE)
OLD, NEW = STYLI.index("[tested_stylus]"), STYLI.index("[planned_stylus]")
REQUIRED = {
    "reversal_x_mm", "reversal_y_mm", "resolution_mm", "runout_mm", "orientation", "orientation_sd_deg",
    "calibration", "reference_u_mm", "reference_centre_u_mm", "return_one_way",
}  # fmt: skip
HARMLESS = {
    "name": "", "calibration_touches": 4, "calibration_repeats": 1, "repeats": 1, "circle_touches": 4,
    "z_pretravel_mm": 0.0, "tested_stylus": None, "planned_stylus": None,
}  # fmt: skip


def read(text: str, folder: Path) -> MillSettings:
    file = folder / "m.toml"
    file.write_text(text, encoding="utf-8")
    return read_mill(file)


def refusal(text: str, folder: Path) -> str:
    with pytest.raises(MachineError) as caught:
        read(text, folder)
    return str(caught.value)


def stated(key: str, value: str, text: str = EXAMPLE) -> str:
    changed, count = re.subn(
        rf"^{key} = .*$", lambda _: f"{key} = {value}", text, count=1, flags=re.MULTILINE
    )
    assert count == 1
    return changed


def line_of(start: str, text: str = EXAMPLE) -> int:
    return next(number for number, line in enumerate(text.split("\n"), 1) if line.startswith(start))


def test_bundled_example_says_what_it_says(tmp_path: Path) -> None:
    found = read_mill(bundled("data") / "machine.toml")
    assert found == read(EXAMPLE, tmp_path)
    assert "invented" in found.name
    assert (found.reversal_x_mm, found.reversal_y_mm, found.runout_mm) == (0.025, 0.025, 0.025)
    assert (found.orientation, found.calibration, found.return_one_way) == ("fixed", "radius", False)
    shop = found.shop()
    assert (shop.reversal_mm, shop.step_mm, shop.orientation_sd_deg) == ((0.025, 0.025), 0.001, 1.0)
    assert (shop.calibration, shop.calibration_touches, shop.calibration_repeats) == ("radius", 4, 3)
    assert (shop.reference_u_mm, shop.reference_centre_u_mm, shop.repeats) == (0.0005, 0.002, 1)
    assert (shop.orientation, shop.return_one_way) == ("fixed", False)


def test_styli_of_the_example_read_when_uncommented(tmp_path: Path) -> None:
    found = read(STYLI, tmp_path)
    assert found.tested_stylus == Stem(length_mm=50, stem_diameter_mm=2.0, material="carbide")
    assert found.planned_stylus == Stem(length_mm=40, stem_diameter_mm=3.0, material="steel")
    assert found.tested_stylus.stylus().modulus_gpa == MODULI_GPA["carbide"]
    own = read(stated("material", "'x'", STYLI).replace("material = 'x'", "modulus_gpa = 555"), tmp_path)
    assert own.tested_stylus.stylus().modulus_gpa == 555


def test_every_key_is_required_or_has_a_harmless_default() -> None:
    fields = MillSettings.model_fields
    assert {key for key, field in fields.items() if field.is_required()} == REQUIRED
    assert {key: field.default for key, field in fields.items() if not field.is_required()} == HARMLESS


@pytest.mark.parametrize("key", sorted(REQUIRED))
def test_each_required_key_is_asked_for(key: str, tmp_path: Path) -> None:
    without = re.sub(rf"^{key} = .*\n", "", EXAMPLE, flags=re.MULTILINE)
    message = refusal(without, tmp_path)
    assert message == f"{tmp_path / 'm.toml'}, key {key}: found no key '{key}', expected {key} = ...."


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("reversal_x_mm", "-0.01", "-0.01, expected a value greater than or equal to 0"),
        ("reversal_y_mm", "25", "25, expected a value less than or equal to 10"),
        ("reversal_x_mm", '"0.01"', "'0.01', expected a valid number"),
        ("reversal_x_mm", "nan", "nan, expected a finite number"),
        ("resolution_mm", "true", "True, expected a valid number"),
        ("resolution_mm", "inf", "inf, expected a finite number"),
        ("resolution_mm", "[0.001]", "0.001"),
        ("orientation", '"fixd"', "'fixd', expected 'fixed' or 'random'"),
        ("orientation", "0", "0, expected 'fixed' or 'random'"),
        ("orientation_sd_deg", "91.0", "91.0, expected a value less than or equal to 90"),
        ("calibration", '"ring"', "'ring', expected 'none', 'radius' or 'per_direction'"),
        ("calibration_touches", "2", "2, expected a value greater than or equal to 3"),
        ("calibration_touches", "101", "101, expected a value less than or equal to 100"),
        ("calibration_repeats", "0", "0, expected a value greater than or equal to 1"),
        ("reference_u_mm", "-1", "-1, expected a value greater than or equal to 0"),
        ("reference_centre_u_mm", "2", "2, expected a value less than or equal to 1"),
        ("repeats", "1.5", "1.5, expected a valid integer"),
        ("repeats", "true", "True, expected a valid integer"),
        ("circle_touches", "2", "2, expected a value greater than or equal to 3"),
        ("circle_touches", "37", "37, expected a value less than or equal to 36"),
        ("return_one_way", "0", "0, expected a valid boolean"),
        ("return_one_way", '"no"', "'no', expected a valid boolean"),
        ("name", "5", "5, expected text in quotes"),
        ("name", f'"{"x" * 201}"', f"'{'x' * 40}…', expected text of at most 200 characters"),
    ],
)
def test_impossible_value_is_one_sentence_with_file_and_line(
    key: str, value: str, words: str, tmp_path: Path
) -> None:
    message = refusal(stated(key, value), tmp_path)
    assert message.startswith(f"{tmp_path / 'm.toml'}, line {line_of(key)}, key {key}: found ")
    assert words in message
    assert len(message.splitlines()) == 1


@pytest.mark.parametrize(
    ("start", "change", "words"),
    [
        ("reversal_x", "reversal_mm = 0.025", ["unknown key 'reversal_mm'", "reversal_x_mm"]),
        ("# To predict", "[spindle]", ["unknown key 'spindle'", "tested_stylus"]),
    ],
)
def test_unknown_key_is_named_with_those_that_are_known(
    start: str, change: str, words: list[str], tmp_path: Path
) -> None:
    line = line_of(start)
    lines = EXAMPLE.split("\n")
    lines.insert(line - 1, change)
    if change.startswith("["):
        lines = [*lines[: line - 1], change, "speed = 1"]
    message = refusal("\n".join(lines), tmp_path)
    assert len(message.splitlines()) == 1
    assert f"m.toml, line {line}, key" in message
    assert [part for part in words if part not in message] == []


def test_unknown_key_and_wrong_value_of_a_stem(tmp_path: Path) -> None:
    text = STYLI.replace("length_mm = 40", "lenght_mm = 40\nlength_mm = 0")
    unknown, wrong = sorted(refusal(text, tmp_path).splitlines())
    assert (
        f"line {line_of('lenght_mm', text)}, key planned_stylus.lenght_mm: found the unknown key" in unknown
    )
    assert f"line {line_of('lenght_mm', text) + 1}, key planned_stylus.length_mm: found 0, expected" in wrong


@pytest.mark.parametrize(
    ("line", "key", "value", "words"),
    [
        ("length_mm = 40", "length_mm", "0.9", "greater than or equal to 1"),
        ("length_mm = 40", "length_mm", "1001", "less than or equal to 1000"),
        ("stem_diameter_mm = 3.0", "stem_diameter_mm", "0.09", "greater than or equal to 0.1"),
        ("stem_diameter_mm = 3.0", "stem_diameter_mm", "1e-80", "greater than or equal to 0.1"),
        ("stem_diameter_mm = 3.0", "stem_diameter_mm", "101", "less than or equal to 100"),
        ('material = "steel"', "modulus_gpa", "0.09", "greater than or equal to 0.1"),
        ('material = "steel"', "modulus_gpa", "1e-310", "greater than or equal to 0.1"),
        ('material = "steel"', "modulus_gpa", "2001", "less than or equal to 2000"),
    ],
)
def test_absurd_stem_is_refused(line: str, key: str, value: str, words: str, tmp_path: Path) -> None:
    text = STYLI.replace(line, f"{key} = {value}")
    place = f"m.toml, line {line_of(f'{key} = {value}', text)}, key planned_stylus.{key}"
    message = refusal(text, tmp_path)
    assert f"{place}: found {value}, expected a value {words}" in message
    assert len(message.splitlines()) == 1


@pytest.mark.parametrize(
    "stem", [{"length_mm": 1, "modulus_gpa": 0.1}, {"stem_diameter_mm": 0.1, "modulus_gpa": 2000}], ids=str
)
def test_limits_of_a_stem_are_allowed(stem: dict[str, float]) -> None:
    found = Stem(**{"length_mm": 1000, "stem_diameter_mm": 100, **stem})
    assert found.model_dump(include=set(stem)) == stem


@pytest.mark.parametrize("turned_round", [False, True])
def test_prediction_of_the_most_extreme_stems_is_finite(turned_round: bool) -> None:
    thick = Stem(length_mm=1, stem_diameter_mm=100, modulus_gpa=2000)
    thin = Stem(length_mm=1000, stem_diameter_mm=0.1, modulus_gpa=0.1)
    old, new = (thin, thick) if turned_round else (thick, thin)
    found = predict_stylus(0.005, Interval(0.004, 0.006), old.stylus(), new.stylus(), figure="variation")
    # (L'/L)**2 (d/d')**4 (E/E'), bending of a round bar.
    factor = 1e6 * 1e12 * 2e4
    assert found.factor == pytest.approx(1 / factor if turned_round else factor)
    assert 0 < found.interval_mm.lower < found.interval_mm.upper < float("inf")


def test_settings_that_are_made_directly_have_the_same_limits() -> None:
    values = read_mill(bundled("data") / "machine.toml").model_dump()
    stem = {"length_mm": 40.0, "stem_diameter_mm": 1e-80, "material": "steel"}
    styli = {
        "tested_stylus": Stem(length_mm=50, stem_diameter_mm=2, material="steel"),
        "planned_stylus": stem,
    }
    for key, other in (
        ("calibration_touches", {"calibration_touches": 101}), ("circle_touches", {"circle_touches": 37}),
        ("planned_stylus.stem_diameter_mm", styli),
    ):  # fmt: skip
        with pytest.raises(ValidationError, match=re.escape(key)):
            MillSettings.model_validate(values | other)
    assert MillSettings.model_validate(values | {"calibration_touches": 100, "circle_touches": 36})


# A rule over several keys has to name what it found and what it expects, like any other fault.
RUNOUT = '0 to 10 mm, or "measured"'
BOTH = "both tested_stylus and planned_stylus"
EITHER = "either material (carbide, steel, ceramic) or modulus_gpa"
RULES = {
    "negative run-out": (stated("runout_mm", "-0.01"), "runout_mm", "-0.01", RUNOUT),
    "run-out of 11 mm": (stated("runout_mm", "11"), "runout_mm", "11", RUNOUT),
    "run-out in words": (stated("runout_mm", '"measure"'), "runout_mm", "'measure'", RUNOUT),
    "run-out of nan": (stated("runout_mm", "nan"), "runout_mm", "nan", RUNOUT),
    "one stem": (STYLI[:NEW], "[tested_stylus]", "tested_stylus alone", BOTH),
    "the other stem": (STYLI[:OLD] + STYLI[NEW:], "[planned_stylus]", "planned_stylus alone", BOTH),
    "material and modulus": (
        STYLI + "\nmodulus_gpa = 200.0\n", "[planned_stylus]", "material and modulus_gpa", EITHER,
    ),
    "neither of them": (
        STYLI.replace('material = "carbide"', ""), "[tested_stylus]", "neither material nor modulus_gpa",
        EITHER,
    ),
    "unknown material": (STYLI.replace('"carbide"', '"wood"'), "[tested_stylus]", "'wood'", EITHER),
    "carbon fibre": (
        STYLI.replace('"carbide"', '"carbon fibre"'), "[tested_stylus]", "'carbon fibre'", EITHER,
    ),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
def test_rule_over_several_keys_is_one_sentence_with_file_and_line(rule: str, tmp_path: Path) -> None:
    text, key, found, expected = RULES[rule]
    message = refusal(text, tmp_path)
    assert len(message.splitlines()) == 1
    assert f"m.toml, line {line_of(key, text)}, key {key.strip('[]')}: found {found}" in message
    assert f", expected {expected}" in message


@pytest.mark.parametrize(
    "name",
    ["\x1b[2J\x07bell", "[bold red]x[/]", "<b>&amp;</b>", "#panic()$x$", "=1+1", "x" * 200, "Fräse 1 ±"],
)
def test_name_is_kept_as_it_is(name: str, tmp_path: Path) -> None:
    escaped = "".join(f"\\u{ord(sign):04x}" if ord(sign) < 32 else sign for sign in name)
    assert read(stated("name", f'"{escaped}"'), tmp_path).name == name


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("reversal_x_mm 0.01\n", "line 1"),
        (EXAMPLE + '\nname = "again"\n', "no valid TOML"),
        ("a = " + "[" * 5000, "TOML"),
    ],
    ids=["no sign", "a key twice", "deep"],
)
def test_what_is_no_toml(text: str, words: str, tmp_path: Path) -> None:
    message = refusal(text, tmp_path)
    assert words in message
    assert len(message.splitlines()) == 1


@pytest.mark.parametrize(("name", "words"), [("none.toml", "no readable file"), (".", "no plain file")])
def test_unreadable_file_is_one_sentence(tmp_path: Path, name: str, words: str) -> None:
    with pytest.raises(MachineError, match=words):
        read_mill(tmp_path / name)
