"""What `probetest plan` wrote, read back; and files that do not belong together."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from plan_logs import ring_plan

from probetest.errors import ImportDataError
from probetest.importers import read_plan_folder
from probetest.importers.plan import Plan, look_of
from probetest.jobs.reading import Reading
from probetest.plan.written import plan_csv, plan_toml
from probetest.triggers import Look

Edit = Callable[[str], str]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The two files of a plan that a later command reads."""
    (tmp_path / "plan.toml").write_text(plan_toml(ring_plan()), encoding="utf-8")
    (tmp_path / "plan.csv").write_text(plan_csv(ring_plan()), encoding="utf-8")
    return tmp_path


def edit(path: Path, change: Edit) -> None:
    text = path.read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    path.write_text(changed, encoding="utf-8")


@pytest.mark.parametrize("name", [".", "plan.toml"])
def test_a_plan_is_read_as_it_was_made(folder: Path, name: str) -> None:
    found, schedule = read_plan_folder(folder / name), ring_plan().schedule
    plan = found.plan
    assert plan.touch.tolist() == list(range(1, 97))
    assert plan.stage == schedule.stage
    for given in ("orientation_deg", "azimuth_deg", "elevation_deg"):
        assert getattr(plan, given) == pytest.approx(getattr(schedule, given), abs=1e-7)
    assert (plan.looks, plan.block_ends, plan.two_stage, plan.guarded) == (2, (48, 96), True, True)
    assert found.about is not None
    assert (found.about.serial, found.about.build, found.about.units) == ("SK3-031", "siskin-3", None)
    assert found.about.artefact is not None
    assert found.about.stylus is not None
    assert (found.about.artefact.kind, found.about.artefact.diameter_mm) == ("ring", 25.0)
    assert (found.about.artefact.u_mm, found.about.artefact.form_mm) == (0.0006, 0.0004)
    assert (found.about.stylus.length_mm, found.about.stylus.ball_diameter_mm) == (50.0, 4.0)
    assert found.about.machine is not None
    assert found.about.machine.resolution_mm == 0.00125


def test_a_list_of_touches_alone_says_nothing_else(folder: Path) -> None:
    found = read_plan_folder(folder / "plan.csv")
    assert found.about is None
    assert (found.plan.looks, found.plan.block_ends) == (1, ())
    assert not (found.plan.two_stage)
    assert not (found.plan.guarded)


def test_an_answer_given_beside_the_plan_goes_before_it(folder: Path) -> None:
    (folder / "about.toml").write_text('serial = "B-2"\n', encoding="utf-8")
    told = Reading(plan=folder, about=folder / "about.toml").told()
    assert told.about is not None
    assert told.plan is not None
    assert (told.about.serial, told.about_of_plan, told.plan.looks) == ("B-2", False, 2)
    assert Reading(plan=folder).told().about_of_plan
    assert not Reading(plan=folder / "plan.csv").told().about_of_plan


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda text: "\n".join(text.splitlines()[:-1]) + "\n", r"touches = 96, where .*plan\.csv has 95"),
        (lambda text: text + "97,baseline,0,10,0,60\n", r"touches = 96, where .*plan\.csv has 97"),
        (lambda text: text.replace("\n5,", "\n4,"), "touch 4 again"),
        (lambda text: text.replace("baseline,0,", "baseline,x,", 1), "an angle from"),
        (lambda text: text.splitlines()[0] + "\n", "no planned touch"),
    ],
    ids=["one less", "one more", "a number twice", "no angle", "empty"],
)
def test_a_list_of_another_plan_is_refused(folder: Path, change: Edit, words: str) -> None:
    edit(folder / "plan.csv", change)
    with pytest.raises(ImportDataError, match=words):
        read_plan_folder(folder)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("block_ends = [48, 96]", "block_ends = [48, 95]", "2 growing numbers, the last one 96"),
        ("block_ends = [48, 96]", "block_ends = [96, 48]", "growing"),
        ("block_ends = [48, 96]", "block_ends = [96]", "2 growing numbers"),
        ("block_ends = [48, 96]", "block_ends = []", "block_ends"),
        ("looks = 2", "looks = 3", "3 growing numbers"),
        ("looks = 2", "looks = 0", "looks"),
        ("looks = 2", "looks = 2.0", "looks"),
        ("version = 1", "version = 2", "version"),
        ("risk = 0.05", "risk = nan", "risk"),
        ("guarded = true", "guarded = 1", "guarded"),
        ("version = 1", "version = 1\nmacro = 2", "macro"),
        ('serial = "', 'seriel = "', "seriel"),
        ("[plan]", "[plam]", "plam"),
        ("[about]", "about", "TOML"),
        ('kind = "ring"', 'kind = "pyramid"', "kind"),
    ],
)
def test_a_damaged_plan_is_refused_by_a_sentence(folder: Path, old: str, new: str, words: str) -> None:
    edit(folder / "plan.toml", lambda text: text.replace(old, new))
    with pytest.raises(ImportDataError, match=words) as caught:
        read_plan_folder(folder)
    assert str(caught.value).startswith(str(folder / "plan.toml"))


@pytest.mark.parametrize("name", ["plan.toml", "plan.csv"])
def test_half_a_plan_is_refused(folder: Path, name: str) -> None:
    (folder / name).unlink()
    with pytest.raises(ImportDataError, match=rf"{name}: found (no readable file|that it can't be read)"):
        read_plan_folder(folder)


@pytest.mark.parametrize(
    ("touch", "block"), [(1, 1), (47, 1), (48, 1), (49, 2), (71, 2), (72, 2), (73, 3), (96, 3)]
)
def test_the_block_of_a_touch(touch: int, block: int, folder: Path) -> None:
    plan = read_plan_folder(folder).plan
    three = Plan(
        plan.file, plan.touch, plan.stage, plan.orientation_deg, plan.azimuth_deg, plan.elevation_deg,
        3, (48, 72, 96),
    )  # fmt: skip
    assert look_of(three, touch) == Look(block, 3, touch, (48, 72, 96))


def test_a_plan_for_one_look_has_none_of_them(folder: Path) -> None:
    assert look_of(read_plan_folder(folder / "plan.csv").plan, 5) is None
