"""What to say of a finding on the contacts: what it means, and what to do next, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from probetest.statistics.contact_finding import Candidate, Finding, Kind

FIRST = (
    "Rule out the simple things first: stylus tight in its thread, holder clean, cable and plug not moved."
)
REPEAT = "Then repeat the test; the same answer twice is worth more than any figure here."
TURN = (
    "If that was not done: turn the probe in the spindle and repeat the test at 0, 30, 90 and 210° (column "
    "orientation_deg): what "
    "turns with the probe is the probe's, what stays is the machine's."
)
CLEAN = (
    "If it stays, have this contact pair cleaned, and refilled where it holds contact fluid, by whoever the "
    "maker of the probe names; log the test after it as stage after_service."
)
REST = "Read the resistance of the circuit at rest, before and after: a film raises it."

CAUTIONS = (
    "Take the probe out of the spindle and disconnect it first. The spring is preloaded: eye protection, "
    "and a "
    "tray for what jumps. Contact fluid and solvent: read the safety data sheet, gloves, fresh air, no "
    "flame; no "
    "compressed air into the seat, nothing abrasive on the contacts. Opening a probe may end its warranty, "
    "its "
    "sealing and its calibration: qualify it again before use. The maker's manual and local rules come first."
)
"""For every advice that leads to an open probe."""


@dataclass(frozen=True, slots=True)
class Words:
    """Of one kind of fault.

    Attributes
    ----------
    title : str
        Completes "consistent with ...".
    meaning : str
    advice : tuple of str
    opens : bool
        Whether the advice may lead to an open probe.
    """

    title: str
    meaning: str
    advice: tuple[str, ...]
    opens: bool = True


WORDS: dict[Kind, Words] = {
    "healthy": Words(
        "three arms that open alike",
        "That holds for this test: a speck that was not there then is not seen.",
        (),
        opens=False,
    ),
    "early": Words(
        "raised resistance at one contact pair",
        "The circuit opens before this arm has lifted: a film or a speck raises its resistance, or this arm "
        "carries less of the spring than the others. One log can't tell which.",
        (FIRST, REST, REPEAT, CLEAN),
    ),
    "late": Words(
        "a contact pair that opens late",
        "The circuit stays closed when this arm should have opened it: fluid or swarf bridges the pair, it "
        "sticks, or this arm carries more of the spring. Two early pairs look the same.",
        (FIRST, "Look for swarf and for fluid between the pair.", REPEAT, CLEAN),
    ),
    "tilted": Words(
        "a particle that came under one ball of the seat, or left it",
        "The ball of the stylus moved along this arm during the test. Offsets set before it are off by that.",
        (FIRST, "Let the probe re-seat a few times by hand and repeat the test.", CLEAN),
    ),
    "intermittent": Words(
        "an unsteady contact pair",
        "Some touches come early, scatter or come from nowhere: a contact that is opened by a particle for "
        "moments, or chatters.",
        (FIRST, "Look at the cable and its shield: these act in all directions.", REPEAT, CLEAN),
    ),
    "loose_stylus": Words(
        "a loose stylus, or anything else between ball and spindle that moves",
        "The centre of the touches jumped, and not along an arm of the seat.",
        ("Tighten the stylus to the torque its maker states; check extension, holder and drawbar.", REPEAT),
        opens=False,
    ),
    "weak_spring": Words(
        "a weaker spring",
        "The pre-travel is smaller in all directions than in the earlier test, with the same stylus.",
        ("Check that stylus length and diameter are those of the earlier test.", REPEAT,
         "A weak spring lets the probe trigger when the machine accelerates: approach more slowly, and ask "
         "the maker."),
    ),
    "open": Words(
        "a circuit that is open when it should not be, or does not open when it should",
        "Approaches began with an open circuit or ended without a trigger. In use that is a crash or a stop.",
        ("Do not use the probe for automatic touches until this is found.",
         "Check plug, cable and input of the machine, and whether each approach could travel far enough.",
         REST, CLEAN),
    ),
    "hysteresis": Words(
        "a seat that does not come back to the same place",
        "Where the probe triggers depends on the direction of the touch before: friction in the seat, or a "
        "dry contact, leaves it displaced.",
        (FIRST, "Touch twice from the same direction and use the second, until it is found.", REPEAT, CLEAN),
    ),
    "machine": Words(
        "the machine or the artefact, under a healthy probe",
        "Equal arms and what a mill adds (reversal value, axes of different scale) explain the curve.",
        (TURN,),
        opens=False,
    ),
    "unknown": Words(
        "no single cause that is told here",
        "The evidence is not enough for a name, or fits none.",
        (FIRST, TURN),
        opens=False,
    ),
}  # fmt: skip


def sentence(finding: Finding) -> str:
    """The finding in one sentence: consistent with, never is."""
    first = finding.first
    if first.kind == "healthy":
        return f"Healthy: {WORDS['healthy'].title}; {first.why}."
    if first.kind == "unknown":
        return f"Can't tell: {first.why}."
    return f"Consistent with {named(first)}: {first.why}."


def named(one: Candidate) -> str:
    """A kind of fault and where it lies."""
    title = WORDS[one.kind].title
    return title if one.arm_azimuth_deg is None else f"{title}, the arm at azimuth {one.arm_azimuth_deg:.0f}°"


def advice(finding: Finding) -> tuple[str, ...]:
    """What to do next."""
    if finding.first.kind == "unknown" and finding.more_touches is not None:
        return (*WORDS["unknown"].advice, f"About {finding.more_touches} more touches would tell.")
    return WORDS[finding.first.kind].advice


def opens(finding: Finding) -> bool:
    """Whether the advice may lead to an open probe, so that the cautions must stand beside it."""
    return WORDS[finding.first.kind].opens
