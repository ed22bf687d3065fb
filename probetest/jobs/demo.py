"""The demo: logs of an invented maker, copied out of the package."""

from __future__ import annotations

import shutil
from pathlib import Path

from probetest.errors import ReportError
from probetest.resources import bundled


def copy_demo(folder: Path) -> tuple[list[Path], Path]:
    """Copy demo logs, their known truth and limits into ``folder``/logs.

    Returns
    -------
    tuple of (list of pathlib.Path, pathlib.Path)
        The logs, and the limits file.

    Raises
    ------
    ReportError
        If the folder can't be written.
    """
    target = folder / "logs"
    try:
        target.mkdir(parents=True, exist_ok=True)
        shutil.copytree(bundled("data") / "demo", target, dirs_exist_ok=True)
        shutil.copyfile(bundled("data") / "limits.toml", target / "limits.toml")
    except OSError as error:
        raise ReportError(f"{target}: the demo can't be written there ({error.strerror}).") from error
    return sorted(target.glob("*.csv")), target / "limits.toml"
