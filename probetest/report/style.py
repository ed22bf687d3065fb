"""Colours of the report, and the look of its figures."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from probetest.report.characters import FONT_FOLDER, clean

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEXT_WIDTH_MM = 170.0
"""Width of the text on an A4 page of the report."""

MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours that keep apart for colour-blind readers and, by their lightness, in grey.

    ``blue``, ``vermilion``, ``teal`` and ``amber`` are for data, from dark to light: each is
    at least 10 L* lighter than the one before. They are darker and lighter relatives of the
    set of Okabe and Ito [1]_. The verdict colours never stand alone: a word and a shape go
    with them.

    References
    ----------
    .. [1] M. Okabe and K. Ito, Color Universal Design, 2008, set of 8 colours.
    """

    ink: str = "#1b2430"
    muted: str = "#5a6672"
    hairline: str = "#c9d0d6"
    tint: str = "#f3f5f7"
    paper: str = "#ffffff"
    blue: str = "#0b4f7d"
    vermilion: str = "#c8501a"
    teal: str = "#22a489"
    amber: str = "#eebb4d"
    passed: str = "#0a6650"
    passed_tint: str = "#e4f2ed"
    failed: str = "#a33a06"
    undecided: str = "#7a5a08"
    caution_tint: str = "#fcf4e1"
    info_tint: str = "#e9f1f7"

    @property
    def series(self) -> tuple[str, ...]:
        """The data colours in the order of use."""
        return (self.blue, self.vermilion, self.teal, self.amber)


PALETTE = Palette()

_FIXED_STYLE: dict[str, Any] = {
    "font.family": ["Inter", "DejaVu Sans"],
    "font.size": 8.0,
    "axes.titlesize": 8.0,
    "axes.titleweight": 600,
    "axes.titlelocation": "left",
    "axes.labelsize": 8.0,
    "axes.labelcolor": PALETTE.ink,
    "axes.edgecolor": PALETTE.muted,
    "axes.linewidth": 0.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.useoffset": False,
    "axes.axisbelow": True,
    "grid.color": PALETTE.hairline,
    "grid.linewidth": 0.4,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.color": PALETTE.muted,
    "ytick.color": PALETTE.muted,
    "xtick.labelcolor": PALETTE.ink,
    "ytick.labelcolor": PALETTE.ink,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "lines.linewidth": 1.1,
    "lines.markersize": 3.5,
    "patch.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "text.color": PALETTE.ink,
    "text.parse_math": False,
    "figure.facecolor": PALETTE.paper,
    "svg.fonttype": "none",
    "svg.hashsalt": "probetest",
}


@contextmanager
def report_style() -> Iterator[None]:
    """Draw figures in the look of the report while the context lasts.

    The settings before are put back afterwards. Text is taken as it stands: a ``$`` in it
    starts no formula. Only the font register of matplotlib keeps a trace: it then knows Inter.

    Examples
    --------
    >>> with report_style():
    ...     figure = new_figure(80.0, 60.0)
    ...     axes = figure.add_subplot()
    >>> axes.xaxis.label.get_parse_math()
    False
    """
    import matplotlib as mpl
    from cycler import cycler

    _register_fonts()
    settings: dict[Any, Any] = dict(_FIXED_STYLE)
    settings["axes.prop_cycle"] = cycler(color=list(PALETTE.series), linestyle=["-", "--", "-.", ":"])
    log = logging.getLogger("matplotlib.font_manager")
    level = log.level
    # DejaVu has no semibold, and matplotlib would say so in the report; it is only the fallback.
    log.setLevel(logging.ERROR)
    try:
        with mpl.rc_context(settings):
            yield
    finally:
        log.setLevel(level)


def new_figure(
    width_mm: float, height_mm: float, margins_mm: tuple[float, float, float, float] | None = None
) -> Figure:
    """Return an empty figure of a size on paper.

    Parameters
    ----------
    width_mm, height_mm : float, mm
        At most ``TEXT_WIDTH_MM`` wide to be printed in its own size.
    margins_mm : tuple of float, mm, optional
        Room for labels: left, right, bottom, top. Without it the figure finds the room that its labels
        take, which takes a third of the time of drawing it.

    Returns
    -------
    matplotlib.figure.Figure
        Not known to pyplot; add axes to it inside ``report_style()``.
    """
    from matplotlib.figure import Figure

    size = (width_mm / MM_PER_INCH, height_mm / MM_PER_INCH)
    with report_style():
        if margins_mm is None:
            return Figure(figsize=size, layout="constrained")
        figure = Figure(figsize=size)
        left, right, bottom, top = margins_mm
        figure.subplots_adjust(
            left / width_mm, bottom / height_mm, 1 - right / width_mm, 1 - top / height_mm, wspace=0.14
        )
        return figure


def figure_to_svg(figure: Figure) -> bytes:
    """Save a figure as SVG with its text as text; the same figure gives the same bytes.

    Characters that can't be printed are replaced; no text of the figure is read as a formula.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.text import Text

    for artist in figure.findobj(Text):
        artist.set_text(clean(artist.get_text()).text)
        artist.set_parse_math(False)
    file = io.BytesIO()
    with report_style(), warnings.catch_warnings():
        # What Inter and DejaVu lack is replaced and counted when the report is made.
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        # savefig would draw everything twice; one drawing lays out and writes.
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(file, metadata={"Date": None, "Creator": None})
    return clean(file.getvalue().decode("utf-8")).text.encode("utf-8")


def _register_fonts() -> None:
    from matplotlib.font_manager import fontManager

    known = {entry.fname for entry in fontManager.ttflist}
    for file in sorted(FONT_FOLDER.glob("*.otf")):
        if str(file) not in known:
            fontManager.addfont(str(file))
            # First in the register, so that it wins over another release of Inter on this machine.
            fontManager.ttflist.insert(0, fontManager.ttflist.pop())
