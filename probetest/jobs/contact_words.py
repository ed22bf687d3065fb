"""What to say of a finding on the contacts: what it means, and what to do next, in plain words."""

from __future__ import annotations

from dataclasses import dataclass

from probetest.statistics.contact_finding import Candidate, Finding, Kind

FIRST = "Rule out the simple things first: stylus tight in its thread, holder clean, cable and plug firm."
REPEAT = "Repeat the test, from 24 directions or more in turn, 10 touches each."
TURN = (
    "Unless that was done: repeat the test with the probe turned to 0, 30, 90 and 210° in the spindle "
    "(column "
    "orientation_deg). What turns with the probe is the probe's, what stays is the machine's or the "
    "artefact's. Don't open the probe before that."
)
CLEAN = (
    "If it stays, have the contact pair (all of them, where none is named) cleaned, and refilled where it "
    "holds contact fluid, by whoever the maker of the probe names; log the test after it as stage "
    "after_service."
)
REST = (
    "With the probe out and disconnected, and where its contacts can be reached from outside, measure the "
    "resistance at rest; write it down, measure again after cleaning, and compare with a good probe of the "
    "same build: a film raises it."
)

CAUTIONS = (
    "Take the probe out of the spindle and disconnect it first. The spring is preloaded: eye protection, and "
    "a tray for what jumps. Contact fluid and solvent: read the safety data sheet, gloves, fresh air, no "
    "flame; no compressed air into the seat, nothing abrasive on the contacts. Opening a probe may end its "
    "warranty, its sealing and its calibration: qualify it again before use. The maker's manual and local "
    "rules come first."
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
        "a contact pair that opens early (raised resistance, or less of the spring)",
        "The circuit opens before this arm has lifted: a film or a speck raises its resistance, or this arm "
        "carries less of the spring. One log can't tell which.",
        (FIRST, TURN, REST, CLEAN),
    ),
    "late": Words(
        "a contact pair that opens late",
        "The circuit stays closed when this arm should have opened it: fluid or swarf bridges the pair, it "
        "sticks, or this arm carries more of the spring. Two early pairs look the same.",
        (FIRST, "Look for swarf and for fluid between the pair.", TURN, CLEAN),
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
        (FIRST, "Look at the cable and its shield: these act in all directions.", TURN, CLEAN),
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


def whereabouts(finding: Finding) -> str:
    """Where the suspect arm is on the probe; empty where none is named."""
    arm = finding.first.arm_azimuth_deg
    if arm is None:
        return ""
    towards = (arm + 180.0) % 360.0
    return (
        "Where it is: look down from the spindle on the probe as it stood at orientation 0 (as in the "
        "test, where "
        f"no orientation was logged), and count from X+ counter-clockwise (Y+ is 90°) to {arm:.0f}°. This "
        "arm "
        f"lifts when the stylus moves towards {towards:.0f}°. Mark the body at X+ before you take the "
        "probe out."
    )


def named(one: Candidate) -> str:
    """A kind of fault and where it lies."""
    title = WORDS[one.kind].title
    return title if one.arm_azimuth_deg is None else f"{title}, the arm at azimuth {one.arm_azimuth_deg:.0f}°"


def advice(finding: Finding) -> tuple[str, ...]:
    """What to do next."""
    if finding.first.kind == "unknown" and finding.more_touches is not None:
        more = _rounded(finding.more_touches)
        return (*WORDS["unknown"].advice, f"About {more} more touches like these would probably tell.")
    return WORDS[finding.first.kind].advice


def opens(finding: Finding) -> bool:
    """Whether the advice may lead to an open probe, so that the cautions must stand beside it."""
    return WORDS[finding.first.kind].opens


def _rounded(count: int) -> int:
    """Two digits are enough for a number of touches."""
    step = int(10 ** max(0, len(str(count)) - 2))
    return -(-count // step) * step
