"""Directions of a hand-made table that has none of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from probetest.errors import ImportDataError
from probetest.importers import About, import_log, read_plan
from probetest.triggers import Artefact

TABLE = "Nr;X (mm);Y (mm)\n1;10,002;0,001\n2;0,001;10,003\n3;-10,001;0,002\n4;0,000;-10,002\n"
PLAN = (
    "touch,stage,orientation_deg,azimuth_deg\n"
    "11,baseline,90,0\n12,baseline,90,90\n13,after_service,90,180\n14,after_service,90,270\n"
)


def ring(kind: str = "ring") -> About:
    return About(artefact=Artefact(kind=kind, diameter_mm=20.0))


@pytest.fixture
def read(tmp_path: Path):
    def _read(table: str = TABLE, plan: str = "", **answers: Any):
        log = tmp_path / "log.csv"
        log.write_text(table, encoding="utf-8")
        if plan:
            (tmp_path / "plan.csv").write_text(plan, encoding="utf-8")
            answers["plan"] = read_plan(tmp_path / "plan.csv")
        return import_log(log, serial="A", **answers)

    return _read


def test_a_table_without_directions_is_asked_for_them(read) -> None:
    with pytest.raises(ImportDataError, match=r"no direction of approach.* give --direction X\+"):
        read()


def test_rows_take_their_place_in_the_plan(read) -> None:
    frame = read(plan=PLAN).tests[0].frame
    assert frame["touch"].tolist() == [11, 12, 13, 14]
    assert frame["azimuth_deg"].tolist() == [0, 90, 180, 270]
    assert frame["orientation_deg"].tolist() == [90] * 4
    assert frame["stage"].tolist() == ["baseline", "baseline", "after_service", "after_service"]
    assert frame["x_mm"].tolist() == [10.002, 0.001, -10.001, 0.0]


def test_a_plan_in_another_order_than_the_positions_is_refused(read) -> None:
    turned = PLAN.replace(",0\n", ",x\n").replace(",90\n", ",0\n").replace(",x\n", ",90\n")
    with pytest.raises(
        ImportDataError, match=r"line 2: found a touch at azimuth 0 deg.* where 90 deg is stated"
    ):
        read(plan=turned, about=ring())


def test_a_plan_of_another_length_is_refused(read) -> None:
    with pytest.raises(ImportDataError, match=r"found 4 approaches, where the plan .* has 5, expected 5"):
        read(plan=PLAN + "15,baseline,90,45\n")


def test_one_direction_for_all(read) -> None:
    table = "Nr;X (mm);Y (mm)\n1;8,002;6,001\n2;8,001;6,003\n3;8,003;6,002\n4;8,000;6,002\n"
    frame = read(table, direction=(37.0, 0.0)).tests[0].frame
    assert frame["azimuth_deg"].tolist() == [37.0] * 4


def test_touches_all_around_do_not_come_from_one_direction(read) -> None:
    with pytest.raises(ImportDataError, match=r"a touch at azimuth 90 deg.* where 0 deg is stated"):
        read(direction=(0.0, 0.0))


@pytest.mark.parametrize(
    "azimuths",
    [[90, 180, 270, 0], [0, 270, 180, 90], [180, 90, 0, 270]],
    ids=["shifted by one", "clockwise", "clockwise from without"],
)
def test_a_wrong_plan_shows_on_a_circle_without_any_artefact(read, azimuths: list[int]) -> None:
    plan = "azimuth_deg\n" + "".join(f"{one}\n" for one in azimuths)
    with pytest.raises(ImportDataError, match="seen from the middle of all touches"):
        read(plan=plan)


@pytest.mark.parametrize("turn", [0, 180], ids=["from within", "from without"])
def test_a_plan_fits_touches_from_within_or_from_without(read, turn: int) -> None:
    plan = "azimuth_deg\n" + "".join(f"{(one + turn) % 360}\n" for one in (0, 90, 180, 270))
    assert len(read(plan=plan).tests[0].frame) == 4


def test_four_faces_of_a_block_are_no_circle(read) -> None:
    table = "Nr;X (mm);Y (mm)\n1;20;1\n2;3;5\n3;-20;-2\n4;1;-5\n"
    plan = "face\nX-\nY-\nX+\nY+\n"
    assert read(table, plan=plan).tests[0].frame["azimuth_deg"].tolist() == [180, 270, 0, 90]


def test_a_touch_off_the_circle_has_no_radial_direction(read) -> None:
    with pytest.raises(ImportDataError, match="touches that do not lie on one circle, and --radial"):
        read(TABLE + "5;0,3;0,1\n", radial=True, about=ring())


@pytest.mark.parametrize("header", ["Reading (mm)", "Reading mm", "Wert (mm)", "Reading [mm]"])
def test_values_of_an_axis_are_turned_whatever_the_unit_beside_their_name(read, header: str) -> None:
    found = read(f"Nr;Face;{header}\n1;X+;10,5\n2;X-;-10,4\n")
    assert found.tests[0].frame["reading_mm"].tolist() == [10.5, 10.4]
    assert any("its sign was turned in 1 row" in notice for notice in found.notices)


def test_the_native_name_is_along_the_approach(read) -> None:
    found = read("Nr;Face;reading_mm\n1;X+;10,5\n2;X-;-10,4\n")
    assert found.tests[0].frame["reading_mm"].tolist() == [10.5, -10.4]


@pytest.mark.parametrize("header", ["Probe", "Probe ID", "Taster", "Palpeur"])
def test_a_column_of_probes_is_a_column_of_serials(read, header: str) -> None:
    with pytest.raises(ImportDataError, match=r"serial 'K-12'.*'A' as stated for the whole file"):
        read(f"{header};Face;Wert (mm)\nK-11;X+;1,5\nK-12;X+;1,6\n")


def test_columns_that_are_directions_are_not_two_axes_of_a_touch(read) -> None:
    with pytest.raises(ImportDataError, match=r"a column for each direction \('X\+ \(mm\)', 'Y\+ \(mm\)'\)"):
        read("Nr;X+ (mm);Y+ (mm)\n1;10,5;9,5\n2;10,4;9,4\n")


@pytest.mark.parametrize(("kind", "azimuths"), [("ring", [0, 90, 180, 270]), ("boss", [180, 270, 0, 90])])
def test_radial_approaches_have_the_azimuth_of_their_position(read, kind: str, azimuths: list[float]) -> None:
    frame = read(radial=True, about=ring(kind)).tests[0].frame
    assert frame["azimuth_deg"].tolist() == azimuths


def test_radial_approaches_need_a_round_artefact(read) -> None:
    with pytest.raises(ImportDataError, match="--radial without a round artefact"):
        read(radial=True)


def test_a_header_that_begins_with_a_number_sign_is_no_comment(read) -> None:
    frame = read("#;Achse;Wert (mm)\n1;X+;1,5\n2;X+;1,6\n").tests[0].frame
    assert frame["touch"].tolist() == [1, 2]
    assert frame["reading_mm"].tolist() == [1.5, 1.6]


def test_directions_in_the_table_stay(read) -> None:
    table = "Nr;Richtung;X (mm);Y (mm)\n1;30;1,0;2,0\n2;60;1,0;2,5\n"
    assert read(table).tests[0].frame["azimuth_deg"].tolist() == [30, 60]


def test_units_of_the_header_and_of_the_option_must_agree(read) -> None:
    with pytest.raises(ImportDataError, match="units 'mm' in its header row and 'inch' in the option"):
        read(units="inch", direction=(0.0, 0.0))


def test_a_table_in_western_letters_is_read_and_says_so(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes("Prüfung;;\nNr;Achse;Wert (mm)\n1;X+;1,5\n".encode("cp1252"))
    found = import_log(log, serial="A")
    assert found.tests[0].frame["reading_mm"].tolist() == [1.5]
    assert "The file was read as cp1252." in found.notices


# ---- the axis that touched


def faces_of_a_block(names: list[str], shift: int = 0) -> tuple[str, str]:
    """Three faces in turn, and a plan that is ``shift`` touches off."""
    scatter = [0.001, 0.003, 0.002, 0.004, 0.0]
    rows, plan = ["Nr;X (mm);Y (mm);Z (mm)"], ["face"]
    order = [name for _ in scatter for name in names]
    for number, name in enumerate(order):
        late = scatter[number // len(names)]
        place = {"X+": (10 + late, 2.0, -5.0), "Y+": (3.0, 8 + late, -5.0), "Z-": (1.0, 1.0, -7 - late)}[name]
        rows.append(";".join([str(number + 1), *(f"{value:.3f}" for value in place)]).replace(".", ","))
        plan.append(order[(number + shift) % len(order)])
    return "\n".join(rows) + "\n", "\n".join(plan) + "\n"


def test_a_plan_off_by_one_touch_shows_by_the_axis_that_scatters(read) -> None:
    table, plan = faces_of_a_block(["X+", "Y+", "Z-"], shift=1)
    with pytest.raises(
        ImportDataError, match=r"stated axis stands still while another one scatters \(3 of 3"
    ):
        read(table, plan=plan)


def test_a_plan_in_step_passes(read) -> None:
    table, plan = faces_of_a_block(["X+", "Y+", "Z-"])
    assert len(read(table, plan=plan).tests[0].frame) == 15


def test_touches_at_places_apart_along_a_face_are_no_contradiction(read) -> None:
    table = "Nr;X (mm);Y (mm)\n" + "".join(f"{n};10,000;{n},500\n" for n in range(1, 7))
    assert len(read(table, direction=(0.0, 0.0)).tests[0].frame) == 6


def test_equal_readings_of_a_still_machine_are_no_contradiction(read) -> None:
    table = "Nr;X (mm);Y (mm)\n" + "".join(f"{n};10,000;0,50{n % 2}\n" for n in range(1, 7))
    assert len(read(table, direction=(0.0, 0.0)).tests[0].frame) == 6
