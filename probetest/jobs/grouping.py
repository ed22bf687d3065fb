"""Which tests belong to which build."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from probetest.faults import printable
from probetest.jobs.tested import Tested

MOST_NAMED = 6

KEYS = ("build", "stage", "stylus", "machine", "artefact")
"""What may make a build beside the keys in the heads of the logs."""


def keys_of(tests: Sequence[Tested]) -> str:
    """What the tests could be compared by, for a message."""
    own = {key for test in tests for key, _ in test.result.conditions.notes if key != "note"}
    return ", ".join([*KEYS, *(printable(key) for key in sorted(own)[:20])])


def grouped(
    tests: Sequence[Tested], by: str, *, last: bool, remarks: list[str]
) -> dict[str, tuple[Tested, ...]]:
    """Tests by build, one of each unit."""
    found: dict[str, dict[str, Tested]] = {}
    nameless, spare = [], []
    for test in tests:
        parts = list(_parts(test, by))
        if not parts:
            nameless.append(test.where)
        for name, part in parts:
            units = found.setdefault(name, {})
            if part.serial not in units:
                units[part.serial] = part
                continue
            left_out = units[part.serial] if last else part
            spare.append(f"{part.serial} ({left_out.where})")
            if last:
                units[part.serial] = part
    if nameless:
        remarks.append(f"Left out, for they hold {_absent(by)}: {named(nameless)}.")
    if spare:
        which = "last" if last else "first"
        remarks.append(
            f"Each unit counts once, by its {which} test; further tests are not in the comparison: "
            f"{named(spare)}."
        )
    return {name: tuple(units.values()) for name, units in found.items()}


def _absent(by: str) -> str:
    return "one stage only" if by == "stage" else f"no {printable(by)}"


def named(names: Sequence[str]) -> str:
    """The first names, and how many more there are."""
    shown = ", ".join(printable(name) for name in names[:MOST_NAMED])
    return shown + (f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else "")


def _parts(test: Tested, by: str) -> Iterator[tuple[str, Tested]]:
    """The builds that a test belongs to: one, or one for each stage."""
    stated = test.result.conditions
    if by == "stage":
        yield from _stages(test)
        return
    name: str | None
    if by == "build":
        name = test.result.build
    elif by == "stylus":
        length = stated.stylus.length_mm if stated.stylus else None
        name = None if length is None else f"{length:g} mm"
    elif by == "machine":
        name = stated.machine.name if stated.machine else None
    elif by == "artefact":
        name = stated.artefact.kind if stated.artefact else None
    else:
        name = next((value for key, value in stated.notes if key == by), None)
    if name:
        yield name, test


def _stages(test: Tested) -> Iterator[tuple[str, Tested]]:
    """A stage and the baseline of the same log; a log of one stage has nothing to hold it against."""
    mine = [
        part for part in test.result.series if part.orientation_deg == test.result.headline.orientation_deg
    ]
    for part in mine if len(mine) > 1 else ():
        dof = part.n - part.directions
        yield (
            part.stage,
            replace(
                test,
                sd_mm=part.sd_mm if dof > 0 else None,
                sd_dof=float(dof) if dof > 0 and part.sd_mm is not None else None,
                variation_mm=part.variation_mm,
                variation_u_mm=None,
                own_variation_mm=None,
                own_variation_u_mm=None,
                mean_mm=None,
                mean_u_mm=None,
                unevenness_mm=None,
                unevenness_u_mm=None,
                arms=(),
                failed=0,
                approaches=0,
            ),
        )
