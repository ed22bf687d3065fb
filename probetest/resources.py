"""Where the notebooks and the demo data are: beside the checkout, or inside the installed wheel."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def bundled(folder: str) -> Path:
    """Return the folder ``notebooks`` or ``data``, wherever this installation keeps it.

    Raises
    ------
    FileNotFoundError
        If the installation is incomplete.
    """
    for place in (_PACKAGE / "_bundled" / folder, _PACKAGE.parent / folder):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder '{folder}' is missing from this installation of probetest")
