"""The tables behind the first page of an acceptance report."""

from __future__ import annotations

import math

from probetest.jobs.qualify import Qualification
from probetest.report.blocks import Column, Facts, Note, Table
from probetest.report.numbers import (
    UM_PER_MM,
    UNKNOWN,
    decimals_for,
    number,
    p_value,
    p_words,
    percent,
    um,
    um_span,
)
from probetest.statistics.intervals import t_factor
from probetest.statistics.lobing import Harmonic
from probetest.statistics.outliers import FAMILY_RISK
from probetest.statistics.repeatability import HOMOGENEITY_RISK, RESOLVED_SHARE, DirectionSpread

MANY_DOF = 10_000
"""More degrees of freedom than this make no difference to a t factor."""

MOST_FLAGS = 60
"""Flags printed one by one; all of them are in result.json."""


def drift_words(found: Qualification) -> str:
    """Drift over the test with its interval, and per hour where times were logged."""
    drift = found.analysis.drift
    if drift is None:
        return UNKNOWN
    words = f"{um(drift.over_test_mm, 2, sign=True)} µm ({um_span(drift.interval_mm, 2)} µm)"
    if drift.curved:
        size = f"{um(drift.size_mm, 2)} ± {um(2 * drift.size_u_mm, 2)} µm (2 u)"
        return f"{size} in a curve, largest less smallest; as a straight line {words}"
    if drift.rate_mm_per_h is not None and drift.rate_interval is not None:
        words += f"; {um(drift.rate_mm_per_h, 2, sign=True)} µm per hour ({um_span(drift.rate_interval, 2)})"
    return words


def direction_table(found: Qualification) -> Table:
    """Mean, scatter and range of each direction."""
    analysis = found.analysis
    base = found.zero_mm if found.zero_mm is not None else float(analysis.mean_mm.mean())
    factor = t_factor(analysis.repeatability.dof)
    rows = []
    for part in analysis.repeatability.directions:
        sd, interval = _direction_sd(part, analysis.repeatability.step_mm)
        rows.append(
            (
                f"{part.azimuth_deg:.4g}",
                str(part.n),
                um(part.mean_mm - base, 1),
                um(factor * analysis.noise_mm / math.sqrt(part.n), 1),
                sd,
                interval,
                um(part.range_mm, 1),
            )
        )
    what = "Mean pre-travel" if found.zero_mm is not None else "Mean less overall mean"
    test = analysis.repeatability.homogeneity
    alike = "no sign that directions scatter unequally" if test.alike else "directions scatter unequally"
    return Table(
        columns=(
            Column("Azimuth, °", "right"),
            Column("n", "right"),
            Column(f"{what}, µm", "right"),
            Column("± 95 %, µm", "right"),
            Column("sd, µm", "right"),
            Column("95 % interval of the sd, µm", "right"),
            Column("Range, µm", "right"),
        ),
        rows=tuple(rows),
        note="Azimuth is the direction the stylus moves, counter-clockwise from X+. ± is of the mean, by the "
        f"pooled scatter. Brown-Forsythe {p_words(test.brown_forsythe_p)}; Cochran's C = "
        f"{number(test.cochran_c, 3)}, critical {number(test.cochran_critical, 3)} at "
        f"{percent(HOMOGENEITY_RISK)}: {alike}.",
    )


def _direction_sd(part: DirectionSpread, step_mm: float) -> tuple[str, str]:
    """The sd and its interval, or that it is not resolved."""
    if part.n < 2:
        return UNKNOWN, UNKNOWN
    if part.sd_mm < RESOLVED_SHARE * step_mm:
        return f"≤ {um(step_mm, 2)}", "not resolved"
    return um(part.sd_mm, 2), um_span(part.interval_mm, 2)


def elevated_table(found: Qualification) -> Table | None:
    """Scatter of the directions that are not horizontal; None without any."""
    if not found.analysis.elevated:
        return None
    rows = tuple(
        (
            f"{part.azimuth_deg:.4g}",
            f"{elevation:.4g}",
            str(part.n),
            *_direction_sd(part, found.analysis.repeatability.step_mm),
            um(part.range_mm, 1),
        )
        for elevation, part in found.analysis.elevated
    )
    return Table(
        columns=(
            Column("Azimuth, °", "right"),
            Column("Elevation, °", "right"),
            Column("n", "right"),
            Column("sd, µm", "right"),
            Column("95 % interval, µm", "right"),
            Column("Range, µm", "right"),
        ),
        rows=rows,
        caption="Directions out of the horizontal plane",
    )


def harmonics_table(found: Qualification) -> Table | Note:
    """Amplitude, phase and chance of each harmonic."""
    fit = found.analysis.harmonics
    if fit is None:
        return Note("info", "No harmonics", found.analysis.harmonics_reason)
    waves = fit.harmonics
    columns = (Column("Order", "left"), *(Column(str(wave.order), "right", "1fr") for wave in waves))
    return Table(
        columns=columns,
        rows=(
            ("amplitude, µm", *(um(wave.amplitude_mm, 2) for wave in waves)),
            ("u, µm", *(um(wave.u_mm, 2) for wave in waves)),
            ("phase, °", *(f"{wave.phase_deg:.0f}" for wave in waves)),
            ("u of the phase, °", *(_phase_u(wave) for wave in waves)),
            ("p", *(p_value(wave.p_value) for wave in waves)),
        ),
        note="amplitude × cos(order × (azimuth − phase)), least squares on the true azimuths; "
        "u: standard error; p: chance of so large an amplitude by scatter alone. Waves shorter than two "
        f"directions fold back into the orders shown. Condition {fit.condition:.2f}, n = "
        f"{found.analysis.repeatability.n}.",
    )


def _phase_u(wave: Harmonic) -> str:
    """Standard error of a phase; a dash where the wave is lost in the scatter."""
    if wave.amplitude_mm < 2 * wave.u_mm:
        return UNKNOWN
    return f"{math.degrees(wave.u_mm / wave.amplitude_mm) / wave.order:.1f}"


def seat_facts(found: Qualification) -> Facts | Note:
    """The fitted three-arm shape."""
    seat = found.analysis.seat
    if seat is None:
        return Note("info", "No three-arm shape", found.analysis.seat_reason)
    if not seat.shown:
        return Note(
            "info",
            "No three-arm shape",
            f"None stands out of the scatter ({p_words(seat.shown_p)}, n = "
            f"{found.analysis.repeatability.n}).",
        )
    fits = "no misfit shown" if seat.fits else "the shape does not fit"
    kind = "arms on contact pairs, ratio " + number(seat.pair_ratio, 2) if seat.pair_ratio else "ideal arms"
    return Facts(
        (
            (
                "Size (pre-travel with the force along an arm)",
                f"{um(seat.size_mm, 2)} ± {um(2 * seat.size_u_mm, 2)} µm (2 u)",
            ),
            (
                "Arm azimuths",
                ", ".join(f"{seat.arm_azimuth_deg + 120 * i:.1f}°" for i in range(3))
                + f" ± {2 * seat.arm_azimuth_u_deg:.1f}° (2 u)",
            ),
            ("Shape", kind),
            (
                "Means about the shape, sd",
                f"{um(seat.residual_sd_mm, 2)} µm; {fits} ({p_words(seat.misfit_p)})",
            ),
        )
    )


def flags_table(found: Qualification) -> Table | Note:
    """What was flagged, and where it stands in the log."""
    if not found.flags:
        return Note(
            "info",
            "Nothing was flagged",
            f"No touch, direction or scatter stands out at a family-wise risk of {percent(FAMILY_RISK)}, and "
            "every approach ended in a valid trigger.",
        )
    rows = tuple(
        (
            UNKNOWN if flag.touch is None else str(flag.touch),
            UNKNOWN if flag.line is None else str(flag.line),
            f"{flag.azimuth_deg:.4g}",
            um(flag.reading_mm, 1, sign=flag.kind != "scatter"),
            flag.kind.replace("_", " "),
            flag.detail,
        )
        for flag in found.flags[:MOST_FLAGS]
    )
    rest = len(found.flags) - len(rows)
    return Table(
        columns=(
            Column("Touch", "right"),
            Column("Line", "right"),
            Column("Azimuth, °", "right"),
            Column("µm", "right"),
            Column("Kind", "left"),
            Column("What and how far", "left", "1fr"),
        ),
        rows=rows,
        note="Flagged touches stay in every figure."
        + (f" {rest} more are listed in result.json." if rest else ""),
    )


def without_flags_table(found: Qualification) -> Table | None:
    """The headline figures with and without the flagged touches; None where no touch was flagged."""
    analysis, other = found.analysis, found.without_flags
    if other.left_out == 0:
        return None
    sd = analysis.repeatability.sd_mm if analysis.repeatability.resolved else None
    worst = analysis.worst_sd_mm
    variation = analysis.variation.variation_mm if analysis.variation else None
    cpk = found.capability.cpk if found.capability else None
    apart = found.separated.known
    n = analysis.repeatability.n
    own = []
    if apart is not None and apart.probe is not None:
        own = [
            (
                f"Pre-travel variation of the probe alone (n = {apart.n}), µm",
                um(apart.probe.variation_mm, 1),
                um(other.probe_variation_mm, 1),
            )
        ]
    return Table(
        columns=(
            Column("Figure", "left", "1fr"),
            Column(f"with all {n} touches" if not apart else "with all touches", "right"),
            Column(f"without {other.left_out} flagged", "right"),
        ),
        rows=(
            ("Repeatability, pooled sd, µm", um(sd, 2), um(other.sd_mm, 2)),
            ("Repeatability, worst direction sd, µm", um(worst, 2), um(other.worst_sd_mm, 2)),
            ("Pre-travel variation, µm", um(variation, 1), um(other.variation_mm, 1)),
            *own,
            ("Cpk", number(cpk, 2), number(other.cpk, 2)),
        ),
    )


def drift_facts(found: Qualification) -> Facts | Note:
    """Drift, the scatter without it, the first touches."""
    drift = found.analysis.drift
    if drift is None:
        return Note("info", "Drift can't be told", found.analysis.drift_reason)
    rows = [("Drift of the pre-travel over the test", drift_words(found))]
    if drift.centre_shift_mm is not None:
        x, y = drift.centre_shift_mm
        rows.append(
            (
                "Shift of the centre over the test",
                f"X {um(x, 2, sign=True)} µm, Y {um(y, 2, sign=True)} µm, u = {um(drift.centre_u_mm, 2)} "
                "µm: machine, artefact or stylus, not told apart",
            )
        )
    spread = found.analysis.repeatability
    figures = f"{um(spread.sd_mm, 2)} / {um(drift.sd_without_mm, 2)} / {um(drift.successive_sd_mm, 2)} µm"
    rows.append(
        (
            "sd with drift / without / from successive differences",
            f"{figures}, n = {spread.n}" if spread.resolved else f"not resolved, ≤ {um(spread.step_mm)} µm",
        )
    )
    first = drift.first_touch
    if first is not None:
        rows.append(
            (
                "First touch of a direction against the later ones",
                f"{um(first.shift_mm, 2, sign=True)} µm ({um_span(first.interval_mm, 2)} µm), "
                f"{first.directions} directions",
            )
        )
    return Facts(tuple(rows))


def budget_tables(found: Qualification) -> tuple[Table, ...]:
    """Uncertainty budgets of the headline figures."""
    tables = []
    for budget in found.budgets:
        decimals = min(3, decimals_for(UM_PER_MM * budget.u_mm) + 1)
        rows: list[tuple[str, str, str, str, str]] = [
            (part.source, str(part.kind), um(part.u_mm, decimals), _dof(part.dof), part.basis)
            for part in budget.components
        ]
        rows.append(
            ("combined", "", um(budget.u_mm, decimals), _dof(budget.dof), "root of the sum of squares")
        )
        tables.append(
            Table(
                columns=(
                    Column("Source", "left"),
                    Column("Type", "left"),
                    Column("u, µm", "right"),
                    Column("dof", "right"),
                    Column("Basis", "left", "1fr"),
                ),
                rows=tuple(rows),
                caption=f"{budget.figure}: {um(budget.value_mm, decimals)} ± "
                f"{um(budget.expanded_mm, decimals)} µm ({percent(budget.level)}, k = "
                f"{budget.coverage_factor:.2f})",
                emphasis=(len(rows) - 1,),
            )
        )
    return tuple(tables)


def _dof(dof: float) -> str:
    return f"{dof:.0f}" if math.isfinite(dof) and dof < MANY_DOF else "∞"
