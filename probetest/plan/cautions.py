"""What must be minded before a machine touches anything; at the head of each program and on each sheet."""

from __future__ import annotations

OF_PROGRAM = (
    "This program has not been tried on your machine. The manuals of the machine and of the probe, "
    "local rules and a qualified operator come before anything written here; the operator decides.",
    "Spindle stopped and locked, or held at its mark; never start it with a probe fitted. Disable "
    "its start where the control can.",
    "Read every line first: units, plane, work offset, tool length, stylus length. X0 Y0 is the "
    "centre of the artefact, Z0 its top, for the lowest point of the ball. No scaling, rotation or "
    "shift may be left on, and the work offset must still be yours after an earlier program has "
    "ended.",
    "Prove by hand, in each direction used, that a touch stops the motion, and that a probe move "
    "with an open circuit is refused with an alarm that ends the program, before the first "
    "automatic touch.",
    "First run: high above the artefact, single block, overrides low, a hand on feed hold, the "
    "emergency stop in reach. Never override above 100 %: the way to stop grows with the square of "
    "the feed. Touches that count run at 100 %.",
    "Table, clamps, vice and doors clear of the whole volume; doors shut, nobody within the guard; "
    "eye protection; chips and coolant off the artefact first.",
    "After an alarm or a stop look first, then move back by hand the way the probe came, out of a "
    "ring up its middle. Note the touch as missed. Start again only at a pause, with the line of "
    "modal words before it sent first.",
    "Stay within the feed and the overtravel that the maker of the probe allows. The limits in this "
    "file, braking and delay among them, are what you stated; nobody has measured them.",
)
"""Engineering practice, no source; the manuals come first."""

OF_SPHERE = (
    "The post below the sphere is not known to this program: see that ball, stem and the straight "
    "ways down beside the sphere clear it."
)
OF_UNGUARDED = (
    "Moves between touches are not guarded: nothing stops them on contact. Exact stop must be on; "
    "rounded corners come nearer than the clearance."
)
OF_PAUSED_TOUCH = (
    "The program waits with the stylus pressed on the surface: to stop there, go back by hand along "
    "the touch."
)
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
