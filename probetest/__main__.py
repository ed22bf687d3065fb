"""Run the command line with ``python -m probetest``."""

from probetest.cli import main

main()
