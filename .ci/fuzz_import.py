#!/usr/bin/env python
"""A coverage-guided attack on the importers; run by `.ci/fuzz`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["probetest.importers", "probetest.faults"]):
    from fuzzing import survives

FOLDER = Path(tempfile.mkdtemp())


def attack(data: bytes) -> None:
    """Feed one input; keep it where it breaks something."""
    try:
        survives(data, FOLDER)
    except Exception:
        (FOLDER / "broke-it").write_bytes(data)
        print(f"the input is in {FOLDER / 'broke-it'}", file=sys.stderr, flush=True)
        raise


if __name__ == "__main__":
    atheris.Setup(sys.argv, attack)
    atheris.Fuzz()
