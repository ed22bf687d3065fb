"""The table of what a user will see when setting a work offset on a mill like the stated one."""

from __future__ import annotations

from probetest.errors import ReportError
from probetest.jobs.earlier import EarlierResult
from probetest.jobs.expect import example
from probetest.jobs.qualify import Qualification
from probetest.jobs.result import result_to_dict
from probetest.mill import MillSettings
from probetest.report.blocks import Column, Note, Table
from probetest.report.numbers import percent, um
from probetest.statistics.setting import Expected

MOST_CAUSES, LEAST_SHARE = 2, 0.05


def expected_table(found: Qualification) -> Table | Note:
    """Errors of setting a work offset on the example mill, and with better habits."""
    try:
        shown = example(EarlierResult.model_validate(result_to_dict(found)))
    except ReportError as error:
        return Note("info", "No errors of work offsets", f"{str(error)[:1].upper()}{str(error)[1:]}.")
    rows = tuple(
        (
            plain.feature,
            f"± {um(plain.error95_mm)}",
            _causes(plain),
            ", ".join(plain.form.cancelling) or "nothing",
            f"± {um(careful.error95_mm)}",
        )
        for plain, careful in zip(shown.plain.features, shown.careful.features, strict=True)
    )
    return Table(
        columns=(
            Column("Set by", "left", "1fr"),
            Column("95 % within, µm", "right"),
            Column("What makes it", "left"),
            Column("What cancels", "left"),
            Column("Careful, µm", "right"),
        ),
        rows=rows,
        note=f"{_mill(shown.mill)} Careful: each direction calibrated at the mark, and moves that come "
        f"back one way. 95 of 100 settings have no larger error ({shown.plain.features[0].trials} random "
        "settings, JCGM 101; of a centre and a corner the length). Shares of the mean square error. "
        "The command probetest expect makes this table for your own mill.\n" + "\n".join(shown.plain.remarks),
    )


def _causes(one: Expected) -> str:
    causes = sorted((c for c in one.form.causes if c.share >= LEAST_SHARE), key=lambda c: -c.share)
    return ", ".join(f"{cause.name} {percent(cause.share)}" for cause in causes[:MOST_CAUSES])


def _mill(mill: MillSettings) -> str:
    reversal = f"{um(mill.reversal_x_mm, 0)} and {um(mill.reversal_y_mm, 0)} µm"
    return (
        f"Mill: reversal value {reversal}, readout {um(mill.resolution_mm, 0)} µm, spindle at its mark "
        f"within {mill.orientation_sd_deg:g}° (sd), ball radius calibrated by {mill.calibration_touches} "
        "directions. Reversal value and run-out are common practice for a small mill (no source)."
    )
