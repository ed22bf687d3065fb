"""A notebook that shows each block once, on invented numbers."""

import nbformat

SETUP = """
import numpy as np
from probetest.report.blocks import (
    Banner, Column, Facts, Literal, Note, Row, Table, VerdictMark, picture_from_figure,
)
from probetest.report.style import PALETTE, new_figure, report_style
"""

PARAMETERS = """
serial = "PT-0000"
verdict = "pass"
seed = 1
"""

BANNER = """
Banner(
    verdict,
    f"Probe {serial}",
    "Every limit is kept with room for the uncertainty: the largest spread is 1.1 µm (n = 20, "
    "0.9 to 1.6 µm at 95 %) and the limit is 2.0 µm.",
    (
        ("Artefact", "ring Ø 25.0004 mm, u = 0.6 µm"),
        ("Approaches", "240, of which 2 missed"),
        ("Stylus", "50 mm, ball Ø 4 mm"),
        ("Tested", "2 March 2026"),
        ("Temperature", "20.4 to 20.9 °C"),
        ("Invented data", "this probe does not exist"),
    ),
)
"""

ROW = """
with report_style():
    figure = new_figure(82, 74)
    axes = figure.add_subplot(projection="polar")
    azimuth_rad = np.linspace(0, 2 * np.pi, 73)
    for name, phase, colour in zip(("baseline", "after overtravel"), (0.0, 0.2), PALETTE.series):
        axes.plot(azimuth_rad, 12 + 4 * np.cos(3 * azimuth_rad + phase), color=colour, label=name)
    axes.set_rlim(0, 20)
    axes.set_rticks([5, 10, 15, 20])
    axes.set_rlabel_position(60)
    axes.set_title("Pre-travel variation / µm")
    figure.legend(loc="outside lower center", ncols=2)
polar = picture_from_figure(
    figure, caption="Pre-travel by direction of motion, mean of 10.", alt="Polar plot with three lobes"
)
limits = Table(
    (Column("Limit", width="1fr"), Column("Found / µm", "right"), Column("")),
    (
        ("Spread, worst direction", "1.1", VerdictMark("pass")),
        ("Lobing", "8.0", VerdictMark("fail")),
        ("Re-seat after overtravel", "0.9", VerdictMark("undecided")),
        ("Drift", "–", VerdictMark("not tested")),
    ),
    caption="Against the limits",
    note="95 % intervals stand in the table below.",
    emphasis=(1,),
)
Row((polar, limits), (1.0, 1.0))
"""

LONG_TABLE = """
rng = np.random.default_rng(seed)
Table(
    (
        Column("Direction / °", "right"), Column("n", "right"), Column("Mean / µm", "right"),
        Column("s / µm", "right"), Column("95 % interval of s / µm", "right"), Column("Remark", width="1fr"),
    ),
    tuple(
        (f"{angle}", "10", f"{mean:.2f}".replace("-", "−"), f"{s:.2f}",
         f"{0.69 * s:.2f} to {1.83 * s:.2f}", "")
        for angle, mean, s in zip(range(0, 360, 8), rng.normal(0, 4, 45), rng.uniform(0.4, 1.2, 45))
    ),
    caption="Each direction",
)
"""

REST = """
from IPython.display import display
display(Facts(
    (("Software", "probetest"), ("Log", "ring_25.csv, 240 rows"), ("Units", "mm")), caption="Origin"
))
display(Note(
    "caution",
    "One orientation only",
    "Run-out of the stylus and the centre of the ring can't be told apart at one orientation; the "
    "first harmonic is left out of every figure on this page.",
))
display(Note(
    "info", "What the intervals mean", "Each interval covers the true spread in 95 of 100 such tests."
))
display(Literal(
    "Note of the tester:   #panic('no') $x$ *not bold* <b>not bold</b>\\n    second line\\tafter a tab"
))
"""

MARKDOWN = """## How it was done

The ring was touched from **24 directions**, *ten times each*, at `60 mm/min`:

- approach along the radius,
- back off 2 mm,
    1. wait,
    2. repeat.

> A later trigger means a longer pre-travel.

---

See [the manual](https://example.org/manual).
"""


def sample_notebook():
    """Return the notebook, not yet executed."""
    v4 = nbformat.v4
    cells = [
        v4.new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]}),
        v4.new_code_cell(SETUP),
        v4.new_code_cell(BANNER),
        v4.new_code_cell(ROW),
        v4.new_markdown_cell(MARKDOWN),
        v4.new_code_cell(LONG_TABLE),
        v4.new_code_cell(REST),
        v4.new_code_cell('print("mean of the seeds:", rng.integers(9, size=4).mean())'),
    ]
    for index, cell in enumerate(cells):
        cell["id"] = f"cell-{index}"
    return v4.new_notebook(cells=cells)
