"""The pages on what several orientations tell: the probe's own curve, and the machine's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from probetest.jobs.qualify import Qualification
from probetest.report.blocks import Column, Facts, Note, Picture, Table, picture_from_figure
from probetest.report.numbers import UM_PER_MM, UNKNOWN, number, p_words, um, um_span
from probetest.report.style import PALETTE, new_figure, report_style
from probetest.statistics.curve_posterior import CurvePosterior
from probetest.statistics.intervals import t_factor
from probetest.statistics.lobing import Harmonic
from probetest.statistics.separation import Separation

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def apart_note(found: Qualification) -> Note | None:
    """Why probe and machine were not told apart; None where they were."""
    if found.separated.known is not None:
        return None
    return Note("info", "Probe and machine were not told apart", _sentence(found.separated.reason))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def apart_curves(found: Qualification) -> Picture | None:
    """The probe's own curve beside the machine's, with 95 % bands on one scale; None without them."""
    apart = found.separated.known
    if apart is None or apart.probe is None or apart.machine is None:
        return None
    with report_style():
        figure = new_figure(170, 62)
        left, right = figure.subplots(1, 2, sharey=True)
        _draw(left, apart.probe, PALETTE.blue, "-")
        _draw(right, apart.machine, PALETTE.vermilion, "--")
        left.set_title("The probe alone")
        right.set_title("What stays with the machine")
        left.set_xlabel("direction of motion seen from the probe, °\n(azimuth less orientation)")
        right.set_xlabel("direction of motion (azimuth), °")
        left.set_ylabel("later than its mean, µm")
    probe, machine = apart.probe, apart.machine
    return picture_from_figure(
        figure,
        caption="Left: what turns with the probe. Right: what stays with the machine and the artefact, its "
        "form included. Mean and first order are in neither: they go with the mean pre-travel, run-out and "
        "the place of the artefact. Bands: 95 %.",
        alt=f"Two curves over a turn: the probe's varies by {um(probe.variation_mm)} µm, the machine's by "
        f"{um(machine.variation_mm)} µm.",
    )


def _draw(axes: Axes, curve: CurvePosterior, colour: str, line: str) -> None:
    azimuth = np.append(curve.azimuth_deg, curve.azimuth_deg[0] + 360.0)
    mean, half = (np.append(part, part[0]) for part in (curve.mean_mm, t_factor(curve.dof) * curve.u_mm))
    axes.axhline(0, color=PALETTE.muted, lw=0.5)
    axes.fill_between(
        azimuth, UM_PER_MM * (mean - half), UM_PER_MM * (mean + half), color=colour, alpha=0.22, linewidth=0
    )
    axes.plot(azimuth, UM_PER_MM * mean, color=colour, ls=line)
    axes.set_xlim(0, 361)
    axes.set_xticks(np.arange(0, 361, 45))


def apart_facts(found: Qualification) -> Facts | None:
    """Variation of both curves, reversal value, run-out, same-side touches; None without a separation."""
    apart = found.separated.separation
    if apart is None:
        return None
    rows = [
        ("Orientations", ", ".join(f"{angle:.4g}°" for angle in apart.orientations_deg) + f"; n = {apart.n}"),
        ("Pre-travel variation of the probe alone", _variation(apart.probe, apart)),
        ("Variation that stays with machine and artefact", _variation(apart.machine, apart)),
        ("Reversal value (backlash)", _reversal(apart)),
        ("Run-out of the stylus ball", _runout(apart)),
        ("Centring by two opposite touches", _same_side(apart)),
        ("Centre between visits to an orientation", _visits(found)),
        (
            "Do the orientations agree?",
            ("no sign against it" if apart.agrees else "no, beyond the scatter; the intervals are widened")
            + f" ({p_words(apart.misfit_p)})",
        ),
    ]
    return Facts(tuple(rows))


def _variation(curve: CurvePosterior | None, apart: Separation) -> str:
    if curve is None:
        return f"not given: {apart.reason}"
    return f"{um(curve.variation_mm)} µm ({um_span(curve.interval_mm(), 1)} µm, 95 %), all directions"


def _reversal(apart: Separation) -> str:
    found = apart.reversal
    if found is None:
        return f"not given: {apart.reversal_reason}"
    factor = t_factor(found.dof)
    return (
        f"X {um(found.x_mm)} ± {um(factor * found.x_u_mm)} µm, Y {um(found.y_mm)} ± "
        f"{um(factor * found.y_u_mm)} µm (95 %), if the machine has no errors of order 4, 6, 8 of its own"
    )


def _runout(apart: Separation) -> str:
    found = apart.runout
    text = f"{um(found.runout_mm)} µm ({um_span(found.interval_mm, 1)} µm, 95 %)"
    if found.interval_mm.lower > 0:
        text += f" towards {found.azimuth_deg:.0f}° of the probe"
    return text + "; one faulty arm of the seat looks like it"


def _same_side(apart: Separation) -> str:
    found = apart.same_side
    if found is None:
        return "turned by 180° between the touches: no two orientations lie so"
    return (
        f"off by {um(found.plain_rms_mm)} µm (r.m.s. of {found.pairs}); with the probe turned by 180° "
        f"between them {um(found.turned_rms_mm)} µm; u of each {um(found.u_mm, 2)} µm"
    )


def _visits(found: Qualification) -> str:
    visits = found.separated.visits
    if visits is None:
        return "not known: no orientation was left and visited again"
    text = f"sd {um(visits.sd_mm)} µm ({um_span(visits.interval_mm, 1)} µm, 95 %) of each coordinate, "
    text += f"{visits.visits} visits to {visits.orientations} orientations"
    if visits.turned_sd_deg is not None and visits.sd_mm > 0:
        text += f"; as scatter of the angle at most {visits.turned_sd_deg:.1f}°"
    return text


def apart_table(found: Qualification) -> Table | None:
    """Each order: how well it is told apart, and its waves in both curves; None without a separation."""
    apart = found.separated.separation
    if apart is None:
        return None
    probe, machine, both = (
        {wave.order: wave for wave in waves}
        for waves in (apart.probe_harmonics, apart.machine_harmonics, apart.unassigned)
    )
    orders = [order for order, _ in apart.separability]
    return Table(
        columns=(Column("Order", "left"), *(Column(str(order), "right", "1fr") for order in orders)),
        rows=(
            ("told apart, 0 to 1", *(number(share, 2) for _, share in apart.separability)),
            ("probe, µm", *(_amplitude(probe.get(order)) for order in orders)),
            ("its u, µm", *(_u(probe.get(order)) for order in orders)),
            ("machine, µm", *(_amplitude(machine.get(order)) for order in orders)),
            ("its u, µm", *(_u(machine.get(order)) for order in orders)),
            *(
                [("not told apart, µm", *(_amplitude(both.get(order)) for order in orders))]
                if apart.blind_orders
                else []
            ),
        ),
        note="Amplitudes of the waves, least squares over all orientations; u: standard error, "
        f"n = {apart.n}. Told apart: 1 − |mean of exp(i order orientation)|²; the standard error of a wave "
        "grows with the root of its inverse, and below 0.05 the wave belongs to neither.",
    )


def _amplitude(wave: Harmonic | None) -> str:
    return UNKNOWN if wave is None else um(wave.amplitude_mm, 2)


def _u(wave: Harmonic | None) -> str:
    return UNKNOWN if wave is None else um(wave.u_mm, 2)
