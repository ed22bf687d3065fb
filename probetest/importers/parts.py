"""The parts of a log that was interrupted: which one counts, or whether they belong together."""

from __future__ import annotations

import numpy as np

from probetest.faults import FaultList
from probetest.importers.approaches import Approaches, Cut
from probetest.importers.doubts import judge_cut, words_of_cut
from probetest.importers.pattern import Pattern
from probetest.importers.skipped import SkipList
from probetest.importers.told import Told


def choose_part(
    result: Approaches, pattern: Pattern, told: Told, skipped: SkipList, faults: FaultList
) -> int:
    """Keep one part of a log that was interrupted, or all; return how many there are."""
    cuts = []
    for cut in result.cuts:
        jump = judge_cut(result, cut)
        if cut.kind != "words" or (jump and pattern.coordinates != "machine"):
            cuts.append((cut, jump))
        elif pattern.coordinates != "machine":
            result.notices.append(
                f"Line {cut.line}: {words_of_cut(cut)}; the positions on both sides agree, nothing was split."
            )
    cuts = [one for at, one in enumerate(cuts) if at == 0 or one[0].before != cuts[at - 1][0].before]
    parts = len(cuts) + 1
    if told.part is not None:
        _keep_part(result, [cut for cut, _ in cuts], told.part, skipped, faults)
    elif cuts and told.join and all(cut.kind == "restart" for cut, _ in cuts):
        result.notices.append(
            f"The log was interrupted {'once' if len(cuts) == 1 else f'{len(cuts)} times'} (line "
            f"{cuts[0][0].line}); its parts were joined (--join)."
        )
    else:
        for cut, jump in cuts:
            _ask_part(result, cut, jump, faults)
    return parts


def _keep_part(result: Approaches, cuts: list[Cut], part: int, skipped: SkipList, faults: FaultList) -> None:
    edges = [0, *(cut.before for cut in cuts), len(result)]
    if not 1 <= part < len(edges):
        faults.add(f"{len(edges) - 1} parts and --part {part}", f"a part from 1 to {len(edges) - 1}")
        return
    rows = np.arange(edges[part - 1], edges[part])
    other = np.setdiff1d(np.arange(len(result)), rows)
    skipped.add_lines(result.columns["line"][other], f"in another part of the log; --part {part} was given")
    result.notices.append(
        f"Part {part} of {len(edges) - 1} is used: {len(rows)} of {len(result)} approaches."
    )
    result.select(rows)


def _ask_part(result: Approaches, cut: Cut, jump: str | None, faults: FaultList) -> None:
    found = f"{words_of_cut(cut)}; {cut.before} approaches before, {len(result) - cut.before} after"
    if jump:
        found += f"; {jump}"
    action = "give --part 1, --part 2 ... for the part that counts"
    if cut.kind == "restart":
        action += ", or --join if the machine neither moved nor sought its home"
    faults.add(found, "one uninterrupted series", line=cut.line, action=action)
