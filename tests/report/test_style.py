import logging

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.font_manager import FontProperties, findfont

from probetest.report.characters import FONT_FOLDER
from probetest.report.style import MM_PER_INCH, PALETTE, new_figure, report_style


def lightness(colour):
    """Return CIE L* of an sRGB colour (IEC 61966-2-1, white D65)."""
    channels = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    return 116 * np.cbrt(luminance) - 16


def test_lightness_of_a_known_grey():
    # sRGB 119/255 is the middle grey of L* = 50 (49.8 to 3 digits).
    assert lightness("#777777") == pytest.approx(50.0, abs=0.3)


def test_data_colours_keep_apart_in_grey():
    assert np.diff([lightness(colour) for colour in PALETTE.series]).min() >= 10


@pytest.mark.parametrize("colour", ["ink", "muted", "passed", "failed", "undecided"])
def test_text_colours_are_readable_on_paper(colour):
    # L* of 45 on white is a contrast of 5.5 : 1; 4.5 : 1 is asked for by WCAG 2.1, 1.4.3.
    assert lightness(getattr(PALETTE, colour)) < 45


def test_settings_are_put_back():
    before, level = dict(mpl.rcParams), logging.getLogger("matplotlib.font_manager").level
    with report_style():
        assert mpl.rcParams["font.size"] == 8.0
    assert dict(mpl.rcParams) == before
    assert logging.getLogger("matplotlib.font_manager").level == level


@pytest.mark.parametrize(
    ("weight", "style", "file"),
    [
        (400, "normal", "Inter-Regular.otf"),
        (600, "normal", "Inter-SemiBold.otf"),
        (400, "italic", "Inter-Italic.otf"),
    ],
)
def test_the_shipped_faces_are_used(weight, style, file):
    with report_style():
        found = findfont(FontProperties(family="Inter", weight=weight, style=style))
    assert found == str(FONT_FOLDER / file)


def test_a_figure_has_its_size_on_paper():
    assert new_figure(170, 85).get_size_inches() * MM_PER_INCH == pytest.approx([170, 85])
