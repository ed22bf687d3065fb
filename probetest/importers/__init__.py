"""Importers: a trigger log from file to ``Triggers``, with every fault of the file in one go."""

from probetest.importers.columns import ColumnMap, read_column_map
from probetest.importers.native import write_native_log
from probetest.importers.pattern import Pattern, read_pattern
from probetest.importers.plan import Plan, read_plan
from probetest.importers.plan_folder import PlanFolder, read_plan_folder
from probetest.importers.read import ImportResult, import_log, read_logs
from probetest.importers.summary import LogSummary, summarise
from probetest.importers.told import About, Told, read_about, read_direction

__all__ = [
    "About",
    "ColumnMap",
    "ImportResult",
    "LogSummary",
    "Pattern",
    "Plan",
    "PlanFolder",
    "Told",
    "import_log",
    "read_about",
    "read_column_map",
    "read_direction",
    "read_logs",
    "read_pattern",
    "read_plan",
    "read_plan_folder",
    "summarise",
    "write_native_log",
]
