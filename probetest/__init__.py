"""Repeatability tests and acceptance reports for kinematic touch-trigger probes.

The package is imported in pieces: ``probetest.importers`` reads trigger logs,
``probetest.statistics`` holds the pure computations, ``probetest.jobs`` wires them
together, ``probetest.report`` draws and prints.
"""

__version__ = "0.1.0"
