"""Importers: a trigger log from file to ``Triggers``, with every fault of the file in one go."""

from probetest.importers.columns import ColumnMap, read_column_map
from probetest.importers.native import write_native_log
from probetest.importers.read import ImportResult, import_log, read_logs
from probetest.importers.summary import LogSummary, summarise

__all__ = [
    "ColumnMap",
    "ImportResult",
    "LogSummary",
    "import_log",
    "read_column_map",
    "read_logs",
    "summarise",
    "write_native_log",
]
