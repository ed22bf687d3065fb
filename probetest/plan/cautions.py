"""What must be minded before a machine touches anything; at the head of each program and on each sheet."""

from __future__ import annotations

OF_PROGRAM = (
    "This program has not been tried on your machine. The manuals of the machine and of the probe, "
    "local rules and a qualified operator come before anything written here; the operator decides.",
    "Spindle stopped and locked, or held at its mark; never start it with a probe fitted. Disable "
    "its start where the control can.",
    "Read every line first: units, plane, work offset, tool length, stylus length. X0 Y0 is the "
    "centre of the artefact, Z0 its top, for the lowest point of the ball.",
    "Prove by hand, in each direction used, that a touch stops the motion, and that a probe move "
    "does not start while the circuit is open, before the first automatic touch.",
    "First run: high above the artefact, single block, overrides low, a hand on feed hold, the "
    "emergency stop in reach.",
    "Table, clamps, vice and doors clear of the whole volume; doors shut, nobody within the guard; "
    "eye protection; chips and coolant off the artefact first.",
    "Stay within the feed and the overtravel that the maker of the probe allows. The limits in this "
    "file are what you stated; nobody has measured them.",
)
"""Engineering practice, no source; the manuals come first."""

OF_OVERTRAVEL = (
    "Overtravel by hand, spindle stopped: push the stylus sideways gently, not beyond what the "
    "maker of the probe allows, and let it return by itself. Carbide and ceramic stems are brittle: "
    "eye protection."
)
OF_SERVICE = (
    "Before a service take the probe out of the spindle. Opening it may void warranty, sealing and "
    "calibration; the spring is preloaded; read the safety data sheet of a fluid or solvent; "
    "gloves, ventilation, no ignition source."
)
